"""What ships with the program: ready-made sessions, and the tables and schemas shared with other programs.

Installed, they lie inside the package; in a checkout, beside it.
"""

from __future__ import annotations

from pathlib import Path

from trainer.errors import UsageError, nearest

__all__ = ["session_names", "session_path", "sessions_dir", "shared_dir"]

_PACKAGE = Path(__file__).resolve().parent


def _folder(name: str) -> Path:
    installed = _PACKAGE / "_data" / name
    return installed if installed.is_dir() else _PACKAGE.parent / name


def sessions_dir() -> Path:
    """Folder of the ready-made sessions."""
    return _folder("sessions")


def shared_dir() -> Path:
    """Folder of the published reference tables and the JSON Schemas of the files that the program writes."""
    return _folder("shared")


def session_names() -> tuple[str, ...]:
    """Names of the ready-made sessions, in order."""
    return tuple(sorted(path.stem for path in sessions_dir().glob("*.toml")))


def session_path(name: str) -> Path:
    """The file of a ready-made session ("first-round"); `UsageError` names those there are, and the nearest."""
    names = session_names()
    wanted = name.strip().casefold().replace("_", "-").replace(" ", "-")
    if wanted in names:
        return sessions_dir() / f"{wanted}.toml"
    near = next((known for known in names if wanted and wanted in known), None) or nearest(wanted, names)
    tail = f'; did you mean "{near}"?' if near else ""
    raise UsageError(
        f'no session "{name}": expected a TOML file or one of the ready-made sessions {", ".join(names)}{tail}'
    )
