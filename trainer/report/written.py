"""From played or modelled notes to written ones: what a copyist would put on paper. No note is lost.

Rhythm is read musically, beat by beat, as the scorer reads it (the project's definitions): a swung off-beat is a plain
eighth under a swing mark, triplet figures are triplets, anything else the nearest sixteenth. In a straight groove each
beat is sixteenths or triplets, whichever lies nearer. A slow twelve-eight stands in 12/8: its beat has six sixteenths.
A note is written up to the next one unless a rest of an eighth or more was left.

What sounds together is a chord; what falls on the place of a later note is a grace note before it. What sounds outside
the song's bars stands in bars of its own before and after them.

Conventions: written time is counted in `DIVISIONS` to the beat, from the chart's first bar; what comes before is
negative.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray

from trainer.clock.tempo import swing_offbeat_frac
from trainer.line import LineScore
from trainer.line.fingering import hand_for
from trainer.music import FIVE_STRING, FOUR_STRING, GROOVES, Tuning, note_name
from trainer.scoring.attacks import dead
from trainer.scoring.reading import Reading
from trainer.session import BEATS_PER_BAR, Chart, ChartBar
from trainer.take.bent import SLIDE_SEMITONES, SLUR_SEMITONES
from trainer.take.notes import FLAG_SLID

__all__ = ["BAR", "DIVISIONS", "Tone", "Written", "WrittenNote", "written_chart", "written_line", "written_take"]

DIVISIONS = 12  # to a beat: eighths 6, triplet eighths 4, sixteenths 3; in 12/8 eighths 4, sixteenths 2
BAR = BEATS_PER_BAR * DIVISIONS
_EIGHTH = DIVISIONS // 2
STRAIGHT_RATIO = 1.1  # up to here eighths are written and read as even; our choice
CHORD_S = 0.03  # attacks within this are one chord; our choice
# A note on the place of a later one that sounds over this share of it is of its chord, no grace; our choice.
RINGS_ON = 0.6
LEGATO_GAP_S = 0.05  # a grace note that ends no earlier before the next slides or is tied into it; our choice
OVERLAP_S = 0.008  # one string's notes that overlap by this are not struck both: a hammer-on, a pull-off; our choice
SAME_S = 1e-6  # one moment, as far as sums of seconds tell
MAX_OUTSIDE_BARS = 64  # bars before the first and after the last; more is no part of the song. Our choice
# Below its lowest string by so many notes, and so large a share of them, a take was played on five; our choice.
FIVE_FROM_NOTES, FIVE_FROM_SHARE = 3, 0.03

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Tone:
    """One sounding pitch: MIDI pitch, string (from the highest, 1) and fret (-1: the neck has none), dead or not."""

    pitch: int
    string: int = 0
    fret: int = -1
    ghost: bool = False


@dataclass(frozen=True, slots=True)
class WrittenNote:
    """What is struck at one place: start and length in divisions, its tones from the lowest, the graces before it.

    `joined` says how it is reached from what sounds just before it (its last grace, else the note before): "slide",
    "hammer", "pull", or "" where it is struck.
    """

    start: int
    length: int
    tones: tuple[Tone, ...]
    graces: tuple[tuple[Tone, ...], ...] = ()
    joined: str = ""

    @property
    def chords(self) -> tuple[tuple[int, tuple[Tone, ...]], ...]:
        """(number of the grace or -1, tones), in the order in which they sound."""
        return (*enumerate(self.graces), (-1, self.tones))


@dataclass(frozen=True)
class Written:
    """Notes on paper over a chart; the first bar of the chart is division 0.

    `pickup` is the length in divisions of what stands before it (an incomplete bar, or whole ones too), 0 without;
    `tail_bars` counts the bars after the last. `missed` are the places of changes that were missed. `unfingered` names
    the pitches that stand without a fret; `n_left_out` counts notes too far outside the song to be written.
    """

    chart: Chart
    notes: tuple[WrittenNote, ...]
    title: str
    tuning: Tuning = FOUR_STRING
    pickup: int = 0
    tail_bars: int = 0
    missed: tuple[int, ...] = ()
    unfingered: tuple[str, ...] = ()
    n_left_out: int = 0

    @property
    def compound(self) -> bool:
        return is_compound(self.chart)

    @property
    def n_bars(self) -> int:
        return len(self.chart.bars) + self.tail_bars

    def bar(self, idx: int) -> ChartBar | None:
        """The chart's bar of an index; None before its first and after its last."""
        return self.chart.bars[idx] if 0 <= idx < len(self.chart.bars) else None


def is_compound(chart: Chart) -> bool:
    """Whether the chart is written in 12/8: a slow twelve-eight is."""
    return GROOVES[chart.session.groove].compound


@dataclass(frozen=True)
class _Played:
    """Columns of the notes to be written: places are not yet one a place.

    `reached` says of a note that a bend showed which row it comes from and how.
    """

    place: Ints
    onset_beats: Floats
    end_beats: Floats
    beat_s: float
    pitch: Ints
    ghost: NDArray[np.bool_]
    channel: NDArray[np.uint8]
    struck_keys: bool = False  # a keyboard's notes overlap without meaning anything
    reached: Mapping[int, tuple[int, str]] = field(default_factory=dict)


def written_chart(chart: Chart) -> Written:
    """The chart alone: chords over empty bars."""
    return Written(chart, (), chart.session.title)


def written_line(line: LineScore, title: str | None = None) -> Written:
    """A model line on paper, with its own strings and frets."""
    notes = line.notes
    played = _Played(
        place=_places(notes["onset_beats"], line.chart),
        onset_beats=notes["onset_beats"],
        end_beats=notes["onset_beats"] + notes["duration_beats"],
        beat_s=60.0 / line.chart.session.tempo_bpm,
        pitch=notes["pitch"].astype(np.int64),
        ghost=np.zeros(len(notes), dtype=np.bool_),
        channel=np.zeros(len(notes), dtype=np.uint8),
    )
    on_neck = np.column_stack((notes["string"], notes["fret"])).astype(np.int64)
    return _written(played, line.chart, title or line.chart.session.title, line.tuning, (), on_neck)


def written_take(
    reading: Reading,
    chart: Chart,
    missed: Sequence[float] = (),
    tuning: Tuning | None = None,
) -> Written:
    """A take on paper. `missed` holds the beats of changes that were missed.

    A player's own string channels are kept where every pitch lies on its string; else strings and frets are chosen for
    least motion of the hand. Without a `tuning` it is four strings, or five where the notes go down to them. A pitch
    that the neck does not have stands without a fret.
    """
    whole = reading.beat_idx.astype(np.float64)
    slots = reading.slot
    inside_beat = reading.placed_beats - whole
    if is_compound(chart):
        part = np.array([0, 8, 4, 8, -1])[slots]
        inside = np.where(part >= 0, part, np.rint(inside_beat * 6.0).astype(np.int64) * 2)
    elif chart.swing_ratio <= STRAIGHT_RATIO:
        inside = _straight(whole, inside_beat)
    else:
        part = np.array([0, _EIGHTH, DIVISIONS // 3, 2 * DIVISIONS // 3, -1])[slots]
        inside = np.where(part >= 0, part, np.rint(inside_beat * 4.0).astype(np.int64) * 3)
    places = np.rint((whole - chart.first_beats) * DIVISIONS).astype(np.int64) + inside
    if len(places) and float(reading.beats.min()) > chart.first_beats - 0.5:
        places = np.maximum(places, 0)  # an early first note belongs to the first beat
    pitch = np.rint(reading.pitch).astype(np.int64)
    if tuning is None:
        low = int(np.sum((pitch < FOUR_STRING.lowest) & (pitch >= FIVE_STRING.lowest)))
        tuning = FIVE_STRING if low >= max(FIVE_FROM_NOTES, FIVE_FROM_SHARE * len(pitch)) else FOUR_STRING
    played = _Played(
        place=places,
        onset_beats=reading.placed_beats,
        end_beats=reading.placed_beats + reading.duration_beats,
        beat_s=60.0 / chart.session.tempo_bpm,
        pitch=pitch,
        ghost=reading.ghost | _dead(reading),
        channel=reading.notes["channel"],
        struck_keys=reading.profile in ("keys", "typing"),
        reached=_reached(reading) if reading.joined.any() else {},
    )
    at = tuple(round((beat - chart.first_beats) * DIVISIONS) for beat in missed)
    return _written(played, chart, chart.session.title, tuning, at, None)


def _dead(reading: Reading) -> NDArray[np.bool_]:
    """Dead notes, but for those that run into the next note: these are graces."""
    onset_s = reading.notes["onset_s"]
    gap_s = np.append(onset_s[1:], np.inf) - onset_s - reading.notes["duration_s"]
    return np.asarray(dead(reading.notes) & ~reading.no_release & (gap_s > LEGATO_GAP_S), dtype=np.bool_)


def _reached(reading: Reading) -> dict[int, tuple[int, str]]:
    """Of each row that a bend leads to, the row that it comes from and how."""
    notes, out, newest = reading.notes, {}, dict[int, int]()
    ends_s = notes["onset_s"] + notes["duration_s"]
    for row, channel in enumerate(notes["channel"].tolist()):
        before = newest.get(channel, -1)
        newest[channel] = row
        if reading.joined[row] and before >= 0 and abs(ends_s[before] - notes["onset_s"][row]) < SAME_S:
            slid, up = notes["flags"][row] & FLAG_SLID, notes["pitch"][row] > notes["pitch"][before]
            out[row] = before, "slide" if slid else "hammer" if up else "pull"
    return out


def _straight(whole: Floats, phase: Floats) -> Ints:
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


def _places(onset_beats: ArrayLike, chart: Chart, reach: float = 0.02) -> Ints:
    """Written places of exact onsets (to `reach` beats): each beat is read as a whole from what it holds."""
    at = np.asarray(onset_beats, dtype=np.float64)
    whole = np.floor(at + 1e-6)
    phase = at - whole
    off = float(swing_offbeat_frac(chart.swing_ratio))
    compound = is_compound(chart)
    places = np.empty(at.size, dtype=np.int64)
    for beat in np.unique(whole):
        idx = np.flatnonzero(whole == beat)
        inside = phase[idx]
        near_triplet = np.abs(inside[:, None] - np.array([0.0, 1 / 3, 2 / 3])[None, :]) < reach
        swung = np.abs(inside - off) < reach
        middle = np.abs(inside - 1 / 3) < reach
        if np.all(near_triplet.any(axis=1)) and (middle.any() or compound):
            part = np.rint(inside * 3.0).astype(np.int64) * 4
        elif np.all(swung | (inside < reach)):
            part = np.where(swung, 8 if compound else _EIGHTH, 0)
        else:
            step = 2 if compound else 3
            part = np.rint(inside * DIVISIONS / step).astype(np.int64) * step
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


def _clusters(played: _Played, rows: Sequence[int]) -> list[list[int]]:
    """The rows on one place, in order of onset, as what sounds together; the last is the note, the others its graces.

    Of one pitch struck twice the first is a grace, never a tone of the same chord.
    """
    out: list[list[int]] = []
    for row in rows:
        near = out and (played.onset_beats[row] - played.onset_beats[out[-1][0]]) * played.beat_s <= CHORD_S
        if near and played.pitch[row] not in played.pitch[out[-1]]:
            out[-1].append(row)
        else:
            out.append([row])
    main = out[-1]
    starts, ends = float(played.onset_beats[main[0]]), float(played.end_beats[main].max())
    graces = []
    for cluster in out[:-1]:
        rings = played.end_beats[cluster] >= starts + RINGS_ON * (ends - starts)
        same = np.isin(played.pitch[cluster], played.pitch[main]) | ~rings
        if not same.any():
            main = [*main, *cluster]
        else:
            graces.append(cluster)
    return [*graces, main]


def _joined(played: _Played, before: Sequence[int], now: Sequence[int], *, grace: bool) -> str:
    """How a note is reached from the one before it: by a slide, a hammer-on, a pull-off; "" where it is struck."""
    if len(now) != 1:
        return ""
    source, how = played.reached.get(now[0], (-1, ""))
    if source in before:
        return how
    if len(before) != 1 or played.struck_keys:
        return ""
    a, b = before[0], now[0]
    step = int(played.pitch[b] - played.pitch[a])
    over_s = float(played.end_beats[a] - played.onset_beats[b]) * played.beat_s
    if step == 0 or played.ghost[[a, b]].any():
        return ""
    if abs(step) <= SLUR_SEMITONES and over_s >= OVERLAP_S and played.end_beats[a] < played.end_beats[b]:
        return "hammer" if step > 0 else "pull"
    if grace and abs(step) <= SLIDE_SEMITONES and over_s >= -LEGATO_GAP_S:
        return "slide"
    return ""


def _joins(played: _Played, groups: Iterable[Sequence[Sequence[int]]]) -> list[str]:
    """How each cluster of the groups, one after another, is reached."""
    flat = [(cluster, i > 0) for group in groups for i, cluster in enumerate(group)]
    joins = [_joined(played, a, b, grace=grace) for (a, _), (b, grace) in pairwise(flat)]
    return ["", *joins] if flat else []


def _grouped(played: _Played, places: Ints, near: NDArray[np.bool_]) -> dict[int, list[list[int]]]:
    """Place → its clusters, in order."""
    by_place: dict[int, list[int]] = {}
    for row in np.argsort(played.onset_beats, kind="stable").tolist():
        if near[row]:
            by_place.setdefault(int(places[row]), []).append(row)
    return {start: _clusters(played, by_place[start]) for start in sorted(by_place)}


def _written(
    played: _Played, chart: Chart, title: str, tuning: Tuning, missed: tuple[int, ...], hand: Ints | None
) -> Written:
    """One voice of notes with lengths, their chords, graces and joints; with strings and frets (`hand` if known)."""
    places, triplets = (played.place, None) if is_compound(chart) else _one_grid_a_beat(played.place)
    total = len(chart.bars) * BAR
    near = (places >= -MAX_OUTSIDE_BARS * BAR) & (places < total + MAX_OUTSIDE_BARS * BAR)
    groups = _grouped(played, places, near)
    tail_bars = max(0, (max(groups, default=-1) - total) // BAR + 1)
    joins = _joins(played, groups.values())
    if hand is None:
        hand = _hand(played, [cluster for group in groups.values() for cluster in group], joins, tuning)
    out: list[WrittenNote] = []
    n_clusters = 0
    for start, limit in pairwise([*groups, total + tail_bars * BAR]):
        group = groups[start]
        n_clusters += len(group)
        released = (float(played.end_beats[group[-1]].max()) - chart.first_beats) * DIVISIONS
        if chart.bars[-1].final and limit == total and start >= total - BAR:
            released = float(limit)  # the last note is held
        *graces, tones = (_tones(played, cluster, hand) for cluster in group)
        length = _length(start, limit, released, triplets)
        out.append(WrittenNote(start, length, tones, tuple(graces), joins[n_clusters - 1]))
    lost = {tone.pitch for note in out for _, tones in note.chords for tone in tones if tone.fret < 0}
    names = tuple(note_name(pitch, chart.key) for pitch in sorted(lost))
    pickup = _pickup(min(groups, default=0))
    return Written(chart, tuple(out), title, tuning, pickup, tail_bars, missed, names, int((~near).sum()))


def _length(start: int, limit: int, released: float, triplets: set[int] | None) -> int:
    """How long a note is written that was let go (`released`) before the next (`limit`); no `triplets`: in 12/8.

    Up to the next unless a rest of an eighth or more was left.
    """
    length = limit - start
    if limit - released < _EIGHTH:
        return length
    if triplets is None:
        return min(length, max(2, int(np.ceil((released - start) / 4 - 0.25)) * 4))
    grid = DIVISIONS // 3 if start % DIVISIONS in (4, 8) else _EIGHTH
    up = int(np.ceil(max(released - start, 1.0) / grid - 0.25)) * grid
    length = min(length, max(grid if start % 3 or grid == 4 else 3, up))
    return min(limit, _end_on_grid(start + length, triplets)) - start


def _pickup(first: int) -> int:
    """What stands before the first bar, from the first note on: whole beats, or whole bars where it is longer."""
    length = max(0, -(first // DIVISIONS) * DIVISIONS)
    return length if length <= BAR else -(first // BAR) * BAR


def _tones(played: _Played, cluster: Sequence[int], hand: Ints) -> tuple[Tone, ...]:
    rows = sorted(cluster, key=lambda row: int(played.pitch[row]))
    return tuple(Tone(int(played.pitch[r]), int(hand[r, 0]), int(hand[r, 1]), bool(played.ghost[r])) for r in rows)


def _hand(played: _Played, clusters: Sequence[Sequence[int]], joins: Sequence[str], tuning: Tuning) -> Ints:
    """String and fret of each note: the string channels if they make sense, else least motion."""
    by_channel = _by_channel(played, tuning)
    if by_channel is not None:
        return by_channel
    hand = np.zeros((len(played.pitch), 2), dtype=np.int64)
    hand[:, 1] = -1
    rows = [sorted(cluster, key=lambda row: int(played.pitch[row])) for cluster in clusters]
    lines = [[int(played.pitch[row]) for row in cluster] for cluster in rows]
    onsets = [float(played.onset_beats[cluster[0]]) for cluster in rows]
    same_string = [join != "" for join in joins[1:]] + [False]
    for cluster, frettings in zip(rows, hand_for(lines, onsets, tuning, slides=same_string), strict=True):
        for row, fretting in zip(cluster, frettings, strict=True):
            if fretting is not None:
                hand[row] = fretting
    return hand


def _by_channel(played: _Played, tuning: Tuning) -> Ints | None:
    channel, pitch = played.channel.astype(np.int64), played.pitch
    channels = np.unique(channel)
    open_pitch = np.array(tuning.open_pitches)[::-1]
    n_strings = len(open_pitch)
    if not 2 <= channels.size <= n_strings or int(channels.max() - channels.min()) >= n_strings:
        return None
    # Mode 4: the highest string on the lowest channel, as guitar-type controllers send (MIDI 1.0). Which channel is
    # the lowest cannot be seen when a string was not played: the first base that puts every pitch on its string.
    low, high = int(channels.min()), int(channels.max())
    for base in range(low, high - n_strings, -1):
        string = channel - base + 1
        fret = pitch - open_pitch[string - 1]
        if np.all((fret >= 0) & (fret <= tuning.n_frets)):
            return np.column_stack((string, fret))
    return None
