"""The planner finds what is weak, gives it time, and starves nothing; the scheduler's dates are the library's own."""

from __future__ import annotations

import datetime
import itertools
import statistics
from collections import Counter
from dataclasses import replace
from pathlib import Path

import fsrs
import pytest

from tests.practice.learners import EVENINGS, FIRST, at_random, blocked, evenings, ours
from trainer.clock import TempoMap
from trainer.errors import UsageError
from trainer.line import Feel, StandIn, model_line
from trainer.music import GROOVES
from trainer.practice.drills import DRILLS
from trainer.practice.evening import (
    Evidence,
    OwnSong,
    Piece,
    advised_by,
    evidence_of,
    evidence_of_run,
    home_key,
    keys_of,
    plan_evening,
    run_minutes,
    turns_of,
    weakness,
)
from trainer.practice.history import DrillRun, History
from trainer.practice.memory import LONGEST_DAYS, Item, grade, standings, tempo_range
from trainer.practice.tempo import next_tempo_bpm
from trainer.scoring import score
from trainer.session import expand, session_from_dict
from trainer.take import Take, TakeHeader, write_take

UTC = datetime.UTC


def run(day: int, share: float, drill: str = "roots", tempo_bpm: float = 96.0) -> DrillRun:
    moment = datetime.datetime(2026, 1, 1, 19, tzinfo=UTC) + datetime.timedelta(days=day)
    return DrillRun(drill, "G", tempo_bpm, moment, share >= 0.8, share)


@pytest.mark.parametrize("weak", DRILLS)
def test_the_weakness_is_worked_on_by_the_third_evening(weak: str) -> None:
    """Whatever it is, in evenings of twenty minutes, whether a song shows it or only a drill does."""
    found = [evenings(ours, [weak], 3, seed).first_time.get(weak, 99) for seed in range(30)]
    assert sum(evening <= 3 for evening in found) >= 26, found


def test_all_weaknesses_are_found_in_time_nearly_always() -> None:
    found = [evenings(ours, [weak], 3, seed).first_time.get(weak, 99) for weak in DRILLS for seed in range(30, 45)]
    assert sum(evening <= 3 for evening in found) >= 0.96 * len(found)


def test_it_gets_at_least_twice_the_time_of_a_random_plan() -> None:
    """Ten evenings, ten learners for each weakness; also against drilling in blocks, which get as much for drills."""
    minutes = {
        planner.__name__: [
            statistics.mean(evenings(planner, [weak], EVENINGS, seed).minutes[weak] for seed in range(10))
            for weak in DRILLS
        ]
        for planner in (ours, at_random, blocked)
    }
    mean = {name: statistics.mean(each) for name, each in minutes.items()}
    assert mean["ours"] >= 4.0 * max(mean["at_random"], mean["blocked"]), mean
    assert min(minutes["ours"]) >= 2.0 * mean["at_random"], minutes["ours"]


def test_nothing_starves() -> None:
    """Every drill of the catalogue comes round within one turn of the waiting list, weak or not."""
    for seed in range(5):
        learner = evenings(ours, ["change_five_four"], 2 * len(DRILLS), seed)
        assert set(learner.first_time) == set(DRILLS)
        assert learner.longest_wait <= len(DRILLS) + 5


def test_a_mended_weakness_gives_way() -> None:
    bad = [Evidence("change_five_four", FIRST, 0.1) for _ in range(4)]
    good = [Evidence("change_five_four", FIRST + datetime.timedelta(days=20), 1.0) for _ in range(4)]
    later = FIRST + datetime.timedelta(days=21)
    assert weakness(bad, FIRST)["change_five_four"] > 0.6
    assert weakness(bad + good, later)["change_five_four"] < 0.4
    assert weakness([], FIRST)["roots"] == pytest.approx(0.4)


@pytest.mark.parametrize("minutes", [8, 12, 20, 40, 60, 120])
def test_an_evening_has_its_parts_and_keeps_to_its_time(minutes: int) -> None:
    evening = plan_evening(minutes, [], [], FIRST)
    kinds = [piece.kind for piece in evening.pieces]
    assert kinds[0] == "warm_up" and kinds[-2:] == ["song", "look"] and "drill" in kinds
    assert len(set(evening.drills)) == len(evening.drills)
    # With nothing known, everything is a first try; with everything known, two or three drills with their full time.
    assert all(piece.why.startswith("first try") for piece in evening.pieces if piece.kind == "drill")
    assert evening.minutes <= minutes + 0.5  # with its breaks
    assert ("break" in kinds) == (minutes >= 40)
    assert plan_evening(minutes, [], [], FIRST) == evening
    known = plan_evening(minutes, [Evidence(name, FIRST, 0.9) for name in DRILLS], [], FIRST)
    assert known.minutes <= minutes + 0.5
    if minutes == 20:
        assert 2 <= len(known.drills) <= 3 and len(evening.drills) >= 3


def test_what_is_weak_keeps_its_time_while_others_are_tried() -> None:
    """On the first evenings two minutes of its own at least, later all that it wants."""
    bad = [Evidence("change_five_four", FIRST, 0.0, 2.0)]
    for before, least in ((0, 2.0), (3, 5.0)):
        runs = [run(day - 10, 1.0) for day in range(before)]
        today = FIRST + datetime.timedelta(days=1)
        first, *others = (piece for piece in plan_evening(25, bad, runs, today).pieces if piece.kind == "drill")
        assert first.drill == "change_five_four" and first.minutes >= least and first.short == (before == 0)
        tries = [piece for piece in others if piece.why == "first try" and piece.short]
        assert len(tries) >= 3 and {piece.why for piece in others} <= {"first try", "worth another visit"}


def test_what_went_wrong_once_is_tried_again_first() -> None:
    """One failed pass may be chance: it is worked on next evening, in short runs, and a clean one clears it."""
    moment = datetime.datetime.combine(FIRST, datetime.time(19), UTC)
    failed = DrillRun("push", "G", 96.0, moment, False, 0.0, n_passes=1)
    today = FIRST + datetime.timedelta(days=1)
    first = next(p for p in plan_evening(20, [evidence_of_run(failed)], [failed], today).pieces if p.kind == "drill")
    assert (first.drill, first.short, first.why) == ("push", True, "did not go yet")
    passed = replace(failed, created=moment + datetime.timedelta(days=1), passed=True, share=1.0)
    heard = [evidence_of_run(failed), evidence_of_run(passed)]
    later = plan_evening(20, heard, [failed, passed], today + datetime.timedelta(days=1))
    assert "push" not in later.drills


@pytest.mark.parametrize("minutes", [8, 12, 20, 25, 45, 90])
def test_the_runs_of_an_evening_fit_its_minutes(minutes: int) -> None:
    for seed in range(4):
        evening = plan_evening(minutes, [], [], FIRST, seed=seed)
        turns = turns_of(evening)
        runs = [piece for piece in turns if piece.drill is not None]
        assert {piece.drill for piece in runs} >= set(evening.drills)
        spent = sum(run_minutes(p.drill, p.tempo_bpm, p.short) for p in runs if p.drill and p.tempo_bpm)
        rest = sum(piece.minutes for piece in evening.pieces if piece.kind in ("song", "look"))
        assert spent + rest <= minutes, (spent, minutes)
        assert [p.kind for p in turns if p.kind != "drill"] == [
            p.kind for p in evening.pieces if p.kind not in ("drill", "look")
        ]


def test_due_dates_equal_the_librarys_own() -> None:
    """Outside judge: PyPI `fsrs`, called by itself with the same reviews."""
    days = [(0, 1.0), (1, 0.9), (4, 0.6), (6, 0.2), (7, 1.0), (12, 1.0)]
    scheduler = fsrs.Scheduler(
        learning_steps=(), relearning_steps=(), maximum_interval=LONGEST_DAYS, enable_fuzzing=False
    )
    ratings = {1.0: fsrs.Rating.Good, 0.9: fsrs.Rating.Good, 0.6: fsrs.Rating.Hard, 0.2: fsrs.Rating.Again}
    card = fsrs.Card()
    for n, (day, share) in enumerate(days, 1):
        noon = datetime.datetime(2026, 1, 1, 12, tzinfo=UTC) + datetime.timedelta(days=day)
        card, _ = scheduler.review_card(card, ratings[share], noon)
        today = noon.date()
        held = standings([run(d, s) for d, s in days[:n]], today)[Item("roots", "G", "medium")]
        assert held.due == card.due.date()
        assert held.due > today  # whole days: never again on the same day
        assert held.kept_frac == pytest.approx(scheduler.get_card_retrievability(card, noon))


def test_grades_and_items() -> None:
    assert grade([1.0, 1.0, 1.0]) == fsrs.Rating.Easy and grade([1.0]) == fsrs.Rating.Good
    assert grade([0.6]) == fsrs.Rating.Hard and grade([0.0, 0.5]) == fsrs.Rating.Again
    with pytest.raises(ValueError, match="no grade"):
        grade([])
    # Common practice: slow to 80, medium to 130, up to 165 bpm.
    assert [tempo_range(t) for t in (60, 96, 140, 200)] == ["slow", "medium", "up", "fast"]
    held = standings([run(0, 1.0), run(0, 1.0, tempo_bpm=140.0)], datetime.date(2026, 1, 2))
    assert {item.tempo for item in held} == {"medium", "up"}


def test_tempo_climbs_and_falls_by_the_stated_rule() -> None:
    assert next_tempo_bpm("climb", 100.0, []) == 100.0
    assert next_tempo_bpm("climb", 100.0, [(100.0, True)]) == 100.0
    assert next_tempo_bpm("climb", 100.0, [(100.0, True), (100.0, True)]) == 104.0
    assert next_tempo_bpm("climb", 100.0, [(100.0, False), (100.0, False)]) == 94.0
    assert next_tempo_bpm("climb", 100.0, [(100.0, True), (100.0, False), (100.0, True)]) == 100.0
    assert next_tempo_bpm("climb", 239.0, [(239.0, True), (239.0, True)]) == 240.0
    assert next_tempo_bpm("at_tempo", 100.0, [(100.0, False)] * 5) == 100.0
    assert [next_tempo_bpm("alternate", 100.0, [(0.0, True)] * n) for n in range(4)] == [75.0, 100.0, 75.0, 100.0]
    with pytest.raises(UsageError, match='did you mean "climb"'):
        next_tempo_bpm("clim", 100.0, [])


def test_a_change_comes_in_the_key_where_it_is_missed_and_at_the_tempo_where_it_was(tmp_path: Path) -> None:
    def song(key: str, day: int, deaf_to: str = "") -> None:
        session = session_from_dict({"key": key, "chorus": [{"role": "verse", "times": 4}]})
        chart = expand(session)
        tempo = TempoMap(chart.tempo_segments)
        notes = StandIn(Feel(missed_frac=0.0), seed=day).play(model_line(chart, device="root_shuffle"), tempo).notes
        beats = tempo.beats_at(notes["onset_s"]) + 0.4
        spans = chart.spans
        for before, span in itertools.pairwise(spans):
            if f"{before.degree}→{span.degree}" == deaf_to:
                notes = notes[~((beats >= span.onset_beats) & (beats < span.onset_beats + 2.0))]
                beats = tempo.beats_at(notes["onset_s"]) + 0.4
        header = TakeHeader(created=f"2026-01-0{day}T19:00:00+00:00")
        write_take(Take(notes=notes, tempo=tempo, session=session, header=header), tmp_path)

    for day, (key, deaf_to) in enumerate((("A", ""), ("E", "V→IV"), ("A", "")), 1):
        song(key, day, deaf_to)
    today = datetime.date(2026, 1, 4)
    with History(tmp_path) as book:
        book.refresh()
        missed, keys = keys_of(book, today)
        assert keys["change_five_four"] == "E" and "change_one_four" not in keys
        assert set(missed) == {"E"} and 0.1 < missed["E"] < 0.5
        moment = datetime.datetime(2026, 1, 3, 18, tzinfo=UTC)
        faster = DrillRun("change_five_four", "E", 112.0, moment, True, 1.0)  # not due yet
        names = ("change_five_four", "change_one_four")
        pieces = plan_evening(20, evidence_of(book), [faster], today, key="A", keys=keys, names=names).pieces
    piece = next(piece for piece in pieces if piece.drill == "change_five_four")
    assert (piece.key, piece.tempo_bpm) == ("E", 112.0)
    assert next(piece for piece in pieces if piece.kind == "song").key == "A"


def test_over_twelve_weeks_no_night_is_another() -> None:
    """Daily evenings of learners with a weakness each: shape, keys, grooves and tempi of every twelve evenings."""
    for seed, weak in enumerate(("change_five_four", "push", "drop_out_2_of_4")):
        learner = evenings(ours, [weak], 84, seed)
        assert learner.first_time[weak] <= 3
        assert all(len(evening.pieces) <= 7 for evening in learner.plans[:3])
        for evening in learner.plans:
            minutes = Counter(dict.fromkeys(evening.drills, 0.0))
            for piece in evening.pieces:
                if piece.drill is not None:
                    minutes[piece.drill] += piece.minutes
            assert max(minutes.values()) <= evening.minutes / 3.0, evening
        songs = [next(p for p in evening.pieces if p.kind == "song") for evening in learner.plans]
        for i in range(len(songs) - 11):
            assert len({song.key for song in songs[i : i + 12]}) >= 6
            assert len({song.groove for song in songs[i : i + 12]}) >= 4
            assert len({song.tempo_bpm for song in songs[i : i + 12]}) >= 6
        assert all(one.key != two.key for one, two in itertools.pairwise(songs))


def test_keys_come_as_they_are_called_and_more_where_changes_are_missed() -> None:
    def keys(missed: dict[str, float]) -> Counter[str]:
        runs: list[DrillRun] = []
        for day in range(60):
            key = home_key(runs, FIRST + datetime.timedelta(days=day), missed)
            moment = datetime.datetime.combine(FIRST + datetime.timedelta(days=day), datetime.time(19), UTC)
            runs.append(DrillRun("roots", key, 96.0, moment, True, 1.0))
        return Counter(run.key for run in runs)

    usual, at_a_loss = keys({}), keys({"Bb": 0.8})
    assert {key for key, _ in usual.most_common(3)} == {"E", "A", "G"}
    assert at_a_loss["Bb"] >= 1.5 * usual["Bb"]


def test_what_is_clean_evening_after_evening_gets_a_sixth_at_most() -> None:
    heard = [Evidence(name, FIRST, 0.95, 3.0) for name in DRILLS if name != "push"]
    runs = [run(day, 1.0, "push") for day in range(3)]
    missed = [run(day, float(day != 1), "push") for day in range(3)]
    today = datetime.date(2026, 1, 5)
    for minutes in (20, 40):
        evening = plan_evening(minutes, [*heard, Evidence("push", FIRST, 0.0, 9.0)], runs, today)
        piece = next(piece for piece in evening.pieces if piece.drill == "push")
        assert piece.minutes <= minutes / 6.0
    once = plan_evening(20, [*heard, Evidence("push", FIRST, 0.0, 9.0)], missed, today)
    assert next(piece for piece in once.pieces if piece.drill == "push").minutes > 20 / 6.0


def test_what_the_last_song_asked_for_comes_first() -> None:
    for heard in ([], [Evidence(name, FIRST, 0.9) for name in DRILLS]):
        evening = plan_evening(20, heard, [], FIRST, advised=("slide_in",))
        first = next(piece for piece in evening.pieces if piece.kind == "drill")
        assert (first.drill, first.why) == ("slide_in", "the last song asked for it")


def test_what_a_song_asked_for_is_asked_for_until_it_is_played(tmp_path: Path) -> None:
    """From the takes alone: who misses every root is told so, and the next evening begins there."""
    session = session_from_dict({"key": "E", "chorus": [{"role": "verse", "times": 4}]})
    chart = expand(session)
    tempo = TempoMap(chart.tempo_segments)
    notes = StandIn(Feel(missed_frac=0.0), seed=1).play(model_line(chart, device="root_shuffle"), tempo).notes
    notes["pitch"] += 2
    take = Take(notes[::2], tempo, session=session, header=TakeHeader(created="2026-01-05T19:00:00+00:00"))
    write_take(take, tmp_path)
    asked = [advice.drill for advice in score(take).verdict.advice]
    assert asked and set(asked) <= set(DRILLS)
    with History(tmp_path) as book:
        book.refresh()
        advised = advised_by(book)
        assert list(advised) == asked
        evening = plan_evening(20, evidence_of(book), book.drill_runs(), datetime.date(2026, 1, 6), advised=advised)
    assert evening.drills[0] == asked[0]
    exercise = DRILLS[asked[0]].build("E", 96.0, 1)
    kept = {"drill": {"name": asked[0], "key": "E", "tempo_bpm": 96.0, "seed": 1}}
    header = TakeHeader(created="2026-01-06T19:00:00+00:00", extra=kept)
    drilled = StandIn(Feel(missed_frac=0.0), seed=2).play(exercise.model).notes
    write_take(
        Take(drilled, TempoMap(exercise.chart.tempo_segments), session=exercise.session, header=header), tmp_path
    )
    with History(tmp_path) as book:
        book.refresh()
        assert list(advised_by(book)) == asked[1:]


def test_a_song_of_ones_own_is_practised_in_parts() -> None:
    own = OwnSong("Bb", 118.0, "straight", 4.0, (((5, 8), "cost most last time"), ((1, 4), "a part of your song")))
    evening = plan_evening(20, [], [], FIRST, own=own, key="Bb")
    parts = [piece for piece in evening.pieces if piece.kind == "part"]
    assert [(p.bars, p.key, p.tempo_bpm, p.groove) for p in parts][:1] == [((5, 8), "Bb", 118.0, "straight")]
    song = evening.pieces[-2]
    assert (song.kind, song.key, song.tempo_bpm, song.groove) == ("song", "Bb", 118.0, "straight")
    assert song.minutes >= own.minutes and len(evening.pieces) <= 7 and evening.minutes <= 20.5


def test_runs_come_in_the_order_that_was_said() -> None:
    known = [Evidence(name, FIRST, 0.9) for name in DRILLS]
    evening = plan_evening(40, known, [], FIRST)
    drills = [piece.drill for piece in turns_of(evening) if piece.kind == "drill"]
    assert list(dict.fromkeys(drills)) == list(evening.drills)


@pytest.mark.parametrize("seed", range(40))
def test_no_song_of_the_first_weeks_is_faster_than_what_was_held(seed: int) -> None:
    """A second evening was called at 151 bpm, of somebody who had held 96. What is asked for is had."""

    def song(day: int, runs: list[DrillRun], tempo_bpm: float | None = None) -> Piece:
        today = FIRST + datetime.timedelta(days=day)
        return next(
            p for p in plan_evening(30, [], runs, today, seed=seed, tempo_bpm=tempo_bpm).pieces if p.kind == "song"
        )

    runs = [run(0, 1.0), run(0, 0.2, "one_four", 180.0)]
    for day in (1, 5, 20):
        runs.append(run(day - 1, 1.0, tempo_bpm=96.0 + day))
        called = song(day, runs)
        least, most = GROOVES[called.groove].tempo_low_bpm, min(GROOVES[called.groove].stage_bpm[1], 96.0 + day)
        assert called.tempo_bpm is not None and least <= called.tempo_bpm <= most
    assert song(1, runs[:2], 151.0).tempo_bpm == 151.0


def test_after_the_first_weeks_songs_are_called_as_fast_as_on_a_stage() -> None:
    runs = [run(0, 1.0)]
    days = [FIRST + datetime.timedelta(days=day) for day in range(28, 112)]
    runs += [run(day, 1.0) for day in range(28, 112, 3)]
    songs = [next(p for p in plan_evening(30, [], runs, day).pieces if p.kind == "song") for day in days]
    assert max(song.tempo_bpm or 0.0 for song in songs) > 130.0
