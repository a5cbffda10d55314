"""The history: what the index holds is what the takes say, however often it is made again and whoever else writes."""

from __future__ import annotations

import contextlib
import datetime
import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import scipy.stats

from tests.engine.on_a_terminal import children_of, runs, wait_until
from trainer import workers
from trainer.clock import TempoMap
from trainer.line import Feel, StandIn, planned_song
from trainer.practice import cards
from trainer.practice import history as history_room
from trainer.practice.cards import CARD_SUFFIX, card_of, pack, unpack
from trainer.practice.drills import answers_of, drill_named
from trainer.practice.history import History, Refreshed, Trend, day_of
from trainer.scoring import Scorecard, score
from trainer.session import expand, session_from_dict
from trainer.take import Take, TakeHeader, read_take, write_take


def played(day: int, *, key: str = "G", swing: float = 1.8, seed: int = 1, extra: dict | None = None) -> Take:
    session = session_from_dict({"key": key, "chorus": [{"role": "verse"}, {"role": "solo"}]})
    chart = expand(session)
    tempo = TempoMap(chart.tempo_segments)
    notes = StandIn(Feel(swing_ratio=swing), seed=seed).play(planned_song(chart, seed), tempo).notes
    created = f"2026-03-{day:02d}T19:30:00+00:00"
    return Take(notes=notes, tempo=tempo, session=session, header=TakeHeader(created=created, extra=extra or {}))


def drilled(day: int, missed_frac: float) -> Take:
    exercise = drill_named("roots").build("A", 88.0, seed=4)
    tempo = TempoMap(exercise.chart.tempo_segments)
    notes = StandIn(Feel(missed_frac=missed_frac), seed=day).play(exercise.model, tempo).notes
    extra = {"drill": {"name": "roots", "key": "A", "tempo_bpm": 88.0, "seed": 4, "passed": "whatever it claims"}}
    header = TakeHeader(created=f"2026-03-{day:02d}T19:30:00+00:00", extra=extra)
    return Take(notes=notes, tempo=tempo, session=exercise.session, header=header)


@pytest.fixture(scope="module")
def a_month(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("month")
    for day in range(1, 13):
        write_take(played(day, key="GAE"[day % 3], swing=1.5 + 0.04 * day, seed=day), folder, f"take-{day:02d}")
    for day, missed_frac in ((13, 0.0), (14, 0.8)):
        write_take(drilled(day, missed_frac), folder, f"drill-{day}")
    return folder


@pytest.fixture
def folder(a_month: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(a_month, tmp_path / "takes"))


def everything(history: History) -> list[tuple]:
    rows = [tuple(r) for r in history._db.execute("SELECT * FROM takes ORDER BY path")]
    rows += [tuple(r) for r in history._db.execute("SELECT * FROM changes ORDER BY path, pair")]
    rows += [tuple(r) for r in history._db.execute("SELECT * FROM devices ORDER BY path, name")]
    rows += [tuple(r) for r in history._db.execute("SELECT * FROM due ORDER BY drill, key, tempo")]
    return rows + [tuple(r) for r in history._db.execute("SELECT * FROM trends ORDER BY figure")]


def test_the_rows_are_the_cards(folder: Path) -> None:
    with History(folder) as history:
        done = history.refresh()
        assert (done.added, done.gone, done.unread) == (14, 0, 0)
        for row in history.takes():
            take = read_take(row.path)
            if row.kind == "drill":  # only what was to be answered counts
                exercise = drill_named("roots").build("A", 88.0, seed=4)
                answers = answers_of(take, exercise)
                assert 0.4 * len(take.notes) < len(answers.notes) < 0.6 * len(take.notes)
                card = score(answers).to_dict()
                items = [i for i in card["landing"]["items"] if i["chorus"] in (2, 4) and i["outcome"] != "turnaround"]
                card["landing"]["root_rate"] = sum(i["outcome"].startswith("root") for i in items) / len(items)
            else:
                card = score(take).to_dict()
            assert row.figures.get("swing_ratio") == card["swing"]["ratio"]
            assert row.figures.get("root_rate") == card["landing"]["root_rate"]
            assert row.key == card["take"]["key"] and row.n_notes == card["take"]["notes"]
        cells = history.landing_by_key()
        cards = [score(read_take(row.path)).to_dict() for row in history.takes() if row.kind == "song"]
        pairs = [card["landing"]["by_pair"]["I→IV"] for card in cards if card["take"]["key"] == "G"]
        assert cells[("G", "I→IV")] == (sum(p["roots"] for p in pairs), sum(p["changes"] for p in pairs))


def test_drill_runs_come_from_the_take_files_alone(folder: Path) -> None:
    with History(folder) as history:
        history.refresh()
        runs = history.drill_runs()
        assert [(r.drill, r.key, r.tempo_bpm, r.passed, r.created.day) for r in runs] == [
            ("roots", "A", 88.0, True, 13),
            ("roots", "A", 88.0, False, 14),
        ]
        assert history.drill_runs("another") == []


def test_a_run_that_was_stopped_is_no_run(folder: Path) -> None:
    take = drilled(15, 0.0)
    write_take(replace(take, header=replace(take.header, completed=False)), folder, "drill-15")
    with History(folder) as history:
        history.refresh()
        assert [run.created.day for run in history.drill_runs()] == [13, 14]
        row = next(row for row in history.takes() if row.path.name == "drill-15.mid")
        assert row.kind == "drill" and row.passed is None and row.figures["swing_ratio"] is not None


def test_two_notes_and_stopped_are_no_evening(folder: Path) -> None:
    """The take is there, but it sets no tempo, enters no figure and counts no change; a run that was ended does."""
    whole = drilled(15, 0.0)
    for n_notes, completed in ((2, False), (15, False), (2, True)):
        header = replace(whole.header, completed=completed)
        write_take(replace(whole, notes=whole.notes[-n_notes:], header=header), folder, f"few-{n_notes}-{completed}")
    with History(folder) as history:
        history.refresh()
        few = {row.path.stem: row for row in history.takes() if row.path.stem.startswith("few")}
        assert [few[f"few-{n}-False"].tempo_bpm for n in (2, 15)] == [None, None]
        assert few["few-2-True"].tempo_bpm == 88.0
        stopped = [few["few-2-False"], few["few-15-False"]]
        assert all(not row.figures and row.passed is None for row in stopped)
        assert all(not pairs for _, pairs in history.changes_of(stopped))


def test_a_few_notes_are_no_figure_to_follow(folder: Path) -> None:
    """What its own card gives without an interval does not enter the weeks."""
    take = drilled(15, 0.0)
    write_take(replace(take, notes=take.notes[-9:]), folder, "drill-15")
    with History(folder) as history:
        history.refresh()
        row = next(row for row in history.takes() if row.path.name == "drill-15.mid")
        card = card_of(row.path).card
        assert card.swing.ratio.n == 3 and not card.swing.ratio.known and card.timing.mean_s.interval is None
        assert "swing_ratio" not in row.figures and "mean_ms" not in row.figures


def test_refresh_follows_the_folder(folder: Path) -> None:
    with History(folder) as history:
        history.refresh()
        assert history.refresh().added == 0
        for suffix in (".mid", ".json", CARD_SUFFIX):
            (folder / "take-03").with_suffix(suffix).unlink()
        write_take(played(20), folder, "take-20")
        (folder / "broken.mid").write_bytes(b"MThd nothing")
        done = history.refresh()
        assert (done.added, done.gone, done.unread) == (2, 1, 1)
        broken = [row for row in history.takes() if row.error is not None]
        assert [row.path.name for row in broken] == ["broken.mid"] and "MThd" not in (broken[0].title or "")


@pytest.mark.skipif(sys.platform != "linux", reason="names of any bytes, and links that anybody may make")
def test_what_is_no_take_empties_no_history(folder: Path) -> None:
    """A link to nothing, and a name that is no text: neither is a take, and all that were there stay."""
    with History(folder) as history:
        history.refresh()
        before = everything(history)
        (folder / "gone.mid").symlink_to(folder / "nowhere" / "gone.mid")
        shutil.copy(folder / "take-01.mid", os.fsencode(folder) + b"/caf\xe9.mid")
        assert history.refresh() == Refreshed(0, 0, 0)
        assert everything(history) == before


@pytest.mark.parametrize(
    ("created", "day"),
    [
        ("2026-03-05T23:30:00+09:00", "2026-03-05"),
        ("2026-03-05T12:00:00", "2026-03-05"),
        *((odd, "1970-01-01") for odd in ("", "soon", "2026-13-40", "0001-01-01T00:00:00", "0001-01-01T00:00+14:00")),
        ("9999-12-31T23:59:59-14:00", "1970-01-01"),
    ],
)
def test_any_time_stamp_has_a_day(created: str, day: str) -> None:
    """A header may hold anything; no system's clock reaches the year 1."""
    assert day_of(created).isoformat() == day


def test_made_again_it_is_equal_with_cards_kept_or_lost(folder: Path) -> None:
    with History(folder) as history:
        history.refresh()
        before = everything(history)
        history.rebuild()
        assert everything(history) == before
    for card in folder.glob(f"*{CARD_SUFFIX}"):
        card.unlink()
    for part in folder.glob(".history*"):
        part.unlink()
    with History(folder) as history:
        history.refresh()
        assert everything(history) == before


def test_a_kept_card_of_another_take_is_not_believed(folder: Path) -> None:
    first = card_of(folder / "take-01.mid").card.to_dict()
    kept = folder / f"take-01{CARD_SUFFIX}"
    record = unpack(kept.read_bytes())
    record["files_sha256"] = "0" * 64
    record["kept"]["card"]["swing"]["ratio"] = 9.0
    kept.write_bytes(pack(record))
    assert card_of(folder / "take-01.mid").card.to_dict() == first
    kept.write_text("{}")
    assert card_of(folder / "take-01.mid").card.to_dict() == first


def test_a_new_version_keeps_the_cards_and_a_new_scorer_does_not(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    scored: list[str] = []

    def counting(take: Take) -> Scorecard:
        scored.append(take.source)
        return score(take)

    monkeypatch.setattr(cards, "score", counting)
    with History(folder) as history:
        history.refresh()
        assert len(scored) == 14 and history.refresh().added == 0
        monkeypatch.setattr("trainer._version.__version__", "99.0")
        history.rebuild()
        assert len(scored) == 14
        monkeypatch.setattr(cards, "REVISION", cards.REVISION + 1)
        history.rebuild()
        assert len(scored) == 28


def test_an_index_of_a_program_that_reads_takes_otherwise_is_made_again(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whether it is the tables that differ, or what is read into them: nobody has to think of a number."""
    with History(folder) as history:
        history.refresh()
        before = everything(history)
    monkeypatch.setattr("trainer.practice.history.__version__", "99.0")
    with History(folder) as history:
        assert history.refresh().added == 0  # another version that reads alike
    monkeypatch.setattr("trainer.practice.history.__version__", "100.0")
    monkeypatch.setattr(cards, "READING", cards.READING + 1)
    with History(folder) as history:
        assert history.refresh().added == 14 and history.refresh().added == 0
        assert everything(history) == before
        takes = history.takes()
    tables = {**history_room._TABLES, "takes": history_room._TABLES["takes"] + ", flair REAL"}
    monkeypatch.setattr(history_room, "_TABLES", tables)
    monkeypatch.setattr(history_room, "VERSION", history_room.VERSION ^ 1)
    with History(folder) as history:
        assert history.refresh().added == 14 and history.takes() == takes


def test_trends_and_what_is_due_are_noted_and_never_stale(folder: Path) -> None:
    with History(folder) as history:
        history.refresh()
        assert history.trends() == history.trends(since=datetime.date(2000, 1, 1))
        before = everything(history)
        # As after a kill between the last batch and the noting.
        history._db.execute("DELETE FROM trends")
        history._db.execute("DELETE FROM due")
        assert history.refresh().added == 0 and everything(history) == before
        write_take(played(25, swing=3.0), folder, "take-25")
        history.refresh()
        swing = next(trend for trend in history.trends() if trend.figure.name == "swing_ratio")
        assert swing.n == 13 and swing.newest == pytest.approx(3.0, abs=0.2)
        assert history.span().n_takes == 15 and history.span(datetime.date(2026, 3, 14)).n_takes == 2
        assert history.clean_runs() == {"roots": [True, False]}


def test_what_is_noted_is_of_all_takes_that_are_there(folder: Path) -> None:
    """Another program that takes in a take while this one is working its notes out has to wait."""
    kept_out: list[str] = []

    class Slow(History):
        def _trends_since(self, day: str) -> list[Trend]:
            with contextlib.closing(sqlite3.connect(self.index_path, timeout=0.0)) as other:
                with pytest.raises(sqlite3.OperationalError) as caught:
                    other.execute("UPDATE figures SET value = 3.0 WHERE name = 'swing_ratio'")
                kept_out.append(str(caught.value))
            return super()._trends_since(day)

    with Slow(folder) as history:
        history.refresh()
    assert kept_out == ["database is locked"]


def test_asking_loads_neither_arrays_nor_the_scorer(folder: Path) -> None:
    """What makes it quick with thousands of takes: nothing new in the folder, nothing to load."""
    with History(folder) as history:
        history.refresh()
    program = (
        "import sys\nfrom trainer.cli.run import run\n"
        "assert run(['history', '--takes', sys.argv[1]]) == 0 == run(['history', '--json', '--takes', sys.argv[1]])\n"
        "assert not {'numpy', 'fsrs', 'rich', 'trainer.scoring', 'trainer.line'} & set(sys.modules), sys.modules\n"
    )
    done = subprocess.run([sys.executable, "-c", program, str(folder)], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert "14 takes on 14 days" in done.stdout


def test_a_damaged_index_is_made_again(folder: Path) -> None:
    with History(folder) as history:
        history.refresh()
        before = everything(history)
    index = folder / ".history.sqlite"
    for part in folder.glob(".history*"):
        part.unlink()
    index.write_bytes(b"this is no database at all" * 100)
    with History(folder) as history:
        history.refresh()
        assert everything(history) == before


FORGED = (
    "DROP TABLE figures",
    "DROP TABLE takes; CREATE VIEW takes AS WITH RECURSIVE n(path) AS (SELECT 1 UNION ALL SELECT path+1 FROM n) "
    "SELECT path, path AS stamp FROM n",
    'CREATE VIEW "a "" b" AS SELECT 1',
    "CREATE TRIGGER more AFTER INSERT ON takes BEGIN DELETE FROM takes; END",
    "UPDATE takes SET day = x'ff'",
    "UPDATE takes SET day = '2026-02-30'",
    "UPDATE trends SET newest = 'much'",
    "UPDATE figures SET value = 'much'",
    "DROP TABLE made; CREATE TABLE made (other TEXT)",
    "CREATE TABLE more (a INTEGER PRIMARY KEY AUTOINCREMENT)",
    "CREATE VIRTUAL TABLE more USING fts5(a)",
)


@pytest.mark.parametrize("forged", FORGED)
def test_an_index_that_holds_what_none_of_ours_does_is_made_again(folder: Path, forged: str) -> None:
    """A database all the same, of the right version: whoever the folder is shared with could have laid it there."""
    with History(folder) as history:
        history.refresh()
        before = everything(history)
    with contextlib.closing(sqlite3.connect(folder / ".history.sqlite")) as db:
        db.executescript(forged)
    with History(folder) as history:
        history.refresh()
        assert everything(history) == before
    with History(folder) as history:  # and it is believed as it stands then
        assert history.refresh() == Refreshed(0, 0, 0)


def test_killed_while_writing_it_is_made_again_equal(folder: Path, tmp_path: Path) -> None:
    with History(folder, tmp_path / "whole.sqlite") as history:
        history.refresh()
        before = everything(history)
    index = tmp_path / "killed.sqlite"
    program = (
        "import sys\nfrom trainer.practice.history import History\n"
        "with History(sys.argv[1], sys.argv[2]) as h:\n    print('open', flush=True)\n    while True: h.rebuild()\n"
    )
    for delay_s in (0.0, 0.02, 0.05, 0.11):
        writer = subprocess.Popen(
            [sys.executable, "-c", program, str(folder), str(index)], stdout=subprocess.PIPE, text=True
        )
        assert writer.stdout is not None and writer.stdout.readline() == "open\n"
        time.sleep(delay_s)
        writer.send_signal(signal.SIGKILL)
        writer.wait()
        writer.stdout.close()
        with History(folder, index) as history:
            history.refresh()
            assert everything(history) == before


def test_killed_it_leaves_no_readers_behind(folder: Path, tmp_path: Path) -> None:
    program = (
        "import sys, time\nfrom trainer.practice import cards, history\ncards.MANY = history.BATCH = 1\n"
        "def stop(done, n):\n    print('reading', flush=True)\n    time.sleep(60)\n"
        "if __name__ == '__main__':\n    history.History(sys.argv[1], sys.argv[2]).refresh(stop)\n"
    )
    script = tmp_path / "reads.py"
    script.write_text(program)
    arguments = [sys.executable, str(script), str(folder), str(tmp_path / "killed.sqlite")]
    with subprocess.Popen(arguments, stdout=subprocess.PIPE, text=True) as reader:
        assert reader.stdout is not None and reader.stdout.readline() == "reading\n"
        readers = children_of(reader.pid)
        reader.send_signal(signal.SIGKILL)
    wait_until(lambda: not any(runs(pid) for pid in readers), "the readers to leave")


def test_a_take_over_which_its_reader_ended_is_read_again_next_time_by_one_apart(
    folder: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """The reader's end may be no fault of the take's (a full memory, a kill); if it is, only a reader ends over it."""
    helper = tmp_path / "dying.py"
    helper.write_text(
        "import os, runpy, sys\n"
        "from trainer.practice import cards\n"
        "kept = cards.card_of\n"
        "cards.card_of = lambda path: os._exit(7) if path.name == 'take-03.mid' else kept(path)\n"
        "sys.argv[:] = ['trainer.workers']\n"
        "runpy.run_module('trainer.workers', run_name='__main__')\n"
    )
    original = subprocess.Popen
    with History(folder) as history:
        with monkeypatch.context() as meanwhile:
            meanwhile.setattr(cards, "MANY", 1)
            meanwhile.setattr(
                workers.subprocess, "Popen", lambda _, **kw: original([sys.executable, str(helper)], **kw)
            )
            assert history.refresh() == Refreshed(14, 0, 1)
            meanwhile.undo()
            meanwhile.setattr(
                workers.subprocess, "Popen", lambda _, **kw: original([sys.executable, str(helper)], **kw)
            )
            assert history.refresh() == Refreshed(1, 0, 1)  # one alone, and this program is still here
        (unread,) = [row for row in history.takes() if row.error is not None]
        assert unread.path.name == "take-03.mid" and "tried again" in (unread.error or "")
        assert history.refresh() == Refreshed(1, 0, 0)
        assert history.refresh() == Refreshed(0, 0, 0)
        assert len(history.takes()) == 14 and not any(row.error for row in history.takes())


def test_two_programs_at_once_lose_nothing(folder: Path, tmp_path: Path) -> None:
    index = tmp_path / "both.sqlite"
    program = (
        "import sys\nfrom trainer.practice.history import History\n"
        "with History(sys.argv[1], sys.argv[2]) as h:\n    for _ in range(5): h.refresh()\n"
    )
    both = [subprocess.Popen([sys.executable, "-c", program, str(folder), str(index)]) for _ in range(2)]
    assert [writer.wait() for writer in both] == [0, 0]
    with History(folder, index) as history:
        assert history.refresh().added == 0 and len(history.takes()) == 14


def test_an_index_that_another_program_is_just_making_is_waited_for(folder: Path, tmp_path: Path) -> None:
    index = tmp_path / "new.sqlite"
    with contextlib.closing(sqlite3.connect(index, isolation_level=None, check_same_thread=False)) as other:
        other.execute("BEGIN IMMEDIATE")
        letting_go = threading.Timer(0.3, other.rollback)
        letting_go.start()
        try:
            with History(folder, index) as history:
                assert history.refresh().added == 14
        finally:
            letting_go.join()


def test_trends_agree_with_scipy_and_say_when_it_is_noise(folder: Path) -> None:
    with History(folder) as history:
        history.refresh()
        trends = {trend.figure.name: trend for trend in history.trends()}
        rows = history.takes(kind="song")
        swing = trends["swing_ratio"]
        weeks = np.array([(row.day - rows[0].day).days / 7.0 for row in rows])
        values = np.array([row.figures["swing_ratio"] for row in rows])
        # Outside judge: scipy.stats.theilslopes.
        assert swing.per_week == pytest.approx(scipy.stats.theilslopes(values, weeks).slope, rel=1e-9)
        assert swing.words == "moving up"
        spread = trends["spread_ms"]
        assert spread.ci95 is not None and spread.ci95[0] <= 0 <= spread.ci95[1]
        assert "no change that stands out" in spread.words
        recent = history.trends(since=datetime.date(2026, 3, 8))
        assert all(trend.per_week is None and "a trend wants 8" in trend.words for trend in recent if trend.n)


def test_no_folder_is_an_empty_history(tmp_path: Path) -> None:
    with History(tmp_path / "none", tmp_path / "index.sqlite") as history:
        assert history.refresh().added == 0 and history.takes() == []
        assert all(trend.newest is None for trend in history.trends())


def test_a_take_edited_elsewhere_is_scored_anew(folder: Path) -> None:
    with History(folder) as history:
        history.refresh()
        path = folder / "take-01.mid"
        take = read_take(path)
        path.unlink()
        path.with_suffix(".json").unlink()
        write_take(replace(take, notes=take.notes[::2]), folder, "take-01")
        assert history.refresh().added == 1
        row = next(row for row in history.takes() if row.path == path)
        assert row.n_notes == len(take.notes[::2])
