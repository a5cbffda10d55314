"""The other end of a MIDI cable, in a process of its own, exact to the sample.

A JACK client with one output (`NAME:out`) and one input (`NAME:in`), which writes each message at its frame and notes
the frame of each that it hears. The right judge of input and output timing: nothing of the program under test runs in
its process.

    with JackSender(server, "bass") as far:
        ...open "bass:out" as input...
        far.wait_connected()
        start = far.play([(0.0, "902864"), (0.25, "802800")])    # seconds from the first frame, message in hex
        far.wait_played()
        far.heard()          # [(host_ns, frame, "90…"), …] of what came to bass:in

Source of the method: the JACK API's `jack_midi_event_write` with a frame offset, through PyPI `JACK-Client`.
"""

from __future__ import annotations

import contextlib
import json
import subprocess
import sys
import tempfile
import threading
from collections import deque
from collections.abc import Iterable, Sequence
from queue import Empty, Queue
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:  # run as a program of its own, this file finds no package around it
    from tests.jack_server import JackServer

__all__ = ["JackSender"]

LIMIT_S = 90.0  # for what comes at once on a quiet machine


class JackSender:
    """Starts the far end's process and talks to it over a pipe."""

    _program = __file__

    def __init__(self, server: JackServer, name: str = "far", *arguments: str) -> None:
        self.name = name
        self._server = server
        self._trouble = tempfile.TemporaryFile()  # noqa: SIM115  (closed in `close`)
        self._process = subprocess.Popen(
            [sys.executable, self._program, name, server.name, *arguments],
            env=server.env(),
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=self._trouble,
            text=True,
        )
        self._answers: Queue[dict[str, Any] | None] = Queue()
        threading.Thread(target=self._read, daemon=True).start()
        try:
            self._answer("ready", LIMIT_S)
        except BaseException:
            self.close()
            raise

    def __enter__(self) -> JackSender:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    @property
    def out_name(self) -> str:
        return f"{self.name}:out"

    @property
    def in_name(self) -> str:
        return f"{self.name}:in"

    def _read(self) -> None:
        assert self._process.stdout is not None
        for line in self._process.stdout:
            self._answers.put(json.loads(line))
        self._answers.put(None)

    def _answer(self, kind: str, timeout_s: float) -> Any:
        try:
            answer = self._answers.get(timeout=timeout_s)
        except Empty:
            raise AssertionError(
                f"the far end {self.name} gave no {kind!r} within {timeout_s:g} s{self._state()}"
            ) from None
        if answer is None:
            self._answers.put(None)
            raise AssertionError(f"the far end {self.name} ended without {kind!r}{self._state()}")
        assert kind in answer, f"expected {kind!r}, got {answer}"
        return answer[kind]

    def _state(self) -> str:
        """What may be the reason for no answer, for whoever reads the failed test."""
        server = self._server.process.poll()
        self._trouble.seek(0)
        said = self._trouble.read().decode(errors="replace").strip()[-800:]
        return f"; its server {'runs' if server is None else f'has ended ({server})'}; it said: {said or 'nothing'}"

    def _ask(self, command: str, argument: Any, answer: str, timeout_s: float) -> Any:
        assert self._process.stdin is not None
        with contextlib.suppress(OSError):  # one that has ended is told of below
            self._process.stdin.write(json.dumps([command, argument]) + "\n")
            self._process.stdin.flush()
        return self._answer(answer, timeout_s)

    def wait_connected(self, timeout_s: float = LIMIT_S) -> None:
        """Until somebody listens to `out`."""
        self._ask("wait_connected", timeout_s, "connected", timeout_s + 5.0)

    def play(self, events: Iterable[tuple[float, str]], *, lead_s: float = 0.1) -> int:
        """Send messages at their seconds (rising) after `lead_s` from now; returns the first frame."""
        rows = [[seconds, message] for seconds, message in events]
        return int(self._ask("play", [lead_s, rows], "start_frame", LIMIT_S))

    def wait_played(self, timeout_s: float = 600.0) -> dict[str, Any]:
        """Until all is sent: {"n": sent, "n_late": those whose frame had passed, "n_xruns": …}."""
        report: dict[str, Any] = self._ask("wait_played", timeout_s, "played", timeout_s + 5.0)
        return report

    def answer(self, channel: int, events: Iterable[tuple[float, str]]) -> None:
        """From now on each note heard on a channel (0 to 15) is answered: messages at their seconds after it, exact to
        the sample. One that comes before the last answer has been sent is not."""
        self._ask("answer", [f"9{channel:x}", [[seconds, data] for seconds, data in events]], "answering", LIMIT_S)

    def heard(self) -> list[tuple[int, int, str]]:
        """(host_ns of the period, frame, message in hex) of what came to `in` since the last call."""
        return [tuple(row) for row in self._ask("heard", None, "heard", LIMIT_S)]

    def sent(self) -> list[tuple[int, int, str]]:
        """(host_ns, frame, message in hex) of what was written to `out` since the last call, in the frame it was
        written at.

        The dummy driver's frames fall behind the host clock at each of its under-runs, so judge what follows the host
        clock by `host_ns` (of the period, plus the message's place in it), what follows the audio clock by `frame`.
        """
        return [tuple(row) for row in self._ask("sent", None, "sent", LIMIT_S)]

    def pull(self, end: str, how: str, gap_s: float) -> None:
        """Pull what is plugged into "out" or "in" and put it back after a gap. `how`: "cable", out of the patch bay
        and in again; "port", the end itself goes, and one of the same name comes.
        """
        self._ask("pull", [end, how, gap_s], "pulled", gap_s + LIMIT_S)

    def plug(self, end: str, other: str) -> None:
        """A cable from our "out" or "in" to a port named in full, as in a patch bay."""
        self._ask("plug", [end, other], "plugged", LIMIT_S)

    def close(self) -> None:
        if self._process.stdin is not None:
            with contextlib.suppress(OSError):
                self._process.stdin.close()
        try:
            self._process.wait(timeout=5)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait(timeout=5)
        if self._process.stdout is not None:
            self._process.stdout.close()
        self._trouble.close()


def _main(arguments: Sequence[str]) -> None:
    """The far end's own process."""
    import time

    import jack

    name, server_name = arguments
    client = jack.Client(name, servername=server_name, no_start_server=True, use_exact_name=True)
    ports: dict[str, Any] = {
        "out": client.midi_outports.register("out"),
        "in": client.midi_inports.register("in"),
    }
    due: deque[tuple[int, bytes]] = deque()
    heard: deque[tuple[int, int, str]] = deque()
    sent: deque[tuple[int, int, str]] = deque()
    answers: dict[str, list[tuple[int, bytes]]] = {}
    frame_ns = 1e9 / client.samplerate
    counts = {"n": 0, "n_late": 0, "n_xruns": 0}

    @client.set_process_callback
    def process(n_frames: int) -> None:
        host_ns = time.perf_counter_ns()
        first = client.last_frame_time
        in_port, out_port = ports["in"], ports["out"]
        if in_port is not None:
            for offset, data in in_port.incoming_midi_events():
                message = bytes(data).hex()
                heard.append((host_ns, first + offset, message))
                if message[:2] in answers and message[4:] != "00" and not due:
                    due.extend((first + offset + after, reply) for after, reply in answers[message[:2]])
        if out_port is None:
            return
        out_port.clear_buffer()
        while due and due[0][0] < first + n_frames:
            frame, data = due.popleft()
            if frame < first:
                counts["n_late"] += 1
            offset = max(frame - first, 0)
            out_port.write_midi_event(offset, data)
            sent.append((host_ns + round(offset * frame_ns), first + offset, data.hex()))
            counts["n"] += 1

    @client.set_xrun_callback
    def xrun(_: float) -> None:
        counts["n_xruns"] += 1

    def say(**answer: Any) -> None:
        print(json.dumps(answer), flush=True)

    def pull(end: str, how: str, gap_s: float) -> None:
        port = ports[end]
        others = port.connections
        if how == "port":
            ports[end] = None
            time.sleep(0.01)  # the period that may still be using it
            port.unregister()
            time.sleep(gap_s)
            ports[end] = (client.midi_outports if end == "out" else client.midi_inports).register(end)
            return
        port.disconnect()
        time.sleep(gap_s)
        for other in others:
            with contextlib.suppress(jack.JackError):  # taken up again already, or gone
                plug(end, other)

    def plug(end: str, other: Any) -> None:
        client.connect(*((ports[end], other) if end == "out" else (other, ports[end])))

    with client:
        say(ready=True)
        for line in sys.stdin:
            command, argument = json.loads(line)
            if command == "wait_connected":
                end = time.monotonic() + argument
                while not ports["out"].connections and time.monotonic() < end:
                    time.sleep(0.005)
                say(**({"connected": True} if ports["out"].connections else {"nobody_listens": True}))
            elif command == "play":
                lead_s, rows = argument
                start = client.frame_time + round(lead_s * client.samplerate)
                due.extend((start + round(s * client.samplerate), bytes.fromhex(data)) for s, data in rows)
                say(start_frame=start)
            elif command == "answer":
                asked, rows = argument
                answers[asked] = [(round(s * client.samplerate), bytes.fromhex(data)) for s, data in rows]
                say(answering=True)
            elif command == "wait_played":
                end = time.monotonic() + argument
                while due and time.monotonic() < end:
                    time.sleep(0.005)
                time.sleep(0.05)
                say(**({"played": dict(counts)} if not due else {"not_played": len(due)}))
            elif command == "plug":
                plug(*argument)
                time.sleep(0.05)  # cables are there after a period or two
                say(plugged=True)
            elif command == "pull":
                pull(*argument)
                say(pulled=True)
            elif command in ("heard", "sent"):
                kept = heard if command == "heard" else sent
                say(**{command: [kept.popleft() for _ in range(len(kept))]})


if __name__ == "__main__":
    _main(sys.argv[1:])
