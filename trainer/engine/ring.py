"""The sound that is rendered ahead: a ring of stems in memory shared by the engine and its renderer.

The ring is written and read in the order of the audio stream. Block k holds the stream's frames from `k * BLOCK_FRAMES`
on and lies at slot `k % n_blocks`; its tag says which block and which *route* it was rendered for. A route is a
numbered timeline: when the song is paused or taken back, the engine makes a new one that differs from some block on,
the renderer goes back to that block, and until a block carries the new number it is not played. Neither side ever
waits for the other.

The memory is the system's own kind of shared memory; as soon as both have it open, nothing of it outlives a crash.
"""

from __future__ import annotations

import mmap
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["BLOCK_FRAMES", "MONITOR_PITCHES", "MONITOR_S", "Geometry", "Ring"]

BLOCK_FRAMES = 256
RING_S = 2.5  # rendered ahead: survives a renderer that is held up for two seconds (our choice)
MONITOR_PITCHES = (23, 72)  # the player's own sounds held ready, B0 to C5; others are folded in by octaves
MONITOR_S = 2.0
_HEADER = 8  # int64 words
_ROUTE_BITS = 20
_READY, _READY_INSTEAD = 1, 2


@dataclass(frozen=True, slots=True)
class Geometry:
    """Sizes of a ring: parts, blocks, and frames of each monitor sound."""

    n_parts: int
    n_blocks: int
    monitor_frames: int

    @classmethod
    def for_rate(cls, n_parts: int, sample_rate_hz: int) -> Geometry:
        return cls(n_parts, int(RING_S * sample_rate_hz) // BLOCK_FRAMES + 1, int(MONITOR_S * sample_rate_hz))

    @property
    def n_monitor(self) -> int:
        return MONITOR_PITCHES[1] - MONITOR_PITCHES[0] + 1

    @property
    def n_frames(self) -> int:
        return self.n_blocks * BLOCK_FRAMES

    @property
    def n_bytes(self) -> int:
        words = _HEADER + self.n_blocks + self.n_monitor
        floats = self.n_parts * self.n_frames * 2 + self.n_monitor * self.monitor_frames
        return 8 * words + 4 * floats


class Ring:
    """The ring as arrays, seen from either side.

    `stems` (n_parts, n_frames, 2) and `monitor` (n_monitor, monitor_frames) float32; `tags` (n_blocks,) and
    `monitor_ready` (n_monitor,) int64; `playhead_frame` is the stream's next frame to be filled.
    """

    def __init__(self, memory: mmap.mmap, geometry: Geometry) -> None:
        self.geometry = geometry
        self._map = memory
        at = 0

        def piece(count: int, dtype: Any) -> NDArray[Any]:
            nonlocal at
            array = np.frombuffer(self._map, dtype=dtype, count=count, offset=at)
            at += count * np.dtype(dtype).itemsize
            return array

        self._header = piece(_HEADER, np.int64)
        self.tags: NDArray[np.int64] = piece(geometry.n_blocks, np.int64)
        self.monitor_ready: NDArray[np.int64] = piece(geometry.n_monitor, np.int64)
        self.stems: NDArray[np.float32] = piece(geometry.n_parts * geometry.n_frames * 2, np.float32).reshape(
            geometry.n_parts, geometry.n_frames, 2
        )
        self.monitor: NDArray[np.float32] = piece(geometry.n_monitor * geometry.monitor_frames, np.float32).reshape(
            geometry.n_monitor, geometry.monitor_frames
        )

    @property
    def playhead_frame(self) -> int:
        return int(self._header[0])

    @playhead_frame.setter
    def playhead_frame(self, frame: int) -> None:
        self._header[0] = frame

    @property
    def renderer_ready(self) -> bool:
        """The renderer has arranged the band and can begin."""
        return bool(self._header[1])

    @property
    def built_in_instead(self) -> bool:
        """The built-in sounds are played, since the SoundFont that was wanted could not be."""
        return bool(self._header[1] == _READY_INSTEAD)

    def say_ready(self, *, built_in_instead: bool = False) -> None:
        self._header[1] = _READY_INSTEAD if built_in_instead else _READY

    @staticmethod
    def tag_of(block: int, route: int) -> int:
        """Block numbers count from 1 in tags, so that an empty slot is never block 0."""
        return (block + 1) << _ROUTE_BITS | route

    def put(self, block: int, route: int, stems: NDArray[np.float32]) -> None:
        """Write one block, (n_parts, BLOCK_FRAMES, 2): first its tag away, then the sound, then its tag."""
        slot = block % self.geometry.n_blocks
        self.tags[slot] = 0
        at = slot * BLOCK_FRAMES
        self.stems[:, at : at + BLOCK_FRAMES] = stems
        self.tags[slot] = self.tag_of(block, route)
