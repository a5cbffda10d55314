"""From sound to a note table: what the ear's second pass hears, in the form that takes have."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from trainer.errors import FileFormatError
from trainer.hearing import HEARING_VERSION, Heard, refine
from trainer.take.notes import FLAG_DEAD, Notes, empty_notes, sorted_notes
from trainer.take.sound_file import Sound

__all__ = ["HeardNotes", "heard_in", "note_table"]

DEAD_PITCH = 28.0  # E1: where a stroke without pitch is written before any note has been played; our choice
CODED = (
    "compressed sound: a coder may move all onsets alike, by up to some 50 ms, so the mean of their offsets is unsure; "
    "spread and swing are not; export WAV or FLAC to be sure"
)


@dataclass(frozen=True)
class HeardNotes:
    """`notes` in seconds from the sound's start; `remarks` for the person; `facts` as plain data for a header."""

    notes: Notes
    remarks: tuple[str, ...]
    facts: dict[str, Any]
    heard: Heard


def heard_in(sound: Sound, source: str) -> HeardNotes:
    """The notes in a sound. `FileFormatError` where it is not one bass, with what was heard instead."""
    heard = refine(sound.samples, float(sound.rate_hz))
    if heard.refusal is not None:
        raise FileFormatError(f"{source}: {heard.refusal}; expected a recording of one bass, note after note")
    notes = note_table(heard.notes)
    n_dead, n_unsure = int(np.count_nonzero(heard.notes["dead"])), _n_unsure(heard.notes)
    remarks = []
    if heard.doubt is not None:
        remarks.append(heard.doubt)
    if heard.n_before:
        remarks.append(f"{heard.n_before} sounds before the first note of the bass stand on no fret and are left out")
    if n_unsure:
        remarks.append(f"{n_unsure} of {len(notes)} notes never settled on a pitch; the nearest is taken")
    if sound.coded:
        remarks.append(CODED)
    if sound.broken_off:
        remarks.append(
            f"the file breaks off or was never finished (a recorder cut off?): {sound.duration_s:.1f} s of it were read"
        )
    if sound.n_not_finite:
        remarks.append(f"{sound.n_not_finite} samples were no numbers and count as silence")
    facts = {
        "version": HEARING_VERSION,
        "rate_hz": sound.file_rate_hz,
        "channel": sound.channel,
        "n_channels": sound.n_channels,
        "a4_hz": round(float(heard.a4_hz), 2),
        "level_db": _rounded(heard.level_db),
        "noise_db": _rounded(heard.noise_db),
        "scatter_ms": None if heard.scatter_s is None else round(1e3 * heard.scatter_s, 4),
        "n_dead": n_dead,
        "n_unsettled": n_unsure,
    }
    return HeardNotes(notes, tuple(remarks), facts, heard)


def note_table(rows: NDArray[Any]) -> Notes:
    """The ear's rows as `NOTE_DTYPE`. A stroke without pitch is flagged, and stands at the pitch of the note before."""
    notes = empty_notes(len(rows))
    for name in ("onset_s", "duration_s", "velocity"):
        notes[name] = rows[name]
    notes["velocity"] = np.clip(notes["velocity"], 1, 127)
    pitched = np.isfinite(rows["pitch"]) & ~rows["dead"]
    before = np.maximum.accumulate(np.where(pitched, np.arange(len(rows)), -1)) if len(rows) else np.zeros(0, int)
    notes["pitch"] = np.where(before >= 0, rows["pitch"][np.clip(before, 0, None)], DEAD_PITCH)
    notes["flags"][~pitched] |= FLAG_DEAD
    return sorted_notes(notes)


def _n_unsure(rows: NDArray[Any]) -> int:
    return int(np.count_nonzero(~rows["settled"] & ~rows["dead"]))


def _rounded(level: float | None) -> float | None:
    return None if level is None or not np.isfinite(level) else round(float(level), 1)
