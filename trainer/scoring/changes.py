"""The chart's changes of root, and which of them the notes bring."""

from __future__ import annotations

import numpy as np

from trainer.scoring.reading import Floats, Ints
from trainer.session import Chart

__all__ = ["root_changes", "roots_at_changes"]


def root_changes(chart: Chart) -> tuple[Floats, Ints]:
    at, target = [], []
    before = -1
    for span in chart.spans:
        pc = span.chord.lowest_pc
        if pc != before and before >= 0:
            at.append(span.onset_beats)
            target.append(pc)
        before = pc
    return np.array(at, dtype=np.float64), np.array(target, dtype=np.int64)


def roots_at_changes(beats: Floats, pc: Ints, chart: Chart, shifts: Floats) -> Floats:
    """Share of the chart's changes whose nearest note at each shift is the new root: (s,) in, (s,) out."""
    at, target = root_changes(chart)
    if not len(at):
        return np.zeros(len(shifts))
    want = at[None, :] + shifts[:, None]
    i = np.clip(np.searchsorted(beats, want), 1, len(beats) - 1)
    i = np.where(np.abs(beats[i - 1] - want) <= np.abs(beats[i] - want), i - 1, i)
    # The new root must arrive there: on a line of roots the off-beat after the change would fit as well.
    arrives = (pc[i] == target[None, :]) & (pc[np.maximum(i - 1, 0)] != target[None, :])
    hit = (np.abs(beats[i] - want) < 0.2) & arrives
    out: Floats = np.mean(hit, axis=1)
    return out
