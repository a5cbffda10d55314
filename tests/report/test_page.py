"""The report page: what it shows, that it shows only what is there, and how it behaves in a real browser."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from dataclasses import replace
from pathlib import Path

import pytest
from selenium import webdriver
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.support.wait import WebDriverWait

from tests.browser import browser, console_errors, requested, serious_findings  # noqa: F401
from trainer.cli.run import run
from trainer.clock import TempoMap
from trainer.line import Feel, Slip, StandIn, planned_song
from trainer.report import report_page, write_report
from trainer.report.compare import APART, NOT_APART, comparison_rows
from trainer.report.figures import number, places_words, with_commands
from trainer.report.musicxml import musicxml
from trainer.report.style import STYLE
from trainer.report.written import written_chart
from trainer.resources import session_names
from trainer.scoring import score
from trainer.scoring.card import Scorecard
from trainer.scoring.figure import Figure
from trainer.session import expand, session_from_dict
from trainer.take import Take, notes_from_rows, read_take, write_take

NASTY = '<script>alert("x")</script> & "quotes"'
UNSEEN = "one\x1b[31m\x00\u202etwo"  # a terminal's colour, a zero, a mark that turns the line round


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


def test_an_option_is_not_parted_where_a_line_ends() -> None:
    assert with_commands("one of <two> with --track N") == (
        'one of &lt;two&gt; with <span class="whole">--track</span> N'
    )
    assert with_commands("a pause -- and on") == "a pause -- and on"
    assert ".whole{white-space:nowrap}" in STYLE


def test_the_figures_on_the_page_are_the_cards(taken: tuple[Take, Scorecard]) -> None:
    take, card = taken
    page = report_page(take, card)
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


def test_bars_elsewhere_are_counted_alike_in_the_advice_and_below() -> None:
    """A take that stops in its last chorus: of the bars that the player was in for, in both places."""
    path = Path(__file__).parents[1] / "scoring" / "kept" / "lost.mid"
    take = read_take(path)
    card = score(take)
    (advice,) = (each for each in card.verdict.advice if each.about == "form")
    of_bars = advice.evidence.partition(";")[0]
    assert re.fullmatch(r"\d+ of \d+ bars", of_bars) and card.landing.stopped
    assert f"Elsewhere in the form for <strong>{of_bars}</strong>" in report_page(take, card)


def test_strings_from_files_are_escaped() -> None:
    take, card = a_take(NASTY)
    page = report_page(take, card)
    assert page.count("<script") == 1 and "alert(" not in page.split("<script>")[1]  # only the page's own
    assert "&lt;script&gt;" in page


def test_zero_has_no_sign_and_minus_is_a_minus() -> None:
    assert number(Figure(-0.04), " %") == "0.0 %" and number(Figure(-12.34), " ms") == "−12.3 ms"
    assert number(Figure()) == "–"
    assert number(Figure(-0.2, -1.6, 0.3), " ms", 0, 9) == (
        '0 ms <span class="quiet">[−2 to 0]</span> <span class="quiet">n = 9</span>'
    )


def test_advice_names_its_drill_in_the_songs_key_and_tempo() -> None:
    session = session_from_dict({"key": "A", "tempo_bpm": 112, "chorus": [{"role": "verse", "times": 3}]})
    chart = expand(session)
    notes = StandIn(Feel(missed_frac=0.5), seed=8).play(planned_song(chart, 3)).notes
    take = Take(notes=notes, tempo=TempoMap(chart.tempo_segments), session=session)
    card = score(take)
    advice = card.to_dict()["verdict"]["advice"]
    page = report_page(take, card)
    assert advice
    for item in advice:
        command = with_commands(f"{item['drill']} --key A --bpm 112")
        assert f"<code>trainer drill {command}</code>" in page


def test_bars_of_one_chorus_are_named_together() -> None:
    assert places_words([(6, 8), (6, 2), (1, 5), (6, 9), (6, 2)]) == "chorus 6 bars 2, 8 and 9; chorus 1 bar 5"
    assert places_words([]) == ""


def test_what_no_page_can_show_is_left_out() -> None:
    take, card = a_take(UNSEEN)
    assert card.chart is not None
    page = report_page(take, card)
    assert "<h1>one [31m  two</h1>" in page
    document = ET.fromstring(musicxml(written_chart(card.chart)))
    assert document.findtext("work/work-title") == "one [31m  two"


def test_small_enough_and_self_contained(taken: tuple[Take, Scorecard]) -> None:
    take, card = taken
    page = report_page(take, card)
    assert len(page.encode()) < 2_000_000
    assert not re.findall(r'(?:src|href)="(?!#)[^"]*"', page.replace("xmlns:xlink", ""))


def test_an_empty_and_a_foreign_take_say_why(tmp_path: Path) -> None:
    texts = []
    for take in (
        Take(notes=notes_from_rows([]), tempo=TempoMap.constant(100.0), session=session_from_dict({})),
        Take(notes=notes_from_rows([(i * 0.3, 0.2, 40, 90) for i in range(60)]), tempo=TempoMap.constant(100.0)),
    ):
        path = write_report(replace(take, source="x/y/outside.mid"), score(take), tmp_path / "r.html")
        texts.append(path.read_text(encoding="utf-8"))
        shown = texts[-1].split("<body>")[1].split("<script>")[0]
        assert "nan" not in shown.lower().replace("nance", "") and 'class="quiet"' in shown
    empty, foreign = texts
    assert "<svg" not in empty and "<td" not in empty  # nothing was played: no picture and no table of dashes
    assert "The band played" not in foreign and "<title>bar 1, beat 1: E2, 0 ms" in foreign


def test_what_is_too_short_is_not_called_a_drift(taken: tuple[Take, Scorecard]) -> None:
    """Two bars give a slope a chorus only by stretching it sixfold."""
    take, card = taken
    short = replace(take, notes=take.notes[take.notes["onset_s"] < float(take.tempo.seconds_at(8.0))])
    page = report_page(short, score(short))
    assert "too short to speak of drift" in page and "ms a chorus" not in page and "Dashed: drift" not in page
    whole = report_page(take, card)
    assert "too short" not in whole and "ms a chorus" in whole and "Dashed: drift" in whole


def test_choruses_that_were_only_listened_to_are_left_out(tmp_path: Path) -> None:
    roles = [{"role": "verse", "heard": True}, {"role": "verse"}]
    session = session_from_dict({"title": "Hear it, play it", "chorus": roles * 2})
    chart = expand(session)
    tempo = TempoMap(chart.tempo_segments)
    notes = StandIn(Feel(), seed=1).play(planned_song(chart, 1), tempo).notes
    beats = tempo.beats_at(notes["onset_s"])
    take = Take(notes=notes[((beats >= 47.5) & (beats < 95.5)) | (beats >= 143.5)], tempo=tempo, session=session)
    text = write_report(take, score(take), tmp_path / "r.html").read_text(encoding="utf-8")
    assert "With the band in <strong>all 24 bars</strong>" in text and "kept in the" not in text
    assert score(take).form.line == "the form kept throughout"
    assert text.count(">listen</text>") >= 4  # both, in the pictures that lie along the song
    assert "0 of 0" not in text
    half = replace(take, notes=take.notes[tempo.beats_at(take.notes["onset_s"]) < 72.0])
    assert "With the band in <strong>the 6 bars that you played</strong>" in report_page(half, score(half))


# What lies outside the window and in nothing that scrolls.
CUT = """
return [...document.querySelectorAll("main *")].filter(node => {
  const box = node.getBoundingClientRect();
  return box.width && !node.closest(".wide") && (box.right > innerWidth + 1 || box.left < -1);
}).map(node => node.outerHTML.slice(0, 80));
"""


def looked_at(browser: webdriver.Chrome, path: Path) -> None:  # noqa: F811
    """Phone, tablet, desk, print, light and dark: no sideways scroll, no error, nothing inaccessible."""
    for width, scheme, medium in (
        (360, "light", "screen"),
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
        assert medium == "print" or browser.execute_script(CUT) == []
        if width != 1200:  # the checker takes seconds; the desk has the tablet's markup and the phone's colours
            assert serious_findings(browser) == []
    assert console_errors(browser) == []
    assert {url.split(":")[0] for url in requested(browser)} == {"file"}


def test_in_a_real_browser(taken: tuple[Take, Scorecard], tmp_path: Path, browser: webdriver.Chrome) -> None:  # noqa: F811
    take, card = taken
    looked_at(browser, write_report(take, card, tmp_path / "report.html"))
    assert browser.execute_script("return document.querySelectorAll('svg[role=img]').length") == 5
    # Keyboard: what opens and what can be gone through, one stop each; on a phone also what scrolls.
    stops = (
        "return [...document.querySelectorAll('[tabindex=\"0\"], summary, input')].filter(n => n.offsetParent).length"
    )
    seen = {}
    for width in (1200, 360):
        metrics = {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": False}
        browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "screen"})
        browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)
        browser.refresh()
        seen[width] = browser.execute_script(stops)
    assert 8 <= seen[1200] < seen[360] < 30
    # What a figure means opens under a finger; pictures scroll, and their first column stays.
    summary = next(s for s in browser.find_elements("css selector", ".figures summary") if s.is_displayed())
    middle = """arguments[0].scrollIntoView({block: "center"}); const r = arguments[0].getBoundingClientRect();
      return {x: r.left + 12, y: r.top + r.height / 2};"""
    point = browser.execute_script(middle, summary)
    for kind, points in (("touchStart", [point]), ("touchEnd", [])):
        browser.execute_cdp_cmd("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})
    opened = "const d = arguments[0].parentNode; return d.open && d.getBoundingClientRect().height > 50"
    assert WebDriverWait(browser, 5).until(lambda b: b.execute_script(opened, summary))
    scrolled = """const grid = document.querySelector(".grid"), wide = grid.parentNode; wide.scrollLeft = 9999;
      const cell = grid.querySelector("tbody th").getBoundingClientRect();
      return [wide.scrollLeft, cell.left - wide.getBoundingClientRect().left];"""
    away, left = browser.execute_script(scrolled)
    assert away > 50 and abs(left) <= 1
    hovers = "return document.querySelectorAll('svg title').length"
    assert browser.execute_script(hovers) > card.to_dict()["timing"]["n"] + 40


def test_every_point_is_reached_by_keys_and_by_touch(
    taken: tuple[Take, Scorecard],
    tmp_path: Path,
    browser: webdriver.Chrome,  # noqa: F811
) -> None:
    take, card = taken
    browser.get(write_report(take, card, tmp_path / "report.html").as_uri())
    boxes = browser.find_elements("css selector", "[data-steps]")
    assert len(boxes) == 6  # five pictures and the landing grid
    for box in boxes:
        slider = box.find_element("css selector", "input[type=range]")
        told = browser.execute_script(
            "return [...arguments[0].querySelectorAll('title, td[title]')].map(n => n.title || n.textContent)", box
        )
        assert int(slider.get_attribute("max") or 0) == len(told)
        shown = []
        for key in (Keys.ARROW_RIGHT, Keys.ARROW_RIGHT, Keys.END, Keys.ARROW_LEFT):
            slider.send_keys(key)
            shown.append(slider.get_attribute("aria-valuetext"))
            assert box.find_element("css selector", ".step span").text == shown[-1]
            assert len(box.find_elements("css selector", ".ring, td.now")) == 1
        assert set(shown) <= set(told)
    first, grid = boxes[0], next(box for box in boxes if box.find_elements("css selector", "table"))
    slider = first.find_element("css selector", "input")
    slider.send_keys(Keys.HOME, Keys.ARROW_RIGHT)
    assert str(slider.get_attribute("aria-valuetext")).startswith("chorus 1, bar 1, beat 1: ")
    # A finger: near a point is enough, and far from all of them lets go.
    cell = grid.find_element("css selector", "td.miss")
    cell.click()
    assert grid.find_element("css selector", ".step span").text == cell.get_attribute("title")
    tap = """const r = arguments[0].getBoundingClientRect();
      arguments[0].ownerSVGElement.dispatchEvent(new MouseEvent("click",
        {bubbles: true, clientX: r.right + arguments[1], clientY: r.bottom + arguments[1]}));
      return arguments[0].querySelector("title").textContent;"""
    point = first.find_elements("css selector", "#near use")[40]
    wanted = browser.execute_script(tap, point, 1)
    assert first.find_element("css selector", ".step span").text == wanted
    browser.execute_script(tap, point, 2000)
    assert "slide, tap" in first.find_element("css selector", ".step span").text
    assert console_errors(browser) == []
    assert serious_findings(browser) == []


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
    first = write_take(take, tmp_path, "2026-11-25-20-15-a-shuffle-in-G")
    chart = expand(session)
    other = StandIn(Feel(swing_ratio=2.6, jitter_sd_ms=30.0), seed=2).play(planned_song(chart, 3), take.tempo).notes
    second = write_take(replace(take, notes=other, session=replace(session, title=NASTY)), tmp_path, f"{first.stem}-2")
    page = tmp_path / "both.html"
    assert run(["compare", str(first), str(second), "--out", str(page)]) == 0
    said = capsys.readouterr().out
    names = said.splitlines()[0].split()  # too long for their columns, and still told apart
    assert len(set(names)) == 2 and names[0].endswith("in-G") and names[1].endswith("in-G-2")
    data = card.to_dict()
    rows = {row.name: row for row in comparison_rows(card, score(read_take(second)))}
    for name in ("swing ratio", "spread"):
        assert rows[name].words == APART and rows[name].intervals is not None
        assert next(line for line in said.splitlines() if line.startswith(name)).endswith("stands out")
    same = comparison_rows(card, card)
    assert {row.words for row in same} <= {"", NOT_APART}
    assert (
        f"{data['swing']['ratio']:.2f} : 1" in said
        and max(len(row) for row in said.splitlines() if not row.startswith("wrote ")) <= 80
    )
    # Played in two roles, a chorus says so; takes without a session still have their tempo.
    opened = replace(card.shape.choruses[0], role="solo", verdict="open")
    last = comparison_rows(card, replace(card, shape=replace(card.shape, choruses=(opened,))))[-1]
    assert last.name == "chorus 1" and last.first.startswith("verse: ") and last.second == "solo: opened up"
    bare = score(
        Take(notes=notes_from_rows([(i * 0.3, 0.2, 40, 90) for i in range(60)]), tempo=TempoMap.constant(100.0))
    )
    assert comparison_rows(card, bare)[0].second == "100 bpm"
    text = page.read_text(encoding="utf-8")
    assert "<script" not in text and "&lt;script&gt;" in text
    assert all(row.first in text and row.second in text for row in rows.values())
    assert text.count('class="pair"') == sum(row.intervals is not None for row in rows.values()) >= 6
    looked_at(browser, page)


def test_a_pedal_that_may_have_been_meant_is_asked_about(taken: tuple[Take, Scorecard]) -> None:
    take, card = taken
    first, second, *rest = card.landing.items
    stayed = replace(second, stayed_on="I", degree="IV", outcome="other", chorus=1, bar=2)
    page = report_page(take, replace(card, landing=replace(card.landing, items=(first, stayed, *rest))))
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
    assert "dotted crosses" not in report_page(take, card)
    levels = [0.25 if bar.chorus == 2 else 0.75 for bar in chart.bars]
    listened = replace(take, header=replace(take.header, extra={"intensities": levels}))
    page = report_page(listened, card)
    assert "following you" in page and "chorus 2: band played 0.25" in page and "chorus 3: band played 0.75" in page
    odd = replace(take, header=replace(take.header, extra={"intensities": ["loud", *levels[1:]]}))
    assert "chorus 3: band played 0.75" in report_page(odd, card)
    rows = [(float(take.tempo.seconds_at(bar.onset_beats)), 0.2, 36, 40 + 10 * bar.chorus, 9) for bar in chart.bars]
    heard = report_page(replace(take, band=notes_from_rows(rows)), card)
    assert f"chorus 4: band played {80 / 127:.2g}" in heard and "as loud as MIDI goes" in heard
