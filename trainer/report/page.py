"""The report: one self-contained HTML page for the screen and for paper.

Goal: look first, read second. Four verdict lines, then a picture for each part with its figures, each with interval, n
and a sentence saying what it means. Every string that came from a file is escaped; nothing is loaded from outside.
"""

from __future__ import annotations

from dataclasses import asdict
from html import escape

from trainer.plain import plain
from trainer.report.figures import meanings, number, places_words, sentence, whys, with_commands
from trainer.report.files import fits_on_paper
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
from trainer.scoring.card import MEASURES, Scorecard
from trainer.scoring.verdict import Advice, Line, Verdict
from trainer.session import Session
from trainer.take import Take

__all__ = ["report_page"]


def report_page(take: Take, card: Scorecard) -> str:
    """The whole page; without a chart only what needs none is shown."""
    session, chart = take.session, card.chart
    if chart is not None:
        fits_on_paper(chart)
    title = plain(session.title if session is not None else _stem(take.source)) or "A take"
    body = [
        _head(title, take, card),
        _verdict(card.verdict, session),
        time_section(card.timing, card.reading),
        swing_section(card.swing),
    ]
    if chart is not None:
        body += [
            landing_section(card.landing, chart),
            form_section(card.form, chart, card.reading),
            shape_section(card.shape, chart, *band_heard(take, chart)),
            devices_section(card.devices, chart),
        ]
    body.append(_more(card))
    body.append(_method(card.timing.reference == "band"))
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width,initial-scale=1">'
        "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'; "
        f'script-src {SCRIPT_POLICY}">'
        f"<title>{escape(title)} · report</title><style>{STYLE}</style></head>\n<body><main>\n"
        + "\n".join(part for part in body if part)
        + f"\n</main><script>{SCRIPT}</script></body></html>\n"
    )


def _more(card: Scorecard) -> str:
    """The figures that stand in a module of their own, as they are declared."""
    rows = []
    for measure in MEASURES:
        shown = measure.shown
        if shown.of is not None:
            figure = getattr(card, measure.section).written(measure.name)
            value = number(figure, f" {shown.unit}", shown.shown_digits, figure.n if shown.n else None)
            rows.append((shown.title, value, shown.meaning))
    return f"<section><h2>More figures</h2>{meanings(rows)}</section>" if rows else ""


def _stem(source: str) -> str:
    return source.replace("\\", "/").rsplit("/", 1)[-1].rsplit(".", 1)[0]


def _head(title: str, take: Take, card: Scorecard) -> str:
    facts = card.take
    parts = []
    if take.session is None and facts.tempo_bpm:
        parts.append(f"{facts.tempo_bpm:.4g} bpm")
    if take.session is not None:
        s = take.session
        parts += [
            f"key of {s.key.name}",
            f"{s.tempo_bpm:g} bpm",
            f"band's swing {s.swing_ratio:g} : 1",
            _n(s.n_choruses if facts.choruses is None else facts.choruses, "chorus", "choruses"),
        ]
    parts.append(_n(facts.notes, "note", "notes"))
    if take.header.created:
        parts.append(take.header.created[:10])
    lines = [f"<header><h1>{escape(title)}</h1><p>{escape(' · '.join(parts))}</p>"]
    words = ", ".join(f"{n} {name.replace('_', ' ')}" for name, n in asdict(facts.cleaned).items() if n)
    if words:
        lines.append(f'<p class="quiet">Left out as faults of the pickup: {escape(words)}.</p>')
    if card.calibration is None and take.header.profile != "foreign":
        lines.append(
            '<p class="quiet">Not calibrated: a steady lateness may be the equipment’s. '
            "<code>trainer calibrate</code> tells the two apart.</p>"
        )
    lines += [f"<p>Note: {with_commands(plain(remark))}</p>" for remark in facts.remarks]
    return "".join(lines) + "</header>"


def _n(n: int, one: str, many: str) -> str:
    return f"{n} {one if n == 1 else many}"


def _verdict(verdict: Verdict, session: Session | None) -> str:
    level = escape(verdict.level.replace("_", " "))
    out = [f'<section><h2>In four lines <span class="quiet">(targets: {level})</span></h2>']
    if verdict.lines:
        out.append('<ul class="lines">' + "".join(f"<li>{_line(line)}</li>" for line in verdict.lines) + "</ul>")
    if verdict.advice:
        here = "" if session is None else f" --key {session.key.name} --bpm {session.tempo_bpm:g}"
        out.append("<h3>Next</h3><ol>" + "".join(f"<li>{_advice(a, here)}</li>" for a in verdict.advice) + "</ol>")
    else:
        out.append(whys(verdict))
    return "".join(out) + "</section>"


def _line(line: Line) -> str:
    """One of the four lines: its words, whether it meets its target (a sign and a word), the bars that cost most."""
    kind, word = {None: ("open", "Not judged"), True: ("met", "On target"), False: ("unmet", "Not there yet")}[line.met]
    figure = ", ".join(filter(None, (_judged(line), line.also)))
    facts = [f"{word}: {figure}" if figure else word, f"asked for: {line.target}"]
    out = f"<strong>{escape(line.name.capitalize())}.</strong> {escape(line.text)}"
    out += f'<br><span class="quiet {kind}">{escape("; ".join(facts))}.</span>'
    costly = places_words((place.chorus, place.bar) for place in line.bars)
    if costly:
        out += f'<br><span class="quiet">What cost most: {escape(costly)}.</span>'
    said = out.lower()
    why = {reason.text for key, reason in line.why.items() if key != "interval"}
    new = [sentence(text) for text in sorted(why) if text and escape(text).lower() not in said]
    return out + "".join(f'<br><span class="quiet">{escape(text)}</span>' for text in new)


def _judged(line: Line) -> str:
    """The figure that is judged, as a player reads it: "2.1 % of the beat (2.0 to 2.3)"."""
    figure, unit = line.written("figure"), line.unit
    if not figure.known:
        return ""
    scale, digits = (100.0, 1) if unit.startswith("share") else (1.0, 2 if unit == "ratio" else 1)
    shown = {"ratio": " : 1", "share": " % of the changes", "share of bars elsewhere": " % of the bars out of place"}
    text = f"{scale * figure.value:.{digits}f}{shown.get(unit, f' {unit}')}"
    if figure.interval:
        low, high = (f"{scale * end:.{digits}f}" for end in figure.interval)
        text += f" ({low} to {high})"
    return text


def _advice(advice: Advice, here: str) -> str:
    """What to work on, why, and with which drill; `here` names the song's key and tempo for it."""
    drill = f"{advice.drill} {advice.options}".rstrip() + here
    return (
        f'{escape(advice.text)}<br><span class="quiet">{escape(sentence(advice.evidence))}</span>'
        f"<br>Drill: <code>trainer drill {with_commands(drill)}</code>"
    )


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
