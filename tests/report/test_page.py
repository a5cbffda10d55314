"""The report page: what it shows, that it shows only what is there, and how it behaves in a real browser."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest
from selenium import webdriver

from tests.browser import browser, console_errors, requested, serious_findings  # noqa: F401
from trainer.cli.run import run
from trainer.clock import TempoMap
from trainer.line import Feel, Slip, StandIn, planned_song
from trainer.report import report_page, write_report
from trainer.report.compare import comparison_rows
from trainer.resources import session_names
from trainer.scoring import score
from trainer.scoring.card import Scorecard
from trainer.session import expand, session_from_dict
from trainer.take import Take, notes_from_rows, read_take, write_take

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


def looked_at(browser: webdriver.Chrome, path: Path) -> None:  # noqa: F811
    """Phone, tablet, desk, print, light and dark: no sideways scroll, no error, nothing inaccessible."""
    for width, scheme, medium in (
        (390, "light", "screen"),
        (820, "dark", "screen"),
        (1200, "light", "screen"),
        (800, "light", "print"),
    ):
        browser.execute_cdp_cmd(
            "Emulation.setEmulatedMedia",
            {"media": medium, "features": [{"name": "prefers-color-scheme", "value": scheme}]},
        )
        # Chromium's window is no narrower than 500 pixels: a phone's width is emulated.
        browser.execute_cdp_cmd(
            "Emulation.setDeviceMetricsOverride",
            {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": False},
        )
        browser.get(path.as_uri())
        wide = browser.execute_script("return document.documentElement.scrollWidth - window.innerWidth")
        assert wide <= 0, f"the page scrolls sideways at {width} pixels"
        if width != 1200:  # the checker takes seconds; the desk has the tablet's markup and the phone's colours
            assert serious_findings(browser) == []
    assert console_errors(browser) == []
    assert {url.split(":")[0] for url in requested(browser)} == {"file"}


def test_in_a_real_browser(taken: tuple[Take, Scorecard], tmp_path: Path, browser: webdriver.Chrome) -> None:  # noqa: F811
    take, card = taken
    looked_at(browser, write_report(take, card, tmp_path / "report.html"))
    assert browser.execute_script("return document.querySelectorAll('svg[role=img]').length") == 5
    # Keyboard: what scrolls or opens can be reached.
    stops = "return document.querySelectorAll('[tabindex=\"0\"], summary').length"
    assert browser.execute_script(stops) >= 8
    hovers = "return document.querySelectorAll('svg title').length"
    assert browser.execute_script(hovers) > card.to_dict()["timing"]["n"] + 40


def test_two_takes_side_by_side(
    taken: tuple[Take, Scorecard],
    tmp_path: Path,
    browser: webdriver.Chrome,  # noqa: F811
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Through the command: figures of both cards, words only where intervals are apart, names escaped."""
    take, card = taken
    session = take.session
    assert session is not None
    first = write_take(take, tmp_path, "first")
    chart = expand(session)
    other = StandIn(Feel(swing_ratio=2.6, jitter_sd_ms=30.0), seed=2).play(planned_song(chart, 3), take.tempo).notes
    second = write_take(replace(take, notes=other, session=replace(session, title=NASTY)), tmp_path, "second")
    page = tmp_path / "both.html"
    assert run(["compare", str(first), str(second), "--out", str(page)]) == 0
    said = capsys.readouterr().out
    data = card.to_dict()
    rows = {row.name: row for row in comparison_rows(data, score(read_take(second)).to_dict())}
    for name in ("swing ratio", "spread"):
        assert rows[name].words == "a difference that stands out"
    same = comparison_rows(data, data)
    assert {row.words for row in same} <= {"", "no difference that stands out"}
    assert f"{data['swing']['ratio']:.2f} : 1" in said and "no difference" not in rows["swing ratio"].words
    text = page.read_text(encoding="utf-8")
    assert "<script" not in text and "&lt;script&gt;" in text
    assert all(row.first in text and row.second in text for row in rows.values())
    looked_at(browser, page)


def test_a_pedal_that_may_have_been_meant_is_asked_about(taken: tuple[Take, Scorecard]) -> None:
    take, card = taken
    data = card.to_dict()
    data["landing"]["items"][1] |= {"stayed_on": "I", "degree": "IV", "outcome": "other", "chorus": 1, "bar": 2}
    page = report_page(take, data, card.chart, card.reading)
    assert "You stayed on I under IV (chorus 1 bar 2). Did you mean a pedal there?" in page


def test_the_command_takes_foreign_files(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    import mido

    track = mido.MidiTrack([mido.MetaMessage("set_tempo", tempo=mido.bpm2tempo(100))])
    for _ in range(64):
        track.append(mido.Message("note_on", note=43, velocity=90, time=20))
        track.append(mido.Message("note_off", note=43, time=460))
    file = mido.MidiFile(tracks=[track])
    path = tmp_path / "elsewhere.mid"
    file.save(path)
    assert run(["report", str(path)]) == 0
    bare = (tmp_path / "elsewhere.html").read_text(encoding="utf-8")
    assert "<h2>Time" in bare and "<h2>Landing" not in bare
    name = session_names()[0]
    assert run(["report", str(path), "--session", name, "--out", str(tmp_path / "with.html")]) == 0
    assert "<h2>Landing" in (tmp_path / "with.html").read_text(encoding="utf-8")
    assert run(["report", str(path), "--session", name, "--level", "stage", "--out", str(tmp_path / "with.html")]) == 0
    assert "(targets: stage)" in (tmp_path / "with.html").read_text(encoding="utf-8")
    assert run(["report", str(tmp_path / "nothing.mid")]) == 2
    assert len(capsys.readouterr().err.splitlines()) >= 1


def test_the_bands_intensity_stands_beside_the_plan(taken: tuple[Take, Scorecard]) -> None:
    """As a listening band wrote it down; else as loud as its recorded notes are; else not at all."""
    take, card = taken
    assert card.chart is not None
    chart = card.chart
    data = card.to_dict()
    assert "dotted crosses" not in report_page(take, data, chart, card.reading)
    levels = [0.25 if bar.chorus == 2 else 0.75 for bar in chart.bars]
    listened = replace(take, header=replace(take.header, extra={"intensities": levels}))
    page = report_page(listened, data, chart, card.reading)
    assert "following you" in page and "chorus 2: band played 0.25" in page and "chorus 3: band played 0.75" in page
    rows = [(float(take.tempo.seconds_at(bar.onset_beats)), 0.2, 36, 40 + 10 * bar.chorus, 9) for bar in chart.bars]
    heard = report_page(replace(take, band=notes_from_rows(rows)), data, chart, card.reading)
    assert f"chorus 4: band played {80 / 127:.2g}" in heard and "as loud as MIDI goes" in heard
