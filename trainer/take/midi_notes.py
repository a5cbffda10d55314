"""Note tables from MIDI tracks, and tracks from note tables.

Overlapping notes of one pitch and channel are paired first in, first out. A note without its note-off lasts to the next
"all notes off" of its channel, or to the track's end, and is flagged `FLAG_CUT`. The pitch is the sounding one: note
number plus the bend where it settled (default range two semitones, RPN 0 changes it, controller 121 centres it: MIDI
1.0, RP-015).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from trainer.take.messages import BEND_RANGE_SEMITONES, WHEEL_CENTRE, BendRange, settled_bends, wheel_frac
from trainer.take.midi_file import MidiTrack
from trainer.take.notes import FLAG_CUT, Notes, empty_notes, sorted_notes

__all__ = ["MOST_BEND_SEMITONES", "note_messages", "track_bends", "track_notes"]

MOST_BEND_SEMITONES = 48.0  # the range that is written at most (two octaves either way and two more); our choice
SMALLEST_BEND_SEMITONES = 0.0005  # smaller fractions are written as unbent; a 14-bit step of ±2 is 0.00024

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]


def track_notes(
    track: MidiTrack,
    seconds_at: Callable[[ArrayLike], Any],
    channels: tuple[int, ...] | None = None,
) -> Notes:
    """The track's notes as a table, in seconds of `seconds_at(ticks)`; `channels` (from 0) picks some, None all."""
    events = track.events
    kind = (events >> 20) & 0x0F
    channel = (events >> 16) & 0x0F
    if channels is not None:
        mine = np.isin(channel, channels)
        events, kind, channel = events[mine], kind[mine], channel[mine]
    data1, data2 = (events >> 8) & 0x7F, events & 0x7F
    is_on = (kind == 0x9) & (data2 > 0)
    if not np.any(is_on):
        return empty_notes()
    is_off = (kind == 0x8) | ((kind == 0x9) & (data2 == 0))
    # All sound off, all notes off, and the mode messages, which say so too (MIDI 1.0).
    silences = (kind == 0xB) & ((data1 == 120) | (data1 >= 123))
    starts, ends, cut = _paired(events >> 24, channel, data1, is_on, is_off, silences, track.end_tick)
    notes = empty_notes(len(starts))
    on_ticks = events[starts] >> 24
    onset_s = np.asarray(seconds_at(on_ticks), dtype=np.float64)
    notes["onset_s"] = onset_s
    end_s = np.asarray(seconds_at(ends), dtype=np.float64)
    notes["duration_s"] = end_s - onset_s
    notes["velocity"] = data2[starts]
    notes["channel"] = channel[starts]
    notes["flags"] = np.where(cut, FLAG_CUT, 0)
    pitch = data1[starts].astype(np.float64)
    line = track_bends(track, seconds_at, channels)
    for number in np.unique(line[:, 1]):
        mine, here = line[:, 1] == number, channel[starts] == number
        pitch[here] += settled_bends(line[mine, 0], line[mine, 2], onset_s[here], end_s[here])
    notes["pitch"] = pitch
    return sorted_notes(notes)


def track_bends(
    track: MidiTrack,
    seconds_at: Callable[[ArrayLike], Any],
    channels: tuple[int, ...] | None = None,
) -> Floats:
    """(m, 3): second, channel and semitones of each bend, channel by channel, picked as in `track_notes`."""
    events = track.events
    kind, channel = (events >> 20) & 0x0F, (events >> 16) & 0x0F
    rows = [np.zeros((0, 3))]
    for number in np.unique(channel[kind == 0xE]).tolist():
        if channels is None or number in channels:
            of_it = events[channel == number]
            ticks, bends = _bend_line(of_it >> 24, (of_it >> 20) & 0x0F, (of_it >> 8) & 0x7F, of_it & 0x7F)
            at_s = np.asarray(seconds_at(ticks), dtype=np.float64)
            rows.append(np.column_stack((at_s, np.full(len(ticks), number), bends)))
    return np.concatenate(rows)


def _paired(
    ticks: Ints,
    channel: Ints,
    pitch: Ints,
    is_on: NDArray[np.bool_],
    is_off: NDArray[np.bool_],
    silences: NDArray[np.bool_],
    end_tick: int,
) -> tuple[Ints, Ints, NDArray[np.bool_]]:
    """Event index of each note-on (file order), the tick where that note ends, and whether it had to be cut.

    First in, first out for each channel and pitch: within a group, note-offs that find nothing sounding are dropped
    (the running sum of +1 and −1 makes a new low there), and then the k-th on belongs to the k-th off.
    """
    group = channel * 128 + pitch
    if np.any(silences):  # "all notes off" ends a channel's notes: what follows is a new group
        for number in np.unique(channel[silences]):
            mine = channel == number
            group = group + np.where(mine, np.cumsum(silences & mine) * 2048, 0)
    rows = np.flatnonzero(is_on | is_off)
    order = rows[np.argsort(group[rows], kind="stable")]
    step = np.where(is_on[order], 1, -1)
    first = np.append(True, np.diff(group[order]) != 0)
    group_idx = np.cumsum(first) - 1
    before = np.cumsum(step) - step
    level = before + step - before[first][group_idx]
    floor = np.minimum.accumulate(np.minimum(level, 0) - group_idx * (len(order) + 1))
    floor += group_idx * (len(order) + 1)
    floor_before = np.where(first, 0, np.append(0, floor[:-1]))
    order = order[(step > 0) | (floor == floor_before)]

    ons, offs = order[is_on[order]], order[~is_on[order]]
    on_group, off_group = group[ons], group[offs]
    on_rank = np.arange(len(ons)) - np.searchsorted(on_group, on_group, side="left")
    off_at = np.searchsorted(off_group, on_group, side="left") + on_rank
    cut = off_at >= np.searchsorted(off_group, on_group, side="right")
    ends = np.empty(len(ons), dtype=np.int64)
    ends[~cut] = ticks[offs[off_at[~cut]]]
    if np.any(cut):
        ends[cut] = np.maximum(end_tick, ticks[ons[cut]])
        for number in np.unique(channel[silences]):
            at = ticks[silences & (channel == number)]
            here = np.flatnonzero(cut & (channel[ons] == number))
            # its silence is the first one later in the file; group numbers count the silences before it
            nth = group[ons[here]] // 2048
            inside = nth < len(at)
            ends[here[inside]] = at[nth[inside]]
    back = np.argsort(ons, kind="stable")
    return ons[back], ends[back], cut[back]


def _bend_line(ticks: Ints, kind: Ints, data1: Ints, data2: Ints) -> tuple[Ints, Floats]:
    """Of one channel's messages: ticks at which the bend changes, and the bend from there on, in semitones."""
    changes = np.flatnonzero((kind == 0xE) | ((kind == 0xB) & np.isin(data1, (6, 38, 98, 99, 100, 101, 121))))
    is_bend = kind[changes] == 0xE
    wheel = np.where(is_bend, data2[changes] << 7 | data1[changes], WHEEL_CENTRE).astype(np.float64)
    reset = (~is_bend) & (data1[changes] == 121)
    wheel = _held(wheel, is_bend | reset, WHEEL_CENTRE)
    reach = np.full(len(changes), np.nan)
    by = BendRange()
    for row in np.flatnonzero(~is_bend).tolist():
        if by.feed(int(data1[changes[row]]), int(data2[changes[row]])):
            reach[row] = by.semitones
    reach = _held(np.nan_to_num(reach), ~np.isnan(reach), BEND_RANGE_SEMITONES)
    semitones: Floats = wheel_frac(wheel) * reach
    return ticks[changes], semitones


def _held(values: Floats, fresh: NDArray[np.bool_], start: float) -> Floats:
    """Each value held until the next fresh one; `start` before the first."""
    at = np.maximum.accumulate(np.where(fresh, np.arange(len(values)), -1))
    held: Floats = np.where(at >= 0, values[np.clip(at, 0, None)], start)
    return held


# --- writing ------------------------------------------------------------------------------------------------------


def note_messages(
    notes: Notes,
    ticks_at: Callable[[Floats], Ints],
    bends: Sequence[Sequence[float]] = (),
) -> list[tuple[int, int, bytes]]:
    """(tick, rank, message) rows for a track: note-offs, then bends, then note-ons of one tick.

    `ticks_at` turns seconds of the take into ticks. `bends` rows (second, channel, semitones) are what the instrument
    sent: they are written as they came. Without them, fractions of a semitone become a bend at the note-on. The range
    is said by RPN 0 on each channel that bends.
    """
    channel = notes["channel"].astype(np.int64) & 0x0F
    pitch = notes["pitch"].astype(np.float64)
    onset_s = notes["onset_s"].astype(np.float64)
    end_s = onset_s + notes["duration_s"]
    line = np.array([tuple(row)[:3] for row in bends], dtype=np.float64).reshape(-1, 3)
    line = line[np.argsort(line[:, 0], kind="stable")]
    if len(line):
        settled = np.zeros(len(notes))
        for played in np.unique(channel).tolist():
            mine, here = line[:, 1] == played, channel == played
            if np.any(mine):
                settled[here] = settled_bends(line[mine, 0], line[mine, 2], onset_s[here], end_s[here])
        number = np.clip(np.floor(pitch - settled + 0.5), 0, 127).astype(np.int64)
    else:
        number = np.clip(np.floor(pitch + 0.5), 0, 127).astype(np.int64)
        fraction = pitch - number
        fraction[np.abs(fraction) < SMALLEST_BEND_SEMITONES] = 0.0
        line = _bends_for(onset_s, channel, fraction)
    on_ticks, off_ticks = ticks_at(onset_s), ticks_at(end_s)
    rows: list[tuple[int, int, bytes]] = []
    widest = float(np.abs(line[:, 2]).max(initial=0.0))
    reach = int(min(max(np.ceil(widest), BEND_RANGE_SEMITONES), MOST_BEND_SEMITONES))
    bent = np.unique(line[:, 1]).astype(int).tolist()
    for number_of in bent:
        for controller, amount in ((101, 0), (100, 0), (6, reach), (38, 0), (101, 127), (100, 127)):
            rows.append((0, -1, bytes((0xB0 | number_of & 0x0F, controller, amount))))
    wheel = np.clip(np.round(line[:, 2] / reach * WHEEL_CENTRE) + WHEEL_CENTRE, 0, 2 * WHEEL_CENTRE - 1).astype(
        np.int64
    )
    for at, sent_on, to in zip(ticks_at(line[:, 0]).tolist(), line[:, 1].tolist(), wheel.tolist(), strict=True):
        rows.append((at, 1, bytes((0xE0 | int(sent_on) & 0x0F, to & 0x7F, to >> 7))))
    for on, off, ch, key, speed in zip(
        on_ticks.tolist(),
        np.maximum(off_ticks, on_ticks + 1).tolist(),
        channel.tolist(),
        number.tolist(),
        np.clip(notes["velocity"], 1, 127).tolist(),
        strict=True,
    ):
        rows.append((on, 2, bytes((0x90 | ch, key, speed))))
        rows.append((off, 0, bytes((0x80 | ch, key, 64))))
    return rows


def _bends_for(onset_s: Floats, channel: Ints, fraction: Floats) -> Floats:
    """(n, 3) bends that give each note its fraction: at a note-on, where its channel is not bent that far already."""
    bent_to = dict.fromkeys(range(16), 0.0)
    rows = []
    for at_s, ch, bend in zip(onset_s.tolist(), channel.tolist(), fraction.tolist(), strict=True):
        if bent_to[ch] != bend:
            bent_to[ch] = bend
            rows.append((at_s, float(ch), bend))
    return np.array(rows, dtype=np.float64).reshape(-1, 3)
