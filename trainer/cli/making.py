"""Commands that write: the band, or a take with its band, to a file; a model line as tablature, notation or MIDI."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from trainer.cli.choosing import Overrides, Strings, TuningOption, chosen_session, newest_for, with_options
from trainer.cli.exporting import MusicXml, Pdf, Svg, write_notation
from trainer.cli.facts import Json, show_json
from trainer.cli.running import Mix
from trainer.cli.sounds import sounds_of_file
from trainer.cli.speaking import echo, say
from trainer.errors import UsageError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from trainer.line import LineScore

__all__ = ["add_to", "tablature", "write_line_midi"]


@with_options
def render(
    overrides: Overrides,
    mix: Mix,
    wav: Annotated[Path | None, typer.Option(metavar="FILE", help="Write the band as sound, 16-bit stereo.")] = None,
    midi: Annotated[Path | None, typer.Option(metavar="FILE", help="Write the band as a Standard MIDI File.")] = None,
    sample_rate: Annotated[int, typer.Option(metavar="HZ", help="Of the sound.")] = 48000,
    count_in: Annotated[bool, typer.Option("--count-in/--no-count-in", help="Begin with the count-in.")] = True,
) -> None:
    """Write the band to a file, or a take with its band. Say --wav FILE, --midi FILE, or both."""
    from dataclasses import replace
    from functools import partial

    import numpy as np

    from trainer.band.events import PARTS
    from trainer.session import expand

    if wav is None and midi is None:
        raise UsageError("nothing to write; expected --wav FILE, --midi FILE, or both")
    parts = mix.parts()
    from trainer.band import arrange, render_midi, render_wav
    from trainer.clock.tempo import TempoMap
    from trainer.live.options import part_gains

    take = None if overrides.session is None else newest_for(Path(overrides.session))
    of_take = take is not None and take.suffix.lower() in (".mid", ".midi")
    if take is not None and of_take:
        from trainer.live.as_heard import lay_bass, take_and_band

        if replace(overrides, session=None) != Overrides():
            raise UsageError(
                f"{take}: a take is rendered as it was played; leave out the options that change the session"
            )
        chart, whole = take_and_band(take, count_in)
    else:
        chart = expand(chosen_session(overrides))
        whole = arrange(chart, count_in=count_in)
    gains = dict(zip(PARTS, part_gains(parts), strict=True))
    write_wav = partial(render_wav, soundfont=sounds_of_file(mix.soundfont))
    if wav is not None:
        written = write_wav(chart, wav, gains=gains, sample_rate_hz=sample_rate, score=whole)
        with_bass = take is not None and of_take and gains["guide"] > 0.0 and lay_bass(take, wav, chart, whole)
        echo(f"wrote {written}{', with your bass as it was recorded' if with_bass else ''}")
        if not of_take:
            begins_s = 0.0 - float(TempoMap(chart.tempo_segments).seconds_at(whole.first_beats))
            say(f"Bar 1 begins {begins_s:.3f} s into it: the --downbeat of what is recorded from its beginning on.")
    if midi is not None:
        # A MIDI file has no mixer: a silenced part is left out, the other volumes are the sequencer's business.
        heard = [gains[name] > 0.0 for name in PARTS]
        kept = replace(whole, events=whole.events[np.array(heard)[whole.events["part"]]])
        echo(f"wrote {render_midi(chart, midi, score=kept, of_take=of_take)}")


@with_options
def line(
    overrides: Overrides,
    device: Annotated[
        str | None, typer.Option(metavar="NAME", help="A device of the line, such as walking_line.")
    ] = None,
    octave: Annotated[int, typer.Option(metavar="-1|0|1", help="Roots from low E (0), an octave up, or down.")] = 0,
    position: Annotated[int | None, typer.Option(metavar="FRET", help="The fret that the hand stays near.")] = None,
    strings: Strings = None,
    tuning: TuningOption = None,
    midi: Annotated[Path | None, typer.Option(metavar="FILE", help="Write it, with the band, as MIDI.")] = None,
    wav: Annotated[Path | None, typer.Option(metavar="FILE", help="Write it, with the band, as sound.")] = None,
    hear: Annotated[bool, typer.Option("--play", help="Hear it with the band.")] = False,
    audio: Annotated[
        str, typer.Option("--audio", metavar="NAME", help="The sound output for --play, or part of its name.")
    ] = "auto",
    midi_out: Annotated[
        str | None, typer.Option("--midi-out", metavar="NAME", help="With --play: send band and line there too.")
    ] = None,
    musicxml: MusicXml = None,
    svg: Svg = None,
    pdf: Pdf = None,
    as_json: Json = False,
) -> int:
    """Write a bass line over a session's chart, or hear it. Tablature here; notation with tab, MIDI, sound or JSON."""
    from trainer.line import model_line
    from trainer.music import FOUR_STRING, parse_tuning
    from trainer.session import expand

    bass = parse_tuning(strings, tuning) or FOUR_STRING
    session = chosen_session(overrides)
    made = model_line(expand(session), device=device, seed=session.seed, tuning=bass, position=position, octave=octave)
    if device is not None and not any(claim.name == device for claim in made.claims):
        raise UsageError(f"--device {device}: no bar here has a place for it; try --choruses 2, or another form")
    for path in _written_files(made, midi, wav, musicxml, svg, pdf):
        echo(f"wrote {path}", err=as_json)
    if as_json:
        show_json({"session": session.to_dict(), **made.to_dict()})
    elif not any((midi, wav, musicxml, svg, pdf)):
        for text in tablature(made):
            echo(text)
    return _heard_with_the_band(made, audio, midi_out) if hear else 0


def _written_files(
    made: LineScore, midi: Path | None, wav: Path | None, musicxml: Path | None, svg: Path | None, pdf: Path | None
) -> Iterator[Path]:
    """Write a line to what is asked for; each file as it is written."""
    if midi is not None:
        yield write_line_midi(made, midi)
    if wav is not None:
        from trainer.band import arrange, render_wav

        yield render_wav(made.chart, wav, score=arrange(made.chart, guide="on", guide_line=made.rows()))
    if musicxml or svg or pdf:
        from trainer.report.written import written_line

        yield from write_notation(written_line(made), musicxml, svg, pdf)


def _heard_with_the_band(made: LineScore, audio: str, midi_out: str | None) -> int:
    """Play it once through, the line in the place of the guide bass; nothing is recorded."""
    from trainer.live import PlayOptions, play

    options = PlayOptions(audio=audio, midi_out=midi_out, record=False, guide="on", guide_line=made.rows())
    result = play(made.chart.session, options)
    for warning in result.warnings:
        echo(f"Note: {warning}", err=True)
    if result.interrupted:
        return 130
    return 1 if result.status in ("engine_died", "fault") else 0


def tablature(made: LineScore, width: int = 80) -> list[str]:
    """A line as tablature, as many bars a row as fit, under its song's name and how it is read."""
    from trainer.line.tab import bar_heading, places_a_beat, tab_bars
    from trainer.screen.frame import clean_text

    rows, per_beat = tab_bars(made), places_a_beat(made)
    names = made.tuning.names[::-1]
    wide = max(map(len, names))
    cell = 2 * 4 * per_beat + 1
    per_line = max(1, (width - 3 - wide) // cell)
    session = made.chart.session
    count = " ".join(f"{beat}" + " ." * (per_beat - 1) for beat in range(1, 5))
    slides = any("/" in row for bar in rows.values() for row in bar)
    out = [
        f"{clean_text(session.title)}   {session.key.name}, {session.tempo_bpm:g} bpm, {session.groove}",
        f"2.9 is chorus 2, bar 9.   {count}   {per_beat} places a beat"
        f"{'; 4/ slides into the next note' if slides else ''}",
        "",
    ]
    for first in range(0, len(made.chart.bars), per_line):
        bars = made.chart.bars[first : first + per_line]
        head = " " * (wide + 2) + "".join(f"{bar_heading(bar):<{cell}}" for bar in bars)
        strings = (
            f" {name:<{wide}}|" + "".join(f"{rows[bar.idx][i]}|" for bar in bars) for i, name in enumerate(names)
        )
        out += [head.rstrip(), *strings, ""]
    return out[:-1]


def write_line_midi(made: LineScore, path: Path) -> Path:
    """Write a line, with the band of its chart, as a Standard MIDI File; the path. `UsageError` if it cannot be."""
    from trainer.band import arrange
    from trainer.clock.tempo import TempoMap
    from trainer.take import Take, empty_notes
    from trainer.take.store import take_midi

    tempo = TempoMap(made.chart.tempo_segments)

    def table(source: NDArray[Any]) -> NDArray[Any]:
        notes = empty_notes(len(source))
        notes["onset_s"] = tempo.seconds_at(source["onset_beats"])
        notes["duration_s"] = tempo.seconds_at(source["onset_beats"] + source["duration_beats"]) - notes["onset_s"]
        notes["pitch"] = source["pitch"]
        notes["velocity"] = source["velocity"]
        return notes

    events = arrange(made.chart, count_in=False).events
    band = table(events)
    band["channel"] = events["channel"]
    data = take_midi(Take(table(made.notes), tempo, session=made.chart.session, band=band), by_part=True)
    try:
        path.write_bytes(data)
    except OSError as error:
        raise UsageError(f"cannot write {path}: {error.strerror or error}") from None
    return path


def add_to(app: typer.Typer) -> None:
    for command in (render, line):
        app.command()(command)
