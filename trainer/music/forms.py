"""The forms that are built in, as numerals, and the facts about grooves that a session needs.

A form is written as numerals, one string a bar, chords of a bar separated by spaces in equal shares; "%"
repeats the bar before. Twelve-bar tables after Benward & Saker, Music in Theory and Practice (2003), p. 186.
The other forms and the turnarounds are common practice.
"""

from __future__ import annotations

from dataclasses import dataclass

from trainer.music.chords import Chord, numeral_chord, parse_chord
from trainer.music.pitch import Key

__all__ = ["FORMS", "GROOVES", "TURNAROUNDS", "Form", "GrooveFacts", "chart_bars", "form_bars"]


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


@dataclass(frozen=True, slots=True)
class GrooveFacts:
    """What a session must know of a groove: its usual ratio and tempi, and the line it asks of the bass.

    `line` is "eighths" (a shuffle line), "quarters" (a walk), "two_beat", or "free". Tempo ranges and ratios are
    common practice (the project's definitions).
    """

    name: str
    title: str
    tempo_low_bpm: float
    tempo_high_bpm: float
    line: str = "eighths"
    straight: bool = False

    @property
    def usual_tempo_bpm(self) -> float:
        """A tempo that suits it: 96 where that is inside its range, else the middle."""
        if self.tempo_low_bpm <= 96.0 <= self.tempo_high_bpm:
            return 96.0
        return round((self.tempo_low_bpm + self.tempo_high_bpm) / 2.0)

    def usual_swing_ratio(self, tempo_bpm: float) -> float:
        """The ratio the groove is usually played with at a tempo: 2:1, closer to even above 170 bpm."""
        if self.straight:
            return 1.0
        if tempo_bpm <= 150.0:
            return 2.0
        return round(max(1.4, 2.0 - 0.6 * (tempo_bpm - 150.0) / 60.0), 2)


_GROOVES = (
    GrooveFacts("shuffle", "Shuffle, ride or hats", 80.0, 165.0),
    GrooveFacts("double_shuffle", "Double shuffle, both hands swing", 100.0, 150.0),
    GrooveFacts("slow_twelve_eight", "Slow twelve-eight", 50.0, 80.0),
    GrooveFacts("two_beat", "Two-beat shuffle", 100.0, 200.0, line="two_beat"),
    GrooveFacts("straight", "Straight eighths", 80.0, 180.0, straight=True),
    GrooveFacts("rumba", "Rumba-like, straight eighths", 90.0, 150.0, line="free", straight=True),
)
GROOVES: dict[str, GrooveFacts] = {groove.name: groove for groove in _GROOVES}


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
