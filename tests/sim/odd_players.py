"""Players written as text, a bar a line, by somebody who had not seen our own lines: nobody here is lost.

A bar is eight or sixteen marks, of eighths or sixteenths: `R` root, `o` its octave, `3` the chord's third, `b` a minor
third, `4`, `5`, `6`, `7` (flat), `x` a dead note (soft, short, an open string), `-` nothing. A player is a few such
lines gone round by bar; `N` in a mark's place is the next bar's root, `l` and `u` a semitone below and above it.
`TUNING` served while faults were mended; `JUDGING` only counts. Ways of playing: common practice.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from strangers import Row, end, low

from trainer.session import Chart

_STEPS = {"R": 0, "b": 3, "4": 5, "5": 7, "6": 9, "7": 10, "o": 12}

TUNING: dict[str, Sequence[str]] = {
    "minor_riff": ("RRb454bR",),
    "sixteenths": ("RRRRRRRRRRRRRRRR",),
    "double_time_fill": ("R-R-R-R-R-R-R-R-", "R-R-R-R-R-R-R-R-", "R-R-R-R-R-R-R-R-", "R-R-R-R-R457o754"),
    "dead_notes": ("R-Rx5xRx",),
    "hemiola": ("R--R--R-", "-R--R--R", "--R--R--"),
    "phrases": ("--------", "--------", "RRRRRRRR", "RRRRRRRR"),
    "arpeggio": ("R-5-o-5-",),
    "ahead": ("---5--N-",),
    "ahead_of_two": ("R--5--N-", "---5--N-"),
    "stops_then_time": ("R-------",) * 4 + ("RRRR55RR",) * 8,
    "stops_in_turn": ("R-------", "R-R-----") * 2 + ("RRRR55RR",) * 8,
    "threes": ("R--R--R--R--R-R-",),
    "dotted_runs": ("R--RRRRRR--RRRRR",),
}
JUDGING: dict[str, Sequence[str]] = {
    "two_bar_riff": ("R-R5-6-5", "R--R-3-5"),
    "sixths": ("R6R6R6R6",),
    "funk": ("R-xR--5-xR-7x-R-",),
    "train": ("R-RR5-55o-oo5-55",),
    "answers": ("RRRRRRRR", "RRRRRRRR", "--------", "--------"),
    "every_third": ("R-5-o-R-", "5-o-R-5-", "o-R-5-o-"),
    "slap": ("R-oxR-ox",),
    "three_beats": ("R--5--R-", "-5--R--5", "--R--5--"),
    "stops_and_time": (("R-------",) * 4 + ("RR5R6R5R",) * 4 + ("R-------",) * 4),
    "stops_of_two": ("R-----R-", "R-------") * 2 + ("RR5R6R5R",) * 8,
    "stops_round_time": ("R--R----", "R-------") * 2 + ("RRRRRRRR",) * 4 + ("R-------",) * 4,
    "dotted_and_even": ("R-R-R--RR-R-R--R",),
    "dotted_clave": ("R--R--R---R-R---",),
}
KINDS = {**TUNING, **JUDGING}


def rows_of(chart: Chart, lines: Sequence[str]) -> list[Row]:
    """What such a player plays: (onset, length, pitch, velocity) in beats, on the grid with even eighths."""
    out: list[Row] = []
    for i, bar in enumerate(chart.bars[:-1]):
        marks = lines[i % len(lines)]
        each = 4.0 / len(marks)
        ahead = low(chart.bars[i + 1].chords[0].root_pc)
        for k, mark in enumerate(marks):
            chord = bar.chords[int(k * len(bar.chords) / len(marks))]
            at, length = bar.onset_beats + k * each, 0.8 * each
            if mark == "x":
                out.append((at, 0.08, (28.0, 33.0, 38.0, 43.0)[k % 4], 20.0))
            elif mark != "-":
                third = 3 if chord.is_minor else 4
                step = third if mark == "3" else _STEPS.get(mark, 0)
                pitch = {"N": ahead, "l": ahead - 1, "u": ahead + 1}.get(mark, low(chord.root_pc) + step)
                out.append((at, length, float(pitch), 88.0))
    return [*out, end(chart)]


def human(rows: list[Row], rng: np.random.Generator, ratio: float, spread_beats: float = 0.015) -> list[Row]:
    """The rows with eighths at a swing ratio, sixteenths even, and a hand's time that wanders slowly."""
    slow = np.cumsum(rng.normal(0.0, 0.15, len(rows)))
    slow -= np.linspace(0.0, 1.0, len(rows)) * slow[-1]
    late = spread_beats * (rng.standard_normal(len(rows)) + 0.5 * slow / max(float(np.std(slow)), 1e-9))
    fine = {np.floor(at) for at, *_ in rows if round(4 * at) % 2}
    out = []
    for (at, *rest), away in zip(sorted(rows), late, strict=True):
        off = at % 1 == 0.5 and np.floor(at) not in fine
        out.append((float(at + (ratio / (1.0 + ratio) - 0.5) * off + away), *rest))
    return sorted(out)
