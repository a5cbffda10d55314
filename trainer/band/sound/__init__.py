"""The band as sound, made by the program itself: parts block by block, the mix, and the player's own bass."""

from trainer.band.sound.mixer import CEILING, DEFAULT_GAINS, limit, mix
from trainer.band.sound.monitor import monitor_note
from trainer.band.sound.stems import StemRenderer

__all__ = ["CEILING", "DEFAULT_GAINS", "StemRenderer", "limit", "mix", "monitor_note"]
