"""The engine's own object without its process: what it opens, and what it lets be heard."""

from __future__ import annotations

import os
import threading
from collections import deque
from pathlib import Path
from typing import Any

import pytest

from trainer.engine import Setup
from trainer.engine.process import Engine
from trainer.engine.record import Record, finish_lost
from trainer.session import ChorusPlan, Session

SHORT = Session(tempo_bpm=240.0, choruses=(ChorusPlan("verse", 1),), loop=(1, 1), count_in_bars=0)


class Pipe:
    """A front that keeps what it is told."""

    def __init__(self) -> None:
        self.inbox: deque[Any] = deque()
        self.said: list[Any] = []
        self.on_pad: Any = None

    def say(self, message: Any) -> None:
        self.said.append(message)


def test_a_scripted_player_is_heard_through_the_monitor(tmp_path: Path) -> None:
    script = [(0.0, bytes((0x90, 43, 90))), (0.2, bytes((0x80, 43, 0))), (0.5, bytes((0x90, 48, 80)))]
    pipe = Pipe()
    engine = Engine(pipe)  # type: ignore[arg-type]
    engine.open(Setup(session=SHORT.to_dict(), takes_dir=str(tmp_path), audio="none", script=script))
    core = engine.core
    assert core is not None
    core.start(0.0)
    origin_ns = engine.clock.now_ns()
    for second in (0.0, 0.3, 0.6, 0.9):
        core.step(origin_ns + round(second * 1e9))
    heard = [data for _, _, data in engine._raw_strikes]  # what the audio callback plays the bass's sound from
    assert heard == [data for _, data in script]
    last = engine.finish()
    assert last.n_notes == 2 and last.take is not None and Path(last.take).parent == tmp_path


class Port:
    """A MIDI port that knows whether it was closed."""

    name = "box"

    def __init__(self) -> None:
        self.closed = threading.Event()

    def send(self, data: bytes) -> None:
        pass

    def silence(self) -> None:
        pass

    def close(self) -> None:
        self.closed.set()


@pytest.mark.parametrize("kind", ["midi_in", "follow", "midi_out", "clock_out"])
def test_a_port_that_was_opened_twice_is_held_once(kind: str, tmp_path: Path) -> None:
    """The thread that watches the ports may look again before the loop has taken what it opened."""
    engine = Engine(Pipe())  # type: ignore[arg-type]
    engine.open(Setup(session=SHORT.to_dict(), takes_dir=str(tmp_path), audio="none"))
    first, second = Port(), Port()
    for port in (first, second):
        engine._take_port(kind, port if kind.endswith("_out") else (port, deque()))
    assert second.closed.wait(10.0) and not first.closed.is_set()
    engine.finish()
    assert first.closed.is_set()


def lost_journal(folder: Path, *, damaged: bool = False) -> Path:
    """A journal as a killed program leaves it: one note at song second 1."""
    record = Record({"session": SHORT.to_dict()}, folder)
    record.map(1_000_000_000, 0.0, 1.0)
    record.message(2_000_000_000, bytes((0x90, 43, 90)), 2_000_000_000, 0.0, 0)
    record.message(2_300_000_000, bytes((0x80, 43, 0)), 2_300_000_000, 0.0, 0)
    if damaged:
        record.mark("pass", 1_500_000_000)  # without the second from which it counts
    record.close(remove=False)
    assert record.path is not None
    return record.path


def n_open_files() -> int:
    return sum(1 for _ in Path("/proc/self/fd").iterdir()) if os.path.isdir("/proc/self/fd") else 0


def test_a_lost_take_is_finished_once_and_a_journal_that_makes_no_sense_stops_nobody(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path / "temporary"))
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    takes = tmp_path / "takes"
    whole, damaged = lost_journal(takes), lost_journal(takes, damaged=True)
    before = n_open_files()
    saved = finish_lost(takes)
    assert [item.path.parent for item in saved] == [takes]
    assert not whole.exists() and damaged.exists()
    assert finish_lost(takes) == [] and damaged.exists()
    assert n_open_files() == before  # the locks are let go of
