"""Drum patterns: what the drummer's limbs play in one bar of each groove, from sparse to full.

A place in the bar is a beat (0–3) and a slot: "on" the beat, "off" the swung off-beat at r / (1 + r), "mid" half-way to
it (the middle of a triplet when the ratio is 2:1). Note numbers are General MIDI 1 percussion. Patterns, verse and
solo behaviour are common practice; velocities are our choice.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

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
    "Hit",
    "Places",
    "drum_bar",
    "final_hits",
    "stop_hits",
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


def _loud(base: float, intensity: float) -> int:
    """Velocity of a stroke whose velocity is `base` at intensity 0.6; louder as the band plays harder (our choice)."""
    return int(np.clip(round(base * (0.7 + 0.5 * intensity)), 1, 127))


class _Bar:
    """Collects strokes of a bar. `habit`: a draw for each place of a two-bar figure that is kept through a chorus."""

    def __init__(
        self, places: Places, intensity: float, rng: np.random.Generator, habit: NDArray[np.float64], bar: int
    ) -> None:
        self.places, self.intensity, self.rng = places, intensity, rng
        self._habit = habit[(bar - 1) % len(habit)]
        self.hits: list[Hit] = []

    def add(self, beat: float, slot: str, pitch: int, base: float, limb: str) -> None:
        wobble = 1.0 + 0.05 * float(self.rng.standard_normal())
        velocity = _loud(base * min(max(wobble, 0.85), 1.15), self.intensity)
        self.hits.append(Hit(self.places.at(beat, slot, limb), pitch, velocity, limb))

    def habit(self, beat: int, limb: str, p: float) -> bool:
        """Whether a stroke that comes with probability `p` is part of this chorus's figure, at this beat."""
        return bool(self._habit[beat + (0 if limb == FOOT else 4)] < p)


def _hand(bar: _Bar, solo: bool, on: tuple[float, ...], off: tuple[float, ...], mid: float = 0.0) -> None:
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


def _backbeat(bar: _Bar, solo: bool, base: float = 92.0) -> None:
    """Beats 2 and 4: side stick under a quiet voice, else snare."""
    stick = SIDE_STICK if not solo and bar.intensity < 0.6 else SNARE
    for beat in (1, 3):
        bar.add(beat, "on", stick, base, STICK)


def _ghosts(bar: _Bar, solo: bool, p: float) -> None:
    """Quiet snare strokes on off-beats, more of them as the band opens up."""
    if bar.intensity < 0.45:
        return
    for beat in (0, 1, 2):
        if bar.habit(beat, STICK, p * bar.intensity * (1.0 if solo else 0.5)):
            bar.add(beat, "off", SNARE, 34, STICK)


def _shuffle(bar: _Bar, solo: bool) -> None:
    full = bar.intensity > 0.55
    off = (62.0, 66.0, 62.0, 68.0) if full or solo else (48.0, 56.0, 48.0, 58.0)
    _hand(bar, solo, (80, 90, 80, 90), off)
    _backbeat(bar, solo)
    _ghosts(bar, solo, 0.5)
    beats = (0, 2) if bar.intensity < 0.5 else (0, 1, 2, 3)
    for beat in beats:
        bar.add(beat, "on", KICK, 88 if beat in (0, 2) else 60, FOOT)
    if bar.intensity > 0.5:
        for beat in (1, 3):
            if bar.habit(beat, FOOT, 0.55 * bar.intensity):
                bar.add(beat, "off", KICK, 74, FOOT)


def _double_shuffle(bar: _Bar, solo: bool) -> None:
    _hand(bar, solo, (78, 86, 78, 86), (64, 66, 64, 68))
    quiet = SIDE_STICK if not solo and bar.intensity < 0.25 else SNARE
    for beat in range(4):
        back = beat in (1, 3)
        bar.add(beat, "on", quiet if not back else SNARE, 98 if back else 50, STICK)
        bar.add(beat, "off", quiet, 54, STICK)
    for beat in (0, 2) if bar.intensity < 0.4 else (0, 1, 2, 3):
        bar.add(beat, "on", KICK, 88 if beat in (0, 2) else 66, FOOT)
    if bar.intensity > 0.7 and bar.habit(3, FOOT, 0.5):
        bar.add(3, "off", KICK, 74, FOOT)


def _slow_twelve_eight(bar: _Bar, solo: bool) -> None:
    thin = bar.intensity < 0.2
    _hand(bar, solo, (80, 84, 80, 84), (56, 58, 56, 62), 0.0 if thin else 44.0)
    _backbeat(bar, solo, 94)
    _ghosts(bar, solo, 0.5)
    bar.add(0, "on", KICK, 90, FOOT)
    bar.add(2, "on", KICK, 84, FOOT)
    if bar.intensity > 0.3:
        bar.add(1, "off", KICK, 70, FOOT)
    if bar.intensity > 0.6:
        bar.add(3, "off", KICK, 72, FOOT)


def _two_beat(bar: _Bar, solo: bool) -> None:
    off = (46.0, 62.0, 46.0, 64.0)
    _hand(bar, solo, (70, 88, 70, 88), off)
    _backbeat(bar, solo, 84)
    _ghosts(bar, solo, 0.4)
    for beat in (0, 2):
        bar.add(beat, "on", KICK, 94, FOOT)
    if bar.intensity > 0.7 and bar.habit(3, FOOT, 0.4):
        bar.add(3, "off", KICK, 66, FOOT)


def _straight(bar: _Bar, solo: bool) -> None:
    _hand(bar, solo, (82, 84, 82, 84), (60, 62, 60, 64))
    _backbeat(bar, solo, 98)
    _ghosts(bar, solo, 0.3)
    bar.add(0, "on", KICK, 94, FOOT)
    bar.add(2, "on", KICK, 86, FOOT)
    if bar.intensity > 0.35:
        bar.add(2, "off", KICK, 78, FOOT)
    if bar.intensity > 0.7:
        bar.add(0, "off", KICK, 70, FOOT)


def _rumba(bar: _Bar, solo: bool) -> None:
    _hand(bar, solo, (74, 68, 74, 68), (62, 60, 62, 66))
    # The stick's long-long-short (1, 2-and, 4), kick under it, toms answering on 4 and its off-beat.
    stick = SNARE if solo and bar.intensity > 0.7 else SIDE_STICK
    for beat, slot in ((0, "on"), (1, "off"), (3, "on")):
        bar.add(beat, slot, stick, 84, STICK)
        bar.add(beat, slot, KICK, 84 if beat == 0 else 72, FOOT)
    if bar.intensity > 0.25:
        bar.add(3, "on", HIGH_TOM, 72, STICK)
        bar.add(3, "off", HIGH_TOM, 64, STICK)
    if bar.intensity > 0.6:
        bar.add(1, "on", LOW_TOM, 76, STICK)
        bar.add(2, "off", MID_TOM, 60, STICK)


_PATTERNS = {
    "shuffle": _shuffle,
    "double_shuffle": _double_shuffle,
    "slow_twelve_eight": _slow_twelve_eight,
    "two_beat": _two_beat,
    "straight": _straight,
    "rumba": _rumba,
}


def drum_bar(
    groove: str,
    role: str,
    intensity: float,
    places: Places,
    rng: np.random.Generator,
    habit_rng: np.random.Generator,
    bar: int,
) -> list[Hit]:
    """The form's bar `bar` (1-based) of a groove. A "solo" goes to ride and snare; other roles stay on hats, and side
    stick when quiet.

    `rng`: the bar's own. `habit_rng`: the chorus's; where kick and quiet strokes fall between the beats is a figure of
    two bars that it decides, so that a bass can lock to it.
    """
    made = _Bar(places, intensity, rng, habit_rng.random((2, 8)), bar)
    _PATTERNS[groove](made, role == "solo")
    return made.hits


def stop_hits(intensity: float) -> list[Hit]:
    """A stopped bar: beat 1 only."""
    return [
        Hit(0.0, KICK, _loud(100, intensity), FOOT),
        Hit(0.0, SNARE, _loud(92, intensity), STICK),
        Hit(0.0, CLOSED_HAT, _loud(80, intensity), HAND),
    ]


def final_hits(intensity: float, ritard: bool) -> list[Hit]:
    """The last bar: one hit that rings; with a ritard the ride marks the slowing beats under it."""
    hits = [
        Hit(0.0, KICK, _loud(100, intensity), FOOT),
        Hit(0.0, CRASH, _loud(96, intensity), HAND),
    ]
    if ritard:
        hits += [Hit(float(beat), RIDE, _loud(70 - 8 * beat, intensity), HAND) for beat in (1, 2, 3)]
        hits.append(Hit(3.0, KICK, _loud(84, intensity), FOOT))
    else:
        hits.append(Hit(0.0, SNARE, _loud(86, intensity), STICK))
    return hits
