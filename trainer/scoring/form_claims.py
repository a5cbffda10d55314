"""Which of the spans that the form model proposes may be said: the evidence for "elsewhere" against all else it may be.

The model of `form.py` always finds the place that fits best; that a place fits best does not make it true. A span is
weighed here once more, bar by bar, on the bars that can tell the two readings apart and on what counts at changes:
notes on the beats, the first of a bar most, passing notes little. How the player treats a chord is learned outside the
proposed spans. Beside "displaced" stand the other readings, each at its price: the band's own chord; the coming
chord early, the chord before held on; a common substitution (tritone, ♯iv°, the quick change added or left out, I held
over the turnaround); notes of one choice over all chords (a scale, a riff that stays, a pedal). In each bar the best of
them is what "displaced" has to beat; what one bar says is bounded; one bar alone never makes a claim, nor does any
number of them against the roots landed as written.

The numbers are our choice, tuned on the kinds `TUNING` of `tests/sim/strangers.py`.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from trainer.music import Chord
from trainer.scoring.form_notes import BAR_STATES, COMMON_PRACTICE, HALF, Geometry, Votes, degrees_of
from trainer.session import BEATS_PER_BAR, Chart

__all__ = ["Claim", "Proposal", "Weighing"]

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]

SURE_NATS, ASKED_NATS = 4.0, 0.5  # over the best other reading: to be said, to be asked
HALF_BAR_NATS = 7.0  # … to be said of half a bar: a hand two beats late to every change is near
ENOUGH_BARS = 16  # without a proposal, to learn the line from
ALIKE_BARS = 12  # played, to say that they fit every bar alike: fewer may lie under one chord
BAR_NATS = 4.0  # the most that one bar says
RUN_NATS = 0.4  # … that walks up or down a scale all through: passing notes
SPEAKS_NATS = 1.0  # a bar that says so much speaks
SURE_BARS = 2  # that speak, for a claim
RIVAL_NATS = 2.0  # over any other place
STYLE_STRENGTH = 12.0  # notes that common practice counts for beside the take's own, in each kind of beat
LEAST_SHARE = 0.02  # of any note, in any reading
PRICE_SUBSTITUTE, PRICE_USUAL, PRICE_LATE = 0.4, 0.7, 1.0
# Of a chord that comes a bar early or stays a bar long, by how often the take does that elsewhere: bars that common
# practice counts for, and of those such bars.
SHIFTED_OF, SHIFTED = 10.0, 1.0
WEIGHTS = np.array([1.0, 0.7, 1.0, 0.4, 0.2])  # of beats 1–4, of an off-beat
_FIRST, _OFF = 0, 4
BLOCK_BARS, MOST_UNDER = 1024, 64  # judged under one chord at a time, and how many of those are kept


@dataclass(frozen=True, slots=True)
class Proposal:
    """A span of the chart's bars, both ends inclusive, and the displacement (state) that fits it best."""

    first: int
    last: int
    state: int


@dataclass(frozen=True, slots=True)
class Claim:
    """What speaks for a proposal: nats over the best other reading, its bars, and whether it may be said.

    `lean` is what speaks for it over the readings that stand beside any question. `margin` is how much better it fits
    than any other place, `vetoed` that roots landed as written speak against it.
    """

    nats: float
    lean: float
    n_bars: int
    sure: bool
    margin: float
    vetoed: bool

    @property
    def untold(self) -> bool:
        """Whether the player surely was elsewhere, and another place fits nearly as well: where cannot be told."""
        return self.nats >= SURE_NATS and self.margin < RIVAL_NATS and not self.vetoed and self.n_bars > 1

    @property
    def asked(self) -> bool:
        if self.untold:
            return False
        return self.lean >= ASKED_NATS and not self.vetoed and (self.margin > 0.0 or self.n_bars == 1)


class Weighing:
    """A take's notes bar by bar, and how they treat a chord where nothing was proposed: weighs proposals."""

    def __init__(self, chart: Chart, geo: Geometry, votes: Votes, proposals: Sequence[Proposal]) -> None:
        self.chart, self.geo, self.votes = chart, geo, votes
        n_bars = geo.n_beats // BEATS_PER_BAR
        bar = geo.bar_idx[votes.beat]
        self.rows = np.searchsorted(bar, np.arange(n_bars + 1))
        self.state = (geo.band_state[votes.beat] + votes.off) % geo.n_states
        self.counted = votes.weight > 0.2
        inside = np.zeros(n_bars, dtype=np.bool_)
        for each in proposals:
            inside[each.first : each.last + 1] = True
        kind = self.kind = self._kinds(slice(None), 0)
        interval = self._interval(slice(None), 0)
        outside = self.counted & ~inside[bar]
        table = np.zeros((5, 12))
        np.add.at(table, (kind[outside], interval[outside]), 1.0)
        # Of a take that was elsewhere nearly throughout, how the player treats a chord shows only there.
        little = max(0.0, 1.0 - len(np.unique(bar[outside])) / ENOUGH_BARS)
        with_band = table.copy()
        there = self.there = np.zeros(n_bars, dtype=np.intp)
        for each in proposals:
            there[each.first : each.last + 1] = each.state
        for state in np.unique(there[inside]):
            rows = np.flatnonzero(self.counted & inside[bar] & (there[bar] == state))
            moved = self._kinds(rows, int(state)), self._interval(rows, int(state))
            np.add.at(table, moved, little)
            np.add.at(with_band, (kind[rows], interval[rows]), little)
        self.style = self._shares(table, COMMON_PRACTICE[:5])
        self.style_band = self._shares(with_band, COMMON_PRACTICE[:5])
        self.everywhere = self._pitches(np.arange(len(kind)))
        self.said_under: dict[tuple[Chord, int], Floats] = {}
        if proposals:
            quiet = [b for b in range(n_bars) if not inside[b] and self.rows[b] < self.rows[b + 1]]
            self.price_early = self._shift_price([(b, chart.bars[b + 1].chords[0]) for b in quiet if b + 1 < n_bars])
            self.price_stayed = self._shift_price([(b, chart.bars[b - 1].chords[-1]) for b in quiet if b])
            self.price_late = self._late_price(quiet)

    def _shift_price(self, bars: Sequence[tuple[int, Chord]]) -> float:
        """What it costs a bar to be under the chord beside it, in nats: the rarer in this take, the more."""
        n = shifted = 0
        for idx, chord in bars:
            if chord.root_pc != self.chart.bars[idx].chords[0].root_pc:
                rows = slice(int(self.rows[idx]), int(self.rows[idx + 1]))
                n += 1
                shifted += self._under(idx, chord) > float(self._displaced(rows, 0).sum())
        return float(np.log((n + SHIFTED_OF) / (shifted + SHIFTED)))

    def _late_price(self, bars: Sequence[int]) -> float:
        """What it costs a bar to change some beats late, or to go too early: the rarer in this take, the more."""
        n = late = 0
        for idx in bars:
            rows = slice(int(self.rows[idx]), int(self.rows[idx + 1]))
            here = self.chart.bars[idx].chords[0].root_pc
            if (
                idx
                and idx + 1 < len(self.chart.bars)
                and any(self.chart.bars[other].chords[0].root_pc != here for other in (idx - 1, idx + 1))
            ):
                n += 1
                late += max(self._late(idx, rows)) > float(self._displaced(rows, 0).sum()) + PRICE_LATE
        return float(max(PRICE_LATE, np.log((n + SHIFTED_OF) / (late + SHIFTED))))

    def _shares(self, table: Floats, lean: Floats) -> Floats:
        share = (table + STYLE_STRENGTH * lean) / (table.sum(axis=1, keepdims=True) + STYLE_STRENGTH)
        out: Floats = np.log(12.0 * ((1.0 - 12.0 * LEAST_SHARE) * share + LEAST_SHARE))
        return out

    def _pitches(self, rows: Ints) -> Floats:
        """How often each pitch class is on each kind of beat, whatever the chord: (5, 12)."""
        out = np.zeros((5, 12))
        np.add.at(out, (self.kind[rows], self.votes.pc[rows]), self.counted[rows].astype(np.float64))
        return out

    def _scale(self, table: Floats) -> Floats:
        """Nats of each pitch class on each kind of beat, whatever the chord; kinds lean on each other."""
        pool = table.sum(axis=0)
        return self._shares(table, np.repeat((pool + 0.2)[None] / (pool.sum() + 2.4), 5, axis=0))

    def _kinds(self, rows: slice | Ints, state: int | Ints) -> Ints:
        """Beat of the player's own bar, 0 also where a chord of theirs begins, 4 off the beat."""
        place = (self.state[rows] + state) % self.geo.n_states
        off = place % HALF == 1
        begins = self.geo.root_pc[place] != self.geo.root_pc[place - HALF]
        return np.where(off, _OFF, np.where(begins, _FIRST, place % BAR_STATES // HALF))

    def _interval(self, rows: slice | Ints, state: int | Ints) -> Ints:
        place = (self.state[rows] + state) % self.geo.n_states
        steps = (self.votes.pc[rows] - self.geo.root_pc[place]) % 12
        out: Ints = self.geo.degree[place, steps]
        return out

    def _displaced(self, rows: slice | Ints, state: int) -> Floats:
        """Nats of each vote with the player at a displacement."""
        kind = self._kinds(rows, state)
        out: Floats = self.style[kind, self._interval(rows, state)] * self._weight(rows, kind)
        return out

    def _weight(self, rows: slice | Ints, kind: Ints) -> Floats:
        out: Floats = WEIGHTS[kind] * self.counted[rows]
        return out

    def _each_under(self, idx: int, chord: Chord) -> Floats:
        """Nats of each of a bar's votes under a chord of its own, on the band's beats."""
        block = idx // BLOCK_BARS
        first = int(self.rows[block * BLOCK_BARS])
        found = self.said_under.get((chord, block))
        if found is None:
            rows = slice(first, int(self.rows[min((block + 1) * BLOCK_BARS, len(self.rows) - 1)]))
            steps = (self.votes.pc[rows] - chord.root_pc) % 12
            kind = self.kind[rows]
            found = self.style[kind, np.array(degrees_of(chord))[steps]] * self._weight(rows, kind)
            if len(self.said_under) >= MOST_UNDER:
                self.said_under.clear()
            self.said_under[chord, block] = found
        return found[int(self.rows[idx]) - first : int(self.rows[idx + 1]) - first]

    def _under(self, idx: int, chord: Chord) -> float:
        return float(self._each_under(idx, chord).sum())

    def settled(self, span: Proposal) -> tuple[Proposal, Claim]:
        """A proposal and its claim. Half a beat beside whole bars is a loose hand, where whole bars may be said."""
        beside = (span.state + 1) % BAR_STATES - 1
        if abs(beside) == 1:
            whole = replace(span, state=(span.state - beside) % self.geo.n_states)
            claim = self.claim(whole)
            if whole.state and claim.sure:
                return whole, claim
        return span, self.claim(span)

    def claim(self, span: Proposal) -> Claim:
        bars = [idx for idx in range(span.first, span.last + 1) if self._tells(idx, span.state)]
        here = np.concatenate([np.arange(self.rows[b], self.rows[b + 1]) for b in bars] or [np.zeros(0, np.intp)])
        own = self._pitches(here)
        part = span.state % BAR_STATES
        # Half a bar late throughout and two beats late to the changes are one thing heard twice.
        price_late = PRICE_LATE if part else self.price_late
        total, lean, speak, against = 0.0, 0.0, 0, 0
        for idx in bars:
            rows = slice(int(self.rows[idx]), int(self.rows[idx + 1]))
            moved = float(self._displaced(rows, span.state).sum())
            # One choice of notes is learned where it is not tried: in the other bars.
            left_out = self._pitches(np.arange(rows.start, rows.stop))
            scales = (self._scale(self.everywhere - left_out), self._scale(own - left_out))
            near, far = self._others(idx, rows, scales, price_late)
            most = RUN_NATS if self._runs(rows) else BAR_NATS
            gain = float(np.clip(moved - max(near, far), -BAR_NATS, most))
            lean += float(np.clip(moved - near, -BAR_NATS, most))
            total += gain
            speak += gain >= SPEAKS_NATS
            against += gain <= -SPEAKS_NATS
        landed, shifted = self._roots(span)
        vetoed = landed > 0 and 2 * landed >= shifted
        margin = self._margin(span, bars)
        # A part of a bar is a late or an early hand sooner than a lost one, and half a bar next to it.
        least = SURE_NATS if part == 0 else HALF_BAR_NATS if part == BAR_STATES // 2 else np.inf
        sure = total >= least and speak >= SURE_BARS and speak > 2 * against and not vetoed and margin >= RIVAL_NATS
        return Claim(total, lean, len(bars), sure, margin, vetoed)

    def alike(self) -> bool:
        """Whether one choice of notes through all chords says the take surely better than the chords do, these taken
        wherever they were proposed: such notes tell no place. No bar says more than `BAR_NATS`.
        """
        every, bar = slice(None), self.geo.bar_idx[self.votes.beat]
        kind = self._kinds(every, self.there[bar])
        chords = self.style[kind, self._interval(every, self.there[bar])] * self._weight(every, kind)
        choice = self._scale(self.everywhere)[self.kind, self.votes.pc] * self._weight(every, self.kind)
        said = np.bincount(bar, chords - choice)
        few = len(np.unique(bar)) < ALIKE_BARS
        return not few and float(np.clip(said, -BAR_NATS, BAR_NATS).sum()) <= -SURE_NATS

    def stayed(self, idx: int) -> float:
        """What speaks for the chord before held on in a bar, over its own and over one choice of notes: nats."""
        rows = slice(int(self.rows[idx]), int(self.rows[idx + 1]))
        kind = self.kind[rows]
        scale = self._scale(self.everywhere - self._pitches(np.arange(rows.start, rows.stop)))
        others = (
            float(self._displaced(rows, 0).sum()),
            float((scale[kind, self.votes.pc[rows]] * self._weight(rows, kind)).sum()),
        )
        return self._under(idx, self.chart.bars[idx - 1].chords[-1]) - max(others)

    def _tells(self, idx: int, state: int) -> bool:
        """Whether a bar holds votes and the two readings differ in its chords."""
        geo = self.geo
        rows = slice(int(self.rows[idx]), int(self.rows[idx + 1]))
        place = self.state[rows]
        there = (place + state) % geo.n_states
        differs = (geo.root_pc[place] != geo.root_pc[there]) | (geo.minor[place] != geo.minor[there])
        return bool(np.any(differs & self.counted[rows]))

    def _others(self, idx: int, rows: slice, scales: Sequence[Floats], price_late: float) -> tuple[float, float]:
        """The most that readings but "displaced" make of a bar, in nats, their price taken off.

        First those that stand beside any question (the band's chord, one choice of notes in the whole take, a named
        substitution), then those beside a claim: the chord of a bar beside it, one choice of notes in these bars.
        """
        kind, pc = self.kind[rows], self.votes.pc[rows]
        weight = self._weight(rows, kind)
        interval = self._interval(rows, 0)
        choices = [(each[kind, interval] * weight).sum() for each in (self.style, self.style_band)]
        choices += [(each[kind, pc] * weight).sum() for each in scales]
        own = choices.pop()
        near = max(*choices, *(self._under(idx, chord) - price for chord, price in self._substitutes(idx)))
        beside = [self._under(idx, chord) - price for chord, price in self._beside(idx)]
        beside += [said - price_late for said in self._late(idx, rows)]
        return float(near), float(max(own, *beside))

    def _beside(self, idx: int) -> Iterator[tuple[Chord, float]]:
        """The coming chord early and the chord before held on."""
        bars = self.chart.bars
        if idx + 1 < len(bars):
            yield bars[idx + 1].chords[0], self.price_early
        if idx:
            yield bars[idx - 1].chords[-1], self.price_stayed

    def _late(self, idx: int, rows: slice) -> Iterator[float]:
        """Nats of a bar whose chord comes one to three beats late, or goes so much too early."""
        bars = self.chart.bars
        kind = self.kind[rows]
        beat = self.votes.beat[rows] % BEATS_PER_BAR
        own = self.style[kind, self._interval(rows, 0)] * self._weight(rows, kind)
        for other, late in ((idx - 1, True), (idx + 1, False)):
            if not 0 <= other < len(bars):
                continue
            chord = bars[other].chords[-1 if late else 0]
            theirs = self._each_under(idx, chord)
            for k in range(1, BEATS_PER_BAR):
                first = beat < k if late else beat >= BEATS_PER_BAR - k
                yield float(np.where(first, theirs, own).sum())

    def _runs(self, rows: slice) -> bool:
        """Whether a bar's notes walk up or down by steps all through."""
        step = np.diff(self.votes.pc[rows]) % 12
        return len(step) >= 3 and bool(np.all((step == 1) | (step == 2)) or np.all((step == 11) | (step == 10)))

    def _substitutes(self, idx: int) -> Iterator[tuple[Chord, float]]:
        """Chords that a player may put in place of a bar's, by common practice, and what each costs in nats."""
        bars, tonic = self.chart.bars, self.geo.tonic_pc
        bar = bars[idx]
        here = bar.chords[0]
        one = self.chart.form_chords[0][0]
        four = Chord("", (tonic + 5) % 12, one.quality)
        yield Chord("", (here.root_pc + 6) % 12, "7"), PRICE_SUBSTITUTE
        if here.root_pc == four.root_pc:
            yield Chord("", (tonic + 6) % 12, "dim7"), PRICE_SUBSTITUTE
        if bar.bar == 2:
            yield four, 0.0
            yield one, 0.0
        if bar.turnaround:
            yield one, PRICE_USUAL
            yield Chord("", (tonic + 7) % 12, "7"), PRICE_USUAL

    def _roots(self, span: Proposal) -> tuple[int, int]:
        """Roots landed as written where "displaced" has another root, and landed where only "displaced" changes."""
        geo = self.geo
        rows = slice(int(self.rows[span.first]), int(self.rows[span.last + 1]))
        band = self.state[rows]
        own = (band + span.state) % geo.n_states
        pc, on = self.votes.pc[rows], ~self.votes.off[rows] & self.counted[rows]
        here, there = geo.root_pc[band], geo.root_pc[own]
        band_changes, own_changes = here != geo.root_pc[band - HALF], there != geo.root_pc[own - HALF]
        landed = on & band_changes & (pc == here) & (here != there)
        shifted = on & own_changes & (pc == there) & ~(band_changes & (here == there))
        return int(np.count_nonzero(landed)), int(np.count_nonzero(shifted))

    def _margin(self, span: Proposal, bars: Sequence[int]) -> float:
        """Nats by which a place fits these bars better than any other, as far away by whole bars.

        A place with the same chords there is another only if it is as near to the band: of those the nearest is meant.
        """
        if not bars:
            return 0.0
        rows = np.concatenate([np.arange(self.rows[b], self.rows[b + 1]) for b in bars])
        said = self._all(rows, self.votes.pc[rows])
        here = self._chords(rows, span.state)
        margin, far = np.inf, abs(self.geo.signed_beats(span.state))
        for state in range(span.state % BAR_STATES, self.geo.n_states, BAR_STATES):
            rest = float(said[span.state] - said[state])
            if state in (0, span.state) or rest >= margin:
                continue
            if abs(self.geo.signed_beats(state)) <= far or not np.array_equal(self._chords(rows, state), here):
                margin = rest
        return margin

    def _chords(self, rows: Ints, state: int) -> Ints:
        place = (self.state[rows] + state) % self.geo.n_states
        out: Ints = self.geo.root_pc[place] * 2 + self.geo.minor[place]
        return out

    def _all(self, rows: Ints, pc: Ints) -> Floats:
        """Nats of some votes at every displacement: (n_states,)."""
        geo = self.geo
        states = np.arange(geo.n_states)
        place = (self.state[rows][:, None] + states[None, :]) % geo.n_states
        off = place % HALF == 1
        begins = geo.root_pc[place] != geo.root_pc[place - HALF]
        kind = np.where(off, _OFF, np.where(begins, _FIRST, place % BAR_STATES // HALF))
        interval = geo.degree[place, (pc[:, None] - geo.root_pc[place]) % 12]
        weight = WEIGHTS[kind] * self.counted[rows][:, None]
        out: Floats = (self.style[kind, interval] * weight).sum(axis=0)
        return out
