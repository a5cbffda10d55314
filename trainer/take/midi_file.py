"""Standard MIDI Files: bytes in, tracks and maps out; and the other way round. Pure: no file is opened here.

Conventions: ticks as in the file; times are turned into beats and seconds by `FileClock`. A beat is a quarter note, but
in compound time (6/8, 9/8, 12/8 …) it is the dotted note that players count, so that a bar of 12/8 has four beats.

Source: Standard MIDI Files 1.0 (RP-001, MIDI Manufacturers Association, 1996) for chunks, divisions, running status
and meta events; MIDI 1.0 for messages. The reader is a single pass in plain Python with one append for each message:
with pairing and bends it takes a fifth of what `mido` takes for the bare messages, and a tenth of `pretty_midi`
(`tests/bench/bench_files.py`). `symusic`, in C++, is far quicker still, but its notes have no channels and it refuses
SMPTE divisions.
"""

from __future__ import annotations

import re
from array import array
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from trainer.clock.tempo import TempoMap
from trainer.errors import FileFormatError
from trainer.limits import CUES

__all__ = [
    "CHORUS_MARKER",
    "MAX_EVENTS",
    "MAX_FILE_BYTES",
    "FileClock",
    "MidiFile",
    "MidiTrack",
    "parse_midi",
]

MAX_FILE_BYTES = 64_000_000  # our choice: an hour of dense band and bass is under 2 MB
MAX_EVENTS = 1_000_000  # channel messages in one file; our choice (a day of eighths, each bent)
MAX_META_EVENTS = 1_200_000  # our choice (a tempo on each of a million beats fits)
MAX_TICK = 1 << 38  # so that tick and message fit into 63 bits
DEFAULT_BEAT_US = 500_000  # 120 quarter notes a minute until a file says otherwise (RP-001)
DROP_FRAME_RATE = 30_000 / 1_001  # frames a second of the division -29 (SMPTE "30 drop", RP-001)

CHORUS_MARKER = re.compile(r"\s*chorus\s+(\d{1,4})(?:\s+(\S.*?))?\s*", re.IGNORECASE)

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]


@dataclass(frozen=True)
class MidiTrack:
    """One track: its number in the file (from 1), its name, its channel messages in file order, and its last tick.

    `instrument` is the name of its instrument, if the file gives one.

    `events` is (n,) int64, each `tick << 24 | status << 16 | data1 << 8 | data2`; data2 is 0 for short messages.
    """

    number: int
    name: str
    events: Ints
    end_tick: int
    instrument: str = ""

    @property
    def n_note_ons(self) -> int:
        return int(np.count_nonzero(self._is_on()))

    @property
    def note_channels(self) -> tuple[int, ...]:
        """Channels (from 0) that have note-ons, in order."""
        return tuple(np.unique((self.events[self._is_on()] >> 16) & 0x0F).tolist())

    @property
    def programs(self) -> dict[int, int]:
        """The first program (from 0) that each channel is given, for channels that have one."""
        changes = self.events[(self.events >> 20) & 0x0F == 0xC]
        channels, first = np.unique((changes >> 16) & 0x0F, return_index=True)
        return dict(zip(channels.tolist(), ((changes[first] >> 8) & 0x7F).tolist(), strict=True))

    def _is_on(self) -> NDArray[np.bool_]:
        note_on: NDArray[np.bool_] = (self.events >> 20) & 0x0F == 0x9
        return note_on & (self.events & 0xFF > 0)


@dataclass(frozen=True)
class MidiFile:
    """What a file holds. Exactly one of `ppq` (ticks a quarter note) and `ticks_per_s` (SMPTE) is set.

    `tempos` rows are (tick, microseconds a quarter note), `meters` (tick, numerator, denominator), `keys` (tick,
    sharps, 1 for minor); `markers`, `texts` and `cues` (cue points) are (tick, text). `remarks` say what was
    odd but could be read.
    """

    format: int
    ppq: int | None
    ticks_per_s: float | None
    tracks: tuple[MidiTrack, ...]
    tempos: Ints
    meters: Ints
    keys: Ints
    markers: tuple[tuple[int, str], ...]
    texts: tuple[tuple[int, str], ...]
    cues: tuple[tuple[int, str], ...] = ()
    remarks: tuple[str, ...] = ()


class _Reader:
    """Collects the maps and texts of all tracks while each is parsed."""

    def __init__(self, source: str) -> None:
        self.source = source
        self.tempos = array("q")  # tick << 24 | microseconds a quarter note
        self.meters = array("q")  # three numbers each
        self.keys = array("q")
        self.words: dict[int, list[tuple[int, str]]] = {0x01: [], 0x06: [], 0x07: []}
        self.remarks: list[str] = []
        self.n_events = 0
        self.n_meta = 0
        self.number = self.first = 0  # of the track that is read, and its place in the file
        self.name = self.instrument = ""

    def fail(self, at: int, found: str, expected: str) -> FileFormatError:
        return FileFormatError(
            f"{self.source}: track {self.number}, byte {self.first + at}: {found}; expected {expected}; "
            "the file is damaged, export it again"
        )

    def too_many(self, most: int, what: str) -> FileFormatError:
        return FileFormatError(f"{self.source}: more than {most:,} {what}; expected one song; cut the file into songs")

    def cut_short(self, number: int) -> None:
        remark = f"track {number} is cut short; what came before the cut was read"
        if remark not in self.remarks:
            self.remarks.append(remark)

    def track(self, data: bytes, first: int, number: int) -> MidiTrack:
        """Parse one track's bytes (`first`: their place in the file)."""
        self.first, self.number = first, number
        self.name = self.instrument = ""
        packed = array("q")
        append = packed.append
        tick = 0
        status = 0
        i = 0
        n = len(data)
        room = MAX_EVENTS - self.n_events
        try:
            while i < n:
                byte = data[i]
                if byte < 0x80:
                    tick += byte
                    i += 1
                else:
                    delta, i = self.counted(data, i, "delta time")
                    tick += delta
                byte = data[i]
                if byte >= 0xF0:
                    i = self.system(data, i + 1, byte, tick)
                    continue
                if byte >= 0x80:
                    i += 1
                    status = byte
                elif not status:
                    raise self.fail(i, f"the data byte {byte:#04x} with no status before it", "a status")
                d1 = data[i]
                if 0xC0 <= status < 0xE0:
                    i += 1
                    if d1 >= 0x80:
                        raise self.fail(i - 1, f"the byte {d1:#04x} inside a message", "a data byte")
                    append(tick << 24 | status << 16 | d1 << 8)
                else:
                    d2 = data[i + 1]
                    i += 2
                    if (d1 | d2) >= 0x80:
                        raise self.fail(i - 1, "a status byte inside a message", "two data bytes")
                    append(tick << 24 | status << 16 | d1 << 8 | d2)
                if len(packed) > room:
                    raise self.too_many(MAX_EVENTS, "MIDI messages")
        except IndexError:
            self.cut_short(number)
        except OverflowError:  # a tick too late to be packed
            tick = MAX_TICK
        if tick >= MAX_TICK:
            raise FileFormatError(
                f"{self.source}: track {number} ends at tick {tick:,} or later; expected a song's length"
            )
        events = np.array(packed, dtype=np.int64)
        self.n_events += len(events)
        return MidiTrack(number, self.name, events, tick, self.instrument)

    def counted(self, data: bytes, i: int, what: str) -> tuple[int, int]:
        """A number of variable length, seven bits a byte, and the place after it."""
        number = 0
        for _ in range(4):
            byte = data[i]
            i += 1
            number = number << 7 | byte & 0x7F
            if byte < 0x80:
                return number, i
        raise self.fail(i, f"a {what} of more than four bytes", "at most four")

    def system(self, data: bytes, i: int, status: int, tick: int) -> int:
        """Read a meta event or a system exclusive message from behind its status; the place after it, the track's end
        after its last."""
        kind = -1
        if status == 0xFF:
            kind = data[i]
            i += 1
        elif status not in (0xF0, 0xF7):
            raise self.fail(i - 1, f"the byte {status:#04x}", "an event's status")
        length, i = self.counted(data, i, "length")
        if i + length > len(data):
            raise IndexError
        self.n_meta += 1
        if self.n_meta > MAX_META_EVENTS:
            raise self.too_many(MAX_META_EVENTS, "tempi, texts and other events")
        if kind == 0x2F:
            return len(data)
        if kind == 0x51 and length == 3:
            self.tempos.append(tick << 24 | int.from_bytes(data[i : i + 3], "big"))
        elif kind in (0x01, 0x03, 0x04, 0x06, 0x07, 0x58, 0x59):
            text = self.meta(kind, tick, data[i : i + length])
            if kind == 0x03:
                self.name = self.name or text
            elif kind == 0x04:
                self.instrument = self.instrument or text
        return i + length

    def meta(self, kind: int, tick: int, body: bytes) -> str:
        """Keep one meta event; gives back its text (empty for signatures)."""
        if kind == 0x58:
            if len(body) >= 2 and body[0] and body[1] <= 6:
                self.meters.extend((tick, body[0], 1 << body[1]))
            return ""
        if kind == 0x59:
            if len(body) >= 2 and body[1] <= 1 and (body[0] <= 7 or body[0] >= 249):
                self.keys.extend((tick, body[0] - 256 if body[0] > 127 else body[0], body[1]))
            return ""
        text = _text(body[:1000])
        if kind in self.words and sum(map(len, self.words.values())) < CUES:
            self.words[kind].append((tick, text))
        return text


def _text(raw: bytes) -> str:
    try:
        text = raw.decode("utf-16" if raw[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8")
    except UnicodeDecodeError:
        text = raw.decode("latin-1")
    return text.strip("\x00 \r\n\t")


def parse_midi(data: bytes, source: str = "MIDI file") -> MidiFile:
    """A file's bytes as tracks and maps.

    `FileFormatError` (naming `source`) for what is no Standard MIDI File, for format 2, for damaged tracks, and for
    more than `MAX_FILE_BYTES` or `MAX_EVENTS`. A file cut short is read up to the cut, with a remark.
    """
    i, file_format, n_tracks, division = _header(data, source)
    ppq, ticks_per_s = _division(division, source)
    reader = _Reader(source)
    tracks: list[MidiTrack] = []
    while i + 8 <= len(data):
        chunk = data[i : i + 4]
        length = int.from_bytes(data[i + 4 : i + 8], "big")
        if chunk == b"MTrk":
            if i + 8 + length > len(data):
                reader.cut_short(len(tracks) + 1)
            tracks.append(reader.track(data[i + 8 : i + 8 + length], i + 8, len(tracks) + 1))
        i += 8 + length
    if not tracks:
        raise FileFormatError(f"{source}: no track in it (its header promises {n_tracks}); expected at least one")
    if len(tracks) != n_tracks:
        reader.remarks.append(f"its header promises {n_tracks} tracks, {len(tracks)} were found")
    tempos = np.array(reader.tempos, dtype=np.int64)
    tempos = np.column_stack((tempos >> 24, tempos & 0xFFFFFF)) if len(tempos) else np.zeros((0, 2), np.int64)
    if np.any(tempos[:, 1] == 0):
        raise FileFormatError(f"{source}: a tempo of 0 microseconds a beat; expected more; export the file again")
    return MidiFile(
        format=file_format,
        ppq=ppq,
        ticks_per_s=ticks_per_s,
        tracks=tuple(tracks),
        tempos=_by_tick(tempos),
        meters=_by_tick(np.array(reader.meters, dtype=np.int64).reshape(-1, 3)),
        keys=_by_tick(np.array(reader.keys, dtype=np.int64).reshape(-1, 3)),
        markers=_in_time(reader.words[0x06]),
        texts=_in_time(reader.words[0x01]),
        cues=_in_time(reader.words[0x07]),
        remarks=tuple(reader.remarks),
    )


def _header(data: bytes, source: str) -> tuple[int, int, int, int]:
    """Where the first track begins, the file's format, how many tracks it promises, and its division."""
    if len(data) > MAX_FILE_BYTES:
        raise FileFormatError(
            f"{source}: {len(data) / 1e6:.0f} MB; expected a MIDI file of at most {MAX_FILE_BYTES // 1_000_000} MB"
        )
    start = 0
    if data[:4] == b"RIFF" and data[8:12] == b"RMID":  # a MIDI file in a RIFF wrapper (RP-029)
        start = max(data.find(b"MThd", 12, 4096), 0)
    if data[start : start + 4] != b"MThd" or len(data) < start + 14:
        raise _another_kind(data[start : start + 4], source)
    n_bytes = int.from_bytes(data[start + 4 : start + 8], "big")
    file_format, n_tracks, division = (int.from_bytes(data[start + k : start + k + 2], "big") for k in (8, 10, 12))
    if n_bytes < 6:
        raise FileFormatError(f"{source}: a header of {n_bytes} bytes; expected 6; export the file again")
    if file_format == 2:
        raise FileFormatError(
            f"{source}: MIDI file format 2 (independent patterns); expected format 0 or 1; export it as one song"
        )
    if file_format > 2:
        raise FileFormatError(f"{source}: MIDI file format {file_format}; expected 0 or 1")
    return start + 8 + n_bytes, file_format, n_tracks, division


def _another_kind(head: bytes, source: str) -> FileFormatError:
    """What is said of a file that is no MIDI file, by its first four bytes and its name."""
    if source.endswith(".result") and head[:2] == b"PK":
        return FileFormatError(f"{source}: a worksheet's result, not a take; trainer review reads a folder of them")
    if source.lower().endswith((".musicxml", ".xml", ".mxl")):
        return FileFormatError(f"{source}: MusicXML, not a take; trainer study reads it")
    seen = head.decode("ascii", "replace")
    found = "a file of another kind" if head else "an empty file"
    if seen.isascii() and seen.isprintable() and seen:
        found = f'a file that begins with "{seen}"'
    return FileFormatError(f'{source}: found {found}; expected a Standard MIDI File, which begins with "MThd"')


def _division(division: int, source: str) -> tuple[int | None, float | None]:
    """Ticks a quarter note, or ticks a second for a SMPTE division (RP-001: two's complement frame rate, ticks a
    frame)."""
    if not division & 0x8000:
        if division == 0:
            raise FileFormatError(f"{source}: 0 ticks a quarter note in its header; expected 1 to 32767")
        return division, None
    frames = 256 - (division >> 8)
    ticks_per_frame = division & 0xFF
    if frames not in (24, 25, 29, 30) or ticks_per_frame == 0:
        raise FileFormatError(
            f"{source}: the division {division:#06x} ({frames} frames a second, {ticks_per_frame} ticks a frame); "
            "expected 24, 25, 29 or 30 frames and at least 1 tick"
        )
    return None, (DROP_FRAME_RATE if frames == 29 else float(frames)) * ticks_per_frame


def _in_time(words: list[tuple[int, str]]) -> tuple[tuple[int, str], ...]:
    return tuple(sorted(words, key=lambda item: item[0]))


def _by_tick(rows: Ints) -> Ints:
    """Rows in order of tick; of several on one tick the last in the file stands."""
    if len(rows) == 0:
        return rows
    rows = rows[np.argsort(rows[:, 0], kind="stable")]
    last: Ints = rows[np.append(rows[1:, 0] != rows[:-1, 0], True)]
    return last


class FileClock:
    """A file's ticks as seconds (from tick 0) and as beats (from tick 0), and the tempo map between the two.

    `tempo_bpm` (beats a minute) is used where the file has no tempo at all; None: 120 quarter notes a minute.
    """

    def __init__(self, midi: MidiFile, tempo_bpm: float | None = None) -> None:
        ticks = np.unique(np.concatenate((np.zeros(1, np.int64), midi.tempos[:, 0], midi.meters[:, 0])))
        quarters_per_beat = np.ones(len(ticks))
        if len(midi.meters):
            top, bottom = midi.meters[:, 1], midi.meters[:, 2]
            compound = (bottom >= 8) & (top > 3) & (top % 3 == 0)
            counted = np.where(compound, 12.0 / bottom, 1.0)
            at = np.searchsorted(midi.meters[:, 0], ticks, side="right") - 1
            quarters_per_beat = np.where(at >= 0, counted[np.clip(at, 0, None)], 1.0)
        if len(midi.tempos):
            at = np.searchsorted(midi.tempos[:, 0], ticks, side="right") - 1
            quarter_us = np.where(at >= 0, midi.tempos[np.clip(at, 0, None), 1], DEFAULT_BEAT_US).astype(np.float64)
            beat_s = quarter_us * 1e-6 * quarters_per_beat
        elif tempo_bpm is not None:
            beat_s = np.full(len(ticks), 60.0 / tempo_bpm)
        else:
            beat_s = DEFAULT_BEAT_US * 1e-6 * quarters_per_beat
        if midi.ppq is not None:
            ticks_per_beat = midi.ppq * quarters_per_beat
            tick_s = beat_s / ticks_per_beat
        else:
            assert midi.ticks_per_s is not None
            tick_s = np.full(len(ticks), 1.0 / midi.ticks_per_s)
            ticks_per_beat = beat_s / tick_s
        span = np.diff(ticks).astype(np.float64)
        self._ticks: Ints = ticks
        self._tick_s: Floats = tick_s
        self._beats_per_tick: Floats = 1.0 / ticks_per_beat
        self._seconds: Floats = np.concatenate(([0.0], np.cumsum(span * tick_s[:-1])))
        self._beats: Floats = np.concatenate(([0.0], np.cumsum(span * self._beats_per_tick[:-1])))
        self._bpm: Floats = 60.0 / beat_s

    def _at(self, ticks: ArrayLike) -> tuple[Any, Any]:
        x = np.asarray(ticks, dtype=np.int64)
        i = np.clip(np.searchsorted(self._ticks, x, side="right") - 1, 0, None)
        return i, x - self._ticks[i]

    def seconds_at(self, ticks: ArrayLike) -> Any:
        """Seconds from tick 0: (n,) in, (n,) out."""
        i, beyond = self._at(ticks)
        return self._seconds[i] + beyond * self._tick_s[i]

    def beats_at(self, ticks: ArrayLike) -> Any:
        """Beats from tick 0: (n,) in, (n,) out."""
        i, beyond = self._at(ticks)
        return self._beats[i] + beyond * self._beats_per_tick[i]

    def beats_at_seconds(self, seconds: ArrayLike) -> Any:
        """Beats from tick 0 at seconds from tick 0 (may be negative): (n,) in, (n,) out."""
        x = np.asarray(seconds, dtype=np.float64)
        i = np.clip(np.searchsorted(self._seconds, x, side="right") - 1, 0, None)
        return self._beats[i] + (x - self._seconds[i]) * self._bpm[i] / 60.0

    def seconds_at_beats(self, beats: float) -> float:
        """Seconds from tick 0 at a beat from tick 0 (may be negative)."""
        i = max(int(np.searchsorted(self._beats, beats, side="right")) - 1, 0)
        return float(self._seconds[i] + (beats - self._beats[i]) * 60.0 / self._bpm[i])

    def tempo_map(self, origin_beats: float) -> TempoMap:
        """The tempo map whose beat 0.0 and second 0.0 lie at `origin_beats` of the file. Repeated tempi are merged."""
        keep = np.append(True, np.diff(self._bpm) != 0.0) & np.append(True, np.diff(self._beats) > 0.0)
        return TempoMap(np.column_stack((self._beats[keep] - origin_beats, self._bpm[keep])))
