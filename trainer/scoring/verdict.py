"""What the verdict says: four lines and at most three pieces of advice. `judging` works it out."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Literal, TypeAlias

from msgspec import Meta

from trainer.scoring.figure import Explains, Figure, Hidden, Row, Section, Shown
from trainer.scoring.form import BarPlace
from trainer.scoring.why import Why

__all__ = ["MAX_ADVICE", "About", "Advice", "Line", "Verdict"]

MAX_ADVICE = 3

About: TypeAlias = Literal["feel", "time", "landing", "form", "shape"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Line(Section):
    """One of the four lines. `met` None: not measured, or too few to judge. `bars`: what cost most, worst first.

    `also`: what else was judged beside the figure, in words.
    """

    name: Literal["feel", "time", "landing", "form and shape"]
    text: str
    figure: Annotated[Figure, Shown("figure", 4, ci="interval")]
    unit: str
    target: str
    met: bool | None
    bars: tuple[BarPlace, ...] = ()
    also: str = ""
    unjudged: Annotated[Why | None, Explains("met")] = None


@dataclass(frozen=True, slots=True)
class Advice(Row):
    """One thing to practise: what, the evidence in figures, and the drill that addresses it.

    `bar`: the bar that the drill is to work on. `options`: what else to say to `trainer drill` so that it is this very
    place, over the song's own form and groove: "--bar 1 --form slow_change_12".
    """

    about: About
    text: Annotated[str, Meta(min_length=1)]
    evidence: Annotated[str, Meta(min_length=1)]
    drill: Annotated[str, Meta(min_length=1)]
    weight: Hidden[float] = 0.0
    bar: Hidden[int | None] = None
    options: str = ""


@dataclass(frozen=True)
class Verdict(Section):
    """Four lines and at most three pieces of advice, the most pressing first."""

    level: str
    lines: tuple[Line, ...]
    advice: Annotated[tuple[Advice, ...], Meta(max_length=MAX_ADVICE)]
    no_lines: Annotated[Why | None, Explains("lines")] = None
    no_advice: Annotated[Why | None, Explains("advice")] = None
