"""The exceptions that the trainer raises on purpose.

    TrainerError                 everything below; exit status 2
    ├── UsageError               the person asked for something that cannot be done
    │   └── SessionError         a session file holds a mistake
    ├── PortError                the hardware: a MIDI port or audio stream is missing, busy or gone
    └── FileFormatError          a file cannot be read as what it claims to be

A message says what was found, what was expected, and what to do next, in one line. Anything else that
escapes is a fault of the program (exit status 1).
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable

from trainer.limits import PROBLEMS

__all__ = [
    "ODD_DATA",
    "FileFormatError",
    "PortError",
    "SessionError",
    "TrainerError",
    "UsageError",
    "did_you_mean",
    "nearest",
]


class TrainerError(Exception):
    """A fault of the input, the person or the hardware; `str()` of it is what the person reads."""


class UsageError(TrainerError):
    """The person asked for something impossible or unknown."""


class SessionError(UsageError):
    """A session file holds one or more mistakes; `problems` has one line for each."""

    def __init__(self, source: str, problems: Iterable[str]) -> None:
        found = tuple(problem if len(problem) <= 1_000 else f"{problem[:999]}…" for problem in problems)
        self.problems = found[:PROBLEMS]
        if len(found) > PROBLEMS:
            self.problems += (f"and {len(found) - PROBLEMS} more",)
        super().__init__("\n".join(f"{source}: {problem}" for problem in self.problems))


class PortError(TrainerError):
    """A MIDI port or audio stream is missing, busy or has gone away."""


class FileFormatError(TrainerError):
    """A file cannot be read as what it claims to be."""


# What plain data that somebody else wrote can raise where it says otherwise than ours would.
ODD_DATA = (TrainerError, ArithmeticError, AttributeError, LookupError, RecursionError, TypeError, ValueError)


def nearest(found: str, allowed: Iterable[str]) -> str | None:
    """The allowed name most like `found`, or None when none is close."""
    names = {name.casefold(): name for name in allowed}
    close = difflib.get_close_matches(found[:100].casefold(), list(names), n=1, cutoff=0.6)
    return names[close[0]] if close else None


def did_you_mean(found: str, allowed: Iterable[str]) -> str:
    """The end of a message that names what is allowed: "; did you mean …?", "" where nothing is close."""
    near = nearest(found, allowed)
    return f'; did you mean "{near}"?' if near else ""
