"""The engine's ends of the pipe to its front. Reading and writing each have a thread of their own."""

from __future__ import annotations

import contextlib
import os
import queue
import threading
import time
import traceback
from collections import deque
from collections.abc import Callable
from time import perf_counter_ns
from typing import Any, TypeVar

import msgspec

from trainer.engine.messages import (
    Command,
    Finished,
    FromFront,
    Offset,
    PadNote,
    PadUndo,
    Ping,
    Place,
    Pong,
    Reader,
    frame_of,
)

__all__ = ["Pipe"]

MAX_WAITING = 20_000  # messages kept for a front that does not read; the journal has the notes anyway
_Kind = TypeVar("_Kind", bound=msgspec.Struct)


class Pipe:
    """Takes standard input and output for itself. `stopping`: the front has asked for the end, or has gone."""

    def __init__(self) -> None:
        self.inbox: deque[FromFront] = deque()
        self.stopping = False
        self.ended = threading.Event()  # the front has gone
        self.engine_minus_front_ns = 0
        self.on_pad: Callable[[PadNote | PadUndo], None] = lambda message: None  # called in the reader's thread
        self._newest: Place | None = None
        self._out: queue.SimpleQueue[msgspec.Struct] = queue.SimpleQueue()
        self._in_fd = os.dup(0)
        self._out_fd = os.dup(1)
        # Whatever else is printed in this process goes to the log that standard error is.
        os.dup2(2, 1)
        null = os.open(os.devnull, os.O_RDONLY)
        os.dup2(null, 0)
        os.close(null)
        self._sender = threading.Thread(target=self._send, name="sender", daemon=True)
        self._sender.start()
        threading.Thread(target=self._read, name="reader", daemon=True).start()

    def say(self, message: msgspec.Struct) -> None:
        """Never waits. A place only replaces the one before it."""
        if isinstance(message, Place):
            self._newest = message
        elif self._out.qsize() < MAX_WAITING:
            self._out.put(message)

    def wait_for(self, kind: type[_Kind], meanwhile: Callable[[FromFront], None]) -> _Kind | None:
        """The next message of a kind, others being passed on; None when the front has gone or asked to stop."""
        while not self.stopping:
            while self.inbox:
                message = self.inbox.popleft()
                if isinstance(message, kind):
                    return message
                meanwhile(message)
            time.sleep(0.002)
        return None

    def finish(self, message: Finished) -> None:
        """The last word; waits two seconds at most for the front to take it."""
        self._out.put(message)
        self._sender.join(timeout=2.0)

    def _read(self) -> None:
        reader: Reader[FromFront] = Reader(FromFront)
        try:
            while data := os.read(self._in_fd, 65536):
                now_ns = perf_counter_ns()
                for message in reader.feed(data):
                    self._took(message, now_ns)
        except (OSError, ValueError):
            traceback.print_exc()
        self._end()

    def _took(self, message: FromFront, now_ns: int) -> None:
        match message:
            case Ping():
                self._out.put(Pong(message.front_ns, now_ns))
            case Offset():
                self.engine_minus_front_ns = message.engine_minus_front_ns
            case PadNote() | PadUndo():
                self.on_pad(message)
            case Command(name="stop"):
                self.stopping = True
            case _:
                self.inbox.append(message)

    def _send(self) -> None:
        while True:
            message: Any = None
            with contextlib.suppress(queue.Empty):
                message = self._out.get(timeout=0.03)
            place, self._newest = self._newest, None
            try:
                for item in (message, place):
                    if item is not None:
                        self._write(frame_of(item))
            except OSError:
                self._end()
                return
            if isinstance(message, Finished):
                return

    def _write(self, data: bytes) -> None:
        view = memoryview(data)
        while view:
            view = view[os.write(self._out_fd, view) :]

    def _end(self) -> None:
        self.stopping = True
        self.ended.set()
