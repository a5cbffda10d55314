"""A whole song as a bassist would plan it: pinned verses, solos that open with the band, an arc, an end on the tonic.

Common practice: a verse keeps one rhythm and fills only in bars 4, 8 and the last, two beats at most; a solo grows
denser and higher over the chorus, and the last of several solo choruses comes down again; a head is played plainly.
"""

from __future__ import annotations

import numpy as np

from trainer.errors import UsageError
from trainer.line.score import LineScore
from trainer.line.write import BarPlan, clumsy_bars, compose, turnaround_pairs
from trainer.music import FOUR_STRING, Tuning, note_name
from trainer.session import Chart, ChartBar

__all__ = ["planned_song"]

_VERSE = {
    # (device, variant): one is kept for all verses of the song.
    "eighths": (("root_shuffle", 1), ("root_shuffle", 2), ("root_shuffle", 9), ("box_figure", 6), ("boogie_figure", 1)),
    "quarters": (("walking_line", 0), ("walking_line", 8)),
    "two_beat": ((None, 0),),
    "free": ((None, 0), (None, 4), (None, 5), (None, 6), (None, 7)),
}
# Fullest last: a solo takes from further down the list as it opens. Seven notes a bar at least.
_SOLO: tuple[tuple[str, tuple[int, ...]], ...] = (
    ("root_shuffle", (4, 7)),
    ("box_figure", (5, 8)),
    ("boogie_figure", (7, 8, 9)),
    ("pentatonic_riff", (13, 14)),
    ("boogie_figure", (7, 9)),
    ("root_shuffle", (3,)),
    ("doubled_notes", (0, 2, 3, 5)),
    ("octave_shift", (1, 3, 5, 11)),
    ("boogie_figure", (0, 3)),
    ("triplet_figure", (1, 5, 8)),
)
_SOLO_FILLS: tuple[tuple[str, tuple[int, ...]], ...] = (
    ("chromatic_approach", (1, 6, 7, 10, 11, 12)),
    ("scale_descent", (1, 2, 3, 4, 5, 10)),
)
SOLO_TOP_ROOT = 40  # lowest root of a wide-open solo; figures reach 55–63 (common practice: solo to 55, top 63–67)
VERSE_FILLS = (3, 4, 5, 6)  # chromatic approaches of two beats at most


def planned_song(chart: Chart, seed: int = 1, *, tuning: Tuning = FOUR_STRING) -> LineScore:
    """The whole chart played to plan. `UsageError` for a tuning without the E string's register."""
    if tuning.lowest > 28:
        raise UsageError(f"the lowest string is {note_name(tuning.lowest)}; expected a bass that reaches E1")
    rng = np.random.default_rng([seed, 0x50])
    verse_fill = int(rng.choice(VERSE_FILLS))
    solos = _solo_spans(chart)
    plain = [p for p in turnaround_pairs(chart) if all(len(chart.bars[i].chords) == 1 for i in p)]
    turnarounds = {idx: (part, turn) for turn, pair in enumerate(plain) for part, idx in enumerate(pair)}
    solo_plans = {bar.idx: _solo_bar(chart, bar, solos, turnarounds, rng) for bar in chart.bars if bar.role == "solo"}
    n_choices = max(len(bank) for bank in _VERSE.values())
    best: list[BarPlan] = []
    fewest = np.inf
    for choice in rng.permutation(n_choices).tolist():
        plans = [solo_plans.get(bar.idx) or _pinned_bar(chart, bar, choice, verse_fill) for bar in chart.bars]
        clumsy = clumsy_bars(chart, plans, seed=seed, tuning=tuning)
        if clumsy < fewest:
            best, fewest = plans, clumsy
        if clumsy <= len(chart.bars) // 12:  # the solos are free to leap a little; our choice
            break
    return compose(chart, best, seed=seed, tuning=tuning)


def _pinned_bar(chart: Chart, bar: ChartBar, choice: int, verse_fill: int) -> BarPlan:
    bank = _VERSE[bar.line]
    device, variant = bank[choice % len(bank)]
    if bar.role == "head":
        return BarPlan(None, 28, 0, bar.intensity, pinned=True)
    may_fill = bar.line == "eighths" and (bar.bar in (4, 8) or bar.bar == len(chart.form_chords)) and not bar.final
    if may_fill and bar.chords[-1].lowest_pc != chart.bars[bar.idx + 1].chords[0].lowest_pc:
        return BarPlan("chromatic_approach", 28, verse_fill, bar.intensity)
    return BarPlan(device, 28, variant, bar.intensity, pinned=True)


def _solo_spans(chart: Chart) -> dict[int, tuple[int, int]]:
    """Chorus → (its place among the solo choruses that follow one another, how many there are)."""
    roles = {bar.chorus: bar.role for bar in chart.bars if bar.chorus > 0}
    out: dict[int, tuple[int, int]] = {}
    run: list[int] = []
    for chorus in [*sorted(roles), None]:
        if chorus is not None and roles[chorus] == "solo":
            run.append(chorus)
            continue
        out.update({c: (k, len(run)) for k, c in enumerate(run)})
        run = []
    return out


def _height(chart: Chart, bar: ChartBar, place: int, n_solos: int) -> float:
    """How far the solo has opened at a bar, 0..1: the chorus's intensity, rising through it; the last of several
    falls in its second half."""
    n_bars = max(len(chart.form_chords), 1)
    through = (bar.bar - 1) / n_bars
    if n_solos > 1 and place == n_solos - 1:
        rise = 1.0 - abs(2.0 * through - 0.7)
    else:
        rise = through
    return float(np.clip(0.55 * bar.intensity + 0.45 * bar.intensity * rise + 0.1 * rise, 0.0, 1.0))


def _solo_bar(
    chart: Chart,
    bar: ChartBar,
    solos: dict[int, tuple[int, int]],
    turnarounds: dict[int, tuple[int, int]],
    rng: np.random.Generator,
) -> BarPlan:
    place, n_solos = solos.get(bar.chorus, (0, 1))
    height = _height(chart, bar, place, n_solos)
    low = round(28 + (SOLO_TOP_ROOT - 28) * float(np.clip((height - 0.15) / 0.6, 0.0, 1.0)))
    loudness = 0.5 * bar.intensity + 0.5 * height
    if bar.idx in turnarounds:
        part, turn = turnarounds[bar.idx]
        turn_variant = (chart.session.seed * 7 + turn * 3) % 9
        return BarPlan("turnaround_figure", low, turn_variant, loudness, None, part, 2)
    # The register comes down at the end; the drive of the line less so.
    top = 2 + round(0.5 * (height + bar.intensity) * (len(_SOLO) - 3))
    device, variants = _SOLO[int(rng.integers(max(0, top - 2), top + 1))]
    if bar.bar in (4, 8):
        device, variants = _SOLO_FILLS[int(rng.integers(2))]
    line = "eighths" if bar.line in ("quarters", "two_beat") else None
    return BarPlan(device, low, int(rng.choice(variants)), loudness, line=line)
