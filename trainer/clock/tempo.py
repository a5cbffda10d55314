"""Tempo map (beats ↔ seconds) and swing warp, vectorised.

Conventions: a beat is a quarter note, always; beat 0.0 and second 0.0 are the first downbeat of the first
chorus; times before it are negative. Both maps are extended with the first and last tempo.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["TempoMap", "swing_offbeat_frac", "swung_beats"]

Floats = NDArray[np.float64]


class TempoMap:
    """Piecewise-constant tempo: segment i starts at `beats[i]` = `seconds[i]` and lasts to the next.

    Built from (beat, bpm) pairs with rising beats; `ValueError` for an empty list, beats that do not rise or a
    tempo that is not positive and finite.
    """

    __slots__ = ("_spb", "beats", "bpm", "seconds")

    def __init__(
        self, segments: Iterable[tuple[float, float]] | Floats, *, second_of_first: float | None = None
    ) -> None:
        """`segments` may be an (n, 2) array.

        `second_of_first`: second of the first beat; None: second 0.0 at beat 0.0.
        """
        pairs = np.asarray(segments if isinstance(segments, np.ndarray) else list(segments), dtype=np.float64)
        if pairs.ndim != 2 or pairs.shape[0] == 0 or pairs.shape[1] != 2:
            raise ValueError("a tempo map needs at least one (beat, bpm) pair")
        beats, bpm = pairs[:, 0].copy(), pairs[:, 1].copy()
        if not np.all(np.isfinite(pairs)) or np.any(bpm <= 0.0):
            raise ValueError("tempi must be positive and finite")
        if np.any(np.diff(beats) <= 0.0):
            raise ValueError("beats of a tempo map must rise")
        self.beats: Floats = beats
        self.bpm: Floats = bpm
        self._spb: Floats = 60.0 / bpm
        seconds = np.concatenate(([0.0], np.cumsum(np.diff(beats) * self._spb[:-1])))
        self.seconds: Floats = seconds
        if second_of_first is None:
            self.seconds = seconds - self.seconds_at(0.0)
        else:
            self.seconds = seconds + second_of_first

    @classmethod
    def constant(cls, tempo_bpm: float) -> TempoMap:
        return cls([(0.0, tempo_bpm)])

    def seconds_at(self, beats: ArrayLike) -> Any:
        """Seconds of beats: array in, array out; a scalar in gives a float64 scalar."""
        x = np.asarray(beats, dtype=np.float64)
        i = np.clip(np.searchsorted(self.beats, x, side="right") - 1, 0, None)
        return self.seconds[i] + (x - self.beats[i]) * self._spb[i]

    def beats_at(self, seconds: ArrayLike) -> Any:
        """Beats of seconds: the inverse of `seconds_at`."""
        x = np.asarray(seconds, dtype=np.float64)
        i = np.clip(np.searchsorted(self.seconds, x, side="right") - 1, 0, None)
        return self.beats[i] + (x - self.seconds[i]) / self._spb[i]

    def bpm_at(self, beats: ArrayLike) -> Any:
        """Tempo in force at beats, in quarter notes a minute."""
        x = np.asarray(beats, dtype=np.float64)
        return self.bpm[np.clip(np.searchsorted(self.beats, x, side="right") - 1, 0, None)]


def swing_offbeat_frac(ratio: ArrayLike) -> Any:
    """Place of the swung off-beat in the beat, 0–1: r / (1 + r). 2:1 gives 2/3 (MusicXML 4.0 `<swing>`)."""
    r = np.asarray(ratio, dtype=np.float64)
    return r / (1.0 + r)


def swung_beats(beats: ArrayLike, ratio: float) -> Any:
    """Warp straight eighths to swung ones: phase 0.5 goes to r/(1+r), linear on either side; on-beats stay."""
    x = np.asarray(beats, dtype=np.float64)
    whole = np.floor(x)
    phase = x - whole
    off = ratio / (1.0 + ratio)
    return whole + np.where(phase <= 0.5, phase * 2.0 * off, off + (phase - 0.5) * 2.0 * (1.0 - off))
