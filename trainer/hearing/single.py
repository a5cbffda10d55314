"""Whether a recording is one bass: a mix, chords, a voice, hum or silence are refused with what was heard, not
scored; where a bass is heard but something may sound with it, that is asked, since notes may be wrong then.

Read from the notes that last: a string alone repeats itself almost exactly and stands still. Where two or more sound
at once the repetition is poor; where they blend into a common period, that period's own first, seventh, eleventh and
thirteenth multiples are empty (a fifth or a tenth has parts only at multiples of 2, 3 and 5). A voice glides, and
keeps to no semitones. The limits lie between recorded basses (also with strings ringing over, with slides, slapped)
and mixes, pairs of basses, chords and speech made here.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from trainer.hearing.pitch import difference
from trainer.hearing.signal import Floats

__all__ = ["before_the_bass", "refusal_and_doubt"]

_LONG_S: Final = 0.15
_SKIP_S: Final = 0.06  # the attack
_LOOK_S: Final = 0.5
_ENOUGH: Final = 8  # notes that last, before anything is said
_EMPTY: Final = (1, 7, 11, 13)
_EMPTY_FRAC: Final = 0.015
_CHORDS_FRAC: Final = (
    0.33  # of the longer notes; a bass played twice, or in fifths, has 0.36 and more, one alone under 0.1
)
_NO_STRING_FRAC: Final = 0.25
_ALONE: Final = (0.9, 0.95)  # how well a string alone repeats itself at least, and usually
_LASTS_S: Final = 0.2  # below it a note's own attack and end are too much of it to doubt it
# Of the notes that last: one bass alone has 0.59 (hard slap) and more, with a band 12 dB under it 0.26 to 0.38.
_ALONE_FRAC: Final = 0.5
_ON_FRET: Final = 0.15  # semitones off the frets, at most, where a bass has begun
_RUN: Final = 8  # notes among which it is seen
_MOST: Final = 6  # … of them on their frets; of a voice's one in three is
_SCATTERED: Final = 0.5  # how far pitches agree on where the frets lie: a voice's under it, a bass's above


def refusal_and_doubt(notes: NDArray[Any], tone: Floats, rate_hz: float) -> tuple[str | None, str | None]:
    """(why the notes, `HEARD_DTYPE` with pitches by A4 = 440 Hz, read from a tone band are not those of one bass;
    what may sound with it); each None if nothing does, or where there are too few notes to tell."""
    refusal = _few_pitches(notes, len(tone) / rate_hz)
    long = notes[~notes["dead"] & (notes["duration_s"] > _LONG_S)]
    if refusal is not None or len(long) < max(_ENOUGH, len(notes) / 4):
        return refusal, None
    clear, empty = np.array([_of_note(row, tone, rate_hz) for row in long]).T
    if np.mean(empty < _EMPTY_FRAC) > _CHORDS_FRAC:
        return "chords, or an instrument above the bass: the notes blend into a deeper one that is not there", None
    still = float(np.mean(long["settled"]))
    single = float(np.mean(clear > _ALONE[0]))
    if single < _NO_STRING_FRAC:
        return (
            f"several instruments, or none with strings: {100 * single:.0f} % of the notes are one string alone",
            None,
        )
    in_tune = abs(np.exp(2j * np.pi * long["pitch"][long["settled"]].astype(np.float64)).mean()) if still else 0.0
    if still < 0.7 or (still < 0.82 and single < 0.8) or (still < 0.9 and single < 0.85 and in_tune < 0.3):
        return f"a voice, or something that glides: {100 * still:.0f} % of the longer notes stand still", None
    if still < 0.92 and single < 0.65:
        return (
            f"several notes or instruments at once: {100 * single:.0f} % of the longer notes are one string alone",
            None,
        )
    lasting = clear[long["duration_s"] > _LASTS_S]
    if len(lasting) >= _ENOUGH and (alone := float(np.mean(lasting > _ALONE[1]))) < _ALONE_FRAC:
        return None, (
            f"only {100 * alone:.0f} % of the longer notes are clearly one string alone: does something sound with it "
            "(another instrument or player, drums, strings that ring over, an effect, a room)? Then notes may be wrong"
        )
    return None, None


def before_the_bass(notes: NDArray[Any]) -> int:
    """How many strokes at the start are of something else: someone speaks before the first bar, say. Their pitches
    stand on no frets, while those that follow agree on where the frets are. 0 where that is not clear."""
    angle = np.exp(2j * np.pi * notes["pitch"].astype(np.float64))
    stands = notes["settled"] & ~notes["dead"]
    if np.count_nonzero(stands) < 2 * _RUN:
        return 0
    later = stands & (np.cumsum(stands) > np.count_nonzero(stands) / 2)  # the later half is the bass, if any is
    frets = complex(angle[later].mean())
    off = np.abs(np.angle(np.where(stands, angle, -1) * np.conj(frets))) / (2 * np.pi)
    on = stands & (off < _ON_FRET)
    runs = np.flatnonzero(on[: len(on) - _RUN + 1] & (np.convolve(on, np.ones(_RUN), "valid") >= _MOST))
    if not len(runs) or abs(frets) < _SCATTERED:
        return 0
    first = int(runs[0])
    ahead = angle[:first][stands[:first]]
    return first if len(ahead) >= _ENOUGH and abs(ahead.mean()) < _SCATTERED else 0


def _few_pitches(notes: NDArray[Any], seconds: float) -> str | None:
    """Nothing, strokes without pitch, or a steady tone."""
    pitched = notes[~notes["dead"]]
    if not len(notes):
        return "no note of a bass was found in it"
    if not len(pitched) or (len(notes) >= _ENOUGH and len(pitched) < 0.1 * len(notes)):
        return f"{len(notes)} strokes but hardly a pitch: drums or noise"
    if seconds > 5 and len(pitched) <= 2 and pitched["duration_s"].sum() > 0.9 * seconds:
        return "one steady tone from end to end: hum"
    return None


def _of_note(row: Any, tone: Floats, rate_hz: float) -> tuple[float, float]:
    """(how well a note repeats itself, the share of its power at the multiples that chords leave empty)."""
    start = int((row["onset_s"] + _SKIP_S) * rate_hz)
    end = int((row["onset_s"] + min(row["duration_s"], _LOOK_S)) * rate_hz)
    part = np.asarray(tone[start:end], np.float64)
    period = rate_hz / (440 * 2 ** ((float(row["pitch"]) - 69) / 12))
    if len(part) < 2.2 * period:
        return 1.0, 1.0
    curve = difference(part[None], int(1.05 * period) + 2)[0]
    power = np.abs(np.fft.rfft(part * np.hanning(len(part)), 8192)) ** 2
    multiple = np.fft.rfftfreq(8192, 1 / rate_hz) * period / rate_hz
    whole = np.rint(multiple)
    inside = (multiple > 0.6) & (np.arange(len(power)) * rate_hz / 8192 < 700)
    own = inside & (np.abs(multiple - whole) < 0.2) & np.isin(whole, _EMPTY)
    return float(curve[int(0.95 * period) :].max()), float(power[own].sum() / max(power[inside].sum(), 1e-12))
