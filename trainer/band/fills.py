"""Drum fills that lead into a new chorus or role.

Lengths and tempi are common practice: at most two beats under a voice and a bar in a solo; triplets at 60–130 bpm, one
beat up to 160, plain eighths above. The shapes (down the drums, louder towards the next bar) are our choice.
"""

from __future__ import annotations

import numpy as np

from trainer.band.grooves import FOOT, HIGH_TOM, KICK, LOW_TOM, MID_TOM, SNARE, STICK, Hit, Places

__all__ = ["fill_beats", "fill_hits"]


def fill_beats(role: str, tempo_bpm: float, intensity: float, rng: np.random.Generator) -> int:
    """How many beats at the bar's end a fill takes: 1 to 4."""
    if tempo_bpm > 130.0:
        return 1
    if role != "solo":
        return 2 if intensity > 0.4 else 1
    return int(rng.choice((2, 2, 4))) if intensity > 0.6 else 2


def fill_hits(
    n_beats: int, tempo_bpm: float, intensity: float, straight: bool, places: Places, rng: np.random.Generator
) -> list[Hit]:
    """Strokes of a fill over the bar's last `n_beats` beats."""
    slots: list[float] = []
    for beat in range(4 - n_beats, 4):
        if straight:
            thirds = [beat + 0.0, beat + 0.5] if tempo_bpm > 120.0 else [beat + 0.25 * k for k in range(4)]
            if places.at(0, "off") != 0.5:
                thirds = [beat + 0.0, places.at(beat, "off")]
        elif tempo_bpm > 160.0:
            thirds = [beat + 0.0, places.at(beat, "off", STICK)]
        else:
            thirds = [places.at(beat, slot, STICK) for slot in ("on", "mid", "off")]
        slots += thirds
    if n_beats > 1 and rng.random() < 0.5:
        del slots[int(rng.integers(1, max(2, len(slots) // 2)))]
    drums = (SNARE, HIGH_TOM, MID_TOM, LOW_TOM)
    down = rng.random() < 0.7
    hits = []
    for i, at_beats in enumerate(slots):
        share = i / max(len(slots) - 1, 1)
        pitch = drums[min(int(share * len(drums)), 3)] if down else SNARE
        velocity = int(np.clip((62 + 34 * share) * (0.7 + 0.5 * intensity) + 3 * rng.standard_normal(), 1, 127))
        hits.append(Hit(at_beats, pitch, velocity, STICK))
    hits += [Hit(float(beat), KICK, int(60 + 36 * intensity), FOOT) for beat in range(4 - n_beats, 4)]
    return hits
