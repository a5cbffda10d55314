"""The estimators against general libraries (scipy, statsmodels) and closed forms."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats as ss
from statsmodels.tsa.stattools import acovf

from trainer.scoring.stats import (
    MIN_N,
    ar1,
    detrended,
    mean_interval,
    median_interval,
    robust_sd,
    t_interval,
    t_quantile,
    theil_sen,
)

RNG = np.random.default_rng(11)


@pytest.mark.parametrize("df", [1.0, 2.0, 3.0, 4.5, 7.0, 12.3, 40.0, 300.0])
@pytest.mark.parametrize("p", [0.9, 0.975, 0.995])
def test_t_quantile_is_scipys(df: float, p: float) -> None:
    assert t_quantile(df, p) == pytest.approx(float(ss.t.ppf(p, df)), rel=2e-3)


@pytest.mark.parametrize(("df", "p"), [(0.5, 0.975), (3.0, 0.5), (3.0, 1.0)])
def test_t_quantile_refuses_nonsense(df: float, p: float) -> None:
    with pytest.raises(ValueError, match="expected df of at least 1"):
        t_quantile(df, p)


def test_robust_sd_is_scipys_mad() -> None:
    x = RNG.normal(3.0, 2.0, 501)
    assert robust_sd(x) == pytest.approx(float(ss.median_abs_deviation(x, scale="normal")), rel=1e-4)
    assert math.isnan(robust_sd(np.zeros(0)))
    assert robust_sd(np.full(20, 4.0)) == 0.0


def test_detrended_leaves_scipys_residuals() -> None:
    x = np.sort(RNG.uniform(0.0, 100.0, 80))
    y = 2.0 + 0.3 * x + RNG.normal(size=80)
    fit = ss.linregress(x, y)
    np.testing.assert_allclose(detrended(y, x), y - (fit.intercept + fit.slope * x), atol=1e-10)


def test_theil_sen_is_scipys_where_nothing_is_correlated() -> None:
    """scipy.stats.theilslopes: the same slope; the same interval where the factor is 1."""
    compared = 0
    for seed in range(12):
        rng = np.random.default_rng(seed)
        k = np.arange(60.0)
        y = 0.2 * k + rng.normal(size=60)
        got, want = theil_sen(y, k, k), ss.theilslopes(y, k, 0.95)
        assert got.value == pytest.approx(want.slope, rel=1e-12)
        if ar1(y, k).inflation == 1.0:
            compared += 1
            i, j = np.triu_indices(60, 1)
            slopes = np.sort((y[j] - y[i]) / (k[j] - k[i]))
            # The two round the ranks of the ends differently: at most two ranks of 1,770.
            for mine, theirs in ((got.low, want.low_slope), (got.high, want.high_slope)):
                assert abs(int(np.searchsorted(slopes, mine)) - int(np.searchsorted(slopes, theirs))) <= 2
    assert compared >= 3


def test_theil_sen_on_blocks_agrees_with_all_pairs() -> None:
    rng = np.random.default_rng(5)
    k = np.arange(4000.0)
    y = 0.002 * k + rng.normal(size=4000)
    blocked = theil_sen(y, k / 48.0, k)
    whole = ss.theilslopes(y, k / 48.0)
    width = whole.high_slope - whole.low_slope
    assert blocked.value == pytest.approx(whole.slope, abs=0.7 * width)
    # Medians of blocks cost some efficiency (at most √(π/2) in theory), never the coverage.
    assert 0.9 * width < blocked.high - blocked.low < 1.9 * width


def test_lag_one_is_statsmodels_after_the_trend() -> None:
    k = np.arange(300.0)
    y = 0.05 * k + RNG.normal(size=300)
    e = detrended(y, k)
    cov = acovf(e, demean=False, fft=False, nlag=1)
    link = ar1(y, k)
    assert link.raw == pytest.approx(float(cov[1] / cov[0]) * 300 / 299, rel=1e-12)
    assert link.corrected == pytest.approx(link.raw + (2 + 4 * link.raw) / 300)


def test_lag_one_only_pairs_beats_that_follow_each_other() -> None:
    k = np.array([0.0, 1.0, 3.0, 4.0, 6.0, 7.0, 9.0, 10.0])
    y = np.array([1.0, 1.0, -1.0, -1.0, 1.0, 1.0, -1.0, -1.0])
    assert ar1(y, k).n_pairs == 4
    assert ar1(y, k).raw > 0.9


@pytest.mark.parametrize("r", [0.0, 0.3, 0.6])
def test_the_corrected_lag_one_is_unbiased(r: float) -> None:
    rng = np.random.default_rng(3)
    n, got = 96, []
    for _ in range(400):
        white = rng.normal(0.0, math.sqrt(1 - r * r), n)
        x = np.empty(n)
        x[0] = rng.normal()
        for i in range(1, n):
            x[i] = r * x[i - 1] + white[i]
        got.append(ar1(x, np.arange(float(n))).corrected)
    assert np.mean(got) == pytest.approx(r, abs=3.5 * np.std(got) / 20 + 0.01)


def test_intervals_agree_with_the_bootstrap() -> None:
    """scipy.stats.bootstrap of independent values: the median's interval is within a quarter of its width; the mean's,
    which allows for wandering, is never narrower than that and, where a take is long enough to show that there is none,
    at most twice as wide."""
    for n, statistic in ((240, np.median), (1500, np.mean)):
        x = np.random.default_rng(12).normal(5.0, 3.0, n)
        got = median_interval(x) if statistic is np.median else mean_interval(x, np.arange(float(n)))
        boot = ss.bootstrap((x,), statistic, n_resamples=3000, method="percentile", rng=np.random.default_rng(1))
        low, high = boot.confidence_interval
        width = high - low
        slack = (0.25 if statistic is np.median else 0.5) * width
        assert low - slack <= got.low <= low + 0.25 * width
        assert high - 0.25 * width <= got.high <= high + slack


def test_t_interval_is_scipys() -> None:
    x = RNG.normal(size=20)
    want = ss.ttest_1samp(x, 0.0).confidence_interval(0.95)
    got = t_interval(x)
    assert (got.low, got.high) == pytest.approx((want.low, want.high), rel=1e-3)


def test_an_autocorrelated_mean_has_the_effective_n_of_the_standard_formula() -> None:
    """n (1 − r)/(1 + r): n 100, r 0.3 → 53.8, so the interval is √(100/53.8) times as wide."""
    assert pytest.approx(53.8, abs=0.05) == 100 * (1 - 0.3) / (1 + 0.3)
    from trainer.scoring.stats import Ar1

    assert Ar1(0.3, 0.3, 99).inflation ** 2 == pytest.approx(100 / 53.846, rel=1e-4)
    assert Ar1(-0.2, -0.2, 99).inflation == 1.0


def test_thin_data_give_the_figure_but_no_interval() -> None:
    for n in range(MIN_N):
        x = np.arange(float(n))
        for got in (mean_interval(x, x), median_interval(x), t_interval(x)):
            assert math.isnan(got.low) and math.isnan(got.high) and got.n == n
            assert math.isnan(got.value) == (n == 0)
        assert math.isnan(theil_sen(x, x, x).value)


def test_constant_values_have_intervals_of_no_width() -> None:
    x = np.full(30, 2.0)
    k = np.arange(30.0)
    for got in (mean_interval(x, k), median_interval(x)):
        assert got.low == pytest.approx(2.0) and got.high == pytest.approx(2.0)
    slope = theil_sen(x, k, k)
    assert (slope.value, slope.low, slope.high) == (0.0, 0.0, 0.0)


def test_infinite_values_rank_last() -> None:
    x = np.random.default_rng(2).permutation(np.concatenate((np.linspace(1.0, 3.0, 40), np.full(5, np.inf))))
    got = median_interval(x)
    assert math.isfinite(got.value) and math.isfinite(got.low) and math.isfinite(got.high)
    assert got.value == float(np.median(x))
