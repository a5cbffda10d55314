"""Where to play each note: string and fret by least motion of the hand.

The hand is modelled by the fret under its first finger. It covers four frets without moving and a fifth by stretching.
A position is kept through a figure; a shift costs by its way and by how little time there is for it; open strings are
for a hand that is near them or has time. The cheapest path over all notes is found by dynamic programming. What is
weighed is common practice of method and teacher; the weights are our choice.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from itertools import pairwise, product
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from trainer.errors import UsageError
from trainer.music import FOUR_STRING, Tuning, frettings, note_name

__all__ = ["HAND_FRETS", "STRETCH_FRETS", "fingering", "hand_for"]

HAND_FRETS = 4  # frets under the four fingers: one finger a fret (common practice)
STRETCH_FRETS = 5  # with the hand opened
_SHIFT = 1.0  # moving the hand at all
_SHIFT_A_FRET = 0.35  # and by each fret
_HURRIED = 2.0  # times as much after a short note
_SHORT_BEATS, _REST_BEATS = 0.5, 1.5
_EIGHTH_BEATS = 0.76  # up to here a note is an eighth, the long one of a hard swing too
_JUMP_FRETS, _JUMP = 4, 30.0  # further than this within an eighth only if there is no other way
_STRETCH = 0.5
_CROSS = 0.18  # each string crossed
_TO_OPEN = 0.1  # to an open one, which asks nothing of the hand
_SKIP = 0.15  # jumping over a string, for each
_NO_SLIDE = 20.0  # a slide that would have to leave its string
_ELSEWHERE = 4.0  # the same pitch struck again in another place
_HIGH_A_FRET = 0.03  # low positions are the easier home
_AWAY_A_FRET = 0.8  # per fret that the hand leaves the position asked for, beyond the first
_OPEN_IN_POSITION = 0.6  # an open string where a position up the neck is asked for
_OPEN = 0.1  # an open string rings on
_OPEN_BESIDE = 0.16  # and no shape that mixes open and stopped notes can be moved to another chord
_OPEN_BESIDE_HIGH_A_FRET, _BESIDE_NUT = 0.3, 5  # least of all one whose stopped notes are up the neck
_OPEN_FAR_A_FRET = 0.4  # an open string while the hand is up the neck, for each fret above the third
_NEAR_NUT = 3
_STRAY = 0.4  # a note elsewhere than within the figure round it
_NEAR_BEATS = 4.0

Fretting = tuple[int, int]  # string from the highest, fret
States = tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.float64]]


def fingering(
    pitches: ArrayLike,
    onset_beats: ArrayLike,
    tuning: Tuning = FOUR_STRING,
    position: int | None = None,
    slides: ArrayLike | None = None,
) -> NDArray[Any]:
    """Strings (from the highest, 1) and frets for a line: (n,) pitches and onsets in, (n, 2) int64 out.

    `position` asks the hand to stay near that fret; `slides` (n,) bool: the note slides into the one after it, on one
    string, neither of them open, wherever the fingerboard has such a place. `UsageError` names a pitch that is not on
    the fingerboard.
    """
    notes = np.asarray(pitches, dtype=np.int64)
    for pitch in np.unique(notes).tolist():
        if not frettings(pitch, tuning):
            raise UsageError(
                f"{note_name(pitch)} is not on this fingerboard; expected {note_name(tuning.lowest)} to "
                f"{note_name(tuning.highest)}"
            )
    slid = [] if slides is None else np.asarray(slides, dtype=np.bool_).tolist()
    onsets = np.asarray(onset_beats, dtype=np.float64).tolist()
    found = hand_for([[pitch] for pitch in notes.tolist()], onsets, tuning, position, slid)
    return np.array([row[0] for row in found], dtype=np.int64).reshape(-1, 2)


def hand_for(
    chords: Sequence[Sequence[int]],
    onset_beats: Sequence[float],
    tuning: Tuning = FOUR_STRING,
    position: int | None = None,
    slides: Sequence[bool] = (),
) -> list[list[Fretting | None]]:
    """Where each tone is played, tones of one chord on strings of their own; None: the neck (or the hand) has no place.

    As `fingering`, for whatever was played: what cannot be fingered keeps nothing from being fingered round it.
    """
    out: list[list[Fretting | None]] = [[None] * len(chord) for chord in chords]
    keys = [tuple(chord) for chord in chords]
    tables = {key: _states(key, tuning, position) for key in dict.fromkeys(keys)}
    playable = [i for i, key in enumerate(keys) if len(tables[key][0][1])]
    if not playable:
        return out
    rows = [tables[keys[i]][0] for i in playable]
    steps = []
    known: dict[tuple[object, ...], NDArray[np.float64]] = {}  # a line of many choruses takes few steps of its own
    for (j, before), (i, now) in pairwise(zip(playable, rows, strict=True)):
        slid = j == i - 1 and j < len(slides) and slides[j]
        gap = onset_beats[i] - onset_beats[j]
        alike = (keys[j], keys[i], gap >= _REST_BEATS, gap < _SHORT_BEATS, gap <= _EIGHTH_BEATS, slid)
        if alike not in known:
            known[alike] = _step(before, now, gap, slid=slid, same=keys[i] == keys[j])
        steps.append(known[alike])
    path = _settled([keys[i] for i in playable], [onset_beats[i] for i in playable], rows, steps)
    for i, row, state in zip(playable, rows, path, strict=True):
        out[i] = list(tables[keys[i]][1][int(row[1][state])])
    return out


def _settled(
    keys: Sequence[tuple[int, ...]],
    at_beats: Sequence[float],
    rows: Sequence[States],
    steps: Sequence[NDArray[np.float64]],
) -> list[int]:
    """The state of each note on the cheapest way, found twice: the second time a note costs more where it strays from
    the place that it mostly has in the figure round it."""
    path = _cheapest([row[2] for row in rows], steps)
    usual = _usual_frettings(keys, at_beats, [row[0][state, :2] for row, state in zip(rows, path, strict=True)])
    strayed = [
        own + _STRAY * np.any(table[:, :2] != fretting, axis=1)
        for (table, _, own), fretting in zip(rows, usual, strict=True)
    ]
    return _cheapest(strayed, steps)


def _cheapest(own: Sequence[NDArray[np.float64]], steps: Sequence[NDArray[np.float64]]) -> list[int]:
    """The state of each note on the cheapest way through all of them."""
    backs: list[NDArray[np.intp]] = []
    cost = own[0]
    for step, now in zip(steps, own[1:], strict=True):
        total = cost[:, None] + step
        back = np.argmin(total, axis=0)
        backs.append(back)
        cost = total[back, np.arange(back.size)] + now
    path = [int(np.argmin(cost))]
    for back in reversed(backs):
        path.append(int(back[path[-1]]))
    return path[::-1]


def _usual_frettings(
    keys: Sequence[tuple[int, ...]], at_beats: Sequence[float], frettings_of: Sequence[NDArray[np.int64]]
) -> list[NDArray[np.int64]]:
    """Where each note is mostly played within the figure round it; of two places the one that came first."""
    by_key: dict[tuple[int, ...], list[int]] = {}
    for k, key in enumerate(keys):
        by_key.setdefault(key, []).append(k)
    out = list(frettings_of)
    for rows in by_key.values():
        first = last = 0
        for k in rows:
            while at_beats[rows[first]] < at_beats[k] - _NEAR_BEATS:
                first += 1
            while last < len(rows) and at_beats[rows[last]] <= at_beats[k] + _NEAR_BEATS:
                last += 1
            near = Counter(tuple(frettings_of[other].tolist()) for other in rows[first:last])
            out[k] = np.array(max(near, key=lambda fretting: near[fretting]))
    return out


def _step(before: States, now: States, gap_beats: float, *, slid: bool, same: bool) -> NDArray[np.float64]:
    """What it costs to come from each state to each: (k, m). Columns of a state: string, fret, hand (lowest tone)."""
    was, own = before[0], now[0]
    string_a, fret_a, hand_a = was[:, 0, None], was[:, 1, None], was[:, 2, None]
    string_b, fret_b, hand_b = own[None, :, 0], own[None, :, 1], own[None, :, 2]
    moved = np.abs(hand_a - hand_b)
    haste = 0.5 if gap_beats >= _REST_BEATS else _HURRIED if gap_beats < _SHORT_BEATS else 1.0
    step: NDArray[np.float64] = np.where(moved > 0, (_SHIFT + _SHIFT_A_FRET * moved) * haste, 0.0)
    if gap_beats <= _EIGHTH_BEATS:
        far = np.where((fret_a > 0) & (fret_b > 0), np.abs(fret_a - fret_b), np.maximum(moved, 0))
        step = step + _JUMP * np.maximum(far - _JUMP_FRETS, 0)
    crossed = np.abs(string_a - string_b)
    step = step + np.where(fret_b == 0, _TO_OPEN, _CROSS) * crossed + _SKIP * np.maximum(crossed - 1, 0)
    if gap_beats < _REST_BEATS:
        beside = _OPEN_BESIDE + _OPEN_BESIDE_HIGH_A_FRET * np.maximum(fret_a + fret_b - _BESIDE_NUT, 0)
        step = step + beside * ((fret_a == 0) != (fret_b == 0))
    if slid:
        step = step + _NO_SLIDE * ~((fret_a > 0) & (fret_b > 0) & (crossed == 0))
    if same:
        step = step + _ELSEWHERE * (crossed > 0)
    return step


def _states(chord: tuple[int, ...], tuning: Tuning, position: int | None) -> tuple[States, list[list[Fretting | None]]]:
    """The states of a chord, ((k, 3) string, fret, hand; (k,) which way; (k,) own cost), and its ways on the neck."""
    states: list[tuple[int, int, int]] = []
    which: list[int] = []
    costs: list[float] = []
    ways = _ways(chord, tuning)
    for number, way in enumerate(ways):
        held = [fretting for fretting in way if fretting is not None]
        stopped = [fret for _, fret in held if fret > 0]
        low, high = min(stopped, default=0), max(stopped, default=0)
        hands = range(max(1, high - STRETCH_FRETS + 1), low + 1) if stopped else range(1, tuning.n_frets - 2)
        n_open = len(held) - len(stopped)
        for hand in hands or (max(1, low),):
            own = _HIGH_A_FRET * high if position is None else 0.0
            own += n_open * (_OPEN + _OPEN_FAR_A_FRET * max(0, hand - _NEAR_NUT))
            own += n_open * _OPEN_IN_POSITION if position is not None and position > 2 else 0.0
            own += _STRETCH * max(0, high - hand - HAND_FRETS + 1) if stopped else 0.0
            if position is not None and stopped:
                own += _AWAY_A_FRET * max(0, abs(hand - max(position, 1)) - 1)
            states.append((*held[0], hand))
            which.append(number)
            costs.append(own)
    table = np.array(states, dtype=np.int64).reshape(-1, 3)
    return (table, np.array(which, dtype=np.int64), np.array(costs)), ways


def _ways(chord: tuple[int, ...], tuning: Tuning) -> list[list[Fretting | None]]:
    """Every way to hold a chord: each tone on a string of its own, within the hand if that can be; [] without any.

    A tone that has no place is left out; where strings do not suffice, the higher tones are.
    """
    where = [frettings(pitch, tuning) for pitch in chord]
    on_neck = [i for i, found in enumerate(where) if found][: len(tuning.open_pitches)]
    while on_neck:
        held = [
            way for way in product(*(where[i] for i in on_neck)) if len({string for string, _ in way}) == len(on_neck)
        ]
        if held:
            break
        on_neck.pop()
    else:
        return []

    def reach(way: tuple[Fretting, ...]) -> int:
        frets = [fret for _, fret in way if fret > 0]
        return max(frets, default=0) - min(frets, default=0)

    least = max(STRETCH_FRETS - 1, min(map(reach, held)))
    out = []
    for way in held:
        if reach(way) <= least:
            by_tone: list[Fretting | None] = [None] * len(chord)
            for i, fretting in zip(on_neck, way, strict=True):
                by_tone[i] = fretting
            out.append(by_tone)
    return out
