"""What the band plays: events against the chart, the trade's check values, and outside facts named beside them."""

from __future__ import annotations

import dataclasses
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from scipy import signal

from trainer.band import BAND_DTYPE, PARTS, BandScore, arrange
from trainer.band.comping import CHOP_RANGE, KEYS_RANGE, lead_voicings
from trainer.band.feel import MOST_SHIFT_S, long_range_noise
from trainer.clock import TempoMap
from trainer.errors import UsageError
from trainer.music import FORMS, GROOVES, QUALITIES, Chord, parse_chord, parse_key
from trainer.session import BarSpan, Chart, ChorusPlan, Session, expand

DRUMS, KEYS, CHOP, LEAD, GUIDE, COUNT = range(6)
ALL_GROOVES = sorted(GROOVES)

# General MIDI 1 percussion key map and program numbers (as printed, from 1), as in the project's table of facts.
GM_PERCUSSION = {
    35: "kick", 36: "kick", 37: "side stick", 38: "snare", 42: "closed hat", 44: "pedal hat", 46: "open hat",
    49: "crash", 51: "ride", 53: "ride bell", 45: "low tom", 47: "low-mid tom", 48: "hi-mid tom", 50: "high tom",
}  # fmt: skip
GM_PROGRAMS = {
    17: "drawbar organ", 5: "electric piano 1", 6: "electric piano 2", 27: "jazz guitar", 28: "clean guitar",
    29: "muted guitar", 33: "acoustic bass", 34: "finger bass", 54: "voice oohs",
}  # fmt: skip


def chart_of(*plans: ChorusPlan, **fields: Any) -> Chart:
    return expand(Session(choruses=plans or (ChorusPlan("verse", 1),), **fields))


def part(score: BandScore, idx: int) -> np.ndarray[Any, Any]:
    return score.events[score.events["part"] == idx]


def drums_at(score: BandScore, *pitches: int) -> np.ndarray[Any, Any]:
    drums = part(score, DRUMS)
    return drums[np.isin(drums["pitch"], pitches)]


# --- swing and grid ----------------------------------------------------------------------------------------------


# Ratio → off-beat place in % of the beat: arithmetic from the definition 100 r / (1 + r).
@pytest.mark.parametrize(
    ("ratio", "percent"), [(1.0, 50.0), (1.5, 60.0), (2.0, 66.6667), (2.5, 71.4286), (3.0, 75.0), (3.5, 77.7778)]
)
@pytest.mark.parametrize("groove", ALL_GROOVES)
def test_offbeats_lie_exactly_at_the_sessions_ratio(groove: str, ratio: float, percent: float) -> None:
    chart = chart_of(ChorusPlan("verse", 1, (0.5,)), ChorusPlan("solo", 1, (0.9,)), groove=groove, swing_ratio=ratio)
    hands = drums_at(arrange(chart), 42, 46, 51, 53)
    phases = hands["onset_beats"] % 1.0
    places = {0.0, ratio / (1 + ratio)} | ({ratio / (1 + ratio) / 2} if groove == "slow_twelve_eight" else set())
    assert all(min(abs(phase - place) for place in places) < 1e-9 for phase in phases)
    off = phases[phases > 0.45] if groove == "slow_twelve_eight" else phases[phases > 1e-9]
    assert off.size > 60
    assert np.median(off) * 100.0 == pytest.approx(percent, abs=1e-3)


@pytest.mark.parametrize("ratio", [1.5, 2.0, 3.0])
@pytest.mark.parametrize("groove", ALL_GROOVES)
def test_chords_voice_soloist_and_guide_swing_with_the_drums(groove: str, ratio: float) -> None:
    plans = (ChorusPlan("verse", 2, (0.3, 0.7)), ChorusPlan("solo", 2, (0.5, 1.0)), ChorusPlan("head", 1, (0.6,)))
    score = arrange(chart_of(*plans, groove=groove, swing_ratio=ratio, guide="on", start="from_the_turnaround"))
    off = ratio / (1.0 + ratio)  # by definition; the middle of a triplet is half of it
    n_off = 0
    for idx in (KEYS, CHOP, LEAD, GUIDE):
        phases = part(score, idx)["onset_beats"] % 1.0
        assert np.abs(phases[:, None] - [0.0, off / 2.0, off, 1.0]).min(axis=1).max() < 1e-9
        n_off += int((np.abs(phases - off) < 1e-9).sum())
    assert n_off > 100


def test_the_middle_of_a_triplet_is_a_third_at_two_to_one() -> None:
    phases = drums_at(arrange(chart_of(groove="slow_twelve_eight", tempo_bpm=60.0)), 42)["onset_beats"] % 1.0
    assert set(np.round(phases, 9)) == {0.0, round(1 / 3, 9), round(2 / 3, 9)}


def test_each_limb_may_have_its_own_ratio() -> None:
    chart = chart_of(ChorusPlan("solo", 2, (0.9, 0.9)), groove="double_shuffle")
    score = arrange(chart, limb_ratios={"hand": 1.5})
    fills = {bar.onset_beats + 3.0 for bar in chart.bars if bar.bar % 4 == 0}
    ride, snare = (drums_at(score, pitch)["onset_beats"] for pitch in (51, 38))
    snare = np.array([b for b in snare if not any(f <= b < f + 1 for f in fills)])
    assert {round(p, 6) for p in ride % 1.0} == {0.0, 0.6}
    assert {round(p, 6) for p in snare % 1.0} == {0.0, round(2 / 3, 6)}


def test_a_session_sets_the_limbs_apart_and_the_ride_keeps_the_ratio() -> None:
    plans = (ChorusPlan("solo", 2, (0.9, 0.9)),)
    plain = chart_of(*plans, groove="double_shuffle")
    apart = chart_of(*plans, groove="double_shuffle", limb_swing=(("snare", 2.5), ("kick", 1.5)))
    was, now = arrange(plain), arrange(apart)
    assert apart.spans == plain.spans  # the chart does not know
    for pitches, ratio in (((51, 53), 2.0), ((38,), 2.5), ((36,), 1.5)):
        before, after = drums_at(was, *pitches)["onset_beats"], drums_at(now, *pitches)["onset_beats"]
        fill = (before % 16.0 >= 12.0) | (after % 16.0 >= 12.0)
        assert set(np.round(before[~fill] % 1.0, 6)) == {0.0, round(2 / 3, 6)}
        assert set(np.round(after[~fill] % 1.0, 6)) == {0.0, round(ratio / (1 + ratio), 6)}
    others = [score.events[score.events["part"] != DRUMS] for score in (was, now)]
    assert others[0].tobytes() == others[1].tobytes()


def test_variation_is_small_long_range_and_can_be_none() -> None:
    chart = chart_of(ChorusPlan("solo", 12, (0.6,) * 12))
    score = arrange(chart)
    shifts = score.events["shift_s"][score.events["part"] != COUNT]
    assert not arrange(chart, variation=0.0).events["shift_s"].any()
    assert not part(score, COUNT)["shift_s"].any()
    # Listeners prefer asynchronies under 19 ms (Hofmann, Wesolowski & Goebl 2017).
    assert np.abs(shifts).max() <= MOST_SHIFT_S < 0.019
    assert 0.0015 < drums_at(score, 51)["shift_s"].std() < 0.0035
    doubled = arrange(chart, variation=2.0).events["shift_s"]
    np.testing.assert_allclose(doubled, 2.0 * score.events["shift_s"], atol=1e-12)


def test_spread_between_bass_and_drums_is_tighter_than_published_trios() -> None:
    # Bass minus cymbals in 34 hand-annotated excerpts: robust SD 12.1–41.9 ms (Cheston et al. 2024 annotations).
    score = arrange(chart_of(ChorusPlan("solo", 8, (0.6,) * 8)), guide="on")
    guide, ride = part(score, GUIDE), drums_at(score, 51)
    both, i, j = np.intersect1d(guide["onset_beats"], ride["onset_beats"], return_indices=True)
    assert both.size > 300
    assert 0.001 < (guide["shift_s"][i] - ride["shift_s"][j]).std() < 0.0121


@pytest.mark.parametrize("exponent", [0.0, 1.0])
def test_variation_spectrum_falls_as_claimed(exponent: float) -> None:
    # Outside: Welch's periodogram (scipy) and a straight line through it in log-log.
    slopes = []
    for seed in range(20):
        noise = long_range_noise(4096, np.random.default_rng(seed), exponent)
        assert noise.mean() == pytest.approx(0.0, abs=1e-9)
        assert noise.std() == pytest.approx(1.0)
        freqs, power = signal.welch(noise, nperseg=1024)
        keep = (freqs > 0.004) & (freqs < 0.4)
        slopes.append(np.polyfit(np.log(freqs[keep]), np.log(power[keep]), 1)[0])
    assert np.mean(slopes) == pytest.approx(-exponent, abs=0.08)


@pytest.mark.parametrize(("pitch", "idx"), [(51, DRUMS), (None, GUIDE)])
def test_what_is_played_keeps_the_spectrum(pitch: int | None, idx: int) -> None:
    """The variation as it stands in the event table, beat after beat for half an hour, falls as 1/f too."""
    slopes = []
    for seed in range(4):
        chart = chart_of(ChorusPlan("solo", 60, (0.6,) * 60), seed=seed, groove="two_beat", tempo_bpm=120.0)
        score = arrange(chart, guide="on", guide_line=[(float(b), 0.8, 31.0, 80.0) for b in range(60 * 48 - 4)])
        notes = part(score, idx) if pitch is None else drums_at(score, pitch)
        on_beat = notes[notes["onset_beats"] % 1.0 == 0.0]
        shifts = np.interp(np.arange(60 * 48 - 4), on_beat["onset_beats"], on_beat["shift_s"])  # over the fills
        freqs, power = signal.welch(shifts, nperseg=720)
        keep = (freqs > 0.004) & (freqs < 0.25)
        slopes.append(np.polyfit(np.log(freqs[keep]), np.log(power[keep]), 1)[0])
    assert np.mean(slopes) == pytest.approx(-1.0, abs=0.15)


def test_noise_of_nothing_is_nothing() -> None:
    rng = np.random.default_rng(1)
    assert long_range_noise(0, rng).shape == (0,)
    assert long_range_noise(1, rng).tolist() == [0.0]


# --- count-in, roles, endings ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("n_bars", "beats"),
    [(0, []), (1, [-4, -3, -2, -1]), (2, [-8, -6, -4, -3, -2, -1]), (3, [-12, -10, -8, -6, -4, -3, -2, -1])],
)
def test_count_in_is_counted_as_players_do(n_bars: int, beats: list[int]) -> None:
    score = arrange(chart_of(count_in_bars=n_bars))
    assert part(score, COUNT)["onset_beats"].tolist() == beats
    assert score.first_beats == -4 * n_bars
    assert (part(score, COUNT)["channel"] == 9).all()
    assert part(arrange(chart_of(count_in_bars=n_bars), count_in=False), COUNT).size == 0


def test_count_in_comes_before_an_intro() -> None:
    score = arrange(chart_of(start="from_the_five"))
    assert part(score, COUNT)["onset_beats"][0] == -24.0
    assert part(score, DRUMS)["onset_beats"][0] == -16.0
    assert part(score, LEAD)["onset_beats"].min() >= 0.0  # nobody sings over the intro


@pytest.mark.parametrize("groove", ALL_GROOVES)
def test_a_solo_goes_to_the_ride_and_a_quiet_verse_stays_on_hats(groove: str) -> None:
    quiet = arrange(chart_of(ChorusPlan("verse", 1, (0.4,)), groove=groove))
    open_ = arrange(chart_of(ChorusPlan("solo", 1, (0.8,)), groove=groove))
    assert drums_at(quiet, 51).size == 0
    assert drums_at(quiet, 42).size > 40
    assert drums_at(open_, 42).size == 0
    assert drums_at(open_, 51, 53).size > 40
    if groove != "double_shuffle":
        assert drums_at(quiet, 37).size >= 18
        assert drums_at(quiet, 38).size <= 6  # but for a fill
    assert drums_at(open_, 38).size > 20


@pytest.mark.parametrize("groove", ALL_GROOVES)
@pytest.mark.parametrize("role", ["verse", "solo"])
def test_intensity_makes_the_band_busier_and_louder(groove: str, role: str) -> None:
    scores = [arrange(chart_of(ChorusPlan(role, 1, (v,)), groove=groove)) for v in (0.1, 0.4, 0.7, 1.0)]
    counts = [score.events.size for score in scores]
    ones = [drums_at(score, 36)[drums_at(score, 36)["onset_beats"] % 4.0 == 0.0] for score in scores]
    louds = [float(kicks["velocity"].mean()) for kicks in ones]
    assert counts == sorted(counts)
    assert counts[-1] > 1.25 * counts[0]
    assert louds == sorted(louds)
    assert louds[-1] > 1.2 * louds[0]


def test_fill_and_crash_only_where_something_opens() -> None:
    plans = (
        ChorusPlan("verse", 3, (0.4, 0.4, 0.6)),
        ChorusPlan("solo", 3, (0.6, 0.65, 0.9)),
        ChorusPlan("verse", 1, (0.5,)),
    )
    for groove in ALL_GROOVES:
        for seed in range(4):
            chart = chart_of(*plans, groove=groove, seed=seed)
            score = arrange(chart)
            crashes = [round(b / 48.0, 6) + 1 for b in drums_at(score, 49)["onset_beats"][:-1]]
            assert crashes == [3, 4, 6, 7]  # rise, solo, rise, verse; the last one rings at the end
            assert drums_at(score, 49)["onset_beats"][-1] == chart.bars[-1].onset_beats
            drums = part(score, DRUMS)
            for chorus in (3, 4, 6, 7):
                top = (chorus - 1) * 48.0
                last_beat = drums[(drums["onset_beats"] >= top - 1.0) & (drums["onset_beats"] < top)]
                assert np.isin(last_beat["pitch"], (38, 45, 47, 50)).sum() >= 2
                assert not np.isin(last_beat["pitch"], (42, 51)).any()  # the hands are on the fill


@pytest.mark.parametrize(
    ("tempo_bpm", "role", "most"), [(96.0, "verse", 2.0), (96.0, "solo", 4.0), (150.0, "solo", 1.0)]
)
def test_fills_keep_the_trades_lengths(tempo_bpm: float, role: str, most: float) -> None:
    # Common practice: at most two beats under a voice, a bar in a solo; one beat at 130–160.
    for seed in range(6):
        other = "solo" if role == "verse" else "verse"
        chart = chart_of(ChorusPlan(role, 1, (0.9,)), ChorusPlan(other), tempo_bpm=tempo_bpm, seed=seed)
        hands = drums_at(arrange(chart), 42, 46, 51, 53)["onset_beats"]
        last = hands[hands < 48.0].max()
        assert 48.0 - last <= most + 0.7  # the hand's last off-beat before the fill
        assert 48.0 - last > 1.0 - 1e-9


@pytest.mark.parametrize("groove", ALL_GROOVES)
def test_fills_come_in_many_shapes(groove: str) -> None:
    """Strokes by limb and place, without loudness: one, two and four beats long."""
    plans = (ChorusPlan("verse", 1, (0.6,)), ChorusPlan("solo", 1, (0.8,)), ChorusPlan("verse", 1, (0.6,)))
    shapes, lengths = set(), set()
    for seed in range(20):
        drums = part(arrange(chart_of(*plans, groove=groove, seed=seed, tempo_bpm=100.0)), DRUMS)
        for top, n_beats in ((48.0, 2), (96.0, 4)):
            fill = drums[(drums["onset_beats"] >= top - n_beats) & (drums["onset_beats"] < top)]
            places = np.round(fill["onset_beats"] - top, 3).tolist()
            shapes.add((n_beats, *zip(places, fill["pitch"].tolist(), strict=True)))
            hand = np.isin(drums["pitch"], (42, 51, 53, 46)) & (drums["onset_beats"] < top)
            lengths.add(round(float(np.floor(top - drums["onset_beats"][hand].max() + 1e-9))))
    assert len(shapes) >= 10
    assert {2, 4} <= lengths


@pytest.mark.parametrize("groove", ALL_GROOVES)
def test_changes_are_anticipated_more_often_as_the_band_opens_up(groove: str) -> None:
    n_pushed = []
    for level in (0.3, 0.6, 1.0):
        n = 0
        for seed in range(8):
            chart = chart_of(ChorusPlan("solo", 2, (level,) * 2), groove=groove, seed=seed)
            keys = part(arrange(chart), KEYS)
            last = keys[keys["onset_beats"] % 4.0 > 3.0]
            spans = chart.span_idx_at(last["onset_beats"])
            n += len({
                float(note["onset_beats"])
                for note, span in zip(last, spans, strict=True)
                if note["pitch"] % 12 not in chart.spans[span].chord.pcs
            })  # fmt: skip
        n_pushed.append(n)
    assert n_pushed[0] == 0
    if groove in ("slow_twelve_eight", "rumba"):
        assert n_pushed == [0, 0, 0]
    else:
        assert 0 < n_pushed[1] < n_pushed[2]


def test_the_soloist_takes_up_what_it_said() -> None:
    """Lines two and three bring back the first line's steps, or its pitches, far more often than chance would."""

    def steps(notes: np.ndarray[Any, Any]) -> tuple[int, ...]:
        return tuple(np.sign(np.diff(notes["pitch"].astype(int))).tolist())

    same = other = n = 0
    for seed in range(14):
        lead = part(arrange(chart_of(ChorusPlan("solo", 2, (0.7, 0.7)), seed=seed)), LEAD)
        bars = {k: lead[(lead["onset_beats"] >= 4 * k) & (lead["onset_beats"] < 4 * k + 4)] for k in range(24)}
        for within in range(4):
            for chorus in (0, 12):
                first, second = bars[chorus + within], bars[chorus + 4 + within]
                stranger = bars[12 - chorus + 4 + within]
                m = min(len(first), len(second), len(stranger))
                if m >= 3:
                    n += 1
                    same += steps(first[:m]) == steps(second[:m])
                    other += steps(first[:m]) == steps(stranger[:m])
    assert n > 60
    assert same > 0.35 * n
    assert same > 2.5 * other


def test_a_pick_up_is_led_in_by_the_drummer_and_left_to_the_player() -> None:
    plain, led = (arrange(chart_of(pickup_beats=beats)) for beats in (0.0, 2.0))
    before = part(led, DRUMS)[part(led, DRUMS)["onset_beats"] < 0.0]
    assert before["pitch"].tolist() == [38, 38]
    np.testing.assert_allclose(before["onset_beats"], [-1.0, -1.0 + 2.0 / 3.0])
    others = led.events[(led.events["onset_beats"] < 0.0) & (led.events["part"] != DRUMS)]
    assert set(others["part"].tolist()) == {COUNT}  # no chords, no voice: the pick-up is the player's
    after = led.events["onset_beats"] >= 0.0
    assert led.events[after].tobytes() == plain.events[plain.events["onset_beats"] >= 0.0].tobytes()


def test_drop_outs_are_silent() -> None:
    drops = (BarSpan(1, 3, 4), BarSpan(2, 9, 12))
    for groove in ALL_GROOVES:
        chart = chart_of(
            ChorusPlan("verse", 1, (0.2,)),
            ChorusPlan("solo", 2, (0.9, 1.0)),
            groove=groove,
            drop_outs=drops,
            guide="on",
        )
        events = arrange(chart).events
        ends = events["onset_beats"] + events["duration_beats"]
        pitched = np.isin(events["part"], (KEYS, CHOP, LEAD, GUIDE))
        for bar in chart.bars:
            if bar.drop_out:
                inside = (events["onset_beats"] < bar.end_beats - 1e-9) & (ends > bar.onset_beats + 1e-9)
                assert not (inside & (events["onset_beats"] >= bar.onset_beats)).any()
                assert not (inside & pitched).any()


def test_the_band_comes_back_with_a_crash() -> None:
    chart = chart_of(
        ChorusPlan("verse", 2, (0.5, 0.5)),
        ChorusPlan("verse", 1, (0.5,), stop_time=True),
        ChorusPlan("verse", 1, (0.5,)),
        drop_outs=(BarSpan(1, 5, 6), BarSpan(2, 11, 12)),
    )
    crashes = drums_at(arrange(chart), 49)["onset_beats"]
    # After bars 5–6 of the first chorus and after the stops; where stops follow a silence, their own hit is the return.
    assert crashes.tolist() == [6 * 4.0, 2 * 48.0 + 8 * 4.0, chart.bars[-1].onset_beats]


@pytest.mark.parametrize("role", ["solo", "verse"])
def test_stop_time_hits_beat_one_only_under_who_solos_or_sings(role: str) -> None:
    chart = chart_of(ChorusPlan(role, 1, (0.8,), stop_time=True), ChorusPlan("solo"), guide="on")
    stopped = [bar for bar in chart.bars if bar.stopped]
    assert len(stopped) == 8
    events = arrange(chart).events
    lead = events[(events["part"] == LEAD) & (events["onset_beats"] < stopped[-1].end_beats)]
    assert {int(b // 4) % 4 for b in lead["onset_beats"]} >= {0, 1}
    assert (lead["onset_beats"] % 4.0 > 0.0).sum() >= 10
    events = events[events["part"] != LEAD]
    for bar in stopped:
        here = events[(events["onset_beats"] >= bar.onset_beats) & (events["onset_beats"] < bar.end_beats)]
        assert set(here["onset_beats"]) == {bar.onset_beats}
        assert {DRUMS, KEYS, CHOP, GUIDE} <= set(here["part"])
        assert (here["onset_beats"] + here["duration_beats"] <= bar.onset_beats + 1.0).all()


@pytest.mark.parametrize("ending", ["plain", "stop", "tag", "ritard"])
@pytest.mark.parametrize("key", ["G", "Am", "Bb"])
def test_the_last_bar_rings_on_the_tonic(ending: str, key: str) -> None:
    chart = chart_of(ChorusPlan("verse", 2), key=parse_key(key), ending=ending, guide="on")
    events = arrange(chart).events
    last = chart.bars[-1]
    here = events[events["onset_beats"] >= last.onset_beats]
    pitched = here[here["part"] != DRUMS]
    assert (pitched["onset_beats"] == last.onset_beats).all()
    assert set(pitched["pitch"] % 12) <= set(last.chords[0].pcs)
    assert last.chords[0].root_pc == parse_key(key).tonic_pc
    assert pitched[pitched["part"] == KEYS]["duration_beats"].min() == 4.0
    assert (pitched[pitched["part"] == GUIDE]["pitch"] % 12).tolist() == [last.chords[0].root_pc]
    assert 49 in here["pitch"]
    if ending == "ritard":
        assert set(here["onset_beats"] - last.onset_beats) == {0.0, 1.0, 2.0, 3.0}  # the slowing beats are marked
    else:
        assert set(here["onset_beats"]) == {last.onset_beats}
    if ending == "stop":
        before = events[(events["onset_beats"] >= last.onset_beats - 4.0) & (events["onset_beats"] < last.onset_beats)]
        assert set(before["onset_beats"]) == {last.onset_beats - 4.0}


# --- notes -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("groove", ALL_GROOVES)
def test_general_midi_numbers(groove: str) -> None:
    chart = chart_of(ChorusPlan("verse"), ChorusPlan("solo", 1, (1.0,)), ChorusPlan("head"), groove=groove, guide="on")
    score = arrange(chart)
    events = score.events
    assert events.dtype == BAND_DTYPE
    drums = np.isin(events["part"], (DRUMS, COUNT))
    assert (events["channel"][drums] == 9).all()
    assert (events["channel"][~drums] != 9).all()
    assert set(events["pitch"][drums]) <= set(GM_PERCUSSION)
    used = {int(channel) for channel in events["channel"][~drums]}
    assert {score.programs[channel] + 1 for channel in used} <= set(GM_PROGRAMS)
    assert ((events["velocity"] >= 1) & (events["velocity"] <= 127)).all()
    assert (events["duration_beats"] > 0.0).all()
    assert (np.diff(events["onset_beats"]) >= 0.0).all()
    assert set(np.unique(events["part"])) == set(range(len(PARTS)))


@pytest.mark.parametrize("key", ["E", "Bb", "F#m", "C"])
@pytest.mark.parametrize("groove", ALL_GROOVES)
def test_the_guitar_turns_round_under_the_tonic(key: str, groove: str) -> None:
    """♭7 6 ♭6 over I, a semitone a beat, then root and third of V on the one (common practice)."""
    chart = chart_of(ChorusPlan("verse", 8, (0.5,) * 8), key=parse_key(key), groove=groove, start="from_the_turnaround")
    chop = part(arrange(chart), CHOP)
    tonic = chart.key.tonic_pc
    n = 0
    for bar in chart.bars:
        if bar.bar != 11:
            continue
        mine = chop[(chop["onset_beats"] >= bar.onset_beats) & (chop["onset_beats"] < bar.end_beats)]
        pairs = [sorted(mine["pitch"][mine["onset_beats"] == bar.onset_beats + beat].tolist()) for beat in range(4)]
        if [len(pair) for pair in pairs] != [2, 2, 2, 2]:
            assert bar.chorus > 0  # an intro always has it
            continue
        n += 1
        assert {pair[1] % 12 for pair in pairs} == {tonic}
        assert len({pair[1] for pair in pairs}) == 1
        assert [(pair[0] - pair[1]) % 12 for pair in pairs[1:]] == [10, 9, 8]
        assert CHOP_RANGE[0] <= mine["pitch"].min() <= mine["pitch"].max() <= CHOP_RANGE[1]
        if not chart.bars[bar.idx + 1].final:
            landed = chop["pitch"][chop["onset_beats"] == bar.end_beats] % 12
            assert sorted(landed) == sorted(((tonic + 7) % 12, (tonic + 11) % 12))
    assert 3 <= n <= 8


def test_kick_and_quiet_strokes_keep_one_figure_of_two_bars_through_a_chorus() -> None:
    figures = set()
    for seed in range(12):
        for groove in ("shuffle", "double_shuffle", "two_beat"):
            chart = chart_of(ChorusPlan("solo", 2, (0.85, 0.85)), groove=groove, seed=seed)
            drums = arrange(chart)
            kicks, ghosts = drums_at(drums, 36), drums_at(drums, 38)
            ghosts = ghosts[ghosts["onset_beats"] % 1.0 > 0.3]
            bars = {}
            for bar in chart.bars[:-1]:
                if bar.bar % 4 == 0:
                    continue  # fills
                here = tuple(
                    tuple(np.round(rows["onset_beats"][(rows["onset_beats"] >= bar.onset_beats)
                                                      & (rows["onset_beats"] < bar.end_beats)] % 4.0, 3))
                    for rows in (kicks, ghosts)
                )  # fmt: skip
                assert bars.setdefault((bar.chorus, bar.bar % 2), here) == here
            figures.add(tuple(bars.values()))
    assert len(figures) > 20  # and it is another one from chorus to chorus, from evening to evening


def test_the_last_bars_lead_to_where_the_next_chorus_is() -> None:
    def loudness(plans: tuple[ChorusPlan, ...], bar: int) -> float:
        rows = np.concatenate([drums_at(arrange(chart_of(*plans, seed=seed)), 42) for seed in range(8)])
        return float(rows["velocity"][(rows["onset_beats"] >= 4 * bar) & (rows["onset_beats"] < 4 * bar + 2)].mean())

    steady, up, down = (tuple(ChorusPlan("verse", 1, (v,)) for v in levels)
                        for levels in ((0.5, 0.5), (0.5, 1.0), (0.5, 0.1)))  # fmt: skip
    for bar in range(10):
        assert loudness(up, bar) == loudness(steady, bar) == loudness(down, bar)
    for bar in (10, 11):
        assert loudness(up, bar) > loudness(steady, bar) > loudness(down, bar)
    assert loudness(up, 11) - loudness(steady, 11) > loudness(up, 10) - loudness(steady, 10)


@pytest.mark.parametrize("form", sorted(FORMS))
@pytest.mark.parametrize("key", ["E", "Bb", "F#m"])
def test_comping_plays_chord_tones_above_the_bass(form: str, key: str) -> None:
    chart = chart_of(
        ChorusPlan("verse", 1, (0.3,)), ChorusPlan("solo", 2, (0.6, 1.0)), form=form, key=parse_key(key), guide="on"
    )
    score = arrange(chart)
    for idx, (low, high) in ((KEYS, KEYS_RANGE), (CHOP, CHOP_RANGE)):
        notes = part(score, idx)
        spans = chart.span_idx_at(notes["onset_beats"] + 1e-9)
        # The keys may anticipate the next bar's chord on the last off-beat.
        pushed = (notes["onset_beats"] % 4.0 > 3.0) & (idx == KEYS)
        # A turnaround on two strings goes down by semitones under the tonic.
        turned = np.array([chart.bars[i].turnaround for i in chart.bar_idx_at(notes["onset_beats"])]) & (idx == CHOP)
        notes, spans, pushed = notes[~turned], spans[~turned], pushed[~turned]
        for note, span, may_push in zip(notes, spans, pushed, strict=True):
            after = chart.spans[min(span + 1, len(chart.spans) - 1)].chord
            pcs = set(chart.spans[span].chord.pcs) | (set(after.pcs) if may_push else set())
            assert note["pitch"] % 12 in pcs
        # The bass's solo register ends at 55 (common practice): never the player's octave.
        assert notes["pitch"].min() >= low > 55
        assert notes["pitch"].max() <= high
    struck = {float(b) for b in part(score, KEYS)["onset_beats"]}
    for span in chart.spans:  # every chord of a divided bar is heard
        if span.end_beats - span.onset_beats < 4.0:
            assert any(span.onset_beats <= beat < span.end_beats for beat in struck)
    guide = part(score, GUIDE)
    roots = [chart.spans[i].chord.root_pc for i in chart.span_idx_at(guide["onset_beats"])]
    assert (guide["pitch"] % 12).tolist() == roots
    assert 28 <= guide["pitch"].min() <= guide["pitch"].max() <= 39


def test_voicings_move_little_and_agree_with_music21() -> None:
    from music21 import harmony

    spelled = {"m": "m", "maj7": "maj7", "m7b5": "m7b5"}
    for quality in QUALITIES:
        figure = "C" + spelled.get(quality, quality)
        if quality in ("13", "7#9", "7b9", "7#5", "7sus4", "sus4", "dim7", "9", "m9"):
            continue  # not spelled alike there
        outside = {p.pitchClass for p in harmony.ChordSymbol(figure).pitches}
        assert {p % 12 for p in lead_voicings([parse_chord("C" + quality)], 4, 63.0, *KEYS_RANGE)[0]} <= outside
    chart = chart_of(form="two_five_12")
    chords = [span.chord for span in chart.spans]
    for n_voices in (3, 4):
        led = np.array(lead_voicings(chords, n_voices, 63.0, *KEYS_RANGE))
        motion = np.abs(np.diff(led, axis=0)).sum(axis=1)
        alone = np.array([lead_voicings([chord], n_voices, 63.0, *KEYS_RANGE)[0] for chord in chords])
        assert motion.max() <= 3 * n_voices
        assert motion.mean() < np.abs(np.diff(alone, axis=0)).sum(axis=1).mean()


@pytest.mark.parametrize("quality", sorted(QUALITIES))
def test_a_voicing_has_what_makes_the_chord(quality: str) -> None:
    chord: Chord = parse_chord("Eb" + quality)
    steps = {(pitch - chord.root_pc) % 12 for pitch in lead_voicings([chord], 3, 63.0, *KEYS_RANGE)[0]}
    assert len(steps) == 3
    assert steps <= set(chord.intervals)
    assert (chord.third if chord.third is not None else 5) in steps
    if chord.seventh is not None:
        assert chord.seventh in steps


@pytest.mark.parametrize("groove", ALL_GROOVES)
def test_the_chord_players_hold_stab_and_chop_and_thin_out_under_a_voice(groove: str) -> None:
    slow = groove == "slow_twelve_eight"

    def comp(role: str, level: float, idx: int) -> np.ndarray[Any, Any]:
        notes = part(arrange(chart_of(ChorusPlan(role, 2, (level,) * 2), groove=groove)), idx)
        return notes[notes["onset_beats"] < 92.0]  # the last bar is held

    pads = comp("verse", 0.15, KEYS)
    assert pads["duration_beats"].min() >= (2.0 if slow else 4.0)
    stabs = comp("solo", 0.55, KEYS)
    short = stabs[stabs["duration_beats"] < 1.0]
    assert short.size > 0.6 * stabs.size
    if groove not in ("slow_twelve_eight", "two_beat"):
        assert np.mean(short["onset_beats"] % 1.0 > 0.3) > 0.3  # off the beat
    chop = comp("solo", 0.9, CHOP)
    assert chop["duration_beats"].max() <= 0.2
    assert {1.0, 3.0} <= set(chop["onset_beats"] % 4.0)
    for level in (0.35, 0.6, 0.9):
        sung, played = comp("verse", level, KEYS), comp("solo", level, KEYS)
        assert sung.size <= played.size
        assert np.unique(sung["onset_beats"]).size <= np.unique(played["onset_beats"]).size
    assert comp("verse", 0.6, KEYS).size < comp("solo", 0.6, KEYS).size


def test_the_guitar_is_strummed_down_on_the_beat_and_up_off_it() -> None:
    chart = chart_of(ChorusPlan("solo", 4, (0.9,) * 4))
    chop = part(arrange(chart), CHOP)
    louds = set()
    for onset in np.unique(chop["onset_beats"]):
        strings = np.sort(chop[chop["onset_beats"] == onset], order="pitch")
        down = onset % 1.0 == 0.0
        steps = np.diff(strings["shift_s"]) * (1.0 if down else -1.0)
        inside = np.abs(strings["shift_s"]).max() < MOST_SHIFT_S
        assert not inside or steps == pytest.approx([0.003] * len(steps))
        assert (steps >= -1e-12).all()
        assert len(set(strings["velocity"].tolist())) == 1
        louds.add(int(strings["velocity"][0]))
    assert len(louds) > 8  # no two strokes quite alike


def test_the_voice_sings_two_bars_and_leaves_two() -> None:
    chart = chart_of(ChorusPlan("verse", 2), ending="plain")
    sung = part(arrange(chart), LEAD)
    bars = {chart.bars[i].bar for i in chart.bar_idx_at(sung["onset_beats"])}
    assert bars == {1, 2, 5, 6, 9, 10}
    first, second = (sung[(sung["onset_beats"] >= a) & (sung["onset_beats"] < a + 8)] for a in (0.0, 16.0))
    np.testing.assert_allclose(first["onset_beats"], second["onset_beats"] - 16.0)


def test_the_soloist_follows_the_intensity() -> None:
    figures = []
    for level in (0.1, 0.5, 0.9):
        rows = [part(arrange(chart_of(ChorusPlan("solo", 4, (level,) * 4), seed=seed)), LEAD) for seed in range(5)]
        notes = np.concatenate(rows)
        figures.append((notes.size, float(np.median(notes["pitch"])), float(notes["velocity"].mean())))
    for before, after in pairwise(figures):
        assert after[0] > 1.2 * before[0]
        assert after[1] > before[1] + 2
        assert after[2] > before[2] + 10


def test_the_soloist_keeps_to_the_key_and_the_chords() -> None:
    chart = chart_of(ChorusPlan("solo", 4, (0.7,) * 4), key=parse_key("A"))
    notes = part(arrange(chart), LEAD)
    blues = {(9 + step) % 12 for step in (0, 3, 5, 6, 7, 10)}  # npm `tonal` 6.4.3, Scale.get("A blues")
    chords = [chart.spans[i].chord for i in chart.span_idx_at(notes["onset_beats"])]
    assert all(n["pitch"] % 12 in blues | set(c.pcs) for n, c in zip(notes, chords, strict=True))


def test_the_soloist_passes_through_the_flat_fifth_and_does_not_hammer() -> None:
    """The flat fifth is neither a bar's last note nor long, unless the chord has it; no pitch four times running."""
    n = 0
    for seed in range(12):
        chart = chart_of(ChorusPlan("solo", 3, (0.3, 0.6, 0.9)), seed=seed)
        notes = part(arrange(chart), LEAD)
        bar = chart.bar_idx_at(notes["onset_beats"])
        last = np.append(np.diff(bar) > 0, True)
        blue = notes["pitch"] % 12 == (chart.key.tonic_pc + 6) % 12
        n += int(blue.sum())
        for note, is_last in zip(notes[blue], last[blue], strict=True):
            chord = chart.spans[int(chart.span_idx_at([note["onset_beats"]])[0])].chord
            assert (not is_last and note["duration_beats"] <= 0.7 + 1e-9) or note["pitch"] % 12 in chord.pcs
        inside = (np.diff(bar) == 0) & (np.diff(notes["pitch"].astype(int)) == 0)
        runs = np.convolve(inside.astype(int), np.ones(3, dtype=int), "valid")
        assert np.mean(runs == 3) < 0.02
    assert n > 40


@pytest.mark.parametrize(("key", "tonic"), [("A", 9), ("Dm", 2)])
def test_the_soloist_bends_into_notes_and_squeezes_the_blue_third(key: str, tonic: int) -> None:
    """Common practice: up a whole step from a note of the blues scale; the minor third a quarter-tone."""
    bent = squeezed = 0
    for seed in range(10):
        chart = chart_of(ChorusPlan("verse"), ChorusPlan("solo", 2, (0.4, 0.9)), key=parse_key(key), seed=seed)
        events = arrange(chart, guide="on").events
        plain = events[(events["bend_from"] == 0.0) & (events["bend_to"] == 0.0)]
        lead = events[(events["part"] == LEAD) & (events["channel"] == 2)]
        sung = events[(events["channel"] == 3) & (events["bend_from"] != 0.0)]
        assert len(sung) + len(plain) + (lead["bend_from"] != 0.0).sum() + (lead["bend_to"] != 0.0).sum() == len(events)
        up, third = lead[lead["bend_from"] != 0.0], lead[lead["bend_to"] != 0.0]
        assert (up["bend_from"] == -2.0).all() and (third["bend_to"] == 0.5).all()
        assert {int(p) % 12 for p in up["pitch"]} <= {(tonic + step) % 12 for step in (0, 5, 7)}
        assert {(int(p) - 2) % 12 for p in up["pitch"]} <= {(tonic + step) % 12 for step in (0, 3, 5, 6, 7, 10)}
        for note in third:
            chord = chart.spans[int(chart.span_idx_at([note["onset_beats"]])[0])].chord
            assert note["pitch"] % 12 == (tonic + 3) % 12 and note["pitch"] % 12 not in chord.pcs
        assert np.concatenate([up, third])["duration_beats"].min() >= 0.44
        assert not (np.diff(np.flatnonzero(lead["bend_from"] != 0.0)) == 1)[
            np.floor(up["onset_beats"][1:] / 4) == np.floor(up["onset_beats"][:-1] / 4)
        ].any()
        bent += len(up)
        squeezed += len(third)
    assert 60 < bent < 200  # about six a chorus
    assert (squeezed > 20) == (key == "A") and (squeezed == 0) == (key == "Dm")


def test_the_singer_scoops_into_notes_from_a_semitone_below() -> None:
    """Common practice: into the first of a line and into held notes more often than into passing ones; never after."""
    scooped, held, passing = 0, [], []
    for seed in range(20):
        events = arrange(chart_of(ChorusPlan("verse", 2), seed=seed)).events
        sung = events[events["channel"] == 3]
        assert set(np.unique(sung["bend_from"]).tolist()) <= {-1.0, 0.0} and not sung["bend_to"].any()
        long = sung["duration_beats"] >= 1.2
        held += (sung["bend_from"][long] != 0.0).tolist()
        passing += (sung["bend_from"][~long] != 0.0).tolist()
        scooped += int((sung["bend_from"] != 0.0).sum())
    assert 0.25 < scooped / (len(held) + len(passing)) < 0.65
    assert np.mean(held) > np.mean(passing)


def test_the_organs_speaker_is_switched_fast_round_a_solo_that_opens_up() -> None:
    plans = ChorusPlan("verse"), ChorusPlan("solo", 2, (0.6, 0.9)), ChorusPlan("verse"), ChorusPlan("solo", 1, (0.3,))
    assert arrange(chart_of(*plans, groove="shuffle")).fast_spans == ((47.0, 144.0),)
    assert arrange(chart_of(*plans, groove="two_beat")).fast_spans == ()  # an electric piano
    chart = chart_of(ChorusPlan("solo", 1, (0.8,)), groove="straight")
    assert arrange(chart).fast_spans == ((0.0, chart.end_beats - 4.0),)  # the last chord slows down


# --- guide, seed, listening, errors ------------------------------------------------------------------------------


def test_guide_bass_off_on_and_every_other() -> None:
    chart = chart_of(ChorusPlan("verse", 4), guide="every_other")
    assert part(arrange(chart, guide="off"), GUIDE).size == 0
    every = part(arrange(chart), GUIDE)
    assert {int(b // 48) + 1 for b in every["onset_beats"]} == {1, 3}
    assert {int(b // 48) + 1 for b in part(arrange(chart, guide="on"), GUIDE)["onset_beats"]} == {1, 2, 3, 4}
    two_beat = part(arrange(chart_of(groove="two_beat"), guide="on"), GUIDE)
    assert set(two_beat["onset_beats"] % 4.0) == {0.0, 2.0}


def test_guide_bass_plays_a_line_that_it_is_given() -> None:
    rows = [(0.0, 0.9, 31.0, 90.0), (47.0, 0.5, 35.0, 80.0), (50.0, 0.9, 36.0, 80.0)]
    chart = chart_of(ChorusPlan("verse", 2))
    notes = part(arrange(chart, guide="every_other", guide_line=rows), GUIDE)
    assert [(n["onset_beats"], n["duration_beats"], n["pitch"], n["velocity"]) for n in notes] == rows[:2]


@pytest.mark.parametrize("groove", ALL_GROOVES)
def test_the_seed_decides_everything(groove: str) -> None:
    plans = (ChorusPlan("verse"), ChorusPlan("solo", 2, (0.6, 0.9)))
    one, same = (arrange(chart_of(*plans, groove=groove, seed=5)) for _ in range(2))
    assert one.events.tobytes() == same.events.tobytes()
    assert one.events.tobytes() != arrange(chart_of(*plans, groove=groove, seed=6)).events.tobytes()


@pytest.mark.parametrize("groove", ALL_GROOVES)
def test_a_listening_band_changes_only_the_bars_to_come(groove: str) -> None:
    chart = chart_of(ChorusPlan("verse"), ChorusPlan("solo", 2, (0.5, 0.5)), groove=groove, guide="on")
    levels = np.full(len(chart.bars), np.nan)
    assert arrange(chart, intensity=levels).events.tobytes() == arrange(chart).events.tobytes()
    levels[20:] = 1.0
    before, after = arrange(chart).events, arrange(chart, intensity=levels).events
    early = chart.bars[19].onset_beats  # bar 19 (from 0) may lead into bar 20 with a fill
    assert (before[before["onset_beats"] < early] == after[after["onset_beats"] < early]).all()
    late = chart.bars[20].onset_beats
    assert (
        after[after["onset_beats"] >= late]["velocity"].mean()
        > before[before["onset_beats"] >= late]["velocity"].mean()
    )
    assert (after["onset_beats"] >= late).sum() > (before["onset_beats"] >= late).sum()


def test_mistaken_arguments_are_named() -> None:
    chart = chart_of()
    with pytest.raises(UsageError, match='guide: found "evry_other"; allowed: off, on, every_other; did you mean'):
        arrange(chart, guide="evry_other")
    with pytest.raises(UsageError, match="expected one for each of the chart's 12 bars"):
        arrange(chart, intensity=[0.5])
    with pytest.raises(UsageError, match="variation: found -1"):
        arrange(chart, variation=-1.0)


def test_every_form_start_ending_and_loop_arranges() -> None:
    for form in FORMS:
        for start in ("top", "from_the_five", "from_the_turnaround"):
            for groove in ALL_GROOVES:
                chart = chart_of(ChorusPlan("solo", 2, (0.3, 0.9)), form=form, start=start, groove=groove)
                score = arrange(chart)
                onsets = score.onsets_s(TempoMap(chart.tempo_segments))
                assert np.isfinite(onsets).all()
                assert score.events["onset_beats"].min() == chart.count_in_beats
                assert score.events["onset_beats"].max() < chart.end_beats
    loop = chart_of(ChorusPlan("verse", 3), loop=(9, 12))
    assert arrange(loop).end_beats == 48.0
    written = expand(dataclasses.replace(Session(), form="chart", chart=("G7", "C7 C#dim7", "%", "Am7 D7 G7 Ebmaj7")))
    assert arrange(written).events.size > 100


def test_nothing_sounds_before_the_start_without_a_count_in() -> None:
    for seed in range(10):
        chart = chart_of(count_in_bars=0, seed=seed)
        assert arrange(chart).onsets_s(TempoMap(chart.tempo_segments)).min() >= 0.0


def test_intended_times_are_grid_plus_shift() -> None:
    chart = chart_of(ChorusPlan("verse", 1), tempo_bpm=120.0)
    score = arrange(chart)
    np.testing.assert_allclose(
        score.onsets_s(TempoMap(chart.tempo_segments)), score.events["onset_beats"] * 0.5 + score.events["shift_s"]
    )
    np.testing.assert_allclose(
        score.durations_s(TempoMap(chart.tempo_segments)), score.events["duration_beats"] * 0.5, atol=1e-12
    )
