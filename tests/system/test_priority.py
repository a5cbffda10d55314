"""What the system grants the engine's threads, with and without the right to real-time scheduling."""

from __future__ import annotations

import contextlib
import ctypes
import os
import platform
import re
import shutil
import struct
import subprocess
import sys
import threading
from collections.abc import Iterator, Sequence

import pytest

from trainer.system import linux

_CHILD = """
import os, sys, threading, time
from trainer.system import here
if "may" in sys.argv:
    print(here().may_hurry(), os.sched_getscheduler(0) & ~os.SCHED_RESET_ON_FORK == os.SCHED_OTHER, sep="|")
    sys.exit()
ready, done = threading.Event(), threading.Event()
other = threading.Thread(target=lambda: (ready.set(), done.wait()))
other.start()
ready.wait()
granted = here().hurry()
if "relax" in sys.argv:
    here().relax()
until = time.process_time() + 0.6 * ("run on" in sys.argv)
while time.process_time() < until:
    pass
told = "/proc/thread-self/sched"  # not in every kernel
slices = [line.split()[-1] for line in open(told) if line.startswith("se.slice")] if os.path.exists(told) else []
print(granted, os.sched_getscheduler(0), os.sched_getscheduler(other.native_id), *slices, sep="|")
done.set()
"""


def granted(*prefix: str, arguments: Sequence[str] = (), bus: str = "unix:path=/nowhere") -> list[str]:
    done = subprocess.run(
        [*prefix, sys.executable, "-c", _CHILD, *arguments],
        capture_output=True,
        text=True,
        check=True,
        env={**os.environ, "DBUS_SYSTEM_BUS_ADDRESS": bus},
    )
    return done.stdout.strip().split("|")


def without_rights() -> tuple[str, ...]:
    """What a command is run by so that it may not have real-time scheduling; skips where that cannot be had."""
    if os.geteuid() == 0:
        if shutil.which("setpriv") is None:
            pytest.skip("running as root, and no setpriv program to give its rights away")
        return ("setpriv", "--bounding-set", "-sys_nice", "--inh-caps", "-sys_nice")
    if granted()[0] == "real-time":
        pytest.skip("this person has the right to real-time scheduling")
    return ()


class Kit:
    """org.freedesktop.RealtimeKit1 on a bus of its own: it asks the real scheduler, as the service does."""

    def __init__(self, *, refuses: bool = False) -> None:
        from jeepney import DBusAddress, new_method_call
        from jeepney.io.blocking import open_dbus_connection

        self.asked: list[tuple[int, int]] = []
        self._refuses = refuses
        self._daemon = subprocess.Popen(
            ["dbus-daemon", "--session", "--nofork", "--print-address"], stdout=subprocess.PIPE, text=True
        )
        assert self._daemon.stdout is not None
        self.address = self._daemon.stdout.readline().strip()
        self._bus = open_dbus_connection(bus=self.address)
        daemon = DBusAddress("/org/freedesktop/DBus", "org.freedesktop.DBus", "org.freedesktop.DBus")
        self._bus.send_and_get_reply(new_method_call(daemon, "RequestName", "su", ("org.freedesktop.RealtimeKit1", 0)))
        threading.Thread(target=self._serve, daemon=True).start()

    def _serve(self) -> None:
        from jeepney import HeaderFields, MessageType, new_error, new_method_return

        known = {"RTTimeUSecMax": ("x", 200_000), "MaxRealtimePriority": ("i", 3)}
        while True:
            try:
                message = self._bus.receive(timeout=20.0)
            except (TimeoutError, OSError, ValueError):  # closed; of its selector Python says ValueError
                return
            if message.header.message_type is not MessageType.method_call:
                continue
            if message.header.fields[HeaderFields.member] == "Get":
                self._bus.send(new_method_return(message, "v", (known[message.body[1]],)))
            elif self._refuses:
                self._bus.send(new_error(message, "org.freedesktop.DBus.Error.AccessDenied"))
            else:
                self.asked.append(message.body)
                thread_id, priority = message.body
                os.sched_setscheduler(thread_id, os.SCHED_RR | os.SCHED_RESET_ON_FORK, os.sched_param(priority))
                self._bus.send(new_method_return(message))

    def close(self) -> None:
        self._bus.close()
        self._daemon.terminate()
        self._daemon.wait()
        assert self._daemon.stdout is not None
        self._daemon.stdout.close()


@pytest.fixture
def kit(request: pytest.FixtureRequest) -> Iterator[Kit]:
    if sys.platform != "linux" or shutil.which("dbus-daemon") is None:
        pytest.skip("no dbus-daemon on this machine")
    with contextlib.closing(Kit(refuses=getattr(request, "param", False))) as made:
        yield made


@pytest.mark.skipif(sys.platform != "linux", reason="Linux's schedulers")
def test_a_person_without_rights_gets_a_short_slice_and_nothing_else() -> None:
    prefix = without_rights()
    word, own, other, *slices = granted(*prefix)
    version = tuple(int(part) for part in re.findall(r"\d+", platform.release())[:2])
    shortens = version >= (6, 12) and platform.machine() in ("x86_64", "aarch64", "riscv64")
    assert word == ("short slice" if shortens else "none")
    plain = {str(os.SCHED_OTHER), str(os.SCHED_OTHER | os.SCHED_RESET_ON_FORK)}
    assert {own, other} <= plain
    assert not (shortens and slices) or slices == ["100000"]


def test_the_desktop_gives_what_the_person_has_no_right_to(kit: Kit) -> None:
    if os.geteuid() != 0:
        pytest.skip("only root may stand in for the desktop's service")
    word, own, other, *_ = granted(*without_rights(), bus=kit.address)
    turns = str(os.SCHED_RR | os.SCHED_RESET_ON_FORK)
    assert (word, own, other) == ("real-time by the desktop", turns, turns)
    assert [priority for _, priority in kit.asked] == [3, 2]  # no more than the service allows


@pytest.mark.parametrize("how", ["run on", "relax"])
def test_who_runs_on_is_put_back_and_not_ended_and_so_is_who_is_done(kit: Kit, how: str) -> None:
    if os.geteuid() != 0:
        pytest.skip("only root may stand in for the desktop's service")
    word, own, other, *_ = granted(*without_rights(), arguments=[how], bus=kit.address)
    back = str(os.SCHED_OTHER | os.SCHED_RESET_ON_FORK)
    assert (word, own, other) == ("real-time by the desktop", back, back)


@pytest.mark.parametrize("kit", [True], indirect=True)
def test_a_desktop_that_refuses_leaves_the_next_way_open(kit: Kit) -> None:
    assert granted(*without_rights(), bus=kit.address)[0] in ("short slice", "none")


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


@pytest.mark.skipif(sys.platform != "linux", reason="Linux's schedulers")
def test_who_asks_whether_a_thread_may_come_first_is_told_and_left_as_it_was() -> None:
    assert granted(*without_rights(), arguments=["may"]) == ["False", "True"]
    assert granted(arguments=["may"]) == [str(granted()[0] == "real-time"), "True"]


def test_the_desktop_s_service_is_hope_enough(kit: Kit) -> None:
    assert granted(*without_rights(), arguments=["may"], bus=kit.address) == ["True", "True"]
