"""Which input is meant, a MIDI one or a bass's sound: by name or part of one, the only one there is, the one that was
set up last, or the one the person picks."""

from __future__ import annotations

import re
import sys
from collections.abc import Callable, Sequence

from trainer.cli.speaking import echo
from trainer.errors import PortError, UsageError, did_you_mean
from trainer.limits import whole_number
from trainer.profiles import INPUT_PROFILES, InputProfile

__all__ = ["ask_which", "asked_bass", "chosen_bass", "chosen_instrument", "instrument_to_check", "known_profile"]

# What an input that a bass can be plugged into is called by those who make it, and what one is that it cannot be.
_INTERFACE = re.compile(r"\b(usb|interface|instrument|audio codec|line in|hi-z)\b", re.IGNORECASE)
_ROOM = re.compile(r"\b(mic|mics|microphone|array|webcam|camera|cam|headset|headphones?|monitor of)\b", re.IGNORECASE)


_HEADINGS = {
    "--midi-in NAME": "Several MIDI inputs are connected:",
    "--bass-in NAME": "Sound can come in here:",
    "--midi-in or --bass-in NAME": "A bass can come in by MIDI or as sound:",
}


def ask_which(
    names: Sequence[str],
    read_line: Callable[[], str],
    write: Callable[[str], None],
    *,
    option: str = "--midi-in NAME",
) -> str:
    """Ask for one of several inputs by number; `PortError` when no usable answer comes. `option` names it next time."""
    write(f"{_HEADINGS[option]}\n")
    for number, name in enumerate(names, 1):
        write(f"  {number}  {name}\n")
    write(f"Which one is the bass? 1-{len(names)}: ")
    answer = read_line().strip()
    chosen = whole_number(answer)
    if chosen is not None and 1 <= chosen <= len(names):
        return names[chosen - 1]
    raise PortError(
        f'"{answer}" is not one of the inputs; expected a number from 1 to {len(names)}, or {option} next time'
    )


def chosen_instrument(
    midi_in: str | None, bass_in: str | None, *, not_from: Sequence[str] = ()
) -> tuple[str | None, str | None]:
    """(the MIDI input, the sound input) that is meant, one of them at most.

    What is asked for (`UsageError` where both are); else the bass by its cable, where that was checked or calibrated
    later than any MIDI input that is connected (many an interface has a MIDI socket too); else the MIDI input; else the
    sound input that is sure to be a bass's. `not_from` as in `chosen_input`.
    """
    if bass_in is not None and midi_in is not None:
        raise UsageError("--midi-in and --bass-in exclude each other; expected the one that your bass is on")
    if bass_in is not None:
        return None, chosen_bass(bass_in)
    if midi_in is None and (bass := _set_up_last(not_from)) is not None:
        return None, bass
    name = chosen_input(midi_in, not_from=not_from)
    return name, chosen_bass(None) if name is None else None


def instrument_to_check(midi_in: str | None, bass_in: str | None) -> tuple[str | None, str | None]:
    """The same for the sound check: where both a MIDI input and an interface's sound are there and neither was set up,
    the person is asked, if somebody is there to answer."""
    from trainer.live.calibration import bass_port
    from trainer.ports.audio import list_audio
    from trainer.settings import load_port

    someone = sys.stdin.isatty() and sys.stdout.isatty()
    if someone and midi_in is None and bass_in is None and (midi := _midi_names(())):
        sound = [port.name for port in list_audio().inputs if _is_interface(port.name)]
        rows = {f"{name}   (MIDI)": (name, None) for name in midi} | {
            f"{name}   (sound)": (None, name) for name in sound
        }
        if sound and all(load_port(name) is None for name in [*midi, *map(bass_port, sound)]):
            return rows[ask_which([*rows], sys.stdin.readline, _write, option="--midi-in or --bass-in NAME")]
    return chosen_instrument(midi_in, bass_in)


def _write(text: str) -> None:
    echo(text, nl=False)


def _is_interface(name: str) -> bool:
    return bool(_INTERFACE.search(name)) and not _ROOM.search(name)


def _set_up_last(not_from: Sequence[str]) -> str | None:
    """The one sound input that was set up later than any MIDI input that is connected."""
    from trainer.live.calibration import bass_port
    from trainer.ports.audio import list_audio
    from trainer.settings import load_port

    kept = {port.name: load_port(bass_port(port.name)) for port in list_audio().inputs}
    basses = {name: settings.set_up for name, settings in kept.items() if settings is not None}
    if len(basses) != 1:
        return None
    known = [load_port(name) for name in _midi_names(not_from)]
    ((name, when),) = basses.items()
    return name if all(when > settings.set_up for settings in known if settings is not None) else None


def _midi_names(not_from: Sequence[str]) -> list[str]:
    from trainer.ports.midi import list_ports, port_stem

    feet = {port_stem(name) for name in not_from}
    return [port.name for port in list_ports().inputs if not port.through and port_stem(port.name) not in feet]


def chosen_input(asked: str | None, *, may_ask: bool | None = None, not_from: Sequence[str] = ()) -> str | None:
    """The name of the input to open; None when there is none at all. `PortError` when it cannot be told.

    `not_from`: ports of foot switches, which are no bass. `may_ask`: whether a person is there to answer; None looks
    whether standard input and output are terminals.
    """
    from trainer.ports.midi import find_port, list_ports

    if asked is not None:
        return find_port(asked, list_ports().input_names, "MIDI input")
    names = _midi_names(not_from)
    if not names:
        return None
    if len(names) == 1:
        return names[0]
    if may_ask is None:
        may_ask = sys.stdin.isatty() and sys.stdout.isatty()
    if not may_ask:
        listed = ", ".join(f'"{name}"' for name in names)
        raise PortError(f"several MIDI inputs are connected: {listed}; say which one with --midi-in NAME")
    return ask_which(names, sys.stdin.readline, _write)


def chosen_bass(asked: str | None) -> str | None:
    """The sound input that an ordinary bass is on; None when none is asked for and none is sure to be it.

    By itself only one is taken that was checked or calibrated before, else the only one that is called as interfaces
    are: a laptop's own microphone hears the room, not a bass.
    """
    from trainer.ports.audio import list_audio

    inputs = list_audio()
    if asked is not None:
        return inputs.input(asked).name
    from trainer.live.calibration import bass_port
    from trainer.settings import load_port

    names = [port.name for port in inputs.inputs]
    known = [name for name in names if load_port(bass_port(name)) is not None]
    sensible = known or [name for name in names if _is_interface(name)]
    return sensible[0] if len(sensible) == 1 else None


def asked_bass() -> str | None:
    """The sound input that the person picks; None where there is none, or nobody to ask."""
    from trainer.ports.audio import list_audio

    names = [port.name for port in list_audio().inputs]
    if not names or not (sys.stdin.isatty() and sys.stdout.isatty()):
        return None
    return ask_which(names, sys.stdin.readline, _write, option="--bass-in NAME")


def known_profile(profile: str | None) -> InputProfile | None:
    """The profile that was asked for, if any; `UsageError` for one that no MIDI input has."""
    known = next((name for name in INPUT_PROFILES if name == profile), None)
    if profile is not None and known is None:
        tail = did_you_mean(profile, INPUT_PROFILES)
        raise UsageError(f'--profile: found "{profile}"; allowed: {", ".join(INPUT_PROFILES)}{tail}')
    return known
