"""The ear that listens along: blocks of samples in, events out; no clock, no thread, no device.

Work is done in steps of 4 ms whatever the blocks are, so that what is heard does not depend on them. Each step: the
newest sound is filtered and thinned; a stroke is looked for (level over the last few ms against the last period,
motion against its own past: see `strokes`); the pitch of what sounds is read from its onset on, first when nearly
two periods have passed (Fonseca & Tavares 2020: below about 1.7 nobody can know), again until it stands still (the
hard-struck string starts sharp, and by how much is learnt from each instrument's own notes), and then watched for
steps and for its end.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from trainer.hearing.events import DeadStroke, Event, NoteEnded, NoteHeard, PitchAmended, StrokeSeen, velocity_of
from trainer.hearing.hum import Hum
from trainer.hearing.pitch import periods, pitch_of
from trainer.hearing.signal import (
    TONE_HZ,
    Floats,
    attack_kernel,
    band_kernel,
    clean,
    factor_of,
    rumble_kernel,
    without_thump,
)
from trainer.hearing.strokes import swing, turn

__all__ = ["Ear"]

_STEP_S: Final = 0.004
_KEEP_S: Final = 0.5
_REST_S: Final = 0.3
_LEARN_STEPS: Final = 80  # longer than a rest that is learned from, so that each is of one kind
_DRIFT_S: Final = 1.0
_QUIET_DB: Final = -66.0  # nothing below it is looked at
_ABOVE_NOISE_DB: Final = 10.0
_BELOW_LOUD_DB: Final = 38.0
_APART_S: Final = 0.044
_RISE_DB: Final = 5.0
_BRIGHT_DB: Final = 8.0  # above the past 32 ms, over 1.2 kHz: under strings that ring a stroke is seen by it at once
_BRIGHT_STEPS: Final = 8
_BRIGHT_UNDER_DB: Final = 24.0  # the brightest strokes; a finger that slides or leaves the string is softer
_TURN: Final = 2.2
_LOUDER: Final = 0.4  # 1 dB
_LOUD_DB: Final = 9.0  # under the loudest: there hum beats with what dies away
_STANDS: Final = 3.6  # of three steps together: a lower height that stays, as no string that rings on has it
_UNHEARD_S: Final = 0.150  # till then what sounds has no known motion to break off from, unless its pitch was amended
_FAINT_DB: Final = 22.0  # under the loudest: what turns there without 3 dB more is a string that is stopped
_DRIFT: Final = (-0.015, -0.005, 0.005, 0.015)
_DUE_S: Final = 0.0053  # beyond two periods: the filters, a piece of a step and a driver's block come on top of it
_SKIPS_S: Final = (0.0, 0.002, 0.004, 0.006)  # of the attack, in the four readings of a first label
_LEAST_S: Final = 0.010
_LOOK_S: Final = 0.002  # from one look to the next
_VOICES: Final = np.array([0.6, 1.4])  # of a reading as it is, and of one without a finger's push
_NEAR: Final = 0.8  # semitones: readings that speak for one pitch
_ALIKE: Final = 0.4  # … of one look and the next
_FAR: Final = 1.5  # … and for another
_EARLY: Final = 0.4  # how far on a string that comes down goes, in what lies between the earliest reading and the mean
_LATE: Final = 0.9  # … and between that and the latest
_ON_FRET: Final = 0.45  # semitones from a fret that is believed to be the one
_AGREED: Final = ((0.018, 0.50), (0.030, 0.32), (1.0, 0.17))  # (seconds since the stroke, how far readings agree)
_KEPT: Final = 0.5  # of what the look before agreed on
_NEWEST_S: Final = 0.010
_FALLEN_DB: Final = 9.0  # since its peak: a stroke that dies so soon may be a dead one, …
_FALLEN: Final = 0.6  # … and its readings have to agree this far
_SHARP: Final = np.array([0.05, 0.6])  # semitones by which first readings are sharp: clear ones, and more with …
_UNCLEAR: Final = 0.3  # … what they lack of likeness, up to this; until an instrument has told its own
_BELIEF: Final = np.array([4.0, 0.09])  # how many notes each of the two is worth
_SHARPEST: Final = -0.4, 1.2  # semitones
_FADES: Final = 0.98  # of what was learnt, from note to note
_DEAD_S: Final = 0.120
_TUNED: Final = 6  # notes that tell the instrument's own tuning
_TELLING: Final = 2  # amendments after which a pitch tells of its instrument: 75 ms
_AGAIN_S: Final = (0.045, 0.075, 0.110, 0.160)
_WATCH_S: Final = 0.060  # from then on a pitch may step
_WATCH_PERIODS: Final = 1.8
_WATCH_LEAST_S: Final = 0.009
_STOPPED_DB: Final = 18.0  # under the note's peak: what is left then may be hum
_SAME: Final = 0.97  # likeness to a period before, of a string that goes on; a semitone off a bare tone has 0.93
_STOOD: Final = 0.15  # semitones between readings in a row that have arrived
_STEP: Final = 0.6, 4.3  # semitones; a wider one has to stand twice as long


@dataclass(slots=True)
class _Sounding:
    stroke: int
    onset: float  # frames of the tone band
    peak_db: float
    pitch: float | None = None
    period: float = 0.0
    before: float = 0.0
    read: float | None = None  # what the first label was read as, and how unclear
    unclear: float = 0.0
    n_said: int = 0
    settled: bool = False
    dead: bool = False
    look_at: float = 0.0  # not before it, for a first label
    likely: float = 0.0  # what the last look said, and how far its readings agreed
    agreed: float = 0.0
    n_moved: int = 0
    moved_to: float = 0.0


class _Sharpness:
    """By how many semitones first readings of this instrument are sharp, by how unclear they are: a string struck so
    hard that it beats on the frets is both, one that a soft finger sets going is only unclear. A line through what
    its own notes told (least squares, the past fading), from a general one on."""

    def __init__(self) -> None:
        self._known = np.diag(_BELIEF)
        self._sum = self._known @ _SHARP
        self._line = _SHARP

    def of(self, unclear: float) -> float:
        return float(np.clip(self._line @ (1.0, min(unclear, _UNCLEAR)), *_SHARPEST))

    def learn(self, unclear: float, sharp: float) -> None:
        told = np.array([1.0, min(unclear, _UNCLEAR)])
        fresh = (1 - _FADES) * np.diag(_BELIEF)
        self._known = _FADES * self._known + fresh + np.outer(told, told)
        self._sum = _FADES * self._sum + fresh @ _SHARP + sharp * told
        self._line = np.linalg.solve(self._known, self._sum)


def _mean(values: Floats, otherwise: float) -> float:
    return float(values.mean()) if len(values) else otherwise


def _period_of(sound: Floats, rate_hz: float) -> tuple[float, float]:
    period, clear = periods(sound[None], rate_hz)
    return float(period[0]), float(clear[0])


class Ear:
    """Feed blocks of any size, get events. `a4_hz` is what the band is tuned to."""

    def __init__(self, rate_hz: float, a4_hz: float = 440.0) -> None:
        if not 8000 <= rate_hz <= 400_000:
            raise ValueError(f"rate_hz is {rate_hz}; expected 8000 to 400000")
        self.rate_hz = float(rate_hz)
        self.a4_hz = a4_hz
        self._factor = factor_of(rate_hz)
        self._rate = rate_hz / self._factor
        self._thin = band_kernel(rate_hz, 0.0, TONE_HZ[1], 0.004)
        self._attack = attack_kernel(rate_hz)
        rumble = rumble_kernel(self._rate)
        self._rumble = rumble[len(rumble) // 2 :][::-1].copy()
        self._step = 4 * round(_STEP_S * self._rate / 4)  # tone samples a step
        self._quarters = 0  # of the step, done
        self._wait: list[NDArray[np.float32]] = []
        self._n_wait = 0
        reach = max(len(self._thin), len(self._attack)) // 2
        self._reach = reach
        self._raw = np.zeros(2 * reach + self._step * self._factor, np.float32)
        self._plain = np.zeros(len(self._rumble) - 1 + self._step, np.float32)
        self._tone = np.zeros(round(_KEEP_S * self._rate), np.float32)
        self._low = np.zeros(round(0.16 * rate_hz), np.float32)
        self._n_tone = 0  # tone samples made; the last of `_tone` is number _n_tone − 1
        self._n_strokes = 0
        self._now: _Sounding | None = None
        self._levels = np.full(round(0.060 / _STEP_S), -120.0)
        self._above = 0.0  # energy over 1.2 kHz, of this step
        self._bright = np.full(_BRIGHT_STEPS, -120.0)
        self._brightest_db = -120.0
        self._noise_db = -90.0
        self._loud_db = -120.0
        self._period = 0.0
        self._clear = 0.0
        self._past = 0.0, 0.0  # period and clearness of what rang a moment ago
        self._heights = np.zeros(5)
        self._standing = np.zeros(3)
        self._fed = 0
        self._zero = 0.0  # what the input adds as a constant
        self._n_steps = 0
        self._hum = Hum(rate_hz, self._thin)
        self._rest = np.zeros(round(_REST_S * self._rate), np.float32)
        self._tuning = 0j, 0.0  # sum of where pitches lie between semitones, as angles; how many
        self._sharp = _Sharpness()

    # feeding

    def feed(self, block: Floats) -> list[Event]:
        """Take in a block (float, ±1, any length); what became known by it."""
        sound = np.array(block, np.float32).reshape(-1)  # the caller may use its block again
        self._fed += len(sound)
        self._wait.append(sound)
        self._n_wait += len(sound)
        if self._n_wait < self._piece():
            return []
        joined = clean(np.concatenate(self._wait))
        events: list[Event] = []
        used = 0
        while len(joined) - used >= (size := self._piece()):
            self._one(joined[used : used + size], events)
            used += size
        self._wait = [joined[used:]]
        self._n_wait = len(joined) - used
        return events

    def finish(self) -> list[Event]:
        """Nothing more comes: what is still open is said and ended."""
        fed = self._fed
        events = self.feed(np.zeros(round(0.08 * self.rate_hz), np.float32))
        if self._now is not None:
            self._end(min(float(self._n_tone), (fed + self._reach) / self._factor), events)
        return events

    # one step

    def _piece(self) -> int:
        """Frames that are taken in next: a quarter of a step while a first label is owed or a pitch may have stepped,
        so that it comes in time."""
        now = self._now
        owed = self._quarters or (now is not None and not now.dead and (now.pitch is None or now.n_moved > 0))
        return self._step * self._factor // (4 if owed else 1)

    def _one(self, new: NDArray[np.float32], events: list[Event]) -> None:
        """A step, or a quarter of one."""
        self._take(new)
        self._quarters = (self._quarters + 4 * len(new) // (self._step * self._factor)) % 4
        if not self._quarters:
            self._learn()
            self._listen(events)
        elif (now := self._now) is not None and not now.dead:
            if now.pitch is None:
                self._first_label(now, events)
            elif now.n_moved and self._quarters == 2:
                self._watch_between(now, now.pitch, events)

    def _take(self, new: NDArray[np.float32]) -> None:
        """Filter and thin the newest sound."""
        size, step = len(new), len(new) // self._factor
        new = self._hum.taken_from(self._about_zero(new), self._n_tone * self._factor)
        self._raw[:-size] = self._raw[size:]
        self._raw[-size:] = new
        # the frames whose filters are now complete: `reach` behind the newest
        half = len(self._thin) // 2
        complete = len(self._raw) - self._reach - size
        windows = np.lib.stride_tricks.sliding_window_view(self._raw[complete - half :], len(self._thin))
        thin = windows[: size : self._factor] @ self._thin
        self._plain[:-step] = self._plain[step:]
        self._plain[-step:] = thin
        self._rest[:-step] = self._rest[step:]
        self._rest[-step:] = thin
        self._tone[:-step] = self._tone[step:]
        known = self._plain[-len(self._rumble) - step + 1 :]
        self._tone[-step:] = np.convolve(known, self._rumble[::-1], "valid")
        half = len(self._attack) // 2
        first = complete - half
        self._low[:-size] = self._low[size:]
        self._low[-size:] = np.convolve(self._raw[first : first + size + 2 * half], self._attack, "valid")
        above = self._raw[first + half : first + half + size] - self._low[-size:]
        self._above += float(above @ above)
        self._n_tone += step

    def _learn(self) -> None:
        """Hum, now and then, from what lies still."""
        self._n_steps += 1
        if self._n_steps % _LEARN_STEPS == 0 and self._n_tone >= len(self._rest) + 2 * self._step:
            first = (self._n_tone - len(self._rest)) * self._factor - self._reach
            self._hum.learn(self._rest, first, self._factor, self._now is None)

    def _about_zero(self, new: NDArray[np.float32]) -> NDArray[np.float32]:
        """Without the constant that an input adds: the mean of the past second or so, from step to step in a line."""
        was = self._zero if self._n_tone else float(new.mean())
        n = len(new) / self._factor
        self._zero = was + (float(new.mean()) - was) * max(n / (self._n_tone + n), n / (_DRIFT_S * self._rate))
        return new - np.linspace(was, self._zero, len(new), dtype=np.float32)

    def _frames(self, tone_frames: float) -> float:
        """A place on the tone band's axis as a frame of what was fed: the filters look `_reach` frames ahead."""
        return max(0.0, tone_frames * self._factor - self._reach)

    def _listen(self, events: list[Event]) -> None:
        step, tone = self._step, self._tone
        recent = tone[-step:]
        level = 10 * np.log10(float(recent @ recent) / step + 1e-12)
        past = self._levels
        width = int(min(len(past), max(4, np.ceil(1.25 * self._period / step) if self._clear > 0.7 else 9)))
        before = float(past[-width:].max())
        self._levels[:-1] = past[1:]
        self._levels[-1] = level
        around = float(self._levels.max())
        # noise: sinks at once, rises 3 dB a second
        self._noise_db = min(self._noise_db + 3 * _STEP_S, around) if self._n_tone > 10 * step else around
        self._loud_db = max(self._loud_db - 1.0 * _STEP_S, level)
        gate = max(_QUIET_DB, min(self._noise_db, self._loud_db - 20) + _ABOVE_NOISE_DB, self._loud_db - _BELOW_LOUD_DB)
        if self._clear > 0.7:
            self._past = self._period, self._clear
        now = self._now
        since = self._n_tone - (now.onset if now is not None else -1e9)
        apart = since > _APART_S * self._rate and self._n_tone > 8 * step
        brighter = self._brighter()
        if apart and level > gate and level - before > _RISE_DB:
            self._strike(self._n_tone - step, level, 0.0, events)
            return
        late = self._turned(gate)
        if late is not None and (now is None or late - now.onset > _APART_S * self._rate):
            self._strike(late, level, self._past[0] if self._past[1] > 0.8 else 0.0, events)
            now = self._now  # seen late: its label may be due at once
            assert now is not None
            since = self._n_tone - now.onset
        elif apart and brighter and level > gate and self._heights.max() < _TURN / 2:  # else a dull one is under way
            self._strike(self._n_tone - step, level, self._past[0] if self._past[1] > 0.8 else 0.0, events)
            return
        if now is not None:
            now.peak_db = max(now.peak_db, level) if since < 0.08 * self._rate else now.peak_db
            self._follow(now, level, around, gate, events)
        elif around > gate:
            self._read_period()

    def _brighter(self) -> bool:
        """Whether this step is as bright as a stroke, and what went before was not."""
        level = 10 * float(np.log10(self._above / (self._step * self._factor) + 1e-12))
        self._above = 0.0
        past = float(self._bright.max())
        self._bright[:-1] = self._bright[1:]
        self._bright[-1] = level
        self._brightest_db = max(self._brightest_db - _STEP_S, level)
        return level - past > _BRIGHT_DB and level > self._brightest_db - _BRIGHT_UNDER_DB

    def _read_period(self) -> None:
        look = round(0.050 * self._rate)
        self._period, self._clear = _period_of(self._tone[-look:], self._rate)

    def _turned(self, gate: float) -> float | None:
        """The tone frame of a stroke that does not rise above what rang: seen a period or so late, where a level
        that rises and a motion that breaks off are greatest together (`strokes`, with the past only)."""
        step, tone, now = self._step, self._tone, self._now
        steps = int(np.clip(np.ceil(self._past[0] / step), 3, 6)) if self._past[1] > 0.7 else 4
        size = steps * step
        if self._n_tone < 2 * size + 2 * step:  # what was before is not in yet
            return None
        follows, was = tone[-size:], tone[-2 * size : -size]
        own, past = float(follows @ follows), float(was @ was)
        quiet = 10 ** (gate / 10) * size / 10
        height = 4 * float(np.log10((own + quiet) / (past + quiet)))
        louder = height > _LOUDER
        period, clear = self._past
        heard = now is None or now.n_said > 0 or self._n_tone - now.onset > _UNHEARD_S * self._rate
        trust = 2 * min(1.0, (clear - 0.5) / 0.3) if heard else 0.0
        if period > 0 and trust > 0 and height + trust > _TURN:  # else no likeness could make it one
            best = -1.0
            fewest = int(np.ceil(size / period))
            for turns in (fewest, fewest + 1):
                for drift in _DRIFT:
                    start = len(tone) - size - round(turns * period * (1 + drift))
                    other = tone[start : start + size]
                    best = max(best, 2 * float(follows @ other) / (own + float(other @ other) + quiet))
            height += trust * (1 - max(0.0, best))
        heights = self._heights
        heights[:-1] = heights[1:]
        own_db = 10 * np.log10(own / size + 1e-12)
        faint = own_db < self._loud_db - _FAINT_DB and own < 2 * past
        heights[-1] = height if own_db > gate and not faint else 0.0
        self._standing[:-1] = self._standing[1:]
        self._standing[-1] = max(0.0, heights[-1]) if louder and own_db > self._loud_db - _LOUD_DB else 0.0
        for later, least in ((1, 2 * _TURN), (2, _TURN)):  # what stands out is believed a step sooner
            if heights[-1 - later] > least and heights[-1 - later] == heights.max():
                return float(self._n_tone - size - later * step)
        if self._standing.sum() > _STANDS and heights[-1] < heights.max() <= _TURN:
            return float(self._n_tone - size - int(heights[::-1].argmax()) * step)
        return None

    def _strike(self, near: float, level: float, before: float, events: list[Event]) -> None:
        found = self._located(near, before, 0.008)
        onset = near if found is None else found
        if self._now is not None:
            self._end(onset, events)
        self._now = _Sounding(self._n_strokes, float(onset), level, before=before)
        self._heights[:] = 0
        self._standing[:] = 0
        self._n_strokes += 1
        events.append(StrokeSeen(self._now.stroke, self._frames(onset)))
        self._clear = 0.0

    def _located(self, near: float, before: float, back_s: float) -> float | None:
        """The onset by its first strong swing, as far as it has come in, in tone frames."""
        factor = self._factor
        low_end = self._n_tone * factor  # one past the newest frame of `_low`
        row = round(near * factor) - low_end + len(self._low)
        if row < 0:
            return None
        found = swing(self._low, row, self.rate_hz, before * factor, back_s)
        return None if found is None else (found.at - len(self._low) + low_end) / factor

    def _settle_onset(self, now: _Sounding) -> None:
        """By the time of the first label the whole attack has come in: its onset is read once more."""
        found = self._located(now.onset, now.before, 0.004)
        if found is not None and abs(found - now.onset) < 0.02 * self._rate:
            now.onset = found

    def _end(self, frame: float, events: list[Event]) -> None:
        now = self._now
        assert now is not None
        self._now = None
        if now.pitch is None and not now.dead:
            self._dead(now, events)
        if now.pitch is not None:
            if now.n_said >= _TELLING:
                self._learn_from(now, now.pitch)
            end = max(frame, now.onset)
            events.append(NoteEnded(now.stroke, self._frames(end)))

    def _learn_from(self, now: _Sounding, pitch: float) -> None:
        """Where this instrument's frets are, and how sharp its first readings."""
        turn, n = self._tuning
        self._tuning = 0.97 * turn + np.exp(2j * np.pi * pitch), 0.97 * n + 1
        if now.read is not None and abs(now.read - pitch) < _FAR:
            self._sharp.learn(now.unclear, now.read - pitch)

    def _dead(self, now: _Sounding, events: list[Event]) -> None:
        now.dead = True
        self._settle_onset(now)
        loud = now.peak_db
        events.append(DeadStroke(now.stroke, self._frames(now.onset), velocity_of(loud), loud))

    # pitch of what sounds

    def _follow(self, now: _Sounding, level: float, around: float, gate: float, events: list[Event]) -> None:
        since = self._n_tone - now.onset
        rate = self._rate
        if around < max(now.peak_db - 26, gate - 6):
            self._end(self._n_tone - len(self._levels) * self._step, events)
            return
        if now.dead:
            self._read_period()
            return
        if now.pitch is None:
            self._first_label(now, events)
            return
        settled = now.n_said == len(_AGAIN_S)
        watched = now.n_said > 0 and since >= _WATCH_S * rate
        if watched and self._goes_on(now.period):
            now.n_moved = 0
            self._period, self._clear = now.period, _SAME
            if settled:
                return
            watched = False
        if settled or since >= _AGAIN_S[now.n_said] * rate:
            self._look_again(now, now.pitch, int(min(since, 0.075 * rate)), events)
        if watched and level > now.peak_db - _STOPPED_DB:
            self._watch(now, now.pitch, events)

    def _goes_on(self, period: float) -> bool:
        """Whether the newest period is like the one before."""
        size = max(1, round(period))
        new, old = self._tone[-size:], self._tone[-2 * size : -size]
        return 2 * float(new @ old) > _SAME * float(new @ new + old @ old)

    def _first_label(self, now: _Sounding, events: list[Event]) -> None:
        """Name the pitch as late as it may be said in time; what never becomes clear is a dead note."""
        rate = self._rate
        since = self._n_tone - now.onset
        if since < max(now.look_at, _LEAST_S * rate):
            return
        self._settle_onset(now)
        read, agreed, unclear = self._opinion(since)
        pitch = read - self._sharp.of(unclear)
        if abs(pitch - now.likely) < _ALIKE:
            agreed += _KEPT * now.agreed
        now.likely, now.agreed = pitch, agreed
        due = 2 * rate / (self.a4_hz * 2 ** ((pitch - 69) / 12)) + _DUE_S * rate
        newest = self._tone[-round(_NEWEST_S * rate) :]
        fallen = 10 * np.log10(float(newest @ newest) / len(newest) + 1e-12) < now.peak_db - _FALLEN_DB
        enough = max(next(least for until, least in _AGREED if since < until * rate), _FALLEN if fallen else 0.0)
        if agreed >= enough and since >= due:
            now.pitch, now.read, now.unclear = self._on_its_fret(pitch), read, unclear
            now.period = self._period = rate / (self.a4_hz * 2 ** ((pitch - 69) / 12))
            self._clear = min(1.0, agreed)
            loud = now.peak_db
            events.append(NoteHeard(now.stroke, self._frames(now.onset), now.pitch, velocity_of(loud), loud))
        elif since > _DEAD_S * rate:
            self._dead(now, events)
        else:
            wait = due - since
            now.look_at = since + (wait if 0 < wait < 2 * _LOOK_S * rate else _LOOK_S * rate)

    def _opinion(self, since: float) -> tuple[float, float, float]:
        """(pitch, how far readings agree on it, how unclear those are) of readings that leave more and more of the
        attack out, each as it is and without a finger's slow push: several candidates kept (Mauch & Dixon 2014), the
        most agreed upon taken. A struck string comes down to its pitch: what lies between the earlier and the later
        readings is carried on."""
        rate = self._rate
        sizes = [int(min(since - skip * rate, 0.075 * rate)) for skip in _SKIPS_S]
        sizes = [size for size in sizes if size >= _LEAST_S * rate] or sizes[:1]
        whole = np.zeros((len(sizes), 2, sizes[0]))
        for rows, size in zip(whole, sizes, strict=True):
            rows[0, -size:] = self._tone[-size:]
            rows[1, -size:] = without_thump(self._tone[-size:])
        lead = np.repeat(sizes[0] - np.array(sizes), 2)
        period, clear = (a.reshape(-1, 2) for a in periods(whole.reshape(-1, sizes[0]), rate, lead))
        clear = np.where(period > 0, np.maximum(clear, 0.0), 0.0)
        weight = _VOICES * clear**2
        pitch = pitch_of(period, rate, self.a4_hz)
        near = np.exp(-0.5 * ((pitch.reshape(-1, 1) - pitch.reshape(1, -1)) / _NEAR) ** 2) * weight.reshape(1, -1)
        best = int(near.sum(axis=1).argmax())
        agreed = float(near[best].sum())
        if agreed <= 0:
            return float(pitch.flat[best]), 0.0, 1.0
        middle = float(near[best] @ pitch.reshape(-1)) / agreed
        early, late = (_mean(row[np.abs(row - middle) < _FAR], middle) for row in (pitch[0], pitch[-1]))
        unclear = 1.0 - float(near[best] @ clear.reshape(-1)) / agreed
        return middle - _EARLY * (early - middle) + _LATE * (late - middle), agreed / pitch.size, unclear

    def _on_its_fret(self, pitch: float) -> float:
        """A first pitch in the light of the frets, once its notes have told where they are."""
        if self._tuning[1] < _TUNED or abs(self._tuning[0]) < 0.8 * self._tuning[1]:
            return pitch
        tuned = float(np.angle(self._tuning[0])) / (2 * np.pi)
        fret = round(pitch - tuned) + tuned
        return min(max(pitch, fret - _ON_FRET), fret + _ON_FRET)

    def _look_again(self, now: _Sounding, said: float, size: int, events: list[Event]) -> None:
        """Amend the pitch that was said while the note settles."""
        rate = self._rate
        look = min(size, round(0.050 * rate) if now.period < 0.020 * rate else size)
        period, clear = _period_of(self._tone[-look:], rate)
        self._period, self._clear = period, clear
        if clear < 0.8 or period <= 0:
            return
        pitch = float(pitch_of(period, rate, self.a4_hz))
        if now.n_said < len(_AGAIN_S):
            now.n_said += 1
            last = now.n_said == len(_AGAIN_S)
            if abs(pitch - said) > 0.03 or last:
                now.pitch, now.period, now.settled = pitch, period, last
                events.append(PitchAmended(now.stroke, pitch, last))

    def _watch(self, now: _Sounding, said: float, events: list[Event]) -> None:
        """Whether the newest two periods have stepped to another pitch and stand there."""
        pitch, period, clear = self._newest(now)
        step = abs(pitch - said)
        if clear <= 0.9 or step <= _STEP[0]:
            now.n_moved = 0
            return
        now.n_moved = now.n_moved + 1 if now.n_moved and abs(pitch - now.moved_to) < _STOOD else 1
        now.moved_to = pitch
        if now.n_moved >= (2 if step < _STEP[1] else 4):
            self._stepped(now, pitch, period, events)

    def _watch_between(self, now: _Sounding, said: float, events: list[Event]) -> None:
        """Half a step of 4 ms after a pitch was seen to have moved: whether it stands still already."""
        pitch, period, clear = self._newest(now)
        went = abs(pitch - said) - abs(now.moved_to - said)
        if clear > 0.9 and _STEP[0] < abs(pitch - said) < _STEP[1] and -_STOOD < went < 0.0:
            self._stepped(now, pitch, period, events)

    def _newest(self, now: _Sounding) -> tuple[float, float, float]:
        """(pitch, period, clearness) of the newest two periods or so of what sounds."""
        rate = self._rate
        period, clear = _period_of(self._tone[-int(max(_WATCH_PERIODS * now.period, _WATCH_LEAST_S * rate)) :], rate)
        return float(pitch_of(period, rate, self.a4_hz)), period, clear

    def _stepped(self, now: _Sounding, pitch: float, period: float, events: list[Event]) -> None:
        """A hammer-on or pull-off: no attack, another pitch."""
        row = len(self._tone) - round(0.021 * self._rate + period)
        at = turn(self._tone, row, self._rate, now.period, period)
        onset = float(self._n_tone - len(self._tone) + at)
        self._end(onset, events)
        self._now = _Sounding(self._n_strokes, onset, float(self._levels[-4:].max()), pitch, period)
        self._n_strokes += 1
        events.append(StrokeSeen(self._now.stroke, self._frames(onset)))
        loud = self._now.peak_db
        events.append(NoteHeard(self._now.stroke, self._frames(onset), pitch, velocity_of(loud), loud))
