"""Period and pitch.

The normalised square difference (McLeod & Wyvill 2005, "A smarter way to find pitch") of a stretch of sound is
2·r(τ)/m(τ): 1 where the stretch repeats after τ exactly, whatever its level; it is one minus half the normalised
difference of YIN (de Cheveigné & Kawahara 2002) and shares its rule against octaves: the first peak that comes near
the highest, not the highest. Peaks are refined by a parabola (both papers). A period needs two periods to be seen at
all (Fonseca & Tavares 2020), so no lag above two thirds of a stretch is trusted.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from trainer.hearing.signal import Floats

__all__ = ["HIGHEST_HZ", "LOWEST_HZ", "NEAR_BEST", "difference", "period_range", "periods", "pitch_of"]

LOWEST_HZ: Final = 28.5  # B0 of a five-string, a semitone flat and a bit
HIGHEST_HZ: Final = 430.0  # G4 and a bit
NEAR_BEST: Final = (
    0.8  # McLeod & Wyvill: between 0.8 and 1; a double bass whose body rings along needs the least of these
)

Doubles = NDArray[np.float64]


def pitch_of(period_frames: Floats | float, rate_hz: float, a4_hz: float = 440.0) -> Any:
    """Fractional semitones (69 is A4) of a period in samples."""
    return 69.0 + 12.0 * np.log2(rate_hz / (np.maximum(period_frames, 1e-9) * a4_hz))


def period_range(rate_hz: float) -> tuple[int, int]:
    """Least and greatest lag worth a look, in samples."""
    return max(2, int(rate_hz / HIGHEST_HZ)), int(np.ceil(rate_hz / LOWEST_HZ))


def difference(frames: Floats, longest: int, lead: NDArray[np.int_] | None = None) -> Doubles:
    """Normalised square difference of each row, lags 0 … longest; 0 where a row is silent. `lead` (rows,): how many
    zeros were put before each, to make them of one length."""
    n = frames.shape[1]
    size = 1 << int(np.ceil(np.log2(n + longest + 1)))
    spectrum = np.fft.rfft(frames, size, axis=1)
    product = np.fft.irfft(spectrum.real**2 + spectrum.imag**2, size, axis=1)[:, : longest + 1]
    energy = np.zeros((len(frames), n + 1))
    np.cumsum(frames.astype(np.float64) ** 2, axis=1, out=energy[:, 1:])
    lag = np.arange(longest + 1)
    if lead is None:
        both = energy[:, n - lag] + energy[:, [n]] - energy[:, lag]
    else:
        row = np.arange(len(frames))[:, None]
        both = energy[:, n - lag] + energy[:, [n]] - energy[row, np.minimum(lead[:, None] + lag, n)]
    return np.where(both > 1e-12 * n, 2 * product / np.maximum(both, 1e-12 * n), 0.0)


def periods(frames: Floats, rate_hz: float, lead: NDArray[np.int_] | None = None) -> tuple[Doubles, Doubles]:
    """(period in samples, clearness 0–1) of each row; (0, 0) where nothing repeats. `lead` as in `difference`."""
    shortest, longest = period_range(rate_hz)
    longest = min(longest, frames.shape[1] * 2 // 3)
    curve = difference(frames, longest + 1, lead)
    middle = curve[:, shortest : longest + 1]
    peak = (middle >= curve[:, shortest - 1 : longest]) & (middle > curve[:, shortest + 1 : longest + 2])
    if lead is not None:
        peak &= np.arange(shortest, longest + 1) <= (frames.shape[1] - lead[:, None]) * 2 // 3
    height = np.where(peak, middle, -1.0)
    best = height.max(axis=1, initial=-1.0)
    at = (height >= NEAR_BEST * best[:, None]).argmax(axis=1) + shortest
    row = np.arange(len(frames))
    before, here, after = curve[row, at - 1], curve[row, at], curve[row, at + 1]
    bend = before - 2 * here + after
    shift = np.where(bend < -1e-12, 0.5 * (before - after) / np.where(bend < -1e-12, bend, -1.0), 0.0)
    found = best > 0
    return np.where(found, at + np.clip(shift, -0.5, 0.5), 0.0), np.where(found, here, 0.0)
