"""Names of ports, by each system's habits: what is remembered, looked for and watched stays found."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from typing import Any

import pytest

from trainer.errors import PortError
from trainer.ports import midi
from trainer.ports.midi import find_port, open_input, open_output, port_stem
from trainer.settings import PortSettings, load_port, save_port
from trainer.system import System, use
from trainer.system.linux import Linux
from trainer.system.mac import Mac
from trainer.system.windows import Windows

LONG = "Extraordinary Digital Bass Controller Mk II"


@pytest.fixture(autouse=True)
def _this_one_again() -> Iterator[None]:
    yield
    use(None)


@pytest.mark.parametrize(
    ("system", "name", "stem"),
    [
        (Linux(), "Pad:Pad MIDI 1 20:0", "Pad:Pad MIDI 1"),
        (Linux(), "bass:out", "bass:out"),
        (Mac(), "Bass Pad Port 2", "Bass Pad Port 2"),
        (Windows(), "Bass 1", "Bass"),
        (Windows(), "2- Bass 0", "Bass"),
        (Windows(), "Pad 8 2", "Pad 8"),
        (Windows(), f"{LONG[:31]} 3", LONG[:31]),
    ],
)
def test_what_stays_of_a_name(system: System, name: str, stem: str) -> None:
    use(system)
    assert port_stem(name) == stem


@pytest.mark.parametrize(
    ("wanted", "listed", "found"),
    [
        ("Bass 1", ["Organ 0", "Bass 1"], "Bass 1"),
        ("Bass 1", ["Bass 0"], "Bass 0"),  # the organ has gone
        ("bass", ["Organ 0", "Bass 1", "Bass Pedals 2"], "Bass 1"),
        ("Bass 0", ["Keys 0", "2- Bass 1"], "2- Bass 1"),  # in another socket
        ("Bass 0", ["2- Bass 0", "Bass 1"], "Bass 1"),  # two of a kind: the one that was named
        ("Pad 8", ["Pad 0", "Pad 8 1"], "Pad 8 1"),  # a number of the name's own
        (LONG, ["Keys 0", f"{LONG[:31]} 1"], f"{LONG[:31]} 1"),
        (f"{LONG[:31]} 4", [f"{LONG[:31]} 1"], f"{LONG[:31]} 1"),
        (LONG, [f"{('2- ' + LONG)[:31]} 0"], f"{('2- ' + LONG)[:31]} 0"),
        ("digital bass", [f"{LONG[:31]} 1"], f"{LONG[:31]} 1"),
    ],
)
def test_a_name_of_windows_is_found_whatever_its_place(wanted: str, listed: list[str], found: str) -> None:
    use(Windows())
    assert find_port(wanted, listed) == found


def test_a_short_name_is_no_beginning_of_a_longer_one() -> None:
    use(Windows())
    with pytest.raises(PortError, match="no MIDI port"):
        find_port("Bass Pedals", ["Bass 0"])
    with pytest.raises(PortError, match="fits 2"):
        find_port("Bass", ["Bass 0", "Bass 1"])


@pytest.mark.parametrize(
    ("system", "before", "after"),
    [
        (Linux(), "Pad:Pad MIDI 1 20:0", "Pad:Pad MIDI 1 28:0"),
        (Windows(), "Bass 1", "Bass 0"),
        (Windows(), "Bass 1", "2- Bass 3"),
    ],
)
def test_what_is_remembered_of_a_port_is_found_under_its_new_number(
    system: System, before: str, after: str, tmp_path: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("TRAINER_CONFIG_DIR", str(tmp_path))
    use(system)
    save_port(PortSettings(before, profile="strings"))
    known = load_port(after)
    assert known is not None and known.profile == "strings"


class _Listed:
    """A binding whose list is what the test says."""

    def __init__(self, *names: str) -> None:
        self.listed, self.opened = list(names), -1

    def systems(self) -> list[tuple[str, int]]:
        return [("WinMM", 4)]

    def new_in(self, system: int) -> Any:
        return object()

    new_out = new_in

    def names(self, handle: Any) -> list[str]:
        return self.listed

    def listen(self, handle: Any, sink: Any) -> None: ...

    def open(self, handle: Any, index: int, label: str) -> None:
        self.opened = index

    def sender(self, handle: Any) -> Any:
        return lambda data: None

    def close(self, handle: Any) -> None: ...


def test_a_connected_port_stays_connected_when_another_comes_or_goes(monkeypatch: pytest.MonkeyPatch) -> None:
    binding = _Listed("Organ 0", "Bass 1")
    monkeypatch.setattr(midi, "_loaded", binding)
    use(Windows())
    port, out = open_input("bass", deque()), open_output("Bass 1")
    assert binding.opened == 1
    binding.listed = ["Bass 0"]
    assert port.is_connected() and out.is_connected()
    binding.listed = ["Keys 0", "Organ 1", "Bass 2"]
    assert port.is_connected() and out.is_connected()
    binding.listed = ["Organ 0"]
    assert not port.is_connected() and not out.is_connected()


def test_a_list_that_changes_between_looking_and_opening_opens_the_right_port(monkeypatch: pytest.MonkeyPatch) -> None:
    binding = _Listed("Organ 0", "Bass 1")
    monkeypatch.setattr(midi, "_loaded", binding)
    use(Windows())
    seen = midi.list_ports()
    binding.listed = ["Bass 0", "Keys 1"]
    open_input("Bass", deque(), ports=seen)
    assert binding.opened == 0
    binding.listed = ["Keys 0"]
    with pytest.raises(PortError, match="has just gone"):
        open_input("Bass", deque(), ports=seen)
