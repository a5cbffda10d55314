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
from dataclasses import dataclass, field, replace
from typing import Annotated

import numpy as np
from numpy.typing import NDArray

from trainer.scoring.figure import (
    Count,
    Digits,
    Explains,
    Figure,
    Hidden,
    Row,
    Section,
    Shown,
    Sometimes,
    computed,
)
from trainer.scoring.reading import BEAT_PARTIAL, BEAT_TRIPLET, EXCUSED_DROP_OUT, EXCUSED_JOINED, Reading
from trainer.scoring.stats import MIN_N, median_interval, robust_sd, spread_interval, theil_sen
from trainer.scoring.why import Why, no_figure
from trainer.session import BEATS_PER_BAR, BarRole, Chart

__all__ = ["BeatSwing", "ChorusSwing", "Pair", "Pairs", "RoleSwing", "SamePitch", "Swing", "pairs", "swing"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

LOG2_BOUND = 4.0  # for the change over the take: a ratio beyond 16:1 either way counts as that; our choice
# A dotted eighth and a sixteenth, by the place of its second note: as a group with its middle there, and a pattern
# of its own where sixteenths stand beside it (so many for each, and at the least), or pairs that swing otherwise in
# most of its bars and hardly any between the two. Our choice.
DOTTED_PLACES, DOTTED_MIDDLES = (0.70, 0.82), (0.735, 0.775)
QUARTER_PLACES, HALF_PLACES = (0.20, 0.29), (0.42, 0.70)
SIXTEENTHS_SHARE, SIXTEENTHS_LEAST, BESIDE_SHARE, BETWEEN_SHARE, NEAR_PLACE = 0.25, 6, 0.5, 0.4, 0.015
DOUBTED_RATIO = 0.9  # a shorter first note is a reason to doubt the reading, no finding; our choice


@dataclass(frozen=True)
class Pairs:
    """Swung pairs, (p,): the row of the next on-beat's note (-1: the grid stands in).

    `long_s` and `short_s` in seconds, `ratio` long:short, `beat` the whole beat, `stand_in`, `same_pitch` (both
    notes, and the next if there is one, of one pitch: a pitch-dependent delay cancels).
    """

    next_idx: Ints
    long_s: Floats
    short_s: Floats
    ratio: Floats
    beat: Ints
    stand_in: Bools
    same_pitch: Bools

    def __len__(self) -> int:
        return len(self.ratio)


_NO_ROWS, _NOTHING = np.zeros(0, dtype=np.int64), np.zeros(0)
_NO_PAIRS = Pairs(_NO_ROWS, _NOTHING, _NOTHING, _NOTHING, _NO_ROWS, _NOTHING > 0.0, _NOTHING > 0.0)


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
    if np.any(r.joined):  # whose times are a pickup's: neither of the pair, nor what comes after it
        rows = rows[~(r.joined[r.between_note_idx[rows]] | (r.joined[nxt[rows]] & (nxt[rows] >= 0)))]
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
    return Pairs(follow, long_s, short_s, ratio, r.first_beat_idx + rows, stand_in, same)


_RATIO = Shown("ratio", 4, ci="ratio_ci95", n="n", least=0.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class ChorusSwing(Row):
    """The median ratio of one chorus's pairs."""

    chorus: int
    role: BarRole
    ratio: Annotated[Figure, _RATIO]


@dataclass(frozen=True, slots=True, kw_only=True)
class BeatSwing(Row):
    """The median ratio of the pairs on one beat of the bar."""

    beat: int
    ratio: Annotated[Figure, _RATIO]


@dataclass(frozen=True, slots=True, kw_only=True)
class RoleSwing(Row):
    """The median ratio of the pairs in bars of one role."""

    role: BarRole
    ratio: Annotated[Figure, _RATIO]


@dataclass(frozen=True, slots=True, kw_only=True)
class SamePitch(Row):
    """The median ratio of pairs that stay on one pitch, where an input's delay may hang on the pitch."""

    ratio: Annotated[Figure, _RATIO]


@dataclass(frozen=True, slots=True, kw_only=True)
class Pair(Row):
    """One swung pair."""

    at_beats: int
    ratio: Annotated[float, Digits(4)]
    stand_in: bool


@dataclass(frozen=True, kw_only=True)
class Swing(Section):
    """Everything said about swing."""

    ratio: Annotated[
        Figure,
        Shown(
            "ratio", 4, ci="ratio_ci95", n="n", least=0.0, title="swing ratio", unit=": 1", shown_digits=2,
            columns=("swing_ratio", "swing_low", "swing_high", "swing_n"), followed="swing_ratio", firm=True,
            compared=True, asked=True,
            meaning="Long note to short note; 2\u00a0:\u00a01 is the triplet, 1\u00a0:\u00a01 even.",
        ),
    ]  # fmt: skip
    n_stand_in: Count
    log2_sd: Annotated[
        Figure,
        Shown(
            "log2_sd", 4, least=0.0, title="swing spread", shown_digits=2, better=-1, columns=("swing_log2_sd",),
            followed="swing_spread", compared=True, asked=True,
            meaning="Spread of the ratio (robust SD of its log2; holds your onset jitter too). Smaller is steadier.",
        ),
    ]  # fmt: skip
    offbeat_pct: Annotated[
        Figure,
        Shown(
            "offbeat_pct", 2, least=0.0, most=100.0, title="off-beat", unit="% of the beat", columns=("offbeat_pct",),
            meaning="The same as a place in the beat; the triplet is 66.7\u00a0%.",
        ),
    ]  # fmt: skip
    band: Annotated[
        Figure,
        Shown(
            "band_ratio", 4, least=1.0, title="the band's ratio", unit=": 1", shown_digits=2, columns=("band_ratio",)
        ),
    ]
    short_ms: Annotated[Figure, Shown("short_ms", 1, title="short note", unit="ms", shown_digits=0)]
    short_spread_ms: Annotated[
        Figure, Shown("short_robust_sd_ms", 1, least=0.0, title="spread of the short note", unit="ms")
    ]
    n_triplet_figures: Count
    change: Annotated[
        Figure,
        Shown(
            "change_log2_per_chorus", 4, ci="change_ci95_log2_per_chorus", title="change",
            unit="a chorus", shown_digits=3,
            meaning="Whether the shuffle opens (positive) or straightens as the song goes on, in log2 of the ratio.",
        ),
    ]  # fmt: skip
    per_chorus: tuple[ChorusSwing, ...]
    per_beat: tuple[BeatSwing, ...]
    per_role: tuple[RoleSwing, ...]
    same_pitch: Sometimes[SamePitch] = None
    pairs: Sometimes[tuple[Pair, ...]] = None
    no_groups: Annotated[Why | None, Explains("per_chorus", "per_beat", "per_role")] = None
    no_same_pitch: Annotated[Why | None, Explains("same_pitch")] = None
    found: Hidden[Pairs] = field(default_factory=lambda: _NO_PAIRS)

    @property
    def n(self) -> int:
        return self.ratio.n

    @property
    def refused(self) -> bool:
        """Whether there is no ratio, or none that means anything."""
        why = self.ratio.why
        return why is not None and (self.ratio.n == 0 or not self.ratio.known or why.code == "asked")

    def with_every_pair(self) -> Swing:
        """The same with a row for every pair."""
        p = self.found
        rows = zip(p.beat.tolist(), p.ratio.tolist(), p.stand_in.tolist(), strict=True)
        return replace(
            self, pairs=tuple(Pair(at_beats=beat, ratio=ratio, stand_in=filled) for beat, ratio, filled in rows)
        )


def swing(reading: Reading) -> Swing:
    """The swing of a take. Bars whose line asks for no eighths are left out; if all are, the figure is "not asked"."""
    found, refused = pairs(reading), reading.unplaced or reading.too_coarse
    if refused is not None:
        found = _NO_PAIRS
    chart = reading.chart
    asks = np.array([bar.line in ("eighths", "free") for bar in chart.bars]) if chart is not None else np.ones(1) > 0.0
    if chart is not None and len(found):
        found = _subset(found, asks[chart.bar_idx_at(found.beat.astype(np.float64))])
    dotted = _dotted(found, reading)
    if np.any(dotted):
        found = _subset(found, ~dotted)
        if len(found) < MIN_N:
            refused, found = no_figure("none_found", "dotted eighths and sixteenths are no swing"), _NO_PAIRS
    if refused is None and not len(found) and np.any(reading.joined):
        refused = no_figure("none_found", "no beat holds a struck on-beat note and one struck note after it")
    ratio = _ratio(found, refused, not_asked=not np.any(asks))
    per_chorus, per_beat, per_role = ((), (), ()) if chart is None else _groups(found, chart)
    no_session = no_figure("no_session", "choruses, bars and roles come from a session")
    same = _same_pitch(found, reading)
    band = no_figure("no_session", "without a session the band's ratio is not known")
    return Swing(
        ratio=ratio,
        n_stand_in=int(np.count_nonzero(found.stand_in)),
        log2_sd=_log2_sd(found, ratio),
        offbeat_pct=_offbeat_pct(ratio),
        band=Figure(why=band) if chart is None else Figure(chart.swing_ratio),
        short_ms=_short_ms(found, ratio),
        short_spread_ms=_short_spread_ms(found, ratio),
        n_triplet_figures=_n_triplet_figures(reading),
        change=_change(found, chart, ratio),
        per_chorus=per_chorus,
        per_beat=per_beat,
        per_role=per_role,
        same_pitch=None if same is None else SamePitch(ratio=same.because(None)),
        no_groups=no_session if chart is None else None,
        no_same_pitch=None if same is None else same.why,
        found=found,
        **computed(Swing, reading),
    )


def _n_triplet_figures(reading: Reading) -> int:
    three = np.isin(reading.beat_kind, (BEAT_TRIPLET, BEAT_PARTIAL))
    told = (reading.beat_excused & ~np.uint8(EXCUSED_DROP_OUT | EXCUSED_JOINED)) == 0
    return int(np.count_nonzero(three & told))


def _dotted(found: Pairs, reading: Reading) -> Bools:
    """Pairs that are a dotted eighth and a sixteenth, and not a hard shuffle: (p,)."""
    none = np.zeros(len(found), dtype=np.bool_)
    total_s = found.long_s + found.short_s
    place = np.divide(found.long_s, total_s, out=np.zeros(len(found)), where=total_s > 0.0)
    dotted = (place >= DOTTED_PLACES[0]) & (place <= DOTTED_PLACES[1])
    n = int(np.count_nonzero(dotted))
    if n < MIN_N or not DOTTED_MIDDLES[0] <= float(np.median(place[dotted])) <= DOTTED_MIDDLES[1]:
        return none
    phase = reading.placed_beats - reading.beat_idx
    sixteenths = int(np.count_nonzero(_within(phase, QUARTER_PLACES) & ~reading.stacked))
    # After three sixteenths three more: no on-beat, and the next half beat struck.
    off = reading.between_note_idx[found.beat[dotted & found.stand_in] - reading.first_beat_idx]
    following = np.minimum(off + 1, reading.n - 1)
    sixteenths += int(np.count_nonzero(_within(phase[following], HALF_PLACES)))
    if sixteenths >= max(SIXTEENTHS_SHARE * n, SIXTEENTHS_LEAST):
        return np.asarray(dotted, dtype=np.bool_)
    others = place[~dotted]
    if len(others) < MIN_N:
        return none
    one, other = float(np.median(others)), float(np.median(place[dotted]))
    near = [int(np.count_nonzero(np.abs(place - at) <= NEAR_PLACE)) for at in (one, (one + other) / 2.0, other)]
    bars = found.beat // BEATS_PER_BAR
    beside = float(np.mean(np.isin(bars[dotted], bars[~dotted])))
    two_kinds = near[1] <= BETWEEN_SHARE * min(near[0], near[2]) and beside >= BESIDE_SHARE
    return np.asarray(dotted, dtype=np.bool_) if two_kinds else none


def _within(values: Floats, bounds: tuple[float, float]) -> Bools:
    return np.asarray((values >= bounds[0]) & (values <= bounds[1]), dtype=np.bool_)


def _ratio(found: Pairs, refused: Why | None, *, not_asked: bool) -> Figure:
    """The headline. Its reason, where there is one, holds for what hangs on it."""
    ratio = median_interval(found.ratio)
    n = ratio.n
    if not_asked:
        return ratio.because(no_figure("not_asked", "the line asks for no eighths here"))
    if n == 0:
        none = no_figure("none_found", "no beat holds an on-beat note and one note after it")
        return ratio.because(refused or none)
    if n < MIN_N:
        return Figure(n=n, why=no_figure("too_few", f"{n} of at least {MIN_N} pairs"))
    if ratio.value < DOUBTED_RATIO:
        question = (
            f"pairs of short and long, {ratio.value:.2f} : 1: did you mean them, or are they off-beats read as beats?"
        )
        return ratio.because(no_figure("asked", question))
    if math.isinf(ratio.value):
        return ratio.because(no_figure("no_short_note", "most off-beats fall on or after the next beat"))
    if ratio.interval is None:
        return ratio.because(
            no_figure("no_short_note", "so many short notes vanish that the interval has no upper end")
        )
    return ratio


def _hangs(ratio: Figure) -> Why | None:
    """Why there is nothing that hangs on the ratio."""
    return ratio.why if ratio.n < MIN_N or not ratio.known else None


def _offbeat_pct(ratio: Figure) -> Figure:
    """Place of the off-beat in per cent of the beat: 100 r/(1 + r)."""
    low, high = ratio.interval or (math.nan, math.nan)
    pct = 100.0 if math.isinf(ratio.value) else 100.0 * ratio.value / (1.0 + ratio.value)
    return Figure(pct, 100.0 * low / (1.0 + low), 100.0 * high / (1.0 + high), ratio.n, _hangs(ratio))


def _log2_sd(found: Pairs, ratio: Figure) -> Figure:
    n = ratio.n
    if n < MIN_N:
        return Figure(n=n, why=ratio.why)
    spread = robust_sd(_log2(found))
    if not math.isfinite(spread):
        return Figure(spread, n=n, why=no_figure("no_short_note", "too many short notes vanish"))
    return Figure(spread, *spread_interval(spread, n), n, _hangs(ratio))


def _log2(found: Pairs) -> Floats:
    return np.log2(np.maximum(found.ratio, 2.0**-LOG2_BOUND)) if len(found) else np.zeros(0)


def _short_ms(found: Pairs, ratio: Figure) -> Figure:
    n = len(found)
    return Figure(1000.0 * float(np.median(found.short_s)) if n else math.nan, n=n, why=_hangs(ratio))


def _short_spread_ms(found: Pairs, ratio: Figure) -> Figure:
    n = len(found)
    return Figure(1000.0 * robust_sd(found.short_s) if n >= MIN_N else math.nan, n=n, why=_hangs(ratio))


def _groups(found: Pairs, chart: Chart) -> tuple[tuple[ChorusSwing, ...], tuple[BeatSwing, ...], tuple[RoleSwing, ...]]:
    """The ratio by chorus, by beat of the bar and by role."""
    bar = chart.bar_idx_at(found.beat.astype(np.float64))
    chorus = np.array([b.chorus for b in chart.bars])[bar]
    role = np.array([b.role for b in chart.bars])[bar]
    roles = {b.chorus: b.role for b in chart.bars if not b.heard}
    per_chorus = tuple(
        ChorusSwing(
            chorus=c,
            role=roles[c],
            ratio=median_interval(found.ratio[slice(*np.searchsorted(chorus, (c, c + 1)).tolist())]),
        )
        for c in sorted(roles)
        if c > 0
    )
    names = dict.fromkeys(b.role for b in chart.bars)
    per_role = tuple(RoleSwing(role=name, ratio=median_interval(found.ratio[role == name])) for name in names)
    beat_of_bar = (found.beat - int(chart.first_beats)) % 4
    per_beat = tuple(BeatSwing(beat=b + 1, ratio=median_interval(found.ratio[beat_of_bar == b])) for b in range(4))
    return per_chorus, per_beat, per_role


def _same_pitch(found: Pairs, reading: Reading) -> Figure | None:
    """The ratio of pairs on one pitch, where a delay may hang on the pitch; None where it may not."""
    if reading.calibrated or reading.profile in ("pad", "sound"):
        return None
    same = median_interval(found.ratio[found.same_pitch])
    if not same.known:
        return same.because(no_figure("none_found", "no pair stays on one pitch"))
    if same.n < MIN_N:
        return same.because(no_figure("too_few", f"{same.n} of at least {MIN_N} pairs on one pitch"))
    return same


def _subset(found: Pairs, keep: Bools) -> Pairs:
    return Pairs(*(getattr(found, name)[keep] for name in Pairs.__dataclass_fields__))


def _change(found: Pairs, chart: Chart | None, ratio: Figure) -> Figure:
    """Median slope of log2 ratio per chorus; none below two choruses."""
    if chart is None:
        return Figure(why=no_figure("no_session", "choruses come from a session"))
    few = no_figure("too_few", "fewer than two choruses with enough pairs")
    nothing = Figure(why=ratio.why if ratio.why is not None and ratio.why.code == "not_asked" else few)
    onsets = chart.chorus_onsets_beats
    if len(onsets) < 2 or len(found) < MIN_N:
        return nothing
    beats = found.beat.astype(np.float64)
    x = np.interp(beats, [*onsets, 2.0 * onsets[-1] - onsets[-2]], np.arange(len(onsets) + 1.0))
    if x[-1] - x[0] < 1.0:
        return nothing
    slope = theil_sen(np.clip(_log2(found), -LOG2_BOUND, LOG2_BOUND), x, beats)
    return slope if slope.known else nothing
