"""The pictures of the playing screen in this folder, drawn from the screen's own code: `python docs/make_pictures.py`.

SVG without fonts or anything else from outside; light or dark as the reader's page is.
"""

from __future__ import annotations

from html import escape
from itertools import groupby
from pathlib import Path

from trainer.resources import session_path
from trainer.screen import Frame, PartLevel, RunningFigures, ScreenState, render
from trainer.session import expand, load_session

CELL_WIDTH, CELL_HEIGHT, MARGIN = 8.4, 18.0, 12.0
BLOCKS = {"█": (0.0, 1.0), "▀": (0.0, 0.5), "▄": (0.5, 1.0)}  # filled from and to, in heights of a cell
STYLE = (
    "svg{--ink:#1c1c1e;--paper:#fbfaf7}@media(prefers-color-scheme:dark){svg{--ink:#ebe9e4;--paper:#17181b}}"
    "text{font:14px ui-monospace,'DejaVu Sans Mono',Menlo,Consolas,monospace;fill:var(--ink)}"
    ".b{font-weight:700}.r{fill:var(--paper)}rect{fill:var(--ink)}rect.p{fill:var(--paper)}"
)


def svg_of(frame: Frame, title: str) -> str:
    """A frame as an SVG picture: block characters as rectangles, all other text as text."""
    width = frame.width * CELL_WIDTH + 2 * MARGIN
    height = len(frame.rows) * CELL_HEIGHT + 2 * MARGIN
    out = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:g} {height:g}" role="img">',
        f"<title>{escape(title)}</title><style>{STYLE}</style>",
        f'<rect class="p" width="{width:g}" height="{height:g}" rx="6"/>',
    ]
    for y, row in enumerate(frame.rows):
        top = MARGIN + y * CELL_HEIGHT
        x = 0
        for text, style in row:
            reverse = "reverse" in style
            if reverse:
                out.append(_rect(x, top, len(text), 0.0, 1.0))
            place = x
            for kind, group in groupby(text, key=lambda c: c if c in BLOCKS else " " if c == " " else "text"):
                run = "".join(group)
                if kind in BLOCKS:
                    out.append(_rect(place, top, len(run), *BLOCKS[kind], paper=reverse))
                elif kind == "text":
                    names = " ".join(["b"] * ("bold" in style) + ["r"] * reverse)
                    at = MARGIN + place * CELL_WIDTH
                    out.append(
                        f'<text x="{at:.1f}" y="{top + 13.5:.1f}" textLength="{len(run) * CELL_WIDTH:.1f}" '
                        f'lengthAdjust="spacingAndGlyphs" class="{names}">{escape(run)}</text>'
                    )
                place += len(run)
            x += len(text)
    return "\n".join([*out, "</svg>"]) + "\n"


def _rect(x: int, top: float, n_cells: int, start: float, end: float, *, paper: bool = False) -> str:
    left, width = MARGIN + x * CELL_WIDTH, n_cells * CELL_WIDTH
    kind = 'class="p" ' if paper else ""
    shape = f'{kind}x="{left:.1f}" y="{top + start * CELL_HEIGHT:.1f}" width="{width:.1f}"'
    return f'<rect {shape} height="{(end - start) * CELL_HEIGHT:.1f}"/>'


def states() -> dict[str, ScreenState]:
    """A solo at the ready-made opener of the open stage, with and without figures."""
    chart = expand(load_session(session_path("stage-opener")))
    at_beats = chart.chorus_onsets_beats[3] + 4 * 4 + 1.3
    playing = ScreenState(
        chart=chart,
        at_beats=at_beats,
        lane_ms=(4.0, 11.0, -9.0, 16.0, 3.0, 22.0, 8.0, 5.0, 12.0, 2.0),
        n_notes=186,
        mix=tuple(
            PartLevel(name, 0.8, chosen=name == "drums") for name in ("drums", "keys", "chop", "lead", "guide", "count")
        ),
        source="hearing: pads",
        figures=RunningFigures(1.93, 96, 2.0, roots=31, landed=33, changes=36, mean_ms=6.2),
    )
    return {"screen": playing}


def main() -> None:
    folder = Path(__file__).parent
    for name, state in states().items():
        for width, height in ((80, 24), (120, 40)):
            title = (
                "The playing screen: this chord and the next in block letters, the form as a grid with this bar marked"
            )
            picture = svg_of(render(state, width, height), title)
            path = folder / f"{name}-{width}x{height}.svg"
            path.write_text(picture, encoding="utf-8")
            print(f"wrote {path}")


if __name__ == "__main__":
    main()
