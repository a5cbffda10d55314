"""Planned songs: pinned verses, solos that open, an arc, an ending on the tonic; checked with figures of our own
reckoning."""

from __future__ import annotations

import numpy as np
import pytest

from tests.line.definitions import holds
from tests.line.test_model_lines import a_chart, assert_playable, read
from trainer.errors import UsageError
from trainer.line import model_line, planned_song
from trainer.music import FORMS, GROOVES, Tuning
from trainer.session import Chart, expand, session_from_dict

TUNE = [
    {"role": "head", "intensity": 0.4},
    {"role": "verse", "times": 2, "intensity": [0.4, 0.5]},
    {"role": "solo", "times": 3, "intensity": [0.5, 0.75, 1.0]},
    {"role": "verse", "intensity": 0.5},
]


def per_chorus(line, chart: Chart) -> dict[int, np.ndarray]:
    chorus = np.array([chart.bars[i].chorus for i in chart.bar_idx_at(line.notes["onset_beats"] + 1e-9)])
    return {c: line.notes[chorus == c] for c in range(1, chart.n_choruses + 1)}


@pytest.mark.parametrize("key", ["E", "A", "G", "Bb", "C#m", "Am"])
def test_songs_in_all_keys_forms_and_grooves(key: str) -> None:
    for form in FORMS:
        for groove in GROOVES:
            chart = a_chart(key, form, groove=groove, chorus=TUNE)
            line = planned_song(chart, 4)
            assert_playable(line)
            notes = read(line)
            for claim in line.claims:
                assert holds(claim.name, notes, chart, claim.at_beats, claim.beats), (form, groove, claim)
            assert line.notes["pitch"].max() <= 67  # top 63–67 (common practice)
            last = line.notes[-1]
            assert last["pitch"] % 12 == chart.key.tonic_pc and last["duration_beats"] >= 2
            assert last["onset_beats"] == chart.bars[-1].onset_beats


@pytest.mark.parametrize("seed", range(12))
def test_the_plan_is_played(seed: int) -> None:
    chart = a_chart("G", chorus=TUNE)
    line = planned_song(chart, seed)
    choruses = per_chorus(line, chart)
    n_bars = 12
    density = {c: len(rows) / n_bars for c, rows in choruses.items()}
    height = {c: float(np.mean(rows["pitch"])) for c, rows in choruses.items()}
    loud = {c: float(np.mean(rows["velocity"])) for c, rows in choruses.items()}
    for c in (1, 2, 3, 7):
        assert 4 <= density[c] <= 8  # notes a bar in a verse (common practice)
        assert np.median(choruses[c]["pitch"]) <= 50  # verse register 28–50 (common practice)
    verses, solos = (2, 3, 7), (4, 5, 6)
    assert min(density[c] for c in solos) > max(density[c] for c in verses)
    assert height[6] > height[4] > np.mean([height[c] for c in verses])
    assert max(density[5], density[6]) > density[4]
    assert loud[4] < loud[5] < loud[6]


def test_rumba_verses_keep_a_rhythm_and_each_evening_has_its_own() -> None:
    seen = set()
    for seed in range(24):
        chart = a_chart("A", groove="rumba", swing_ratio=1.0, chorus=[{"role": "verse", "times": 2}])
        onsets = planned_song(chart, seed).notes["onset_beats"]
        bars = [tuple(onsets[(onsets >= 4 * k) & (onsets < 4 * k + 4)] - 4 * k) for k in range(23)]
        usual = max(set(bars), key=bars.count)
        assert bars.count(usual) >= 20
        seen.add(usual)
    assert len(seen) == 5


def test_a_verse_keeps_one_rhythm() -> None:
    chart = a_chart("A", chorus=[{"role": "verse", "times": 3}])
    for seed in range(12):
        notes = read(planned_song(chart, seed))
        shapes = {}
        for bar in chart.bars[:-1]:
            if bar.bar not in (4, 8, 11, 12):  # fills belong there (metrics §7)
                inside = [round(o - bar.onset_beats, 6) for o, _, _ in notes.between(bar.onset_beats, bar.end_beats)]
                shapes[tuple(inside)] = shapes.get(tuple(inside), 0) + 1
        assert max(shapes.values()) / sum(shapes.values()) >= 0.9


def test_the_arc_goes_up_and_comes_down() -> None:
    chart = a_chart("C", chorus=[{"role": "verse"}, {"role": "solo", "times": 2, "intensity": [0.7, 0.9]}])
    up, down = [], []
    for seed in range(20):
        line = planned_song(chart, seed)
        choruses = per_chorus(line, chart)
        first, second = choruses[2], choruses[3]
        up.append(np.mean(first["pitch"][-40:]) - np.mean(first["pitch"][:20]))
        tail = second[second["onset_beats"] < chart.bars[-1].onset_beats]
        down.append(np.mean(tail["pitch"][-15:]) - np.mean(tail["pitch"][10:40]))
    assert np.mean(up) > 1.0
    assert np.mean(down) < -1.0


@pytest.mark.parametrize("more", [
    {"start": "from_the_five"}, {"start": "from_the_turnaround"}, {"ending": "tag"}, {"ending": "stop"},
    {"ending": "ritard"}, {"loop": [9, 12]}, {"drop_out": [{"chorus": 2, "bars": [3, 4]}]},
    {"turnaround": "one_four_one_five"}, {"turnaround": "chromatic_to_five"},
])  # fmt: skip
def test_other_roads_through_a_tune(more: dict) -> None:
    data = {"key": "D", "chorus": TUNE, **more}
    chart = expand(session_from_dict(data))
    line = planned_song(chart, 2)
    assert_playable(line)
    notes = read(line)
    for bar in chart.bars:  # plays on, through intros, loops and drop-outs
        assert notes.between(bar.onset_beats, bar.end_beats)
    for span in chart.spans:  # a pinned turnaround is landed chord by chord
        if chart.turnaround_pinned:
            struck = notes.at(span.onset_beats)
            assert struck is not None and struck[1] % 12 == span.chord.root_pc


def test_a_chart_of_ones_own_with_slash_chords_and_all_qualities() -> None:
    bars = ["C7/G", "F7", "Bdim7", "C6", "Am7b5 D7", "Gmaj7", "C7#9", "%", "F7sus4", "Eaug", "C A7 Dm9 G13", "C"]
    chart = expand(session_from_dict({"key": "C", "form": "chart", "chart": {"bars": bars}, "chorus": TUNE}))
    line = planned_song(chart, 5)
    assert_playable(line)
    notes = read(line)
    for claim in line.claims:
        assert holds(claim.name, notes, chart, claim.at_beats, claim.beats), claim
    assert notes.at(0.0)[1] % 12 == 7  # the written bass note


@pytest.mark.parametrize("turnaround", ["five", "one_four_one_five", "chromatic_to_five"])
def test_turnaround_figures_follow_the_turnaround_that_is_pinned(turnaround: str) -> None:
    chart = expand(session_from_dict({"key": "A", "turnaround": turnaround, "chorus": [{"role": "verse", "times": 3}]}))
    line = model_line(chart, device="turnaround_figure")
    claims = [c for c in line.claims if c.name == "turnaround_figure"]
    assert [c.at_beats for c in claims] == [40.0, 88.0]  # the last chorus ends instead
    for claim in claims:
        assert holds(claim.name, read(line), chart, claim.at_beats, claim.beats)
        for span in chart.spans:
            if claim.at_beats <= span.onset_beats < claim.at_beats + 8:
                assert read(line).at(span.onset_beats)[1] % 12 == span.chord.root_pc


def test_a_pickup_walks_into_the_first_root() -> None:
    chart = expand(session_from_dict({"key": "A", "pickup_beats": 3}))
    line = model_line(chart)
    assert_playable(line)
    early = read(line).between(-4.0, 1e-3)
    assert [(o, p) for o, p, _ in early] == [(-3.0, 30), (-2.0, 31), (-1.0, 32), (0.0, 33)]


def test_seeds_and_tunings() -> None:
    chart = a_chart("E", chorus=TUNE)
    assert np.array_equal(planned_song(chart, 3).notes, planned_song(chart, 3).notes)
    assert len(planned_song(chart, 3).notes) != len(planned_song(chart, 4).notes) or not np.array_equal(
        planned_song(chart, 3).notes, planned_song(chart, 4).notes
    )
    with pytest.raises(UsageError, match="reaches E1"):
        planned_song(chart, 3, tuning=Tuning((33, 38, 43, 48)))
