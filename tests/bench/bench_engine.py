"""How late the band's events go out on MIDI: the engine beside `mido.MidiFile.play()`, under the same load, in one run.

    python tests/bench/bench_engine.py [--seconds 60] [--runs 3]

Each run plays the same events twice to a JACK port, with the playing screen drawn 20 times a second on a
pseudo-terminal, scores running and (for both) an audio stream open: first by `trainer demo`, whose takes hold every
event's intended and actual moment; then by mido in the process that draws the screen. Printed: p50, p99, p99.9 in
milliseconds and their ratios, the median of the runs. Needs a `jackd` program.
"""

from __future__ import annotations

import argparse
import os
import pty
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parent.parent.parent
sys.path.insert(0, str(ROOT))

from tests.engine.on_a_terminal import on_terminal  # noqa: E402
from tests.jack_sender import JackSender  # noqa: E402
from tests.jack_server import started_server  # noqa: E402

BPM = 200


def as_mido_plays(midi_path: str, port_part: str, out_path: str) -> None:
    """In a process of its own: mido plays while this process draws the screen, as a simple front would."""
    import mido
    import rtmidi

    from trainer.ports.audio import open_audio
    from trainer.screen import ScreenState, render, repaint
    from trainer.session import default_session, expand

    port = rtmidi.MidiOut(rtmidi.API_UNIX_JACK)
    port.open_port(next(i for i, name in enumerate(port.get_ports()) if port_part in name))
    stream = open_audio(lambda first, out: out.fill(0.0))
    stream.start()
    stop = threading.Event()
    chart = expand(default_session())

    def draw() -> None:
        shown, n = None, 0
        while not stop.wait(0.05):
            n += 1
            frame = render(ScreenState(chart, at_beats=n * 0.2, lane_ms=tuple(float(k) for k in range(12))), 100, 30)
            sys.stdout.write(repaint(frame, shown))
            sys.stdout.flush()
            shown = frame

    threading.Thread(target=draw, daemon=True).start()
    late = []
    song = mido.MidiFile(midi_path)
    start, intended = time.perf_counter(), 0.0
    for message in song.play(meta_messages=True, now=time.perf_counter):
        intended += message.time
        if message.is_meta:
            continue
        if message.type == "note_on" and message.velocity:
            port.send_message(message.bytes())
            late.append(time.perf_counter() - start - intended)
        elif message.type == "note_off" or message.type == "note_on":
            port.send_message(message.bytes())
    stop.set()
    stream.close()
    np.save(out_path, np.array(late) * 1e3)


def engine_run(env: dict[str, str], seconds: float, folder: Path) -> tuple[np.ndarray, Path]:
    """Lateness in ms of every note-on that the engine sent, and the band as a MIDI file for the other side."""
    from trainer.take import read_take

    choruses = max(1, round(seconds / (12 * 4 * 60.0 / BPM)))
    song = ["--bpm", str(BPM), "--choruses", str(choruses)]
    with on_terminal(["demo", *song, "--midi-out", "judge", "--takes", str(folder)], env) as run:
        run.wait(seconds * 2 + 60)
        text = run.words
    takes = sorted(folder.glob("*.mid"))
    assert takes, text[-2000:]
    take = read_take(takes[0])
    midi = folder / "band-alone.midi"
    subprocess.run([sys.executable, "-m", "trainer", "render", *song, "--midi", str(midi)], env=env, check=True)
    return np.array(take.header.lateness["late_us"]) * 1e-3, midi


def mido_run(env: dict[str, str], midi: Path, folder: Path) -> np.ndarray:
    out = folder / "mido.npy"
    master, slave = pty.openpty()
    process = subprocess.Popen(
        [sys.executable, __file__, "--as-mido", str(midi), "judge", str(out)], env=env, stdout=slave, stderr=slave
    )
    os.close(slave)

    def drain() -> None:
        try:
            while os.read(master, 65536):
                pass
        except OSError:
            pass

    threading.Thread(target=drain, daemon=True).start()
    process.wait()
    os.close(master)
    return np.load(out)


def quantiles(late_ms: np.ndarray) -> np.ndarray:
    return np.percentile(late_ms, [50.0, 99.0, 99.9])


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--runs", type=int, default=3)
    parser.add_argument("--as-mido", nargs=3, metavar=("MIDI", "PORT", "OUT"))
    options = parser.parse_args()
    if options.as_mido:
        as_mido_plays(*options.as_mido)
        return
    ours, theirs, n = [], [], 0
    with started_server() as server, JackSender(server, "judge") as far:
        for i in range(options.runs):
            with tempfile.TemporaryDirectory() as name:
                folder = Path(name)
                env = {**server.env(), "TRAINER_LOG_DIR": name, "TRAINER_CONFIG_DIR": name}
                late, midi = engine_run(env, options.seconds, folder)
                other = mido_run(env, midi, folder)
                far.heard()
            n += len(late)
            ours.append(quantiles(late))
            theirs.append(quantiles(other))
            print(f"run {i + 1}: engine {len(late)} events {ours[-1].round(3)} ms, mido {theirs[-1].round(3)} ms")
    a, b = np.median(ours, axis=0), np.median(theirs, axis=0)
    print(f"load average {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores; {n} events, median of {options.runs} runs")
    print("            p50 ms    p99 ms  p99.9 ms")
    print(f"engine    {a[0]:8.3f}  {a[1]:8.3f}  {a[2]:8.3f}")
    print(f"mido      {b[0]:8.3f}  {b[1]:8.3f}  {b[2]:8.3f}")
    r = b / np.maximum(a, 1e-6)
    print(f"ratio     {r[0]:8.1f}  {r[1]:8.1f}  {r[2]:8.1f}   (mido over engine: larger is better for the engine)")


if __name__ == "__main__":
    main()
