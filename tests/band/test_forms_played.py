"""Every form, turnaround, start and ending from the session file to the scorecard: the chart shows it, the band plays
it, the line follows it, and a stand-in who plays it as written is charged with nothing."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from trainer.band import PARTS, arrange
from trainer.cli.run import run
from trainer.line import Feel, StandIn, planned_song
from trainer.live import play_offline
from trainer.music import FORMS, TURNAROUNDS
from trainer.scoring import score
from trainer.session import ENDINGS, STARTS, Chart, expand, load_session

PLAIN = """
title = "Thursday stage"
key = "{key}"
tempo_bpm = 104.0
{top}

[[chorus]]
role = "verse"
times = 2
intensity = [0.4, 0.5]

[[chorus]]
role = "solo"
times = 2
intensity = [0.6, 0.8]
{chorus}
"""


def ways() -> list[tuple[str, str, str, str]]:
    """(name, key, lines for the top, lines for the solo)."""
    rows = []
    for form in FORMS:
        rows.append((f"form {form}", "Am" if form.startswith("minor") else "G", f'form = "{form}"', ""))
    rows += [(f"turnaround {name}", "Bb", f'turnaround = "{name}"', "") for name in TURNAROUNDS]
    rows += [(f"start {name}", "E", f'start = "{name}"', "") for name in STARTS]
    rows += [(f"ending {name}", "A", f'ending = "{name}"', "") for name in ENDINGS]
    rows += [("minor tag", "Cm", 'form = "minor_12"\nending = "tag"\nturnaround = "one_four_one_five"', "")]
    rows += [("stop time", "C", "", "stop_time = true")]
    rows += [(f"pick-up {n}", "F", f"pickup_beats = {n}", "") for n in (1.0, 2.0, 3.0)]
    rows += [("two-beat", "D", 'groove = "two_beat"\nstart = "from_the_turnaround"\nending = "ritard"', "")]
    return rows


def chart_says(path: Path, capsys: pytest.CaptureFixture[str]) -> str:
    assert run(["chart", str(path)]) == 0
    return capsys.readouterr().out


def heard_roots(chart: Chart) -> None:
    """The guide bass of the band has the chart's root at every change that is played."""
    events = arrange(chart, guide="on").events
    guide = events[events["part"] == PARTS.index("guide")]
    at = {round(float(note["onset_beats"]), 6): int(note["pitch"]) % 12 for note in guide}
    for bar in chart.bars:
        if not bar.stopped and not bar.drop_out:
            assert at[round(bar.onset_beats, 6)] == bar.chords[0].root_pc


@pytest.mark.parametrize(("name", "key", "top", "chorus"), ways(), ids=[row[0] for row in ways()])
def test_it_goes_through_every_room_and_nothing_is_charged(
    name: str, key: str, top: str, chorus: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "evening.toml"
    path.write_text(PLAIN.format(key=key, top=top, chorus=chorus), encoding="utf-8")
    session = load_session(path)
    chart = expand(session)
    shown = chart_says(path, capsys)
    for symbol in {chord.name for bar in chart.bars for chord in bar.chords}:
        assert symbol in shown
    heard_roots(chart)
    feel = Feel(lateness_ms=4.0, swing_ratio=None, jitter_sd_ms=6.0, missed_frac=0.0)
    performance = StandIn(feel, session.seed).play(planned_song(chart, session.seed))
    card: dict[str, Any] = score(play_offline(session, performance), session=session).to_dict()
    landing = card["landing"]
    wrong = [i for i in landing["items"] if i["outcome"] in ("other", "silent", "root_late")]
    assert wrong == [], wrong[:3]
    assert landing["landed"] == landing["changes"] > 10
    assert card["form"]["lost"] == []
    low, high = card["timing"]["mean_ci95_ms"]
    assert low - 2.0 <= 4.0 <= high + 2.0
    assert not [c for c in card["shape"]["choruses"] if c["verdict"] == "wandering"]


@pytest.mark.parametrize("n", [1.0, 2.0, 3.0])
def test_a_pick_up_is_played_by_the_line_and_left_alone_by_the_band(
    n: float, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "evening.toml"
    path.write_text(PLAIN.format(key="G", top=f"pickup_beats = {n}", chorus=""), encoding="utf-8")
    session = load_session(path)
    chart = expand(session)
    line = planned_song(chart, session.seed)
    early = line.notes[line.notes["onset_beats"] < -1e-9]
    assert len(early) >= int(n)
    assert early["onset_beats"].min() >= -n - 1e-9
    events = arrange(chart).events
    before = events[events["onset_beats"] < -1e-9]
    assert set(before["part"].tolist()) == {PARTS.index("drums"), PARTS.index("count")}
    # What is played before the first bar is not judged, and does not make the first root late or early.
    feel = Feel(lateness_ms=0.0, swing_ratio=None, jitter_sd_ms=4.0, missed_frac=0.0)
    take = play_offline(session, StandIn(feel, 3).play(line))
    assert (take.notes["onset_s"] < -0.05).sum() >= int(n)
    item = score(take).to_dict()["landing"]["items"][0]
    assert item["at_beats"] == 0.0
    assert item["outcome"] == "root"


ENDS: dict[str, Callable[[Chart], bool]] = {
    "plain": lambda chart: chart.bars[-1].final and not chart.bars[-1].ritard,
    "stop": lambda chart: chart.bars[-2].stopped or chart.bars[-3].stopped,
    # The last four bars three times in all: what is repeated is repeated to the bar.
    "tag": lambda chart: len(chart.bars) == 56 and [b.bar for b in chart.bars[-12:]] == [9, 10, 11, 12] * 3,
    "ritard": lambda chart: chart.bars[-1].ritard and chart.tempo_segments[-1][1] < 104.0,
}  # fmt: skip


@pytest.mark.parametrize("ending", ENDINGS)
def test_endings_are_what_their_names_say(ending: str, tmp_path: Path) -> None:
    path = tmp_path / "evening.toml"
    path.write_text(PLAIN.format(key="G", top=f'ending = "{ending}"', chorus=""), encoding="utf-8")
    chart = expand(load_session(path))
    assert ENDS[ending](chart)
    last = arrange(chart).events
    ring = last[last["onset_beats"] >= chart.bars[-1].onset_beats - 1e-6]
    keys = ring[ring["part"] == PARTS.index("keys")]
    assert np.unique(keys["onset_beats"]).tolist() == [chart.bars[-1].onset_beats]
