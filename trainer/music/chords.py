"""Chord symbols, roman numerals, and the scales that go with them.

Source of the interval tables: common-practice definitions (dominant seventh 0 4 7 10, and so on); the
tests hold them against general-purpose theory libraries.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from trainer.errors import UsageError
from trainer.music.pitch import Key, parse_note_name, spell_pc

__all__ = ["QUALITIES", "SCALES", "Chord", "degree_name", "numeral_chord", "parse_chord"]

# Quality as written after the root → semitones above the root.
QUALITIES: dict[str, tuple[int, ...]] = {
    "": (0, 4, 7),
    "m": (0, 3, 7),
    "7": (0, 4, 7, 10),
    "m7": (0, 3, 7, 10),
    "maj7": (0, 4, 7, 11),
    "6": (0, 4, 7, 9),
    "m6": (0, 3, 7, 9),
    "9": (0, 4, 7, 10, 2),
    "m9": (0, 3, 7, 10, 2),
    "13": (0, 4, 7, 10, 2, 9),
    "7#9": (0, 4, 7, 10, 3),
    "7b9": (0, 4, 7, 10, 1),
    "7#5": (0, 4, 8, 10),
    "7sus4": (0, 5, 7, 10),
    "sus4": (0, 5, 7),
    "dim": (0, 3, 6),
    "dim7": (0, 3, 6, 9),
    "m7b5": (0, 3, 6, 10),
    "aug": (0, 4, 8),
}
_SAME_QUALITY = {
    "min": "m", "-": "m", "min7": "m7", "-7": "m7", "M7": "maj7", "Δ": "maj7", "maj": "", "M": "",
    "°": "dim", "o": "dim", "°7": "dim7", "o7": "dim7", "ø": "m7b5", "ø7": "m7b5", "+": "aug", "7+": "7#5",
    "aug7": "7#5", "7♯9": "7#9", "7♭9": "7b9", "7♯5": "7#5", "m7♭5": "m7b5",
}  # fmt: skip

# Semitones above the scale's own root.
SCALES: dict[str, tuple[int, ...]] = {
    "major": (0, 2, 4, 5, 7, 9, 11),
    "mixolydian": (0, 2, 4, 5, 7, 9, 10),
    "dorian": (0, 2, 3, 5, 7, 9, 10),
    "natural_minor": (0, 2, 3, 5, 7, 8, 10),
    "major_pentatonic": (0, 2, 4, 7, 9),
    "minor_pentatonic": (0, 3, 5, 7, 10),
    "blues": (0, 3, 5, 6, 7, 10),
}


@dataclass(frozen=True, slots=True)
class Chord:
    """A chord: written root, pitch class of the root, quality (a key of `QUALITIES`), optional bass note."""

    root: str
    root_pc: int
    quality: str = "7"
    bass_pc: int | None = None

    @property
    def name(self) -> str:
        """As it is written on a chart: "C#dim7"."""
        return self.root + self.quality

    @property
    def lowest_pc(self) -> int:
        """The pitch class that the bass owes the chord: its written bass note, else its root."""
        return self.root_pc if self.bass_pc is None else self.bass_pc

    @property
    def intervals(self) -> tuple[int, ...]:
        """Semitones of the chord's notes above its root, root first."""
        return QUALITIES[self.quality]

    @property
    def pcs(self) -> tuple[int, ...]:
        """Pitch classes of the chord's notes, root first."""
        return tuple((self.root_pc + step) % 12 for step in self.intervals)

    @property
    def third(self) -> int | None:
        """Semitones of the third, or None for a suspended chord."""
        return next((step for step in (4, 3) if step in self.intervals[1:2]), None)

    @property
    def fifth(self) -> int | None:
        """Semitones of the fifth (7, or 6 and 8 for altered chords)."""
        return next((step for step in (7, 6, 8) if step in self.intervals), None)

    @property
    def seventh(self) -> int | None:
        """Semitones of the seventh (10 or 11; 9 for a diminished seventh), or None."""
        if self.quality == "dim7":
            return 9
        return next((step for step in (10, 11) if step in self.intervals), None)

    @property
    def is_minor(self) -> bool:
        return self.third == 3

    def transposed(self, semitones: int, key: Key) -> Chord:
        """The chord so many semitones higher, spelled for `key`."""
        pc = (self.root_pc + semitones) % 12
        bass = None if self.bass_pc is None else (self.bass_pc + semitones) % 12
        return Chord(spell_pc(pc, key), pc, self.quality, bass)


_SYMBOL = re.compile(r"([A-G][#b♯♭]?)([^/]*)(?:/([A-G][#b♯♭]?))?")


def parse_chord(text: str) -> Chord:
    """A chord symbol such as "C7", "F#m7", "Bbmaj7" or "C7/G"; `UsageError` says what is known."""
    match = _SYMBOL.fullmatch(text.strip())
    if match is None:
        raise UsageError(f'"{text}" is not a chord; expected a root and a quality, such as "C7" or "C#dim7"')
    root, pc = parse_note_name(match[1])
    quality = _SAME_QUALITY.get(match[2].strip(), match[2].strip())
    if quality not in QUALITIES:
        known = ", ".join(name or "(major)" for name in QUALITIES)
        raise UsageError(f'"{text}" has the quality "{match[2]}", which is not known; known: {known}')
    bass = parse_note_name(match[3])[1] if match[3] else None
    return Chord(root, pc, quality, bass)


_ROMAN = {"I": 0, "II": 2, "III": 4, "IV": 5, "V": 7, "VI": 9, "VII": 11}
_NUMERAL = re.compile(r"([b#]?)(VII|VI|IV|V|III|II|I|vii|vi|iv|v|iii|ii|i)(.*)")
_DEGREES = ("I", "bII", "II", "bIII", "III", "IV", "#IV", "V", "bVI", "VI", "bVII", "VII")


def numeral_chord(numeral: str, key: Key) -> Chord:
    """The chord that a numeral such as "IV7", "ii7" or "#iv°7" names in a key.

    Degrees count from the major scale of the tonic, in minor keys too (so the sixth of A minor is "bVI").
    A lower-case numeral has a minor third.
    """
    match = _NUMERAL.fullmatch(numeral)
    if match is None:
        raise UsageError(f'"{numeral}" is not a chord numeral such as "IV7"')
    shift = {"": 0, "b": -1, "#": 1}[match[1]]
    pc = (key.tonic_pc + _ROMAN[match[2].upper()] + shift) % 12
    suffix = _SAME_QUALITY.get(match[3], match[3])
    quality = suffix if match[2].isupper() or suffix.startswith(("dim", "m")) else "m" + suffix
    if quality not in QUALITIES:
        raise UsageError(f'"{numeral}" has a quality that is not known')
    return Chord(spell_pc(pc, key), pc, quality)


def degree_name(chord: Chord, key: Key) -> str:
    """The chord's degree in a key as a numeral without its seventh: "IV", "ii", "#iv°"."""
    numeral = _DEGREES[(chord.root_pc - key.tonic_pc) % 12]
    if chord.is_minor:
        head = numeral[0] if numeral[0] in "b#" else ""
        numeral = head + numeral[len(head) :].lower()
    if chord.fifth == 6 and chord.is_minor:
        numeral += "ø" if chord.quality == "m7b5" else "°"
    return numeral
