"""Writing a page: aside, synced, renamed."""

from __future__ import annotations

import os
from pathlib import Path

from trainer.aside import written_for_a_person

__all__ = ["write_page"]


def write_page(body: str | bytes, path: str | os.PathLike[str]) -> Path:
    """Write a file atomically; `UsageError` when the place cannot be written."""
    target = Path(path)
    with written_for_a_person(target) as handle:
        handle.write(body.encode() if isinstance(body, str) else body)
    return target
