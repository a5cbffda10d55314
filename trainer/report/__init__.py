"""What is looked at after playing: the report page, notation, exports. Pure but for `write_report`."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

from trainer.errors import UsageError
from trainer.report.page import report_page
from trainer.scoring.card import Scorecard
from trainer.take import Take

__all__ = ["report_page", "write_report"]


def write_report(take: Take, card: Scorecard, path: str | os.PathLike[str]) -> Path:
    """Write the page beside or over `path`, atomically; `UsageError` when the place cannot be written."""
    target = Path(path)
    page = report_page(take, card.to_dict(), card.chart, card.reading)
    try:
        with tempfile.NamedTemporaryFile(
            "w", encoding="utf-8", dir=target.parent, prefix=".report-", suffix=".html", delete=False
        ) as handle:
            handle.write(page)
            handle.flush()
            os.fsync(handle.fileno())
        os.chmod(handle.name, 0o644)
        os.replace(handle.name, target)
    except OSError as error:
        raise UsageError(
            f"cannot write the report {target}: {error.strerror or error}; name another place with --out"
        ) from None
    return target
