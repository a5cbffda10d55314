"""The round trip of a cable from an output to the bass's input: how late the click comes back, exact to the sample.

The click is played by the ordinary engine and recorded as a bass would be, so what is measured is what a note will be
late by: output and input together, by the same clocks. Each click is rendered again here and looked for in the
recording by correlation; the peak is read between samples by a parabola. Our choice: the correlation that counts as
found, and how far it is looked for.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from trainer.band import PARTS, arrange
from trainer.band.sound import FontRenderer, StemRenderer, stem_renderer
from trainer.clock.tempo import TempoMap
from trainer.errors import TrainerError, UsageError
from trainer.live.calibration import click_rows, clicks_of
from trainer.session import expand
from trainer.take import Take
from trainer.take.rehearing import frames_at
from trainer.take.sound_file import read_sound

__all__ = ["RoundTrip", "leak_db", "leak_words", "round_trip"]

FOUND = 0.5
LEAD_S, REACH_S = 0.02, 0.35  # less than from one click to the next
STRAY_S = 0.002  # a click that seems to come back so much sooner or later was not found
LONG_S = 0.09
MIN_CLICKS = 4
LEAK_FOUND = 0.3
LEAK_SAID_DB = -30.0

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class RoundTrip:
    """`ms` is the median over the clicks that came back, `spread_ms` the widest of them from it, `n` how
    many; `frames` the same in samples of `rate_hz`."""

    ms: float
    spread_ms: float
    n: int
    frames: float
    rate_hz: int


def round_trip(take: Take, recording: Path) -> RoundTrip:
    """The round trip in a take of the click session. `UsageError` when the clicks do not come back."""
    if take.session is None:
        raise UsageError(f"{recording}: no click was played to it; run: trainer calibrate --loop")
    sound = read_sound(recording)
    samples, rate_hz = np.asarray(sound.samples, np.float64), sound.rate_hz
    chart = expand(take.session)
    tempo = TempoMap(chart.tempo_segments)
    score = arrange(chart, guide="on", guide_line=click_rows(take.session))
    stems = stem_renderer(score, tempo, rate_hz)
    part = PARTS.index("guide")
    clicks = clicks_of(take)
    expected = frames_at(take, clicks)
    lags, gains = [], []
    for second, frame in zip(clicks.tolist(), expected.tolist(), strict=True):
        n = round(LONG_S * rate_hz)
        first = round((second - stems.start_s) * rate_hz)
        wanted = np.asarray(stems.block(first, n)[part, :, 0], dtype=np.float64)
        # where the block's first frame lies between two of the recording's
        off = frame + (stems.start_s + first / rate_hz - second) * rate_hz
        at = int(np.floor(off))
        low = at - round(LEAD_S * rate_hz)
        if low < 0 or low + n + round((LEAD_S + REACH_S) * rate_hz) > len(samples):
            continue
        heard = samples[low : low + n + round((LEAD_S + REACH_S) * rate_hz)]
        found = _found_at(heard, wanted)
        if found is not None:
            lags.append(low + found[0] - off)
            gains.append(found[1])
    near = np.abs(np.array(lags) - np.median(lags)) <= STRAY_S * rate_hz if lags else np.zeros(0, dtype=np.bool_)
    lags, gains = np.array(lags)[near].tolist(), np.array(gains)[near].tolist()
    if len(lags) < MIN_CLICKS:
        raise UsageError(
            f"only {len(lags)} of {len(clicks)} clicks came back; expected a cable from the interface's output to the "
            "input that the bass is on, and both volumes half way up"
        )
    middle = float(np.median(lags))
    spread = float(np.max(np.abs(np.array(lags) - middle)))
    return RoundTrip(1e3 * middle / rate_hz, 1e3 * spread / rate_hz, len(lags), middle, rate_hz)


def leak_db(take: Take, recording: Path, soundfont: Path | None = None) -> float | None:
    """How far under the bass's loudest tenth of a second the count-in comes back through the bass's input; None where
    it is not found there. The count is played before anybody plays along, so that only a leak can hold it. `soundfont`:
    what it was played with; None also where that has gone meanwhile.
    """
    facts = take.header.extra.get("hearing")
    loud_db = facts.get("level_db") if isinstance(facts, Mapping) else None
    if take.session is None or loud_db is None:
        return None
    sound = read_sound(recording)
    rate_hz = sound.rate_hz
    chart = expand(take.session)
    tempo = TempoMap(chart.tempo_segments)
    score = arrange(chart)
    part = PARTS.index("count")
    counts = score.events[score.events["part"] == part]
    seconds = np.unique(np.asarray(tempo.seconds_at(counts["onset_beats"]), dtype=np.float64))
    n = round(LONG_S * rate_hz)
    try:
        played = _blocks(stem_renderer(score, tempo, rate_hz, soundfont=soundfont), part, seconds, n)
    except TrainerError:
        return None
    lags, levels_db = [], []
    for wanted, frame in zip(played, frames_at(take, seconds).tolist(), strict=True):
        low = round(frame) - round(LEAD_S * rate_hz)
        heard = sound.samples[max(low, 0) : max(low + n + round((LEAD_S + REACH_S) * rate_hz), 0)].astype(np.float64)
        found = _found_at(heard, wanted, LEAK_FOUND) if low >= 0 and len(heard) > n and wanted.any() else None
        if found is not None:
            lags.append(found[0] / rate_hz)
            levels_db.append(20.0 * float(np.log10(abs(found[1]) * np.sqrt(np.mean(wanted**2)) + 1e-12)))
    near = np.abs(np.array(lags) - np.median(lags)) <= STRAY_S if lags else np.zeros(0, dtype=np.bool_)
    if np.count_nonzero(near) < 3:  # chance finds them all over the place
        return None
    return float(np.median(np.array(levels_db)[near])) - float(loud_db)


def _blocks(stems: StemRenderer | FontRenderer, part: int, seconds: Floats, n: int) -> list[Floats]:
    """A part's sound from each of some moments on, `n` frames; its instruments are given back."""
    starts = np.rint((seconds - stems.start_s) * stems.sample_rate_hz).astype(np.int64)
    try:
        return [stems.block(start, n)[part].mean(axis=1).astype(np.float64) for start in starts.tolist()]
    finally:
        if isinstance(stems, FontRenderer):
            stems.close()


def leak_words(take: Take, recording: Path, soundfont: Path | None = None) -> str | None:
    """What is to be said of a band that comes back through the bass's input, or None."""
    under_db = leak_db(take, recording, soundfont)
    if under_db is None or under_db < LEAK_SAID_DB:
        return None
    facts = take.header.extra["hearing"]
    n, n_unsure = len(take.notes), int(facts.get("n_unsettled", 0))
    return (
        f"the band comes back through the bass's input, {-under_db:.0f} dB under the bass: wear headphones, or turn "
        f"its output down in the interface's mixer; {n - min(n_unsure, n)} of {n} notes settled on a pitch all the "
        "same, and some of those may be the band's"
    )


def _found_at(heard: Floats, wanted: Floats, least: float = FOUND) -> tuple[float, float] | None:
    """(frame, gain) of `wanted` in `heard`, between samples; None where it is not in it."""
    n, m = len(heard), len(wanted)
    size = 1 << int(np.ceil(np.log2(n + m)))
    product = np.fft.irfft(np.fft.rfft(heard, size) * np.conj(np.fft.rfft(wanted, size)), size)[: n - m + 1]
    energy = np.convolve(heard**2, np.ones(m), "valid")
    own = float(wanted @ wanted)
    like = product / np.sqrt(np.maximum(energy * own, 1e-18))
    k = int(np.argmax(like))
    if like[k] < least or not 0 < k < len(product) - 1:
        return None
    a, b, c = product[k - 1], product[k], product[k + 1]
    curve = a - 2.0 * b + c
    return k + (0.5 * (a - c) / curve if curve < 0.0 else 0.0), float(b / own)
