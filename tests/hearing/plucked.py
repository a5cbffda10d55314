"""A plucked string made here, so that the ear's tests run without recordings.

Ideal string by its modes (Fletcher & Rossing, *The Physics of Musical Instruments*, ch. 2): pluck and pickup at
stated places, stiffness (mode k at k·f0·√(1 + B·k²)), upper modes dying sooner, the pitch sharp at first. The true
onset is 25 % of the first strong swing below 1.2 kHz of the clean note, read with scipy.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.signal import butter, sosfiltfilt

__all__ = ["Pluck", "laid", "onset_of", "string"]


@dataclass(frozen=True, slots=True)
class Pluck:
    """A stroke; `kind` "dead" has no pitch; `steps` are (seconds after it, semitones from its pitch, seconds to get
    there)."""

    at_s: float
    duration_s: float
    pitch: float
    velocity: int = 90
    kind: str = "note"
    steps: tuple[tuple[float, float, float], ...] = ()


def string(
    pitch: float,
    seconds: float,
    rate_hz: float,
    rng: np.random.Generator,
    *,
    bright: float = 1.0,
    sharp: float = 0.3,
    steps: tuple[tuple[float, float, float], ...] = (),
    lowest: int = 1,
) -> NDArray[np.float64]:
    """One note. `bright` 1 is a pick near the bridge, 0.3 a thumb; `sharp` semitones at the stroke, gone within
    about 60 ms."""
    n = round(seconds * rate_hz)
    t = np.arange(n, dtype=np.float32) / np.float32(rate_hz)
    f0 = 440.0 * 2 ** ((pitch - 69) / 12)
    away = sharp * np.exp(-t / 0.02)
    for at, semitones, takes in steps:
        away = away + semitones * np.clip((t - at) / max(takes, 1 / rate_hz), 0, 1)
    bend = 2 ** (away / 12)
    phase = (2 * np.pi * f0 * np.cumsum(bend, dtype=np.float64) / rate_hz).astype(np.float32)
    pluck, pickup = rng.uniform(0.1, 0.25), rng.uniform(0.08, 0.2)
    out = np.zeros(n, np.float32)
    for k in range(lowest, int(min(24, 3500 * bright / f0)) + 1):
        size = np.sin(np.pi * k * pluck) / k * np.sin(np.pi * k * pickup) * np.exp(-((k * f0 / (2500 * bright)) ** 2))
        decay = np.float32(0.9 + 0.5 * k + (k * f0 / 900) ** 2)
        out += np.float32(size) * np.sin(np.float32(k * np.sqrt(1 + 6e-5 * k * k)) * phase) * np.exp(-t * decay)
    click = rng.standard_normal(n) * np.exp(-t / 0.002) * 0.01 * np.abs(out).max()
    return (out + click) / np.abs(out).max() * rng.choice([-1.0, 1.0])


def onset_of(note: NDArray[np.float64], rate_hz: float) -> float:
    """Frames from the note's start to its onset."""
    lead = round(0.02 * rate_hz)
    low = sosfiltfilt(
        butter(2, 1200, fs=rate_hz, output="sos"), np.concatenate([np.zeros(lead), note[: round(0.2 * rate_hz)]])
    )
    part = low[: lead + round(0.02 * rate_hz)]
    size = np.abs(part)
    tops = np.flatnonzero((size[1:-1] >= size[:-2]) & (size[1:-1] > size[2:]) & (size[1:-1] >= 0.35 * size.max())) + 1
    k = int(tops[0])
    while k > 0 and part[k - 1] * np.sign(part[tops[0]]) >= 0.25 * size[tops[0]]:
        k -= 1
    return float(k - lead)


def laid(
    line: list[Pluck],
    rate_hz: float = 48000.0,
    *,
    seed: int = 1,
    bright: float = 1.0,
    peak: float = 0.5,
    noise: float = 3e-4,
    sharp: float = 0.3,
    lowest: int = 1,
) -> tuple[NDArray[np.float32], list[Pluck]]:
    """The line as sound with each onset on its time, and the line."""
    rng = np.random.default_rng(seed)
    end = max(p.at_s + p.duration_s for p in line) + 0.6
    out = np.zeros(round(end * rate_hz))
    for p in line:
        note = string(
            p.pitch, p.duration_s + 0.08, rate_hz, rng, bright=bright, sharp=sharp, steps=p.steps, lowest=lowest
        )
        if p.kind == "dead":
            note = note * np.exp(-np.arange(len(note)) / rate_hz / 0.01)
            note += 0.3 * rng.standard_normal(len(note)) * np.exp(-np.arange(len(note)) / rate_hz / 0.01)
        t = np.arange(len(note)) / rate_hz
        note *= np.where(t < p.duration_s, 1.0, np.exp(-(t - p.duration_s) / 0.012)) * (p.velocity / 127) ** 2
        start = round(p.at_s * rate_hz - onset_of(note, rate_hz))
        out[start : start + len(note)] += note[: len(out) - start]
    out *= peak / np.abs(out).max()
    return (out + noise * rng.standard_normal(len(out))).astype(np.float32), line
