"""Nothing that came from a file, a name or a port reaches the terminal as more than text."""

from __future__ import annotations

import ast
import json
import os
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from tests.practice.test_history import drilled, played
from trainer.cli import speaking
from trainer.practice.worksheet import TEMPLATE
from trainer.take import write_take

ROOT = Path(__file__).resolve().parents[2] / "trainer"
# A colour, a window title, a clipboard write, an eight-bit introducer, a turned line, a bell, a return over the line.
ESCAPES = "\x1b[31mred\x1b]0;title\x07\x1b]52;c;eA==\x07\x9b2J\u202eback\x08\r\x7f"
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
    devices = {"midi_in": ESCAPES, "audio": ESCAPES, "midi_out": ESCAPES}
    created = f"2026-03-01T19:30:00+00:00{ESCAPES}"
    take = replace(
        take,
        session=replace(take.session, title=ESCAPES),
        header=replace(take.header, devices=devices, created=created, scorer=ESCAPES),
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


def test_no_command_lets_an_escape_through(folder: Path, command: Command) -> None:
    files = sorted(path for path in folder.iterdir() if path.suffix in (".mid", ".toml", ".musicxml"))
    calls: list[tuple[object, ...]] = [
        (name, *words, path)
        for path in files
        for name, *words in (("score",), ("score", "--json"), ("chart",), ("study",), ("worksheet", "check"), ("line",))
    ]
    calls += [("score", folder), ("history", "--takes", folder), ("history", "--json", "--takes", folder)]
    calls += [("practice", "--takes", folder, "--plan"), ("review", folder), ("recordings", "--takes", folder)]
    calls += [("compare", folder / "named.mid", folder / "drill.mid"), ("score", folder / "tracks.mid", "--track", "9")]
    calls += [("import", folder / "tracks.mid", "--takes", folder / "new"), ("chart", ESCAPES), ("drill", ESCAPES)]
    calls += [
        ("score", ESCAPES),
        ("chart", "--key", ESCAPES),
        ("chart", "--groove", ESCAPES),
        (ESCAPES,),
        ("chart", f"--{ESCAPES}"),
    ]
    said = ""
    for call in calls:
        done = command(*call)
        assert done.status in (0, 2), (call, done)
        found = OBEYED.search(done.out + done.err)
        assert found is None, (call, found, done)
        said += done.out + done.err
    assert said.count("[31mred") > 20  # the words themselves did come through


def test_commands_print_through_the_cleaner_alone() -> None:
    """Whatever is written to a stream otherwise is made of the program's own words."""
    own = {("waiting.py", "write"), ("cable.py", "write"), ("reporting.py", "write"), ("scoring.py", "write")}
    for path in sorted((ROOT / "cli").glob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not isinstance(node, ast.Call):
                continue
            called = ast.unparse(node.func)
            assert called not in ("print", "typer.secho", "click.echo"), f"{path.name}:{node.lineno}"
            if called == "typer.echo":
                assert path.name == "speaking.py"
            if called in ("sys.stdout.write", "sys.stderr.write"):
                assert (path.name, "write") in own, f"{path.name}:{node.lineno}"


def test_what_stays_and_what_goes() -> None:
    assert speaking.cleaned("Bb · “slow” – ø\n\tnext") == "Bb · “slow” – ø\n\tnext"
    assert OBEYED.search(speaking.cleaned(ESCAPES)) is None
    assert "red" in speaking.cleaned(ESCAPES)
