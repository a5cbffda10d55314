"""The band's sound in a running session: the audio stream, its ring, its renderer, as one thing with a few verbs."""

from __future__ import annotations

import contextlib
import os
import subprocess
import sys
import time
from collections import deque
from time import perf_counter_ns
from typing import Any

import numpy as np
from numpy.typing import NDArray

from trainer.band import PARTS
from trainer.clock.fit import ClockFit
from trainer.clock.sources import Clock
from trainer.clock.transport import Timeline
from trainer.engine.core import AudioRuler
from trainer.engine.messages import Setup, frame_of
from trainer.engine.mixer import FrameLine, Mixer
from trainer.engine.render import Level, Route, Work
from trainer.engine.ring import BLOCK_FRAMES, Geometry, Ring
from trainer.errors import PortError
from trainer.ports.audio import AudioPort, open_audio
from trainer.ports.protocols import AudioOut, RawMidi, Take
from trainer.system import here

__all__ = ["BandSound"]

READY_WITHIN_S = 50.0  # the sounds are made at the first use: some seconds, and many on a small computer
FIT_FROM_S = 0.5  # of callbacks before the song may begin
LEAD_S = 0.12  # from a command to the block that obeys it: what the renderer needs, with room
START_LEAD_S = 0.3
STALLED_S = 1.0


class BandSound:
    """The stream open, the renderer ahead, both going; `ruler` is the stream as the song's ruler. `remark`: what is not
    as it was asked for, or None."""

    def __init__(
        self,
        setup: Setup,
        clock: Clock,
        session: dict[str, Any],
        gains: tuple[float, ...],
        strikes: deque[RawMidi],
        source: tuple[AudioPort, Take] | None = None,
    ) -> None:
        """Waits until there is sound ahead; `PortError` if it cannot be had, with nothing left open. `source`: an input
        of the same card, and what takes its blocks."""
        self._renderer: subprocess.Popen[bytes] | None = None
        self._mixer: Mixer | None = None
        self._setup = setup
        self._route = 0
        self._address = ""
        self.remark: str | None = None
        name = None if setup.audio in ("auto", "") else setup.audio
        self.stream: AudioOut = open_audio(
            self._fill,
            name,
            sample_rate_hz=setup.sample_rate_hz,
            block_frames=setup.block_frames,
            source=source,
        )
        self.rate_hz = self.stream.sample_rate_hz
        self.fit = ClockFit(self.rate_hz, lead_s=self.stream.latency_s)
        self._geometry = Geometry.for_rate(len(PARTS), self.rate_hz)
        try:
            self._start_renderer(session)
            self._mixer = Mixer(
                self._ring,
                self.rate_hz,
                gains,
                strikes if setup.monitor else deque(maxlen=1),
                mono=setup.profile == "typing",
                transpose_semitones=setup.transpose_semitones,
            )
            self._start_stream()
        except PortError:
            self.close()
            raise
        self.ruler = AudioRuler(self.fit, clock, self.rate_hz)
        self._n_stamps, self._last_stamp_ns = self.fit.n_stamps, perf_counter_ns()

    def _fill(self, first_frame: int, out: NDArray[np.float32]) -> None:
        mixer = self._mixer
        if mixer is None:
            out.fill(0.0)
        else:
            mixer.fill(first_frame, out)

    @property
    def mixer(self) -> Mixer:
        if self._mixer is None:
            raise RuntimeError("the band's sound was not prepared")
        return self._mixer

    def _start_renderer(self, session: dict[str, Any]) -> None:
        """Start the renderer and wait until it is ahead."""
        try:
            self._address, memory = here().make_shared(self._geometry.n_bytes)
            self._ring = Ring(memory, self._geometry)
        except OSError as error:
            raise PortError(f"no sound: {error}") from None
        # Standard error is the engine's log already.
        self._renderer = subprocess.Popen(
            [sys.executable, "-m", "trainer.engine.render"], stdin=subprocess.PIPE, stdout=subprocess.DEVNULL
        )
        self._tell(
            Work(
                self._address,
                self._geometry.n_parts,
                self._geometry.n_blocks,
                self._geometry.monitor_frames,
                self.rate_hz,
                session,
                self._setup.guide,
                self._setup.guide_line,
                self._setup.monitor,
                self._setup.soundfont,
            )
        )
        until = time.monotonic() + READY_WITHIN_S
        while not self._ring.renderer_ready:
            if self._renderer.poll() is not None:
                raise PortError("no sound: the band's sound could not be made (the engine's log says why)")
            if time.monotonic() > until:
                raise PortError(f"no sound: the band's sound was not ready within {READY_WITHIN_S:g} s")
            time.sleep(0.01)
        here().forget_shared(self._address)
        if self._ring.built_in_instead:
            self.remark = (
                f"the SoundFont {self._setup.soundfont} could not be played (the engine's log says why); "
                "the built-in sounds play"
            )

    def _start_stream(self) -> None:
        """Start the stream and wait until its clock is known."""
        self.stream.start()
        until = time.monotonic() + FIT_FROM_S
        while time.monotonic() < until or not self.fit.ready:
            while self.stream.stamps:
                stamp = self.stream.stamps.popleft()
                self.fit.feed(stamp.frame, stamp.host_ns, stamp.dac_s, stamp.now_s, stamp.xrun)
            if time.monotonic() > until + 3.0:
                raise PortError(f'no sound: the output "{self.stream.name}" was opened but never asked for any')
            time.sleep(0.01)

    def _tell(self, message: Work | Route | Level) -> bool:
        renderer = self._renderer
        if renderer is None or renderer.stdin is None:
            return False
        try:
            os.write(renderer.stdin.fileno(), frame_of(message))
        except OSError:
            return False
        return True

    def effect_s(self, *, starting: bool = False) -> float:
        """The earliest ruler second at which a command given now can be heard: a block's beginning."""
        lead = START_LEAD_S if starting else LEAD_S
        frame = self._ring.playhead_frame + int(lead * self.rate_hz) + 2 * BLOCK_FRAMES
        return (frame // BLOCK_FRAMES + 1) * BLOCK_FRAMES / self.rate_hz

    def take_route(self, timeline: Timeline, from_s: float) -> bool:
        """Render along this timeline from a ruler second on; False when the renderer has gone."""
        self._route += 1
        from_block = int(from_s * self.rate_hz + 0.5) // BLOCK_FRAMES
        rows = [(s.ruler_s, s.song_s, s.moves) for s in timeline.stretches[1:]]
        told = self._tell(Route(self._route, from_block, rows))
        self.mixer.route = (self._route, from_block)
        return told

    def set_level(self, bar_idx: int, intensity: float) -> None:
        """Tell the renderer how hard the band plays a bar to come."""
        self._tell(Level(bar_idx, intensity))

    def set_gains(self, gains: tuple[float, ...]) -> None:
        self.mixer.gains = np.asarray(gains, dtype=np.float32)

    def look(self, bend_ranges: tuple[float, ...]) -> str | None:
        """A few times a second: lend the mixer what it places and bends the player's notes by. Why there is no sound
        any more, or None.
        """
        if self.fit.n_stamps != self._n_stamps:
            self._n_stamps, self._last_stamp_ns = self.fit.n_stamps, perf_counter_ns()
        host_ns, frame, frames_per_ns = self.ruler.line()
        block = self.stream.block_frames or BLOCK_FRAMES
        ahead = self.stream.latency_s * self.rate_hz + block  # a constant delay: the output's latency and one block
        self.mixer.line = FrameLine(host_ns, frame + ahead, frames_per_ns)
        self.mixer.bend_ranges = bend_ranges
        if self.stream.fault is not None:
            return self.stream.fault
        if self._renderer is None or self._renderer.poll() is not None:
            return "the band's sound is made no more (the engine's log says why)"
        if perf_counter_ns() - self._last_stamp_ns > STALLED_S * 1e9:
            return f'sound output "{self.stream.name}" has stopped asking for sound'
        return None

    def close(self) -> None:
        """Go quiet, then close everything; never raises."""
        if self._mixer is not None and self.stream.fault is None:
            self._mixer.open = False
            time.sleep(0.06)
        self.stream.close()
        if self._renderer is not None:
            with contextlib.suppress(OSError):
                if self._renderer.stdin is not None:
                    self._renderer.stdin.close()
            try:
                self._renderer.wait(timeout=2.0)
            except subprocess.TimeoutExpired:
                self._renderer.kill()
                self._renderer.wait()
        if self._address:
            here().forget_shared(self._address)
