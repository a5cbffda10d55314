"""Tempo map, swing warp, transport, clock sources and clock-to-clock fits."""

from trainer.clock.tempo import TempoMap, straight_beats, swing_offbeat_frac, swung_beats

__all__ = ["TempoMap", "straight_beats", "swing_offbeat_frac", "swung_beats"]
