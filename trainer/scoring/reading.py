"""A take read against its beat axis: what every measure works from, so that all of them speak of the same notes.

Conventions: beats are quarter notes, 0.0 the first downbeat of chorus 1; asynchrony is played minus grid, late
positive; per-beat arrays cover the whole beats from `first_beat_idx` on.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from trainer.clock.tempo import TempoMap
from trainer.profiles import Profile
from trainer.scoring.clean import CleanCounts
from trainer.scoring.why import Why
from trainer.session import Chart
from trainer.take.notes import FLAG_NO_RELEASE, JOINED, Notes

__all__ = [
    "BEAT_EMPTY",
    "BEAT_OFFBEAT",
    "BEAT_OTHER",
    "BEAT_PAIR",
    "BEAT_PARTIAL",
    "BEAT_SINGLE",
    "BEAT_TRIPLET",
    "EXCUSED_AFTER",
    "EXCUSED_COUNT_IN",
    "EXCUSED_DROP_OUT",
    "EXCUSED_FINAL",
    "EXCUSED_GAP",
    "EXCUSED_JOINED",
    "EXCUSED_NAMES",
    "EXCUSED_RITARD",
    "EXCUSED_STOP",
    "LATE_REACH_BEATS",
    "SLOT_OFF",
    "SLOT_ON",
    "SLOT_OTHER",
    "SLOT_TRIPLET_2",
    "SLOT_TRIPLET_3",
    "Bools",
    "Floats",
    "Ints",
    "Reading",
]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

# Place of a note in its beat.
SLOT_ON, SLOT_OFF, SLOT_TRIPLET_2, SLOT_TRIPLET_3, SLOT_OTHER = 0, 1, 2, 3, 4
# What a beat holds, read as a whole. OFFBEAT: nothing on the beat, one note after it.
BEAT_EMPTY, BEAT_SINGLE, BEAT_PAIR, BEAT_TRIPLET, BEAT_PARTIAL, BEAT_OFFBEAT, BEAT_OTHER = range(7)
# Why a note or a beat is left out of timing (bits; a drop-out is timed by its own measures). JOINED: not struck, but
# reached by a bend, whose time a pickup smooths.
EXCUSED_COUNT_IN, EXCUSED_RITARD, EXCUSED_STOP, EXCUSED_FINAL = 1, 2, 4, 8
EXCUSED_GAP, EXCUSED_AFTER, EXCUSED_DROP_OUT, EXCUSED_JOINED = 16, 32, 64, 128
EXCUSED_NAMES = {
    EXCUSED_COUNT_IN: "count_in",
    EXCUSED_RITARD: "ritard",
    EXCUSED_STOP: "stop",
    EXCUSED_FINAL: "final",
    EXCUSED_GAP: "gap",
    EXCUSED_AFTER: "after_the_end",
    EXCUSED_DROP_OUT: "drop_out",
    EXCUSED_JOINED: "joined",
}
LATE_REACH_BEATS = 0.25  # an on-beat reaches half-way to an even off-beat when the beat reads so; our choice


@dataclass(frozen=True)
class Reading:
    """A take read against its beat axis. `(n,)`: one row per cleaned note; `(m,)`: one row per whole beat.

    Notes: `notes` (`NOTE_DTYPE`, calibrated onsets in seconds), `beats` (onset on the beat axis), `placed_beats`
    (`beats` less the local offset), `duration_beats`, `pitch` (semitones, detuning and transposition taken off), `pc`,
    `slot`, `beat_idx` (the whole beat it belongs to; an early on-beat belongs to the beat it was meant for),
    `asynchrony_s` (against its slot: on-beat, or the band's swung off-beat; NaN elsewhere), `excused` (bits),
    `ghost` (rhythm only, never landing), `stacked` (sounds together with the note before it: no onset of its own).

    Beats: `on_note_idx` (row of the on-beat note or -1), `on_asynchrony_s` (NaN without one), `n_between` (onsets
    strictly between this on-beat and the next), `between_note_idx` (row of the first of them or -1), `beat_kind`,
    `local_offset_s` (leave-one-out), `beat_excused` (bits), `grid_s` (seconds of the beat, m + 1 long).

    `phase_s` is the constant taken off to find slots (never off the asynchronies); `off_frac` the player's usual place
    of the off-beat; `transposed_semitones` and `detuned_semitones`
    are to be asked about, and are taken off `pitch`. `unplaced` says why nobody can tell the take's on-beats from its
    off-beats; it is then read as off-beats, and nothing may be timed. `too_coarse` says that the file's ticks are too
    long for medians and spreads of its times. What is asked of the player lies from `from_beats` to `until_beats`: not
    before a file begins that starts inside the form, nor after the player stopped.
    """

    notes: Notes
    beats: Floats
    placed_beats: Floats
    duration_beats: Floats
    pitch: Floats
    pc: Ints
    slot: NDArray[np.int8]
    beat_idx: Ints
    asynchrony_s: Floats
    excused: NDArray[np.uint8]
    ghost: Bools
    stacked: Bools
    first_beat_idx: int
    on_note_idx: Ints
    on_asynchrony_s: Floats
    n_between: Ints
    between_note_idx: Ints
    beat_kind: NDArray[np.int8]
    local_offset_s: Floats
    beat_excused: NDArray[np.uint8]
    grid_s: Floats
    phase_s: float
    off_frac: float
    transposed_semitones: int
    detuned_semitones: float
    octaves_off: int
    cleaned: CleanCounts
    tempo: TempoMap
    chart: Chart | None
    profile: Profile
    calibrated: bool
    unplaced: Why | None = None
    too_coarse: Why | None = None
    from_beats: float = -math.inf
    until_beats: float = math.inf

    @property
    def n(self) -> int:
        return len(self.notes)

    @property
    def n_beats(self) -> int:
        return len(self.on_note_idx)

    @property
    def beat_numbers(self) -> Ints:
        """The whole beat of each per-beat row: (m,)."""
        return self.first_beat_idx + np.arange(self.n_beats, dtype=np.int64)

    @property
    def end_beats(self) -> Floats:
        """Beat where each note stops sounding: (n,)."""
        return self.beats + self.duration_beats

    @property
    def no_release(self) -> Bools:
        """Notes whose length means nothing: (n,)."""
        return np.asarray((self.notes["flags"] & FLAG_NO_RELEASE) != 0, dtype=np.bool_)

    @property
    def joined(self) -> Bools:
        """Notes that were not struck: a bend leads to them. (n,)."""
        return np.asarray((self.notes["flags"] & JOINED) != 0, dtype=np.bool_)

    def row_of_beat(self, beat: int) -> int:
        """Row of a whole beat in the per-beat arrays, or -1 outside them."""
        row = beat - self.first_beat_idx
        return row if 0 <= row < self.n_beats else -1
