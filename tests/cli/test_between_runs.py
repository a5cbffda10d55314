"""Between the runs of an evening, a night, a worksheet: what was asked at once holds, and leaving leaves."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, cast

import pytest

from tests.cli.conftest import Outcome
from trainer.cli.breath import Coming
from trainer.cli.desk import Desk
from trainer.errors import PortError
from trainer.line import Feel, StandIn, planned_song
from trainer.live import PlayOptions, PlayResult, play_offline
from trainer.page import PageLink
from trainer.practice.results import read_result
from trainer.session import Session, expand
from trainer.take import save_take

Command = Callable[..., Outcome]
SHEET = """title = "Week"
[[task]]
title = "one"
drill = "roots"
key = "A"
times = 3
[[task]]
title = "two"
drill = "roots"
key = "G"
"""


class Stand:
    """In place of the page."""

    def close(self) -> None: ...


@pytest.fixture
def asked(monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[..., list[Coming]]]:
    """Say what is asked between the runs, in turn, then nothing but to leave; what was coming each time."""

    def answers(*said: str | type[BaseException], stand: bool = False) -> list[Coming]:
        rest, seen = iter(said), []

        def before(desk: Desk, coming: Coming) -> tuple[str, float | None]:
            seen.append(coming)
            answer = next(rest, "leave")
            if not isinstance(answer, str):
                raise answer
            return answer, coming.tempo_bpm

        monkeypatch.setattr(Desk, "before", before)
        if stand:
            monkeypatch.setattr("trainer.cli.desk.stand_page", lambda *_: cast(PageLink, Stand()))
        return seen

    yield answers


def playing(monkeypatch: pytest.MonkeyPatch, *results: PlayResult) -> list[Session]:
    """Runs that come out so, in turn, then with a stand-in's take; the sessions that were played."""
    rest, played = iter(results), []

    def play(session: Session, options: PlayOptions) -> PlayResult:
        played.append(session)
        result = next(rest, None)
        if result is not None:
            return result
        take = play_offline(session, StandIn(Feel()).play(planned_song(expand(session), 1)), options)
        return PlayResult("completed", save_take(take, options.takes_dir).path, take)

    monkeypatch.setattr("trainer.live.play", play)
    return played


def test_a_drill_that_was_made_slower_is_left_out_all_the_same_and_comes_again_at_that_tempo(
    command: Command, asked: Any, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    folder = tmp_path / "takes"
    plan = json.loads(command("practice", "--minutes", "40", "--takes", folder, "--json").out)["pieces"]
    asked(*["start"] * 40)
    played = playing(monkeypatch, *[PlayResult("stopped", next_tempo_bpm=61.0, asked="next")] * 40)
    assert command("practice", "--minutes", "40", "--takes", folder, "--no-audio").status == 0
    assert len(played) == sum(piece["drill"] is not None for piece in plan) + 1  # each once, and the song
    asked("start", "again", "start")
    played = playing(monkeypatch, PlayResult("completed", next_tempo_bpm=61.0), *[PlayResult("completed")] * 2)
    command("practice", "--takes", folder, "--no-audio")
    assert played[0].tempo_bpm != 61.0 == played[1].tempo_bpm


def test_only_what_something_else_comes_after_can_be_put_off(command: Command, asked: Any, tmp_path: Path) -> None:
    seen = asked(*["skip"] * 40)
    assert command("practice", "--takes", tmp_path, "--no-audio").status == 0
    assert seen[-1].name.startswith("Now a song") and ["later" in coming.may for coming in seen[-3:]] == [1, 0, 0]


def test_in_a_worksheet_n_goes_on_to_the_next_task_before_and_during_one(
    command: Command, asked: Any, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    sheet = tmp_path / "week.toml"
    sheet.write_text(SHEET, encoding="utf-8")
    run = ("worksheet", "run", sheet, "--takes", tmp_path / "takes", "--no-audio")
    for before, results in ((("start", "start"), [PlayResult("stopped", asked="next")]), (("skip", "start"), [])):
        seen = asked(*before)
        played = playing(monkeypatch, *results)
        done = command(*run)
        assert [session.key.name for session in played] == (["A", "G"] if results else ["G"])
        assert [coming.title.split(",")[0] for coming in seen][:1] == ["Task 1 of 2"] and len(seen) == 2
        assert done.status == 0 and "Stopped: 1 of 4 takes are in the result" in done.out
        assert ("Left out; on to the next task." in done.out) is bool(results)


def test_what_was_played_of_a_worksheet_is_handed_in_however_it_is_left(
    command: Command, asked: Any, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """The result is there before anybody waits at its end, and after Ctrl-C between two runs; who leaves is not asked
    again."""
    sheet, result = tmp_path / "week.toml", tmp_path / "a.result"
    sheet.write_text(SHEET, encoding="utf-8")
    run = ("worksheet", "run", sheet, "--takes", tmp_path / "takes", "--no-audio", "--out", result)
    for answers, stand, status in (
        (("start", KeyboardInterrupt), False, 130),
        (("start", "leave", KeyboardInterrupt), True, 0),
        (("skip", "start", KeyboardInterrupt), True, 130),
    ):
        result.unlink(missing_ok=True)
        asked(*answers, stand=stand)
        playing(monkeypatch)
        assert command(*run).status == status and result.exists()


def test_what_was_played_of_a_worksheet_is_handed_in_when_a_later_run_fails(
    command: Command, asked: Any, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    sheet, result = tmp_path / "week.toml", tmp_path / "a.result"
    sheet.write_text(SHEET, encoding="utf-8")
    asked("start", PortError("the input has gone; connect it again"))
    playing(monkeypatch)
    done = command("worksheet", "run", sheet, "--takes", tmp_path / "takes", "--no-audio", "--out", result)
    assert done.status == 2 and "the input has gone" in done.err and "1 of 4 takes" in done.out
    assert len(read_result(result).tasks) == 1


def test_who_leaves_a_night_is_not_asked_again(
    command: Command, asked: Any, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    seen = asked("leave", stand=True)
    assert command("stage", "--seed", "23", "--takes", tmp_path, "--no-audio").status == 0 and len(seen) == 1


def test_whatever_is_said_of_a_night_its_json_is_json(
    command: Command, asked: Any, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    asked("start")
    playing(monkeypatch, PlayResult("stopped", warnings=("the card stumbled",)))
    done = command("stage", "--seed", "23", "--json", "--takes", tmp_path, "--no-audio")
    assert json.loads(done.out) == [] and "the card stumbled" in done.err
