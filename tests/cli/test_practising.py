"""Drills, an evening, a night, worksheets and study as commands: what is said, what is kept, how each ends."""

from __future__ import annotations

import csv
import io
import json
import re
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.cli.conftest import Outcome
from trainer.cli.teaching import _result_name
from trainer.live import PlayOptions, PlayResult
from trainer.practice import DRILLS
from trainer.practice.drills import drill_named
from trainer.practice.history import History
from trainer.session import Session
from trainer.take import read_take

Command = Callable[..., Outcome]


def one_line(done: Outcome, *words: str) -> None:
    """A person's mistake: status 2, one line that says what."""
    assert done.status == 2, done
    lines = done.err.strip().splitlines()
    assert len(lines) == 1 and lines[0].startswith("trainer: "), done.err
    assert "Traceback" not in done.err and all(word in lines[0] for word in words), lines[0]


@pytest.mark.parametrize("options", [("--strings", "5"), ("--strings", "6"), ("--tuning", "DADG")])
def test_the_tab_is_for_the_bass_that_was_asked_for(
    command: Command, options: tuple[str, str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Drills, studied phrases, evenings and worksheets alike: what the screen would show, read back to its pitches."""
    shown: list[dict[int, tuple[str, ...]]] = []

    def played(session: Session, run: PlayOptions) -> PlayResult:
        shown.append(dict(run.tab))
        return PlayResult("completed")

    monkeypatch.setattr("trainer.live.play", played)
    strung = (*options, "--no-audio", "--takes", tmp_path / "takes")
    source = tmp_path / "line.mid"
    assert command("line", "stage-opener", "--device", "boogie_figure", "--midi", source).status == 0
    sheet = tmp_path / "week.toml"
    sheet.write_text('title = "Week"\n[[task]]\ntitle = "one"\ndrill = "walking_line"\nkey = "A"\n')
    for asked in (
        ("drill", "walking_line", "--times", "1"),
        ("study", source, "--session", "stage-opener", "--phrase", "1"),
        ("worksheet", "run", sheet),
    ):
        command(*asked, *strung)
    assert len(shown) == 3
    opened = {"5": "GDAEB", "6": "CGDAEB", "DADG": "GDAD"}[options[1]]
    for tab in shown:
        assert tab
        for head, *strings in tab.values():
            assert "".join(row[0] for row in strings) == opened and head


def test_drills_are_listed(command: Command) -> None:
    done = command("drills")
    assert done.status == 0 and all(f"  {name} " in done.out for name in DRILLS)
    rows = json.loads(command("drills", "--json").out)
    assert [row["name"] for row in rows] == list(DRILLS)
    assert all(row["goal"] and row["title"] and row["family"] for row in rows)


def test_a_drill_climbs_and_comes_back_in_history(command: Command, tmp_path: Path) -> None:
    folder = tmp_path / "takes"
    arguments = ("drill", "change_one_four", "--key", "A", "--bpm", "100", "--bar", "4", "--times", "3", "--seed", "5")
    done = command(*arguments, "--takes", folder, "--stand-in")
    assert done.status == 0, done.err
    assert done.out.count("Odd rounds: listen") == 3
    tempos = [float(x) for x in re.findall(r"Run \d of 3, ([\d.]+) bpm", done.out)]
    words = re.findall(r"^(Good|Not yet):", done.out, re.M)
    assert len(words) == 3 and tempos[:2] == [100.0, 100.0]
    assert tempos[2] == {("Good", "Good"): 104.0, ("Not yet", "Not yet"): 94.0}.get(tuple(words[:2]), 100.0)
    assert f"{words.count('Good')} of 3 runs went well." in done.out
    with History(folder) as book:
        book.refresh()
        runs = book.drill_runs()
    # What history works out from the notes is what was said after each run.
    said = sorted((tempo, word == "Good") for tempo, word in zip(tempos, words, strict=True))
    assert sorted((run.tempo_bpm, run.passed) for run in runs) == said
    assert {(run.drill, run.key) for run in runs} == {("change_one_four", "A")}
    for path in folder.glob("*.mid"):
        kept = read_take(path).header.extra["drill"]
        assert kept["bar"] == 4 and kept["name"] == "change_one_four" and "position" not in kept
    shown = command("history", "--takes", folder)
    assert re.search(rf"change_one_four +{words.count('Good')} of 3 .*A medium$", shown.out, re.M), shown.out
    (item,) = json.loads(command("history", "--takes", folder, "--json").out)["drills"]
    assert (item["drill"], item["key"], item["tempo"], item["n_runs"]) == ("change_one_four", "A", "medium", 3)


@pytest.mark.parametrize(("mode", "tempos"), [("at_tempo", [100.0, 100.0]), ("alternate", [75.0, 100.0])])
def test_tempo_modes(command: Command, mode: str, tempos: list[float]) -> None:
    done = command("drill", "shuffle_one_note", "--bpm", "100", "--mode", mode, "--times", "2", "--stand-in")
    assert done.status == 0
    assert [float(x) for x in re.findall(r"Run \d of 2, ([\d.]+) bpm", done.out)] == tempos


def test_a_stand_ins_takes_are_not_the_persons(command: Command, own_folders: Path) -> None:
    assert command("drill", "roots", "--times", "1", "--stand-in").status == 0
    assert not list((own_folders / "data").rglob("*.mid"))


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("drill", "rots"), ("rots", 'did you mean "roots"')),
        (("drill", "roots", "--mode", "climp"), ("climp", 'did you mean "climb"')),
        (("drill", "roots", "--bpm", "900"), ("900", "40 to 240")),
        (("drill", "roots", "--bpm", "nan"), ("nan", "40 to 240")),
        (("drill", "roots", "--key", "H"), ("H",)),
        (("drill", "roots", "--bar", "3"), ("no bar to choose",)),
        (("drill", "change_one_four", "--bar", "3"), ("bars that are: 1, 4",)),
        (("drill", "root_shuffle", "--octave", "4"), ("octave 4",)),
        (("drill", "root_shuffle", "--octave", "-1"), ("five-string",)),
        (("drill", "root_shuffle", "--position", "40"), ("position 40",)),
        (("drill", "roots", "--form", "eigt_bar"), ("eigt_bar", 'did you mean "eight_bar"')),
        (("drill", "roots", "--groove", "shufle"), ("shufle", 'did you mean "shuffle"')),
        (("drill", "roots", "--times", "0"), ("--times",)),
        (("practice", "--minutes", "2"), ("--minutes",)),
        (("practice", "--key", "H", "--plan"), ("H",)),
        (("practice", "--bpm", "900", "--plan"), ("900", "40 to 240")),
        (("stage", "--level", "ful_house"), ("ful_house", 'did you mean "full_house"')),
        (("worksheet", "check", "none.toml"), ("none.toml",)),
        (("worksheet", "run", "none.toml"), ("none.toml",)),
        (("review", "nowhere"), ("nowhere", "folder")),
        (("study", "none.mid", "--session", "first-round"), ("none.mid",)),
    ],
)
def test_mistakes_are_one_line(
    command: Command,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    arguments: tuple[str, ...],
    words: tuple[str, ...],
) -> None:
    monkeypatch.chdir(tmp_path)
    alone = arguments[0] in ("review", "practice") or arguments[1] == "check"
    done = command(*arguments, *(() if alone else ("--stand-in",)))
    one_line(done, *words)
    assert not done.out  # nothing is announced that cannot be had


def test_an_evening_is_planned_and_played(command: Command, tmp_path: Path) -> None:
    folder = tmp_path / "takes"
    plan = json.loads(command("practice", "--minutes", "20", "--takes", folder, "--json").out)
    assert plan["pieces"][0]["kind"] == "warm_up" and sum(p["minutes"] for p in plan["pieces"]) <= 20.5
    assert plan["visits"] == []
    shown = command("practice", "--minutes", "20", "--takes", folder, "--plan")
    assert shown.status == 0 and "another visit" not in shown.out and "Stopped" not in shown.out
    assert not list(folder.glob("*.mid"))
    done = command("practice", "--minutes", "20", "--takes", folder, "--stand-in")
    assert done.status == 0, done.err
    assert "Now a song, E, 96 bpm" in done.out and "went well this evening" in done.out
    assert done.out.splitlines()[-1].endswith("The weeks: trainer history")
    takes = [read_take(path) for path in folder.glob("*.mid")]
    names = [take.header.extra["drill"]["name"] for take in takes if "drill" in take.header.extra]
    assert sorted(set(names)) == sorted({p["drill"] for p in plan["pieces"] if p["drill"]})
    # The order said is the order played.
    written = sorted((take for take in takes if "drill" in take.header.extra), key=lambda take: take.header.created)
    order = re.findall(r"^\d+ of \d+\. (.+), E, \d+ bpm", done.out, re.M)
    assert len(order) == len(written) and len(plan["pieces"]) <= 7
    titles = [drill_named(p["drill"]).title for p in plan["pieces"] if p["drill"]]
    assert list(dict.fromkeys(order)) == titles
    # The minutes are kept: what was really played is within them, and most of them are.
    played_s = sum(
        take.tempo.seconds_at(_end_beats(take)) - take.tempo.seconds_at(_start_beats(take)) for take in takes
    )
    assert 0.5 * 20 <= played_s / 60.0 <= 20.0, played_s / 60.0
    # Tomorrow's plan knows of them.
    again = json.loads(command("practice", "--minutes", "20", "--takes", folder, "--json").out)
    assert again["pieces"] != plan["pieces"]


def test_what_is_left_out_or_put_off_lets_the_evening_go_on(
    command: Command, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """n before the second drill, l before the third: the one does not come, the other comes before the song. e before
    what follows the fifth: that one comes once more."""
    from trainer.cli.desk import Desk

    folder = tmp_path / "takes"
    planned = json.loads(command("practice", "--takes", folder, "--json").out)["pieces"]
    titles = [drill_named(p["drill"]).title for p in planned if p["drill"]]
    answers = iter(["start", "skip", "later", "start", "start", "again"])
    monkeypatch.setattr(Desk, "before", lambda self, coming: (next(answers, "start"), coming.tempo_bpm))
    done = command("practice", "--takes", folder, "--stand-in")
    assert done.status == 0 and "Put off: it comes before the song." in done.out, done
    kept = sorted((read_take(path) for path in folder.glob("*.mid")), key=lambda take: take.header.created)
    names = [take.header.extra["drill"]["name"] for take in kept if "drill" in take.header.extra]
    played = list(dict.fromkeys(drill_named(name).title for name in names))
    assert sorted(played) == sorted(title for title in titles if title != titles[1])
    said = [match.start() for match in re.finditer(re.escape(f" {titles[2]}, "), done.out)]
    assert done.out.index(f" {titles[-1]}, ") < said[-1] < done.out.index("Now a song")
    assert sum("practice" in take.header.extra for take in kept) == 1


def test_a_song_of_ones_own_is_practised_in_parts_and_whole(command: Command, tmp_path: Path) -> None:
    song, folder = tmp_path / "mine.toml", tmp_path / "takes"
    song.write_text(
        'title = "Mine"\nkey = "D"\ntempo_bpm = 120\ngroove = "straight"\n[[chorus]]\nrole = "verse"\ntimes = 3\n'
    )
    done = command("practice", song, "--takes", folder, "--stand-in")
    assert done.status == 0, done.err
    assert "Bars 1 to 4 of your song, D, 120 bpm" in done.out and "Now a song, D, 120 bpm: all of it." in done.out
    sessions = [take.session for take in map(read_take, folder.glob("*.mid")) if "practice" in take.header.extra]
    assert sorted(s.loop for s in sessions if s is not None and s.loop) == [(1, 4), (5, 8)]
    assert {s.groove for s in sessions if s is not None} == {"straight"}
    again = json.loads(command("practice", song, "--takes", folder, "--json").out)["pieces"]
    assert [piece["why"] for piece in again if piece["kind"] == "part"]
    one_line(command("practice", tmp_path / "none.toml", "--plan"), "none.toml")


def _end_beats(take: object) -> float:
    from trainer.session import expand

    return expand(take.session).end_beats  # type: ignore[attr-defined]


def _start_beats(take: object) -> float:
    from trainer.session import expand

    return expand(take.session).count_in_beats  # type: ignore[attr-defined]


def test_a_long_evening_has_its_break(command: Command, tmp_path: Path) -> None:
    done = command("practice", "--minutes", "45", "--takes", tmp_path / "takes", "--stand-in")
    assert done.status == 0
    body = done.out.split("Take breaks")[1]
    assert "put the bass down" in body
    minutes = [int(n) for n in re.findall(r"^ +(\d+) min", done.out, re.M)]
    assert "about 45 minutes" in done.out and abs(sum(minutes) - 45) <= len(minutes) / 2


def test_an_evening_in_which_no_note_came_praises_nothing(
    command: Command, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("trainer.live.play", lambda session, options: PlayResult("completed"))
    done = command("practice", "--minutes", "8", "--no-audio", "--takes", tmp_path)
    assert done.status == 0, done.err
    assert "No notes were heard, so there is nothing to say of the song." in done.out
    assert "No notes came this evening" in done.out.splitlines()[-1] and "weak" not in done.out


def test_what_is_due_is_listed(command: Command, tmp_path: Path) -> None:
    from dataclasses import replace

    from trainer.take import write_take

    folder, before = tmp_path / "takes", tmp_path / "before"
    assert command("drill", "push", "--times", "1", "--takes", before, "--stand-in").status == 0
    (path,) = before.glob("*.mid")
    take = read_take(path)
    write_take(replace(take, header=replace(take.header, created="2026-01-05T19:00:00+00:00")), folder)
    done = command("practice", "--plan", "--takes", folder)
    assert re.search(r"Worth another visit.*push, G, medium", done.out, re.S), done.out
    (due,) = json.loads(command("practice", "--json", "--takes", folder).out)["visits"]
    assert due["drill"] == "push" and due["last_day"] == "2026-01-05" and due["visit_from"] > "2026-01-05"
    assert "trainer drill push --key G --bpm 96" in done.out


def test_a_night_is_the_same_night_again(command: Command, tmp_path: Path) -> None:
    folder = tmp_path / "takes"
    done = command("stage", "--seed", "3", "--level", "quiet_night", "--takes", folder, "--stand-in")
    assert done.status == 0 and "Night 3: 2 tunes" in done.out
    assert re.search(r"Form kept from start to end in \d of 2 tunes", done.out)
    rows = json.loads(command("stage", "--seed", "3", "--level", "quiet_night", "--stand-in", "--json").out)
    assert len(rows) == 2 and all(row["cues"] and row["session"]["key"] for row in rows)
    assert all(row["called"] in done.out for row in rows)
    with History(folder) as book:
        book.refresh()
        assert [row.kind for row in book.takes()] == ["stage", "stage"]


def test_a_worksheet_goes_round(command: Command, tmp_path: Path) -> None:
    """Teacher writes and checks, two students play, the teacher reads the class."""
    sheet = tmp_path / "week.toml"
    assert command("worksheet", "new", sheet).status == 0
    one_line(command("worksheet", "new", sheet), "there already")
    checked = command("worksheet", "check", sheet)
    assert checked.status == 0 and "2 tasks" in checked.out
    class_folder = tmp_path / "class"
    class_folder.mkdir()
    for name, file in (("=1+1", "a.result"), ("", "b.result")):
        arguments = ["worksheet", "run", sheet, "--out", class_folder / file, "--stand-in"]
        done = command(*arguments, *(("--name", name) if name else ()))
        assert done.status == 0 and f"wrote {class_folder / file}" in done.out
    nowhere = command("worksheet", "run", sheet, "--out", tmp_path / "no" / "a.result", "--stand-in")
    one_line(nowhere, "no result can be written into")
    assert "Task 1" not in nowhere.out  # said before it is played
    assert _result_name(sheet, "é" * 300) == f"week-{'é' * 40}.result"
    named = command("worksheet", "run", sheet, "--name", "Student One", "--stand-in")
    assert f"wrote {tmp_path / 'week-student-one.result'}\nHand this file in." in named.out
    assert "Task 1 of 2, time 2 of 2: Roots through the form, G, 88 bpm. Odd choruses: listen" in named.out
    seen = command("review", class_folder)
    assert seen.status == 0 and "Roots missed" in seen.out and "=1+1" in seen.out and "\nb, " in seen.out
    remarks = [line for line in seen.out.splitlines() if line.startswith("  ! ")]
    # Of every take that nobody played and of the two students' being the same notes, and of nothing else.
    assert remarks and all(re.search(r"by the stand-in, not by a person$| the very notes of", r) for r in remarks)
    rows = list(csv.DictReader(io.StringIO(command("review", class_folder, "--csv").out)))
    assert len(rows) == 4 and {row["student"] for row in rows} == {"'=1+1", ""}
    drills = [row for row in rows if row["task"] == "Roots through the form"]
    # A row a task: two runs of two answered choruses; listening is not missing.
    assert all((int(row["played"]), int(row["changes"])) == (2, 32) for row in drills)
    assert all(not cell.startswith(("=", "+", "@")) for row in rows for cell in row.values())
    pages = command("review", class_folder, "--pages", tmp_path / "pages")
    assert pages.status == 0 and len(list((tmp_path / "pages").glob("*.html"))) == 6


def test_a_forged_result_is_noticed(command: Command, tmp_path: Path) -> None:
    sheet, folder = tmp_path / "week.toml", tmp_path / "class"
    folder.mkdir()
    sheet.write_text('title = "One"\n[[task]]\ndrill = "roots"\n')
    assert command("worksheet", "run", sheet, "--out", folder / "honest.result", "--stand-in").status == 0
    with zipfile.ZipFile(folder / "honest.result") as honest, zipfile.ZipFile(folder / "f.result", "w") as forged:
        for entry in honest.namelist():
            body = honest.read(entry)
            if entry.endswith("card.json"):
                card = json.loads(body)
                card["landing"]["root_rate"] = 0.123
                body = json.dumps(card).encode()
            forged.writestr(entry, body)
    out = command("review", folder).out
    assert "the scorecard with take 01 says otherwise" in out.split("\nf, ")[-1 if "\nf, " in out else 0]
    # A result with fewer takes than were asked for says what is missing.
    with zipfile.ZipFile(folder / "honest.result") as honest, zipfile.ZipFile(folder / "half.result", "w") as half:
        for entry in honest.namelist():
            body = honest.read(entry)
            half.writestr(entry, body.replace(b'"roots"', b'"roots"\ntimes = 3') if entry.endswith("toml") else body)
    assert re.search(r"not played +Roots through the form: 2 of 3", command("review", folder).out)
    assert "→" in out and not re.search(r"^I  ", out, re.M)  # changes only
    (folder / "z.result").write_bytes((folder / "honest.result").read_bytes())
    twice = command("review", folder)
    assert twice.status == 0  # nothing was refused
    assert "z.result: the same as honest.result; read once" in twice.err and "\nz, " not in twice.out
    (folder / "rubbish.result").write_bytes(b"not a zip")
    done = command("review", folder)
    assert done.status == 2 and done.err.count("rubbish.result") == 1
    assert done.out == twice.out  # the others are still read
    table = command("review", folder, "--csv")
    assert table.status == 2 and "honest.result" in table.out and "rubbish.result" in table.err


def test_a_file_of_another_kind_is_sent_where_it_belongs(command: Command, tmp_path: Path) -> None:
    sheet, result, midi = (tmp_path / name for name in ("sheet.toml", "week.result", "take.mid"))
    assert command("worksheet", "new", sheet).status == 0
    one_line(command("chart", sheet), "a worksheet", "trainer worksheet run")
    with zipfile.ZipFile(result, "w") as archive:
        archive.writestr("worksheet.toml", "")
    one_line(command("report", result), "a worksheet's result", "trainer review")
    midi.write_bytes(b"MThd\x00\x00\x00\x06\xff")
    one_line(command("chart", midi), "a MIDI file", "trainer score")


def test_a_class_of_ten_fits_eighty_columns(command: Command, tmp_path: Path) -> None:
    sheet, folder = tmp_path / "week.toml", tmp_path / "class"
    folder.mkdir()
    sheet.write_text("[[task]]\ndrill = 'change_one_four'\nkey = 'A'\n")
    first = folder / "0.result"
    assert command("worksheet", "run", sheet, "--name", "Nobody", "--out", first, "--stand-in").status == 0
    with zipfile.ZipFile(first) as archive:
        parts = {name: archive.read(name) for name in archive.namelist()}
    for n in range(1, 10):
        with zipfile.ZipFile(folder / f"{n}.result", "w") as archive:
            for name, data in parts.items():
                archive.writestr(name, data.replace(b'"Nobody"', f'"Student {n}"'.encode()))
    table = command("review", folder).out.split("Roots missed, of changes\n")[1].splitlines()
    assert len(table) == 12 and all(len(line) <= 80 for line in table)
    counts = [re.search(r"(\d+) of (\d+)", line) for line in table[1:]]
    missed, asked = ([int(c[k]) for c in counts if c] for k in (1, 2))
    assert table[-1].startswith("all ") and sum(asked[:-1]) == asked[-1] > 0 and sum(missed[:-1]) == missed[-1]


def test_an_empty_class_is_said(command: Command, tmp_path: Path) -> None:
    one_line(command("review", tmp_path), "no result")
    (tmp_path / "take.mid").write_bytes(b"MThd")
    one_line(command("review", tmp_path), "no result", "trainer score")
    (tmp_path / "bad.toml").write_bytes(b"\xff\xfe\x00")
    one_line(command("worksheet", "check", tmp_path / "bad.toml"), "UTF-8")
    (tmp_path / "bad.toml").write_text("[[task]]\ndrill = 'root'\n")
    done = command("worksheet", "check", tmp_path / "bad.toml")
    assert done.status == 2 and 'did you mean "roots"' in done.err
