"""Scoring many files on all cores: one card a file, in name order, the same whatever the number of workers.

The workers are programs of their own (`python -m trainer.batch`) that read one file name a line and answer one card a
line, so a script that calls `score_files` needs no guard around its main part, and a file that brings its worker down
costs that file alone. The threads here only wait for their worker's answer.
"""

from __future__ import annotations

import csv
import io
import json
import os
import queue
import subprocess
import sys
import threading
from collections.abc import Callable, Iterable, Iterator, Mapping
from pathlib import Path
from typing import Any, TextIO

from trainer.errors import TrainerError, UsageError
from trainer.plain import plain
from trainer.scoring import score
from trainer.scoring.assembling import DEFAULT_LEVEL
from trainer.scoring.beat import BeatBy
from trainer.scoring.card import MEASURES
from trainer.session import Session, load_session, session_from_dict
from trainer.system import here
from trainer.take import read_take
from trainer.take.sound_file import SOUND_SUFFIXES

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
    options: Row = {"track": track, "downbeat": downbeat, "full": full, "level": level, "beat": beat}
    n_workers = min(here().n_processors() if workers is None else max(workers, 1), len(files))
    if n_workers <= 1 or (workers is None and len(files) <= FEW_FILES):
        for n, path in enumerate(files, 1):
            row = score_file(path, session=given, **options)
            if progress is not None:
                progress(n, len(files))
            yield row
        return
    yield from _spread(files, {**options, "session": None if given is None else given.to_dict()}, n_workers, progress)


def _spread(
    files: list[Path], options: Row, n_workers: int, progress: Callable[[int, int], None] | None
) -> Iterator[Row]:
    """Rows in the order of `files`, each computed by the next free worker."""
    waiting: queue.SimpleQueue[int] = queue.SimpleQueue()
    for i in range(len(files)):
        waiting.put(i)
    answers: queue.SimpleQueue[tuple[int, Row]] = queue.SimpleQueue()
    stop = threading.Event()
    workers = [_Worker(options) for _ in range(n_workers)]

    def drive(worker: _Worker) -> None:
        while not stop.is_set():
            try:
                i = waiting.get_nowait()
            except queue.Empty:
                break
            answers.put((i, worker.ask(files[i])))
        worker.close()

    threads = [threading.Thread(target=drive, args=(worker,), daemon=True) for worker in workers]
    for thread in threads:
        thread.start()
    ready: dict[int, Row] = {}
    try:
        for i in range(len(files)):
            while i not in ready:
                j, row = answers.get()
                ready[j] = row
                if progress is not None:
                    progress(i + len(ready), len(files))
            yield ready.pop(i)
    finally:
        stop.set()
        for worker in workers:
            worker.kill()
        for thread in threads:
            thread.join()


class _Worker:
    """A scoring program and its two pipes; started at the first file, and again after it died."""

    def __init__(self, options: Row) -> None:
        self._options = options
        self._process: subprocess.Popen[str] | None = None
        self._killed = False

    def ask(self, path: Path) -> Row:
        """The row of one file; an error row if the worker dies over it."""
        try:
            process = self._process or self._start()
            assert process.stdin is not None and process.stdout is not None
            process.stdin.write(json.dumps({"path": os.fspath(path), "options": self._options}) + "\n")
            process.stdin.flush()
            answer = process.stdout.readline()
            if answer.endswith("\n"):
                row: Row = json.loads(answer)
                return row
        except (OSError, ValueError):  # its pipe is gone, or it wrote no JSON
            pass
        self.close()
        return {"file": path.as_posix(), "error": WORKER_DIED}

    def _start(self) -> subprocess.Popen[str]:
        self._process = subprocess.Popen(
            [sys.executable, "-m", "trainer.batch"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
            encoding="utf-8",
        )
        if self._killed:
            self._process.kill()
        return self._process

    def kill(self) -> None:
        self._killed = True
        process = self._process
        if process is not None:
            process.kill()

    def close(self) -> None:
        """Let it end by closing its input; wait for it."""
        process, self._process = self._process, None
        if process is None:
            return
        for pipe in (process.stdin, process.stdout):
            if pipe is not None:
                try:
                    pipe.close()
                except OSError:
                    process.kill()
        process.wait()


def _serve(lines: Iterable[str], answers: TextIO) -> None:
    """A worker's whole life: a request a line in, a row a line out, until the input ends."""
    for line in lines:
        request = json.loads(line)
        options = request["options"]
        stored = options.pop("session")
        session = None if stored is None else session_from_dict(stored, scored=True)
        answers.write(json.dumps(score_file(request["path"], session=session, **options)) + "\n")
        answers.flush()


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
        places: tuple[tuple[str | int, ...], ...] = ((shown.key,), (shown.ci, 0), (shown.ci, 1), (shown.n,))
        for column, place in zip(shown.columns, places, strict=False):
            yield column, (measure.section, *place)
    yield from _COUNTS.items()


CSV_COLUMNS: dict[str, tuple[str | int, ...]] = dict(_columns())


def csv_row(row: Mapping[str, Any]) -> Row:
    """The headline figures of a card, by `CSV_COLUMNS`; None where there is no figure."""
    out: Row = {}
    for column, place in CSV_COLUMNS.items():
        value: Any = row
        for key in place:
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


if __name__ == "__main__":
    _serve(sys.stdin, sys.stdout)
