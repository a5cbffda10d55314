"""`trainer export`: a take for other programs and for paper; and the notation of lines and charts."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from trainer.cli.choosing import Downbeat, LastFrom, Strings, TakeFile, Track, TuningOption, downbeat_of, track_of
from trainer.cli.speaking import echo, say
from trainer.errors import UsageError

if TYPE_CHECKING:
    from trainer.music import Tuning
    from trainer.report.written import Written
    from trainer.scoring import Scorecard
    from trainer.session import Chart
    from trainer.take import Take

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
    from trainer.scoring import score
    from trainer.take import read_take

    tables = _Tables(csv, measures, as_json, midi)
    paper = any((musicxml, svg, pdf))
    if not paper and not tables.asked:
        raise UsageError(
            "nothing to write; expected one or more of --musicxml, --svg, --pdf, --csv, --measures, --json, --midi, "
            "each with a FILE (sound: trainer render TAKE --wav FILE)"
        )
    known = None if session is None else named_session(session)
    bass = parse_tuning(strings, tuning)
    read = read_take(take, session=known, track=track_of(track), downbeat=downbeat_of(downbeat))
    card = score(read)
    if card.chart is None and (paper or measures is not None):
        raise UsageError(f"{take}: without a session its bars are not known; add --session, a file or a name")
    for path in tables.write(read, card):
        echo(f"wrote {path}")
    if paper and card.chart is not None:
        for path in write_notation(_written(card, card.chart, bass), musicxml, svg, pdf):
            echo(f"wrote {path}")
    return 0


@dataclass(frozen=True, slots=True)
class _Tables:
    """Files for other programs, those that are asked for."""

    csv: Path | None
    measures: Path | None
    as_json: Path | None
    midi: Path | None

    @property
    def asked(self) -> bool:
        return any((self.csv, self.measures, self.as_json, self.midi))

    def write(self, take: Take, card: Scorecard) -> Iterator[Path]:
        """Each as soon as it is written: what comes after it may fail."""
        from trainer.report.export import MEASURE_COLUMNS, NOTE_COLUMNS, as_csv, measure_rows, note_rows
        from trainer.report.files import write_page
        from trainer.take.store import take_midi

        if self.csv is not None:
            yield write_page(as_csv(note_rows(card.reading, card.chart), NOTE_COLUMNS), self.csv)
        if self.measures is not None:
            yield write_page(as_csv(measure_rows(card), MEASURE_COLUMNS), self.measures)
        if self.as_json is not None:
            data = {"notes": note_rows(card.reading, card.chart), "measures": measure_rows(card)}
            yield write_page(json.dumps(data, ensure_ascii=False, indent=1, allow_nan=False) + "\n", self.as_json)
        if self.midi is not None:
            yield write_page(take_midi(take, by_part=True), self.midi)


def _written(card: Scorecard, chart: Chart, bass: Tuning | None) -> Written:
    from trainer.report.written import written_take

    missed = [item.at_beats for item in card.landing.missed]
    return written_take(card.reading, chart, missed, bass)


def add_to(app: typer.Typer) -> None:
    app.command()(export)
