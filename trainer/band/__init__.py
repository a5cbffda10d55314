"""The band: from a chart and a seed to events, sound and files. Pure and seeded, but for the files it writes."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from trainer.band.arranger import arrange
from trainer.band.events import BAND_DTYPE, PARTS, BandScore

if TYPE_CHECKING:
    from trainer.band.render import render_midi, render_wav

__all__ = ["BAND_DTYPE", "PARTS", "BandScore", "arrange", "render_midi", "render_wav"]


def __getattr__(name: str) -> Any:
    # File writing brings mido with it; the engine does without until asked.
    if name in ("render_midi", "render_wav"):
        from trainer.band import render

        return getattr(render, name)
    raise AttributeError(name)
