"""Tempo map and swing warp: exact vectors, and beats → seconds → beats."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from trainer.clock import TempoMap, swing_offbeat_frac, swung_beats


def test_offbeat_places_of_the_definition() -> None:
    # Exact: 100 r / (1 + r).
    ratios = np.array([1.0, 1.5, 2.0, 2.5, 3.0, 3.5])
    assert np.round(100 * swing_offbeat_frac(ratios), 2).tolist() == [50.0, 60.0, 66.67, 71.43, 75.0, 77.78]


def test_triplet_short_note_in_ms() -> None:
    # Exact: the short note of a 2:1 pair lasts 20000 / bpm milliseconds.
    for bpm, short_ms in ((90, 222.2), (120, 166.7), (160, 125.0), (200, 100.0)):
        tempo = TempoMap.constant(bpm)
        off, on = tempo.seconds_at(swung_beats([0.5, 1.0], 2.0))
        assert 1000 * (on - off) == pytest.approx(short_ms, abs=0.05)


tempi = st.floats(20.0, 400.0)


@given(
    st.lists(st.tuples(st.floats(0.01, 50.0), tempi), min_size=1, max_size=30),
    st.floats(-100.0, 0.0),
    st.lists(st.floats(-200.0, 2000.0), min_size=1, max_size=40),
)
def test_beats_to_seconds_and_back(steps: list[tuple[float, float]], first: float, beats: list[float]) -> None:
    starts = first + np.concatenate(([0.0], np.cumsum([step for step, _ in steps[:-1]])))
    tempo = TempoMap(zip(starts.tolist(), [bpm for _, bpm in steps], strict=True))
    assert tempo.seconds_at(0.0) == pytest.approx(0.0, abs=1e-9)
    x = np.array(beats)
    seconds = tempo.seconds_at(x)
    assert np.allclose(tempo.beats_at(seconds), x, atol=1e-8)
    order = np.argsort(x)
    assert np.all(np.diff(seconds[order]) >= -1e-9)


@given(st.floats(1.0, 3.5), st.lists(st.floats(-50.0, 400.0), min_size=1))
def test_swing_moves_what_lies_inside_a_beat_and_keeps_the_order(ratio: float, beats: list[float]) -> None:
    x = np.sort(beats)
    swung = swung_beats(x, ratio)
    assert np.all(np.diff(swung) >= 0.0) and np.all(np.floor(swung + 1e-9) >= np.floor(x))
    assert np.all(swung_beats(np.floor(x), ratio) == np.floor(x))
    assert np.allclose(swung_beats(np.floor(x) + 0.5, ratio), np.floor(x) + ratio / (1.0 + ratio))


@pytest.mark.parametrize("segments", [[], [(0.0, 0.0)], [(0.0, float("nan"))], [(0.0, 60.0), (0.0, 70.0)]])
def test_impossible_maps_are_refused(segments: list[tuple[float, float]]) -> None:
    with pytest.raises(ValueError, match=r"tempo map|positive|rise"):
        TempoMap(segments)
