"""macOS."""

from __future__ import annotations

__all__ = ["Mac"]


class Mac:
    name = "macOS"
    port_name_limit: int | None = None
    audio_interfaces: tuple[str, ...] = ()  # there is only Core Audio

    def port_forms(self, name: str) -> tuple[str, ...]:
        return (name, name.strip())

    def port_as_watched(self, name: str) -> str:
        return name
