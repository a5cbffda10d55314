"""Which beat, and which place in the beat, each note was meant for: the order in which a take is read.

Goal: one frozen `Reading` of a take that every measure works from. The steps, each in a file of its own: give each
pitch of a bent note a row (`take.bent`); `clean` what a pickup got wrong; take a constant detuning off (`tuning`); fold
notes that sound together into one attack (`attacks`); fit one constant offset (`phase`), so that an uncalibrated
latency cannot push notes into the wrong slot; let a local offset follow the player and give each beat its on-beat
(`slots`, `doubtful`, `drop_outs`); read each beat as a whole (`beat_kinds`); say what nobody was asked for
(`excused`); ask about a transposition (`tuning`).

Conventions: those of `reading`; nothing here clips on ratio.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from trainer.clock.tempo import TempoMap, swing_offbeat_frac
from trainer.scoring import excused as excuse
from trainer.scoring.attacks import ghosts, stacked
from trainer.scoring.beat_kinds import beat_kinds
from trainer.scoring.clean import clean
from trainer.scoring.drop_outs import drop_spans
from trainer.scoring.phase import fit_phase
from trainer.scoring.reading import (
    EXCUSED_COUNT_IN,
    EXCUSED_GAP,
    EXCUSED_JOINED,
    SLOT_OFF,
    SLOT_OTHER,
    Bools,
    Floats,
    Ints,
    Reading,
)
from trainer.scoring.slots import Placed, own_off_frac, place
from trainer.scoring.tuning import transposed, tuned
from trainer.session import Chart
from trainer.take.bent import unfolded
from trainer.take.model import Take
from trainer.take.notes import FLAG_GLITCH, JOINED, Notes

__all__ = ["read_notes"]


def read_notes(take: Take, chart: Chart | None = None) -> Reading:
    """Clean, calibrate and place every note of a take. An empty take gives a reading with no notes."""
    take = unfolded(take)
    ratio = chart.swing_ratio if chart is not None else 2.0
    tempo_bpm = float(np.median(take.tempo.bpm)) if chart is None else chart.session.tempo_bpm
    cleaned = clean(take.notes, take.header, 60.0 / tempo_bpm / (1.0 + ratio))
    notes, tempo = cleaned.notes, take.tempo
    _check(notes)
    onset_s = notes["onset_s"].astype(np.float64)
    beats = np.asarray(tempo.beats_at(onset_s), dtype=np.float64)
    ends = np.asarray(tempo.beats_at(onset_s + notes["duration_s"]), dtype=np.float64)
    pitch, detuned, octaves = tuned(notes["pitch"].astype(np.float64))
    pc = np.rint(pitch).astype(np.int64) % 12
    with_others = stacked(notes)
    first, n_beats = _beat_range(beats, chart)
    ks = first + np.arange(n_beats + 1, dtype=np.float64)

    struck = (notes["flags"] & JOINED) == 0
    phase_s, unplaced = fit_phase(beats, pc, struck, take, chart)
    # Everything about slots works on onsets with the constant taken off.
    here = np.asarray(tempo.beats_at(onset_s - phase_s), dtype=np.float64)
    rows = np.flatnonzero(~with_others)
    placed, off_frac = _placed(here[rows], ks, float(swing_offbeat_frac(ratio)), drop_spans(chart))
    kind, slot_of, frac_of = beat_kinds(here[rows], placed, off_frac)
    band_off = float(swing_offbeat_frac(chart.swing_ratio)) if chart is not None else float("nan")

    # Back to all notes: a stacked note shares the slot of the note it sounds with.
    leader = np.searchsorted(rows, np.maximum.accumulate(np.where(with_others, 0, np.arange(len(notes)))))
    slot, beat_row = slot_of[leader].astype(np.int8), placed.beat_row[leader]
    local = placed.local[np.clip(beat_row, 0, n_beats)]
    ideal = (first + beat_row).astype(np.float64) + np.where(slot == SLOT_OFF, band_off, frac_of[leader])
    on_note = _rows_or_none(placed.on, rows)
    grid_s = np.asarray(tempo.seconds_at(ks), dtype=np.float64)
    has = on_note >= 0
    on_asynchrony_s = np.full(n_beats, np.nan)
    on_asynchrony_s[has] = onset_s[on_note[has]] - grid_s[:-1][has]
    excused, beat_excused = _excused(notes, beat_row, on_note, grid_s[:-1] + phase_s, ks[:-1], take, chart)

    reading = Reading(
        notes=notes,
        beats=beats,
        placed_beats=here - local,
        duration_beats=ends - beats,
        pitch=pitch,
        pc=pc,
        slot=slot,
        beat_idx=first + beat_row,
        asynchrony_s=_asynchrony_s(onset_s, ideal, slot != SLOT_OTHER, tempo),
        excused=excused,
        ghost=cleaned.under_floor,
        stacked=with_others,
        first_beat_idx=first,
        on_note_idx=on_note,
        on_asynchrony_s=on_asynchrony_s,
        n_between=placed.n_between,
        between_note_idx=_rows_or_none(placed.first_between, rows),
        beat_kind=kind,
        local_offset_s=tempo.seconds_at(ks[:-1] + placed.local[:-1]) - grid_s[:-1] + phase_s,
        beat_excused=beat_excused,
        grid_s=grid_s,
        phase_s=phase_s,
        off_frac=off_frac,
        transposed_semitones=0,
        detuned_semitones=detuned,
        octaves_off=octaves,
        cleaned=cleaned.counts,
        tempo=tempo,
        chart=chart,
        profile=take.header.profile,
        calibrated=take.header.calibration is not None,
        unplaced=unplaced,
        too_coarse=excuse.too_coarse(take),
    )
    if chart is None or not len(notes):
        return reading
    reading = replace(
        reading,
        from_beats=excuse.begins(reading.placed_beats, take, chart),
        until_beats=excuse.stops(reading.placed_beats, reading.end_beats, chart),
    )
    reading = transposed(reading, chart)
    return ghosts(reading, chart, on=take.header.profile == "strings" and not take.header.foreign)


def _check(notes: Notes) -> None:
    for name in ("onset_s", "duration_s", "pitch"):
        if not np.all(np.isfinite(notes[name])):
            raise ValueError(f"the note table holds a {name} that is not finite; expected seconds and semitones")
    if np.any(notes["duration_s"] < 0.0):
        raise ValueError("the note table holds a negative duration_s; expected 0 or more seconds")


def _beat_range(beats: Floats, chart: Chart | None) -> tuple[int, int]:
    """The first whole beat that is read, and how many."""
    if chart is not None:
        first, last = int(np.floor(chart.first_beats)), int(np.ceil(chart.end_beats)) - 1
    elif len(beats):
        first, last = int(np.floor(beats[0] - 0.5)), int(np.ceil(beats[-1] + 0.5))
    else:
        first, last = 0, 0
    return first, last - first + 1


def _placed(b: Floats, ks: Floats, off_frac: float, drops: list[tuple[int, int]]) -> tuple[Placed, float]:
    """Onsets in their beats, by the player's own place of the off-beat, and that place."""
    placed = place(b, ks, off_frac, drops)
    own = own_off_frac(b, placed, off_frac)
    if abs(own - off_frac) > 0.01:
        off_frac = own
        placed = place(b, ks, off_frac, drops)
        off_frac = own_off_frac(b, placed, off_frac)
    return placed, off_frac


def _rows_or_none(at: Ints, rows: Ints) -> Ints:
    """Rows of the note table for rows of the attacks, -1 left as it is."""
    return np.where(at >= 0, rows[np.clip(at, 0, None)] if len(rows) else -1, -1)


def _asynchrony_s(onset_s: Floats, ideal_beats: Floats, known: Bools, tempo: TempoMap) -> Floats:
    out = np.full(len(onset_s), np.nan)
    out[known] = onset_s[known] - np.asarray(tempo.seconds_at(ideal_beats[known]), dtype=np.float64)
    return out


def _excused(
    notes: Notes, beat_row: Ints, on_note: Ints, beat_s: Floats, ks: Floats, take: Take, chart: Chart | None
) -> tuple[NDArray[np.uint8], NDArray[np.uint8]]:
    """Why each note and each beat is left out of timing, as bits: (n,) and (m,)."""
    of_beat = excuse.excused_beats(ks, chart)
    of_note = np.where(beat_row < 0, EXCUSED_COUNT_IN, of_beat[np.clip(beat_row, 0, len(ks) - 1)])
    in_gap = excuse.near_gaps(notes["onset_s"].astype(np.float64), take) | ((notes["flags"] & FLAG_GLITCH) != 0)
    joined = (notes["flags"] & JOINED) != 0
    beat_gap, beat_joined = excuse.near_gaps(beat_s, take), np.zeros(len(ks), dtype=np.bool_)
    has = on_note >= 0
    beat_gap[has] |= in_gap[on_note[has]]
    beat_joined[has] = joined[on_note[has]]
    return (
        (of_note | EXCUSED_GAP * in_gap | EXCUSED_JOINED * joined).astype(np.uint8),
        (of_beat | EXCUSED_GAP * beat_gap | EXCUSED_JOINED * beat_joined).astype(np.uint8),
    )
