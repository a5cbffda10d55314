"""Do the intervals hold for people, who wander on every scale? Timing is drawn as 1/f noise, white noise on top.

60 % of the variance is 1/f in an evening of 1,024 beats, or of 4,096; or it is AR(1) (the kinds that the estimator's
constants were tried on, with other seeds); long takes come from one of 16,384 as well, which was not. Sources: Gilden,
Thornton & Mallon 1995; Hennig et al. 2011. `python -m tests.sim.wandering` prints the shares of intervals that hold the
truth, which is 0 always. The mean's, of 1,000 takes (from 2,048 beats on, of 400):

on-beats played      64    192   384   512   768   1024  2048  4096
evening of 1,024     .964  .986  .995  1.00  1.00
evening of 4,096     .933  .929  .944  .953  .965  .971  1.00
evening of 16,384    .895  .863  .844  .834  .865  .822  .868  .960
AR(1)                1.00  1.00  1.00  .999  .997  .994  .995  .993
"""

from __future__ import annotations

import sys

import numpy as np
from numpy.typing import NDArray

from trainer.scoring.stats import detrended, drift_interval, mean_interval, robust_sd, spread_interval

__all__ = ["KINDS", "LONG", "holds", "mean_holds", "player", "spread_holds"]

Floats = NDArray[np.float64]
KINDS = ("evening of 1024", "evening of 4096", "ar1")
LONG = (
    ("evening of 4096", 512),
    ("evening of 4096", 1024),
    ("evening of 16384", 4096),
    ("ar1", 4096),
)
SD_MS, SHARE, PLAYED = 14.0, 0.6, 0.8
FELT_MS = 1.0  # a drift that is smaller is not spoken of


def player(rng: np.random.Generator, kind: str, n: int) -> tuple[Floats, Floats]:
    """(beats, lateness in ms) of n on-beats of a player without drift and without a place of their own but 0."""
    n_beats = round(n / PLAYED)
    beats = np.sort(rng.choice(n_beats, n, replace=False))
    if kind == "ar1":
        late = np.zeros(n_beats + 50)
        for i, push in enumerate(rng.normal(size=n_beats + 49) * np.sqrt(1.0 - 0.09), 1):
            late[i] = 0.3 * late[i - 1] + push
        return beats.astype(np.float64), SD_MS * late[50:][beats]
    length = int(kind.rsplit(" ", 1)[1])
    pitch = np.fft.rfftfreq(length)
    strength = np.concatenate(([0.0], pitch[1:] ** -0.5))
    slow = np.fft.irfft(strength * (rng.normal(size=len(pitch)) + 1j * rng.normal(size=len(pitch))), length)
    start = int(rng.integers(0, length - n_beats))
    late = np.sqrt(SHARE) * (slow / slow.std())[start : start + n_beats]
    late = late + np.sqrt(1.0 - SHARE) * rng.normal(size=n_beats)
    return beats.astype(np.float64), SD_MS * late[beats]


def holds(kind: str, n: int, takes: int, seed: int) -> tuple[float, float, float]:
    """Shares of takes of n on-beats: the mean's interval holds 0, the drift's does, a drift is spoken of."""
    rng = np.random.default_rng(seed)
    counts = np.zeros(3)
    for _ in range(takes):
        beats, late = player(rng, kind, n)
        mean, drift = mean_interval(late, beats), drift_interval(late, beats / 48.0, beats)
        kept = drift.low <= 0.0 <= drift.high
        counts += (mean.low <= 0.0 <= mean.high, kept, not kept and abs(drift.value) >= FELT_MS)
    mean_share, drift_share, told_share = (counts / takes).tolist()
    return mean_share, drift_share, told_share


def mean_holds(kind: str, n: int, takes: int, seed: int) -> tuple[float, float]:
    """(share of takes of n on-beats whose mean's interval holds 0, the median half width in ms)."""
    rng = np.random.default_rng(seed)
    means = [mean_interval(late, beats) for beats, late in (player(rng, kind, n) for _ in range(takes))]
    held = [mean.low <= 0.0 <= mean.high for mean in means]
    return float(np.mean(held)), float(np.median([mean.high - mean.value for mean in means]))


def spread_holds(n: int, takes: int, seed: int) -> float:
    """Share of takes of n independent notes whose spread's interval holds the true one."""
    rng = np.random.default_rng(seed)
    held = 0
    for _ in range(takes):
        low, high = spread_interval(robust_sd(detrended(rng.normal(size=n), np.arange(float(n)))), n)
        held += low <= 1.0 <= high
    return held / takes


if __name__ == "__main__":
    n_takes = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    for name in KINDS:
        for size in (64, 96, 192, 384):
            mean_held, drift_held, drift_told = holds(name, size, n_takes, 1)
            print(f"{name} {size}: mean {mean_held:.3f} drift {drift_held:.3f} told {drift_told:.3f}")
    for name, size in LONG:
        held, reach = mean_holds(name, size, n_takes, 1)
        print(f"{name} {size}: mean {held:.3f}, half as wide as {reach:.1f} ms")
    for size in (8, 12, 20, 50, 200):
        print("spread", size, f"{spread_holds(size, 4 * n_takes, 1):.3f}")
