"""Plugs pulled for a moment, many times: each time the port is taken up again, or it is said that it is not.

    python -m tests.unplug_long --rounds 200

Real JACK ports, the far end in a process of its own; gaps from 5 ms to 5 s, as many short ones as long. A round pulls
one of four things: the sender, the listener, or the cable to either. Taken up: a note sent afterwards arrives.
"""

from __future__ import annotations

import argparse
import os
import threading
import time
from collections import Counter, deque

import numpy as np

from tests.jack_sender import JackSender
from tests.jack_server import started_server
from trainer.engine.slots import PortSlot
from trainer.ports.midi import open_input, open_output
from trainer.ports.protocols import MidiIn, MidiOut

WATCH_EVERY_S = 0.5  # as the engine's thread does
UP_WITHIN_S = 8.0
NOTE = "902864"


class Song:
    """Two slots as the engine holds them, one thread that watches, and this loop in the song's place."""

    def __init__(self) -> None:
        self.said: list[str] = []
        self.input = PortSlot[MidiIn]("midi_in", "far", lambda name: open_input(name, deque()), label="MIDI input")
        self.output = PortSlot[MidiOut]("midi_out", "far", open_output, label="MIDI output")
        self._done = threading.Event()
        self._thread = threading.Thread(target=self._watch, daemon=True)

    def __enter__(self) -> Song:
        assert self.input.open() is None and self.output.open() is None
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._done.set()
        self._thread.join()
        self.input.close()
        self.output.close()

    def _watch(self) -> None:
        while not self._done.wait(WATCH_EVERY_S):
            self.input.watch()
            self.output.watch()

    def settle(self) -> None:
        for slot in (self.input, self.output):
            notice = slot.settle()
            if notice is not None:
                self.said.append(f"{notice.about} {notice.state}")

    def arrives(self, far: JackSender, way: str, within_s: float) -> bool:
        """Whether a note goes through, sent again and again until it does."""
        until_s = time.monotonic() + within_s
        while time.monotonic() < until_s:
            self.settle()
            if way == "out":
                if self.output.port is not None:
                    self.output.port.send(bytes.fromhex(NOTE))
                time.sleep(0.05)
                if any(data == NOTE for _, _, data in far.heard()):
                    return True
            else:
                far.play([(0.0, NOTE)], lead_s=0.005)
                time.sleep(0.05)
                if self.input.port is not None and self.input.port.sink:
                    self.input.port.sink.clear()
                    return True
        return False


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rounds", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    rng = np.random.default_rng(asked.seed)
    taken_up: Counter[str] = Counter()
    n: Counter[str] = Counter()
    with started_server() as server:
        os.environ.update(server.env())
        with JackSender(server, "far") as far, Song() as song:
            for _ in range(asked.rounds):
                end, how = (("out", "port"), ("in", "port"), ("out", "cable"), ("in", "cable"))[int(rng.integers(4))]
                gap_s = float(np.exp(rng.uniform(np.log(0.005), np.log(5.0))))
                way = "in" if end == "out" else "out"
                kind = f"{'sender' if end == 'out' else 'listener'}: {how}"
                song.said.clear()
                far.pull(end, how, gap_s)
                up = song.arrives(far, way, UP_WITHIN_S)
                n[kind] += 1
                taken_up[kind] += up
                if not up:
                    print(
                        f"{kind}, {gap_s * 1e3:.0f} ms: not taken up; said: {', '.join(song.said) or 'nothing'}",
                        flush=True,
                    )
    for kind in sorted(n):
        print(f"{kind:<16} {taken_up[kind]} of {n[kind]} taken up")
    print(f"all              {sum(taken_up.values())} of {sum(n.values())}")
    return 0 if sum(taken_up.values()) == asked.rounds else 1


if __name__ == "__main__":
    raise SystemExit(main())
