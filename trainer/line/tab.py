"""A line as tablature: three places a beat when it swings, four when it is straight; highest string on top."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from trainer.line.fingering import fingering
from trainer.line.score import LineScore
from trainer.music import Tuning
from trainer.session import ChartBar

__all__ = ["GRACE_MOST_BEATS", "bar_heading", "on_bass", "places_a_beat", "tab_bars", "tab_windows"]

GRACE_MOST_BEATS = 0.15  # shorter than any note but a grace note


def on_bass(made: LineScore, tuning: Tuning) -> LineScore:
    """The same notes fingered for another bass. `UsageError` names a note that it does not have."""
    if tuning == made.tuning:
        return made
    notes = made.notes.copy()
    slides = notes["duration_beats"] < GRACE_MOST_BEATS
    hand = fingering(notes["pitch"], notes["onset_beats"], tuning, slides=slides)
    notes["string"], notes["fret"] = hand[:, 0], hand[:, 1]
    return replace(made, notes=notes, tuning=tuning)


def places_a_beat(made: LineScore) -> int:
    return 3 if made.chart.swing_ratio > 1.1 else 4


def tab_bars(made: LineScore) -> dict[int, tuple[str, ...]]:
    """By bar of the chart, one text a string: two characters a place. A grace note is written "4/"."""
    per_beat = places_a_beat(made)
    n_places = 4 * per_beat
    onsets = made.notes["onset_beats"].astype(np.float64)
    bar_of = made.chart.bar_idx_at(onsets + 1e-9)
    out = {}
    for bar in made.chart.bars:
        cells = [["--"] * n_places for _ in made.tuning.open_pitches]
        for note in made.notes[(bar_of == bar.idx) & (onsets >= bar.onset_beats - 1e-9)]:  # a pick-up has no bar
            place = min(n_places - 1, int(np.rint((note["onset_beats"] - bar.onset_beats) * per_beat)))
            grace = bool(note["duration_beats"] < GRACE_MOST_BEATS and place == n_places - 1)
            cells[int(note["string"]) - 1][place] = f"{int(note['fret'])}".ljust(2, "/" if grace else "-")
        out[bar.idx] = tuple("".join(row) for row in cells)
    return out


def bar_heading(bar: ChartBar) -> str:
    """ "2.5 C7": chorus and bar, and its chords."""
    where = f"{bar.chorus}.{bar.bar}" if bar.chorus else f"intro {bar.bar}"
    return f"{where} {' '.join(chord.name for chord in bar.chords)}"


def tab_windows(made: LineScore) -> dict[int, tuple[str, ...]]:
    """By bar of the chart that is only listened to, what a player reads while it sounds: that bar and the next."""
    bars, rows = made.chart.bars, tab_bars(made)
    names = made.tuning.names[::-1]
    wide = max(map(len, names))
    out = {}
    for bar in bars:
        if not bar.heard:
            continue
        shown = [other for other in bars[bar.idx : bar.idx + 2] if other.heard]
        width = len(rows[bar.idx][0]) + 1
        head = " " * (wide + 1) + "".join(f"{bar_heading(other):<{width}}" for other in shown).rstrip()
        lines = (
            f"{name:<{wide}}|" + "".join(f"{rows[other.idx][i]}|" for other in shown) for i, name in enumerate(names)
        )
        out[bar.idx] = (head, *lines)
    return out
