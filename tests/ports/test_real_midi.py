"""Real MIDI ports between processes, over a JACK server of the tests' own."""

from __future__ import annotations

import os
import time
from collections import deque
from collections.abc import Callable

import numpy as np
import pytest

from tests.jack_sender import JackSender
from tests.jack_server import JackServer
from trainer.clock.fit import place_messages
from trainer.errors import PortError
from trainer.ports import MidiIn, MidiOut, all_notes_off
from trainer.ports.midi import list_ports, open_input, open_output
from trainer.ports.wiring import wires

pytestmark = pytest.mark.jack


def until(done: Callable[[], bool], timeout_s: float = 60.0) -> bool:
    end = time.monotonic() + timeout_s
    while not done() and time.monotonic() < end:
        time.sleep(0.005)
    return done()


def test_what_is_sent_arrives_whole_in_order_and_on_time(jack_server: JackServer) -> None:
    # 200 notes with everything around them that an instrument may send; spacing 5 to 25 ms.
    rng = np.random.default_rng(3)
    at_s, events = 0.0, []
    for i in range(200):
        at_s += float(rng.uniform(0.005, 0.025))
        events.append((at_s, bytes((0x90 | i % 4, 28 + i % 30, 1 + i % 127)).hex()))
        if i % 5 == 0:
            events.append((at_s, "f8"))
        if i % 7 == 0:
            events.append((at_s, "fe"))
        if i % 11 == 0:
            events.append((at_s, "f07d010203f7"))
    sink: deque[tuple[int, float, bytes]] = deque()
    with JackSender(jack_server, "bass") as far:
        port = open_input("bass", sink)
        try:
            assert isinstance(port, MidiIn)
            assert (port.name, port.info.system, port.is_connected()) == ("bass:out", "JACK", True)
            far.wait_connected()
            far.play(events)
            report = far.wait_played()
            assert report["n"] == len(events)
            assert until(lambda: len(sink) >= len(events))
            sent = far.sent()
        finally:
            port.close()
    assert [data.hex() for _, _, data in sink] == [data for _, data in events]
    assert sink[0][1] == 0.0
    # Spacing after placing, against the moments of sending: a period of the port is 1.33 ms.
    arrival = [ns for ns, _, _ in sink]
    placed = place_messages(arrival, np.cumsum([delta_s for _, delta_s, _ in sink]))
    error_ms = (placed - np.array([ns for ns, _, _ in sent])) * 1e-6
    assert np.median(np.abs(error_ms - np.median(error_ms))) <= jack_server.period_s * 1e3


def test_output_reaches_the_other_end_and_closing_releases_every_note(jack_server: JackServer) -> None:
    with JackSender(jack_server, "synth") as far:
        port = open_output("synth")
        assert isinstance(port, MidiOut)
        port.send(b"\x90\x28\x64")
        port.send(b"\x99\x33\x50")
        port.send(b"\xe0\x00\x40")
        port.send(b"\xc0\x21")
        port.send(b"\xf8")
        assert port.sounding == [(0, 40), (9, 51)]
        port.close()
        with pytest.raises(PortError, match="already closed"):
            port.send(b"\x90\x28\x64")
        heard: list[str] = []
        assert until(lambda: bool(heard.extend(data for _, _, data in far.heard())) or len(heard) >= 55)
    assert heard[:5] == ["902864", "993350", "e00040", "c021", "f8"]
    assert heard[5:] == ["802840", "893340", *[data.hex() for data in all_notes_off()]]


def test_a_port_that_goes_is_noticed_and_found_again_by_name(jack_server: JackServer) -> None:
    sink: deque[tuple[int, float, bytes]] = deque()
    with JackSender(jack_server, "comes-and-goes"):
        port = open_input("comes-and-goes", sink)
        out = open_output("comes-and-goes")
        assert port.is_connected() and out.is_connected()
    assert until(lambda: not port.is_connected() and not out.is_connected())
    out.send(b"\x90\x28\x64")  # into nothing: no harm
    port.close()
    out.close()
    with pytest.raises(PortError, match='no MIDI input "comes-and-goes'):
        open_input("comes-and-goes:out", sink)
    with JackSender(jack_server, "comes-and-goes") as far:
        assert not port.is_connected()  # the old one stays lost
        again = open_input(port.name, sink)
        far.wait_connected()
        far.play([(0.0, "902864")])
        assert until(lambda: len(sink) == 1)
        again.close()


@pytest.mark.parametrize("how", ["port", "cable"])
@pytest.mark.parametrize("gap_s", [0.005, 0.3])
def test_a_plug_pulled_for_a_moment_is_noticed_though_the_name_is_there(
    jack_server: JackServer, how: str, gap_s: float
) -> None:
    with JackSender(jack_server, "far") as far:
        sink: deque[tuple[int, float, bytes]] = deque()
        port, out = open_input("far", sink), open_output("far")
        assert port.is_connected() and out.is_connected()
        if how == "port":  # the one of the same name that comes is not wired to us
            far.pull("out", how, gap_s)
            far.pull("in", how, gap_s)
            assert not port.is_connected() and not out.is_connected()
        else:
            far.pull("out", how, gap_s)
            assert port.is_connected() and out.is_connected()  # put back by the time we look: it plays on
            far.play([(0.0, "902864")])
            assert until(lambda: len(sink) == 1)
        port.close()
        out.close()
        again = open_input("far", sink)
        assert again.is_connected()
        again.close()


def test_who_is_wired_to_another_in_the_patch_bay_is_let_be(jack_server: JackServer) -> None:
    with JackSender(jack_server, "first") as first, JackSender(jack_server, "second") as second:
        port = open_input("first", deque())
        (ours,) = wires("JACK", "first:out") or ()
        assert wires("JACK", ours) == {"first:out"} and wires("JACK", "nobody:out") == frozenset()
        second.plug("out", ours)
        first.pull("out", "port", 0.005)
        assert port.is_connected() and wires("JACK", ours) == {"second:out"}
        port.close()


def test_listing_names_both_ends_and_leaves_our_own_out(jack_server: JackServer) -> None:
    with JackSender(jack_server, "pad"), JackSender(jack_server, "keys"):
        sink: deque[tuple[int, float, bytes]] = deque()
        port = open_input("pad", sink)
        out = open_output("keys")
        ports = list_ports()
        out.close()
        port.close()
        with pytest.raises(PortError, match=r'no MIDI input "organ"; expected one of .*"pad:out"'):
            open_input("organ", sink)
    assert set(ports.input_names) == {"pad:out", "keys:out"}
    assert set(ports.output_names) == {"pad:in", "keys:in"}
    assert ports.note is None


def test_nothing_of_the_drivers_reaches_standard_error(
    jack_server: JackServer, capfd: pytest.CaptureFixture[str]
) -> None:
    os.environ["JACK_DEFAULT_SERVER"] = "a-server-that-is-not-there"
    try:
        assert list_ports().inputs == ()
    finally:
        os.environ["JACK_DEFAULT_SERVER"] = jack_server.name
    assert capfd.readouterr() == ("", "")
