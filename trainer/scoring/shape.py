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
import statistics
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Annotated, Any, Literal, NamedTuple, TypeAlias, get_args

import numpy as np
from numpy.typing import NDArray

from trainer.scoring.attacks import one_each
from trainer.scoring.figure import (
    NO_FIGURE,
    Count,
    Explains,
    Figure,
    Hidden,
    Row,
    Section,
    Shown,
    computed,
    measured,
    not_computed,
)
from trainer.scoring.landing import ChorusTally, Landing
from trainer.scoring.levels import ShapeRules, shape_rules
from trainer.scoring.reading import (
    BEAT_PAIR,
    BEAT_SINGLE,
    BEAT_TRIPLET,
    SLOT_OFF,
    SLOT_ON,
    SLOT_TRIPLET_2,
    SLOT_TRIPLET_3,
    Reading,
)
from trainer.scoring.stats import MIN_N, median, robust_sd, share, welch
from trainer.scoring.why import Why, counted, no_figure
from trainer.session import BEATS_PER_BAR, BarRole, Chart, ChartBar

__all__ = ["VERDICTS", "ChorusShape", "ChorusVerdict", "Gate", "Shape", "rank_correlation", "rhythm_repeat", "shape"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

ChorusVerdict: TypeAlias = Literal["pinned", "held", "open", "wandering", "mixed"]
VERDICTS: tuple[ChorusVerdict, ...] = get_args(ChorusVerdict)
MIN_NOTES = 8  # fewer in a chorus: no verdict; our choice
WALK_SHARE = 0.75  # of the beats with notes hold one alone, on the beat: a walk; our choice
# Recorded walkers land .80 of the changes (median); more than twice as many missed is no walk at all. Our choice.
WALKERS_MISS = 0.45
_SLOTS = 16  # per bar: on, second and third partial, off
# Our choice: a rhythm goes round in so many bars, told from so many pairs.
CYCLE_BARS, CYCLE_PAIRS = (1, 2), 4
# A rhythm, of one bar or of two in turn, for each part of a chorus: so many, of bars so alike. Our choice.
PARTS_MOST, PART_BARS, PARTS_ALIKE = 3, 2, 0.8
CROSSING_HALVES, CROSSING_ALIKE = (3, 5, 6, 7), 0.85  # half-beats in which a rhythm goes round against the bar
# Softer than so much of the player's middle and no longer than that: a dead note, which is rhythm. Our choice.
DEAD_LOUDNESS, DEAD_MOST_S = 0.4, 0.12


def _share(key: str, title: str) -> Shown:
    return Shown(key, 3, least=0.0, most=1.0, title=title, shown_digits=2)


def _gate(key: str, title: str) -> Shown:
    return Shown(key, 3, least=0.0, title=title, shown_digits=2)


_ACCENT = Shown("accent", 1, title="accent on 2 and 4")
_ACCENT_OFFBEAT = Shown("accent_offbeat", 1, title="accent off the beat")


@dataclass(frozen=True, slots=True, kw_only=True)
class ChorusShape(Section):
    """One chorus as played; `as_planned` None where the plan asks for nothing.

    `verdict` None: too few notes. `missed` of `changes` did not land. `entropy_bits` is over degrees of the chord.
    `lost`: the player was elsewhere in the form for most of it. `walks`: in quarters, nearly throughout.
    """

    chorus: int
    role: BarRole
    verdict: ChorusVerdict | None
    as_planned: bool | None
    n: Count
    notes_per_bar: Annotated[Figure, Shown("notes_per_bar", 2, least=0.0, title="notes a bar")]
    median_pitch: Annotated[Figure, Shown("median_pitch", 2, title="middle pitch")] = NO_FIGURE
    top_pitch: Annotated[Figure, Shown("top_pitch", 2, title="top pitch")] = NO_FIGURE
    span_semitones: Annotated[Figure, Shown("span_semitones", 1, least=0.0, title="span", unit="semitones")] = NO_FIGURE
    root_share: Annotated[Figure, _share("root_share", "roots")] = NO_FIGURE
    chord_tone_share: Annotated[Figure, _share("chord_tone_share", "chord notes")] = NO_FIGURE
    entropy_bits: Annotated[Figure, Shown("entropy_bits", 3, least=0.0, title="variety", unit="bits")] = NO_FIGURE
    rhythm_repeat: Annotated[Figure, _share("rhythm_repeat", "rhythm repeats")] = NO_FIGURE
    triplet_figures: Count = 0
    velocity: Annotated[Figure, Shown("velocity", 1, title="middle velocity")] = NO_FIGURE
    slope_semitones_per_bar: Annotated[
        Figure, Shown("slope_semitones_per_bar", 3, title="rise", unit="semitones a bar", shown_digits=2)
    ] = NO_FIGURE
    gate_long: Annotated[Figure, _gate("gate_long", "long notes held")] = NO_FIGURE
    gate_short: Annotated[Figure, _gate("gate_short", "short notes held")] = NO_FIGURE
    gate_quarter: Annotated[Figure, _gate("gate_quarter", "quarters held")] = NO_FIGURE
    accent: Annotated[Figure, _ACCENT] = NO_FIGURE
    accent_offbeat: Annotated[Figure, _ACCENT_OFFBEAT] = NO_FIGURE
    missed: Count
    changes: Count
    unjudged: Annotated[Why | None, Explains("verdict")] = None
    intensity: Hidden[float] = 0.0
    mean_pitch: Hidden[float] = math.nan
    lost: Hidden[bool] = False
    walks: Hidden[bool] = False
    cycle_repeat: Hidden[float] = math.nan  # of the rhythm, in the cycle of one or two bars that fits best
    riff_repeat: Hidden[float] = math.nan  # of the pattern above the root, likewise
    rhythm_parts: Hidden[bool] = False  # one rhythm for some bars, then another (stops, then time)
    riff_parts: Hidden[bool] = False  # the pattern above the root, likewise
    crosses: Hidden[bool] = False  # one rhythm that goes round across the bar lines (three against four)

    def repeats(self, rules: ShapeRules) -> bool:
        """Whether it keeps to one rhythm, of one bar, of two or across them, or to one after another."""
        of_bars = max(self.rhythm_repeat.value, self.cycle_repeat) >= rules.pinned_rhythm_repeat
        return of_bars or self.crosses or self.rhythm_parts

    def riffs(self, rules: ShapeRules) -> bool:
        """Whether it is one pattern, moved with the chords, of other notes than the chord's."""
        of_chord = self.chord_tone_share.value >= rules.pinned_chord_tone_share
        return not of_chord and (self.riff_repeat >= rules.pinned_rhythm_repeat or self.riff_parts)

    def loose(self, rules: ShapeRules) -> bool:
        """Whether it does not keep to a rhythm, or neither to the chord's notes nor to a riff."""
        of_chord = self.chord_tone_share.value >= rules.pinned_chord_tone_share
        return not self.repeats(rules) or not (of_chord or self.riffs(rules))

    def walks_through(self, rules: ShapeRules) -> bool:
        """Whether it is a walk through the changes, as recorded walkers play it: nobody who walks keeps one rhythm's
        chord notes."""
        missed_most = max((1.0 - rules.walking_landed) * self.changes, rules.pinned_missed_changes)
        return (
            self.walks
            and self.missed <= missed_most
            and self.chord_tone_share.value >= rules.walking_chord_tone_share
            and self.span_semitones.value <= rules.walking_span_semitones
        )

    @property
    def said(self) -> str:
        """The verdict in two words, for a table."""
        return "–" if self.verdict is None else _SAID[self.verdict]

    def sentence(self) -> str:
        """The chorus in one plain sentence."""
        name = f"Chorus {self.chorus} ({self.role})"
        lost = f"{self.missed} of {counted(self.changes, 'change')} missed"
        if self.verdict is None:
            why = self.unjudged
            return f"{name}: {why.text if why and why.code in ('laid_out', 'too_short') else 'too few notes to say'}."
        rules = shape_rules()
        rhythm = "one rhythm after another" if self.rhythm_parts and not self.crosses else "one rhythm"
        what = "one riff, moved with the chords" if self.riffs(rules) else f"{rhythm}, chord tones"
        if self.walks_through(rules) and self.chord_tone_share.value < rules.pinned_chord_tone_share:
            what = "a walk through the chords"
        said = {
            "pinned": f"held down: {what}, the changes where they are due",
            "held": "held like a verse",
            "open": "opened up",
            "wandering": "wandering: the place in the form was lost" if self.lost else f"wandering: varied, but {lost}",
            "mixed": f"neither held down nor opened up; {lost}",
        }[self.verdict]
        tail = ""
        if self.as_planned is False:
            tail = "; the plan was to open" if self.role == "solo" else "; the plan was to hold it down"
        return f"{name}: {said}{tail}."


@dataclass(frozen=True, slots=True, kw_only=True)
class Gate(Row):
    """Sounding length over the interval to the next note."""

    long: Annotated[Figure, _gate("long", "long notes held")] = NO_FIGURE
    short: Annotated[Figure, _gate("short", "short notes held")] = NO_FIGURE
    quarter: Annotated[Figure, _gate("quarter", "quarters held")] = NO_FIGURE


@dataclass(frozen=True, kw_only=True)
class Shape(Section):
    """The shape of a take. `contrast` holds solo minus verse; `build` rank correlations with the planned intensity."""

    choruses: tuple[ChorusShape, ...]
    contrast: Annotated[Mapping[str, Figure], Shown("difference", 2, ci="ci95", n="n")]
    build: Annotated[Mapping[str, Figure], Shown("", 3, least=-1.0, most=1.0)]
    arc: tuple[int, int] | None
    gate: Gate = Gate()
    accent: Annotated[Figure, _ACCENT] = NO_FIGURE
    accent_offbeat: Annotated[Figure, _ACCENT_OFFBEAT] = NO_FIGURE
    sentences: tuple[str, ...] = ()  # what a player can read
    no_choruses: Annotated[Why | None, Explains("choruses")] = None
    no_contrast: Annotated[Why | None, Explains("contrast")] = None
    no_build: Annotated[Why | None, Explains("build")] = None
    no_arc: Annotated[Why | None, Explains("arc")] = None

    @classmethod
    def empty(cls, why: Why) -> Shape:
        """Nothing to say, and why."""
        nothing = Figure(why=why)
        gate = Gate(long=nothing, short=nothing, quarter=nothing)
        return cls(
            choruses=(), contrast={}, build={}, arc=None, gate=gate, accent=nothing, accent_offbeat=nothing,
            no_choruses=why, no_contrast=why, no_build=why, no_arc=why, **not_computed(cls, why),
        )  # fmt: skip

    @measured(
        Shown("contrast", 2, title="notes a bar, solo against verse", followed="contrast",
              meaning="How much busier the solos are than the verses.")
    )  # fmt: skip
    def denser(self) -> Figure:
        return self.contrast.get("notes_per_bar", NO_FIGURE)

    @measured(
        Shown("contrast_height", 2, title="semitones, solo against verse", followed="contrast_height",
              meaning="How much higher the solos lie.")
    )  # fmt: skip
    def higher(self) -> Figure:
        return self.contrast.get("median_pitch", NO_FIGURE)

    @measured(Shown("pinned_rate", 3, title="verses held down", shown_digits=2, better=1, followed="pinned_rate"))
    def pinned(self) -> Figure:
        verses = [c.verdict for c in self.choruses if c.role == "verse" and c.verdict is not None]
        none = no_figure("none_found", "no verse with enough notes")
        return share(verses.count("pinned"), len(verses), none)

    @property
    def planned(self) -> tuple[int, int]:
        """(choruses as planned, choruses that the plan asks something of)."""
        asked = [c.as_planned for c in self.choruses if c.as_planned is not None]
        return sum(asked), len(asked)

    @property
    def line(self) -> str:
        """The shape in a few words, with its counts."""
        words = [c.verdict for c in self.choruses if c.verdict is not None]
        if self.no_choruses is not None:
            return ""
        if not words:
            return "too few notes for a shape"
        told = ", ".join(f"{_choruses(words.count(v), v)} {_DONE[v]}" for v in VERDICTS if v in words)
        return told + self._plan_words(len(words)) + self._against_plan()

    def _plan_words(self, n: int) -> str:
        """How many of the `n` choruses went as the plan asks, of those that it asks something of."""
        good, asked = self.planned
        if not asked:
            return ""
        if asked == 1:
            which = "it" if n == 1 else "the one that has a plan"
            return f"; {which} {'went' if good else 'did not go'} as planned"
        if asked == n and good in (0, n):
            return f"; {'all' if good else 'none'} as planned"
        return f"; {good} of {asked} {'as planned' if asked == n else 'with a plan kept to it'}"

    def _against_plan(self) -> str:
        """The verses that opened where they were to stay."""
        opened = [
            str(c.chorus) for c in self.choruses if c.verdict == "open" and c.role == "verse" and not c.as_planned
        ]
        if not opened:
            return ""
        names = ", ".join(opened[:4]) + (f" and {len(opened) - 4} more" if len(opened) > 4 else "")
        return f"; chorus{'' if len(opened) == 1 else 'es'} {names} opened up where the plan was to hold it down"


# A chorus's verdict, for who has read no manual.
_DONE: Mapping[ChorusVerdict, str] = {
    "pinned": "held it down",
    "held": "played like a verse",
    "open": "opened up",
    "wandering": "lost the changes or the place",
    "mixed": "neither held it down nor opened up",
}


_SAID: Mapping[ChorusVerdict, str] = {
    "pinned": "held down",
    "held": "held like a verse",
    "open": "opened up",
    "wandering": "changes slipped",
    "mixed": "neither",
}


def _choruses(n: int, verdict: ChorusVerdict) -> str:
    return counted(n, "solo") if verdict == "held" else "1 chorus" if n == 1 else f"{n} choruses"


def _sentences(
    choruses: tuple[ChorusShape, ...], contrast: Mapping[str, Figure], arc: tuple[int, int] | None
) -> tuple[str, ...]:
    """What a player can read: a sentence for each chorus, then contrast, build and arc where there are any."""
    out = [chorus.sentence() for chorus in choruses]
    dense = contrast.get("notes_per_bar")
    if dense is not None and dense.interval is not None:
        away = "clear" if dense.low > 0.0 or dense.high < 0.0 else "not clear"
        out.append(
            f"Solos against verses: {dense.value:+.1f} notes a bar ({dense.low:+.1f} to {dense.high:+.1f}), "
            f"a difference that is {away}."
        )
    if arc is not None:
        out.append(f"An arc: up over chorus {arc[0]}, down over chorus {arc[1]}.")
    return tuple(out)


# --- small measures -----------------------------------------------------------------------------------------------


def rhythm_repeat(patterns: Bools) -> float:
    """Mean likeness (shared onsets ÷ all onsets) of every two bars' rhythms: (bars, slots) in; NaN below two bars."""
    return _mean_likeness(_likeness(patterns[np.any(patterns, axis=1)]))


def _mean_likeness(likeness: Floats) -> float:
    """Of every two bars: (bars, bars) in; NaN below two."""
    n = len(likeness)
    return float((likeness.sum() - n) / (n * (n - 1))) if n > 1 else math.nan


def _likeness(patterns: Bools) -> Floats:
    """Shared onsets ÷ all onsets of every two bars, none of them empty: (bars, bars)."""
    rows = patterns.astype(np.float64)
    shared, size = rows @ rows.T, rows.sum(axis=1)
    out: Floats = shared / (size[:, None] + size[None, :] - shared)
    return out


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
    ahead: Bools  # the coming chord's root, struck before its bar in its stead
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
        names = ("bar", "pitch", "step", "ahead", "of_chord", "slot", "beat_in_bar", "velocity", "gate", "gate_kind")
        return replace(self, **{name: getattr(self, name)[rows] for name in names})


def _played(reading: Reading, chart: Chart) -> _Played:
    keep = ~reading.ghost & ~reading.stacked
    onset = reading.placed_beats
    keep &= (onset > -0.5) & (onset < chart.end_beats)
    loudness = reading.notes["velocity"].astype(np.float64)
    keep &= (reading.notes["duration_s"] > DEAD_MOST_S) | (loudness >= DEAD_LOUDNESS * median(loudness))
    rows = one_each(reading, np.flatnonzero(keep))
    at = reading.beat_idx[rows].astype(np.float64) + 1e-6
    bar = chart.bar_idx_at(at).astype(np.int64)
    roots = np.array([s.chord.lowest_pc for s in chart.spans], dtype=np.int64)
    span, ahead = _sounding_over(reading, chart, rows, chart.span_idx_at(at).astype(np.int64), roots)
    masks = np.array([sum(1 << pc for pc in set(s.chord.pcs)) for s in chart.spans], dtype=np.int64)
    pc = reading.pc[rows]
    following = np.full(reading.n, np.nan)
    solid = np.flatnonzero(~reading.stacked)
    following[solid[:-1]] = reading.beats[solid[1:]]
    interval = following[rows] - reading.beats[rows]
    gate = np.clip(reading.duration_beats[rows] / np.where(interval > 0, interval, np.nan), 0.0, 1.2)
    slot = reading.slot[rows].astype(np.int64)
    beat = reading.beat_kind[np.clip(reading.beat_idx[rows] - reading.first_beat_idx, 0, reading.n_beats - 1)]
    kind = np.full(len(rows), -1, dtype=np.int64)
    kind[(slot == SLOT_ON) & (beat == BEAT_PAIR)] = 0
    kind[(slot == SLOT_OFF) & (beat == BEAT_PAIR) & (interval < 0.7)] = 1
    kind[(slot == SLOT_ON) & (beat == BEAT_SINGLE) & (np.abs(interval - 1.0) < 0.2)] = 2
    velocity = reading.notes["velocity"][rows].astype(np.float64)
    return _Played(
        bar=bar,
        pitch=reading.pitch[rows],
        step=(pc - roots[span]) % 12,
        ahead=ahead,
        of_chord=((masks[span] >> pc) & 1 == 1) | (pc == roots[span]),
        slot=slot,
        beat_in_bar=np.floor(at - chart.bar_onsets_beats[bar]).astype(np.int64) % BEATS_PER_BAR,
        velocity=velocity,
        gate=gate,
        gate_kind=kind,
        flat=len(velocity) == 0 or len(np.unique(velocity)) < 3,
        releases=not bool(np.any(reading.no_release[rows])),
    )


def _sounding_over(reading: Reading, chart: Chart, rows: Ints, span: Ints, roots: Ints) -> tuple[Ints, Bools]:
    """The chord that each note stands for, (n,) rows of the spans, and which notes stand for the next one: its root,
    struck in the beat before it, where nothing is struck on it."""
    after = np.minimum(span + 1, len(roots) - 1)
    onset = np.rint([s.onset_beats for s in chart.spans]).astype(np.int64)[after]
    beat_row = np.clip(onset - reading.first_beat_idx, 0, reading.n_beats - 1)
    last = np.append(np.diff(span) > 0, True)[: len(span)]
    near = (reading.beat_idx[rows] == onset - 1) & (reading.on_note_idx[beat_row] < 0)
    ahead = last & near & (reading.pc[rows] == roots[after]) & (roots[after] != roots[span])
    return np.where(ahead, after, span), np.asarray(ahead, dtype=np.bool_)


_SLOT_PLACE = {SLOT_ON: 0, SLOT_TRIPLET_2: 1, SLOT_TRIPLET_3: 2, SLOT_OFF: 3}


def shape(
    reading: Reading,
    chart: Chart,
    landing: Landing,
    *,
    band_intensity: Sequence[float] | None = None,
    lost_bars: Collection[int] = (),
) -> Shape:
    """The shape of a take against its chart.

    `lost_bars`: the bars (of the chart) in which the player was elsewhere in the form. A chorus lost for most of its
    bars wanders, whatever its notes: a line that is out of place looks varied against the chords of the band.
    `band_intensity`: what the band really played, one value a bar, where it followed the player; *build* is then
    against that. Verdicts are against the plan, always.
    """
    rules = shape_rules()
    p = _played(reading, chart)
    judged = _judged(_facts_of(p, reading, chart, landing, frozenset(lost_bars)), rules)
    contrast, no_contrast = _contrast(p, reading, chart, judged, landing.laid_out_bars)
    build, no_build = _build(judged, _plan(judged, chart, band_intensity), flat=p.flat)
    everything = np.ones(len(p.bar), dtype=np.bool_)
    accent, offbeat = _accent(p, everything)
    arc = _arc(judged, rules)
    return Shape(
        choruses=judged,
        contrast=contrast,
        build=build,
        arc=arc,
        gate=_gates(p, everything),
        accent=accent,
        accent_offbeat=offbeat,
        sentences=_sentences(judged, contrast, arc),
        no_contrast=no_contrast,
        no_build=no_build,
        no_arc=no_figure("none", "no two choruses rise and then fall") if arc is None else None,
        **computed(Shape, reading),
    )


def _facts_of(
    p: _Played, reading: Reading, chart: Chart, landing: Landing, elsewhere: frozenset[int]
) -> list[ChorusShape]:
    """The features of every chorus that was the player's."""
    bars_of: dict[int, list[ChartBar]] = {}
    for bar in chart.bars:
        bars_of.setdefault(bar.chorus, []).append(bar)
    tallies = {tally.chorus: tally for tally in landing.per_chorus}
    silent = landing.laid_out_bars
    out = []
    for chorus in range(1, chart.n_choruses + 1):
        if chorus in chart.heard_choruses:
            continue
        own = {bar.idx for bar in bars_of[chorus]}
        facts = _chorus(p, reading, chart, tallies.get(chorus), bars_of[chorus], silent)
        if 2 * len(own & silent) >= len(own):
            whole = own <= silent
            why = no_figure("laid_out", "you sat it out" if whole else "you sat out half of it or more")
            facts = replace(facts, verdict=None, unjudged=why)
        elif 2 * (n_asked := sum(_asked(reading, bar, silent) for bar in bars_of[chorus])) < len(own):
            few = f"{counted(n_asked, 'bar')} of its {len(own)} {'was' if n_asked == 1 else 'were'} played"
            why = no_figure("too_short", few if n_asked else "not played")
            facts = replace(facts, verdict=None, unjudged=why)
        out.append(replace(facts, lost=2 * len(own & elsewhere) >= len(own)))
    return out


def _contrast(
    p: _Played, reading: Reading, chart: Chart, judged: tuple[ChorusShape, ...], silent: frozenset[int]
) -> tuple[dict[str, Figure], Why | None]:
    """Solo bars less verse bars: notes, middle pitch, velocity; and why there is nothing, or no interval."""
    verse, solo = _free_bars(chart, "verse"), _free_bars(chart, "solo")
    if not verse or not solo:
        return {}, no_figure("not_asked", "the plan has no verse and solo to compare")
    played = {chorus.chorus for chorus in judged if chorus.verdict is not None}

    def played_in(bars: list[ChartBar]) -> list[int]:
        """A chorus or bars sat out are no thin ones."""
        return [bar.idx for bar in bars if bar.chorus in played and _asked(reading, bar, silent)]

    in_verse, in_solo = played_in(verse), played_in(solo)
    if not in_verse or not in_solo:
        return {}, no_figure("no_notes", "no verse was played, or no solo")
    by_bar = _per_bar(p, chart)
    if p.flat:
        del by_bar["velocity"]
    out = {name: welch(values[in_verse], values[in_solo]) for name, values in by_bar.items()}
    few = no_figure("too_few", "fewer than eight bars of verse or solo: no interval")
    return out, few if any(not math.isfinite(found.low) for found in out.values()) else None


def _free_bars(chart: Chart, role: str) -> list[ChartBar]:
    """The bars of a role in which the player chooses how much to play."""
    return [
        bar for bar in chart.bars if bar.role == role and bar.chorus > 0 and not (bar.final or bar.stopped or bar.heard)
    ]


def _plan(judged: tuple[ChorusShape, ...], chart: Chart, band_intensity: Sequence[float] | None) -> Floats:
    """How hard the band was to play in each chorus, or did where it followed the player."""
    if band_intensity is None or len(band_intensity) != len(chart.bars):
        return np.array([chorus.intensity for chorus in judged])
    of_bar = np.asarray(band_intensity, dtype=np.float64)
    in_chorus = np.array([bar.chorus for bar in chart.bars])
    return np.array([of_bar[in_chorus == chorus.chorus].mean() for chorus in judged])


def _build(judged: tuple[ChorusShape, ...], plan: Floats, *, flat: bool) -> tuple[dict[str, Figure], Why | None]:
    """Rank correlations of density, height and loudness with the plan; and why there is none at all."""
    played = {
        "notes_per_bar": [c.notes_per_bar.value for c in judged],
        "median_pitch": [c.median_pitch.value for c in judged],
        "velocity": [c.velocity.value for c in judged],
    }
    out = {
        name: NO_FIGURE
        if name == "velocity" and flat
        else Figure(rank_correlation(plan, np.array(values)), n=len(plan))
        for name, values in played.items()
    }
    if any(figure.known for figure in out.values()):
        return out, None
    steady = len(set(plan.tolist())) < 2
    text = "the plan keeps one intensity" if steady else "fewer than four choruses, or nothing changes"
    return out, no_figure("not_asked" if steady else "too_few", text)


def _asked(reading: Reading, bar: ChartBar, silent: frozenset[int]) -> bool:
    """Whether the player was in by this bar, had not stopped, and did not lay out."""
    return bar.idx not in silent and reading.from_beats - 0.5 < bar.onset_beats <= reading.until_beats


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


def _gates(p: _Played, rows: Bools) -> Gate:
    if not p.releases:
        nothing = Figure(why=no_figure("no_releases", "the input does not send when notes end"))
        return Gate(long=nothing, short=nothing, quarter=nothing)

    def of(kind: int, name: str) -> Figure:
        values = p.gate[rows & (p.gate_kind == kind)]
        values = values[np.isfinite(values)]
        n = len(values)
        few = no_figure("too_few", f"{counted(n, f'{name} note')}; {MIN_N} are needed")
        return Figure(median(values), n=n) if n >= MIN_N else Figure(n=n, why=few)

    return Gate(long=of(0, "long"), short=of(1, "short"), quarter=of(2, "quarter"))


def _accent(p: _Played, rows: Bools) -> tuple[Figure, Figure]:
    """How much louder 2 and 4 are than 1 and 3, and the off-beats than the on-beats."""
    if p.flat:
        nothing = Figure(why=no_figure("flat_velocity", "the input sends one velocity"))
        return nothing, nothing
    on = rows & (p.slot == SLOT_ON)
    back = p.velocity[on & (p.beat_in_bar % 2 == 1)]
    front = p.velocity[on & (p.beat_in_bar % 2 == 0)]
    off = p.velocity[rows & (p.slot == SLOT_OFF)]
    accent = Figure(why=no_figure("too_few", "too few notes on the beat to compare 2 and 4 with 1 and 3"))
    if min(len(back), len(front)) >= MIN_N:
        accent = Figure(median(back) - median(front), n=len(back) + len(front))
    offbeat = Figure(why=no_figure("too_few", "too few off-beats to compare"))
    if len(off) >= MIN_N and np.count_nonzero(on) >= MIN_N:
        offbeat = Figure(median(off) - median(p.velocity[on]), n=len(off))
    return accent, offbeat


def _chorus(
    played: _Played,
    reading: Reading,
    chart: Chart,
    tally: ChorusTally | None,
    all_bars: list[ChartBar],
    silent: frozenset[int],
) -> ChorusShape:
    """The features of one chorus (its bars, in order), not yet judged."""
    bars = [bar for bar in all_bars if not bar.final and not bar.stopped and _asked(reading, bar, silent)]
    p = played.of_bars(all_bars[0].idx, all_bars[-1].idx)
    idx = np.array([bar.idx for bar in bars], dtype=np.int64)
    rows = np.isin(p.bar, idx) if len(idx) else np.zeros(len(p.bar), dtype=np.bool_)
    n = int(np.count_nonzero(rows))
    few = no_figure("too_few", f"{counted(n, 'note')} in this chorus; {MIN_NOTES} are needed")
    facts = _as_asked(all_bars[0], tally, n, Figure(n / len(bars), n=n) if bars else Figure(why=few))
    if n < MIN_NOTES:
        nothing = Figure(n=n, why=few)
        nothings: dict[str, Any] = dict.fromkeys(_OF_NOTES, nothing)
        return replace(facts, verdict=None, unjudged=few, **nothings)
    rhythm, riff, crosses = _repeats(p, rows, bars, all_bars, len(chart.form_chords))
    start = max(round(all_bars[0].onset_beats) - reading.first_beat_idx, 0)
    kinds = reading.beat_kind[start : max(round(all_bars[-1].end_beats) - reading.first_beat_idx, 0)]
    no_repeat = "fewer than two bars to compare"
    return replace(
        _with_notes(facts, p, rows, idx),
        rhythm_repeat=Figure(rhythm.all, n=n, why=no_figure("too_few", no_repeat) if math.isnan(rhythm.all) else None),
        triplet_figures=int(np.count_nonzero(kinds == BEAT_TRIPLET)),
        walks=_walks(kinds),
        cycle_repeat=rhythm.cycle,
        riff_repeat=riff.cycle,
        rhythm_parts=rhythm.parts,
        riff_parts=riff.parts,
        crosses=crosses,
    )


def _as_asked(first: ChartBar, tally: ChorusTally | None, n: int, notes_per_bar: Figure) -> ChorusShape:
    """What stands before the notes are looked at: the chorus that begins with a bar, its changes, how many notes."""
    return ChorusShape(
        chorus=first.chorus,
        role=first.role,
        intensity=first.intensity,
        verdict="mixed",
        as_planned=None,
        n=n,
        notes_per_bar=notes_per_bar,
        missed=0 if tally is None else tally.changes - tally.landed,
        changes=0 if tally is None else tally.changes,
    )


def _with_notes(facts: ChorusShape, p: _Played, rows: Bools, idx: Ints) -> ChorusShape:
    """With what the notes of the bars `idx` tell by themselves: height, chord, loudness, length."""
    n, pitch, step = facts.n, p.pitch[rows], p.step[rows]
    medians, spans = _heights(p, rows, idx)
    slope = _slope(np.arange(len(idx), dtype=np.float64), medians)
    gate = _gates(p, rows)
    accent, offbeat = _accent(p, rows)
    flat = Figure(why=no_figure("flat_velocity", "the input sends one velocity"))
    no_slope = "fewer than four bars with notes"
    return replace(
        facts,
        median_pitch=Figure(median(pitch), n=n),
        top_pitch=Figure(float(pitch.max()), n=n),
        span_semitones=Figure(float(np.quantile(spans[np.isfinite(spans)], 0.9, method="lower")), n=n),
        root_share=Figure(float(np.mean(step == 0)), n=n),
        chord_tone_share=Figure(float(np.mean(p.of_chord[rows])), n=n),
        entropy_bits=Figure(_entropy_bits(step), n=n),
        velocity=flat if p.flat else Figure(median(p.velocity[rows]), n=n),
        slope_semitones_per_bar=Figure(slope, n=n, why=no_figure("too_few", no_slope) if math.isnan(slope) else None),
        gate_long=gate.long,
        gate_short=gate.short,
        gate_quarter=gate.quarter,
        accent=accent,
        accent_offbeat=offbeat,
        mean_pitch=float(pitch.mean()),
    )


def _walks(kinds: NDArray[np.int8]) -> bool:
    """Whether nearly every beat that holds notes holds one, on the beat."""
    n_played = int(np.count_nonzero(kinds))
    return n_played > 0 and int(np.count_nonzero(kinds == BEAT_SINGLE)) >= WALK_SHARE * n_played


# What a chorus of few notes has none of.
_OF_NOTES = (
    "median_pitch", "top_pitch", "span_semitones", "root_share", "chord_tone_share", "entropy_bits", "rhythm_repeat",
    "velocity", "slope_semitones_per_bar", "gate_long", "gate_short", "gate_quarter", "accent", "accent_offbeat",
)  # fmt: skip


def _heights(p: _Played, rows: Bools, idx: Ints) -> tuple[Floats, Floats]:
    """Middle pitch of each bar, and how far its top lies above its own root: (bars,) each, NaN for an empty bar."""
    rows = rows & ~p.ahead
    pitch, step, bar = p.pitch[rows], p.step[rows], p.bar[rows]
    medians, spans = np.full(len(idx), np.nan), np.full(len(idx), np.nan)
    edges = zip(*(np.searchsorted(bar, idx, side=side).tolist() for side in ("left", "right")), strict=True)
    for k, (first, end) in enumerate(edges):
        if end > first:
            here, steps = pitch[first:end].tolist(), step[first:end].tolist()
            roots = [p for p, s in zip(here, steps, strict=True) if s == 0]
            lowest = min(here)
            below = steps[here.index(lowest)]
            # Without a root: a fifth may lie under its root as well as over it.
            floor = min(roots) if roots else lowest - (below if below <= 6 else 0)
            medians[k], spans[k] = statistics.median(here), max(here) - floor
    return medians, spans


class _Repeat(NamedTuple):
    """How alike bars are: all of them, those whole cycles apart (of the cycle that fits best), and whether they fall
    into parts, each of bars alike."""

    all: float = math.nan
    cycle: float = math.nan
    parts: bool = False


def _repeats(
    p: _Played, rows: Bools, bars: list[ChartBar], all_bars: list[ChartBar], n_form: int
) -> tuple[_Repeat, _Repeat, bool]:
    """How alike the bars' rhythms are, and the patterns above the root; bars that fills belong in are left out. And
    whether one rhythm goes round across all bar lines."""
    first = all_bars[0].idx
    steady = np.array([b.idx - first for b in bars if n_form < 4 or (b.bar % 4 != 0 and b.bar < n_form - 1)], np.int64)
    if not len(steady):
        return _Repeat(), _Repeat(), False
    steps = np.zeros((len(all_bars), _SLOTS, 12), dtype=np.bool_)
    place = np.array([_SLOT_PLACE.get(int(s), 3) for s in range(5)])[p.slot[rows]]
    steps[p.bar[rows] - first, 4 * p.beat_in_bar[rows] + place, p.step[rows]] = True
    rhythms, flat = np.asarray(np.any(steps, axis=2), dtype=np.bool_), steps.reshape(len(all_bars), -1)
    asked = np.array([bar.idx - first for bar in bars], np.int64)
    return _repeat(rhythms, asked, steady), _repeat(flat, asked, steady), _crosses(rhythms[asked])


def _repeat(patterns: Bools, asked: Ints, steady: Ints) -> _Repeat:
    """The likeness of the steady ones of the bars asked for that hold notes (rows of `patterns`); NaN of too few."""
    struck = asked[np.any(patterns[asked], axis=1)]
    is_steady = np.isin(struck, steady)
    every = _likeness(patterns[struck])
    likeness, at = every[np.ix_(is_steady, is_steady)], struck[is_steady]
    i, j = np.triu_indices(len(at), 1)
    alike, between = likeness[i, j], at[j] - at[i]
    of_cycle = [alike[between % bars == 0] for bars in CYCLE_BARS]
    cycle = max((float(pairs.mean()) for pairs in of_cycle if len(pairs) >= CYCLE_PAIRS), default=math.nan)
    parts = _n_parts((every >= PARTS_ALIKE).tolist(), struck.tolist(), is_steady.tolist())
    return _Repeat(_mean_likeness(likeness), cycle, 1 < parts <= PARTS_MOST)


def _n_parts(alike: list[list[bool]], at: list[int], steady: list[bool]) -> float:
    """Into how few parts the bars fall, each with a rhythm of its own that goes round in one bar or in two; inf where
    they do not. A bar that is not steady may be another."""
    fewest = [0.0] + [math.inf] * len(at)
    for begin in range(len(at)):
        if fewest[begin] >= PARTS_MOST:
            continue
        for cycle in CYCLE_BARS:
            last: dict[int, int] = {}  # place in the cycle → the bar that was there last
            n_again = 0
            for i in range(begin, len(at)):
                before = last.get(at[i] % cycle)
                again = before is not None and alike[before][i]
                if before is not None and not again and steady[i]:
                    break
                if again or (before is None and steady[i]):
                    last[at[i] % cycle] = i
                n_again += again
                if len(last) == cycle and n_again >= cycle * (PART_BARS - 1):
                    fewest[i + 1] = min(fewest[i + 1], fewest[begin] + 1.0)
    return fewest[-1]


def _crosses(rhythms: Bools) -> bool:
    """Whether the bars' on- and off-beats (bars, slots) come round in other steps than bars."""
    halves = rhythms.reshape(-1, 4)[:, [0, 3]].ravel()
    for step in CROSSING_HALVES:
        a, b = halves[step:], halves[:-step]
        if np.count_nonzero(a & b) >= CROSSING_ALIKE * max(int(np.count_nonzero(a | b)), MIN_NOTES):
            return True
    return False


def _entropy_bits(step: Ints) -> float:
    shares = np.bincount(step, minlength=12) / len(step)
    shares = shares[shares > 0]
    return float(-(shares * np.log2(shares)).sum()) + 0.0


def _is_pinned(c: ChorusShape, rules: ShapeRules) -> bool:
    """Whether a chorus is held down, by the limits of its kind of line."""
    if c.verdict is None or c.lost:
        return False
    share, span = c.chord_tone_share.value, c.span_semitones.value
    return (
        c.missed <= rules.pinned_missed_changes
        and (c.repeats(rules) or math.isnan(c.rhythm_repeat.value))
        and (share >= rules.pinned_chord_tone_share or c.riffs(rules))
        and span <= rules.pinned_span_semitones
    ) or c.walks_through(rules)


@dataclass(frozen=True)
class _Usual:
    """The take's own verses: middle and spread of each thing that opens a chorus."""

    middle: Floats  # (3,): notes a bar, mean pitch, entropy
    spread: Floats

    @classmethod
    def of(cls, facts: Floats) -> _Usual:
        """From the verses' facts, (verses, 3)."""
        spreads = [robust_sd(own) if len(own) > 2 else float(np.ptp(own)) / 2.0 for own in facts.T]
        return cls(np.median(facts, axis=0), np.nan_to_num(np.array(spreads), nan=0.0, posinf=0.0))


_MANY_VERSES = 100  # from here on leaving a verse itself out of what is usual moves nothing that is shown; our choice


def _facts(choruses: list[ChorusShape]) -> Floats:
    return np.array(
        [(c.notes_per_bar.value, c.mean_pitch, c.entropy_bits.value) for c in choruses], dtype=np.float64
    ).reshape(-1, 3)


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
    """One chorus with its verdict."""
    asks = c.intensity >= rules.asks_to_open_intensity
    if c.lost:
        asked = c.role == "verse" or (c.role == "solo" and asks)
        return replace(c, verdict="wandering", as_planned=False if asked else None, unjudged=_no_verse(c, usual))
    pinned, opens = _is_pinned(c, rules), _opens(c, usual, rules)
    landed = c.missed <= rules.open_missed_changes
    loose = c.loose(rules)
    if c.role != "solo":
        return _judged_verse(c, pinned=pinned, opens=opens, landed=landed, loose=loose)
    if opens:
        verdict: ChorusVerdict = "open" if landed else "wandering"
    elif pinned:
        verdict = "held"
    else:
        verdict = "wandering" if loose and not landed else "mixed"
    planned = True if verdict == "open" else None if verdict == "held" and not asks else False
    return replace(c, verdict=verdict, as_planned=planned, unjudged=_no_verse(c, usual))


def _opens(c: ChorusShape, usual: _Usual | None, rules: ShapeRules) -> bool:
    """Denser, higher or more varied than `usual` by the minimum effect and more than its spread."""
    if usual is None:
        return False
    effects = np.array([rules.open_notes_per_bar, rules.open_semitones, rules.open_entropy_bits])
    more = _facts([c])[0] - usual.middle
    return bool(np.any(more >= np.maximum(effects, rules.open_spreads * usual.spread)))


def _judged_verse(c: ChorusShape, *, pinned: bool, opens: bool, landed: bool, loose: bool) -> ChorusShape:
    """A chorus that is no solo. Who walks is not asked for one rhythm, nor for the chord notes and roots of a riff."""
    walks = c.walks and c.missed <= WALKERS_MISS * c.changes
    verdict: ChorusVerdict = "pinned" if pinned else "open" if opens and landed else "mixed"
    if not pinned and (opens or loose) and not landed and not walks:
        verdict = "wandering"
    planned = None if c.role != "verse" or (walks and not pinned) else pinned
    return replace(c, verdict=verdict, as_planned=planned)


def _no_verse(c: ChorusShape, usual: _Usual | None) -> Why | None:
    if c.role != "solo" or usual is not None:
        return None
    return no_figure("no_verse", "no verse in this take to hold the solo against")


def _arc(choruses: tuple[ChorusShape, ...], rules: ShapeRules) -> tuple[int, int] | None:
    """The first two neighbouring choruses that go up and then down."""
    for a, b in itertools.pairwise(choruses):
        if a.slope_semitones_per_bar.value >= rules.arc_semitones_per_bar <= -b.slope_semitones_per_bar.value:
            return a.chorus, b.chorus
    return None
