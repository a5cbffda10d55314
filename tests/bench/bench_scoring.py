"""What scoring costs: CPU of one take, growth with the number of notes, hits and misses against mir_eval.

    python tests/bench/bench_scoring.py

Ratios are against a named alternative in the same process; CPU seconds are this machine's.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable

import numpy as np
from mir_eval.util import match_events

from trainer.clock.tempo import TempoMap
from trainer.scoring import form, read_notes, score
from trainer.scoring.devices import find
from trainer.scoring.slots import nearest_onsets
from trainer.scoring.swing import swing
from trainer.scoring.timing import timing
from trainer.session import ChorusPlan, Session, expand
from trainer.take import Take, TakeHeader, notes_from_rows

__all__ = ["best_cpu_s", "main"]


def best_cpu_s(work: Callable[[], object], repeats: int = 7) -> float:
    """Least CPU time of a few runs, seconds."""
    best = float("inf")
    for _ in range(repeats):
        start = time.process_time()
        work()
        best = min(best, time.process_time() - start)
    return best


def song(n_choruses: int, seed: int = 1) -> Take:
    """Shuffled eighths, a triplet fill every fourth bar, busier beats between; about 1,500 notes in twelve choruses."""
    session = Session(choruses=(ChorusPlan("verse", n_choruses, (0.5,) * n_choruses),))
    chart = expand(session)
    tempo = TempoMap(chart.tempo_segments)
    rng = np.random.default_rng(seed)
    rows = []
    for bar in chart.bars:
        root = 28 + (bar.chords[0].root_pc - 28) % 12
        for beat in range(4):
            fill = bar.bar % 4 == 0
            busy = rng.random() < 0.45
            places = (0.0, 1 / 3, 2 / 3) if fill else (0.0, 0.36, 2 / 3) if busy else (0.0, 2 / 3)
            for place, step in zip(places, (0, 4, 7), strict=False):
                at = float(tempo.seconds_at(bar.onset_beats + beat + place)) + rng.normal(0.01, 0.01)
                rows.append((at, 0.15, root + step * (rng.random() < 0.4), 90))
    return Take(notes_from_rows(rows), tempo, session)


def lost_song(n_choruses: int) -> Take:
    """The same song with the player one bar ahead of the band from the third chorus to the fifth."""
    take = song(n_choruses)
    chart = expand(take.session or Session())
    beat = np.asarray(take.tempo.beats_at(take.notes["onset_s"]))
    root_pc = np.array([bar.chords[0].root_pc for bar in chart.bars])
    bar_idx = np.clip((beat // 4).astype(np.intp), 0, len(root_pc) - 2)
    notes = take.notes.copy()
    ahead = (beat >= 100.0) & (beat < 200.0)
    notes["pitch"][ahead] += (root_pc[bar_idx + 1] - root_pc[bar_idx])[ahead]
    return Take(notes, take.tempo, take.session)


def growth(sizes: list[int], costs: list[float]) -> float:
    """Exponent of cost against size, by least squares of the logarithms."""
    return float(np.polyfit(np.log(sizes), np.log(costs), 1)[0])


def eighths(n_notes: int, seed: int = 1) -> Take:
    """A foreign file of n notes, swung eighths at 120."""
    rng = np.random.default_rng(seed)
    k = np.arange(n_notes // 2)
    onset_s = np.sort(np.concatenate((0.5 * k, 0.5 * (k + 2 / 3))) + rng.normal(0.0, 0.01, 2 * len(k)))
    rows = np.zeros(len(onset_s), dtype=notes_from_rows([]).dtype)
    rows["onset_s"], rows["duration_s"], rows["pitch"], rows["velocity"] = onset_s, 0.1, 40, 90
    return Take(rows, TempoMap.constant(120.0), header=TakeHeader(foreign=True, profile="foreign"))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--largest", type=int, default=1_000_000)
    args = parser.parse_args()

    take = song(12)
    chart = expand(take.session) if take.session else None
    score(take).to_dict()
    whole = best_cpu_s(lambda: score(take).to_dict())
    print(f"twelve choruses, {len(take.notes)} notes, 576 beats, all measures: {1e3 * whole:.1f} ms of CPU")
    lost = lost_song(12)
    again = best_cpu_s(lambda: score(lost).to_dict())
    print(f"the same with the player lost for two choruses: {1e3 * again:.1f} ms of CPU")
    reading = read_notes(take, chart)
    assert chart is not None
    for name, work in (
        ("  reading", lambda: read_notes(take, chart)),
        ("  timing", lambda: timing(reading)),
        ("  swing", lambda: swing(reading)),
        ("  form", lambda: form.place(reading, chart)),
        ("  devices", lambda: find(reading, chart)),
    ):
        print(f"{name}: {1e3 * best_cpu_s(work):.1f} ms")

    for label, make, all_sizes in (
        ("with a session, all measures", lambda n: song(round(n / 122.5)), (1000, 10_000, 100_000, 1_000_000)),
        ("without a session", eighths, (1000, 3000, 10_000, 30_000, 100_000, 300_000, 1_000_000)),
    ):
        sizes, costs = [], []
        for n in all_sizes:
            if n > args.largest:
                continue
            big = make(n)
            sizes.append(len(big.notes))
            costs.append(best_cpu_s(lambda big=big: score(big), 3 if n <= 100_000 else 1))  # type: ignore[misc]
            print(f"{sizes[-1]:9d} notes: {costs[-1]:.3f} s, {1e6 * costs[-1] / sizes[-1]:.1f} µs a note")
        print(f"{label}: growth exponent {growth(sizes, costs):.2f}")

    for n_choruses in (12, 100):
        take = song(n_choruses)
        onset_s = take.notes["onset_s"].astype(np.float64)
        grid_s = np.asarray(take.tempo.seconds_at(np.arange(48.0 * n_choruses)))
        hits = int(np.count_nonzero(nearest_onsets(onset_s, grid_s, 0.05, 0.05) >= 0))
        ours = best_cpu_s(lambda g=grid_s, o=onset_s: nearest_onsets(o, g, 0.05, 0.05), 20)  # type: ignore[misc]
        theirs = best_cpu_s(lambda g=grid_s, o=onset_s: match_events(g, o, 0.05), 5)  # type: ignore[misc]
        print(
            f"hits and misses, {len(onset_s)} notes on {len(grid_s)} beats: ours {1e3 * ours:.3f} ms ({hits} hits),"
            f" mir_eval.util.match_events {1e3 * theirs:.2f} ms ({len(match_events(grid_s, onset_s, 0.05))} hits):"
            f" {theirs / ours:.0f} times"
        )


if __name__ == "__main__":
    main()
