"""The band as sound, made by the program itself: parts block by block, the mix, and the player's own bass."""

from __future__ import annotations

from pathlib import Path

from trainer.band.events import BandScore
from trainer.band.sound.font import FontRenderer, check_soundfont, has_fluidsynth, tried_soundfont
from trainer.band.sound.mixer import CEILING, DEFAULT_GAINS, Ducker, limit
from trainer.band.sound.monitor import monitor_note
from trainer.band.sound.stems import StemRenderer
from trainer.clock.tempo import TempoMap

__all__ = [
    "CEILING",
    "DEFAULT_GAINS",
    "Ducker",
    "FontRenderer",
    "StemRenderer",
    "check_soundfont",
    "has_fluidsynth",
    "limit",
    "monitor_note",
    "stem_renderer",
    "tried_soundfont",
]


def stem_renderer(
    score: BandScore, tempo: TempoMap, sample_rate_hz: int, *, soundfont: str | Path | None = None
) -> StemRenderer | FontRenderer:
    """The band's parts by the built-in sounds, or by a SoundFont of the user's own."""
    if soundfont is None:
        return StemRenderer(score, tempo, sample_rate_hz)
    return FontRenderer(score, tempo, sample_rate_hz, soundfont)
