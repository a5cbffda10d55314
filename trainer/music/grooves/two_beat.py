"""Two-beat shuffle. Pattern, comping and fills are common practice; velocities are our choice."""

from __future__ import annotations

from trainer.music.grooves.model import STAB_BEATS, Comping, Groove, Stroke, Trim
from trainer.music.grooves.pattern import FOOT, KICK, DrumBar, backbeat, ghosts, hand

__all__ = ["GROOVE"]


def _pattern(bar: DrumBar, solo: bool) -> None:
    off = (46.0, 62.0, 46.0, 64.0)
    hand(bar, solo, (70, 88, 70, 88), off)
    backbeat(bar, solo, 84)
    ghosts(bar, solo, 0.4)
    for beat in (0, 2):
        bar.add(beat, "on", KICK, 94, FOOT)
    if bar.intensity > 0.7 and bar.habit(3, FOOT, 0.4):
        bar.add(3, "off", KICK, 66, FOOT)


GROOVE = Groove(
    name="two_beat",
    title="Two-beat shuffle",
    called="two-beat",
    tempo_low_bpm=100.0,
    tempo_high_bpm=200.0,
    stage_bpm=(110, 160),
    pattern=_pattern,
    keys="electric_piano",
    comping=Comping(
        middle=(((1, "on"), (3, "on")), ((1, "on"), (1, "off"), (3, "on"))),
        full=tuple(Stroke(b, s, STAB_BEATS, 74.0) for b, s in ((0, "off"), (1, "on"), (2, "off"), (3, "on"))),
    ),
    fills=("snare", "answer", "down"),
    trim=Trim(
        bpm=140.0,
        verse=(-0.7, -0.6, -0.8, -0.5, -0.4, 0.2, -0.0, 0.1, -0.2, -0.2, 0.7),
        solo=(-0.5, -0.5, -0.5, 0.0, 0.0, 0.1, 0.2, 0.0, -0.1, 0.6, 0.4),
    ),
    line="two_beat",
)
