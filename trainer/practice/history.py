"""The history of takes and drills: an index over the take files, and what it says over weeks.

The take files (MIDI with JSON beside) are the only truth. The index is an SQLite file that can be thrown away and made
again from them at any time; `cards` reads them. Several programs may use the index at once (write-ahead log, one
writer at a time); one that is killed while writing leaves the last whole state. What is asked in a hurry (what is due,
the trends) is worked out when a take comes or goes and noted, so that asking loads neither the scorer nor arrays.

A take made by a drill carries `{"drill": {"name", "key", "tempo_bpm", "seed", …}}` in its header's extra data: enough
to build the drill again, so whether it passed is worked out from the notes and never believed. A tune of a night on
stage carries `{"stage": {"seed", "level", "tune"}}`, an import the digest of the file it came from.
"""

from __future__ import annotations

import contextlib
import datetime
import hashlib
import itertools
import os
import sqlite3
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from trainer._version import __version__
from trainer.errors import UsageError
from trainer.practice.rows import DrillRun, Followed, ReadTake, Trend, day_of, moment_of

__all__ = [
    "DrillRun",
    "History",
    "Refreshed",
    "Remembered",
    "Span",
    "TakeRow",
    "Trend",
    "day_of",
    "noted_due",
]

BUSY_S = 20.0
BATCH = 100
INDEX_NAME = ".history.sqlite"  # in the folder of takes
ALWAYS = "0000"  # before every day


_ABOUT = ("created", "day", "title", "key", "tempo_bpm", "n_notes", "n_choruses", "kind", "drill", "passed",
          "midi_sha256", "source_sha256", "error")  # fmt: skip
_TABLES = {
    "takes": "path TEXT PRIMARY KEY, stamp TEXT NOT NULL, created TEXT NOT NULL, day TEXT NOT NULL, title TEXT, "
    "key TEXT, tempo_bpm REAL, n_notes INTEGER, n_choruses INTEGER, kind TEXT NOT NULL, drill TEXT, passed INTEGER, "
    "midi_sha256 TEXT, source_sha256 TEXT, error TEXT",
    "figures": "path TEXT NOT NULL, name TEXT NOT NULL, value REAL NOT NULL, PRIMARY KEY (path, name)",
    "changes": "path TEXT NOT NULL, pair TEXT NOT NULL, roots INTEGER NOT NULL, landed INTEGER NOT NULL, "
    "n INTEGER NOT NULL, PRIMARY KEY (path, pair)",
    "devices": "path TEXT NOT NULL, name TEXT NOT NULL, n INTEGER NOT NULL, PRIMARY KEY (path, name)",
    # What a take shows of a drill or a studied phrase: one take may show several.
    "shown": "path TEXT NOT NULL, drill TEXT NOT NULL, passed INTEGER NOT NULL, share REAL NOT NULL, "
    "n_passes INTEGER NOT NULL, PRIMARY KEY (path, drill)",
    # What is asked in a hurry; noted with every change. No trends: not noted yet.
    "due": "drill TEXT NOT NULL, key TEXT NOT NULL, tempo TEXT NOT NULL, tempo_bpm REAL NOT NULL, due TEXT NOT NULL, "
    "last_day TEXT NOT NULL, n_runs INTEGER NOT NULL, clean_frac REAL NOT NULL, PRIMARY KEY (drill, key, tempo)",
    "trends": "rank INTEGER PRIMARY KEY, figure TEXT NOT NULL, title TEXT NOT NULL, unit TEXT NOT NULL, "
    "better INTEGER NOT NULL, n INTEGER NOT NULL, newest REAL, per_week REAL, low REAL, high REAL, words TEXT NOT NULL",
    # Which program made the index, and how it reads takes.
    "made": "only INTEGER PRIMARY KEY, program TEXT NOT NULL, reading TEXT NOT NULL",
}
_DAYS = ("day", "due", "last_day")
_OF_TAKES = ("takes", "figures", "changes", "devices", "shown")  # rows that go with their take
# Of the tables, as they are written here: an index of other tables is made again.
VERSION = int.from_bytes(hashlib.sha256(repr(_TABLES).encode()).digest()[:4], "big") >> 1


@dataclass(frozen=True, slots=True)
class TakeRow:
    """A take in the index. `kind`: "song", "drill" or "stage"; `passed` None where nothing was to be passed or it could
    not be judged; `figures` by name, none where absent."""

    path: Path
    created: str
    day: datetime.date
    title: str | None
    key: str | None
    tempo_bpm: float | None
    n_notes: int | None
    n_choruses: int | None
    kind: str
    drill: str | None
    passed: bool | None
    figures: Mapping[str, float]
    error: str | None


@dataclass(frozen=True, slots=True)
class Refreshed:
    """What a refresh did: takes added or changed, takes gone, files that could not be read."""

    added: int
    gone: int
    unread: int


@dataclass(frozen=True, slots=True)
class Span:
    """How much there is: takes, days on which something was played, the first and the last of them."""

    n_takes: int
    n_days: int
    first: datetime.date | None
    last: datetime.date | None


@dataclass(frozen=True, slots=True)
class Remembered:
    """A drill in a key and tempo range: newest tempo, runs, share of clean passes lately, when last played and due."""

    drill: str
    key: str
    tempo: str
    tempo_bpm: float
    n_runs: int
    clean_frac: float
    last_day: datetime.date
    due: datetime.date


class History:
    """The index of one folder of takes. `UsageError` when neither the folder's nor another place can hold it."""

    def __init__(self, takes: str | os.PathLike[str], index: str | os.PathLike[str] | None = None) -> None:
        self.takes_path = Path(takes)
        self.index_path = Path(index) if index is not None else self.takes_path / INDEX_NAME
        self._db = self._opened()

    def close(self) -> None:
        self._db.close()

    def __enter__(self) -> History:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # --- the index --------------------------------------------------------------------------------------------------

    def _opened(self) -> sqlite3.Connection:
        try:
            self.index_path.parent.mkdir(parents=True, exist_ok=True)
            db = self._connect(self.index_path)
        except (sqlite3.OperationalError, OSError) as error:
            raise UsageError(
                f"cannot open the history {self.index_path}: {error}; expected a folder that can be written"
            ) from None
        except sqlite3.DatabaseError:
            # Not an index at all, or a damaged one: it is only an index, so make it again.
            with contextlib.suppress(OSError):
                self.index_path.unlink()
            db = self._connect(self.index_path)
        return db

    def _connect(self, path: Path) -> sqlite3.Connection:
        db = sqlite3.connect(path, timeout=BUSY_S, isolation_level=None)
        try:
            _shared(db)
            db.execute("PRAGMA synchronous=NORMAL")
            if not _is_ours(db):
                with _write(db):
                    if not _is_ours(db):  # nobody else has made it in between
                        _make_tables(db)
        except BaseException:
            db.close()
            raise
        return db

    def rebuild(self, progress: Callable[[int, int], None] | None = None) -> Refreshed:
        """Throw the index away and make it again from the take files."""
        with _write(self._db):
            for table in (*_OF_TAKES, "trends"):
                self._db.execute(f"DELETE FROM {table}")
        return self.refresh(progress)

    def refresh(self, progress: Callable[[int, int], None] | None = None) -> Refreshed:
        """Bring the index up to date with the folder: new and changed takes in, gone ones out."""
        here = self._files()
        known = dict(self._db.execute("SELECT path, stamp FROM takes"))
        gone = [name for name in known if name not in here]
        new = sorted(name for name, stamp in here.items() if known.get(name) != stamp)
        made = self._db.execute("SELECT program, reading FROM made").fetchone() or ("", "")
        program = self._program(made, new=bool(new))
        if program[1] != made[1]:
            new = sorted(here)  # takes are read otherwise now: all of them again
        if gone or new:
            with _write(self._db):
                self._db.execute("DELETE FROM trends")  # what was noted no longer holds
                self._forget(*gone)
        unread = self._take_in([(name, here[name]) for name in new], progress) if new else 0
        if new or gone or not self._db.execute("SELECT COUNT(*) FROM trends").fetchone()[0]:
            self._note()
        if program != made:
            _insert(self._db, "made", [{"only": 1, "program": program[0], "reading": program[1]}])
        return Refreshed(len(new), len(gone), unread)

    def _take_in(self, files: Sequence[tuple[str, str]], progress: Callable[[int, int], None] | None) -> int:
        """Read these takes (name, stamp); how many could not be."""
        from trainer.practice.cards import NO_STAMP, read_rows

        unread = 0
        again = self._db.execute("SELECT COUNT(*) FROM takes WHERE stamp=?", (NO_STAMP,)).fetchone()[0]
        with contextlib.closing(read_rows(self.takes_path, files, apart=again > 0)) as rows:
            # What a kill can cost is at most one batch, and that is read again.
            for start in range(0, len(files), BATCH):
                batch = list(itertools.islice(rows, BATCH))
                unread += sum("error" in read.about for read in batch)
                with _write(self._db):
                    for read in batch:
                        self._put(read)
                if progress is not None:
                    progress(min(start + BATCH, len(files)), len(files))
        return unread

    def _forget(self, *names: str) -> None:
        for table in _OF_TAKES:
            self._db.executemany(f"DELETE FROM {table} WHERE path=?", ((name,) for name in names))

    def _program(self, made: tuple[str, str], *, new: bool) -> tuple[str, str]:
        """This program and how it reads takes. The scorer, which knows, is loaded only where takes are to be read
        anyway, or another program made the index."""
        if made[0] == __version__ and not new:
            return made
        from trainer.practice.cards import reading_digest

        return __version__, reading_digest()

    def _note(self) -> None:
        """Note what is due and the trends; done anew whenever a take came or went."""
        from trainer.practice.memory import standings

        with _write(self._db):  # what is read too: nobody else's takes come in between
            held = standings(self.drill_runs(), datetime.date.max).values()
            trends = self._trends_since(ALWAYS)
            for table in ("due", "trends"):
                self._db.execute(f"DELETE FROM {table}")
            due = (
                {
                    "drill": s.item.drill, "key": s.item.key, "tempo": s.item.tempo, "tempo_bpm": s.newest_tempo_bpm,
                    "due": s.due.isoformat(), "last_day": s.last_day.isoformat(), "n_runs": s.n_runs,
                    "clean_frac": s.clean_frac,
                }
                for s in held
            )  # fmt: skip
            _insert(self._db, "due", due)
            noted = (
                {
                    "rank": rank, "figure": t.figure.name, "title": t.figure.title, "unit": t.figure.unit,
                    "better": t.figure.better, "n": t.n, "newest": t.newest, "per_week": t.per_week,
                    "low": t.ci95[0] if t.ci95 else None, "high": t.ci95[1] if t.ci95 else None, "words": t.words,
                }
                for rank, t in enumerate(trends)
            )  # fmt: skip
            _insert(self._db, "trends", noted)

    def _put(self, read: ReadTake) -> None:
        self._forget(read.path)
        _insert(self._db, "takes", [{"path": read.path, "stamp": read.stamp, **read.about}])
        _insert(self._db, "figures", ({"path": read.path, "name": n, "value": v} for n, v in read.figures.items()))
        changes = (
            {"path": read.path, "pair": pair, "roots": roots, "landed": landed, "n": n}
            for pair, (roots, landed, n) in read.changes.items()
        )
        _insert(self._db, "changes", changes)
        _insert(self._db, "devices", ({"path": read.path, "name": name, "n": n} for name, n in read.devices.items()))
        shown = (
            {"path": read.path, "drill": name, "passed": int(passed), "share": sum(passes) / len(passes),
             "n_passes": len(passes)}
            for name, (passed, passes) in read.shown.items()
        )  # fmt: skip
        _insert(self._db, "shown", shown)

    def _files(self) -> dict[str, str]:
        """Take files of the folder with a stamp that changes when they do."""
        stamps: dict[str, str] = {}
        beside: dict[str, str] = {}
        try:
            with os.scandir(self.takes_path) as entries:
                for entry in entries:
                    stem, dot, suffix = entry.name.rpartition(".")
                    if not dot or entry.name.startswith(".") or not _is_text(entry.name):
                        continue
                    into, name = (beside, stem) if suffix == "json" else (stamps, entry.name)
                    if suffix == "json" or suffix.lower() in ("mid", "midi"):
                        with contextlib.suppress(FileNotFoundError):  # gone meanwhile, or a link to nothing
                            into[name] = _stamp(entry)
        except FileNotFoundError:
            return {}
        except OSError as error:
            raise UsageError(f"cannot read the folder of takes {self.takes_path}: {error.strerror or error}") from None
        return {name: f"{stamp} {beside.get(name.rpartition('.')[0], '')}" for name, stamp in stamps.items()}

    # --- questions --------------------------------------------------------------------------------------------------

    def takes(
        self, *, kind: str | None = None, newest: int | None = None, since: datetime.date | None = None
    ) -> list[TakeRow]:
        """Takes, oldest first; of one kind, only the `newest` so many, only those from a day on, if asked."""
        of_kind = " AND kind=?" if kind is not None else ""
        limit = f" LIMIT {int(newest)}" if newest is not None else ""
        rows = self._db.execute(
            f"SELECT path, {', '.join(_ABOUT)} FROM takes WHERE day >= ?{of_kind} "
            f"ORDER BY created DESC, path DESC{limit}",
            (_from(since), *((kind,) if kind is not None else ())),
        ).fetchall()
        return [self._take_row(row) for row in reversed(rows)]

    def _take_row(self, values: Sequence[Any]) -> TakeRow:
        row = dict(zip(("path", *_ABOUT), values, strict=True))
        figures = self._db.execute("SELECT name, value FROM figures WHERE path=?", (row["path"],))
        return TakeRow(
            path=self.takes_path / row["path"],
            created=row["created"],
            day=datetime.date.fromisoformat(row["day"]),
            title=row["title"],
            key=row["key"],
            tempo_bpm=row["tempo_bpm"],
            n_notes=row["n_notes"],
            n_choruses=row["n_choruses"],
            kind=row["kind"],
            drill=row["drill"],
            passed=None if row["passed"] is None else bool(row["passed"]),
            figures=dict(figures.fetchall()),
            error=row["error"],
        )

    def drill_runs(self, drill: str | None = None) -> list[DrillRun]:
        """Runs of drills that could be judged, oldest first."""
        rows = self._db.execute(
            "SELECT shown.drill, key, tempo_bpm, created, shown.passed, share, n_passes FROM shown "
            "JOIN takes ON takes.path = shown.path "
            + ("WHERE shown.drill=? " if drill is not None else "")
            + "ORDER BY created, takes.path, shown.drill",
            (drill,) if drill is not None else (),
        )
        return [
            DrillRun(name, key or "", tempo or 0.0, moment_of(created), bool(passed), float(share), int(n))
            for name, key, tempo, created, passed, share, n in rows
        ]

    def newest_run_of(self, drill: str) -> Path | None:
        """The newest take of a drill (or of a studied phrase, by the name it has in the index)."""
        row = self._db.execute(
            "SELECT path FROM takes WHERE drill=? AND error IS NULL ORDER BY created DESC, path DESC", (drill,)
        ).fetchone()
        return None if row is None else self.takes_path / row[0]

    def changes_of(self, rows: Iterable[TakeRow]) -> list[tuple[TakeRow, dict[str, tuple[int, int]]]]:
        """For each take its pairs of degrees → (roots, changes)."""
        out = []
        for row in rows:
            found = self._db.execute("SELECT pair, roots, n FROM changes WHERE path=?", (row.path.name,))
            out.append((row, {pair: (int(roots), int(n)) for pair, roots, n in found}))
        return out

    def devices_of(self, rows: Iterable[TakeRow]) -> list[tuple[TakeRow, dict[str, int]]]:
        """For each take its devices → how many were found."""
        out = []
        for row in rows:
            found = self._db.execute("SELECT name, n FROM devices WHERE path=?", (row.path.name,))
            out.append((row, {name: int(n) for name, n in found}))
        return out

    def remembered(self) -> list[Remembered]:
        """Every drill × key × tempo range that was ever practised, as noted with the last change."""
        return _remembered(self._db)

    def span(self, since: datetime.date | None = None) -> Span:
        """How much was played, from a day on if asked."""
        n, n_days, first, last = self._db.execute(
            "SELECT COUNT(*), COUNT(DISTINCT day), MIN(day), MAX(day) FROM takes WHERE error IS NULL AND day >= ?",
            (_from(since),),
        ).fetchone()
        ends = [None if day is None else datetime.date.fromisoformat(day) for day in (first, last)]
        return Span(n, n_days, ends[0], ends[1])

    def trends(self, *, since: datetime.date | None = None) -> list[Trend]:
        """Every figure over the weeks, by medians of each day's songs and tunes on stage."""
        if since is not None:
            return self._trends_since(_from(since))
        rows = self._db.execute(
            "SELECT figure, title, unit, better, n, newest, per_week, low, high, words FROM trends ORDER BY rank"
        )
        return [
            Trend(Followed(*figure), n, newest, per_week, None if low is None else (low, high), words)
            for *figure, n, newest, per_week, low, high, words in rows
        ] or self._trends_since(ALWAYS)

    def _trends_since(self, day: str) -> list[Trend]:
        from trainer.practice.trends import trends_of

        rows = self._db.execute(
            "SELECT day, name, value FROM takes JOIN figures ON figures.path = takes.path "
            "WHERE error IS NULL AND kind != 'drill' AND day >= ? ORDER BY created, takes.path",
            (day,),
        )
        return trends_of((datetime.date.fromisoformat(day), name, value) for day, name, value in rows)

    def clean_runs(self, since: datetime.date | None = None) -> dict[str, list[bool]]:
        """Drill → whether each of its runs was clean, oldest first."""
        out: dict[str, list[bool]] = {}
        for drill, passed in self._db.execute(
            "SELECT shown.drill, shown.passed FROM shown JOIN takes ON takes.path = shown.path WHERE day >= ? "
            "ORDER BY shown.drill, created, takes.path",
            (_from(since),),
        ):
            out.setdefault(drill, []).append(bool(passed))
        return out

    def landing_by_key(self, since: datetime.date | None = None) -> dict[tuple[str, str], tuple[int, int]]:
        """(key, pair of degrees) → (roots, changes) over all takes: the heat map's cells."""
        rows = self._db.execute(
            "SELECT takes.key, changes.pair, SUM(changes.roots), SUM(changes.n) FROM changes "
            "JOIN takes ON takes.path = changes.path WHERE takes.key IS NOT NULL AND takes.day >= ? GROUP BY 1, 2",
            (_from(since),),
        )
        return {(key, pair): (int(roots), int(n)) for key, pair, roots, n in rows}

    def files(self) -> dict[str, Path]:
        """SHA-256 → take, of every take's own MIDI file and of the files that takes were imported from."""
        rows = self._db.execute("SELECT path, midi_sha256, source_sha256 FROM takes ORDER BY path DESC")
        return {sha256: self.takes_path / path for path, *both in rows for sha256 in both if sha256}


def noted_due(takes: Path, day: datetime.date) -> list[Remembered]:
    """What is due on a day, the longest due first, as the folder's index last noted it.

    The index is only read here, never made, and not waited for: without one, or with a damaged one, nothing is due.
    """
    index = (takes / INDEX_NAME).absolute().as_uri()
    with (
        contextlib.suppress(sqlite3.Error, OSError, TypeError, ValueError),
        contextlib.closing(sqlite3.connect(f"{index}?mode=ro", uri=True, timeout=0.05)) as db,
    ):
        return sorted((held for held in _remembered(db) if held.due <= day), key=lambda held: (held.due, held.drill))
    return []


def _remembered(db: sqlite3.Connection) -> list[Remembered]:
    rows = db.execute(
        "SELECT drill, key, tempo, tempo_bpm, n_runs, clean_frac, last_day, due FROM due ORDER BY drill, key, tempo"
    )
    days = datetime.date.fromisoformat
    return [
        Remembered(drill, key, tempo, bpm, n_runs, clean_frac, days(last_day), days(due))
        for drill, key, tempo, bpm, n_runs, clean_frac, last_day, due in rows
    ]


def _shared(db: sqlite3.Connection) -> None:
    """Turn to the journal that lets one read while another writes.

    SQLite refuses it at once, without the connection's patience, while another program that has just made the file is
    turning too: asked again until that patience is over.
    """
    until_s = time.monotonic() + BUSY_S
    while True:
        try:
            db.execute("PRAGMA journal_mode=WAL")
            return
        except sqlite3.OperationalError as error:
            if error.sqlite_errorcode != sqlite3.SQLITE_BUSY or time.monotonic() >= until_s:
                raise
        time.sleep(0.02)


def _is_ours(db: sqlite3.Connection) -> bool:
    """Whether it holds the tables of this version and no others, with what each column is for: whatever lies there
    under the index's name is only read when it is one."""
    if int(db.execute("PRAGMA user_version").fetchone()[0]) != VERSION:
        return False
    here = db.execute("SELECT type, name FROM sqlite_master WHERE substr(name, 1, 7) <> 'sqlite_'").fetchall()
    if sorted(here) != sorted([("index", "takes_created"), *(("table", name) for name in _TABLES)]):
        return False
    try:
        return not any(
            db.execute(f"SELECT 1 FROM {name} WHERE NOT ({' AND '.join(_fits(columns))}) LIMIT 1").fetchone()
            for name, columns in _TABLES.items()
        )
    except sqlite3.OperationalError as error:
        if error.sqlite_errorcode != sqlite3.SQLITE_ERROR:
            raise
        return False  # a column is not there


def _fits(columns: str) -> Iterator[str]:
    """What holds of each column, from how it is declared: SQLite itself lets any hold anything."""
    for column in columns.split(", PRIMARY KEY (")[0].split(", "):
        name, kind, *more = column.split()
        may_be = [kind.lower()] if more else [kind.lower(), "null"]
        yield f"typeof({name}) IN ({', '.join(map(repr, may_be))})"
        if name in _DAYS:
            yield f"date({name}, '+0 days') IS {name}"


def _make_tables(db: sqlite3.Connection) -> None:
    there = "type IN ('table', 'view') AND substr(name, 1, 7) <> 'sqlite_'"  # those are SQLite's own, and stay
    for kind, name in db.execute(f"SELECT type, name FROM sqlite_master WHERE {there}").fetchall():
        quoted = name.replace('"', '""')
        db.execute(f'DROP {kind} IF EXISTS "{quoted}"')  # a virtual table takes those behind it along
    for name, columns in _TABLES.items():
        db.execute(f"CREATE TABLE {name} ({columns}) WITHOUT ROWID")
    db.execute("CREATE INDEX takes_created ON takes (created)")
    db.execute(f"PRAGMA user_version={VERSION}")


def _insert(db: sqlite3.Connection, table: str, rows: Iterable[Mapping[str, Any]]) -> None:
    """Rows into a table, by the names of its columns."""
    for row in rows:
        named = ",".join(f":{name}" for name in row)
        db.execute(f"INSERT OR REPLACE INTO {table} ({','.join(row)}) VALUES ({named})", row)


def _is_text(name: str) -> bool:
    """Whether a file's name is text that the index can hold: some systems allow names of any bytes."""
    return name.isascii() or name.encode(errors="replace").decode() == name


def _from(since: datetime.date | None) -> str:
    return ALWAYS if since is None else since.isoformat()


@contextlib.contextmanager
def _write(db: sqlite3.Connection) -> Iterator[None]:
    db.execute("BEGIN IMMEDIATE")
    try:
        yield
    except BaseException:
        db.execute("ROLLBACK")
        raise
    db.execute("COMMIT")


def _stamp(entry: os.DirEntry[str]) -> str:
    """What changes when a file does; of what cannot be looked at (links in a circle) that it cannot."""
    try:
        status = entry.stat()
    except FileNotFoundError:
        raise
    except OSError as error:
        return f"not read: {error.strerror}"
    return f"{status.st_mtime_ns}/{status.st_size}"
