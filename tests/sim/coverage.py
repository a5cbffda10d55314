"""Do the 95 % intervals hold? Takes are drawn from known parameters, scored, and counted.

Independent of the scorer: onsets are drawn here with numpy alone from a mean, a drift, a ratio and a noise, written as
a MIDI file with mido (`--via file`) and read back like anybody's file, or handed over as a note table (`--via table`).
The truth of each figure is a parameter, never something the scorer said.

    python -m tests.sim.coverage --takes 2000 --via file

prints, for 48 and 60 bars, independent and autocorrelated timing, with and without drift, the share of intervals that
cover the truth for the mean asynchrony, the swing ratio and the drift. Wanted: 0.93–0.97.
"""

from __future__ import annotations

import argparse
import tempfile
from dataclasses import dataclass
from pathlib import Path

import mido
import numpy as np
from numpy.typing import NDArray

from trainer.clock.tempo import TempoMap
from trainer.scoring.align import read_notes
from trainer.scoring.swing import swing
from trainer.scoring.timing import timing
from trainer.session import ChorusPlan, Session, expand
from trainer.take import Take, notes_from_rows, read_take

__all__ = ["Cell", "Drawn", "cells", "coverage", "draw", "mc_bound", "write_midi"]

TICKS = 9600


@dataclass(frozen=True)
class Cell:
    """What the takes of one cell have in common. `noise`: how lateness hangs together from note to note.

    "streams": on-beats and off-beats each an AR(1) of their own, `ar` from beat to beat; "notes": one AR(1) through all
    notes whose correlation over a whole beat is `ar`.
    """

    n_bars: int = 48
    ar: float = 0.0
    drift_ms: float = 0.0
    sd_ms: float = 14.0
    mean_ms: float = 9.0
    ratio: float = 1.9
    bpm: float = 104.0
    noise: str = "streams"
    miss: float = 0.0


@dataclass(frozen=True)
class Drawn:
    """One take: onsets in seconds (sorted), and what is true of it (ms; drift per twelve bars)."""

    onset_s: NDArray[np.float64]
    mean_ms: float
    drift_ms: float
    ratio: float


def _ar1(rng: np.random.Generator, n: int, r: float, sd: float) -> NDArray[np.float64]:
    white = rng.normal(0.0, sd * np.sqrt(1.0 - r * r), n)
    out = np.empty(n)
    last = rng.normal(0.0, sd)
    for i in range(n):
        last = out[i] = r * last + white[i] if i else last
    return out


def draw(cell: Cell, rng: np.random.Generator) -> Drawn:
    """One take of a cell. Every beat has an on-beat and a swung off-beat, but for `miss` of the off-beats."""
    n = cell.n_bars * 4
    spb_ms = 60000.0 / cell.bpm
    if cell.noise == "streams":
        e_on, e_off = _ar1(rng, n, cell.ar, cell.sd_ms), _ar1(rng, n, cell.ar, cell.sd_ms)
    else:
        e = _ar1(rng, 2 * n, np.sqrt(cell.ar), cell.sd_ms)
        e_on, e_off = e[::2], e[1::2]
    k = np.arange(n)
    trend = cell.mean_ms + cell.drift_ms * k / 48.0
    on = k * spb_ms + trend + e_on
    off = (k + cell.ratio / (1.0 + cell.ratio)) * spb_ms + trend + e_off
    off = off[rng.random(n) >= cell.miss]
    return Drawn(np.sort(np.concatenate((on, off))) / 1000.0, float(trend.mean()), cell.drift_ms, cell.ratio)


def write_midi(onset_s: NDArray[np.float64], bpm: float, path: Path, lead_beats: int = 4) -> None:
    """A one-track file with `lead_beats` of silence in front; notes of pitch 36, a Marker at the first downbeat."""
    spb = 60.0 / bpm
    at = np.rint((onset_s / spb + lead_beats) * TICKS).astype(int)
    events = [(t, mido.Message("note_on", note=36, velocity=80)) for t in at]
    # Half a short note long, so that no note runs into the next.
    events += [(t + TICKS // 20, mido.Message("note_off", note=36)) for t in at]
    events.append((lead_beats * TICKS, mido.MetaMessage("marker", text="chorus 1 verse")))
    events.sort(key=lambda pair: (pair[0], pair[1].type != "note_off"))
    track = mido.MidiTrack()
    track.append(mido.MetaMessage("set_tempo", tempo=round(60e6 / bpm)))
    last = 0
    for t, message in events:
        track.append(message.copy(time=int(t - last)))
        last = t
    song = mido.MidiFile(type=1, ticks_per_beat=TICKS)
    song.tracks.append(track)
    song.save(str(path))


def _session(cell: Cell) -> Session:
    # One bar more than is played, so that the song's last, held bar lies behind what is scored.
    n = cell.n_bars // 12 + 1
    return Session(tempo_bpm=cell.bpm, swing_ratio=2.0, choruses=(ChorusPlan("verse", n, (0.5,) * n),))


def coverage(cell: Cell, n_takes: int, seed: int, via: str = "table") -> dict[str, float]:
    """Share of takes whose interval covers the truth, by figure, and the mean bias of each estimate (ms, ratio)."""
    rng = np.random.default_rng(seed)
    session = _session(cell)
    chart = expand(session)
    hits = {"mean": 0, "swing": 0, "drift": 0}
    error = {"mean": 0.0, "swing": 0.0, "drift": 0.0}
    with tempfile.TemporaryDirectory() as folder:
        for _ in range(n_takes):
            drawn = draw(cell, rng)
            if via == "file":
                path = Path(folder) / "take.mid"
                write_midi(drawn.onset_s, cell.bpm, path)
                take = read_take(path, session=session)
            else:
                rows = [(t, 0.05, 36, 80) for t in drawn.onset_s]
                take = Take(notes_from_rows(rows), TempoMap.constant(cell.bpm), session)
            reading = read_notes(take, chart)
            t, s = timing(reading), swing(reading)
            for name, got, truth in (
                ("mean", (1e3 * t.mean_s.low, 1e3 * t.mean_s.value, 1e3 * t.mean_s.high), drawn.mean_ms),
                ("drift", (1e3 * t.drift_s.low, 1e3 * t.drift_s.value, 1e3 * t.drift_s.high), drawn.drift_ms),
                ("swing", (s.ratio.low, s.ratio.value, s.ratio.high), drawn.ratio),
            ):
                hits[name] += got[0] <= truth <= got[2]
                error[name] += got[1] - truth
    out = {name: count / n_takes for name, count in hits.items()}
    return out | {f"{name}_bias": total / n_takes for name, total in error.items()}


def mc_bound(n_takes: int, share: float = 0.95, sigmas: float = 3.5) -> float:
    """Monte Carlo error of a coverage counted over n takes: so many standard deviations of a binomial share."""
    return sigmas * float(np.sqrt(share * (1.0 - share) / n_takes))


def cells() -> list[Cell]:
    """The cells that must cover: length × correlation × drift, both kinds of noise."""
    return [
        Cell(n_bars=n_bars, ar=ar, drift_ms=drift, noise=noise, miss=miss)
        for noise, miss in (("streams", 0.0), ("notes", 0.15))
        for n_bars in (48, 60)
        for ar in (0.0, 0.3)
        for drift in (0.0, 4.0)
    ]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--takes", type=int, default=2000)
    parser.add_argument("--via", choices=("file", "table"), default="file")
    parser.add_argument("--noise", choices=("streams", "notes"))
    parser.add_argument("--seed", type=int, default=2024)
    args = parser.parse_args()
    print(f"{args.takes} takes a cell, Monte Carlo error (1 SD) {mc_bound(args.takes, sigmas=1.0):.4f}")
    print("noise    bars  ar   drift |  mean  swing drift | bias: mean ms, ratio, drift ms")
    for i, cell in enumerate(cells()):
        if args.noise and cell.noise != args.noise:
            continue
        got = coverage(cell, args.takes, args.seed + i, args.via)
        print(
            f"{cell.noise:8s} {cell.n_bars:4d} {cell.ar:4.1f} {cell.drift_ms:5.1f} |"
            f" {got['mean']:.3f} {got['swing']:.3f} {got['drift']:.3f} |"
            f" {got['mean_bias']:+.3f} {got['swing_bias']:+.4f} {got['drift_bias']:+.4f}",
            flush=True,
        )


if __name__ == "__main__":
    main()
