"""Nothing that came from a file, a name or a port reaches the terminal as more than text."""

from __future__ import annotations

import ast
import contextlib
import json
import os
import re
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from tests.practice.forgeries import SHEET, a_result, repacked
from tests.practice.test_history import drilled, played
from tests.screen.states import session, state
from trainer.page.link import _line, chart_data, place_data
from trainer.plain import plain
from trainer.ports.audio import AudioList, AudioPort
from trainer.ports.midi import PortInfo, PortList
from trainer.practice.worksheet import TEMPLATE
from trainer.screen import opening_lines, plain_line, render
from trainer.settings import config_dir
from trainer.take import write_take

ROOT = Path(__file__).resolve().parents[2] / "trainer"
# A colour, a window title, a clipboard write, an eight-bit introducer, a turned line, a bell, a return over the line.
ESCAPES = "\x1b[31mred\x1b]0;title\x07\x1b]52;c;eA==\x07\x9b2J\u202eback\x08\r\x7f"
NOWHERE = f"nowhere {ESCAPES}"  # a port that is not there: nothing is played
OBEYED = re.compile(r"[\x00-\x08\x0b-\x1f\x7f-\x9f\u200b-\u200f\u2028-\u202e\u2060-\u2069\ufeff]")

Command = Callable[..., Any]


def toml(text: str) -> str:
    return json.dumps(text)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A folder where every field that can hold a text holds escapes."""
    place = tmp_path / "takes"
    header = {
        "remarks": [ESCAPES], "study": {"file": ESCAPES, "phrase": ESCAPES}, "stage": {ESCAPES: ESCAPES},
        "midi": {"track": ESCAPES, "program": ESCAPES}, "hearing": {"device": ESCAPES},
    }  # fmt: skip
    take = played(1, extra=header)
    assert take.session is not None
    hardware = {"midi_in": ESCAPES, "audio": ESCAPES, "midi_out": ESCAPES}
    created = f"2026-03-01T19:30:00+00:00{ESCAPES}"
    take = replace(
        take,
        session=replace(take.session, title=ESCAPES),
        header=replace(take.header, hardware=hardware, created=created, scorer=ESCAPES),
    )
    write_take(take, place, "named")
    drill = drilled(2, 0.5)
    extra = {"drill": {**drill.header.extra["drill"], "name": ESCAPES}}
    write_take(replace(drill, header=replace(drill.header, extra=extra)), place, "drill")
    named = place / "named.mid"
    if os.name == "posix":  # a file's own name, and a stem beside it
        for suffix in (".mid", ".json"):
            (place / f"x{ESCAPES}{suffix}").write_bytes(named.with_suffix(suffix).read_bytes())
    # a file of elsewhere: its track's name made one of escapes
    track = b"MTrk" + _chunk(b"\x00\xff\x03" + bytes([len(ESCAPES.encode())]) + ESCAPES.encode() + _notes())
    other = b"MTrk" + _chunk(b"\x00\xff\x03\x03\x1b[2" + _notes())
    (place / "tracks.mid").write_bytes(b"MThd\x00\x00\x00\x06\x00\x01\x00\x02\x01\xe0" + track + other)
    (place / "keys.toml").write_text(f"{toml(ESCAPES)} = 1\n[[chorus]]\nrole = {toml(ESCAPES)}\n{toml(ESCAPES)} = 2\n")
    (place / "title.toml").write_text(f"title = {toml(ESCAPES)}\n")
    sheet = re.sub(r'^title = ".*"', lambda _: f"title = {toml(ESCAPES)}", TEMPLATE, flags=re.MULTILINE)
    (place / "sheet.toml").write_text(sheet)
    (place / "bad-sheet.toml").write_text(f"{toml(ESCAPES)} = 1\n[[task]]\ndrill = {toml(ESCAPES)}\n")
    (place / "part.musicxml").write_text(
        '<score-partwise><part-list><score-part id="P1"><part-name>a\u202e\x85b</part-name></score-part></part-list>'
        '<part id="P1"/></score-partwise>'
    )
    return place


def _notes() -> bytes:
    bar = b"".join(b"\x00\x90" + bytes([p]) + b"\x60\x83\x60\x80" + bytes([p]) + b"\x00" for p in (40, 43, 45, 47))
    return bar * 8 + b"\x00\xff\x2f\x00"


def _chunk(body: bytes) -> bytes:
    return len(body).to_bytes(4, "big") + body


@pytest.fixture
def ports(monkeypatch: pytest.MonkeyPatch) -> None:
    """A machine whose every port is called by escapes, and whose keyboard says q."""
    midi = PortInfo(f"port {ESCAPES}", f"{ESCAPES} api", 0)
    port = AudioPort(f"card {ESCAPES}", ESCAPES, 0, 2, 48_000)

    class Port:
        name = midi.name

        def close(self) -> None:
            pass

        def is_connected(self) -> bool:
            return True

    @contextlib.contextmanager
    def leaves_at_once() -> Iterator[Callable[[], str]]:
        yield lambda: "q"

    both = PortInfo(f"other {ESCAPES}", ESCAPES, 1)
    monkeypatch.setattr("trainer.ports.midi.list_ports", lambda: PortList((midi,), (midi, both), ESCAPES))
    monkeypatch.setattr("trainer.ports.audio.list_audio", lambda: AudioList((port,), ESCAPES, (port,)))
    monkeypatch.setattr("trainer.ports.midi.open_input", lambda *_: Port())
    monkeypatch.setattr("trainer.cli.checking.key_reader", leaves_at_once)


def calls_of(folder: Path) -> list[tuple[object, ...]]:
    """Every command of the program, with escapes in what it is given and in what it reads."""
    files = sorted(path for path in folder.iterdir() if path.suffix in (".mid", ".toml", ".musicxml"))
    named, title, sheet, out = folder / "named.mid", folder / "title.toml", folder / "sheet.toml", folder / "out"
    out.mkdir()
    odd = out / f"x{ESCAPES.replace('/', '')}"
    calls: list[tuple[object, ...]] = [
        (name, *words, path)
        for path in files
        for name, *words in (("score",), ("score", "--json"), ("chart",), ("study",), ("worksheet", "check"), ("line",))
    ]
    calls += [("score", folder, *as_) for as_ in ((), ("--csv", "--workers", "1"), ("--json-lines", "--workers", "1"))]
    calls += [("history", "--takes", folder), ("history", "--json", "--takes", folder), ("history", "--rebuild")]
    calls += [("practice", "--takes", folder, "--plan"), ("practice", title, "--midi-in", NOWHERE)]
    calls += [("review", folder), ("review", folder, "--csv"), ("review", ESCAPES), ("recordings", "--takes", folder)]
    calls += [("compare", named, folder / "drill.mid", "--out", odd.with_suffix(".html"))]
    calls += [
        ("score", folder / "tracks.mid", "--track", "9"),
        ("score", ESCAPES),
        ("score", named, "--level", ESCAPES),
    ]
    calls += [("import", folder / "tracks.mid", "--takes", folder / "new"), ("drill", ESCAPES), (ESCAPES,)]
    calls += [
        ("chart", ESCAPES),
        ("chart", "--key", ESCAPES),
        ("chart", "--groove", ESCAPES),
        ("chart", f"--{ESCAPES}"),
    ]
    calls += [("demo", title, "--offline", "--choruses", "1", "--plain"), ("play", title, "--midi-in", NOWHERE)]
    calls += [
        ("play", title, "--midi-out", NOWHERE),
        ("stage", "--midi-in", NOWHERE),
        ("drill", "roots", "--key", ESCAPES),
    ]
    calls += [("report", named, "--out", odd.with_suffix(".html")), ("hear", named), ("hear", ESCAPES)]
    calls += [("export", named, "--csv", odd.with_suffix(".csv")), ("export", named, "--tuning", ESCAPES)]
    calls += [("render", title, "--midi", odd.with_suffix(".mid")), ("render", title, "--soundfont", odd)]
    calls += [("worksheet", "new", odd.with_suffix(".toml")), ("worksheet", "run", sheet, "--midi-in", NOWHERE)]
    calls += [("worksheet", "run", folder / "bad-sheet.toml"), ("ports",), ("ports", "--json"), ("check",)]
    calls += [("check", "--profile", ESCAPES), ("check", "--midi-in", NOWHERE), ("calibrate", "--from", named)]
    calls += [
        ("calibrate", "--midi-in", NOWHERE),
        ("pedal", "--list"),
        ("sessions",),
        ("forms",),
        ("grooves",),
        ("drills",),
    ]
    return calls


def every_command() -> set[tuple[str, ...]]:
    """The names of all commands, those of groups as two."""
    import typer

    from trainer.cli.commands import app

    found: set[tuple[str, ...]] = set()
    for name, command in typer.main.get_command(app).commands.items():  # type: ignore[attr-defined]
        inner = getattr(command, "commands", None)
        found |= {(name,)} if inner is None else {(name, other) for other in inner}
    return found


def test_no_command_lets_an_escape_through(folder: Path, ports: None, command: Command) -> None:
    rows = {"schema": {"name": "pedals"}, "switches": [{**SWITCH, "port": ESCAPES}]}
    (config_dir() / "pedals.json").parent.mkdir(parents=True, exist_ok=True)
    (config_dir() / "pedals.json").write_text(json.dumps(rows))
    handed_in(folder)
    calls = calls_of(folder)
    called = {tuple(map(str, call[:1])) for call in calls} | {tuple(map(str, call[:2])) for call in calls}
    assert every_command() <= called, "a command that nobody calls here"
    said = ""
    for call in calls:
        done = command(*call)
        assert done.status in (0, 2), (call, done)
        found = OBEYED.search((done.out + done.err).replace("\r\n", "\n"))  # a table's line ends: RFC 4180
        assert found is None, (call, found, done)
        said += done.out + done.err
    assert said.count("[31mred") > 60  # the words themselves did come through
    for page in (folder / "out").glob("*.html"):  # and what is written for a browser turns no line round
        assert re.search(r"[\u202a-\u202e\u2066-\u2069\x80-\x9f\x1b]", page.read_text(encoding="utf-8")) is None


SWITCH = {"action": "again", "kind": "controller", "channel": 0, "number": 64, "port_alone": True}


def handed_in(folder: Path) -> None:
    """A result whose every text holds escapes: names, dates, ids, titles, tasks, cards."""
    sheet = SHEET.replace('"Short one"', toml(ESCAPES)).replace('"Eight bars"', toml(f"Eight {ESCAPES}"))
    data = a_result(folder / "out-of-sight", sheet=sheet).read_bytes()
    record = {
        "schema": {"name": "worksheet_result", "major": 1}, "name": ESCAPES, "made": ESCAPES, "scorer": ESCAPES,
        "tasks": [ESCAPES], "takes": [{"task": 1, "take": "01", "sha256": ESCAPES}, {"task": 9, "take": "02"}],
    }  # fmt: skip
    bad = json.dumps(record | {"takes": [{"task": 1, "take": ESCAPES}]}).encode()
    card = json.dumps({ESCAPES: ESCAPES}).encode()
    place = folder / "a.result"
    place.write_bytes(repacked(data, {"result.json": json.dumps(record).encode(), "01.card.json": card}))
    (folder / "b.result").write_bytes(repacked(data, {"result.json": bad}))
    (folder / "c.result").write_bytes(repacked(data, {"worksheet.toml": f"{toml(ESCAPES)} = {toml(ESCAPES)}".encode()}))


def test_nor_does_the_playing_screen_or_the_stand_page() -> None:
    """Titles, what is heard, cues, notes and warnings are somebody's words; some were made by who is far away."""
    song = replace(session(), title=ESCAPES)
    for width, height in ((20, 5), (40, 12), (80, 24), (140, 50)):
        said: dict[str, Any] = {"source": ESCAPES, "note": ESCAPES, "cue": f"{ESCAPES}: {ESCAPES}", "task": ESCAPES}
        for more in ("calm", "help", "cue_large", "ascii_only"):
            drawn = state(8.0, song, warnings=(ESCAPES,), **said, **{more: True})
            for row in render(drawn, width, height).plain.split("\n"):
                assert OBEYED.search(row) is None, (width, more, row)
            assert OBEYED.search("".join((*opening_lines(drawn), plain_line(drawn)))) is None
            line = _line({"place": place_data(drawn), "chart": chart_data(drawn.chart)}).decode().rstrip("\n")
            assert OBEYED.search(line) is None and "[31mred" in line


def test_commands_print_through_the_cleaner_alone() -> None:
    """Whatever is written to a stream otherwise is made of the program's own words."""
    own = {"waiting.py", "cable.py", "reporting.py", "scoring.py"}
    for path in sorted((ROOT / "cli").glob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not isinstance(node, ast.Call):
                continue
            called = ast.unparse(node.func)
            assert called not in ("print", "typer.secho", "click.echo"), f"{path.name}:{node.lineno}"
            if called == "typer.echo":
                assert path.name == "speaking.py"
            if called in ("sys.stdout.write", "sys.stderr.write", "out.write"):
                assert path.name in own, f"{path.name}:{node.lineno}"


def test_what_stays_and_what_goes() -> None:
    assert plain("Bb · “slow” – ø\n\tnext", "\n\t") == "Bb · “slow” – ø\n\tnext"
    assert OBEYED.search(plain(ESCAPES)) is None
    assert "red" in plain(ESCAPES)
