"""The stand's buttons in a real browser, at the sizes of phones and tablets: large, named, and heard in their order."""

from __future__ import annotations

import contextlib
import json
import queue
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from selenium import webdriver
from selenium.webdriver.common.keys import Keys
from websockets.sync.client import connect

from tests.browser import browser, console_errors, requested, serious_findings  # noqa: F401
from tests.page.test_page import live, told
from trainer.cli.between import desk_of, songs_to_choose
from trainer.line import Feel, StandIn, planned_song
from trainer.live import play_offline
from trainer.page import PageLink, PagePress
from trainer.page.server import MOST_A_SECOND
from trainer.scoring import score
from trainer.screen import PartLevel, ScreenState
from trainer.session import default_session, expand

SESSION = default_session()
CHART = expand(SESSION)
SIZES = ((390, 844), (844, 390), (820, 1180), (1180, 820))
# WCAG 2.2, 2.5.5 (enhanced): targets of at least 44 by 44 CSS pixels; a knuckle wants more. Our choice.
KNUCKLE_PX = 64
RECTS = """return [...document.querySelectorAll(arguments[0])].map(node => {const r = node.getBoundingClientRect();
  return [node.textContent, r.left, r.top, r.right, r.bottom];})"""


@pytest.fixture
def pressed() -> queue.SimpleQueue[PagePress]:
    return queue.SimpleQueue()


@pytest.fixture
def page(pressed: queue.SimpleQueue[PagePress]) -> Iterator[PageLink]:
    with contextlib.closing(PageLink(CHART)) as link:
        link.on_press = pressed.put
        link.send(state())
        yield link


def state(phase: str = "playing", **changes: Any) -> ScreenState:
    mix = tuple(PartLevel(name, 0.8) for name in ("drums", "keys", "chop", "lead", "count"))
    return ScreenState(chart=CHART, at_beats=5.0, phase=phase, mix=mix, **changes)


def until(what: Any) -> None:
    deadline = time.monotonic() + 60.0
    while not what():
        assert time.monotonic() < deadline
        time.sleep(0.02)


def button(browser: webdriver.Chrome, name: str) -> Any:  # noqa: F811
    until(lambda: browser.find_elements("css selector", f"[data-do={name}]:enabled"))
    return browser.find_element("css selector", f"[data-do={name}]")


def sized(browser: webdriver.Chrome, width: int, height: int) -> None:  # noqa: F811
    browser.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride",
        {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": False},
    )


def a_desk(mode: str = "after", **changes: Any) -> dict[str, Any]:
    take = play_offline(SESSION, StandIn(Feel(missed_frac=0.3), 3).play(planned_song(CHART, 3)))
    songs = songs_to_choose(SESSION, "as asked")
    return desk_of(mode, SESSION, "as asked", 96.0, songs, card=score(take), next_words="Bars 9–12", **changes)


@pytest.mark.parametrize(("width", "height"), SIZES)
def test_every_button_is_large_enough_for_a_knuckle_and_on_the_page(
    page: PageLink,
    browser: webdriver.Chrome,  # noqa: F811
    width: int,
    height: int,
) -> None:
    sized(browser, width, height)
    browser.get(page.url)
    button(browser, "stop")
    rects = browser.execute_script(RECTS, "#hands button")
    assert [rect[0].split(" ·")[0] for rect in rects] == [
        "Stop", "Pause", "Again", "Next", "Slower", "Faster", "That one", "Band",
    ]  # fmt: skip
    for _, left, top, right, bottom in rects:
        assert right - left >= KNUCKLE_PX and bottom - top >= KNUCKLE_PX
        assert left >= 0 and top >= 0 and right <= width and bottom <= height + 1
    over = {(a[0], b[0]) for a in rects for b in rects if a is not b and a[1] < b[3] and b[1] < a[3] and a[2] < b[4]
            and b[2] < a[4]}  # fmt: skip
    assert over == set()
    button(browser, "band").click()
    parts = browser.execute_script(RECTS, "#band button")
    assert len(parts) == 3 * 5 + 1
    assert all(r - left >= KNUCKLE_PX and b - top >= KNUCKLE_PX for _, left, top, r, b in parts)
    assert serious_findings(browser) == []


def test_what_is_pressed_arrives_in_its_order_with_who_pressed_it(
    page: PageLink,
    browser: webdriver.Chrome,  # noqa: F811
    pressed: queue.SimpleQueue[PagePress],
) -> None:
    browser.get(page.url)
    for name in ("pause", "faster", "faster", "slower", "mark", "again", "next"):
        button(browser, name).click()
        assert pressed.get(timeout=60) == PagePress(name, "tablet 1")
    button(browser, "band").click()
    browser.find_element("css selector", "[aria-label='keys softer']").click()
    assert pressed.get(timeout=60) == PagePress("volume", "tablet 1", "keys", 0.7)
    browser.find_element("css selector", "[aria-label='drums mute']").click()
    assert pressed.get(timeout=60) == PagePress("mute", "tablet 1", "drums", 1)
    page.send(state("paused", note="tablet 1: drums muted"))
    until(lambda: browser.find_element("id", "said").text == "tablet 1: drums muted")
    assert button(browser, "pause").text == "Go on"
    assert console_errors(browser) == []
    assert {url.split("/")[2] for url in requested(browser)} == {f"127.0.0.1:{page.port}"}


def test_stop_asks_once_more_elsewhere_and_a_bounce_is_no_answer(
    page: PageLink,
    browser: webdriver.Chrome,  # noqa: F811
    pressed: queue.SimpleQueue[PagePress],
) -> None:
    for width, height in SIZES:
        sized(browser, width, height)
        browser.get(page.url)
        stop = button(browser, "stop")
        [(_, left, top, right, bottom)] = browser.execute_script(RECTS, "[data-do=stop]")
        stop.click()
        yes = browser.find_element("id", "yes")
        browser.execute_script("arguments[0].click()", yes)  # at once: it takes no tap yet
        [(_, yl, yt, yr, yb)] = browser.execute_script(RECTS, "#yes")
        assert yr <= left or yl >= right or yb <= top or yt >= bottom  # not under the same finger
        assert yb - yt >= KNUCKLE_PX and pressed.empty()
        until(yes.is_enabled)
        browser.find_element("id", "no").click()
        assert not yes.is_displayed() and pressed.empty()
        button(browser, "stop").click()
        until(yes.is_enabled)
        yes.click()
        assert pressed.get(timeout=60).do == "stop"


def test_by_keyboard_alone_and_named_for_a_screen_reader(
    page: PageLink,
    browser: webdriver.Chrome,  # noqa: F811
    pressed: queue.SimpleQueue[PagePress],
) -> None:
    """Tab and Enter reach everything; the question holds the focus, Escape leaves it; each button has its name."""
    sized(browser, 820, 1180)
    browser.get(page.url)
    button(browser, "pause")
    seen = []
    for _ in range(8):
        browser.switch_to.active_element.send_keys(Keys.TAB)
        seen.append(browser.execute_script("return document.activeElement.dataset.do"))
    assert seen == ["stop", "pause", "again", "next", "slower", "faster", "mark", "band"]
    button(browser, "again").send_keys(Keys.ENTER)
    assert pressed.get(timeout=60).do == "again"
    button(browser, "stop").send_keys(Keys.ENTER)
    assert browser.execute_script("return document.activeElement.id") == "no"
    browser.switch_to.active_element.send_keys(Keys.ESCAPE)
    assert browser.execute_script("return document.activeElement.dataset.do") == "stop" and pressed.empty()
    tree = browser.execute_cdp_cmd("Accessibility.getFullAXTree", {})["nodes"]
    names = {node["name"]["value"] for node in tree if node.get("role", {}).get("value") == "button"}
    assert {"Stop", "Pause", "Next", "Slower", "Faster", "That one", "Band"} <= names


def test_between_two_songs_the_verdict_stands_there_and_a_song_is_chosen(
    page: PageLink,
    browser: webdriver.Chrome,  # noqa: F811
    pressed: queue.SimpleQueue[PagePress],
    tmp_path: Path,
) -> None:
    report = tmp_path / "report.html"
    report.write_text("<!doctype html><title>Figures</title><p>of the take", encoding="utf-8")
    sized(browser, 820, 1180)
    browser.get(page.url)
    button(browser, "stop")
    page.between(a_desk(report=report), report)
    until(lambda: len(browser.find_elements("css selector", "#desk-lines li")) == 4)
    assert [line.text.split(":")[0] for line in browser.find_elements("css selector", "#desk-lines li")] == [
        "Feel", "Time", "Landing", "Form and shape",
    ]  # fmt: skip
    assert button(browser, "next").text == "Bars 9–12" and button(browser, "again").text == "Again · 96"
    assert serious_findings(browser) == []
    button(browser, "report").click()
    frame = browser.find_element("css selector", "#paper iframe")
    browser.switch_to.frame(frame)
    until(lambda: "of the take" in browser.find_element("css selector", "body").text)
    browser.switch_to.default_content()
    browser.find_element("id", "shut").click()
    button(browser, "choose").click()
    browser.find_element("css selector", "#songs [data-name=back-room-slow]").click()
    browser.find_element("css selector", "#keys [data-name=Bb]").click()
    button(browser, "faster").click()
    rects = browser.execute_script(RECTS, "#chooser button")
    assert all(b - top >= KNUCKLE_PX and r - left >= KNUCKLE_PX for _, left, top, r, b in rects)
    assert serious_findings(browser) == []
    button(browser, "start").click()
    press = pressed.get(timeout=60)
    assert press.do == "start" and press.choice == {"song": "back-room-slow", "key": "Bb", "bpm": 64}
    page.show(CHART)
    page.send(state())
    until(lambda: browser.find_element("id", "now").is_displayed())
    assert not browser.find_element("id", "desk").is_displayed() and console_errors(browser) == []


def test_three_tablets_at_once_lose_nothing(page: PageLink, pressed: queue.SimpleQueue[PagePress]) -> None:
    """Sixty presses from three tablets arrive, each tablet's own in their order; rubbish and a flood do no harm."""
    with contextlib.ExitStack() as stack:
        tablets = [stack.enter_context(connect(live(page))) for _ in range(3)]
        for tablet in tablets:
            told(tablet, "chart")
        n = MOST_A_SECOND
        for i in range(n):
            for tablet in tablets:
                tablet.send(json.dumps({"do": "volume", "part": "drums", "value": i / n}))
        got = [pressed.get(timeout=60) for _ in range(3 * n)]
        for name in ("tablet 1", "tablet 2", "tablet 3"):
            assert [press.value for press in got if press.by == name] == [i / n for i in range(n)]
        time.sleep(1.1)
        for rubbish in ("[]", "{", '{"do": 3}', '{"do": "volume", "value": NaN}', '{"do":"x","value":"y"}', "9" * 900):
            tablets[0].send(rubbish)
        tablets[0].send(json.dumps({"do": "pause"}))
        assert pressed.get(timeout=60) == PagePress("pause", "tablet 1")
    with connect(live(page)) as later:  # a number that is free is given again
        told(later, "chart")
        later.send(json.dumps({"do": "next"}))
        assert pressed.get(timeout=60).by.startswith("tablet ")
