"""Drum fills that lead into a new chorus or role.

Lengths and tempi are common practice: at most two beats under a voice and a bar in a solo; triplets at 60–130 bpm, one
beat up to 160, plain eighths above. The shapes (down the drums, snare alone, foot and sticks in turn, a press roll,
snare answered by toms, opened hats; louder towards the next bar) are our choice.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import NamedTuple, TypeAlias

import numpy as np

from trainer.music.grooves import Groove
from trainer.music.grooves.pattern import (
    CLOSED_HAT,
    FOOT,
    HAND,
    HIGH_TOM,
    KICK,
    LOW_TOM,
    MID_TOM,
    OPEN_HAT,
    SNARE,
    STICK,
    Hit,
    Places,
)

__all__ = ["fill_beats", "fill_hits"]

PRESS_MOST_BPM = 112.0  # a press roll's strokes are a twelfth of a second apart there; our choice
_TOMS = (SNARE, HIGH_TOM, MID_TOM, LOW_TOM)


def fill_beats(role: str, tempo_bpm: float, intensity: float, rng: np.random.Generator) -> int:
    """How many beats at the bar's end a fill takes: 1 to 4."""
    if tempo_bpm > 130.0:
        return 1
    if role != "solo":
        return 2 if intensity > 0.4 else 1
    return int(rng.choice((2, 2, 4))) if intensity > 0.6 else 2


def fill_hits(
    n_beats: int,
    tempo_bpm: float,
    intensity: float,
    groove: Groove,
    places: Places,
    rng: np.random.Generator,
    *,
    on_hats: bool = False,
) -> list[Hit]:
    """Strokes of a fill over the bar's last `n_beats` beats, in one of the shapes that suit the groove.

    `on_hats`: the hand may stay on the hats (a small fill in the gap that the voice leaves).
    """
    family = str(rng.choice((*groove.fills, "hat", "hat") if on_hats else groove.fills))
    if family == "hat":
        return _on_the_hats(n_beats, intensity, places)
    beats = range(4 - n_beats, 4)
    struck = [(beat, k, at) for beat in beats for k, at in enumerate(_thirds(beat, tempo_bpm, groove.straight, places))]
    needs_room = {
        "press": tempo_bpm > PRESS_MOST_BPM or intensity < 0.5,
        "kick_snare": len(struck) < 3 * n_beats,
    }
    if needs_room.get(family):
        family = "snare"
    if family in ("down", "snare") and n_beats > 1 and rng.random() < 0.5:
        del struck[int(rng.integers(1, max(2, len(struck) // 2)))]
    hits: list[Hit] = []
    for slot in _slots(struck):
        for at, pitch, base, limb in _SHAPES[family](slot):
            loud = base * (0.7 + 0.5 * intensity) + 3.0 * float(rng.standard_normal())
            hits.append(Hit(at, pitch, int(min(max(loud, 1), 127)), limb))
    if family != "kick_snare":
        hits += [Hit(float(beat), KICK, int(60 + 36 * intensity), FOOT) for beat in beats]
    return hits


class _Slot(NamedTuple):
    """A place that a fill strikes: its beat, whether it is on it, where it lies, where the next one does, and how far
    through the fill it is, 0 to 1."""

    beat: int
    on_beat: bool
    at_beats: float
    after_beats: float
    share: float

    @property
    def rising(self) -> float:
        return 62.0 + 34.0 * self.share


def _slots(struck: list[tuple[int, int, float]]) -> Iterator[_Slot]:
    """The places of (beat, stroke of the beat, beats) rows, each with the one after it; the last leads to the bar's
    end."""
    afters = [*(at_beats for _, _, at_beats in struck[1:]), 4.0]
    for i, ((beat, k, at_beats), after_beats) in enumerate(zip(struck, afters, strict=True)):
        yield _Slot(beat, k == 0, at_beats, after_beats, i / max(len(struck) - 1, 1))


_Strokes: TypeAlias = list[tuple[float, int, float, str]]  # beats from the bar's downbeat, drum, loudness, limb


def _down(slot: _Slot) -> _Strokes:
    """Down the drums."""
    return [(slot.at_beats, _TOMS[min(int(slot.share * len(_TOMS)), 3)], slot.rising, STICK)]


def _snare(slot: _Slot) -> _Strokes:
    return [(slot.at_beats, SNARE, slot.rising, STICK)]


def _kick_snare(slot: _Slot) -> _Strokes:
    """The foot has the beat, the sticks what follows it."""
    if slot.on_beat:
        return [(slot.at_beats, KICK, slot.rising + 8.0, FOOT)]
    return [(slot.at_beats, SNARE, slot.rising, STICK)]


def _answer(slot: _Slot) -> _Strokes:
    """Snare, then the drums below answer."""
    drum = SNARE if slot.on_beat else HIGH_TOM if slot.beat % 2 == 0 else LOW_TOM
    return [(slot.at_beats, drum, slot.rising, STICK)]


def _press(slot: _Slot) -> _Strokes:
    """Many quiet strokes that grow."""
    between = (slot.at_beats + slot.after_beats) / 2.0
    return [
        (slot.at_beats, SNARE, 44.0 + 48.0 * slot.share, STICK),
        (between, SNARE, 36.0 + 46.0 * slot.share, STICK),
    ]


_SHAPES: dict[str, Callable[[_Slot], _Strokes]] = {
    "down": _down,
    "snare": _snare,
    "kick_snare": _kick_snare,
    "answer": _answer,
    "press": _press,
}


def _on_the_hats(n_beats: int, intensity: float, places: Places) -> list[Hit]:
    """Hats go on, opened on the off-beats, with the snare under the last of them."""
    hits = []
    for beat in range(4 - n_beats, 4):
        loud = 0.7 + 0.5 * intensity
        hits.append(Hit(float(beat), CLOSED_HAT, int(78 * loud), HAND))
        hits.append(Hit(places.at(beat, "off", HAND), OPEN_HAT, int(80 * loud), HAND))
        hits.append(Hit(float(beat), KICK, int(86 * loud), FOOT))
    hits.append(Hit(3.0, SNARE, int(88 * loud), STICK))
    hits.append(Hit(places.at(3, "off", STICK), SNARE, int(92 * loud), STICK))
    return hits


def _thirds(beat: int, tempo_bpm: float, straight: bool, places: Places) -> list[float]:
    """Where a beat of a fill is struck: triplets, or sixteenths where it is straight; two strokes when it is fast."""
    if straight:
        if places.at(0, "off") != 0.5:
            return [float(beat), places.at(beat, "off")]
        return [beat + 0.0, beat + 0.5] if tempo_bpm > 120.0 else [beat + 0.25 * k for k in range(4)]
    if tempo_bpm > 160.0:
        return [float(beat), places.at(beat, "off", STICK)]
    return [places.at(beat, slot, STICK) for slot in ("on", "mid", "off")]
