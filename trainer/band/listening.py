"""A band that listens: how hard it plays follows the player's own density, height and loudness with a bar's delay.

Each bar heard is compared with the bars before it: twice the notes, an octave higher or 24 velocity steps louder count
one step up each, and the band leans that way by the mean of the three, at most `REACH` from the plan and half of the
way at a time (our choice, all of it). What is heard in bar k is answered in bar k + 2. A bar without notes says
nothing: the band goes back towards its plan. Pure: fed with notes and asked for levels.
"""

from __future__ import annotations

import numpy as np

from trainer.session import Chart

__all__ = ["DECIDE_BEATS", "REACH", "Listener"]

REACH = 0.2  # of intensity, on either side of the plan
DECIDE_BEATS = 0.25  # into a bar: the last note of the bar before has arrived, and the bar to come is not yet due
_STEP_SEMITONES = 12.0
_STEP_VELOCITY = 24.0
_LEAST_BARS = 3  # heard before the band leans: what is usual for this player must be known first


class Listener:
    """Notes in, an intensity for each bar out, in order. `levels` holds what has been settled so far."""

    def __init__(self, chart: Chart) -> None:
        self.chart = chart
        self.levels: list[float] = []
        self._lean = 0.0
        self._notes: dict[int, list[tuple[float, float]]] = {}
        self._heard: list[tuple[float, float, float]] = []  # log2 of notes, mean pitch, mean velocity of a bar
        for _ in range(min(2, len(chart.bars))):  # nothing can have been heard
            self._settle()

    @property
    def next_idx(self) -> int:
        """The bar that is settled next."""
        return len(self.levels)

    def hear(self, beats: float, pitch: float, velocity: float) -> None:
        """A note of the player's. What comes before the first bar is not counted."""
        if beats >= self.chart.first_beats:
            self._notes.setdefault(int(self.chart.bar_idx_at([beats])[0]), []).append((pitch, velocity))

    def wanted(self, beats: float) -> bool:
        """Whether another bar can be settled at this place of the song."""
        idx = self.next_idx
        return idx < len(self.chart.bars) and beats >= self.chart.bars[idx - 1].onset_beats + DECIDE_BEATS

    def settle(self) -> tuple[int, float]:
        """Settle the next bar by what was heard two bars before it: its index and its intensity."""
        idx = self.next_idx
        notes = self._notes.pop(idx - 2, [])
        self._lean += 0.5 * (REACH * self._step(notes) - self._lean)
        self._settle()
        return idx, self.levels[-1]

    def _settle(self) -> None:
        plan = self.chart.bars[len(self.levels)].intensity
        self.levels.append(round(min(max(plan + self._lean, 0.0), 1.0), 4))

    def _step(self, notes: list[tuple[float, float]]) -> float:
        """Where a bar lies against the bars before it, −1 (sparse, low, soft) to 1."""
        if not notes:
            return 0.0
        pitches, velocities = zip(*notes, strict=True)
        bar = (float(np.log2(len(notes))), float(np.mean(pitches)), float(np.mean(velocities)))
        step = 0.0
        if len(self._heard) >= _LEAST_BARS:
            usual = np.median(np.array(self._heard), axis=0)
            apart = (np.array(bar) - usual) / (1.0, _STEP_SEMITONES, _STEP_VELOCITY)
            step = float(np.clip(apart, -1.0, 1.0).mean())
        self._heard.append(bar)
        return step
