"""The stand-in: what goes in as feel comes out, by reckoning of our own from the note times and by the scorer."""

from __future__ import annotations

import mido
import numpy as np
import pytest
from amads.time.swing import beat_upbeat_ratio
from scipy import stats

from tests.line.test_model_lines import a_chart
from trainer.clock.tempo import TempoMap
from trainer.line import Feel, Performance, Slip, StandIn, Tracking, model_line, planned_song
from trainer.scoring import score
from trainer.session import Chart
from trainer.take import NOTE_DTYPE, Take, TakeHeader

STEADY = Feel(lateness_ms=0.0, swing_ratio=None, jitter_sd_ms=0.0, missed_frac=0.0, velocity_sd=0.0)


def steady(**more: object) -> Feel:
    kept = {"lateness_ms": 0.0, "swing_ratio": None, "jitter_sd_ms": 0.0, "missed_frac": 0.0, "velocity_sd": 0.0}
    return Feel(**{**kept, **more})  # type: ignore[arg-type]


def play(chart: Chart, feel: Feel, seed: int = 1, device: str | None = "root_shuffle", variant: int = 0) -> Performance:
    return StandIn(feel, seed).play(model_line(chart, device=device, variant=variant))


def a_take(done: Performance, profile: str = "pad") -> Take:
    chart = done.line.chart
    return Take(done.notes, TempoMap(chart.tempo_segments), session=chart.session, header=TakeHeader(profile=profile))


def on_beats(done: Performance, tempo_bpm: float) -> tuple[np.ndarray, np.ndarray]:
    """(beat number, asynchrony in s) of every attack near a beat."""
    onset = done.notes["onset_s"]
    beat = onset * tempo_bpm / 60.0
    near = np.abs(beat - np.round(beat)) < 0.2
    return np.round(beat[near]), onset[near] - np.round(beat[near]) * 60.0 / tempo_bpm


LONG = {"tempo_bpm": 100.0, "chorus": [{"role": "verse", "times": 12}]}


def test_without_feel_the_line_is_played_as_written() -> None:
    chart = a_chart()
    done = play(chart, STEADY)
    tempo = TempoMap(chart.tempo_segments)
    assert done.notes.dtype == NOTE_DTYPE
    assert np.allclose(done.notes["onset_s"], tempo.seconds_at(done.line.notes["onset_beats"]), atol=1e-12)
    assert np.array_equal(done.notes["pitch"], done.line.notes["pitch"])
    assert np.array_equal(done.notes["velocity"], done.line.notes["velocity"])
    assert np.array_equal(done.strings, done.line.notes["string"])


@pytest.mark.parametrize(("late", "sd", "lag1"), [(6.0, 10.0, 0.3), (-15.0, 20.0, 0.0), (25.0, 5.0, 0.6)])
def test_lateness_spread_and_correlation(late: float, sd: float, lag1: float) -> None:
    done = play(a_chart(**LONG), steady(lateness_ms=late, jitter_sd_ms=sd, jitter_lag1=lag1))
    beats, asynchrony = on_beats(done, 100.0)
    assert beats.size > 550
    effective = beats.size * (1 - lag1) / (1 + lag1)
    assert abs(1000 * asynchrony.mean() - late) < 3 * sd / np.sqrt(effective)
    assert asynchrony.std() * 1000 == pytest.approx(sd, rel=0.15)
    found = np.corrcoef(asynchrony[:-1], asynchrony[1:])[0, 1]
    assert found == pytest.approx(lag1, abs=0.12)


@pytest.mark.parametrize("ratio", [1.0, 1.8, 2.5, 3.4])
def test_swing_by_an_outside_judge(ratio: float) -> None:
    # amads 1.4: beat–upbeat ratio per pair.
    done = play(a_chart(**LONG), steady(swing_ratio=ratio, jitter_sd_ms=6.0))
    onset = done.notes["onset_s"][:-1]  # the last note is held
    even, odd = onset[0::2], onset[1::2]
    ratios = beat_upbeat_ratio(even, odd)
    found = np.array([r for r in ratios if r is not None and np.isfinite(r)])
    assert np.median(found) == pytest.approx(ratio, rel=0.03)


def test_drift_by_an_outside_judge() -> None:
    # scipy: Theil–Sen slope.
    done = play(a_chart(**LONG), steady(drift_ms_per_chorus=4.0, jitter_sd_ms=8.0))
    beats, asynchrony = on_beats(done, 100.0)
    slope = stats.theilslopes(1000 * asynchrony, beats / 48.0).slope
    assert slope == pytest.approx(4.0, abs=0.6)


@pytest.mark.parametrize("kind", ["wrong", "silent", "mixed"])
def test_missed_changes_are_missed_and_told(kind: str) -> None:
    chart = a_chart(**LONG)
    done = play(chart, steady(missed_frac=0.2, missed_kind=kind))
    missed = [c for c in done.changes if c.outcome in ("wrong", "silent")]
    assert len(missed) == round(0.2 * len([c for c in done.changes if c.chorus and c.bar != 12]))
    onset, pitch = done.notes["onset_s"], done.notes["pitch"]
    for change in done.changes:
        at_s = change.at_beats * 0.6
        here = pitch[np.abs(onset - at_s) < 0.05]
        if change.outcome == "root":
            assert here.size == 1 and here[0] % 12 == change.root_pc
        elif change.outcome == "silent":
            assert not np.any((onset > at_s - 0.05) & (onset < at_s + 0.59))
        else:
            chord = next(s.chord for s in chart.spans if s.onset_beats == change.at_beats)
            assert here.size == 1 and here[0] % 12 not in chord.pcs
    card = score(a_take(done)).to_dict()["landing"]
    assert card["changes"] - card["landed"] == len(missed)


def test_late_roots_are_late() -> None:
    done = play(a_chart(**LONG), steady(late_frac=0.25), variant=1)
    late = [c for c in done.changes if c.outcome == "late"]
    assert len(late) >= 15
    card = score(a_take(done)).to_dict()["landing"]
    told = {c.at_beats for c in late}
    assert {i["at_beats"] for i in card["items"] if i["outcome"] == "root_late"} == told


def test_the_demos_figures_agree_with_the_feel_that_went_in() -> None:
    # Repeated over seeds: the intervals must hold the truth about as often as they say (95 %).
    chart = a_chart(chorus=[{"role": "verse", "times": 3}, {"role": "solo", "times": 2, "intensity": [0.6, 0.9]}])
    feel = Feel(lateness_ms=12.0, swing_ratio=1.8, jitter_sd_ms=10.0, jitter_lag1=0.3, missed_frac=0.1)
    held_mean = held_ratio = 0
    n_runs = 12
    for seed in range(n_runs):
        done = StandIn(feel, seed).play(planned_song(chart, seed))
        card = score(a_take(done)).to_dict()
        held_mean += card["timing"]["mean_ci95_ms"][0] <= 12.0 <= card["timing"]["mean_ci95_ms"][1]
        held_ratio += card["swing"]["ratio_ci95"][0] <= 1.8 <= card["swing"]["ratio_ci95"][1]
        assert card["timing"]["sd_ms"] == pytest.approx(10.0, rel=0.2)
        missed = sum(c.outcome in ("wrong", "silent") for c in done.changes)
        assert card["landing"]["changes"] - card["landing"]["landed"] == missed
    assert held_mean >= n_runs - 2 and held_ratio >= n_runs - 2


def test_a_skipped_and_a_repeated_bar() -> None:
    chart = a_chart(chorus=[{"role": "verse", "times": 3}])
    line = model_line(chart, device="root_shuffle", variant=0)
    slips = (Slip(2, 4, 2, 9, 4.0), Slip(3, 2, 3, 8, -4.0))
    done = StandIn(steady(slips=slips)).play(line)
    beat = np.round(done.notes["onset_s"] * 96.0 / 60.0, 6)
    written = dict(zip(np.round(line.notes["onset_beats"], 6), line.notes["pitch"], strict=True))
    moved = 0
    for b, pitch in zip(beat, done.notes["pitch"], strict=True):
        place = 4.0 if 60 <= b < 80 else -4.0 if 100 <= b < 124 else 0.0
        assert pitch == written[np.round(b + place, 6)]
        moved += pitch != written[b]
    assert moved > 30  # and the slips can be heard


def test_drop_outs_are_played_through_at_the_players_own_tempo() -> None:
    chart = a_chart(tempo_bpm=100.0, chorus=[{"role": "verse", "times": 3}], drop_out=[{"chorus": 2, "bars": [5, 8]}])
    done = play(chart, steady(drop_out_tempo_pct=2.0))
    played = done.notes["onset_s"][::2]  # variant 0: every second note is an on-beat
    asynchrony = played - 0.6 * np.arange(played.size)
    interval = np.diff(played)
    assert 0.6 / interval[64:79].mean() - 1 == pytest.approx(0.02, abs=1e-6)
    assert asynchrony[80] == pytest.approx(-16 * 0.6 * (1 - 1 / 1.02), abs=1e-9)
    assert abs(asynchrony[90]) < 0.001 and np.all(np.abs(asynchrony[:65]) < 1e-9)
    drop = score(a_take(done)).to_dict()["timing"]["drop_outs"][0]
    assert drop["tempo_change_pct"] == pytest.approx(2.0, abs=0.1)
    assert drop["reentry_ms"] == pytest.approx(1000 * asynchrony[80], abs=1.0)


def test_ghosts_accents_gate_and_a_flat_velocity() -> None:
    chart = a_chart(**LONG)
    done = play(chart, steady(ghost_frac=0.5), device="walking_line")
    plain = play(chart, steady(), device="walking_line")
    ghosts = done.notes[done.notes["velocity"] < 20]
    assert len(ghosts) == len(done.notes) - len(plain.notes) > 100
    assert np.all(ghosts["duration_s"] <= 0.08)
    accented = play(chart, steady(accent=10), device="walking_line")
    two_and_four = np.round(plain.line.notes["onset_beats"]) % 2 == 1
    gain = accented.notes["velocity"].astype(int) - plain.notes["velocity"]
    assert np.all(gain[two_and_four] == 10) and np.all(gain[~two_and_four] == 0)
    short = play(chart, steady(gate=0.5), device="walking_line")
    assert np.allclose(short.notes["duration_s"], plain.notes["duration_s"] * 0.5)
    assert set(play(chart, steady(flat_velocity=100)).notes["velocity"].tolist()) == {100}


def test_tracked_strings_have_their_faults() -> None:
    chart = a_chart(**LONG)
    clean = play(chart, steady())
    tracked = play(
        chart, steady(tracking=Tracking(base_ms=5.0, periods=2.0, retrigger_frac=0.1, false_start_frac=0.05))
    )
    assert len(tracked.notes) > len(clean.notes) * 1.1
    delayed = play(chart, steady(tracking=Tracking(base_ms=5.0, periods=2.0, retrigger_frac=0.0, false_start_frac=0.0)))
    delay_ms = 1000 * (delayed.notes["onset_s"] - clean.notes["onset_s"])
    # Two periods of E1, A1, D2, G2: 48.5, 36.4, 27.2, 20.4 ms (ISO 16; arithmetic).
    known = {28: 48.5, 33: 36.4, 38: 27.2, 43: 20.4}
    for pitch, ms in known.items():
        found = delay_ms[clean.notes["pitch"] == pitch]
        assert np.allclose(found, 5.0 + ms, atol=0.06)
    cleaned = score(a_take(tracked, "strings")).to_dict()["take"]["cleaned"]
    n_extra = len(tracked.notes) - len(clean.notes)
    assert cleaned["retrigger"] + cleaned["false_start"] == pytest.approx(n_extra, abs=0.05 * n_extra)


@pytest.mark.parametrize("string_channels", [False, True])
def test_messages_read_back_by_an_outside_parser(string_channels: bool) -> None:
    # mido parses the bytes; on–off pairs give the notes back.
    done = StandIn(Feel(transpose=0), 3).play(planned_song(a_chart(), 1))
    messages = done.messages(string_channels=string_channels)
    seconds = [s for s, _ in messages]
    assert seconds == sorted(seconds)
    open_notes: dict[tuple[int, int], float] = {}
    read = []
    for second, data in messages:
        message = mido.Message.from_bytes(data)
        if message.type == "note_on":
            assert (message.channel, message.note) not in open_notes
            open_notes[message.channel, message.note] = second
        elif message.type == "note_off":
            start = open_notes.pop((message.channel, message.note))
            read.append((start, second - start, message.note, message.channel))
    assert not open_notes
    read.sort()
    assert np.allclose([r[0] for r in read], done.notes["onset_s"])
    assert np.allclose([r[1] for r in read], done.notes["duration_s"])
    assert [r[2] for r in read] == done.notes["pitch"].astype(int).tolist()
    channels = {r[3] for r in read}
    assert channels == (set((np.unique(done.strings) - 1).tolist()) if string_channels else {0})


def test_bent_strings_send_their_bend() -> None:
    done = StandIn(steady(transpose=0)).play(model_line(a_chart()))
    done.notes["pitch"] += 0.5  # a string half a semitone sharp
    bends = [mido.Message.from_bytes(m).pitch for _, m in done.messages(string_channels=True) if m[0] >> 4 == 0xE]
    assert set(np.abs(bends).tolist()) == {2048}  # half of one of two semitones of 8192 (MIDI 1.0)


def test_seeds() -> None:
    chart = a_chart()
    one, same, other = (play(chart, Feel(), seed) for seed in (1, 1, 2))
    assert np.array_equal(one.notes, same.notes) and one.changes == same.changes
    assert not np.array_equal(one.notes, other.notes)


@pytest.mark.parametrize("more", [
    {"start": "from_the_five"}, {"ending": "ritard"}, {"ending": "tag"}, {"loop": [9, 12]}, {"count_in_bars": 0},
])  # fmt: skip
def test_intros_endings_and_loops(more: dict) -> None:
    chart = a_chart(chorus=[{"role": "verse", "times": 2}], **more)
    done = StandIn(Feel(), 5).play(planned_song(chart, 2))
    tempo = TempoMap(chart.tempo_segments)
    beats = tempo.beats_at(done.notes["onset_s"])
    assert beats.min() < chart.first_beats + 0.3 and beats.max() > chart.end_beats - 4.3
    if more.get("ending") == "ritard":
        strict = StandIn(STEADY, 5).play(planned_song(chart, 2))
        assert np.allclose(tempo.beats_at(strict.notes["onset_s"]), strict.line.notes["onset_beats"])
