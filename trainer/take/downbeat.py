"""Finding the first downbeat, and where in the form a take begins, from the notes and the session's chords alone.

Two looks, judged together. *Timing*: the phase of the beat at which the onsets fall best on on-beats and swung
off-beats. *Harmony*: for every place in the form, how well the pitch classes at each beat fit the chord there, roots
on a chord's first beat weighing most. `sureness` is the share of the best answer among all of them, with the evidence
tempered, because the beats of one riff are no independent witnesses.

Whoever recorded without a click may keep another tempo than the file's. Where one steady tempo within a tenth of it
suits the onsets far better, the form is looked for at that, counted from the first note. Where none suits them,
nothing is said to be sure.

Conventions: beats as in the file, 0.0 at its start. Weights and tempering are our choice, set on simulated lines
(`tests/take/test_downbeat.py` holds the stated sureness against how often it is right).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from trainer.clock.tempo import swing_offbeat_frac
from trainer.errors import UsageError
from trainer.music import Chord
from trainer.session import BEATS_PER_BAR, Chart
from trainer.take.model import MAX_HOURS

__all__ = ["MIN_NOTES", "Downbeat", "asked_downbeat", "find_downbeat"]

MIN_NOTES = 8  # as for every interval of the scorecard
ON_GRID_BEATS = 0.1  # notes that keep to the file's own beats within this are on them; our choice
PICK_UP_BEATS = 4.0  # what lies so far before a chorus's downbeat leads into it

_N_PHASES = 96
_SPREAD_BEATS = 0.055  # of onsets about their slot: 35 ms at 96 bpm
_SLOT_SHARES = {"on": 0.55, "off": 0.33, "third": 0.03, "two_thirds": 0.03}  # the rest is anywhere in the beat
_MAX_CANDIDATES = 4
_TEMPO_REACH, _MOST_APART_BEATS = 0.10, 0.35  # as a beat fitted to what was played (`scoring.beat`)
_TEMPO_STEP_BEATS = 0.1  # between neighbouring tempi at the last note
_MOST_TEMPI = 2_000
# Log-likelihood a note of the best place of the beat: lines with a beat have 0.99 and more, those whose tempo wanders
# by a per cent or more without a click 0.6 and less; a place in the form is right in two of three of these.
_A_BEAT, _SURE_WITHOUT = 0.75, 0.6
_TEMPO_SAID = 0.2  # log-likelihood that another tempo must gain, a note; the file's own gains under 0.1 by chance
_TIMING_TEMPER, _HARMONY_TEMPER = 0.3, 0.3

# Share of each interval above the chord's root by strength of beat: a chord's first, beat 1 of another bar, beat 3,
# beats 2 and 4. The third and so on are the chord's own; what is not listed shares the rest. Our choice.
_INTERVAL_SHARES = (
    {"root": 0.62, "third": 0.09, "fifth": 0.12, "seventh": 0.03},
    {"root": 0.54, "third": 0.10, "fifth": 0.14, "seventh": 0.04},
    {"root": 0.32, "third": 0.14, "fifth": 0.20, "seventh": 0.07},
    {"root": 0.22, "third": 0.15, "fifth": 0.18, "seventh": 0.09},
)
# On the last beat of a chord: share of notes that lead into the next root, and how far below or above it they lie. The
# order of the steps after Riley & Dixon 2023 (FiloBass, ISMIR): semitone above, semitone below, whole step below.
_LEADING_SHARE = 0.35
_LEADING_STEPS = {1: 0.4, -1: 0.35, -2: 0.15, 7: 0.1}
_PUSHED_SHARE = 0.5  # of the off-beat before a change, beside those: the next root itself, early
_OFFBEAT_WEIGHT = 0.4

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Downbeat:
    """Where chorus 1 begins: `origin_beats` on the file's beat axis (before its start for a take that begins inside).

    `sureness` 0–1. `bar` and `beat` (from 1) say where in the form the first note lies; `next_best` is the second best
    answer's (bar, beat) and share. `phase_beats` is the beat's place on the file's grid, 0 when the notes keep to it.
    """

    origin_beats: float
    sureness: float
    bar: int
    beat: float
    phase_beats: float
    next_best: tuple[int, float, float] | None
    n_notes: int

    def to_dict(self) -> dict[str, Any]:
        """As plain data, for a take's header."""
        best = self.next_best
        return {
            "origin_beats": self.origin_beats,
            "sureness": round(self.sureness, 3),
            "bar": self.bar,
            "beat": round(self.beat, 2),
            "phase_beats": self.phase_beats,
            "next_best": None if best is None else {"bar": best[0], "beat": best[1], "share": round(best[2], 3)},
            "n_notes": self.n_notes,
        }


def asked_downbeat(downbeat: float | str | None) -> float | None:
    """The second that was asked for; None for no wish and for "auto". `UsageError` for what is neither."""
    if downbeat is None or downbeat == "auto":
        return None
    try:
        asked_s = float(downbeat)
    except ValueError:
        raise UsageError(f'downbeat: found "{str(downbeat)[:60]}"; expected seconds or "auto"') from None
    if not abs(asked_s) <= MAX_HOURS * 3600:
        raise UsageError(f"downbeat: found {asked_s}; expected seconds within a day of the file's start")
    return asked_s


def find_downbeat(onset_beats: Floats, pitch: Floats, chart: Chart) -> Downbeat | None:
    """The first downbeat of chorus 1 from notes (n,) on a beat axis of unknown origin.

    None for fewer than `MIN_NOTES`.
    """
    order = np.argsort(onset_beats, kind="stable")
    onsets = np.asarray(onset_beats, dtype=np.float64)[order]
    pcs = np.mod(np.rint(np.asarray(pitch, dtype=np.float64)[order]), 12).astype(np.int64)
    if len(onsets) < MIN_NOTES:
        return None
    onsets = onsets[0] + (onsets - onsets[0]) * _tempo_ratio(onsets, chart.swing_ratio)
    table = _fit_table(chart)
    n_places = table.shape[1]
    timing = _phase_fit(onsets, chart.swing_ratio)
    most_sure = 1.0 if timing.max() > _A_BEAT * len(onsets) else _SURE_WITHOUT
    phases = _candidates(timing)
    joint = np.stack(
        [
            _TIMING_TEMPER * timing[row] + _HARMONY_TEMPER * _harmony_fit(onsets - row / _N_PHASES, pcs, table)
            for row in phases
        ]
    )
    share = np.exp(joint - joint.max())
    share /= share.sum()
    at, place = np.unravel_index(int(np.argmax(share)), share.shape)
    looked_at = phases[int(at)] / _N_PHASES
    phase = _refined(onsets, looked_at)
    first_beat = float(np.floor(onsets[0] - looked_at + 0.5))

    def where(shift: int) -> tuple[int, float]:
        inside = (first_beat + shift) % n_places
        return int(inside) // BEATS_PER_BAR + 1, float(int(inside) % BEATS_PER_BAR + 1)

    others = share.copy()
    others[at, place] = 0.0
    _, second = np.unravel_index(int(np.argmax(others)), others.shape)
    earliest = min(chart.first_beats, 0.0) - PICK_UP_BEATS
    place_of_first = (first_beat + int(place) - earliest) % n_places + earliest
    bar, beat = where(int(place))
    return Downbeat(
        origin_beats=phase + first_beat - place_of_first,
        sureness=min(float(share[at, place]), most_sure),
        bar=bar,
        beat=beat,
        phase_beats=phase % 1.0,
        next_best=(*where(int(second)), float(others.max())) if others.max() > 0.0 else None,
        n_notes=len(onsets),
    )


def _tempo_ratio(onsets: Floats, swing_ratio: float) -> float:
    """Beats played for each of the file's: 1.0, unless one steady tempo suits the onsets far better."""
    reach = float(onsets[-1] - onsets[0])
    if reach * _TEMPO_REACH < _MOST_APART_BEATS:
        return 1.0
    n = min(int(2 * _TEMPO_REACH * reach / _TEMPO_STEP_BEATS), _MOST_TEMPI) | 1  # odd: the middle one is the file's own
    ratios = np.linspace(1.0 - _TEMPO_REACH, 1.0 + _TEMPO_REACH, n)
    fits = np.array([_phase_fit(onsets[0] + (onsets - onsets[0]) * ratio, swing_ratio).max() for ratio in ratios])
    best = int(np.argmax(fits))
    apart = abs(float(ratios[best]) - 1.0) * reach
    return (
        float(ratios[best])
        if apart > _MOST_APART_BEATS and fits[best] > fits[n // 2] + _TEMPO_SAID * len(onsets)
        else 1.0
    )


def _phase_fit(onsets: Floats, swing_ratio: float) -> Floats:
    """Log-likelihood of each phase of the beat, (n_phases,): onsets on its on-beats, off-beats and triplets."""
    grid = np.arange(_N_PHASES) / _N_PHASES
    density = np.full(_N_PHASES, 1.0 - sum(_SLOT_SHARES.values()))
    slots = {"on": 0.0, "off": float(swing_offbeat_frac(swing_ratio)), "third": 1 / 3, "two_thirds": 2 / 3}
    for name, slot in slots.items():
        apart = np.mod(grid - slot + 0.5, 1.0) - 0.5
        bump = np.exp(-0.5 * (apart / _SPREAD_BEATS) ** 2)
        density += _SLOT_SHARES[name] * bump / bump.mean()
    counts = np.bincount(np.mod(np.rint(onsets * _N_PHASES), _N_PHASES).astype(np.int64), minlength=_N_PHASES)
    turned = np.fft.rfft(counts) * np.conj(np.fft.rfft(np.log(density)))
    fit: Floats = np.fft.irfft(turned, _N_PHASES)
    return fit


def _candidates(timing: Floats) -> list[int]:
    """The best phases: local maxima, best first."""
    peaks = np.flatnonzero((timing >= np.roll(timing, 1)) & (timing > np.roll(timing, -1)))
    if not len(peaks):
        return [0]
    ranked: list[int] = peaks[np.argsort(-timing[peaks], kind="stable")].tolist()
    return ranked[:_MAX_CANDIDATES]


def _refined(onsets: Floats, phase: float) -> float:
    """The phase moved to the median of its on-beats; a whole number where those lie on the file's own beats."""
    apart = np.mod(onsets - phase + 0.5, 1.0) - 0.5
    near = apart[np.abs(apart) < 0.15]
    exact = phase + (float(np.median(near)) if len(near) else 0.0)
    whole = float(np.floor(exact + 0.5))
    return whole if abs(exact - whole) <= ON_GRID_BEATS else exact


def _fit_table(chart: Chart) -> Floats:
    """Log-ratio of each pitch class against a note that says nothing: (2, n_places, 12), on-beats and off-beats.

    Off-beats are all judged alike: were those of strong beats to weigh more, a line busy on 2 and 4 would pull the
    bar round.
    """
    first, last = chart.session.loop or (1, len(chart.form_chords))
    chords = [
        bar[beat * len(bar) // BEATS_PER_BAR]
        for bar in chart.form_chords[first - 1 : last]
        for beat in range(BEATS_PER_BAR)
    ]
    on, off = [], []
    for place, chord in enumerate(chords):
        fresh = chord != chords[place - 1]
        after = chords[(place + 1) % len(chords)]
        leads = after.root_pc != chord.root_pc
        row = _shares_of(chord, 0 if fresh else (1, 3, 2, 3)[place % BEATS_PER_BAR])
        on.append(_leading(row, after.root_pc, _LEADING_STEPS) if leads and not fresh else row)
        weak = _shares_of(chord, 3)
        off.append(_leading(weak, after.root_pc, {**_LEADING_STEPS, 0: _PUSHED_SHARE}) if leads else weak)
    table: Floats = np.log(np.array([on, off]) * 12.0)
    return table


def _shares_of(chord: Chord, strength: int) -> Floats:
    """Share of each pitch class over a chord, (12,)."""
    shares = _INTERVAL_SHARES[strength]
    steps = {"root": 0, "third": chord.third, "fifth": chord.fifth, "seventh": chord.seventh}
    named = {step: shares[name] for name, step in steps.items() if step is not None}
    rest = (1.0 - sum(named.values())) / (12 - len(named))
    row: Floats = np.roll([named.get(step, rest) for step in range(12)], chord.root_pc)
    return row


def _leading(row: Floats, root_pc: int, steps: Mapping[int, float]) -> Floats:
    """A row mixed with the notes that lead into the next root."""
    leading = np.zeros(12)
    for step, share in steps.items():
        leading[(root_pc + step) % 12] += share / sum(steps.values())
    return (1.0 - _LEADING_SHARE) * row + _LEADING_SHARE * leading


def _harmony_fit(onsets: Floats, pcs: NDArray[np.int64], table: Floats) -> Floats:
    """How well the notes fit when beat 0 lies at each place of the form: (n_places,)."""
    n_places = table.shape[1]
    nearest = np.floor(onsets + 0.5)
    on = np.abs(onsets - nearest) < 0.25
    beat = np.mod(np.where(on, nearest, np.floor(onsets)), n_places).astype(np.int64)
    fit = np.zeros(n_places)
    for rows, here, weight in ((table[0], on, 1.0), (table[1], ~on, _OFFBEAT_WEIGHT)):
        said = np.zeros((n_places, 12))
        np.add.at(said, (beat[here], pcs[here]), weight)
        fit += [float(np.sum(said * np.roll(rows, -place, axis=0))) for place in range(n_places)]
    return fit
