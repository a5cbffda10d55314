"""The ears: clean, align, timing, swing, landing, form, shape, devices, scorecard. Pure numpy; no file reading."""

from trainer.scoring.align import Reading, read_notes

__all__ = ["Reading", "read_notes"]
