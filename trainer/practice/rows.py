"""What the history holds of a take, a run and a figure over weeks: plain data, shared by all that read or write it.

Nothing heavy is imported here: what is asked in a hurry needs neither scorer nor arrays.
"""

from __future__ import annotations

import datetime
from dataclasses import dataclass, field
from typing import Any

__all__ = ["DrillRun", "Followed", "ReadTake", "Trend", "day_of", "moment_of"]


@dataclass(frozen=True, slots=True)
class Followed:
    """A figure followed over weeks: its name, what it is called, its unit, and which way is better (0: neither)."""

    name: str
    title: str
    unit: str
    better: int


@dataclass(frozen=True, slots=True)
class ReadTake:
    """One take as the index takes it: what it is (by column), its figures, its changes (pair, roots, landed, n), its
    devices, and what it shows of drills: drill → (passed, each pass). `stamp` changes when its files do; a file that
    cannot be read has its reason in `about["error"]`."""

    path: str
    stamp: str
    about: dict[str, Any]
    figures: dict[str, float]
    changes: dict[str, tuple[int, int, int]]
    devices: dict[str, int]
    shown: dict[str, tuple[bool, list[bool]]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class DrillRun:
    """One run of a drill: which, in which key and tempo, when, whether it passed, the share of clean passes of how many
    there were in it (each answered chorus is one, where it can be judged by itself)."""

    drill: str
    key: str
    tempo_bpm: float
    created: datetime.datetime
    passed: bool
    share: float
    n_passes: int = 2


@dataclass(frozen=True, slots=True)
class Trend:
    """A figure over weeks: slope per week with its interval, newest value, n, and plain words."""

    figure: Followed
    n: int
    newest: float | None
    per_week: float | None
    ci95: tuple[float, float] | None
    words: str


# Stands for a time stamp that is none; with its zone, as not every system can tell a zone for so early a time.
_NO_MOMENT = datetime.datetime(1970, 1, 1, tzinfo=datetime.UTC)


def moment_of(created: str) -> datetime.datetime:
    try:
        moment = datetime.datetime.fromisoformat(created)
        if not _NO_MOMENT.year < moment.year < datetime.MAXYEAR:
            return _NO_MOMENT
        return moment if moment.tzinfo is not None else moment.astimezone()
    except (ValueError, OverflowError, OSError):
        return _NO_MOMENT


def day_of(created: str) -> datetime.date:
    """The day of a take's time stamp, where it was made; 1970 for one that is none."""
    return moment_of(created).date()
