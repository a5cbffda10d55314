"""Running figures: cheap, and the same however the notes come in."""

from __future__ import annotations

import pytest

from tests.scoring.makers import chart_of, line_take, shuffle_rows, shuffle_take
from trainer.clock.tempo import TempoMap
from trainer.scoring import RunningScore, score
from trainer.take.notes import PICKED_VELOCITY


def test_feeding_one_by_one_is_feeding_at_once() -> None:
    chart = chart_of(3)
    take = shuffle_take(chart, 1.8, jitter_ms=9.0, late_ms=14.0)
    together, single = RunningScore(chart, take.tempo), RunningScore(chart, take.tempo)
    together.feed(take.notes)
    for k in range(len(take.notes)):
        single.feed(take.notes[k : k + 1])
    assert together.figures() == single.figures()


def test_running_figures_are_near_the_scorecards() -> None:
    chart = chart_of(3)
    take = shuffle_take(chart, 1.8, jitter_ms=6.0, late_ms=14.0)
    running = RunningScore(chart, take.tempo)
    running.feed(take.notes)
    got, card = running.figures(), score(take)
    assert got.mean_asynchrony_s == pytest.approx(card.timing.mean_s.value, abs=0.0005)
    assert got.swing_ratio == pytest.approx(1.8, abs=0.1)
    assert (got.changes, got.roots) == (card.landing.total.changes, card.landing.total.roots)
    assert len(got.last_asynchronies_s) == len(got.last_beats) == 48


def test_nothing_yet_and_a_missed_change() -> None:
    chart = chart_of(2)
    running = RunningScore(chart, TempoMap(chart.tempo_segments))
    first = running.figures()
    assert (
        first.n_notes == 0
        and first.swing_ratio is None
        and first.mean_asynchrony_s is None
        and first.own_average_s is None
    )
    assert first.changes == 0 and first.last_asynchronies_s == ()
    rows = [row if int(row[0] // 4) != 1 else (row[0], row[1], 31) for row in shuffle_rows(chart, 2.0)]
    take = line_take(chart, [row for row in rows if row[0] < 16.0])
    running.feed(take.notes)
    got = running.figures()
    assert (got.changes, got.roots) == (3, 2)


def test_count_in_noodling_does_not_count() -> None:
    chart = chart_of(2)
    running = RunningScore(chart, TempoMap(chart.tempo_segments))
    running.feed([(-3.0, 0.1, 40.0), (-2.0, 0.1, 41.0)])
    assert running.figures().n_notes == 0


def test_roots_that_the_space_bar_picked_do_not_count_on_the_screen() -> None:
    chart = chart_of(1)
    take = shuffle_take(chart, velocity=PICKED_VELOCITY)
    for typing, roots in ((True, 0), (False, 8)):  # eight changes a chorus
        running = RunningScore(chart, take.tempo, typing=typing)
        running.feed(take.notes)
        assert running.figures().roots == roots and running.figures().changes == 8
