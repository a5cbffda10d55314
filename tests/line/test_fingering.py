"""Fingering: the cheapest path, held against trying every path; hand spans; open strings."""

from __future__ import annotations

from itertools import pairwise, product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trainer.errors import UsageError
from trainer.line import fingering, model_line, planned_song
from trainer.music import FIVE_STRING, FOUR_STRING, places
from trainer.session import expand, session_from_dict

# Standard tuning from the highest string: G2 D2 A1 E1 (MIDI 43 38 33 28), the low B 23.
OPEN = {4: np.array([43, 38, 33, 28]), 5: np.array([43, 38, 33, 28, 23])}


def reach(rows: np.ndarray) -> float:
    """How far the stopped frets of consecutive notes lie apart, summed: a plain measure of the hand's way."""
    frets = [int(fret) for _, fret in rows if fret > 0]
    return float(sum(max(0, abs(a - b) - 3) for a, b in pairwise(frets)))


@settings(max_examples=60, deadline=None)
@given(st.lists(st.integers(28, 60), min_size=1, max_size=60), st.sampled_from([4, 5]))
def test_every_note_is_where_it_sounds(pitches: list[int], n_strings: int) -> None:
    tuning = FOUR_STRING if n_strings == 4 else FIVE_STRING
    rows = fingering(pitches, np.arange(len(pitches)) * 0.5, tuning)
    assert np.array_equal(OPEN[n_strings][rows[:, 0] - 1] + rows[:, 1], pitches)


def test_short_lines_move_no_further_than_the_best_of_all_ways() -> None:
    rng = np.random.default_rng(5)
    for _ in range(40):
        pitches = rng.integers(28, 52, 5)
        chosen = reach(fingering(pitches, np.arange(5) * 0.5))
        best = min(reach(np.array(way)) for way in product(*(places(int(p)) for p in pitches)))
        assert chosen <= best + 4  # one stretch more at most, where crossing strings costs as much


def test_a_scale_stays_under_one_hand() -> None:
    g_major = [31, 33, 35, 36, 38, 40, 42, 43]
    rows = fingering(g_major, np.arange(8))
    stopped = rows[rows[:, 1] > 0][:, 1]
    assert np.ptp(stopped) <= 3
    a_in_fifth = fingering([33, 37, 40, 42, 43, 45], np.arange(6), position=5)
    assert np.all((a_in_fifth[:, 1] >= 4) & (a_in_fifth[:, 1] <= 8))


def test_open_strings_are_used_low_and_a_repeated_note_stays_where_it_is() -> None:
    assert fingering([28, 33, 38, 43], np.arange(4)).tolist() == [[4, 0], [3, 0], [2, 0], [1, 0]]
    rows = fingering([43] * 7 + [55], np.arange(8) * 0.5)
    assert len({tuple(row) for row in rows[:7].tolist()}) == 1


def test_lines_hold_the_hand_within_a_stretch() -> None:
    # One finger a fret, a stretch of five (common practice): within a bar of the box or boogie figure.
    for key in ("G", "A", "C", "F", "Bb"):
        chart = expand(session_from_dict({"key": key}))
        for device in ("box_figure", "boogie_figure", "root_shuffle"):
            line = model_line(chart, device=device)
            for claim in line.claims:
                onset = line.notes["onset_beats"]
                inside = line.notes[(onset >= claim.at_beats - 1e-9) & (onset < claim.at_beats + claim.beats - 1e-9)]
                frets = inside["fret"][inside["fret"] > 0].astype(int)
                if claim.name == device and device != "root_shuffle":
                    assert frets.size == 0 or np.ptp(frets) <= 7
    spans = []
    chart = expand(session_from_dict({"key": "A"}))
    line = model_line(chart, device="boogie_figure")
    for bar in chart.bars[:-1]:
        onset = line.notes["onset_beats"]
        frets = line.notes["fret"][(onset >= bar.onset_beats - 1e-9) & (onset < bar.end_beats - 1e-9)].astype(int)
        spans.append(np.ptp(frets[frets > 0]))
    assert np.mean(np.array(spans) <= 4) >= 0.9


def test_a_slide_stays_on_its_string() -> None:
    n = 0
    for key in ("E", "A", "D", "G", "C", "F", "Bb", "F#m", "Cm"):
        for tuning in (FOUR_STRING, FIVE_STRING):
            for position in (None, 5):
                chart = expand(session_from_dict({"key": key, "chorus": [{"role": "verse", "times": 2}]}))
                line = model_line(chart, device="slide_in", tuning=tuning, position=position)
                rows = line.notes
                for claim in line.claims:
                    if claim.name == "slide_in":
                        i = int(np.argmin(np.abs(rows["onset_beats"] - claim.at_beats)))
                        assert rows["string"][i] == rows["string"][i + 1], (key, claim)
                        assert rows["fret"][i] > 0 and rows["fret"][i + 1] > 0
                        n += 1
    assert n > 100
    # G# slides up to A on the lowest string; the open A string is for those who do not slide.
    assert fingering([32, 33], [0.0, 0.1], slides=[True, False]).tolist() == [[4, 4], [4, 5]]
    assert fingering([32, 33], [0.0, 0.1]).tolist()[1] == [3, 0]


def test_the_hand_moves_where_there_is_time() -> None:
    # No leap of the hand over a stretch within a short note, whole songs with their openings included.
    n = 0
    for key in ("C", "G", "E", "Bb", "F#"):
        plan = [{"role": "verse"}, {"role": "solo", "times": 2, "intensity": [0.6, 0.9]}]
        chart = expand(session_from_dict({"key": key, "chorus": plan}))
        for tuning in (FOUR_STRING, FIVE_STRING):
            for line in (
                planned_song(chart, 3, tuning=tuning),
                model_line(chart, device="octave_shift", tuning=tuning),
            ):
                fret, gap = line.notes["fret"].astype(int), np.diff(line.notes["onset_beats"])
                stopped = (fret[:-1] > 0) & (fret[1:] > 0) & (gap < 0.5)
                n += int(stopped.sum())
                assert np.abs(np.diff(fret))[stopped].max() <= 5
    assert n > 1000


def test_nothing_and_what_cannot_be_played() -> None:
    assert fingering([], []).shape == (0, 2)
    with pytest.raises(UsageError, match="B0 is not on this fingerboard; expected E1 to D#4"):
        fingering([23], [0.0])
    assert fingering([23], [0.0], FIVE_STRING).tolist() == [[5, 0]]
