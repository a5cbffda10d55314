"""The transport: where the song is, and which events are due. Sans-IO: it is told the time and never asks for it.

Three axes meet here. The *host* axis is `perf_counter_ns` of this process. The *ruler* is the axis that drives the
song, in seconds: the audio stream's frames divided by its nominal rate, or the host clock itself; a `Ruler` maps the
two. The *song* axis is the take's: seconds from the first downbeat of the first chorus. A `Timeline` says how the song
runs along the ruler, as stretches that move or rest: pausing and going back only ever replace what lies ahead.

States: count_in → playing → finished, and paused in between. Going on after a pause, and going back to a chorus's top,
are led in by the last bar of the count-in where the session has one; a new *pass* begins there, whose notes take the
place of those that were played from that point on before.
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal, NamedTuple, Protocol

from trainer.clock.tempo import TempoMap

__all__ = [
    "CLOCK_PULSE",
    "CONTROL",
    "NOTE_OFF",
    "NOTE_ON",
    "SCRIPTED",
    "WHEEL",
    "Due",
    "HostRuler",
    "Marks",
    "Placed",
    "Ruler",
    "Snapshot",
    "SongClock",
    "SongEvent",
    "State",
    "Stretch",
    "Timeline",
    "Transport",
    "note_events",
]

State = Literal["waiting", "count_in", "playing", "paused", "finished"]

# What an event is: the band's notes, a move of a channel's pitch wheel (`pitch` is where to, 0 to 16383), a controller
# (`pitch` is its number, `velocity` its value), a pulse of the MIDI clock, a message of a scripted player (`part` is
# its index). Of one moment, the lower number goes first.
NOTE_OFF, WHEEL, NOTE_ON, CLOCK_PULSE, SCRIPTED, CONTROL = 0, 1, 2, 3, 4, 5

# A note played so shortly before the point where a pass takes up again belongs to the new pass (our choice).
EARLY_BEATS = 0.25


class Ruler(Protocol):
    """Maps the host clock to the axis that drives the song, and back; both rise together."""

    def ruler_s(self, host_ns: int) -> float: ...

    def host_ns(self, ruler_s: float) -> int: ...


@dataclass(frozen=True, slots=True)
class HostRuler:
    """The host clock as the ruler: `zero_s` on the ruler is `origin_ns` on the host."""

    origin_ns: int
    zero_s: float = 0.0

    def ruler_s(self, host_ns: int) -> float:
        return self.zero_s + (host_ns - self.origin_ns) * 1e-9

    def host_ns(self, ruler_s: float) -> int:
        return self.origin_ns + round((ruler_s - self.zero_s) * 1e9)


@dataclass(frozen=True, slots=True)
class Stretch:
    """From `ruler_s` on, the song is at `song_s`, moving or resting.

    `kind`: "moving" · "counting" (the count-in's last bar, played before `notes_song_s` is taken up again) · "paused" ·
    "finished" · "waiting". Notes are placed on the axis that runs through `notes_song_s` at the stretch's start.
    """

    ruler_s: float
    song_s: float
    kind: Literal["moving", "counting", "paused", "finished", "waiting"]
    pass_idx: int = 0
    notes_song_s: float = 0.0

    @property
    def moves(self) -> bool:
        return self.kind in ("moving", "counting")


@dataclass(frozen=True, slots=True)
class Timeline:
    """Stretches with rising `ruler_s`; the first reaches back for ever, the last ahead for ever."""

    stretches: tuple[Stretch, ...] = (Stretch(-math.inf, 0.0, "waiting"),)

    def index_at(self, ruler_s: float) -> int:
        """Index of the stretch in force at a moment of the ruler."""
        return max(0, bisect_right(self.stretches, ruler_s, key=lambda s: s.ruler_s) - 1)

    def end_s(self, index: int) -> float:
        """Ruler second where a stretch ends (infinite for the last)."""
        return self.stretches[index + 1].ruler_s if index + 1 < len(self.stretches) else math.inf

    def song_at(self, ruler_s: float) -> float:
        """Song second at a moment of the ruler."""
        stretch = self.stretches[self.index_at(ruler_s)]
        return stretch.song_s + (ruler_s - stretch.ruler_s) if stretch.moves else stretch.song_s

    def cut(self, ruler_s: float, following: Iterable[Stretch]) -> Timeline:
        """What lies before `ruler_s` stays; `following` takes the place of the rest."""
        kept = tuple(s for s in self.stretches if s.ruler_s < ruler_s)
        return Timeline(kept + tuple(following))


class SongEvent(NamedTuple):
    """One thing to do at a song second: `kind` is NOTE_ON, NOTE_OFF, WHEEL, CONTROL, CLOCK_PULSE or SCRIPTED."""

    song_s: float
    kind: int
    part: int = 0
    channel: int = 0
    pitch: int = 0
    velocity: int = 0


class Due(NamedTuple):
    """An event that has come due, and the host moment at which it was meant."""

    due_ns: int
    event: SongEvent


class Placed(NamedTuple):
    """Where a host moment lies in the song. `song_s` is None while nothing moves (waiting, paused, finished)."""

    song_s: float | None
    pass_idx: int


@dataclass(frozen=True, slots=True)
class Marks:
    """The places of a song that the transport must know, all in beats: bar onsets (with the number of the chorus that
    each bar belongs to), the count-in's start, the first bar, the end."""

    count_in_beats: float
    first_beats: float
    end_beats: float
    bar_onsets_beats: tuple[float, ...]
    bar_choruses: tuple[int, ...]
    beats_per_bar: int = 4


@dataclass(frozen=True, slots=True)
class Snapshot:
    """The song at one moment. `bar_idx` counts the chart's bars from 0, -1 in the count-in; `count` is the beat of the
    count-in's bar now sounding (1-based; 0 outside); `chorus` is 0 before the first."""

    state: State
    host_ns: int
    song_s: float
    beats: float
    bar_idx: int
    chorus: int
    count: int
    pass_idx: int
    tempo_bpm: float


class SongClock:
    """Host nanoseconds ↔ song seconds, through a ruler and a timeline."""

    __slots__ = ("ruler", "timeline")

    def __init__(self, ruler: Ruler, timeline: Timeline | None = None) -> None:
        self.ruler = ruler
        self.timeline = timeline or Timeline()

    def song_s(self, host_ns: int) -> float:
        return self.timeline.song_at(self.ruler.ruler_s(host_ns))

    def placed(self, host_ns: int) -> Placed:
        """Where a note heard at a host moment belongs."""
        ruler_s = self.ruler.ruler_s(host_ns)
        stretch = self.timeline.stretches[self.timeline.index_at(ruler_s)]
        if not stretch.moves:
            return Placed(None, stretch.pass_idx)
        return Placed(stretch.notes_song_s + (ruler_s - stretch.ruler_s), stretch.pass_idx)


def note_events(
    onsets_s: Sequence[float],
    durations_s: Sequence[float],
    parts: Sequence[int],
    channels: Sequence[int],
    pitches: Sequence[int],
    velocities: Sequence[int],
) -> list[SongEvent]:
    """Note-ons and note-offs in time order, offs first where they meet.

    A note that is struck again while it sounds (same channel and pitch) is released at the second stroke, so that no
    late release cuts the new note.
    """
    rows = sorted(zip(onsets_s, durations_s, parts, channels, pitches, velocities, strict=True), key=lambda row: row[0])
    next_onset: dict[tuple[int, int], float] = {}
    out: list[SongEvent] = []
    for onset_s, duration_s, part, channel, pitch, velocity in reversed(rows):
        voice = (channel, pitch)
        end_s = min(onset_s + max(duration_s, 1e-3), next_onset.get(voice, math.inf))
        if end_s > onset_s:
            out.append(SongEvent(onset_s, NOTE_ON, part, channel, pitch, velocity))
            out.append(SongEvent(end_s, NOTE_OFF, part, channel, pitch, 0))
            next_onset[voice] = onset_s
    out.sort(key=lambda e: (e.song_s, e.kind))
    return out


class Transport:
    """Runs events along a `SongClock`.

    `advance(now_ns)` returns what has come due since the last call, each event exactly once for each time the song
    passes it, in any chunking, and a `Snapshot`. Where the song stops moving, every sounding note gets its note-off.
    Commands take effect at a ruler second of the caller's choosing, which must not lie before what was already run.
    """

    def __init__(
        self,
        marks: Marks,
        tempo: TempoMap,
        events: Iterable[SongEvent],
        ruler: Ruler,
        *,
        tail_s: float = 1.5,
    ) -> None:
        self.marks = marks
        self.clock = SongClock(ruler)
        self._tempo = tempo
        self._events = sorted(events, key=lambda e: (e.song_s, e.kind))
        self._onsets = [event.song_s for event in self._events]
        self._seg_s = tempo.seconds.tolist()
        self._seg_beats = tempo.beats.tolist()
        self._seg_bpm = tempo.bpm.tolist()
        self.start_song_s = float(tempo.seconds_at(marks.count_in_beats))
        self.first_song_s = float(tempo.seconds_at(marks.first_beats))
        self.end_song_s = float(tempo.seconds_at(marks.end_beats)) + tail_s
        waiting = Stretch(-math.inf, self.start_song_s, "waiting", 0, self.start_song_s)
        self.clock.timeline = Timeline((waiting,))
        self._bar_s = [float(x) for x in tempo.seconds_at(list(marks.bar_onsets_beats))]
        self._at = 0  # index of the stretch being run
        self._next = 0  # index of the next event in it
        self._done_s = -math.inf  # ruler second up to which everything was run
        self._sounding: dict[tuple[int, int], SongEvent] = {}
        # Song second from which each pass's notes count, by pass.
        self.pass_starts_s: list[float] = [-math.inf]

    # --- what lies ahead -------------------------------------------------------------------------------------------

    @property
    def timeline(self) -> Timeline:
        return self.clock.timeline

    def _running(self, ruler_s: float, song_s: float, pass_idx: int, *, count: bool) -> list[Stretch]:
        """Stretches that take the song up at `song_s`, with a bar's count before it if asked and there is one."""
        out: list[Stretch] = []
        marks = self.marks
        lead_from = max(marks.first_beats - marks.beats_per_bar, marks.count_in_beats)
        lead_song_s = float(self._tempo.seconds_at(lead_from))
        lead_s = self.first_song_s - lead_song_s
        if count and lead_s > 0.0:
            out.append(Stretch(ruler_s, lead_song_s, "counting", pass_idx, song_s - lead_s))
            ruler_s += lead_s
        out.append(Stretch(ruler_s, song_s, "moving", pass_idx, song_s))
        end_s = ruler_s + max(0.0, self.end_song_s - song_s)
        out.append(Stretch(end_s, self.end_song_s, "finished", pass_idx, self.end_song_s))
        return out

    def _cut(self, ruler_s: float, following: Sequence[Stretch]) -> None:
        self.clock.timeline = self.timeline.cut(ruler_s, following)
        # The cursor's own stretch is always kept: nothing already run is replaced.
        self._at = min(self._at, len(self.timeline.stretches) - 1)

    def _place_s(self, ruler_s: float) -> float:
        """The song second that the players are at; in a lead-in count, the one that is about to be taken up."""
        index = self.timeline.index_at(ruler_s)
        if self.timeline.stretches[index].kind == "counting":
            return self.timeline.stretches[index + 1].song_s
        return self.timeline.song_at(ruler_s)

    def _moment(self, ruler_s: float) -> float:
        return max(ruler_s, math.nextafter(self._done_s, math.inf)) if math.isfinite(self._done_s) else ruler_s

    def start(self, ruler_s: float) -> None:
        """The count-in begins at `ruler_s`."""
        self._cut(self._moment(ruler_s), self._running(self._moment(ruler_s), self.start_song_s, 0, count=False))

    def pause(self, ruler_s: float) -> None:
        """Rest from `ruler_s` on; nothing happens where nothing moves."""
        ruler_s = self._moment(ruler_s)
        stretch = self.timeline.stretches[self.timeline.index_at(ruler_s)]
        if stretch.moves:
            song_s = self._place_s(ruler_s)
            self._cut(ruler_s, [Stretch(ruler_s, song_s, "paused", stretch.pass_idx, song_s)])

    def resume(self, ruler_s: float) -> None:
        """Go on from the top of the bar that was left, after a bar's count; at once where there is no count-in."""
        ruler_s = self._moment(ruler_s)
        stretch = self.timeline.stretches[self.timeline.index_at(ruler_s)]
        if stretch.kind != "paused":
            return
        if stretch.song_s < self.first_song_s:  # paused in the count-in: count in again
            self._take_up(ruler_s, self.start_song_s, count=False)
        elif self.first_song_s > self.start_song_s:
            self._take_up(ruler_s, self._bar_s[self._bar_at(stretch.song_s)], count=True)
        else:
            self._cut(ruler_s, self._running(ruler_s, stretch.song_s, stretch.pass_idx, count=False))

    def restart(self, ruler_s: float) -> None:
        """Back to the top of the chorus that is being played (or was, when paused), after a bar's count."""
        ruler_s = self._moment(ruler_s)
        stretch = self.timeline.stretches[self.timeline.index_at(ruler_s)]
        if stretch.kind in ("waiting", "finished"):
            return
        song_s = self._place_s(ruler_s)
        if song_s < self.first_song_s:
            self._take_up(ruler_s, self.start_song_s, count=False)
            return
        bar = self._bar_at(song_s)
        while bar > 0 and self.marks.bar_choruses[bar - 1] == self.marks.bar_choruses[bar]:
            bar -= 1
        self._take_up(ruler_s, self._bar_s[bar], count=True)

    def locate(self, ruler_s: float, song_s: float) -> None:
        """Take the song up at a song second, at once: another machine says where it is."""
        song_s = min(max(song_s, self.start_song_s), self.end_song_s)
        self._take_up(self._moment(ruler_s), song_s, count=False)

    @property
    def done_s(self) -> float:
        """Ruler second up to which everything was run."""
        return self._done_s

    def _take_up(self, ruler_s: float, song_s: float, *, count: bool) -> None:
        pass_idx = len(self.pass_starts_s)
        early_s = EARLY_BEATS * 60.0 / float(self._tempo.bpm_at(self._tempo.beats_at(song_s)))
        self.pass_starts_s.append(song_s - early_s)
        self._cut(ruler_s, self._running(ruler_s, song_s, pass_idx, count=count))

    def stop(self, ruler_s: float) -> None:
        """The song ends at `ruler_s`, wherever it is."""
        ruler_s = self._moment(ruler_s)
        song_s = self.timeline.song_at(ruler_s)
        self._cut(ruler_s, [Stretch(ruler_s, song_s, "finished", len(self.pass_starts_s) - 1, song_s)])

    def finish(self, ruler_s: float) -> None:
        """The song has run to its end at `ruler_s`; the next `advance` says so."""
        ruler_s = self._moment(ruler_s)
        last = len(self.pass_starts_s) - 1
        self._cut(ruler_s, [Stretch(ruler_s, self.end_song_s, "finished", last, self.end_song_s)])

    def keeps(self, placed: Placed) -> bool:
        """True for a note that no later pass has replaced and that was not played into a pause or a lead-in count."""
        if placed.song_s is None or placed.song_s < self.pass_starts_s[placed.pass_idx]:
            return False
        return all(placed.song_s < start_s for start_s in self.pass_starts_s[placed.pass_idx + 1 :])

    def exchange(self, from_s: float, old: Iterable[SongEvent], new: Iterable[SongEvent]) -> None:
        """Put other events in the place of some that have not been run: all of them at song second `from_s` or later.

        Costs a search and the events between the first and the last of them, not the whole song.
        """
        gone, come = list(old), list(new)
        if not gone and not come:
            return
        low = bisect_left(self._onsets, from_s)
        high = bisect_right(self._onsets, max(event.song_s for event in (*gone, *come)))
        left = Counter(gone)
        kept = []
        for event in self._events[low:high]:
            if left[event] > 0:
                left[event] -= 1
            else:
                kept.append(event)
        piece = sorted([*kept, *come], key=lambda e: (e.song_s, e.kind))
        self._events[low:high] = piece
        self._onsets[low:high] = [event.song_s for event in piece]
        if self._next > low:  # too late for some: what has been passed stays passed
            self._next = max(low, self._next + len(piece) - (high - low))

    # --- running ---------------------------------------------------------------------------------------------------

    def next_due_ns(self) -> int | None:
        """Host moment at which `advance` will next have something to do; None when nothing lies ahead."""
        stretch = self.timeline.stretches[self._at]
        end_s = self.timeline.end_s(self._at)
        due_s = end_s
        if stretch.moves and self._next < len(self._events):
            due_s = min(due_s, stretch.ruler_s + (self._onsets[self._next] - stretch.song_s))
        return self.clock.ruler.host_ns(due_s) if math.isfinite(due_s) else None

    def advance(self, now_ns: int, lead_ns: int = 0) -> tuple[tuple[Due, ...], Snapshot]:
        """Everything due up to `lead_ns` after `now_ns`, in order, and the song at `now_ns`."""
        due, now_s = self._run(now_ns + lead_ns)
        return due, self._snapshot(now_ns, now_s if lead_ns == 0 else self.clock.ruler.ruler_s(now_ns))

    def _run(self, now_ns: int) -> tuple[tuple[Due, ...], float]:
        now_s = self.clock.ruler.ruler_s(now_ns)
        # `host_ns` rounds to whole nanoseconds: a deadline that it named must be reached by the moment it named.
        now_s = max(now_s + 1e-9, self._done_s)
        # Where the ruler stands still, a change that was asked for must come into force all the same.
        now_s = math.nextafter(now_s, math.inf)
        due: list[Due] = []
        while True:
            self._run_stretch(now_s, due)
            if self.timeline.end_s(self._at) > now_s:
                break
            self._enter_next(due)
        self._done_s = now_s
        return tuple(due), now_s

    def _run_stretch(self, now_s: float, due: list[Due]) -> None:
        stretch = self.timeline.stretches[self._at]
        if not stretch.moves:
            return
        end_s = self.timeline.end_s(self._at)
        ended = end_s <= now_s
        limit_s = stretch.song_s + ((end_s if ended else now_s) - stretch.ruler_s)
        # Where the stretch ends, an event exactly at its end belongs to what follows.
        upto = bisect_left(self._onsets, limit_s - 1e-9) if ended else bisect_right(self._onsets, limit_s)
        host_ns = self.clock.ruler.host_ns
        for event in self._events[self._next : upto]:
            voice = (event.channel, event.pitch)
            if event.kind == NOTE_ON:
                self._sounding[voice] = event
            elif event.kind == NOTE_OFF and self._sounding.pop(voice, None) is None:
                continue  # its note began before this pass took the song up
            due.append(Due(host_ns(stretch.ruler_s + (event.song_s - stretch.song_s)), event))
        self._next = max(self._next, upto)

    def _enter_next(self, due: list[Due]) -> None:
        end_s = self.timeline.end_s(self._at)
        self._at += 1
        stretch = self.timeline.stretches[self._at]
        before = self.timeline.song_at(math.nextafter(end_s, -math.inf))
        if not stretch.moves or abs(stretch.song_s - before) > 1e-6:
            end_ns = self.clock.ruler.host_ns(end_s)
            for voice in sorted(self._sounding):
                off = self._sounding[voice]._replace(kind=NOTE_OFF, velocity=0, song_s=before)
                due.append(Due(end_ns, off))
            self._sounding.clear()
        if stretch.moves:
            self._next = bisect_left(self._onsets, stretch.song_s - 1e-9)

    def _bar_at(self, song_s: float) -> int:
        return max(0, bisect_right(self._bar_s, song_s + 1e-9) - 1)

    def _snapshot(self, now_ns: int, now_s: float) -> Snapshot:
        at = self.timeline.index_at(now_s)
        stretch = self.timeline.stretches[at]
        song_s = stretch.song_s + (now_s - stretch.ruler_s if stretch.moves else 0.0)
        i = max(0, bisect_right(self._seg_s, song_s) - 1)
        bpm = self._seg_bpm[i]
        beats = self._seg_beats[i] + (song_s - self._seg_s[i]) * bpm / 60.0
        counting = stretch.kind == "counting" or song_s < self.first_song_s
        bar = self._bar_at(stretch.notes_song_s if stretch.kind == "counting" else song_s)
        if stretch.kind == "counting":  # show the bar that is about to be taken up
            bar = self._bar_at(self.timeline.stretches[at + 1].song_s)
        state: State = "count_in" if counting else "playing"
        if stretch.kind in ("paused", "finished", "waiting"):
            state = stretch.kind
        count = 0
        if state == "count_in":
            count = math.floor(beats - self.marks.count_in_beats + 1e-6) % self.marks.beats_per_bar + 1
        in_lead = counting and stretch.kind != "counting"
        return Snapshot(
            state=state,
            host_ns=now_ns,
            song_s=song_s,
            beats=beats,
            bar_idx=-1 if in_lead else bar,
            chorus=0 if in_lead else self.marks.bar_choruses[bar],
            count=count,
            pass_idx=stretch.pass_idx,
            tempo_bpm=bpm,
        )

    def with_ruler(self, ruler: Ruler, at_ns: int) -> None:
        """Change what drives the song at a host moment (the audio stream was lost or came back) without a jump.

        `ruler` must agree with the old one at `at_ns`; `HostRuler(at_ns, old.ruler_s(at_ns))` does.
        """
        if abs(ruler.ruler_s(at_ns) - self.clock.ruler.ruler_s(at_ns)) > 1e-3:
            raise ValueError("the new ruler jumps by more than 1 ms; expected one that continues the old")
        self.clock = SongClock(ruler, self.clock.timeline)
