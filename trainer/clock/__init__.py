"""Tempo map, swing warp, transport, clock sources, clock-to-clock fits and MIDI clock."""

from trainer.clock.tempo import TempoMap, swing_offbeat_frac, swung_beats

__all__ = ["TempoMap", "swing_offbeat_frac", "swung_beats"]
