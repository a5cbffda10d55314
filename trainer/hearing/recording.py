"""The unhurried second pass: a whole recording in, the notes that are scored out.

Strokes come from `strokes`; each stretch between two of them is read for its pitch, its end and whether it has a
pitch at all. A stretch that only goes on with the one before is joined to it; one that begins without an attack at
another pitch (hammer-on, pull-off) begins where the old period stops telling the sound and the new one starts.

A string that rings into a note is taken out by its own period: the sound minus itself one period before holds nothing
of it (a comb filter; de Cheveigné 1993, "Separation of concurrent harmonic sounds"). What is left tells the other.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from trainer.hearing.events import velocity_of
from trainer.hearing.hum import take_hum_out
from trainer.hearing.meter import levels
from trainer.hearing.pitch import Doubles, difference, periods, pitch_of
from trainer.hearing.signal import (
    PIECE_S,
    Floats,
    Sliced,
    Steady,
    attack_kernel,
    band_kernel,
    decimated,
    filtered,
)
from trainer.hearing.single import before_the_bass, refusal_and_doubt
from trainer.hearing.strokes import HOP_S, Motion, Swing, between, motion, peaks, swing, turn

__all__ = ["HEARD_DTYPE", "Heard", "refine"]

HEARD_DTYPE: Final[np.dtype[Any]] = np.dtype(
    [
        ("onset_s", "f8"),
        ("duration_s", "f8"),
        ("pitch", "f4"),
        ("velocity", "u1"),
        ("settled", "?"),
        ("dead", "?"),
        ("loudness_db", "f4"),
    ]
)

_LEAST: Final = 1.3
_BRIGHT_DB: Final = 4.0  # a pick or a nail
_LIKELY: Final = 2.2  # below it, a stroke needs a new pitch or a bright attack
_SILENT_DB: Final = -60.0
_SHORTEST_S: Final = 0.1  # of less no level is told
_CLEAR: Final = 0.7
_CLEAR_ABOVE: Final = 0.85  # without its fundamental
_CLEAR_LOW: Final = 0.85  # in the lowest band alone, where even noise hums
_LOWEST_BAND_HZ: Final = 250.0
_CERTAIN_CLEAR: Final = 0.9  # a reading that needs no second
_ALONE: Final = 0.985  # nothing else sounds
_CLEARER: Final = 0.03  # by which it must be, to be believed instead
_OTHER_FRAC: Final = 0.06  # of the power, at least, is another note's
_LAST_PERIODS: Final = 2.2
_SHORT_S: Final = 0.12
_LAST_S: Final = 0.012
_LAST_CLEAR: Final = 0.93
_LATER_CLEAR: Final = 0.97
_THUMP_HZ: Final = 130.0  # a thumb on the string sounds below it
_CERTAIN: Final = 5.0  # evidence that needs no more
_FITS: Final = 0.5
_NEAR_S: Final = 0.5
_GLIDE: Final = 4.0  # semitones that a note may slide
_PEAK_S: Final = 0.060
_DEAD_DB: Final = (
    14.0  # a ghost is at most this much softer than the loud notes; a finger leaving the string is softer (our choice)
)
_AROUND: Final = 8  # strokes before and after, by which one is soft
_MOVED_DB: Final = 24.0  # under the usual ones around them: skip notes of a shuffle may be 20 dB softer
_SURE: Final = 3.0
_GAP_DB: Final = 6.0  # a level that rises more than this begins where nothing much rang
_APART_S: Final = 0.044
_SAME_S: Final = 0.030
_TROUBLED_S: Final = 0.057  # how long a hard attack rattles; longer, and every second stroke of quick repeats is lost
_SETTLES_S: Final = 0.1  # how long a note after a rest may change its shape
_MUCH: Final = 5.0  # times the evidence
_STEP_S: Final = 0.014
_LEAVES_S: Final = 0.010  # a finger that leaves the string, before the rest
_HUM_DB: Final = 3.0
_HUM_OFF: Final = 0.6  # semitones
_SWING_S: Final = 0.25  # around an attack, more than its reading looks at
_BACK_S: Final = 0.026  # how far before its highest evidence a stroke may begin: one period of the lowest string
_KNOWN_S: Final = 0.016  # a string that is being stopped is not clear, but was
_ON_S: Final = 0.036  # and how far after it: the level is read over that long ahead
_RUSH_S: Final = 0.006
_HOLD_S: Final = 0.002
_NEW: Final = 1.0  # of `_newness`
_SOFT_DB: Final = 14.0  # under what is to come, a finger or pick laid on the string; a first strong swing is not
_TWO_STRINGS: Final = 1.7  # semitones: closer ones cannot be told apart so soon
_DIED_FRAC: Final = 0.25  # of its power
_SAME: Final = 0.85  # likeness
_GAPS_S: Final = 0.006, 0.045  # a string that is stopped takes a while to die
_THUMP_S: Final = 0.1  # how long a thump may hide the string under it
_STEADY_S: Final = 3e-5  # robust SD of onsets where nothing else sounds: 0.01 to 0.03 ms over two recorded basses


@dataclass(frozen=True, slots=True)
class Heard:
    """What a recording holds. `notes` has one row a stroke (`HEARD_DTYPE`), sorted by onset, seconds from the
    recording's start; `pitch` is in fractional semitones by `a4_hz`, NaN for a dead stroke. `refusal` says why this
    is not one bass, or is None; `doubt` asks what sounds with it, so that notes may be wrong. `scatter_s` is the ear's
    own scatter of onsets in this recording, that nine strokes in ten are within (a standard deviation): the noise, hum
    and ringing strings before each against how steeply it rises; None where no stroke had enough before it. `n_before`
    strokes were heard ahead of the bass, of something else, and are not among the notes."""

    notes: NDArray[Any]
    rate_hz: float
    seconds: float
    a4_hz: float
    tuning_cents: float | None
    level_db: float | None
    noise_db: float | None
    refusal: str | None
    doubt: str | None = None
    scatter_s: float | None = None
    n_before: int = 0


@dataclass(frozen=True, slots=True)
class _Stretch:
    onset: float  # frames of the tone band
    end: float
    pitch: float
    clear: float
    settled: bool
    level_db: float
    row: int


def refine(samples: Sliced, rate_hz: float, a4_hz: float | None = None) -> Heard:
    """The notes of a recording of one bass, mono, float ±1, read by slices several times over: ten minutes take 120 MB
    beside what `samples` holds and each more 6, so that 35, the most that a recording of four channels may have, take
    some 260. Pitches are counted from `a4_hz`; None takes the instrument's own tuning where it is clear (within a
    quarter tone of 440 Hz). An empty or silent recording, or one under a tenth of a second, gives no notes and a
    refusal."""
    sound = Steady(samples, rate_hz)
    seconds = len(sound) / rate_hz
    measured = levels(sound, rate_hz)
    if measured.peak_db < _SILENT_DB:
        is_scrap = 0 < len(sound) < round(_SHORTEST_S * rate_hz)
        silence = f"silence: the loudest sample is {measured.peak_db:.0f} dBFS"
        reason = f"{1e3 * seconds:.0f} ms of sound: too short to tell a note" if is_scrap else silence
        return Heard(np.zeros(0, HEARD_DTYPE), rate_hz, seconds, a4_hz or 440.0, None, None, None, reason)
    tone, upper, rate = decimated(sound, rate_hz)
    hum = take_hum_out(tone, rate)
    moves = motion(tone, upper, rate)
    del upper
    at, onsets, height, scatter_s = _strokes(sound, moves, rate_hz, rate, -120.0 if hum is None else hum[1])
    made = _Sound(tone, rate, moves, float(np.percentile(moves.level_db, 95)))
    rows = _judged(made, at, onsets, height)
    if hum is not None:
        rows = [s for s in rows if not _is_hum(made, s, *hum)]
    notes = np.zeros(len(rows), HEARD_DTYPE)
    full = max((s.level_db for s in rows), default=0.0) + 3.0
    for i, s in enumerate(rows):
        notes[i] = (
            s.onset / rate,
            max(0.0, s.end - s.onset) / rate,
            s.pitch,
            velocity_of(s.level_db, full),
            s.settled,
            not np.isfinite(s.pitch),
            s.level_db,
        )
    n_before = before_the_bass(notes)
    notes = notes[n_before:]
    refusal, doubt = refusal_and_doubt(notes, tone, rate)
    cents = _tuning(notes)
    a4 = a4_hz if a4_hz is not None else 440.0 * 2 ** ((cents or 0.0) / 1200)
    notes["pitch"] -= np.float32(12 * np.log2(a4 / 440.0))
    loud_db, noise_db = measured.loud_db, measured.noise_db
    return Heard(notes, rate_hz, seconds, a4, cents, loud_db, noise_db, refusal, doubt, scatter_s, n_before)


def _tuning(notes: NDArray[Any]) -> float | None:
    """By how many cents the settled notes lie off the semitones of A4 = 440 Hz, as a group (−50 … 50); None if they
    do not agree."""
    pitch = notes["pitch"][notes["settled"] & ~notes["dead"]].astype(np.float64)
    if len(pitch) < 8:
        return None
    middle = complex(np.exp(2j * np.pi * pitch).mean())
    if abs(middle) < 0.5:
        return None
    return float(np.angle(middle) / (2 * np.pi) * 100)


def _evidence(moves: Motion) -> Doubles:
    """How much speaks for a stroke at each hop; 1 is a little. A level that rises by 2.5 dB over a period; motion that
    is new; brightness that returns."""
    rise = np.clip(moves.rise_db, -10, 60) / 2.5
    out: Doubles = rise + _newness(moves) + np.clip((moves.bright_db - 3) / 8, 0, 1.5)
    return out


def _newness(moves: Motion) -> Doubles:
    """How much speaks for motion that is no going on of what was: 0 … 3. A string that rings on, dies or is stopped
    mostly gives less than 1, a stroke into it 2 and more; 0 where nothing clear was."""
    back = round(_KNOWN_S / HOP_S)
    clear = np.lib.stride_tricks.sliding_window_view(np.pad(moves.clear, (back, 0)), back + 1).max(axis=1)
    known = np.clip((clear - 0.5) / 0.3, 0, 1)
    out: Doubles = known * np.clip((moves.step_db - 12) / 4, 0, 3) * np.clip((moves.news_db + 9) / 6, 0, 1)
    return out


def _floor_db(moves: Motion, hum_db: float) -> float:
    """Below this nothing is a note: 35 dB under the loud ones, or a little above the hum and noise of the rests."""
    loud, quiet = np.percentile(moves.level_db, [95, 2])
    # what is left of a hum that was taken out is at least 15 dB softer than it
    return float(max(loud - 35, min(max(quiet + 8, hum_db - 15), loud - 15)))


def _period_at(moves: Motion, row: int, rate: float) -> float:
    """The period of what rang during the 50 ms before a row, in frames; 0 where nothing clear did."""
    row = min(max(row, 0), len(moves.clear) - 1)
    return float(moves.period_s[row] * rate) if moves.clear[row] > 0.6 else 0.0


def _strokes(
    sound: Sliced, moves: Motion, rate_hz: float, rate: float, hum_db: float
) -> tuple[NDArray[np.int_], Doubles, Doubles, float | None]:
    """(row, onset in frames of the tone band, evidence) of each stroke; the scatter of onsets, `Heard`."""
    height = _evidence(moves)
    height[moves.soon_db < _floor_db(moves, hum_db)] = 0
    rows = peaks(height, _LEAST, round(_APART_S / HOP_S))
    swings = _attacks(sound, rows, moves, rate_hz, rate)
    doubts = np.array([swung.doubt for swung in swings])
    doubts = doubts[np.isfinite(doubts)]
    found = sorted((swung.at, int(row)) for swung, row in zip(swings, rows, strict=True))
    kept: list[tuple[float, int]] = []
    for onset, row in found:
        if kept and onset - kept[-1][0] < _SAME_S * rate:
            if height[row] > height[kept[-1][1]]:
                kept[-1] = (kept[-1][0] if height[kept[-1][1]] > 4 else onset, row)
            continue
        if kept:
            after, loud = (onset - kept[-1][0]) / rate, height[kept[-1][1]]
            if after < _APART_S and height[row] < loud:  # the rows lay further apart
                continue
            if height[row] < _CERTAIN and (
                (after < _TROUBLED_S and loud > _SURE) or (after < _SETTLES_S and loud > _MUCH * height[row])
            ):
                continue
        kept.append((onset, row))
    index = np.array([row for _, row in kept], dtype=int)
    scatter_s = float(np.hypot(np.percentile(doubts, 90) / rate, _STEADY_S)) if len(doubts) else None
    return index, np.array([onset for onset, _ in kept]), height[index], scatter_s


def _attacks(sound: Sliced, rows: NDArray[np.int_], moves: Motion, rate_hz: float, rate: float) -> list[Swing]:
    """The onset of the stroke at each row, in frames of the tone band; `sound` is filtered a piece at a time."""
    hop, factor = round(moves.hop_s * rate), rate_hz / rate
    new = _newness(moves)
    margin = round(_SWING_S * rate_hz)
    out: list[Swing] = []
    base, low = 0, np.zeros(0, np.float32)
    for row in rows.tolist():
        near = int(row * hop * factor)
        if near + margin > base + len(low):
            base = max(0, near - margin)
            low = filtered(sound[base : near + round(PIECE_S * rate_hz)], attack_kernel(rate_hz))
        place, period, back_s = _edge(moves, new, row, rate)
        at = swing(low, int(place * hop * factor) - base, rate_hz, period * factor, back_s)
        if at is None:
            out.append(Swing(float(row * hop), float("nan")))
        else:
            out.append(Swing((at.at + base) / factor, at.doubt / factor))
    return out


def _edge(moves: Motion, new: Doubles, row: int, rate: float) -> tuple[int, float, float]:
    """(row near which the attack begins, period in frames of what rang into it, seconds before that row in which it
    may begin) of the stroke whose evidence is highest at `row`, which may be a good deal late or early: where first
    something new is about as loud as what is to come."""
    first, last = max(0, row - round(_BACK_S / HOP_S)), row + round(_ON_S / HOP_S)
    loud = moves.fresh_db[first:last]
    loud = loud >= loud.max() - _SOFT_DB
    edges = np.flatnonzero((loud & (new[first:last] >= _NEW))[: row - first + round(_RUSH_S / HOP_S)])
    if len(edges):
        edge = first + int(edges[0])
        before = max(0, edge - round(_KNOWN_S / HOP_S))
        period = _period_at(moves, before + int(moves.clear[before : edge + 1].argmax()), rate)
        if period:
            return edge, period, _HOLD_S
    if moves.rise_db[row] <= _GAP_DB:
        return row, _period_at(moves, row - round(0.020 / HOP_S), rate), 0.014
    near = max(first, row - round(_RUSH_S / HOP_S))
    later = np.flatnonzero(loud[near - first :])
    return max(row, near + int(later[0])) if len(later) else row, 0.0, _RUSH_S


def _pitch(sound: _Sound, start: int, end: int) -> tuple[float, float, bool]:
    """(period in frames, clearness, stands still) of a stretch: where it arrives, if it glides or another string
    still rings at first. Read in the tone band; where that is not clear, above the thump of a thumb, or in its lowest
    part, for strings that rattle."""
    if end - start < 0.030 * sound.rate:
        return 0.0, 0.0, False
    middle, sure, still = _stands_at(sound.tone[start:end], sound.rate)
    if sure > _CERTAIN_CLEAR:
        return middle, sure, still
    above = _stands_at(sound.above(start, end), sound.rate)
    if above[1] > (max(_CLEAR_ABOVE, sure) if sure > _CLEAR else _CERTAIN_CLEAR):
        return above
    if sure > _CLEAR:
        return middle, sure, still
    lowest = _stands_at(sound.lowest(start, end), sound.rate)
    return lowest if lowest[1] > _CLEAR_LOW else (0.0, 0.0, False)


def _beyond(
    sound: _Sound, start: int, end: int, before: _Stretch, told: tuple[float, float, bool]
) -> tuple[float, float, bool]:
    """A stretch into which the note before may ring: what was `told` of it, or, if that is clearer, what is told of
    it without whatever repeats itself with that note's period. A period that the two have in common is no note."""
    period = sound.rate / (440 * 2 ** ((before.pitch - 69) / 12))
    if not before.clear > _CLEAR or end - start < 0.030 * sound.rate or start < 2 * period:
        return told
    left = _without(sound, start, end, period)
    if not len(left):
        return told
    other = _stands_at(left, sound.rate)
    return other if other[1] > max(_CERTAIN_CLEAR, told[1] + _CLEARER) else told


def _stands_at(part: Floats, rate: float) -> tuple[float, float, bool]:
    """The same of one band: read over 75 ms, then closer, if that is as clear."""
    size = len(part)
    period, clear = _track(part, rate, int(min(size, 0.075 * rate)))
    middle, sure, still = _arrived(period, clear)
    width = int(np.clip(2.5 * middle, 0.030 * rate, 0.075 * rate))
    if sure > 0 and width < 0.8 * size:
        closer, surer, stands = _arrived(*_track(part, rate, width))
        if surer > 0.96 * sure and abs(12 * np.log2(closer / middle)) < _GLIDE:
            middle, sure, still = closer, max(sure, surer), stands
    if sure > 0:
        middle, sure = _last_word(part, rate, middle, sure, still)
    return middle, sure, still


def _last_word(part: Floats, rate: float, middle: float, sure: float, still: bool) -> tuple[float, float]:
    """(period, clearness) of a stretch by its end, where it slides, starts sharp, or a thump told the first of it."""
    size = len(part)
    short = size < _SHORT_S * rate
    if not still or short:
        width = int(np.clip(_LAST_PERIODS * middle, _LAST_S * rate, size))
        last, surely = (float(a[0]) for a in periods(part[None, size - width :], rate))
        if surely > _LAST_CLEAR and abs(12 * np.log2(last / middle)) < _GLIDE / 2:
            middle = last
    if short and middle > rate / _THUMP_HZ:
        last, surely = (float(a[0]) for a in periods(part[None, size // 2 :], rate))
        if surely > _LATER_CLEAR and last < 0.75 * middle:
            return last, surely
    return middle, sure


def _arrived(period: Doubles, clear: Doubles) -> tuple[float, float, bool]:
    """(period, clearness, stands still) where a track ends up: of its later half if that is clear, its last word if
    it still moves."""
    if clear.max() <= 0:
        return 0.0, 0.0, False
    good = clear >= 0.9 * clear.max()
    late = good.copy()
    late[: len(period) // 2] = False
    chosen = np.flatnonzero(late if late.sum() >= max(1, 0.25 * len(good)) else good)
    middle = float(np.median(period[chosen]))
    sure = float(np.median(clear[chosen]))
    away = 12 * np.log2(period[chosen] / middle)
    still = bool(len(chosen) > 2 and np.mean(np.abs(away) < 0.35) > 0.8)
    steps = np.diff(away)
    if len(steps) > 3 and not still and _GLIDE > np.abs(away[-1] - away[0]) > max(0.7, 0.8 * np.abs(steps).sum()):
        return float(period[chosen[-1]]), sure, False
    return middle, sure, still


def _track(part: Floats, rate: float, width: int) -> tuple[Doubles, Doubles]:
    hop = max(1, int(0.005 * rate))
    return periods(np.lib.stride_tricks.sliding_window_view(part, width)[::hop][:80], rate)


@dataclass(frozen=True, slots=True)
class _Sound:
    """A recording made ready: its tone band, the rate of that, what moves in it."""

    tone: Floats
    rate: float
    moves: Motion
    loud_db: float

    def lowest(self, start: int, end: int) -> Floats:
        """The lowest part of a stretch."""
        return self._through(band_kernel(self.rate, 0.0, _LOWEST_BAND_HZ, 0.010), start, end)

    def above(self, start: int, end: int) -> Floats:
        """What lies above a thump in a stretch."""
        return self.tone[start:end] - self._through(band_kernel(self.rate, 0.0, _THUMP_HZ, 0.020), start, end)

    def _through(self, kernel: Floats, start: int, end: int) -> Floats:
        begin = max(0, start - len(kernel))
        return filtered(self.tone[begin : end + len(kernel)], kernel)[start - begin :][: end - start]


def _read(sound: _Sound, onset: float, stop: float, row: int, before: _Stretch | None = None) -> _Stretch:
    """What lies between a stroke and the next: how loud it is, when it ends, its pitch; `before` may ring into it."""
    hop = sound.moves.hop_s * sound.rate
    a = min(int(onset / hop), len(sound.moves.level_db) - 1)
    level = sound.moves.level_db[a : max(a + 1, int(stop / hop))]
    peak = float(level[: int(_PEAK_S / HOP_S)].max())
    short = sound.moves.soon_db[a : a + len(level)]
    end = min(stop, onset + _sounding(short, sound.loud_db) * hop)
    begin, last = int(onset + 0.010 * sound.rate), int(min(end, stop - 0.003 * sound.rate))
    told = _pitch(sound, begin, last)
    if before is not None and told[1] < _ALONE:
        told = _beyond(sound, begin, last, before, told)
    if told[0] <= 0:  # a mute under the strings lets the first of a note fall as if it were stopped: what follows tells
        faded = min(stop, onset + _fading(short, sound.loud_db) * hop)
        part = sound.tone[begin : int(min(faded, stop - 0.003 * sound.rate))]
        later = _stands_at(part, sound.rate) if len(part) > 0.030 * sound.rate else told
        if later[1] > _CERTAIN_CLEAR:
            told, end = later, faded
    period, clear, still = told
    pitch = float(pitch_of(period, sound.rate)) if period > 0 else float("nan")
    return _Stretch(onset, float(end), pitch, clear, still and pitch == pitch, peak, row)


def _fading(level: Doubles, loud_db: float) -> int:
    """Rows until next to nothing is left."""
    nothing = np.flatnonzero(level < loud_db - 40)
    return int(nothing[0]) if len(nothing) else len(level)


def _sounding(level: Doubles, loud_db: float) -> int:
    """Rows until the string is stopped: a fall of 10 dB within 80 ms that goes on to 20, or to next to nothing. A
    slap's thump falls as fast, but leaves the string sounding."""
    back, on = round(0.080 / HOP_S), round(0.050 / HOP_S)
    nothing = np.flatnonzero(level < loud_db - 40)
    last = int(nothing[0]) if len(nothing) else len(level)
    trail = np.array([level[max(0, k - back) : k + 1].max() for k in range(last)])
    later = np.concatenate([level[on:last], np.full(min(on, last), level[last - 1] if last else 0.0)])[:last]
    if last < len(level):
        later[max(0, last - on) :] = -np.inf
    falls = np.flatnonzero(
        (level[:last] < trail - 10) & (np.minimum(later, level[:last]) < trail - 20) | (level[:last] < trail - 20)
    )
    return int(falls[0]) if len(falls) else last


def _judged(sound: _Sound, rows: NDArray[np.int_], onsets: Doubles, height: Doubles) -> list[_Stretch]:
    """The strokes that stand, each with what was read of it."""
    moves, rate = sound.moves, sound.rate
    hop = moves.hop_s * rate
    out: list[_Stretch] = []
    new = _newness(moves)
    for i, row in enumerate(rows):
        onset = float(onsets[i])
        stop = float(onsets[i + 1]) if i + 1 < len(onsets) else float(len(sound.tone))
        before = _ringing(out, onset, rate)
        here = _read(sound, onset, stop, int(row), before)
        known = [s for s in (before, here) if s is not None]
        turned_at = _steps(sound, onset, here.end, known)
        if turned_at:
            for begin, end in zip((onset, *turned_at), (*turned_at, stop), strict=True):
                out.append(_read(sound, begin, end, round(begin / hop)))
            continue
        struck = _struck(sound, here, out, float(height[i]), float(new[row]))
        if before is not None and not struck and not _stepped(sound, before, here):
            out[-1] = _read(sound, before.onset, stop, before.row, _ringing(out[:-1], before.onset, rate))
            continue
        if before is not None and height[i] < _CERTAIN and _stepped(sound, before, here):
            out[-1], here = _slurred(sound, before, here)
        out.append(here)
    named = _by_neighbours(sound, out)
    return _played([s for s in named if s.pitch == s.pitch or s.level_db >= sound.loud_db - _DEAD_DB], rate)


def _near(row: int) -> slice:
    """The rows in which an attack shows."""
    return slice(max(0, row - 4), row + 6)


def _struck(sound: _Sound, here: _Stretch, strokes: list[_Stretch], evidence: float, new: float) -> bool:
    """Whether something was struck `here`, after `strokes`, or only goes on."""
    before = _ringing(strokes, here.onset, sound.rate)
    bright = sound.moves.bright_db[_near(here.row)].max()
    if evidence <= _LIKELY and new < _NEW and bright <= _BRIGHT_DB:
        return False
    if before is None or evidence >= _CERTAIN or bright >= _BRIGHT_DB:
        return True
    thump = before.pitch != before.pitch and here.onset - before.onset < _THUMP_S * sound.rate
    return not (thump and new < _NEW) and not _go_on(sound, here.onset, strokes[-2:], here)


def _slurred(sound: _Sound, before: _Stretch, here: _Stretch) -> tuple[_Stretch, _Stretch]:
    """A note and the next, of another pitch: where one motion gives way to the other, if nothing was struck there."""
    was, now = (sound.rate / (440 * 2 ** ((p - 69) / 12)) for p in (before.pitch, here.pitch))
    turned = float(turn(sound.tone, int(here.row * sound.moves.hop_s * sound.rate), sound.rate, was, now))
    if abs(turned - here.onset) < _STEP_S * sound.rate and sound.moves.rise_db[_near(here.row)].max() < 3:
        return replace(before, end=min(before.end, turned)), replace(here, onset=turned)
    return before, here


def _played(strokes: list[_Stretch], rate: float) -> list[_Stretch]:
    """Without what fingers make a string say as they move along it: far softer than the strokes before it and those
    after it, and not slurred: with nothing just before it, or no pitch that stands."""
    level = np.array([s.level_db for s in strokes])

    def moved(i: int) -> bool:
        sides = [side for side in (level[max(0, i - _AROUND) : i], level[i + 1 : i + 1 + _AROUND]) if len(side)]
        slurred = i > 0 and strokes[i].settled and strokes[i - 1].end >= strokes[i].onset - 0.05 * rate
        return not slurred and all(level[i] < np.percentile(side, 75) - _MOVED_DB for side in sides)

    return [s for i, s in enumerate(strokes) if len(strokes) == 1 or not moved(i)]


def _go_on(sound: _Sound, at: float, strokes: list[_Stretch], here: _Stretch) -> bool:
    """Whether two strings that ring, of the pitches of the last strokes, explain what is `here` after a place: each,
    read without the other, goes on as it was or dies. Their beats, and the end of one, are no stroke."""
    known = [s.pitch for s in strokes if s.pitch == s.pitch]
    if here.pitch == here.pitch and not any(abs(here.pitch - p) < _FITS for p in known):
        return False
    pairs = [pair for pair in itertools.combinations(known, 2) if abs(pair[0] - pair[1]) > _TWO_STRINGS]
    periods_of = [[sound.rate / (440 * 2 ** ((p - 69) / 12)) for p in pair] for pair in pairs]
    return any(_goes_on(sound, at, a, b) and _goes_on(sound, at, b, a) for a, b in periods_of)


def _goes_on(sound: _Sound, at: float, own: float, other: float) -> bool:
    """Whether a string's motion, without that of the other, is behind a place what it was before, or has died."""
    size = round(max(1.5 * own, 0.012 * sound.rate))
    start = round(at - 0.004 * sound.rate) - size
    n = np.arange(start, start + size)
    if start < other + 2:
        return False
    was = sound.tone[n] - between(sound.tone, n - other)
    for gap_s in _GAPS_S:
        later = np.ceil((gap_s * sound.rate + size + other) / own) * own
        for drift in (-0.008, -0.004, 0.0, 0.004, 0.008):
            k = n + later * (1 + drift)
            if k[-1] + 2 > len(sound.tone):
                return False
            now = between(sound.tone, k) - between(sound.tone, k - other)
            power, left = was @ was, now @ now
            if left < _DIED_FRAC * power or 2 * (was @ now) > _SAME * (power + left):
                return True
    return False


def _is_hum(sound: _Sound, stroke: _Stretch, hz: float, hum_db: float) -> bool:
    """Whether a stroke is what was left of the hum in a rest: at one of its multiples, and no louder than it was."""
    part = sound.tone[round(stroke.onset + _LEAVES_S * sound.rate) : round(stroke.end)].astype(np.float64)
    if stroke.pitch != stroke.pitch or not len(part) or 10 * np.log10(np.mean(part * part) + 1e-12) > hum_db + _HUM_DB:
        return False
    multiple = 440 * 2 ** ((stroke.pitch - 69) / 12) / hz
    return bool(multiple > 0.9 and abs(12 * np.log2(multiple / round(multiple))) < _HUM_OFF)


def _by_neighbours(sound: _Sound, strokes: list[_Stretch]) -> list[_Stretch]:
    """A short, rattling stroke is given the pitch of the note before or after if its motion fits that too (several
    candidates kept, the path decides: Mauch & Dixon 2014); else that which stands out above a thump."""
    out = list(strokes)
    for i, stroke in enumerate(strokes):
        if stroke.pitch == stroke.pitch:
            continue
        start, end = int(stroke.onset + 0.004 * sound.rate), int(stroke.end)
        if end - start < 0.040 * sound.rate:
            continue
        best = _FITS, float("nan")
        near = [s for s in (*strokes[max(0, i - 1) : i], *strokes[i + 1 : i + 2]) if s.pitch == s.pitch]
        for other in near:
            period = sound.rate / (440 * 2 ** ((other.pitch - 69) / 12))
            reach = int(1.03 * period) + 2
            if abs(other.onset - stroke.onset) > _NEAR_S * sound.rate or reach > (end - start) * 2 // 3:
                continue
            curve = difference(sound.tone[None, start:end][:, : int(0.075 * sound.rate)], reach)[0]
            low = int(0.97 * period)
            k = low + int(np.argmax(curve[low:]))
            if curve[k] > best[0]:
                best = float(curve[k]), float(pitch_of(float(k), sound.rate))
        if best[1] == best[1]:
            out[i] = replace(stroke, pitch=best[1], clear=best[0])
            continue
        start += round(0.006 * sound.rate)
        middle, sure, _ = _stands_at(sound.above(start, end - round(0.003 * sound.rate)), sound.rate)
        if sure > _CLEAR:
            out[i] = replace(stroke, pitch=float(pitch_of(middle, sound.rate)), clear=sure)
    return out


def _steps(sound: _Sound, onset: float, stop: float, known: list[_Stretch]) -> list[float]:
    """Where the pitch steps from one stand to another with nothing struck (hammer-on, pull-off), in frames; not where
    one of the `known` notes only goes on alone when another stops."""
    moves, rate = sound.moves, sound.rate
    hop = moves.hop_s * rate
    first = int(onset / hop) + round(0.090 / HOP_S)
    last = min(int(stop / hop), len(moves.clear)) - 1
    apart, stand = round(0.062 / HOP_S), round(0.016 / HOP_S)
    if last - first < apart + 2 * stand:
        return []
    rows = np.arange(first, last)
    track: Doubles = np.where(moves.clear[rows] > 0.85, 12 * np.log2(np.maximum(moves.period_s[rows], 1e-6)), np.nan)
    frames = np.lib.stride_tricks.sliding_window_view(track, stand)
    stands = frames.max(axis=1) - frames.min(axis=1) < 0.3  # NaN is no stand
    before = stands[: len(stands) - apart - stand]
    after = stands[apart + stand :]
    change = np.abs(track[apart + 2 * stand - 1 :][: len(after)] - track[stand - 1 :][: len(before)])
    steps = before & after & (change > 0.7) & (change < _GLIDE)
    ends = np.flatnonzero(steps & ~np.append(steps[1:], False))
    out: list[float] = []
    for k in ends.tolist():
        row = first + k + stand
        if out and row * hop - out[-1] < 0.1 * rate:
            continue
        was = float(moves.period_s[row - 1] * rate)
        now = float(moves.period_s[min(row + apart, int(last))] * rate)
        if not _sounds_already(sound, round(onset + 0.010 * rate), round(row * hop), now, known):
            out.append(float(turn(sound.tone, int(row * hop), rate, was, now)))
    return out


def _sounds_already(sound: _Sound, start: int, end: int, period: float, known: list[_Stretch]) -> bool:
    """Whether a period is told of a stretch, beneath another known note."""
    for other in known:
        away = sound.rate / (440 * 2 ** ((other.pitch - 69) / 12))
        if other.pitch == other.pitch and abs(12 * np.log2(away / period)) > 0.7 and start > 2 * away:
            left = _without(sound, start, end, away)
            told, clear, _ = _stands_at(left, sound.rate) if len(left) else (0.0, 0.0, False)
            if clear > _CLEAR_ABOVE and abs(12 * np.log2(told / period)) < _FITS:
                return True
    return False


def _without(sound: _Sound, start: int, end: int, period: float) -> Floats:
    """A stretch without whatever repeats itself with a period; empty if that is next to all."""
    whole = sound.tone[start:end]
    left = (whole - between(sound.tone, np.arange(start, end) - period)).astype(np.float32)
    return left if np.mean(left * left) > _OTHER_FRAC * np.mean(whole * whole) else left[:0]


def _stepped(sound: _Sound, before: _Stretch, here: _Stretch) -> bool:
    """Whether one clear pitch that stood gave way to another, which did not sound beneath it before."""
    return (
        before.settled
        and min(before.clear, here.clear) > 0.85
        and abs(before.pitch - here.pitch) > 0.7
        and not _sounds_already(
            sound,
            round(before.onset + 0.010 * sound.rate),
            round(here.onset),
            sound.rate / (440 * 2 ** ((here.pitch - 69) / 12)),
            [before],
        )
    )


def _ringing(strokes: list[_Stretch], onset: float, rate: float) -> _Stretch | None:
    """The last of the strokes before an onset, if it may still ring."""
    return strokes[-1] if strokes and strokes[-1].end >= onset - 0.05 * rate else None
