"""Commands that only tell: ports, sessions, forms, grooves, chart."""

from __future__ import annotations

import json
import textwrap
from collections.abc import Iterable
from itertools import groupby, pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from trainer.cli.choosing import Overrides, chosen_session, with_options
from trainer.cli.speaking import echo, say

if TYPE_CHECKING:
    from trainer.music.forms import Form
    from trainer.ports.audio import AudioPort
    from trainer.ports.midi import PortInfo
    from trainer.session import Chart, ChartBar, Session

__all__ = ["add_to"]

# For a person: how a song starts and ends, and what is asked of the bass.
START_WORDS = {
    "top": "straight into the first chorus",
    "from_the_five": "the form's last four bars first",
    "from_the_turnaround": "the form's last two bars first",
}
ENDING_WORDS = {
    "plain": "the form to its end",
    "stop": "the bar before the last is struck and left empty",
    "tag": "the last four bars three times",
    "ritard": "slower through the last bar",
}
LINE_WORDS = {"eighths": "eighths", "quarters": "quarters", "two_beat": "two-beat", "free": "free"}

Json = Annotated[bool, typer.Option("--json", help="As JSON, for a program to read.")]


def show_json(data: Any) -> None:
    echo(json.dumps(data, indent=2, allow_nan=False))


def ports(as_json: Json = False) -> None:
    """List the ports: MIDI and sound, in and out."""
    from trainer.ports.audio import list_audio, running_latency_s
    from trainer.ports.midi import list_ports

    midi = list_ports()
    audio = list_audio()
    latency_s = None if audio.default is None else running_latency_s(audio.default, audio)
    latency_ms = None if latency_s is None else round(latency_s * 1e3, 1)
    if as_json:
        show_json(
            {
                "midi_inputs": [{"name": p.name, "system": p.system} for p in midi.inputs],
                "midi_outputs": [{"name": p.name, "system": p.system} for p in midi.outputs],
                "midi_note": midi.note,
                "audio_outputs": [
                    _port_dict(d) | {"latency_ms": latency_ms if d is audio.default else None} for d in audio.outputs
                ],
                "audio_inputs": [_port_dict(d) for d in audio.inputs],
                "audio_note": audio.note,
            }
        )
        return
    _list("MIDI in", map(_input_line, midi.inputs), f"{_none(midi.note)}; the computer keyboard serves as a pad")
    _list("MIDI out", (f"{port.name}   ({port.system})" for port in midi.outputs), "none")
    late = "" if latency_ms is None else f", sounds {latency_ms:.0f} ms late"
    _list("Sound out", (_sound_line(d) + late * d.default for d in audio.outputs), _none(audio.note))
    _list("Sound in", map(_sound_in_line, audio.inputs), "none")


def _list(title: str, lines: Iterable[str], none: str) -> None:
    """Lines under their title; `none` where there are none."""
    echo(title)
    there = list(lines)
    for line in there:
        echo(f"  {line}")
    if not there:
        say(f"  {none}")


def _none(note: str | None) -> str:
    return f"none: {note}" if note else "none"


def _port_dict(port: AudioPort) -> dict[str, Any]:
    return {
        "name": port.name,
        "system": port.system,
        "sample_rate_hz": port.sample_rate_hz,
        "channels": port.n_channels,
        "default": port.default,
    }


def _input_line(port: PortInfo) -> str:
    from trainer.settings import load_port

    known = load_port(port.name)
    return f"{port.name}   ({port.system}){f'   profile {known.profile}' if known else ''}"


def _sound_in_line(port: AudioPort) -> str:
    from trainer.live.calibration import bass_port
    from trainer.settings import load_port

    bass = load_port(bass_port(port.name))
    on = "" if bass is None else f"   your bass{'' if bass.channel is None else f' is on channel {bass.channel}'}"
    return f"{_sound_line(port)}   {port.n_channels} channel{'s' * (port.n_channels > 1)}{on}"


def _sound_line(port: AudioPort) -> str:
    return f"{port.name}   ({port.system}, {port.sample_rate_hz} Hz){'   default' * port.default}"


def sessions(as_json: Json = False) -> None:
    """List the ready-made sessions, the fewest changes first."""
    from trainer.resources import session_names, session_path
    from trainer.session import load_session

    loaded = [(name, load_session(session_path(name))) for name in session_names()]
    if as_json:
        show_json([{"name": name, **session.to_dict()} for name, session in loaded])
        return
    loaded.sort(key=lambda row: _changes_a_minute(row[1]))
    width = max(len(name) for name, _ in loaded)
    for name, session in loaded:
        echo(
            f"{name:<{width}}  {session.key.name:>2}  {session.tempo_bpm:>3g} bpm  {session.n_choruses} choruses  "
            f"{session.form}, {session.groove}"
        )
    echo(f"\nThe fewest changes a minute first. Play one with: trainer play {loaded[0][0]}")


def _changes_a_minute(session: Session) -> float:
    """How often the chord changes: what makes a song hard to begin with; our choice."""
    from trainer.session import expand

    made = expand(session)
    chords = [chord.name for bar in made.bars for chord in bar.chords]
    changes = sum(before != after for before, after in pairwise(chords))
    return changes * session.tempo_bpm / (made.end_beats - made.bars[0].onset_beats)


def forms(as_json: Json = False) -> None:
    """List the built-in forms, turnarounds, starts and endings."""
    from trainer.music import FORMS, TURNAROUNDS

    if as_json:
        show_json(
            [
                {
                    "name": f.name,
                    "title": f.title,
                    "major": f.major,
                    "minor": f.minor,
                    "turnarounds": list(TURNAROUNDS) if f.turnaround_bars else [],
                }
                for f in FORMS.values()
            ],
        )
        return
    for form in FORMS.values():
        echo(f"{form.name}   {form.title}")
        for row in _both_grids(form):
            echo(f"  {row}")
    echo("Turnarounds (turnaround = …): what the last two bars become; else as above")
    for name, (major, minor) in TURNAROUNDS.items():
        echo(f"  {name:<17} {' | '.join(major):<26} minor  {' | '.join(minor)}")
    for title, words in (
        ("Starts (start = …)", START_WORDS),
        ("Endings (ending = …); the last bar is the tonic, struck and held", ENDING_WORDS),
    ):
        _list(title, (f"{name:<20} {what}" for name, what in words.items()), "none")


def _both_grids(form: Form) -> list[str]:
    """A form in major and minor, side by side where that fits."""
    both = [("", form.major)] if form.major == form.minor else [("major", form.major), ("minor", form.minor)]
    grids = [[f"{name if i == 0 else '':<5}  {row}" for i, row in enumerate(_grid(bars))] for name, bars in both]
    if sum(len(rows[0]) for rows in grids) + 2 * len(grids) <= 80:
        return ["  ".join(cells) for cells in zip(*grids, strict=True)]
    return [row for rows in grids for row in rows]


def _grid(bars: tuple[str, ...]) -> list[str]:
    """Numerals in rows of four bars, bar lines one under another."""
    widths = [max(len(bar) for bar in bars[j::4]) for j in range(min(4, len(bars)))]
    return [
        "| " + " | ".join(f"{bar:<{width}}" for bar, width in zip(bars[i : i + 4], widths, strict=False)) + " |"
        for i in range(0, len(bars), 4)
    ]


def grooves(as_json: Json = False) -> None:
    """List the grooves that the band can play."""
    from trainer.music import GROOVES

    if as_json:
        show_json(
            [
                {
                    "name": g.name,
                    "title": g.title,
                    "tempo_bpm": [g.tempo_low_bpm, g.tempo_high_bpm],
                    "line": g.line,
                    "straight": g.straight,
                    "swing_ratio": g.usual_swing_ratio((g.tempo_low_bpm + g.tempo_high_bpm) / 2.0),
                }
                for g in GROOVES.values()
            ],
        )
        return
    echo(f"{'groove':<18} {'bpm':<8} {'eighths':<9} {'the bass':<9} what it is")
    for groove in GROOVES.values():
        tempi = f"{groove.tempo_low_bpm:g}–{groove.tempo_high_bpm:g}"
        feel = "straight" if groove.straight else "swung"
        echo(f"{groove.name:<18} {tempi:<8} {feel:<9} {LINE_WORDS[groove.line]:<9} {groove.title}")


@with_options
def chart(
    overrides: Overrides,
    pdf: Annotated[Path | None, typer.Option("--pdf", metavar="FILE", help="One page for the stand.")] = None,
    musicxml: Annotated[
        Path | None, typer.Option("--musicxml", metavar="FILE", help="Chords over empty bars, MusicXML 4.0.")
    ] = None,
    as_json: Json = False,
) -> None:
    """Print the chart of a session, chorus by chorus. Each with its role, and the bars as they are played."""
    from trainer.session import expand

    made = expand(chosen_session(overrides))
    if pdf is not None or musicxml is not None:
        from trainer.report.chart_page import chart_page
        from trainer.report.files import write_page
        from trainer.report.musicxml import musicxml as document_of
        from trainer.report.written import written_chart

        if pdf is not None:
            echo(f"wrote {write_page(chart_page(made), pdf)}", err=as_json)
        if musicxml is not None:
            path = write_page(document_of(written_chart(made), tab=False), musicxml)
            echo(f"wrote {path}", err=as_json)
        if not as_json:
            return
    if as_json:
        show_json(
            {
                "session": made.session.to_dict(),
                "end_beats": made.end_beats,
                "bars": [
                    {
                        "chorus": bar.chorus,
                        "bar": bar.bar,
                        "at_beats": bar.onset_beats,
                        "chords": [chord.name for chord in bar.chords],
                        "degrees": list(bar.degrees),
                        "role": bar.role,
                        "intensity": bar.intensity,
                        "line": bar.line,
                        "drop_out": bar.drop_out,
                        "stopped": bar.stopped,
                        "pedal": bar.pedal,
                        "final": bar.final,
                    }
                    for bar in made.bars
                ],
            }
        )
        return
    for line in chart_lines(made):
        echo(line)


def chart_lines(made: Chart) -> list[str]:
    """A chart as text: choruses that are played alike share one grid."""
    from trainer.report.chart_page import extra_words
    from trainer.screen.frame import clean_text

    session = made.session
    lines = [
        f"{clean_text(session.title)}   {session.key.name}, {session.tempo_bpm:g} bpm, {session.groove}, "
        f"swing {session.swing_ratio:g}:1, {session.form}"
    ]
    extras = extra_words(session)
    if extras:
        lines += textwrap.wrap("; ".join(extras), 78, initial_indent="  ", subsequent_indent="  ")
    shown: dict[tuple[str, ...], int] = {}
    for chorus, group in groupby(made.bars, key=lambda bar: bar.chorus):
        bars = list(group)
        cells = tuple(_bar_words(bar) for bar in bars)
        head = "Intro"
        if chorus:
            asked = " then ".join(dict.fromkeys(LINE_WORDS[bar.line] for bar in bars))
            role = made.role_words(bars[0])
            head = f"Chorus {chorus}, {role}, intensity {bars[0].intensity:g}, bass plays {asked}"
        if cells in shown:
            lines.append(f"{head}: as chorus {shown[cells]}")
            continue
        shown[cells] = chorus
        lines.append(f"{head}:")
        lines += [f"  {bar.bar:>2}  {row}" for bar, row in zip(bars[::4], _grid(cells), strict=True)]
    return lines


def _bar_words(bar: ChartBar) -> str:
    """A bar's chords, and what is special about it."""
    special = {"out": bar.drop_out, "stop": bar.stopped, "held": bar.final}
    first = next((f" ({word})" for word, there in special.items() if there), "")
    return " ".join(chord.name for chord in bar.chords) + first + " (pedal)" * bar.pedal


def add_to(app: typer.Typer) -> None:
    for command in (ports, sessions, forms, grooves, chart):
        app.command()(command)
