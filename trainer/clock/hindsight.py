"""The audio clock against the host's with hindsight: where each frame sounded, once all callbacks of a run are known.

The running fit (`trainer.clock.fit.ClockFit`) must decide at once and finds a stall of the stream only seconds after it
happened. When a run is over, the same stamps tell more: a stall lies between two callbacks, and the line on either side
can be drawn from both directions. Lateness is one-sided (a callback comes late, never early), so low quantiles stand
for the truth, up to a constant.
"""

from __future__ import annotations

from array import array
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["StampKeeper", "frame_knots", "stall_indices"]

_TO_ONE = 4  # callbacks of which the least late is kept

STALL_NS = 1_000_000.0  # a lasting jump beyond this is a stall
_WINDOW = 12  # stamps on either side of a stall that must agree
_BIN_S = 1.0
_BIN_QUANTILE = 0.2
_REACH_S = 10.0  # neighbouring bins that draw the line at a knot
_MAX_RATE = 1e-3  # no sound card is further off than this
# All of the above: our choice.


class StampKeeper:
    """Collects callbacks while they come: of every few the least late, so that an hour is three megabytes."""

    __slots__ = ("_best", "_n", "_nominal_ns", "frames", "sounding_ns")

    def __init__(self, sample_rate_hz: float) -> None:
        self.frames = array("q")
        self.sounding_ns = array("q")
        self._nominal_ns = 1e9 / sample_rate_hz
        self._best: tuple[float, int, int] | None = None
        self._n = 0

    def feed(self, frame: int, sounding_ns: int) -> None:
        """One callback: its first frame, and the host time at which that should sound."""
        late_ns = sounding_ns - frame * self._nominal_ns
        if self._best is None or late_ns < self._best[0]:
            self._best = (late_ns, frame, sounding_ns)
        self._n += 1
        if self._n % _TO_ONE == 0:
            self.frames.append(self._best[1])
            self.sounding_ns.append(self._best[2])
            self._best = None


def stall_indices(frames: ArrayLike, sounding_ns: ArrayLike, sample_rate_hz: float) -> NDArray[np.intp]:
    """Indices of the stamps that are the first after a stall (or a restart of the frame count), without 0.

    `frames` (n,) first frames of the blocks in order; `sounding_ns` (n,) host time at which each should sound. Empty
    in, empty out.
    """
    frame = np.asarray(frames, dtype=np.int64)
    ns = np.asarray(sounding_ns, dtype=np.int64)
    n = len(frame)
    if n < 4:
        return np.flatnonzero(np.diff(frame) <= 0) + 1
    late = (ns - ns[0]).astype(np.float64) - (frame - frame[0]) * (1e9 / sample_rate_hz)
    before = np.array([late[max(0, i - _WINDOW) : i].min() for i in range(1, n)])
    after = np.array([late[i : i + _WINDOW].min() for i in range(1, n)])
    jump = after - before  # at the step from stamp i - 1 to stamp i
    restart = np.diff(frame) <= 0
    for i in np.flatnonzero(restart).tolist():  # windows that look across a restart say nothing
        jump[max(0, i - _WINDOW) : i + _WINDOW + 1] = 0.0
    high = (np.abs(jump) > STALL_NS) & (np.arange(1, n) >= _WINDOW // 2) & (np.arange(1, n) <= n - _WINDOW // 2)
    out = []
    i = 0
    while i < n - 1:
        if restart[i]:
            out.append(i + 1)
        elif high[i]:
            end = i
            while end + 1 < n - 1 and high[end + 1] and not restart[end + 1]:
                end += 1
            # The stall lies where the step from one callback to the next is largest.
            steps = np.abs(np.diff(late[i : end + 2]))
            out.append(i + 1 + int(np.argmax(steps)))
            i = end
        i += 1
    return np.array(out, dtype=np.intp)


def frame_knots(
    frames: ArrayLike, sounding_ns: ArrayLike, sample_rate_hz: float
) -> list[tuple[float, int, float, str]]:
    """Pieces of the map from frames to host time: [(frame, host_ns, ns_per_frame, "start" · "stall" · "on"), …].

    From `frame` on, frame f sounds at `host_ns + (f - frame) * ns_per_frame`, up to the next piece. A stall begins a
    piece that does not join the one before; within a run of pieces they join. Empty in, empty out.
    """
    frame = np.asarray(frames, dtype=np.int64)
    ns = np.asarray(sounding_ns, dtype=np.int64)
    if len(frame) == 0:
        return []
    nominal_ns = 1e9 / sample_rate_hz
    stalls = stall_indices(frame, ns, sample_rate_hz)
    bounds = [0, *stalls.tolist(), len(frame)]
    runs = [_bins(frame[a:b], ns[a:b], sample_rate_hz) for a, b in pairwise(bounds)]
    slope = _pooled_slope(runs)
    out: list[tuple[float, int, float, str]] = []
    for k, (a, (x, y)) in enumerate(zip(bounds[:-1], runs, strict=True)):
        frame0, ns0 = int(frame[a]), int(ns[a])
        level = _smoothed(x, y, slope)
        cause = "start" if k == 0 else "stall"
        # The first piece reaches back to the run's own first frame, the last one on.
        knots_x = np.concatenate(([0.0], x[1:]))
        knots_y = np.concatenate(([level[0] - slope * x[0]], level[1:]))
        for i in range(len(knots_x)):
            if i + 1 < len(knots_x):
                rate = (knots_y[i + 1] - knots_y[i]) / (knots_x[i + 1] - knots_x[i])
            else:
                rate = slope
            host_ns = ns0 + round(knots_x[i] * 1e9 + knots_y[i])
            at = frame0 + knots_x[i] * sample_rate_hz
            out.append((at, host_ns, nominal_ns * (1.0 + rate * 1e-9), cause if i == 0 else "on"))
    return out


def _bins(frame: NDArray[np.int64], ns: NDArray[np.int64], sample_rate_hz: float) -> tuple[Any, Any]:
    """(seconds by the frame count, lateness in ns) of a run's bins, each its middle and its low quantile."""
    x = (frame - frame[0]) / sample_rate_hz
    y = (ns - ns[0]).astype(np.float64) - x * 1e9
    which = (x / _BIN_S).astype(np.int64)
    edges = np.flatnonzero(np.diff(which)) + 1
    xs: list[float] = []
    ys: list[float] = []
    for piece_x, piece_y in zip(np.split(x, edges), np.split(y, edges), strict=True):
        if len(piece_x) < 8 and xs:
            continue
        xs.append(float(piece_x.mean()))
        ys.append(float(np.quantile(piece_y, _BIN_QUANTILE)))
    return np.array(xs), np.array(ys)


def _pooled_slope(runs: list[tuple[Any, Any]]) -> float:
    """ns a second that the card loses, from all runs together: the median of slopes of bins at least 3 s apart."""
    slopes, weights = [], []
    for x, y in runs:
        for gap in (3, 6, 12, 24, 48):
            if len(x) > gap:
                slopes.append((y[gap:] - y[:-gap]) / (x[gap:] - x[:-gap]))
                weights.append(np.full(len(x) - gap, float(gap)))
    if not slopes:
        return 0.0
    slope, weight = np.concatenate(slopes), np.concatenate(weights)
    order = np.argsort(slope)
    at = np.searchsorted(np.cumsum(weight[order]), weight.sum() / 2.0)
    return float(np.clip(slope[order][min(at, len(order) - 1)], -_MAX_RATE * 1e9, _MAX_RATE * 1e9))


def _smoothed(x: NDArray[np.float64], y: NDArray[np.float64], slope: float) -> NDArray[np.float64]:
    """Level at each bin from its neighbours, about the pooled slope: a local mean of what is left, without outliers."""
    left = y - slope * x
    out = np.empty(len(x))
    for i in range(len(x)):
        near = np.abs(x - x[i]) <= _REACH_S
        weight = 1.0 - np.abs(x[near] - x[i]) / (_REACH_S + 1.0)
        here = left[near]
        middle = float(np.median(here))
        spread = 1.4826 * float(np.median(np.abs(here - middle)))
        good = np.abs(here - middle) <= 3.0 * max(spread, 2e4)
        out[i] = float(np.average(here[good], weights=weight[good])) if np.any(good) else middle
    return out + slope * x
