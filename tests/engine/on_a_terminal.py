"""`trainer` on a pseudo-terminal of its own, as a person runs it: keys go in, the screen comes out."""

from __future__ import annotations

import contextlib
import os
import re
import signal
import struct
import subprocess
import sys
import threading
import time
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

import pytest

__all__ = ["OnTerminal", "children_of", "on_terminal", "runs", "wait_until"]

# Makes the pseudo-terminal the controlling one, so that Ctrl-C, Ctrl-Z and hanging up work as they do for a person.
_LAUNCH = (
    "import fcntl, os, sys, termios; os.setsid(); fcntl.ioctl(0, termios.TIOCSCTTY, 0); "
    "os.execv(sys.executable, [sys.executable, '-m', 'trainer', *sys.argv[1:]])"
)


LIMIT_S = 90.0  # of each wait for something that comes at once on a quiet machine: a shared one can be 20 times slower


def wait_until(happened: object, what: str, timeout_s: float = LIMIT_S) -> None:
    """Wait for a callable to be true; fails the test with `what` after the timeout."""
    assert callable(happened)
    end = time.monotonic() + timeout_s
    while not happened():
        assert time.monotonic() < end, f"waited {timeout_s:g} s for {what}"
        time.sleep(0.01)


def children_of(pid: int) -> list[int]:
    """Process ids of the direct children (Linux)."""
    try:
        return [int(word) for word in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()]
    except OSError:
        return []


def runs(pid: int) -> bool:
    """Whether a process is there and has not ended (Linux). One whose parent has gone may stay listed, as a zombie,
    where nobody takes its exit status: it has ended all the same, but only with the last of its threads are its files
    let go."""
    try:
        fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    except OSError:
        return False
    state, n_threads = fields[0], int(fields[17])  # proc(5): state and num_threads are the third and the twentieth
    return state not in "ZX" or n_threads > 1


class OnTerminal:
    """The running program: `text` is all that came out so far."""

    def __init__(
        self,
        arguments: Sequence[str],
        env: Mapping[str, str],
        size: tuple[int, int] = (100, 30),
        prefix: Sequence[str] = (),
    ) -> None:
        """`prefix`: a command that runs the program, such as `nice`."""
        pty = pytest.importorskip("pty", reason="pseudo-terminals, as Linux and macOS have them")
        import fcntl
        import termios

        self.master, slave = pty.openpty()
        fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", size[1], size[0], 0, 0))
        self.process = subprocess.Popen(
            [*prefix, sys.executable, "-c", _LAUNCH, *arguments],
            stdin=slave,
            stdout=slave,
            stderr=slave,
            env={**env, "TERM": "xterm-256color", "PYTHONUTF8": "1"},
            close_fds=True,
        )
        os.close(slave)
        self._chunks: list[bytes] = []
        self._closed = False
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self) -> None:
        with contextlib.suppress(OSError):
            while data := os.read(self.master, 65536):
                self._chunks.append(data)

    @property
    def raw(self) -> bytes:
        return b"".join(self._chunks)

    @property
    def text(self) -> str:
        return self.raw.decode("utf-8", "replace")

    @property
    def words(self) -> str:
        """What came out, without the terminal's own sequences."""
        return re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", " ", self.text)

    def type(self, keys: str) -> None:
        os.write(self.master, keys.encode())

    def wait_for(self, text: str, timeout_s: float = LIMIT_S) -> None:
        end = time.monotonic() + timeout_s
        while text not in self.text and not self.ended:
            assert time.monotonic() < end, f"waited {timeout_s:g} s for {text!r}: {self.words[-2000:]}"
            time.sleep(0.01)
        assert text in self.text, f"ended without {text!r}: {self.words[-2000:]}"

    def wait_screen(self) -> None:
        """Until the playing screen shows the count-in."""
        self.wait_for("COUNT-IN")

    @property
    def ended(self) -> bool:
        return self.process.poll() is not None

    @property
    def engine_pid(self) -> int:
        """The engine's process id: the front's only child."""
        wait_until(lambda: bool(children_of(self.process.pid)), "the engine")
        return children_of(self.process.pid)[0]

    def wait(self, timeout_s: float = LIMIT_S) -> int:
        """The exit status; the end screen is left when it has come."""
        end = time.monotonic() + timeout_s
        while not self.ended:
            assert time.monotonic() < end, f"waited {timeout_s:g} s for the end: {self.words[-2000:]}"
            time.sleep(0.05)
            if "q  leave" in self.text and not self._closed:
                self.type("q")
        status = self.process.wait()
        self._reader.join(timeout=20.0)
        return status

    def hang_up(self) -> None:
        """Close the terminal, as closing its window does."""
        if not self._closed:
            self._closed = True
            os.close(self.master)

    def close(self) -> None:
        if not self.ended:
            for pid in children_of(self.process.pid):
                with contextlib.suppress(ProcessLookupError):
                    os.kill(pid, signal.SIGTERM)
            self.process.kill()
        self.process.wait(timeout=LIMIT_S)
        self.hang_up()
        self._reader.join(timeout=20.0)


@contextlib.contextmanager
def on_terminal(arguments: Sequence[str], env: Mapping[str, str], prefix: Sequence[str] = ()) -> Iterator[OnTerminal]:
    run = OnTerminal(arguments, env, prefix=prefix)
    try:
        yield run
    finally:
        run.close()
