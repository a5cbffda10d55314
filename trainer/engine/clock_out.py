"""MIDI clock in a running session: what is sent so that another machine follows, and the song driven by another's.

Source: MIDI 1.0, system real-time and song position; see `trainer.clock.midi_clock`.
"""

from __future__ import annotations

import math

from trainer.clock.midi_clock import LEAD_S, START, STOP, ClockFollower, pulse_beats, resume_messages
from trainer.clock.sources import Clock
from trainer.clock.tempo import TempoMap
from trainer.clock.transport import CLOCK_PULSE, SongEvent, Timeline, Transport

__all__ = ["ClockSender", "FollowRuler", "pulse_events"]

_REJOIN_BEATS = 0.02  # a machine that is back is told its place so long before it, at the least


def pulse_events(transport_start_beats: float, end_beats: float, tempo: TempoMap) -> list[SongEvent]:
    """The clock's pulses along the song, count-in included, as events of the transport."""
    seconds = tempo.seconds_at(pulse_beats(transport_start_beats, end_beats))
    return [SongEvent(float(second), CLOCK_PULSE) for second in seconds]


class ClockSender:
    """Start, stop, song position and continue: what goes between the pulses. `plan` after each change of the timeline.

    The other machine's song begins where ours does after the count-in; the pulses of the count-in tell it the tempo.
    """

    def __init__(self, transport: Transport, tempo: TempoMap, first_beats: float, end_beats: float) -> None:
        self._transport = transport
        self._tempo = tempo
        self._first_beats = first_beats
        self._end_beats = end_beats
        self._todo: list[tuple[float, bytes]] = []

    def plan(self, timeline: Timeline, done_s: float) -> None:
        """Work out the messages after a ruler second."""
        out: list[tuple[float, bytes]] = []
        runs = False
        stretches = timeline.stretches
        for i, stretch in enumerate(stretches):
            before = timeline.song_at(math.nextafter(stretch.ruler_s, -math.inf)) if i else -math.inf
            joins = runs and stretch.moves and abs(stretch.song_s - before) < 1e-6
            if runs and not joins:
                out.append((stretch.ruler_s, STOP))
                runs = False
            if stretch.kind != "moving" or joins:
                continue
            if stretch.song_s < self._transport.first_song_s:
                at_s = stretch.ruler_s + (self._transport.first_song_s - stretch.song_s)
                out.append((at_s - LEAD_S, START))
            else:
                beats = float(self._tempo.beats_at(stretch.song_s)) - self._first_beats
                _, messages = resume_messages(beats)
                for message in messages:
                    song_s = float(self._tempo.seconds_at(message.at_beats + self._first_beats)) + message.shift_s
                    out.append((stretch.ruler_s + (song_s - stretch.song_s), message.data))
            runs = True
            stop_s = stretch.ruler_s + float(self._tempo.seconds_at(self._end_beats)) - stretch.song_s
            if stop_s < timeline.end_s(i):
                out.append((stop_s, STOP))
                runs = False
        self._todo = sorted((row for row in out if row[0] > done_s), key=lambda row: row[0])

    def rejoin(self, timeline: Timeline, done_s: float) -> None:
        """The other machine is back: where the song moves, it is told at which sixteenth to come in."""
        self.plan(timeline, done_s)
        here_s = timeline.song_at(done_s)
        beats = float(self._tempo.beats_at(here_s)) - self._first_beats
        moving = timeline.stretches[timeline.index_at(done_s)].kind == "moving"
        if moving and 0.0 <= beats < self._end_beats - self._first_beats:
            _, messages = resume_messages(beats + _REJOIN_BEATS)
            for message in reversed(messages):
                song_s = float(self._tempo.seconds_at(message.at_beats + self._first_beats)) + message.shift_s
                self._todo.insert(0, (done_s + (song_s - here_s), message.data))

    @property
    def next_s(self) -> float:
        """Ruler second of the next message; infinite when there is none."""
        return self._todo[0][0] if self._todo else math.inf

    def due(self, now_s: float) -> list[bytes]:
        out = []
        while self._todo and self._todo[0][0] <= now_s:
            out.append(self._todo.pop(0)[1])
        return out


class FollowRuler:
    """Another machine's clock as the ruler: its beats at the session's tempo.

    Its start (position 0) is where our count-in begins. The ruler only rises: where the other machine goes back, its
    beats are counted on from where it was, and `jumped` gives the song beat that it went to.
    """

    __slots__ = ("_base_beats", "_clock", "_spb", "follower")

    def __init__(self, follower: ClockFollower, clock: Clock, tempo_bpm: float) -> None:
        self.follower = follower
        self._clock = clock
        self._spb = 60.0 / tempo_bpm
        self._base_beats = 0.0

    def ruler_s(self, host_ns: int) -> float:
        return (self._base_beats + self.follower.beats_at(self._clock.to_raw_ns(host_ns))) * self._spb

    def host_ns(self, ruler_s: float) -> int:
        raw_ns = self.follower.host_ns_at(ruler_s / self._spb - self._base_beats)
        if raw_ns is None:  # it stands still: not before a while
            return self._clock.now_ns() + 3_600_000_000_000
        return self._clock.from_raw_ns(raw_ns)

    def rebase(self, at_s: float, host_ns: int) -> None:
        """Go on from ruler second `at_s` at this moment, wherever the other machine now is."""
        self._base_beats = at_s / self._spb - self.follower.beats_at(self._clock.to_raw_ns(host_ns))
