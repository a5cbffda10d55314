"""`trainer drills`, `drill`, `practice`, `stage`, `worksheet`, `review`, `study`: what to work on."""

from __future__ import annotations

import csv
import datetime
import json
import sys
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from trainer.cli.choosing import between
from trainer.cli.speaking import say
from trainer.errors import TrainerError, UsageError

if TYPE_CHECKING:
    from trainer.live import PlayOptions, PlayResult
    from trainer.practice import Exercise, PassFigure
    from trainer.practice.evening import Evening
    from trainer.practice.memory import Standing
    from trainer.practice.results import Result
    from trainer.practice.stage import Night, Tune, TuneResult
    from trainer.session import Session
    from trainer.take import Take

__all__ = ["add_to"]

Takes = Annotated[Path | None, typer.Option("--takes", metavar="DIR", help="The folder of takes.")]
MidiIn = Annotated[str | None, typer.Option("--midi-in", metavar="NAME", help="The bass's MIDI input, or part of it.")]
MidiOut = Annotated[str | None, typer.Option("--midi-out", metavar="NAME", help="Send the band there too.")]
NoAudio = Annotated[bool, typer.Option("--no-audio", help="No sound of our own.")]
Plain = Annotated[bool, typer.Option("--plain", help="One line a bar instead of the screen.")]
Key = Annotated[str, typer.Option("--key", metavar="KEY", help="The key: G, Bb, Am.")]
Bpm = Annotated[float, typer.Option("--bpm", metavar="N", help="Quarter notes a minute.")]
StandInOption = Annotated[
    bool, typer.Option("--stand-in", help="A stand-in player plays it, on a fake clock: to see what a run looks like.")
]


MAX_DUE_SHOWN = 12

# --- drills ----------------------------------------------------------------------------------------------------------


def drills(as_json: Annotated[bool, typer.Option("--json", help="As JSON.")] = False) -> int:
    """List the drills: what each is for."""
    from trainer.practice import DRILLS

    if as_json:
        rows = [{"name": d.name, "title": d.title, "goal": d.goal, "family": d.family} for d in DRILLS.values()]
        typer.echo(json.dumps(rows, ensure_ascii=False, indent=2))
        return 0
    family = ""
    for drill in DRILLS.values():
        if drill.family != family:
            family = drill.family
            typer.echo(f"\n{family.replace('_', '-')}")
        typer.echo(f"  {drill.name:<30}{drill.goal}")
    typer.echo("\nStart one with: trainer drill NAME --key A --bpm 84")
    return 0


def drill(
    name: Annotated[str, typer.Argument(metavar="NAME", help="A name from `trainer drills`.")],
    key: Key = "G",
    bpm: Bpm = 96.0,
    bar: Annotated[int | None, typer.Option(metavar="N", help="The bar to work on, where the drill has one.")] = None,
    octave: Annotated[int, typer.Option(metavar="-1|0|1", help="Low, as usual, or an octave up.")] = 0,
    position: Annotated[int | None, typer.Option(metavar="FRET", help="Where on the neck the hand is.")] = None,
    strings: Annotated[int, typer.Option(metavar="4|5", help="Strings on the bass.")] = 4,
    form: Annotated[str, typer.Option(metavar="FORM", help="A built-in form; see: trainer forms")] = "quick_change_12",
    groove: Annotated[str, typer.Option(metavar="GROOVE", help="A groove; see: trainer grooves")] = "shuffle",
    times: Annotated[int, typer.Option(metavar="N", callback=between(1, 20), help="How many runs, 1 to 20.")] = 3,
    mode: Annotated[str, typer.Option(metavar="climb|at_tempo|alternate", help="How the tempo moves.")] = "climb",
    seed: Annotated[int | None, typer.Option(metavar="N", help="The variant of the model line.")] = None,
    midi_in: MidiIn = None,
    midi_out: MidiOut = None,
    no_audio: NoAudio = False,
    takes: Takes = None,
    plain: Plain = False,
    stand_in: StandInOption = False,
) -> int:
    """Work on one thing: the band plays it, then you, run after run. With a model line, and a pass figure each time."""
    from trainer.music import FIVE_STRING, FOUR_STRING
    from trainer.practice import drill_named
    from trainer.practice.tempo import next_tempo_bpm

    made = drill_named(name)
    _check_tempo(bpm)
    next_tempo_bpm(mode, bpm, [])  # a wrong mode is said before anything sounds
    if strings not in (4, 5):
        raise UsageError(f"--strings {strings}: expected 4 or 5")
    tuning = FIVE_STRING if strings == 5 else FOUR_STRING
    say(f"{made.title}. {made.goal}")
    with _Desk(midi_in, midi_out, no_audio, takes, plain, stand_in) as desk:
        passes: list[tuple[float, bool]] = []
        for number in range(1, times + 1):
            tempo_bpm = next_tempo_bpm(mode, bpm, passes)
            run_seed = (seed if seed is not None else 1) + number - 1
            options: dict[str, Any] = {
                "seed": run_seed,
                "form": form,
                "groove": groove,
                "bar": bar,
                "octave": octave,
                "position": position,
            }
            exercise = made.build(key, tempo_bpm, tuning=tuning, **options)
            typer.echo(f"\nRun {number} of {times}, {tempo_bpm:g} bpm. Odd choruses: listen. Even ones: your turn.")
            extra = {"name": name, "key": key, "tempo_bpm": tempo_bpm} | {
                k: v for k, v in options.items() if v is not None
            }
            status, figure = desk.exercise(exercise, {"drill": extra}, lambda card, e=exercise: made.figure(card, e))
            if figure is not None:
                _say_figure(figure)
                if figure.passed is not None:
                    passes.append((tempo_bpm, figure.passed))
            if status is not None:
                return status
        if passes:
            n = sum(clean for _, clean in passes)
            typer.echo(
                f"\nClean runs: {n} of {len(passes)}. The share of clean runs is what tells how much will be kept."
            )
        return 0


def _say_figure(figure: PassFigure) -> None:
    word = {True: "Clean", False: "Not yet", None: "Not judged"}[figure.passed]
    say(f"{word}: {figure.text} (target {figure.target}).")


def _passing_folder() -> Path:
    """A folder that goes when the program ends."""
    import atexit
    import shutil
    import tempfile

    folder = tempfile.mkdtemp(prefix="trainer-stand-in-")
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    return Path(folder)


class _Desk:
    """Where runs are played from: the options of a command, made once."""

    def __init__(
        self, midi_in: str | None, midi_out: str | None, no_audio: bool, takes: Path | None, plain: bool, stand_in: bool
    ) -> None:
        from trainer.take import takes_dir

        # A stand-in's takes are nobody's practice: they are kept only where the person says.
        self.takes = _passing_folder() if stand_in and takes is None else takes_dir(takes)
        self.stand_in = stand_in
        self.n_runs = 0
        self._midi_in, self._midi_out = midi_in, midi_out
        self._audio, self._plain = ("none" if no_audio else "auto"), plain
        self._options: PlayOptions | None = None

    def _ready(self) -> PlayOptions:
        from trainer.cli.playing import _options, _with_input

        if self._options is None:
            options = _options(
                None,  # type: ignore[arg-type]
                midi_out=self._midi_out,
                audio=self._audio,
                monitor=True,
                takes=self.takes,
                figures=False,
                calm=False,
                mix={},
                clock_out=None,
                follow=None,
                plain=self._plain,
                ascii_only=False,
            )
            self._options = _with_input(options, self._midi_in, None)
        return self._options

    def play(
        self, session: Session, extra: dict[str, Any], *, line: Any = None, guide_line: Any = None, cues: Any = ()
    ) -> tuple[PlayResult | None, Take | None]:
        """Play a session; the result (None for a stand-in's run) and the take. `line` is what a stand-in plays."""
        self.n_runs += 1
        if self.stand_in:
            from trainer.line import Feel, StandIn, planned_song
            from trainer.live import PlayOptions, play_offline
            from trainer.session import expand
            from trainer.take import write_take

            performance = StandIn(Feel(), seed=self.n_runs).play(line or planned_song(expand(session), self.n_runs))
            take = play_offline(session, performance, PlayOptions(extra=extra, guide_line=guide_line))
            write_take(take, self.takes)
            return None, take
        from trainer.live import play, recover_takes

        if self.n_runs == 1:
            recover_takes(self.takes, lambda text: say(f"Note: {text}"))
        options = replace(self._ready(), extra=extra, guide_line=guide_line, cues=tuple(cues))
        result = play(session, options)
        return result, result.take

    def close(self) -> None:
        """Note in the history what was played, so that `trainer` alone knows at once what is due when."""
        import contextlib

        from trainer.practice.history import History

        if self.n_runs and self.takes.is_dir():
            with contextlib.suppress(TrainerError), History(self.takes) as book:
                book.refresh()

    def __enter__(self) -> _Desk:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def exercise(self, exercise: Exercise, extra: dict[str, Any], judge: Any) -> tuple[int | None, PassFigure | None]:
        """(exit status if it is to end here, pass figure or None). What was kept is kept whatever happens."""
        from trainer.cli.playing import _status
        from trainer.scoring import score

        result, take = self.play(exercise.session, extra, line=exercise.model, guide_line=exercise.guide_rows())
        for warning in result.warnings if result is not None else ():
            say(f"Note: {warning}")
        status = None
        if result is not None and result.status != "completed":
            status = _status(result)
        if take is None or not len(take.notes):
            typer.echo("No notes were heard, so this run does not count.")
            return status, None
        if not take.header.completed:
            return status, None
        return status, judge(score(take, chart=exercise.chart).to_dict())


# --- an evening ------------------------------------------------------------------------------------------------------


def practice(
    minutes: Annotated[
        float, typer.Option(metavar="N", callback=between(8, 120), help="How long you have, 8 to 120.")
    ] = 20.0,
    key: Key = "G",
    bpm: Bpm = 96.0,
    midi_in: MidiIn = None,
    midi_out: MidiOut = None,
    no_audio: NoAudio = False,
    takes: Takes = None,
    plain: Plain = False,
    stand_in: StandInOption = False,
    plan_only: Annotated[
        bool, typer.Option("--plan", help="Only say what is due and what the evening would be.")
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="What is due and the plan, as JSON.")] = False,
) -> int:
    """Your evening: warm-up, what is due or weak, one song. At the end one look at the figures."""
    from trainer.music import parse_key
    from trainer.practice.evening import evidence_of, plan_evening
    from trainer.practice.history import History
    from trainer.practice.memory import due_on
    from trainer.take import takes_dir

    parse_key(key)
    _check_tempo(bpm)
    folder = takes_dir(takes)
    today = datetime.date.today()
    with History(folder) as book:
        book.refresh()
        runs = book.drill_runs()
        evening = plan_evening(minutes, evidence_of(book), runs, today, key=key, tempo_bpm=bpm)
    due = due_on(runs, today)
    if as_json:
        record = {"due": [_due_dict(item) for item in due], "pieces": [_piece_dict(piece) for piece in evening.pieces]}
        typer.echo(json.dumps(record, ensure_ascii=False, indent=2))
        return 0
    if plan_only:
        _say_due(due, today)
    _say_plan(evening)
    if plan_only:
        return 0
    with _Desk(midi_in, midi_out, no_audio, takes, plain, stand_in) as desk:
        return _run_evening(evening, desk)


def _check_tempo(bpm: float) -> None:
    if not 40.0 <= bpm <= 240.0:
        raise UsageError(f"tempo {bpm:g} cannot be played; expected 40 to 240 quarter notes a minute")


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
        typer.echo("Nothing is due today.\n")
        return
    typer.echo(f"Due today: {len(due)}")
    for standing in due[:MAX_DUE_SHOWN]:
        item, days = standing.item, (today - standing.due).days
        name = item.drill.replace("_", " ")
        since = "today" if days == 0 else f"since {standing.due}"
        what = f"{name}, {item.key}, {item.tempo}"
        typer.echo(f"  {what:<44}{since:<18}clean lately {standing.clean_frac:.0%}")
    if len(due) > MAX_DUE_SHOWN:
        typer.echo(f"  and {len(due) - MAX_DUE_SHOWN} more")
    first = due[0]
    if not first.item.drill.startswith("study "):
        typer.echo(
            f"The first by itself: trainer drill {first.item.drill} --key {first.item.key}"
            f" --bpm {first.newest_tempo_bpm:g}"
        )
    typer.echo("")


def _piece_dict(piece: Any) -> dict[str, Any]:
    from dataclasses import asdict

    return asdict(piece)


def _say_plan(evening: Evening) -> None:
    typer.echo(f"This evening, about {evening.minutes:.0f} minutes:")
    for piece in evening.pieces:
        what = piece.kind.replace("_", "-") if piece.drill is None else piece.drill.replace("_", " ")
        where = "" if piece.key is None else f"{piece.key}, {piece.tempo_bpm:g} bpm"
        typer.echo(f"  {piece.minutes:4.0f} min  {what:<30}{where:<16}{piece.why}".rstrip())
    typer.echo("Take breaks, keep the level in headphones low, and stop if a hand hurts.")


def _run_evening(evening: Evening, desk: _Desk) -> int:
    """The pieces in order; drills between two breaks are mixed (interleaved) rather than played in blocks."""
    from trainer.cli.playing import _status
    from trainer.practice import drill_named
    from trainer.practice.evening import turns_of
    from trainer.practice.tempo import next_tempo_bpm
    from trainer.scoring import score
    from trainer.scoring.text import summary

    passes: dict[str, list[tuple[float, bool]]] = {}
    number, turns = 0, turns_of(evening)
    n_runs = sum(piece.kind in ("warm_up", "drill") for piece in turns)
    for piece in turns:
        if piece.kind == "break":
            typer.echo(f"\nA break, {piece.minutes:g} minutes: {piece.why}.")
            continue
        if piece.kind == "song" and piece.key is not None and piece.tempo_bpm is not None:
            typer.echo("\nNow a song.")
            session = _song(piece.key, piece.tempo_bpm, piece.minutes, evening.seed)
            result, take = desk.play(session, {"practice": evening.day.isoformat()})
            if take is not None and len(take.notes):
                say(summary(score(take)))
            if result is not None and result.status != "completed":
                return _status(result)
            continue
        if piece.drill is None or piece.key is None or piece.tempo_bpm is None:
            continue
        number += 1
        made = drill_named(piece.drill)
        tempo_bpm = next_tempo_bpm("climb", piece.tempo_bpm, passes.get(made.name, []))
        seed = evening.seed + number
        exercise = made.build(piece.key, tempo_bpm, seed, short=piece.short)
        typer.echo(f"\n{number} of {n_runs}. {made.title}, {piece.key}, {tempo_bpm:g} bpm: {made.goal}")
        extra = {"name": made.name, "key": piece.key, "tempo_bpm": tempo_bpm, "seed": seed}
        if piece.short:
            extra["short"] = True
        status, figure = desk.exercise(exercise, {"drill": extra}, lambda card, e=exercise, m=made: m.figure(card, e))
        if figure is not None:
            _say_figure(figure)
            if figure.passed is not None:
                passes.setdefault(made.name, []).append((tempo_bpm, figure.passed))
        if status is not None:
            typer.echo("Stopped here; all that was played is kept.")
            return status
    if passes:
        n, of = sum(clean for runs in passes.values() for _, clean in runs), sum(map(len, passes.values()))
        typer.echo(
            f"\nClean runs this evening: {n} of {of}. What was clean comes back later, what was not comes back soon."
        )
    return 0


def _song(key: str, tempo_bpm: float, minutes: float, seed: int) -> Session:
    """A song of about so many minutes: verses, solos that open, a last verse."""
    from trainer.session import session_from_dict

    n = max(3, min(12, int((minutes * tempo_bpm - 16.0) // 48.0)))  # two bars of count-in, four of intro
    n_solo = max(1, n // 3)
    return session_from_dict(
        {
            "key": key,
            "tempo_bpm": tempo_bpm,
            "seed": seed,
            "chorus": [
                {"role": "verse", "times": max(1, n - n_solo - 1), "intensity": 0.45},
                {"role": "solo", "times": n_solo, "intensity": [0.5 + 0.4 * i / n_solo for i in range(n_solo)]},
                {"role": "verse", "times": 1, "intensity": 0.5},
            ],
        }
    )


# --- a night on stage ------------------------------------------------------------------------------------------------


def stage(
    seed: Annotated[int | None, typer.Option(metavar="N", help="The same seed is the same night.")] = None,
    level: Annotated[
        str, typer.Option(metavar="LEVEL", help="quiet_night, usual_night or full_house.")
    ] = "usual_night",
    midi_in: MidiIn = None,
    midi_out: MidiOut = None,
    no_audio: NoAudio = False,
    takes: Takes = None,
    plain: Plain = False,
    stand_in: StandInOption = False,
    as_json: Annotated[bool, typer.Option("--json", help="The results as JSON.")] = False,
) -> int:
    """A night on a made-up open stage: key called, count-in, go. Roles, stops and endings are cued as you play."""
    from trainer.practice.stage import make_night

    chosen = seed if seed is not None else datetime.date.today().toordinal() % 100_000
    night = make_night(chosen, level)
    with _Desk(midi_in, midi_out, no_audio, takes, plain, stand_in) as desk:
        return _night(night, chosen, level, desk, as_json)


def _night(night: Night, chosen: int, level: str, desk: _Desk, as_json: bool) -> int:
    from trainer.cli.playing import _status
    from trainer.practice.stage import judge_night, judge_tune
    from trainer.scoring import score
    from trainer.session import expand

    say_line = (lambda text: typer.echo(text, err=True)) if as_json else say
    say_line(f"{night.level.title}. Night {chosen}: {len(night.tunes)} tunes, each once, no going back.")
    results: list[TuneResult] = []
    for tune in night.tunes:
        say_line(f"\n{tune.number}. {tune.called}, {tune.session.tempo_bpm:g} bpm")
        cues = [(cue.shown_beats, min(cue.end_beats, cue.at_beats + 4.0), cue.text) for cue in tune.cues]
        extra = {"stage": {"seed": chosen, "level": level, "tune": tune.number}}
        result, take = desk.play(tune.session, extra, cues=cues)
        chart = expand(tune.session)
        if take is not None:
            card = score(take)
            results.append(judge_tune(tune, card.to_dict(), card.reading, chart))
            if not as_json:
                _say_tune(results[-1])
        if result is not None and result.status != "completed":
            say_line("The night ends here; all that was played is kept.")
            return _status(result)
    if as_json:
        typer.echo(json.dumps([_tune_dict(result) for result in results], ensure_ascii=False, indent=2))
        return 0
    typer.echo("")
    for line in judge_night(results):
        typer.echo(line)
    return 0


def _say_tune(result: TuneResult) -> None:
    kept = {True: "form kept", False: f"lost {result.n_lost} times", None: "form not judged"}[result.form_kept]
    typer.echo(f"   {kept}; roots on {result.roots} of {result.changes} changes")
    for item in result.cues:
        mark = {True: "followed", False: "missed", None: "not judged"}[item.followed]
        typer.echo(f"   {mark:<11}{item.cue.text}: {item.text}")


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


# --- teacher and class -----------------------------------------------------------------------------------------------

worksheets = typer.Typer(
    add_completion=False, rich_markup_mode=None, help="Set work as a file, check it, play it through."
)


@worksheets.command("new")
def worksheet_new(file: Annotated[Path, typer.Argument(metavar="FILE", help="A new file to write it to.")]) -> int:
    """Write a worksheet to start from."""
    from trainer.practice.worksheet import TEMPLATE

    try:
        with file.open("x", encoding="utf-8") as handle:
            handle.write(TEMPLATE)
    except FileExistsError:
        raise UsageError(f"{file} is there already; expected a new name") from None
    except OSError as error:
        raise UsageError(f"cannot write {file}: {error.strerror or error}") from None
    typer.echo(f"Written: {file}. Change it, then: trainer worksheet check {file}")
    return 0


@worksheets.command("check")
def worksheet_check(file: Annotated[Path, typer.Argument(metavar="FILE", help="The worksheet.")]) -> int:
    """Say what a worksheet asks for, or what is wrong with it."""
    sheet = _worksheet(file)
    typer.echo(f"{sheet.title}: {len(sheet.tasks)} tasks")
    for i, task in enumerate(sheet.tasks, 1):
        what = f"drill {task.drill}, {task.key}, {task.tempo_bpm:g} bpm" if task.drill else "session"
        target = "the drill's own figure" if task.target is None else task.target.text
        typer.echo(f"  {i}. {task.title}: {what}, {task.times} time{'s' * (task.times > 1)}; target: {target}")
    return 0


@worksheets.command("run")
def worksheet_run(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="The worksheet.")],
    name: Annotated[str, typer.Option(metavar="NAME", help="Your name in the result, if you like.")] = "",
    out: Annotated[Path | None, typer.Option("--out", metavar="FILE", help="Where the result goes.")] = None,
    midi_in: MidiIn = None,
    midi_out: MidiOut = None,
    no_audio: NoAudio = False,
    takes: Takes = None,
    plain: Plain = False,
    stand_in: StandInOption = False,
) -> int:
    """Play a worksheet through; the result is one file to hand in."""
    from trainer.cli.playing import _status
    from trainer.practice.results import Played, task_card, task_exercise, task_outcome, write_result

    sheet = _worksheet(file)
    desk = _Desk(midi_in, midi_out, no_audio, takes, plain, stand_in)
    played: list[Played] = []
    status = 0
    for idx, task in enumerate(sheet.tasks):
        exercise = task_exercise(task)
        session = exercise.session if exercise is not None else task.session
        assert session is not None
        for n in range(1, task.times + 1):
            typer.echo(f"\nTask {idx + 1} of {len(sheet.tasks)}, {n} of {task.times}: {task.title}")
            extra: dict[str, Any] = {"worksheet": sheet.title}
            if task.drill is not None:
                extra["drill"] = {"name": task.drill, "key": task.key, "tempo_bpm": task.tempo_bpm, "seed": 1}
            before = set(desk.takes.glob("*.mid")) if desk.takes.is_dir() else set()
            guide_line = exercise.guide_rows() if exercise is not None else None
            line = exercise.model if exercise is not None else None
            result, take = desk.play(session, extra, line=line, guide_line=guide_line)
            path = result.take_path if result is not None else next(iter(set(desk.takes.glob("*.mid")) - before), None)
            if take is not None and path is not None and len(take.notes):
                _, met, text = task_outcome(task, task_card(task, take))
                say(f"{ {True: 'Met', False: 'Not yet', None: 'Not judged'}[met] }: {text}.")
                played.append(Played(idx, path))
            if result is not None and result.status != "completed":
                status = _status(result) or 0
                break
        else:
            continue
        break
    if not played:
        typer.echo("Nothing was played, so there is no result.")
        return status
    target = write_result(sheet, played, out or file.with_suffix(".result"), name)
    typer.echo(f"\nResult: {target}. Hand this file in.")
    return status


def _worksheet(file: Path) -> Any:
    from trainer.cli.choosing import named_session
    from trainer.practice.worksheet import parse_worksheet

    try:
        text = file.read_text(encoding="utf-8")
    except OSError as error:
        raise UsageError(f"cannot read the worksheet {file}: {error.strerror or error}") from None
    except UnicodeDecodeError:
        raise UsageError(f"{file} is not UTF-8 text; expected a worksheet (trainer worksheet new FILE)") from None
    return parse_worksheet(text, str(file), named_session)


def review(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="A folder of results.")],
    as_csv: Annotated[bool, typer.Option("--csv", help="As a table for a spreadsheet.")] = False,
    pages: Annotated[
        Path | None, typer.Option("--pages", metavar="DIR", help="Write a report page for each take.")
    ] = None,
) -> int:
    """Read a class's results: who met what, who misses which change. Every take is scored anew."""
    from trainer.cli.choosing import named_session
    from trainer.practice.results import missed_changes, read_result

    if not folder.is_dir():
        raise UsageError(f"{folder} is not a folder; expected one with results in it")
    results: list[Result] = []
    for path in sorted(folder.glob("*.result")):
        try:
            results.append(read_result(path, named_session))
        except TrainerError as error:
            typer.echo(str(error), err=True)
    if not results:
        raise UsageError(f"{folder}: no result in there; expected files that end in .result")
    if as_csv:
        _review_csv(results)
        return 0
    for result in results:
        typer.echo(f"\n{result.name or result.path.stem}, {result.worksheet.title}, {result.made[:10]}")
        for task in result.tasks:
            mark = {True: "met", False: "not yet", None: "not judged"}[task.met]
            typer.echo(f"  {mark:<11}{task.task.title}: {task.text}")
        for remark in result.remarks:
            typer.echo(f"  ! {remark}")
    table = missed_changes(results)
    names = [result.name or result.path.stem for result in results]
    typer.echo("\nRoots missed, of changes")
    typer.echo(" " * 10 + "".join(f"{name[:14]:>16}" for name in names))
    for pair in sorted(table, key=lambda p: -sum(missed for missed, _ in table[p].values())):
        row = "".join(f"{'{} of {}'.format(*table[pair].get(name, (0, 0))):>16}" for name in names)
        typer.echo(f"{pair:<10}{row}")
    if pages is not None:
        _review_pages(results, pages)
    return 0


def _review_csv(results: list[Result]) -> None:
    from trainer.practice.results import answered_pairs

    out = csv.writer(sys.stdout)
    out.writerow(
        ["student", "file", "made", "task", "value", "met", "roots", "changes", "swing_ratio", "spread_ms", "remarks"]
    )
    for result in results:
        for task in result.tasks:
            card, pairs = task.card, answered_pairs(task)
            out.writerow(
                [
                    _cell(result.name),
                    result.path.name,
                    _cell(result.made),
                    _cell(task.task.title),
                    task.value,
                    task.met,
                    sum(roots for roots, _ in pairs.values()),
                    sum(n for _, n in pairs.values()),
                    card["swing"]["ratio"],
                    card["timing"]["robust_sd_ms"],
                    _cell("; ".join(result.remarks)),
                ]
            )


def _cell(text: str) -> str:
    """Text that a spreadsheet will not take for a formula."""
    return "'" + text if text[:1] in "=+-@\t\r" and text else text


def _review_pages(results: list[Result], folder: Path) -> None:
    import tempfile
    import zipfile

    from trainer.report import write_report
    from trainer.scoring import score
    from trainer.take import read_take

    folder.mkdir(parents=True, exist_ok=True)
    for result in results:
        with tempfile.TemporaryDirectory() as place, zipfile.ZipFile(result.path) as archive:
            for entry in sorted(n for n in archive.namelist() if n.endswith(".mid") and n[:-4].isdigit()):
                midi = Path(place) / entry
                midi.write_bytes(archive.read(entry))
                beside = entry[:-4] + ".json"
                if beside in archive.namelist():
                    midi.with_suffix(".json").write_bytes(archive.read(beside))
                try:
                    take = read_take(midi)
                except TrainerError:
                    continue
                typer.echo(f"Page: {write_report(take, score(take), folder / f'{result.path.stem}-{entry[:-4]}.html')}")


# --- study -----------------------------------------------------------------------------------------------------------


def study(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="A transcription: MIDI or MusicXML.")],
    session: Annotated[
        str | None, typer.Option("--session", metavar="SESSION", help="The chart it lies on: a file or a name.")
    ] = None,
    number: Annotated[int | None, typer.Option("--phrase", metavar="N", help="Work on this one of the list.")] = None,
    key: Annotated[str | None, typer.Option("--key", metavar="KEY", help="In another key.")] = None,
    bpm: Annotated[float | None, typer.Option("--bpm", metavar="N", help="At another tempo.")] = None,
    octave: Annotated[int, typer.Option(metavar="-1|0|1", help="An octave down or up.")] = 0,
    bars: Annotated[str | None, typer.Option("--loop", metavar="A-B", help="Only these bars of the form.")] = None,
    midi: Annotated[Path | None, typer.Option("--midi", metavar="FILE", help="Write the moved line instead.")] = None,
    midi_in: MidiIn = None,
    midi_out: MidiOut = None,
    no_audio: NoAudio = False,
    takes: Takes = None,
    plain: Plain = False,
    stand_in: StandInOption = False,
) -> int:
    """Lay a transcription over a session, its devices bar by bar. Each can be moved, looped and drilled."""
    from trainer.cli.choosing import _bar_range, named_session
    from trainer.practice.study import exercise_to_dict, judge_phrase, phrase_drill, phrases
    from trainer.report.transcription import read_transcription
    from trainer.scoring import score

    known = None if session is None else named_session(session)
    take = read_transcription(file, known)
    card = score(take)
    if card.chart is None or take.session is None:
        raise UsageError(f"{file}: without a session the chords are not known; add --session")
    found = card.to_dict()["devices"]["found"] or []
    listed = phrases(card.reading, card.chart, found)
    if number is None:
        for phrase in listed:
            where = f"chorus {phrase.chorus}, bar {phrase.bar:>2}, beat {phrase.start_beat}"
            over = f"{'into' if phrase.lands else 'over'} {phrase.chord:<6}"
            typer.echo(f"{phrase.number:>3}  {where}  {phrase.name.replace('_', ' '):<20}{over}{phrase.spelled}")
        typer.echo(
            f"\nWork on one with: trainer study {file} --session … --phrase N --key A" if listed else "No device found."
        )
        return 0
    chosen = next((phrase for phrase in listed if phrase.number == number), None)
    if chosen is None:
        raise UsageError(f"there is no phrase {number}; expected 1 to {len(listed)} (trainer study {file} lists them)")
    exercise = phrase_drill(
        chosen,
        key or take.session.key,
        bpm or take.session.tempo_bpm,
        swing_ratio=take.session.swing_ratio,
        octave=octave,
        form=take.session.form if take.session.form != "chart" else "quick_change_12",
        loop=None if bars is None else _bar_range(bars),
    )
    if midi is not None:
        from trainer.cli.making import write_line_midi

        typer.echo(f"Written: {write_line_midi(exercise.model, midi)}")
        return 0
    typer.echo("Odd choruses: listen. Even ones: your turn.")
    with _Desk(midi_in, midi_out, no_audio, takes, plain, stand_in) as desk:
        kept = {"study": exercise_to_dict(file.name, chosen, exercise, octave)}
        result, played = desk.play(exercise.session, kept, line=exercise.model, guide_line=exercise.guide_rows())
        if played is not None and len(played.notes):
            _say_figure(judge_phrase(exercise, score(played).reading))
    from trainer.cli.playing import _status

    return _status(result) if result is not None else 0


def add_to(app: typer.Typer) -> None:
    for command in (drills, drill, practice, stage, review, study):
        app.command()(command)
    app.add_typer(worksheets, name="worksheet")
