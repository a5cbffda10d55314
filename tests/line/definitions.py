"""The devices of a line as the project defines them, read from notes alone.

Written apart from the generator: each check takes plain onsets, ends and pitches and the chart, and says whether the
device stands there. Tests hold every claim of every generated line against these.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from trainer.session import Chart

NEAR = 1e-6
MAJOR, MIXOLYDIAN = (0, 2, 4, 5, 7, 9, 11), (0, 2, 4, 5, 7, 9, 10)
FIVE_NOTE = ({0, 2, 4, 7, 9}, {0, 3, 5, 7, 10})


@dataclass(frozen=True)
class Notes:
    onset: np.ndarray
    end: np.ndarray
    pitch: np.ndarray

    def between(self, start: float, stop: float) -> list[tuple[float, int, float]]:
        """(onset, pitch, end) of the notes that start in [start, stop)."""
        i = np.flatnonzero((self.onset >= start - NEAR) & (self.onset < stop - NEAR))
        return [(float(self.onset[k]), int(self.pitch[k]), float(self.end[k])) for k in i]

    def at(self, beat: float) -> tuple[float, int, float] | None:
        found = self.between(beat, beat + 10 * NEAR)
        return found[0] if found else None

    def held_at(self, beat: float) -> int | None:
        i = np.flatnonzero((self.onset < beat - NEAR) & (self.end > beat + 0.05))
        return int(self.pitch[i[-1]]) if i.size else None


def chord_at(chart: Chart, beat: float):
    i = int(np.searchsorted([s.onset_beats for s in chart.spans], beat + NEAR, side="right")) - 1
    return chart.spans[max(i, 0)].chord


def owed(chart: Chart, beat: float) -> int:
    """The pitch class the bass owes: the written bass note of a slash chord, else the root."""
    chord = chord_at(chart, beat)
    return chord.root_pc if chord.bass_pc is None else chord.bass_pc


def holds(name: str, notes: Notes, chart: Chart, at: float, beats: float) -> bool:
    return CHECKS[name](notes, chart, at, beats)


def _off(chart: Chart) -> float:
    r = chart.session.swing_ratio
    return r / (1 + r)


def _above_root(notes: Notes, chart: Chart, at: float, beats: float) -> list[int]:
    root = chord_at(chart, at).root_pc
    return [(p - root) % 12 for _, p, _ in notes.between(at, at + beats)]


def root_shuffle(notes: Notes, chart: Chart, at: float, beats: float) -> bool:
    inside = notes.between(at, at + beats)
    root = owed(chart, at)
    struck = all(notes.at(at + k) is not None for k in range(1, 4))
    first = notes.at(at)
    first_pitch = first[1] if first else notes.held_at(at)
    pairs = sum(notes.at(at + k + _off(chart)) is not None for k in range(4))
    share = np.mean([p % 12 == root for _, p, _ in inside])
    return struck and first_pitch is not None and first_pitch % 12 == root and pairs >= 2 and share >= 0.75


def pentatonic_riff(notes: Notes, chart: Chart, at: float, beats: float) -> bool:
    steps = _above_root(notes, chart, at, beats)
    return any(set(steps) <= scale for scale in FIVE_NOTE) and len(set(steps)) >= 3 and len(steps) >= 4


def walking_line(notes: Notes, chart: Chart, at: float, beats: float) -> bool:
    on = [notes.at(at + k) for k in range(4)]
    if any(n is None for n in on) or on[0][1] % 12 != chord_at(chart, at).root_pc:
        return False
    return len({n[1] % 12 for n in on}) >= 3 and len(notes.between(at, at + 4)) <= 5


def _into(notes: Notes, chart: Chart, at: float, beats: float):
    """The run's notes, and the note that lands on the change, if it is the new chord's root."""
    change = at + beats
    landing = notes.at(change)
    target = chord_at(chart, change)
    due = owed(chart, change)
    if landing is None or landing[1] % 12 != due or owed(chart, change - 0.05) == due:
        return None
    # A grace note that runs into the landing is no step of its own.
    inside = notes.between(at, change)
    run = [p for o, p, end in inside if (o > at + NEAR and end - o > 0.13) or o <= at + NEAR]
    return run, landing[1], target


def chromatic_approach(notes: Notes, chart: Chart, at: float, beats: float) -> bool:
    found = _into(notes, chart, at, beats)
    if found is None:
        return False
    run, landing, _ = found
    steps = np.diff([*run, landing])
    return 1 <= len(run) <= 4 and (bool(np.all(steps == 1)) or bool(np.all(steps == -1)))


def scale_descent(notes: Notes, chart: Chart, at: float, beats: float) -> bool:
    found = _into(notes, chart, at, beats)
    if found is None:
        return False
    run, landing, target = found
    places = [p - landing for p in run]
    for scale in (MAJOR, MIXOLYDIAN):
        ladder = sorted({s + 12 * o for s in scale for o in (0, 1)} | {24})
        if target.third == 4 and all(p in ladder for p in places):
            idx = [ladder.index(p) for p in places]
            if len(idx) >= 3 and idx == list(range(len(idx), 0, -1)):
                return True
    return False


def triplet_figure(notes: Notes, chart: Chart, at: float, beats: float) -> bool:
    inside = [o - at for o, _, _ in notes.between(at, at + 1)]
    return len(inside) == 3 and bool(np.allclose(inside, [0, 1 / 3, 2 / 3], atol=1e-9))


def octave_shift(notes: Notes, chart: Chart, at: float, beats: float) -> bool:
    pitches = [p for _, p, _ in notes.between(at, at + beats)]
    root = chord_at(chart, at).root_pc
    leaps = sum(abs(a - b) == 12 for a, b in pairwise(pitches))
    return leaps >= 1 and len({p for p in pitches if p % 12 == root}) == 2 and len(set(pitches)) <= 3


def pedal(notes: Notes, chart: Chart, at: float, beats: float) -> bool:
    inside = {p for _, p, _ in notes.between(at, at + beats)}
    roots = {chord_at(chart, at + k).root_pc for k in range(int(beats))}
    left = notes.at(at + beats)
    tonic = chart.session.key.tonic_pc
    return (
        len(inside) == 1
        and min(inside) % 12 in (tonic, (tonic + 7) % 12)
        and len(roots) >= 2
        and left is not None
        and left[1] % 12 == chord_at(chart, at + beats).root_pc
    )


def turnaround_figure(notes: Notes, chart: Chart, at: float, beats: float) -> bool:
    """The form's last two bars, from the tonic; the five reached by the third beat of the last, or on a beat before."""
    tonic = chart.session.key.tonic_pc
    start = notes.at(at)
    bars = [bar for bar in chart.bars if abs(bar.onset_beats - at) < NEAR or abs(bar.onset_beats - at - 4) < NEAR]
    written = len(bars[0].chords) + len(bars[1].chords) > 2
    on_five = [notes.at(at + k) for k in range(1 if written else 4, 7)]
    return (
        beats == 8
        and all(bar.turnaround for bar in bars)
        and start is not None
        and start[1] % 12 == tonic
        and any(n is not None and n[1] % 12 == (tonic + 7) % 12 for n in on_five)
        and len(notes.between(at, at + 8)) >= 4
    )


def doubled_notes(notes: Notes, chart: Chart, at: float, beats: float) -> bool:
    pairs = [notes.between(at + k, at + k + 1) for k in range(4)]
    doubled = all(len(pair) == 2 and pair[0][1] == pair[1][1] for pair in pairs)
    return doubled and len({pair[0][1] for pair in pairs}) >= 3


def box_figure(notes: Notes, chart: Chart, at: float, beats: float) -> bool:
    steps = _above_root(notes, chart, at, beats)
    pitches = [p for _, p, _ in notes.between(at, at + beats)]
    return set(steps) == {0, 7, 10} and max(pitches) - min(pitches) == 12


def boogie_figure(notes: Notes, chart: Chart, at: float, beats: float) -> bool:
    third = chord_at(chart, at).third
    return set(_above_root(notes, chart, at, beats)) == {0, third, 7, 9, 10}


def push(notes: Notes, chart: Chart, at: float, beats: float) -> bool:
    change = at + beats
    early = notes.at(at)
    due = owed(chart, change)
    off = abs(at - (np.floor(at) + _off(chart))) < NEAR and change == np.floor(at) + 1
    held = early is not None and early[1] % 12 == due and early[2] > change + 0.1
    return bool(off) and held and notes.at(change) is None and due != owed(chart, at)


def slide_in(notes: Notes, chart: Chart, at: float, beats: float) -> bool:
    found = _into(notes, chart, at, beats)
    return found is not None and 0 < beats <= 1 / 3 and len(found[0]) == 1 and found[1] - found[0][0] in (1, 2)


CHECKS = {f.__name__: f for f in (
    root_shuffle, pentatonic_riff, walking_line, chromatic_approach, scale_descent, triplet_figure, octave_shift, pedal,
    turnaround_figure, doubled_notes, box_figure, boogie_figure, push, slide_in,
)}  # fmt: skip
