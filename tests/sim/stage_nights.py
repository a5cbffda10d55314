"""Thirty nights on stage as they are called, against what is called on stages (common practice).

    python -m tests.sim.stage_nights [--nights 30]

prints keys, modes, forms, grooves and tempi of each kind of night, and how many neighbours are alike.
"""

from __future__ import annotations

import argparse
import itertools
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from trainer.practice.stage import LEVELS, make_night
from trainer.session import Session

COMMONEST = ("E", "A", "G")


@dataclass(frozen=True)
class Called:
    """What thirty nights of one kind called, counted."""

    nights: tuple[tuple[Session, ...], ...]

    @property
    def tunes(self) -> list[Session]:
        return [tune for night in self.nights for tune in night]

    @property
    def minor_frac(self) -> float:
        return sum(tune.key.minor for tune in self.tunes) / len(self.tunes)

    @property
    def commonest_frac(self) -> float:
        """Share of the major tunes in the three keys called most."""
        major = [tune.key.name for tune in self.tunes if not tune.key.minor]
        return sum(key in COMMONEST for key in major) / len(major)

    @property
    def most_slow(self) -> int:
        """The most slow tunes of any night."""
        return max(sum(tune.groove == "slow_twelve_eight" for tune in night) for night in self.nights)

    @property
    def alike(self) -> int:
        """Neighbours of the same key, or tempo within five, or groove."""
        return sum(
            one.key.tonic == two.key.tonic or abs(one.tempo_bpm - two.tempo_bpm) <= 5 or one.groove == two.groove
            for night in self.nights
            for one, two in itertools.pairwise(night)
        )


def called(level: str, n_nights: int = 30, first_seed: int = 1) -> Called:
    seeds = range(first_seed, first_seed + n_nights)
    return Called(tuple(tuple(tune.session for tune in make_night(seed, level).tunes) for seed in seeds))


def _counts(values: Sequence[str]) -> str:
    return ", ".join(f"{name} {n}" for name, n in Counter(values).most_common())


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--nights", type=int, default=30)
    n_nights = parser.parse_args().nights
    for level in LEVELS:
        found = called(level, n_nights)
        tempi = sorted(tune.tempo_bpm for tune in found.tunes)
        print(f"{level}: {len(found.tunes)} tunes in {n_nights} nights")
        print(f"  keys    {_counts([tune.key.name for tune in found.tunes])}")
        print(f"  forms   {_counts([tune.form for tune in found.tunes])}")
        print(f"  grooves {_counts([tune.groove for tune in found.tunes])}")
        print(f"  tempi   {tempi[0]:.0f} to {tempi[-1]:.0f}, median {tempi[len(tempi) // 2]:.0f}")
        print(f"  minor {found.minor_frac:.0%}, of the major ones {found.commonest_frac:.0%} in E, A or G,", end=" ")
        print(f"at most {found.most_slow} slow a night, neighbours alike: {found.alike}")


if __name__ == "__main__":
    main()
