"""Sound on its way in, without devices: intake, shared ring, the recording, and what the ear says as messages."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import given
from hypothesis import strategies as st

from trainer.clock.fit import SongMap
from trainer.engine.bass import BEND_RANGE_SEMITONES, NoteWriter
from trainer.engine.capture import Intake, SoundRing, WavWriter
from trainer.engine.messages import EarSaid
from trainer.hearing import Ear
from trainer.system import here
from trainer.take.placing import DEAD_CHANNEL, placed_in_song
from trainer.take.recorder import Recorder

RATE_HZ = 48_000


@given(st.lists(st.integers(1, 700), min_size=1, max_size=40), st.lists(st.integers(1, 900), min_size=1, max_size=40))
def test_what_went_in_comes_out_whatever_the_blocks(puts: list[int], reads: list[int]) -> None:
    sound = np.random.default_rng(1).standard_normal((sum(puts), 2)).astype(np.float32)
    intake, at, came = Intake(2, RATE_HZ), 0, []
    for i, n in enumerate(puts):
        intake.take(at, sound[at : at + n])
        at += n
        if i % (reads[i % len(reads)] % 3 + 1) == 0:
            came.append(intake.read())
    came.append(intake.read())
    assert np.array_equal(np.concatenate(came), sound)


def test_a_keeper_that_was_held_up_keeps_its_place() -> None:
    intake = Intake(1, 1000)  # four seconds
    for i in range(10):
        intake.take(1000 * i, np.full((1000, 1), i + 1.0, dtype=np.float32))
    came = intake.read()
    assert len(came) == 10_000  # silence stands for what was lost
    assert came[-1, 0] == 10.0 and came[0, 0] == 0.0


def test_the_ring_is_read_by_another_as_it_was_put() -> None:
    address, ring = SoundRing.made(1000)
    try:
        other = SoundRing.at(address, ring.n_frames)
        sound = np.arange(50_000, dtype=np.float32)
        tail, came = 0, []
        for first in range(0, len(sound), 333):
            ring.put(sound[first : first + 333])
            at, piece = other.read(tail, 250)
            assert at == tail
            while len(piece):
                came.append(piece)
                tail = at + len(piece)
                at, piece = other.read(tail, 250)
        assert np.array_equal(np.concatenate(came), sound)
        at, _ = other.read(0, 10)
        assert at > 0  # what was overwritten is not read
    finally:
        here().forget_shared(address)


def test_the_recording_can_be_read_at_any_moment(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    writer = WavWriter(path, RATE_HZ)
    sound = (0.5 * np.sin(np.arange(30_000) / 20)).astype(np.float32)
    for first in range(0, 30_000, 4_800):
        writer.write(sound[first : first + 4_800])
        kept, rate_hz = soundfile.read(path, dtype="float32")  # an outside reader, the file still open
        assert rate_hz == RATE_HZ and len(kept) == min(first + 4_800, 30_000)
        assert np.allclose(kept, sound[: len(kept)], atol=2e-7)
    writer.write(np.array([np.nan, np.inf, -np.inf, 9.0], dtype=np.float32))
    writer.close()
    kept, _ = soundfile.read(path)
    assert np.allclose(kept[-4:], [0.0, 1.0, -1.0, 1.0], atol=1e-6)
    with pytest.raises(FileExistsError):
        WavWriter(path, RATE_HZ)


def _recorded(said: list[EarSaid]) -> tuple[list[float], list[float], list[int]]:
    """(onset, pitch, channel) of each note that the take's own recorder makes of it."""
    writer, recorder = NoteWriter(), Recorder()
    for message in NoteWriter.opening():
        recorder.feed_message(0, message)
    for one in said:
        for frame, message in writer.write(one):
            recorder.feed_message(round(frame * 1e9 / RATE_HZ), message)
    table = recorder.note_table(lambda ns: ns * 1e-9, 10_000_000_000)
    return table["onset_s"].tolist(), table["pitch"].tolist(), table["channel"].tolist()


def test_what_the_ear_says_becomes_notes_with_their_pitch() -> None:
    said = [
        EarSaid("note", 1, 48_000.0, 40.1, 80),
        EarSaid("amended", 1, 0.0, 28.05),  # an octave off at first
        EarSaid("ended", 1, 70_000.0),
        EarSaid("dead", 2, 72_000.0, 0.0, 50),
        EarSaid("amended", 1, 0.0, 33.0),  # too late: it has ended
        EarSaid("note", 3, 96_000.0, 35.0, 90),
        EarSaid("note", 4, 120_000.0, 37.5, 90),
    ]
    onsets, pitches, channels = _recorded(said)
    assert onsets == pytest.approx([1.0, 1.5, 2.0, 2.5], abs=1e-6)
    step = BEND_RANGE_SEMITONES / 8191
    assert pitches[0] == pytest.approx(28.05, abs=step) and pitches[2] == pytest.approx(35.0, abs=step)
    assert pitches[3] == pytest.approx(37.5, abs=step)
    assert channels == [0, DEAD_CHANNEL, 0, 0]


@pytest.mark.parametrize(
    "block",
    [
        np.full(4_800, np.nan),
        np.full(4_800, np.inf),
        np.full(4_800, -np.inf),
        np.full(4_800, 1e30),
        np.full(4_800, 0.7),
        np.zeros(4_800),
        np.random.default_rng(1).integers(-128, 128, 4_800) / 128.0,
        np.where(np.arange(4_800) % 97 == 0, np.nan, 0.3),
    ],
    ids=["nan", "inf", "-inf", "huge", "constant", "silence", "8-bit noise", "nan among sound"],
)
@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 96_000])
def test_no_block_brings_the_ear_down(block: np.ndarray, rate_hz: int) -> None:
    ear = Ear(float(rate_hz))
    for n in (1, 7, 4_800, 64):
        for event in ear.feed(block[:n].astype(np.float32)):
            for name in event.__dataclass_fields__:
                assert np.isfinite(float(getattr(event, name)))
    ear.finish()


def test_notes_of_a_pause_and_of_a_pass_that_was_taken_back_do_not_count() -> None:
    s = 1_000_000_000
    # two seconds of count, ten of song, a pause, then from second 4 of the song again
    song = SongMap([(2 * s, 0.0, 1.0), (12 * s, 10.0, 0.0), (15 * s, 4.0, 1.0)])
    host_ns = np.array([1 * s, 3 * s, 8 * s, 13 * s, 16 * s, 20 * s])
    onset_s, stays, aside = placed_in_song(host_ns, song, [(15 * s, 4.0)])
    assert onset_s[[1, 2, 4, 5]].tolist() == [1.0, 6.0, 5.0, 9.0]
    assert stays.tolist() == [False, True, False, False, True, True]
    assert aside.tolist() == [False, False, True, False, False, False]
