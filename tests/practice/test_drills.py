"""Drills: each builds in any key, is heard first, and its pass figure tells a good take from a bad one through the
scorer."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from tests.line.definitions import Notes, holds
from trainer.band import arrange
from trainer.clock.tempo import TempoMap
from trainer.errors import UsageError
from trainer.line import DEVICES, Feel, StandIn
from trainer.music import FIVE_STRING, FORMS
from trainer.practice import DRILLS, Exercise, change_bars, drill_named
from trainer.scoring import Card, Figure, score
from trainer.scoring.devices import DEVICE_NAMES, Device, Devices
from trainer.scoring.shape import ChorusShape
from trainer.session import Role, session_from_dict
from trainer.take import Take

GOOD = Feel(lateness_ms=4.0, swing_ratio=None, jitter_sd_ms=6.0, jitter_lag1=0.2, missed_frac=0.0, velocity_sd=2.0)


def card_of(exercise: Exercise, feel: Feel, seed: int = 1) -> Card:
    done = StandIn(feel, seed).play(exercise.model)
    tempo = TempoMap(exercise.chart.tempo_segments)
    return score(Take(done.notes, tempo, session=exercise.session))


@pytest.mark.parametrize("name", list(DRILLS))
def test_every_drill_builds_in_any_key_and_is_heard_first(name: str) -> None:
    drill = DRILLS[name]
    assert drill.title and drill.goal.endswith(".")
    for key in ("E", "Bb", "F#", "Am", "Cm"):
        exercise = drill.build(key, 100.0, 3)
        # The session is one that the trainer itself would read.
        assert session_from_dict(exercise.session.to_dict()) == exercise.session
        assert exercise.heard[0] == 1 and exercise.asked
        assert not set(exercise.heard) & set(exercise.asked)
        assert len(exercise.heard) + len(exercise.asked) == exercise.chart.n_choruses
        rows = exercise.guide_rows()
        chorus = [exercise.chart.bars[int(exercise.chart.bar_idx_at(r[0] + 1e-9))].chorus for r in rows]
        assert set(chorus) == set(exercise.heard)
        events = arrange(exercise.chart, guide_line=rows).events
        assert np.sum(events["part"] == 4) == len(rows)  # the guide plays the model and nothing else
        notes = exercise.model.notes
        played = Notes(notes["onset_beats"], notes["onset_beats"] + notes["duration_beats"], notes["pitch"].astype(int))
        for claim in exercise.model.claims:
            assert holds(claim.name, played, exercise.chart, claim.at_beats, claim.beats), (key, claim)


def test_seeds_vary_and_repeat() -> None:
    lines = [DRILLS["walking_line"].build("G", 100.0, seed).model.notes for seed in (1, 1, 2)]
    assert np.array_equal(lines[0], lines[1]) and not np.array_equal(lines[0]["pitch"], lines[2]["pitch"])


@pytest.mark.parametrize(
    "name", ["roots", "change_one_four", "change_four_one", "change_five_four", "change_turnaround"]
)
def test_changes_pass_when_landed_and_fail_when_missed(name: str) -> None:
    exercise = DRILLS[name].build("A", 100.0, 2)
    good = DRILLS[name].figure(card_of(exercise, GOOD), exercise)
    assert good.passed is True and good.value == 1.0 and good.n >= 3
    bad = DRILLS[name].figure(card_of(exercise, Feel(missed_frac=0.6)), exercise)
    assert bad.passed is False and bad.value is not None and bad.value < 0.9


def test_one_change_from_any_bar_that_has_it() -> None:
    # Quick change, from the published table: I→IV leaves bars 1, 4 (and none else but 11–12's turnaround is I–V).
    assert change_bars("quick_change_12", exercise_key("G"), "I", "IV") == (1, 4)
    assert change_bars("quick_change_12", exercise_key("G"), "V", "I") == (12,)
    for bar in (1, 4):
        exercise = DRILLS["change_one_four"].build("G", 100.0, 1, bar=bar)
        assert exercise.facts["lands_in_bar"] == bar + 1
        first, last = exercise.session.loop or (0, 0)
        assert first <= bar < last
    with pytest.raises(UsageError, match=r"bar 3 is not followed by I–IV in quick_change_12; bars that are: 1, 4"):
        DRILLS["change_one_four"].build("G", 100.0, 1, bar=3)


def exercise_key(name: str):
    return DRILLS["roots"].build(name).session.key


@pytest.mark.parametrize("name", ["shuffle_one_note", "shuffle_two_strings", "shuffle_through_the_form"])
def test_shuffle_is_judged_by_its_evenness(name: str) -> None:
    exercise = DRILLS[name].build("G", 100.0, 2)
    assert DRILLS[name].figure(card_of(exercise, GOOD), exercise).passed is True
    ragged = DRILLS[name].figure(
        card_of(exercise, Feel(swing_ratio=None, jitter_sd_ms=30.0, jitter_lag1=0.0)), exercise
    )
    assert ragged.passed is False
    even = DRILLS[name].figure(card_of(exercise, Feel(swing_ratio=1.2, jitter_sd_ms=4.0)), exercise)
    assert even.passed is False and even.value < 0.25  # steady, but at another ratio


def test_two_strings_are_two_strings() -> None:
    for key in ("E", "G", "A", "C", "D"):
        strings = np.unique(DRILLS["shuffle_two_strings"].build(key).model.notes["string"])
        assert strings.size == 2 and np.ptp(strings) == 1


@pytest.mark.parametrize(
    ("name", "silent", "of"), [("drop_out_1_of_4", 1, 4), ("drop_out_2_of_4", 2, 4), ("drop_out_4_of_8", 4, 8)]
)
def test_drop_outs_grow(name: str, silent: int, of: int) -> None:
    exercise = DRILLS[name].build("G", 100.0, 1)
    second = [bar for bar in exercise.chart.bars if bar.chorus == 2]
    assert [bar.bar for bar in second if bar.drop_out] == [b for b in range(1, 13) if (b - 1) % of >= of - silent][
        : sum(bar.drop_out for bar in second)
    ]
    assert not any(bar.drop_out for bar in exercise.chart.bars if bar.chorus == 1)
    assert DRILLS[name].figure(card_of(exercise, GOOD), exercise).passed is True
    rushed = DRILLS[name].figure(card_of(exercise, Feel(jitter_sd_ms=4.0, drop_out_tempo_pct=6.0)), exercise)
    assert rushed.passed is False


def test_stamina_wants_a_narrow_spread_to_the_end() -> None:
    drill = DRILLS["repeated_notes"]
    exercise = drill.build("G", 120.0, 1)
    assert exercise.chart.end_beats >= 380  # three minutes at 120
    assert len(exercise.heard) == 1
    assert drill.figure(card_of(exercise, GOOD), exercise).passed is True
    assert drill.figure(card_of(exercise, Feel(jitter_sd_ms=30.0)), exercise).passed is False


@pytest.mark.parametrize("device", DEVICES)
def test_devices_in_every_place_of_the_neck(device: str) -> None:
    drill = DRILLS[device]
    for more in ({"octave": 1}, {"position": 5}, {"octave": -1, "tuning": FIVE_STRING}, {"form": "slow_change_12"}):
        exercise = drill.build("D", 92.0, 4, **more)
        assert any(claim.name == device for claim in exercise.model.claims)
    if device not in ("pedal", "turnaround_figure"):
        exercise = drill.build("D", 92.0, 4, bar=9)  # the five, the four, the one
        assert exercise.session.loop == (9, 12)


@pytest.mark.parametrize("form", list(FORMS))
def test_forms_that_lack_a_place_say_so(form: str) -> None:
    for name, drill in DRILLS.items():
        try:
            drill.build("C", 100.0, 1, form=form)
        except UsageError as error:
            assert "has no" in str(error), name


def test_an_unmeasured_figure_says_why() -> None:
    exercise = DRILLS["roots"].build()
    empty = Take(
        StandIn(GOOD).play(exercise.model).notes[:0], TempoMap(exercise.chart.tempo_segments), session=exercise.session
    )
    card = score(empty)
    for name, drill in DRILLS.items():
        figure = drill.figure(card, drill.build())
        assert figure.value is None and figure.passed is None, name
        assert re.search(r"no notes|too few|nothing was played|no beat|fewer|of at least", figure.text), (
            name,
            figure.text,
        )


def test_mistakes_are_named() -> None:
    with pytest.raises(UsageError, match='did you mean "boogie_figure"'):
        drill_named("bogie_figure")
    with pytest.raises(UsageError, match="tempo 900 cannot be played"):
        DRILLS["roots"].build("G", 900.0)
    with pytest.raises(UsageError, match='form "quik_change_12" is not known'):
        DRILLS["roots"].build("G", form="quik_change_12")
    with pytest.raises(UsageError, match="has no bar to choose"):
        DRILLS["roots"].build("G", bar=3)
    assert drill_named("roots") is DRILLS["roots"]


def found_of(exercise: Exercise, keep: float = 1.0) -> tuple[Device, ...]:
    """A share of the devices that the model claims, in every chorus."""
    rows = []
    for claim in exercise.model.claims[: round(keep * len(exercise.model.claims))]:
        bar = exercise.chart.bars[int(exercise.chart.bar_idx_at(claim.at_beats + 1e-9))]
        beat = int(claim.at_beats - bar.onset_beats) + 1
        name = next(name for name in DEVICE_NAMES if name == claim.name)
        rows.append(Device(name, bar.chorus, bar.bar, beat, claim.at_beats, claim.beats))
    return tuple(rows)


def with_devices(card: Card, found: Sequence[Device]) -> Card:
    return replace(card, devices=Devices(tuple(found)))


@pytest.mark.parametrize("name", [*DEVICES, "triplets_against_the_shuffle"])
def test_devices_pass_when_found_where_they_were_asked(name: str) -> None:
    drill = DRILLS[name]
    exercise = drill.build("C", 100.0, 2)
    card = card_of(exercise, GOOD)
    whole = drill.figure(with_devices(card, found_of(exercise)), exercise)
    assert whole.passed is True and whole.value == 1.0 and whole.n >= 1
    half = drill.figure(with_devices(card, found_of(exercise, 0.5)), exercise)
    assert half.passed is False
    none = drill.figure(with_devices(card, ()), exercise)
    assert none.passed is False and none.value == 0.0
    # What is found in the choruses that were only to be heard does not count.
    heard = [row for row in found_of(exercise) if row.chorus in exercise.heard]
    assert drill.figure(with_devices(card, heard), exercise).value == 0.0


def test_a_pedal_must_be_released() -> None:
    drill = DRILLS["pedal"]
    exercise = drill.build("C", 100.0, 2)
    stuck = card_of(exercise, Feel(missed_frac=1.0, missed_kind="silent"))
    figure = drill.figure(with_devices(stuck, found_of(exercise)), exercise)
    assert figure.value == 1.0 and figure.passed is False and "0 of" in figure.text


def chorus_of(number: int, role: Role, **figures: float) -> ChorusShape:
    """A chorus with these figures."""
    made = {name: Figure(value) for name, value in {"notes_per_bar": 6.0, **figures}.items()}
    facts: Any = {"chorus": number, "role": role, "verdict": "pinned", "as_planned": None, "n": 40, **made}
    return ChorusShape(**facts, missed=0, changes=4)


def shape_card(*choruses: ChorusShape) -> Card:
    card = card_of(DRILLS["pin_the_verse"].build("G", 100.0, 1), GOOD)
    return replace(card, shape=replace(card.shape, choruses=choruses))


def test_pinning_opening_and_the_arc() -> None:
    pin = DRILLS["pin_the_verse"]
    exercise = pin.build("G", 100.0, 1)
    rows = [chorus_of(c, "verse") for c in (1, 2, 3, 4)]
    assert pin.figure(shape_card(*rows), exercise).passed is True
    rows[1] = replace(rows[1], verdict="wandering")
    assert pin.figure(shape_card(*rows), exercise).value == 0.5

    for name, denser, higher in (("density", 1.5, 0.0), ("height", 0.0, 7.0), ("both", 1.5, 7.0)):
        drill = DRILLS[f"open_by_{name}"]
        exercise = drill.build("G", 100.0, 1)
        verse = chorus_of(2, "verse", notes_per_bar=5.5, median_pitch=36.0)
        solo = chorus_of(4, "solo", notes_per_bar=5.5 + denser, median_pitch=36.0 + higher)
        assert drill.figure(shape_card(verse, solo), exercise).passed is True
        flat = drill.figure(shape_card(verse, replace(verse, chorus=4, role="solo")), exercise)
        assert flat.passed is False and flat.value == 0.0

    arc = DRILLS["arc_over_two_choruses"]
    exercise = arc.build("G", 100.0, 1)
    up = chorus_of(3, "solo", slope_semitones_per_bar=0.6)
    down = chorus_of(4, "solo", slope_semitones_per_bar=-0.5)
    level = chorus_of(4, "solo", slope_semitones_per_bar=0.2)
    assert arc.figure(shape_card(down, up), exercise).passed is True
    assert arc.figure(shape_card(up, level), exercise).passed is False


def test_opening_models_open_as_they_say() -> None:
    for name in ("density", "height", "both"):
        exercise = DRILLS[f"open_by_{name}"].build("A", 100.0, 1)
        chorus = np.array(
            [exercise.chart.bars[i].chorus for i in exercise.chart.bar_idx_at(exercise.model.notes["onset_beats"])]
        )
        verse, solo = (exercise.model.notes[chorus == c] for c in (2, 3))
        denser = len(solo) / 12 - len(verse) / 12
        higher = np.median(solo["pitch"]) - np.median(verse["pitch"])
        assert (denser >= 1.0) == (name != "height")
        assert (higher >= 5.0) == (name != "density")


def test_the_arc_model_rises_and_falls() -> None:
    exercise = DRILLS["arc_over_two_choruses"].build("A", 100.0, 1)
    bars = exercise.chart.bars
    pitch = [
        np.median(
            exercise.model.notes["pitch"][exercise.chart.bar_idx_at(exercise.model.notes["onset_beats"]) == b.idx]
        )
        for b in bars
    ]
    first, second = pitch[:12], pitch[12:24]
    assert np.polyfit(range(12), first, 1)[0] > 0.3 and np.polyfit(range(12), second, 1)[0] < -0.3
