"""The front of a running session: starts and watches the engine, shows where the song is, reads the keys."""

from trainer.live.front import play
from trainer.live.offline import Player, play_offline
from trainer.live.options import PartMix, PlayOptions, PlayResult
from trainer.live.rescue import recover_takes

__all__ = [
    "PartMix",
    "PlayOptions",
    "PlayResult",
    "Player",
    "play",
    "play_offline",
    "recover_takes",
]
