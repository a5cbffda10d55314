"""Straight eighths. Pattern, comping and fills are common practice; velocities are our choice."""

from __future__ import annotations

from trainer.music.grooves.model import Comping, Groove, Trim
from trainer.music.grooves.pattern import FOOT, KICK, DrumBar, backbeat, ghosts, hand

__all__ = ["GROOVE"]


def _pattern(bar: DrumBar, solo: bool) -> None:
    hand(bar, solo, (82, 84, 82, 84), (60, 62, 60, 64))
    backbeat(bar, solo, 98)
    ghosts(bar, solo, 0.3)
    bar.add(0, "on", KICK, 94, FOOT)
    bar.add(2, "on", KICK, 86, FOOT)
    if bar.intensity > 0.35:
        bar.add(2, "off", KICK, 78, FOOT)
    if bar.intensity > 0.7:
        bar.add(0, "off", KICK, 70, FOOT)


GROOVE = Groove(
    name="straight",
    title="Straight eighths",
    called="straight",
    tempo_low_bpm=80.0,
    tempo_high_bpm=180.0,
    stage_bpm=(96, 132),
    pattern=_pattern,
    keys="organ",
    comping=Comping(
        middle=(((0, "off"), (2, "off")), ((1, "off"), (3, "off")), ((0, "on"), (1, "off"))),
        chop_beats=(0, 2),
    ),
    fills=("down", "snare", "kick_snare", "answer"),
    trim=Trim(
        bpm=120.0,
        verse=(0.0, 0.0, -0.1, 0.1, -0.1, 0.5, 0.2, 0.3, 0.4, 0.2, -0.5),
        solo=(-0.2, 0.0, 0.0, 0.6, 0.3, 0.4, 0.4, 0.6, 0.5, -0.5, -0.5),
    ),
    straight=True,
)
