"""How many simulated slips could be placed to the bar by somebody who knows exactly how the simulated player plays.

    python tests/sim/form_oracle.py [--takes 100] [--variant b] [--seed 1000] [--kinds walk solo]

The oracle is told what no scorer can know: the kind of line, the player's own stock of bars, every probability that
`players.py` draws from, and that a slip is one of the shapes that `form_slips.py` draws, with the odds it draws them
at. It weighs every possible slip of every kind against every other and against no slip at all, by the exact likelihood
of the pitches, adds up those that sound alike, and names the likeliest. No method that reads the same notes
can be right more often in the long run, so its rate bounds the rates of `form_slips.py`, which are printed beside it.

`NO_SLIP_ODDS` is the one number it does not take from the simulation: how many takes without a slip it expects for one
with one. At 1 the oracle is as eager as can be; a program that may not cry wolf has to be more careful.
"""

from __future__ import annotations

import argparse
import sys
from functools import partial
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))

from form_slips import SLIPS, chart_for, found, slip
from players import WALKS_A, WALKS_B, Player, arrays, cycle_of, heard, perform, stayed, truth

from trainer.music import Chord
from trainer.session import Chart

NO_SLIP_ODDS = (1.0, 30.0)
Step = tuple[int, int]  # (beat, displacement in beats)


class Oracle:
    """The exact likelihood of the pitches of a walk or a solo, for any path of displacements."""

    def __init__(self, chart: Chart, player: Player) -> None:
        onset, pitch, _, _ = arrays(player)
        self.chart = chart
        self.cycle = cycle_of(chart)
        self.player = player
        self.first = (chart.session.loop or (1, 0))[0]
        self.bars = [bar for bar in chart.bars if not bar.final]
        self.walks = WALKS_A if player.variant == "a" else WALKS_B
        beat = np.floor(onset + 0.15).astype(int)
        self.heard: dict[int, list[tuple[float, int]]] = {}
        for t, b, p in zip(onset, beat, pitch, strict=True):
            self.heard.setdefault(int(b), []).append((float(t - b), round(float(p)) % 12))
        # What is heard of an intended pitch class.
        self.through = np.zeros((12, 12))
        for pc in range(12):
            self.through[pc, pc] = 1.0 - player.wrong
            for step in (-2, -1, 1, 2):
                self.through[pc, (pc + step) % 12] += player.wrong / 4
        self.cache: dict[tuple[object, ...], float] = {}
        self.stayed: set[int] = set()  # beats played on the chord of the bar before

    def place(self, t: int, d: int) -> int:
        bar = self.bars[t // 4]
        return (bar.bar - self.first) * 4 + t % 4 + d

    def chords(self, t: int, d: int) -> tuple[Chord, Chord]:
        """The chord that the player has in mind on a beat, and on the next."""
        place, n = self.place(t, d), len(self.cycle)
        if t in self.stayed:
            return self.cycle[(place - 4) % n], self.cycle[(place - 4) % n]
        return self.cycle[place % n], self.cycle[(place + 1) % n]

    def mix(self, pcs: dict[int, float]) -> np.ndarray:
        out = np.zeros(12)
        for pc, share in pcs.items():
            out += share * self.through[pc % 12]
        return out

    def walk_note(self, t: int, d: int, walk: tuple[int, ...], held: bool) -> float:
        notes = self.heard.get(t)
        if not notes:
            return float(np.log(self.player.miss))
        place = self.place(t, d)
        chord, after = self.chords(t, d)
        step = walk[place % 4]
        step = 3 if chord.is_minor and step == 4 else step
        if place % 4 == 0:
            stray = 0.1 if held else 0.03
            pcs = {(chord.root_pc + step) % 12: 1.0 - stray}
            for pc in chord.pcs[1:3]:
                pcs[pc] = pcs.get(pc, 0.0) + stray / 2
        elif place % 4 == 3 and after.root_pc != chord.root_pc:
            leads = (1, -1, -2, 7) if self.player.variant == "a" else (1, -1, 2, 5)
            pcs = {(after.root_pc + lead) % 12: 0.25 for lead in leads}
        else:
            pcs = {(chord.root_pc + step) % 12: 1.0}
        share = self.mix(pcs)
        return float(np.log(1.0 - self.player.miss) + sum(np.log(share[pc] + 1e-12) for _, pc in notes[:1]))

    def solo_beat(self, t: int, d: int, held: bool) -> float:
        place = self.place(t, d)
        chord, _ = self.chords(t, d)
        scale = (0, 3, 5, 7, 10) if chord.is_minor else (0, 2, 4, 7, 9, 10)
        total = 0.0
        for at, pc in self.heard.get(t, []):
            on = at < 0.15
            free: dict[int, float] = {}
            tone = 0.85 if on else 0.6
            for c in chord.pcs:
                free[c] = free.get(c, 0.0) + tone / len(chord.pcs)
            for s in scale:
                free[(chord.root_pc + s) % 12] = free.get((chord.root_pc + s) % 12, 0.0) + (1 - tone) / len(scale)
            root = 0.0
            if on and place % 4 == 0:
                root = 0.5 if held else 0.9
            elif on and place % 4 == 2:
                root = 0.3
            pcs = {pc_: share * (1 - root) for pc_, share in free.items()}
            pcs[chord.root_pc] = pcs.get(chord.root_pc, 0.0) + root
            sharp: dict[int, float] = {}
            for pc_, share in pcs.items():
                sharp[pc_ % 12] = sharp.get(pc_ % 12, 0.0) + 0.93 * share
                sharp[(pc_ + 1) % 12] = sharp.get((pc_ + 1) % 12, 0.0) + 0.07 * share
            total += float(np.log(self.mix(sharp)[pc] + 1e-12))
        return total

    def unit(self, steps: tuple[Step, ...], held: bool) -> float:
        """Log likelihood of the beats that share one draw of the player's bar."""
        key = (steps, held)
        if key not in self.cache:
            if self.player.kind == "walk":
                each = [sum(self.walk_note(t, d, walk, held) for t, d in steps) for walk in self.walks]
                top = max(each)
                value = top + float(np.log(np.mean(np.exp(np.array(each) - top))))
            else:
                value = sum(self.solo_beat(t, d, held) for t, d in steps)
            self.cache[key] = value
        return self.cache[key]

    def window(self, path: np.ndarray, first: int, last: int) -> float:
        """Log likelihood of beats [first, last) with the player displaced by `path` (whole take) there."""
        unit: list[Step] = []
        total, held, last_root = 0.0, False, -1
        for t in range(first, last):
            d = int(path[t])
            if self.place(t, d) % 4 == 0:
                if unit:
                    total += self.unit(tuple(unit), held)
                unit = []
                root = self.chords(t, d)[0].root_pc
                held, last_root = root == last_root, root
            unit.append((t, d))
        return total + (self.unit(tuple(unit), held) if unit else 0.0)


Spans = tuple[tuple[int, int, tuple[int, ...]], ...]


def displaced(start: float, end: float, d: float, t: float) -> float:
    return d if start <= t < end else 0.0


def hypotheses(chart: Chart) -> list[tuple[str, float, float, float]]:
    """(kind, from beat, to beat, displacement) of everything that `form_slips.slip` may draw."""
    n = len(cycle_of(chart)) // 4
    out = []
    for bar in range(4, n * 4):
        for length in range(5, 13):
            out += [("skipped", 4.0 * bar, 4.0 * (bar + length), d) for d in (4.0, 4.0, 8.0)]
            out += [("repeated", 4.0 * bar, 4.0 * (bar + length), d) for d in (-4.0, -4.0, -8.0)]
            for late in (0.0, 2.0):
                at = 4.0 * bar + late
                out += [("turned round", at, at + 4.0 * length, d) for d in (-2.0, 2.0)]
        out += [("one bar", 4.0 * bar, 4.0 * bar + 4.0, d) for d in (-4.0, 4.0)]
    return out


def judge(chart: Chart, player: Player, want: Spans) -> list[bool]:
    """Whether the oracle names the slip, for each of `NO_SLIP_ODDS`."""
    oracle = Oracle(chart, player)
    n_beats = 4 * len(oracle.bars)
    still = np.zeros(n_beats)
    base: dict[tuple[int, int], float] = {}
    scores: dict[Spans, list[float]] = {}
    drawn = hypotheses(chart)
    heard_of: dict[tuple[float, float, float], Spans | None] = {}
    valid: list[tuple[str, float, float, float, Spans]] = []
    for kind, start, end, d in drawn:
        key = (start, end, d)
        if key not in heard_of:
            shown = truth(chart, partial(displaced, start, end, d))
            bars = sum(last - first + 1 for first, last, _ in shown)
            ok = bool(shown) and bars >= (1 if kind == "one bar" else 3)
            heard_of[key] = tuple(heard(chart, span) for span in shown) if ok else None
        got = heard_of[key]
        if got is not None:
            valid.append((kind, start, end, d, got))
    counts = {kind: sum(1 for v in valid if v[0] == kind) for kind in SLIPS}
    known: dict[tuple[float, float, float], float] = {}
    for kind, start, end, d, spans in valid:
        key = (start, end, d)
        if key not in known:
            first = max(0, int(start) // 4 * 4 - 8)
            last = min(n_beats, (int(end) + 3) // 4 * 4 + 8)
            path = still.copy()
            path[int(start) : int(end)] = d
            if (first, last) not in base:
                base[first, last] = oracle.window(still, first, last)
            known[key] = oracle.window(path, first, last) - base[first, last]
        scores.setdefault(spans, []).append(known[key] - float(np.log(counts[kind])))
    if chart.session.form == "quick_change_12":
        for chorus in range(5):
            t = 48 * chorus + 4
            as_is = oracle.window(still, t - 4, t + 8)
            oracle.stayed = {t, t + 1, t + 2, t + 3}
            oracle.cache.clear()
            value = oracle.window(still, t - 4, t + 8) - as_is
            oracle.stayed = set()
            oracle.cache.clear()
            span = (12 * chorus + 1, 12 * chorus + 1, -4.0)
            scores.setdefault((heard(chart, span),), []).append(value - float(np.log(5)))
    total = {spans: float(np.logaddexp.reduce(each)) for spans, each in scores.items()}
    best = max(total, key=lambda spans: total[spans])
    n_kinds = 5 if chart.session.form == "quick_change_12" else 4
    return [best == want and total[best] - float(np.log(n_kinds)) > float(np.log(odds)) for odds in NO_SLIP_ODDS]


def take(kind: str, line: str, seed: int, variant: str) -> tuple[Chart, Player, Spans]:
    """The same take as `form_slips.found` draws from this seed, and what is wrong with it."""
    rng = np.random.default_rng(seed)
    chart = chart_for(rng, "quick_change_12" if kind == "quick change" else None)
    player = Player(line, rng, variant)
    if kind == "quick change":
        chorus = int(rng.integers(1, 6))
        stayed(chart, player, chorus, 2)
        idx = (chorus - 1) * 12 + 1
        return chart, player, (heard(chart, (idx, idx, -4.0)),)
    displacement = slip(rng, chart, kind)
    perform(chart, player, displacement)
    return chart, player, tuple(heard(chart, span) for span in truth(chart, displacement))


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--takes", type=int, default=100)
    parser.add_argument("--variant", default="b")
    parser.add_argument("--seed", type=int, default=1000)
    parser.add_argument("--kinds", nargs="*", default=["walk", "solo"])
    options = parser.parse_args()
    for kind in SLIPS:
        for line in options.kinds:
            right = np.array(
                [judge(*take(kind, line, options.seed + i, options.variant)) for i in range(options.takes)]
            )
            ours = np.mean([found(kind, line, options.seed + i, options.variant)[0] for i in range(options.takes)])
            rates = "  ".join(
                f"oracle at {odds:g}:1 {100 * rate:5.1f}%"
                for odds, rate in zip(NO_SLIP_ODDS, right.mean(axis=0), strict=True)
            )
            print(f"{kind:13s} {line:6s} {rates}  the program {100 * ours:5.1f}%", flush=True)


if __name__ == "__main__":
    main()
