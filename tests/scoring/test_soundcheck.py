"""The sound check against inputs whose faults are known."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from trainer.music import FIVE_STRING, FOUR_STRING, SIX_STRING
from trainer.scoring.soundcheck import (
    SoundCheck,
    StepSpan,
    assess,
    attack_idx,
    delay_words,
    doubled_triggers,
    open_string_shift,
    string_of,
)
from trainer.take import Calibration, empty_notes, notes_from_rows

OPEN = FOUR_STRING.open_pitches
# Fundamentals of the open strings in Hz: equal temperament at A4 = 440 Hz (ISO 16).
OPEN_HZ = (41.203, 55.000, 73.416, 97.999)


def played(
    pitches: tuple[float, ...] = OPEN,
    loud: int | None = 118,
    soft: int | None = 31,
    channels: tuple[int, ...] = (0, 0, 0, 0),
) -> tuple[Any, tuple[StepSpan, ...]]:
    """A sound check as recorded: four strings a second apart, a loud note, a soft one, lengths that vary."""
    rows = [
        (float(i), 0.6 + 0.07 * i, pitch, 80, channel)
        for i, (pitch, channel) in enumerate(zip(pitches, channels, strict=True))
    ]
    spans = [StepSpan("open_strings", 0.0, 4.0)]
    if loud is not None:
        rows.append((5.0, 0.4, pitches[0], loud, channels[0]))
        spans.append(StepSpan("loud", 5.0, 6.0))
    if soft is not None:
        rows.append((6.0, 0.9, pitches[0], soft, channels[0]))
        spans.append(StepSpan("soft", 6.0, math.inf))
    return notes_from_rows(rows), tuple(spans)


def test_a_sound_input_has_nothing_to_report() -> None:
    result = assess(*played())
    assert result.transpose_semitones == 0
    assert result.tuned_semitones == 0
    assert result.tuning_cents == pytest.approx(0.0, abs=1e-4)
    assert result.velocity_flat is False
    assert result.n_doubled == 0 and result.doubled_ms is None
    assert result.profile == "keys"
    assert result.why == {}
    assert result.lines()[-1] == "No note was sent twice."


@pytest.mark.parametrize("octaves", [-2, -1, 1, 2])
def test_octave_shift_is_found_and_put_right(octaves: int) -> None:
    notes, spans = played(tuple(p + 12.0 * octaves for p in OPEN))
    result = assess(notes, spans)
    assert result.transpose_semitones == -12 * octaves
    assert result.tuned_semitones == 0
    assert ("too high" if octaves > 0 else "too low") in " ".join(result.lines())
    assert (notes["pitch"][:4] + result.transpose_semitones).tolist() == list(OPEN)


def test_another_tuning_is_not_an_octave_shift() -> None:
    result = assess(*played(tuple(p - 2.0 for p in OPEN)))
    assert (result.transpose_semitones, result.tuned_semitones) == (0, -2)
    assert "2 semitones below" in " ".join(result.lines())


def test_cents_agree_with_the_frequencies_of_the_strings() -> None:
    """A string 1 Hz sharp of its published frequency is 1200·log2(f'/f) cents sharp (ISO 16 fundamentals)."""
    heard = [69.0 + 12.0 * math.log2((hz + 1.0) / 440.0) for hz in OPEN_HZ]
    fitted = open_string_shift(heard)
    assert fitted is not None
    shift, cents = fitted
    assert shift == 0
    expected = [1200.0 * math.log2((hz + 1.0) / hz) for hz in OPEN_HZ]
    assert cents == pytest.approx(expected, abs=0.05)  # the table gives three decimals of a Hz


def test_one_string_out_of_tune_is_named() -> None:
    result = assess(*played((28.0, 33.25, 38.0, 43.0)))
    assert "Tuning: A 25 cents sharp." in result.lines()
    assert result.profile == "strings"  # only a pitch tracker sends fractions


def test_wrong_notes_are_said_not_fitted() -> None:
    result = assess(*played((30.0, 31.0, 37.0, 50.0)))
    assert result.transpose_semitones is None
    assert result.tuning_cents is None
    assert set(result.why) == {"transpose_semitones", "tuning_cents"}
    assert result.to_dict()["transpose_semitones"] is None


def test_nothing_heard() -> None:
    result = assess(empty_notes(), ())
    assert result.n_notes == 0
    assert result.transpose_semitones is None and result.velocity_flat is None
    assert set(result.why) == {"transpose_semitones", "tuning_cents", "velocity_flat"}
    assert result.lines()


@pytest.mark.parametrize(
    ("loud", "soft", "flat"), [(100, 100, True), (104, 97, True), (104, 96, False), (127, 20, False)]
)
def test_flat_velocity(loud: int, soft: int, flat: bool) -> None:
    assert assess(*played(loud=loud, soft=soft)).velocity_flat is flat


def test_a_velocity_not_played_is_not_judged() -> None:
    result = assess(*played(soft=None))
    assert result.velocity_flat is None
    assert result.why["velocity_flat"] == "no soft note was heard, so its range is not known"


def test_doubled_triggers_are_counted_with_their_gap() -> None:
    notes, spans = played()
    twice = notes.copy()
    twice["onset_s"] += 0.012
    twice["channel"] = 3
    both = np.concatenate([notes, twice])
    result = assess(both, spans)
    assert result.n_doubled == 6
    assert result.doubled_ms == pytest.approx(12.0)
    assert "sent twice: 6, 12 ms apart" in " ".join(result.lines())
    mask, gaps_ms = doubled_triggers(both)
    assert int(mask.sum()) == len(gaps_ms) == 6


def test_a_trill_is_not_doubled() -> None:
    """Two neighbouring pitches in quick turn, each 80 ms after itself."""
    notes = notes_from_rows([(0.04 * i, 0.04, 40 + i % 2, 80) for i in range(12)])
    mask, gaps_ms = doubled_triggers(notes)
    assert not mask.any() and len(gaps_ms) == 0


def test_profile_strings_by_channels() -> None:
    result = assess(*played(channels=(3, 2, 1, 0)))
    assert result.profile == "strings"
    assert dict(result.string_channels) == {"4": 3, "3": 2, "2": 1, "1": 0}
    assert result.velocity_floor == 15


def test_profile_strings_by_false_starts() -> None:
    notes = notes_from_rows([(0.0, 0.02, 52, 70), (0.021, 0.7, 40, 70), (1.0, 0.4, 33, 80), (2.0, 0.9, 38, 80)])
    assert assess(notes, ()).profile == "strings"


def test_profile_pad_by_lengths() -> None:
    notes = notes_from_rows([(float(i), 0.1 + 0.001 * (i % 2), 36 + i, 90) for i in range(6)])
    result = assess(notes, ())
    assert result.profile == "pad"
    assert "100 ms" in result.reasons[0] or "101 ms" in result.reasons[0]


@given(st.lists(st.integers(0, 4000), max_size=40), st.integers(-3, 3))
def test_moving_the_recording_in_time_or_by_octaves_changes_only_that(places: list[int], octaves: int) -> None:
    """Onsets on a raster of 13.7 ms, so that no gap lies on a threshold, where rounding would decide."""
    notes = notes_from_rows([(0.0137 * k, 0.3, 28 + (7 * i) % 24, 60 + i % 50) for i, k in enumerate(places)])
    moved = notes.copy()
    moved["onset_s"] += 1000.0
    moved["pitch"] += 12 * octaves
    assert attack_idx(notes).tolist() == attack_idx(moved).tolist()
    assert doubled_triggers(notes)[0].tolist() == doubled_triggers(moved)[0].tolist()
    assert doubled_triggers(notes)[1] == pytest.approx(doubled_triggers(moved)[1], abs=1e-6)


def test_attacks_leave_out_what_a_hand_cannot_have_meant() -> None:
    notes = notes_from_rows([(0.0, 0.5, 28, 80), (0.03, 0.5, 40, 60), (0.1, 0.5, 28, 50), (0.2, 0.5, 33, 80)])
    assert attack_idx(notes).tolist() == [0, 3]


def test_strings_by_place_and_by_channel() -> None:
    assert string_of(28.0, 0, {}) == (4, 0)
    assert string_of(33.0, 0, {}) == (3, 0)
    assert string_of(47.0, 0, {}) == (1, 4)
    assert string_of(43.0, 2, {"3": 2}) == (3, 10)
    assert string_of(27.0, 0, {}) is None
    assert string_of(23.0, 0, {}, FIVE_STRING) == (5, 0)


def test_delay_words_use_the_calibration_where_there_is_one() -> None:
    """Two periods of E1 are 48.5 ms (41.203 Hz, ISO 16)."""
    assert delay_words(28.0, "strings", None) == "two periods are 49 ms; calibrate to know"
    assert delay_words(28.0, "strings", Calibration(base_ms=10.0, periods=2.0)) == "59 ms late, as calibrated"
    assert delay_words(28.0, "pad", None) == "delay not calibrated"


def test_the_conversation_asks_string_by_string_and_passes_over_doubles() -> None:
    check = SoundCheck()
    assert "lowest open string (E1)" in check.prompt
    assert check.feed(0.0, 28.0, 80, 0).counted
    assert not check.feed(0.012, 28.0, 80, 1).counted  # sent twice
    assert not check.feed(0.05, 40.0, 60, 0).counted  # too soon for a hand
    assert "next open string (A1)" in check.prompt
    for i, pitch in enumerate((33.0, 38.0, 43.0), 1):
        assert check.feed(float(i), pitch, 80, 0).counted
    assert "loud" in check.prompt
    heard = check.feed(5.0, 28.0, 120, 0)
    assert (heard.name, heard.string, heard.fret) == ("E1", 4, 0)
    assert "soft" in check.prompt
    check.feed(6.0, 28.0, 20, 0)
    assert check.done and check.prompt == ""
    assert not check.feed(7.0, 28.0, 90, 0).counted
    assert [(s.name, s.start_s, s.end_s) for s in check.spans()] == [
        ("open_strings", 0.0, 5.0),
        ("loud", 5.0, 6.0),
        ("soft", 6.0, math.inf),
    ]


def test_a_bass_of_six_strings_is_asked_string_by_string() -> None:
    check, asked = SoundCheck(SIX_STRING), []
    for i, pitch in enumerate(SIX_STRING.open_pitches):
        asked.append(check.prompt)
        assert check.feed(float(i), pitch, 80, 0).counted
    assert "lowest open string (B0)" in asked[0] and "highest open string (C3)" in asked[-1]
    assert all("next open string" in prompt for prompt in asked[1:-1]) and "loud" in check.prompt


def test_steps_can_be_left_out() -> None:
    check = SoundCheck(FIVE_STRING)
    assert "(B0)" in check.prompt
    check.skip()
    check.feed(0.0, 30.0, 110, 0)
    check.skip()
    assert check.done
    assert [span.name for span in check.spans()] == ["loud"]
    check.skip()
    assert check.done
