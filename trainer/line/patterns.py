"""The figures that lines are made of: for each device at least eight written variants, as patterns.

A pattern is a bar of eight eighth-note slots (on-beat, off-beat, …), a token each; the off-beat lies where the chart's
swing puts it. "." holds on, "(a b c)" fills a beat with a triplet ("_" in it is silent). Tokens: degrees above the
chord's root ("1 3 5 6 b7 8", third, fifth and seventh as the chord has them; a comma puts one an octave lower), "n+2"
semitones above (or below) the next root, "t+7" above the tonic, "L" a note that leads into the next root, "g-1" a grace
note just before the next downbeat. All figures are common practice, written out here.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

from trainer.music import Chord

__all__ = ["FILLERS", "PATTERNS", "SLASH_FILLERS", "Cell", "cells", "degree_semitones"]

# Bars that carry a device within themselves.
PATTERNS: dict[str, tuple[str, ...]] = {
    # Roots in shuffle eighths: every beat struck, at least six notes of the bar, the last free to lead on.
    "root_shuffle": (
        "1 1 1 1 1 1 1 1",
        "1 . 1 1 1 . 1 1",
        "1 1 1 . 1 1 1 .",
        "1 1 1 1 1 1 1 L",
        "1 . 1 1 1 1 1 L",
        "1 1 1 1 1 . 1 1",
        "1 1 1 . 1 1 1 L",
        "1 . 1 1 1 1 1 1",
        "1 1 1 1 1 1 1 .",
        "1 1 1 . 1 . 1 1",
    ),
    # Riffs on the five-note scales above the chord's root, a short motif with air in it.
    "pentatonic_riff": (
        "1 . b3 4 . 4 5 .",
        "1 1 . b7, 1 . b3 1",
        "1 . 5 b7 . 5 4 b3",
        "1 b3 4 . b3 . . 1",
        "1 . . 1 b3 4 b3 1",
        "1 . 4 5 b7 . 5 4",
        "1 . b7 5 4 . b3 1",
        "1 b3 . 4 5 . 4 b3",
        "1 . b3 1 4 . b3 1",
        "1 2 3 . 5 . 6 5",
        "1 . 6 5 3 . 2 1",
        "1 . 3 5 . 6 5 3",
        "1 b3 4 5 b7 5 4 b3",
        "1 1 b3 4 5 . 4 b3",
        "1 b7 5 4 . b3 1 b3",
    ),
    # Four to the bar, stepping or by chord tones, the last note leading into the next root.
    "walking_line": (
        "1 . 3 . 5 . L .",
        "1 . 2 . 3 . L .",
        "1 . 5 . 3 . L .",
        "1 . 3 . 6 . L .",
        "1 . b7 . 5 . L .",
        "1 . 5 . 6 . L .",
        "1 . 8 . b7 . L .",
        "1 . 5, . 6, . L .",
        "1 . 3 . 4 . L .",
        "1 . b7, . 5, . L .",
        "1 . 3 3 5 . L .",
        "1 . 5 . 8 . L .",
    ),
    # A beat of triplets answered by plain shuffle notes.
    "triplet_figure": (
        "1 . 1 1 1 . (1 3 5)",
        "1 1 1 1 1 . (5 3 1)",
        "1 . (1 3 5) 6 . 5 3",
        "1 . 1 1 (5 6 5) 3 .",
        "1 . 5 . (8 b7 5) 4 3",
        "1 1 1 1 1 1 (1 1 1)",
        "1 . 3 5 1 . (b3 3 1)",
        "1 . (5 6 b7) 8 . 5 .",
        "1 . (1 1 1) 5 . (5 5 5)",
        "1 1 5 . 1 . (8 5 3)",
    ),
    # The same note an octave away, there and back.
    "octave_shift": (
        "1 . 8 . 1 . 8 .",
        "1 8 1 8 1 8 1 8",
        "1 . 1 8 1 . 1 8",
        "1 1 8 8 1 1 8 8",
        "1 . . 8 1 . . 8",
        "1 1 1 1 8 8 8 8",
        "1 . 8 8 . 1 8 .",
        "8 . 1 . 8 . 1 .",
        "8 8 1 1 8 8 1 1",
        "1 . 8 1 . 8 1 8",
        "1 . 8 . 8 . 1 .",
        "1 8 1 1 8 8 1 1",
        "1 8 1 8 1 8 1 L",
        "1 . 8 . 1 8 1 L",
    ),
    # A quarter-note line with every note struck twice.
    "doubled_notes": (
        "1 1 3 3 5 5 6 6",
        "1 1 5 5 6 6 5 5",
        "1 1 b7 b7 5 5 3 3",
        "1 1 3 3 5 5 3 3",
        "1 1 2 2 3 3 5 5",
        "1 1 6 6 5 5 3 3",
        "1 1 5 5 3 3 2 2",
        "1 1 3 3 4 4 #4 #4",
        "1 1 8 8 b7 b7 5 5",
        "1 1 5, 5, 6, 6, b7, b7,",
    ),
    # 1 5 b7 8: the shape that lies under one hand on two strings.
    "box_figure": (
        "1 . 5 . b7 . 8 .",
        "1 1 5 5 b7 . 8 .",
        "1 . 5 b7 8 . b7 5",
        "1 1 . 5 b7 . 8 b7",
        "1 . . 5 b7 8 . 5",
        "1 5 b7 8 . 8 b7 5",
        "1 . 5 . 8 . b7 5",
        "8 . b7 . 5 . 1 .",
        "1 . 5 b7 8 b7 5 1",
        "1 . 8 b7 5 . b7 5",
    ),
    # 1 3 5 6 b7 up and, most often, down again.
    "boogie_figure": (
        "1 3 5 6 b7 6 5 3",
        "1 . 3 . 5 6 b7 6",
        "1 . 3 5 6 . b7 6",
        "1 1 3 5 6 b7 6 5",
        "1 . 3 . 5 . 6 b7",
        "1 3 . 5 6 . b7 6",
        "1 . 3 3 5 6 b7 5",
        "1 . 1 3 5 6 b7 6",
        "1 3 5 6 b7 . 6 5",
        "1 . 3 5 6 b7 6 5",
    ),
    # Into the next root by semitones, landing on the change. Three from below is the classic.
    "chromatic_approach": (
        "1 . n-3 . n-2 . n-1 .",
        "1 1 1 1 1 n-3 n-2 n-1",
        "1 . 1 1 n-3 . n-2 n-1",
        "1 . 1 . n-2 . n-1 .",
        "1 . 1 1 1 . n-2 n-1",
        "1 . 1 1 1 . n-1 .",
        "1 1 1 1 1 1 1 n-1",
        "1 . 1 1 n-4 n-3 n-2 n-1",
        "1 . n+3 . n+2 . n+1 .",
        "1 . 1 . n+2 . n+1 .",
        "1 1 1 1 1 1 1 n+1",
        "1 . 1 1 1 n+3 n+2 n+1",
        "1 . 1 1 n+4 n+3 n+2 n+1",
        "1 . 1 1 1 . n+1 .",
    ),
    # Down the coming chord's own scale to its root, landing on the change.
    "scale_descent": (
        "1 . n+5 . n+4 . n+2 .",
        "1 . 1 1 n+7 n+5 n+4 n+2",
        "1 1 1 n+9 n+7 n+5 n+4 n+2",
        "1 . n+10 n+9 n+7 n+5 n+4 n+2",
        "1 n+12 n+10 n+9 n+7 n+5 n+4 n+2",
        "1 n+12 n+11 n+9 n+7 n+5 n+4 n+2",
        "1 . n+7 . n+5 . n+4 n+2",
        "1 . n+9 n+7 n+5 . n+4 n+2",
        "1 . n+7 n+5 n+4 . n+2 .",
        "1 . 1 n+7 n+5 . n+4 n+2",
        "1 1 1 1 1 n+5 n+4 n+2",
    ),
    # The root that is due comes an off-beat early and is held across the line.
    "push": (
        "1 . 1 1 1 . 1 n+0",
        "1 1 1 1 1 1 . n+0",
        "1 . 5 . 1 . . n+0",
        "1 . . 1 1 . . n+0",
        "1 . 3 . 5 . . n+0",
        "1 1 . 5 1 . . n+0",
        "1 . 1 . 5 . 5 n+0",
        "1 . 5 5 1 . 5 n+0",
        "1 . . 5 . 5 . n+0",
    ),
    # A short note just under the root that is due, slid into it.
    "slide_in": (
        "1 . 1 1 1 . 1 . g-1",
        "1 . 5 . 1 . 5 . g-1",
        "1 1 1 1 1 . 5 . g-2",
        "1 . 3 . 5 . 3 . g-1",
        "1 . . 5 1 . 5 . g-1",
        "1 . 1 . 5 . 5 . g-2",
        "1 1 5 . 1 1 5 . g-1",
        "1 . 1 1 5 . . . g-2",
        "1 . . . 5 . . . g-1",
    ),
    # One note under changing chords.
    "pedal": (
        "1 1 1 1 1 1 1 1",
        "1 . 1 . 1 . 1 .",
        "1 . 1 1 1 . 1 1",
        "1 1 1 . 1 1 1 .",
        "1 . . 1 1 . . 1",
        "1 . 1 1 . 1 1 .",
        "1 . . . 1 . 1 1",
        "1 1 . 1 1 . 1 1",
    ),
    # Two bars from the tonic to the five (bars parted by "|"), in semitones from the tonic.
    "turnaround_figure": (
        "t+0 . t+4 . t+5 . t+6 . | t+7 . t+7 . t+7 . L .",
        "t+0 t+0 t+4 t+4 t+5 t+5 t+6 t+6 | t+7 . t+7 t+7 t+7 . t+7 L",
        "t+0 . t+12 . t+10 . t+9 . | t+8 . t+7 . t+7 . L .",
        "t+12 . t+10 . t+9 . t+8 . | t+7 . t+7 t+7 t+7 . L .",
        "t+0 t+0 t+0 . t+4 . t+5 t+6 | t+7 . . t+7 t+7 . L .",
        "t+0 . t+0 t+0 t+5 . t+5 t+6 | t+7 . t+7 . t+5 . L .",
        "t+0 . t+0 . t+4 t+5 t+6 . | t+7 t+7 t+7 . t+7 . t+7 L",
        "t+12 t+12 t+10 t+10 t+9 t+9 t+8 t+8 | t+7 . t+7 . t+7 . L .",
        "t+0 . . t+4 . t+5 t+6 . | t+7 . t+2 . t+7 . L .",
    ),
}

# Bars that only carry the time, between devices: all on the root, whatever the line asks for.
FILLERS: dict[str, tuple[str, ...]] = {
    "eighths": ("1 . 1 1 1 . 1 1", "1 1 1 1 1 1 1 1", "1 . 1 1 1 1 1 L"),
    "quarters": ("1 . 3 . 5 . L .", "1 . 5 . 3 . L ."),
    "two_beat": ("1 . . . 5 . . .", "1 . . . 5 . . L"),
    # Straight eighths: long-long-short first, then with the third or the last note split, pushed, or struck early.
    "free": (
        "1 . . 5 . . 8 .",
        "1 . . 5 . . 5 .",
        "1 . . 5, . . 5, .",
        "1 . . 5 . . 1 .",
        "1 . . 5 5 . 8 .",
        "1 . . 5 . . 8 8",
        "1 . 1 5 . . 8 .",
        "1 . . 5 . 5 8 .",
        "1 . . 5 1 . 5 .",
        "1 . . 5, 1 . 5, .",
        "1 . . 5 . . 1 1",
        "1 . . 5, . . 1 1",
        "1 . 1 5 . . 1 .",
        "1 . 1 5, . . 1 .",
        "1 . . 5 . 5 1 .",
        "1 . . 5, . 5, 1 .",
    ),
}

# Under a slash chord only its bass note is safe.
SLASH_FILLERS: dict[str, tuple[str, ...]] = {
    "eighths": ("1 . 1 1 1 . 1 1", "1 . 1 1 1 . 1 L"),
    "quarters": ("1 . 1 . 1 . L .", "1 . 1 . 1 . 1 ."),
    "two_beat": ("1 . . . 1 . . .", "1 . . . 1 . . L"),
    "free": ("1 . . 1 . . 1 .", "1 . . 1 . . L ."),
}

_FIXED = {
    "1": 0, "b2": 1, "2": 2, "b3": 3, "4": 5, "#4": 6, "b6": 8, "6": 9, "8": 12, "9": 14,
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Cell:
    """A token of a pattern with its place: eighths from the bar's start, or a triplet partial of a beat."""

    beat: int
    part: str  # "on" · "off" · "t0" "t1" "t2" of a triplet · "grace" before beat `beat`
    token: str


@cache
def cells(pattern: str) -> tuple[Cell, ...]:
    """The struck cells of a one-bar pattern (or a part of a bar: two slots a beat)."""
    out: list[Cell] = []
    slot = 0
    words = pattern.replace("(", " ( ").replace(")", " ) ").split()
    i = 0
    while i < len(words):
        word = words[i]
        if word == "(":
            for k, token in enumerate(words[i + 1 : i + 4]):
                if token != "_":
                    out.append(Cell(slot // 2, f"t{k}", token))
            assert words[i + 4] == ")" and slot % 2 == 0, pattern
            slot += 2
            i += 5
            continue
        if word.startswith("g"):
            out.append(Cell(slot // 2, "grace", word))
        else:
            if word != ".":
                out.append(Cell(slot // 2, "off" if slot % 2 else "on", word))
            slot += 1
        i += 1
    assert slot in (2, 4, 8), pattern
    return tuple(out)


def degree_semitones(token: str, chord: Chord) -> int:
    """Semitones of a degree token above the chord's root; third, fifth and seventh are the chord's own."""
    down = 12 if token.endswith(",") else 0
    name = token.rstrip(",")
    if name == "3":
        return (chord.third if chord.third is not None else 5) - down
    if name == "5":
        return (chord.fifth or 7) - down
    if name == "b7":
        return (chord.seventh or 10) - down
    return _FIXED[name] - down
