"""A stand-in player: a line played with a set feel, for demonstrations and for tests of everything that listens.

`Feel` says what goes in; the scorer's figures must give it back. Times are seconds on the take axis (0.0 the first
downbeat); late is positive. Seeded: the same line, feel and seed give the same notes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from trainer.clock.tempo import TempoMap, swing_offbeat_frac
from trainer.line.score import LineScore
from trainer.session import Chart
from trainer.take.notes import NOTE_DTYPE, Notes, sorted_notes

__all__ = ["Change", "Feel", "Performance", "Slip", "StandIn", "Tracking", "changes_of"]

Floats = NDArray[np.float64]

_NEAR = 1e-6  # beats: exact places of written notes
_BEND_RANGE_SEMITONES = 2.0  # MIDI 1.0 default


@dataclass(frozen=True, slots=True)
class Slip:
    """The player is elsewhere in the form: from `chorus`, `bar` (1-based) until `until_chorus`, `until_bar` begins.

    `place_beats` positive: ahead of the band (a bar skipped is +4); negative: behind (a bar repeated is −4).
    """

    chorus: int
    bar: int
    until_chorus: int
    until_bar: int
    place_beats: float = 4.0


@dataclass(frozen=True, slots=True)
class Tracking:
    """Faults of a pitch-tracked string: a delay of `base_ms` + `periods` of the fundamental, and the shares of notes
    that are re-triggered or begin an octave off."""

    base_ms: float = 8.0
    periods: float = 2.0
    retrigger_frac: float = 0.03
    false_start_frac: float = 0.02


@dataclass(frozen=True, slots=True)
class Feel:
    """How the stand-in plays. `swing_ratio` None: the chart's own.

    `jitter_sd_ms` is the spread of a note; `jitter_lag1` its correlation from beat to beat (AR(1), 0 ≤ r < 1).
    `missed_frac` of the changes that count are missed (`missed_kind` "wrong": a note foreign to the chord · "silent" ·
    "mixed"); `late_frac` of them have the root on the off-beat after. `drop_out_tempo_pct`: faster (positive) where
    the band drops out; what has built up by the re-entry is made good beat by beat. `ghost_frac` of the empty second
    halves of beats hold a dead note. `gate` scales lengths; `accent` adds to the velocity of beats 2 and 4;
    `flat_velocity` sends one value, as some pads do; `transpose` plays so many semitones off.
    """

    lateness_ms: float = 6.0
    swing_ratio: float | None = 1.8
    jitter_sd_ms: float = 10.0
    jitter_lag1: float = 0.3
    drift_ms_per_chorus: float = 0.0
    missed_frac: float = 0.1
    missed_kind: str = "mixed"
    late_frac: float = 0.0
    drop_out_tempo_pct: float = 0.0
    slips: tuple[Slip, ...] = ()
    velocity_sd: float = 3.0
    accent: int = 0
    gate: float = 1.0
    ghost_frac: float = 0.0
    flat_velocity: int | None = None
    transpose: int = 0
    tracking: Tracking | None = None


@dataclass(frozen=True, slots=True)
class Change:
    """A change of chord (or a chorus's top), and what the stand-in did there: "root", "wrong", "silent", "late"."""

    at_beats: float
    chorus: int
    bar: int
    root_pc: int
    outcome: str = "root"


@dataclass(frozen=True)
class Performance:
    """Played notes (`NOTE_DTYPE`, take axis) with the truth about them. `strings` (n,) counts from the highest, 1."""

    notes: Notes
    strings: NDArray[np.int64]
    changes: tuple[Change, ...]
    feel: Feel
    line: LineScore
    extra: dict[str, Any] = field(default_factory=dict)

    def messages(self, *, string_channels: bool = False, channel: int = 0) -> list[tuple[float, bytes]]:
        """Raw MIDI as a port gives it: (second, bytes), note-ons and -offs in time order.

        `string_channels`: a channel for each string (mode 4), the highest string on `channel`, with the bend range set
        first and a pitch bend wherever a note's pitch is not whole.
        """
        out: list[tuple[float, int, bytes]] = []
        start = float(self.notes["onset_s"].min()) - 0.5 if self.notes.size else 0.0
        if string_channels:
            for string in np.unique(self.strings):
                ch = channel + int(string) - 1
                for control, value in ((101, 0), (100, 0), (6, int(_BEND_RANGE_SEMITONES)), (38, 0)):
                    out.append((start, 0, bytes((0xB0 | ch, control, value))))
        for note, string in zip(self.notes, self.strings, strict=True):
            ch = channel + int(string) - 1 if string_channels else channel
            number = int(np.floor(note["pitch"] + 0.5))
            bend = float(note["pitch"]) - number
            onset, end = float(note["onset_s"]), float(note["onset_s"] + note["duration_s"])
            if string_channels:
                raw = int(np.clip(round(8192 + bend / _BEND_RANGE_SEMITONES * 8192), 0, 16383))
                out.append((onset, 2, bytes((0xE0 | ch, raw & 0x7F, raw >> 7))))
            out.append((onset, 3, bytes((0x90 | ch, number, int(note["velocity"])))))
            out.append((end, 1, bytes((0x80 | ch, number, 0))))
        out.sort(key=lambda item: item[:2])
        return [(second, data) for second, _, data in out]


def changes_of(chart: Chart) -> tuple[Change, ...]:
    """Every change of chord root or quality and every chorus's first bar, in order (the first bar of all included)."""
    out: list[Change] = []
    before: tuple[int, str] | None = None
    chorus = None
    for span in chart.spans:
        bar = chart.bars[span.bar_idx]
        now = (span.chord.root_pc, span.chord.quality)
        if now != before or (bar.chorus != chorus and span.onset_beats == bar.onset_beats):
            out.append(Change(span.onset_beats, bar.chorus, bar.bar, span.chord.root_pc))
        before, chorus = now, bar.chorus
    return tuple(out)


class StandIn:
    """Plays lines with a feel."""

    def __init__(self, feel: Feel | None = None, seed: int = 1) -> None:
        self.feel = feel or Feel()
        self.seed = seed

    def play(self, line: LineScore, tempo: TempoMap | None = None) -> Performance:
        """The line as played. `tempo` maps beats to seconds; None takes the chart's own."""
        chart, feel = line.chart, self.feel
        tempo = tempo or TempoMap(chart.tempo_segments)
        rng = np.random.default_rng([self.seed, 0x5714D])
        onsets = line.notes["onset_beats"].astype(np.float64)
        ends = onsets + line.notes["duration_beats"]
        pitch = line.notes["pitch"].astype(np.float64) + feel.transpose
        velocity = line.notes["velocity"].astype(np.float64)
        strings = line.notes["string"].astype(np.int64)
        rows = np.column_stack([onsets, ends, pitch, velocity, strings])
        rows = _slipped(rows, chart, feel.slips)
        rows, changes = _missed(rows, chart, feel, rng)
        written = rows[:, 0].copy()
        if feel.swing_ratio is not None:
            rows[:, :2] = _reswung(rows[:, 0], rows[:, 1], chart.swing_ratio, feel.swing_ratio)
        seconds = tempo.seconds_at(rows[:, 0])
        length = (tempo.seconds_at(rows[:, 1]) - seconds) * feel.gate
        shift = self._shift_s(written, chart, tempo, rng)
        velocity = rows[:, 3] + rng.normal(0.0, 1.0, len(rows)) * feel.velocity_sd
        beat_in_bar = np.round(written) % 4
        on_beat = np.abs(written - np.round(written)) < _NEAR
        velocity += np.where(on_beat & (beat_in_bar % 2 == 1), feel.accent, 0)
        if feel.flat_velocity is not None:
            velocity = np.full(len(rows), float(feel.flat_velocity))
        notes = np.zeros(len(rows), dtype=NOTE_DTYPE)
        notes["onset_s"] = seconds + shift
        notes["duration_s"] = np.maximum(length, 0.02)
        notes["pitch"] = rows[:, 2]
        notes["velocity"] = np.clip(np.round(velocity), 1, 127)
        strings = rows[:, 4].astype(np.int64)
        notes, strings = _with_ghosts(notes, strings, written, tempo, feel.ghost_frac, rng)
        if feel.tracking is not None:
            notes, strings = _tracked(notes, strings, feel.tracking, rng)
        order = np.lexsort((notes["pitch"], notes["onset_s"]))
        notes, strings = notes[order], strings[order]
        notes = _untangled(notes)
        return Performance(sorted_notes(notes), strings, changes, feel, line)

    def _shift_s(self, written: Floats, chart: Chart, tempo: TempoMap, rng: np.random.Generator) -> Floats:
        """Seconds that each note is late: (n,). Mean, drift, jitter correlated from beat to beat, and the drop-outs'
        own tempo."""
        feel = self.feel
        shift = np.full(written.size, feel.lateness_ms / 1000.0)
        if feel.drift_ms_per_chorus:
            tops = np.array([*chart.chorus_onsets_beats, chart.end_beats])
            place = np.interp(written, tops, np.arange(tops.size, dtype=np.float64))
            shift += feel.drift_ms_per_chorus / 1000.0 * (place - place.mean())
        shift += feel.jitter_sd_ms / 1000.0 * _wander(written, feel.jitter_lag1, rng)
        if feel.drop_out_tempo_pct:
            shift += _drop_out_shift(written, chart, tempo, feel.drop_out_tempo_pct)
        return shift


def _wander(beats: Floats, lag1: float, rng: np.random.Generator) -> Floats:
    """Unit-variance noise, AR(1) with `lag1` from beat to beat; a note inside a beat correlates as much with its beat's
    on-beat, and has the rest to itself: (n,) written beats in, (n,) out."""
    if beats.size == 0:
        return np.zeros(0)
    beat = np.floor(beats + _NEAR).astype(np.int64)
    first = int(beat.min())
    draws = rng.normal(0.0, 1.0, int(beat.max()) - first + 1)
    rest = np.sqrt(1.0 - lag1 * lag1)
    pulse = draws.copy()
    for i in range(1, pulse.size):
        pulse[i] = lag1 * pulse[i - 1] + rest * draws[i]
    own = rng.normal(0.0, 1.0, beats.size)
    on_beat = np.abs(beats - beat) < _NEAR
    shared: Floats = pulse[beat - first]
    return np.where(on_beat, shared, lag1 * shared + rest * own)


def _drop_out_shift(written: Floats, chart: Chart, tempo: TempoMap, pct: float) -> Floats:
    """Seconds early (negative) that build up at another tempo through each drop-out, halved at each beat after it:
    (n,)."""
    shift = np.zeros(written.size)
    factor = 1.0 / (1.0 + pct / 100.0) - 1.0
    start: float | None = None
    for bar in [*chart.bars, None]:
        if bar is not None and bar.drop_out:
            start = bar.onset_beats if start is None else start
            continue
        if start is not None:
            end = bar.onset_beats if bar is not None else chart.end_beats
            inside = (written >= start - _NEAR) & (written < end - _NEAR)
            t0 = float(tempo.seconds_at(start))
            shift[inside] += (tempo.seconds_at(written[inside]) - t0) * factor
            built = (float(tempo.seconds_at(end)) - t0) * factor
            after = written >= end - _NEAR
            shift[after] += built * 0.5 ** np.floor(written[after] - end + _NEAR)
            start = None
    return shift


def _reswung(onsets: Floats, ends: Floats, chart_ratio: float, ratio: float) -> Floats:
    """Onsets and ends with the chart's off-beats moved to the player's: (n, 2). Triplets stay where they are."""
    old, new = float(swing_offbeat_frac(chart_ratio)), float(swing_offbeat_frac(ratio))
    beat = np.floor(onsets + _NEAR)
    in_triplet = np.isin(beat, beat[np.abs(onsets - beat - 1.0 / 3.0) < _NEAR]) & (abs(old - 1.0 / 3.0) > _NEAR)
    offbeat = (np.abs(onsets - beat - old) < _NEAR) & ~in_triplet
    moved = np.where(offbeat, beat + new, onsets)
    # A note that ends before its successor keeps its share of the time to it.
    following = np.append(onsets[1:], np.inf)
    moved_following = np.append(moved[1:], np.inf)
    span = np.where(np.isfinite(following), following - onsets, 1.0)
    moved_span = np.where(np.isfinite(following), moved_following - moved, 1.0)
    with np.errstate(invalid="ignore", divide="ignore"):
        gate = np.where(span > 0, (ends - onsets) / span, 1.0)
    return np.column_stack([moved, moved + gate * moved_span])


def _slipped(rows: Floats, chart: Chart, slips: Sequence[Slip]) -> Floats:
    """Rows with the music of each slip's span taken from `place_beats` further on."""
    out = rows
    for slip in slips:
        start = _bar_beats(chart, slip.chorus, slip.bar)
        stop = _bar_beats(chart, slip.until_chorus, slip.until_bar)
        place = slip.place_beats
        source = rows[(rows[:, 0] >= start + place - _NEAR) & (rows[:, 0] < stop + place - _NEAR)].copy()
        source[:, :2] -= place
        rest = out[(out[:, 0] < start - _NEAR) | (out[:, 0] >= stop - _NEAR)]
        out = np.vstack([rest, source])
        out = out[np.argsort(out[:, 0], kind="stable")]
    return out


def _bar_beats(chart: Chart, chorus: int, bar: int) -> float:
    for candidate in chart.bars:
        if candidate.chorus == chorus and candidate.bar == bar:
            return candidate.onset_beats
    return chart.end_beats


def _missed(rows: Floats, chart: Chart, feel: Feel, rng: np.random.Generator) -> tuple[Floats, tuple[Change, ...]]:
    """Rows with a share of the changes missed or late; the changes with what became of each."""
    changes = changes_of(chart)
    free = [i for i, change in enumerate(changes) if _may_be_missed(chart, change)]
    n_missed = round(feel.missed_frac * len(free))
    n_late = min(round(feel.late_frac * len(free)), len(free) - n_missed)
    chosen = rng.permutation(np.array(free, dtype=np.int64))[: n_missed + n_late].tolist()
    outcome = {}
    for k, i in enumerate(chosen):
        if k >= n_missed:
            outcome[i] = "late"
        elif feel.missed_kind == "mixed":
            outcome[i] = "wrong" if k % 2 == 0 else "silent"
        else:
            outcome[i] = feel.missed_kind
    keep = np.ones(len(rows), dtype=bool)
    rows = rows.copy()
    tonic = chart.key.tonic_pc
    told: list[Change] = []
    for i, change in enumerate(changes):
        kind = outcome.get(i, "root")
        told.append(Change(change.at_beats, change.chorus, change.bar, change.root_pc, kind))
        if kind == "root":
            continue
        at = change.at_beats
        here = np.flatnonzero((rows[:, 0] >= at - 0.25) & (rows[:, 0] < at + 1.0 - _NEAR))
        on = here[np.abs(rows[here, 0] - at) < _NEAR]
        if kind == "silent":
            keep[here] = False
            held = np.flatnonzero((rows[:, 0] < at - _NEAR) & (rows[:, 1] > at - 0.05))
            keep[held[rows[held, 0] > at - 0.6]] = False
            rows[held, 1] = np.minimum(rows[held, 1], at - 0.05)
        elif kind == "wrong":
            pitch = _wrong_pitch(chart, at, rows[on[0], 2] if on.size else 36.0, tonic)
            early = np.flatnonzero((rows[:, 0] > at - 0.6) & (rows[:, 0] < at - _NEAR) & (rows[:, 1] > at - 0.1))
            rows[early, 1] = at - 0.1
            rows[here, 2] = pitch
        elif on.size:
            off = float(swing_offbeat_frac(chart.swing_ratio))
            keep[np.setdiff1d(here, on)] = False
            rows[on, 0] = at + off
            rows[on, 1] = np.maximum(at + 0.95, rows[on, 1])
    kept = rows[keep]
    return kept[np.argsort(kept[:, 0], kind="stable")], tuple(told)


def _may_be_missed(chart: Chart, change: Change) -> bool:
    """Changes that count: in a chorus, not the held last bar, not a free last bar (where many things are right)."""
    bar = chart.bars[_bar_idx(chart, change.at_beats)]
    free = bar.turnaround and bar.bar == len(chart.form_chords) and not chart.turnaround_pinned
    return change.chorus > 0 and not bar.final and not free


def _bar_idx(chart: Chart, beats: float) -> int:
    return int(chart.bar_idx_at(beats))


def _wrong_pitch(chart: Chart, at_beats: float, pitch: float, tonic_pc: int) -> float:
    """The nearest pitch below (then above) that is no chord tone, no seventh and neither I nor V of the key."""
    chord = chart.spans[int(chart.span_idx_at(at_beats))].chord
    kind = {*chord.pcs, (chord.root_pc + 10) % 12, (chord.root_pc + 3) % 12, (chord.root_pc + 4) % 12}
    kind |= {tonic_pc, (tonic_pc + 7) % 12}
    for step in (-1, 1, -2, 2, -3, 3, 5, 6, -6):
        if (round(pitch) + step) % 12 not in kind and 23 <= pitch + step <= 67:
            return pitch + step
    return pitch + 1.0


def _with_ghosts(
    notes: Notes, strings: NDArray[np.int64], written: Floats, tempo: TempoMap, frac: float, rng: np.random.Generator
) -> tuple[Notes, NDArray[np.int64]]:
    """Short soft notes half-way through a share of the empty second halves of beats."""
    if frac <= 0.0:
        return notes, strings
    gaps = np.append(np.diff(written), 0.0)
    on_beat = np.abs(written - np.round(written)) < _NEAR
    picks = np.flatnonzero(on_beat & (gaps >= 0.95) & (rng.random(written.size) < frac))
    ghosts = notes[picks].copy()
    ghosts["onset_s"] = tempo.seconds_at(written[picks] + 0.5) + (
        notes["onset_s"][picks] - tempo.seconds_at(written[picks])
    )
    ghosts["duration_s"] = 0.05
    ghosts["velocity"] = 14
    ghosts["pitch"] += 1.0
    notes["duration_s"][picks] = np.minimum(
        notes["duration_s"][picks], ghosts["onset_s"] - notes["onset_s"][picks] - 0.01
    )
    return np.concatenate([notes, ghosts]), np.concatenate([strings, strings[picks]])


def _tracked(
    notes: Notes, strings: NDArray[np.int64], tracking: Tracking, rng: np.random.Generator
) -> tuple[Notes, NDArray[np.int64]]:
    """The notes as a pitch-tracking converter reports them."""
    out = notes.copy()
    f0_hz = 440.0 * 2.0 ** ((out["pitch"].astype(np.float64) - 69.0) / 12.0)
    out["onset_s"] += tracking.base_ms / 1000.0 + tracking.periods / f0_hz
    n = out.size
    extra: list[Notes] = []
    extra_strings: list[NDArray[np.int64]] = []
    false_start = rng.random(n) < tracking.false_start_frac
    picks = np.flatnonzero(false_start & (out["duration_s"] > 0.12))
    false = out[picks].copy()
    false["duration_s"] = rng.uniform(0.015, 0.03, picks.size)
    false["pitch"] += 12.0
    out["onset_s"][picks] += false["duration_s"]
    out["duration_s"][picks] -= false["duration_s"]
    extra.append(false)
    extra_strings.append(strings[picks])
    again = np.flatnonzero(~false_start & (rng.random(n) < tracking.retrigger_frac) & (out["duration_s"] > 0.12))
    doubled = out[again].copy()
    wait = rng.uniform(0.012, 0.024, again.size)
    doubled["onset_s"] += wait
    doubled["duration_s"] -= wait
    doubled["velocity"] = np.maximum(1, doubled["velocity"].astype(np.int64) * 6 // 10)
    out["duration_s"][again] = wait
    extra.append(doubled)
    extra_strings.append(strings[again])
    return np.concatenate([out, *extra]), np.concatenate([strings, *extra_strings])


def _untangled(notes: Notes) -> Notes:
    """Sorted notes of one pitch, each ended before the next begins (as one string does)."""
    out = notes.copy()
    for pitch in np.unique(out["pitch"]):
        same = np.flatnonzero(out["pitch"] == pitch)
        room = np.diff(out["onset_s"][same]) - 0.002
        out["duration_s"][same[:-1]] = np.maximum(0.005, np.minimum(out["duration_s"][same[:-1]], room))
    return out
