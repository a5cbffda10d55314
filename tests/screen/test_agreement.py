"""What the screen says last and what the card says first are the same news: one take played through both."""

from __future__ import annotations

from typing import Any

import pytest

from trainer.engine import Heard, Place
from trainer.line import Feel, StandIn, planned_song
from trainer.live import PlayOptions, play_offline
from trainer.live.front import _Front
from trainer.scoring import score
from trainer.screen import render
from trainer.session import Session, expand, session_from_dict
from trainer.take import Calibration

SESSIONS = {
    "shuffle": {"chorus": [{"role": "verse", "times": 2}, {"role": "solo", "times": 2}]},
    "drop-out": {
        "key": "A", "groove": "slow_twelve_eight", "chorus": [{"role": "verse", "times": 3}],
        "drop_out": [{"chorus": 2, "bars": [9, 10]}],
    },
    "one chorus": {"key": "Bb", "tempo_bpm": 132.0, "chorus": [{"role": "verse"}]},
}  # fmt: skip


def _played(session: Session, feel: Feel, options: PlayOptions, commands=()):  # type: ignore[no-untyped-def]
    """The take, and the front that heard it as it would have live."""
    shown = _Front(session, options)
    performance = StandIn(feel, 5).play(planned_song(expand(session), 5))
    said: list[Any] = []
    take = play_offline(session, performance, options, commands=commands, on_message=said.append)
    for message in said:
        if isinstance(message, Heard):
            shown._heard(message)
    shown._heard(Place(0, "finished", shown.chart.end_beats, 0, 96.0))
    return take, shown


@pytest.mark.parametrize("calibration", [Calibration(0.0), Calibration(34.0), Calibration(20.0, 1.5)])
@pytest.mark.parametrize("name", SESSIONS)
def test_the_screens_last_word_is_the_cards_first(name: str, calibration: Calibration) -> None:
    """A player 28 ms behind what an input 34 ms late reports is 6 ms ahead of the drums, on the screen too."""
    session = session_from_dict(SESSIONS[name])
    options = PlayOptions(figures=True, calibration=calibration)
    take, shown = _played(session, Feel(lateness_ms=28.0, swing_ratio=1.8, jitter_sd_ms=9.0), options)
    card, figures = score(take), shown._state().figures
    assert figures is not None and figures.mean_ms is not None
    timing = card.timing.mean_s
    assert timing.low <= figures.mean_ms / 1e3 <= timing.high
    assert abs(figures.mean_ms / 1e3 - timing.value) < 0.002
    if figures.swing_ratio is not None and card.swing.ratio.n >= 8:
        assert card.swing.ratio.low <= figures.swing_ratio <= card.swing.ratio.high
    assert figures.roots == pytest.approx(card.landing.total.roots, abs=2)
    assert figures.changes == pytest.approx(card.landing.total.changes, abs=2)
    words = "behind the drums" if figures.mean_ms > 0 else "ahead of the drums"
    assert f"{abs(figures.mean_ms):.0f} ms {words}" in render(shown._state(), 120, 40).plain


def test_the_lane_of_a_calibrated_input_is_drawn_round_the_drums() -> None:
    session = session_from_dict(SESSIONS["shuffle"])
    feel = Feel(lateness_ms=34.0, jitter_sd_ms=3.0)
    _, shown = _played(session, feel, PlayOptions(calibration=Calibration(34.0)))
    assert abs(sum(shown._state().lane_ms)) / len(shown._state().lane_ms) < 3.0
    assert "the drums" in render(shown._state(), 80, 24).plain
    _, shown = _played(session, feel, PlayOptions())
    assert "your average" in render(shown._state(), 80, 24).plain


def test_going_back_to_the_top_leaves_what_was_played_before_it() -> None:
    """The figures are those of the take, which keeps the choruses before the one that was begun again."""
    session = session_from_dict(SESSIONS["shuffle"])
    options = PlayOptions(figures=True, calibration=Calibration(0.0))
    take, shown = _played(session, Feel(lateness_ms=12.0), options, commands=[(65.0, "restart")])
    card, figures = score(take), shown._state().figures
    assert figures is not None and figures.mean_ms is not None
    assert card.timing.mean_s.low <= figures.mean_ms / 1e3 <= card.timing.mean_s.high
    assert len(shown._state().lane_ms) == 48
