"""Linux, and systems like it.

Being on time: real-time scheduling, where the person has the right to it (`ulimit -r`; sched(7)), else as the desktop
grants it (RealtimeKit over the system's D-Bus: freedesktop.org, org.freedesktop.RealtimeKit1, from its own description
of the interface). It asks for a limit on the processor time that a real-time thread may take without a pause; whoever
reaches it is ended by the kernel, so halfway there the threads are put back among the others. Refused, from Linux 6.12
on: a short slice (sched_setattr(2)), by which a thread that wants little at a time is let in sooner. Spinning
longer before a deadline does not help where the processor is shared: it uses up what the system would have given the
thread when it matters (`tests/bench/bench_wake.py`).

The display: the desktop's own inhibition over the session's D-Bus (freedesktop.org, Idle Inhibition Service,
org.freedesktop.ScreenSaver), which ends with the connection that asked, however that ends.
"""

from __future__ import annotations

import contextlib
import ctypes
import os
import platform
import re
import signal
import struct
import sys
import threading
import time
from collections.abc import Callable, Iterator
from typing import Any, cast

from trainer.system.posix import Posix

__all__ = ["Linux"]

SLICE_NS = 100_000  # the shortest that Linux takes
_SCHED_ATTR = struct.Struct("IIQiIQQQ")  # size, policy, flags, nice, priority, runtime, deadline, period
_RESET_ON_FORK = 1
_CALLS = {"x86_64": (314, 315), "aarch64": (274, 275), "riscv64": (274, 275)}  # sched_setattr, sched_getattr
_OWN_PRIORITY, _OTHERS_PRIORITY = 5, 2  # above a person's other real-time programs' least, below sound servers
_ANSWER_S = 0.5  # how long the desktop may take to answer, our choice

# The numbers that ALSA puts behind a name (client:port, seq(7)); they change when a cable is plugged in again.
_ALSA_NUMBERS = re.compile(r"\s+\d+:\d+$")


class Linux(Posix):
    name = "Linux"
    shared_folders = ("/dev/shm", None)
    # Where distributions put them (Debian, Fedora and Arch, each its own), and a person's own (XDG Base Directory).
    soundfont_folders = (
        "~/.local/share/sounds/sf2",
        "~/.local/share/soundfonts",
        "/usr/local/share/sounds/sf2",
        "/usr/local/share/soundfonts",
        "/usr/share/sounds/sf2",
        "/usr/share/soundfonts",
        "/usr/share/sounds/sf3",
    )

    def __init__(self) -> None:
        self._granted: list[int] = []  # threads that the desktop gave real-time scheduling

    def port_forms(self, name: str) -> tuple[str, ...]:
        return (name, _ALSA_NUMBERS.sub("", name).strip())

    def boot_ns(self) -> int:
        clock_id = getattr(time, "CLOCK_BOOTTIME", None)
        return int(cast(Any, time).clock_gettime_ns(clock_id)) if clock_id is not None else time.time_ns()

    def hurry(self, *, behind: bool = False) -> str:
        """ "real-time", "real-time by the desktop", "short slice" or "none".

        The other threads come before other programs too, if behind this one: whichever of them holds the interpreter
        when another program wants the processor would keep this one waiting. `behind`: no thread comes first, since two
        of one priority are not taken from the processor for each other.
        """
        own_priority = _OTHERS_PRIORITY if behind else _OWN_PRIORITY
        with contextlib.suppress(OSError, ValueError, AttributeError):
            if _real_time(own_priority):
                return "real-time"
            self._granted = _by_realtime_kit(own_priority)
            if self._granted:
                return "real-time by the desktop"
            return "short slice" if _short_slices() else "none"
        return "none"

    def may_hurry(self) -> bool:
        if sys.platform != "linux":
            return True
        policy = os.SCHED_RESET_ON_FORK  # without it the kernel would take the way back for an attempt to shed it
        with contextlib.suppress(OSError):
            os.sched_setscheduler(0, os.SCHED_RR | policy, os.sched_param(_OTHERS_PRIORITY))
            os.sched_setscheduler(0, os.SCHED_OTHER | policy, os.sched_param(0))
            return True
        return _realtime_kit_answers()

    def relax(self) -> None:
        """What is the person's own right ends with the process; the desktop's has a limit that later work may reach."""
        _stand_back(self._granted)
        self._granted = []

    @contextlib.contextmanager
    def awake(self) -> Iterator[str]:
        if not os.environ.get("DBUS_SESSION_BUS_ADDRESS"):
            yield "no desktop"
            return
        with contextlib.ExitStack() as until_left:
            try:
                from jeepney import DBusAddress, MessageType, new_method_call
                from jeepney.io.blocking import open_dbus_connection

                bus = until_left.enter_context(open_dbus_connection(bus="SESSION"))
                keeper = DBusAddress("/org/freedesktop/ScreenSaver", *["org.freedesktop.ScreenSaver"] * 2)
                asked = new_method_call(keeper, "Inhibit", "ss", ("trainer", "a song is being played"))
                answer = bus.send_and_get_reply(asked, timeout=_ANSWER_S)
                told = (
                    "desktop" if answer.header.message_type is MessageType.method_return else "refused by the desktop"
                )
            except Exception as error:  # no bus, no answer, an answer that is no answer: the song is what counts
                told = f"not held: {type(error).__name__}"
            yield told


def _threads() -> list[int]:
    """Native ids of this process's threads that Python knows of, the caller's first."""
    ids = [thread.native_id for thread in threading.enumerate() if thread.native_id is not None]
    return sorted(ids, key=lambda thread_id: thread_id != threading.get_native_id())


def _all_get(ask: Callable[[int, int], Any], own_priority: int) -> list[int]:
    """Ask for a priority for each thread, the caller's own first with its own; who got it, none if that one did not."""
    granted: list[int] = []
    for thread_id in _threads():
        try:
            ask(thread_id, _OTHERS_PRIORITY if granted else own_priority)
            granted.append(thread_id)
        except Exception:  # of system calls and of D-Bus
            if not granted:
                return []
    return granted


def _real_time(own_priority: int) -> bool:
    if sys.platform != "linux":
        return False
    policy = os.SCHED_RR | os.SCHED_RESET_ON_FORK
    return bool(
        _all_get(lambda thread, priority: os.sched_setscheduler(thread, policy, os.sched_param(priority)), own_priority)
    )


def _realtime_kit_answers() -> bool:
    try:
        from jeepney import DBusAddress, Properties
        from jeepney.io.blocking import open_dbus_connection
        from jeepney.wrappers import unwrap_msg

        kit = DBusAddress("/org/freedesktop/RealtimeKit1", *["org.freedesktop.RealtimeKit1"] * 2)
        with open_dbus_connection(bus="SYSTEM") as bus:
            asked = Properties(kit).get("MaxRealtimePriority")
            return bool(unwrap_msg(bus.send_and_get_reply(asked, timeout=_ANSWER_S))[0][1] > 0)
    except Exception:  # as below
        return False


def _by_realtime_kit(own_priority: int) -> list[int]:
    """The threads that got it."""
    if sys.platform != "linux":
        return []
    try:
        import resource

        from jeepney import DBusAddress, Properties, new_method_call
        from jeepney.io.blocking import open_dbus_connection
        from jeepney.wrappers import unwrap_msg

        kit = DBusAddress("/org/freedesktop/RealtimeKit1", *["org.freedesktop.RealtimeKit1"] * 2)
        with open_dbus_connection(bus="SYSTEM") as bus:

            def answer(message: Any) -> Any:
                return unwrap_msg(bus.send_and_get_reply(message, timeout=_ANSWER_S))

            longest_us, most = (
                answer(Properties(kit).get(name))[0][1] for name in ("RTTimeUSecMax", "MaxRealtimePriority")
            )
            granted: list[int] = []

            def ran_on(number: int, frame: object) -> None:
                _stand_back(granted)
                _short_slices()

            signal.signal(signal.SIGXCPU, ran_on)
            resource.setrlimit(resource.RLIMIT_RTTIME, (longest_us // 2, longest_us))

            def ask(thread_id: int, priority: int) -> None:
                answer(new_method_call(kit, "MakeThreadRealtime", "tu", (thread_id, min(priority, most))))

            granted += _all_get(ask, own_priority)
            return granted
    except Exception:  # no bus, no such service, an answer that is no answer: the next way is tried
        return []


def _stand_back(threads: list[int]) -> None:
    """Put real-time threads back among the others."""
    if sys.platform != "linux":
        return
    for thread_id in threads:
        with contextlib.suppress(OSError):
            # Without the flag the kernel takes it for an attempt to shed it, and refuses.
            os.sched_setscheduler(thread_id, os.SCHED_OTHER | os.SCHED_RESET_ON_FORK, os.sched_param(0))


def _short_slices() -> bool:
    calls = _CALLS.get(platform.machine())
    # The machine's numbers are not those of a 32-bit Python on it.
    if sys.platform != "linux" or calls is None or struct.calcsize("P") != 8:
        return False
    syscall = ctypes.CDLL(None, use_errno=True).syscall
    attr = _SCHED_ATTR.pack(_SCHED_ATTR.size, 0, _RESET_ON_FORK, os.getpriority(os.PRIO_PROCESS, 0), 0, SLICE_NS, 0, 0)
    # The drivers' threads too, which Python does not know of: they hold the interpreter in their callbacks. A driver
    # that has got itself real-time scheduling keeps it.
    for thread_id in map(int, os.listdir("/proc/self/task")):
        with contextlib.suppress(OSError):
            if os.sched_getscheduler(thread_id) & ~os.SCHED_RESET_ON_FORK == os.SCHED_OTHER:
                syscall(calls[0], thread_id, attr, 0)
    back = ctypes.create_string_buffer(_SCHED_ATTR.size)
    if syscall(calls[1], threading.get_native_id(), back, _SCHED_ATTR.size, 0) != 0:
        return False
    return bool(_SCHED_ATTR.unpack(back.raw)[5] == SLICE_NS)  # older kernels take the call and leave it at that
