"""What the notes say of the player's place in the form: the evidence under `form.py`'s hidden Markov model.

Each beat the notes vote, one vote a pitch class. A vote is worth the log of how much likelier it is, with the player at
a place, than a note that says nothing. How likely it is, is learned from the take itself:

- shares of the twelve intervals above the chord's root by kind of beat (landing on a change, held, leading on, …), a
  chorus leaning on its role, a role on a prior;
- the line's own habits: how an interval follows the one or two before it at the same place of the bar (a riff, a
  walker's stock of bars), leaning on those shares as hard as predicts the take best, and left out where they predict
  no better (a line that is new in every bar);
- before a change of chord, a mixture of the chord still held and the one to come; in a last bar that no session pins,
  of the chord written and the tonic held on. How much of each is the take's own, too.

The tables are filled with the player where the last look put them (expectation-maximisation, the path by Viterbi), and
no vote speaks for itself: its own count is left out wherever it would be read back. Numbers are our choice, tuned on
variant "a" of the simulated players of `tests/sim/players.py`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from trainer.session import BEATS_PER_BAR, Chart

__all__ = ["BAR_STATES", "HALF", "Geometry", "Votes", "evidence", "first_look", "geometry", "votes_of"]

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]
Bools = NDArray[np.bool_]

HALF = 2  # states per beat
BAR_STATES = HALF * BEATS_PER_BAR

# Prior weight of each interval above the chord's root (index 0–11), by strength of the beat; our choice, in the
# spirit of common practice: roots on 1, chord tones on 3, chord tones and passing notes between.
_PRIOR = np.array(
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
_KINDS = 8
_OFF, _LANDS, _LEADS, _LEADS_OFF = 4, 5, 6, 7
_FLOOR = 0.025  # share of notes that mean nothing
_CAP = 5.0  # largest weight of one vote against a note that says nothing, in nats
_BEAT_CAP = 8.0  # … and of all the votes of a beat
_ROLE_STRENGTH = 10.0  # notes that the prior counts for, when the take's own line is read
_CHORUS_STRENGTH = 60.0  # notes that the rest of the take counts for in one chorus
_LEAD_SHARE, _LEAD_STRENGTH = 0.4, 8.0  # of the notes before a change that look ahead, and what that counts for
_HELD_SHARE, _HELD_STRENGTH = 0.3, 12.0  # of the notes of a free last bar that hold the tonic on
_LEANS = (1.0, 3.0, 10.0, 40.0)  # notes that the shares count for beside the line's habits: the best of these
_HABIT_NATS = 10.0  # what habits have to gain to be read at all
_ROUNDS = 3
_LEAST = 1e-4
_NONE = 12  # no interval before this one
_BLOCK = 4096  # votes judged at a time
_DROP_OUT_WEIGHT = 0.5  # the band is silent: the beat axis itself is loose
_PEDAL_WEIGHT = 0.04
_RUN_WEIGHT = 0.1
_WINDOW_BEATS = 6  # half the first look's window


@dataclass(frozen=True)
class Geometry:
    """The form as the model sees it: one cycle of `n_states` half-beats, and the band's place at each beat.

    `root_pc`, `minor` (n_states,): the chord at each place. `beats` (t,): every beat of the chart, from its first;
    `band_state` (t,): the band's place there in half-beats; `told` (t,): False where nothing can be told (the last
    bar, an intro from outside the loop); `bar_idx` (t,) counts `Chart.bars`.
    """

    n_states: int
    root_pc: Ints
    minor: NDArray[np.bool_]
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

    def signed_beats(self, state: int) -> float:
        """Nearest signed distance of a displacement, in beats; half a form away counts as behind."""
        half = self.n_states // 2
        return ((state + half) % self.n_states - half) / HALF


def geometry(chart: Chart) -> Geometry:
    """The model's geometry of a chart (see `Geometry`)."""
    first, last = chart.session.loop or (1, len(chart.form_chords))
    roots: list[int] = []
    minors: list[bool] = []
    for chords in chart.form_chords[first - 1 : last]:
        share = BAR_STATES // len(chords)
        for chord in chords:
            roots += [chord.root_pc] * share
            minors += [chord.is_minor] * share
    n_form = len(chart.form_chords)
    in_turnaround = [
        bar > n_form - 2 and n_form >= 4 and not chart.turnaround_pinned
        for bar in range(first, last + 1)
        for _ in range(BAR_STATES)
    ]
    bar_state = np.array([(bar.bar - first) * BAR_STATES for bar in chart.bars])
    told_bar = np.array([first <= bar.bar <= last and not bar.final for bar in chart.bars])
    weight_bar = np.array([0.0 if bar.pedal else _DROP_OUT_WEIGHT if bar.drop_out else 1.0 for bar in chart.bars])
    roles = {role: i for i, role in enumerate(dict.fromkeys(bar.role for bar in chart.bars))}
    bar_idx = np.repeat(np.arange(len(chart.bars)), BEATS_PER_BAR)
    n_states = len(roots)
    steps = HALF * (np.arange(len(bar_idx)) % BEATS_PER_BAR)
    return Geometry(
        n_states=n_states,
        root_pc=np.array(roots, dtype=np.intp),
        minor=np.array(minors, dtype=np.bool_),
        turnaround=np.array(in_turnaround, dtype=np.bool_),
        tonic_pc=chart.key.tonic_pc,
        first_beats=round(chart.first_beats),
        band_state=(bar_state[bar_idx] + steps) % n_states,
        told=told_bar[bar_idx],
        weight=np.where(told_bar, weight_bar, 0.0)[bar_idx],
        bar_idx=bar_idx,
        group=np.array([bar.chorus for bar in chart.bars])[bar_idx],
        role=np.array([roles[bar.role] for bar in chart.bars])[bar_idx],
    )


@dataclass(frozen=True)
class Votes:
    """One row per pitch class and beat, in the order played.

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
    _discount_runs(np.rint(pitches), onset_beats, weight)
    _discount_pedals(geo, q, pc, inside, weight)
    q, pc, weight = q[inside], pc[inside], weight[inside]
    beat, off = q // HALF, q % HALF == 1
    # The first of each pitch class in a beat, in the order played.
    order = np.lexsort((np.arange(len(beat)), pc, beat))
    new = np.ones(len(beat), dtype=np.bool_)
    new[1:] = (np.diff(beat[order]) != 0) | (np.diff(pc[order]) != 0)
    kept = np.sort(order[new])
    kept = kept[np.argsort(beat[kept], kind="stable")]
    beat, off, pc, weight = beat[kept], off[kept], pc[kept], weight[kept]
    return Votes(beat, off, pc, weight * geo.weight[beat])


def _discount_runs(pitch: Floats, onset_beats: Floats, weight: Floats) -> None:
    """Notes inside a run of three or more semitone steps one way say next to nothing (the last one does)."""
    if len(pitch) < 5:
        return
    step = np.diff(pitch)
    near = np.diff(onset_beats) <= 1.5
    for way in (1.0, -1.0):
        hit = np.concatenate(([False], (step == way) & near, [False]))
        edges = np.flatnonzero(np.diff(hit.astype(np.int8)))
        for start, end in zip(edges[::2], edges[1::2], strict=True):
            if end - start >= 3:
                weight[start:end] *= _RUN_WEIGHT


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
    long_enough = length >= (3 * BAR_STATES if plain else 2 * BAR_STATES - HALF * 2)
    share = n_wrong / (ends - starts)
    for i in np.flatnonzero(runs & is_frame & long_enough & (n_wrong >= 3) & (share > 0.2)):
        weight[starts[i] : ends[i]] *= 0.5 if plain else _PEDAL_WEIGHT


# --- what each note would be at each place ---------------------------------------------------------------------------


def _kinds(geo: Geometry) -> tuple[Ints, NDArray[np.bool_], Ints]:
    """For each place: its row of the interval table, whether a change follows, and the next beat's place."""
    state = np.arange(geo.n_states)
    beat = state // HALF * HALF
    ahead, before = (beat + HALF) % geo.n_states, (beat - HALF) % geo.n_states
    kind = np.where(state % HALF == 1, _OFF, (state % BAR_STATES) // HALF)
    landed = (state % HALF == 0) & (geo.root_pc[before] != geo.root_pc)
    return np.where(landed, _LANDS, kind), geo.root_pc[ahead] != geo.root_pc, ahead


def _interval(pc: Ints, root_pc: Ints, minor: NDArray[np.bool_]) -> Ints:
    """Interval above the root with the chord's own third at 4: minor chords swap 3 and 4."""
    step = (pc - root_pc) % 12
    swapped = np.where(step == 3, 4, np.where(step == 4, 3, step))
    return np.asarray(np.where(minor, swapped, step), dtype=np.intp)


@dataclass(frozen=True)
class _Tables:
    """What a pitch class is at each place of the form, (n_states, 12), and the kind of each place, (n_states,)."""

    interval: Ints
    coming: Ints  # above the root of the next beat
    tonic: Ints  # above the key's tonic
    kind: Ints
    leads: Bools
    free: Bools  # a turnaround that no session pins


def _tables(geo: Geometry) -> _Tables:
    pcs = np.arange(12)
    kind, leads, ahead = _kinds(geo)
    tonic = np.full(geo.n_states, geo.tonic_pc)
    return _Tables(
        interval=_interval(pcs[None, :], geo.root_pc[:, None], geo.minor[:, None]),
        coming=np.asarray((pcs[None, :] - geo.root_pc[ahead][:, None]) % 12, dtype=np.intp),
        tonic=_interval(pcs[None, :], tonic[:, None], geo.minor[:1][:, None]),
        kind=kind,
        leads=leads,
        free=geo.turnaround,
    )


@dataclass(frozen=True)
class _Cells:
    """Where each vote is counted with the player at some displacements: (votes, displacements) indices and flags.

    `here`, `coming`, `tonic` count in (chorus, kind, interval); `one` and `two` in (role, slot of the bar, the one or
    two intervals before); `habit` is False where nothing came before in this bar.
    """

    here: Ints
    coming: Ints
    tonic: Ints
    one: Ints
    two: Ints
    interval: Ints
    leads: Bools
    free: Bools
    habit: Bools


def _cells(geo: Geometry, tables: _Tables, votes: Votes, rows: Ints, displacement: Ints) -> _Cells:
    """The cells of the votes `rows` (r,) at displacements (r, d)."""
    n = geo.n_states

    def place(of: Ints) -> Ints:
        at: Ints = ((geo.band_state[votes.beat[of]] + votes.off[of])[:, None] + displacement) % n
        return at

    half = HALF * votes.beat + votes.off
    before, earlier = np.maximum(rows - 1, 0), np.maximum(rows - 2, 0)
    follows = (rows >= 1) & (half[rows] - half[before] <= 2 * HALF)
    twice = follows & (rows >= 2) & (half[before] - half[earlier] <= 2 * HALF)
    at = place(rows)
    pc = votes.pc[rows][:, None]
    slot = at % BAR_STATES
    habit = follows[:, None] & (slot != 0)
    last = np.where(habit, tables.interval[place(before), votes.pc[before][:, None]], _NONE)
    last_but_one = np.where(habit & twice[:, None], tables.interval[place(earlier), votes.pc[earlier][:, None]], _NONE)
    chorus, role = geo.group[votes.beat[rows]][:, None], geo.role[votes.beat[rows]][:, None]
    kind = tables.kind[at]
    interval = tables.interval[at, pc]
    lead = np.where(votes.off[rows], _LEADS_OFF, _LEADS)[:, None]
    one = (role * BAR_STATES + slot) * (_NONE + 1) + last
    return _Cells(
        here=(chorus * _KINDS + kind) * 12 + interval,
        coming=(chorus * _KINDS + lead) * 12 + tables.coming[at, pc],
        tonic=(chorus * _KINDS + kind) * 12 + tables.tonic[at, pc],
        one=one,
        two=one * (_NONE + 1) + last_but_one,
        interval=interval,
        leads=tables.leads[at],
        free=tables.free[at],
        habit=habit,
    )


# --- what is learned of the line -------------------------------------------------------------------------------------


class _Line:
    """What a take's own notes say of its line, with the player where `path` puts them. Counts are soft."""

    def __init__(self, geo: Geometry, votes: Votes, path: Ints) -> None:
        self.geo, self.votes, self.tables = geo, votes, _tables(geo)
        n = len(votes)
        rows = np.arange(n)
        whole = _cells(geo, self.tables, votes, rows, path[votes.beat][:, None])
        self.own = _Cells(*(getattr(whole, name)[:, 0] for name in _Cells.__dataclass_fields__))
        self.n_roles = int(geo.role.max(initial=0)) + 1
        self.n_choruses = int(geo.group.max(initial=0)) + 1
        self.role_of = np.zeros(self.n_choruses, dtype=np.intp)
        self.role_of[geo.group] = geo.role
        self.role = geo.role[votes.beat]
        self.used = (votes.weight > 0.2).astype(np.float64)
        self.lead_share = np.full(self.n_roles, _LEAD_SHARE)
        self.held_share = np.full(self.n_roles, _HELD_SHARE)
        self.lean_one = np.full(self.n_roles, np.inf)
        self.lean_two = np.full(self.n_roles, np.inf)
        self.part_coming = self.used * np.where(self.own.leads, _LEAD_SHARE, 0.0)
        self.part_tonic = (self.used - self.part_coming) * np.where(self.own.free, _HELD_SHARE, 0.0)
        self.part_here = self.used - self.part_coming - self.part_tonic
        for last in range(_ROUNDS):
            self._count()
            self._share_out(judge_habits=last == _ROUNDS - 1 or last == 0)

    def _count(self) -> None:
        size = self.n_choruses * _KINDS * 12
        own = self.own
        flat = np.bincount(own.here, self.part_here, size) + np.bincount(own.coming, self.part_coming, size)
        self.counts = (flat + np.bincount(own.tonic, self.part_tonic, size)).reshape(self.n_choruses, _KINDS, 12)
        by_role = np.zeros((self.n_roles, _KINDS, 12))
        np.add.at(by_role, self.role_of, self.counts)
        self.role_counts = _ROLE_STRENGTH * _PRIOR / _PRIOR.sum(axis=1, keepdims=True) + by_role
        self.n_role = self.role_counts.sum(axis=2)
        self.n_chorus = self.counts.sum(axis=2)
        lean = (self.role_counts / self.n_role[:, :, None])[self.role_of]
        self.shares = (_CHORUS_STRENGTH * lean + self.counts) / (_CHORUS_STRENGTH + self.n_chorus[:, :, None])
        self.habit_part = self.part_here * own.habit
        n_one = self.n_roles * BAR_STATES * (_NONE + 1)
        self.one = np.bincount(own.one * 12 + own.interval, self.habit_part, n_one * 12)
        self.two = np.bincount(own.two * 12 + own.interval, self.habit_part, n_one * (_NONE + 1) * 12)
        self.n_one = self.one.reshape(-1, 12).sum(axis=1)
        self.n_two = self.two.reshape(-1, 12).sum(axis=1)

    def _without(self, cell: Ints, part: Floats) -> Floats:
        """The share in each vote's own cell with the vote's own part left out."""
        chorus, kind, interval = cell // (_KINDS * 12), cell // 12 % _KINDS, cell % 12
        role = self.role_of[chorus]
        lean = (self.role_counts[role, kind, interval] - part) / (self.n_role[role, kind] - part)
        share = (_CHORUS_STRENGTH * lean + self.counts[chorus, kind, interval] - part) / (
            _CHORUS_STRENGTH + self.n_chorus[chorus, kind] - part
        )
        least: Floats = np.maximum(share, _LEAST)
        return least

    def _share_out(self, *, judge_habits: bool) -> None:
        """Which part of each vote is the chord held, the chord to come, the tonic held on; how hard habits lean."""
        own, part = self.own, self.habit_part
        plain = self._without(own.here, self.part_here)
        coming = self._without(own.coming, self.part_coming)
        tonic = self._without(own.tonic, self.part_tonic)
        followed = (
            np.maximum(self.one[own.one * 12 + own.interval] - part, 0.0),
            np.maximum(self.n_one[own.one] - part, 0.0),
            np.maximum(self.two[own.two * 12 + own.interval] - part, 0.0),
            np.maximum(self.n_two[own.two] - part, 0.0),
        )
        if judge_habits:
            for role in range(self.n_roles):
                told = np.flatnonzero((self.role == role) & (part > 0.0))
                inside = tuple(each[told] for each in followed)
                base = plain[told]
                best = float(_said(base) @ part[told]) + _HABIT_NATS
                self.lean_one[role] = self.lean_two[role] = np.inf
                for one in (*_LEANS, 1e9):
                    for two in (*_LEANS, 1e9):
                        gain = float(_said(_leaning(base, inside, one, two)) @ part[told])
                        if gain > best:
                            best, self.lean_one[role], self.lean_two[role] = gain, one, two
        habits = own.habit & np.isfinite(self.lean_one[self.role])
        here = plain.copy()
        rows = np.flatnonzero(habits)
        role_rows = self.role[rows]
        here[rows] = _leaning(
            plain[rows],
            tuple(each[rows] for each in followed),
            self.lean_one[role_rows],
            self.lean_two[role_rows],
        )
        ahead = np.where(own.leads, self.lead_share[self.role], 0.0)
        held = np.where(own.free, self.held_share[self.role], 0.0) * (1.0 - ahead)
        still = 1.0 - ahead - held
        total = still * here + ahead * coming + held * tonic
        self.part_here = self.used * still * here / total
        self.part_coming = self.used * ahead * coming / total
        self.part_tonic = self.used * held * tonic / total
        leading, free = self.used * own.leads, self.used * (own.free & ~own.leads)
        n = self.n_roles
        self.lead_share = (_LEAD_SHARE * _LEAD_STRENGTH + np.bincount(self.role, self.part_coming * own.leads, n)) / (
            _LEAD_STRENGTH + np.bincount(self.role, leading, n)
        )
        self.held_share = (_HELD_SHARE * _HELD_STRENGTH + np.bincount(self.role, self.part_tonic * ~own.leads, n)) / (
            _HELD_STRENGTH + np.bincount(self.role, free, n)
        )

    def says(self, rows: Ints, displacement: Ints, tables: _Tables | None = None) -> Floats:
        """Nats of the votes `rows` (r,) at displacements (r, d), against a note that says nothing, capped."""
        at = _cells(self.geo, tables or self.tables, self.votes, rows, displacement)
        own = self.own
        shares = self.shares.ravel()
        here_own, coming_own = own.here[rows][:, None], own.coming[rows][:, None]
        here = np.where(
            at.here == here_own, self._without(own.here[rows], self.part_here[rows])[:, None], shares[at.here]
        )
        role = self.role[rows]
        habits = np.isfinite(self.lean_one[role])
        if np.any(habits):
            part = self.habit_part[rows][:, None]
            same_one = part * (at.one == own.one[rows][:, None])
            same_two = part * (at.two == own.two[rows][:, None])
            same = at.interval == own.interval[rows][:, None]
            followed = (
                np.maximum(self.one[at.one * 12 + at.interval] - same_one * same, 0.0),
                np.maximum(self.n_one[at.one] - same_one, 0.0),
                np.maximum(self.two[at.two * 12 + at.interval] - same_two * same, 0.0),
                np.maximum(self.n_two[at.two] - same_two, 0.0),
            )
            one = np.where(habits, self.lean_one[role], 1e9)[:, None]
            two = np.where(habits, self.lean_two[role], 1e9)[:, None]
            here = np.where(at.habit & habits[:, None], _leaning(here, followed, one, two), here)
        coming = np.where(
            at.coming == coming_own,
            self._without(own.coming[rows], self.part_coming[rows])[:, None],
            shares[at.coming],
        )
        ahead = np.where(at.leads, self.lead_share[role][:, None], 0.0)
        held = np.where(at.free, self.held_share[role][:, None], 0.0) * (1.0 - ahead)
        share = (1.0 - ahead - held) * here + ahead * coming + held * shares[at.tonic]
        nats: Floats = np.clip(np.log((1.0 - _FLOOR) * 12.0 * share + _FLOOR), -_CAP, _CAP)
        return nats * self.votes.weight[rows][:, None]


def _said(share: Floats) -> Floats:
    nats: Floats = np.log((1.0 - _FLOOR) * share + _FLOOR / 12.0)
    return nats


def _leaning(share: Floats, followed: tuple[Floats, ...], one: Floats | float, two: Floats | float) -> Floats:
    """A share of the table, moved by what followed the interval before, and that by what followed the two before."""
    first, n_first, second, n_second = followed
    middle = (one * share + first) / (one + n_first)
    out: Floats = (two * middle + second) / (two + n_second)
    return out


# --- the evidence ----------------------------------------------------------------------------------------------------


def evidence(geo: Geometry, votes: Votes, path: Ints, quick: Ints | None = None) -> Floats:
    """Evidence of each beat for each displacement, in nats: (n_beats, n_states). Beats without votes are 0.

    `path` (n_beats,) is where the last look put the player. `quick` are bars (of the chart) of a quick change: there
    the displacement of one bar behind is read as the chord before held through, which is how a quick change is missed.
    """
    n = geo.n_states
    out = np.zeros((geo.n_beats, n))
    if len(votes) == 0:
        return out
    line = _Line(geo, votes, path)
    shifts = np.arange(n)[None, :]
    for rows in _blocks(votes.beat):
        _put(out, votes.beat[rows], line.says(rows, np.broadcast_to(shifts, (len(rows), n))), slice(None))
    if quick is not None and len(quick):
        state = -BAR_STATES % n
        held = _tables(_stayed(geo, quick))
        rows = np.flatnonzero(np.isin(geo.bar_idx[votes.beat], quick))
        if len(rows):
            _put(out, votes.beat[rows], line.says(rows, np.zeros((len(rows), 1), dtype=np.intp), held), [state])
    return out


def _blocks(beat: Ints) -> list[Ints]:
    """Votes in blocks of a size that memory likes, no beat divided."""
    first = np.flatnonzero(np.concatenate(([True], np.diff(beat) != 0)))
    cuts = first[np.searchsorted(first, np.arange(_BLOCK, len(beat) - _BLOCK // 2, _BLOCK))]
    return [rows for rows in np.split(np.arange(len(beat)), cuts) if len(rows)]


def _put(out: Floats, beat: Ints, said: Floats, columns: slice | list[int]) -> None:
    """Add up the votes of each beat, capped."""
    first = np.flatnonzero(np.concatenate(([True], np.diff(beat) != 0)))
    total = np.clip(np.add.reduceat(said, first, axis=0), -_BEAT_CAP, _BEAT_CAP)
    if isinstance(columns, slice):
        out[beat[first]] = total
    else:
        out[beat[first][:, None], np.array(columns)[None, :]] = total


def _stayed(geo: Geometry, quick: Ints) -> Geometry:
    """The form with the quick change's bar held on the chord of the bar before."""
    root, minor = geo.root_pc.copy(), geo.minor.copy()
    for beat in np.flatnonzero(np.isin(geo.bar_idx, quick)):
        at = int(geo.band_state[beat])
        for place in (at, at + 1):
            root[place], minor[place] = root[(place - BAR_STATES)], minor[(place - BAR_STATES)]
    return replace(geo, root_pc=root, minor=minor)


def first_look(geo: Geometry, votes: Votes) -> Ints:
    """A rough displacement per beat from the prior's evidence around it, leaning to 0: (n_beats,)."""
    out = np.zeros((geo.n_beats, geo.n_states))
    kind, leads, ahead = _kinds(geo)
    pcs = np.arange(12)
    shares = _PRIOR / _PRIOR.sum(axis=1, keepdims=True)
    share = shares[kind[:, None], _interval(pcs[None, :], geo.root_pc[:, None], geo.minor[:, None])]
    lead = np.where(np.arange(geo.n_states) % HALF == 1, _LEADS_OFF, _LEADS)
    coming = shares[lead[:, None], (pcs[None, :] - geo.root_pc[ahead][:, None]) % 12]
    share = np.where(leads[:, None], 0.5 * (share + coming), share)
    table = np.log(0.9 * 12.0 * share + 0.1)
    shifts = np.arange(geo.n_states)[None, :]
    for rows in _blocks(votes.beat):
        place = ((geo.band_state[votes.beat[rows]] + votes.off[rows])[:, None] + shifts) % geo.n_states
        said = table[place, votes.pc[rows][:, None]] * votes.weight[rows][:, None]
        _put(out, votes.beat[rows], said, slice(None))
    total = np.concatenate((np.zeros((1, geo.n_states)), np.cumsum(out, axis=0)))
    t = np.arange(geo.n_beats)
    window = total[np.minimum(t + _WINDOW_BEATS + 1, geo.n_beats)] - total[np.maximum(t - _WINDOW_BEATS, 0)]
    window[:, 0] += 8.0
    best: Ints = np.argmax(window, axis=1)
    return best
