"""What the playing screen says beside the music, and for how long: messages in, lines out; no engine, no terminal."""

from __future__ import annotations

import contextlib
import io
import queue
import sys
from typing import Any

import pytest

from trainer.engine import Command, Notice, Place
from trainer.live import PlayOptions, front
from trainer.live.keys import ROOT_KEY, Char
from trainer.page import PageLink
from trainer.screen import render
from trainer.session import default_session


class Seconds:
    """A clock that stands until it is moved."""

    now_s = 100.0

    def monotonic(self) -> float:
        return self.now_s


@pytest.fixture
def seconds(monkeypatch: pytest.MonkeyPatch) -> Seconds:
    clock = Seconds()
    monkeypatch.setattr(front, "time", clock)
    return clock


def test_news_leaves_the_screen_and_a_loss_stays_until_it_is_over(seconds: Seconds) -> None:
    shown = front._Front(default_session(), PlayOptions(quiet_screen=True))
    gone = 'MIDI input "bass" has gone; the band plays on, and it is taken up again when it is back'
    shown._heard(Notice(gone))
    shown._heard(Notice("waiting for the other machine to start", "note"))
    assert shown._on_screen() == (gone, "waiting for the other machine to start")
    seconds.now_s += front.NEWS_SHOWN_S
    assert shown._on_screen() == (gone,)
    seconds.now_s += 600.0
    assert shown._on_screen() == (gone,)  # for as long as it is so
    shown._heard(Notice('MIDI input "bass" is back', "note"))
    assert shown._on_screen() == ('MIDI input "bass" is back',)
    seconds.now_s += front.NEWS_SHOWN_S
    assert shown._on_screen() == ()
    shown._heard(Notice(gone))  # once more
    assert shown._on_screen() == (gone,)
    assert len(shown.warnings) == 3  # all of it is said after the song


def test_the_limits_of_typing_are_said_and_leave(seconds: Seconds) -> None:
    shown = front._Front(default_session(), PlayOptions(quiet_screen=True, typing=True))
    shown.warnings.append(front.TYPING_LIMITS)
    shown._leaves_soon(front.TYPING_LIMITS)
    assert shown._on_screen() == (front.TYPING_LIMITS,)
    assert f"! {front.TYPING_LIMITS}" in render(shown._state(), 80, 24).plain  # whole
    seconds.now_s += front.NEWS_SHOWN_S
    assert shown._on_screen() == ()


class Link:
    """An engine's end that keeps what it is told."""

    def __init__(self) -> None:
        self.said: list[Any] = []
        self.killed = False
        self.process = self

    def say(self, message: Any) -> bool:
        self.said.append(message)
        return True

    def kill(self) -> None:
        self.killed = True


def test_a_silent_engine_is_given_up_but_not_for_the_front_having_been_stopped(seconds: Seconds) -> None:
    shown, link = front._Front(default_session(), PlayOptions(quiet_screen=True)), Link()
    shown._watch(link)  # type: ignore[arg-type]
    seconds.now_s += 3600.0  # the whole program was stopped from outside, the engine was not
    shown._watch(link)  # type: ignore[arg-type]
    assert not link.killed
    for _ in range(100):
        seconds.now_s += 0.1
        shown._watch(link)  # type: ignore[arg-type]
    assert link.killed and shown.died


class SlowLink(Link):
    """An engine that says nothing for a while, then goes."""

    engine_minus_front_ns = 0

    def __init__(self, clock: Seconds, silent_s: float) -> None:
        super().__init__()
        self.inbox, self._clock, self._until_s = self, clock, clock.now_s + silent_s

    def measure_offset(self) -> None:
        pass

    def get(self, timeout: float) -> None:
        self._clock.now_s += timeout
        if self._clock.now_s < self._until_s:
            raise queue.Empty


@pytest.mark.parametrize(("audio", "silent_s", "n_said"), [("auto", 10.0, 1), ("auto", 1.0, 0), ("none", 10.0, 0)])
def test_a_long_wait_for_the_sounds_is_explained_once(
    audio: str, silent_s: float, n_said: int, seconds: Seconds, capsys: pytest.CaptureFixture[str]
) -> None:
    shown = front._Front(default_session(), PlayOptions(quiet_screen=True, audio=audio))
    shown._open(SlowLink(seconds, silent_s))  # type: ignore[arg-type]
    assert shown.died
    assert capsys.readouterr().out.splitlines() == [front.GETTING_READY] * n_said


def test_an_output_that_lacks_a_sign_is_not_taken_for_one_that_is_gone(monkeypatch: pytest.MonkeyPatch) -> None:
    into = io.BytesIO()
    monkeypatch.setattr(sys, "stdout", io.TextIOWrapper(into, encoding="ascii"))
    shown = front._Front(default_session(), PlayOptions(quiet_screen=True))
    shown._print("bar 1", "bars 9–12", "bar 3")
    assert into.getvalue().split() == b"bar 1 bars 9?12 bar 3".split() and not shown.screen.gone
    sys.stdout.close()
    shown._print("bar 4")
    assert shown.screen.gone


def test_going_on_takes_the_word_of_the_pause_from_the_screen(seconds: Seconds) -> None:
    shown, link = front._Front(default_session(), PlayOptions(quiet_screen=True)), Link()
    shown.note = "paused; p goes on"
    shown._command(link, Char(0, "p"))  # type: ignore[arg-type]
    assert shown.note == "" and link.said == [Command("toggle")]


def test_counted_back_into_a_chorus_the_screen_and_the_root_key_are_there_already(
    seconds: Seconds, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(front, "perf_counter_ns", lambda: 0)
    shown, link = front._Front(default_session(), PlayOptions(quiet_screen=True, typing=True)), Link()
    top = shown.chart.bars[28]  # chorus 3, bar 5
    assert (top.chorus, top.degrees) == (3, ("IV",))

    def place(beats: float) -> None:
        shown.place = Place(0, "count_in", 0.0, beats, top.idx, top.chorus, 4, 1, 96.0)

    place(-0.1)
    assert shown._state().bar == top and shown._state().counting_in
    shown._strike(link, Char(0, ROOT_KEY))  # type: ignore[arg-type]
    assert [message.pitch % 12 for message in link.said] == [0]  # a C, just before its bar
    place(0.02)  # the count is over and the next word from the engine is on its way
    assert shown._beats_at(0) == pytest.approx(top.onset_beats + 0.02)
    assert shown._state().bar == top and not shown._state().counting_in
    shown.place = Place(0, "count_in", 0.0, -0.3, -1, 0, 4, 0, 96.0)  # the first count of all
    assert shown._state().bar == shown.chart.bars[0] and shown._beats_at(0) == pytest.approx(-0.3)


def test_what_a_key_did_is_said_for_a_while_then_what_is_heard_again(seconds: Seconds) -> None:
    shown, link = front._Front(default_session(), PlayOptions(quiet_screen=True, typing=True)), Link()
    shown._command(link, Char(0, "m"))  # type: ignore[arg-type]
    said = render(shown._state(), 80, 24).plain
    assert "drums muted" in said and "computer keyboard" not in said
    seconds.now_s += front.NEWS_SHOWN_S
    later = render(shown._state(), 80, 24).plain
    assert "drums muted" not in later and "computer keyboard" in later


def test_the_pages_address_stays_on_the_screen(seconds: Seconds) -> None:
    """It is printed before the screen comes, for a moment: a tablet across the room has to be told it later too."""
    shown = front._Front(default_session(), PlayOptions(quiet_screen=True, typing=True))
    assert shown._state().source == "computer keyboard"
    with contextlib.closing(PageLink(shown.chart, "127.0.0.1")) as page:
        shown.page = page
        assert f"computer keyboard · page: {page.url}" in render(shown._state(), 80, 24).plain
