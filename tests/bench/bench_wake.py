"""How late a thread wakes that was refused real-time scheduling: as it is, with a short slice, and spinning longer.

    setpriv --bounding-set -sys_nice --inh-caps -sys_nice python tests/bench/bench_wake.py [--rounds 6]

Every 10 ms a deadline, slept to and then spun to as `RealClock.sleep_until` does, while other programs take the
processors: three that work 6 ms in every 50, and the same with one of them never resting. The ways take turns, a few
seconds each, so that all meet the same load. Linux; with the right to real-time scheduling the figures mean nothing.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
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
LOADS = {"three in bursts": [BURSTS] * 3, "two in bursts, one never resting": [BURSTS, BURSTS, HOG]}
SPIN_NS = sources.SPIN_NS
WAYS = {"plain": (False, SPIN_NS), "short slice": (True, SPIN_NS), "short slice, spun 2 ms": (True, 2_000_000)}
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


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--rounds", type=int, default=6)
    chosen = parser.parse_args()
    print(f"{os.cpu_count()} processors; asked, the system grants: ", end="", flush=True)
    threading.Thread(target=lambda: print(here().hurry())).start()
    for name, programs in LOADS.items():
        load = [subprocess.Popen([sys.executable, "-c", program]) for program in programs]
        time.sleep(0.5)
        got: dict[str, list[int]] = {way: [] for way in WAYS}
        for _ in range(chosen.rounds):
            for way, settings in WAYS.items():
                got[way] += late_ns(*settings)
        for process in load:
            process.kill()
            process.wait()
        print(name)
        for way, rows in got.items():
            late_ms = np.array(rows) * 1e-6
            p50, p90, p99 = np.percentile(late_ms, [50.0, 90.0, 99.0])
            share = 100.0 * float(np.mean(late_ms > 0.5))
            print(f"  {way:23s} p50 {p50:6.3f}  p90 {p90:6.3f}  p99 {p99:6.3f} ms; later than 0.5 ms: {share:4.1f} %")


if __name__ == "__main__":
    main()
