"""The report page: what it shows, that it shows only what is there, and how it behaves in a real browser."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest
from selenium import webdriver

from tests.browser import browser, console_errors, requested, serious_findings  # noqa: F401
from trainer.clock import TempoMap
from trainer.line import Feel, Slip, StandIn, planned_song
from trainer.report import report_page, write_report
from trainer.scoring import score
from trainer.scoring.card import Scorecard
from trainer.session import expand, session_from_dict
from trainer.take import Take, notes_from_rows

NASTY = '<script>alert("x")</script> & "quotes"'


def a_take(title: str = "Tuesday at the back room") -> tuple[Take, Scorecard]:
    session = session_from_dict(
        {
            "title": title,
            "chorus": [
                {"role": "verse", "times": 3},
                {"role": "solo", "times": 3, "intensity": [0.5, 0.7, 0.9]},
                {"role": "verse", "times": 2},
            ],
            "drop_out": [{"chorus": 3, "bars": [9, 10]}],
        }
    )
    chart = expand(session)
    tempo = TempoMap(chart.tempo_segments)
    feel = Feel(missed_frac=0.15, slips=(Slip(4, 5, 4, 9),))
    notes = StandIn(feel, seed=8).play(planned_song(chart, 3), tempo).notes
    take = Take(notes=notes, tempo=tempo, session=session)
    return take, score(take)


@pytest.fixture(scope="module")
def taken() -> tuple[Take, Scorecard]:
    return a_take()


def test_the_figures_on_the_page_are_the_cards(taken: tuple[Take, Scorecard]) -> None:
    take, card = taken
    page = report_page(take, card.to_dict(), card.chart, card.reading)
    data = card.to_dict()
    assert f"{data['timing']['mean_ms']:.1f} ms".replace("-", "−") in page
    assert f"{data['swing']['ratio']:.2f} : 1" in page
    assert f"{data['landing']['roots']} of {data['landing']['changes']}" in page
    for section in (
        "In four lines",
        "Time",
        "Swing",
        "Landing on the changes",
        "Keeping the form",
        "The shape of the song",
    ):
        assert f"<h2>{section}" in page
    # One title on hover for each on-beat note drawn.
    assert len(re.findall(r"<title>chorus \d+, bar \d+, beat \d: ", page)) == data["timing"]["n"]


def test_strings_from_files_are_escaped() -> None:
    take, card = a_take(NASTY)
    page = report_page(take, card.to_dict(), card.chart, card.reading)
    assert "<script" not in page
    assert "&lt;script&gt;" in page


def test_small_enough_and_self_contained(taken: tuple[Take, Scorecard]) -> None:
    take, card = taken
    page = report_page(take, card.to_dict(), card.chart, card.reading)
    assert len(page.encode()) < 2_000_000
    assert not re.findall(r'(?:src|href)="(?!#)[^"]*"', page.replace("xmlns:xlink", ""))


def test_an_empty_and_a_foreign_take_say_why(tmp_path: Path) -> None:
    for take in (
        Take(notes=notes_from_rows([]), tempo=TempoMap.constant(100.0), session=session_from_dict({})),
        Take(notes=notes_from_rows([(i * 0.3, 0.2, 40, 90) for i in range(60)]), tempo=TempoMap.constant(100.0)),
    ):
        path = write_report(replace(take, source="x/y/outside.mid"), score(take), tmp_path / "r.html")
        text = path.read_text(encoding="utf-8")
        assert "nan" not in text.lower().replace("nance", "") and 'class="quiet"' in text


def test_in_a_real_browser(taken: tuple[Take, Scorecard], tmp_path: Path, browser: webdriver.Chrome) -> None:  # noqa: F811
    take, card = taken
    path = write_report(take, card, tmp_path / "report.html")
    for width in (390, 1200):
        browser.set_window_size(width, 900)
        browser.get(path.as_uri())
        assert browser.execute_script("return document.querySelectorAll('svg[role=img]').length") >= 4
        wide = browser.execute_script("return document.documentElement.scrollWidth - window.innerWidth")
        assert wide <= 0, f"the page scrolls sideways at {width} pixels"
    assert console_errors(browser) == []
    assert {url.split(":")[0] for url in requested(browser)} == {"file"}
    assert serious_findings(browser) == []
