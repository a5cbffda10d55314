"""How much of ten evenings goes to a hidden weakness: our planner against a random and a blocked one, as ratios."""

from __future__ import annotations

import statistics

from tests.practice.learners import at_random, blocked, evenings, ours

WEAK = ("change_one_four", "change_five_four", "chromatic_approach", "shuffle_two_strings")


def main() -> None:
    print(
        "weakness                minutes: ours  random  blocked   ours/random  ours/blocked   found by evening (median)"
    )
    for weak in WEAK:
        learners = {
            p.__name__: [evenings(p, [weak], 10, seed) for seed in range(40)] for p in (ours, at_random, blocked)
        }
        mean = {name: statistics.mean(one.minutes[weak] for one in them) for name, them in learners.items()}
        found = statistics.median(one.first_time.get(weak, 99) for one in learners["ours"])
        ratios = [mean["ours"] / mean[name] if mean[name] else float("inf") for name in ("at_random", "blocked")]
        print(
            f"{weak:<24}{mean['ours']:14.1f}{mean['at_random']:8.1f}{mean['blocked']:9.1f}"
            f"{ratios[0]:14.1f}{ratios[1]:14.1f}{found:16.0f}"
        )


if __name__ == "__main__":
    main()
