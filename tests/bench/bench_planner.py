"""How soon a hidden weakness is found, and how much of ten evenings goes to it: our planner against a random and a
blocked one, as ratios, for every drill as the weakness.

python tests/bench/bench_planner.py [learners]
"""

from __future__ import annotations

import statistics
import sys

from tests.practice.learners import EVENINGS, Learner, at_random, blocked, evenings, ours
from trainer.practice.drills import DRILLS


def main() -> None:
    n = int(sys.argv[1]) if len(sys.argv) > 1 else 40
    print(f"{n} learners each, ten evenings of twenty minutes")
    print(
        f"{'weakness':<30}{'tried by the third':>19}{'minutes: ours':>15}{'random':>8}{'blocked':>9}{'ours/random':>13}"
    )
    in_all: dict[str, list[float]] = {planner.__name__: [] for planner in (ours, at_random, blocked)}
    n_found = n_own = 0
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
        n_own += sum(own_minutes(one, weak) >= 2.0 for one in learners["ours"])
        print(
            f"{weak:<30}{f'{found} of {n}':>19}{mean['ours']:>15.1f}{mean['at_random']:>8.1f}{mean['blocked']:>9.1f}"
            f"{mean['ours'] / mean['at_random'] if mean['at_random'] else float('inf'):>13.1f}"
        )
    twelve_weeks()
    long = [evenings(ours, ["change_five_four"], 2 * len(DRILLS), seed) for seed in range(5)]
    waited = max(learner.longest_wait for learner in long)
    print(f"tried by the third evening: {n_found} of {n * len(DRILLS)}, two minutes of its own by then: {n_own}")
    print(f"in {2 * len(DRILLS)} evenings of five learners no drill waited longer than {waited} evenings")
    total = {name: statistics.mean(minutes) for name, minutes in in_all.items()}
    ratios = [total["ours"] / total[name] for name in ("at_random", "blocked")]
    print(f"time, ours/random {ratios[0]:.2f}, ours/blocked {ratios[1]:.2f}")


def own_minutes(learner: Learner, weak: str) -> float:
    """Minutes that went to a drill as a thing of its own on the first three evenings."""
    return sum(piece.minutes for plan in learner.plans[:3] for piece in plan.pieces if piece.drill == weak)


def twelve_weeks(n: int = 6) -> None:
    """Daily evenings of twelve weeks: what they are made of."""
    print(f"\ntwelve weeks of {n} learners, a weakness each")
    print(f"{'weakness':<30}{'things, first':>14}{'most for one':>14}{'keys of 12':>12}{'grooves':>9}{'tempi':>7}")
    names = list(DRILLS)
    for seed in range(n):
        weak = names[seed * len(names) // n]
        learner = evenings(ours, [weak], 84, seed)
        songs = [next(piece for piece in plan.pieces if piece.kind == "song") for plan in learner.plans]
        windows = [songs[i : i + 12] for i in range(len(songs) - 11)]
        fewest = [
            min(len({getattr(song, what) for song in window}) for window in windows)
            for what in ("key", "groove", "tempo_bpm")
        ]
        most = max(piece.minutes / plan.minutes for plan in learner.plans for piece in plan.pieces if piece.drill)
        things = max(len(plan.pieces) for plan in learner.plans[:3])
        print(f"{weak:<30}{things:>14}{most:>14.3f}{fewest[0]:>12}{fewest[1]:>9}{fewest[2]:>7}")
    print()


if __name__ == "__main__":
    main()
