"""Mains hum taken out of a recording: it goes on through notes and rests alike, so it is learned in the rests.

In each stretch with enough rests the multiples of 50 or 60 Hz are fitted to the quiet samples by least squares, at
the frequency within 0.12 Hz that explains them best: the mains wander by some hundredths of a hertz.
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
_LEAST_S: Final = 0.3  # of quiet in a stretch
_WANDER_HZ: Final = 0.12
_SAME_HZ: Final = 0.01
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
    edges = _edges(quiet, rate_hz)
    if not edges:
        return same
    best: tuple[float, float, NDArray[np.float32]] = (0.0, 0.0, same[0])
    for mains in _MAINS_HZ:
        out = tone.astype(np.float64)
        told = total = 0.0
        places = [first + np.flatnonzero(quiet[first:last]) for first, last in edges]
        each = np.array([_frequency(tone, at, mains, rate_hz) for at in places])
        usual = float(np.median(each))
        near = usual
        for (first, last), at, own in zip(edges, places, each.tolist(), strict=True):
            near = usual if abs(own - usual) < _SAME_HZ else own  # so near, the stretch is too short to tell
            found = _fit(tone, at, near, np.arange(1, int(TONE_HZ[1] / mains) + 1), rate_hz)
            turn = np.exp(2j * np.pi * near / rate_hz * np.arange(first, last))
            wave = np.ones(last - first, complex)
            for size in found:
                wave = wave * turn
                out[first:last] -= (size * wave).real
            total += float((tone[at].astype(np.float64) ** 2).sum())
            told += float((out[at] ** 2).sum())
        share = 1 - told / total if total > 0 else 0.0
        if share > best[0]:
            best = share, near, out.astype(np.float32)
    share, near, cleaned = best
    return (cleaned, near) if share > _SHARE else same


def _edges(quiet: NDArray[np.bool_], rate_hz: float) -> list[tuple[int, int]]:
    """The recording in stretches of at least three seconds with enough quiet in each."""
    step = round(_BLOCK_S * rate_hz)
    out: list[tuple[int, int]] = []
    first = 0
    for last in range(step, len(quiet) + step, step):
        if quiet[first:last].sum() >= _LEAST_S * rate_hz:
            out.append((first, min(last, len(quiet))))
            first = last
    if out and out[-1][1] < len(quiet):
        out[-1] = (out[-1][0], len(quiet))
    return out


def _frequency(tone: Floats, at: NDArray[np.int_], mains_hz: float, rate_hz: float) -> float:
    """The frequency near the mains whose first and third multiple explain the quiet samples best."""
    span = (at[-1] - at[0]) / rate_hz
    tried = mains_hz + np.linspace(-_WANDER_HZ, _WANDER_HZ, int(np.clip(2 * _WANDER_HZ * span * 6, 9, 81)) | 1)
    few = np.array([1, 3])
    energy = [float((_basis(at, f, few, rate_hz) @ _solved(tone, at, f, few, rate_hz)).var()) for f in tried]
    k = int(np.clip(np.argmax(energy), 1, len(tried) - 2))
    a, b, c = energy[k - 1 : k + 2]
    bend = a - 2 * b + c
    shift = float(np.clip(0.5 * (a - c) / bend, -1, 1)) if bend < 0 else 0.0
    return float(tried[k] + shift * (tried[1] - tried[0]))


def _basis(at: NDArray[np.int_], hz: float, multiples: NDArray[np.int_], rate_hz: float) -> Doubles:
    angle = 2 * np.pi * hz / rate_hz * np.outer(at, multiples)
    return np.concatenate([np.cos(angle), -np.sin(angle)], axis=1)


def _solved(tone: Floats, at: NDArray[np.int_], hz: float, multiples: NDArray[np.int_], rate_hz: float) -> Doubles:
    basis = _basis(at, hz, multiples, rate_hz)
    square: Doubles = basis.T @ basis
    square = square + 1e-6 * np.trace(square) / len(square) * np.eye(len(square))
    return np.asarray(np.linalg.solve(square, basis.T @ tone[at].astype(np.float64)), np.float64)


def _fit(
    tone: Floats, at: NDArray[np.int_], hz: float, multiples: NDArray[np.int_], rate_hz: float
) -> NDArray[np.complex128]:
    """Complex sizes of the multiples: the hum is the real part of size · exp(i·2π·k·hz·t)."""
    found = _solved(tone, at, hz, multiples, rate_hz)
    return np.asarray(found[: len(multiples)] + 1j * found[len(multiples) :])
