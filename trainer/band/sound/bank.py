"""The bank of instrument sounds: made at first use, kept in the user's cache directory, read back as mapped memory.

One file an instrument and sample rate, written aside and renamed. Where the cache cannot be written or a file is
damaged the sounds are made anew in memory; nothing depends on the cache. File: magic, length of a JSON index, the
index, then 16-bit samples.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import struct
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import platformdirs
from numpy.typing import NDArray

from trainer._version import __version__
from trainer.aside import written_aside
from trainer.band.sound import synth
from trainer.music.grooves import pattern as drums

__all__ = ["INSTRUMENTS", "Sound", "cache_dir", "instrument", "within_reach"]

_BANK_VERSION = 17  # raise when a sound changes
_MAGIC = b"TRSOUND1"

Frames = NDArray[np.int16]


@dataclass(frozen=True)
class Sound:
    """One strike or note: 16-bit frames (n, 2), or (n, 1) for the middle; `scale` makes 1.0 full scale."""

    frames: Frames
    scale: float
    loops: bool = False


# Instrument → its sounds, keyed (note, layer, strike).
Key = tuple[int, int, int]
_LAYERS = 3  # of force, for drums
_STRIKES = 3  # different strikes a layer
_RIDE_STRIKES = 5  # its ring is heard longest
_HAT_METAL = 42  # one pair of plates, however it is struck


def _drum_sounds(rate_hz: int) -> Iterator[tuple[Key, synth.Floats, bool]]:
    # note → (pan, wet, number of strikes)
    stands = {
        drums.KICK: (0.0, 0.25),
        drums.SIDE_STICK: (-0.12, 0.5),
        drums.SNARE: (-0.08, 0.7),
        drums.CLOSED_HAT: (0.34, 0.3),
        drums.PEDAL_HAT: (0.34, 0.3),
        drums.OPEN_HAT: (0.34, 0.3),
        drums.LOW_TOM: (-0.4, 0.6),
        drums.MID_TOM: (-0.1, 0.6),
        drums.HIGH_TOM: (0.2, 0.6),
        drums.CRASH: (0.45, 0.35),
        drums.RIDE: (-0.38, 0.3),
        drums.RIDE_BELL: (-0.38, 0.3),
    }
    for note, (pan, wet) in stands.items():
        n_strikes = 2 if note in (drums.CRASH, drums.RIDE_BELL, drums.OPEN_HAT) else _STRIKES
        n_strikes = _RIDE_STRIKES if note == drums.RIDE else n_strikes
        for layer in range(_LAYERS):
            for strike in range(n_strikes):
                rng = np.random.default_rng([note, layer, strike])
                force = (0.15, 0.5, 0.95)[layer]
                yield (note, layer, strike), synth.in_room(_strike(note, rate_hz, force, rng), rate_hz, pan, wet), False


def _strike(note: int, rate_hz: int, force: float, rng: np.random.Generator) -> synth.Floats:
    if note == drums.KICK:
        return synth.kick(rate_hz, force, rng)
    if note == drums.SNARE:
        return synth.snare(rate_hz, force, rng)
    if note == drums.SIDE_STICK:
        return synth.side_stick(rate_hz, force, rng)
    if note in (drums.LOW_TOM, drums.MID_TOM, drums.HIGH_TOM):
        return synth.tom(rate_hz, {drums.LOW_TOM: 92.0, drums.MID_TOM: 128.0, drums.HIGH_TOM: 172.0}[note], force, rng)
    if note in (drums.CLOSED_HAT, drums.PEDAL_HAT, drums.OPEN_HAT):
        decay_s = {drums.CLOSED_HAT: 0.032 + 0.012 * force, drums.PEDAL_HAT: 0.04, drums.OPEN_HAT: 0.28}[note]
        metal = np.random.default_rng(_HAT_METAL)
        return synth.hat(rate_hz, decay_s, force, rng, metal, dull=note == drums.PEDAL_HAT)
    kind = {drums.CRASH: "crash", drums.RIDE: "ride", drums.RIDE_BELL: "bell"}[note]
    metal = np.random.default_rng(drums.RIDE if kind == "bell" else note)
    return synth.cymbal(rate_hz, kind, force, rng, metal)


def _pitched(name: str, rate_hz: int) -> Iterator[tuple[Key, synth.Floats, bool]]:
    low, high, n_layers, pan, wet = {
        "electric_piano": (56, 76, 2, -0.22, 0.5),
        "chop": (60, 81, 2, 0.42, 0.6),
        "lead": (60, 84, 2, 0.08, 0.4),
        "guide": (23, 67, 2, 0.0, 0.0),
    }[name]
    make = {
        "electric_piano": synth.electric_piano_tone,
        "chop": synth.chop_tone,
        "lead": synth.guitar_tone,
        "guide": synth.bass_tone,
    }[name]
    for pitch in range(low, high + 1):
        for layer in range(n_layers):
            force = (0.25, 0.85)[layer]
            sound = make(rate_hz, float(pitch), force)
            if wet == 0.0 and pan == 0.0:  # in the middle and dry: kept as one side, at the level of each of two
                yield (pitch, layer, 0), (sound * np.float32(np.sqrt(0.5)))[:, None], False
            else:
                yield (pitch, layer, 0), synth.in_room(sound, rate_hz, pan, wet), False


def _looped(name: str, rate_hz: int) -> Iterator[tuple[Key, synth.Floats, bool]]:
    low, high, left, right = {"organ": (56, 76, 0.8, 0.6), "voice": (60, 74, 0.7, 0.72)}[name]
    sides = np.array([left, right], dtype=np.float32)
    for pitch in range(low, high + 1):
        if name == "organ":
            yield (pitch, 0, 0), np.outer(synth.organ_loop(rate_hz, float(pitch)), sides), True
        else:  # a layer a vowel
            for vowel in (*range(synth.N_VOWELS), synth.MURMUR):
                yield (pitch, vowel, 0), synth.voice_loop(rate_hz, float(pitch), vowel) * sides, True


_MAKERS = {
    "drums": lambda name, rate_hz: _drum_sounds(rate_hz),
    "electric_piano": _pitched,
    "chop": _pitched,
    "lead": _pitched,
    "guide": _pitched,
    "organ": _looped,
    "voice": _looped,
}
INSTRUMENTS = tuple(_MAKERS)


def cache_dir() -> Path:
    """Where made sounds are kept."""
    return Path(platformdirs.user_cache_dir("shuffle-partner", appauthor=False)) / "sounds"


def _make(name: str, rate_hz: int) -> tuple[dict[str, Any], Frames]:
    index: list[list[Any]] = []
    chunks: list[Frames] = []
    at = 0
    for key, sound, loops in _MAKERS[name](name, rate_hz):
        top = float(np.abs(sound).max(initial=0.0)) or 1.0
        frames = np.round(sound * (32767.0 / top)).astype(np.int16)
        index.append([*key, at, *frames.shape, top / 32767.0, loops])
        chunks.append(frames.ravel())
        at += frames.size
    return {"name": name, "rate_hz": rate_hz, "sounds": index, "n_samples": at}, np.concatenate(chunks)


def _path(name: str, rate_hz: int) -> Path:
    return cache_dir() / f"{name}-{rate_hz}-{__version__}-{_BANK_VERSION}.bin"


def _read(path: Path, name: str, rate_hz: int) -> tuple[dict[str, Any], Frames] | None:
    """The cached instrument, or None where the file is absent or not what it should be."""
    try:
        with path.open("rb") as handle:
            head = handle.read(12)
            if head[:8] != _MAGIC:
                return None
            n_index = struct.unpack("<I", head[8:])[0]
            raw = handle.read(n_index + 32)
            index_bytes, digest = raw[:n_index], raw[n_index:]
            if hashlib.sha256(index_bytes).digest() != digest:
                return None
            index = json.loads(index_bytes)
            offset = 12 + n_index + 32
            n_samples = int(index["n_samples"])
            if index["name"] != name or index["rate_hz"] != rate_hz:
                return None
            if os.fstat(handle.fileno()).st_size != offset + 2 * n_samples:
                return None
        frames = np.memmap(path, dtype="<i2", mode="r", offset=offset, shape=(n_samples,))
        return index, frames
    except (OSError, ValueError, KeyError, struct.error, TypeError):
        return None


def _write(path: Path, index: dict[str, Any], frames: Frames) -> None:
    """Keep an instrument; failure to write is no matter."""
    index_bytes = json.dumps(index).encode()
    with contextlib.suppress(OSError):
        path.parent.mkdir(parents=True, exist_ok=True)
        with written_aside(path) as out:
            out.write(_MAGIC + struct.pack("<I", len(index_bytes)) + index_bytes)
            out.write(hashlib.sha256(index_bytes).digest())
            out.write(frames.astype("<i2", copy=False).tobytes())


@lru_cache(maxsize=32)
def instrument(name: str, rate_hz: int) -> dict[Key, Sound]:
    """All sounds of an instrument at a sample rate, from the cache or made now: (note, layer, strike) → `Sound`."""
    path = _path(name, rate_hz)
    found = _read(path, name, rate_hz)
    if found is None:
        index, frames = _make(name, rate_hz)
        _write(path, index, frames)
    else:
        index, frames = found
    return {
        (note, layer, strike): Sound(frames[at : at + n * sides].reshape(n, sides), scale, loops)
        for note, layer, strike, at, n, sides, scale, loops in index["sounds"]
    }


def within_reach(pitch: int, sounds: Mapping[Key, Sound]) -> int:
    """The pitch or, where the instrument does not reach, the nearest of its octaves that it has."""
    pitches = {key[0] for key in sounds}
    low, high = min(pitches), max(pitches)
    return pitch + 12 * (max(0, -((pitch - low) // 12)) - max(0, -((high - pitch) // 12)))
