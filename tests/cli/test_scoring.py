"""`trainer score` on files from elsewhere: where they begin, and what is not asked of them."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import mido
import pytest

from tests.cli.conftest import Outcome
from trainer.clock import TempoMap
from trainer.line import Feel, StandIn, model_line
from trainer.report.figures import with_commands
from trainer.session import ChorusPlan, Session, expand
from trainer.take import Take, read_take, write_take

Command = Callable[..., Outcome]

SESSION = """
form = "quick_change_12"
count_in_bars = 0
[[chorus]]
role = "verse"
times = 3
"""


def file_from_bar(bar: int, folder: Path, *, n_bars: int = 99) -> Path:
    """The stand-in's three choruses from a bar of the first on, as a file that says nothing of where it begins."""
    session = Session(count_in_bars=0, choruses=(ChorusPlan("verse", 3, (0.5,) * 3),))
    chart = expand(session)
    notes = StandIn(Feel(missed_frac=0.0), seed=3).play(model_line(chart, device="boogie_figure", seed=3)).notes
    tempo = TempoMap(chart.tempo_segments)
    start_s, end_s = (float(tempo.seconds_at(4.0 * (bar - 1 + bars))) for bars in (0, n_bars))
    kept = notes[(notes["onset_s"] > start_s - 0.1) & (notes["onset_s"] < end_s - 0.1)].copy()
    kept["onset_s"] -= start_s
    return written(Take(kept, tempo), folder, f"from{bar}")


def written(take: Take, folder: Path, stem: str) -> Path:
    """As a file without its Marker (a Text instead), with the session beside it."""
    path = write_take(take, folder, stem)
    path.with_suffix(".json").unlink()
    path.write_bytes(path.read_bytes().replace(b"\xff\x06\x08chorus 1", b"\xff\x01\x08chorus 1"))
    path.with_suffix(".toml").write_text(SESSION, encoding="utf-8")
    return path


def card_of(command: Command, path: Path, *options: str) -> dict[str, Any]:
    done = command("score", path, "--json", *options)
    assert done.status == 0
    card: dict[str, Any] = json.loads(done.out)
    return card


@pytest.mark.parametrize("options", [("--downbeat", "auto"), ("--downbeat=-15.0",)])
def test_bars_before_a_take_begins_are_not_silent(command: Command, tmp_path: Path, options: tuple[str, ...]) -> None:
    """A take from bar 7 on, found by its notes or told in seconds: nothing is asked before it."""
    card = card_of(command, file_from_bar(7, tmp_path), *options)
    before = [item for item in card["landing"]["items"] if item["at_beats"] < 24.0]
    assert len(before) == 4 and {(item["outcome"], item["note"]) for item in before} == {("not_asked", "not_in_yet")}
    assert card["landing"]["landed"] == card["landing"]["changes"] > 15
    assert card["landing"]["outcomes"]["silent"] == 0
    assert card["form"]["lost"] == []
    first, second = card["shape"]["choruses"][:2]
    assert first["notes_per_bar"] == pytest.approx(second["notes_per_bar"], abs=0.5)


def test_how_sure_the_downbeat_is_is_always_said(command: Command, tmp_path: Path) -> None:
    path = file_from_bar(7, tmp_path)
    told = card_of(command, path, "--downbeat", "auto")["take"]["downbeat"]
    assert told["from"] == "auto" and (told["bar"], told["beat"]) == (7, 1.0) and told["sureness"] > 0.9
    said = command("score", path, "--downbeat", "auto").out
    assert "Note: by its notes the take begins in bar 7, on beat 1 (99 % sure)\n" in said
    assert card_of(command, path)["take"]["downbeat"] == {"from": "start of file"}
    said = command("score", path).out
    assert "by its notes" not in said and "it may begin inside a chorus" in said
    assert "elsewhere in the form for a while" not in said  # it is the file's beginning that is wrong, not the player
    assert not re.search(r"\d+ of \d+ changes|bars (behind|ahead)|did you mean", said)
    assert "begin inside" not in command("score", path, "--downbeat=-15.0").out


def test_report_compare_export_and_study_take_the_downbeat_that_the_note_asks_for(
    command: Command, tmp_path: Path
) -> None:
    path = file_from_bar(7, tmp_path)
    page, bars, told = tmp_path / "page.html", tmp_path / "bars.csv", ("--downbeat", "auto")
    asked = f"Say {with_commands('--downbeat')} auto"
    assert command("report", path, "--out", page).status == 0 and asked in page.read_text()
    assert command("report", path, "--out", page, *told).status == 0
    assert "begins in bar 7" in page.read_text() and asked not in page.read_text()
    assert "The form kept" in page.read_text()
    wrong, right = (command("compare", path, path, *more).out for more in ((), told))
    landed = [re.search(r"roots on changes +(\d+) of (\d+)", text) for text in (wrong, right)]
    assert landed[0] is None and landed[1] is not None and landed[1][1] == landed[1][2]
    assert wrong != right
    assert command("export", path, "--measures", bars, *told).status == 0
    rows = bars.read_text().splitlines()
    counts = [int(row.split(",")[8]) for row in rows[1:9]]
    assert counts[:6] == [0] * 6 and min(counts[6:]) > 0
    assert "Note: nearly all of it fits another place" in command("study", path).out
    studied = command("study", path, *told).out
    assert "begins in bar 7" in studied and "chorus 1, bar  7" in studied and "chorus 1, bar  1" not in studied
    done = command("report", path, "--downbeat", "soon")
    assert done.status == 2 and 'found "soon"' in done.err


def test_a_recording_that_begins_elsewhere_does_not_come_into_the_history_unasked(
    command: Command, tmp_path: Path
) -> None:
    """Its changes would be judged in the wrong place, for weeks."""
    path, takes = file_from_bar(7, tmp_path), tmp_path / "takes"
    done = command("import", path, "--takes", takes)
    assert done.status == 2 and "0 of 1 taken in" in done.out and "--downbeat auto" in done.err
    assert "1 of 1 taken in" in command("import", path, "--takes", takes, "--downbeat", "auto").out


def test_an_unsure_downbeat_names_the_second_best(command: Command, tmp_path: Path) -> None:
    """Two bars on one chord could be many places: the share of the next one is said, and what to do."""
    path = file_from_bar(7, tmp_path, n_bars=2)
    told = card_of(command, path, "--downbeat", "auto")["take"]["downbeat"]
    assert told["sureness"] < 0.8 and told["next_best"]["share"] > 0.02
    said = command("score", path, "--downbeat", "auto").out
    assert f"({round(100 * told['sureness'])} % sure), or in bar {told['next_best']['bar']}, on beat" in said
    assert "give the downbeat in seconds" in said


def test_auto_without_a_session_is_the_persons_fault(command: Command, tmp_path: Path) -> None:
    path = file_from_bar(7, tmp_path)
    path.with_suffix(".toml").unlink()
    done = command("score", path, "--downbeat", "auto")
    assert done.status == 2 and "needs a session" in done.err and done.err.count("\n") == 1


def test_auto_with_too_few_notes_is_the_persons_fault(command: Command, tmp_path: Path) -> None:
    whole = read_take(file_from_bar(7, tmp_path))
    path = written(Take(whole.notes[:1], whole.tempo), tmp_path, "short")
    done = command("score", path, "--downbeat", "auto")
    assert done.status == 2 and "found 1 note; expected at least 8" in done.err


def test_coarse_ticks_refuse_what_ranks_times(command: Command, tmp_path: Path) -> None:
    """24 ticks a beat at 96 bpm are 26 ms each: the mean stands, medians, spreads and ratios would be made up."""
    fine = mido.MidiFile(file_from_bar(1, tmp_path))
    coarse = mido.MidiFile(type=1, ticks_per_beat=24)
    for track in fine.tracks:
        at, before = 0, 0
        coarse.tracks.append(mido.MidiTrack())
        for message in track:
            at += message.time
            now = round(24 * at / fine.ticks_per_beat)
            coarse.tracks[-1].append(message.copy(time=now - before))
            before = now
    coarse.save(tmp_path / "from1.mid")
    card = card_of(command, tmp_path / "from1.mid")
    timing = card["timing"]
    assert timing["n"] > 100 and timing["mean_ms"] == pytest.approx(6.0, abs=4.0)
    for name in ("median_ms", "robust_sd_ms", "drift_ms_per_chorus", "lag1"):
        assert timing[name] is None and timing["why"][name]["code"] == "coarse_ticks"
    assert card["swing"]["ratio"] is None and card["swing"]["why"]["ratio"]["code"] == "coarse_ticks"
    assert card["verdict"]["lines"][1]["met"] is None
    said = command("score", tmp_path / "from1.mid", "--full").out
    assert "how steady cannot be said: the file's clock ticks only every 26 ms" in said and "nan" not in said
