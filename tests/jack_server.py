"""A JACK server of the tests' own: real MIDI and audio ports without any hardware.

Use the fixture `jack_server` (from `tests/conftest.py`), or `started_server()` where a test needs to end
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
from typing import IO, Any

import pytest

__all__ = ["JackServer", "jack_server", "n_stumbles", "need_jackd", "started_server"]

SAMPLE_RATE_HZ = 48_000
PERIOD_FRAMES = 64
UP_WITHIN_S = 60.0
TURN_WITHIN_S = 1800.0  # more than a whole run of the tests
# How long the server waits for a client in a period, before its own factor. By its own choice it is two periods:
# on a busy machine, without real-time rights, a client is later than that, and the MIDI of its period is lost.
CLIENT_TIMEOUT_MS = 20


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
                try:
                    _wait_up(self.name, again, self.env())
                finally:
                    _end(again)


def _end(process: subprocess.Popen[bytes]) -> None:
    if process.poll() is None:
        process.terminate()
        try:
            process.wait(timeout=20)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()


_logs: list[IO[bytes]] = []
_n_past = 0


def n_stumbles() -> int:
    """How often the servers of this process, by their own logs, stood still or went on without a client, so far."""
    return _n_past + sum(map(_n_stumbles_in, _logs))


def _n_stumbles_in(log: IO[bytes]) -> int:
    return os.pread(log.fileno(), os.fstat(log.fileno()).st_size, 0).count(b"XRun")


@contextlib.contextmanager
def _log() -> Iterator[IO[bytes]]:
    """What a server says, counted while it runs and afterwards."""
    global _n_past
    with tempfile.TemporaryFile() as log:
        _logs.append(log)
        try:
            yield log
        finally:
            _logs.remove(log)
            _n_past += _n_stumbles_in(log)


_n_held = 0


@contextlib.contextmanager
def _turn() -> Iterator[None]:
    """One test run at a time: servers that start and end side by side tear down each other's shared memory.

    Waits for another run's turn to end; fails after half an hour, rather than spoil that run and this one.
    """
    global _n_held
    if _n_held:  # a server beside this run's own
        yield
        return
    try:
        import fcntl
    except ImportError:
        yield
        return
    with (Path(tempfile.gettempdir()) / "trainer-tests-jack.lock").open("a") as lock:
        end = time.monotonic() + TURN_WITHIN_S
        while True:
            try:
                fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
                break
            except BlockingIOError:
                if time.monotonic() > end:
                    pytest.fail(f"another test run has held {lock.name} for {TURN_WITHIN_S / 60:g} minutes; end it")
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
    try:
        done = subprocess.run([sys.executable, "-c", code], env=env, capture_output=True, timeout=20, check=False)
    except subprocess.TimeoutExpired:  # a server that has just come up may leave its first client hanging: ask again
        return False
    return done.returncode == 0


def _wait_up(name: str, process: subprocess.Popen[bytes], env: dict[str, str]) -> bool:
    """Until the server takes clients; False if it ends before, or takes none within a minute."""
    end = time.monotonic() + UP_WITHIN_S
    while process.poll() is None and time.monotonic() < end:
        if _answers(name, env):
            return True
        time.sleep(0.1)
    return False


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
        with _log() as log:
            options = [*options, "-t", str(CLIENT_TIMEOUT_MS)]
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
                if not _wait_up(name, process, server.env()):
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


@pytest.fixture(scope="module")
def jack_server() -> Iterator[JackServer]:
    """A server for each file of tests: `jackd -S -d dummy -r 48000 -p 64`, with this process's environment set to it.

    For each file, so that one that falls ill takes no other file's tests with it, and another run of the tests on this
    machine gets its turn between them.
    """
    with started_server() as server:
        yield server
