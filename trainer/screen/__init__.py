"""The playing screen: a frozen view model, drawn as a pure rich renderable, and plain lines for pipes and files."""

from trainer.screen.font import block_rows, block_text, block_width
from trainer.screen.frame import Frame, repaint
from trainer.screen.layout import render
from trainer.screen.lines import opening_lines, plain_line
from trainer.screen.state import PartLevel, Phase, RunningFigures, ScreenState, round_word

__all__ = [
    "Frame",
    "PartLevel",
    "Phase",
    "RunningFigures",
    "ScreenState",
    "block_rows",
    "block_text",
    "block_width",
    "opening_lines",
    "plain_line",
    "render",
    "repaint",
    "round_word",
]
