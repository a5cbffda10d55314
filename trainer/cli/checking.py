"""`trainer check`: the sound check at the terminal; `trainer.scoring.soundcheck` judges, here are port and keys."""

from __future__ import annotations

import datetime
from collections.abc import Callable
from typing import TYPE_CHECKING, Annotated

import typer

from trainer.cli.choosing import with_options
from trainer.cli.facts import Json, show_json
from trainer.cli.input_port import asked_bass, instrument_to_check, known_profile
from trainer.cli.running import BassChannel, BassIn, Strung
from trainer.cli.speaking import echo
from trainer.cli.waiting import key_reader
from trainer.errors import PortError
from trainer.profiles import InputProfile, PortProfile

if TYPE_CHECKING:
    from trainer.clock.sources import Clock
    from trainer.music import Tuning
    from trainer.ports.protocols import MidiSink
    from trainer.scoring.soundcheck import CheckResult, HeardNote
    from trainer.settings import PortSettings
    from trainer.take import Calibration

__all__ = ["add_to", "converse"]

POLL_NS = 10_000_000
RING_OUT_NS = 1_200_000_000  # after the last note: time for its bend to settle and for a second trigger to show


def converse(
    sink: MidiSink,
    clock: Clock,
    read_key: Callable[[], str],
    write: Callable[[str], None],
    tuning: Tuning,
    *,
    profile: PortProfile = "pad",
    calibration: Calibration | None = None,
    is_connected: Callable[[], bool] = lambda: True,
) -> CheckResult | None:
    """Ask, listen, show every note, and judge; None when the person leaves before anything was heard.

    `read_key` gives a key pressed since the last call or "": Enter leaves a step out, q ends the check there.
    `PortError` when the input goes away.
    """
    from trainer.scoring.soundcheck import SoundCheck, assess, delay_words
    from trainer.take.recorder import Recorder

    check = SoundCheck(tuning)
    recorder = Recorder()
    start_ns = clock.now_ns()
    last_note_ns = start_ns
    asked = ""
    polls = 0
    while True:
        if check.prompt != asked:
            asked = check.prompt
            if asked:
                write(f"{asked}   (Enter: leave it out, q: stop here)\n")
        while sink:
            host_ns, _, data = sink.popleft()
            recorder.feed(clock.from_raw_ns(host_ns), data)
        for event in recorder.poll():
            if event.kind != "on":
                continue
            last_note_ns = max(event.host_ns, last_note_ns)
            heard = check.feed((event.host_ns - start_ns) * 1e-9, event.pitch, event.velocity, event.channel)
            write(f"  {_note_words(heard, delay_words(heard.pitch, profile, calibration))}\n")
        key = read_key()
        if key in ("q", "Q", "\x03", "\x04"):
            break
        if key in ("\r", "\n"):
            check.skip()
        now_ns = clock.now_ns()
        if check.done and now_ns - last_note_ns > RING_OUT_NS:
            break
        polls += 1
        if polls % 100 == 0 and not is_connected():
            raise PortError("the MIDI input has gone; connect it again and run: trainer check")
        clock.sleep_until(now_ns + POLL_NS)
    if recorder.n_notes == 0:
        return None
    table = recorder.note_table(lambda host_ns: (host_ns - start_ns) * 1e-9, clock.now_ns())
    return assess(table, check.spans(), tuning)


def _note_words(heard: HeardNote, delay: str) -> str:
    on_neck = "not on this bass" if heard.string is None else f"string {heard.string} fret {heard.fret}"
    note = f"{heard.name:<4} {on_neck:<17} velocity {heard.velocity:>3}  channel {heard.channel + 1:>2}  {delay}"
    return note if heard.counted else f"{note}  (not counted)"


@with_options
def check(
    midi_in: Annotated[str | None, typer.Option(metavar="NAME", help="The input, by name or part of one.")] = None,
    profile: Annotated[
        str | None, typer.Option(metavar="pad|keys|strings", help="Keep this profile, whatever the notes suggest.")
    ] = None,
    bass_in: BassIn = None,
    bass_channel: BassChannel = None,
    as_json: Json = False,
    *,
    strung: Strung,
) -> None:
    """Sound check: what your bass sends, and what is wrong with it. The profile that fits is remembered."""
    from collections import deque

    from trainer.clock.sources import RealClock
    from trainer.ports.midi import open_input
    from trainer.settings import PortSettings, load_port

    tuning = strung.bass()
    kept = known_profile(profile)
    name, bass = instrument_to_check(midi_in, bass_in)
    if name is None:
        from trainer.cli.cable import check_bass, no_bass_advice

        bass = bass or asked_bass()
        if bass is None:
            raise PortError(
                "no MIDI input to check, and no sound input that is sure to be a bass's; connect one and look with: "
                f"trainer ports (a sound input is named with --bass-in NAME). No interface yet? {no_bass_advice()}"
            )
        check_bass(bass, bass_channel, as_json=as_json)
        return
    known = load_port(name) or PortSettings(name)

    def write(text: str) -> None:
        echo(text, err=as_json, nl=False)

    sink: MidiSink = deque()
    port = open_input(name, sink)
    try:
        write(f"Listening to {port.name}.\n")
        with key_reader() as read_key:
            result = converse(
                sink,
                RealClock(),
                read_key,
                write,
                tuning,
                profile=known.profile,
                is_connected=port.is_connected,
            )
    finally:
        port.close()
    if result is None:
        raise PortError(
            f'no note came from "{name}"; is the bass connected, its volume up, and this the right input? '
            "See: trainer ports"
        )
    remember(known, result, kept)
    if as_json:
        show_json({"port": name, **result.to_dict(), "profile": kept or result.profile})
        return
    write("\n")
    for line in result.lines():
        write(f"{line}\n")
    if kept is not None and kept != result.profile:
        write(f"Kept as {kept}, as you asked.\n")
    write("Remembered for this input. Next: trainer calibrate\n")


def remember(known: PortSettings, result: CheckResult, profile: InputProfile | None) -> None:
    """Store what the check found for its port; calibrations already there stay."""
    from dataclasses import replace

    from trainer.settings import save_port

    save_port(
        replace(
            known,
            profile=profile or result.profile,
            transpose_semitones=result.transpose_semitones or 0,
            tuning_cents=result.tuning_cents or 0.0,
            velocity_flat=bool(result.velocity_flat),
            velocity_floor=result.velocity_floor,
            doubled_ms=result.doubled_ms,
            string_channels=dict(result.string_channels),
            checked=datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds"),
        )
    )


def add_to(app: typer.Typer) -> None:
    app.command()(check)
