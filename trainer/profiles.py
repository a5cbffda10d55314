"""What kind of input notes come from: what is taken off them, and what of them is believed, depends on it."""

from __future__ import annotations

from typing import Literal, TypeAlias, get_args

__all__ = ["INPUT_PROFILES", "PROFILES", "InputProfile", "PortProfile", "Profile"]

# Of a MIDI input: pads and anything exact · a keyboard · pitch-tracked strings.
InputProfile: TypeAlias = Literal["pad", "keys", "strings"]
# Of anything that is remembered by its port: a bass heard by its sound, too.
PortProfile: TypeAlias = Literal[InputProfile, "sound"]
# Of a take: the computer's keyboard and a foreign file, too.
Profile: TypeAlias = Literal[InputProfile, "typing", "sound", "foreign"]
INPUT_PROFILES: tuple[InputProfile, ...] = get_args(InputProfile)
PROFILES: tuple[Profile, ...] = get_args(Profile)
