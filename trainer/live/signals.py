"""Signals as names on a list, for a loop to act on."""

from __future__ import annotations

import contextlib
import signal
import threading
from collections.abc import Iterator
from typing import Any

__all__ = ["ENDING", "default_signal", "signals_into"]

ENDING = ("SIGINT", "SIGTERM", "SIGHUP")


@contextlib.contextmanager
def signals_into(names: list[str]) -> Iterator[None]:
    """While inside, what ends or suspends a program is put on the list instead; nothing outside the main thread."""
    before: dict[int, Any] = {}

    def note(number: int, frame: object) -> None:
        names.append(signal.Signals(number).name)

    try:
        if threading.current_thread() is threading.main_thread():
            for name in (*ENDING, "SIGTSTP"):
                if hasattr(signal, name):
                    number = getattr(signal, name)
                    before[number] = signal.signal(number, note)
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


@contextlib.contextmanager
def default_signal(name: str) -> Iterator[None]:
    """While inside, a signal does what it does to a program that does not handle it."""
    number = getattr(signal, name)
    before = signal.signal(number, signal.SIG_DFL)
    try:
        yield
    finally:
        signal.signal(number, before)
