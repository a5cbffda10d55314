"""Standard streams that are closed, full, or read by somebody who has seen enough: quiet, and the right exit status."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

pytestmark = pytest.mark.skipif(os.name != "posix", reason="redirections as a POSIX shell has them")
needs_full = pytest.mark.skipif(not Path("/dev/full").exists(), reason="this system has no /dev/full")


@pytest.mark.parametrize(
    ("command", "status", "said"),
    [
        ("forms >&-", 0, ""),
        ("forms <&- >/dev/null", 0, ""),
        ("forms <&- >&- 2>&-", 0, ""),
        ("chart nothere 2>&-", 2, ""),
        ("chart nothere <&- >&- 2>&-", 2, ""),
        ("forms | head -n 1 >/dev/null; exit ${PIPESTATUS[0]}", 0, ""),
        pytest.param("forms >/dev/full", 2, "trainer: cannot write the output: ", marks=needs_full),
        pytest.param("forms --json >/dev/full", 2, "trainer: cannot write the output: ", marks=needs_full),
        pytest.param("chart nothere 2>/dev/full", 2, "", marks=needs_full),
        pytest.param("forms >/dev/full 2>/dev/full", 2, "", marks=needs_full),
    ],
)
def test_streams(command: str, status: int, said: str, tmp_path: Path) -> None:
    env = {**os.environ, "TRAINER_LOG_DIR": str(tmp_path), "XDG_DATA_HOME": str(tmp_path)}
    done = subprocess.run(
        ["bash", "-c", f'"{sys.executable}" -m trainer {command}'], env=env, capture_output=True, text=True
    )
    assert (done.returncode, done.stdout) == (status, ""), done.stderr
    assert done.stderr.startswith(said) and done.stderr.count("\n") == bool(said)
    assert not list(tmp_path.glob("fault-*"))
