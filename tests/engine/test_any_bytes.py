"""Whatever bytes an input hands over, the song goes on: each path that reads them, in the running core.

Every string of one and two bytes; of three and four bytes every status with bytes of each kind behind it (data at
its ends and middle, and statuses of each family); then streams at random.
"""

from __future__ import annotations

import itertools
from collections import deque

import numpy as np
import pytest

from tests.engine.test_mixer import ring  # noqa: F401 (a fixture)
from trainer.clock.midi_clock import ClockFollower
from trainer.clock.sources import FakeClock
from trainer.clock.transport import HostRuler
from trainer.engine.clock_out import FollowRuler
from trainer.engine.core import Core
from trainer.engine.mixer import Mixer
from trainer.engine.record import take_from
from trainer.engine.ring import Ring
from trainer.live import PlayOptions
from trainer.live.options import setup_of
from trainer.ports.memory import MemoryMidiOut
from trainer.ports.protocols import RawMidi
from trainer.session import ChorusPlan, Session
from trainer.take.messages import is_whole

KINDS = (0x00, 0x40, 0x7F, 0x80, 0x90, 0xB0, 0xE0, 0xF0, 0xF7, 0xF8, 0xFF)
STATUSES = (0x00, 0x7F, *range(0x80, 0x100, 0x11), *range(0xF0, 0x100))
SHORT = [bytes(rest) for n in (0, 1, 2) for rest in itertools.product(range(256), repeat=n)]
LONGER = [bytes((status, *rest)) for status in STATUSES for n in (2, 3) for rest in itertools.product(KINDS, repeat=n)]
ON, OFF = bytes((0x90, 40, 90)), bytes((0x80, 40, 0))


def streams(seed: int, n: int) -> list[bytes]:
    """Real messages, cut, joined and with a byte changed."""
    rng = np.random.default_rng(seed)
    out = []
    for _ in range(n):
        data = bytearray(
            b"".join(
                (ON, OFF, b"\xe0\x10\x50", b"\xb0\x7b\x00", b"\xf8", b"\xf2\x01\x02")[i]
                for i in rng.integers(0, 6, rng.integers(1, 5))
            )
        )
        data[int(rng.integers(len(data)))] = int(rng.integers(256))
        start, end = sorted(rng.integers(0, len(data) + 1, 2).tolist())
        out.append(bytes(data[start:end]))
    return out


def running(clock: FakeClock) -> Core:
    session = Session(tempo_bpm=240.0, choruses=(ChorusPlan("verse", 1),), loop=(1, 1), count_in_bars=0)
    core = Core(setup_of(session, PlayOptions()), clock, lambda message: None)
    core.midi_out, core.monitor_out = MemoryMidiOut(clock), True
    core.begin_record({}, on_disk=False)
    core.follow(HostRuler(clock.now_ns()))
    core.start(0.0)
    return core


@pytest.mark.parametrize(
    "messages", [SHORT, LONGER, streams(1, 20_000)], ids=["up to two bytes", "three and four", "random streams"]
)
def test_the_core_takes_any_bytes_and_the_song_goes_on(messages: list[bytes]) -> None:
    clock = FakeClock(1_000_000_000)
    core = running(clock)
    core.step(clock.sleep_until(clock.now_ns() + 1_000_000))
    for data in messages:
        core.sink.append((clock.now_ns(), 0.0, data))
    core.step(clock.sleep_until(clock.now_ns() + 1_000_000))
    core.sink.extend([(clock.now_ns(), 0.0, bytes((0xB0 | channel, 123, 0))) for channel in range(16)])
    core.sink.append((clock.now_ns() + 50_000_000, 0.0, ON))
    core.sink.append((clock.now_ns() + 150_000_000, 0.0, OFF))
    core.step(clock.sleep_until(clock.now_ns() + 200_000_000))
    assert isinstance(core.midi_out, MemoryMidiOut) and core.record is not None
    assert all(is_whole(data) for _, data in core.midi_out.sent)
    assert core.midi_out.sent[-1][1] == OFF
    core.end_record(clock.now_ns(), completed=False)
    take = take_from(core.record.journal(), band=core.score, session=core.session)
    wholes = [data for data in messages if is_whole(data) and data[0] & 0xF0 == 0x90 and data[2]]
    assert len(take.notes) == len(wholes) + 1 and 90 in take.notes["velocity"]


def test_the_built_in_bass_takes_any_bytes(ring: Ring) -> None:  # noqa: F811
    strikes: deque[RawMidi] = deque()
    mixer, out = Mixer(ring, 48_000, (1.0,) * ring.geometry.n_parts, strikes), np.zeros((256, 2), dtype=np.float32)
    for frame, data in enumerate(LONGER + streams(2, 2000)):
        strikes.append((0, 0.0, data))
        if frame % 500 == 0:
            mixer.fill(256 * frame, out)
            assert np.all(np.isfinite(out))
    mixer.fill(0, out)
    assert not strikes and np.all(np.isfinite(out))


def test_a_followed_clock_takes_any_bytes() -> None:
    clock = FakeClock(1_000_000_000)
    core = running(clock)
    sink: deque[RawMidi] = deque()
    core.following = (FollowRuler(ClockFollower(tempo_bpm=240.0), clock, 240.0), sink)
    for data in SHORT + LONGER + streams(3, 5000):
        sink.append((clock.now_ns(), 0.0, data))
        if len(sink) > 5000:
            core.step(clock.sleep_until(clock.now_ns() + 1_000_000))
    assert core.step(clock.sleep_until(clock.now_ns() + 1_000_000)).state in (
        "count_in",
        "playing",
        "finished",
        "waiting",
    )
