"""Sound on its way in: what the driver's callback leaves, the ring that the ear reads, the recording on disk.

    callback ─► Intake (this process, all channels) ─► keeper's thread ─► SoundRing (shared memory, one channel) ─► ear
                                                                      └─► WavWriter (the recording)

Frames are counted from the recording's first. Nobody waits for another: a reader that falls behind loses the oldest.
"""

from __future__ import annotations

import contextlib
import mmap
import os
import struct
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from trainer.system import here

__all__ = ["Intake", "SoundRing", "WavWriter"]

INTAKE_S = 4.0  # how long the keeper's thread may be held up; our choice
RING_S = 20.0  # how long the ear may be away; our choice
_HEADER = 8  # int64 words
_FULL = 2**23 - 1  # 24 bits
Samples = NDArray[np.float32]


class Intake:
    """Blocks of all channels as the callback brings them. `take` runs in the driver's thread: it copies, no more."""

    def __init__(self, n_channels: int, rate_hz: int) -> None:
        self.n_channels = n_channels
        self._n = int(INTAKE_S * rate_hz)
        self._blocks: Samples = np.zeros((self._n, n_channels), dtype=np.float32)
        self.head = 0
        self._tail = 0

    def take(self, first_frame: int, block: Samples) -> None:
        n = len(block)
        at = self.head % self._n
        first = min(n, self._n - at)
        self._blocks[at : at + first] = block[:first]
        if first < n:
            self._blocks[: n - first] = block[first:]
        self.head += n

    def read(self) -> Samples:
        """What has come since the last call, (n, n_channels); silence for what was lost. In one other thread."""
        head = self.head
        n = head - self._tail
        n_lost = max(0, n - self._n // 2)
        start, self._tail = self._tail + n_lost, head
        at = start % self._n
        kept = n - n_lost
        first = min(kept, self._n - at)
        piece = np.concatenate([self._blocks[at : at + first], self._blocks[: kept - first]])
        if n_lost:
            piece = np.concatenate([np.zeros((n_lost, self.n_channels), dtype=np.float32), piece])
        return piece


class SoundRing:
    """One channel in memory that two processes share; `head` is the number of frames put in so far."""

    def __init__(self, memory: mmap.mmap, n_frames: int) -> None:
        self.n_frames = n_frames
        self._map = memory
        self._header = np.frombuffer(self._map, dtype=np.int64, count=_HEADER)
        self._samples: Samples = np.frombuffer(self._map, dtype=np.float32, count=n_frames, offset=8 * _HEADER)

    @staticmethod
    def bytes_for(n_frames: int) -> int:
        return 8 * _HEADER + 4 * n_frames

    @classmethod
    def made(cls, rate_hz: int) -> tuple[str, SoundRing]:
        """A new ring and its address. `OSError` where there is no room."""
        n_frames = int(RING_S * rate_hz)
        address, memory = here().make_shared(cls.bytes_for(n_frames))
        return address, cls(memory, n_frames)

    @classmethod
    def at(cls, address: str, n_frames: int) -> SoundRing:
        """The ring that another process made."""
        return cls(here().open_shared(address, cls.bytes_for(n_frames)), n_frames)

    @property
    def head(self) -> int:
        return int(self._header[0])

    def put(self, samples: Samples) -> None:
        head, n = self.head, len(samples)
        at = head % self.n_frames
        first = min(n, self.n_frames - at)
        self._samples[at : at + first] = samples[:first]
        self._samples[: n - first] = samples[first:]
        self._header[0] = head + n

    def read(self, tail: int, most: int) -> tuple[int, Samples]:
        """(first frame, samples) from `tail` on, at most so many; later than `tail` where that was overwritten."""
        head = self.head
        tail = max(tail, head - self.n_frames * 3 // 4)
        n = min(head - tail, most)
        at = tail % self.n_frames
        first = min(n, self.n_frames - at)
        return tail, np.concatenate([self._samples[at : at + first], self._samples[: n - first]])


class WavWriter:
    """A WAV of one channel and 24 bits that can be read at any moment, whatever becomes of the program.

    The sizes in its header are written anew after each piece (RIFF/WAVE, Microsoft & IBM 1991; PCM).
    A disk that takes no more is noted in `fault`, and what comes then is lost.
    """

    def __init__(self, path: Path, rate_hz: int) -> None:
        """`OSError` where the file cannot be made."""
        self.path = path
        self.fault: str | None = None
        self.n_frames = 0
        self._rate_hz = rate_hz
        self._file = path.open("xb", buffering=0)
        self._file.write(self._head())

    def _head(self) -> bytes:
        n = min(3 * self.n_frames, 0xFFFFFFFF - 44)
        form = struct.pack("<HHIIHH", 1, 1, self._rate_hz, 3 * self._rate_hz, 3, 24)
        return b"RIFF" + struct.pack("<I", 36 + n) + b"WAVEfmt \x10\0\0\0" + form + b"data" + struct.pack("<I", n)

    def write(self, samples: Samples) -> None:
        if self.fault is not None or not len(samples):
            return
        if not np.isfinite(samples).all():
            samples = np.nan_to_num(samples)
        # In single precision: 24 bits are what it holds. The engine's interpreter is held for as long as this takes.
        whole = (np.clip(samples, -1.0, 1.0) * np.float32(_FULL)).astype("<i4")
        body = whole.view(np.uint8).reshape(-1, 4)[:, :3].tobytes()
        try:
            if self._file.write(body) != len(body):
                raise OSError("no room")
            self.n_frames += len(samples)
            self._file.seek(0)
            self._file.write(self._head())
            self._file.seek(0, os.SEEK_END)
        except OSError as error:
            self.fault = f"the recording {self.path} ends here: {error.strerror or error}"

    def close(self, *, remove: bool = False) -> None:
        with contextlib.suppress(OSError):
            if not remove:
                os.fsync(self._file.fileno())
            self._file.close()
        if remove:
            with contextlib.suppress(OSError):
                self.path.unlink()
