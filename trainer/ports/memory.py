"""Ports in memory: for tests, for the offline run, and for a stand-in player. Part of the program, not of the tests.

The same protocols as the real ones; their time is the clock they are given.
"""

from __future__ import annotations

from collections import deque
from typing import Any

import numpy as np
from numpy.typing import NDArray

from trainer.clock.sources import Clock
from trainer.errors import PortError
from trainer.ports.protocols import AudioStamp, Fill, MidiSink
from trainer.ports.silence import SoundingNotes

__all__ = ["MemoryAudioOut", "MemoryMidiIn", "MemoryMidiOut"]


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

    @property
    def sounding(self) -> list[tuple[int, int]]:
        """(channel, number) of each note sent and not released."""
        return self._sounding.notes()

    def send(self, data: bytes) -> None:
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


class MemoryAudioOut:
    """An audio stream without a sound card: `pump` runs the callback as a card would, and keeps what it was given.

    Each block is stamped at the clock's present moment; its first frame sounds `latency_s` later.
    """

    def __init__(
        self,
        fill: Fill,
        clock: Clock,
        *,
        sample_rate_hz: int = 48_000,
        block_frames: int = 256,
        latency_s: float = 0.01,
        keep: bool = True,
        name: str = "memory audio",
    ) -> None:
        self.name = name
        self.sample_rate_hz = sample_rate_hz
        self.block_frames = block_frames
        self.latency_s = latency_s
        self.stamps: deque[AudioStamp] = deque(maxlen=4096)
        self.n_xruns = 0
        self.fault: str | None = None
        self.last_callback_ns = 0
        self._fill = fill
        self._clock = clock
        self._keep = keep
        self._blocks: list[NDArray[np.float32]] = []
        self._frame = 0
        self._running = False

    def start(self) -> None:
        self._running = True

    def pump(self, n_blocks: int = 1, *, xrun: bool = False) -> None:
        """Run the callback for `n_blocks` blocks now; `xrun` marks the first of them."""
        for i in range(n_blocks if self._running else 0):
            block = np.zeros((self.block_frames, 2), dtype=np.float32)
            host_ns = self._clock.to_raw_ns(self._clock.now_ns())
            late = xrun and i == 0
            self.n_xruns += late
            self.last_callback_ns = host_ns
            now_s = host_ns * 1e-9
            self.stamps.append(AudioStamp(self._frame, self.block_frames, host_ns, now_s + self.latency_s, now_s, late))
            self._fill(self._frame, block)
            if self._keep:
                self._blocks.append(block)
            self._frame += self.block_frames

    def heard(self) -> NDArray[np.float32]:
        """All that was played so far: (n_frames, 2) float32."""
        return np.concatenate(self._blocks) if self._blocks else np.zeros((0, 2), dtype=np.float32)

    def close(self) -> None:
        self._running = False

    def describe(self) -> dict[str, Any]:
        return {
            "name": self.name,
            "sample_rate_hz": self.sample_rate_hz,
            "block_frames": self.block_frames,
            "latency_s": self.latency_s,
        }
