"""Which input is meant where nobody says: a MIDI port, or the sound input that an ordinary bass is on."""

from __future__ import annotations

import io

import pytest

from trainer.cli.input_port import chosen_instrument, instrument_to_check
from trainer.cli.run import run
from trainer.live.calibration import bass_port
from trainer.ports.audio import AudioList, AudioPort
from trainer.ports.midi import PortInfo, PortList
from trainer.settings import PortSettings, save_port

INTERFACE, BUILT_IN, SOCKET = "USB interface", "Built-in microphone", "USB interface MIDI 1"


@pytest.fixture(autouse=True)
def plugged_in(monkeypatch: pytest.MonkeyPatch) -> None:
    """An interface with a MIDI socket, as many have, and the computer's own microphone."""
    sound = tuple(AudioPort(name, "ALSA", i, 2, 48_000) for i, name in enumerate((BUILT_IN, INTERFACE)))
    midi = (PortInfo(SOCKET, "ALSA", 0),)
    monkeypatch.setattr("trainer.ports.audio.list_audio", lambda: AudioList(inputs=sound))
    monkeypatch.setattr("trainer.ports.midi.list_ports", lambda: PortList(inputs=midi))


def test_without_anything_set_up_the_midi_input_is_taken() -> None:
    assert chosen_instrument(None, None) == (SOCKET, None)
    assert chosen_instrument(None, INTERFACE) == (None, INTERFACE)
    assert chosen_instrument(None, None, not_from=[SOCKET]) == (None, INTERFACE)


def test_a_bass_that_was_checked_is_taken_though_its_interface_has_a_midi_socket() -> None:
    save_port(PortSettings(bass_port(INTERFACE), "sound", channel=1, checked="2026-03-01T10:00:00+00:00"))
    assert chosen_instrument(None, None) == (None, INTERFACE)
    assert chosen_instrument(SOCKET, None) == (SOCKET, None)  # what is asked for comes first


@pytest.mark.parametrize(("midi_day", "meant"), [(2, (None, INTERFACE)), (4, (SOCKET, None))])
def test_of_two_that_were_set_up_the_later_is_meant(midi_day: int, meant: tuple[str | None, str | None]) -> None:
    made = {"out|direct": {"base_ms": 4.0, "made": "2026-03-03T10:00:00+00:00"}}
    save_port(PortSettings(bass_port(INTERFACE), "sound", calibrations=made))
    save_port(PortSettings(SOCKET, "pad", checked=f"2026-03-0{midi_day}T10:00:00+00:00"))
    assert chosen_instrument(None, None) == meant


@pytest.mark.parametrize(("answer", "meant"), [("1", (SOCKET, None)), ("2", (None, INTERFACE))])
def test_the_sound_check_asks_whether_it_is_midi_or_sound(
    answer: str,
    meant: tuple[str | None, str | None],
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Once: of what was set up then, the later is meant."""
    terminal = io.StringIO(f"{answer}\n")
    terminal.isatty = lambda: True  # type: ignore[method-assign]
    monkeypatch.setattr("sys.stdin", terminal)
    monkeypatch.setattr("sys.stdout.isatty", lambda: True, raising=False)
    assert instrument_to_check(None, None) == meant
    assert f"1  {SOCKET}   (MIDI)" in (said := capsys.readouterr().out) and f"2  {INTERFACE}   (sound)" in said
    assert BUILT_IN not in said
    save_port(PortSettings(bass_port(INTERFACE), "sound", channel=1, checked="2026-03-01T10:00:00+00:00"))
    assert instrument_to_check(None, None) == (None, INTERFACE) and not capsys.readouterr().out


@pytest.mark.parametrize("command", [["check"], ["calibrate", "--midi-out", "a synth"], ["play"]], ids=lambda c: c[0])
def test_who_names_both_kinds_of_input_is_asked_for_one(command: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    """None of the two is passed over in silence."""
    assert run([*command, "--midi-in", SOCKET, "--bass-in", INTERFACE]) == 2
    assert "--midi-in and --bass-in exclude each other" in capsys.readouterr().err


def test_of_two_sound_inputs_that_were_checked_neither_goes_before_midi() -> None:
    for name in (INTERFACE, BUILT_IN):
        save_port(PortSettings(bass_port(name), "sound", channel=1, checked="2026-03-01T10:00:00+00:00"))
    assert chosen_instrument(None, None) == (SOCKET, None)


def test_who_has_a_bass_and_no_interface_is_told_what_would_do(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    microphone = AudioPort(BUILT_IN, "ALSA", 0, 1, 48_000)
    monkeypatch.setattr("trainer.ports.midi.list_ports", PortList)
    for sound in ((), (microphone,)):
        monkeypatch.setattr("trainer.ports.audio.list_audio", lambda sound=sound: AudioList(inputs=sound))
        assert run(["check"]) == 2
        said = capsys.readouterr().err
        assert said.count("\n") == 1 and "an audio interface" in said and "USB" in said and "microphone socket" in said
