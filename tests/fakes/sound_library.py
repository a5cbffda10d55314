"""A stand-in for `sounddevice` on Windows: every card four times, once for each host interface.

Follows the documentation of `sounddevice` (query_hostapis, query_devices, RawOutputStream, WasapiSettings) and of
PortAudio's host interfaces on Windows: MME cuts names at 31 characters and lists a mapper before the cards; WASAPI
opens a shared card at another rate than its own only when asked to convert (paWinWasapiAutoConvert), else it says
"Invalid sample rate".
"""

from __future__ import annotations

import threading
import time
from typing import Any

import numpy as np

MME, DIRECT, WASAPI, KS = "MME", "Windows DirectSound", "Windows WASAPI", "Windows WDM-KS"
LATENCY_S = {MME: 0.18, DIRECT: 0.12, WASAPI: 0.022, KS: 0.01}


class PortAudioError(Exception):
    pass


class WasapiSettings:
    def __init__(self, exclusive: bool = False, auto_convert: bool = False, explicit_sample_format: bool = False):
        self.exclusive, self.auto_convert = exclusive, auto_convert


class _Default:
    device = (-1, -1)


class SoundLibrary:
    """`cards`: (name, channels in, channels out, rate). The first of each way is the default of WASAPI; the other
    interfaces' is the last, so that whoever takes the wrong one is seen to.
    """

    PortAudioError = PortAudioError
    WasapiSettings = WasapiSettings
    default = _Default
    _initialized = 1

    def __init__(
        self,
        cards: tuple[tuple[str, int, int, int], ...] = (
            ("Speakers (High Definition Audio Device)", 0, 2, 44_100),
            ("Headphones (USB Interface)", 0, 2, 48_000),
            ("Line (USB Interface)", 2, 0, 48_000),
            ("Microphone (Webcam)", 1, 0, 16_000),
        ),
        interfaces: tuple[str, ...] = (MME, DIRECT, WASAPI, KS),
    ) -> None:
        self.devices: list[dict[str, Any]] = []
        self.apis: list[dict[str, Any]] = []
        self.streams: list[_Stream] = []
        for at, interface in enumerate(interfaces):
            first = len(self.devices)
            if interface == MME:
                self._add("Microsoft Sound Mapper - Input", at, 2, 0, 44_100)
                self._add("Microsoft Sound Mapper - Output", at, 0, 2, 44_100)
            for name, n_in, n_out, rate_hz in cards:
                self._add(name[:31] if interface == MME else name, at, n_in, n_out, rate_hz)
            own = range(first, len(self.devices))
            pick = 0 if interface == WASAPI else -1
            self.apis.append(
                {
                    "name": interface,
                    **{
                        f"default_{way}_device": ([i for i in own if self.devices[i][f"max_{way}_channels"]] or [-1])[
                            pick
                        ]
                        for way in ("input", "output")
                    },
                }
            )

    def _add(self, name: str, api: int, n_in: int, n_out: int, rate_hz: int) -> None:
        self.devices.append(
            {
                "name": name,
                "hostapi": api,
                "max_input_channels": n_in,
                "max_output_channels": n_out,
                "default_samplerate": float(rate_hz),
            }
        )

    def query_hostapis(self) -> tuple[dict[str, Any], ...]:
        return tuple(self.apis)

    def query_devices(self) -> list[dict[str, Any]]:
        return self.devices

    def _initialize(self) -> None:
        self._initialized = 1

    def _terminate(self) -> None:
        self._initialized = 0

    def _exit_handler(self) -> None: ...

    def RawOutputStream(self, **options: Any) -> _Stream:
        device = self.devices[options["device"]]
        interface = self.apis[device["hostapi"]]["name"]
        extra = options.get("extra_settings")
        if extra is not None and interface != WASAPI:
            raise PortAudioError("Incompatible host API specific stream info [PaErrorCode -9984]")
        converts = extra is not None and extra.auto_convert
        if interface == WASAPI and not converts and options["samplerate"] != device["default_samplerate"]:
            raise PortAudioError("Invalid sample rate [PaErrorCode -9997]")
        self.streams.append(_Stream(interface, **options))
        return self.streams[-1]


class _Times:
    def __init__(self, now_s: float, dac_s: float) -> None:
        self.currentTime, self.outputBufferDacTime = now_s, dac_s


class _Stream:
    """Calls back from a thread of its own, a block each block's length, as the host interface's thread does."""

    cpu_load = 0.0

    def __init__(self, interface: str, **options: Any) -> None:
        self.options = options
        self.interface = interface
        self.samplerate = options["samplerate"]
        self.latency = LATENCY_S[interface]
        self.peak = 0.0
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None

    def start(self) -> None:
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        n_frames, n_channels = self.options["blocksize"] or 480, self.options["channels"]
        begun_s = due_s = time.perf_counter()
        while not self._stop.wait(max(0.0, due_s - time.perf_counter())):
            now_s = time.perf_counter() - begun_s + 7_000.0
            block = np.zeros((n_frames, n_channels), dtype=np.float32)
            ahead_s = due_s - begun_s + 7_000.0 + self.latency
            self.options["callback"](block.data.cast("B"), n_frames, _Times(now_s, ahead_s), 0)
            self.peak = max(self.peak, float(np.abs(block).max()))
            due_s += n_frames / self.samplerate

    def stop(self) -> None:
        self._stop.set()
        if self._thread is not None:
            self._thread.join()

    def close(self) -> None:
        self.options["finished_callback"]()
