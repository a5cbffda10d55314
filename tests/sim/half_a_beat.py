"""How often a take is read half a beat off, by players who push, of three kinds of take.

    python tests/sim/half_a_beat.py [--takes 200] [--seed 200000]

A file from elsewhere (its beat is the file's), a take of ours whose latency is known, and one whose latency is not. Of
each kind of player: takes whose average comes out more than 0.15 of a beat from where the notes were put, or whose
swing comes out below 0.9. `pushes_tied` and `walker` served tuning, the others only count.
"""

from __future__ import annotations

import argparse
import math
import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))

from strangers import JUDGING, TUNING, Kind, eighth_early, played, take_of, timed

from trainer.scoring import score
from trainer.take import Calibration, TakeHeader

HEADERS = {
    "foreign": TakeHeader(foreign=True, profile="foreign", downbeat_from="marker"),
    "calibrated": TakeHeader(profile="keys", calibration=Calibration(0.0)),
    "uncalibrated": TakeHeader(profile="keys"),
}
KINDS: dict[str, Kind] = {
    "pushes_tied": TUNING["pushes_tied"],
    "walker": TUNING["walker"],
    "pushes_short": JUDGING["pushes_short"],
    "eighth_early": eighth_early,
    "rests_on_one": JUDGING["rests_on_one"],
    "guide_tones": JUDGING["guide_tones"],
}


def misread(kind: str, mode: str, seed: int) -> str:
    """What is wrong with the reading of one take, or nothing. The player is up to 0.08 of a beat early or late."""
    chart, rows = played(kind, seed, 4, KINDS)
    rng = np.random.default_rng(seed + 10**6)
    # The hand's own swing, which need not be the session's.
    rows = timed(rows, rng, float(rng.uniform(1.0, 2.6)))
    beat_s = 60.0 / chart.session.tempo_bpm
    late = float(rng.uniform(-0.08, 0.08))
    card = score(take_of(chart, rows, HEADERS[mode], late * beat_s))
    mean, ratio = card.timing.mean_s.value, card.swing.ratio.value
    told = []
    if not math.isnan(mean) and abs(mean / beat_s - late) > 0.15:
        told.append(f"{mean / beat_s:+.2f} beats, put {late:+.2f}")
    if not math.isnan(ratio) and ratio < 0.9:
        told.append(f"swing {ratio:.2f}")
    return ", ".join(told)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--takes", type=int, default=200)
    parser.add_argument("--seed", type=int, default=200_000)
    parser.add_argument("--show", type=int, default=0)
    options = parser.parse_args()
    for kind in KINDS:
        for mode in HEADERS:
            told = [text for i in range(options.takes) if (text := misread(kind, mode, options.seed + i))]
            print(f"{kind:14s} {mode:13s} {len(told):3d} of {options.takes} misread", *told[: options.show], sep="  ")


if __name__ == "__main__":
    main()
