"""Mains hum taken out: it goes on through notes and rests alike, so it is learned in the rests. Of a whole recording
by `take_hum_out`; while it is listened to by `Hum`, which knows the past alone.

In each stretch with enough rests the multiples of 50 or 60 Hz are fitted to the quiet samples by least squares, at
the frequency within 0.12 Hz that explains them best: the mains wander by some hundredths of a hertz.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from trainer.hearing.pitch import Doubles
from trainer.hearing.signal import TONE_HZ, Floats

__all__ = ["Hum", "take_hum_out"]

_MAINS_HZ: Final = (50.0, 60.0)
_BLOCK_S: Final = 3.0
_AT_ONCE: Final = 1 << 17  # samples
_FRAME_S: Final = 0.025
_QUIET_DB: Final = 6.0  # above the quietest twentieth
_LEAST_S: Final = 0.3  # of quiet in a stretch
_WANDER_HZ: Final = 0.12
_SAME_HZ: Final = 0.01
_SHARE: Final = 0.5  # of the quiet's power that must be hum
_LIVE_TOP_HZ: Final = 450.0
_EVEN_BLOCKS: Final = 6
_EVEN: Final = 2.0  # how much stronger the strongest of these blocks may be: a string dies away, hum does not
_FAINT_DB: Final = -72.0  # softer hum does no harm
_SURELY: Final = 0.9  # share where something may be sounding: a string a semitone off the mains has 0.75 at most
_LEAST_DOUBT_HZ: Final = 0.003
_TURN_DOUBT: Final = 0.005  # turns by which a phase may be misread
_LOUDER_DB: Final = 10.0  # that the music must be above its rests, or there are none


def take_hum_out(tone: NDArray[np.float32], rate_hz: float) -> tuple[float, float] | None:
    """Take the hum out of a tone band, in place; (mains frequency, its level in dBFS), None where the rests do not
    show any."""
    size = round(_FRAME_S * rate_hz)
    n = len(tone) // size
    if n < 20:
        return None
    frames = tone[: n * size].reshape(n, size)
    square = [(part.astype(np.float64) ** 2).mean(axis=1) for part in np.array_split(frames, n // 4000 + 1)]
    power = 10 * np.log10(np.concatenate(square) + 1e-12)
    low = float(np.percentile(power, 5))
    if np.percentile(power, 90) < low + _LOUDER_DB or low < -100:
        return None
    calm = power < low + _QUIET_DB
    calm &= np.convolve(calm, np.ones(3), "same") == 3  # away from the edges of notes
    quiet = np.repeat(calm, size)
    if quiet.sum() < 2 * _LEAST_S * rate_hz:
        return None
    edges = _edges(quiet, rate_hz)
    if not edges:
        return None
    share, waves = max((_waves(tone, quiet, edges, mains, rate_hz) for mains in _MAINS_HZ), key=lambda found: found[0])
    if share <= _SHARE:
        return None
    taken = 0.0
    for (first, last), (hz, sizes) in zip(edges, waves, strict=True):
        for begin in range(first, last, _AT_ONCE):
            turn = np.exp(2j * np.pi * hz / rate_hz * np.arange(begin, min(last, begin + _AT_ONCE)))
            wave, hum = np.ones(len(turn), complex), np.zeros(len(turn))
            for one in sizes:
                wave = wave * turn
                hum += (one * wave).real
            tone[begin : begin + len(hum)] -= hum.astype(np.float32)
            taken += float((hum**2).sum())
    return waves[-1][0], 10 * float(np.log10(taken / len(tone) + 1e-12))


def _waves(
    tone: Floats, quiet: NDArray[np.bool_], edges: list[tuple[int, int]], mains_hz: float, rate_hz: float
) -> tuple[float, list[tuple[float, NDArray[np.complex128]]]]:
    """(share of the quiet's power that hum at about `mains_hz` tells; its frequency and the sizes of its multiples in
    each stretch)."""
    each = [_frequency(tone, first + np.flatnonzero(quiet[first:last]), mains_hz, rate_hz) for first, last in edges]
    usual = float(np.median(each))
    multiples = np.arange(1, int(TONE_HZ[1] / mains_hz) + 1)
    told = total = 0.0
    waves = []
    for (first, last), own in zip(edges, each, strict=True):
        at = first + np.flatnonzero(quiet[first:last])
        near = usual if abs(own - usual) < _SAME_HZ else own  # so near, the stretch is too short to tell
        found = _solved(tone, at, near, multiples, rate_hz)
        level = tone[at].astype(np.float64)
        total += float((level**2).sum())
        told += float(((level - _basis(at, near, multiples, rate_hz) @ found) ** 2).sum())
        # the hum is the real part of size · exp(i·2π·k·hz·t)
        waves.append((near, found[: len(multiples)] + 1j * found[len(multiples) :]))
    return (1 - told / total if total > 0 else 0.0), waves


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


class Hum:
    """Hum while it is listened to. `taken_from` takes what is known of it out of each block; `learn` is shown, in a
    rest, the last 0.3 s of the thinned sound (from which that was taken already): what is left there is added, and
    how its phase has turned since corrects the frequency."""

    def __init__(self, rate_hz: float, gain_kernel: Floats) -> None:
        self._rate = rate_hz
        self._kernel = np.asarray(gain_kernel, np.float64)
        self._hz = 0.0
        self._sizes = np.zeros(0, complex)  # of the multiples, at frame `_at`
        self._at = self._first = 0.0
        self._doubt_hz = _WANDER_HZ / 2
        self._wave = np.zeros((0, 0), complex)

    @property
    def hz(self) -> float | None:
        """The mains frequency, None while no hum is known."""
        return self._hz or None

    def taken_from(self, block: NDArray[np.float32], first_frame: int) -> NDArray[np.float32]:
        if not self._hz:
            return block
        k = np.arange(1, len(self._sizes) + 1)
        if self._wave.shape != (len(k), len(block)):
            self._wave = np.exp(2j * np.pi * self._hz / self._rate * np.outer(k, np.arange(len(block))))
        since_s = (first_frame - self._at) / self._rate
        sure = np.exp(-0.5 * (2 * np.pi * self._doubt_hz * since_s * k) ** 2)  # the farther from a rest, the less
        sizes = self._sizes * sure * np.exp(2j * np.pi * self._hz * k * since_s)
        return np.asarray(block - (sizes @ self._wave).real, np.float32)

    def learn(self, rest: Floats, first_frame: float, factor: int, at_rest: bool) -> None:
        """`rest` are samples `factor` frames apart from `first_frame` on; `at_rest`: nothing is known to sound."""
        size = len(rest) // _EVEN_BLOCKS
        even = rest[: size * _EVEN_BLOCKS].reshape(_EVEN_BLOCKS, size).astype(np.float64).var(axis=1)
        if even.min() <= 0 or 10 * np.log10(even.max()) < _FAINT_DB or even.max() > _EVEN * even.min():
            return
        middle = len(rest) / 2
        at = np.arange(len(rest)) - middle
        total = float(even.mean()) * len(rest)
        best: tuple[float, float, NDArray[np.complex128]] = (0.0, 0.0, self._sizes)
        for hz in (self._hz,) if self._hz else _MAINS_HZ:
            # As many as at first: 450 Hz is the ninth of 50, and no longer of a mains that runs a little fast.
            multiples = np.arange(1, (len(self._sizes) or int(_LIVE_TOP_HZ / hz)) + 1)
            basis = _basis(at, hz, multiples, self._rate / factor)  # type: ignore[arg-type]
            level = rest.astype(np.float64) - rest.mean()
            square = basis.T @ basis
            found = np.linalg.solve(
                square + 1e-6 * np.trace(square) / len(square) * np.eye(len(square)), basis.T @ level
            )
            share = 1 - float(((level - basis @ found) ** 2).sum()) / max(total, 1e-20)
            if share > best[0]:
                best = share, hz, found[: len(multiples)] + 1j * found[len(multiples) :]
        share, hz, sizes = best
        if share < (_SHARE if at_rest else _SURELY):
            return
        k = np.arange(1, len(sizes) + 1)
        n = np.arange(len(self._kernel)) - len(self._kernel) // 2
        sizes = sizes / (np.cos(2 * np.pi * hz / self._rate * np.outer(k, n)) @ self._kernel)
        now = first_frame + middle * factor
        if not self._hz:
            self._first = now
        else:
            since = now - self._at
            before = self._sizes * np.exp(2j * np.pi * self._hz * k * since / self._rate)
            sure = np.exp(-0.5 * (2 * np.pi * self._doubt_hz * since / self._rate * k) ** 2)
            sizes = before * sure + sizes
            if since > 0:
                tried = np.linspace(-_WANDER_HZ, _WANDER_HZ, 241)
                turned = np.exp(-2j * np.pi * since / self._rate * np.outer(tried, k))
                fits = (turned @ (sizes * before.conj())).real
                off = float(tried[int(np.argmax(fits))])
                known_s = (now - self._first) / self._rate
                hz += off * max(0.25, since / self._rate / known_s)  # a long acquaintance turns slowly
                self._doubt_hz = max(_LEAST_DOUBT_HZ, _TURN_DOUBT / known_s)
        self._hz, self._sizes, self._at = hz, sizes, now
        self._wave = np.zeros((0, 0), complex)
