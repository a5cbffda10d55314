"""The reason beside an absent figure, and numbers as JSON takes them (no NaN, no ∞)."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Protocol

__all__ = ["HasInterval", "Why", "ci", "counted", "no_figure", "number"]


@dataclass(frozen=True, slots=True)
class Why:
    """Why a figure is absent: a code for programs, a text for people."""

    code: str
    text: str

    def to_dict(self) -> dict[str, str]:
        return {"code": self.code, "text": self.text}


class HasInterval(Protocol):
    """Anything with a low and a high end."""

    @property
    def low(self) -> float: ...

    @property
    def high(self) -> float: ...


def no_figure(code: str, text: str) -> Why:
    """A reason."""
    return Why(code, text)


def counted(n: int, thing: str) -> str:
    """ "1 note", "2 notes"."""
    return f"{n} {thing}{'' if n == 1 else 's'}"


def number(value: float, digits: int) -> float | None:
    """The figure rounded for JSON; None for NaN or ∞."""
    if not math.isfinite(value):
        return None
    rounded = round(float(value), digits)
    return 0.0 if rounded == 0.0 else rounded


def ci(interval: HasInterval, digits: int, scale: float = 1.0) -> list[float] | None:
    """[low, high] rounded for JSON; None when either end is missing."""
    low, high = number(interval.low * scale, digits), number(interval.high * scale, digits)
    return None if low is None or high is None else [low, high]
