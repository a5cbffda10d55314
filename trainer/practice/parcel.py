"""The file of a result, opened within bounds: whatever was handed in costs little, and opens nothing else.

A result is a ZIP that somebody else made: nothing of it is believed before it is read whole, known and small. Anything
else is one line. Source of the format: PKWARE's application note on ZIP files, sections 4.3.12 and 4.3.16.
"""

from __future__ import annotations

import hashlib
import io
import os
import re
import zipfile
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated

import msgspec

from trainer.errors import FileFormatError
from trainer.opened import bytes_of
from trainer.practice.worksheet import MAX_TASKS, MAX_TIMES

__all__ = ["MAX_TAKES", "Listed", "Parcel", "Record", "read_parcel"]

MAX_TAKES = 200  # takes of one result; our choice, far above an evening's work
MAX_FILE_BYTES = 32_000_000
MAX_ENTRY_BYTES = 8_000_000  # a take of eight minutes has 0.3 MB of JSON; our choice
MAX_TOTAL_BYTES = 64_000_000
_MAX_ENTRIES = 3 * MAX_TAKES + 2
_MAX_DIRECTORY_BYTES = 200 * _MAX_ENTRIES
_NAMES = re.compile(r"result\.json|worksheet\.toml|\d{2,3}\.(?:mid|json|card\.json)")
_END, _END_64 = b"PK\x05\x06", b"PK\x06\x07"
_LONGEST_END = 22 + 65_535

assert MAX_TAKES <= MAX_TASKS * MAX_TIMES


class _Schema(msgspec.Struct, frozen=True):
    name: str
    major: int = 1


class Listed(msgspec.Struct, frozen=True):
    """One take of the list: which task (from 1) it was played for, its number in the file, its MIDI's SHA-256."""

    task: Annotated[int, msgspec.Meta(ge=-(10**6), le=10**6)]
    take: Annotated[str, msgspec.Meta(pattern=r"^\d{2,3}$")]
    sha256: Annotated[str, msgspec.Meta(max_length=64)] = ""


class Record(msgspec.Struct, frozen=True):
    """`result.json`."""

    schema: _Schema
    name: Annotated[str, msgspec.Meta(max_length=1000)] = ""
    made: Annotated[str, msgspec.Meta(max_length=100)] = ""
    scorer: Annotated[str, msgspec.Meta(max_length=100)] = ""
    tasks: Annotated[list[Annotated[str, msgspec.Meta(max_length=64)]], msgspec.Meta(max_length=MAX_TASKS)] = []
    takes: Annotated[list[Listed], msgspec.Meta(max_length=20 * MAX_TAKES)] = []


@dataclass(frozen=True)
class Parcel:
    """What a result file holds: its own SHA-256, its record, and its entries by name."""

    path: Path
    sha256: str
    record: Record
    entries: dict[str, bytes]


def read_parcel(path: str | os.PathLike[str]) -> Parcel:
    """The file, read whole and checked. `UsageError` when it cannot be read, `FileFormatError` when it is no result."""
    file = Path(path)
    data = bytes_of(file, MAX_FILE_BYTES, "a worksheet's result")
    entries = _entries(file, data)
    if "result.json" not in entries or "worksheet.toml" not in entries:
        raise _no_result(file, "a part is missing")
    try:
        record = msgspec.json.decode(entries["result.json"], type=Record)
    except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError) as error:
        raise _no_result(file, f"result.json: {' '.join(str(error).split())[:100]}") from None
    if record.schema.name != "worksheet_result" or record.schema.major != 1:
        raise _no_result(file, f"result.json is a {record.schema.name[:40]!r} of version {record.schema.major}")
    return Parcel(file, hashlib.sha256(data).hexdigest(), record, entries)


def _no_result(file: Path, why: str) -> FileFormatError:
    return FileFormatError(f"{file}: not a worksheet's result ({why}); expected the file that trainer worksheet made")


def _entries(file: Path, data: bytes) -> dict[str, bytes]:
    """Every part by name, unpacked within bounds. What no result holds is refused before it is unpacked."""
    tail = data[-_LONGEST_END:]
    ends = [match.start() for match in re.finditer(re.escape(_END), tail)]
    if not data.startswith(b"PK") or not ends:
        raise _no_result(file, "no ZIP file, or one cut short")
    # Python's reader believes the size that stands here and makes an object of each name before anyone can count them.
    if _END_64 in tail or any(int.from_bytes(tail[at + 12 : at + 16], "little") > _MAX_DIRECTORY_BYTES for at in ends):
        raise _no_result(file, "more parts than a result has")
    out: dict[str, bytes] = {}
    total = 0
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            for info in archive.infolist():
                name = info.filename
                if name in out or len(out) >= _MAX_ENTRIES:
                    raise _no_result(file, "a part that no result has")
                out[name] = _entry(file, archive, info)
                total += len(out[name])
                if len(out[name]) > MAX_ENTRY_BYTES or total > MAX_TOTAL_BYTES:
                    raise FileFormatError(f"{file}: {name} unpacks to more than a take has; expected a few MB at most")
    except FileFormatError:
        raise
    except Exception as error:  # a damaged archive breaks wherever it is read; the parser's words are no use to anyone
        raise _no_result(file, f"damaged: {type(error).__name__}") from None
    return out


def _entry(file: Path, archive: zipfile.ZipFile, info: zipfile.ZipInfo) -> bytes:
    """A part of a result, unpacked: of one that is too long a byte more than is allowed."""
    if not _NAMES.fullmatch(info.filename):
        raise _no_result(file, "a part that no result has")
    if info.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED) or info.flag_bits & 1:
        raise _no_result(file, f"{info.filename} is packed in another way")
    with archive.open(info) as handle:
        return handle.read(MAX_ENTRY_BYTES + 1)
