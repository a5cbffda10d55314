"""The report's pictures: SVG that follows the page's light or dark colours and tells each point's story on hover.

Drawn with matplotlib, text kept as text. Colours are stand-ins in the drawing and become CSS variables of the page, so
one picture serves a light screen, a dark one and paper. Shapes and line styles carry the meaning; colour only helps.
"""

from __future__ import annotations

import io
import re
import xml.etree.ElementTree as ET
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import matplotlib
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from trainer.session import BEATS_PER_BAR, Chart

__all__ = [
    "Picture",
    "asynchrony_picture",
    "devices_picture",
    "place_picture",
    "shape_picture",
    "swing_picture",
]

Floats = NDArray[np.float64]

# Stand-ins in the drawing → variables of the page's style sheet.
INK, MUTED, FAINT, MARK, SECOND = "#010101", "#020202", "#030303", "#040404", "#050505"
_VARIABLES = {INK: "--ink", MUTED: "--muted", FAINT: "--faint", MARK: "--mark", SECOND: "--second"}
_RC: Any = {
    "svg.fonttype": "none",
    "svg.hashsalt": "report",
    "font.family": "sans-serif",
    "font.size": 9.0,
    "text.color": INK,
    "axes.labelcolor": INK,
    "axes.edgecolor": MUTED,
    "xtick.color": MUTED,
    "ytick.color": MUTED,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "figure.facecolor": "none",
    "axes.facecolor": "none",
}
WIDTH_IN = 8.6
SHOWN_MS = 120.0  # the lane's half-height; notes beyond it sit on the edge as triangles. Our choice.


@dataclass(frozen=True, slots=True)
class Picture:
    """An SVG and the words that stand for it when it cannot be seen."""

    svg: str
    alternative: str


def _finish(figure: Figure, alternative: str, titles: Mapping[str, Sequence[str]] | None = None) -> Picture:
    """The figure as inline SVG: colours to variables, a label for readers, a title for every point in `titles`."""
    buffer = io.StringIO()
    figure.savefig(buffer, format="svg", metadata={"Date": None, "Creator": None})
    text = buffer.getvalue()
    root = ET.fromstring(text[text.index("<svg") :])
    namespace = "{http://www.w3.org/2000/svg}"
    for name, words in (titles or {}).items():
        group = next((g for g in root.iter(f"{namespace}g") if g.get("id") == name), None)
        if group is None:
            continue
        points = [node for node in group.iter() if node.tag in (f"{namespace}use",)]
        for node, word in zip(points, words, strict=False):
            ET.SubElement(node, f"{namespace}title").text = word
    for node in root.iter():
        # Ids must not collide between the pictures of one page; only those that something refers to matter.
        node.attrib.pop("{http://www.w3.org/XML/1998/namespace}space", None)
    for tag in ("metadata",):
        for parent in list(root.iter()):
            for child in list(parent):
                if child.tag == f"{namespace}{tag}":
                    parent.remove(child)
    root.set("role", "img")
    root.set("aria-label", alternative)
    root.attrib.pop("width", None)
    root.attrib.pop("height", None)
    ET.register_namespace("", "http://www.w3.org/2000/svg")
    ET.register_namespace("xlink", "http://www.w3.org/1999/xlink")
    out = ET.tostring(root, encoding="unicode")
    for stand_in, variable in _VARIABLES.items():
        out = out.replace(stand_in, f"var({variable})")
    return Picture(re.sub(r"font: ([0-9.]+)px [^;\"]+", r"font: \1px sans-serif", out), alternative)


def _axes(height_in: float) -> tuple[Figure, Axes]:
    figure = Figure(figsize=(WIDTH_IN, height_in), layout="constrained")
    return figure, figure.subplots()


def _chorus_axis(axes: Axes, chart: Chart) -> None:
    """Beats along the bottom, marked where each chorus begins."""
    onsets = chart.chorus_onsets_beats
    axes.set_xticks(list(onsets), [f"{i}" for i in range(1, len(onsets) + 1)])
    axes.set_xlim(chart.first_beats - 1.0, chart.end_beats + 1.0)
    axes.set_xlabel("chorus")
    for onset in onsets:
        axes.axvline(onset, color=FAINT, linewidth=0.8, zorder=0)
    for bar in chart.bars:
        if bar.drop_out:
            axes.axvspan(bar.onset_beats, bar.end_beats, facecolor=FAINT, alpha=0.5, zorder=0, linewidth=0)


def asynchrony_picture(
    chart: Chart, at_beats: Floats, asynchrony_ms: Floats, words: Sequence[str], drift_ms_per_chorus: float | None
) -> Picture:
    """How early or late each on-beat note was, along the take, with the running middle and the drift line.

    `at_beats`, `asynchrony_ms` (n,), late positive; `words` (n,) is shown on hover.
    """
    with matplotlib.rc_context(_RC):
        figure, axes = _axes(2.7)
        _chorus_axis(axes, chart)
        shown = np.clip(asynchrony_ms, -SHOWN_MS, SHOWN_MS)
        inside = np.abs(asynchrony_ms) <= SHOWN_MS
        axes.axhline(0.0, color=INK, linewidth=0.8)
        axes.scatter(at_beats[inside], shown[inside], s=9, marker="o", color=MUTED, linewidths=0, gid="near")
        axes.scatter(at_beats[~inside], shown[~inside], s=26, marker="^", color=MARK, linewidths=0, gid="far")
        if len(at_beats) >= 8:
            half = 8
            middle = [np.median(asynchrony_ms[max(0, i - half) : i + half + 1]) for i in range(len(at_beats))]
            axes.plot(at_beats, np.clip(middle, -SHOWN_MS, SHOWN_MS), color=MARK, linewidth=1.8)
        if drift_ms_per_chorus is not None and len(at_beats) >= 2:
            onsets = chart.chorus_onsets_beats
            beats_per_chorus = (chart.end_beats - onsets[0]) / len(onsets)
            x = np.array([at_beats[0], at_beats[-1]])
            centre = float(np.median(asynchrony_ms)), float(np.median(at_beats))
            axes.plot(
                x,
                centre[0] + drift_ms_per_chorus * (x - centre[1]) / beats_per_chorus,
                color=SECOND,
                linewidth=1.4,
                linestyle=(0, (6, 3)),
            )
        limit = float(max(25.0, np.max(np.abs(shown)) * 1.1)) if len(shown) else 25.0
        axes.set_ylim(-limit, limit)
        axes.set_ylabel("ms: early below, late above")
        keep = [word for word, ok in zip(words, inside, strict=True) if ok]
        far = [word for word, ok in zip(words, inside, strict=True) if not ok]
        alternative = f"{len(at_beats)} on-beat notes along the take, early below the line and late above it."
        return _finish(figure, alternative, {"near": keep, "far": far})


def swing_picture(swing: Mapping[str, Any]) -> Picture:
    """The swing ratio of each chorus (and of each beat of the bar where given) with intervals, and the band's."""
    groups: list[tuple[str, Mapping[str, Any]]] = [
        (f"chorus {item['chorus']}", item) for item in swing.get("per_chorus", [])
    ]
    groups += [(f"beat {item['beat']}", item) for item in swing.get("per_beat", [])]
    groups = [(name, item) for name, item in groups if item.get("ratio") is not None]
    with matplotlib.rc_context(_RC):
        figure, axes = _axes(2.5)
        x = np.arange(len(groups), dtype=float)
        for i, (_, item) in enumerate(groups):
            interval = item.get("ratio_ci95")
            if interval:
                axes.plot([x[i], x[i]], interval, color=MUTED, linewidth=2.0, solid_capstyle="butt")
        values = [float(item["ratio"]) for _, item in groups]
        axes.scatter(x, values, s=34, marker="D", color=MARK, linewidths=0, zorder=3, gid="ratio")
        band = swing.get("band_ratio")
        if band is not None:
            axes.axhline(float(band), color=INK, linewidth=1.0, linestyle=(0, (2, 2)))
            axes.text(len(groups) - 0.4, float(band), " band", va="center", fontsize=8.5)
        axes.set_xticks(x, [name for name, _ in groups], rotation=35 if len(groups) > 8 else 0)
        axes.set_xlim(-0.6, len(groups) + 0.2)
        everything = values + [float(v) for _, item in groups for v in item.get("ratio_ci95") or []]
        everything += [float(band)] if band is not None else []
        low, high = min(everything), max(everything)
        margin = max(0.15, 0.15 * (high - low))
        axes.set_ylim(low - margin, high + margin)
        axes.set_ylabel("long : short")
        words = [f"{name}: {item['ratio']:.2f} from {item['n']} pairs" for name, item in groups]
        alternative = "Swing ratio: " + "; ".join(words) + "."
        return _finish(figure, alternative, {"ratio": words})


def place_picture(chart: Chart, place: Sequence[Mapping[str, Any]]) -> Picture:
    """Where the player was in the form against the band: 0 is together, in bars ahead or behind."""
    with matplotlib.rc_context(_RC):
        figure, axes = _axes(1.7)
        _chorus_axis(axes, chart)
        at = np.array([float(item["at_beats"]) for item in place])
        ahead = np.array([float(item["place_beats"]) / BEATS_PER_BAR for item in place])
        axes.step(at, ahead, where="post", color=MARK, linewidth=2.0)
        axes.axhline(0.0, color=INK, linewidth=0.6, linestyle=(0, (2, 2)))
        limit = float(max(1.5, np.max(np.abs(ahead)) + 0.5)) if len(ahead) else 1.5
        axes.set_ylim(-limit, limit)
        axes.set_ylabel("bars ahead")
        away = sum(1 for value in ahead if value)
        alternative = f"Place in the form: with the band in {len(ahead) - away} of {len(ahead)} bars."
        return _finish(figure, alternative)


def shape_picture(chart: Chart, choruses: Sequence[Mapping[str, Any]]) -> Picture:
    """Density and height of each chorus beside how hard the band was asked to play."""
    with matplotlib.rc_context(_RC):
        figure = Figure(figsize=(WIDTH_IN, 3.6), layout="constrained")
        top, bottom = figure.subplots(2, 1, sharex=True)
        x = np.array([float(item["chorus"]) for item in choruses])
        density = [item.get("notes_per_bar") for item in choruses]
        height = [item.get("median_pitch") for item in choruses]
        peak = [item.get("top_pitch") for item in choruses]
        planned = {bar.chorus: bar.intensity for bar in chart.bars if bar.chorus >= 1}
        top.bar(x, [value or 0.0 for value in density], width=0.5, color=MUTED)
        top.set_ylabel("notes a bar")
        twin = top.twinx()
        twin.plot(
            list(planned), list(planned.values()), color=SECOND, marker="s", markersize=4, linestyle=(0, (4, 2)), lw=1.4
        )
        twin.set_ylim(0.0, 1.05)
        twin.set_ylabel("band, planned")
        bottom.plot(x, [np.nan if v is None else v for v in height], color=MARK, marker="o", linewidth=1.8)
        bottom.plot(x, [np.nan if v is None else v for v in peak], color=MUTED, marker="^", linewidth=1.0)
        bottom.set_ylabel("pitch (MIDI)")
        bottom.set_xticks(x, [f"{int(item['chorus'])} {item.get('role', '')}" for item in choruses])
        alternative = "Each chorus: " + "; ".join(
            f"{item['chorus']} {item.get('role', '')} {_plain(item.get('notes_per_bar'))} notes a bar, "
            f"middle pitch {_plain(item.get('median_pitch'))}"
            for item in choruses
        )
        return _finish(figure, alternative + ".")


def devices_picture(chart: Chart, found: Sequence[Mapping[str, Any]]) -> Picture:
    """Where each device of the line was used: one row a device, a bar for each time."""
    names = sorted({str(item["name"]) for item in found})
    with matplotlib.rc_context(_RC):
        figure, axes = _axes(0.7 + 0.24 * max(1, len(names)))
        _chorus_axis(axes, chart)
        for row, name in enumerate(names):
            spans = [(float(i["at_beats"]), max(1.0, float(i["beats"]))) for i in found if i["name"] == name]
            axes.broken_barh(spans, (row - 0.32, 0.64), facecolor=MARK, edgecolor=INK, linewidth=0.5)
        axes.set_yticks(range(len(names)), [name.replace("_", " ") for name in names])
        axes.set_ylim(-0.7, max(1, len(names)) - 0.3)
        counts = "; ".join(f"{name.replace('_', ' ')} {sum(i['name'] == name for i in found)}" for name in names)
        return _finish(figure, f"Devices of the line along the take: {counts or 'none found'}.")


def _plain(value: float | None) -> str:
    return "–" if value is None else f"{value:.1f}"
