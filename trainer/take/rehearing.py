"""A take's recording heard (again): the second, unhurried pass, whose notes are the ones that are scored.

The recording lies beside the take, under its name: WAV until it has been heard once, FLAC from then on. Where each of
its frames lies in the song is in the take's header, so every later version of the ear gives the same take anew.
"""

from __future__ import annotations

import contextlib
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from trainer.clock.fit import SongMap
from trainer.errors import FileFormatError
from trainer.take.model import Take
from trainer.take.notes import flag_near_gaps, sorted_notes
from trainer.take.placing import end_with_the_song, placed_in_song
from trainer.take.sound_file import read_sound

__all__ = [
    "RECORDING_SUFFIXES",
    "KeptRecording",
    "frames_at",
    "heard_again",
    "is_heard",
    "kept_recordings",
    "recording_of",
]

RECORDING_SUFFIXES = (".flac", ".wav")


def recording_of(take: Take, path: Path) -> Path | None:
    """The recording of a take that lies at `path`, if it has one and it is still there."""
    if "recording" not in take.header.clock_map:
        return None
    return next((file for suffix in RECORDING_SUFFIXES if (file := path.with_suffix(suffix)).is_file()), None)


def is_heard(take: Take) -> bool:
    """Whether the take's notes are what this version of the ear hears in its recording."""
    from trainer.hearing import HEARING_VERSION

    facts = take.header.extra.get("hearing")
    return isinstance(facts, dict) and facts.get("version") == HEARING_VERSION


def heard_again(take: Take, recording: Path) -> Take:
    """The take with the notes of its recording. `FileFormatError` where that is not one bass, or says not where it
    lies."""
    from trainer.take.heard import heard_in

    place = take.header.clock_map["recording"]
    sound = read_sound(recording)
    heard = heard_in(sound, str(recording))
    try:
        song = SongMap([(int(row[0]), float(row[1]), float(row[2])) for row in take.header.clock_map["song_map"]])
        passes = [(int(row[0]), float(row[1])) for row in place["passes"]]
        host_ns = _host_ns(heard.notes["onset_s"] * sound.file_rate_hz, place["map"])
        onset_s, stays, aside = placed_in_song(host_ns, song, passes)
    except (KeyError, TypeError, ValueError, IndexError, OverflowError) as error:
        raise FileFormatError(f"{recording}: its take does not say where it lies ({type(error).__name__})") from None
    notes = heard.notes.copy()
    end_with_the_song(notes, host_ns, song)
    notes["onset_s"] = onset_s
    flag_near_gaps(notes, ((gap.start_s, gap.end_s) for gap in take.header.gaps))
    old = take.header.extra
    remarks = [text for text in old.get("remarks", []) if text not in heard.remarks]
    channel = place.get("channel")
    extra: dict[str, Any] = {**old, "hearing": {**heard.facts, "channel": channel}, "bends": []}
    if remarks or heard.remarks:
        extra["remarks"] = [*remarks, *heard.remarks]
    extra.pop("set_aside", None)
    if aside.any():
        columns = ("onset_s", "duration_s", "pitch", "velocity")
        extra["set_aside"] = [[round(float(row[name]), 6) for name in columns] for row in notes[aside]]
    return replace(take, notes=sorted_notes(notes[stays]), header=replace(take.header, extra=extra))


def frames_at(take: Take, seconds: NDArray[np.float64]) -> NDArray[np.float64]:
    """Frames of the take's recording at seconds of the song (n,), the last time that they were played."""
    rows = take.header.clock_map["recording"]["map"]
    song = SongMap([(int(row[0]), float(row[1]), float(row[2])) for row in take.header.clock_map["song_map"]])
    moves = np.flatnonzero(song.rate > 0.0)
    piece = moves[np.clip(np.searchsorted(song.song_s[moves], seconds, side="right") - 1, 0, len(moves) - 1)]
    host_ns = song.host_ns[piece] + np.rint((seconds - song.song_s[piece]) / song.rate[piece] * 1e9).astype(np.int64)
    base = np.array([int(row[1]) for row in rows], dtype=np.int64)
    i = np.clip(np.searchsorted(base, host_ns, side="right") - 1, 0, len(base) - 1)
    first = np.array([row[0] for row in rows], dtype=np.float64)
    return np.asarray(first[i] + (host_ns - base[i]) / np.array([row[2] for row in rows])[i], dtype=np.float64)


def _host_ns(frames: NDArray[np.float64], rows: list[list[float]]) -> NDArray[np.int64]:
    """Raw host times of frames (n,): rows [frame, host ns, ns a frame], the first extended backwards."""
    first = np.array([row[0] for row in rows], dtype=np.float64)
    base = np.array([int(row[1]) for row in rows], dtype=np.int64)
    slope = np.array([row[2] for row in rows], dtype=np.float64)
    i = np.clip(np.searchsorted(first, frames, side="right") - 1, 0, len(first) - 1)
    return base[i] + np.rint((frames - first[i]) * slope[i]).astype(np.int64)


@dataclass(frozen=True, slots=True)
class KeptRecording:
    """A recording beside its take; `made` in seconds since the epoch."""

    path: Path
    n_bytes: int
    seconds: float
    made: float


def kept_recordings(folder: Path) -> list[KeptRecording]:
    """The recordings in a folder of takes: sound files with a take of the same name, oldest first."""
    import soundfile

    out = []
    with contextlib.suppress(OSError):
        for path in folder.iterdir():
            if path.suffix not in RECORDING_SUFFIXES or not path.with_suffix(".json").is_file():
                continue
            with contextlib.suppress(OSError, soundfile.SoundFileError):
                facts, status = soundfile.info(path), path.stat()
                out.append(KeptRecording(path, status.st_size, float(facts.duration), status.st_mtime))
    return sorted(out, key=lambda item: item.made)
