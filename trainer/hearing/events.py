"""What the ear says while it listens. Every stroke has a serial number; all that is said of it carries that number.

Frames count from the first sample fed, at the sound's own rate; they are fractions, since an onset lies between
samples.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

__all__ = [
    "DeadStroke",
    "Event",
    "NoteEnded",
    "NoteHeard",
    "PitchAmended",
    "StrokeSeen",
    "velocity_of",
]

_FULL_DB: Final = -6.0  # root mean square of the hardest stroke of a well-set input, dBFS (our choice)


@dataclass(frozen=True, slots=True)
class StrokeSeen:
    """A string was struck; its pitch is not known yet."""

    stroke: int
    onset_frames: float


@dataclass(frozen=True, slots=True)
class NoteHeard:
    """The first label of a stroke: pitch in fractional semitones (69 is A4)."""

    stroke: int
    onset_frames: float
    pitch: float
    velocity: int
    loudness_db: float


@dataclass(frozen=True, slots=True)
class PitchAmended:
    """A better reading of a note's pitch; `settled` is the last but for a slide."""

    stroke: int
    pitch: float
    settled: bool


@dataclass(frozen=True, slots=True)
class NoteEnded:
    """The string has stopped, or was struck again."""

    stroke: int
    end_frames: float


@dataclass(frozen=True, slots=True)
class DeadStroke:
    """A stroke without pitch: rhythm, never landing. It may also take back a stroke seen too soon: then its loudness
    is low."""

    stroke: int
    onset_frames: float
    velocity: int
    loudness_db: float


Event = StrokeSeen | NoteHeard | PitchAmended | NoteEnded | DeadStroke


def velocity_of(loudness_db: float, full_db: float = _FULL_DB) -> int:
    """MIDI velocity 1–127 of a loudness: amplitude as the square of velocity (usual among synthesizers), 127 at
    `full_db`."""
    return int(min(127, max(1, round(127 * 10 ** ((loudness_db - full_db) / 40)))))
