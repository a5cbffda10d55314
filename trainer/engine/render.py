"""The renderer: a process of its own that keeps the ring of stems filled ahead of the audio stream.

Run by the engine as `python -m trainer.engine.render`. It reads what to render on its standard input and leaves at the
end of that, so it cannot outlive the engine. What it writes goes to the engine's log.
"""

from __future__ import annotations

import contextlib
import math
import os
import queue
import signal
import sys
import threading
from typing import Any

import msgspec
import numpy as np
from numpy.typing import NDArray

from trainer.band import arrange
from trainer.band.events import BandScore
from trainer.band.feel import MOST_SHIFT_S
from trainer.band.sound import FontRenderer, StemRenderer, monitor_note, stem_renderer
from trainer.clock.tempo import TempoMap
from trainer.clock.transport import Stretch, Timeline
from trainer.engine.messages import Reader
from trainer.engine.ring import BLOCK_FRAMES, MONITOR_PITCHES, Geometry, Ring
from trainer.errors import TrainerError
from trainer.session import expand, session_from_dict
from trainer.system import here

__all__ = ["Level", "Route", "RouteRenderer", "Work", "main"]

PIECE_BLOCKS = 8
# Where the song stops or jumps, the sound goes over 4 ms and comes over 1 ms, so that nothing clicks (our choice).
FADE_OUT_FRAMES = 192
FADE_IN_FRAMES = 48
# Rendered before anything else when nothing is ready: the bass's own range, nearest the open strings first.
_FIRST_PITCHES = tuple(range(28, 56))


class Work(msgspec.Struct, frozen=True, tag="work"):
    """What the renderer is for."""

    ring_address: str
    n_parts: int
    n_blocks: int
    monitor_frames: int
    sample_rate_hz: int
    session: dict[str, Any]
    guide: str | None
    guide_line: list[tuple[float, float, float, float]] | None
    monitor: bool
    soundfont: str | None = None


class Route(msgspec.Struct, frozen=True, tag="route"):
    """A numbered timeline: `stretches` as (ruler_s, song_s, moves); it differs from the one before from a block on."""

    number: int
    from_block: int
    stretches: list[tuple[float, float, bool]]


class Level(msgspec.Struct, frozen=True, tag="level"):
    """The band listens, and has settled how hard it plays a bar that is still to come."""

    bar_idx: int
    intensity: float


class RouteRenderer:
    """Stems in the order of the stream: what `stem_renderer` gives, read along a route."""

    def __init__(self, stems: Any, sample_rate_hz: int) -> None:
        self._stems = stems
        self._rate_hz = sample_rate_hz
        self._start_frame = round(stems.start_s * sample_rate_hz)
        self.timeline = Timeline()

    def set_route(self, stretches: list[tuple[float, float, bool]]) -> None:
        rows = [Stretch(ruler_s, song_s, "moving" if moves else "paused") for ruler_s, song_s, moves in stretches]
        self.timeline = Timeline((Stretch(-math.inf, 0.0, "waiting"), *rows))

    def take_stems(self, stems: Any) -> None:
        """Go on with other stems of the same start."""
        self._stems = stems

    def frame_of(self, song_s: float) -> int:
        """The stream's frame of a song second on the last stretch that moves; 0 when there is none."""
        for stretch in reversed(self.timeline.stretches):
            if stretch.moves:
                return round((stretch.ruler_s + song_s - stretch.song_s) * self._rate_hz)
        return 0

    def block(self, first_frame: int, n_frames: int) -> NDArray[np.float32]:
        """(n_parts, n_frames, 2) from a frame of the stream on; silence where the song rests."""
        out = np.zeros((self._stems.n_parts, n_frames, 2), dtype=np.float32)
        end_frame = first_frame + n_frames
        stretches = self.timeline.stretches
        starts = [-(2**62)] + [round(s.ruler_s * self._rate_hz) for s in stretches[1:]] + [2**62]
        for i, stretch in enumerate(stretches):
            low, high = max(first_frame, starts[i]), min(end_frame, starts[i + 1])
            if low >= high or not stretch.moves:
                continue
            song_frame = round(stretch.song_s * self._rate_hz) + (low - starts[i]) - self._start_frame
            piece = self._song(song_frame, high - low)
            self._fade(piece, low, high, starts[i], starts[i + 1], self._jumps(i), self._jumps(i + 1))
            out[:, low - first_frame : high - first_frame] = piece
        return out

    def _song(self, frame: int, n_frames: int) -> NDArray[np.float32]:
        """The song's own frames, silence before its start and after its end."""
        out = np.zeros((self._stems.n_parts, n_frames, 2), dtype=np.float32)
        low, high = max(frame, 0), min(frame + n_frames, self._stems.n_frames)
        if low < high:
            out[:, low - frame : high - frame] = self._stems.block(low, high - low)
        return out

    def _jumps(self, i: int) -> bool:
        """Whether the sound breaks where stretch i begins."""
        stretches = self.timeline.stretches
        if i <= 0 or i >= len(stretches):
            return False
        before, here = stretches[i - 1], stretches[i]
        if not (before.moves and here.moves):
            return i > 1
        return abs(before.song_s + here.ruler_s - before.ruler_s - here.song_s) > 1e-6

    @staticmethod
    def _fade(
        piece: NDArray[np.float32], low: int, high: int, start: int, end: int, jumps_in: bool, jumps_out: bool
    ) -> None:
        frames = np.arange(low, high)
        if jumps_in and low < start + FADE_IN_FRAMES:
            piece *= np.clip((frames - start) / FADE_IN_FRAMES, 0.0, 1.0).astype(np.float32)[None, :, None]
        if jumps_out and high > end - FADE_OUT_FRAMES:
            piece *= np.clip((end - frames) / FADE_OUT_FRAMES, 0.0, 1.0).astype(np.float32)[None, :, None]


class _Renderer:
    def __init__(self, work: Work) -> None:
        geometry = Geometry(work.n_parts, work.n_blocks, work.monitor_frames)
        self._ring = Ring(here().open_shared(work.ring_address, geometry.n_bytes), geometry)
        self._rate_hz = work.sample_rate_hz
        session = session_from_dict(work.session)
        self._work = work
        self._chart = expand(session)
        self._tempo = TempoMap(self._chart.tempo_segments)
        self._levels = np.full(len(self._chart.bars), np.nan)
        stems: StemRenderer | FontRenderer
        failed = False
        try:
            stems = stem_renderer(self._score(), self._tempo, work.sample_rate_hz, soundfont=work.soundfont)
        except TrainerError as error:  # a font that worked when it was tried, and does not now: the band plays on
            print(f"{error}; the built-in sounds play", file=sys.stderr)
            failed = True
            stems = stem_renderer(self._score(), self._tempo, work.sample_rate_hz)
        self._stems = stems
        self._sound = RouteRenderer(stems, work.sample_rate_hz)
        self._route = 0
        self._next_block = 0
        order = [*_FIRST_PITCHES, *(p for p in range(MONITOR_PITCHES[0], MONITOR_PITCHES[1] + 1))]
        self._pitches = list(dict.fromkeys(order)) if work.monitor else []
        self._ring.say_ready(built_in_instead=failed)

    def set_route(self, route: Route) -> None:
        self._sound.set_route(route.stretches)
        self._route = route.number
        self._next_block = min(self._next_block, route.from_block)

    def _score(self) -> BandScore:
        work = self._work
        return arrange(self._chart, guide=work.guide, guide_line=work.guide_line, intensity=self._levels)

    def set_level(self, level: Level) -> None:
        """Arrange the bars from there on anew; what was rendered of them already is rendered again."""
        self._levels[level.bar_idx] = level.intensity
        score = self._score()
        if isinstance(self._stems, FontRenderer):
            self._stems.take_score(score, self._tempo)
        else:
            self._stems = StemRenderer(score, self._tempo, self._rate_hz)
            self._sound.take_stems(self._stems)
        bar_s = float(self._tempo.seconds_at(self._chart.bars[level.bar_idx].onset_beats)) - MOST_SHIFT_S
        # Blocks before the bar hold the same as before; the one being played now is never written.
        playhead = self._ring.playhead_frame // BLOCK_FRAMES
        self._next_block = min(self._next_block, max(self._sound.frame_of(bar_s) // BLOCK_FRAMES, playhead + 2))

    def step(self) -> bool:
        """One piece of work; False when there is nothing to do now."""
        playhead = self._ring.playhead_frame // BLOCK_FRAMES
        self._next_block = max(self._next_block, playhead)
        # The slot that is being played is never written.
        ahead = playhead + self._ring.geometry.n_blocks - 2
        n = min(PIECE_BLOCKS, ahead - self._next_block)
        comfortable = self._next_block > playhead + self._ring.geometry.n_blocks // 2
        if self._pitches and (comfortable or n <= 0):
            self._monitor(self._pitches.pop(0))
            return True
        if n <= 0:
            return False
        sound = self._sound.block(self._next_block * BLOCK_FRAMES, n * BLOCK_FRAMES)
        for i in range(n):
            self._ring.put(self._next_block + i, self._route, sound[:, i * BLOCK_FRAMES : (i + 1) * BLOCK_FRAMES])
        self._next_block += n
        return True

    def _monitor(self, pitch: int) -> None:
        i = pitch - MONITOR_PITCHES[0]
        note = monitor_note(float(pitch), 100, self._rate_hz).mean(axis=1)
        n = min(len(note), self._ring.geometry.monitor_frames)
        row = self._ring.monitor[i]
        row[:n] = note[:n]
        fade = min(n, self._rate_hz // 50)
        row[n - fade : n] *= np.linspace(1.0, 0.0, fade, dtype=np.float32)
        self._ring.monitor_ready[i] = n


def _told(messages: list[Work | Route | Level], renderer: _Renderer | None) -> _Renderer | None:
    for message in messages:
        if isinstance(message, Work):
            renderer = _Renderer(message)
        elif renderer is None:
            continue
        elif isinstance(message, Level):
            renderer.set_level(message)
        else:
            renderer.set_route(message)
    return renderer


def main() -> int:
    """Read `Work`, then routes, from standard input until it ends: in a thread, since not every system lets a pipe be
    waited for with a time limit.
    """
    for name in ("SIGINT", "SIGHUP", "SIGTSTP"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), signal.SIG_IGN)
    reader: Reader[Work | Route | Level] = Reader(Work | Route | Level)
    source = sys.stdin.buffer.fileno()
    inbox: queue.SimpleQueue[bytes] = queue.SimpleQueue()

    def pump() -> None:
        data = b"-"
        while data:
            data = os.read(source, 65536)
            inbox.put(data)

    threading.Thread(target=pump, daemon=True).start()
    renderer: _Renderer | None = None
    busy = True
    while True:
        # A wait, however short, may last a tick of the system's clock, 16 ms: with work to do there is none.
        with contextlib.suppress(queue.Empty):
            data = inbox.get_nowait() if busy else inbox.get(timeout=0.02)
            if not data:
                return 0
            renderer = _told(reader.feed(data), renderer)
        busy = renderer is not None and renderer.step()


if __name__ == "__main__":
    sys.exit(main())
