"""`trainer score`: the figures of takes and of any MIDI file, for a person or for a program."""

from __future__ import annotations

import csv
import json
import sys
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Annotated, Any

import typer

from trainer.errors import TrainerError, UsageError

__all__ = ["CSV_COLUMNS", "add_to", "csv_row"]

# Column → path into the scorecard; one row a take.
CSV_COLUMNS: dict[str, tuple[str, ...]] = {
    "notes": ("take", "notes"),
    "choruses": ("take", "choruses"),
    "key": ("take", "key"),
    "tempo_bpm": ("take", "tempo_bpm"),
    "profile": ("take", "profile"),
    "timing_n": ("timing", "n"),
    "mean_ms": ("timing", "mean_ms"),
    "mean_low_ms": ("timing", "mean_ci95_ms", "0"),
    "mean_high_ms": ("timing", "mean_ci95_ms", "1"),
    "median_ms": ("timing", "median_ms"),
    "sd_ms": ("timing", "sd_ms"),
    "robust_sd_ms": ("timing", "robust_sd_ms"),
    "drift_ms_per_chorus": ("timing", "drift_ms_per_chorus"),
    "swing_n": ("swing", "n"),
    "swing_ratio": ("swing", "ratio"),
    "swing_low": ("swing", "ratio_ci95", "0"),
    "swing_high": ("swing", "ratio_ci95", "1"),
    "band_ratio": ("swing", "band_ratio"),
    "changes": ("landing", "changes"),
    "roots": ("landing", "roots"),
    "landed": ("landing", "landed"),
    "root_rate": ("landing", "root_rate"),
    "landed_rate": ("landing", "landed_rate"),
}


def csv_row(card: Mapping[str, Any]) -> list[Any]:
    """A scorecard's figures in the order of `CSV_COLUMNS`; an absent one is empty."""
    row = []
    for path in CSV_COLUMNS.values():
        value: Any = card
        for step in path:
            if isinstance(value, list):
                value = value[int(step)]
            else:
                value = None if value is None else value.get(step)
        row.append("" if value is None else value)
    return row


def midi_files(paths: Sequence[Path]) -> Iterator[Path]:
    """The files meant: each file, and of a folder its MIDI files in the order of their names (not of its folders)."""
    for path in paths:
        if path.is_dir():
            inside = sorted(p for p in path.iterdir() if p.suffix.lower() in (".mid", ".midi") and p.is_file())
            if not inside:
                raise UsageError(f"{path}: no MIDI file in this folder; expected takes (.mid)")
            yield from inside
        else:
            yield path


def score(
    files: Annotated[list[Path], typer.Argument(metavar="FILE…|DIR", help="Takes, other MIDI files, or a folder.")],
    session: Annotated[
        str | None, typer.Option(metavar="SESSION", help="What was to be played: a file or a ready-made name.")
    ] = None,
    track: Annotated[str | None, typer.Option(metavar="NAME|N", help="The bass's track, by name or number.")] = None,
    downbeat: Annotated[
        str | None, typer.Option(metavar="SECONDS|auto", help="Where chorus 1 begins, if the file does not say.")
    ] = None,
    level: Annotated[str | None, typer.Option(metavar="LEVEL", help="The level to judge by.")] = None,
    full: Annotated[bool, typer.Option("--full", help="Every figure; every beat and pair in the JSON.")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="As JSON: one scorecard, or a list of them.")] = False,
    json_lines: Annotated[bool, typer.Option("--json-lines", help="As JSON, one scorecard a line.")] = False,
    as_csv: Annotated[bool, typer.Option("--csv", help="As a table, one take a row.")] = False,
) -> int:
    """Score takes, or any MIDI file with a bass track: time, swing, changes, and the bars that cost most."""
    if as_json + json_lines + as_csv > 1:
        raise UsageError("--json, --json-lines and --csv exclude each other; expected one of them")
    from trainer.cli.choosing import named_session
    from trainer.scoring import score as scored
    from trainer.scoring.text import summary
    from trainer.take import read_take

    known = None if session is None else named_session(session)
    chosen_track: str | int | None = int(track) if track is not None and track.isdigit() else track
    start = _downbeat(downbeat)
    options: dict[str, Any] = {"full": full} if level is None else {"full": full, "level": level}
    paths = list(midi_files(files))
    one = len(paths) == 1 and not json_lines
    status = 0
    cards: list[dict[str, Any]] = []
    table = csv.writer(sys.stdout, lineterminator="\n")
    if as_csv:
        table.writerow(["file", *CSV_COLUMNS, "error"])
    for path in paths:
        try:
            card = scored(read_take(path, session=known, track=chosen_track, downbeat=start), **options)
        except TrainerError as error:
            if one and not as_csv:
                raise
            status = 2
            cards.append({"file": str(path), "error": str(error)})
            if json_lines:
                typer.echo(json.dumps(cards[-1], ensure_ascii=False))
            elif as_csv:
                table.writerow([str(path), *[""] * len(CSV_COLUMNS), str(error)])
            elif not as_json:
                typer.echo(f"{path}\n  {error}\n")
            continue
        data = {"file": str(path), **card.to_dict()}
        cards.append(data)
        if json_lines:
            typer.echo(json.dumps(data, ensure_ascii=False, allow_nan=False))
        elif as_csv:
            table.writerow([str(path), *csv_row(data), ""])
        elif not as_json:
            text = summary(card, full=full)
            typer.echo(text if one else f"{path}\n" + "\n".join(f"  {row}".rstrip() for row in text.split("\n")) + "\n")
    if as_json:
        typer.echo(json.dumps(cards[0] if one else cards, ensure_ascii=False, indent=2, allow_nan=False))
    return status


def _downbeat(text: str | None) -> float | str | None:
    if text is None or text == "auto":
        return text
    try:
        return float(text)
    except ValueError:
        raise UsageError(f'--downbeat: found "{text}"; expected a second such as 4.25, or auto') from None


def add_to(app: typer.Typer) -> None:
    app.command()(score)
