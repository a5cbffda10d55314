"""A take: what was played, on which beat axis, with everything that scoring must know about it.

Raw times are stored; latency lives in the header's calibration and is applied when scoring.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Annotated, Any

import msgspec
import numpy as np
from numpy.typing import NDArray

from trainer.clock.tempo import TempoMap
from trainer.errors import FileFormatError
from trainer.profiles import Profile
from trainer.session import Session
from trainer.take.notes import Notes, empty_notes

__all__ = [
    "MAX_BEATS",
    "MAX_HOURS",
    "PITCHES",
    "Calibration",
    "Gap",
    "Second",
    "Take",
    "TakeHeader",
    "Text",
    "calibration_from",
    "furthest",
    "within_a_song",
]

MAX_HOURS = 24.0  # of a take; our choice
MAX_BEATS = 500_000.0  # a day at 240 bpm is 345,600; our choice
PITCHES = (-48.0, 175.0)  # MIDI's, bent and transposed by four octaves
MAX_SECONDS = 100_000.0  # more than a day; our choice
Second = Annotated[float, msgspec.Meta(ge=-MAX_SECONDS, le=MAX_SECONDS)]
Text = Annotated[str, msgspec.Meta(max_length=1000)]


@dataclass(frozen=True, slots=True)
class Calibration:
    """Measured latency of an input with its output, in milliseconds.

    A note of fundamental f0 (Hz) is reported `base_ms + 1000 * periods / f0` after it was played against what was
    heard. `base_ci95_ms` and `periods_ci95` are its intervals; `monitor` says whether it was measured with the
    monitor on; `n` counts the notes it rests on.
    """

    base_ms: Annotated[float, msgspec.Meta(ge=-10_000.0, le=10_000.0)]
    periods: Annotated[float, msgspec.Meta(ge=-100.0, le=100.0)] = 0.0
    base_ci95_ms: tuple[float, float] | None = None
    periods_ci95: tuple[float, float] | None = None
    output_ms: float | None = None
    input_ms: float | None = None
    monitor: bool = False
    n: Annotated[int, msgspec.Meta(ge=0)] = 0
    made: Text = ""
    ports: tuple[Text, Text] = ("", "")


def calibration_from(kept: Any, source: str) -> Calibration:
    """A calibration from its plain data; `FileFormatError` naming `source` for anything else."""
    try:
        return msgspec.convert(kept, Calibration)
    except msgspec.ValidationError as error:
        raise FileFormatError(f"{source}: not a calibration: {error}; run trainer calibrate again") from None


@dataclass(frozen=True, slots=True)
class Gap:
    """A span of the take (seconds from the first downbeat) in which our side failed: an xrun, a lost port, a sleep."""

    start_s: Second
    end_s: Second
    cause: Text


@dataclass(frozen=True, slots=True)
class TakeHeader:
    """What is known about how a take was made. `foreign`: a MIDI file that the trainer did not write.

    `clock_map` and `hardware` are plain data for the record: fits used, port and stream names. `downbeat_from` says
    where the first downbeat came from: "take", "marker", "option", "auto" or "start of file".
    """

    foreign: bool = False
    profile: Profile = "pad"
    created: str = ""
    scorer: str = ""
    calibration: Calibration | None = None
    gaps: tuple[Gap, ...] = ()
    hardware: Mapping[str, Any] = field(default_factory=dict)
    clock_map: Mapping[str, Any] = field(default_factory=dict)
    lateness: Mapping[str, Any] = field(default_factory=dict)
    downbeat_from: str = "take"
    velocity_floor: int = 0
    completed: bool = True
    extra: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class Take:
    """The player's notes and the band's, with the beat axis that both are read on.

    `notes` and `band` are `NOTE_DTYPE` tables in seconds from the first downbeat of the first chorus; `tempo` maps
    those seconds to beats. `band` holds *intended* times (drums on channel 9, counted from 0); it is empty for a file
    without one. `session` is None for a foreign file scored without a session.
    """

    notes: Notes
    tempo: TempoMap
    session: Session | None = None
    band: Notes = field(default_factory=empty_notes)
    header: TakeHeader = field(default_factory=TakeHeader)
    source: str = ""
    sha256: str = ""

    @property
    def bends(self) -> NDArray[np.float64]:
        """(m, 3): second (as it was reported), channel and semitones of each bend that is known, in order of time."""
        line = np.asarray(self.header.extra.get("bends", ()), dtype=np.float64).reshape(-1, 3)
        return line[np.argsort(line[:, 0], kind="stable")]


def within_a_song(notes: Notes, tempo: TempoMap, source: str) -> None:
    """`FileFormatError` for a note that begins or ends where no song is (what is written of it would be as long), or
    that no instrument plays.
    """
    if not len(notes):
        return
    if not np.all((notes["pitch"] >= PITCHES[0]) & (notes["pitch"] <= PITCHES[1])):  # nor is "not a number"
        raise FileFormatError(f"{source}: a note whose pitch no instrument has; expected MIDI's 0 to 127")
    furthest_s, furthest_beats = furthest(notes, tempo)
    if not (furthest_s <= MAX_HOURS * 3600 and furthest_beats <= MAX_BEATS):
        raise FileFormatError(
            f"{source}: notes {furthest_s / 3600:.1f} hours or {furthest_beats:.0f} beats "
            f"from the first downbeat; expected at most {MAX_HOURS:g} hours and {MAX_BEATS:.0f} beats; "
            "cut the file into songs"
        )


def furthest(notes: Notes, tempo: TempoMap) -> tuple[float, float]:
    """How far from the first downbeat a note begins or ends at most: seconds and beats; 0 without notes."""
    if not len(notes):
        return 0.0, 0.0
    # A second more to either side: latencies are looked for there, and a tempo of millions fills it with beats.
    ends_s = np.concatenate((notes["onset_s"] - 1.0, notes["onset_s"] + notes["duration_s"] + 1.0))
    return float(np.abs(ends_s).max()), float(np.abs(tempo.beats_at(ends_s)).max())
