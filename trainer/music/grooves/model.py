"""What a groove is: one value that holds everything the band, the session and the stage ask of it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np

from trainer.music.grooves.pattern import DrumBar

__all__ = ["TRIM_AT", "Comping", "FillShape", "Groove", "GrooveLine", "Stroke", "Trim"]

TRIM_AT = (0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0)  # intensities at which loudness is measured
STAB_BEATS = 0.28

GrooveLine = Literal["eighths", "quarters", "two_beat", "free"]
FillShape = Literal["down", "snare", "kick_snare", "press", "answer"]


class Stroke(NamedTuple):
    """A chord in a bar: beat, slot ("on", "mid" or "off"), length in beats, velocity at intensity 0.6."""

    beat: int
    slot: str
    length_beats: float
    base: float


@dataclass(frozen=True, slots=True)
class Comping:
    """What the chords do in a bar. `middle`: rhythms (beat, slot) of a middling bar, of which one is kept for a chorus.

    `sparse`: strokes of a thin bar, None for one held chord. `full`: of a full bar, None for short chords on all
    off-beats. `chop_beats`: whose off-beats the chopped guitar adds when the band is full.
    """

    middle: tuple[tuple[tuple[int, str], ...], ...]
    stab_beats: float = STAB_BEATS
    sparse: tuple[Stroke, ...] | None = None
    full: tuple[Stroke, ...] | None = None
    chop_beats: tuple[int, ...] = (1, 3)


@dataclass(frozen=True, slots=True)
class Trim:
    """Decibels that bring a groove to the band's common loudness, at each intensity of `TRIM_AT`.

    `bpm`: the tempo at which they were measured (`tests/bench/loudness_band.py --trims` prints them).
    """

    bpm: float
    verse: tuple[float, ...]
    solo: tuple[float, ...]

    def at(self, role: str, intensity: float) -> float:
        """Decibels to add at an intensity; a chorus that is no solo is balanced as a verse."""
        return float(np.interp(intensity, TRIM_AT, self.solo if role == "solo" else self.verse))


@dataclass(frozen=True, slots=True)
class Groove:
    """A groove. Tempo ranges and ratios are common practice (the project's definitions).

    `called`: how it is said on a stage, `stage_bpm` at which tempi; `pattern` puts the drums' strokes into a bar (of a
    solo or not); `keys`: which keys play, `fills`: which drum fills suit it (twice what is likelier); `line`: what it
    asks of the bass; `straight`: even eighths; `compound`: written in twelve-eight; `pushes`: the band may anticipate a
    chord.
    """

    name: str
    title: str
    called: str
    tempo_low_bpm: float
    tempo_high_bpm: float
    stage_bpm: tuple[int, int]
    pattern: Callable[[DrumBar, bool], None]
    keys: Literal["organ", "electric_piano"]
    comping: Comping
    fills: tuple[FillShape, ...]
    trim: Trim
    line: GrooveLine = "eighths"
    straight: bool = False
    compound: bool = False
    pushes: bool = True

    @property
    def slow(self) -> bool:
        """Whether a chorus of it takes its time: fewer of them make a tune."""
        return self.stage_bpm[1] < 80

    @property
    def usual_tempo_bpm(self) -> float:
        """A tempo that suits it: 96 where that is inside its range, else the middle."""
        if self.tempo_low_bpm <= 96.0 <= self.tempo_high_bpm:
            return 96.0
        return round((self.tempo_low_bpm + self.tempo_high_bpm) / 2.0)

    def usual_swing_ratio(self, tempo_bpm: float) -> float:
        """The ratio the groove is usually played with at a tempo: 2:1, closer to even above 170 bpm."""
        if self.straight:
            return 1.0
        if tempo_bpm <= 150.0:
            return 2.0
        return round(max(1.4, 2.0 - 0.6 * (tempo_bpm - 150.0) / 60.0), 2)
