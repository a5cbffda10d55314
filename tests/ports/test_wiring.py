"""The sequencer's list of ALSA, as its kernel module writes it (from memory): who is wired to whom."""

from __future__ import annotations

import pytest

from trainer.ports.wiring import alsa_wires, wires

LISTED = """\
Client info
  cur  clients : 5
  peak clients : 6
  max  clients : 192

Client   0 : "System" [Kernel]
  Port   0 : "Timer" (Rwe-) [In/Out]
  Port   1 : "Announce" (R-e-) [Out]
    Connecting To: 130:0
Client  14 : "Midi Through" [Kernel Legacy]
  Port   0 : "Midi Through Port-0" (RWe-) [In/Out]
Client  24 : "Port 7:3 pedal" [Kernel Legacy]
  Port   0 : "Client 9 : MIDI 1" (RWeX) [In/Out]
    Connecting To: 128:0[r:0], 129:0[r:0]
    Connected From: 131:0
Client 128 : "trainer in" [User Legacy]
  Port   0 : "pad" (-We-) [In]
    Connected From: 24:0[r:0]
  Output pool :
    Pool size          : 500
Client 131 : "trainer out" [User Legacy]
  Port   0 : "synth" (R-e-) [Out]
    Connecting To: 24:0
"""


@pytest.mark.parametrize(
    ("port", "ends"),
    [
        ("Port 7:3 pedal:Client 9 : MIDI 1 24:0", {"128:0", "129:0", "131:0"}),
        ("128:0", {"24:0"}),
        ("131:0", {"24:0"}),
        ("Midi Through:Midi Through Port-0 14:0", set()),
        ("128:1", set()),  # a port that is not there
        ("28:0", set()),
        ("no address", set()),
    ],
)
def test_who_is_wired_to_whom(port: str, ends: set[str]) -> None:
    assert alsa_wires(LISTED, port) == ends


# The same machine under kernels made up after the source's other branches: without directions (before 6.5), with the
# MIDI version behind the kind (UMP), an exclusive wire, times in ticks, wide numbers, carriage returns, odd names.
OTHERS = {
    "older": LISTED.replace(" [In/Out]", "").replace(" [In]", "").replace(" [Out]", "").replace(" Legacy", ""),
    "newer": LISTED.replace("[Kernel Legacy]", "[Kernel UMP MIDI2]").replace("[User Legacy]", "[User UMP MIDI1]"),
    "exclusive": LISTED.replace("24:0[r:0]", "24:0[t:3][ex]").replace("129:0[r:0]", "129:0[ex]"),
    "wide": LISTED.replace("Port   0", "Port     0").replace("Client  14", "Client    14"),
    "returns": LISTED.replace("\n", "\r\n"),
    "names": LISTED.replace('"synth"', '"\u2028  Port   7 : \x0b\x0c"').replace('"pad"', '"Connecting To: 9:9"'),
    "more": LISTED.replace(" [In/Out]\n", " [In/Out]\n    Group 1, MIDI 1.0, 3:3\n"),
    "cut short": LISTED + "Client 132",
}


@pytest.mark.parametrize("kernel", OTHERS)
def test_other_kernels_write_it_otherwise(kernel: str) -> None:
    """After the branches of sound/core/seq/seq_clientmgr.c, from memory; none of them was run."""
    listed = OTHERS[kernel]
    assert alsa_wires(listed, "24:0") == {"128:0", "129:0", "131:0"}
    assert alsa_wires(listed, "128:0") == {"24:0"} and alsa_wires(listed, "131:0") == {"24:0"}
    assert alsa_wires(listed, "14:0") == frozenset()


def test_a_list_of_another_kind_names_nobody() -> None:
    for text in (
        "",
        "Client ",
        "Client  \n  Port  \n",
        "Client ² : \n  Port ² :\n    Connecting To: ²:²",
        "Client\n  Port\n    Connecting To:",
        "\x00" * 50,
        "    Connected From: 1:0, 2:0",
    ):
        assert alsa_wires(text, "1:0") == frozenset()


def test_other_systems_cannot_tell() -> None:
    assert wires("CoreMIDI", "pad") is None and wires("WinMM", "pad 0") is None
