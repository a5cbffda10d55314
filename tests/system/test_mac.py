"""macOS's edges against a stand-in that behaves as macOS is documented to (`tests/fakes/mac.py`)."""

from __future__ import annotations

import ctypes
import os
import stat
import sys
import time
from collections import deque
from pathlib import Path

import pytest

from tests.fakes.mac import CoreMidi, Libraries, Symbol
from trainer.ports import midi
from trainer.ports.midi import list_ports, open_input
from trainer.system import use
from trainer.system.mac import Mac


@pytest.mark.parametrize("habit", ["our thread", "no thread"])
def test_a_port_unplugged_and_plugged_again_is_noticed(habit: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Without the thread that runs its loop the stand-in shows what Core MIDI would: lists that never change."""
    core = CoreMidi("Bass Pad")
    monkeypatch.setattr(ctypes, "c_void_p", type("c_void_p", (ctypes.c_void_p,), {"in_dll": Symbol.in_dll}))
    monkeypatch.setattr("trainer.system.mac._RUN_S", 0.01)
    monkeypatch.setattr(midi, "_loaded", None)
    monkeypatch.setattr(midi, "_KINDS", [lambda: core])
    system = Mac(Libraries(core))
    if habit == "no thread":
        monkeypatch.setattr(system, "keep_ports_listed", lambda first_client: first_client())
    use(system)
    try:
        assert list_ports().input_names == ("Bass Pad",)
        port = open_input("Bass Pad", deque())
        core.plugged = []
        until = time.monotonic() + (5.0 if habit == "our thread" else 0.2)
        while port.is_connected() and time.monotonic() < until:
            time.sleep(0.01)
        assert port.is_connected() == (habit == "no thread")
        core.plugged = ["Bass Pad"]
        until = time.monotonic() + 5.0
        while list_ports().input_names != ("Bass Pad",) and time.monotonic() < until:
            time.sleep(0.01)
        assert list_ports().input_names == ("Bass Pad",)
    finally:
        use(None)


@pytest.mark.parametrize("timebase", [(125, 3), (1, 1)])
def test_the_loop_asks_for_the_class_of_audio_threads_in_ticks(timebase: tuple[int, int]) -> None:
    libraries = Libraries(timebase=timebase)
    system = Mac(libraries)
    assert system.hurry() == "time constraint"
    ns_a_tick = timebase[0] / timebase[1]
    flavor, (period, computation, constraint, preemptible) = libraries.policies[0]
    assert flavor == 2 and preemptible == 1
    assert [round(ticks * ns_a_tick) for ticks in (period, computation, constraint)] == [2_000_000, 500_000, 2_000_000]
    system.relax()
    assert libraries.policies[1] == (1, ())
    assert Mac(Libraries(grants=False)).hurry() == "priority"


@pytest.mark.skipif(sys.platform == "win32", reason="a script that stands in for caffeinate(8)")
def test_the_display_is_held_by_caffeinate_while_the_song_plays(tmp_path: Path) -> None:
    program, said = tmp_path / "caffeinate", tmp_path / "said"
    program.write_text(f'#!/bin/sh\necho "$@" > {said}\nexec sleep 60\n')
    program.chmod(program.stat().st_mode | stat.S_IXUSR)
    with Mac(Libraries(), str(program)).awake() as told:
        assert told == "caffeinate"
        until = time.monotonic() + 10.0
        while not (said.exists() and said.read_text()) and time.monotonic() < until:
            time.sleep(0.01)
        assert said.read_text().split() == ["-d", "-i", "-w", str(os.getpid())]
    with Mac(Libraries(), str(tmp_path / "none")).awake() as told:
        assert told == "not held: no caffeinate"
