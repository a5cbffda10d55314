"""What the program asks of an operating system."""

from __future__ import annotations

from typing import Protocol

__all__ = ["System"]


class System(Protocol):
    """One operating system. `name` is what a person calls it."""

    name: str

    # --- names of ports -----------------------------------------------------------------------------------------------

    port_name_limit: int | None
    """The most characters of a MIDI port's name that the system tells; None without a limit."""

    def port_forms(self, name: str) -> tuple[str, ...]:
        """A MIDI port's name from what is listed now to what stays of it for good: what the system numbers anew when
        ports come and go is taken away piece by piece. The last one is what is remembered.
        """
        ...

    def port_as_watched(self, name: str) -> str:
        """What of a listed name stays the same for as long as its port is connected."""
        ...

    audio_interfaces: tuple[str, ...]
    """Host interfaces of the sound library, best first: only the first that has devices is used. Empty: all are."""
