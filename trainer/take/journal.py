"""The journal of a take: written while it is played, so that nothing played is ever lost.

A text file, one record a line, append-only. A line is a JSON array, a tab, and the CRC-32 of the JSON in eight hex
digits; a torn or damaged line is passed over and counted. The first record is the header, with all that is needed to
finish the take later.

    ["head", {"take_id": …, "session": {…}, "options": {…}, "ports": {…}, …}]
    ["msg", seq, host_ns, arrival_ns, driver_s, port_idx, "903c40"]     one whole MIDI message of the player's
    ["map", host_ns, song_s, rate]         from host_ns on, song second = song_s + (host_ns - host_ns0) * 1e-9 * rate
    ["mark", kind, host_ns, {…}]           anything worth keeping: xrun, port lost, pause, sent lateness…
    ["saving", "path of the take's MIDI file"]   before the take is moved into place
    ["end", host_ns, {…}]                  played to its end, or stopped

Each record is one `write()` to an unbuffered file: it survives the process being killed. A thread of its own syncs
every 0.5 s: at most that much is lost with the power. `append` never raises: with the disk full the records wait in
memory, `fault` says so, and the next append tries again.

The writer holds a lock on the file for as long as it lives; `recover` passes over a journal whose writer is alive.
The take's id is drawn at the start and `saving` is written before the take appears, so a kill between the two is not
taken for a lost take: `recover` gives the path, and whoever finishes the take looks there for the same id first.
"""

from __future__ import annotations

import contextlib
import errno
import json
import math
import os
import threading
import uuid
import zlib
from collections import deque
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from trainer.clock.fit import SongMap, place_messages
from trainer.errors import FileFormatError, UsageError
from trainer.limits import has_far_number
from trainer.system import here
from trainer.take.recorder import Recorder

__all__ = [
    "JOURNAL_SUFFIX",
    "Journal",
    "JournalMark",
    "JournalMessage",
    "JournalWriter",
    "read_journal",
    "recover",
]

JOURNAL_SUFFIX = ".journal"
FORMAT = 1
SYNC_S = 0.5
_MAX_WAITING = 1_000_000  # records kept in memory while the disk takes none
_MAX_BYTES = 40_000_000  # a journal larger than this is refused: two hours of dense bends are 40 MB


@dataclass(frozen=True, slots=True)
class JournalMessage:
    """One MIDI message of the player's: placed host time, raw arrival, driver time since the opening, which port."""

    seq: int
    host_ns: int
    arrival_ns: int
    driver_s: float
    port_idx: int
    data: bytes


@dataclass(frozen=True, slots=True)
class JournalMark:
    kind: str
    host_ns: int
    details: Mapping[str, Any]


# --- writing ------------------------------------------------------------------------------------------------------


def _line(record: Sequence[Any]) -> bytes:
    try:
        text = json.dumps(record, separators=(",", ":"), allow_nan=False)
    except (ValueError, TypeError):  # a figure that is not finite, or no plain data: never worth losing a take for
        text = json.dumps(_plain(record), separators=(",", ":"), allow_nan=False)
    raw = text.encode("ascii")
    return b"%s\t%08x\n" % (raw, zlib.crc32(raw))


def _plain(data: Any) -> Any:
    if isinstance(data, float):
        return data if math.isfinite(data) else None
    if data is None or isinstance(data, str | int):
        return data
    if isinstance(data, Mapping):
        return {str(key): _plain(inner) for key, inner in data.items()}
    if isinstance(data, list | tuple):
        return [_plain(inner) for inner in data]
    item = getattr(data, "item", None)  # numpy scalars
    return _plain(item()) if callable(item) and getattr(data, "ndim", None) == 0 else str(data)


class JournalWriter:
    """Writes one take's journal. Append from one thread, and not a real-time one: a `write` may wait for the disk.

    `path` must not exist (`UsageError`). `header`: plain JSON data (ports, options, session dict…); `take_id`,
    `format` and `pid` are added.
    """

    def __init__(self, path: str | Path, header: Mapping[str, Any], *, sync_s: float = SYNC_S) -> None:
        self.path = Path(path)
        self.take_id = str(header.get("take_id") or uuid.uuid4().hex)
        self.fault: str | None = None
        self._waiting: deque[bytes] = deque(maxlen=_MAX_WAITING)
        self._torn = False
        self._dirty = threading.Event()
        self._stop = threading.Event()
        self._seq = 0
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            self._fd = os.open(
                self.path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_APPEND | getattr(os, "O_BINARY", 0), 0o644
            )
        except OSError as error:
            if error.errno == errno.EEXIST and self.path.is_file():
                raise UsageError(f"{self.path} is there already; expected a new name for each take's journal") from None
            raise UsageError(
                f"cannot write the journal {self.path}: {error.strerror or error}; choose another folder with --takes"
            ) from None
        here().lock(self._fd)
        self._write(_line(["head", {**header, "format": FORMAT, "take_id": self.take_id, "pid": os.getpid()}]))
        if self.fault is not None:
            os.close(self._fd)
            with contextlib.suppress(OSError):
                self.path.unlink()
            raise UsageError(self.fault)
        self._sync()
        self._thread = threading.Thread(target=self._keep_synced, args=(sync_s,), name="journal sync", daemon=True)
        self._thread.start()

    @property
    def n_waiting(self) -> int:
        """Records that the disk has not taken yet."""
        return len(self._waiting)

    def message(
        self, host_ns: int, data: bytes, *, arrival_ns: int | None = None, driver_s: float = 0.0, port_idx: int = 0
    ) -> int:
        """Keep one MIDI message; returns its sequence number (from 0). `driver_s`: sum of the driver's deltas since
        the port opened.
        """
        seq = self._seq
        self._seq += 1
        arrival = host_ns if arrival_ns is None else arrival_ns
        self._write(_line(["msg", seq, host_ns, arrival, round(driver_s, 9), port_idx, data.hex()]))
        return seq

    def map(self, host_ns: int, song_s: float, rate: float) -> None:
        """From `host_ns` on the song stands at `song_s` and moves at `rate` song seconds a second (0: paused)."""
        self._write(_line(["map", host_ns, song_s, rate]))

    def mark(self, kind: str, host_ns: int, **details: Any) -> None:
        """Keep anything else; `details` must be plain JSON data."""
        self._write(_line(["mark", kind, host_ns, details]))

    def saving(self, take_path: str | Path) -> None:
        """The take is about to be moved to `take_path`. Synced before it returns."""
        self._write(_line(["saving", str(take_path)]))
        self._sync()

    def end(self, host_ns: int, **details: Any) -> None:
        """Nothing more will be played. Synced before it returns."""
        self._write(_line(["end", host_ns, details]))
        self._sync()

    def close(self, *, remove: bool = False) -> None:
        """Write what waits, sync, close; `remove` when the take is safe in its own files. Idempotent, never raises."""
        if self._fd < 0:
            return
        self._stop.set()
        self._dirty.set()
        self._thread.join(timeout=5.0)
        self._write(b"")
        self._sync()
        if remove:  # while the lock is held, so that nobody takes it for a lost one
            with contextlib.suppress(OSError):
                self.path.unlink()
        with contextlib.suppress(OSError):
            os.close(self._fd)
        self._fd = -1
        if remove:
            _remove_closed(self.path)

    def _write(self, line: bytes) -> None:
        if line:
            self._waiting.append(line)
        while self._waiting:
            piece = b"\n" + self._waiting[0] if self._torn else self._waiting[0]
            try:
                n_bytes = os.write(self._fd, piece)
            except OSError as error:
                self._trouble(error)
                return
            if n_bytes != len(piece):
                self._torn = True
                self._trouble(OSError(errno.ENOSPC, os.strerror(errno.ENOSPC)))
                return
            self._torn = False
            self._waiting.popleft()
        self.fault = None
        self._dirty.set()

    def _trouble(self, error: OSError) -> None:
        self.fault = (
            f"cannot write the journal {self.path}: {error.strerror or error}; what is played is kept in memory, "
            "make room now and the take will be whole"
        )

    def _sync(self) -> None:
        with contextlib.suppress(OSError):  # not every file system can; the writes stand all the same
            os.fsync(self._fd)

    def _keep_synced(self, sync_s: float) -> None:
        while not self._stop.is_set():
            self._dirty.wait()
            self._dirty.clear()
            self._sync()
            self._stop.wait(sync_s)


# --- reading ------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Journal:
    """What a journal holds. `ended`: played to its end or stopped in order; `saving`: where the take was about to be
    put.
    """

    path: Path
    header: Mapping[str, Any]
    messages: tuple[JournalMessage, ...]
    song_map: SongMap
    marks: tuple[JournalMark, ...] = ()
    ended: bool = False
    saving: str | None = None
    n_damaged: int = 0
    end_ns: int = 0
    _claim: list[int] = field(default_factory=list, repr=False)

    def close(self, *, remove: bool = False) -> None:
        """Let go of a recovered journal; `remove` it when its take is safe in files of its own. Idempotent, never
        raises.
        """
        if remove and self._claim:  # while the lock is held, so that nobody finishes the take twice
            with contextlib.suppress(OSError):
                self.path.unlink()
        while self._claim:
            with contextlib.suppress(OSError):
                os.close(self._claim.pop())
        if remove:
            _remove_closed(self.path)

    @property
    def take_id(self) -> str:
        return str(self.header.get("take_id", ""))

    def recorder(self) -> Recorder:
        """The messages fed to a fresh recorder, with their times placed once more, now that all of them are known."""
        recorder = Recorder(releases=self.header.get("releases", True) is not False)
        losses = [mark for mark in self.marks if mark.kind == "port_lost"]
        for ns, message in zip(self._placed_ns().tolist(), self.messages, strict=True):
            while losses and losses[0].host_ns <= ns:
                recorder.release_all(losses.pop(0).host_ns)
            recorder.feed_message(ns, message.data)
        for mark in losses:
            recorder.release_all(mark.host_ns)
        recorder.poll()
        return recorder

    def _placed_ns(self) -> NDArray[np.int64]:
        """Host time of each message, placed by its port's driver times with hindsight (`place_messages`): (n,)."""
        placed = np.array([m.host_ns for m in self.messages], dtype=np.int64)
        arrival = np.array([m.arrival_ns for m in self.messages], dtype=np.int64)
        driver_s = np.array([m.driver_s for m in self.messages], dtype=np.float64)
        ports = np.array([m.port_idx for m in self.messages], dtype=np.int64)
        for port_idx in np.unique(ports).tolist():
            which = np.flatnonzero(ports == port_idx)
            if np.any(driver_s[which] != 0.0):
                placed[which] = place_messages(arrival[which], driver_s[which])
        return placed

    def gaps_s(self) -> list[tuple[float, float, str]]:
        """(start_s, end_s, cause) of each fault of ours: marks "xrun", "port_lost", "suspended", "stalled",
        "device_lost".

        The mark's `end_ns` gives the end; without it the gap is a point.
        """
        if not len(self.song_map):
            return []
        out = []
        for mark in self.marks:
            if mark.kind in ("xrun", "port_lost", "suspended", "stalled", "device_lost"):
                end_ns = mark.details.get("end_ns", mark.host_ns)
                end_ns = end_ns if isinstance(end_ns, int) else mark.host_ns
                start_s, end_s = self.song_map.seconds_at(np.array([mark.host_ns, max(end_ns, mark.host_ns)]))
                # The song is put back where a server that stood still goes on: its end may lie before its beginning.
                out.append((float(min(start_s, end_s)), float(max(start_s, end_s)), mark.kind))
        return out


def read_journal(path: str | Path) -> Journal:
    """A journal as far as it can be read; `FileFormatError` when it is not one or its header is damaged."""
    file = Path(path)
    try:
        if file.stat().st_size > _MAX_BYTES:
            raise FileFormatError(f"{file}: larger than {_MAX_BYTES // 1_000_000} MB; expected the journal of one take")
        with file.open("rb") as lines:
            return _assembled(file, (_record(line.rstrip(b"\n")) for line in lines if line != b"\n"))
    except FileNotFoundError:
        raise UsageError(f"no journal {file}; expected the journal of an unfinished take") from None
    except OSError as error:
        raise UsageError(f"cannot read the journal {file}: {error.strerror or error}") from None


def _record(line: bytes) -> list[Any] | None:
    text, tab, check = line.rpartition(b"\t")
    if not tab or len(check) != 8:
        return None
    try:
        if int(check, 16) != zlib.crc32(text):
            return None
        record = json.loads(text)
    except (ValueError, RecursionError):
        return None
    if not isinstance(record, list) or not record or not isinstance(record[0], str) or has_far_number(record):
        return None
    return record


def _whole(value: Any) -> int:
    """A whole number that arrays hold; `OverflowError` for one that is larger, as a float of no moment's may be."""
    number = int(value)
    if abs(number) >= 1 << 62:
        raise OverflowError
    return number


def _assembled(file: Path, records: Iterator[list[Any] | None]) -> Journal:
    """The journal of its records, None for a damaged line; one at a time, as all take ten times the file's room."""
    n_damaged = 0
    head: list[Any] | None = None
    for head in records:
        if head is not None:
            break
        n_damaged += 1
    if head is None or head[0] != "head" or len(head) != 2 or not isinstance(head[1], dict):
        raise FileFormatError(
            f"{file}: no readable header in its first line; expected a journal written by this program"
        )
    header = head[1]
    if header.get("format") != FORMAT:
        raise FileFormatError(f"{file}: journal format {header.get('format')!r}; this version reads format {FORMAT}")
    kept = _Kept()
    for record in records:
        try:
            if record is None:
                n_damaged += 1
            elif record[0] in _KINDS:
                _KINDS[record[0]](kept, *record[1:])
        except (ValueError, TypeError, OverflowError):  # fields that are missing, too many or impossible
            n_damaged += 1
    return Journal(
        path=file,
        header=header,
        messages=tuple(kept.messages),
        song_map=SongMap(kept.points),
        marks=tuple(kept.marks),
        ended=kept.ended,
        saving=kept.saving_to,
        n_damaged=n_damaged,
        end_ns=kept.end_ns,
    )


class _Kept:
    """What the records of a journal say, one after another; a method each, with the fields behind the record's kind."""

    def __init__(self) -> None:
        self.messages: list[JournalMessage] = []
        self.points: list[tuple[int, float, float]] = []
        self.marks: list[JournalMark] = []
        self.saving_to: str | None = None
        self.ended, self.end_ns = False, 0
        self._alike: dict[bytes, bytes] = {}

    def message(self, seq: Any, host_ns: Any, arrival_ns: Any, driver_s: Any, port_idx: Any, data: Any) -> None:
        placed_ns, arrived_ns, raw = _whole(host_ns), _whole(arrival_ns), bytes.fromhex(data)
        if arrived_ns == placed_ns:
            arrived_ns = placed_ns  # one number, not two: there may be half a million
        raw = self._alike.setdefault(raw, raw)
        message = JournalMessage(_whole(seq), placed_ns, arrived_ns, float(driver_s), _whole(port_idx), raw)
        self.messages.append(message)
        self.end_ns = max(self.end_ns, placed_ns)

    def map(self, host_ns: Any, song_s: Any, rate: Any) -> None:
        self.points.append((_whole(host_ns), float(song_s), float(rate)))

    def mark(self, kind: Any, host_ns: Any, details: Any) -> None:
        self.marks.append(JournalMark(str(kind), _whole(host_ns), dict(details)))
        self.end_ns = max(self.end_ns, self.marks[-1].host_ns)

    def saving(self, path: Any, *_: Any) -> None:
        self.saving_to = str(path)

    def end(self, host_ns: Any, *_: Any) -> None:
        self.end_ns, self.ended = _whole(host_ns), True


_KINDS: dict[str, Callable[..., None]] = {
    "msg": _Kept.message, "map": _Kept.map, "mark": _Kept.mark, "saving": _Kept.saving, "end": _Kept.end
}  # fmt: skip


def recover(directory: str | Path) -> list[Journal]:
    """The journals in a folder whose writers are gone, oldest first.

    Those still being written, those that another start of the program is finishing, and those unreadable are passed
    over. Each stays locked until its `close`. Whoever finishes a take looks first whether `saving` names a take with
    the same `take_id` (then there is nothing left to do), and ends with `close(remove=True)`.
    """
    found: list[Journal] = []
    try:
        files = [file for file in Path(directory).glob(f"*{JOURNAL_SUFFIX}") if file.is_file()]
    except OSError:
        return []
    for file in sorted(files, key=lambda f: (_modified(f), f.name)):
        try:
            fd = os.open(file, os.O_RDWR | getattr(os, "O_BINARY", 0))
        except OSError:
            continue
        try:
            if here().lock(fd) and _same_file(fd, file):
                journal = read_journal(file)
                journal._claim.append(fd)
                found.append(journal)
                continue
        except (FileFormatError, UsageError):
            pass
        os.close(fd)
    return found


def _same_file(fd: int, file: Path) -> bool:
    """Whether the path still names the open file: it may have been finished and removed before the lock was ours."""
    try:
        return os.path.samestat(os.fstat(fd), file.stat())
    except OSError:
        return False


def _modified(file: Path) -> int:
    try:
        return file.stat().st_mtime_ns
    except OSError:
        return 0


def _remove_closed(file: Path) -> None:
    """Where the system removes no file that is open."""
    if not here().removes_open_files:
        with contextlib.suppress(OSError):
            file.unlink()
