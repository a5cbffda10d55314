"""Results as they should not come: single bits turned over in a real one, and forgeries made on purpose."""

from __future__ import annotations

import io
import json
import time
import zipfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np

from trainer.cli.choosing import ready_made_session
from trainer.clock import TempoMap
from trainer.errors import TrainerError
from trainer.line import Feel, StandIn, planned_song
from trainer.practice.results import Played, Result, read_result, write_result
from trainer.practice.worksheet import parse_worksheet
from trainer.session import expand
from trainer.take import Take, write_take

__all__ = ["FORGERIES", "a_result", "flipped", "read_or_refused", "repacked"]

SHEET = """
title = "Short one"
[[task]]
title = "Eight bars"
target = { figure = "landing.root_rate", at_least = 0.9 }
[task.session]
key = "A"
form = "eight_bar"
[[task.session.chorus]]
role = "verse"
"""


def a_result(folder: Path, *, name: str = "Student", seed: int = 1, sheet: str = SHEET) -> Path:
    """A result of one short take, made as the program makes it."""
    worksheet = parse_worksheet(sheet)
    session = worksheet.tasks[0].session
    assert session is not None
    chart = expand(session)
    tempo = TempoMap(chart.tempo_segments)
    notes = StandIn(Feel(), seed=seed).play(planned_song(chart, 3), tempo).notes
    take = write_take(Take(notes=notes, tempo=tempo, session=session), folder, f"{name}-{seed}")
    return write_result(worksheet, [Played(0, take)], folder / f"{name}.result", name=name)


def flipped(data: bytes, n: int, seed: int) -> Iterator[tuple[int, bytes]]:
    """(bit, the file with that bit turned over), spread over the whole file."""
    rng = np.random.default_rng(seed)
    for bit in rng.choice(8 * len(data), size=n, replace=False).tolist():
        changed = bytearray(data)
        changed[bit // 8] ^= 1 << bit % 8
        yield bit, bytes(changed)


def repacked(data: bytes, changes: dict[str, bytes], how: int = zipfile.ZIP_DEFLATED) -> bytes:
    """The ZIP with some of its parts replaced or added."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as old, zipfile.ZipFile(out, "w", how) as new:
        names = [*old.namelist(), *(name for name in changes if name not in old.namelist())]
        for name in names:
            new.writestr(name, changes[name] if name in changes else old.read(name))
    return out.getvalue()


def read_or_refused(path: Path) -> tuple[Result | None, str, float]:
    """(the result or None, the one line that refuses it, seconds). Anything else that is raised goes through."""
    started = time.perf_counter()
    try:
        return read_result(path, ready_made_session), "", time.perf_counter() - started
    except TrainerError as error:
        return None, str(error), time.perf_counter() - started


def _record(data: bytes, **changes: Any) -> dict[str, bytes]:
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        record = json.loads(archive.read("result.json"))
    return {"result.json": json.dumps(record | changes).encode()}


def _take_json(data: bytes, old: str, new: str) -> dict[str, bytes]:
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        text = archive.read("01.json").decode()
    assert old in text
    return {"01.json": text.replace(old, new, 1).encode()}


def _many_names(data: bytes) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as new:
        for i in range(30_000):
            new.writestr(f"{i}.mid", b"")
    return out.getvalue()


def _bomb(data: bytes) -> bytes:
    return repacked(data, {f"{n:02d}.json": bytes(8_000_000) for n in range(2, 30)})


_LIST = {"task": 1, "take": "01", "sha256": "0" * 64}

FORGERIES: dict[str, Callable[[bytes], bytes]] = {
    "lzma": lambda data: repacked(data, {}, zipfile.ZIP_LZMA),
    "bzip2": lambda data: repacked(data, {}, zipfile.ZIP_BZIP2),
    "bomb": _bomb,
    "thirty thousand names": _many_names,
    "a path as a name": lambda data: repacked(data, {"../../evil.mid": b"MThd"}),
    "one take listed often": lambda data: repacked(data, _record(data, takes=[_LIST] * 2_000)),
    "takes that are not there": lambda data: repacked(
        data, _record(data, takes=[_LIST | {"take": f"{n:02d}"} for n in range(1, 99)])
    ),
    "a number without end": lambda data: repacked(
        data, {"result.json": b'{"schema":{"name":"worksheet_result"},"takes":[{"task":1e999,"take":"01"}]}'}
    ),
    "many digits": lambda data: repacked(
        data, {"result.json": b'{"schema":{"name":"worksheet_result","major":' + b"9" * 5_000 + b"}}"}
    ),
    "deep": lambda data: repacked(data, {"result.json": b'{"x":' + b"[" * 200_000 + b"]" * 200_000 + b"}"}),
    "a deep card": lambda data: repacked(data, {"01.card.json": b"[" * 200_000}),
    "a card without end": lambda data: repacked(data, {"01.card.json": b'{"timing": 1e999}'}),
    "a long key": lambda data: repacked(data, {"worksheet.toml": b"a." * 60_000 + b"a = 1"}),
    "a long quoted key": lambda data: repacked(data, {"worksheet.toml": b'"a".' * 60_000 + b"a = 1"}),
    "a long table name": lambda data: repacked(data, {"worksheet.toml": b"[" + b"a . " * 60_000 + b"a]"}),
    "a deep worksheet": lambda data: repacked(data, {"worksheet.toml": b"a = " + b"[" * 100_000}),
    "a worksheet of digits": lambda data: repacked(
        data, {"worksheet.toml": SHEET.replace("0.9", "9" * 400).encode()}
    ),
    "a large worksheet": lambda data: repacked(data, {"worksheet.toml": b"#" * 7_000_000}),
    "a path as a session": lambda data: repacked(
        data,
        {
            "worksheet.toml": b'[[task]]\nsession = "/etc/passwd"\n'
            b'target = { figure = "landing.root_rate", at_least = 0.9 }\n'
        },
    ),
    "a share as a session": lambda data: repacked(
        data,
        {
            "worksheet.toml": b"[[task]]\nsession = '\\\\host\\share\\x.toml'\n"
            b'target = { figure = "landing.root_rate", at_least = 0.9 }\n'
        },
    ),
    "no MIDI": lambda data: repacked(data, {"01.mid": b""}),
    "a take's JSON of another kind": lambda data: repacked(data, {"01.json": b'{"schema": {"name": "take"}}'}),
    "a long song": lambda data: repacked(data, _take_json(data, '"times":1', '"times":400')),
    "an endless tempo": lambda data: repacked(data, _take_json(data, '"bpm":[96.0', '"bpm":[1e-300')),
}  # fmt: skip
