"""Which beat and which slot: the reading, on takes written by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from mir_eval.util import match_events

from tests.scoring.makers import chart_of, line_take, root_pitch, shuffle_rows, shuffle_take
from trainer.clock.tempo import TempoMap
from trainer.line.song import planned_song
from trainer.line.stand_in import Feel, StandIn
from trainer.scoring import score
from trainer.scoring.align import read_notes
from trainer.scoring.reading import (
    BEAT_OFFBEAT,
    BEAT_OTHER,
    BEAT_PAIR,
    BEAT_PARTIAL,
    BEAT_SINGLE,
    BEAT_TRIPLET,
    EXCUSED_COUNT_IN,
    EXCUSED_DROP_OUT,
    EXCUSED_FINAL,
    EXCUSED_GAP,
    EXCUSED_RITARD,
    EXCUSED_STOP,
    SLOT_OFF,
    SLOT_ON,
    SLOT_TRIPLET_2,
    SLOT_TRIPLET_3,
)
from trainer.scoring.slots import nearest_onsets
from trainer.session import BarSpan, ChorusPlan
from trainer.take import FLAG_GLITCH, Calibration, Gap, Take, TakeHeader, empty_notes, notes_from_rows


@pytest.mark.parametrize("bpm", [50.0, 96.0, 200.0])
@pytest.mark.parametrize("ratio", [1.0, 1.5, 2.0, 3.0, 3.5])
@pytest.mark.parametrize("late_beats", [0.0, 0.1, 0.25, 0.4, -0.15])
def test_a_constant_latency_never_changes_the_slots(bpm: float, ratio: float, late_beats: float) -> None:
    """Up to 0.4 of a beat late: the same slots and beats, and the asynchronies carry the whole delay."""
    chart = chart_of(2, tempo_bpm=bpm, swing_ratio=ratio)
    late_s = late_beats * 60.0 / bpm
    still = read_notes(shuffle_take(chart, ratio, jitter_ms=6.0, seed=5), chart)
    late = read_notes(shuffle_take(chart, ratio, jitter_ms=6.0, seed=5, late_ms=1000.0 * late_s), chart)
    np.testing.assert_array_equal(still.slot, late.slot)
    np.testing.assert_array_equal(still.beat_idx, late.beat_idx)
    moved = late.on_asynchrony_s - still.on_asynchrony_s
    np.testing.assert_allclose(moved[~np.isnan(moved)], late_s, atol=1e-9)
    assert np.count_nonzero(~np.isnan(moved)) == 93
    assert late.phase_s == pytest.approx(late_s, abs=0.02 + 0.01 * 60.0 / bpm)


def test_every_figure_of_a_beat_is_told_apart() -> None:
    chart = chart_of(2)
    rows = shuffle_rows(chart, 2.0)
    cells = {
        16: ((0.0, 1 / 3, 2 / 3), BEAT_TRIPLET),
        17: ((1 / 3, 2 / 3), BEAT_PARTIAL),
        18: ((0.0, 1 / 3), BEAT_PARTIAL),
        19: ((2 / 3,), BEAT_OFFBEAT),
        20: ((0.0,), BEAT_SINGLE),
        21: ((0.0, 0.25, 0.5, 0.75), BEAT_OTHER),
        22: ((0.0, 2 / 3), BEAT_PAIR),
    }
    rows = [row for row in rows if int(row[0] + 0.01) not in cells]
    for beat, (places, _) in cells.items():
        rows += [(beat + place, 0.15, 31) for place in places]
    for jitter_ms in (0.0, 8.0):
        reading = read_notes(line_take(chart, rows, jitter_ms=jitter_ms, late_ms=20.0), chart)
        for beat, (places, kind) in cells.items():
            assert reading.beat_kind[reading.row_of_beat(beat)] == kind, beat
            assert np.count_nonzero(reading.beat_idx == beat) == len(places)
        triplet = reading.slot[reading.beat_idx == 16].tolist()
        assert triplet == [SLOT_ON, SLOT_TRIPLET_2, SLOT_TRIPLET_3]
        assert reading.slot[reading.beat_idx == 19].tolist() == [SLOT_OFF]


def test_notes_exactly_between_slots_do_not_break_anything() -> None:
    chart = chart_of(2)
    for place in (1 / 6, 0.25, 0.5, 5 / 6):
        rows = [(k + place, 0.1, 31) for k in range(92)]
        reading = read_notes(line_take(chart, rows), chart)
        assert reading.n == 92
        # A line of quarters late or early by a constant is a line of quarters, up to what off-beats would look like.
        assert np.count_nonzero(reading.on_note_idx >= 0) == (0 if place == 0.5 else 92)
        assert (reading.unplaced is not None) == (place == 0.5)
        assert np.all(reading.slot == (SLOT_OFF if place == 0.5 else SLOT_ON))


def test_missing_beats_stay_missing() -> None:
    chart = chart_of(2)
    rows = [row for i, row in enumerate(shuffle_rows(chart, 2.0)) if not (row[0] % 1 == 0 and (i // 2) % 5 == 3)]
    reading = read_notes(line_take(chart, rows, jitter_ms=8.0), chart)
    missing = reading.beat_numbers[(reading.on_note_idx < 0) & (reading.beat_numbers < 92)]
    assert missing.tolist() == [k for k in range(92) if k % 5 == 3]


def test_a_half_time_player_and_a_double_time_player() -> None:
    chart = chart_of(2)
    roots = [root_pitch(chart.bars[k // 2].chords[0].root_pc) for k in range(46)]
    half = [(2.0 * k + place, 0.4, roots[k]) for k in range(46) for place in (0.0, 4 / 3)]
    reading = read_notes(line_take(chart, half), chart)
    assert np.count_nonzero(reading.beat_kind == BEAT_PAIR) == 0
    assert np.array_equal(reading.beat_numbers[reading.on_note_idx >= 0] % 2, np.zeros(46))
    double = [(0.5 * k + place, 0.1, 31) for k in range(184) for place in (0.0, 1 / 3)]
    reading = read_notes(line_take(chart, double), chart)
    assert np.count_nonzero(reading.beat_kind == BEAT_PAIR) == 0
    assert np.count_nonzero(reading.on_note_idx >= 0) == 92


def test_slow_wandering_is_followed() -> None:
    """A player who drifts a third of a beat over the take keeps every slot (the local offset follows)."""
    chart = chart_of(4)
    tempo = TempoMap(chart.tempo_segments)
    rows = []
    for beat, length, pitch in shuffle_rows(chart, 2.0):
        drift_s = 0.2 * beat / chart.end_beats
        rows.append((float(tempo.seconds_at(beat)) + drift_s, length * 0.6, pitch, 90))
    reading = read_notes(Take(notes_from_rows(rows), tempo, chart.session), chart)
    inside = reading.beat_numbers < 188
    assert np.all(reading.beat_kind[inside] == BEAT_PAIR)


def test_what_is_excused_is_marked() -> None:
    chart = chart_of(
        2, ending="ritard", drop_outs=(BarSpan(1, 9, 10),), start="from_the_turnaround",
        choruses=(ChorusPlan("verse", 1, (0.5,)), ChorusPlan("solo", 1, (0.5,), stop_time=True)),
    )  # fmt: skip
    noodling = [(-12.0, 0.2, 40), (-11.5, 0.2, 43)]
    take = line_take(chart, noodling + shuffle_rows(chart, 2.0), header=TakeHeader(gaps=(Gap(9.9, 10.2, "xrun"),)))
    take.notes["flags"][40] |= FLAG_GLITCH
    reading = read_notes(take, chart)
    beat = reading.beat_idx

    def bits(where: np.ndarray) -> int:
        return int(np.bitwise_or.reduce(reading.excused[where]))

    assert bits(reading.beats < -9.0) == EXCUSED_COUNT_IN
    assert np.all(reading.excused[(beat >= 32) & (beat < 40)] & EXCUSED_DROP_OUT)
    assert np.all(reading.excused[(beat >= 48) & (beat < 80)] & EXCUSED_STOP)
    last = reading.excused[beat >= 92]
    assert np.all(last & EXCUSED_FINAL) and np.all(last & EXCUSED_RITARD)
    assert reading.excused[40] & EXCUSED_GAP
    near = np.abs(reading.notes["onset_s"] - 10.05) < 0.15
    assert np.any(near) and np.all(reading.excused[near] & EXCUSED_GAP)
    far = np.abs(reading.notes["onset_s"] - 10.05) > 0.3
    clean = (beat >= 0) & (beat < 32) & (np.arange(reading.n) != 40) & far
    assert not np.any(reading.excused[clean])


def test_two_notes_struck_together_are_one_onset() -> None:
    chart = chart_of(2)
    rows = [(b, 0.3, p) for b, _, p in shuffle_rows(chart, 2.0)]
    rows += [(b + 0.005, 0.3, p + 7) for b, _, p in rows[::3]]
    reading = read_notes(line_take(chart, rows), chart)
    assert np.count_nonzero(reading.stacked) == len(rows) - 2 * 92 - 1
    assert np.all(reading.beat_kind[reading.beat_numbers < 92] == BEAT_PAIR)


def test_empty_and_malformed() -> None:
    chart = chart_of(2)
    tempo = TempoMap.constant(96.0)
    assert read_notes(Take(empty_notes(), tempo, chart.session), chart).n == 0
    assert read_notes(Take(empty_notes(), tempo)).n == 0
    for rows, message in (
        ([(float("nan"), 0.1, 40, 90)], "onset_s that is not finite"),
        ([(0.0, float("inf"), 40, 90)], "duration_s that is not finite"),
        ([(0.0, -0.1, 40, 90)], "negative duration_s"),
    ):
        with pytest.raises(ValueError, match=message):
            read_notes(Take(notes_from_rows(rows), tempo))


def test_a_changing_tempo_map_is_the_axis() -> None:
    chart = chart_of(2)
    tempo = TempoMap([(k, 80.0 + 30.0 * np.sin(k / 3.0)) for k in range(96)])
    rows = [(float(tempo.seconds_at(b)) + 0.03, 0.05, p, 90) for b, _, p in shuffle_rows(chart, 2.0)]
    reading = read_notes(Take(notes_from_rows(rows), tempo, chart.session), chart)
    assert np.all(reading.beat_kind[reading.beat_numbers < 92] == BEAT_PAIR)
    np.testing.assert_allclose(reading.on_asynchrony_s[reading.on_note_idx >= 0], 0.03, atol=1e-9)


@pytest.mark.parametrize("missing", [0.0, 0.2])
def test_hits_and_misses_are_mir_evals(missing: float) -> None:
    """mir_eval.util.match_events within 50 ms: the same beats hit, the same notes."""
    rng = np.random.default_rng(6)
    grid_s = 0.5 * np.arange(400)
    onset_s = np.sort(np.concatenate((grid_s, grid_s + 1 / 3)) + rng.normal(0.0, 0.025, 800))
    onset_s = onset_s[rng.random(len(onset_s)) >= missing]
    got = nearest_onsets(onset_s, grid_s, 0.05, 0.05)
    theirs = match_events(grid_s, onset_s, 0.05)
    assert np.count_nonzero(got >= 0) == len(theirs)
    assert {i for i, _ in theirs} == set(np.flatnonzero(got >= 0).tolist())
    assert len(set(got[got >= 0].tolist())) == np.count_nonzero(got >= 0)
    assert np.all(np.diff(got[got >= 0]) > 0)
    assert nearest_onsets(np.zeros(0), grid_s, 0.05).tolist() == [-1] * 400


@pytest.mark.parametrize(("jitter_ms", "allowed"), [(10.0, 0), (25.0, 4)])
def test_slots_of_planned_songs_are_those_that_were_written(jitter_ms: float, allowed: int) -> None:
    """Riffs, walks, triplet fills, pushes and rests through a whole song: each on-beat is read as the beat it was."""
    chart = chart_of(choruses=(ChorusPlan("verse", 2, (0.4, 0.5)), ChorusPlan("solo", 3, (0.6, 0.7, 0.9))))
    wrong = total = 0
    for seed in range(3):
        line = planned_song(chart, seed)
        feel = Feel(lateness_ms=12.0, swing_ratio=None, jitter_sd_ms=jitter_ms, missed_frac=0.0)
        played = StandIn(feel, seed).play(line)
        reading = read_notes(Take(played.notes, TempoMap(chart.tempo_segments), chart.session), chart)
        written = np.sort(line.notes["onset_beats"])
        assert reading.n == len(written)
        on_beat = np.abs(written - np.rint(written)) < 0.02
        right = (reading.slot == SLOT_ON) & (reading.beat_idx == np.rint(written))
        wrong += int(np.count_nonzero(on_beat & ~right) + np.count_nonzero(~on_beat & (reading.slot == SLOT_ON)))
        total += len(written)
    assert total > 1000
    assert wrong <= allowed


OFF_BEATS = {"ours": TakeHeader(), "ours, calibrated": TakeHeader(calibration=Calibration(0.0, n=40)),
             "foreign": TakeHeader(foreign=True, profile="foreign")}  # fmt: skip


@pytest.mark.parametrize("whose", OFF_BEATS)
@pytest.mark.parametrize("with_session", [True, False])
@pytest.mark.parametrize("ratio", [1.0, 2.0])
def test_a_line_of_off_beats_is_never_timed_as_early_on_beats(ratio: float, with_session: bool, whose: str) -> None:
    """Nothing but off-beats, a little late: with a chart they are off-beats; without one, and where a fault of the
    set-up would look the same, nothing is timed and the card says why."""
    chart = chart_of(2, swing_ratio=ratio)
    rows = [row for row in shuffle_rows(chart, ratio) if row[0] % 1.0 > 0.1]
    take = line_take(chart, rows, late_ms=15.0, jitter_ms=8.0, header=OFF_BEATS[whose])
    card = score(take if with_session else replace(take, session=None))
    assert np.count_nonzero(card.reading.on_note_idx >= 0) == 0
    told = card.to_dict()
    assert told["timing"]["n"] == 0 and told["timing"]["mean_ms"] is None and told["swing"]["ratio"] is None
    code = told["timing"]["why"]["mean_ms"]["code"]
    assert code in ("none_found", "one_place") or (code == "no_beat" and whose == "foreign")
    if code == "no_beat":  # in a file from elsewhere the roots fit another tempo as well: nothing is judged
        assert told["landing"]["changes"] is None and told["form"]["lost"] is None
    elif with_session:
        assert np.mean(card.reading.slot == SLOT_OFF) > 0.95
        assert told["landing"]["landed"] == told["landing"]["changes"] > 10
        assert told["form"]["lost"] == []
    elif whose != "ours":
        assert told["timing"]["why"]["mean_ms"]["code"] == "one_place"
        assert "0.5" in card.reading.unplaced.text or "0.6" in card.reading.unplaced.text  # type: ignore[union-attr]


@pytest.mark.parametrize("late_beats", [-0.15, 0.0, 0.2, 0.38])
def test_a_line_of_quarters_may_be_late_by_its_set_up(late_beats: float) -> None:
    """Our own take, not calibrated: quarters late by up to 0.4 of a beat are timed as such."""
    chart = chart_of(2)
    rows = [row for row in shuffle_rows(chart, 2.0) if row[0] % 1.0 < 0.1]
    late_ms = 1000.0 * late_beats * 60.0 / 96.0
    card = score(line_take(chart, rows, late_ms=late_ms, jitter_ms=8.0))
    assert card.reading.unplaced is None
    assert card.timing.n > 80 and 1000.0 * card.timing.mean_s.value == pytest.approx(late_ms, abs=4.0)


def test_a_few_on_beats_make_the_rest_off_beats() -> None:
    """Off-beats with beat 1 of every other bar: read on the file's own beats, the few on-beats timed."""
    chart = chart_of(4)
    rows = [row for row in shuffle_rows(chart, 2.0) if row[0] % 1.0 > 0.1 or row[0] % 8.0 < 0.1]
    take = replace(line_take(chart, rows, late_ms=15.0, jitter_ms=8.0, header=OFF_BEATS["foreign"]), session=None)
    card = score(take)
    assert card.timing.n == pytest.approx(24, abs=1)
    assert 1000.0 * card.timing.mean_s.value == pytest.approx(15.0, abs=6.0)


@pytest.mark.parametrize("late_beats", [-0.1, 0.0, 0.2, 0.45])
@pytest.mark.parametrize("with_session", [True, False])
def test_the_constant_of_a_planned_song_is_found(late_beats: float, with_session: bool) -> None:
    """Riffs, fills and walks, a tenth of the changes missed: the phase is right with and without a chart."""
    chart = chart_of(choruses=(ChorusPlan("verse", 2, (0.4, 0.5)), ChorusPlan("solo", 2, (0.6, 0.9))))
    beat_s = 60.0 / chart.session.tempo_bpm
    for seed in range(3):
        feel = Feel(lateness_ms=1000.0 * late_beats * beat_s, jitter_sd_ms=10.0, missed_frac=0.1)
        played = StandIn(feel, seed).play(planned_song(chart, seed))
        take = Take(played.notes, TempoMap(chart.tempo_segments), chart.session)
        got = read_notes(take, chart if with_session else None)
        assert got.phase_s / beat_s == pytest.approx(late_beats, abs=0.06)
