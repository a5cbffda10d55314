"""Every command test has folders of its own: nothing of the person's is read or written."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import pytest

from trainer.cli.run import run


class Outcome(NamedTuple):
    status: int
    out: str
    err: str


@pytest.fixture(autouse=True)
def own_folders(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    for name, folder in (
        ("TRAINER_CONFIG_DIR", "config"),
        ("TRAINER_LOG_DIR", "log"),
        ("XDG_DATA_HOME", "data"),
        ("XDG_STATE_HOME", "state"),
        ("XDG_CONFIG_HOME", "xdg"),
    ):
        monkeypatch.setenv(name, str(tmp_path / folder))
    return tmp_path


@pytest.fixture
def command(capsys: pytest.CaptureFixture[str]) -> Callable[..., Outcome]:
    """Run a command in this process: exit status, standard output, standard error."""

    def call(*arguments: object) -> Outcome:
        status = run([str(argument) for argument in arguments])
        captured = capsys.readouterr()
        return Outcome(status, captured.out, captured.err)

    return call
