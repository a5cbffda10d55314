"""From the options that commands share to a running session, and what is said of it afterwards."""

from __future__ import annotations

import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from trainer.cli.choosing import Strings, TuningOption, between, part_changes
from trainer.cli.input_port import chosen_instrument, known_profile
from trainer.cli.pedals import learnt
from trainer.cli.sounds import band_sounds
from trainer.cli.speaking import echo, say
from trainer.errors import UsageError

if TYPE_CHECKING:
    from trainer.live import PartMix, PlayOptions, PlayResult
    from trainer.music import Tuning
    from trainer.page import PageLink

__all__ = [
    "BandOptions",
    "BassChannel",
    "BassIn",
    "Cable",
    "MidiIn",
    "Mix",
    "OnStand",
    "Strung",
    "Surroundings",
    "exit_status",
    "not_heard",
    "play_options",
    "say_if_silent",
    "say_warnings",
    "stand_page",
    "warnings_of",
    "with_input",
]


BassIn = Annotated[
    str | None, typer.Option("--bass-in", metavar="NAME", help="The sound input of an ordinary bass, or part of it.")
]
BassChannel = Annotated[
    int | None, typer.Option("--bass-channel", metavar="N", callback=between(1), help="Its channel; else found.")
]
MidiIn = Annotated[str | None, typer.Option("--midi-in", metavar="NAME", help="The bass's MIDI input, or part of it.")]


@dataclass(frozen=True, slots=True)
class OnStand:
    """The screen on a tablet: alike wherever something is played."""

    page: Annotated[bool, typer.Option("--page", help="The screen as a web page too, for a tablet on the stand.")] = (
        False
    )
    page_host: Annotated[
        str | None,
        typer.Option("--page-host", metavar="HOST", help="Open the page to the room: 0.0.0.0, or an address."),
    ] = None
    page_port: Annotated[
        int, typer.Option("--page-port", metavar="N", callback=between(0, 65535), help="Its port; 0: any.")
    ] = 0

    @property
    def asked(self) -> bool:
        return self.page or self.page_host is not None


def stand_page(asked: OnStand) -> PageLink | None:
    """The stand page that is asked for, its address said; None where none is."""
    if not asked.asked:
        return None
    from trainer.page import PageLink

    link = PageLink(None, asked.page_host or "127.0.0.1", asked.page_port, say=lambda text: say(text, err=True))
    echo(f"stand page: {link.url}")
    for line in link.qr_lines() if link.open_to_room else ():
        echo(line)
    return link


@dataclass(frozen=True, slots=True)
class Strung:
    """Which bass is in the player's hands: alike wherever a tab is shown."""

    strings: Strings = None
    tuning: TuningOption = None

    def bass(self) -> Tuning:
        from trainer.music import FOUR_STRING, parse_tuning

        return parse_tuning(self.strings, self.tuning) or FOUR_STRING


@dataclass(frozen=True, slots=True)
class Cable:
    """An ordinary bass by its cable: alike wherever something is played."""

    bass_in: BassIn = None
    bass_channel: BassChannel = None
    recording: Annotated[
        bool, typer.Option("--recording/--no-recording", help="Keep the bass's sound beside the take.")
    ] = True


@dataclass(frozen=True, slots=True)
class Mix:
    """The band's parts, and the sounds that they are played with."""

    volume: Annotated[
        list[str] | None, typer.Option("--volume", metavar="PART=0..1", help="Volume of a part; may be given again.")
    ] = None
    mute: Annotated[list[str] | None, typer.Option("--mute", metavar="PART", help="Silence a part.")] = None
    solo: Annotated[
        list[str] | None, typer.Option("--solo", metavar="PART", help="Only this part, and the count-in.")
    ] = None
    soundfont: Annotated[
        str | None,
        typer.Option(
            "--soundfont", metavar="FILE|found|built-in", help="A SoundFont (.sf2) for the band's sounds; remembered."
        ),
    ] = None

    def parts(self) -> dict[str, PartMix]:
        """What is changed, by part."""
        from trainer.live import PartMix

        changes = part_changes(self.volume or [], self.mute or [], self.solo or [])
        return {name: PartMix(**change) for name, change in changes.items()}


@dataclass(frozen=True, slots=True)
class BandOptions:
    """Where the band is heard and how it looks, the take kept: alike in `play` and `demo`."""

    midi_out: Annotated[str | None, typer.Option("--midi-out", metavar="NAME", help="Send the band there too.")] = None
    audio: Annotated[
        str | None, typer.Option("--audio", metavar="NAME", help="The sound output, or part of its name.")
    ] = None
    no_audio: Annotated[bool, typer.Option("--no-audio", help="No sound of our own.")] = False
    takes: Annotated[Path | None, typer.Option("--takes", metavar="DIR", help="Keep takes in this folder.")] = None
    plain: Annotated[bool, typer.Option("--plain", help="One line a bar instead of the screen.")] = False
    ascii_only: Annotated[bool, typer.Option("--ascii", help="No block characters, whatever the terminal says.")] = (
        False
    )


@dataclass(frozen=True, slots=True)
class Surroundings:
    """Where a run is played, heard and kept: alike in drills, evenings, nights and worksheets."""

    midi_in: MidiIn = None
    cable: Cable = Cable()
    band: BandOptions = BandOptions()
    mix: Mix = Mix()
    stand_in: Annotated[
        bool,
        typer.Option("--stand-in", help="A stand-in player plays it, on a fake clock: to see what a run looks like."),
    ] = False
    stand: OnStand = OnStand()


def play_options(band: BandOptions, mix: Mix | None = None, **more: Any) -> PlayOptions:
    """`PlayOptions` of what the command line says; ports named that are not there are refused now. `more`: its other
    fields."""
    from trainer.live import PlayOptions
    from trainer.live.terminal import writes_blocks
    from trainer.take import takes_dir

    mix = mix or Mix()
    audio = "none" if band.no_audio else band.audio or "auto"
    if band.takes is not None:
        _make_folder(band.takes)
    options = PlayOptions(
        midi_out=band.midi_out,
        audio=audio,
        takes_dir=takes_dir(band.takes),
        mix=mix.parts(),
        soundfont=band_sounds(mix.soundfont) if audio != "none" or mix.soundfont is not None else None,
        quiet_screen=band.plain,
        ascii_only=band.ascii_only or not writes_blocks(sys.stdout),
        **more,
    )
    _find_named(audio, {"MIDI output": (options.midi_out, options.clock_out), "MIDI input": (options.follow,)})
    return options


def say_if_silent(options: PlayOptions) -> None:
    """Say before the count-in, not when nothing was heard, that there is no sound output, and what helps."""
    from trainer.ports.audio import list_audio, rest

    if options.audio == "auto" and (note := list_audio().note) is not None:
        say(f"Note: {note}", err=True)
    rest()


def _make_folder(takes: Path) -> None:
    """The folder that was asked for; `UsageError` before the band counts in if it cannot be had."""
    try:
        takes.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        reason = "a file of that name is there" if isinstance(error, FileExistsError) else error.strerror or error
        raise UsageError(f"cannot keep takes in {takes}: {reason}; choose another folder with --takes") from None


def _find_named(audio: str, ports: Mapping[str, Sequence[str | None]]) -> None:
    """`PortError` for a port that is asked for by name and is not there: before the band counts in, not after."""
    from trainer.ports.midi import find_port, list_ports

    wanted = [(kind, name) for kind, names in ports.items() for name in names if name is not None]
    if wanted:
        there = list_ports()
        for kind, name in wanted:
            find_port(name, there.output_names if kind == "MIDI output" else there.input_names, kind)
    if audio not in ("auto", "none"):
        from trainer.ports.audio import output_name

        output_name(audio)


def with_input(
    options: PlayOptions, midi_in: str | None, profile: str | None = None, cable: Cable | None = None
) -> PlayOptions:
    """The options with the input that will be heard, and what is remembered of it."""
    from trainer.live.calibration import TYPING_PORT, stored_calibration
    from trainer.settings import PortSettings, load_port

    asked = known_profile(profile)
    options = replace(options, pedals=learnt())
    cable = cable or Cable()
    feet = [switch.port for switch in options.pedals if switch.port_alone]
    name, bass = chosen_instrument(midi_in, cable.bass_in, not_from=feet)
    if bass is not None:
        return _with_bass(options, bass, cable)
    port = name or TYPING_PORT
    known = load_port(port) or PortSettings(port)
    options = replace(options, calibration=stored_calibration(known, options.audio, options.monitor))
    if name is None:
        return replace(options, typing=sys.stdin.isatty())
    return replace(
        options,
        midi_in=name,
        profile=asked or known.profile,
        velocity_floor=known.velocity_floor,
        transpose_semitones=known.transpose_semitones,
    )


def _with_bass(options: PlayOptions, bass: str, cable: Cable) -> PlayOptions:
    """The options with an ordinary bass on a sound input."""
    from trainer.live.calibration import bass_port, stored_calibration
    from trainer.settings import PortSettings, load_port

    port = bass_port(bass)
    known = load_port(port) or PortSettings(port, profile="sound")
    return replace(
        options,
        bass_in=bass,
        bass_channel=cable.bass_channel or known.channel,
        keep_sound=cable.recording,
        monitor=False,  # the interface's own is sooner
        profile="sound",
        calibration=stored_calibration(known, options.audio, monitor=False),
    )


def exit_status(result: PlayResult) -> int:
    if result.interrupted:
        return 130
    if result.status == "fault":  # the program's own, or a disk's, a port's
        return (
            1
            if any(text.startswith(("fault of the program", "the engine was told")) for text in result.warnings)
            else 2
        )
    return 1 if result.status == "engine_died" else 0


def say_warnings(result: PlayResult) -> None:
    """In plain lines what stood on the screen, which is gone now."""
    for warning in warnings_of(result):
        say(f"Note: {warning}")


def warnings_of(result: PlayResult) -> list[str]:
    """What was said while it ran; that nothing was played whoever asked for the run says, with what to do about it."""
    return [warning for warning in result.warnings if not warning.startswith("nothing was played")]


def not_heard(options: PlayOptions) -> str:
    """What helps whose notes did not arrive."""
    if options.bass_in is not None:
        return "Is its volume up, and the cable in? What comes in can be seen with: trainer check"
    if options.typing:
        return "On the computer keyboard the notes are a s d f g h j k l ; and space, the chord's root."
    return "What arrives can be seen with: trainer check"
