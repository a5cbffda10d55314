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
GUIDE_TONES_FIT = 0.45  # of all on-beat notes of their triads, for thirds on the changes to be thirds; our choice
CLEAR_GAIN = 0.10  # of the share of all on-beat notes that are of their chord's triad; our choice


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
    """A constant transposition under which most changes land on their root is taken off, to be asked about.

    Thirds on the changes, fifths on 1 and riffs that rest on 1 look like one at the changes alone: the notes of all
    beats must become notes of their triads, too, clearly more often than as they are. (Thirds and sevenths of minor
    chords are roots and fifths a third lower: if half the notes are of their triads as they are, they stay.)
    """
    at, target = root_changes(chart)
    rows = np.clip(at.astype(np.int64) - reading.first_beat_idx, 0, reading.n_beats - 1)
    notes = reading.on_note_idx[rows]
    # A slide is where it arrives, whatever it passes: its first note is no evidence of where the notes lie.
    led_on = np.append(reading.joined[1:], False)
    have = (notes >= 0) & ~led_on[notes]
    if np.count_nonzero(have) < TRANSPOSED_MIN_CHANGES:
        return reading
    steps = (reading.pc[notes[have]] - target[have]) % 12
    share = np.bincount(steps, minlength=12) / len(steps)
    best = int(np.argmax(share))
    if best == 0 or share[best] < TRANSPOSED_FIT or share[0] > OWN_FIT:
        return reading
    triads = _triad_shares(reading, chart)
    guide_tones = best in (3, 4) and triads[0] > GUIDE_TONES_FIT
    if guide_tones or triads[best] < triads[0] + CLEAR_GAIN:
        return reading
    shift = best if best <= 6 else best - 12
    pitch = reading.pitch - shift
    return replace(reading, pitch=pitch, pc=np.rint(pitch).astype(np.int64) % 12, transposed_semitones=shift)


def _triad_shares(reading: Reading, chart: Chart) -> Floats:
    """Share of on-beat notes that are of their chord's triad, with so many semitones taken off: (12,)."""
    notes = reading.on_note_idx[reading.on_note_idx >= 0]
    spans = chart.span_idx_at(reading.beat_numbers[reading.on_note_idx >= 0].astype(np.float64))
    masks = np.array([sum(1 << pc for pc in span.chord.pcs[:3]) for span in chart.spans], dtype=np.int64)[spans]
    pc = (reading.pc[notes][:, None] - np.arange(12)[None, :]) % 12
    out: Floats = np.mean((masks[:, None] >> pc) & 1 == 1, axis=0)
    return out
