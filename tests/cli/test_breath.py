"""The breath between two runs: what is pressed by several at once, what stands there, and that it fits a terminal."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from itertools import combinations
from typing import Any, cast

import pytest

from trainer.cli import breath as room
from trainer.cli.breath import Coming, breath, breath_desk
from trainer.cli.desk import Desk
from trainer.cli.running import Surroundings
from trainer.cli.waiting import BREATH_S, OPENING_S
from trainer.live import PlayOptions
from trainer.page import Between, PageLink, PagePress

MAY = ("again", "skip", "later")


class Stand:
    """In place of the page: what is shown there, and three tablets' presses, once somebody hears them."""

    def __init__(self, *presses: PagePress) -> None:
        self.shown: list[Between] = []
        self.on_press: Callable[[PagePress], None] = lambda press: None
        self._nobody = self.on_press
        self._presses = presses
        threading.Thread(target=self._press, daemon=True).start()

    def _press(self) -> None:
        while self.on_press is self._nobody:
            time.sleep(0.005)
        for press in self._presses:
            self.on_press(press)

    def show(self, coming: Coming, left_s: Callable[[], float | None]) -> None:
        self.shown.append(breath_desk(coming, ["Good."], left_s(), played=True, report=False))


def asked(stand: Stand, coming: Coming, report: bool = False) -> tuple[str, float | None]:
    options = PlayOptions(stand=cast(PageLink, stand))
    return breath(options, coming, stand.show, lambda: report)


def test_three_tablets_at_once_are_heard_in_their_order_and_named(capsys: pytest.CaptureFixture[str]) -> None:
    """Nothing is lost; what was said last stands; what cannot be had here is passed over."""
    presses = ("faster", 1), ("faster", 2), ("mark", 3), ("later", 3), ("slower", 2), ("hold", 1), ("skip", 3)
    stand = Stand(*(PagePress(do, f"tablet {n}") for do, n in presses))
    assert asked(stand, Coming("One", tempo_bpm=96.0, may=("again", "skip"))) == ("skip", 98.0)
    said = capsys.readouterr().out.splitlines()
    assert said == ["tablet 1: 98 bpm", "tablet 2: 100 bpm", "tablet 2: 98 bpm", "tablet 3: leave this one out"]
    assert [desk.title for desk in stand.shown] == [f"One, {bpm} bpm" for bpm in (96, 98, 100, 98, 98)]
    assert stand.shown[0].starts_in_s == pytest.approx(8.0, abs=0.5) and stand.shown[-1].starts_in_s is None
    assert [do for do, _ in stand.shown[0].hands] == [
        "start", "again", "skip", "slower", "faster", "hold", "report", "leave",
    ]  # fmt: skip


def test_pedals_mean_the_same_there_and_what_nobody_stops_begins() -> None:
    """On is on, stop leaves; a foot switch has no other name for it."""
    for do, answer in (("next", "start"), ("stop", "leave"), ("again", "again")):
        assert asked(Stand(PagePress(do, "board")), Coming("One", may=MAY))[0] == answer
    assert asked(Stand(), Coming("One", seconds=0.2)) == ("start", None)
    held = Stand(PagePress("report", "tablet 1"), PagePress("start", "tablet 1"))
    begun = time.monotonic()
    assert asked(held, Coming("One", seconds=60.0), report=True)[0] == "start" and time.monotonic() - begun < 30.0
    assert held.shown[-1].starts_in_s is None  # whoever reads is not hurried
    over = Stand(PagePress("start", "tablet 1"), PagePress("leave", "tablet 1"))
    assert asked(over, Coming("That was it", starts="", held=True))[0] == "leave"


def test_what_can_be_pressed_fits_a_terminal_and_is_all_listed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sys.stdin.isatty", lambda: True, raising=False)
    monkeypatch.setattr("sys.stdout.isatty", lambda: True, raising=False)
    for n in range(4):
        for may in combinations(MAY, n):
            line = room._line(Coming("One", tempo_bpm=96.0, may=may), 8.0)
            assert len(line) < 80 and line.startswith("Starts in 8 s.  Enter now") and line.endswith("q leave  ? keys")
            assert all(
                f"{key} " in line for what, key in (("skip", "n"), ("later", "l"), ("again", "e")) if what in may
            )
    assert room._line(Coming("A break", starts="On we go"), 120.0) == (
        "On we go in 2:00.  Enter now  p wait  q leave  ? keys"
    )
    assert room._line(Coming("That was it", starts="", held=True, may=("again",)), None) == "e again  q leave  ? keys"
    asks = {*room.KEYS.values()} - {"help"}
    assert asks == {what for what, *_ in room.OFFERED}


def test_with_a_page_the_first_run_begins_by_itself_after_time_to_open_it(monkeypatch: pytest.MonkeyPatch) -> None:
    seconds: list[tuple[float, bool]] = []

    def seen(_: PlayOptions, coming: Coming, *_rest: Any) -> tuple[str, float | None]:
        seconds.append((coming.seconds, coming.held))
        return "start", coming.tempo_bpm

    monkeypatch.setattr("trainer.cli.desk.breath", seen)
    desk = Desk(Surroundings())
    desk.stand, desk._options = cast(PageLink, object()), PlayOptions()
    for name in ("This evening", "Run 1"):
        assert desk.before(Coming(name)) == ("start", None)
    assert seconds == [(OPENING_S, False), (BREATH_S, False)]


def test_what_is_pressed_as_soon_as_it_can_be_seen_is_heard() -> None:
    """While the last one's page is still being made too."""
    stand = Stand()

    def show(coming: Coming, left_s: Callable[[], float | None]) -> None:
        stand.on_press(PagePress("skip", "tablet 1"))

    coming = Coming("One", may=("skip",), seconds=0.5)
    assert breath(PlayOptions(stand=cast(PageLink, stand)), coming, show, lambda: False)[0] == "skip"
