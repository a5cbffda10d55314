"""An ordinary bass in a running session: its sound taken in, kept on disk, and heard by the ear in a process beside us.

Frames count from the recording's first. Where input and output are one card they are one stream, and a frame of the
recording is the frame of the song's ruler: how far a note lies from the beat is then a count of frames, plus a constant
that only a calibration tells. Any other input is placed by a fit of its own stream's times. No latency that a driver
states is used for either.
"""

from __future__ import annotations

import contextlib
import os
import subprocess
import sys
import threading
import time
from collections import deque
from collections.abc import Callable
from pathlib import Path
from typing import IO, Any

import numpy as np
from numpy.typing import NDArray

from trainer.clock.fit import ClockFit
from trainer.clock.hindsight import StampKeeper, frame_knots
from trainer.engine.capture import Intake, SoundRing, WavWriter
from trainer.engine.ear import Listen
from trainer.engine.messages import EarSaid, Reader, frame_of
from trainer.errors import PortError
from trainer.ports.audio import AudioPort, RealAudioIn, open_capture
from trainer.ports.protocols import AudioStamp
from trainer.ports.wiring import jack_client_sends
from trainer.system import here
from trainer.take.placing import DEAD_CHANNEL

__all__ = ["BEND_RANGE_SEMITONES", "BassIn", "NoteWriter", "rate_for"]

BEND_RANGE_SEMITONES = 24
KEEP_EVERY_S = 0.010
WRITE_EVERY_S = 0.1
SOUNDS_DB = -50.0  # what a channel must reach to be taken for the bass's; our choice
MOST_EARS = 8  # how often an ear that died is started again
STALLED_NS = 1_000_000_000
SILENT_S = 1.5  # of samples that are exactly nothing: what a server gives whose far end has gone, or is silent
_RATES_HZ = (44_100, 96_000)


class NoteWriter:
    """What the ear says as MIDI messages with the frame of each: the form that records have. Sans-IO.

    A note is its number and a bend to its pitch; a better reading is another bend at the note's own onset. A stroke
    without pitch stands on a channel of its own, at the number of the note before.
    """

    def __init__(self) -> None:
        self._stroke: int | None = None
        self._number = 28
        self._onset = 0.0

    @staticmethod
    def opening() -> list[bytes]:
        """How far a bend reaches, before the first note (MIDI 1.0, RPN 0)."""
        return [bytes((0xB0, *pair)) for pair in ((101, 0), (100, 0), (6, BEND_RANGE_SEMITONES), (38, 0))]

    def write(self, said: EarSaid) -> list[tuple[float, bytes]]:
        """(frame, message) rows of one thing said."""
        if said.kind == "note":
            rows = self._off(said.frame)
            self._stroke, self._onset = said.stroke, said.frame
            self._number = int(np.clip(round(said.pitch), 0, 127))
            on = bytes((0x90, self._number, int(np.clip(said.velocity, 1, 127))))
            return [*rows, self._bend(said.pitch), (said.frame, on)]
        if said.kind == "dead":
            rows = self._off(said.frame)
            on = bytes((0x90 | DEAD_CHANNEL, self._number, int(np.clip(said.velocity, 1, 127))))
            return [*rows, (said.frame, on), (said.frame, bytes((0x80 | DEAD_CHANNEL, self._number, 0)))]
        if said.stroke != self._stroke:
            return []
        return [self._bend(said.pitch)] if said.kind == "amended" else self._off(said.frame)

    def _off(self, frame: float) -> list[tuple[float, bytes]]:
        if self._stroke is None:
            return []
        self._stroke = None
        return [(max(frame, self._onset), bytes((0x80, self._number, 0)))]

    def _bend(self, pitch: float) -> tuple[float, bytes]:
        steps = (pitch - self._number) / BEND_RANGE_SEMITONES
        raw = int(np.clip(8192 + round(steps * (8191 if steps > 0 else 8192)), 0, 16_383))
        return self._onset, bytes((0xE0, raw & 0x7F, raw >> 7))


class _OwnStream:
    """An input with a clock of its own: its stream (again and again, if it goes and comes back) and its fits."""

    def __init__(self, port: AudioPort, intake: Intake, rate_hz: int) -> None:
        self.port, self.intake, self.rate_hz = port, intake, rate_hz
        self._pieces: list[tuple[int, ClockFit, StampKeeper]] = []
        self.stream = self._opened()

    def _opened(self) -> RealAudioIn:
        stream = open_capture(self.intake.take, self.port, sample_rate_hz=self.rate_hz)
        first = self.intake.head
        # The moment of a block is when its first frame was taken in: before the callback, never after it.
        fit = ClockFit(stream.sample_rate_hz, lead_limits_s=(-5.0, 0.0))
        self._pieces.append((first, fit, StampKeeper(stream.sample_rate_hz)))
        stream.start()
        return stream

    def again(self) -> None:
        """Close and open anew. `PortError` while it cannot be had."""
        self.stream.close()
        self.stream = self._opened()

    def feed(self, on_xrun: Callable[[AudioStamp], None]) -> None:
        _, fit, keeper = self._pieces[-1]
        stamps = self.stream.stamps
        for _ in range(len(stamps)):
            stamp = stamps.popleft()
            fit.feed(stamp.frame, stamp.host_ns, stamp.dac_s, stamp.now_s, stamp.xrun)
            ahead_s = stamp.dac_s - stamp.now_s
            lead_ns = round(ahead_s * 1e9) if stamp.dac_s > 0.0 and -5.0 <= ahead_s <= 0.0 else 0
            keeper.feed(stamp.frame, stamp.host_ns + lead_ns)
            if stamp.xrun:
                on_xrun(stamp)

    def host_ns(self, frame: float) -> int:
        """Raw host time of a frame of the recording."""
        first, fit, _ = next((p for p in reversed(self._pieces) if frame >= p[0]), self._pieces[0])
        return round(fit.host_ns_at(frame - first)) if fit.ready else time.perf_counter_ns()

    def rows(self) -> list[list[float]]:
        """[frame, raw host ns, ns a frame] of each piece of the map, with hindsight."""
        out: list[list[float]] = []
        for first, _, keeper in self._pieces:
            knots = frame_knots(keeper.frames, keeper.sounding_ns, self.stream.sample_rate_hz)
            out += [[first + frame, host_ns, ns_per_frame] for frame, host_ns, ns_per_frame, _ in knots]
        return out


class BassIn:
    """The bass from the engine's opening to its end. `said` holds (frame, message) rows for the loop to place.

    `shared`: its blocks come with the band's stream, whose owner is given `intake.take`.
    """

    def __init__(
        self, port: AudioPort, rate_hz: int, *, shared: bool, channel: int | None, recording: Path | None
    ) -> None:
        """`PortError` where the input or the memory for it cannot be had."""
        self.port, self.rate_hz, self.shared = port, rate_hz, shared
        self.intake = Intake(port.n_channels, rate_hz)
        self.channel = channel if channel is not None or port.n_channels > 1 else 1
        self.said: deque[tuple[float, bytes]] = deque((0.0, message) for message in NoteWriter.opening())
        self.sounded = False
        self.n_ears = 0
        self.trouble: str | None = None
        self.recording: WavWriter | None = None
        self._zeros = 0
        self._ear: subprocess.Popen[bytes] | None = None
        self._done = threading.Event()
        try:
            self._address, self._ring = SoundRing.made(rate_hz)
        except OSError as error:
            raise PortError(f"no sound in: {error}") from None
        if recording is not None:
            try:
                recording.parent.mkdir(parents=True, exist_ok=True)
                self.recording = WavWriter(recording, rate_hz)
            except OSError as error:
                self.trouble = f"the bass is not recorded: {recording}: {error.strerror or error}"
        self.own: _OwnStream | None = None
        try:
            if not shared:
                self.own = _OwnStream(port, self.intake, rate_hz)
        except PortError:
            self.close()
            raise
        self._start_ear()
        self._keeper = threading.Thread(target=self._keep, name="bass", daemon=True)
        self._keeper.start()

    # --- the keeper's thread ------------------------------------------------------------------------------------------

    def _keep(self) -> None:
        waiting: list[NDArray[np.float32]] = []
        next_write_s = time.monotonic() + WRITE_EVERY_S
        while True:
            last = self._done.wait(KEEP_EVERY_S)
            blocks = self.intake.read()
            if len(blocks):
                mono = self._one_channel(blocks)
                self._ring.put(mono)
                waiting.append(mono)
                self._zeros = 0 if mono.any() else self._zeros + len(mono)
            if waiting and (last or time.monotonic() >= next_write_s):
                next_write_s = time.monotonic() + WRITE_EVERY_S
                if self.recording is not None:
                    self.recording.write(np.concatenate(waiting))
                waiting.clear()
            if last:
                return

    def _one_channel(self, blocks: NDArray[np.float32]) -> NDArray[np.float32]:
        """The channel that carries the bass: the one asked for, else the first on which anything is heard."""
        if not self.sounded or self.channel is None:
            power = np.mean(np.square(blocks, dtype=np.float64), axis=0)
            loudest = int(np.argmax(power)) if self.channel is None else self.channel - 1
            if power[loudest] > 10.0 ** (SOUNDS_DB / 10.0):
                self.channel, self.sounded = loudest + 1, True
        return np.ascontiguousarray(blocks[:, (self.channel or 1) - 1])

    # --- the ear ------------------------------------------------------------------------------------------------------

    def _start_ear(self) -> None:
        self.n_ears += 1
        # Standard error is the engine's log already.
        ear = subprocess.Popen(
            [sys.executable, "-m", "trainer.engine.ear"], stdin=subprocess.PIPE, stdout=subprocess.PIPE
        )
        assert ear.stdin is not None and ear.stdout is not None
        self._ear = ear
        with contextlib.suppress(OSError):
            order = Listen(self._address, self._ring.n_frames, self.rate_hz, self._ring.head)
            os.write(ear.stdin.fileno(), frame_of(order))
        threading.Thread(target=self._hear, args=(ear.stdout,), name="ear", daemon=True).start()

    def _hear(self, source: IO[bytes]) -> None:
        """In a thread of its own, which keeps the pipe open: what one ear says, until it ends."""
        reader: Reader[EarSaid] = Reader(EarSaid)
        writer = NoteWriter()
        with contextlib.suppress(OSError, ValueError):
            while data := os.read(source.fileno(), 65_536):
                for said in reader.feed(data):
                    self.said.extend(writer.write(said))

    # --- in the loop --------------------------------------------------------------------------------------------------

    def look(self, on_xrun: Callable[[AudioStamp], None]) -> str | None:
        """A few times a second: take in the stream's times, start a dead ear again; one line of news, or None."""
        if self.own is not None:
            self.own.feed(on_xrun)
        if self._ear is not None and self._ear.poll() is not None:
            self._ear = None
            if self.n_ears >= MOST_EARS:
                return "the bass is heard no more while you play; its recording goes on, and is heard at the end"
            self._start_ear()
        if self.recording is not None and self.recording.fault is not None and self.trouble is None:
            self.trouble = self.recording.fault
            return self.trouble
        return None

    def is_connected(self) -> bool:
        """Whether sound still comes; for the thread that may wait."""
        if self.own is None:
            return True
        stream = self.own.stream
        stalled = stream.last_callback_ns > 0 and time.perf_counter_ns() - stream.last_callback_ns > STALLED_NS
        return stream.fault is None and not stalled and not self._is_cut_off()

    def _is_cut_off(self) -> bool:
        """A server whose client has gone goes on calling, with nothing in the blocks; a client that plays nothing gives
        the same and is still wired."""
        return self._zeros > SILENT_S * self.rate_hz and self._is_unwired()

    def _is_unwired(self) -> bool:
        return self.port.system.startswith("JACK") and jack_client_sends(self.port.name) is False

    def take_up(self) -> bool:
        """Try to open the input again; whether blocks come, and from it: a server whose client is only coming up may
        open it without wiring it. For the thread that may wait."""
        if self.own is None:
            return True
        try:
            self.own.again()
        except PortError:
            return False
        self._zeros = 0
        end = time.monotonic() + 1.0
        while time.monotonic() < end and not self._done.is_set():
            if self.own.stream.last_callback_ns:
                return not self._is_unwired()
            time.sleep(0.02)
        return False

    # --- the end ------------------------------------------------------------------------------------------------------

    def describe(self) -> dict[str, Any]:
        """For the take's header."""
        return {
            "name": self.port.name,
            "system": self.port.system,
            "sample_rate_hz": self.rate_hz,
            "n_channels": self.port.n_channels,
            "one_stream": self.shared,
        }

    def end(self) -> None:
        """No more sound comes: stop the stream, write what waits. What the ear still says comes to `said`."""
        if self.own is not None:
            self.own.stream.close()
        self._done.set()
        if hasattr(self, "_keeper"):
            self._keeper.join(timeout=5.0)
        if self._ear is not None and self._ear.poll() is None:
            time.sleep(0.15)  # what it has in hand
        if self.recording is not None:
            self.recording.close(remove=not self.recording.n_frames)

    def close(self) -> None:
        """End the ear and let go of the memory; never raises."""
        self._done.set()
        if self.own is not None:
            self.own.stream.close()
        ear = self._ear
        if ear is not None:
            with contextlib.suppress(OSError):
                if ear.stdin is not None:
                    ear.stdin.close()
            try:
                ear.wait(timeout=2.0)
            except subprocess.TimeoutExpired:
                ear.kill()
                ear.wait()
        here().forget_shared(self._address)


def rate_for(port: AudioPort) -> int:
    """The rate to open an input of its own at: the port's, where the ear takes it."""
    return port.sample_rate_hz if _RATES_HZ[0] <= port.sample_rate_hz <= _RATES_HZ[1] else 48_000
