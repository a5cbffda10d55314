"""Opening for reading what somebody named: a regular file, of a size that can be. Nothing that waits (a pipe, a device)
is read."""

from __future__ import annotations

import contextlib
import math
import os
import stat
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO

from trainer.errors import FileFormatError, UsageError

__all__ = ["bytes_of", "opened"]


def _without_waiting(path: str, flags: int) -> int:
    return os.open(path, flags | getattr(os, "O_NONBLOCK", 0))


@contextlib.contextmanager
def opened(file: Path, expected: str, kind: str = "") -> Iterator[BinaryIO]:
    """The file, open. `UsageError` where it cannot be read or is none; `kind` names it where it is not there."""
    try:
        # A pipe is not waited for between the look and the opening; a device is not opened at all.
        _refuse_what_is_no_file(file.stat(), file, expected)
        with open(file, "rb", opener=_without_waiting) as handle:
            _refuse_what_is_no_file(os.fstat(handle.fileno()), file, expected)
            yield handle
    except FileNotFoundError:
        named = f"{kind} file" if kind else "file"
        raise UsageError(f"no {named} {file}; expected {expected}; check the name and the folder") from None
    except (OSError, ValueError) as error:
        raise UsageError(f"cannot read {file}: {getattr(error, 'strerror', None) or error}") from None


def _refuse_what_is_no_file(status: os.stat_result, file: Path, expected: str) -> None:
    if stat.S_ISDIR(status.st_mode):
        raise UsageError(f"{file}: a folder; expected {expected}")
    if not stat.S_ISREG(status.st_mode):
        raise UsageError(f"{file}: not a regular file; expected {expected}")


def bytes_of(file: Path, limit: int, expected: str, kind: str = "") -> bytes:
    """The whole file, refused by size before it is read (`FileFormatError`)."""
    with opened(file, expected, kind) as handle:
        size = os.fstat(handle.fileno()).st_size
        if size > limit:
            found, most = math.ceil(size / 1e6), limit // 1_000_000
            raise FileFormatError(f"{file}: {found} MB; expected {expected} of at most {most} MB")
        return handle.read(size + 1)  # the buffer is made as long as what is asked for
