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
from typing import Annotated, Literal

import numpy as np
from numpy.typing import NDArray

from trainer.clock.tempo import TempoMap
from trainer.scoring.figure import (
    NO_FIGURE,
    Count,
    Digits,
    Explains,
    Figure,
    Hidden,
    Key,
    Row,
    Section,
    Shown,
    Sometimes,
    computed,
)
from trainer.scoring.reading import EXCUSED_DROP_OUT, EXCUSED_JOINED, EXCUSED_NAMES, Reading
from trainer.scoring.stats import (
    MIN_N,
    ar1,
    detrended,
    drift_interval,
    mean_interval,
    median,
    robust_sd,
    spread_interval,
    t_interval,
)
from trainer.scoring.why import Why, no_figure
from trainer.session import ChartBar
from trainer.take.notes import Notes

__all__ = [
    "BeatTiming",
    "DropOutTiming",
    "Gain",
    "GridTiming",
    "OnBeat",
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
LAGS = 24  # of the noise: θ is under 0.4, so that what is left after them is nothing
PAIRS_AT_ONCE = 16_384  # whitened: bounds the memory
THETA_MAX = (3.0 - math.sqrt(5.0)) / 2.0  # motor variance as large as the clock's: lag-1 correlation −1/3
CHI2_95 = 3.8415  # one degree of freedom
SPLIT_MIN_INTERVALS = 250
DRIFT_MIN_CHORUSES = 0.9  # our choice
FOREIGN_CHORUS_BEATS = 48  # without a session drift is per twelve bars of four


@dataclass(frozen=True, slots=True, kw_only=True)
class BeatTiming(Row):
    """On-beats of one beat of the bar; the spread is about the take's own trend."""

    beat: int
    n: Count
    median_s: Annotated[Figure, Shown("median_ms", 2, scale=1000.0)]
    mean_s: Annotated[Figure, Shown("mean_ms", 2, scale=1000.0)]
    spread_s: Annotated[Figure, Shown("robust_sd_ms", 2, scale=1000.0, least=0.0)]
    pct_of_beat: Annotated[Figure, Shown("pct_of_beat", 2)]


@dataclass(frozen=True, slots=True, kw_only=True)
class DropOutTiming(Section):
    """One drop-out: the player's tempo against the song's in per cent (faster positive), and the re-entry."""

    chorus: int
    bars: tuple[int, int]
    n_intervals: Count
    tempo_change_pct: Annotated[Figure, Shown("tempo_change_pct", 2, ci="tempo_change_ci95_pct")]
    reentry_s: Annotated[Figure, Shown("reentry_ms", 2, scale=1000.0)]


@dataclass(frozen=True, slots=True, kw_only=True)
class Gain(Row):
    """Share of an asynchrony that the player corrects by the next beat, and the two spreads behind it (s)."""

    alpha: Annotated[Figure, Shown("alpha", 3, ci="alpha_ci95", n="n")]
    uncertain: bool
    sd_clock_s: Hidden[float] = math.nan
    sd_motor_s: Hidden[float] = math.nan


@dataclass(frozen=True, slots=True, kw_only=True)
class Split(Row):
    """Inner clock and hand, pooled over intervals without a band: SDs (s); variances (s²), which may be under 0."""

    clock_sd_s: Annotated[float, Digits(2, 1000.0), Key("clock_sd_ms")]
    motor_sd_s: Annotated[float, Digits(2, 1000.0), Key("motor_sd_ms")]
    n_intervals: Count
    var_clock_s2: Hidden[float] = math.nan
    var_motor_s2: Hidden[float] = math.nan


@dataclass(frozen=True, slots=True, kw_only=True)
class GridTiming(Row):
    """The same against the grid alone."""

    mean_s: Annotated[Figure, Shown("mean_ms", 2, scale=1000.0, n="n")]
    median_s: Annotated[Figure, Shown("median_ms", 2, scale=1000.0)]


@dataclass(frozen=True, slots=True, kw_only=True)
class OnBeat(Row):
    """One on-beat and how late it was."""

    at_beats: int
    asynchrony_s: Annotated[float, Digits(2, 1000.0), Key("asynchrony_ms")]


@dataclass(frozen=True, kw_only=True)
class Timing(Section):
    """Everything said about time.

    `usual_s`: the player's own place at each of `beat`: the median, moved along where a drift is sure.
    """

    reference: Literal["grid", "band"]
    mean_s: Annotated[
        Figure,
        Shown(
            "mean_ms", 2, ci="mean_ci95_ms", n="n", scale=1000.0,
            title="place against the drums", short="place",
            unit="ms", columns=("mean_ms", "mean_low_ms", "mean_high_ms", "timing_n"),
            followed="mean_ms", firm=True, compared=True, asked=True,
            meaning="Where you sit: late is positive. A steady place is a feel, not a fault.",
        ),
    ]  # fmt: skip
    median_s: Annotated[
        Figure,
        Shown(
            "median_ms", 2, scale=1000.0, title="middle place", unit="ms", columns=("median_ms",),
            meaning="The same, deaf to a few stray notes.",
        ),
    ]  # fmt: skip
    sd_s: Annotated[
        Figure, Shown("sd_ms", 2, scale=1000.0, least=0.0, title="standard deviation", unit="ms", columns=("sd_ms",))
    ]
    spread_s: Annotated[
        Figure,
        Shown(  # what trained hands reach: Repp 2005
            "robust_sd_ms", 2, scale=1000.0, least=0.0, title="spread of the time", short="spread",
            unit="ms", better=-1,
            columns=("robust_sd_ms",), followed="spread_ms", compared=True, asked=True,
            meaning="How far single notes stray from your own place. Trained hands reach about 2\u00a0% of the beat.",
        ),
    ]  # fmt: skip
    drift_s: Annotated[
        Figure,
        Shown(
            "drift_ms_per_chorus", 3, ci="drift_ci95_ms_per_chorus", scale=1000.0, title="drift a chorus", unit="ms",
            columns=("drift_ms_per_chorus", "drift_low_ms_per_chorus", "drift_high_ms_per_chorus"),
            compared=True, asked=True,
            meaning="Whether you slid later (positive) or earlier as the song went on (median of all slopes: Theil "
            "1950, Sen 1968).",
        ),
    ]  # fmt: skip
    lag1: Annotated[
        Figure, Shown("lag1", 3, ci="lag1_ci95", title="neighbouring beats alike", shown_digits=2, columns=("lag1",))
    ]
    gain: Annotated[Gain | None, Key("correction_gain")]
    per_beat: tuple[BeatTiming, ...]
    drop_outs: tuple[DropOutTiming, ...]
    split: Annotated[Split | None, Key("two_level_split")]
    grid: GridTiming
    excused: Mapping[str, Count]
    beats: Sometimes[tuple[OnBeat, ...]] = None
    no_gain: Annotated[Why | None, Explains("correction_gain")] = None
    no_split: Annotated[Why | None, Explains("two_level_split")] = None
    no_beats: Annotated[Why | None, Explains("per_beat")] = None
    beat: Hidden[Ints] = field(default_factory=lambda: np.zeros(0, dtype=np.int64))
    asynchrony_s: Hidden[Floats] = field(default_factory=lambda: np.zeros(0))
    usual_s: Hidden[Floats] = field(default_factory=lambda: np.zeros(0))

    @property
    def strays_s(self) -> Floats:
        """How far each on-beat lies from the player's own place there, seconds, late positive."""
        return self.asynchrony_s - self.usual_s

    @property
    def n(self) -> int:
        return self.mean_s.n

    def with_every_beat(self) -> Timing:
        """The same with a row for every on-beat."""
        rows = zip(self.beat.tolist(), self.asynchrony_s.tolist(), strict=True)
        return replace(self, beats=tuple(OnBeat(at_beats=beat, asynchrony_s=late) for beat, late in rows))


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


@dataclass(frozen=True)
class _OnBeats:
    """The on-beats that count: beats (n,), lateness (n,), residuals about its trend, place in choruses; what they are
    held against; and the drums' own shift at every beat of the take."""

    reference: Literal["grid", "band"]
    beats: Ints
    asynchrony_s: Floats
    residual_s: Floats
    x: Floats
    shift_s: Floats

    @property
    def position(self) -> Floats:
        return self.beats.astype(np.float64)


def _on_beats(r: Reading, rows: Ints, band: Notes | None) -> _OnBeats:
    """The on-beats of these rows against the grid, or against the band's drums where those vary."""
    asynchrony, reference = r.on_asynchrony_s[rows], "grid"
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
    residual = detrended(asynchrony, position)
    return _OnBeats(
        "band" if reference == "band" else "grid", beats, asynchrony, residual, _chorus_position(r, position), shift
    )


def timing(reading: Reading, band: Notes | None = None) -> Timing:
    """The timing of a take. `band`: the band's intended notes, if known."""
    r = reading
    rows = np.flatnonzero((r.on_note_idx >= 0) & (r.beat_excused == 0) & (r.unplaced is None))
    on = _on_beats(r, rows, band)
    n = len(on.beats)
    coarse = r.too_coarse if n else None
    median_s, drift, lag1 = _median(on, r, coarse), _drift(on, r, coarse), _lag1(on, r, coarse)
    gain = None if coarse is not None else correction_gain(on.asynchrony_s, on.position)
    no_gain = coarse
    if gain is None and coarse is None:
        no_gain = no_figure("too_few" if n < GAIN_MIN_N else "no_spread", f"{n} of at least {GAIN_MIN_N} on-beats")
    series = _drop_out_series(r)
    split = two_level_split([np.diff(got[1]) for *_, got in series if _whole(got[0])])
    many = sum(max(len(got[0]) - 1, 0) for *_, got in series)
    no_split = f"not separable: {many} of at least {SPLIT_MIN_INTERVALS} intervals without the band"
    return Timing(
        reference=on.reference,
        mean_s=mean_interval(on.asynchrony_s, on.position).because(_too_few(n, r)),
        median_s=median_s,
        sd_s=_sd(on, r),
        spread_s=_spread(on, r, coarse, lag1),
        drift_s=drift,
        lag1=lag1,
        gain=gain,
        per_beat=_per_beat(r, on, coarse is not None),
        drop_outs=tuple(_drop_out(r, on.shift_s, *drop) for drop in series),
        split=split,
        grid=_grid(r, rows, coarse),
        excused=_excused(r),
        no_gain=no_gain,
        no_split=no_figure("too_few", no_split) if split is None else None,
        no_beats=coarse,
        beat=on.beats,
        asynchrony_s=on.asynchrony_s,
        usual_s=_usual_s(median_s.value, drift, on.x),
        **computed(Timing, reading),
    )


def _grid(r: Reading, rows: Ints, coarse: Why | None) -> GridTiming:
    """The same against the song's own beats."""
    apart = r.on_asynchrony_s[rows]
    return GridTiming(
        mean_s=mean_interval(apart, (r.first_beat_idx + rows).astype(np.float64)),
        median_s=NO_FIGURE if coarse is not None else Figure(median(apart)),
    )


def _too_few(n: int, r: Reading) -> Why | None:
    """Why so many on-beats give no interval, trend or spread."""
    if n >= MIN_N:
        return None
    if n == 0:
        none = ("no notes struck on the beat" if np.any(r.joined) else "no notes on the beat") if r.n else "no notes"
        return r.unplaced or no_figure("none_found", none)
    return no_figure("too_few", f"{n} of at least {MIN_N} on-beats")


def _median(on: _OnBeats, r: Reading, coarse: Why | None) -> Figure:
    """What ranks times jumps from tick to tick where they are coarse; there the mean and its interval stand alone."""
    n = len(on.beats)
    return Figure(why=coarse) if coarse is not None else Figure(median(on.asynchrony_s), n=n, why=_too_few(n, r))


def _sd(on: _OnBeats, r: Reading) -> Figure:
    n = len(on.beats)
    if n < MIN_N:
        return Figure(n=n, why=_too_few(n, r))
    return Figure(math.sqrt(float(on.residual_s @ on.residual_s) / (n - 2)), n=n)


def _spread(on: _OnBeats, r: Reading, coarse: Why | None, lag1: Figure) -> Figure:
    n = len(on.beats)
    if coarse is not None or n < MIN_N:
        return Figure(n=n, why=coarse or _too_few(n, r))
    spread = robust_sd(on.residual_s)
    return Figure(spread, *spread_interval(spread, n, lag1.value), n)


def _drift(on: _OnBeats, r: Reading, coarse: Why | None) -> Figure:
    n = len(on.beats)
    if coarse is not None or n < MIN_N:
        return Figure(n=n, why=coarse or _too_few(n, r))
    found = drift_interval(on.asynchrony_s, on.x, on.position)
    if math.isnan(found.value) or on.x[-1] - on.x[0] < DRIFT_MIN_CHORUSES:
        # A slope of a few bars, drawn out to a chorus, tells nothing.
        return Figure(
            n=n, why=no_figure("too_short", "less than a chorus was played on the beat: too short to speak of drift")
        )
    return found


def _lag1(on: _OnBeats, r: Reading, coarse: Why | None) -> Figure:
    """How alike neighbouring beats are: the correlation of detrended pairs, corrected for bias."""
    n = len(on.beats)
    if coarse is not None or n < MIN_N:
        return Figure(why=coarse or _too_few(n, r))
    link = ar1(on.asynchrony_s, on.position)
    if math.isnan(link.corrected):
        why = no_figure("no_spread", "the asynchronies do not vary, or no two beats follow each other")
        return Figure(n=link.n_pairs, why=why)
    if link.n_pairs < LAG1_MIN_PAIRS:
        few = f"{link.n_pairs} of at least {LAG1_MIN_PAIRS} pairs of neighbouring beats"
        return Figure(n=link.n_pairs, why=no_figure("too_few", few))
    half = 1.96 * math.sqrt(max(1.0 - link.corrected**2, 0.0) / max(link.n_pairs, 1))
    low, high = max(link.corrected - half, -1.0), min(link.corrected + half, 1.0)
    return Figure(link.corrected, low, high, link.n_pairs)


def _usual_s(middle_s: float, drift: Figure, x: Floats) -> Floats:
    """The player's place at each chorus position: one who drifts is not astray where the drift had not begun."""
    if len(x) and (drift.low > 0.0 or drift.high < 0.0):
        return middle_s + drift.value * (x - median(x))
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


def _per_beat(r: Reading, on: _OnBeats, coarse: bool) -> tuple[BeatTiming, ...]:
    start = int(r.chart.first_beats) if r.chart is not None else 0
    of_bar = (on.beats - start) % 4
    spb = 60.0 / np.asarray(r.tempo.bpm_at(on.beats), dtype=np.float64) if len(on.beats) else np.zeros(0)
    out = []
    for b in range(4):
        mine = of_bar == b
        late = on.asynchrony_s[mine]
        n = len(late)
        ranked, thin = n > 0 and not coarse, n < MIN_N or coarse
        spread = robust_sd(on.residual_s[mine]) if not thin else math.nan
        out.append(
            BeatTiming(
                beat=b + 1,
                n=n,
                median_s=Figure(median(late), n=n) if ranked else NO_FIGURE,
                mean_s=Figure(float(late.mean()), n=n) if n else NO_FIGURE,
                spread_s=NO_FIGURE if thin else Figure(spread, *spread_interval(spread, n), n),
                pct_of_beat=Figure(100.0 * median(late / spb[mine]), n=n) if ranked else NO_FIGURE,
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
    silent: dict[int, list[ChartBar]] = {}
    for bar in chart.bars:
        if bar.drop_out and not bar.heard:
            silent.setdefault(bar.chorus, []).append(bar)
    for drop in chart.session.drop_outs:
        bars = [bar for bar in silent.get(drop.chorus, ()) if drop.first <= bar.bar <= drop.last]
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
    return DropOutTiming(
        chorus=chorus,
        bars=bars,
        n_intervals=max(len(series[0]) - 1, 0),
        tempo_change_pct=_tempo_change_pct(r, *series),
        reentry_s=_reentry_s(r, shift_s, span[1]),
    )


def _tempo_change_pct(r: Reading, beats: Ints, onsets: Floats) -> Figure:
    n = max(len(beats) - 1, 0)
    if n == 0:
        return Figure(why=no_figure("none_found", "fewer than two on-beat notes in the drop-out"))
    # Player's interval over the grid's: 1 is the song's tempo. A hole of j beats is one interval j beats long.
    grid = np.asarray(r.tempo.seconds_at(beats.astype(np.float64)), dtype=np.float64)
    spread = t_interval(np.diff(onsets) / np.diff(grid))
    mean = float((onsets[-1] - onsets[0]) / (grid[-1] - grid[0]))
    half = spread.high - spread.value
    low, high = 100.0 * (1.0 / (mean + half) - 1.0), 100.0 * (1.0 / max(mean - half, 1e-6) - 1.0)
    few = no_figure("too_few", f"{n} of at least {MIN_N} intervals") if n < MIN_N else None
    return Figure(100.0 * (1.0 / mean - 1.0), low, high, n, few)


def _reentry_s(r: Reading, shift_s: Floats, back: int) -> Figure:
    for beat in (back, back + 1):
        row = r.row_of_beat(beat)
        if row >= 0 and r.on_note_idx[row] >= 0 and not r.beat_excused[row] & EXCUSED_JOINED:
            late = 0.0 if math.isnan(shift_s[row]) else float(shift_s[row])
            return Figure(float(r.on_asynchrony_s[row]) - late, n=1)
    return Figure(why=no_figure("none_found", "no on-beat note on the first two beats after the drop-out"))


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
    clock, motor = float(g0 + 2.0 * g1), float(-g1)
    return Split(
        clock_sd_s=math.sqrt(max(clock, 0.0)),
        motor_sd_s=math.sqrt(max(motor, 0.0)),
        n_intervals=total,
        var_clock_s2=clock,
        var_motor_s2=motor,
    )


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
    sums = np.zeros((len(thetas), 3))
    for first in range(0, n, PAIRS_AT_ONCE):
        here = slice(max(first - LAGS, 0), first + PAIRS_AT_ONCE)
        fx, fy = (_whitened(each[here], run[here], thetas)[:, first - here.start :] for each in (x, y))
        sums += np.stack(((fx * fx).sum(axis=1), (fx * fy).sum(axis=1), (fy * fy).sum(axis=1)), axis=1)
    alphas = np.linspace(-0.5, 2.0, 1001)
    rss = sums[:, 2:] + 2.0 * alphas * sums[:, 1:2] + alphas**2 * sums[:, :1]
    profile = rss.min(axis=0)
    at = int(np.argmin(profile))
    inside = np.flatnonzero(n * np.log(profile / profile[at]) <= CHI2_95)
    theta = float(thetas[int(np.argmin(rss[:, at]))])
    innovation = float(profile[at]) / n
    motor = theta * innovation
    clock = max((1.0 + theta * theta) * innovation - 2.0 * motor, 0.0)
    alpha = Figure(float(alphas[at]), float(alphas[inside[0]]), float(alphas[inside[-1]]), n)
    return Gain(
        alpha=alpha, uncertain=alpha.value > GAIN_UNCERTAIN, sd_clock_s=math.sqrt(clock), sd_motor_s=math.sqrt(motor)
    )


def _whitened(x: Floats, run: NDArray[np.bool_], thetas: Floats) -> Floats:
    """u with u(k) = x(k) + θ u(k−1) inside each run, (n,) in, (thetas, n) out.

    A short sum of `LAGS` terms.
    """
    lagged = np.zeros((LAGS + 1, len(x)))
    lagged[0] = x
    chain = np.ones(len(x), dtype=np.bool_)
    for lag in range(1, min(LAGS + 1, len(x))):
        chain = chain & np.concatenate((np.zeros(lag, dtype=np.bool_), run[1 : len(x) - lag + 1]))
        if not chain.any():
            break
        lagged[lag, lag:] = np.where(chain[lag:], x[:-lag], 0.0)
    out: Floats = thetas[:, None] ** np.arange(LAGS + 1) @ lagged
    return out
