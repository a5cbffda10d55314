"""The ear over recorded basses: notes, onsets, first labels, cost, scorecards; aubio and librosa in the same run.

python tests/bench/bench_hearing.py               the table, tuned-to and other bass apart python
tests/bench/bench_hearing.py --judges      aubioonset, aubionotes, librosa (onset, pyin) beside it, on a few cases
python tests/bench/bench_hearing.py --cards       scorecards from sound beside those from the true notes

Needs the recorded notes and the tool that lays them on lines (`../shared/data/bass-audio`,
`../shared/tools/bass_lines` beside the project).
"""

from __future__ import annotations

import argparse
import csv
import importlib
import itertools
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from trainer.clock import TempoMap
from trainer.hearing import Ear, NoteHeard, refine
from trainer.scoring import score
from trainer.session import expand, load_session
from trainer.take import Take, TakeHeader, notes_from_rows

ROOT = Path(__file__).resolve().parents[2]
SHARED = ROOT.parent / "shared"
RATE_HZ = 48000
PLAIN = ("plain 60", "plain 96", "plain 132", "plain 180", "walking")
HARD = ("plain 240", "triplets 180 repeated", "triplets 240 repeated", "ring over 120 ms", "ghost notes", "hammer-ons")
WORST = ("low E-A 240 repeated", "ring over 250 ms", "slides in")
POOR = (
    "noise -50",
    "noise -40",
    "hum 50 -45",
    "hum 60 -40",
    "level -40 peak",
    "clipped 12 dB",
    "string noise -25",
    "tuned +30",
    "tuned -30",
    "five-string low",
)
SONGS = ("back-room-slow", "closing-time-minor", "last-call-walking", "rumba-on-the-steps")
JUDGED_S = 29.0
BEFORE_NEXT_S = 0.03  # the sound ends so long before a note: whatever is heard in it can be judged
WIDE_S = 0.08  # in which a way's constant is looked for
OCTAVE_LIKE = (5, 7, 12, 19, 24)


@dataclass
class Tally:
    """What is summed over cases."""

    n: int = 0
    hit: int = 0
    extra: int = 0
    right: int = 0
    octave: int = 0
    labels: int = 0
    labels_extra: int = 0
    errors_ms: list[float] = field(default_factory=list)
    pitches: list[int] = field(default_factory=list)
    velocities: list[int] = field(default_factory=list)
    refine_s: float = 0.0
    live_s: float = 0.0
    sound_s: float = 0.0

    def line(self) -> str:
        e = np.array(self.errors_ms)
        away = np.abs(e - np.median(e))
        p, v = np.array(self.pitches), np.array(self.velocities)
        cuts = np.percentile(p, [0, 33, 67, 100])
        by_pitch = [np.median(e[(p >= a) & (p <= b)]) for a, b in itertools.pairwise(cuts)]
        by_loud = [np.median(e[v <= np.median(v)]), np.median(e[v > np.median(v)])]
        return (
            f"F {2 * self.right / (self.n + self.hit + self.extra):.4f}  octave-like {self.octave} of {self.n}  "
            f"onset rSD {1.4826 * np.median(away):.2f} ms, beyond 5 ms {100 * np.mean(away > 5):.1f} %, "
            f"bias {max(np.ptp(by_pitch), np.ptp(by_loud)):.2f} ms  "
            f"first label {self.labels / self.n:.3f}, of no stroke {self.labels_extra}  "
            f"live {100 * self.live_s / self.sound_s:.1f} % of a core, "
            f"refine {self.sound_s / self.refine_s:.0f} times real time"
        )


def tools() -> tuple[Any, Any]:
    folder = SHARED / "tools" / "bass_lines"
    if not (folder / "cases.py").exists():
        sys.exit(f"found no {folder}; expected the recorded notes and their tool beside the project")
    sys.path.insert(0, str(folder))
    return importlib.import_module("cases"), importlib.import_module("score")


def first_labels(sound: np.ndarray, block: int = 96) -> tuple[list[tuple[float, float, float]], float]:
    """((onset, pitch, when it was said) in seconds, CPU seconds)."""
    ear = Ear(RATE_HZ)
    found: list[tuple[float, float, float]] = []
    began = time.process_time()
    for start in range(0, len(sound), block):
        for event in ear.feed(sound[start : start + block]):
            if isinstance(event, NoteHeard):
                found.append((event.onset_frames / RATE_HZ, event.pitch, (start + block) / RATE_HZ))
    return found, time.process_time() - began


def add(tally: Tally, sound: np.ndarray, truth: list[dict[str, Any]], cents: float, match: Any) -> None:
    began = time.process_time()
    notes = refine(sound, RATE_HZ, 440.0).notes
    tally.refine_s += time.process_time() - began
    tally.sound_s += len(sound) / RATE_HZ
    found = [{"onset": float(q["onset_s"]), "pitch": float(q["pitch"])} for q in notes if not q["dead"]]
    stats = match.stats(truth, found, cents)
    tally.n += stats["n"]
    tally.hit += stats["hit"]
    tally.extra += stats["extra"]
    tally.right += stats["ok"]
    tally.octave += sum(abs(round(float(d))) in OCTAVE_LIKE for d in stats["dp"])
    tally.errors_ms += (1e3 * stats["dt"]).tolist()
    tally.pitches += stats["p"].tolist()
    tally.velocities += [stats["tr"][i]["vel"] for i, _ in stats["idx"]]
    said, cpu_s = first_labels(sound)
    tally.live_s += cpu_s
    true = [row for row in truth if row["kind"] != "ghost"]
    heard = [{"onset": at, "pitch": pitch, "said": when} for at, pitch, when in said]
    tally.labels_extra += match.stats(truth, heard, cents)["extra"]
    for i, j in match.match(true, heard):
        pitch = true[i]["pitch"] + cents / 100
        within = 2 / (440 * 2 ** ((pitch - 69) / 12)) + 0.010
        tally.labels += abs(heard[j]["pitch"] - pitch) < 0.5 and heard[j]["said"] - true[i]["onset"] <= within


def table(basses: Sequence[str]) -> None:
    cases, match = tools()
    for bass in basses:
        print(bass)
        for name, group in (("plain", PLAIN), ("hard", HARD), ("hardest", WORST), ("poor sound", POOR)):
            whole = Tally()
            for case in group:
                sound, truth, cents = cases.case(bass, case)
                one = Tally()
                add(one, sound, truth, cents, match)
                print(f"  {case:24s} {one.line()}", flush=True)
                for key in whole.__dataclass_fields__:
                    setattr(whole, key, getattr(whole, key) + getattr(one, key))
            print(f"  = {name:22s} {whole.line()}")


def judges(basses: Sequence[str]) -> None:
    """Onset F within 50 ms and robust SD of each way, on the same sound, each way's own constant taken off first."""
    import librosa
    import soundfile

    cases, match = tools()
    for case in ("walking", "triplets 240 repeated", "ring over 120 ms", "noise -40"):
        for bass in basses:
            sound, truth, _ = cases.case(bass, case)
            truth = [row for row in truth if row["kind"] != "ghost"]
            end_s = min((row["onset"] for row in truth if row["onset"] > JUDGED_S), default=np.inf) - BEFORE_NEXT_S
            truth = [row for row in truth if row["onset"] < end_s]
            sound = sound[: round(min(end_s * RATE_HZ, len(sound)))]
            ways: dict[str, list[dict[str, float]]] = {}
            costs: dict[str, float] = {}
            began = time.process_time()
            notes = refine(sound, RATE_HZ, 440.0).notes
            costs["refine"] = time.process_time() - began
            ways["refine"] = [{"onset": q["onset_s"], "pitch": q["pitch"]} for q in notes if not q["dead"]]
            with tempfile.TemporaryDirectory() as folder:
                file = Path(folder) / "a.wav"
                soundfile.write(file, sound, RATE_HZ)
                for program in ("aubioonset", "aubionotes"):
                    text = subprocess.run([program, "-i", str(file)], capture_output=True, text=True, check=True).stdout
                    rows = [[float(x) for x in line.split()] for line in text.splitlines() if line]
                    if program == "aubioonset":
                        ways[program] = [{"onset": row[0], "pitch": np.nan} for row in rows]
                    else:
                        ways[program] = [{"onset": row[1], "pitch": row[0]} for row in rows if len(row) == 3]
            began = time.process_time()
            at = librosa.onset.onset_detect(y=sound, sr=RATE_HZ, hop_length=128, units="time")
            costs["librosa"] = time.process_time() - began
            began = time.process_time()
            f0, _, _ = librosa.pyin(sound, fmin=29, fmax=420, sr=RATE_HZ, frame_length=4096, hop_length=512)
            costs["librosa pyin"] = time.process_time() - began
            frame = np.minimum(((at + 0.06) * RATE_HZ / 512).astype(int), len(f0) - 1)
            ways["librosa onset + pyin"] = [
                {"onset": t, "pitch": float(librosa.hz_to_midi(f)) if np.isfinite(f) else np.nan}
                for t, f in zip(at, f0[frame], strict=True)
            ]
            print(f"{bass} {case}: cost in s { ({k: round(v, 1) for k, v in costs.items()}) }")
            for name, found in ways.items():
                pairs = match.match(truth, found, WIDE_S)
                late_s = float(np.median([found[j]["onset"] - truth[i]["onset"] for i, j in pairs])) if pairs else 0.0
                for row in found:
                    row["onset"] -= late_s
                pairs = match.match(truth, found)
                error = np.array([found[j]["onset"] - truth[i]["onset"] for i, j in pairs]) * 1e3
                right = sum(abs(found[j]["pitch"] - truth[i]["pitch"]) <= 0.5 for i, j in pairs)
                both = len(truth) + len(found)
                rsd = 1.4826 * np.median(np.abs(error - np.median(error))) if len(error) else np.nan
                print(
                    f"  {name:22s} onset F {2 * len(pairs) / both:.3f}  note F {2 * right / both:.3f}  "
                    f"constant {1e3 * late_s:6.2f} ms  rSD {rsd:.2f} ms",
                    flush=True,
                )


def cards(basses: Sequence[str], seeds: Sequence[int] = (11, 12, 13)) -> None:
    """Swing, mean, spread, landings from sound minus those from the true notes."""
    tools()
    render = importlib.import_module("render")
    worst: dict[str, list[float]] = {"swing %": [], "mean ms": [], "spread ms": [], "landings": []}
    for ring_s in (0.0, 0.12):
        for song in SONGS:
            session = load_session(ROOT / "sessions" / f"{song}.toml")
            tempo = TempoMap(expand(session).tempo_segments)
            with (SHARED / "data" / "bass-audio" / "lines" / f"{song}.csv").open() as handle:
                rows = [
                    (float(r["onset_s"]), float(r["duration_s"]), int(r["pitch"]), int(r["velocity"]))
                    for r in csv.DictReader(handle)
                ]
            for bass in basses:
                for seed in seeds:
                    sound, _ = render.render([(*row, "pluck") for row in rows], bass, seed=seed, ring_s=ring_s)
                    notes = refine(sound, RATE_HZ).notes
                    notes = notes[~notes["dead"]]
                    heard = [
                        (float(q["onset_s"]) - 0.5, float(q["duration_s"]), float(q["pitch"]), int(q["velocity"]))
                        for q in notes
                    ]
                    a, b = (
                        score(
                            Take(notes_from_rows(r), tempo, session, header=TakeHeader(foreign=True, profile="foreign"))
                        )
                        for r in (heard, rows)
                    )
                    assert a.timing is not None and b.timing is not None and a.swing is not None and b.swing is not None
                    assert a.landing is not None and b.landing is not None
                    differs = (
                        100 * (a.swing.ratio.value / b.swing.ratio.value - 1),
                        1e3 * (a.timing.mean_s.value - b.timing.mean_s.value),
                        1e3 * (a.timing.spread_s.value - b.timing.spread_s.value),
                        float(
                            sum(x.outcome != y.outcome for x, y in zip(a.landing.items, b.landing.items, strict=True))
                        ),
                    )
                    for key, value in zip(worst, differs, strict=True):
                        worst[key].append(value)
                    print(
                        f"{bass} {song} ring {ring_s}: swing {differs[0]:+.2f} %  mean {differs[1]:+.2f} ms  "
                        f"spread {differs[2]:+.2f} ms  landings that differ {differs[3]:.0f} of {len(b.landing.items)}",
                        flush=True,
                    )
        for key, values in worst.items():
            size = np.abs(np.array(values))
            size = size[np.isfinite(size)]
            print(f"= ring {ring_s}: {key}: median {np.median(size):.3f}, worst {size.max():.3f} of {len(size)} takes")
            values.clear()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--judges", action="store_true")
    parser.add_argument("--cards", action="store_true")
    parser.add_argument("--bass", nargs="*", default=["flat_finger", "jbass_pick"])
    options = parser.parse_args()
    if options.judges:
        judges(options.bass)
    if options.cards:
        cards(options.bass)
    if not options.judges and not options.cards:
        table(options.bass)


if __name__ == "__main__":
    main()
