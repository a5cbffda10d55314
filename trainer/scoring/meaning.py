"""What notes mean that all keep to one place away from the beat: on-beats moved, or off-beats alone."""

from __future__ import annotations

import numpy as np

from trainer.clock.tempo import swing_offbeat_frac
from trainer.scoring.changes import roots_at_changes
from trainer.scoring.reading import LATE_REACH_BEATS, Floats, Ints
from trainer.scoring.why import Why, no_figure
from trainer.session import Chart
from trainer.take.model import Take

__all__ = ["EARLY_MOST_BEATS", "LATENCY_MOST_BEATS", "PLACE_BINS", "asked_off_frac", "meaning", "one_place"]

PLACE_BINS = 96
# Notes that all keep to one place of the beat. Our choice.
PLACE_REACH_BEATS, ONE_PLACE_SHARE, NEAR_BEAT_BEATS = 0.09, 0.85, 0.15
EARLY_MOST_BEATS = 0.2  # nobody is earlier by habit, and no set-up makes a player early
LATENCY_MOST_BEATS = 0.4  # half a beat of latency cannot be told from even off-beats
CLEARLY_MORE = 0.3  # of the changes


def asked_off_frac(chart: Chart | None) -> float:
    return float(swing_offbeat_frac(chart.swing_ratio if chart is not None else 2.0))


def one_place(frac: Floats, counts: Ints) -> float | None:
    """The place (−0.5 to 0.5 beats) that nearly all notes keep to, if that is not near the beat; else None."""
    reach = round(PLACE_REACH_BEATS * PLACE_BINS)
    window = np.zeros(PLACE_BINS)
    window[: reach + 1] = window[PLACE_BINS - reach :] = 1.0
    near = np.fft.irfft(np.fft.rfft(counts) * np.fft.rfft(window), PLACE_BINS)
    place = (int(np.argmax(near)) + 0.5) / PLACE_BINS
    for reach_beats in (PLACE_REACH_BEATS + 1.0 / PLACE_BINS, PLACE_REACH_BEATS):
        rest = frac - place
        rest = rest - np.rint(rest)
        mine = np.abs(rest) <= reach_beats
        place += float(np.median(rest[mine])) if np.any(mine) else 0.0
    place -= round(place)
    if np.count_nonzero(mine) < ONE_PLACE_SHARE * len(frac) or abs(place) <= NEAR_BEAT_BEATS:
        return None
    return float(place)


def meaning(
    place: float, frac: Floats, beats: Floats, pc: Ints, take: Take, chart: Chart | None
) -> tuple[str, Why | None]:
    """Whether notes that keep to one place away from the beat are its "on"-beats or "off"-beats, or "unknown"."""
    ours, calibrated = not take.header.foreign, take.header.calibration is not None
    found = _by_the_others(place, frac)
    if found is None and place > 0.0:
        found = _late(place, chart, LATENCY_MOST_BEATS if ours and not calibrated else LATE_REACH_BEATS)
    elif found is None and ours and not calibrated and place < -EARLY_MOST_BEATS:  # a set-up makes nobody early
        found = "off"
    elif found is None:
        found = _early(place, beats, pc, chart)
    if found is not None:
        return found, None
    tell = (
        "calibrate again to tell" if calibrated else "trainer calibrate tells them apart" if ours
        else "give the downbeat in seconds if they are on the beat"
    )  # fmt: skip
    after = f"{place % 1.0:.2f} of a beat after the beat"
    return "unknown", no_figure(
        "one_place", f"nearly every note falls {after}: off-beats, or the beat itself moved; {tell}"
    )


def _by_the_others(place: float, frac: Floats) -> str | None:
    """By the few other notes: on the beat they make these off-beats, behind these they are *their* off-beats."""
    from_beat = np.abs(frac - np.rint(frac))
    behind = (frac - place) % 1.0
    n_on = int(np.count_nonzero(from_beat < PLACE_REACH_BEATS))
    n_behind = int(np.count_nonzero((behind > 0.42) & (behind < 0.85)))
    if max(n_on, n_behind) < max(4, 2 * min(n_on, n_behind)):
        return None
    return "off" if n_on > n_behind else "on"


def _late(place: float, chart: Chart | None, latency_beats: float) -> str | None:
    """Notes after the beat are late where no off-beats are asked for, or within what latency or habit explain."""
    quarters = chart is not None and not any(bar.line in ("eighths", "free") for bar in chart.bars)
    return "on" if quarters or place <= latency_beats else None


def _early(place: float, beats: Floats, pc: Ints, chart: Chart | None) -> str | None:
    """An on-beat played early brings the new root before the change, an off-beat after it."""
    if chart is not None:
        before, behind = roots_at_changes(beats, pc, chart, np.array([place, place % 1.0]))
        if abs(before - behind) >= CLEARLY_MORE:
            return "on" if before > behind else "off"
    return "on" if place >= -EARLY_MOST_BEATS else None
