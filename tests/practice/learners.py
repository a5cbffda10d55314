"""Simulated learners for the planner's tests. Their learning is not the planner's model of it: skill in logits that
grows with practised minutes, less the better it is, and slips back with a power of the days away."""

from __future__ import annotations

import datetime
import math
import random
from collections import Counter
from collections.abc import Callable, Sequence

from trainer.line import DEVICES
from trainer.practice.drills import DRILLS, drill_named
from trainer.practice.evening import Evening, Evidence, evidence_of_run, plan_evening, turns_of
from trainer.practice.history import DrillRun

FIRST = datetime.date(2026, 1, 5)
MINUTES = 20.0
EVENINGS = 10
SONG_PAIRS = {"change_one_four": 8, "change_four_one": 8, "change_five_four": 4, "change_turnaround": 3}
ROOTS_AND_TIME = {"roots": 20, "shuffle_through_the_form": 4, "pin_the_verse": 4}
# drill, minutes, whether a short first try, key
Chosen = Sequence[tuple[str, float, bool, str]]
Planner = Callable[["Learner", datetime.date, int], Chosen]


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
        self.longest_wait = 0
        self.plans: list[Evening] = []

    def clean(self, name: str) -> bool:
        logit = self.skill[name] - 0.25 * math.log1p(self.away[name])
        return self.rng.random() < 1.0 / (1.0 + math.exp(-logit))

    def practise(self, name: str, minutes: float, day: datetime.date, evening: int, short: bool, key: str) -> None:
        """Runs of 2.5 minutes with three passes; a short first try is one pass of each matter that it shows."""
        shows = drill_named(name).shows
        for shown in shows:
            self.practise(shown, minutes / len(shows), day, evening, True, key)
        if shows:
            return
        shares = []
        n_runs = 1 if short else max(1, round(minutes / 2.5))
        for _ in range(n_runs):
            passes = [self.clean(name) for _ in range(1 if short else 3)]
            shares.append(sum(passes) / len(passes))
            self.skill[name] += 0.1 * minutes / (5.0 * n_runs) * max(0.0, 2.5 - self.skill[name])
        for share in shares:
            moment = datetime.datetime.combine(day, datetime.time(19), datetime.UTC)
            self.runs.append(DrillRun(name, key, 96.0, moment, share >= 0.8, share, 1 if short else 3))
            self.evidence.append(evidence_of_run(self.runs[-1]))
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
        # So with a solo that opened, now and then.
        for name in ("open_by_density", "open_by_height"):
            if self.rng.random() < 0.3 and self.clean(name):
                self.evidence.append(Evidence(name, day, 1.0, 0.5))


def ours(learner: Learner, day: datetime.date, seed: int) -> Chosen:
    """Twenty-minute evenings: ten for drills, warm-up, song and look beside. The others get fifteen for drills."""
    evening = plan_evening(MINUTES, learner.evidence, learner.runs, day, seed=seed)
    learner.plans.append(evening)
    times = Counter(turns_of(evening))
    return [
        (p.drill, p.minutes / (times[p] if p.short else 1), p.short, p.key or "G")
        for p in evening.pieces
        if p.kind in ("warm_up", "drill") and p.drill is not None
        for _ in range(times[p] if p.short else 1)  # a short run is one pass
    ]


def at_random(learner: Learner, day: datetime.date, seed: int) -> Chosen:
    return [(name, 5.0, False, "G") for name in random.Random(seed * 1000 + day.toordinal()).sample(sorted(DRILLS), 3)]


def blocked(learner: Learner, day: datetime.date, seed: int) -> Chosen:
    """Five evenings on three drills, then the next three."""
    names = sorted(DRILLS)
    start = ((day - FIRST).days // 5 * 3 + seed * 7) % len(names)
    return [(names[(start + i) % len(names)], 5.0, False, "G") for i in range(3)]


def evenings(planner: Planner, weak: Sequence[str], n: int, seed: int) -> Learner:
    learner = Learner(weak, seed)
    for evening in range(1, n + 1):
        day = FIRST + datetime.timedelta(days=evening - 1)
        chosen = planner(learner, day, seed)
        for name, minutes, short, key in chosen:
            learner.practise(name, minutes, day, evening, short, key)
        learner.song(day)
        met = {shown for drill, *_ in chosen for shown in drill_named(drill).shows or (drill,)}
        for name in DRILLS:
            learner.away[name] += 1
            learner.gaps[name] = 0 if name in met else learner.gaps[name] + 1
        learner.longest_wait = max(learner.longest_wait, *learner.gaps.values())
    return learner
