"""Which MIDI input is meant: by name or part of one, the only one there is, or the one the person picks."""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence

from trainer.errors import PortError, UsageError, nearest
from trainer.settings import INPUT_PROFILES

__all__ = ["ask_which", "chosen_input", "known_profile"]


def ask_which(names: Sequence[str], read_line: Callable[[], str], write: Callable[[str], None]) -> str:
    """Ask for one of several inputs by number; `PortError` when no usable answer comes."""
    write("Several MIDI inputs are connected:\n")
    for number, name in enumerate(names, 1):
        write(f"  {number}  {name}\n")
    write(f"Which one is the bass? 1-{len(names)}: ")
    answer = read_line().strip()
    if answer.isdigit() and 1 <= int(answer) <= len(names):
        return names[int(answer) - 1]
    raise PortError(
        f'"{answer}" is not one of the inputs; expected a number from 1 to {len(names)}, or --midi-in NAME next time'
    )


def chosen_input(asked: str | None, *, may_ask: bool | None = None, not_from: Sequence[str] = ()) -> str | None:
    """The name of the input to open; None when there is none at all. `PortError` when it cannot be told.

    `not_from`: ports of foot switches, which are no bass. `may_ask`: whether a person is there to answer; None looks
    whether standard input and output are terminals.
    """
    from trainer.ports.midi import find_port, list_ports, port_stem

    ports = list_ports()
    if asked is not None:
        return find_port(asked, ports.input_names, "MIDI input")
    feet = {port_stem(name) for name in not_from}
    names = [port.name for port in ports.inputs if not port.through and port_stem(port.name) not in feet]
    if not names:
        return None
    if len(names) == 1:
        return names[0]
    if may_ask is None:
        may_ask = sys.stdin.isatty() and sys.stdout.isatty()
    if not may_ask:
        listed = ", ".join(f'"{name}"' for name in names)
        raise PortError(f"several MIDI inputs are connected: {listed}; say which one with --midi-in NAME")

    def write(text: str) -> None:
        print(text, end="", flush=True)

    return ask_which(names, lambda: sys.stdin.readline(), write)


def known_profile(profile: str) -> str:
    """A profile that an input can have; `UsageError` for anything else."""
    if profile not in INPUT_PROFILES:
        near = nearest(profile, INPUT_PROFILES)
        tail = f'; did you mean "{near}"?' if near else ""
        raise UsageError(f'--profile: found "{profile}"; allowed: {", ".join(INPUT_PROFILES)}{tail}')
    return profile
