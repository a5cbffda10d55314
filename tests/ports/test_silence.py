"""What is sounding, and ending it. Expected bytes from MIDI 1.0 (channel mode messages, note-off)."""

from __future__ import annotations

import mido
from hypothesis import given
from hypothesis import strategies as st

from trainer.ports import SoundingNotes, all_notes_off


def test_all_notes_off_on_every_channel_as_another_library_reads_it() -> None:
    messages = [mido.Message.from_bytes(data) for data in all_notes_off()]
    for channel in range(16):
        *modes, wheel = [m for m in messages if m.channel == channel]
        assert [(m.control, m.value) for m in modes] == [(64, 0), (123, 0), (120, 0), (1, 0)]
        assert (wheel.type, wheel.pitch) == ("pitchwheel", 0)


def test_release_sends_an_off_for_each_note_started() -> None:
    notes = SoundingNotes()
    for data in (b"\x90\x28\x64", b"\x90\x28\x64", b"\x92\x2d\x50", b"\x90\x30\x40", b"\x90\x30\x00", b"\x80\x11\x00"):
        notes.note(data)
    assert notes.notes() == [(0, 0x28), (0, 0x28), (2, 0x2D)]
    assert notes.release()[:3] == [b"\x80\x28\x40", b"\x80\x28\x40", b"\x82\x2d\x40"]
    assert notes.notes() == []
    assert notes.release() == all_notes_off()


def test_mode_messages_end_their_channel_only() -> None:
    for number in (120, 123, 124, 125, 126, 127):
        notes = SoundingNotes()
        notes.note(b"\x90\x28\x64")
        notes.note(b"\x91\x28\x64")
        notes.note(bytes((0xB0, number, 0)))
        assert notes.notes() == [(1, 0x28)]


@given(st.lists(st.binary(min_size=0, max_size=4), max_size=60))
def test_any_bytes_are_taken(messages: list[bytes]) -> None:
    notes = SoundingNotes()
    for data in messages:
        notes.note(data)
    assert all(0 <= channel < 16 and 0 <= number < 128 for channel, number in notes.notes())
    notes.release()
    assert notes.notes() == []
