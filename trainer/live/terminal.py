"""The terminal while a session runs: its keys without waiting for Enter, its screen borrowed and given back.

Keys are read by a thread that blocks on them and reads the clock first thing when it wakes. How late that is, with the
screen being drawn in the same interpreter, is measured all the time: a second thread sends a stamped byte down a pipe
that the reader waits on too.
"""

from __future__ import annotations

import contextlib
import os
import queue
import random
import struct
import sys
import threading
import time
from time import perf_counter_ns
from typing import Any, TextIO

__all__ = [
    "KeySource",
    "Screen",
    "is_terminal",
    "obey_escapes",
    "stdin_is_terminal",
    "talk_to_nobody",
    "writes_blocks",
]

_STAMP = struct.Struct("<q")
PROBE_EVERY_S = (0.15, 0.45)
MAX_PROBES = 20_000


def stdin_is_terminal() -> bool:
    """Whether keys can be read one by one."""
    try:
        return sys.stdin is not None and sys.stdin.isatty()
    except ValueError:  # closed
        return False


def obey_escapes() -> None:
    """Have a Windows console obey escape sequences, as it does only for programs that ask for it; other terminals do.

    Source: Microsoft's console documentation, SetConsoleMode, ENABLE_VIRTUAL_TERMINAL_PROCESSING.
    """
    if sys.platform != "win32":
        return
    import ctypes

    kernel = ctypes.WinDLL("kernel32")
    kernel.GetStdHandle.restype = ctypes.c_void_p
    output = ctypes.c_void_p(kernel.GetStdHandle(-11))
    mode = ctypes.c_uint32()
    if kernel.GetConsoleMode(output, ctypes.byref(mode)):  # it is a console
        kernel.SetConsoleMode(output, mode.value | 0x0004)


class KeySource:
    """Reads the terminal's bytes with their moments into `queue`; `with` puts the terminal back as it was."""

    def __init__(self) -> None:
        self.queue: queue.SimpleQueue[tuple[int, bytes]] = queue.SimpleQueue()
        self.late_ns: list[int] = []
        self._stop = threading.Event()
        self._old: Any = None
        self._fd = -1
        self._probe_r = self._probe_w = -1
        self._threads: list[threading.Thread] = []
        self._old_switch_s = sys.getswitchinterval()

    def __enter__(self) -> KeySource:
        if not stdin_is_terminal():
            return self
        sys.setswitchinterval(0.0005)
        self._probe_r, self._probe_w = os.pipe()
        if sys.platform == "win32":
            target = self._read_windows
        else:
            self._fd = sys.stdin.fileno()
            self.take()
            target = self._read_posix
        self._threads = [
            threading.Thread(target=target, name="keys", daemon=True),
            threading.Thread(target=self._probe, name="key probe", daemon=True),
        ]
        for thread in self._threads:
            thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self.give_back()
        if self._probe_w >= 0:
            with contextlib.suppress(OSError):
                os.write(self._probe_w, _STAMP.pack(0))
        for thread in self._threads:  # both, or one could write into whatever gets the pipe's number next
            thread.join(timeout=1.0)
        sys.setswitchinterval(self._old_switch_s)
        for fd in (self._probe_r, self._probe_w):
            if fd >= 0:
                with contextlib.suppress(OSError):
                    os.close(fd)
        self._probe_r = self._probe_w = -1

    def take(self) -> None:
        """Characters one by one, without echo; Ctrl-C and Ctrl-Z still signal."""
        if sys.platform == "win32" or self._fd < 0:
            return
        import termios

        with contextlib.suppress(termios.error):
            if self._old is None:
                self._old = termios.tcgetattr(self._fd)
            mode = termios.tcgetattr(self._fd)
            mode[3] &= ~(termios.ICANON | termios.ECHO)
            mode[6][termios.VMIN], mode[6][termios.VTIME] = 1, 0
            termios.tcsetattr(self._fd, termios.TCSADRAIN, mode)

    def give_back(self) -> None:
        if sys.platform == "win32" or self._old is None:
            return
        import termios

        with contextlib.suppress(termios.error):
            termios.tcflush(self._fd, termios.TCIFLUSH)
            termios.tcsetattr(self._fd, termios.TCSADRAIN, self._old)

    def _read_posix(self) -> None:
        import select

        while not self._stop.is_set():
            try:
                ready, _, _ = select.select([self._fd, self._probe_r], [], [])
                now_ns = perf_counter_ns()
                if self._probe_r in ready:
                    self._took_probe(now_ns)
                if self._fd in ready:
                    data = os.read(self._fd, 256)
                    if not data:
                        return
                    self.queue.put((now_ns, data))
            except (OSError, ValueError):
                return

    def _read_windows(self) -> None:
        import msvcrt

        while not self._stop.is_set():
            if msvcrt.kbhit():  # type: ignore[attr-defined,unused-ignore]
                now_ns = perf_counter_ns()
                char = msvcrt.getwch()  # type: ignore[attr-defined,unused-ignore]
                if char in ("\x00", "\xe0"):
                    msvcrt.getwch()  # type: ignore[attr-defined,unused-ignore]
                    continue
                self.queue.put((now_ns, char.encode("utf-8", "ignore")))
            else:
                time.sleep(0.001)

    def _probe(self) -> None:
        """Now and then, a byte string with its own moment, as if a key had been struck then."""
        rng = random.Random(0)
        while not self._stop.wait(rng.uniform(*PROBE_EVERY_S)):
            with contextlib.suppress(OSError):
                os.write(self._probe_w, _STAMP.pack(perf_counter_ns()))

    def _took_probe(self, now_ns: int) -> None:
        data = os.read(self._probe_r, _STAMP.size)
        if len(data) == _STAMP.size and (sent_ns := _STAMP.unpack(data)[0]) and len(self.late_ns) < MAX_PROBES:
            self.late_ns.append(now_ns - sent_ns)

    def stamp_error_ms(self) -> dict[str, float] | None:
        """How late keys were stamped here: n, median, 99th percentile, largest; None before anything was measured."""
        late = sorted(self.late_ns)
        if not late:
            return None

        def at(share: float) -> float:
            return late[min(len(late) - 1, int(share * len(late)))] * 1e-6

        return {"n": len(late), "p50": round(at(0.5), 4), "p99": round(at(0.99), 4), "max": round(late[-1] * 1e-6, 4)}


class Screen:
    """The terminal's other screen, borrowed; `with` gives it back. Writing to a terminal that is gone sets `gone`."""

    def __init__(self, stream: TextIO | None = None) -> None:
        self._stream = stream or sys.stdout
        self.gone = False
        self._on = False

    @property
    def size(self) -> tuple[int, int]:
        """(columns, rows) now."""
        try:
            columns, rows = os.get_terminal_size(self._stream.fileno())
        except (OSError, ValueError):
            return 80, 24
        return (columns or 80), (rows or 24)

    def __enter__(self) -> Screen:
        self.borrow()
        return self

    def __exit__(self, *_: object) -> None:
        self.give_back()

    def borrow(self) -> None:
        self._on = True
        obey_escapes()
        self.write("\x1b[?1049h\x1b[?25l\x1b[2J")

    def give_back(self) -> None:
        if self._on:
            self._on = False
            self.write("\x1b[0m\x1b[?25h\x1b[?1049l")

    def write(self, text: str) -> None:
        if self.gone or not text:
            return
        try:
            try:
                self._stream.write(text)
            except UnicodeEncodeError:
                self._stream.write(text.encode("ascii", "replace").decode("ascii"))
            self._stream.flush()
        except (OSError, ValueError):
            self.gone = True


def talk_to_nobody() -> None:
    """The terminal has gone: what is said from here on must not fail for it."""
    null = os.open(os.devnull, os.O_WRONLY)
    for stream, fd in ((sys.stdout, 1), (sys.stderr, 2)):
        os.dup2(null, fd)
        with contextlib.suppress(OSError, ValueError):
            stream.flush()
    os.close(null)


def is_terminal(stream: Any) -> bool:
    """Whether a screen can be drawn there."""
    try:
        return bool(stream is not None and stream.isatty() and os.environ.get("TERM") != "dumb")
    except ValueError:
        return False


def writes_blocks(stream: Any) -> bool:
    """Whether its encoding has the signs that the screen is drawn with."""
    encoding = (getattr(stream, "encoding", None) or "ascii").lower()
    try:
        "█▀▄●◀".encode(encoding)
    except (UnicodeEncodeError, LookupError):
        return False
    return True
