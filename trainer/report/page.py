"""The report: one self-contained HTML page for the screen and for paper.

Goal: look first, read second. Four verdict lines, then a picture for each part with its figures, each with interval, n
and a sentence saying what it means. Every string that came from a file is escaped; nothing is loaded from outside.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from html import escape
from typing import Any

import numpy as np

from trainer.music import note_name
from trainer.report.pictures import (
    Picture,
    asynchrony_picture,
    bars_words,
    devices_picture,
    place_picture,
    shape_picture,
    swing_picture,
)
from trainer.scoring.align import Reading
from trainer.scoring.stats import MIN_N
from trainer.scoring.verdict import share_interval, spread_interval
from trainer.session import Chart
from trainer.take import Take

__all__ = ["STYLE", "report_page"]

Card = Mapping[str, Any]
MAX_QUESTIONS = 6  # places named in one question; our choice

# Landing outcomes: the mark in the grid (a shape, never only a colour), the word, and whether it counts as a miss.
_OUTCOMES: dict[str, tuple[str, str, bool]] = {
    "root": ("●", "root", False),
    "root_early": ("◖", "root, pushed from the off-beat before", False),
    "root_late": ("◗", "root, late", False),
    "chord_tone": ("◆", "third or fifth", False),
    "other": ("×", "another note", True),
    "silent": ("–", "nothing", True),
    "pedal": ("═", "pedal", False),
    "turnaround": ("↻", "turnaround", False),
    "not_asked": ("·", "not asked", False),
}

STYLE = """
:root{--ink:#1c1b19;--muted:#5f5b54;--faint:#d9d4c9;--mark:#1f5f6b;--second:#8a4b12;--paper:#fbf9f4;--card:#f3efe6}
@media (prefers-color-scheme:dark){:root{--ink:#ece8df;--muted:#b3ada1;--faint:#45413a;--mark:#7cc4d0;--second:#e3a566;
--paper:#191815;--card:#22201c}}
*{box-sizing:border-box}
body{margin:0 auto;max-width:58rem;padding:1.2rem;background:var(--paper);color:var(--ink);
font:1rem/1.5 system-ui,sans-serif}
h1{font-size:1.7rem;line-height:1.2;margin:.2rem 0}h2{font-size:1.2rem;margin:2rem 0 .4rem;border-bottom:2px solid
var(--faint)}h3{font-size:1rem;margin:1rem 0 .2rem}
p{margin:.4rem 0}.quiet{color:var(--muted)}
.lines{list-style:none;padding:0;margin:.6rem 0}.lines li{background:var(--card);border-left:.35rem solid var(--mark);
padding:.6rem .8rem;margin:.4rem 0}
.wide{overflow-x:auto}figure{margin:.6rem 0}.wide>svg{min-width:34rem}
.met::before,.unmet::before,.open::before{font-weight:700;margin-right:.4rem}
.met::before{content:"✓"}.unmet::before{content:"△"}.open::before{content:"–"}svg{width:100%;height:auto;display:block}
table{border-collapse:collapse;margin:.5rem 0;font-variant-numeric:tabular-nums}
th,td{padding:.22rem .55rem;text-align:left;border-bottom:1px solid var(--faint);vertical-align:top}
th{font-weight:600}td .quiet,.num{white-space:nowrap}.grid td,.grid th{text-align:center;min-width:2.1rem;padding:.22rem .2rem;white-space:nowrap}.grid td.miss{outline:2px solid var(--ink);
outline-offset:-3px}.num{text-align:right}
a{color:var(--mark)}a:focus,summary:focus,[tabindex]:focus{outline:3px solid var(--second);outline-offset:2px}
details{margin:.5rem 0}
@media (max-width:44rem){.num{white-space:normal}.num .quiet{display:block}th,td{padding:.22rem .35rem}ol{padding-left:1.2rem}}
@media print{:root{--ink:#000;--muted:#444;--faint:#ccc;--mark:#134a54;--second:#6d3a0c;--paper:#fff;--card:#fff}
body{font-size:9.5pt;max-width:none;padding:0}h2{margin-top:1.2rem}h1,h2,h3{break-after:avoid}
figure,tr,.lines li,.keep{break-inside:avoid}.num{white-space:normal}.num .quiet{display:inline-block}.wide>svg{min-width:0}details,.screen{display:none}.wide{overflow:visible}a{color:inherit}}
@page{size:A4;margin:14mm}
"""


def report_page(take: Take, card: Card, chart: Chart | None, reading: Reading | None) -> str:
    """The whole page. `card` is the scorecard as plain data; without a chart only the parts that need none are shown."""
    session = take.session
    title = session.title if session is not None else _stem(take.source) or "A take"
    body = [
        _head(title, take, card),
        _verdict(card.get("verdict") or {}),
        _time(card.get("timing", {}), chart, reading),
        _swing(card.get("swing", {})),
    ]
    if chart is not None:
        body += [
            _landing(card.get("landing", {}), chart),
            _form(card.get("form", {}), chart),
            _shape(card.get("shape", {}), chart, *_band_heard(take, chart)),
            _devices(card.get("devices", {}), chart),
        ]
    body.append(_method())
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width,initial-scale=1">'
        "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'\">"
        f"<title>{escape(title)} · report</title><style>{STYLE}</style></head>\n<body><main>\n"
        + "\n".join(part for part in body if part)
        + "\n</main></body></html>\n"
    )


def _stem(source: str) -> str:
    return source.replace("\\", "/").rsplit("/", 1)[-1].rsplit(".", 1)[0]


def _head(title: str, take: Take, card: Card) -> str:
    facts = card.get("take", {})
    parts = []
    if take.session is not None:
        s = take.session
        parts += [
            f"key of {s.key.name}",
            f"{s.tempo_bpm:g} bpm",
            f"band's swing {s.swing_ratio:g} : 1",
            f"{facts.get('choruses', s.n_choruses)} choruses",
        ]
    parts.append(f"{facts.get('notes', len(take.notes))} notes")
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
    return "".join(lines) + "</header>"


def _verdict(verdict: Card) -> str:
    lines = verdict.get("lines") or []
    advice = verdict.get("advice") or []
    out = [f"<section><h2>In four lines{_level(verdict)}</h2>"]
    if lines:
        out.append('<ul class="lines">' + "".join(f"<li>{_line(item)}</li>" for item in lines) + "</ul>")
    if not advice:
        out.append(_whys(verdict))
    if advice:
        out.append("<h3>Next</h3><ol>" + "".join(f"<li>{_advice(item)}</li>" for item in advice) + "</ol>")
    return "".join(out) + "</section>"


def _level(verdict: Card) -> str:
    level = verdict.get("level")
    return f' <span class="quiet">(targets: {escape(str(level).replace("_", " "))})</span>' if level else ""


def _line(item: Card) -> str:
    """One of the four lines: its words, whether it meets its target (a sign and a word), the bars that cost most."""
    name = str(item.get("name", "")).replace("_", " ").capitalize()
    met = item.get("met")
    kind, word = ("open", "Not judged") if met is None else ("met", "On target") if met else ("unmet", "Not there yet")
    figure = _judged(item)
    facts = [f"{word}: {figure}" if figure else word, f"asked for: {item.get('target', '')}"]
    out = f"<strong>{escape(name)}.</strong> {escape(str(item.get('text', '')))}"
    out += f'<br><span class="quiet {kind}">{escape("; ".join(facts))}.</span>'
    bars = list(dict.fromkeys((b["chorus"], b["bar"]) for b in item.get("bars") or []))
    if bars:
        words = ", ".join(f"chorus {chorus} bar {bar}" for chorus, bar in bars)
        out += f'<br><span class="quiet">What cost most: {escape(words)}.</span>'
    why = {str(reason.get("text", "")) for name, reason in (item.get("why") or {}).items() if name != "interval"}
    return out + "".join(f'<br><span class="quiet">{escape(text)}</span>' for text in sorted(why) if text)


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


def _advice(item: Card) -> str:
    out = escape(str(item.get("text", "")))
    if item.get("evidence"):
        out += f'<br><span class="quiet">{escape(str(item["evidence"]))}</span>'
    if item.get("drill"):
        out += f"<br>Drill: <code>trainer drill {escape(str(item['drill']))}</code>"
    return out


def _whys(section: Card, skip: Iterable[str] = ()) -> str:
    """The reasons for what is absent, each once."""
    left_out = set(skip)
    texts: list[str] = []
    for name, why in (section.get("why") or {}).items():
        text = str(why.get("text", "")) if isinstance(why, Mapping) else str(why)
        text = text[:1].upper() + text[1:]
        if name not in left_out and text and text not in texts:
            texts.append(text)
    return "".join(f'<p class="quiet">{escape(text)}{"" if text.endswith((".", "?")) else "."}</p>' for text in texts)


def _picture(picture: Picture, caption: str) -> str:
    return f'<figure><div class="wide" tabindex="0">{picture.svg}</div><figcaption class="quiet">{escape(caption)}</figcaption></figure>'


def _rows(rows: Sequence[tuple[str, str, str]]) -> str:
    """A table of figures: name, value, what it means."""
    cells = "".join(
        f'<tr><th scope="row">{escape(name)}</th><td class="num">{value}</td><td>{escape(text)}</td></tr>'
        for name, value, text in rows
    )
    return (
        '<div class="wide" tabindex="0"><table><thead><tr><th scope="col">figure</th><th scope="col">value</th>'
        f'<th scope="col">what it means</th></tr></thead><tbody>{cells}</tbody></table></div>'
    )


def _number(value: Any, unit: str = "", digits: int = 1, interval: Any = None, n: Any = None) -> str:
    if value is None:
        return "–"
    text = f"{float(value):.{digits}f}{unit}".replace("-", "−")
    if interval:
        low, high = (f"{float(v):.{digits}f}".replace("-", "−") for v in interval)
        text += f" <span class='quiet'>[{low} to {high}]</span>"
    if n is not None:
        text += f" <span class='quiet'>n = {n}</span>"
    return text


def _time(timing: Card, chart: Chart | None, reading: Reading | None) -> str:
    out = ["<section><h2>Time</h2>"]
    if chart is not None and reading is not None:
        timed = (reading.on_note_idx >= 0) & (reading.beat_excused == 0) & np.isfinite(reading.on_asynchrony_s)
        idx = np.flatnonzero(timed)
        if len(idx):
            beats = (reading.first_beat_idx + idx).astype(np.float64)
            late_ms = 1000.0 * reading.on_asynchrony_s[idx]
            words = [
                f"{_where(chart, beat)}: {note_name(pitch, chart.key)}, {abs(ms):.0f} ms {'late' if ms > 0 else 'early'}"
                for beat, pitch, ms in zip(
                    beats.tolist(), reading.pitch[reading.on_note_idx[idx]].tolist(), late_ms.tolist(), strict=True
                )
            ]
            picture = asynchrony_picture(chart, beats, late_ms, words, timing.get("drift_ms_per_chorus"))
            out.append(
                _picture(
                    picture,
                    "Each dot is a note on the beat against the drums; triangles lie beyond the edge. Solid: the running "
                    "middle. Dashed: drift. Shaded: the band was silent.",
                )
            )
    n = timing.get("n")
    out.append(
        _rows(
            [
                (
                    "mean",
                    _number(timing.get("mean_ms"), " ms", interval=timing.get("mean_ci95_ms"), n=n),
                    "Where you sit against the drums: late is positive. A steady place is a feel, not a fault.",
                ),
                ("median", _number(timing.get("median_ms"), " ms", n=n), "The same, deaf to a few stray notes."),
                (
                    "spread",
                    _number(timing.get("robust_sd_ms"), " ms", interval=_spread(timing.get("robust_sd_ms"), n), n=n),
                    "How far single notes stray from your own place. Trained hands reach about 2 % of the beat "
                    "(Repp 2005).",
                ),
                (
                    "drift",
                    _number(
                        timing.get("drift_ms_per_chorus"),
                        " ms a chorus",
                        interval=timing.get("drift_ci95_ms_per_chorus"),
                        n=n,
                    ),
                    "Whether you slid later (positive) or earlier from chorus to chorus (median of all slopes: Theil 1950, "
                    "Sen 1968).",
                ),
            ]
        )
    )
    per_beat = [item for item in timing.get("per_beat") or [] if item.get("median_ms") is not None]
    if per_beat:
        rows = "".join(
            f"<tr><th scope='row'>{item['beat']}</th><td class='num'>{_number(item['median_ms'], ' ms', n=item.get('n'))}</td>"
            f"<td class='num'>{_number(item.get('robust_sd_ms'), ' ms', interval=_spread(item.get('robust_sd_ms'), item.get('n')))}"
            f"</td><td class='num'>{_number(item.get('pct_of_beat'), ' %')}</td></tr>"
            for item in per_beat
        )
        out.append(
            "<h3>By beat of the bar</h3><p>A beat that is steadily early or late is placed there; a wide spread is unsteady: "
            "two different things.</p><div class='wide' tabindex='0'><table><thead><tr><th scope='col'>beat</th>"
            "<th scope='col'>median</th><th scope='col'>spread</th><th scope='col'>of the beat</th></tr></thead>"
            f"<tbody>{rows}</tbody></table></div>"
        )
    drops = timing.get("drop_outs") or []
    if drops:
        rows = "".join(
            f"<tr><td>chorus {d['chorus']}, bars {d['bars'][0]}–{d['bars'][1]}</td>"
            f"<td class='num'>{_number(d.get('tempo_change_pct'), ' %', interval=d.get('tempo_change_ci95_pct'), n=d.get('n_intervals'))}</td>"
            f"<td class='num'>{_number(d.get('reentry_ms'), ' ms', 0)}</td></tr>"
            for d in drops
        )
        out.append(
            "<h3>When the band dropped out</h3><p>Alone with the time: the tempo from the mean of your own intervals, and how far "
            "from the drums you were when they came back (one note each, so no interval).</p><div class='wide' tabindex='0'><table><thead><tr><th scope='col'>where</th>"
            "<th scope='col'>tempo, faster positive</th><th scope='col'>at re-entry</th></tr></thead>"
            f"<tbody>{rows}</tbody></table></div>"
        )
        thin = [d for d in drops if d.get("tempo_change_ci95_pct") is None and d.get("tempo_change_pct") is not None]
        if thin:
            out.append('<p class="quiet">Fewer than eight intervals carry no interval of their own.</p>')
    return "".join(out) + _whys(timing, _FOR_THE_CURIOUS) + "</section>"


# In the scorecard for whoever wants them; a player's page does without.
_FOR_THE_CURIOUS = ("two_level_split", "correction_gain", "lag1", "lag1_ci95")


def _spread(spread: Any, n: Any) -> tuple[float, float] | None:
    """The interval of a robust spread, where there are enough notes for one."""
    return None if spread is None or not n or n < MIN_N else spread_interval(float(spread), int(n))


def _where(chart: Chart, beat: float) -> str:
    bar = chart.bars[int(chart.bar_idx_at([beat])[0])]
    return f"chorus {bar.chorus}, bar {bar.bar}, beat {int(beat - bar.onset_beats) + 1}"


def _swing(swing: Card) -> str:
    out = ["<section><h2>Swing</h2>"]
    if any(item.get("ratio") is not None for item in swing.get("per_chorus") or []):
        out.append(
            _picture(
                swing_picture(swing),
                "Diamonds: your long-to-short ratio, by chorus and by beat of the bar, with its interval. Dotted: the band.",
            )
        )
    if swing.get("ratio") is not None:
        out.append(
            _rows(
                [
                    (
                        "ratio",
                        _number(swing["ratio"], " : 1", 2, swing.get("ratio_ci95"), swing.get("n")),
                        f"Long note to short note. The band played {_number(swing.get('band_ratio'), ' : 1', 2)}; "
                        "2 : 1 is the triplet, 1 : 1 even.",
                    ),
                    (
                        "off-beat",
                        _number(
                            swing.get("offbeat_pct"),
                            " % of the beat",
                            interval=_as_pct(swing.get("ratio_ci95")),
                            n=swing.get("n"),
                        ),
                        "The same as a place in the beat; the triplet is 66.7 %.",
                    ),
                    (
                        "evenness",
                        _number(
                            swing.get("log2_sd"), "", 2, _spread(swing.get("log2_sd"), swing.get("n")), swing.get("n")
                        ),
                        "Spread of the ratio (robust SD of its log2; holds your onset jitter too). Smaller is steadier.",
                    ),
                    (
                        "change",
                        _number(
                            swing.get("change_log2_per_chorus"),
                            " a chorus",
                            3,
                            swing.get("change_ci95_log2_per_chorus"),
                            swing.get("n"),
                        ),
                        "Whether the shuffle opens (positive) or straightens as the song goes on, in log2 of the ratio.",
                    ),
                ]
            )
        )
        out.append(_swing_groups(swing))
    return "".join(out) + _whys(swing) + "</section>"


def _as_pct(interval: Any) -> tuple[float, float] | None:
    return (
        None if not interval else (100.0 * interval[0] / (1.0 + interval[0]), 100.0 * interval[1] / (1.0 + interval[1]))
    )


def _swing_groups(swing: Card) -> str:
    """Ratio, interval, pairs and the band's ratio by chorus, by beat of the bar and by role."""
    rows = ""
    for section, key, name in (
        ("per_chorus", "chorus", "chorus {}"), ("per_beat", "beat", "beat {} of the bar"), ("per_role", "role", "{}"),
    ):  # fmt: skip
        for item in swing.get(section) or []:
            rows += (
                f"<tr><th scope='row'>{escape(name.format(item[key]))}</th>"
                f"<td class='num'>{_number(item.get('ratio'), ' : 1', 2, item.get('ratio_ci95'), item.get('n'))}</td>"
                f"<td class='num'>{_number(swing.get('band_ratio'), ' : 1', 2)}</td></tr>"
            )
    if not rows:
        return ""
    return (
        "<details><summary>By chorus, beat and role, in figures</summary><div class='wide' tabindex='0'><table><thead><tr>"
        "<th scope='col'>where</th><th scope='col'>you</th><th scope='col'>the band</th></tr></thead>"
        f"<tbody>{rows}</tbody></table></div></details>"
    )


def _counted(k: Any, n: Any) -> str:
    """ "112 of 132", with the share and its interval where there are enough."""
    text = f"<strong>{k} of {n}</strong>"
    if k is None or not n or n < MIN_N:
        return text
    low, high = share_interval(int(k), int(n))
    return f"{text} ({100 * k / n:.0f} % <span class='quiet'>[{100 * low:.0f} to {100 * high:.0f}]</span>)"


def _landing(landing: Card, chart: Chart) -> str:
    items = landing.get("items") or []
    out = ["<section><h2>Landing on the changes</h2>"]
    if items:
        out.append(
            f"<p>Root as the chord came: {_counted(landing.get('roots'), landing.get('changes'))}; "
            f"root, third or fifth: {_counted(landing.get('landed'), landing.get('changes'))}. "
            "In a verse the root is asked for; in a solo the third and the fifth will do. The off-beat before a change is "
            "not judged: it usually still carries the old chord.</p>"
        )
        out.append(_landing_grid(items, chart))
        used = [name for name in _OUTCOMES if any(item["outcome"] == name for item in items)]
        legend = " · ".join(f"{_OUTCOMES[name][0]} {_OUTCOMES[name][1]}" for name in used)
        out.append(
            f'<p class="quiet">{escape(legend)}. A frame marks a miss; an empty box is a bar without a change.</p>'
        )
    stayed = [item for item in items if item.get("stayed_on") and item.get("outcome") not in ("pedal", "not_asked")]
    if stayed:
        places = ", ".join(f"chorus {i['chorus']} bar {i['bar']}" for i in stayed[:MAX_QUESTIONS])
        more = f" and {len(stayed) - MAX_QUESTIONS} more" if len(stayed) > MAX_QUESTIONS else ""
        names = sorted({f"{i['stayed_on']} under {i['degree']}" for i in stayed})
        out.append(
            f"<p>You stayed on {escape(', '.join(names))} ({escape(places + more)}). Did you mean a pedal there? A planned one "
            "can be written into the session.</p>"
        )
    pairs = landing.get("by_pair") or {}
    if pairs:
        rows = "".join(
            f"<tr><th scope='row'>{escape(str(name))}</th><td class='num'>{p.get('roots')} of {p.get('changes')}</td>"
            f"<td class='num'>{p.get('landed')} of {p.get('changes')}</td></tr>"
            for name, p in (pairs.items() if isinstance(pairs, Mapping) else ((p.get("pair"), p) for p in pairs))
        )
        out.append(
            "<div class='wide keep' tabindex='0'><table><thead><tr><th scope='col'>change</th><th scope='col'>root</th>"
            f"<th scope='col'>root, third, fifth</th></tr></thead><tbody>{rows}</tbody></table></div>"
        )
    return "".join(out) + _whys(landing) + "</section>"


def _landing_grid(items: Sequence[Card], chart: Chart) -> str:
    bars = sorted({bar.bar for bar in chart.bars})
    choruses = sorted({int(item["chorus"]) for item in items})
    cells: dict[tuple[int, int], list[Card]] = {}
    for item in items:
        cells.setdefault((int(item["chorus"]), int(item["bar"])), []).append(item)
    head = "".join(f"<th scope='col'>{bar}</th>" for bar in bars)
    rows = []
    for chorus in choruses:
        row = []
        for bar in bars:
            here = cells.get((chorus, bar), [])
            marks, words, miss = [], [], False
            for item in here:
                mark, word, missed = _OUTCOMES.get(str(item["outcome"]), ("?", str(item["outcome"]), False))
                marks.append(mark)
                miss = miss or missed
                late = item.get("asynchrony_ms")
                how = "" if late is None else f", {abs(float(late)):.0f} ms {'late' if float(late) > 0 else 'early'}"
                words.append(f"{item['chord']} on beat {item['beat']:g}: {word}{how}")
            label = escape(f"Chorus {chorus}, bar {bar}: {'; '.join(words)}") if here else ""
            row.append(
                f"<td{' class=miss' if miss else ''}"
                + (f' title="{label}" aria-label="{label}">' if here else ">")
                + escape(" ".join(marks))
                + "</td>"
            )
        rows.append(f"<tr><th scope='row'>{chorus}</th>{''.join(row)}</tr>")
    return (
        '<div class="wide" tabindex="0"><table class="grid"><caption class="quiet">rows: choruses; columns: bars of the '
        f"form</caption><thead><tr><th scope='col'>chorus</th>{head}</tr></thead><tbody>{''.join(rows)}</tbody></table></div>"
    )


def _form(form: Card, chart: Chart) -> str:
    out = ["<section><h2>Keeping the form</h2>"]
    place = form.get("place") or []
    if place:
        out.append(
            _picture(place_picture(chart, place), "Your place against the band’s, in bars: on the line is together.")
        )
    lost = form.get("lost") or []
    if place:
        away = form.get("bars_lost")
        if away is not None:
            out.append(
                f"<p>Elsewhere in the form for <strong>{away} of {len(place)} bars</strong> (counted, not sampled). Your place "
                "is read from roots and chord notes, beat by beat, as the most likely path through the form (a hidden Markov "
                "model: Rabiner 1989).</p>"
            )
    for span in lost:
        out.append(f"<p>{escape(_span_words(span))}</p>")
    if place and not lost:
        out.append("<p>You were with the band from the first bar to the last.</p>")
    return "".join(out) + _whys(form) + "</section>"


_CAUSES = {
    "skipped": "something was skipped",
    "repeated": "something was played twice",
    "turned round": "the beat was turned round",
}


def _span_words(span: Card) -> str:
    """ "Chorus 4, bars 6 to 8: you were 1 bar ahead of the band, something was skipped. Back in chorus 4 bar 9." """
    a, b = span["from"], span["to"]
    where = f"Chorus {a['chorus']} bar {a['bar']}"
    if a["chorus"] != b["chorus"]:
        where += f" to chorus {b['chorus']} bar {b['bar']}"
    elif a["bar"] != b["bar"]:
        where = f"Chorus {a['chorus']}, bars {a['bar']} to {b['bar']}"
    cause = str(span.get("cause", ""))
    if cause == "missed quick change":
        return f"{where}: the quick change was not there. Did you mean to stay?"
    told = f"{where}: you were {bars_words(float(span['place_beats']))}, {_CAUSES.get(cause, cause)}."
    back = span.get("back")
    return f"{told} Back in chorus {back['chorus']} bar {back['bar']}." if back else told


def _band_heard(take: Take, chart: Chart) -> tuple[dict[int, float], str]:
    """How hard the band played, by chorus, 0–1, and the words for it; empty without a band.

    A band that listened wrote down the intensity of every bar; else the median of its recorded velocities is shown.
    """
    chorus = np.array([bar.chorus for bar in chart.bars])
    levels = take.header.extra.get("intensities")
    if isinstance(levels, list) and len(levels) == len(chart.bars):
        known = np.array([np.nan if level is None else float(level) for level in levels])
        means = {n: known[(chorus == n) & np.isfinite(known)] for n in range(1, chart.n_choruses + 1)}
        return {n: float(v.mean()) for n, v in means.items() if v.size}, "how hard it played, following you"
    if not len(take.band):
        return {}, ""
    beats = take.tempo.beats_at(take.band["onset_s"])
    inside = (beats >= 0.0) & (beats < chart.end_beats)
    of = chorus[chart.bar_idx_at(beats)]
    heard = {
        n: float(np.median(take.band["velocity"][inside & (of == n)])) / 127.0
        for n in range(1, chart.n_choruses + 1)
        if np.any(inside & (of == n))
    }
    return heard, "how loud it was, 1 is as loud as MIDI goes"


def _shape(shape: Card, chart: Chart, heard: Mapping[int, float], heard_words: str) -> str:
    choruses = [item for item in shape.get("choruses") or [] if item.get("notes_per_bar") is not None]
    out = ["<section><h2>The shape of the song</h2>"]
    if choruses:
        out.append(
            _picture(
                shape_picture(chart, choruses, heard),
                "Above: notes a bar; dashed squares: how hard the band was planned to play"
                + (f"; dotted crosses: {heard_words}" if heard else "")
                + ". Below: your middle pitch (dots) and top (triangles).",
            )
        )
        rows = "".join(
            f"<tr><th scope='row'>{item['chorus']}</th><td>{escape(str(item.get('role', '')))}</td>"
            f"<td>{escape(str(item.get('verdict') or '–'))}</td><td class='num'>{_number(item.get('notes_per_bar'))}</td>"
            f"<td class='num'>{_percent(item.get('root_share'))}</td><td class='num'>{_percent(item.get('rhythm_repeat'))}</td>"
            f"<td class='num'>{_percent(item.get('gate_long'))}</td><td class='num'>{_number(item.get('accent'))}</td></tr>"
            for item in choruses
        )
        out.append(
            "<div class='wide' tabindex='0'><table><thead><tr><th scope='col'>chorus</th><th scope='col'>role</th>"
            "<th scope='col'>you played it</th><th scope='col'>notes a bar</th><th scope='col'>roots</th>"
            "<th scope='col'>rhythm repeats</th><th scope='col'>long notes held</th><th scope='col'>accent on 2 and 4</th>"
            f"</tr></thead><tbody>{rows}</tbody></table></div>"
        )
        out.append(
            '<p class="quiet">Bar figures are means of a chorus, counted. Pinned: one rhythm, chord tones, the root where it is due. Open: busier, higher or more varied '
            "than your own verses, the changes still landed. Held: a solo kept like a verse. Wandering: varied, but the "
            "changes slipped away.</p>"
        )
    contrast = [
        (n, i)
        for n, i in (shape.get("contrast") or {}).items()
        if isinstance(i, Mapping) and i.get("difference") is not None
    ]
    if contrast:
        known = {
            "notes_per_bar": ("notes a bar", "How much busier the solos are than the verses."),
            "median_pitch": ("semitones", "How much higher the solos lie."),
            "velocity": ("of 127", "How much harder you play in the solos."),
        }
        out.append("<h3>Solo against verse</h3>")
        out.append(
            _rows(
                [
                    (
                        str(name).replace("_", " ").replace("per bar", "a bar").replace("median ", ""),
                        _number(
                            item["difference"],
                            f" {known.get(name, ('', ''))[0]}".rstrip(),
                            1,
                            item.get("ci95"),
                            item.get("n"),
                        ),
                        known.get(name, ("", ""))[1],
                    )
                    for name, item in contrast
                ]
            )
        )
    return "".join(out) + _whys(shape, ("arc",)) + "</section>"


def _percent(value: Any) -> str:
    return "–" if value is None else f"{100.0 * float(value):.0f} %"


def _devices(devices: Card, chart: Chart) -> str:
    found = devices.get("found") or []
    out = ["<section><h2>Devices of the line</h2>"]
    if found:
        out.append(_picture(devices_picture(chart, found), "Each box is one use, where it was."))
        counts = ", ".join(
            f"{name.replace('_', ' ')} {n}" for name, n in Counter(str(i["name"]) for i in found).most_common()
        )
        out.append(f"<p>Found {len(found)} (counted): {escape(counts)}.</p>")
        items = "".join(
            f"<li>{escape(str(i['name']).replace('_', ' '))}: chorus {i['chorus']}, bar {i['bar']}, beat {float(i['beat']):g}"
            "</li>"
            for i in found
        )
        out.append(f"<details><summary>All {len(found)}, one by one</summary><ul>{items}</ul></details>")
    return "".join(out) + _whys(devices) + "</section>"


def _method() -> str:
    return (
        '<section><h2>Where the figures come from</h2><p class="quiet">Times are measured against the band’s own drums '
        "(late positive). Square brackets hold 95 % intervals, widened for the way one beat leans on the one before. "
        "Swing is the median ratio of long to short (beat–upbeat ratio). What rests on too few notes is left out with the "
        "reason. Sources: Repp 2005 (spread of trained players); Friberg &amp; Sundström 2002 (swing ratios fall with "
        "tempo); Wilson 1927 (intervals of shares); Theil 1950 and Sen 1968 (drift); Rabiner 1989 (the path through the form). "
        "Devices, shape and the four lines follow common practice; their targets are our own choice.</p></section>"
    )
