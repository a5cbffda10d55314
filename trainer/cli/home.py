"""`trainer` alone: what was last done, what is worth another visit, how to start. It imports little."""

from __future__ import annotations

import datetime
from pathlib import Path

from trainer.system import here

__all__ = ["home_lines", "newest_take", "takes_folder"]


def home_lines() -> list[str]:
    """Three lines; nothing here may fail for want of takes, nor wait for them to be read."""
    folder = takes_folder()
    newest = newest_take(folder)
    if newest is None:
        return [
            "Nothing recorded yet.",
            "Play: trainer play · songs by name: trainer sessions · hear it first: trainer demo",
            "Check your bass: trainer check · everything there is: trainer --help",
        ]
    return [
        _last_done(newest),
        _due(folder),
        "Play: trainer play · your evening: trainer practice · everything: trainer --help",
    ]


def takes_folder(option: Path | None = None) -> Path:
    """As `trainer.take.takes_dir`, without its imports."""
    if option is not None:
        return option.expanduser()
    from platformdirs import user_data_path

    from trainer.settings import APP_NAME

    return here().as_others_see(user_data_path(APP_NAME, appauthor=False) / "takes")


def _last_done(newest: Path) -> str:
    age = datetime.date.today() - datetime.date.fromtimestamp(newest.stat().st_mtime)
    when = "today" if age.days <= 0 else "yesterday" if age.days == 1 else f"{age.days} days ago"
    return f"Last take, {when}: trainer score {here().pasted(newest)}"


def newest_take(folder: Path) -> Path | None:
    """The take of a folder that was written last: what `last` stands for."""
    try:
        files = [path for path in folder.glob("*.mid") if path.is_file()]
        return max(files, key=lambda path: path.stat().st_mtime, default=None)
    except OSError:
        return None


def _due(folder: Path) -> str:
    from trainer.practice.history import noted_due

    due = noted_due(folder, datetime.date.today())
    if not due:
        return "What an evening would be today: trainer practice --plan"
    first = due[0]
    name = f"Worth another visit: {first.drill.replace('_', ' ')} in {first.key}"
    if len(due) > 1:
        return f"{name} and {len(due) - 1} more: trainer practice"
    study = first.drill.startswith("study ")
    return name if study else f"{name}: trainer drill {first.drill} --key {first.key} --bpm {first.tempo_bpm:g}"
