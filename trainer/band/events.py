"""The band's event table: what the arranger writes, what sound and MIDI out play.

An event's intended time is its grid place on the beat axis (swing already in it, exactly) plus `shift_s`, the
player's own small variation. Channels count from 0; drums are on channel 9 (General MIDI 1).

A note may be bent: it begins `bend_from` semitones off its pitch, stands there for a moment, and glides in a straight
line to `bend_to` semitones off (both 0: not bent). Only the soloist's and the singer's own channels bend, one note at a
time.

The organ's speaker is told its speed on MIDI out by controller 1 (modulation): MIDI 1.0 names the wheel, and that it
switches the speaker of an organ's sound between slow and fast is common practice.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from trainer.clock.tempo import TempoMap

__all__ = [
    "BAND_DTYPE",
    "BEND_CHANNELS",
    "MODULATION",
    "PARTS",
    "TOUCH",
    "WHEEL_CENTRE",
    "BandScore",
    "glide_s",
    "speaker_moves",
    "wheel_moves",
]

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
        ("bend_from", "f4"),
        ("bend_to", "f4"),
    ]
)

BEND_CHANNELS = (2, 3)  # the soloist's and the singer's, counted from 0
MODULATION = 1  # the controller's number
# Beyond the middle, where instruments switch; not full, since a set of samples may sway the pitch by it. Our choice.
_SPEAKER_FAST, _SPEAKER_SLOW = 80, 0
WHEEL_CENTRE = 8192
_WHEEL_SEMITONES = 2.0  # what a synthesizer takes a full turn for unless told otherwise (General MIDI 1)
_STEP_SEMITONES = 0.1  # of the wheel's moves while a note glides; our choice
# A bend into a note is quick, a note squeezed up by a quarter-tone or so is slow: seconds, our choice. No glide takes
# more than its share of the note, so that where it leads is heard.
_BEND_S, _SQUEEZE_S, _SQUEEZE_SEMITONES = 0.13, 0.26, 0.75
_STANDS_S, _MOST_SHARE = 0.04, 0.55


def glide_s(bend_from: float, bend_to: float, duration_s: float) -> tuple[float, float]:
    """When a bent note of this length begins to glide and when it arrives, seconds from its onset."""
    whole = _BEND_S if abs(bend_to - bend_from) > _SQUEEZE_SEMITONES else _SQUEEZE_S
    scale = min(1.0, _MOST_SHARE * duration_s / (_STANDS_S + whole))
    return _STANDS_S * scale, (_STANDS_S + whole) * scale


def wheel_moves(bend_from: float, bend_to: float, duration_s: float) -> list[tuple[float, int]]:
    """(seconds from the onset, pitch wheel 0–16383) of one note: where it begins, then the steps of its glide."""

    def wheel(semitones: float) -> int:
        return min(max(round(WHEEL_CENTRE * (1.0 + semitones / _WHEEL_SEMITONES)), 0), 2 * WHEEL_CENTRE - 1)

    moves = [(0.0, wheel(bend_from))]
    if bend_from != bend_to:
        begins_s, ends_s = glide_s(bend_from, bend_to, duration_s)
        n = max(1, int(np.ceil(abs(bend_to - bend_from) / _STEP_SEMITONES)))
        for share in np.arange(1, n + 1) / n:
            at_s = begins_s + (ends_s - begins_s) * float(share)
            moves.append((at_s, wheel(bend_from + (bend_to - bend_from) * float(share))))
    return moves


@dataclass(frozen=True)
class BandScore:
    """Events sorted by onset, and the General MIDI program (0-based, as on the wire) of each channel used.

    `fast_spans`: from where to where, in beats, the organ's speaker is switched to its fast speed, in order.
    `start_beats` and `end_beats`: where the count-in (or the music) starts and where the last bar ends.
    """

    events: NDArray[Any]
    programs: Mapping[int, int] = field(default_factory=dict)
    start_beats: float | None = None
    end_beats: float | None = None
    fast_spans: tuple[tuple[float, float], ...] = ()

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


def speaker_moves(score: BandScore) -> list[tuple[float, int]]:
    """(beats, value of controller 1) wherever the organ's speaker is switched, from the start on; empty where its speed
    never changes."""
    if not score.fast_spans:
        return []
    values = (_SPEAKER_FAST, _SPEAKER_SLOW)
    moves = [(at, value) for span in score.fast_spans for at, value in zip(span, values, strict=True)]
    return moves if moves[0][0] <= score.first_beats else [(score.first_beats, _SPEAKER_SLOW), *moves]
