"""One clock fitted to another: audio frames to host time, a MIDI driver's time to host time, host time to the song.

Conventions: host time is `perf_counter_ns`, whole nanoseconds; a rate is a dimensionless ratio near 1; ppm is 1e-6.
Lateness is one-sided: a callback may come late, never early, so a constant part of it cannot be told from latency,
and everything here is exact up to a constant.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import asdict, dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["ClockFit", "DriverClock", "FitSegment", "SongMap", "place_messages"]

# --- audio frames to host time ------------------------------------------------------------------------------------

_BIN_S = 0.5  # stamps are gathered over this span
_BIN_QUANTILE = 0.2  # and this quantile of their lateness stands for them: late callbacks do not pull it
_MEMORY_S = 20.0  # time constant with which the fit forgets
_RATE_PRIOR = 2e-4  # SD of a sound card's rate against nominal before anything is known
_RATE_CARRIED = 5e-6  # SD by which a known rate may have changed over a glitch
_STEP_NS = 1_000_000.0  # a lasting change beyond this (and beyond 6 SD) is a new segment
_N_LATE_BINS, _N_EARLY_BINS = 6, 2
_MAX_SLOPE_NS = 1e6  # ns a second: no card is 1,000 ppm off; what looks like it is a stall
_MAX_DAC_LEAD_S = 5.0  # a DAC time further ahead is absurd
# All of the above: our choice, by simulation (tests/clock/test_fit.py).


Cause = Literal["start", "xrun", "step", "restart"]


@dataclass(frozen=True, slots=True)
class FitSegment:
    """One stretch without a glitch: frame `f` sounds at `host_ns0 + (f - frame0) * ns_per_frame`.

    `cause` says what began it ("start", "xrun", "step", "restart"); `n` stamps; `error_ms` the standard error of the
    fit at its end; `rate_ppm` the card's rate against nominal (positive: fast).
    """

    cause: Cause
    first_frame: int
    last_frame: int
    frame0: int
    host_ns0: int
    ns_per_frame: float
    n: int
    error_ms: float
    rate_ppm: float

    def to_dict(self) -> dict[str, Any]:
        return asdict(self)


class _Line:
    """A straight line through points that come one by one, with forgetting, a prior on the slope, and outliers
    damped.
    """

    def __init__(self, slope_prior: float, slope_sd: float) -> None:
        self.prior, self.prior_sd = slope_prior, slope_sd
        self.weight = self.weight2 = self.mean_x = self.mean_y = self.sxx = self.sxy = 0.0
        self.scale = 0.0  # running robust SD of a point about the line
        self.n = 0
        self.last_x = 0.0

    def predict(self, x: float) -> float:
        return self.mean_y + self.slope * (x - self.mean_x)

    @property
    def slope(self) -> float:
        ridge = self._ridge()
        free = self.prior + (self.sxy - self.prior * self.sxx) / (self.sxx + ridge) if self.n else self.prior
        return min(max(free, -_MAX_SLOPE_NS), _MAX_SLOPE_NS)

    def _ridge(self) -> float:
        return (max(self.scale, 1e3) / self.prior_sd) ** 2

    def slope_sd(self) -> float:
        noise = max(self.scale, 1e3) ** 2
        return math.sqrt(1.0 / (1.0 / self.prior_sd**2 + self.sxx / noise))

    def error(self, x: float) -> float:
        """Standard error of `predict(x)`, in the unit of y."""
        if not self.n:
            return math.inf
        noise = max(self.scale, 1e3) ** 2
        mean_part = noise * self.weight2 / self.weight**2
        return math.sqrt(mean_part + ((x - self.mean_x) * self.slope_sd()) ** 2)

    def add(self, x: float, y: float) -> None:
        if self.n:
            keep = math.exp(-max(x - self.last_x, 0.0) / _MEMORY_S)
            self.weight *= keep
            self.weight2 *= keep * keep
            self.sxx *= keep
            self.sxy *= keep
        weight = 1.0
        if self.n >= 3:
            residual = abs(y - self.predict(x))
            limit = 3.0 * max(self.scale, 1e3)
            weight = 1.0 if residual <= limit else limit / residual
            grain = min(residual, 2.0 * limit) * 1.2533  # mean absolute residual to SD (normal)
            self.scale += (grain - self.scale) / min(self.n, 20)
        self.last_x = x
        self.n += 1
        total = self.weight + weight
        dx, dy = x - self.mean_x, y - self.mean_y
        self.sxx += self.weight * weight / total * dx * dx
        self.sxy += self.weight * weight / total * dx * dy
        self.mean_x += weight / total * dx
        self.mean_y += weight / total * dy
        self.weight = total
        self.weight2 += weight * weight


class ClockFit:
    """Where the audio stream's frames lie on the host clock: a running robust fit, one segment per glitch.

    Feed it every callback's stamp. The moment at which a block's first frame sounds is taken as the callback's host
    time plus the driver's lead (its DAC time less its own present, both on its clock, whose origin does not matter).
    Where the driver gives no DAC time, or an absurd one, the lead last known (or `lead_s`) stands in, which leaves
    the frame count. The fit moves by small steps as it learns; whoever needs a song position that never goes back
    must hold it.
    """

    def __init__(
        self,
        sample_rate_hz: float,
        *,
        lead_s: float = 0.0,
        lead_limits_s: tuple[float, float] = (0.0, _MAX_DAC_LEAD_S),
    ) -> None:
        """`lead_limits_s`: leads outside are absurd. Of an input the lead is negative: it was taken in before."""
        self.sample_rate_hz = float(sample_rate_hz)
        self._lead_limits_s = lead_limits_s
        self._nominal_ns = 1e9 / self.sample_rate_hz
        self._lead_ns = lead_s * 1e9
        self._leads: list[float] = []
        self._segments: list[FitSegment] = []
        self._cause: Cause = "start"
        self._begun = False
        self._rate, self._rate_sd = 0.0, _RATE_PRIOR
        self.n_stamps = 0
        self.n_without_dac = 0

    # a segment's state is set by `_begin`
    _frame0: int
    _host_ns0: int
    _first_frame: int
    _last_frame: int
    _line: _Line
    _bin: list[tuple[float, float]]
    _bin_end_s: float
    _strange: list[tuple[float, float]]
    _n: int

    def feed(
        self, frame: int, host_ns: int, dac_s: float = 0.0, now_s: float = 0.0, xrun: bool = False
    ) -> Cause | None:
        """One callback. Returns the cause if a new segment begins with it or was found to have begun, else None."""
        self.n_stamps += 1
        lead_ns = self._lead(dac_s, now_s)
        sounding_ns = host_ns + lead_ns
        begun: Cause | None = None
        if not self._begun:
            begun = self._begin(frame, sounding_ns, "start")
        elif frame <= self._last_frame:
            begun = self._begin(frame, sounding_ns, "restart")
        elif xrun:
            begun = self._begin(frame, sounding_ns, "xrun")
        self._last_frame = frame
        self._n += 1
        x = (frame - self._frame0) / self.sample_rate_hz
        y = sounding_ns - self._host_ns0 - x * 1e9
        if x >= self._bin_end_s and self._bin:
            begun = self._close_bin() or begun
            x = (frame - self._frame0) / self.sample_rate_hz
            y = sounding_ns - self._host_ns0 - x * 1e9
        self._bin.append((x, y))
        return begun

    def _lead(self, dac_s: float, now_s: float) -> float:
        lead_s = dac_s - now_s
        if dac_s > 0.0 and now_s > 0.0 and self._lead_limits_s[0] <= lead_s <= self._lead_limits_s[1]:
            lead_ns = lead_s * 1e9
            self._leads.append(lead_ns)
            if len(self._leads) >= 128:
                self._lead_ns = sorted(self._leads)[64]
                self._leads.clear()
            elif self.n_stamps == self.n_without_dac + 1:
                self._lead_ns = lead_ns
            return lead_ns
        self.n_without_dac += 1
        return self._lead_ns

    def _begin(self, frame: int, sounding_ns: float, cause: Cause) -> Cause:
        if self._begun:
            self._segments.append(self._segment())
            if self._line.n >= 10:
                self._rate = self._line.slope
                self._rate_sd = math.hypot(self._line.slope_sd(), _RATE_CARRIED)
        self._begun = True
        self._cause = cause
        self._frame0 = self._first_frame = self._last_frame = frame
        self._host_ns0 = round(sounding_ns)
        self._line = _Line(self._rate, self._rate_sd * 1e9)
        self._line.prior = self._rate
        self._bin = []
        self._bin_end_s = _BIN_S
        self._strange = []
        self._n = 0
        return cause

    def _close_bin(self) -> Cause | None:
        """Turn the stamps gathered into one point; find out whether the line has stepped."""
        x, y = _bin_point(self._bin, self._line.slope)
        if not self._line.n:
            self._line.scale = _spread(self._bin) / math.sqrt(len(self._bin))
        self._bin_end_s = self._bin[-1][0] + _BIN_S
        self._bin = []
        if self._line.n >= 1:
            residual = y - self._line.predict(x)
            # Before the spread is known, only what no sound card's rate could explain is a step.
            limit = max(_STEP_NS if self._line.n >= 6 else 3.0 * _STEP_NS, 6.0 * self._line.scale)
            if abs(residual) > limit:
                if self._strange and (self._strange[-1][1] > 0.0) != (residual > 0.0):
                    self._strange = []
                self._strange.append((x, residual))
                if len(self._strange) >= (_N_LATE_BINS if residual > 0.0 else _N_EARLY_BINS):
                    return self._step()
                return None
            for strange_x, strange_residual in self._strange:  # passing trouble: let the line damp it
                self._line.add(strange_x, self._line.predict(strange_x) + strange_residual)
            self._strange = []
        self._line.add(x, y)
        return None

    def _step(self) -> Cause:
        """The last few bins lie on another line: a segment of its own, which begins where they began."""
        points = [(x, self._line.predict(x) + residual) for x, residual in self._strange]
        frame0, host_ns0, n = self._frame0, self._host_ns0, self._n
        last_frame, bin_end_s = self._last_frame, self._bin_end_s
        first = frame0 + round((points[0][0] - _BIN_S / 2.0) * self.sample_rate_hz)
        self._last_frame = max(first, self._first_frame)
        self._begin(max(first, self._first_frame), 0.0, "step")
        # the axis of the old segment is kept, so that points need no shifting
        self._frame0, self._host_ns0, self._last_frame, self._bin_end_s = frame0, host_ns0, last_frame, bin_end_s
        self._n = n
        for x, y in points:
            self._line.add(x, y)
        return "step"

    # --- reading ------------------------------------------------------------------------------------------------

    @property
    def ready(self) -> bool:
        """Whether anything has been fed."""
        return self._begun

    def error_ms(self) -> float:
        """Standard error of the position now, without the constant; infinite before anything is known."""
        if not self._begun:
            return math.inf
        x = (self._last_frame - self._frame0) / self.sample_rate_hz
        if not self._line.n:
            spread = [y for _, y in self._bin]
            return (max(spread) - min(spread)) * 1e-6 / math.sqrt(len(spread)) if len(spread) > 1 else math.inf
        return self._line.error(x) * 1e-6

    def _now(self) -> tuple[int, int, float]:
        """(frame0, host_ns0, ns_per_frame) of the present segment."""
        line = self._line
        slope = line.slope
        if line.n:
            x = (self._last_frame - self._frame0) / self.sample_rate_hz
            at, base = x, line.predict(x)
        elif self._bin:
            at, base = _bin_point(self._bin, slope)
        else:
            at, base = 0.0, 0.0
        anchor = self._frame0 + round(at * self.sample_rate_hz)
        at = (anchor - self._frame0) / self.sample_rate_hz
        return anchor, self._host_ns0 + round(at * 1e9 + base), self._nominal_ns * (1.0 + slope * 1e-9)

    def _segment(self) -> FitSegment:
        frame0, host_ns0, ns_per_frame = self._now()
        return FitSegment(
            self._cause,
            self._first_frame,
            self._last_frame,
            frame0,
            host_ns0,
            ns_per_frame,
            self._n,
            self.error_ms() if math.isfinite(self.error_ms()) else 0.0,
            (self._nominal_ns / ns_per_frame - 1.0) * 1e6,
        )

    @property
    def segments(self) -> tuple[FitSegment, ...]:
        """Every segment so far, the present one last: plain facts for the take's header."""
        return (*self._segments, self._segment()) if self._begun else ()

    def host_ns_at(self, frame: float) -> int:
        """Host time at which a frame sounds (any frame: past segments keep their own fit). `ValueError` before the
        first stamp.
        """
        if not self._begun:
            raise ValueError("no audio callback has been seen yet")
        frame0, host_ns0, ns_per_frame = self._now()
        if frame < self._first_frame:
            for segment in reversed(self._segments):
                if frame >= segment.first_frame or segment is self._segments[0]:
                    frame0, host_ns0, ns_per_frame = segment.frame0, segment.host_ns0, segment.ns_per_frame
                    break
        return host_ns0 + round((frame - frame0) * ns_per_frame)

    def frame_at(self, host_ns: int) -> float:
        """The frame that sounds at a host time, by the present segment. `ValueError` before the first stamp."""
        if not self._begun:
            raise ValueError("no audio callback has been seen yet")
        frame0, host_ns0, ns_per_frame = self._now()
        return frame0 + (host_ns - host_ns0) / ns_per_frame


def _bin_point(points: list[tuple[float, float]], slope: float) -> tuple[float, float]:
    """The middle of a bin and the low quantile of its points there, with the known slope taken out meanwhile."""
    middle = points[len(points) // 2][0]
    flat = sorted(y - slope * (x - middle) for x, y in points)
    at = _BIN_QUANTILE * (len(flat) - 1)
    low = int(at)
    high = min(low + 1, len(flat) - 1)
    return middle, flat[low] + (at - low) * (flat[high] - flat[low])


def _spread(points: list[tuple[float, float]]) -> float:
    """Robust SD of a bin's points: three quarters of the distance between its quartiles."""
    flat = sorted(y for _, y in points)
    return 0.75 * (flat[(3 * len(flat)) // 4] - flat[len(flat) // 4])


# --- a MIDI driver's time to host time ----------------------------------------------------------------------------

_LEAK = 2e-4  # how fast the driver's clock may drift from the host's
_LOST_NS = 500_000_000  # driver and arrival further apart than this: the driver's time was lost
_STEADY_LATE_NS = 3_000_000  # a lateness that never falls below this is a lost delta, not a busy interpreter
_STEADY_N, _STEADY_SPAN_NS = 12, 1_000_000_000
# All of the above: our choice.


class DriverClock:
    """Places messages on the host clock by the driver's delta times: the spacing is the driver's, the origin the
    host's.

    A message arrives late by whatever held the interpreter, never early; the least lateness seen, allowed to rise by
    200 ppm, gives the driver clock's origin (its lower envelope). A placed time is never after the arrival, and never
    before the message before it. One per opened port: a new opening starts its deltas afresh.
    """

    __slots__ = ("_late", "_offset_ns", "_placed_ns", "driver_ns", "n_messages")

    def __init__(self) -> None:
        self.driver_ns = 0  # sum of the driver's deltas
        self.n_messages = 0
        self._offset_ns = 0.0
        self._placed_ns = 0
        self._late: list[tuple[int, float]] = []

    @property
    def driver_s(self) -> float:
        return self.driver_ns * 1e-9

    def place(self, host_ns: int, driver_delta_s: float) -> int:
        """Host time of a message that arrived at `host_ns`, the driver's `driver_delta_s` after the one before it."""
        delta_ns = round(driver_delta_s * 1e9) if math.isfinite(driver_delta_s) and 0.0 <= driver_delta_s < 1e7 else 0
        self.driver_ns += delta_ns
        apart_ns = host_ns - self.driver_ns
        self.n_messages += 1
        if self.n_messages == 1:
            self._offset_ns = apart_ns
            self._placed_ns = host_ns
            return host_ns
        bound = self._offset_ns + _LEAK * delta_ns
        if abs(apart_ns - bound) > _LOST_NS + _LEAK * delta_ns:
            self._restart(apart_ns)
        else:
            self._offset_ns = min(bound, apart_ns)
            self._watch(apart_ns)
        placed_ns = min(round(self.driver_ns + self._offset_ns), host_ns)
        self._placed_ns = max(self._placed_ns, placed_ns)
        return min(self._placed_ns, host_ns)

    def _restart(self, apart_ns: float) -> None:
        self._offset_ns = apart_ns
        self._late.clear()

    def _watch(self, apart_ns: float) -> None:
        """Take a new origin when no message of a while was anywhere near on time."""
        late = apart_ns - self._offset_ns
        if late < _STEADY_LATE_NS:
            self._late.clear()
            return
        self._late.append((self.driver_ns, apart_ns))
        if len(self._late) >= _STEADY_N and self.driver_ns - self._late[0][0] >= _STEADY_SPAN_NS:
            self._restart(min(apart for _, apart in self._late))


def place_messages(arrival_ns: ArrayLike, driver_s: ArrayLike) -> NDArray[np.int64]:
    """`DriverClock` with hindsight: every message of a port's opening placed by the envelope before and after it.

    `arrival_ns` (n,) int64 in order of arrival; `driver_s` (n,) sum of the driver's deltas at each. Gives (n,) int64,
    never after the arrival, never falling. Empty in, empty out.
    """
    arrival = np.asarray(arrival_ns, dtype=np.int64)
    driver = np.round(np.asarray(driver_s, dtype=np.float64) * 1e9).astype(np.int64)
    if arrival.shape != driver.shape or arrival.ndim != 1:
        raise ValueError(f"arrivals and driver times must be two lists of one length ({arrival.shape}, {driver.shape})")
    n = len(arrival)
    if n == 0:
        return arrival
    apart = (arrival - driver).astype(np.float64)
    placed = np.empty(n, dtype=np.int64)
    starts = _origins(apart, driver)
    for start, end in zip(starts, [*starts[1:], n], strict=True):
        span, at = apart[start:end], driver[start:end].astype(np.float64)
        rising = at * _LEAK
        before = np.minimum.accumulate(span - rising) + rising
        after = (np.minimum.accumulate((span + rising)[::-1]))[::-1] - rising
        placed[start:end] = np.round(at + np.minimum(before, after)).astype(np.int64)
    return np.minimum(np.maximum.accumulate(placed), arrival)


def _origins(apart: NDArray[np.float64], driver: NDArray[np.int64]) -> list[int]:
    """Indices at which the driver's time took a new origin: a jump, or a lateness that never went away again."""
    starts = [0]
    offset = float(apart[0])
    first_late = -1
    for i in range(1, len(apart)):
        step = int(driver[i] - driver[i - 1])
        bound = offset + _LEAK * step
        here = float(apart[i])
        if abs(here - bound) > _LOST_NS + _LEAK * step:
            starts.append(i)
            offset, first_late = here, -1
            continue
        offset = min(bound, here)
        if here - offset < _STEADY_LATE_NS:
            first_late = -1
            continue
        if first_late < 0:
            first_late = i
        elif i - first_late + 1 >= _STEADY_N and driver[i] - driver[first_late] >= _STEADY_SPAN_NS:
            starts.append(first_late)
            offset, first_late = float(apart[first_late : i + 1].min()), -1
    return starts


# --- host time to the song ----------------------------------------------------------------------------------------


class SongMap:
    """Host time to song seconds, piece by piece: from `host_ns[i]` on, song second `song_s[i]` and `rate[i]` song
    seconds a second.

    Points are sorted by host time (later ones win on a tie); the first is extended backwards. A rate of 0 is a pause.
    """

    __slots__ = ("host_ns", "rate", "song_s")

    def __init__(self, points: Iterable[tuple[int, float, float]] = ()) -> None:
        rows = sorted(points, key=lambda point: point[0])
        self.host_ns: NDArray[np.int64] = np.array([row[0] for row in rows], dtype=np.int64)
        self.song_s: NDArray[np.float64] = np.array([row[1] for row in rows], dtype=np.float64)
        self.rate: NDArray[np.float64] = np.array([row[2] for row in rows], dtype=np.float64)

    def __len__(self) -> int:
        return len(self.host_ns)

    def seconds_at(self, host_ns: ArrayLike) -> Any:
        """Song seconds of host times: array in, array out. `ValueError` when the map is empty."""
        if not len(self.host_ns):
            raise ValueError("the song never began: its map has no point")
        ns = np.asarray(host_ns, dtype=np.int64)
        i = np.clip(np.searchsorted(self.host_ns, ns, side="right") - 1, 0, None)
        return self.song_s[i] + (ns - self.host_ns[i]) * (1e-9 * self.rate[i])

    def to_rows(self) -> list[list[float]]:
        """Plain data for the take's header: [host_ns, song_s, rate] rows."""
        rows = zip(self.host_ns.tolist(), self.song_s.tolist(), self.rate.tolist(), strict=True)
        return [list(row) for row in rows]
