"""The practice as a person meets it: three lines at the start, study of a transcription, imports, a live drill."""

from __future__ import annotations

import datetime
import json
import os
import re
import sys
import zipfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import mido
import pytest

from tests.cli.conftest import Outcome
from tests.engine.on_a_terminal import on_terminal, wait_until
from tests.lily import lily_score
from trainer.errors import FileFormatError
from trainer.line import model_line
from trainer.practice import DRILLS
from trainer.practice.history import History
from trainer.report import musicxml_in, transcription
from trainer.report.musicxml import musicxml
from trainer.report.written import written_line
from trainer.session import expand, session_from_dict
from trainer.take import read_take, takes_dir, write_take

Command = Callable[..., Outcome]

SESSION = 'key = "G"\ntempo_bpm = 96\nswing_ratio = 2.0\n[[chorus]]\nrole = "verse"\ntimes = 2\n'
# 1 3 5 6 b7 6 5 3 over each chord of a quick-change twelve, written even: the boogie figure of the trade.
FIGURE = {"g": "g,8 b, d e f e d b,", "c": "c8 e g a bf a g e", "d": "d8 fs a b c' b a fs"}
CONTAINER = '<container><rootfiles><rootfile full-path="score.xml"/></rootfiles></container>'
CHANGES = "g c g g c c g g d c g d"


@pytest.fixture
def session(tmp_path: Path) -> Path:
    path = tmp_path / "study.toml"
    path.write_text(SESSION)
    return path


def test_alone_it_says_what_was_done_what_is_due_and_how_to_start(command: Command) -> None:
    assert command("drill", "push", "--times", "1", "--takes", takes_dir(), "--stand-in").status == 0
    lines = command().out.splitlines()
    assert len(lines) == 3 and lines[0].startswith("Last take, today: trainer score ")
    assert lines[1].startswith("What an evening would be") and "trainer practice" in lines[2]
    with History(takes_dir()) as book:
        (item,) = book.remembered()
        assert (item.drill, item.key, item.tempo, item.n_runs) == ("push", "G", "medium", 1)
        assert item.due > item.last_day == datetime.date.today()
        book._db.execute("UPDATE due SET due = '2026-01-02'")
    assert command().out.splitlines()[1] == "Worth another visit: push in G: trainer drill push --key G --bpm 96"
    (takes_dir() / ".history.sqlite").write_bytes(b"rubbish")
    assert command().out.splitlines()[1].startswith("What an evening would be")


def read_phrases(out: str) -> list[tuple[int, int, str]]:
    found = re.findall(r"^ *(\d+)  chorus (\d+), bar +(\d+), beat \d+  (\w[\w ]*?)  +(?:over|into)", out, re.M)
    return [(int(chorus), int(bar), name) for _, chorus, bar, name in found]


@pytest.mark.parametrize("kind", ["mid", "ours.musicxml", "hand.musicxml", "bare.musicxml", "packed.mxl"])
def test_study_lists_moves_loops_drills_and_keeps(command: Command, tmp_path: Path, session: Path, kind: str) -> None:
    """A file by LilyPond, one by our own writer, some written by hand (without the scale steps of its transposition;
    packed): the figure is found where it was written."""
    chart = expand(session_from_dict({"key": "G", "swing_ratio": 2.0, "chorus": [{"role": "verse", "times": 2}]}))
    if kind == "mid":
        music = " ".join(FIGURE[chord] for chord in CHANGES.split() * 2)
        file = lily_score(music, tmp_path, "boogie", bpm=96, swing="\\tripletFeel 8")
    elif kind == "ours.musicxml":
        file = tmp_path / "ours.musicxml"
        file.write_bytes(musicxml(written_line(model_line(chart, device="boogie_figure", seed=2))))
    else:
        file = tmp_path / kind
        text = by_hand() if kind == "hand.musicxml" else by_hand().replace("<diatonic>0</diatonic>", "")
        assert ("<diatonic>" in text) == (kind == "hand.musicxml")
        if kind == "packed.mxl":
            with zipfile.ZipFile(file, "w") as archive:
                archive.writestr("META-INF/container.xml", CONTAINER)
                archive.writestr("score.xml", text)
        else:
            file.write_text(text)
    wanted = "boogie figure"
    done = command("study", file, "--session", session)
    assert done.status == 0, done.err
    listed = read_phrases(done.out)
    bars = {(chorus, bar) for chorus, bar, name in listed if name == wanted}
    assert len(bars) >= 8, done.out
    number = next(i for i, (_, _, name) in enumerate(listed, 1) if name == wanted)
    # Moved: written to MIDI in another key, tempo and octave.
    moved = tmp_path / "moved.mid"
    to = ("--key", "A", "--bpm", "120", "--octave", "1", "--loop", "1-4")
    assert command("study", file, "--session", session, "--phrase", number, *to, "--midi", moved).status == 0
    pitches = [m.note for t in mido.MidiFile(moved).tracks for m in t if m.type == "note_on" and m.velocity]
    assert pitches and min(pitches) >= 33 and 45 % 12 in {p % 12 for p in pitches}
    # Played: judged, kept, and there in history as what was said.
    folder = tmp_path / "takes"
    played = command(
        "study", file, "--session", session, "--phrase", number, "--key", "A", "--takes", folder, "--stand-in"
    )
    assert played.status == 0 and "places answered" in played.out, played
    with History(folder) as book:
        book.refresh()
        (run,) = book.drill_runs()
    assert run.drill == f"study {file.name} {number}" and run.key == "A"
    assert run.passed == played.out.splitlines()[-1].startswith("Good")
    again = command("history", "--takes", folder)
    assert f"study {file.name}" in again.out
    if kind == "mid":
        comes_back_in_an_evening(command, folder, run.drill)


def comes_back_in_an_evening(command: Command, folder: Path, name: str) -> None:
    """A phrase is remembered like a drill: when it is due it has its place in the evening and is judged as before."""
    (path,) = folder.glob("*.mid")
    take = read_take(path)
    for file in folder.glob("*"):
        file.unlink()
    write_take(replace(take, header=replace(take.header, created="2026-01-05T19:00:00+00:00")), folder)
    plan = json.loads(command("practice", "--takes", folder, "--json").out)
    (piece,) = [piece for piece in plan["pieces"] if piece["kind"] == "phrase"]
    assert piece["drill"] == name and piece["key"] == "A" and sum(p["minutes"] for p in plan["pieces"]) <= 20.5
    done = command("practice", "--takes", folder, "--stand-in")
    assert done.status == 0 and "A phrase you studied" in done.out and "places answered" in done.out, done
    with History(folder) as book:
        book.refresh()
        assert [run.drill for run in book.drill_runs(name)] == [name, name]


def by_hand() -> str:
    """A boogie bar on the tonic, twelve times over twice, as someone would write MusicXML in an editor."""
    steps = {"g": "G2 B2 D3 E3 F3 E3 D3 B2", "c": "C3 E3 G3 A3 Bb3 A3 G3 E3", "d": "D3 F#3 A3 B3 C4 B3 A3 F#3"}
    bars = []
    for n, chord in enumerate(CHANGES.split() * 2, 1):
        notes = ""
        for name in steps[chord].split():
            alter = {"b": "<alter>-1</alter>", "#": "<alter>1</alter>"}.get(name[1], "")
            octave = int(name[-1]) + 1  # bass parts are written an octave up
            notes += (
                f"<note><pitch><step>{name[0]}</step>{alter}<octave>{octave}</octave></pitch>"
                "<duration>1</duration><type>eighth</type></note>"
            )
        head = (
            "<attributes><divisions>2</divisions><key><fifths>1</fifths></key><time><beats>4</beats>"
            "<beat-type>4</beat-type></time><clef><sign>F</sign><line>4</line></clef><transpose><diatonic>0</diatonic>"
            "<chromatic>0</chromatic>"
            "<octave-change>-1</octave-change></transpose></attributes>"
            if n == 1
            else ""
        )
        bars.append(f'<measure number="{n}">{head}{notes}</measure>')
    return (
        '<?xml version="1.0" encoding="UTF-8"?><score-partwise version="4.0"><part-list><score-part id="P1">'
        f'<part-name>Bass</part-name></score-part></part-list><part id="P1">{"".join(bars)}</part></score-partwise>'
    )


def test_a_packed_file_that_swells_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whichever part of it is too large: the container as well as the score."""
    monkeypatch.setattr(musicxml_in, "MAX_UNPACKED_BYTES", len(CONTAINER) + 10)
    for container in (CONTAINER, CONTAINER + " " * 20):
        with zipfile.ZipFile(tmp_path / "large.mxl", "w") as archive:
            archive.writestr("META-INF/container.xml", container)
            archive.writestr("score.xml", by_hand())
        with pytest.raises(FileFormatError, match="MB unpacked; expected one song"):
            transcription.read_transcription(tmp_path / "large.mxl", session_from_dict({"chorus": [{"role": "verse"}]}))


def test_study_says_what_it_needs(command: Command, tmp_path: Path, session: Path) -> None:
    file = tmp_path / "hand.musicxml"
    file.write_text(by_hand())
    done = command("study", file)
    assert done.status == 2 and "--session" in done.err and len(done.err.splitlines()) == 1
    elsewhere = command("study", file, "--session", "first-round")  # in E
    assert "Note: it fits the session's E when read 3 semitones lower" in elsewhere.out
    moved = command("study", file, "--session", "first-round", "--phrase", "1", "--key", "C", "--stand-in")
    assert moved.status == 0 and ", in C." in moved.out
    done = command("study", file, "--session", session, "--phrase", "999", "--stand-in")
    assert done.status == 2 and "no phrase 999" in done.err
    held = tmp_path / "held.musicxml"  # a root a bar: there is nothing in it to work on
    head, *bars = by_hand().split("<measure")
    whole = [f"{bar.split('</note>')[0].replace('<duration>1', '<duration>8')}</note></measure>" for bar in bars]
    held.write_text("<measure".join([head, *whole]) + "</part></score-partwise>")
    assert "No device found." in command("study", held, "--session", session).out
    done = command("study", held, "--session", session, "--phrase", "1")
    assert done.status == 2 and "there is no phrase 1; no device was found" in done.err
    for option, bad in (("--bpm", "-3"), ("--loop", "11-40")):
        done = command("study", file, "--session", session, "--phrase", "1", option, bad, "--midi", tmp_path / "no.mid")
        assert done.status == 2 and bad.split("-")[-1] in done.err and len(done.err.splitlines()) == 1
    packed = tmp_path / "odd.mxl"
    packed.write_bytes(b"PK nothing")
    done = command("study", packed, "--session", session)
    assert done.status == 2 and len(done.err.splitlines()) == 1 and "odd.mxl" in done.err
    file.write_text("<score-partwise>")
    done = command("study", file, "--session", session)
    assert done.status == 2 and len(done.err.splitlines()) == 1 and "hand.musicxml" in done.err


def test_a_folder_of_recordings_comes_into_history_with_its_dates(command: Command, tmp_path: Path) -> None:
    """Files of another program (LilyPond): no header of ours; the date is the file's own."""
    source, folder = tmp_path / "sequencer", tmp_path / "takes"
    source.mkdir()
    for n, name in enumerate(("monday", "tuesday")):
        music = " ".join(FIGURE[chord] for chord in CHANGES.split()[: 12 - n])
        path = lily_score(music, source, name, bpm=96, swing="\\tripletFeel 8")
        moment = datetime.datetime(2026, 2, 2 + n, 20, tzinfo=datetime.UTC).timestamp()
        os.utime(path, (moment, moment))
    (source / "rubbish.mid").write_bytes(b"MThd?")
    done = command("import", source, "--session", "first-round", "--takes", folder)
    assert done.status == 2 and "2 of 3 taken in." in done.out and done.err.count("rubbish.mid") == 1
    data = json.loads(command("history", "--takes", folder, "--json").out)
    assert [(row["created"][:10], row["kind"]) for row in data["takes"]] == [
        ("2026-02-02", "song"),
        ("2026-02-03", "song"),
    ]
    assert all(row["figures"]["swing_ratio"] == pytest.approx(2.0, abs=0.05) for row in data["takes"])
    # The same folder again, and once more with a copy under another name: nothing comes in twice.
    (source / "rubbish.mid").unlink()
    (source / "copy.mid").write_bytes((source / "monday.mid").read_bytes())
    again = command("import", source, "--session", "first-round", "--takes", folder)
    assert again.status == 0 and "0 of 3 taken in; 3 in already" in again.out and "in already, as " in again.out
    assert len(list(folder.glob("*.mid"))) == 2
    own = command("import", folder, "--takes", folder)
    assert "0 of 2 taken in" in own.out and len(list(folder.glob("*.mid"))) == 2
    if sys.platform == "linux":  # a name that is no text, as old archives have them
        lily_score("g,4", tmp_path, "odd", bpm=96).rename(os.fsdecode(os.fsencode(tmp_path) + b"/caf\xe9.mid"))
        (odd,) = tmp_path.glob("caf*.mid")
        assert "1 of 1 taken in" in command("import", odd, "--takes", folder).out


def test_every_drill_that_the_advice_names_can_be_started(command: Command) -> None:
    """The advice prints `trainer drill NAME`; every name in the source of the judging is one that starts."""
    import ast
    import inspect

    from trainer.scoring import judging

    module = ast.parse(inspect.getsource(judging))
    words = {node.value for node in ast.walk(module) if isinstance(node, ast.Constant) and isinstance(node.value, str)}
    named = words & set(DRILLS)
    assert len(named) >= 8, named
    # Whatever is assigned to `drill`, or stands as an Advice's fourth argument, is a drill.
    for node in ast.walk(module):
        held: ast.AST | None = None
        if isinstance(node, ast.Assign) and any(isinstance(t, ast.Name) and t.id == "drill" for t in node.targets):
            held = node.value
        elif isinstance(node, ast.Call) and getattr(node.func, "id", "") == "Advice" and len(node.args) > 3:
            held = node.args[3]
        if isinstance(held, ast.IfExp):
            assert {n.value for n in (held.body, held.orelse) if isinstance(n, ast.Constant)} <= set(DRILLS)
        elif isinstance(held, ast.Constant):
            assert held.value in DRILLS
    for name in sorted(named):
        assert command("drill", name, "--times", "1", "--stand-in").status == 0


@pytest.mark.parametrize(("key", "status"), [("q", 0), ("\x03", 130)])
def test_a_live_drill_stopped_keeps_what_was_played(own_folders: Path, key: str, status: int) -> None:
    """Through the real engine on a terminal of its own, played on the home row, left by q and by Ctrl-C."""
    takes = own_folders / "takes"
    arguments = ["drill", "shuffle_one_note", "--bpm", "200", "--times", "3", "--no-audio", "--takes", str(takes)]
    with on_terminal(arguments, dict(os.environ)) as program:
        program.wait_screen()
        journals = lambda: list(takes.glob("*"))  # noqa: E731
        wait_until(lambda: bool(journals()), "the journal")
        for _ in range(3):
            program.type("a")
            before = len(program.raw)
            wait_until(lambda n=before: len(program.raw) > n, "the screen to move")
        wait_until(lambda: "COUNT-IN" not in program.text[-3000:], "the first bar")
        program.type("a")
        drawn = len(program.raw)
        wait_until(lambda: len(program.raw) > drawn + 2000, "some beats more")
        program.type(key)
        assert program.wait() == status, program.words[-1500:]
        assert "Run 2" not in program.text
    kept = [read_take(path) for path in takes.glob("*.mid")]
    assert len(kept) == 1 and len(kept[0].notes) >= 1
    assert kept[0].header.extra["drill"]["name"] == "shuffle_one_note" and not kept[0].header.completed


@pytest.mark.parametrize(("keys", "said"), [("q", "goes on with what is still open"), ("\r", "No notes were heard")])
def test_a_moment_before_each_run(own_folders: Path, keys: str, said: str) -> None:
    """What comes stands there to be read; q leaves, Enter does not wait. Stopped in the middle, nothing is lost."""
    arguments = ["practice", "--minutes", "20", "--no-audio", "--takes", str(own_folders / "takes")]
    with on_terminal(arguments, dict(os.environ)) as program:
        program.wait_for("Starts in")
        assert "1 of " in program.words and "Listen" in program.words.replace("listen", "Listen")
        program.type(keys)
        if keys != "q":
            program.wait_screen()
            program.type("q")
        assert program.wait() == 0
        words = " ".join(program.words.split())
        assert said in words and "Stopped here; all that was played is kept." in words


def test_an_evening_goes_on_over_what_is_put_off_or_left_out(own_folders: Path) -> None:
    """On a terminal, through the real engine: l and n before a piece, n while one plays."""
    takes = own_folders / "takes"
    arguments = ["practice", "--minutes", "20", "--no-audio", "--takes", str(takes)]
    with on_terminal(arguments, dict(os.environ)) as program:
        for after, keys in (("1 of 7.", "l"), ("Put off: it comes before the song.", "n"), ("2 of 6.", "\r")):
            asked = lambda said=after: "l later" in program.text.rpartition(said)[2]  # noqa: E731
            program.wait_for(after)
            wait_until(asked, f"to be asked after {after}")
            program.type(keys)
        program.wait_screen()
        program.type("n")
        program.wait_for("Left out this time; on to what comes next.")
        program.wait_for("3 of 6.")
        program.type("q")
        assert program.wait() == 0
        assert "Stopped here; all that was played is kept." in program.words
