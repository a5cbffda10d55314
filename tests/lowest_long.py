"""Whether the least versions that pyproject.toml names are enough: `python -m tests.lowest_long [TESTS …]`.

Makes an environment of its own with the lowest version of each direct requirement (PyPI `uv`, which `pip install uv`
adds: `uv pip install --resolution lowest-direct`), prints what was taken, and runs the quick part of the tests in it.
The exit status is pytest's. Needs the network; a few minutes the first time.
"""

from __future__ import annotations

import argparse
import shutil
import subprocess
import sys
import tempfile
import tomllib
from pathlib import Path

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ROOT = Path(__file__).resolve().parents[1]
QUICK = ("-m", "not live and not browser and not long")


def named() -> list[str]:
    """The names of the direct requirements, of the program and of its tests, on this system."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    rows = [Requirement(row) for row in (*project["dependencies"], *project["optional-dependencies"]["test"])]
    return sorted({canonicalize_name(row.name) for row in rows if row.marker is None or row.marker.evaluate()})


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("tests", nargs="*", default=["tests"], help="Which of them; all, if left out.")
    parser.add_argument("--keep", type=Path, help="Make the environment there, or use the one that is there.")
    asked = parser.parse_args()
    uv = shutil.which("uv")
    if uv is None:
        print("no uv program; expected one: python -m pip install uv", file=sys.stderr)
        return 2
    with tempfile.TemporaryDirectory() as folder:
        place = asked.keep or Path(folder) / "lowest"
        python = place / ("Scripts/python.exe" if sys.platform == "win32" else "bin/python")
        if not python.exists():
            subprocess.run([uv, "venv", "--quiet", "--python", sys.executable, str(place)], check=True)
            install = [uv, "pip", "install", "--quiet", "--python", str(python), "--resolution", "lowest-direct"]
            subprocess.run([*install, "--editable", f"{ROOT}[test]"], check=True)
        frozen = subprocess.run(
            [uv, "pip", "freeze", "--python", str(python)], capture_output=True, text=True, check=True
        ).stdout
        taken = dict(line.lower().split("==") for line in frozen.splitlines() if "==" in line)
        print(", ".join(f"{name} {taken.get(name, '?')}" for name in named()), flush=True)
        return subprocess.run([str(python), "-m", "pytest", "-q", *QUICK, *asked.tests], cwd=ROOT).returncode


if __name__ == "__main__":
    raise SystemExit(main())
