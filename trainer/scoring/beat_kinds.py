"""What each beat holds, read as a whole from its onsets in order: a swung pair, a triplet figure, part of one."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from trainer.scoring.reading import (
    BEAT_EMPTY,
    BEAT_OFFBEAT,
    BEAT_OTHER,
    BEAT_PAIR,
    BEAT_PARTIAL,
    BEAT_SINGLE,
    BEAT_TRIPLET,
    SLOT_OFF,
    SLOT_ON,
    SLOT_OTHER,
    SLOT_TRIPLET_2,
    SLOT_TRIPLET_3,
    Bools,
    Floats,
)
from trainer.scoring.slots import Placed

__all__ = ["beat_kinds", "in_thirds"]

# Where two notes after the beat may lie: as a triplet's, or as two of four sixteenths.
_THIRDS = (1 / 3, 2 / 3)
_OF_SIXTEENTHS = ((1 / 4, 1 / 2), (1 / 4, 3 / 4), (1 / 2, 3 / 4))


def in_thirds(first: Floats, second: Floats) -> Bools:
    """Whether two notes after the beat (beats, (m,) each) are a triplet's second and third: within a sixth of a beat of
    its places, and nearer to them than to any two of four sixteenths."""

    def away(places: tuple[float, float]) -> Floats:
        return (first - places[0]) ** 2 + (second - places[1]) ** 2

    near = (np.abs(first - _THIRDS[0]) < 1 / 6) & (np.abs(second - _THIRDS[1]) < 1 / 6)
    nearest = np.all([away(_THIRDS) < away(places) for places in _OF_SIXTEENTHS], axis=0)
    return np.asarray(near & nearest, dtype=np.bool_)


def beat_kinds(b: Floats, placed: Placed, off_frac: float) -> tuple[NDArray[np.int8], NDArray[np.int8], Floats]:
    """What each beat holds (m,), and each note's slot and ideal fraction of the beat (n,)."""
    m = len(placed.on)
    on, count, first = placed.on >= 0, placed.n_between, placed.first_between
    base = placed.boundary[:-1]
    last = max(len(b) - 1, 0)
    p1 = np.where(first >= 0, (b[np.clip(first, 0, last)] if len(b) else 0.0) - base, np.nan)
    p2 = np.where(count >= 2, (b[np.clip(first + 1, 0, last)] if len(b) else 0.0) - base, np.nan)
    thirds = in_thirds(p1, p2)
    # A note at the first third alone is told from an off-beat only where the player's off-beat is clearly later.
    early = (p1 < (1 / 3 + off_frac) / 2) & (p1 > 1 / 6) if off_frac >= 0.58 else np.zeros(m, dtype=np.bool_)
    kind = np.full(m, BEAT_OTHER, dtype=np.int8)
    kind[~on & (count == 0)] = BEAT_EMPTY
    kind[on & (count == 0)] = BEAT_SINGLE
    kind[on & (count == 1)] = BEAT_PAIR
    kind[on & (count == 1) & early] = BEAT_PARTIAL
    kind[on & (count == 2) & thirds] = BEAT_TRIPLET
    kind[~on & (count == 2) & thirds] = BEAT_PARTIAL
    kind[~on & (count == 1)] = BEAT_OFFBEAT

    slot = np.full(len(b), SLOT_OTHER, dtype=np.int8)
    frac = np.full(len(b), np.nan)
    rows = placed.beat_row
    inside = (rows >= 0) & (rows < m)
    safe = np.clip(rows, 0, m - 1)
    kind_here = kind[safe]
    order = np.arange(len(b)) - first[safe]
    inner = inside & (first[safe] >= 0) & (order >= 0)
    is_on = np.zeros(len(b), dtype=np.bool_)
    is_on[placed.on[on]] = True
    inner &= ~is_on

    def mark(which: Bools, name: int, at: float) -> None:
        slot[which], frac[which] = name, at

    p1_note = p1[safe]
    late_one = p1_note >= (1 / 3 + off_frac) / 2
    mark(inner & (kind_here == BEAT_PAIR), SLOT_OFF, off_frac)
    mark(inner & (kind_here == BEAT_OFFBEAT) & late_one, SLOT_OFF, off_frac)
    mark(inner & (kind_here == BEAT_OFFBEAT) & ~late_one, SLOT_TRIPLET_2, 1 / 3)
    three = np.isin(kind_here, (BEAT_TRIPLET, BEAT_PARTIAL))
    mark(inner & three & (order == 0), SLOT_TRIPLET_2, 1 / 3)
    mark(inner & three & (order == 1), SLOT_TRIPLET_3, 2 / 3)
    mark(is_on, SLOT_ON, 0.0)
    return kind, slot, frac
