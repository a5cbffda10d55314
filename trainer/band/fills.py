"""Drum fills that lead into a new chorus or role.

Lengths and tempi are common practice: at most two beats under a voice and a bar in a solo; triplets at 60–130 bpm, one
beat up to 160, plain eighths above. The shapes (down the drums, snare alone, foot and sticks in turn, a press roll,
snare answered by toms, opened hats; louder towards the next bar) are our choice.
"""

from __future__ import annotations

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
    straight = groove.straight
    family = str(rng.choice((*groove.fills, "hat", "hat") if on_hats else groove.fills))
    if family == "hat":
        return _hat_figure(n_beats, intensity, places)
    fast = len(_thirds(0, tempo_bpm, straight, places)) < 3
    crowded = tempo_bpm > PRESS_MOST_BPM or intensity < 0.5
    if (family == "press" and crowded) or (family == "kick_snare" and fast):
        family = "snare"
    beats = range(4 - n_beats, 4)
    slots = [(beat, k, at) for beat in beats for k, at in enumerate(_thirds(beat, tempo_bpm, straight, places))]
    if family in ("down", "snare") and n_beats > 1 and rng.random() < 0.5:
        del slots[int(rng.integers(1, max(2, len(slots) // 2)))]
    hits: list[Hit] = []
    under = family != "kick_snare"

    def strike(at_beats: float, pitch: int, base: float, limb: str = STICK) -> None:
        loud = base * (0.7 + 0.5 * intensity) + 3.0 * float(rng.standard_normal())
        hits.append(Hit(at_beats, pitch, int(np.clip(loud, 1, 127)), limb))

    for i, (beat, k, at_beats) in enumerate(slots):
        share = i / max(len(slots) - 1, 1)
        rising = 62.0 + 34.0 * share
        if family == "down":
            strike(at_beats, _TOMS[min(int(share * len(_TOMS)), 3)], rising)
        elif family == "snare":
            strike(at_beats, SNARE, rising)
        elif family == "kick_snare":  # the foot has the beat, the sticks what follows it
            strike(at_beats, KICK if k == 0 else SNARE, rising + (8.0 if k == 0 else 0.0), FOOT if k == 0 else STICK)
        elif family == "answer":  # snare, then the drums below answer
            strike(at_beats, SNARE if k == 0 else HIGH_TOM if beat % 2 == 0 else LOW_TOM, rising)
        else:  # press: many quiet strokes that grow
            after = slots[i + 1][2] if i + 1 < len(slots) else 4.0
            strike(at_beats, SNARE, 44.0 + 48.0 * share)
            strike((at_beats + after) / 2.0, SNARE, 36.0 + 46.0 * share)
    if under:
        for beat in beats:
            hits.append(Hit(float(beat), KICK, int(60 + 36 * intensity), FOOT))
    return hits


def _hat_figure(n_beats: int, intensity: float, places: Places) -> list[Hit]:
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
