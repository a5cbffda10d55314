"""Windows."""

from __future__ import annotations

import re

__all__ = ["Windows"]

# Windows knows a port by its place in a list; the MIDI library writes that number behind the name to tell two apart.
# (RtMidi's WinMM back end; midiInGetNumDevs and midiInGetDevCaps in Microsoft's multimedia reference.)
_PLACE = re.compile(r"\s+\d+$")
# The second device of a kind, or the same one in another socket, is listed as "2- Name".
_COPY = re.compile(r"^\d+- ")


class Windows:
    name = "Windows"
    # MIDIINCAPS.szPname holds 32 characters, the last of which is its end (mmeapi.h, MAXPNAMELEN).
    port_name_limit: int | None = 31
    # WASAPI is what the others are built on since Windows Vista, and the only one of them without their extra buffers
    # (Microsoft, "About WASAPI"). Each lists every card again.
    audio_interfaces: tuple[str, ...] = ("Windows WASAPI", "Windows WDM-KS", "Windows DirectSound", "MME")

    def port_forms(self, name: str) -> tuple[str, ...]:
        without_place = _PLACE.sub("", name).strip()
        return (name, without_place, _COPY.sub("", without_place))

    def port_as_watched(self, name: str) -> str:
        return _PLACE.sub("", name)
