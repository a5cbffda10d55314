"""Latency from taps and single notes: what to take off a note's time, and how sure that is.

Goal: `lateness = base + periods / f0`, in milliseconds after the click as it was written, fitted from notes played to
a click. `base` is everything that does not depend on pitch: output latency, air, input latency, *and the player's own
habit*. A pitch tracker needs a number of periods of the string before it can tell the note (at least two: Fonseca &
Tavares 2020), so low notes come later.

What such a fit cannot do is tell a machine's latency from a person's habit: people tap 30–50 ms ahead of a click,
musicians less, little or not at all with music (Aschersleben & Prinz 1995; Repp 2005, Psychon Bull Rev 12:969–992). A
fit to a click is therefore said to be a latency *as you tap*; where the driver states its output latency the rest is
given beside it.

Method: each click takes its nearest note, after a global phase that lets the latency be up to half a click interval
(as scoring does). Least squares with t-intervals; notes beyond 4.5 robust SD are left out (our choice: of normal notes
that is one in 150,000, so the interval keeps its coverage); widened by √((1+r)/(1−r)), r the lag-1 correlation of
neighbouring residuals corrected by +(2 + 4r)/n, at least 1: a player's errors are not independent.
`trainer.scoring.clean` takes the delay off when scoring. Coverage by simulation: tests/scoring/test_latency.py.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from trainer.scoring.clean import pitch_hz
from trainer.scoring.stats import t_quantile
from trainer.take.model import Calibration

__all__ = [
    "EARLY_HABIT",
    "LatencyFit",
    "fit_latency",
]

Floats = NDArray[np.float64]

MIN_NOTES = 8  # under this no interval is given (the project's definition)
TARGET_HALF_WIDTH_MS = 3.0  # sure enough: half the 6 ms at which a displaced tone is noticed (Friberg & Sundberg 1995)
DOUBTED_HALF_WIDTH_MS = 10.0  # a calibration less sure than that moves figures that are judged by 6 ms; our choice
DOUBTED_SD_MS = 25.0  # taps that scatter more follow no click: people's spread is under half of it; our choice
_OUTLIER_SD = 4.5
_MAX_WANTED = 500
_MIN_SPREAD = 1.5  # highest over lowest fundamental; under a fifth apart, periods cannot be told from base (our choice)
EARLY_HABIT = (
    # Aschersleben & Prinz 1995; Repp 2005.
    "people tap 30 to 50 ms ahead of a click, musicians less: "
    "this is the latency as you tap, and part of it may be habit"
)


@dataclass(frozen=True, slots=True)
class LatencyFit:
    """`base_ms` and `periods` with 95 % intervals; None where they cannot be told, and `why` says so.

    `sd_ms`: spread of the notes about the fit. `half_width_ms`: the widest half-interval of the delay over the
    pitches played. `n` notes used, `n_left_out` outliers, `n_missing` clicks without a note, `n_wanted` more notes
    for a half-width of 3 ms (0: enough). `drift_ms`: the last third of the notes less the first, as they lie about the
    fit.
    """

    base_ms: float | None
    base_ci95_ms: tuple[float, float] | None
    periods: float | None
    periods_ci95: tuple[float, float] | None
    sd_ms: float | None
    half_width_ms: float | None
    n: int
    n_left_out: int
    n_missing: int
    n_wanted: int
    lag1: float | None = None
    drift_ms: float | None = None
    pitches: tuple[float, float] | None = None
    why: Mapping[str, Mapping[str, str]] = field(default_factory=dict)

    @property
    def doubt(self) -> str | None:
        """Why this fit is not to be relied on, in words; None when it is."""
        if self.base_ms is None or self.base_ci95_ms is None or self.half_width_ms is None or self.sd_ms is None:
            return self.sentence
        if self.half_width_ms <= DOUBTED_HALF_WIDTH_MS and self.sd_ms <= DOUBTED_SD_MS:
            return None
        seen = f"the notes scatter by {self.sd_ms:.0f} ms, sure to ±{self.half_width_ms:.0f} ms"
        if self.drift_ms is not None and abs(self.drift_ms) > DOUBTED_HALF_WIDTH_MS:
            way = "later and later" if self.drift_ms > 0 else "earlier and earlier"
            seen += f", and came {way}, by {abs(self.drift_ms):.0f} ms from the first third to the last"
        return (
            f"{seen}; wanted: a scatter of at most {DOUBTED_SD_MS:g} ms and ±{DOUBTED_HALF_WIDTH_MS:g} ms: "
            "stay with the click, one note to each"
        )

    @property
    def sentence(self) -> str:
        """The fit in one line for the person."""
        if self.base_ms is None or self.base_ci95_ms is None:
            return next((reason["text"] for reason in self.why.values()), "no note was played")
        text = f"{self.base_ms:.1f} ms (95 %: {self.base_ci95_ms[0]:.1f} to {self.base_ci95_ms[1]:.1f})"
        if self.periods is not None and self.periods_ci95 is not None:
            low, high = self.periods_ci95
            text += f" and {self.periods:.2f} periods of the note ({low:.2f} to {high:.2f})"
        text += f", from {self.n} notes"
        if self.n_wanted:
            text += f"; {self.n_wanted} more would make it sure to {TARGET_HALF_WIDTH_MS:g} ms"
        return text

    def calibration(
        self,
        *,
        output_ms: float | None = None,
        monitor: bool = False,
        made: str = "",
        ports: tuple[str, str] = ("", ""),
    ) -> Calibration:
        """What is kept for a pair of ports. `ValueError` while there is no base.

        `output_ms`: what the sound output's driver states. The notes' song position holds it already, so that all of
        the base is then the input's (and the habit's). None, as with a click on MIDI out: the base is both sides
        together, and the input's share is not known.
        """
        if self.base_ms is None:
            raise ValueError(f"nothing to keep: {self.sentence}")
        return Calibration(
            base_ms=self.base_ms,
            periods=self.periods or 0.0,
            base_ci95_ms=self.base_ci95_ms,
            periods_ci95=self.periods_ci95,
            output_ms=output_ms,
            input_ms=None if output_ms is None else self.base_ms,
            monitor=monitor,
            n=self.n,
            made=made,
            ports=ports,
        )

    def to_dict(self) -> dict[str, Any]:
        """Plain data: the fields, intervals as lists."""
        out: dict[str, Any] = {}
        for name in self.__slots__:
            value = getattr(self, name)
            out[name] = list(value) if isinstance(value, tuple) else value
        out["why"] = {key: dict(reason) for key, reason in self.why.items()}
        return out


def fit_latency(onsets_s: ArrayLike, clicks_s: ArrayLike, pitch: ArrayLike | None = None) -> LatencyFit:
    """Latency from notes (n,) played to clicks (m,), both in seconds of one clock, rising.

    `pitch` (n,) MIDI pitches as reported: fits `periods` too, when they reach over at least a fifth. None: taps,
    `base` alone. Empty input gives a fit without figures and with the reason; `ValueError` for lists that do not
    match.
    """
    onsets = np.asarray(onsets_s, dtype=np.float64)
    clicks = np.asarray(clicks_s, dtype=np.float64)
    pitches = None if pitch is None else np.asarray(pitch, dtype=np.float64)
    if onsets.ndim != 1 or clicks.ndim != 1 or (pitches is not None and pitches.shape != onsets.shape):
        raise ValueError(
            f"onsets, clicks and pitches must be plain lists, one pitch a note ({onsets.shape}, {clicks.shape})"
        )
    click_idx, note_idx = _matched(onsets, clicks)
    lateness_ms = (onsets[note_idx] - clicks[click_idx]) * 1e3
    n_missing = len(clicks) - len(click_idx)
    inverse = None
    why: dict[str, dict[str, str]] = {}
    span = None
    if pitches is not None and len(note_idx):
        f0 = pitch_hz(pitches[note_idx])
        span = (float(pitches[note_idx].min()), float(pitches[note_idx].max()))
        if f0.max() / f0.min() >= _MIN_SPREAD:
            inverse = 1e3 / f0
        else:
            why["periods"] = {
                "code": "one_pitch",
                "text": "the notes lie within a fifth: play from the lowest string up the neck, an octave or more",
            }
    n = len(lateness_ms)
    if n < MIN_NOTES:
        need = MIN_NOTES - n
        text = f"too few notes: {n} on a click or beat, at least {need} more wanted"
        reason = {"code": "too_few", "text": text}
        base = float(np.median(lateness_ms)) if n and inverse is None else None
        fields = ("base_ci95_ms", "sd_ms") if base is not None else ("base_ms", "base_ci95_ms", "sd_ms")
        return LatencyFit(
            base,
            None,
            None,
            None,
            None,
            None,
            n,
            0,
            n_missing,
            need,
            pitches=span,
            why={**dict.fromkeys(fields, reason), **why},
        )
    return _fitted(lateness_ms, inverse, n_missing, span, why)


def _matched(onsets: Floats, clicks: Floats) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Indices of clicks and of the notes nearest to them once a global phase is taken out; one to one, in order."""
    none = np.empty(0, dtype=np.intp)
    if not len(onsets) or not len(clicks):
        return none, none
    interval_s = float(np.median(np.diff(clicks))) if len(clicks) > 1 else 1.0
    nearest = np.clip(np.searchsorted(clicks, onsets), 1, max(len(clicks) - 1, 1))
    before, after = clicks[nearest - 1], clicks[np.minimum(nearest, len(clicks) - 1)]
    apart = np.where(np.abs(onsets - before) <= np.abs(onsets - after), onsets - before, onsets - after)
    turns = np.exp(2j * np.pi * apart / interval_s)
    phase_s = float(np.angle(np.sum(turns)) / (2.0 * np.pi) * interval_s)
    moved = onsets - phase_s
    at = np.searchsorted(moved, clicks)
    left, right = np.clip(at - 1, 0, None), np.clip(at, None, len(moved) - 1)
    closest = np.where(np.abs(moved[left] - clicks) <= np.abs(moved[right] - clicks), left, right)
    # Less than half an interval each way: no note can be two clicks' own.
    found = np.flatnonzero(np.abs(moved[closest] - clicks) <= 0.45 * interval_s)
    return found, closest[found]


def _fitted(
    lateness_ms: Floats,
    inverse: Floats | None,
    n_missing: int,
    span: tuple[float, float] | None,
    why: dict[str, dict[str, str]],
) -> LatencyFit:
    columns = [np.ones(len(lateness_ms))] + ([] if inverse is None else [inverse])
    design = np.column_stack(columns)
    keep = np.ones(len(lateness_ms), dtype=np.bool_)
    for _ in range(10):
        start = _robust(design, lateness_ms) if keep.all() else _least_squares(design[keep], lateness_ms[keep])
        apart = lateness_ms - design @ start
        scale = 1.4826 * float(np.median(np.abs(apart[keep] - np.median(apart[keep]))))
        again = np.abs(apart) <= _OUTLIER_SD * max(scale, 0.05)
        if again.sum() < MIN_NOTES or np.array_equal(again, keep):
            break
        keep = again
    x, y = design[keep], lateness_ms[keep]
    coefficients = _least_squares(x, y)
    residual: Floats = y - x @ coefficients
    n, k = x.shape
    sd_ms = math.sqrt(float(residual @ residual) / (n - k))
    lag1 = _lag1(residual, np.flatnonzero(keep))
    factor = max(1.0, math.sqrt((1.0 + lag1) / (1.0 - lag1)))
    covariance: Floats = np.asarray(np.linalg.inv(x.T @ x) * (sd_ms * factor) ** 2, dtype=np.float64)
    t = t_quantile(n - k)
    half = t * np.sqrt(np.diag(covariance))
    ends = x if inverse is None else np.array([[1.0, x[:, 1].min()], [1.0, x[:, 1].max()]])
    half_width = t * math.sqrt(float(np.max(np.einsum("ij,jk,ik->i", ends, covariance, ends))))
    wanted = n * ((half_width / TARGET_HALF_WIDTH_MS) ** 2 - 1.0)
    base = float(coefficients[0])
    periods = None if inverse is None else float(coefficients[1])
    return LatencyFit(
        base_ms=base,
        base_ci95_ms=(base - float(half[0]), base + float(half[0])),
        periods=periods,
        periods_ci95=None if periods is None else (periods - float(half[1]), periods + float(half[1])),
        sd_ms=sd_ms,
        half_width_ms=half_width,
        n=n,
        n_left_out=int((~keep).sum()),
        n_missing=n_missing,
        n_wanted=min(max(math.ceil(wanted), 0), _MAX_WANTED),
        lag1=lag1,
        drift_ms=float(np.mean(residual[-(n // 3) :]) - np.mean(residual[: n // 3])),
        pitches=span,
        why=why,
    )


def _least_squares(design: Floats, y: Floats) -> Floats:
    return np.asarray(np.linalg.lstsq(design, y, rcond=None)[0], dtype=np.float64)


def _robust(design: Floats, y: Floats) -> Floats:
    """Least absolute deviations by reweighting: where outliers cannot hide, to begin with."""
    found = _least_squares(design, y)
    for _ in range(12):
        weights = 1.0 / np.maximum(np.abs(y - design @ found), 0.05)
        weighted = design * weights[:, None]
        found = np.asarray(np.linalg.solve(design.T @ weighted, weighted.T @ y), dtype=np.float64)
    return found


def _lag1(residual: Floats, idx: NDArray[np.intp]) -> float:
    """Lag-1 correlation of residuals one click apart, bias-corrected, kept within ±0.9; 0 when too few pairs."""
    neighbours = np.flatnonzero(np.diff(idx) == 1)
    n = len(residual)
    power = float(residual @ residual) / n
    if len(neighbours) < MIN_NOTES or power <= 0.0:
        return 0.0
    r = float(np.mean(residual[neighbours] * residual[neighbours + 1])) / power
    return min(max(r + (2.0 + 4.0 * r) / n, -0.9), 0.9)
