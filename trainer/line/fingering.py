"""Where to play each note: string and fret by least motion of the hand.

The hand is modelled by the fret under its first finger. It covers four frets without moving and a fifth by
stretching; open strings ask nothing of it and give it time to move. The cheapest path over all notes is found by
dynamic programming. The weights are our choice; one finger a fret is common practice.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from trainer.errors import UsageError
from trainer.music import FOUR_STRING, Tuning, note_name, places

__all__ = ["HAND_FRETS", "STRETCH_FRETS", "fingering"]

HAND_FRETS = 4  # frets under the four fingers: one finger a fret (common practice)
STRETCH_FRETS = 5  # with the hand opened
_SHIFT = 1.0  # moving the hand at all
_SHIFT_A_FRET = 0.35  # and by each fret
_HURRIED = 2.0  # times as much after a short note
_SHORT_BEATS, _REST_BEATS = 0.5, 1.5
_STRETCH = 0.5
_CROSS = 0.18  # each string crossed
_SKIP = 0.15  # jumping over a string
_NO_SLIDE = 20.0  # a slide that would have to leave its string
_ELSEWHERE = 1.2  # the same pitch struck again in another place
_HIGH_A_FRET = 0.04  # low positions are the easier home
_AWAY_A_FRET = 0.8  # per fret that the hand leaves the position asked for, beyond the first
_OPEN_IN_POSITION = 0.6  # an open string where a position up the neck is asked for
_OPEN_FAR = 0.25  # an open string while the hand is above the fifth fret: heard as another colour


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
    onsets = np.asarray(onset_beats, dtype=np.float64)
    if notes.size == 0:
        return np.zeros((0, 2), dtype=np.int64)
    tables = {int(pitch): _states(int(pitch), tuning, position) for pitch in np.unique(notes)}
    gaps = np.diff(onsets, prepend=onsets[0] - 4.0)
    slid = np.zeros(notes.size, dtype=np.bool_) if slides is None else np.asarray(slides, dtype=np.bool_)
    cost = tables[int(notes[0])][1].copy()
    backs: list[NDArray[np.intp]] = []
    for i in range(1, notes.size):
        before, _ = tables[int(notes[i - 1])]
        now, own = tables[int(notes[i])]
        moved = np.abs(before[:, 2, None] - now[None, :, 2])
        # An open string or a rest before the note leaves time to move; a short note before it leaves hardly any.
        haste = 0.5 if gaps[i] >= _REST_BEATS else _HURRIED if gaps[i] < _SHORT_BEATS else 1.0
        free = np.where(before[:, 1, None] == 0, 0.5, haste)
        step = np.where(moved > 0, (_SHIFT + _SHIFT_A_FRET * moved) * free, 0.0)
        crossed = np.abs(before[:, 0, None] - now[None, :, 0])
        step = step + _CROSS * crossed + _SKIP * (crossed > 1)
        if slid[i - 1]:
            stopped = (before[:, 1, None] > 0) & (now[None, :, 1] > 0)
            step = step + _NO_SLIDE * ~(stopped & (crossed == 0))
        if notes[i] == notes[i - 1]:
            step = step + _ELSEWHERE * (before[:, 0, None] != now[None, :, 0])
        total = cost[:, None] + step
        back = np.argmin(total, axis=0)
        backs.append(back)
        cost = total[back, np.arange(back.size)] + own
    state = int(np.argmin(cost))
    out = np.zeros((notes.size, 2), dtype=np.int64)
    for i in range(notes.size - 1, -1, -1):
        out[i] = tables[int(notes[i])][0][state, :2]
        if i:
            state = int(backs[i - 1][state])
    return out


def _states(pitch: int, tuning: Tuning, position: int | None) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """The states (string, fret, hand) of a pitch, (k, 3), and what each costs by itself, (k,)."""
    found = places(pitch, tuning)
    if not found:
        raise UsageError(
            f"{note_name(pitch)} is not on this fingerboard; expected {note_name(tuning.lowest)} to "
            f"{note_name(tuning.highest)}"
        )
    states: list[tuple[int, int, int]] = []
    costs: list[float] = []
    for string, fret in found:
        if fret == 0:
            hands = range(tuning.n_frets - 2)
        else:
            hands = range(max(1, fret - STRETCH_FRETS + 1), fret + 1)
        for hand in hands:
            own = _HIGH_A_FRET * fret if position is None else 0.0
            if fret == 0:
                own += _OPEN_FAR if hand > 5 else 0.0
                own += _OPEN_IN_POSITION if position is not None and position > 2 else 0.0
            elif fret - hand >= HAND_FRETS:
                own += _STRETCH
            if position is not None:
                own += _AWAY_A_FRET * max(0, abs(hand - max(position, 1)) - 1) if fret else 0.0
            states.append((string, fret, hand))
            costs.append(own)
    return np.array(states, dtype=np.int64), np.array(costs)
