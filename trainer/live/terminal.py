"""The terminal while a session runs: its keys without waiting for Enter, its screen borrowed and given back.

Keys are read by a thread that waits for them and reads the clock first thing when it wakes.
"""

from __future__ import annotations

import contextlib
import os
import queue
import sys
import threading
from typing import Any, TextIO

from trainer.system import here
from trainer.system.protocol import Keyboard

__all__ = [
    "KeySource",
    "Screen",
    "is_terminal",
    "stdin_is_terminal",
    "talk_to_nobody",
    "writes_blocks",
]


def stdin_is_terminal() -> bool:
    """Whether keys can be read one by one."""
    try:
        return sys.stdin is not None and sys.stdin.isatty()
    except ValueError:  # closed
        return False


class KeySource:
    """Reads the terminal's bytes with their moments into `queue`; `with` puts the terminal back as it was."""

    def __init__(self) -> None:
        self.queue: queue.SimpleQueue[tuple[int, bytes]] = queue.SimpleQueue()
        self._keyboard: Keyboard | None = None
        self._reader: threading.Thread | None = None
        self._late_ns: list[int] = []
        self._old_switch_s = sys.getswitchinterval()

    def __enter__(self) -> KeySource:
        if stdin_is_terminal():
            sys.setswitchinterval(0.0005)
            self._keyboard = here().keyboard()
            self._late_ns = self._keyboard.late_ns
            self.take()
            self._reader = threading.Thread(target=self._read, args=(self._keyboard,), name="keys", daemon=True)
            self._reader.start()
        return self

    def __exit__(self, *_: object) -> None:
        if self._keyboard is not None and self._reader is not None:
            self._keyboard.close()
            self._reader.join(timeout=1.0)
            self._keyboard = None
            sys.setswitchinterval(self._old_switch_s)

    def take(self) -> None:
        """Characters one by one, without echo."""
        if self._keyboard is not None:
            self._keyboard.take()

    def give_back(self) -> None:
        if self._keyboard is not None:
            self._keyboard.give_back()

    def _read(self, keyboard: Keyboard) -> None:
        while (keys := keyboard.wait()) is not None:
            self.queue.put(keys)

    def stamp_error_ms(self) -> dict[str, float] | None:
        """How late keys were stamped here: n, median, 99th percentile, largest; None before anything was measured."""
        late = sorted(self._late_ns)
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
        here().obey_escapes()
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
