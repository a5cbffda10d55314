"""Landing on the changes: what the player has under each new chord, and when.

Goal: say of every change of chord and every chorus top whether the root was there, early, late, another chord tone, or
something else, without marking down what the trade does on purpose.

How each is judged: the on-beat attack first (nearest onset in the change's own slot, after the local offset); only if
there is none, a root on the swung off-beat before that still sounds across the line, or a root held from further back;
then the first note within the beat; else silence. The off-beat before a change usually still carries the old chord: it
is not judged otherwise. Conventions: beats, semitones; the project's definitions; the words are common
practice.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Annotated, Literal, TypeAlias, TypeVar, get_args

import numpy as np
from msgspec import Meta
from numpy.typing import NDArray

from trainer.music.chords import Chord
from trainer.scoring.attacks import rolled
from trainer.scoring.figure import (
    Count,
    Digits,
    Explains,
    Figure,
    Hidden,
    Key,
    Row,
    Section,
    Shown,
    computed,
    not_computed,
)
from trainer.scoring.reading import EXCUSED_GAP, SLOT_OFF, SLOT_TRIPLET_3, Reading
from trainer.scoring.stats import share
from trainer.scoring.why import Why, no_figure
from trainer.session import BEATS_PER_BAR, BarRole, Chart, ChartBar
from trainer.take.messages import SETTLES_TO_S
from trainer.take.notes import FLAG_CUT, PICKED_VELOCITY

__all__ = [
    "LANDED",
    "NOT_COUNTED",
    "OUTCOMES",
    "ROOTS",
    "ChorusTally",
    "Item",
    "Landing",
    "Outcome",
    "SatOut",
    "Tally",
    "landing",
    "not_stayed",
]

_Group = TypeVar("_Group", str, int)

Outcome: TypeAlias = Literal[
    "root", "root_early", "root_late", "chord_tone", "other", "silent", "pedal", "turnaround", "not_asked"
]
OUTCOMES: tuple[Outcome, ...] = get_args(Outcome)
ROOTS = ("root", "root_early", "root_late")
LANDED = (*ROOTS, "chord_tone")
RESTS_ON_ONE = "rests_on_one"  # note of an item judged by the first onset of a riff that rests on 1
LAID_OUT = "laid_out"  # note of an item in bars that the player sat out
PICKED = "picked"  # note of an item whose root the computer keyboard's space bar picked for the player
UNHEARD = (
    "stopped",
    "not_in_yet",
    "gap",
    "heard",
    LAID_OUT,
    PICKED,
)  # notes of items where nobody could play, or was to
NOT_COUNTED = ("pedal", "turnaround", "not_asked")

THIRD_BEATS = 1.0 / 3.0  # a ♭3 shorter than this that moves to the 3rd is the 3rd (the project's definition)
LED_TO_S = SETTLES_TO_S  # a root that a bend leads to while a pitch still settles is what was meant; our choice
GRACE_MAX_S = 0.080  # our choice: a note this short, a step below, that runs into the root is a slide into it
RINGS_ON_S = 0.015  # our choice: one that sounds on under the root is another string, and no slide
TOGETHER_S = 0.030  # our choice: notes this near to the attack sound with it
UNENDED_BEATS = 4.0  # a note without a release sounds no longer than a bar; our choice
HELD_BEATS = 0.12  # our choice: a note that ends within this of the line does not sound across it
RIFF_REST_BEATS = 2.0  # the project's definition
BEAT_LATE_LEAST, BEAT_LATE_SHARE = 4, 0.6  # so many changes, and of those asked, are a habit; our choice
# Random gaps empty every beat of the bar alike (a line of half notes leaves 1 and 3), and some changes. Our choice.
MISSING_SHARE, MISSING_LEAST, MISSING_CHANGES, MISSING_BEATS = 0.35, 0.25, 0.15, 32
COMES_ROUND, ROUND_BARS = 0.85, (1, 2, 3)  # gaps alike in so many beats, so many bars apart, are a rhythm; our choice
ROUND_LEAST = 2  # … and so many bars without a change begin alike that lie so far apart; our choice
LAID_OUT_BARS = 4  # so many bars in a row without a note are sat out, not missed; our choice
PHRASE_BARS, REST_BARS = 4, 2  # … or of each phrase of a chorus the same bars, so many at the least; our choice
SAME_PLACE_BEATS = 0.2  # our choice: the bars around repeat a first onset within this


@dataclass(frozen=True, slots=True, kw_only=True)
class Item(Row):
    """One change of chord or chorus top, judged. `pitch` and `asynchrony_s` are NaN where nothing was played.

    `pair`: the chord before and this ("I→IV"), this alone at a chorus top without a change (`at_top`). `stayed_on`: "I"
    (or "V") when the player kept the old root: put as a question. `note`: what else a person should know.
    """

    chorus: int
    bar: int
    beat: int
    at_beats: float
    chord: str
    root_pc: Annotated[int, Meta(ge=0, le=11)]
    degree: str
    outcome: Outcome
    pitch: Annotated[float, Digits(2)]
    asynchrony_s: Annotated[float, Digits(2, 1000.0), Key("asynchrony_ms")]
    role: BarRole
    pair: str
    stayed_on: str | None = None
    note: str | None = None
    bar_idx: Hidden[int] = -1
    at_top: Hidden[bool] = False
    note_idx: Hidden[int] = -1


@dataclass(frozen=True, slots=True, kw_only=True)
class SatOut(Row):
    """Bars of one chorus in which the player laid out: nothing is asked there. `whole`: all that was theirs of it."""

    chorus: int
    bars: tuple[int, int]
    whole: bool

    def words(self) -> str:
        """ "chorus 3", "chorus 3 bars 5 to 8"."""
        return f"chorus {self.chorus}" + ("" if self.whole else f" bars {self.bars[0]} to {self.bars[1]}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Tally(Row):
    """Counts of one group of changes: how many were asked, how many landed on the root, how many landed."""

    changes: Count
    roots: Count
    landed: Count


@dataclass(frozen=True, slots=True, kw_only=True)
class ChorusTally(Tally):
    """The counts of one chorus."""

    chorus: int


@dataclass(frozen=True, kw_only=True)
class Landing(Section):
    """Every change judged, and the counts. `missed` are those that count and did not land."""

    changes: Count | None
    roots: Count | None
    landed: Count | None
    roots_late: Count  # of the roots, those later than a third of a beat
    beat_late: Count = 0  # changes at which the old root, or nothing, was followed by the new root one beat late
    beats_asked: Count = 0  # beats on which a line of quarters or eighths is asked for …
    beats_empty: Count = 0  # … and those of them on which nothing was struck or rang
    half_missing: bool = False  # about half the notes, here and there, and changes among them
    root_rate: Annotated[
        Figure,
        Shown(
            "root_rate", 4, least=0.0, most=1.0, title="roots on the changes", short="roots on changes",
            shown_digits=2, better=1,
            columns=("root_rate",), followed="root_rate", compared=True, asked=True,
        ),
    ]  # fmt: skip
    landed_rate: Annotated[
        Figure,
        Shown(
            "landed_rate", 4, least=0.0, most=1.0, title="root, third or fifth landed", short="root, third, fifth",
            shown_digits=2, better=1,
            columns=("landed_rate",), followed="landed_rate", compared=True, asked=True,
        ),
    ]  # fmt: skip
    by_role: Mapping[str, Tally]
    by_pair: Mapping[str, Tally]
    per_chorus: tuple[ChorusTally, ...]
    outcomes: Mapping[Outcome, Count]
    items: tuple[Item, ...]
    sat_out: tuple[SatOut, ...] = ()
    transposed_semitones: int = 0
    laid_out_bars: Hidden[frozenset[int]] = frozenset()
    stopped: Hidden[tuple[int, int] | None] = None  # (chorus, bar) of the last note of a player who stopped
    uncounted: Annotated[Why | None, Explains("changes", "roots", "landed")] = None
    nothing: Annotated[Why | None, Explains("by_role", "items")] = None

    @property
    def total(self) -> Tally:
        return Tally(changes=self.changes or 0, roots=self.roots or 0, landed=self.landed or 0)

    @property
    def beat_late_of(self) -> int | None:
        """Of how many changes `beat_late` are most; None where they are not."""
        of = sum("→" in i.pair and i.outcome not in NOT_COUNTED for i in self.items)
        return of if self.beat_late >= max(BEAT_LATE_LEAST, BEAT_LATE_SHARE * of) else None

    @property
    def picked(self) -> int:
        """Changes whose root was picked for the player: they land nothing."""
        return sum(i.note == PICKED for i in self.items)

    @property
    def roots_after_rest(self) -> int:
        """Of the late roots, those that follow a rest on beat 1 in a riff that does so throughout."""
        return sum(i.outcome in ROOTS and i.note == RESTS_ON_ONE for i in self.items)

    @property
    def missed(self) -> tuple[Item, ...]:
        return tuple(i for i in self.items if i.outcome in ("other", "silent"))


@dataclass(frozen=True, slots=True)
class _Change:
    """A place to be judged: where, the chord there, the chord before and after."""

    at_beats: int
    end_beats: float
    chord: Chord
    degree: str
    before: Chord | None
    degree_from: str
    bar: ChartBar
    at_top: bool

    @property
    def on_one(self) -> bool:
        return round(self.at_beats - self.bar.onset_beats) == 0


def landing(reading: Reading) -> Landing:
    """Judge every change of the chart. Without a chart the section is empty and says why."""
    chart, none = reading.chart, reading.unplaced
    if chart is None or (none is not None and none.code in ("no_beat", "not_placed")):
        why = none if chart is not None else None
        why = why or no_figure("no_session", "without a session the chords are not known")
        return replace(
            _landing([], why), changes=None, roots=None, landed=None, outcomes={}, uncounted=why, nothing=why
        )
    if not reading.n:
        reason = no_figure("no_notes", "no notes were played")
        return replace(_landing([], reason), outcomes={}, nothing=reason)
    judge = _Judge(reading, chart)
    changes = _changes(chart)
    items = _pedals(judge, changes, [judge.item(change) for change in changes])
    found = _landing(items, no_figure("none_asked", "no change of chord counts here"), reading)
    silent = frozenset(np.flatnonzero(judge.laid_out).tolist())
    bars, asked, empty = judge.empty_beats()
    silent_changes = sum(item.outcome == "silent" for item in items)
    return replace(
        found,
        sat_out=_sat_out(chart, silent),
        laid_out_bars=silent,
        stopped=_stopped(reading, chart),
        beat_late=sum(judge.beat_late(change, item) for change, item in zip(changes, items, strict=True)),
        beats_asked=int(asked.sum()),
        beats_empty=int(empty.sum()),
        half_missing=_here_and_there(bars, asked, empty)
        and silent_changes >= MISSING_CHANGES * max(found.total.changes, 1),
    )


def _here_and_there(bars: NDArray[np.int64], asked: NDArray[np.bool_], empty: NDArray[np.bool_]) -> bool:
    """Whether notes are missing on every beat of the bar alike, in bars that hold some, and in no rhythm that comes
    round: beats asked for and empty by bar, (b, 4) each, of the bars at `bars` of the chart."""
    some = ~np.all(empty | ~asked, axis=1)
    bars, asked, empty = bars[some], asked[some], empty[some]
    if asked.sum() < MISSING_BEATS or empty.sum() < MISSING_SHARE * asked.sum():
        return False
    for apart in ROUND_BARS:
        _, i, j = np.intersect1d(bars + apart, bars, return_indices=True)
        if len(i) and np.mean(empty[i] == empty[j]) >= COMES_ROUND:
            return False
    return bool((empty.sum(axis=0) / np.maximum(asked.sum(axis=0), 1)).min() >= MISSING_LEAST)


def not_stayed(landing: Landing, bars: frozenset[int]) -> Landing:
    """The landing without the question "did you mean to stay?" in bars where the player was elsewhere in the form."""
    items = tuple(
        replace(item, stayed_on=None, note=None) if item.stayed_on is not None and item.bar_idx in bars else item
        for item in landing.items
    )
    return landing if items == landing.items else replace(landing, items=items)


def _landing(items: list[Item], none: Why, reading: Reading | None = None) -> Landing:
    """The counts over items; `none` is why there is no rate if nothing counts."""
    total = _tally(items)
    chorus = _tallies(items, lambda item: item.chorus)
    return Landing(
        changes=total.changes,
        roots=total.roots,
        landed=total.landed,
        roots_late=0 if reading is None else sum(_is_late(item, reading) for item in items),
        root_rate=share(total.roots, total.changes, none),
        landed_rate=share(total.landed, total.changes, none),
        by_role=_tallies(items, lambda item: item.role),
        by_pair=_tallies(items, lambda item: item.pair),
        per_chorus=tuple(
            ChorusTally(chorus=c, changes=t.changes, roots=t.roots, landed=t.landed) for c, t in chorus.items()
        ),
        outcomes={name: sum(i.outcome == name for i in items) for name in OUTCOMES},
        items=tuple(items),
        transposed_semitones=0 if reading is None else reading.transposed_semitones,
        **(not_computed(Landing, none) if reading is None else computed(Landing, reading)),
    )


def _sat_out(chart: Chart, silent: frozenset[int]) -> tuple[SatOut, ...]:
    """The runs of bars sat out, chorus by chorus."""
    out: list[SatOut] = []
    for chorus, bars in itertools.groupby(chart.bars, lambda bar: bar.chorus):
        own = [bar for bar in bars if not bar.heard]
        whole = all(bar.idx in silent for bar in own)
        for laid_out, run in itertools.groupby(own, lambda bar: bar.idx in silent):
            if laid_out:
                inside = [bar.bar for bar in run]
                out.append(SatOut(chorus=chorus, bars=(inside[0], inside[-1]), whole=whole))
    return tuple(out)


def _stopped(reading: Reading, chart: Chart) -> tuple[int, int] | None:
    """The chorus and bar of the last note of a player who stopped before the end, or None."""
    if not math.isfinite(reading.until_beats):
        return None
    last = chart.bars[int(chart.bar_idx_at(max(reading.until_beats, chart.first_beats)))]
    return (last.chorus, last.bar) if last.chorus > 0 else None


def _phrased(chart: Chart, runs: list[tuple[int, int]]) -> dict[int, int]:
    """The choruses each of whose phrases has its rest (of the `runs` of empty bars), and where in it that begins."""
    rests: dict[int, list[int]] = {}
    for start, end in runs:
        if end - start >= REST_BARS:
            rests.setdefault(chart.bars[start].chorus, []).append((chart.bars[start].bar - 1) % PHRASE_BARS)
    least = max(len(chart.form_chords) // PHRASE_BARS - 1, 2)
    return {chorus: at[0] for chorus, at in rests.items() if len(at) >= least and len(set(at)) == 1}


def _is_late(item: Item, reading: Reading) -> bool:
    """Whether a root came later than a third of a beat: it landed, and is told apart; after a rest on 1, too."""
    beat_s = 60.0 / float(reading.tempo.bpm_at(item.at_beats))
    late = item.outcome == "root_late" or item.asynchrony_s > THIRD_BEATS * beat_s
    return item.outcome in ROOTS and (late or item.note == RESTS_ON_ONE)


def _tally(items: list[Item]) -> Tally:
    counted = [i.outcome for i in items if i.outcome not in NOT_COUNTED]
    return Tally(changes=len(counted), roots=sum(o in ROOTS for o in counted), landed=sum(o in LANDED for o in counted))


def _tallies(items: list[Item], group: Callable[[Item], _Group]) -> dict[_Group, Tally]:
    """The tally of each group, groups in the order played."""
    groups: dict[_Group, list[Item]] = {}
    for item in items:
        groups.setdefault(group(item), []).append(item)
    return {name: _tally(members) for name, members in groups.items()}


def _changes(chart: Chart) -> list[_Change]:
    """Changes of chord and chorus tops in the choruses (an intro is nobody's chorus and is not judged)."""
    out: list[_Change] = []
    before: Chord | None = None
    degree_before = ""
    tops = set(chart.chorus_onsets_beats)
    for span in chart.spans:
        bar = chart.bars[span.bar_idx]
        changed = before is None or (span.chord.lowest_pc, span.chord.quality) != (before.lowest_pc, before.quality)
        top = span.onset_beats in tops
        if bar.chorus > 0 and (changed or top):
            came_from = degree_before if before is not None and changed else ""
            at = round(span.onset_beats)
            out.append(
                _Change(at, span.end_beats, span.chord, span.degree, before, came_from, bar, top and not changed)
            )
        elif out and bar.chorus > 0:
            out[-1] = replace(out[-1], end_beats=span.end_beats)  # the same chord goes on
        before, degree_before = span.chord, span.degree
    return out


class _Judge:
    """The reading's notes, laid out for looking up by beat."""

    def __init__(self, reading: Reading, chart: Chart) -> None:
        self.r = reading
        self.chart = chart
        keep = ~reading.ghost
        self.rows = np.flatnonzero(keep)
        self.beats = reading.placed_beats[self.rows]
        # A note without a release (an input that sends none, a release that got lost) sounds until the next one, and is
        # no evidence of a held root past a bar: else one lost release would land every change of the song.
        self.ends = np.asarray(reading.end_beats, dtype=np.float64)
        unended = reading.no_release | ((reading.notes["flags"] & FLAG_CUT) != 0)
        if np.any(unended):
            following = np.append(reading.beats[1:], np.inf)
            until = np.minimum(following, reading.beats + UNENDED_BEATS)
            longest = np.where(reading.no_release, until, np.minimum(until, self.ends))
            self.ends = np.where(unended, longest, self.ends)
        self.tonic_pc = chart.key.tonic_pc
        self.onset_s = reading.notes["onset_s"]
        self.any_joined = bool(np.any(reading.joined))
        self._first = self._first_onsets()
        self._asked = np.array([bar.chorus > 0 and not (bar.final or bar.heard) for bar in chart.bars])
        roots = [[chord.lowest_pc for chord in bar.chords] for bar in chart.bars]
        self._changes = np.array([True] + [was[-1] != now[0] for was, now in itertools.pairwise(roots)])
        self.laid_out = self._laid_out(unended)

    def _first_onsets(self) -> NDArray[np.float64]:
        """Place in the bar (beats) of each bar's first onset, up to 0.2 early; ∞ for an empty bar."""
        onsets = self.chart.bar_onsets_beats
        i = np.searchsorted(self.beats, onsets - SAME_PLACE_BEATS)
        found = np.append(self.beats, np.inf)[np.minimum(i, len(self.beats))] - onsets
        return np.where(found < BEATS_PER_BAR, found, np.inf)

    def _laid_out(self, unended: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """Bars (of the chart) without a note, four and more in a row, or the same ones of each phrase of a chorus; our
        own glitches and what lies before the player came in or after they stopped are told apart."""
        r, chart = self.r, self.chart
        silent = np.array([bar.chorus > 0 and not bar.heard for bar in chart.bars])
        silent &= (chart.bar_onsets_beats > r.from_beats - 0.5) & (chart.bar_onsets_beats <= r.until_beats)
        # A note belongs to the bar it was meant for; what rings on through a bar is no silence there.
        inside = (r.beats > chart.first_beats - 0.5) & (r.beats < chart.end_beats)
        silent[chart.bar_idx_at(np.clip(r.beat_idx[inside] + 1e-6, chart.first_beats, chart.end_beats - 1e-6))] = False
        struck = np.searchsorted(r.beats, chart.bar_onsets_beats)
        sounds_to = np.maximum.accumulate(np.append(-np.inf, np.where(unended, -np.inf, self.ends)))
        silent &= sounds_to[struck] <= chart.bar_onsets_beats + 1.0
        for idx in np.flatnonzero(silent):
            first = max(round(chart.bars[idx].onset_beats) - r.first_beat_idx, 0)
            end = max(round(chart.bars[idx].end_beats) - r.first_beat_idx, 0)
            silent[idx] = not np.any(r.beat_excused[first:end] & EXCUSED_GAP)
        edges = np.flatnonzero(np.diff(np.concatenate(([0], silent.astype(np.int8), [0]))))
        runs = [(int(start), int(end)) for start, end in edges.reshape(-1, 2)]
        phrased = _phrased(chart, runs)
        for start, end in runs:
            bar = chart.bars[start]
            of_phrase = phrased.get(bar.chorus) == (bar.bar - 1) % PHRASE_BARS
            silent[start:end] = of_phrase or end - start >= LAID_OUT_BARS
        return silent

    def empty_beats(self) -> tuple[NDArray[np.int64], NDArray[np.bool_], NDArray[np.bool_]]:
        """The bars of a line asked for (b,), their beats asked for, and those of them without a note: (b, 4) each."""
        r = self.r
        bars = [
            bar
            for bar in self.chart.bars
            if bar.chorus > 0
            and bar.line in ("eighths", "quarters")
            and not (bar.heard or bar.stopped or bar.final or bar.pedal or bar.turnaround or self.laid_out[bar.idx])
            and r.from_beats - 0.5 < bar.onset_beats
            and bar.end_beats <= r.until_beats
        ]
        onsets = np.rint([bar.onset_beats for bar in bars]).astype(np.int64)
        beats = onsets[:, None] + np.arange(BEATS_PER_BAR)
        rows = np.clip(beats - r.first_beat_idx, 0, r.n_beats - 1)
        asked = (rows == beats - r.first_beat_idx) & (r.beat_excused[rows] & EXCUSED_GAP == 0)
        sounds_to = np.append(-np.inf, self.ends[self.rows])[np.searchsorted(self.beats, beats - 0.02)]
        empty = asked & (r.on_note_idx[rows] < 0) & (sounds_to <= beats + HELD_BEATS)
        return np.array([bar.idx for bar in bars], dtype=np.int64), asked, empty

    def beat_late(self, change: _Change, item: Item) -> bool:
        """Whether the old root, or nothing, stood on a change and the new root came on the beat after it."""
        new = change.chord.lowest_pc
        if item.outcome not in ("other", "silent", "chord_tone") or change.before is None or change.at_top:
            return False
        old = item.note_idx < 0 or int(self.r.pc[item.note_idx]) == change.before.lowest_pc != new
        late = self.attack(change.at_beats + 1)
        early = self.between(change.at_beats - 0.25, change.at_beats + 0.75)
        return old and late >= 0 and int(self.r.pc[late]) == new and not np.any(self.r.pc[early] == new)

    def between(self, start: float, end: float) -> NDArray[np.intp]:
        """Rows (of the reading) of the notes placed from start up to end, ghosts left out."""
        lo, hi = np.searchsorted(self.beats, (start, end))
        return self.rows[lo:hi]

    def attack(self, beat: int) -> int:
        """Row of the on-beat attack, or -1; a ghost is none."""
        row = self.r.row_of_beat(beat)
        if row < 0:
            return -1
        idx = int(self.r.on_note_idx[row])
        return -1 if idx < 0 or self.r.ghost[idx] else idx

    def kind(self, idx: int, chord: Chord) -> Literal["root", "chord_tone", "seventh", "other"]:
        """What a note is in a chord: "root", "chord_tone" (3rd, 5th, root over a slash bass), "seventh", "other"."""
        pc = int(self.r.pc[idx])
        if pc == chord.lowest_pc:
            return "root"
        led = self._led_to(idx, chord)
        if led >= 0 and self._soon(idx, led):
            return "root"
        step = (pc - chord.root_pc) % 12
        # A suspended fourth stands where the third would.
        third = chord.third if chord.third is not None else 5
        if step in (0, third, chord.fifth):
            return "chord_tone"
        if step == 3 and third == 4 and self._becomes_major(idx, chord):
            return "chord_tone"
        if self._slides_in(idx, chord):
            return "root"
        return "seventh" if step == chord.seventh else "other"

    def _becomes_major(self, idx: int, chord: Chord) -> bool:
        """Whether the minor third is soon followed by the major one."""
        following = self._next(idx)
        if following < 0 or int(self.r.pc[following] - chord.root_pc) % 12 != 4:
            return False
        return float(self.r.beats[following] - self.r.beats[idx]) < THIRD_BEATS

    def _slides_in(self, idx: int, chord: Chord) -> bool:
        """Whether a note is a grace, from just below, to the root that follows at once."""
        following = self._next(idx)
        if following < 0 or int(self.r.pc[following]) != chord.lowest_pc:
            return False
        rise = self.r.pitch[following] - self.r.pitch[idx]
        step_s = float(self.onset_s[following] - self.onset_s[idx])
        rings_on = float(self.r.notes["duration_s"][idx]) > step_s + RINGS_ON_S and not self.r.no_release[idx]
        return step_s < GRACE_MAX_S and bool(0.0 < rise < 2.5) and not rings_on

    def _led_to(self, idx: int, chord: Chord) -> int:
        """Row of the root that bends lead a note to, or -1: a slide is where it arrives, whatever it passes."""
        if not self.any_joined:
            return -1
        following, channel = self._next(idx), self.r.notes["channel"][idx]
        while following >= 0 and self.r.joined[following] and self.r.notes["channel"][following] == channel:
            if int(self.r.pc[following]) == chord.lowest_pc:
                return following
            following = self._next(following)
        return -1

    def _soon(self, idx: int, led: int) -> bool:
        """Whether a note arrives by a bend while its pitch still settles, or within a third of the beat."""
        soon = self.onset_s[led] - self.onset_s[idx] < LED_TO_S
        return bool(soon or self.r.beats[led] - self.r.beats[idx] <= THIRD_BEATS)

    def _next(self, idx: int) -> int:
        i = int(np.searchsorted(self.rows, idx, side="right"))
        return int(self.rows[i]) if i < len(self.rows) else -1

    def struck_together(self, idx: int, chord: Chord) -> int:
        """Of the notes within 30 ms of an attack, or rolled into it from below: the root if it is among them, else the
        attack itself."""
        if int(self.r.pc[idx]) == chord.lowest_pc:
            return idx
        for j in (idx - 1, idx + 1, idx - 2, idx + 2):
            if 0 <= j < self.r.n and not self.r.ghost[j] and int(self.r.pc[j]) == chord.lowest_pc:
                first, second = min(j, idx), max(j, idx)
                together = abs(self.onset_s[j] - self.onset_s[idx]) <= TOGETHER_S
                if (together and self.ends[first] > self.r.beats[second]) or rolled(self.r, j, idx):
                    return j
        return idx

    def item(self, change: _Change) -> Item:
        outcome, idx, note = self._outcome(change)
        if idx >= 0 and self.r.profile == "typing" and self.r.notes["velocity"][idx] == PICKED_VELOCITY:
            outcome, note = "not_asked", PICKED
        stayed = None
        if outcome in ("chord_tone", "other", "not_asked") and idx >= 0 and note not in ("planned_pedal", PICKED):
            stayed = self._stayed_on(change, idx)
            if stayed is not None:
                outcome, note = "other", "stayed_on"
        free = not self.chart.turnaround_pinned and note not in UNHEARD and self._in_turnaround(change)
        if free and self._turnaround_ok(change, outcome, idx):
            outcome, stayed, note = "turnaround", None, None
        pitch = asynchrony = math.nan
        if idx >= 0:
            pitch = float(self.r.pitch[idx])
            asynchrony = self._asynchrony(change, outcome, note, idx)
        return Item(
            chorus=change.bar.chorus,
            bar=change.bar.bar,
            beat=round(change.at_beats - change.bar.onset_beats) + 1,
            at_beats=float(change.at_beats),
            chord=change.chord.name,
            root_pc=change.chord.lowest_pc,
            degree=change.degree,
            pair=f"{change.degree_from}→{change.degree}" if change.degree_from else change.degree,
            role=change.bar.role,
            outcome=outcome,
            pitch=pitch,
            asynchrony_s=asynchrony,
            bar_idx=change.bar.idx,
            at_top=change.at_top,
            stayed_on=stayed,
            note=note,
            note_idx=idx,
        )

    def _asynchrony(self, change: _Change, outcome: str, note: str | None, idx: int) -> float:
        """Seconds late: an early root and a riff that rests on 1 against their own slot, a root held from further back
        not at all (NaN), the rest against the change."""
        r = self.r
        if outcome == "root_early" or note == RESTS_ON_ONE:
            return float(r.asynchrony_s[idx])
        if r.beat_idx[idx] < change.at_beats:
            return math.nan
        return float(self.onset_s[idx] - r.tempo.seconds_at(float(change.at_beats)))

    def _outcome(self, change: _Change) -> tuple[Outcome, int, str | None]:
        """(outcome, row of the note judged or -1, what else to know) before pedals and turnarounds are looked at."""
        r, at, chord = self.r, change.at_beats, change.chord
        row = r.row_of_beat(at)
        excused = None if row < 0 else self._excused(change, row)
        if row < 0 or excused is not None:
            return "not_asked", -1, excused
        end = at + 1.0 - (1.0 - r.off_frac) / 2.0
        idx = self.attack(at)
        if idx >= 0:
            idx = self.struck_together(idx, chord)
            outcome, _, note = self._named(idx, chord)
            led = -1 if outcome in LANDED else self._led_to(idx, chord)
            if led >= 0 and r.beats[led] < end:
                return "root_late", led, None
            return outcome, idx, note
        early = self._sounding_root(at, chord)
        if early is not None:
            return early[0], early[1], None
        if change.on_one and self._rests_on_one(change):
            first = self.between(at - SAME_PLACE_BEATS, at + RIFF_REST_BEATS + SAME_PLACE_BEATS)
            outcome, idx, note = self._named(int(first[0]), chord)
            before = self.between(at - 1.0 - SAME_PLACE_BEATS, at - SAME_PLACE_BEATS)
            if outcome != "root" and len(before) and int(r.pc[before[-1]]) == chord.lowest_pc:
                return "root_early", int(before[-1]), None  # a rhythm that has each root before its bar
            return outcome, idx, note or RESTS_ON_ONE
        first = self.between(at - 0.25, end)
        first = first[r.beat_idx[first] == at]
        if len(first):
            outcome, idx, note = self._named(int(first[0]), chord)
            return ("root_late" if outcome == "root" else outcome), idx, note
        away = self._away(change)
        return ("silent" if away is None else "not_asked"), -1, away

    def _excused(self, change: _Change, row: int) -> str | None:
        """Why nothing is asked on this change, whatever was played there."""
        if self.r.beat_excused[row] & EXCUSED_GAP:
            return "gap"
        if change.bar.line == "two_beat" and round(change.at_beats - change.bar.onset_beats) in (1, 3):
            return "two_beat"
        if change.bar.heard:
            return "heard"
        return "stop" if change.bar.stopped and not change.on_one else None

    def _away(self, change: _Change) -> str | None:
        """Why nothing is asked of a player who was not there."""
        if change.at_beats > self.r.until_beats:
            return "stopped"
        if change.at_beats < self.r.from_beats:
            return "not_in_yet"
        return LAID_OUT if self.laid_out[change.bar.idx] else None

    def _named(self, idx: int, chord: Chord) -> tuple[Outcome, int, str | None]:
        kind = self.kind(idx, chord)
        # The seventh is neutral: neither landed nor missed.
        return ("not_asked", idx, "seventh") if kind == "seventh" else (kind, idx, None)

    def _sounding_root(self, at: int, chord: Chord) -> tuple[Outcome, int] | None:
        """A root still sounding across the line: struck on the off-beat before (early) or further back (held)."""
        r = self.r
        i = int(np.searchsorted(self.beats, at - 0.02)) - 1
        # Only the last few notes can still sound in a bass line.
        for j in self.rows[max(i - 3, 0) : i + 1][::-1]:
            local = float(r.beats[j] - r.placed_beats[j])
            if int(r.pc[j]) == chord.lowest_pc and self.ends[j] > at + local + HELD_BEATS:
                near = r.beat_idx[j] == at - 1 and r.slot[j] in (SLOT_OFF, SLOT_TRIPLET_3)
                return ("root_early" if near else "root"), int(j)
        return None

    def _rests_on_one(self, change: _Change) -> bool:
        """Whether the bars around begin at the same place after beat 1 as this one does, or those that a rhythm of two
        or three bars comes round to all through the take: a riff that rests on 1."""
        idx, here = change.bar.idx, float(self._first[change.bar.idx])
        if not 0.25 < here <= RIFF_REST_BEATS + SAME_PLACE_BEATS:
            return False
        bars = self.chart.bars
        alike = np.abs(self._first - here) <= SAME_PLACE_BEATS
        around = [i for i in (idx - 1, idx + 1) if 0 <= i < len(bars) and not bars[i].final]
        if around and all(alike[i] for i in around):
            return True
        rounds = (self._asked & ((np.arange(len(bars)) - idx) % apart == 0) for apart in ROUND_BARS[1:])
        # Rests at changes alone are no rhythm: it rests where no chord changes, too.
        return any(
            alike[of].mean() >= COMES_ROUND and np.count_nonzero(alike & of & ~self._changes) >= ROUND_LEAST
            for of in rounds
        )

    # --- staying on the old chord, pedals, turnarounds ---

    def holds(self, change: _Change) -> bool:
        """Whether I or V, struck before a silent change, still sounds there."""
        if self.attack(change.at_beats) >= 0:
            return False
        i = int(np.searchsorted(self.beats, change.at_beats)) - 1
        if i < 0:
            return False
        j = int(self.rows[i])
        of_pedal = (int(self.r.pc[j]) - self.tonic_pc) % 12 in (0, 7)
        return of_pedal and bool(self.ends[j] > change.at_beats + HELD_BEATS)

    def _stayed_on(self, change: _Change, idx: int) -> str | None:
        """ "I" or "V" when the note is that root kept on from the chord before, and the new root does not come."""
        if change.before is None or change.at_top:
            return None
        pc = int(self.r.pc[idx])
        if pc == self.tonic_pc:
            name = "i" if self.chart.key.minor else "I"
        elif pc == (self.tonic_pc + 7) % 12:
            name = "V"
        else:
            return None
        if pc != change.before.lowest_pc and not self._was_on(change.at_beats, pc):
            return None
        inside = self.between(change.at_beats - SAME_PLACE_BEATS, min(change.end_beats, change.at_beats + 4.0) - 0.4)
        pcs = self.r.pc[inside]
        if np.any(pcs == change.chord.lowest_pc):
            return None
        # What speaks for the new chord alone against what speaks for the old alone.
        old, new = set(change.before.pcs), set(change.chord.pcs)
        for_new = sum(int(p) in new - old for p in pcs)
        for_old = sum(int(p) in old - new for p in pcs)
        return name if for_old >= for_new else None

    def _was_on(self, at: int, pc: int) -> bool:
        """Whether the bar before was nothing but this pitch class."""
        before = self.r.pc[self.between(at - 4.0, at - 0.2)]
        return len(before) >= 2 and bool(np.all(before == pc))

    def _in_turnaround(self, change: _Change) -> bool:
        """The form's last bar, and what comes after the first beat of the bar before it."""
        bar = change.bar
        if not bar.turnaround or bar.final:
            return False
        n_form = len(self.chart.form_chords)
        return bar.bar == n_form or change.at_beats > bar.onset_beats

    def _turnaround_ok(self, change: _Change, outcome: str, idx: int) -> bool:
        """I held, V on beat 1, 2 or 3 of the last bar, or a walk to V: all are a turnaround."""
        r = self.r
        if outcome in LANDED or outcome in ("pedal", "not_asked"):
            return True
        tonic = self.tonic_pc
        home = (tonic, (tonic + (3 if self.chart.key.minor else 4)) % 12, (tonic + 7) % 12)
        if idx >= 0 and int(r.pc[idx]) in home:
            return True
        at = change.at_beats
        if idx < 0:
            i = int(np.searchsorted(self.beats, at)) - 1
            # A rest after I is I held, as the I struck again would be.
            if i >= 0 and int(r.pc[self.rows[i]]) in home:
                return True
        start = round(change.bar.onset_beats)
        five = (tonic + 7) % 12
        for beat in (start, start + 1, start + 2):
            j = self.attack(beat)
            if j >= 0 and int(r.pc[j]) == five:
                return True
        inside = self.between(start - SAME_PLACE_BEATS, start + BEATS_PER_BAR - SAME_PLACE_BEATS)
        if len(inside) < 3:
            return False
        steps = np.abs(np.diff(np.rint(r.pitch[inside])))
        arrives = np.flatnonzero(r.pc[inside] == five)
        stepwise = (steps > 0) & (steps <= 2)
        return any(k >= 2 and bool(np.all(stepwise[k - 2 : k])) for k in arrives)


def _pedals(judge: _Judge, changes: list[_Change], items: list[Item]) -> list[Item]:
    """Pedals: planned; or I or V alone until it resolves onto the next root, where another chorus lands the change.

    The run of one pitch class must end in the root of a later change: on a quick change missed in a line that goes on
    with other notes of I nothing resolves, and it stays "stayed on I".
    """
    landed = {(i.bar, i.beat) for i in items if i.outcome in ROOTS}
    arrivals = {i.note_idx for i in items if i.outcome in ROOTS and i.stayed_on is None}
    out = list(items)
    for k, (change, item) in enumerate(zip(changes, items, strict=True)):
        if change.bar.pedal and (item.outcome in ("other", "chord_tone") or judge.holds(change)):
            out[k] = replace(item, outcome="pedal", stayed_on=None, note="planned")
        elif item.stayed_on is not None and (item.bar, item.beat) in landed:
            later = judge.rows[np.searchsorted(judge.rows, item.note_idx) :]
            moved = np.flatnonzero(judge.r.pc[later] != judge.r.pc[item.note_idx])
            if len(moved) and int(later[moved[0]]) in arrivals:
                out[k] = replace(item, outcome="pedal", stayed_on=None, note="played")
    return out
