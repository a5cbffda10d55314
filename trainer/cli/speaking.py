"""Writing to a person: lines wrapped to their terminal; to a pipe or file as they are."""

from __future__ import annotations

import contextlib
import shutil
import sys
import textwrap
from typing import TYPE_CHECKING

import typer

from trainer.plain import plain

if TYPE_CHECKING:
    from trainer.scoring import Scorecard

__all__ = ["card_text", "echo", "say", "to_stderr", "wrapped"]

WIDEST = 110  # longer lines are hard to read; our choice


def wrapped(text: str, width: int) -> list[str]:
    """The text's lines, none longer than `width`; what runs on is indented by two more."""
    out = []
    for line in text.split("\n"):
        indent = line[: len(line) - len(line.lstrip())]
        out += textwrap.wrap(line, width, subsequent_indent=indent + "  ", break_on_hyphens=False) or [""]
    return out


def say(text: str, *, err: bool = False) -> None:
    """Print text for a person, `err` to standard error."""
    if (sys.stderr if err else sys.stdout).isatty():
        width = max(20, min(WIDEST, shutil.get_terminal_size().columns))
        text = "\n".join(wrapped(text, width))
    echo(text, err=err)


def echo(text: str = "", *, err: bool = False, nl: bool = True) -> None:
    """Print as it is, but cleaned: the one place of the commands that prints."""
    typer.echo(plain(text, "\n\t"), err=err, nl=nl)


def to_stderr(wanted: bool) -> contextlib.AbstractContextManager[object]:
    """While this is open, what is printed goes to standard error, where `wanted`: standard output is for a program."""
    return contextlib.redirect_stdout(sys.stderr) if wanted else contextlib.nullcontext()


def card_text(card: Scorecard, *, full: bool = False) -> str:
    """A scorecard for a person: its four lines and costly bars, then what to work on, each with its evidence."""
    from trainer.scoring.text import summary

    verdict = card.verdict
    lines = [summary(card, full=full)]
    remarks = [f"Note: {remark}" for remark in card.take.remarks]
    unplaced = card.form.nothing is not None and card.form.nothing.code in ("no_beat", "not_placed")
    if remarks and (unplaced or card.take.beat_this_file != "file"):  # whose beat, before anything is said by it
        lines[:0] = [remarks.pop(0), ""]
    if remarks:
        lines += ["", *remarks]
    if verdict.advice:
        lines += ["", f"What to work on (judged as {verdict.level.replace('_', ' ')}):"]
        song = None if card.chart is None else card.chart.session
        here = "" if song is None else f" --key {song.key.name} --bpm {song.tempo_bpm:g}"
        for advice in verdict.advice:
            drill = f"{advice.drill} {advice.options}".rstrip() + here
            lines.append(f"  {advice.text} {_sentence(advice.evidence)} trainer drill {drill}")
    elif verdict.no_advice is not None and verdict.no_advice.code == "met":
        lines += ["", _sentence(verdict.no_advice.text)]
    return "\n".join(lines)


def _sentence(text: str) -> str:
    return f"{text[:1].upper()}{text[1:].rstrip('.')}."
