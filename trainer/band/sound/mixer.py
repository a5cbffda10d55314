"""From parts to what is heard: gains, and a limiter that never lets a sample over full scale.

Two stages. A `Ducker` remembers how loud it was of late: where parts are turned up together, it takes all of it down
within 1.3 ms and lets it come back over seconds, so that a loud mix is quieter instead of torn. Behind it stands
`limit`, which has no memory: below the knee it does nothing, above it bends smoothly towards the ceiling. So no setting
of gains can pass full scale; and where nothing is over `DUCK_FROM`, a block alone is the same as in its place.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["CEILING", "DEFAULT_GAINS", "DUCK_FROM", "KNEE", "Ducker", "limit"]

KNEE = 0.72  # of full scale; our choice
CEILING = 0.98
DUCK_FROM = 0.85  # peaks above this take the whole mix down; our choice, as the times below
_PIECE_FRAMES = 256
_ATTACK_FRAMES = 64
_RELEASE_S = 1.5
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


class Ducker:
    """Mixes blocks one after another with a slow gain over all of it. Not for blocks in any order."""

    __slots__ = ("_keeps", "_ramp", "gain")

    def __init__(self, sample_rate_hz: int) -> None:
        self.gain = 1.0
        self._keeps = float(np.exp(-1.0 / (_RELEASE_S * sample_rate_hz)))
        self._ramp = np.linspace(0.0, 1.0, _ATTACK_FRAMES, dtype=np.float32)[:, None]

    def mix(self, stems: NDArray[np.float32], gains: Sequence[float] | NDArray[Any], out: NDArray[np.float32]) -> None:
        """Sum `stems` (n_parts, n, 2) by `gains` (n_parts,) into `out` (n, 2), ducked by what came before and by
        itself, limited to `CEILING`."""
        np.einsum("p,pns->ns", np.asarray(gains, dtype=np.float32), stems, out=out)
        for first in range(0, out.shape[0], _PIECE_FRAMES):
            self._duck(out[first : first + _PIECE_FRAMES])
        limit(out)

    def _duck(self, piece: NDArray[np.float32]) -> None:
        peak = float(np.abs(piece).max(initial=0.0))
        if not peak < 1e6:  # not-a-number, or nothing that music can be: the limiter's business, not to be remembered
            return
        if self.gain == 1.0 and peak <= DUCK_FROM:
            return
        was, n = self.gain, piece.shape[0]
        goal = DUCK_FROM / peak if peak > DUCK_FROM else 1.0
        if goal < was:
            self.gain = goal
            m = min(n, _ATTACK_FRAMES)
            piece[:m] *= was + (goal - was) * self._ramp[:m]
            piece[m:] *= goal
            return
        now = 1.0 - (1.0 - was) * self._keeps**n
        self.gain = 1.0 if now > 0.999 else min(now, goal)
        piece *= np.linspace(was, self.gain, n, dtype=np.float32)[:, None]
