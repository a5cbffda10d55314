"""The table of rooms: which part of the program may import which. A broken row fails with the import that broke it."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from graphlib import TopologicalSorter
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent / "trainer"

# room → rooms of ours that it may import (`OPEN` is open to all).
MAY_IMPORT: dict[str, set[str]] = {
    "errors": set(),
    "limits": set(),
    "plain": set(),
    "profiles": set(),
    "opened": set(),
    "music": set(),
    "tables": set(),
    "session": {"music", "tables"},
    "midi_out": {"session"},
    "clock": set(),
    "hearing": set(),
    "band": {"midi_out", "music", "session", "clock", "system"},
    "line": {"music", "session", "clock", "take"},
    "take": {"midi_out", "music", "session", "clock", "hearing", "system"},
    "scoring": {"music", "session", "clock", "take"},
    "practice": {"scoring", "line", "music", "session", "take", "clock", "system", "tables", "workers"},
    "system": set(),
    "ports": {"take", "clock", "system"},
    "engine": {"clock", "band", "take", "ports", "session", "music", "hearing", "system"},
    "live": {
        "hearing",
        "page",
        "engine",
        "settings",
        "scoring",
        "screen",
        "session",
        "music",
        "take",
        "ports",
        "clock",
        "band",
        "line",
        "system",
    },
    "batch": {"take", "scoring", "session", "system", "workers"},
    "workers": set(),
    "aside": {"system"},
    "resources": set(),
    "settings": {"system"},
    "screen": {"music", "session", "take", "scoring", "practice"},
    "report": {"music", "session", "take", "scoring", "practice", "clock", "line", "system"},
}
OPEN = {"errors", "limits", "plain", "profiles", "_version", "aside", "opened"}
# Edges may import everything.
EDGES = {"cli", "__main__", "__init__", "_version", "page"}


def room_of(path: Path) -> str:
    return path.relative_to(ROOT).parts[0].removesuffix(".py")


def imports_of(path: Path) -> set[str]:
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        names: list[str] = []
        if isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative imports hide the room; write trainer.…"
            names = [node.module or ""]
            if node.module == "trainer":
                names = [f"trainer.{alias.name}" for alias in node.names]
        elif isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        found |= {name.split(".")[1] for name in names if name.startswith("trainer.")}
    return found


FILES = sorted(ROOT.rglob("*.py"))


@pytest.mark.parametrize("path", FILES, ids=lambda p: str(p.relative_to(ROOT)))
def test_imports_keep_the_table(path: Path) -> None:
    room = room_of(path)
    if room in EDGES:
        return
    assert room in MAY_IMPORT, f"{room} is a new room; give it a row in the table"
    beyond = imports_of(path) - MAY_IMPORT[room] - OPEN - {room}
    assert not beyond, f"{path.relative_to(ROOT)} imports {sorted(beyond)}, which its room may not"


def test_every_room_has_files() -> None:
    assert {room_of(path) for path in FILES} >= {"errors", "music", "session", "clock", "take"}


def module_of(path: Path) -> str:
    parts = path.relative_to(ROOT.parent).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


MODULES = {module_of(path) for path in FILES}


def names_imported(path: Path) -> Iterator[tuple[str, str]]:
    """(module, name) of each thing of ours that a file imports when it runs; what only types need is left out."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    for block in [node for node in ast.walk(tree) if isinstance(node, ast.If)]:
        if isinstance(block.test, ast.Name) and block.test.id == "TYPE_CHECKING":
            block.body = []
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and (node.module or "").split(".")[0] == "trainer":
            yield from ((str(node.module), alias.name) for alias in node.names)


def test_no_module_imports_another_s_private_names() -> None:
    found = [f"{path.name}: {name}" for path in FILES for _, name in names_imported(path) if name.startswith("_")]
    assert [item for item in found if not item.endswith("__version__")] == []


def test_modules_import_each_other_in_no_circle() -> None:
    """A room's front door stands outside: it imports what is in the room."""
    arrows: dict[str, set[str]] = {}
    for path in FILES:
        if path.name == "__init__.py":
            continue
        goals = {
            f"{module}.{name}" if f"{module}.{name}" in MODULES else module for module, name in names_imported(path)
        }
        arrows[module_of(path)] = goals - {module_of(path)}
    TopologicalSorter(arrows).prepare()  # raises `CycleError`, naming the circle
