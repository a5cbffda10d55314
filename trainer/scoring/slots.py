"""Which onset is each beat's own, and what lies between: local offsets, on-beats, off-beats.

A local offset follows the player (leave-one-out running median of on-beat asynchronies); a slot reaches half-way to its
neighbours. Beats whose on-beat is in doubt are `doubtful`'s.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from trainer.scoring.doubtful import settled
from trainer.scoring.drop_outs import drop_stretch
from trainer.scoring.reading import LATE_REACH_BEATS, Floats, Ints

__all__ = ["Placed", "nearest_onsets", "own_off_frac", "place"]

OFFSET_HALF_WINDOW = 8  # on-beats on either side in the running median; our choice
QUERIES_AT_ONCE = 16_384  # of a median each: bounds the memory


@dataclass(frozen=True)
class Placed:
    """Per beat: `on` (row or -1), `local` offset in beats (m + 1), interior counts; per note: its beat's row."""

    on: Ints
    local: Floats
    n_between: Ints
    first_between: Ints
    beat_row: Ints
    boundary: Floats


def place(b: Floats, ks: Floats, off_frac: float, drops: list[tuple[int, int]]) -> Placed:
    """On-beats, local offsets and the notes between them. `b`: sorted onsets in beats; `ks`: whole beats (m + 1)."""
    m1 = len(ks)
    early = min((1.0 - off_frac) / 2.0, LATE_REACH_BEATS)
    local = np.zeros(m1)
    slope = np.zeros(m1)
    for start, end in drops:
        rows = (ks >= start) & (ks <= end)
        slope[rows] = (ks[rows] - start) * (drop_stretch(b, start, end, off_frac) - 1.0)
    on = np.full(m1, -1, dtype=np.int64)
    for _ in range(3):
        on = nearest_onsets(b, ks + local + slope, early)
        have = np.flatnonzero(on >= 0)
        fresh = np.zeros(m1)
        if len(have) > 4:
            values = b[on[have]] - ks[have] - slope[have]
            fresh = np.clip(loo_median(np.arange(m1), have, values, OFFSET_HALF_WINDOW), -0.4, 0.4)
        if np.allclose(fresh, local, atol=1e-9):
            local = fresh
            break
        local = fresh
    local = local + slope
    on = settled(b, ks + local, on, off_frac)
    boundary = np.where(on >= 0, b[np.clip(on, 0, None)] if len(b) else 0.0, ks + local)
    boundary = np.maximum.accumulate(boundary)
    beat_row = np.searchsorted(boundary, b, side="right") - 1
    on_rows = np.flatnonzero(on >= 0)
    beat_row[on[on_rows]] = on_rows
    is_on = np.zeros(len(b), dtype=np.bool_)
    is_on[on[on_rows]] = True
    inner = np.flatnonzero(~is_on & (beat_row >= 0) & (beat_row < m1 - 1))
    n_between = np.bincount(beat_row[inner], minlength=m1)[: m1 - 1].astype(np.int64)
    first_between = np.full(m1 - 1, -1, dtype=np.int64)
    first_between[beat_row[inner][::-1]] = inner[::-1]
    return Placed(on[:-1], local, n_between, first_between, beat_row.astype(np.int64), boundary)


def nearest_onsets(b: Floats, want: Floats, early: float, late: float = LATE_REACH_BEATS) -> Ints:
    """Row of the onset nearest to each wanted place within its reach, or -1: hits and misses, (w,) out.

    Both rise, in one unit; an onset up to `early` before and `late` after a place can be its. Order is kept and no
    onset serves two places. O(w log n).
    """
    if not len(b):
        return np.full(len(want), -1, dtype=np.int64)
    at = np.searchsorted(b, want)
    left, right = np.maximum(at - 1, 0), np.minimum(at, len(b) - 1)
    # Of two notes the nearer; a note beyond the slot's reach on its side does not compete.
    to_left, to_right = want - b[left], b[right] - want
    left_ok = (to_left >= 0.0) & (to_left <= early)
    right_ok = (to_right >= 0.0) & (to_right <= late)
    use_left = left_ok & (~right_ok | (to_left <= to_right))
    on = np.where(use_left, left, np.where(right_ok, right, -1)).astype(np.int64)
    twice = (on[1:] == on[:-1]) & (on[1:] >= 0)
    on[1:][twice] = -1
    return on


def loo_median(query: Ints, at: Ints, values: Floats, half: int) -> Floats:
    """Median of the 2·half values nearest in order to each query, the query's own left out: (q,) out.

    `at` rises; the window slides inwards at the ends. O(n · half).
    """
    n = len(at)
    i = np.searchsorted(at, query)
    own = (i < n) & (at[np.minimum(i, n - 1)] == query)
    width = min(2 * half, n - 1)
    start = np.clip(i - width // 2, 0, n - width - own.astype(np.int64))
    out = np.empty(len(i))
    for first in range(0, len(i), QUERIES_AT_ONCE):
        here = slice(first, first + QUERIES_AT_ONCE)
        idx = start[here, None] + np.arange(width)[None, :]
        idx += own[here, None] & (idx >= i[here, None])
        out[here] = np.median(values[np.minimum(idx, n - 1)], axis=1)
    return out


def own_off_frac(b: Floats, placed: Placed, fallback: float) -> float:
    """The player's usual place of the off-beat: median over swung pairs, from 8 pairs up, within 0.5–0.8."""
    pairs = np.flatnonzero((placed.on >= 0) & (placed.n_between == 1))
    if len(pairs) < 8:
        return fallback
    frac = b[placed.first_between[pairs]] - placed.boundary[pairs]
    return float(np.clip(np.median(frac), 0.5, 0.8))
