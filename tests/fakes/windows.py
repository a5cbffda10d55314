"""A stand-in for what Windows brings: its console (`msvcrt`) and the functions of its libraries that are used.

Follows Microsoft's documentation: `_kbhit`, `_getwch` (an arrow or function key is read as two characters, the first 0
or 0xE0), `_locking`; SetConsoleCtrlHandler and HandlerRoutine (handlers are called in a thread of the system's, last
one first, until one returns TRUE; for a close, log-off or shutdown event the process ends when that one returns, or
five seconds later); SetThreadExecutionState (per thread; 0 on failure); AvSetMmThreadCharacteristicsW (a handle, or 0);
timeBeginPeriod and timeEndPeriod (must match); Get- and SetConsoleMode; GetTickCount64 (milliseconds, also asleep).
Handles are 64 bits wide here, as there: whoever takes them for a C int loses their upper half and is refused.
"""

from __future__ import annotations

import ctypes
import errno
import threading
from collections import deque
from typing import Any

HIGH_HANDLE = 0x7FF6_0000_1234  # does not fit a C int


class Function:
    """A function of a library, with the types that ctypes would hold results and arguments to."""

    def __init__(self, call: Any) -> None:
        self._call = call
        self.restype: Any = ctypes.c_int
        self.argtypes: Any = None

    def __call__(self, *arguments: Any) -> Any:
        if self.argtypes is not None:
            assert len(arguments) == len(self.argtypes)
        elif any(isinstance(a, int) and not -(2**31) <= a < 2**32 for a in arguments):
            raise ctypes.ArgumentError("int too long to convert")
        result = self._call(*arguments)
        if self.restype is ctypes.c_int and isinstance(result, int):
            return ctypes.c_int(result).value
        return result


class Console:
    """`msvcrt`, with keys that are typed ahead by `press`."""

    LK_NBLCK = 2

    def __init__(self) -> None:
        self.typed: deque[str] = deque()
        self.locked: set[int] = set()

    def press(self, *keys: str) -> None:
        """Each a character, or two for a key that is none."""
        for key in keys:
            self.typed.extend(key)

    def kbhit(self) -> int:
        return int(bool(self.typed))

    def getwch(self) -> str:
        return self.typed.popleft() if self.typed else self._hang()

    @staticmethod
    def _hang() -> str:
        raise AssertionError("a real console would wait here for a key, for ever")

    def locking(self, fd: int, mode: int, n_bytes: int) -> None:
        if fd in self.locked:
            raise OSError(errno.EACCES, "Permission denied")
        self.locked.add(fd)


class Libraries:
    """Called with a library's name as `ctypes.WinDLL` is. What was asked of the system stands in the attributes."""

    def __init__(self, *, pro_audio: bool = True, console_mode: int | None = 3) -> None:
        self.pro_audio = pro_audio
        self.console_mode = console_mode
        self.handlers: list[Any] = []
        self.execution_states: list[tuple[int, int]] = []  # (thread, flags)
        self.timers: list[int] = []
        self.classes: list[str] = []
        self.priorities: list[int] = []
        self.priority_class = 0x20
        self.ticks_ms = 5_000
        kernel = {
            "GetStdHandle": lambda which: {-11: HIGH_HANDLE}[which],
            "GetConsoleMode": self._get_mode,
            "SetConsoleMode": self._set_mode,
            "SetConsoleCtrlHandler": self._handler,
            "GetCurrentProcess": lambda: -1,
            "GetCurrentThread": lambda: -2,
            "SetThreadPriority": lambda thread, level: self.priorities.append(level) or 1,
            "SetPriorityClass": self._set_class,
            "SetThreadExecutionState": self._execution_state,
            "GetTickCount64": lambda: self.ticks_ms,
        }
        avrt = {"AvSetMmThreadCharacteristicsW": self._pro_audio, "AvRevertMmThreadCharacteristics": self._revert}
        winmm = {
            "timeBeginPeriod": lambda ms: self.timers.append(ms) or 0,
            "timeEndPeriod": lambda ms: self.timers.remove(ms) or 0,
        }
        self._libraries = {
            name: type(name, (), {key: Function(call) for key, call in calls.items()})()
            for name, calls in {"kernel32": kernel, "avrt": avrt, "winmm": winmm}.items()
        }

    def __call__(self, name: str) -> Any:
        return self._libraries[name]

    def _get_mode(self, handle: Any, out: Any) -> int:
        assert getattr(handle, "value", handle) == HIGH_HANDLE
        if self.console_mode is not None:
            out._obj.value = self.console_mode
        return int(self.console_mode is not None)

    def _set_mode(self, handle: Any, mode: int) -> int:
        assert getattr(handle, "value", handle) == HIGH_HANDLE and self.console_mode is not None
        self.console_mode = mode
        return 1

    def _handler(self, handler: Any, add: int) -> int:
        self.handlers.append(handler) if add else self.handlers.remove(handler)
        return 1

    def send(self, event: int) -> threading.Thread:
        """A console event, in a thread of the system's; when the thread has ended the process would."""

        def run() -> None:
            for handler in reversed(self.handlers):
                if handler(event):
                    return

        thread = threading.Thread(target=run, daemon=True)
        thread.start()
        return thread

    def _set_class(self, process: int, level: int) -> int:
        assert process == -1
        self.priority_class = level
        return 1

    def _execution_state(self, flags: int) -> int:
        self.execution_states.append((threading.get_ident(), flags))
        return 0x8000_0000

    def _pro_audio(self, task: str, index: Any) -> int:
        self.classes.append(task)
        return HIGH_HANDLE if self.pro_audio else 0

    def _revert(self, handle: int) -> int:
        assert handle == HIGH_HANDLE
        self.classes.pop()
        return 1
