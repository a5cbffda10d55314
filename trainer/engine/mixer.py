"""What the audio callback does: the stems of the ring times the parts' gains, and the player's own notes on top.

The real-time contract: `fill` runs in the audio driver's thread. It takes no lock, opens nothing, prints nothing, and
works in arrays made beforehand. What it shares with the other threads are single attributes, replaced whole.
"""

from __future__ import annotations

from collections import deque
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from trainer.band.sound import Ducker
from trainer.engine.ring import BLOCK_FRAMES, MONITOR_PITCHES, Ring
from trainer.ports.protocols import RawMidi
from trainer.take.messages import BEND_RANGE_SEMITONES, is_channel_message, wheel_frac

__all__ = ["FrameLine", "Mixer"]

MAX_BLOCK_FRAMES = 16_384
MAX_VOICES = 8
RELEASE_S = 0.04


class FrameLine(NamedTuple):
    """Frames against the host clock near now: `frame` sounds at `host_ns`, `frames_per_ns` is the slope."""

    host_ns: int
    frame: float
    frames_per_ns: float

    def frame_at(self, host_ns: int) -> float:
        return self.frame + (host_ns - self.host_ns) * self.frames_per_ns


class _Voice:
    __slots__ = ("at", "channel", "gain", "length", "number", "release_frame", "row", "start_frame")

    def __init__(
        self, row: NDArray[np.float32], length: int, gain: float, start_frame: int, channel: int, number: int
    ) -> None:
        self.row = row
        self.length = length
        self.gain = gain
        self.start_frame = start_frame
        self.channel = channel
        self.number = number
        self.release_frame: int | None = None
        self.at = 0.0  # the place in the row that is heard next


class Mixer:
    """Fills blocks of the audio stream. Give `fill` to the stream, and `strikes` to whoever hears the player."""

    def __init__(
        self,
        ring: Ring,
        sample_rate_hz: int,
        gains: tuple[float, ...],
        strikes: deque[RawMidi],
        *,
        mono: bool = False,
        transpose_semitones: int = 0,
    ) -> None:
        """`strikes`: the player's messages as they arrive; `mono`: a new note ends the one before (for inputs that
        send no releases).
        """
        n_parts = ring.geometry.n_parts
        self.strikes = strikes
        self.line: FrameLine | None = None
        self.route: tuple[int, int] = (0, 0)  # number, first block that must carry it
        self.gains: NDArray[np.float32] = np.asarray(gains, dtype=np.float32)
        self.n_missing = 0  # blocks that were not rendered in time
        self.open = True  # False: silence
        self._mono = mono
        self._transpose = transpose_semitones
        self._ring = ring
        self._rate_hz = sample_rate_hz
        self._scratch = np.zeros((n_parts + 1, MAX_BLOCK_FRAMES, 2), dtype=np.float32)
        self._tmp = np.zeros(MAX_BLOCK_FRAMES, dtype=np.float32)
        self._was = self.gains.copy()
        self._ducker = Ducker(sample_rate_hz)
        self._unity = np.ones(n_parts + 1, dtype=np.float32)
        self._all_gains = np.ones(n_parts + 1, dtype=np.float32)
        self._ramp = np.arange(1, MAX_BLOCK_FRAMES + 1, dtype=np.float32)
        n_release = int(RELEASE_S * sample_rate_hz)
        self._release = np.linspace(1.0, 0.0, n_release, dtype=np.float32)
        self._voices: list[_Voice] = []
        self.bend_ranges: tuple[float, ...] = (BEND_RANGE_SEMITONES,) * 16
        self._bends = [0.0] * 16  # of the range, -1 to 1
        self._steps = np.arange(MAX_BLOCK_FRAMES, dtype=np.float64)
        self._where = np.zeros(MAX_BLOCK_FRAMES, dtype=np.float64)
        self._whole = np.zeros(MAX_BLOCK_FRAMES, dtype=np.intp)
        self._low = np.zeros(MAX_BLOCK_FRAMES, dtype=np.float32)
        self._level = 1.0

    def fill(self, first_frame: int, out: NDArray[np.float32]) -> None:
        n = out.shape[0]
        ring = self._ring
        n_parts = ring.geometry.n_parts
        ring.playhead_frame = first_frame
        stems = self._scratch[:n_parts, :n]
        self._read(first_frame, n, stems)
        own = self._scratch[n_parts, :n]
        own.fill(0.0)
        if self.strikes:
            self._strike(first_frame)
        if self._voices:
            self._sing(first_frame, n, own)
        gains = self.gains
        if gains is not self._was and not np.array_equal(gains, self._was):
            ramp = self._ramp[:n] / np.float32(n)
            for part in range(n_parts):
                was, now = self._was[part], gains[part]
                stems[part] *= (was + (now - was) * ramp)[:, None]
            self._ducker.mix(self._scratch[:, :n], self._unity, out)
        else:
            self._all_gains[:n_parts] = gains
            self._ducker.mix(self._scratch[:, :n], self._all_gains, out)
        self._was = gains
        if not self.open or self._level < 1.0:
            self._shut(n, out)

    def _read(self, first_frame: int, n: int, stems: NDArray[np.float32]) -> None:
        ring = self._ring
        size = ring.geometry.n_frames
        number, from_block = self.route
        at = first_frame
        end = first_frame + n
        while at < end:
            block = at // BLOCK_FRAMES
            stop = min((block + 1) * BLOCK_FRAMES, end)
            here = stems[:, at - first_frame : stop - first_frame]
            tag = int(ring.tags[block % ring.geometry.n_blocks])
            right = tag == ring.tag_of(block, number) if block >= from_block else tag >> 20 == block + 1
            if right:
                here[...] = ring.stems[:, at % size : at % size + (stop - at)]
            else:
                here.fill(0.0)
                if number:
                    self.n_missing += 1
            at = stop

    def _strike(self, first_frame: int) -> None:
        line = self.line
        while self.strikes:
            host_ns, _, data = self.strikes.popleft()
            if len(data) != 3 or not is_channel_message(data):
                continue
            kind, channel = data[0] & 0xF0, data[0] & 0x0F
            frame = first_frame
            if line is not None:
                frame = max(first_frame, int(line.frame_at(host_ns)))
            if kind == 0xB0 and data[1] in (120, 123):
                for voice in self._voices:
                    voice.release_frame = max(frame, voice.start_frame)
            elif kind == 0xE0:
                self._bends[channel] = wheel_frac(data[1] | data[2] << 7)
            elif kind in (0x80, 0x90):
                self._note(channel, data[1], data[2] if kind == 0x90 else 0, frame)

    def _note(self, channel: int, number: int, velocity: int, frame: int) -> None:
        """A key goes up (`velocity` 0) or down at a frame of the stream."""
        for voice in self._voices:
            same = voice.number == number and voice.channel == channel
            if (same or (self._mono and velocity)) and voice.release_frame is None:
                voice.release_frame = max(frame, voice.start_frame)
        if not velocity:
            return
        low, high = MONITOR_PITCHES
        pitch = number + self._transpose
        while pitch < low:
            pitch += 12
        while pitch > high:
            pitch -= 12
        length = int(self._ring.monitor_ready[pitch - low])
        if not length:
            return
        gain = (velocity / 100.0) ** 1.4
        if len(self._voices) >= MAX_VOICES:
            self._voices.pop(0)
        self._voices.append(_Voice(self._ring.monitor[pitch - low], length, gain, frame, channel, number))

    def _sing(self, first_frame: int, n: int, own: NDArray[np.float32]) -> None:
        keep = []
        n_release = len(self._release)
        for voice in self._voices:
            at = max(first_frame, voice.start_frame)
            stop = first_frame + n
            if voice.release_frame is not None:
                stop = min(stop, voice.release_frame + n_release)
            bend = self._bends[voice.channel]
            speed = 1.0 if bend == 0.0 else 2.0 ** (bend * self.bend_ranges[voice.channel] / 12.0)
            stop = min(stop, at + int((voice.length - 1 - voice.at) / speed))
            if stop > at:
                piece = self._tmp[: stop - at]
                self._read_bent(voice, speed, piece)
                voice.at += (stop - at) * speed
                if voice.release_frame is not None and stop > voice.release_frame:
                    low = max(at, voice.release_frame)
                    piece[low - at :] *= self._release[low - voice.release_frame : stop - voice.release_frame]
                target = own[at - first_frame : stop - first_frame]
                target[:, 0] += piece
                target[:, 1] += piece
            ended = voice.at + speed >= voice.length - 1
            released = voice.release_frame is not None and first_frame + n >= voice.release_frame + n_release
            if not (ended or released):
                keep.append(voice)
        self._voices = keep

    def _read_bent(self, voice: _Voice, speed: float, piece: NDArray[np.float32]) -> None:
        """The voice's next sound into `piece`, read at that speed (between its samples by a straight line)."""
        n = len(piece)
        first = int(voice.at)
        if speed == 1.0 and first == voice.at:
            np.multiply(voice.row[first : first + n], voice.gain, out=piece)
            return
        where, whole, low = self._where[:n], self._whole[:n], self._low[:n]
        np.multiply(self._steps[:n], speed, out=where)
        where += voice.at
        np.copyto(whole, where, casting="unsafe")
        where -= whole
        np.take(voice.row, whole, out=low, mode="clip")
        whole += 1
        np.take(voice.row, whole, out=piece, mode="clip")
        piece -= low
        piece *= where
        piece += low
        piece *= voice.gain

    def _shut(self, n: int, out: NDArray[np.float32]) -> None:
        """Go to silence over 20 ms, and stay there until opened again."""
        goal = 1.0 if self.open else 0.0
        step = n / (0.02 * self._rate_hz)
        level = min(goal, self._level + step) if goal > self._level else max(goal, self._level - step)
        out *= (self._level + (level - self._level) * (self._ramp[:n] / np.float32(n)))[:, None]
        self._level = level
