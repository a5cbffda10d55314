"""Slow twelve-eight. Pattern, comping and fills are common practice; velocities are our choice."""

from __future__ import annotations

from trainer.music.grooves.model import Comping, Groove, Stroke, Trim
from trainer.music.grooves.pattern import FOOT, KICK, DrumBar, backbeat, ghosts, hand

__all__ = ["GROOVE"]


def _pattern(bar: DrumBar, solo: bool) -> None:
    thin = bar.intensity < 0.2
    hand(bar, solo, (80, 84, 80, 84), (56, 58, 56, 62), 0.0 if thin else 44.0)
    backbeat(bar, solo, 94)
    ghosts(bar, solo, 0.5)
    bar.add(0, "on", KICK, 90, FOOT)
    bar.add(2, "on", KICK, 84, FOOT)
    if bar.intensity > 0.3:
        bar.add(1, "off", KICK, 70, FOOT)
    if bar.intensity > 0.6:
        bar.add(3, "off", KICK, 72, FOOT)


GROOVE = Groove(
    name="slow_twelve_eight",
    title="Slow twelve-eight",
    called="slow twelve-eight",
    tempo_low_bpm=50.0,
    tempo_high_bpm=80.0,
    stage_bpm=(52, 74),
    pattern=_pattern,
    keys="electric_piano",
    comping=Comping(
        middle=(((0, "on"), (1, "off"), (3, "on")), ((0, "on"), (2, "off"))),
        stab_beats=0.9,
        sparse=(Stroke(0, "on", 2.0, 72.0), Stroke(2, "on", 2.0, 66.0)),  # a slow bar outlasts the tone
        full=tuple(Stroke(b, s, 0.26, 74.0 if s == "on" else 60.0) for b in range(4) for s in ("on", "mid", "off")),
        chop_beats=(),
    ),
    fills=("down", "down", "kick_snare", "press"),
    trim=Trim(
        bpm=64.0,
        verse=(1.4, 1.5, 1.3, 1.6, 1.6, 0.3, 0.3, 0.4, 0.6, 0.6, 1.3),
        solo=(1.6, 1.7, 1.6, 0.5, 0.4, 0.5, 0.2, 0.1, 0.3, 1.0, 1.0),
    ),
    compound=True,
    pushes=False,
)
