"""MIDI clock in a running session: what a following machine gets, and a song driven by another machine's clock.

Source: MIDI 1.0, system real-time messages and song position; the far ends are JACK clients of another library.
"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tests.engine.on_a_terminal import on_terminal, wait_until
from tests.jack_sender import JackSender
from tests.jack_server import JackServer
from trainer.clock.midi_clock import ClockFollower
from trainer.clock.sources import FakeClock
from trainer.clock.transport import HostRuler
from trainer.engine.clock_out import FollowRuler
from trainer.engine.core import Core
from trainer.live import PlayOptions
from trainer.live.options import setup_of
from trainer.ports.memory import MemoryMidiOut
from trainer.session import ChorusPlan, Session
from trainer.take import read_take

BPM = 120.0
SESSION = Session(tempo_bpm=BPM, choruses=(ChorusPlan("verse", 2),), loop=(1, 2), count_in_bars=1)
PULSE_S = 60.0 / BPM / 24.0


def run(commands: dict[float, str]) -> list[tuple[float, bytes]]:
    """(second since the start, message) of all that went to the clock port; commands at seconds since the start."""
    clock = FakeClock(10**12)
    core = Core(setup_of(SESSION, PlayOptions(clock_out="there")), clock, lambda message: None)
    port = core.clock_out = MemoryMidiOut(clock)
    core.follow(HostRuler(clock.now_ns()))
    core.start(0.0)
    todo = sorted(commands.items())
    while True:
        due_ns = core.next_due_ns()
        goal_ns = due_ns if due_ns is not None else clock.now_ns() + 10**8
        if todo:
            goal_ns = min(goal_ns, 10**12 + round(todo[0][0] * 1e9))
        elif due_ns is None:
            break
        now_ns = clock.sleep_until(goal_ns)
        core.step(now_ns)
        while todo and 10**12 + todo[0][0] * 1e9 <= now_ns:
            getattr(core.transport, todo.pop(0)[1])((now_ns - 10**12) * 1e-9 + 0.001)
    return [((ns - 10**12) * 1e-9, data) for ns, data in port.sent]


def test_pulses_run_from_the_count_in_and_start_stands_before_the_first_downbeat() -> None:
    sent = run({})
    pulses = [at for at, data in sent if data == b"\xf8"]
    assert np.allclose(pulses, np.arange(24 * 20) * PULSE_S, atol=1e-6)  # five bars of four
    others = [(round(at, 6), data) for at, data in sent if data != b"\xf8"]
    assert others == [(1.998, b"\xfa"), (10.0, b"\xfc")]


def test_a_pause_stops_the_other_machine_and_going_on_tells_it_where() -> None:
    sent = run({5.1: "pause", 6.0: "resume"})  # in bar 2, which began at 4.0; taken up after a bar's count at 8.001
    others = [(at, data) for at, data in sent if data != b"\xf8"]
    assert [data for _, data in others] == [b"\xfa", b"\xfc", bytes((0xF2, 16, 0)), b"\xfb", b"\xfc"]
    assert [at for at, _ in others] == pytest.approx([1.998, 5.101, 7.997, 7.999, 14.001], abs=1e-6)
    follower = ClockFollower(tempo_bpm=100.0)
    for at, data in sent:
        follower.feed(10**12 + round(at * 1e9), data)
        if at <= 9.0:
            beats = follower.beats_at(10**12 + round(9.001 * 1e9))
    assert beats == pytest.approx(6.0, abs=0.05)  # a second after bar 2 was taken up


def test_a_followed_machine_drives_the_song_stops_it_and_starts_it_again() -> None:
    clock = FakeClock(10**12)
    core = Core(setup_of(SESSION, PlayOptions(follow="there")), clock, lambda message: None)
    out = core.midi_out = MemoryMidiOut(clock)
    sink: deque = deque()
    ruler = FollowRuler(ClockFollower(tempo_bpm=BPM), clock, BPM)
    core.following = (ruler, sink)
    core.follow(ruler)
    core.start(1e-6)
    last_ns = 0

    def play(rows: list[tuple[float, bytes]], until_s: float) -> float:
        nonlocal last_ns
        for at_s, data in [*rows, (until_s, b"")]:
            goal_ns = 10**12 + round(at_s * 1e9)
            while clock.now_ns() < goal_ns:
                core.step(clock.sleep_until(min(goal_ns, clock.now_ns() + 2_000_000)))
            if data:
                sink.append((goal_ns, (goal_ns - last_ns) * 1e-9 if last_ns else 0.0, data))
                last_ns = goal_ns
        assert core.snapshot is not None
        return core.snapshot.beats

    assert play([], 0.5) == pytest.approx(-4.0, abs=1e-4)
    assert not [data for _, data in out.sent if data[0] & 0xF0 == 0x90]
    pulse_s = 60.0 / 100.0 / 24.0  # the other machine is slower than the session
    rows = [(1.0 - 0.002, b"\xfa"), *((1.0 + i * pulse_s, b"\xf8") for i in range(24 * 6))]
    beats = play(rows, 1.0 + 5.98 * 0.6)
    assert beats == pytest.approx(-4.0 + 5.98, abs=0.02)
    stop_s = 1.0 + 6 * 0.6
    held = play([(stop_s, b"\xfc")], stop_s + 1.0)
    assert held == pytest.approx(2.0, abs=0.06) and not out.sounding
    rows = [(6.0 - 0.002, b"\xfa"), *((6.0 + i * pulse_s, b"\xf8") for i in range(24 * 4 + 12))]
    assert play(rows, 6.0 + 4.5 * 0.6) == pytest.approx(0.5, abs=0.05)


# --- over real ports --------------------------------------------------------------------------------------------------

SHORT = ["--bpm", "240", "--loop", "1-2", "--choruses", "1", "--no-audio"]


@pytest.fixture
def far(jack_server: JackServer) -> Iterator[JackSender]:
    with JackSender(jack_server, "machine") as sender:
        yield sender


@pytest.mark.jack
def test_a_machine_on_a_real_port_follows(far: JackSender, env: dict[str, str], tmp_path: Path) -> None:
    with on_terminal(["play", *SHORT, "--clock-out", "machine", "--takes", str(tmp_path / "takes")], env) as run:
        assert run.wait() == 0, run.words[-2000:]
    heard = far.heard()
    messages = [message for _, _, message in heard]
    assert messages.count("f8") == 24 * 16
    assert messages.count("fa") == 1 and messages.index("fa") == 24 * 8  # two bars of count-in
    assert "fc" in messages[24 * 16 :]
    follower = ClockFollower(tempo_bpm=100.0)
    for host_ns, _, message in heard[: 24 * 14]:
        follower.feed(host_ns, bytes.fromhex(message))
    assert follower.tempo_bpm == pytest.approx(240.0, rel=0.02)


def counted(messages: list[str]) -> int:
    """The pulse of the song that a machine stands at, by the last position that it was told."""
    told = max(i for i, message in enumerate(messages) if message.startswith("f2"))
    position = int(messages[told][2:4], 16) | int(messages[told][4:6], 16) << 7
    assert messages[told + 1] == "fb"
    return 6 * position + messages[told:].count("f8")


@pytest.mark.jack
def test_a_machine_that_is_unplugged_is_taken_in_again_where_the_song_is(
    jack_server: JackServer, env: dict[str, str], tmp_path: Path
) -> None:
    arguments = ["play", "--bpm", "240", "--loop", "1-8", "--choruses", "1", "--no-audio", "--clock-out", "machine"]
    with (
        JackSender(jack_server, "machine") as first,
        on_terminal([*arguments, "--takes", str(tmp_path / "takes")], env) as run,
    ):
        heard: list[str] = []

        def comes(n: int, message: str) -> bool:
            heard.extend(data for _, _, data in first.heard())
            return heard.count(message) >= n

        wait_until(lambda: comes(24 * (8 + 5), "f8"), "the second bar")
        run.type("p")
        wait_until(lambda: comes(1, "fc"), "the stop")
        time.sleep(0.2)  # sooner, it would be a held key
        run.type("p")
        wait_until(lambda: comes(1, "fb"), "going on")
        stopped, taken_up = heard.index("fc"), heard.index("fb")
        position = int(heard[taken_up - 1][2:4], 16)
        assert heard[taken_up - 1] == f"f2{position:02x}00" and position % 16 == 0  # from the top of its bar
        assert 0 <= heard[heard.index("fa") : stopped].count("f8") - 6 * position <= 96
        first.close()
        wait_until(lambda: '"machine:in" has gone' in run.words, "the loss to be said")
        with JackSender(jack_server, "machine") as second:
            assert run.wait() == 0, run.words[-2000:]
            messages = [message for _, _, message in second.heard()]
    assert "fc" in messages
    assert counted(messages[: messages.index("fc") + 1]) == 24 * 32  # with the song's last pulse it is at the end


@pytest.mark.jack
def test_the_band_follows_a_machine_on_a_real_port(
    far: JackSender, jack_server: JackServer, env: dict[str, str], tmp_path: Path
) -> None:
    pulse_s = 60.0 / 200.0 / 24.0
    # Silent for two beats and a half in bar 2: the band goes on by itself and is at the right place when it is back.
    pulses = [(0.003 + i * pulse_s, "f8") for i in range(24 * 20) if not 300 <= i < 360]
    rows = [(0.0, "fa"), *pulses, (0.004 + 24 * 20 * pulse_s, "fc")]
    with JackSender(jack_server, "synth") as synth:
        ports = ["--follow", far.out_name, "--midi-out", "synth:in", "--midi-in", "synth:out"]
        with on_terminal(["play", *SHORT, *ports, "--takes", str(tmp_path / "takes")], env) as run:
            far.wait_connected()
            run.wait_for("READY")
            time.sleep(0.8)
            far.play(rows)
            time.sleep(3.0)
            synth.play([(0.0, "902864"), (0.3, "802800")])
            far.wait_played(90.0)
            assert run.wait() == 0, run.words[-2000:]
            words = run.words
        heard = synth.heard()
        played_ns = synth.sent()[0][0]
    assert "clock that is followed has gone" in words and "clock that is followed is back" in words
    clicks = [host_ns for host_ns, _, message in heard if message.startswith("99") and message[4:] != "00"]
    # The count-in's first clicks come with the machine's beats (0.3 s, by a server that may fall behind), not the
    # session's (0.25 s).
    pulses_ns = np.array([host_ns for host_ns, _, message in far.sent() if message == "f8"], dtype=np.int64)
    beat_s = float(np.median(np.diff(pulses_ns[: 24 * 8 + 1 : 24]))) * 1e-9
    assert np.median(np.diff(np.array(clicks[:8], dtype=np.int64))) * 1e-9 == pytest.approx(beat_s, abs=0.01)
    (path,) = (tmp_path / "takes").glob("*.mid")
    take = read_take(path)
    assert take.header.clock_map["song_driven_by"] == "midi clock"
    # At the end, of a server that may have stood still a moment before; the session's own is 240.
    assert take.header.clock_map["followed_tempo_bpm"] == pytest.approx(60.0 / beat_s, rel=0.1)
    assert len(take.notes) == 1
    # The note lies where the machine was when it was played, eight beats of count-in before.
    beats = np.interp(played_ns, pulses_ns, [i / 24.0 for i in range(24 * 20) if not 300 <= i < 360])
    assert float(take.tempo.beats_at(take.notes["onset_s"][0])) == pytest.approx(beats - 8.0, abs=0.15)


def test_the_options_reach_the_engine() -> None:
    options = PlayOptions(clock_out="a", follow="b")
    setup = setup_of(SESSION, replace(options, block_frames=128))
    assert (setup.clock_out, setup.follow, setup.block_frames) == ("a", "b", 128)
