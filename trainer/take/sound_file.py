"""Sound files in: one channel of a WAV, FLAC, AIFF, MP3 or Ogg file as float samples at a rate that the ear takes.

Which channel: the one that is asked for; else the only one; else the mean of those that hold the same (one of them,
where another holds it upside down); else the one that carries the bass while the others lie far under it. Two that
carry different sound are not guessed between. MP3, Ogg Vorbis and Opus are read too: a coder leaves onsets where they
are against each other (in trials 0.02 to 0.7 ms of standard deviation, down to 40 kbit/s), but may move all alike, so
that is said with it. Read in blocks by `soundfile`; samples that are not finite count as silence.

What a recorder that was cut off leaves is read as far as it goes: a WAV whose `data` says nothing, or only how long it
was at an earlier moment, although sound follows; a FLAC that does not say how long it is; one that ends within a frame.
(RIFF: a chunk is followed by the end or by another one, four letters and a length; a few bytes that are neither, as
some programs leave them, are no sound. RFC 9639, 8.2: 0 samples in all means that their number is unknown.)
"""

from __future__ import annotations

import contextlib
import hashlib
import itertools
import os
import tempfile
import weakref
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any, BinaryIO

import numpy as np
from numpy.typing import NDArray

from trainer.errors import FileFormatError, UsageError
from trainer.opened import opened

__all__ = ["SOUND_SUFFIXES", "Sound", "is_sound_file", "read_sound"]

SOUND_SUFFIXES = (".wav", ".wave", ".flac", ".aif", ".aiff", ".aifc")
CODED_SUFFIXES = (".mp3", ".ogg", ".oga", ".opus")
UNREAD_SUFFIXES = (".m4a", ".aac", ".wma", ".mp4", ".mov", ".3gp", ".amr", ".webm", ".caf")
UNREAD = (
    "a kind of recording that is not read; expected WAV, FLAC or AIFF (MP3 or Ogg at need): open it in a recording "
    "program and export it as WAV"
)
RATES_HZ = (44_100, 96_000)  # what the ear takes as it is
RESAMPLED_HZ = 48_000
MAX_MINUTES = 35.0  # half an hour of a loop; the ear takes a second and six megabytes for each. Our choice
SHORT_S = 0.1  # a coder's own padding is shorter
STRAY_BYTES = 1_024  # behind a WAV's samples and no chunk: an old tag, the rest of a sector, no sound. Our choice
MAX_CHANNELS = 128
MAX_SAMPLES = 400_000_000  # of all channels: 35 minutes of four at 48 kHz
BLOCK_SAMPLES = 262_144  # read at a time, of all channels
ALIKE = 0.98  # channels whose correlation is higher hold the same; our choice
FAR_UNDER_DB = 20.0  # what lies so far under the loudest channel is crosstalk or nothing; our choice

Floats = NDArray[np.float32]


class _Mended:
    """A file of which four bytes are read otherwise, as `soundfile` reads files."""

    def __init__(self, raw: BinaryIO, at: int, instead: bytes) -> None:
        self._raw, self._at, self._instead = raw, at, instead
        self.seek, self.tell = raw.seek, raw.tell

    def read(self, n: int = -1) -> bytes:
        first = self._raw.tell()
        out = bytearray(self._raw.read(n))
        for i, byte in enumerate(self._instead, self._at - first):
            if 0 <= i < len(out):
                out[i] = byte
        return bytes(out)


class Samples:
    """One channel of a file, read by slices when they are asked for, so that memory does not grow with the file.

    What is decoded or brought to another rate on the way lies in a temporary file meanwhile, as float32.
    """

    def __init__(self, file: Path, channel: int | None, n: int, copy: IO[bytes] | None) -> None:
        self._file, self._channel, self._n, self._copy = file, channel, n, copy
        if copy is not None:
            weakref.finalize(self, copy.close)

    def __len__(self) -> int:
        return self._n

    def __getitem__(self, span: slice, /) -> Floats:
        first, last, step = span.indices(self._n)
        if step != 1:
            raise ValueError(f"a step of {step}; expected samples one after another")
        if self._copy is not None:
            self._copy.seek(4 * first)
            return np.frombuffer(self._copy.read(4 * max(0, last - first)), np.float32)
        with _opened(self._file) as handle:
            blocks = [_one(block, self._channel) for block in _blocks(handle, first, last - first)]
        out = np.concatenate([np.zeros(0, np.float32), *blocks])
        return np.where(np.isfinite(out), out, np.float32(0))

    def __array__(self, dtype: Any = None, copy: bool | None = None) -> NDArray[Any]:
        return np.asarray(self[:], dtype)


@dataclass(frozen=True)
class Sound:
    """One channel of a file: `samples` (n,) at `rate_hz`; `channel` from 1, None for the mean of all.

    `file_rate_hz` is the file's own rate; `coded` says that it was compressed with loss, `broken_off` that it is
    shorter than it says, or does not say how long it is; `n_not_finite` counts samples that were no numbers.
    """

    samples: Samples
    rate_hz: int
    file_rate_hz: int
    channel: int | None
    n_channels: int
    sha256: str
    n_not_finite: int = 0
    coded: bool = False
    broken_off: bool = False

    @property
    def duration_s(self) -> float:
        return len(self.samples) / self.rate_hz


def is_sound_file(path: str | os.PathLike[str]) -> bool:
    """Whether a file's name says that it holds sound (compressed or not)."""
    return Path(path).suffix.lower() in SOUND_SUFFIXES + CODED_SUFFIXES + UNREAD_SUFFIXES


def read_sound(path: str | os.PathLike[str], channel: int | None = None) -> Sound:
    """One channel of a sound file. `channel` counts from 1; None finds it.

    `UsageError` for a file that is not there or a channel that must be chosen; `FileFormatError` for what is no sound
    file, is compressed in a way that is not read, or is too long.
    """
    file = Path(path)
    if file.suffix.lower() in UNREAD_SUFFIXES:
        raise FileFormatError(f"{file}: {UNREAD}")
    n_counted = _counted(file)
    with _opened(file) as handle:
        n_channels, rate_hz = handle.channels, handle.samplerate
        n_frames = handle.frames if n_counted is None else n_counted
        _refuse_what_is_no_song(handle, n_frames, file)
        if channel is not None and not 1 <= channel <= n_channels:
            raise UsageError(f"{file}: channel {channel}; it has {n_channels}; give one of them")
        chosen = channel or (1 if n_channels == 1 else _chosen(handle, n_frames, file))
        coded = file.suffix.lower() in CODED_SUFFIXES
        at_hz = rate_hz if RATES_HZ[0] <= rate_hz <= RATES_HZ[1] else RESAMPLED_HZ
        kept = coded or n_counted is not None or at_hz != rate_hz
        copy = tempfile.TemporaryFile() if kept else None  # noqa: SIM115 (`Samples` closes it)
        n_samples, n_bad = _read_through(handle, n_frames, chosen, at_hz, copy)
        is_short = n_samples / at_hz < n_frames / rate_hz - SHORT_S
        broken_off = n_counted is not None or is_short or isinstance(handle.name, _Mended)
    samples = Samples(file, chosen, n_samples, copy)
    return Sound(samples, at_hz, rate_hz, chosen, n_channels, _sha256(file), n_bad, coded, broken_off)


def _counted(file: Path) -> int | None:
    """Frames of a FLAC that does not say how many, or breaks off before; one more than are taken at most. Else None."""
    with _opened(file) as handle:
        if handle.format != "FLAC":
            return None
        n = sum(len(block) for block in _blocks(handle, 0, round(MAX_MINUTES * 60 * handle.samplerate) + 1))
        return n if n < handle.frames else None


def _read_through(
    handle: Any, n_frames: int, chosen: int | None, at_hz: int, copy: IO[bytes] | None
) -> tuple[int, int]:
    """(samples at `at_hz`, those in the file that are no numbers) of the whole file, written to `copy` on the way."""
    stream = None
    if at_hz != handle.samplerate:
        import soxr

        stream = soxr.ResampleStream(handle.samplerate, at_hz, 1, dtype="float32")
    n = n_bad = 0
    end = np.zeros((0, handle.channels), np.float32)
    for block in itertools.chain(_blocks(handle, 0, n_frames), [end]):
        one = _one(block, chosen)
        bad = ~np.isfinite(one)
        n_bad += int(np.count_nonzero(bad))
        if stream is not None:
            one = stream.resample_chunk(np.where(bad, np.float32(0), one), last=not len(block))
        if copy is not None:
            copy.write(one.astype(np.float32).tobytes())
        n += len(one)
    return n, n_bad


def _refuse_what_is_no_song(handle: Any, n_frames: int, file: Path) -> None:
    n_channels, rate_hz = handle.channels, handle.samplerate
    if not 0 < n_channels <= MAX_CHANNELS or not 1_000 <= rate_hz <= 1_000_000:
        raise FileFormatError(f"{file}: {n_channels} channels at {rate_hz} Hz; expected a recording of a bass")
    if n_frames > MAX_MINUTES * 60 * rate_hz:
        raise FileFormatError(
            f"{file}: {n_frames / rate_hz / 60:.0f} minutes; expected one song of at most {MAX_MINUTES:g}; "
            "cut the file into songs"
        )
    if n_frames * n_channels > MAX_SAMPLES:
        raise FileFormatError(
            f"{file}: {n_channels} channels of {n_frames / rate_hz / 60:.0f} minutes at {rate_hz} Hz; expected "
            "one song's recording; export the bass's channel alone"
        )


@contextlib.contextmanager
def _opened(file: Path) -> Iterator[Any]:
    import soundfile

    with opened(file, "a sound file") as raw:
        at = _unfinished_data(raw)
        raw.seek(4)
        is_film = raw.read(4) == b"ftyp"  # MP4 and its kin, whatever the name (ISO/IEC 14496-12, 4.3)
        raw.seek(0)
        if is_film:
            raise FileFormatError(f"{file}: {UNREAD}")
        try:
            source = os.fspath(file) if at is None else _Mended(raw, at, b"\xff\xff\xff\xff")
            with soundfile.SoundFile(source) as handle:
                yield handle
        except (soundfile.SoundFileError, OSError, MemoryError) as error:
            words = " ".join(str(error).split())[:160]
            raise FileFormatError(f"{file}: cannot be read as sound ({words}); expected WAV, FLAC or AIFF") from None


def _unfinished_data(raw: BinaryIO) -> int | None:
    """Where a WAV says how long its samples are, if they go on beyond that or end before; None where it is true."""
    size = os.fstat(raw.fileno()).st_size
    head = raw.read(12)
    if head[:4] != b"RIFF" or head[8:] != b"WAVE":
        return None
    at = 12
    while len(chunk := raw.read(8)) == 8:
        end = at + 8 + int.from_bytes(chunk[4:], "little")
        end += end % 2
        raw.seek(end)
        if chunk[:4] == b"data":
            behind = raw.read(8)
            whole = end + 8 + int.from_bytes(behind[4:], "little") <= size
            is_chunk = behind[:4].isascii() and behind[:4].decode().isprintable() and whole
            return None if size - STRAY_BYTES < end <= size + 1 or (end <= size and is_chunk) else at + 4
        at = end
    return None


def _one(block: Floats, chosen: int | None) -> Floats:
    """The chosen channel of a block, from 1, or the mean of all."""
    return np.asarray(block.mean(axis=1) if chosen is None else block[:, chosen - 1], np.float32)


def _blocks(handle: Any, first: int, n_left: int) -> Iterator[Floats]:
    """(n, n_channels) from frame `first` on, each block its own array; no more than the file's header says, and as far
    as it goes: only what cannot be read from its start is an error."""
    import soundfile

    handle.seek(first)
    # Of a FLAC about a frame at a time: one that is broken costs no more than itself.
    at_once = 4_096 if handle.format == "FLAC" else max(1, BLOCK_SAMPLES // handle.channels)
    n_read = 0
    while n_read < n_left:
        try:
            block = handle.read(min(n_left - n_read, at_once), dtype="float32", always_2d=True)
        except soundfile.SoundFileError:
            if not n_read:
                raise
            return
        if not len(block):
            return
        n_read += len(block)
        yield block


def _chosen(handle: Any, n_frames: int, file: Path) -> int | None:
    """The channel that carries the bass, from 1; None where all that sound hold the same."""
    n = handle.channels
    total, product = np.zeros(n), np.zeros((n, n))
    for raw in _blocks(handle, 0, n_frames):
        block = np.nan_to_num(np.clip(raw.astype(np.float64), -1e6, 1e6))
        total += block.sum(axis=0)
        product += block.T @ block
    energy = np.diag(product).copy()
    loudest = int(np.argmax(energy))
    if energy[loudest] <= 0.0:
        return 1
    sounding = np.flatnonzero(energy > energy[loudest] * 10.0 ** (-FAR_UNDER_DB / 10.0))
    if len(sounding) == 1:
        return loudest + 1
    alike = product[loudest, sounding] / np.sqrt(energy[loudest] * energy[sounding])
    if np.all(alike > ALIKE):
        return None if len(sounding) == n else loudest + 1
    if np.all(np.abs(alike) > ALIKE):
        return loudest + 1  # one cable turned round: their mean would be silence
    listed = ", ".join(str(i + 1) for i in sounding[:12].tolist())
    raise UsageError(
        f"{file}: channels {listed} carry different sound; expected one bass: choose one with --track N "
        "(trainer hear: --channel N)"
    )


def _sha256(file: Path) -> str:
    digest = hashlib.sha256()
    with file.open("rb") as handle:
        while piece := handle.read(1 << 20):
            digest.update(piece)
    return digest.hexdigest()
