"""The pictures in `docs/` are what the screen draws today: when this fails, run `python docs/make_pictures.py`."""

from __future__ import annotations

import importlib.util
from pathlib import Path

DOCS = Path(__file__).resolve().parents[2] / "docs"


def test_the_screens_pictures_are_true(tmp_path: Path) -> None:
    spec = importlib.util.spec_from_file_location("make_pictures", DOCS / "make_pictures.py")
    assert spec is not None and spec.loader is not None
    maker = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(maker)
    maker.draw_screens(tmp_path)
    made = {path.name: path.read_text(encoding="utf-8") for path in tmp_path.iterdir()}
    kept = {path.name: path.read_text(encoding="utf-8") for path in DOCS.glob("screen*.svg")}
    assert len(made) == 6 and made == kept


def test_every_picture_that_the_script_makes_is_there() -> None:
    text = (DOCS / "make_pictures.py").read_text(encoding="utf-8")
    names = {path.stem for path in DOCS.glob("*.png")}
    assert names >= {"page-phone", "page-tablet", "page-tablet-dark", "report", "report-phone", "report-dark",
                     "report-a4", "notation-a4", "chart-a4"}  # fmt: skip
    assert all(f'"{name}"' in text or f'"{name}.png"' in text for name in names)
