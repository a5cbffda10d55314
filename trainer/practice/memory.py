"""What comes back when: spaced practice over days, from the history of drill runs.

Each drill × key × tempo range is one item. A day's runs of an item are one review of an open spaced-repetition
scheduler (FSRS, PyPI `fsrs`), adapted for motor skill: whole days only, since sleep between sessions is what helps
(Simmons 2012: coming back after 6–24 h beats 5 minutes), never within the same day, and never later than three weeks,
since hands go rusty (our choice). The review's grade is the share of clean complete passes, which is what predicts
keeping a passage (Duke, Simmons & Cash 2009).

Nothing is stored here: every standing is worked out anew from the runs, so it can never disagree with the takes.
"""

from __future__ import annotations

import datetime
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from fsrs import Card, Rating, Scheduler

from trainer.practice.rows import DrillRun

__all__ = ["TEMPO_RANGES", "Item", "Standing", "due_on", "grade", "item_of", "standings", "tempo_range"]

# Names and edges of the tempo ranges of the trade (common practice): slow, medium shuffle, up, fast.
TEMPO_RANGES: tuple[tuple[str, float], ...] = (("slow", 80.0), ("medium", 130.0), ("up", 165.0), ("fast", 1000.0))
LONGEST_DAYS = 21  # our choice
CLEAN_SHARE, HALF_SHARE = 0.8, 0.5  # grades by share of clean passes; our choice
EASY_RUNS = 3  # a day of so many runs, all clean, is easy; our choice
RECENT_RUNS = 10

# No steps within a day, and no random scatter of dates: what is due must be the same whenever it is asked.
SCHEDULER = Scheduler(
    desired_retention=0.9,
    learning_steps=(),
    relearning_steps=(),
    maximum_interval=LONGEST_DAYS,
    enable_fuzzing=False,
)


@dataclass(frozen=True, slots=True, order=True)
class Item:
    """What is remembered: a drill in a key, in a tempo range (a name of `TEMPO_RANGES`)."""

    drill: str
    key: str
    tempo: str


@dataclass(frozen=True, slots=True)
class Standing:
    """Where an item stands: when it is due, the chance that it would still go, clean passes lately.

    `kept_frac` is the scheduler's retrievability today; `clean_frac` the share of clean passes in the last runs.
    """

    item: Item
    last_day: datetime.date
    due: datetime.date
    kept_frac: float
    clean_frac: float
    n_runs: int
    newest_tempo_bpm: float


def tempo_range(tempo_bpm: float) -> str:
    """The name of a tempo's range."""
    return next(name for name, below in TEMPO_RANGES if tempo_bpm < below)


def item_of(run: DrillRun) -> Item:
    return Item(run.drill, run.key, tempo_range(run.tempo_bpm))


def grade(shares: Sequence[float]) -> Rating:
    """A day's grade from its runs' shares of clean passes. `ValueError` for a day without runs."""
    if not shares:
        raise ValueError("a day without runs has no grade")
    mean = sum(shares) / len(shares)
    if mean >= 1.0 - 1e-9 and len(shares) >= EASY_RUNS:
        return Rating.Easy
    if mean >= CLEAN_SHARE:
        return Rating.Good
    return Rating.Hard if mean >= HALF_SHARE else Rating.Again


def standings(runs: Iterable[DrillRun], today: datetime.date) -> dict[Item, Standing]:
    """The standing of every item that was ever practised, from all its runs up to `today`."""
    by_item: dict[Item, dict[datetime.date, list[DrillRun]]] = {}
    for run in runs:
        day = run.created.date()
        if day <= today:
            by_item.setdefault(item_of(run), {}).setdefault(day, []).append(run)
    return {item: _standing(item, days, today) for item, days in by_item.items()}


def due_on(runs: Iterable[DrillRun], today: datetime.date) -> list[Standing]:
    """What is due, waiting longest first."""
    return sorted((s for s in standings(runs, today).values() if s.due <= today), key=lambda s: (s.due, s.item))


def _noon(day: datetime.date) -> datetime.datetime:
    return datetime.datetime(day.year, day.month, day.day, 12, tzinfo=datetime.UTC)


def _standing(item: Item, days: dict[datetime.date, list[DrillRun]], today: datetime.date) -> Standing:
    card = Card(card_id=1, due=_noon(min(days)))
    for day in sorted(days):
        card, _ = SCHEDULER.review_card(card, grade([run.share for run in days[day]]), _noon(day))
    last = max(days)
    everything = [run for day in sorted(days) for run in days[day]]
    recent = everything[-RECENT_RUNS:]
    return Standing(
        item=item,
        last_day=last,
        due=max(card.due.date(), last + datetime.timedelta(days=1)),
        kept_frac=float(SCHEDULER.get_card_retrievability(card, _noon(today))),
        clean_frac=sum(run.share for run in recent) / len(recent),
        n_runs=len(everything),
        newest_tempo_bpm=everything[-1].tempo_bpm,
    )
