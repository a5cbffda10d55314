"""Notes inside a sounding note: what a pickup sends as a bend and a player knows as a hammer-on, pull-off or slide.

A string that is stopped elsewhere while it rings sends no new note: its pitch stands, moves by whole semitones and
stands again. A quick step is a hammer-on or pull-off, a way is a slide; a vibrato stands nowhere, and what does not
reach a semitone is no other fret. Common practice of players; how quick and how long is our choice.

Conventions: seconds and semitones; a bend holds until the next one.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from trainer.take.messages import SETTLES_FROM_S, settled_bends
from trainer.take.midi_notes import MOST_BEND_SEMITONES
from trainer.take.model import Take
from trainer.take.notes import FLAG_CUT, FLAG_SLID, FLAG_SLURRED, Notes, sorted_notes

__all__ = ["SLIDE_SEMITONES", "SLUR_SEMITONES", "Bent", "bent_notes", "moving_bends", "unfolded"]

SLUR_SEMITONES, SLIDE_SEMITONES = 4, 5  # how far fingers hammer on, how far a short slide leads; our choice
STANDS_S = 0.08  # a pitch that is held so long is a note
ENDS_S = 0.05  # … and, where a slide over frets leads, one that is held so long until the note ends; our choice
AROUND_SEMITONES = 0.35  # and lies within this of it
AS_LONG_S = 0.005
_BINS = 20  # to a semitone
STEP_S = 0.05  # a hand that hammers on is there within this; a pickup's own smoothing takes some of it
BENT_SLIDE_SEMITONES = 12  # a slide on one string, seen whole, may be long

MOVES_SEMITONES = 0.5  # a note whose bends reach so far is kept with all of them; our choice
MOST_KEPT = 500_000  # hours of one every 10 ms; our choice

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Bent:
    """One pitch of a note of the table: its row, where the pitch begins, semitones from the pitch that the table says
    (where the bend settled), the flag that says how it is reached (0 for the first)."""

    row: int
    at_s: float
    semitones: float
    joined: int


def moving_bends(notes: Notes, bends: Floats) -> Floats:
    """What a take keeps of the bends (m, 3: second, channel, semitones) that its notes were sent with, (k, 3): of a
    note that is moved all within it, of any other where it settled, at its onset. Nothing where no note is moved, as
    the notes' pitches say it all then."""
    bends = bends[np.abs(bends[:, 2]) <= MOST_BEND_SEMITONES]
    kept: list[Floats] = []
    moves = False
    for channel in np.unique(bends[:, 1]):
        line = np.vstack(((-np.inf, channel, 0.0), bends[bends[:, 1] == channel]))
        mine = notes[notes["channel"] == channel]
        onset_s = mine["onset_s"].astype(np.float64)
        end_s = onset_s + mine["duration_s"]
        held = np.searchsorted(line[:, 0], onset_s, side="right") - 1
        last = np.searchsorted(line[:, 0], end_s, side="left")
        first = np.searchsorted(line[:, 0], onset_s + SETTLES_FROM_S, side="right") - 1
        settled = settled_bends(line[:, 0], line[:, 2], onset_s, end_s)
        for i in range(len(mine)):
            moved = last[i] > first[i] + 1 and float(np.ptp(line[first[i] : last[i], 2])) >= MOVES_SEMITONES
            kept.append(np.array([(onset_s[i], channel, line[held[i], 2] if moved else settled[i])]))
            if moved:
                moves = True
                kept.append(line[held[i] + 1 : last[i]])
    if not moves or sum(map(len, kept)) > MOST_KEPT:
        return np.zeros((0, 3))
    out = np.concatenate(kept)
    return out[np.argsort(out[:, 0], kind="stable")]


def unfolded(take: Take) -> Take:
    """The take with a row of its own for each pitch that a bend leads a sounding note to, and without its bends, which
    say no more then; all as it was reported. What ends the one pitch begins the next; channel and velocity stay.

    A bass that is heard by its sound has such rows already.
    """
    if not len(take.bends) or take.header.profile == "sound":
        return take
    table = sorted_notes(take.notes)
    found = bent_notes(table, take.bends)
    row = np.array([bent.row for bent in found], dtype=np.int64)
    joined = np.array([bent.joined for bent in found], dtype=np.uint8)
    goes_on = np.append(row[1:] == row[:-1], False)[: len(row)]
    pitches = table[row]
    ends_s = pitches["onset_s"] + pitches["duration_s"]
    begins_s = np.where(joined > 0, [bent.at_s for bent in found], pitches["onset_s"])
    ends_s[goes_on] = np.roll(begins_s, -1)[goes_on]
    pitches["onset_s"], pitches["duration_s"] = begins_s, ends_s - begins_s
    pitches["pitch"] += np.array([bent.semitones for bent in found], dtype=np.float32)
    pitches["flags"] |= joined
    pitches["flags"][goes_on] &= ~np.uint8(FLAG_CUT)
    extra = {name: told for name, told in take.header.extra.items() if name != "bends"}
    notes = sorted_notes(np.concatenate((np.delete(table, row), pitches)))
    return replace(take, notes=notes, header=replace(take.header, extra=extra))


def bent_notes(notes: Notes, bends: Floats) -> list[Bent]:
    """The pitches of every note that has more than one, in order. `bends` (m, 3): second, channel, semitones."""
    out: list[Bent] = []
    for channel in np.unique(bends[:, 1]):
        line = np.vstack(((-np.inf, channel, 0.0), bends[bends[:, 1] == channel]))
        rows = np.flatnonzero(notes["channel"] == channel)
        onset_s = notes["onset_s"][rows].astype(np.float64)
        end_s = onset_s + notes["duration_s"][rows]
        first = np.searchsorted(line[:, 0], onset_s + SETTLES_FROM_S, side="right")
        last = np.searchsorted(line[:, 0], end_s, side="left")
        settled = settled_bends(line[:, 0], line[:, 2], onset_s, end_s)
        for i in np.flatnonzero(last > first).tolist():
            held = line[first[i] - 1 : last[i]]
            starts = np.maximum(held[:, 0], onset_s[i] + SETTLES_FROM_S)
            out += _pitches(int(rows[i]), starts, held[:, 2], float(end_s[i]), float(settled[i]))
    return sorted(out, key=lambda bent: (bent.row, bent.at_s))


def _pitches(row: int, starts_s: Floats, bends: Floats, end_s: float, settled: float) -> list[Bent]:
    """Where a note's pitch stands, if at more than one fret, or at another than the table says (a slide that takes as
    long as a pitch is given to settle). Frets count from the pitch that is held longest."""
    usual = _longest(bends, np.diff(np.append(starts_s, end_s)))
    off = bends - usual
    fret = np.rint(off).astype(np.int64)
    fret[np.abs(off - fret) > AROUND_SEMITONES] = 99  # between two frets
    begins = np.flatnonzero(np.diff(fret, prepend=98) != 0)
    edges = np.append(starts_s[begins], end_s)
    stands = [
        (float(edges[k]), float(edges[k + 1]), int(fret[at]))
        for k, at in enumerate(begins.tolist())
        if fret[at] < 99 and edges[k + 1] - edges[k] >= (ENDS_S if k + 1 == len(begins) else STANDS_S)
    ]
    if not stands:
        return []
    own = usual - settled
    out = [Bent(row, stands[0][0], stands[0][2] + own, 0)]
    for (_, left_s, was), (there_s, _, now) in pairwise(stands):
        step, way_s = now - was, there_s - left_s
        if step == 0:
            continue
        quick = way_s <= STEP_S
        if end_s - there_s < STANDS_S and (quick or abs(step) < 2):
            break  # let go of, and no slide
        if abs(step) > (SLUR_SEMITONES if quick else BENT_SLIDE_SEMITONES):
            return []  # a tracker's slip, no hand
        out.append(Bent(row, (left_s + there_s) / 2, now + own, FLAG_SLURRED if quick else FLAG_SLID))
    slid_into = len(out) == 1 and abs(out[0].semitones) > AROUND_SEMITONES  # before anything stood
    return out if len(out) > 1 or slid_into else []


def _longest(bends: Floats, held_s: Floats) -> float:
    """The bend that is held longest, what lies about it taken together; of those held as long, as on the way of a slow
    slide, the one nearest to where it arrives."""
    bins = np.rint(bends * _BINS).astype(np.int64)
    wide = round(AROUND_SEMITONES * _BINS)
    lowest = int(bins.min()) - wide
    total_s = np.bincount(bins - lowest, weights=held_s, minlength=int(bins.max()) - lowest + wide + 1)
    about_s = np.convolve(total_s, np.ones(2 * wide + 1), "same")
    longest = np.flatnonzero(about_s >= about_s.max() - AS_LONG_S) + lowest
    middle = int(longest[np.argmin(np.abs(longest - bins[-1]))])
    inside = np.abs(bins - middle) <= wide
    return float(np.average(bends[inside], weights=held_s[inside]))
