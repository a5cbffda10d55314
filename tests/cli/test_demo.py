"""The demo: what goes into the stand-in comes out of the ears, offline and live."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import mido
import numpy as np
import pytest

from tests.cli.conftest import Outcome
from tests.engine.on_a_terminal import on_terminal, wait_until
from trainer.line import Feel, StandIn, planned_song
from trainer.line.stand_in import changes_of
from trainer.live import PlayResult, play_offline
from trainer.practice.worst import worst_bars, worst_bars_session
from trainer.scoring import score
from trainer.session import default_session, expand, session_from_dict

Command = Callable[..., Outcome]


@pytest.mark.parametrize(("late", "ratio"), [(6.0, 1.8), (-15.0, 2.6)])
def test_figures_agree_with_the_feel(command: Command, late: float, ratio: float) -> None:
    """Over five seeds: the mean error is within what 10 ms of correlated jitter allows (3 standard errors)."""
    late_errors, log_ratio_errors = [], []
    for seed in range(1, 6):
        done = command("demo", "--offline", "--json", "--seed", seed, "--late", late, "--ratio", ratio)
        assert done.status == 0
        card = json.loads(done.out)
        late_errors.append(card["timing"]["mean_ms"] - late)
        log_ratio_errors.append(np.log2(card["swing"]["ratio"] / ratio))
        low, high = card["timing"]["mean_ci95_ms"]
        assert low < card["timing"]["mean_ms"] < high
    assert abs(np.mean(late_errors)) < 3.0
    assert abs(np.mean(log_ratio_errors)) < 0.05


def test_the_misses_that_were_put_in_are_the_ones_found(command: Command) -> None:
    card = json.loads(command("demo", "--offline", "--json", "--missed", "0.2").out)
    put_in = {(m["chorus"], m["bar"]) for m in card["stand_in"]["missed"]}
    items = card["landing"]["items"]
    judged = {(i["chorus"], i["bar"]) for i in items if i["outcome"] not in ("turnaround", "pedal", "not_asked")}
    found = {(i["chorus"], i["bar"]) for i in items if i["outcome"] in ("other", "silent")}
    assert put_in & judged
    assert len(found ^ (put_in & judged)) <= 1


def test_a_perfect_stand_in_is_scored_as_perfect(command: Command) -> None:
    card = json.loads(
        command("demo", "--offline", "--json", "--late", "0", "--ratio", "2", "--jitter", "0", "--missed", "0").out
    )
    assert abs(card["timing"]["mean_ms"]) < 2.5  # against the drums, which vary as people do
    assert card["swing"]["ratio"] == pytest.approx(2.0, abs=0.02)
    assert card["landing"]["root_rate"] == 1.0


def test_the_same_seed_gives_the_same_card(command: Command) -> None:
    first, second = (command("demo", "--offline", "--json", "--choruses", "2").out for _ in range(2))
    assert first == second


def test_words_put_both_beside_each_other(command: Command) -> None:
    lines = command("demo", "--offline", "--choruses", "2").out.splitlines()
    assert lines[0].split() == ["put", "in", "found"]
    assert lines[1].startswith("lateness         +6.00 ms")
    assert lines[2].startswith("swing            1.80:1")
    assert " of " in lines[3] and lines[3].endswith("judged")
    assert any(line.startswith("Landing: ") for line in lines)


def test_choruses_that_are_only_listened_to_are_in_neither_column(command: Command, tmp_path: Path) -> None:
    plan = [{"role": "verse"}, {"role": "solo", "times": 2, "heard": True}]
    chart = expand(session_from_dict({"chorus": plan}))
    path = tmp_path / "one-of-three.toml"
    path.write_text('[[chorus]]\nrole = "verse"\n[[chorus]]\nrole = "solo"\ntimes = 2\nheard = true\n')
    line = command("demo", path, "--offline").out.splitlines()[3]
    asked = sum(change.chorus == 1 for change in changes_of(chart))
    assert asked < len(changes_of(chart)) / 2 and f" of {asked} " in line


def test_a_session_with_nothing_to_play_is_refused_before_the_band_counts_in(command: Command, tmp_path: Path) -> None:
    path = tmp_path / "call.toml"
    path.write_text('[[chorus]]\nrole = "verse"\nheard = true\n[[chorus]]\nrole = "verse"\n')
    assert command("demo", path, "--offline").status == 0
    done = command("demo", path, "--offline", "--choruses", "1")
    assert done.status == 2 and done.out == ""
    assert done.err.count("\n") == 1 and "call.toml: chorus: found heard = true in every chorus; allowed:" in done.err


def test_the_take_is_kept_where_asked(command: Command, tmp_path: Path) -> None:
    done = command("demo", "--offline", "--choruses", "1", "--takes", tmp_path / "kept")
    (path,) = (tmp_path / "kept").glob("*.mid")
    assert str(path) in done.err
    assert [track.name for track in mido.MidiFile(path).tracks][1:] == ["bass", "band"]
    assert command("score", path).status == 0


@pytest.mark.parametrize("arguments", [("--late", "900"), ("--ratio", "0.5"), ("--jitter", "-1"), ("--missed", "2")])
def test_impossible_feels_are_refused(command: Command, arguments: tuple[str, str]) -> None:
    done = command("demo", "--offline", *arguments)
    assert done.status == 2
    assert done.err.startswith(f"trainer: {arguments[0]} ")


def test_worst_bars_are_a_line_of_four_and_can_be_heard_again() -> None:
    session = default_session()
    performance = StandIn(Feel(missed_frac=0.2), 5).play(planned_song(expand(session), 5))
    take = play_offline(session, performance)
    found = worst_bars(score(take))
    assert found is not None
    chorus, first, last = found
    assert (first, last) in ((1, 4), (5, 8), (9, 12))
    again, script = worst_bars_session(session, take, chorus, first, last)
    start_s = float(take.tempo.seconds_at(48.0 * (chorus - 1) + 4.0 * (first - 1)))
    onsets = take.notes["onset_s"] - start_s
    expected = onsets[(onsets > -0.3) & (onsets < 4 * 4 * 60 / 96 - 0.16)]
    heard = [second for second, data in script if data[0] == 0x90]
    assert heard == pytest.approx(expected.tolist())
    replayed = play_offline(again, script)
    assert len(replayed.notes) == len(heard)


def test_the_demo_says_its_warnings_again_when_the_screen_is_gone(
    command: Command, monkeypatch: pytest.MonkeyPatch
) -> None:
    take = play_offline(default_session(), StandIn(Feel(), 5).play(planned_song(expand(default_session()), 5)))
    warnings = ("no sound: no output found; the band is on the screen alone",)
    for played, status in ((take, "completed"), (None, "stopped"), (None, "fault")):
        result = PlayResult(status, None, played, warnings, None)
        monkeypatch.setattr("trainer.live.play", lambda session, options, result=result: result)
        done = command("demo")
        assert done.out.startswith(f"Note: {warnings[0]}\n")
        assert ("put in" in done.out) == (played is not None)
        assert done.status == (2 if status == "fault" else 0)
    done = command("demo", "--json")
    assert done.out == "" and warnings[0] in done.err


def test_the_live_demo_on_a_terminal_without_any_device(own_folders: Path) -> None:
    """No sound, no MIDI: it says so and plays on with the count on the screen; the figures come at the end."""
    import os

    arguments = ["demo", "--no-audio", "--choruses", "1", "--loop", "1-2", "--bpm", "240"]
    with on_terminal(arguments, dict(os.environ)) as program:
        wait_until(lambda: program.process.poll() is not None, "the demo to end", 60.0)
        assert program.process.returncode == 0, program.text
        assert "COUNT-IN" in program.text
        assert "put in" in program.text and "Landing" in program.text
    assert not (own_folders / "data").exists()  # a demo leaves nothing behind
