"""Kept cards are believed while `REVISION` stands: whoever changes what a figure comes out as has to raise it.

Three takes lie here as files, with their figures: one tidy, one that loses its place, one that answers a drill. After
raising it, and for a new figure without raising it: TRAINER_WRITE_FIGURES=1 python -m pytest
tests/scoring/test_revision.py
"""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Any

import pytest

from trainer.scoring import score
from trainer.scoring.card import MEASURES, REVISION
from trainer.take import read_take

KEPT = Path(__file__).parent / "kept"
FIGURES = KEPT / "figures.json"
NEW = ": a new figure"
WRITE = os.environ.get("TRAINER_WRITE_FIGURES") == "1"


def figures_of(name: str) -> dict[str, Any]:
    """What the card says, without what is told apart elsewhere (versions, digests) and long lists."""
    card = score(read_take(KEPT / f"{name}.mid")).to_dict()
    out = {part: card[part] for part in ("timing", "swing")}
    out["landing"] = {
        key: card["landing"][key] for key in ("changes", "root_rate", "landed_rate", "by_pair", "outcomes")
    }
    out["form"] = {"lost": card["form"]["lost"]}
    out["shape"] = {key: card["shape"][key] for key in ("choruses", "contrast", "build", "arc")}
    for measure in MEASURES:  # and whatever stands in a section by a line of its own
        if measure.section in ("landing", "form", "shape") and measure.shown.key in card[measure.section]:
            out[measure.section][measure.shown.key] = card[measure.section][measure.shown.key]
    out["devices"] = [[d["name"], d["chorus"], d["bar"], d["beat"]] for d in card["devices"]["found"]]
    return json.loads(json.dumps(out))


def differences(here: Any, kept: Any, where: str = "") -> list[str]:
    if isinstance(here, dict) and isinstance(kept, dict):
        names = sorted({*here, *kept} - {"why", "probability"})  # words are no figures, nor is how sure one is
        lines = [
            [f"{where}.{n}{NEW}"] if n not in kept else differences(here.get(n), kept[n], f"{where}.{n}") for n in names
        ]
        return [line for found in lines for line in found]
    if isinstance(here, list) and isinstance(kept, list) and len(here) == len(kept):
        return [
            line for i, (a, b) in enumerate(zip(here, kept, strict=True)) for line in differences(a, b, f"{where}[{i}]")
        ]
    if isinstance(here, float | int) and isinstance(kept, float | int):
        return [] if here == pytest.approx(kept, rel=1e-3, abs=2e-3) else [f"{where}: {here} was {kept}"]
    return [] if here == kept else [f"{where}: {here} was {kept}"]


@pytest.mark.parametrize("name", ["tidy", "lost", "answered"])
def test_the_same_take_the_same_figures(name: str) -> None:
    here = figures_of(name)
    kept = json.loads(FIGURES.read_text()) if FIGURES.exists() else {}
    if WRITE:
        FIGURES.write_text(json.dumps({**kept, "revision": REVISION, name: here}, indent=1, sort_keys=True) + "\n")
        return
    assert kept["revision"] == REVISION, "figures.json is of another revision; write it anew"
    changed = differences(here, kept[name])
    otherwise, new = ([line for line in changed if line.endswith(NEW) is is_new] for is_new in (False, True))
    assert not otherwise, (
        "figures changed: raise REVISION in trainer/scoring/card.py and write figures.json anew\n"
        + "\n".join(otherwise[:20])
    )
    assert not new, "write figures.json anew; REVISION may stand, as a card's keys tell themselves\n" + "\n".join(
        new[:20]
    )
