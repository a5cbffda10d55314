"""The program as a library: what `import trainer` gives, how lightly it comes, and the example of its docstring."""

from __future__ import annotations

import contextlib
import dataclasses
import io
import subprocess
import sys
import textwrap
from pathlib import Path

import numpy as np
import pytest

import trainer
from tests.take.test_store import SESSION, made_take

# What has to do with devices or the terminal; none of it may come with the library.
HEAVY = ("sounddevice", "rtmidi", "rtmidi2", "mido", "rich", "typer", "click", "asyncio", "multiprocessing")


def test_every_name_is_there() -> None:
    for name in trainer.__all__:
        assert getattr(trainer, name) is not None
    assert set(trainer.__all__) <= set(dir(trainer))
    assert {"load_session", "read_take", "score", "NOTE_DTYPE"} <= set(trainer.__all__)
    with pytest.raises(AttributeError, match="no attribute 'scores'"):
        _ = trainer.scores  # type: ignore[attr-defined]


def test_no_device_library_comes_with_it() -> None:
    code = f"""
import sys, trainer
assert not [n for n in sys.modules if n.startswith(("trainer.", "numpy")) and n != "trainer._version"], "not lazy"
for name in trainer.__all__:
    getattr(trainer, name)
assert not [n for n in sys.modules if n.partition(".")[0] in {HEAVY!r}]
"""
    done = subprocess.run([sys.executable, "-W", "error", "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


def test_results_are_frozen() -> None:
    take = made_take()
    card = trainer.score(take)
    for thing, field in ((take, "notes"), (take.header, "profile"), (take.session, "title"), (card, "swing")):
        with pytest.raises(dataclasses.FrozenInstanceError):
            setattr(thing, field, None)
    assert take.notes.dtype == trainer.NOTE_DTYPE


def test_the_example_runs_as_it_stands(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A notebook's first cell: the code in the package's docstring, on a take made here."""
    monkeypatch.chdir(tmp_path)
    take = made_take()
    trainer.write_take(take, tmp_path, "friday")
    trainer.write_take(take, tmp_path / "takes", "one")
    lines = [f'title = "{SESSION.title}"', 'key = "Bb"', "tempo_bpm = 112.7", "swing_ratio = 1.9"]
    (tmp_path / "friday.toml").write_text("\n".join(lines), encoding="utf-8")
    assert trainer.__doc__ is not None
    code = textwrap.dedent("    " + trainer.__doc__.partition("\n\n    ")[2])
    assert 8 <= len([line for line in code.splitlines() if line.strip()]) <= 12
    names: dict[str, object] = {}
    printed = io.StringIO()
    with contextlib.redirect_stdout(printed):
        exec(compile(code, "example", "exec"), names)
    assert np.array_equal(names["onsets"], take.notes["onset_s"])  # type: ignore[arg-type]
    assert "takes/one.mid" in printed.getvalue()
