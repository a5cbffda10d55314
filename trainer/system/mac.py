"""macOS."""

from __future__ import annotations

import contextlib
import ctypes
import os
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from typing import Any

from trainer.system.posix import Posix

__all__ = ["Mac"]

_CORE_FOUNDATION = "/System/Library/Frameworks/CoreFoundation.framework/CoreFoundation"
_RUN_LOOP_FINISHED = 1  # CFRunLoop.h, kCFRunLoopRunFinished: nothing to run as yet
_RUN_S = 0.25
_STANDARD, _TIME_CONSTRAINT = 1, 2  # mach/thread_policy.h
_USER_INTERACTIVE = 0x21  # sys/qos.h
PERIOD_NS, COMPUTATION_NS = 2_000_000, 500_000  # the loop looks round every 2 ms and spins for 0.2 of them


class _Timebase(ctypes.Structure):
    _fields_ = (("numer", ctypes.c_uint32), ("denom", ctypes.c_uint32))


class _TimeConstraint(ctypes.Structure):
    """thread_time_constraint_policy, in ticks of mach_absolute_time (Apple, Technical Note TN2169)."""

    _fields_ = (
        ("period", ctypes.c_uint32),
        ("computation", ctypes.c_uint32),
        ("constraint", ctypes.c_uint32),
        ("preemptible", ctypes.c_int),
    )


class Mac(Posix):
    name = "macOS"
    # Where audio units look for sound banks (Apple, File System Programming Guide: Library/Audio/Sounds/Banks), and
    # where the two usual package managers put them.
    soundfont_folders = (
        "~/Library/Audio/Sounds/Banks",
        "/Library/Audio/Sounds/Banks",
        "/opt/homebrew/share/soundfonts",
        "/usr/local/share/soundfonts",
        "/opt/local/share/sounds/sf2",
    )

    def __init__(
        self,
        library: Callable[[str | None], Any] = ctypes.CDLL,
        caffeinate: str = "/usr/bin/caffeinate",
    ) -> None:
        self._library = library
        self._caffeinate = caffeinate

    def port_forms(self, name: str) -> tuple[str, ...]:
        return (name, name.strip())

    def keep_ports_listed(self, first_client: Callable[[], Any]) -> None:
        """CoreMIDI tells of ports that come and go, and brings its lists up to date, in the run loop of the thread that
        made the process's first client (MIDIServices.h, MIDIClientCreate): so a thread that does nothing else makes it.
        """
        made = threading.Event()

        def run() -> None:
            try:
                kept = first_client()
            except Exception:  # no MIDI system: whoever asks for ports is told so
                kept = None
            made.set()
            if kept is None:
                return
            foundation = self._library(_CORE_FOUNDATION)
            run_in_mode = foundation.CFRunLoopRunInMode
            run_in_mode.argtypes = (ctypes.c_void_p, ctypes.c_double, ctypes.c_bool)
            run_in_mode.restype = ctypes.c_int32
            mode = ctypes.c_void_p.in_dll(foundation, "kCFRunLoopDefaultMode")
            while True:
                if run_in_mode(mode, _RUN_S, False) == _RUN_LOOP_FINISHED:
                    time.sleep(_RUN_S)

        threading.Thread(target=run, name="MIDI notices", daemon=True).start()
        made.wait(5.0)

    def boot_ns(self) -> int:
        clock: Any = time
        return int(clock.clock_gettime_ns(clock.CLOCK_MONOTONIC))  # goes on while asleep; the host clock does not

    def may_hurry(self) -> bool:
        return True

    def hurry(self, *, behind: bool = False) -> str:
        """ "time constraint" (the class of audio threads), "priority" (of what a person waits for) or "none"."""
        with contextlib.suppress(OSError, AttributeError):
            libc = self._library(None)
            base = _Timebase()
            libc.mach_timebase_info(ctypes.byref(base))

            def ticks(ns: int) -> int:
                return ns * int(base.denom) // max(1, int(base.numer))

            wanted = _TimeConstraint(ticks(PERIOD_NS), ticks(COMPUTATION_NS), ticks(PERIOD_NS), 1)
            if self._policy(libc, _TIME_CONSTRAINT, wanted, 4) == 0:
                return "time constraint"
            if libc.pthread_set_qos_class_self_np(_USER_INTERACTIVE, 0) == 0:
                return "priority"
        return "none"

    def relax(self) -> None:
        with contextlib.suppress(OSError, AttributeError):
            self._policy(self._library(None), _STANDARD, _TimeConstraint(), 0)

    @staticmethod
    def _policy(libc: Any, flavor: int, policy: _TimeConstraint, n_words: int) -> int:
        libc.pthread_self.restype = ctypes.c_void_p
        libc.pthread_mach_thread_np.argtypes = (ctypes.c_void_p,)
        libc.pthread_mach_thread_np.restype = ctypes.c_uint32
        libc.thread_policy_set.argtypes = (ctypes.c_uint32, ctypes.c_uint32, ctypes.c_void_p, ctypes.c_uint32)
        thread = libc.pthread_mach_thread_np(libc.pthread_self())
        return int(libc.thread_policy_set(thread, flavor, ctypes.byref(policy), n_words))

    @contextlib.contextmanager
    def awake(self) -> Iterator[str]:
        """caffeinate(8): its assertion ends with it, and it with this process."""
        held: subprocess.Popen[bytes] | None = None
        with contextlib.suppress(OSError):
            nobody = subprocess.DEVNULL
            command = [self._caffeinate, "-d", "-i", "-w", str(os.getpid())]
            held = subprocess.Popen(command, stdin=nobody, stdout=nobody, stderr=nobody)
        try:
            yield "not held: no caffeinate" if held is None else "caffeinate"
        finally:
            if held is not None:
                held.terminate()
                held.wait()
