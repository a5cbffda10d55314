"""The ports in memory keep the same promises as real ones."""

from __future__ import annotations

from collections import deque

import pytest

from trainer.clock.sources import FakeClock
from trainer.errors import PortError
from trainer.ports import MidiIn, MidiOut, all_notes_off
from trainer.ports.memory import MemoryMidiIn, MemoryMidiOut


def test_memory_ports_are_ports() -> None:
    clock = FakeClock()
    assert isinstance(MemoryMidiIn(deque()), MidiIn)
    assert isinstance(MemoryMidiOut(clock), MidiOut)


def test_a_loop_carries_messages_with_driver_deltas() -> None:
    clock, sink = FakeClock(5_000), deque()
    cable = MemoryMidiIn(sink)
    out = MemoryMidiOut(clock, loop_to=cable)
    out.send(b"\x90\x28\x64")
    clock.advance(250_000_000)
    out.send(b"\x80\x28\x00")
    assert list(sink) == [(5_000, 0.0, b"\x90\x28\x64"), (250_005_000, 0.25, b"\x80\x28\x00")]
    assert [ns for ns, _ in out.sent] == [5_000, 250_005_000]


def test_late_arrival_keeps_the_drivers_spacing() -> None:
    sink: deque[tuple[int, float, bytes]] = deque()
    cable = MemoryMidiIn(sink)
    cable.push(1_000_000, b"\x90\x28\x64", driver_ns=0)
    cable.push(9_000_000, b"\x80\x28\x00", driver_ns=2_000_000)
    assert [delta_s for _, delta_s, _ in sink] == [0.0, 0.002]


def test_unplugged_output_says_so_and_closing_silences() -> None:
    out = MemoryMidiOut(FakeClock())
    out.send(b"\x90\x28\x64")
    out.unplug()
    assert not out.is_connected()
    with pytest.raises(PortError, match="gone; plug it in again"):
        out.send(b"\x90\x29\x64")
    out.silence()  # never raises
    out.plug_in()
    out.close()
    assert [data for _, data in out.sent[1:]] == [b"\x80\x28\x40", *all_notes_off()]
    with pytest.raises(PortError, match="already closed"):
        out.send(b"\x90\x28\x64")
    out.close()


def test_unplugged_input_hears_nothing() -> None:
    sink: deque[tuple[int, float, bytes]] = deque()
    cable = MemoryMidiIn(sink)
    cable.unplug()
    cable.push(1, b"\x90\x28\x64")
    assert not sink and not cable.is_connected()
