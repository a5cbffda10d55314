"""An evening and a night from the stand alone: the real program on a terminal nobody touches, a real browser."""

from __future__ import annotations

import os
import re
import time
from pathlib import Path

import pytest
from selenium import webdriver

from tests.browser import browser, console_errors, serious_findings  # noqa: F401
from tests.engine.on_a_terminal import OnTerminal, on_terminal
from tests.page.test_stand import RECTS, button, sized, until

SONG = 'title = "Mine"\nform = "eight_bar"\ntempo_bpm = 240\ncount_in_bars = 1\n[[chorus]]\nrole = "verse"\n'
KNUCKLE_PX = 64


@pytest.fixture
def env(tmp_path: Path) -> dict[str, str]:
    folders = {"CONFIG": "config", "LOG": "log"}
    return {**os.environ, **{f"TRAINER_{name}_DIR": str(tmp_path / folder) for name, folder in folders.items()}}


@pytest.fixture
def stand(browser: webdriver.Chrome) -> webdriver.Chrome:  # noqa: F811
    sized(browser, 820, 1180)
    return browser


def opened(run: OnTerminal, stand: webdriver.Chrome) -> None:
    run.wait_for("stand page: ")
    until(lambda: re.search(r"(http\S+)\r?\n", run.text))
    found = re.search(r"stand page: (http\S+)", run.text)
    assert found is not None
    stand.get(found[1])


def text(stand: webdriver.Chrome, name: str) -> str:
    return str(stand.find_element("id", name).text)


def tap(stand: webdriver.Chrome, name: str) -> None:
    button(stand, name).click()


def confirmed(stand: webdriver.Chrome, name: str) -> None:
    tap(stand, name)
    yes = stand.find_element("id", "yes")
    until(yes.is_enabled)
    yes.click()


def test_an_evening_is_played_from_the_stand(tmp_path: Path, env: dict[str, str], stand: webdriver.Chrome) -> None:
    """The plan, the start, a drill with its task and tablature, left out; one put off; the tempo; the song to its end,
    its four lines and its page; played again and stopped; the end."""
    song = tmp_path / "mine.toml"
    song.write_text(SONG, encoding="utf-8")
    takes = str(tmp_path / "takes")
    with on_terminal(["practice", str(song), "--no-audio", "--takes", takes, "--page"], env) as run:
        opened(run, stand)
        until(lambda: text(stand, "desk-title") == "This evening")
        assert "warm-up" in text(stand, "desk-lines") or "min" in text(stand, "desk-lines")
        tap(stand, "start")
        until(lambda: text(stand, "desk-title").startswith("1 of "))
        rects = stand.execute_script(RECTS, "#hands button")
        assert all(b - t >= KNUCKLE_PX and r - left >= KNUCKLE_PX for _, left, t, r, b in rects)
        assert [name.split(" ·")[0] for name, *_ in rects] == [
            "Start", "Leave it out", "Later", "Slower", "Faster", "Wait", "Finish",
        ]  # fmt: skip
        tap(stand, "hold")
        until(lambda: text(stand, "hands").startswith("Start\n"))  # it counts no more
        assert serious_findings(stand) == []
        tap(stand, "faster")
        until(lambda: " bpm" in text(stand, "desk-title"))
        tap(stand, "start")
        until(lambda: text(stand, "task"))  # the drill runs
        assert 1 <= len(text(stand, "task").split()) <= 5
        until(lambda: "|" in text(stand, "tab"))  # while the model is heard
        tap(stand, "mark")
        until(lambda: "tablet 1: " in text(stand, "said"))
        tap(stand, "next")
        until(lambda: text(stand, "desk-title"))
        assert "Left out" in text(stand, "desk-lines")
        tap(stand, "later")
        said = ""
        while not text(stand, "desk-title").startswith("Now a song"):
            until(lambda before=said: text(stand, "desk-title") != before)
            said = text(stand, "desk-title")
            if not said.startswith("Now a song"):
                tap(stand, "skip")
                until(lambda before=said: text(stand, "desk-title") != before)
        tap(stand, "start")
        until(lambda: stand.find_element("id", "now").is_displayed())
        run.wait_screen()
        while not text(stand, "desk-lines"):  # the home row, as a bass
            run.type("a")
            time.sleep(0.25)  # a beat: quicker repeats would be one key held down
        until(lambda: len(stand.find_elements("css selector", "#desk-lines li")) >= 4)
        assert text(stand, "desk-title") == "That was the evening" and "Feel:" in text(stand, "desk-lines")
        assert "What wants work" in text(stand, "desk-lines") or "Nothing stands out" in text(stand, "desk-lines")
        tap(stand, "report")
        stand.switch_to.frame(stand.find_element("css selector", "#paper iframe"))
        until(lambda: "Mine" in stand.find_element("css selector", "body").text)
        stand.switch_to.default_content()
        stand.find_element("id", "shut").click()
        assert console_errors(stand) == []
        confirmed(stand, "leave")
        assert run.wait() == 0
    assert "tablet 1: " in run.words and len(list(Path(takes).glob("*.mid"))) == 1


def test_a_night_is_played_from_the_stand(tmp_path: Path, env: dict[str, str], stand: webdriver.Chrome) -> None:
    """The call, the count-in, what is cued; stopped (asked once more); the next tune; left; the end."""
    arguments = ["stage", "--seed", "23", "--level", "quiet_night", "--no-audio", "--takes", str(tmp_path), "--page"]
    with on_terminal(arguments, env) as run:
        opened(run, stand)
        until(lambda: text(stand, "desk-title").startswith("1. "))
        assert "Night 23: 2 tunes" in text(stand, "desk-lines")
        tap(stand, "start")
        until(lambda: stand.find_element("id", "now").is_displayed() and text(stand, "where").startswith("chorus 1"))
        assert " of " not in text(stand, "where")  # nobody knows how many there will be
        until(lambda: stand.find_element("id", "cue").is_displayed())
        tap(stand, "pause")
        until(lambda: button(stand, "pause").text == "Go on")
        confirmed(stand, "stop")
        until(lambda: text(stand, "desk-title").startswith("2. "))
        assert button(stand, "start").text == "Start"  # whoever stopped is not hurried
        tap(stand, "start")
        until(lambda: stand.find_element("id", "now").is_displayed())
        tap(stand, "next")
        until(lambda: text(stand, "desk-title") == "That was the night")
        assert console_errors(stand) == []
        confirmed(stand, "leave")
        assert run.wait() == 0
