"""The ear's process: reads the ring of sound coming in, says what it hears.

Run by the engine as `python -m trainer.engine.ear`: in the engine's interpreter the same work makes one MIDI event in a
thousand 9 ms late. It reads what to listen to on its standard input and leaves at the end of that, so it cannot outlive
the engine. What it says goes to its standard output as `EarSaid`, faults to the engine's log.
"""

from __future__ import annotations

import os
import signal
import sys
import threading
import time

import msgspec

from trainer.engine.capture import SoundRing
from trainer.engine.messages import EarSaid, Reader, frame_of
from trainer.hearing import DeadStroke, Ear, Event, NoteEnded, NoteHeard, PitchAmended
from trainer.system import here

__all__ = ["Listen", "main", "said_of"]

STEP_S = 0.004
MOST_S = 0.25  # read at once when it has fallen behind


class Listen(msgspec.Struct, frozen=True, tag="listen"):
    """What to listen to: a ring, from its frame `from_frame` on."""

    ring_address: str
    n_frames: int
    rate_hz: int
    from_frame: int


def said_of(event: Event, from_frame: int) -> EarSaid | None:
    """An event as it goes over the pipe; frames count from the ring's first. None for what only tells of a stroke."""
    if isinstance(event, NoteHeard):
        frame = from_frame + event.onset_frames
        return EarSaid("note", event.stroke, frame, float(event.pitch), int(event.velocity))
    if isinstance(event, PitchAmended):
        return EarSaid("amended", event.stroke, 0.0, float(event.pitch))
    if isinstance(event, NoteEnded):
        return EarSaid("ended", event.stroke, from_frame + event.end_frames)
    if isinstance(event, DeadStroke):
        return EarSaid("dead", event.stroke, from_frame + event.onset_frames, 0.0, int(event.velocity))
    return None


def main() -> int:
    for name in ("SIGINT", "SIGHUP", "SIGTSTP"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), signal.SIG_IGN)
    reader: Reader[Listen] = Reader(Listen)
    orders: list[Listen] = []
    while not orders:
        data = os.read(0, 65536)
        if not data:
            return 0
        orders = reader.feed(data)
    order = orders[0]
    ring = SoundRing.at(order.ring_address, order.n_frames)
    left = threading.Event()

    def watch() -> None:
        while os.read(0, 65536):
            pass
        left.set()

    threading.Thread(target=watch, daemon=True).start()
    # Of the engine's own priority it would keep a MIDI event waiting for as long as it works on a block.
    here().hurry(behind=True)
    _listen(order, ring, left)
    here().forget_shared(order.ring_address)  # the engine may have gone without a word
    return 0


def _listen(order: Listen, ring: SoundRing, left: threading.Event) -> None:
    tail, base = order.from_frame, order.from_frame
    ear = Ear(float(order.rate_hz))
    most = int(MOST_S * order.rate_hz)
    while not left.is_set():
        first, samples = ring.read(tail, most)
        if first != tail:  # it was away for so long that sound is lost: begin afresh
            ear, base = Ear(float(order.rate_hz)), first
        tail = first + len(samples)
        if not len(samples):
            time.sleep(STEP_S)
            continue
        said = [one for event in ear.feed(samples) if (one := said_of(event, base)) is not None]
        if said:
            try:
                os.write(1, b"".join(frame_of(one) for one in said))
            except OSError:
                return


if __name__ == "__main__":
    sys.exit(main())
