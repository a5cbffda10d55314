"""The engine's own object without its process: what it opens, and what it lets be heard."""

from __future__ import annotations

import os
import threading
from collections import deque
from pathlib import Path
from typing import Any

import pytest

from tests.fakes.silent_sound import SilentSound
from trainer.clock.sources import RealClock
from trainer.engine import Notice, Ready, Setup
from trainer.engine.process import Engine
from trainer.engine.record import Record, finish_lost
from trainer.engine.slots import PortSlot
from trainer.engine.sound import BandSound
from trainer.ports import MidiOut
from trainer.ports.memory import MemoryMidiOut
from trainer.session import ChorusPlan, Session

SHORT = Session(tempo_bpm=240.0, choruses=(ChorusPlan("verse", 1),), loop=(1, 1), count_in_bars=0)


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


def test_a_scripted_player_is_heard_through_the_monitor(tmp_path: Path) -> None:
    script = [(0.0, bytes((0x90, 43, 90))), (0.2, bytes((0x80, 43, 0))), (0.5, bytes((0x90, 48, 80)))]
    pipe = Pipe()
    setup = Setup(session=SHORT.to_dict(), takes_dir=str(tmp_path), audio="none", script=script)
    engine = Engine(pipe, setup)  # type: ignore[arg-type]
    engine.open()
    core = engine.core
    core.start(0.0)
    origin_ns = engine.clock.now_ns()
    for second in (0.0, 0.3, 0.6, 0.9):
        core.step(origin_ns + round(second * 1e9))
    heard = [data for _, _, data in engine.strikes]  # what the audio callback plays the bass's sound from
    assert heard == [data for _, data in script]
    last = engine.finish()
    assert last.n_notes == 2 and last.take is not None and Path(last.take).parent == tmp_path


def test_a_soundfont_that_fails_at_the_start_is_said_and_the_built_in_sounds_play(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    font = tmp_path / "mine.sf2"
    font.write_bytes(b"RIFF no more")
    clock = RealClock()
    monkeypatch.setattr("trainer.engine.sound.open_audio", lambda *_, **__: SilentSound())

    def known(sound: BandSound) -> None:
        now_ns = clock.now_ns()
        for block in range(100):
            host_ns = now_ns + round(block * 256e9 / sound.rate_hz)
            sound.fit.feed(block * 256, host_ns, host_ns * 1e-9 + 0.01, host_ns * 1e-9, False)

    monkeypatch.setattr(BandSound, "_start_stream", known)
    said = {}
    for wanted in (str(font), None):
        pipe = Pipe()
        setup = Setup(session=SHORT.to_dict(), takes_dir=str(tmp_path), audio="auto", soundfont=wanted)
        engine = Engine(pipe, setup)  # type: ignore[arg-type]
        engine.open()
        assert engine.sound is not None
        engine.silence()
        (ready,) = (message for message in pipe.said if isinstance(message, Ready))
        said[wanted] = [notice.text for notice in ready.notices]
    assert said[None] == []
    assert len(said[str(font)]) == 1 and f"{font} could not be played" in said[str(font)][0]
    assert "the built-in sounds play" in said[str(font)][0]


def box() -> MemoryMidiOut:
    return MemoryMidiOut(RealClock(), "box")


def test_a_port_is_opened_once_however_late_the_loop_is_to_take_it() -> None:
    opened: list[str] = []
    slot = PortSlot[MidiOut]("midi_out", "box", lambda name: opened.append(name) or box(), label="MIDI output")
    for _ in range(3):  # the thread that watches looks again before the loop has taken what it opened
        slot.watch()
    notice = slot.settle()
    slot.watch()
    assert opened == ["box"] and slot.settle() is None
    assert notice is not None and (notice.about, notice.state) == ("midi_out", "back")


def test_what_a_closing_slot_had_just_opened_is_closed_too() -> None:
    made = box()
    slot = PortSlot[MidiOut]("midi_out", "box", lambda name: made)
    slot.watch()
    slot.close()
    assert not made.is_connected()
    slot.watch()
    assert slot.settle() is None and slot.port is None


def test_a_slot_lets_go_and_takes_up() -> None:
    told: list[str] = []
    ports = [box(), box()]
    slot = PortSlot[MidiOut](
        "midi_out",
        "box",
        lambda name: ports[len(told)],
        label="MIDI output",
        meanwhile="the song goes on",
        gone=lambda port, now_ns: told.append("gone"),
        back=lambda port, since_ns, now_ns: told.append(f"back, {now_ns >= since_ns}"),
    )
    assert slot.open() is None and slot.port is ports[0]
    slot.watch()
    assert slot.settle() is None
    ports[0].unplug()
    slot.watch()
    notice = slot.settle()
    assert notice == Notice('MIDI output "box" has gone; the song goes on', about="midi_out", state="gone")
    assert slot.port is None
    slot.watch()
    notice = slot.settle()
    assert notice == Notice('MIDI output "box" is back', "note", about="midi_out", state="back")
    assert slot.port is ports[1] and told == ["gone", "back, True"]


def test_a_slot_that_is_not_wanted_stays_empty() -> None:
    slot = PortSlot[MidiOut]("midi_out", None, lambda name: box())
    assert slot.open() is None
    slot.watch()
    assert slot.settle() is None and slot.port is None


def test_an_output_that_fails_is_let_go_and_its_notes_go_to_the_next(tmp_path: Path) -> None:
    engine = Engine(Pipe(), Setup(session=SHORT.to_dict(), takes_dir=str(tmp_path), audio="none"))  # type: ignore[arg-type]
    engine.open()
    lost, found = box(), box()
    engine.core.midi_out = engine.midi_out.port = lost
    lost.unplug()
    engine.core.send_programs()
    assert engine.core.out_lost
    engine.midi_out._found.append(None)
    engine._around(engine.clock.now_ns())
    assert engine.core.midi_out is None
    engine.midi_out._found.append(found)
    engine._around(engine.clock.now_ns())
    assert engine.core.midi_out is found and not engine.core.out_lost
    assert [data[0] >> 4 for _, data in found.sent] == [0xC] * len(found.sent) and found.sent
    notices = [message for message in engine.pipe.said if isinstance(message, Notice)]  # type: ignore[attr-defined]
    assert [(notice.about, notice.state) for notice in notices] == [("midi_out", "gone"), ("midi_out", "back")]
    engine.finish()


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


@pytest.mark.skipif(os.name != "posix", reason="owners and modes, as Linux and macOS have them")
@pytest.mark.parametrize("how", ["ours", "writable by others", "a link", "another's"])
def test_an_unfinished_take_in_the_shared_folder_is_trusted_only_if_it_is_ours(
    how: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    temporary = tmp_path / "temporary"
    temporary.mkdir()
    monkeypatch.setattr("tempfile.tempdir", str(temporary))
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    takes = tmp_path / "takes"
    takes.write_text("a file where the folder should be")  # so that the journal goes to the shared folder
    (tmp_path / "data").write_text("here too")
    journal = lost_journal(takes)
    place = journal.parent
    assert place.parent == temporary and place.stat().st_mode & 0o777 == 0o700
    takes.unlink()
    (tmp_path / "data").unlink()
    if how == "writable by others":
        place.chmod(0o777)
    elif how == "a link":
        place.rename(tmp_path / "elsewhere")
        place.symlink_to(tmp_path / "elsewhere")
    elif how == "another's":
        monkeypatch.setattr("os.geteuid", lambda: 12345)
    assert len(finish_lost(takes)) == (how == "ours")
    if how != "ours":  # nor is anything written there
        takes.write_text("a file where the folder should be")
        (tmp_path / "data").write_text("here too")
        record = Record({}, takes)
        assert record.path is None and record.trouble is not None
        record.close(remove=True)
