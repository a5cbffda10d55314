"""States of an invented session for the screen's tests and pictures."""

from __future__ import annotations

from typing import Any

from trainer.music import Key, parse_key
from trainer.screen import PartLevel, RunningFigures, ScreenState
from trainer.session import BarSpan, ChorusPlan, Session, expand

MIX = (
    PartLevel("drums", 0.8),
    PartLevel("keys", 0.7),
    PartLevel("chop", 0.6, muted=True),
    PartLevel("lead", 0.5),
    PartLevel("guide", 0.0, chosen=True),
    PartLevel("count", 0.8),
)
LANE_MS = (5.0, 12.0, -8.0, 20.0, 3.0, 9.0, 70.0, 4.0, 11.0, 2.0)
LANE_BEATS = (6, 7, 8, 9, 10, 11, 12, 13, 14, 16)
PLANS = (ChorusPlan("verse", 2, (0.4, 0.5)), ChorusPlan("solo", 2, (0.6, 0.8)), ChorusPlan("verse"))


def session(**changes: Any) -> Session:
    given: dict[str, Any] = {
        "title": "Back room, slow one",
        "key": parse_key("Bb") if changes.pop("flat", False) else Key("G", 7),
        "choruses": PLANS,
        "drop_outs": (BarSpan(3, 9, 10),),
    }
    return Session(**{**given, **changes})


def state(at_beats: float, of: Session | None = None, **changes: Any) -> ScreenState:
    given: dict[str, Any] = {
        "chart": expand(of if of is not None else session()),
        "at_beats": at_beats,
        "lane_ms": LANE_MS,
        "lane_beats": LANE_BEATS,
        "n_notes": 120,
        "mix": MIX,
        "source": "hearing: MIDI port",
    }
    return ScreenState(**{**given, **changes})


FIGURES = RunningFigures(1.934, 60, 2.0, 18, 22, 6.2)
TWO_FIVE = session(form="two_five_12", flat=True, drop_outs=(), title="Last call")
LONG = session(
    form="chart",
    chart=("G7", "C7") * 32,
    drop_outs=(),
    title="A chart of sixty-four bars whose title is far too long for any terminal that a player would use at home",
)
ROUND = session(loop=(9, 12), title="Going round")

STATES: dict[str, ScreenState] = {
    "count_in": state(-3.5, phase="count_in"),
    "verse": state(17.2),
    "solo_figures": state(96 + 22.5, figures=FIGURES),
    "drop_out_warned": state(96 + 35.0, warnings=("uncalibrated: early and late are round your own average",)),
    "calm": state(96 + 41.1, calm=True),
    "paused_typing": state(60.0, phase="paused", typing=True, next_tempo_bpm=104.0, note="drums muted"),
    "last_bar": state(239.0),
    "cue_new": state(96 + 33.0, cue="solo coming: follow it up", cue_large=True, open_end=True),
    "cue_stands": state(96 + 42.0, cue="one more chorus", open_end=True),
    "ended": state(240.0, phase="ended"),
    "two_chords": state(43.0, TWO_FIVE),
    "round": state(9.0, ROUND),
    "long_chart": state(4 * 50 + 1.0, LONG),
    "ascii": state(96 + 22.5, figures=FIGURES, ascii_only=True),
}
