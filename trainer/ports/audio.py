"""Sound out and in through PortAudio (`sounddevice`), loaded at the first use.

The real-time contract: the callback runs in PortAudio's thread with the interpreter lock. It reads the clock, has the
block filled, leaves a stamp, and does nothing else: no lock held, no file, no print, nothing block-sized allocated. A
`Fill` that raises is not called again: the stream goes on in silence and `fault` says why.

PortAudio's times are on a clock whose origin differs per back end; the stamps carry both of its times, so that
`trainer.clock.fit.ClockFit` needs only their difference.

An input on the same card as the output is opened as one stream with it (`open_audio` with a `source`): a block comes in
and a block goes out in one callback, under one frame number, so the time between the two is a count of frames. Any
other input has a stream, a frame count and a clock of its own (`open_capture`).
"""

from __future__ import annotations

import atexit
import contextlib
import sys
import threading
import time
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, replace
from time import perf_counter_ns
from typing import Any, Literal

import numpy as np

from trainer.errors import PortError
from trainer.ports.midi import find_port, quiet_stderr
from trainer.ports.protocols import AudioStamp, Fill, Take
from trainer.system import here

__all__ = [
    "AudioList",
    "AudioPort",
    "RealAudioIn",
    "RealAudioOut",
    "list_audio",
    "one_clock",
    "open_audio",
    "open_capture",
    "output_name",
    "rest",
    "running_latency_s",
    "stream_settings",
]

_MAX_BLOCK_FRAMES = 16_384
_CLOSE_S = 2.0
NO_OUTPUT = (
    "no sound output found on this machine; plug in headphones or an interface and look with: trainer ports "
    "(without sound: --no-audio, the band on a MIDI output: --midi-out NAME)"
)


@dataclass(frozen=True, slots=True)
class AudioPort:
    """A sound output or input as PortAudio names it; `system` is the host interface, `n_channels` that way's."""

    name: str
    system: str
    index: int
    n_channels: int
    sample_rate_hz: int
    default: bool = False


@dataclass(frozen=True, slots=True)
class AudioList:
    """The sound outputs and inputs there are now; `note` says why there is no output, or None."""

    outputs: tuple[AudioPort, ...] = ()
    note: str | None = None
    inputs: tuple[AudioPort, ...] = ()

    @property
    def names(self) -> tuple[str, ...]:
        return tuple(port.name for port in self.outputs)

    @property
    def default(self) -> AudioPort | None:
        return next((port for port in self.outputs if port.default), None)

    def output(self, name: str | None) -> AudioPort:
        """The output of that name or part of one, the default for None. `PortError` when there is none such."""
        if not self.outputs:
            raise PortError(self.note or NO_OUTPUT)
        if name is None:
            return self.default or self.outputs[0]
        found = find_port(name, self.names, "sound output")
        return next(port for port in self.outputs if port.name == found)

    def input(self, name: str) -> AudioPort:
        """The input of that name or part of one. `PortError` when there is none such."""
        if not self.inputs:
            why = "none is connected" if self.note in (None, NO_OUTPUT) else self.note
            raise PortError(f'no sound input "{name}": {why}; what there is: trainer ports')
        found = find_port(name, tuple(port.name for port in self.inputs), "sound input")
        return next(port for port in self.inputs if port.name == found)


def one_clock(source: AudioPort, output: AudioPort) -> bool:
    """Whether an input and an output are two sides of one card, and can be opened as one stream."""
    return source.system == output.system and (source.index == output.index or source.name == output.name)


def _library() -> Any:
    """`sounddevice`, or a `PortError` that says what to install."""
    try:
        with quiet_stderr():
            import sounddevice
    except OSError:
        raise PortError(
            "no sound: the PortAudio library is missing; on Debian and Ubuntu: apt-get install libportaudio2"
        ) from None
    except ImportError:
        raise PortError('no sound: "python -m pip install sounddevice" adds what is missing') from None
    if not _state.known:
        # Its own clean-up at exit waits for ever, or ends the process with a failed assertion, when the sound server
        # has died; leaving without any clean-up ends in a crash when the server lives.
        _state.known = True
        atexit.unregister(sounddevice._exit_handler)
        atexit.register(_leave, sounddevice)
    if not sounddevice._initialized and not _state.abandoned:
        try:
            with quiet_stderr():
                sounddevice._initialize()
        except sounddevice.PortAudioError as error:
            raise PortError(f"no sound: PortAudio does not start ({error})") from None
    return sounddevice


class _State:
    """What is true of PortAudio in this process."""

    known = False
    n_open = 0  # streams
    abandoned = False  # a stream never closed: its server or card is dead, and PortAudio must not be touched again


_state = _State()


def _leave(lib: Any) -> None:
    """End PortAudio while its server still lives, in a thread that may be left behind if it does not."""
    if _state.abandoned or not lib._initialized:
        return

    def end() -> None:
        with contextlib.suppress(Exception):
            while lib._initialized:
                lib._terminate()

    ender = threading.Thread(target=end, name="audio end", daemon=True)
    ender.start()
    ender.join(_CLOSE_S)


def rest() -> None:
    """Let PortAudio go in a process that only looked what there is: ended after its sound server has died, it ends the
    process with a failed assertion. The next look starts it again."""
    lib = sys.modules.get("sounddevice")
    if lib is not None and _state.known and not _state.n_open:
        with quiet_stderr():
            _leave(lib)


def list_audio(*, fresh: bool = False) -> AudioList:
    """The sound outputs and inputs, each card once where the system lists it several times; never raises. `fresh`: look
    again for what was plugged in since the first look (not while a stream is open).
    """
    try:
        lib = _library()
        with quiet_stderr():
            if fresh and not _state.n_open and not _state.abandoned:
                lib._terminate()
                lib._initialize()
            outputs, inputs = _ports(lib, "output"), _ports(lib, "input")
    except PortError as error:
        return AudioList(note=str(error))
    except Exception as error:  # PortAudio's own exception class, known only once it is loaded
        return AudioList(note=f"no sound: {error}")
    return AudioList(outputs, None if outputs else NO_OUTPUT, inputs)


def _ports(lib: Any, way: Literal["input", "output"]) -> tuple[AudioPort, ...]:
    """The ports of one way, of the host interface that is best on this system, or of all where none is."""
    systems: Sequence[Any] = lib.query_hostapis()
    found = [
        AudioPort(
            str(port["name"]),
            str(systems[port["hostapi"]]["name"]),
            i,
            int(port[f"max_{way}_channels"]),
            round(port["default_samplerate"]),
        )
        for i, port in enumerate(lib.query_devices())
        if port[f"max_{way}_channels"] > 0
    ]
    best = next((name for name in here().audio_interfaces if any(port.system == name for port in found)), None)
    if best is None:
        defaults = [lib.default.device[way == "output"], *(api[f"default_{way}_device"] for api in systems)]
    else:
        found = [port for port in found if port.system == best]
        defaults = [api[f"default_{way}_device"] for api in systems if api["name"] == best]
    chosen = next((i for i in defaults if i not in (None, -1)), -1)
    return tuple(replace(port, default=port.index == chosen) for port in found)


def stream_settings(lib: Any, port: AudioPort) -> dict[str, Any]:
    """What a stream on this port is to be opened with besides its format, as keyword arguments.

    WASAPI shares a card at the card's own rate only, unless asked to convert (Microsoft, audio stream flags,
    AUDCLNT_STREAMFLAGS_AUTOCONVERTPCM).
    """
    return {"extra_settings": lib.WasapiSettings(auto_convert=True)} if port.system == "Windows WASAPI" else {}


def running_latency_s(port: AudioPort, ports: AudioList, during_s: float = 0.4) -> float | None:
    """How long after it was asked for sound leaves an output, by its driver's times while it runs, silent; None where
    it cannot be opened now or gives no times.
    """
    try:
        stream = open_audio(lambda frame, out: out.fill(0.0), port.name, ports=ports)
    except PortError:
        return None
    with contextlib.suppress(PortError):
        stream.start()
        time.sleep(during_s)
    stream.close()
    ahead_s = [stamp.dac_s - stamp.now_s for stamp in stream.stamps if stamp.dac_s > 0.0]
    return float(np.median(ahead_s)) if ahead_s else None


class _Stream:
    """What streams out and in share: stamps, faults, and how they end."""

    _stream: Any

    def __init__(self, lib: Any, port: AudioPort, block_frames: int, side: str) -> None:
        self.port = port
        self.stamps: deque[AudioStamp] = deque(maxlen=65_536)
        self.n_xruns = 0
        self.fault: str | None = None
        self.last_callback_ns = 0
        self._closing = False
        self._frame = 0
        self._block_frames = block_frames
        self._lib = lib
        self._side = side

    def _stamped(self, host_ns: int, n_frames: int, at_s: float, now_s: float, xrun: bool) -> int:
        """Count a block whose first frame sounds, or was taken in, at the driver's `at_s`; gives that frame."""
        frame = self._frame
        self._frame = frame + n_frames
        self.last_callback_ns = host_ns
        self.n_xruns += xrun
        self.stamps.append(AudioStamp(frame, n_frames, host_ns, at_s, now_s, xrun))
        return frame

    def _finished(self) -> None:
        if not self._closing and self.fault is None:
            self.fault = f'sound {self._side} "{self.port.name}" stopped by itself; is it still connected?'

    @property
    def name(self) -> str:
        return self.port.name

    @property
    def sample_rate_hz(self) -> int:
        return round(float(self._stream.samplerate))

    @property
    def block_frames(self) -> int:
        return self._block_frames

    @property
    def n_frames(self) -> int:
        """Frames asked for so far."""
        return self._frame

    def start(self) -> None:
        try:
            with quiet_stderr():
                self._stream.start()
        except self._lib.PortAudioError as error:
            raise PortError(_refused(self.port, error, self._side)) from None

    def close(self) -> None:
        if self._closing:
            return
        self._closing = True

        def shut() -> None:
            with contextlib.suppress(Exception):
                self._stream.stop()
            with contextlib.suppress(Exception):
                self._stream.close()

        # A dead sound server never answers, and PortAudio waits for it without end: leave it behind then.
        closer = threading.Thread(target=shut, name="audio close", daemon=True)
        closer.start()
        closer.join(_CLOSE_S)
        _state.n_open -= 1
        if closer.is_alive():
            _state.abandoned = True
        elif not _state.n_open:  # at once, not at exit: the server may have gone by then
            _leave(self._lib)


class RealAudioOut(_Stream):
    """An open PortAudio stream, with an input of the same card in it where a `source` is given. By `open_audio`."""

    def __init__(
        self,
        lib: Any,
        port: AudioPort,
        fill: Fill,
        sample_rate_hz: int,
        block_frames: int,
        latency: Any,
        source: tuple[AudioPort, Take] | None = None,
    ) -> None:
        super().__init__(lib, port, block_frames, "output")
        n_channels = min(2, port.n_channels)
        scratch = np.zeros((_MAX_BLOCK_FRAMES, 2), dtype=np.float32)

        def callback(raw: Any, n_frames: int, times: Any, status: Any) -> None:
            host_ns = perf_counter_ns()
            xrun = bool(status) and bool(status.output_underflow or status.input_overflow)
            frame = self._stamped(host_ns, n_frames, times.outputBufferDacTime, times.currentTime, xrun)
            # A view of the driver's own buffer; the library's ready-made one sets an array's shape in place, which
            # NumPy 2.5 deprecates.
            out = np.frombuffer(raw, dtype=np.float32).reshape(n_frames, n_channels)
            if self.fault is not None:
                out.fill(0.0)
                return
            try:
                if n_channels == 2:
                    fill(frame, out)
                else:
                    block = scratch[:n_frames]
                    fill(frame, block)
                    np.add(block[:, 0], block[:, 1], out=out[:, 0])
                    out *= 0.5
            except Exception as error:
                out.fill(0.0)
                self.fault = f"the sound could not be made: {type(error).__name__}: {error}"

        options: dict[str, Any] = {
            "samplerate": sample_rate_hz,
            "blocksize": block_frames,
            "dtype": "float32",
            "latency": latency,
            "finished_callback": self._finished,
        }
        if source is None:
            options |= stream_settings(lib, port)
            self._stream = lib.RawOutputStream(device=port.index, channels=n_channels, callback=callback, **options)
        else:
            from_port, take = source
            n_in = from_port.n_channels
            sides = [stream_settings(lib, side).get("extra_settings") for side in (from_port, port)]
            if any(sides):
                options["extra_settings"] = tuple(sides)

            def both(raw_in: Any, raw: Any, n_frames: int, times: Any, status: Any) -> None:
                frame = self._frame
                callback(raw, n_frames, times, status)
                take(frame, np.frombuffer(raw_in, dtype=np.float32).reshape(n_frames, n_in))

            self._stream = lib.RawStream(
                device=(from_port.index, port.index), channels=(n_in, n_channels), callback=both, **options
            )
        _state.n_open += 1

    @property
    def latency_s(self) -> float:
        stated = self._stream.latency
        return float(stated[1] if isinstance(stated, tuple) else stated)

    def describe(self) -> dict[str, Any]:
        return {
            "name": self.port.name,
            "system": self.port.system,
            "sample_rate_hz": self.sample_rate_hz,
            "block_frames": self._block_frames,
            "latency_s": self.latency_s,
        }


class RealAudioIn(_Stream):
    """An open PortAudio input with a frame count of its own. Made by `open_capture`.

    The stamps' `dac_s` is here the driver's time at which the block's first frame was taken in.
    """

    def __init__(
        self, lib: Any, port: AudioPort, take: Take, sample_rate_hz: int, block_frames: int, latency: Any
    ) -> None:
        super().__init__(lib, port, block_frames, "input")
        n_channels = port.n_channels

        def callback(raw: Any, n_frames: int, times: Any, status: Any) -> None:
            host_ns = perf_counter_ns()
            xrun = bool(status) and bool(status.input_overflow)
            frame = self._stamped(host_ns, n_frames, times.inputBufferAdcTime, times.currentTime, xrun)
            take(frame, np.frombuffer(raw, dtype=np.float32).reshape(n_frames, n_channels))

        self._stream = lib.RawInputStream(
            samplerate=sample_rate_hz,
            blocksize=block_frames,
            device=port.index,
            channels=n_channels,
            dtype="float32",
            latency=latency,
            callback=callback,
            finished_callback=self._finished,
            **stream_settings(lib, port),
        )
        _state.n_open += 1

    def describe(self) -> dict[str, Any]:
        return {
            "name": self.port.name,
            "system": self.port.system,
            "sample_rate_hz": self.sample_rate_hz,
            "block_frames": self._block_frames,
            "n_channels": self.port.n_channels,
        }


def _refused(port: AudioPort, error: Exception, side: str) -> str:
    cause = str(error).splitlines()[0] if str(error) else type(error).__name__
    advice = "close the program that holds it, or choose another"
    return f'sound {side} "{port.name}" could not be opened ({cause}); {advice}'


def _ready_library() -> Any:
    lib = _library()
    if _state.abandoned:
        raise PortError("the sound system no longer answers; leave the program and start it again to have sound")
    return lib


def output_name(audio: str) -> str:
    """The name of the sound output that will be opened for "auto", "none" or part of a name; "none" without sound."""
    if audio == "none":
        return "none"
    outputs = list_audio()
    if audio == "auto":
        return outputs.default.name if outputs.default is not None else "none"
    return find_port(audio, outputs.names, "sound output")


def open_audio(
    fill: Fill,
    name: str | None = None,
    *,
    sample_rate_hz: int | None = None,
    block_frames: int = 256,
    latency: float | str = "low",
    ports: AudioList | None = None,
    source: tuple[AudioPort, Take] | None = None,
) -> RealAudioOut:
    """An audio stream, not yet started, on the output of that name or part of one (None: the system's default).

    `sample_rate_hz`: None takes the port's own. `latency`: "low", "high" or seconds, as PortAudio takes it.
    `source`: an input of the same card (`one_clock`) and what takes its blocks. `PortError` when there is no sound, no
    such output, or it is busy.
    """
    lib = _ready_library()
    port = (ports or list_audio()).output(name)
    try:
        with quiet_stderr():
            return RealAudioOut(lib, port, fill, sample_rate_hz or port.sample_rate_hz, block_frames, latency, source)
    except (lib.PortAudioError, ValueError) as error:
        raise PortError(_refused(port, error, "output")) from None


def open_capture(
    take: Take,
    port: AudioPort,
    *,
    sample_rate_hz: int | None = None,
    block_frames: int = 256,
    latency: float | str = "low",
) -> RealAudioIn:
    """An input stream of its own, not yet started, with all channels of the port. `PortError` when it is busy."""
    lib = _ready_library()
    try:
        with quiet_stderr():
            return RealAudioIn(lib, port, take, sample_rate_hz or port.sample_rate_hz, block_frames, latency)
    except (lib.PortAudioError, ValueError) as error:
        raise PortError(_refused(port, error, "input")) from None
