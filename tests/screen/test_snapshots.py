"""The playing screen as plain text, at three sizes.

`TRAINER_WRITE_SNAPSHOTS=1 python -m pytest tests/screen` writes them anew: look at the difference before committing it.
"""

from __future__ import annotations

import io
import os
from pathlib import Path

import pytest
from rich.console import Console

from tests.screen.states import STATES
from trainer.screen import render

FOLDER = Path(__file__).parent / "snapshots"
SIZES = ((80, 24), (120, 40), (200, 60))


@pytest.mark.parametrize(("width", "height"), SIZES)
@pytest.mark.parametrize("name", STATES)
def test_screen_is_drawn_as_it_was(name: str, width: int, height: int) -> None:
    drawn = render(STATES[name], width, height).plain + "\n"
    kept = FOLDER / f"{name}-{width}x{height}.txt"
    if os.environ.get("TRAINER_WRITE_SNAPSHOTS"):
        kept.parent.mkdir(exist_ok=True)
        kept.write_text(drawn, encoding="utf-8")
    assert drawn == kept.read_text(encoding="utf-8")


@pytest.mark.parametrize(("width", "height"), SIZES)
def test_rich_prints_the_frame_unchanged(width: int, height: int) -> None:
    """rich, a library not ours, lays the renderable out to the same text: no wrapping, no cropping."""
    frame = render(STATES["solo_figures"], width, height)
    console = Console(file=io.StringIO(), width=width, height=height, force_terminal=False, color_system=None)
    console.print(frame, end="")
    out = console.file
    assert isinstance(out, io.StringIO)
    assert "\n".join(line.rstrip() for line in out.getvalue().split("\n")) == frame.plain
