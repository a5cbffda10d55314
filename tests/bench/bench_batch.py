"""A folder of takes scored on one core and on all: `python tests/bench/bench_batch.py [--takes 1000] [--choruses 12]`.

Takes are a stand-in player's, each with another seed, about 1,500 notes in twelve choruses. Prints the whole time,
takes a second, and whether both gave the same rows.
"""

from __future__ import annotations

import argparse
import os
import tempfile
import time

from trainer.batch import score_files
from trainer.clock import TempoMap
from trainer.line import Feel, StandIn, model_line
from trainer.session import ChorusPlan, Session, expand
from trainer.take import Take, write_take


def _children_cpu_s() -> float:
    import resource  # Linux and macOS

    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--takes", type=int, default=1000)
    options.add_argument("--choruses", type=int, default=12)
    options.add_argument("--workers", type=int, nargs="*", default=[os.cpu_count() or 1])
    chosen = options.parse_args()
    n = chosen.choruses
    plans = (ChorusPlan("verse", n // 2, (0.5,) * (n // 2)), ChorusPlan("solo", n - n // 2, (0.7,) * (n - n // 2)))
    session = Session(choruses=plans)
    chart = expand(session)
    tempo = TempoMap(chart.tempo_segments)
    lines = [
        model_line(chart, device=device, seed=1) for device in ("boogie_figure", "root_shuffle", "pentatonic_riff")
    ]
    with tempfile.TemporaryDirectory() as place:
        n_notes = 0
        for seed in range(chosen.takes):
            notes = StandIn(Feel(), seed=seed).play(lines[seed % len(lines)]).notes
            n_notes += len(notes)
            write_take(Take(notes, tempo, session), place, f"take{seed:05d}")
        print(f"{chosen.takes} takes of {n} choruses, {n_notes / chosen.takes:.0f} notes each")
        first = None
        for workers in chosen.workers:
            began, before = time.perf_counter(), _children_cpu_s()
            rows = list(score_files([place], workers=workers))
            spent_s = time.perf_counter() - began
            cpu_s = _children_cpu_s() - before
            same = "" if first is None else f", rows {'the same' if rows == first else 'DIFFERENT'}"
            first = first or rows
            n_errors = sum("error" in row for row in rows)
            print(
                f"  {workers} workers: {spent_s:6.1f} s, {chosen.takes / spent_s:5.1f} takes a second, "
                f"{cpu_s:.1f} s of the workers' CPU, {n_errors} errors{same}"
            )


if __name__ == "__main__":
    main()
