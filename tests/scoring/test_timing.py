"""Time: asynchronies, drift, drop-outs, gain and the two-level split, against closed forms and general libraries."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from itertools import pairwise

import allantools
import numpy as np
import pytest
from amads.time.tempo import tempo_slope
from statsmodels.tsa.stattools import acovf

from tests.scoring.makers import chart_of, line_take, root_pitch, shuffle_rows, shuffle_take
from trainer.clock.tempo import TempoMap
from trainer.scoring import score
from trainer.scoring.align import read_notes
from trainer.scoring.figure import Figure
from trainer.scoring.stats import ar1
from trainer.scoring.text import summary, time_line
from trainer.scoring.timing import band_reference_s, correction_gain, timing, two_level_split
from trainer.session import BarSpan, Chart, ChorusPlan
from trainer.take import FLAG_GLITCH, Gap, Take, TakeHeader, empty_notes, notes_from_rows


def why_of(figure: Figure) -> str:
    """The code of the reason beside a figure."""
    return "" if figure.why is None else figure.why.code


def moved(chart: Chart, late_s: np.ndarray, *, per_beat: bool = True) -> Take:
    """A root shuffle whose beat k (on-beat and off-beat alike) is `late_s[k]` late."""
    tempo = TempoMap(chart.tempo_segments)
    rows = []
    for beat, length, pitch in shuffle_rows(chart, 2.0):
        rows.append((float(tempo.seconds_at(beat)) + late_s[math.floor(beat + 1e-9)], 0.3 * length, pitch, 90))
    return Take(notes_from_rows(rows), tempo, chart.session)


def test_a_perfect_take_is_on_the_beat_and_steady() -> None:
    chart = chart_of(4)
    got = timing(read_notes(shuffle_take(chart), chart)).to_dict()
    assert got["n"] == 188 and got["reference"] == "grid"
    assert got["mean_ms"] == got["median_ms"] == got["sd_ms"] == got["robust_sd_ms"] == 0.0
    assert got["mean_ci95_ms"] == [0.0, 0.0] and got["drift_ms_per_chorus"] == 0.0
    assert got["lag1"] is None and got["why"]["lag1"]["code"] == "no_spread"
    assert got["excused"] == {"final": 1}
    json.dumps(got, allow_nan=False)


def test_empty_and_thin_takes_say_why() -> None:
    chart = chart_of(2)
    take = shuffle_take(chart)
    empty = timing(read_notes(Take(empty_notes(), take.tempo, take.session), chart)).to_dict()
    assert empty["n"] == 0
    absent = "mean_ms mean_ci95_ms median_ms sd_ms robust_sd_ms drift_ms_per_chorus lag1 lag1_ci95"
    for name in absent.split():
        assert empty[name] is None and empty["why"][name]["code"] == "none_found", name
    few = timing(read_notes(line_take(chart, shuffle_rows(chart, 2.0)[:10], late_ms=12.0), chart)).to_dict()
    assert few["n"] == 5 and few["mean_ms"] == 12.0 and few["median_ms"] == 12.0
    assert few["mean_ci95_ms"] is None and few["why"]["mean_ci95_ms"]["code"] == "too_few"
    assert few["sd_ms"] is None and few["drift_ms_per_chorus"] is None
    json.dumps([empty, few], allow_nan=False)


def test_how_alike_neighbours_are_wants_sixteen_pairs() -> None:
    """Eight notes, early and late in turn, gave a correlation of under -1."""
    chart = chart_of(2)
    take = shuffle_take(chart, jitter_ms=11.0, seed=6)
    end_s = float(TempoMap(chart.tempo_segments).seconds_at(9.9))
    few = timing(read_notes(replace(take, notes=take.notes[take.notes["onset_s"] < end_s]), chart)).to_dict()
    assert few["n"] >= 8 and few["sd_ms"] is not None
    assert few["lag1"] is None and few["lag1_ci95"] is None
    assert few["why"]["lag1"]["code"] == "too_few" and "of at least 16 pairs" in few["why"]["lag1"]["text"]
    turns = np.tile([0.02, -0.02], 4)
    assert -1.0 < ar1(turns, np.arange(8.0)).corrected < -0.9


@pytest.mark.parametrize("delay_ms", [-40.0, 5.0, 35.0, 180.0])
def test_a_delay_moves_the_mean_and_nothing_else(delay_ms: float) -> None:
    chart = chart_of(3)
    still = timing(read_notes(shuffle_take(chart, jitter_ms=11.0, seed=6), chart)).to_dict()
    late = timing(read_notes(shuffle_take(chart, jitter_ms=11.0, seed=6, late_ms=delay_ms), chart)).to_dict()
    for name in ("mean_ms", "median_ms"):
        assert late[name] - still[name] == pytest.approx(delay_ms, abs=0.011)
    for a, b in zip(late["mean_ci95_ms"], still["mean_ci95_ms"], strict=True):
        assert a - b == pytest.approx(delay_ms, abs=0.011)
    for name in ("n", "sd_ms", "robust_sd_ms", "drift_ms_per_chorus", "drift_ci95_ms_per_chorus", "lag1", "lag1_ci95"):
        assert late[name] == pytest.approx(still[name], abs=0.0011), name
    assert late["correction_gain"] == still["correction_gain"]


def test_doubling_the_tempo_of_both_halves_the_times() -> None:
    """The same place in the beat at twice the tempo is half as many milliseconds; per cent of the beat stay."""
    slow, fast = chart_of(3, tempo_bpm=90.0), chart_of(3, tempo_bpm=180.0)
    a = timing(read_notes(shuffle_take(slow, jitter_ms=16.0, late_ms=20.0, seed=2), slow)).to_dict()
    b = timing(read_notes(shuffle_take(fast, jitter_ms=8.0, late_ms=10.0, seed=2), fast)).to_dict()
    for name in ("mean_ms", "median_ms", "sd_ms", "robust_sd_ms", "drift_ms_per_chorus"):
        assert a[name] == pytest.approx(2.0 * b[name], abs=0.02), name
    for x, y in zip(a["per_beat"], b["per_beat"], strict=True):
        assert x["pct_of_beat"] == pytest.approx(y["pct_of_beat"], abs=0.01)


def test_drift_is_per_chorus_and_independent_of_the_lateness() -> None:
    chart = chart_of(6)
    k = np.arange(289)
    got = timing(read_notes(moved(chart, 0.010 + 0.004 * k / 48.0), chart))
    assert got.drift_s.value == pytest.approx(0.004, rel=1e-6)
    assert got.mean_s.value == pytest.approx(0.010 + 0.004 * 283 / 2 / 48.0, rel=1e-3)
    assert got.spread_s.value == pytest.approx(0.0, abs=1e-9)  # a drift is not a spread


def test_a_slowing_player_slows_for_amads_too() -> None:
    """amads.time.tempo.tempo_slope of the player's on-beats: its sign is against ours (later and later = slower)."""
    chart = chart_of(6)
    k = np.arange(289)
    for bend in (0.15, -0.15):
        take = moved(chart, bend * (k / 288.0) ** 2)
        got = timing(read_notes(take, chart))
        onsets = read_notes(take, chart).notes["onset_s"][::2]
        assert np.sign(got.drift_s.value) == np.sign(bend) == -np.sign(tempo_slope(onsets.tolist()))


def test_by_beat_of_the_bar() -> None:
    chart = chart_of(4)
    late = np.tile([0.0, 0.030, 0.0, 0.020], 49)[:193]
    rng = np.random.default_rng(1)
    got = timing(read_notes(moved(chart, late + rng.normal(0, 0.004, 193)), chart)).to_dict()
    assert [b["beat"] for b in got["per_beat"]] == [1, 2, 3, 4]
    assert [b["median_ms"] for b in got["per_beat"]] == pytest.approx([0.0, 30.0, 0.0, 20.0], abs=2.5)
    assert [b["pct_of_beat"] for b in got["per_beat"]] == pytest.approx([0.0, 4.8, 0.0, 3.2], abs=0.4)


def test_the_bands_drums_are_the_headline_where_they_vary() -> None:
    """A band that lies 12 ms behind with the player on top of it: 0 against the drums, 12 against the grid."""
    chart = chart_of(4)
    take = shuffle_take(chart, late_ms=12.0)
    rng = np.random.default_rng(3)
    wobble = rng.normal(0.012, 0.004, 192)
    drums = [(float(take.tempo.seconds_at(float(k))) + wobble[k], 0.1, 51, 80, 9) for k in range(192)]
    keys = [(float(take.tempo.seconds_at(float(k))) + 0.2, 0.1, 60, 80, 1) for k in range(192)]
    swung = [(float(take.tempo.seconds_at(k + 2 / 3)), 0.1, 51, 80, 9) for k in range(192)]
    got = timing(read_notes(take, chart), notes_from_rows(drums + keys + swung))
    assert got.reference == "band"
    assert got.mean_s.value == pytest.approx(float(np.mean(0.012 - wobble[:188])), abs=1e-9)
    assert got.grid.mean_s.value == pytest.approx(0.012)
    assert got.asynchrony_s == pytest.approx(0.012 - wobble[:188], abs=1e-9)
    # A band exactly on the grid is the grid; so is one that hardly plays.
    exact = notes_from_rows([(float(take.tempo.seconds_at(float(k))), 0.1, 51, 80, 9) for k in range(192)])
    assert timing(read_notes(take, chart), exact).reference == "grid"
    assert timing(read_notes(take, chart), notes_from_rows(drums[:20])).reference == "grid"


def test_band_reference_takes_the_drums_of_the_beat_alone() -> None:
    tempo = TempoMap.constant(60.0)
    hits = [(0.01, 36), (0.03, 51), (1.3, 51), (2.02, 38), (3.05, 42)]
    rows = [(at, 0.1, pitch, 90, 9) for at, pitch in hits]
    got = band_reference_s(notes_from_rows(rows), tempo, 0, 4)
    assert got[0] == pytest.approx(0.02)  # kick and ride averaged
    assert np.isnan(got[1]) and np.isnan(got[2])  # an off-beat; a snare
    assert got[3] == pytest.approx(0.05)
    assert np.all(np.isnan(band_reference_s(empty_notes(), tempo, 0, 4)))


def test_what_is_excused_is_left_out_and_counted() -> None:
    chart = chart_of(3, drop_outs=(BarSpan(2, 5, 6),), count_in_bars=2)
    rows = [(-7.0, 0.1, 40), (-6.0, 0.1, 40), *shuffle_rows(chart, 2.0)]
    take = line_take(chart, rows, header=TakeHeader(gaps=(Gap(5.0, 5.4, "xrun"),)))
    wild = take.notes["onset_s"].copy()
    near = (wild > 4.9) & (wild < 5.5)
    take.notes["onset_s"][near] += 0.04  # our glitch moved them; the player must not pay
    take.notes["flags"][near] |= FLAG_GLITCH
    got = timing(read_notes(take, chart)).to_dict()
    assert got["mean_ms"] == 0.0 and got["sd_ms"] == 0.0
    assert got["excused"]["count_in"] == 2 and got["excused"]["final"] == 1
    assert got["excused"]["drop_out"] == 16 and got["excused"]["gap"] >= 1
    assert got["n"] == 140 - 8 - 1


# --- drop-outs -----------------------------------------------------------------------------------------------------


def drop_take(chart: Chart, faster_pct: float, jitter_ms: float, seed: int, bars: tuple[int, int] = (9, 10)) -> Take:
    """Exact before and after; in the drop-out the player's own tempo, his clock's noise adding up."""
    tempo = TempoMap(chart.tempo_segments)
    start, end = (bars[0] - 1) * 4, bars[1] * 4
    rng = np.random.default_rng(seed)
    step = 60.0 / chart.session.tempo_bpm / (1.0 + faster_pct / 100.0)
    own = np.cumsum(np.concatenate(([0.0], step + rng.normal(0.0, jitter_ms / 1000.0, end - start))))
    rows = []
    for beat, length, pitch in shuffle_rows(chart, 2.0):
        whole = math.floor(beat + 1e-9)
        at = float(tempo.seconds_at(beat))
        if start <= whole <= end and not (whole == end and beat > end + 0.1):
            k = whole - start
            at = float(tempo.seconds_at(float(start))) + own[k] + (beat - whole) * step
        rows.append((at, 0.3 * length, pitch, 90))
    return Take(notes_from_rows(rows), tempo, chart.session)


@pytest.mark.parametrize("faster_pct", [-4.0, -1.0, 0.0, 2.0, 5.0])
def test_tempo_in_a_drop_out(faster_pct: float) -> None:
    chart = chart_of(2, drop_outs=(BarSpan(1, 9, 10),))
    (drop,) = timing(read_notes(drop_take(chart, faster_pct, 0.0, 0), chart)).to_dict()["drop_outs"]
    assert (drop["chorus"], drop["bars"], drop["n_intervals"]) == (1, [9, 10], 8)
    assert drop["tempo_change_pct"] == pytest.approx(faster_pct, abs=0.006)
    # Eight beats at r times the tempo arrive 8 (1 − 1/r) beats early.
    early_beats = 8.0 * (1.0 - 1.0 / (1.0 + faster_pct / 100.0))
    assert drop["reentry_ms"] == pytest.approx(-1000.0 * early_beats * 60.0 / 96.0, abs=0.01)


def test_the_drop_out_interval_covers() -> None:
    """The mean interval's t-interval covers the player's own tempo, whose errors add up from beat to beat."""
    chart = chart_of(2, drop_outs=(BarSpan(1, 9, 12),))
    hits = 0
    for seed in range(200):
        take = drop_take(chart, 1.5, 9.0, seed, bars=(9, 12))
        interval = timing(read_notes(take, chart)).drop_outs[0].tempo_change_pct
        hits += interval.low <= 1.5 <= interval.high
    assert 0.95 - 3.5 * math.sqrt(0.95 * 0.05 / 200) <= hits / 200


def test_a_silent_drop_out_and_holes_in_it() -> None:
    chart = chart_of(2, drop_outs=(BarSpan(1, 9, 10),))
    rows = [row for row in shuffle_rows(chart, 2.0) if not 32 <= row[0] < 40.5]
    (drop,) = timing(read_notes(line_take(chart, rows), chart)).drop_outs
    assert math.isnan(drop.tempo_change_pct.value) and why_of(drop.tempo_change_pct) == "none_found"
    holes = [row for row in shuffle_rows(chart, 2.0) if row[0] not in (33.0, 34.0, 37.0)]
    (drop,) = timing(read_notes(line_take(chart, holes), chart)).drop_outs
    assert drop.tempo_change_pct.value == pytest.approx(0.0, abs=1e-9)
    assert why_of(drop.tempo_change_pct) == "too_few"


# --- the two levels and the gain -------------------------------------------------------------------------------------


def wing_kristofferson(rng: np.random.Generator, n: int, clock_ms: float, motor_ms: float) -> np.ndarray:
    """Intervals of a clock with independent noise, each end moved by independent motor delays (1973)."""
    motor = rng.normal(0.0, motor_ms, n + 1)
    return 500.0 + rng.normal(0.0, clock_ms, n) + np.diff(motor)


def test_two_level_split_recovers_wing_and_kristofferson() -> None:
    """Clock variance 100, motor variance 25 ms²: interval variance 150, lag-1 autocovariance −25, r1 −1/6."""
    rng = np.random.default_rng(8)
    long = wing_kristofferson(rng, 200_000, 10.0, 5.0)
    cov = acovf(long, nlag=1, fft=True)  # statsmodels
    assert cov[0] == pytest.approx(150.0, rel=0.02)
    assert cov[1] == pytest.approx(-25.0, rel=0.05)
    assert cov[1] / cov[0] == pytest.approx(-1.0 / 6.0, abs=0.01)
    split = two_level_split([long / 1000.0])
    assert split is not None
    assert 1e6 * split.var_clock_s2 == pytest.approx(cov[0] + 2 * cov[1], rel=1e-3)
    assert 1e6 * split.var_motor_s2 == pytest.approx(-cov[1], rel=1e-2)


def test_two_level_split_is_unbiased_on_short_runs() -> None:
    """Runs of eight intervals: the naive autocovariances would be far off; the correction is exact on average."""
    rng = np.random.default_rng(9)
    clock, motor = [], []
    for _ in range(300):
        split = two_level_split([wing_kristofferson(rng, 8, 10.0, 5.0) for _ in range(40)])
        assert split is not None and split.n_intervals == 320
        clock.append(split.var_clock_s2)
        motor.append(split.var_motor_s2)
    assert np.mean(clock) == pytest.approx(100.0, abs=3.5 * np.std(clock) / math.sqrt(300))
    assert np.mean(motor) == pytest.approx(25.0, abs=3.5 * np.std(motor) / math.sqrt(300))
    assert two_level_split([wing_kristofferson(rng, 8, 10.0, 5.0) for _ in range(20)]) is None
    assert two_level_split([]) is None


def phase_correcting(rng: np.random.Generator, n: int, alpha: float, clock: float, motor: float) -> np.ndarray:
    """A(k+1) = (1 − α) A(k) + T(k) + M(k+1) − M(k): Vorberg & Schulze 2002, started in its steady state."""
    a = np.zeros(n + 300)
    m = rng.normal(0.0, motor, n + 301)
    t = rng.normal(0.0, clock, n + 300)
    for k in range(n + 299):
        a[k + 1] = (1.0 - alpha) * a[k] + t[k] + m[k + 1] - m[k]
    return a[300:]


@pytest.mark.parametrize(("alpha", "sd"), [(0.25, 16.04), (0.5, 12.91), (1.0, 12.25)])
def test_the_simulated_corrector_has_vorberg_and_schulzes_spread(alpha: float, sd: float) -> None:
    """Var(A) = (σT² + 2 α σM²)/(α (2 − α)) with variances 100 and 25."""
    assert math.sqrt((100 + 2 * alpha * 25) / (alpha * (2 - alpha))) == pytest.approx(sd, abs=0.005)
    a = phase_correcting(np.random.default_rng(4), 100_000, alpha, 10.0, 5.0)
    assert a.std() == pytest.approx(sd, rel=0.02)


@pytest.mark.parametrize("alpha", [0.15, 0.3, 0.5])
def test_the_correction_gain_is_recovered(alpha: float) -> None:
    """Mean estimate within 0.05 of the truth at n = 384; 1 − r1 would be off by more (Jacoby et al. 2015)."""
    rng = np.random.default_rng(12)
    got, naive, hits = [], [], 0
    for _ in range(120):
        a = phase_correcting(rng, 384, alpha, 10.0, 5.0) / 1000.0
        gain = correction_gain(a, np.arange(384.0))
        assert gain is not None
        got.append(gain.alpha.value)
        hits += gain.alpha.low <= alpha <= gain.alpha.high
        e = a - a.mean()
        naive.append(1.0 - float(e[1:] @ e[:-1] / (e @ e)))
    assert np.mean(got) == pytest.approx(alpha, abs=0.05)
    assert abs(np.mean(got) - alpha) < abs(np.mean(naive) - alpha)
    assert hits / 120 >= 0.95 - 3.5 * math.sqrt(0.95 * 0.05 / 120)


def test_the_gain_of_a_long_take_is_that_of_its_pieces(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(5)
    late, beats = rng.normal(0.0, 0.01, 2000), np.cumsum(rng.integers(1, 3, 2000)).astype(float)
    whole = correction_gain(late, beats)
    monkeypatch.setattr("trainer.scoring.timing.PAIRS_AT_ONCE", 100)
    pieces = correction_gain(late, beats)
    assert whole is not None and pieces is not None and pieces.alpha == whole.alpha
    assert math.isclose(pieces.sd_clock_s, whole.sd_clock_s, rel_tol=1e-12)


def test_the_gain_needs_ninety_six_pairs_and_some_spread() -> None:
    k = np.arange(97.0)
    rng = np.random.default_rng(0)
    assert correction_gain(rng.normal(size=96), k[:96]) is None
    assert correction_gain(rng.normal(size=97), k) is not None
    assert correction_gain(np.zeros(97), k) is None


def test_kinds_of_timing_noise_have_their_allan_slopes() -> None:
    """allantools: independent lateness is white phase noise (slope −1); a wandering tempo is white frequency noise
    (−1/2). The scorer's lag-1 tells the two apart."""
    rng = np.random.default_rng(2)
    chart = chart_of(40, tempo_bpm=120.0)
    k = np.arange(40 * 48 + 1)
    white = rng.normal(0.0, 0.010, len(k))
    walk = np.cumsum(rng.normal(0.0, 0.003, len(k)))
    walk -= np.linspace(walk[0], walk[-1], len(walk))
    slopes, lag1 = [], []
    for late in (white, walk):
        got = timing(read_notes(moved(chart, late), chart))
        x = got.asynchrony_s
        taus, dev, _, _ = allantools.oadev(x, rate=2.0, data_type="phase", taus=[0.5, 1.0, 2.0, 4.0, 8.0, 16.0])
        slopes.append(float(np.polyfit(np.log(taus), np.log(dev), 1)[0]))
        lag1.append(got.lag1.value)
    assert slopes[0] == pytest.approx(-1.0, abs=0.12)
    assert slopes[1] == pytest.approx(-0.5, abs=0.12)
    assert abs(lag1[0]) < 0.1 and lag1[1] > 0.8


# --- words -----------------------------------------------------------------------------------------------------------


def test_placed_and_unsteady_are_different_words_and_latency_is_named() -> None:
    chart = chart_of(4)
    steady = timing(read_notes(shuffle_take(chart, late_ms=20.0, jitter_ms=5.0), chart))
    loose = timing(read_notes(shuffle_take(chart, late_ms=0.0, jitter_ms=40.0), chart))
    beat_s = 60.0 / 96.0
    assert "placed 19 ms behind" in time_line(steady, calibrated=True, beat_s=beat_s)
    assert "; steady" in time_line(steady, calibrated=True, beat_s=beat_s)
    assert "unsteady" in time_line(loose, calibrated=True, beat_s=beat_s)
    text = time_line(steady, calibrated=False, beat_s=beat_s)
    assert "latency" in text and "late" not in text.replace("latency", "")
    very = timing(read_notes(shuffle_take(chart, late_ms=60.0, jitter_ms=5.0), chart))
    assert "sounds late" in time_line(very, calibrated=True, beat_s=beat_s)
    assert "sounds late" not in time_line(very, calibrated=False, beat_s=beat_s)


def test_an_unknown_latency_of_nearly_half_a_beat_is_still_timed() -> None:
    chart = chart_of(3)
    got = timing(read_notes(shuffle_take(chart, late_ms=250.0, jitter_ms=8.0), chart))  # 0.4 of a beat
    assert got.n == 140
    assert 1e3 * got.mean_s.value == pytest.approx(250.0, abs=3.0)


def test_quarters_and_sparse_players_are_timed() -> None:
    chart = chart_of(choruses=(ChorusPlan("verse", 3, (0.5,) * 3, "quarters"),))
    walk = [(float(k), 0.9, root_pitch(chart.bars[k // 4].chords[0].root_pc)) for k in range(140)]
    got = timing(read_notes(line_take(chart, walk, late_ms=15.0, jitter_ms=6.0), chart))
    assert got.n == 140 and 1e3 * got.mean_s.value == pytest.approx(15.0, abs=2.0)
    half = [row for row in walk if row[0] % 2 == 0]
    got = timing(read_notes(line_take(chart, half, late_ms=15.0, jitter_ms=6.0), chart))
    assert got.n == 70 and got.lag1.n == 0 and why_of(got.lag1) == "no_spread"
    assert all(b > a for a, b in pairwise(got.beat.tolist()))


def test_one_beat_of_the_bar_that_is_always_late_is_said_so() -> None:
    chart = chart_of(3)
    rows = shuffle_rows(chart, 2.0)
    pulled = [(at + 0.1 * (at % 4.0 == 3.0), *rest) for at, *rest in rows]  # 0.1 of a beat at 96: 62 ms
    said = summary(score(line_take(chart, pulled, jitter_ms=8.0)))
    assert "; beat 4 always late, " in said
    back = [(at + 0.1 * (at % 2.0 == 1.0), *rest) for at, *rest in rows]  # 2 and 4 together are a feel
    for kept in (rows, back):
        assert "always late" not in summary(score(line_take(chart, kept, jitter_ms=8.0)))
