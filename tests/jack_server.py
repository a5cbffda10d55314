"""A JACK server of the tests' own: real MIDI and audio ports without any hardware.

Use the session-wide fixture `jack_server` (from `tests/conftest.py`), or `started_server()` where a test needs to end
the server. Without a `jackd` program these tests are skipped, and say so; with `TRAINER_REQUIRE_JACK=1` they fail
instead, so that no automatic run can lose them unseen.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import subprocess
import sys
import tempfile
import time
import uuid
from collections.abc import Iterator
from dataclasses import dataclass, field

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
    _log: str = field(default="", repr=False)

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
        if self.process.poll() is None:
            self.process.terminate()
            try:
                self.process.wait(timeout=5)
            except subprocess.TimeoutExpired:
                self.process.kill()
                self.process.wait(timeout=5)


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
    name = f"trainer-{os.getpid()}-{uuid.uuid4().hex[:6]}"
    drive = ["-d", "dummy", "-r", str(sample_rate_hz), "-p", str(period_frames)]
    troubles = []
    for options in (["-S"], ["--no-realtime", "-S"]):
        with tempfile.TemporaryFile() as log:
            env = {**os.environ, "JACK_NO_AUDIO_RESERVATION": "1"}
            process = subprocess.Popen(
                [program, "-n", name, *options, *drive],
                env=env,
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=subprocess.STDOUT,
                start_new_session=True,
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
