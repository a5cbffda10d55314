"""Worksheets: what a teacher sets, as a TOML file with tasks (a session or a drill) and targets.

    title = "Week three"
    [[task]]
    title = "Hold the form"            # optional
    session = "back-room-slow"         # a ready-made session, or a [task.session] table as in a session file
    target = { figure = "landing.root_rate", at_least = 0.9 }
    [[task]]
    drill = "change_five_four"
    key = "A"
    tempo_bpm = 84
    times = 3                          # how often it is to be played
    instruction = "Only the first two fingers."   # optional: one line that the student reads

A target names a figure of the scorecard by its path; for a drill without one, its own pass figure counts. Nothing
unknown is accepted; each mistake is one line. A worksheet is handed on, so it opens no file: a session is named among
the ready-made ones, or stands in it.
"""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from trainer.errors import SessionError, UsageError
from trainer.limits import TEMPO_BPM
from trainer.plain import plain
from trainer.practice.drills import DRILLS
from trainer.scoring.card import MEASURES, Card
from trainer.scoring.figure import Measure
from trainer.session import Session, read_key, session_from_dict, with_something_to_play
from trainer.tables import Checker, read_toml

__all__ = ["TARGETS", "TEMPLATE", "Target", "Task", "Worksheet", "parse_worksheet"]

MAX_TASKS = 40
MAX_TIMES = 20

_ASKED: Mapping[str, Measure] = {measure.path: measure for measure in MEASURES if measure.shown.asked}
# Figures a target may name: path in the scorecard → what it is called to a person.
TARGETS: Mapping[str, str] = {
    path: ", ".join(filter(None, (measure.shown.title, measure.shown.unit))) for path, measure in _ASKED.items()
}

TEMPLATE = """\
title = "Week one"

[[task]]
title = "Roots through the form"
drill = "roots"
key = "G"
tempo_bpm = 88
times = 2

[[task]]
title = "A song, verses held down"
target = { figure = "landing.root_rate", at_least = 0.9 }

[task.session]
key = "A"
tempo_bpm = 96

[[task.session.chorus]]
role = "verse"
times = 2

[[task.session.chorus]]
role = "solo"
times = 1
intensity = 0.7
"""


@dataclass(frozen=True, slots=True)
class Target:
    """A figure's path in the scorecard and where it should lie; either end may be None."""

    figure: str
    at_least: float | None = None
    at_most: float | None = None

    def met(self, card: Card) -> bool | None:
        """Whether a scorecard meets it; None when the figure is absent."""
        value = self.value(card)
        if value is None:
            return None
        low = -math.inf if self.at_least is None else self.at_least
        high = math.inf if self.at_most is None else self.at_most
        return low <= value <= high

    def value(self, card: Card) -> float | None:
        """The figure's value, or None."""
        return _ASKED[self.figure].value(card)

    def shown(self, value: float | None) -> str:
        """A value as a person reads it: shares in per cent."""
        if value is None:
            return "not measured"
        return f"{100.0 * value:.3g} %" if self.figure.endswith("_rate") else f"{value:.3g}"

    @property
    def bounds(self) -> str:
        """Where the value should lie: "at least 90 %"."""
        ends = (("at least", self.at_least), ("at most", self.at_most))
        return ", ".join(f"{words} {self.shown(end)}" for words, end in ends if end is not None)

    @property
    def text(self) -> str:
        return f"{TARGETS[self.figure]} {self.bounds}"


@dataclass(frozen=True, slots=True)
class Task:
    """One task: a session or a drill (then `session` is None), how often, and the target."""

    title: str
    session: Session | None
    drill: str | None
    key: str
    tempo_bpm: float
    times: int
    target: Target | None
    instruction: str = ""

    @property
    def what(self) -> str:
        """What is to be played, in short: two sheets are told apart by it."""
        if self.session is None:
            return f"drill {self.drill}, {self.key}, {self.tempo_bpm:g} bpm"
        return f"song in {self.session.key.name}, {self.session.tempo_bpm:g} bpm"

    @property
    def wanted(self) -> str:
        """When it counts as met."""
        return "the drill's own figure" if self.target is None else self.target.text

    @property
    def played_sha256(self) -> str:
        """The hash of what is to be played."""
        session = None if self.session is None else self.session.to_dict()
        return _hash([self.drill, self.key, self.tempo_bpm] if session is None else session)

    @property
    def sha256(self) -> str:
        """The hash of all that is asked: what is played, how often, and the target. Titles may differ."""
        target = None if self.target is None else [self.target.figure, self.target.at_least, self.target.at_most]
        return _hash([self.played_sha256, self.times, target])


def _hash(plain_data: Any) -> str:
    return hashlib.sha256(json.dumps(plain_data, sort_keys=True).encode()).hexdigest()


@dataclass(frozen=True, slots=True)
class Worksheet:
    """A checked worksheet; `text` is the file as it was, so that a result can carry it."""

    title: str
    tasks: tuple[Task, ...]
    text: str


def parse_worksheet(text: str, source: str = "worksheet", find: Callable[[str], Session] | None = None) -> Worksheet:
    """A worksheet from TOML text. `find` gives a ready-made session by name; `SessionError` lists every mistake."""
    data, check = read_toml(text, source), Checker()
    check.unknown_keys(data, ("title", "task"), "")
    title = check.text(data, "title", "Worksheet")
    tables = check.tables(data, "task")
    if not tables and not check.problems:
        check.problems.append("task: expected one or more [[task]] tables")
    if len(tables) > MAX_TASKS:
        check.wrong("task", f"{len(tables)} tasks", f"at most {MAX_TASKS}")
    tasks = [_task(check, table, f"task[{i}].", find) for i, table in enumerate(tables[:MAX_TASKS], 1)]
    if check.problems:
        raise SessionError(source, check.problems)
    return Worksheet(plain(title), tuple(task for task in tasks if task is not None), text)


_TASK_KEYS = ("title", "session", "drill", "key", "tempo_bpm", "times", "target", "instruction")


def _task(check: Checker, table: Mapping[str, Any], where: str, find: Callable[[str], Session] | None) -> Task | None:
    before = len(check.problems)
    check.unknown_keys(table, _TASK_KEYS, where)
    if ("session" in table) == ("drill" in table):
        check.problems.append(f"{where[:-1]}: needs a session or a drill, one of the two")
        return None
    session, drill, usual_title = None, None, "Task"
    if "session" in table:
        for name in ("key", "tempo_bpm"):
            if name in table:
                check.problems.append(f"{where}{name}: only with a drill; a session has its own")
        session = _session(check, table["session"], where, find)
        usual_title = session.title if session is not None else usual_title
    else:
        drill = check.choice(table, "drill", tuple(DRILLS), None, where, "one that `trainer drills` lists")
        usual_title = DRILLS[drill].title if drill is not None else usual_title
    read_key(check, table, where)
    task = Task(
        title=plain(check.text(table, "title", usual_title, where) if table.get("title") else usual_title),
        session=session,
        drill=drill,
        key=str(table.get("key", "G")),
        tempo_bpm=check.number(table, "tempo_bpm", *TEMPO_BPM, 96.0, " quarter notes a minute", where),
        times=check.whole(table, "times", 1, MAX_TIMES, 1, where=where),
        target=_target(check, table["target"], where) if "target" in table else None,
        instruction=plain(check.text(table, "instruction", "", where, least=0)).strip(),
    )
    if session is not None and "target" not in table:
        needed = '{ figure = "landing.root_rate", at_least = 0.9 }'
        check.problems.append(f"{where}target: missing; a session needs one, such as {needed}")
    return task if len(check.problems) == before else None


def _session(check: Checker, value: Any, where: str, find: Callable[[str], Session] | None) -> Session | None:
    try:
        if isinstance(value, Mapping):
            return with_something_to_play(session_from_dict(value, "session"), "session")
        if isinstance(value, str) and find is not None:
            return find(value)
    except SessionError as error:
        check.problems += [f"{where}session.{line}" for line in error.problems]
        return None
    except UsageError as error:
        check.problems.append(f"{where}session: {error}")
        return None
    check.wrong(f"{where}session", value, "a ready-made session's name, or a [task.session] table")
    return None


def _target(check: Checker, value: Any, where: str) -> Target | None:
    if not isinstance(value, Mapping):
        check.wrong(f"{where}target", value, '{ figure = "…", at_least = …, at_most = … }')
        return None
    before, where = len(check.problems), f"{where}target."
    check.unknown_keys(value, ("figure", "at_least", "at_most"), where)
    figure = check.choice(value, "figure", tuple(TARGETS), None, where)
    if "figure" not in value:
        check.problems.append(f"{where}figure: missing; allowed: {', '.join(TARGETS)}")
    share = str(figure).endswith("_rate")
    low, high = (_end(check, value, name, where, share=share) for name in ("at_least", "at_most"))
    if "at_least" not in value and "at_most" not in value:
        check.problems.append(f"{where[:-1]}: needs at_least, at_most, or both")
    if low is not None and high is not None and low > high:
        check.problems.append(f"{where[:-1]}: at_least {low:g} is above at_most {high:g}: nothing meets it")
    return Target(figure, low, high) if len(check.problems) == before else None


def _end(check: Checker, table: Mapping[str, Any], name: str, where: str, *, share: bool) -> float | None:
    """One end of a target; of a share it is one itself, no percentage."""
    if name not in table:
        return None
    before = len(check.problems)
    end = check.number(table, name, -1e6, 1e6, 0.0, "", where)
    if share and not 0.0 <= end <= 1.0:
        meant = f"; {end:g} % is {end / 100.0:g}" if 1.0 < end <= 100.0 else ""
        check.wrong(where + name, table[name], f"a share from 0 to 1{meant}")
    return end if len(check.problems) == before else None
