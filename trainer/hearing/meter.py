"""For the sound check: how loud, how noisy, how much hum, and a tuner.

Levels are in dB below full scale (a sine of ±1 has a root mean square of −3 dBFS). Hum is power at the mains
frequency (50 or 60 Hz) and its odd and even multiples up to the seventh, found where nothing is played.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from trainer.hearing.pitch import Doubles, difference, period_range, periods, pitch_of
from trainer.hearing.signal import Floats, Sliced, clean, decimated

__all__ = ["Levels", "TunerReading", "levels", "tuner"]

_CLIP: Final = 0.985  # of the greatest size, where a sample repeats the one before
_QUIET_S: Final = 0.1
_MAINS_HZ: Final = (50.0, 60.0)


@dataclass(frozen=True, slots=True)
class Levels:
    """Of a stretch of sound. `peak_db` is the greatest sample, `loud_db` the root mean square of its loudest tenth
    of a second, `noise_db` that of its quietest, None where no quiet was to be had; `clipped_frac` the share of
    samples at a flat top. `hum_hz` is 50 or 60 where hum stands out of the quietest half second, with its level; else
    both None."""

    peak_db: float
    loud_db: float
    noise_db: float | None
    clipped_frac: float
    hum_hz: float | None
    hum_db: float | None


def levels(samples: Sliced, rate_hz: float) -> Levels:
    """Measured over at least a tenth of a second of sound; what is shorter counts as silence (−120 dB)."""
    size = max(1, round(_QUIET_S * rate_hz))
    n = len(samples) // size
    if n == 0:
        return Levels(-120.0, -120.0, -120.0, 0.0, None, None)
    greatest = max(float(np.abs(part).max()) for part in _parts(samples, size))
    variance, n_flat = [], 0
    for part in _parts(samples, size):
        whole = len(part) // size
        variance.append(part[: whole * size].reshape(whole, size).astype(np.float64).var(axis=1))
        flat = (np.abs(part[1:]) >= max(_CLIP * greatest, 1e-6)) & (np.abs(np.diff(part)) <= 1e-6 * greatest)
        n_flat += int(np.count_nonzero(flat))
    power = 10 * np.log10(np.concatenate(variance) + 1e-12)
    clipped = n_flat / max(len(samples) - 1, 1) if greatest > 0.05 else 0.0
    hum_hz, hum_db = _hum(samples, rate_hz, power, size)
    return Levels(
        peak_db=20 * float(np.log10(max(greatest, 1e-6))),
        loud_db=float(power.max()),
        noise_db=float(np.percentile(power, 5)),
        clipped_frac=clipped if clipped > 2e-4 else 0.0,
        hum_hz=hum_hz,
        hum_db=hum_db,
    )


def _parts(samples: Sliced, size: int) -> Iterator[NDArray[np.float32]]:
    """The samples as `clean` gives them, 256 blocks at a time, each with the first sample of what follows."""
    for first in range(0, len(samples), 256 * size):
        yield clean(samples[first : first + 256 * size + 1])


def _hum(samples: Sliced, rate_hz: float, power: Doubles, size: int) -> tuple[float | None, float | None]:
    """(mains frequency, level in dB) of the quietest half second, where its multiples hold most of the power below
    400 Hz."""
    need = round(0.5 / _QUIET_S)
    if len(power) < need:
        return None, None
    summed = np.convolve(10 ** (power / 10), np.ones(need), "valid")
    start = int(np.argmin(summed)) * size
    part = clean(samples[start : start + need * size]).astype(np.float64)
    window = np.hanning(len(part))
    spectrum = np.abs(np.fft.rfft((part - part.mean()) * window)) ** 2 / (window**2).sum() / len(part) * 2
    f = np.fft.rfftfreq(len(part), 1 / rate_hz)
    band = (f > 35) & (f < 400)
    total = float(spectrum[band].sum())
    best: tuple[float, float] = (0.0, 0.0)
    for mains in _MAINS_HZ:
        near = np.abs(f / mains - np.rint(f / mains)) * mains < 4.0
        share = float(spectrum[band & near].sum())
        if share > best[1]:
            best = (mains, share)
    chance = 8.0 / best[0] if best[0] else 1.0  # of a flat spectrum, this share falls near the multiples
    if total <= 0 or best[1] < min(0.9, 4 * chance) * total:
        return None, None
    return best[0], 10 * float(np.log10(best[1] + 1e-12))


@dataclass(frozen=True, slots=True)
class TunerReading:
    """The nearest note (MIDI number) and how far off it the string is; `doubt_cents` is the standard error of that.
    All None where no single string rings clearly."""

    pitch: int | None
    cents: float | None
    doubt_cents: float | None


def tuner(samples: Floats, rate_hz: float, a4_hz: float = 440.0) -> TunerReading:
    """Read the last half second or so of a ringing string (at least 0.15 s; the first 60 ms after a stroke are sharp
    and better left out)."""
    tone, _, rate = decimated(clean(samples), rate_hz)
    width = min(len(tone), round(0.18 * rate))
    if width < round(0.15 * rate):
        return TunerReading(None, None, None)
    hop = max(1, round(0.02 * rate))
    frames = np.lib.stride_tricks.sliding_window_view(tone, width)[::-hop][:20]
    period, clear = periods(frames, rate)
    heard = (clear > 0.9) & ((frames.astype(np.float64) ** 2).mean(axis=1) > 1e-7)
    if heard.sum() < max(1, len(frames) // 2):
        return TunerReading(None, None, None)
    typical = float(np.median(period[heard]))
    kept = heard & (np.abs(period - typical) < 0.03 * typical)
    if kept.sum() < max(1, len(frames) // 2):
        return TunerReading(None, None, None)
    exact = np.array([_exact(frame, p, rate) for frame, p in zip(frames[kept], period[kept], strict=True)])
    semitones = pitch_of(exact, rate, a4_hz)
    middle = float(np.median(semitones))
    note = round(middle)
    spread = 148.26 * float(np.median(np.abs(semitones - middle)))
    # frames overlap: about one in nine is new
    doubt = max(0.3, spread / np.sqrt(max(1.0, kept.sum() / 9)))
    return TunerReading(int(note), 100 * (middle - note), float(doubt))


def _exact(frame: Floats, period: float, rate_hz: float) -> float:
    """The period from the peak several periods away, where a cent is several times as wide."""
    _, longest = period_range(rate_hz)
    reach = max(longest, len(frame) // 2)
    turns = max(1, int(reach / period))
    curve = difference(frame[None], reach + 2)[0]
    for k in range(1, turns + 1):
        middle = round(k * period)
        if middle + 1 > reach:
            break
        low = max(1, middle - max(2, round(0.02 * middle)))
        part = curve[low : min(reach, middle + max(2, round(0.02 * middle))) + 1]
        at = low + int(np.argmax(part))
        if not 1 <= at <= reach:
            break
        a, b, c = curve[at - 1 : at + 2]
        bend = a - 2 * b + c
        shift = float(np.clip(0.5 * (a - c) / bend, -0.5, 0.5)) if bend < -1e-12 else 0.0
        period = (at + shift) / k
    return period
