"""What the system grants the engine's threads, with and without the right to real-time scheduling."""

from __future__ import annotations

import ctypes
import os
import platform
import re
import shutil
import struct
import subprocess
import sys

import pytest

from trainer.system import linux

_CHILD = """
import os, threading
from trainer.system import here
ready, done = threading.Event(), threading.Event()
other = threading.Thread(target=lambda: (ready.set(), done.wait()))
other.start()
ready.wait()
granted = here().hurry()
told = "/proc/thread-self/sched"  # not in every kernel
slices = [line.split()[-1] for line in open(told) if line.startswith("se.slice")] if os.path.exists(told) else []
print(granted, os.sched_getscheduler(0), os.sched_getscheduler(other.native_id), *slices, sep="|")
done.set()
"""


def granted(*prefix: str) -> list[str]:
    done = subprocess.run([*prefix, sys.executable, "-c", _CHILD], capture_output=True, text=True, check=True)
    return done.stdout.strip().split("|")


@pytest.mark.skipif(sys.platform != "linux", reason="Linux's schedulers")
def test_a_person_without_rights_gets_a_short_slice_and_nothing_else() -> None:
    prefix: tuple[str, ...] = ()
    if os.geteuid() == 0:
        if shutil.which("setpriv") is None:
            pytest.skip("running as root, and no setpriv program to give its rights away")
        prefix = ("setpriv", "--bounding-set", "-sys_nice", "--inh-caps", "-sys_nice")
    elif os.sched_get_priority_max(os.SCHED_RR) and granted()[0] == "real-time":
        pytest.skip("this person has the right to real-time scheduling")
    word, own, other, *slices = granted(*prefix)
    version = tuple(int(part) for part in re.findall(r"\d+", platform.release())[:2])
    shortens = version >= (6, 12) and platform.machine() in ("x86_64", "aarch64", "riscv64")
    assert word == ("short slice" if shortens else "none")
    plain = {str(os.SCHED_OTHER), str(os.SCHED_OTHER | os.SCHED_RESET_ON_FORK)}
    assert {own, other} <= plain
    assert not (shortens and slices) or slices == ["100000"]


@pytest.mark.skipif(sys.platform != "linux", reason="Linux's schedulers")
def test_another_machines_calls_are_never_made(monkeypatch: pytest.MonkeyPatch) -> None:
    """A 32-bit Python on a 64-bit kernel is told of the kernel's machine, but its calls have other numbers."""
    monkeypatch.setattr(struct, "calcsize", lambda form: 4)
    monkeypatch.setattr(ctypes, "CDLL", None)
    assert linux._short_slices() is False


@pytest.mark.skipif(sys.platform != "linux", reason="Linux's schedulers")
def test_a_person_with_rights_has_the_loop_s_thread_and_behind_it_the_others_in_real_time() -> None:
    word, own, other, *_ = granted()
    if word != "real-time":
        pytest.skip("this person has no right to real-time scheduling")
    turns = str(os.SCHED_RR | os.SCHED_RESET_ON_FORK)
    assert (own, other) == (turns, turns)
