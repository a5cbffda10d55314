"""Finding the port that a person means, and saying what is there when nothing fits."""

from __future__ import annotations

import os
import sys
from collections import deque
from types import SimpleNamespace
from typing import Any

import pytest

from trainer.errors import PortError
from trainer.ports import midi
from trainer.ports.midi import find_port, list_ports, open_input, open_output, port_stem

PORTS = ("Midi Through:Midi Through Port-0 14:0", "Bass Pad:Bass Pad MIDI 1 20:0", "Bass Keys:Bass Keys MIDI 1 24:0")


@pytest.mark.parametrize(
    ("wanted", "found"),
    [
        (PORTS[1], PORTS[1]),
        ("Bass Pad:Bass Pad MIDI 1 28:0", PORTS[1]),  # the same device, plugged in again
        ("bass pad:bass pad midi 1", PORTS[1]),
        ("keys", PORTS[2]),
    ],
)
def test_exact_then_stem_then_unique_part(wanted: str, found: str) -> None:
    assert find_port(wanted, PORTS) == found


def test_exact_name_wins_over_longer_ones() -> None:
    assert find_port("pad", ["pad", "pad two"]) == "pad"


@pytest.mark.parametrize(
    ("wanted", "ports", "message"),
    [
        ("bass", PORTS, 'fits 2 MIDI ports: "Bass Pad:Bass Pad MIDI 1 20:0", "Bass Keys:Bass Keys MIDI 1 24:0"'),
        ("organ", PORTS, r'no MIDI port "organ"; expected one of \(or a part of\): "Midi Through'),
        ("organ", (), "no MIDI port is there at all; connect one"),
        ("", PORTS, "expected one of"),
    ],
)
def test_no_or_several_fits_list_what_is_there(wanted: str, ports: tuple[str, ...], message: str) -> None:
    with pytest.raises(PortError, match=message):
        find_port(wanted, ports)


def test_stem_drops_only_the_systems_numbers() -> None:
    assert port_stem("Pad 2:Pad 2 MIDI 1 20:0") == "Pad 2:Pad 2 MIDI 1"
    assert port_stem("bass:out") == "bass:out"


class _SilentSystem(OSError):
    """What a binding raises where there is no MIDI system."""


def _binding_without_system() -> Any:
    def refuse(*_: Any) -> Any:
        raise _SilentSystem("error creating client object")

    return SimpleNamespace(systems=lambda: [("ALSA", 2), ("JACK", 3)], new_in=refuse, new_out=refuse)


def test_no_midi_system_is_an_empty_list_with_a_reason(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(midi, "_loaded", _binding_without_system())
    ports = list_ports()
    assert (ports.inputs, ports.outputs) == ((), ())
    assert ports.note == "no MIDI port found (looked in: ALSA and JACK); ALSA and JACK did not answer"
    with pytest.raises(PortError, match='no MIDI input "pad": no MIDI port found'):
        open_input("pad", deque())


def test_no_binding_installed_says_which_to_add(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(midi, "_loaded", None)
    monkeypatch.setitem(sys.modules, "rtmidi", None)
    monkeypatch.setitem(sys.modules, "rtmidi2", None)
    ports = list_ports()
    assert ports.note is not None
    assert "pip install python-rtmidi" in ports.note and "pip install rtmidi2" in ports.note
    assert midi._loaded is None


def test_own_ports_are_not_listed() -> None:
    binding = SimpleNamespace(names=lambda handle: ["trainer out:port", "trainer in-01:x", "far:out", "Midi Through:0"])
    infos = midi._infos(binding, None, "JACK")  # type: ignore[arg-type]
    assert [(info.name, info.index) for info in infos] == [("far:out", 2), ("Midi Through:0", 3)]


class _Busy:
    """A binding whose port another program holds, or which stops taking messages."""

    def __init__(self, *, busy: bool = False) -> None:
        self.busy, self.closed, self.sent = busy, 0, []

    def systems(self) -> list[tuple[str, int]]:
        return [("WinMM", 4)]

    def new_in(self, system: int) -> Any:
        return object()

    new_out = new_in

    def names(self, handle: Any) -> list[str]:
        return ["pad"]

    def listen(self, handle: Any, sink: Any) -> None:
        pass

    def open(self, handle: Any, index: int, label: str) -> None:
        if self.busy:
            raise RuntimeError("error creating Windows MM MIDI input port.")

    def sender(self, handle: Any) -> Any:
        def send(data: bytes) -> None:
            if len(self.sent) >= 2:
                raise RuntimeError("error sending message")
            self.sent.append(data)

        return send

    def close(self, handle: Any) -> None:
        self.closed += 1


def test_a_port_that_another_program_holds_is_named_and_left_closed(monkeypatch: pytest.MonkeyPatch) -> None:
    binding = _Busy(busy=True)
    monkeypatch.setattr(midi, "_loaded", binding)
    ports = list_ports()
    assert ports.input_names == ports.output_names == ("pad",)
    closed_before = binding.closed
    with pytest.raises(
        PortError, match=r'"pad" could not be opened \(error creating .*close the program that holds it'
    ):
        open_input("pad", deque(), ports=ports)
    assert binding.closed == closed_before + 1


def test_a_port_that_takes_nothing_more_is_a_port_error_and_counts_as_lost(monkeypatch: pytest.MonkeyPatch) -> None:
    binding = _Busy()
    monkeypatch.setattr(midi, "_loaded", binding)
    out = open_output("pad")
    out.send(b"\x90\x28\x64")
    out.send(b"\x90\x29\x64")
    assert out.is_connected()
    with pytest.raises(
        PortError, match=r'"pad" did not take a message \(error sending message\); is it still connected'
    ):
        out.send(b"\x90\x2a\x64")
    assert not out.is_connected()
    out.silence()  # never raises
    out.close()
    assert binding.sent == [b"\x90\x28\x64", b"\x90\x29\x64"]


def test_what_drivers_write_is_kept_away_by_several_threads_at_once(capfd: pytest.CaptureFixture[str]) -> None:
    first, second = midi.quiet_stderr(), midi.quiet_stderr()
    os.write(2, b"before ")
    with first:
        second.__enter__()
        os.write(2, b"hidden ")
    os.write(2, b"hidden too ")  # the other is still inside
    second.__exit__(None, None, None)
    os.write(2, b"after")
    assert capfd.readouterr().err == "before after"
