"""Fingering: the cheapest path, held against trying every path; hand spans; open strings."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise, product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trainer.errors import UsageError
from trainer.line import fingering, model_line, planned_song
from trainer.line.fingering import hand_for
from trainer.line.tab import on_bass
from trainer.music import FIVE_STRING, FOUR_STRING, SIX_STRING, frettings, parse_tuning
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
        best = min(reach(np.array(way)) for way in product(*(frettings(int(p)) for p in pitches)))
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
    # G# slides up to A on the lowest string; an open string is for those who do not slide.
    assert fingering([32, 33], [0.0, 0.1], slides=[True, False]).tolist() == [[4, 4], [4, 5]]
    assert fingering([28, 33], [0.0, 0.1]).tolist() == [[4, 0], [3, 0]]


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


# Written lines with the fingering that a teacher writes over them: (string, fret), the first finger's fret in brackets.
# Source: common practice of bass method; no line is from a book.
WRITTEN = {
    "the box over G: 1 5 b7 8, one shape [3]": ([31, 38, 41, 43], 0.5, ["4:3", "3:5", "2:3", "2:5"]),
    "the same box moved to C": ([36, 43, 46, 48], 0.5, ["3:3", "2:5", "1:3", "1:5"]),
    "boogie over G: 1 3 5 6 b7 [2]": ([31, 35, 38, 40, 41], 0.5, ["4:3", "3:2", "3:5", "2:2", "2:3"]),
    "the same boogie moved to C": ([36, 40, 43, 45, 46], 0.5, ["3:3", "2:2", "2:5", "1:2", "1:3"]),
    "octaves over G, first and little finger": ([31, 43, 31, 43], 0.5, ["4:3", "2:5", "4:3", "2:5"]),
    "G major, a scale in second position": (
        [31, 33, 35, 36, 38, 40, 42, 43], 1.0, ["4:3", "4:5", "3:2", "3:3", "3:5", "2:2", "2:4", "2:5"]),
    "up by semitones to A, one finger a fret [4]": ([32, 33, 34, 35], 0.5, ["4:4", "4:5", "4:6", "4:7"]),
    "a root shuffle on the open string": ([33] * 8, 0.5, ["3:0"] * 8),
    "A minor pentatonic up the neck [5]": ([33, 36, 38, 40, 43, 45], 0.5, ["4:5", "4:8", "3:5", "3:7", "2:5", "2:7"]),
    "root and fifth of a two-beat in C and F": (
        [36, 43, 36, 43, 41, 36, 41, 36], 2.0, ["3:3", "2:5", "3:3", "2:5", "2:3", "3:3", "2:3", "3:3"]),
    "boogie box in A from the open string, second position": (
        [33, 37, 40, 42, 43, 42, 40, 37], 0.5, ["3:0", "3:4", "2:2", "2:4", "2:5", "2:4", "2:2", "3:4"]),
    "the octave shape moved from C to F and G": (
        [36, 48] * 2 + [29, 41] * 2 + [31, 43] * 2, 0.5,
        ["3:3", "1:5"] * 2 + ["4:1", "2:3"] * 2 + ["4:3", "2:5"] * 2),
    "octaves from A to D, the shape moved over": (
        [33, 45, 33, 45, 38, 50, 38, 50], 0.5, ["4:5", "2:7"] * 2 + ["3:5", "1:7"] * 2),
    "by semitones from three frets below into C": (
        [36, 36, 33, 34, 35, 36], 0.5, ["3:3", "3:3", "3:0", "3:1", "3:2", "3:3"]),
    "the same into D, one finger a fret": ([31, 31, 35, 36, 37, 38], 0.5, ["4:3", "4:3", "3:2", "3:3", "3:4", "3:5"]),
    "walk up from G to its four": ([31, 33, 35, 36], 1.0, ["4:3", "4:5", "3:2", "3:3"]),
    "walk up from A to its four": ([33, 35, 37, 38], 1.0, ["3:0", "3:2", "3:4", "3:5"]),
    "turnaround in E: 1 3 4 #4 5": ([28, 32, 33, 34, 35], 1.0, ["4:0", "4:4", "3:0", "3:1", "3:2"]),
    "turnaround in G: 1 3 4 #4 5": ([31, 35, 36, 37, 38], 1.0, ["4:3", "3:2", "3:3", "3:4", "3:5"]),
    "root, five, six: what comes again is played where it was": (
        [31, 38, 40, 38, 31, 38, 40, 38], 0.5, ["4:3", "3:5", "2:2", "3:5"] * 2),
}  # fmt: skip


@pytest.mark.parametrize("name", WRITTEN)
def test_lines_as_a_teacher_fingers_them(name: str) -> None:
    pitches, step, wanted = WRITTEN[name]
    rows = fingering(pitches, np.arange(len(pitches)) * step, position=5 if "up the neck" in name else None)
    assert [f"{string}:{fret}" for string, fret in rows.tolist()] == wanted


def least_jumps(pitches: list[int]) -> int:
    """Over all fingerings: the fewest leaps of more than four frets from a stopped note to the next one."""
    best = dict.fromkeys(frettings(pitches[0]), 0)
    for pitch in pitches[1:]:
        best = {
            now: min(n + (before[1] > 0 and now[1] > 0 and abs(before[1] - now[1]) > 4) for before, n in best.items())
            for now in frettings(pitch)
        }
    return min(best.values())


def test_no_leap_within_an_eighth_that_another_fingering_spares() -> None:
    """Repeated notes, octave slips and wild lines alike; held against the least of all fingerings."""
    rng = np.random.default_rng(8)
    n_lines = n_spared = 0
    for _ in range(150):
        pitches = rng.integers(28, 60, 12)
        if rng.random() < 0.5:
            pitches[6:] = pitches[5]  # a note struck again and again
        rows = fingering(pitches, np.arange(12) * 0.5)
        frets = rows[:, 1]
        jumps = sum(a > 0 and b > 0 and abs(a - b) > 4 for a, b in pairwise(frets.tolist()))
        least = least_jumps(pitches.tolist())
        assert jumps <= least + (0 if least == 0 else 1)
        n_lines += 1
        n_spared += least == 0
    assert n_lines == 150 and n_spared > 20


def test_one_note_off_the_neck_takes_the_tab_from_no_other() -> None:
    found = hand_for([[31], [22], [38], [72], [43, 31], [28, 29, 30]], [0.0, 1.0, 2.0, 3.0, 4.0, 5.0])
    assert found[0] == [(4, 3)] and found[1] == [None] and found[2] != [None] and found[3] == [None]
    assert found[4][0] is not None and found[4][1] is not None and found[4][0][0] != found[4][1][0]
    assert [place is not None for place in found[5]] == [True, False, False]  # all three lie on one string
    six = hand_for([[22], [67], [72]], [0.0, 1.0, 2.0], SIX_STRING)
    assert [chord[0] is None for chord in six] == [True, False, False]


def test_other_tunings_move_the_frets() -> None:
    dropped = parse_tuning(None, "DADG")
    assert dropped is not None and dropped.open_pitches == (26, 33, 38, 43)
    assert fingering([26, 28], [0.0, 1.0], dropped).tolist() == [[4, 0], [4, 2]]
    assert parse_tuning(5, None) == FIVE_STRING and parse_tuning(None, "BEADGC") == SIX_STRING
    flat = parse_tuning(4, "Eb Ab Db Gb")
    assert flat is not None and flat.open_pitches == (27, 32, 37, 42)
    for n_strings, names in ((3, None), (5, "EADG"), (None, "EAD"), (None, "EAXG"), (None, "GDAE")):
        with pytest.raises(UsageError, match=r"--strings 3|--tuning"):
            parse_tuning(n_strings, names)


def test_a_line_is_fingered_anew_for_another_bass() -> None:
    made = model_line(expand(session_from_dict({"key": "A"})), device="slide_in")
    for tuning in (FIVE_STRING, SIX_STRING, parse_tuning(None, "DADG")):
        assert tuning is not None
        other = on_bass(made, tuning)
        opened = np.array(tuning.open_pitches)[::-1]
        assert np.array_equal(opened[other.notes["string"].astype(int) - 1] + other.notes["fret"], made.notes["pitch"])
        slid = np.flatnonzero(made.notes["duration_beats"] < 0.15)
        assert len(slid) and np.array_equal(other.notes["string"][slid], other.notes["string"][slid + 1])
    assert on_bass(made, FOUR_STRING) is made
    with pytest.raises(UsageError, match="is not on this fingerboard"):
        on_bass(made, replace(FOUR_STRING, open_pitches=(40, 45, 50, 55)))


def test_nothing_and_what_cannot_be_played() -> None:
    assert fingering([], []).shape == (0, 2)
    with pytest.raises(UsageError, match="B0 is not on this fingerboard; expected E1 to D#4"):
        fingering([23], [0.0])
    assert fingering([23], [0.0], FIVE_STRING).tolist() == [[5, 0]]
