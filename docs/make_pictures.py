"""The pictures in this folder, each made from the program's own code at its real size: `python docs/make_pictures.py`.

The playing screen as SVG, without fonts or anything else from outside, light or dark as the reader's page is. The stand
page, the report, the chart and the notation as PNG: those want Chromium with its driver, and the packages `selenium`
and `verovio` (both in the extra `test`).
"""

from __future__ import annotations

import base64
import contextlib
import io
import shutil
import tempfile
import time
from collections.abc import Iterator
from dataclasses import replace
from html import escape
from itertools import groupby
from pathlib import Path

from PIL import Image
from selenium import webdriver
from selenium.webdriver.chrome.service import Service

from trainer.band import arrange
from trainer.cli.between import desk_of, songs_to_choose
from trainer.clock import TempoMap
from trainer.line import Feel, Slip, StandIn, planned_song
from trainer.page import PageLink
from trainer.report import write_report
from trainer.report.chart_page import chart_page
from trainer.report.compare import write_comparison
from trainer.report.engrave import svg_pages
from trainer.report.musicxml import musicxml
from trainer.report.written import written_take
from trainer.resources import session_path
from trainer.scoring import score
from trainer.scoring.card import Scorecard
from trainer.screen import Frame, PartLevel, RunningFigures, ScreenState, render
from trainer.session import expand, load_session
from trainer.take import Take, empty_notes, sorted_notes

CELL_WIDTH, CELL_HEIGHT, MARGIN = 8.4, 18.0, 12.0
BLOCKS = {"█": (0.0, 1.0), "▀": (0.0, 0.5)}  # filled from and to, in heights of a cell
BLOCKS |= {block: (1.0 - eighths / 8.0, 1.0) for eighths, block in enumerate("▁▂▃▄▅▆▇", 1)}
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
        lane_beats=tuple(range(int(at_beats) - 9, int(at_beats) + 1)),
        n_notes=186,
        mix=tuple(
            PartLevel(name, 0.8, chosen=name == "drums") for name in ("drums", "keys", "chop", "lead", "guide", "count")
        ),
        source="hearing: pads",
        figures=RunningFigures(1.93, 96, 2.0, roots=31, changes=36, mean_ms=6.2),
    )
    return {
        "screen": playing,
        "screen-calm": replace(playing, calm=True, figures=None),
        "screen-cue": replace(playing, figures=None, cue="one more chorus", cue_large=True, open_end=True),
    }


def draw_screens(folder: Path) -> None:
    for name, state in states().items():
        for width, height in ((80, 24), (120, 40)):
            title = (
                "The playing screen: this chord and the next in block letters, the form as a grid with this bar marked"
            )
            picture = svg_of(render(state, width, height), title)
            path = folder / f"{name}-{width}x{height}.svg"
            path.write_text(picture, encoding="utf-8")
            print(f"wrote {path}")


# A little straight, a little late, some changes missed, once lost; and the same player some weeks later.
IN_MARCH = Feel(swing_ratio=1.75, missed_frac=0.12, jitter_sd_ms=14.0, slips=(Slip(4, 5, 4, 9),))
IN_JUNE = Feel(swing_ratio=1.95, missed_frac=0.04, jitter_sd_ms=10.0)


def a_take(feel: Feel = IN_MARCH) -> tuple[Take, Scorecard]:
    """The stand-in at the open stage."""
    session = load_session(session_path("stage-opener"))
    chart = expand(session)
    tempo = TempoMap(chart.tempo_segments)
    notes = StandIn(feel, seed=8).play(planned_song(chart, 3), tempo).notes
    events = arrange(chart, count_in=False).events
    band = empty_notes(len(events))
    band["onset_s"] = tempo.seconds_at(events["onset_beats"]) + events["shift_s"]
    band["duration_s"] = 0.1
    for name in ("pitch", "velocity", "channel"):
        band[name] = events[name]
    take = Take(notes=notes, tempo=tempo, session=session, band=sorted_notes(band))
    return take, score(take)


def draw_pages(folder: Path) -> None:
    """What a browser shows: the stand page, the report and a page of notation."""
    take, card = a_take()
    assert card.chart is not None
    chart = card.chart
    (folder / "chart-a4.png").write_bytes(_small(chart_page(chart, "png")))
    print(f"wrote {folder / 'chart-a4.png'}")
    missed = [item.at_beats for item in card.landing.missed]
    with tempfile.TemporaryDirectory() as made, browser() as chrome:
        report = write_report(take, card, Path(made) / "report.html")
        later, later_card = a_take(IN_JUNE)
        comparison = write_comparison(
            ("march.mid", "june.mid"), (take, later), (card, later_card), Path(made) / "both.html"
        )
        notation = Path(made) / "notation.svg"
        notation.write_text(svg_pages(musicxml(written_take(card.reading, chart, missed)))[0], encoding="utf-8")
        state = replace(states()["screen"], phase="paused", figures=None)
        link = PageLink(chart)
        try:
            link.send(state)
            for name, url, width, height, scheme, medium in (
                ("page-phone", link.url, 390, 844, "light", "screen"),
                ("page-tablet", link.url, 820, 1180, "light", "screen"),
                ("page-tablet-dark", link.url, 1180, 820, "dark", "screen"),
                ("report", report.as_uri(), 1000, 1400, "light", "screen"),
                ("report-phone", report.as_uri(), 390, 844, "light", "screen"),
                ("report-dark", report.as_uri(), 820, 1180, "dark", "screen"),
                ("report-a4", report.as_uri(), 794, 1123, "light", "print"),
                ("compare", comparison.as_uri(), 1000, 760, "light", "screen"),
                ("notation-a4", notation.as_uri(), 840, 1188, "light", "screen"),
            ):
                picture = shot(chrome, url, (width, height), scheme, medium)
                path = folder / f"{name}.png"
                path.write_bytes(_small(picture))
                print(f"wrote {path}")
            song = load_session(session_path("stage-opener"))
            songs = songs_to_choose(song, "stage-opener")
            link.between(
                desk_of(
                    "after", song, "stage-opener", song.tempo_bpm, songs,
                    card=card, next_words="Bars 5–8", report=report,
                ),
                report,
            )  # fmt: skip
            path = folder / "page-between.png"
            path.write_bytes(_small(shot(chrome, link.url, (820, 1180), "light", "screen")))
            print(f"wrote {path}")
        finally:
            link.close()


@contextlib.contextmanager
def browser() -> Iterator[webdriver.Chrome]:
    options = webdriver.ChromeOptions()
    options.binary_location = shutil.which("chromium") or shutil.which("google-chrome") or ""
    for flag in ("--headless", "--no-sandbox", "--disable-gpu", "--hide-scrollbars", "--disable-dev-shm-usage"):
        options.add_argument(flag)
    chrome = webdriver.Chrome(options=options, service=Service(shutil.which("chromedriver")))
    try:
        yield chrome
    finally:
        chrome.quit()


def shot(chrome: webdriver.Chrome, url: str, size: tuple[int, int], scheme: str, medium: str) -> bytes:
    """The top of a page at a size, as PNG."""
    features = [{"name": "prefers-color-scheme", "value": scheme}]
    chrome.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": medium, "features": features})
    metrics = {"width": size[0], "height": size[1], "deviceScaleFactor": 1, "mobile": False}
    chrome.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)
    chrome.get(url)
    if medium == "print":
        chrome.execute_script("document.body.style.padding = '14mm'")  # paper has a margin, a picture of it has none
    time.sleep(0.8)  # the page's socket and its first frame
    return base64.b64decode(chrome.execute_cdp_cmd("Page.captureScreenshot", {})["data"])


def _small(png: bytes) -> bytes:
    """The same picture in 64 colours: a quarter of the bytes."""
    out = io.BytesIO()
    image = Image.open(io.BytesIO(png)).convert("RGB")
    image.quantize(64, dither=Image.Dither.NONE).save(out, format="PNG", optimize=True)
    return out.getvalue()


def main() -> None:
    folder = Path(__file__).parent
    draw_screens(folder)
    draw_pages(folder)


if __name__ == "__main__":
    main()
