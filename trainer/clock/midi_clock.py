"""MIDI clock: sending it so that a drum machine follows, and following one. Sans-IO.

Source: MIDI 1.0, system real-time and song position. 24 pulses (F8) a quarter note; start (FA) and continue (FB) take
effect at the *next* pulse; the song position pointer (F2) counts sixteenths, six pulses each, and is only for a
stopped machine. A start or continue should precede its pulse by at least a millisecond.

Positions are in beats (quarter notes) from where the song starts; times are host nanoseconds.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from trainer.limits import CLOCK_TEMPO_BPM

__all__ = [
    "CLOCK",
    "CONTINUE",
    "PULSES_PER_BEAT",
    "START",
    "STOP",
    "ClockFollower",
    "ClockMessage",
    "ClockNews",
    "pulse_beats",
    "resume_messages",
    "song_position",
]

PULSES_PER_BEAT = 24
PULSES_PER_POSITION = 6  # a sixteenth
CLOCK, START, CONTINUE, STOP = b"\xf8", b"\xfa", b"\xfb", b"\xfc"
LEAD_S = 0.002  # start and continue go out this long before their pulse: twice what the standard asks; our choice
_MAX_POSITION = 16_383

# --- sending ------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class ClockMessage:
    """A message to be sent `shift_s` after the moment of `at_beats` (negative: before)."""

    at_beats: float
    shift_s: float
    data: bytes


def pulse_beats(first_beats: float, end_beats: float) -> NDArray[np.float64]:
    """Beats of the pulses from `first_beats` up to but not at `end_beats`: whole twenty-fourths, (n,) float64."""
    first = math.ceil(first_beats * PULSES_PER_BEAT - 1e-9)
    end = math.ceil(end_beats * PULSES_PER_BEAT - 1e-9)
    return np.arange(first, max(end, first), dtype=np.float64) / PULSES_PER_BEAT


def song_position(beats: float) -> tuple[bytes, float]:
    """The song position message for the first sixteenth at or after `beats`, and that sixteenth's beat.

    The pointer has 14 bits: it stays at its last sixteenth, beat 4,095.75, beyond that.
    """
    sixteenth = min(max(math.ceil(beats * 4.0 - 1e-9), 0), _MAX_POSITION)
    return bytes((0xF2, sixteenth & 0x7F, sixteenth >> 7)), sixteenth / 4.0


def resume_messages(from_beats: float) -> tuple[float, tuple[ClockMessage, ...]]:
    """Going on at `from_beats` (beats from the machine's song start): song position, then continue.

    Returns the beat of the first pulse (the next sixteenth) and the messages; pulses go on from that beat.
    """
    position, at_beats = song_position(from_beats)
    return at_beats, (ClockMessage(at_beats, -2.0 * LEAD_S, position), ClockMessage(at_beats, -LEAD_S, CONTINUE))


# --- following ----------------------------------------------------------------------------------------------------

_WINDOW = 96  # pulses that the line is fitted to: four beats
_MIN_WINDOW = 4
_N_SLOWER = 4  # so many pulses one after another, each with one lost before it, are a slower tempo
_LOSS_PERIODS, _LOSS_NS = 6.0, 250_000_000  # silent for longer than both: the clock is lost
_CUSUM_SLACK, _CUSUM_LIMIT, _CLIP = 0.5, 8.0, 3.0  # Page 1954's test of a changed mean, in SD of the pulses' jitter
_FLOOR_NS = 50_000.0  # jitter is never taken for less: 0.05 ms
# All of the above: our choice, by simulation (tests/clock/test_midi_clock.py).


@dataclass(frozen=True, slots=True)
class ClockNews:
    """ "lost": the pulses stopped coming; "back": they came again."""

    kind: Literal["start", "continue", "stop", "position", "lost", "back"]
    beats: float


class ClockFollower:
    """Follows the MIDI clock of another machine.

    Feed it the real-time and song position messages with their placed times, and `poll` it now and then. Its line
    through the last four beats of pulses filters jitter; a lasting deviation (a changed tempo) shortens the line to
    the pulses since it began. When the pulses stop coming it goes on at the last tempo and says so. Lone pulses that
    were lost are counted in.
    """

    def __init__(self, *, tempo_bpm: float = 120.0) -> None:
        """`tempo_bpm`: assumed until two pulses have come."""
        self.running = False
        self.lost = False
        self.n_missed = 0  # pulses that must have been lost on the way
        self._news: list[ClockNews] = []
        self._points: deque[tuple[int, int, float]] = deque(maxlen=_WINDOW)  # (count, host_ns, winsorised ns)
        self._count = -1  # number of the newest pulse, those missed included
        self._last_ns = 0
        self._period_ns = 60e9 / tempo_bpm / PULSES_PER_BEAT
        self._anchor = (0, 0.0)  # (count, ns) on the line
        self._scale = 1_000_000.0
        self._n_residuals = 0
        self._up = self._down = 0.0
        self._n_up = self._n_down = 0
        self._extras: deque[tuple[int, int]] = deque()  # (number of the pulse, pulses assumed lost before it), of late
        self._n_running_extras = 0
        self._pending = 0  # position in pulses at which the next pulse finds a song that starts or goes on
        self._armed = False
        self._zero: int | None = None  # count at which the position is 0
        self._held_beats = 0.0

    # --- what comes in ---

    def feed(self, host_ns: int, data: bytes) -> None:
        """One message; anything but clock, start, continue, stop and song position is passed over."""
        if not data:
            return
        status = data[0]
        if status == 0xF8:
            self._pulse(host_ns)
        elif status == 0xFA:
            self._pending, self._armed = 0, True
            self.running = True
            self._zero = None
            self._news.append(ClockNews("start", 0.0))
        elif status == 0xFB:
            if not self.running:
                self._armed, self.running = True, True
                self._zero = None
                self._news.append(ClockNews("continue", self._pending / PULSES_PER_BEAT))
        elif status == 0xFC:
            if self.running:
                self._held_beats = self.beats_at(host_ns)
                self._pending = self._pulses_done()
                self.running = self._armed = False
                self._news.append(ClockNews("stop", self._held_beats))
        elif status == 0xF2 and len(data) == 3:
            position = (data[1] & 0x7F | (data[2] & 0x7F) << 7) * PULSES_PER_POSITION
            self._pending = position
            if self.running:  # not for a running machine, but some send it: it counts from the next pulse
                self._armed, self._zero = True, None
            else:
                self._held_beats = position / PULSES_PER_BEAT
            self._news.append(ClockNews("position", position / PULSES_PER_BEAT))

    def _pulses_done(self) -> int:
        return self._pending if self._zero is None else self._count - self._zero + 1

    def _pulse(self, host_ns: int) -> None:
        if self._count < 0:
            self._count = 0
            self._restart(host_ns)
        elif self.lost:
            self.lost = False
            n_periods = max(round((host_ns - self._last_ns) / self._period_ns), 1)
            self._count += n_periods
            self.n_missed += n_periods - 1
            self._news.append(ClockNews("back", self.beats_at(host_ns)))
            self._restart(host_ns)
        else:
            n_extra = self._extra_pulses(host_ns)
            self._count += 1 + n_extra
            self.n_missed += n_extra
            if n_extra:
                self._extras.append((self._count, n_extra))
            self._n_running_extras = self._n_running_extras + 1 if n_extra else 0
            self._extend(host_ns)
            if self._n_running_extras >= _N_SLOWER:  # no pulses were lost: the tempo is so much slower
                self._recount(_N_SLOWER)
        self._last_ns = host_ns
        if self._armed:
            self._zero = self._count - self._pending
            self._armed = False

    def _extra_pulses(self, host_ns: int) -> int:
        """How many pulses must have been lost before this one; takes back what was assumed of late ones.

        A pulse may be late, never early: so it is the last one that was due, however long after that it came.
        """
        if len(self._points) < _MIN_WINDOW:
            return 0
        count, at_ns = self._anchor
        place = count + (host_ns - at_ns) / self._period_ns
        while self._extras and self._extras[0][0] < self._count - PULSES_PER_BEAT:
            self._extras.popleft()
        if self._extras and place < self._count + 0.5:
            # Too many were counted: a pulse that came late had been taken for a later one.
            since, n_wrong = self._extras.pop()
            self._count -= n_wrong
            self.n_missed -= n_wrong
            rows = [(c - n_wrong if c >= since else c, ns, line_ns) for c, ns, line_ns in self._points]
            self._points.clear()
            # where they lie on the line is not known any more: leave the late ones out of it
            self._points.extend(row for row in rows if row[0] < since - n_wrong)
            if len(self._points) >= 2:
                self._fit()
            self._calm()
            count, at_ns = self._anchor
            place = count + (host_ns - at_ns) / self._period_ns
        return max(math.floor(place + 0.15) - self._count - 1, 0)

    def _recount(self, n: int) -> None:
        """Number the last `n` pulses and the one before them without gaps, and take the line from them alone."""
        times = [ns for _, ns, _ in list(self._points)[-(n + 1) :]]
        n_wrong = sum(extra for at, extra in self._extras if at > self._count - 1_000 and at >= self._points[-n][0])
        self._count -= n_wrong
        self.n_missed -= n_wrong
        self._extras.clear()
        self._points.clear()
        self._points.extend((self._count - len(times) + 1 + i, ns, float(ns)) for i, ns in enumerate(times))
        self._calm()
        self._fit()

    def _calm(self) -> None:
        self._up = self._down = 0.0
        self._n_up = self._n_down = self._n_running_extras = 0

    def _restart(self, host_ns: int) -> None:
        self._points.clear()
        self._points.append((self._count, host_ns, float(host_ns)))
        self._anchor = (self._count, float(host_ns))
        self._extras.clear()
        self._calm()

    def _extend(self, host_ns: int) -> None:
        count, at_ns = self._anchor
        expected_ns = at_ns + (self._count - count) * self._period_ns
        residual = host_ns - expected_ns
        n = len(self._points)
        if n < _MIN_WINDOW or self._n_residuals < 3:
            self._points.append((self._count, host_ns, float(host_ns)))
            if n >= 2:
                self._n_residuals += 1
                self._scale += (abs(residual) * 1.2533 - self._scale) / (self._n_residuals + 1)
            self._fit()
            return
        scale = max(self._scale, _FLOOR_NS)
        units = max(-_CLIP, min(_CLIP, residual / scale))
        self._up = max(0.0, self._up + units - _CUSUM_SLACK)
        self._down = max(0.0, self._down - units - _CUSUM_SLACK)
        self._n_up = self._n_up + 1 if self._up else 0
        self._n_down = self._n_down + 1 if self._down else 0
        self._points.append((self._count, host_ns, expected_ns + units * scale))
        if self._up > _CUSUM_LIMIT or self._down > _CUSUM_LIMIT:
            self._recount(min(max(self._n_up if self._up > _CUSUM_LIMIT else self._n_down, 2), n))
            return
        self._n_residuals += 1
        self._scale += (min(abs(residual), _CLIP * scale) * 1.2533 - self._scale) / min(self._n_residuals, 96)
        self._fit()

    def _fit(self) -> None:
        """Least squares through the window; times taken from its first point, so that no digit is lost."""
        points = self._points
        n = len(points)
        count0, ns0 = points[0][0], points[0][1]
        if n < 2:
            self._anchor = (count0, float(ns0))
            return
        mean_x = sum(c - count0 for c, _, _ in points) / n
        mean_y = sum(ns - ns0 for _, _, ns in points) / n
        sxx = sum((c - count0 - mean_x) ** 2 for c, _, _ in points)
        sxy = sum((c - count0 - mean_x) * (ns - ns0 - mean_y) for c, _, ns in points)
        low, high = (60e9 / bpm / PULSES_PER_BEAT for bpm in reversed(CLOCK_TEMPO_BPM))
        if sxx > 0.0:
            self._period_ns = min(max(sxy / sxx, low), high)
        newest = points[-1][0]
        self._anchor = (newest, ns0 + mean_y + (newest - count0 - mean_x) * self._period_ns)

    # --- what comes out ---

    @property
    def tempo_bpm(self) -> float:
        return 60e9 / (self._period_ns * PULSES_PER_BEAT)

    def beats_at(self, host_ns: int) -> float:
        """Song position at a host time; it stands still while the other machine is stopped or has not sent its first
        pulse.
        """
        if not self.running:
            return self._held_beats
        if self._zero is None:
            return self._pending / PULSES_PER_BEAT
        count, at_ns = self._anchor
        return (count - self._zero + (host_ns - at_ns) / self._period_ns) / PULSES_PER_BEAT

    def host_ns_at(self, beats: float) -> int | None:
        """Host time at which the song will be (or was) at `beats`, at the present tempo; None while it stands still."""
        if not self.running or self._zero is None:
            return None
        count, at_ns = self._anchor
        return round(at_ns + (beats * PULSES_PER_BEAT + self._zero - count) * self._period_ns)

    def poll(self, now_ns: int) -> list[ClockNews]:
        """News since the last poll; finds out here that the clock was lost."""
        silent_ns = now_ns - self._last_ns
        if self._count >= 0 and not self.lost and silent_ns > max(_LOSS_NS, _LOSS_PERIODS * self._period_ns):
            self.lost = True
            self._news.append(ClockNews("lost", self.beats_at(now_ns)))
        news, self._news = self._news, []
        return news
