"""Shuffle, ride or hats. Pattern, comping and fills are common practice; velocities are our choice."""

from __future__ import annotations

from trainer.music.grooves.model import Comping, Groove, Trim
from trainer.music.grooves.pattern import FOOT, KICK, DrumBar, backbeat, ghosts, hand

__all__ = ["GROOVE"]


def _pattern(bar: DrumBar, solo: bool) -> None:
    full = bar.intensity > 0.55
    off = (62.0, 66.0, 62.0, 68.0) if full or solo else (48.0, 56.0, 48.0, 58.0)
    hand(bar, solo, (80, 90, 80, 90), off)
    backbeat(bar, solo)
    ghosts(bar, solo, 0.5)
    beats = (0, 2) if bar.intensity < 0.5 else (0, 1, 2, 3)
    for beat in beats:
        bar.add(beat, "on", KICK, 88 if beat in (0, 2) else 60, FOOT)
    if bar.intensity > 0.5:
        for beat in (1, 3):
            if bar.habit(beat, FOOT, 0.55 * bar.intensity):
                bar.add(beat, "off", KICK, 74, FOOT)


GROOVE = Groove(
    name="shuffle",
    title="Shuffle, ride or hats",
    called="shuffle",
    tempo_low_bpm=80.0,
    tempo_high_bpm=165.0,
    stage_bpm=(80, 130),
    pattern=_pattern,
    keys="organ",
    comping=Comping(
        middle=(((1, "off"), (3, "off")), ((0, "off"), (2, "off")), ((1, "off"), (3, "on"))),
    ),
    fills=("down", "down", "snare", "kick_snare", "press", "answer"),
    trim=Trim(
        bpm=112.0,
        verse=(0.3, 0.3, 0.3, 0.4, 0.5, 0.9, 0.4, 0.5, 0.7, 0.5, -0.3),
        solo=(0.3, 0.3, 0.3, 1.1, 1.0, 0.8, 0.7, 0.8, 0.7, -0.3, -0.3),
    ),
)
