"""The organ's turning speaker: slow under verses, fast under solos, with the second it takes from one to the other.

Its angle is a function of the song's time alone, so any block can be made by itself. Speeds, and how long it takes to
change them, are those such cabinets are usually built with (about 50 and 400 turns a minute); depths are our choice.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

__all__ = ["FAST_HZ", "SLOW_HZ", "Speaker"]

_TAU = 2.0 * np.pi
SLOW_HZ, FAST_HZ = 0.8, 6.6  # turns a second
_RISE_S, _FALL_S = 1.0, 1.5  # from slow to fast, and back: the horn runs out
_DELAY_S = 0.00014  # how far the horn's mouth comes nearer and goes away: 1 cent either way when slow, 10 when fast
_SWELL, _SECOND_SWELL = 0.11, 0.04
_SIDES = (0.0, 0.5 * np.pi)  # the two microphones stand a quarter of a turn apart


class Speaker:
    """`fast_s`: (from, to) seconds in which the switch stands on fast, in order and apart; slow before and after."""

    def __init__(self, fast_s: Iterable[tuple[float, float]], sample_rate_hz: int) -> None:
        self.sample_rate_hz = sample_rate_hz
        self.pad_frames = int(np.ceil(2.0 * _DELAY_S * sample_rate_hz)) + 1  # of sound before a block that it needs
        switches = [(at_s, hz) for span in fast_s for at_s, hz in ((span[0], FAST_HZ), (span[1], SLOW_HZ))]
        # Knots between which the speed changes evenly: seconds, turns a second.
        knots = [(0.0, SLOW_HZ)]
        for i, (at_s, goal_hz) in enumerate(switches):
            until_s = switches[i + 1][0] if i + 1 < len(switches) else np.inf
            now_hz = knots[-1][1]
            pace = (FAST_HZ - SLOW_HZ) / (_RISE_S if goal_hz > now_hz else -_FALL_S)
            there_s = at_s + (goal_hz - now_hz) / pace
            if at_s > knots[-1][0]:
                knots.append((at_s, now_hz))
            if there_s > until_s:  # switched back on the way
                there_s, goal_hz = until_s, now_hz + pace * (until_s - at_s)
            if there_s > knots[-1][0]:
                knots.append((there_s, goal_hz))
        self._at_s, self._hz = (np.array(column, dtype=np.float64) for column in zip(*knots, strict=True))
        steps_s = np.diff(self._at_s)
        self._pace = np.append(np.diff(self._hz) / steps_s, 0.0)
        self._turns = np.append(0.0, np.cumsum(0.5 * (self._hz[:-1] + self._hz[1:]) * steps_s))

    def turns(self, at_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """Turns made since the start at seconds (n,), rising; (n,)."""
        knot = np.maximum(np.searchsorted(self._at_s, at_s, side="right") - 1, 0)
        since_s = at_s - self._at_s[knot]
        out: NDArray[np.float64] = self._turns[knot] + since_s * (self._hz[knot] + 0.5 * self._pace[knot] * since_s)
        return out

    def turned(self, dry: NDArray[np.float32], first_frame: int) -> NDArray[np.float32]:
        """(n, 2) as the speaker throws it into the room, of `dry` (`pad_frames` + n, 2); `first_frame` of the n."""
        pad = self.pad_frames
        n = dry.shape[0] - pad
        rows = np.arange(pad, pad + n)
        angle = _TAU * self.turns(np.arange(first_frame, first_frame + n) / self.sample_rate_hz)
        out = np.empty((n, 2), dtype=np.float32)
        for side, lead in enumerate(_SIDES):
            wave = np.sin(angle + lead)
            late = (_DELAY_S * self.sample_rate_hz) * (1.0 + wave)  # frames
            whole = late.astype(np.intp)
            share = (late - whole).astype(np.float32)
            here = rows - whole
            row = dry[:, side]
            heard = row[here] + share * (row[here - 1] - row[here])
            out[:, side] = heard * (1.0 + _SWELL * wave + _SECOND_SWELL * np.sin(2.0 * angle + lead))
        return out
