"""The click that a latency is measured with, what a take of it says, and under what the result is kept."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from trainer.music.general_midi import CHANNELS
from trainer.ports.audio import output_name
from trainer.profiles import PortProfile
from trainer.scoring.align import read_notes
from trainer.scoring.latency import LatencyFit, fit_latency
from trainer.scoring.timing import band_reference_s
from trainer.session import Session, expand, session_from_dict
from trainer.settings import PortSettings
from trainer.take import Calibration, Take
from trainer.take.model import calibration_from
from trainer.take.notes import Notes

__all__ = [
    "TYPING_PORT",
    "bass_port",
    "calibration_key",
    "click_rows",
    "click_session",
    "clicks_of",
    "fit_take",
    "kept_calibration",
    "stored_calibration",
]

TYPING_PORT = "computer keyboard"
CLICK_PITCH = 76
CLICK_BEATS = 0.1
STRINGS = ("E", "A", "D", "G")


def bass_port(name: str) -> str:
    """Under what a sound input is remembered: an interface's MIDI port may have the same name."""
    return f"{name} (sound in)"


def calibration_key(output: str, monitor: bool) -> str:
    """Under what a calibration is kept: the output and whether the monitor was on, both of which change the delay."""
    return f"{output}|{'monitor' if monitor else 'direct'}"


def kept_calibration(known: PortSettings, output: str, monitor: bool) -> Calibration | None:
    """The calibration made of this input with that output, by its whole name, and monitor setting, or None."""
    kept = known.calibrations.get(calibration_key(output, monitor))
    return None if kept is None else calibration_from(kept, f"the settings of {known.port}")


def stored_calibration(known: PortSettings, audio: str, monitor: bool) -> Calibration | None:
    """The same for an output as it is asked for: "auto", "none" or part of a name."""
    return kept_calibration(known, output_name(audio), monitor) if known.calibrations else None


def click_session(profile: PortProfile, n_clicks: int, tempo_bpm: float) -> Session:
    """A session whose chart shows what to play: for strings, a string at a time; else one note throughout."""
    n_bars = max(2, -(-n_clicks // 4))
    if profile == "strings":
        bars = [STRINGS[i * len(STRINGS) // n_bars] for i in range(n_bars)]
    else:
        bars = ["E"] * n_bars
    return session_from_dict(
        {
            "title": "Calibration: one note to each click",
            "key": "E",
            "tempo_bpm": tempo_bpm,
            "swing_ratio": 1.0,
            "groove": "straight",
            "form": "chart",
            "chart": {"bars": bars},
            "count_in_bars": 1,
            "guide": "on",
            "chorus": [{"role": "verse"}],
        },
        "the calibration",
    )


def click_rows(session: Session) -> list[tuple[float, float, float, float]]:
    """The click as the guide bass's line: a short high note on every beat."""
    n_beats = round(expand(session).end_beats)
    return [
        (float(beat), CLICK_BEATS, float(CLICK_PITCH), 112.0 if beat % 4 == 0 else 100.0) for beat in range(n_beats)
    ]


def clicks_of(take: Take) -> NDArray[Any]:
    """When the clicks sounded, seconds of the take: (m,) float64, rising; none in a take of a song.

    The band's parts vary by a few ms as people do, under what a listener notices (6 ms: Friberg & Sundberg 1995), so a
    player follows their even mean: the grid, moved by the mean of the variation.
    """
    band = take.band
    here = (band["channel"] == CHANNELS["guide"]) & (band["pitch"] == CLICK_PITCH)
    sounded = np.sort(band["onset_s"][here].astype(np.float64))
    grid = np.asarray(take.tempo.seconds_at(np.rint(take.tempo.beats_at(sounded))), dtype=np.float64)
    return grid + float(np.mean(sounded - grid)) if len(sounded) else grid


def fit_take(take: Take, profile: PortProfile) -> LatencyFit:
    """The latency in a take; by pitch for strings. Of notes played to the click all count, of a song those on the
    beat, against the drums where they vary."""
    notes, clicks = take.notes, clicks_of(take)
    if not len(clicks):
        notes, clicks = _on_beats(take)
    return fit_latency(notes["onset_s"], clicks, notes["pitch"] if profile == "strings" else None)


def _on_beats(take: Take) -> tuple[Notes, NDArray[Any]]:
    """The on-beat notes of a song as they were played, uncalibrated, and the beats they were played to, seconds."""
    raw = replace(take, header=replace(take.header, calibration=None))
    reading = read_notes(raw, None if take.session is None else expand(take.session))
    rows = np.flatnonzero((reading.on_note_idx >= 0) & (reading.beat_excused == 0) & (reading.unplaced is None))
    drums = band_reference_s(take.band, take.tempo, reading.first_beat_idx, reading.n_beats)
    return reading.notes[reading.on_note_idx[rows]], (reading.grid_s[:-1] + np.nan_to_num(drums))[rows]
