"""Ports: MIDI in and out, audio out; real ones and ones in memory behind the same protocols."""

from trainer.ports.protocols import AudioOut, AudioStamp, Fill, MidiIn, MidiOut, MidiSink, RawMidi
from trainer.ports.silence import SoundingNotes, all_notes_off

__all__ = [
    "AudioOut",
    "AudioStamp",
    "Fill",
    "MidiIn",
    "MidiOut",
    "MidiSink",
    "RawMidi",
    "SoundingNotes",
    "all_notes_off",
]
