"""The note table, takes, recorder, journal, MIDI files, and the library of takes."""

from trainer.take.model import PROFILES, Calibration, Gap, Take, TakeHeader
from trainer.take.notes import (
    FLAG_CUT,
    FLAG_GLITCH,
    FLAG_NO_RELEASE,
    NOTE_DTYPE,
    empty_notes,
    notes_from_rows,
    sorted_notes,
)

__all__ = [
    "FLAG_CUT",
    "FLAG_GLITCH",
    "FLAG_NO_RELEASE",
    "NOTE_DTYPE",
    "PROFILES",
    "Calibration",
    "Gap",
    "Take",
    "TakeHeader",
    "empty_notes",
    "notes_from_rows",
    "sorted_notes",
]
