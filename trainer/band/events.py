"""The band's event table: what the arranger writes, what sound and MIDI out play.

An event's intended time is its grid place on the beat axis (swing already in it, exactly) plus `shift_s`, the
player's own small variation. Channels count from 0; drums are on channel 9 (General MIDI 1).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from trainer.clock.tempo import TempoMap

__all__ = ["BAND_DTYPE", "PARTS", "TOUCH", "BandScore"]

# The parts that have a volume of their own, in mixer order; an event's `part` is an index into this.
PARTS = ("drums", "keys", "chop", "lead", "guide", "count")

# How the built-in sound takes velocity: amplitude = (velocity / 127) ** TOUCH; our choice.
TOUCH = 1.45

BAND_DTYPE: np.dtype[Any] = np.dtype(
    [
        ("onset_beats", "f8"),
        ("duration_beats", "f8"),
        ("shift_s", "f8"),
        ("pitch", "u1"),
        ("velocity", "u1"),
        ("channel", "u1"),
        ("part", "u1"),
    ]
)


@dataclass(frozen=True)
class BandScore:
    """Events sorted by onset, and the General MIDI program (0-based, as on the wire) of each channel used.

    `start_beats` and `end_beats`: where the count-in (or the music) starts and where the last bar ends.
    """

    events: NDArray[Any]
    programs: Mapping[int, int] = field(default_factory=dict)
    start_beats: float | None = None
    end_beats: float | None = None

    @property
    def first_beats(self) -> float:
        """Beat where the score starts: `start_beats`, else the bar line at or before the first event."""
        if self.start_beats is not None:
            return self.start_beats
        return float(4.0 * np.floor(self.events["onset_beats"].min(initial=0.0) / 4.0))

    def onsets_s(self, tempo: TempoMap) -> NDArray[np.float64]:
        """Intended onset of each event, seconds from the first downbeat: (n,) float64."""
        onsets: NDArray[np.float64] = tempo.seconds_at(self.events["onset_beats"]) + self.events["shift_s"]
        return onsets

    def durations_s(self, tempo: TempoMap) -> NDArray[np.float64]:
        """Sounding length of each event in seconds: (n,) float64."""
        ends = self.events["onset_beats"] + self.events["duration_beats"]
        lengths: NDArray[np.float64] = tempo.seconds_at(ends) - tempo.seconds_at(self.events["onset_beats"])
        return lengths
