"""From parts to what is heard: gains, and a limiter that never lets a sample over full scale.

The limiter has no memory: below the knee it does nothing, above it bends smoothly towards the ceiling. So any block can
be mixed by itself, in any order, and no setting of gains can pass full scale.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["CEILING", "DEFAULT_GAINS", "KNEE", "limit", "mix"]

KNEE = 0.72  # of full scale; our choice
CEILING = 0.98
# Gains of `trainer.band.PARTS` that a player starts with (1 is the level the band is balanced at).
DEFAULT_GAINS: tuple[float, ...] = (1.0, 1.0, 1.0, 1.0, 1.0, 1.0)


def limit(out: NDArray[np.float32]) -> None:
    """Bend what is over the knee towards the ceiling, in place. Not-a-number becomes silence."""
    top = np.abs(out).max(initial=0.0)
    if top <= KNEE:  # False for not-a-number too
        return
    over = ~(np.abs(out) <= KNEE)
    loud = np.nan_to_num(out[over], nan=0.0, posinf=1e6, neginf=-1e6)
    size = np.abs(loud)
    bent = np.where(size <= KNEE, size, KNEE + (CEILING - KNEE) * np.tanh((size - KNEE) / (CEILING - KNEE)))
    out[over] = np.copysign(bent, loud)


def mix(stems: NDArray[np.float32], gains: Sequence[float] | NDArray[Any], out: NDArray[np.float32]) -> None:
    """Sum `stems` (n_parts, n, 2) by `gains` (n_parts,) into `out` (n, 2), limited to `CEILING`."""
    weights = np.asarray(gains, dtype=np.float32)
    np.einsum("p,pns->ns", weights, stems, out=out)
    limit(out)
