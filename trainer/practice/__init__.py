"""The practice: drills built from session and line rooms, judged from the scorecard; what to work on next; the history.

The drills are loaded at their first use: who only asks the history waits for neither them nor the scorer.
"""

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from trainer.practice.drills import (
        DRILLS,
        Drill,
        Exercise,
        PassFigure,
        answered_changes,
        answers_of,
        change_bars,
        drill_named,
    )

__all__ = ["DRILLS", "Drill", "Exercise", "PassFigure", "answered_changes", "answers_of", "change_bars", "drill_named"]


def __getattr__(name: str) -> object:
    if name not in __all__:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from trainer.practice import drills

    return getattr(drills, name)
