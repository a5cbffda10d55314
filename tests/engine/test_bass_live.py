"""An ordinary bass in a real session: JACK's dummy driver, a far end that plays a WAV into it exact to the sample."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

from tests.bass_sound import bass_line
from tests.jack_bass import JackBass
from tests.jack_server import JackServer, started_server
from trainer.take import FLAG_DEAD, FLAG_GLITCH, Take, read_take

pytestmark = pytest.mark.jack

# Sixteen bars at 240, sixteen seconds; most are left as soon as the bass has been played.
PLAY = [sys.executable, "-m", "trainer", "play", "--bpm", "240", "--loop", "1-4", "--choruses", "4", "--plain"]


def _line(
    n: int = 14, from_s: float = 0.2, every_s: float = 0.33
) -> tuple[NDArray[np.float32], list[float], list[int]]:
    pitches = [(28, 33, 35, 40, 38, 43)[i % 6] for i in range(n)]
    onsets = [from_s + every_s * i for i in range(n)]
    rows = [(onset, every_s * 0.85, float(pitch), 95) for onset, pitch in zip(onsets, pitches, strict=True)]
    return bass_line(rows), onsets, pitches


class Session:
    """`trainer play` in a process of its own, with everything it says."""

    def __init__(self, server: JackServer, folder: Path, *more: str) -> None:
        self.takes = folder / "takes"
        env = {
            **server.env(),
            "TRAINER_CONFIG_DIR": str(folder / "config"),
            "TRAINER_LOG_DIR": str(folder / "logs"),
        }
        self.process = subprocess.Popen(
            [*PLAY, "--takes", str(self.takes), *more],
            env=env,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
        )
        self.said = ""

    def wait_line(self, words: str, within_s: float = 90.0) -> None:
        assert self.process.stdout is not None
        end = time.monotonic() + within_s
        while time.monotonic() < end:
            line = self.process.stdout.readline()
            self.said += line
            if words in line:
                return
            assert line, f"ended without {words!r}: {self.said}"
        raise AssertionError(f"no {words!r} within {within_s:g} s: {self.said}")

    def finish(self, within_s: float = 120.0) -> int:
        """The exit status, once the song is over."""
        out, _ = self.process.communicate(timeout=within_s)
        self.said += out
        return self.process.returncode

    def leave_after(self, bass: JackBass) -> None:
        """Once all has been played and come in, the program is told to leave: the take is kept as it is."""
        bass.wait_played()
        time.sleep(1.0)
        self.process.send_signal(signal.SIGTERM)
        status = self.finish()
        assert status == 128 + signal.SIGINT, self.said

    def children(self, module: str) -> list[int]:
        """Process ids below this one that run a module of ours."""
        out = subprocess.run(["ps", "-eo", "pid,ppid,args"], capture_output=True, text=True, check=True).stdout
        rows = [line.split(None, 2) for line in out.splitlines()[1:]]
        mine, found = {self.process.pid}, []
        for _ in range(3):
            for pid, ppid, args in rows:
                if int(ppid) in mine and int(pid) not in mine:
                    mine.add(int(pid))
                    if args.rstrip().endswith(f"-m {module}"):
                        found.append(int(pid))
        return found

    def take(self) -> Take:
        (path,) = self.takes.glob("*.mid")
        return read_take(path)

    def header(self) -> Any:
        (path,) = self.takes.glob("*.json")
        return json.loads(path.read_text())

    def kill(self) -> None:
        if self.process.poll() is None:
            self.process.kill()
            self.process.wait()
        if self.process.stdout is not None:
            self.process.stdout.close()


def _steps(take: Take, onsets: list[float], pitches: list[int]) -> NDArray[np.float64]:
    """How the take's notes lie apart from the line that was played, seconds about their own mean; all must be there."""
    notes = take.notes[take.notes["flags"] & FLAG_DEAD == 0]
    assert np.rint(notes["pitch"]).astype(int).tolist() == pitches
    late = notes["onset_s"] - np.array(onsets)
    return np.asarray(late - np.median(late), dtype=np.float64)


@contextlib.contextmanager
def _sounding(
    bass: JackBass, server: JackServer, folder: Path, sound: NDArray[np.float32], *more: str
) -> Iterator[Session]:
    """A run with a bass in it that plays `sound`; ended and silent afterwards."""
    run = Session(server, folder, "--bass-in", bass.name, *more)
    try:
        run.wait_line("round 1/")
        bass.play_sound(sound, lead_s=0.1)
        yield run
    finally:
        run.kill()


def test_a_bass_is_played_heard_recorded_and_scored(jack_server: JackServer, tmp_path: Path) -> None:
    sound, onsets, pitches = _line()
    with (
        JackBass(jack_server, "bass") as bass,
        _sounding(bass, jack_server, tmp_path, sound, "--choruses", "2") as run,
    ):
        assert run.finish() == 0, run.said
    assert "bass is heard and recorded beside the take (--no-recording: heard only)." in run.said
    header = run.header()
    assert header["profile"] == "sound" and header["devices"]["bass_in"]["name"] == "bass"
    assert header["extra"]["hearing"]["version"] >= 1
    off = _steps(run.take(), onsets, pitches)
    print("onsets about their mean, ms:", np.round(1e3 * off, 3))
    assert np.max(np.abs(off)) < 0.003 or header["gaps"]
    (recording,) = run.takes.glob("*.flac")
    assert not list(run.takes.rglob("*.wav"))
    kept, rate_hz = soundfile.read(recording, dtype="float32")
    assert rate_hz == jack_server.sample_rate_hz
    loud = np.flatnonzero(np.abs(kept) > 0.01)
    assert len(kept) > len(sound) and loud[-1] - loud[0] > rate_hz * (onsets[-1] - onsets[0])


def test_an_ear_that_is_killed_costs_nothing(jack_server: JackServer, tmp_path: Path) -> None:
    """kill -9 of the ear: the song goes on, the recording is whole, the take is heard from it at the end."""
    sound, onsets, pitches = _line()
    with JackBass(jack_server, "bass") as bass, _sounding(bass, jack_server, tmp_path, sound) as run:
        run.wait_line("bar  3/4")
        (ear,) = run.children("trainer.engine.ear")
        os.kill(ear, signal.SIGKILL)
        run.leave_after(bass)
    header = run.header()
    assert header["clock_map"]["recording"]["ears"] == 2
    off = _steps(run.take(), onsets, pitches)
    assert np.max(np.abs(off)) < 0.003 or header["gaps"]


def test_an_engine_that_is_killed_leaves_recording_and_take_whole(jack_server: JackServer, tmp_path: Path) -> None:
    sound, onsets, pitches = _line()
    with JackBass(jack_server, "bass") as bass, _sounding(bass, jack_server, tmp_path, sound) as run:
        run.wait_line("round 2/4")
        (engine,) = run.children("trainer.engine")
        (ear,) = run.children("trainer.engine.ear")
        os.kill(engine, signal.SIGKILL)
        status = run.finish()
    assert status == 1 and "the engine stopped unexpectedly" in run.said
    take = run.take()
    notes = take.notes[take.notes["flags"] & FLAG_DEAD == 0]
    n = len(notes)
    assert n >= 10  # what had been played by then, the last of it cut off
    assert np.rint(notes["pitch"]).astype(int).tolist()[: n - 1] == pitches[: n - 1]
    late = notes["onset_s"] - np.array(onsets[:n])
    assert np.max(np.abs(late[:-1] - np.median(late))) < 0.005 or run.header()["gaps"]
    assert list(run.takes.glob("*.flac")) and not list(run.takes.rglob("*.wav"))
    end = time.monotonic() + 5.0
    while time.monotonic() < end and Path(f"/proc/{ear}").exists():
        time.sleep(0.05)
    assert not Path(f"/proc/{ear}").exists()  # it left with its engine


def test_nothing_is_kept_where_no_recording_is_wanted(jack_server: JackServer, tmp_path: Path) -> None:
    """The notes of the ear that listens along stand then; the eighth channel of eight carries them."""
    sound, _, pitches = _line()
    with (
        JackBass(jack_server, "bass", n_channels=8, channel=8) as bass,
        _sounding(bass, jack_server, tmp_path, sound, "--no-recording") as run,
    ):
        run.leave_after(bass)
    assert "bass is heard, and not recorded." in run.said
    assert not list(run.takes.rglob("*.flac")) and not list(run.takes.rglob("*.wav"))
    take = run.take()
    notes = take.notes[take.notes["flags"] & FLAG_DEAD == 0]
    found = np.rint(notes["pitch"]).astype(int)
    assert abs(len(found) - len(pitches)) <= 1
    assert np.mean(np.isin(found, pitches)) > 0.9


def _both_ways(cable: JackBass) -> tuple[str, str]:
    """An output and an input of the trainer's own stream, once it is open."""
    end = time.monotonic() + 60.0
    while time.monotonic() < end:
        mine = [name for name in cable.ports() if not name.startswith(("system:", "plugger:"))]
        went = [name for name in mine if "out" in name.rpartition(":")[2]]
        came = [name for name in mine if "in" in name.rpartition(":")[2]]
        if went and came:
            return went[0], came[0]
        time.sleep(0.05)
    raise AssertionError(f"no stream with both sides: {cable.ports()}")


def test_a_cable_from_output_to_input_is_measured_to_the_sample(jack_server: JackServer, tmp_path: Path) -> None:
    """One stream for both sides of the card, a cable plugged from its output into its input."""
    env = {
        **jack_server.env(),
        "TRAINER_CONFIG_DIR": str(tmp_path / "config"),
        "TRAINER_LOG_DIR": str(tmp_path / "logs"),
    }
    command = [sys.executable, "-m", "trainer", "calibrate", "--loop", "--bass-in", "system", "--json"]
    with JackBass(jack_server, "plugger") as cable:
        done = subprocess.Popen(
            command, env=env, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
        )
        try:
            went, came = _both_ways(cable)
            cable.plug(went, came)
            out, err = done.communicate(timeout=120)
        finally:
            done.kill()
            done.communicate()
    assert done.returncode == 0, err
    found = json.loads(out)
    print("round trip:", found)
    assert found["n"] >= 6 and 0.0 < found["ms"] < 100.0
    assert found["spread_ms"] < 0.05  # two samples; the server's own slips aside it is none
    (kept,) = (tmp_path / "config" / "ports").glob("*.json")
    assert json.loads(kept.read_text())["calibrations"]


def test_the_sound_check_finds_channel_level_and_tuning(jack_server: JackServer, tmp_path: Path) -> None:
    """18 channels, the bass on the fifth, an A string 20 cents flat."""
    flat = bass_line([(0.1 + 1.4 * i, 1.3, 33.0 - 0.2, 100) for i in range(6)])
    env = {
        **jack_server.env(),
        "TRAINER_CONFIG_DIR": str(tmp_path / "config"),
        "TRAINER_LOG_DIR": str(tmp_path / "logs"),
    }
    with JackBass(jack_server, "desk", n_channels=18, channel=5) as bass:
        done = subprocess.Popen(
            [sys.executable, "-m", "trainer", "check", "--bass-in", "desk", "--json"],
            env=env,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        try:
            bass.wait_connected()
            bass.play_sound(flat, lead_s=0.2)
            out, err = done.communicate(timeout=120)
        finally:
            done.kill()
            done.communicate()
    assert done.returncode == 0, err
    found = json.loads(out)
    print("check:", found)
    assert found["channel"] == 5 and found["n_channels"] == 18
    assert found["strings"]["A1"] == pytest.approx(-20.0, abs=4.0)
    assert found["words"][0].startswith("good level")


def test_an_input_that_goes_and_comes_back_is_heard_again(jack_server: JackServer, tmp_path: Path) -> None:
    sound, _, pitches = _line(6)
    run = Session(jack_server, tmp_path, "--bass-in", "bass", "--choruses", "8")
    bass = JackBass(jack_server, "bass")
    try:
        run.wait_line("round 1/8 verse")
        bass.play_sound(sound, lead_s=0.1)
        bass.wait_played()
        bass.close()
        run.wait_line('sound input "bass" gives no sound; the band plays on')
        bass = JackBass(jack_server, "bass")
        run.wait_line('sound input "bass" is back')
        bass.play_sound(sound, lead_s=0.3)
        run.leave_after(bass)
    finally:
        bass.close()
        run.kill()
    take, header = run.take(), run.header()
    notes = take.notes[take.notes["flags"] & FLAG_DEAD == 0]
    assert np.rint(notes["pitch"]).astype(int).tolist() == pitches * 2
    lost = [gap for gap in header["gaps"] if gap["cause"] == "port_lost"]
    assert lost and lost[0]["start_s"] > notes["onset_s"][5] and lost[0]["end_s"] < notes["onset_s"][6]
    for half in (notes[:6], notes[6:]):
        steps = np.diff(half["onset_s"])
        assert np.max(np.abs(steps - 0.33)) < 0.005 or len(header["gaps"]) > 1


def test_an_input_that_goes_before_anything_was_played_is_heard_when_it_is_back(
    jack_server: JackServer, tmp_path: Path
) -> None:
    """Two channels, and no sound yet that could be missed: the server alone tells that nobody is at the other end."""
    sound, _, pitches = _line(6)
    run = Session(jack_server, tmp_path, "--bass-in", "two of them", "--choruses", "6")
    bass = JackBass(jack_server, "two of them", n_channels=2)
    try:
        run.wait_line("round 1/6 verse")
        bass.close()
        run.wait_line('sound input "two of them" gives no sound; the band plays on')
        bass = JackBass(jack_server, "two of them", n_channels=2)
        run.wait_line('sound input "two of them" is back')
        bass.play_sound(sound, lead_s=0.3)
        status = run.finish()
    finally:
        bass.close()
        run.kill()
    assert status == 0, run.said
    notes = run.take().notes
    assert np.rint(notes["pitch"][notes["flags"] & FLAG_DEAD == 0]).astype(int).tolist() == pitches


def test_a_client_that_plays_nothing_for_a_while_has_not_gone(jack_server: JackServer, tmp_path: Path) -> None:
    """Exact zeros for three seconds, longer than a vanished input's: silence is silence, and nothing is excused."""
    sound, _, pitches = _line(6)
    silence = np.zeros(round(3.2 * jack_server.sample_rate_hz), dtype=np.float32)
    twice = np.concatenate([sound, silence, sound])
    with JackBass(jack_server, "bass") as bass, _sounding(bass, jack_server, tmp_path, twice) as run:
        run.leave_after(bass)
    assert "gives no sound" not in run.said and "is back" not in run.said
    take, header = run.take(), run.header()
    assert not [gap for gap in header["gaps"] if gap["cause"] == "port_lost"]
    notes = take.notes[take.notes["flags"] & FLAG_DEAD == 0]
    assert np.rint(notes["pitch"]).astype(int).tolist() == pitches * 2


def test_a_server_that_stumbles_costs_the_player_nothing(jack_server: JackServer, tmp_path: Path) -> None:
    """The server itself is stopped for 0.3 s in mid song: an under-run as a full machine makes it. It is noted, notes
    beside it are excused, and the others stand as they were played."""
    sound, onsets, pitches = _line()
    with JackBass(jack_server, "bass") as bass, _sounding(bass, jack_server, tmp_path, sound) as run:
        run.wait_line("bar  3/4")
        os.kill(jack_server.process.pid, signal.SIGSTOP)
        try:
            time.sleep(0.3)
        finally:
            os.kill(jack_server.process.pid, signal.SIGCONT)
        run.leave_after(bass)
    take, header = run.take(), run.header()
    gaps = [gap for gap in header["gaps"] if gap["cause"] in ("xrun", "stalled")]
    assert gaps, header["gaps"]
    notes = take.notes[take.notes["flags"] & FLAG_DEAD == 0]
    excused = notes["flags"] & FLAG_GLITCH != 0
    within, near = np.zeros((2, len(notes)), dtype=np.bool_)
    for gap in gaps:
        within |= (notes["onset_s"] > gap["start_s"]) & (notes["onset_s"] < gap["end_s"])
        near |= (notes["onset_s"] > gap["start_s"] - 0.1) & (notes["onset_s"] < gap["end_s"] + 0.3)
    assert excused[within].all() and near[excused].all()
    assert len(gaps) > 3 or np.count_nonzero(~excused) >= len(notes) // 2
    ours = max(gaps, key=lambda gap: float(gap["end_s"] - gap["start_s"]))  # a busy machine may stumble by itself too
    print("gaps:", gaps, "notes:", len(notes), "excused:", np.count_nonzero(excused))
    first = int(np.flatnonzero(notes["onset_s"] < ours["start_s"]).size)
    assert first >= 3 and np.rint(notes["pitch"][:first]).astype(int).tolist() == pitches[:first]
    steps = np.diff(notes["onset_s"][:first])
    assert np.max(np.abs(steps - (onsets[1] - onsets[0]))) < 0.003


@pytest.mark.parametrize("rate_hz", [44_100, 96_000])
def test_other_rates_are_heard_alike(rate_hz: int, tmp_path: Path) -> None:
    _, onsets, pitches = _line(8)
    rows = [(onset, 0.28, float(pitch), 95) for onset, pitch in zip(onsets, pitches, strict=True)]
    with (
        started_server(sample_rate_hz=rate_hz, period_frames=128) as server,
        JackBass(server, "bass", n_channels=2, channel=2) as bass,
        _sounding(bass, server, tmp_path, bass_line(rows, rate_hz)) as run,
    ):
        run.leave_after(bass)
    header = run.header()
    assert header["extra"]["hearing"]["rate_hz"] == rate_hz and header["extra"]["hearing"]["channel"] == 2
    off = _steps(run.take(), onsets, pitches)
    assert np.max(np.abs(off)) < 0.003 or header["gaps"]
