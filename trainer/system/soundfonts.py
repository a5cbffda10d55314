"""SoundFont files in folders: which there are, and which comes first."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

__all__ = ["soundfonts_in"]

_ENDINGS = (".sf2", ".sf3")


def soundfonts_in(folders: Iterable[Path]) -> list[Path]:
    """Files that end as SoundFonts do, one of each file however many names it has: a folder's default first, then by
    name. A folder that cannot be read has none."""
    found: dict[Path, Path] = {}
    for folder in folders:
        try:
            here = [path for path in folder.iterdir() if path.suffix.lower() in _ENDINGS and path.is_file()]
        except OSError:
            continue
        for path in sorted(here, key=lambda path: (not path.name.lower().startswith("default"), path.name.lower())):
            found.setdefault(path.resolve(), path)
    return list(found.values())
