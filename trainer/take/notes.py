"""The note table: the player's (or the band's) notes on the take's own axis.

Seconds count from the first downbeat of the first chorus; `pitch` is the sounding pitch in MIDI semitones
(note number plus the bend once it has settled); sorted by onset.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "FLAG_CUT",
    "FLAG_DEAD",
    "FLAG_GLITCH",
    "FLAG_NO_RELEASE",
    "FLAG_SLID",
    "FLAG_SLURRED",
    "JOINED",
    "NOTE_DTYPE",
    "PAD_VELOCITY",
    "PICKED_VELOCITY",
    "empty_notes",
    "flag_near_gaps",
    "near_spans",
    "notes_from_rows",
    "sorted_notes",
]

NOTE_DTYPE: np.dtype[Any] = np.dtype(
    [
        ("onset_s", "f8"),
        ("duration_s", "f8"),
        ("pitch", "f4"),
        ("velocity", "u1"),
        ("channel", "u1"),
        ("flags", "u1"),
    ]
)

FLAG_CUT = 1  # no note-off came: the length was cut by the next note, the port's loss or the end
FLAG_NO_RELEASE = 2  # the input cannot send releases (keyboard pad): the length means nothing
FLAG_GLITCH = 4  # near an audio glitch or a gap of ours: excused from timing
FLAG_DEAD = 8  # a stroke without pitch (a muted string, heard by its sound): rhythm only; its pitch means nothing
# Not struck: a pitch that a bend inside a sounding note leads to (`take.bent`), at once (hammer-on, pull-off) or by a
# slide.
FLAG_SLURRED, FLAG_SLID = 16, 32
JOINED = FLAG_SLURRED | FLAG_SLID
# A computer keyboard sends no force. The key that picks the root for its player has a force of its own, which nobody
# hears and every file keeps, so that a take can tell what was picked from what was found. Our choice.
PAD_VELOCITY, PICKED_VELOCITY = 90, 88

# Notes this long before and after a fault of ours are excused; our choice.
GLITCH_BEFORE_S, GLITCH_AFTER_S = 0.05, 0.25

Notes = NDArray[Any]


def empty_notes(n: int = 0) -> Notes:
    """A zeroed note table of n rows."""
    return np.zeros(n, dtype=NOTE_DTYPE)


def sorted_notes(notes: Notes) -> Notes:
    """The table ordered by onset, then pitch (stable)."""
    return notes[np.lexsort((notes["pitch"], notes["onset_s"]))]


def near_spans(
    seconds: NDArray[np.float64], spans: Iterable[tuple[float, float]], before_s: float, after_s: float
) -> NDArray[np.bool_]:
    """Which times lie in a span (start, end), or so shortly before or after it: (n,)."""
    out = np.zeros(len(seconds), dtype=np.bool_)
    for start_s, end_s in spans:
        out |= (seconds >= start_s - before_s) & (seconds <= end_s + after_s)
    return out


def flag_near_gaps(notes: Notes, spans: Iterable[tuple[float, float]]) -> None:
    """Flag the notes in or near spans (start, end) in which our side failed."""
    notes["flags"][near_spans(notes["onset_s"], spans, GLITCH_BEFORE_S, GLITCH_AFTER_S)] |= FLAG_GLITCH


def notes_from_rows(rows: Iterable[Sequence[float]]) -> Notes:
    """A sorted table from (onset_s, duration_s, pitch, velocity[, channel[, flags]]) rows."""
    filled = [tuple(row) + (0,) * (6 - len(row)) for row in rows]
    return sorted_notes(np.array(filled, dtype=NOTE_DTYPE)) if filled else empty_notes()
