"""The chain under `form.py`: how a player's displacement from the band moves, the likeliest path, and its chances.

States are displacements in half-beats, modulo the form; steps are beats. Transitions are sticky; slips happen at bar
lines, those by a part of a bar at half bars as well. The model is exact: Viterbi path and forward-backward chances,
vectorised over states (Rabiner 1989, Proc. IEEE 77(2):257-286).

The evidence comes in pieces (`Pieces`), so that an evening needs no more memory than a song: of each piece but the one
at work only what stood at its edge is kept, and a piece is worked out again on the way back. A single piece is not.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from trainer.session import BEATS_PER_BAR

__all__ = [
    "BAR_STATES",
    "HALF",
    "Pieces",
    "Slips",
    "chances_of",
    "posteriors",
    "step_kinds",
    "transition_matrix",
    "viterbi",
]

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]
Bools = NDArray[np.bool_]

HALF = 2  # states per beat
BAR_STATES = HALF * BEATS_PER_BAR
_RESCALE_BEATS = 8  # a beat says at most e^±16, so that eight stay far inside a float


@dataclass(frozen=True, slots=True)
class Slips:
    """How often players slip (our choice). Rates are for one step at a bar line, a half bar, any other beat.

    A slip by whole bars, and the way back from it, come at bar lines; those by a part of a bar (`part_`…) as often at a
    half bar, which is the player's own bar line. `sizes` weighs displacements in beats; `anywhere` is the share of
    slips to any place at all.
    """

    slip_rates: tuple[float, float, float] = (1 / 20, 1 / 400, 1 / 8000)
    part_slip_rates: tuple[float, float, float] = (1 / 20, 1 / 20, 1 / 2000)
    recover_rates: tuple[float, float, float] = (0.2, 0.01, 0.001)
    part_recover_rates: tuple[float, float, float] = (0.12, 0.12, 0.002)
    sizes: tuple[tuple[float, float], ...] = (
        (4.0, 0.30), (-4.0, 0.30), (8.0, 0.07), (-8.0, 0.07), (2.0, 0.08), (-2.0, 0.08),
        (12.0, 0.01), (-12.0, 0.01), (16.0, 0.01), (-16.0, 0.01), (1.0, 0.01), (-1.0, 0.01),
        (0.5, 0.001), (-0.5, 0.001),
    )  # fmt: skip
    anywhere: float = 0.02


class Pieces:
    """Evidence of each beat for each displacement, in nats, piece by piece: `make(first, last)` gives (beats, states).

    What is asked for twice running is made once.
    """

    def __init__(self, n_beats: int, n_states: int, make: Callable[[int, int], Floats], beats: int) -> None:
        self.n_beats, self.n_states = n_beats, n_states
        self._make = make
        cuts = [*range(0, max(n_beats - beats // 2, 1), beats), n_beats]
        self.spans = list(itertools.pairwise(cuts)) if n_beats else []
        self._held: tuple[int, Floats] = -1, np.zeros((0, n_states))

    @classmethod
    def of(cls, evidence: Floats) -> Pieces:
        """Evidence that is there already, as one piece."""
        n_beats, n_states = evidence.shape
        return cls(n_beats, n_states, lambda first, last: evidence[first:last], max(n_beats, 1))

    def piece(self, idx: int) -> Floats:
        if self._held[0] != idx:
            self._held = idx, self._make(*self.spans[idx])
        return self._held[1]

    def columns(self, states: Sequence[int]) -> Floats:
        """What every beat says for some displacements: (n_beats, k)."""
        if not self.spans:
            return np.zeros((0, len(states)))
        return np.concatenate([self.piece(idx)[:, list(states)] for idx in range(len(self.spans))])

    def at(self, beats: Ints, states: Ints | int) -> Floats:
        """What single beats say for single displacements: (k,) beats, rising, and (k,) states or one."""
        states = np.broadcast_to(states, beats.shape)
        out = np.zeros(len(beats))
        starts = np.array([first for first, _ in self.spans], dtype=np.intp)
        of = np.searchsorted(starts, beats, side="right") - 1
        for idx in np.unique(of):
            here = of == idx
            out[here] = self.piece(int(idx))[beats[here] - starts[idx], states[here]]
        return out


@dataclass(frozen=True)
class _Steps:
    """One kind of step: probabilities of staying, of each offset, of any place, and of going back to the band."""

    stay: Floats
    offsets: Ints
    offset_share: Floats
    anywhere: float
    recover: Floats


def _steps(n_states: int, slips: Slips, kind: int) -> _Steps:
    rate, part_rate = slips.slip_rates[kind], slips.part_slip_rates[kind]
    merged: dict[int, float] = {}
    total = sum(share for beats, share in slips.sizes if round(beats * HALF) % n_states) + slips.anywhere
    for beats, share in slips.sizes:
        offset = round(beats * HALF) % n_states
        if offset:
            merged[offset] = merged.get(offset, 0.0) + share * (part_rate if offset % BAR_STATES else rate) / total
    offsets = np.array(sorted(merged), dtype=np.intp)
    shares: Floats = np.array([merged[int(o)] for o in offsets], dtype=np.float64)
    anywhere = rate * slips.anywhere / total / n_states
    recover = np.where(np.arange(n_states) % BAR_STATES == 0, slips.recover_rates[kind], slips.part_recover_rates[kind])
    recover[0] = 0.0
    stay = 1.0 - float(shares.sum()) - anywhere * n_states - recover
    return _Steps(stay, offsets, shares, anywhere, recover)


def transition_matrix(n_states: int, slips: Slips, kind: int) -> Floats:
    """The transition matrix of one kind of step (0 at a bar line, 1 at a half bar, 2 elsewhere), rows from-state."""
    step = _steps(n_states, slips, kind)
    matrix = np.full((n_states, n_states), step.anywhere)
    rows = np.arange(n_states)
    matrix[rows, rows] += step.stay
    for offset, share in zip(step.offsets, step.offset_share, strict=True):
        matrix[rows, (rows + offset) % n_states] += share
    matrix[:, 0] += step.recover
    return matrix


def step_kinds(n_beats: int) -> Ints:
    """Kind of the step into each beat: 0 at a bar line, 1 at a half bar, 2 elsewhere."""
    beat = np.arange(n_beats) % BEATS_PER_BAR
    return np.where(beat == 0, 0, np.where(beat == 2, 1, 2))


def _initial(n_states: int) -> Floats:
    """Log probability of the first place: nearly everybody starts with the band (our choice)."""
    start = np.full(n_states, 0.05 / n_states)
    start[0] += 0.95
    log_start: Floats = np.log(start)
    return log_start


# --- the likeliest path ----------------------------------------------------------------------------------------------


class _Ways:
    """The best way into each state by one kind of step.

    The matrix is "stay" + a few offsets + the same small chance of any place + a way back to 0, so that its maximum
    needs only those candidates: each column's best is found in O(offsets), not O(n_states).
    """

    def __init__(self, step: _Steps, n: int) -> None:
        states = np.arange(n)
        self.sources = np.concatenate((states[None, :], (states[None, :] - step.offsets[:, None]) % n))
        self.cost = np.concatenate(
            (
                np.log(step.stay + step.anywhere)[None, :],
                np.repeat(np.log(step.offset_share + step.anywhere)[:, None], n, axis=1),
            )
        )
        self.cost[1:, 0] = np.log(np.exp(self.cost[1:, 0]) + step.recover[self.sources[1:, 0]])
        home = step.anywhere + step.recover
        home[0] += step.stay[0]
        home[(-step.offsets) % n] += step.offset_share
        self.anywhere, self.home = float(np.log(step.anywhere)), np.log(home)
        self.staying = self.cost[0].copy()
        self.staying[0] = self.home[0]
        self._reach = np.empty(self.sources.shape)

    def best(self, score: Floats, out: Floats) -> Floats:
        """The best score with which each state is reached, into `out`."""
        np.take(score, self.sources, out=self._reach, mode="clip")
        self._reach += self.cost
        np.maximum.reduce(self._reach, axis=0, out=out)
        np.maximum(out, score.max() + self.anywhere, out=out)
        out[0] = (score + self.home).max()
        return out

    def came_from(self, score: Floats, state: int) -> int:
        """From where a state is reached best; from itself where that is as good."""
        if state == 0:
            return int((score + self.home).argmax())
        reach = score[self.sources[:, state]] + self.cost[:, state]
        best, leader = int(reach.argmax()), int(score.argmax())
        return leader if reach[best] < score[leader] + self.anywhere else int(self.sources[best, state])


def viterbi(evidence: Floats | Pieces, kinds: Ints, slips: Slips | None = None) -> Ints:
    """The most likely displacement at each beat: (t, n_states) in, (t,) out. Exact for `transition_matrix`."""
    pieces = evidence if isinstance(evidence, Pieces) else Pieces.of(evidence)
    n, spans = pieces.n_states, pieces.spans
    path = np.zeros(pieces.n_beats, dtype=np.intp)
    ways = [_Ways(_steps(n, slips or Slips(), kind), n) for kind in range(3)]
    score, edges = np.zeros(n), []
    for idx, (first, last) in enumerate(spans):
        edge = ways[kinds[first]].best(score, np.empty(n)) if idx else _initial(n)
        edges.append(edge)
        scores, tops = _scores(pieces.piece(idx), edge, kinds[first:last], ways)
        score = scores[-1]
    state = int(score.argmax())
    for idx in range(len(spans) - 1, -1, -1):
        first, last = spans[idx]
        if idx < len(spans) - 1:
            scores, tops = _scores(pieces.piece(idx), edges[idx], kinds[first:last], ways)
            state = ways[kinds[last]].came_from(scores[-1], state)
        _trace(path[first:last], state, scores, tops, kinds[first:last], ways)
        state = int(path[first])
    return path


def _scores(said: Floats, edge: Floats, kinds: Ints, ways: list[_Ways]) -> tuple[Floats, Floats]:
    """The best score of each state at each beat of a piece, and that with which it is reached: (t, n) each."""
    tops = np.empty(said.shape)
    tops[0] = edge
    score = edge + said[0]
    for t in range(1, len(said)):
        score = ways[kinds[t]].best(score, tops[t]) + said[t]
    return tops + said, tops


def _trace(path: Ints, state: int, scores: Floats, tops: Floats, kinds: Ints, ways: list[_Ways]) -> None:
    """Fill the path of a piece from its last state back; where staying is as good as anything, it stays."""
    stays = scores[:-1] + np.array([way.staying for way in ways])[kinds[1:]] >= tops[1:]
    t = len(path)
    while t:
        moved = np.flatnonzero(~stays[: t - 1, state])
        begins = int(moved[-1]) + 1 if len(moved) else 0
        path[begins:t] = state
        if begins:
            state = ways[kinds[begins]].came_from(scores[begins - 1], state)
        t = begins


# --- how sure each place is ------------------------------------------------------------------------------------------


class _Chances:
    """Forward and backward chances of the states, piece by piece, scaled so that they stay inside a float."""

    def __init__(self, pieces: Pieces, kinds: Ints, slips: Slips | None) -> None:
        self.pieces, self.kinds = pieces, kinds
        self.into = [transition_matrix(pieces.n_states, slips or Slips(), kind) for kind in range(3)]
        self.out_of = [np.ascontiguousarray(matrix.T) for matrix in self.into]
        # What each piece is entered with, and the log of what was scaled away before it.
        self.edges, self.logs = [np.exp(_initial(pieces.n_states))], [0.0]
        for idx in range(len(pieces.spans)):
            if idx < len(pieces.spans) - 1:
                _, forward, log = self.forward(idx)
                self.edges.append(forward[-1] @ self.into[kinds[pieces.spans[idx + 1][0]]])
                self.logs.append(self.logs[-1] + log)

    def forward(self, idx: int) -> tuple[Floats, Floats, float]:
        """What each beat says, the chances by what came before up to a factor, and the log of what was scaled away."""
        said = self.pieces.piece(idx)
        most = said.max(axis=1)
        weight = np.exp(said - most[:, None])
        kinds = self.kinds[slice(*self.pieces.spans[idx])]
        out = np.empty(weight.shape)
        here, log = self.edges[idx], float(most.sum())
        for t in range(len(out)):
            if t:
                here = here @ self.into[kinds[t]]
            np.multiply(here, weight[t], out=out[t])
            here = out[t]
            if t % _RESCALE_BEATS == 0 or t == len(out) - 1:
                total = float(here.sum())
                here /= total
                log += float(np.log(total))
        return weight, out, log

    def backward(self, idx: int, weight: Floats, last: Floats) -> tuple[Floats, Floats]:
        """Chances by what comes after, and those of the last beat of the piece before."""
        first, end = self.pieces.spans[idx]
        kinds = self.kinds[first:end]
        out = np.empty(weight.shape)
        out[-1] = here = last
        for t in range(len(out) - 2, -1, -1):
            here = (weight[t + 1] * here) @ self.out_of[kinds[t + 1]]
            if t % _RESCALE_BEATS == 0:
                here /= here.sum()
            out[t] = here
        before = (weight[0] * here) @ self.out_of[self.kinds[first]]
        return out, before / before.sum()

    def both(self) -> Iterator[tuple[int, Floats]]:
        """Each piece, the last first: its first beat, and the chance of each state at each of its beats."""
        last = np.ones(self.pieces.n_states)
        for idx in range(len(self.pieces.spans) - 1, -1, -1):
            weight, chance, _ = self.forward(idx)
            back, last = self.backward(idx, weight, last)
            chance *= back
            chance /= chance.sum(axis=1, keepdims=True)
            yield self.pieces.spans[idx][0], chance


def chances_of(pieces: Pieces, kinds: Ints, states: Ints, slips: Slips | None = None) -> Floats:
    """The chance of one displacement at each beat: (t,) in, (t,) out. Exact."""
    out = np.zeros(pieces.n_beats)
    for first, chance in _Chances(pieces, kinds, slips).both():
        beats = np.arange(len(chance))
        out[first : first + len(chance)] = chance[beats, states[first : first + len(chance)]]
    return out


def posteriors(evidence: Floats | Pieces, kinds: Ints, slips: Slips | None = None) -> tuple[Floats, float]:
    """Probability of each displacement at each beat, (t, n_states), and the log likelihood. Exact."""
    pieces = evidence if isinstance(evidence, Pieces) else Pieces.of(evidence)
    whole = _Chances(pieces, kinds, slips)
    out = np.zeros((pieces.n_beats, pieces.n_states))
    for first, chance in whole.both():
        out[first : first + len(chance)] = chance
    last = len(pieces.spans) - 1
    return out, whole.logs[last] + whole.forward(last)[2] if pieces.n_beats else 0.0
