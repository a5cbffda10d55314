"""From played or modelled notes to written ones: what a copyist would put on paper.

Rhythm is read musically, beat by beat, as the scorer reads it (the project's definitions): a swung
off-beat is a plain eighth under a swing mark, triplet figures are triplets, anything else the nearest sixteenth. In a
straight groove each beat is sixteenths or triplets, whichever lies nearer. A note is written up to the next one unless
a rest of an eighth or more was left.

Conventions: written time is counted in `DIVISIONS` to the quarter, from the chart's first bar; a pick-up is negative.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from trainer.clock.tempo import swing_offbeat_frac
from trainer.errors import UsageError
from trainer.line import LineScore, fingering
from trainer.music import FIVE_STRING, FOUR_STRING, Tuning
from trainer.scoring.reading import Reading
from trainer.session import BEATS_PER_BAR, Chart

__all__ = ["DIVISIONS", "Written", "WrittenNote", "written_chart", "written_line", "written_take"]

DIVISIONS = 12  # to a quarter: eighths 6, triplet eighths 4, sixteenths 3
BAR = BEATS_PER_BAR * DIVISIONS
_EIGHTH = DIVISIONS // 2
STRAIGHT_RATIO = 1.1  # up to here eighths are written and read as even; our choice

Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class WrittenNote:
    """A note on paper: start and length in divisions, MIDI pitch, string (from the highest, 1) and fret (0: none).

    `head` is "normal", or "x" for a note that missed its change, or "ghost" for a dead note.
    """

    start: int
    length: int
    pitch: int
    string: int = 0
    fret: int = -1
    head: str = "normal"


@dataclass(frozen=True)
class Written:
    """Notes on paper over a chart; the first bar of the chart is division 0.

    `pickup` is the length in divisions of the incomplete bar before it, 0 without one. `n_left_out` counts the notes
    that found no place: before the first bar without a planned pick-up, after the last one.
    """

    chart: Chart
    notes: tuple[WrittenNote, ...]
    title: str
    tuning: Tuning = FOUR_STRING
    pickup: int = 0
    n_left_out: int = 0


def written_chart(chart: Chart) -> Written:
    """The chart alone: chords over empty bars."""
    return Written(chart, (), chart.session.title)


def written_line(line: LineScore, title: str | None = None) -> Written:
    """A model line on paper, with its own strings and frets."""
    notes = line.notes
    places = _places(notes["onset_beats"], line.chart)
    ends = notes["onset_beats"] + notes["duration_beats"]
    pickup = _pickup(places)
    out = _written(places, ends, line.chart, notes["pitch"], notes["string"], notes["fret"], None, pickup)
    n_left_out = int(np.sum((places < -pickup) | (places >= len(line.chart.bars) * BAR)))
    return Written(line.chart, out, title or line.chart.session.title, line.tuning, pickup, n_left_out)


def written_take(reading: Reading, chart: Chart, missed: Sequence[float] = ()) -> Written:
    """A take on paper. `missed` holds the beats of changes that were missed; the note there gets an x for its head.

    A player's own string channels are kept where every pitch lies on its string; else strings and frets are chosen for
    least motion of the hand, and a pitch that no bass has stands without a fret. What was played before the first bar
    is written only where the session plans a pick-up.
    """
    lead_in = -np.ceil(chart.session.pickup_beats)
    early = reading.beat_idx < chart.first_beats + lead_in
    late = reading.beats >= chart.end_beats
    keep = ~reading.stacked & ~early & ~late
    beats = reading.placed_beats[keep]
    slots = reading.slot[keep]
    pitch = np.rint(reading.pitch[keep]).astype(np.int64)
    whole = reading.beat_idx[keep].astype(np.float64)
    if chart.swing_ratio <= STRAIGHT_RATIO:
        inside = _straight(whole, beats - whole)
    else:
        part = np.array([0, _EIGHTH, DIVISIONS // 3, 2 * DIVISIONS // 3, -1])[slots]
        other = np.rint((beats - whole) * 4.0).astype(np.int64) * 3
        inside = np.where(part >= 0, part, other)
    places = np.rint((whole - chart.first_beats) * DIVISIONS).astype(np.int64) + inside
    places = np.maximum(places, int(lead_in) * DIVISIONS)  # an early first note belongs to the first beat
    ends = beats + reading.duration_beats[keep]
    tuning = FIVE_STRING if pitch.size and int(pitch.min()) < FOUR_STRING.lowest else FOUR_STRING
    strings, frets = _hand(pitch, beats, reading.notes["channel"][keep], tuning)
    heads = ["ghost" if ghost else "normal" for ghost in reading.ghost[keep]]
    for at in missed:
        near = np.flatnonzero(np.abs(places - round((at - chart.first_beats) * DIVISIONS)) <= 1)
        if near.size:
            heads[int(near[0])] = "x"
    pickup = _pickup(places)
    out = _written(places, ends, chart, pitch, strings, frets, heads, pickup)
    return Written(chart, out, chart.session.title, tuning, pickup, int(np.sum(early | late)))


def _pickup(places: Ints) -> int:
    """Divisions of the incomplete bar that holds the notes before the first one: whole beats, at most a bar."""
    before = places[(places < 0) & (places >= -BAR)]
    return int(-(before.min() // DIVISIONS) * DIVISIONS) if before.size else 0


def _straight(whole: NDArray[np.float64], phase: NDArray[np.float64]) -> Ints:
    """Divisions into the beat where eighths are even: the grid of four or of three, whichever a beat's notes fit."""
    out = np.rint(phase * 4.0).astype(np.int64) * 3
    for beat in np.unique(whole):
        idx = np.flatnonzero(whole == beat)
        if idx.size < 2:
            continue
        misses = [float(np.sum((phase[idx] - np.rint(phase[idx] * n) / n) ** 2)) for n in (4, 3)]
        if misses[1] < 0.5 * misses[0]:  # our choice: three only when it fits clearly better
            out[idx] = np.rint(phase[idx] * 3.0).astype(np.int64) * 4
    return out


def _hand(pitch: Ints, beats: NDArray[np.float64], channel: NDArray[np.uint8], tuning: Tuning) -> tuple[Ints, Ints]:
    """String and fret of each pitch: the string channels if they make sense, else least motion."""
    channels = np.unique(channel)
    open_pitch = np.array(tuning.open_pitches)[::-1]
    n_strings = len(open_pitch)
    if 2 <= channels.size <= n_strings and int(channels.max() - channels.min()) < n_strings:
        # Mode 4: the highest string on the lowest channel, as guitar-type controllers send (MIDI 1.0). Which channel is
        # the lowest cannot be seen when a string was not played: the first base that puts every pitch on its string.
        low, high = int(channels.min()), int(channels.max())
        for base in range(low, high - n_strings, -1):
            string = channel.astype(np.int64) - base + 1
            fret = pitch - open_pitch[string - 1]
            if np.all((fret >= 0) & (fret <= tuning.n_frets)):
                return string, fret
    if not pitch.size:
        return pitch, pitch
    try:
        hand = fingering(pitch, beats, tuning)
    except UsageError:
        return np.zeros_like(pitch), np.full_like(pitch, -1)
    return hand[:, 0], hand[:, 1]


def _places(onset_beats: ArrayLike, chart: Chart) -> Ints:
    """Written places of exact onsets: each beat is read as a whole from what it holds."""
    at = np.asarray(onset_beats, dtype=np.float64)
    whole = np.floor(at + 1e-6)
    phase = at - whole
    off = float(swing_offbeat_frac(chart.swing_ratio))
    places = np.empty(at.size, dtype=np.int64)
    for beat in np.unique(whole):
        idx = np.flatnonzero(whole == beat)
        inside = phase[idx]
        near_triplet = np.abs(inside[:, None] - np.array([0.0, 1 / 3, 2 / 3])[None, :]) < 0.02
        swung = np.abs(inside - off) < 0.02
        middle = np.abs(inside - 1 / 3) < 0.02
        if np.all(near_triplet.any(axis=1)) and middle.any():
            part = np.rint(inside * 3.0).astype(np.int64) * 4
        elif np.all(swung | (inside < 0.02)):
            part = np.where(swung, _EIGHTH, 0)
        else:
            part = np.rint(inside * 4.0).astype(np.int64) * 3
        places[idx] = np.rint((beat - chart.first_beats) * DIVISIONS).astype(np.int64) + part
    return places


def _one_grid_a_beat(places: Ints) -> tuple[Ints, set[int]]:
    """Places with every beat in halves and quarters or in thirds, never both; and the beats that are in thirds."""
    beat, inside = places // DIVISIONS, places % DIVISIONS
    thirds = set(beat[np.isin(inside, (4, 8))].tolist())
    snapped = np.minimum((inside + 2) // 4 * 4, 8)
    return np.where(np.isin(beat, list(thirds)), beat * DIVISIONS + snapped, places), thirds


def _end_on_grid(end: int, triplets: set[int]) -> int:
    """The end of a note, moved later to where the beat that it ends in can show it."""
    inside = end % DIVISIONS
    step = 4 if end // DIVISIONS in triplets else 3
    return end - inside + -(-inside // step) * step


def _written(
    places: Ints,
    end_beats: NDArray[np.float64],
    chart: Chart,
    pitch: ArrayLike,
    string: ArrayLike,
    fret: ArrayLike,
    heads: Sequence[str] | None,
    pickup: int,
) -> tuple[WrittenNote, ...]:
    """Places and releases to notes with lengths: one voice, one note at a time."""
    pitches, strings, frets = (np.asarray(x, dtype=np.int64) for x in (pitch, string, fret))
    places, triplets = _one_grid_a_beat(places)
    total = len(chart.bars) * BAR
    order = np.argsort(places, kind="stable")
    out: list[WrittenNote] = []
    for k, i in enumerate(order):
        start = int(places[i])
        if not -pickup <= start < total or (out and out[-1].start == start):
            continue
        later = places[order[k + 1 :]]
        after = later[later > start]
        limit = int(after[0]) if after.size else total
        released = (float(end_beats[i]) - chart.first_beats) * DIVISIONS
        length = limit - start
        last_held = chart.bars[-1].final and not after.size and start >= total - BAR
        if limit - released >= _EIGHTH and not last_held:  # a rest was left
            grid = DIVISIONS // 3 if start % DIVISIONS in (4, 8) else _EIGHTH
            up = int(np.ceil(max(released - start, 1.0) / grid - 0.25)) * grid
            length = min(length, max(grid if start % 3 or grid == 4 else 3, up))
            length = min(limit, _end_on_grid(start + length, triplets)) - start
        head = heads[int(i)] if heads is not None else "normal"
        out.append(WrittenNote(start, length, int(pitches[i]), int(strings[i]), int(frets[i]), head))
    return tuple(out)
