"""Two takes side by side: the same figures of both, with words only where the intervals let them speak."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from pathlib import Path
from typing import TypeAlias

from trainer.plain import plain
from trainer.report.files import write_page
from trainer.report.style import STYLE
from trainer.scoring.card import MEASURES, Card
from trainer.scoring.figure import Figure, Shown
from trainer.take import Take

__all__ = ["APART", "NOT_APART", "ComparisonRow", "comparison_rows", "write_comparison"]

Interval: TypeAlias = tuple[float, float, float]  # low end, figure, high end
APART, NOT_APART = "stands out", "no clear difference"


@dataclass(frozen=True, slots=True)
class ComparisonRow:
    """One figure of both takes as text, words about the difference ("" where nothing can be said), and the intervals."""

    name: str
    first: str
    second: str
    words: str = ""
    intervals: tuple[Interval, Interval] | None = None


def comparison_rows(first: Card, second: Card) -> list[ComparisonRow]:
    """The figures of two scorecards side by side."""
    cards = (first, second)
    out = [
        ComparisonRow("key and tempo", _song(first), _song(second)),
        ComparisonRow("notes", str(first.take.notes), str(second.take.notes)),
    ]
    for measure in MEASURES:
        if measure.shown.compared:
            a, b = (measure.of(card) for card in cards)
            out.append(
                _row(
                    measure.shown.short or measure.shown.title, (_text(a, measure.shown), _text(b, measure.shown)), a, b
                )
            )
    lost = ["–" if card.form.lost is None else str(len(card.form.lost)) for card in cards]
    out.append(ComparisonRow("times lost", lost[0], lost[1]))
    shapes = [{chorus.chorus: chorus for chorus in card.shape.choruses} for card in cards]
    for number in sorted(set(shapes[0]) & set(shapes[1])):
        roles = [shape[number].role for shape in shapes]
        x, y = (shape[number].said for shape in shapes)
        if x == y == "–":
            continue  # neither was played, or nothing can be said of either
        if roles[0] == roles[1]:
            out.append(ComparisonRow(f"chorus {number}, {roles[0]}", x, y))
        else:
            out.append(ComparisonRow(f"chorus {number}", f"{roles[0]}: {x}", f"{roles[1]}: {y}"))
    return out


def _song(card: Card) -> str:
    parts = [card.take.key] if card.take.key else []
    return ", ".join([*parts, f"{card.take.tempo_bpm:.4g} bpm"])


def _text(figure: Figure, shown: Shown) -> str:
    """ "12.1 ms [11.0 to 13.2]"; of a share its counts; a dash for none."""
    if not figure.known:
        return "–"
    if shown.key.endswith("_rate"):
        return f"{round(figure.value * figure.n)} of {figure.n}"
    digits = shown.shown_digits
    text = f"{figure.value:.{digits}f} {shown.unit}".rstrip()
    if figure.interval:
        text += f" [{figure.low:.{digits}f} to {figure.high:.{digits}f}]"
    return text.replace("-", "−")


def _row(name: str, texts: tuple[str, str], a: Figure, b: Figure) -> ComparisonRow:
    if not (a.known and b.known and a.interval and b.interval):
        return ComparisonRow(name, *texts)
    apart = a.high < b.low or b.high < a.low
    return ComparisonRow(
        name, *texts, APART if apart else NOT_APART, ((a.low, a.value, a.high), (b.low, b.value, b.high))
    )


def _side_by_side(intervals: tuple[Interval, Interval]) -> str:
    """Both intervals on one line of numbers, the first take's above as a dot, the second's below as a diamond."""
    width, height = 168.0, 30.0
    low, high = min(i[0] for i in intervals), max(i[2] for i in intervals)
    margin = 8.0
    scale = (width - 2 * margin) / (high - low) if high > low else 0.0

    def x(value: float) -> float:
        return margin + (value - low) * scale if scale else width / 2

    parts = []
    for (start, figure, end), y, mark in zip(intervals, (9.0, 21.0), ("dot", "diamond"), strict=True):
        at = x(figure)
        parts.append(f'<path d="M{x(start):.1f} {y:g}H{x(end):.1f}" stroke="var(--muted)" stroke-width="2"/>')
        parts.append(
            f'<circle cx="{at:.1f}" cy="{y:g}" r="4" fill="var(--mark)"/>'
            if mark == "dot"
            else f'<path d="M{at:.1f} {y - 5:g}l5 5l-5 5l-5 -5z" fill="var(--second)"/>'
        )
    return f'<svg class="pair" viewBox="0 0 {width:g} {height:g}" aria-hidden="true">{"".join(parts)}</svg>'


def write_comparison(
    names: tuple[str, str], takes: Sequence[Take], cards: Sequence[Card], path: str | os.PathLike[str]
) -> Path:
    """The comparison as a page; `UsageError` when the place cannot be written."""
    heads = []
    for name, take, mark in zip(names, takes, ("●", "◆"), strict=True):
        title = plain(take.session.title if take.session is not None else Path(name).stem)
        heads.append(
            f'<th scope="col"><span aria-hidden="true">{mark}</span> {escape(title)}<br>'
            f'<span class="quiet">{escape(plain(Path(name).name))}</span></th>'
        )
    rows = "".join(
        f'<tr><th scope="row">{escape(row.name)}</th><td>{escape(row.first)}</td><td>{escape(row.second)}</td>'
        f"<td>{_side_by_side(row.intervals) if row.intervals else ''}</td><td>{escape(row.words)}</td></tr>"
        for row in comparison_rows(cards[0], cards[1])
    )
    page = (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8"><meta name="viewport" '
        'content="width=device-width,initial-scale=1">'
        "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'\">"
        f"<title>Two takes</title><style>{STYLE}</style></head><body><main>"
        f'<h1>Two takes</h1><div class="wide" tabindex="0"><table><thead><tr><th scope="col">figure</th>{"".join(heads)}'
        '<th scope="col">side by side</th><th scope="col">what can be said</th></tr></thead>'
        f"<tbody>{rows}</tbody></table></div>"
        '<p class="quiet">Square brackets hold 95\u00a0% intervals, drawn as lines. A difference stands out when they do not '
        "overlap; where none does, what you see may be chance.</p></main></body></html>\n"
    )
    return write_page(page, path)
