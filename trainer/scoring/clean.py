"""Cleaning by input profile: what a pickup got wrong is taken out and counted, never silently.

Goal: the notes the player meant, from the notes the input sent. Raw events stay in the take. Off for pads, keys, typing
and files from elsewhere; on for pitch-tracked strings.

Conventions: seconds, MIDI semitones; `NOTE_DTYPE` in and out, sorted by onset. A calibrated input reports a note
`base_ms + 1000 * periods / f0` late (a pitch tracker needs at least two periods: Fonseca & Tavares 2020); that delay is
taken off here, so that a new calibration rescores old takes. A pitch that a bend leads to waits for no periods: its
string is followed already.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from trainer.scoring.figure import Count, Row
from trainer.take.model import Calibration, TakeHeader
from trainer.take.notes import FLAG_DEAD, JOINED, Notes, sorted_notes

__all__ = ["CleanCounts", "CleanNotes", "clean", "delay_s", "pitch_hz"]

RETRIGGER_MAX_S = 0.035  # our choice: no hand strikes a string again sooner
RETRIGGER_SHORT_SHARE = 0.3  # our choice: of the expected short note
FALSE_START_MAX_S = 0.040  # our choice
FALSE_START_GAP_S = 0.010  # our choice: "without a gap"
FALSE_START_STEPS = (12, 19, 24)  # an octave, a twelfth, two octaves: the partials a tracker mistakes
A4_HZ = 440.0  # ISO 16


@dataclass(frozen=True, slots=True)
class CleanCounts(Row):
    """How many notes were taken out or set aside, by cause."""

    retrigger: Count = 0
    false_start: Count = 0
    ghost: Count = 0


@dataclass(frozen=True)
class CleanNotes:
    """Cleaned notes (sorted), which of them are rhythm only (under the velocity floor, or heard as strokes without
    pitch), and the counts so far."""

    notes: Notes
    under_floor: NDArray[np.bool_]
    counts: CleanCounts


def pitch_hz(pitch_semitones: NDArray[np.float64]) -> NDArray[np.float64]:
    """Fundamental in Hz of MIDI pitches (A4 = 69 = 440 Hz): (n,) in, (n,) out."""
    out: NDArray[np.float64] = A4_HZ * 2.0 ** ((np.asarray(pitch_semitones, dtype=np.float64) - 69.0) / 12.0)
    return out


def delay_s(calibration: Calibration | None, pitch_semitones: NDArray[np.float64]) -> NDArray[np.float64]:
    """Seconds by which each note was reported late: base + periods / f0; zeros without a calibration."""
    pitches = np.asarray(pitch_semitones, dtype=np.float64)
    if calibration is None:
        return np.zeros(len(pitches))
    return calibration.base_ms / 1000.0 + calibration.periods / pitch_hz(pitches)


def clean(notes: Notes, header: TakeHeader, short_note_s: float) -> CleanNotes:
    """The notes the player meant. `short_note_s`: the expected short note (swung off-beat to next beat), seconds.

    Calibrated delays are taken off for every profile; false starts, re-triggers and the velocity floor are looked at
    for strings only. Empty in, empty out.
    """
    table = sorted_notes(notes)
    strings = header.profile == "strings" and not header.foreign
    n_false = n_re = 0
    if strings and len(table):
        # As they were reported: an octave's delay is half as long, so that taking it off would pull the two apart.
        table, n_false = _join_false_starts(table)
        table, n_re = _join_retriggers(table, min(RETRIGGER_MAX_S, RETRIGGER_SHORT_SHARE * short_note_s))
    if len(table) and header.calibration is not None:
        table = table.copy()
        base_s = header.calibration.base_ms / 1000.0
        late = delay_s(header.calibration, table["pitch"].astype(np.float64))
        late[(table["flags"] & JOINED) != 0] = base_s
        table["onset_s"] -= late
        # The end of a note is reported late by the base alone: only its beginning waits for periods.
        table["duration_s"] += late - base_s
        table = sorted_notes(table)
    floor = (table["flags"] & FLAG_DEAD) != 0
    if strings:
        floor |= table["velocity"] < header.velocity_floor
    return CleanNotes(table, np.asarray(floor, dtype=np.bool_), CleanCounts(n_re, n_false, 0))


def _join_false_starts(notes: Notes) -> tuple[Notes, int]:
    """A note under 40 ms that runs into another an octave or twelfth away: first onset, second pitch."""
    if len(notes) < 2:
        return notes, 0
    first, second = notes[:-1], notes[1:]
    step = np.abs(np.rint(second["pitch"]) - np.rint(first["pitch"]))
    gap = second["onset_s"] - (first["onset_s"] + first["duration_s"])
    soon = second["onset_s"] - first["onset_s"] < FALSE_START_MAX_S
    found = (first["duration_s"] < FALSE_START_MAX_S) & soon & (np.abs(gap) <= FALSE_START_GAP_S)
    found &= np.isin(step, FALSE_START_STEPS)
    found[1:] &= ~found[:-1]  # a chain of three is one false start and a note
    at = np.flatnonzero(found)
    if not len(at):
        return notes, 0
    out = notes.copy()
    end_s = out["onset_s"][at + 1] + out["duration_s"][at + 1]
    out["onset_s"][at + 1] = out["onset_s"][at]
    out["duration_s"][at + 1] = end_s - out["onset_s"][at]
    out["velocity"][at + 1] = np.maximum(out["velocity"][at], out["velocity"][at + 1])
    return sorted_notes(np.delete(out, at)), len(at)


def _join_retriggers(notes: Notes, within_s: float) -> tuple[Notes, int]:
    """The same pitch again within `within_s` at lower velocity (or equal, if all are equal): one note."""
    if len(notes) < 2:
        return notes, 0
    order = np.lexsort((notes["onset_s"], np.rint(notes["pitch"])))
    table = notes[order]
    first, second = table[:-1], table[1:]
    flat = bool(np.all(notes["velocity"] == notes["velocity"][0]))
    softer = second["velocity"].astype(np.int16) < first["velocity"].astype(np.int16) + flat
    again = (np.rint(first["pitch"]) == np.rint(second["pitch"])) & softer
    again &= second["onset_s"] - first["onset_s"] <= within_s
    at = np.flatnonzero(again) + 1
    if not len(at):
        return notes, 0
    out = table.copy()
    keeper = np.arange(len(out))
    keeper[at] = 0
    keeper = np.maximum.accumulate(keeper)
    ends_s = out["onset_s"] + out["duration_s"]
    last_s = np.full(len(out), -np.inf)
    np.maximum.at(last_s, keeper, ends_s)
    out["duration_s"] = np.maximum(out["duration_s"], last_s - out["onset_s"])
    return sorted_notes(np.delete(out, at)), len(at)
