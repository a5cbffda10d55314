"""Somebody to play under: a soloist in solo choruses, a sung-like line in verses and heads.

The soloist's density, height and loudness follow the intensity. Material: the blues scale of the key with the chord's
own third, fifth and root on strong beats. What the first line of a chorus says is taken up by the next: repeated,
moved up or down the scale, or answered with an ending of its own (common practice; the shares are our choice). It
bends as a guitar does: a whole step up into the tonic, the fourth or the fifth, each of which has a note of the scale a
whole step below it, and the minor third of a major key a quarter-tone up, between the two thirds (common practice). The
singer scoops up into some notes from a semitone below, the first of a bar and held ones before others; takes two bars
and leaves two (common practice: the voice has bars 1–2, 5–6 and 9–10), first and second line alike, the third an
answer. Every bar draws from its own seed, so a later bar never changes an earlier one.
"""

from __future__ import annotations

from itertools import starmap
from typing import NamedTuple

import numpy as np

from trainer.music import SCALES, Chord, Key
from trainer.music.grooves.pattern import Places

__all__ = ["SOLO_RANGE", "VOICE_RANGE", "LeadNote", "Soloist", "sung_bar"]

SOLO_RANGE = (60, 84)  # C4–C6
VOICE_RANGE = (60, 74)  # C4–D5
LONGEST_PASSING_BEATS = 0.7  # of a flat fifth; our choice
BEND_LEAST_BEATS = 0.45  # a shorter note is not bent; our choice
_BENT_UP, _SQUEEZED = -2.0, 0.5  # semitones: where a bent note begins, where a squeezed third ends
_SCOOPED = -1.0  # where the singer begins a note that is scooped into


class LeadNote(NamedTuple):
    """Beats from the bar's downbeat, length in beats, MIDI note, velocity; semitones off at onset and at last."""

    at_beats: float
    length_beats: float
    pitch: int
    velocity: int
    bend_from: float = 0.0
    bend_to: float = 0.0


def _ladder(pcs: set[int], low: int, high: int) -> list[int]:
    return [pitch for pitch in range(low, high + 1) if pitch % 12 in pcs]


def _chord_targets(chord: Chord) -> set[int]:
    steps = {0} | {step for step in (chord.third, chord.fifth) if step is not None}
    return {(chord.root_pc + step) % 12 for step in steps}


def _nearest_in(pitch: float, ladder: list[int]) -> int:
    return min(ladder, key=lambda p: (abs(p - pitch), p))


class Soloist:
    """Plays bar after bar; remembers the last pitch, where it was going, and this chorus's first line of four bars."""

    def __init__(self, key: Key) -> None:
        self.tonic_pc = key.tonic_pc
        self.minor = key.minor
        self.blue_pc = (key.tonic_pc + 6) % 12
        self.pcs = {(key.tonic_pc + step) % 12 for step in SCALES["blues"]}
        self.ladder = _ladder(self.pcs, *SOLO_RANGE)
        self.pitch = float(_nearest_in(67, _ladder({key.tonic_pc}, *SOLO_RANGE)))
        self.heading = 1
        self._motifs: dict[int, tuple[int, ...]] = {}  # bar of the line → the first line's pitches

    def bar(
        self,
        chords: list[Chord],
        where: tuple[int, int, int],
        intensity: float,
        places: Places,
        rng: np.random.Generator,
        rhythm_rng: np.random.Generator,
    ) -> list[LeadNote]:
        """Notes of a bar; `chords` one per beat (4), `where`: chorus, line of four bars, bar of the line (from 0).

        `rhythm_rng` draws the rhythm (lines that answer each other share it), `rng` the pitches.
        """
        _, line, within = where
        centre = SOLO_RANGE[0] + 5 + (SOLO_RANGE[1] - SOLO_RANGE[0] - 8) * intensity
        slots = _solo_rhythm(within % 2 == 1, intensity, rhythm_rng)
        notes: list[LeadNote] = []
        before = -1.0
        said = self._said(where, len(slots), centre, rng)
        onsets = list(starmap(places.at, slots))
        ends = [*onsets[1:], *(min(at_beats + 1.2, 4.0) for at_beats in onsets[-1:])]
        for i, (beat, slot) in enumerate(slots):
            last = i + 1 == len(slots)
            strong = slot == "on" and (beat in (0, 2) or last)
            self._turn_round(centre, rng)
            leap = int(rng.choice((1, 1, 1, 2, 0 if rng.random() < 0.5 else 3)))
            ladder = _ladder(_chord_targets(chords[beat]), *SOLO_RANGE) if strong else self.ladder
            pitch = _nearest_in(said[i], ladder) if said else self._next_pitch(ladder, leap, strong, before)
            length = (ends[i] - onsets[i]) * (0.9 if rng.random() < 0.7 else 0.5)
            if not strong and (last or length > LONGEST_PASSING_BEATS):
                pitch = self._rested_on(pitch)
            before, self.pitch = self.pitch, float(pitch)
            loud = 56 + 48 * intensity + 6 * (last and slot == "off") + 5 * rng.standard_normal()
            notes.append(LeadNote(onsets[i], min(length, 1.5), pitch, int(min(max(loud, 1), 127))))
        if line == 0:
            self._motifs[within] = tuple(note.pitch for note in notes)
        return notes

    def _turn_round(self, centre: float, rng: np.random.Generator) -> None:
        """Now and then the line changes its direction; far from its middle it comes back."""
        if rng.random() < 0.3:
            self.heading = -self.heading
        if abs(self.pitch - centre) > 5:
            self.heading = -1 if self.pitch > centre else 1

    def _rested_on(self, pitch: int) -> int:
        """A flat fifth is passed through, never rested on: the note that it leads to stands instead."""
        if pitch % 12 != self.blue_pc:
            return pitch
        return pitch + (1 if self.heading > 0 else -1)

    def _next_pitch(self, ladder: list[int], leap: int, strong: bool, before: float) -> int:
        """Some rungs on from the last pitch, on a strong beat one at most; never a third time the same."""
        here = ladder.index(_nearest_in(self.pitch, ladder))
        rungs = leap if not strong else 1 if leap > 1 else 0
        pitch = ladder[min(max(here + self.heading * rungs, 0), len(ladder) - 1)]
        if pitch == self.pitch == before:
            pitch = ladder[here + (self.heading if 0 <= here + self.heading < len(ladder) else -self.heading)]
        return pitch

    def bent(
        self, notes: list[LeadNote], chords: list[Chord], intensity: float, rng: np.random.Generator
    ) -> list[LeadNote]:
        """The same notes with some of them bent: more as the solo opens up, never two in a row from below.

        `chords` one per beat (4); a third that belongs to the chord is left in tune.
        """
        into = {(self.tonic_pc + step) % 12 for step in (0, 5, 7)}
        blue_third = (self.tonic_pc + 3) % 12
        out: list[LeadNote] = []
        for note, draw in zip(notes, rng.random(len(notes)), strict=True):
            if note.length_beats >= BEND_LEAST_BEATS:
                again = bool(out) and out[-1].bend_from != 0.0
                if note.pitch % 12 in into and not again and draw < 0.25 + 0.3 * intensity:
                    note = note._replace(bend_from=_BENT_UP)
                elif (
                    note.pitch % 12 == blue_third
                    and not self.minor
                    and blue_third not in chords[min(int(note.at_beats), 3)].pcs
                    and draw < 0.8
                ):
                    note = note._replace(bend_to=_SQUEEZED)
            out.append(note)
        return out

    def _said(self, where: tuple[int, int, int], n_notes: int, centre: float, rng: np.random.Generator) -> list[int]:
        """The pitches of this bar after those of the same bar of the first line; empty where something new is said."""
        ladder, (_, line, within) = self.ladder, where
        motif = self._motifs.get(within, ())
        if line == 0 or not motif or n_notes == 0:
            return []
        way = str(rng.choice(("new", "repeat", "sequence", "answer"), p=(0.2, 0.3, 0.25, 0.25)))
        if way == "new":
            return []
        rungs = [ladder.index(_nearest_in(motif[i % len(motif)], ladder)) for i in range(n_notes)]
        moved = 0 if way != "sequence" else int(rng.choice((-2, -1, 1, 2)))
        middle = sum(ladder[rung] for rung in rungs) / n_notes
        if abs(middle - centre) > 7.0:  # the solo has climbed since, or come down
            moved += round((centre - middle) / 2.4)  # a rung of the blues scale is 2 to 3 semitones
        said = [ladder[min(max(rung + moved, 0), len(ladder) - 1)] for rung in rungs]
        if way == "answer":
            said[-1] = _nearest_in(said[-1], [pitch for pitch in ladder if pitch % 12 == self.tonic_pc])
        return said

    def last_note(self, intensity: float) -> tuple[int, int]:
        """The tonic nearest to where the solo left off, and a velocity: for the last bar."""
        pitch = _nearest_in(self.pitch, _ladder({self.tonic_pc}, *SOLO_RANGE))
        return pitch, int(np.clip(60 + 48 * intensity, 1, 127))


def _solo_rhythm(answering: bool, intensity: float, rng: np.random.Generator) -> list[tuple[int, str]]:
    """The (beat, slot) that a bar of a solo strikes: its first bar often begins after the one, the answering one ends
    in a breath."""
    chance = 0.22 + 0.55 * intensity
    slots: list[tuple[int, str]] = []
    for beat in range(4):
        if answering and beat >= 2 and rng.random() > 0.25 + 0.5 * intensity:
            continue
        if not answering and beat == 0 and rng.random() < 0.35:
            continue
        if rng.random() < 0.75 * chance + 0.15:
            slots.append((beat, "on"))
        triplet = rng.random() < 0.35 * max(0.0, intensity - 0.4)
        if triplet:
            slots.append((beat, "mid"))
        if triplet or rng.random() < chance:
            slots.append((beat, "off"))
    return slots


_SUNG_RHYTHMS: tuple[tuple[tuple[int, str, float], ...], ...] = (
    ((0, "off", 0.4), (1, "on", 0.7), (1, "off", 0.4), (2, "on", 1.6)),
    ((1, "on", 0.6), (1, "off", 0.4), (2, "on", 0.6), (2, "off", 1.2)),
    ((0, "on", 0.9), (1, "on", 0.6), (1, "off", 1.4), (3, "on", 0.7)),
    ((0, "off", 0.8), (1, "off", 0.8), (2, "off", 1.2)),
)
_SUNG_ENDS: tuple[tuple[tuple[int, str, float], ...], ...] = (
    ((0, "on", 0.6), (0, "off", 0.4), (1, "on", 2.2)),
    ((0, "on", 0.9), (1, "on", 1.8)),
    ((0, "off", 0.5), (1, "on", 0.6), (1, "off", 1.8)),
)


def sung_bar(
    key: Key, chords: list[Chord], bar: int, intensity: float, places: Places, seed: int, steady: bool
) -> list[LeadNote]:
    """What the voice sings in the form's bar `bar` (1-based): two bars on, two off.

    The line's tune comes from the seed alone (lines 1 and 2 alike, the third another); `steady` (a head) sings it the
    same way each time.
    """
    within = (bar - 1) % 4
    if within > 1:
        return []
    line = (bar - 1) // 4
    tune = np.random.default_rng([seed, 71, 0 if line % 3 < 2 else 1, within])
    rhythms, centre = ((_SUNG_RHYTHMS, 68.5), (_SUNG_ENDS, 65.0))[within]
    rhythm = rhythms[int(tune.integers(len(rhythms)))]
    contour = [*tune.integers(-2, 3, size=8).tolist()[: len(rhythm) - 1], 0]
    ladders = [_sung_ladder(key, steady)] * (len(rhythm) - 1)
    ladders.append(_ladder(_chord_targets(chords[rhythm[-1][0]]), *VOICE_RANGE))  # it ends on a note of the chord
    velocity = int(np.clip(66 + 36 * intensity, 1, 127))
    notes = []
    pitch = centre
    for (beat, slot, length), ladder, rungs in zip(rhythm, ladders, contour, strict=True):
        here = ladder.index(_nearest_in(0.7 * pitch + 0.3 * centre, ladder))
        pitch = float(ladder[min(max(here + rungs, 0), len(ladder) - 1)])
        notes.append(LeadNote(places.at(beat, slot), length, int(pitch), velocity))
    if steady:
        return notes
    chances = [0.7 if i == 0 or note.length_beats >= 1.2 else 0.2 for i, note in enumerate(notes)]
    scooped = tune.random(len(notes)) < chances
    return [note._replace(bend_from=_SCOOPED) if is_so else note for note, is_so in zip(notes, scooped, strict=True)]


def _sung_ladder(key: Key, steady: bool) -> list[int]:
    """The notes that a tune is sung on: a pentatonic for minor and for a head, else the blues scale, no flat fifth."""
    scale = "minor_pentatonic" if key.minor else "major_pentatonic" if steady else "blues"
    steps = set(SCALES[scale]) - ({6} if scale == "blues" else set())
    return _ladder({(key.tonic_pc + step) % 12 for step in steps}, *VOICE_RANGE)
