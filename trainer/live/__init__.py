"""The front of a running session: starts and watches the engine, shows where the song is, reads the keys."""

from trainer.live.offline import play_offline
from trainer.live.options import PartMix, PlayOptions, PlayResult

__all__ = ["PartMix", "PlayOptions", "PlayResult", "play_offline"]
