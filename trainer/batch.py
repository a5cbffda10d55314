"""Scoring many files on all cores: one card a file, in name order, the same whatever the number of workers.

The pool is that of `trainer.workers`: a file that brings its worker down costs that file alone.
"""

from __future__ import annotations

import csv
import functools
import io
import json
import os
from collections.abc import Callable, Iterable, Iterator, Mapping
from pathlib import Path
from typing import Any, TextIO

from trainer.errors import TrainerError, UsageError
from trainer.plain import plain
from trainer.scoring import score
from trainer.scoring.assembling import DEFAULT_LEVEL
from trainer.scoring.beat import BeatBy
from trainer.scoring.card import MEASURES
from trainer.session import Session, load_session
from trainer.system import here
from trainer.take import read_take
from trainer.take.sound_file import SOUND_SUFFIXES
from trainer.workers import spread

__all__ = [
    "CSV_COLUMNS",
    "csv_row",
    "midi_files",
    "own_line_ends",
    "score_file",
    "score_files",
    "text_cell",
    "write_csv",
    "write_json_lines",
]

SUFFIXES = (".mid", ".midi", ".smf")
FEW_FILES = 30  # up to so many are scored here and now: starting a worker takes as long as 30 files; our choice
WORKER_DIED = "the scoring of this file ended without an answer; score it alone to see why"

Row = dict[str, Any]


def midi_files(paths: Iterable[str | os.PathLike[str]]) -> list[Path]:
    """The MIDI and sound files among `paths`, folders searched through, in name order, each once.

    In a folder a sound file beside a MIDI file of its name is the recording of that take, and left out. A file that is
    named stays in the list whatever its suffix, there or not (its row says what is wrong).
    `UsageError` for a folder that cannot be read.
    """
    found: set[Path] = set()
    for item in paths:
        path = Path(item)
        if not path.is_dir():
            found.add(path)
            continue

        def refuse(error: OSError, folder: Path = path) -> None:
            raise UsageError(f"cannot read the folder {error.filename or folder}: {error.strerror}") from error

        for folder, _, names in os.walk(path, onerror=refuse):
            here = [Path(folder) / name for name in names if not name.startswith(".")]
            midi = {path for path in here if path.suffix.lower() in SUFFIXES}
            stems = {path.stem for path in midi}
            sound = {path for path in here if path.suffix.lower() in SOUND_SUFFIXES and path.stem not in stems}
            found |= midi | sound
    return sorted(found, key=lambda path: path.as_posix())


def score_file(
    path: str | os.PathLike[str],
    *,
    session: Session | None = None,
    track: str | int | None = None,
    downbeat: float | str | None = None,
    full: bool = False,
    level: str | None = None,
    beat: BeatBy | None = None,
) -> Row:
    """One file's card as plain JSON data with its `file`; `{"file", "error"}` for one that could not be scored."""
    name = Path(path).as_posix()
    try:
        take = read_take(path, session=session, track=track, downbeat=downbeat)
        card = score(take, full=full, level=level or DEFAULT_LEVEL, beat=beat)
        row: Row = json.loads(json.dumps({"file": name, **card.to_dict()}, allow_nan=False))
    except TrainerError as error:
        return {"file": name, "error": str(error)}
    except Exception as error:  # a fault of ours must not cost the other files
        return {"file": name, "error": f"a fault of the program: {type(error).__name__}: {error}"[:500]}
    return row


def score_files(
    paths: Iterable[str | os.PathLike[str]],
    *,
    session: Session | str | os.PathLike[str] | None = None,
    track: str | int | None = None,
    downbeat: float | str | None = None,
    full: bool = False,
    level: str | None = None,
    beat: BeatBy | None = None,
    workers: int | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> Iterator[Row]:
    """The cards of many files and folders, in name order, as they are ready.

    `session` (or its file) is for all of them; without it each takes its own, or the TOML file of its stem beside it.
    `workers`: None for all cores. `progress(n_done, n_files)` is called after each file. Rows are as from `score_file`.
    """
    files = midi_files(paths)
    given = session if session is None or isinstance(session, Session) else load_session(Path(session), scored=True)
    work = functools.partial(
        score_file, session=given, track=track, downbeat=downbeat, full=full, level=level, beat=beat
    )
    n_workers = min(here().n_processors() if workers is None else max(workers, 1), len(files))
    if n_workers > 1 and (workers is not None or len(files) > FEW_FILES):
        yield from spread(work, files, n_workers, _died, progress)
        return
    for n, path in enumerate(files, 1):
        row = work(path)
        if progress is not None:
            progress(n, len(files))
        yield row


def _died(path: Path) -> Row:
    return {"file": path.as_posix(), "error": WORKER_DIED}


# --- writing ------------------------------------------------------------------------------------------------------

# Columns that are no figure → where they stand in the card; a place of -1 counts a list.
_FACTS: dict[str, tuple[str | int, ...]] = {
    "file": ("file",),
    "error": ("error",),
    "take_sha256": ("take_sha256",),
    "key": ("take", "key"),
    "tempo_bpm": ("take", "tempo_bpm"),
    "choruses": ("take", "choruses"),
    "notes": ("take", "notes"),
    "profile": ("take", "profile"),
}
_COUNTS: dict[str, tuple[str | int, ...]] = {
    "swing_n_stand_in": ("swing", "n_stand_in"),
    "changes": ("landing", "changes"),
    "roots": ("landing", "roots"),
    "landed": ("landing", "landed"),
    "times_lost": ("form", "lost", -1),
    "devices_found": ("devices", "found", -1),
    "level": ("verdict", "level"),
}


def _columns() -> Iterator[tuple[str, tuple[str | int, ...]]]:
    """Every column of the table and its place in the card: what the take is, its figures, what is counted."""
    yield from _FACTS.items()
    for measure in MEASURES:
        shown = measure.shown
        paths: tuple[tuple[str | int, ...], ...] = ((shown.key,), (shown.ci, 0), (shown.ci, 1), (shown.n,))
        for column, path in zip(shown.columns, paths, strict=False):
            yield column, (measure.section, *path)
    yield from _COUNTS.items()


CSV_COLUMNS: dict[str, tuple[str | int, ...]] = dict(_columns())


def csv_row(row: Mapping[str, Any]) -> Row:
    """The headline figures of a card, by `CSV_COLUMNS`; None where there is no figure."""
    out: Row = {}
    for column, path in CSV_COLUMNS.items():
        value: Any = row
        for key in path:
            if isinstance(key, int):
                value = value if isinstance(value, list) else None
                value = value if value is None else len(value) if key < 0 else value[key] if key < len(value) else None
            else:
                value = value.get(key) if isinstance(value, Mapping) else None
        out[column] = value
    return out


def write_csv(rows: Iterable[Mapping[str, Any]], out: TextIO) -> int:
    """The rows as a table with a header line (RFC 4180); an absent figure is empty.

    Gives back how many had an error.
    """
    table = csv.DictWriter(own_line_ends(out), list(CSV_COLUMNS))
    table.writeheader()
    n_errors = 0
    for row in rows:
        table.writerow({column: text_cell(value) for column, value in csv_row(row).items()})
        n_errors += "error" in row
    return n_errors


def text_cell(value: Any) -> Any:
    """A value of a table; text that a spreadsheet would take for a formula is marked as text (OWASP: CSV injection)."""
    if not isinstance(value, str):
        return value
    text = plain(value)
    return f"'{text}" if value[:1] in ("=", "+", "-", "@", "\t", "\r") else text


def own_line_ends(out: TextIO) -> TextIO:
    """`out`, leaving the line ends of a table as they are: Windows would put a second carriage return into each."""
    if isinstance(out, io.TextIOWrapper):
        out.reconfigure(newline="")
    return out


def write_json_lines(rows: Iterable[Mapping[str, Any]], out: TextIO) -> int:
    """One JSON object a line; gives back how many had an error."""
    n_errors = 0
    for row in rows:
        out.write(plain(json.dumps(row)) + "\n")
        n_errors += "error" in row
    return n_errors
