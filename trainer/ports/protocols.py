"""What a port is: the few hooks that the engine needs, whatever stands behind them.

Conventions: times on the wire are raw `time.perf_counter_ns()` of the process that holds the port; messages are whole
MIDI messages as `bytes` (MIDI 1.0, status first); audio is float32, stereo, shape (n_frames, 2), full scale 1.0.
Ports raise `PortError` and nothing else.

An input never calls back into the program: its driver thread puts `(host_ns, driver_delta_s, data)` on a deque, and
that is all it does. `driver_delta_s` is the driver's own time since the message before it on this port (0.0 for the
first).
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from typing import Any, NamedTuple, Protocol, TypeAlias, runtime_checkable

import numpy as np
from numpy.typing import NDArray

__all__ = ["AudioOut", "AudioStamp", "Fill", "MidiIn", "MidiOut", "MidiSink", "RawMidi", "Take"]

RawMidi: TypeAlias = tuple[int, float, bytes]  # host_ns of arrival, driver_delta_s, one whole message
MidiSink: TypeAlias = deque[RawMidi]

# Fills `out` (n_frames, 2) with the stream's frames from `first_frame` on. Called in the driver's thread: no lock
# held, no block-sized allocation, no file, no print.
Fill: TypeAlias = Callable[[int, NDArray[np.float32]], None]

# Takes what came in, (n_frames, n_channels) from `first_frame` of the stream on: a view that is gone after the call.
# In the driver's thread, under the same contract.
Take: TypeAlias = Callable[[int, NDArray[np.float32]], None]


class AudioStamp(NamedTuple):
    """One audio callback: what `trainer.clock.fit.ClockFit` is fed with.

    `frame` is the stream's number of the block's first frame; `host_ns` the host clock when the callback began;
    `dac_s` and `now_s` the driver's times, on its own clock, at which that frame will sound and at which the callback
    was called (0.0 where the driver gives none); `xrun` says that the driver reported an under-run before this block.
    """

    frame: int
    n_frames: int
    host_ns: int
    dac_s: float
    now_s: float
    xrun: bool


@runtime_checkable
class MidiIn(Protocol):
    """An open input; messages go to the sink it was opened with."""

    @property
    def name(self) -> str: ...

    @property
    def sink(self) -> MidiSink: ...

    def is_connected(self) -> bool:
        """Whether the far end is still there (False once it was unplugged). Not for real-time threads."""
        ...

    def close(self) -> None:
        """Stop receiving; idempotent."""
        ...


@runtime_checkable
class MidiOut(Protocol):
    """An open output, which knows what is sounding through it."""

    @property
    def name(self) -> str: ...

    @property
    def lead_ns(self) -> int:
        """How long before its moment a message is best handed over; 0: at its moment only."""
        ...

    @property
    def late_ns(self) -> deque[int]:
        """Of each note-on that was handed over before its moment, in order, how late it went out."""
        ...

    def send(self, data: bytes, at_ns: int = 0) -> None:
        """Send one whole message now, or at `at_ns` where there is a lead; `PortError` if the port has gone."""
        ...

    @property
    def sounding(self) -> list[tuple[int, int]]:
        """(channel, number) of each note sent and not released."""
        ...

    def silence(self) -> None:
        """Release every note sent and not yet released, then all-notes-off on all channels; never raises."""
        ...

    def is_connected(self) -> bool: ...

    def close(self) -> None:
        """Silence, then close; idempotent, never raises."""
        ...


@runtime_checkable
class AudioOut(Protocol):
    """An audio stream that calls a `Fill` for each block and leaves an `AudioStamp` for each on `stamps`."""

    @property
    def name(self) -> str: ...

    @property
    def sample_rate_hz(self) -> int: ...

    @property
    def block_frames(self) -> int:
        """Frames of a block; 0 when the driver varies it."""
        ...

    @property
    def latency_s(self) -> float:
        """Output latency that the driver states, seconds."""
        ...

    @property
    def stamps(self) -> deque[AudioStamp]: ...

    @property
    def n_xruns(self) -> int: ...

    @property
    def last_callback_ns(self) -> int:
        """Raw host time of the newest callback (0: none yet). A stream whose server or card has died just stops
        calling.
        """
        ...

    @property
    def fault(self) -> str | None:
        """Why the stream stopped by itself or its `Fill` failed; None while all is well."""
        ...

    def start(self) -> None: ...

    def close(self) -> None: ...

    def describe(self) -> dict[str, Any]:
        """Plain data for the take's header."""
        ...
