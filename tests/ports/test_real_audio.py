"""A real PortAudio stream on the JACK server's dummy driver."""

from __future__ import annotations

import math
import subprocess
import sys
import time

import numpy as np
import pytest

from tests.jack_server import JackServer, started_server
from trainer.clock.fit import ClockFit
from trainer.errors import PortError
from trainer.ports import AudioOut
from trainer.ports import audio as audio_module
from trainer.ports.audio import AudioList, AudioPort, list_audio, open_audio


@pytest.mark.jack
def test_blocks_come_in_order_and_the_fit_follows_them(jack_server: JackServer) -> None:
    ports = list_audio(fresh=True)
    assert ports.default is not None, ports.note
    frames: list[tuple[int, int]] = []

    def fill(frame: int, out: np.ndarray) -> None:
        frames.append((frame, len(out)))
        out.fill(0.0)

    stream = open_audio(fill, block_frames=256, ports=ports)
    assert isinstance(stream, AudioOut)
    assert stream.sample_rate_hz == jack_server.sample_rate_hz
    with pytest.raises(PortError, match="no sound output"):
        open_audio(fill, "organ in the loft", ports=ports)
    stream.start()

    def slipped_ms(seconds: float = math.inf) -> float:
        """How far the driver's own times strayed from its frames in the last seconds, by the early ones of each 50."""
        seen = list(stream.stamps)
        seen = [s for s in seen if s.frame >= seen[-1].frame - seconds * stream.sample_rate_hz]
        astray = [s.host_ns * 1e-6 + (s.dac_s - s.now_s - s.frame / stream.sample_rate_hz) * 1e3 for s in seen]
        early = [float(np.quantile(astray[i : i + 50], 0.2)) for i in range(0, len(astray) - 49, 50)]
        return max(early) - min(early)

    # The dummy driver slips against the system's clock when the machine is busy, and does not always say so. The fit
    # takes three seconds to believe in a slip, so it is given four without one, should there have been any.
    end = time.monotonic() + 30.0
    while time.monotonic() < end and (len(frames) < 200 or (slipped_ms() > 0.5 and slipped_ms(4.0) > 0.5)):
        time.sleep(0.01)
    stream.close()
    stream.close()
    assert stream.fault is None
    firsts = np.array([frame for frame, _ in frames])
    assert len(firsts) >= 200 and np.all(np.diff(firsts) == [n for _, n in frames[:-1]])
    assert stream.describe()["block_frames"] == 256
    fit = ClockFit(stream.sample_rate_hz, lead_s=stream.latency_s)
    for stamp in stream.stamps:
        fit.feed(stamp.frame, stamp.host_ns, stamp.dac_s, stamp.now_s, stamp.xrun)
    assert fit.n_without_dac <= 2  # the driver gives DAC times
    sounding_ns = [stamp.host_ns + (stamp.dac_s - stamp.now_s) * 1e9 for stamp in stream.stamps]
    off_ms = [(fit.host_ns_at(s.frame) - ns) * 1e-6 for s, ns in zip(stream.stamps, sounding_ns, strict=True)]
    # No nearer than the driver's own times lie to each other, where it never came to rest.
    assert abs(float(np.median(off_ms[-100:]))) < 1.0 + slipped_ms(4.0)


@pytest.mark.jack
def test_a_fill_that_fails_leaves_silence_and_a_reason(jack_server: JackServer) -> None:
    def fill(frame: int, out: np.ndarray) -> None:
        raise RuntimeError("no sound made")

    stream = open_audio(fill, ports=list_audio(fresh=True))
    stream.start()
    end = time.monotonic() + 60.0
    while stream.n_frames < 2_000 and time.monotonic() < end:
        time.sleep(0.01)
    stream.close()
    assert stream.fault == "the sound could not be made: RuntimeError: no sound made"


def test_no_library_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    def no_portaudio() -> object:
        raise PortError(
            "no sound: the PortAudio library is missing; on Debian and Ubuntu: apt-get install libportaudio2"
        )

    monkeypatch.setitem(sys.modules, "sounddevice", None)
    assert list_audio().note == 'no sound: "python -m pip install sounddevice" adds what is missing'
    monkeypatch.setattr(audio_module, "_library", no_portaudio)
    assert "apt-get install libportaudio2" in (list_audio().note or "")


def test_a_device_that_refuses_is_a_port_error(monkeypatch: pytest.MonkeyPatch) -> None:
    class PortAudioError(Exception):
        pass

    class Library:
        def __init__(self) -> None:
            self.PortAudioError = PortAudioError

        def RawOutputStream(self, **_: object) -> object:
            raise PortAudioError("Error opening OutputStream: Device unavailable [PaErrorCode -9985]")

    monkeypatch.setattr(audio_module, "_library", Library)
    ports = AudioList((AudioPort("card", "ALSA", 0, 2, 48_000, True),))
    with pytest.raises(
        PortError, match=r'"card" could not be opened \(Error opening .*close the program that holds it'
    ):
        open_audio(lambda frame, out: None, ports=ports)


_CHILD = """
import sys, time
from trainer.ports.audio import list_audio, open_audio
from trainer.ports.midi import list_ports
stream = open_audio(lambda frame, out: out.fill(0.0), ports=list_audio(fresh=True))
stream.start()
while stream.n_frames < 4_800:
    time.sleep(0.01)
print("running", flush=True)
sys.stdin.readline()
silent_since = stream.last_callback_ns
time.sleep(0.3)
print("stalled" if stream.last_callback_ns == silent_since else "still called", flush=True)
stream.close()
print(list_ports().note, flush=True)
"""


@pytest.mark.jack
def test_a_sound_server_that_dies_neither_hangs_nor_aborts_the_program() -> None:
    with started_server(set_env=False) as server:
        child = subprocess.Popen(
            [sys.executable, "-c", _CHILD],
            env=server.env(),
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        try:
            assert child.stdout is not None
            assert child.stdout.readline() == "running\n"
            server.process.kill()
            server.process.wait()
            out, err = child.communicate("go on\n", timeout=90)
        finally:
            child.kill()
            child.wait()
    assert (child.returncode, out.splitlines()[0]) == (0, "stalled"), err
    assert "no MIDI port found" in out
