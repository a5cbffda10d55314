"""A place for a port that may come and go while the song runs.

Two threads: `watch` runs in one that may wait, looks and opens; `settle` runs in the loop, which alone changes what is
held. What `watch` found lies between them until the loop has dealt with it, so nothing is opened twice.
"""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Callable
from time import perf_counter_ns
from typing import Generic, TypeVar

from trainer.engine.messages import About, Notice
from trainer.errors import PortError
from trainer.ports.protocols import MidiIn, MidiOut

__all__ = ["PortSlot"]

Port = TypeVar("Port", MidiIn, MidiOut)


class PortSlot(Generic[Port]):
    """One port, wanted by name (None: not wanted), there or not.

    `about` names it in notices, which read "LABEL "NAME" has gone; MEANWHILE" and are left out where `label` is empty;
    `absent` ends the line that says that it was not there at the start.
    `gone(port, now_ns)` and `back(port, since_ns, now_ns)` tell the rest of the engine; times are raw.
    """

    def __init__(
        self,
        about: About,
        wanted: str | None,
        open_port: Callable[[str], Port],
        *,
        label: str = "",
        meanwhile: str = "",
        absent: str = "",
        gone: Callable[[Port, int], None] = lambda port, now_ns: None,
        back: Callable[[Port, int, int], None] = lambda port, since_ns, now_ns: None,
    ) -> None:
        self.about: About = about
        self.wanted = wanted
        self.port: Port | None = None
        self.lost_ns: int | None = None  # since when it is wanted and not there
        self._open_port: Callable[[str], Port] = open_port
        self._label, self._meanwhile, self._absent = label, meanwhile, absent
        self._gone: Callable[[Port, int], None] = gone
        self._back: Callable[[Port, int, int], None] = back
        self._found: list[Port | None] = []  # one at most: None, it has gone

    @property
    def name(self) -> str | None:
        return None if self.port is None else self.port.name

    def open(self) -> Notice | None:
        """At the start: why the port that is wanted cannot be had, if so; it is then looked for."""
        if self.wanted is None:
            return None
        try:
            self.port = self._open_port(self.wanted)
        except PortError as error:
            self.lost_ns = perf_counter_ns()
            return Notice(f"{error}{self._absent}", about=self.about, state="gone")
        return None

    def watch(self) -> None:
        """May wait. Look whether the port is still there, or there again."""
        port = self.port
        if self._found or self.wanted is None:
            return
        with contextlib.suppress(PortError):
            if port is None:
                self._found.append(self._open_port(self.wanted))
            elif not port.is_connected():
                self._found.append(None)

    def settle(self) -> Notice | None:
        """In the loop: let go of a port that has gone, take up one that is back; what the person is to know."""
        if not self._found:
            return None
        found, now_ns = self._found[0], perf_counter_ns()
        notice = self._let_go(now_ns) if found is None else self._take_up(found, now_ns)
        self._found.clear()
        return notice

    def _let_go(self, now_ns: int) -> Notice | None:
        lost, self.port = self.port, None
        if lost is None:
            return None
        self.lost_ns = now_ns
        self._gone(lost, now_ns)
        threading.Thread(target=lost.close, daemon=True).start()
        text = f'{self._label} "{lost.name}" has gone; {self._meanwhile}'
        return Notice(text, about=self.about, state="gone") if self._label else None

    def _take_up(self, port: Port, now_ns: int) -> Notice | None:
        since_ns = now_ns if self.lost_ns is None else self.lost_ns
        self.port, self.lost_ns = port, None
        self._back(port, since_ns, now_ns)
        text = f'{self._label} "{port.name}" is back'
        return Notice(text, "note", about=self.about, state="back") if self._label else None

    def close(self) -> None:
        """Close whatever is held; never raises."""
        self.wanted = None
        for port in (self.port, *self._found):
            if port is not None:
                with contextlib.suppress(Exception):
                    port.close()
        self.port = None
        self._found.clear()
