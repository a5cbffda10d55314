"""The history of takes and drills: an index over the take files, and what it says over weeks.

The take files (MIDI with JSON beside) are the only truth. The index is an SQLite file that can be thrown away and made
again from them at any time; a card once worked out lies beside its take as `STEM.card`, so that making the index
again reads cards and scores only what has none. Several programs may use the index at once (write-ahead log, one
writer at a time); one that is killed while writing leaves the last whole state.

A take made by a drill carries `{"drill": {"name", "key", "tempo_bpm", "seed", …}}` in its header's extra data: enough
to build the drill again, so whether it passed is worked out from the notes and never believed. A tune of a night on
stage carries `{"stage": {"seed", "level", "tune"}}`.
"""

from __future__ import annotations

import contextlib
import datetime
import hashlib
import itertools
import json
import os
import sqlite3
import tempfile
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from trainer._version import __version__
from trainer.errors import TrainerError, UsageError
from trainer.practice.drills import Exercise, PassFigure, answered_changes, answers_of, drill_named, with_heard
from trainer.scoring import Scorecard, score
from trainer.scoring.stats import Slope, theil_sen
from trainer.session import Session
from trainer.take import read_take

__all__ = [
    "FIGURES",
    "DrillRun",
    "Figure",
    "History",
    "KeptCard",
    "Refreshed",
    "TakeRow",
    "Trend",
    "card_of",
    "drill_outcome",
]

VERSION = 3  # of the tables; an index of another version is made again
READING = 3  # of the kept cards: how a take is read before it is scored
BUSY_S = 20.0
BATCH = 100
MANY = 200  # so many new takes are worth starting readers for
MAX_READERS = 8
CARD_SUFFIX = ".card"
DRILL_OPTIONS = ("seed", "form", "groove", "bar", "octave", "position")
MIN_TREND_N = 8  # as for every trend: fewer observations are only counted

Card = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Figure:
    """A figure followed over weeks: its column, what it is called, its unit, and which way is better (0: neither)."""

    name: str
    title: str
    unit: str
    better: int
    path: tuple[str, ...]


FIGURES: tuple[Figure, ...] = (
    Figure("swing_ratio", "swing ratio", "", 0, ("swing", "ratio")),
    Figure("swing_spread", "swing spread (log2)", "", -1, ("swing", "log2_sd")),
    Figure("mean_ms", "place against the drums", "ms", 0, ("timing", "mean_ms")),
    Figure("spread_ms", "spread", "ms", -1, ("timing", "robust_sd_ms")),
    Figure("root_rate", "roots on the changes", "", 1, ("landing", "root_rate")),
    Figure("landed_rate", "root, third or fifth on the changes", "", 1, ("landing", "landed_rate")),
    Figure("n_lost", "times lost in the form", "", -1, ()),
    Figure("pinned_rate", "verses pinned", "", 1, ()),
    Figure("contrast", "notes a bar, solo against verse", "", 0, ("shape", "contrast", "notes_per_bar", "difference")),
)

_COLUMNS = (
    "path TEXT PRIMARY KEY",
    "stamp TEXT NOT NULL",
    "created TEXT NOT NULL",
    "day TEXT NOT NULL",
    "title TEXT",
    "key TEXT",
    "tempo_bpm REAL",
    "n_notes INTEGER",
    "n_choruses INTEGER",
    "kind TEXT NOT NULL",
    "drill TEXT",
    "passed INTEGER",
    "drill_share REAL",
    *(f"{figure.name} REAL" for figure in FIGURES),
    "error TEXT",
)
_NAMES = tuple(column.split()[0] for column in _COLUMNS)


@dataclass(frozen=True, slots=True)
class TakeRow:
    """A take in the index. `kind`: "song", "drill" or "stage"; `figures` by name, None where absent."""

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
    figures: Mapping[str, float | None]
    error: str | None


@dataclass(frozen=True, slots=True)
class DrillRun:
    """One run of a drill: which, in which key and tempo, when, whether it passed, the share of clean passes in it."""

    drill: str
    key: str
    tempo_bpm: float
    created: datetime.datetime
    passed: bool
    share: float


@dataclass(frozen=True, slots=True)
class Refreshed:
    """What a refresh did: takes added or changed, takes gone, files that could not be read."""

    added: int
    gone: int
    unread: int


@dataclass(frozen=True, slots=True)
class Trend:
    """A figure over weeks: slope per week with its interval, newest value, n, and plain words."""

    figure: Figure
    n: int
    newest: float | None
    per_week: float | None
    ci95: tuple[float, float] | None
    words: str


@dataclass(frozen=True, slots=True)
class KeptCard:
    """A take's scorecard as plain data, with what the index needs of its header."""

    card: dict[str, Any]
    created: str
    title: str | None
    extra: dict[str, Any]
    study: dict[str, Any] | None = None


def card_of(path: str | os.PathLike[str]) -> KeptCard:
    """The scorecard of a take: the one lying beside it if it belongs to these files and this scorer, else a new one.

    Raises what reading or scoring raises (`TrainerError`, `OSError`).
    """
    file = Path(path)
    digest = hashlib.sha256(file.read_bytes())
    with contextlib.suppress(FileNotFoundError):
        digest.update(file.with_suffix(".json").read_bytes())
    belongs_to = {"files_sha256": digest.hexdigest(), "scorer": __version__, "reading": READING}
    kept = file.with_suffix(CARD_SUFFIX)
    with contextlib.suppress(OSError, ValueError, KeyError, TypeError):
        record = json.loads(kept.read_bytes())
        if all(record[name] == value for name, value in belongs_to.items()):
            kept_study = record["study"]
            return KeptCard(
                dict(record["card"]), str(record["created"]), record["title"], dict(record["extra"]), kept_study
            )
    take = read_take(file)
    exercise = _exercise_of(take.header.extra.get("drill"))
    if exercise is not None and take.session is not None and _same_music(take.session, exercise.session):
        take = answers_of(take, exercise)  # what was played along with the model does not count
    scored = score(take)
    made = KeptCard(
        card=scored.to_dict(),
        created=take.header.created,
        title=take.session.title if take.session is not None else None,
        extra=json.loads(json.dumps(dict(take.header.extra), default=str)),
        study=_study_outcome(take.header.extra.get("study"), scored),
    )
    record = belongs_to | {"card": made.card, "created": made.created, "title": made.title, "extra": made.extra}
    record["study"] = made.study
    with contextlib.suppress(OSError):  # a read-only folder only costs the time again
        _write_aside(kept, json.dumps(record).encode())
    return made


def _write_aside(path: Path, body: bytes) -> None:
    number, name = tempfile.mkstemp(dir=path.parent, prefix=".card-")
    try:
        with os.fdopen(number, "wb") as handle:
            handle.write(body)
        os.replace(name, path)
    except OSError:
        with contextlib.suppress(OSError):
            os.unlink(name)
        raise


def _exercise_of(drill: Any) -> Exercise | None:
    """A drill built again from what its take's header says; None for an unknown one."""
    if not isinstance(drill, Mapping):
        return None
    options = {name: drill[name] for name in DRILL_OPTIONS if drill.get(name) is not None}
    try:
        made = drill_named(str(drill.get("name")))
        return made.build(str(drill.get("key", "G")), float(drill.get("tempo_bpm", 96.0)), **options)
    except (TrainerError, TypeError, ValueError, KeyError):
        return None


def _same_music(one: Session, other: Session) -> bool:
    """Whether two sessions differ at most in which choruses are listened to."""
    return with_heard(one, ()) == with_heard(other, ())


def _study_outcome(study: Any, scored: Scorecard) -> dict[str, Any] | None:
    """Whether a phrase of a transcription was answered, worked out from the notes; None for anything else."""
    from trainer.practice.study import exercise_from_dict, judge_phrase

    try:
        figure = judge_phrase(exercise_from_dict(study), scored.reading)
    except (TrainerError, TypeError, ValueError, KeyError):
        return None
    return {"passed": figure.passed, "value": figure.value}


def drill_outcome(drill: Mapping[str, Any], card: Card) -> PassFigure | None:
    """The pass figure of a drill's take: built again, judged by its card; None for an unknown drill."""
    exercise = _exercise_of(drill)
    try:
        return None if exercise is None else drill_named(exercise.drill).figure(card, exercise)
    except (TypeError, ValueError, KeyError):
        return None


class History:
    """The index of one folder of takes. `UsageError` when neither the folder's nor another place can hold it."""

    def __init__(self, takes: str | os.PathLike[str], index: str | os.PathLike[str] | None = None) -> None:
        self.takes_path = Path(takes)
        self.index_path = Path(index) if index is not None else self.takes_path / ".history.sqlite"
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
            db.execute("PRAGMA journal_mode=WAL")
            db.execute("PRAGMA synchronous=NORMAL")
            with _write(db):
                version = db.execute("PRAGMA user_version").fetchone()[0]
                if version != VERSION:
                    for (name,) in db.execute("SELECT name FROM sqlite_master WHERE type='table'").fetchall():
                        db.execute(f'DROP TABLE "{name}"')
                    db.execute(f"CREATE TABLE takes ({', '.join(_COLUMNS)}) WITHOUT ROWID")
                    db.execute(
                        "CREATE TABLE changes (path TEXT NOT NULL, pair TEXT NOT NULL, roots INTEGER NOT NULL, "
                        "landed INTEGER NOT NULL, n INTEGER NOT NULL, PRIMARY KEY (path, pair)) WITHOUT ROWID"
                    )
                    db.execute(
                        "CREATE TABLE devices (path TEXT NOT NULL, name TEXT NOT NULL, n INTEGER NOT NULL, "
                        "PRIMARY KEY (path, name)) WITHOUT ROWID"
                    )
                    # What is due when, for those who ask in a hurry (`trainer` alone); made anew with every change.
                    db.execute(
                        "CREATE TABLE due (drill TEXT NOT NULL, key TEXT NOT NULL, tempo TEXT NOT NULL, "
                        "tempo_bpm REAL NOT NULL, due TEXT NOT NULL, PRIMARY KEY (drill, key, tempo)) WITHOUT ROWID"
                    )
                    db.execute("CREATE INDEX takes_created ON takes (created)")
                    db.execute(f"PRAGMA user_version={VERSION}")
        except BaseException:
            db.close()
            raise
        return db

    def rebuild(self, progress: Callable[[int, int], None] | None = None) -> Refreshed:
        """Throw the index away and make it again from the take files."""
        with _write(self._db):
            self._db.execute("DELETE FROM takes")
            self._db.execute("DELETE FROM changes")
            self._db.execute("DELETE FROM devices")
        return self.refresh(progress)

    def refresh(self, progress: Callable[[int, int], None] | None = None) -> Refreshed:
        """Bring the index up to date with the folder: new and changed takes in, gone ones out."""
        here = self._files()
        known = dict(self._db.execute("SELECT path, stamp FROM takes"))
        gone = [name for name in known if name not in here]
        new = sorted(name for name, stamp in here.items() if known.get(name) != stamp)
        with _write(self._db):
            for name in gone:
                self._db.execute("DELETE FROM takes WHERE path=?", (name,))
                self._db.execute("DELETE FROM changes WHERE path=?", (name,))
                self._db.execute("DELETE FROM devices WHERE path=?", (name,))
        unread = 0
        with _rows_of(self.takes_path, [(name, here[name]) for name in new]) as rows:
            # What a kill can cost is at most one batch, and that is read again.
            for start in range(0, len(new), BATCH):
                batch = list(itertools.islice(rows, BATCH))
                unread += sum(read.row["error"] is not None for read in batch)
                with _write(self._db):
                    for read in batch:
                        self._put(read)
                if progress is not None:
                    progress(min(start + BATCH, len(new)), len(new))
        if new or gone:
            self._note_due()
        return Refreshed(len(new), len(gone), unread)

    def _note_due(self) -> None:
        from trainer.practice.memory import standings

        held = standings(self.drill_runs(), datetime.date.max).values()
        with _write(self._db):
            self._db.execute("DELETE FROM due")
            self._db.executemany(
                "INSERT INTO due VALUES (?,?,?,?,?)",
                [(s.item.drill, s.item.key, s.item.tempo, s.newest_tempo_bpm, s.due.isoformat()) for s in held],
            )

    def _put(self, read: _Read) -> None:
        path, marks = read.row["path"], ",".join("?" * len(_NAMES))
        self._db.execute(f"INSERT OR REPLACE INTO takes VALUES ({marks})", [read.row[name] for name in _NAMES])
        self._db.execute("DELETE FROM changes WHERE path=?", (path,))
        self._db.executemany("INSERT INTO changes VALUES (?,?,?,?,?)", read.changes)
        self._db.execute("DELETE FROM devices WHERE path=?", (path,))
        self._db.executemany("INSERT INTO devices VALUES (?,?,?)", read.devices)

    def _files(self) -> dict[str, str]:
        """Take files of the folder with a stamp that changes when they do."""
        stamps: dict[str, str] = {}
        beside: dict[str, str] = {}
        try:
            with os.scandir(self.takes_path) as entries:
                for entry in entries:
                    stem, dot, suffix = entry.name.rpartition(".")
                    if not dot or entry.name.startswith("."):
                        continue
                    if suffix.lower() in ("mid", "midi"):
                        status = entry.stat()
                        stamps[entry.name] = f"{status.st_mtime_ns}/{status.st_size}"
                    elif suffix == "json":
                        status = entry.stat()
                        beside[stem] = f"{status.st_mtime_ns}/{status.st_size}"
        except FileNotFoundError:
            return {}
        except OSError as error:
            raise UsageError(f"cannot read the folder of takes {self.takes_path}: {error.strerror or error}") from None
        return {name: f"{stamp} {beside.get(name.rpartition('.')[0], '')}" for name, stamp in stamps.items()}

    # --- questions --------------------------------------------------------------------------------------------------

    def takes(self, *, kind: str | None = None, newest: int | None = None) -> list[TakeRow]:
        """Takes, oldest first; the `newest` so many if asked."""
        where = "WHERE kind=?" if kind is not None else ""
        limit = f" LIMIT {int(newest)}" if newest is not None else ""
        rows = self._db.execute(
            f"SELECT {','.join(_NAMES)} FROM takes {where} ORDER BY created DESC, path DESC{limit}",
            (kind,) if kind is not None else (),
        ).fetchall()
        return [self._take_row(row) for row in reversed(rows)]

    def _take_row(self, values: Sequence[Any]) -> TakeRow:
        row = dict(zip(_NAMES, values, strict=True))
        return TakeRow(
            path=self.takes_path / row["path"],
            created=row["created"],
            day=_day(row["created"]),
            title=row["title"],
            key=row["key"],
            tempo_bpm=row["tempo_bpm"],
            n_notes=row["n_notes"],
            n_choruses=row["n_choruses"],
            kind=row["kind"],
            drill=row["drill"],
            figures={figure.name: row[figure.name] for figure in FIGURES},
            error=row["error"],
        )

    def drill_runs(self, drill: str | None = None) -> list[DrillRun]:
        """Runs of drills that could be judged, oldest first."""
        rows = self._db.execute(
            "SELECT drill, key, tempo_bpm, created, passed, drill_share FROM takes WHERE passed IS NOT NULL "
            + ("AND drill=? " if drill is not None else "")
            + "ORDER BY created, path",
            (drill,) if drill is not None else (),
        )
        return [
            DrillRun(name, key or "", tempo or 0.0, _moment(created), bool(passed), float(share or 0.0))
            for name, key, tempo, created, passed, share in rows
        ]

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

    def due_days(self) -> dict[tuple[str, str, str], datetime.date]:
        """(drill, key, tempo range) → the day it is due, as noted with the last change."""
        rows = self._db.execute("SELECT drill, key, tempo, due FROM due")
        return {(drill, key, tempo): datetime.date.fromisoformat(day) for drill, key, tempo, day in rows}

    def trends(self, *, since: datetime.date | None = None) -> list[Trend]:
        """Every figure over the weeks, by medians of each day's songs."""
        rows = [row for row in self.takes() if row.error is None and row.kind != "drill"]
        rows = [row for row in rows if since is None or row.day >= since]
        return [_trend(figure, rows) for figure in FIGURES]

    def landing_by_key(self) -> dict[tuple[str, str], tuple[int, int]]:
        """(key, pair of degrees) → (roots, changes) over all takes: the heat map's cells."""
        rows = self._db.execute(
            "SELECT takes.key, changes.pair, SUM(changes.roots), SUM(changes.n) FROM changes "
            "JOIN takes ON takes.path = changes.path WHERE takes.key IS NOT NULL GROUP BY 1, 2"
        )
        return {(key, pair): (int(roots), int(n)) for key, pair, roots, n in rows}


@dataclass(frozen=True, slots=True)
class _Read:
    """One take as the index takes it: its row, its changes, its devices."""

    row: dict[str, Any]
    changes: list[tuple[Any, ...]]
    devices: list[tuple[str, str, int]]


@contextlib.contextmanager
def _rows_of(takes_path: Path, files: Sequence[tuple[str, str]]) -> Iterator[Iterator[_Read]]:
    """The rows of these (name, stamp), in order; many are read on all cores."""
    n_cores = min(os.cpu_count() or 1, MAX_READERS)
    if len(files) < MANY or n_cores < 2:
        yield (_read_row(takes_path, name, stamp) for name, stamp in files)
        return
    from concurrent.futures import ProcessPoolExecutor
    from multiprocessing import get_context

    # Fresh processes: a copy of this one would share its database.
    with ProcessPoolExecutor(n_cores, mp_context=get_context("spawn")) as pool:
        names, stamps = [name for name, _ in files], [stamp for _, stamp in files]
        try:
            yield pool.map(_read_row, itertools.repeat(takes_path), names, stamps, chunksize=16)
        except BaseException:
            pool.shutdown(wait=False, cancel_futures=True)
            raise


def _read_row(takes_path: Path, name: str, stamp: str) -> _Read:
    """What the index holds of one take; a file that cannot be read has its reason in `error`."""
    path = takes_path / name
    row: dict[str, Any] = dict.fromkeys(_NAMES)
    row.update(path=name, stamp=stamp, kind="song", created="", day="")
    try:
        kept = card_of(path)
    except (TrainerError, OSError) as error:
        row["error"] = " ".join(str(error).split())[:300]
        kept = KeptCard({}, "", None, {})
    card = kept.card
    created = kept.created or _modified(path)
    row.update(created=created, day=created[:10], title=kept.title)
    facts = card.get("take") or {}
    row.update(
        key=facts.get("key"),
        tempo_bpm=facts.get("tempo_bpm"),
        n_notes=facts.get("notes"),
        n_choruses=facts.get("choruses"),
    )
    drill, stage = kept.extra.get("drill"), kept.extra.get("stage")
    if isinstance(drill, Mapping):
        outcome = drill_outcome(drill, card)
        passed = outcome.passed if outcome is not None else None
        row.update(
            kind="drill",
            drill=str(drill.get("name", "")),
            passed=None if passed is None else int(passed),
            drill_share=None if passed is None else float(passed),
        )
    elif isinstance(stage, Mapping):
        row["kind"] = "stage"
    for figure in FIGURES:
        row[figure.name] = _at(card, figure.path) if figure.path else None
    lost = (card.get("form") or {}).get("lost")
    row["n_lost"] = None if lost is None or (card.get("form") or {}).get("why", {}).get("lost") else len(lost)
    pairs = (card.get("landing") or {}).get("by_pair") or {}
    changes = [
        (name, pair, int(value.get("roots") or 0), int(value.get("landed") or 0), int(value.get("changes") or 0))
        for pair, value in (pairs.items() if isinstance(pairs, Mapping) else ())
    ]
    exercise = _exercise_of(drill)
    if exercise is not None and row["error"] is None:
        answered = answered_changes(card, exercise)
        changes = [(name, pair, *counts) for pair, counts in answered.items()]
        roots, landed, n = (sum(counts[i] for counts in answered.values()) for i in range(3))
        row.update(root_rate=roots / n if n else None, landed_rate=landed / n if n else None)
    study = kept.extra.get("study")
    if isinstance(study, Mapping):
        passed = None if kept.study is None else kept.study.get("passed")
        row.update(
            kind="drill",
            drill=f"study {study.get('file', '')} {study.get('phrase', '')}".strip(),
            passed=None if passed is None else int(passed),
            drill_share=None if passed is None else float(passed),
        )
    verses = [
        c for c in (card.get("shape") or {}).get("choruses") or [] if c.get("role") == "verse" and c.get("verdict")
    ]
    if verses and row["kind"] == "song":
        row["pinned_rate"] = sum(chorus["verdict"] == "pinned" for chorus in verses) / len(verses)
    found = Counter(str(item["name"]) for item in (card.get("devices") or {}).get("found") or [])
    return _Read(row, changes, [(name, device, n) for device, n in sorted(found.items())])


@contextlib.contextmanager
def _write(db: sqlite3.Connection) -> Iterator[None]:
    db.execute("BEGIN IMMEDIATE")
    try:
        yield
    except BaseException:
        db.execute("ROLLBACK")
        raise
    db.execute("COMMIT")


def _at(card: Card, path: Iterable[str]) -> float | None:
    value: Any = card
    for name in path:
        value = value.get(name) if isinstance(value, Mapping) else None
    return float(value) if isinstance(value, int | float) else None


def _modified(path: Path) -> str:
    try:
        return datetime.datetime.fromtimestamp(path.stat().st_mtime).astimezone().isoformat(timespec="seconds")
    except OSError:
        return "1970-01-01T00:00:00+00:00"


def _moment(created: str) -> datetime.datetime:
    try:
        moment = datetime.datetime.fromisoformat(created)
    except ValueError:
        moment = datetime.datetime(1970, 1, 1)
    return moment if moment.tzinfo is not None else moment.astimezone()


def _day(created: str) -> datetime.date:
    return _moment(created).date()


def _trend(figure: Figure, rows: Sequence[TakeRow]) -> Trend:
    """Theil–Sen slope per week over daily medians, with the words that its interval allows."""
    days: dict[datetime.date, list[float]] = {}
    for row in rows:
        value = row.figures[figure.name]
        if value is not None:
            days.setdefault(row.day, []).append(value)
    ordered = sorted(days)
    values = np.array([float(np.median(days[day])) for day in ordered])
    newest = float(values[-1]) if len(values) else None
    if len(values) < MIN_TREND_N:
        text = f"{len(values)} day{'s' * (len(values) != 1)} so far; a trend wants {MIN_TREND_N}"
        return Trend(figure, len(values), newest, None, None, text)
    weeks = np.array([(day - ordered[0]).days / 7.0 for day in ordered])
    slope: Slope = theil_sen(values, weeks, np.arange(len(values), dtype=np.float64))
    interval = (slope.low, slope.high)
    if slope.low <= 0.0 <= slope.high:
        words = "no change that stands out from the day-to-day scatter"
    elif figure.better == 0:
        words = "moving up" if slope.low > 0.0 else "moving down"
    else:
        words = "getting better" if (slope.low > 0.0) == (figure.better > 0) else "getting worse"
    return Trend(figure, len(values), newest, slope.slope, interval, words)
