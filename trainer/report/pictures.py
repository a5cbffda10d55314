"""The report's pictures: SVG that follows the page's light or dark colours and tells each point's story on hover.

Drawn with matplotlib, text kept as text. Colours are stand-ins in the drawing and become CSS variables of the page, so
one picture serves a light screen, a dark one and paper. Shapes and line styles carry the meaning; colour only helps.
"""

from __future__ import annotations

import io
import math
import re
import xml.etree.ElementTree as ET
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import chain
from typing import Any, NewType

import matplotlib
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure as Drawing
from numpy.typing import NDArray

from trainer.music import note_name
from trainer.scoring.devices import Device
from trainer.scoring.figure import Figure
from trainer.scoring.form import PlaceBar
from trainer.scoring.shape import ChorusShape
from trainer.scoring.swing import Swing
from trainer.session import BEATS_PER_BAR, Chart

__all__ = [
    "SHOWN_MS",
    "Picture",
    "asynchrony_picture",
    "bars_words",
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


Picture = NewType("Picture", str)  # an SVG with the words that stand for it when it cannot be seen


_SVG = "{http://www.w3.org/2000/svg}"


def _finish(drawing: Drawing, alternative: str, titles: Mapping[str, Sequence[str]] | None = None) -> Picture:
    """The drawing as inline SVG: colours to variables, a label for readers, a title for every point in `titles`."""
    buffer = io.StringIO()
    drawing.savefig(buffer, format="svg", metadata=dict.fromkeys(("Date", "Creator", "Format", "Type")))
    text = buffer.getvalue()
    root = ET.fromstring(text[text.index("<svg") :])
    groups = {group.get("id"): group for group in root.iter(f"{_SVG}g")}
    for name, words in (titles or {}).items():
        if name in groups:
            points = list(groups[name].iter(f"{_SVG}use")) or list(groups[name].iter(f"{_SVG}path"))
            for node, word in zip(points, words, strict=False):
                ET.SubElement(node, f"{_SVG}title").text = word
    root.set("role", "img")
    root.set("aria-label", alternative)
    root.attrib.pop("width", None)
    root.attrib.pop("height", None)
    ET.register_namespace("", "http://www.w3.org/2000/svg")
    ET.register_namespace("xlink", "http://www.w3.org/1999/xlink")
    out = ET.tostring(root, encoding="unicode")
    for stand_in, variable in _VARIABLES.items():
        out = out.replace(stand_in, f"var({variable})")
    return Picture(re.sub(r"font: ([0-9.]+)px [^;\"]+", r"font: \1px sans-serif", out))


def _axes(height_in: float) -> tuple[Drawing, Axes]:
    drawing = Drawing(figsize=(WIDTH_IN, height_in), layout="constrained")
    return drawing, drawing.subplots()


def _bar_axis(axes: Axes, last_beats: float) -> None:
    """Beats along the bottom, marked in bars, where no form is known."""
    n_bars = max(1, math.ceil((last_beats + 1.0) / BEATS_PER_BAR))
    step = next((n for n in (1, 2, 4, 8, 12, 24, 48, 96) if n_bars / n <= 16), n_bars)
    bars = range(1, n_bars + 1, step)
    axes.set_xticks([(bar - 1) * float(BEATS_PER_BAR) for bar in bars], [str(bar) for bar in bars])
    axes.set_xlim(-1.0, n_bars * BEATS_PER_BAR + 1.0)
    axes.set_xlabel("bar")


def _chorus_axis(axes: Axes, chart: Chart) -> None:
    """Beats along the bottom, marked where each chorus begins; drop-outs are shaded, choruses only heard are named."""
    onsets = chart.chorus_onsets_beats
    axes.set_xticks(list(onsets), [f"{i}" for i in range(1, len(onsets) + 1)])
    axes.set_xlim(chart.first_beats - 1.0, chart.end_beats + 1.0)
    axes.set_xlabel("chorus")
    for onset in onsets:
        axes.axvline(onset, color=FAINT, linewidth=0.8, zorder=0)
    for bar in chart.bars:
        if bar.drop_out:
            axes.axvspan(bar.onset_beats, bar.end_beats, facecolor=FAINT, alpha=0.5, zorder=0, linewidth=0)
    for chorus in sorted(chart.heard_choruses):
        at = onsets[chorus - 1] + 1.0
        axes.text(at, 0.96, "listen", transform=axes.get_xaxis_transform(), va="top", fontsize=8, color=MUTED)


def asynchrony_picture(
    chart: Chart | None,
    at_beats: Floats,
    asynchrony_ms: Floats,
    words: Sequence[str],
    drift_ms_per_chorus: float,
) -> Picture:
    """How early or late each on-beat note was, along the take, with the running middle and the drift line.

    `at_beats`, `asynchrony_ms` (n,), late positive; `words` (n,) is shown on hover. Without a chart there are bars
    along the bottom, and a chorus of the drift is twelve of them. A drift that is NaN is not drawn.
    """
    with matplotlib.rc_context(_RC):
        drawing, axes = _axes(2.7)
        if chart is None:
            _bar_axis(axes, float(at_beats[-1]) if len(at_beats) else 0.0)
        else:
            _chorus_axis(axes, chart)
        shown = np.clip(asynchrony_ms, -SHOWN_MS, SHOWN_MS)
        inside = np.abs(asynchrony_ms) <= SHOWN_MS
        axes.axhline(0.0, color=INK, linewidth=0.8)
        axes.scatter(at_beats[inside], shown[inside], s=9, marker="o", color=MUTED, linewidths=0, gid="near")
        axes.scatter(at_beats[~inside], shown[~inside], s=26, marker="^", color=MARK, linewidths=0, gid="far")
        if len(at_beats) >= 8:
            half = 8
            middle = [np.median(asynchrony_ms[max(0, i - half) : i + half + 1]) for i in range(len(at_beats))]
            after_rest = np.flatnonzero(np.diff(at_beats) > 2.0 * BEATS_PER_BAR) + 1
            # Where nothing was played for bars, the line is broken.
            axes.plot(
                np.insert(at_beats, after_rest, np.nan),
                np.insert(np.clip(middle, -SHOWN_MS, SHOWN_MS), after_rest, np.nan),
                color=MARK,
                linewidth=1.8,
            )
        if math.isfinite(drift_ms_per_chorus) and len(at_beats) >= 2:
            beats_per_chorus = 12.0 * BEATS_PER_BAR
            if chart is not None:
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
        axes.set_ylabel("ms: behind above, ahead below")
        keep = [word for word, ok in zip(words, inside, strict=True) if ok]
        far = [word for word, ok in zip(words, inside, strict=True) if not ok]
        alternative = f"{len(at_beats)} on-beat notes along the take, ahead below the line and behind above it."
        return _finish(drawing, alternative, {"near": keep, "far": far})


@dataclass(frozen=True, slots=True)
class _Ratios:
    """Swing ratios side by side: of each chorus, or of each beat of the bar. Those without an interval are left out."""

    label: str
    word: str
    ratios: tuple[tuple[int, Figure], ...]

    @property
    def told(self) -> list[str]:
        return [
            f"{self.word} {which}: {ratio.value:.2f} : 1 ({ratio.low:.2f} to {ratio.high:.2f}), {ratio.n} pairs"
            for which, ratio in self.ratios
        ]

    def draw(self, axes: Axes, band: Figure, gid: str) -> None:
        """Each with its interval, the band's as a line."""
        for at, (_, ratio) in enumerate(self.ratios):
            axes.plot([at, at], [ratio.low, ratio.high], color=MUTED, linewidth=2.0, solid_capstyle="butt")
        places, values = range(len(self.ratios)), [ratio.value for _, ratio in self.ratios]
        axes.scatter(places, values, s=34, marker="D", color=MARK, linewidths=0, zorder=3, gid=gid)
        if band.known:
            axes.axhline(band.value, color=INK, linewidth=1.0, linestyle=(0, (2, 2)))
        axes.set_xticks(places, [str(which) for which, _ in self.ratios])
        axes.set_xlim(-0.7, len(self.ratios) - 0.3)
        axes.set_xlabel(self.label)


def swing_picture(swing: Swing) -> Picture:
    """The swing ratio of each chorus and of each beat of the bar, with intervals, and the band's own.

    A figure without an interval is a handful of pairs: it is counted in the table and not drawn.
    """
    band = swing.written("band")
    by_chorus = tuple((group.chorus, group.written("ratio")) for group in swing.per_chorus if group.ratio.interval)
    by_beat = tuple((group.beat, group.written("ratio")) for group in swing.per_beat if group.ratio.interval)
    panels = [_Ratios("chorus", "chorus", by_chorus), _Ratios("beat of the bar", "beat", by_beat)]
    panels = [panel for panel in panels if panel.ratios]
    ends = [end for panel in panels for _, ratio in panel.ratios for end in (ratio.low, ratio.high)]
    ends += [band.value] if band.known else []
    low, high = min(ends), max(ends)
    with matplotlib.rc_context(_RC):
        drawing = Drawing(figsize=(WIDTH_IN, 2.6), layout="constrained")
        widths = [max(3, len(panel.ratios)) for panel in panels]
        row = drawing.subplots(1, len(panels), sharey=True, squeeze=False, gridspec_kw={"width_ratios": widths})[0]
        for k, (axes, panel) in enumerate(zip(row, panels, strict=True)):
            panel.draw(axes, band, f"ratio-{k}")
        if band.known:
            row[0].annotate(
                "band", (-0.6, band.value), xytext=(2, 3), textcoords="offset points", color=INK, fontsize=8
            )
        margin = max(0.1, 0.12 * (high - low))
        row[0].set_ylim(low - margin, high + margin)
        row[0].set_ylabel("long : short")
        titles = {f"ratio-{k}": panel.told for k, panel in enumerate(panels)}
        return _finish(drawing, "Swing ratio: " + "; ".join(chain(*titles.values())) + ".", titles)


def place_picture(chart: Chart, place: Sequence[PlaceBar]) -> Picture:
    """Where the player was in the form against the band: 0 is together, in bars ahead or behind."""
    with matplotlib.rc_context(_RC):
        drawing, axes = _axes(1.7)
        _chorus_axis(axes, chart)
        at = np.array([row.at_beats for row in place])
        ahead = np.array([row.place_beats / BEATS_PER_BAR for row in place])
        # A step a bar; broken where bars are left out, such as those that are only listened to.
        after_rest = np.flatnonzero(np.diff(at) > 1.5 * BEATS_PER_BAR) + 1
        starts = np.insert(at, after_rest, at[after_rest - 1] + BEATS_PER_BAR)
        axes.step(
            np.append(starts, at[-1:] + BEATS_PER_BAR),
            np.append(np.insert(ahead, after_rest, np.nan), ahead[-1:]),
            where="post",
            color=MARK,
            linewidth=2.0,
        )
        lost = np.abs(ahead) > 0.0
        axes.scatter(at[lost] + BEATS_PER_BAR / 2, ahead[lost], s=30, marker="x", color=SECOND, zorder=3, gid="away")
        words = [
            f"chorus {row.chorus}, bar {row.bar}: {bars_words(row.place_beats)}"
            for row, away in zip(place, lost.tolist(), strict=True)
            if away
        ]
        axes.axhline(0.0, color=INK, linewidth=0.6, linestyle=(0, (2, 2)))
        limit = float(max(1.5, np.max(np.abs(ahead)) + 0.5)) if len(ahead) else 1.5
        axes.set_ylim(-limit, limit)
        axes.set_ylabel("bars ahead")
        away = sum(1 for value in ahead if value)
        alternative = f"Place in the form: with the band in {len(ahead) - away} of {len(ahead)} bars."
        return _finish(drawing, alternative, {"away": words})


def bars_words(beats: float) -> str:
    """ "1 bar ahead of the band", "half a beat behind the band"."""
    n = abs(beats)
    size = f"{n / 4:g} bar{'' if n == 4 else 's'}" if n % 4 == 0 else f"{n:g} beat{'' if n == 1 else 's'}"
    return f"{'half a beat' if n == 0.5 else size} {'ahead of' if beats > 0 else 'behind'} the band"


class _Choruses:
    """Lines with a point for each chorus, and what each point says."""

    def __init__(self, numbers: Sequence[int]) -> None:
        self.numbers = numbers
        self.titles: dict[str, Sequence[str]] = {}

    def line(
        self, axes: Axes, name: str, values: Sequence[float], told: Callable[[float], str], *,
        color: str, marker: str, ls: Any, lw: float,
    ) -> None:  # fmt: skip
        """A line over the choruses, broken where a value is not finite; `told` says a value."""
        points = [(at, value) for at, value in zip(self.numbers, values, strict=True) if math.isfinite(value)]
        axes.plot(self.numbers, values, color=color, lw=lw, ls=ls)
        axes.scatter(
            [at for at, _ in points], [value for _, value in points], s=26, marker=marker, color=color,
            linewidths=1.4 if marker == "x" else 0, zorder=3, gid=name,
        )  # fmt: skip
        self.titles[name] = [f"chorus {at}: {told(value)}" for at, value in points]

    def bars(self, axes: Axes, name: str, values: Sequence[float], unit: str) -> None:
        for i, (at, value) in enumerate(zip(self.numbers, values, strict=True)):
            bar = axes.bar([at], [value], width=0.55, color=FAINT, edgecolor=MUTED, linewidth=0.8)[0]
            bar.set_gid(f"{name}-{i}")
            self.titles[f"{name}-{i}"] = [f"chorus {at}: {value:.1f} {unit}"]


def shape_picture(chart: Chart, choruses: Sequence[ChorusShape], band_heard: Mapping[int, float]) -> Picture:
    """Density and height of each chorus beside how hard the band was asked to play, and how hard it did.

    `band_heard`: by chorus, 0–1, where the band was recorded.
    """
    numbers = [chorus.chorus for chorus in choruses]
    drawn = _Choruses(numbers)
    density, height, peak = (
        [chorus.written(name).value for chorus in choruses] for name in ("notes_per_bar", "median_pitch", "top_pitch")
    )
    pitched = bool(np.isfinite(height).any())
    with matplotlib.rc_context(_RC):
        drawing = Drawing(figsize=(WIDTH_IN, 4.2 if pitched else 2.4), layout="constrained")
        panels = drawing.subplots(2 if pitched else 1, 1, sharex=True, squeeze=False)[:, 0]
        top, bottom = panels[0], panels[-1]
        drawn.bars(top, "density", density, "notes a bar")
        top.set_ylabel("notes a bar")
        twin = top.twinx()
        planned = {bar.chorus: bar.intensity for bar in chart.bars if bar.chorus >= 1}
        plan = [planned.get(number, math.nan) for number in numbers]
        drawn.line(
            twin, "plan", plan, "band planned at {:.2g}".format, color=SECOND, marker="s", ls=(0, (4, 2)), lw=1.4
        )
        if band_heard:
            heard = [band_heard.get(number, math.nan) for number in numbers]
            drawn.line(twin, "band", heard, "band played {:.2g}".format, color=INK, marker="x", ls=(0, (1, 2)), lw=1.2)
        twin.set_ylim(0.0, 1.1)
        twin.set_ylabel("band")
        if pitched:
            drawn.line(
                bottom, "middle", height, lambda v: f"middle {_note(v, chart)}", color=MARK, marker="o", ls="-", lw=1.8
            )
            drawn.line(bottom, "top", peak, lambda v: f"top {_note(v, chart)}", color=MUTED, marker="^", ls="-", lw=1.0)
            _pitch_axis(bottom, chart)
        bottom.set_xlim(numbers[0] - 0.8, max(numbers[-1], numbers[0] + 3.0) + 0.8)  # one is not as wide as a song
        short = {"verse": "v"} if len(numbers) > 10 else {}
        bottom.set_xticks(numbers, [f"{chorus.chorus}\n{short.get(chorus.role, chorus.role)}" for chorus in choruses])
        bottom.set_xlabel("chorus")
        alternative = "Each chorus: " + "; ".join(
            f"{chorus.chorus} {chorus.role} {notes:.1f} notes a bar, middle pitch {_note(middle, chart)}"
            for chorus, notes, middle in zip(choruses, density, height, strict=True)
        )
        return _finish(drawing, alternative + ".", drawn.titles)


def _pitch_axis(axes: Axes, chart: Chart) -> None:
    """The keynote and its fifth in every octave: what a player counts from."""
    low, high = axes.get_ylim()
    ticks = [p for p in range(20, 90) if (p - chart.key.tonic_pc) % 12 in (0, 7) and low - 1 <= p <= high + 1]
    axes.set_yticks(ticks, [_note(p, chart) for p in ticks])
    axes.set_ylabel("pitch")


def _note(pitch: float, chart: Chart) -> str:
    return note_name(pitch, chart.key) if math.isfinite(pitch) else "–"


def devices_picture(chart: Chart, found: Sequence[Device]) -> Picture:
    """Where each device of the line was used: one row a device, a bar for each time."""
    names = sorted({device.name for device in found})
    titles: dict[str, Sequence[str]] = {}
    with matplotlib.rc_context(_RC):
        drawing, axes = _axes(0.7 + 0.24 * max(1, len(names)))
        _chorus_axis(axes, chart)
        for row, name in enumerate(names):
            uses = [device for device in found if device.name == name]
            spans = [(use.written("at_beats").value, max(1.0, use.written("beats").value)) for use in uses]
            axes.broken_barh(spans, (row - 0.32, 0.64), facecolor=MARK, edgecolor=INK, linewidth=0.5, gid=f"use-{row}")
            titles[f"use-{row}"] = [
                f"{name.replace('_', ' ')}: chorus {use.chorus}, bar {use.bar}, beat {use.beat}" for use in uses
            ]
        axes.set_yticks(range(len(names)), [name.replace("_", " ") for name in names])
        axes.set_ylim(-0.7, max(1, len(names)) - 0.3)
        counts = "; ".join(f"{name.replace('_', ' ')} {sum(device.name == name for device in found)}" for name in names)
        return _finish(drawing, f"Devices of the line along the take: {counts or 'none found'}.", titles)
