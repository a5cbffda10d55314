"""What a MIDI message is: how long, whole or not, and how far a bend bends.

Source: MIDI 1.0 detailed specification (status bytes and their data; controllers; RPN 0), from memory. Two of its
rules, because readers differ in them: of a controller in two parts, the upper one coming in sets the lower one to 0;
the pitch wheel is fourteen bits about a centre of 2000 hex. How far its top value bends is left open there: taken in
even steps either way (our choice), it is one step short of the range.
"""

from __future__ import annotations

from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "BEND_RANGE_SEMITONES",
    "WHEEL_CENTRE",
    "BendRange",
    "is_channel_message",
    "is_whole",
    "n_data_bytes",
    "settled_bends",
    "wheel_frac",
]

BEND_RANGE_SEMITONES = 2.0  # until RPN 0 says otherwise (General MIDI 1)
WHEEL_CENTRE = 0x2000
# A tracked string's first bend comes within about 20 ms; the median by time over this span rides over vibrato and the
# start of a slide. Our choice.
SETTLES_FROM_S, SETTLES_TO_S = 0.030, 0.250
# Data bytes that follow a status: channel messages by their upper four bits, system common by the whole byte.
_N_DATA = {0x8: 2, 0x9: 2, 0xA: 2, 0xB: 2, 0xC: 1, 0xD: 1, 0xE: 2}
_N_COMMON = {0xF1: 1, 0xF2: 2, 0xF3: 1}

Floats: TypeAlias = NDArray[np.float64]


def n_data_bytes(status: int) -> int:
    """How many data bytes follow a status byte; 0 for real-time and for what MIDI 1.0 leaves undefined."""
    return _N_COMMON.get(status, 0) if status >= 0xF0 else _N_DATA[status >> 4]


def is_whole(data: bytes) -> bool:
    """One message and nothing else: a status with all of its data bytes. System exclusive is none that we read."""
    return (
        bool(data)
        and data[0] >= 0x80
        and data[0] not in (0xF0, 0xF7)
        and len(data) == 1 + n_data_bytes(data[0])
        and max(data[1:], default=0) < 0x80
    )


def is_channel_message(data: bytes) -> bool:
    """A whole message that a take keeps: note, controller, program or bend (not pressure or system)."""
    return is_whole(data) and data[0] < 0xF0 and data[0] & 0xF0 not in (0xA0, 0xD0)


def wheel_frac(wheel: Any) -> Any:
    """A pitch wheel's 14 bits (an int or an array) as a share of its range, -1 to just under 1."""
    return (wheel - WHEEL_CENTRE) / WHEEL_CENTRE


class BendRange:
    """How far one channel's wheel reaches: `semitones`, as its controllers set it (RPN 0: semitones, then cents)."""

    __slots__ = ("_cents", "_lsb", "_msb", "_whole", "semitones")

    def __init__(self) -> None:
        self._msb = self._lsb = 127  # no parameter is addressed
        self._whole, self._cents = int(BEND_RANGE_SEMITONES), 0
        self.semitones = BEND_RANGE_SEMITONES

    def feed(self, number: int, level: int) -> bool:
        """One controller; whether it set the range. Anything that has nothing to do with it is passed over."""
        if number == 101:
            self._msb = level
        elif number == 100:
            self._lsb = level
        elif number in (98, 99, 121):  # a non-registered parameter is addressed, or none: data entry is not for us
            self._msb = self._lsb = 127
        elif number in (6, 38) and (self._msb, self._lsb) == (0, 0):
            self._whole, self._cents = (level, 0) if number == 6 else (self._whole, level)
            self.semitones = self._whole + self._cents / 100.0
            return True
        return False


def settled_bends(at_s: Floats, bends: Floats, onset_s: Floats, end_s: Floats) -> Floats:
    """Where each note's bend settles, (n,) semitones: the median by time from 30 to 250 ms after its onset.

    `at_s` (m,) rising seconds, `bends` (m,) semitones from each on. A note shorter than 30 ms takes the bend at its
    end; without any bend before, 0. Notes need no order.
    """
    if not len(at_s):
        return np.zeros(len(onset_s))
    from_s, to_s = onset_s + SETTLES_FROM_S, np.minimum(end_s, onset_s + SETTLES_TO_S)
    short = to_s <= from_s
    from_s, to_s = np.where(short, end_s, from_s), np.where(short, end_s, to_s)
    first = np.searchsorted(at_s, from_s, side="right") - 1
    last = np.searchsorted(at_s, to_s, side="left") - 1
    out: Floats = np.where(first >= 0, bends[np.clip(first, 0, None)], 0.0)
    for row in np.flatnonzero(last > first).tolist():
        steps = slice(int(first[row]) + 1, int(last[row]) + 1)
        values = np.append(out[row], bends[steps])
        held_s = np.diff(np.concatenate(([from_s[row]], at_s[steps], [to_s[row]])))
        order = np.argsort(values, kind="stable")
        passed = np.cumsum(held_s[order])
        out[row] = values[order[np.searchsorted(passed, passed[-1] / 2.0)]]
    return out
