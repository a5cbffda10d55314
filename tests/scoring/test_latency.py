"""Latency fits: what goes in comes out, and the interval says how sure it is.

Outside check: `scipy.stats.linregress` for the fit and its standard errors.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from trainer.clock.tempo import TempoMap
from trainer.scoring import score
from trainer.scoring.latency import LatencyFit, fit_latency
from trainer.session import ChorusPlan, Session
from trainer.take import Take, TakeHeader, notes_from_rows

BASE_MS, PERIODS = 18.0, 2.2


def f0_hz(pitch: np.ndarray) -> np.ndarray:
    return 440.0 * 2.0 ** ((pitch - 69.0) / 12.0)


def up_the_neck(n: int, jitter_ms: float, rng: np.random.Generator, lag1: float = 0.0) -> tuple[np.ndarray, ...]:
    """(onsets, clicks, pitches) of n single notes from E1 to G3 to a click, through a pickup of 2.2 periods."""
    clicks = 3.0 + 0.6 * np.arange(n)
    pitch = np.linspace(28, 55, n).round()
    noise = rng.normal(0.0, jitter_ms, n)
    for i in range(1, n):
        noise[i] = lag1 * noise[i - 1] + np.sqrt(1.0 - lag1**2) * noise[i]
    return clicks + 1e-3 * (BASE_MS + 1e3 * PERIODS / f0_hz(pitch) + noise), clicks, pitch


def test_exact_notes_give_the_exact_model() -> None:
    fit = fit_latency(*up_the_neck(60, 0.0, np.random.default_rng(0)))
    assert fit.base_ms == pytest.approx(BASE_MS, abs=1e-6)
    assert fit.periods == pytest.approx(PERIODS, abs=1e-6)
    assert (fit.n, fit.n_left_out, fit.n_missing, fit.n_wanted) == (60, 0, 0, 0)
    assert fit.pitches == (28.0, 55.0)


def test_same_figures_as_an_ordinary_regression() -> None:
    rng = np.random.default_rng(4)
    for _ in range(20):
        onsets, clicks, pitch = up_the_neck(80, 5.0, rng)
        fit = fit_latency(onsets, clicks, pitch)
        if fit.n_left_out:
            continue
        theirs = stats.linregress(1e3 / f0_hz(pitch), (onsets - clicks) * 1e3)
        assert fit.base_ms == pytest.approx(theirs.intercept) and fit.periods == pytest.approx(theirs.slope)
        assert fit.lag1 is not None and fit.periods_ci95 is not None and fit.base_ci95_ms is not None
        wider = max(1.0, np.sqrt((1 + fit.lag1) / (1 - fit.lag1)))
        t = stats.t.ppf(0.975, 78)
        assert np.diff(fit.periods_ci95)[0] / 2 == pytest.approx(t * theirs.stderr * wider, rel=1e-6)
        assert np.diff(fit.base_ci95_ms)[0] / 2 == pytest.approx(t * theirs.intercept_stderr * wider, rel=1e-6)


@pytest.mark.parametrize(
    ("n", "jitter_ms", "lag1"),
    [(50, 2.0, 0.0), (50, 15.0, 0.0), (100, 5.0, 0.0), (300, 15.0, 0.0), (100, 15.0, 0.3), (300, 5.0, 0.3)],
)
def test_the_interval_covers_the_truth_as_often_as_it_says(n: int, jitter_ms: float, lag1: float) -> None:
    rng, n_runs = np.random.default_rng(n + round(jitter_ms)), 1_500 if n < 300 else 800
    covered = np.zeros(2)
    for _ in range(n_runs):
        fit = fit_latency(*up_the_neck(n, jitter_ms, rng, lag1))
        assert fit.base_ci95_ms is not None and fit.periods_ci95 is not None
        covered += [
            fit.base_ci95_ms[0] <= BASE_MS <= fit.base_ci95_ms[1],
            fit.periods_ci95[0] <= PERIODS <= fit.periods_ci95[1],
        ]
    assert np.all((covered / n_runs >= 0.93) & (covered / n_runs <= 0.97)), covered / n_runs


def test_taps_cover_too_and_half_a_click_late_is_understood() -> None:
    rng, n_runs, inside = np.random.default_rng(9), 1_500, 0
    clicks = 0.6 * np.arange(40)
    for _ in range(n_runs):
        fit = fit_latency(clicks + 0.210 + rng.normal(0.0, 0.012, 40), clicks)
        assert fit.base_ci95_ms is not None and fit.periods is None
        inside += fit.base_ci95_ms[0] <= 210.0 <= fit.base_ci95_ms[1]
    assert 0.93 <= inside / n_runs <= 0.97


def test_early_taps_give_a_negative_base() -> None:
    clicks = 0.5 * np.arange(20)
    assert fit_latency(clicks - 0.040, clicks).base_ms == pytest.approx(-40.0)


def test_doubled_missing_and_wild_notes() -> None:
    rng = np.random.default_rng(2)
    onsets, clicks, pitch = up_the_neck(100, 3.0, rng)
    onsets[[7, 30, 61]] += 0.18  # stumbles
    kept = np.ones(100, dtype=bool)
    kept[[3, 50, 51, 90]] = False
    doubled = np.concatenate((onsets[kept], onsets[10:20] + 0.19))
    order = np.argsort(doubled)
    fit = fit_latency(doubled[order], clicks, np.concatenate((pitch[kept], pitch[10:20]))[order])
    assert (fit.n_missing, fit.n_left_out) == (4, 3)
    assert fit.base_ms == pytest.approx(BASE_MS, abs=2.5) and fit.periods == pytest.approx(PERIODS, abs=0.12)


def test_too_few_notes_says_how_many_more() -> None:
    onsets, clicks, pitch = up_the_neck(5, 3.0, np.random.default_rng(1))
    fit = fit_latency(onsets, clicks, pitch)
    assert (fit.base_ms, fit.base_ci95_ms, fit.n, fit.n_wanted) == (None, None, 5, 3)
    assert fit.sentence == "too few notes: 5 on a click or beat, at least 3 more wanted"
    assert fit.to_dict()["why"]["base_ms"]["code"] == "too_few"
    with pytest.raises(ValueError, match="nothing to keep: too few notes"):
        fit.calibration()
    taps = fit_latency(clicks + 0.01, clicks)
    assert taps.base_ms == pytest.approx(10.0) and taps.base_ci95_ms is None  # a count and a middle, no interval


def test_how_many_more_are_wanted_is_about_right() -> None:
    rng = np.random.default_rng(6)
    first = fit_latency(*up_the_neck(40, 10.0, rng))
    assert first.n_wanted > 0 and f"{first.n_wanted} more would make it sure to 3 ms" in first.sentence
    second = fit_latency(*up_the_neck(40 + first.n_wanted, 10.0, rng))
    assert second.half_width_ms == pytest.approx(3.0, rel=0.3)


def test_nothing_and_one_pitch() -> None:
    empty = fit_latency([], 0.5 * np.arange(10))
    assert (empty.base_ms, empty.n, empty.n_missing, empty.n_wanted) == (None, 0, 10, 8)
    clicks = 0.5 * np.arange(20)
    fit = fit_latency(clicks + 0.05, clicks, np.full(20, 40.0))
    assert fit.base_ms == pytest.approx(50.0) and fit.periods is None
    assert fit.why["periods"]["code"] == "one_pitch"
    with pytest.raises(ValueError, match="one pitch a note"):
        fit_latency(clicks, clicks, [40.0])


def test_the_base_is_the_inputs_where_the_output_is_known() -> None:
    """The position of a note holds the driver's output latency already: taking it off again would count it twice."""
    fit = fit_latency(*up_the_neck(60, 1.0, np.random.default_rng(3)))
    kept = fit.calibration(output_ms=12.0, monitor=True, ports=("pickup", "card"))
    assert kept.base_ms == fit.base_ms and kept.periods == fit.periods and kept.n == 60
    assert (kept.output_ms, kept.input_ms) == (12.0, kept.base_ms)
    assert fit.calibration().input_ms is None  # both sides together: not known
    assert (kept.monitor, kept.ports) == (True, ("pickup", "card"))


@pytest.mark.parametrize(("n", "jitter_ms"), [(50, 2.0), (100, 5.0), (300, 5.0), (300, 15.0)])
def test_a_calibrated_take_scores_as_the_undelayed_one(n: int, jitter_ms: float) -> None:
    rng = np.random.default_rng(12)
    session = Session(choruses=(ChorusPlan("verse", 4),), tempo_bpm=96.0)
    tempo = TempoMap.constant(96.0)
    beats = np.arange(4 * 48)
    onsets_beats = np.sort(np.concatenate((beats, beats + 2.0 / 3.0)))
    played_s = tempo.seconds_at(onsets_beats) + 0.008 + rng.normal(0.0, 0.008, len(onsets_beats))
    pitch = np.where(np.arange(len(onsets_beats)) % 2 == 0, 31.0, 43.0)  # roots and their octaves: the worst for swing
    delay_s = 1e-3 * BASE_MS + PERIODS / f0_hz(pitch)

    def take(onsets_s: np.ndarray, header: TakeHeader) -> Take:
        rows = zip(onsets_s, np.full(len(onsets_s), 0.12), pitch, np.full(len(onsets_s), 90), strict=True)
        return Take(notes_from_rows(rows), tempo, session, header=header)

    fit = fit_latency(*up_the_neck(n, jitter_ms, rng))
    calibration = fit.calibration()
    plain = score(take(played_s, TakeHeader(profile="keys"))).to_dict()
    delayed = score(take(played_s + delay_s, TakeHeader(profile="keys"))).to_dict()
    put_right = score(take(played_s + delay_s, TakeHeader(profile="keys", calibration=calibration))).to_dict()
    low, high = plain["swing"]["ratio_ci95"]
    assert low <= put_right["swing"]["ratio"] <= high
    assert not low <= delayed["swing"]["ratio"] <= high
    assert fit.half_width_ms is not None
    assert abs(put_right["timing"]["mean_ms"] - plain["timing"]["mean_ms"]) <= fit.half_width_ms
    outcomes = [[item["outcome"] for item in card["landing"]["items"]] for card in (plain, put_right)]
    assert outcomes[0] == outcomes[1]
    assert abs(put_right["timing"]["sd_ms"] - plain["timing"]["sd_ms"]) <= 1.0


def _taps(late_ms: object) -> LatencyFit:
    clicks = np.arange(48) * 0.75
    return fit_latency(clicks + np.asarray(late_ms) / 1e3, clicks)


def test_taps_that_drift_or_follow_no_click_are_doubted() -> None:
    """What a tapper who keeps to the click does is relied on, at a spread that musicians have (10 to 20 ms, from
    memory of the tapping literature, see Repp 2005)."""
    rng = np.random.default_rng(4)
    assert _taps(30.0 + rng.normal(0.0, 15.0, 48)).doubt is None
    drifting = _taps(np.linspace(-70.0, 70.0, 48) + rng.normal(0.0, 8.0, 48))
    assert drifting.doubt is not None and "later and later" in drifting.doubt
    earlier = _taps(np.linspace(50.0, -50.0, 48) + rng.normal(0.0, 5.0, 48))
    assert earlier.doubt is not None and "earlier and earlier" in earlier.doubt
    n_doubted = sum(_taps(rng.uniform(-370.0, 370.0, 48)).doubt is not None for _ in range(200))
    assert n_doubted == 200
    few = fit_latency(np.arange(3) * 0.75, np.arange(3) * 0.75)
    assert few.doubt == few.sentence


def test_a_steady_tapper_is_hardly_ever_doubted() -> None:
    """Spreads of 12 ms with neighbours alike (AR(1) 0.3): of 400 calibrations at most one in a hundred is refused."""
    rng = np.random.default_rng(9)
    n_doubted = 0
    for _ in range(400):
        noise = rng.normal(0.0, 12.0, 48)
        for i in range(1, 48):
            noise[i] = 0.3 * noise[i - 1] + np.sqrt(1 - 0.09) * noise[i]
        n_doubted += _taps(20.0 + noise).doubt is not None
    assert n_doubted <= 4
