"""Asking the system to let the engine's threads run on time, by what it gives to a program of an ordinary user.

    Linux    real-time scheduling, where the person has the right to it (`ulimit -r`; sched(7)). Refused, from Linux
             6.12 on: a short slice (sched_setattr(2)), by which a thread that wants little at a time is let in sooner
    Windows  the loop's thread at the highest priority of its class (SetThreadPriority): open to everyone
    macOS    the loop's thread in the class of what a person waits for (pthread_set_qos_class_self_np): open to everyone

Whatever is refused is done without. Spinning longer before a deadline does not help where the processor is shared: it
uses up what the system would have given the thread when it matters (`tests/bench/bench_wake.py`).
"""

from __future__ import annotations

import contextlib
import ctypes
import os
import platform
import struct
import sys
import threading

__all__ = ["hurry"]

SLICE_NS = 100_000  # the shortest that Linux takes
_SCHED_ATTR = struct.Struct("IIQiIQQQ")  # size, policy, flags, nice, priority, runtime, deadline, period
_RESET_ON_FORK = 1
_CALLS = {"x86_64": (314, 315), "aarch64": (274, 275), "riscv64": (274, 275)}  # sched_setattr, sched_getattr
_TIME_CRITICAL = 15  # Windows, processthreadsapi.h
_USER_INTERACTIVE = 0x21  # macOS, sys/qos.h


def hurry() -> str:
    """Call it in the loop's own thread, when the others have been started. What was granted: "real-time", "short
    slice", "priority" or "none".

    The other threads come before other programs too, if behind this one: whichever of them holds the interpreter
    when another program wants the processor would keep this one waiting.
    """
    with contextlib.suppress(OSError, ValueError, AttributeError):
        if sys.platform == "win32":
            return _windows()
        if sys.platform == "darwin":
            return "priority" if ctypes.CDLL(None).pthread_set_qos_class_self_np(_USER_INTERACTIVE, 0) == 0 else "none"
        if sys.platform == "linux":
            return "real-time" if _real_time() else "short slice" if _short_slices() else "none"
    return "none"


def _threads() -> list[int]:
    """Native ids of this process's threads that Python knows of, the caller's first."""
    ids = [thread.native_id for thread in threading.enumerate() if thread.native_id is not None]
    return sorted(ids, key=lambda thread_id: thread_id != threading.get_native_id())


def _real_time() -> bool:
    if not hasattr(os, "sched_setscheduler"):
        return False
    policy = os.SCHED_RR | os.SCHED_RESET_ON_FORK
    for i, thread_id in enumerate(_threads()):
        try:
            os.sched_setscheduler(thread_id, policy, os.sched_param(5 if i == 0 else 2))
        except (OSError, ValueError):
            if i == 0:
                return False
    return True


def _short_slices() -> bool:
    calls = _CALLS.get(platform.machine())
    if calls is None or struct.calcsize("P") != 8:  # the machine's numbers are not those of a 32-bit Python on it
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


def _windows() -> str:
    kernel = ctypes.CDLL("kernel32")
    kernel.GetCurrentThread.restype = ctypes.c_void_p
    kernel.SetThreadPriority.argtypes = (ctypes.c_void_p, ctypes.c_int)
    return "priority" if kernel.SetThreadPriority(kernel.GetCurrentThread(), _TIME_CRITICAL) else "none"
