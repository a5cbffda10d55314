"""`trainer calibrate`: how late an input's notes are reported, fitted from notes played to a click.

The click is the guide bass alone, one short high note a beat, through the ordinary engine: the same clock, outputs and
recorder. The fit, and what it can and cannot tell, is `trainer.scoring.latency`; the song position that notes are
placed on already holds the output latency that the driver states.
"""

from __future__ import annotations

import datetime
import sys
from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from trainer.cli.choosing import between, take_meant
from trainer.cli.facts import Json, show_json
from trainer.cli.input_port import chosen_bass, chosen_instrument, known_profile
from trainer.cli.running import BassChannel, BassIn
from trainer.cli.speaking import echo, say, to_stderr
from trainer.cli.waiting import breathe
from trainer.errors import PortError, UsageError
from trainer.profiles import InputProfile, PortProfile

if TYPE_CHECKING:
    from trainer.live import PlayOptions
    from trainer.scoring.latency import LatencyFit
    from trainer.session import Session
    from trainer.settings import PortSettings
    from trainer.take import Take

__all__ = ["add_to", "words_of"]

N_CLICKS = {"strings": 64, "pad": 48, "keys": 48}  # 48 s and 36 s at 80 bpm; our choice
LOOP_CLICKS, LOOP_BPM = 8, 120.0  # four seconds after a count-in of two; our choice


def words_of(fit: LatencyFit, stated_ms: float | None, ear_ms: float | None = None) -> list[str]:
    """The fit for a person: the figure, what the driver states, and what it cannot tell. `ear_ms`: what of the scatter
    may be the ear's own."""
    from trainer.scoring.latency import EARLY_HABIT

    if fit.base_ci95_ms is None:
        return []
    lines = [f"Your notes arrive {fit.sentence}."]
    if fit.sd_ms is not None:
        left_out = f", {fit.n_left_out} left out as strays" if fit.n_left_out else ""
        missing = f"; {fit.n_missing} clicks had no note" if fit.n_missing else ""
        of_ear = "" if ear_ms is None else f", of which the ear's own is {ear_ms:g} ms at most"
        lines.append(f"They scatter by {fit.sd_ms:.1f} ms{of_ear}{left_out}{missing}.")
    for reason in fit.why.values():
        if fit.base_ms is not None:
            lines.append(f"Not known: {reason['text']}.")
    if stated_ms is not None and fit.base_ms is not None:
        lines.append(
            f"The sound output states {stated_ms:.1f} ms of its own, which is already allowed for: "
            f"the {fit.base_ms:.1f} ms are the input's, and yours."
        )
    elif fit.base_ms is not None:
        lines.append("The output states no delay of its own: output and input are in that figure together.")
    if fit.base_ms is not None:
        lines.append(f"Mind that {EARLY_HABIT}.")
    return lines


# --- the command -----------------------------------------------------------------------------------------------------


def calibrate(
    midi_in: Annotated[str | None, typer.Option(metavar="NAME", help="The input, by name or part of one.")] = None,
    audio: Annotated[str | None, typer.Option(metavar="NAME", help="The sound output, or part of its name.")] = None,
    no_audio: Annotated[bool, typer.Option("--no-audio", help="Click on --midi-out alone.")] = False,
    midi_out: Annotated[str | None, typer.Option(metavar="NAME", help="Send the click there too.")] = None,
    monitor: Annotated[
        bool, typer.Option("--monitor/--no-monitor", help="With your notes heard through us, as you will play.")
    ] = True,
    profile: Annotated[
        str | None, typer.Option(metavar="pad|keys|strings", help="Instead of the one the sound check found.")
    ] = None,
    clicks: Annotated[
        int | None, typer.Option(metavar="N", callback=between(8, 256), help="How many clicks, 8 to 256.")
    ] = None,
    bpm: Annotated[float, typer.Option(metavar="BPM", help="Tempo of the click.")] = 80.0,
    plain: Annotated[bool, typer.Option("--plain", help="One line a bar instead of the screen.")] = False,
    from_take: Annotated[
        Path | None,
        typer.Option(
            "--from",
            metavar="TAKE",
            help="Fit a take that is there, of taps to a click or of a song; last: the newest.",
            callback=take_meant,
        ),
    ] = None,
    keep: Annotated[Path | None, typer.Option("--keep", metavar="DIR", help="Keep the take there.")] = None,
    bass_in: BassIn = None,
    bass_channel: BassChannel = None,
    loop: Annotated[
        bool, typer.Option("--loop", help="With a cable from the sound output to the bass's input: nothing is played.")
    ] = False,
    as_json: Json = False,
) -> int:
    """Measure how late your input is: play one note to each click. Remembered for this input and output."""
    from trainer.live import PlayOptions
    from trainer.ports.audio import output_name

    chosen_profile = known_profile(profile)
    if from_take is not None:
        return _calibrate_from(from_take, midi_in, chosen_profile, as_json=as_json)
    output = "none" if no_audio else output_name(audio or "auto")
    if output == "none" and midi_out is None:
        raise PortError("nothing to hear a click from; connect a sound output, or name a MIDI one with --midi-out NAME")
    name, bass = (None, chosen_bass(bass_in)) if loop else chosen_instrument(midi_in, bass_in)
    asked = _Asked(clicks, bpm, plain, keep, as_json)
    heard = audio or "auto"
    if bass is not None:
        cable = (bass, bass_channel, heard, output)
        return _calibrate_loop(cable, as_json=as_json) if loop else _calibrate_bass(cable, asked)
    if loop:
        raise UsageError("--loop is for a sound input; say which one with --bass-in NAME (see: trainer ports)")
    if output == "none":
        heard = output
    options = PlayOptions(midi_in=name, midi_out=midi_out, audio=heard, monitor=monitor, typing=name is None)
    return _calibrate_midi(options, output, chosen_profile, asked)


@dataclass(frozen=True, slots=True)
class _Asked:
    """How it is to be measured: clicks (None: as many as the instrument needs), tempo, on plain lines, kept where."""

    clicks: int | None
    bpm: float
    plain: bool
    keep: Path | None
    as_json: bool


def _calibrate_midi(options: PlayOptions, output: str, profile: InputProfile | None, asked: _Asked) -> int:
    """By playing or tapping a note to each click, again for as long as the fit is in doubt and the person goes on."""
    from trainer.live.calibration import TYPING_PORT, click_session
    from trainer.settings import PortSettings, load_port

    typing, as_json = options.typing, asked.as_json
    if typing and not sys.stdin.isatty():
        raise PortError("no MIDI input and no keyboard to tap on; connect one and look with: trainer ports")
    port = options.midi_in or TYPING_PORT
    known = load_port(port) or PortSettings(port)
    used = "pad" if typing else profile or known.profile
    session = click_session(used, asked.clicks or N_CLICKS[used], asked.bpm)
    instructions = _instructions(used, typing)
    echo("\n".join(instructions), err=as_json)
    options = replace(
        _to_clicks(options, session, quiet=asked.plain or as_json), transpose_semitones=known.transpose_semitones
    )

    def once() -> int:
        with to_stderr(as_json):
            take = _played(session, options, known.port, asked.keep)
        return _concluded(take, known, output, options.monitor, used, as_json=as_json)

    return _until_sure(once, instructions[0], as_json=as_json)


def _until_sure(once: Callable[[], int], instruction: str, *, as_json: bool) -> int:
    """Played to the click, and again for as long as the fit is in doubt and the person stays: nobody need type."""
    status = 0
    while as_json or breathe(words="Count-in"):
        try:
            return once()
        except UsageError as error:
            if as_json or not (sys.stdin.isatty() and sys.stdout.isatty()):
                raise
            say(f"{error}.\nOnce more, then: {instruction}")
        status = 2
    return status


def _to_clicks(options: PlayOptions, session: Session, *, quiet: bool) -> PlayOptions:
    """The options with the guide's clicks alone to hear."""
    from trainer.live import PartMix
    from trainer.live.calibration import click_rows

    return replace(
        options,
        mix={"guide": PartMix(solo=True)},
        guide="on",
        guide_line=click_rows(session),
        calm=True,
        quiet_screen=quiet,
    )


Cabled = tuple[str, int | None, str, str]  # input, its channel, the sound output as asked for, and its name


def _bass_options(cable: Cabled, session: Session, known: PortSettings, *, quiet: bool) -> PlayOptions:
    from trainer.live import PlayOptions

    name, channel, audio, output = cable
    if output == "none":
        raise PortError("nothing to hear a click from; connect a sound output")
    options = PlayOptions(
        bass_in=name, bass_channel=channel or known.channel, audio=audio, monitor=False, profile="sound"
    )
    return _to_clicks(options, session, quiet=quiet)


def _calibrate_bass(cable: Cabled, asked: _Asked) -> int:
    """By playing: the ear tells onsets of all pitches alike, so one figure serves them all."""
    from trainer.live.calibration import bass_port, click_session
    from trainer.settings import PortSettings, load_port

    port = bass_port(cable[0])
    known = load_port(port) or PortSettings(port, profile="sound")
    as_json = asked.as_json
    session = click_session("pad", asked.clicks or N_CLICKS["pad"], asked.bpm)
    options = _bass_options(cable, session, known, quiet=asked.plain or as_json)
    instruction = _instructions("sound", False)[0]
    say(instruction, err=as_json)
    say("Exacter, and without your own habit in it: a cable from output to input, and --loop.", err=as_json)

    def once() -> int:
        with to_stderr(as_json):
            take = _played(session, options, cable[0], asked.keep)
        return _concluded(take, known, cable[3], False, "sound", as_json=as_json)

    return _until_sure(once, instruction, as_json=as_json)


def _calibrate_loop(cable: Cabled, *, as_json: bool) -> int:
    """By a cable: the click goes out and comes back; what it is late by, a note is late by."""
    import tempfile

    from trainer.live import play
    from trainer.live.calibration import bass_port, calibration_key, click_session
    from trainer.live.loop_back import round_trip
    from trainer.settings import PortSettings, load_port, save_port
    from trainer.take import Calibration
    from trainer.take.rehearing import recording_of

    port = bass_port(cable[0])
    known = load_port(port) or PortSettings(port, profile="sound")
    session = click_session("pad", LOOP_CLICKS, LOOP_BPM)
    options = _bass_options(cable, session, known, quiet=True)
    echo("Plug a cable from the sound output into the bass's input. It takes a few seconds.", err=as_json)
    with tempfile.TemporaryDirectory() as folder:
        with to_stderr(True):
            result = play(session, replace(options, takes_dir=Path(folder)))
        if result.interrupted:
            raise KeyboardInterrupt
        recording = None
        if result.take is not None and result.take_path is not None:
            recording = recording_of(result.take, result.take_path)
        if result.take is None or recording is None:
            raise PortError(f'nothing came back to "{cable[0]}"; is the cable in, and both volumes up?')
        found = round_trip(result.take, recording)
    calibration = Calibration(
        base_ms=found.ms,
        base_ci95_ms=(found.ms - found.spread_ms, found.ms + found.spread_ms),
        n=found.n,
        made=datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds"),
        ports=(port, cable[3]),
    )
    kept = {**known.calibrations, calibration_key(cable[3], False): asdict(calibration)}
    save_port(replace(known, calibrations=kept, profile="sound"))
    if as_json:
        show_json({"input": port, "output": cable[3], "by": "loop", **asdict(found)})
        return 0
    say(
        f"There and back in {found.ms:.2f} ms ({found.frames:.1f} samples at {found.rate_hz} Hz), the same "
        f"{found.n} times to within {found.spread_ms:.3f} ms. Remembered for {cable[0]} with {cable[3]}."
    )
    return 0


def _calibrate_from(path: Path, midi_in: str | None, profile: InputProfile | None, *, as_json: bool) -> int:
    """Fit a take that was kept; the ports are those it was played with."""
    from trainer.live.calibration import TYPING_PORT, bass_port
    from trainer.settings import PortSettings, load_port
    from trainer.take import read_take

    take = read_take(path)
    hardware = take.header.hardware
    bass = hardware.get("bass_in")
    port = midi_in or (bass_port(str(bass.get("name"))) if isinstance(bass, dict) else hardware.get("midi_in"))
    port = port or (TYPING_PORT if hardware.get("typing") else None)
    if not isinstance(port, str):
        raise UsageError(f"{path} does not say which input it came from; say it with --midi-in NAME")
    audio = hardware.get("audio")
    output = str(audio.get("name", "none")) if isinstance(audio, dict) else "none"
    known = load_port(port) or PortSettings(port)
    if take.header.calibration is not None and not as_json:
        say("The take was scored with an earlier calibration; this one is made of its raw times.")
    monitor = bool(take.header.extra.get("monitor", False))
    return _concluded(take, known, output, monitor, profile or known.profile, as_json=as_json)


def _concluded(take: Take, known: PortSettings, output: str, monitor: bool, used: PortProfile, *, as_json: bool) -> int:
    """Fit, say, remember; the exit status."""
    from trainer.live.calibration import fit_take, kept_calibration

    fit = fit_take(take, used)
    stated_ms, ear_ms = _stated_ms(take), _ear_ms(take)
    if as_json:
        input_ms = None if stated_ms is None else fit.base_ms
        show_json({"input": known.port, "output": output, "monitor": monitor, "profile": used,
                   "output_ms": stated_ms, "input_ms": input_ms, "ear_ms": ear_ms, **fit.to_dict()})  # fmt: skip
    if fit.doubt is not None:
        earlier = kept_calibration(known, output, monitor)
        stays = "" if earlier is None else f"; the earlier one of {earlier.base_ms:.1f} ms stays"
        raise UsageError(f"nothing was remembered: {fit.doubt}{stays}")
    if not as_json:
        for line in words_of(fit, stated_ms, ear_ms):
            say(line)
    _remember(known, fit, output, monitor, used, stated_ms)
    if not as_json:
        say(f"Remembered for {known.port} with {'MIDI out' if output == 'none' else output}.")
    return 0


def _instructions(profile: PortProfile, typing: bool) -> list[str]:
    if typing:
        return ["Tap the space bar once to each click, as you feel it. The count-in is not measured."]
    if profile == "strings":
        return [
            "Play one note to each click, on the string that the screen names: E, A, D, then G.",
            "Begin at the open string and go up the neck, any notes. The count-in is not measured.",
        ]
    return ["Play one note to each click, any note, always the same. The count-in is not measured."]


def _played(session: Session, options: PlayOptions, port: str, keep: Path | None) -> Take:
    """The take of the notes played to the click; kept only where that was asked for."""
    import tempfile

    from trainer.live import play

    with tempfile.TemporaryDirectory() as folder:
        result = play(session, replace(options, takes_dir=keep or Path(folder)))
    if result.interrupted:
        raise KeyboardInterrupt
    if keep is not None and result.take_path is not None:
        echo(f"Take kept: {result.take_path}", err=True)
    for warning in result.warnings:
        echo(f"Note: {warning}", err=True)
    if result.take is None or not len(result.take.notes):
        raise PortError(f'no note came from "{port}"; is it connected, and the right input? See: trainer ports')
    return result.take


def _ear_ms(take: Take) -> float | None:
    """The ear's own scatter, of a take that it heard."""
    facts = take.header.extra.get("hearing")
    scatter_ms = facts.get("scatter_ms") if isinstance(facts, dict) else None
    return float(scatter_ms) if isinstance(scatter_ms, int | float) else None


def _stated_ms(take: Take) -> float | None:
    described = take.header.hardware.get("audio")
    seconds = described.get("latency_s") if isinstance(described, dict) else None
    return None if seconds is None else 1000.0 * float(seconds)


def _remember(
    known: PortSettings, fit: LatencyFit, output: str, monitor: bool, profile: PortProfile, stated_ms: float | None
) -> None:
    from trainer.live.calibration import calibration_key
    from trainer.settings import save_port

    made = datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")
    calibration = fit.calibration(output_ms=stated_ms, monitor=monitor, made=made, ports=(known.port, output))
    kept = {**known.calibrations, calibration_key(output, monitor): asdict(calibration)}
    save_port(replace(known, calibrations=kept, profile=profile if known.checked == "" else known.profile))


def add_to(app: typer.Typer) -> None:
    app.command()(calibrate)
