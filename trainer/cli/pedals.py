"""`trainer pedal`: learn once which foot switch asks for what."""

from __future__ import annotations

import contextlib
from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Any

import typer

from trainer.cli.speaking import echo, say
from trainer.cli.waiting import key_reader
from trainer.errors import PortError, UsageError

if TYPE_CHECKING:
    from trainer.ports.pedal import Switch

__all__ = ["add_to", "learn", "learnt"]

WORDS = {
    "again": "again, the same once more",
    "stop": "stop",
    "next": "on to what comes next",
    "slower": "slower, the next run",
    "faster": "faster, the next run",
    "mark": "that one: mark the bar just played",
}
QUIET_NS = 500_000_000  # a press is over when nothing has come for so long; our choice
LOOK_NS = 10_000_000


def learnt() -> tuple[Switch, ...]:
    """The switches that are remembered."""
    from trainer.errors import FileFormatError
    from trainer.ports.pedal import switch_of
    from trainer.settings import config_dir, load_pedals

    try:
        return tuple(switch_of(row) for row in load_pedals())
    except ValueError as error:
        raise FileFormatError(f"{config_dir() / 'pedals.json'}: {error}; delete it and run: trainer pedal") from None


Messages = dict[str, "deque[Any]"]
LEFT = "left"


@dataclass(slots=True)
class _Press:
    """A switch trodden: the port, its first message, and how many more of the same followed."""

    port: str
    data: bytes
    n_more: int = 0

    def switch(self, action: str, *, alone: bool) -> Switch:
        from trainer.ports.pedal import Switch

        controller = self.data[0] & 0xF0 == 0xB0
        return Switch(
            action,
            self.port,
            "controller" if controller else "program",
            self.data[0] & 0x0F,
            self.data[1],
            # A switch sends one message going down and one coming up; more than that is a way from the bottom.
            pressed_low=controller and self.data[2] < 32 and self.n_more <= 2,
            port_alone=alone,
        )


def learn(
    sinks: Messages,
    clock: Any,
    read_key: Callable[[], str],
    write: Callable[[str], None],
    alone: Callable[[str], bool],
) -> list[Switch] | None:
    """Ask for each action in turn; the switches, None when it was left with q.

    `sinks`: by port, what comes from it. A switch that is trodden for a second action leaves the first.
    """
    found: dict[tuple[str, str, int, int], Switch] = {}
    for action, words in WORDS.items():
        write(f"Tread on the switch for: {words}   (Enter: none   q: leave all as it was)\n")
        press = _trodden(sinks, clock, read_key, write)
        if press == LEFT:
            return None
        if isinstance(press, _Press):
            switch = press.switch(action, alone=alone(press.port))
            which = (switch.port, switch.kind, switch.channel, switch.number)
            found.pop(which, None)
            found[which] = switch
            write(f"  {_described(switch)}\n")
    return list(found.values())


def _trodden(
    sinks: Messages, clock: Any, read_key: Callable[[], str], write: Callable[[str], None]
) -> _Press | str | None:
    """The next switch that is trodden, once it is quiet; None for none, `LEFT` when it was left."""
    for sink in sinks.values():
        sink.clear()
    press: _Press | None = None
    last_ns = clock.now_ns()
    while press is None or clock.now_ns() - last_ns < QUIET_NS:
        key = read_key()
        if key in ("q", "Q"):
            return LEFT
        if key in ("\r", "\n") and press is None:
            return None
        for name, data in _arrived(sinks):
            kind = data[0] & 0xF0 if data else 0
            if press is None and kind in (0xB0, 0xC0):
                press, last_ns = _Press(name, data), clock.now_ns()
            elif press is None:
                if kind == 0x90:
                    write("That was a note; a switch sends a controller or a program change.\n")
            elif name == press.port and data[:2] == press.data[:2]:
                press.n_more += 1
                last_ns = clock.now_ns()
        clock.sleep_until(clock.now_ns() + LOOK_NS)
    return press


def _arrived(sinks: Messages) -> Iterator[tuple[str, bytes]]:
    for name, sink in sinks.items():
        while sink:
            yield name, sink.popleft()[2]


def _described(switch: Switch) -> str:
    what = "controller" if switch.kind == "controller" else "program"
    return f"{switch.port}: {what} {switch.number}, channel {switch.channel + 1}"


def pedal(
    listed: Annotated[bool, typer.Option("--list", help="Only say what is remembered.")] = False,
    forget: Annotated[bool, typer.Option("--forget", help="Forget all switches.")] = False,
) -> int:
    """Learn foot switches: again, stop, next, slower, faster. A page-turning pedal needs no learning."""
    import sys

    from trainer.clock.sources import RealClock
    from trainer.ports.midi import list_ports, open_input
    from trainer.ports.protocols import MidiSink
    from trainer.settings import load_port, save_pedals

    if forget:
        save_pedals([])
        say("Forgotten.")
        return 0
    if listed:
        switches = learnt()
        for switch in switches:
            say(f"{switch.action:<8}{_described(switch)}")
        if not switches:
            say("No foot switch is remembered; learn them with: trainer pedal")
        return 0
    if not sys.stdin.isatty():
        raise UsageError("foot switches are learnt at a terminal, one after another; what is remembered: --list")
    names = [port.name for port in list_ports().inputs if not port.through]
    if not names:
        raise PortError("no MIDI input to learn from; connect the pedal and look with: trainer ports")
    with contextlib.ExitStack() as stack:
        sinks: dict[str, MidiSink] = {}
        for name in names:
            with contextlib.suppress(PortError):
                sink: MidiSink = deque()
                stack.callback(open_input(name, sink).close)
                sinks[name] = sink
        say("Page-turning pedals work by themselves: on (Page Down, right) is next, back (Page Up, left) is again.")
        read_key = stack.enter_context(key_reader())
        found = learn(
            sinks, RealClock(), read_key, lambda text: echo(text, nl=False),
            # An input that was never checked as a bass, beside others, is a pedal's own.
            lambda name: len(names) > 1 and load_port(name) is None,
        )  # fmt: skip
    if found is None:
        say("Left as it was.")
        return 0
    save_pedals([switch.to_dict() for switch in found])
    say(f"{len(found)} remembered; they are obeyed wherever a band plays." if found else "None; all are forgotten.")
    return 0


def add_to(app: typer.Typer) -> None:
    app.command()(pedal)
