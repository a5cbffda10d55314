"""The bass fingerboard: tunings, and where a pitch can be played.

Strings are numbered as players do, from the highest-sounding (1) down; tuples run from the lowest.
Standard tuning, four strings: E1 A1 D2 G2 (MIDI 28 33 38 43); five: a low B0 (23) below; six: a high C3 (48) above too.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from itertools import pairwise

from trainer.errors import UsageError
from trainer.music.pitch import note_name, parse_note_name

__all__ = ["FIVE_STRING", "FOUR_STRING", "SIX_STRING", "Tuning", "frettings", "parse_tuning"]


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

    @property
    def names(self) -> tuple[str, ...]:
        """The open strings' names from the lowest: "E", "A", "D", "G"."""
        return tuple(note_name(pitch).rstrip("0123456789-") for pitch in self.open_pitches)


FOUR_STRING = Tuning((28, 33, 38, 43))
FIVE_STRING = Tuning((23, 28, 33, 38, 43))
SIX_STRING = Tuning((23, 28, 33, 38, 43, 48), 24)
_BY_STRINGS = {4: FOUR_STRING, 5: FIVE_STRING, 6: SIX_STRING}


def parse_tuning(n_strings: int | None, names: str | None) -> Tuning | None:
    """The tuning that is asked for by the number of strings and their names from the lowest, such as "DADG".

    Each string is taken at the octave nearest to the usual one. None where nothing is asked; `UsageError` for what is
    no bass.
    """
    if n_strings is not None and n_strings not in _BY_STRINGS:
        raise UsageError(f"--strings {n_strings}: expected 4, 5 or 6")
    if names is None:
        return None if n_strings is None else _BY_STRINGS[n_strings]
    found = re.findall(r"[A-Ga-g][#b♯♭]?", names)
    rest = re.sub(r"[A-Ga-g][#b♯♭]?|[\s,-]", "", names)
    if rest or len(found) not in _BY_STRINGS or (n_strings is not None and len(found) != n_strings):
        many = str(n_strings) if n_strings is not None else "4, 5 or 6"
        raise UsageError(f'--tuning "{names[:40]}": expected the names of {many} strings from the lowest, such as EADG')
    usual = _BY_STRINGS[len(found)]
    opened = []
    for text, standard in zip(found, usual.open_pitches, strict=True):
        pc = parse_note_name(text[0].upper() + text[1:])[1]
        opened.append(standard + (pc - standard + 6) % 12 - 6)
    if any(high <= low for low, high in pairwise(opened)):
        raise UsageError(f'--tuning "{names[:40]}": expected strings that rise from the lowest, such as EADG or DADG')
    return Tuning(tuple(opened), usual.n_frets)


def frettings(pitch: int, tuning: Tuning = FOUR_STRING) -> tuple[tuple[int, int], ...]:
    """(string number from the highest, fret) of every place a MIDI pitch can be played; empty if there is none."""
    n = len(tuning.open_pitches)
    return tuple(
        (n - idx, pitch - open_pitch)
        for idx, open_pitch in enumerate(tuning.open_pitches)
        if 0 <= pitch - open_pitch <= tuning.n_frets
    )
