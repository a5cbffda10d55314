"""Ports: MIDI in and out, audio out; real ones and ones in memory behind the same protocols."""

from trainer.ports.protocols import AudioOut, MidiIn, MidiOut
from trainer.ports.silence import SoundingNotes, all_notes_off

__all__ = ["AudioOut", "MidiIn", "MidiOut", "SoundingNotes", "all_notes_off"]
