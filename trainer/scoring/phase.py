"""The one constant (phase) of a take: how late all of it lies, so that a latency cannot push notes into other slots.

Its places that fit alike are told apart by the roots at the chart's changes, then by which is nearer to nothing; notes
that all keep to one place of the beat are `meaning`'s question.
"""

from __future__ import annotations

import numpy as np

from trainer.scoring.changes import roots_at_changes
from trainer.scoring.meaning import (
    EARLY_MOST_BEATS,
    LATENCY_MOST_BEATS,
    PLACE_BINS,
    asked_off_frac,
    meaning,
    one_place,
)
from trainer.scoring.reading import LATE_REACH_BEATS, Bools, Floats, Ints
from trainer.scoring.why import Why, no_figure
from trainer.session import Chart
from trainer.take.model import Take

__all__ = ["TEMPLATE_FFT", "fit_phase"]

# Cost of a constant offset, per beat: it decides between places that fit nearly alike. A latency makes notes late; an
# early constant is rarer. Our choice.
PHASE_LATE_COST, PHASE_EARLY_COST = 0.2, 0.6
CLEARLY_BETTER = 1.15  # than half a beat away; our choice
TURNED_MORE = 0.2  # of the changes whose roots come by the clearly better beat, too; our choice
LATE_MOST_BEATS = 0.3  # as late as anybody plays on purpose, and some more; our choice


def _template() -> Floats:
    """How well a place in the beat suits a note, on `PLACE_BINS` bins: the beat most, the off-beats, the triplets."""
    x = np.arange(PLACE_BINS) / PLACE_BINS
    on = np.exp(-0.5 * (np.minimum(x, 1.0 - x) / 0.05) ** 2)
    off = 0.6 / (1.0 + np.exp(-(x - 0.46) / 0.015)) / (1.0 + np.exp((x - 0.80) / 0.015))
    third = 0.3 * np.exp(-0.5 * ((x - 1.0 / 3.0) / 0.04) ** 2)
    return np.asarray(np.maximum.reduce([on, off, third]), dtype=np.float64)


TEMPLATE_FFT = np.conj(np.fft.rfft(_template()))


def fit_phase(beats: Floats, pc: Ints, struck: Bools, take: Take, chart: Chart | None) -> tuple[float, Why | None]:
    """The constant (seconds, late positive, under half a beat) that puts the take's notes best into slots.

    Places that fit alike (even eighths half a beat apart) are told apart by the roots at the chart's changes, then by
    which is nearer to nothing; only notes that were `struck` (n,) tell of a place. Where all notes keep to one place
    away from the beat and nothing tells off-beats from on-beats, the reason stands beside it, and the notes are read as
    off-beats. Where they fit, roots and all, about half a beat away from the beat that the file or the band keeps,
    there is none to judge by ("no_beat").
    """
    if len(beats) < 4:
        return 0.0, None
    inside = struck.copy()
    if chart is not None:
        inside &= (beats > chart.first_beats - 0.6) & (beats < chart.end_beats - 4.0)
    if np.count_nonzero(inside) < 4:
        return 0.0, None
    b = beats[inside]
    frac = b - np.floor(b)
    counts = np.bincount(np.floor(frac * PLACE_BINS).astype(np.int64) % PLACE_BINS, minlength=PLACE_BINS)
    spb_s = float(np.median(60.0 / take.tempo.bpm_at(b)))
    place = one_place(frac, counts)
    if place is not None:
        meant, why = meaning(place, frac, beats, pc, take, chart)
        if meant != "on":
            early = (1.0 - asked_off_frac(chart)) / 2.0
            known = LATE_REACH_BEATS + 0.05 <= place % 1.0 <= 1.0 - early - 0.05
            return (0.0 if known else place % 1.0 - asked_off_frac(chart)) * spb_s, why
        return place * spb_s, None
    anywhere = np.fft.irfft(np.fft.rfft(counts / len(b)) * TEMPLATE_FFT, PLACE_BINS)
    fit = anywhere.copy()
    shift = np.arange(PLACE_BINS) / PLACE_BINS
    shift = np.where(shift > 0.5, shift - 1.0, shift)
    # No set-up makes a player early, and where the file marks its beat or the latency is known, none makes them late.
    fit[shift < -EARLY_MOST_BEATS] = 0.0
    if take.header.foreign or take.header.calibration is not None:
        fit[shift > LATE_MOST_BEATS] = 0.0
    else:  # half a beat of latency cannot be told from even off-beats
        fit[(shift > LATENCY_MOST_BEATS) & (fit < CLEARLY_BETTER * np.roll(fit, PLACE_BINS // 2))] = 0.0
    total = fit - np.where(shift > 0.0, PHASE_LATE_COST, PHASE_EARLY_COST) * np.abs(shift)
    peaks = np.flatnonzero((fit >= np.roll(fit, 1)) & (fit >= np.roll(fit, -1)) & (fit > 0.8 * fit.max()))
    if chart is not None and len(peaks) > 1:
        total[peaks] += 0.5 * roots_at_changes(beats, pc, chart, shift[peaks])
    best = int(peaks[np.argmax(total[peaks])])
    # Refine: the median distance of the notes near the chosen place.
    rest = b - shift[best]
    rest = rest - np.rint(rest)
    near = np.abs(rest) < 0.12
    coarse = float(shift[best]) + (float(np.median(rest[near])) if np.any(near) else 0.0)
    marked = take.header.foreign or take.header.calibration is not None  # else it may be the latency
    turned = marked and chart is not None and _turned_round(anywhere, shift, best, beats, pc, chart)
    return coarse * spb_s, _turned_why(float(shift[np.argmax(anywhere)]) % 1.0, take) if turned else None


def _turned_round(fit: Floats, shift: Floats, best: int, beats: Floats, pc: Ints, chart: Chart) -> bool:
    """Whether a place further off than anybody plays fits clearly better than `best`, and the roots come there too."""
    far = int(np.argmax(fit))
    if fit[far] < CLEARLY_BETTER * fit[best]:
        return False
    places = np.array([shift[best], shift[far], shift[far] + 1.0, shift[far] - 1.0])
    here, *there = roots_at_changes(beats, pc, chart, places)
    return bool(max(there) >= here + TURNED_MORE)


def _turned_why(after: float, take: Take) -> Why:
    whose, or_else = "the band's", ""
    if take.header.foreign:
        whose, or_else = "the file's", ", or its downbeat is another (--downbeat SECONDS)"
    text = f"all of it fits a beat that comes {after:.2f} of a beat after {whose}: it was played turned round{or_else}"
    return no_figure("no_beat", text)
