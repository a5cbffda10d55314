"""Linux, and systems like it."""

from __future__ import annotations

import re

__all__ = ["Linux"]

# The numbers that ALSA puts behind a name (client:port, seq(7)); they change when a cable is plugged in again.
_ALSA_NUMBERS = re.compile(r"\s+\d+:\d+$")


class Linux:
    name = "Linux"
    port_name_limit: int | None = None
    audio_interfaces: tuple[str, ...] = ()  # ALSA, JACK and their like list different things

    def port_forms(self, name: str) -> tuple[str, ...]:
        return (name, _ALSA_NUMBERS.sub("", name).strip())

    def port_as_watched(self, name: str) -> str:
        return name  # a port with another number is another port, even where the device is the same
