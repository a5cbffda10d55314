"""Which beat, and which place in the beat, each note was meant for.

Goal: one frozen `Reading` of a take that every measure works from, so that all of them speak of the same notes.

How: one constant offset (phase) is fitted over the whole take, so that an uncalibrated latency of up to half a beat
cannot push notes into the wrong slot; then a local offset follows the player (leave-one-out running median of on-beat
asynchronies); then each beat is read as a whole from its onsets in order: on-beat and one more before the next on-beat
is a swung pair, three near 0, 1/3, 2/3 a triplet figure, two of those a partial one, anything else "other".

Conventions: beats are quarter notes, 0.0 the first downbeat of chorus 1; asynchrony is played minus grid, late
positive; per-beat arrays cover the whole beats from `first_beat_idx` on. Nothing here clips on ratio.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from trainer.clock.tempo import TempoMap, swing_offbeat_frac
from trainer.music.chords import Chord
from trainer.scoring.clean import CleanCounts, clean
from trainer.scoring.why import Why, no_figure
from trainer.session import Chart
from trainer.take.model import Take
from trainer.take.notes import FLAG_GLITCH, FLAG_NO_RELEASE, Notes

__all__ = [
    "EXCUSED_AFTER",
    "EXCUSED_COUNT_IN",
    "EXCUSED_DROP_OUT",
    "EXCUSED_FINAL",
    "EXCUSED_GAP",
    "EXCUSED_NAMES",
    "EXCUSED_RITARD",
    "EXCUSED_STOP",
    "FIGURE_EMPTY",
    "FIGURE_OFFBEAT",
    "FIGURE_OTHER",
    "FIGURE_PAIR",
    "FIGURE_PARTIAL",
    "FIGURE_SINGLE",
    "FIGURE_TRIPLET",
    "SLOT_OFF",
    "SLOT_ON",
    "SLOT_OTHER",
    "SLOT_TRIPLET_2",
    "SLOT_TRIPLET_3",
    "Reading",
    "nearest_onsets",
    "read_notes",
    "target_pc",
]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

# Place of a note in its beat.
SLOT_ON, SLOT_OFF, SLOT_TRIPLET_2, SLOT_TRIPLET_3, SLOT_OTHER = 0, 1, 2, 3, 4
# What a beat holds, read as a whole. OFFBEAT: nothing on the beat, one note after it.
FIGURE_EMPTY, FIGURE_SINGLE, FIGURE_PAIR, FIGURE_TRIPLET, FIGURE_PARTIAL, FIGURE_OFFBEAT, FIGURE_OTHER = range(7)
# Why a note or a beat is left out of timing (bits; a drop-out is timed by its own measures).
EXCUSED_COUNT_IN, EXCUSED_RITARD, EXCUSED_STOP, EXCUSED_FINAL = 1, 2, 4, 8
EXCUSED_GAP, EXCUSED_AFTER, EXCUSED_DROP_OUT = 16, 32, 64
EXCUSED_NAMES = {
    EXCUSED_COUNT_IN: "count_in",
    EXCUSED_RITARD: "ritard",
    EXCUSED_STOP: "stop",
    EXCUSED_FINAL: "final",
    EXCUSED_GAP: "gap",
    EXCUSED_AFTER: "after_the_end",
    EXCUSED_DROP_OUT: "drop_out",
}

GHOST_MAX_S = 0.080  # our choice
STACK_MAX_S = 0.015  # our choice: two pitches sounding together within this are one onset
SAT_OUT_BEATS = 16.0  # our choice: four bars of nothing at either end are a player who sat out, not missed changes
TICK_MOST_MS = 10.0  # a steady player's spread; our choice
GAP_MARGIN_S = 0.060  # our choice: notes this near to a glitch of ours are excused
OFFSET_HALF_WINDOW = 8  # on-beats on either side in the running median; our choice
LATE_REACH_BEATS = 0.25  # an on-beat reaches half-way to an even off-beat when the beat reads so
REACH_BEATS = 0.3  # an onset further than this from a beat is not its on-beat; our choice
# Prices of the whole-beat reading, in squared spreads: a beat without its on-beat, a beat with nothing after it. Our
# choice.
MISSING_ON, EMPTY_INSIDE = 5.0, 1.0
PHASE_BINS = 96
# Cost of a constant offset, per beat: it decides between places that fit nearly alike. A latency makes notes late; an
# early constant is rarer. Our choice.
PHASE_LATE_COST, PHASE_EARLY_COST = 0.2, 0.6
# Notes that all keep to one place of the beat. Our choice.
PLACE_REACH_BEATS, ONE_PLACE_SHARE, NEAR_BEAT_BEATS = 0.09, 0.85, 0.15
EARLY_MOST_BEATS = 0.2  # nobody is earlier by habit, and no set-up makes a player early
LATENCY_MOST_BEATS = 0.4  # half a beat of latency cannot be told from even off-beats
CLEARLY_MORE = 0.3  # of the changes
TRANSPOSED_MIN_CHANGES = 6  # our choice
TRANSPOSED_FIT, OWN_FIT = 0.6, 0.25  # share of roots at changes: transposed at least, as it is at most; our choice


@dataclass(frozen=True)
class Reading:
    """A take read against its beat axis. `(n,)`: one row per cleaned note; `(m,)`: one row per whole beat.

    Notes: `notes` (`NOTE_DTYPE`, calibrated onsets in seconds), `beats` (onset on the beat axis), `placed_beats`
    (`beats` less the local offset), `duration_beats`, `pitch` (semitones, detuning and transposition taken off), `pc`,
    `slot`, `beat_idx` (the whole beat it belongs to; an early on-beat belongs to the beat it was meant for),
    `asynchrony_s` (against its slot: on-beat, or the band's swung off-beat; NaN elsewhere), `excused` (bits),
    `ghost` (rhythm only, never landing), `stacked` (sounds together with the note before it: no onset of its own).

    Beats: `on_note_idx` (row of the on-beat note or -1), `on_asynchrony_s` (NaN without one), `n_between` (onsets
    strictly between this on-beat and the next), `between_note_idx` (row of the first of them or -1), `figure`,
    `local_offset_s` (leave-one-out), `beat_excused` (bits), `grid_s` (seconds of the beat, m + 1 long).

    `phase_s` is the constant taken off to find slots (never off the asynchronies); `off_frac` the player's usual place
    of the off-beat; `band_off_frac` the session's (NaN without one); `transposed_semitones` and `detuned_semitones`
    are to be asked about, and are taken off `pitch`. `unplaced` says why nobody can tell the take's on-beats from its
    off-beats; it is then read as off-beats, and nothing may be timed. `too_coarse` says that
    the file's ticks are too long for medians and spreads of its times. What is asked of the player lies from
    `from_beats` to `until_beats`: not before a file begins that starts inside the form, nor after the player stopped.
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
    figure: NDArray[np.int8]
    local_offset_s: Floats
    beat_excused: NDArray[np.uint8]
    grid_s: Floats
    phase_s: float
    off_frac: float
    band_off_frac: float
    transposed_semitones: int
    detuned_semitones: float
    octaves_off: int
    cleaned: CleanCounts
    tempo: TempoMap
    chart: Chart | None
    profile: str
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

    def row_of_beat(self, beat: int) -> int:
        """Row of a whole beat in the per-beat arrays, or -1 outside them."""
        row = beat - self.first_beat_idx
        return row if 0 <= row < self.n_beats else -1


def read_notes(take: Take, chart: Chart | None = None) -> Reading:
    """Clean, calibrate and place every note of a take. An empty take gives a reading with no notes."""
    ratio = chart.swing_ratio if chart is not None else 2.0
    tempo_bpm = float(np.median(take.tempo.bpm)) if chart is None else chart.session.tempo_bpm
    cleaned = clean(take.notes, take.header, 60.0 / tempo_bpm / (1.0 + ratio))
    notes, tempo = cleaned.notes, take.tempo
    _check(notes)
    onset_s = notes["onset_s"].astype(np.float64)
    beats = np.asarray(tempo.beats_at(onset_s), dtype=np.float64)
    ends = np.asarray(tempo.beats_at(onset_s + notes["duration_s"]), dtype=np.float64)
    pitch, detuned, octaves = _tuned(notes["pitch"].astype(np.float64))
    pc = np.rint(pitch).astype(np.int64) % 12
    stacked = _stacked(notes)

    first, last = _beat_range(beats, chart)
    n_beats = last - first + 1
    ks = first + np.arange(n_beats + 1, dtype=np.float64)
    grid_s = np.asarray(tempo.seconds_at(ks), dtype=np.float64)
    beat_excused = _excused_beats(ks[:-1], chart)

    phase_s, unplaced = _fit_phase(onset_s, beats, pc, take, chart)
    # Everything about slots works on onsets with the constant taken off.
    here = np.asarray(tempo.beats_at(onset_s - phase_s), dtype=np.float64)
    rows = np.flatnonzero(~stacked)
    off_frac = float(swing_offbeat_frac(ratio))
    drops = _drop_spans(chart)
    placed = _place(here[rows], ks, off_frac, drops)
    own = _own_off_frac(here[rows], placed, off_frac)
    if abs(own - off_frac) > 0.01:
        off_frac = own
        placed = _place(here[rows], ks, off_frac, drops)
        off_frac = _own_off_frac(here[rows], placed, off_frac)

    figure, slot_of, frac_of = _figures(here[rows], placed, off_frac)
    band_off = float(swing_offbeat_frac(chart.swing_ratio)) if chart is not None else float("nan")

    # Back to all notes: a stacked note shares the slot of the note it sounds with.
    leader = np.maximum.accumulate(np.where(stacked, 0, np.arange(len(notes)))) if len(notes) else rows
    at = np.searchsorted(rows, leader)
    slot = slot_of[at].astype(np.int8) if len(notes) else np.zeros(0, dtype=np.int8)
    beat_row = placed.beat_row[at] if len(notes) else np.zeros(0, dtype=np.int64)
    beat_idx = first + beat_row
    local = placed.local[np.clip(beat_row, 0, n_beats)]
    place = beat_idx + np.where(slot == SLOT_OFF, band_off, frac_of[at] if len(notes) else 0.0)
    known = slot != SLOT_OTHER
    asynchrony_s = np.full(len(notes), np.nan)
    asynchrony_s[known] = onset_s[known] - np.asarray(tempo.seconds_at(place[known]), dtype=np.float64)

    on_note = np.where(placed.on >= 0, rows[np.clip(placed.on, 0, None)] if len(rows) else -1, -1)
    on_asynchrony_s = np.full(n_beats, np.nan)
    has = on_note >= 0
    on_asynchrony_s[has] = onset_s[on_note[has]] - grid_s[:-1][has]
    between = np.where(placed.first_between >= 0, rows[np.clip(placed.first_between, 0, None)] if len(rows) else -1, -1)
    local_s = np.asarray(tempo.seconds_at(ks[:-1] + placed.local[:-1]), dtype=np.float64) - grid_s[:-1] + phase_s

    excused = beat_excused[np.clip(beat_row, 0, n_beats - 1)] if len(notes) else np.zeros(0, dtype=np.uint8)
    excused = np.where(beat_row < 0, EXCUSED_COUNT_IN, excused).astype(np.uint8)
    in_gap = _near_gaps(onset_s, take) | ((notes["flags"] & FLAG_GLITCH) != 0)
    excused = np.where(in_gap, excused | EXCUSED_GAP, excused).astype(np.uint8)
    beat_gap = _near_gaps(grid_s[:-1] + phase_s, take)
    beat_gap[has] |= in_gap[on_note[has]]
    beat_excused = np.where(beat_gap, beat_excused | EXCUSED_GAP, beat_excused).astype(np.uint8)

    reading = Reading(
        notes=notes,
        beats=beats,
        placed_beats=here - local,
        duration_beats=ends - beats,
        pitch=pitch,
        pc=pc,
        slot=slot,
        beat_idx=beat_idx,
        asynchrony_s=asynchrony_s,
        excused=excused,
        ghost=cleaned.under_floor,
        stacked=stacked,
        first_beat_idx=first,
        on_note_idx=on_note,
        on_asynchrony_s=on_asynchrony_s,
        n_between=placed.n_between,
        between_note_idx=between,
        figure=figure,
        local_offset_s=local_s,
        beat_excused=beat_excused,
        grid_s=grid_s,
        phase_s=phase_s,
        off_frac=off_frac,
        band_off_frac=band_off,
        transposed_semitones=0,
        detuned_semitones=detuned,
        octaves_off=octaves,
        cleaned=cleaned.counts,
        tempo=tempo,
        chart=chart,
        profile=take.header.profile,
        calibrated=take.header.calibration is not None,
        unplaced=unplaced,
        too_coarse=_too_coarse(take),
        from_beats=_begins(here - local, take, chart),
        until_beats=_stops(here - local, chart),
    )
    if chart is not None and len(notes):
        reading = _transposed(reading, chart)
        reading = _ghosts(reading, chart, on=take.header.profile == "strings" and not take.header.foreign)
    return reading


def _check(notes: Notes) -> None:
    for name in ("onset_s", "duration_s", "pitch"):
        if not np.all(np.isfinite(notes[name])):
            raise ValueError(f"the note table holds a {name} that is not finite; expected seconds and semitones")
    if np.any(notes["duration_s"] < 0.0):
        raise ValueError("the note table holds a negative duration_s; expected 0 or more seconds")


def _tuned(pitch: Floats) -> tuple[Floats, float, int]:
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


def _stacked(notes: Notes) -> Bools:
    """Notes that sound together with the one before (another pitch, within 15 ms, overlapping): one onset."""
    out = np.zeros(len(notes), dtype=np.bool_)
    if len(notes) > 1:
        a, b = notes[:-1], notes[1:]
        step_s = b["onset_s"] - a["onset_s"]
        overlap = a["onset_s"] + a["duration_s"] > b["onset_s"] + 0.01
        out[1:] = (step_s <= STACK_MAX_S) & (np.rint(a["pitch"]) != np.rint(b["pitch"])) & overlap
    return out


def _beat_range(beats: Floats, chart: Chart | None) -> tuple[int, int]:
    if chart is not None:
        return int(np.floor(chart.first_beats)), int(np.ceil(chart.end_beats)) - 1
    if not len(beats):
        return 0, 0
    return int(np.floor(beats[0] - 0.5)), int(np.ceil(beats[-1] + 0.5))


def _too_coarse(take: Take) -> Why | None:
    """Why a file's times are too coarse for their medians and spreads, as those jump from tick to tick; else None."""
    file = take.header.extra.get("midi")
    tick_ms = file.get("tick_ms") if isinstance(file, Mapping) else None
    if not isinstance(tick_ms, int | float) or tick_ms <= TICK_MOST_MS:
        return None
    return no_figure("coarse_ticks", f"the file's clock ticks only every {tick_ms:.0f} ms")


def _begins(placed: Floats, take: Take, chart: Chart | None) -> float:
    """The beat from which the player can be asked for anything.

    A file from elsewhere may begin inside the form. If its downbeat was found from the notes, it begins with the first
    of them; and if four bars or more are empty before that, the player was not in yet.
    """
    if chart is None or not len(placed) or not take.header.foreign:
        return -math.inf
    inside = placed[placed > chart.first_beats - 0.5]
    first = math.floor(float(inside[0]) + 0.3) if len(inside) else math.inf
    if take.header.downbeat_from == "auto" or first - chart.first_beats > SAT_OUT_BEATS:
        return first
    file = take.header.extra.get("midi")
    starts = file.get("starts_at_beats") if isinstance(file, Mapping) else None
    return float(starts) if isinstance(starts, int | float) else -math.inf


def _stops(placed: Floats, chart: Chart | None) -> float:
    """The beat of the last note of a player who stopped four bars before the end or earlier; else ∞."""
    if chart is None or not len(placed):
        return math.inf
    last = float(placed.max())
    return last if chart.end_beats - last > SAT_OUT_BEATS else math.inf


def _excused_beats(ks: Floats, chart: Chart | None) -> NDArray[np.uint8]:
    out = np.zeros(len(ks), dtype=np.uint8)
    if chart is None:
        return out
    marks = np.array(
        [
            EXCUSED_RITARD * bar.ritard
            | EXCUSED_STOP * bar.stopped
            | EXCUSED_FINAL * bar.final
            | EXCUSED_DROP_OUT * bar.drop_out
            for bar in chart.bars
        ],
        dtype=np.uint8,
    )
    return marks[chart.bar_idx_at(ks)]


def _near_gaps(seconds: Floats, take: Take) -> Bools:
    out = np.zeros(len(seconds), dtype=np.bool_)
    for gap in take.header.gaps:
        out |= (seconds >= gap.start_s - GAP_MARGIN_S) & (seconds <= gap.end_s + GAP_MARGIN_S)
    return out


def _drop_spans(chart: Chart | None) -> list[tuple[int, int]]:
    """(first beat, beat of the band's return) of each run of drop-out bars."""
    spans: list[tuple[int, int]] = []
    for bar in chart.bars if chart is not None else ():
        if bar.drop_out:
            start, end = int(bar.onset_beats), int(bar.end_beats)
            if spans and spans[-1][1] == start:
                spans[-1] = (spans[-1][0], end)
            else:
                spans.append((start, end))
    return spans


# --- the global phase ---------------------------------------------------------------------------------------------


def _template() -> Floats:
    """How well a place in the beat suits a note, on `PHASE_BINS` bins: the beat most, the off-beats, the triplets."""
    x = np.arange(PHASE_BINS) / PHASE_BINS
    on = np.exp(-0.5 * (np.minimum(x, 1.0 - x) / 0.05) ** 2)
    off = 0.6 / (1.0 + np.exp(-(x - 0.46) / 0.015)) / (1.0 + np.exp((x - 0.80) / 0.015))
    third = 0.3 * np.exp(-0.5 * ((x - 1.0 / 3.0) / 0.04) ** 2)
    return np.asarray(np.maximum.reduce([on, off, third]), dtype=np.float64)


_TEMPLATE_FFT = np.conj(np.fft.rfft(_template()))


def _fit_phase(onset_s: Floats, beats: Floats, pc: Ints, take: Take, chart: Chart | None) -> tuple[float, Why | None]:
    """The constant (seconds, late positive, under half a beat) that puts the take's notes best into slots.

    Places that fit alike (even eighths half a beat apart) are told apart by the roots at the chart's changes, then by
    which is nearer to nothing. Where all notes keep to one place away from the beat and nothing tells off-beats from
    on-beats, the reason stands beside it, and the notes are read as off-beats.
    """
    if len(beats) < 4:
        return 0.0, None
    inside = np.ones(len(beats), dtype=np.bool_)
    if chart is not None:
        inside = (beats > chart.first_beats - 0.6) & (beats < chart.end_beats - 4.0)
        if np.count_nonzero(inside) < 4:
            return 0.0, None
    b = beats[inside]
    frac = b - np.floor(b)
    counts = np.bincount(np.floor(frac * PHASE_BINS).astype(np.int64) % PHASE_BINS, minlength=PHASE_BINS)
    spb_s = float(np.median(60.0 / take.tempo.bpm_at(b)))
    place = _one_place(frac, counts)
    if place is not None:
        meant, why = _meaning(place, frac, beats, pc, take, chart)
        if meant != "on":
            early = (1.0 - _asked_off_frac(chart)) / 2.0
            known = LATE_REACH_BEATS + 0.05 <= place % 1.0 <= 1.0 - early - 0.05
            return (0.0 if known else place % 1.0 - _asked_off_frac(chart)) * spb_s, why
        return place * spb_s, None
    fit = np.fft.irfft(np.fft.rfft(counts / len(b)) * _TEMPLATE_FFT, PHASE_BINS)
    shift = np.arange(PHASE_BINS) / PHASE_BINS
    shift = np.where(shift > 0.5, shift - 1.0, shift)
    if not take.header.foreign and take.header.calibration is None:
        fit[shift < -EARLY_MOST_BEATS] = 0.0
    total = fit - np.where(shift > 0.0, PHASE_LATE_COST, PHASE_EARLY_COST) * np.abs(shift)
    peaks = np.flatnonzero((fit >= np.roll(fit, 1)) & (fit >= np.roll(fit, -1)) & (fit > 0.8 * fit.max()))
    if chart is not None and len(peaks) > 1:
        total[peaks] += 0.5 * _roots_at_changes(beats, pc, chart, shift[peaks])
    best = peaks[np.argmax(total[peaks])]
    # Refine: the median distance of the notes near the chosen place.
    rest = b - shift[best]
    rest = rest - np.rint(rest)
    near = np.abs(rest) < 0.12
    coarse = float(shift[best]) + (float(np.median(rest[near])) if np.any(near) else 0.0)
    return coarse * spb_s, None


def _asked_off_frac(chart: Chart | None) -> float:
    return float(swing_offbeat_frac(chart.swing_ratio if chart is not None else 2.0))


def _one_place(frac: Floats, counts: Ints) -> float | None:
    """The place (−0.5 to 0.5 beats) that nearly all notes keep to, if that is not near the beat; else None."""
    reach = round(PLACE_REACH_BEATS * PHASE_BINS)
    window = np.zeros(PHASE_BINS)
    window[: reach + 1] = window[PHASE_BINS - reach :] = 1.0
    near = np.fft.irfft(np.fft.rfft(counts) * np.fft.rfft(window), PHASE_BINS)
    place = (int(np.argmax(near)) + 0.5) / PHASE_BINS
    for reach_beats in (PLACE_REACH_BEATS + 1.0 / PHASE_BINS, PLACE_REACH_BEATS):
        rest = frac - place
        rest = rest - np.rint(rest)
        mine = np.abs(rest) <= reach_beats
        place += float(np.median(rest[mine])) if np.any(mine) else 0.0
    place -= round(place)
    if np.count_nonzero(mine) < ONE_PLACE_SHARE * len(frac) or abs(place) <= NEAR_BEAT_BEATS:
        return None
    return float(place)


def _meaning(
    place: float, frac: Floats, beats: Floats, pc: Ints, take: Take, chart: Chart | None
) -> tuple[str, Why | None]:
    """Whether notes that keep to one place away from the beat are its "on"-beats or "off"-beats, or "unknown"."""
    ours, calibrated = not take.header.foreign, take.header.calibration is not None
    after = place % 1.0
    # The few others: on the beat they make these off-beats, behind these they are *their* off-beats.
    from_beat = np.abs(frac - np.rint(frac))
    behind = (frac - place) % 1.0
    n_on = int(np.count_nonzero(from_beat < PLACE_REACH_BEATS))
    n_behind = int(np.count_nonzero((behind > 0.42) & (behind < 0.85)))
    if max(n_on, n_behind) >= 4 and max(n_on, n_behind) >= 2 * min(n_on, n_behind):
        return ("off", None) if n_on > n_behind else ("on", None)
    if place > 0.0:
        quarters = chart is not None and not any(bar.line in ("eighths", "free") for bar in chart.bars)
        latency = LATENCY_MOST_BEATS if ours and not calibrated else LATE_REACH_BEATS
        if quarters or place <= latency:
            return "on", None
    elif ours and not calibrated and place < -EARLY_MOST_BEATS:  # a set-up makes nobody early
        return "off", None
    else:
        # An on-beat played early brings the new root before the change, an off-beat after it.
        places = np.array([place, after])
        before, behind_it = _roots_at_changes(beats, pc, chart, places) if chart is not None else (0.0, 0.0)
        if abs(before - behind_it) >= CLEARLY_MORE:
            return ("on", None) if before > behind_it else ("off", None)
        if place >= -EARLY_MOST_BEATS:
            return "on", None
    tell = (
        "calibrate again to tell" if calibrated else "trainer calibrate tells them apart" if ours
        else "give the downbeat in seconds if they are on the beat"
    )  # fmt: skip
    text = f"nearly every note falls {after:.2f} of a beat after the beat: off-beats, or the beat itself moved; {tell}"
    return "unknown", no_figure("one_place", text)


def _roots_at_changes(beats: Floats, pc: Ints, chart: Chart, shifts: Floats) -> Floats:
    """Share of the chart's changes whose nearest note at each shift is the new root: (s,) in, (s,) out."""
    at, target = _root_changes(chart)
    if not len(at):
        return np.zeros(len(shifts))
    want = at[None, :] + shifts[:, None]
    i = np.clip(np.searchsorted(beats, want), 1, len(beats) - 1)
    i = np.where(np.abs(beats[i - 1] - want) <= np.abs(beats[i] - want), i - 1, i)
    # The new root must arrive there: on a line of roots the off-beat after the change would fit as well.
    arrives = (pc[i] == target[None, :]) & (pc[np.maximum(i - 1, 0)] != target[None, :])
    hit = (np.abs(beats[i] - want) < 0.2) & arrives
    out: Floats = np.mean(hit, axis=1)
    return out


def target_pc(chord: Chord) -> int:
    """Pitch class that the bass is to play: the slash bass if there is one, else the root."""
    return chord.root_pc if chord.bass_pc is None else chord.bass_pc


def _root_changes(chart: Chart) -> tuple[Floats, Ints]:
    at, target = [], []
    before = -1
    for span in chart.spans:
        pc = target_pc(span.chord)
        if pc != before and before >= 0:
            at.append(span.onset_beats)
            target.append(pc)
        before = pc
    return np.array(at, dtype=np.float64), np.array(target, dtype=np.int64)


# --- slots ---------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Placed:
    """Per beat: `on` (row or -1), `local` offset in beats (m + 1), interior counts; per note: its beat's row."""

    on: Ints
    local: Floats
    n_between: Ints
    first_between: Ints
    beat_row: Ints
    boundary: Floats


def _place(b: Floats, ks: Floats, off_frac: float, drops: list[tuple[int, int]]) -> _Placed:
    """On-beats, local offsets and the notes between them. `b`: sorted onsets in beats; `ks`: whole beats (m + 1)."""
    m1 = len(ks)
    early = min((1.0 - off_frac) / 2.0, LATE_REACH_BEATS)
    local = np.zeros(m1)
    slope = np.zeros(m1)
    for start, end in drops:
        rows = (ks >= start) & (ks <= end)
        slope[rows] = (ks[rows] - start) * (_drop_stretch(b, start, end, off_frac) - 1.0)
    on = np.full(m1, -1, dtype=np.int64)
    for _ in range(3):
        on = nearest_onsets(b, ks + local + slope, early)
        have = np.flatnonzero(on >= 0)
        fresh = np.zeros(m1)
        if len(have) > 4:
            values = b[on[have]] - ks[have] - slope[have]
            fresh = np.clip(_loo_median(np.arange(m1), have, values, OFFSET_HALF_WINDOW), -0.4, 0.4)
        if np.allclose(fresh, local, atol=1e-9):
            local = fresh
            break
        local = fresh
    local = local + slope
    on = _settled(b, ks + local, on, off_frac)
    boundary = np.where(on >= 0, b[np.clip(on, 0, None)] if len(b) else 0.0, ks + local)
    boundary = np.maximum.accumulate(boundary)
    beat_row = np.searchsorted(boundary, b, side="right") - 1
    on_rows = np.flatnonzero(on >= 0)
    beat_row[on[on_rows]] = on_rows
    is_on = np.zeros(len(b), dtype=np.bool_)
    is_on[on[on_rows]] = True
    inner = np.flatnonzero(~is_on & (beat_row >= 0) & (beat_row < m1 - 1))
    n_between = np.bincount(beat_row[inner], minlength=m1)[: m1 - 1].astype(np.int64)
    first_between = np.full(m1 - 1, -1, dtype=np.int64)
    first_between[beat_row[inner][::-1]] = inner[::-1]
    return _Placed(on[:-1], local, n_between, first_between, beat_row.astype(np.int64), boundary)


def nearest_onsets(b: Floats, want: Floats, early: float, late: float = LATE_REACH_BEATS) -> Ints:
    """Row of the onset nearest to each wanted place within its reach, or -1: hits and misses, (w,) out.

    Both rise, in one unit; an onset up to `early` before and `late` after a place can be its. Order is kept and no
    onset serves two places. O(w log n).
    """
    if not len(b):
        return np.full(len(want), -1, dtype=np.int64)
    at = np.searchsorted(b, want)
    left, right = np.maximum(at - 1, 0), np.minimum(at, len(b) - 1)
    # Of two notes the nearer; a note beyond the slot's reach on its side does not compete.
    to_left, to_right = want - b[left], b[right] - want
    left_ok = (to_left >= 0.0) & (to_left <= early)
    right_ok = (to_right >= 0.0) & (to_right <= late)
    use_left = left_ok & (~right_ok | (to_left <= to_right))
    on = np.where(use_left, left, np.where(right_ok, right, -1)).astype(np.int64)
    twice = (on[1:] == on[:-1]) & (on[1:] >= 0)
    on[1:][twice] = -1
    return on


def _settled(b: Floats, want: Floats, on: Ints, off_frac: float) -> Ints:
    """On-beats with each doubtful beat read as a whole: order kept, one to one, least total cost with its neighbours.

    A beat whose nearest note is close and has no rival is settled; so is one with no note in reach. Runs of doubtful
    beats between settled ones are searched exhaustively (Viterbi): squared distances in units of the player's own
    spread for on-beats, off-beats and triplets, and prices for a beat without its on-beat or with more notes. Without
    this, early on-beats of an unsteady player are lost more often than late ones, and the mean is biased.
    """
    n = len(b)
    have = np.flatnonzero(on >= 0)
    if n == 0 or len(have) < 4:
        return on
    rest = b[on[have]] - want[have]
    spread = float(np.clip(1.4826 * np.median(np.abs(rest - np.median(rest))), 0.02, 0.12))
    first = np.searchsorted(b, want)
    cand = first[:, None] + np.arange(-2, 2)[None, :]
    away = np.abs(b[np.clip(cand, 0, n - 1)] - want[:, None])
    away[(cand < 0) | (cand >= n) | (away > REACH_BEATS)] = np.inf
    ranked = np.sort(away, axis=1)
    sure = (ranked[:, 0] <= max(2.0 * spread, 0.04)) & (ranked[:, 1] >= ranked[:, 0] + max(4.0 * spread, 0.1))
    out = np.where(sure, cand[np.arange(len(want)), np.argmin(away, axis=1)], -1)
    doubtful = np.flatnonzero(~sure & np.isfinite(ranked[:, 0]))
    if not len(doubtful):
        return out
    breaks = np.flatnonzero(np.diff(doubtful) > 1) + 1
    search = _Search(b.tolist(), want.tolist(), first.tolist(), spread, off_frac)
    for run in np.split(doubtful, breaks):
        lo, hi = int(run[0]), int(run[-1])
        cells = zip(range(lo, hi + 1), cand[lo : hi + 1], away[lo : hi + 1], strict=True)
        options = [[int(c) for c, d in zip(row, far, strict=True) if d <= REACH_BEATS] for _, row, far in cells]
        before = int(out[lo - 1]) if lo > 0 else -1
        after = int(out[hi + 1]) if hi + 1 < len(out) else None
        out[lo : hi + 1] = search.path(lo, options, before, after)
    return out


class _Search:
    """Least-cost choice of on-beat notes over a run of doubtful beats."""

    def __init__(self, b: list[float], want: list[float], first: list[int], spread: float, off_frac: float) -> None:
        self.b, self.want, self.first = b, want, first
        self.on_scale = 1.0 / spread**2
        self.inner_scale = 0.5 / spread**2  # an inner place is the difference of two onsets
        self.off_frac = off_frac

    def path(self, lo: int, options: list[list[int]], before: int, after: int | None) -> list[int]:
        """Rows (or -1) for beats lo, lo + 1, …; `before` and `after` are the settled neighbours (None: the end)."""
        states, costs = [before], [0.0]
        back: list[list[int]] = []
        for step, notes in enumerate([*options, None]):
            k = lo + step
            if notes is None and after is None:
                break
            here = [after] if notes is None and after is not None else [*(notes or []), -1]
            new_costs, came = [], []
            for q in here:
                price = MISSING_ON if q < 0 else self._on_price(self.b[q] - self.want[k])
                totals = [c + self._edge(k - 1, p, q, k) for p, c in zip(states, costs, strict=True)]
                best = min(range(len(totals)), key=totals.__getitem__)
                new_costs.append(totals[best] + price)
                came.append(best)
            back.append(came)
            states, costs = here, new_costs
            options_at = len(back) - 1
            if options_at < len(options):
                options[options_at] = here
        at = min(range(len(costs)), key=costs.__getitem__)
        chosen: list[int] = []
        for step in range(len(back) - 1, -1, -1):
            if step < len(options):
                chosen.append(options[step][at])
            at = back[step][at]
        return chosen[::-1]

    def _on_price(self, away: float) -> float:
        """A note inside the beat's own slot is its on-beat sooner than none is, however steady the player else."""
        price = away * away * self.on_scale
        inside = -(1.0 - self.off_frac) / 2.0 <= away <= LATE_REACH_BEATS
        return min(price, MISSING_ON - 1.0) if inside else price

    def _edge(self, k: int, p: int, q: int, following: int) -> float:
        """Cost of what lies between on-beat p of beat k (-1: none) and on-beat q of the next."""
        start = p + 1 if p >= 0 else (self.first[k] if k >= 0 else 0)
        end = q if q >= 0 else self.first[following]
        count = end - start
        if count < 0:
            return math.inf
        if count == 0:
            return EMPTY_INSIDE
        origin = self.b[p] if p >= 0 else (self.want[k] if k >= 0 else self.want[following] - 1.0)
        one = self.b[start] - origin
        if count == 1:
            swung = (one - self.off_frac) ** 2 * self.inner_scale
            return min(swung, 2.0 + (one - 1 / 3) ** 2 * self.inner_scale, 9.0)
        if count == 2:
            two = self.b[start + 1] - origin
            return min(1.5 + ((one - 1 / 3) ** 2 + (two - 2 / 3) ** 2) * self.inner_scale, 10.0)
        return 8.0 + 2.0 * (count - 3)


def _drop_stretch(b: Floats, start: int, end: int, off_frac: float) -> float:
    """Player's beat length over the grid's in a drop-out, from how well a steady grid of that length fits the notes."""
    inside = b[(b > start - 0.3) & (b < end + 0.4)]
    if len(inside) < 4:
        return 1.0
    # The stretch may take the last beat at most 0.9 of a beat off in short spans, ±12 % in long ones. Our choice.
    reach = min(0.12, 0.9 / (end - start))
    stretch = 1.0 + np.linspace(-reach, reach, 97)
    x = start + (inside[None, :] - start) / stretch[:, None]
    frac = x - np.floor(x)
    near_on = np.minimum(frac, 1.0 - frac)
    near_off = np.abs(frac - off_frac)
    fit = np.exp(-0.5 * (near_on / 0.06) ** 2) + 0.6 * np.exp(-0.5 * (near_off / 0.06) ** 2)
    total = fit.mean(axis=1) - 0.15 * ((stretch - 1.0) / reach) ** 2
    return float(stretch[int(np.argmax(total))])


def _loo_median(query: Ints, at: Ints, values: Floats, half: int) -> Floats:
    """Median of the 2·half values nearest in order to each query, the query's own left out: (q,) out.

    `at` rises; the window slides inwards at the ends. O(n · half).
    """
    n = len(at)
    i = np.searchsorted(at, query)
    own = (i < n) & (at[np.minimum(i, n - 1)] == query)
    width = min(2 * half, n - 1)
    start = np.clip(i - width // 2, 0, n - width - own.astype(np.int64))
    idx = start[:, None] + np.arange(width)[None, :]
    idx = idx + (own[:, None] & (idx >= i[:, None]))
    out: Floats = np.median(values[np.minimum(idx, n - 1)], axis=1)
    return out


def _own_off_frac(b: Floats, placed: _Placed, fallback: float) -> float:
    """The player's usual place of the off-beat: median over swung pairs, from 8 pairs up, within 0.5–0.8."""
    pairs = np.flatnonzero((placed.on >= 0) & (placed.n_between == 1))
    if len(pairs) < 8:
        return fallback
    frac = b[placed.first_between[pairs]] - placed.boundary[pairs]
    return float(np.clip(np.median(frac), 0.5, 0.8))


def _figures(b: Floats, placed: _Placed, off_frac: float) -> tuple[NDArray[np.int8], NDArray[np.int8], Floats]:
    """What each beat holds (m,), and each note's slot and ideal fraction of the beat (n,)."""
    m = len(placed.on)
    on, count, first = placed.on >= 0, placed.n_between, placed.first_between
    base = placed.boundary[:-1]
    last = max(len(b) - 1, 0)
    p1 = np.where(first >= 0, (b[np.clip(first, 0, last)] if len(b) else 0.0) - base, np.nan)
    p2 = np.where(count >= 2, (b[np.clip(first + 1, 0, last)] if len(b) else 0.0) - base, np.nan)
    thirds = (np.abs(p1 - 1 / 3) < 1 / 6) & (np.abs(p2 - 2 / 3) < 1 / 6)
    # A note at the first third alone is told from an off-beat only where the player's off-beat is clearly later.
    early = (p1 < (1 / 3 + off_frac) / 2) & (p1 > 1 / 6) if off_frac >= 0.58 else np.zeros(m, dtype=np.bool_)
    figure = np.full(m, FIGURE_OTHER, dtype=np.int8)
    figure[~on & (count == 0)] = FIGURE_EMPTY
    figure[on & (count == 0)] = FIGURE_SINGLE
    figure[on & (count == 1)] = FIGURE_PAIR
    figure[on & (count == 1) & early] = FIGURE_PARTIAL
    figure[on & (count == 2) & thirds] = FIGURE_TRIPLET
    figure[~on & (count == 2) & thirds] = FIGURE_PARTIAL
    figure[~on & (count == 1)] = FIGURE_OFFBEAT

    slot = np.full(len(b), SLOT_OTHER, dtype=np.int8)
    frac = np.full(len(b), np.nan)
    rows = placed.beat_row
    inside = (rows >= 0) & (rows < m)
    safe = np.clip(rows, 0, m - 1)
    kind = figure[safe]
    order = np.arange(len(b)) - first[safe]
    inner = inside & (first[safe] >= 0) & (order >= 0)
    is_on = np.zeros(len(b), dtype=np.bool_)
    is_on[placed.on[on]] = True
    inner &= ~is_on

    def mark(which: Bools, name: int, at: float) -> None:
        slot[which], frac[which] = name, at

    p1_note = p1[safe]
    late_one = p1_note >= (1 / 3 + off_frac) / 2
    mark(inner & (kind == FIGURE_PAIR), SLOT_OFF, off_frac)
    mark(inner & (kind == FIGURE_OFFBEAT) & late_one, SLOT_OFF, off_frac)
    mark(inner & (kind == FIGURE_OFFBEAT) & ~late_one, SLOT_TRIPLET_2, 1 / 3)
    three = np.isin(kind, (FIGURE_TRIPLET, FIGURE_PARTIAL))
    mark(inner & three & (order == 0), SLOT_TRIPLET_2, 1 / 3)
    mark(inner & three & (order == 1), SLOT_TRIPLET_3, 2 / 3)
    mark(is_on, SLOT_ON, 0.0)
    return figure, slot, frac


# --- pitch questions -----------------------------------------------------------------------------------------------


def _transposed(reading: Reading, chart: Chart) -> Reading:
    """A constant transposition under which most changes land on their root is taken off, to be asked about."""
    at, target = _root_changes(chart)
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


def _ghosts(reading: Reading, chart: Chart, *, on: bool) -> Reading:
    """Marks notes under 80 ms, off the beat and not of the chord, as rhythm only (pitch-tracked strings)."""
    if not on:
        return reading
    chords = [sum(1 << pc for pc in span.chord.pcs) for span in chart.spans]
    masks = np.array(chords, dtype=np.int64)[chart.span_idx_at(reading.placed_beats + 0.02)]
    of_chord = (masks >> reading.pc) & 1 == 1
    short = (reading.notes["duration_s"] <= GHOST_MAX_S) & (reading.slot != SLOT_ON) & ~of_chord
    ghost = reading.ghost | short
    return replace(reading, ghost=ghost, cleaned=replace(reading.cleaned, ghost=int(np.count_nonzero(ghost))))
