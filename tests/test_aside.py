"""Files written aside: whole or not at all, and as private as the person wants them."""

from __future__ import annotations

import os
import stat
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tests.scoring.test_card_schema import made_take
from trainer.aside import claim, written_aside, written_for_a_person
from trainer.errors import UsageError
from trainer.settings import PortSettings, save_port
from trainer.take import write_take


@pytest.fixture
def umask() -> Iterator[Callable[[int], None]]:
    before = os.umask(0o022)
    yield lambda mask: void(os.umask(mask))
    os.umask(before)


def void(_: object) -> None:
    pass


needs_modes = pytest.mark.skipif(os.name != "posix", reason="file modes, as Linux and macOS have them")


@needs_modes
@pytest.mark.parametrize("mask", [0o022, 0o077, 0o002])
def test_what_is_written_is_as_private_as_the_umask_says(
    mask: int, umask: Callable[[int], None], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from trainer.report.files import write_page

    monkeypatch.setenv("TRAINER_CONFIG_DIR", str(tmp_path / "config"))
    umask(mask)
    take = write_take(made_take(), tmp_path / "takes")
    for path in (
        write_page("page", tmp_path / "page.html"),
        save_port(PortSettings("pad")),
        take,
        take.with_suffix(".json"),
    ):
        assert stat.S_IMODE(path.stat().st_mode) == 0o666 & ~mask, path


def test_an_exception_leaves_what_was_there_and_nothing_beside_it(tmp_path: Path) -> None:
    path = tmp_path / "kept"
    path.write_bytes(b"old")
    with pytest.raises(ZeroDivisionError), written_aside(path) as out:
        out.write(b"new")
        raise ZeroDivisionError
    assert path.read_bytes() == b"old" and list(tmp_path.iterdir()) == [path]
    with written_aside(path) as out:
        out.write(b"new")
    assert path.read_bytes() == b"new" and list(tmp_path.iterdir()) == [path]


def test_a_place_that_cannot_be_written_is_one_line(tmp_path: Path) -> None:
    refused = pytest.raises(UsageError, match=r"cannot write .*gone.page: .*; choose a folder")
    with refused, written_for_a_person(tmp_path / "gone" / "page") as out:
        out.write(b"x")


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="named pipes, as Linux and macOS have them")
def test_a_pipe_is_written_into(tmp_path: Path) -> None:
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    heard: list[bytes] = []
    reader = threading.Thread(target=lambda: heard.append(pipe.read_bytes()))
    reader.start()
    with written_aside(pipe) as out:
        out.write(b"through")
    reader.join(10.0)
    assert heard == [b"through"] and stat.S_ISFIFO(pipe.stat().st_mode)


def test_a_name_is_claimed_once(tmp_path: Path) -> None:
    for name in ("a", "b"):
        (tmp_path / name).write_text(name)
    assert claim(tmp_path / "a", tmp_path / "final") and not claim(tmp_path / "b", tmp_path / "final")
    assert (tmp_path / "final").read_text() == "a"
