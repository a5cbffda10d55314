"""A JACK server of the tests' own: real MIDI and audio ports without any hardware.

Use the session-wide fixture `jack_server` (from `tests/conftest.py`), or `started_server()` where a test needs to end
the server. Without a `jackd` program these tests are skipped, and say so; with `TRAINER_REQUIRE_JACK=1` they fail
instead, so that no automatic run can lose them unseen.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
import uuid
import warnings
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

__all__ = ["JackServer", "jack_server", "need_jackd", "started_server"]

SAMPLE_RATE_HZ = 48_000
PERIOD_FRAMES = 64


@dataclass
class JackServer:
    """A running server; `env()` is what a child process needs to find it."""

    name: str
    process: subprocess.Popen[bytes]
    sample_rate_hz: int = SAMPLE_RATE_HZ
    period_frames: int = PERIOD_FRAMES

    @property
    def period_s(self) -> float:
        return self.period_frames / self.sample_rate_hz

    def env(self) -> dict[str, str]:
        return {
            **os.environ,
            "JACK_DEFAULT_SERVER": self.name,
            "JACK_NO_AUDIO_RESERVATION": "1",
            "JACK_NO_START_SERVER": "1",
        }

    def stop(self) -> None:
        _end(self.process)
        if self.process.returncode == -signal.SIGKILL:
            # A killed server keeps one of the eight places that a machine has for them; one of the same name that
            # ends in order gives it back.
            with contextlib.suppress(OSError):
                again = subprocess.Popen(
                    [*self.process.args], stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
                )
                time.sleep(0.5)
                _end(again)


def _end(process: subprocess.Popen[bytes]) -> None:
    if process.poll() is None:
        process.terminate()
        try:
            process.wait(timeout=5)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait(timeout=5)


_n_held = 0


@contextlib.contextmanager
def _turn() -> Iterator[None]:
    """One test run at a time: servers that start and end side by side tear down each other's shared memory.

    Waits for another run's turn to end, but no longer than five minutes.
    """
    global _n_held
    try:
        import fcntl
    except ImportError:
        yield
        return
    with (Path(tempfile.gettempdir()) / "trainer-tests-jack.lock").open("a") as lock:
        end = time.monotonic() + 300.0
        while _n_held == 0 and time.monotonic() < end:
            try:
                fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
                break
            except OSError:
                time.sleep(0.2)
        _n_held += 1
        try:
            yield
        finally:
            _n_held -= 1


def _let_go_of_sound() -> None:
    """End PortAudio here before its server ends: it would end this process at exit otherwise."""
    library: Any = sys.modules.get("sounddevice")
    while library is not None and library._initialized:
        library._terminate()


def _dies_with_us() -> None:
    """In the server's process before it starts: it is ended when the test run is killed (Linux)."""
    import ctypes

    with contextlib.suppress(OSError, AttributeError):
        ctypes.CDLL(None).prctl(1, signal.SIGTERM)


def need_jackd() -> str:
    """The path of `jackd`; skips the test (or fails it under TRAINER_REQUIRE_JACK=1) where there is none."""
    program = shutil.which("jackd")
    if program is None:
        reason = "no jackd program on this machine (Debian, Ubuntu: apt-get install jackd2)"
        if os.environ.get("TRAINER_REQUIRE_JACK") == "1":
            pytest.fail(reason)
        pytest.skip(reason)
    return program


def _answers(name: str, env: dict[str, str]) -> bool:
    """Whether a client can connect; tried in another process, so that the library here keeps no memory of failures."""
    code = f"import jack; jack.Client('probe', servername={name!r}, no_start_server=True).close()"
    done = subprocess.run([sys.executable, "-c", code], env=env, capture_output=True, timeout=20, check=False)
    return done.returncode == 0


@contextlib.contextmanager
def started_server(
    *, sample_rate_hz: int = SAMPLE_RATE_HZ, period_frames: int = PERIOD_FRAMES, set_env: bool = True
) -> Iterator[JackServer]:
    """A server with a name of its own on the dummy driver. `set_env`: this process's clients go to it meanwhile."""
    program = need_jackd()
    with _turn(), _running(program, sample_rate_hz, period_frames, set_env) as server:
        yield server


@contextlib.contextmanager
def _running(program: str, sample_rate_hz: int, period_frames: int, set_env: bool) -> Iterator[JackServer]:
    name = f"trainer-{os.getpid()}-{uuid.uuid4().hex[:6]}"
    drive = ["-d", "dummy", "-r", str(sample_rate_hz), "-p", str(period_frames)]
    troubles = []
    for options in (["-S"], ["--no-realtime", "-S"]):
        with tempfile.TemporaryFile() as log:
            env = {**os.environ, "JACK_NO_AUDIO_RESERVATION": "1"}
            with warnings.catch_warnings():  # newer Pythons warn of any code between fork and exec when threads run
                warnings.simplefilter("ignore", DeprecationWarning)
                process = subprocess.Popen(
                    [program, "-n", name, *options, *drive],
                    env=env,
                    stdin=subprocess.DEVNULL,
                    stdout=log,
                    stderr=subprocess.STDOUT,
                    start_new_session=True,
                    preexec_fn=_dies_with_us,
                )
            server = JackServer(name, process, sample_rate_hz, period_frames)
            try:
                end = time.monotonic() + 15.0
                while process.poll() is None and time.monotonic() < end:
                    if _answers(name, server.env()):
                        break
                    time.sleep(0.1)
                else:
                    log.seek(0)
                    troubles.append(log.read().decode(errors="replace")[-800:])
                    continue
                kept = {key: os.environ.get(key) for key in ("JACK_DEFAULT_SERVER", "JACK_NO_START_SERVER")}
                if set_env:
                    os.environ.update(JACK_DEFAULT_SERVER=name, JACK_NO_START_SERVER="1")
                try:
                    yield server
                finally:
                    _let_go_of_sound()
                    for key, value in kept.items():
                        if value is None:
                            os.environ.pop(key, None)
                        else:
                            os.environ[key] = value
                return
            finally:
                server.stop()
    pytest.fail("jackd is here but did not start:\n" + "\n---\n".join(troubles))


@pytest.fixture(scope="session")
def jack_server() -> Iterator[JackServer]:
    """One server for the whole run: `jackd -S -d dummy -r 48000 -p 64`, with this process's environment set to it."""
    with started_server() as server:
        yield server
