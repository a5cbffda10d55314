"""`trainer drills`, `drill`, `practice`, `stage`: what to work on, and a whole night."""

from __future__ import annotations

import datetime
import json
from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Annotated, Any

import typer

from trainer.cli.choosing import between, with_options
from trainer.cli.desk import (
    Bpm,
    Desk,
    Key,
    check_tempo,
    listening,
    recovered,
    say_figure,
)
from trainer.cli.running import Places, Strung, exit_status
from trainer.cli.speaking import echo, say
from trainer.errors import ODD_DATA

if TYPE_CHECKING:
    from pathlib import Path

    from trainer.music import Tuning
    from trainer.practice import Drill, Exercise, PassFigure
    from trainer.practice.evening import Evening, OwnSong, Piece
    from trainer.practice.history import History
    from trainer.practice.memory import Standing
    from trainer.practice.stage import Night, Tune, TuneResult
    from trainer.scoring import Scorecard
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
    places: Places,
) -> int:
    """Work on one thing: the band plays it, then you, run after run. With a model line, and a pass figure each time."""
    from trainer.practice import drill_named
    from trainer.practice.tempo import next_tempo_bpm

    made = drill_named(name)
    check_tempo(bpm)
    next_tempo_bpm(mode, bpm, [])  # a wrong mode is said before anything sounds
    bass = strung.bass()
    where: dict[str, Any] = {"form": form, "groove": groove, "bar": bar, "octave": octave, "position": position}
    made.build(key, bpm, tuning=bass, seed=1 if seed is None else seed, **where)  # likewise a wrong key or bar
    say(f"{made.title}. {made.goal}")
    with Desk(places, strung) as desk:
        passes: list[tuple[float, bool]] = []
        status: int | None = None
        for number in range(1, times + 1):
            tempo_bpm = next_tempo_bpm(mode, bpm, passes)
            run_seed = (seed if seed is not None else 1) + number - 1
            options: dict[str, Any] = {"seed": run_seed, **where}
            exercise = made.build(key, tempo_bpm, tuning=bass, **options)
            say(f"\nRun {number} of {times}, {tempo_bpm:g} bpm. {listening(exercise)}")
            if number > 1 and not desk.breathe():
                break
            extra = {"name": name, "key": key, "tempo_bpm": tempo_bpm} | {
                k: v for k, v in options.items() if v is not None
            }
            status, figure = desk.exercise(exercise, {"drill": extra}, _judge_of(made, exercise))
            if figure is not None:
                say_figure(figure)
                if figure.passed is not None:
                    passes.append((tempo_bpm, figure.passed))
            if status is not None:
                break
        if passes:
            n = sum(clean for _, clean in passes)
            say(f"\nClean runs: {n} of {len(passes)}. The share of clean runs is what tells how much will be kept.")
        return status or 0


def _judge_of(made: Drill, exercise: Exercise) -> Callable[[Scorecard], PassFigure]:
    from trainer.scoring.card import as_kept

    return lambda card: made.figure(as_kept(card), exercise)


def _phrase_judge(exercise: Exercise) -> Callable[[Scorecard], PassFigure]:
    from trainer.practice.study import judge_phrase

    return lambda card: judge_phrase(exercise, card.reading)


# --- an evening ------------------------------------------------------------------------------------------------------


@with_options
def practice(
    session: Annotated[
        str | None, typer.Argument(metavar="[SESSION]", help="A song of your own to work on in parts: a session.")
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
    places: Places,
) -> int:
    """Your evening: warm-up, what is worth a visit, one song. At the end one look at the figures."""
    from trainer.cli.choosing import named_session
    from trainer.music import parse_key
    from trainer.practice.evening import DuePhrase, advised_by, evidence_of, keys_of, plan_evening
    from trainer.practice.history import History
    from trainer.practice.memory import due_on
    from trainer.take import takes_dir

    if key is not None:
        parse_key(key)
    own = None if session is None else named_session(session)
    if own is not None and key is not None:
        own = replace(own, key=parse_key(key))
    if bpm is not None:
        check_tempo(bpm)
    bass = strung.bass()
    folder = takes_dir(places.takes)
    if not (plan_only or as_json or places.stand_in):
        recovered(folder)  # what was cut off last time counts too
    today = datetime.date.today()
    with History(folder) as book:
        book.refresh()
        runs = book.drill_runs()
        missed, keys = keys_of(book, today) if key is None else ({}, {})
        due = due_on(runs, today)
        phrases = _due_phrases(book, due, bass)
        asked = [
            DuePhrase(name, exercise.session.key.name, exercise.session.tempo_bpm, exercise.minutes)
            for name, (exercise, _) in phrases.items()
        ]
        evening = plan_evening(
            minutes,
            evidence_of(book),
            runs,
            today,
            key=key or (None if own is None else own.key.name),
            keys=keys,
            missed=missed,
            tempo_bpm=bpm,
            phrases=asked,
            advised=advised_by(book),
            own=None if own is None else _own_song(own, book),
        )
    if as_json:
        record = {"due": [_due_dict(item) for item in due], "pieces": [_piece_dict(piece) for piece in evening.pieces]}
        echo(json.dumps(record, indent=2))
        return 0
    if plan_only:
        _say_due(due, today)
    _say_plan(evening)
    if plan_only:
        return 0
    with Desk(places, strung) as desk:
        return _run_evening(evening, desk, phrases, own)


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


def _due_dict(standing: Standing) -> dict[str, Any]:
    return {
        "drill": standing.item.drill,
        "key": standing.item.key,
        "tempo": standing.item.tempo,
        "tempo_bpm": standing.newest_tempo_bpm,
        "last_day": standing.last_day.isoformat(),
        "due": standing.due.isoformat(),
        "clean_frac": standing.clean_frac,
        "runs": standing.n_runs,
    }


def _say_due(due: list[Standing], today: datetime.date) -> None:
    if not due:
        echo("Nothing waits for another visit today.\n")
        return
    echo(f"Worth another visit: {len(due)}")
    for standing in due[:MAX_DUE_SHOWN]:
        item, days = standing.item, (today - standing.due).days
        name = item.drill.replace("_", " ")
        since = "today" if days == 0 else f"since {standing.due}"
        what = f"{name}, {item.key}, {item.tempo}"
        echo(f"  {what:<44}{since:<18}{_went(standing.clean_frac)}")
    if len(due) > MAX_DUE_SHOWN:
        echo(f"  and {len(due) - MAX_DUE_SHOWN} more")
    first = due[0]
    if not first.item.drill.startswith("study "):
        echo(
            f"The first by itself: trainer drill {first.item.drill} --key {first.item.key}"
            f" --bpm {first.newest_tempo_bpm:g}"
        )
    echo("")


def _went(clean_frac: float) -> str:
    """How the last runs went, as a teacher would say it."""
    if clean_frac >= 0.9:
        return "went well lately"
    return "half of it went well" if clean_frac >= 0.4 else "did not go yet"


def _piece_dict(piece: Any) -> dict[str, Any]:
    from dataclasses import asdict

    return asdict(piece)


def _say_plan(evening: Evening) -> None:
    from trainer.music import DEFAULT_GROOVE, GROOVES
    from trainer.practice.evening import turns_of

    echo(f"This evening, about {evening.minutes:.0f} minutes:")
    times = Counter(turns_of(evening))
    rows = []
    for piece in evening.pieces:
        what = piece.kind.replace("_", "-") if piece.drill is None else _called(piece.drill)
        if piece.bars is not None:
            what = f"bars {piece.bars[0]}-{piece.bars[1]} of your song"
        where = "" if piece.key is None else f"{piece.key}, {piece.tempo_bpm:g} bpm"
        why = piece.why if piece.groove == DEFAULT_GROOVE else f"{piece.why}, {GROOVES[piece.groove].title.lower()}"
        rows.append((piece.minutes, what, where, why + (f", {times[piece]} times" if times[piece] > 1 else "")))
    wide, place = (max(map(len, column)) + 2 for column in list(zip(*rows, strict=True))[1:3])
    for minutes, what, where, why in rows:
        echo(f"  {minutes:3.0f} min  {what:<{wide}}{where:<{place}}{why}".rstrip())
    if any(n > 1 for n in times.values()):
        echo("Drills come in rounds, in this order. n while one plays leaves it out, l before it puts it off.")
    echo("Take breaks, keep the level in headphones low, and stop if a hand hurts.")


def _called(drill: str) -> str:
    """What a drill is called in a list: a first try by what it tries."""
    from trainer.practice.drills import TRIES

    return TRIES[drill].title.lower() if drill in TRIES else drill.replace("_", " ")


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


def _run_evening(
    evening: Evening, desk: Desk, phrases: Mapping[str, tuple[Exercise, dict[str, Any]]], own: Session | None
) -> int:
    """The pieces in the order that was said, drills between two breaks in rounds. What is left out (n) does not come
    again this evening; what is put off (l) comes once more after the others, before the song."""
    from trainer.practice.evening import turns_of
    from trainer.practice.tempo import next_tempo_bpm

    passes: dict[str, list[tuple[float, bool]]] = {}
    turns = turns_of(evening)
    n_runs = sum(piece.drill is not None for piece in turns)
    number, seed = 0, evening.seed + 31 * evening.day.toordinal()  # other variants every evening
    put_off: set[Piece] = set()
    while turns:
        piece = turns.pop(0)
        if piece.kind == "break":
            echo(f"\nA break, {piece.minutes:g} minutes: {piece.why}.")
            if not desk.breathe(60.0 * piece.minutes, "On we go"):
                return _left()
            continue
        number += 1
        if piece.drill is None:
            asked = _song_piece(piece, seed + number, desk, own)
        else:
            before = passes.setdefault(piece.drill, [])
            tempo_bpm = next_tempo_bpm("climb", piece.tempo_bpm or 96.0, before)
            head = f"\n{min(number, n_runs)} of {n_runs}."
            asked, passed = _drill_piece(piece, tempo_bpm, seed + number, head, desk, phrases.get(piece.drill))
            if passed is not None:
                before.append((tempo_bpm, passed))
        if isinstance(asked, int):
            return _left(asked)
        if asked == "later" and piece not in put_off:
            number -= 1
            put_off.add(piece)
            turns = _put_off(piece, turns)
            say("Put off: it comes before the song.")
        elif asked in ("next", "later"):
            n_runs -= sum(turn == piece for turn in turns) if piece.drill is not None else 0
            turns = [turn for turn in turns if turn != piece]
    n, of = sum(clean for runs in passes.values() for _, clean in runs), sum(map(len, passes.values()))
    if of:
        say(f"\nClean runs this evening: {n} of {of}. What was clean comes back later, what was not comes back soon.")
    say(_look(desk.takes, evening.day))
    return 0


def _put_off(piece: Piece, turns: list[Piece]) -> list[Piece]:
    """The turns that are left with all of a piece's behind the other drills."""
    mine = [piece, *(turn for turn in turns if turn == piece)]
    others = [turn for turn in turns if turn != piece]
    at = max((i + 1 for i, turn in enumerate(others) if turn.drill is not None), default=0)
    return [*others[:at], *mine, *others[at:]]


def _look(takes: Path, today: datetime.date) -> str:
    """The last piece of an evening: what wants work now, in a line."""
    from trainer.practice.evening import WEAK, evidence_of, weakness
    from trainer.practice.history import History

    with History(takes) as book:
        book.refresh()
        weak = weakness(evidence_of(book), today)
    worst = [name.replace("_", " ") for name in sorted(weak, key=lambda name: -weak[name]) if weak[name] >= WEAK][:3]
    found = f"What wants work most now: {', '.join(worst)}." if worst else "Nothing stands out as weak just now."
    return f"{found} The weeks: trainer history"


def _song_piece(piece: Piece, seed: int, desk: Desk, own: Session | None) -> int | str:
    """The evening's song or a part of the player's own: the exit status if the person leaves, else what was asked."""
    from trainer.practice.worst import loop_session
    from trainer.scoring import score
    from trainer.scoring.text import summary

    key, tempo_bpm = piece.key or "G", piece.tempo_bpm or 96.0
    session = _song(piece, seed) if own is None else replace(own, tempo_bpm=tempo_bpm)
    if piece.bars is not None:
        n_bars = piece.bars[1] - piece.bars[0] + 1
        times = max(2, int(piece.minutes * tempo_bpm / (4.0 * n_bars)))
        session = loop_session(session, piece.bars, times=times)
        echo(f"\nBars {piece.bars[0]} to {piece.bars[1]} of your song, {key}, {tempo_bpm:g} bpm, {times} times.")
    else:
        what = "verses to pin, a solo to open" if own is None else "all of it"
        echo(f"\nNow a song, {key}, {tempo_bpm:g} bpm: {what}.")
    asked = desk.asked_before()
    if asked:
        return 0 if asked == "leave" else asked
    result, take = desk.play(session, {"practice": True})
    if result is not None and result.asked == "next":
        return "next"
    if take is not None and len(take.notes):
        say(summary(score(take)))
    if result is not None and result.take_path is not None:
        echo(f"Its page, with pictures: trainer report {result.take_path}")
    return exit_status(result) if result is not None and result.leaves else ""


def _drill_piece(
    piece: Piece,
    tempo_bpm: float,
    seed: int,
    head: str,
    desk: Desk,
    phrase: tuple[Exercise, dict[str, Any]] | None,
) -> tuple[int | str, bool | None]:
    """One run of a drill or of a studied phrase: (exit status if the person leaves, else what was asked; passed)."""
    from trainer.practice import drill_named

    if phrase is not None:
        exercise, record = phrase
        words, extra = f"{exercise.session.title}: a phrase you studied.", {"study": record}
        judge = _phrase_judge(exercise)
    else:
        made, key = drill_named(piece.drill or ""), piece.key or "G"
        exercise = made.build(key, tempo_bpm, seed, short=piece.short, groove=piece.groove, tuning=desk.bass)
        words = f"{made.title}, {key}, {tempo_bpm:g} bpm: {made.goal}"
        kept = {"name": made.name, "key": key, "tempo_bpm": tempo_bpm, "seed": seed, "groove": piece.groove}
        extra = {"drill": kept | ({"short": True} if piece.short else {})}
        judge = _judge_of(made, exercise)
    say(f"{head} {words} {listening(exercise)}")
    asked = desk.asked_before()
    if asked:
        return 0 if asked == "leave" else asked, None
    status, figure = desk.exercise(exercise, extra, judge)
    if figure is not None:
        say_figure(figure)
    return desk.asked if status is None else status, None if figure is None else figure.passed


def _left(status: int = 0) -> int:
    say("Stopped here; all that was played is kept. `trainer practice` goes on with what is still open.")
    return status


def _song(piece: Piece, seed: int) -> Session:
    """A song of about so many minutes: verses, solos that open, a last verse."""
    from trainer.music import FORMS, GROOVES
    from trainer.session import session_from_dict

    form, tempo_bpm = piece.form or "quick_change_12", piece.tempo_bpm or 96.0
    # Two bars of count-in, four of intro.
    n = max(3, min(12, int((piece.minutes * tempo_bpm - 16.0) // (4.0 * FORMS[form].n_bars))))
    n_solo = max(1, n // 3)
    return session_from_dict(
        {
            "key": piece.key or "G",
            "tempo_bpm": tempo_bpm,
            "form": form,
            "groove": piece.groove,
            "swing_ratio": GROOVES[piece.groove].usual_swing_ratio(tempo_bpm),
            "seed": seed,
            "chorus": [
                {"role": "verse", "times": max(1, n - n_solo - 1), "intensity": 0.45},
                {"role": "solo", "times": n_solo, "intensity": [0.5 + 0.4 * i / n_solo for i in range(n_solo)]},
                {"role": "verse", "times": 1, "intensity": 0.5},
            ],
        }
    )


# --- a night on stage ------------------------------------------------------------------------------------------------


@with_options
def stage(
    seed: Annotated[int | None, typer.Option(metavar="N", help="The same seed is the same night.")] = None,
    level: Annotated[
        str, typer.Option(metavar="LEVEL", help="quiet_night, usual_night or full_house.")
    ] = "usual_night",
    as_json: Annotated[bool, typer.Option("--json", help="The results as JSON.")] = False,
    *,
    places: Places,
) -> int:
    """A night on a made-up open stage: key called, count-in, go. Roles, stops and endings are cued as you play."""
    from trainer.practice.stage import make_night

    chosen = seed if seed is not None else datetime.date.today().toordinal() % 100_000
    night = make_night(chosen, level)
    with Desk(places) as desk:
        return _night(night, chosen, level, desk, as_json)


def _night(night: Night, chosen: int, level: str, desk: Desk, as_json: bool) -> int:
    from trainer.practice.stage import judge_night, judge_tune
    from trainer.scoring import score
    from trainer.session import expand

    say_line = (lambda text: echo(text, err=True)) if as_json else say
    say_line(f"{night.level.title}. Night {chosen}: {len(night.tunes)} tunes, each once, no going back.")
    results: list[TuneResult] = []
    status = 0
    for tune in night.tunes:
        say_line(f"\n{tune.number}. {tune.called}, {tune.session.tempo_bpm:g} bpm")
        if not desk.breathe(words="Count-in"):
            break
        cues = [(cue.shown_beats, min(cue.end_beats, cue.at_beats + 4.0), cue.text) for cue in tune.cues]
        extra = {"stage": {"seed": chosen, "level": level, "tune": tune.number}}
        result, take = desk.play(tune.session, extra, cues=cues)
        if result is not None and result.leaves:
            status = exit_status(result)
            break
        if take is not None:
            card = score(take)
            results.append(judge_tune(tune, card, card.reading, expand(tune.session)))
            if not as_json:
                _say_tune(results[-1])
    if len(results) < len(night.tunes):
        say_line(f"The night ends after {len(results)} of {len(night.tunes)} tunes; all that was played is kept.")
    if as_json:
        echo(json.dumps([_tune_dict(result) for result in results], indent=2))
    elif results:
        echo("")
        for line in judge_night(results):
            say(line)
    return status


def _say_tune(result: TuneResult) -> None:
    from trainer.scoring.why import counted

    lost = f"lost {counted(result.n_lost, 'time')}"
    kept = {True: "form kept", False: lost, None: "form not judged"}[result.form_kept]
    say(f"   {kept}; roots on {result.roots} of {result.changes} changes")
    for item in result.cues:
        mark = {True: "followed", False: "missed", None: "not judged"}[item.followed]
        say(f"   {mark:<11}{item.cue.text}: {item.text}")


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
