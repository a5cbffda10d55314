"""Devices of the line: the fourteen figures of blues bass, each found once, where it is.

A bar is read on a grid of eighth-note slots (the off-beat where the swing puts it), with triplet beats and grace notes
kept apart. Figures that fill a bar (root_shuffle, pentatonic_riff, walking_line, octave_shift, doubled_notes,
box_figure, boogie_figure) start with their bar; those that lead into a change (chromatic_approach, scale_descent, push,
slide_in) start at their first note and last to the change; a pedal or a turnaround figure is one thing however many
bars it takes. The definitions are common practice; intervals count from the chord's root (or its written bass note).

Conventions: beats are quarter notes, 0.0 = first downbeat of chorus 1; `at_beats` is the grid place of the first note.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Collection
from dataclasses import dataclass
from typing import Annotated, Literal, TypeAlias, cast, get_args

import numpy as np
from numpy.typing import NDArray

from trainer.music import Chord
from trainer.scoring.attacks import line_rows
from trainer.scoring.bar_devices import BAR_SLOTS, BarNotes, bar_device, walking_shape
from trainer.scoring.beat_kinds import in_thirds
from trainer.scoring.figure import Digits, Explains, Row, Section
from trainer.scoring.reading import Reading
from trainer.scoring.why import Why, no_figure
from trainer.session import BEATS_PER_BAR, Chart, ChartBar

__all__ = ["DEVICE_NAMES", "Device", "DeviceName", "Devices", "find", "find_notes"]

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]

DeviceName: TypeAlias = Literal[
    "root_shuffle", "pentatonic_riff", "walking_line", "chromatic_approach", "scale_descent", "triplet_figure",
    "octave_shift", "pedal", "turnaround_figure", "doubled_notes", "box_figure", "boogie_figure", "push", "slide_in",
]  # fmt: skip
DEVICE_NAMES: tuple[DeviceName, ...] = get_args(DeviceName)

GRACE_BEATS = 0.25  # a grace note runs into its beat from no further away than this; our choice
RUN_BEATS, RUN_NEARER = 0.17, 1.6  # … but one this far away, no nearer to it than so, is the last of a run; our choice
MAX_STEPS = 4  # semitone steps of an approach (the project's definition)
MIN_DESCENT = 3  # notes of a descent above the root; our choice
_MAJOR_DOWN = {12: (11, 10), 11: (9,), 10: (9,), 9: (7,), 7: (5,), 5: (4,), 4: (2,)}  # next degree down, either scale


@dataclass(frozen=True, slots=True)
class Device(Row):
    """One device: its name, chorus, bar and beat (1-based), where it starts and how long it takes, in beats."""

    name: DeviceName
    chorus: int
    bar: int
    beat: int
    at_beats: Annotated[float, Digits(3)]
    beats: Annotated[float, Digits(3)]


@dataclass(frozen=True)
class Devices(Section):
    """The devices found, by start. `found` is None when nothing can be told; `nothing` says why."""

    found: tuple[Device, ...] | None
    nothing: Annotated[Why | None, Explains("found")] = None

    def counts(self) -> dict[str, int]:
        """How many of each name, names in their usual order, none left out."""
        names = [device.name for device in self.found or ()]
        return {name: names.count(name) for name in DEVICE_NAMES}


def find(reading: Reading, chart: Chart, elsewhere: Collection[int] = ()) -> Devices:
    """The devices of a take: notes against the chart, but for the bars (of the chart) in which the player was
    `elsewhere` in the form: those chords are not what was played over. No notes inside the form give None with the
    reason."""
    keep = line_rows(reading)
    onset = reading.placed_beats[keep]
    inside = (onset > chart.first_beats - 0.5) & (onset < chart.end_beats)
    if not np.any(inside):
        return Devices(None, no_figure("too_few", "no notes inside the form"))
    found = find_notes(
        chart,
        onset[inside],
        reading.pitch[keep][inside],
        reading.duration_beats[keep][inside],
        off_frac=reading.off_frac,
    )
    away = {(chart.bars[i].chorus, chart.bars[i].bar) for i in elsewhere}
    return Devices(tuple(device for device in found if (device.chorus, device.bar) not in away))


@dataclass(frozen=True, slots=True)
class _Notes:
    """Notes on the grid, (n,) each: place in beats, pitch, and eighth-note slot from the chart's first beat; -1 for a
    triplet partial."""

    at: Floats
    pitch: Ints
    slot: Ints


def find_notes(
    chart: Chart, onset_beats: Floats, pitches: Floats, duration_beats: Floats, *, off_frac: float | None = None
) -> tuple[Device, ...]:
    """The devices in notes on the beat axis: (n,) onsets (sorted), MIDI pitches and sounding lengths in beats.

    `off_frac` is the player's own place of the off-beat (None: the chart's). Pure; linear in notes and bars.
    """
    own = chart.swing_ratio / (1.0 + chart.swing_ratio)
    off = own if off_frac is None or not np.isfinite(off_frac) else float(off_frac)
    notes, graces, triplet_beats = _grid(chart, onset_beats, pitches, duration_beats, off, own)
    bars = _bars(chart, notes, graces, triplet_beats)
    out: list[tuple[str, float, float]] = [("triplet_figure", float(beat), 1.0) for beat in triplet_beats]
    out += [("slide_in", at, length) for at, length in graces]
    busy: set[int] = set()
    for name, spans in (("pedal", _pedals(chart, bars)), ("turnaround_figure", _turnarounds(chart, bars))):
        for first, last in spans:
            busy.update(range(first, last + 1))
            out.append((name, chart.bars[first].onset_beats, float(BEATS_PER_BAR * (last + 1 - first))))
    leads = _into_changes(chart, notes, own)
    out += leads
    long = (item for item in leads if item[0] in ("scale_descent", "chromatic_approach") and item[2] > 2.5)
    covered = {int(chart.bar_idx_at(at)) for _, at, _ in long}
    out += _bar_devices([bar for bar in bars if bar.bar.idx not in busy], bars, covered)
    out.sort(key=lambda item: (item[1], item[0]))
    in_bar = chart.bar_idx_at(np.array([at for _, at, _ in out]) + 1e-6).tolist()
    return tuple(_device(chart.bars[i], *item) for i, item in zip(in_bar, out, strict=True))


def _bar_devices(free: list[BarNotes], bars: list[BarNotes], covered: set[int]) -> list[tuple[str, float, float]]:
    """What each bar of one chord is as a whole. A pattern that walks on elsewhere is the same walk where it turns back
    to its root."""
    out: list[tuple[str, float, float]] = []
    patterns: set[tuple[int, ...] | None] = set()
    repeats: list[tuple[tuple[int, ...], float]] = []
    for bar in free:
        if bar.bar.final or bar.bar.stopped or len(bar.bar.chords) != 1:
            continue
        name = bar_device(bars, bar.bar.idx, covered=bar.bar.idx in covered)
        shape = walking_shape(bars, bar.bar.idx, covered=bar.bar.idx in covered)
        if name is not None:
            out.append((name, bar.bar.onset_beats, float(BEATS_PER_BAR)))
            if name == "walking_line":
                patterns.add(shape)
        elif shape is not None:
            repeats.append((shape, bar.bar.onset_beats))
    return out + [("walking_line", at, float(BEATS_PER_BAR)) for shape, at in repeats if shape in patterns]


def _device(bar: ChartBar, name: str, at: float, beats: float) -> Device:
    return Device(cast(DeviceName, name), bar.chorus, bar.bar, math.floor(at - bar.onset_beats + 1e-6) + 1, at, beats)


def _grid(
    chart: Chart, onset_beats: Floats, pitches: Floats, duration_beats: Floats, off: float, own: float
) -> tuple[_Notes, list[tuple[float, float]], list[int]]:
    """Notes on the grid, graces taken out as (start, length), and the beats that hold a triplet figure."""
    onset = np.asarray(onset_beats, dtype=np.float64)
    pitch = np.rint(np.asarray(pitches, dtype=np.float64)).astype(np.intp)
    length = np.asarray(duration_beats, dtype=np.float64)
    n = len(onset)
    if n == 0:
        return _Notes(onset, pitch, pitch), [], []
    gap = np.diff(onset, append=onset[-1] + 4.0)
    follows = np.append(np.rint(onset[1:]), np.rint(onset[-1]) + 4.0)
    next_onset = np.append(onset[1:], onset[-1] + 4.5)
    step = np.append(np.diff(pitch), 0)
    roots = np.array([span.chord.lowest_pc for span in chart.spans])
    coming_pc = roots[chart.span_idx_at(follows)]
    lands = np.append(pitch[1:] % 12, -1) == coming_pc
    near_beat = np.abs(next_onset - follows) < 0.13
    before = onset > follows - GRACE_BEATS
    grace = (gap < GRACE_BEATS) & (np.abs(step) <= 2) & (step != 0) & lands & near_beat & before & (length < 0.3)
    # A grace is closer to its beat than the off-beat is.
    grace &= follows - onset < 0.5 * (1.0 - off) + 0.06
    grace &= (gap < RUN_BEATS) | (np.diff(onset, prepend=-np.inf) > RUN_NEARER * gap)
    graces = [(float(onset[i]), float(follows[i] - onset[i])) for i in np.flatnonzero(grace)]
    keep = ~grace
    onset, pitch = onset[keep], pitch[keep]
    whole = np.floor(onset)
    phase = onset - whole
    late = phase >= 0.5 * (off + 1.0)
    on = late | (phase < 0.5 * min(off, 1.0 / 3.0))
    beat = (whole + late).astype(np.intp)
    phase -= late
    edges = np.flatnonzero(np.concatenate(([True], np.diff(beat) != 0, [True]))) if len(beat) else np.zeros(1, np.intp)
    three = edges[:-1][np.diff(edges) == 3]
    three = three[on[three] & in_thirds(phase[three + 1], phase[three + 2])]
    at = np.where(on, beat, beat + own)
    slot = 2 * (beat - round(chart.first_beats)) + ~on
    for k in range(3):
        at[three + k] = beat[three] + k / 3
        slot[three + k] = -1 if k else slot[three]
    return _Notes(at, pitch, slot), graces, beat[three].tolist()


def _bars(chart: Chart, notes: _Notes, graces: list[tuple[float, float]], triplet_beats: list[int]) -> list[BarNotes]:
    bars = [BarNotes(bar, [None] * BAR_SLOTS, []) for bar in chart.bars]
    first = round(chart.first_beats)
    of = ((notes.at + 1e-6 - first) // BEATS_PER_BAR).astype(np.intp)
    inside = (notes.at >= first) & (of < len(bars))
    of, slot, pitch = of[inside], notes.slot[inside], notes.pitch[inside]
    held = np.flatnonzero(slot >= 0)
    struck = held[np.unique(slot[held], return_index=True)[1]]  # the first of each slot
    for i, place, each in zip(
        of[struck].tolist(), (slot - BAR_SLOTS * of)[struck].tolist(), pitch[struck].tolist(), strict=True
    ):
        bars[i].slots[place] = each
    other = np.bincount(of, minlength=len(bars)) - np.bincount(of[struck], minlength=len(bars))
    for i in np.flatnonzero(other).tolist():
        bars[i].n_other += int(other[i])
    for beat in triplet_beats:
        idx = (beat - first) // BEATS_PER_BAR
        if 0 <= idx < len(bars):
            bars[idx].triplets.append(beat)
    for at, _ in graces:
        idx = int(at - first) // BEATS_PER_BAR
        if 0 <= idx < len(bars):
            bars[idx].grace_in = True
    return bars


def _changes(chart: Chart) -> list[tuple[float, Chord]]:
    """(beat, chord) of each change of root."""
    spans = chart.spans
    return [(b.onset_beats, b.chord) for a, b in itertools.pairwise(spans) if a.chord.lowest_pc != b.chord.lowest_pc]


def _into_changes(chart: Chart, notes: _Notes, own: float) -> list[tuple[str, float, float]]:
    """Approaches, descents and pushes into each change of root."""
    out: list[tuple[str, float, float]] = []
    at, pitch = notes.at, notes.pitch
    for change, chord in _changes(chart):
        i = int(np.searchsorted(at, change - 1e-6))
        root = chord.lowest_pc
        if i == len(at) or abs(at[i] - change) >= 1e-6:
            if i and abs(at[i - 1] - (change - 1.0 + own)) < 1e-6 and pitch[i - 1] % 12 == root:
                out.append(("push", float(at[i - 1]), change - float(at[i - 1])))
            continue
        if pitch[i] % 12 != root:
            continue
        run, down = _run(notes, i, change), _descent(notes, i, change)
        if run:
            out.append(("chromatic_approach", float(at[i - run]), change - float(at[i - run])))
        if down and chord.third == 4:
            out.append(("scale_descent", float(at[i - down]), change - float(at[i - down])))
    return out


def _run(notes: _Notes, i: int, change: float) -> int:
    """How many semitone steps, one way, lead into note i (0: none, at most four)."""
    at, pitch = notes.at, notes.pitch
    if i == 0 or change - at[i - 1] > 1.0 + 1e-6:
        return 0
    way = pitch[i - 1] - pitch[i]
    if abs(way) != 1:
        return 0
    count = 1
    while count < MAX_STEPS and i - count - 1 >= 0:
        before, later = i - count - 1, i - count
        if pitch[before] != pitch[later] + way or at[later] - at[before] > 1.0 + 1e-6:
            break
        count += 1
    return count


def _descent(notes: _Notes, i: int, change: float) -> int:
    """How many notes of the target's major or mixolydian scale come down into note i (0: fewer than three)."""
    at, pitch = notes.at, notes.pitch
    root = int(pitch[i])
    if i == 0 or change - at[i - 1] > 1.0 + 1e-6 or pitch[i - 1] != root + 2:
        return 0
    count = 1
    while i - count - 1 >= 0:
        before, later = i - count - 1, i - count
        steps = _MAJOR_DOWN.get(int(pitch[before]) - root, ())
        if pitch[later] - root not in steps or at[later] - at[before] > 1.0 + 1e-6:
            break
        count += 1
    return count if count >= MIN_DESCENT else 0


def _pedals(chart: Chart, bars: list[BarNotes]) -> list[tuple[int, int]]:
    """(first, last) bar indices of each pedal: I or V under another chord, planned, or left onto the next root.

    One that goes home to the same chord (I under the IV of a quick change) is a pedal only if the player lands that
    change in another chorus; else it is "stayed on I" and landing's question (the project's definition).
    """
    held = [_held_pc(bar) for bar in bars]
    foreign = [_is_foreign(chart, pc, bar.bar) for pc, bar in zip(held, bars, strict=True)]
    planned = [bar.bar.pedal for bar in bars]
    out: list[tuple[int, int]] = []
    last = -1
    for i in range(len(bars)):
        if i <= last or not foreign[i]:
            continue
        first, last = i, _reach(held, i, 1, foreign)
        if planned[i]:
            first, last = _reach(held, i, -1, planned), _reach(held, last, 1, planned)
        elif i > 0 and held[i - 1] == held[i] and not bars[i - 1].bar.final:
            first = i - 1
        if planned[i] or _resolves(bars, i, last, held[i]):
            out.append((first, last))
    return out


def _is_foreign(chart: Chart, pc: int | None, bar: ChartBar) -> bool:
    """Whether I or V is held under a chord of another root."""
    if pc not in (chart.key.tonic_pc, (chart.key.tonic_pc + 7) % 12) or bar.final:
        return False
    return any(chord.lowest_pc != pc for chord in bar.chords)


def _held_pc(bar: BarNotes) -> int | None:
    """The one pitch class of a bar that strikes nothing else, and that twice at least."""
    pcs = {pitch % 12 for _, pitch in bar.row}
    return pcs.pop() if len(pcs) == 1 and len(bar.row) >= 2 and not bar.n_other and not bar.triplets else None


def _reach(held: list[int | None], i: int, way: int, may: list[bool]) -> int:
    """The last bar, from bar i one way (1 or −1), that holds the same note and may."""
    while 0 <= i + way < len(held) and may[i + way] and held[i + way] == held[i]:
        i += way
    return i


def _resolves(bars: list[BarNotes], wrong: int, last: int, pc: int | None) -> bool:
    """Whether a note held from bar `wrong` to `last` is left onto the next root, and was meant.

    Meant: it began on a chord of its own and leaves for another, or the player lands this change in another chorus.
    """
    if last + 1 >= len(bars):
        return False
    after = bars[last + 1]
    if not _lands(after):
        return False
    began_at_home = wrong > 0 and bars[wrong - 1].chord.lowest_pc == pc
    if began_at_home and after.chord.lowest_pc != pc:
        return True
    here = bars[wrong].bar
    return any(bar.bar.bar == here.bar and bar.bar.chorus != here.chorus and _lands(bar) for bar in bars)


def _lands(bar: BarNotes) -> bool:
    """Whether the bar's root is struck on its beat 1."""
    return bar.slots[0] is not None and bar.slots[0] % 12 == bar.chord.lowest_pc


def _turnarounds(chart: Chart, bars: list[BarNotes]) -> list[tuple[int, int]]:
    """(first, last) of each turnaround figure: the form's last two bars, from the tonic by steps to the five."""
    tonic, five = chart.key.tonic_pc, (chart.key.tonic_pc + 7) % 12
    out: list[tuple[int, int]] = []
    for a, b in itertools.pairwise(bars):
        if not (a.bar.turnaround and b.bar.turnaround and b.bar.bar == a.bar.bar + 1) or b.bar.final:
            continue
        if len(a.bar.chords) + len(b.bar.chords) >= 3:
            found = _roots_struck(a) and _roots_struck(b)
        else:
            begins = a.slots[0] is not None and a.slots[0] % 12 == tonic and b.chord.lowest_pc == five
            found = begins and _walks_to_five(_line_to(five, a, b))
        if found:
            out.append((a.bar.idx, b.bar.idx))
    return out


def _line_to(pc: int, a: BarNotes, b: BarNotes) -> list[int]:
    """The pitches of two bars up to the second's first `pc` by its beat 2, repeats left out; empty where there is
    none."""
    walk = [pitch for _, pitch in a.row]
    tail = [pitch for slot, pitch in b.row if slot <= 2]
    arrive = next((k for k, pitch in enumerate(tail) if pitch % 12 == pc), None)
    return [] if arrive is None else [pitch for pitch, _ in itertools.groupby(walk + tail[: arrive + 1])]


def _walks_to_five(line: list[int]) -> bool:
    """Whether pitches (from the tonic to the five, repeats left out) walk up or down to it.

    Up by the last two semitones below, perhaps round the one above; down by ♭7 and 6 of the key, with or without ♭6.
    """
    if len(line) < 4:
        return False
    body = [pitch - line[-1] for pitch in line[:-1]]
    if body[-1] == 1 and len(body) > 2:
        body = body[:-1]
    return body[-2:] == [-2, -1] or (len(body) >= 3 and body[-2:] == [3, 2] and body[-3] in (5, -7))


def _roots_struck(bar: BarNotes) -> bool:
    """Whether each chord of the bar has its root on its beat."""
    share = BAR_SLOTS // len(bar.bar.chords)
    struck = [bar.slots[i * share] for i in range(len(bar.bar.chords))]
    pairs = zip(struck, bar.bar.chords, strict=True)
    return all(pitch is not None and pitch % 12 == chord.lowest_pc for pitch, chord in pairs)
