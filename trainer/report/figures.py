"""Figures as a page shows them: numbers with interval and n, tables of them, pictures with captions, reasons."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from html import escape

from trainer.report.pictures import Picture
from trainer.scoring.figure import NO_FIGURE, Figure, Section
from trainer.scoring.stats import MIN_N, share_interval, spread_interval

__all__ = [
    "captioned",
    "counted",
    "meanings",
    "number",
    "percent",
    "places_words",
    "sentence",
    "spread",
    "table",
    "whys",
    "with_commands",
]


def captioned(picture: Picture, caption: str, steps: str) -> str:
    """A picture with its caption. `steps` names the going through its points one by one ("note by note")."""
    return (
        f'<figure data-steps="{escape(steps)}"><div class="wide" tabindex="0">{picture}</div>'
        f'<figcaption class="quiet">{escape(caption)}</figcaption></figure>'
    )


def table(heads: Sequence[str], rows: Iterable[Sequence[str]], *, words: Sequence[int] = ()) -> str:
    """A table whose first column names the row. Heads are escaped here; cells are markup already.

    All other columns hold numbers, set to the right, but those whose index is in `words`.
    """

    def cell(tag: str, i: int, text: str, scope: str = "") -> str:
        kind = "" if i == 0 or i in words else ' class="num"'
        return f"<{tag}{scope}{kind}>{text}</{tag}>"

    head = "".join(cell("th", i, escape(text), ' scope="col"') for i, text in enumerate(heads))
    body = "".join(
        f'<tr><th scope="row">{row[0]}</th>' + "".join(cell("td", i, row[i]) for i in range(1, len(row))) + "</tr>"
        for row in rows
    )
    return f'<div class="wide" tabindex="0"><table><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table></div>'


def meanings(rows: Iterable[tuple[str, str, str]]) -> str:
    """A table of figures: name, value (markup), and a sentence saying what it means; on a phone that opens on a tap."""
    opens = "<details><summary>what it means</summary>{0}</details>"
    made = table(
        ("figure", "value", "what it means"),
        [
            (escape(name), value, f"<span>{escape(text)}</span>{opens.format(escape(text))}")
            for name, value, text in rows
        ],
        words=(2,),
    )
    return made.replace("<table>", '<table class="figures">', 1)


def number(figure: Figure, unit: str = "", digits: int = 1, n: int | None = None) -> str:
    """ "5.3 ms [3.4 to 7.3] n = 334", a dash for an absent figure."""
    if not figure.known:
        return "–"
    text = _signed(figure.value, digits) + unit
    if figure.interval:
        low, high = (_signed(end, digits) for end in figure.interval)
        text += f' <span class="quiet">[{low} to {high}]</span>'
    if n is not None:
        text += f' <span class="quiet">n = {n}</span>'
    return text


def _signed(value: float, digits: int) -> str:
    """Rounded, with a true minus sign, and none before a zero."""
    text = f"{value:.{digits}f}"
    return text.replace("-", "−") if text.strip("-0.") else text.strip("-")


def percent(figure: Figure) -> str:
    return f"{100.0 * figure.value:.0f}\u00a0%" if figure.known else "–"


def counted(k: int | None, n: int | None) -> str:
    """ "112 of 132", with the share and its interval where there are enough."""
    text = f"<strong>{k} of {n}</strong>"
    if k is None or not n or n < MIN_N:
        return text
    low, high = share_interval(k, n)
    return f'{text} ({100 * k / n:.0f}\u00a0% <span class="quiet">[{100 * low:.0f} to {100 * high:.0f}]</span>)'


def spread(figure: Figure, n: int, lag1: Figure = NO_FIGURE) -> Figure:
    """A robust spread with its interval, where there are enough notes for one; `lag1` widens it (see the verdict's)."""
    if not figure.known or n < MIN_N:
        return figure
    return Figure(figure.value, *spread_interval(figure.value, n, lag1.value if lag1.known else 0.0))


def whys(section: Section, skip: Iterable[str] = ()) -> str:
    """The reasons for what is absent, each once."""
    texts = dict.fromkeys(sentence(why.text) for key, why in section.why.items() if why.text and key not in skip)
    return "".join(f'<p class="quiet">{with_commands(text)}</p>' for text in texts)


def with_commands(text: str) -> str:
    """Text escaped for the page; an option (`--track`) in it is not parted at its hyphens where a line ends."""
    return re.sub(r"(?<!\S)--[a-z-]+", r'<span class="whole">\g<0></span>', escape(text))


def places_words(bars: Iterable[tuple[int, int]]) -> str:
    """ "chorus 6 bars 2, 8 and 9; chorus 1 bar 5": (chorus, bar) each once, choruses in the order of their first."""
    by_chorus: dict[int, list[int]] = {}
    for chorus, bar in dict.fromkeys(bars):
        by_chorus.setdefault(chorus, []).append(bar)
    parts = []
    for chorus, found in by_chorus.items():
        *most, last = (str(bar) for bar in sorted(found))
        listed = f"{', '.join(most)} and {last}" if most else last
        parts.append(f"chorus {chorus} bar{'s' if most else ''} {listed}")
    return "; ".join(parts)


def sentence(text: str) -> str:
    """With a capital and a full stop."""
    text = text[:1].upper() + text[1:]
    return text if not text or text.endswith((".", "?", "!")) else f"{text}."
