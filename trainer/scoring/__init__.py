"""The ears: clean, align, timing, swing, landing, form, shape, devices, scorecard. Pure numpy; no file reading."""

from trainer.scoring.align import read_notes
from trainer.scoring.assembling import score
from trainer.scoring.card import Card, Scorecard
from trainer.scoring.figure import Figure
from trainer.scoring.landing import Item, Landing
from trainer.scoring.reading import Reading
from trainer.scoring.running import FiguresSoFar, RunningScore
from trainer.scoring.swing import Swing
from trainer.scoring.text import costly_bars, summary
from trainer.scoring.timing import Timing

__all__ = [
    "Card",
    "Figure",
    "FiguresSoFar",
    "Item",
    "Landing",
    "Reading",
    "RunningScore",
    "Scorecard",
    "Swing",
    "Timing",
    "costly_bars",
    "read_notes",
    "score",
    "summary",
]
