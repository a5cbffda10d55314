"""What is sounding through an output, and the messages that end it.

Source: MIDI 1.0, channel mode messages (controllers 120–127) and note-off. Many instruments ignore all-notes-off, so
each sounding note gets its own note-off first; the sustain pedal is lifted, or released notes would go on. The pitch
wheel is left in its middle and modulation (an organ's fast speaker) at none, so that whoever plays the instrument next
finds it as it was.
"""

from __future__ import annotations

__all__ = ["SoundingNotes", "all_notes_off"]

_ALL_SOUND_OFF = 120
_ALL_NOTES_OFF = 123
_SUSTAIN = 64
_MODULATION = 1


def all_notes_off() -> list[bytes]:
    """Pedal up, all notes off, all sound off, the wheel in its middle and no modulation, on each of the 16 channels."""
    return [
        message
        for channel in range(16)
        for message in (
            *(bytes((0xB0 | channel, number, 0)) for number in (_SUSTAIN, _ALL_NOTES_OFF, _ALL_SOUND_OFF, _MODULATION)),
            bytes((0xE0 | channel, 0, 64)),
        )
    ]


class SoundingNotes:
    """Keeps account of note-ons sent and not yet released: one count per channel and note number.

    `note` costs a few dictionary steps and never raises, so it may stand in the sending path.
    """

    __slots__ = ("_counts",)

    def __init__(self) -> None:
        self._counts: dict[int, int] = {}

    def note(self, data: bytes) -> None:
        """Take account of one whole message."""
        if len(data) != 3:
            return
        kind = data[0] & 0xF0
        if kind == 0x90 and data[2]:
            key = (data[0] & 0x0F) << 7 | data[1] & 0x7F
            self._counts[key] = self._counts.get(key, 0) + 1
        elif kind == 0x80 or kind == 0x90:
            key = (data[0] & 0x0F) << 7 | data[1] & 0x7F
            left = self._counts.get(key, 0) - 1
            if left > 0:
                self._counts[key] = left
            else:
                self._counts.pop(key, None)
        elif kind == 0xB0 and (data[1] == _ALL_SOUND_OFF or data[1] >= _ALL_NOTES_OFF):
            channel = data[0] & 0x0F
            for key in [key for key in tuple(self._counts) if key >> 7 == channel]:
                self._counts.pop(key, None)

    def notes(self) -> list[tuple[int, int]]:
        """(channel, number) of each sounding note, once per start; in order of channel and number."""
        return [(key >> 7, key & 0x7F) for key in sorted(self._counts) for _ in range(self._counts[key])]

    def release(self) -> list[bytes]:
        """The messages that silence everything; the account is empty afterwards."""
        offs = [bytes((0x80 | channel, number, 64)) for channel, number in self.notes()]
        self._counts.clear()
        return offs + all_notes_off()
