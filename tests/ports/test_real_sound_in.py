"""Real PortAudio input streams on JACK's dummy driver, fed sample by sample from another process."""

from __future__ import annotations

import time

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.jack_bass import JackBass
from tests.jack_server import JackServer
from trainer.errors import PortError
from trainer.ports.audio import AudioList, AudioPort, list_audio, one_clock, open_audio, open_capture


class _Kept:
    """Takes blocks as the trainer does, and keeps them."""

    def __init__(self) -> None:
        self.blocks: list[tuple[int, NDArray[np.float32]]] = []

    def take(self, first_frame: int, block: NDArray[np.float32]) -> None:
        self.blocks.append((first_frame, block.copy()))

    def sound(self) -> NDArray[np.float32]:
        return np.concatenate([block for _, block in list(self.blocks)])


def _place(sound: NDArray[np.float32], sent: NDArray[np.float32]) -> int:
    """Where the sent samples lie in what came in; -1 when they are not there whole, sample for sample."""
    for at in np.flatnonzero(sound == sent[0]).tolist():
        if np.array_equal(sound[at : at + len(sent)], sent):
            return int(at)
    return -1


def _marked(n: int) -> NDArray[np.float32]:
    """Noise that is nowhere like itself."""
    return np.random.default_rng(5).uniform(-0.5, 0.5, n).astype(np.float32)


@pytest.mark.jack
@pytest.mark.parametrize(("n_channels", "channel"), [(1, 1), (18, 7)])
def test_an_input_of_its_own_brings_every_sample_on_its_channel(
    jack_server: JackServer, n_channels: int, channel: int
) -> None:
    with JackBass(jack_server, f"bass{n_channels}", n_channels=n_channels, channel=channel) as bass:
        ports = list_audio(fresh=True)
        device = ports.input(f"bass{n_channels}")
        assert device.n_channels == n_channels
        kept = _Kept()
        stream = open_capture(kept.take, device)
        stream.start()
        sent = _marked(24_000)
        try:
            bass.wait_connected()
            bass.play_sound(sent)
            bass.wait_played()
            time.sleep(0.3)
        finally:
            stream.close()
        came = kept.sound()
    assert stream.fault is None and came.shape[1] == n_channels
    if not stream.n_xruns:  # of which the machine's own busyness makes some
        assert _place(came[:, channel - 1], sent) >= 0
    others = np.delete(came, channel - 1, axis=1)
    assert not others.any()


@pytest.mark.jack
def test_one_stream_for_both_sides_of_a_card_counts_their_frames_alike(jack_server: JackServer) -> None:
    """What goes out comes back through a cable a constant number of frames later, run after run of it."""
    ports = list_audio(fresh=True)
    output = ports.output(None)
    source = ports.input(output.name)
    assert one_clock(source, output)
    sent = _marked(2_400)
    starts = (12_000, 36_001, 60_010)
    out_frames = starts[-1] + 24_000
    song = np.zeros(out_frames, dtype=np.float32)
    for start in starts:
        song[start : start + len(sent)] = sent

    def fill(first_frame: int, out: NDArray[np.float32]) -> None:
        out.fill(0.0)
        piece = song[first_frame : first_frame + len(out)]
        out[: len(piece), 0] = piece

    for _ in range(10):  # a busy machine makes under-runs, after which frames are lost on one side
        kept = _Kept()
        stream = open_audio(fill, ports=ports, source=(source, kept.take))
        with JackBass(jack_server, "plugger") as cable:
            stream.start()
            try:
                mine = [name for name in cable.ports() if not name.startswith(("system:", "plugger:"))]
                went = next(name for name in mine if "out" in name.rpartition(":")[2])
                came_in = next(name for name in mine if "in" in name.rpartition(":")[2])
                cable.plug(went, came_in)
                end = time.monotonic() + 30.0
                while stream.n_frames < out_frames and time.monotonic() < end:
                    time.sleep(0.02)
            finally:
                stream.close()
        if not stream.n_xruns:
            break
    came = kept.sound()[:, 0]
    assert kept.blocks[0][0] == 0
    assert not stream.n_xruns, f"{stream.n_xruns} under-runs at the tenth time too: the machine is too busy for sound"
    trips = []
    for start in starts:
        at = _place(came[start : start + 24_000], sent)
        assert at >= 0
        trips.append(at)
    assert len(set(trips)) == 1, trips


def test_sides_of_one_card_are_told_by_their_driver_and_name() -> None:
    card = AudioPort("card", "ALSA", 3, 2, 48_000)
    assert one_clock(card, AudioPort("card", "ALSA", 3, 8, 48_000))
    assert one_clock(card, AudioPort("card", "ALSA", 4, 2, 48_000))
    assert not one_clock(card, AudioPort("card", "OSS", 3, 2, 48_000))
    assert not one_clock(card, AudioPort("speaker", "ALSA", 4, 2, 48_000))


def test_an_input_that_is_not_there_is_named_with_those_that_are() -> None:
    ports = AudioList((), None, (AudioPort("Line", "ALSA", 0, 2, 48_000),))
    assert ports.input("line").name == "Line"
    with pytest.raises(PortError, match=r'no sound input "bass".*"?Line'):
        ports.input("bass")
    with pytest.raises(PortError, match="nothing answers"):
        AudioList(note="nothing answers").input("bass")
