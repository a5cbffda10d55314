"""The practice: drills built from session and line rooms, judged from the scorecard."""

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
