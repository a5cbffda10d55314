"""One frame of the playing screen, drawn and turned into terminal output, beside a plain table printed by rich.

    python tests/bench/bench_screen.py

Prints milliseconds a frame and characters written, at three sizes, and the ratio to `rich` printing the chord and the
form as a panel and a table (without block letters). Also what `trainer --help` costs to start.
"""

from __future__ import annotations

import io
import itertools
import statistics
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from rich.console import Console
from rich.panel import Panel
from rich.table import Table

from tests.screen.states import STATES
from trainer.screen import ScreenState, render, repaint


def median_ms(action: Callable[[int], object], n: int = 200) -> float:
    times = []
    for i in range(n):
        start = time.perf_counter()
        action(i)
        times.append(time.perf_counter() - start)
    return 1000.0 * statistics.median(times)


def with_rich(state: ScreenState, width: int, height: int) -> str:
    console = Console(file=io.StringIO(), width=width, height=height, force_terminal=True, color_system="standard")
    table = Table.grid(expand=True)
    bars = state.chorus_bars
    for _ in range(4):
        table.add_column()
    for i in range(0, len(bars), 4):
        table.add_row(*(f"{bar.bar} {' '.join(c.name for c in bar.chords)}" for bar in bars[i : i + 4]))
    console.print(Panel(f"{state.span.chord.name}  next in {state.next_change.bars}"), table)
    out = console.file
    assert isinstance(out, io.StringIO)
    return out.getvalue()


def main() -> None:
    state = STATES["solo_figures"]
    for width, height in ((80, 24), (120, 40), (200, 60)):
        frames = [render(replace(state, at_beats=96.0 + 0.1 * i), width, height) for i in range(200)]

        def ours(i: int, width: int = width, height: int = height) -> object:
            return repaint(render(replace(state, at_beats=96.0 + 0.1 * i), width, height), None)

        drawn = median_ms(ours)
        other = median_ms(lambda i, w=width, h=height: with_rich(state, w, h))  # type: ignore[misc]
        changed = statistics.mean(len(repaint(b, a)) for a, b in itertools.pairwise(frames))
        print(
            f"{width}x{height}: {drawn:.2f} ms a frame, {other / drawn:.1f} times as fast as rich's table; "
            f"{changed:.0f} characters written a frame of {len(repaint(frames[0]))} in a whole one"
        )
    starts = []
    for _ in range(5):
        begin = time.perf_counter()
        subprocess.run([sys.executable, "-m", "trainer", "--help"], stdout=subprocess.DEVNULL, check=True)
        starts.append(time.perf_counter() - begin)
    print(f"trainer --help: {1000 * statistics.median(starts):.0f} ms")


if __name__ == "__main__":
    main()
