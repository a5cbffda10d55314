"""How late notes go out and how exactly they come in, beside the plain way of playing a MIDI file.

    python tests/bench/bench_jitter.py [--choruses 3] [--runs 1] [--refused] [--busy N]

Ours: `trainer play` on a pseudo-terminal with its screen, figures, sound and band, over a JACK server of its own
(dummy driver, period 64); another process plays 10 notes a second into it, exact to the sample, and hears the band.
10,000 events out: `--choruses 21`, four and a half minutes a run.

Plain way: PyPI `mido`, `MidiFile.play()`, in the front: the note-ons of such a song sent through the same kind of
port by the interpreter that draws the same screen 20 times a second and fills an audio stream with blocks made
beforehand; at the same time as ours, so that both meet the same load.

Out: milliseconds after the intended moment at which a note-on was handed to the port. In: placed time of each note
against the host time at which the sender wrote it, constant removed; a port's own period (1.33 ms here) is part of it.
"Beside glitches": without the notes that the take itself excuses for lying near an under-run of the server.

`--refused`: both without the right to real-time scheduling, as for an ordinary user (Linux, `setpriv`); the server and
the far end keep theirs, as sound servers have it.

`--busy N`: beside N programs that never rest, as from another window of the desktop, instead of the plain way. "Taken
by others" is the processor time, in shares of one core, that went to neither these, ours, nor the server and the far
end.
"""

from __future__ import annotations

import argparse
import io
import json
import os
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.engine.on_a_terminal import on_terminal
from tests.jack_sender import JackSender
from tests.jack_server import JackServer, started_server

BPM = 240
FRAMES_A_SECOND = 20


def quantiles(late_ms: Any) -> dict[str, float]:
    late = np.asarray(late_ms, dtype=np.float64)  # none at all: no figures
    p50, p99, p999 = np.percentile(late, [50.0, 99.0, 99.9]).tolist() if len(late) else [np.nan] * 3
    return {"n": len(late_ms), "p50": p50, "p99": p99, "p99.9": p999}


WITHOUT_RIGHTS = ("setpriv", "--bounding-set", "-sys_nice", "--inh-caps", "-sys_nice")


def ours(
    server: JackServer, choruses: int, prefix: Sequence[str] = ()
) -> tuple[dict[str, float], dict[str, float], int]:
    """(lateness out, error in, under-runs of the server) of one run of the program."""
    from trainer.clock.fit import SongMap
    from trainer.take import read_take
    from trainer.take.notes import FLAG_GLITCH

    n_notes = int(choruses * 48 * 60 / BPM * 10)
    step_s = 0.1
    rng = np.random.default_rng(5)
    at_s = np.arange(n_notes) * step_s + rng.uniform(0.0, 0.04, n_notes)
    rows = []
    for i, on_s in enumerate(at_s.tolist()):
        rows += [(on_s, f"90{28 + i % 40:02x}50"), (on_s + 0.05, f"80{28 + i % 40:02x}00")]
    rows.sort()
    with tempfile.TemporaryDirectory() as folder, JackSender(server, "far") as far:
        env = {**server.env(), "TRAINER_CONFIG_DIR": folder, "TRAINER_LOG_DIR": folder, "XDG_DATA_HOME": folder}
        arguments = ["play", "--bpm", str(BPM), "--choruses", str(choruses), "--figures", "--midi-in", far.out_name]
        with on_terminal([*arguments, "--midi-out", "far", "--takes", folder], env, prefix) as run:
            far.wait_connected()
            run.wait_screen()
            time.sleep(1.0)
            far.play(rows)
            report = far.wait_played(choruses * 48 * 60 / BPM + 60.0)
            sent = far.sent()
            run.wait(choruses * 48 * 60 / BPM + 60.0)
        take = read_take(next(Path(folder).glob("*.mid")))
    lateness = take.header.lateness
    print(f"  scheduling of ours: {take.header.extra.get('scheduling')}")
    onsets_s = take.notes["onset_s"]
    if len(onsets_s) != n_notes:
        print(f"  ({len(onsets_s)} of {n_notes} notes lie within the song)")
    song = SongMap([(int(ns), float(s), float(rate)) for ns, s, rate in take.header.clock_map["song_map"]])
    host_ns = np.array([ns for ns, _, message in sent if message.startswith("90")][: len(onsets_s)], dtype=np.int64)
    error_ms = (onsets_s - song.seconds_at(host_ns)) * 1e3
    error_ms = np.abs(error_ms - np.median(error_ms))
    clean = take.notes["flags"] & FLAG_GLITCH == 0
    heard = {**quantiles(error_ms[clean]), "all p99": quantiles(error_ms)["p99"]}
    return quantiles(np.array(lateness["late_us"]) * 1e-3), heard, report["n_xruns"]


class Plain:
    """`mido.MidiFile.play()` in a process that also draws the screen and fills an audio stream, beside the program."""

    def __init__(self, server: JackServer, choruses: int, prefix: Sequence[str] = ()) -> None:
        from trainer.band import arrange
        from trainer.clock import TempoMap
        from trainer.session import ChorusPlan, Session, expand

        chart = expand(Session(tempo_bpm=BPM, choruses=(ChorusPlan("verse", choruses),)))
        seconds = arrange(chart).onsets_s(TempoMap(chart.tempo_segments)).tolist()
        self._far = JackSender(server, "beside")
        self._process = subprocess.Popen(
            [*prefix, sys.executable, __file__, "--front"],
            env=server.env(),
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        assert self._process.stdin is not None
        self._process.stdin.write(json.dumps(seconds))
        self._process.stdin.close()
        self._process.stdin = None

    def lateness(self) -> dict[str, float]:
        out, _ = self._process.communicate()
        self._far.close()
        return quantiles(json.loads(out.splitlines()[-1]))


class Busy:
    """Programs that never rest, each in a session of its own."""

    def __init__(self, n_programs: int, prefix: Sequence[str] = ()) -> None:
        command = [*prefix, sys.executable, "-c", "while True: pass"]
        self._programs = [subprocess.Popen(command, start_new_session=True) for _ in range(n_programs)]

    def end(self) -> None:
        for program in self._programs:
            program.kill()
            program.wait()


def used_s() -> tuple[float, float]:
    """(by the whole machine, by this process and the children it waited for): processor seconds so far (Linux)."""
    ticks = [int(word) for word in Path("/proc/stat").read_text().split("\n")[0].split()[1:9]]
    idle = ticks[3] + ticks[4]
    times = os.times()
    return (sum(ticks) - idle) / os.sysconf("SC_CLK_TCK"), sum(times[:4])


def busy_runs(n_runs: int, choruses: int, n_programs: int, prefix: Sequence[str]) -> None:
    rows = []
    for run in range(n_runs):
        before, begun = used_s(), time.monotonic()
        with started_server() as server:
            beside = Busy(n_programs, prefix)
            try:
                out, _, n_xruns = ours(server, choruses, prefix)
            finally:
                beside.end()
        whole_s, own_s = (now - then for now, then in zip(used_s(), before, strict=True))
        others_pct = 100.0 * (whole_s - own_s) / (time.monotonic() - begun)
        rows.append(out)
        shown = "  ".join(f"{key} {ms:8.3f} ms" for key, ms in out.items() if key != "n")
        print(f"run {run + 1}: n {out['n']:6.0f}  {shown}; {n_xruns} under-runs, taken by others {others_pct:.0f} %")
    medians = "  ".join(f"{key} {np.median([row[key] for row in rows]):8.3f} ms" for key in ("p50", "p99", "p99.9"))
    print(f"median of the runs: {medians}")


def front() -> None:
    """The plain way's process: intended seconds come in on standard input, late milliseconds go out."""
    import mido

    from trainer.ports.audio import list_audio, open_audio
    from trainer.ports.midi import open_output
    from trainer.screen import ScreenState, render
    from trainer.screen.frame import repaint
    from trainer.session import default_session, expand

    seconds = np.array(sorted(json.load(sys.stdin)))
    seconds -= seconds[0] - 0.5
    file = mido.MidiFile(ticks_per_beat=10_000)
    track = mido.MidiTrack()
    file.tracks.append(track)
    track.append(mido.MetaMessage("set_tempo", tempo=1_000_000))  # a tick is a tenth of a millisecond
    ticks = np.round(seconds * 1e4).astype(int)
    for i, delta in enumerate(np.diff(ticks, prepend=0).tolist()):
        track.append(mido.Message("note_on", note=40 + i % 40, velocity=64, time=delta))

    chart = expand(default_session())
    stop = threading.Event()

    def draw() -> None:
        sink, previous, begun = io.TextIOWrapper(open(os.devnull, "wb")), None, time.monotonic()  # noqa: SIM115
        while not stop.wait(1.0 / FRAMES_A_SECOND):
            lane = tuple(float(x) for x in np.random.default_rng(0).normal(0.0, 12.0, 12))
            state = ScreenState(
                chart=chart, at_beats=(time.monotonic() - begun) * 4.0 % chart.end_beats, phase="playing", lane_ms=lane
            )
            frame = render(state, 100, 30)
            sink.write(repaint(frame, previous))
            sink.flush()
            previous = frame

    block = np.random.default_rng(1).normal(0.0, 0.05, (8, 4096, 2)).astype(np.float32)

    def fill(first_frame: int, out: Any) -> None:
        at = first_frame % 2048
        np.sum(block[:, at : at + len(out)], axis=0, out=out)

    stream = open_audio(fill, ports=list_audio(fresh=True))
    port = open_output("beside")
    stream.start()
    threading.Thread(target=draw, daemon=True).start()
    late_ms = []
    begun = time.time()  # the clock that mido's play() runs by
    at_s = 0.0
    for message in file.play():
        at_s += message.time
        port.send(bytes(message.bytes()))
        late_ms.append((time.time() - begun - at_s) * 1e3)
    stop.set()
    stream.close()
    port.close()
    print(json.dumps(late_ms))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--choruses", type=int, default=3)
    parser.add_argument("--runs", type=int, default=1)
    parser.add_argument("--refused", action="store_true")
    parser.add_argument("--busy", type=int, metavar="N")
    parser.add_argument("--front", action="store_true", help=argparse.SUPPRESS)
    chosen = parser.parse_args()
    if chosen.front:
        front()
        return
    prefix = WITHOUT_RIGHTS if chosen.refused else ()
    if chosen.busy is not None:
        busy_runs(chosen.runs, chosen.choruses, chosen.busy, prefix)
        return
    rows = []
    for run in range(chosen.runs):
        with started_server() as server:  # one a run, so that other tests may have their turn between
            beside = Plain(server, chosen.choruses, prefix)
            out, heard, n_xruns = ours(server, chosen.choruses, prefix)
            other = beside.lateness()
            rows.append((out, heard, other))
            print(f"run {run + 1}: {n_xruns} under-runs of the server")
            for name, figures in (("out, ours", out), ("out, mido play()", other), ("in, beside glitches", heard)):
                shown = "  ".join(f"{key} {ms:8.3f} ms" for key, ms in figures.items() if key != "n")
                print(f"  {name:19s} n {figures['n']:6.0f}  {shown}")
    print("median of the runs, plain way / ours:")
    for key in ("p50", "p99", "p99.9"):
        mine, others = (float(np.median([row[i][key] for row in rows])) for i in (0, 2))
        print(f"  {key:6s} {others:8.3f} / {mine:8.3f} ms = {others / max(mine, 1e-9):6.1f}")


if __name__ == "__main__":
    main()
