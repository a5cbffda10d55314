"""Tempo map, swing warp, transport, clock sources, clock-to-clock fits and MIDI clock."""

from trainer.clock.fit import ClockFit, DriverClock, FitSegment, SongMap, place_messages
from trainer.clock.midi_clock import ClockFollower
from trainer.clock.sources import Clock, FakeClock, RealClock, SleepWatch
from trainer.clock.tempo import TempoMap, swing_offbeat_frac, swung_beats

__all__ = [
    "Clock",
    "ClockFit",
    "ClockFollower",
    "DriverClock",
    "FakeClock",
    "FitSegment",
    "RealClock",
    "SleepWatch",
    "SongMap",
    "TempoMap",
    "place_messages",
    "swing_offbeat_frac",
    "swung_beats",
]
