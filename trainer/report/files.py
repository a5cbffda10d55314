"""Writing a page: aside, synced, renamed."""

from __future__ import annotations

import os
from pathlib import Path

from trainer.aside import written_for_a_person
from trainer.errors import UsageError
from trainer.limits import PAPER_BARS
from trainer.session import Chart

__all__ = ["fits_on_paper", "write_page"]


def write_page(body: str | bytes, path: str | os.PathLike[str]) -> Path:
    """Write a file atomically; `UsageError` when the place cannot be written."""
    target = Path(path)
    with written_for_a_person(target) as handle:
        handle.write(body.encode() if isinstance(body, str) else body)
    return target


def fits_on_paper(chart: Chart) -> None:
    """`UsageError` for more bars than anybody turns pages for."""
    if len(chart.bars) > PAPER_BARS:
        raise UsageError(
            f"{len(chart.bars):,} bars; expected at most {PAPER_BARS:,} on paper; score them, or take fewer choruses"
        )
