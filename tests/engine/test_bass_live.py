"""An ordinary bass in a real session: JACK's dummy driver, a far end that plays a WAV into it exact to the sample."""

from __future__ import annotations

import json
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

from tests.bass_sound import bass_line
from tests.jack_bass import JackBass
from tests.jack_server import JackServer
from trainer.take import FLAG_DEAD, Take, read_take

pytestmark = pytest.mark.jack

# Eight bars at 240: eight seconds.
PLAY = [sys.executable, "-m", "trainer", "play", "--bpm", "240", "--loop", "1-4", "--choruses", "2", "--plain"]


def _line(
    n: int = 20, from_s: float = 0.2, every_s: float = 0.33
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
        out, _ = self.process.communicate(timeout=within_s)
        self.said += out
        return self.process.returncode

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


def test_a_bass_is_played_heard_recorded_and_scored(jack_server: JackServer, tmp_path: Path) -> None:
    sound, onsets, pitches = _line()
    with JackBass(jack_server, "bass") as bass:
        run = Session(jack_server, tmp_path, "--bass-in", "bass")
        try:
            run.wait_line("round 1/2 verse")
            bass.play_sound(sound, lead_s=0.1)
            status = run.finish()
        finally:
            run.kill()
    assert status == 0, run.said
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
