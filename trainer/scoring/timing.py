"""Time: where the player sits against the beat, how steadily, where it goes, and what is left when the band is silent.

Goal: asynchrony figures that a timing lab would sign. On-beats are compared with the grid and, where the band's drums
vary, with the band's intended ride, hats and kick (then the headline). Positive is late.

Conventions: seconds inside, milliseconds in JSON. Mean with an autoregressive interval; drift by Theil–Sen per chorus
with the same widening; lag-1 and the correction gain for the curious. In a drop-out the mean inter-onset interval gives
the tempo (onset errors accumulate there, so a straight line through the onsets would look far too sure).

Sources: Wing & Kristofferson 1973 (two-level split), Vorberg & Schulze 2002 (phase correction), Jacoby, Keller, Repp,
Ahissar & Tishby 2015 (bounded least squares for the correction gain).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from trainer.clock.tempo import TempoMap
from trainer.scoring.reading import EXCUSED_DROP_OUT, EXCUSED_NAMES, Reading
from trainer.scoring.stats import (
    MIN_N,
    Ar1,
    Interval,
    Slope,
    ar1,
    detrended,
    mean_interval,
    median,
    robust_sd,
    t_interval,
    theil_sen,
)
from trainer.scoring.why import Why, ci, no_figure, number
from trainer.take.notes import Notes

__all__ = [
    "BeatTiming",
    "DropOutTiming",
    "Gain",
    "Split",
    "Timing",
    "band_reference_s",
    "correction_gain",
    "timing",
    "two_level_split",
]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

# General MIDI 1 percussion that carries the beat: kicks, rides, hats.
BEAT_DRUMS = (35, 36, 42, 44, 46, 51, 53, 59)
DRUM_CHANNEL = 9  # counted from 0
DRUM_REACH_BEATS = 0.12  # our choice: a drum this near to the beat belongs to it
BAND_VARIES_S = 0.0002  # our choice: under this the band is the grid
GAIN_MIN_N = 96  # the project's definition
LAG1_MIN_PAIRS = 16  # fewer: an interval of ±0.5 and more, and the corrected figure may pass −1; our choice
GAIN_UNCERTAIN = 0.7
THETA_MAX = (3.0 - math.sqrt(5.0)) / 2.0  # motor variance as large as the clock's: lag-1 correlation −1/3
CHI2_95 = 3.8415  # one degree of freedom
SPLIT_MIN_INTERVALS = 250
DRIFT_MIN_CHORUSES = 0.9  # our choice
FOREIGN_CHORUS_BEATS = 48  # without a session drift is per twelve bars of four


@dataclass(frozen=True, slots=True)
class BeatTiming:
    """On-beats of one beat of the bar: n, median, mean, detrended spread in seconds; the median in % of a beat."""

    beat: int
    n: int
    median_s: float
    mean_s: float
    robust_sd_s: float
    pct_of_beat: float

    def to_dict(self) -> dict[str, Any]:
        return {
            "beat": self.beat,
            "n": self.n,
            "median_ms": number(1000.0 * self.median_s, 2),
            "mean_ms": number(1000.0 * self.mean_s, 2),
            "robust_sd_ms": number(1000.0 * self.robust_sd_s, 2),
            "pct_of_beat": number(self.pct_of_beat, 2),
        }


@dataclass(frozen=True, slots=True)
class DropOutTiming:
    """One drop-out: the player's tempo against the song's in per cent (faster positive), and the re-entry."""

    chorus: int
    bars: tuple[int, int]
    n_intervals: int
    tempo_change_pct: Interval
    reentry_s: float
    why: Mapping[str, Why] = field(default_factory=dict)

    def to_dict(self) -> dict[str, Any]:
        return {
            "chorus": self.chorus,
            "bars": list(self.bars),
            "n_intervals": self.n_intervals,
            "tempo_change_pct": number(self.tempo_change_pct.estimate, 2),
            "tempo_change_ci95_pct": ci(self.tempo_change_pct, 2),
            "reentry_ms": number(1000.0 * self.reentry_s, 2),
            "why": {name: why.to_dict() for name, why in self.why.items()},
        }


@dataclass(frozen=True, slots=True)
class Gain:
    """Share of an asynchrony that the player corrects by the next beat, with its interval and the two spreads (s)."""

    alpha: Interval
    sd_clock_s: float
    sd_motor_s: float

    def to_dict(self) -> dict[str, Any]:
        return {
            "alpha": number(self.alpha.estimate, 3),
            "alpha_ci95": ci(self.alpha, 3),
            "n": self.alpha.n,
            "uncertain": bool(self.alpha.estimate > GAIN_UNCERTAIN),
        }


@dataclass(frozen=True, slots=True)
class Split:
    """Variances (s²) of the inner clock and of the hand, pooled over intervals without a band."""

    var_clock_s2: float
    var_motor_s2: float
    n_intervals: int


@dataclass(frozen=True)
class Timing:
    """Everything said about time. Missing figures are NaN here, null in JSON, and named in `why`.

    `usual_s`: the player's own place at each of `beat`: the median, moved along where a drift is sure.
    """

    reference: str
    mean: Interval
    median_s: float
    sd_s: float
    robust_sd_s: float
    drift: Slope
    lag1: Ar1
    lag1_ci95: tuple[float, float]
    gain: Gain | None
    per_beat: tuple[BeatTiming, ...]
    drop_outs: tuple[DropOutTiming, ...]
    split: Split | None
    grid_mean: Interval
    grid_median_s: float
    excused: Mapping[str, int]
    beat: Ints
    asynchrony_s: Floats
    usual_s: Floats
    why: Mapping[str, Why] = field(default_factory=dict)

    @property
    def strays_s(self) -> Floats:
        """How far each on-beat lies from the player's own place there, seconds, late positive."""
        return self.asynchrony_s - self.usual_s

    @property
    def n(self) -> int:
        return self.mean.n

    def to_dict(self) -> dict[str, Any]:
        low, high = self.lag1_ci95
        return {
            "n": self.mean.n,
            "reference": self.reference,
            "mean_ms": number(1000.0 * self.mean.estimate, 2),
            "mean_ci95_ms": ci(self.mean, 2, 1000.0),
            "median_ms": number(1000.0 * self.median_s, 2),
            "sd_ms": number(1000.0 * self.sd_s, 2),
            "robust_sd_ms": number(1000.0 * self.robust_sd_s, 2),
            "drift_ms_per_chorus": number(1000.0 * self.drift.slope, 3),
            "drift_ci95_ms_per_chorus": ci(self.drift, 3, 1000.0),
            "lag1": number(self.lag1.corrected, 3),
            "lag1_ci95": None if math.isnan(low) else [number(low, 3), number(high, 3)],
            "correction_gain": None if self.gain is None else self.gain.to_dict(),
            "per_beat": [beat.to_dict() for beat in self.per_beat],
            "drop_outs": [drop.to_dict() for drop in self.drop_outs],
            "two_level_split": None
            if self.split is None
            else {
                "clock_sd_ms": number(1000.0 * math.sqrt(max(self.split.var_clock_s2, 0.0)), 2),
                "motor_sd_ms": number(1000.0 * math.sqrt(max(self.split.var_motor_s2, 0.0)), 2),
                "n_intervals": self.split.n_intervals,
            },
            "grid": {
                "n": self.grid_mean.n,
                "mean_ms": number(1000.0 * self.grid_mean.estimate, 2),
                "median_ms": number(1000.0 * self.grid_median_s, 2),
            },
            "excused": dict(self.excused),
            "why": {name: why.to_dict() for name, why in self.why.items()},
        }


def band_reference_s(band: Notes, tempo: TempoMap, first_beat: int, n_beats: int) -> Floats:
    """How late the band's intended ride, hats and kick are at each whole beat, seconds: (m,), NaN where none plays.

    Several drums on one beat are averaged. `band` holds intended times; drums on channel 9 counted from 0.
    """
    out = np.full(n_beats, np.nan)
    drums = band[(band["channel"] == DRUM_CHANNEL) & np.isin(np.rint(band["pitch"]), BEAT_DRUMS)]
    if not len(drums) or n_beats == 0:
        return out
    at = np.asarray(tempo.beats_at(drums["onset_s"]), dtype=np.float64)
    whole = np.rint(at)
    row = (whole - first_beat).astype(np.int64)
    near = (np.abs(at - whole) <= DRUM_REACH_BEATS) & (row >= 0) & (row < n_beats)
    late = drums["onset_s"][near] - np.asarray(tempo.seconds_at(whole[near]), dtype=np.float64)
    count = np.bincount(row[near], minlength=n_beats)
    total = np.bincount(row[near], weights=late, minlength=n_beats)
    np.divide(total, count, out=out, where=count > 0)
    return out


def timing(reading: Reading, band: Notes | None = None) -> Timing:
    """The timing of a take. `band`: the band's intended notes, if known."""
    r = reading
    timed = (r.on_note_idx >= 0) & (r.beat_excused == 0) & (r.unplaced is None)
    rows = np.flatnonzero(timed)
    grid_async = r.on_asynchrony_s[rows]
    beats = r.first_beat_idx + rows
    grid_mean = mean_interval(grid_async, beats.astype(np.float64))
    grid_median = median(grid_async)
    asynchrony, reference = grid_async, "grid"
    shift = np.full(r.n_beats, np.nan)
    if band is not None and len(band) and len(rows):
        shift = band_reference_s(band, r.tempo, r.first_beat_idx, r.n_beats)
        played = ~np.isnan(shift[rows])
        # A band that keeps to the grid is the grid; one that hardly plays is no reference.
        if np.count_nonzero(played) >= 0.5 * len(rows) and np.nanmax(np.abs(shift[rows])) > BAND_VARIES_S:
            rows, reference = rows[played], "band"
            asynchrony = r.on_asynchrony_s[rows] - shift[rows]
            beats = r.first_beat_idx + rows
    position = beats.astype(np.float64)
    n = len(rows)
    why: dict[str, Why] = {}
    mean = mean_interval(asynchrony, position)
    x = _chorus_position(r, position)
    drift = theil_sen(asynchrony, x, position)
    if n and x[-1] - x[0] < DRIFT_MIN_CHORUSES:  # a slope of a few bars, drawn out to a chorus, tells nothing
        drift = Slope(math.nan, math.nan, math.nan, n)
    link = ar1(asynchrony, position)
    residual = detrended(asynchrony, position)
    sd = math.sqrt(float(residual @ residual) / (n - 2)) if n >= MIN_N else math.nan
    spread = robust_sd(residual) if n >= MIN_N else math.nan
    lag_ci = (math.nan, math.nan)
    if n < MIN_N:
        reason = no_figure("too_few", f"{n} of at least {MIN_N} on-beats")
        if n == 0:
            reason = r.unplaced or no_figure("none_found", "no notes on the beat" if r.n else "no notes")
        names = ["mean_ci95_ms", "sd_ms", "robust_sd_ms", "drift_ms_per_chorus", "drift_ci95_ms_per_chorus"]
        for name in [*names, "lag1", "lag1_ci95"]:
            why[name] = reason
        if n == 0:
            for name in ("mean_ms", "median_ms"):
                why[name] = reason
        link = Ar1(math.nan, math.nan, 0)
    elif math.isnan(link.corrected):
        why["lag1"] = no_figure("no_spread", "the asynchronies do not vary, or no two beats follow each other")
        why["lag1_ci95"] = why["lag1"]
    elif link.n_pairs < LAG1_MIN_PAIRS:
        why["lag1"] = no_figure("too_few", f"{link.n_pairs} of at least {LAG1_MIN_PAIRS} pairs of neighbouring beats")
        why["lag1_ci95"] = why["lag1"]
        link = Ar1(math.nan, math.nan, link.n_pairs)
    else:
        half = 1.96 * math.sqrt(max(1.0 - link.corrected**2, 0.0) / max(link.n_pairs, 1))
        lag_ci = (max(link.corrected - half, -1.0), min(link.corrected + half, 1.0))
    if n >= MIN_N and math.isnan(drift.slope):
        short = "less than a chorus was played on the beat: too short to speak of drift"
        why["drift_ms_per_chorus"] = no_figure("too_short", short)
        why["drift_ci95_ms_per_chorus"] = why["drift_ms_per_chorus"]
    gain = correction_gain(asynchrony, position)
    middle, per_beat = median(asynchrony), _per_beat(r, beats, asynchrony, residual)
    if r.too_coarse is not None and n:
        # What ranks times jumps from tick to tick; the mean and its interval stand.
        middle = grid_median = spread = math.nan
        drift, link, gain, lag_ci = (
            Slope(math.nan, math.nan, math.nan, n),
            Ar1(math.nan, math.nan, 0),
            None,
            (math.nan, math.nan),
        )
        per_beat = tuple(replace(b, median_s=math.nan, robust_sd_s=math.nan, pct_of_beat=math.nan) for b in per_beat)
        coarse = ("median_ms", "robust_sd_ms", "drift_ms_per_chorus", "drift_ci95_ms_per_chorus", "lag1", "lag1_ci95")
        why |= dict.fromkeys((*coarse, "correction_gain", "per_beat"), r.too_coarse)
    elif gain is None:
        found = f"{n} of at least {GAIN_MIN_N} on-beats"
        why["correction_gain"] = no_figure("too_few" if n < GAIN_MIN_N else "no_spread", found)
    series = _drop_out_series(r)
    drops = tuple(_drop_out(r, shift, chorus, bars, span, got) for chorus, bars, span, got in series)
    split = two_level_split([np.diff(got[1]) for *_, got in series if _whole(got[0])])
    if split is None:
        many = sum(max(len(got[0]) - 1, 0) for *_, got in series)
        text = f"not separable: {many} of at least {SPLIT_MIN_INTERVALS} intervals without the band"
        why["two_level_split"] = no_figure("too_few", text)
    return Timing(
        reference=reference,
        mean=mean,
        median_s=middle,
        sd_s=sd,
        robust_sd_s=spread,
        drift=drift,
        lag1=link,
        lag1_ci95=lag_ci,
        gain=gain,
        per_beat=per_beat,
        drop_outs=drops,
        split=split,
        grid_mean=grid_mean,
        grid_median_s=grid_median,
        excused=_excused(r),
        beat=beats,
        asynchrony_s=asynchrony,
        usual_s=_usual_s(middle, drift, x),
        why=why,
    )


def _usual_s(middle_s: float, drift: Slope, x: Floats) -> Floats:
    """The player's place at each chorus position: one who drifts is not astray where the drift had not begun."""
    if len(x) and (drift.low > 0.0 or drift.high < 0.0):
        return middle_s + drift.slope * (x - median(x))
    return np.full(len(x), middle_s)


def _chorus_position(reading: Reading, beats: Floats) -> Floats:
    """Fractional chorus position of beats (1.0 = one chorus later); twelve bars of four without a session."""
    chart = reading.chart
    if chart is None or not chart.chorus_onsets_beats:
        return beats / FOREIGN_CHORUS_BEATS
    onsets = list(chart.chorus_onsets_beats)
    length = onsets[1] - onsets[0] if len(onsets) > 1 else max(chart.end_beats - onsets[0], 1.0)
    ends = [*onsets, onsets[-1] + length]
    inside = np.interp(beats, ends, np.arange(len(ends), dtype=np.float64))
    before = np.minimum(beats - onsets[0], 0.0) / length
    after = np.maximum(beats - ends[-1], 0.0) / length
    return np.asarray(inside + before + after, dtype=np.float64)


def _excused(reading: Reading) -> dict[str, int]:
    """Notes left out of timing, by cause (a note with two causes counts for both)."""
    out = {}
    for bit, name in EXCUSED_NAMES.items():
        count = int(np.count_nonzero(reading.excused & bit))
        if count:
            out[name] = count
    return out


def _per_beat(reading: Reading, beats: Ints, asynchrony: Floats, residual: Floats) -> tuple[BeatTiming, ...]:
    start = int(reading.chart.first_beats) if reading.chart is not None else 0
    of_bar = (beats - start) % 4
    spb = 60.0 / np.asarray(reading.tempo.bpm_at(beats), dtype=np.float64) if len(beats) else np.zeros(0)
    out = []
    for b in range(4):
        mine = of_bar == b
        n = int(np.count_nonzero(mine))
        if n == 0:
            out.append(BeatTiming(b + 1, 0, math.nan, math.nan, math.nan, math.nan))
            continue
        a = asynchrony[mine]
        out.append(
            BeatTiming(
                b + 1,
                n,
                median(a),
                float(a.mean()),
                robust_sd(residual[mine]) if n >= MIN_N else math.nan,
                100.0 * median(a / spb[mine]),
            )
        )
    return tuple(out)


# --- drop-outs -----------------------------------------------------------------------------------------------------

_Series = tuple[Ints, Floats]


def _whole(beats: Ints) -> bool:
    """Whether beats follow each other without a hole."""
    return len(beats) > 1 and bool(np.all(np.diff(beats) == 1))


def _drop_out_series(reading: Reading) -> list[tuple[int, tuple[int, int], tuple[int, int], _Series]]:
    """Per drop-out: chorus, bars, (first beat, beat of return), and its on-beats with their onsets, return included."""
    chart = reading.chart
    out: list[tuple[int, tuple[int, int], tuple[int, int], _Series]] = []
    if chart is None:
        return out
    for drop in chart.session.drop_outs:
        bars = [b for b in chart.bars if b.chorus == drop.chorus and b.drop_out and drop.first <= b.bar <= drop.last]
        bars = [b for b in bars if not b.heard]
        if not bars:
            continue
        start, end = int(bars[0].onset_beats), int(bars[-1].end_beats)
        rows = np.arange(start, end + 1) - reading.first_beat_idx
        rows = rows[(rows >= 0) & (rows < reading.n_beats)]
        gap = reading.beat_excused[rows] & ~np.uint8(EXCUSED_DROP_OUT)
        rows = rows[(reading.on_note_idx[rows] >= 0) & (gap == 0)]
        onsets = reading.notes["onset_s"][reading.on_note_idx[rows]].astype(np.float64)
        series = ((reading.first_beat_idx + rows).astype(np.int64), onsets)
        out.append((drop.chorus, (drop.first, drop.last), (start, end), series))
    return out


def _drop_out(
    r: Reading, shift_s: Floats, chorus: int, bars: tuple[int, int], span: tuple[int, int], series: _Series
) -> DropOutTiming:
    beats, onsets = series
    why: dict[str, Why] = {}
    change = Interval(math.nan, math.nan, math.nan, 0)
    n = max(len(beats) - 1, 0)
    if n == 0:
        why["tempo_change_pct"] = no_figure("none_found", "fewer than two on-beat notes in the drop-out")
        why["tempo_change_ci95_pct"] = why["tempo_change_pct"]
    else:
        # Player's interval over the grid's: 1 is the song's tempo. A hole of j beats is one interval j beats long.
        grid = np.asarray(r.tempo.seconds_at(beats.astype(np.float64)), dtype=np.float64)
        stretch = np.diff(onsets) / np.diff(grid)
        mean = float((onsets[-1] - onsets[0]) / (grid[-1] - grid[0]))
        spread = t_interval(stretch)
        half = spread.high - spread.estimate
        low, high = 100.0 * (1.0 / (mean + half) - 1.0), 100.0 * (1.0 / max(mean - half, 1e-6) - 1.0)
        change = Interval(100.0 * (1.0 / mean - 1.0), low, high, n)
        if n < MIN_N:
            why["tempo_change_ci95_pct"] = no_figure("too_few", f"{n} of at least {MIN_N} intervals")
    reentry = math.nan
    for beat in (span[1], span[1] + 1):
        row = r.row_of_beat(beat)
        if row >= 0 and r.on_note_idx[row] >= 0:
            late = 0.0 if math.isnan(shift_s[row]) else float(shift_s[row])
            reentry = float(r.on_asynchrony_s[row]) - late
            break
    if math.isnan(reentry):
        why["reentry_ms"] = no_figure("none_found", "no on-beat note on the first two beats after the drop-out")
    return DropOutTiming(chorus, bars, n, change, reentry, why)


def two_level_split(series: Sequence[Floats]) -> Split | None:
    """Clock and motor variance from runs of inter-onset intervals without a band; None below 250 intervals in all.

    var_motor = −acov(1), var_clock = acov(0) + 2 acov(1) (Wing & Kristofferson 1973). Each run loses its own mean; the
    bias of that on acov(0) and acov(1) is undone exactly for the model, by solving the two expectations.
    """
    runs = [s for s in series if len(s) >= 3]
    total = sum(len(s) for s in runs)
    if total < SPLIT_MIN_INTERVALS:
        return None
    sums = np.zeros(2)
    a = np.zeros((2, 2))
    for s in runs:
        m = len(s)
        e = s - s.mean()
        sums += (float(e @ e), float(e[:-1] @ e[1:]))
        # Expectations of the two sums when acov(0) = g0, acov(1) = g1 and nothing beyond.
        v0, v1 = 1.0 / m, 2.0 * (m - 1.0) / m**2  # variance of the mean = v0 g0 + v1 g1
        a += np.array(
            [
                [m - m * v0, -m * v1],
                [-(m + 1.0) * v0 + 2.0 / m, (m - 1.0) - (m + 1.0) * v1 + 2.0 / m],
            ]
        )
    g0, g1 = np.linalg.solve(a, sums)
    return Split(float(g0 + 2.0 * g1), float(-g1), total)


# --- the correction gain -------------------------------------------------------------------------------------------


def correction_gain(asynchrony_s: Floats, beats: Floats) -> Gain | None:
    """Share α of an asynchrony corrected by the next beat: A(k+1) − A(k) = −α A(k) + clock + motor(k+1) − motor(k).

    Bounded generalised least squares (the bound of Jacoby et al. 2015: motor variance between 0 and the clock's;
    1 − lag-1 would be biased upward). The noise is a moving average u(k) − θ u(k−1); for each θ that the bound allows,
    both sides are whitened and the residuals are a parabola in α. The estimate is the best (α, θ); the interval is the
    likelihood's, with θ free: one for a known θ is far too narrow (at α 0.5 it covers .5 instead of .95). None below
    96 pairs one beat apart, or without spread.
    """
    pair = np.flatnonzero(np.diff(beats) == 1.0)
    n = len(pair)
    if n < GAIN_MIN_N:
        return None
    e = detrended(asynchrony_s, beats)
    if float(e @ e) <= 1e-18 * n:
        return None
    x, y = e[pair], e[pair + 1] - e[pair]
    run = np.zeros(n, dtype=np.bool_)  # pairs that go on from the one before
    run[1:] = np.diff(pair) == 1
    thetas = np.linspace(0.0, THETA_MAX, 20)
    fx, fy = _whitened(x, run, thetas), _whitened(y, run, thetas)
    sums = np.stack(((fx * fx).sum(axis=1), (fx * fy).sum(axis=1), (fy * fy).sum(axis=1)), axis=1)
    alphas = np.linspace(-0.5, 2.0, 1001)
    rss = sums[:, 2:] + 2.0 * alphas * sums[:, 1:2] + alphas**2 * sums[:, :1]
    profile = rss.min(axis=0)
    at = int(np.argmin(profile))
    inside = np.flatnonzero(n * np.log(profile / profile[at]) <= CHI2_95)
    theta = float(thetas[int(np.argmin(rss[:, at]))])
    innovation = float(profile[at]) / n
    motor = theta * innovation
    clock = max((1.0 + theta * theta) * innovation - 2.0 * motor, 0.0)
    interval = Interval(float(alphas[at]), float(alphas[inside[0]]), float(alphas[inside[-1]]), n)
    return Gain(interval, math.sqrt(clock), math.sqrt(motor))


def _whitened(x: Floats, run: NDArray[np.bool_], thetas: Floats) -> Floats:
    """u with u(k) = x(k) + θ u(k−1) inside each run, (n,) in, (thetas, n) out.

    A short sum: θ is under 0.4, so what is left after 24 terms is nothing.
    """
    lagged = np.zeros((25, len(x)))
    lagged[0] = x
    chain = np.ones(len(x), dtype=np.bool_)
    for lag in range(1, min(25, len(x))):
        chain = chain & np.concatenate((np.zeros(lag, dtype=np.bool_), run[1 : len(x) - lag + 1]))
        if not chain.any():
            break
        lagged[lag, lag:] = np.where(chain[lag:], x[:-lag], 0.0)
    out: Floats = thetas[:, None] ** np.arange(25) @ lagged
    return out
