"""The engine's own process: its threads, its ports, its loop, and how it ends.

    main thread      the transport's loop: sleeps to 0.2 ms before a deadline, then spins
    reader           what the front says
    sender           what the front is told; only the newest place waits for it
    journal, sync    the record on disk
    ports            looks twice a second whether the ports are still there, and opens them again
    MIDI in, audio   the drivers' own threads: one stamp and one append, one block out, one in
    bass, ear        the sound that came in goes to the ear and to disk; what the ear says comes back

However it ends (the song's end, a command, a signal, the front's death, a fault), every note is silenced first, then
the take is finished.
"""

from __future__ import annotations

import contextlib
import gc
import signal
import sys
import threading
import time
import traceback
from collections import deque
from collections.abc import Callable
from time import perf_counter_ns
from typing import Any

import msgspec

from trainer.clock.midi_clock import STOP, ClockFollower
from trainer.clock.sources import RealClock
from trainer.clock.transport import HostRuler
from trainer.engine.ahead import open_ahead
from trainer.engine.bass import BassIn, rate_for
from trainer.engine.clock_out import FollowRuler
from trainer.engine.core import Core
from trainer.engine.messages import (
    About,
    Command,
    Facts,
    Finished,
    FromFront,
    Mix,
    Notice,
    PadNote,
    PadUndo,
    Ready,
    Setup,
    Start,
)
from trainer.engine.pipe import Pipe
from trainer.engine.record import Record, bring_recording, has_sound, recording_path, take_from
from trainer.engine.slots import PortSlot
from trainer.engine.sound import BandSound
from trainer.errors import PortError, TrainerError, UsageError
from trainer.ports.audio import list_audio, one_clock
from trainer.ports.midi import open_input, open_output, port_stem
from trainer.ports.pedal import Pedals, Switch, switch_of
from trainer.ports.protocols import AudioStamp, MidiIn, MidiOut, RawMidi
from trainer.system import here
from trainer.take.model import Take
from trainer.take.store import SavedTake, save_take

__all__ = ["Engine", "main"]

IDLE_NS = 2_000_000  # how often the loop looks around when nothing is due
LOOK_EVERY_NS = 20_000_000
HOST_LEAD_S = 0.02
HOST_START_LEAD_S = 0.25
PORTS_EVERY_S = 0.5
ROOM_WITHIN_S = 120.0  # how long a take waits for room on a disk, our choice
ROOM_EVERY_S = 1.0
BASS_MAP_EVERY_NS = 1_000_000_000
XRUN_NS = 100_000_000  # on either side of a glitch of the input's own stream
_NOTES_OFF = bytes((0xB0, 123, 0))


class _Sink(deque[RawMidi]):
    """What the MIDI driver's thread appends to: the loop's queue, and the monitor's."""

    def __init__(self, beside: deque[RawMidi]) -> None:
        super().__init__()
        self._beside = beside

    def append(self, item: RawMidi) -> None:
        super().append(item)
        self._beside.append(item)


class Engine:
    """One session, from its ports to its take."""

    def __init__(self, pipe: Pipe, setup: Setup) -> None:
        self.pipe = pipe
        self.clock = RealClock(random_origin=setup.random_origin)
        self.core = Core(setup, self.clock, pipe.say)
        self.sound: BandSound | None = None
        self.bass: BassIn | None = None
        self._bass_lost_ns: int | None = None
        self._bass_news: deque[tuple[bool, int]] = deque()  # (is it there, raw moment), from the thread that looks
        self._next_bass_ns = 0
        self.strikes: deque[RawMidi] = deque(maxlen=256)  # what the monitor plays
        self.core.sink = _Sink(self.strikes)  # a scripted player's notes are to be heard as well
        again = "the song goes on, and it is used again when it is back"
        self.midi_in = PortSlot[MidiIn](
            "midi_in",
            setup.midi_in,
            lambda name: open_input(name, _Sink(self.strikes)),
            label="MIDI input",
            meanwhile="the band plays on, and it is taken up again when it is back",
            gone=self._in_gone,
            back=self._in_back,
        )
        self.midi_out = PortSlot[MidiOut](
            "midi_out",
            setup.midi_out,
            open_ahead if self._sends_ahead(setup) else open_output,
            label="MIDI output",
            meanwhile=again,
            gone=self._out_gone,
            back=self._out_back,
        )
        self.clock_out = PortSlot[MidiOut](
            "clock_out",
            setup.clock_out,
            open_output,
            label="MIDI clock output",
            meanwhile=again,
            absent="; MIDI clock is sent once it is there",
            gone=self._clock_out_gone,
            back=lambda port, since_ns, now_ns: self.core.new_clock_out(port),
        )
        # The follower itself tells when its clock stops and when it is back.
        self.follow = PortSlot[MidiIn](
            "follow",
            setup.follow,
            lambda name: open_input(name, deque()),
            absent="; going by our own clock",
            back=lambda port, since_ns, now_ns: self.core.new_follow_input(port.sink),
        )
        self.pedals = self._pedals(setup)
        self.slots: tuple[PortSlot[MidiIn] | PortSlot[MidiOut], ...] = (
            self.midi_in,
            self.midi_out,
            self.follow,
            self.clock_out,
            *(slot for slot, _ in self.pedals),
        )
        self._left_sounding: list[tuple[int, int]] = []
        self._done = threading.Event()
        self._next_look_ns = 0
        self._disk_said = False

    @staticmethod
    def _sends_ahead(setup: Setup) -> bool:
        """Whether the band's notes go out through a program of their own: where the system lets no thread come first.
        What must go out at the moment at which it comes (a scripted player's, by another machine's clock) cannot."""
        at_once = setup.script is not None or setup.follow is not None or setup.clock_out is not None
        return not at_once and not here().may_hurry()

    def _pedals(self, setup: Setup) -> list[tuple[PortSlot[MidiIn], Pedals]]:
        """A slot for each port that foot switches were learnt on; those on the bass's own port are told to the core."""
        by_port: dict[str, list[Switch]] = {}
        for item in setup.pedals:
            switch = switch_of(item)
            by_port.setdefault(port_stem(switch.port), []).append(switch)
        own = by_port.pop(port_stem(setup.midi_in), None) if setup.midi_in is not None else None
        if own is not None:
            self.core.pedals = Pedals(own)
        slots: list[tuple[PortSlot[MidiIn], Pedals]] = []
        abouts: tuple[About, ...] = ("pedal", "pedal_2")
        for about, switches in zip(abouts, by_port.values(), strict=False):  # feet are two
            slot = PortSlot[MidiIn](
                about,
                switches[0].port,
                lambda name: open_input(name, deque()),
                label="pedal",
                meanwhile="the keys do the same, and it is obeyed again when it is back",
                absent="; the keys do what the pedal does",
            )
            slots.append((slot, Pedals(switches)))
        return slots

    # --- getting ready ------------------------------------------------------------------------------------------------

    def open(self) -> None:
        """Open what there is; what cannot be had is said in a line."""
        core, setup = self.core, self.core.setup
        notices = [notice for slot in self.slots if (notice := slot.open()) is not None]
        if self.midi_in.port is not None:
            core.sink = self.midi_in.port.sink
        core.midi_out, core.clock_out = self.midi_out.port, self.clock_out.port
        if self.follow.port is not None:
            follower = ClockFollower(tempo_bpm=core.session.tempo_bpm)
            core.following = (FollowRuler(follower, self.clock, core.session.tempo_bpm), self.follow.port.sink)
        else:
            self.follow.wanted = None  # the song goes by our own clock to its end
        self._open_sound(setup, notices)
        if self.sound is not None:
            core.follow_stream(self.sound.ruler, self.sound.stream.stamps)
            core.on_level = self.sound.set_level
        core.monitor_out = setup.monitor and self.sound is None and core.midi_out is not None
        self.pipe.on_pad = self._pad
        kept = None if self.bass is None or self.bass.recording is None else str(self.bass.recording.path)
        record = core.begin_record(self._ports_used(), on_disk=True, recording=kept)
        if record.trouble is not None:
            notices.append(Notice(record.trouble, about="disk", state="gone"))
        core.send_programs()
        threading.Thread(target=self._watch_ports, name="ports", daemon=True).start()
        self.pipe.say(self._ready(record, notices))

    def _ready(self, record: Record, notices: list[Notice]) -> Ready:
        return Ready(
            self.midi_in.name,
            self.midi_out.name,
            self.bass.port.name if self.bass is not None else None,
            tuple(notices),
        )

    def _open_sound(self, setup: Setup, notices: list[Notice]) -> None:
        """The band's sound and the bass's input: one stream where they are one card, else one each."""
        wanted = setup.audio != "none" and self.core.following is None
        if setup.audio != "none" and not wanted:
            text = "following another machine's clock: the band goes to MIDI out, the built-in sound is off"
            notices.append(Notice(text))
        session = self.core.session.to_dict()

        def band(source: Any = None) -> None:
            self.sound = BandSound(setup, self.clock, session, self.core.gains, self.strikes, source)

        if setup.bass_in is not None:
            try:
                self._open_bass(setup, setup.bass_in, wanted, band)
            except PortError as error:
                notices.append(Notice(f"the bass is not heard: {error}", about="bass", state="gone"))
        if self.bass is not None and self.bass.trouble is not None:
            notices.append(Notice(self.bass.trouble))
        if wanted and self.sound is None:
            try:
                band()
            except PortError as error:
                notices.append(self._no_sound(str(error)))
        if self.sound is not None and self.sound.remark is not None:
            notices.append(Notice(self.sound.remark))

    def _open_bass(self, setup: Setup, name: str, wanted: bool, band: Callable[..., None]) -> None:
        ports = list_audio()
        port = ports.input(name)
        recording = recording_path(setup.takes_dir) if setup.record and setup.keep_sound else None
        output = ports.output(None if setup.audio in ("auto", "") else setup.audio) if wanted else None
        if output is not None and one_clock(port, output):
            rate_hz = setup.sample_rate_hz or output.sample_rate_hz
            self.bass = BassIn(port, rate_hz, shared=True, channel=setup.bass_channel, recording=recording)
            try:
                band((port, self.bass.intake.take))
            except PortError:  # the card will not open both ways at once: one stream for each
                self.bass.end()
                self.bass.close()
                self.bass = None
            else:
                return
            recording = recording_path(setup.takes_dir) if recording is not None else None
        self.bass = BassIn(port, rate_for(port), shared=False, channel=setup.bass_channel, recording=recording)

    def _ports_used(self) -> dict[str, Any]:
        """For the take's header."""
        return {
            "midi_in": "scripted player" if self.core.setup.script is not None else self.midi_in.name,
            "midi_out": self.midi_out.name,
            "audio": self.sound.stream.describe() if self.sound is not None else None,
            "bass_in": self.bass.describe() if self.bass is not None else None,
            "typing": self.core.setup.profile == "typing",
        }

    def _pad(self, message: PadNote | PadUndo) -> None:
        """In the reader's thread: a key of the computer keyboard."""
        if isinstance(message, PadUndo):
            self.core.undone.append(message.number)
            return
        raw_ns = message.front_ns + self.pipe.engine_minus_front_ns
        self.core.pad.append((raw_ns, message.pitch, message.velocity, message.number))
        self.strikes.append((raw_ns, 0.0, bytes((0x90, message.pitch, message.velocity))))

    # --- running ------------------------------------------------------------------------------------------------------

    def play(self) -> None:
        """From the front's word to start to the end of the song, or to whatever ends it."""
        if self.pipe.wait_for(Start, self._told) is None:
            return
        self._start()
        core = self.core
        core.facts["scheduling"] = here().hurry() + (", MIDI out handed over ahead" if core.lead_ns else "")
        gc.collect()
        gc.freeze()
        try:
            self._loop()
        finally:
            here().relax()

    def _loop(self) -> None:
        core, clock = self.core, self.clock
        while not self.pipe.stopping:
            now_ns = clock.now_ns()
            wanted = core.midi_out is not None or core.clock_out is not None or core.setup.script
            on_time = wanted and core.lead_ns == 0  # what is handed over ahead may be a little late
            due_ns = core.next_due_ns() if on_time else None
            if due_ns is not None and due_ns <= now_ns + IDLE_NS:
                now_ns = clock.sleep_until(due_ns)
            else:
                time.sleep(IDLE_NS * 1e-9 if due_ns is None else min(IDLE_NS, due_ns - now_ns - IDLE_NS // 2) * 1e-9)
                now_ns = clock.now_ns()
            if core.step(now_ns).state == "finished":
                return
            self._around(now_ns)

    def _start(self) -> None:
        core = self.core
        if self.sound is not None:
            at_s = self.sound.effect_s(starting=True)
            core.start(at_s)
            self.sound.take_route(core.transport.timeline, at_s)
        elif core.following is not None:
            core.follow(core.following[0])
            core.start(1e-6)
            self.pipe.say(Notice("waiting for the other machine to start", "note"))
        else:
            core.follow(HostRuler(self.clock.now_ns()))
            core.start(HOST_START_LEAD_S)

    def _around(self, now_ns: int) -> None:
        """Everything that is not due at once."""
        while self.pipe.inbox:
            self._told(self.pipe.inbox.popleft())
        for slot in self.slots:
            if (notice := slot.settle()) is not None:
                self.pipe.say(notice)
        for slot, pedals in self.pedals:
            while slot.port is not None and slot.port.sink:
                raw_ns, _, data = slot.port.sink.popleft()
                self.core.trodden(pedals, raw_ns, data)
        if self.bass is not None:
            self._hear_bass(self.bass)
        if now_ns >= self._next_look_ns:
            self._next_look_ns = now_ns + LOOK_EVERY_NS
            self._look(now_ns)

    def _bass_raw_ns(self, bass: BassIn, frame: float) -> int | None:
        """Raw host time at which a frame of the bass's recording was played; None where nobody can tell."""
        if bass.own is not None:
            return bass.own.host_ns(frame)
        ruler = self.core.ruler
        return None if ruler is None else self.clock.to_raw_ns(ruler.host_ns(frame / ruler.sample_rate_hz))

    def _hear_bass(self, bass: BassIn) -> None:
        while bass.said:
            frame, data = bass.said.popleft()
            raw_ns = self._bass_raw_ns(bass, frame)
            if raw_ns is not None:
                self.core.hear_bass(raw_ns, data)
        while self._bass_news:
            there, raw_ns = self._bass_news.popleft()
            text = f'sound input "{bass.port.name}"'
            if not there:
                self._bass_lost_ns = raw_ns
                self.core.input_lost(raw_ns)
                text = f"{text} gives no sound; the band plays on, and it is heard again when it does"
                self.pipe.say(Notice(text, about="bass", state="gone"))
            elif self._bass_lost_ns is not None:
                self.core.mark("port_lost", self.clock.from_raw_ns(self._bass_lost_ns), end_ns=raw_ns)
                self._bass_lost_ns = None
                self.pipe.say(Notice(f"{text} is back", "note", about="bass", state="back"))

    def _look_at_bass(self, bass: BassIn, now_ns: int) -> None:
        def on_xrun(stamp: AudioStamp) -> None:
            at_ns = self.clock.from_raw_ns(stamp.host_ns)
            self.core.mark("xrun", at_ns - XRUN_NS, end_ns=stamp.host_ns + XRUN_NS)

        news = bass.look(on_xrun)
        if news is not None:
            self.pipe.say(Notice(news))
        if now_ns < self._next_bass_ns:
            return
        self._next_bass_ns = now_ns + BASS_MAP_EVERY_NS
        frame = float(bass.intake.head)
        raw_ns = self._bass_raw_ns(bass, frame)
        if raw_ns is not None:
            self.core.mark("bass_at", self.clock.from_raw_ns(raw_ns), frame=frame, ns_per_frame=1e9 / bass.rate_hz)

    def _look(self, now_ns: int) -> None:
        core, sound = self.core, self.sound
        if self.bass is not None:
            self._look_at_bass(self.bass, now_ns)
        if sound is not None:
            trouble = sound.look(core.recorder.bend_ranges)
            core.watch_holes(now_ns, sound.mixer.n_missing)
            if trouble is not None:
                self._lose_sound(sound, trouble, now_ns)
        core.watch_sleep(now_ns, here().boot_ns())
        fault = core.record.disk_fault if core.record is not None else None
        if fault is not None and not self._disk_said:
            self._disk_said = True
            self.pipe.say(Notice(fault, about="disk", state="gone"))

    def _lose_sound(self, sound: BandSound, trouble: str, now_ns: int) -> None:
        self.core.lose_stream(now_ns, trouble)
        self.sound = None
        threading.Thread(target=sound.close, name="closing sound", daemon=True).start()
        self.pipe.say(self._no_sound(trouble))

    def _no_sound(self, trouble: str) -> Notice:
        text = trouble if trouble.startswith("no sound") else f"no sound: {trouble}"
        on = "MIDI out" if self.core.midi_out is not None else "the count on the screen"
        return Notice(f"{text}; going on with {on}", about="sound", state="gone")

    def _told(self, message: FromFront) -> None:
        match message:
            case Mix():
                self.core.gains = message.gains  # note-offs always go out, those of a part that is muted too
                if self.sound is not None:
                    self.sound.set_gains(message.gains)
            case Facts():
                self.core.facts.update(message.facts)
            case Command(name="pause" | "resume" | "toggle" | "restart" as name):
                self._command(name)

    def _command(self, name: str) -> None:
        core, sound = self.core, self.sound
        if sound is not None:
            at_s = sound.effect_s()
        else:
            at_s = core.transport.clock.ruler.ruler_s(self.clock.now_ns()) + HOST_LEAD_S + core.lead_ns * 1e-9
        before = core.transport.timeline
        if name == "toggle":  # by what will be at that moment, not by what the front saw last
            name = "resume" if before.stretches[before.index_at(at_s)].kind == "paused" else "pause"
        getattr(core.transport, name)(at_s)
        if core.transport.timeline is not before:
            core.mark("command", self.clock.now_ns(), name=name)
            if sound is not None and not sound.take_route(core.transport.timeline, at_s):
                self._lose_sound(sound, "the band's sound is made no more", self.clock.now_ns())

    # --- ports that come and go ---------------------------------------------------------------------------------------

    def _watch_ports(self) -> None:
        """In a thread of its own: may wait."""
        gone = False
        while not self._done.wait(PORTS_EVERY_S):
            for slot in self.slots:
                slot.watch()
            if self.bass is not None and not self.bass.is_connected():
                if not gone:
                    self._bass_news.append((False, perf_counter_ns()))
                gone = not self.bass.take_up()
                if not gone:
                    self._bass_news.append((True, perf_counter_ns()))

    def _in_gone(self, port: MidiIn, now_ns: int) -> None:
        self.core.input_lost(now_ns)
        self.strikes.append((now_ns, 0.0, _NOTES_OFF))

    def _in_back(self, port: MidiIn, since_ns: int, now_ns: int) -> None:
        self.core.new_input(port.sink)
        self.core.mark("port_lost", self.clock.from_raw_ns(since_ns), end_ns=now_ns, port=port.name)

    def _out_gone(self, port: MidiOut, now_ns: int) -> None:
        self.core.lose_out(port.name)
        self.core.midi_out = None
        self._left_sounding = port.sounding

    def _out_back(self, port: MidiOut, since_ns: int, now_ns: int) -> None:
        """What was sounding when the cable went sounds on in an instrument that stayed on: it is released first."""
        with contextlib.suppress(PortError):
            for channel, number in self._left_sounding:
                port.send(bytes((0x80 | channel, number, 64)))
        self.core.new_out(port)

    def _clock_out_gone(self, port: MidiOut, now_ns: int) -> None:
        self.core.clock_out = None

    # --- ending -------------------------------------------------------------------------------------------------------

    def silence(self) -> None:
        """Every port quiet and closed; never raises."""
        core = self.core
        if core.midi_out is not None:
            with contextlib.suppress(Exception):
                core.midi_out.silence()
        if self.sound is not None:
            with contextlib.suppress(Exception):
                self.sound.close()
            self.sound = None
        if core.clock_out is not None:
            with contextlib.suppress(Exception):
                core.clock_out.send(STOP)
        core.midi_out = core.clock_out = None
        for slot in self.slots:
            slot.close()

    def finish(self, fault: str | None = None) -> Finished:
        """Silence, then the take."""
        self._done.set()
        core = self.core
        completed = not self.pipe.stopping and fault is None
        if fault is not None:
            self.silence()
        with contextlib.suppress(Exception):
            self._end_bass()
        with contextlib.suppress(Exception):
            if self.midi_in.lost_ns is not None and core.record is not None:
                core.record.mark("port_lost", self.midi_in.lost_ns, end_ns=perf_counter_ns())
            core.end_record(self.clock.now_ns(), completed=completed)
        self.silence()
        record = core.record
        if record is None:
            return Finished(None, False, 0, fault)
        if core.snapshot is None or not core.setup.record:
            record.close(remove=True)
            return Finished(None, completed and core.snapshot is not None, 0, fault)
        return self._keep(record, completed, fault)

    def _keep(self, record: Record, completed: bool, fault: str | None) -> Finished:
        """Make the take from the record, and write it; the record stays where that fails."""
        core = self.core
        try:
            journal = record.journal()
            take = take_from(journal, band=core.score, session=core.session)
            saved = self._saved(take) if len(take.notes) or has_sound(take) else None
            bring_recording(journal, None if saved is None else saved.path)
        except Exception as error:
            return Finished(None, completed, 0, fault or self._not_saved(error, record))
        record.close(remove=True)
        if saved is None:
            return Finished(None, completed, 0, fault)
        if saved.remark is not None:
            self.pipe.say(Notice(saved.remark))
        return Finished(str(saved.path), completed, len(take.notes), fault)

    def _end_bass(self) -> None:
        """The last of what the ear says, and where each frame of the recording lies."""
        bass = self.bass
        if bass is None:
            return
        bass.end()
        self._hear_bass(bass)
        now_ns = self.clock.now_ns()
        if self._bass_lost_ns is not None:
            self.core.mark("port_lost", self.clock.from_raw_ns(self._bass_lost_ns), end_ns=perf_counter_ns())
        rows = bass.own.rows() if bass.own is not None else self.core.stream_rows()
        self.core.mark("bass_map", now_ns, rows=rows, channel=bass.channel, sounded=bass.sounded, ears=bass.n_ears)
        bass.close()
        self.bass = None

    def _saved(self, take: Take) -> SavedTake:
        """Write the take. While no folder has room for it, ask for room and try again: it is whole in memory still."""
        until_s = time.monotonic() + ROOM_WITHIN_S
        self.pipe.stopping = False
        while True:
            try:
                return save_take(take, self.core.setup.takes_dir or None)
            except UsageError as error:
                if self.pipe.stopping or self.pipe.ended.is_set() or time.monotonic() >= until_s:
                    raise
                text = f"{error}; make room now: it is tried again for {ROOM_WITHIN_S:g} s (q gives up)"
                self.pipe.say(Notice(text, about="disk", state="gone"))
            time.sleep(min(ROOM_EVERY_S, ROOM_WITHIN_S))

    def _not_saved(self, error: Exception, record: Record) -> str:
        """What is said of a take that could not be made or written: its journal stays."""
        if not isinstance(error, TrainerError):
            traceback.print_exc()
        record.close(remove=False)
        said = str(error) if isinstance(error, TrainerError) else f"fault of the program: {error!r}"
        if record.path is not None:
            said += f"; what was played is safe in {record.path}"
        if record.n_unwritten:
            said += " up to when the disk was full; what was played later than that is lost"
        return said


def main() -> int:
    """`python -m trainer.engine`: speaks with the front on standard input and output until either ends."""
    pipe = Pipe()

    def leave(name: str) -> None:
        pipe.stopping = True

    signal.signal(signal.SIGINT, signal.SIG_IGN)
    sys.setswitchinterval(0.0005)
    engine: Engine | None = None
    fault: str | None = None
    with here().signals_into(leave, ("SIGTERM", "SIGHUP")):
        try:
            setup = pipe.wait_for(Setup, lambda message: None)
            if setup is not None:
                engine = Engine(pipe, setup)
                engine.open()
                engine.play()
        except TrainerError as error:
            fault = str(error)
        except msgspec.MsgspecError as error:
            fault = f"the engine was told something it does not know: {error}"
        except Exception as error:
            traceback.print_exc()
            fault = f"fault of the program: {type(error).__name__}: {error}"
        finally:
            pipe.finish(Finished(None, False, 0, fault) if engine is None else engine.finish(fault))
    return 0
