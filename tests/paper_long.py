"""Every note of five hundred random takes stands on paper, by `music21`: `python -m tests.paper_long [--takes N]`."""

from __future__ import annotations

import argparse
from collections import Counter

from tests.report.paper_takes import take_on_paper


def main() -> int:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--takes", type=int, default=500)
    options.add_argument("--seed", type=int, default=1000)
    asked = options.parse_args()
    n_notes = n_lost = n_takes = 0
    ornaments: Counter[str] = Counter()
    for seed in range(asked.seed, asked.seed + asked.takes):
        played, on_paper, had = take_on_paper(seed)
        n_notes += sum(played.values())
        lost = sum((played - on_paper).values()) + sum((on_paper - played).values())
        n_lost += lost
        n_takes += lost > 0
        ornaments += had
        if lost:
            print(f"seed {seed}: {played - on_paper} lost, {on_paper - played} too many")
    print(f"{asked.takes} takes, {n_notes} notes, {n_lost} lost or too many in {n_takes} takes; {dict(ornaments)}")
    return 1 if n_lost else 0


if __name__ == "__main__":
    raise SystemExit(main())
