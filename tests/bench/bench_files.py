"""Reading and writing takes beside `mido`, `pretty_midi` and `symusic`, on the same file in the same run.

`python tests/bench/bench_files.py [--notes 1500] [--runs 15]`: the median of the runs, and how many times ours each
takes. Ours gives paired notes with settled bends in seconds, the tempo map and the Markers; `mido` gives messages;
`pretty_midi` notes in seconds; `symusic` (C++) notes in ticks, and in 32-bit seconds.
"""

from __future__ import annotations

import argparse
import statistics
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import mido
import numpy as np
import pretty_midi
import symusic

from trainer.clock import TempoMap
from trainer.session import ChorusPlan, Session, expand
from trainer.take import Take, empty_notes, read_take, sorted_notes, write_take
from trainer.take.midi_file import parse_midi


def take_of(n_notes: int) -> Take:
    """A take of `n_notes` shuffled eighths over as many choruses as they fill, unsteady by 10 ms."""
    n_choruses = min(max(round(n_notes / 96), 1), 400)
    session = Session(choruses=(ChorusPlan("verse", n_choruses, (0.5,) * n_choruses),))
    chart = expand(session)
    tempo = TempoMap(chart.tempo_segments)
    rng = np.random.default_rng(1)
    beats = np.linspace(0.0, chart.end_beats, n_notes, endpoint=False)
    notes = empty_notes(n_notes)
    notes["onset_s"] = tempo.seconds_at(beats) + rng.normal(0.0, 0.01, n_notes)
    notes["duration_s"] = 0.15
    notes["pitch"], notes["velocity"] = rng.integers(28, 56, n_notes), rng.integers(60, 110, n_notes)
    notes["channel"] = np.arange(n_notes) % 4
    return Take(sorted_notes(notes), tempo, session)


def median_ms(job: Callable[[], object], runs: int) -> float:
    spent = []
    for _ in range(runs):
        began = time.perf_counter()
        job()
        spent.append(1000.0 * (time.perf_counter() - began))
    return statistics.median(spent)


def compare(n_notes: int, most_runs: int) -> None:
    """Print one table for a take of `n_notes`."""
    with tempfile.TemporaryDirectory() as place:
        take = take_of(n_notes)
        path = write_take(take, place, "ours")
        alone = Path(place) / "alone.mid"
        alone.write_bytes(path.read_bytes())
        data = path.read_bytes()
        runs = max(3, min(most_runs, 30_000 // n_notes * 15))
        jobs: dict[str, Callable[[], object]] = {
            "ours, a MIDI file alone": lambda: read_take(alone),
            "ours, a take with its JSON": lambda: read_take(path),
            "ours, tracks only (parse_midi)": lambda: parse_midi(data),
            "mido.MidiFile": lambda: mido.MidiFile(alone),
            "symusic.Score (ticks)": lambda: symusic.Score(str(alone)),
            "symusic.Score (seconds)": lambda: symusic.Score(str(alone), ttype="second"),
        }
        if n_notes * 6_144 / 96 < 9_000_000:  # pretty_midi refuses files of more than ten million ticks
            jobs["pretty_midi.PrettyMIDI"] = lambda: pretty_midi.PrettyMIDI(str(alone))
        spent = {name: median_ms(job, runs) for name, job in jobs.items()}
        ours = spent["ours, a MIDI file alone"]
        print(f"{n_notes} notes, {len(data) / 1000:.0f} kB, median of {runs} runs")
        for name, ms in spent.items():
            print(f"  {name:32s} {ms:9.2f} ms  {ms / ours:7.2f} × ours")
        print(f"  {'ours, writing MIDI and JSON':32s} {median_ms(lambda: write_take(take, place), 5):9.2f} ms")


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--notes", type=int, nargs="*", default=[1_500, 20_000])
    options.add_argument("--runs", type=int, default=15)
    chosen = options.parse_args()
    for n_notes in chosen.notes:
        compare(n_notes, chosen.runs)


if __name__ == "__main__":
    main()
