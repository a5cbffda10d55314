"""Sources of time: the host clock, and a fake one that ships with the program.

A clock is a dependency: everything that asks the time or waits is given one. Raw host time is
`time.perf_counter_ns()`; that is what callbacks stamp and what goes over the wire. A `RealClock` may add a random
origin, so that a figure from one clock used on another shows at once (as a nonsense of hours) instead of hiding in a
few milliseconds.
"""

from __future__ import annotations

import random
import time
from dataclasses import dataclass
from typing import Literal, Protocol, runtime_checkable

__all__ = ["Clock", "FakeClock", "RealClock", "Sleep", "SleepWatch"]

SPIN_NS = 200_000  # the last stretch before a deadline is spun: 0.2 ms costs 7 % of a core at 500 events a second


@runtime_checkable
class Clock(Protocol):
    """Nanoseconds that only rise, and a way to wait for one."""

    def now_ns(self) -> int: ...

    def sleep_until(self, deadline_ns: int) -> int:
        """Wait for `deadline_ns` (return at once if it has passed); returns the time then."""
        ...

    def from_raw_ns(self, raw_ns: int) -> int:
        """This clock's reading for a raw `perf_counter_ns` stamp of a callback in this process."""
        ...

    def to_raw_ns(self, own_ns: int) -> int: ...


class RealClock:
    """The host's monotonic clock. `random_origin`: add a constant of up to 10^6 s, drawn from `seed` or afresh."""

    __slots__ = ("_origin_ns",)

    def __init__(self, *, random_origin: bool = False, seed: int | None = None) -> None:
        self._origin_ns = random.Random(seed).randrange(10**14, 10**15) if random_origin else 0

    def now_ns(self) -> int:
        return time.perf_counter_ns() + self._origin_ns

    def from_raw_ns(self, raw_ns: int) -> int:
        return raw_ns + self._origin_ns

    def to_raw_ns(self, own_ns: int) -> int:
        return own_ns - self._origin_ns

    def sleep_until(self, deadline_ns: int) -> int:
        """Sleep to 0.2 ms before the deadline, then spin."""
        now_ns = self.now_ns()
        while now_ns < deadline_ns - SPIN_NS:
            time.sleep((deadline_ns - SPIN_NS - now_ns) * 1e-9)
            now_ns = self.now_ns()
        while now_ns < deadline_ns:
            now_ns = self.now_ns()
        return now_ns


class FakeClock:
    """A clock that moves only when told.

    `sleep_until` moves it too, so a loop written for the real clock runs unchanged and as fast as it computes.
    """

    def __init__(self, start_ns: int = 0) -> None:
        self._now_ns = start_ns

    def now_ns(self) -> int:
        return self._now_ns

    def from_raw_ns(self, raw_ns: int) -> int:
        return raw_ns

    def to_raw_ns(self, own_ns: int) -> int:
        return own_ns

    def sleep_until(self, deadline_ns: int) -> int:
        self._now_ns = max(self._now_ns, deadline_ns)
        return self._now_ns

    def advance(self, span_ns: int) -> int:
        """Move on by `span_ns` (not negative: `ValueError`)."""
        if span_ns < 0:
            raise ValueError(f"a clock cannot go back ({span_ns} ns)")
        return self.sleep_until(self._now_ns + span_ns)


@dataclass(frozen=True, slots=True)
class Sleep:
    """The machine, or this process, was away from `start_ns` to `end_ns` (host clock); `cause`: "suspended" or
    "stalled". `away_s`: for how long, by the clock that goes on while the machine sleeps.
    """

    start_ns: int
    end_ns: int
    cause: Literal["suspended", "stalled"]
    away_s: float = 0.0


class SleepWatch:
    """Tells when the machine was suspended or the process stopped, from two clocks read side by side.

    Feed it regularly. The host clock of some systems stands still while they sleep (Linux, macOS), so the sleep shows
    as a jump of the boot clock against it; elsewhere, or when only this process was stopped, as a gap between two
    feeds. Sans-IO.
    """

    def __init__(self, *, jump_s: float = 0.5, gap_s: float = 1.0) -> None:
        """`jump_s`: boot clock against host clock; `gap_s`: between two feeds. Both our choice."""
        self._jump_ns = int(jump_s * 1e9)
        self._gap_ns = int(gap_s * 1e9)
        self._last: tuple[int, int] | None = None

    def feed(self, host_ns: int, boot_now_ns: int) -> Sleep | None:
        """The sleep that ended between the last feed and this one, or None."""
        last, self._last = self._last, (host_ns, boot_now_ns)
        if last is None:
            return None
        span_ns = host_ns - last[0]
        away_s = max(span_ns, boot_now_ns - last[1]) * 1e-9
        if boot_now_ns - last[1] - span_ns > self._jump_ns:
            return Sleep(last[0], host_ns, "suspended", away_s)
        if span_ns > self._gap_ns:
            return Sleep(last[0], host_ns, "stalled", away_s)
        return None
