"""A stand-in for what macOS brings: Core Foundation's run loop, Core MIDI's habit with it, and Mach's thread policies.

Follows Apple's headers: MIDIServices.h (MIDIClientCreate: the process is told of changes, and its lists change, in the
run loop of the thread that made the first client), CFRunLoop.h (CFRunLoopRunInMode; "finished" with nothing to run),
mach/thread_policy.h and Technical Note TN2169 (thread_policy_set, ticks of mach_timebase_info).
"""

from __future__ import annotations

import ctypes
import threading
import time
from typing import Any

from tests.fakes.windows import Function

FINISHED, TIMED_OUT = 1, 3
HIGH_POINTER = 0x1_0000_8000  # does not fit a C int


class CoreMidi:
    """A MIDI binding whose list is brought up to date only where Core MIDI does it."""

    def __init__(self, *names: str) -> None:
        self.plugged = list(names)
        self._told = list(names)
        self.home: int | None = None  # the thread of the first client

    def run_loop_runs(self) -> None:
        if threading.get_ident() == self.home:
            self._told = list(self.plugged)

    def systems(self) -> list[tuple[str, int]]:
        return [("CoreMIDI", 1)]

    def new_in(self, system: int) -> Any:
        self.home = self.home or threading.get_ident()
        return object()

    new_out = new_in

    def names(self, handle: Any) -> list[str]:
        return list(self._told)

    def listen(self, handle: Any, sink: Any) -> None: ...

    def open(self, handle: Any, index: int, label: str) -> None: ...

    def sender(self, handle: Any) -> Any:
        return lambda data: None

    def close(self, handle: Any) -> None: ...


class Libraries:
    """Called with a library's path as `ctypes.CDLL` is; None is the process itself."""

    def __init__(self, midi: CoreMidi | None = None, *, grants: bool = True, timebase: tuple[int, int] = (125, 3)):
        self.midi, self.grants, self.timebase = midi, grants, timebase
        self.policies: list[tuple[int, tuple[int, ...]]] = []
        self.run = Function(self._run)
        process = {
            "mach_timebase_info": self._timebase,
            "pthread_self": lambda: HIGH_POINTER,
            "pthread_mach_thread_np": lambda thread: {HIGH_POINTER: 771}[thread],
            "thread_policy_set": self._policy,
            "pthread_set_qos_class_self_np": lambda kind, relative: 0 if kind == 0x21 else 22,
        }
        self._process = type("Process", (), {name: Function(call) for name, call in process.items()})()

    def __call__(self, path: str | None) -> Any:
        if path is None:
            return self._process
        assert path.endswith("CoreFoundation")
        return type("Foundation", (), {"CFRunLoopRunInMode": self.run})()

    def _run(self, mode: Any, seconds: float, once: bool) -> int:
        if self.midi is None or threading.get_ident() != self.midi.home:
            return FINISHED
        time.sleep(seconds)
        self.midi.run_loop_runs()
        return TIMED_OUT

    def _timebase(self, out: Any) -> int:
        out._obj.numer, out._obj.denom = self.timebase
        return 0

    def _policy(self, thread: int, flavor: int, policy: Any, n_words: int) -> int:
        assert thread == 771
        fields = policy._obj
        words = (fields.period, fields.computation, fields.constraint, fields.preemptible)[:n_words]
        self.policies.append((flavor, words))
        return 0 if self.grants else 4


class Symbol:
    """`ctypes.c_void_p` as it finds a library's constant."""

    @staticmethod
    def in_dll(library: Any, name: str) -> ctypes.c_void_p:
        assert name == "kCFRunLoopDefaultMode"
        return ctypes.c_void_p(HIGH_POINTER)
