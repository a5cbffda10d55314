"""The front's end of the pipe: starts the engine, measures the clocks' offset, passes messages, notices its death."""

from __future__ import annotations

import contextlib
import os
import queue
import signal
import subprocess
import sys
import threading
import time
from time import perf_counter_ns
from typing import Any

import msgspec

from trainer.engine import FromEngine, Offset, Ping, Pong, Reader, frame_of
from trainer.settings import open_log
from trainer.system import here

__all__ = ["EngineLink"]

N_PINGS = 15


class EngineLink:
    """A running engine. `inbox` gets its messages, and None when it has gone."""

    def __init__(self, arguments: list[str] | None = None) -> None:
        log, self.log_path = open_log("engine")
        # Started apart from the terminal with SIGINT ignored: Ctrl-C is the front's to handle.
        before = signal.getsignal(signal.SIGINT)
        in_main = threading.current_thread() is threading.main_thread()
        try:
            if in_main:
                signal.signal(signal.SIGINT, signal.SIG_IGN)
            self.process = subprocess.Popen(
                arguments or [sys.executable, "-m", "trainer.engine"],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=log,
                bufsize=0,
                **here().apart(),
            )
        finally:
            if in_main:
                signal.signal(signal.SIGINT, before)
            if not isinstance(log, int):
                log.close()
        self.inbox: queue.SimpleQueue[Any] = queue.SimpleQueue()
        self.engine_minus_front_ns = 0
        self._lock = threading.Lock()
        threading.Thread(target=self._read, name="from engine", daemon=True).start()

    def _read(self) -> None:
        reader: Reader[FromEngine] = Reader(FromEngine)
        stream = self.process.stdout
        try:
            while stream is not None and (data := os.read(stream.fileno(), 65536)):
                for message in reader.feed(data):
                    self.inbox.put(message)
        except (OSError, ValueError):
            pass
        self.inbox.put(None)

    def say(self, message: msgspec.Struct) -> bool:
        """False when nobody listens any more."""
        stream = self.process.stdin
        if stream is None or stream.closed:
            return False
        view = memoryview(frame_of(message))
        with self._lock:
            try:
                while view:
                    view = view[os.write(stream.fileno(), view) :]
            except (OSError, ValueError):
                return False
        return True

    def measure_offset(self) -> None:
        """Engine's clock minus ours, by the quickest of a few exchanges; told to the engine as well."""
        best: tuple[int, int] | None = None
        others: list[Any] = []  # what came between: a press on the stand must not get lost
        for _ in range(N_PINGS):
            self.say(Ping(perf_counter_ns()))
            try:
                answer = self.inbox.get(timeout=10.0)
            except queue.Empty:
                break
            now_ns = perf_counter_ns()
            if isinstance(answer, Pong):
                trip_ns = now_ns - answer.front_ns
                offset_ns = answer.engine_ns - (answer.front_ns + now_ns) // 2
                if best is None or trip_ns < best[0]:
                    best = (trip_ns, offset_ns)
                continue
            others.append(answer)
            if answer is None:
                break
        for other in others:
            self.inbox.put(other)
        if best is not None:
            self.engine_minus_front_ns = best[1]
            self.say(Offset(best[1]))

    def close(self, timeout_s: float = 5.0) -> int | None:
        """Close the pipe and wait for the engine to leave; kill it if it does not. Its exit status."""
        with contextlib.suppress(OSError):
            if self.process.stdin is not None:
                self.process.stdin.close()
        try:
            self.process.wait(timeout=timeout_s)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()
        with contextlib.suppress(OSError):
            if self.process.stdout is not None:
                self.process.stdout.close()
        time.sleep(0)
        return self.process.returncode
