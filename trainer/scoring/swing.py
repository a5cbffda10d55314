"""Swing: how long the first half of the beat is against the second, from the player's own onsets.

Goal: the beat–upbeat ratio (Friberg & Sundström 2002; Corcoran & Frieler 2021), (off − on)/(next on − off), without the
bias that clipping phases or ratios brings. A pair is found by order: exactly one onset strictly between consecutive
on-beats; triplet figures fall out by their count. Where the next on-beat is silent, the grid's beat plus the player's
local offset stands in (never in a drop-out).

Conventions: ratios long:short, +∞ for a short note that is not positive; seconds; the median is the headline (the mean
of the logarithm is biased by jitter), its interval from order statistics with a Newey–West correction of the signs.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from trainer.scoring.reading import EXCUSED_DROP_OUT, FIGURE_PARTIAL, FIGURE_TRIPLET, Reading
from trainer.scoring.stats import MIN_N, Interval, Slope, median_interval, robust_sd, theil_sen
from trainer.scoring.why import Why, ci, no_figure, number

__all__ = ["Pairs", "Swing", "SwingGroup", "pairs", "swing"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

LOG2_BOUND = 4.0  # for the change over the take: a ratio beyond 16:1 either way counts as that; our choice


@dataclass(frozen=True)
class Pairs:
    """Swung pairs, (p,): rows of the on-beat and the off-beat note, the next on-beat's row (-1: the grid stands in).

    `long_s` and `short_s` in seconds, `ratio` long:short, `beat` the whole beat, `stand_in`, `same_pitch` (both
    notes, and the next if there is one, of one pitch: a pitch-dependent delay cancels).
    """

    on_idx: Ints
    off_idx: Ints
    next_idx: Ints
    long_s: Floats
    short_s: Floats
    ratio: Floats
    beat: Ints
    stand_in: Bools
    same_pitch: Bools

    def __len__(self) -> int:
        return len(self.ratio)


def pairs(reading: Reading) -> Pairs:
    """Every swung pair of a reading that is not excused, in playing order."""
    r = reading
    m = r.n_beats
    nxt = np.full(m, -1, dtype=np.int64)
    nxt[:-1] = r.on_note_idx[1:]
    bits = r.beat_excused
    after = np.full(m, 0, dtype=np.uint8)
    after[:-1] = bits[1:]
    in_drop = ((bits | after) & EXCUSED_DROP_OUT) != 0
    excused = ((bits & ~np.uint8(EXCUSED_DROP_OUT)) != 0) | (((after & ~np.uint8(EXCUSED_DROP_OUT)) != 0) & (nxt < 0))
    ok = (r.on_note_idx >= 0) & (r.n_between == 1) & ~excused & ~((nxt < 0) & in_drop)
    ok[-1] &= nxt[-1] >= 0 or r.chart is None
    rows = np.flatnonzero(ok)
    on, off, follow = r.on_note_idx[rows], r.between_note_idx[rows], nxt[rows]
    onset_s = r.notes["onset_s"]
    stand_in = follow < 0
    stood = r.grid_s[rows + 1] + r.local_offset_s[np.minimum(rows + 1, m - 1)]
    next_s = np.where(stand_in, stood, onset_s[follow] if len(onset_s) else 0.0)
    long_s, short_s = onset_s[off] - onset_s[on], next_s - onset_s[off]
    ratio = np.full(len(rows), np.inf)
    np.divide(long_s, short_s, out=ratio, where=short_s > 0.0)
    whole = np.rint(r.pitch)
    same = (whole[on] == whole[off]) & (stand_in | (whole[follow] == whole[off])) if len(rows) else stand_in
    return Pairs(on, off, follow, long_s, short_s, ratio, r.first_beat_idx + rows, stand_in, same)


@dataclass(frozen=True, slots=True)
class SwingGroup:
    """The median ratio of one group of pairs (a chorus, a beat of the bar, a role), with its n."""

    label: Mapping[str, Any]
    interval: Interval

    def to_dict(self) -> dict[str, Any]:
        return {
            **self.label,
            "n": self.interval.n,
            "ratio": number(self.interval.estimate, 4),
            "ratio_ci95": ci(self.interval, 4),
        }


@dataclass(frozen=True)
class Swing:
    """Everything said about swing. Figures that are missing are NaN here, null in JSON, and named in `why`."""

    ratio: Interval
    n_stand_in: int
    log2_sd: float
    band_ratio: float
    same_pitch: Interval | None
    short_ms: float
    short_robust_sd_ms: float
    n_triplet_figures: int
    change: Slope
    per_chorus: tuple[SwingGroup, ...]
    per_beat: tuple[SwingGroup, ...]
    per_role: tuple[SwingGroup, ...]
    pairs: Pairs
    why: Mapping[str, Why] = field(default_factory=dict)

    @property
    def offbeat_pct(self) -> float:
        """Place of the off-beat in per cent of the beat: 100 r/(1 + r)."""
        r = self.ratio.estimate
        return 100.0 if math.isinf(r) else 100.0 * r / (1.0 + r)

    def to_dict(self) -> dict[str, Any]:
        out: dict[str, Any] = {
            "n": self.ratio.n,
            "n_stand_in": self.n_stand_in,
            "ratio": number(self.ratio.estimate, 4),
            "ratio_ci95": ci(self.ratio, 4),
            "log2_sd": number(self.log2_sd, 4),
            "offbeat_pct": number(self.offbeat_pct, 2),
            "band_ratio": number(self.band_ratio, 4),
            "short_ms": number(self.short_ms, 1),
            "short_robust_sd_ms": number(self.short_robust_sd_ms, 1),
            "n_triplet_figures": self.n_triplet_figures,
            "change_log2_per_chorus": number(self.change.slope, 4),
            "change_ci95_log2_per_chorus": ci(self.change, 4),
            "per_chorus": [group.to_dict() for group in self.per_chorus],
            "per_beat": [group.to_dict() for group in self.per_beat],
            "per_role": [group.to_dict() for group in self.per_role],
        }
        if self.same_pitch is not None:
            out["same_pitch"] = {
                "n": self.same_pitch.n,
                "ratio": number(self.same_pitch.estimate, 4),
                "ratio_ci95": ci(self.same_pitch, 4),
            }
        out["why"] = {name: why.to_dict() for name, why in self.why.items()}
        return out


_NO_SLOPE = Slope(math.nan, math.nan, math.nan, 0)


def swing(reading: Reading) -> Swing:
    """The swing of a take. Bars whose line asks for no eighths are left out; if all are, the figure is "not asked"."""
    found, refused = pairs(reading), reading.unplaced or reading.too_coarse
    if refused is not None:
        found = _subset(found, np.zeros(len(found), dtype=np.bool_))
    chart = reading.chart
    why: dict[str, Why] = {}
    if chart is not None and len(found):
        asks = np.array([bar.line in ("eighths", "free") for bar in chart.bars])
        found = _subset(found, asks[chart.bar_idx_at(found.beat.astype(np.float64))])
    not_asked = chart is not None and not any(bar.line in ("eighths", "free") for bar in chart.bars)
    ratio = median_interval(found.ratio)
    n = ratio.n
    if not_asked:
        why["ratio"] = no_figure("not_asked", "the line asks for no eighths here")
    elif n == 0:
        none = no_figure("none_found", "no beat holds an on-beat note and one note after it")
        why["ratio"] = refused or none
    elif n < MIN_N:
        why["ratio_ci95"] = no_figure("too_few", f"{n} of at least {MIN_N} pairs")
    elif math.isinf(ratio.estimate):
        why["ratio"] = no_figure("no_short_note", "most off-beats fall on or after the next beat")
    for name in ("ratio_ci95", "log2_sd", "offbeat_pct", "short_ms", "short_robust_sd_ms"):
        _inherit(why, name, n)
    log2 = np.log2(np.maximum(found.ratio, 2.0**-LOG2_BOUND)) if n else np.zeros(0)
    if "ratio_ci95" not in why and not (math.isfinite(ratio.low) and math.isfinite(ratio.high)):
        why["ratio_ci95"] = no_figure("no_short_note", "so many short notes vanish that the interval has no upper end")
    spread = robust_sd(log2) if n >= MIN_N else math.nan
    if n >= MIN_N and not math.isfinite(spread):
        why["log2_sd"] = no_figure("no_short_note", "too many short notes vanish")
    if chart is None:
        why["band_ratio"] = no_figure("no_session", "without a session the band's ratio is not known")
    change = _NO_SLOPE
    per_chorus: list[SwingGroup] = []
    per_beat: list[SwingGroup] = []
    per_role: list[SwingGroup] = []
    if chart is not None:
        bar = chart.bar_idx_at(found.beat.astype(np.float64))
        chorus = np.array([b.chorus for b in chart.bars])[bar]
        role = np.array([b.role for b in chart.bars])[bar]
        roles = {b.chorus: b.role for b in chart.bars if not b.heard}
        for c in sorted(roles):
            if c > 0:
                label = {"chorus": c, "role": roles[c]}
                rows = slice(*np.searchsorted(chorus, (c, c + 1)).tolist())
                per_chorus.append(SwingGroup(label, median_interval(found.ratio[rows])))
        for name in dict.fromkeys(b.role for b in chart.bars):
            per_role.append(SwingGroup({"role": name}, median_interval(found.ratio[role == name])))
        change = _change(found, log2, chart.chorus_onsets_beats)
        beat_of_bar = (found.beat - int(chart.first_beats)) % 4
        for b in range(4):
            per_beat.append(SwingGroup({"beat": b + 1}, median_interval(found.ratio[beat_of_bar == b])))
    else:
        for name in ("per_chorus", "per_beat", "per_role"):
            why[name] = no_figure("no_session", "choruses, bars and roles come from a session")
    if math.isnan(change.slope):
        if chart is None:
            why["change_log2_per_chorus"] = no_figure("no_session", "choruses come from a session")
        elif not_asked:
            why["change_log2_per_chorus"] = why["ratio"]
        else:
            why["change_log2_per_chorus"] = no_figure("too_few", "fewer than two choruses with enough pairs")
        why["change_ci95_log2_per_chorus"] = why["change_log2_per_chorus"]
    same = None
    if not reading.calibrated and reading.profile != "pad":
        same = median_interval(found.ratio[found.same_pitch])
        if math.isnan(same.estimate) or math.isinf(same.estimate):
            why["same_pitch"] = no_figure("none_found", "no pair stays on one pitch")
        elif same.n < MIN_N:
            why["same_pitch"] = no_figure("too_few", f"{same.n} of at least {MIN_N} pairs on one pitch")
    three = np.isin(reading.figure, (FIGURE_TRIPLET, FIGURE_PARTIAL))
    return Swing(
        ratio=ratio,
        n_stand_in=int(np.count_nonzero(found.stand_in)),
        log2_sd=spread,
        band_ratio=math.nan if chart is None else chart.swing_ratio,
        same_pitch=same,
        short_ms=1000.0 * float(np.median(found.short_s)) if n else math.nan,
        short_robust_sd_ms=1000.0 * robust_sd(found.short_s) if n >= MIN_N else math.nan,
        n_triplet_figures=int(np.count_nonzero(three & (reading.beat_excused & ~np.uint8(EXCUSED_DROP_OUT) == 0))),
        change=change,
        per_chorus=tuple(per_chorus),
        per_beat=tuple(per_beat),
        per_role=tuple(per_role),
        pairs=found,
        why=why,
    )


def _inherit(why: dict[str, Why], name: str, n: int) -> None:
    """A figure that hangs on the ratio shares its reason; spreads and intervals share "too few"."""
    if "ratio" in why:
        why[name] = why["ratio"]
    elif n < MIN_N and name in ("log2_sd", "short_robust_sd_ms"):
        why[name] = why["ratio_ci95"]


def _subset(found: Pairs, keep: Bools) -> Pairs:
    return Pairs(*(getattr(found, name)[keep] for name in Pairs.__dataclass_fields__))


def _change(found: Pairs, log2: Floats, onsets: tuple[float, ...]) -> Slope:
    """Median slope of log2 ratio per chorus; NaN below two choruses."""
    if len(onsets) < 2 or len(found) < MIN_N:
        return _NO_SLOPE
    beats = found.beat.astype(np.float64)
    x = np.interp(beats, [*onsets, 2.0 * onsets[-1] - onsets[-2]], np.arange(len(onsets) + 1.0))
    if x[-1] - x[0] < 1.0:
        return _NO_SLOPE
    return theil_sen(np.clip(log2, -LOG2_BOUND, LOG2_BOUND), x, beats)
