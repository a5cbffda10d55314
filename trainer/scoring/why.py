"""The reason beside an absent figure, and numbers as JSON takes them (no NaN, no ∞)."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal, TypeAlias

__all__ = ["Code", "Why", "counted", "no_figure", "number"]

# Every code that a reason may have, for programs.
Code: TypeAlias = Literal[
    "asked",  # put to the player as a question, not scored
    "coarse_ticks",  # the file's times are too coarse
    "counted",  # counted, not sampled: there is no interval
    "flat_velocity",  # the input sends one velocity
    "laid_out",  # the player sat out
    "met",  # every measured figure meets its target
    "no_band",
    "no_beat",  # nothing to compare with
    "no_notes",
    "no_ratio",
    "no_releases",  # the input does not say when notes end
    "no_session",  # form, chords and choruses come from a session
    "no_short_note",  # off-beats fall on or after the next beat
    "no_spread",  # the values do not vary
    "no_verse",  # nothing to hold a solo against
    "none",  # looked for, not there
    "none_asked",
    "none_found",
    "not_asked",  # the plan does not ask for it
    "not_calibrated",
    "not_placed",  # where the take begins in the form, or where the player was, is not known
    "nothing_measured",
    "one_chord",  # one bar sounds like another
    "one_choice",  # notes that fit every bar alike
    "one_pitch",  # it sounds alike in every bar
    "one_place",
    "too_few",
    "too_scattered",
    "too_short",
]


@dataclass(frozen=True, slots=True)
class Why:
    """Why a figure is absent: a code for programs, a text for people."""

    code: Code
    text: str


def no_figure(code: Code, text: str) -> Why:
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
