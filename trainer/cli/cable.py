"""An ordinary bass at the terminal: its sound check with a tuner, and what its recordings take on disk."""

from __future__ import annotations

import datetime
import sys
import time
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from trainer.cli.choosing import between
from trainer.cli.facts import Json, show_json
from trainer.cli.speaking import say, wrapped
from trainer.cli.waiting import key_reader
from trainer.errors import PortError

if TYPE_CHECKING:
    from trainer.live.cable_check import CableCheck
    from trainer.settings import PortSettings
    from trainer.take.rehearing import KeptRecording

__all__ = ["add_to", "check_bass", "no_bass_advice"]

FRAME_S = 0.12
UNATTENDED_S = 8.0  # without a terminal to end it at; our choice


def no_bass_advice() -> str:
    """For somebody with a bass and nothing to plug it into."""
    return (
        "an ordinary bass wants an audio interface: a small box with an instrument socket (marked with a guitar, INST "
        "or Hi-Z) on one side and USB on the other; the simplest will do. The computer's own microphone socket is made "
        "for a voice and will not"
    )


def check_bass(name: str, channel: int | None, *, as_json: bool) -> None:
    """Listen to a sound input until Enter or q: level, hum, noise, channel, tuner. The channel is remembered."""
    from trainer.engine.bass import rate_for
    from trainer.engine.capture import Intake
    from trainer.live.cable_check import CableCheck
    from trainer.live.calibration import bass_port
    from trainer.ports.audio import list_audio, open_capture
    from trainer.settings import PortSettings, load_port

    source = list_audio().input(name)
    if channel is not None and channel > source.n_channels:
        raise PortError(f'sound input "{source.name}" has {source.n_channels} channels; found --bass-channel {channel}')
    rate_hz = rate_for(source)
    intake = Intake(source.n_channels, rate_hz)
    check = CableCheck(rate_hz, source.n_channels, channel)
    port = bass_port(source.name)
    known = load_port(port) or PortSettings(port, profile="sound")
    stream = open_capture(intake.take, source, sample_rate_hz=rate_hz)
    stream.start()
    try:
        say(
            f"Listening to {source.name}. Let each open string ring by itself, then play some hard notes. "
            "Enter ends it.",
            err=as_json,
        )
        _listen(check, intake, lambda: stream.fault, quiet=as_json)
    finally:
        stream.close()
    found = check.result()
    if as_json:
        show_json({"input": source.name, "n_channels": source.n_channels, **found.to_dict()})
    else:
        for line in found.words:
            say(f"{line[0].upper()}{line[1:]}.")
        if found.strings:
            say("Strings as last heard: " + ", ".join(f"{k} {v:+.0f}" for k, v in found.strings.items()) + " cents.")
    if found.channel is None:
        raise PortError(f'nothing came from "{source.name}"; see: trainer ports')
    _remember(known, found.channel)
    if not as_json:
        which = f", channel {found.channel}," if source.n_channels > 1 else ""
        after = "trainer calibrate" if found.is_good else "set that right, and again: trainer check"
        say(f"Remembered: the bass is on {source.name}{which} from now on. Next: {after}")


def _listen(check: CableCheck, intake: object, fault: object, *, quiet: bool) -> None:
    from trainer.live.terminal import is_terminal, writes_blocks
    from trainer.music.pitch import note_name
    from trainer.screen.tuner import tuner_rows

    shown = is_terminal(sys.stdout) and not quiet
    end_s = time.monotonic() + (UNATTENDED_S if not sys.stdin.isatty() else 3600.0)
    n_rows = 0
    with key_reader() as read_key:
        while time.monotonic() < end_s:
            time.sleep(FRAME_S)
            check.feed(intake.read())  # type: ignore[attr-defined]
            said = fault()  # type: ignore[operator]
            if said is not None:
                raise PortError(said)
            reading = check.reading()
            if shown:
                import shutil

                size = shutil.get_terminal_size()
                name = None if reading.pitch is None else note_name(reading.pitch)
                where = f"channel {check.channel}: " if check.n_channels > 1 and check.channel else ""
                words = wrapped("\n".join((where + check.words()[0], *check.words()[1:])), size.columns)
                rows = [
                    *tuner_rows(
                        name,
                        reading.cents,
                        reading.doubt_cents,
                        size.columns,
                        size.lines - 3 - len(words),
                        not writes_blocks(sys.stdout),
                    ),
                    *words,
                ]
                back = f"\x1b[{n_rows}A" if n_rows else ""
                sys.stdout.write(back + "".join(f"\r\x1b[K{row}\n" for row in rows) + "\x1b[J")
                sys.stdout.flush()
                n_rows = len(rows)
            if sys.stdin.isatty() and read_key() in ("\r", "\n", "q", "Q"):
                return


def _remember(known: PortSettings, channel: int) -> None:
    from dataclasses import replace

    from trainer.settings import save_port

    now = datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")
    save_port(replace(known, profile="sound", channel=channel, checked=now))


def recordings(
    takes: Annotated[Path | None, typer.Option("--takes", metavar="DIR", help="The folder of takes.")] = None,
    older_than: Annotated[
        int | None,
        typer.Option("--older-than", metavar="DAYS", callback=between(0), help="Only those; with --remove they go."),
    ] = None,
    remove: Annotated[bool, typer.Option("--remove", help="Remove them; the takes and their figures stay.")] = False,
    as_json: Json = False,
) -> int:
    """Recordings of your bass: how many, what room. Old ones can go."""
    from trainer.errors import UsageError
    from trainer.take import takes_dir
    from trainer.take.rehearing import kept_recordings

    if remove and older_than is None:
        raise UsageError("--remove: which ones? Expected --older-than DAYS too (0: all of them)")
    before = None if older_than is None else time.time() - 86_400.0 * older_than
    found = [item for item in kept_recordings(takes_dir(takes)) if before is None or item.made < before]
    if remove:
        for item in found:
            item.path.unlink(missing_ok=True)
    if as_json:
        rows = [{"file": str(item.path), "bytes": item.n_bytes, "seconds": round(item.seconds, 1)} for item in found]
        seconds, n_bytes = (sum(getattr(item, name) for item in found) for name in ("seconds", "n_bytes"))
        show_json({"n": len(found), "seconds": round(seconds, 1), "bytes": n_bytes, "removed": remove, "files": rows})
        return 0
    _say_recordings(found, "" if older_than is None else f" older than {older_than} days", removed=remove)
    return 0


def _say_recordings(found: Sequence[KeptRecording], age: str, *, removed: bool) -> None:
    from trainer.scoring.why import counted

    minutes, megabytes = sum(item.seconds for item in found) / 60, sum(item.n_bytes for item in found) / 1e6
    done = "removed: " if removed else ""
    say(f"{done}{counted(len(found), 'recording')}{age}, {counted(round(minutes), 'minute')}, {megabytes:.1f} MB.")
    if found and not removed:
        say(
            "Their takes and figures stay without them. To remove old ones: trainer recordings --older-than 90 --remove"
        )


def add_to(app: typer.Typer) -> None:
    app.command()(recordings)
