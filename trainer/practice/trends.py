"""Figures over weeks: a slope with its interval for each, and the words that the interval allows."""

from __future__ import annotations

import datetime
from collections.abc import Iterable, Mapping, Sequence
from statistics import median

import numpy as np

from trainer.practice.rows import Followed, Trend
from trainer.scoring.card import MEASURES
from trainer.scoring.stats import MIN_N, theil_sen

__all__ = ["trends_of"]

FOLLOWED = tuple(measure.shown for measure in MEASURES if measure.shown.followed)
Days = Mapping[datetime.date, Sequence[float]]


def trends_of(rows: Iterable[tuple[datetime.date, str, float]]) -> list[Trend]:
    """Every followed figure of (day, name, value), by medians of each day."""
    by_figure: dict[str, dict[datetime.date, list[float]]] = {shown.followed: {} for shown in FOLLOWED}
    for day, name, value in rows:
        by_figure.setdefault(name, {}).setdefault(day, []).append(value)
    return [
        _trend(Followed(s.followed, s.title, s.unit.removeprefix(": 1"), s.better), by_figure[s.followed])
        for s in FOLLOWED
    ]


def _trend(figure: Followed, days: Days) -> Trend:
    """Theil–Sen slope per week over daily medians; below eight days they are only counted."""
    ordered = sorted(days)
    values = np.array([median(days[day]) for day in ordered])
    newest = float(values[-1]) if len(values) else None
    if len(values) < MIN_N:
        text = f"{len(values)} day{'s' * (len(values) != 1)} so far; a trend wants {MIN_N}"
        return Trend(figure, len(values), newest, None, None, text)
    weeks = np.array([(day - ordered[0]).days / 7.0 for day in ordered])
    slope = theil_sen(values, weeks, np.arange(len(values), dtype=np.float64))
    interval = (slope.low, slope.high)
    if slope.low <= 0.0 <= slope.high:
        words = "no change that stands out from the day-to-day scatter"
    elif figure.better == 0:
        words = "moving up" if slope.low > 0.0 else "moving down"
    else:
        words = "getting better" if (slope.low > 0.0) == (figure.better > 0) else "getting worse"
    return Trend(figure, len(values), newest, slope.value, interval, words)
