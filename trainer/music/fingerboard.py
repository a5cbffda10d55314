"""The bass fingerboard: tunings, and where a pitch can be played.

Strings are numbered as players do, from the highest-sounding (1) down; tuples run from the lowest.
Standard tuning, four strings: E1 A1 D2 G2 (MIDI 28 33 38 43); five: a low B0 (23) below.
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["FIVE_STRING", "FOUR_STRING", "Tuning", "places"]


@dataclass(frozen=True, slots=True)
class Tuning:
    """Open strings from the lowest, as MIDI notes, and the number of frets."""

    open_pitches: tuple[int, ...]
    n_frets: int = 20

    @property
    def lowest(self) -> int:
        return self.open_pitches[0]

    @property
    def highest(self) -> int:
        return self.open_pitches[-1] + self.n_frets


FOUR_STRING = Tuning((28, 33, 38, 43))
FIVE_STRING = Tuning((23, 28, 33, 38, 43))


def places(pitch: int, tuning: Tuning = FOUR_STRING) -> tuple[tuple[int, int], ...]:
    """(string number from the highest, fret) of every place a MIDI pitch can be played; empty if there is none."""
    n = len(tuning.open_pitches)
    return tuple(
        (n - idx, pitch - open_pitch)
        for idx, open_pitch in enumerate(tuning.open_pitches)
        if 0 <= pitch - open_pitch <= tuning.n_frets
    )
