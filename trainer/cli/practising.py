"""`trainer drills`, `drill`, `practice`, `stage`: what to work on, and a whole night."""

from __future__ import annotations

import datetime
import json
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, replace
from functools import partial
from typing import TYPE_CHECKING, Annotated, Any

import typer

from trainer.cli.breath import Coming
from trainer.cli.choosing import between, with_options
from trainer.cli.desk import Bpm, Desk, Key, Run, listening, recovered
from trainer.cli.evening import EveningPlayed, judge_of
from trainer.cli.running import Strung, Surroundings
from trainer.cli.speaking import echo, say, to_stderr
from trainer.errors import ODD_DATA

if TYPE_CHECKING:
    from trainer.music import Tuning
    from trainer.practice import Drill, Exercise
    from trainer.practice.evening import DuePhrase, Evening, OwnSong
    from trainer.practice.history import DrillRun, History
    from trainer.practice.memory import Standing
    from trainer.practice.stage import Night, Tune, TuneResult
    from trainer.session import Session

__all__ = ["add_to"]

MAX_DUE_SHOWN = 12

# --- drills ----------------------------------------------------------------------------------------------------------


def drills(as_json: Annotated[bool, typer.Option("--json", help="As JSON.")] = False) -> int:
    """List the drills: what each is for."""
    from trainer.practice import DRILLS

    if as_json:
        rows = [{"name": d.name, "title": d.title, "goal": d.goal, "family": d.family} for d in DRILLS.values()]
        echo(json.dumps(rows, indent=2))
        return 0
    family = ""
    for drill in DRILLS.values():
        if drill.family != family:
            family = drill.family
            echo(f"\n{family.replace('_', '-')}")
        echo(f"  {drill.name:<30}{drill.goal}")
    echo("\nStart one with: trainer drill NAME --key A --bpm 84")
    return 0


@with_options
def drill(
    name: Annotated[str, typer.Argument(metavar="NAME", help="A name from `trainer drills`.")],
    key: Key = "G",
    bpm: Bpm = 96.0,
    bar: Annotated[int | None, typer.Option(metavar="N", help="The bar to work on, where the drill has one.")] = None,
    octave: Annotated[int, typer.Option(metavar="-1|0|1", help="Low, as usual, or an octave up.")] = 0,
    position: Annotated[int | None, typer.Option(metavar="FRET", help="Where on the neck the hand is.")] = None,
    form: Annotated[str, typer.Option(metavar="FORM", help="A built-in form; see: trainer forms")] = "quick_change_12",
    groove: Annotated[str, typer.Option(metavar="GROOVE", help="A groove; see: trainer grooves")] = "shuffle",
    times: Annotated[int, typer.Option(metavar="N", callback=between(1, 20), help="How many runs, 1 to 20.")] = 3,
    mode: Annotated[str, typer.Option(metavar="climb|at_tempo|alternate", help="How the tempo moves.")] = "climb",
    seed: Annotated[int | None, typer.Option(metavar="N", help="The variant of the model line.")] = None,
    *,
    strung: Strung,
    around: Surroundings,
) -> int:
    """Work on one thing: the band plays it, then you, run after run. With a model line, and a pass figure each time."""
    from trainer.practice import drill_named
    from trainer.practice.tempo import next_tempo_bpm
    from trainer.session import check_tempo

    made = drill_named(name)
    check_tempo(bpm)
    next_tempo_bpm(mode, bpm, [])  # a wrong mode is said before anything sounds
    bass = strung.bass()
    where: dict[str, Any] = {"form": form, "groove": groove, "bar": bar, "octave": octave, "position": position}
    made.build(key, bpm, tuning=bass, seed=1 if seed is None else seed, **where)  # likewise a wrong key or bar
    say(f"{made.title}. {made.goal}")
    with Desk(around, strung) as desk:

        def built(number: int, tempo_bpm: float) -> tuple[Exercise, dict[str, Any]]:
            options: dict[str, Any] = {"seed": (seed if seed is not None else 1) + number - 1, **where}
            kept = {"name": name, "key": key, "tempo_bpm": tempo_bpm} | {
                k: v for k, v in options.items() if v is not None
            }
            return made.build(key, tempo_bpm, tuning=bass, **options), {"drill": kept}

        return _runs(made, built, times, lambda passes: next_tempo_bpm(mode, bpm, passes), desk)


def _runs(
    made: Drill,
    built: Callable[[int, float], tuple[Exercise, dict[str, Any]]],
    times: int,
    tempo_after: Callable[[list[tuple[float, bool]]], float],
    desk: Desk,
) -> int:
    """Run after run of one drill, and any of them again; the exit status."""
    passes: list[tuple[float, bool]] = []
    went: list[bool] = []
    number = 0
    asked_bpm: float | None = None
    if desk.stand is not None:
        desk.note(made.goal)
    while number < times or desk.stand is not None:
        tempo_bpm = asked_bpm or tempo_after(passes)
        coming = Coming("That was it", may=("again",), starts="", held=True)
        if number < times:
            coming = _coming_run(made, listening(built(number + 1, tempo_bpm)[0]), number + 1, times, tempo_bpm)
        asked = "start"
        if number or desk.stand is not None:
            asked, settled = desk.before(coming)
            tempo_bpm = settled or tempo_bpm
        if asked == "leave":
            break
        number += asked != "again"
        status, figure, played_bpm = desk.exercise(partial(built, number), tempo_bpm, judge_of(made.name))
        if figure is not None and figure.passed is not None:
            passes.append((played_bpm, figure.passed))
            went.append(figure.passed)
        asked_bpm = desk.last_bpm
        if asked_bpm is not None:
            passes.clear()  # the player's own word counts for more than the ladder
        if status is not None:
            return status
    if went:
        say(f"\n{sum(went)} of {len(went)} runs went well. That share counts for more than how many you play.")
    return 0


def _coming_run(made: Drill, words: str, number: int, times: int, tempo_bpm: float) -> Coming:
    """The run that comes, said; from the second on the last one can be had again."""
    say(f"\nRun {number} of {times}, {tempo_bpm:g} bpm. {words}")
    return Coming(f"{made.title}, run {number} of {times}", words, tempo_bpm, ("again",) if number > 1 else ())


# --- an evening ------------------------------------------------------------------------------------------------------


@with_options
def practice(
    session: Annotated[
        str | None, typer.Argument(metavar="SESSION", help="A song of your own to work on in parts: a session.")
    ] = None,
    minutes: Annotated[
        float, typer.Option(metavar="N", callback=between(8, 120), help="How long you have, 8 to 120.")
    ] = 20.0,
    key: Annotated[
        str | None, typer.Option("--key", metavar="KEY", help="The key; another every evening, if left out.")
    ] = None,
    bpm: Annotated[
        float | None, typer.Option("--bpm", metavar="N", help="Quarter notes a minute; where you were, if left out.")
    ] = None,
    plan_only: Annotated[
        bool, typer.Option("--plan", help="Only say what is worth another visit and what the evening would be.")
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="What is worth another visit and the plan, as JSON.")] = False,
    *,
    strung: Strung,
    around: Surroundings,
) -> int:
    """Your evening: warm-up, what is worth a visit, one song. At the end one look at the figures."""
    from trainer.cli.choosing import named_session
    from trainer.music import parse_key
    from trainer.practice.evening import DuePhrase
    from trainer.practice.history import History
    from trainer.practice.memory import due_on
    from trainer.take import takes_dir

    if key is not None:
        parse_key(key)
    own = None if session is None else named_session(session)
    if own is not None and key is not None:
        own = replace(own, key=parse_key(key))
    if bpm is not None:
        from trainer.session import check_tempo

        check_tempo(bpm)
    bass = strung.bass()
    folder = takes_dir(around.band.takes)
    if not (plan_only or as_json or around.stand_in):
        recovered(folder)  # what was cut off last time counts too
    today = datetime.date.today()
    with History(folder) as book:
        book.refresh()
        runs = book.drill_runs()
        due = due_on(runs, today)
        phrases = _due_phrases(book, due, bass)
        asked = [
            DuePhrase(name, exercise.session.key.name, exercise.session.tempo_bpm, exercise.minutes)
            for name, (exercise, _) in phrases.items()
        ]
        evening = _planned(book, runs, today, minutes, key, bpm, asked, own)
    if as_json:
        record = {
            "visits": [_visit_dict(item) for item in due],
            "pieces": [asdict(piece) for piece in evening.pieces],
        }
        echo(json.dumps(record, indent=2))
        return 0
    if plan_only:
        _say_due(due, today)
    plan = _plan_lines(evening)
    _say_plan(evening, plan)
    if plan_only:
        return 0
    with Desk(around, strung) as desk:
        return EveningPlayed(evening, desk, phrases, own).run(plan)


def _planned(
    book: History,
    runs: Sequence[DrillRun],
    today: datetime.date,
    minutes: float,
    key: str | None,
    bpm: float | None,
    phrases: Sequence[DuePhrase],
    own: Session | None,
) -> Evening:
    """The evening that the takes so far ask for."""
    from trainer.practice.evening import advised_by, evidence_of, keys_of, plan_evening

    missed, keys = keys_of(book, today) if key is None else ({}, {})
    return plan_evening(
        minutes,
        evidence_of(book),
        runs,
        today,
        key=key or (None if own is None else own.key.name),
        keys=keys,
        missed=missed,
        tempo_bpm=bpm,
        phrases=phrases,
        advised=advised_by(book),
        own=None if own is None else _own_song(own, book),
    )


def _own_song(session: Session, book: History) -> OwnSong:
    """The player's own song in parts: lines of four bars, the one that cost most in its newest take first, the others
    in turn by how often it was played."""
    from trainer.practice.evening import OwnSong
    from trainer.practice.worst import worst_bars
    from trainer.scoring import score
    from trainer.session import expand
    from trainer.take import read_take

    chart = expand(session)
    takes = [row for row in book.takes(kind="song") if row.error is None and row.title == session.title]
    bars = [bar.bar for bar in chart.bars if bar.chorus == 1]
    starts = range(min(bars), max(bars) + 1, 4)
    lines = [(max(min(bars), min(first, max(bars) - 3)), min(first + 3, max(bars))) for first in starts]
    turn = len(takes) % len(lines)
    parts = [(line, "a part of your song") for line in [*lines[turn:], *lines[:turn]]]
    if takes:
        costly = worst_bars(score(read_take(takes[-1].path)))
        if costly is not None and costly[1:] in lines:
            worst = costly[1:]
            parts = [(worst, "cost most last time"), *(part for part in parts if part[0] != worst)]
    minutes = (chart.end_beats - chart.count_in_beats) / session.tempo_bpm
    return OwnSong(session.key.name, session.tempo_bpm, session.groove, minutes, tuple(parts))


def _visit_dict(standing: Standing) -> dict[str, Any]:
    return {
        "drill": standing.item.drill,
        "key": standing.item.key,
        "tempo": standing.item.tempo,
        "tempo_bpm": standing.newest_tempo_bpm,
        "last_day": standing.last_day.isoformat(),
        "visit_from": standing.due.isoformat(),
        "went_well_frac": standing.clean_frac,
        "runs": standing.n_runs,
    }


def _say_due(due: list[Standing], today: datetime.date) -> None:
    from trainer.practice.drills import called
    from trainer.practice.evening import went_words

    if not due:
        return
    echo(f"Worth another visit: {len(due)}")
    for standing in due[:MAX_DUE_SHOWN]:
        item, days = standing.item, (today - standing.due).days
        name = called(item.drill)
        since = "today" if days == 0 else f"since {standing.due}"
        what = f"{name}, {item.key}, {item.tempo}"
        echo(f"  {what:<44}{since:<18}{went_words(standing.clean_frac)}")
    if len(due) > MAX_DUE_SHOWN:
        echo(f"  and {len(due) - MAX_DUE_SHOWN} more")
    first = due[0]
    if not first.item.drill.startswith("study "):
        echo(
            f"The first by itself: trainer drill {first.item.drill} --key {first.item.key}"
            f" --bpm {first.newest_tempo_bpm:g}"
        )
    echo("")


def _plan_lines(evening: Evening) -> list[str]:
    """The evening's pieces, a line each."""
    from trainer.music import DEFAULT_GROOVE, GROOVES
    from trainer.practice.drills import called
    from trainer.practice.evening import turns_of

    times = Counter(turns_of(evening))
    rows = []
    for piece in evening.pieces:
        what = piece.kind.replace("_", "-") if piece.drill is None else called(piece.drill)
        if piece.bars is not None:
            what = f"bars {piece.bars[0]}-{piece.bars[1]} of your song"
        where = "" if piece.key is None else f"{piece.key}, {piece.tempo_bpm:g} bpm"
        why = piece.why if piece.groove == DEFAULT_GROOVE else f"{piece.why}, {GROOVES[piece.groove].title.lower()}"
        often = f", {times[piece]} times" if piece.drill is not None and times[piece] > 1 else ""
        rows.append((piece.minutes, what, where, why + often))
    wide, broad = (max(map(len, column)) + 2 for column in list(zip(*rows, strict=True))[1:3])
    return [f"{minutes:3.0f} min  {what:<{wide}}{where:<{broad}}{why}".rstrip() for minutes, what, where, why in rows]


def _say_plan(evening: Evening, lines: Sequence[str]) -> None:
    echo(f"This evening, about {evening.minutes:.0f} minutes:")
    for line in lines:
        say(f"  {line}")
    if any("times" in line for line in lines):
        say("Drills come in rounds, in this order. n while one plays leaves it out, l before it puts it off.")
    echo("Take breaks, keep the level in headphones low, and stop if a hand hurts.")


def _due_phrases(book: History, due: list[Standing], bass: Tuning) -> dict[str, tuple[Exercise, dict[str, Any]]]:
    """Phrases of transcriptions that are due: name → the exercise and what its take's header keeps of it."""
    from trainer.practice.study import exercise_from_dict
    from trainer.take import read_take

    found: dict[str, tuple[Exercise, dict[str, Any]]] = {}
    for name in dict.fromkeys(standing.item.drill for standing in due if standing.item.drill.startswith("study ")):
        path = book.newest_run_of(name)
        try:
            record = dict(read_take(path).header.extra["study"]) if path is not None else {}
            found[name] = (exercise_from_dict(record, bass), record)
        except (OSError, *ODD_DATA):
            continue  # its take is gone or was made elsewhere: then it cannot be asked for
    return found


# --- a night on stage ------------------------------------------------------------------------------------------------


@with_options
def stage(
    seed: Annotated[int | None, typer.Option(metavar="N", help="The same seed is the same night.")] = None,
    level: Annotated[
        str, typer.Option(metavar="LEVEL", help="quiet_night, usual_night or full_house.")
    ] = "usual_night",
    as_json: Annotated[bool, typer.Option("--json", help="The results as JSON.")] = False,
    *,
    around: Surroundings,
) -> int:
    """A night on a made-up open stage: key called, count-in, go. Roles, stops and endings are cued as you play."""
    from trainer.practice.stage import make_night

    chosen = seed if seed is not None else datetime.date.today().toordinal() % 100_000
    night = make_night(chosen, level)
    with to_stderr(as_json), Desk(around) as desk:
        results, status = _night(night, chosen, level, desk)
    if as_json:
        echo(json.dumps([_tune_dict(result) for result in results], indent=2))
    return status


def _night(night: Night, chosen: int, level: str, desk: Desk) -> tuple[list[TuneResult], int]:
    """What came of the tunes that were played to their end, and the exit status."""
    from trainer.practice.stage import judge_night

    opening = f"{night.level.title}. Night {chosen}: {len(night.tunes)} tunes, each once, no going back."
    say(opening)
    desk.note(opening)
    results: list[TuneResult] = []
    status: int | None = None
    left = False
    for tune in night.tunes:
        called = f"{tune.number}. {tune.called}, {tune.session.tempo_bpm:g} bpm"
        say(f"\n{called}")
        left = desk.before(Coming(called, starts="Count-in"))[0] == "leave"
        if left:
            break
        status, judged = _play_tune(tune, {"seed": chosen, "level": level, "tune": tune.number}, desk)
        if status is not None:
            break
        results += judged
    if len(results) < len(night.tunes):
        say(f"The night ends after {len(results)} of {len(night.tunes)} tunes; all that was played is kept.")
    told = judge_night(results) if results else []
    for line in ("", *told, "What to work on next: trainer practice --plan") if told else ():
        say(line)
    if desk.stand is not None and status is None and not left:
        desk.note(*told)
        desk.before(Coming("That was the night", held=True, starts=""))
    return results, status or 0


def _play_tune(tune: Tune, kept: Mapping[str, Any], desk: Desk) -> tuple[int | None, list[TuneResult]]:
    """(exit status if the night ends with it, what came of the tune if it was played to its end)."""
    from trainer.practice.stage import judge_tune
    from trainer.scoring import score
    from trainer.session import expand

    cues = tuple((cue.shown_beats, min(cue.end_beats, cue.at_beats + 4.0), cue.text) for cue in tune.cues)
    run = Run(tune.session, {"stage": kept}, cues=cues, keeps_tempo=True)
    _, result, take = desk.play(lambda bpm: run, tune.session.tempo_bpm)
    status = desk.leaves(result)
    if status is not None or take is None or (result is not None and result.status != "completed"):
        return status, []
    card = score(take)
    judged = judge_tune(tune, card, card.reading, expand(tune.session))
    desk.shows(take, card)
    lines = _tune_lines(judged)
    desk.note(*lines)
    for line in lines:
        say(f"   {line}")
    return None, [judged]


def _tune_lines(result: TuneResult) -> list[str]:
    from trainer.scoring.why import counted

    lost = f"lost {counted(result.n_lost, 'time')}"
    kept = {True: "form kept", False: lost, None: "form not judged"}[result.form_kept]
    marks = {True: "followed", False: "missed", None: "not judged"}
    roots = f"roots on {result.roots} of {result.changes} changes" if result.changes else "no change counts"
    lines = [f"{kept}; {roots}"]
    return lines + [f"{marks[item.followed]:<11}{item.cue.text}: {item.text}" for item in result.cues]


def _tune_dict(result: TuneResult) -> dict[str, Any]:
    tune: Tune = result.tune
    return {
        "tune": tune.number,
        "called": tune.called,
        "session": tune.session.to_dict(),
        "form_kept": result.form_kept,
        "lost": result.n_lost,
        "roots": result.roots,
        "changes": result.changes,
        "ended_together": result.ended_together,
        "cues": [
            {"kind": c.cue.kind, "at_beats": c.cue.at_beats, "text": c.cue.text, "followed": c.followed, "why": c.text}
            for c in result.cues
        ],
    }


def add_to(app: typer.Typer) -> None:
    for command in (drills, drill, practice, stage):
        app.command()(command)
