"""Is the swing ratio recovered without bias? Ratio × tempo × jitter, many takes a cell.

    python -m tests.sim.swing_recovery --takes 400

prints for each cell the mean of the measured ratio over the true one; wanted: within 1 % of 1, or within 3.5 standard
errors of the mean (Monte Carlo error). Takes are drawn as in `tests.sim.coverage`, 36 bars each.
"""

from __future__ import annotations

import argparse
import itertools

import numpy as np

from tests.sim.coverage import Cell, draw
from trainer.clock.tempo import TempoMap
from trainer.scoring.align import read_notes
from trainer.scoring.swing import swing
from trainer.session import ChorusPlan, Session, expand
from trainer.take import Take, notes_from_rows

__all__ = ["BPMS", "JITTERS_MS", "RATIOS", "recover"]

RATIOS = (1.0, 1.5, 2.0, 2.5, 3.0, 3.5)
BPMS = (60.0, 100.0, 140.0, 200.0)
JITTERS_MS = (0.0, 8.0, 15.0)


def recover(
    ratio: float, bpm: float, jitter_ms: float, n_takes: int, seed: int, *, foreign: bool = False
) -> tuple[float, float]:
    """(mean of measured / true − 1, its standard error) over takes of one cell. `foreign`: scored without a session."""
    rng = np.random.default_rng(seed)
    cell = Cell(n_bars=36, sd_ms=jitter_ms, mean_ms=7.0, ratio=ratio, bpm=bpm, miss=0.1)
    chart = expand(Session(tempo_bpm=bpm, swing_ratio=2.0, choruses=(ChorusPlan("verse", 4, (0.5,) * 4),)))
    got = np.empty(n_takes)
    for i in range(n_takes):
        rows = [(t, 0.04, 36, 80) for t in draw(cell, rng).onset_s]
        take = Take(notes_from_rows(rows), TempoMap.constant(bpm))
        got[i] = swing(read_notes(take, None if foreign else chart)).ratio.value
    relative = got / ratio - 1.0
    return float(relative.mean()), float(relative.std(ddof=1) / np.sqrt(n_takes)) if n_takes > 1 else 0.0


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--takes", type=int, default=400)
    parser.add_argument("--seed", type=int, default=7)
    args = parser.parse_args()
    worst = 0.0
    for i, (ratio, bpm, jitter) in enumerate(itertools.product(RATIOS, BPMS, JITTERS_MS)):
        bias, error = recover(ratio, bpm, jitter, args.takes if jitter else min(args.takes, 4), args.seed + i)
        good = abs(bias) <= max(0.01, 3.5 * error)
        worst = max(worst, abs(bias))
        mark = "" if good else "   <-- beyond"
        cell = f"ratio {ratio:.1f} bpm {bpm:5.0f} jitter {jitter:4.0f} ms"
        print(f"{cell}: bias {100 * bias:+.2f} % ± {100 * error:.2f}{mark}", flush=True)
    print(f"largest bias {100 * worst:.2f} %")


if __name__ == "__main__":
    main()
