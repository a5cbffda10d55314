"""The running session without threads, processes or devices: the same logic live and offline.

`Core.step(now_ns)` does what is due: sends the band's events, takes in what the player did, keeps the record, says
where the song is. Whoever drives it decides what time it is and when to call again (`Core.next_ns`). Times are this
process's clock; what goes into the record and over the wire is raw host time.
"""

from __future__ import annotations

import datetime
from array import array
from collections import deque
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np

from trainer.band import PARTS, BandScore, arrange
from trainer.band.arranger import BandWriter
from trainer.band.events import BEND_CHANNELS, MODULATION, speaker_moves, wheel_moves
from trainer.band.feel import MOST_SHIFT_S
from trainer.band.listening import Listener
from trainer.clock.fit import ClockFit, DriverClock
from trainer.clock.hindsight import StampKeeper, frame_knots
from trainer.clock.sources import Clock, SleepWatch
from trainer.clock.tempo import TempoMap
from trainer.clock.transport import (
    CLOCK_PULSE,
    CONTROL,
    NOTE_OFF,
    NOTE_ON,
    SCRIPTED,
    WHEEL,
    HostRuler,
    Marks,
    Ruler,
    Snapshot,
    SongEvent,
    Timeline,
    Transport,
    note_events,
)
from trainer.engine.clock_out import ClockSender, FollowRuler, pulse_events
from trainer.engine.messages import Heard, Notice, Place, Pressed, Setup
from trainer.engine.record import Record
from trainer.errors import PortError
from trainer.music.general_midi import CHANNELS
from trainer.ports.pedal import Pedals
from trainer.ports.protocols import AudioStamp, MidiOut, RawMidi
from trainer.session import Chart, expand, session_from_dict
from trainer.take.messages import is_channel_message
from trainer.take.recorder import Recorder

__all__ = ["AudioRuler", "Core", "chart_marks", "song_events", "speaker_events"]

TAIL_S = 1.5  # the last chord rings, and the last note may come late
PLACE_EVERY_NS = 33_000_000
STALL_STAMPS = 24  # callbacks in a row that must lie beside the line
STALL_NS = 1_000_000
XRUN_NS = 100_000_000  # on either side of a glitch that the driver reported
STILL_NS = 40_000_000  # on either side of one that hindsight found (four callbacks are 21 ms)
MAP_EVERY_NS = 1_000_000_000
_MONITOR_CHANNEL = 0  # the player's own notes on MIDI out, when there is no audio to hear them by
_MONITOR_PROGRAM = 33  # General MIDI: electric bass (finger), counted from 0
_KEYS = PARTS.index("keys")
_NO_BEND = b"\x00\x40"
_BEND_RANGE_CONTROLLERS = (6, 38, 100, 101)  # data entry and the registered parameter's number (MIDI 1.0)


def chart_marks(chart: Chart) -> Marks:
    """What the transport must know of a chart."""
    return Marks(
        count_in_beats=chart.count_in_beats,
        first_beats=chart.first_beats,
        end_beats=chart.end_beats,
        bar_onsets_beats=tuple(bar.onset_beats for bar in chart.bars),
        bar_choruses=tuple(bar.chorus for bar in chart.bars),
    )


def song_events(score: BandScore, tempo: TempoMap) -> list[SongEvent]:
    """The band's events as the transport runs them."""
    events = score.events
    onsets_s, durations_s = score.onsets_s(tempo), score.durations_s(tempo)
    out = note_events(
        onsets_s.tolist(),
        durations_s.tolist(),
        events["part"].tolist(),
        events["channel"].tolist(),
        events["pitch"].tolist(),
        events["velocity"].tolist(),
    )
    # Each note of the channel sets the wheel, so that it is right wherever the song is taken up.
    for i in np.flatnonzero(np.isin(events["channel"], BEND_CHANNELS)).tolist():
        event, onset_s = events[i], float(onsets_s[i])
        for at_s, wheel in wheel_moves(float(event["bend_from"]), float(event["bend_to"]), float(durations_s[i])):
            out.append(SongEvent(onset_s + at_s, WHEEL, int(event["part"]), int(event["channel"]), wheel))
    out.sort(key=lambda e: (e.song_s, e.kind))
    return out


def speaker_events(score: BandScore, chart: Chart, tempo: TempoMap) -> list[SongEvent]:
    """The speed of the organ's speaker where it is switched, and again at each bar: so that it is right within a bar
    wherever the song is taken up."""
    moves = speaker_moves(score)
    if not moves:
        return []
    at_beats = np.array([at for at, _ in moves])
    moments = sorted({*at_beats.tolist(), *(bar.onset_beats for bar in chart.bars)})
    values = [moves[int(k)][1] for k in np.maximum(np.searchsorted(at_beats, moments, side="right") - 1, 0)]
    return [
        SongEvent(float(tempo.seconds_at(at)), CONTROL, _KEYS, CHANNELS["keys"], MODULATION, value)
        for at, value in zip(moments, values, strict=True)
    ]


class AudioRuler:
    """The audio stream as the ruler: frames over the nominal rate, by a running fit, refreshed by `update`.

    Between two refreshes it is a straight line, so it costs nothing to ask.
    """

    __slots__ = ("_clock", "_frame", "_host_ns", "_ns_per_frame", "fit", "sample_rate_hz")

    def __init__(self, fit: ClockFit, clock: Clock, sample_rate_hz: int) -> None:
        self.fit = fit
        self.sample_rate_hz = sample_rate_hz
        self._clock = clock
        self._frame, self._host_ns, self._ns_per_frame = 0.0, 0, 1e9 / sample_rate_hz
        self.update(clock.now_ns())

    def update(self, now_ns: int) -> None:
        """Take the fit's present line, anchored near now."""
        raw_ns = self._clock.to_raw_ns(now_ns)
        frame = self.fit.frame_at(raw_ns)
        ahead = frame + self.sample_rate_hz
        self._frame, self._host_ns = frame, now_ns
        self._ns_per_frame = (self.fit.host_ns_at(ahead) - self.fit.host_ns_at(frame)) / self.sample_rate_hz

    def ruler_s(self, host_ns: int) -> float:
        return (self._frame + (host_ns - self._host_ns) / self._ns_per_frame) / self.sample_rate_hz

    def host_ns(self, ruler_s: float) -> int:
        return self._host_ns + round((ruler_s * self.sample_rate_hz - self._frame) * self._ns_per_frame)

    def line(self) -> tuple[int, float, float]:
        """(raw host ns, frame, frames per ns) of the present line."""
        return self._clock.to_raw_ns(self._host_ns), self._frame, 1.0 / self._ns_per_frame


class Core:
    """A running session. Ports are given to it open; it never opens or closes one."""

    def __init__(self, setup: Setup, clock: Clock, say: Callable[[Any], None]) -> None:
        """`say` takes messages for the front; it must not wait."""
        self.setup = setup
        self.clock = clock
        self.say = say
        self.session = session_from_dict(setup.session, "session")
        self.chart = expand(self.session)
        self.tempo = TempoMap(self.chart.tempo_segments)
        line = None if setup.guide_line is None else [tuple(row) for row in setup.guide_line]
        self.score = arrange(self.chart, guide=setup.guide, guide_line=line)
        self.listener = Listener(self.chart) if self.session.listen else None
        guide = self.session.guide if setup.guide is None else setup.guide
        self._writer = BandWriter(self.chart, guide=guide, guide_line=line) if self.listener is not None else None
        self._bar_events = self._events_by_bar()
        self.on_level: Callable[[int, float], None] = lambda bar_idx, level: None  # who renders the sound hears of it
        self.transport = Transport(
            chart_marks(self.chart),
            self.tempo,
            [
                *song_events(self.score, self.tempo),
                *speaker_events(self.score, self.chart, self.tempo),
                *self._script_events(),
                *self._pulses(),
            ],
            HostRuler(clock.now_ns()),
            tail_s=TAIL_S,
        )
        self.gains: tuple[float, ...] = tuple(setup.gains) or (1.0,) * len(PARTS)
        self.midi_out: MidiOut | None = None
        self.clock_out: MidiOut | None = None
        self.clock_sender = ClockSender(self.transport, self.tempo, self.chart.first_beats, self.chart.end_beats)
        self._planned: Timeline | None = None
        self.sink: deque[RawMidi] = deque()
        self.pedals: Pedals | None = None  # the switches on the bass's own port
        self.pad: deque[tuple[int, int, int, int]] = deque()  # raw host ns, pitch, velocity, number
        self.undone: deque[int] = deque()
        self.stamps: deque[AudioStamp] | None = None
        self.fit: ClockFit | None = None
        self.ruler: AudioRuler | None = None
        self.record: Record | None = None
        self.following: tuple[FollowRuler, deque[RawMidi]] | None = None
        self._follow_driver = DriverClock()
        self._followed_before = False
        self.recorder = Recorder(releases=setup.profile != "typing", keep_notes=False)
        self.snapshot: Snapshot | None = None
        self.lateness_us = array("q")
        self.sent_song_s = array("d")
        self._ahead_song_s: deque[float] = deque()  # of note-ons that the port will send at their moment
        self._n_unrendered = 0
        self.out_lost = False
        self.clock_out_lost = False
        self.monitor_out = False
        self._driver = DriverClock()
        self._port_idx = 0
        self._pad_seq: dict[int, int] = {}
        self._last_pad: tuple[int, int] | None = None
        self.facts: dict[str, Any] = {}  # from the front, for the take's header
        self._monitor_from = 0  # the channel that the player's newest note came on
        self._monitor_bends: dict[int, bytes] = {}
        self._next_place_ns = 0
        self._next_map_ns = 0
        self._n_stretches = 1
        self._n_passes = 1
        self._started = False
        self._stamps: StampKeeper | None = None
        self._sleeps = SleepWatch()
        self._beside: deque[int] = deque(maxlen=STALL_STAMPS)
        self._script_ns: int | None = None

    def _events_by_bar(self) -> dict[int, list[SongEvent]]:
        """The events of each bar by plan, where the band listens: what a bar that is settled takes the place of."""
        if self.listener is None or self._writer is None:
            return {}
        for level in self.listener.levels:
            self._writer.bar(level)
        events = self.score.events[self.score.events["onset_beats"] >= self.chart.first_beats]
        bars = self.chart.bar_idx_at(events["onset_beats"])
        return {
            bar.idx: song_events(replace(self.score, events=events[bars == bar.idx]), self.tempo)
            for bar in self.chart.bars
        }

    def _settle_bars(self, beats: float) -> None:
        """Write the bars whose intensity can be told by now, as the player's own playing asks for."""
        listener, writer = self.listener, self._writer
        while listener is not None and writer is not None and listener.wanted(beats):
            bar_idx, level = listener.settle()
            rows = writer.bar(level)
            new = song_events(replace(self.score, events=rows), self.tempo)
            old = self._bar_events.pop(bar_idx, [])
            reach_s = float(self.tempo.seconds_at(self.chart.bars[bar_idx].onset_beats)) - MOST_SHIFT_S - 1e-6
            self.transport.exchange(reach_s, old, new)
            self.mark("level", self.clock.now_ns(), bar_idx=bar_idx, intensity=level)
            self.on_level(bar_idx, level)

    def _script_events(self) -> list[SongEvent]:
        script = self.setup.script or []
        return [SongEvent(second, SCRIPTED, i) for i, (second, _) in enumerate(script)]

    def _pulses(self) -> list[SongEvent]:
        if self.setup.clock_out is None:
            return []
        return pulse_events(self.chart.count_in_beats, self.chart.end_beats, self.tempo)

    # --- the record ---------------------------------------------------------------------------------------------------

    def begin_record(self, hardware: dict[str, Any], *, on_disk: bool, recording: str | None = None) -> Record:
        """Start keeping: before the count-in. `hardware`: plain facts for the take's header; `recording`: where the
        bass's sound is kept meanwhile."""
        setup = self.setup
        header = {
            "session": self.session.to_dict(),
            "guide": setup.guide,
            "guide_line": setup.guide_line,
            "profile": setup.profile,
            "releases": setup.profile != "typing",
            "velocity_floor": setup.velocity_floor,
            "transpose_semitones": setup.transpose_semitones,
            "calibration": setup.calibration,
            "monitor": setup.monitor,
            "devices": hardware,
            "recording": recording,
            "extra": setup.extra,
            "created": datetime.datetime.now().astimezone().isoformat(timespec="seconds"),
        }
        self.record = Record(header, setup.takes_dir, on_disk=on_disk and setup.record)
        return self.record

    def _raw(self, host_ns: int) -> int:
        return self.clock.to_raw_ns(host_ns)

    def mark(self, kind: str, host_ns: int, **details: Any) -> None:
        if self.record is not None:
            self.record.mark(kind, self._raw(host_ns), **details)

    def _keep_map(self, now_ns: int) -> None:
        """Write where the song is, when it changes its way and once a second."""
        record, timeline = self.record, self.transport.timeline
        if record is None or not self._started:
            return
        ruler = self.transport.clock.ruler
        if now_ns < self._next_map_ns:
            return
        self._next_map_ns = now_ns + MAP_EVERY_NS
        ruler_s = ruler.ruler_s(now_ns)
        stretch = timeline.stretches[timeline.index_at(ruler_s)]
        if stretch.kind == "waiting":
            return
        rate = (ruler.ruler_s(now_ns + 1_000_000_000) - ruler_s) if stretch.moves else 0.0
        song_s = stretch.notes_song_s + (ruler_s - stretch.ruler_s if stretch.moves else 0.0)
        record.map(self._raw(now_ns), song_s, rate)

    def _cross_stretches(self, now_ns: int) -> None:
        """Write each stretch's beginning, once it has been passed."""
        record, timeline = self.record, self.transport.timeline
        ruler = self.transport.clock.ruler
        now_s = ruler.ruler_s(now_ns)
        while self._n_stretches < len(timeline.stretches) and timeline.stretches[self._n_stretches].ruler_s <= now_s:
            stretch = timeline.stretches[self._n_stretches]
            self._n_stretches += 1
            if record is None:
                continue
            at_ns = self._raw(ruler.host_ns(stretch.ruler_s))
            if stretch.pass_idx >= self._n_passes:
                self._n_passes = stretch.pass_idx + 1
                record.mark(
                    "pass", at_ns, number=stretch.pass_idx, from_s=self.transport.pass_starts_s[stretch.pass_idx]
                )
            rate = ruler.ruler_s(now_ns + 1_000_000_000) - now_s if stretch.moves else 0.0
            record.map(at_ns, stretch.notes_song_s, rate)
            self._next_map_ns = now_ns + MAP_EVERY_NS

    # --- commands -----------------------------------------------------------------------------------------------------

    def start(self, ruler_s: float) -> None:
        self._started = True
        self.transport.start(ruler_s)

    def send_programs(self) -> None:
        """Tell MIDI out which instruments play: once, before the count-in and after the port came back."""
        for channel, program in sorted(self.score.programs.items()):
            self._send(bytes((0xC0 | channel, program)))
        if self.monitor_out:
            self._send(bytes((0xC0 | _MONITOR_CHANNEL, _MONITOR_PROGRAM)))

    @property
    def lead_ns(self) -> int:
        """How long before its moment MIDI out wants to have an event."""
        return 0 if self.midi_out is None or self.out_lost else self.midi_out.lead_ns

    def _send(self, data: bytes, due_ns: int | None = None) -> None:
        if self.midi_out is None or self.out_lost:
            return
        try:
            self.midi_out.send(data, 0 if due_ns is None else self._raw(due_ns))
        except PortError as error:
            self.lose_out(str(error))

    def lose_out(self, text: str) -> None:
        """MIDI out has gone: go on without it. Whoever watches the ports says so."""
        if not self.out_lost:
            self.out_lost = True
            self.mark("out_lost", self.clock.now_ns(), text=text)

    def new_out(self, port: MidiOut) -> None:
        """MIDI out is back."""
        self.midi_out, self.out_lost = port, False
        self._ahead_song_s.clear()
        self.send_programs()

    def new_input(self, sink: deque[RawMidi]) -> None:
        """The input was opened (again): its driver's times start afresh."""
        self.sink = sink
        self._driver = DriverClock()
        self._port_idx += 1

    def input_lost(self, now_ns: int) -> None:
        self.recorder.release_all(now_ns)
        self._tell_notes()

    def watch_sleep(self, now_ns: int, boot_now_ns: int) -> None:
        """Look, a few times a second, whether the machine was suspended or this process stopped meanwhile."""
        slept = self._sleeps.feed(self._raw(now_ns), boot_now_ns)
        if slept is None:
            return
        self.mark(slept.cause, self.clock.from_raw_ns(slept.start_ns), end_ns=slept.end_ns)
        self.say(Notice(f"the machine was away for {slept.away_s:.1f} s; notes around it are excused", "warning"))

    def watch_holes(self, now_ns: int, n_unrendered: int) -> None:
        """`n_unrendered`: blocks of the band's sound that were not there in time, since the start: each is a hole."""
        if n_unrendered > self._n_unrendered:
            self._n_unrendered = n_unrendered
            self.facts["unrendered_blocks"] = n_unrendered
            self.mark("xrun", now_ns - XRUN_NS, end_ns=self._raw(now_ns) + XRUN_NS)

    # --- one step -----------------------------------------------------------------------------------------------------

    def next_due_ns(self) -> int | None:
        """When the next event must go out; None when none lies ahead."""
        due_ns = self.transport.next_due_ns()
        if self.clock_out is not None:
            self._plan_clock()
            next_s = self.clock_sender.next_s
            if np.isfinite(next_s):
                clock_ns = self.transport.clock.ruler.host_ns(next_s)
                due_ns = clock_ns if due_ns is None else min(due_ns, clock_ns)
        return due_ns

    def _plan_clock(self) -> None:
        """Work out start, stop and the like anew when the timeline has changed."""
        if self.transport.timeline is not self._planned:
            self._planned = self.transport.timeline
            self.clock_sender.plan(self._planned, self.transport.done_s)

    def _send_clock(self, data: bytes) -> None:
        if self.clock_out is None or self.clock_out_lost:
            return
        try:
            self.clock_out.send(data)
        except PortError:
            self.clock_out_lost = True  # whoever watches the ports says so

    def new_clock_out(self, port: MidiOut) -> None:
        """The machine that follows us is back: it is told where the song is."""
        self.clock_out, self.clock_out_lost = port, False
        self._planned = self.transport.timeline
        self.clock_sender.rejoin(self._planned, self.transport.done_s)

    def new_follow_input(self, sink: deque[RawMidi]) -> None:
        """The machine that we follow is back, on a port opened again."""
        if self.following is not None:
            self.following = (self.following[0], sink)
            self._follow_driver = DriverClock()

    def step(self, now_ns: int) -> Snapshot:
        """What is due first, then the player, then the books."""
        if self.clock_out is not None:  # start and stop stand before the pulses of their moment
            self._plan_clock()
            for data in self.clock_sender.due(self.transport.clock.ruler.ruler_s(now_ns) + 1e-9):
                self._send_clock(data)
        due, snapshot = self.transport.advance(now_ns, self.lead_ns)
        self.snapshot = snapshot
        for due_ns, event in due:
            self._play(due_ns, event)
        if self.midi_out is not None and self._ahead_song_s:
            self._note_late(self.midi_out)
        if self.sink or self.pad or self.undone:
            self._listen()
        if self.listener is not None and snapshot.state == "playing":
            self._settle_bars(snapshot.beats)
        if self.stamps:
            self._measure(now_ns)
        if self.following is not None:
            self._follow_clock(now_ns)
        self._cross_stretches(now_ns)
        self._keep_map(now_ns)
        if now_ns >= self._next_place_ns:
            self._next_place_ns = now_ns + PLACE_EVERY_NS
            self.say(self._place(snapshot))
        return snapshot

    def _note_late(self, port: MidiOut) -> None:
        """Of what was handed over before its moment: how late it went out."""
        while port.late_ns and self._ahead_song_s:
            self.lateness_us.append(port.late_ns.popleft() // 1000)
            self.sent_song_s.append(self._ahead_song_s.popleft())

    def _place(self, snapshot: Snapshot) -> Place:
        return Place(
            self._raw(snapshot.host_ns),
            snapshot.state,
            snapshot.beats,
            snapshot.bar_idx,
            snapshot.tempo_bpm,
        )

    def _play(self, due_ns: int, event: SongEvent) -> None:
        if event.kind == CLOCK_PULSE:
            self._send_clock(b"\xf8")
        elif event.kind == SCRIPTED and self.setup.script is not None:
            data = self.setup.script[event.part][1]
            delta_s = 0.0 if self._script_ns is None else (due_ns - self._script_ns) * 1e-9
            self._script_ns = due_ns
            self.sink.append((self._raw(due_ns), delta_s, data))
        elif self.midi_out is None or self.out_lost:
            return
        elif event.kind == NOTE_ON:
            gain = self.gains[event.part]
            if gain <= 0.0:
                return
            velocity = min(127, max(1, round(event.velocity * gain)))
            ahead = self.lead_ns > 0
            self._send(bytes((0x90 | event.channel, event.pitch, velocity)), due_ns)
            if ahead:
                self._ahead_song_s.append(event.song_s)
                return
            self.lateness_us.append((self.clock.now_ns() - due_ns) // 1000)
            self.sent_song_s.append(event.song_s)
        elif event.kind == NOTE_OFF:
            self._send(bytes((0x80 | event.channel, event.pitch, 64)), due_ns)
        elif event.kind == WHEEL:
            self._send(bytes((0xE0 | event.channel, event.pitch & 0x7F, event.pitch >> 7)), due_ns)
        elif event.kind == CONTROL:
            self._send(bytes((0xB0 | event.channel, event.pitch, event.velocity)), due_ns)

    # --- the player ---------------------------------------------------------------------------------------------------

    def _listen(self) -> None:
        while self.sink:
            raw_ns, delta_s, data = self.sink.popleft()
            placed_raw_ns = self._driver.place(raw_ns, delta_s)
            if not is_channel_message(data) or (self.pedals is not None and self.trodden(self.pedals, raw_ns, data)):
                continue
            if self.record is not None:
                self.record.message(placed_raw_ns, data, raw_ns, self._driver.driver_s, self._port_idx)
            self.recorder.feed_message(placed_raw_ns, data)
            if self.monitor_out:
                self._monitor(data)
        while self.pad:
            raw_ns, pitch, velocity, number = self.pad.popleft()
            data = bytes((0x90, pitch, velocity))
            if self.record is not None:
                self._pad_seq[number] = self.record.message(raw_ns, data, raw_ns, 0.0, 0)
            self.recorder.feed_message(raw_ns, data)
            if self.monitor_out:
                if self._last_pad is not None:
                    self._send(bytes((0x80 | _MONITOR_CHANNEL, self._last_pad[0], 64)))
                self._send(bytes((0x90 | _MONITOR_CHANNEL, pitch, velocity)))
                self._last_pad = (pitch, number)
        while self.undone:
            seq = self._pad_seq.pop(self.undone.popleft(), None)
            if seq is not None and self.record is not None:
                self.record.mark("undo", self.record.messages.host_ns(seq), seq=seq)
        self._tell_notes()

    def trodden(self, pedals: Pedals, raw_ns: int, data: bytes) -> bool:
        """Whether a message is a foot switch's; what it asks for is said to the front."""
        mine, action = pedals.feed(data, raw_ns)
        if action is not None:
            self.say(Pressed(action, pedals.switches[0].port))
        return mine

    def hear_bass(self, raw_ns: int, data: bytes) -> None:
        """A message of the ear's, at the moment in which what it tells of was played."""
        if self.record is not None:
            self.record.message(raw_ns, data, raw_ns, 0.0, 0)
        self.recorder.feed_message(raw_ns, data)
        self._tell_notes()

    def _monitor(self, data: bytes) -> None:
        """The player's own message to MIDI out, on the monitor's channel: notes, bends and how far a bend reaches.

        An instrument with a channel for each string bends each by itself: the string played last is followed.
        """
        kind, channel = data[0] & 0xF0, data[0] & 0x0F
        if kind == 0xE0:
            self._monitor_bends[channel] = data[1:]
            if channel != self._monitor_from:
                return
        elif kind == 0x90 and data[2] and channel != self._monitor_from:
            before = self._monitor_bends.get(self._monitor_from, _NO_BEND)
            self._monitor_from = channel
            if (bend := self._monitor_bends.get(channel, _NO_BEND)) != before:
                self._send(bytes((0xE0 | _MONITOR_CHANNEL,)) + bend)
        elif kind not in (0x80, 0x90) and not (kind == 0xB0 and data[1] in _BEND_RANGE_CONTROLLERS):
            return
        self._send(bytes((kind | _MONITOR_CHANNEL,)) + data[1:])

    def _tell_notes(self) -> None:
        semitones = self.setup.transpose_semitones
        for event in self.recorder.poll():
            if event.kind == "on":
                placed = self.transport.clock.placed(self.clock.from_raw_ns(event.host_ns))
                song_s = placed.song_s if self.transport.keeps(placed) else None
                if self.listener is not None and song_s is not None:
                    beats = float(self.tempo.beats_at(song_s))
                    self.listener.hear(beats, event.pitch + semitones, event.velocity)
                self.say(Heard(song_s, event.pitch + semitones, event.velocity, placed.pass_idx))

    # --- another machine's clock --------------------------------------------------------------------------------------

    def _follow_clock(self, now_ns: int) -> None:
        """Take in the followed machine's messages, and go where it goes."""
        follow = self.following
        if follow is None:
            return
        ruler, sink = follow
        follower = ruler.follower
        before_s = ruler.ruler_s(now_ns)
        while sink:
            raw_ns, delta_s, data = sink.popleft()
            follower.feed(self._follow_driver.place(raw_ns, delta_s), data)
        for news in follower.poll(self._raw(now_ns)):
            if news.kind == "lost":
                bpm = follower.tempo_bpm
                text = f"the clock that is followed has gone; going on at {bpm:.1f} bpm until it is back"
                self.say(Notice(text, about="follow", state="gone"))
            elif news.kind == "back":
                self.say(Notice("the clock that is followed is back", "note", about="follow", state="back"))
            elif news.kind == "stop":
                self.mark("clock_stop", now_ns)
                if self.midi_out is not None:
                    self.midi_out.silence()
                at_s = ruler.ruler_s(now_ns)
                if self.transport.clock.timeline.song_at(at_s) >= self.transport.end_song_s - TAIL_S:
                    # It stopped after our last bar: the song is over, although its tail cannot run out.
                    self.transport.finish(self.transport.done_s)
            elif news.kind in ("start", "position"):
                self.mark("clock_" + news.kind, now_ns, beats=news.beats)
                if self._followed_before or news.beats > 0.0:
                    at_s = max(before_s, self.transport.done_s) + 1e-6
                    ruler.rebase(at_s, now_ns)
                    beats = self.chart.count_in_beats + news.beats
                    self.transport.locate(at_s, float(self.tempo.seconds_at(beats)))
                self._followed_before = True

    # --- the audio clock ----------------------------------------------------------------------------------------------

    def _measure(self, now_ns: int) -> None:
        """Feed the fit with what the audio callback left; a few stamps at a time."""
        stamps, fit = self.stamps, self.fit
        if stamps is None or fit is None:
            return
        for _ in range(min(len(stamps), 16)):
            stamp = stamps.popleft()
            lead_s = stamp.dac_s - stamp.now_s
            lead_ns = round(lead_s * 1e9) if stamp.dac_s > 0.0 and 0.0 <= lead_s <= 5.0 else 0
            if self._stamps is None:
                self._stamps = StampKeeper(fit.sample_rate_hz)
            self._stamps.feed(stamp.frame, stamp.host_ns + lead_ns)
            stalled = self._stalled(stamp, stamp.host_ns + lead_ns, fit)
            cause = fit.feed(stamp.frame, stamp.host_ns, stamp.dac_s, stamp.now_s, stamp.xrun or stalled)
            if cause in ("xrun", "step", "restart"):
                self._next_map_ns = 0
            if self.record is None or not self._started:
                continue
            if stamp.xrun:
                self.record.mark("xrun", stamp.host_ns - XRUN_NS, end_ns=stamp.host_ns + XRUN_NS)
            elif cause in ("xrun", "step"):
                # The sound stood still some time before this block; hindsight will tell when.
                self.record.mark("stood_still", stamp.host_ns - 5 * XRUN_NS, end_ns=stamp.host_ns)
        if self.ruler is not None:
            self.ruler.update(now_ns)

    def _stalled(self, stamp: AudioStamp, sounding_ns: int, fit: ClockFit) -> bool:
        """Whether the stream stood still a moment ago, unreported: every callback since lies beside the line.

        The fit would find it too, but seconds later.
        """
        if fit.n_stamps < 2 * STALL_STAMPS:
            return False
        beside = self._beside
        beside.append(sounding_ns - fit.host_ns_at(stamp.frame))
        if len(beside) < STALL_STAMPS or (min(beside) < STALL_NS and max(beside) > -STALL_NS):
            return False
        beside.clear()
        return True

    def follow(self, ruler: Ruler) -> None:
        """Let another ruler drive the song: before the start."""
        self.transport.clock.ruler = ruler

    def follow_stream(self, ruler: AudioRuler, stamps: deque[AudioStamp]) -> None:
        """Let an audio stream drive the song: before the start."""
        self.ruler, self.fit, self.stamps = ruler, ruler.fit, stamps
        self.follow(ruler)

    def lose_stream(self, now_ns: int, text: str) -> None:
        """The stream has gone: the host's clock takes over where it stood."""
        self.mark("device_lost", now_ns, end_ns=self._raw(now_ns) + 500_000_000, text=text)
        if self.ruler is not None:
            self.transport.with_ruler(HostRuler(now_ns, self.ruler.ruler_s(now_ns)), now_ns)
        self.ruler = self.stamps = None
        self.on_level = lambda bar_idx, level: None

    # --- the end ------------------------------------------------------------------------------------------------------

    def lateness(self) -> dict[str, Any]:
        """How late the events went out on MIDI: quantiles, and each event's intended second and lateness."""
        if not self.lateness_us:
            return {}
        late = np.asarray(self.lateness_us, dtype=np.float64) * 1e-3
        p50, p99, p999 = np.percentile(late, [50.0, 99.0, 99.9]).tolist()
        return {
            "n": len(late),
            "p50_ms": round(p50, 4),
            "p99_ms": round(p99, 4),
            "p99_9_ms": round(p999, 4),
            "max_ms": round(float(late.max()), 4),
            "intended_s": [round(second, 6) for second in self.sent_song_s],
            "late_us": self.lateness_us.tolist(),
        }

    def stream_rows(self) -> list[list[float]]:
        """[frame, raw host ns, ns a frame] of each piece of the audio stream's map, with hindsight."""
        if self.fit is None or self._stamps is None:
            return []
        knots = frame_knots(self._stamps.frames, self._stamps.sounding_ns, self.fit.sample_rate_hz)
        return [[frame, host_ns, ns_per_frame] for frame, host_ns, ns_per_frame, _ in knots]

    def hindsight(self, now_ns: int) -> tuple[list[list[float]], list[int]] | None:
        """Where the song was, now that every callback is known: [raw host ns, song second, rate] rows, and the raw host
        moments at which the stream stood still. None where no audio stream drove the song to its end.
        """
        if self.fit is None or self.ruler is None or self._stamps is None:
            return None
        rate_hz = self.ruler.sample_rate_hz
        knots = frame_knots(self._stamps.frames, self._stamps.sounding_ns, rate_hz)
        stretches = self.transport.timeline.stretches
        end_frame = self.ruler.ruler_s(now_ns) * rate_hz
        rows: list[list[float]] = []
        for i, stretch in enumerate(stretches[1:], 1):
            low = stretch.ruler_s * rate_hz
            high = min(self.transport.timeline.end_s(i) * rate_hz, end_frame)
            for k, (first, host_ns, ns_per_frame, _) in enumerate(knots):
                begins = -np.inf if k == 0 else first
                ends = knots[k + 1][0] if k + 1 < len(knots) else np.inf
                frame = max(low, begins)
                if frame >= min(high, ends):
                    continue
                at_ns = host_ns + round((frame - first) * ns_per_frame)
                song_s = stretch.notes_song_s + ((frame - low) / rate_hz if stretch.moves else 0.0)
                rows.append([at_ns, song_s, 1e9 / ns_per_frame / rate_hz if stretch.moves else 0.0])
        return (rows, [knot[1] for knot in knots if knot[3] == "stall"]) if rows else None

    def end_record(self, now_ns: int, *, completed: bool) -> None:
        """Nothing more will be played."""
        if self.record is None:
            return
        self.recorder.release_all(self._raw(now_ns))
        self._tell_notes()
        clock_map: dict[str, Any] = {}
        if self.fit is not None:
            clock_map["audio_fit"] = [segment.to_dict() for segment in self.fit.segments]
            clock_map["sample_rate_hz"] = self.fit.sample_rate_hz
        clock_map["song_driven_by"] = "audio" if self.fit is not None else "host"
        if self.following is not None:
            clock_map["song_driven_by"] = "midi clock"
            clock_map["followed_tempo_bpm"] = round(self.following[0].follower.tempo_bpm, 3)
        song_s = self.transport.clock.song_s(now_ns)
        known = self.hindsight(now_ns) if self._started else None
        if known is not None:
            self.record.mark("song_map", self._raw(now_ns), rows=known[0])
            for at_ns in known[1]:
                if at_ns >= known[0][0][0]:
                    self.record.mark("xrun", at_ns - STILL_NS, end_ns=at_ns + STILL_NS)
        self.record.end(
            self._raw(now_ns),
            completed=completed,
            song_s=song_s,
            lateness=self.lateness(),
            clock_map=clock_map,
            input=self.recorder.stats.to_dict(),
            **self.facts,
        )
