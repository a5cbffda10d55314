"""Fixtures of the tests that play over real ports: the far end of a cable, folders of the run's own."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.jack_sender import JackSender
from tests.jack_server import JackServer


@pytest.fixture
def far(jack_server: JackServer) -> Iterator[JackSender]:
    with JackSender(jack_server, "far") as sender:
        yield sender


@pytest.fixture
def env(jack_server: JackServer, tmp_path: Path) -> dict[str, str]:
    return {
        **jack_server.env(),
        "TRAINER_LOG_DIR": str(tmp_path / "log"),
        "TRAINER_CONFIG_DIR": str(tmp_path / "config"),
        "XDG_DATA_HOME": str(tmp_path / "data"),
        "TMPDIR": str(tmp_path),
    }
