"""What the player is not asked for: the bars of an ending or a stop, our own glitches, what lies before and after.

Silence is not error: a file that begins inside the form, or a player who stopped, is asked for nothing there.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from trainer.scoring.reading import (
    EXCUSED_DROP_OUT,
    EXCUSED_FINAL,
    EXCUSED_RITARD,
    EXCUSED_STOP,
    Bools,
    Floats,
)
from trainer.scoring.why import Why, no_figure
from trainer.session import Chart
from trainer.take.model import Take
from trainer.take.notes import near_spans

__all__ = ["begins", "excused_beats", "near_gaps", "stops", "too_coarse"]

SAT_OUT_BEATS = 16.0  # our choice: four bars of nothing before the first note are a player who was not in yet
STOPPED_BEATS = 8.0  # our choice: two bars and more of nothing at the end are a player who stopped, not missed changes
STOPPED_NEAR_BEATS = 0.25  # our choice: a last note nearer to them than this is meant for their first beat
LEADS_IN_BEATS = 0.75  # our choice: so soon before a chorus a note belongs to it
RINGS_BEATS = 1.0  # our choice: of these a last note may ring over so much
TICK_MOST_MS = 10.0  # a steady player's spread; our choice
GAP_MARGIN_S = 0.060  # our choice: notes this near to a glitch of ours are excused


def too_coarse(take: Take) -> Why | None:
    """Why a file's times are too coarse for their medians and spreads, as those jump from tick to tick; else None."""
    file = take.header.extra.get("midi")
    tick_ms = file.get("tick_ms") if isinstance(file, Mapping) else None
    if not isinstance(tick_ms, int | float) or tick_ms <= TICK_MOST_MS:
        return None
    return no_figure("coarse_ticks", f"the file's clock ticks only every {tick_ms:.0f} ms")


def begins(placed: Floats, take: Take, chart: Chart | None) -> float:
    """The beat from which the player can be asked for anything.

    A file from elsewhere may begin inside the form. If its downbeat was found from the notes, it begins with the first
    of them; and if four bars or more are empty before that, the player was not in yet.
    """
    if chart is None or not len(placed) or not take.header.foreign:
        return -math.inf
    inside = placed[placed > chart.first_beats - 0.5]
    first = math.floor(float(inside[0]) + 0.3) if len(inside) else math.inf
    if take.header.downbeat_from == "auto" or first - chart.first_beats > SAT_OUT_BEATS:
        return first
    file = take.header.extra.get("midi")
    starts = file.get("starts_at_beats") if isinstance(file, Mapping) else None
    return float(starts) if isinstance(starts, int | float) else -math.inf


def stops(placed: Floats, ends: Floats, chart: Chart | None) -> float:
    """The beat of the last note of a player who stopped two bars before the end or earlier; else ∞.

    `placed`, `ends`: where each note begins and stops sounding, beats, (n,) each.
    """
    if chart is None or not len(placed):
        return math.inf
    last, silent_from = float(placed.max()), chart.end_beats - STOPPED_BEATS
    if float(ends.max()) > silent_from + RINGS_BEATS and chart.end_beats - last <= SAT_OUT_BEATS:
        return math.inf  # a last chord that is held
    if last >= silent_from - STOPPED_NEAR_BEATS or _rests_there(placed, last, chart):
        return math.inf
    return last


def _rests_there(placed: Floats, last: float, chart: Chart) -> bool:
    """Whether the chorus before the last ended in the same silence: a player who leaves the turnaround to others."""
    rest = chart.end_beats - last
    begin = min(bar.onset_beats for bar in chart.bars if bar.chorus == chart.bars[-1].chorus)
    if rest > SAT_OUT_BEATS or begin - rest < chart.first_beats:
        return False
    return not np.any((placed > begin - rest + STOPPED_NEAR_BEATS) & (placed < begin - LEADS_IN_BEATS))


def excused_beats(ks: Floats, chart: Chart | None) -> NDArray[np.uint8]:
    out = np.zeros(len(ks), dtype=np.uint8)
    if chart is None:
        return out
    marks = np.array(
        [
            EXCUSED_RITARD * bar.ritard
            | EXCUSED_STOP * bar.stopped
            | EXCUSED_FINAL * bar.final
            | EXCUSED_DROP_OUT * bar.drop_out
            for bar in chart.bars
        ],
        dtype=np.uint8,
    )
    return marks[chart.bar_idx_at(ks)]


def near_gaps(seconds: Floats, take: Take) -> Bools:
    spans = ((gap.start_s, gap.end_s) for gap in take.header.gaps)
    return near_spans(seconds, spans, GAP_MARGIN_S, GAP_MARGIN_S)
