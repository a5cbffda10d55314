"""Which sound devices of which host interface are used, both ways."""

from __future__ import annotations

import sys
from collections.abc import Iterator

import pytest

from tests.fakes.sound_library import DIRECT, KS, MME, WASAPI, SoundLibrary
from trainer.errors import PortError
from trainer.ports import audio
from trainer.ports.audio import list_audio, open_audio, running_latency_s
from trainer.system import use
from trainer.system.linux import Linux
from trainer.system.windows import Windows


@pytest.fixture
def library(monkeypatch: pytest.MonkeyPatch) -> Iterator[SoundLibrary]:
    made = SoundLibrary()
    monkeypatch.setitem(sys.modules, "sounddevice", made)  # type: ignore[arg-type]
    monkeypatch.setattr(audio, "_state", audio._State())
    monkeypatch.setattr("atexit.register", lambda *_: None)
    use(Windows())
    yield made
    use(None)


def test_windows_lists_each_card_once_and_takes_wasapi_s_own_default(library: SoundLibrary) -> None:
    there = list_audio()
    assert {d.system for d in (*there.outputs, *there.inputs)} == {WASAPI}
    assert there.names == ("Speakers (High Definition Audio Device)", "Headphones (USB Interface)")
    assert [d.name for d in there.inputs] == ["Line (USB Interface)", "Microphone (Webcam)"]
    assert there.default is there.outputs[0] and [d.default for d in there.inputs] == [True, False]
    assert (there.inputs[0].n_channels, there.inputs[1].sample_rate_hz) == (2, 16_000)


@pytest.mark.parametrize(
    ("interfaces", "used"), [((MME, DIRECT), DIRECT), ((MME,), MME), ((MME, KS), KS), ((DIRECT, WASAPI), WASAPI)]
)
def test_without_wasapi_the_next_best_is_used(
    interfaces: tuple[str, ...], used: str, library: SoundLibrary, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "sounddevice", SoundLibrary(interfaces=interfaces))  # type: ignore[arg-type]
    there = list_audio()
    assert {d.system for d in (*there.outputs, *there.inputs)} == {used}
    assert there.default is not None and any(device.default for device in there.inputs)


def test_elsewhere_every_interface_is_listed_and_the_librarys_default_stands(
    library: SoundLibrary, monkeypatch: pytest.MonkeyPatch
) -> None:
    use(Linux())
    monkeypatch.setattr(library, "default", type("D", (), {"device": (2, 3)}))
    there = list_audio()
    assert len(there.outputs) == 4 * 2 + 1 and len(there.inputs) == 4 * 2 + 1
    assert there.default is not None and there.default.index == 3


def test_a_card_of_another_rate_is_opened_with_conversion(library: SoundLibrary) -> None:
    stream = open_audio(lambda frame, out: None, "Speakers", sample_rate_hz=48_000)
    assert stream.port.system == WASAPI and library.streams[-1].options["extra_settings"].auto_convert
    stream.close()


def test_the_latency_told_is_that_of_a_running_stream(library: SoundLibrary, monkeypatch: pytest.MonkeyPatch) -> None:
    there = list_audio()
    assert there.default is not None
    measured_s = running_latency_s(there.default, there, 0.15)
    assert measured_s is not None and abs(measured_s - 0.022) < 0.01

    def busy(**_: object) -> None:
        raise library.PortAudioError("Device unavailable [PaErrorCode -9985]")

    monkeypatch.setattr(library, "RawOutputStream", busy)
    assert running_latency_s(there.default, there, 0.0) is None
    with pytest.raises(PortError, match="close the program that holds it"):
        open_audio(lambda frame, out: None)
