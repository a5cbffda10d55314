"""Windows.

Sources: Microsoft's documentation of the console (console handlers, console modes, `_kbhit` and `_getwch` of the C
run-time library), of processes (process creation flags, SetThreadExecutionState), of the multimedia class scheduler
(AvSetMmThreadCharacteristics) and timers (timeBeginPeriod, GetTickCount64), of MIDI (MIDIINCAPS) and of file mappings,
and Python's own notes on Windows (`os`, `mmap`, `msvcrt`, "Using Python on Windows"). Handles are pointers: on 64-bit
Windows they do not fit what ctypes takes results for, so each function's types are given.
"""

from __future__ import annotations

import contextlib
import ctypes
import errno
import importlib
import mmap
import os
import re
import secrets
import signal
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from time import perf_counter_ns
from typing import Any, cast

from trainer.system.posix import signals_noted
from trainer.system.soundfonts import soundfonts_in

__all__ = ["Windows", "WindowsKeyboard"]

# Windows knows a port by its place in a list; the MIDI library writes that number behind the name to tell two apart.
# (RtMidi's WinMM back end; midiInGetNumDevs and midiInGetDevCaps in Microsoft's multimedia reference.)
_NUMBER = re.compile(r"\s+\d+$")
# The second device of a kind, or the same one in another socket, is listed as "2- Name".
_COPY = re.compile(r"^\d+- ")

_POLL_S = 0.001
_STDOUT, _VIRTUAL_TERMINAL = -11, 0x0004
_NEW_GROUP, _NO_WINDOW = 0x0000_0200, 0x0800_0000  # process creation flags
_BELOW_NORMAL = 0x0000_4000
_CLOSE, _LOGOFF, _SHUTDOWN = 2, 5, 6  # console control events
_WAITS_S = 4.5  # a closing console waits five seconds for its handlers, then ends the program
_SYSTEM_REQUIRED, _DISPLAY_REQUIRED, _CONTINUOUS = 0x1, 0x2, 0x8000_0000
_TIME_CRITICAL = 15
_TIMER_MS = 1
_REPLACE_S = 0.5  # virus scanners let go of a new file in less, our choice


class WindowsKeyboard:
    """`console`: `msvcrt`. No pipe can be waited for beside a console, so keys are asked for every millisecond and how
    late they are seen is not measured.
    """

    def __init__(self, console: Any) -> None:
        self.late_ns: list[int] = []
        self._console = console
        self._stop = threading.Event()

    def take(self) -> None: ...

    def give_back(self) -> None: ...

    def wait(self) -> tuple[int, bytes] | None:
        while not self._stop.is_set():
            if self._console.kbhit():
                now_ns = perf_counter_ns()
                char = self._key()
                if char:
                    return now_ns, char.encode("utf-8", "ignore")
            else:
                time.sleep(_POLL_S)
        return None

    def poll(self) -> str:
        return self._key() if self._console.kbhit() else ""

    def _key(self) -> str:
        """A key: a character, arrows and page keys as other terminals send them, "" for other function keys.

        Those come as two characters, the first of which is also an à.
        """
        char = str(self._console.getwch())
        if char == "\x00" or (char == "\xe0" and self._console.kbhit()):
            return _SEQUENCES.get(str(self._console.getwch()), "")
        return char

    def close(self) -> None:
        self._stop.set()


# The second character of arrows and page keys (documentation of `_getwch`), as the escape sequence elsewhere.
_SEQUENCES = {"H": "\x1b[A", "P": "\x1b[B", "M": "\x1b[C", "K": "\x1b[D", "I": "\x1b[5~", "Q": "\x1b[6~"}


class Windows:
    """`library` loads a system library by its name; `console` is `msvcrt`."""

    name = "Windows"
    redirected_encoding: str | None = "utf-8"
    removes_open_files = False
    # MIDIINCAPS.szPname holds 32 characters, the last of which is its end (mmeapi.h, MAXPNAMELEN).
    port_name_limit: int | None = 31
    # WASAPI is what the others are built on since Windows Vista, and the only one of them without their extra buffers
    # (Microsoft, "About WASAPI"). Each lists every card again.
    audio_interfaces: tuple[str, ...] = ("Windows WASAPI", "Windows WDM-KS", "Windows DirectSound", "MME")

    def __init__(self, library: Callable[[str], Any] | None = None, console: Any = None) -> None:
        self._library: Callable[[str], Any] = library or (lambda name: cast(Any, ctypes).WinDLL(name))
        self._own_console = console
        self._granted: Any = None
        self._timer = False

    @property
    def _console(self) -> Any:
        return self._own_console or importlib.import_module("msvcrt")

    def keyboard(self) -> WindowsKeyboard:
        return WindowsKeyboard(self._console)

    def obey_escapes(self) -> None:
        """A console obeys them only for programs that ask for it."""
        kernel = self._library("kernel32")
        kernel.GetStdHandle.restype = ctypes.c_void_p
        output = ctypes.c_void_p(kernel.GetStdHandle(_STDOUT))
        mode = ctypes.c_uint32()
        if kernel.GetConsoleMode(output, ctypes.byref(mode)):  # it is a console
            kernel.SetConsoleMode(output, mode.value | _VIRTUAL_TERMINAL)

    def is_broken_pipe(self, error: OSError) -> bool:
        return isinstance(error, BrokenPipeError) or error.errno == errno.EINVAL

    def port_forms(self, name: str) -> tuple[str, ...]:
        unnumbered = _NUMBER.sub("", name).strip()
        return (name, unnumbered, _COPY.sub("", unnumbered))

    def port_as_watched(self, name: str) -> str:
        return _NUMBER.sub("", name)

    def keep_ports_listed(self, first_client: Callable[[], Any]) -> None: ...

    def apart(self) -> dict[str, Any]:
        """A console of its own that is never shown: events of the one that we share would end it with us. (Without any
        console, what a virtual environment starts in its turn would open a window.)
        """
        return {"creationflags": _NEW_GROUP | _NO_WINDOW}

    def n_processors(self) -> int:
        return os.cpu_count() or 1

    def keep_to(self, processor: int) -> None:
        pass

    def stand_back(self) -> None:
        with contextlib.suppress(OSError, AttributeError):
            kernel = self._library("kernel32")
            kernel.GetCurrentProcess.restype = ctypes.c_void_p
            kernel.SetPriorityClass.argtypes = (ctypes.c_void_p, ctypes.c_uint32)
            kernel.SetPriorityClass(kernel.GetCurrentProcess(), _BELOW_NORMAL)

    @contextlib.contextmanager
    def signals_into(self, note: Callable[[str], None], names: Sequence[str]) -> Iterator[None]:
        """Ctrl-C and Ctrl-Break are signals; a console that closes, log-off and shutdown call a handler in a thread of
        its own, and when it returns the program is over: so it waits until the program has put its things away.
        """
        left = threading.Event()
        told = {number: name for name in names if (number := getattr(signal, name, None)) is not None}
        if "SIGTERM" in names and hasattr(signal, "SIGBREAK"):
            told[signal.SIGBREAK] = "SIGTERM"

        def handler(event: int) -> bool:
            if event not in (_CLOSE, _LOGOFF, _SHUTDOWN):
                return False
            note("SIGHUP")
            left.wait(_WAITS_S)
            return True

        kind = getattr(ctypes, "WINFUNCTYPE", ctypes.CFUNCTYPE)(ctypes.c_int, ctypes.c_uint32)
        called = kind(handler)
        kernel = self._library("kernel32")
        kernel.SetConsoleCtrlHandler.argtypes = (kind, ctypes.c_int)
        if "SIGHUP" in names:
            kernel.SetConsoleCtrlHandler(called, 1)
        try:
            with signals_noted(lambda number: note(told[number]), [signal.Signals(number).name for number in told]):
                yield
        finally:
            left.set()
            if "SIGHUP" in names:
                kernel.SetConsoleCtrlHandler(called, 0)

    def suspend(self) -> None: ...

    def make_shared(self, n_bytes: int) -> tuple[str, mmap.mmap]:
        """A named mapping of the paging file: no file could be removed while it is mapped, and this goes by itself with
        the last who has it.
        """
        address = f"Local\\trainer-ring-{secrets.token_hex(16)}"
        return address, self.open_shared(address, n_bytes)

    def open_shared(self, address: str, n_bytes: int) -> mmap.mmap:
        return cast(mmap.mmap, cast(Any, mmap.mmap)(-1, n_bytes, tagname=address))

    def forget_shared(self, address: str) -> None: ...

    def replace(self, source: str | os.PathLike[str], target: str | os.PathLike[str]) -> None:
        until_s = time.monotonic() + _REPLACE_S
        while True:
            try:
                os.replace(source, target)
                return
            except PermissionError:
                if not Path(target).is_file():
                    raise
                if time.monotonic() >= until_s:
                    told = "another program has it open; close it there"
                    raise PermissionError(errno.EACCES, told, str(target)) from None
            time.sleep(0.02)

    def lock(self, fd: int) -> bool:
        """A byte far beyond the end, so that readers are not kept out."""
        try:
            os.lseek(fd, 2**31 - 2, os.SEEK_SET)
            self._console.locking(fd, self._console.LK_NBLCK, 1)
        except OSError:
            return False
        return True

    def soundfonts(self) -> list[Path]:
        """Windows keeps none: where FluidSynth looks for its default (its manual, `synth.default-soundfont`), the
        folder for what all users share, and the person's own."""
        shared = Path(os.environ.get("PROGRAMDATA", r"C:\ProgramData"))
        return soundfonts_in([Path(r"C:\soundfonts"), shared / "soundfonts", Path.home() / "Music" / "soundfonts"])

    def as_others_see(self, folder: Path) -> Path:
        """Python of the Microsoft Store has what it writes into the user's data folders put elsewhere."""
        return Path(os.path.realpath(folder))

    def pasted(self, path: Path) -> str:
        """Command Prompt and PowerShell both take double quotes; a PowerShell name that begins with one is no command,
        but a path is never the first word here.
        """
        text = str(path)
        return text if re.fullmatch(r"[\w:\\/.~+-]+", text) else f'"{text}"'

    def boot_ns(self) -> int:
        kernel = self._library("kernel32")
        kernel.GetTickCount64.restype = ctypes.c_uint64
        return int(kernel.GetTickCount64()) * 1_000_000

    def may_hurry(self) -> bool:
        return True

    def hurry(self, *, behind: bool = False) -> str:
        """ "pro audio" (the multimedia scheduler's class of that name), "priority" (the highest of the process's class)
        or "none"; and timers to the millisecond.
        """
        granted = "none"
        with contextlib.suppress(OSError, AttributeError):
            self._timer = self._library("winmm").timeBeginPeriod(_TIMER_MS) == 0
        with contextlib.suppress(OSError, AttributeError):
            scheduler = self._library("avrt")
            scheduler.AvSetMmThreadCharacteristicsW.argtypes = (ctypes.c_wchar_p, ctypes.POINTER(ctypes.c_uint32))
            scheduler.AvSetMmThreadCharacteristicsW.restype = ctypes.c_void_p
            task = ctypes.c_uint32(0)
            self._granted = scheduler.AvSetMmThreadCharacteristicsW("Pro Audio", ctypes.byref(task))
            granted = "pro audio" if self._granted else "none"
        if granted == "none":
            with contextlib.suppress(OSError, AttributeError):
                kernel = self._library("kernel32")
                kernel.GetCurrentThread.restype = ctypes.c_void_p
                kernel.SetThreadPriority.argtypes = (ctypes.c_void_p, ctypes.c_int)
                if kernel.SetThreadPriority(kernel.GetCurrentThread(), _TIME_CRITICAL):
                    granted = "priority"
        return f"{granted}, {_TIMER_MS} ms timers" if self._timer else granted

    def relax(self) -> None:
        with contextlib.suppress(OSError, AttributeError):
            if self._granted:
                scheduler = self._library("avrt")
                scheduler.AvRevertMmThreadCharacteristics.argtypes = (ctypes.c_void_p,)
                scheduler.AvRevertMmThreadCharacteristics(self._granted)
            self._granted = None
        with contextlib.suppress(OSError, AttributeError):
            if self._timer:
                self._library("winmm").timeEndPeriod(_TIMER_MS)
            self._timer = False

    @contextlib.contextmanager
    def awake(self) -> Iterator[str]:
        kernel = self._library("kernel32")
        kernel.SetThreadExecutionState.argtypes = (ctypes.c_uint32,)
        kernel.SetThreadExecutionState.restype = ctypes.c_uint32
        held = kernel.SetThreadExecutionState(_CONTINUOUS | _SYSTEM_REQUIRED | _DISPLAY_REQUIRED)
        try:
            yield "execution state" if held else "refused by the system"
        finally:
            kernel.SetThreadExecutionState(_CONTINUOUS)
