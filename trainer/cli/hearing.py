"""`trainer hear`: the notes in a recording of a bass, for a person, a spreadsheet or another program."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from trainer.cli.facts import Json, show_json
from trainer.cli.speaking import echo, say
from trainer.errors import UsageError

if TYPE_CHECKING:
    from trainer.take.heard import HeardNotes
    from trainer.take.notes import Notes

__all__ = ["CSV_COLUMNS", "add_to"]

CSV_COLUMNS = ("onset_s", "duration_s", "pitch", "velocity", "settled")
MIDI_BPM = 120.0  # a MIDI file must have a tempo; these notes have none of their own


def _recording_meant(value: Path) -> Path:
    """A callback: `last` is the recording beside the newest take."""
    from trainer.cli.choosing import newest_for
    from trainer.take import read_take
    from trainer.take.rehearing import recording_of

    meant = newest_for(value) or value
    if meant == value:
        return value
    found = recording_of(read_take(meant), meant)
    if found is None:
        raise UsageError(
            f"{value}: the newest take, {meant}, has no recording beside it; expected one of a bass by its cable"
        )
    return found


def hear(
    file: Annotated[
        Path,
        typer.Argument(
            metavar="FILE",
            help="A recording of one bass: WAV, FLAC or AIFF; MP3 or Ogg at need; last: your newest take's.",
            callback=_recording_meant,
        ),
    ],
    channel: Annotated[int | None, typer.Option("--channel", metavar="N", help="The bass's channel, from 1.")] = None,
    as_csv: Annotated[bool, typer.Option("--csv", help="As a table, a row a note.")] = False,
    as_json: Json = False,
    midi: Annotated[Path | None, typer.Option("--midi", metavar="FILE", help="Write the notes as MIDI too.")] = None,
) -> int:
    """Hear the notes in a recording of a bass. Its figures: trainer score FILE --session SESSION."""
    import numpy as np

    from trainer.take.heard import heard_in
    from trainer.take.sound_file import is_sound_file, read_sound

    if as_csv and as_json:
        raise UsageError("--csv and --json exclude each other; expected one of them")
    if not is_sound_file(file) and file.exists():
        raise UsageError(f"{file}: no sound file by its name; expected WAV, FLAC or AIFF (MP3 or Ogg at need)")
    found = heard_in(read_sound(file, channel), str(file))
    if midi is not None:
        _write_midi(found.notes, midi)
    rows = found.heard.notes
    if as_csv:
        import csv
        import sys

        from trainer.batch import own_line_ends

        table = csv.writer(own_line_ends(sys.stdout))
        table.writerow(CSV_COLUMNS)
        for row in rows:
            pitch = f"{row['pitch']:.3f}" if np.isfinite(row["pitch"]) else ""
            table.writerow(
                (f"{row['onset_s']:.6f}", f"{row['duration_s']:.6f}", pitch, int(row["velocity"]), int(row["settled"]))
            )
        return 0
    if as_json:
        show_json({"file": str(file), **found.facts, "remarks": list(found.remarks), "notes": _as_rows(found)})
        return 0
    _say(found, file)
    if midi is not None:
        echo(f"wrote {midi}")
    return 0


def _as_rows(found: HeardNotes) -> list[dict[str, float | int | bool | None]]:
    import numpy as np

    return [
        {
            "onset_s": round(float(row["onset_s"]), 6),
            "duration_s": round(float(row["duration_s"]), 6),
            "pitch": round(float(row["pitch"]), 3) if np.isfinite(row["pitch"]) else None,
            "velocity": int(row["velocity"]),
            "settled": bool(row["settled"]),
            "dead": bool(row["dead"]),
        }
        for row in found.heard.notes
    ]


def _say(found: HeardNotes, file: Path) -> None:
    import numpy as np

    from trainer.music.pitch import note_name
    from trainer.system import here

    rows = found.heard.notes
    for row in rows:
        if row["dead"] or not np.isfinite(row["pitch"]):
            name = "x"
        else:
            nearest = round(float(row["pitch"]))
            name = f"{note_name(nearest):<4}{100.0 * (float(row['pitch']) - nearest):+4.0f} cents"
        unsure = "" if row["settled"] or row["dead"] else "   not settled"
        say(f"{row['onset_s']:9.3f} s  {name:<14}  {row['duration_s']:6.3f} s  velocity {row['velocity']:>3}{unsure}")
    n_dead = found.facts["n_dead"]
    dead = f", {n_dead} of them strokes without pitch (x)" if n_dead else ""
    say(f"{len(rows)} notes{dead} in {found.heard.seconds:.1f} s.")
    for remark in found.remarks:
        say(f"Note: {remark}.")
    if len(rows):
        take = file.with_suffix(".mid")
        known = take.is_file() and file.with_suffix(".json").is_file()
        which = here().pasted(take) if known else f"{here().pasted(file)} --session SESSION"
        say(f"Its figures: trainer score {which}")


def _write_midi(notes: Notes, path: Path) -> None:
    """The notes alone, at a tempo that says nothing, from the file's start."""
    from trainer.clock.tempo import TempoMap
    from trainer.report.files import write_page
    from trainer.take import Take
    from trainer.take.store import take_midi

    write_page(take_midi(Take(notes, TempoMap.constant(MIDI_BPM))), path)


def add_to(app: typer.Typer) -> None:
    app.command()(hear)
