"""`trainer play` from start to end through the edges of Windows, on this machine (`tests/fakes/as_windows`)."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
import threading
import time
import urllib.request
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from trainer.ports.silence import SoundingNotes

ROOT = Path(__file__).resolve().parents[2]
LIMIT_S = 60.0
UP = "\xe0H"

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="stands in for Windows by means of Linux")


class Machine:
    """A machine with Windows on it: two MIDI inputs, a MIDI output, sound cards, one console."""

    def __init__(self, folder: Path) -> None:
        self.shared, self.temporary, self.takes = (folder / name for name in ("shared", "temporary", "takes"))
        for place in (self.shared, self.temporary, self.takes):
            place.mkdir()
        self.plug(["Organ", "Bass"])
        self._chunks: list[bytes] = []
        self.env = {
            **os.environ,
            "PYTHONPATH": os.pathsep.join((str(ROOT / "tests" / "fakes" / "as_windows"), str(ROOT))),
            "PYTHONUTF8": "0",
            "TRAINER_AS_WINDOWS": str(self.shared),
            "TRAINER_CONFIG_DIR": str(folder / "config"),
            "TRAINER_LOG_DIR": str(folder / "log"),
            "TRAINER_MIDI_BINDING": "python-rtmidi",
            "TMPDIR": str(self.temporary),
        }

    def plug(self, inputs: list[str]) -> None:
        aside = self.shared / "midi.new"
        aside.write_text(json.dumps({"in": inputs, "out": ["Module"]}))
        aside.replace(self.shared / "midi.json")

    def start(self, *arguments: str) -> None:
        command = [sys.executable, "-m", "trainer", "play", *arguments, "--takes", str(self.takes)]
        self.process = subprocess.Popen(
            command, env=self.env, cwd=ROOT, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.STDOUT
        )
        threading.Thread(target=self._read, daemon=True).start()

    def _read(self) -> None:
        assert self.process.stdout is not None
        while data := self.process.stdout.read1(65536):  # type: ignore[attr-defined]
            self._chunks.append(data)

    @property
    def text(self) -> str:
        return b"".join(self._chunks).decode("cp1252")

    def sent(self) -> list[bytes]:
        log = self.shared / "out-Module"
        return [bytes.fromhex(line.split()[1]) for line in log.read_text().splitlines()] if log.exists() else []

    def strike(self, pitch: int) -> None:
        with (self.shared / "in-Bass").open("a") as port:
            port.write(f"90{pitch:02x}60\n")
        time.sleep(0.08)
        with (self.shared / "in-Bass").open("a") as port:
            port.write(f"80{pitch:02x}40\n")
        time.sleep(0.08)

    def type(self, keys: str) -> None:
        with (self.shared / "keys").open("a", encoding="utf-8") as console:
            console.write(keys)

    def left(self) -> int:
        """The song has ended, or ends now: what is asked afterwards is answered with q. The exit status."""
        until(
            lambda: self.process.poll() is not None or list(self.takes.glob("*.json")), "the take", self, after_it=True
        )
        end = time.monotonic() + LIMIT_S
        while self.process.poll() is None:
            assert time.monotonic() < end, f"it does not leave; the program said: {self.text[-2000:]}"
            self.type("q")
            time.sleep(0.5)
        return self.process.returncode

    def take(self) -> dict[str, Any]:
        (found,) = self.takes.glob("*.json")
        data: dict[str, Any] = json.loads(found.read_text(encoding="utf-8"))
        return data


def until(happened: Callable[[], object], what: str, machine: Machine, *, after_it: bool = False) -> None:
    """Wait while the program runs, or `after_it` has ended."""
    end = time.monotonic() + LIMIT_S
    while not happened():
        assert after_it or machine.process.poll() is None, f"no {what}; the program said: {machine.text[-2000:]}"
        assert time.monotonic() < end, f"waited {LIMIT_S:g} s for {what}; the program said: {machine.text[-2000:]}"
        time.sleep(0.02)


def notes_on(machine: Machine) -> int:
    return sum(1 for data in machine.sent() if data[0] & 0xF0 == 0x90 and data[2])


def is_silent(machine: Machine) -> bool:
    sounding = SoundingNotes()
    for data in machine.sent():
        sounding.note(data)
    return not sounding.notes()


@pytest.fixture
def machine(tmp_path: Path) -> Iterator[Machine]:
    made = Machine(tmp_path)
    yield made
    if made.process.poll() is None:
        made.process.kill()
        made.process.wait()
    if made.process.stdout is not None:
        made.process.stdout.close()


SHORT = ("--bpm", "200", "--choruses", "1", "--form", "slow_change_12", "--midi-in", "bass", "--midi-out", "module")


def test_a_session_is_played_recorded_and_tidied_away(machine: Machine) -> None:
    machine.start(*SHORT, "--page")
    until(lambda: "press Enter" in machine.text, "the stand page", machine)
    machine.type("\r")
    until(lambda: notes_on(machine) > 12, "the band", machine)
    address = re.search(r"stand page: (http://127\.0\.0\.1:\S+)", machine.text)
    assert address is not None, machine.text
    with urllib.request.urlopen(address[1], timeout=10.0) as page:
        assert page.status == 200
    machine.strike(31)
    machine.strike(33)
    machine.plug(["Bass"])  # the organ goes: "Bass 1" is "Bass 0" from now on
    time.sleep(1.2)  # the watch looks twice a second
    machine.type("à")
    machine.strike(34)
    machine.strike(36)
    assert machine.left() == 0, machine.text
    take = machine.take()
    assert [round(pitch) for pitch in take["notes"]["pitch"]] == [31, 33, 34, 36], machine.text[-3000:]
    assert "has gone" not in machine.text and take["completed"] is True
    devices, extra = take["devices"], take["extra"]
    assert devices["midi_in"] == "Bass 1" and devices["audio"]["system"] == "Windows WASAPI"
    assert extra["scheduling"] == "pro audio, 1 ms timers" and extra["display"] == "execution state"
    assert is_silent(machine)
    assert not list(machine.temporary.iterdir())
    started = (machine.shared / "started").read_text().splitlines()
    apart = [line for line in started if line.endswith("trainer.engine") or "trainer.page" in line]
    assert len(apart) == 2 and all(line.startswith("0x8000200 ") for line in apart)


def test_a_console_that_is_closed_leaves_a_take_and_silence(machine: Machine) -> None:
    machine.start(*SHORT)
    until(lambda: notes_on(machine) > 12, "the band", machine)
    machine.strike(31)
    machine.strike(33)
    (machine.shared / "close").touch()
    closed_s = time.monotonic()
    # ended by the console as soon as its handler is back, unless the program, which the handler waits for, ended first
    assert machine.process.wait(10.0) in (0x3A, 130)
    assert time.monotonic() - closed_s < 5.0 + LIMIT_S / 60.0
    until(lambda: list(machine.takes.glob("*.json")), "the take", machine, after_it=True)
    until(lambda: is_silent(machine), "silence", machine, after_it=True)
    take = machine.take()
    assert [round(pitch) for pitch in take["notes"]["pitch"]] == [31, 33] and take["completed"] is False
    until(lambda: not list(machine.temporary.iterdir()), "an empty temporary folder", machine, after_it=True)


def test_keys_obey_on_a_console_of_cp1252(machine: Machine) -> None:
    machine.start(*SHORT)
    until(lambda: notes_on(machine) > 6, "the band", machine)
    machine.strike(31)
    machine.type(f"{UP}q")
    assert machine.left() == 0, machine.text
    assert machine.take()["completed"] is False
    assert is_silent(machine) and not list(machine.temporary.iterdir())
