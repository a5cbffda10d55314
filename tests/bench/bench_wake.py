"""How late a thread wakes that was refused real-time scheduling: as it is, with a short slice, and spinning longer.

    setpriv --bounding-set -sys_nice --inh-caps -sys_nice python tests/bench/bench_wake.py [--rounds 6]

Every 10 ms a deadline, slept to and then spun to as `RealClock.sleep_until` does, while other programs take the
processors: three that work 6 ms in every 50, and the same with one of them never resting. The ways take turns, a few
seconds each, so that all meet the same load. Linux; with the right to real-time scheduling the figures mean nothing.

Beside them a bare loop in C (`bare_wake.c`, where there is a compiler): with a short slice; with four threads, two
pinned to each of two processors, of which the first awake counts; in real time, where this program may have that.
"""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path
from time import perf_counter_ns

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from trainer.clock import sources
from trainer.clock.sources import RealClock
from trainer.system import here

BURSTS = """
import time
while True:
    end = time.perf_counter() + 0.006
    while time.perf_counter() < end:
        pass
    time.sleep(0.044)
"""
HOG = "while True: pass"
LOADS = {
    "nothing else": [],
    "one never resting": [HOG],
    "two never resting": [HOG] * 2,
    "three in bursts": [BURSTS] * 3,
    "two in bursts, one never resting": [BURSTS, BURSTS, HOG],
}
SPIN_NS = sources.SPIN_NS
WAYS = {"plain": (False, SPIN_NS), "short slice": (True, SPIN_NS), "short slice, spun 2 ms": (True, 2_000_000)}
BARE_WAYS = {"C, short slice": ("slice", 0), "C, four hands": ("slice", 4), "C, real time": ("rr", 0)}
N_DEADLINES, STEP_NS = 250, 10_000_000


def late_ns(slice_asked: bool, spin_ns: int) -> list[int]:
    """Nanoseconds after each deadline, in a thread of its own."""
    out: list[int] = []

    def work() -> None:
        if slice_asked:
            here().hurry()
        clock, due_ns = RealClock(), perf_counter_ns() + STEP_NS
        for _ in range(N_DEADLINES):
            out.append(clock.sleep_until(due_ns) - due_ns)
            due_ns += STEP_NS

    sources.SPIN_NS = spin_ns
    thread = threading.Thread(target=work)
    thread.start()
    thread.join()
    return out


def bare_late_ns(program: Path, way: str, n_hands: int) -> list[int]:
    """The same from the bare loop; none where it may not have what it asks for."""
    moments = "\n".join(str(i * STEP_NS * 1e-9) for i in range(N_DEADLINES))
    done = subprocess.run([program, way, str(n_hands)], input=moments, capture_output=True, text=True)
    return [int(line) for line in done.stdout.split()]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--rounds", type=int, default=6)
    chosen = parser.parse_args()
    print(f"{os.cpu_count()} processors; asked, the system grants: ", end="", flush=True)
    threading.Thread(target=lambda: print(here().hurry())).start()
    folder = tempfile.TemporaryDirectory()
    program = Path(folder.name) / "bare_wake"
    compiler = shutil.which("cc")
    if compiler is not None:
        source = Path(__file__).with_name("bare_wake.c")
        subprocess.run([compiler, "-O2", "-pthread", "-o", program, source], check=True)
    for name, programs in LOADS.items():
        load = [subprocess.Popen([sys.executable, "-c", text], start_new_session=True) for text in programs]
        time.sleep(0.5)
        got: dict[str, list[int]] = {way: [] for way in (*WAYS, *BARE_WAYS)}
        for _ in range(chosen.rounds):
            for way, settings in WAYS.items():
                got[way] += late_ns(*settings)
            for way, asked in BARE_WAYS.items() if compiler is not None else ():
                got[way] += bare_late_ns(program, *asked)
        for process in load:
            process.kill()
            process.wait()
        print(name)
        for way, rows in got.items():
            if not rows:
                continue
            late_ms = np.array(rows) * 1e-6
            p50, p90, p99, p999 = np.percentile(late_ms, [50.0, 90.0, 99.0, 99.9])
            share = 100.0 * float(np.mean(late_ms > 0.5))
            print(
                f"  {way:23s} p50 {p50:6.3f}  p90 {p90:6.3f}  p99 {p99:6.3f}  p99.9 {p999:6.3f} ms; "
                f"later than 0.5 ms: {share:4.1f} %",
                flush=True,
            )


if __name__ == "__main__":
    main()
