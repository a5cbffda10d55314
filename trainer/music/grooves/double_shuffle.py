"""Double shuffle, both hands swing. Pattern, comping and fills are common practice; velocities are our choice."""

from __future__ import annotations

from trainer.music.grooves.model import Comping, Groove, Trim
from trainer.music.grooves.pattern import FOOT, KICK, SIDE_STICK, SNARE, STICK, DrumBar, hand

__all__ = ["GROOVE"]


def _pattern(bar: DrumBar, solo: bool) -> None:
    hand(bar, solo, (78, 86, 78, 86), (64, 66, 64, 68))
    quiet = SIDE_STICK if not solo and bar.intensity < 0.25 else SNARE
    for beat in range(4):
        back = beat in (1, 3)
        bar.add(beat, "on", quiet if not back else SNARE, 98 if back else 50, STICK)
        bar.add(beat, "off", quiet, 54, STICK)
    for beat in (0, 2) if bar.intensity < 0.4 else (0, 1, 2, 3):
        bar.add(beat, "on", KICK, 88 if beat in (0, 2) else 66, FOOT)
    if bar.intensity > 0.7 and bar.habit(3, FOOT, 0.5):
        bar.add(3, "off", KICK, 74, FOOT)


GROOVE = Groove(
    name="double_shuffle",
    title="Double shuffle, both hands swing",
    called="double shuffle",
    tempo_low_bpm=100.0,
    tempo_high_bpm=150.0,
    stage_bpm=(104, 132),
    pattern=_pattern,
    keys="organ",
    comping=Comping(
        middle=(((0, "off"), (1, "off"), (3, "off")), ((1, "off"), (3, "off"))),
        chop_beats=(0, 2),
    ),
    fills=("down", "snare", "snare", "kick_snare", "press"),
    trim=Trim(
        bpm=120.0,
        verse=(-0.7, -0.7, -0.8, -0.7, -0.9, -0.5, -0.3, -0.1, 0.1, -0.0, -0.7),
        solo=(-0.4, -0.3, -0.3, 0.1, -0.2, 0.0, 0.1, 0.5, 0.3, -0.5, -0.5),
    ),
)
