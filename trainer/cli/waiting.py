"""Keys at the terminal outside a running song: one at a time, and the breath between two runs."""

from __future__ import annotations

import contextlib
import sys
from collections.abc import Callable, Iterator, Mapping

from trainer.system import here

__all__ = ["BREATH_S", "asked_meanwhile", "breathe", "key_reader"]

BREATH_S = 8.0  # between two runs: read the figure, see what comes, hands off the strings; our choice


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
    """Wait, counting down, so that what stands there can be read before the playing screen covers it.

    Enter goes on at once; False when the person leaves with q. Nobody waits where there is no terminal.
    """
    return asked_meanwhile(seconds, words, {}) != "leave"


def asked_meanwhile(seconds: float, words: str, more: Mapping[str, tuple[str, str]]) -> str:
    """Wait as `breathe` does; "leave" for q, "" for Enter or when the time is over, or what one of `more` (key → what
    it says, what is answered) asks for."""
    if not (sys.stdin.isatty() and sys.stdout.isatty()):
        return ""
    from trainer.clock.sources import RealClock

    here().obey_escapes()
    clock = RealClock()
    end_ns = clock.now_ns() + int(seconds * 1e9)
    keys = {"\r": "", "\n": "", "q": "leave"} | {key: answer for key, (_, answer) in more.items()}
    says = "".join(f"   {key}: {what}" for key, (what, _) in more.items())
    shown, answer = "", ""
    with key_reader() as read_key:
        while (left_s := (end_ns - clock.now_ns()) * 1e-9) > 0.0:
            text = f"{words} in {_minutes_and_seconds(left_s)}.  Enter: now{says}   q: leave"
            if text != shown:
                sys.stdout.write(f"\r\x1b[K{text}")
                sys.stdout.flush()
                shown = text
            key = read_key().lower()
            if key in keys:
                answer = keys[key]
                break
            clock.sleep_until(clock.now_ns() + 50_000_000)
    sys.stdout.write("\r\x1b[K")
    sys.stdout.flush()
    return answer


def _minutes_and_seconds(seconds: float) -> str:
    whole = max(1, round(seconds))
    return f"{whole} s" if whole < 60 else f"{whole // 60}:{whole % 60:02d}"
