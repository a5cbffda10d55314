"""What the screen shows: a frozen view of a running session, and the small questions asked of it.

Filled from the transport's snapshots by the front of a running session; nothing here reads a clock or a device.
Conventions: beats on the chart's axis (0.0 is the first downbeat of chorus 1, intro and count-in negative),
asynchronies in milliseconds, late positive, volumes from 0 to 1.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from trainer.session import BEATS_PER_BAR, Chart, ChartBar, ChordSpan

__all__ = ["NextChange", "PartLevel", "Phase", "RunningFigures", "ScreenState", "round_word"]

SHORTEST_CHORUS_BARS = 8  # the eight-bar blues is the shortest form that players call a chorus (common practice)
# waiting: nothing runs yet · count_in · playing (an intro too) · paused · ended: the last bar has been played
Phase = Literal["waiting", "count_in", "playing", "paused", "ended"]


def round_word(chart: Chart) -> str:
    """What one time through the bars is called, "chorus" or "round": a few bars that come round are no chorus."""
    n_bars = sum(bar.chorus == 1 for bar in chart.bars)
    return "chorus" if chart.session.loop is None and n_bars >= SHORTEST_CHORUS_BARS else "round"


@dataclass(frozen=True, slots=True)
class PartLevel:
    """One part of the band in the mixer line. `chosen`: the part that the volume keys act on; `number`: its key."""

    name: str
    gain_frac: float = 1.0
    muted: bool = False
    solo: bool = False
    chosen: bool = False
    number: int = 0


@dataclass(frozen=True, slots=True)
class RunningFigures:
    """Figures while playing, shown only when asked for. `swing_ratio` is None until enough pairs were heard."""

    swing_ratio: float | None = None
    n_pairs: int = 0
    band_ratio: float = 2.0
    roots: int = 0
    changes: int = 0
    mean_ms: float | None = None


@dataclass(frozen=True, slots=True)
class NextChange:
    """The next different chord: `bars` full bar lines away (0: in this bar, `beats` away); `chord` None is the end."""

    span: ChordSpan | None
    bars: int
    beats: int


@dataclass(frozen=True, slots=True)
class ScreenState:
    """Everything one frame shows.

    `lane_ms`: asynchronies of the last on-beats, newest last, late positive, and `lane_beats` the beats they were for;
    `lane_centred` says that the player's own average was taken away (no calibration yet). `mix` is empty without a band
    to mix. `source` names what is heard. `next_tempo_bpm` is the tempo asked for the next run, None when unchanged.
    `typing`: the computer keyboard plays. `ascii_only`: the terminal cannot show block characters. `note` is the last
    thing done, such as "drums muted". `cue` is what is called to the player just now ("solo coming: follow it up"), ""
    when nothing is; `cue_large` shows it in block letters over the form. `open_end`: how many choruses there will be is
    not given away. `counts_to_idx`: the bar that a count-in leads to (index into the chart's), where it leads back into
    the song. `help`: the keys are listed in place of the form. `task`: what is to be done, in a few words, in place of
    what a chorus's role asks for. `tab`: by bar of the chart, the lines of tablature that are shown while its model
    line is heard.
    """

    chart: Chart
    at_beats: float = 0.0
    phase: Phase = "playing"
    tempo_bpm: float | None = None
    lane_ms: tuple[float, ...] = ()
    lane_beats: tuple[int, ...] = ()
    lane_centred: bool = False
    n_notes: int = 0
    warnings: tuple[str, ...] = ()
    mix: tuple[PartLevel, ...] = ()
    figures: RunningFigures | None = None
    calm: bool = False
    source: str = ""
    next_tempo_bpm: float | None = None
    typing: bool = False
    ascii_only: bool = False
    note: str = ""
    cue: str = ""
    cue_large: bool = False
    open_end: bool = False
    counts_to_idx: int = 0
    help: bool = False
    task: str = ""
    tab: Mapping[int, tuple[str, ...]] = field(default_factory=dict)

    @property
    def round_word(self) -> str:
        """What one time through the bars is called: a few bars that come round are no chorus."""
        return round_word(self.chart)

    @property
    def tab_here(self) -> tuple[str, ...]:
        """The tablature of the model line where it is heard."""
        return self.tab.get(self.bar.idx, ()) if self.bar.heard else ()

    @property
    def middle_word(self) -> str:
        """What the lane's middle is."""
        return "your average" if self.lane_centred else "the drums"

    @property
    def bar(self) -> ChartBar:
        """The chart's bar that sounds now (the one to come during a count-in, the last one after the end)."""
        if self.counting_in:
            return self.chart.bars[self.counts_to_idx]
        return self.chart.bars[int(self.chart.bar_idx_at(self.at_beats))]

    @property
    def span(self) -> ChordSpan:
        """The chord that sounds now, as written in its bar; during a count-in the one to come."""
        if self.counting_in:
            return self.chart.spans[int(self.chart.span_idx_at(self.bar.onset_beats))]
        return self.chart.spans[int(self.chart.span_idx_at(self.at_beats))]

    @property
    def counting_in(self) -> bool:
        return self.at_beats < self.chart.first_beats

    @property
    def beat(self) -> int:
        """Beat of the bar, 1–4; during the count-in too."""
        return int(math.floor(self.at_beats) - BEATS_PER_BAR * math.floor(self.at_beats / BEATS_PER_BAR)) + 1

    @property
    def chorus_bars(self) -> tuple[ChartBar, ...]:
        """The bars of the chorus being played, in order. An intro is the end of a chorus: it is shown in chorus 1."""
        bar = self.bar
        bars = tuple(other for other in self.chart.bars if other.chorus == max(bar.chorus, 1))
        if bar.chorus == 0 and bar.bar not in {other.bar for other in bars}:
            bars = tuple(other for other in self.chart.bars if other.chorus == 0)
        return bars

    @property
    def place_idx(self) -> int:
        """Where in `chorus_bars` this bar is, from 0; -1 before the first bar and after the end."""
        if self.counting_in or self.phase == "ended":
            return -1
        bar, bars = self.bar, self.chorus_bars
        if bar in bars:
            return bars.index(bar)
        return next(i for i, other in enumerate(bars) if other.bar == bar.bar)

    @property
    def next_change(self) -> NextChange:
        """The next chord that differs from the one sounding; during a count-in the one that it leads to."""
        return self.following(1)[0]

    def following(self, n: int) -> tuple[NextChange, ...]:
        """The next `n` changes in order; the last one is the end, after which nothing comes."""
        spans, out = self.chart.spans, []
        i = int(self.chart.span_idx_at(self.at_beats))
        now = from_bar = spans[i]
        if self.counting_in:
            beats = math.ceil(self.chart.first_beats - math.floor(self.at_beats))
            out.append(NextChange(self.span, -(-beats // BEATS_PER_BAR), beats))
            now = from_bar = self.span
            i = spans.index(now)
        n_count = out[0].bars if out else 0
        for span in spans[i + 1 :]:
            if len(out) >= n:
                return tuple(out)
            if span.chord != now.chord:
                beats = self._beats_to(span.onset_beats)
                out.append(NextChange(span, n_count + span.bar_idx - from_bar.bar_idx, beats))
                now = span
        if len(out) < n:
            n_bars = n_count + len(self.chart.bars) - from_bar.bar_idx
            out.append(NextChange(None, n_bars, self._beats_to(self.chart.end_beats)))
        return tuple(out)

    def _beats_to(self, beats: float) -> int:
        return max(0, math.ceil(beats - math.floor(self.at_beats)))
