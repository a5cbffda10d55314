"""`last` in a take's place is the newest take, in every command that takes one."""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests.cli.conftest import Outcome
from trainer.cli import home
from trainer.line import Feel, StandIn, planned_song
from trainer.live import play_offline
from trainer.session import ChorusPlan, Session, expand
from trainer.take import read_take, write_take

Command = Callable[..., Outcome]


@pytest.fixture
def takes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> list[Path]:
    """Two kept takes, the second the newer one, where takes go."""
    folder = tmp_path / "takes"
    monkeypatch.setattr(home, "takes_folder", lambda option=None: folder)
    monkeypatch.chdir(tmp_path)
    paths = []
    for number, tempo_bpm in enumerate((96.0, 120.0)):
        session = Session(tempo_bpm=tempo_bpm, title=f"Song {number}", choruses=(ChorusPlan("verse", 1, (0.5,)),))
        take = play_offline(session, StandIn(Feel(), 1).play(planned_song(expand(session), 1)))
        paths.append(write_take(take, folder, f"take-{number}"))
        os.utime(paths[-1], (1e9 + number, 1e9 + number))
    return paths


def test_last_is_the_newest_take_everywhere(command: Command, takes: list[Path], tmp_path: Path) -> None:
    assert command("score", "last").out == command("score", takes[1]).out != command("score", takes[0]).out
    assert command("report", "last").out == f"wrote {takes[1].with_suffix('.html')}\n"
    assert command("compare", takes[0], "last").out == command("compare", *takes).out
    for name in ("last", takes[1]):
        assert command("export", name, "--csv", tmp_path / f"{Path(name).stem}.csv").status == 0
    assert (tmp_path / "last.csv").read_bytes() == (tmp_path / f"{takes[1].stem}.csv").read_bytes()
    assert command("render", "last", "--midi", tmp_path / "band.mid").status == 0
    assert command("study", "last", "--plain").out == command("study", takes[1], "--plain").out
    asked = command("calibrate", "--from", "last", "--midi-in", "box")
    assert asked.status == 0 and "box" in asked.out


def test_last_is_the_newest_takes_recording_where_a_recording_is_heard(
    command: Command, takes: list[Path], tmp_path: Path
) -> None:
    done = command("hear", "last")
    assert done.status == 2 and len(done.err.splitlines()) == 1 and f"{takes[1]}, has no recording" in done.err
    take = read_take(takes[1])
    header = replace(take.header, clock_map={**take.header.clock_map, "recording": {"rate_hz": 48000.0}})
    newest = write_take(replace(take, header=header), takes[1].parent, "by-cable")
    second = np.arange(48000) / 48000.0
    tone = 0.5 * np.exp(-3.0 * second) * sum(np.sin(2 * np.pi * 55.0 * k * second) / k for k in range(1, 6))
    soundfile.write(newest.with_suffix(".wav"), np.concatenate([np.zeros(12000), tone]), 48000)
    assert command("hear", "last", "--csv").out == command("hear", newest.with_suffix(".wav"), "--csv").out


def test_a_file_called_last_is_that_file_and_without_takes_it_is_said(
    command: Command, takes: list[Path], tmp_path: Path
) -> None:
    (tmp_path / "last").write_bytes(takes[0].read_bytes())
    assert "96" in command("score", "last", "--json").out
    (tmp_path / "last").unlink()
    for path in takes:
        path.unlink()
    for words in (
        ("score", "last"), ("report", "last"), ("compare", "last", "last"), ("export", "last", "--csv", "x.csv"),
        ("render", "last", "--midi", "x.mid"), ("study", "last"), ("calibrate", "--from", "last"), ("hear", "last"),
    ):  # fmt: skip
        done = command(*words)
        assert done.status == 2 and len(done.err.splitlines()) == 1, done.err
        assert "no take is kept in" in done.err and "trainer play" in done.err


def test_two_takes_are_never_headed_alike(command: Command, takes: list[Path]) -> None:
    head = command("compare", takes[0], takes[0]).out.split("\n")[0].split()
    assert len(set(head)) == 2


def test_an_older_recording_that_is_taken_in_is_not_the_last_and_another_folders_last_can_be_had(
    command: Command, takes: list[Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """By the day on which it was played, not on which it was imported."""
    monkeypatch.setattr(home, "takes_folder", lambda option=None: option or takes[0].parent)
    other = tmp_path / "other"
    old = replace(read_take(takes[0]), header=replace(read_take(takes[0]).header, created="1999-05-01T20:00:00+00:00"))
    source = write_take(old, tmp_path / "elsewhere", "old")
    assert command("import", source, "--takes", takes[0].parent).status == 0
    assert command("score", "last").out == command("score", takes[1]).out
    assert command("import", takes[0], "--takes", other).status == 0
    assert command("score", "last", "--takes", other).out == command("score", takes[0]).out
