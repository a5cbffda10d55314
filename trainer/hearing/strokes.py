"""Where a string is struck, over a whole recording.

Two things tell a stroke from a string that rings on: the level over one period rises, and there is motion that is
not that of a period (or a few) before, dying. Both are read in the strings' own band, 30–700 Hz, so that fingers and
frets count little; both are those of Bello et al. 2005 ("A tutorial on onset detection in music signals": energy, and
error of prediction from the past), with the period of the string as the time over which to measure, so that the
pulses of a low string cancel out. Peaks are picked as Dixon 2006 ("Onset detection revisited") does: highest within
a window, above a threshold.

The onset itself is 25 % of the first strong swing of the attack (our choice): below 1.2 kHz the first extremum of at
least 35 % of the greatest in the first 20 ms, after taking away what the strings before would have gone on to do.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from trainer.hearing.pitch import Doubles, periods
from trainer.hearing.signal import PIECE_S, Floats, pieces

__all__ = ["HOP_S", "Motion", "Swing", "between", "motion", "peaks", "surplus", "swing", "turn"]

HOP_S: Final = 0.002
_LOOK_S: Final = 0.050  # of the past, for its period
_AHEAD_S: Final = 0.060  # where the period of what begins here can be read
_PAD_S: Final = 0.150
_MARGIN_S: Final = 0.300  # what a row can look at, before and after it
_NEWS_S: Final = 0.008  # how much of what follows is compared with its past: as short as tells a low string
_BACK_S: Final = 0.016  # a period that was told before a glide, or a slip to another, may tell better
_STEP_S: Final = 0.008, 0.024  # how far back the least of it is looked for
_RISE_S: Final = 0.012, 0.036
_SOON_S: Final = 0.026
# how far a period may have moved meanwhile: two semitones within 70 ms are 4 % over the longest
_DRIFT: Final = (-0.04, -0.028, -0.015, -0.005, 0.0, 0.005, 0.015, 0.028, 0.04)
_FLOOR: Final = 1e-7  # mean square, −70 dBFS
_AT_ONCE: Final = 500  # rows: a few MB
_TURN_S: Final = 0.040, 0.020
_FIRST_S: Final = 0.020
_GAIN_S: Final = 0.006
_STRONG_FRAC: Final = 0.35
_FAINT_FRAC: Final = 0.3
_ONSET_FRAC: Final = 0.25
_CLEAR_OF_S: Final = 0.0015  # before the crossing nothing of the attack is in what the doubt is read from


class Swing(NamedTuple):
    """Where an attack's first strong swing stands at a quarter, and by how much (standard deviation) what was there
    before the stroke may have moved that; NaN where too little of it was seen. Both in frames."""

    at: float
    doubt: float


@dataclass(frozen=True, slots=True)
class Motion:
    """What the strings do at each hop: their period and its clearness over the past 50 ms; the mean square of what
    follows that is no going on of it (dB), and that over the level of the last period (dB); rise of the level over one
    period (dB); mean square of what follows (dB); rise of what lies above the tone band (dB); mean square of the next
    26 ms (dB)."""

    hop_s: float
    period_s: Doubles
    clear: Doubles
    fresh_db: Doubles
    news_db: Doubles
    rise_db: Doubles
    level_db: Doubles
    bright_db: Doubles
    soon_db: Doubles

    @property
    def step_db(self) -> Doubles:
        """The rise of `news_db` within 8 to 24 ms; worked out anew, for 35 minutes of it take 8 MB."""
        return _step(self.news_db)


def motion(tone: Floats, upper: Floats, rate_hz: float) -> Motion:
    """Read from the tone band of a recording (see `decimated`), one row each 2 ms."""
    hop = max(1, round(HOP_S * rate_hz))
    n = len(tone) // hop
    columns = np.empty((8, n))
    for begin, first, last, end in pieces(n, round(PIECE_S / HOP_S), round(_MARGIN_S / HOP_S)):
        rows = _rows(tone[begin * hop : end * hop], upper[begin * hop : end * hop], rate_hz, hop)
        for column, part in zip(columns, rows, strict=True):
            column[first:last] = part[first - begin : last - begin]
    return Motion(hop / rate_hz, *columns)


def _rows(tone: Floats, upper: Floats, rate_hz: float, hop: int) -> tuple[Doubles, ...]:
    """The columns of a piece's `Motion`, in its order."""
    pad = round(_PAD_S * rate_hz)
    n = len(tone) // hop
    sound = np.pad(tone, pad)
    at = pad + np.arange(n) * hop
    look = round(_LOOK_S * rate_hz)
    period, clear = np.zeros(n), np.zeros(n)
    frames = np.lib.stride_tricks.sliding_window_view(sound, look)
    for first in range(0, n, _AT_ONCE):
        rows = slice(first, first + _AT_ONCE)
        period[rows], clear[rows] = periods(frames[at[rows] - look], rate_hz)
    energy = _summed(sound)
    before = np.concatenate([period[:1].repeat(min(round(_BACK_S / HOP_S), n)), period])[:n]
    fresh = np.minimum(*(_fresh(sound, at, energy, told, rate_hz) for told in (period, before)))
    long = np.maximum(period, _RISE_S[0] * rate_hz).astype(int)
    news = fresh - 10 * np.log10((energy[at] - energy[at - long]) / long + _FLOOR)
    ahead = round(_AHEAD_S / HOP_S)
    coming = np.concatenate([np.where(clear > 0.7, period, 0.0)[ahead:], np.zeros(min(ahead, n))])
    width = np.clip(np.maximum(period, coming), _RISE_S[0] * rate_hz, _RISE_S[1] * rate_hz).astype(int)
    after, before = (energy[at + 2 * width] - energy[at]) / 2, energy[at] - energy[at - width]
    quiet = width * _FLOOR
    rise = 10 * np.log10((after + quiet) / (before + quiet))
    short = round(_SOON_S * rate_hz)
    soon = 10 * np.log10((energy[at + short] - energy[at]) / short + 1e-12)
    above = _summed(np.pad(upper, pad))
    quiet = width * np.maximum(_FLOOR, 0.003 * after / width)
    bright = 10 * np.log10((above[at + width] - above[at] + quiet) / (above[at] - above[at - width] + quiet))
    return period / rate_hz, clear, fresh, news, rise, 10 * np.log10(after / width + 1e-12), bright, soon


def _summed(sound: Floats) -> Doubles:
    """The energy before each sample, and of all: (n + 1,)."""
    out = np.zeros(len(sound) + 1)
    np.square(sound, out=out[1:], dtype=np.float64)
    np.cumsum(out[1:], out=out[1:])
    return out


def _fresh(sound: Floats, at: NDArray[np.int_], energy: Doubles, period: Doubles, rate_hz: float) -> Doubles:
    """What follows each place beyond the motion one or two whole periods (or more) before it, which may have died
    since but cannot have been driven: its mean square over 8 ms, in dB."""
    width = round(_NEWS_S * rate_hz)
    frames = np.lib.stride_tricks.sliding_window_view(sound, width)
    left = energy[at + width] - energy[at]
    for part in np.array_split(np.flatnonzero(period > 0), max(1, len(at) // _AT_ONCE)):
        here = at[part]
        follows, own = frames[here], left[part]
        fewest = np.ceil(width / period[part])
        for more in (0, 1):
            for drift in _DRIFT:
                start = here - np.rint((fewest + more) * period[part] * (1 + drift)).astype(int)
                past = energy[start + width] - energy[start]
                product = np.einsum("ij,ij->i", frames[start], follows)
                gain = np.clip(product / np.maximum(past, 1e-12), 0.0, 1.0)
                left[part] = np.minimum(left[part], own - gain * (2 * product - gain * past))
    return np.asarray(10 * np.log10(np.maximum(left, 0.0) / width + _FLOOR))


def _step(news: Doubles) -> Doubles:
    """By how much each row lies above the least of those 8 to 24 ms before it."""
    near, far = (round(s / HOP_S) for s in _STEP_S)
    padded = np.concatenate([np.full(far, np.inf), news])
    least = np.lib.stride_tricks.sliding_window_view(padded, far - near + 1).min(axis=1)[: len(news)]
    return np.where(np.isfinite(least), news - least, 0.0)


def peaks(height: Doubles, least: float, apart: int) -> NDArray[np.int_]:
    """Places of the highest rows above `least`, none within `apart` rows of a higher one."""
    padded = np.concatenate([[-np.inf], height, [-np.inf]])
    top = np.flatnonzero((height >= padded[:-2]) & (height > padded[2:]) & (height > least))
    taken = np.zeros(len(height) + 2 * apart, bool)
    kept = []
    for row in top[np.argsort(-height[top], kind="stable")]:
        if not taken[row + apart]:
            kept.append(row)
            taken[row + 1 : row + 2 * apart] = True
    return np.sort(np.array(kept, dtype=int))


def turn(tone: Floats, near: int, rate_hz: float, before_frames: float, after_frames: float) -> int:
    """The frame near which one motion gives way to another: before it the sound is best told from the past (the old
    period going on, or dying), after it from what comes later (the new period run backward). Least total error of
    the two."""
    start, end = near - round(_TURN_S[0] * rate_hz), near + round(_TURN_S[1] * rate_hz)
    far = end + int(after_frames) + 2
    if start < 0 or far > len(tone):
        return near
    n = np.arange(start, end)
    here = tone[start:end].astype(np.float64)
    width = max(3, round(0.004 * rate_hz) | 1)
    box = np.ones(width) / width

    def error(template: Doubles) -> Doubles:
        power = np.convolve(template * template, box, "same") + 1e-12
        gain = np.clip(np.convolve(template * here, box, "same") / power, 0.0, 1.2)
        return np.convolve((here - gain * template) ** 2, box, "same")

    old = here * 0.0
    if before_frames > 0:
        turns = np.floor((n - start) / before_frames) + 1
        old = between(tone, n - turns * before_frames)
    new = old * 0.0
    if after_frames > 0:
        turns = np.floor((end - 1 - n) / after_frames) + 1
        new = between(tone, n + turns * after_frames)
    told = np.concatenate([[0.0], np.cumsum(error(old))])
    after = np.concatenate([[0.0], np.cumsum(error(new))])
    return start + int(np.argmin(told + after[-1] - after))


def between(sound: Floats, at: Floats) -> Doubles:
    """Values at fractional places."""
    at = np.clip(at, 0, len(sound) - 2)
    k = at.astype(int)
    share = at - k
    value: Doubles = (1 - share) * sound[k] + share * sound[k + 1]
    return value


def surplus(sound: Floats, start: int, end: int, rate_hz: float, period_frames: float) -> Doubles:
    """What is in `sound[start:end]` beyond what rang before `start`: the last period goes on, at a strength that can
    only fall (a string may be damped at any moment, never driven)."""
    part = sound[start:end].astype(np.float64)
    if period_frames <= 1 or start < 2 * period_frames + 2:
        return part
    n = np.arange(start, end)
    turns = np.floor((n - start) / period_frames) + 1
    template = between(sound, n - turns * period_frames)
    box = np.ones(max(3, round(_GAIN_S * rate_hz) | 1))
    power = np.convolve(template * template, box, "same")
    trust = 0.1 * power.mean() + 1e-12  # where the past says little, it is believed to go on
    gain = np.clip((np.convolve(template * part, box, "same") + trust) / (power + trust), 0.0, 1.0)
    return part - np.minimum.accumulate(gain) * template


def swing(
    low: Floats, near: int, rate_hz: float, period_frames: float = 0.0, back_s: float = 0.004, ahead_s: float = 0.044
) -> Swing | None:
    """The onset in frames: 25 % of the first strong swing of the attack that begins near frame `near`.

    `low` is the sound below 1.2 kHz; `period_frames` of what rang before (0: nothing did). None where there is no
    swing at all.
    """
    start = max(0, near - round(back_s * rate_hz))
    end = min(len(low), near + round(ahead_s * rate_hz))
    if end - start < 8:
        return None
    part = surplus(low, start, end, rate_hz, period_frames)
    size = np.abs(part)
    first = round(_FIRST_S * rate_hz)
    inner = np.zeros(len(size), bool)
    inner[1:-1] = (size[1:-1] >= size[:-2]) & (size[1:-1] > size[2:]) & (size[1:-1] >= _FAINT_FRAC * size.max())
    for top in np.flatnonzero(inner):
        if size[top] >= _STRONG_FRAC * size[top : top + first].max():
            break
    else:
        return None
    toward = part[: top + 1] * np.sign(part[top])
    under = np.flatnonzero(toward < _ONSET_FRAC * size[top])
    if not len(under):
        return Swing(float(start), float("nan"))
    k = int(under[-1])
    rise = toward[k + 1] - toward[k]
    rest = part[: max(0, k - round(_CLEAR_OF_S * rate_hz))]
    doubt = float(rest.std() / rise) if len(rest) >= round(_CLEAR_OF_S * rate_hz) else float("nan")
    return Swing(float(start + k + (_ONSET_FRAC * size[top] - toward[k]) / rise), doubt)
