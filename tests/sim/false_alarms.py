"""How often players of kinds unlike our own are told that they were elsewhere in the form, though nobody was.

    python tests/sim/false_alarms.py [--takes 40] [--seed 100000] [--kinds walker …]

Five choruses a take; a line per kind of `strangers.py`: spans said for certain, questions, and how many missed quick
changes were asked about. `TUNING` kinds served while the ears were made, `JUDGING` kinds did not.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))

from strangers import JUDGING, TUNING, played, timed

from trainer.scoring.form import LostSpan, place_notes

CHORUSES = 5


def spans_of(kind: str, seed: int) -> tuple[LostSpan, ...]:
    """What is said of the form in one take of a kind."""
    chart, rows = played(kind, seed, CHORUSES)
    table = np.array(timed(rows, np.random.default_rng(seed + 10**6), chart.swing_ratio))
    return place_notes(chart, table[:, 0], table[:, 2]).spans


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--takes", type=int, default=40)
    parser.add_argument("--seed", type=int, default=100_000)
    parser.add_argument("--kinds", nargs="*", default=[*TUNING, *JUDGING])
    options = parser.parse_args()
    total = np.zeros(3, dtype=int)
    for kind in options.kinds:
        found = [span for i in range(options.takes) for span in spans_of(kind, options.seed + i)]
        quick = sum(span.cause == "missed quick change" for span in found)
        asked = sum(span.unsure for span in found)
        counts = np.array([len(found) - asked, asked - quick, quick])
        total += counts
        print(f"{kind:24s} said {counts[0]:3d}  asked {counts[1]:3d}  quick change asked {counts[2]:3d}", flush=True)
    n = CHORUSES * options.takes * len(options.kinds)
    print(f"{n} choruses: said {total[0]}, asked {total[1]}, quick change asked {total[2]}")


if __name__ == "__main__":
    main()
