"""The forms that are built in, as numerals.

A form is written as numerals, one string a bar, chords of a bar separated by spaces in equal shares; "%"
repeats the bar before. Twelve-bar tables after Benward & Saker, Music in Theory and Practice (2003), p. 186.
The other forms and the turnarounds are common practice.
"""

from __future__ import annotations

from dataclasses import dataclass

from trainer.music.chords import Chord, numeral_chord, parse_chord
from trainer.music.pitch import Key

__all__ = ["FORMS", "TURNAROUNDS", "Form", "chart_bars", "form_bars"]


@dataclass(frozen=True, slots=True)
class Form:
    """A built-in form: `major` and `minor` hold a numeral string for each bar.

    `turnaround_bars` counts the bars at the end that the turnaround choices replace (0: it has none).
    """

    name: str
    title: str
    major: tuple[str, ...]
    minor: tuple[str, ...]
    turnaround_bars: int = 2

    @property
    def n_bars(self) -> int:
        return len(self.major)


def _bars(text: str) -> tuple[str, ...]:
    return tuple(bar.strip() for bar in text.split("|"))


_FORMS = (
    Form(
        "quick_change_12",
        "Twelve bars, quick change",
        _bars("I7|IV7|I7|I7|IV7|IV7|I7|I7|V7|IV7|I7|V7"),
        _bars("i7|iv7|i7|i7|iv7|iv7|i7|i7|V7|iv7|i7|V7"),
    ),
    Form(
        "slow_change_12",
        "Twelve bars, slow change",
        _bars("I7|I7|I7|I7|IV7|IV7|I7|I7|V7|IV7|I7|V7"),
        _bars("i7|i7|i7|i7|iv7|iv7|i7|i7|V7|iv7|i7|V7"),
    ),
    Form(
        "minor_12",
        "Twelve bars with the flat six",
        _bars("i7|i7|i7|i7|iv7|iv7|i7|i7|bVI7|V7|i7|V7"),
        _bars("i7|i7|i7|i7|iv7|iv7|i7|i7|bVI7|V7|i7|V7"),
    ),
    Form(
        "eight_bar",
        "Eight bars",
        _bars("I7|V7|IV7|IV7|I7|V7|I7 IV7|I7 V7"),
        _bars("i7|V7|iv7|iv7|i7|V7|i7 iv7|i7 V7"),
    ),
    Form(
        "sixteen_bar",
        "Sixteen bars",
        _bars("I7|I7|I7|I7|I7|I7|I7|I7|IV7|IV7|I7|I7|V7|IV7|I7|V7"),
        _bars("i7|i7|i7|i7|i7|i7|i7|i7|iv7|iv7|i7|i7|V7|iv7|i7|V7"),
    ),
    Form(
        "two_five_12",
        "Twelve bars with ii–V",
        _bars("I7|IV7|I7|I7|IV7|#iv°7|I7|VI7|ii7|V7|I7 VI7|ii7 V7"),
        _bars("i7|iv7|i7|i7|iv7|iv7|i7|i7|iim7b5|V7|i7 bVI7|iim7b5 V7"),
    ),
)
FORMS: dict[str, Form] = {form.name: form for form in _FORMS}

# What the last two bars become; "plain" leaves the form's own (V in the last bar of the twelve). Common practice.
TURNAROUNDS: dict[str, tuple[tuple[str, str], tuple[str, str]]] = {
    "five": (("I7", "V7"), ("i7", "V7")),
    "one_four_one_five": (("I7 IV7", "I7 V7"), ("i7 iv7", "i7 V7")),
    "chromatic_to_five": (("I7 I7 bVII7 VI7", "bVI7 V7"), ("i7 i7 bVII7 VI7", "bVI7 V7")),
    "one_held": (("I7", "I7"), ("i7", "i7")),
}


def form_bars(form: Form, key: Key, turnaround: str | None = None) -> tuple[tuple[Chord, ...], ...]:
    """The form's chords in a key: one tuple a bar, the bar's chords in equal shares."""
    bars = list(form.minor if key.minor else form.major)
    if turnaround is not None and form.turnaround_bars == 2:
        bars[-2:] = TURNAROUNDS[turnaround][1 if key.minor else 0]
    return tuple(tuple(numeral_chord(numeral, key) for numeral in bar.split()) for bar in bars)


def chart_bars(bars: list[str]) -> tuple[tuple[Chord, ...], ...]:
    """Chords of a written chart, one string a bar; "%" repeats the bar before. `UsageError` for a bad symbol."""
    out: list[tuple[Chord, ...]] = []
    for bar in bars:
        out.append(out[-1] if bar.strip() == "%" else tuple(parse_chord(symbol) for symbol in bar.split()))
    return tuple(out)
