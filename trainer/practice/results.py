"""A student's result: one file with the worksheet, the takes and their scorecards; and a class's results read back.

The file is a ZIP: `result.json`, `worksheet.toml`, and for each take `NN.mid`, `NN.json`, `NN.card.json`. Whoever reads
it scores the raw takes anew and believes nothing else; cards that say otherwise are reported. Nothing in it leaves the
machine by itself, and a name is there only if the student gave one.
"""

from __future__ import annotations

import contextlib
import datetime
import hashlib
import json
import os
import tempfile
import time
import zipfile
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from trainer._version import __version__
from trainer.aside import claim, new_file
from trainer.errors import FileFormatError, TrainerError, UsageError
from trainer.plain import plain
from trainer.practice.drills import Exercise, PassFigure, answered_changes, answers_of, drill_named
from trainer.practice.parcel import MAX_TAKES, Listed, Parcel, read_parcel
from trainer.practice.worksheet import TARGETS, Task, Worksheet, parse_worksheet
from trainer.scoring import Card, score
from trainer.scoring.card import as_kept
from trainer.session import Session
from trainer.take import Take, read_take

__all__ = [
    "Played",
    "Result",
    "TaskResult",
    "answered_pairs",
    "class_remarks",
    "missed_changes",
    "read_result",
    "task_card",
    "task_exercise",
    "task_outcome",
    "write_result",
]

SCHEMA = {"name": "worksheet_result", "major": 1, "minor": 1}
MAX_NOTES = 20_000  # of one take; our choice, an hour of sixteenths
MAX_CHORUSES = 100  # of one take's session; our choice
MAX_SCORING_S = 60.0  # on one result; our choice
MAX_REMARKS = 40
TIMES_AGREE_S = 0.002  # a file's ticks and whole microseconds a beat are finer; our choice
SAME_WITHIN_S = 0.002  # nobody plays a line twice alike to 2 ms (Wing & Kristofferson 1973: some 10 ms an interval)
MIN_SAME_NOTES = 16  # our choice
STAND_IN = "scripted player"
# What is odd about takes: of one, of several.
_OF_TAKES = {
    "changed": ("take {} was changed after it was put in", "takes {} were changed after they were put in"),
    "times": (
        "the exact times of take {} do not agree with its MIDI file: one of the two was changed",
        "the exact times of takes {} do not agree with their MIDI files: one of the two was changed in each",
    ),
    "stand_in": (
        "take {} was played by the stand-in, not by a person",
        "takes {} were played by the stand-in, not by a person",
    ),
    "session": (
        "take {} was not played to its task's session",
        "takes {} were not played to their tasks' sessions",
    ),
    "card": (
        "the scorecard with take {} says otherwise than its notes; the notes count",
        "the scorecards with takes {} say otherwise than their notes; the notes count",
    ),
}


@dataclass(frozen=True, slots=True)
class Played:
    """A take played for a task (0-based)."""

    task_idx: int
    take_path: Path


@dataclass(frozen=True, slots=True)
class TaskResult:
    """One take of a task as scored from its raw notes. `met` None: the figure was not to be had."""

    task: Task
    value: float | None
    met: bool | None
    text: str
    card: Card
    stem: str
    take: Take


@dataclass(frozen=True, slots=True)
class Result:
    """A student's result, every figure worked out anew. `remarks` hold what is odd about the file."""

    path: Path
    name: str
    made: str
    worksheet: Worksheet
    tasks: tuple[TaskResult, ...]
    remarks: tuple[str, ...]
    sha256: str = ""


def task_exercise(task: Task, seed: int = 1) -> Exercise | None:
    """The exercise of a drill task, as it is played and judged; None for a session."""
    return None if task.drill is None else drill_named(task.drill).build(task.key, task.tempo_bpm, seed)


def task_card(task: Task, take: Take) -> Card:
    """The scorecard that a task is judged by: of the answers alone, where the task is a drill."""
    exercise = task_exercise(task)
    return as_kept(score(take if exercise is None else answers_of(take, exercise)))


def task_outcome(task: Task, card: Card) -> tuple[float | None, bool | None, str]:
    """(value, met, words) of a take of a task from its scorecard."""
    if task.target is not None:
        value, met = task.target.value(card), task.target.met(card)
        return value, met, f"{TARGETS[task.target.figure]} {task.target.shown(value)} (target {task.target.bounds})"
    exercise = task_exercise(task)
    if exercise is None or task.drill is None:
        return None, None, "no target"
    figure: PassFigure = drill_named(task.drill).figure(card, exercise)
    return figure.value, figure.passed, figure.text


def write_result(worksheet: Worksheet, played: Sequence[Played], path: str | os.PathLike[str], name: str = "") -> Path:
    """Write the result file, atomically and never over another (a number is added). `UsageError` if it cannot be."""
    wanted = Path(path)
    takes = []
    try:
        with new_file(wanted) as (temporary, handle):
            with zipfile.ZipFile(handle, "w", zipfile.ZIP_DEFLATED) as out:
                out.writestr("worksheet.toml", worksheet.text)
                for i, item in enumerate(played, 1):
                    midi = item.take_path.read_bytes()
                    out.writestr(f"{i:02d}.mid", midi)
                    with contextlib.suppress(FileNotFoundError):
                        out.writestr(f"{i:02d}.json", item.take_path.with_suffix(".json").read_bytes())
                    card = task_card(worksheet.tasks[item.task_idx], read_take(item.take_path))
                    out.writestr(f"{i:02d}.card.json", json.dumps(card.to_dict()))
                    takes.append(
                        {"task": item.task_idx + 1, "take": f"{i:02d}", "sha256": hashlib.sha256(midi).hexdigest()}
                    )
                made = datetime.datetime.now().astimezone().isoformat(timespec="seconds")
                asked = [task.sha256 for task in worksheet.tasks]
                record = {
                    "schema": SCHEMA,
                    "name": name,
                    "made": made,
                    "scorer": __version__,
                    "tasks": asked,
                    "takes": takes,
                }
                out.writestr("result.json", json.dumps(record, indent=1))
            handle.close()
            for n in range(1, 10_000):
                target = wanted if n == 1 else wanted.with_name(f"{wanted.stem}-{n}{wanted.suffix}")
                if claim(temporary, target):
                    return target
    except OSError as error:
        raise UsageError(f"cannot write the result {wanted}: {error.strerror or error}; name another place") from None
    raise UsageError(f"cannot write the result {wanted}: ten thousand of that name are there; name another place")


def read_result(
    path: str | os.PathLike[str],
    find: Callable[[str], Session] | None = None,
    sheet: Worksheet | None = None,
    now: Callable[[], float] = time.monotonic,
) -> Result:
    """Read a result file and score its takes anew. `FileFormatError` when it is none, `SessionError` for its worksheet.

    `find` gives a ready-made session by name. With the teacher's own `sheet` its tasks are what is judged by, and it is
    said where the one handed in differs.
    """
    parcel = read_parcel(path)
    file = parcel.path
    try:
        text = parcel.entries["worksheet.toml"].decode("utf-8")
    except UnicodeDecodeError:
        raise FileFormatError(f"{file}: its worksheet is not UTF-8 text; expected the file as it was made") from None
    handed_in = parse_worksheet(text, f"{file}: worksheet.toml", find)
    worksheet = handed_in if sheet is None else sheet
    remarks = [] if sheet is None else _differences(handed_in, sheet)
    tasks: list[TaskResult] = []
    seen: Counter[str] = Counter(item.take for item in parcel.record.takes)
    remarks += [f"take {stem} is listed {n} times; it counts once" for stem, n in seen.items() if n > 1][:MAX_REMARKS]
    odd: dict[str, list[str]] = {kind: [] for kind in _OF_TAKES}
    gives_up_s = now() + MAX_SCORING_S
    first_listed = {item.take: item for item in reversed(parcel.record.takes)}
    for item in sorted(first_listed.values(), key=lambda item: item.take):
        if len(tasks) >= MAX_TAKES or now() > gives_up_s:
            remarks.append(f"more than can be scored; {len(tasks)} takes were")
            break
        done = _scored(parcel, item, worksheet, remarks, odd)
        if done is not None:
            tasks.append(done)
    tasks.sort(key=lambda done: done.stem)
    # First, so that no list of takes that are not there pushes them out.
    remarks = [_OF_TAKES[kind][len(stems) > 1].format(_listed(stems)) for kind, stems in odd.items() if stems] + remarks
    name, made = plain(parcel.record.name), plain(parcel.record.made)
    return Result(file, name, made, worksheet, tuple(tasks), tuple(remarks[:MAX_REMARKS]), parcel.sha256)


def _listed(stems: Iterable[str]) -> str:
    """ "01, 02 and 03"."""
    *most, last = sorted(stems)
    return f"{', '.join(most)} and {last}" if most else last


def _differences(handed_in: Worksheet, sheet: Worksheet) -> list[str]:
    """What the worksheet in a result asks otherwise than the teacher's own."""
    out = []
    if len(handed_in.tasks) != len(sheet.tasks):
        out.append(f"the worksheet handed in has {len(handed_in.tasks)} tasks, yours has {len(sheet.tasks)}")
    for number, (theirs, ours) in enumerate(zip(handed_in.tasks, sheet.tasks, strict=False), 1):
        if theirs.sha256 == ours.sha256:
            continue
        where = f"task {number} of the worksheet handed in"
        if theirs.played_sha256 != ours.played_sha256:
            same = " with other choruses, groove or swing" if theirs.what == ours.what else ""
            out.append(f"{where} is another: {theirs.what}{same}, yours: {ours.what}")
        if theirs.target != ours.target:
            out.append(f"{where} asks for {theirs.wanted}, yours for {ours.wanted}")
        if theirs.times != ours.times:
            out.append(f"{where} is to be played {theirs.times} times, yours {ours.times}")
    return out


def _scored(
    parcel: Parcel, item: Listed, worksheet: Worksheet, remarks: list[str], odd: dict[str, list[str]]
) -> TaskResult | None:
    stem, number = item.take, item.task
    if not 1 <= number <= len(worksheet.tasks):
        remarks.append(f"a take of a task that is not on the worksheet was left out ({stem}, task {number})")
        return None
    body = parcel.entries.get(f"{stem}.mid")
    if body is None:
        remarks.append(f"take {stem} is listed but not there")
        return None
    task = worksheet.tasks[number - 1]
    with tempfile.TemporaryDirectory(prefix="result-") as folder:
        midi = Path(folder) / "take.mid"
        midi.write_bytes(body)
        try:
            alone, take = _taken(midi, parcel.entries.get(f"{stem}.json"))
            card = task_card(task, take)
        except TrainerError as error:
            words = " ".join(str(error).split()).replace(str(midi.with_suffix("")), stem)[:300]
            remarks.append(f"take {stem} cannot be read: {plain(words)}")
            return None
    exercise = task_exercise(task)
    asked = task.session if exercise is None else exercise.session
    elsewhere = take.session is None or asked is None or take.session.to_dict() != asked.to_dict()
    found = {
        "changed": hashlib.sha256(body).hexdigest() != item.sha256,
        "times": not _times_agree(take, alone),
        "stand_in": take.header.hardware.get("midi_in") == STAND_IN,
        "session": elsewhere,
        "card": not _card_agrees(card, parcel.entries.get(f"{stem}.card.json", b"")),
    }
    for kind, there in found.items():
        if there:
            odd[kind].append(stem)
    value, met, text = (None, None, "not played to this task") if elsewhere else task_outcome(task, card)
    return TaskResult(task, value, met, text, card, stem, take)


def _taken(midi: Path, exact: bytes | None) -> tuple[Take, Take]:
    """A take by its MIDI file alone, and with the `exact` times that were handed in beside it.

    `FileFormatError` where it is longer than anything that is set.
    """
    alone = read_take(midi, track="bass" if exact is not None else None)
    if exact is not None:
        midi.with_suffix(".json").write_bytes(exact)
    take = read_take(midi)
    if len(take.notes) > MAX_NOTES or len(take.band) > 10 * MAX_NOTES:
        raise FileFormatError(f"{len(take.notes)} notes; expected at most {MAX_NOTES}")
    if take.session is not None and take.session.n_choruses > MAX_CHORUSES:
        raise FileFormatError(f"{take.session.n_choruses} choruses; expected at most {MAX_CHORUSES}")
    return alone, take


def _card_agrees(card: Card, claimed: bytes) -> bool:
    """Whether the scorecard that was handed in says what the notes do."""
    try:
        theirs = json.loads(claimed)
    except (ValueError, RecursionError):
        return False
    own = card.to_dict()
    parts = ("timing", "swing", "landing", "form")
    return isinstance(theirs, dict) and all(theirs.get(part) == own[part] for part in parts)


def _times_agree(take: Take, midi: Take) -> bool:
    """Whether a take's exact times are those of its MIDI file, as finely as its ticks and tempo can say."""
    if take.header.foreign:
        return True  # there are none beside it
    a, b = np.sort(take.notes["onset_s"]), np.sort(midi.notes["onset_s"])
    if len(a) != len(b):
        return False
    return not len(a) or float(np.abs(a - b).max()) <= TIMES_AGREE_S


def class_remarks(results: Sequence[Result]) -> dict[Path, tuple[str, ...]]:
    """What shows only where several takes lie side by side: the same take, or the same notes, handed in again."""
    alike: dict[tuple[Path, Path], list[tuple[str, str]]] = {}  # whose, of whom → takes
    seen: dict[tuple[int, ...], list[tuple[Result, TaskResult]]] = {}
    for result in results:
        for done in result.tasks:
            notes = done.take.notes
            if len(notes) < MIN_SAME_NOTES:
                continue
            line = tuple(np.rint(notes["pitch"]).astype(int).tolist())
            onsets = notes["onset_s"] - float(np.median(notes["onset_s"]))
            for other, first in seen.setdefault(line, []):
                before = first.take.notes["onset_s"] - float(np.median(first.take.notes["onset_s"]))
                if float(np.abs(onsets - before).max()) > SAME_WITHIN_S:
                    continue
                alike.setdefault((result.path, other.path), []).append((done.stem, first.stem))
                if other.path != result.path:
                    alike.setdefault((other.path, result.path), []).append((first.stem, done.stem))
                break
            seen[line].append((result, done))
    names = {result.path: result.name or result.path.stem for result in results}
    out: dict[Path, list[str]] = {}
    for (mine, theirs), pairs in alike.items():
        words = ["take {} has", "takes {} have"], ["take {}", "takes {}"]
        said, of = (
            forms[len(stems) > 1].format(_listed(stems))
            for forms, stems in zip(words, map(set, zip(*pairs, strict=True)), strict=True)
        )
        whose = "" if mine == theirs else f" of {names[theirs]}"
        out.setdefault(mine, []).append(f"{said} the very notes of {of}{whose}")
    return {path: tuple(words[:MAX_REMARKS]) for path, words in out.items()}


def answered_pairs(task: TaskResult) -> dict[str, tuple[int, int]]:
    """Pair of degrees → (roots, changes) of one take; of a drill only the choruses that were to be answered."""
    exercise = task_exercise(task.task)
    if exercise is not None:
        return {pair: (roots, n) for pair, (roots, _, n) in answered_changes(task.card, exercise).items()}
    return {pair: (tally.roots, tally.changes) for pair, tally in task.card.landing.by_pair.items()}


def missed_changes(results: Iterable[Result]) -> dict[str, dict[str, tuple[int, int]]]:
    """Pair of degrees → student → (missed roots, changes), over all their takes."""
    out: dict[str, dict[str, tuple[int, int]]] = {}
    for result in results:
        who = result.name or result.path.stem
        for task in result.tasks:
            for pair, (roots, changes) in answered_pairs(task).items():
                missed, n = out.setdefault(pair, {}).get(who, (0, 0))
                out[pair][who] = (missed + changes - roots, n + changes)
    return out
