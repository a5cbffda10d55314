"""How soon a hidden weakness is found, and how much of ten evenings goes to it: our planner against a random and a
blocked one, as ratios, for every drill as the weakness.

python tests/bench/bench_planner.py [learners]
"""

from __future__ import annotations

import statistics
import sys

from tests.practice.learners import EVENINGS, at_random, blocked, evenings, ours
from trainer.practice.drills import DRILLS


def main() -> None:
    n = int(sys.argv[1]) if len(sys.argv) > 1 else 40
    print(f"{n} learners each, ten evenings of twenty minutes")
    print(
        f"{'weakness':<30}{'tried by the third':>19}{'minutes: ours':>15}{'random':>8}{'blocked':>9}{'ours/random':>13}"
    )
    in_all: dict[str, list[float]] = {planner.__name__: [] for planner in (ours, at_random, blocked)}
    n_found = longest = 0
    for weak in DRILLS:
        learners = {
            planner.__name__: [evenings(planner, [weak], EVENINGS, seed) for seed in range(n)]
            for planner in (ours, at_random, blocked)
        }
        mean = {name: statistics.mean(one.minutes[weak] for one in them) for name, them in learners.items()}
        for name, minutes in mean.items():
            in_all[name].append(minutes)
        found = sum(one.first_time.get(weak, 99) <= 3 for one in learners["ours"])
        n_found += found
        longest = max(longest, *(max(one.gaps.values()) for one in learners["ours"]))
        print(
            f"{weak:<30}{f'{found} of {n}':>19}{mean['ours']:>15.1f}{mean['at_random']:>8.1f}{mean['blocked']:>9.1f}"
            f"{mean['ours'] / mean['at_random']:>13.1f}"
        )
    total = {name: statistics.mean(minutes) for name, minutes in in_all.items()}
    print(
        f"found by the third evening: {n_found} of {n * len(DRILLS)}; longest that any drill waited: {longest} evenings"
    )
    print(
        f"time, ours/random {total['ours'] / total['at_random']:.2f}, ours/blocked {total['ours'] / total['blocked']:.2f}"
    )


if __name__ == "__main__":
    main()
