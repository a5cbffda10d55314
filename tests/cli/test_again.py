"""From one run to the next: the end screen, the same again at the tempo now set, and whether it got better."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from tests.engine.on_a_terminal import on_terminal, wait_until
from trainer.cli import again
from trainer.cli.again import Sitting
from trainer.cli.between import Ask, better_line, end_lines
from trainer.line import Feel, Slip, StandIn, planned_song
from trainer.live import PlayOptions, PlayResult, play_offline
from trainer.practice.worst import loop_card, loop_session, worst_bars, worst_bars_session
from trainer.resources import session_names, session_path
from trainer.scoring import score
from trainer.session import Session, default_session, expand, load_session
from trainer.take import Take

SESSION = default_session()


def played(session: Session, feel: Feel, seed: int = 3) -> Take:
    return play_offline(session, StandIn(feel, seed).play(planned_song(expand(session), seed)))


BAD = Feel(swing_ratio=1.3, missed_frac=0.45, jitter_sd_ms=34.0, lateness_ms=41.0, slips=(Slip(2, 5, 2, 9),))


@pytest.mark.parametrize("name", session_names())
@pytest.mark.parametrize("feel", [Feel(), BAD])
def test_the_end_screen_fits_eighty_by_twenty_four(name: str, feel: Feel) -> None:
    """The four lines are whole, each drill's command stands on a line by itself, and there is room for what is
    asked."""
    card = score(played(load_session(session_path(name)), feel))
    lines = end_lines(card, ["Take kept: /home/somebody/.local/share/x/takes/2026-11-28-20-15-" + name + ".mid"])
    assert len(lines) <= 20 and max(map(len, lines)) <= 100
    assert [sum(line.startswith(word) for line in lines) for word in ("Feel:", "Time:", "Landing:", "Form and")] == [
        1
    ] * 4
    drills = [line for line in lines if "trainer drill" in line]
    assert all(line.strip().startswith("trainer drill ") for line in drills)
    assert len(drills) == min(len(card.verdict.to_dict()["advice"]), len(drills)) and (drills or feel is not BAD)
    over = [line for line in lines if len(line) > 80]
    assert all(line.startswith("trainer drill ") for line in over)  # a command is never broken


def test_a_loop_is_compared_with_the_same_bars_of_the_song() -> None:
    """Bars 9 to 12 of every chorus on the loop's own axis: the same changes, the same lateness."""
    take = played(SESSION, Feel(lateness_ms=15.0, jitter_sd_ms=4.0))
    whole, part = score(take), loop_card(take, 9, 12)
    n = expand(SESSION).n_choruses
    assert part.chart is not None and (part.chart.n_choruses, len(part.chart.bars)) == (n, 4 * n)
    assert part.timing.mean_s.value == pytest.approx(whole.timing.mean_s.value, abs=0.006)
    items = [item for item in whole.landing.items if item.bar >= 9]
    assert part.landing.total.roots == pytest.approx(sum(item.outcome == "root" for item in items), abs=n)


def test_whether_it_got_better_is_said_with_its_doubt() -> None:
    before = loop_card(played(SESSION, Feel(missed_frac=0.6, jitter_sd_ms=30.0)), 5, 8)
    after = score(played(loop_session(SESSION, (5, 8), times=12), Feel(jitter_sd_ms=6.0)))
    line = better_line(before, after, (5, 8))
    assert line.startswith("Bars 5–8: roots ") and "better" in line and "spread better" in line and "[" in line
    same = better_line(before, before, (5, 8))
    assert "no clear difference yet" in same and "better" not in same.split(": ", 1)[1].replace("spread", "")
    worse = better_line(after, before, (5, 8))
    assert "worse" in worse
    empty = score(replace(played(loop_session(SESSION, (5, 8)), Feel()), notes=played(SESSION, Feel()).notes[:0]))
    assert "too few notes" in better_line(before, empty, (5, 8)) or "–" not in better_line(before, empty, (5, 8))


def test_the_bars_are_heard_again_at_the_tempo_now_set() -> None:
    take = played(SESSION, Feel(missed_frac=0.3))
    found = worst_bars(score(take))
    assert found is not None
    slow, at_pace = (worst_bars_session(replace(SESSION, tempo_bpm=bpm), take, *found) for bpm in (72.0, 96.0))
    assert slow[0].tempo_bpm == 72.0
    onsets = [[second for second, data in rows if data[0] == 0x90] for rows in (slow[1], at_pace[1])]
    assert onsets[0] == pytest.approx([second * 96.0 / 72.0 for second in onsets[1]], abs=1e-6)


class Script:
    """In place of the engine and of everybody's hands: results in turn, presses in turn; what was played is kept."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, results: list[Any], asks: list[str]) -> None:
        self.runs: list[Session] = []
        self._asks = [Ask(what) for what in asks]
        script = self

        class Hands:
            def __init__(self, options: PlayOptions) -> None: ...

            def __enter__(self) -> Any:
                return self

            def __exit__(self, *_: object) -> None: ...

            def wait(self) -> Ask:
                return script._asks.pop(0)

        def play(session: Session, options: PlayOptions) -> PlayResult:
            self.runs.append(session)
            self.options = options
            feel, result = results[len(self.runs) - 1]
            return replace(result, take=played(session, feel))

        monkeypatch.setattr(again, "Hands", Hands)
        monkeypatch.setattr("trainer.live.play", play)
        monkeypatch.setattr(Sitting, "_may_ask", lambda self: True)


def test_tempo_keys_are_obeyed_by_the_song_the_bars_and_the_hearing(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    done, poor = PlayResult("completed"), Feel(missed_frac=0.4)
    asks = ["faster", "again", "next", "hear", "slower", "next", "leave"]
    results = [
        (poor, done), (poor, done), (Feel(), replace(done, next_tempo_bpm=108.0)), (poor, done), (poor, done),
    ]  # fmt: skip
    script = Script(monkeypatch, results, asks)
    assert Sitting(SESSION, "x", PlayOptions(), lambda session, options: options).run() == 0
    assert [run.tempo_bpm for run in script.runs] == [96.0, 98.0, 98.0, 108.0, 106.0]
    assert [run.loop is not None for run in script.runs] == [False, False, True, True, False]
    said = capsys.readouterr().out
    assert said.count("next run at") == 2 and "go round bars" in said and "the song again" in said
    assert "roots" in said.split("Bars ")[-2] or "roots" in said


def test_a_loop_goes_on_until_it_is_told_to_stop(monkeypatch: pytest.MonkeyPatch) -> None:
    """Three takes to their ends, the fourth is stopped; nobody there is no reason to go on."""
    from trainer.cli.choosing import going_round
    from trainer.take.sound_file import MAX_MINUTES

    looped = replace(SESSION, loop=(9, 12))
    minutes = expand(going_round(looped)).end_beats / looped.tempo_bpm
    assert 15.0 <= minutes < 16.0 < MAX_MINUTES, "a bass's recording of it can be heard once more"
    assert len(expand(going_round(replace(looped, loop=(9, 9), tempo_bpm=240.0))).bars) == 901
    done, poor = PlayResult("completed"), Feel(missed_frac=0.4)
    short = replace(loop_session(SESSION, (9, 12)), title="round")
    script = Script(monkeypatch, [(poor, done)] * 3 + [(poor, PlayResult("stopped"))], ["leave"])
    Sitting(short, "x", PlayOptions(open_end=True), lambda session, options: options).run()
    assert len(script.runs) == 4 and script.options.open_end
    empty = Script(monkeypatch, [(Feel(missed_frac=1.0), done)], ["leave"])
    monkeypatch.setattr("trainer.live.play", lambda session, options: empty.runs.append(session) or done)
    Sitting(short, "x", PlayOptions(open_end=True), lambda session, options: options).run()
    assert len(empty.runs) == 1


def test_again_in_the_middle_begins_at_once_and_next_goes_to_the_bars(monkeypatch: pytest.MonkeyPatch) -> None:
    poor = Feel(missed_frac=0.4)
    stopped = PlayResult("stopped", asked="again", next_tempo_bpm=104.0)
    on = PlayResult("stopped", asked="next", marked=((2, 6),))
    script = Script(
        monkeypatch,
        [(poor, stopped), (poor, on), (poor, PlayResult("stopped", asked="next")), (poor, PlayResult("completed"))],
        ["leave"],
    )
    Sitting(SESSION, "x", PlayOptions(), lambda session, options: options).run()
    assert [(run.tempo_bpm, run.loop) for run in script.runs] == [
        (96.0, None), (104.0, None), (104.0, (5, 8)), (104.0, None),
    ]  # fmt: skip


def test_on_a_terminal_the_same_is_played_again_from_the_end_screen(tmp_path: Path) -> None:
    """The real program: a song to its end without a note, `e` and it counts in once more, `q` and it is left."""
    arguments = [
        "play",
        "--choruses",
        "1",
        "--bpm",
        "240",
        "--form",
        "eight_bar",
        "--no-audio",
        "--takes",
        str(tmp_path),
    ]
    with on_terminal(arguments, dict(os.environ)) as program:
        wait_until(lambda: "e  again, 240 bpm" in program.text, "the end screen")
        program.type("\x1b[B")
        wait_until(lambda: "next run at 238 bpm" in program.text, "the tempo")
        program.type("e")
        wait_until(lambda: program.text.count("\x1b[?1049h") == 2, "the second run")
        wait_until(lambda: "238 bpm" in program.text.split("\x1b[?1049h")[-1], "its tempo")
        program.type("q")
        assert program.wait() == 0
