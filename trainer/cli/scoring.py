"""`trainer score`: the figures of takes and of any MIDI file, for a person or for a program."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from trainer.cli.choosing import Downbeat, LastFrom, Track, between, downbeat_of, takes_meant, track_of
from trainer.cli.speaking import card_text, echo, say
from trainer.errors import TrainerError, UsageError

if TYPE_CHECKING:
    from trainer.session import Session

__all__ = ["add_to"]


def score(
    files: Annotated[
        list[Path],
        typer.Argument(
            metavar="FILE|DIR",
            help="Takes, MIDI files, recordings, or folders; last: your newest take.",
            callback=takes_meant,
        ),
    ],
    session: Annotated[
        str | None, typer.Option(metavar="SESSION", help="What was to be played: a file or a ready-made name.")
    ] = None,
    track: Track = None,
    downbeat: Downbeat = None,
    level: Annotated[
        str | None, typer.Option(metavar="LEVEL", help="Judge as: first_steps, rehearsal, jam, stage.")
    ] = None,
    beat: Annotated[
        str | None,
        typer.Option("--beat", metavar="WHOSE", help="Judge a file by the beat of: file, drums, notes."),
    ] = None,
    full: Annotated[bool, typer.Option("--full", help="Every figure; every beat and pair in the JSON.")] = False,
    takes: LastFrom = None,
    workers: Annotated[
        int | None,
        typer.Option(
            metavar="N", callback=between(1), help="How many files are scored at once; else one on each core."
        ),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="As JSON: one scorecard, or a list of them.")] = False,
    json_lines: Annotated[bool, typer.Option("--json-lines", help="As JSON, one scorecard a line.")] = False,
    as_csv: Annotated[bool, typer.Option("--csv", help="As a table, one take a row.")] = False,
) -> int:
    """Score takes, MIDI files, recordings: time, swing, changes. And the bars that cost most.

    Of many files, one that cannot be read does not stop the others: it is named where its figures would stand. The exit
    status is 2 when no file could be scored.
    """
    if as_json + json_lines + as_csv > 1:
        raise UsageError("--json, --json-lines and --csv exclude each other; expected one of them")
    from trainer.batch import midi_files, score_files, write_csv, write_json_lines
    from trainer.cli.choosing import named_session

    known = None if session is None else named_session(session, scored=True)
    options: dict[str, Any] = {
        "track": track_of(track),
        "downbeat": downbeat_of(downbeat),
        "full": full,
        "level": level,
        "beat": _whose(beat),
    }
    paths = midi_files(files)
    if not paths:
        raise UsageError(
            f"{', '.join(map(str, files))}: no MIDI or sound file in there; "
            "expected takes (.mid) or recordings (.wav, .flac)"
        )
    alone = len(paths) == 1 and not files[0].is_dir()
    if alone and not (json_lines or as_csv):
        return _one(paths[0], known, options, as_json=as_json)
    if not (as_json or json_lines or as_csv):
        return _many(paths, known, options)
    rows = score_files(paths, session=known, workers=workers, progress=_progress(len(paths)), **options)
    if json_lines:
        n_errors = write_json_lines(rows, sys.stdout)
    elif as_csv:
        n_errors = write_csv(rows, sys.stdout)
    else:
        cards = list(rows)
        n_errors = sum("error" in card for card in cards)
        echo(json.dumps(cards, indent=2, allow_nan=False))
    return 2 if n_errors == len(paths) else 0


def _whose(text: str | None) -> Any:
    from trainer.scoring.beat import BEATS_BY

    if text is not None and text not in BEATS_BY:
        raise UsageError(f'--beat: found "{text}"; expected {", ".join(BEATS_BY[:-1])} or {BEATS_BY[-1]}')
    return text


def _one(path: Path, session: Session | None, options: dict[str, Any], *, as_json: bool) -> int:
    """One file: its card, or the one line that says why not."""
    card = _card(path, session, options)
    if as_json:
        echo(json.dumps({"file": str(path), **card.to_dict()}, indent=2, allow_nan=False))
    else:
        say(card_text(card, full=options["full"]))
    return 0


def _many(paths: list[Path], session: Session | None, options: dict[str, Any]) -> int:
    n_errors = 0
    for path in paths:
        echo(str(path))
        try:
            lines = card_text(_card(path, session, options), full=options["full"]).split("\n")
        except TrainerError as error:
            n_errors += 1
            lines = str(error).split("\n")
        for line in lines:
            say(f"  {line}".rstrip())
        echo("")
    return 2 if n_errors == len(paths) else 0


def _card(path: Path, session: Session | None, options: dict[str, Any]) -> Any:
    from trainer.scoring import score as scored
    from trainer.take import read_take

    take = read_take(path, session=session, track=options["track"], downbeat=options["downbeat"])
    level = {} if options["level"] is None else {"level": options["level"]}
    return scored(take, full=options["full"], beat=options["beat"], **level)


def _progress(n_files: int) -> Callable[[int, int], None] | None:
    """How far a long run is, on standard error, for a person who waits."""
    if n_files < 30 or not sys.stderr.isatty() or sys.stdout.isatty():
        return None

    def show(n_done: int, n_all: int) -> None:
        sys.stderr.write(f"\r{n_done} of {n_all}" + ("\n" if n_done == n_all else ""))
        sys.stderr.flush()

    return show


def add_to(app: typer.Typer) -> None:
    app.command()(score)
