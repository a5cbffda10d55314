"""A damaged or forged result is one line, costs little, opens nothing, and never stops a class."""

from __future__ import annotations

import csv
import io
import json
import os
import tracemalloc
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from tests.cli.conftest import Outcome
from tests.practice.forgeries import FORGERIES, SHEET, a_result, flipped, read_or_refused, repacked

Command = Callable[..., Outcome]


def as_json(plain: Any) -> bytes:
    return json.dumps(plain).encode()


@pytest.fixture(scope="module")
def good(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return a_result(tmp_path_factory.mktemp("class"))


def test_every_turned_bit_is_read_or_refused_in_one_line(good: Path, tmp_path: Path) -> None:
    """`forged_long` turns more of them; half of them lie where only the reading of the archive can see them."""
    n_refused = 0
    for bit, data in flipped(good.read_bytes(), 40, seed=3):
        path = tmp_path / "bit.result"
        path.write_bytes(data)
        result, line, _ = read_or_refused(path)
        assert result is not None or (line and "\n" not in line), bit
        n_refused += result is None
    assert n_refused > 20


@pytest.mark.parametrize("name", FORGERIES)
def test_forgeries_are_refused_or_said(name: str, good: Path, tmp_path: Path) -> None:
    """In one line and within 100 MB of Python's own memory, whatever the forger thought of."""
    path = tmp_path / "forged.result"
    path.write_bytes(FORGERIES[name](good.read_bytes()))
    tracemalloc.start()
    try:
        result, line, _ = read_or_refused(path)
        _, most = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert most < 100e6
    assert result is None or result.remarks
    if result is None:
        assert line.startswith(str(path)) and "\n" not in line and len(line) < 600
        for raw in ("zlib", "Errno", "Traceback", "BadZipFile: ", "passwd:"):
            assert raw not in line
    else:
        assert len(result.tasks) <= 1


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no such pipes")
def test_a_pipe_is_not_waited_for(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.result")
    result, line, _ = read_or_refused(tmp_path / "pipe.result")
    assert result is None and "not a regular file" in line


def test_the_class_goes_on(command: Command, good: Path, tmp_path: Path) -> None:
    """Two good results among the damaged: each bad file is one line, and the exit status tells a program."""
    data = good.read_bytes()
    a_result(tmp_path, name="Other", seed=2)
    (tmp_path / "good.result").write_bytes(data)
    for i, name in enumerate(("lzma", "a long key", "a path as a session", "deep")):
        (tmp_path / f"bad-{i}.result").write_bytes(FORGERIES[name](data))
    result = command("review", tmp_path)
    assert result.status == 2
    assert "Student, Short one" in result.out and "Other, Short one" in result.out
    assert len(result.err.splitlines()) == 4


def test_the_teachers_own_sheet_counts(command: Command, good: Path, tmp_path: Path) -> None:
    """A student who lowered the target in the sheet that was handed in is judged by the teacher's, and it is said."""
    easy = SHEET.replace("at_least = 0.9", "at_least = 0.1")
    a_result(tmp_path, name="Clever", seed=4, sheet=easy)
    own = tmp_path / "week-one.toml"
    own.write_text(SHEET.replace("Eight bars", "The teacher's title"))
    plain = command("review", tmp_path)
    assert "target at least 10 %" in plain.out and "asks for" not in plain.out
    judged = command("review", tmp_path, "--sheet", own)
    assert "The teacher's title" in judged.out and "target at least 90 %" in judged.out
    assert (
        "task 1 of the worksheet handed in asks for roots on the changes at least 10 %, "
        "yours for roots on the changes at least 90 %" in judged.out
    )
    other = own.with_name("other.toml")
    other.write_text(SHEET.replace('key = "A"', 'key = "E"'))
    said = command("review", tmp_path, "--sheet", other).out
    assert "is another: song in A, 96 bpm, yours: song in E, 96 bpm" in said and "not played to its task" in said
    assert "not judged Eight bars: not played to this task" in said  # what was asked elsewhere is no figure of this


def test_moved_times_the_same_take_and_a_neighbours_notes_are_said(command: Command, tmp_path: Path) -> None:
    first = a_result(tmp_path, name="Ann", seed=5)
    data = first.read_bytes()
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        take = json.loads(archive.read("01.json"))
        record = json.loads(archive.read("result.json"))
        midi, card = archive.read("01.mid"), archive.read("01.card.json")
    take["notes"]["onset_s"] = [second + 0.010 for second in take["notes"]["onset_s"]]
    moved = repacked(data, {"01.json": as_json(take), "result.json": as_json(record | {"name": "Bo"})})
    (tmp_path / "bo.result").write_bytes(moved)
    twice = [record["takes"][0], record["takes"][0] | {"take": "02"}]
    parts = {
        "02.mid": midi,
        "02.card.json": card,
        "result.json": json.dumps(record | {"name": "Cy", "takes": twice}).encode(),
    }
    (tmp_path / "cy.result").write_bytes(repacked(data, parts))
    out = command("review", tmp_path).out
    bo = out[out.index("\nBo, ") :].split("\n\n")[0]
    assert "the exact times of take 01 do not agree with its MIDI file" in bo
    assert "take 01 has the very notes of take 01 of Ann" in bo
    cy = out[out.index("\nCy, ") :].split("\n\n")[0]
    assert cy.count("the very notes") == 1 and "takes 01 and 02 have the very notes of take 01 of Ann" in cy
    ann = out[out.index("\nAnn, ") :].split("\n\n")[0]
    assert "take 01 has the very notes of take 01 of Bo" in ann and "do not agree" not in ann


def test_one_table_of_a_row_a_student_and_task(command: Command, tmp_path: Path) -> None:
    two = SHEET + '\n[[task]]\ndrill = "roots"\ninstruction = "First finger only."\n'
    a_result(tmp_path, name="Ann", seed=5, sheet=two)
    a_result(tmp_path, name="Bo", seed=6, sheet=two)
    rows = list(csv.DictReader(command("review", tmp_path, "--csv").out.splitlines()))
    assert [(row["student"], row["task_number"], row["asked"], row["played"]) for row in rows] == [
        ("Ann", "1", "1", "1"), ("Ann", "2", "1", "0"), ("Bo", "1", "1", "1"), ("Bo", "2", "1", "0"),
    ]  # fmt: skip
    assert {row["worksheet"] for row in rows} == {"Short one"}
    assert all(not row["remarks"] for row in rows[1::2])


def test_a_stand_ins_take_is_marked_and_an_instruction_shown(command: Command, tmp_path: Path) -> None:
    sheet = tmp_path / "sheet.toml"
    sheet.write_text(SHEET.replace("[task.session]", 'instruction = "First finger only."\n[task.session]'))
    assert "First finger only." in command("worksheet", "check", sheet).out
    ran = command("worksheet", "run", sheet, "--stand-in", "--name", "Dee")
    assert ran.status == 0 and "First finger only." in ran.out
    assert "take 01 was played by the stand-in, not by a person" in command("review", tmp_path).out


def test_no_worksheet_opens_a_file(command: Command, tmp_path: Path) -> None:
    """A worksheet is handed on: it names ready-made sessions, nothing on this machine."""
    session = tmp_path / "mine.toml"
    session.write_text('key = "A"\n')
    sheet = tmp_path / "sheet.toml"
    target = 'target = { figure = "landing.root_rate", at_least = 0.9 }'
    sheet.write_text(f'[[task]]\nsession = "{session.as_posix()}"\n{target}\n')
    answer = command("worksheet", "check", sheet)
    assert answer.status == 2 and "no session" in answer.err and len(answer.err.splitlines()) == 1
