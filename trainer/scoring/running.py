"""Cheap running figures for the screen while playing: fed note by note, never looking back further than a few bars.

Goal: a few numbers at once (last asynchronies, running ratio, changes landed), each in a fixed amount of work per note.
They are previews: the scorecard after the take reads beats as a whole and is what counts; but they speak of the same
things as it does, of calibrated notes against the drums, over the whole take, so that nobody is told one thing while
playing and another at the end. Feeding notes one by one gives the same figures as feeding them all. Conventions:
seconds and beats as in the take; late is positive.
"""

from __future__ import annotations

import math
from bisect import insort
from collections import deque
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from statistics import median

import numpy as np
from numpy.typing import NDArray

from trainer.clock.tempo import TempoMap, swing_offbeat_frac
from trainer.scoring.clean import delay_s
from trainer.scoring.timing import band_reference_s
from trainer.session import Chart
from trainer.take.model import Calibration
from trainer.take.notes import PICKED_VELOCITY, Notes

__all__ = ["FiguresSoFar", "RunningScore"]

LAST_N = 32  # on-beats that tell where the player stands just now, to find their slots; our choice
LANE_BEATS = 48  # on-beats kept for the screen's lane: a chorus of twelve bars; our choice


@dataclass(frozen=True, slots=True)
class FiguresSoFar:
    """What is known so far, of the whole take; None where nothing is known yet.

    `last_asynchronies_s`: the last on-beats against the drums, newest last; `last_beats` the whole beats they were for.
    `own_average_s`: the median of the last 32, round which the lane of an input without a calibration is drawn.
    """

    n_notes: int
    mean_asynchrony_s: float | None
    own_average_s: float | None
    last_asynchronies_s: tuple[float, ...]
    last_beats: tuple[int, ...]
    n_pairs: int
    swing_ratio: float | None
    changes: int
    roots: int


class RunningScore:
    """Takes notes in playing order; `figures()` is cheap at any moment.

    `calibration`: taken off each note, as scoring does. `band`: the band's intended notes, against whose drums the
    player is timed; without one against the grid. `typing`: played on the computer keyboard.
    """

    def __init__(
        self, chart: Chart, tempo: TempoMap, calibration: Calibration | None = None, band: Notes | None = None,
        *, typing: bool = False,
    ) -> None:  # fmt: skip
        self._typing = typing
        self._tempo = tempo
        self._calibration = calibration
        self._first_beat = math.floor(chart.first_beats)
        self._drums_s = _drums_s(band, tempo, self._first_beat, math.ceil(chart.end_beats) - self._first_beat + 1)
        self._untimed = {
            bar.idx for bar in chart.bars if bar.ritard or bar.stopped or bar.final or bar.drop_out or bar.heard
        }
        self._off = float(swing_offbeat_frac(chart.swing_ratio))
        self._first = chart.first_beats
        self._end = chart.end_beats
        self._asks = {bar.idx: bar.line in ("eighths", "free") for bar in chart.bars}
        self._chart = chart
        self._changes = list(_changes(chart))
        self._at = 0
        self._roots = 0
        self._n = 0
        self._n_on = 0
        self._recent: deque[float] = deque(maxlen=LAST_N)
        self._sum_s = 0.0  # of the on-beats against the drums
        self._lane: deque[tuple[int, float]] = deque(maxlen=LANE_BEATS)
        self._ratios: list[float] = []  # rising
        self._on: tuple[int, float] | None = None  # the last on-beat: whole beat, seconds
        self._inside: deque[float] = deque(maxlen=2)  # the last onsets since

    def feed(self, notes: Notes | Iterable[Sequence[float]]) -> None:
        """Rows of a note table, or (onset_s, duration_s, pitch, velocity, …) rows, in playing order."""
        for row in notes:
            picked = self._typing and row[3] == PICKED_VELOCITY
            self._one(float(row[0]), float(row[2]), picked=bool(picked))

    def _one(self, onset_s: float, pitch: float, *, picked: bool) -> None:
        onset_s -= float(delay_s(self._calibration, np.array([pitch]))[0])
        offset_s = median(self._recent) if len(self._recent) >= 5 else 0.0
        beats = float(self._tempo.beats_at(onset_s - offset_s))
        if beats < self._first - 0.3 or beats > self._end:
            return
        self._n += 1
        whole = round(beats)
        if not -(1.0 - self._off) / 2.0 <= beats - whole <= 0.2 or (self._on is not None and whole <= self._on[0]):
            self._inside.append(onset_s)
            return
        self._time(whole, onset_s - float(self._tempo.seconds_at(float(whole))))
        self._pair(whole, onset_s)
        self._on = (whole, onset_s)
        self._inside.clear()
        while self._at < len(self._changes) and self._changes[self._at][0] < whole:
            self._at += 1
        here = self._at < len(self._changes) and self._changes[self._at] == (whole, round(pitch) % 12)
        if here and not picked:  # a root that the space bar picked is no landing
            self._roots += 1

    def _time(self, whole: int, late_s: float) -> None:
        """An on-beat came so late against the grid."""
        self._recent.append(late_s)
        drums_s = float(self._drums_s[whole - self._first_beat])
        if not math.isnan(drums_s) and int(self._chart.bar_idx_at(float(whole))) not in self._untimed:
            self._n_on += 1
            self._sum_s += late_s - drums_s
            self._lane.append((whole, late_s - drums_s))

    def _pair(self, whole: int, onset_s: float) -> None:
        """The beat that this on-beat ends is a pair of eighths, where one note alone came inside it."""
        if self._on is None or self._on[0] != whole - 1 or len(self._inside) != 1:
            return
        off_s = self._inside[0]
        bar = int(self._chart.bar_idx_at(float(whole - 1)))
        if onset_s > off_s and self._asks[bar] and bar not in self._untimed:
            insort(self._ratios, (off_s - self._on[1]) / (onset_s - off_s))

    def figures(self, now_beats: float = math.inf) -> FiguresSoFar:
        """The figures so far; changes are counted up to the last note's beat, or `now_beats` if that is earlier."""
        reached = min(now_beats, float(self._on[0]) if self._on is not None else -math.inf)
        return FiguresSoFar(
            n_notes=self._n,
            mean_asynchrony_s=self._sum_s / self._n_on if self._n_on else None,
            own_average_s=median(late_s for _, late_s in list(self._lane)[-LAST_N:]) if self._lane else None,
            last_asynchronies_s=tuple(late_s for _, late_s in self._lane),
            last_beats=tuple(beat for beat, _ in self._lane),
            n_pairs=len(self._ratios),
            swing_ratio=median(self._ratios) if self._ratios else None,
            changes=sum(at <= reached for at, _ in self._changes),
            roots=self._roots,
        )


def _drums_s(band: Notes | None, tempo: TempoMap, first_beat: int, n_beats: int) -> NDArray[np.float64]:
    """How late the drums are on each beat, (n_beats,); 0 without a band, or with one that hardly drums."""
    if band is not None:
        drums_s = band_reference_s(band, tempo, first_beat, n_beats)
        if np.count_nonzero(np.isnan(drums_s)) <= n_beats // 2:
            return drums_s
    return np.zeros(n_beats)


def _changes(chart: Chart) -> Iterator[tuple[int, int]]:
    """(whole beat, pitch class of its root) of each change that counts."""
    before = -1
    tops = set(chart.chorus_onsets_beats)
    for span in chart.spans:
        pc = span.chord.lowest_pc
        bar = chart.bars[span.bar_idx]
        # The form's last bar, and what comes inside the one before it, may be played in many ways.
        inside = bar.bar == len(chart.form_chords) or span.onset_beats > bar.onset_beats
        free = bar.turnaround and inside and not (bar.final or chart.turnaround_pinned)
        if bar.chorus > 0 and not (free or bar.heard) and (pc != before or span.onset_beats in tops):
            yield round(span.onset_beats), pc
        before = pc
