"""Which sounds the band plays with: the built-in ones, or a SoundFont that was named once or is on the machine."""

from __future__ import annotations

from pathlib import Path

from trainer.cli.speaking import say
from trainer.errors import TrainerError, UsageError

__all__ = ["BUILT_IN", "FOUND", "band_sounds", "sounds_line", "sounds_of_file"]

BUILT_IN, FOUND = "built-in", "found"  # in a SoundFont's place


def band_sounds(asked: str | None) -> Path | None:
    """The SoundFont to play with, or None for the built-in sounds; what was asked for is remembered.

    What is asked for now and cannot be had is a `TrainerError` before anything sounds; what was asked for another time
    is one line, and the built-in sounds play.
    """
    from trainer.settings import load_soundfont, save_soundfont

    if asked is None:
        return _remembered(load_soundfont())
    path = sounds_of_file(asked)
    save_soundfont(path)
    return path


def sounds_of_file(asked: str | None) -> Path | None:
    """The same for what is made once and remembers nothing: a SoundFont that has been seen to work, or None."""
    if asked is None or asked == BUILT_IN:
        return None
    from trainer.band.sound import tried_soundfont

    if asked != FOUND or Path(asked).exists():
        return tried_soundfont(asked)
    here = _on_this_machine()
    if here is None:
        raise UsageError(
            "--soundfont found: no SoundFont is in the places where this system keeps them; name a file (.sf2)"
        )
    return tried_soundfont(here)


def sounds_line(soundfont: Path | None) -> str:
    """What plays, and what else could: one line."""
    if soundfont is not None:
        return f"Sounds: {soundfont} (--soundfont {BUILT_IN}: the built-in ones again)."
    here = _on_this_machine()
    if here is None:
        return "Sounds: built in."
    from trainer.band.sound import has_fluidsynth

    needs = "" if has_fluidsynth() else ", with FluidSynth, which is not here: pip install pyfluidsynth"
    return f"Sounds: built in. A SoundFont is here too, {here}: --soundfont {FOUND} plays it from now on{needs}."


def _remembered(path: Path | None) -> Path | None:
    if path is None:
        return None
    from trainer.band.sound import tried_soundfont

    try:
        return tried_soundfont(path)
    except TrainerError as error:
        say(f"Note: {error}. The built-in sounds play (--soundfont {BUILT_IN}: for good).")
        return None


def _on_this_machine() -> Path | None:
    """The first that looks whole; whether it plays is tried when it is asked for."""
    from trainer.band.sound import check_soundfont
    from trainer.system import here

    for path in here().soundfonts():
        try:
            return check_soundfont(path)
        except TrainerError:
            continue
    return None
