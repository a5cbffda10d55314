"""The short run of `tests/kill_long.py`: killed at random moments, nothing that was written is missing or doubled."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from tests.jack_server import JackServer
from tests.kill_long import VICTIMS, one_round

pytestmark = pytest.mark.jack


@pytest.mark.parametrize("victim", VICTIMS)
def test_a_kill_at_a_random_moment(victim: str, jack_server: JackServer, tmp_path: Path) -> None:
    ended = one_round(jack_server, random.Random(victim), victim, tmp_path)
    assert ended.wrong is None, ended
    assert ended.n_taken >= ended.n_owed > 0
