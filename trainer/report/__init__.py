"""What is looked at after playing: the report page, notation, comparisons. Pure but for the writing."""

from __future__ import annotations

import os
from pathlib import Path

from trainer.report.files import write_page
from trainer.report.page import report_page
from trainer.scoring.card import Scorecard
from trainer.take import Take

__all__ = ["report_page", "write_page", "write_report"]


def write_report(take: Take, card: Scorecard, path: str | os.PathLike[str]) -> Path:
    """Write the report of a take, atomically; `UsageError` when the place cannot be written."""
    return write_page(report_page(take, card), path)
