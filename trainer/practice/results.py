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
import zipfile
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from trainer._version import __version__
from trainer.errors import FileFormatError, SessionError, TrainerError, UsageError
from trainer.practice.drills import Exercise, PassFigure, answered_changes, answers_of, drill_named
from trainer.practice.worksheet import TARGETS, Task, Worksheet, parse_worksheet, plain
from trainer.scoring import score
from trainer.session import Session
from trainer.take import Take, read_take

__all__ = [
    "Played",
    "Result",
    "TaskResult",
    "answered_pairs",
    "missed_changes",
    "read_result",
    "task_card",
    "task_exercise",
    "task_outcome",
    "write_result",
]

MAX_ENTRY_BYTES = 16_000_000
MAX_ENTRIES = 3 * 40 * 20 + 2
SCHEMA = {"name": "worksheet_result", "major": 1, "minor": 0}
# What reading a file that is something else can raise.
_NO_RESULT = (zipfile.BadZipFile, KeyError, ValueError, TypeError, AttributeError, NotImplementedError, RuntimeError)


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
    card: Mapping[str, Any]
    card_agrees: bool


@dataclass(frozen=True, slots=True)
class Result:
    """A student's result, every figure worked out anew. `remarks` hold what is odd about the file."""

    path: Path
    name: str
    made: str
    worksheet: Worksheet
    tasks: tuple[TaskResult, ...]
    remarks: tuple[str, ...]


def task_exercise(task: Task, seed: int = 1) -> Exercise | None:
    """The exercise of a drill task, as it is played and judged; None for a session."""
    return None if task.drill is None else drill_named(task.drill).build(task.key, task.tempo_bpm, seed)


def task_card(task: Task, take: Take) -> dict[str, Any]:
    """The scorecard that a task is judged by: of the answers alone, where the task is a drill."""
    exercise = task_exercise(task)
    return score(take if exercise is None else answers_of(take, exercise)).to_dict()


def task_outcome(task: Task, card: Mapping[str, Any]) -> tuple[float | None, bool | None, str]:
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
    number, temporary = -1, ""
    try:
        number, temporary = tempfile.mkstemp(dir=wanted.parent, prefix=".result-")
        os.chmod(temporary, 0o644)  # to be handed on; a temporary file is its owner's alone
        with os.fdopen(number, "wb") as handle, zipfile.ZipFile(handle, "w", zipfile.ZIP_DEFLATED) as out:
            out.writestr("worksheet.toml", worksheet.text)
            for i, item in enumerate(played, 1):
                midi = item.take_path.read_bytes()
                out.writestr(f"{i:02d}.mid", midi)
                with contextlib.suppress(FileNotFoundError):
                    out.writestr(f"{i:02d}.json", item.take_path.with_suffix(".json").read_bytes())
                card = task_card(worksheet.tasks[item.task_idx], read_take(item.take_path))
                out.writestr(f"{i:02d}.card.json", json.dumps(card))
                takes.append(
                    {"task": item.task_idx + 1, "take": f"{i:02d}", "sha256": hashlib.sha256(midi).hexdigest()}
                )
            made = datetime.datetime.now().astimezone().isoformat(timespec="seconds")
            record = {"schema": SCHEMA, "name": name, "made": made, "scorer": __version__, "takes": takes}
            out.writestr("result.json", json.dumps(record, indent=1))
        target = wanted
        for n in range(2, 10_000):
            try:
                os.link(temporary, target)
                break
            except FileExistsError:
                target = wanted.with_name(f"{wanted.stem}-{n}{wanted.suffix}")
            except OSError:  # no hard links there
                if target.exists():
                    target = wanted.with_name(f"{wanted.stem}-{n}{wanted.suffix}")
                    continue
                os.replace(temporary, target)
                break
        return target
    except OSError as error:
        raise UsageError(f"cannot write the result {wanted}: {error.strerror or error}; name another place") from None
    finally:
        if temporary:
            with contextlib.suppress(OSError):
                os.unlink(temporary)


def read_result(path: str | os.PathLike[str], find: Callable[[str], Session] | None = None) -> Result:
    """Read a result file and score its takes anew. `FileFormatError` when it is none."""
    file = Path(path)
    remarks: list[str] = []
    try:
        with zipfile.ZipFile(file) as archive:
            if len(archive.infolist()) > MAX_ENTRIES:
                raise FileFormatError(f"{file}: too many parts for a worksheet's result")
            record = json.loads(_entry(archive, "result.json", file))
            if not isinstance(record, dict) or (record.get("schema") or {}).get("name") != SCHEMA["name"]:
                raise FileFormatError(f"{file}: not a worksheet's result")
            text = _entry(archive, "worksheet.toml", file).decode("utf-8")
            worksheet = parse_worksheet(text, f"{file}: worksheet.toml", find)
            tasks = []
            for item in record.get("takes") or []:
                done = _scored(archive, item, worksheet, file, remarks)
                if done is not None:
                    tasks.append(done)
    except OSError as error:
        raise UsageError(f"cannot read {file}: {error.strerror or error}") from None
    except SessionError:
        raise
    except _NO_RESULT as error:
        raise FileFormatError(f"{file}: not a worksheet's result ({' '.join(str(error).split())[:120]})") from None
    name = record.get("name")
    made = record.get("made")
    return Result(
        file,
        plain(name) if isinstance(name, str) else "",
        plain(made) if isinstance(made, str) else "",
        worksheet,
        tuple(tasks),
        tuple(remarks),
    )


def _entry(archive: zipfile.ZipFile, name: str, file: Path) -> bytes:
    info = archive.getinfo(name)
    if info.file_size > MAX_ENTRY_BYTES:
        raise FileFormatError(f"{file}: {name} is over {MAX_ENTRY_BYTES // 1_000_000} MB; expected a take")
    with archive.open(info) as handle:
        body = handle.read(MAX_ENTRY_BYTES + 1)
    if len(body) > MAX_ENTRY_BYTES:
        raise FileFormatError(f"{file}: {name} is over {MAX_ENTRY_BYTES // 1_000_000} MB; expected a take")
    return body


def _scored(
    archive: zipfile.ZipFile, item: Mapping[str, Any], worksheet: Worksheet, file: Path, remarks: list[str]
) -> TaskResult | None:
    stem, number = str(item["take"]), int(item["task"])
    if not stem.isdigit() or not 1 <= number <= len(worksheet.tasks):
        remarks.append(f"a take of a task that is not on the worksheet was left out ({stem}, task {number})")
        return None
    task = worksheet.tasks[number - 1]
    with tempfile.TemporaryDirectory(prefix="result-") as folder:
        midi = Path(folder) / "take.mid"
        body = _entry(archive, f"{stem}.mid", file)
        midi.write_bytes(body)
        with contextlib.suppress(KeyError):
            midi.with_suffix(".json").write_bytes(_entry(archive, f"{stem}.json", file))
        try:
            take = read_take(midi)
            card = task_card(task, take)
        except TrainerError as error:
            remarks.append(f"take {stem} cannot be read: {str(error).replace(str(midi), stem + '.mid')}")
            return None
    if hashlib.sha256(body).hexdigest() != item.get("sha256"):
        remarks.append(f"take {stem} was changed after it was put in")
    asked = task.session
    exercise = task_exercise(task)
    if asked is None and exercise is not None:
        asked = exercise.session
    if take.session is None or asked is None or take.session.to_dict() != asked.to_dict():
        remarks.append(f"take {stem} was not played to its task's session")
    claimed: Any = None
    with contextlib.suppress(KeyError, ValueError):
        claimed = json.loads(_entry(archive, f"{stem}.card.json", file))
    agrees = isinstance(claimed, dict) and all(
        claimed.get(part) == card[part] for part in ("timing", "swing", "landing", "form")
    )
    if not agrees:
        remarks.append(f"the scorecard with take {stem} says otherwise than its notes; the notes count")
    value, met, text = task_outcome(task, card)
    return TaskResult(task, value, met, text, card, agrees)


def answered_pairs(task: TaskResult) -> dict[str, tuple[int, int]]:
    """Pair of degrees → (roots, changes) of one take; of a drill only the choruses that were to be answered."""
    exercise = task_exercise(task.task)
    if exercise is not None:
        return {pair: (roots, n) for pair, (roots, _, n) in answered_changes(task.card, exercise).items()}
    by_pair = (task.card.get("landing") or {}).get("by_pair") or {}
    return {pair: (int(c.get("roots") or 0), int(c.get("changes") or 0)) for pair, c in by_pair.items()}


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
