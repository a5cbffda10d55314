"""`trainer export`: a take for other programs and for paper; and the notation of lines and charts."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from trainer.cli.choosing import Downbeat, LastFrom, Strings, TakeFile, Track, TuningOption, downbeat_of, track_of
from trainer.cli.speaking import echo, say
from trainer.errors import UsageError

if TYPE_CHECKING:
    from trainer.report.written import Written

__all__ = ["MusicXml", "Pdf", "Svg", "add_to", "write_notation"]

MusicXml = Annotated[Path | None, typer.Option("--musicxml", metavar="FILE", help="Notation with tab, MusicXML 4.0.")]
Svg = Annotated[Path | None, typer.Option("--svg", metavar="FILE", help="Notation engraved, a file a page.")]
Pdf = Annotated[Path | None, typer.Option("--pdf", metavar="FILE", help="Notation engraved for paper.")]


def write_notation(written: Written, musicxml: Path | None, svg: Path | None, pdf: Path | None) -> Iterator[Path]:
    """Write what is asked for; each file as it is written. `UsageError` when a place cannot be."""
    from trainer.music import note_name
    from trainer.report.engrave import pdf_of, svg_pages
    from trainer.report.files import write_page
    from trainer.report.musicxml import musicxml as document_of

    if written.unfingered:
        neck = f"{note_name(written.tuning.lowest)} to {note_name(written.tuning.highest)}"
        names = ", ".join(written.unfingered)
        say(
            f"Without a fret, for {len(written.tuning.open_pitches)} strings ({neck}) do not reach them: {names}.",
            err=True,
        )
    if written.n_left_out:
        say(f"{written.n_left_out} notes many bars outside the song are not in the notation.", err=True)
    document = document_of(written)
    if musicxml is not None:
        yield write_page(document, musicxml)
    if svg is None and pdf is None:
        return
    pages = svg_pages(document)
    if svg is not None:
        for number, page in enumerate(pages, 1):
            path = svg if len(pages) == 1 else svg.with_stem(f"{svg.stem}-{number}")
            yield write_page(page, path)
    if pdf is not None:
        yield write_page(pdf_of(pages), pdf)


def export(
    take: TakeFile,
    session: Annotated[
        str | None, typer.Option("--session", metavar="SESSION", help="What was to be played: a file or a name.")
    ] = None,
    track: Track = None,
    downbeat: Downbeat = None,
    takes: LastFrom = None,
    musicxml: MusicXml = None,
    svg: Svg = None,
    pdf: Pdf = None,
    csv: Annotated[Path | None, typer.Option("--csv", metavar="FILE", help="A row a note.")] = None,
    measures: Annotated[Path | None, typer.Option("--measures", metavar="FILE", help="A row a bar, as CSV.")] = None,
    as_json: Annotated[Path | None, typer.Option("--json", metavar="FILE", help="Notes and bars as JSON.")] = None,
    midi: Annotated[
        Path | None, typer.Option("--midi", metavar="FILE", help="MIDI, a track a part: bass, band, chords, choruses.")
    ] = None,
    strings: Strings = None,
    tuning: TuningOption = None,
) -> int:
    """Write a take for paper and for other programs. Notation with tab, tables of notes and bars, MIDI."""
    from trainer.cli.choosing import named_session
    from trainer.music import parse_tuning
    from trainer.report.export import MEASURE_COLUMNS, NOTE_COLUMNS, as_csv, measure_rows, note_rows
    from trainer.report.files import write_page
    from trainer.report.written import written_take
    from trainer.scoring import score
    from trainer.take import read_take
    from trainer.take.store import take_midi

    if not any((musicxml, svg, pdf, csv, measures, as_json, midi)):
        raise UsageError(
            "nothing to write; expected one or more of --musicxml, --svg, --pdf, --csv, --measures, --json, --midi, "
            "each with a FILE (sound: trainer render TAKE --wav FILE)"
        )
    known = None if session is None else named_session(session)
    bass = parse_tuning(strings, tuning)
    read = read_take(take, session=known, track=track_of(track), downbeat=downbeat_of(downbeat))
    card = score(read)
    needs_form = musicxml or svg or pdf or measures
    if card.chart is None and needs_form:
        raise UsageError(f"{take}: without a session its bars are not known; add --session, a file or a name")
    if csv is not None:
        _wrote(write_page(as_csv(note_rows(card.reading, card.chart), NOTE_COLUMNS), csv))
    if measures is not None:
        _wrote(write_page(as_csv(measure_rows(card), MEASURE_COLUMNS), measures))
    if as_json is not None:
        data = {"notes": note_rows(card.reading, card.chart), "measures": measure_rows(card)}
        _wrote(write_page(json.dumps(data, ensure_ascii=False, indent=1, allow_nan=False) + "\n", as_json))
    if midi is not None:
        _wrote(write_page(take_midi(read, by_part=True), midi))
    if card.chart is not None and (musicxml or svg or pdf):
        missed = [item.at_beats for item in card.landing.missed]
        bends = read.bends  # placed as the ends of notes are: late by what the input adds to everything
        if read.header.calibration is not None:
            bends[:, 0] -= read.header.calibration.base_ms / 1000.0
        written = written_take(card.reading, card.chart, missed, bass, bends)
        for path in write_notation(written, musicxml, svg, pdf):
            _wrote(path)
    return 0


def _wrote(path: Path) -> None:
    """Said of each file as soon as it is there: what comes after it may fail."""
    echo(f"wrote {path}")


def add_to(app: typer.Typer) -> None:
    app.command()(export)
