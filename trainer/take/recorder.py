"""From bytes to notes: a MIDI byte parser and the pairing of notes, sans-IO.

Feed it what arrived, with the host time of each; poll it for what happened. It never raises on any bytes: what makes
no sense is counted in `stats` and left out.

Rules, with their sources:

- Byte stream (MIDI 1.0): running status; note-on with velocity 0 is a note-off; real-time bytes (F8–FF) may stand
anywhere, even inside
  another message; any other status byte ends a system exclusive message; system common messages cancel running status.
- Several channels are one player (string per channel, mode 4): nothing here tells them apart but pairing and bends. -
Overlapping notes of one pitch: first in, first out, per channel and note number. - Bend: ±2 semitones until RPN 0
sets another range (MIDI 1.0; data entry MSB semitones, LSB cents); reset-all-controllers
  centres it (RP-015). A note's *settled* pitch is its number plus the time-weighted median bend from 30 to 250 ms
  after its onset (our choice: a tracked string's first bend comes within about 20 ms; the median rides over vibrato
  and a slide's start).
- All-notes-off, all-sound-off, the mode messages 124–127 and system reset end the notes that they name.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from trainer.take.notes import FLAG_CUT, FLAG_NO_RELEASE, empty_notes, sorted_notes

__all__ = ["ByteParser", "NoteEvent", "Recorder", "RecorderStats", "is_channel_message", "settled_bend"]

DEFAULT_BEND_RANGE_SEMITONES = 2.0
_SETTLE_FROM_NS = 30_000_000
_SETTLE_TO_NS = 250_000_000
_MAX_BENDS = 2_000_000  # two hours of a bend every 4 ms; beyond it the oldest go
# Data bytes that follow a status: channel messages by their upper four bits, system common by the whole byte.
_N_DATA = {0x8: 2, 0x9: 2, 0xA: 2, 0xB: 2, 0xC: 1, 0xD: 1, 0xE: 2}
_N_COMMON = {0xF1: 1, 0xF2: 2, 0xF3: 1, 0xF4: 0, 0xF5: 0, 0xF6: 0, 0xF7: 0}


def is_channel_message(data: bytes) -> bool:
    """Whether a whole message is one that a take keeps: note, controller, program or bend (not pressure or system)."""
    return bool(data) and 0x80 <= data[0] < 0xF0 and data[0] & 0xF0 not in (0xA0, 0xD0)


class ByteParser:
    """A MIDI byte stream cut into whole messages. System exclusive is passed over, not kept."""

    __slots__ = ("_data", "_in_sysex", "_need", "_running", "_status", "n_dropped", "n_sysex")

    def __init__(self) -> None:
        self._status = 0  # status whose data bytes are awaited; 0: none
        self._running = 0
        self._need = 0
        self._data = bytearray()
        self._in_sysex = False
        self.n_dropped = 0  # bytes that fitted nothing
        self.n_sysex = 0

    def feed(self, data: bytes) -> list[bytes]:
        """Whole messages completed by these bytes, in order."""
        out: list[bytes] = []
        for byte in data:
            if byte >= 0xF8:
                out.append(bytes((byte,)))
                if byte == 0xFF:
                    self._cancel()
            elif byte >= 0x80:
                self._begin(byte, out)
            elif self._in_sysex:
                continue
            else:
                self._take(byte, out)
        return out

    def _cancel(self) -> None:
        self.n_dropped += len(self._data) + (self._status != 0 and self._status != self._running)
        self._status = self._running = self._need = 0
        self._data.clear()
        self._in_sysex = False

    def _begin(self, byte: int, out: list[bytes]) -> None:
        self.n_dropped += len(self._data)
        self._data.clear()
        self._in_sysex = byte == 0xF0
        if byte < 0xF0:
            self._status = self._running = byte
            self._need = _N_DATA[byte >> 4]
            return
        self._status = self._running = self._need = 0
        if byte == 0xF0:
            self.n_sysex += 1
            return
        need = _N_COMMON[byte]
        if need:
            self._status, self._need = byte, need
        elif byte == 0xF6:
            out.append(bytes((byte,)))

    def _take(self, byte: int, out: list[bytes]) -> None:
        if not self._status:
            self.n_dropped += 1
            return
        self._data.append(byte)
        if len(self._data) == self._need:
            out.append(bytes((self._status, *self._data)))
            self._data.clear()
            if self._status >= 0xF0:
                self._status = self._need = 0


@dataclass(frozen=True, slots=True)
class NoteEvent:
    """Something that happened to a note. `kind` is "on", "off" or "bend".

    `note_idx` numbers the note-ons of this recorder from 0 (an "off" carries its note's; a "bend" -1: it is for every
    note of its channel). `pitch` is the sounding pitch at that moment (semitones, with the bend of its channel; a
    "bend" has the bend alone). `velocity` is the note-on's, 0 in the others.
    """

    kind: str
    host_ns: int
    note_idx: int
    channel: int
    number: int
    velocity: int
    pitch: float


@dataclass(slots=True)
class RecorderStats:
    """Counts for the record: what came in besides notes, and what did not fit."""

    n_messages: int = 0
    n_stray_offs: int = 0
    n_overlaps: int = 0
    n_realtime: int = 0
    n_bends: int = 0
    n_dropped_bytes: int = 0
    n_sysex: int = 0

    def to_dict(self) -> dict[str, int]:
        return {name: getattr(self, name) for name in self.__slots__}


@dataclass(slots=True)
class _Note:
    channel: int
    number: int
    velocity: int
    on_ns: int
    off_ns: int | None = None
    cut: bool = False


_ENDED = _Note(0, 0, 0, 0)  # stands for every note that was let go


@dataclass(slots=True)
class _Channel:
    bend_semitones: float = 0.0
    raw_bend: int = 8192
    range_semitones: float = DEFAULT_BEND_RANGE_SEMITONES
    range_msb: int = 2
    range_lsb: int = 0
    rpn_msb: int = 127
    rpn_lsb: int = 127
    bends: list[tuple[int, float]] = field(default_factory=list)


class Recorder:
    """Collects the player's notes. One per input; times in must not go back by more than the driver's jitter.

    `releases=False`: the input cannot send note-offs (computer-keyboard pad); lengths then run to the next note and
    are flagged.
    """

    def __init__(self, *, releases: bool = True, keep_realtime: bool = False, keep_notes: bool = True) -> None:
        """`keep_realtime`: put clock bytes (F8–FF) and song position on `realtime` for whoever follows a clock.
        `keep_notes=False`: let go of what has ended, for whoever only polls; there is no table then.
        """
        self._keep_notes = keep_notes
        self.releases = releases
        self.stats = RecorderStats()
        self.realtime: deque[tuple[int, bytes]] | None = deque(maxlen=100_000) if keep_realtime else None
        self._parser = ByteParser()
        self._events: list[NoteEvent] = []
        self._notes: list[_Note] = []
        self._sounding: dict[tuple[int, int], deque[int]] = {}
        self._channels = [_Channel() for _ in range(16)]

    @property
    def n_notes(self) -> int:
        """Note-ons so far."""
        return len(self._notes)

    @property
    def bend_ranges(self) -> tuple[float, ...]:
        """How many semitones a full bend is, on each of the 16 channels now."""
        return tuple(channel.range_semitones for channel in self._channels)

    @property
    def n_sounding(self) -> int:
        return sum(len(queue) for queue in self._sounding.values())

    def feed(self, host_ns: int, data: bytes) -> None:
        """Bytes that arrived at `host_ns`: any cut of the stream."""
        for message in self._parser.feed(data):
            self._message(host_ns, message)
        self.stats.n_dropped_bytes = self._parser.n_dropped
        self.stats.n_sysex = self._parser.n_sysex

    def feed_message(self, host_ns: int, data: bytes) -> None:
        """One whole message, as a MIDI driver hands it over."""
        self.feed(host_ns, data)

    def poll(self) -> list[NoteEvent]:
        """What happened since the last poll, in order of arrival."""
        events, self._events = self._events, []
        return events

    def release_all(self, host_ns: int) -> None:
        """End every sounding note now and flag it as cut: the port was lost, or the take ends."""
        for key in list(self._sounding):
            self._end(key, host_ns, cut=True, everything=True)

    def _message(self, host_ns: int, message: bytes) -> None:
        status = message[0]
        self.stats.n_messages += 1
        if status >= 0xF0:
            if status >= 0xF8:
                self.stats.n_realtime += 1
            if self.realtime is not None and (status >= 0xF8 or status == 0xF2):
                self.realtime.append((host_ns, message))
            if status == 0xFF:
                self.release_all(host_ns)
            return
        kind, channel = status & 0xF0, status & 0x0F
        if kind == 0x90 and message[2]:
            self._on(host_ns, channel, message[1], message[2])
        elif kind in (0x80, 0x90):
            key = (channel, message[1])
            if self._sounding.get(key):
                self._end(key, host_ns)
            else:
                self.stats.n_stray_offs += 1
        elif kind == 0xE0:
            self._bend(host_ns, channel, message[1] | message[2] << 7)
        elif kind == 0xB0:
            self._controller(host_ns, channel, message[1], message[2])

    def _on(self, host_ns: int, channel: int, number: int, velocity: int) -> None:
        idx = len(self._notes)
        self._notes.append(_Note(channel, number, velocity, host_ns))
        queue = self._sounding.setdefault((channel, number), deque())
        self.stats.n_overlaps += bool(queue)
        queue.append(idx)
        pitch = number + self._channels[channel].bend_semitones
        self._events.append(NoteEvent("on", host_ns, idx, channel, number, velocity, pitch))
        if not self.releases:  # only the newest note can be sounding
            for key in list(self._sounding):
                while self._sounding[key] and self._sounding[key][0] != idx:
                    self._end(key, host_ns)
                if not self._sounding[key]:
                    del self._sounding[key]

    def _end(self, key: tuple[int, int], host_ns: int, *, cut: bool = False, everything: bool = False) -> None:
        queue = self._sounding[key]
        channel, number = key
        for _ in range(len(queue) if everything else 1):
            idx = queue.popleft()
            note = self._notes[idx]
            note.off_ns = max(host_ns, note.on_ns)
            note.cut = cut
            if not self._keep_notes:
                self._notes[idx] = _ENDED
            pitch = number + self._channels[channel].bend_semitones
            self._events.append(NoteEvent("off", note.off_ns, idx, channel, number, 0, pitch))
        if everything:
            del self._sounding[key]

    def _bend(self, host_ns: int, channel: int, raw: int) -> None:
        state = self._channels[channel]
        state.raw_bend = raw
        # 0, 8192 and 16383 are the range's ends and its middle, so the upper half has one step fewer.
        frac = (raw - 8192) / (8192 if raw < 8192 else 8191)
        semitones = frac * state.range_semitones
        self.stats.n_bends += 1
        if semitones != state.bend_semitones:
            state.bend_semitones = semitones
            if not self._keep_notes:
                state.bends.clear()
            elif len(state.bends) >= _MAX_BENDS:
                del state.bends[: _MAX_BENDS // 2]
            state.bends.append((host_ns, semitones))
            self._events.append(NoteEvent("bend", host_ns, -1, channel, 0, 0, semitones))

    def _controller(self, host_ns: int, channel: int, number: int, level: int) -> None:
        state = self._channels[channel]
        if number == 101:
            state.rpn_msb = level
        elif number == 100:
            state.rpn_lsb = level
        elif number in (98, 99):  # a non-registered parameter is addressed: data entry is not for us
            state.rpn_msb = state.rpn_lsb = 127
        elif number in (6, 38) and (state.rpn_msb, state.rpn_lsb) == (0, 0):
            if number == 6:
                state.range_msb, state.range_lsb = level, 0
            else:
                state.range_lsb = level
            state.range_semitones = state.range_msb + state.range_lsb / 100.0
            self._bend(host_ns, channel, state.raw_bend)
        elif number == 121:
            state.rpn_msb = state.rpn_lsb = 127
            self._bend(host_ns, channel, 8192)
        elif number == 120 or number >= 123:
            for key in [key for key in self._sounding if key[0] == channel]:
                self._end(key, host_ns, everything=True)

    # --- tables ---------------------------------------------------------------------------------------------------

    def onsets_ns(self) -> NDArray[np.int64]:
        """Host time of each note-on, in order of arrival: (n,)."""
        return np.array([note.on_ns for note in self._notes], dtype=np.int64)

    def bends(self) -> list[tuple[int, int, float]]:
        """(host_ns, channel, semitones) of every change of bend, in order of time: for the take's bend track."""
        rows = [(ns, channel, value) for channel, state in enumerate(self._channels) for ns, value in state.bends]
        return sorted(rows)

    def note_table(self, to_seconds: Callable[[NDArray[np.int64]], Any], end_ns: int | None = None) -> NDArray[Any]:
        """The notes so far as a `NOTE_DTYPE` table, sorted by onset.

        `to_seconds` turns host times (n,) int64 into seconds of the take. Notes still sounding, and notes cut by
        `release_all`, are flagged `FLAG_CUT` and end at the next note-on of their channel and pitch or at `end_ns`
        (None: the newest time fed).
        """
        if not self._keep_notes:
            raise RuntimeError("this recorder keeps no notes")
        n = len(self._notes)
        table = empty_notes(n)
        if n == 0:
            return table
        on_ns = self.onsets_ns()
        last_ns = int(max(int(on_ns.max()), max((note.off_ns or 0 for note in self._notes), default=0)))
        if end_ns is not None:
            last_ns = max(int(on_ns.max()), end_ns)
        off_ns = np.empty(n, dtype=np.int64)
        following: dict[tuple[int, int], int] = {}
        for i in range(n - 1, -1, -1):
            note = self._notes[i]
            key = (note.channel, note.number)
            off_ns[i] = note.off_ns if note.off_ns is not None else following.get(key, last_ns)
            following[key] = note.on_ns
            if note.off_ns is None or note.cut:
                table["flags"][i] |= FLAG_CUT
            if not self.releases:
                table["flags"][i] |= FLAG_NO_RELEASE
            table["pitch"][i] = note.number + self._settled(note, int(off_ns[i]))
            table["velocity"][i] = note.velocity
            table["channel"][i] = note.channel
        onset_s = np.asarray(to_seconds(on_ns), dtype=np.float64)
        table["onset_s"] = onset_s
        table["duration_s"] = np.maximum(np.asarray(to_seconds(off_ns), dtype=np.float64) - onset_s, 0.0)
        return sorted_notes(table)

    def _settled(self, note: _Note, off_ns: int) -> float:
        bends = self._channels[note.channel].bends
        return settled_bend(bends, note.on_ns, off_ns) if bends else 0.0


def settled_bend(bends: Sequence[tuple[int, float]], on_ns: int, off_ns: int) -> float:
    """Bend (semitones) at which a note settles: the time-weighted median of the steps between 30 and 250 ms after its
    onset.

    `bends`: (host_ns, semitones) in order of time. A note shorter than 30 ms takes the bend at its end.
    """
    from_ns = on_ns + _SETTLE_FROM_NS
    to_ns = min(off_ns, on_ns + _SETTLE_TO_NS)
    if to_ns <= from_ns:
        from_ns = to_ns = off_ns
    start = bisect_right(bends, from_ns, key=_stamp) - 1
    held = bends[start][1] if start >= 0 else 0.0
    spans: dict[float, int] = {}
    at_ns = from_ns
    for i in range(start + 1, len(bends)):
        ns, semitones = bends[i]
        if ns >= to_ns:
            break
        spans[held] = spans.get(held, 0) + ns - at_ns
        held, at_ns = semitones, ns
    spans[held] = spans.get(held, 0) + max(to_ns - at_ns, 1)
    half = sum(spans.values()) / 2.0
    passed = 0
    for semitones in sorted(spans):
        passed += spans[semitones]
        if passed >= half:
            return semitones
    return held


def _stamp(bend: tuple[int, float]) -> int:
    return bend[0]
