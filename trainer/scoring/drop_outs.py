"""Drop-outs, in which the band is silent: where they are, and how long the player's own beat was in one."""

from __future__ import annotations

import numpy as np

from trainer.scoring.reading import Floats
from trainer.session import Chart

__all__ = ["drop_spans", "drop_stretch"]


def drop_spans(chart: Chart | None) -> list[tuple[int, int]]:
    """(first beat, beat of the band's return) of each run of drop-out bars."""
    spans: list[tuple[int, int]] = []
    for bar in chart.bars if chart is not None else ():
        if bar.drop_out:
            start, end = int(bar.onset_beats), int(bar.end_beats)
            if spans and spans[-1][1] == start:
                spans[-1] = (spans[-1][0], end)
            else:
                spans.append((start, end))
    return spans


def drop_stretch(b: Floats, start: int, end: int, off_frac: float) -> float:
    """Player's beat length over the grid's in a drop-out, from how well a steady grid of that length fits the notes."""
    inside = b[(b > start - 0.3) & (b < end + 0.4)]
    if len(inside) < 4:
        return 1.0
    # The stretch may take the last beat at most 0.9 of a beat off in short spans, ±12 % in long ones. Our choice.
    reach = min(0.12, 0.9 / (end - start))
    stretch = 1.0 + np.linspace(-reach, reach, 97)
    x = start + (inside[None, :] - start) / stretch[:, None]
    frac = x - np.floor(x)
    near_on = np.minimum(frac, 1.0 - frac)
    near_off = np.abs(frac - off_frac)
    fit = np.exp(-0.5 * (near_on / 0.06) ** 2) + 0.6 * np.exp(-0.5 * (near_off / 0.06) ** 2)
    total = fit.mean(axis=1) - 0.15 * ((stretch - 1.0) / reach) ** 2
    return float(stretch[int(np.argmax(total))])
