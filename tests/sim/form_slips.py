"""How often the form model finds simulated slips to the bar, and how often it cries wolf.

    python tests/sim/form_slips.py [--takes 100] [--variant b] [--seed 1000] [--clean 500]

Prints a line per slip and kind of line, and one for the lines of `players.py` together. Variant "a" with small seeds
served tuning; the figures to quote are variant "b". Beside the lines of `players.py`, "figures" is a solo put together
from the figures that players learn, by the program's composer, which knows nothing of the form model; its small seeds
served tuning too.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))

from players import KINDS, Player, arrays, cycle_of, heard, perform, stayed, truth

from trainer.line.song import planned_song
from trainer.scoring.form import Back, place_notes
from trainer.session import Chart, expand, session_from_dict

LINES = (*KINDS, "figures")
SLIPS = ("skipped", "repeated", "one bar", "quick change", "turned round")
KEYS = ("E", "A", "G", "C", "D", "Bb", "F", "Am", "Em", "Db")


def chart_for(rng: np.random.Generator, form: str | None = None, choruses: int = 5, role: str = "verse") -> Chart:
    form = form or str(rng.choice(["quick_change_12", "slow_change_12", "eight_bar", "sixteen_bar", "two_five_12"]))
    return expand(
        session_from_dict({"key": str(rng.choice(KEYS)), "form": form, "chorus": [{"role": role, "times": choruses}]})
    )


def slip(rng: np.random.Generator, chart: Chart, kind: str) -> Callable[[float], float]:
    """A displacement over time that can be heard (some chord differs)."""
    n = len(cycle_of(chart))
    while True:
        bar = int(rng.integers(4, n // 4 * 4))
        start = 4.0 * bar
        length = 4.0 * int(rng.integers(5, 13))
        if kind == "skipped":
            size = float(rng.choice((4, 4, 8)))
        elif kind == "repeated":
            size = float(rng.choice((-4, -4, -8)))
        elif kind == "one bar":
            size, length = float(rng.choice((-4, 4))), 4.0
        else:
            size = float(rng.choice((-2, 2)))
            start += float(rng.choice((0, 2)))

        def displacement(t: float, a: float = start, b: float = start + length, d: float = size) -> float:
            return d if a <= t < b else 0.0

        spans = truth(chart, displacement)
        bars = sum(last - first + 1 for first, last, _ in spans)
        if spans and bars >= (1 if kind == "one bar" else 3):
            return displacement


def role_of(line: str) -> str:
    return "solo" if line == "figures" else "verse"


def play(chart: Chart, player: Player, displacement: Callable[[float], float]) -> None:
    """Play the whole chart from the player's own place."""
    if player.kind == "figures":
        play_figures(chart, player, lambda t: t + displacement(t))
    else:
        perform(chart, player, displacement)


def play_figures(chart: Chart, player: Player, source: Callable[[float], float]) -> None:
    """Play a solo of figures; on each beat what was meant for the beat `source`, a chorus earlier if past the end."""
    notes = planned_song(chart, int(player.rng.integers(1 << 30))).notes
    beat = np.floor(notes["onset_beats"] + 0.01)
    last, chorus = chart.bars[-1].onset_beats, len(cycle_of(chart))
    for t in np.arange(0.0, last + 1.0):
        place = t if t == last else source(t) - chorus * (source(t) >= last)
        for note in notes[beat == place]:
            at, length = t + note["onset_beats"] - place, float(note["duration_beats"])
            player.add(float(at), float(note["pitch"]), length, float(note["velocity"]))


def found(kind: str, line: str, seed: int, variant: str) -> tuple[bool, bool, bool, str]:
    """(span exact, recovery exact, cause right, what happened) of one simulated take."""
    rng = np.random.default_rng(seed)
    chart = chart_for(rng, "quick_change_12" if kind == "quick change" else None, role=role_of(line))
    player = Player(line, rng, variant)
    if kind == "quick change":
        chorus = int(rng.integers(1, 6))
        idx = (chorus - 1) * 12 + 1
        if line == "figures":
            play_figures(chart, player, lambda t: t - 4.0 * (t // 4 == idx))
        else:
            stayed(chart, player, chorus, 2)
        spans = [(idx, idx, -4.0)]
        cause = "missed quick change"
    else:
        displacement = slip(rng, chart, kind)
        play(chart, player, displacement)
        spans = truth(chart, displacement)
        cause = {"turned round": "turned round"}.get(kind, "skipped" if spans[0][2] > 0 else "repeated")
        first_bar = chart.bars[spans[0][0]]
        quick = chart.session.form in ("quick_change_12", "two_five_12") and first_bar.bar == 2
        if kind == "one bar" and quick:
            cause = "missed quick change"
    onset, pitch, _, _ = arrays(player)
    lost = place_notes(chart, onset, pitch).spans
    got = [(span.first_idx, span.last_idx, span.place_beats) for span in lost]
    want = spans
    exact = [heard(chart, span) for span in got] == [heard(chart, span) for span in want]
    after = chart.bars[spans[-1][1] + 1]  # a slip up to the last, held tonic has nowhere to come back
    home = None if after.final else Back(after.chorus, after.bar, after.onset_beats)
    recovered = bool(lost) and lost[-1].back == home
    causes = bool(lost) and lost[0].cause == cause
    where = f"{chart.session.form} want {want} got {got} {[s.cause for s in lost]}"
    return exact, recovered, causes, where


def clean(line: str, seed: int, variant: str) -> tuple[int, str]:
    """(false alarms, what) in one clean take of five choruses, with pedals, runs, octave shifts and drop-outs in it."""
    rng = np.random.default_rng(seed)
    form = str(rng.choice(["quick_change_12", "slow_change_12", "eight_bar", "sixteen_bar", "two_five_12", "minor_12"]))
    plain = chart_for(rng, form, role=role_of(line))
    n_bars = len(plain.form_chords)
    data = plain.session.to_dict()
    at = int(rng.integers(5, n_bars - 1))
    data["drop_out"] = [{"chorus": 2, "bars": [at, at + 1]}]
    planned = int(rng.integers(1, n_bars - 4))
    data["pedal"] = [{"chorus": 3, "bars": [planned, planned + 3]}]
    chart = expand(session_from_dict(data))
    player = Player(line, rng, variant)
    play(chart, player, lambda t: 0.0)
    tonic = chart.key.tonic_pc
    rows = player.rows

    def replace(first: float, last: float, new: list[tuple[float, float, float, float]]) -> None:
        rows[:] = [row for row in rows if not first - 0.2 <= row[0] < last - 0.2] + new

    def pedal(first: float, last: float, pc: int) -> None:
        pitch = player.low(pc)
        replace(first, last, [(t + 0.01, pitch, 0.8, 84.0) for t in np.arange(first, last)])

    start = 4.0 * (2 * n_bars + planned - 1)
    pedal(start, start + 16.0, tonic if rng.random() < 0.7 else (tonic + 7) % 12)
    if line != "roots":  # an unplanned pedal; a line of roots has no other look for a held root (§5: a question)
        bar = int(rng.integers(4, n_bars - 3))
        pc = tonic if rng.random() < 0.5 else (tonic + 7) % 12
        start = 4.0 * (3 * n_bars + bar)
        pedal(start, start + 12.0, pc)
    for _ in range(4):  # chromatic runs of two beats or a bar into a root, clear of the pedals
        bar = int(rng.integers(1, 2 * n_bars))
        beats = float(rng.choice((2, 4)))
        end = 4.0 * bar
        root = player.low(chart.bars[bar].chords[0].root_pc)
        way = float(rng.choice((-1, 1)))
        count = round(beats * 2)
        replace(end - beats, end, [(end - 0.5 * k, root + way * k, 0.4, 84.0) for k in range(count, 0, -1)])
    for _ in range(3):  # a bar or two up an octave
        bar = int(rng.integers(0, 5 * n_bars - 2))
        rows[:] = [(t, p + 12 if 4 * bar <= t + 0.2 < 4 * bar + 8 else p, d, v) for t, p, d, v in rows]
    bar = int(rng.integers(2, 4 * n_bars))
    replace(4.0 * bar, 4.0 * bar + float(rng.choice((4, 8))), [])  # the player lays out
    onset, pitch, _, _ = arrays(player)
    lost = place_notes(chart, onset, pitch).spans
    return len(lost), f"{form} {[(s.first_idx, s.last_idx, s.place_beats, s.cause) for s in lost]}"


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--takes", type=int, default=100)
    parser.add_argument("--clean", type=int, default=500, help="clean choruses per kind of line")
    parser.add_argument("--lines", nargs="*", default=LINES)
    parser.add_argument("--variant", default="b")
    parser.add_argument("--seed", type=int, default=1000)
    parser.add_argument("--show", type=int, default=0)
    options = parser.parse_args()
    for kind in SLIPS:
        every: list[list[float]] = []
        for line in options.lines:
            results = [found(kind, line, options.seed + i, options.variant) for i in range(options.takes)]
            rates = [100.0 * float(np.mean([r[k] for r in results])) for k in range(3)]
            every += [rates] if line in KINDS else []
            print(f"{kind:13s} {line:6s} span {rates[0]:5.1f}%  recovery {rates[1]:5.1f}%  cause {rates[2]:5.1f}%")
            for result in [r for r in results if not r[0]][: options.show]:
                print("      ", result[3])
        if every:
            rates = [float(rate) for rate in np.mean(every, axis=0)]
            print(
                f"{kind:13s} of {len(every)}   span {rates[0]:5.1f}%  recovery {rates[1]:5.1f}%  cause {rates[2]:5.1f}%"
            )
    for line in options.lines:
        alarms = [clean(line, options.seed + i, options.variant) for i in range(max(1, options.clean // 5))]
        print(f"clean         {line:6s} false alarms {sum(a[0] for a in alarms)} in {5 * len(alarms)} choruses")
        for alarm in [a for a in alarms if a[0]][: options.show]:
            print("      ", alarm[1])


if __name__ == "__main__":
    main()
