"""A sound output that is there and plays nothing: what the engine asks of one before a song begins."""

from __future__ import annotations

from collections import deque

from trainer.ports.protocols import AudioStamp


class SilentSound:
    name, sample_rate_hz, block_frames, latency_s = "silence", 48_000, 256, 0.01
    fault: str | None = None
    n_xruns = last_callback_ns = 0

    def __init__(self) -> None:
        self.stamps: deque[AudioStamp] = deque()

    def start(self) -> None: ...

    def close(self) -> None: ...

    def describe(self) -> dict[str, object]:
        return {"name": self.name}
