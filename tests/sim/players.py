"""Simulated players for the form model: lines written from the definitions, sharing no code with the program's own.

A player follows the chart from a place of their own: `displacement(beat)` beats ahead of the band. Four kinds of line:
"roots" (the root on every beat or shuffled), "riff" (one of several figures repeated over every chord), "walk"
(quarters, root on 1, chord and passing notes, an approach on 4) and "solo" (busy, eighths and triplets). Rows are
(onset in beats, pitch, duration in beats, velocity).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from trainer.music import Chord
from trainer.session import Chart

KINDS = ("roots", "riff", "walk", "solo")
RIFFS_A = (  # (beat in bar, semitones above the root); for tuning
    ((0, 0), (0.66, 0), (1, 4), (1.66, 4), (2, 7), (2.66, 7), (3, 9), (3.66, 7)),
    ((0, 0), (1, 7), (2, 10), (3, 12)),
    ((0, 0), (1, 4), (2, 7), (3, 9)),
    ((0, 0), (0.66, 0), (1, 3), (1.66, 4), (2, 7), (3, 9), (3.66, 10)),
)
RIFFS_B = (  # for the test
    ((0, 0), (1, 12), (1.66, 10), (2, 7), (3, 4)),
    ((0, 0), (0.66, 7), (1, 9), (1.66, 10), (2.66, 10), (3, 9), (3.66, 7)),
    ((0, 0), (1, 0), (1.66, 3), (2, 4), (3, 7), (3.66, 9)),
    ((0, 0), (1, 7), (2, 0), (3, 7)),
    ((0, 0), (0.66, 0), (1.66, 0), (2, 10), (2.66, 7), (3, 0)),
    ((0, 7), (1, 9), (2, 10), (3, 12), (3.66, 0)),
)
WALKS_A = ((0, 4, 7, 9), (0, 4, 7, 4), (0, 2, 4, 7), (0, 7, 9, 10), (0, 10, 9, 7), (0, 4, 5, 6), (0, 12, 10, 7))
WALKS_B = (
    (0, 4, 7, 10),
    (0, 7, 4, 2),
    (0, 9, 7, 4),
    (0, 2, 3, 4),
    (0, 4, 9, 7),
    (0, 5, 4, 2),
    (0, 7, 12, 10),
    (0, 3, 4, 7),
)
Row = tuple[float, float, float, float]


@dataclass
class Player:
    """Habits of one simulated player; `variant` "a" serves tuning, "b" the test (other riffs, other habits)."""

    kind: str
    rng: np.random.Generator
    variant: str = "a"
    jitter_beats: float = 0.02
    miss: float = 0.02
    wrong: float = 0.01
    rows: list[Row] = field(default_factory=list)

    def __post_init__(self) -> None:
        rng = self.rng
        self.riff = (RIFFS_A if self.variant == "a" else RIFFS_B)[rng.integers(len(RIFFS_A))]
        self.shuffled = bool(rng.integers(2))
        self.octave = 12 * int(rng.integers(0, 2))
        self.last = 36.0
        self.last_root = -1
        self.steps: tuple[int, ...] = ()

    def low(self, pc: int) -> float:
        return 28.0 + (pc - 28) % 12 + self.octave

    def near(self, pc: int) -> float:
        """The pitch of a class nearest the last one, in the bass's range."""
        low = 28 + (pc - 28) % 12
        options = [low + 12 * k for k in range(3)]
        best = min(options, key=lambda p: abs(p - self.last) + 0.3 * self.rng.random())
        self.last = float(best)
        return float(best)

    def add(self, at: float, pitch: float, beats: float, velocity: float = 84.0) -> None:
        if self.rng.random() < self.miss:
            return
        if self.rng.random() < self.wrong:
            pitch += float(self.rng.choice((-2, -1, 1, 2)))
        at += self.jitter_beats * float(self.rng.standard_normal())
        self.rows.append((at, pitch, beats, velocity + 5.0 * float(self.rng.standard_normal())))

    def beat(self, t: float, place: float, chord: Chord, after: Chord) -> None:
        """One beat of the line: `place` is the beat in the player's own bar, `after` the chord of the next beat."""
        rng = self.rng
        if self.kind == "roots":
            self.add(t, self.low(chord.root_pc), 0.6)
            if self.shuffled:
                self.add(t + 0.66, self.low(chord.root_pc), 0.3)
        elif self.kind == "riff":
            minor = chord.is_minor
            for at, step in self.riff:
                if place <= at < place + 1:
                    step = 3 if (minor and step == 4) else step
                    self.add(t + at - place, self.low(chord.root_pc) + step, 0.5)
        elif self.kind == "walk":
            change = after.root_pc != chord.root_pc
            if place == 0 or not self.steps:
                walks = WALKS_A if self.variant == "a" else WALKS_B
                self.steps = walks[int(rng.integers(len(walks)))]
            step = self.steps[int(place)]
            if chord.is_minor and step == 4:
                step = 3
            pc = (chord.root_pc + step) % 12
            if place == 0:
                held = chord.root_pc == self.last_root
                self.last_root = chord.root_pc
                if rng.random() > (0.9 if held else 0.97):
                    pc = chord.pcs[int(rng.integers(1, 3))]
            elif place == 3 and change:
                leads = (1, -1, -2, 7) if self.variant == "a" else (1, -1, 2, 5)
                pc = (after.root_pc + int(rng.choice(leads))) % 12
            self.add(t, self.near(pc), 0.9)
        else:
            pcs = chord.pcs
            scale = [(chord.root_pc + s) % 12 for s in ((0, 3, 5, 7, 10) if chord.is_minor else (0, 2, 4, 7, 9, 10))]
            draw = rng.random()
            spots = [0.0, 0.66] if draw < 0.6 else [0.0, 0.33, 0.67] if draw < 0.8 else [0.0] if draw < 0.93 else [0.66]
            for spot in spots:
                strong = spot == 0.0 and place in (0, 2)
                if place == 0 and spot == 0.0:
                    held = chord.root_pc == self.last_root
                    self.last_root = chord.root_pc
                    strong = rng.random() < (0.5 if held else 0.9)
                if strong and (place == 0 or rng.random() < 0.3):
                    pc = pcs[0]
                elif rng.random() < (0.85 if spot == 0.0 else 0.6):
                    pc = pcs[int(rng.integers(len(pcs)))]
                else:
                    pc = int(rng.choice(scale))
                if rng.random() < 0.07:
                    pc = (pc + 1) % 12
                self.add(t + spot, self.near(pc) + 12, 0.3)


def cycle_of(chart: Chart) -> list[Chord]:
    """The chord of every beat of one turn of the form (or of the loop)."""
    first, last = chart.session.loop or (1, len(chart.form_chords))
    out = []
    for chords in chart.form_chords[first - 1 : last]:
        out += [chords[k * len(chords) // 4] for k in range(4)]
    return out


def perform(chart: Chart, player: Player, displacement: Callable[[float], float]) -> None:
    """Play the whole chart; the last bar is a held tonic."""
    cycle = cycle_of(chart)
    first = (chart.session.loop or (1, 0))[0]
    for bar in chart.bars:
        if bar.final:
            player.add(bar.onset_beats, player.low(bar.chords[0].root_pc), 3.5)
            continue
        for k in range(4):
            t = bar.onset_beats + k
            place = (bar.bar - first) * 4 + k + displacement(t)
            n = len(cycle)
            player.beat(t, place % 4, cycle[int(place) % n], cycle[int(place + 1) % n])


def stayed(chart: Chart, player: Player, chorus: int, bar: int) -> None:
    """Play the chart, but stay on the chord of the bar before in one bar (the quick change, missed)."""
    cycle = cycle_of(chart)
    for b in chart.bars:
        if b.final:
            player.add(b.onset_beats, player.low(b.chords[0].root_pc), 3.5)
            continue
        for k in range(4):
            place = (b.bar - 1) * 4 + k
            chord, after = cycle[place % len(cycle)], cycle[(place + 1) % len(cycle)]
            if (b.chorus, b.bar) == (chorus, bar):
                chord = after = cycle[(bar - 2) * 4]
            player.beat(b.onset_beats + k, k, chord, after)


def differs(chart: Chart, bar_number: int, beat: int, displacement: float) -> bool:
    """Whether the chord at a place differs from the one played there; a tonic held in an unpinned last bar does not."""
    cycle = cycle_of(chart)
    first = (chart.session.loop or (1, 0))[0]
    place = (bar_number - first) * 4 + beat
    here, there = cycle[place % len(cycle)], cycle[int(place + displacement) % len(cycle)]
    if here.root_pc == there.root_pc and here.is_minor == there.is_minor:
        return False
    last = bar_number == len(chart.form_chords) and not chart.turnaround_pinned
    return not (last and there.root_pc == chart.key.tonic_pc)


def truth(chart: Chart, displacement: Callable[[float], float]) -> list[tuple[int, int, float]]:
    """Spans (first bar index, last bar index, displacement) as they can be heard: bars whose chords differ."""
    spans: list[tuple[int, int, float]] = []
    for bar in chart.bars:
        if bar.final:
            continue
        for k in range(4):
            d = displacement(bar.onset_beats + k)
            if d and differs(chart, bar.bar, k, d):
                if spans and spans[-1][2] == d:
                    spans[-1] = (spans[-1][0], bar.idx, d)
                else:
                    spans.append((bar.idx, bar.idx, d))
    return spans


def heard(chart: Chart, span: tuple[int, int, float]) -> tuple[int, int, tuple[int, ...]]:
    """A span by what was heard in it: two displacements that play the same chords there cannot be told apart."""
    cycle = cycle_of(chart)
    first = (chart.session.loop or (1, 0))[0]
    roots = tuple(
        cycle[int((bar.bar - first) * 4 + k + span[2]) % len(cycle)].root_pc
        for bar in chart.bars[span[0] : span[1] + 1]
        for k in range(4)
    )
    return span[0], span[1], roots


def arrays(player: Player) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Onsets, pitches, durations (beats) and velocities, sorted by onset."""
    rows = np.array(sorted(player.rows), dtype=float)
    return rows[:, 0], rows[:, 1], rows[:, 2], rows[:, 3]
