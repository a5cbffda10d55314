"""Mains hum taken out of a recording: it goes on through notes and rests alike, so it is learned in the rests.

In each few seconds the multiples of 50 or 60 Hz are fitted to the quiet samples by least squares; between, size and
phase go over linearly. The mains wander by some hundredths of a hertz: the turn of the phase from one fit to the
next gives the frequency as it is.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from trainer.hearing.pitch import Doubles
from trainer.hearing.signal import TONE_HZ, Floats

__all__ = ["without_hum"]

_MAINS_HZ: Final = (50.0, 60.0)
_BLOCK_S: Final = 3.0
_FRAME_S: Final = 0.025
_QUIET_DB: Final = 6.0  # above the quietest twentieth
_LEAST_S: Final = 0.25  # of quiet in a block
_SHARE: Final = 0.5  # of the quiet's power that must be hum
_LOUDER_DB: Final = 10.0  # that the music must be above its rests, or there are none


def without_hum(tone: Floats, rate_hz: float) -> tuple[NDArray[np.float32], float | None]:
    """(the tone band without hum, the mains frequency); (as it was, None) where the rests do not show any."""
    same = np.asarray(tone, np.float32), None
    size = round(_FRAME_S * rate_hz)
    n = len(tone) // size
    if n < 20:
        return same
    power = 10 * np.log10((tone[: n * size].reshape(n, size).astype(np.float64) ** 2).mean(axis=1) + 1e-12)
    low = float(np.percentile(power, 5))
    if np.percentile(power, 90) < low + _LOUDER_DB or low < -100:
        return same
    calm = power < low + _QUIET_DB
    calm &= np.convolve(calm, np.ones(3), "same") == 3  # away from the edges of notes
    quiet = np.repeat(calm, size)
    if quiet.sum() < 2 * _LEAST_S * rate_hz:
        return same
    best: tuple[float, float, list[int], list[NDArray[np.complex128]]] = (0.0, 0.0, [], [])
    for mains in _MAINS_HZ:
        exact = mains
        for _ in range(2):
            centres, sizes, share = _fits(tone, quiet, exact, rate_hz)
            if not centres:
                return same
            exact += _turned_hz(centres, sizes, rate_hz)
        if abs(exact - mains) < 0.5 and share > best[0]:
            best = share, exact, centres, sizes
    share, exact, centres, sizes = best
    if share < _SHARE:
        return same
    at = np.arange(len(tone))
    turn = np.exp(2j * np.pi * exact / rate_hz * at)
    out = tone.astype(np.float64)
    wave = np.ones(len(tone), complex)
    for k in range(len(sizes[0])):
        wave = wave * turn
        amplitude = np.interp(at, centres, [s[k].real for s in sizes]) + 1j * np.interp(
            at, centres, [s[k].imag for s in sizes]
        )
        out -= (amplitude * wave).real
    return out.astype(np.float32), exact


def _fits(
    tone: Floats, quiet: NDArray[np.bool_], mains_hz: float, rate_hz: float
) -> tuple[list[int], list[NDArray[np.complex128]], float]:
    """(middle, complex sizes of the multiples) of each block with enough quiet, and the share of the quiet's power
    that they explain."""
    multiples = np.arange(1, int(TONE_HZ[1] / mains_hz) + 1)
    block = round(_BLOCK_S * rate_hz)
    centres: list[int] = []
    sizes: list[NDArray[np.complex128]] = []
    told = total = 0.0
    for first in range(0, len(tone), block):
        at = first + np.flatnonzero(quiet[first : first + block])
        if len(at) < _LEAST_S * rate_hz:
            continue
        angle = 2 * np.pi * mains_hz / rate_hz * np.outer(at, multiples)
        basis = np.concatenate([np.cos(angle), -np.sin(angle)], axis=1)
        y = tone[at].astype(np.float64)
        square = basis.T @ basis
        square += 1e-6 * np.trace(square) / len(square) * np.eye(len(square))
        found: Doubles = np.linalg.solve(square, basis.T @ y)
        k = len(multiples)
        centres.append(int(at.mean()))
        sizes.append(found[:k] + 1j * found[k:])
        total += float(y @ y)
        told += float(y @ y) - float(((y - basis @ found) ** 2).sum())
    return centres, sizes, told / total if total > 0 else 0.0


def _turned_hz(centres: list[int], sizes: list[NDArray[np.complex128]], rate_hz: float) -> float:
    """How much the mains differ from the frequency fitted, from how the strongest multiple turns between
    neighbouring blocks."""
    if len(centres) < 2:
        return 0.0
    table = np.array(sizes)
    k = int(np.argmax(np.abs(table).mean(axis=0)))
    product = table[1:, k] * table[:-1, k].conj()
    seconds = np.diff(centres) / rate_hz
    near = seconds < 1.5 * _BLOCK_S
    if not near.any():
        return 0.0
    return float(np.angle(product[near].sum()) / (2 * np.pi * seconds[near].mean()) / (k + 1))
