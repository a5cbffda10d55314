"""Writing a file so that a crash leaves what was there or the whole of what is new: aside, synced, renamed.

What comes out is as private as the person's umask says. A pipe or a device (`/dev/stdout`) is written into: a file in
its place would not reach whoever reads there.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import tempfile
import time
import uuid
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO, cast

from trainer.errors import UsageError
from trainer.system import here

__all__ = ["claim", "new_file", "one_at_a_time", "written_aside", "written_for_a_person"]


@contextlib.contextmanager
def new_file(path: Path) -> Iterator[tuple[Path, BinaryIO]]:
    """A file of a name of its own beside `path`, open for writing, and gone on leaving unless it was renamed."""
    aside = path.with_name(f".{path.name[:80]}.{uuid.uuid4().hex}")
    # Not `tempfile`: what that makes is its owner's alone, whatever the umask says.
    number = os.open(aside, os.O_RDWR | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0), 0o666)
    try:
        with os.fdopen(number, "w+b") as handle:
            yield aside, handle
    finally:
        aside.unlink(missing_ok=True)


@contextlib.contextmanager
def written_aside(path: Path) -> Iterator[BinaryIO]:
    """What to write into; put in place when the block is left, but not when it is left by an exception. `OSError`."""
    if path.exists() and not path.is_file() and not path.is_dir():
        with tempfile.TemporaryFile() as whole, path.open("wb") as into:  # some formats' heads are written last
            yield cast(BinaryIO, whole)
            whole.seek(0)
            shutil.copyfileobj(whole, into)
        return
    with new_file(path) as (aside, handle):
        yield handle
        handle.flush()
        os.fsync(handle.fileno())
        handle.close()  # some systems rename no open file
        here().replace(aside, path)


@contextlib.contextmanager
def written_for_a_person(path: Path) -> Iterator[BinaryIO]:
    """The same for a file that somebody named: `UsageError` when the place cannot be written."""
    try:
        with written_aside(path) as handle:
            yield handle
    except OSError as error:
        reason = error.strerror or error
        raise UsageError(f"cannot write {path}: {reason}; choose a folder that exists and has room") from None


def claim(temporary: Path, final: Path) -> bool:
    """Put a finished file in place unless its name is taken; True if it is ours now.

    `OSError` if neither way works. A hard link fails on an existing name in one step; where a file system has none, an
    exclusive empty file claims the name and is then replaced.
    """
    try:
        os.link(temporary, final)
    except FileExistsError:
        return False
    except OSError:
        try:
            final.open("xb").close()
        except FileExistsError:
            return False
        try:
            here().replace(temporary, final)
        except OSError:
            final.unlink(missing_ok=True)
            raise
    return True


@contextlib.contextmanager
def one_at_a_time(path: Path) -> Iterator[None]:
    """While inside, others who come here with the same path wait. Where nothing can be written nobody has to."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle = os.open(path, os.O_RDWR | os.O_CREAT, 0o666)
    except OSError:
        yield
        return
    try:
        while not here().lock(handle):
            time.sleep(0.05)
        yield
    finally:
        os.close(handle)
