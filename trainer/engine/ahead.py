"""MIDI out from a process of its own, which gets each message before its moment: where no thread may come first.

Without the right to real-time scheduling a thread that sleeps beside a busy program is let in up to some ticks of the
system late (4 ms each on Linux at 250 Hz), whatever it is written in (`tests/bench/bench_wake.py`). So several threads
sleep to the same moment, two pinned to each of two processors, and whichever wakes first sends: that all of them wake
late is rare. They share an interpreter with nothing else, and the process is a session of its own, so that it has a
share of the processor of its own (sched(7), autogroups). They do not spin: that uses up what lets them in soon.

The engine's end (`SentAhead`) is an output like any other, but with a lead. The process silences what sounds and leaves
as soon as its input ends, as it does when the engine goes, killed or not.
"""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
import threading
import time
from collections import deque
from collections.abc import Callable
from time import perf_counter_ns
from typing import TypeAlias

import msgspec

from trainer.engine.messages import Reader, frame_of
from trainer.errors import PortError
from trainer.ports.midi import RealMidiOut, list_ports, open_output
from trainer.ports.silence import SoundingNotes
from trainer.ports.wiring import wires
from trainer.system import here

__all__ = ["SentAhead", "main", "open_ahead"]

LEAD_NS = 60_000_000  # the engine and the reader here may each be let in 20 ms late beside two busy programs
N_HANDS, N_PROCESSORS = 4, 2
OPEN_WITHIN_S = 60.0  # a program's start on a busy machine; our choice
LEAVE_WITHIN_S = 2.0


class Send(msgspec.Struct, frozen=True, tag="send"):
    """A message to be sent at a raw host moment; 0: at once."""

    data: bytes
    at_ns: int = 0


class Silence(msgspec.Struct, frozen=True, tag="silence"):
    """Send nothing of what waits, and release what sounds."""


class Opened(msgspec.Struct, frozen=True, tag="opened"):
    """The port as the system names it, on which system, and our end of the cable where that tells."""

    name: str
    system: str
    own_end: str | None


class Refused(msgspec.Struct, frozen=True, tag="refused"):
    """Why the port could not be opened, or took a message no more."""

    text: str


class Late(msgspec.Struct, frozen=True, tag="late"):
    """How late a note-on went out that was handed over before its moment."""

    ns: int


Order: TypeAlias = Send | Silence
Answer: TypeAlias = Opened | Refused | Late


def open_ahead(name: str) -> SentAhead:
    """Open the output of that name (or unique part of one) in a process of its own. `PortError` as `open_output`."""
    return SentAhead(name)


class SentAhead:
    """An open output whose messages are sent by the process. `send` from one thread at a time."""

    lead_ns = LEAD_NS

    def __init__(self, name: str) -> None:
        self.late_ns: deque[int] = deque()
        self._sounding = SoundingNotes()
        self._lost = False
        self._answered = threading.Event()
        self._opened = Opened("", "", None)
        self._why = "it does not answer"
        self._process = subprocess.Popen(
            [sys.executable, "-m", "trainer.engine.ahead", name],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            bufsize=0,
            start_new_session=True,
        )
        assert self._process.stdin is not None and self._process.stdout is not None
        self._in, self._out = self._process.stdin.fileno(), self._process.stdout.fileno()
        set_blocking = getattr(os, "set_blocking", None)
        if set_blocking is not None:
            set_blocking(self._in, False)  # the song waits for nobody
        self._hearing = threading.Thread(target=self._hear, name="sent ahead", daemon=True)
        self._hearing.start()
        self._answered.wait(OPEN_WITHIN_S)
        if not self._opened.name:
            self.close()
            raise PortError(self._why)

    @property
    def name(self) -> str:
        return self._opened.name

    def _hear(self) -> None:
        reader: Reader[Answer] = Reader(Answer)
        with contextlib.suppress(OSError, ValueError):
            while data := os.read(self._out, 65_536):
                for answer in reader.feed(data):
                    match answer:
                        case Late():
                            self.late_ns.append(answer.ns)
                        case Opened():
                            self._opened = answer
                            self._answered.set()
                        case Refused():
                            self._why = answer.text
        self._lost = True
        self._answered.set()

    @property
    def sounding(self) -> list[tuple[int, int]]:
        """(channel, number) of each note sent and not released."""
        return self._sounding.notes()

    def send(self, data: bytes, at_ns: int = 0) -> None:
        self._sounding.note(data)
        if not self._tell(Send(data, at_ns)):
            raise PortError(f'MIDI output "{self.name}" did not take a message ({self._why}); is it still connected?')

    def _tell(self, order: Order) -> bool:
        """Never waits; a process that takes nothing any more counts as gone."""
        frame = frame_of(order)
        with contextlib.suppress(OSError):
            if not self._lost and os.write(self._in, frame) == len(frame):
                return True
        self._lost = True
        return False

    def silence(self) -> None:
        self._sounding.release()
        self._tell(Silence())

    def is_connected(self) -> bool:
        """As of any output; not when the process has gone either."""
        if self._lost:
            return False
        end = self._opened.own_end
        wired = None if end is None else wires(self._opened.system, end)
        if wired is None:
            wired = frozenset(list_ports().output_names) & {self.name}
        self._lost = not wired
        return not self._lost

    def close(self) -> None:
        """The end of its input lets the process silence, close and leave."""
        self._lost = True
        process = self._process
        if process.stdin is None or process.stdin.closed:
            return
        process.stdin.close()
        try:
            process.wait(LEAVE_WITHIN_S)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
        self._hearing.join()
        if process.stdout is not None:
            process.stdout.close()


class _Hands:
    """The threads that send. What waits is in order of its moments, as the song hands it over."""

    def __init__(self, port: RealMidiOut, answer: Callable[..., None]) -> None:
        self._port, self._answer = port, answer
        self._waiting: deque[Send] = deque()
        self._news = threading.Condition()
        for i in range(N_HANDS):
            threading.Thread(target=self._send_on, args=(i % N_PROCESSORS,), name=f"hand {i}", daemon=True).start()

    def take(self, order: Order) -> None:
        with self._news:
            match order:
                case Silence():
                    self._waiting.clear()
                    self._port.silence()
                case Send(at_ns=0):
                    self._send(order.data)
                case Send():
                    self._waiting.append(order)
                    self._news.notify_all()

    def _send_on(self, processor: int) -> None:
        here().keep_to(processor)
        while True:
            with self._news:
                while not self._waiting:
                    self._news.wait()
                due_ns = self._waiting[0].at_ns
            left_ns = due_ns - perf_counter_ns()
            if left_ns > 0:
                time.sleep(left_ns * 1e-9)
            late: list[Late] = []
            with self._news:
                while self._waiting and self._waiting[0].at_ns <= perf_counter_ns():
                    order = self._waiting.popleft()
                    self._send(order.data)
                    if order.data[0] & 0xF0 == 0x90:
                        late.append(Late(perf_counter_ns() - order.at_ns))
                if late:  # when all is out, and in order
                    self._answer(*late)

    def _send(self, data: bytes) -> None:
        try:
            self._port.send(data)
        except PortError as error:
            self._answer(Refused(str(error)))
            os._exit(1)


def main() -> int:
    """`python -m trainer.engine.ahead NAME`: orders come on standard input, answers go out on standard output."""
    for name in ("SIGINT", "SIGHUP", "SIGTSTP"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), signal.SIG_IGN)
    answers = os.dup(1)
    os.dup2(2, 1)  # whatever else is printed goes to the log

    def answer(*said: Answer) -> None:
        with contextlib.suppress(OSError):  # the engine has gone: the end of the input says so too
            os.write(answers, b"".join(map(frame_of, said)))

    sys.setswitchinterval(0.0005)
    try:
        port = open_output(sys.argv[1])
    except PortError as error:
        answer(Refused(str(error)))
        return 2
    hands = _Hands(port, answer)
    here().hurry()
    reader: Reader[Order] = Reader(Order)
    try:
        answer(Opened(port.name, port.info.system, port.own_end))
        while data := os.read(0, 65_536):
            for order in reader.feed(data):
                hands.take(order)
    finally:
        hands.take(Silence())
        port.close()
    return 0


if __name__ == "__main__":
    sys.exit(main())
