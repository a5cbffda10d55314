"""Two takes side by side: the same figures of both, with words only where the intervals let them speak."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from html import escape
from pathlib import Path
from typing import Any

from trainer.report.files import write_page
from trainer.report.style import STYLE
from trainer.scoring.stats import MIN_N
from trainer.scoring.verdict import share_interval, spread_interval
from trainer.take import Take

__all__ = ["ComparisonRow", "comparison_rows", "write_comparison"]

Card = Mapping[str, Any]
_APART, _TOGETHER = "a difference that stands out", "no difference that stands out"

# Name, path of the figure, path of its interval (of a spread: of its n), digits, unit.
_ROWS: tuple[tuple[str, tuple[str, str], tuple[str, str] | None, int, str], ...] = (
    ("notes", ("take", "notes"), None, 0, ""),
    ("swing ratio", ("swing", "ratio"), ("swing", "ratio_ci95"), 2, " : 1"),
    ("swing spread", ("swing", "log2_sd"), ("swing", "n"), 2, ""),
    ("mean", ("timing", "mean_ms"), ("timing", "mean_ci95_ms"), 1, " ms"),
    ("spread", ("timing", "robust_sd_ms"), ("timing", "n"), 1, " ms"),
    ("drift a chorus", ("timing", "drift_ms_per_chorus"), ("timing", "drift_ci95_ms_per_chorus"), 1, " ms"),
)


@dataclass(frozen=True, slots=True)
class ComparisonRow:
    """One figure of both takes as text, and words about the difference ("" where nothing can be said)."""

    name: str
    first: str
    second: str
    words: str = ""


def _at(card: Card, path: tuple[str, str]) -> Any:
    return (card.get(path[0]) or {}).get(path[1])


def comparison_rows(first: Card, second: Card) -> list[ComparisonRow]:
    """The figures of two scorecards (plain data) side by side."""
    out = []
    for name, path, interval, digits, unit in _ROWS:
        values = [_at(card, path) for card in (first, second)]
        ends = [_at(card, interval) if interval else None for card in (first, second)]
        if interval is not None and interval[1] == "n":
            ends = [
                spread_interval(v, n) if v is not None and n and n >= MIN_N else None
                for v, n in zip(values, ends, strict=True)
            ]
        texts = []
        for value, end in zip(values, ends, strict=True):
            text = "–" if value is None else f"{float(value):.{digits}f}{unit}"
            if end:
                text += f" [{float(end[0]):.{digits}f}, {float(end[1]):.{digits}f}]"
            texts.append(text)
        words = ""
        if ends[0] and ends[1]:
            apart = ends[0][1] < ends[1][0] or ends[1][1] < ends[0][0]
            words = _APART if apart else _TOGETHER
        out.append(ComparisonRow(name, texts[0], texts[1], words))
    for name, good in (("roots on the changes", "roots"), ("root, third or fifth", "landed")):
        counts = [(_at(card, ("landing", good)), _at(card, ("landing", "changes"))) for card in (first, second)]
        texts = ["–" if not n else f"{k} of {n}" for k, n in counts]
        words = ""
        if all(n and n >= MIN_N for _, n in counts):
            a, b = (share_interval(int(k), int(n)) for k, n in counts)
            words = _APART if a[1] < b[0] or b[1] < a[0] else _TOGETHER
        out.append(ComparisonRow(name, texts[0], texts[1], words))
    lost = [_at(card, ("form", "lost")) for card in (first, second)]
    out.append(ComparisonRow("times lost in the form", *("–" if x is None else str(len(x)) for x in lost)))
    shapes = [{c["chorus"]: c for c in (card.get("shape") or {}).get("choruses") or []} for card in (first, second)]
    for chorus in sorted(set(shapes[0]) & set(shapes[1])):
        verdicts = [str(shape[chorus].get("verdict") or "–") for shape in shapes]
        out.append(ComparisonRow(f"chorus {chorus}, {shapes[0][chorus].get('role', '')}", *verdicts))
    return out


def write_comparison(
    names: tuple[str, str], takes: Sequence[Take], cards: Sequence[Card], path: str | os.PathLike[str]
) -> Path:
    """The comparison as a page; `UsageError` when the place cannot be written."""
    heads = []
    for name, take in zip(names, takes, strict=True):
        title = take.session.title if take.session is not None else Path(name).stem
        heads.append(f"<th scope='col'>{escape(title)}<br><span class='quiet'>{escape(Path(name).name)}</span></th>")
    rows = "".join(
        f"<tr><th scope='row'>{escape(row.name)}</th><td>{escape(row.first)}</td><td>{escape(row.second)}</td>"
        f"<td>{escape(row.words)}</td></tr>"
        for row in comparison_rows(cards[0], cards[1])
    )
    page = (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8"><meta name="viewport" '
        f'content="width=device-width,initial-scale=1"><title>Two takes</title><style>{STYLE}</style></head><body><main>'
        f'<h1>Two takes</h1><div class="wide" tabindex="0"><table><thead><tr><th scope="col">figure</th>{"".join(heads)}'
        f'<th scope="col">what can be said</th></tr></thead><tbody>{rows}</tbody></table></div>'
        '<p class="quiet">Square brackets hold 95 % intervals. A difference stands out when they do not overlap.</p>'
        "</main></body></html>\n"
    )
    return write_page(page, path)
