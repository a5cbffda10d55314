"""The engine's own process: its threads, its ports, its loop, and how it ends.

    main thread      the transport's loop: sleeps to 0.2 ms before a deadline, then spins
    reader           what the front says
    sender           what the front is told; only the newest place waits for it
    journal, sync    the record on disk
    ports            looks twice a second whether the ports are still there, and opens them again
    MIDI in, audio   the drivers' own threads: one stamp and one append, one block

However it ends (the song's end, a command, a signal, the front's death, a fault), every note is silenced first, then
the take is finished.
"""

from __future__ import annotations

import contextlib
import gc
import os
import queue
import signal
import sys
import threading
import time
import traceback
from collections import deque
from time import perf_counter_ns
from typing import Any

import msgspec

from trainer.clock.midi_clock import STOP, ClockFollower
from trainer.clock.sources import RealClock, boot_ns
from trainer.clock.transport import HostRuler
from trainer.engine.clock_out import FollowRuler
from trainer.engine.core import AudioRuler, Core
from trainer.engine.messages import (
    Command,
    Facts,
    Finished,
    FromFront,
    Mix,
    Notice,
    Offset,
    PadNote,
    PadUndo,
    Ping,
    Place,
    Pong,
    Reader,
    Ready,
    Setup,
    Start,
    frame_of,
)
from trainer.engine.priority import hurry
from trainer.engine.record import take_from
from trainer.engine.sound import BandSound
from trainer.errors import PortError, TrainerError, UsageError
from trainer.ports.midi import open_input, open_output
from trainer.ports.protocols import MidiIn, RawMidi
from trainer.take.model import Take
from trainer.take.store import SavedTake, save_take

__all__ = ["Engine", "main"]

IDLE_NS = 2_000_000  # how often the loop looks around when nothing is due
HOST_LEAD_S = 0.02
HOST_START_LEAD_S = 0.25
PORTS_EVERY_S = 0.5
ROOM_WITHIN_S = 120.0  # how long a take waits for room on a disk, our choice
ROOM_EVERY_S = 1.0
MAX_WAITING = 20_000  # messages kept for a front that does not read; the journal has the notes anyway


class _Sink(deque[RawMidi]):
    """What the MIDI driver's thread appends to: the loop's queue, and the monitor's."""

    def __init__(self, beside: deque[Any]) -> None:
        super().__init__()
        self._beside = beside

    def append(self, item: RawMidi) -> None:
        super().append(item)
        self._beside.append(item)


class _Pipe:
    """The front's two ends. Reading and writing each have a thread of their own."""

    def __init__(self) -> None:
        self.inbox: deque[FromFront] = deque()
        self.ended = threading.Event()  # the front has gone
        self.newest: Place | None = None
        self._out: queue.SimpleQueue[Any] = queue.SimpleQueue()
        self._in_fd = os.dup(0)
        self._out_fd = os.dup(1)
        # Whatever else is printed in this process goes to the log that standard error is.
        os.dup2(2, 1)
        null = os.open(os.devnull, os.O_RDONLY)
        os.dup2(null, 0)
        os.close(null)
        self.on_pad: Any = None
        self._reader = threading.Thread(target=self._read, name="reader", daemon=True)
        self._sender = threading.Thread(target=self._send, name="sender", daemon=True)
        self._reader.start()
        self._sender.start()

    def say(self, message: Any) -> None:
        """Never waits. A place only replaces the one before it."""
        if isinstance(message, Place):
            self.newest = message
        elif self._out.qsize() < MAX_WAITING:
            self._out.put(message)

    def _read(self) -> None:
        reader: Reader[FromFront] = Reader(FromFront)
        try:
            while data := os.read(self._in_fd, 65536):
                now_ns = perf_counter_ns()
                for message in reader.feed(data):
                    if isinstance(message, Ping):
                        self._out.put(Pong(message.front_ns, now_ns))
                    elif isinstance(message, PadNote | PadUndo) and self.on_pad is not None:
                        self.on_pad(message)
                    else:
                        self.inbox.append(message)
        except (OSError, ValueError):
            traceback.print_exc()
        self.ended.set()

    def _send(self) -> None:
        while True:
            message: Any = None
            with contextlib.suppress(queue.Empty):
                message = self._out.get(timeout=0.03)
            place, self.newest = self.newest, None
            try:
                for item in (message, place):
                    if item is not None:
                        self._write(frame_of(item))
            except OSError:
                self.ended.set()
                return
            if isinstance(message, Finished):
                return

    def _write(self, data: bytes) -> None:
        view = memoryview(data)
        while view:
            view = view[os.write(self._out_fd, view) :]

    def finish(self, message: Finished) -> None:
        """The last word; waits two seconds at most for the front to take it."""
        self._out.put(message)
        self._sender.join(timeout=2.0)


class Engine:
    """One session, from its ports to its take."""

    def __init__(self, pipe: _Pipe) -> None:
        self.pipe = pipe
        self.clock = RealClock()
        self.core: Core | None = None
        self.sound: BandSound | None = None
        self.ruler: AudioRuler | None = None
        self.midi_in: MidiIn | None = None
        self._follow_in: MidiIn | None = None
        self.stopping: str | None = None  # why: "stop", "interrupted", "SIGTERM", "front gone" …
        self._offset_ns = 0
        self._raw_strikes: deque[RawMidi] = deque(maxlen=256)
        self._lost_ns: dict[str, int] = {}
        self._swap: deque[tuple[str, Any]] = deque()
        self._done = threading.Event()
        self._last_stamp_ns = 0
        self._next_watch_ns = 0
        self._disk_said = False
        self._fault: str | None = None

    # --- getting ready ------------------------------------------------------------------------------------------------

    def wait_for(self, kind: type[Any]) -> Any:
        """The next message of a kind; None when the front has gone or asked to stop."""
        while self.stopping is None:
            while self.pipe.inbox:
                message = self.pipe.inbox.popleft()
                if isinstance(message, kind):
                    return message
                self._told(message)
            if self.pipe.ended.is_set():
                self.stopping = "front gone"
            time.sleep(0.002)
        return None

    def open(self, setup: Setup) -> None:
        """Open what there is; what cannot be had is said in a line."""
        notices: list[str] = []
        if setup.random_origin:
            self.clock = RealClock(random_origin=True)
        core = self.core = Core(setup, self.clock, self.pipe.say)
        core.sink = _Sink(self._raw_strikes)  # a scripted player's notes are to be heard as well
        if setup.midi_in is not None:
            try:
                self.midi_in = open_input(setup.midi_in, core.sink)
            except PortError as error:
                notices.append(str(error))
                self._lost_ns["midi_in"] = perf_counter_ns()
        if setup.midi_out is not None:
            try:
                core.midi_out = open_output(setup.midi_out)
            except PortError as error:
                notices.append(str(error))
                self._lost_ns["midi_out"] = perf_counter_ns()
        follow = self._open_follow(setup, notices)
        if setup.clock_out is not None:
            try:
                core.clock_out = open_output(setup.clock_out)
            except PortError as error:
                notices.append(f"{error}; MIDI clock is sent once it is there")
                self._lost_ns["clock_out"] = perf_counter_ns()
        if setup.audio != "none" and follow:
            notices.append("following another machine's clock: the band goes to MIDI out, the built-in sound is off")
        elif setup.audio != "none":
            try:
                self.sound = BandSound(setup, self.clock)
                self.ruler = self.sound.prepare(core.session.to_dict(), core.gains, self._raw_strikes)
            except PortError as error:
                notices.append(_going_on(str(error), core.midi_out is not None))
                if self.sound is not None:
                    self.sound.close()
                self.sound = None
        if self.sound is not None and self.ruler is not None:
            core.stamps = self.sound.stream.stamps
            core.fit = self.sound.fit
            core.ruler = self.ruler
            core.follow(self.ruler)
            core.on_level = self.sound.set_level
            self._last_stamp_ns = perf_counter_ns()
        core.monitor_out = setup.monitor and self.sound is None and core.midi_out is not None
        self.pipe.on_pad = self._pad
        core.begin_record(self._devices(), on_disk=True)
        if core.record is not None and core.record.trouble is not None:
            notices.append(core.record.trouble)
        core.send_programs()
        threading.Thread(target=self._watch_ports, name="ports", daemon=True).start()
        self.pipe.say(
            Ready(
                self.midi_in.name if self.midi_in is not None else None,
                core.midi_out.name if core.midi_out is not None else None,
                self.sound.stream.name if self.sound is not None else None,
                tuple(notices),
                str(core.record.path) if core.record is not None and core.record.path is not None else None,
            )
        )

    def _open_follow(self, setup: Setup, notices: list[str]) -> bool:
        """Open the input whose clock is followed; whether there is one."""
        core = self.core
        if core is None or setup.follow is None:
            return False
        sink: deque[RawMidi] = deque()
        try:
            self._follow_in = open_input(setup.follow, sink)
        except PortError as error:
            notices.append(f"{error}; going by our own clock")
            return False
        follower = ClockFollower(tempo_bpm=core.session.tempo_bpm)
        core.following = (FollowRuler(follower, self.clock, core.session.tempo_bpm), sink)
        return True

    def _devices(self) -> dict[str, Any]:
        core, sound = self.core, self.sound
        return {
            "midi_in": self.midi_in.name if self.midi_in is not None else None,
            "midi_out": core.midi_out.name if core is not None and core.midi_out is not None else None,
            "audio": sound.stream.describe() if sound is not None else None,
            "typing": core is not None and core.setup.profile == "typing",
        }

    def _pad(self, message: PadNote | PadUndo) -> None:
        """In the reader's thread: a key of the computer keyboard."""
        core = self.core
        if core is None:
            return
        if isinstance(message, PadUndo):
            core.undone.append(message.number)
            return
        raw_ns = message.front_ns + self._offset_ns
        core.pad.append((raw_ns, message.pitch, message.velocity, message.number))
        self._raw_strikes.append((raw_ns, 0.0, bytes((0x90, message.pitch, message.velocity))))

    # --- running ------------------------------------------------------------------------------------------------------

    def run(self) -> None:
        """From the count-in to the end of the song, or to whatever ends it."""
        core = self.core
        if core is None:
            return
        if self.sound is not None:
            at_s = self.sound.effect_s(starting=True)
            core.start(at_s)
            self.sound.take_route(core.transport.timeline, at_s)
        elif core.following is not None:
            core.follow(core.following[0])
            core.start(1e-6)
            self.pipe.say(Notice("waiting for the other machine to start", "note"))
        else:
            now_ns = self.clock.now_ns()
            core.follow(HostRuler(now_ns))
            core.start(HOST_START_LEAD_S)
        clock = self.clock
        core.facts["scheduling"] = hurry()
        gc.collect()
        gc.freeze()
        while self.stopping is None:
            now_ns = clock.now_ns()
            wanted = core.midi_out is not None or core.clock_out is not None or core.setup.script
            due_ns = core.next_due_ns() if wanted else None
            if due_ns is not None and due_ns <= now_ns + IDLE_NS:
                now_ns = clock.sleep_until(due_ns)
            else:
                time.sleep(IDLE_NS * 1e-9 if due_ns is None else min(IDLE_NS, due_ns - now_ns - IDLE_NS // 2) * 1e-9)
                now_ns = clock.now_ns()
            if core.step(now_ns).state == "finished":
                return
            self._around(now_ns)

    def _around(self, now_ns: int) -> None:
        """Everything that is not due at once."""
        core = self.core
        if core is None:
            return
        while self.pipe.inbox:
            self._told(self.pipe.inbox.popleft())
        if self.pipe.ended.is_set():
            self.stopping = "front gone"
        if self._swap:
            self._take_port(*self._swap.popleft())
        if now_ns >= self._next_watch_ns:
            self._next_watch_ns = now_ns + 20_000_000
            self._look(now_ns)

    def _look(self, now_ns: int) -> None:
        core, sound = self.core, self.sound
        if core is None:
            return
        raw_ns = self.clock.to_raw_ns(now_ns)
        if sound is not None and self.ruler is not None:
            if sound.fit.n_stamps != core.n_stamps_seen:
                core.n_stamps_seen = sound.fit.n_stamps
                self._last_stamp_ns = raw_ns
            sound.lend_line(self.ruler)
            sound.mixer.bend_ranges = core.recorder.bend_ranges
            core.watch_holes(now_ns, sound.mixer.n_missing)
            trouble = sound.trouble(raw_ns, self._last_stamp_ns)
            if trouble is not None:
                self._lose_sound(trouble, now_ns)
        core.watch_sleep(now_ns, boot_ns())
        fault = core.record.disk_fault if core.record is not None else None
        if fault is not None and not self._disk_said:
            self._disk_said = True
            self.pipe.say(Notice(fault, "warning"))

    def _lose_sound(self, trouble: str, now_ns: int) -> None:
        """The stream has gone: the host's clock takes over where it stood."""
        core, sound = self.core, self.sound
        if core is None or sound is None or self.ruler is None:
            return
        core.mark("device_lost", now_ns, end_ns=self.clock.to_raw_ns(now_ns) + 500_000_000, text=trouble)
        core.stamps = None
        core.ruler = None
        core.on_level = lambda bar_idx, level: None
        core.transport.with_ruler(HostRuler(now_ns, self.ruler.ruler_s(now_ns)), now_ns)
        self.sound = None
        self.ruler = None
        threading.Thread(target=sound.close, name="closing sound", daemon=True).start()
        self.pipe.say(Notice(_going_on(trouble, core.midi_out is not None), "warning"))

    def _told(self, message: FromFront) -> None:
        core = self.core
        if isinstance(message, Offset):
            self._offset_ns = message.engine_minus_front_ns
        elif isinstance(message, Mix) and core is not None:
            core.set_gains(message.gains)
            if self.sound is not None:
                self.sound.set_gains(message.gains)
        elif isinstance(message, Facts) and core is not None:
            core.facts.update(message.facts)
        elif isinstance(message, Command):
            self._command(message)

    def _command(self, message: Command) -> None:
        core = self.core
        if message.name == "stop":
            self.stopping = "interrupted" if message.interrupted else "stop"
            return
        if core is None or message.name not in ("pause", "resume", "toggle", "restart"):
            return
        if self.sound is not None:
            at_s = self.sound.effect_s()
        else:
            at_s = core.transport.clock.ruler.ruler_s(self.clock.now_ns()) + HOST_LEAD_S
        before = core.transport.timeline
        name = message.name
        if name == "toggle":  # by what will be at that moment, not by what the front saw last
            name = "resume" if before.stretches[before.index_at(at_s)].kind == "paused" else "pause"
        getattr(core.transport, name)(at_s)
        if core.transport.timeline is not before:
            core.mark("command", self.clock.now_ns(), name=name)
            if self.sound is not None and not self.sound.take_route(core.transport.timeline, at_s):
                self._lose_sound("the band's sound is made no more", self.clock.now_ns())

    # --- ports that come and go ---------------------------------------------------------------------------------------

    def _watch_ports(self) -> None:
        """In a thread of its own: may wait."""
        core = self.core
        while core is not None and not self._done.wait(PORTS_EVERY_S):
            setup = core.setup
            for kind, name, inp in (
                ("midi_in", setup.midi_in, self.midi_in),
                ("follow", setup.follow, self._follow_in),
            ):
                with contextlib.suppress(PortError):
                    if inp is not None and not inp.is_connected():
                        self._swap.append((kind, None))
                    elif inp is None and name is not None and kind in self._lost_ns:
                        sink = _Sink(self._raw_strikes) if kind == "midi_in" else deque[RawMidi]()
                        self._swap.append((kind, (open_input(name, sink), sink)))
            for kind, name, out, failed in (
                ("midi_out", setup.midi_out, core.midi_out, core.out_lost),
                ("clock_out", setup.clock_out, core.clock_out, core.clock_out_lost),
            ):
                with contextlib.suppress(PortError):
                    if out is not None and (failed or not out.is_connected()):
                        self._swap.append((kind, None))
                    elif out is None and name is not None and kind in self._lost_ns:
                        self._swap.append((kind, open_output(name)))

    def _take_port(self, kind: str, port: Any) -> None:
        """In the loop: a port was lost (None) or is back."""
        core = self.core
        if core is None:
            return
        held: Any = {
            "midi_in": self.midi_in,
            "follow": self._follow_in,
            "midi_out": core.midi_out,
            "clock_out": core.clock_out,
        }[kind]
        if port is None and held is not None:
            self._let_go(core, kind, held)
        elif port is not None and held is None:
            self._take_up(core, kind, port)
        elif port is not None:  # opened twice, as the loop was late to take the first
            spare = port[0] if isinstance(port, tuple) else port
            threading.Thread(target=spare.close, daemon=True).start()

    def _let_go(self, core: Core, kind: str, lost: Any) -> None:
        raw_ns = self._lost_ns[kind] = perf_counter_ns()
        text = ""
        if kind == "midi_in":
            self.midi_in = None
            core.input_lost(raw_ns)
            self._raw_strikes.append((raw_ns, 0.0, bytes((0xB0, 123, 0))))
            text = f'MIDI input "{lost.name}" has gone; the band plays on, and it is taken up again when it is back'
        elif kind == "follow":
            self._follow_in = None  # the follower itself tells when its clock stops and when it is back
        elif kind == "clock_out":
            core.clock_out = None
            text = f'MIDI clock output "{lost.name}" has gone; the song goes on, and it is used again when it is back'
        else:
            core.midi_out = None
            if not core.out_lost:
                core.mark("out_lost", self.clock.now_ns(), port=lost.name)
                text = f'MIDI output "{lost.name}" has gone; the song goes on, and it is used again when it is back'
        threading.Thread(target=lost.close, daemon=True).start()
        if text:
            self.pipe.say(Notice(text))

    def _take_up(self, core: Core, kind: str, port: Any) -> None:
        raw_ns = perf_counter_ns()
        since_ns = self._lost_ns.pop(kind, raw_ns)
        if kind == "midi_in":
            self.midi_in, core.sink = port
            core.new_input()
            name = port[0].name
            core.mark("port_lost", self.clock.from_raw_ns(since_ns), end_ns=raw_ns, port=name)
            self.pipe.say(Notice(f'MIDI input "{name}" is back', "note"))
        elif kind == "follow":
            self._follow_in, sink = port
            core.new_follow_input(sink)
        elif kind == "clock_out":
            core.new_clock_out(port)
            self.pipe.say(Notice(f'MIDI clock output "{port.name}" is back', "note"))
        else:
            core.midi_out = port
            core.out_lost = False
            core.send_programs()
            self.pipe.say(Notice(f'MIDI output "{port.name}" is back', "note"))

    # --- ending -------------------------------------------------------------------------------------------------------

    def silence(self) -> None:
        """Every port quiet and closed; never raises."""
        core = self.core
        if core is not None and core.midi_out is not None:
            with contextlib.suppress(Exception):
                core.midi_out.silence()
        if self.sound is not None:
            with contextlib.suppress(Exception):
                self.sound.close()
            self.sound = None
        if core is not None and core.clock_out is not None:
            with contextlib.suppress(Exception):
                core.clock_out.send(STOP)
                core.clock_out.close()
            core.clock_out = None
        if core is not None and core.midi_out is not None:
            with contextlib.suppress(Exception):
                core.midi_out.close()
            core.midi_out = None

    def _saved(self, take: Take) -> SavedTake:
        """Write the take. While no folder has room for it, ask for room and try again: it is whole in memory still."""
        core = self.core
        folder = None if core is None else core.setup.takes_dir or None
        until_s = time.monotonic() + ROOM_WITHIN_S
        self.pipe.inbox.clear()
        while True:
            try:
                return save_take(take, folder)
            except UsageError as error:
                given_up = any(isinstance(m, Command) and m.name == "stop" for m in tuple(self.pipe.inbox))
                if given_up or self.pipe.ended.is_set() or time.monotonic() >= until_s:
                    raise
                self.pipe.say(Notice(f"{error}; make room now: it is tried again for {ROOM_WITHIN_S:g} s (q gives up)"))
            time.sleep(min(ROOM_EVERY_S, ROOM_WITHIN_S))

    def finish(self) -> Finished:
        """Silence, then the take."""
        self._done.set()
        core = self.core
        now_ns = self.clock.now_ns()
        snapshot = core.snapshot if core is not None else None
        completed = self.stopping is None and self._fault is None
        if core is not None:
            with contextlib.suppress(Exception):
                lost_ns = self._lost_ns.get("midi_in")
                if lost_ns is not None and core.record is not None:
                    core.record.mark("port_lost", lost_ns, end_ns=perf_counter_ns())
                core.end_record(now_ns, completed=completed)
        self.silence()
        for port in (self.midi_in, self._follow_in):
            if port is not None:
                with contextlib.suppress(Exception):
                    port.close()
        if core is None or core.record is None or snapshot is None:
            if core is not None and core.record is not None:
                core.record.close(remove=True)
            return Finished(None, False, 0, self._fault)
        if not core.setup.record:
            core.record.close(remove=True)
            return Finished(None, completed, 0, self._fault)
        try:
            take = take_from(core.record.journal(), band=core.score, session=core.session)
            if not len(take.notes):
                core.record.close(remove=True)
                return Finished(None, completed, 0, self._fault)
            saved = self._saved(take)
            if saved.remark is not None:
                self.pipe.say(Notice(saved.remark))
        except Exception as error:
            if not isinstance(error, TrainerError):
                traceback.print_exc()
            core.record.close(remove=False)
            where = f"; what was played is safe in {core.record.path}" if core.record.path is not None else ""
            if core.record.n_unwritten:
                where += " up to when the disk was full; what was played later than that is lost"
            said = str(error) if isinstance(error, TrainerError) else f"fault of the program: {error!r}"
            return Finished(None, completed, 0, self._fault or f"{said}{where}")
        core.record.close(remove=True)
        return Finished(str(saved.path), completed, len(take.notes), self._fault)


def _going_on(trouble: str, has_midi_out: bool) -> str:
    text = trouble if trouble.startswith("no sound") else f"no sound: {trouble}"
    return f"{text}; going on with {'MIDI out' if has_midi_out else 'the count on the screen'}"


def main() -> int:
    """`python -m trainer.engine`: speaks with the front on standard input and output until either ends."""
    pipe = _Pipe()
    engine = Engine(pipe)

    def leave(number: int, _frame: Any) -> None:
        engine.stopping = signal.Signals(number).name

    signal.signal(signal.SIGINT, signal.SIG_IGN)
    for name in ("SIGTERM", "SIGHUP"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), leave)
    sys.setswitchinterval(0.0005)
    try:
        setup = engine.wait_for(Setup)
        if setup is not None:
            engine.open(setup)
            if engine.wait_for(Start) is not None:
                engine.run()
    except TrainerError as error:
        engine._fault = str(error)
    except msgspec.MsgspecError as error:
        engine._fault = f"the engine was told something it does not know: {error}"
    except Exception as error:
        traceback.print_exc()
        engine._fault = f"fault of the program: {type(error).__name__}: {error}"
    finally:
        engine.silence() if engine._fault is not None else None
        last = engine.finish()
        pipe.finish(last)
    return 0
