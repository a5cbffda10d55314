"""What the notes say of the player's place in the form: the evidence under `form.py`'s hidden Markov model.

Each half-beat the notes vote, one vote a pitch class. A vote is worth the log of how much likelier it is, with the
player at a place, than a note that says nothing. How likely it is, is learned from the take itself:

- shares of the twelve intervals above the chord's root by kind of beat (landing on a change, held, leading on, …): a
  chorus leans on its role, a kind of beat on all the others, those on a prior, each as hard as predicts the take best.
  A chord's own third, fifth and seventh count alike whatever its quality;
- the line's own habits: how an interval follows the one or two before it at the same place of the bar (a riff, a
  walker's stock of bars), leaning on those shares as hard as predicts the take best, and left out where they predict
  no better (a line that is new in every bar);
- before a change of chord, a mixture of the chord still held and the one to come; in a last bar that no session pins,
  of the chord written and the tonic held on, where the take shows such notes; how many is the take's own, too.

A share of the notes follows common practice whatever the line, so that a figure new in its bar is no slip.

The tables are filled with the player where the last look put them (expectation-maximisation, the path by Viterbi), and
no vote speaks for itself: its own count is left out wherever it would be read back. Numbers are our choice, tuned on
variant "a" of the simulated players of `tests/sim/players.py`.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from trainer.music import Chord
from trainer.scoring.form_chain import BAR_STATES, HALF, Pieces
from trainer.session import BEATS_PER_BAR, Chart

__all__ = [
    "BAR_STATES",
    "COMMON_PRACTICE",
    "HALF",
    "Geometry",
    "Votes",
    "degrees_of",
    "evidence",
    "first_look",
    "geometry",
    "votes_of",
]

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]
Bools = NDArray[np.bool_]

# Prior weight of each interval above the chord's root (index 0–11), by strength of the beat; our choice, in the
# spirit of common practice: roots on 1, chord tones on 3, chord tones and passing notes between.
COMMON_PRACTICE = np.array(
    [
        # 1    b2    2     b3    3     4     b5    5     b6    6     b7    7
        [0.55, 0.01, 0.03, 0.03, 0.10, 0.02, 0.01, 0.12, 0.01, 0.03, 0.06, 0.02],  # beat 1, the chord held over
        [0.26, 0.02, 0.05, 0.05, 0.16, 0.05, 0.03, 0.19, 0.02, 0.08, 0.07, 0.02],  # beat 2
        [0.33, 0.02, 0.04, 0.04, 0.14, 0.04, 0.02, 0.22, 0.02, 0.06, 0.06, 0.01],  # beat 3
        [0.24, 0.03, 0.06, 0.05, 0.14, 0.06, 0.04, 0.18, 0.03, 0.08, 0.07, 0.02],  # beat 4
        [0.22, 0.03, 0.06, 0.06, 0.14, 0.06, 0.03, 0.17, 0.03, 0.09, 0.09, 0.02],  # any off-beat
        [0.75, 0.01, 0.02, 0.02, 0.06, 0.01, 0.01, 0.07, 0.01, 0.02, 0.03, 0.01],  # the beat of a change
        # Above the *next* root: the last beat before a change, and its off-beat.
        [0.10, 0.18, 0.12, 0.03, 0.04, 0.06, 0.03, 0.12, 0.02, 0.02, 0.10, 0.18],
        [0.22, 0.14, 0.10, 0.03, 0.04, 0.06, 0.03, 0.12, 0.02, 0.02, 0.08, 0.14],
    ]
)
COMMON_PRACTICE /= COMMON_PRACTICE.sum(axis=1, keepdims=True)
_KINDS = 8
_OFF, _LANDS, _LEADS, _LEADS_OFF = 4, 5, 6, 7
_CELLS = 12 * _KINDS
_FLOOR = 0.01  # share of notes that mean nothing
_COMMON = 0.1  # share of notes that follow common practice, not the take's own line: a figure new in its bar
_CAP = 5.0  # largest weight of one vote against a note that says nothing, in nats
_BEAT_CAP = 8.0  # … and of all the votes of a beat
_NEVER = 1e9  # notes that anything counts for which is never moved
_POOL_STRENGTH = 10.0  # notes that the prior counts for beside the take's own, all kinds of beat together
_KIND_STRENGTHS = (1.0, 3.0, 10.0, 30.0)  # … that those count for in one kind of beat: the best of these
_COMING_STRENGTH = 3.0  # … that the prior counts for above the chord to come
_REST_STRENGTHS = (_NEVER, 60.0, 15.0)  # … that the rest of the take counts for in one chorus: the best of these
_REST_NATS = 3.0  # what a chorus of its own has to gain
_LEAD_SHARE, _LEAD_STRENGTH = 0.4, 2.0  # of the notes before a change that look ahead, and what that counts for
_HELD_SHARE, _HELD_STRENGTH = 0.3, 3.0  # of the notes of a free last bar that hold the tonic on
_MIX_NATS = 8.0  # what looking ahead, or holding the tonic on, has to gain to be read at all
_LEAD_KINDS = 4  # before no change, on the last beat of a bar, on another, off the beat
_LEANS = (1.0, 3.0, 10.0, 40.0)  # notes that the shares count for beside the line's habits: the best of these
_HABIT_NATS = 10.0  # what habits have to gain to be read at all
_ROUNDS = 5
_LEAST = 1e-4
_NONE = 12  # no interval before this one
_BLOCK = 4096  # votes judged at a time
PIECE_BEATS = 4096  # judged at a time: an hour and more is one piece
_DROP_OUT_WEIGHT = 0.5  # the band is silent: the beat axis itself is loose
_PEDAL_WEIGHT = 0.04
_HELD_BAR_WEIGHT = 0.4  # one note for a bar in a line that moves: a pedal cut short, or the chord before held on
_RUN_WEIGHT = 0.1
_WINDOW_BEATS = 6  # half the first look's window


@dataclass(frozen=True)
class Geometry:
    """The form as the model sees it: one cycle of `n_states` half-beats, and the band's place at each beat.

    `root_pc`, `minor` (n_states,): the chord at each place; `degree` (n_states, 12): what each semitone above its root
    is to it (`degrees_of`). `beats` (t,): every beat of the chart, from its first; `band_state` (t,): the band's place
    there in half-beats; `told` (t,): False where nothing can be told (the last bar, an intro from outside the loop);
    `bar_idx` (t,) counts `Chart.bars`.
    """

    n_states: int
    root_pc: Ints
    minor: NDArray[np.bool_]
    degree: Ints
    turnaround: NDArray[np.bool_]
    tonic_pc: int
    first_beats: int
    band_state: Ints
    told: NDArray[np.bool_]
    weight: Floats
    bar_idx: Ints
    group: Ints
    role: Ints

    @property
    def n_beats(self) -> int:
        return len(self.band_state)

    def until(self, n_beats: int) -> Geometry:
        """The same form over the chart's first beats alone."""
        of_beat = ("band_state", "told", "weight", "bar_idx", "group", "role")
        return replace(self, **{name: getattr(self, name)[:n_beats] for name in of_beat})

    def signed_beats(self, state: int) -> float:
        """Nearest signed distance of a displacement, in beats; half a form away counts as behind."""
        half = self.n_states // 2
        return ((state + half) % self.n_states - half) / HALF


def geometry(chart: Chart) -> Geometry:
    """The model's geometry of a chart (see `Geometry`)."""
    n_form = len(chart.form_chords)
    first, last = chart.session.loop or (1, n_form)
    chords = list(itertools.chain.from_iterable(chart.form_chords[first - 1 : last]))
    a_bar = np.array([len(of_bar) for of_bar in chart.form_chords[first - 1 : last]])
    shares = np.repeat(BAR_STATES // a_bar, a_bar)
    free_from = n_form - 2 if n_form >= 4 and not chart.turnaround_pinned else n_form  # bars of a turnaround come after
    bar_state = np.array([(bar.bar - first) * BAR_STATES for bar in chart.bars])
    told, weight = _told_and_weight(chart, first, last)
    roles = {role: i for i, role in enumerate(dict.fromkeys(bar.role for bar in chart.bars))}
    bar_idx = np.repeat(np.arange(len(chart.bars)), BEATS_PER_BAR)
    n_states = int(shares.sum())
    steps = HALF * (np.arange(len(bar_idx)) % BEATS_PER_BAR)
    return Geometry(
        n_states=n_states,
        root_pc=np.repeat([chord.root_pc for chord in chords], shares),
        minor=np.repeat([chord.is_minor for chord in chords], shares),
        degree=np.repeat(np.array([degrees_of(chord) for chord in chords], dtype=np.intp), shares, axis=0),
        turnaround=np.repeat(np.arange(first, last + 1) > free_from, BAR_STATES),
        tonic_pc=chart.key.tonic_pc,
        first_beats=round(chart.first_beats),
        band_state=(bar_state[bar_idx] + steps) % n_states,
        told=told[bar_idx],
        weight=weight[bar_idx],
        bar_idx=bar_idx,
        group=np.array([bar.chorus for bar in chart.bars])[bar_idx],
        role=np.array([roles[bar.role] for bar in chart.bars])[bar_idx],
    )


def _told_and_weight(chart: Chart, first: int, last: int) -> tuple[Bools, Floats]:
    """Whether a bar can tell where the player is, and how much its notes weigh: (n_bars,) each."""
    told = np.array([first <= bar.bar <= last and not bar.final for bar in chart.bars])
    weight = [0.0 if bar.pedal else _DROP_OUT_WEIGHT if bar.drop_out else 1.0 for bar in chart.bars]
    return told, np.where(told, weight, 0.0)


@dataclass(frozen=True)
class Votes:
    """One row per pitch class and half-beat, in the order played.

    `beat` counts the chart's beats from its first; `off` marks off-beats.
    """

    beat: Ints
    off: NDArray[np.bool_]
    pc: Ints
    weight: Floats

    def __len__(self) -> int:
        return len(self.beat)


def _half_beats(onset_beats: Floats, swing_ratio: float) -> Ints:
    """Nearest half-beat of each onset, with the off-beat where the swing puts it: (n,) in, (n,) out."""
    whole = np.floor(onset_beats)
    phase = onset_beats - whole
    off = swing_ratio / (1.0 + swing_ratio)
    early = 0.5 * min(off, 1.0 / 3.0)
    step = (phase >= early).astype(np.intp) + (phase >= 0.5 * (off + 1.0))
    return np.asarray(HALF * whole, dtype=np.intp) + step


def votes_of(geo: Geometry, swing_ratio: float, onset_beats: Floats, pitches: Floats) -> Votes:
    """The votes of notes sorted by onset: (n,) arrays in. A chromatic run or an unplanned pedal weighs little."""
    q = _half_beats(onset_beats, swing_ratio) - HALF * geo.first_beats
    pc = np.rint(pitches).astype(np.intp) % 12
    inside = (q >= 0) & (q < HALF * geo.n_beats)
    weight = np.ones(len(q))
    _discount_runs(np.rint(pitches), onset_beats, q % HALF == 1, weight)
    _discount_pedals(geo, q, pc, inside, weight)
    q, pc, weight = q[inside], pc[inside], weight[inside]
    beat, off = q // HALF, q % HALF == 1
    # The first of each pitch class in a half-beat, in the order played.
    order = np.lexsort((np.arange(len(q)), pc, q))
    new = np.ones(len(q), dtype=np.bool_)
    new[1:] = (np.diff(q[order]) != 0) | (np.diff(pc[order]) != 0)
    kept = np.sort(order[new])
    beat, off, pc, weight = beat[kept], off[kept], pc[kept], weight[kept]
    return Votes(beat, off, pc, weight * geo.weight[beat])


def _discount_runs(pitch: Floats, onset_beats: Floats, off: Bools, weight: Floats) -> None:
    """Notes of three or more semitone steps one way say next to nothing; the last one does if it lands on a beat."""
    if len(pitch) < 5:
        return
    step = np.diff(pitch)
    near = np.diff(onset_beats) <= 1.5
    for way in (1.0, -1.0):
        hit = np.concatenate(([False], (step == way) & near, [False]))
        edges = np.flatnonzero(np.diff(hit.astype(np.int8)))
        for start, end in zip(edges[::2], edges[1::2], strict=True):
            if end - start >= 3:
                weight[start : end + off[end]] *= _RUN_WEIGHT


def _discount_pedals(geo: Geometry, q: Ints, pc: Ints, inside: NDArray[np.bool_], weight: Floats) -> None:
    """One repeated I or V against the chords, where the player's own line is not made of single notes anyway."""
    n = len(pc)
    if n < 8:
        return
    starts = np.concatenate(([0], np.flatnonzero((np.diff(pc) != 0) | (np.diff(q) > 2 * BAR_STATES)) + 1))
    ends = np.append(starts[1:], n)
    length = q[ends - 1] - q[starts]
    beat = np.clip(q // HALF, 0, geo.n_beats - 1)
    wrong = inside & (geo.root_pc[geo.band_state[beat]] != pc)
    n_wrong = np.add.reduceat(wrong, starts)
    runs = (ends - starts >= 4) & (length >= BAR_STATES - HALF)
    plain = float((ends - starts)[runs].sum()) / n > 0.5  # a line of roots: a held note is how it always looks
    is_frame = (pc[starts] == geo.tonic_pc) | (pc[starts] == (geo.tonic_pc + 7) % 12)
    long = length >= (3 * BAR_STATES if plain else 2 * BAR_STATES - HALF * 2)
    little = 0.5 if plain else _PEDAL_WEIGHT
    share = n_wrong / (ends - starts)
    for i in np.flatnonzero(runs & is_frame & (long | (not plain)) & (n_wrong >= 3) & (share > 0.2)):
        weight[starts[i] : ends[i]] *= little if long[i] else _HELD_BAR_WEIGHT


# --- what each note would be at each place ---------------------------------------------------------------------------


def degrees_of(chord: Chord) -> list[int]:
    """What each semitone above the root is: the chord's own third, fifth and seventh count as 4, 7 and 10."""
    out = list(range(12))
    for own, usual in ((chord.third, 4), (chord.fifth, 7), (chord.seventh, 10)):
        if own is not None:
            i, j = out.index(own), out.index(usual)
            out[i], out[j] = out[j], out[i]
    return out


def _intervals(root_pc: Ints, degree: Ints) -> Ints:
    """What each pitch class is above each place's root: (n_states,) and (n_states, 12) in, (12, n_states) out."""
    steps = (np.arange(12)[:, None] - root_pc[None, :]) % 12
    out: Ints = degree[np.arange(len(root_pc))[None, :], steps]
    return out


@dataclass(frozen=True)
class _Tables:
    """What a pitch class is at each place of the form, (12, n_states), and what each place is, (n_states,).

    `here`, `coming`, `tonic` are cells of the shares (kind of beat, interval): above the place's own root, that of the
    next beat, the key's tonic. `lead` is 0 where no change follows, else 1 on the last beat of a bar, 2 on another,
    3 off the beat; `free` is a turnaround that no session pins.
    """

    interval: Ints
    here: Ints
    coming: Ints
    tonic: Ints
    slot: Ints
    lead: Ints
    free: Bools


def _tables(geo: Geometry) -> _Tables:
    state = np.arange(geo.n_states)
    slot, off = state % BAR_STATES, state % HALF == 1
    beat = state - off
    ahead, before = (beat + HALF) % geo.n_states, (beat - HALF) % geo.n_states
    landed = ~off & (geo.root_pc[before] != geo.root_pc)
    kind = np.where(landed, _LANDS, np.where(off, _OFF, slot // HALF))
    interval = _intervals(geo.root_pc, geo.degree)
    plain = np.broadcast_to(np.arange(12), geo.degree.shape)
    tonic = np.full(geo.n_states, geo.tonic_pc)
    lead = np.where(off, 3, np.where(slot == BAR_STATES - HALF, 1, 2))
    return _Tables(
        interval=interval,
        here=kind * 12 + interval,
        coming=np.where(off, _LEADS_OFF, _LEADS) * 12 + _intervals(geo.root_pc[ahead], plain),
        tonic=kind * 12 + _intervals(tonic, np.broadcast_to(geo.degree[0], geo.degree.shape)),
        slot=slot,
        lead=np.where(geo.root_pc[ahead] != geo.root_pc, lead, 0),
        free=geo.turnaround,
    )


def _displaced(table: NDArray[Any], row: Ints | int, place: Ints) -> NDArray[Any]:
    """Rows of a table of places, (rows, n_states), as displacements see them from `place`: (r, n_states)."""
    n = table.shape[1]
    out: NDArray[Any] = sliding_window_view(np.concatenate((table, table), axis=1), n, axis=1)[row, place]
    return out


# --- what is learned of the line -------------------------------------------------------------------------------------


class _Line:
    """What a take's own notes say of its line, with the player where `path` puts them. Counts are soft."""

    def __init__(self, geo: Geometry, votes: Votes, path: Ints) -> None:
        self.votes, self.tables, n = votes, _tables(geo), geo.n_states
        tables, beat, rows = self.tables, votes.beat, np.arange(len(votes))
        self.place = (geo.band_state[beat] + votes.off) % n
        self.chorus, self.role = geo.group[beat], geo.role[beat]
        self.n_choruses, self.n_roles = int(geo.group.max(initial=0)) + 1, int(geo.role.max(initial=0)) + 1
        self.role_of = np.zeros(self.n_choruses, dtype=np.intp)
        self.role_of[geo.group] = geo.role
        half = HALF * beat + votes.off
        self.follows = (rows >= 1) & (half - np.roll(half, 1) <= 2 * HALF)
        self.follows_two = self.follows & np.roll(self.follows, 1)
        self.used = (votes.weight > 0.2).astype(np.float64)
        # Where each vote is counted, with the player where the last look put them.
        moved = path[beat]
        self.at = at = (self.place + moved) % n
        self.interval = tables.interval[votes.pc, at]
        self.here, self.coming, self.tonic = (
            self.chorus * _CELLS + table[votes.pc, at] for table in (tables.here, tables.coming, tables.tonic)
        )
        self.lead = self.role * _LEAD_KINDS + tables.lead[at]
        self.leads, self.free = tables.lead[at] > 0, tables.free[at]
        last = [tables.interval[np.roll(votes.pc, k), (np.roll(self.place, k) + moved) % n] for k in (1, 2)]
        self.habit, self.one, self.two = self._contexts(rows, tables.slot[at], last[0], last[1])
        self._learn()

    def _contexts(self, rows: Ints, slot: Ints, last: Ints, earlier: Ints) -> tuple[Bools, Ints, Ints]:
        """Whether a vote has one before it in its bar, and the cells of what came before: one interval, and two."""
        habit = self.follows[rows] & (slot != 0)
        twice = habit & self.follows_two[rows]
        one = (self.role[rows] * BAR_STATES + slot) * (_NONE + 1) + np.where(habit, last, _NONE)
        return habit, one, one * (_NONE + 1) + np.where(twice, earlier, _NONE)

    # Shares of the intervals.

    def _learn(self) -> None:
        nothing = np.zeros(len(self.used))
        self.part_here, self.part_coming, self.part_tonic = self.used, nothing, nothing
        self._choose_strength()
        unmixed = _said(self._without(self.here, self.part_here))
        self.lead_prior = np.full(self.n_roles * _LEAD_KINDS, _LEAD_SHARE)
        self.lead_prior[::_LEAD_KINDS] = 0.0
        self.held_prior = np.full(self.n_roles, _HELD_SHARE)
        self.lead_share, self.held_share = self.lead_prior.copy(), self.held_prior.copy()
        for _ in range(_ROUNDS):
            mixed = self._mix()
        gain = self.used * (mixed - unmixed)
        free = self.free & ~self.leads
        for share, prior, cell, those in (
            (self.lead_share, self.lead_prior, self.lead, self.leads),
            (self.held_share, self.held_prior, self.role, free),
        ):
            idle = np.bincount(cell, gain * those, len(share)) < _MIX_NATS
            share[idle] = prior[idle] = 0.0
        self._mix()
        self._judge_habits()

    def _choose_strength(self) -> None:
        """How much each kind of beat leans on all the others: what predicts the take best, vote by vote left out."""
        self.rest_strength = np.full(self.n_roles, _NEVER)
        cell = self.role * _KINDS + self.here // 12 % _KINDS
        best = np.full((self.n_roles, _KINDS), -np.inf)
        chosen = np.full((self.n_roles, _KINDS), _COMING_STRENGTH)
        for strength in _KIND_STRENGTHS:
            self.strength = np.full((self.n_roles, _KINDS), strength)
            self._count()
            said = self.used * _said(self._without(self.here, self.part_here))
            told = np.bincount(cell, said, best.size).reshape(best.shape)
            better = (told > best) & (np.arange(_KINDS) < _LEADS)
            best[better], chosen[better] = told[better], strength
        self.strength = chosen
        least, rest = np.full(self.n_roles, -np.inf), self.rest_strength
        for strength in _REST_STRENGTHS:
            self.rest_strength = np.full(self.n_roles, strength)
            self._count()
            said = self.used * _said(self._without(self.here, self.part_here))
            gain = np.bincount(self.role, said, self.n_roles) - (_REST_NATS if strength < _NEVER else 0.0)
            rest = np.where(gain > least, strength, rest)
            least = np.maximum(gain, least)
        self.rest_strength = rest
        self._count()

    def _count(self) -> None:
        size = self.n_choruses * _CELLS
        flat = np.bincount(self.here, self.part_here, size)
        flat += np.bincount(self.coming, self.part_coming, size)
        flat += np.bincount(self.tonic, self.part_tonic, size)
        self.counts = flat.reshape(self.n_choruses, _KINDS, 12)
        by_role = np.zeros((self.n_roles, _KINDS, 12))
        np.add.at(by_role, self.role_of, self.counts)
        pool = by_role[:, :_LEADS].sum(axis=1)
        self.n_pool = _POOL_STRENGTH + pool.sum(axis=1)
        lean = np.repeat(COMMON_PRACTICE[None], self.n_roles, axis=0)
        lean[:, :_LEADS] = (_POOL_STRENGTH * lean[:, :_LEADS] + pool[:, None]) / self.n_pool[:, None, None]
        self.role_counts = self.strength[:, :, None] * lean + by_role
        self.n_role = self.role_counts.sum(axis=2)
        self.n_chorus = self.counts.sum(axis=2)
        lean = (self.role_counts / self.n_role[:, :, None])[self.role_of]
        rest = self.rest_strength[self.role_of][:, None, None]
        moved = (rest * lean + self.counts) / (rest + self.n_chorus[:, :, None])
        self.shares = np.where(rest < _NEVER, moved, lean)

    def _without(self, cell: Ints, part: Floats) -> Floats:
        """The share in each vote's own cell with the vote's own part left out."""
        chorus, kind, interval = cell // _CELLS, cell // 12 % _KINDS, cell % 12
        role = self.role_of[chorus]
        pooled = np.where(kind < _LEADS, self.strength[role, kind] * part / self.n_pool[role], 0.0)
        lean = (self.role_counts[role, kind, interval] - part - pooled) / (self.n_role[role, kind] - part)
        if np.any(self.rest_strength < _NEVER):
            rest = self.rest_strength[role]
            own = rest * lean + self.counts[chorus, kind, interval] - part
            lean = np.where(rest < _NEVER, own / (rest + self.n_chorus[chorus, kind] - part), lean)
        least: Floats = np.maximum(lean, _LEAST)
        return least

    def _mix(self) -> Floats:
        """One round of expectation-maximisation: part each vote between the chord held, to come, the tonic held on.

        Returns the nats each vote says, itself left out.
        """
        ahead = self.lead_share[self.lead]
        held = np.where(self.free, self.held_share[self.role], 0.0) * (1.0 - ahead)
        here = (1.0 - ahead - held) * self._without(self.here, self.part_here)
        coming = ahead * self._without(self.coming, self.part_coming)
        tonic = held * self._without(self.tonic, self.part_tonic)
        total = here + coming + tonic
        self.part_here, self.part_coming, self.part_tonic = (self.used * each / total for each in (here, coming, tonic))
        n = len(self.lead_share)
        self.lead_share = (self.lead_prior * _LEAD_STRENGTH + np.bincount(self.lead, self.part_coming, n)) / (
            _LEAD_STRENGTH + np.bincount(self.lead, self.used, n)
        )
        free = self.free & ~self.leads
        self.held_share = (
            self.held_prior * _HELD_STRENGTH + np.bincount(self.role, self.part_tonic * free, self.n_roles)
        ) / (_HELD_STRENGTH + np.bincount(self.role, self.used * free, self.n_roles))
        self._count()
        return _said(total)

    # The line's own habits.

    def _judge_habits(self) -> None:
        """How hard the habits lean on the shares, of each role: what predicts the take best, vote by vote left out."""
        self.part_habit = self.part_here * self.habit
        n_one = self.n_roles * BAR_STATES * (_NONE + 1)
        self.followed_one = np.bincount(self.one * 12 + self.interval, self.part_habit, n_one * 12)
        self.followed_two = np.bincount(self.two * 12 + self.interval, self.part_habit, n_one * (_NONE + 1) * 12)
        self.n_one = self.followed_one.reshape(-1, 12).sum(axis=1)
        self.n_two = self.followed_two.reshape(-1, 12).sum(axis=1)
        self.lean_one, self.lean_two = np.full(self.n_roles, _NEVER), np.full(self.n_roles, _NEVER)
        told = np.flatnonzero(self.part_habit > 0.0)
        here = self._without(self.here[told], self.part_here[told])
        part, role = self.part_habit[told], self.role[told]
        followed = self._followed(self.one[told], self.two[told], self.interval[told], told)
        least = np.bincount(role, _said(here) * part, self.n_roles) + _HABIT_NATS
        for lean in (self.lean_one, self.lean_two):  # one interval before; two, on top of it
            for strength in _LEANS:
                trial = np.full(self.n_roles, strength)
                one, two = (trial, self.lean_two) if lean is self.lean_one else (self.lean_one, trial)
                gain = np.bincount(role, _said(_leaning(here, followed, one[role], two[role])) * part, self.n_roles)
                better = gain > least
                least[better], lean[better] = gain[better], strength
        self.habits = (self.lean_one < _NEVER) | (self.lean_two < _NEVER)

    def _followed(self, one: Ints, two: Ints, interval: Ints, rows: Ints | None = None) -> tuple[Floats, ...]:
        """How often an interval followed the one before and out of how many, and the two before, cell by cell.

        With `rows`, the votes that the cells are of, a vote's own part is left out.
        """
        out: tuple[NDArray[Any], ...] = (
            self.followed_one.take(one * 12 + interval),
            self.n_one.take(one),
            self.followed_two.take(two * 12 + interval),
            self.n_two.take(two),
        )
        if rows is None:
            return out
        mine = np.flatnonzero(one == self.one[rows])
        of = rows[mine]
        part = self.part_habit[of]
        same = interval[mine] == self.interval[of]
        also = two[mine] == self.two[of]
        for counts, own in zip(out, (part * same, part, part * same * also, part * also), strict=True):
            counts[mine] = np.maximum(counts[mine] - own, 0.0)
        return out

    # What the votes say.

    def says(self, rows: Ints, tables: _Tables | None = None) -> Floats:
        """Nats of the votes `rows` (consecutive, (r,)) at each displacement, against a note that says nothing, capped.

        A vote's own part is left out wherever it would be read back: (r, n_states). Votes that say the same are worked
        out once, first as if they were not counted, then in the cells in which they are.
        """
        tables = tables or self.tables
        word, of = self._words(rows)
        kind, like = np.unique((of * len(tables.slot) + self.at[rows]) * 2 + (self.used[rows] > 0.0), True, True)[1:]
        of, vote, every = of[kind], rows[kind, None], np.arange(len(tables.slot))
        said = self._nats(tables, word[:, None], every)[of]
        mine = tables.here[self.votes.pc[rows[kind]]] == self.here[vote] % _CELLS
        if np.any(self.lead_share):
            mine |= tables.coming[self.votes.pc[rows[kind]]] == self.coming[vote] % _CELLS
        if np.any(self.habits[self.role[rows]]):
            mine |= self._before(tables, word[:, None], every)[1][of] == self.one[vote]
        row, at = np.nonzero(mine)
        said[mine] = self._nats(tables, rows[kind[row]], at, counted=True)
        out = _displaced(said, like, self.place[rows])
        out *= self.votes.weight[rows][:, None]
        return out

    def _words(self, rows: Ints) -> tuple[Ints, Ints]:
        """Votes of which no two say the same, (w,), and which of these each vote says as much as, (r,)."""
        own = self.rest_strength[self.role[rows]] < _NEVER
        code = self.role[rows] * self.n_choruses + np.where(own, self.chorus[rows], 0)
        code = code * 12 + self.votes.pc[rows]
        if np.any(self.habits[self.role[rows]]):
            n = len(self.tables.slot)
            for k, follows in ((1, self.follows), (2, self.follows_two)):
                before = np.maximum(rows - k, 0)
                back = (self.place[rows] - self.place[before]) % n * 12 + self.votes.pc[before]
                code = code * (12 * n + 1) + np.where(follows[rows], 1 + back, 0)
        first, of = np.unique(code, return_index=True, return_inverse=True)[1:]
        return rows[first], of

    def _nats(self, tables: _Tables, vote: Ints, at: Ints, counted: bool = False) -> Floats:
        """Nats of votes at places of the form, cell by cell; where they were `counted` their own part is left out."""
        pc, chorus = self.votes.pc[vote], self.chorus[vote] * _CELLS
        here, shares = tables.here[pc, at], self.shares.ravel()
        share: Floats = shares[chorus + here]
        if counted:
            own = here == self.here[vote] % _CELLS
            share[own] = self._without(self.here[vote[own]], self.part_here[vote[own]])
        if np.any(self.habits[self.role[vote]]):
            self._by_habit(tables, vote, at, share, counted)
        if np.any(self.lead_share) or np.any(self.held_share):
            role = self.role[vote]
            ahead = self.lead_share[role * _LEAD_KINDS + tables.lead[at]]
            held = np.where(tables.free[at], self.held_share[role], 0.0) * (1.0 - ahead)
            coming = tables.coming[pc, at]
            other = ahead * shares[chorus + coming] + held * shares[chorus + tables.tonic[pc, at]]
            share *= 1.0 - ahead - held
            share += other
            if counted:
                own = coming == self.coming[vote] % _CELLS
                cell = self.coming[vote[own]]
                share[own] += ahead[own] * (self._without(cell, self.part_coming[vote[own]]) - shares[cell])
        np.maximum(share, 0.0, out=share)
        share *= 1.0 - _COMMON
        share += _COMMON * COMMON_PRACTICE.ravel()[here]
        share *= (1.0 - _FLOOR) * 12.0
        share += _FLOOR
        np.log(share, out=share)
        np.clip(share, -_CAP, _CAP, out=share)
        return share

    def _before(self, tables: _Tables, vote: Ints, at: Ints) -> tuple[Bools, Ints, Ints]:
        """The contexts (see `_contexts`) of votes at places of the form, cell by cell."""
        last, earlier = (
            tables.interval[self.votes.pc[k], (at + self.place[k] - self.place[vote]) % len(tables.slot)]
            for k in (np.maximum(vote - 1, 0), np.maximum(vote - 2, 0))
        )
        return self._contexts(vote, tables.slot[at], last, earlier)

    def _by_habit(self, tables: _Tables, vote: Ints, at: Ints, share: Floats, counted: bool) -> None:
        """Moves shares by what followed the one and two intervals before, where habits are read."""
        habit, one, two = self._before(tables, vote, at)
        interval = tables.interval[self.votes.pc[vote], at]
        followed = self._followed(one, two, interval, vote if counted else None)
        role = self.role[vote]
        np.copyto(share, _leaning(share, followed, self.lean_one[role], self.lean_two[role]), where=habit)


def _said(share: Floats) -> Floats:
    nats: Floats = np.log((1.0 - _FLOOR) * share + _FLOOR / 12.0)
    return nats


def _leaning(share: Floats, followed: tuple[Floats, ...], one: Floats | float, two: Floats | float) -> Floats:
    """A share of the table, moved by what followed the interval before, and that by what followed the two before."""
    first, n_first, second, n_second = followed
    out: Floats = one * share
    out += first
    out /= one + n_first
    out *= two
    out += second
    out /= two + n_second
    return out


# --- the evidence ----------------------------------------------------------------------------------------------------


def evidence(geo: Geometry, votes: Votes, path: Ints, quick: Ints | None = None) -> Pieces:
    """Evidence of each beat for each displacement, in nats: (n_beats, n_states). Beats without votes are 0.

    `path` (n_beats,) is where the last look put the player. `quick` are bars (of the chart) of a quick change: there
    the displacement of one bar behind is read as the chord before held through, which is how a quick change is missed.
    """
    n = geo.n_states
    line = _Line(geo, votes, path) if len(votes) else None
    held = _tables(_stayed(geo, quick)) if quick is not None and len(quick) else None
    in_quick = votes.beat[:0] if quick is None else np.flatnonzero(np.isin(geo.bar_idx[votes.beat], quick))

    def make(first: int, last: int) -> Floats:
        out = np.zeros((last - first, n))
        if line is None:
            return out
        rows = np.arange(*np.searchsorted(votes.beat, (first, last)))
        for part in _blocks(votes.beat[rows]):
            _put(out, votes.beat[rows[part]] - first, line.says(rows[part]))
        rows = in_quick[slice(*np.searchsorted(votes.beat[in_quick], (first, last)))]
        stayed = np.zeros_like(out) if len(rows) else out
        for part in _blocks(votes.beat[rows]):
            _put(stayed, votes.beat[rows[part]] - first, line.says(rows[part], held))
        beats = votes.beat[rows] - first
        out[beats, -BAR_STATES % n] = stayed[beats, 0]
        return out

    return Pieces(geo.n_beats, n, make, PIECE_BEATS)


def _blocks(beat: Ints) -> list[Ints]:
    """Votes in blocks of a size that memory likes, no beat divided."""
    first = np.flatnonzero(np.concatenate(([True], np.diff(beat) != 0)))
    cuts = first[np.searchsorted(first, np.arange(_BLOCK, len(beat) - _BLOCK // 2, _BLOCK))]
    return [rows for rows in np.split(np.arange(len(beat)), cuts) if len(rows)]


def _put(out: Floats, beat: Ints, said: Floats) -> None:
    """Add up the votes of each beat, capped."""
    first = np.flatnonzero(np.concatenate(([True], np.diff(beat) != 0)))
    out[beat[first]] = np.clip(np.add.reduceat(said, first, axis=0), -_BEAT_CAP, _BEAT_CAP)


def _stayed(geo: Geometry, quick: Ints) -> Geometry:
    """The form with the quick change's bar held on the chord of the bar before."""
    root, minor, degree = geo.root_pc.copy(), geo.minor.copy(), geo.degree.copy()
    for beat in np.flatnonzero(np.isin(geo.bar_idx, quick)):
        at = int(geo.band_state[beat])
        for place in (at, at + 1):
            before = place - BAR_STATES
            root[place], minor[place], degree[place] = root[before], minor[before], degree[before]
    return replace(geo, root_pc=root, minor=minor, degree=degree)


def first_look(geo: Geometry, votes: Votes) -> Ints:
    """A rough displacement per beat from the prior's evidence around it, leaning to 0: (n_beats,)."""
    tables = _tables(geo)
    share = COMMON_PRACTICE.ravel()[tables.here]
    share = np.where(tables.lead > 0, 0.5 * (share + COMMON_PRACTICE.ravel()[tables.coming]), share)
    table = np.log(0.9 * 12.0 * share + 0.1)
    best = np.zeros(geo.n_beats, dtype=np.intp)
    for start in range(0, geo.n_beats, PIECE_BEATS):
        first, last = max(start - _WINDOW_BEATS, 0), min(start + PIECE_BEATS + _WINDOW_BEATS, geo.n_beats)
        out = np.zeros((last - first + 1, geo.n_states))
        inside = np.arange(*np.searchsorted(votes.beat, (first, last)))
        for part in _blocks(votes.beat[inside]):
            rows = inside[part]
            place = (geo.band_state[votes.beat[rows]] + votes.off[rows]) % geo.n_states
            _put(
                out[1:],
                votes.beat[rows] - first,
                _displaced(table, votes.pc[rows], place) * votes.weight[rows][:, None],
            )
        total = np.cumsum(out, axis=0)
        t = np.arange(start, min(start + PIECE_BEATS, geo.n_beats))
        window = (
            total[np.minimum(t + _WINDOW_BEATS + 1, last) - first] - total[np.maximum(t - _WINDOW_BEATS, first) - first]
        )
        window[:, 0] += 8.0
        best[t] = np.argmax(window, axis=1)
    return best
