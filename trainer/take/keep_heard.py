"""What the ear's second pass hears in a take's recording, kept in the take's own files; the recording kept as FLAC."""

from __future__ import annotations

import contextlib
from pathlib import Path

from trainer.errors import FileFormatError, TrainerError, UsageError
from trainer.system import here
from trainer.take.reading import read_take
from trainer.take.rehearing import heard_again, recording_of
from trainer.take.store import replace_take

__all__ = ["keep_heard"]


def keep_heard(path: Path) -> str | None:
    """Hear a take's recording and keep what was heard in the take's own files; then the recording as FLAC.

    A line for the person where that could not be, or None. Whatever fails, the take stays as it was.
    """
    try:
        take = read_take(path, rehear=False)
        recording = recording_of(take, path)
        if recording is None:
            return None
        said = None
        try:
            heard = heard_again(take, recording)
            replace_take(heard, path)
        except FileFormatError as error:
            said = f"{error}; the notes heard while you played stand"
        _as_flac(recording)
        return said
    except TrainerError as error:
        return str(error)


def _as_flac(recording: Path) -> None:
    """The same samples in half the room, written aside and renamed; the WAV goes when it is safe."""
    import soundfile

    if recording.suffix != ".wav":
        return
    target = recording.with_suffix(".flac")
    aside = recording.with_name(f".{recording.stem}.flac.tmp")
    try:
        with (
            soundfile.SoundFile(recording) as source,
            soundfile.SoundFile(aside, "w", source.samplerate, 1, "PCM_24", format="FLAC") as out,
        ):
            while len(block := source.read(65_536, dtype="int32")):
                out.write(block)
        here().replace(aside, target)
        recording.unlink()
    except (OSError, soundfile.SoundFileError) as error:
        with contextlib.suppress(OSError):
            aside.unlink()
        raise UsageError(f"{recording} stays as it is ({error}); it can still be heard") from None
