"""A fake clock on whose way things happen."""

from __future__ import annotations

import heapq
import itertools
from collections.abc import Callable

from trainer.clock.sources import FakeClock


class BusyClock(FakeClock):
    """Runs what was asked for when it passes its time, in order of time."""

    def __init__(self, start_ns: int = 0) -> None:
        super().__init__(start_ns)
        self._due: list[tuple[int, int, Callable[[], None]]] = []
        self._counter = itertools.count()

    def call_at(self, due_ns: int, action: Callable[[], None]) -> None:
        """Run `action` when the clock reaches `due_ns` (at the next move if that has passed)."""
        heapq.heappush(self._due, (due_ns, next(self._counter), action))

    def sleep_until(self, deadline_ns: int) -> int:
        while self._due and self._due[0][0] <= deadline_ns:
            due_ns, _, action = heapq.heappop(self._due)
            super().sleep_until(due_ns)
            action()
        return super().sleep_until(deadline_ns)
