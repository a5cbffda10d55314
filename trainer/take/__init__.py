"""The note table, takes, recorder, journal, MIDI files, and the library of takes."""

from trainer.take.model import Calibration, Gap, Take, TakeHeader
from trainer.take.notes import (
    FLAG_CUT,
    FLAG_DEAD,
    FLAG_GLITCH,
    FLAG_NO_RELEASE,
    NOTE_DTYPE,
    empty_notes,
    notes_from_rows,
    sorted_notes,
)
from trainer.take.reading import read_take
from trainer.take.store import SavedTake, TakeEntry, list_takes, save_take, takes_dir, write_take

__all__ = [
    "FLAG_CUT",
    "FLAG_DEAD",
    "FLAG_GLITCH",
    "FLAG_NO_RELEASE",
    "NOTE_DTYPE",
    "Calibration",
    "Gap",
    "SavedTake",
    "Take",
    "TakeEntry",
    "TakeHeader",
    "empty_notes",
    "list_takes",
    "notes_from_rows",
    "read_take",
    "save_take",
    "sorted_notes",
    "takes_dir",
    "write_take",
]
