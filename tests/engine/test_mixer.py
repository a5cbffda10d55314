"""The player's own sound in the mixer: at its time, at its pitch, bent as the string is bent."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest

from trainer.band.sound import CEILING
from trainer.clock.sources import FakeClock
from trainer.clock.transport import HostRuler
from trainer.engine.core import Core
from trainer.engine.mixer import Mixer
from trainer.engine.ring import MONITOR_PITCHES, Geometry, Ring
from trainer.live import PlayOptions
from trainer.live.options import setup_of
from trainer.ports.memory import MemoryMidiOut
from trainer.session import ChorusPlan, Session
from trainer.system import here

RATE_HZ = 48_000
HZ = 100.0


@pytest.fixture
def ring() -> Iterator[Ring]:
    """Silence for a band, and a plain sine for every note of the player's."""
    geometry = Geometry.for_rate(2, RATE_HZ)
    address, memory = here().make_shared(geometry.n_bytes)
    here().forget_shared(address)
    ring = Ring(memory, geometry)
    n = ring.geometry.monitor_frames
    ring.monitor[:] = 0.25 * np.sin(2.0 * np.pi * HZ * np.arange(n) / RATE_HZ).astype(np.float32)
    ring.monitor_ready[:] = n
    yield ring


def played(ring: Ring, at: dict[int, list[bytes]], n_blocks: int = 240, **fields: Any) -> np.ndarray:
    """Blocks of 256 frames, with messages given before some of them: the left channel."""
    strikes: deque[Any] = deque()
    mixer = Mixer(ring, RATE_HZ, (1.0, 1.0), strikes)
    for name, value in fields.items():
        setattr(mixer, name, value)
    out = np.zeros((n_blocks, 256, 2), dtype=np.float32)
    for block in range(n_blocks):
        strikes.extend((0, 0.0, data) for data in at.get(block, []))
        mixer.fill(block * 256, out[block])
    sound: np.ndarray = out[:, :, 0].ravel()
    return sound


@pytest.mark.parametrize("gain", [1.0, 30.0, 1e5])
def test_no_sample_passes_full_scale_with_the_player_on_top(ring: Ring, gain: float) -> None:
    ring.monitor *= 4.0  # full scale each
    mixer = Mixer(ring, RATE_HZ, (gain, gain), deque((0, 0.0, bytes((0x90, 30 + k, 127))) for k in range(8)))
    mixer.route = (1, 0)
    stems = np.random.default_rng(1).uniform(-0.9, 0.9, (2, 256, 2)).astype(np.float32)
    out = np.zeros((40, 256, 2), dtype=np.float32)
    for block in range(40):
        ring.put(block, 1, stems)
        if block == 20:
            mixer.gains = np.array([2.0 * gain, 0.0], dtype=np.float32)
        mixer.fill(block * 256, out[block])
    assert 0.3 < np.abs(out).max() <= np.float32(CEILING) < 1.0


def test_what_was_not_rendered_in_time_is_silence_and_counted(ring: Ring) -> None:
    mixer = Mixer(ring, RATE_HZ, (1.0, 1.0), deque())
    mixer.route = (1, 0)
    stems = np.full((2, 256, 2), 0.1, dtype=np.float32)
    for block in (0, 1, 4):
        ring.put(block, 1, stems)
    ring.put(3, 0, stems)  # for a route that is gone
    out = np.ones((5, 256, 2), dtype=np.float32)
    for block in range(5):
        mixer.fill(block * 256, out[block])
    assert [bool(np.any(block)) for block in out] == [True, True, False, False, True]
    assert mixer.n_missing == 2


def hz_of(sound: np.ndarray) -> float:
    """By rising zero crossings, to a fraction of a sample."""
    i = np.flatnonzero((sound[:-1] < 0.0) & (sound[1:] >= 0.0))
    at = i - sound[i] / (sound[i + 1] - sound[i])
    return float(RATE_HZ * (len(at) - 1) / (at[-1] - at[0]))


ON = bytes((0x90, MONITOR_PITCHES[0] + 10, 100))


@pytest.mark.parametrize(
    ("bend", "range_semitones", "semitones"),
    [(8192, 2.0, 0.0), (16383, 2.0, 2.0), (0, 2.0, -2.0), (9557, 12.0, 2.0), (8192 + 683, 12.0, 1.0)],
)
def test_a_bend_bends_the_sound(ring: Ring, bend: int, range_semitones: float, semitones: float) -> None:
    message = bytes((0xE0, bend & 0x7F, bend >> 7))
    sound = played(ring, {0: [ON], 60: [message]}, bend_ranges=(range_semitones,) * 16)
    assert hz_of(sound[: 60 * 256]) == pytest.approx(HZ, rel=1e-4)
    assert hz_of(sound[61 * 256 :]) == pytest.approx(HZ * 2.0 ** (semitones / 12.0), rel=1e-3)
    assert np.abs(np.diff(sound)).max() < 0.25 * 2.0 * np.pi * HZ / RATE_HZ * 1.2 + 1e-4  # and never clicks


def test_another_channel_s_bend_leaves_it_alone_and_releases_end_it(ring: Ring) -> None:
    sound = played(ring, {0: [ON], 20: [bytes((0xE3, 0, 127))], 100: [bytes((0x80, ON[1], 0))]})
    assert hz_of(sound[: 100 * 256]) == pytest.approx(HZ, rel=1e-4)
    assert np.abs(sound[110 * 256 :]).max() == 0.0


def test_bent_up_it_ends_earlier_and_reads_nothing_beyond_its_end(ring: Ring) -> None:
    n_blocks = ring.geometry.monitor_frames // 256 + 4
    whole = played(ring, {0: [ON]}, n_blocks)
    bent = played(ring, {0: [bytes((0xE0, 127, 127)), ON]}, n_blocks)
    assert np.flatnonzero(whole)[-1] == pytest.approx(ring.geometry.monitor_frames, abs=300)
    assert np.flatnonzero(bent)[-1] == pytest.approx(ring.geometry.monitor_frames / 2.0 ** (2 / 12), abs=300)


def test_midi_out_follows_the_string_that_was_played_last() -> None:
    clock = FakeClock(1_000_000_000)
    core = Core(setup_of(Session(choruses=(ChorusPlan("verse", 1),)), PlayOptions()), clock, lambda message: None)
    core.midi_out, core.monitor_out = MemoryMidiOut(clock), True
    core.follow(HostRuler(clock.now_ns()))
    messages = [
        "b2657f",
        "b2060c",
        "920a40",
        "e20050",
        "e30060",
        "930b40",
        "e20040",
        "820a00",
        "c305",
        "920c40",
        "b00740",
    ]
    for message in messages:
        core.sink.append((clock.now_ns(), 0.0, bytes.fromhex(message)))
    core._listen()
    assert [data.hex() for _, data in core.midi_out.sent] == [
        "b0657f",  # how far a bend reaches
        "b0060c",
        "900a40",
        "e00050",  # its own string
        "e00060",  # another is played, which is bent already; the bend of that alone was not sent before
        "900b40",
        "800a00",
        "e00040",
        "900c40",
    ]
