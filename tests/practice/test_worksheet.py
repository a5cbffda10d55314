"""Worksheets and results: what is set, what comes back, and that only the raw notes are believed."""

from __future__ import annotations

import json
import zipfile
from pathlib import Path

import pytest

from trainer.clock import TempoMap
from trainer.errors import FileFormatError, SessionError
from trainer.line import Feel, StandIn, planned_song
from trainer.practice.results import Played, missed_changes, read_result, task_card, task_exercise, write_result
from trainer.practice.worksheet import TEMPLATE, Worksheet, parse_worksheet
from trainer.session import default_session, expand
from trainer.take import Take, read_take, write_take

SHEET = parse_worksheet(TEMPLATE)


def play(worksheet: Worksheet, folder: Path, missed_frac: float = 0.0) -> list[Played]:
    out = []
    for idx, task in enumerate(worksheet.tasks):
        exercise = task_exercise(task)
        session = exercise.session if exercise is not None else task.session
        assert session is not None
        chart = expand(session)
        tempo = TempoMap(chart.tempo_segments)
        line = exercise.model if exercise is not None else planned_song(chart, 3)
        notes = StandIn(Feel(missed_frac=missed_frac), seed=idx).play(line, tempo).notes
        out.append(Played(idx, write_take(Take(notes=notes, tempo=tempo, session=session), folder, f"task-{idx}")))
    return out


@pytest.fixture(scope="module")
def result_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("result")
    return write_result(SHEET, play(SHEET, folder), folder / "student.result", name="Student One")


def test_the_template_is_a_worksheet() -> None:
    assert [task.drill for task in SHEET.tasks] == ["roots", None]
    assert SHEET.tasks[0].times == 2 and SHEET.tasks[1].session is not None
    assert SHEET.tasks[1].target is not None and SHEET.tasks[1].target.text == "roots on the changes at least 90 %"


MISTAKES = [
    ("titel = 1\n[[task]]\ndrill = 'roots'", r'titel: not a known key.*did you mean "title"'),
    ("title = 'x'", r"task: expected one or more \[\[task\]\] tables"),
    ("[[task]]\ndrill = 'root'", r'task\[1\]\.drill: found "root".*did you mean "roots"'),
    ("[[task]]\ntimes = 1", r"task\[1\]: needs a session or a drill"),
    ("[[task]]\ndrill = 'roots'\nkey = 'H'", r'task\[1\]\.key: "H" is not a key'),
    ("[[task]]\ndrill = 'roots'\ntempo_bpm = 900", r"task\[1\]\.tempo_bpm: found 900"),
    ("[[task]]\ndrill = 'roots'\ntimes = 0", r"task\[1\]\.times: found 0"),
    ("[[task]]\nsession = 'none'", r"task\[1\]\.session: found \"none\""),
    ("[[task]]\n[task.session]\nkey = 'A'", r"task\[1\]\.target: missing"),
    (
        "[[task]]\n[task.session]\nkey = 'A'\n[[task.session.chorus]]\nrole = 'verse'\nheard = true",
        r"task\[1\]\.session\.chorus: found heard = true in every chorus",
    ),
    (
        "[[task]]\ntarget = {figure = 'landing.rot_rate', at_least = 1}\n[task.session]\nkey = 'A'",
        r"task\[1\]\.target\.figure: found \"landing.rot_rate\".*did you mean \"landing.root_rate\"",
    ),
    (
        "[[task]]\ntarget = {figure = 'landing.root_rate', at_least = 90}\n[task.session]\nkey = 'A'",
        r"task\[1\]\.target\.at_least: found 90; allowed: a share from 0 to 1; 90 % is 0\.9",
    ),
    (
        "[[task]]\ntarget = {figure = 'timing.mean_ms', at_least = 20, at_most = 5}\n[task.session]\nkey = 'A'",
        r"task\[1\]\.target: at_least 20 is above at_most 5",
    ),
    (
        "[[task]]\ntarget = {figure = 'landing.root_rate'}\n[task.session]\nkey = 'A'",
        r"task\[1\]\.target: needs at_least, at_most, or both",
    ),
    (
        "[[task]]\ntarget = {figure = 'swing.ratio', at_most = 2}\n[task.session]\ntempo = 3",
        r'task\[1\]\.session\.tempo: not a known key.*did you mean "tempo_bpm"',
    ),
    ("[[task]\n", r"not valid TOML"),
]


@pytest.mark.parametrize(("text", "message"), MISTAKES)
def test_each_mistake_is_one_line(text: str, message: str) -> None:
    with pytest.raises(SessionError, match=message) as caught:
        parse_worksheet(text, "sheet.toml")
    assert len(caught.value.problems) == 1, caught.value.problems


def test_ready_made_sessions_are_found_by_name() -> None:
    text = "[[task]]\nsession = 'default'\ntarget = {figure = 'swing.ratio', at_most = 3}"
    sheet = parse_worksheet(text, find=lambda name: default_session())
    assert sheet.tasks[0].session == default_session()


def test_a_result_comes_back_as_it_was_played(result_file: Path) -> None:
    result = read_result(result_file)
    assert result.name == "Student One" and result.remarks == ()
    assert [task.task.title for task in result.tasks] == ["Roots through the form", "A song, verses held down"]
    assert all(task.met is not None for task in result.tasks)
    for i, task in enumerate(result.tasks):
        take = read_take(result_file.parent / f"task-{i}.mid")
        assert task.card.landing.to_dict() == task_card(task.task, take).landing.to_dict()
    # In the drill's task only the answers count: nobody misses a change while listening.
    missed = missed_changes([result])
    assert all(n for pair in missed.values() for _, n in pair.values())


def test_another_result_never_overwrites(result_file: Path) -> None:
    folder = result_file.parent
    again = write_result(SHEET, [], folder / "student.result")
    assert again.name == "student-2.result" and read_result(result_file).name == "Student One"
    again.unlink()


def rewritten(source: Path, target: Path, changes: dict[str, bytes]) -> Path:
    with zipfile.ZipFile(source) as old, zipfile.ZipFile(target, "w") as new:
        for name in old.namelist():
            new.writestr(name, changes.get(name, old.read(name)))
    return target


def test_nothing_that_is_handed_on_commands_a_terminal(tmp_path: Path) -> None:
    odd = parse_worksheet(TEMPLATE.replace("Week one", "Week\\u001b[2J").replace("A song, ", "A\\nsong, "))
    assert odd.title == "Week [2J" and odd.tasks[1].title == "A song, verses held down"
    played = play(odd, tmp_path)[:1]
    result = read_result(write_result(odd, played, tmp_path / "odd.result", name="Bob\x1b[31m\n=1+1\u202e"))
    assert result.name == "Bob [31m =1+1 " and result.worksheet.title == "Week [2J"


def test_a_prettier_scorecard_is_not_believed(result_file: Path, tmp_path: Path) -> None:
    with zipfile.ZipFile(result_file) as archive:
        card = json.loads(archive.read("02.card.json"))
    honest = read_result(result_file).tasks[1]
    card["landing"]["root_rate"] = 1.0
    card["landing"]["roots"] = 999
    forged = rewritten(result_file, tmp_path / "forged", {"02.card.json": json.dumps(card).encode()})
    result = read_result(forged)
    assert result.tasks[1].value == honest.value
    assert any("says otherwise" in remark for remark in result.remarks)


def test_a_swapped_take_is_noticed(result_file: Path, tmp_path: Path) -> None:
    with zipfile.ZipFile(result_file) as archive:
        other = {"02.mid": archive.read("01.mid"), "02.json": archive.read("01.json")}
        record = json.loads(archive.read("result.json"))
    record["takes"] += [{**record["takes"][0], "take": f"{n:02d}"} for n in range(30, 80)]  # listed to drown it
    other["result.json"] = json.dumps(record).encode()
    result = read_result(rewritten(result_file, tmp_path / "swapped", other))
    assert any("changed after" in remark for remark in result.remarks)
    assert any("not played to its task" in remark for remark in result.remarks)


@pytest.mark.parametrize("body", [b"", b"nothing", b"PK\x03\x04broken", b"PK\x05\x06" + bytes(18)])
def test_other_files_are_refused(body: bytes, tmp_path: Path) -> None:
    path = tmp_path / "other.result"
    path.write_bytes(body)
    with pytest.raises(FileFormatError, match="not a worksheet's result"):
        read_result(path)


@pytest.mark.parametrize(
    "record", ["[]", "{}", '{"schema": 3}', '{"schema": {"name": "worksheet_result"}, "takes": [5]}']
)
def test_odd_records_are_refused(record: str, result_file: Path, tmp_path: Path) -> None:
    with pytest.raises(FileFormatError, match="not a worksheet's result"):
        read_result(rewritten(result_file, tmp_path / "odd", {"result.json": record.encode()}))


def test_who_misses_which_change(result_file: Path, tmp_path: Path) -> None:
    other = write_result(SHEET, play(SHEET, tmp_path, missed_frac=0.6), tmp_path / "two.result", name="Student Two")
    table = missed_changes([read_result(result_file), read_result(other)])
    good, bad = table["I→IV"]["Student One"], table["I→IV"]["Student Two"]
    assert good[1] == bad[1] > 0 and good[0] < bad[0]
