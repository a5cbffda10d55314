"""From a run's cues to what the screen is told: which one, when it is large, and what is kept back."""

from __future__ import annotations

import pytest

from trainer.engine import Place
from trainer.live.front import CUE_LARGE_BEATS, _Front
from trainer.live.options import PlayOptions
from trainer.session import session_from_dict
from trainer.take import Calibration

SESSION = session_from_dict({"chorus": [{"role": "verse"}, {"role": "solo"}]})
CUES = ((0.0, 52.0, "solo coming: follow it up"), (40.0, 52.0, "one more chorus"))


@pytest.mark.parametrize(
    ("beats", "text", "large"),
    [
        (-1.0, "", False),
        (1.0, CUES[0][2], True),
        (CUE_LARGE_BEATS + 1.0, CUES[0][2], False),
        (41.0, CUES[1][2], True),
        (51.0, CUES[1][2], True),
        (53.0, "", False),
    ],
)
def test_the_cue_called_last_is_shown_large_while_new_and_as_it_comes(beats: float, text: str, large: bool) -> None:
    front = _Front(SESSION, PlayOptions(cues=CUES, quiet_screen=True))
    front.place = Place(0, "paused", beats, 0, 96.0)
    state = front._state()
    assert (state.cue, state.cue_large, state.open_end) == (text, large, True)
    plain = _Front(SESSION, PlayOptions(quiet_screen=True))._state()
    assert (plain.cue, plain.cue_large, plain.open_end) == ("", False, False)


@pytest.mark.parametrize("calibration", [None, Calibration(0.0)])
def test_nobody_is_told_to_be_late_before_the_input_is_calibrated(calibration: Calibration | None) -> None:
    front = _Front(SESSION, PlayOptions(figures=True, calibration=calibration))
    for beat in range(8):
        front.score.feed([(float(front.tempo.seconds_at(beat)) + 0.03, 0.0, 43.0)])
    front.score.feed([(float(front.tempo.seconds_at(40)), 0.0, 43.0)])  # settles what came before
    figures = front._state().figures
    assert figures is not None
    # The drums stand a few ms off the grid, as people do.
    assert figures.mean_ms == (None if calibration is None else pytest.approx(30.0, abs=8.0))
