"""Which notes are attacks of their own, and which are rhythm only."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from trainer.scoring.reading import SLOT_ON, Bools, Ints, Reading
from trainer.session import Chart
from trainer.take.notes import Notes

__all__ = ["dead", "ghosts", "line_rows", "one_each", "rolled", "stacked"]

GHOST_MAX_S = 0.080  # our choice
STACK_MAX_S = 0.015  # our choice: two pitches sounding together within this are one onset

# Of the hand, not of the line; our choice.
FLAM_MAX_S, DOUBLE_STOP_MAX_S, DOUBLE_STOP_LEAST_STEPS = 0.060, 0.030, 3
ROLLED_MAX_S, ROLLED_SHARE = 0.060, 0.5  # a rolled one, whose first string rings through half of the second at least
DEAD_MAX_S, DEAD_SOFTER = 0.080, 0.7


def stacked(notes: Notes) -> Bools:
    """Notes that sound together with the one before (another pitch, within 15 ms, overlapping): one onset."""
    out = np.zeros(len(notes), dtype=np.bool_)
    if len(notes) > 1:
        a, b = notes[:-1], notes[1:]
        step_s = b["onset_s"] - a["onset_s"]
        overlap = a["onset_s"] + a["duration_s"] > b["onset_s"] + 0.01
        out[1:] = (step_s <= STACK_MAX_S) & (np.rint(a["pitch"]) != np.rint(b["pitch"])) & overlap
    return out


def ghosts(reading: Reading, chart: Chart, *, on: bool) -> Reading:
    """Marks notes under 80 ms, off the beat and not of the chord, as rhythm only (pitch-tracked strings)."""
    if not on:
        return reading
    chords = [sum(1 << pc for pc in span.chord.pcs) for span in chart.spans]
    masks = np.array(chords, dtype=np.int64)[chart.span_idx_at(reading.placed_beats + 0.02)]
    of_chord = (masks >> reading.pc) & 1 == 1
    short = (reading.notes["duration_s"] <= GHOST_MAX_S) & (reading.slot != SLOT_ON) & ~of_chord
    ghost = reading.ghost | short
    return replace(reading, ghost=ghost, cleaned=replace(reading.cleaned, ghost=int(np.count_nonzero(ghost))))


def dead(notes: Notes) -> Bools:
    """Strokes on a muted string, as far as a note tells: short, and clearly softer than the take's middle note."""
    loud = notes["velocity"].astype(np.float64)
    usual = float(np.median(loud)) if len(loud) else 0.0
    return np.asarray((notes["duration_s"] <= DEAD_MAX_S) & (loud <= DEAD_SOFTER * usual), dtype=np.bool_)


def line_rows(reading: Reading) -> Ints:
    """Rows of the notes that make the line: without ghosts and dead notes, a flam or a double stop as one note."""
    return one_each(reading, np.flatnonzero(~reading.ghost & ~dead(reading.notes)))


def rolled(reading: Reading, first: int, second: int) -> bool:
    """Whether two notes (rows) are a double stop rolled upwards: soon after each other, and sounding on together."""
    a, b = reading.notes[first], reading.notes[second]
    step_s = float(b["onset_s"] - a["onset_s"])
    up = reading.pitch[second] - reading.pitch[first] >= DOUBLE_STOP_LEAST_STEPS
    return bool(up and 0.0 <= step_s <= ROLLED_MAX_S and a["duration_s"] - step_s >= ROLLED_SHARE * b["duration_s"])


def one_each(reading: Reading, rows: Ints) -> Ints:
    """The rows with a flam or a double stop, struck or rolled, as one note.

    Of a flam the second stroke counts, of a double stop the lowest note.
    """
    notes = reading.notes
    if not np.any(np.diff(notes["onset_s"][rows]) <= max(FLAM_MAX_S, ROLLED_MAX_S)):
        return rows
    onset, length, pitches = notes["onset_s"].tolist(), notes["duration_s"].tolist(), reading.pitch.tolist()
    out: list[int] = []
    for row in rows.tolist():
        if out:
            before = out[-1]
            step_s, steps = onset[row] - onset[before], abs(pitches[row] - pitches[before])
            overlap = length[before] > step_s
            stop = steps >= DOUBLE_STOP_LEAST_STEPS and step_s <= DOUBLE_STOP_MAX_S and overlap
            stop |= step_s <= ROLLED_MAX_S and rolled(reading, before, row)
            if stop or (steps < 0.5 and step_s <= FLAM_MAX_S):
                out[-1] = row if steps < 0.5 or pitches[row] < pitches[before] else before
                continue
        out.append(row)
    return np.array(out, dtype=np.int64)
