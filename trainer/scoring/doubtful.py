"""Beats whose on-beat note is in doubt, read as a whole with their neighbours."""

from __future__ import annotations

import math

import numpy as np

from trainer.scoring.reading import LATE_REACH_BEATS, Floats, Ints

__all__ = ["settled"]

REACH_BEATS = 0.3  # an onset further than this from a beat is not its on-beat; our choice
# Prices of the whole-beat reading, in squared spreads: a beat without its on-beat, a beat with nothing after it. Our
# choice.
MISSING_ON, EMPTY_INSIDE = 5.0, 1.0


def settled(b: Floats, want: Floats, on: Ints, off_frac: float) -> Ints:
    """On-beats with each doubtful beat read as a whole: order kept, one to one, least total cost with its neighbours.

    A beat whose nearest note is close and has no rival is settled; so is one with no note in reach. Runs of doubtful
    beats between settled ones are searched exhaustively (Viterbi): squared distances in units of the player's own
    spread for on-beats, off-beats and triplets, and prices for a beat without its on-beat or with more notes. Without
    this, early on-beats of an unsteady player are lost more often than late ones, and the mean is biased.
    """
    n = len(b)
    have = np.flatnonzero(on >= 0)
    if n == 0 or len(have) < 4:
        return on
    rest = b[on[have]] - want[have]
    spread = float(np.clip(1.4826 * np.median(np.abs(rest - np.median(rest))), 0.02, 0.12))
    first = np.searchsorted(b, want)
    cand = first[:, None] + np.arange(-2, 2)[None, :]
    away = np.abs(b[np.clip(cand, 0, n - 1)] - want[:, None])
    away[(cand < 0) | (cand >= n) | (away > REACH_BEATS)] = np.inf
    ranked = np.sort(away, axis=1)
    sure = (ranked[:, 0] <= max(2.0 * spread, 0.04)) & (ranked[:, 1] >= ranked[:, 0] + max(4.0 * spread, 0.1))
    out = np.where(sure, cand[np.arange(len(want)), np.argmin(away, axis=1)], -1)
    doubtful = np.flatnonzero(~sure & np.isfinite(ranked[:, 0]))
    if not len(doubtful):
        return out
    breaks = np.flatnonzero(np.diff(doubtful) > 1) + 1
    search = _Search(b.tolist(), want.tolist(), first.tolist(), spread, off_frac)
    for run in np.split(doubtful, breaks):
        lo, hi = int(run[0]), int(run[-1])
        cells = zip(range(lo, hi + 1), cand[lo : hi + 1], away[lo : hi + 1], strict=True)
        options = [[int(c) for c, d in zip(row, far, strict=True) if d <= REACH_BEATS] for _, row, far in cells]
        before = int(out[lo - 1]) if lo > 0 else -1
        after = int(out[hi + 1]) if hi + 1 < len(out) else None
        out[lo : hi + 1] = search.path(lo, options, before, after)
    return out


class _Search:
    """Least-cost choice of on-beat notes over a run of doubtful beats."""

    def __init__(self, b: list[float], want: list[float], first: list[int], spread: float, off_frac: float) -> None:
        self.b, self.want, self.first = b, want, first
        self.on_scale = 1.0 / spread**2
        self.inner_scale = 0.5 / spread**2  # an inner place is the difference of two onsets
        self.off_frac = off_frac

    def path(self, lo: int, options: list[list[int]], before: int, after: int | None) -> list[int]:
        """Rows (or -1) for beats lo, lo + 1, …; `before` and `after` are the settled neighbours (None: the end)."""
        states, costs = [before], [0.0]
        back: list[list[int]] = []
        for step, notes in enumerate([*options, None]):
            k = lo + step
            if notes is None and after is None:
                break
            here = [after] if notes is None and after is not None else [*(notes or []), -1]
            new_costs, came = [], []
            for q in here:
                price = MISSING_ON if q < 0 else self._on_price(self.b[q] - self.want[k])
                totals = [c + self._edge(k - 1, p, q, k) for p, c in zip(states, costs, strict=True)]
                best = min(range(len(totals)), key=totals.__getitem__)
                new_costs.append(totals[best] + price)
                came.append(best)
            back.append(came)
            states, costs = here, new_costs
            options_at = len(back) - 1
            if options_at < len(options):
                options[options_at] = here
        at = min(range(len(costs)), key=costs.__getitem__)
        chosen: list[int] = []
        for step in range(len(back) - 1, -1, -1):
            if step < len(options):
                chosen.append(options[step][at])
            at = back[step][at]
        return chosen[::-1]

    def _on_price(self, away: float) -> float:
        """A note inside the beat's own slot is its on-beat sooner than none is, however steady the player else."""
        price = away * away * self.on_scale
        inside = -(1.0 - self.off_frac) / 2.0 <= away <= LATE_REACH_BEATS
        return min(price, MISSING_ON - 1.0) if inside else price

    def _edge(self, k: int, p: int, q: int, following: int) -> float:
        """Cost of what lies between on-beat p of beat k (-1: none) and on-beat q of the next."""
        start = p + 1 if p >= 0 else (self.first[k] if k >= 0 else 0)
        end = q if q >= 0 else self.first[following]
        count = end - start
        if count < 0:
            return math.inf
        if count == 0:
            return EMPTY_INSIDE
        origin = self.b[p] if p >= 0 else (self.want[k] if k >= 0 else self.want[following] - 1.0)
        one = self.b[start] - origin
        if count == 1:
            swung = (one - self.off_frac) ** 2 * self.inner_scale
            return min(swung, 2.0 + (one - 1 / 3) ** 2 * self.inner_scale, 9.0)
        if count == 2:
            two = self.b[start + 1] - origin
            return min(1.5 + ((one - 1 / 3) ** 2 + (two - 2 / 3) ** 2) * self.inner_scale, 10.0)
        return 8.0 + 2.0 * (count - 3)
