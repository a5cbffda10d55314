"""The other end of a bass's cable, in a process of its own, exact to the sample.

A JACK client with one or more outputs (`NAME:out_1` …), one of which carries what it is told to play, and one input
(`NAME:in`) that keeps what it hears. To PortAudio it is a sound input with so many channels. It can also be plugged by
hand into a stream that is open already.

    with JackBass(server, "bass") as bass:
        ...open "bass" as sound input...
        start = bass.play_sound(samples)          # the frame at which the first sample goes out
        bass.wait_played()

Source of the method: the JACK API's process callback, through PyPI `JACK-Client`.
"""

from __future__ import annotations

import json
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:  # run as a program of its own, this file finds no package around it
    from tests.jack_sender import JackSender
    from tests.jack_server import JackServer
elif __name__ == "__main__":
    JackSender = object
else:
    from tests.jack_sender import JackSender

__all__ = ["JackBass"]


class JackBass(JackSender):
    """Starts the far end's process. `channel` (from 1) of `n_channels` carries the sound."""

    _program = __file__

    def __init__(self, server: JackServer, name: str = "bass", *, n_channels: int = 1, channel: int = 1) -> None:
        self._place = tempfile.TemporaryDirectory()
        super().__init__(server, name, str(n_channels), str(channel))

    def play_sound(self, samples: NDArray[np.float32], *, lead_s: float = 0.1) -> int:
        """Send the samples (n,) from `lead_s` on from now; the frame of the first."""
        path = Path(self._place.name) / "sound.npy"
        np.save(path, np.asarray(samples, dtype=np.float32))
        return int(self._ask("sound", [lead_s, str(path)], "start_frame", 60.0))

    def plug(self, source: str, target: str) -> None:
        """Connect two ports of the server by their full names."""
        self._ask("plug", [source, target], "plugged", 60.0)

    def unplug(self, source: str, target: str) -> None:
        self._ask("unplug", [source, target], "unplugged", 60.0)

    def ports(self, pattern: str = "") -> list[str]:
        """Full names of the server's audio ports that match a pattern."""
        return [str(name) for name in self._ask("ports", pattern, "ports", 60.0)]

    def kept(self) -> tuple[int, NDArray[np.float32]]:
        """What came to `NAME:in` since the start: the first frame, and the samples."""
        path = Path(self._place.name) / "kept.npy"
        first = int(self._ask("kept", str(path), "first_frame", 60.0))
        return first, np.load(path)

    def close(self) -> None:
        super().close()
        self._place.cleanup()


def _main(arguments: Sequence[str]) -> None:
    """The far end's own process."""
    import contextlib
    import time

    import jack

    name, server_name, n_channels, channel = arguments
    client = jack.Client(name, servername=server_name, no_start_server=True, use_exact_name=True)
    outs = [client.outports.register(f"out_{i + 1}") for i in range(int(n_channels))]
    carrier = outs[int(channel) - 1]
    ear = client.inports.register("in")
    now: dict[str, Any] = {"sound": None, "start": 0, "kept": [], "first": None, "n_xruns": 0}

    @client.set_process_callback
    def process(n_frames: int) -> None:
        first = client.last_frame_time
        if now["first"] is None:
            now["first"] = first
        now["kept"].append(ear.get_array().copy())
        for out in outs:
            out.get_array().fill(0.0)
        sound, start = now["sound"], now["start"]
        if sound is None:
            return
        low = first - start
        if low >= len(sound):
            now["sound"] = None
            return
        piece = sound[max(low, 0) : max(low + n_frames, 0)]
        at = max(-low, 0)
        carrier.get_array()[at : at + len(piece)] = piece

    @client.set_xrun_callback
    def xrun(_: float) -> None:
        now["n_xruns"] += 1

    def say(**answer: Any) -> None:
        print(json.dumps(answer), flush=True)

    with client:
        say(ready=True)
        for line in sys.stdin:
            command, argument = json.loads(line)
            if command == "sound":
                lead_s, path = argument
                sound = np.load(path)
                now["start"] = client.frame_time + round(lead_s * client.samplerate)
                now["sound"] = sound
                say(start_frame=now["start"])
            elif command == "wait_connected":
                end = time.monotonic() + argument
                while not carrier.connections and time.monotonic() < end:
                    time.sleep(0.005)
                say(**({"connected": True} if carrier.connections else {"nobody_listens": True}))
            elif command == "wait_played":
                end = time.monotonic() + argument
                while now["sound"] is not None and time.monotonic() < end:
                    time.sleep(0.01)
                say(**({"played": {"n_xruns": now["n_xruns"]}} if now["sound"] is None else {"not_played": True}))
            elif command in ("plug", "unplug"):
                with contextlib.suppress(jack.JackError):
                    (client.connect if command == "plug" else client.disconnect)(*argument)
                say(**{f"{command}ged": True})
            elif command == "ports":
                say(ports=[port.name for port in client.get_ports(argument, is_audio=True)])
            elif command == "kept":
                blocks = list(now["kept"])
                np.save(argument, np.concatenate(blocks) if blocks else np.zeros(0, dtype=np.float32))
                say(first_frame=now["first"] or 0)


if __name__ == "__main__":
    _main(sys.argv[1:])
