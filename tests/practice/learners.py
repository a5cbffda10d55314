"""Simulated learners for the planner's tests. Their learning is not the planner's model of it: skill in logits that
grows with practised minutes, less the better it is, and slips back with a power of the days away."""

from __future__ import annotations

import datetime
import math
import random
from collections.abc import Callable, Sequence

from trainer.line import DEVICES
from trainer.practice.drills import DRILLS
from trainer.practice.evening import Evidence, plan_evening
from trainer.practice.history import DrillRun

FIRST = datetime.date(2026, 1, 5)
SONG_PAIRS = {"change_one_four": 8, "change_four_one": 8, "change_five_four": 4, "change_turnaround": 3}
ROOTS_AND_TIME = {"roots": 20, "shuffle_through_the_form": 4, "pin_the_verse": 4}
Planner = Callable[["Learner", datetime.date, int], Sequence[tuple[str, float]]]


class Learner:
    """Knows everything middling well but the weak drills."""

    def __init__(self, weak: Sequence[str], seed: int) -> None:
        self.rng = random.Random(seed)
        self.skill = {name: self.rng.gauss(1.6, 0.3) for name in DRILLS}
        for name in weak:
            self.skill[name] = -1.6
        self.away = dict.fromkeys(DRILLS, 0)
        self.runs: list[DrillRun] = []
        self.evidence: list[Evidence] = []
        self.minutes = dict.fromkeys(DRILLS, 0.0)
        self.first_time: dict[str, int] = {}
        self.gaps: dict[str, int] = dict.fromkeys(DRILLS, 0)

    def clean(self, name: str) -> bool:
        logit = self.skill[name] - 0.25 * math.log1p(self.away[name])
        return self.rng.random() < 1.0 / (1.0 + math.exp(-logit))

    def practise(self, name: str, minutes: float, day: datetime.date, evening: int) -> None:
        shares = []
        n_runs = max(1, round(minutes / 2.5))
        for _ in range(n_runs):
            passes = [self.clean(name) for _ in range(3)]
            shares.append(sum(passes) / 3)
            self.skill[name] += 0.1 * minutes / (5.0 * n_runs) * max(0.0, 2.5 - self.skill[name])
        for share in shares:
            moment = datetime.datetime.combine(day, datetime.time(19), datetime.UTC)
            self.runs.append(DrillRun(name, "G", 96.0, moment, share >= 0.8, share))
            self.evidence.append(Evidence(name, day, share))
        self.minutes[name] += minutes
        self.first_time.setdefault(name, evening)
        self.away[name] = 0

    def song(self, day: datetime.date) -> None:
        for name, n in SONG_PAIRS.items():
            self.evidence.append(Evidence(name, day, sum(self.clean(name) for _ in range(n)) / n, 0.25 * n))
        for name, n in ROOTS_AND_TIME.items():
            self.evidence.append(Evidence(name, day, sum(self.clean(name) for _ in range(n)) / n, 1.0))
        # A few devices come up in a song; only those that came off can be heard.
        for name in self.rng.sample(DEVICES, 3):
            if self.clean(name):
                self.evidence.append(Evidence(name, day, 1.0, 1.0))


def ours(learner: Learner, day: datetime.date, seed: int) -> Sequence[tuple[str, float]]:
    pieces = plan_evening(25.0, learner.evidence, learner.runs, day, seed=seed).pieces
    return [(piece.drill, piece.minutes) for piece in pieces if piece.kind == "drill" and piece.drill is not None]


def at_random(learner: Learner, day: datetime.date, seed: int) -> Sequence[tuple[str, float]]:
    return [(name, 5.0) for name in random.Random(seed * 1000 + day.toordinal()).sample(sorted(DRILLS), 3)]


def blocked(learner: Learner, day: datetime.date, seed: int) -> Sequence[tuple[str, float]]:
    """Five evenings on three drills, then the next three."""
    names = sorted(DRILLS)
    start = ((day - FIRST).days // 5 * 3 + seed * 7) % len(names)
    return [(names[(start + i) % len(names)], 5.0) for i in range(3)]


def evenings(planner: Planner, weak: Sequence[str], n: int, seed: int) -> Learner:
    learner = Learner(weak, seed)
    for evening in range(1, n + 1):
        day = FIRST + datetime.timedelta(days=evening - 1)
        chosen = planner(learner, day, seed)
        for name, minutes in chosen:
            learner.practise(name, minutes, day, evening)
        learner.song(day)
        for name in DRILLS:
            learner.away[name] += 1
            learner.gaps[name] = 0 if name in dict(chosen) else learner.gaps[name] + 1
    return learner
