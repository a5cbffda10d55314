"""MIDI out handed over ahead to a program of its own, as where the system lets no thread come first: the same notes at
the same moments, silence as soon as whoever holds it goes, taken up again when it goes itself.
"""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from time import perf_counter_ns

import numpy as np
import pytest

from tests.engine.in_mid_song import PLAYED, SHORT, in_mid_song, is_silent, line, only_take, pitches, silent_within_s
from tests.engine.on_a_terminal import children_of, on_terminal, runs, wait_until
from tests.jack_sender import JackSender
from tests.jack_server import JackServer
from tests.system.test_priority import without_rights
from trainer.clock.sources import FakeClock
from trainer.engine.ahead import LEAD_NS, SentAhead, open_ahead
from trainer.engine.slots import PortSlot
from trainer.errors import PortError
from trainer.line import Feel, StandIn, planned_song
from trainer.live import play_offline
from trainer.ports.memory import MemoryMidiOut
from trainer.ports.protocols import MidiOut
from trainer.session import ChorusPlan, Session, expand


class Ahead(MemoryMidiOut):
    """An output in memory that wants what is sent before its moment."""

    def __init__(self, clock: FakeClock) -> None:
        super().__init__(clock)
        self.lead_ns = LEAD_NS
        self.clock = clock
        self.before_ns: list[int] = []

    def send(self, data: bytes, at_ns: int = 0) -> None:
        super().send(data)
        if at_ns:
            self.before_ns.append(at_ns - self.clock.now_ns())
            self.sent[-1] = (at_ns, data)
            if data[0] & 0xF0 == 0x90:
                self.late_ns.append(7_000)


@pytest.mark.parametrize("groove", ["shuffle", "slow_twelve_eight"])
def test_the_same_messages_are_sent_at_the_same_moments(groove: str) -> None:
    session = Session(tempo_bpm=180.0, groove=groove, choruses=(ChorusPlan("verse", 2),))
    played = StandIn(Feel(), 1).play(planned_song(expand(session), 1))
    made: list[MemoryMidiOut] = []

    def keep(port: MemoryMidiOut) -> MemoryMidiOut:
        made.append(port)
        return port

    direct = play_offline(session, played, midi_out=lambda clock: keep(MemoryMidiOut(clock)))
    ahead = play_offline(session, played, midi_out=lambda clock: keep(Ahead(clock)))
    one, two = ([(ns, data) for ns, data in port.sent if data[0] & 0xF0 in (0x80, 0x90)] for port in made)
    assert len(one) > 500 and one == two
    assert isinstance(made[1], Ahead)
    before_ns = sorted(made[1].before_ns)
    assert before_ns[0] >= 0 and before_ns[-1] <= LEAD_NS  # none of the song's very beginning can be long before it
    assert before_ns[len(before_ns) // 50] >= LEAD_NS - 20_000_000  # the loop looks round as often
    assert np.allclose(direct.notes["onset_s"], ahead.notes["onset_s"], rtol=0.0, atol=1e-9)
    n_ons = direct.header.lateness["n"]
    assert n_ons > 200 and ahead.header.lateness["intended_s"] == direct.header.lateness["intended_s"]
    assert ahead.header.lateness["late_us"] == [7] * n_ons


@pytest.fixture
def far(far: JackSender, jack_server: JackServer, monkeypatch: pytest.MonkeyPatch) -> JackSender:
    """In reach of this process, too."""
    for name, value in jack_server.env().items():
        monkeypatch.setenv(name, value)
    return far


@contextlib.contextmanager
def opened(name: str) -> Iterator[SentAhead]:
    port = open_ahead(name)
    try:
        yield port
    finally:
        port.close()


class Heard:
    """What came to the far end so far."""

    def __init__(self, far: JackSender) -> None:
        self._far = far
        self.rows: list[tuple[int, int, str]] = []

    def __call__(self) -> list[str]:
        self.rows += self._far.heard()
        return [data for _, _, data in self.rows]


@pytest.mark.jack
def test_each_message_goes_out_in_order_and_none_before_its_moment(far: JackSender, jack_server: JackServer) -> None:
    with opened("far") as port:
        assert isinstance(port, MidiOut) and port.name == far.in_name and port.is_connected()
        begin_ns = perf_counter_ns() + LEAD_NS
        rows = [(begin_ns + i * 9_000_000, bytes((0x80 if i % 2 else 0x90, 40 + i // 2, 64))) for i in range(80)]
        for at_ns, data in rows:
            port.send(data, at_ns)
        heard = Heard(far)
        wait_until(lambda: len(heard()) >= 80, "every message")
        assert heard() == [data.hex() for _, data in rows]
        early_ns = [at_ns - got[0] for (at_ns, _), got in zip(rows, heard.rows, strict=True)]
        assert max(early_ns) <= 2e9 * jack_server.period_s  # what is heard is stamped with its period's beginning
        wait_until(lambda: len(port.late_ns) == 40, "how late each note-on was")
        assert min(port.late_ns) >= 0 and not port.sounding


@pytest.mark.jack
def test_silence_lets_nothing_out_that_waits(far: JackSender) -> None:
    with opened("far") as port:
        heard = Heard(far)
        port.send(b"\x90\x28\x64")
        port.send(b"\x90\x29\x64", perf_counter_ns() + 300_000_000)
        assert port.sounding == [(0, 40), (0, 41)]
        port.silence()
        wait_until(lambda: is_silent([(0, 0, data) for data in heard()]), "silence")
        port.send(b"\x90\x2a\x64", perf_counter_ns() + 400_000_000)
        wait_until(lambda: "902a64" in heard(), "the note after it")
        assert "902964" not in heard()


@pytest.mark.jack
def test_who_is_killed_with_notes_sounding_leaves_silence(far: JackSender) -> None:
    holds = (
        "import time\nfrom trainer.engine.ahead import open_ahead\nport = open_ahead('far')\n"
        "port.send(b'\\x90\\x28\\x64')\nprint('sent', flush=True)\ntime.sleep(600)\n"
    )
    heard = Heard(far)
    with subprocess.Popen([sys.executable, "-c", holds], stdout=subprocess.PIPE, text=True) as holder:
        assert holder.stdout is not None and holder.stdout.readline() == "sent\n"
        (sender,) = children_of(holder.pid)
        wait_until(lambda: "902864" in heard(), "the note")
        holder.kill()
    wait_until(lambda: is_silent([(0, 0, data) for data in heard()]), "silence")
    wait_until(lambda: not runs(sender), "the sender to leave")


@pytest.mark.jack
@pytest.mark.parametrize("how", ["killed", "port", "cable"])
def test_one_that_has_gone_is_taken_up_again(how: str, far: JackSender) -> None:
    slot = PortSlot[MidiOut]("midi_out", "far", open_ahead, label="MIDI output")
    assert slot.open() is None and isinstance(slot.port, SentAhead)
    first = slot.port
    try:
        if how == "killed":
            os.kill(first._process.pid, signal.SIGKILL)
            wait_until(lambda: not first.is_connected(), "its end to be seen")
            with pytest.raises(PortError, match="did not take a message"):
                first.send(b"\x90\x28\x64")
        else:
            far.pull("in", how, 0.01)
        said: list[str] = []
        heard = Heard(far)

        def through() -> bool:
            slot.watch()
            notice = slot.settle()
            said.extend([] if notice is None else [notice.state])
            if slot.port is not None:
                with contextlib.suppress(PortError):
                    slot.port.send(b"\x90\x30\x64")
            time.sleep(0.05)
            return "903064" in heard()

        wait_until(through, "a note through it again")
        assert how != "killed" or said == ["gone", "back"]
    finally:
        slot.close()


def test_a_port_that_is_not_there_is_said_as_by_any_output() -> None:
    with pytest.raises(PortError, match=r"nothing of this name|no MIDI"):
        open_ahead("nothing of this name")


@pytest.fixture
def env(env: dict[str, str]) -> dict[str, str]:
    """Nobody is there who would lend a thread a place before others."""
    return {**env, "DBUS_SYSTEM_BUS_ADDRESS": "unix:path=/nowhere"}


@pytest.mark.jack
@pytest.mark.skipif(sys.platform != "linux", reason="where no thread may come first: Linux")
def test_without_rights_a_song_goes_out_ahead_whole(far: JackSender, env: dict[str, str], tmp_path: Path) -> None:
    takes = tmp_path / "takes"
    rows = line()
    arguments = ["play", *SHORT, "--midi-in", far.out_name, "--midi-out", "far", "--takes", str(takes)]
    with on_terminal(arguments, env, without_rights()) as run:
        far.wait_connected()
        run.wait_screen()
        time.sleep(0.8)  # into the count-in
        far.play(rows)
        far.wait_played(90.0)
        assert run.wait() == 0, run.words[-3000:]
    take = only_take(takes)
    assert take.notes["pitch"].tolist() == pitches(rows) and take.header.completed
    assert take.header.extra["scheduling"].endswith("handed over ahead")
    heard = far.heard()
    assert is_silent(heard)
    ons = [m for _, _, m in heard if m.startswith("9") and m[4:6] != "00"]
    assert len(ons) == take.header.lateness["n"] >= 0.98 * len(take.band)


@pytest.mark.jack
@pytest.mark.skipif(sys.platform != "linux", reason="where no thread may come first: Linux")
@pytest.mark.parametrize("victim", ["engine", "front"])
def test_without_rights_a_kill_leaves_silence_and_the_take(
    victim: str, far: JackSender, env: dict[str, str], tmp_path: Path
) -> None:
    takes = tmp_path / "takes"
    with in_mid_song(far, env, takes, prefix=without_rights()) as run:
        front, engine = run.process.pid, run.engine_pid
        beside = children_of(engine)
        left_ns = perf_counter_ns()
        os.kill(engine if victim == "engine" else front, signal.SIGKILL)
        if victim == "engine":
            run.wait()
        run.process.wait(timeout=60)
        for pid in (engine, *beside):
            wait_until(lambda pid=pid: not runs(pid), "all to have left")
    take = only_take(takes)
    assert take.notes["pitch"].tolist() == PLAYED
    assert (took_s := silent_within_s(far.heard(), left_ns)) <= 1.5, took_s
