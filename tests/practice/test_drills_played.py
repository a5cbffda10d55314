"""Every drill, played whole and read by the real ears: passed by who does what it asks, not by who has its fault."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from trainer.band import arrange
from trainer.clock import TempoMap
from trainer.line import DEVICES, Feel, LineScore, StandIn, model_line
from trainer.music import FIVE_STRING
from trainer.practice import DRILLS, Exercise, answered_changes, answers_of
from trainer.practice.drills import TRIES
from trainer.scoring import RunningScore, score
from trainer.session import session_from_dict
from trainer.take import Take, sorted_notes

KEYS = ("C", "Db", "D", "Eb", "E", "F", "F#", "G", "Ab", "A", "Bb", "B")
CLEAN = Feel(lateness_ms=4.0, swing_ratio=None, jitter_sd_ms=6.0, jitter_lag1=0.2, missed_frac=0.0, velocity_sd=2.0)
ROUGH = replace(CLEAN, jitter_sd_ms=30.0, jitter_lag1=0.0)
MISSING = replace(CLEAN, missed_frac=0.7)
HURRYING = replace(CLEAN, drop_out_tempo_pct=6.0)
FAULT = {"misses changes": MISSING, "uneven": ROUGH, "hurries alone": HURRYING}


def take_of(exercise: Exercise, feel: Feel, line: LineScore | None = None, heard_feel: Feel | None = None) -> Take:
    """The answers in one feel; in the heard choruses silence, or another feel played along with the model."""
    tempo = TempoMap(exercise.chart.tempo_segments)
    chorus = np.array([bar.chorus for bar in exercise.chart.bars])

    def played(how: Feel, what: LineScore, inside: tuple[int, ...]) -> np.ndarray:
        notes = StandIn(how, 3).play(what).notes
        beats = np.clip(tempo.beats_at(notes["onset_s"]) + 0.5, exercise.chart.first_beats, None)
        return notes[np.isin(chorus[exercise.chart.bar_idx_at(beats)], inside)]

    notes = played(feel, line or exercise.model, exercise.asked)
    if heard_feel is not None:
        notes = sorted_notes(np.concatenate([notes, played(heard_feel, exercise.model, exercise.heard)]))
    return Take(notes, tempo, session=exercise.session)


def figure_of(exercise: Exercise, take: Take) -> Any:
    return DRILLS[exercise.drill].figure(score(answers_of(take, exercise)), exercise)


def with_the_fault(exercise: Exercise, rough: Feel = ROUGH) -> Take:
    """Who plays in time, in tune, and misses just what the drill is about."""
    fault = DRILLS[exercise.drill].fault
    if fault == "another line":
        other = "walking_line" if exercise.drill in ("root_shuffle", "octave_shift") else "root_shuffle"
        line = DRILLS[other].build(exercise.session.key, exercise.session.tempo_bpm).model
        # The other line over this drill's own chart, so that its places are this drill's.
        return take_of(exercise, CLEAN, model_line(exercise.chart, device=line.claims[0].name, seed=2))
    if fault == "no pattern":  # another riff every bar and half of the changes missed
        return take_of(exercise, MISSING, model_line(exercise.chart, device="walking_line", seed=2))
    if fault == "stays as it was":
        return take_of(exercise, CLEAN, model_line(exercise.chart, device="root_shuffle", seed=2, variant=1))
    return take_of(exercise, rough if fault == "uneven" else FAULT[fault])


@pytest.mark.parametrize("name", list(DRILLS))
def test_passed_by_who_answers_and_not_by_who_has_its_fault(name: str) -> None:
    for seed, key in ((1, "G"), (2, "Eb"), (3, "Am")):
        exercise = DRILLS[name].build(key, 96.0, seed)
        good = figure_of(exercise, take_of(exercise, CLEAN))
        assert good.passed is True, (key, good)
    exercise = DRILLS[name].build("G", 96.0, 1)
    bad = figure_of(exercise, with_the_fault(exercise))
    assert bad.passed is False, bad


@pytest.mark.parametrize("name", list(DRILLS))
def test_in_short_form_it_tells_the_same_in_a_minute_or_so(name: str) -> None:
    for seed, key in ((1, "G"), (3, "Am"), (4, "Db")):
        exercise = DRILLS[name].build(key, 96.0, seed, short=True)
        assert exercise.chart.end_beats <= 2.0 * 96.0 and exercise.heard and exercise.asked
        card = score(take_of(exercise, CLEAN))
        assert DRILLS[name].figure(card, exercise).passed is True
        passes = DRILLS[name].passes(card, exercise)
        assert passes and all(passes)
    exercise = DRILLS[name].build("G", 96.0, 1, short=True)
    card = score(with_the_fault(exercise, replace(ROUGH, jitter_sd_ms=45.0)))
    assert DRILLS[name].figure(card, exercise).passed is False
    assert not all(DRILLS[name].passes(card, exercise))


def test_each_answer_is_a_pass_where_it_can_be_judged_by_itself() -> None:
    exercise = DRILLS["change_one_four"].build("G", 96.0, 1)
    good, bad = take_of(exercise, CLEAN), take_of(exercise, replace(CLEAN, missed_frac=1.0))
    half = exercise.chart.chorus_onsets_beats[4] - 0.5
    early, late = (take.tempo.beats_at(take.notes["onset_s"]) < half for take in (good, bad))
    mixed = replace(good, notes=sorted_notes(np.concatenate([good.notes[early], bad.notes[~late]])))
    card = score(mixed)
    assert DRILLS["change_one_four"].passes(card, exercise) == [True, True, False, False]
    assert DRILLS["change_one_four"].figure(card, exercise).passed is False
    whole = DRILLS["shuffle_one_note"].build("G", 96.0, 1)
    assert DRILLS["shuffle_one_note"].passes(score(take_of(whole, CLEAN)), whole) == [True]


@pytest.mark.parametrize("name", list(DRILLS))
def test_only_the_answers_count(name: str) -> None:
    """Playing along badly while the model sounds changes nothing; a good model does not make up for the answers."""
    exercise = DRILLS[name].build("A", 96.0, 1)
    rough = replace(ROUGH, missed_frac=0.7)
    assert figure_of(exercise, take_of(exercise, CLEAN, heard_feel=rough)) == figure_of(
        exercise, take_of(exercise, CLEAN)
    )
    silent = take_of(exercise, CLEAN, heard_feel=CLEAN)
    beats = silent.tempo.beats_at(silent.notes["onset_s"]) + 0.5
    chorus = np.array([bar.chorus for bar in exercise.chart.bars])[exercise.chart.bar_idx_at(np.maximum(beats, 0.0))]
    only_heard = replace(silent, notes=silent.notes[np.isin(chorus, exercise.heard)])
    assert figure_of(exercise, only_heard).passed is not True


def test_listening_is_not_missing_changes() -> None:
    exercise = DRILLS["roots"].build("G", 96.0, 1)
    counts = answered_changes(score(take_of(exercise, CLEAN)), exercise)
    assert sum(n for _, _, n in counts.values()) >= 14
    assert all(roots == n for roots, _, n in counts.values()), counts


@pytest.mark.parametrize("name", list(DRILLS))
def test_the_model_sounds_in_the_heard_choruses_and_nowhere_else(name: str) -> None:
    exercise = DRILLS[name].build("C", 96.0, 2)
    rows = exercise.guide_rows()
    events = arrange(exercise.chart, guide_line=rows).events
    guide = events[events["part"] == 4]
    assert len(guide) == len(rows) > 0
    chorus = np.array([bar.chorus for bar in exercise.chart.bars])[
        exercise.chart.bar_idx_at(guide["onset_beats"] + 1e-6)
    ]
    assert set(chorus.tolist()) == set(exercise.heard)
    assert np.all(guide["velocity"] > 0)
    assert np.array_equal(np.sort(guide["onset_beats"]), np.sort([row[0] for row in rows]))


@pytest.mark.parametrize("device", DEVICES)
def test_devices_in_twelve_keys_three_octaves_and_along_the_neck(device: str) -> None:
    """Every place of the neck in every key; looped round one bar it is claimed on the one, the four and the five."""
    n_built = 0
    for pc, key in enumerate(KEYS):
        places = (
            {"octave": -1, "tuning": FIVE_STRING},
            {"position": (0, 3, 5, 7, 9)[pc % 5]},
            {"octave": 1, "position": 7},
        )
        for more in places:
            exercise = DRILLS[device].build(key, 96.0, pc + 1, **more)
            n_built += 1
            notes = exercise.model.notes
            assert any(claim.name == device for claim in exercise.model.claims)
            assert notes["pitch"].min() >= (23 if "tuning" in more else 28)
            assert np.all((notes["fret"] >= 0) & (notes["fret"] <= 24))
    assert n_built == 36
    if device not in ("pedal", "turnaround_figure"):
        for bar, degree in ((1, "I"), (5, "IV"), (9, "V")):
            exercise = DRILLS[device].build("F", 96.0, 2, bar=bar)
            spans = exercise.chart.spans
            over = {spans[int(exercise.chart.span_idx_at(c.at_beats + 1e-6))].degree for c in exercise.model.claims}
            assert degree in over or device in ("chromatic_approach", "scale_descent", "push", "slide_in"), over


def test_a_take_says_itself_what_was_only_listened_to() -> None:
    """Without knowing the drill: silence while listening costs nothing, nor does playing along."""
    exercise = DRILLS["roots"].build("G", 96.0, 1)
    assert session_from_dict(exercise.session.to_dict()) == exercise.session
    assert {bar.chorus for bar in exercise.chart.bars if bar.heard} == set(exercise.heard)
    for along in (None, replace(ROUGH, missed_frac=0.7)):
        card = score(take_of(exercise, CLEAN, heard_feel=along))
        assert card.landing.root_rate.value == 1.0 and card.landing.outcomes["silent"] == 0
        assert card.form.lost == ()
        assert [row.chorus for row in card.shape.choruses] == list(exercise.asked)
        assert [row.chorus for row in card.swing.per_chorus] == list(exercise.asked)
        assert {row.chorus for row in card.landing.per_chorus if row.changes} == set(exercise.asked)
    notes = take_of(exercise, CLEAN).notes
    running = RunningScore(exercise.chart, TempoMap(exercise.chart.tempo_segments))
    running.feed(notes)
    assert running.figures().changes == running.figures().roots > 0


@pytest.mark.parametrize("name", list(TRIES))
def test_a_first_try_shows_each_of_its_matters_by_itself(name: str) -> None:
    """Clean in all is clean in each; who has one drill's fault in its own bars fails that one alone."""
    made = TRIES[name]
    for seed, key in ((1, "G"), (2, "Eb"), (3, "E")):
        exercise = made.build(key, 96.0, seed, short=True)
        assert exercise.minutes <= 2.1
        card = score(answers_of(take_of(exercise, CLEAN), exercise))
        shown = made.shown(card, exercise)
        assert set(shown) == set(made.shows) and all(passed and all(passes) for passed, passes in shown.values())
        assert made.figure(card, exercise).passed is True
    exercise = made.build("G", 96.0, 1, short=True)
    if made.family == "devices":  # the first four bars in another line
        other = "walking_line" if exercise.model.claims[0].name == "root_shuffle" else "root_shuffle"
        bar = np.array([bar.bar if bar.chorus <= 2 else 12 for bar in exercise.chart.bars])
        lines = (model_line(exercise.chart, device=other, seed=2), exercise.model)
        rows = [
            line.notes[(bar[exercise.chart.bar_idx_at(line.notes["onset_beats"] + 1e-9)] <= 4) == (line is lines[0])]
            for line in lines
        ]
        mixed = np.concatenate(rows)
        line = replace(exercise.model, notes=mixed[np.argsort(mixed["onset_beats"], kind="stable")])
        shown = made.shown(score(answers_of(take_of(exercise, CLEAN, line), exercise)), exercise)
        first = exercise.model.claims[0].name
        failed = {drill for drill, (passed, _) in shown.items() if not passed}
        assert failed == ({first, "triplets_against_the_shuffle"} & set(made.shows)) - (
            set() if first == "triplet_figure" else {"triplets_against_the_shuffle"}
        )
    else:
        fault = with_the_fault(replace(exercise, drill=made.shows[0]), replace(ROUGH, jitter_sd_ms=45.0))
        shown = made.shown(score(answers_of(fault, exercise)), exercise)
        assert shown and not any(passed for passed, _ in shown.values()), shown
