"""Cheap running figures for the screen while playing: fed note by note, never looking back further than a few bars.

Goal: a few numbers at once (last asynchronies, running ratio, changes landed), each in a fixed amount of work per note.
They are previews: the scorecard after the take reads beats as a whole and is what counts. Feeding notes one by one
gives the same figures as feeding them all. Conventions: seconds and beats as in the take; late is positive.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from statistics import median

from trainer.clock.tempo import TempoMap, swing_offbeat_frac
from trainer.scoring.changes import target_pc
from trainer.session import Chart
from trainer.take.notes import Notes

__all__ = ["RunningFigures", "RunningScore"]

LAST_N = 32  # notes or pairs that the running medians look at; our choice
LANE_N = 16  # asynchronies kept for the screen's lane


@dataclass(frozen=True, slots=True)
class RunningFigures:
    """What is known so far. Medians are over the last 32; None where nothing is known yet."""

    n_notes: int
    n_on_beats: int
    median_asynchrony_s: float | None
    last_asynchronies_s: tuple[float, ...]
    n_pairs: int
    swing_ratio: float | None
    changes: int
    roots: int


class RunningScore:
    """Takes notes in playing order; `figures()` is cheap at any moment."""

    def __init__(self, chart: Chart, tempo: TempoMap) -> None:
        self._tempo = tempo
        self._off = float(swing_offbeat_frac(chart.swing_ratio))
        self._first = chart.first_beats
        self._end = chart.end_beats
        self._asks = {bar.idx: bar.line in ("eighths", "free") for bar in chart.bars}
        self._chart = chart
        self._changes: list[tuple[int, int]] = []
        before = -1
        tops = set(chart.chorus_onsets_beats)
        for span in chart.spans:
            pc = target_pc(span.chord)
            bar = chart.bars[span.bar_idx]
            if bar.chorus > 0 and not (bar.turnaround or bar.heard) and (pc != before or span.onset_beats in tops):
                self._changes.append((round(span.onset_beats), pc))
            before = pc
        self._at = 0
        self._roots = 0
        self._n = 0
        self._n_on = 0
        self._n_pairs = 0
        self._recent: deque[float] = deque(maxlen=LAST_N)
        self._lane: deque[float] = deque(maxlen=LANE_N)
        self._ratios: deque[float] = deque(maxlen=LAST_N)
        self._on: tuple[int, float] | None = None  # the last on-beat: whole beat, seconds
        self._inside: list[float] = []  # onsets since

    def feed(self, notes: Notes | Iterable[Sequence[float]]) -> None:
        """Rows of a note table, or (onset_s, duration_s, pitch, …) rows, in playing order."""
        for row in notes:
            self._one(float(row[0]), float(row[2]))

    def _one(self, onset_s: float, pitch: float) -> None:
        offset_s = median(self._recent) if len(self._recent) >= 5 else 0.0
        beats = float(self._tempo.beats_at(onset_s - offset_s))
        if beats < self._first - 0.3 or beats > self._end:
            return
        self._n += 1
        whole = round(beats)
        away = beats - whole
        on = -(1.0 - self._off) / 2.0 <= away <= 0.2 and (self._on is None or whole > self._on[0])
        if not on:
            self._inside.append(onset_s)
            if len(self._inside) > 8:
                del self._inside[0]
            return
        late_s = onset_s - float(self._tempo.seconds_at(float(whole)))
        self._n_on += 1
        self._recent.append(late_s)
        self._lane.append(late_s)
        if self._on is not None and self._on[0] == whole - 1 and len(self._inside) == 1:
            off_s = self._inside[0]
            bar = int(self._chart.bar_idx_at(float(whole - 1)))
            if onset_s > off_s and self._asks[bar]:
                self._ratios.append((off_s - self._on[1]) / (onset_s - off_s))
                self._n_pairs += 1
        self._on = (whole, onset_s)
        self._inside.clear()
        while self._at < len(self._changes) and self._changes[self._at][0] < whole:
            self._at += 1
        if self._at < len(self._changes) and self._changes[self._at] == (whole, round(pitch) % 12):
            self._roots += 1

    def figures(self, now_beats: float = math.inf) -> RunningFigures:
        """The figures so far; changes are counted up to the last note's beat, or `now_beats` if that is earlier."""
        reached = min(now_beats, float(self._on[0]) if self._on is not None else -math.inf)
        return RunningFigures(
            n_notes=self._n,
            n_on_beats=self._n_on,
            median_asynchrony_s=median(self._recent) if self._recent else None,
            last_asynchronies_s=tuple(self._lane),
            n_pairs=self._n_pairs,
            swing_ratio=median(self._ratios) if self._ratios else None,
            changes=sum(1 for at, _ in self._changes if at <= reached),
            roots=self._roots,
        )
