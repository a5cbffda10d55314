"""Many files at once: name order, one bad file never stops the rest, the same rows whatever the number of workers."""

from __future__ import annotations

import csv
import io
import json
import sys
from pathlib import Path
from typing import Any

import pytest

from tests.take.test_store import SESSION, made_take
from trainer import batch
from trainer import workers as pool
from trainer.batch import CSV_COLUMNS, csv_row, midi_files, score_file, score_files, write_csv, write_json_lines
from trainer.errors import UsageError
from trainer.session import Session
from trainer.take import write_take


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Five takes of ours, one of them in a folder below; a foreign file with its session; two broken ones; no MIDI."""
    place = tmp_path_factory.mktemp("takes")
    for i, stem in enumerate(("b", "a", "c", "inner/d")):
        write_take(made_take(seed=i), (place / stem).parent, Path(stem).name)
    (place / "foreign.MID").write_bytes((place / "a.mid").read_bytes())
    (place / "foreign.toml").write_text('key = "Bb"\ntempo_bpm = 112.7\nstart = "from_the_turnaround"\n')
    (place / "broken.mid").write_bytes(b"no MIDI file")
    write_take(made_take(), place, "tampered")
    (place / "tampered.json").write_text("{")
    (place / "readme.txt").write_text("no take")
    (place / ".hidden.mid").write_bytes(b"")
    return place


def names(rows: list[dict[str, Any]], place: Path) -> list[str]:
    return [Path(row["file"]).relative_to(place).as_posix() for row in rows]


IN_ORDER = ["a.mid", "b.mid", "broken.mid", "c.mid", "foreign.MID", "inner/d.mid", "tampered.mid"]


@pytest.fixture(scope="module")
def alone(folder: Path) -> list[dict[str, Any]]:
    return list(score_files([folder], workers=1))


def test_name_order_and_errors_in_their_place(folder: Path, alone: list[dict[str, Any]]) -> None:
    assert names(alone, folder) == IN_ORDER
    wrong = {Path(row["file"]).name: row for row in alone if "error" in row}
    assert sorted(wrong) == ["broken.mid", "tampered.mid"]
    assert all(set(row) == {"file", "error"} and "\n" not in row["error"] for row in wrong.values())
    assert "expected a Standard MIDI File" in wrong["broken.mid"]["error"]
    foreign = alone[IN_ORDER.index("foreign.MID")]
    assert foreign["take"]["key"] == "Bb" and foreign["take"]["profile"] == "foreign"


@pytest.mark.parametrize("workers", [2, 3])
def test_the_same_rows_whatever_the_number_of_workers(folder: Path, alone: list[dict[str, Any]], workers: int) -> None:
    told: list[tuple[int, int]] = []
    rows = list(score_files([folder], workers=workers, progress=lambda done, n: told.append((done, n))))
    assert rows == alone
    assert [done for done, _ in told] == list(range(1, len(rows) + 1)) and {n for _, n in told} == {len(rows)}


def test_options_reach_the_workers(folder: Path) -> None:
    options: dict[str, Any] = {"session": Session(tempo_bpm=100.0), "track": "band", "full": True}
    one, two = (list(score_files([folder / "a.mid", folder / "b.mid"], workers=n, **options)) for n in (1, 2))
    assert one == two
    assert "beats" in one[0]["timing"] and one[0]["take"]["key"] == "G"


def test_a_session_file_for_all(folder: Path) -> None:
    rows = list(score_files([folder / "a.mid"], session=folder / "foreign.toml"))
    assert rows[0]["take"]["key"] == "Bb" and rows[0]["take"]["choruses"] == 4
    with pytest.raises(UsageError, match="no session file"):
        list(score_files([folder], session=folder / "gone.toml"))


@pytest.mark.parametrize("last", ["", "os.write(1, b'Inone\\n.')"], ids=["silent", "no_answer"])
def test_a_worker_that_dies_costs_one_file(
    folder: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path, last: str
) -> None:
    """A worker ended from outside over one file, perhaps after what is no answer: that file has its line, the others
    their cards."""
    helper = tmp_path / "dying.py"
    helper.write_text(
        "import os, runpy, sys\n"
        "from trainer import batch\n"
        "kept = batch.score_file\n"
        "def score_file(path, **options):\n"
        "    if 'c.mid' in str(path):\n"
        f"        {last or 'pass'}\n"
        "        os._exit(7)\n"
        "    return kept(path, **options)\n"
        "batch.score_file = score_file\n"
        "sys.argv[:] = ['trainer.workers']\n"
        "runpy.run_module('trainer.workers', run_name='__main__')\n"
    )
    original = pool.subprocess.Popen

    def start(command: list[str], **options: Any) -> Any:
        assert command == [sys.executable, "-m", "trainer.workers"]
        return original([sys.executable, str(helper)], **options)

    monkeypatch.setattr(pool.subprocess, "Popen", start)
    files = [folder / name for name in ("a.mid", "b.mid", "c.mid", "inner/d.mid")]
    rows = list(score_files(files, workers=2))
    assert names(rows, folder) == ["a.mid", "b.mid", "c.mid", "inner/d.mid"]
    assert [row.get("error") for row in rows] == [None, None, batch.WORKER_DIED, None]


def test_stopping_half_way_leaves_no_worker(folder: Path) -> None:
    rows = score_files([folder], workers=2)
    first = next(rows)
    rows.close()
    assert names([first], folder) == ["a.mid"]


def test_a_fault_of_ours_is_a_row(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_: Any, **__: Any) -> None:
        raise ZeroDivisionError("somewhere")

    monkeypatch.setattr(batch, "score", broken)
    assert score_file(folder / "a.mid") == {
        "file": (folder / "a.mid").as_posix(),
        "error": "a fault of the program: ZeroDivisionError: somewhere",
    }


def test_midi_files(folder: Path, tmp_path: Path) -> None:
    found = midi_files([folder, folder / "a.mid", folder / "inner", tmp_path / "gone.mid"])
    assert len(found) == len(IN_ORDER) + 1 and found == sorted(found, key=lambda path: path.as_posix())
    assert midi_files([]) == [] and list(score_files([])) == []
    (row,) = score_files([tmp_path / "gone.mid"])
    assert "no file" in row["error"]


def test_json_lines(alone: list[dict[str, Any]]) -> None:
    out = io.StringIO()
    assert write_json_lines(alone, out) == 2
    assert [json.loads(line) for line in out.getvalue().splitlines()] == alone


def test_csv(alone: list[dict[str, Any]], folder: Path) -> None:
    """The csv module reads the table back: every figure is the card's."""
    out = io.StringIO(newline="")
    assert write_csv(alone, out) == 2
    table = list(csv.DictReader(io.StringIO(out.getvalue(), newline="")))
    assert list(table[0]) == list(CSV_COLUMNS) and len(table) == len(alone)
    for row, card in zip(table, alone, strict=True):
        assert row["file"] == card["file"]
        if "error" in card:
            assert row["error"] == card["error"] and row["mean_ms"] == ""
            continue
        assert float(row["mean_ms"]) == card["timing"]["mean_ms"]
        assert [float(row["swing_low"]), float(row["swing_high"])] == card["swing"]["ratio_ci95"]
        assert int(row["changes"]) == card["landing"]["changes"]
        lost = card["form"]["lost"]  # None where the notes fit every bar alike
        assert row["times_lost"] == ("" if lost is None else str(len(lost)))
    assert csv_row({"file": "x", "timing": {"mean_ci95_ms": None}})["mean_low_ms"] is None
    assert SESSION.title not in out.getvalue()


def test_a_folder_that_cannot_be_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def walk(top: Path, onerror: Any) -> Any:
        onerror(PermissionError(13, "Permission denied", str(top / "shut")))
        return iter(())

    monkeypatch.setattr(batch.os, "walk", walk)
    with pytest.raises(UsageError, match=r"cannot read the folder .*shut: Permission denied"):
        midi_files([tmp_path])


@pytest.mark.parametrize("name", ["=1+2.mid", "+49.mid", "-5.mid", "@home.mid"])
def test_a_file_name_is_no_formula_in_a_spreadsheet(name: str) -> None:
    out = io.StringIO()
    write_csv([{"file": name, "timing": {"mean_ms": -4.5}}], out)
    (row,) = csv.DictReader(io.StringIO(out.getvalue(), newline=""))
    assert row["file"] == "'" + name
    assert "-4.5" in row.values()  # a figure stays one


def test_a_tables_line_ends_are_its_own_on_every_system() -> None:
    """Windows turns each newline of its output into two signs: of a table's own ends that would make an empty line."""
    into = io.BytesIO()
    out = io.TextIOWrapper(into, encoding="utf-8", newline="\r\n")
    assert write_csv([{"file": "a.mid", "error": "none"}], out) == 1
    out.flush()
    assert into.getvalue().count(b"\r\n") == 2 and b"\r\r" not in into.getvalue()
