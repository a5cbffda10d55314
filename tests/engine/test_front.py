"""What the playing screen says beside the music, and for how long: messages in, lines out; no engine, no terminal."""

from __future__ import annotations

import contextlib
import io
import queue
import sys
from typing import Any

import pytest

from trainer.engine import Command, Facts, Mix, Notice, PadNote, Place, Pressed, Ready
from trainer.live import PlayOptions, front
from trainer.live.keys import ROOT_KEY, Char
from trainer.live.notices import NEWS_SHOWN_S, Notices
from trainer.page import PageLink, PagePress
from trainer.screen import render
from trainer.session import default_session
from trainer.take.notes import PAD_VELOCITY, PICKED_VELOCITY


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


GONE = Notice("it has gone", about="midi_in", state="gone")
BACK = Notice("it is back", "note", about="midi_in", state="back")


def test_news_leaves_the_screen_and_a_loss_stays_until_it_is_over() -> None:
    notices, news = Notices(), Notice("waiting for the other machine to start", "note")
    assert notices.add(GONE, 100.0) and notices.add(news, 100.0)
    assert notices.on_screen(100.0) == (GONE.text, news.text)
    assert notices.on_screen(100.0 + NEWS_SHOWN_S) == (GONE.text,)
    assert notices.on_screen(700.0) == (GONE.text,)  # for as long as it is so
    assert notices.add(BACK, 700.0)
    assert notices.on_screen(700.0) == (BACK.text,)
    assert notices.on_screen(700.0 + NEWS_SHOWN_S) == ()
    assert not notices.add(GONE, 800.0)  # once more
    assert notices.on_screen(800.0) == (GONE.text,)
    assert notices.texts == (GONE.text, news.text, BACK.text)  # all of it is said after the song


def test_whatever_was_said_of_a_loss_is_over_when_it_is_back_and_nothing_else_is() -> None:
    """An output that was not there at the start, came, failed in a send and came again: three lines of one loss."""
    notices = Notices()
    notices.add(Notice('no MIDI output "box"', about="midi_out", state="gone"), 0.0)
    notices.add(Notice('MIDI output "box" did not take a message', about="midi_out", state="gone"), 1.0)
    notices.add(GONE, 2.0)
    notices.add(Notice("the machine was away for 2.0 s"), 3.0)
    notices.add(Notice('MIDI output "box" is back', "note", about="midi_out", state="back"), 4.0)
    assert notices.on_screen(4.0 + NEWS_SHOWN_S) == (GONE.text, "the machine was away for 2.0 s")


def test_what_was_said_before_the_start_leaves_when_the_port_comes(seconds: Seconds) -> None:
    shown = front._Front(default_session(), PlayOptions(quiet_screen=True, typing=True))
    shown.link = ReadyLink(Ready(None, None, None, (GONE,)))  # type: ignore[assignment]
    shown._open()
    assert shown._state().warnings == (GONE.text, front.TYPING_LIMITS)
    assert f"! {front.TYPING_LIMITS}" in render(shown._state(), 80, 24).plain  # whole
    shown._heard(BACK)
    seconds.now_s += NEWS_SHOWN_S
    assert shown._state().warnings == ()


def test_what_typed_notes_cannot_show_is_said_once_a_sitting(seconds: Seconds) -> None:
    again = front._Front(default_session(), PlayOptions(quiet_screen=True, typing=True, typing_told=True))
    again.link = ReadyLink(Ready(None, None, None, ()))  # type: ignore[assignment]
    again._open()
    assert again._state().warnings == ()


def test_whoever_holds_a_key_down_is_told_that_it_is_one_note(seconds: Seconds) -> None:
    shown, link = front._Front(default_session(), PlayOptions(quiet_screen=True, typing=True)), Link()
    shown.link = link  # type: ignore[assignment]
    for at_ms in (0, *range(500, 5_400, 40)):
        shown._strike(Char(at_ms * 1_000_000, ROOT_KEY))
    assert shown.note == ""  # a long note is a note
    for at_ms in range(5_400, 6_000, 40):
        shown._strike(Char(at_ms * 1_000_000, ROOT_KEY))
    assert shown.note == front.HELD_KEY
    assert sum(type(message) is PadNote for message in link.said) == 2  # the second was taken back


class Link:
    """An engine's end that keeps what it is told."""

    engine_minus_front_ns = 0

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
    shown.link = link  # type: ignore[assignment]
    shown._watch()
    seconds.now_s += 3600.0  # the whole program was stopped from outside, the engine was not
    shown._watch()
    assert not link.killed
    for _ in range(100):
        seconds.now_s += 0.1
        shown._watch()
    assert link.killed and shown.died


class ReadyLink(Link):
    """An engine that is ready at once."""

    def __init__(self, ready: Ready) -> None:
        super().__init__()
        self.inbox: queue.SimpleQueue[Ready] = queue.SimpleQueue()
        self.inbox.put(ready)

    def measure_offset(self) -> None:
        pass


class SlowLink(Link):
    """An engine that says nothing for a while, then goes."""

    def __init__(self, clock: Seconds, silent_s: float) -> None:
        super().__init__()
        self.inbox, self._clock, self._until_s = self, clock, clock.now_s + silent_s

    def measure_offset(self) -> None:
        pass

    def get(self, *, block: bool, timeout: float) -> None:
        self._clock.now_s += timeout
        if self._clock.now_s < self._until_s:
            raise queue.Empty


@pytest.mark.parametrize(("audio", "silent_s", "n_said"), [("auto", 10.0, 1), ("auto", 1.0, 0), ("none", 10.0, 0)])
def test_a_long_wait_for_the_sounds_is_explained_once(
    audio: str, silent_s: float, n_said: int, seconds: Seconds, capsys: pytest.CaptureFixture[str]
) -> None:
    shown = front._Front(default_session(), PlayOptions(quiet_screen=True, audio=audio))
    shown.link = SlowLink(seconds, silent_s)  # type: ignore[assignment]
    shown._open()
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
    shown.link = link  # type: ignore[assignment]
    shown.note = "paused; p goes on"
    shown._command(Char(0, "p"))
    assert shown.note == "" and link.said == [Command("toggle")]


def test_counted_back_into_a_chorus_the_screen_and_the_root_key_are_there_already(
    seconds: Seconds, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(front, "perf_counter_ns", lambda: 0)
    shown, link = front._Front(default_session(), PlayOptions(quiet_screen=True, typing=True)), Link()
    shown.link = link  # type: ignore[assignment]
    top = shown.chart.bars[28]  # chorus 3, bar 5
    assert (top.chorus, top.degrees) == (3, ("IV",))

    def place(beats: float) -> None:
        shown.place = Place(0, "count_in", beats, top.idx, 96.0)

    place(-0.1)
    assert shown._state().bar == top and shown._state().counting_in
    shown._strike(Char(0, ROOT_KEY))
    assert [message.pitch % 12 for message in link.said] == [0]  # a C, just before its bar
    shown._strike(Char(10**9, "a"))
    assert [message.velocity for message in link.said] == [PICKED_VELOCITY, PAD_VELOCITY]  # told apart in the take
    place(0.02)  # the count is over and the next word from the engine is on its way
    assert shown._beats_at(0) == pytest.approx(top.onset_beats + 0.02)
    assert shown._state().bar == top and not shown._state().counting_in
    shown.place = Place(0, "count_in", -0.3, -1, 96.0)  # the first count of all
    assert shown._state().bar == shown.chart.bars[0] and shown._beats_at(0) == pytest.approx(-0.3)


def test_what_a_key_did_is_said_for_a_while_then_what_is_heard_again(seconds: Seconds) -> None:
    shown, link = front._Front(default_session(), PlayOptions(quiet_screen=True, typing=True)), Link()
    shown.link = link  # type: ignore[assignment]
    shown._command(Char(0, "m"))
    said = render(shown._state(), 80, 24).plain
    assert "drums muted" in said and "computer keyboard" not in said
    seconds.now_s += NEWS_SHOWN_S
    later = render(shown._state(), 80, 24).plain
    assert "drums muted" not in later and "computer keyboard" in later


def test_the_pages_address_stays_on_the_screen(seconds: Seconds) -> None:
    """It is printed before the screen comes, for a moment: a tablet across the room has to be told it later too."""
    shown = front._Front(default_session(), PlayOptions(quiet_screen=True, typing=True))
    assert shown._state().source == "computer keyboard"
    with contextlib.closing(PageLink(shown.chart, "127.0.0.1")) as page:
        shown.page = page
        assert f"computer keyboard · page: {page.url}" in render(shown._state(), 80, 24).plain


def test_pedal_keys_and_tablets_ask_for_the_same_and_the_screen_says_who(seconds: Seconds) -> None:
    """Three tablets, a pedal and a key at once: each is obeyed in its turn, nothing is lost, the last word stands."""
    shown, link = front._Front(default_session(), PlayOptions(quiet_screen=True)), Link()
    shown.link = link  # type: ignore[assignment]
    tempo = shown.session.tempo_bpm
    shown._heard(PagePress("faster", "tablet 1"))
    shown._heard(PagePress("faster", "tablet 2"))
    shown._heard(Pressed("faster", "foot board"))
    shown._command(Char(0, "up"))
    assert shown.next_tempo_bpm == tempo + 8.0
    for port, action in (("left board", "slower"), ("right board", "slower"), ("left board", "faster")):
        shown._heard(Pressed(action, port))
    assert shown.next_tempo_bpm == tempo + 6.0 and shown.note == f"left board: next run at {tempo + 6:g} bpm"
    shown._heard(Pressed("faster", "right board"))
    shown._heard(PagePress("slower", "tablet 3"))
    assert shown.note == f"tablet 3: next run at {tempo + 6:g} bpm"
    called = front._Front(default_session(), PlayOptions(quiet_screen=True, keeps_tempo=True))
    called._heard(PagePress("slower", "tablet 1"))
    assert called.next_tempo_bpm is None and called.note == f"tablet 1: this is played at {tempo:g} bpm"
    shown._heard(PagePress("volume", "tablet 2", "drums", 0.4))
    assert shown.mix["drums"].volume_frac == 0.4 and shown.note == "tablet 2: drums 40"
    shown._heard(PagePress("mute", "tablet 1", "keys", 1))
    assert shown.mix["keys"].muted and shown.note == "tablet 1: keys muted"
    assert len([m for m in link.said if isinstance(m, Mix)]) == 2
    shown._heard(PagePress("volume", "tablet 1", "kazoo", 1.0))
    shown._heard(PagePress("start", "tablet 1"))  # too late: the song runs
    assert shown.note == "tablet 1: keys muted" and shown.asked_to_end is None
    shown._heard(Pressed("again", "foot board"))
    shown._heard(PagePress("stop", "tablet 2"))  # the last press wins
    assert shown.asked_to_end == "stopped" and shown.asked == ""
    assert [m for m in link.said if isinstance(m, Command)] == [Command("stop")] * 2
    assert f"tablet 2: {shown.note.split(': ')[1]}" in render(shown._state(), 80, 24).plain


def test_that_one_marks_the_bar_just_heard(seconds: Seconds, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(front, "perf_counter_ns", lambda: 0)
    shown, link = front._Front(default_session(), PlayOptions(quiet_screen=True)), Link()
    shown.link = link  # type: ignore[assignment]
    for beats in (-3.0, 17.5, 17.9, 48.2):  # the last: bar 12 of chorus 1, bar 1 has only begun
        shown.place = Place(0, "paused", beats, 4, 96.0)
        shown._command(Char(int(beats * 1e9), "t"))
    assert shown.marked == [(1, 5), (1, 12)]
    assert link.said[-1] == Facts({"marked": [[1, 5], [1, 12]]})
    assert shown.note == "marked: chorus 1 bar 12"


def test_a_question_mark_lists_the_keys_and_takes_the_list_away(seconds: Seconds) -> None:
    shown = front._Front(default_session(), PlayOptions(quiet_screen=True, calm=True))
    shown._command(Char(0, "?"))
    for width, height in ((80, 24), (120, 40)):
        plain = render(shown._state(), width, height).plain
        assert "Page Down" in plain and "that one" in plain and "│  1" not in plain
    shown._command(Char(10**9, "?"))
    assert "Page Down" not in render(shown._state(), 80, 24).plain
