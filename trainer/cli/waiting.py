"""Keys at the terminal outside a running song: one at a time, and a countdown before one begins."""

from __future__ import annotations

import contextlib
import sys
from collections.abc import Callable, Iterator

from trainer.system import here

__all__ = ["BREATH_S", "OPENING_S", "breathe", "key_reader", "minutes_and_seconds", "rewritten"]

BREATH_S = 8.0  # between two runs: read the figure, see what comes, hands off the strings; our choice
OPENING_S = 30.0  # before the first one with a page: open it on the tablet, put that on the stand; our choice


@contextlib.contextmanager
def key_reader() -> Iterator[Callable[[], str]]:
    """Keys as they are pressed, without waiting; the terminal is put back on leaving.

    Without a terminal nothing is ever pressed; the end of standard input counts as "q".
    """
    keyboard = here().keyboard()
    keyboard.take()
    try:
        yield keyboard.poll
    finally:
        keyboard.close()


def breathe(seconds: float = BREATH_S, words: str = "Starts") -> bool:
    """Wait, counting down, so that what stands there can be read before the click begins.

    Enter goes on at once; False when the person leaves with q. Nobody waits where there is no terminal.
    """
    if not (sys.stdin.isatty() and sys.stdout.isatty()):
        return True
    from trainer.clock.sources import RealClock

    here().obey_escapes()
    clock = RealClock()
    end_ns = clock.now_ns() + int(seconds * 1e9)
    shown, key = "", ""
    with key_reader() as read_key:
        while (left_s := (end_ns - clock.now_ns()) * 1e-9) > 0.0 and key not in ("\r", "\n", "q"):
            shown = rewritten(f"{words} in {minutes_and_seconds(left_s)}.  Enter now  q leave", shown)
            key = read_key().lower()
            clock.sleep_until(clock.now_ns() + 50_000_000)
    rewritten("", shown)
    return key != "q"


def rewritten(text: str, shown: str) -> str:
    """Write a line over the one that is shown, where they differ; the new one."""
    if text != shown:
        sys.stdout.write(f"\r\x1b[K{text}")
        sys.stdout.flush()
    return text


def minutes_and_seconds(seconds: float) -> str:
    whole = max(1, round(seconds))
    return f"{whole} s" if whole < 60 else f"{whole // 60}:{whole % 60:02d}"
