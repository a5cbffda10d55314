"""Filters and framing of the ear: everything that turns samples into the few signals which the rest reads.

Conventions: sound is `float32 (n,)`, full scale ±1; filters are linear in phase and centred, so that nothing moves
in time.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import lru_cache
from typing import Any, Final, Protocol

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "ATTACK_HZ",
    "PIECE_S",
    "TONE_HZ",
    "Floats",
    "Sliced",
    "Steady",
    "attack_kernel",
    "band_kernel",
    "clean",
    "decimated",
    "factor_of",
    "filtered",
    "pieces",
    "rumble_kernel",
    "without_thump",
]

Floats = NDArray[np.floating[Any]]


class Sliced(Protocol):
    """A recording read by slices: an array, or a file that is too long to be held."""

    def __len__(self) -> int: ...

    def __getitem__(self, span: slice, /) -> Floats: ...


ATTACK_HZ: Final = 1200.0  # the attack is read below this: fingernail and pick clicks lie above it (our choice)
TONE_HZ: Final = (15.0, 700.0)  # B0 is 30.9 Hz; the strings' own motion, with less of fingers and frets (our choice)
_WORKING_HZ: Final = 8000.0
_DRIFT_BLOCK_S: Final = 0.05
_DRIFT_BLOCKS: Final = 21  # about a second: far below any string
PIECE_S: Final = 20.0  # how much of a recording is worked on at a time: a few MB (our choice)
_MARGIN_S: Final = 0.25  # longer than half of any kernel here


def clean(samples: Floats) -> NDArray[np.float32]:
    """The samples as finite float32 within ±8 of full scale, in an array of their own: what is no number is silence."""
    sound = np.array(samples, dtype=np.float32).reshape(-1)
    np.nan_to_num(sound, copy=False, nan=0.0, posinf=0.0, neginf=0.0)
    return np.clip(sound, -8.0, 8.0, out=sound)


class Steady:
    """A recording about its own zero, read by slices, as finite float32: what an input adds as a constant, or as one
    that wanders over seconds, is taken away (the mean of the second around), or every first swing would be read
    against it."""

    def __init__(self, samples: Sliced, rate_hz: float) -> None:
        self._samples, self._rate = samples, rate_hz

    def __len__(self) -> int:
        return len(self._samples)

    def __getitem__(self, span: slice, /) -> NDArray[np.float32]:
        first, last, _ = span.indices(len(self))
        block = max(1, round(_DRIFT_BLOCK_S * self._rate))
        begin = max(0, first // block - _DRIFT_BLOCKS) * block  # as much around it as the mean needs
        part = clean(self._samples[begin : (last // block + _DRIFT_BLOCKS) * block])
        return _without_drift(part, self._rate)[first - begin : last - begin]


def _without_drift(sound: NDArray[np.float32], rate_hz: float) -> NDArray[np.float32]:
    """`Steady` of a stretch that begins at a block's edge; changed in place."""
    size = max(1, round(_DRIFT_BLOCK_S * rate_hz))
    n = len(sound) // size
    if n == 0:
        sound -= sound.mean() if len(sound) else 0.0
        return sound
    middle = sound[: n * size].reshape(n, size).mean(axis=1, dtype=np.float64)
    box = np.ones(min(_DRIFT_BLOCKS, n))
    around = np.convolve(middle, box, "same") / np.convolve(np.ones(n), box, "same")
    edge = np.concatenate([around[:1], (around[1:] + around[:-1]) / 2, around[-1:]]).astype(np.float32)
    ramp = (np.arange(size, dtype=np.float32) + 0.5) / size
    sound[: n * size].reshape(n, size)[:] -= edge[:-1, None] * (1 - ramp) + edge[1:, None] * ramp
    sound[n * size :] -= edge[-1]
    return sound


def without_thump(sound: Floats) -> NDArray[np.float64]:
    """A few periods without the parabola that fits them best: the slow push of a finger that leaves the string."""
    u = np.linspace(-1.0, 1.0, len(sound))
    flat = sound - np.mean(sound, dtype=np.float64)
    bend = u * u - np.mean(u * u)
    return np.asarray(flat - u * (flat @ u) / (u @ u) - bend * (flat @ bend) / (bend @ bend))


def factor_of(rate_hz: float) -> int:
    """By how much a rate is divided to come near 8 kHz, where pitch and likeness are read."""
    return max(1, round(rate_hz / _WORKING_HZ))


@lru_cache(maxsize=32)
def band_kernel(rate_hz: float, low_hz: float, high_hz: float, seconds: float) -> NDArray[np.float32]:
    """A centred band-pass (Hann-windowed sinc) of odd length; `low_hz` 0 makes a low-pass with gain 1 at 0 Hz."""
    half = max(4, round(seconds * rate_hz / 2))
    n = np.arange(-half, half + 1)
    window = np.hanning(2 * half + 3)[1:-1]
    upper: NDArray[np.float64] = 2 * high_hz / rate_hz * np.sinc(2 * high_hz / rate_hz * n) * window
    upper = upper / upper.sum()
    if low_hz <= 0:
        return np.asarray(upper, np.float32)
    lower: NDArray[np.float64] = 2 * low_hz / rate_hz * np.sinc(2 * low_hz / rate_hz * n) * window
    band = upper - lower / lower.sum()
    return np.asarray(band, np.float32)


@lru_cache(maxsize=8)
def attack_kernel(rate_hz: float) -> NDArray[np.float32]:
    """The low-pass under which an attack's first swing is defined: 1 / (1 + (f / 1200 Hz)⁴), no shift in time.

    It is a second-order Butterworth filter run forth and back.
    """
    size = 4096
    f = np.fft.rfftfreq(size, 1 / rate_hz)
    response = np.fft.irfft(1 / (1 + (f / ATTACK_HZ) ** 4), size)
    half = round(0.002 * rate_hz)
    return np.concatenate([response[-half:], response[: half + 1]]).astype(np.float32)


def filtered(sound: Floats, kernel: Floats, every: int = 1) -> NDArray[np.float32]:
    """`sound` through a centred kernel, of its length, or only each `every`th sample of that; blocks of FFTs, so that
    nothing but the result grows with the sound."""
    n, k = len(sound), len(kernel)
    half = k // 2
    if n == 0:
        return np.zeros(0, np.float32)
    size = 1 << max(12, int(np.ceil(np.log2(8 * k))))
    step = size - k + 1
    spectrum = np.fft.rfft(kernel, size)
    blocks = -(-(n + half) // step)
    out = np.empty(-(-n // every), np.float32)
    for first in range(0, blocks, 64):  # 64 at a time: a few MB
        count = min(64, blocks - first)
        begin = first * step - (k - 1)  # of the sound; what lies outside it is silence
        part = np.zeros(count * step + k - 1, np.float32)
        inside = sound[max(begin, 0) : max(begin + len(part), 0)]
        part[max(-begin, 0) :][: len(inside)] = inside
        frames = np.lib.stride_tricks.sliding_window_view(part, size)[::step]
        done = np.fft.irfft(np.fft.rfft(frames, axis=1) * spectrum, size, axis=1)[:, k - 1 :].reshape(-1)
        to = np.arange(first * step - half, first * step - half + len(done))  # where each sample belongs
        keep = (to >= 0) & (to < n) & (to % every == 0)
        out[to[keep] // every] = done[keep]
    return out


def pieces(n: int, piece: int, margin: int) -> Iterator[tuple[int, int, int, int]]:
    """(begin, first, last, end): first to last covers 0 … n piece by piece, begin to end is that with its margins."""
    for first in range(0, n, piece):
        last = min(n, first + piece)
        yield max(0, first - margin), first, last, min(n, last + margin)


def decimated(sound: Sliced, rate_hz: float) -> tuple[NDArray[np.float32], NDArray[np.float32], float]:
    """(tone band 15–700 Hz, what lies above it up to 3.4 kHz, their rate of about 8 kHz); sample k lies at k·factor
    of the old ones."""
    factor = factor_of(rate_hz)
    rate = rate_hz / factor
    n = -(-len(sound) // factor)
    tone, upper = np.empty(n, np.float32), np.empty(n, np.float32)
    for begin, first, last, end in pieces(n, round(PIECE_S * rate), round(_MARGIN_S * rate)):
        inner = slice(first - begin, last - begin)
        wide = filtered(sound[begin * factor : end * factor], band_kernel(rate_hz, 0.0, 3400.0, 0.004), factor)
        low = filtered(wide, band_kernel(rate, 0.0, TONE_HZ[1], 0.006))
        tone[first:last] = filtered(low, rumble_kernel(rate))[inner]
        upper[first:last] = (wide - low)[inner]
    return tone, upper, rate


@lru_cache(maxsize=8)
def rumble_kernel(rate_hz: float) -> NDArray[np.float32]:
    """A one-pole high-pass at 15 Hz as a centred kernel with nothing before its middle: what is sudden stays sudden."""
    tau = rate_hz / (2 * np.pi * TONE_HZ[0])
    half = round(6 * tau)
    tail = np.exp(-np.arange(half + 1) / tau)
    kernel = np.zeros(2 * half + 1)
    kernel[half:] = -tail / tail.sum()
    kernel[half] += 1.0
    return kernel.astype(np.float32)
