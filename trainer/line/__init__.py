"""Model bass lines: a generator for each device, planned songs, fingering, and a stand-in player. Pure and seeded."""

from trainer.line.fingering import fingering
from trainer.line.score import DEVICES, LINE_DTYPE, Claim, LineScore
from trainer.line.song import planned_song
from trainer.line.stand_in import Feel, Performance, Slip, StandIn, Tracking
from trainer.line.write import BarPlan, compose, model_line

__all__ = [
    "DEVICES",
    "LINE_DTYPE",
    "BarPlan",
    "Claim",
    "Feel",
    "LineScore",
    "Performance",
    "Slip",
    "StandIn",
    "Tracking",
    "compose",
    "fingering",
    "model_line",
    "planned_song",
]
