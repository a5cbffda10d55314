"""The parts of the report, one function each: time, swing, landing, form, shape, devices."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from html import escape
from typing import Any

import numpy as np

from trainer.music import note_name
from trainer.report.figures import Card, counted, figure, meanings, number, percent, places_words, spread, table, whys
from trainer.report.pictures import (
    asynchrony_picture,
    bars_words,
    devices_picture,
    place_picture,
    shape_picture,
    swing_picture,
)
from trainer.scoring.figure import read
from trainer.scoring.form import SURE
from trainer.scoring.landing import SatOut
from trainer.scoring.reading import Reading
from trainer.session import BEATS_PER_BAR, Chart
from trainer.take import Take

__all__ = [
    "band_heard",
    "devices_section",
    "form_section",
    "landing_section",
    "shape_section",
    "swing_section",
    "time_section",
]

MAX_QUESTIONS = 6  # places named in one question; our choice
FOREIGN_CHORUS_BARS = 12  # what the scorer calls a chorus of a take whose form is not known

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
# In the scorecard for whoever wants them; a player's page does without.
_FOR_THE_CURIOUS = ("two_level_split", "correction_gain", "lag1", "lag1_ci95")


# --- time ------------------------------------------------------------------------------------------------------------


def time_section(timing: Card, chart: Chart | None, reading: Reading | None) -> str:
    out = ["<section><h2>Time</h2>"]
    against = "the drums" if timing.get("reference") == "band" else "the beat"
    measure = against if against == "the drums" else "the tempo"
    drift = timing.get("drift_ms_per_chorus")
    if reading is not None:
        timed = (reading.on_note_idx >= 0) & (reading.beat_excused == 0) & np.isfinite(reading.on_asynchrony_s)
        idx = np.flatnonzero(timed)
        if len(idx):
            beats = (reading.first_beat_idx + idx).astype(np.float64)
            late_ms = 1000.0 * reading.on_asynchrony_s[idx]
            key = None if chart is None else chart.key
            pitches = reading.pitch[reading.on_note_idx[idx]].tolist()
            told = [
                f"{_where(chart, beat)}: {note_name(pitch, key)}, {_late(ms)}"
                for beat, pitch, ms in zip(beats.tolist(), pitches, late_ms.tolist(), strict=True)
            ]
            shaded = (
                "" if chart is None or not any(bar.drop_out for bar in chart.bars) else " Shaded: the band was silent."
            )
            beyond = "; triangles lie beyond the edge" if np.any(np.abs(late_ms) > 120.0) else ""
            drawn = (" Solid: the running middle." if len(idx) >= 8 else "") + (
                " Dashed: drift." if drift is not None else ""
            )
            out.append(
                figure(
                    asynchrony_picture(chart, beats, late_ms, told, drift),
                    f"Each dot is an on-beat note, ahead of or behind {measure}{beyond}.{drawn}{shaded}",
                    "Note by note",
                )
            )
    n = timing.get("n")
    if not n:
        return "".join(out) + whys(timing, _FOR_THE_CURIOUS) + "</section>"
    out.append(_time_table(timing, against, drift, "chorus" if chart is not None else f"{FOREIGN_CHORUS_BARS} bars"))
    out += [_per_beat(timing), _drop_outs(timing)]
    return "".join(out) + whys(timing, _FOR_THE_CURIOUS) + "</section>"


def _late(ms: float) -> str:
    return f"{abs(ms):.0f} ms {'late' if ms > 0 else 'early'}"


def _where(chart: Chart | None, beat: float) -> str:
    if chart is None:
        return f"bar {int(beat // BEATS_PER_BAR) + 1}, beat {int(beat % BEATS_PER_BAR) + 1}"
    bar = chart.bars[int(chart.bar_idx_at([beat])[0])]
    return f"chorus {bar.chorus}, bar {bar.bar}, beat {int(beat - bar.onset_beats) + 1}"


def _time_table(timing: Card, against: str, drift: float | None, per: str) -> str:
    n = timing.get("n")
    robust = timing.get("robust_sd_ms")
    interval = timing.get("drift_ci95_ms_per_chorus") if drift is not None else None
    return meanings(
        [
            (
                "mean",
                number(timing.get("mean_ms"), " ms", interval=timing.get("mean_ci95_ms"), n=n),
                f"Where you sit against {against}: late is positive. A steady place is a feel, not a fault.",
            ),
            ("median", number(timing.get("median_ms"), " ms", n=n), "The same, deaf to a few stray notes."),
            (
                "spread",
                number(robust, " ms", interval=spread(robust, n, timing.get("lag1")), n=n),
                "How far single notes stray from your own place. Trained hands reach about 2\u00a0% of the beat.",
            ),
            (
                "drift",
                number(drift, f" ms a {per}" if per == "chorus" else f" ms in {per}", interval=interval, n=n)
                if drift is not None
                else "–",
                "Whether you slid later (positive) or earlier as the song went on.",
            ),
        ]
    )


def _per_beat(timing: Card) -> str:
    items = [item for item in timing.get("per_beat") or [] if item.get("median_ms") is not None]
    if not items:
        return ""
    rows = [
        (
            str(item["beat"]),
            number(item["median_ms"], " ms", n=item.get("n")),
            number(item.get("robust_sd_ms"), " ms", interval=spread(item.get("robust_sd_ms"), item.get("n"))),
            number(item.get("pct_of_beat"), " %"),
        )
        for item in items
    ]
    return (
        "<h3>By beat of the bar</h3><p>A beat that is steadily ahead or behind is placed there; a wide spread is unsteady: two "
        "different things.</p>" + table(("beat", "median", "spread", "of the beat"), rows)
    )


def _drop_outs(timing: Card) -> str:
    drops = timing.get("drop_outs") or []
    if not drops:
        return ""
    rows = [
        (
            f"chorus {d['chorus']}, bars {d['bars'][0]}–{d['bars'][1]}",
            number(d.get("tempo_change_pct"), " %", interval=d.get("tempo_change_ci95_pct"), n=d.get("n_intervals")),
            number(d.get("reentry_ms"), " ms", 0),
        )
        for d in drops
    ]
    out = (
        "<h3>When the band dropped out</h3><p>Alone with the time: the tempo from the mean of your own intervals, and how far "
        "from the drums you were when they came back (one note each, so no interval).</p>"
        + table(("where", "tempo, faster positive", "at re-entry"), rows)
    )
    if any(d.get("tempo_change_ci95_pct") is None and d.get("tempo_change_pct") is not None for d in drops):
        out += '<p class="quiet">Fewer than eight intervals carry no interval of their own.</p>'
    return out


# --- swing -----------------------------------------------------------------------------------------------------------


def swing_section(swing: Card) -> str:
    out = ["<section><h2>Swing</h2>"]
    band = swing.get("band_ratio")
    dotted = "" if band is None else " Dotted: the band."
    groups = [*(swing.get("per_chorus") or []), *(swing.get("per_beat") or [])]
    if any(item.get("ratio_ci95") for item in groups):
        out.append(
            figure(
                swing_picture(swing),
                f"Diamonds: your long-to-short ratio, by chorus and by beat of the bar, with its interval.{dotted}",
                "One by one",
            )
        )
    if swing.get("ratio") is not None:
        n, evenness = swing.get("n"), swing.get("log2_sd")
        played = "" if band is None else f"The band played {float(band):.2f}\u00a0:\u00a01; "
        two = "2\u00a0:\u00a01 is the triplet, 1\u00a0:\u00a01 even."
        rows = [
            (
                "ratio",
                number(swing["ratio"], " : 1", 2, swing.get("ratio_ci95"), n),
                f"Long note to short note. {played}{two}",
            ),
            (
                "off-beat",
                number(swing.get("offbeat_pct"), " % of the beat", interval=_as_pct(swing.get("ratio_ci95")), n=n),
                "The same as a place in the beat; the triplet is 66.7\u00a0%.",
            ),
            (
                "evenness",
                number(evenness, "", 2, spread(evenness, n), n),
                "How far single pairs stray from your own ratio, the scatter of your strokes included. Smaller is steadier.",
            ),
        ]
        change = swing.get("change_log2_per_chorus")
        if change is not None:
            rows.append(
                (
                    "change",
                    number(change, " a chorus", 3, swing.get("change_ci95_log2_per_chorus"), n),
                    "Whether the shuffle opens (positive) or straightens as the song goes on: 1 would be twice as long.",
                )
            )
        out += [meanings(rows), _swing_groups(swing)]
    return "".join(out) + whys(swing) + "</section>"


def _as_pct(interval: Any) -> tuple[float, float] | None:
    return (
        None if not interval else (100.0 * interval[0] / (1.0 + interval[0]), 100.0 * interval[1] / (1.0 + interval[1]))
    )


def _swing_groups(swing: Card) -> str:
    """Ratio, interval, pairs and the band's ratio by chorus, by beat of the bar and by role."""
    rows = [
        (
            escape(name.format(item[key])),
            number(item.get("ratio"), " : 1", 2, item.get("ratio_ci95"), item.get("n")),
            number(swing.get("band_ratio"), " : 1", 2),
        )
        for section, key, name in (
            ("per_chorus", "chorus", "chorus {}"),
            ("per_beat", "beat", "beat {} of the bar"),
            ("per_role", "role", "{}"),
        )
        for item in swing.get(section) or []
        if item.get("n")
    ]
    if not rows:
        return ""
    shown = table(("where", "you", "the band"), rows)
    return f"<details><summary>By chorus, beat and role, in figures</summary>{shown}</details>"


# --- landing ---------------------------------------------------------------------------------------------------------


def landing_section(landing: Card, chart: Chart) -> str:
    items = landing.get("items") or []
    out = ["<section><h2>Landing on the changes</h2>"]
    if items:
        late = f", {landing['roots_late']} of them later than a third of a beat" if landing.get("roots_late") else ""
        out.append(
            f"<p>Root as the chord came: {counted(landing.get('roots'), landing.get('changes'))}{late}; "
            f"root, third or fifth: {counted(landing.get('landed'), landing.get('changes'))}. "
            "In a verse the root is asked for; in a solo the third and the fifth will do. The off-beat before a change is "
            "not judged: it usually still carries the old chord.</p>"
        )
        if landing.get("sat_out"):
            spans = [read(SatOut, span).words() for span in landing["sat_out"]]
            out.append(f"<p>You sat out {', '.join(spans)}: nothing is asked there.</p>")
        out.append(_landing_grid(items, chart))
        used = [name for name in _OUTCOMES if any(item["outcome"] == name for item in items)]
        legend = "; ".join(f"{_OUTCOMES[name][0]} {_OUTCOMES[name][1]}" for name in used)
        missed = " A frame marks a miss;" if any(_OUTCOMES[name][2] for name in used) else ""
        out.append(
            f'<p class="quiet">{escape(legend)}.{missed} {"an" if missed else "An"} empty box is a bar without a change.</p>'
        )
    stayed = [item for item in items if item.get("stayed_on") and item.get("outcome") not in ("pedal", "not_asked")]
    if stayed:
        places = places_words((i["chorus"], i["bar"]) for i in stayed[:MAX_QUESTIONS])
        more = f" and {len(stayed) - MAX_QUESTIONS} more" if len(stayed) > MAX_QUESTIONS else ""
        names = sorted({f"{i['stayed_on']} under {i['degree']}" for i in stayed})
        out.append(
            f"<p>You stayed on {escape(', '.join(names))} ({escape(places + more)}). Did you mean a pedal there? A planned "
            "one can be written into the session.</p>"
        )
    pairs = landing.get("by_pair") or {}
    named: Iterable[tuple[Any, Any]] = (
        pairs.items() if isinstance(pairs, Mapping) else ((p.get("pair"), p) for p in pairs)
    )
    rows = [
        (escape(str(name)), f"{p.get('roots')} of {p.get('changes')}", f"{p.get('landed')} of {p.get('changes')}")
        for name, p in named
        if p.get("changes")
    ]
    if rows:
        out.append(table(("change", "root", "root, third, fifth"), rows))
    return "".join(out) + whys(landing) + "</section>"


def _landing_grid(items: Sequence[Card], chart: Chart) -> str:
    """Choruses down, bars of the form across; a cell tells chord, what was played and how late, for each change in it."""
    bars = sorted({bar.bar for bar in chart.bars})
    first = min((bar.chorus for bar in chart.bars if bar.chorus > 0), default=0)
    degrees = {bar.bar: " ".join(bar.degrees) for bar in chart.bars if bar.chorus == first}
    cells: dict[tuple[int, int], list[Card]] = {}
    for item in items:
        cells.setdefault((int(item["chorus"]), int(item["bar"])), []).append(item)
    head = "".join(f'<th scope="col">{bar}</th>' for bar in bars)
    under = "".join(f"<th>{escape(degrees.get(bar, ''))}</th>" for bar in bars)
    rows = []
    for chorus in sorted({int(item["chorus"]) for item in items}):
        row = "".join(_landing_cell(chorus, bar, cells.get((chorus, bar), [])) for bar in bars)
        rows.append(f'<tr><th scope="row">{chorus}</th>{row}</tr>')
    return (
        '<div data-steps="Change by change"><div class="wide" tabindex="0"><table class="grid"><caption class="quiet">rows: '
        f'choruses; columns: bars of the form</caption><thead><tr><th scope="col">chorus</th>{head}</tr>'
        f'<tr class="degrees"><td></td>{under}</tr></thead><tbody>{"".join(rows)}</tbody></table></div></div>'
    )


def _landing_cell(chorus: int, bar: int, here: Sequence[Card]) -> str:
    if not here:
        return "<td></td>"
    marks, told, miss = [], [], False
    for item in here:
        mark, word, missed = _OUTCOMES.get(str(item["outcome"]), ("?", str(item["outcome"]), False))
        marks.append(mark)
        miss = miss or missed
        late = item.get("asynchrony_ms")
        told.append(
            f"{item['chord']} on beat {item['beat']:g}: {word}" + ("" if late is None else f", {_late(float(late))}")
        )
    label = escape(f"Chorus {chorus}, bar {bar}: {'; '.join(told)}")
    kind = ' class="miss"' if miss else ""
    return f'<td{kind} title="{label}" aria-label="{label}">{escape(" ".join(marks))}</td>'


# --- form ------------------------------------------------------------------------------------------------------------


def form_section(form: Card, chart: Chart) -> str:
    out = ["<section><h2>Keeping the form</h2>"]
    listened = chart.heard_choruses
    place = [item for item in form.get("place") or [] if int(item["chorus"]) not in listened]
    lost = [*(form.get("lost") or []), *(form.get("asked") or [])]
    if place:
        out.append(
            figure(
                place_picture(chart, place),
                "Your place against the band’s, in bars: on the line is together.",
                "Bars elsewhere, one by one",
            )
        )
        away = form.get("bars_lost")
        read = "Your place is read from roots and chord notes, beat by beat, as the most likely path through the form."
        if away and away <= len(place):
            out.append(
                f"<p>Elsewhere in the form for <strong>{away} of {len(place)} bars</strong> (counted, not sampled). {read}</p>"
            )
        elif not lost:
            out.append(f"<p>With the band in <strong>all {len(place)} bars</strong>. {read}</p>")
    out += [f"<p>{escape(_span_words(span))}</p>" for span in lost]
    return "".join(out) + whys(form) + "</section>"


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
    beats = abs(float(span["place_beats"]))
    if span["probability"] < SURE:
        n, unit = (beats / BEATS_PER_BAR, "bar") if beats % BEATS_PER_BAR == 0 else (beats, "beat")
        much = f"a {unit}" if n == 1 else f"{n:g} {unit}s"
        return f"{where}: it sounded {much} {'early' if span['place_beats'] > 0 else 'late'}. Did you mean it?"
    told = f"{where}: you were {bars_words(float(span['place_beats']))}, {_CAUSES.get(cause, cause)}."
    back = span.get("back")
    return f"{told} Back in chorus {back['chorus']} bar {back['bar']}." if back else told


# --- shape -----------------------------------------------------------------------------------------------------------


def band_heard(take: Take, chart: Chart) -> tuple[dict[int, float], str]:
    """How hard the band played, by chorus, 0–1, and the words for it; empty without a band.

    A band that listened wrote down the intensity of every bar; else the median of its recorded velocities is shown.
    """
    chorus = np.array([bar.chorus for bar in chart.bars])
    levels = take.header.extra.get("intensities")
    if isinstance(levels, list) and len(levels) == len(chart.bars):
        known = np.array([float(level) if isinstance(level, int | float) else np.nan for level in levels])
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


def shape_section(shape: Card, chart: Chart, heard: Mapping[int, float], heard_words: str) -> str:
    choruses = [item for item in shape.get("choruses") or [] if item.get("notes_per_bar") is not None]
    out = ["<section><h2>The shape of the song</h2>"]
    if not any(item["notes_per_bar"] for item in choruses):
        return "".join(out) + '<p class="quiet">No notes, so no shape.</p></section>'
    pitched = any(item.get("median_pitch") is not None for item in choruses)
    out.append(
        figure(
            shape_picture(chart, choruses, heard),
            ("Above: notes" if pitched else "Notes")
            + " a bar; dashed squares: how hard the band was planned to play"
            + (f"; dotted crosses: {heard_words}" if heard else "")
            + (". Below: your middle pitch (dots) and top (triangles)." if pitched else "."),
            "Chorus by chorus",
        )
    )
    rows = [
        (
            str(item["chorus"]),
            escape(str(item.get("role", ""))),
            escape(str(item.get("verdict") or "–")),
            number(item.get("notes_per_bar")),
            percent(item.get("root_share")),
            percent(item.get("rhythm_repeat")),
            percent(item.get("gate_long")),
            number(item.get("accent")),
        )
        for item in choruses
    ]
    heads = (
        "chorus", "role", "you played it", "notes a bar", "roots", "rhythm repeats", "long notes held", "accent on 2 and 4"
    )  # fmt: skip
    out.append(table(heads, rows, words=(1, 2)))
    out.append(
        '<p class="quiet">Bar figures are means of a chorus, counted. Pinned: one rhythm, chord tones, the root where it is '
        "due. Open: busier, higher or more varied than your own verses, the changes still landed. Held: a solo kept like a "
        "verse. Wandering: varied, but the changes slipped away. Mixed: none of these.</p>"
    )
    contrast = [
        (str(name), item)
        for name, item in (shape.get("contrast") or {}).items()
        if isinstance(item, Mapping) and item.get("difference") is not None
    ]
    if contrast:
        out.append("<h3>Solo against verse</h3>" + _contrast(contrast))
    return "".join(out) + whys(shape, ("arc",)) + "</section>"


_CONTRASTS = {
    "notes_per_bar": (" notes a bar", "How much busier the solos are than the verses."),
    "median_pitch": (" semitones", "How much higher the solos lie."),
    "velocity": (" of 127", "How much harder you play in the solos."),
}


def _contrast(items: Sequence[tuple[str, Card]]) -> str:
    rows = []
    for name, item in items:
        unit, meaning = _CONTRASTS.get(name, ("", ""))
        shown = name.replace("_", " ").replace("per bar", "a bar").replace("median ", "")
        rows.append((shown, number(item["difference"], unit, 1, item.get("ci95"), item.get("n")), meaning))
    return meanings(rows)


# --- devices ---------------------------------------------------------------------------------------------------------


def devices_section(devices: Card, chart: Chart) -> str:
    found = devices.get("found") or []
    out = ["<section><h2>Devices of the line</h2>"]
    if found:
        out.append(figure(devices_picture(chart, found), "Each box is one use, where it was.", "Use by use"))
        counts = ", ".join(
            f"{name.replace('_', ' ')} {n}" for name, n in Counter(str(i["name"]) for i in found).most_common()
        )
        out.append(f"<p>Found {len(found)} (counted): {escape(counts)}.</p>")
        items = "".join(
            f"<li>{escape(str(i['name']).replace('_', ' '))}: chorus {i['chorus']}, bar {i['bar']}, beat "
            f"{float(i['beat']):g}</li>"
            for i in found
        )
        out.append(f"<details><summary>All {len(found)}, one by one</summary><ul>{items}</ul></details>")
    elif not devices.get("why"):
        out.append('<p class="quiet">None found: no figure of the line that has a name here.</p>')
    return "".join(out) + whys(devices) + "</section>"
