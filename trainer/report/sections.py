"""The parts of the report, one function each: time, swing, landing, form, shape, devices."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from html import escape

import numpy as np

from trainer.music import note_name
from trainer.report.figures import captioned, counted, meanings, number, percent, places_words, spread, table, whys
from trainer.report.pictures import (
    SHOWN_MS,
    asynchrony_picture,
    bars_words,
    devices_picture,
    place_picture,
    shape_picture,
    swing_picture,
)
from trainer.scoring.devices import Devices
from trainer.scoring.figure import Figure
from trainer.scoring.form import FormResult, LostSpan
from trainer.scoring.landing import Item, Landing, Outcome
from trainer.scoring.reading import Reading
from trainer.scoring.shape import Shape
from trainer.scoring.swing import Swing
from trainer.scoring.timing import Timing
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
_OUTCOMES: dict[Outcome, tuple[str, str, bool]] = {
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


def time_section(timing: Timing, reading: Reading) -> str:
    against = "the drums" if timing.reference == "band" else "the beat"
    drift = timing.written("drift_s")
    out = ["<section><h2>Time</h2>", _note_by_note(reading, drift, "the tempo" if against == "the beat" else against)]
    if timing.n:
        per = f"{FOREIGN_CHORUS_BARS} bars" if reading.chart is None else "chorus"
        out += [_time_table(timing, against, drift, per), _per_beat(timing), _drop_outs(timing)]
    return "".join(out) + whys(timing, _FOR_THE_CURIOUS) + "</section>"


def _note_by_note(reading: Reading, drift: Figure, measure: str) -> str:
    """The picture of every on-beat note; nothing where there is none."""
    chart = reading.chart
    timed = (reading.on_note_idx >= 0) & (reading.beat_excused == 0) & np.isfinite(reading.on_asynchrony_s)
    idx = np.flatnonzero(timed)
    if not len(idx):
        return ""
    beats = (reading.first_beat_idx + idx).astype(np.float64)
    late_ms = 1000.0 * reading.on_asynchrony_s[idx]
    key = None if chart is None else chart.key
    pitches = reading.pitch[reading.on_note_idx[idx]].tolist()
    told = [
        f"{_where(chart, beat)}: {note_name(pitch, key)}, {_late(ms)}"
        for beat, pitch, ms in zip(beats.tolist(), pitches, late_ms.tolist(), strict=True)
    ]
    caption = [
        f"Each dot is an on-beat note, ahead of or behind {measure}",
        "; triangles lie beyond the edge." if np.any(np.abs(late_ms) > SHOWN_MS) else ".",
        " Solid: the running middle." if len(idx) >= 8 else "",
        " Dashed: drift." if drift.known else "",
        " Shaded: the band was silent." if chart is not None and any(bar.drop_out for bar in chart.bars) else "",
    ]
    return captioned(asynchrony_picture(chart, beats, late_ms, told, drift.value), "".join(caption), "Note by note")


def _late(ms: float) -> str:
    return f"{abs(ms):.0f} ms {'late' if ms > 0 else 'early'}"


def _where(chart: Chart | None, beat: float) -> str:
    if chart is None:
        return f"bar {int(beat // BEATS_PER_BAR) + 1}, beat {int(beat % BEATS_PER_BAR) + 1}"
    bar = chart.bars[int(chart.bar_idx_at([beat])[0])]
    return f"chorus {bar.chorus}, bar {bar.bar}, beat {int(beat - bar.onset_beats) + 1}"


def _time_table(timing: Timing, against: str, drift: Figure, per: str) -> str:
    n = timing.n
    return meanings(
        [
            (
                "mean",
                number(timing.written("mean_s"), " ms", n=n),
                f"Where you sit against {against}: late is positive. A steady place is a feel, not a fault.",
            ),
            ("median", number(timing.written("median_s"), " ms", n=n), "The same, deaf to a few stray notes."),
            (
                "spread",
                number(spread(timing.written("spread_s"), n, timing.written("lag1")), " ms", n=n),
                "How far single notes stray from your own place. Trained hands reach about 2\u00a0% of the beat.",
            ),
            (
                "drift",
                number(drift, f" ms a {per}" if per == "chorus" else f" ms in {per}", n=n),
                "Whether you slid later (positive) or earlier as the song went on.",
            ),
        ]
    )


def _per_beat(timing: Timing) -> str:
    rows = [
        (
            str(beat.beat),
            number(beat.written("median_s"), " ms", n=beat.n),
            number(spread(beat.written("spread_s"), beat.n), " ms"),
            number(beat.written("pct_of_beat"), " %"),
        )
        for beat in timing.per_beat
        if beat.median_s.known
    ]
    if not rows:
        return ""
    return (
        "<h3>By beat of the bar</h3><p>A beat that is steadily ahead or behind is placed there; a wide spread is unsteady: two "
        "different things.</p>" + table(("beat", "median", "spread", "of the beat"), rows)
    )


def _drop_outs(timing: Timing) -> str:
    drops = timing.drop_outs
    if not drops:
        return ""
    rows = [
        (
            f"chorus {drop.chorus}, bars {drop.bars[0]}–{drop.bars[1]}",
            number(drop.written("tempo_change_pct"), " %", n=drop.n_intervals),
            number(drop.written("reentry_s"), " ms", 0),
        )
        for drop in drops
    ]
    out = (
        "<h3>When the band dropped out</h3><p>Alone with the time: the tempo from the mean of your own intervals, and how far "
        "from the drums you were when they came back (one note each, so no interval).</p>"
        + table(("where", "tempo, faster positive", "at re-entry"), rows)
    )
    if any(drop.tempo_change_pct.known and drop.tempo_change_pct.interval is None for drop in drops):
        out += '<p class="quiet">Fewer than eight intervals carry no interval of their own.</p>'
    return out


# --- swing -----------------------------------------------------------------------------------------------------------


def swing_section(swing: Swing) -> str:
    out = ["<section><h2>Swing</h2>"]
    band, ratio = swing.written("band"), swing.written("ratio")
    dotted = " Dotted: the band." if band.known else ""
    ratios = [*(group.ratio for group in swing.per_chorus), *(group.ratio for group in swing.per_beat)]
    if any(ratio.interval for ratio in ratios):
        out.append(
            captioned(
                swing_picture(swing),
                f"Diamonds: your long-to-short ratio, by chorus and by beat of the bar, with its interval.{dotted}",
                "One by one",
            )
        )
    if ratio.known:
        n = ratio.n
        played = f"The band played {band.value:.2f}\u00a0:\u00a01; " if band.known else ""
        two = "2\u00a0:\u00a01 is the triplet, 1\u00a0:\u00a01 even."
        rows = [
            (
                "ratio",
                number(ratio, " : 1", 2, n),
                f"Long note to short note. {played}{two}",
            ),
            (
                "off-beat",
                number(_offbeat(swing.written("offbeat_pct"), ratio), " % of the beat", n=n),
                "The same as a place in the beat; the triplet is 66.7\u00a0%.",
            ),
            (
                "evenness",
                number(spread(swing.written("log2_sd"), n), "", 2, n),
                "How far single pairs stray from your own ratio, the scatter of your strokes included. Smaller is steadier.",
            ),
        ]
        change = swing.written("change")
        if change.known:
            rows.append(
                (
                    "change",
                    number(change, " a chorus", 3, n),
                    "Whether the shuffle opens (positive) or straightens as the song goes on: 1 would be twice as long.",
                )
            )
        out += [meanings(rows), _swing_groups(swing)]
    return "".join(out) + whys(swing) + "</section>"


def _offbeat(offbeat_pct: Figure, ratio: Figure) -> Figure:
    """The place of the off-beat with the interval that the ratio's is."""
    low, high = (100.0 * end / (1.0 + end) for end in (ratio.low, ratio.high))
    return Figure(offbeat_pct.value, low, high)


def _swing_groups(swing: Swing) -> str:
    """Ratio, interval, pairs and the band's ratio by chorus, by beat of the bar and by role."""
    groups = [
        *((f"chorus {group.chorus}", group.written("ratio")) for group in swing.per_chorus),
        *((f"beat {group.beat} of the bar", group.written("ratio")) for group in swing.per_beat),
        *((group.role, group.written("ratio")) for group in swing.per_role),
    ]
    band = number(swing.written("band"), " : 1", 2)
    rows = [(escape(name), number(ratio, " : 1", 2, ratio.n), band) for name, ratio in groups if ratio.n]
    if not rows:
        return ""
    shown = table(("where", "you", "the band"), rows)
    return f"<details><summary>By chorus, beat and role, in figures</summary>{shown}</details>"


# --- landing ---------------------------------------------------------------------------------------------------------


def landing_section(landing: Landing, chart: Chart) -> str:
    out = ["<section><h2>Landing on the changes</h2>"]
    if landing.items:
        late = f", {landing.roots_late} of them later than a third of a beat" if landing.roots_late else ""
        out.append(
            f"<p>Root as the chord came: {counted(landing.roots, landing.changes)}{late}; "
            f"root, third or fifth: {counted(landing.landed, landing.changes)}. "
            "In a verse the root is asked for; in a solo the third and the fifth will do. The off-beat before a change is "
            "not judged: it usually still carries the old chord.</p>"
        )
        if landing.sat_out:
            out.append(
                f"<p>You sat out {', '.join(span.words() for span in landing.sat_out)}: nothing is asked there.</p>"
            )
        out += [_landing_grid(landing.items, chart), _legend(landing.items)]
    out.append(_stayed(landing.items))
    rows = [
        (escape(name), f"{pair.roots} of {pair.changes}", f"{pair.landed} of {pair.changes}")
        for name, pair in landing.by_pair.items()
        if pair.changes
    ]
    if rows:
        out.append(table(("change", "root", "root, third, fifth"), rows))
    return "".join(out) + whys(landing) + "</section>"


def _legend(items: Sequence[Item]) -> str:
    """What the marks in the grid mean, of those that are there."""
    found = {item.outcome for item in items}
    used = [told for outcome, told in _OUTCOMES.items() if outcome in found]
    legend = "; ".join(f"{mark} {word}" for mark, word, _ in used)
    missed = " A frame marks a miss;" if any(miss for _, _, miss in used) else ""
    return f'<p class="quiet">{escape(legend)}.{missed} {"an" if missed else "An"} empty box is a bar without a change.</p>'


def _stayed(items: Sequence[Item]) -> str:
    """Where the old root was held over a change: that may have been meant."""
    stayed = [item for item in items if item.stayed_on and item.outcome not in ("pedal", "not_asked")]
    if not stayed:
        return ""
    places = places_words((item.chorus, item.bar) for item in stayed[:MAX_QUESTIONS])
    more = f" and {len(stayed) - MAX_QUESTIONS} more" if len(stayed) > MAX_QUESTIONS else ""
    names = sorted({f"{item.stayed_on} under {item.degree}" for item in stayed})
    return (
        f"<p>You stayed on {escape(', '.join(names))} ({escape(places + more)}). Did you mean a pedal there? A planned "
        "one can be written into the session.</p>"
    )


def _landing_grid(items: Sequence[Item], chart: Chart) -> str:
    """Choruses down, bars of the form across; a cell tells chord, what was played and how late, for each change in it."""
    bars = sorted({bar.bar for bar in chart.bars})
    first = min((bar.chorus for bar in chart.bars if bar.chorus > 0), default=0)
    degrees = {bar.bar: " ".join(bar.degrees) for bar in chart.bars if bar.chorus == first}
    cells: dict[tuple[int, int], list[Item]] = {}
    for item in items:
        cells.setdefault((item.chorus, item.bar), []).append(item)
    head = "".join(f'<th scope="col">{bar}</th>' for bar in bars)
    under = "".join(f"<th>{escape(degrees.get(bar, ''))}</th>" for bar in bars)
    rows = []
    for chorus in sorted({item.chorus for item in items}):
        row = "".join(_landing_cell(chorus, bar, cells.get((chorus, bar), [])) for bar in bars)
        rows.append(f'<tr><th scope="row">{chorus}</th>{row}</tr>')
    return (
        '<div data-steps="Change by change"><div class="wide" tabindex="0"><table class="grid"><caption class="quiet">choruses '
        f'down, bars of the form across</caption><thead><tr><th scope="col">chorus</th>{head}</tr>'
        f'<tr class="degrees"><td></td>{under}</tr></thead><tbody>{"".join(rows)}</tbody></table></div></div>'
    )


def _landing_cell(chorus: int, bar: int, here: Sequence[Item]) -> str:
    if not here:
        return "<td></td>"
    told = []
    for item in here:
        late = item.written("asynchrony_s")
        when = f", {_late(late.value)}" if late.known else ""
        told.append(f"{item.chord} on beat {item.beat}: {_OUTCOMES[item.outcome][1]}{when}")
    label = escape(f"Chorus {chorus}, bar {bar}: {'; '.join(told)}")
    kind = ' class="miss"' if any(_OUTCOMES[item.outcome][2] for item in here) else ""
    marks = " ".join(_OUTCOMES[item.outcome][0] for item in here)
    return f'<td{kind} title="{label}" aria-label="{label}">{escape(marks)}</td>'


# --- form ------------------------------------------------------------------------------------------------------------


def form_section(form: FormResult, chart: Chart, reading: Reading) -> str:
    out = ["<section><h2>Keeping the form</h2>"]
    listened = chart.heard_choruses
    place = [row for row in form.place or () if row.chorus not in listened]
    lost = [*(form.lost or ()), *(form.asked or ())]
    if place:
        out.append(
            captioned(
                place_picture(chart, place),
                "Your place against the band’s, in bars: on the line is together.",
                "Bars elsewhere, one by one",
            )
        )
        away = form.bars_lost
        read = "Your place is read from roots and chord notes, beat by beat, as the most likely path through the form."
        n_bars = form.bars_in_for(reading)
        if away and away <= n_bars:
            out.append(
                f"<p>Elsewhere in the form for <strong>{away} of {n_bars} bars</strong> (counted, not sampled). {read}</p>"
            )
        elif not lost and not form.untold:
            n = form.n_bars_played
            bars = (
                f"all {n} bars" if n == form.n_bars_asked else f"the {n} bars that you played" if n != 1 else "one bar"
            )
            out.append(f"<p>With the band in <strong>{bars}</strong>. {read}</p>")
    out += [f"<p>{escape(_span_words(span))}</p>" for span in lost]
    if form.untold:
        out.append("<p>For a while you were elsewhere in the form; where cannot be told.</p>")
    return "".join(out) + whys(form) + "</section>"


_CAUSES = {
    "skipped": "something was skipped",
    "repeated": "something was played twice",
    "turned round": "the beat was turned round",
}


def _span_words(span: LostSpan) -> str:
    """ "Chorus 4, bars 6 to 8: you were 1 bar ahead of the band, something was skipped. Back in chorus 4 bar 9." """
    where = span.where.capitalize()
    if span.cause == "missed quick change":
        return f"{where}: the quick change was not there. Did you mean to stay?"
    beats = abs(span.place_beats)
    if span.unsure:
        n, unit = (beats / BEATS_PER_BAR, "bar") if beats % BEATS_PER_BAR == 0 else (beats, "beat")
        much = f"a {unit}" if n == 1 else f"{n:g} {unit}s"
        return f"{where}: it sounded {much} {'early' if span.place_beats > 0 else 'late'}. Did you mean it?"
    told = f"{where}: you were {bars_words(span.place_beats)}, {_CAUSES.get(span.cause, span.cause)}."
    return f"{told} Back in chorus {span.back.chorus} bar {span.back.bar}." if span.back else told


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


def shape_section(shape: Shape, chart: Chart, heard: Mapping[int, float], heard_words: str) -> str:
    choruses = [chorus for chorus in shape.choruses if chorus.notes_per_bar.known]
    out = ["<section><h2>The shape of the song</h2>"]
    if not any(chorus.written("notes_per_bar").value for chorus in choruses):
        return "".join(out) + '<p class="quiet">No notes, so no shape.</p></section>'
    pitched = any(chorus.median_pitch.known for chorus in choruses)
    out.append(
        captioned(
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
            str(chorus.chorus),
            escape(chorus.role),
            chorus.said,
            number(chorus.written("notes_per_bar")),
            percent(chorus.written("root_share")),
            percent(chorus.written("rhythm_repeat")),
            percent(chorus.written("gate_long")),
            number(chorus.written("accent")),
        )
        for chorus in choruses
    ]
    heads = (
        "chorus", "role", "you played it", "notes a bar", "roots", "rhythm repeats", "long notes held", "accent on 2 and 4"
    )  # fmt: skip
    out.append(table(heads, rows, words=(1, 2)))
    out.append(
        '<p class="quiet">Bar figures are means of a chorus, counted. Held down: one rhythm, chord tones or one riff '
        "moved with the chords, the root where it is due. Opened up: busier, higher or more varied than your own verses, "
        "the changes still landed. Held like a "
        "verse: a solo that was. Changes slipped: varied, but they were missed. Neither: none of these.</p>"
    )
    contrast = [_contrast(name, shape.written("contrast", name)) for name, f in shape.contrast.items() if f.known]
    if contrast:
        out.append("<h3>Solo against verse</h3>" + meanings(contrast))
    return "".join(out) + whys(shape, ("arc",)) + "</section>"


_CONTRASTS = {
    "notes_per_bar": (" notes a bar", "How much busier the solos are than the verses."),
    "median_pitch": (" semitones", "How much higher the solos lie."),
    "velocity": (" of 127", "How much harder you play in the solos."),
}


def _contrast(name: str, difference: Figure) -> tuple[str, str, str]:
    unit, meaning = _CONTRASTS.get(name, ("", ""))
    shown = name.replace("_", " ").replace("per bar", "a bar").replace("median ", "")
    return shown, number(difference, unit, 1, difference.n), meaning


# --- devices ---------------------------------------------------------------------------------------------------------


def devices_section(devices: Devices, chart: Chart) -> str:
    found = devices.found or ()
    out = ["<section><h2>Devices of the line</h2>"]
    if found:
        out.append(captioned(devices_picture(chart, found), "Each box is one use, where it was.", "Use by use"))
        counts = ", ".join(
            f"{name.replace('_', ' ')} {n}" for name, n in Counter(device.name for device in found).most_common()
        )
        out.append(f"<p>Found {len(found)} (counted): {escape(counts)}.</p>")
        items = "".join(
            f"<li>{escape(device.name.replace('_', ' '))}: chorus {device.chorus}, bar {device.bar}, beat {device.beat}</li>"
            for device in found
        )
        out.append(f"<details><summary>All {len(found)}, one by one</summary><ul>{items}</ul></details>")
    elif not devices.why:
        out.append('<p class="quiet">None found: no figure of the line that has a name here.</p>')
    return "".join(out) + whys(devices) + "</section>"
