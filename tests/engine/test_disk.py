"""Disks that fill up, folders that cannot be written, calendars set back, two at once: one line, and the take kept."""

from __future__ import annotations

import datetime as real_datetime
import errno
import os
import threading
from collections import deque
from pathlib import Path
from typing import Any

import pytest

from tests.engine.on_a_terminal import wait_until
from trainer.engine import Notice, Setup
from trainer.engine import record as record_module
from trainer.engine.process import Engine
from trainer.engine.record import finish_lost
from trainer.session import ChorusPlan, Session
from trainer.take import read_take

SONG = Session(tempo_bpm=240.0, choruses=(ChorusPlan("verse", 1),), loop=(1, 2), count_in_bars=0)
SCRIPT = [(0.1 * i + off, bytes((kind, 40 + i, 90))) for i in range(15) for off, kind in ((0.0, 0x90), (0.05, 0x80))]


@pytest.fixture(autouse=True)
def own_places(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The places that are fallen back on lie in the test's own folder."""
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path / "temporary"))
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    monkeypatch.setenv("HOME", str(tmp_path / "home"))
    (tmp_path / "temporary").mkdir()


class Pipe:
    """A front that keeps what it is told."""

    def __init__(self) -> None:
        self.inbox: deque[Any] = deque()
        self.said: list[Any] = []
        self.on_pad: Any = None
        self.stopping = False
        self.ended = threading.Event()

    def say(self, message: Any) -> None:
        self.said.append(message)

    @property
    def lines(self) -> list[str]:
        ready = [notice for message in self.said for notice in getattr(message, "notices", ())]
        return [notice.text for notice in [*ready, *self.said] if isinstance(notice, Notice)]


def opened(takes: Path) -> tuple[Engine, Pipe]:
    pipe = Pipe()
    setup = Setup(session=SONG.to_dict(), takes_dir=str(takes), audio="none", script=SCRIPT)
    engine = Engine(pipe, setup)  # type: ignore[arg-type]
    engine.open()
    engine.core.start(0.0)
    return engine, pipe


def stepped(engine: Engine, from_s: float, to_s: float, origin_ns: int) -> None:
    for i in range(round(from_s * 50), round(to_s * 50)):
        now_ns = origin_ns + i * 20_000_000
        engine.core.step(now_ns)
        engine._look(now_ns)


class FullDisk:
    """From a moment on the system takes nothing more: neither a write (the journal's way) nor a sync (the take's).

    `folder`: only what lies there meets it.
    """

    def __init__(self, monkeypatch: pytest.MonkeyPatch, folder: Path | None = None) -> None:
        self.full, self._folder, self._write = False, folder, os.write
        self._sync = os.fsync
        monkeypatch.setattr("os.write", self)
        monkeypatch.setattr("os.fsync", self.sync)

    def sync(self, fd: int) -> None:
        if self.full and self._inside(fd):
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        self._sync(fd)

    def __call__(self, fd: int, data: Any) -> int:
        if self.full and self._inside(fd):
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        return self._write(fd, data)

    def _inside(self, fd: int) -> bool:
        return self._folder is None or os.readlink(f"/proc/self/fd/{fd}").startswith(str(self._folder))


def pitches(take: Path | str) -> list[float]:
    found: list[float] = read_take(take).notes["pitch"].tolist()
    return found


needs_proc = pytest.mark.skipif(not Path("/proc/self/fd").is_dir(), reason="needs the names of open files (Linux)")


@needs_proc
def test_the_journal_s_disk_fills_in_mid_song(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    takes = tmp_path / "takes"
    disk = FullDisk(monkeypatch, takes / "unfinished")
    engine, pipe = opened(takes)
    origin_ns = engine.clock.now_ns()
    stepped(engine, 0.0, 0.6, origin_ns)
    disk.full = True
    stepped(engine, 0.6, 1.0, origin_ns)
    record = engine.core.record
    assert record is not None
    wait_until(lambda: record.disk_fault is not None, "the journal's thread to meet the full disk")
    stepped(engine, 1.0, 2.2, origin_ns)
    last = engine.finish()
    (line,) = [text for text in pipe.lines if "cannot write the journal" in text]
    assert "\n" not in line and "No space left" in line and "kept in memory" in line
    assert last.take is not None and last.fault is None
    assert pitches(last.take) == [40 + i for i in range(15)]
    assert finish_lost(takes) == [] and not list((takes / "unfinished").iterdir())


def test_a_journal_folder_that_cannot_be_written_is_passed_over(tmp_path: Path) -> None:
    takes = tmp_path / "takes"
    takes.mkdir()
    (takes / "unfinished").write_text("a file where the folder should be")
    engine, pipe = opened(takes)
    stepped(engine, 0.0, 2.2, engine.clock.now_ns())
    last = engine.finish()
    (line,) = pipe.lines
    assert line.startswith("cannot write the journal") and "\n" not in line
    assert last.take is not None and Path(last.take).parent == takes
    assert pitches(last.take) == [40 + i for i in range(15)]


def test_a_takes_folder_that_cannot_be_written_moves_the_take(tmp_path: Path) -> None:
    takes = tmp_path / "takes"
    takes.write_text("a file where the folder should be")
    engine, pipe = opened(takes)
    stepped(engine, 0.0, 2.2, engine.clock.now_ns())
    last = engine.finish()
    assert last.take is not None and Path(last.take).parent != takes
    assert pitches(last.take) == [40 + i for i in range(15)]
    (line,) = [text for text in pipe.lines if "the take is kept in" in text]
    assert str(takes) in line and last.take in line and "\n" not in line


@needs_proc
def test_every_disk_full_keeps_the_journal_and_says_what_is_not_in_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    takes = tmp_path / "takes"
    disk = FullDisk(monkeypatch)
    monkeypatch.setattr("trainer.engine.process.ROOM_WITHIN_S", 0.05)
    engine, pipe = opened(takes)
    origin_ns = engine.clock.now_ns()
    stepped(engine, 0.0, 0.6, origin_ns)
    record = engine.core.record
    assert record is not None
    wait_until(record._queue.empty, "the journal's thread")
    disk.full = True
    stepped(engine, 0.6, 2.2, origin_ns)
    last = engine.finish()
    disk.full = False
    assert last.take is None and last.fault is not None and "\n" not in last.fault
    assert "cannot be written anywhere" in last.fault and "later than that is lost" in last.fault
    assert any("make room now" in line for line in pipe.lines)
    monkeypatch.undo()
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path / "temporary"))
    (saved,) = finish_lost(takes)  # the next start, with room
    assert pitches(saved.path) == [40 + i for i in range(len(pitches(saved.path)))]
    assert 5 <= len(pitches(saved.path)) < 15


@needs_proc
def test_room_made_in_time_saves_all_of_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    takes = tmp_path / "takes"
    disk = FullDisk(monkeypatch)
    engine, pipe = opened(takes)
    disk.full = True
    stepped(engine, 0.0, 2.2, engine.clock.now_ns())
    say = pipe.say

    def made_room(message: Any) -> None:
        say(message)
        if isinstance(message, Notice) and "make room now" in message.text:
            disk.full = False

    pipe.say = made_room  # type: ignore[method-assign]
    last = engine.finish()
    assert last.fault is None and last.take is not None
    assert pitches(last.take) == [40 + i for i in range(15)]


def test_a_calendar_set_back_in_mid_song_changes_no_time(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    takes = tmp_path / "takes"
    first, _ = opened(takes)
    stepped(first, 0.0, 2.2, first.clock.now_ns())
    before = first.finish()

    class SetBack(real_datetime.datetime):
        @classmethod
        def now(cls, tz: Any = None) -> SetBack:
            return cls(2001, 1, 1, 12, 0, 0, tzinfo=tz)

    class Module:
        datetime = SetBack

    engine, _ = opened(takes)
    monkeypatch.setattr(record_module, "datetime", Module)
    monkeypatch.setattr("time.time", lambda: 978_350_400.0)
    stepped(engine, 0.0, 2.2, engine.clock.now_ns())
    last = engine.finish()
    assert before.take is not None and last.take is not None and before.take != last.take
    one, two = read_take(before.take), read_take(last.take)
    assert two.notes["onset_s"] == pytest.approx(one.notes["onset_s"], abs=0.021)
    assert not two.header.gaps and two.header.completed


def test_two_at_once_keep_a_take_each_and_neither_finishes_the_other_s(tmp_path: Path) -> None:
    takes = tmp_path / "takes"
    (one, _), (two, _) = opened(takes), opened(takes)
    origin_ns = one.clock.now_ns()
    stepped(one, 0.0, 1.0, origin_ns)
    stepped(two, 0.0, 1.0, origin_ns)
    assert finish_lost(takes) == []  # a third start, while both play
    stepped(one, 1.0, 2.2, origin_ns)
    first = one.finish()
    stepped(two, 1.0, 2.2, origin_ns)
    second = two.finish()
    assert first.take is not None and second.take is not None and first.take != second.take
    for path in (first.take, second.take):
        assert pitches(path) == [40 + i for i in range(15)]
    assert finish_lost(takes) == []
