"""The shape of the song: was the verse pinned, did the solo open up, did the band's arc show.

Per chorus: how busy, how high, how far above the root, how much of the chord, how varied, how repeated, how loud, how
long. From those five verdicts, against the take's own verses and the plan: pinned, held, open, wandering, mixed.
Then contrast (solo against verse, with intervals), build (rank correlation with the planned intensity), arc (up over
one chorus, down over the next), gate and accent.

Conventions: pitches in MIDI semitones, beats are quarter notes, shares 0–1. Thresholds are in `levels.toml`.
Rank correlation: Spearman 1904; interval of a difference: Welch 1947.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from trainer.scoring.changes import target_pc
from trainer.scoring.landing import Landing
from trainer.scoring.levels import ShapeRules, shape_rules
from trainer.scoring.reading import (
    FIGURE_PAIR,
    FIGURE_SINGLE,
    FIGURE_TRIPLET,
    SLOT_OFF,
    SLOT_ON,
    SLOT_TRIPLET_2,
    SLOT_TRIPLET_3,
    Reading,
)
from trainer.scoring.stats import MIN_N, Interval, median, robust_sd, t_quantile
from trainer.scoring.why import Why, ci, counted, no_figure, number
from trainer.session import BEATS_PER_BAR, Chart, ChartBar

__all__ = ["VERDICTS", "ChorusShape", "Shape", "rank_correlation", "rhythm_repeat", "shape", "welch"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

VERDICTS = ("pinned", "held", "open", "wandering", "mixed")
MIN_NOTES = 8  # fewer in a chorus: no verdict; our choice
_SLOTS = 16  # per bar: on, second and third partial, off


@dataclass(frozen=True, slots=True)
class ChorusShape:
    """One chorus as played. NaN where a figure is absent; `as_planned` None where the plan asks for nothing.

    `verdict` None: too few notes. `missed` of `changes` did not land. `entropy_bits` is over degrees of the chord.
    `lost`: the player was elsewhere in the form for most of it.
    """

    chorus: int
    role: str
    intensity: float
    n: int
    verdict: str | None
    as_planned: bool | None
    notes_per_bar: float
    median_pitch: float
    top_pitch: float
    span_semitones: float
    root_share: float
    chord_tone_share: float
    entropy_bits: float
    rhythm_repeat: float
    triplet_figures: int
    velocity: float
    slope_semitones_per_bar: float
    gate_long: float
    gate_short: float
    gate_quarter: float
    accent: float
    accent_offbeat: float
    missed: int
    changes: int
    mean_pitch: float
    why: Mapping[str, Why] = field(default_factory=dict)
    lost: bool = False

    def to_dict(self) -> dict[str, Any]:
        return {
            "chorus": self.chorus,
            "role": self.role,
            "verdict": self.verdict,
            "as_planned": self.as_planned,
            "n": self.n,
            "notes_per_bar": number(self.notes_per_bar, 2),
            "median_pitch": number(self.median_pitch, 2),
            "top_pitch": number(self.top_pitch, 2),
            "span_semitones": number(self.span_semitones, 1),
            "root_share": number(self.root_share, 3),
            "chord_tone_share": number(self.chord_tone_share, 3),
            "entropy_bits": number(self.entropy_bits, 3),
            "rhythm_repeat": number(self.rhythm_repeat, 3),
            "triplet_figures": self.triplet_figures,
            "velocity": number(self.velocity, 1),
            "slope_semitones_per_bar": number(self.slope_semitones_per_bar, 3),
            "gate_long": number(self.gate_long, 3),
            "gate_short": number(self.gate_short, 3),
            "gate_quarter": number(self.gate_quarter, 3),
            "accent": number(self.accent, 1),
            "accent_offbeat": number(self.accent_offbeat, 1),
            "missed": self.missed,
            "changes": self.changes,
            "why": {name: why.to_dict() for name, why in self.why.items()},
        }

    def sentence(self) -> str:
        """The chorus in one plain sentence."""
        name = f"Chorus {self.chorus} ({self.role})"
        lost = f"{self.missed} of {counted(self.changes, 'change')} missed"
        if self.verdict is None:
            return f"{name}: too few notes to say."
        said = {
            "pinned": "pinned: one rhythm, chord tones, the changes where they are due",
            "held": "held like a verse",
            "open": "opened up",
            "wandering": "wandering: the place in the form was lost" if self.lost else f"wandering: varied, but {lost}",
            "mixed": f"neither pinned nor open; {lost}",
        }[self.verdict]
        tail = ""
        if self.as_planned is False:
            tail = "; the plan was to open" if self.role == "solo" else "; the plan was to pin it"
        return f"{name}: {said}{tail}."


@dataclass(frozen=True)
class Shape:
    """The shape of a take. `contrast` holds solo minus verse; `build` rank correlations with the planned intensity."""

    choruses: tuple[ChorusShape, ...]
    contrast: Mapping[str, Interval]
    build: Mapping[str, float]
    arc: tuple[int, int] | None
    gate: Mapping[str, float]
    accent: float
    accent_offbeat: float
    why: Mapping[str, Why] = field(default_factory=dict)

    @property
    def planned(self) -> tuple[int, int]:
        """(choruses as planned, choruses that the plan asks something of)."""
        asked = [c.as_planned for c in self.choruses if c.as_planned is not None]
        return sum(asked), len(asked)

    @property
    def line(self) -> str:
        """The shape in a few words, with its counts."""
        words = [c.verdict for c in self.choruses if c.verdict is not None]
        if not words:
            return "too few notes for a shape"
        counts = ", ".join(f"{words.count(v)} {v}" for v in VERDICTS if v in words)
        good, asked = self.planned
        plan = f" ({good} of {asked} as planned)" if asked else ""
        return f"choruses: {counts}{plan}"

    def sentences(self) -> tuple[str, ...]:
        """What a player can read: a sentence for each chorus, then contrast, build and arc where there are any."""
        out = [chorus.sentence() for chorus in self.choruses]
        dense = self.contrast.get("notes_per_bar")
        if dense is not None and math.isfinite(dense.low):
            away = "clear" if dense.low > 0.0 or dense.high < 0.0 else "not clear"
            out.append(
                f"Solos against verses: {dense.estimate:+.1f} notes a bar ({dense.low:+.1f} to {dense.high:+.1f}), "
                f"a difference that is {away}."
            )
        if self.arc is not None:
            out.append(f"An arc: up over chorus {self.arc[0]}, down over chorus {self.arc[1]}.")
        return tuple(out)

    def to_dict(self) -> dict[str, Any]:
        """The scorecard's `shape` section."""
        return {
            "choruses": [chorus.to_dict() for chorus in self.choruses],
            "contrast": {
                name: {"difference": number(i.estimate, 2), "ci95": ci(i, 2), "n": i.n}
                for name, i in self.contrast.items()
            },
            "build": {name: number(rho, 3) for name, rho in self.build.items()},
            "arc": None if self.arc is None else list(self.arc),
            "gate": {name: number(share, 3) for name, share in self.gate.items()},
            "accent": number(self.accent, 1),
            "accent_offbeat": number(self.accent_offbeat, 1),
            "sentences": list(self.sentences()),
            "why": {name: why.to_dict() for name, why in self.why.items()},
        }


# --- small measures -----------------------------------------------------------------------------------------------


def rhythm_repeat(patterns: Bools) -> float:
    """Mean likeness (shared onsets ÷ all onsets) of every two bars' rhythms: (bars, slots) in; NaN below two bars."""
    rows = patterns[np.any(patterns, axis=1)].astype(np.float64)
    n = len(rows)
    if n < 2:
        return math.nan
    shared = rows @ rows.T
    size = rows.sum(axis=1)
    likeness = shared / (size[:, None] + size[None, :] - shared)
    return float((likeness.sum() - n) / (n * (n - 1)))


def rank_correlation(a: Floats, b: Floats) -> float:
    """Spearman's rank correlation with mean ranks for ties; NaN below four pairs or when either is constant."""
    keep = np.isfinite(a) & np.isfinite(b)
    if np.count_nonzero(keep) < 4:
        return math.nan
    x, y = _ranks(a[keep]), _ranks(b[keep])
    x, y = x - x.mean(), y - y.mean()
    scale = math.sqrt(float((x * x).sum()) * float((y * y).sum()))
    return float((x * y).sum()) / scale if scale > 0.0 else math.nan


def _ranks(values: Floats) -> Floats:
    _, inverse, counts = np.unique(values, return_inverse=True, return_counts=True)
    ends = np.cumsum(counts)
    ranks: Floats = (ends - 0.5 * (counts - 1))[inverse]
    return ranks


def welch(a: Floats, b: Floats) -> Interval:
    """Mean of b minus mean of a with its 95 % interval (Welch 1947); no interval below eight values in either."""
    a, b = a[np.isfinite(a)], b[np.isfinite(b)]
    n = min(len(a), len(b))
    if n == 0:
        return Interval(math.nan, math.nan, math.nan, 0)
    difference = float(b.mean() - a.mean())
    if n < MIN_N:
        return Interval(difference, math.nan, math.nan, n)
    va, vb = float(a.var(ddof=1)) / len(a), float(b.var(ddof=1)) / len(b)
    if va + vb <= 0.0:
        return Interval(difference, difference, difference, n)
    df = (va + vb) ** 2 / (va**2 / (len(a) - 1) + vb**2 / (len(b) - 1))
    half = t_quantile(df) * math.sqrt(va + vb)
    return Interval(difference, difference - half, difference + half, n)


def _slope(bars: Floats, pitch: Floats) -> float:
    """Median slope of bar medians, semitones a bar (Theil 1950); NaN below four bars."""
    keep = np.isfinite(pitch)
    x, y = bars[keep], pitch[keep]
    if len(x) < 4:
        return math.nan
    i, j = np.triu_indices(len(x), 1)
    return float(np.median((y[j] - y[i]) / (x[j] - x[i])))


# --- the section --------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Played:
    """The take's notes inside the choruses, laid out by bar."""

    bar: Ints
    pitch: Floats
    step: Ints  # above the root that the bass owes
    of_chord: Bools
    slot: Ints
    beat_in_bar: Ints
    velocity: Floats
    gate: Floats
    gate_kind: Ints  # 0 long, 1 short, 2 quarter, -1 none
    flat: bool
    releases: bool

    def of_bars(self, first: int, last: int) -> _Played:
        """The notes of the bars from `first` to `last` (of the chart)."""
        rows = slice(*np.searchsorted(self.bar, (first, last + 1)).tolist())
        names = ("bar", "pitch", "step", "of_chord", "slot", "beat_in_bar", "velocity", "gate", "gate_kind")
        return replace(self, **{name: getattr(self, name)[rows] for name in names})


def _played(reading: Reading, chart: Chart) -> _Played:
    keep = ~reading.ghost & ~reading.stacked
    onset = reading.placed_beats
    keep &= (onset > -0.5) & (onset < chart.end_beats)
    rows = np.flatnonzero(keep)
    at = reading.beat_idx[rows].astype(np.float64) + 1e-6
    bar = chart.bar_idx_at(at).astype(np.int64)
    span = chart.span_idx_at(at)
    roots = np.array([target_pc(s.chord) for s in chart.spans], dtype=np.int64)
    masks = np.array([sum(1 << pc for pc in set(s.chord.pcs)) for s in chart.spans], dtype=np.int64)
    pc = reading.pc[rows]
    following = np.full(reading.n, np.nan)
    solid = np.flatnonzero(~reading.stacked)
    following[solid[:-1]] = reading.beats[solid[1:]]
    interval = following[rows] - reading.beats[rows]
    gate = np.clip(reading.duration_beats[rows] / np.where(interval > 0, interval, np.nan), 0.0, 1.2)
    slot = reading.slot[rows].astype(np.int64)
    figure = reading.figure[np.clip(reading.beat_idx[rows] - reading.first_beat_idx, 0, reading.n_beats - 1)]
    kind = np.full(len(rows), -1, dtype=np.int64)
    kind[(slot == SLOT_ON) & (figure == FIGURE_PAIR)] = 0
    kind[(slot == SLOT_OFF) & (figure == FIGURE_PAIR) & (interval < 0.7)] = 1
    kind[(slot == SLOT_ON) & (figure == FIGURE_SINGLE) & (np.abs(interval - 1.0) < 0.2)] = 2
    velocity = reading.notes["velocity"][rows].astype(np.float64)
    return _Played(
        bar=bar,
        pitch=reading.pitch[rows],
        step=(pc - roots[span]) % 12,
        of_chord=((masks[span] >> pc) & 1 == 1) | (pc == roots[span]),
        slot=slot,
        beat_in_bar=np.floor(at - chart.bar_onsets_beats[bar]).astype(np.int64) % BEATS_PER_BAR,
        velocity=velocity,
        gate=gate,
        gate_kind=kind,
        flat=len(velocity) == 0 or len(np.unique(velocity)) < 3,
        releases=not bool(np.any(reading.no_release[rows])),
    )


_SLOT_PLACE = {SLOT_ON: 0, SLOT_TRIPLET_2: 1, SLOT_TRIPLET_3: 2, SLOT_OFF: 3}


def shape(
    reading: Reading,
    chart: Chart,
    landing: Landing,
    *,
    band_intensity: Sequence[float] | None = None,
    lost_bars: Collection[int] = (),
) -> Shape:
    """The shape of a take against its chart. Absent figures are NaN (null in the JSON) and named in `why`.

    `lost_bars`: the bars (of the chart) in which the player was elsewhere in the form. A chorus lost for most of its
    bars wanders, whatever its notes: a line that is out of place looks varied against the chords of the band.
    `band_intensity`: what the band really played, one value a bar, where it followed the player; *build* is then
    against that. Verdicts are against the plan, always.
    """
    rules = shape_rules()
    p = _played(reading, chart)
    mine = [n for n in range(1, chart.n_choruses + 1) if n not in chart.heard_choruses]
    bars_of: dict[int, list[ChartBar]] = {}
    for bar in chart.bars:
        bars_of.setdefault(bar.chorus, []).append(bar)
    facts = [_chorus(p, reading, chart, landing, bars_of[chorus]) for chorus in mine]
    elsewhere = frozenset(lost_bars)
    for i, chorus_facts in enumerate(facts):
        own = {bar.idx for bar in bars_of[chorus_facts.chorus]}
        facts[i] = replace(chorus_facts, lost=2 * len(own & elsewhere) > len(own))
    judged = _judged(facts, rules)
    why: dict[str, Why] = {}
    by_bar = _per_bar(p, chart)
    roles = np.array([bar.role for bar in chart.bars])
    counted = np.array([bar.chorus > 0 and not (bar.final or bar.stopped or bar.heard) for bar in chart.bars])
    asked = [bool(np.any(counted & (roles == role))) for role in ("verse", "solo")]
    played = {chorus.chorus for chorus in judged if chorus.verdict is not None}
    # A chorus or bars sat out are no thin ones.
    counted &= np.array([bar.chorus in played and _asked(reading, bar) for bar in chart.bars])
    contrast: dict[str, Interval] = {}
    for name, values in by_bar.items():
        if name == "velocity" and p.flat:
            continue
        contrast[name] = welch(values[counted & (roles == "verse")], values[counted & (roles == "solo")])
    if not all(asked):
        contrast = {}
        why["contrast"] = no_figure("not_asked", "the plan has no verse and solo to compare")
    elif not all(np.any(counted & (roles == role)) for role in ("verse", "solo")):
        contrast = {}
        why["contrast"] = no_figure("no_notes", "no verse was played, or no solo")
    elif any(not math.isfinite(i.low) for i in contrast.values()):
        why["contrast"] = no_figure("too_few", "fewer than eight bars of verse or solo: no interval")
    plan = np.array([chorus.intensity for chorus in judged])
    if band_intensity is not None and len(band_intensity) == len(chart.bars):
        of_bar = np.asarray(band_intensity, dtype=np.float64)
        in_chorus = np.array([bar.chorus for bar in chart.bars])
        plan = np.array([of_bar[in_chorus == chorus.chorus].mean() for chorus in judged])
    build: dict[str, float] = {}
    for name in ("notes_per_bar", "median_pitch", "velocity"):
        values = np.array([getattr(chorus, name) for chorus in judged], dtype=np.float64)
        build[name] = math.nan if name == "velocity" and p.flat else rank_correlation(plan, values)
    if all(math.isnan(rho) for rho in build.values()):
        steady = len(set(plan.tolist())) < 2
        text = "the plan keeps one intensity" if steady else "fewer than four choruses, or nothing changes"
        why["build"] = no_figure("not_asked" if steady else "too_few", text)
    gate, gate_why = _gates(p, np.ones(len(p.bar), dtype=np.bool_))
    accent, offbeat, accent_why = _accent(p, np.ones(len(p.bar), dtype=np.bool_))
    why |= gate_why | accent_why
    arc = _arc(judged, rules)
    if arc is None:
        why["arc"] = no_figure("none", "no two choruses rise and then fall")
    return Shape(judged, contrast, build, arc, gate, accent, offbeat, why)


def _asked(reading: Reading, bar: ChartBar) -> bool:
    """Whether the player was in by this bar, and had not stopped."""
    return bar.onset_beats > reading.from_beats - 0.5 and bar.onset_beats <= reading.until_beats


def _per_bar(p: _Played, chart: Chart) -> dict[str, Floats]:
    """Notes, middle pitch and middle velocity of every bar: (bars,) each."""
    n = len(chart.bars)
    edges = np.searchsorted(p.bar, np.arange(n + 1))
    pitch = np.full(n, np.nan)
    velocity = np.full(n, np.nan)
    for i in range(n):
        a, b = edges[i], edges[i + 1]
        if b > a:
            pitch[i] = median(p.pitch[a:b])
            velocity[i] = median(p.velocity[a:b])
    return {"notes_per_bar": np.diff(edges).astype(np.float64), "median_pitch": pitch, "velocity": velocity}


def _gates(p: _Played, rows: Bools) -> tuple[dict[str, float], dict[str, Why]]:
    names = ("long", "short", "quarter")
    if not p.releases:
        reason = no_figure("no_releases", "the input does not send when notes end")
        return dict.fromkeys(names, math.nan), {f"gate_{name}": reason for name in names}
    out: dict[str, float] = {}
    why: dict[str, Why] = {}
    for kind, name in enumerate(names):
        values = p.gate[rows & (p.gate_kind == kind)]
        values = values[np.isfinite(values)]
        out[name] = median(values) if len(values) >= MIN_N else math.nan
        if len(values) < MIN_N:
            why[f"gate_{name}"] = no_figure("too_few", f"{counted(len(values), f'{name} note')}; {MIN_N} are needed")
    return out, why


def _accent(p: _Played, rows: Bools) -> tuple[float, float, dict[str, Why]]:
    if p.flat:
        reason = no_figure("flat_velocity", "the input sends one velocity")
        return math.nan, math.nan, {"accent": reason, "accent_offbeat": reason}
    on = rows & (p.slot == SLOT_ON)
    back = p.velocity[on & (p.beat_in_bar % 2 == 1)]
    front = p.velocity[on & (p.beat_in_bar % 2 == 0)]
    off = p.velocity[rows & (p.slot == SLOT_OFF)]
    why: dict[str, Why] = {}
    accent = offbeat = math.nan
    if min(len(back), len(front)) >= MIN_N:
        accent = median(back) - median(front)
    else:
        why["accent"] = no_figure("too_few", "too few notes on the beat to compare 2 and 4 with 1 and 3")
    if len(off) >= MIN_N and np.count_nonzero(on) >= MIN_N:
        offbeat = median(off) - median(p.velocity[on])
    else:
        why["accent_offbeat"] = no_figure("too_few", "too few off-beats to compare")
    return accent, offbeat, why


def _chorus(played: _Played, reading: Reading, chart: Chart, landing: Landing, all_bars: list[ChartBar]) -> ChorusShape:
    """The features of one chorus (its bars, in order), not yet judged."""
    chorus = all_bars[0].chorus
    bars = [bar for bar in all_bars if not bar.final and not bar.stopped and _asked(reading, bar)]
    p = played.of_bars(all_bars[0].idx, all_bars[-1].idx)
    tally = landing.per_chorus.get(chorus)
    changes = tally.changes if tally is not None else 0
    missed = changes - tally.landed if tally is not None else 0
    role, intensity = all_bars[0].role, all_bars[0].intensity
    idx = np.array([bar.idx for bar in bars], dtype=np.int64)
    rows = np.isin(p.bar, idx) if len(idx) else np.zeros(len(p.bar), dtype=np.bool_)
    n = int(np.count_nonzero(rows))
    if n < MIN_NOTES:
        reason = no_figure("too_few", f"{counted(n, 'note')} in this chorus; {MIN_NOTES} are needed")
        names = ("verdict", "median_pitch", "top_pitch", "span_semitones", "root_share", "chord_tone_share",
                 "entropy_bits", "rhythm_repeat", "velocity", "slope_semitones_per_bar", "gate_long", "gate_short",
                 "gate_quarter", "accent", "accent_offbeat")  # fmt: skip
        per_bar = n / len(bars) if bars else math.nan
        nans = (math.nan,) * 7
        absent = dict.fromkeys(names if bars else (*names, "notes_per_bar"), reason)
        return ChorusShape(
            chorus, role, intensity, n, None, None, per_bar, *nans, 0, *nans[:7], missed, changes, math.nan, absent
        )
    pitch, step, bar = p.pitch[rows], p.step[rows], p.bar[rows]
    medians = np.full(len(idx), np.nan)
    spans = np.full(len(idx), np.nan)
    for k, i in enumerate(idx.tolist()):
        here = bar == i
        if np.any(here):
            medians[k] = median(pitch[here])
            roots = pitch[here & (step == 0)]
            lowest = int(np.argmin(np.where(here, pitch, np.inf)))
            floor = float(roots.min()) if len(roots) else float(pitch[lowest] - step[lowest])
            spans[k] = float(pitch[here].max()) - floor
    n_form = len(chart.form_chords)
    steady = [b.idx for b in bars if b.bar % 4 != 0 and b.bar < n_form - 1] if n_form >= 4 else idx.tolist()
    first = all_bars[0].idx
    patterns = np.zeros((len(all_bars), _SLOTS), dtype=np.bool_)
    place = np.array([_SLOT_PLACE.get(int(s), 3) for s in range(5)])[p.slot[rows]]
    patterns[bar - first, 4 * p.beat_in_bar[rows] + place] = True
    shares = np.bincount(step, minlength=12) / n
    shares = shares[shares > 0]
    gate, why_gate = _gates(p, rows)
    accent, offbeat, why_accent = _accent(p, rows)
    repeat = rhythm_repeat(patterns[np.array(steady) - first]) if steady else math.nan
    why: dict[str, Why] = {**why_gate, **why_accent}
    slope = _slope(np.arange(len(idx), dtype=np.float64), medians)
    if math.isnan(slope):
        why["slope_semitones_per_bar"] = no_figure("too_few", "fewer than four bars with notes")
    if math.isnan(repeat):
        why["rhythm_repeat"] = no_figure("too_few", "fewer than two bars to compare")
    if p.flat:
        why["velocity"] = no_figure("flat_velocity", "the input sends one velocity")
    start = max(round(all_bars[0].onset_beats) - reading.first_beat_idx, 0)
    figures = reading.figure[start : max(round(all_bars[-1].end_beats) - reading.first_beat_idx, 0)]
    return ChorusShape(
        chorus=chorus,
        role=role,
        intensity=intensity,
        n=n,
        verdict="mixed",
        as_planned=None,
        notes_per_bar=n / len(bars),
        median_pitch=median(pitch),
        top_pitch=float(pitch.max()),
        span_semitones=float(np.quantile(spans[np.isfinite(spans)], 0.9, method="lower")),
        root_share=float(np.mean(step == 0)),
        chord_tone_share=float(np.mean(p.of_chord[rows])),
        entropy_bits=float(-(shares * np.log2(shares)).sum()) + 0.0,
        rhythm_repeat=repeat,
        triplet_figures=int(np.count_nonzero(figures == FIGURE_TRIPLET)),
        velocity=math.nan if p.flat else median(p.velocity[rows]),
        slope_semitones_per_bar=slope,
        gate_long=gate["long"],
        gate_short=gate["short"],
        gate_quarter=gate["quarter"],
        accent=accent,
        accent_offbeat=offbeat,
        missed=missed,
        changes=changes,
        mean_pitch=float(pitch.mean()),
        why=why,
    )


def _is_pinned(c: ChorusShape, rules: ShapeRules) -> bool:
    return (
        c.verdict is not None
        and not c.lost
        and c.missed <= rules.pinned_missed_changes
        and not c.rhythm_repeat < rules.pinned_rhythm_repeat
        and c.chord_tone_share >= rules.pinned_chord_tone_share
        and c.span_semitones <= rules.pinned_span_semitones
    )


@dataclass(frozen=True)
class _Usual:
    """The take's own verses: middle and spread of each thing that opens a chorus."""

    middle: Floats  # (3,), as `_OPENERS`
    spread: Floats

    @classmethod
    def of(cls, facts: Floats) -> _Usual:
        """From the verses' facts, (verses, 3)."""
        spreads = [robust_sd(own) if len(own) > 2 else float(np.ptp(own)) / 2.0 for own in facts.T]
        return cls(np.median(facts, axis=0), np.nan_to_num(np.array(spreads), nan=0.0, posinf=0.0))


_OPENERS = ("notes_per_bar", "mean_pitch", "entropy_bits")
_MANY_VERSES = 100  # from here on leaving a verse itself out of what is usual moves nothing that is shown; our choice


def _facts(choruses: list[ChorusShape]) -> Floats:
    return np.array([[getattr(c, name) for name in _OPENERS] for c in choruses], dtype=np.float64)


def _judged(every: list[ChorusShape], rules: ShapeRules) -> tuple[ChorusShape, ...]:
    """The choruses with their verdicts, each against the take's other verses (the pinned ones if any) and the plan."""
    verses = [c for c in every if c.role != "solo" and c.verdict is not None]
    pinned = [_is_pinned(c, rules) for c in verses]
    facts, chorus = _facts(verses), np.array([c.chorus for c in verses])
    is_pinned = np.array(pinned, dtype=np.bool_)
    known: dict[bytes, _Usual] = {}

    def usual(c: ChorusShape) -> _Usual | None:
        others = np.ones(len(verses), dtype=np.bool_) if len(verses) > _MANY_VERSES else chorus != c.chorus
        eligible = others & is_pinned
        rows = eligible if np.any(eligible) else others
        if not np.any(rows):
            return None
        key = rows.tobytes()
        if key not in known:
            known[key] = _Usual.of(facts[rows])
        return known[key]

    return tuple(c if c.verdict is None else _judge(c, usual(c), rules) for c in every)


def _judge(c: ChorusShape, usual: _Usual | None, rules: ShapeRules) -> ChorusShape:
    """One chorus with its verdict. Open: denser, higher or more varied than `usual` by the minimum effect and more than
    its spread."""
    pinned = _is_pinned(c, rules)
    opens = False
    if usual is not None:
        effects = np.array([rules.open_notes_per_bar, rules.open_semitones, rules.open_entropy_bits])
        more = _facts([c])[0] - usual.middle
        opens = bool(np.any(more >= np.maximum(effects, rules.open_spreads * usual.spread)))
    landed = c.missed <= rules.open_missed_changes
    loose = not c.rhythm_repeat >= rules.pinned_rhythm_repeat or c.chord_tone_share < rules.pinned_chord_tone_share
    if c.lost:
        asks = c.role == "verse" or (c.role == "solo" and c.intensity >= rules.asks_to_open_intensity)
        verdict, planned = "wandering", False if asks else None
    elif c.role == "solo":
        if opens:
            verdict = "open" if landed else "wandering"
        elif pinned:
            verdict = "held"
        else:
            verdict = "wandering" if loose and not landed else "mixed"
        asks = c.intensity >= rules.asks_to_open_intensity
        planned = True if verdict == "open" else None if verdict == "held" and not asks else False
    else:
        if pinned:
            verdict = "pinned"
        elif (opens or loose) and not landed:
            verdict = "wandering"
        else:
            verdict = "open" if opens and landed else "mixed"
        planned = verdict == "pinned" if c.role == "verse" else None
    why = dict(c.why)
    if c.role == "solo" and usual is None:
        why["verdict"] = no_figure("no_verse", "no verse in this take to hold the solo against")
    return replace(c, verdict=verdict, as_planned=planned, why=why)


def _arc(choruses: tuple[ChorusShape, ...], rules: ShapeRules) -> tuple[int, int] | None:
    """The first two neighbouring choruses that go up and then down."""
    for a, b in itertools.pairwise(choruses):
        if a.slope_semitones_per_bar >= rules.arc_semitones_per_bar <= -b.slope_semitones_per_bar:
            return a.chorus, b.chorus
    return None
