"""Foot switches over MIDI: what was learnt of each, and what a message asks for. Sans-IO: fed with messages.

A switch is a controller of one number (sustain 64, sostenuto 66, soft 67, any other) or a program change, on one port
and channel. A controller asks once as it goes past the middle and again only after it has come back below a quarter
(MIDI 1.0: a switch's controller is off below 64), so that an expression pedal that sends a stream asks once for each
time it is trodden down. What a switch sends is never the player's: neither its own messages, nor, where a port was
learnt as a pedal's alone, anything from that port.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass
from typing import Any

__all__ = ["ACTIONS", "Pedals", "Switch", "switch_of"]

# What a switch can ask for.
ACTIONS = ("again", "stop", "next", "slower", "faster", "mark")
_CONTROLLER, _PROGRAM = 0xB0, 0xC0
_ON, _BACK = 64, 32
SAME_PRESS_NS = 150_000_000  # a switch that bounces, or two messages of one press; our choice


@dataclass(frozen=True, slots=True)
class Switch:
    """One switch that was learnt: `kind` is "controller" or "program", `channel` from 0.

    `pressed_low`: it rests at 127 and sends 0 when it is trodden on. `port_alone`: nothing else comes from its port.
    """

    action: str
    port: str
    kind: str
    channel: int
    number: int
    pressed_low: bool = False
    port_alone: bool = False

    def is_of(self, data: bytes) -> bool:
        """Whether a message is this switch's, pressed or let go."""
        status = _CONTROLLER if self.kind == "controller" else _PROGRAM
        return len(data) >= 2 and data[0] == status | self.channel and data[1] == self.number

    def to_dict(self) -> dict[str, Any]:
        return asdict(self)


def switch_of(data: Mapping[str, Any]) -> Switch:
    """A switch from its plain data; `ValueError` for what is none."""
    try:
        switch = Switch(**data)
    except TypeError as error:
        raise ValueError(f"not a switch: {error}") from None
    if (
        switch.action not in ACTIONS
        or switch.kind not in ("controller", "program")
        or not isinstance(switch.port, str)
        or not all(isinstance(n, int) for n in (switch.channel, switch.number))
        or not (0 <= switch.channel < 16 and 0 <= switch.number < 128)
    ):
        raise ValueError("not a switch: an action, a port, a kind, a channel from 0 to 15 and a number from 0 to 127")
    return switch


class Pedals:
    """What the messages of one port ask for. `alone`: the port is a pedal's, nothing from it is the player's."""

    def __init__(self, switches: Iterable[Switch]) -> None:
        self.switches = tuple(switches)
        self.alone = any(switch.port_alone for switch in self.switches)
        self._down: set[Switch] = set()
        self._last_ns: dict[Switch, int] = {}

    def feed(self, data: bytes, host_ns: int) -> tuple[bool, str | None]:
        """(whether the message is a pedal's, the action that it asks for or None)."""
        mine = [switch for switch in self.switches if switch.is_of(data)]
        action = None
        for switch in mine:
            if self._pressed(switch, data) and host_ns - self._last_ns.get(switch, -SAME_PRESS_NS) >= SAME_PRESS_NS:
                self._last_ns[switch] = host_ns
                action = switch.action
        return bool(mine) or self.alone, action

    def _pressed(self, switch: Switch, data: bytes) -> bool:
        if switch.kind == "program":
            return True
        if len(data) < 3:
            return False
        value = 127 - data[2] if switch.pressed_low else data[2]
        if value < _BACK:
            self._down.discard(switch)
        elif value >= _ON and switch not in self._down:
            self._down.add(switch)
            return True
        return False
