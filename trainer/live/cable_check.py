"""The sound check of an ordinary bass: what comes in on which channel, how loud, how clean, and in tune. Sans-IO.

Feed it blocks of all channels; ask it what there is to say. Limits are our choice: a hard note should peak between −18
and −3 dBFS, hum lie 40 dB under the playing.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from trainer.hearing import Levels, TunerReading, levels, tuner
from trainer.music.pitch import note_name

__all__ = ["CableCheck", "CableResult", "level_words"]

KEPT_S = 8.0
TUNED_S = 0.6
GOOD = "good level"
NOTHING_DB = -60.0
LOW_PEAK_DB = -24.0
HIGH_PEAK_DB = -0.5
MUCH_CLIPPED = 0.002  # of samples at a flat top under full scale: an earlier stage is overdriven
UNDER_DB = 40.0
HISS_UNDER_DB = 25.0  # a string that rings on is no noise
MOST_DOUBT_CENTS = 8.0
HEARD_DB = -50.0
MAINS_HZ = (50.0, 60.0)
QUIET_S, STEP_S = 0.5, 0.1
MAINS_CENTS = 12.0  # the mains keep their frequency far better (0.2 Hz of 50 is 7 cents)
STEADY_DB = (
    0.3  # hum has a pitch too, but does not fade: a string loses more from one quarter of what is read to the next
)

Samples = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class CableResult:
    """What the check found: the channel that carries the bass (from 1; None: nothing came), levels, words, strings as
    they were last tuned (note name → cents)."""

    channel: int | None
    levels: Levels
    words: tuple[str, ...]
    strings: dict[str, float]

    @property
    def is_good(self) -> bool:
        """Whether the level may stay as it is."""
        return self.words[0].startswith(GOOD)

    def to_dict(self) -> dict[str, Any]:
        found = self.levels
        return {
            "channel": self.channel,
            "peak_db": round(found.peak_db, 1),
            "loud_db": round(found.loud_db, 1),
            "noise_db": None if found.noise_db is None else round(found.noise_db, 1),
            "clipped_frac": round(found.clipped_frac, 5),
            "hum_hz": found.hum_hz,
            "hum_db": None if found.hum_db is None else round(found.hum_db, 1),
            "words": list(self.words),
            "strings": {name: round(cents, 1) for name, cents in self.strings.items()},
        }


class CableCheck:
    """Keeps the last seconds of every channel. `channel` from 1: looked at whatever it carries; None: the loudest."""

    def __init__(self, rate_hz: int, n_channels: int, channel: int | None = None) -> None:
        self.rate_hz, self.n_channels, self.asked = rate_hz, n_channels, channel
        self._kept: Samples = np.zeros((0, n_channels), dtype=np.float32)
        self._peaks = np.zeros(n_channels)
        self._levels: Levels | None = None
        self.strings: dict[str, float] = {}

    def feed(self, block: Samples) -> None:
        block = np.nan_to_num(block, nan=0.0, posinf=0.0, neginf=0.0)  # what is no number is silence
        most = round(KEPT_S * self.rate_hz)
        self._kept = np.concatenate([self._kept, block])[-most:]
        self._levels = None
        if len(block):
            self._peaks = np.maximum(self._peaks, np.abs(block).max(axis=0))

    @property
    def channel(self) -> int | None:
        """The channel that carries the bass, from 1; None while nothing has come on any."""
        if self.asked is not None:
            return self.asked
        loudest = int(np.argmax(self._peaks)) if self.n_channels else 0
        return loudest + 1 if self._peaks[loudest] > 10.0 ** (HEARD_DB / 20.0) else None

    def sound(self) -> Samples:
        """The last seconds of the channel that is looked at."""
        return np.ascontiguousarray(self._kept[:, (self.channel or 1) - 1])

    def reading(self) -> TunerReading:
        """The tuner, now. What it is sure of is remembered for the string."""
        part = self.sound()[-round(TUNED_S * self.rate_hz) :]
        found = tuner(part, float(self.rate_hz))
        quarters_db = np.array([_power_db(quarter) for quarter in np.array_split(part, 4)])
        if _is_mains(found) and np.abs(np.diff(quarters_db)).min() < STEADY_DB:
            return TunerReading(None, None, None)
        if found.pitch is not None and found.cents is not None and (found.doubt_cents or 99.0) <= MOST_DOUBT_CENTS:
            self.strings[note_name(found.pitch)] = found.cents
        return found

    def levels(self) -> Levels:
        if self._levels is None:
            found = levels(self.sound(), float(self.rate_hz))
            self._levels = replace(found, noise_db=None, hum_hz=None, hum_db=None) if self._rings_on() else found
        return self._levels

    def _rings_on(self) -> bool:
        """Whether a string sounds even where it is quietest: nothing can be said of noise and hum then."""
        sound, step = self.sound(), round(STEP_S * self.rate_hz)
        n = round(QUIET_S / STEP_S)
        power = (sound[: len(sound) // step * step].reshape(-1, step).astype(np.float64) ** 2).sum(axis=1)
        if len(power) < n:
            return False
        first = int(np.argmin(np.convolve(power, np.ones(n), "valid"))) * step
        found = tuner(sound[first : first + n * step], float(self.rate_hz))
        return found.pitch is not None and not _is_mains(found)

    def words(self) -> tuple[str, ...]:
        """What is to be said of the level so far."""
        return level_words(self.levels() if self.channel is not None else levels(np.zeros(0, np.float32), 48_000))

    def result(self) -> CableResult:
        found, words = self.levels(), self.words()
        others = [i + 1 for i in np.flatnonzero(self._peaks > 10.0 ** (HEARD_DB / 20.0)) if i + 1 != self.channel]
        if others and self.channel is not None:
            listed = ", ".join(str(i) for i in others)
            words = (*words, f"something comes on channel {listed} too; it is left alone")
        return CableResult(self.channel, found, words, dict(self.strings))


def _is_mains(found: TunerReading) -> bool:
    """Whether what the tuner reads is the mains, or one of their multiples."""
    if found.pitch is None or found.cents is None:
        return False
    hz = 440.0 * 2.0 ** ((found.pitch + found.cents / 100.0 - 69.0) / 12.0)
    times = hz / np.array(MAINS_HZ)
    return bool(np.any(1200.0 * np.abs(np.log2(times / np.maximum(np.rint(times), 1.0))) < MAINS_CENTS))


def _power_db(part: Samples) -> float:
    return 10.0 * float(np.log10(np.mean(part.astype(np.float64) ** 2) + 1e-12)) if len(part) else -120.0


def level_words(found: Levels) -> tuple[str, ...]:
    """What is to be said of a level: one line on loudness with what to do, then hum and hiss where they matter."""
    if found.peak_db < NOTHING_DB:
        return (
            "nothing comes in: see that the cable is in, the bass's volume up, the interface's gain open, and this the "
            "right input",
        )
    out = []
    if found.peak_db > HIGH_PEAK_DB or (found.clipped_frac > MUCH_CLIPPED and found.peak_db > LOW_PEAK_DB / 2):
        out.append("too loud: it clips; turn the interface's gain down until hard notes stay under the red")
    elif found.peak_db < LOW_PEAK_DB:
        out.append(f"too low: hard notes reach {found.peak_db:.0f} dB; turn the gain up until they reach -12 or so")
    else:
        out.append(f"{GOOD}: hard notes reach {found.peak_db:.0f} dB")
    if found.hum_hz is not None and found.hum_db is not None and found.hum_db > found.loud_db - UNDER_DB:
        out.append(
            f"hum of {found.hum_hz:g} Hz at {found.hum_db:.0f} dB, from the mains: try another cable or socket, move "
            "away from screens and power supplies, or turn your back to them"
        )
    elif found.noise_db is not None and found.noise_db > found.loud_db - HISS_UNDER_DB:
        out.append(
            f"noise at {found.noise_db:.0f} dB when nothing sounds: more volume at the bass and less gain at the "
            "interface, or a new battery"
        )
    return tuple(out)
