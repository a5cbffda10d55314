"""A take as tables for other programs: one row a note, one row a measure; CSV and plain data.

Conventions: seconds and beats count from the first downbeat of chorus 1; asynchronies in milliseconds, late positive;
pitches are MIDI numbers as they sound; a figure that is absent is empty (CSV) or null (JSON).
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from trainer.music import note_name
from trainer.scoring.reading import SLOT_OFF, SLOT_ON, SLOT_OTHER, SLOT_TRIPLET_2, SLOT_TRIPLET_3, Reading
from trainer.session import Chart

if TYPE_CHECKING:
    from trainer.scoring.card import Scorecard

__all__ = ["MEASURE_COLUMNS", "NOTE_COLUMNS", "as_csv", "measure_rows", "note_rows"]

NOTE_COLUMNS = (
    "chorus", "bar", "beat", "onset_s", "onset_beats", "duration_s", "pitch", "note", "velocity", "channel", "place",
    "asynchrony_ms", "chord", "degree",
)  # fmt: skip
MEASURE_COLUMNS = (
    "chorus", "bar", "role", "at_beats", "chords", "degrees", "intensity", "band_out", "notes", "on_beats",
    "median_asynchrony_ms", "swing_pairs", "swing_ratio", "landing", "form_place_beats",
)  # fmt: skip
_PLACES = {
    SLOT_ON: "on the beat", SLOT_OFF: "off-beat", SLOT_TRIPLET_2: "second of three", SLOT_TRIPLET_3: "third of three",
    SLOT_OTHER: "other",
}  # fmt: skip

Row = dict[str, Any]


def _number(value: float, digits: int) -> float | None:
    return None if math.isnan(value) else round(float(value), digits)


def note_rows(reading: Reading, chart: Chart | None) -> list[Row]:
    """One row a note, in order, with the keys of `NOTE_COLUMNS`; without a chart the columns of the form are None."""
    out: list[Row] = []
    key = chart.key if chart is not None else None
    for i in range(reading.n):
        beats = float(reading.beats[i])
        row: Row = dict.fromkeys(NOTE_COLUMNS)
        # A note that is early for its beat belongs to the beat and bar that it was meant for.
        meant = max(beats, float(reading.beat_idx[i]))
        if chart is not None and chart.first_beats <= meant < chart.end_beats:
            bar = chart.bars[int(chart.bar_idx_at(meant))]
            span = chart.spans[int(chart.span_idx_at(meant))]
            row |= {
                "chorus": bar.chorus,
                "bar": bar.bar,
                "beat": round(beats - bar.onset_beats + 1.0, 3),
                "chord": span.chord.name,
                "degree": span.degree,
            }
        pitch = float(reading.pitch[i])
        row |= {
            "onset_s": round(float(reading.notes["onset_s"][i]), 6),
            "onset_beats": round(beats, 4),
            "duration_s": round(float(reading.notes["duration_s"][i]), 6),
            "pitch": round(pitch, 2),
            "note": note_name(round(pitch), key) if key is not None else note_name(round(pitch)),
            "velocity": int(reading.notes["velocity"][i]),
            "channel": int(reading.notes["channel"][i]) + 1,
            "place": _PLACES[int(reading.slot[i])],
            "asynchrony_ms": _number(1000.0 * float(reading.asynchrony_s[i]), 2),
        }
        out.append(row)
    return out


def measure_rows(card: Scorecard) -> list[Row]:
    """One row a bar of the chart, with the keys of `MEASURE_COLUMNS`; empty without a chart."""
    chart, reading = card.chart, card.reading
    if chart is None:
        return []
    landing: dict[tuple[int, int], list[str]] = {}
    for item in card.landing.items:
        landing.setdefault((item.chorus, item.bar), []).append(f"{item.chord} {item.outcome}")
    place = {(row.chorus, row.bar): row.place_beats for row in card.form.place or ()}
    meant = np.maximum(reading.beats, reading.beat_idx)
    pair_beats, ratios = card.swing.found.beat, card.swing.found.ratio
    timed = np.isfinite(reading.on_asynchrony_s) & (reading.beat_excused == 0)
    out: list[Row] = []
    for bar in chart.bars:
        where = (bar.chorus, bar.bar)
        inside = (meant >= bar.onset_beats) & (meant < bar.end_beats)
        on = timed & (reading.beat_numbers >= bar.onset_beats) & (reading.beat_numbers < bar.end_beats)
        pairs = ratios[(pair_beats >= bar.onset_beats) & (pair_beats < bar.end_beats)]
        middle = float(np.median(reading.on_asynchrony_s[on])) if on.any() else math.nan
        ratio = float(np.median(pairs)) if pairs.size else math.nan
        out.append(
            {
                "chorus": bar.chorus,
                "bar": bar.bar,
                "role": bar.role,
                "at_beats": float(bar.onset_beats),
                "chords": " ".join(chord.name for chord in bar.chords),
                "degrees": " ".join(bar.degrees),
                "intensity": bar.intensity,
                "band_out": bar.drop_out,
                "notes": int(inside.sum()),
                "on_beats": int(on.sum()),
                "median_asynchrony_ms": _number(1000.0 * middle, 2),
                "swing_pairs": int(pairs.size),
                "swing_ratio": _number(ratio, 3) if math.isfinite(ratio) else None,
                "landing": "; ".join(landing.get(where, [])) or None,
                "form_place_beats": place.get(where),
            }
        )
    return out


def as_csv(rows: Sequence[Mapping[str, Any]], columns: Sequence[str]) -> str:
    """The rows as CSV (RFC 4180) under a line of names. A text that a spreadsheet would run gets a quote before it."""
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(columns)
    for row in rows:
        writer.writerow([_cell(row.get(name)) for name in columns])
    return out.getvalue()


def _cell(value: Any) -> Any:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, str) and value[:1] in ("=", "+", "-", "@"):
        return "'" + value
    return value
