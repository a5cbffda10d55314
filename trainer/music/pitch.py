"""Pitch classes, their names, and keys.

Conventions: pitch class 0 is C; MIDI note 60 is C4 (so the open low string of a bass, MIDI 28, is E1).
Names are written with ASCII accidentals ("Bb", "F#"); "♭" and "♯" are read as well.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from trainer.errors import UsageError

__all__ = ["Key", "note_name", "parse_key", "parse_note_name", "spell_pc"]

_LETTER_PC = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}
_LETTERS = "CDEFGAB"
_SHARP = ("C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B")
_FLAT = ("C", "Db", "D", "Eb", "E", "F", "Gb", "G", "Ab", "A", "Bb", "B")
# Accidentals in the signature: sharps positive. Major keys on the circle of fifths (standard notation).
_MAJOR_FIFTHS = {
    "C": 0, "G": 1, "D": 2, "A": 3, "E": 4, "B": 5, "F#": 6, "C#": 7,
    "F": -1, "Bb": -2, "Eb": -3, "Ab": -4, "Db": -5, "Gb": -6, "Cb": -7,
}  # fmt: skip
_MINOR_FIFTHS = {
    "A": 0, "E": 1, "B": 2, "F#": 3, "C#": 4, "G#": 5, "D#": 6, "A#": 7,
    "D": -1, "G": -2, "C": -3, "F": -4, "Bb": -5, "Eb": -6, "Ab": -7,
}  # fmt: skip
# Letter steps from the tonic and semitones of the name for each chromatic degree, as players write it:
# ♭2, ♭3, ♭6, ♭7 as flats, the tritone as a sharp fourth.
_DEGREE_LETTER = (0, 1, 1, 2, 2, 3, 3, 4, 5, 5, 6, 6)

_NOTE = re.compile(r"([A-Ga-g])([#b♯♭]{0,2})")


def parse_note_name(text: str) -> tuple[str, int]:
    """A note name without octave as (name, pitch class); `UsageError` for anything else."""
    match = _NOTE.fullmatch(text.strip())
    if match is None:
        raise UsageError(f'"{text}" is not a note name; expected a letter A to G with # or b, such as "Bb"')
    accidentals = match[2].replace("♯", "#").replace("♭", "b")
    shift = accidentals.count("#") - accidentals.count("b")
    letter = match[1].upper()
    return letter + accidentals, (_LETTER_PC[letter] + shift) % 12


@dataclass(frozen=True, slots=True)
class Key:
    """A key: the tonic's written name, its pitch class, and whether it is minor."""

    tonic: str
    tonic_pc: int
    minor: bool = False

    @property
    def name(self) -> str:
        """As a session file writes it: "G", "Am"."""
        return self.tonic + ("m" if self.minor else "")

    @property
    def fifths(self) -> int:
        """Sharps (positive) or flats (negative) in the key signature."""
        return (_MINOR_FIFTHS if self.minor else _MAJOR_FIFTHS)[self.tonic]

    def transposed(self, semitones: int) -> Key:
        """The key so many semitones higher, in its usual spelling (fewest accidentals; flats on a tie)."""
        table = _MINOR_FIFTHS if self.minor else _MAJOR_FIFTHS
        pc = (self.tonic_pc + semitones) % 12
        names = [name for name in table if parse_note_name(name)[1] == pc]
        best = min(names, key=lambda name: (abs(table[name]), table[name]))
        return Key(best, pc, self.minor)


def parse_key(text: str) -> Key:
    """A key such as "G", "Bb", "Am" or "F#m"; `UsageError` names what is allowed."""
    body = text.strip()
    minor = False
    for suffix in (" minor", "min", "m", " major", "maj"):
        if body.endswith(suffix) and len(body) > len(suffix):
            minor = suffix in (" minor", "min", "m")
            body = body[: -len(suffix)].strip()
            break
    match = _NOTE.fullmatch(body)
    allowed = "a tonic such as G, Bb or F#, with m for minor: Am"
    if match is None:
        raise UsageError(f'"{text}" is not a key; allowed: {allowed}')
    name, pc = parse_note_name(body)
    table = _MINOR_FIFTHS if minor else _MAJOR_FIFTHS
    if name not in table:
        usual = Key("A" if minor else "C", 9 if minor else 0, minor).transposed(pc - (9 if minor else 0))
        raise UsageError(f'"{text}" has no key signature; the usual name is "{usual.name}"')
    return Key(name, pc, minor)


def spell_pc(pc: int, key: Key) -> str:
    """The name a player in this key would write for a pitch class.

    Degrees are spelled from the tonic (♭3, ♭7 as flats of their letter, the tritone as ♯4); where that
    would need a double accidental or a name like Cb, the plain sharp or flat name is used.
    """
    interval = (pc - key.tonic_pc) % 12
    letter = _LETTERS[(_LETTERS.index(key.tonic[0]) + _DEGREE_LETTER[interval]) % 7]
    shift = (pc - _LETTER_PC[letter] + 6) % 12 - 6
    if abs(shift) > 1 or (letter + ("#" * shift if shift > 0 else "b" * -shift)) in ("Cb", "Fb", "B#", "E#"):
        return (_FLAT if key.fifths < 0 or (key.fifths == 0 and shift < 0) else _SHARP)[pc % 12]
    return letter + ("#" * shift if shift > 0 else "b" * -shift)


def note_name(midi_pitch: float, key: Key | None = None) -> str:
    """Name with octave of the nearest MIDI note: 28 → "E1" (sharps, or the key's spelling)."""
    pitch = round(midi_pitch)
    name = spell_pc(pitch % 12, key) if key is not None else _SHARP[pitch % 12]
    octave = pitch // 12 - 1
    if name.startswith("Cb"):
        octave += 1
    elif name.startswith("B#"):
        octave -= 1
    return f"{name}{octave}"
