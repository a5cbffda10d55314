"""A take as it was heard: the band that played then, and the player's notes on the guide bass's part."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np

from trainer.band import BAND_DTYPE, PARTS, BandScore, arrange
from trainer.clock.tempo import TempoMap
from trainer.errors import UsageError
from trainer.music.general_midi import CHANNELS
from trainer.scoring.align import read_notes
from trainer.session import Chart, expand
from trainer.take import read_take

__all__ = ["take_and_band"]


def take_and_band(path: Path, count_in: bool) -> tuple[Chart, BandScore]:
    """The chart of a take, and its band with the player's notes in the place of the guide bass.

    `UsageError` when the take does not say what was to be played.
    """
    take = read_take(path)
    if take.session is None:
        raise UsageError(
            f"{path}: it does not say what was to be played; put the session beside it as {path.stem}.toml"
        )
    chart = expand(take.session)
    levels = take.header.extra.get("intensities")  # of a band that listened
    band = arrange(chart, guide="off", count_in=count_in, intensity=levels)
    notes = read_notes(take, chart).notes  # latency taken off: against the band as the player heard it
    notes = notes[(notes["pitch"] >= 0) & (notes["pitch"] < 127.5) & (notes["velocity"] > 0)]
    tempo = TempoMap(chart.tempo_segments)
    played = np.zeros(len(notes), dtype=BAND_DTYPE)
    played["onset_beats"] = tempo.beats_at(notes["onset_s"])
    played["duration_beats"] = (
        tempo.beats_at(notes["onset_s"] + np.maximum(notes["duration_s"], 0.05)) - played["onset_beats"]
    )
    played["pitch"] = np.rint(notes["pitch"])
    played["velocity"] = notes["velocity"]
    played["channel"] = CHANNELS["guide"]
    played["part"] = PARTS.index("guide")
    inside = (played["onset_beats"] >= band.first_beats) & (played["onset_beats"] < chart.end_beats)
    events = np.concatenate([band.events, played[inside]])
    order = np.lexsort((events["pitch"], events["part"], events["onset_beats"]))
    return chart, replace(band, events=events[order])
