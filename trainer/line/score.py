"""What a model line is: a note table on the beat axis with strings and frets, and the devices that it claims.

Conventions: beats are quarter notes, 0.0 the first downbeat of chorus 1; the swing of the chart is in the onsets,
exactly.
Strings count from the highest-sounding (1); fret 0 is the open string.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from trainer.music import FOUR_STRING, Tuning
from trainer.session import Chart

__all__ = ["DEVICES", "LINE_DTYPE", "Claim", "LineScore"]

# The devices of a line, in the words of the trade (the project's definitions).
DEVICES = (
    "root_shuffle", "pentatonic_riff", "walking_line", "chromatic_approach", "scale_descent", "triplet_figure",
    "octave_shift", "pedal", "turnaround_figure", "doubled_notes", "box_figure", "boogie_figure", "push", "slide_in",
)  # fmt: skip

LINE_DTYPE: np.dtype[Any] = np.dtype(
    [
        ("onset_beats", "f8"),
        ("duration_beats", "f8"),
        ("pitch", "u1"),
        ("velocity", "u1"),
        ("string", "u1"),
        ("fret", "u1"),
    ]
)


@dataclass(frozen=True, slots=True)
class Claim:
    """A device that the line holds: its name, the beat where it starts, and how many beats it takes.

    A device that leads into a change (approach, descent, push, slide) starts at its own first note and lasts to the
    change it lands on.
    """

    name: str
    at_beats: float
    beats: float


@dataclass(frozen=True)
class LineScore:
    """A line over a chart: `notes` is a `LINE_DTYPE` table sorted by onset, `claims` sorted by beat."""

    notes: NDArray[Any]
    claims: tuple[Claim, ...]
    chart: Chart
    tuning: Tuning = FOUR_STRING

    def rows(self) -> list[tuple[float, float, float, float]]:
        """(onset_beats, duration_beats, pitch, velocity) of each note: what the band's guide bass plays from."""
        names = ["onset_beats", "duration_beats", "pitch", "velocity"]
        return [(float(a), float(b), float(c), float(d)) for a, b, c, d in self.notes[names].tolist()]

    def to_dict(self) -> dict[str, Any]:
        """As plain data, for notation and other programs."""
        return {
            "notes": [
                {
                    name: note[name].item()
                    for name in ("onset_beats", "duration_beats", "pitch", "velocity", "string", "fret")
                }
                for note in self.notes
            ],
            "claims": [{"name": c.name, "at_beats": c.at_beats, "beats": c.beats} for c in self.claims],
            "tuning": list(self.tuning.open_pitches),
        }
