"""Study: devices come out of a transcription, sound the same elsewhere, and are found there again as what they are."""

from __future__ import annotations

import tracemalloc

import numpy as np
import pytest

from trainer.clock import TempoMap
from trainer.errors import UsageError
from trainer.line import LineScore, model_line
from trainer.music import FOUR_STRING
from trainer.practice.study import (
    LANDING,
    Phrase,
    exercise_from_dict,
    exercise_to_dict,
    judge_phrase,
    phrase_drill,
    phrase_line,
    phrases,
)
from trainer.scoring import score
from trainer.scoring.card import Scorecard
from trainer.session import Chart, expand, session_from_dict
from trainer.take import Take, notes_from_rows

DEVICES = ("chromatic_approach", "scale_descent", "box_figure", "boogie_figure", "octave_shift", "pentatonic_riff")


def a_chart(**more: object) -> Chart:
    return expand(session_from_dict({"key": "G", "chorus": [{"role": "verse", "times": 2}]} | more))


def heard(line: LineScore) -> Scorecard:
    """The line as an exact player would record it."""
    chart = line.chart
    tempo = TempoMap(chart.tempo_segments)
    notes = line.notes
    on = tempo.seconds_at(notes["onset_beats"])
    off = tempo.seconds_at(notes["onset_beats"] + notes["duration_beats"])
    rows = [
        (a, 0.96 * (b - a), float(p), int(v))
        for a, b, p, v in zip(on, off, notes["pitch"], notes["velocity"], strict=True)
    ]
    return score(Take(notes=notes_from_rows(rows), tempo=tempo, session=chart.session))


def learned(device: str, **more: object) -> list[Phrase]:
    chart = a_chart(**more)
    card = heard(model_line(chart, device=device, seed=2))
    found = card.devices.found or ()
    return [phrase for phrase in phrases(card.reading, chart, found) if phrase.name == device]


@pytest.mark.parametrize("device", DEVICES)
@pytest.mark.parametrize(("key", "swing"), [("A", 2.0), ("Eb", 1.6)])
def test_moved_to_another_key_it_is_found_again(device: str, key: str, swing: float) -> None:
    phrase = learned(device)[0]
    chart = a_chart(key=key, swing_ratio=swing, tempo_bpm=120.0)
    line = phrase_line(phrase, chart)
    card = heard(line)
    claimed = {round(claim.at_beats) for claim in line.claims}
    there = {round(d.at_beats) for d in card.devices.found or () if d.name == device}
    assert len(claimed & there) >= 0.7 * len(claimed), (sorted(claimed), sorted(there))


def test_intervals_and_places_are_kept() -> None:
    phrase = learned("boogie_figure")[0]
    line = phrase_line(phrase, a_chart(key="D"))
    chart = line.chart
    for claim in line.claims[:5]:
        root_pc = chart.spans[int(chart.span_idx_at([claim.at_beats + 1e-6])[0])].chord.root_pc
        inside = (line.notes["onset_beats"] >= claim.at_beats - 1e-6) & (
            line.notes["onset_beats"] < claim.at_beats + claim.beats - 1e-6
        )
        steps = [(int(p) - root_pc) % 12 for p in line.notes["pitch"][inside]]
        assert steps == [n.semitones % 12 for n in phrase.notes]


@pytest.mark.parametrize("device", [d for d in DEVICES if d in LANDING])
def test_landing_phrases_land_on_every_root(device: str) -> None:
    line = phrase_line(learned(device)[0], a_chart(key="C"))
    for claim in line.claims:
        at = claim.at_beats + claim.beats
        root_pc = line.chart.spans[int(line.chart.span_idx_at([at + 1e-6])[0])].chord.root_pc
        landed = line.notes[np.abs(line.notes["onset_beats"] - at) < 1e-6]
        assert len(landed) == 1 and landed["pitch"][0] % 12 == root_pc


@pytest.mark.parametrize("octave", [-1, 0, 1])
def test_everything_lies_on_the_neck(octave: int) -> None:
    line = phrase_line(learned("octave_shift")[0], a_chart(key="E"), octave=octave)
    assert line.notes["pitch"].min() >= FOUR_STRING.lowest and line.notes["pitch"].max() <= FOUR_STRING.highest
    open_pitches = np.array(FOUR_STRING.open_pitches[::-1])
    assert np.all(open_pitches[line.notes["string"] - 1] + line.notes["fret"] == line.notes["pitch"])


def test_a_drill_is_passed_by_who_plays_it_and_failed_by_who_does_not() -> None:
    exercise = phrase_drill(learned("box_figure")[0], "A", 92.0)
    good = judge_phrase(exercise, heard(exercise.model).reading)
    assert good.passed is True and good.value == 1.0 and good.n > 5
    other = judge_phrase(exercise, heard(model_line(exercise.chart, device="walking_line", seed=1)).reading)
    assert other.passed is False and other.value is not None and other.value < 0.3


def test_it_fits_nowhere_is_said() -> None:
    phrase = learned("chromatic_approach")[0]
    one = expand(session_from_dict({"form": "chart", "chart": {"bars": ["G7", "G7"]}, "key": "G"}))
    with pytest.raises(UsageError, match="fits nowhere"):
        phrase_line(phrase, one)


def test_a_record_of_a_phrase_of_two_thousand_million_beats_takes_no_room() -> None:
    phrase = learned("box_figure")[0]
    record = exercise_to_dict("a.mid", phrase, phrase_drill(phrase, "A", 92.0), 0)
    record["made_of"]["beats"] = 2**31
    tracemalloc.start()
    try:
        exercise = exercise_from_dict(record)
        peak_bytes = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert len(exercise.model.notes) and peak_bytes < 50e6
