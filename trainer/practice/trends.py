"""Figures over weeks: a slope with its interval for each, and the words that the interval allows."""

from __future__ import annotations

import datetime
from collections.abc import Mapping, Sequence
from statistics import median

import numpy as np

from trainer.practice.history import FIGURES, Figure, Trend
from trainer.scoring.stats import MIN_N, theil_sen

__all__ = ["trends_of"]

Days = Mapping[datetime.date, Sequence[float]]


def trends_of(rows: Sequence[tuple[datetime.date, Mapping[str, float | None]]]) -> list[Trend]:
    """Every figure of (day, figures by name), by medians of each day."""
    by_figure: dict[str, dict[datetime.date, list[float]]] = {figure.name: {} for figure in FIGURES}
    for day, figures in rows:
        for name, days in by_figure.items():
            value = figures[name]
            if value is not None:
                days.setdefault(day, []).append(value)
    return [_trend(figure, by_figure[figure.name]) for figure in FIGURES]


def _trend(figure: Figure, days: Days) -> Trend:
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
