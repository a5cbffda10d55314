"""What a drum pattern is written with: the limbs, the places of a bar, a bar that collects strokes.

A place in the bar is a beat (0–3) and a slot: "on" the beat, "off" the swung off-beat at r / (1 + r), "mid" half-way to
it (the middle of a triplet when the ratio is 2:1). Note numbers are General MIDI 1 percussion. Verse and solo behaviour
are common practice; velocities are our choice.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = [
    "CLOSED_HAT",
    "CRASH",
    "FOOT",
    "HAND",
    "HIGH_TOM",
    "KICK",
    "LOW_TOM",
    "MID_TOM",
    "OPEN_HAT",
    "PEDAL_HAT",
    "RIDE",
    "RIDE_BELL",
    "SIDE_STICK",
    "SNARE",
    "STICK",
    "DrumBar",
    "Hit",
    "Places",
    "backbeat",
    "ghosts",
    "hand",
    "loud",
]

# General MIDI 1 percussion key map.
KICK, SIDE_STICK, SNARE = 36, 37, 38
CLOSED_HAT, PEDAL_HAT, OPEN_HAT = 42, 44, 46
LOW_TOM, MID_TOM, HIGH_TOM = 45, 47, 50
CRASH, RIDE, RIDE_BELL = 49, 51, 53

# The limbs; each has its own small variation and may have its own swing ratio.
HAND, STICK, FOOT = "hand", "stick", "foot"  # ride or hats · snare, side stick and toms · kick and pedal hat


class Hit(NamedTuple):
    """One stroke: beats from the bar's downbeat, General MIDI note, velocity 1–127, limb."""

    at_beats: float
    pitch: int
    velocity: int
    limb: str


class Places:
    """Beats of the slots of a beat for each limb: swing exactly as asked."""

    __slots__ = ("_off",)

    def __init__(self, swing_ratio: float, limb_ratios: Mapping[str, float] | None = None) -> None:
        ratios = dict.fromkeys((HAND, STICK, FOOT), swing_ratio) | dict(limb_ratios or {})
        self._off = {limb: ratio / (1.0 + ratio) for limb, ratio in ratios.items()}
        self._off[""] = swing_ratio / (1.0 + swing_ratio)

    def at(self, beat: float, slot: str = "on", limb: str = "") -> float:
        """Beats from the bar's downbeat of a slot."""
        if slot == "on":
            return float(beat)
        off = self._off[limb]
        return beat + (off if slot == "off" else off / 2.0)


def loud(base: float, intensity: float) -> int:
    """Velocity of a stroke whose velocity is `base` at intensity 0.6; louder as the band plays harder (our choice)."""
    return min(max(round(base * (0.7 + 0.5 * intensity)), 1), 127)


class DrumBar:
    """Collects strokes of a bar. `habit`: a draw for each place of a two-bar figure that is kept through a chorus."""

    def __init__(
        self, places: Places, intensity: float, rng: np.random.Generator, habit: NDArray[np.float64], bar: int
    ) -> None:
        self.places, self.intensity, self.rng = places, intensity, rng
        self._habit = habit[(bar - 1) % len(habit)]
        self.hits: list[Hit] = []

    def add(self, beat: float, slot: str, pitch: int, base: float, limb: str) -> None:
        wobble = 1.0 + 0.05 * float(self.rng.standard_normal())
        velocity = loud(base * min(max(wobble, 0.85), 1.15), self.intensity)
        self.hits.append(Hit(self.places.at(beat, slot, limb), pitch, velocity, limb))

    def habit(self, beat: int, limb: str, p: float) -> bool:
        """Whether a stroke that comes with probability `p` is part of this chorus's figure, at this beat."""
        return bool(self._habit[beat + (0 if limb == FOOT else 4)] < p)


def hand(bar: DrumBar, solo: bool, on: tuple[float, ...], off: tuple[float, ...], mid: float = 0.0) -> None:
    """Ride (solo) or closed hat (verse): velocities of the four on-beats, the four off-beats, and of the middles."""
    intensity = bar.intensity
    for beat in range(4):
        bell = solo and intensity > 0.9 and beat in (1, 3)
        pitch = RIDE_BELL if bell else RIDE if solo else CLOSED_HAT
        bar.add(beat, "on", pitch, on[beat], HAND)
        if mid:
            bar.add(beat, "mid", RIDE if solo else CLOSED_HAT, mid, HAND)
        if off[beat]:
            is_open = not solo and intensity > 0.75 and beat == 3
            bar.add(beat, "off", OPEN_HAT if is_open else RIDE if solo else CLOSED_HAT, off[beat], HAND)
    if solo:
        for beat in (1, 3):
            bar.add(beat, "on", PEDAL_HAT, 62, FOOT)


def backbeat(bar: DrumBar, solo: bool, base: float = 92.0) -> None:
    """Beats 2 and 4: side stick under a quiet voice, else snare."""
    stick = SIDE_STICK if not solo and bar.intensity < 0.6 else SNARE
    for beat in (1, 3):
        bar.add(beat, "on", stick, base, STICK)


def ghosts(bar: DrumBar, solo: bool, p: float) -> None:
    """Quiet snare strokes on off-beats, more of them as the band opens up."""
    if bar.intensity < 0.45:
        return
    for beat in (0, 1, 2):
        if bar.habit(beat, STICK, p * bar.intensity * (1.0 if solo else 0.5)):
            bar.add(beat, "off", SNARE, 34, STICK)
