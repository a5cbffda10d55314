"""Engraving: MusicXML to pages of SVG by `verovio` (the optional extra `notation`), and those pages to one PDF.

The PDF is painted by matplotlib, which the report needs anyway, with fontTools (matplotlib's own) reading the path
data: no program or system library besides. What is painted is what `verovio` puts into its pages: groups, symbols,
paths, polygons, rectangles, ellipses and text.
"""

from __future__ import annotations

import io
import re
import xml.etree.ElementTree as ET
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np

from trainer.errors import UsageError

__all__ = ["page_breaks", "pdf_of", "svg_pages"]

_SVG = "{http://www.w3.org/2000/svg}"
_LINK = "{http://www.w3.org/1999/xlink}href"
_PAGE_MM = (210.0, 297.0)  # ISO 216, A4
_MOVE, _LINE, _CURVE3, _CURVE4, _CLOSE = 1, 2, 3, 4, 79  # matplotlib's codes of a path
_BOLD, _ITALIC = {"ending", "fing", "reh", "tempo"}, {"dir", "dynam", "mNum"}  # as the pages' own style sheet has it
_UNSEEN = {"placeholder", "systemMilestone"}  # groups of marks for editors
# From SMuFL 1.4, the signs that a text may hold.
_NOTE_SIGNS = {"\ueca2": "𝅝", "\ueca3": "𝅗𝅥", "\ueca5": "♩", "\ueca7": "♪", "\ue1d5": "♩", "\ue1d7": "♪",
               "\ue1e7": ".", "\uecb7": ".", "\uea64": "♭", "\uea65": "♮", "\uea66": "♯", "\ued60": "♭",
               "\ued61": "♮", "\ued62": "♯"}  # fmt: skip
_TEXT_SHARE = 0.5625  # of the size of a music sign: the letters beside it


def svg_pages(musicxml: bytes) -> list[str]:
    """A4 pages of SVG. `UsageError` when the engraver is not installed or cannot read the document."""
    try:
        import verovio
    except ImportError:
        raise UsageError(
            'engraving wants the package verovio; add it with: pip install "shuffle-partner[notation]" '
            "(MusicXML can be written without it: --musicxml FILE)"
        ) from None
    verovio.enableLog(verovio.LOG_OFF)
    text = musicxml.decode()
    numbers = dict(re.findall(r'<measure number="([^"]*)" text="([^"]*)"', text))
    return [_tempo_above(_joints(_signs(_numbered(page, numbers)))) for page in _pages(verovio, text)]


def _rendered(verovio: Any, text: str, breaks: str) -> list[str]:
    kit = verovio.toolkit()
    kit.setOptions(
        {
            "pageWidth": int(10 * _PAGE_MM[0]),
            "pageHeight": int(10 * _PAGE_MM[1]),
            "pageMarginLeft": 150,
            "pageMarginRight": 120,
            "pageMarginTop": 90,
            "pageMarginBottom": 90,
            "scale": 40,
            "unit": 8.4,
            "footer": "none",
            "breaks": breaks,
            "spacingStaff": 6,
            "spacingSystem": 3,
            "defaultTopMargin": 1.5,
            "smuflTextFont": "none",
            "xmlIdSeed": 1,
        }
    )
    folds = {number: int(n) for number, n in _FOLD.findall(text)}
    read = kit.loadData(_STYLE.sub("", text))
    if read and folds:
        read = kit.loadData(_folded(kit.getMEI(), folds))
    if not read:
        raise UsageError("the engraver could not read the notation; write --musicxml FILE and open it elsewhere")
    return [kit.renderToSVG(page) for page in range(1, kit.getPageCount() + 1)]


_STYLE = re.compile(r"<measure-style>.*?</measure-style>")
_FOLD = re.compile(
    r'<measure number="([^"]*)"(?:(?!</measure>).)*?<multiple-rest>(\d+)</multiple-rest>', flags=re.DOTALL
)
_MEASURE = re.compile(r'<measure [^>]*?\bn="([^"]*)"[^>]*>.*?</measure>', flags=re.DOTALL)
_HARM = re.compile(r'<harm [^>]*?tstamp="([\d.]+)"[^>]*>(.*?)</harm>', flags=re.DOTALL)


def _folded(mei: str, folds: dict[str, int]) -> str:
    """The same with one bar of many bars' rest for each fold (number of its first bar → bars), the chords above it.

    The engraver's own fold loses what stands over these bars: whose chorus it is, the tempo, the chords.
    """
    bars = list(_MEASURE.finditer(mei))
    numbers = [bar[1] for bar in bars]
    out, at = [], 0
    for first, many in ((numbers.index(number), many) for number, many in folds.items() if number in numbers):
        of_it = bars[first : first + many]
        head = of_it[0][0]
        marks = [
            f'<harm staff="1" tstamp="{1.0 + (4.0 * k + float(place) - 1.0) / many:.4f}">{chord}</harm>'
            for k, bar in enumerate(of_it)
            for place, chord in _HARM.findall(bar[0])
        ]
        ends = re.search(r'\bright="[^"]*"', of_it[-1][0][: of_it[-1][0].index(">")])
        head = _HARM.sub("", head).replace("</measure>", "".join(marks) + "</measure>")
        head = re.sub(r"<mRest [^>]*/>", f'<multiRest num="{many}" num.place="below"/>', head, count=1)
        head = head.replace("<measure ", f"<measure {ends[0]} " if ends else "<measure ", 1)
        out += [mei[at : of_it[0].start()], head]
        at = of_it[-1].end()
    return "".join(out) + mei[at:]


def _pages(verovio: Any, text: str) -> list[str]:
    """The pages, broken between choruses where whole ones fit; never a page of one line.

    What the engraver fits on a page by itself says how many lines a page has.
    """
    pages = _rendered(verovio, text, "line")
    counts = [page.count('class="system"') for page in pages]
    measures = re.findall(r"<measure .*?</measure>", text, flags=re.DOTALL)
    begins = [i for i, measure in enumerate(measures) if i == 0 or 'new-system="yes"' in measure]
    if len(pages) < 2 or sum(counts) != len(begins):
        return pages
    of_chorus = ["<rehearsal>" in measures[i] for i in begins]
    for fewer in range(3):
        most = min(counts[:-1]) - fewer
        if most < 2:
            break
        breaks = page_breaks(of_chorus, most)
        for system in breaks:
            i = begins[system]
            measures[i] = measures[i].replace('new-system="yes"', 'new-system="yes" new-page="yes"')
        head, tail = text[: text.index("<measure ")], text[text.rindex("</measure>") + len("</measure>") :]
        planned = _rendered(verovio, head + "".join(measures) + tail, "encoded")
        if len(planned) == len(breaks) + 1 and all(map(_fits, planned)):
            return planned
        measures = [measure.replace(' new-page="yes"', "") for measure in measures]
    return pages


def page_breaks(of_chorus: Sequence[bool], most: int) -> list[int]:
    """The lines that begin a page after the first: `of_chorus` says which lines begin a chorus, `most` fit a page."""
    n = len(of_chorus)
    starts = [i for i in range(n) if i == 0 or of_chorus[i]]
    out: list[int] = []
    used = 0
    for start, end in zip(starts, [*starts[1:], n], strict=True):
        if used > 1 and used + end - start > most:
            out.append(start)
            used = 0
        for line in range(start, end):
            if used == most:
                out.append(line)
                used = 0
            used += 1
    if out and n - out[-1] == 1 and out[-1] - (out[-2] if len(out) > 1 else 0) > 2:
        out[-1] -= 1
    return out


def _fits(page: str) -> bool:
    """Whether nothing of a page's staves lies below its margin."""
    box = re.search(r'class="definition-scale"[^>]*viewBox="0 0 \d+ (\d+)"', page)
    lines = [int(y) for y in re.findall(r'd="M\d+ (\d+) L', page)]
    return box is None or not lines or max(lines) < int(box[1])


_TEMPO = re.compile(r'(class="tempo"[^>]*>\s*<text )x="(\d+)" y="(\d+)"')
_BOXED = re.compile(r'class="reh"[^>]*>\s*<rect [^>]*?x="(\d+)" y="(\d+)" height="(\d+)" width="(\d+)"')
_CHORD = re.compile(r'class="harm"[^>]*>\s*<text x="\d+" y="(\d+)"')
_TEMPO_WIDTH = 3400  # of "Swing 2 : 1  ♩ = 104" in the page's own units
_TEXT_HEIGHT = 400


def _tempo_above(page: str) -> str:
    """The tempo mark above the chord symbols: beside the first rehearsal mark, or over it where chords stand there."""
    tempo, boxed, chord = _TEMPO.search(page), _BOXED.search(page), _CHORD.search(page)
    if tempo is None or boxed is None:
        return page
    x, (left, top, height, width) = int(tempo[2]), (int(part) for part in boxed.groups())
    y = top + round(0.74 * height)
    if chord is not None and abs(int(chord[1]) - y) < _TEXT_HEIGHT:
        x, y = left, top - _TEXT_HEIGHT // 3
    elif left - _TEMPO_WIDTH < x < left + width:
        x = left + width + 250
    return page[: tempo.start()] + f'{tempo[1]}x="{x}" y="{y}"' + page[tempo.end() :]


_SLUR = re.compile(r'<g id="(hammer|pull)-[^"]*" class="slur">\s*<path d="M([^"]*)"[^>]*/>')
_WORDS = re.compile(r'class="dir"[^>]*>\s*<text x="(-?\d+)" y="(-?\d+)"[^>]*>(.*?)</text>', re.DOTALL)
_JOINT_SIZE = 220  # in the page's own units: a note's head is as high


def _joints(page: str) -> str:
    """H or P at the middle of the slur of each hammer-on and pull-off: on its outer side, inside it over words."""
    words = [(int(x), int(y), re.sub(r"<[^>]*>|\s", "", body)) for x, y, body in _WORDS.findall(page)]

    def taken(x: float, y: float) -> bool:
        return any(
            left - _JOINT_SIZE < x < left + _JOINT_SIZE * len(text) and abs(low - y) < 1.5 * _JOINT_SIZE
            for left, low, text in words
        )

    def lettered(found: re.Match[str]) -> str:
        x0, y0, x1, y1, x2, y2, x3, y3 = (float(n) for n in re.findall(r"-?[\d.]+", found[2])[:8])
        x, y = (x0 + 3 * x1 + 3 * x2 + x3) / 8, (y0 + 3 * y1 + 3 * y2 + y3) / 8
        outside, inside = y + 1.1 * _JOINT_SIZE, y - 0.3 * _JOINT_SIZE
        if y < (y0 + y3) / 2:
            outside, inside = inside, outside
        y = inside if taken(x, outside) else outside
        letter = {"hammer": "H", "pull": "P"}[found[1]]
        style = f'text-anchor="middle" font-size="{_JOINT_SIZE}px"'
        return f'{found[0]}<text x="{x:.0f}" y="{y:.0f}" {style}>{letter}</text>'

    return _SLUR.sub(lettered, page)


def _numbered(svg: str, numbers: dict[str, str]) -> str:
    """The bar's number at the start of a line as the bar of its chorus, which is how players count."""
    found = r'(class="mNum[^>]*>\s*<text )([^>]*>\s*<tspan[^>]*>\s*<tspan[^>]*>)([^<]*)<'
    return re.sub(found, lambda m: f'{m[1]}x="0" {m[2]}{numbers.get(m[3], m[3])}<', svg)


def _signs(svg: str) -> str:
    """Note signs inside text as plain characters, so that a page needs no music font."""
    for private, plain in _NOTE_SIGNS.items():
        svg = svg.replace(private, plain)
    svg = re.sub("[\ue000-\uf8ff]", "", svg)  # whatever else only a music font has
    # The engraver's own signs are made for its music font, at nearly twice the size of the letters beside them.
    svg = re.sub(
        r'(font-family="Leipzig" font-size=")(\d+)(px">[♭♮♯.]<)',
        lambda m: f"{m[1]}{round(int(m[2]) * _TEXT_SHARE)}{m[3]}",
        svg,
    )
    # The dot of a dotted note stands close to it, in the size of the letters.
    svg = re.sub(
        r'font-size="(\d+)px">([♩♪𝅗𝅥]) ?\.</tspan>',
        lambda m: f'font-size="{m[1]}px">{m[2]}</tspan><tspan font-size="{round(int(m[1]) * _TEXT_SHARE)}px">.</tspan>',
        svg,
    )
    return svg.replace('font-family="Leipzig"', 'font-family="DejaVu Sans, Noto Music, sans-serif"')


@dataclass(frozen=True, slots=True)
class _Ink:
    """What is inherited on the way down: the transform (a, b, c, d, e, f), weight and slant."""

    matrix: tuple[float, float, float, float, float, float] = (1.0, 0.0, 0.0, 1.0, 0.0, 0.0)
    bold: bool = False
    italic: bool = False


def pdf_of(pages: Sequence[str]) -> bytes:
    """The pages as one PDF, in order."""
    import matplotlib
    from matplotlib.backends.backend_pdf import PdfPages
    from matplotlib.figure import Figure as Drawing

    buffer = io.BytesIO()
    with (
        matplotlib.rc_context({"pdf.fonttype": 42}),
        PdfPages(buffer, metadata={"CreationDate": None, "Producer": None}) as pdf,
    ):
        for page in pages:
            drawing = Drawing(figsize=(_PAGE_MM[0] / 25.4, _PAGE_MM[1] / 25.4))
            _paint(drawing, ET.fromstring(page))
            pdf.savefig(drawing)
    return buffer.getvalue()


def _paint(drawing: Any, root: ET.Element) -> None:
    inner = next(node for node in root.iter(f"{_SVG}svg") if node.get("viewBox"))
    _, _, width, height = (float(number) for number in inner.get("viewBox", "").split())
    axes = drawing.add_axes((0, 0, 1, 1))
    axes.set_xlim(0, width)
    axes.set_ylim(height, 0)
    axes.axis("off")
    known = {node.get("id"): node for node in root.iter() if node.get("id")}
    points = 72.0 * _PAGE_MM[0] / 25.4 / width  # points to a unit of the page
    for node, ink in _leaves(inner, _Ink(), known):
        if node.tag == f"{_SVG}text":
            _text(axes, node, ink, points)
        else:
            _shape(axes, node, ink, points)


def _leaves(node: ET.Element, ink: _Ink, known: dict[str | None, ET.Element]) -> Iterator[tuple[ET.Element, _Ink]]:
    """Everything that is drawn, with what it inherits; symbols in the place where they are used."""
    names = set((node.get("class") or "").split())
    ink = replace(
        ink,
        matrix=_times(ink.matrix, _transform(node.get("transform", ""))),
        bold=ink.bold or bool(names & _BOLD),
        italic=ink.italic or bool(names & _ITALIC),
    )
    if node.tag == f"{_SVG}use":
        target = known.get(node.get(_LINK, "").removeprefix("#"))
        if target is not None:
            yield from _leaves(target, ink, known)
    elif node.tag in (f"{_SVG}g", f"{_SVG}svg") and not names & _UNSEEN:
        for child in node:
            yield from _leaves(child, ink, known)
    elif node.tag in {f"{_SVG}{name}" for name in ("path", "polygon", "polyline", "rect", "ellipse", "text")}:
        yield node, ink


_Matrix = tuple[float, float, float, float, float, float]


def _transform(text: str) -> _Matrix:
    out: _Matrix = (1.0, 0.0, 0.0, 1.0, 0.0, 0.0)
    for name, inside in re.findall(r"(\w+)\(([^)]*)\)", text):
        n = [float(number) for number in re.split(r"[\s,]+", inside.strip())]
        if name == "translate":
            out = _times(out, (1.0, 0.0, 0.0, 1.0, n[0], n[1] if len(n) > 1 else 0.0))
        elif name == "scale":
            out = _times(out, (n[0], 0.0, 0.0, n[-1], 0.0, 0.0))
        elif name == "rotate":
            turn = np.radians(n[0])
            x, y = (n[1], n[2]) if len(n) > 2 else (0.0, 0.0)
            c, s = float(np.cos(turn)), float(np.sin(turn))
            out = _times(_times(_times(out, (1, 0, 0, 1, x, y)), (c, s, -s, c, 0.0, 0.0)), (1, 0, 0, 1, -x, -y))
    return out


def _times(m: _Matrix, n: _Matrix) -> _Matrix:
    a, b, c, d, e, f = m
    return (
        a * n[0] + c * n[1], b * n[0] + d * n[1], a * n[2] + c * n[3], b * n[2] + d * n[3],
        a * n[4] + c * n[5] + e, b * n[4] + d * n[5] + f,
    )  # fmt: skip


def _at(matrix: _Matrix, x: float, y: float) -> tuple[float, float]:
    a, b, c, d, e, f = matrix
    return a * x + c * y + e, b * x + d * y + f


def _shape(axes: Any, node: ET.Element, ink: _Ink, points: float) -> None:
    from matplotlib.patches import PathPatch
    from matplotlib.path import Path

    vertices, codes = _outline(node)
    if not vertices:
        return
    placed = [_at(ink.matrix, x, y) for x, y in vertices]
    size = abs(ink.matrix[0] * ink.matrix[3] - ink.matrix[1] * ink.matrix[2]) ** 0.5
    stroke = float(re.sub(r"[^\d.]", "", node.get("stroke-width", "0")) or 0.0) * size * points
    # A line has no inside; a filled sign has no edge of its own.
    line = len([code for code in codes if code != _CLOSE]) <= 2
    open_rect = node.get("fill-opacity") == "0" or node.get("fill") in ("none", "transparent")
    filled = not line and not open_rect
    axes.add_artist(
        PathPatch(
            Path(placed, codes),
            facecolor="black" if filled else "none",
            edgecolor="black" if stroke else "none",
            linewidth=stroke,
            capstyle="round" if node.get("stroke-linecap") == "round" else "butt",
            clip_on=False,
        )
    )


Points = list[tuple[float, float]]


def _outline(node: ET.Element) -> tuple[Points, list[int]]:
    """Vertices and codes as matplotlib's paths take them."""
    name = node.tag.removeprefix(_SVG)
    if name == "path":
        return _path(node)
    corners = {"rect": _rectangle, "ellipse": _ellipse}.get(name, _points)(node)
    if not corners:
        return [], []
    codes = [_MOVE] + [_LINE] * (len(corners) - 1)
    return (corners, codes) if name == "polyline" else ([*corners, corners[0]], [*codes, _CLOSE])


def _path(node: ET.Element) -> tuple[Points, list[int]]:
    from fontTools.pens.recordingPen import RecordingPen
    from fontTools.svgLib.path import parse_path

    pen = RecordingPen()
    parse_path(node.get("d", ""), pen)
    vertices: Points = []
    codes: list[int] = []
    kinds = {"moveTo": _MOVE, "lineTo": _LINE, "curveTo": _CURVE4, "qCurveTo": _CURVE3}
    for verb, where in pen.value:
        if verb in kinds:
            vertices += [(float(x), float(y)) for x, y in where]
            codes += [kinds[verb]] * len(where)
        elif verb == "closePath":
            vertices.append(vertices[-1])
            codes.append(_CLOSE)
    return vertices, codes


def _rectangle(node: ET.Element) -> Points:
    x, y, w, h = (float(node.get(key, "0")) for key in ("x", "y", "width", "height"))
    return [(x, y), (x + w, y), (x + w, y + h), (x, y + h)] if w else []


def _ellipse(node: ET.Element) -> Points:
    cx, cy, rx, ry = (float(node.get(key, "0")) for key in ("cx", "cy", "rx", "ry"))
    turn = np.linspace(0.0, 2.0 * np.pi, 33)[:-1]
    return [(cx + rx * float(np.cos(t)), cy + ry * float(np.sin(t))) for t in turn]


def _points(node: ET.Element) -> Points:
    flat = [float(n) for n in re.split(r"[\s,]+", node.get("points", "").strip()) if n]
    return list(zip(flat[::2], flat[1::2], strict=False))


@dataclass(frozen=True, slots=True)
class _Run:
    """Text in one style. `start`: (x, y, anchor) where it begins a new place, None where it goes on."""

    text: str
    size: float
    bold: bool
    italic: bool
    start: tuple[float, float, str] | None


def _runs(node: ET.Element, size: float, ink: _Ink, start: tuple[float, float, str] | None) -> list[_Run]:
    if node.tag not in (f"{_SVG}text", f"{_SVG}tspan"):
        return []
    if node.get("x") is not None and node.get("y") is not None:
        start = float(node.get("x", "0")), float(node.get("y", "0")), node.get("text-anchor", "start")
    size = float(re.sub(r"[^\d.]", "", node.get("font-size", "")) or size)
    weight, slant = node.get("font-weight"), node.get("font-style")
    ink = replace(
        ink,
        bold=ink.bold if weight is None else weight == "bold",
        italic=ink.italic if slant is None else slant == "italic",
    )
    out: list[_Run] = []

    def add(text: str | None) -> None:
        if text and text.strip() and size > 0.0:
            out.append(_Run(text.strip("\n"), size, ink.bold, ink.italic, None if out else start))

    add(node.text)
    for child in node:
        out += _runs(child, size, ink, None if out else start)
        add(child.tail)
    return out


@lru_cache(maxsize=1024)
def _width(text: str, family: tuple[str, ...], bold: bool, italic: bool) -> float:
    """The advance of a text in units of its size, spaces at its ends included."""
    from matplotlib.font_manager import FontProperties
    from matplotlib.textpath import TextPath

    font = FontProperties(
        family=list(family), weight="bold" if bold else "normal", style="italic" if italic else "normal"
    )
    framed, frame = (TextPath((0, 0), shown, size=100, prop=font).get_extents().width for shown in (f"|{text}|", "||"))
    return float(framed - frame) / 100.0


def _text(axes: Any, node: ET.Element, ink: _Ink, points: float) -> None:
    from matplotlib.font_manager import FontProperties

    runs = _runs(node, 0.0, ink, None)
    for first in [i for i, run in enumerate(runs) if run.start is not None]:
        more = next((i for i in range(first + 1, len(runs)) if runs[i].start is not None), len(runs))
        together = runs[first:more]
        x, y, anchor = together[0].start or (0.0, 0.0, "start")
        x, y = _at(ink.matrix, x, y)
        scale = ink.matrix[3]
        widths = [run.size * scale * _width(run.text, _family(run.text), run.bold, run.italic) for run in together]
        x -= sum(widths) * {"start": 0.0, "middle": 0.5, "end": 1.0}.get(anchor, 0.0)
        for run, width in zip(together, widths, strict=True):
            font = FontProperties(
                family=list(_family(run.text)),
                weight="bold" if run.bold else "normal",
                style="italic" if run.italic else "normal",
                size=run.size * scale * points,
            )
            axes.text(x, y, run.text, fontproperties=font, ha="left", va="baseline", color="black", parse_math=False)
            x += width


def _family(text: str) -> tuple[str, ...]:
    return ("DejaVu Sans",) if any(ord(c) > 0x2500 for c in text) else ("STIXGeneral", "DejaVu Serif")
