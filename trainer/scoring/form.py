"""Keeping the form (`metrics.md` §6): where in the form the player is, beat by beat, by a hidden Markov model.

The hidden state is the player's *displacement* from the band: place modulo the form's length, in half-beats
(0: with the band; +8: one bar ahead). Each beat the notes vote: one vote per pitch class, weighed by how roots,
chord tones and other notes fall on that beat of the bar under the chord at the displaced place; the table of those
weights starts from a prior and is adapted to the take's own line (a line of roots only tells much more per
note than a walk). Vote ratios carry an outlier floor and are capped. Transitions are sticky, and slips happen at bar
lines more than elsewhere. The model is exact: Viterbi path and forward-backward posteriors in log space, vectorised
over states.

Conventions: beats are quarter notes, 0.0 = first downbeat of chorus 1; `place_beats` is the nearest signed distance,
positive ahead of the band. The model follows Rabiner (1989), Proc. IEEE 77(2):257-286; its numbers are our choice,
tuned on simulated players and tested on others.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from trainer.scoring.align import Reading
from trainer.scoring.why import Why, no_figure
from trainer.session import BEATS_PER_BAR, Chart

__all__ = [
    "FormResult",
    "Geometry",
    "LostSpan",
    "PlaceBar",
    "Slips",
    "Votes",
    "emission",
    "geometry",
    "place",
    "place_notes",
    "posteriors",
    "transition_matrix",
    "viterbi",
    "votes_of",
]

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]

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
_HELD, _OFF, _LANDS, _LEADS, _LEADS_OFF = 0, 4, 5, 6, 7
_LEAD_SHARE = 0.5  # of the votes of the last beat before a change are read against the next root
_FLOOR = 0.10  # share of notes that mean nothing
_CAP = 3.5  # largest weight of one vote against a note that says nothing, in nats
_BEAT_CAP = 4.0  # … and of all the votes of a beat
_OFFBEAT_WEIGHT = 0.7
_ROLE_STRENGTH = 10.0  # notes that the prior counts for, when the take's own line is read
_CHORUS_STRENGTH = 20.0  # notes that the rest of the take counts for in one chorus
_DROP_OUT_WEIGHT = 0.5  # the band is silent: the beat axis itself is loose
_PEDAL_WEIGHT = 0.04
_RUN_WEIGHT = 0.1
_WINDOW_BEATS = 6  # half the first look's window
_MIN_VOTES = 8
_QUICK_NATS = 3.0  # evidence that makes a missed quick change


@dataclass(frozen=True, slots=True)
class Slips:
    """How often players slip (our choice). Rates are for one step at a bar line, a half bar, any other beat.

    `sizes` weighs displacements in beats; `anywhere` is the share of slips to any place at all.
    """

    slip_rates: tuple[float, float, float] = (1 / 30, 1 / 100, 1 / 1500)
    recover_rates: tuple[float, float, float] = (0.2, 0.08, 0.01)
    sizes: tuple[tuple[float, float], ...] = (
        (4.0, 0.30), (-4.0, 0.30), (8.0, 0.07), (-8.0, 0.07), (2.0, 0.08), (-2.0, 0.08),
        (12.0, 0.01), (-12.0, 0.01), (16.0, 0.01), (-16.0, 0.01), (1.0, 0.01), (-1.0, 0.01),
        (0.5, 0.001), (-0.5, 0.001),
    )  # fmt: skip
    anywhere: float = 0.02


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
    """One row per pitch class and beat. `beat` counts the chart's beats from its first; `off` marks off-beats."""

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
    order = np.lexsort((off, pc, beat))
    beat, off, pc, weight = beat[order], off[order], pc[order], weight[order]
    new = np.ones(len(beat), dtype=np.bool_)
    new[1:] = (np.diff(beat) != 0) | (np.diff(pc) != 0)
    beat, off, pc, weight = beat[new], off[new], pc[new], weight[new]
    weight = weight * geo.weight[beat] * np.where(off, _OFFBEAT_WEIGHT, 1.0)
    return Votes(beat, off, pc, weight)


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


# --- what the notes say ----------------------------------------------------------------------------------------------


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


def _log_table(geo: Geometry, shares: Floats) -> Floats:
    """Log weight, against a note that says nothing, of each pitch class at each place: (n_states, 12), capped.

    `shares` (5, 12) are the interval shares by kind of beat.
    """
    pcs = np.arange(12)
    kind, change, ahead = _kinds(geo)
    here = shares[kind[:, None], _interval(pcs[None, :], geo.root_pc[:, None], geo.minor[:, None])]
    if np.any(geo.turnaround):
        tonic = np.full(geo.n_states, geo.tonic_pc)
        held = shares[kind[:, None], _interval(pcs[None, :], tonic[:, None], geo.minor[:1][:, None])]
        here = np.where(geo.turnaround[:, None], 0.65 * here + 0.35 * held, here)
    lead = np.where(np.arange(geo.n_states) % HALF == 1, _LEADS_OFF, _LEADS)
    coming = shares[lead[:, None], (pcs[None, :] - geo.root_pc[ahead][:, None]) % 12]
    share = np.where(change, _LEAD_SHARE, 0.0)[:, None]
    mixed = (1.0 - share) * here + share * coming
    ratio: Floats = np.log((1.0 - _FLOOR) * 12.0 * mixed + _FLOOR)
    return np.clip(ratio, -_CAP, _CAP)


@dataclass(frozen=True)
class _Cells:
    """Where each vote is counted, with the player at a displacement: chorus, row and column of the interval table."""

    group: Ints
    kind: Ints
    interval: Ints
    part: Floats  # how much of the place's table that cell makes
    used: NDArray[np.bool_]


def _cells(geo: Geometry, votes: Votes, displacement: Ints) -> _Cells:
    state = (geo.band_state[votes.beat] + votes.off + displacement[votes.beat]) % geo.n_states
    kind, change, ahead = _kinds(geo)
    leads = change[state]
    coming = (votes.pc - geo.root_pc[ahead[state]]) % 12
    return _Cells(
        group=geo.group[votes.beat],
        kind=np.where(leads, np.where(votes.off, _LEADS_OFF, _LEADS), kind[state]),
        interval=np.where(leads, coming, _interval(votes.pc, geo.root_pc[state], geo.minor[state])),
        part=np.where(leads, _LEAD_SHARE, np.where(geo.turnaround[state], 0.65, 1.0)),
        used=votes.weight > 0.2,
    )


def _counts(geo: Geometry, cells: _Cells) -> Floats:
    """Interval counts by chorus, kind of beat and interval: (groups, kinds, 12)."""
    n_groups = int(geo.group.max(initial=0)) + 1
    flat = (cells.group * _KINDS + cells.kind) * 12 + cells.interval
    counts = np.bincount(flat[cells.used], minlength=n_groups * _KINDS * 12)
    return counts.reshape(n_groups, _KINDS, 12).astype(np.float64)


def _without_self(geo: Geometry, cells: _Cells, counts: Floats, shares: Floats) -> Floats:
    """How much smaller each vote's own share is when the vote itself is not counted: (votes,), 0 where unused."""
    g, k, i = cells.group, cells.kind, cells.interval
    role_of = np.zeros(len(counts), dtype=np.intp)
    role_of[geo.group] = geo.role
    by_role = np.zeros((int(geo.role.max(initial=0)) + 1, _KINDS, 12))
    np.add.at(by_role, role_of, counts)
    prior = (_PRIOR / _PRIOR.sum(axis=1, keepdims=True))[k, i]
    r = role_of[g]
    n_role, n_own = by_role.sum(axis=2)[r, k], counts.sum(axis=2)[g, k]
    lean = (_ROLE_STRENGTH * prior + by_role[r, k, i] - 1.0) / (_ROLE_STRENGTH + n_role - 1.0)
    share = (_CHORUS_STRENGTH * lean + counts[g, k, i] - 1.0) / (_CHORUS_STRENGTH + n_own - 1.0)
    less: Floats = np.where(cells.used, cells.part * (shares[g, k, i] - share), 0.0)
    return less


def _shares(geo: Geometry, counts: Floats) -> Floats:
    """Interval shares for each chorus: its own counts, leaning on its role's, leaning on the prior. (groups, 5, 12)."""
    n_groups = len(counts)
    role_of = np.zeros(n_groups, dtype=np.intp)
    role_of[geo.group] = geo.role
    by_role = np.zeros((int(geo.role.max(initial=0)) + 1, _KINDS, 12))
    np.add.at(by_role, role_of, counts)
    prior = _PRIOR / _PRIOR.sum(axis=1, keepdims=True)
    lean = (_ROLE_STRENGTH * prior + by_role) / (_ROLE_STRENGTH + by_role.sum(axis=2, keepdims=True))
    shares: Floats = (_CHORUS_STRENGTH * lean[role_of] + counts) / (
        _CHORUS_STRENGTH + counts.sum(axis=2, keepdims=True)
    )
    return shares


def emission(
    geo: Geometry, votes: Votes, shares: Floats, own: Ints | None = None, less: Floats | None = None
) -> Floats:
    """Evidence of each beat for each displacement, in nats: (n_beats, n_states). Beats without votes are 0.

    `own` (n_beats,) is the displacement at which the votes were counted for `shares`, `less` (votes,) what each share
    there owes to the vote itself: a vote must not speak for itself.
    """
    n = geo.n_states
    out = np.zeros((geo.n_beats, n))
    if len(votes) == 0:
        return out
    shifts = np.arange(n)
    group = geo.group[votes.beat]
    for g in np.unique(group):
        rows = np.flatnonzero(group == g)
        table = _log_table(geo, shares[g])
        place = (geo.band_state[votes.beat[rows]] + votes.off[rows])[:, None] + shifts
        said = table[place % n, votes.pc[rows, None]]
        beat = votes.beat[rows]
        if own is not None and less is not None:
            at = (np.arange(len(rows)), own[beat])
            bare = np.exp(said[at]) - (1.0 - _FLOOR) * 12.0 * less[rows]
            said[at] = np.clip(np.log(np.maximum(bare, _FLOOR)), -_CAP, _CAP)
        said *= votes.weight[rows, None]
        first = np.flatnonzero(np.concatenate(([True], np.diff(beat) != 0)))
        out[beat[first]] = np.clip(np.add.reduceat(said, first, axis=0), -_BEAT_CAP, _BEAT_CAP)
    return out


def _first_look(geo: Geometry, evidence: Floats) -> Ints:
    """A rough displacement per beat from the evidence around it, leaning to 0."""
    total = np.concatenate((np.zeros((1, geo.n_states)), np.cumsum(evidence, axis=0)))
    t = np.arange(geo.n_beats)
    window = total[np.minimum(t + _WINDOW_BEATS + 1, geo.n_beats)] - total[np.maximum(t - _WINDOW_BEATS, 0)]
    window[:, 0] += 8.0
    best: Ints = np.argmax(window, axis=1)
    return best


# --- the chain -------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Steps:
    """One kind of step: probabilities of staying, of each offset, of any place, and of going back to the band."""

    stay: Floats
    offsets: Ints
    offset_share: Floats
    anywhere: float
    recover: float


def _steps(n_states: int, slips: Slips, kind: int) -> _Steps:
    rate, recover = slips.slip_rates[kind], slips.recover_rates[kind]
    merged: dict[int, float] = {}
    for beats, share in slips.sizes:
        offset = round(beats * HALF) % n_states
        if offset:
            merged[offset] = merged.get(offset, 0.0) + share
    total = sum(merged.values()) + slips.anywhere
    offsets = np.array(sorted(merged), dtype=np.intp)
    shares: Floats = np.array([merged[int(o)] for o in offsets], dtype=np.float64) * (rate / total)
    anywhere = rate * slips.anywhere / total / n_states
    stay = np.full(n_states, 1.0 - float(shares.sum()) - anywhere * n_states - recover)
    stay[0] += recover
    return _Steps(stay, offsets, shares, anywhere, recover)


def transition_matrix(n_states: int, slips: Slips, kind: int) -> Floats:
    """The transition matrix of one kind of step (0 at a bar line, 1 at a half bar, 2 elsewhere), rows from-state."""
    step = _steps(n_states, slips, kind)
    matrix = np.full((n_states, n_states), step.anywhere)
    rows = np.arange(n_states)
    matrix[rows, rows] += step.stay
    for offset, share in zip(step.offsets, step.offset_share, strict=True):
        matrix[rows, (rows + offset) % n_states] += share
    matrix[1:, 0] += step.recover
    return matrix


def step_kinds(geo: Geometry) -> Ints:
    """Kind of the step into each beat: 0 at a bar line, 1 at a half bar, 2 elsewhere."""
    beat = np.arange(geo.n_beats) % BEATS_PER_BAR
    return np.where(beat == 0, 0, np.where(beat == 2, 1, 2))


def _initial(n_states: int) -> Floats:
    """Log probability of the first place: nearly everybody starts with the band (our choice)."""
    start = np.full(n_states, 0.05 / n_states)
    start[0] += 0.95
    log_start: Floats = np.log(start)
    return log_start


def viterbi(evidence: Floats, kinds: Ints, slips: Slips | None = None) -> Ints:
    """The most likely displacement at each beat: (t, n_states) in, (t,) out. Exact for `transition_matrix`.

    The matrix is "stay" + a few offsets + the same small chance of any place + a way back to 0, so that its
    maximum needs only those candidates: each column's best is found in O(offsets), not O(n_states).
    """
    slips = slips or Slips()
    n_beats, n = evidence.shape
    if n_beats == 0:
        return np.zeros(0, dtype=np.intp)
    steps = [_steps(n, slips, kind) for kind in range(3)]
    came_from = np.empty((n_beats, n), dtype=np.int32)
    states = np.arange(n)
    tables = []
    for step in steps:
        sources = np.concatenate((states[None, :], (states[None, :] - step.offsets[:, None]) % n))
        cost = np.concatenate(
            (
                np.log(step.stay + step.anywhere)[None, :],
                np.repeat(np.log(step.offset_share + step.anywhere)[:, None], n, axis=1),
            )
        )
        cost[1:, 0] = np.log(np.exp(cost[1:, 0]) + step.recover)
        home = np.full(n, step.anywhere + step.recover)
        home[0] = step.stay[0] + step.anywhere
        home[(-step.offsets) % n] += step.offset_share
        tables.append((sources, cost, np.log(step.anywhere), np.log(home)))
    score = _initial(n) + evidence[0]
    for t in range(1, n_beats):
        sources, cost, anywhere, home = tables[kinds[t]]
        reach = score[sources]
        reach += cost
        best = reach.argmax(axis=0)
        came = sources[best, states]
        top = reach[best, states]
        leader = int(score.argmax())
        loose = score[leader] + anywhere
        if loose > top.min():
            far = top < loose
            top[far] = loose
            came[far] = leader
        back = score + home
        came[0] = back.argmax()
        top[0] = back[came[0]]
        came_from[t] = came
        score = top + evidence[t]
    path = np.empty(n_beats, dtype=np.intp)
    path[-1] = int(score.argmax())
    for t in range(n_beats - 1, 0, -1):
        path[t - 1] = came_from[t, path[t]]
    return path


def posteriors(evidence: Floats, kinds: Ints, slips: Slips | None = None) -> tuple[Floats, float]:
    """Probability of each displacement at each beat, (t, n_states), and the log likelihood. Exact, in log space."""
    slips = slips or Slips()
    n_beats, n = evidence.shape
    if n_beats == 0:
        return np.zeros((0, n)), 0.0
    states = np.arange(n)
    steps = [_steps(n, slips, kind) for kind in range(3)]
    behind = [(states[None, :] - step.offsets[:, None]) % n for step in steps]
    ahead = [(states[None, :] + step.offsets[:, None]) % n for step in steps]
    forward = np.empty((n_beats, n))
    forward[0] = _initial(n) + evidence[0]
    for t in range(1, n_beats):
        k = kinds[t]
        step = steps[k]
        top = forward[t - 1].max()
        mass = np.exp(forward[t - 1] - top)
        total = mass.sum()
        moved = step.stay * mass + step.offset_share @ mass[behind[k]] + step.anywhere * total
        moved[0] += step.recover * (total - mass[0])
        forward[t] = np.log(moved) + top + evidence[t]
    top = forward[-1].max()
    log_likelihood = float(top + np.log(np.exp(forward[-1] - top).sum()))
    backward = np.zeros(n)
    out = forward
    out[-1] = np.exp(forward[-1] - log_likelihood)
    for t in range(n_beats - 2, -1, -1):
        k = kinds[t + 1]
        step = steps[k]
        said = backward + evidence[t + 1]
        top = said.max()
        mass = np.exp(said - top)
        moved = step.stay * mass + step.offset_share @ mass[ahead[k]] + step.anywhere * mass.sum()
        moved[1:] += step.recover * mass[0]
        backward = np.log(moved) + top
        out[t] = np.exp(forward[t] + backward - log_likelihood)
    return out, log_likelihood


# --- the result ------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class PlaceBar:
    """One bar of the chart: `place_beats` is the player's distance from the band, `probability` the model's."""

    chorus: int
    bar: int
    at_beats: float
    place_beats: float
    probability: float


@dataclass(frozen=True, slots=True)
class LostSpan:
    """Bars (inclusive, 1-based) in which the player was elsewhere.

    `cause`: "skipped", "repeated", "missed quick change", "turned round". `back_at_beats`: the downbeat of the bar in
    which the player is with the band again, None if never. `first_idx`, `last_idx` count `Chart.bars`.
    """

    first_idx: int
    last_idx: int
    from_chorus: int
    from_bar: int
    to_chorus: int
    to_bar: int
    place_beats: float
    cause: str
    back_chorus: int | None
    back_bar: int | None
    back_at_beats: float | None
    probability: float

    def words(self) -> str:
        """The span in words; a missed quick change is put as a question."""
        first, last = f"chorus {self.from_chorus} bar {self.from_bar}", f"chorus {self.to_chorus} bar {self.to_bar}"
        where = first if self.first_idx == self.last_idx else f"{first} to {last}"
        if self.cause == "missed quick change":
            return f"{where}: the quick change was not there; did you mean to stay?"
        n = abs(self.place_beats)
        size = f"{n / 4:g} bar{'' if n == 4 else 's'}" if n % 4 == 0 else f"{n:g} beats"
        side = "ahead of" if self.place_beats > 0 else "behind"
        return f"{where}: {size} {side} the band ({self.cause})"

    def to_dict(self) -> dict[str, Any]:
        back = None
        if self.back_at_beats is not None:
            back = {"chorus": self.back_chorus, "bar": self.back_bar, "at_beats": self.back_at_beats}
        return {
            "from": {"chorus": self.from_chorus, "bar": self.from_bar},
            "to": {"chorus": self.to_chorus, "bar": self.to_bar},
            "place_beats": _plain(self.place_beats),
            "cause": self.cause,
            "back": back,
            "probability": round(self.probability, 3),
        }


@dataclass(frozen=True)
class FormResult:
    """Where the player was. `lost` and `place` are None when nothing can be told; `why` says why."""

    lost: tuple[LostSpan, ...] | None
    place: tuple[PlaceBar, ...] | None
    n_votes: int = 0
    why: Mapping[str, Why] = field(default_factory=dict)

    @property
    def bars_lost(self) -> int | None:
        """How many bars were played elsewhere, None when nothing can be told."""
        return None if self.lost is None else sum(span.last_idx - span.first_idx + 1 for span in self.lost)

    @property
    def line(self) -> str:
        """The form in a few words, with its counts and places."""
        if self.lost is None:
            return f"the place cannot be told: {self.why['lost'].text}" if "lost" in self.why else ""
        if not self.lost:
            return "the form kept throughout"
        said = [span.words() for span in self.lost[:3]]
        more = f" and {len(self.lost) - 3} more" if len(self.lost) > 3 else ""
        return "; ".join(said) + more

    def to_dict(self) -> dict[str, Any]:
        """The scorecard's `form` section."""
        place = None
        if self.place is not None:
            place = [
                {
                    "chorus": row.chorus,
                    "bar": row.bar,
                    "at_beats": row.at_beats,
                    "place_beats": _plain(row.place_beats),
                    "probability": round(row.probability, 3),
                }
                for row in self.place
            ]
        return {
            "lost": None if self.lost is None else [span.to_dict() for span in self.lost],
            "place": place,
            "bars_lost": self.bars_lost,
            "why": {name: why.to_dict() for name, why in self.why.items()},
        }


def _plain(beats: float) -> int | float:
    return int(beats) if float(beats).is_integer() else beats


def _nothing(code: str, text: str, n_votes: int) -> FormResult:
    reason = no_figure(code, text)
    return FormResult(None, None, n_votes, {"lost": reason, "place": reason, "bars_lost": reason})


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
        return _nothing(
            "too_few", f"{len(votes)} notes inside the form; {_MIN_VOTES} are needed to tell the place", len(votes)
        )
    if len(set(zip(geo.root_pc.tolist(), geo.minor.tolist(), strict=True))) < 2:
        return _nothing("one_chord", "the form has one chord only, so one bar sounds like another", len(votes))
    n_groups = int(geo.group.max()) + 1
    prior = np.repeat((_PRIOR / _PRIOR.sum(axis=1, keepdims=True))[None], n_groups, axis=0)
    rough = _first_look(geo, emission(geo, votes, prior))
    cells = _cells(geo, votes, rough)
    counts = _counts(geo, cells)
    shares = _shares(geo, counts)
    evidence = emission(geo, votes, shares, rough, _without_self(geo, cells, counts, shares))
    kinds = step_kinds(geo)
    path = viterbi(evidence, kinds, slips)
    if np.any(path) and not np.array_equal(path, rough):
        # Somebody was lost: read the line again from where they were, then look again.
        cells = _cells(geo, votes, path)
        counts = _counts(geo, cells)
        shares = _shares(geo, counts)
        evidence = emission(geo, votes, shares, path, _without_self(geo, cells, counts, shares))
        path = viterbi(evidence, kinds, slips)
    chance, _ = posteriors(evidence, kinds, slips)
    return _result(chart, geo, evidence, path, chance, len(votes))


def _differs(geo: Geometry) -> NDArray[np.bool_]:
    """Whether the chord at each place differs from the one a displacement away: (n_states, n_states) [place, d].

    In a last bar that no session pins, a tonic held on is a turnaround too (`metrics.md` §5): it does not differ.
    """
    code = geo.root_pc * 2 + geo.minor
    places = np.arange(geo.n_states)
    there = (places[:, None] + places[None, :]) % geo.n_states
    out: NDArray[np.bool_] = code[:, None] != code[there]
    last_bar = geo.turnaround & (places >= geo.n_states - BAR_STATES)
    out &= ~(last_bar[:, None] & (geo.root_pc[there] == geo.tonic_pc))
    return out


def _result(chart: Chart, geo: Geometry, evidence: Floats, path: Ints, chance: Floats, n_votes: int) -> FormResult:
    n_bars = geo.n_beats // BEATS_PER_BAR
    by_bar = path.reshape(n_bars, BEATS_PER_BAR)
    place = np.zeros(n_bars, dtype=np.intp)
    differs = _differs(geo)
    lost: list[LostSpan] = []
    for start, end, state in _runs_of(path):
        if state == 0:
            continue
        beats = np.arange(start, end)
        shows = differs[geo.band_state[beats], state] & geo.told[beats]
        if not np.any(shows):
            continue
        bars = np.unique(geo.bar_idx[beats[shows]])
        first, last = int(bars[0]), int(bars[-1])
        place[first : last + 1] = state
        before = int(path[start - 1]) if start else 0
        lost.append(_span(chart, geo, first, last, state, before, path, chance))
    for idx in _quick_bars(chart, geo):
        if np.any(by_bar[idx]):
            lost = [_as_quick(span, idx) for span in lost]
            continue
        rows = slice(idx * BEATS_PER_BAR, (idx + 1) * BEATS_PER_BAR)
        gain = float((evidence[rows, BAR_STATES % geo.n_states] - evidence[rows, 0]).sum())
        if gain > _QUICK_NATS:
            place[idx] = -BAR_STATES % geo.n_states
            odds = 1.0 / (1.0 + np.exp(-(gain - _QUICK_NATS)))
            lost.append(_quick_span(chart, idx, float(odds)))
    lost.sort(key=lambda span: span.first_idx)
    for i in range(len(lost) - 2, -1, -1):  # straight on into another slip: back when that one ends
        here, then = lost[i], lost[i + 1]
        if then.first_idx == here.last_idx + 1:
            lost[i] = replace(
                here, back_chorus=then.back_chorus, back_bar=then.back_bar, back_at_beats=then.back_at_beats
            )
    seat = np.array([chance[i * BEATS_PER_BAR : (i + 1) * BEATS_PER_BAR, place[i]].mean() for i in range(n_bars)])
    rows_out = tuple(
        PlaceBar(bar.chorus, bar.bar, bar.onset_beats, geo.signed_beats(int(place[bar.idx])), float(seat[bar.idx]))
        for bar in chart.bars
        if bar.chorus >= 1
    )
    shown = tuple(span for span in lost if chart.bars[span.last_idx].chorus >= 1)
    return FormResult(shown, rows_out, n_votes, {})


def _runs_of(path: Ints) -> list[tuple[int, int, int]]:
    """Maximal runs of one state: (first, end, state)."""
    edges = np.flatnonzero(np.diff(path)) + 1
    starts = np.concatenate(([0], edges))
    ends = np.append(edges, len(path))
    return [(int(a), int(b), int(path[a])) for a, b in zip(starts, ends, strict=True)]


def _span(
    chart: Chart, geo: Geometry, first: int, last: int, state: int, before: int, path: Ints, chance: Floats
) -> LostSpan:
    place_beats = geo.signed_beats(state)
    move = geo.signed_beats((state - before) % geo.n_states)
    if move % BEATS_PER_BAR:
        cause = "turned round"
    else:
        cause = "skipped" if move > 0 else "repeated"
    # Back in the first bar that does not differ any more; never, if the path never comes home.
    home = np.any(path[(last + 1) * BEATS_PER_BAR :] == 0) and last + 1 < len(chart.bars)
    back = chart.bars[last + 1] if home else None
    rows = slice(first * BEATS_PER_BAR, (last + 1) * BEATS_PER_BAR)
    first_bar, last_bar = chart.bars[first], chart.bars[last]
    return LostSpan(
        first,
        last,
        first_bar.chorus,
        first_bar.bar,
        last_bar.chorus,
        last_bar.bar,
        place_beats,
        cause,
        back.chorus if back else None,
        back.bar if back else None,
        back.onset_beats if back else None,
        float(1.0 - chance[rows, 0].mean()),
    )


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
    for bar in chart.bars:
        i = bar.bar - first
        quick = 2 <= bar.bar <= 3 and 1 <= i < n_form - 1 and whole[i - 1 : i + 2].all()
        if quick and cycle[i, 0] != cycle[i - 1, 0] == cycle[i + 1, 0] and not bar.pedal and not bar.final:
            out.append(bar.idx)
    return out


def _quick_span(chart: Chart, idx: int, probability: float) -> LostSpan:
    bar = chart.bars[idx]
    back = chart.bars[idx + 1] if idx + 1 < len(chart.bars) else None
    return LostSpan(
        idx, idx, bar.chorus, bar.bar, bar.chorus, bar.bar, -float(BEATS_PER_BAR), "missed quick change",
        back.chorus if back else None, back.bar if back else None, back.onset_beats if back else None, probability,
    )  # fmt: skip


def _as_quick(span: LostSpan, idx: int) -> LostSpan:
    """A one-bar excursion over the quick change alone is a missed quick change."""
    if not (span.first_idx == span.last_idx == idx) or span.place_beats % BEATS_PER_BAR:
        return span
    return LostSpan(
        idx, idx, span.from_chorus, span.from_bar, span.to_chorus, span.to_bar, -float(BEATS_PER_BAR),
        "missed quick change", span.back_chorus, span.back_bar, span.back_at_beats, span.probability,
    )  # fmt: skip
