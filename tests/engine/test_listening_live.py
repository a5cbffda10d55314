"""A band that listens over real ports: what the far end hears is what the take says the band played."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from tests.engine.in_mid_song import is_silent, only_take
from tests.engine.on_a_terminal import on_terminal
from tests.jack_sender import JackSender
from trainer.band import arrange
from trainer.session import expand

pytestmark = pytest.mark.jack


def test_the_far_end_hears_the_band_that_the_take_holds(far: JackSender, env: dict[str, str], tmp_path: Path) -> None:
    takes = tmp_path / "takes"
    arguments = ["demo", "--bpm", "240", "--loop", "1-4", "--choruses", "2", "--listen", "--plain",
                 "--midi-out", "far", "--takes", str(takes)]  # fmt: skip
    with on_terminal(arguments, env) as run:
        assert run.wait() == 0, run.words[-3000:]
    take = only_take(takes)
    assert take.session is not None and take.session.listen
    chart = expand(take.session)
    plan = np.array([bar.intensity for bar in chart.bars])
    played = np.array(take.header.extra["intensities"])
    assert len(played) == len(plan)
    assert np.abs(played - plan).max() > 0.02  # it did follow
    expected = arrange(chart, intensity=played).events
    assert len(take.band) == len(expected)
    heard = far.heard()
    assert is_silent(heard)
    ons = [m for _, _, m in heard if m.startswith("9") and m[4:6] != "00"]
    assert 0.98 * len(expected) <= len(ons) <= len(expected)  # strokes of one pitch at one moment are one
    lateness = take.header.lateness
    assert lateness["n"] == len(ons)
