"""The report: one self-contained HTML page for the screen and for paper.

Goal: look first, read second. Four verdict lines, then a picture for each part with its figures, each with interval, n
and a sentence saying what it means. Every string that came from a file is escaped; nothing is loaded from outside.
"""

from __future__ import annotations

from html import escape

from trainer.report.figures import Card, meanings, number, places_words, sentence, whys
from trainer.report.files import printable
from trainer.report.sections import (
    band_heard,
    devices_section,
    form_section,
    landing_section,
    shape_section,
    swing_section,
    time_section,
)
from trainer.report.stepping import SCRIPT, SCRIPT_POLICY
from trainer.report.style import STYLE
from trainer.scoring.card import MEASURES
from trainer.scoring.reading import Reading
from trainer.session import Chart, Session
from trainer.take import Take

__all__ = ["report_page"]


def report_page(take: Take, card: Card, chart: Chart | None, reading: Reading | None) -> str:
    """The whole page. `card` is the scorecard as plain data; without a chart only what needs none is shown."""
    session = take.session
    title = printable(session.title if session is not None else _stem(take.source)) or "A take"
    body = [
        _head(title, take, card),
        _verdict(card.get("verdict") or {}, session),
        time_section(card.get("timing", {}), chart, reading),
        swing_section(card.get("swing", {})),
    ]
    if chart is not None:
        body += [
            landing_section(card.get("landing", {}), chart),
            form_section(card.get("form", {}), chart),
            shape_section(card.get("shape", {}), chart, *band_heard(take, chart)),
            devices_section(card.get("devices", {}), chart),
        ]
    body.append(_more(card))
    body.append(_method(card.get("timing", {}).get("reference") == "band"))
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width,initial-scale=1">'
        "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'; "
        f'script-src {SCRIPT_POLICY}">'
        f"<title>{escape(title)} · report</title><style>{STYLE}</style></head>\n<body><main>\n"
        + "\n".join(part for part in body if part)
        + f"\n</main><script>{SCRIPT}</script></body></html>\n"
    )


def _more(card: Card) -> str:
    """The figures that stand in a module of their own, as they are declared."""
    rows = []
    for measure in MEASURES:
        shown, section = measure.shown, card.get(measure.section) or {}
        if shown.of is not None:
            value = number(
                section.get(shown.key),
                f" {shown.unit}",
                shown.shown_digits,
                section.get(shown.ci),
                section.get(shown.n),
            )
            rows.append((shown.title, value, shown.meaning))
    return f"<section><h2>More figures</h2>{meanings(rows)}</section>" if rows else ""


def _stem(source: str) -> str:
    return source.replace("\\", "/").rsplit("/", 1)[-1].rsplit(".", 1)[0]


def _head(title: str, take: Take, card: Card) -> str:
    facts = card.get("take", {})
    parts = []
    n_choruses = facts.get("choruses")
    if take.session is None and facts.get("tempo_bpm"):
        parts.append(f"{float(facts['tempo_bpm']):.4g} bpm")
    if take.session is not None:
        s = take.session
        parts += [
            f"key of {s.key.name}",
            f"{s.tempo_bpm:g} bpm",
            f"band's swing {s.swing_ratio:g} : 1",
            _n(s.n_choruses if n_choruses is None else n_choruses, "chorus", "choruses"),
        ]
    parts.append(_n(facts.get("notes", len(take.notes)), "note", "notes"))
    if take.header.created:
        parts.append(take.header.created[:10])
    cleaned = {name: n for name, n in (facts.get("cleaned") or {}).items() if n}
    lines = [f"<header><h1>{escape(title)}</h1><p>{escape(' · '.join(parts))}</p>"]
    if cleaned:
        words = ", ".join(f"{n} {name.replace('_', ' ')}" for name, n in cleaned.items())
        lines.append(f'<p class="quiet">Left out as faults of the pickup: {escape(words)}.</p>')
    if card.get("calibration") is None and take.header.profile not in ("foreign",):
        lines.append(
            '<p class="quiet">Not calibrated: a steady lateness may be the equipment’s. '
            "<code>trainer calibrate</code> tells the two apart.</p>"
        )
    lines += [f"<p>Note: {escape(printable(str(remark)))}</p>" for remark in facts.get("remarks") or []]
    return "".join(lines) + "</header>"


def _n(n: int, one: str, many: str) -> str:
    return f"{n} {one if n == 1 else many}"


def _verdict(verdict: Card, session: Session | None) -> str:
    lines = verdict.get("lines") or []
    advice = verdict.get("advice") or []
    out = [f"<section><h2>In four lines{_level(verdict)}</h2>"]
    if lines:
        out.append('<ul class="lines">' + "".join(f"<li>{_line(item)}</li>" for item in lines) + "</ul>")
    if not advice:
        out.append(whys(verdict))
    if advice:
        here = "" if session is None else f" --key {session.key.name} --bpm {session.tempo_bpm:g}"
        out.append("<h3>Next</h3><ol>" + "".join(f"<li>{_advice(item, here)}</li>" for item in advice) + "</ol>")
    return "".join(out) + "</section>"


def _level(verdict: Card) -> str:
    level = verdict.get("level")
    return f' <span class="quiet">(targets: {escape(str(level).replace("_", " "))})</span>' if level else ""


def _line(item: Card) -> str:
    """One of the four lines: its words, whether it meets its target (a sign and a word), the bars that cost most."""
    name = str(item.get("name", "")).replace("_", " ").capitalize()
    met = item.get("met")
    kind, word = ("open", "Not judged") if met is None else ("met", "On target") if met else ("unmet", "Not there yet")
    figure = ", ".join(filter(None, (_judged(item), item.get("also"))))
    facts = [f"{word}: {figure}" if figure else word, f"asked for: {item.get('target', '')}"]
    out = f"<strong>{escape(name)}.</strong> {escape(str(item.get('text', '')))}"
    out += f'<br><span class="quiet {kind}">{escape("; ".join(facts))}.</span>'
    costly = places_words((b["chorus"], b["bar"]) for b in item.get("bars") or [])
    if costly:
        out += f'<br><span class="quiet">What cost most: {escape(costly)}.</span>'
    said = out.lower()
    why = {str(reason.get("text", "")) for name, reason in (item.get("why") or {}).items() if name != "interval"}
    new = [sentence(text) for text in sorted(why) if text and escape(text).lower() not in said]
    return out + "".join(f'<br><span class="quiet">{escape(text)}</span>' for text in new)


def _judged(item: Card) -> str:
    """The figure that is judged, as a player reads it: "2.1 % of the beat (2.0 to 2.3)"."""
    figure, unit = item.get("figure"), str(item.get("unit", ""))
    if figure is None:
        return ""
    share = unit.startswith("share")
    scale, digits = (100.0, 1) if share else (1.0, 2 if unit == "ratio" else 1)
    shown = {"ratio": " : 1", "share": " % of the changes", "share of bars elsewhere": " % of the bars elsewhere"}
    text = f"{scale * float(figure):.{digits}f}{shown.get(unit, f' {unit}')}"
    interval = item.get("interval")
    if interval:
        low, high = (f"{scale * float(end):.{digits}f}" for end in interval)
        text += f" ({low} to {high})"
    return text


def _advice(item: Card, here: str) -> str:
    """What to work on, why, and with which drill; `here` names the song's key and tempo for it."""
    out = escape(str(item.get("text", "")))
    if item.get("evidence"):
        out += f'<br><span class="quiet">{escape(sentence(str(item["evidence"])))}</span>'
    if item.get("drill"):
        drill = f"{item['drill']} {item.get('options', '')}".rstrip() + here
        out += f"<br>Drill: <code>trainer drill {escape(drill)}</code>"
    return out


def _method(with_drums: bool) -> str:
    against = "the band’s own drums" if with_drums else "the grid of the tempo"
    return (
        f'<section><details><summary>Where the figures come from</summary><p class="quiet">Times are measured '
        f"against {against} (late positive). Square brackets hold 95 % intervals, widened for the way one beat leans "
        "on the one before. "
        "Swing is the median ratio of long to short (beat–upbeat ratio). What rests on too few notes is left out with "
        "the reason. Sources: Repp 2005 (spread of trained players); Friberg &amp; Sundström 2002 (swing ratios fall "
        "with tempo); Wilson 1927 (intervals of shares); Theil 1950 and Sen 1968 (drift); Rabiner 1989 (the path "
        "through the form). Devices, shape and the four lines follow common practice; their targets are our own "
        "choice.</p></details></section>"
    )
