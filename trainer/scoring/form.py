"""Keeping the form: where in the form the player is, beat by beat, by a hidden Markov model.

The hidden state is the player's *displacement* from the band: place modulo the form's length, in half-beats
(0: with the band; +8: one bar ahead). The notes vote (`form_notes.py`): one vote per pitch class and half-beat, weighed
by how the take's own line treats that interval, on that beat of the bar, after the notes before it, under the chord at
the displaced place (a line of roots only tells much more per note than a walk). Votes carry an outlier floor and are
capped. Transitions are sticky; slips happen at bar lines, those by a part of a bar at half bars as well. The model is
exact: Viterbi path and forward-backward posteriors in log space, vectorised over states. Bars that sound one bar early
or late, for which a sticky path asks too much, are looked for one by one.

Conventions: beats are quarter notes, 0.0 = first downbeat of chorus 1; `place_beats` is the nearest signed distance,
positive ahead of the band. The model follows Rabiner (1989), Proc. IEEE 77(2):257-286; its numbers are our choice,
tuned on simulated players and tested on others.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Annotated, Literal, TypeAlias

import numpy as np
from numpy.typing import NDArray

from trainer.scoring.figure import Count, Digits, Explains, Figure, Hidden, Key, Row, Section, Shown, measured
from trainer.scoring.form_chain import BAR_STATES, HALF, Pieces, Slips, chances_of, step_kinds, viterbi
from trainer.scoring.form_claims import SURE_NATS, Claim, Proposal, Weighing
from trainer.scoring.form_notes import Geometry, Votes, evidence, first_look, geometry, votes_of
from trainer.scoring.reading import Reading
from trainer.scoring.why import Why, no_figure
from trainer.session import BEATS_PER_BAR, Chart, ChartBar

__all__ = [
    "SURE",
    "Back",
    "BarPlace",
    "Cause",
    "FormResult",
    "LostSpan",
    "PlaceBar",
    "place",
    "place_notes",
]

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]

_MIN_VOTES = 8
_THROUGHOUT = 0.75  # of the bars played, for "throughout" (our choice)
_LOOKS = 3
_TAIL_BARS = 32  # after the last note in which somebody lost would be back; from there on nothing changes any more
# Evidence that makes a span, in nats over the band's own place: a quick change missed; one bar early or late for a
# bar; anything else for a bar or two; a part of a bar for a bar or two, or a part of a beat (which a busy line may seem
# to be by chance); more. What variant "a" of the simulated players said where nobody had slipped lies below, but for a
# walk or a solo that sounds by chance like the bar before or after: about once in 1,000 choruses.
_QUICK_NATS, _BAR_NATS, _SHORT_NATS, _PART_NATS, _SPAN_NATS = 3.0, 5.5, 11.0, 20.0, 4.0
_BAR_BEAT_CAP = 4.5  # the most that one beat says for a slip of one bar
_WEAK_BAR_NATS = 2.0  # what such a bar has to say besides where some of its notes hardly count
QUICK_NATS = 1.0  # that one choice of notes over all chords may be better, and a quick change still be asked about
SURE = 0.9  # below it, a slip of one bar is put as a question


# --- the result ------------------------------------------------------------------------------------------------------


Cause: TypeAlias = Literal["skipped", "repeated", "missed quick change", "turned round"]


@dataclass(frozen=True, slots=True)
class PlaceBar(Row):
    """One bar of the form as the player had it: displacement in beats, and the chance that it is right."""

    chorus: int
    bar: int
    at_beats: float
    place_beats: float
    probability: Annotated[float, Digits(3)]


@dataclass(frozen=True, slots=True)
class BarPlace(Row):
    """A bar of a chorus."""

    chorus: int
    bar: int


@dataclass(frozen=True, slots=True)
class Back(Row):
    """The bar in which the player is with the band again, and its downbeat."""

    chorus: int
    bar: int
    at_beats: float


@dataclass(frozen=True, slots=True)
class LostSpan(Row):
    """Bars in which the player was elsewhere, both ends included. `first_idx`, `last_idx` count `Chart.bars`.

    `back` None: never with the band again.
    """

    begin: Annotated[BarPlace, Key("from")]
    end: Annotated[BarPlace, Key("to")]
    place_beats: float
    cause: Cause
    back: Back | None
    probability: Annotated[float, Digits(3)]
    first_idx: Hidden[int] = -1
    last_idx: Hidden[int] = -1

    @property
    def unsure(self) -> bool:
        """Whether it may be chance, or meant: asked, not charged. A quick change not taken may be a pedal."""
        return self.cause == "missed quick change" or self.probability < SURE

    @property
    def where(self) -> str:
        """Its bars in words: "chorus 4, bars 6 to 8"."""
        a, b = self.begin, self.end
        if a.chorus != b.chorus:
            return f"chorus {a.chorus} bar {a.bar} to chorus {b.chorus} bar {b.bar}"
        return f"chorus {a.chorus} bar {a.bar}" if a.bar == b.bar else f"chorus {a.chorus}, bars {a.bar} to {b.bar}"

    def words(self) -> str:
        """The span in words; a missed quick change, and a bar that is not sure, are put as a question."""
        where = self.where
        if self.cause == "missed quick change":
            return f"{where}: the quick change was not there; did you mean to stay?"
        n = abs(self.place_beats)
        size = f"{n / 4:g} bar{'' if n == 4 else 's'}" if n % 4 == 0 else f"{n:g} beat{'' if n == 1 else 's'}"
        if self.unsure:
            much = "a bar" if n == BEATS_PER_BAR else size
            return f"{where}: it sounded {much} {'early' if self.place_beats > 0 else 'late'}; did you mean it?"
        side = "ahead of" if self.place_beats > 0 else "behind"
        return f"{where}: {size} {side} the band ({self.cause})"


@dataclass(frozen=True)
class FormResult(Section):
    """Where the player was. `lost`, `asked` and `place` are None when nothing can be told; `nothing` says why.

    `lost`: spans that are certain, `bars_lost` their bars; `asked`: spans that another reading explains as well, put as
    questions. `n_bars_played` counts the bars with notes that tell, of `n_bars_asked` that were not only listened to.
    `untold`: the player was elsewhere, and several places fit.
    """

    lost: tuple[LostSpan, ...] | None
    asked: tuple[LostSpan, ...] | None
    place: tuple[PlaceBar, ...] | None
    bars_lost: Count | None
    n_bars_played: Hidden[int] = 0
    n_bars_asked: Hidden[int] = 0
    untold: Hidden[bool] = False
    nothing: Annotated[Why | None, Explains("lost", "asked", "place", "bars_lost")] = None

    @classmethod
    def empty(cls, why: Why) -> FormResult:
        """Nothing to say, and why."""
        return cls(None, None, None, None, nothing=why)

    @measured(Shown("n_lost", 0, title="times lost in the form", better=-1, followed="n_lost", asked=True))
    def n_lost(self) -> Figure:
        return Figure(why=self.nothing) if self.lost is None else Figure(float(len(self.lost)))

    @property
    def spans(self) -> tuple[LostSpan, ...]:
        """What is certain and what is asked, in the order of the bars."""
        return tuple(sorted((*(self.lost or ()), *(self.asked or ())), key=lambda span: span.first_idx))

    @property
    def bars_elsewhere(self) -> frozenset[int]:
        """Bars, as `Chart.bars` counts them, in which the player certainly was elsewhere."""
        return frozenset(idx for span in self.lost or () for idx in range(span.first_idx, span.last_idx + 1))

    def bars_in_for(self, reading: Reading) -> int:
        """How many bars the player was in for: from where a file begins to where he stopped, without the choruses that
        are only listened to."""
        heard = frozenset[int]() if reading.chart is None else reading.chart.heard_choruses
        return sum(
            row.chorus not in heard and reading.from_beats - BEATS_PER_BAR < row.at_beats <= reading.until_beats
            for row in self.place or ()
        )

    @property
    def line(self) -> str:
        """The form in a few words, with its counts and places."""
        if self.lost is None:
            return "" if self.nothing is None else f"the place cannot be told: {self.nothing.text}"
        untold = "for a while you were elsewhere in the form; where cannot be told" if self.untold else ""
        if not self.spans:
            if untold:
                return untold
            n = self.n_bars_played
            if n >= _THROUGHOUT * self.n_bars_asked:
                return "the form kept throughout"
            return f"the form kept in the {f'{n} bars' if n != 1 else 'one bar'} that you played"
        said = [span.words() for span in sorted(self.spans, key=lambda span: span.unsure)[:3]]
        more = f" and {len(self.spans) - 3} more" if len(self.spans) > 3 else ""
        return "; ".join(said) + more + (f"; {untold}" if untold else "")


def _plain(beats: float) -> int | float:
    return int(beats) if float(beats).is_integer() else beats


def place(reading: Reading, chart: Chart) -> FormResult:
    """Where in the form the player was: the reading's notes (ghosts left out) against the chart."""
    keep = ~reading.ghost
    return place_notes(chart, reading.placed_beats[keep], reading.pitch[keep])


def place_notes(chart: Chart, onset_beats: Floats, pitches: Floats, slips: Slips | None = None) -> FormResult:
    """Where in the form the player was, from notes on the beat axis: (n,) onsets in beats (sorted), (n,) MIDI pitches.

    Notes before the chart or after its end are left out. Fewer than eight votes, or a form with one chord, give None
    with the reason.
    """
    geo = geometry(chart)
    onset = np.asarray(onset_beats, dtype=np.float64)
    pitch = np.asarray(pitches, dtype=np.float64)
    votes = votes_of(geo, chart.swing_ratio, onset, pitch)
    if len(votes) < _MIN_VOTES:
        notes = "1 note" if len(votes) == 1 else f"{len(votes)} notes"
        few = f"{notes} inside the form; {_MIN_VOTES} are needed to tell the place"
        return FormResult.empty(no_figure("too_few", few))
    if len(set(zip(geo.root_pc.tolist(), geo.minor.tolist(), strict=True))) < 2:
        text = "the form has one chord only, so one bar sounds like another"
        return FormResult.empty(no_figure("one_chord", text))
    if len(np.unique(votes.pc)) == 1:
        text = "one pitch all through, which sounds alike in every bar"
        return FormResult.empty(no_figure("one_pitch", text))
    geo = geo.until((int(votes.beat[-1]) // BEATS_PER_BAR + 1 + _TAIL_BARS) * BEATS_PER_BAR)
    kinds = step_kinds(geo.n_beats)
    quick = np.array(_quick_bars(chart, geo), dtype=np.intp)
    path = first_look(geo, votes)
    looks = 1
    while True:  # read the line from where the player was, look again
        said = evidence(geo, votes, path, quick)
        seen, path = path, viterbi(said, kinds, slips)
        if looks == _LOOKS or np.array_equal(path, seen):
            break
        looks += 1
        del said  # an evening's reading is as large as its notes: one at a time
    return _result(chart, geo, said, path, partial(chances_of, said, kinds, slips=slips), votes)


def _differs(geo: Geometry) -> NDArray[np.bool_]:
    """Whether the chord of a beat differs from the one a displacement away: (n_states, n_states) [place on it, d].

    In a last bar that no session pins, a tonic held on is a turnaround too: it does not differ.
    """
    code = geo.root_pc * 2 + geo.minor
    places = np.arange(geo.n_states)
    there = (places[:, None] + places[None, :]) % geo.n_states
    out: NDArray[np.bool_] = code[:, None] != code[there]
    last_bar = geo.turnaround & (places >= geo.n_states - BAR_STATES)
    out &= ~(last_bar[:, None] & (geo.root_pc[there] == geo.tonic_pc))
    return out | np.roll(out, -1, axis=0)  # on the beat or off it: half a beat early shows before a change


def _result(
    chart: Chart, geo: Geometry, said: Pieces, path: Ints, chance: Callable[[Ints], Floats], votes: Votes
) -> FormResult:
    quick = _quick_bars(chart, geo)
    behind, ahead = -BAR_STATES % geo.n_states, BAR_STATES % geo.n_states
    beside = said.columns((0, behind, ahead))
    beside -= beside[:, :1].copy()
    proposals = _proposals(geo, said, path, votes, quick, {behind: beside[:, 1], ahead: beside[:, 2]})
    weighing = Weighing(chart, geo, votes, [each for each, _ in proposals])
    place = np.zeros(geo.n_beats // BEATS_PER_BAR, dtype=np.intp)
    lost, untold = _spans_settled(chart, geo, weighing, proposals, path, quick, place)
    taken = {idx for span in lost for idx in range(span.first_idx, span.last_idx + 1)}
    lost += _quick_asked(chart, geo, votes, weighing, [idx for idx in quick if idx not in taken], beside[:, 1])
    if not untold and all(span.unsure for span in lost) and weighing.alike():
        text = "your notes fit every bar alike, whatever its chord"
        return FormResult.empty(no_figure("one_choice", text))
    certain, asked = _shown(chart, lost)
    bars_lost = sum(span.last_idx - span.first_idx + 1 for span in certain)
    rows = _place_bars(chart, geo, place, chance)
    return FormResult(certain, asked, rows, bars_lost, *_n_bars(chart, geo, votes), untold=untold)


def _shown(chart: Chart, lost: list[LostSpan]) -> tuple[tuple[LostSpan, ...], tuple[LostSpan, ...]]:
    """The spans that reach into a chorus, in order: those that are certain, and those that are asked about."""
    shown = [span for span in _run_on(lost) if chart.bars[span.last_idx].chorus >= 1]
    return tuple(span for span in shown if not span.unsure), tuple(span for span in shown if span.unsure)


def _spans_settled(
    chart: Chart, geo: Geometry, weighing: Weighing, proposals: list[tuple[Proposal, int]], path: Ints,
    quick: list[int], place: Ints,
) -> tuple[list[LostSpan], bool]:  # fmt: skip
    """The spans that stand or are asked about, and whether some could be told neither way; sure ones go into `place`.

    A quick change alone is asked about apart.
    """
    lost: list[LostSpan] = []
    untold = False
    for each, before in proposals:
        if each.first == each.last and each.first in quick:
            continue
        each, claim = weighing.settled(each)
        untold |= claim.untold
        if claim.asked:
            if claim.sure:
                place[each.first : each.last + 1] = each.state
            span = _span(chart, geo, each.first, each.last, each.state, before, path)
            lost.append(replace(span, probability=_probability(claim)))
    return lost, untold


def _n_bars(chart: Chart, geo: Geometry, votes: Votes) -> tuple[int, int]:
    """In how many bars the player played, of how many that were his to play."""
    asked = np.array([bar.chorus >= 1 and not bar.heard for bar in chart.bars])
    return int(asked[np.unique(geo.bar_idx[votes.beat])].sum()), int(asked.sum())


def _place_bars(chart: Chart, geo: Geometry, place: Ints, chance: Callable[[Ints], Floats]) -> tuple[PlaceBar, ...]:
    """Where the player was in each bar of a chorus, and how likely; beyond the last of `place` with the band."""
    n_bars = len(place)
    seat = chance(np.repeat(place, BEATS_PER_BAR)).reshape(n_bars, BEATS_PER_BAR).mean(axis=1)
    beyond = (0, len(chart.bars) - n_bars)
    at_beats = [_plain(geo.signed_beats(int(state))) for state in np.pad(place, beyond)]
    return tuple(
        PlaceBar(bar.chorus, bar.bar, bar.onset_beats, beats, chance_there)
        for bar, beats, chance_there in zip(chart.bars, at_beats, np.pad(seat, beyond, "edge").tolist(), strict=True)
        if bar.chorus >= 1
    )


def _quick_asked(
    chart: Chart, geo: Geometry, votes: Votes, weighing: Weighing, quick: list[int], behind: Floats
) -> Iterator[LostSpan]:
    """The quick changes that went by, as questions: bars that sound like the one before (`behind`, a beat each)."""
    for idx in quick:
        gain = float(behind[idx * BEATS_PER_BAR : (idx + 1) * BEATS_PER_BAR].sum())
        if gain <= _QUICK_NATS or _stays_by_choice(geo, votes, idx):
            continue
        if weighing.stayed(idx) >= -QUICK_NATS:
            yield _quick_span(chart, idx, _odds(gain - _QUICK_NATS))


def _run_on(lost: list[LostSpan]) -> list[LostSpan]:
    """The spans in order; one that leads straight into another is back when that one is."""
    out = sorted(lost, key=lambda span: span.first_idx)
    for i in range(len(out) - 2, -1, -1):
        if out[i + 1].first_idx == out[i].last_idx + 1:
            out[i] = replace(out[i], back=out[i + 1].back)
    return out


def _proposals(
    geo: Geometry, said: Pieces, path: Ints, votes: Votes, quick: list[int], beside: Mapping[int, Floats]
) -> list[tuple[Proposal, int]]:
    """Spans that the path, or a bar by itself, puts elsewhere, each with the displacement before it.

    `beside`: what each beat says for a bar behind and a bar ahead over the band's own place, (n_beats,) each.
    """
    differs = _differs(geo)
    out: list[tuple[Proposal, int]] = []
    away = np.zeros(geo.n_beats // BEATS_PER_BAR, dtype=np.bool_)
    alone = {state: _bar_gain(geo, over, votes) for state, over in beside.items()}
    shown = list(_shown_runs(geo, differs, path))
    gains = _gains(said, [(span, state) for (_, _, state), span in shown])
    for ((start, end, state), (first, last)), gain in zip(shown, gains, strict=True):
        if first == last and first not in quick and state in alone:
            gain = float(alone[state][first])
        if gain >= _asked_nats(geo, first, last, state, quick):
            away[start // BEATS_PER_BAR : (end - 1) // BEATS_PER_BAR + 1] = True
            out.append((Proposal(first, last, state), int(path[start - 1]) if start else 0))
    near = np.concatenate(([False], away, [False]))
    near = near[:-2] | near[1:-1] | near[2:]
    for idx, state in _bars_apart(geo, alone, differs):
        if not near[idx] and idx not in quick:
            out.append((Proposal(idx, idx, state), 0))
    return out


def _shown_runs(
    geo: Geometry, differs: NDArray[np.bool_], path: Ints
) -> Iterator[tuple[tuple[int, int, int], tuple[int, int]]]:
    """The runs of one displacement that can be heard, each with the first and the last bar in which it can."""
    for start, end, state in _runs_of(path):
        beats = np.arange(start, end)
        bars = geo.bar_idx[beats[differs[geo.band_state[beats], state] & geo.told[beats]]]
        if state and len(bars):
            yield (start, end, state), (int(bars[0]), int(bars[-1]))


def _gains(said: Pieces, spans: Sequence[tuple[tuple[int, int], int]]) -> Iterator[float]:
    """What the beats of each span of bars say for its displacement over the band's own place, in nats."""
    rows = [np.arange(first * BEATS_PER_BAR, (last + 1) * BEATS_PER_BAR) for (first, last), _ in spans]
    beats = np.concatenate([*rows, np.zeros(0, dtype=np.intp)])
    states = np.repeat([state for _, state in spans], [len(each) for each in rows])
    over = said.at(beats, states) - said.at(beats, 0)
    for first, each in zip(np.cumsum([0, *map(len, rows)]), rows, strict=False):
        yield float(over[first : first + len(each)].sum())


def _probability(claim: Claim) -> float:
    """How sure a claim is: `SURE` and more only if it may be said."""
    odds = _odds(claim.nats - SURE_NATS + float(np.log(SURE / (1.0 - SURE))))
    return max(odds, SURE) if claim.sure else min(odds, SURE - 0.01)


def _stays_by_choice(geo: Geometry, votes: Votes, idx: int) -> bool:
    """Whether one pitch goes through a quick change and the bars beside it, in a line that moves else: a pedal."""
    bar = geo.bar_idx[votes.beat]
    first = np.searchsorted(bar, np.arange(geo.n_beats // BEATS_PER_BAR + 1))
    single = np.array([len(np.unique(votes.pc[a:b])) == 1 for a, b in itertools.pairwise(first.tolist())])
    around = votes.pc[first[max(idx - 1, 0)] : first[min(idx + 2, len(first) - 1)]]
    usual = float(np.mean(single[np.diff(first) > 0]))
    return len(np.unique(around)) == 1 and usual < 0.5


def _bar_gain(geo: Geometry, over: Floats, votes: Votes) -> Floats:
    """What each bar says for a displacement over the band's own place, in nats, from what its beats say: (n_bars,).

    No beat alone makes a slip of a bar, and a bar with notes that hardly count (the end of a run or of a pedal) asks
    for more.
    """
    gain = np.minimum(over, _BAR_BEAT_CAP).reshape(-1, BEATS_PER_BAR).sum(axis=1)
    weak = np.bincount(geo.bar_idx[votes.beat], votes.weight <= 0.5, len(gain)) > 0
    out: Floats = gain - np.where(weak, _WEAK_BAR_NATS, 0.0)
    return out


def _bars_apart(geo: Geometry, alone: Mapping[int, Floats], differs: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Bars that sound one bar early or late: (index into the chart, displacement), whatever the path says.

    The path asks for more than a bar can say: the way out and the way back both cost.
    """
    beats = np.arange(geo.n_beats).reshape(-1, BEATS_PER_BAR)
    best = np.full(len(beats), _BAR_NATS)
    state_of = np.zeros(len(beats), dtype=np.intp)
    for state in (BAR_STATES % geo.n_states, -BAR_STATES % geo.n_states):
        shows = (differs[geo.band_state[beats], state] & geo.told[beats]).any(axis=1)
        gain = np.where(shows, alone[state], 0.0)
        better = gain > best
        best[better], state_of[better] = gain[better], state
    return [(int(idx), int(state_of[idx])) for idx in np.flatnonzero(state_of)]


def _asked_nats(geo: Geometry, first: int, last: int, state: int, quick: list[int]) -> float:
    """How much evidence a span needs."""
    short = last - first < 2
    if state % BAR_STATES and (short or state % (2 * HALF)):
        return _PART_NATS
    if first == last and abs(geo.signed_beats(state)) == BEATS_PER_BAR:
        return _QUICK_NATS if first in quick else _BAR_NATS
    return _SHORT_NATS if short else _SPAN_NATS


def _odds(nats: float) -> float:
    return float(1.0 / (1.0 + np.exp(-nats)))


def _runs_of(path: Ints) -> list[tuple[int, int, int]]:
    """Maximal runs of one state: (first, end, state)."""
    edges = np.flatnonzero(np.diff(path)) + 1
    starts = np.concatenate(([0], edges))
    ends = np.append(edges, len(path))
    return [(int(a), int(b), int(path[a])) for a, b in zip(starts, ends, strict=True)]


def _span(chart: Chart, geo: Geometry, first: int, last: int, state: int, before: int, path: Ints) -> LostSpan:
    place_beats = geo.signed_beats(state)
    move = geo.signed_beats((state - before) % geo.n_states)
    cause: Cause = "turned round" if move % BEATS_PER_BAR else "skipped" if move > 0 else "repeated"
    # Back in the first bar that does not differ any more; never, if the path never comes home.
    home = np.any(path[(last + 1) * BEATS_PER_BAR :] == 0) and last + 1 < len(chart.bars)
    back = chart.bars[last + 1] if home else None
    # An intro is nobody's chorus: what began in it is told from the first chorus on.
    first_bar = next((bar for bar in chart.bars[first : last + 1] if bar.chorus >= 1), chart.bars[first])
    last_bar = chart.bars[last]
    return LostSpan(
        BarPlace(first_bar.chorus, first_bar.bar),
        BarPlace(last_bar.chorus, last_bar.bar),
        _plain(place_beats),
        cause,
        _back(back),
        0.0,
        first,
        last,
    )


def _back(bar: ChartBar | None) -> Back | None:
    return None if bar is None else Back(bar.chorus, bar.bar, bar.onset_beats)


def _quick_bars(chart: Chart, geo: Geometry) -> list[int]:
    """Bars (index into the chart) that hold a quick change: one other chord between two bars of the same."""
    out: list[int] = []
    code = geo.root_pc * 2 + geo.minor
    n_form = geo.n_states // BAR_STATES
    if n_form < 4:
        return out
    cycle = code.reshape(n_form, BAR_STATES)
    whole = (cycle == cycle[:, :1]).all(axis=1)
    first = (chart.session.loop or (1, 0))[0]
    for bar in chart.bars[: geo.n_beats // BEATS_PER_BAR]:
        i = bar.bar - first
        quick = 2 <= bar.bar <= 3 and 1 <= i < n_form - 1 and whole[i - 1 : i + 2].all()
        if quick and cycle[i, 0] != cycle[i - 1, 0] == cycle[i + 1, 0] and not bar.pedal and not bar.final:
            out.append(bar.idx)
    return out


def _quick_span(chart: Chart, idx: int, probability: float) -> LostSpan:
    bar = chart.bars[idx]
    back = chart.bars[idx + 1] if idx + 1 < len(chart.bars) else None
    where = BarPlace(bar.chorus, bar.bar)
    return LostSpan(where, where, -BEATS_PER_BAR, "missed quick change", _back(back), probability, idx, idx)
