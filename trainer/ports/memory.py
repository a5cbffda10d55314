"""Ports in memory: for tests, for the offline run, and for a stand-in player. Part of the program, not of the tests.

The same protocols as the real ones; their time is the clock they are given.
"""

from __future__ import annotations

from collections import deque

from trainer.clock.sources import Clock
from trainer.errors import PortError
from trainer.ports.protocols import MidiSink
from trainer.ports.silence import SoundingNotes

__all__ = ["MemoryMidiIn", "MemoryMidiOut"]


class _Plug:
    """What both ways share: a cable that may be pulled, and an end."""

    _open = True
    _plugged = True

    def unplug(self) -> None:
        self._plugged = False

    def plug_in(self) -> None:
        self._plugged = True

    def is_connected(self) -> bool:
        return self._open and self._plugged

    def close(self) -> None:
        self._open = False


class MemoryMidiIn(_Plug):
    """An input whose messages are pushed by hand (or by a `MemoryMidiOut` looped to it)."""

    def __init__(self, sink: MidiSink, name: str = "memory in") -> None:
        self.name = name
        self.sink = sink
        self._last_ns: int | None = None

    def push(self, host_ns: int, data: bytes, driver_ns: int | None = None) -> None:
        """One whole message arriving at `host_ns`; `driver_ns` is the driver's stamp (default: the same moment)."""
        if not (self._open and self._plugged):
            return
        stamp_ns = host_ns if driver_ns is None else driver_ns
        delta_s = 0.0 if self._last_ns is None else (stamp_ns - self._last_ns) * 1e-9
        self._last_ns = stamp_ns
        self.sink.append((host_ns, delta_s, bytes(data)))


class MemoryMidiOut(_Plug):
    """An output that keeps `(host_ns, data)` of all that was sent on `sent`, and may be looped to a `MemoryMidiIn`."""

    def __init__(self, clock: Clock, name: str = "memory out", loop_to: MemoryMidiIn | None = None) -> None:
        self.name = name
        self.sent: list[tuple[int, bytes]] = []
        self._clock = clock
        self._loop_to = loop_to
        self._sounding = SoundingNotes()
        self.lead_ns = 0
        self.late_ns: deque[int] = deque()

    @property
    def sounding(self) -> list[tuple[int, int]]:
        """(channel, number) of each note sent and not released."""
        return self._sounding.notes()

    def send(self, data: bytes, at_ns: int = 0) -> None:
        if not self._open:
            raise PortError(f"MIDI output {self.name}: already closed; open it again to send")
        if not self._plugged:
            raise PortError(f"MIDI output {self.name}: gone; plug it in again or choose another port")
        self._sounding.note(data)
        now_ns = self._clock.now_ns()
        self.sent.append((now_ns, bytes(data)))
        if self._loop_to is not None:
            self._loop_to.push(now_ns, data)

    def silence(self) -> None:
        if self._open and self._plugged:
            for data in self._sounding.release():
                self.send(data)

    def close(self) -> None:
        self.silence()
        super().close()
