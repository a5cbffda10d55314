"""Questions of pitch: a constant detuning or transposition, taken off and asked about, never scored as wrong notes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from trainer.scoring.changes import root_changes
from trainer.scoring.reading import Floats, Reading
from trainer.session import Chart

__all__ = ["transposed", "tuned"]

TRANSPOSED_MIN_CHANGES = 6  # our choice
TRANSPOSED_FIT, OWN_FIT = 0.6, 0.25  # share of roots at changes: transposed at least, as it is at most; our choice


def tuned(pitch: Floats) -> tuple[Floats, float, int]:
    """Pitches with a constant detuning taken off, that detuning, and whole octaves off a bass's range."""
    if not len(pitch):
        return pitch, 0.0, 0
    turn = 2.0j * np.pi * (pitch - np.rint(pitch))
    mean = np.mean(np.exp(turn))
    detuned = float(np.angle(mean) / (2.0 * np.pi))
    # Less than a tenth of a semitone is intonation; a weak direction is bends, not detuning. Our choice.
    if abs(detuned) < 0.1 or abs(mean) < 0.5:
        detuned = 0.0
    middle = float(np.median(pitch))
    octaves = int(np.ceil(max(0.0, (middle - 60.0) / 12.0)) - np.ceil(max(0.0, (26.0 - middle) / 12.0)))
    return pitch - detuned, round(detuned, 3), octaves


def transposed(reading: Reading, chart: Chart) -> Reading:
    """A constant transposition under which most changes land on their root is taken off, to be asked about."""
    at, target = root_changes(chart)
    rows = np.clip(at.astype(np.int64) - reading.first_beat_idx, 0, reading.n_beats - 1)
    notes = reading.on_note_idx[rows]
    have = notes >= 0
    if np.count_nonzero(have) < TRANSPOSED_MIN_CHANGES:
        return reading
    steps = (reading.pc[notes[have]] - target[have]) % 12
    share = np.bincount(steps, minlength=12) / len(steps)
    best = int(np.argmax(share))
    if best == 0 or share[best] < TRANSPOSED_FIT or share[0] > OWN_FIT:
        return reading
    shift = best if best <= 6 else best - 12
    pitch = reading.pitch - shift
    return replace(reading, pitch=pitch, pc=np.rint(pitch).astype(np.int64) % 12, transposed_semitones=shift)
