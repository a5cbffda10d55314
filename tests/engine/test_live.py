"""`trainer play` over real JACK ports, on a pseudo-terminal with its screen: heard, recorded, silenced, never lost.

The far end of the cable is a JACK client in a process of its own, exact to the sample (`tests/jack_sender.py`), written
against the JACK API; what it sent is the truth that the takes are held against.
"""

from __future__ import annotations

import os
import signal
import time
from pathlib import Path
from time import perf_counter_ns

import numpy as np
import pytest

from tests.engine.in_mid_song import (
    PLAYED,
    SHORT,
    in_mid_song,
    is_silent,
    line,
    only_take,
    pitches,
    silent_within_s,
)
from tests.engine.on_a_terminal import children_of, on_terminal, runs, wait_until
from tests.jack_sender import JackSender
from tests.jack_server import JackServer, started_server
from trainer.clock.fit import SongMap
from trainer.live import recover_takes
from trainer.ports import all_notes_off
from trainer.take import FLAG_GLITCH

pytestmark = pytest.mark.jack


def test_every_note_is_there_and_at_its_time_with_sound_and_screen(
    far: JackSender, env: dict[str, str], tmp_path: Path
) -> None:
    rows = line()
    for attempt in range(4):
        takes = tmp_path / f"takes-{attempt}"
        arguments = ["play", *SHORT, "--midi-in", far.out_name, "--midi-out", "far", "--takes", str(takes)]
        with on_terminal(arguments, env) as run:
            far.wait_connected()
            run.wait_screen()
            time.sleep(0.8)  # into the count-in
            far.play(rows)
            sent = far.wait_played(90.0)
            assert run.wait() == 0, run.words[-3000:]
            screen = run.words
        take = only_take(takes)
        assert sent["n"] == len(rows) * (attempt + 1)
        notes = take.notes[np.argsort(take.notes["pitch"])]  # as they were played: each a semitone above the last
        assert notes["pitch"].tolist() == pitches(rows)
        assert take.header.completed
        assert take.header.hardware["audio"]["system"].startswith("JACK")
        assert "Take kept" in screen and "count" in screen
        heard = far.heard()
        assert is_silent(heard)
        ons = [m for _, _, m in heard if m.startswith("9") and m[4:6] != "00"]
        assert len(ons) >= 0.98 * len(take.band)  # strokes of one pitch at one moment are one
        lateness = take.header.lateness
        assert lateness["n"] == len(ons) and len(lateness["late_us"]) == len(ons)
        # By the host's clock: the server's own frames fall behind it at each of its under-runs.
        song = SongMap([(int(ns), float(s), float(rate)) for ns, s, rate in take.header.clock_map["song_map"]])
        sent_ns = np.array([ns for ns, _, message in far.sent() if message.startswith("90")], dtype=np.int64)
        error_ms = (notes["onset_s"] - song.seconds_at(sent_ns)) * 1e3
        error_ms -= np.median(error_ms)
        # A server without a sound card stands still now and then on a busy machine, and says so, and so does the take:
        # what lies near is excused, and it is played once more.
        told = notes["flags"] & FLAG_GLITCH == 0
        if np.percentile(np.abs(error_ms), 99) <= 2.0 or not sent["n_xruns"]:
            break
    assert told.all() or take.header.gaps
    assert np.percentile([0.0, *np.abs(error_ms[told])], 99) <= 2.0, np.round(error_ms, 2).tolist()


def test_killing_the_engine_silences_the_port_and_keeps_the_take(
    far: JackSender, env: dict[str, str], tmp_path: Path
) -> None:
    takes = tmp_path / "takes"
    with in_mid_song(far, env, takes, "--clock-out", "far") as run:
        engine = run.engine_pid
        left_ns = perf_counter_ns()
        os.kill(engine, signal.SIGKILL)
        assert run.wait() == 1
        assert "engine stopped unexpectedly (signal 9)" in run.words
    take = only_take(takes)
    assert take.notes["pitch"].tolist() == PLAYED
    assert not take.header.completed
    heard = far.heard()
    # The sound server lets no new client in while it takes leave of a killed one's: most of a second on a busy machine.
    assert silent_within_s(heard, left_ns) <= 1.5
    stopped_ns = [host_ns for host_ns, _, message in heard if message == "fc"]  # a machine that followed our clock
    assert len(stopped_ns) == 1 and stopped_ns[0] - left_ns < 2_000_000_000
    assert recover_takes(takes) == []


def test_killing_the_front_ends_in_silence_and_a_take(far: JackSender, env: dict[str, str], tmp_path: Path) -> None:
    takes = tmp_path / "takes"
    with in_mid_song(far, env, takes) as run:
        engine = run.engine_pid
        left_ns = perf_counter_ns()
        run.process.kill()
        run.process.wait(timeout=60)
        wait_until(lambda: not runs(engine), "the engine to leave")
    take = only_take(takes)
    assert take.notes["pitch"].tolist() == PLAYED
    assert (took_s := silent_within_s(far.heard(), left_ns)) <= 1.0, took_s
    assert not list((takes / "unfinished").iterdir())


def test_after_killing_both_the_next_start_finishes_the_take_once(
    far: JackSender, env: dict[str, str], tmp_path: Path
) -> None:
    takes = tmp_path / "takes"
    with in_mid_song(far, env, takes) as run:
        engine = run.engine_pid
        run.process.send_signal(signal.SIGSTOP)  # so that neither sees the other go
        os.kill(engine, signal.SIGKILL)
        run.process.kill()
        run.process.wait(timeout=60)
        wait_until(lambda: not runs(engine), "the engine to be gone")
    assert not list(takes.glob("*.mid"))
    assert len(recover_takes(takes)) == 1
    assert recover_takes(takes) == []
    take = only_take(takes)
    assert take.notes["pitch"].tolist() == PLAYED
    # By the host's clock, which the song went by: a server on a busy machine sends later than it was asked to.
    error_s = take.notes["onset_s"] - np.array([ns for ns, _, m in far.sent() if m.startswith("90")]) * 1e-9
    assert np.median(np.abs(error_s - np.median(error_s))) < 0.005


@pytest.mark.parametrize("way", ["SIGTERM", "SIGHUP", "ctrl-c", "hang up"])
def test_leaving_in_mid_song_is_silent_and_keeps_what_was_played(
    way: str, far: JackSender, env: dict[str, str], tmp_path: Path
) -> None:
    takes = tmp_path / "takes"
    with in_mid_song(far, env, takes) as run:
        left_ns = perf_counter_ns()
        if way.startswith("SIG"):
            run.process.send_signal(signal.Signals[way])
        elif way == "ctrl-c":
            run.type("\x03")
        else:
            run.hang_up()
        status = run.wait()
    assert status == 130
    take = only_take(takes)
    assert take.notes["pitch"].tolist() == PLAYED
    assert not take.header.completed
    assert (took_s := silent_within_s(far.heard(), left_ns)) <= 1.0, took_s


FAULTS = {
    "the engine's loop": ("trainer.engine", "trainer.engine.core", "Core", "step"),
    "the front's loop": ("trainer", "trainer.live.front", "_Front", "_show"),
}


@pytest.mark.parametrize("where", FAULTS)
def test_a_fault_of_ours_is_silent_at_once_and_keeps_what_was_played(
    where: str, far: JackSender, env: dict[str, str], tmp_path: Path
) -> None:
    """A method that raises once a file appears: put into the running program as Python's own start-up file does."""
    takes, trigger = tmp_path / "takes", tmp_path / "raise"
    program, module, holder, method = FAULTS[where]
    (tmp_path / "sitecustomize.py").write_text(
        f"""
import os, sys
if sys.orig_argv[-1:] == ["trainer.engine"] if {program!r} == "trainer.engine" else "play" in sys.orig_argv:
    import threading, time
    def put_in():
        while {module!r} not in sys.modules or not hasattr(sys.modules[{module!r}], {holder!r}):
            time.sleep(0.01)
        cls = getattr(sys.modules[{module!r}], {holder!r})
        real = getattr(cls, {method!r})
        def faulty(self, *args):
            if os.path.exists({str(trigger)!r}):
                raise RuntimeError("put in by a test")
            return real(self, *args)
        setattr(cls, {method!r}, faulty)
    threading.Thread(target=put_in, daemon=True).start()
""",
        encoding="utf-8",
    )
    with in_mid_song(far, {**env, "PYTHONPATH": str(tmp_path)}, takes) as run:
        engine = run.engine_pid
        left_ns = perf_counter_ns()
        trigger.touch()
        status = run.wait()
        wait_until(lambda: not runs(engine), "the engine to leave")
        words = run.words
    assert status == 1
    assert "fault of the program" in words or "put in by a test" in words, words[-2000:]
    assert "Traceback" not in words
    assert (took_s := silent_within_s(far.heard(), left_ns)) <= 1.0, took_s
    assert only_take(takes).notes["pitch"].tolist() == PLAYED


def test_an_input_that_goes_and_comes_back_is_taken_up_again(
    jack_server: JackServer, env: dict[str, str], tmp_path: Path
) -> None:
    takes = tmp_path / "takes"
    arguments = ["play", "--bpm", "240", "--loop", "1-12", "--choruses", "1", "--midi-in", "cable", "--no-audio"]
    with (
        JackSender(jack_server, "cable") as first,
        JackSender(jack_server, "band") as band,
        on_terminal([*arguments, "--midi-out", "band", "--takes", str(takes)], env) as run,
    ):
        first.wait_connected()
        run.wait_screen()
        time.sleep(0.3)
        first.play([(0.0, "902864"), (0.2, "802800"), (0.4, "902964")])  # the last one is held
        first.wait_played(90.0)
        first.close()
        gone_ns = perf_counter_ns()
        wait_until(lambda: "has gone" in run.words, "the loss to be said")
        with JackSender(jack_server, "cable") as second:
            second.wait_connected()
            time.sleep(0.3)
            second.play([(0.0, "902a64"), (0.2, "802a00")])
            second.wait_played(90.0)
            wait_until(lambda: '"cable:out" is back' in run.words, "the return to be said")
            back_ns = perf_counter_ns()
            time.sleep(0.3)
            run.type("q")
            assert run.wait() == 0
        heard = band.heard()
    take = only_take(takes)
    assert take.notes["pitch"].tolist() == [40, 41, 42]
    # The band never stopped: it strikes at least four times a second.
    strokes_ns = np.array([ns for ns, _, m in heard if m.startswith("9") and m[4:] != "00"], dtype=np.int64)
    meanwhile_ns = strokes_ns[(strokes_ns >= gone_ns - 500_000_000) & (strokes_ns <= back_ns)]
    assert len(meanwhile_ns) and np.diff(np.array([*meanwhile_ns, back_ns])).max() < 1_000_000_000
    assert [gap.cause for gap in take.header.gaps] == ["port_lost"]
    gap = take.header.gaps[0]
    assert take.notes["onset_s"][1] < gap.start_s < gap.end_s < take.notes["onset_s"][2]
    # The held note ends where the loss was noticed, not at the end of the song.
    assert take.notes["onset_s"][1] + take.notes["duration_s"][1] == pytest.approx(gap.start_s, abs=0.05)


def test_an_output_that_goes_and_comes_back_is_used_again(
    far: JackSender, jack_server: JackServer, env: dict[str, str], tmp_path: Path
) -> None:
    takes = tmp_path / "takes"
    arguments = ["play", "--bpm", "240", "--loop", "1-12", "--choruses", "1", "--midi-in", far.out_name, "--no-audio"]
    with (
        JackSender(jack_server, "module") as first,
        on_terminal([*arguments, "--midi-out", "module", "--takes", str(takes)], env) as run,
    ):
        far.wait_connected()
        run.wait_screen()
        far.play([(0.0, "902864"), (0.2, "802800"), (3.0, "902a64"), (3.2, "802a00")])
        wait_until(lambda: bool(first.heard()), "the band at the module")
        first.close()
        wait_until(lambda: '"module:in" has gone' in run.words, "the loss to be said")
        with JackSender(jack_server, "module") as second:
            wait_until(lambda: '"module:in" is back' in run.words, "the return to be said")
            heard: list[str] = []

            def comes(kind: str) -> bool:
                heard.extend(message for _, _, message in second.heard())
                return any(message.startswith(kind) for message in heard)

            wait_until(lambda: comes("c"), "which instruments play, once more")
            wait_until(lambda: comes("9"), "the band at the module that is back")
            far.wait_played(90.0)
            time.sleep(0.3)
            run.type("q")
            assert run.wait() == 0
            assert is_silent(second.heard()[-len(all_notes_off()) :])
    take = only_take(takes)
    assert take.notes["pitch"].tolist() == [40, 42]  # the player never lost a note by it
    assert not take.header.gaps


def test_a_sound_server_that_dies_leaves_the_song_going_and_the_take_whole(tmp_path: Path, env: dict[str, str]) -> None:
    """The band's sound goes to a server of its own, killed in mid song: said, noted, and the host's clock goes on."""
    takes = tmp_path / "takes"
    script = ["demo", "--bpm", "240", "--loop", "1-6", "--choruses", "1", "--takes", str(takes)]
    with (
        started_server() as server,
        on_terminal(script, {**env, **server.env(), "TRAINER_LOG_DIR": str(tmp_path)}) as run,
    ):
        run.wait_screen()
        time.sleep(3.5)  # past the count-in
        server.process.kill()
        run.wait_for("going on with")
        assert run.wait() == 0, run.words[-2000:]
    take = only_take(takes)
    assert take.header.completed
    assert "device_lost" in [gap.cause for gap in take.header.gaps]
    lost_s = next(gap.start_s for gap in take.header.gaps if gap.cause == "device_lost")
    assert take.notes["onset_s"][0] < lost_s < take.notes["onset_s"][-1]
    assert take.notes["onset_s"][-1] > 4.5  # to the last bar: six of one second


def test_a_renderer_that_dies_is_said_and_the_song_goes_on(
    far: JackSender, env: dict[str, str], tmp_path: Path
) -> None:
    takes = tmp_path / "takes"
    with on_terminal(["demo", *SHORT, "--midi-out", "far", "--takes", str(takes)], env) as run:
        run.wait_screen()
        wait_until(lambda: bool(children_of(run.engine_pid)), "the renderer")
        time.sleep(2.5)  # past the count-in
        os.kill(children_of(run.engine_pid)[0], signal.SIGKILL)
        run.wait_for("the band's sound is made no more")
        assert run.wait() == 0, run.words[-2000:]
    take = only_take(takes)
    assert take.header.completed and "device_lost" in [gap.cause for gap in take.header.gaps]
    assert is_silent(far.heard())


def test_keys_pause_and_go_back_and_stop_signals_pause(env: dict[str, str], tmp_path: Path) -> None:
    takes = tmp_path / "takes"
    with on_terminal(["play", *SHORT, "--no-audio", "--plain", "--takes", str(takes)], env) as run:
        run.wait_for("bar  2/4")
        run.type("\x1a")  # nobody can continue us here, so the stop itself does not take hold; the pause does
        run.wait_for("paused")
        assert children_of(run.process.pid)
        n = run.text.count("bar  2/4")
        run.type("p")
        run.wait_for("bar  3/4")
        run.type("r")
        wait_until(lambda: run.text.count("bar  2/4") > n, "the chorus to begin again")
        run.type("[[")
        run.wait_for("next run at 236 bpm")
        run.type("q")
        assert run.wait() == 0
