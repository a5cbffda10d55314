"""Estimators behind the figures: robust spread, trends, and 95 % intervals that hold under correlated timing.

Goal: intervals that cover. A player's lateness wanders, so neighbouring beats are alike; intervals that take them as
independent are too narrow. Here they are widened by a first-order autoregressive factor √((1 + r)/(1 − r)), with r
taken from linearly detrended residuals over pairs one beat apart and corrected for its small-sample bias.
`tests/sim/` holds the simulations that show the coverage.

Conventions: arrays of float64, any unit (the result has the unit of the input); `positions` are whole beats, rising.
Every function states what too little data gives. Sources: Theil 1950 and Sen 1968 (median slope and its interval),
Newey & West 1987 (long-run variance), Kendall 1954 (bias of the serial correlation), Hill 1970 (Student's t quantile).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from trainer.scoring.figure import Figure
from trainer.scoring.why import Why

__all__ = [
    "MAD_TO_SD",
    "MIN_N",
    "Ar1",
    "ar1",
    "detrended",
    "drift_interval",
    "mean_interval",
    "median",
    "median_interval",
    "robust_sd",
    "share",
    "share_interval",
    "spread_interval",
    "t_interval",
    "t_quantile",
    "theil_sen",
    "wander",
    "welch",
]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

MIN_N = 8  # fewer observations: no interval, trend or spread is given; our choice
MAD_TO_SD = 1.4826  # of a normal distribution
MAX_SLOPE_POINTS = 2000  # above, median slopes work on block medians: the pairs grow with the square
SLOPE_BLOCKS = 500
WANDER_BLOCK_BEATS = 16  # our choice; tried by simulation and on halves of recorded players, as are the next three
MOST_WANDER_BLOCKS = 32  # longer takes have longer blocks, or an AR(1) player is taken for one who wanders
EVENING_BEATS, EVENING_TAKES = 5000.0, 3.0
WANDER_DETRENDED = 4.0  # a line fitted through n blocks takes some of the wander with it: so many n-ths are given back
# What a short take tells of its own wander is little: it counts beside so many blocks of somebody whose blocks scatter
# by so much of the variance; beside fewer from so many blocks of its own on.
USUAL_WANDER, USUAL_BLOCKS, ENOUGH_BLOCKS = 0.14, 8.0, 6.0
WANDER_SLOPE = 4.5  # the slope of n blocks of 1/f noise scatters by 3.2/√ln n of them; more, so that few are accused
NEWEY_WEST_LAGS, FULL_LAGS = 4, 2  # a window that falls from the first lag on covers .93 where this covers .94 to .95
_NORMAL = NormalDist()
Z95 = _NORMAL.inv_cdf(0.975)


@dataclass(frozen=True, slots=True)
class Ar1:
    """Lag-1 correlation of detrended values: as found over `n_pairs` neighbours, and corrected for bias."""

    raw: float
    corrected: float
    n_pairs: int

    @property
    def inflation(self) -> float:
        """Factor by which an interval is widened: √((1 + r)/(1 − r)), at least 1; r is held under 0.95."""
        r = min(max(self.corrected, 0.0), 0.95)
        return math.sqrt((1.0 + r) / (1.0 - r))


def t_quantile(df: float, p: float = 0.975) -> float:
    """Student's t quantile for upper probabilities `p` > 0.5 and any `df` ≥ 1 (Hill 1970, algorithm 396)."""
    if df < 1.0 or not 0.5 < p < 1.0:
        raise ValueError(f"t_quantile of df = {df}, p = {p}; expected df of at least 1 and p between 0.5 and 1")
    two_tail = 2.0 * (1.0 - p)
    if df == 1.0:
        return 1.0 / math.tan(two_tail * math.pi / 2.0)
    if df == 2.0:
        return math.sqrt(2.0 / (two_tail * (2.0 - two_tail)) - 2.0)
    a = 1.0 / (df - 0.5)
    b = 48.0 / (a * a)
    c = ((20700.0 * a / b - 98.0) * a - 16.0) * a + 96.36
    d = ((94.5 / (b + c) - 3.0) / b + 1.0) * math.sqrt(a * math.pi / 2.0) * df
    x = d * two_tail
    y = x ** (2.0 / df)
    if y > 0.05 + a:
        x = _NORMAL.inv_cdf(two_tail / 2.0)
        y = x * x
        if df < 5.0:
            c += 0.3 * (df - 4.5) * (x + 0.6)
        c = (((0.05 * d * x - 5.0) * x - 7.0) * x - 2.0) * x + b + c
        y = (((((0.4 * y + 6.3) * y + 36.0) * y + 94.5) / c - y - 3.0) / b + 1.0) * x
        y = math.expm1(a * y * y)
    else:
        y = ((1.0 / (((df + 6.0) / (df * y) - 0.089 * d - 0.822) * (df + 2.0) * 3.0) + 0.5 / (df + 4.0)) * y - 1.0) * (
            df + 1.0
        ) / (df + 2.0) + 1.0 / y
    return math.sqrt(df * y)


def median(values: Floats) -> float:
    """The median, (n,) in; NaN for no values. +∞ ranks last; no NaN is expected.

    Up to ten times faster than `numpy.median` where n is small: a card holds hundreds of them.
    """
    n = len(values)
    if n == 0:
        return math.nan
    half = n // 2
    part = np.partition(values, half if n % 2 else (half - 1, half))
    return float(part[half]) if n % 2 else 0.5 * (float(part[half - 1]) + float(part[half]))


def robust_sd(values: Floats) -> float:
    """1.4826 × median absolute deviation from the median; NaN for no values. +∞ ranks last."""
    if not len(values):
        return math.nan
    middle = median(values)
    if math.isinf(middle):
        return math.inf
    return MAD_TO_SD * median(np.abs(values - middle))


def detrended(values: Floats, x: Floats) -> Floats:
    """Residuals of a least-squares line over x, (n,) in, (n,) out; fewer than 3 values: less their mean."""
    if not len(values):
        return values.astype(np.float64)
    centred = values - values.mean()
    dx = x - x.mean()
    power = float(dx @ dx)
    if len(values) < 3 or power == 0.0:
        return np.asarray(centred, dtype=np.float64)
    return np.asarray(centred - dx * (float(dx @ centred) / power), dtype=np.float64)


def ar1(values: Floats, positions: Floats) -> Ar1:
    """Lag-1 correlation over pairs of neighbours one beat apart, after a linear trend is taken off.

    The corrected figure adds (2 + 4 r)/n: a fitted line biases r by about −(2 + 4 r)/n (Kendall 1954 gives
    −(1 + 3 r)/n after a mean). NaN below 4 values or without pairs.
    """
    n = len(values)
    if n < 4:
        return Ar1(math.nan, math.nan, 0)
    e = detrended(values, positions)
    pair = np.diff(positions) == 1.0
    n_pairs = int(np.count_nonzero(pair))
    power = float(e @ e)
    # Residuals of a perfect line are rounding dust: no correlation is to be read from them.
    if n_pairs == 0 or power <= n * (1e-9 * (1.0 + float(np.max(np.abs(values))))) ** 2:
        return Ar1(math.nan, math.nan, n_pairs)
    raw = float((e[:-1] * e[1:])[pair].sum() / n_pairs / (power / n))
    return Ar1(raw, min(max(raw + (2.0 + 4.0 * raw) / n, -0.999), 0.999), n_pairs)


def wander(values: Floats, positions: Floats, alike: float = 1.0) -> tuple[float, int]:
    """(variance of slow wandering, number of blocks): what the means of blocks of 16 beats scatter about their trend
    beyond what the beats inside them explain; (0, n) below three blocks. Short takes have shorter blocks, long ones
    longer. `alike`: by how much the mean of neighbours that are alike scatters more than of others.
    """
    beats = (positions - positions[0]) if len(positions) else positions
    size = max(WANDER_BLOCK_BEATS, int(beats[-1] + 1.0) // MOST_WANDER_BLOCKS)
    while size > 4 and beats[-1] + 1.0 < 6 * size:
        size //= 2
    of, count = np.unique((beats // size).astype(np.int64), return_inverse=True, return_counts=True)[1:]
    full = count >= max(2, size // 4)
    n = int(np.count_nonzero(full))
    if n < 3:
        return 0.0, n
    mean, place = np.bincount(of, values) / count, np.bincount(of, beats) / count
    inside = (values - mean[of])[full[of]]
    noise = alike * float(inside @ inside) / max(len(inside) - n, 1) / float(np.median(count[full]))
    left = detrended(mean[full], place[full])
    return max(float(left @ left) / max(n - 2, 1) - noise, 0.0), n


def mean_interval(values: Floats, positions: Floats) -> Figure:
    """The mean of the take, with a 95 % interval of the player's long-run mean: of where they sit over an evening of
    which the take is a part. For people, whose timing wanders on every scale (1/f: Gilden, Thornton & Mallon 1995),
    that is less sure than the mean of what was heard.

    The beats give what a first-order autoregressive spread gives (Student's t with the effective number of values,
    n (1 − r)/(1 + r), less the two of the line). The blocks' wander comes on top: that of a 1/f series over n blocks
    grows with ln n, so the mean of L beats out of an evening of E lies off by ln(E/L)/ln n of it: E is 5,000 beats, or
    three times the take if that is longer (our choice). Few blocks tell little of how one wanders: theirs is taken
    together with what is usual, which makes the interval of a short take neither blind nor boundless. Where 60 % of the
    variance is 1/f, .93 and more hold it in evenings of 1,024 and of 4,096 beats, .99 under AR(1), and the halves of
    recorded players agree (`tests/sim/wandering.py`).
    """
    n = len(values)
    if n == 0:
        return Figure()
    mean = float(values.mean())
    if n < MIN_N:
        return Figure(mean, n=n)
    e = detrended(values, positions)
    link = ar1(values, positions)
    factor = 1.0 if math.isnan(link.corrected) else link.inflation
    spread = math.sqrt(float(e @ e) / (n - 2))
    df = max(n / factor**2 - 2.0, 3.0)
    half = t_quantile(df) * spread * factor / math.sqrt(n)
    beats = float(positions[-1] - positions[0]) + 1.0
    slow, n_blocks = wander(values, positions, factor)
    own = max(n_blocks - 2.0, 0.0)
    told = max(beats / WANDER_BLOCK_BEATS - 2.0, own) if own else 0.0  # a long block tells more than one of 16 beats
    usual = USUAL_BLOCKS * min(1.0, ENOUGH_BLOCKS / max(told, 1.0))
    slow = (told * slow + usual * USUAL_WANDER * spread**2) / (told + usual)
    n_blocks = max(n_blocks, 3)
    evening = max(EVENING_BEATS / beats, EVENING_TAKES)
    of_mean = (1.0 + WANDER_DETRENDED / n_blocks) * slow * math.log(evening) / math.log(n_blocks)
    half = max(half, t_quantile(own + usual) * math.hypot(half / 2.0, math.sqrt(of_mean)))
    return Figure(mean, mean - half, mean + half, n)


def t_interval(values: Floats) -> Figure:
    """Mean of independent values with Student's 95 % interval."""
    n = len(values)
    if n == 0:
        return Figure()
    mean = float(values.mean())
    if n < MIN_N:
        return Figure(mean, n=n)
    half = t_quantile(n - 1.0) * float(values.std(ddof=1)) / math.sqrt(n)
    return Figure(mean, mean - half, mean + half, n)


def median_interval(values: Floats) -> Figure:
    """Median with the order-statistic 95 % interval, ranks widened by the long-run variance of the signs.

    `values` are in playing order; +∞ ranks last. The signs about the median have variance 1/4 when independent; their
    Newey–West variance over 4 lags takes its place (never less than the independent one), its window flat over the
    first two and falling after them (a flat-top window: Politis & Romano 1995; from memory). That variance is itself
    estimated: the quantile is the fixed-b one for a five-lag window (Kiefer & Vogelsang 2005, Bartlett kernel; the
    coefficients are from memory, the coverage is shown by simulation).
    """
    n = len(values)
    if n == 0:
        return Figure()
    middle = median(values)
    if n < MIN_N:
        return Figure(middle, n=n)
    ranked = np.sort(values)
    sign = 0.5 * np.sign(np.where(values == middle, 0.0, np.where(values > middle, 1.0, -1.0)))
    var = max(float(sign @ sign) / n, 1e-12)
    long_run = var
    for lag in range(1, min(NEWEY_WEST_LAGS, n - 1) + 1):
        weight = min((NEWEY_WEST_LAGS + 1.0 - lag) / (NEWEY_WEST_LAGS + 1.0 - FULL_LAGS), 1.0)
        long_run += 2.0 * weight * float(sign[:-lag] @ sign[lag:]) / n
    b = (NEWEY_WEST_LAGS + 1.0) / n
    quantile = Z95 + b * (2.9694 + b * (0.4160 - 0.5324 * b))
    half = quantile * math.sqrt(n * 0.25 * max(long_run / var, 1.0))
    low = (n - 1.0) / 2.0 - half
    high = (n - 1.0) / 2.0 + half
    return Figure(middle, _rank_value(ranked, low), _rank_value(ranked, high), n)


def _rank_value(ranked: Floats, rank: float) -> float:
    """Value at a fractional 0-based rank, linear between neighbours, held inside the data."""
    rank = min(max(rank, 0.0), len(ranked) - 1.0)
    below = math.floor(rank)
    above = min(below + 1, len(ranked) - 1)
    a, b = float(ranked[below]), float(ranked[above])
    if a == b or rank == below:
        return a
    return a + (b - a) * (rank - below)


def theil_sen(values: Floats, x: Floats, positions: Floats) -> Figure:
    """Median of all pairwise slopes of values over x, with Sen's interval widened for lag-1 correlation.

    x rises (not strictly); `positions` are the whole beats that tell neighbours. Above 2,000 values the medians of 500
    blocks of equal length take their place. NaN below `MIN_N` values or without any spread of x.
    """
    n = len(values)
    nothing = Figure(n=n)
    if n < MIN_N or float(x[-1] - x[0]) <= 0.0:
        return nothing
    if n > MAX_SLOPE_POINTS:
        values, x, positions = _block_medians(values, x)
    link = ar1(values, positions)
    factor = 1.0 if math.isnan(link.corrected) else link.inflation
    m = len(values)
    dx = np.subtract.outer(x, x)  # x rises: above 0 for each pair once
    pairs = dx > 0.0
    slopes = np.subtract.outer(values, values)[pairs] / dx[pairs]
    if not len(slopes):
        return nothing
    half = Z95 * math.sqrt(m * (m - 1.0) * (2.0 * m + 5.0) / 18.0) * factor
    n_slopes = len(slopes)
    middle = (n_slopes - 1) / 2.0
    low = min(max(math.floor((n_slopes - half) / 2.0), 0), n_slopes - 1)
    high = min(max(math.ceil((n_slopes + half) / 2.0), 0), n_slopes - 1)
    part, start = slopes, 0
    for rank in sorted({math.floor(middle), math.ceil(middle), low, high}):  # six times faster than all at once
        part[start:].partition(rank - start)
        start = rank + 1
    estimate = 0.5 * float(part[math.floor(middle)] + part[math.ceil(middle)])
    return Figure(estimate, float(part[low]), float(part[high]), n)


def drift_interval(values: Floats, x: Floats, positions: Floats) -> Figure:
    """The median slope of `theil_sen` with an interval for people: a player who wanders is not one who drifts."""
    slope = theil_sen(values, x, positions)
    slow, n_blocks = wander(values, positions)
    if slow <= 0.0 or slope.interval is None:
        return slope
    own = (slope.high - slope.low) / (2.0 * Z95)
    by_chance = WANDER_SLOPE * math.sqrt(slow / math.log(n_blocks)) / float(x[-1] - x[0])
    half = t_quantile(max(n_blocks - 2.0, 2.0)) * math.hypot(own, by_chance)
    return Figure(slope.value, min(slope.low, slope.value - half), max(slope.high, slope.value + half), slope.n)


def _block_medians(values: Floats, x: Floats) -> tuple[Floats, Floats, Floats]:
    """Medians of `SLOPE_BLOCKS` runs of equal length (the rest at the end left out); neighbours are one apart."""
    size = len(values) // SLOPE_BLOCKS
    kept = size * SLOPE_BLOCKS
    mids = np.median(values[:kept].reshape(SLOPE_BLOCKS, size), axis=1)
    at = x[:kept].reshape(SLOPE_BLOCKS, size).mean(axis=1)
    return mids, at, np.arange(SLOPE_BLOCKS, dtype=np.float64)


def spread_interval(spread: float, n: int, lag1: float = 0.0) -> tuple[float, float]:
    """95 % interval of a robust spread, on a logarithmic scale: few values give a spread that is too small, and one
    that may be far too small. 1 / √(2n) of it, for its efficiency 0.37 of the SD's, with Student's t.

    Notes that lean on the one before tell less of a spread: under AR(1), n counts for n (1 - r²) / (1 + r²).
    """
    r2 = min(lag1 * lag1, 0.9) if math.isfinite(lag1) else 0.0
    told = max(n - 2.0, 1.0) * (1.0 - r2) / (1.0 + r2)
    reach = math.exp(t_quantile(max(told - 1.0, 1.0)) / math.sqrt(2.0 * 0.37 * told))
    middle = spread * (1.0 + 1.0 / n)
    return middle / reach, middle * reach


def share(k: int, n: int, none: Why) -> Figure:
    """k of n as a share with its interval (none below `MIN_N`); `none` is the reason where n is 0."""
    if n == 0:
        return Figure(why=none)
    low, high = share_interval(k, n) if n >= MIN_N else (math.nan, math.nan)
    return Figure(k / n, low, high, n)


def share_interval(k: int, n: int) -> tuple[float, float]:
    """95 % interval of a share (Wilson 1927)."""
    z = 1.959964
    middle = (k + z * z / 2.0) / (n + z * z)
    half = z / (n + z * z) * math.sqrt(k * (n - k) / n + z * z / 4.0)
    return max(0.0, middle - half), min(1.0, middle + half)


def welch(a: Floats, b: Floats) -> Figure:
    """Mean of b minus mean of a with its 95 % interval (Welch 1947); no interval below eight values in either."""
    a, b = a[np.isfinite(a)], b[np.isfinite(b)]
    n = min(len(a), len(b))
    if n == 0:
        return Figure()
    difference = float(b.mean() - a.mean())
    if n < MIN_N:
        return Figure(difference, n=n)
    va, vb = float(a.var(ddof=1)) / len(a), float(b.var(ddof=1)) / len(b)
    if va + vb <= 0.0:
        return Figure(difference, difference, difference, n)
    df = (va + vb) ** 2 / (va**2 / (len(a) - 1) + vb**2 / (len(b) - 1))
    half = t_quantile(df) * math.sqrt(va + vb)
    return Figure(difference, difference - half, difference + half, n)
