"""Writing a page: aside, synced, renamed."""

from __future__ import annotations

import contextlib
import os
import tempfile
from pathlib import Path

from trainer.errors import UsageError
from trainer.system import here

__all__ = ["printable", "write_page"]


def write_page(body: str | bytes, path: str | os.PathLike[str]) -> Path:
    """Write a file atomically; `UsageError` when the place cannot be written.

    A pipe or a device (`/dev/stdout`) is written into: a file in its place would not reach whoever reads there.
    """
    target = Path(path)
    temporary = ""
    try:
        if target.exists() and not target.is_file() and not target.is_dir():
            target.write_bytes(body.encode() if isinstance(body, str) else body)
            return target
        number, temporary = tempfile.mkstemp(dir=target.parent, prefix=".page-")
        with os.fdopen(number, "wb") as handle:
            handle.write(body.encode() if isinstance(body, str) else body)
            handle.flush()
            os.fsync(handle.fileno())
        os.chmod(temporary, 0o644)
        here().replace(temporary, target)
    except OSError as error:
        if temporary:
            with contextlib.suppress(OSError):
                os.unlink(temporary)
        raise UsageError(
            f"cannot write {target}: {error.strerror or error}; choose a folder that exists and has room"
        ) from None
    return target


def printable(text: str) -> str:
    """`text` from a file without what no page can show: control characters, marks that turn the line round."""
    return "".join(c if c.isprintable() else " " for c in text)
