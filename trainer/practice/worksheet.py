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

from trainer.errors import SessionError, TrainerError, UsageError, nearest
from trainer.practice.drills import DRILLS
from trainer.scoring.card import MEASURES, Card
from trainer.scoring.figure import Measure
from trainer.session import TEMPO_RANGE_BPM, Session, read_toml, session_from_dict, with_something_to_play

__all__ = ["TARGETS", "TEMPLATE", "Target", "Task", "Worksheet", "parse_worksheet", "plain"]

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
title = "A song, verses pinned"
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
    data = read_toml(text, source)
    problems: list[str] = []
    _unknown(data, ("title", "task"), "", problems)
    title = data.get("title", "Worksheet")
    if not isinstance(title, str) or not 1 <= len(title) <= 200:
        problems.append(f"title: found {title!r:.80}; allowed: a text of 1 to 200 characters")
        title = "Worksheet"
    tables = data.get("task", [])
    if not isinstance(tables, list) or not tables or not all(isinstance(t, dict) for t in tables):
        problems.append("task: expected one or more [[task]] tables")
        tables = []
    if len(tables) > MAX_TASKS:
        problems.append(f"task: found {len(tables)} tasks; allowed: at most {MAX_TASKS}")
        tables = tables[:MAX_TASKS]
    tasks = [_task(table, f"task[{i}].", problems, find) for i, table in enumerate(tables, 1)]
    if problems:
        raise SessionError(source, problems)
    return Worksheet(plain(title), tuple(task for task in tasks if task is not None), text)


def _unknown(table: Mapping[str, Any], allowed: tuple[str, ...], where: str, problems: list[str]) -> None:
    for name in table:
        if name not in allowed:
            near = nearest(str(name), allowed)
            hint = f'; did you mean "{near}"?' if near else ""
            problems.append(f"{where}{name}: not a known key; allowed: {', '.join(allowed)}{hint}")


def _task(
    table: Mapping[str, Any], where: str, problems: list[str], find: Callable[[str], Session] | None
) -> Task | None:
    before = len(problems)
    known = ("title", "session", "drill", "key", "tempo_bpm", "times", "target", "instruction")
    _unknown(table, known, where, problems)
    if ("session" in table) == ("drill" in table):
        problems.append(f"{where[:-1]}: needs a session or a drill, one of the two")
        return None
    session, drill = None, None
    key, tempo_bpm = table.get("key", "G"), table.get("tempo_bpm", 96.0)
    if "session" in table:
        for name in ("key", "tempo_bpm"):
            if name in table:
                problems.append(f"{where}{name}: only with a drill; a session has its own")
        session = _session(table["session"], where, problems, find)
    else:
        drill = table["drill"]
        if not isinstance(drill, str) or drill not in DRILLS:
            near = nearest(str(drill), DRILLS)
            hint = f'; did you mean "{near}"?' if near else ""
            problems.append(f'{where}drill: found "{drill!s:.80}"; `trainer drills` lists what there is{hint}')
    low, high = TEMPO_RANGE_BPM
    if not isinstance(tempo_bpm, int | float) or isinstance(tempo_bpm, bool) or not low <= tempo_bpm <= high:
        problems.append(f"{where}tempo_bpm: found {tempo_bpm!r:.80}; allowed: a number from {low:g} to {high:g}")
    try:
        session_from_dict({"key": key})
    except TrainerError as error:
        problems.append(f"{where}{str(error).removeprefix('session: ')}")
    times = table.get("times", 1)
    if not isinstance(times, int) or isinstance(times, bool) or not 1 <= times <= MAX_TIMES:
        problems.append(f"{where}times: found {times!r:.80}; allowed: a whole number from 1 to {MAX_TIMES}")
    target = _target(table["target"], where, problems) if "target" in table else None
    if session is not None and target is None and "target" not in table:
        problems.append(
            f'{where}target: missing; a session needs one, such as {{ figure = "landing.root_rate", at_least = 0.9 }}'
        )
    title = table.get("title") or (session.title if session else "")
    if not title and isinstance(drill, str) and drill in DRILLS:
        title = DRILLS[drill].title
    if not isinstance(title, str) or len(title) > 200:
        problems.append(f"{where}title: found {title!r:.80}; allowed: a text of 1 to 200 characters")
    instruction = table.get("instruction", "")
    if not isinstance(instruction, str) or len(instruction) > 200:
        problems.append(f"{where}instruction: found {instruction!r:.80}; allowed: a line of at most 200 characters")
    if len(problems) > before:
        return None
    return Task(plain(title), session, drill, key, float(tempo_bpm), times, target, plain(instruction).strip())


def plain(text: str) -> str:
    """`text` of a file that somebody handed on, on one line and without what a terminal would obey."""
    return "".join(c if c.isprintable() else " " for c in text)


def _session(value: Any, where: str, problems: list[str], find: Callable[[str], Session] | None) -> Session | None:
    try:
        if isinstance(value, Mapping):
            return with_something_to_play(session_from_dict(value, "session"), "session")
        if isinstance(value, str) and find is not None:
            return find(value)
    except SessionError as error:
        problems += [f"{where}session.{line}" for line in error.problems]
        return None
    except UsageError as error:
        problems.append(f"{where}session: {error}")
        return None
    problems.append(
        f"{where}session: found {value!r:.80}; allowed: a ready-made session's name, or a [task.session] table"
    )
    return None


def _target(value: Any, where: str, problems: list[str]) -> Target | None:
    if not isinstance(value, Mapping):
        problems.append(f'{where}target: found {value!r:.80}; allowed: {{ figure = "…", at_least = …, at_most = … }}')
        return None
    before = len(problems)
    _unknown(value, ("figure", "at_least", "at_most"), f"{where}target.", problems)
    figure = value.get("figure")
    if not isinstance(figure, str) or figure not in TARGETS:
        near = nearest(str(figure), TARGETS)
        hint = f'; did you mean "{near}"?' if near else ""
        problems.append(f"{where}target.figure: found {figure!r:.80}; allowed: {', '.join(TARGETS)}{hint}")
    ends = {}
    for name in ("at_least", "at_most"):
        end = value.get(name)
        if end is not None and (not isinstance(end, int | float) or isinstance(end, bool) or not abs(end) <= 1e6):
            problems.append(f"{where}target.{name}: found {end!r:.80}; allowed: a number")
        elif end is not None and str(figure).endswith("_rate") and not 0.0 <= end <= 1.0:
            meant = f"; {end:g} % is {end / 100.0:g}" if 1.0 < end <= 100.0 else ""
            problems.append(f"{where}target.{name}: found {end!r:.80}; allowed: a share from 0 to 1{meant}")
        ends[name] = end
    if ends["at_least"] is None and ends["at_most"] is None:
        problems.append(f"{where}target: needs at_least, at_most, or both")
    low, high = ends["at_least"], ends["at_most"]
    if len(problems) == before and low is not None and high is not None and low > high:
        problems.append(f"{where}target: at_least {low} is above at_most {high}: nothing meets it")
    if len(problems) > before:
        return None
    return Target(str(figure), low, high)
