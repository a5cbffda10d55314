"""Two takes side by side: the same figures of both, with words only where the intervals let them speak."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from html import escape
from pathlib import Path
from typing import Any, TypeAlias

from trainer.report.figures import spread
from trainer.report.files import printable, write_page
from trainer.report.style import STYLE
from trainer.scoring.stats import MIN_N, share_interval
from trainer.take import Take

__all__ = ["APART", "NOT_APART", "ComparisonRow", "comparison_rows", "write_comparison"]

Card = Mapping[str, Any]
Interval: TypeAlias = tuple[float, float, float]  # low end, figure, high end
APART, NOT_APART = "stands out", "no clear difference"

# Name, path of the figure, path of its interval (of a spread: of its n), digits, unit.
_ROWS: tuple[tuple[str, tuple[str, str], tuple[str, str], int, str], ...] = (
    ("swing ratio", ("swing", "ratio"), ("swing", "ratio_ci95"), 2, " : 1"),
    ("swing spread", ("swing", "log2_sd"), ("swing", "n"), 2, ""),
    ("mean", ("timing", "mean_ms"), ("timing", "mean_ci95_ms"), 1, " ms"),
    ("spread", ("timing", "robust_sd_ms"), ("timing", "n"), 1, " ms"),
    ("drift a chorus", ("timing", "drift_ms_per_chorus"), ("timing", "drift_ci95_ms_per_chorus"), 1, " ms"),
)


@dataclass(frozen=True, slots=True)
class ComparisonRow:
    """One figure of both takes as text, words about the difference ("" where nothing can be said), and the intervals."""

    name: str
    first: str
    second: str
    words: str = ""
    intervals: tuple[Interval, Interval] | None = None


def _at(card: Card, path: tuple[str, str]) -> Any:
    return (card.get(path[0]) or {}).get(path[1])


def comparison_rows(first: Card, second: Card) -> list[ComparisonRow]:
    """The figures of two scorecards (plain data) side by side."""
    cards = (first, second)
    out = [
        ComparisonRow("key and tempo", _song(first), _song(second)),
        ComparisonRow("notes", str(_at(first, ("take", "notes"))), str(_at(second, ("take", "notes")))),
    ]
    for name, path, around, digits, unit in _ROWS:
        values = [_at(card, path) for card in cards]
        ends = [_at(card, around) for card in cards]
        if around[1] == "n":
            ends = [
                spread(v, n, _at(card, ("timing", "lag1")) if path[0] == "timing" else None)
                for v, n, card in zip(values, ends, cards, strict=True)
            ]
        texts = [_text(value, end, digits, unit) for value, end in zip(values, ends, strict=True)]
        out.append(_row(name, texts, values, ends))
    for name, good in (("roots on changes", "roots"), ("root, third, fifth", "landed")):
        counts = [(_at(card, ("landing", good)), _at(card, ("landing", "changes"))) for card in cards]
        texts = ["–" if not n else f"{k} of {n}" for k, n in counts]
        shares = [None if not n else k / n for k, n in counts]
        out.append(
            _row(name, texts, shares, [share_interval(int(k), int(n)) if n and n >= MIN_N else None for k, n in counts])
        )
    lost = ["–" if spans is None else str(len(spans)) for spans in (_at(card, ("form", "lost")) for card in cards)]
    out.append(ComparisonRow("times lost", lost[0], lost[1]))
    shapes = [{c["chorus"]: c for c in (card.get("shape") or {}).get("choruses") or []} for card in cards]
    for chorus in sorted(set(shapes[0]) & set(shapes[1])):
        roles = [str(shape[chorus].get("role", "")) for shape in shapes]
        a, b = (str(shape[chorus].get("verdict") or "–") for shape in shapes)
        if roles[0] == roles[1]:
            out.append(ComparisonRow(f"chorus {chorus}, {roles[0]}", a, b))
        else:
            out.append(ComparisonRow(f"chorus {chorus}", f"{roles[0]}: {a}", f"{roles[1]}: {b}"))
    return out


def _song(card: Card) -> str:
    facts = card.get("take") or {}
    parts = [str(facts["key"])] if facts.get("key") else []
    if facts.get("tempo_bpm"):
        parts.append(f"{float(facts['tempo_bpm']):.4g} bpm")
    return ", ".join(parts) or "–"


def _text(value: Any, end: Any, digits: int, unit: str) -> str:
    if value is None:
        return "–"
    text = f"{float(value):.{digits}f}{unit}"
    if end:
        text += f" [{float(end[0]):.{digits}f} to {float(end[1]):.{digits}f}]"
    return text.replace("-", "−")


def _row(name: str, texts: Sequence[str], values: Sequence[Any], ends: Sequence[Any]) -> ComparisonRow:
    if not (ends[0] and ends[1]):
        return ComparisonRow(name, texts[0], texts[1])
    apart = ends[0][1] < ends[1][0] or ends[1][1] < ends[0][0]
    a, b = ((float(end[0]), float(value), float(end[1])) for value, end in zip(values, ends, strict=True))
    return ComparisonRow(name, texts[0], texts[1], APART if apart else NOT_APART, (a, b))


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
        title = printable(take.session.title if take.session is not None else Path(name).stem)
        heads.append(
            f'<th scope="col"><span aria-hidden="true">{mark}</span> {escape(title)}<br>'
            f'<span class="quiet">{escape(printable(Path(name).name))}</span></th>'
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
