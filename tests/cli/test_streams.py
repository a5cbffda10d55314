"""Standard streams that are closed, full, or read by somebody who has seen enough: quiet, and the right exit status."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.scoring.test_card_schema import made_take
from trainer.take import write_take

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


def test_four_imports_at_once_store_a_file_once_and_a_damaged_index_is_made_again_quietly(
    tmp_path: Path,
) -> None:
    file, takes = write_take(made_take(), tmp_path / "from"), tmp_path / "takes"
    env = {**os.environ, "TRAINER_LOG_DIR": str(tmp_path), "XDG_DATA_HOME": str(tmp_path)}
    command = [sys.executable, "-m", "trainer", "import", str(file), "--takes", str(takes)]
    running = [subprocess.Popen(command, env=env, stdout=subprocess.PIPE, text=True) for _ in range(4)]
    said = [process.communicate()[0] for process in running]
    assert [process.returncode for process in running] == [0] * 4
    assert len(list(takes.glob("*.mid"))) == 1
    assert sorted("in already, as" in text for text in said) == [False, True, True, True]
    (takes / ".history.sqlite").write_bytes(b"no index of ours")
    history = [sys.executable, "-m", "trainer", "history", "--takes", str(takes)]
    done = subprocess.run(history, env=env, capture_output=True, text=True)
    assert (done.returncode, done.stderr) == (0, "") and done.stdout.startswith("1 take on 1 day")
