"""From bytes to notes: a MIDI byte parser and the pairing of notes, sans-IO.

Feed it what arrived, with the host time of each; poll it for what happened. It never raises on any bytes: what makes
no sense is counted in `stats` and left out.

Rules, with their sources:

- Byte stream (MIDI 1.0): running status; note-on with velocity 0 is a note-off; real-time bytes (F8–FF) may stand
  anywhere, even inside another message; any other status byte ends a system exclusive message; system common messages
  cancel running status.
- Several channels are one player (string per channel, mode 4): nothing here tells them apart but pairing and bends.
- Overlapping notes of one pitch: first in, first out, per channel and note number.
- Bend: see `trainer.take.messages`; reset-all-controllers centres it (RP-015).
- All-notes-off, all-sound-off, the mode messages 124–127 and system reset end the notes that they name.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from trainer.take.messages import (
    WHEEL_CENTRE,
    BendRange,
    is_whole,
    n_data_bytes,
    settled_bends,
    wheel_frac,
)
from trainer.take.notes import FLAG_CUT, FLAG_NO_RELEASE, empty_notes, sorted_notes

__all__ = ["ByteParser", "NoteEvent", "Recorder", "RecorderStats"]

_MAX_BENDS = 2_000_000  # two hours of a bend every 4 ms; beyond it the oldest go


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
            self._need = n_data_bytes(byte)
            return
        self._status = self._running = self._need = 0
        if byte == 0xF0:
            self.n_sysex += 1
            return
        need = n_data_bytes(byte)
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

    kind: Literal["on", "off", "bend"]
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
    wheel: int = WHEEL_CENTRE
    range: BendRange = field(default_factory=BendRange)
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
        return tuple(channel.range.semitones for channel in self._channels)

    def feed(self, host_ns: int, data: bytes) -> None:
        """Bytes that arrived at `host_ns`: any cut of the stream."""
        before = self._parser.n_dropped
        for message in self._parser.feed(data):
            self._message(host_ns, message)
        self.stats.n_dropped_bytes += self._parser.n_dropped - before
        self.stats.n_sysex = self._parser.n_sysex

    def feed_message(self, host_ns: int, data: bytes) -> None:
        """One message, as a MIDI driver hands it over; one that is not whole is counted and left out."""
        if is_whole(data):
            self._message(host_ns, data)
        else:
            self.stats.n_dropped_bytes += len(data)

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

    def _bend(self, host_ns: int, channel: int, wheel: int) -> None:
        state = self._channels[channel]
        state.wheel = wheel
        semitones = wheel_frac(wheel) * state.range.semitones
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
        if state.range.feed(number, level):
            self._bend(host_ns, channel, state.wheel)
        elif number == 121:
            self._bend(host_ns, channel, WHEEL_CENTRE)
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
            table["pitch"][i] = note.number
            table["velocity"][i] = note.velocity
            table["channel"][i] = note.channel
        table["pitch"] += self._settled(table["channel"], on_ns, off_ns)
        onset_s = np.asarray(to_seconds(on_ns), dtype=np.float64)
        table["onset_s"] = onset_s
        table["duration_s"] = np.maximum(np.asarray(to_seconds(off_ns), dtype=np.float64) - onset_s, 0.0)
        return sorted_notes(table)

    def _settled(
        self, channel: NDArray[Any], on_ns: NDArray[np.int64], off_ns: NDArray[np.int64]
    ) -> NDArray[np.float64]:
        """The bend at which each note settles, (n,) semitones."""
        out = np.zeros(len(on_ns))

        def seconds(host_ns: NDArray[np.int64]) -> NDArray[np.float64]:
            return np.asarray((host_ns - zero_ns) * 1e-9, dtype=np.float64)

        for number, state in enumerate(self._channels):
            here = np.flatnonzero(channel == number)
            if state.bends and len(here):
                zero_ns = state.bends[0][0]
                at_s = seconds(np.array([ns for ns, _ in state.bends], dtype=np.int64))
                bends = np.array([semitones for _, semitones in state.bends])
                out[here] = settled_bends(at_s, bends, seconds(on_ns[here]), seconds(off_ns[here]))
        return out
