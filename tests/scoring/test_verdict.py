"""The verdict: four lines and at most three pieces of advice, each with its evidence and a drill that there is."""

from __future__ import annotations

import itertools
import json
import tomllib
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest
from scipy.signal import lfilter
from scipy.stats import median_abs_deviation

import trainer.scoring.levels
from tests.scoring.makers import shuffle_take
from tests.sim.players import Player, perform
from trainer.cli.speaking import card_text
from trainer.clock.tempo import TempoMap
from trainer.errors import UsageError
from trainer.line import StandIn, model_line, planned_song
from trainer.line.stand_in import Feel, Slip
from trainer.music import FORMS, GROOVES
from trainer.practice.drills import DRILLS
from trainer.scoring import Scorecard, score
from trainer.scoring.form import Back, BarPlace, FormResult, LostSpan
from trainer.scoring.judging import verdict
from trainer.scoring.levels import level_named, levels
from trainer.scoring.shape import Shape
from trainer.scoring.stats import spread_interval
from trainer.session import BEATS_PER_BAR, ChorusPlan, Session, expand, session_from_dict
from trainer.take import Take, empty_notes, notes_from_rows

ROOT = Path(__file__).resolve().parent.parent.parent
PLAN = [
    {"role": "verse", "times": 2, "intensity": 0.4},
    {"role": "solo", "times": 2, "intensity": [0.7, 0.9]},
    {"role": "verse", "times": 1},
]
SESSION = session_from_dict({"key": "G", "tempo_bpm": 110.0, "chorus": PLAN})
CHART = expand(SESSION)


def card_of(level: str = "jam", **feel: Any) -> Scorecard:
    feel = {"missed_frac": 0.0, "swing_ratio": 2.0, **feel}
    played = StandIn(Feel(**feel), seed=3).play(planned_song(CHART, 1))
    return score(Take(played.notes, TempoMap(CHART.tempo_segments), SESSION), level=level)


def test_a_take_to_plan_meets_every_target_and_earns_no_advice() -> None:
    out = card_of("stage", jitter_sd_ms=5.0).verdict.to_dict()
    assert [line["name"] for line in out["lines"]] == ["feel", "time", "landing", "form and shape"]
    assert all(line["met"] for line in out["lines"]), out
    assert out["advice"] == [] and out["why"]["advice"]["code"] == "met"


@pytest.mark.parametrize(
    ("feel", "about"),
    [
        ({"swing_ratio": 1.1}, "feel"),
        ({"jitter_sd_ms": 45.0}, "time"),
        ({"missed_frac": 0.5}, "landing"),
        ({"slips": (Slip(2, 3, 3, 9, 4.0),)}, "form"),
    ],
)
def test_what_is_weak_is_named_with_evidence_and_a_drill(feel: dict[str, Any], about: str) -> None:
    out = card_of("jam", **feel).verdict.to_dict()
    named = [a for a in out["advice"] if a["about"] == about]
    assert len(named) == 1, out["advice"]
    assert any(ch.isdigit() for ch in named[0]["evidence"]) and named[0]["drill"] in DRILLS


def test_a_spread_that_cannot_be_told_from_its_target_is_not_blamed() -> None:
    """At 110 bpm 4.5 % of a beat are 24.5 ms: a little over that is not told apart by a song's notes; well over is."""
    for jitter_ms, met in ((15.0, True), (27.0, None), (45.0, False)):
        line = card_of("jam", jitter_sd_ms=jitter_ms, jitter_lag1=0.0).verdict.to_dict()["lines"][1]
        assert line["met"] is met, (jitter_ms, line)
        if met is None:
            assert line["interval"][0] < 4.5 < line["figure"] < line["interval"][1]
            assert line["why"]["met"]["code"] == "too_few"


def test_bars_elsewhere_are_a_share_of_the_players_own() -> None:
    """Two choruses of four are only listened to: five bars lost are five of 24, not of 48."""
    plan = [{"role": "verse", "heard": True}, {"role": "verse"}] * 2
    chart = expand(session_from_dict({"chorus": plan}))
    tempo = TempoMap(chart.tempo_segments)
    feel = Feel(missed_frac=0.0, slips=(Slip(2, 5, 2, 11),))
    notes = StandIn(feel, seed=3).play(model_line(chart, device="boogie_figure", seed=3), tempo).notes
    card = score(Take(notes, tempo, chart.session))
    (line,) = [line for line in card.to_dict()["verdict"]["lines"] if line["name"] == "form and shape"]
    lost = card.to_dict()["form"]["bars_lost"]
    assert lost >= 4 and line["figure"] == pytest.approx(lost / 24, abs=1e-4)
    assert any(f"{lost} of 24 bars" in advice["evidence"] for advice in card.to_dict()["verdict"]["advice"])


def test_at_most_three_pieces_of_advice_of_drills_that_there_are() -> None:
    bad = {"swing_ratio": 1.0, "jitter_sd_ms": 60.0, "missed_frac": 0.6, "drift_ms_per_chorus": 40.0}
    out = card_of("stage", **bad).verdict.to_dict()
    assert len(out["advice"]) == 3
    assert all(a["drill"] in DRILLS for a in out["advice"])
    assert len({a["drill"] for a in out["advice"]}) == 3
    landing = out["lines"][2]
    assert landing["met"] is False and landing["bars"] and landing["interval"][0] < landing["figure"]


def without_the_change_in(bar: int, form: str = "quick_change_12", groove: str = "shuffle") -> Scorecard:
    """Four clean choruses that keep the chord before in one bar of each."""
    session = session_from_dict({"key": "A", "form": form, "groove": groove, "chorus": [{"role": "verse", "times": 4}]})
    chart = expand(session)
    line = model_line(chart, device="root_shuffle", seed=3)
    notes = StandIn(Feel(missed_frac=0.0), seed=3).play(line, TempoMap(chart.tempo_segments)).notes
    beats = TempoMap(chart.tempo_segments).beats_at(notes["onset_s"])
    at = chart.bar_idx_at(np.clip(beats + 0.2, 0.0, chart.end_beats - 0.1))
    for idx in np.flatnonzero([row.bar == bar for row in chart.bars]):
        old = notes["pitch"][at == idx - 1]
        notes["pitch"][at == idx] = old[0]
    return score(Take(notes, TempoMap(chart.tempo_segments), session))


@pytest.mark.parametrize(
    ("bar", "form", "groove", "options"),
    [
        (2, "quick_change_12", "shuffle", "--bar 1"),
        (5, "slow_change_12", "two_beat", "--bar 4 --form slow_change_12 --groove two_beat"),
    ],
)
def test_a_change_that_goes_by_in_every_chorus_is_named_however_good_the_rate(
    bar: int, form: str, groove: str, options: str
) -> None:
    card = without_the_change_in(bar, form, groove)
    line = card.verdict.lines[2]
    assert line.met is (form == "quick_change_12")  # one change of eight: the rate alone lets it pass
    first = card.verdict.advice[0]
    assert (
        first.about == "landing"
        and f"bar {bar} " in first.text
        and f"into bar {bar} missed 4 of 4 times" in first.evidence
    )
    assert "stayed on I" in first.evidence
    assert first.drill == "change_one_four" and first.options == options
    made = DRILLS[first.drill].build("A", 100.0, form=form, groove=groove, bar=bar - 1)
    assert made.facts["lands_in_bar"] == bar


def test_a_change_missed_now_and_then_is_no_habit() -> None:
    for seed in range(3):
        advice = card_of("jam", missed_frac=0.05, jitter_sd_ms=5.0 + seed).verdict.advice
        assert not any("goes by" in item.text for item in advice)


def test_solos_wait_until_the_changes_land() -> None:
    """Half of the changes missed and no solo opened: the changes come first, however far the shape is from its plan."""
    about = [a.about for a in card_of("jam", missed_frac=0.5).verdict.advice]
    assert "landing" in about and about.index("landing") < (about.index("shape") if "shape" in about else 9)


def test_a_chorus_played_elsewhere_in_the_form_is_not_open() -> None:
    """Roots a bar ahead of the band look varied against its chords; they are lost, and no solo that opened."""
    tempo = TempoMap(CHART.tempo_segments)
    notes = StandIn(Feel(missed_frac=0.0), seed=3).play(model_line(CHART, device="root_shuffle", seed=3), tempo).notes
    beats = tempo.beats_at(notes["onset_s"])
    bar = np.floor((beats + 0.5) / BEATS_PER_BAR)
    notes["onset_s"][bar > 20] -= BEATS_PER_BAR * 60.0 / SESSION.tempo_bpm
    skipped = bar == 20  # bar 9 of chorus 2
    card = score(Take(notes[~skipped], tempo, SESSION))
    assert isinstance(card.shape, Shape)
    assert [c.verdict for c in card.shape.choruses[2:4]] == ["wandering"] * 2, card.shape.line
    assert "the place in the form was lost" in card.shape.choruses[2].sentence()
    about = [advice.about for advice in card.verdict.advice]
    assert about[0] == "form" and "shape" not in about


@pytest.mark.parametrize(
    ("early_ms", "said", "size"),
    [
        (lambda bar: 5.0 * (bar % 12), "You rush through every chorus", 60.0),
        (lambda bar: 45.0 * (24 <= bar < 48), "You rush in the solos", 45.0),
        (lambda bar: -45.0 * (24 <= bar < 48), "You drag in the solos", 45.0),
        (lambda bar: 1.0 * (bar % 12), None, 0.0),  # under what is heard
    ],
)
def test_who_rushes_by_the_part_of_the_song_is_told_where(
    early_ms: Callable[[int], float], said: str | None, size: float
) -> None:
    tempo = TempoMap(CHART.tempo_segments)
    feel = Feel(missed_frac=0.0, swing_ratio=2.0, jitter_sd_ms=10.0)
    notes = StandIn(feel, seed=3).play(planned_song(CHART, 1)).notes
    bars = np.floor((tempo.beats_at(notes["onset_s"]) + 0.25) / BEATS_PER_BAR).astype(int)
    notes["onset_s"] -= [0.001 * early_ms(bar) for bar in bars.tolist()]
    notes.sort(order="onset_s")
    told = score(Take(notes, tempo, SESSION)).verdict
    advice = [a for a in told.advice if a.text.startswith(("You rush", "You drag"))]
    assert [a.text.startswith(said) for a in advice] == [True] if said else not advice
    if said:
        assert float(advice[0].evidence.split()[0]) == pytest.approx(size, abs=8.0)
        assert told.lines[1].met is False and told.lines[1].also == advice[0].evidence  # the spread may be on target


def test_a_loose_hand_is_not_told_that_it_rushes() -> None:
    for seed in range(8):
        played = StandIn(Feel(missed_frac=0.0, jitter_sd_ms=30.0, jitter_lag1=0.4), seed=seed).play(
            planned_song(CHART, 1)
        )
        advice = score(Take(played.notes, TempoMap(CHART.tempo_segments), SESSION)).verdict.advice
        assert not any(a.text.startswith(("You rush", "You drag")) for a in advice)


def test_pairs_from_every_feel_are_not_called_straight() -> None:
    """Half of the off-beats even, half dotted: no swing of its own, and nothing to put right by ear."""
    tempo = TempoMap(CHART.tempo_segments)
    feel = Feel(missed_frac=0.0, swing_ratio=2.0, jitter_sd_ms=5.0)
    notes = StandIn(feel, seed=3).play(model_line(CHART, device="root_shuffle", seed=3), tempo).notes
    place = tempo.beats_at(notes["onset_s"]) % 1.0
    off = np.flatnonzero((place > 0.4) & (place < 0.9))
    notes["onset_s"][off] += np.where(np.arange(len(off)) // 8 % 2, 0.10, -0.16) * 60.0 / SESSION.tempo_bpm
    out = score(Take(notes, tempo, SESSION)).verdict
    low, high = out.lines[0].figure.interval or (0.0, 0.0)
    assert high > 2.0 * low and out.lines[0].met is None and "scatter too widely" in out.lines[0].text
    assert not any(advice.about == "feel" for advice in out.advice)


def test_a_shape_that_is_not_to_plan_is_said_beside_the_form() -> None:
    tempo = TempoMap(CHART.tempo_segments)
    notes = StandIn(Feel(missed_frac=0.0), seed=3).play(model_line(CHART, device="root_shuffle", seed=3), tempo).notes
    line = score(Take(notes, tempo, SESSION), level="stage").verdict.lines[3]
    assert line.figure.value == 0.0 and line.met is False and line.also == "3 of 5 choruses as planned"


def test_a_line_in_another_key_is_asked_about_by_its_name() -> None:
    played = StandIn(Feel(missed_frac=0.0), seed=3).play(planned_song(CHART, 1)).notes
    played["pitch"] += 2
    text = score(Take(played, TempoMap(CHART.tempo_segments), SESSION)).verdict.lines[2].text
    assert "read 2 semitones lower: is the input transposed, or did you play in A?" in text


def test_every_drill_can_be_had_over_the_songs_own_form_and_groove() -> None:
    for form, groove in zip(itertools.cycle(FORMS), GROOVES, strict=False):
        for name in (name for name in DRILLS if not name.startswith("change_")):
            DRILLS[name].build("A", 100.0, form=form, groove=groove)


def test_every_drill_that_advice_can_name_exists() -> None:
    text = Path(trainer.scoring.levels.__file__).with_name("judging.py").read_text(encoding="utf-8")
    named = {name for name in DRILLS if f'"{name}"' in text}
    assert {"roots", "pin_the_verse", "shuffle_one_note", "drop_out_2_of_4", "open_by_height"} <= named


def test_levels_grow_stricter_and_every_threshold_has_its_source() -> None:
    table = list(levels().values())
    assert [level.name for level in table] == ["first_steps", "rehearsal", "jam", "stage"]
    for easy, hard in itertools.pairwise(table):
        assert easy.swing_log2 > hard.swing_log2 and easy.spread_pct > hard.spread_pct
        assert easy.landed_rate < hard.landed_rate and easy.lost_share > hard.lost_share
    file = Path(trainer.scoring.levels.__file__).with_name("levels.toml")
    text = file.read_text(encoding="utf-8")
    assert tomllib.loads(text)
    for line in text.splitlines():
        if "=" in line and not line.startswith("#") and "title" not in line:
            assert "#" in line, f"no source beside: {line}"
    with pytest.raises(UsageError, match=r'"jamm" is not a level.*did you mean "jam"'):
        level_named("jamm")


def test_nothing_played_is_not_judged() -> None:
    card = score(Take(empty_notes(), TempoMap(CHART.tempo_segments), SESSION))
    out = card.to_dict()
    assert all(line["met"] is None and line["figure"] is None for line in out["verdict"]["lines"])
    assert all(line["why"]["figure"]["text"] for line in out["verdict"]["lines"])
    assert out["verdict"]["advice"] == [] and out["verdict"]["why"]["advice"]["code"] == "nothing_measured"


def test_a_few_bars_tell_nothing_of_the_song() -> None:
    """Two bars of sixty: no drift a chorus, and no word that the form of the song was kept."""
    played = StandIn(Feel(missed_frac=0.0, swing_ratio=2.0), seed=3).play(planned_song(CHART, 1)).notes
    tempo = TempoMap(CHART.tempo_segments)
    card = score(Take(played[played["onset_s"] < float(tempo.seconds_at(8.0))], tempo, SESSION))
    assert card.form.line == "the form kept in the 2 bars that you played"
    line = card.verdict.lines[3]
    assert line.met is None and line.unjudged is not None and "notes in 2 of 12 bars" in line.unjudged.text
    timing = card.to_dict()["timing"]
    assert timing["n"] >= 7 and timing["drift_ms_per_chorus"] is None
    whole = score(Take(played, tempo, SESSION))
    assert whole.form.line == "the form kept throughout" and whole.verdict.lines[3].met


def test_even_grooves_are_not_told_of_a_shuffle_and_a_wide_interval_tells_nothing() -> None:
    even = session_from_dict({"key": "Dm", "groove": "rumba", "tempo_bpm": 112.0, "chorus": PLAN})
    line = planned_song(expand(even), 1)
    played = StandIn(Feel(missed_frac=0.0, swing_ratio=1.8), seed=3).play(line)
    out = score(Take(played.notes, TempoMap(expand(even).tempo_segments), even)).verdict.to_dict()
    (advice,) = [a for a in out["advice"] if a["about"] == "feel"]
    assert "even eighths" in advice["text"] and "shuffle" not in advice["text"] and advice["drill"] in DRILLS
    # Few and scattered pairs: the interval holds the band's ratio, so nobody is told that theirs is another.
    few = session_from_dict({"key": "G", "tempo_bpm": 200.0, "swing_ratio": 1.5, "loop": [1, 4]})
    n_unsure = 0
    for seed in range(6):
        played = StandIn(Feel(swing_ratio=1.9, jitter_sd_ms=30.0), seed).play(planned_song(expand(few), seed))
        card = score(Take(played.notes, TempoMap(expand(few).tempo_segments), few))
        feel = next(line for line in card.verdict.to_dict()["lines"] if line["name"] == "feel")
        n_unsure += feel["met"] is None and "too_few" in str(feel)
        if card.swing.ratio.low <= 1.5 <= card.swing.ratio.high:
            assert feel["met"] is not False, feel
        about = [a["about"] for a in card.verdict.to_dict()["advice"]]
        assert ("feel" in about) == (feel["met"] is False)
    assert n_unsure


def test_without_a_session_feel_and_time_still_stand() -> None:
    played = StandIn(Feel(missed_frac=0.0), seed=3).play(planned_song(CHART, 1))
    out = score(Take(played.notes, TempoMap(CHART.tempo_segments))).verdict.to_dict()
    assert out["lines"][1]["figure"] is not None and out["lines"][3]["figure"] is None
    assert out["lines"][3]["met"] is None


def test_the_whole_card_fits_its_schema() -> None:
    schema = json.loads((ROOT / "shared" / "schema" / "scorecard.schema.json").read_text(encoding="utf-8"))
    for feel in ({}, {"slips": (Slip(2, 3, 3, 9, -4.0),), "missed_frac": 0.3}, {"flat_velocity": 100}):
        out = card_of("stage", **feel).to_dict()
        jsonschema.validate(json.loads(json.dumps(out, allow_nan=False)), schema)


def test_a_verdict_is_pure() -> None:
    first, second = card_of(missed_frac=0.3).verdict.to_dict(), card_of(missed_frac=0.3).verdict.to_dict()
    assert first == second
    assert np.isfinite(first["lines"][0]["figure"])


@pytest.mark.parametrize("r", [0.0, 0.3, 0.6])
def test_the_interval_of_a_spread_covers_it_when_notes_lean_on_the_one_before(r: float) -> None:
    # 400 series of 200 AR(1) notes of spread 1; scipy's MAD stands in for the card's.
    rng = np.random.default_rng(3)
    kept = 0
    for _ in range(400):
        late = lfilter([np.sqrt(1.0 - r * r)], [1.0, -r], rng.standard_normal(300))[100:]
        low, high = spread_interval(float(median_abs_deviation(late, scale="normal")), 200, r)
        kept += low <= 1.0 <= high
    assert 0.92 <= kept / 400 <= 0.98, kept / 400


def test_a_bar_asked_about_is_not_held_against_the_player() -> None:
    card = card_of("stage", jitter_sd_ms=5.0)
    assert isinstance(card.form, FormResult)
    sure = LostSpan(BarPlace(2, 5), BarPlace(2, 5), -4.0, "repeated", Back(2, 6, 68.0), 0.97, 16, 16)
    for span, met in ((replace(sure, probability=0.7), True), (sure, False)):
        lost, asked = ((), (span,)) if met else ((span,), ())
        told = verdict(replace(card, form=replace(card.form, lost=lost, asked=asked, bars_lost=len(lost))), "stage")
        assert told.lines[3].met is met and ("did you mean it?" in told.lines[3].text) is met
        assert bool(told.advice) is not met


def test_who_is_a_bar_behind_all_along_is_told_that_and_not_of_changes() -> None:
    chart = expand(Session(choruses=(ChorusPlan("verse", 4, (0.5,) * 4),)))
    tempo = TempoMap(chart.tempo_segments)
    rows = []
    for before, bar in itertools.pairwise(chart.bars):
        for k in range(BEATS_PER_BAR):
            pitch = 28 + (before.chords[0].root_pc - 28) % 12
            rows.append((float(tempo.seconds_at(bar.onset_beats + k)), 0.3, pitch, 90))
    card = score(Take(notes_from_rows(rows), tempo, chart.session))
    assert card.form.bars_elsewhere and card.landing.landed_rate.value < 0.2
    assert [advice.about for advice in card.verdict.advice] == ["form"]
    assert "Did you mean to stay" not in card_text(card)


def test_who_leaves_half_of_it_out_is_not_told_to_do_less() -> None:
    chart = expand(Session(choruses=(ChorusPlan("verse", 4, (0.5,) * 4),)))
    take = shuffle_take(chart, chart.swing_ratio, jitter_ms=4.0)
    some = np.random.default_rng(5).random(len(take.notes)) < 0.5
    card = score(replace(take, notes=take.notes[some]))
    assert card.landing.half_missing and any(c.as_planned is False for c in card.shape.choruses)
    assert not any(advice.about == "shape" for advice in card.verdict.advice)


@pytest.mark.parametrize("seed", range(6))
def test_a_walker_is_not_told_to_play_a_riff(seed: int) -> None:
    """A verse walked in quarters is not asked for one rhythm."""
    plans = (ChorusPlan("verse", 3, (0.5,) * 3),)
    chart = expand(Session(choruses=plans))
    tempo = TempoMap(chart.tempo_segments)
    walker = Player("walk", np.random.default_rng(seed), "b")  # a judging kind: nothing was tuned on it
    perform(chart, walker, lambda beat: 0.0)
    rows = [(float(tempo.seconds_at(at)), 0.3, pitch, velocity) for at, pitch, _, velocity in sorted(walker.rows)]
    card = score(Take(notes_from_rows(rows), tempo, chart.session))
    assert all(chorus.as_planned is not False for chorus in card.shape.choruses)
    assert not any("Hold the verse down" in advice.text for advice in card.verdict.advice)


def test_a_flawless_take_is_told_what_next() -> None:
    chart = expand(Session(choruses=(ChorusPlan("verse", 3, (0.5,) * 3),)))
    said = card_text(score(shuffle_take(chart, chart.swing_ratio, jitter_ms=4.0)))
    assert said.splitlines()[-1].startswith("All four meet their targets; next: another key, or a little faster (")
    assert card_text(score(shuffle_take(chart, chart.swing_ratio, jitter_ms=4.0), level="stage")).endswith(
        "next: another key, or a little faster."
    )


def test_a_take_too_short_to_judge_is_not_told_that_all_was_well() -> None:
    """Two bars of a chorus, then stopped: what could not be judged is named, and nothing harder is proposed."""
    chart = expand(Session(choruses=(ChorusPlan("verse", 3, (0.5,) * 3),)))
    whole = shuffle_take(chart, chart.swing_ratio, jitter_ms=4.0)
    notes = whole.notes[whole.notes["onset_s"] < 9.0 * 60.0 / whole.tempo.bpm_at(0.0)]
    said = card_text(score(replace(whole, notes=notes)))
    assert "too few notes for a shape" in said and "What to work on" not in said
    assert "next:" not in said and "not judged: " in said.splitlines()[-1] and "landing" in said.splitlines()[-1]
    shapes = [chorus.sentence() for chorus in score(replace(whole, notes=notes)).shape.choruses]
    assert shapes == [
        "Chorus 1 (verse): 3 bars of its 12 were played.",
        "Chorus 2 (verse): not played.",
        "Chorus 3 (verse): not played.",
    ]
