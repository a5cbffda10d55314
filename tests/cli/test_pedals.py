"""Learning foot switches: what is trodden is what is remembered, and a broken file is said in one line."""

from __future__ import annotations

import json
from collections import deque
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from tests.cli.conftest import Outcome
from trainer.cli.pedals import WORDS, learn, learnt
from trainer.clock.sources import FakeClock
from trainer.ports.pedal import ACTIONS
from trainer.settings import config_dir, load_pedals, save_pedals

Command = Callable[..., Outcome]


class Feet:
    """Treads, and keys, in the order in which they are asked for: bytes of a port, "\\r" for none, "q"."""

    def __init__(self, *answers: Any) -> None:
        self.sinks: dict[str, deque[Any]] = {"board": deque(), "bass": deque()}
        self.clock = FakeClock(1_000_000_000)
        self.said = ""
        self._answers = list(answers)
        self._waiting = False

    def write(self, text: str) -> None:
        self.said += text
        self._waiting = text.startswith("Tread on")

    def key(self) -> str:
        if not self._waiting or not self._answers:
            return ""
        self._waiting = False
        answer = self._answers.pop(0)
        if isinstance(answer, str):
            return answer
        port, *messages = answer
        for data in messages:
            self.sinks[port].append((self.clock.now_ns(), 0.0, data))
        return ""

    def learn(self) -> Any:
        return learn(self.sinks, self.clock, self.key, self.write, lambda name: name == "board")


def test_each_action_is_asked_for_and_what_is_trodden_is_remembered() -> None:
    feet = Feet(
        ("board", b"\xb0\x40\x7f", b"\xb0\x40\x00"),  # again: a sustain pedal
        ("board", b"\xb0\x43\x00", b"\xb0\x43\x7f"),  # stop: a soft pedal that rests at the top
        ("board", b"\xc2\x05"),  # next: a program change
        "\r",  # slower: none
        ("bass", b"\x90\x28\x64", b"\xb0\x42\x7f"),  # faster: a note is no switch, the pedal after it is
        ("bass", *(bytes((0xB1, 11, value)) for value in range(0, 128, 8))),  # that one: an expression pedal's stream
    )
    found = feet.learn()
    assert [(s.action, s.port, s.kind, s.channel, s.number, s.pressed_low, s.port_alone) for s in found] == [
        ("again", "board", "controller", 0, 64, False, True),
        ("stop", "board", "controller", 0, 67, True, True),
        ("next", "board", "program", 2, 5, False, True),
        ("faster", "bass", "controller", 0, 66, False, False),
        ("mark", "bass", "controller", 1, 11, False, False),
    ]
    assert all(words in feet.said for words in WORDS.values()) and "That was a note" in feet.said


def test_a_switch_trodden_twice_means_the_later_and_q_leaves_all_as_it_was() -> None:
    tread = ("board", b"\xb0\x40\x7f", b"\xb0\x40\x00")
    found = Feet(tread, "\r", tread, "\r", "\r", "\r").learn()
    assert [switch.action for switch in found] == ["next"]
    assert Feet(tread, "q").learn() is None


def test_what_was_learnt_is_listed_and_forgotten(command: Command) -> None:
    assert tuple(WORDS) == ACTIONS
    assert "No foot switch is remembered" in command("pedal", "--list").out
    switches = Feet(("board", b"\xb0\x40\x7f"), "\r", "\r", "\r", "\r", "\r").learn()
    save_pedals([switch.to_dict() for switch in switches])
    assert command("pedal", "--list").out == "again   board: controller 64, channel 1\n"
    assert learnt() == tuple(switches)
    assert command("pedal", "--forget").status == 0 and load_pedals() == []
    no_terminal = command("pedal")
    assert no_terminal.status == 2 and "learnt at a terminal" in no_terminal.err


@pytest.mark.parametrize("text", ["", "[]", "{}", '{"switches": [1]}', '{"switches": [{"action": "explode"}]}', "\x00"])
def test_a_broken_file_is_one_line(command: Command, text: str) -> None:
    path: Path = config_dir() / "pedals.json"
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, encoding="utf-8")
    done = command("pedal", "--list")
    assert done.status == 2 and "delete it and run: trainer pedal" in done.err and done.err.count("\n") == 1
    path.write_text(json.dumps({"switches": []}), encoding="utf-8")
    assert command("pedal", "--list").status == 0
