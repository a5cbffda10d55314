"""`trainer worksheet`, `review`, `study`: work that is set, what came back, and a transcription to learn from."""

from __future__ import annotations

import csv
import os
import sys
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from trainer.cli.breath import Coming
from trainer.cli.choosing import Downbeat, Track, downbeat_of, take_meant, track_of, with_options
from trainer.cli.desk import Desk, Run, listening
from trainer.cli.running import Strung, Surroundings
from trainer.cli.speaking import echo, say
from trainer.errors import TrainerError, UsageError

if TYPE_CHECKING:
    from trainer.live import PlayResult
    from trainer.practice import Exercise
    from trainer.practice.results import Played, Result, TaskResult
    from trainer.practice.study import Phrase
    from trainer.practice.worksheet import Task, Worksheet
    from trainer.scoring import Scorecard
    from trainer.session import Session
    from trainer.take import Take

__all__ = ["add_to", "worksheets"]

MAX_PAIRS_SHOWN = 5  # changes of chord side by side: what eighty columns hold
MAX_NAME = 40  # letters of a name that go into a file's; systems take some 250 bytes

# --- teacher and class -----------------------------------------------------------------------------------------------

worksheets = typer.Typer(
    add_completion=False, rich_markup_mode=None, help="Set work as a file, check it, play it through."
)


@worksheets.command("new")
def worksheet_new(file: Annotated[Path, typer.Argument(metavar="FILE", help="A new file to write it to.")]) -> int:
    """Write a worksheet to start from."""
    from trainer.practice.worksheet import TARGETS, TEMPLATE

    try:
        with file.open("x", encoding="utf-8") as handle:
            handle.write(f"{TEMPLATE}\n# What a target may ask for, with at_least, at_most or both:\n")
            handle.writelines(f"#   {path:<34}{words}\n" for path, words in TARGETS.items())
            handle.write('# Drills: trainer drills. Songs to name as session = "…": trainer sessions.\n')
    except FileExistsError:
        raise UsageError(f"{file} is there already; expected a new name") from None
    except OSError as error:
        raise UsageError(f"cannot write {file}: {error.strerror or error}") from None
    echo(f"wrote {file}\nChange it, then: trainer worksheet check {file}")
    return 0


@worksheets.command("check")
def worksheet_check(file: Annotated[Path, typer.Argument(metavar="FILE", help="The worksheet.")]) -> int:
    """Say what a worksheet asks for, or what is wrong with it."""
    sheet = _worksheet(file)
    echo(f"{sheet.title}: {len(sheet.tasks)} tasks")
    for i, task in enumerate(sheet.tasks, 1):
        times = f"{task.times} time{'s' * (task.times > 1)}"
        say(f"  {i}. {task.title}: {task.what}, {times}; target: {task.wanted}")
        if task.instruction:
            say(f"     {task.instruction}")
    return 0


@worksheets.command("run")
@with_options
def worksheet_run(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="The worksheet.")],
    name: Annotated[str, typer.Option(metavar="NAME", help="Your name in the result, if you like.")] = "",
    out: Annotated[Path | None, typer.Option("--out", metavar="FILE", help="Where the result goes.")] = None,
    *,
    strung: Strung,
    around: Surroundings,
) -> int:
    """Play a worksheet through; the result is one file to hand in."""
    sheet = _worksheet(file)
    wanted_path = out or file.with_name(_result_name(file, name))
    if not wanted_path.parent.is_dir() or not os.access(wanted_path.parent, os.W_OK):
        # said before anything is played, not after
        raise UsageError(f"no result can be written into {wanted_path.parent}; name another place with --out")
    wanted = sum(task.times for task in sheet.tasks)
    played: list[Played] = []
    with Desk(around, strung) as desk:
        try:
            status = _play_sheet(sheet, desk, played)
        except KeyboardInterrupt:  # between two runs: what was played is handed in all the same
            status = 130
        except TrainerError:  # so is what was played before something failed
            if played:
                _hand_in(sheet, played, wanted_path, name)
            raise
        _hand_in(sheet, played, wanted_path, name)
        if desk.stand is not None and status is None:
            desk.note(f"{len(played)} of {wanted} takes are in the result.")
            desk.before(Coming("That was the worksheet", held=True, starts=""))
    return status or 0


def _hand_in(sheet: Worksheet, played: list[Played], path: Path, name: str) -> None:
    """Write the result of what was played, and say so."""
    from trainer.practice.results import write_result

    if not played:
        echo("Nothing was played to its end, so there is no result.")
        return
    wanted = sum(task.times for task in sheet.tasks)
    target = write_result(sheet, played, path, name)
    if len(played) < wanted:
        are = f"{len(played)} of {wanted} takes are in the result, {target}"
        say(f"\nStopped: {are}. Run it again to play it whole.")
    else:
        echo(f"\nwrote {target}\nHand this file in.")


def _play_sheet(sheet: Worksheet, desk: Desk, played: list[Played]) -> int | None:
    """Put what was played to its end into `played`; the exit status if the person has left, None: it was the end."""
    from trainer.practice.results import Played, task_exercise

    for idx, task in enumerate(sheet.tasks):
        exercise = task_exercise(task)
        run = _task_run(sheet, task, exercise)
        words = "" if exercise is None else listening(exercise)
        for n in range(1, task.times + 1):
            times = f", time {n} of {task.times}" if task.times > 1 else ""
            song = f"{run.session.key.name}, {run.session.tempo_bpm:g} bpm"
            title = f"Task {idx + 1} of {len(sheet.tasks)}{times}: {task.title}, {song}"
            say(f"\n{title}. {words}".rstrip())
            if task.instruction:
                say(task.instruction)
            asked, _ = desk.before(Coming(title, f"{words} {task.instruction}".strip(), may=("skip",)))
            if asked == "leave":
                return 0
            if asked == "skip":
                break
            result, take, path = _played_run(desk, run)
            if desk.asked == "next":
                desk.tell("Left out; on to the next task.")
                break
            status = desk.leaves(result)
            if status is not None:
                return status
            kept = _kept(desk, task, take, path)
            if kept is not None:
                played.append(Played(idx, kept))
    return None


def _task_run(sheet: Worksheet, task: Task, exercise: Exercise | None) -> Run:
    """A task as it is played; `exercise` where it is a drill."""
    extra: dict[str, Any] = {"worksheet": sheet.title}
    if task.drill is not None:
        extra["drill"] = {"name": task.drill, "key": task.key, "tempo_bpm": task.tempo_bpm, "seed": 1}
    if exercise is not None:
        return replace(Run.of(exercise, extra), keeps_tempo=True)
    assert task.session is not None
    return Run(task.session, extra, keeps_tempo=True)


def _played_run(desk: Desk, run: Run) -> tuple[PlayResult | None, Take | None, Path | None]:
    """A run's result, its take, and the take's file."""
    before = set(desk.takes.glob("*.mid"))
    _, result, take = desk.play(lambda bpm: run, run.session.tempo_bpm)
    path = result.take_path if result is not None else next(iter(set(desk.takes.glob("*.mid")) - before), None)
    return result, take, path


def _kept(desk: Desk, task: Task, take: Take | None, path: Path | None) -> Path | None:
    """Say how a task went; the take's file if it goes into the result."""
    from trainer.practice.results import task_card, task_outcome

    if take is None or path is None or not len(take.notes):
        desk.tell("No notes were heard, so this take is not in the result.")
        return None
    if not take.header.completed:
        desk.tell("Stopped before its end, so this take is not in the result.")
        return None
    _, met, text = task_outcome(task, task_card(task, take))
    desk.tell(f"{ {True: 'Met', False: 'Not yet', None: 'Not judged'}[met] }: {text}.")
    return path


def _result_name(sheet: Path, name: str) -> str:
    """The result's file name: the worksheet's and the student's, if there is one: a class's can lie side by side."""
    who = "-".join("".join(c if c.isalnum() else " " for c in name).split()).lower()[:MAX_NAME].rstrip("-")
    return f"{sheet.stem}-{who}.result" if who else f"{sheet.stem}.result"


def _worksheet(file: Path) -> Worksheet:
    from trainer.cli.choosing import ready_made_session
    from trainer.practice.worksheet import parse_worksheet
    from trainer.tables import read_text_file

    return parse_worksheet(
        read_text_file(file, "worksheet", "a TOML file (trainer worksheet new FILE)"), str(file), ready_made_session
    )


def review(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="A folder of results.")],
    sheet: Annotated[
        Path | None,
        typer.Option("--sheet", metavar="FILE", help="Your own worksheet: every result is judged by it."),
    ] = None,
    as_csv: Annotated[bool, typer.Option("--csv", help="As a table for a spreadsheet.")] = False,
    pages: Annotated[
        Path | None, typer.Option("--pages", metavar="DIR", help="Write a report page for each take.")
    ] = None,
) -> int:
    """Read a class's results: who met what, who misses which change. Every take is scored anew.

    A file that cannot be read is named and does not stop the others; the exit status is then 2.
    """
    from trainer.practice.results import class_remarks, missed_changes

    if not folder.is_dir():
        raise UsageError(f"{folder} is not a folder; expected one with results in it")
    results, status = _results_in(folder, None if sheet is None else _worksheet(sheet))
    if not results:
        takes = f" (takes and other MIDI files: trainer score {folder})" if any(folder.glob("*.mid")) else ""
        raise UsageError(f"{folder}: no result in there; expected files that end in .result{takes}")
    together = class_remarks(results)
    remarks = {result.path: (*result.remarks, *together.get(result.path, ())) for result in results}
    if as_csv:
        _review_csv(results, remarks)
        return status
    for result in results:
        _say_result(result, remarks[result.path])
    _say_missed({pair: row for pair, row in missed_changes(results).items() if "→" in pair}, results)
    if pages is not None:
        _review_pages(results, pages)
    return status


def _results_in(folder: Path, own: Worksheet | None) -> tuple[list[Result], int]:
    """The results that can be read, each once, and the exit status."""
    from trainer.cli.choosing import ready_made_session
    from trainer.practice.results import read_result

    found: dict[str, Result] = {}
    status = 0
    for path in sorted(folder.glob("*.result")):
        try:
            result = read_result(path, ready_made_session, own)
        except TrainerError as error:
            first, *more = str(error).splitlines()
            echo(first + (f" (and {len(more)} more like this)" if more else ""), err=True)
            status = 2
            continue
        before = found.setdefault(result.sha256, result)
        if before is not result:
            echo(f"{path}: the same as {before.path.name}; read once", err=True)
    return list(found.values()), status


def _say_result(result: Result, remarks: Sequence[str]) -> None:
    """What a student met, task by task, and what is odd about the file."""
    echo(f"\n{result.name or result.path.stem}, {result.worksheet.title}, {result.made[:10]}")
    for task in result.tasks:
        mark = {True: "met", False: "not yet", None: "not judged"}[task.met]
        say(f"  {mark:<11}{task.task.title}: {task.text}")
    for asked in result.worksheet.tasks:
        missing = asked.times - sum(done.task == asked for done in result.tasks)
        if missing > 0:
            say(f"  {'not played':<11}{asked.title}: {missing} of {asked.times}")
    for remark in remarks:
        say(f"  ! {remark}")


def _say_missed(table: dict[str, dict[str, tuple[int, int]]], results: list[Result]) -> None:
    """Roots missed, a row a student, the change that is missed most first: a class of thirty fits eighty columns."""
    names = list(dict.fromkeys(result.name or result.path.stem for result in results))  # one may have handed in two
    of_all = {pair: tuple(map(sum, zip(*row.values(), strict=True))) for pair, row in table.items()}
    pairs = sorted(table, key=lambda pair: -of_all[pair][0])[:MAX_PAIRS_SHOWN]
    rows: dict[str, list[tuple[int, ...]]] = {name: [table[pair].get(name, (0, 0)) for pair in pairs] for name in names}
    if len(names) > 1:
        rows["all"] = [of_all[pair] for pair in pairs]
    echo("\nRoots missed, of changes")
    echo(" " * 20 + "".join(f"{pair:>12}" for pair in pairs))
    for name, row in rows.items():
        cells = (f"{missed} of {n}" if n else "·" for missed, n in row)
        echo(f"{name[:19]:<20}" + "".join(f"{cell:>12}" for cell in cells))
    if len(table) > len(pairs):
        echo(f"The {len(pairs)} changes missed most, of {len(table)}.")


def _review_csv(results: list[Result], remarks: dict[Path, tuple[str, ...]]) -> None:
    """One table, a row a student and task; a file's remarks stand in its first row."""
    from trainer.batch import own_line_ends, text_cell

    columns = "student file made worksheet task_number task asked played met value roots changes swing_ratio spread_ms"
    out = csv.writer(own_line_ends(sys.stdout))
    out.writerow([*columns.split(), "remarks"])
    for result in results:
        about = (result.name, result.path.name, result.made, result.worksheet.title)
        for number, task in enumerate(result.worksheet.tasks, 1):
            said = "; ".join(remarks[result.path]) if number == 1 else ""
            figures = _task_figures(task, [done for done in result.tasks if done.task == task])
            out.writerow([*map(text_cell, about), number, text_cell(task.title), *figures, text_cell(said)])


def _task_figures(task: Task, takes: list[TaskResult]) -> list[Any]:
    """Asked, played, met; roots and changes of all takes; value, swing and spread of the last."""
    from trainer.practice.results import answered_pairs
    from trainer.scoring.why import number as rounded

    pairs = [counts for done in takes for counts in answered_pairs(done).values()]
    value = swing_ratio = spread_ms = None
    if takes:
        last = takes[-1]
        value = None if last.value is None else round(last.value, 4)
        swing_ratio = rounded(last.card.swing.ratio.value, 4)
        spread_ms = rounded(1000.0 * last.card.timing.spread_s.value, 2)
    counts = task.times, len(takes), sum(done.met is True for done in takes)
    return [*counts, value, sum(roots for roots, _ in pairs), sum(n for _, n in pairs), swing_ratio, spread_ms]


def _review_pages(results: list[Result], folder: Path) -> None:
    from trainer.report import write_report
    from trainer.scoring import score

    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise UsageError(f"cannot write into {folder}: {error.strerror or error}; name another folder") from None
    for result in results:
        for done in result.tasks:
            page = folder / f"{result.path.stem}-{done.stem}.html"
            echo(f"wrote {write_report(done.take, score(done.take), page)}")


# --- study -----------------------------------------------------------------------------------------------------------


@with_options
def study(
    file: Annotated[
        Path,
        typer.Argument(
            metavar="FILE", help="A transcription: MIDI or MusicXML; last: your newest take.", callback=take_meant
        ),
    ],
    session: Annotated[
        str | None, typer.Option("--session", metavar="SESSION", help="The chart it lies on: a file or a name.")
    ] = None,
    track: Track = None,
    downbeat: Downbeat = None,
    number: Annotated[int | None, typer.Option("--phrase", metavar="N", help="Work on this one of the list.")] = None,
    key: Annotated[str | None, typer.Option("--key", metavar="KEY", help="In another key.")] = None,
    bpm: Annotated[float | None, typer.Option("--bpm", metavar="N", help="At another tempo.")] = None,
    octave: Annotated[int, typer.Option(metavar="-1|0|1", help="An octave down or up.")] = 0,
    bars: Annotated[str | None, typer.Option("--loop", metavar="A-B", help="Only these bars of the form.")] = None,
    midi: Annotated[Path | None, typer.Option("--midi", metavar="FILE", help="Write the moved line instead.")] = None,
    *,
    strung: Strung,
    around: Surroundings,
) -> int:
    """Lay a transcription over a session, its devices bar by bar. Each can be moved, looped and drilled."""
    from trainer.cli.choosing import bar_range, named_session
    from trainer.practice.study import phrase_drill, phrases
    from trainer.report.transcription import read_transcription
    from trainer.scoring import score

    bass = strung.bass()  # one that nobody has is said first
    known = None if session is None else named_session(session)
    take = read_transcription(file, known, track=track_of(track), downbeat=downbeat_of(downbeat))
    card = score(take)
    if card.chart is None or take.session is None:
        raise UsageError(f"{file}: without a session the chords are not known; add --session")
    listed = phrases(card.reading, card.chart, card.devices.found or ())
    _say_remarks(card, take.session)
    if number is None:
        _say_phrases(file, listed)
        return 0
    chosen = next((phrase for phrase in listed if phrase.number == number), None)
    if chosen is None:
        allowed = f"expected 1 to {len(listed)} (trainer study {file} lists them)" if listed else "no device was found"
        raise UsageError(f"there is no phrase {number}; {allowed}")
    exercise = phrase_drill(
        chosen,
        key or take.session.key,
        take.session.tempo_bpm if bpm is None else bpm,
        swing_ratio=take.session.swing_ratio,
        octave=octave,
        tuning=bass,
        form=take.session.form if take.session.form != "chart" else "quick_change_12",
        loop=None if bars is None else bar_range(bars),
    )
    if midi is not None:
        from trainer.cli.making import write_line_midi

        echo(f"wrote {write_line_midi(exercise.model, midi)}")
        return 0
    return _practised(file, chosen, exercise, octave, around, strung)


def _say_remarks(card: Scorecard, session: Session) -> None:
    for remark in card.take.remarks:
        say(f"Note: {remark}")
    moved = card.reading.transposed_semitones
    if moved:
        how = f"{abs(moved)} semitone{'s' * (abs(moved) > 1)} {'lower' if moved > 0 else 'higher'}"
        home = session.key.name
        say(f"Note: it fits the session's {home} when read {how}; a session in its own key reads it as it is written.")


def _say_phrases(file: Path, listed: Sequence[Phrase]) -> None:
    for phrase in listed:
        where = f"chorus {phrase.chorus}, bar {phrase.bar:>2}, beat {phrase.start_beat}"
        over = f"{'into' if phrase.lands else 'over'} {phrase.chord:<6}"
        echo(f"{phrase.number:>3}  {where}  {phrase.name.replace('_', ' '):<20}{over}{phrase.spelled}")
    echo(f"\nWork on one with: trainer study {file} --session … --phrase N --key A" if listed else "No device found.")


def _practised(
    file: Path, chosen: Phrase, exercise: Exercise, octave: int, around: Surroundings, strung: Strung
) -> int:
    """Play a phrase's exercise; the exit status."""
    from trainer.practice.study import exercise_to_dict, judge_phrase

    say(f"{exercise.session.title}. {listening(exercise)}")
    with Desk(around, strung) as desk:
        kept = {"study": exercise_to_dict(file.name, chosen, exercise, octave)}
        if desk.before(Coming(exercise.session.title, listening(exercise)))[0] == "leave":
            return 0
        status, _, _ = desk.exercise(
            lambda bpm: (exercise, kept), exercise.session.tempo_bpm, lambda run, card: judge_phrase(run, card.reading)
        )
        if desk.stand is not None and status is None:
            desk.before(Coming("That was it", held=True, starts=""))
    return status or 0


def add_to(app: typer.Typer) -> None:
    for command in (review, study):
        app.command()(command)
    app.add_typer(worksheets, name="worksheet")
