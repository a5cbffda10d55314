"""The library of takes: writing a take as MIDI and JSON, where takes live, and what is there.

A take is written aside, synced, and put in place by a step that cannot overwrite: first the JSON, then the MIDI file,
so a MIDI file that is there always has its JSON. Where the folder will not take it (full, read-only, gone) the take
goes to the next place that will, and the answer says so.
"""

from __future__ import annotations

import contextlib
import datetime
import errno
import hashlib
import math
import os
import secrets
import tempfile
import time
import unicodedata
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import msgspec
import numpy as np
from numpy.typing import NDArray

from trainer._version import __version__
from trainer.aside import claim
from trainer.clock.tempo import TempoMap
from trainer.errors import TrainerError, UsageError
from trainer.midi_out import Row, conductor_rows, meta_bytes, midi_bytes, tempo_row, time_signature, track_bytes
from trainer.music import GROOVES
from trainer.music.general_midi import BASS_PROGRAM, DRUM_CHANNEL, PART_OF_CHANNEL, band_programs
from trainer.session import BEATS_PER_BAR, Chart, expand
from trainer.system import here
from trainer.take.midi_notes import note_messages
from trainer.take.model import Take
from trainer.take.notes import Notes
from trainer.take.record import record_bytes, record_of

__all__ = ["SavedTake", "TakeEntry", "list_takes", "replace_take", "save_take", "take_midi", "takes_dir", "write_take"]

APP_NAME = "shuffle-partner"
# Ticks a quarter note: the finest that keeps a file within ten million ticks, which some readers take for damage
# (`pretty_midi` refuses more). Up to 651 beats a tick is 0.04 ms at 96 bpm; for two hours 0.65 ms.
PPQS = (15_360, 7_680, 3_840, 1_920, 960)
MAX_TICKS = 10_000_000
CHORUS_BEATS = 48  # how often the tempo is corrected without a session: as twelve bars would
MIN_TEMPO_US, MAX_TEMPO_US = 1, 0xFFFFFF
MAX_SAME_NAME = 10_000
STALE_S = 3600.0  # our choice


@dataclass(frozen=True, slots=True)
class SavedTake:
    """Where a take went; `remark` is a line for the person if it is not where it was meant to go."""

    path: Path
    remark: str | None = None


@dataclass(frozen=True, slots=True)
class TakeEntry:
    """One take of a folder, newest first in lists. `error` says why its JSON could not be read; None where all is well.

    `n_notes`, `title`, `key`, `tempo_bpm`, `n_choruses` come from the JSON, and are None without one (a foreign file).
    """

    path: Path
    created: str
    n_notes: int | None = None
    title: str | None = None
    key: str | None = None
    tempo_bpm: float | None = None
    completed: bool | None = None
    error: str | None = None


def takes_dir(option: str | os.PathLike[str] | None = None) -> Path:
    """Where takes go: the option's folder, else the user's data directory. Nothing is created here."""
    if option is not None:
        return Path(option).expanduser()
    from platformdirs import user_data_path

    return here().as_others_see(user_data_path(APP_NAME, appauthor=False) / "takes")


# --- as a MIDI file -----------------------------------------------------------------------------------------------


def take_midi(take: Take, *, by_part: bool = False) -> bytes:
    """The take as a Standard MIDI File, format 1: conductor, `bass`, `band`; `by_part`: the band as a track a part.

    Each channel has its General MIDI program, and none is the player's and the band's both. What lies before the first
    downbeat (count-in, intro, pick-up) fits by whole bars of lead-in before it. Notes and chord names lie on exact
    beats to half a tick; the tempo, whole microseconds a beat in a file, is corrected at each chorus so that its
    rounding never adds up. The header's extra `bends`, rows of (second, channel, semitones), go into the track `bass`
    as they came; without them a pitch's fraction of a semitone becomes a bend.
    """
    chart = None if take.session is None else expand(take.session)
    axis = _axis(take, chart)
    own, of_band = _channels(take)
    bends = [(row[0], own.get(int(row[1]), int(row[1])), row[2]) for row in take.header.extra.get("bends", ())]
    bass = [_program(channel, BASS_PROGRAM) for channel in own.values()]
    bass += note_messages(_moved(take.notes, own), axis.ticks_at, bends)
    tracks = [
        track_bytes(_conductor(take, chart, axis), _title(take), axis.tick(axis.end_beats)),
        track_bytes(bass, "bass", axis.tick(axis.end_beats)),
    ]
    programs = band_programs() if take.session is None else band_programs(GROOVES[take.session.groove].keys)
    part_of = {channel: PART_OF_CHANNEL.get(channel, "keys") if by_part else "band" for channel in of_band}
    for name in dict.fromkeys(part_of.values()) or ["band"]:
        mine = [channel for channel, part in part_of.items() if part == name]
        rows = [_program(of_band[channel], programs.get(channel, 0)) for channel in mine]
        table = take.band[np.isin(take.band["channel"], mine)]
        rows += note_messages(_moved(table, of_band), axis.ticks_at)
        tracks.append(track_bytes(rows, name, axis.tick(axis.end_beats)))
    return midi_bytes(tracks, axis.ppq)


@dataclass(frozen=True, slots=True)
class _Axis:
    """The file's ticks: `lead_beats` hold what lies before the first downbeat; the song ends at `end_beats`."""

    tempo: TempoMap
    lead_beats: int
    end_beats: float
    ppq: int

    def tick(self, beats: float) -> int:
        return round((beats + self.lead_beats) * self.ppq)

    def ticks_at(self, seconds: NDArray[np.float64]) -> NDArray[np.int64]:
        beats: NDArray[np.float64] = self.tempo.beats_at(seconds)
        return np.maximum(np.round((beats + self.lead_beats) * self.ppq), 0.0).astype(np.int64)


def _axis(take: Take, chart: Chart | None) -> _Axis:
    on_s, lengths_s = (
        np.concatenate([table[name] for table in (take.notes, take.band)]) for name in ("onset_s", "duration_s")
    )
    first_beats = min(float(take.tempo.beats_at(on_s).min(initial=0.0)), float(take.tempo.beats[0]))
    end_beats = float(take.tempo.beats_at(on_s + lengths_s).max(initial=0.0))
    if chart is not None:
        first_beats = min(first_beats, chart.count_in_beats)
        if take.header.completed:
            end_beats = max(end_beats, chart.end_beats)
    lead_beats = BEATS_PER_BAR * math.ceil(-first_beats / BEATS_PER_BAR)
    ppq = next((per for per in PPQS if per * (end_beats + lead_beats + 1.0) < MAX_TICKS), PPQS[-1])
    return _Axis(take.tempo, lead_beats, end_beats, ppq)


def _conductor(take: Take, chart: Chart | None, axis: _Axis) -> list[Row]:
    end_beats = axis.end_beats
    if chart is None:
        choruses: Iterable[float] = np.arange(0.0, max(end_beats, 1.0), CHORUS_BEATS).tolist()
        rows = [time_signature(), (axis.tick(0.0), 3, meta_bytes(0x06, b"chorus 1"))]
    else:
        choruses = [beats for beats in chart.chorus_onsets_beats if beats == 0.0 or beats < end_beats]
        rows = conductor_rows(chart, axis.tick, end_beats)
    starts = take.tempo.beats[take.tempo.beats < end_beats].tolist()
    breaks = sorted({-float(axis.lead_beats), *starts, *choruses})
    return rows + [tempo_row(axis.tick(at), us) for at, us in _tempos(take, breaks, end_beats)]


def _channels(take: Take) -> tuple[dict[int, int], dict[int, int]]:
    """Channel in the take → channel in the file, of the player and of the band: apart, and no bass among the drums."""
    played, band = (np.unique(table["channel"]).tolist() for table in (take.notes, take.band))
    free = [n for n in range(16) if n not in played and n not in band and n != DRUM_CHANNEL]
    own = {n: free.pop(0) if n == DRUM_CHANNEL and free else n for n in played}
    return own, {n: free.pop() if n in played and n != DRUM_CHANNEL and free else n for n in band}


def _moved(notes: Notes, channels: dict[int, int]) -> Notes:
    out = notes.copy()
    out["channel"] = [channels[channel] for channel in notes["channel"].tolist()]
    return out


def _program(channel: int, program: int) -> tuple[int, int, bytes]:
    return 0, -2, bytes((0xC0 | channel, program))


def _title(take: Take) -> str:
    return take.session.title if take.session is not None else "take"


def _tempos(take: Take, breaks: list[float], end_beats: float) -> Iterator[tuple[float, int]]:
    """(beat, whole microseconds a beat) where the tempo changes.

    Each is chosen so that the next break comes in time.
    """
    at_s = [float(second) for second in take.tempo.seconds_at(np.array([*breaks, max(end_beats, breaks[-1] + 1.0)]))]
    beats = [*breaks, max(end_beats, breaks[-1] + 1.0)]
    now_s, before = at_s[0], 0
    for i, at in enumerate(breaks):
        span_beats = beats[i + 1] - at
        us = min(max(round((at_s[i + 1] - now_s) / span_beats * 1e6), MIN_TEMPO_US), MAX_TEMPO_US)
        now_s += us * 1e-6 * span_beats
        if us != before:
            yield at, us
        before = us


# --- writing ------------------------------------------------------------------------------------------------------


def write_take(take: Take, directory: str | os.PathLike[str] | None = None, stem: str | None = None) -> Path:
    """`save_take`, giving only the path of the MIDI file."""
    return save_take(take, directory, stem).path


def save_take(take: Take, directory: str | os.PathLike[str] | None = None, stem: str | None = None) -> SavedTake:
    """Write `STEM.mid` and `STEM.json` into a folder (None: the user's), never over another file.

    A name in use gets "-2", "-3" …. A folder that cannot be written is passed over for the user's data directory, the
    home folder, then the system's folder for temporary files; `UsageError` when none of them takes it.
    """
    if not take.header.created:
        now = datetime.datetime.now().astimezone().isoformat(timespec="seconds")
        take = replace(take, header=replace(take.header, created=now))
    if not take.header.scorer:
        take = replace(take, header=replace(take.header, scorer=__version__))
    midi = take_midi(take)
    record = record_bytes(record_of(take, hashlib.sha256(midi).hexdigest()))
    name = _safe_stem(stem) if stem is not None else _default_stem(take)
    wanted = takes_dir(directory)
    troubles: list[str] = []
    for folder in _folders(wanted):
        try:
            path = _put(folder, name, midi, record)
        except OSError as error:
            troubles.append(f"{folder}: {error.strerror or error}")
            continue
        remark = None if not troubles else f"could not write to {troubles[0]}; the take is kept in {path}"
        return SavedTake(path, remark)
    raise UsageError(
        "the take cannot be written anywhere: " + "; ".join(troubles) + "; free some space or give --takes DIR"
    )


def _folders(wanted: Path) -> Iterator[Path]:
    seen: set[Path] = set()
    makers: tuple[Callable[[], Path], ...] = (lambda: wanted, takes_dir, _home_folder, _temporary_folder)
    for make in makers:
        with contextlib.suppress(OSError, RuntimeError):
            folder = make()
            if folder not in seen:
                seen.add(folder)
                yield folder


def _home_folder() -> Path:
    return Path.home() / f"{APP_NAME}-takes"


def _temporary_folder() -> Path:
    return Path(tempfile.gettempdir()) / f"{APP_NAME}-takes"


def _put(directory: Path, stem: str, midi: bytes, record: bytes) -> Path:
    """Both files into a folder under the first free name; `OSError` leaves nothing of them behind."""
    directory.mkdir(parents=True, exist_ok=True)
    _sweep(directory)
    aside: list[Path] = []
    try:
        for body in (midi, record):
            temporary = _aside(directory)
            aside.append(temporary)
            _write_synced(temporary, body)
        for attempt in range(1, MAX_SAME_NAME):
            name = stem if attempt == 1 else f"{stem}-{attempt}"
            final = directory / f"{name}.mid"
            beside = directory / f"{name}.json"
            if final.exists() or beside.exists() or not claim(aside[1], beside):
                continue
            try:
                claimed = claim(aside[0], final)
            except OSError:
                beside.unlink(missing_ok=True)
                raise
            if not claimed:  # another trainer took the name between the two steps
                beside.unlink(missing_ok=True)
                aside[1] = _aside(directory)
                _write_synced(aside[1], record)
                continue
            _sync_folder(directory)
            return final
        raise OSError(errno.EEXIST, f"{MAX_SAME_NAME} takes are named {stem}")
    finally:
        for temporary in aside:
            with contextlib.suppress(OSError):
                temporary.unlink(missing_ok=True)


def replace_take(take: Take, path: Path) -> None:
    """Other notes in the files of a take: JSON first, then MIDI, each in one step. `UsageError` if it cannot be."""
    midi = take_midi(take)
    record = record_bytes(record_of(take, hashlib.sha256(midi).hexdigest()))
    try:
        for body, final in ((record, path.with_suffix(".json")), (midi, path)):
            temporary = _aside(path.parent)
            _write_synced(temporary, body)
            temporary.replace(final)
        _sync_folder(path.parent)
    except OSError as error:
        raise UsageError(f"{path} stays as it was: {error.strerror or error}") from None


def _aside(directory: Path) -> Path:
    return directory / f".{secrets.token_hex(8)}.tmp"


def _sweep(directory: Path) -> None:
    """Take away what a killed program left aside long ago; a file that is being written is younger."""
    with contextlib.suppress(OSError):
        for left in directory.glob(".*.tmp"):
            if len(left.stem) == 17 and time.time() - left.stat().st_mtime > STALE_S:
                left.unlink(missing_ok=True)


def _write_synced(path: Path, body: bytes) -> None:
    with path.open("xb") as handle:
        handle.write(body)
        handle.flush()
        os.fsync(handle.fileno())


def _sync_folder(directory: Path) -> None:
    """Make the names last; not every system lets a folder be opened."""
    with contextlib.suppress(OSError):
        handle = os.open(directory, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _default_stem(take: Take) -> str:
    stamp = "".join(letter if letter.isdigit() else "-" for letter in take.header.created[:16])
    return _safe_stem(f"{stamp} {_title(take)}")


def _safe_stem(stem: str) -> str:
    """A file name that every system takes: letters, digits, dots and dashes, at most 80 of them."""
    plain = unicodedata.normalize("NFKD", stem).encode("ascii", "ignore").decode()
    kept = "".join(letter if letter.isalnum() or letter in "._-" else "-" for letter in plain)
    while "--" in kept:
        kept = kept.replace("--", "-")
    return kept.strip("-.")[:80] or "take"


# --- listing ------------------------------------------------------------------------------------------------------


class _Columns(msgspec.Struct):
    onset_s: list[msgspec.Raw] = []


class _Song(msgspec.Struct):
    title: str = ""
    key: str = ""
    tempo_bpm: float = 0.0


class _Brief(msgspec.Struct):
    created: str
    completed: bool
    notes: _Columns
    session: _Song | None = None


def list_takes(directory: str | os.PathLike[str] | None = None) -> list[TakeEntry]:
    """The MIDI files of a folder (None: the user's takes), newest first; an empty list where there is no folder."""
    folder = takes_dir(directory)
    try:
        files = [item for item in folder.iterdir() if item.suffix.lower() in (".mid", ".midi")]
    except FileNotFoundError:
        return []
    except OSError as error:
        raise UsageError(f"cannot read the folder of takes {folder}: {error.strerror or error}") from None
    entries = []
    for file in files:
        with contextlib.suppress(OSError):  # gone since the folder was read
            entries.append(_entry(file))
    return sorted(entries, key=lambda entry: (entry.created, entry.path.name), reverse=True)


def _entry(file: Path) -> TakeEntry:
    modified = datetime.datetime.fromtimestamp(file.stat().st_mtime).astimezone().isoformat(timespec="seconds")
    beside = file.with_suffix(".json")
    try:
        brief = msgspec.json.decode(beside.read_bytes(), type=_Brief)
    except FileNotFoundError:
        return TakeEntry(file, modified)
    except (OSError, msgspec.MsgspecError, UnicodeDecodeError, RecursionError, TrainerError) as error:
        return TakeEntry(file, modified, error=f"{beside.name}: {' '.join(str(error).split())[:200]}")
    song = brief.session
    return TakeEntry(
        path=file,
        created=brief.created or modified,
        n_notes=len(brief.notes.onset_s),
        title=None if song is None else song.title,
        key=None if song is None else song.key,
        tempo_bpm=None if song is None else song.tempo_bpm,
        completed=brief.completed,
    )
