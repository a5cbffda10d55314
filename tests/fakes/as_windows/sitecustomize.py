"""Python reads this file at its start when its folder is on the path: the program then finds itself on Windows.

Every process of the program (front, engine, renderer, page) gets the stand-ins of `tests/fakes/`, and loses what
Windows does not have. By Microsoft's and Python's documentation: no os.nice, fcntl, termios, SIGHUP; a file that
anybody has open cannot be removed or replaced; a wait with a time limit lasts whole ticks of 15.6 ms; a console that
closes ends every process that shares it, those with a handler when that returns; consoles write cp1252.

The folder TRAINER_AS_WINDOWS holds what the test and the processes share: `keys` (typed at the console), `close` (when
it is there, the console is closed), `started` (a line for each child: its creation flags and command), and the MIDI
ports.
"""

import asyncio  # noqa: F401  (whatever asks for the system as it is loaded does so before it changes)
import ctypes  # noqa: F401
import errno
import io
import math
import mmap
import multiprocessing  # noqa: F401
import os
import queue
import signal
import subprocess
import sys
import tempfile  # noqa: F401
import threading
import time
from pathlib import Path

FOLDER = Path(os.environ["TRAINER_AS_WINDOWS"])
NO_WINDOW = 0x0800_0000
TICK_S = 0.0156


def _shared() -> bool:
    """Whether this process shares the test's console."""
    return "TRAINER_OWN_CONSOLE" not in os.environ


def _take_away() -> None:
    for name in ("nice", "sched_getaffinity", "sched_setscheduler", "fork", "posix_fallocate"):
        if hasattr(os, name):
            delattr(os, name)
    for name in ("SIGHUP", "SIGTSTP", "SIGALRM"):
        delattr(signal, name)
    for name in ("fcntl", "termios", "tty", "pty", "resource", "pwd", "grp"):
        sys.modules[name] = None  # type: ignore[assignment]


def _open_somewhere(path: object) -> bool:
    wanted = os.path.realpath(os.fspath(path))  # type: ignore[call-overload]
    if not wanted.startswith(str(FOLDER.parent)):
        return False
    for process in Path("/proc").iterdir():
        if process.name.isdigit():
            try:
                held = [os.readlink(fd) for fd in (process / "fd").iterdir()]
                if wanted in held or f" {wanted}\n" in (process / "maps").read_text():
                    return True
            except OSError:
                continue
    return False


def _hold_open_files() -> None:
    def refusing(real, which):  # type: ignore[no-untyped-def]
        def call(*paths, **options):  # type: ignore[no-untyped-def]
            if any(isinstance(path, str | os.PathLike) and _open_somewhere(path) for path in paths[: which + 1]):
                raise PermissionError(errno.EACCES, "The process cannot access the file", str(paths[which]))
            return real(*paths, **options)

        return call

    os.unlink = os.remove = refusing(os.unlink, 0)
    os.replace = refusing(os.replace, 1)
    os.rename = refusing(os.rename, 1)


class _Ticking(queue.SimpleQueue):  # type: ignore[type-arg]
    def get(self, block=True, timeout=None):  # type: ignore[no-untyped-def]
        if block and timeout:
            timeout = math.ceil(timeout / TICK_S) * TICK_S
        return super().get(block, timeout)


class _Popen(subprocess.Popen):  # type: ignore[type-arg]
    def __init__(self, arguments, *more, creationflags=0, env=None, **options):  # type: ignore[no-untyped-def]
        assert not {"process_group", "start_new_session", "preexec_fn"} & set(options), "POSIX only"
        with (FOLDER / "started").open("a") as log:
            log.write(f"{creationflags:#x} {' '.join(map(str, arguments))}\n")
        env = dict(os.environ if env is None else env)
        if creationflags & NO_WINDOW:
            env["TRAINER_OWN_CONSOLE"] = "1"
        super().__init__(arguments, *more, env=env, start_new_session=True, **options)


def _mapping(fd, n_bytes, tagname=None, **options):  # type: ignore[no-untyped-def]
    if fd != -1:
        return _mmap(fd, n_bytes, **options)
    assert tagname.startswith("Local\\")
    with (FOLDER / f"mapping-{tagname[6:]}").open("a+b") as handle:
        handle.truncate(n_bytes)
        return _mmap(handle.fileno(), n_bytes)


class _Terminal(io.TextIOWrapper):
    def isatty(self) -> bool:
        return True


def _console() -> None:
    from tests.fakes.windows import Console, Libraries
    from trainer.system import use
    from trainer.system.windows import Windows

    class Typed(Console):
        read = 0

        def kbhit(self) -> int:
            keys = FOLDER / "keys"
            if keys.exists():
                typed = keys.read_text(encoding="utf-8")
                self.press(typed[self.read :])
                self.read = len(typed)
            return super().kbhit()

    libraries = Libraries()

    def watch() -> None:
        while not (FOLDER / "close").exists():
            time.sleep(0.02)
        if libraries.handlers:
            libraries.send(2).join(5.0)
        os._exit(0x3A)  # the last byte of STATUS_CONTROL_C_EXIT

    if _shared():
        threading.Thread(target=watch, daemon=True).start()
    use(Windows(libraries, Typed()))


def _libraries() -> None:
    from tests.fakes.midi_library import MidiLibrary
    from tests.fakes.sound_library import SoundLibrary

    sys.modules["rtmidi"] = MidiLibrary(FOLDER)  # type: ignore[assignment]
    sys.modules["rtmidi2"] = None  # type: ignore[assignment]
    sys.modules["sounddevice"] = SoundLibrary()  # type: ignore[assignment]


_mmap = mmap.mmap
sys.path.insert(0, str(Path(__file__).resolve().parents[3]))
_libraries()
_take_away()
_hold_open_files()
_console()
queue.SimpleQueue = _Ticking  # type: ignore[misc]
subprocess.Popen = _Popen  # type: ignore[misc]
mmap.mmap = _mapping  # type: ignore[assignment,misc]
if _shared():
    sys.stdin = _Terminal(sys.stdin.buffer, encoding="cp1252")
    sys.stdout = _Terminal(sys.stdout.buffer, encoding="cp1252", line_buffering=True)
