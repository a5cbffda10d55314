"""What Linux and macOS have in common: terminals (termios(3)), signals, files that are removed while they are open."""

from __future__ import annotations

import contextlib
import mmap
import os
import random
import shlex
import signal
import struct
import sys
import tempfile
import threading
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from time import perf_counter_ns
from typing import Any

from trainer.system.soundfonts import soundfonts_in

__all__ = ["Posix", "PosixKeyboard", "signals_noted"]

_STAMP = struct.Struct("<q")
PROBE_EVERY_S = (0.15, 0.45)
MAX_PROBES = 20_000


class PosixKeyboard:
    """How late keys are seen, with a screen drawn in the same interpreter, is measured all the time: a second thread
    sends a stamped byte string down a pipe that the reader waits on too.
    """

    def __init__(self) -> None:
        self.late_ns: list[int] = []
        self._old: Any = None
        self._stop = threading.Event()
        self._probe_r = self._probe_w = -1
        self._prober: threading.Thread | None = None
        self._waiting = threading.Lock()
        try:
            self._fd = sys.stdin.fileno()
        except (OSError, ValueError, AttributeError):
            self._fd = -1
        self._is_terminal = self._fd >= 0 and os.isatty(self._fd)

    def take(self) -> None:
        if sys.platform == "win32" or not self._is_terminal:
            return
        import termios

        with contextlib.suppress(termios.error):
            if self._old is None:
                self._old = termios.tcgetattr(self._fd)
            mode = termios.tcgetattr(self._fd)
            mode[3] &= ~(termios.ICANON | termios.ECHO)
            mode[6][termios.VMIN], mode[6][termios.VTIME] = 1, 0
            termios.tcsetattr(self._fd, termios.TCSADRAIN, mode)

    def give_back(self) -> None:
        if sys.platform == "win32" or self._old is None:
            return
        import termios

        with contextlib.suppress(termios.error):
            if self._prober is not None:  # what was struck too late for the song is not for the shell
                termios.tcflush(self._fd, termios.TCIFLUSH)
            termios.tcsetattr(self._fd, termios.TCSADRAIN, self._old)

    def wait(self) -> tuple[int, bytes] | None:
        import select

        if self._prober is None and not self._stop.is_set():
            self._probe_r, self._probe_w = os.pipe()
            self._prober = threading.Thread(target=self._probe, name="key probe", daemon=True)
            self._prober.start()
        with self._waiting:
            while not self._stop.is_set():
                try:
                    ready, _, _ = select.select([self._fd, self._probe_r], [], [])
                    now_ns = perf_counter_ns()
                    if self._probe_r in ready:
                        self._took_probe(now_ns)
                    if self._fd in ready:
                        data = os.read(self._fd, 256)
                        return (now_ns, data) if data else None
                except (OSError, ValueError):
                    return None
        return None

    def poll(self) -> str:
        import select

        if self._fd < 0 or not select.select([self._fd], [], [], 0)[0]:
            return ""
        data = os.read(self._fd, 1)
        return data.decode("latin-1") if data else "q"

    def close(self) -> None:
        self._stop.set()
        self.give_back()
        if self._probe_w >= 0:
            with contextlib.suppress(OSError):
                os.write(self._probe_w, _STAMP.pack(0))
        if self._prober is None:
            return
        self._prober.join(timeout=1.0)
        if self._waiting.acquire(timeout=1.0):  # or one could write into whatever gets the pipe's number next
            for fd in (self._probe_r, self._probe_w):
                os.close(fd)
            self._prober, self._probe_r, self._probe_w = None, -1, -1
            self._waiting.release()

    def _probe(self) -> None:
        """Now and then, a byte string with its own moment, as if a key had been struck then."""
        rng = random.Random(0)
        while not self._stop.wait(rng.uniform(*PROBE_EVERY_S)):
            with contextlib.suppress(OSError):
                os.write(self._probe_w, _STAMP.pack(perf_counter_ns()))

    def _took_probe(self, now_ns: int) -> None:
        data = os.read(self._probe_r, _STAMP.size)
        if len(data) == _STAMP.size and (sent_ns := _STAMP.unpack(data)[0]) and len(self.late_ns) < MAX_PROBES:
            self.late_ns.append(now_ns - sent_ns)


@contextlib.contextmanager
def signals_noted(note: Callable[[int], None], names: Sequence[str]) -> Iterator[None]:
    """While inside the main thread, the signals of these names that exist are told to `note` by number."""
    before: dict[int, Any] = {}
    try:
        if threading.current_thread() is threading.main_thread():
            for name in names:
                number = getattr(signal, name, None)
                if number is not None:
                    before[number] = signal.signal(number, lambda got, frame: note(got))
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


class Posix:
    """The common part of a `System`."""

    redirected_encoding: str | None = None
    port_name_limit: int | None = None
    audio_interfaces: tuple[str, ...] = ()
    removes_open_files = True
    shared_folders: tuple[str | None, ...] = (None,)

    def keyboard(self) -> PosixKeyboard:
        return PosixKeyboard()

    def obey_escapes(self) -> None: ...

    def is_broken_pipe(self, error: OSError) -> bool:
        return isinstance(error, BrokenPipeError)

    def port_as_watched(self, name: str) -> str:
        return name

    def keep_ports_listed(self, first_client: Callable[[], Any]) -> None: ...

    def apart(self) -> dict[str, Any]:
        return {"process_group": 0}

    def n_processors(self) -> int:
        allowed = getattr(os, "sched_getaffinity", None)
        return len(allowed(0)) if allowed is not None else os.cpu_count() or 1

    def keep_to(self, processor: int) -> None:
        allowed = getattr(os, "sched_getaffinity", None)
        keep = getattr(os, "sched_setaffinity", None)
        if allowed is not None and keep is not None:
            processors = sorted(allowed(0))
            keep(0, {processors[processor % len(processors)]})

    def stand_back(self) -> None:
        if sys.platform != "win32":
            with contextlib.suppress(OSError):
                os.nice(5)

    def signals_into(
        self, note: Callable[[str], None], names: Sequence[str]
    ) -> contextlib.AbstractContextManager[None]:
        return signals_noted(lambda number: note(signal.Signals(number).name), names)

    def suspend(self) -> None:
        if sys.platform == "win32":
            return
        before = signal.signal(signal.SIGTSTP, signal.SIG_DFL)
        try:
            os.kill(os.getpid(), signal.SIGTSTP)
        finally:
            signal.signal(signal.SIGTSTP, before)

    def make_shared(self, n_bytes: int) -> tuple[str, mmap.mmap]:
        """A file, in the machine's shared memory where it has one, which is removed as soon as all have it open."""
        for folder in self.shared_folders:
            with contextlib.suppress(OSError):
                handle, name = tempfile.mkstemp(prefix="trainer-ring-", dir=folder)
                try:
                    if hasattr(os, "posix_fallocate"):
                        os.posix_fallocate(handle, 0, n_bytes)
                    else:
                        os.truncate(handle, n_bytes)
                    return name, mmap.mmap(handle, n_bytes)
                except OSError:
                    os.unlink(name)
                    raise
                finally:
                    os.close(handle)
        raise OSError("no room for the band's sound, neither in shared memory nor in the folder for temporary files")

    def open_shared(self, address: str, n_bytes: int) -> mmap.mmap:
        with open(address, "r+b") as handle:
            return mmap.mmap(handle.fileno(), n_bytes)

    def forget_shared(self, address: str) -> None:
        with contextlib.suppress(OSError):
            os.unlink(address)

    def replace(self, source: str | os.PathLike[str], target: str | os.PathLike[str]) -> None:
        os.replace(source, target)

    def lock(self, fd: int) -> bool:
        if sys.platform == "win32":
            return True
        import fcntl

        try:
            fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
        except OSError:  # a file system without locks
            return True
        return True

    def as_others_see(self, folder: Path) -> Path:
        return folder

    soundfont_folders: tuple[str, ...] = ()

    def soundfonts(self) -> list[Path]:
        return soundfonts_in([Path(folder).expanduser() for folder in self.soundfont_folders])

    def pasted(self, path: Path) -> str:
        home = Path.home()
        if path.is_relative_to(home) and shlex.quote(str(path)) == str(path):
            return f"~/{path.relative_to(home)}"
        return shlex.quote(str(path))
