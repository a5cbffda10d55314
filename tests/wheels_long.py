"""For which Pythons and systems every dependency comes ready made: `python -m tests.wheels_long [--python 3.13 …]`.

Asks the package index, by pip's own resolver and without downloading, for wheels alone, on each system for each
Python: what `pip install` would take there. Prints a table, and under it what has to be compiled. The exit status is 1
if anything has. Needs the network, and `packaging`, which comes with pytest.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tomllib
from collections.abc import Sequence
from pathlib import Path

from packaging.requirements import Requirement

__all__ = ["PYTHONS", "SYSTEMS", "wanted"]

PYTHONS = ("3.11", "3.12", "3.13", "3.14")
# By name: `sys_platform`, and the platform tags that a machine of today takes (packaging.python.org, platform tags).
SYSTEMS: dict[str, tuple[str, list[str]]] = {
    "Linux x86-64": ("linux", [f"manylinux{glibc}_x86_64" for glibc in ("2014", "_2_17", "_2_27", "_2_28", "_2_34")]),
    "Linux arm64": ("linux", [f"manylinux{glibc}_aarch64" for glibc in ("2014", "_2_17", "_2_27", "_2_28", "_2_34")]),
    "macOS arm64": ("darwin", ["macosx_14_0_arm64"]),
    "macOS x86-64": ("darwin", ["macosx_14_0_x86_64"]),
    "Windows x86-64": ("win32", ["win_amd64"]),
}
PROJECT = Path(__file__).resolve().parents[1] / "pyproject.toml"


def wanted(python: str, system: str) -> list[Requirement]:
    """The program's own requirements on a system, as pyproject.toml's markers choose them."""
    rows = tomllib.loads(PROJECT.read_text(encoding="utf-8"))["project"]["dependencies"]
    machine = "aarch64" if system == "Linux arm64" else "arm64" if system.endswith("arm64") else "x86_64"
    place = {"python_version": python, "python_full_version": f"{python}.0", "platform_machine": machine}
    place["sys_platform"] = SYSTEMS[system][0]
    requirements = [Requirement(row) for row in rows]
    return [need for need in requirements if need.marker is None or need.marker.evaluate(place)]


def resolved(python: str, platforms: Sequence[str], needs: Sequence[Requirement]) -> dict[str, str] | None:
    """Name and version of each wheel that pip would take; None where something has none."""
    command = [sys.executable, "-m", "pip", "install", "--dry-run", "--quiet", "--ignore-installed", "--report", "-"]
    command += ["--only-binary=:all:", "--target", "nowhere", "--implementation", "cp", "--python-version", python]
    command += [word for tag in platforms for word in ("--platform", tag)]
    done = subprocess.run([*command, *(f"{n.name}{n.specifier}" for n in needs)], capture_output=True, text=True)
    if done.returncode != 0:
        return None
    rows = json.loads(done.stdout)["install"]
    return {row["metadata"]["name"]: row["metadata"]["version"] for row in rows}


def main() -> int:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--python", nargs="*", default=PYTHONS)
    options.add_argument("--system", nargs="*", default=list(SYSTEMS), choices=SYSTEMS)
    chosen = options.parse_args()
    lacking: dict[tuple[str, str], list[str]] = {}
    print("| | " + " | ".join(chosen.python) + " |\n| --- |" + " --- |" * len(chosen.python))
    for system in chosen.system:
        platforms = SYSTEMS[system][1]
        cells = []
        for python in chosen.python:
            needs = wanted(python, system)
            wheels = resolved(python, platforms, needs)
            if wheels is None:
                lacking[system, python] = [n.name for n in needs if resolved(python, platforms, [n]) is None]
                cells.append("without: " + ", ".join(lacking[system, python]))
            else:
                binding = next((f"{name} {wheels[name]}" for name in wheels if "rtmidi" in name), "no MIDI binding")
                cells.append(f"all {len(wheels)}; {binding}")
        print(f"| {system} | " + " | ".join(cells) + " |", flush=True)
    return int(bool(lacking))


if __name__ == "__main__":
    sys.exit(main())
