"""`trainer play` and `trainer demo`: from options to a running session, and from its take to the figures."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from trainer.cli.choosing import Overrides, between, chosen_session, own_sounds, part_changes, session_options
from trainer.cli.speaking import card_text, say, to_stderr
from trainer.errors import UsageError, nearest

if TYPE_CHECKING:
    from trainer.line import Performance
    from trainer.live import PartMix, PlayOptions, PlayResult
    from trainer.scoring import Scorecard
    from trainer.session import Session
    from trainer.take import Take

__all__ = ["add_to", "worst_bars", "worst_bars_session"]

MidiIn = Annotated[str | None, typer.Option("--midi-in", metavar="NAME", help="The bass's MIDI input, or part of it.")]
MidiOut = Annotated[str | None, typer.Option("--midi-out", metavar="NAME", help="Send the band there too.")]
Audio = Annotated[str | None, typer.Option("--audio", metavar="NAME", help="The sound output, or part of its name.")]
NoAudio = Annotated[bool, typer.Option("--no-audio", help="No sound of our own.")]
Monitor = Annotated[bool, typer.Option("--monitor/--no-monitor", help="Hear your notes through the built-in bass.")]
Takes = Annotated[Path | None, typer.Option("--takes", metavar="DIR", help="Keep takes in this folder.")]
Figures = Annotated[bool, typer.Option("--figures", help="Show swing and landing while you play.")]
Calm = Annotated[bool, typer.Option("--calm", help="Show no figure and no lane until the end.")]
Volume = Annotated[
    list[str] | None, typer.Option("--volume", metavar="PART=0..1", help="Volume of a part; may be given again.")
]
Mute = Annotated[list[str] | None, typer.Option("--mute", metavar="PART", help="Silence a part.")]
Solo = Annotated[list[str] | None, typer.Option("--solo", metavar="PART", help="Only this part, and the count-in.")]
Soundfont = Annotated[
    Path | None, typer.Option("--soundfont", metavar="FILE", help="Your own SoundFont (.sf2) for the band's sounds.")
]
GuideLine = Annotated[
    str | None,
    typer.Option("--guide-line", metavar="DEVICE|song", help="What the guide bass plays instead of the roots."),
]
ClockOut = Annotated[str | None, typer.Option("--clock-out", metavar="NAME", help="Send MIDI clock there.")]
Follow = Annotated[str | None, typer.Option("--follow", metavar="NAME", help="Follow the MIDI clock of this input.")]
Plain = Annotated[bool, typer.Option("--plain", help="One line a bar instead of the screen.")]
Ascii = Annotated[bool, typer.Option("--ascii", help="No block characters, whatever the terminal says.")]


@session_options
def play(
    overrides: Overrides,
    midi_in: MidiIn = None,
    midi_out: MidiOut = None,
    audio: Audio = None,
    no_audio: NoAudio = False,
    monitor: Monitor = True,
    takes: Takes = None,
    figures: Figures = False,
    calm: Calm = False,
    volume: Volume = None,
    mute: Mute = None,
    solo: Solo = None,
    soundfont: Soundfont = None,
    guide_line: GuideLine = None,
    clock_out: ClockOut = None,
    follow: Follow = None,
    plain: Plain = False,
    ascii_only: Ascii = False,
    profile: Annotated[
        str | None, typer.Option(metavar="pad|keys|strings", help="Instead of the profile that the sound check found.")
    ] = None,
    page: Annotated[
        bool, typer.Option("--page", help="The screen as a web page too, for a tablet on the stand.")
    ] = False,
    page_host: Annotated[
        str | None,
        typer.Option("--page-host", metavar="HOST", help="Open the page to the room: 0.0.0.0, or an address."),
    ] = None,
    page_port: Annotated[
        int, typer.Option("--page-port", metavar="N", callback=between(0, 65535), help="Its port; 0: any.")
    ] = 0,
) -> int:
    """Play with the band: count-in, song, then your figures. Without a SESSION: a shuffle in G."""
    session = chosen_session(overrides)
    options = _options(
        session,
        midi_out=midi_out,
        audio="none" if no_audio else audio or "auto",
        monitor=monitor,
        takes=takes,
        figures=figures,
        calm=calm,
        mix=_mix(volume, mute, solo),
        soundfont=soundfont,
        clock_out=clock_out,
        follow=follow,
        plain=plain,
        ascii_only=ascii_only,
    )
    if guide_line is not None:
        options = _with_guide_line(session, options, guide_line)
    options = _with_input(options, midi_in, profile)
    if page or page_host is not None:
        options = replace(options, page_host=page_host or "127.0.0.1", page_port=page_port)
    from trainer.live import play as run
    from trainer.live import recover_takes

    recover_takes(options.takes_dir, lambda text: typer.echo(f"Note: {text}"))
    result = run(session, options)
    return _afterwards(session, replace(options, guide_line=None), result)


@session_options
def demo(
    overrides: Overrides,
    late: Annotated[float, typer.Option("--late", metavar="MS", help="How late the stand-in plays.")] = 6.0,
    ratio: Annotated[float, typer.Option("--ratio", metavar="RATIO", help="The stand-in's own swing.")] = 1.8,
    jitter: Annotated[float, typer.Option("--jitter", metavar="MS", help="How much its notes scatter.")] = 10.0,
    missed: Annotated[float, typer.Option("--missed", metavar="0..1", help="Share of the changes it misses.")] = 0.1,
    offline: Annotated[
        bool, typer.Option("--offline", help="No devices and no waiting: the same run on a fake clock.")
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="The scorecard as JSON.")] = False,
    full: Annotated[bool, typer.Option("--full", help="Every figure.")] = False,
    midi_out: MidiOut = None,
    audio: Audio = None,
    no_audio: NoAudio = False,
    takes: Takes = None,
    volume: Volume = None,
    mute: Mute = None,
    solo: Solo = None,
    soundfont: Soundfont = None,
    plain: Plain = False,
    ascii_only: Ascii = False,
) -> int:
    """Hear and see the whole job with a stand-in on bass. Its feel is known: what comes out should be what went in."""
    from trainer.line import Feel, StandIn, planned_song
    from trainer.scoring import score
    from trainer.session import expand

    for name, value, low, high in (
        ("--late", late, -200.0, 200.0),
        ("--ratio", ratio, 1.0, 4.0),
        ("--jitter", jitter, 0.0, 100.0),
        ("--missed", missed, 0.0, 1.0),
    ):
        if not low <= value <= high:
            raise UsageError(f"{name} {value:g}: expected a number from {low:g} to {high:g}")
    session = chosen_session(overrides)
    feel = Feel(lateness_ms=late, swing_ratio=ratio, jitter_sd_ms=jitter, missed_frac=missed)
    performance = StandIn(feel, session.seed).play(planned_song(expand(session), session.seed))
    options = _options(
        session,
        midi_out=None if offline else midi_out,
        audio="none" if no_audio or offline else audio or "auto",
        monitor=True,
        takes=takes,
        figures=True,
        calm=False,
        mix=_mix(volume, mute, solo),
        soundfont=soundfont,
        clock_out=None,
        follow=None,
        plain=plain or as_json,
        ascii_only=ascii_only,
    )
    if offline:
        from trainer.live import play_offline

        take: Take | None = play_offline(session, performance, options)
        if takes is not None and take is not None:
            from trainer.take import save_take

            saved = save_take(take, takes)
            typer.echo(f"Take kept: {saved.path}", err=True)
            if saved.remark is not None:
                typer.echo(f"Note: {saved.remark}", err=True)
    else:
        from trainer.live import play as run

        options = replace(options, script=performance.messages(), record=True)
        with to_stderr(as_json), _demo_takes(takes) as folder:
            result = run(session, replace(options, takes_dir=folder))
            _say_warnings(result)
        take = result.take
        if result.status not in ("completed", "stopped"):
            return _status(result)
    if take is None:
        with to_stderr(as_json):
            say("Stopped before the stand-in had played a note: no figures.")
        return 0
    card = score(take, session=session, full=full)
    if as_json:
        data = {**card.to_dict(), "stand_in": _stand_in_dict(performance)}
        typer.echo(json.dumps(data, ensure_ascii=False, indent=2, allow_nan=False))
        return 0
    for line in comparison(performance, card):
        typer.echo(line)
    typer.echo("")
    say(card_text(card, full=full))
    return 0


def _demo_takes(takes: Path | None) -> Any:
    """The folder for a live demo's take: the one asked for, else one that goes when the demo ends."""
    import contextlib
    import tempfile

    return contextlib.nullcontext(takes) if takes is not None else _as_path(tempfile.TemporaryDirectory())


def _as_path(folder: Any) -> Any:
    import contextlib

    @contextlib.contextmanager
    def inside() -> Any:
        with folder as name:
            yield Path(name)

    return inside()


def _stand_in_dict(performance: Performance) -> dict[str, Any]:
    feel = performance.feel
    missed = [c for c in performance.changes if c.outcome not in ("root", "late")]
    return {
        "lateness_ms": feel.lateness_ms,
        "swing_ratio": feel.swing_ratio,
        "jitter_sd_ms": feel.jitter_sd_ms,
        "changes": len(performance.changes),
        "missed": [{"chorus": c.chorus, "bar": c.bar, "at_beats": c.at_beats, "outcome": c.outcome} for c in missed],
    }


def comparison(performance: Performance, card: Scorecard) -> list[str]:
    """What was put into the stand-in beside what the ears found."""
    data = card.to_dict()
    timing, swing, landing = data["timing"], data["swing"], data["landing"]
    feel = performance.feel

    def found(value: float | None, interval: Sequence[float] | None, unit: str, of: str, sign: str = "") -> str:
        if value is None:
            return "no figure"
        within = f"{of}: too few to tell" if interval is None else f"{interval[0]:{sign}.2f} to {interval[1]:{sign}.2f}"
        return f"{value:{sign}.2f}{unit} ({within})"

    # What is only listened to counts nowhere.
    heard = frozenset[int]() if card.chart is None else card.chart.heard_choruses
    changes = [change for change in performance.changes if change.chorus not in heard]
    n_missed = sum(change.outcome not in ("root", "late") for change in changes)
    n_scored_missed = landing["changes"] - landing["landed"]
    ratio = feel.swing_ratio if feel.swing_ratio is not None else performance.line.chart.swing_ratio
    rows = (
        ("", "put in", "found"),
        (
            "lateness",
            f"{feel.lateness_ms:+.2f} ms",
            found(timing["mean_ms"], timing["mean_ci95_ms"], " ms", f"{timing['n']} notes", "+"),
        ),
        ("swing", f"{ratio:.2f}:1", found(swing["ratio"], swing["ratio_ci95"], ":1", f"{swing['n']} pairs")),
        (
            "changes missed",
            f"{n_missed} of {len(changes)}",
            f"{n_scored_missed} of {landing['changes']} judged",
        ),
    )
    return [f"{name:<17}{given:<18}{told}".rstrip() for name, given, told in rows]


# --- from options to a run -------------------------------------------------------------------------------------------


def _mix(volume: list[str] | None, mute: list[str] | None, solo: list[str] | None) -> dict[str, PartMix]:
    from trainer.live import PartMix

    changes = part_changes(volume or [], mute or [], solo or [])
    return {name: PartMix(**change) for name, change in changes.items()}


def _options(
    session: Session,
    *,
    midi_out: str | None,
    audio: str,
    monitor: bool,
    takes: Path | None,
    figures: bool,
    calm: bool,
    mix: dict[str, PartMix],
    soundfont: Path | None = None,
    clock_out: str | None,
    follow: str | None,
    plain: bool,
    ascii_only: bool,
) -> PlayOptions:
    from trainer.live import PlayOptions
    from trainer.take import takes_dir

    if takes is not None:
        _make_folder(takes)
    _find_named(audio, {"MIDI output": (midi_out, clock_out), "MIDI input": (follow,)})
    return PlayOptions(
        midi_out=midi_out,
        audio=audio,
        monitor=monitor,
        takes_dir=takes_dir(takes),
        mix=mix,
        soundfont=own_sounds(soundfont),
        figures=figures and not calm,
        calm=calm,
        clock_out=clock_out,
        follow=follow,
        quiet_screen=plain,
        ascii_only=ascii_only or not _shows_blocks(),
    )


def _with_guide_line(session: Session, options: PlayOptions, name: str) -> PlayOptions:
    """The guide bass plays a model line; it is switched on where the session leaves it off."""
    from trainer.line import DEVICES, model_line, planned_song
    from trainer.session import expand

    if name != "song" and name not in DEVICES:
        near = nearest(name, ("song", *DEVICES))
        hint = f'; did you mean "{near}"?' if near else ""
        raise UsageError(f'--guide-line: found "{name}"; expected song, or a device: {", ".join(DEVICES)}{hint}')
    chart = expand(session)
    made = planned_song(chart, session.seed) if name == "song" else model_line(chart, device=name, seed=session.seed)
    return replace(options, guide_line=made.rows(), guide="on" if session.guide == "off" else None)


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
        from trainer.cli.calibrating import output_name

        output_name(audio)


def _shows_blocks() -> bool:
    try:
        "█▀▄│●".encode(sys.stdout.encoding or "ascii")
    except (UnicodeEncodeError, LookupError):
        return False
    return True


def _with_input(options: PlayOptions, midi_in: str | None, profile: str | None) -> PlayOptions:
    """The options with the input that will be heard, and what is remembered of it."""
    from trainer.cli.calibrating import TYPING_PORT, stored_calibration
    from trainer.cli.checking import known_profile
    from trainer.cli.input_port import chosen_input
    from trainer.settings import PortSettings, load_port

    if profile is not None:
        known_profile(profile)
    name = chosen_input(midi_in)
    if name is None:
        tapped = load_port(TYPING_PORT)
        calibration = None if tapped is None else stored_calibration(tapped, options.audio, options.monitor)
        return replace(options, typing=sys.stdin.isatty(), calibration=calibration)
    known = load_port(name) or PortSettings(name)
    return replace(
        options,
        midi_in=name,
        profile=profile or known.profile,
        velocity_floor=known.velocity_floor,
        transpose_semitones=known.transpose_semitones,
        calibration=stored_calibration(known, options.audio, options.monitor),
    )


# --- afterwards ------------------------------------------------------------------------------------------------------


def _status(result: PlayResult) -> int:
    if result.interrupted:
        return 130
    if result.status == "fault":  # the program's own, or a disk's, a port's
        return (
            1
            if any(text.startswith(("fault of the program", "the engine was told")) for text in result.warnings)
            else 2
        )
    return 1 if result.status == "engine_died" else 0


def _say_warnings(result: PlayResult) -> None:
    """In plain lines what stood on the screen, which is gone now."""
    for warning in result.warnings:
        if not warning.startswith("nothing was played"):  # whoever asked for the run says so, with what to do about it
            say(f"Note: {warning}")


def not_heard(options: PlayOptions) -> str:
    """What helps whose notes did not arrive."""
    if options.typing:
        return "On the computer keyboard the notes are a s d f g h j k l ; and space, the chord's root."
    return "What arrives can be seen with: trainer check"


def _afterwards(session: Session, options: PlayOptions, result: PlayResult) -> int:
    """The figures of what was played, then the worst bars once more if wanted."""
    from trainer.scoring import score

    status = _status(result)
    if result.take_path is not None:
        typer.echo(f"Take kept: {result.take_path}")
    _say_warnings(result)
    take = result.take
    if take is None or not len(take.notes):
        if result.status not in ("fault", "engine_died"):  # they have said what became of the notes
            say(f"No notes were heard, so there is nothing to score. {not_heard(options)}")
        return status
    card = score(take)
    say(card_text(card))
    if result.next_tempo_bpm is not None:
        say(f"\nFor the next run you asked for {result.next_tempo_bpm:g} bpm: add --bpm {result.next_tempo_bpm:g}")
    if status == 0 and sys.stdin.isatty() and sys.stdout.isatty():
        _offer_worst_bars(session, options, take, card)
    return status


def worst_bars(card: Scorecard) -> tuple[int, int, int] | None:
    """(chorus, first bar, last bar) of the four-bar line that cost most; None when nothing cost anything.

    The form's own lines of four are kept together: 1–4, 5–8, 9–12.
    """
    from trainer.scoring.text import costly_bars

    worst = costly_bars(card, 1)
    if not worst or card.chart is None:
        return None
    chorus, bar, _ = worst[0]
    inside = [b.bar for b in card.chart.bars if b.chorus == chorus]
    low, high = min(inside), max(inside)
    first = low + (bar - low) // 4 * 4
    last = min(first + 3, high)
    return chorus, max(low, min(first, last - 3)), last


def worst_bars_session(session: Session, take: Take, chorus: int, first: int, last: int) -> tuple[Session, list[Any]]:
    """A session that goes over some bars of a chorus once and ends, and the player's own notes of them as messages."""
    from trainer.session import ChorusPlan, expand

    chart = expand(session)
    bars = [bar for bar in chart.bars if bar.chorus == chorus and first <= bar.bar <= last]
    start_beats, end_beats = bars[0].onset_beats, bars[-1].end_beats
    # Twice round, because the band ends the last bar on I; the player's notes are heard the first time.
    again = replace(
        session,
        loop=(first, last),
        choruses=(ChorusPlan(bars[0].role if bars[0].role != "intro" else "verse", 2, (bars[0].intensity,) * 2),),
        drop_outs=(),
        pedals=(),
        start="top",
        ending="plain",
        count_in_bars=1,
        guide="off",
    )
    onsets = take.tempo.beats_at(take.notes["onset_s"])
    inside = take.notes[(onsets >= start_beats - 0.5) & (onsets < end_beats - 0.25)]
    zero_s = float(take.tempo.seconds_at(start_beats))
    rows: list[Any] = []
    for note in inside:
        number = round(float(note["pitch"]))
        if not 0 <= number <= 127:
            continue
        onset_s = float(note["onset_s"]) - zero_s
        rows.append((onset_s, bytes((0x90, number, max(1, int(note["velocity"]))))))
        rows.append((onset_s + max(0.05, float(note["duration_s"])), bytes((0x80, number, 0))))
    return again, sorted(rows)


def _offer_worst_bars(session: Session, options: PlayOptions, take: Take, card: Scorecard) -> None:
    from trainer.live import play, replay

    found = worst_bars(card)
    if found is None:
        return
    chorus, first, last = found
    while True:
        say(
            f"\nBars {first}–{last} of chorus {chorus} cost most.\n"
            "w: hear them again, you and the band   l: go round them   any other key leaves"
        )
        key = _one_key().lower()
        if key == "w":
            again, script = worst_bars_session(session, take, chorus, first, last)
            status = play(again, replace(options, script=script, record=False, typing=False, midi_in=None)).status
        elif key == "l":
            status = replay(session, (first, last), options).status
        else:
            return
        if status not in ("completed", "stopped"):
            return


def _one_key() -> str:
    """Wait for one key."""
    from trainer.cli.checking import key_reader
    from trainer.clock.sources import RealClock

    clock = RealClock()
    with key_reader() as read_key:
        while True:
            key = read_key()
            if key:
                return key
            clock.sleep_until(clock.now_ns() + 30_000_000)


def add_to(app: typer.Typer) -> None:
    commands: tuple[Callable[..., Any], ...] = (play, demo)
    for command in commands:
        app.command()(command)
