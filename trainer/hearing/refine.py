"""The unhurried second pass: a whole recording in, the notes that are scored out.

Strokes come from `strokes`; each stretch between two of them is read for its pitch, its end and whether it has a
pitch at all. A stretch that only goes on with the one before is joined to it; one that begins without an attack at
another pitch (hammer-on, pull-off) begins where the old period stops telling the sound and the new one starts.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from trainer.hearing.events import velocity_of
from trainer.hearing.meter import levels
from trainer.hearing.pitch import Doubles, periods, pitch_of
from trainer.hearing.signal import Floats, attack_kernel, clean, decimated, filtered
from trainer.hearing.strokes import HOP_S, Motion, motion, peaks, swing, turn

__all__ = ["HEARD_DTYPE", "Heard", "refine"]

HEARD_DTYPE: Final[np.dtype[Any]] = np.dtype(
    [
        ("onset_s", "f8"),
        ("duration_s", "f8"),
        ("pitch", "f4"),
        ("velocity", "u1"),
        ("settled", "?"),
        ("dead", "?"),
        ("loudness_db", "f4"),
    ]
)

_LEAST: Final = 1.3
_SILENT_DB: Final = -60.0
_APART_S: Final = 0.044


@dataclass(frozen=True, slots=True)
class Heard:
    """What a recording holds. `notes` has one row a stroke (`HEARD_DTYPE`), sorted by onset, seconds from the
    recording's start; `pitch` is in fractional semitones by `a4_hz`, NaN for a dead stroke. `refusal` says why this
    is not one bass, or is None."""

    notes: NDArray[Any]
    rate_hz: float
    seconds: float
    a4_hz: float
    tuning_cents: float | None
    level_db: float | None
    noise_db: float | None
    refusal: str | None


@dataclass(frozen=True, slots=True)
class _Stretch:
    onset: float  # frames of the tone band
    end: float
    pitch: float
    clear: float
    settled: bool
    level_db: float
    height: float
    step: bool


def refine(samples: Floats, rate_hz: float, a4_hz: float | None = None) -> Heard:
    """The notes of a recording of one bass, mono, float ±1. Pitches are counted from `a4_hz`; None takes the
    instrument's own tuning where it is clear (within a quarter tone of 440 Hz). An empty or silent recording gives
    no notes and a refusal."""
    sound = clean(samples)
    seconds = len(sound) / rate_hz
    measured = levels(sound, rate_hz)
    if measured.peak_db < _SILENT_DB:
        reason = f"silence: the loudest sample is {measured.peak_db:.0f} dBFS"
        return Heard(np.zeros(0, HEARD_DTYPE), rate_hz, seconds, a4_hz or 440.0, None, None, None, reason)
    tone, rate = decimated(sound, rate_hz)
    low = filtered(sound, attack_kernel(rate_hz))
    moves = motion(tone, rate)
    floor = float(np.percentile(moves.level_db, 95)) - 35 if len(moves.level_db) else 0.0
    height = np.clip(moves.rise_db, -10, 60) / 2.5 + 2 * (1 - np.clip(moves.like, 0, 1))
    height[moves.level_db < floor] = 0
    at = peaks(height, _LEAST, round(_APART_S / HOP_S))
    hop = round(moves.hop_s * rate)
    factor = rate_hz / rate
    onsets = []
    for k in at:
        o = swing(low, int(k * hop * factor), rate_hz)
        onsets.append(o / factor if o is not None else k * hop)
    rows = _judged(tone, rate, moves, np.array(onsets), height[at], k_of=at)
    notes = np.zeros(len(rows), HEARD_DTYPE)
    full = max((s.level_db for s in rows), default=0.0) + 3.0
    for i, s in enumerate(rows):
        notes[i] = (
            s.onset / rate,
            max(0.0, s.end - s.onset) / rate,
            s.pitch,
            velocity_of(s.level_db, full),
            s.settled,
            not np.isfinite(s.pitch),
            s.level_db,
        )
    cents = _tuning(notes)
    a4 = a4_hz if a4_hz is not None else 440.0 * 2 ** ((cents or 0.0) / 1200)
    notes["pitch"] -= np.float32(12 * np.log2(a4 / 440.0))
    return Heard(notes, rate_hz, seconds, a4, cents, measured.loud_db, measured.noise_db, None)


def _tuning(notes: NDArray[Any]) -> float | None:
    """By how many cents the settled notes lie off the semitones of A4 = 440 Hz, as a group (−50 … 50); None if they
    do not agree."""
    pitch = notes["pitch"][notes["settled"] & ~notes["dead"]].astype(np.float64)
    if len(pitch) < 8:
        return None
    middle = complex(np.exp(2j * np.pi * pitch).mean())
    if abs(middle) < 0.5:
        return None
    return float(np.angle(middle) / (2 * np.pi) * 100)


def _pitch(tone: Floats, rate: float, start: int, end: int) -> tuple[float, float, Doubles, Doubles]:
    """(period in frames, clearness) of a stretch, and the track it was read from."""
    size = end - start
    if size < 0.030 * rate:
        return 0.0, 0.0, np.zeros(0), np.zeros(0)
    width = int(min(size, 0.075 * rate))
    hop = max(1, int(0.005 * rate))
    frames = np.lib.stride_tricks.sliding_window_view(tone[start:end], width)[::hop][:60]
    track, clear = periods(frames, rate)
    if not (clear > 0).any():
        return 0.0, 0.0, track, clear
    good = clear >= 0.9 * clear.max()
    return float(np.median(track[good])), float(np.median(clear[good])), track, clear


def _judged(
    tone: Floats, rate: float, moves: Motion, onsets: Doubles, height: Doubles, k_of: NDArray[np.int_]
) -> list[_Stretch]:
    order = np.argsort(onsets, kind="stable")
    onsets, height, k_of = onsets[order], height[order], k_of[order]
    hop = moves.hop_s * rate
    out: list[_Stretch] = []
    n = len(tone)
    loud = np.percentile(moves.level_db, 95) if len(moves.level_db) else 0.0
    for i, onset in enumerate(onsets):
        stop = onsets[i + 1] if i + 1 < len(onsets) else n
        a, b = int(onset / hop), max(int(onset / hop) + 1, int(stop / hop))
        level = moves.level_db[a:b]
        if not len(level):
            continue
        peak = float(level[: max(1, int(0.06 / HOP_S))].max())
        # end: the last row that still sounds
        under = np.flatnonzero(level < max(peak - 24, loud - 40))
        length = (under[0] if len(under) else len(level)) * hop
        end = min(stop, onset + length)
        start = int(onset + 0.010 * rate)
        period, clear, _, _ = _pitch(tone, rate, start, int(min(end, stop - 0.003 * rate)))
        pitch = float(pitch_of(period, rate)) if period > 0 and clear > 0.7 else np.nan
        settled = bool(np.isfinite(pitch) and clear > 0.85)
        step = False
        if out and height[i] < 5:
            prev = out[-1]
            same = np.isfinite(pitch) and np.isfinite(prev.pitch) and abs(pitch - prev.pitch) < 0.5
            like = moves.like[max(0, k_of[i] - 1) : k_of[i] + 3].max()
            if (same and like > 0.75 and height[i] < 2.5) or (not np.isfinite(pitch) and height[i] < 2.5):
                out[-1] = _Stretch(
                    prev.onset,
                    max(prev.end, end),
                    prev.pitch,
                    prev.clear,
                    prev.settled,
                    prev.level_db,
                    prev.height,
                    prev.step,
                )
                continue
            if not same and np.isfinite(pitch) and np.isfinite(prev.pitch):
                step = True
                onset = turn(tone, int(k_of[i] * hop), rate, rate / (440 * 2 ** ((prev.pitch - 69) / 12)), period)
                out[-1] = _Stretch(
                    prev.onset,
                    min(prev.end, onset),
                    prev.pitch,
                    prev.clear,
                    prev.settled,
                    prev.level_db,
                    prev.height,
                    prev.step,
                )
        if not np.isfinite(pitch) and peak < loud - 20:
            continue
        out.append(_Stretch(float(onset), float(end), pitch, clear, settled, peak, float(height[i]), step))
    return out
