"""Players unlike our own lines (`tests/sim/strangers.py`) are told nothing for certain that is not so.

Short runs; `tests/sim/false_alarms.py` and `tests/sim/half_a_beat.py` are the long ones.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "sim"))

import strangers
from false_alarms import spans_of

from trainer.scoring import score

KINDS = [*strangers.TUNING, *strangers.JUDGING]


@pytest.mark.parametrize("kind", KINDS)
def test_nobody_who_was_not_lost_is_told_so(kind: str) -> None:
    spans = [span for seed in range(5) for span in spans_of(kind, 40_000 + seed)]
    said = [span.words() for span in spans if not span.unsure and span.cause != "missed quick change"]
    assert said == []


def test_what_is_only_asked_costs_no_bar_and_becomes_no_advice() -> None:
    asked = 0
    for seed in range(12):
        chart, rows = strangers.played("scale_down", 40_000 + seed, 4)
        rows = strangers.timed(rows, np.random.default_rng(seed), chart.swing_ratio)
        card = score(strangers.take_of(chart, rows))
        form = card.to_dict()["form"]
        asked += len(form["lost"])
        assert form["bars_lost"] == sum(span["cause"] == "missed quick change" for span in form["lost"])
        if not form["bars_lost"]:
            assert all("elsewhere" not in advice["text"] for advice in card.to_dict()["verdict"]["advice"])
    assert asked
