"""`trainer play` and `trainer demo`: from options to a running session, and from its take to the figures."""

from __future__ import annotations

import contextlib
import json
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from trainer.cli.choosing import Overrides, between, chosen_session, going_round, with_options
from trainer.cli.running import (
    BandOptions,
    Cable,
    MidiIn,
    Mix,
    OnStand,
    exit_status,
    play_options,
    say_if_silent,
    say_warnings,
    stand_page,
    with_input,
)
from trainer.cli.sounds import sounds_line
from trainer.cli.speaking import card_text, echo, say, to_stderr
from trainer.errors import UsageError, did_you_mean

if TYPE_CHECKING:
    from trainer.line import Performance
    from trainer.live import PlayOptions, PlayResult
    from trainer.scoring import Figure, Scorecard
    from trainer.session import Session
    from trainer.take import Take

__all__ = ["add_to"]


@with_options
def play(
    overrides: Overrides,
    *,
    midi_in: MidiIn = None,
    cable: Cable,
    band: BandOptions,
    mix: Mix,
    monitor: Annotated[
        bool, typer.Option("--monitor/--no-monitor", help="Hear your notes through the built-in bass.")
    ] = True,
    figures: Annotated[bool, typer.Option("--figures", help="Show swing and landing while you play.")] = False,
    calm: Annotated[bool, typer.Option("--calm", help="Show no figure and no lane until the end.")] = False,
    guide_line: Annotated[
        str | None,
        typer.Option("--guide-line", metavar="DEVICE|song", help="What the guide bass plays instead of the roots."),
    ] = None,
    clock_out: Annotated[str | None, typer.Option("--clock-out", metavar="NAME", help="Send MIDI clock there.")] = None,
    follow: Annotated[
        str | None, typer.Option("--follow", metavar="NAME", help="Follow the MIDI clock of this input.")
    ] = None,
    profile: Annotated[
        str | None, typer.Option(metavar="pad|keys|strings", help="Instead of the profile that the sound check found.")
    ] = None,
    on_stand: OnStand,
) -> int:
    """Play with the band: count-in, song, then your figures. Without a SESSION: a shuffle in G."""
    session = chosen_session(overrides)
    endless = overrides.loop is not None and overrides.choruses is None
    if endless:
        session = going_round(session)
    options = play_options(
        band,
        mix,
        open_end=endless,
        monitor=monitor,
        figures=figures and not calm,
        calm=calm,
        clock_out=clock_out,
        follow=follow,
    )
    if guide_line is not None:
        _with_guide_line(session, options, guide_line)  # a wrong name is said before anything sounds
    options = with_input(options, midi_in, profile, cable)
    say_if_silent(options)
    if options.audio != "none":
        say(sounds_line(options.soundfont))
    if options.bass_in is not None:
        say(_recorded(options))
    elif options.midi_in is None and options.script is None:
        _hint_at_cable()
    from trainer.cli.again import Sitting
    from trainer.live import recover_takes

    recover_takes(options.takes_dir, lambda text: echo(f"Note: {text}"))

    def prepared(of: Session, given: PlayOptions) -> PlayOptions:
        return given if guide_line is None else _with_guide_line(of, given, guide_line)

    name = overrides.session or "as asked"
    stand = stand_page(on_stand)
    with contextlib.nullcontext() if stand is None else contextlib.closing(stand):
        return Sitting(session, name, replace(options, stand=stand), prepared).run()


def _hint_at_cable() -> None:
    """Somebody with a bass on the knee may not know that it can be plugged in."""
    import sys

    from trainer.ports.audio import list_audio

    names = [port.name for port in list_audio().inputs]
    if names and sys.stdin.isatty():
        say(f'Your bass by its cable: trainer check --bass-in "{names[0]}" (others: trainer ports).')


def _recorded(options: PlayOptions) -> str:
    """What becomes of the bass's sound, in one line."""
    if options.keep_sound:
        return f"{options.bass_in} is heard and recorded beside the take (--no-recording: heard only)."
    return f"{options.bass_in} is heard, and not recorded."


@with_options
def demo(
    overrides: Overrides,
    *,
    late: Annotated[
        float, typer.Option("--late", metavar="MS", callback=between(-200, 200), help="How late the stand-in plays.")
    ] = 6.0,
    ratio: Annotated[
        float, typer.Option("--ratio", metavar="RATIO", callback=between(1, 4), help="The stand-in's own swing.")
    ] = 1.8,
    jitter: Annotated[
        float, typer.Option("--jitter", metavar="MS", callback=between(0, 100), help="How much its notes scatter.")
    ] = 10.0,
    missed: Annotated[
        float, typer.Option("--missed", metavar="0..1", callback=between(0, 1), help="Share of the changes it misses.")
    ] = 0.1,
    offline: Annotated[
        bool, typer.Option("--offline", help="No devices and no waiting: the same run on a fake clock.")
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="The scorecard as JSON.")] = False,
    full: Annotated[bool, typer.Option("--full", help="Every figure.")] = False,
    band: BandOptions,
    mix: Mix,
) -> int:
    """Hear and see the whole job with a stand-in on bass. Its feel is known: what comes out should be what went in."""
    from trainer.line import Feel, StandIn, planned_song
    from trainer.scoring import score
    from trainer.session import expand

    session = chosen_session(overrides)
    feel = Feel(lateness_ms=late, swing_ratio=ratio, jitter_sd_ms=jitter, missed_frac=missed)
    performance = StandIn(feel, session.seed).play(planned_song(expand(session), session.seed))
    heard = replace(band, plain=band.plain or as_json)
    if offline:
        take: Take | None = _demo_offline(session, performance, replace(heard, midi_out=None, no_audio=True), mix)
    else:
        options = play_options(heard, mix, figures=True, script=performance.messages())
        say_if_silent(options)
        with to_stderr(as_json), _demo_takes(band.takes) as folder:
            result = _run(session, replace(options, takes_dir=folder))
            say_warnings(result)
        take = result.take
        if result.status not in ("completed", "stopped"):
            return exit_status(result)
    if take is None:
        with to_stderr(as_json):
            say("Stopped before the stand-in had played a note: no figures.")
        return 0
    card = score(take, session=session, full=full)
    if as_json:
        data = {**card.to_dict(), "stand_in": _stand_in_dict(performance)}
        echo(json.dumps(data, indent=2, allow_nan=False))
        return 0
    for line in comparison(performance, card):
        echo(line)
    echo("")
    say(card_text(card, full=full))
    return 0


def _demo_offline(session: Session, performance: Performance, band: BandOptions, mix: Mix) -> Take:
    """The demo on a fake clock; its take is kept only where a folder was named."""
    from trainer.live import play_offline
    from trainer.take import save_take

    take = play_offline(session, performance, play_options(band, mix))
    if band.takes is not None:
        saved = save_take(take, band.takes)
        echo(f"Take kept: {saved.path}", err=True)
        if saved.remark is not None:
            echo(f"Note: {saved.remark}", err=True)
    return take


@contextlib.contextmanager
def _demo_takes(takes: Path | None) -> Iterator[Path]:
    """The folder for a live demo's take: the one asked for, else one that goes when the demo ends."""
    if takes is not None:
        yield takes
        return
    with tempfile.TemporaryDirectory() as folder:
        yield Path(folder)


def _run(session: Session, options: PlayOptions) -> PlayResult:
    from trainer.live import play

    return play(session, options)


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
    late, swing, landing = card.timing.mean_s.scaled(1000.0), card.swing.ratio, card.landing.total
    feel = performance.feel

    def found(figure: Figure, unit: str, of: str, sign: str = "") -> str:
        if not figure.known:
            return "no figure"
        within = f"{figure.n} {of}: too few to tell"
        if figure.interval is not None:
            within = f"{figure.low:{sign}.2f} to {figure.high:{sign}.2f}"
        return f"{figure.value:{sign}.2f}{unit} ({within})"

    # What is only listened to counts nowhere.
    heard = frozenset[int]() if card.chart is None else card.chart.heard_choruses
    changes = [change for change in performance.changes if change.chorus not in heard]
    n_missed = sum(change.outcome not in ("root", "late") for change in changes)
    n_scored_missed = landing.changes - landing.landed
    ratio = feel.swing_ratio if feel.swing_ratio is not None else performance.line.chart.swing_ratio
    rows = (
        ("", "put in", "found"),
        (
            "lateness",
            f"{feel.lateness_ms:+.2f} ms",
            found(late, " ms", "notes", "+"),
        ),
        ("swing", f"{ratio:.2f}:1", found(swing, ":1", "pairs")),
        (
            "changes missed",
            f"{n_missed} of {len(changes)}",
            f"{n_scored_missed} of {landing.changes} judged",
        ),
    )
    return [f"{name:<17}{given:<18}{told}".rstrip() for name, given, told in rows]


def _with_guide_line(session: Session, options: PlayOptions, name: str) -> PlayOptions:
    """The guide bass plays a model line; it is switched on where the session leaves it off."""
    from trainer.line import DEVICES, model_line, planned_song
    from trainer.session import expand

    if name != "song" and name not in DEVICES:
        hint = did_you_mean(name, ("song", *DEVICES))
        raise UsageError(f'--guide-line: found "{name}"; expected song, or a device: {", ".join(DEVICES)}{hint}')
    chart = expand(session)
    made = planned_song(chart, session.seed) if name == "song" else model_line(chart, device=name, seed=session.seed)
    return replace(options, guide_line=made.rows(), guide="on" if session.guide == "off" else None)


def add_to(app: typer.Typer) -> None:
    commands: tuple[Callable[..., Any], ...] = (play, demo)
    for command in commands:
        app.command()(command)
