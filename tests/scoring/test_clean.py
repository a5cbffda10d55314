"""Cleaning: faults as real pickups make them are found, counted, and leave the figures where they were."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.scoring.makers import chart_of, line_take, shuffle_rows
from trainer.clock.tempo import TempoMap
from trainer.line.stand_in import Feel, StandIn, Tracking
from trainer.line.write import model_line
from trainer.scoring import score
from trainer.scoring.align import read_notes
from trainer.scoring.clean import clean, delay_s, pitch_hz
from trainer.session import ChorusPlan, Session, expand
from trainer.take import Calibration, Take, TakeHeader, empty_notes, notes_from_rows

STRINGS = TakeHeader(profile="strings", velocity_floor=12)
PROFILES_OFF = [TakeHeader(profile=name) for name in ("pad", "keys", "typing")] + [
    TakeHeader(profile="foreign", foreign=True), TakeHeader(profile="strings", foreign=True)
]  # fmt: skip


def faulty(take: Take, seed: int = 3) -> tuple[Take, dict[str, int]]:
    """A take with re-triggers, octave false starts and ghosts put in; what was put in, by kind."""
    rng = np.random.default_rng(seed)
    rows = []
    put = {"retrigger": 0, "false_start": 0, "ghost": 0}
    for note in take.notes:
        onset, length, pitch, velocity = (float(note[n]) for n in ("onset_s", "duration_s", "pitch", "velocity"))
        kind = rng.random()
        if kind < 0.08:
            rows += [(onset, 0.02, pitch, velocity), (onset + 0.022, length - 0.022, pitch, velocity - 20)]
            put["retrigger"] += 1
        elif kind < 0.14:
            wrong = pitch + (12 if rng.random() < 0.5 else 19)
            rows += [(onset, 0.025, wrong, velocity), (onset + 0.026, length - 0.026, pitch, velocity)]
            put["false_start"] += 1
        else:
            rows.append((onset, length, pitch, velocity))
        if 0.14 < kind < 0.18:
            rows.append((onset + length + 0.01, 0.03, pitch + 6, 8))  # a scrape under the floor
            put["ghost"] += 1
    return replace(take, notes=notes_from_rows(rows)), put


def test_faults_are_counted_and_the_scores_stay_within_their_intervals() -> None:
    chart = chart_of(5)
    rows = [row for row in shuffle_rows(chart, 1.8) if not (row[0] % 4 > 3.4)]
    exact = line_take(chart, rows, jitter_ms=10.0, late_ms=12.0, header=STRINGS)
    bad, put = faulty(exact)
    a, b = score(exact), score(bad)
    assert b.reading.cleaned.to_dict() == put
    assert a.reading.cleaned.to_dict() == {"retrigger": 0, "false_start": 0, "ghost": 0}
    assert a.timing.mean_s.low <= b.timing.mean_s.value <= a.timing.mean_s.high
    assert a.swing.ratio.low <= b.swing.ratio.value <= a.swing.ratio.high
    assert a.timing.drift_s.low <= b.timing.drift_s.value <= a.timing.drift_s.high
    assert b.landing.total == a.landing.total
    assert [i.outcome for i in a.landing.items] == [i.outcome for i in b.landing.items]
    assert b.take.notes == len(bad.notes)  # the raw events stay in the take


def test_faults_are_found_as_they_were_reported_whatever_the_calibration() -> None:
    """A pickup of two periods: taking 49 ms off E1 and 24 off its octave must not pull a false start apart."""
    chart = expand(Session(choruses=(ChorusPlan("verse", 3, (0.5,) * 3),)))
    line = model_line(chart, device="boogie_figure", seed=3)
    cards = []
    for faults in (0.0, 0.06):
        feel = Feel(tracking=Tracking(8.0, 2.0, retrigger_frac=faults, false_start_frac=faults))
        header = TakeHeader(profile="strings", calibration=Calibration(8.0, 2.0, n=60))
        notes = StandIn(feel, seed=5).play(line).notes
        cards.append(score(Take(notes, TempoMap(chart.tempo_segments), chart.session, header=header)))
    clear, faulty_one = cards
    found = faulty_one.reading.cleaned
    assert found.false_start >= 8 and found.retrigger >= 8
    assert faulty_one.take.notes - clear.take.notes == found.false_start + found.retrigger
    assert faulty_one.timing.n == clear.timing.n
    assert faulty_one.timing.mean_s.value == pytest.approx(clear.timing.mean_s.value, abs=2e-4)
    assert faulty_one.swing.ratio.value == pytest.approx(clear.swing.ratio.value, abs=0.01)
    assert faulty_one.landing.total == clear.landing.total
    assert faulty_one.devices.to_dict() == clear.devices.to_dict()


@pytest.mark.parametrize("header", PROFILES_OFF, ids=lambda h: h.profile + ("_file" if h.foreign else ""))
def test_exact_inputs_are_left_alone(header: TakeHeader) -> None:
    bad, _ = faulty(line_take(chart_of(2), shuffle_rows(chart_of(2), 2.0)))
    got = clean(bad.notes, header, 0.2)
    assert len(got.notes) == len(bad.notes) and not got.under_floor.any()
    np.testing.assert_array_equal(got.notes, bad.notes)


def test_retriggers_join_their_note() -> None:
    twice = [(0.0, 0.02, 40, 90), (0.03, 0.4, 40, 60)]
    louder = [(1.0, 0.2, 40, 90), (1.03, 0.2, 40, 100)]
    notes = notes_from_rows([*twice, *louder, (2.0, 0.2, 40, 70)])
    got = clean(notes, STRINGS, 0.2)
    assert got.counts.retrigger == 1  # a louder second note is a note
    assert got.notes["onset_s"].tolist() == [0.0, 1.0, 1.03, 2.0]
    assert got.notes["duration_s"][0] == pytest.approx(0.43)
    # The window shrinks with the short note: at 0.06 s it is 18 ms.
    assert clean(notes, STRINGS, 0.06).counts.retrigger == 0
    assert clean(notes_from_rows([(0.0, 0.02, 40, 90), (0.03, 0.4, 41, 60)]), STRINGS, 0.2).counts.retrigger == 0


def test_a_chain_of_retriggers_is_one_note() -> None:
    notes = notes_from_rows([(0.0, 0.02, 40, 90), (0.03, 0.02, 40, 60), (0.055, 0.3, 40, 50), (0.5, 0.1, 40, 90)])
    got = clean(notes, STRINGS, 0.2)
    assert got.counts.retrigger == 2 and len(got.notes) == 2
    assert got.notes["duration_s"][0] == pytest.approx(0.355)


@pytest.mark.parametrize("step", [12, -12, 19, -19, 24])
def test_false_starts_keep_their_onset_and_take_the_second_pitch(step: int) -> None:
    notes = notes_from_rows([(0.0, 0.03, 40 + step, 70), (0.031, 0.4, 40, 80), (1.0, 0.3, 40, 80)])
    got = clean(notes, STRINGS, 0.2)
    assert got.counts.false_start == 1
    assert got.notes["pitch"].tolist() == [40.0, 40.0]
    assert got.notes["onset_s"].tolist() == [0.0, 1.0]
    assert got.notes["duration_s"][0] == pytest.approx(0.431)


@pytest.mark.parametrize(
    ("first", "second"),
    [
        ((0.0, 0.05, 52, 80), (0.05, 0.4, 40, 80)),
        ((0.0, 0.03, 45, 80), (0.03, 0.4, 40, 80)),
        ((0.0, 0.02, 52, 80), (0.1, 0.4, 40, 80)),
    ],
    ids=["too long", "another step", "a gap"],
)
def test_real_notes_are_no_false_starts(first: tuple[float, ...], second: tuple[float, ...]) -> None:
    assert clean(notes_from_rows([first, second]), STRINGS, 0.2).counts.false_start == 0


def test_dead_notes_are_rhythm_only() -> None:
    """Short, off the beat and not of the chord: counted in the rhythm, never in the landing."""
    chart = chart_of(2)
    rows = []
    for beat, length, pitch in shuffle_rows(chart, 2.0):
        dead = beat % 1 > 0.5 and beat % 4 > 2
        rows.append((beat, 0.08 if dead else length, pitch + 1 if dead else pitch))
    reading = read_notes(line_take(chart, rows, header=STRINGS), chart)
    assert reading.cleaned.ghost == np.count_nonzero(reading.ghost) == 46
    got = score(line_take(chart, rows, header=STRINGS))
    assert got.swing.ratio.n == 92 and got.landing.total.roots == 16
    assert read_notes(line_take(chart, rows), chart).cleaned.ghost == 0  # a pad means what it sends


def test_the_delay_model() -> None:
    """Two periods of E1, A1, D2, G2 and a low B0: 48.5, 36.4, 27.2, 20.4, 64.8 ms (ISO 16; arithmetic)."""
    pitches = np.array([28.0, 33.0, 38.0, 43.0, 23.0])
    np.testing.assert_allclose(pitch_hz(pitches), [41.203, 55.0, 73.416, 97.999, 30.868], atol=5e-4)
    got = delay_s(Calibration(0.0, 2.0), pitches)
    np.testing.assert_allclose(1e3 * got, [48.5, 36.4, 27.2, 20.4, 64.8], atol=0.05)
    np.testing.assert_allclose(1e3 * delay_s(Calibration(5.0, 0.0), pitches), 5.0)
    np.testing.assert_array_equal(delay_s(None, pitches), 0.0)


def test_a_new_calibration_rescores_an_old_take() -> None:
    chart = chart_of(3)
    exact = line_take(chart, [(b, n, p + (12 if b % 2 else 0)) for b, n, p in shuffle_rows(chart, 2.0)], jitter_ms=5.0)
    notes = exact.notes.copy()
    notes["onset_s"] += 0.008 + 1.6 / pitch_hz(notes["pitch"].astype(float))
    raw = replace(exact, notes=notes[np.argsort(notes["onset_s"], kind="stable")])
    header = TakeHeader(profile="keys", calibration=Calibration(8.0, 1.6))
    want, got = score(exact), score(replace(raw, header=header))
    assert got.timing.mean_s.value == pytest.approx(want.timing.mean_s.value, abs=1e-6)
    assert got.swing.ratio.value == pytest.approx(want.swing.ratio.value, rel=1e-5)
    assert score(raw).timing.mean_s.value > want.timing.mean_s.value + 0.02
    assert got.to_dict()["calibration"]["periods"] == 1.6


def test_nothing_in_nothing_out() -> None:
    got = clean(empty_notes(), STRINGS, 0.2)
    assert len(got.notes) == 0 and got.counts.to_dict() == {"retrigger": 0, "false_start": 0, "ghost": 0}
    one = clean(notes_from_rows([(0.0, 0.1, 40, 90)]), STRINGS, 0.2)
    assert len(one.notes) == 1
