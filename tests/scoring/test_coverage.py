"""Do the 95 % intervals hold? 200 takes a cell of `tests/sim/coverage.py`, with bounds from their Monte Carlo error.

The full simulation (2,000 takes a cell, written as MIDI files and read back) is the script.
"""

from __future__ import annotations

import numpy as np
import pytest

from tests.sim.coverage import Cell, cells, coverage, mc_bound
from tests.sim.wandering import KINDS, LONG, SD_MS, holds, mean_holds, spread_holds

# Half of the cells, so that lengths, correlations, drifts and kinds of noise all occur.
CHOSEN = cells()[::2][:4] + cells()[9::2][:4]


@pytest.mark.parametrize("cell", CHOSEN, ids=lambda c: f"{c.noise}-{c.n_bars}-ar{c.ar}-drift{c.drift_ms}")
def test_intervals_cover(cell: Cell) -> None:
    got = coverage(cell, 200, seed=77)
    for name in ("mean", "swing", "drift"):
        assert got[name] >= 0.93 - mc_bound(200, 0.93, 3.0), name
    assert abs(got["mean_bias"]) < 0.5 and abs(got["drift_bias"]) < 0.5 and abs(got["swing_bias"]) < 0.01


@pytest.mark.parametrize(("bpm", "ratio"), [(200.0, 1.9), (160.0, 3.0), (120.0, 1.0)])
def test_unsteady_players_are_not_flattered_or_blamed(bpm: float, ratio: float) -> None:
    """30 ms of jitter, up to a tenth of the beat: early and late on-beats are lost alike, so nothing is biased."""
    got = coverage(Cell(bpm=bpm, ratio=ratio, sd_ms=30.0, ar=0.3, miss=0.1), 60, seed=5)
    assert abs(got["mean_bias"]) < 1.5
    assert abs(got["swing_bias"]) < 0.025 * ratio
    for name in ("mean", "swing", "drift"):
        assert got[name] >= 0.9 - mc_bound(60, 0.9, 3.0), name


def test_through_midi_files_the_figures_are_the_same() -> None:
    """Written with mido, read like anybody's file: what comes out is what the note table gives, to a tick."""
    cell = Cell(ar=0.3, drift_ms=4.0)
    by_file, by_table = coverage(cell, 6, 5, "file"), coverage(cell, 6, 5, "table")
    for name in ("mean_bias", "swing_bias", "drift_bias"):
        assert by_file[name] == pytest.approx(by_table[name], abs=0.02)


@pytest.mark.parametrize("kind", KINDS)
def test_intervals_hold_for_players_who_wander(kind: str) -> None:
    """Over takes of 64 to 384 on-beats, 60 % of the variance 1/f in an evening of 1,024 or 4,096 beats: the mean's
    interval and the drift's hold in .92, and few are told of a drift that is none."""
    takes = 120
    mean, drift, told = np.mean([holds(kind, n, takes, 8) for n in (64, 96, 192, 384)], axis=0)
    slack = mc_bound(4 * takes, 0.92, 2.0)
    assert mean >= 0.92 - slack
    assert drift >= 0.92 - slack and told <= 0.03 + slack


@pytest.mark.parametrize(("kind", "n"), LONG)
def test_the_means_interval_holds_in_a_long_take(kind: str, n: int) -> None:
    """An hour of playing is an evening of its own: who wanders has not told all by the take's end, and who does not is
    known to a seventh of the spread."""
    held, half_width_ms = mean_holds(kind, n, 150, 9)
    assert held >= 0.92 - mc_bound(150, 0.92, 2.0)
    assert half_width_ms <= (0.15 if kind == "ar1" else 0.75) * SD_MS


@pytest.mark.parametrize("n", [8, 12, 20, 50])
def test_the_spreads_interval_holds_from_eight_notes_on(n: int) -> None:
    assert spread_holds(n, 1500, 4) >= 0.93 - mc_bound(1500, 0.93, 2.0)
