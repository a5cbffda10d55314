"""Which notes are attacks of their own, and which are rhythm only."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from trainer.scoring.reading import SLOT_ON, Bools, Reading
from trainer.session import Chart
from trainer.take.notes import Notes

__all__ = ["ghosts", "stacked"]

GHOST_MAX_S = 0.080  # our choice
STACK_MAX_S = 0.015  # our choice: two pitches sounding together within this are one onset


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
