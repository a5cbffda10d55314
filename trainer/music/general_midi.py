"""Who plays on which MIDI channel with which sound: so that any sequencer plays our files as they are meant.

Source: General MIDI 1 for programs and for the drums' channel. Channels and programs count from 0, as on the wire.
"""

from __future__ import annotations

__all__ = ["BASS_PROGRAM", "CHANNELS", "DRUM_CHANNEL", "PART_OF_CHANNEL", "PROGRAMS", "band_programs"]

DRUM_CHANNEL = 9
CHANNELS = {"keys": 0, "chop": 1, "lead": 2, "voice": 3, "guide": 4}
CHANNELS |= {"drums": DRUM_CHANNEL, "count": DRUM_CHANNEL}
# The part that a channel's notes belong to: the singer is the lead's, the count-in is clicked by the drummer.
PART_OF_CHANNEL = {0: "keys", 1: "chop", 2: "lead", 3: "lead", 4: "guide", DRUM_CHANNEL: "drums"}
# Drawbar organ 17, electric piano 5, clean guitar 28 muted 29, jazz guitar 27, voice 54 ("oohs"), acoustic bass 33.
PROGRAMS = {"organ": 16, "electric_piano": 4, "chop": 28, "lead": 26, "voice": 53, "guide": 32}
BASS_PROGRAM = 33  # electric bass with fingers, 34: the player's


def band_programs(keys: str = "organ") -> dict[int, int]:
    """Channel → program of every voice of the band, with the keys that its groove has."""
    programs = {CHANNELS[name]: PROGRAMS[name] for name in ("chop", "lead", "voice", "guide")}
    return {CHANNELS["keys"]: PROGRAMS[keys], **programs, DRUM_CHANNEL: 0}
