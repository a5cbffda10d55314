"""`trainer` alone: what was last done, and how to start."""

from __future__ import annotations

import datetime
from pathlib import Path

__all__ = ["home_lines"]


def home_lines() -> list[str]:
    """Three lines at most; nothing here may fail for want of takes."""
    return [
        _last_done(),
        "Play: trainer play   (or by name: trainer play first-round; names: trainer sessions)",
        _first_steps(),
    ]


def _last_done() -> str:
    newest = _newest_take()
    if newest is None:
        return "Nothing recorded yet."
    age = datetime.date.today() - datetime.date.fromtimestamp(newest.stat().st_mtime)
    when = "today" if age.days == 0 else "yesterday" if age.days == 1 else f"{age.days} days ago"
    return f"Last take: {newest.stem}, {when}. Its figures: trainer score {newest}"


def _newest_take() -> Path | None:
    from trainer.take import takes_dir

    try:
        files = [path for path in takes_dir().glob("*.mid") if path.is_file()]
        return max(files, key=lambda path: path.stat().st_mtime, default=None)
    except OSError:
        return None


def _first_steps() -> str:
    return "Hear it first: trainer demo · check your bass: trainer check · everything: trainer --help"
