"""Rumba-like, straight eighths. Pattern, comping and fills are common practice; velocities are our choice."""

from __future__ import annotations

from trainer.music.grooves.model import STAB_BEATS, Comping, Groove, Stroke, Trim
from trainer.music.grooves.pattern import (
    FOOT,
    HIGH_TOM,
    KICK,
    LOW_TOM,
    MID_TOM,
    SIDE_STICK,
    SNARE,
    STICK,
    DrumBar,
    hand,
)

__all__ = ["GROOVE"]


def _pattern(bar: DrumBar, solo: bool) -> None:
    hand(bar, solo, (74, 68, 74, 68), (62, 60, 62, 66))
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


GROOVE = Groove(
    name="rumba",
    title="Rumba-like, straight eighths",
    called="rumba",
    tempo_low_bpm=90.0,
    tempo_high_bpm=150.0,
    stage_bpm=(100, 132),
    pattern=_pattern,
    keys="electric_piano",
    comping=Comping(
        middle=(((0, "on"), (1, "off"), (3, "on")), ((0, "on"), (1, "off"), (2, "off"))),
        full=tuple(
            Stroke(b, s, STAB_BEATS, 74.0) for b, s in ((0, "on"), (0, "off"), (1, "off"), (2, "off"), (3, "on"))
        ),
    ),
    fills=("down", "down", "answer", "snare", "kick_snare"),
    trim=Trim(
        bpm=116.0,
        verse=(0.0, 0.1, 0.1, -0.5, -0.3, -0.5, -0.3, -0.9, -0.8, -0.9, 0.0),
        solo=(0.6, 0.7, 0.6, -0.2, -0.1, 0.1, 0.0, -0.6, -0.8, -0.1, 0.2),
    ),
    line="free",
    straight=True,
    pushes=False,
)
