"""Only `trainer/system/` asks which system this is, or for what only some systems have."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
SOME_HAVE = {"fcntl", "termios", "tty", "pty", "resource", "pwd", "grp", "select", "selectors", "msvcrt", "winreg"}
ASKS = {("sys", "platform"), ("os", "name"), ("platform", "system")}
LACKING = {("os", name) for name in ("nice", "fork", "getuid", "geteuid", "setsid", "getpgid", "killpg")}
# The binding behind MIDI ports and its libraries differ by system; so they are told apart there.
MAY_ASK = {"ports/midi.py"}


def _asked(path: Path) -> set[str]:
    out = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name):
            if (node.value.id, node.attr) in ASKS | LACKING:
                out.add(f"{node.value.id}.{node.attr}")
        elif isinstance(node, ast.Import):
            out |= {alias.name for alias in node.names if alias.name in SOME_HAVE}
    return out


@pytest.mark.parametrize(
    "path",
    [path for path in sorted((ROOT / "trainer").rglob("*.py")) if "system" not in path.relative_to(ROOT).parts],
    ids=lambda path: path.relative_to(ROOT).as_posix(),
)
def test_no_other_room_asks_for_the_system(path: Path) -> None:
    if path.relative_to(ROOT / "trainer").as_posix() not in MAY_ASK:
        assert not _asked(path)


@pytest.mark.parametrize(
    "path", sorted((ROOT / "tests").rglob("*.py")), ids=lambda path: path.relative_to(ROOT).as_posix()
)
def test_tests_import_what_some_systems_lack_only_where_it_is_used(path: Path) -> None:
    """So that the tests of a file are collected on every system, and run or are skipped with a reason."""
    module = ast.parse(path.read_text(encoding="utf-8"))
    named = {alias.name for node in module.body if isinstance(node, ast.Import) for alias in node.names}
    named |= {node.module or "" for node in module.body if isinstance(node, ast.ImportFrom)}
    assert not named & SOME_HAVE
