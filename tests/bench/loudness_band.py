"""Measure the loudness (ITU-R BS.1770, `pyloudnorm`) of every groove, and print the trims that make them agree.

python tests/bench/loudness_band.py            what there is now, LUFS and spread
python tests/bench/loudness_band.py --trims    rows for trainer/band/balance.py
"""

from __future__ import annotations

import argparse

import numpy as np
import pyloudnorm

from trainer.band import arrange
from trainer.band.balance import TRIM_AT, trim_db
from trainer.band.sound import DEFAULT_GAINS, StemRenderer, mix
from trainer.clock import TempoMap
from trainer.music import GROOVES
from trainer.session import ChorusPlan, Session, expand

RATE_HZ = 24000
USUAL_BPM = {
    "shuffle": 112.0,
    "double_shuffle": 120.0,
    "slow_twelve_eight": 64.0,
    "two_beat": 140.0,
    "straight": 120.0,
    "rumba": 116.0,
}


def loudness_lufs(
    groove: str, role: str, intensity: float, *, tempo_bpm: float | None = None, seed: int = 1, times: int = 2
) -> float:
    """Integrated loudness of the full band over `times` choruses, the ending left out."""
    facts = GROOVES[groove]
    bpm = USUAL_BPM[groove] if tempo_bpm is None else tempo_bpm
    session = Session(
        groove=groove,
        tempo_bpm=bpm,
        swing_ratio=facts.usual_swing_ratio(bpm),
        count_in_bars=0,
        seed=seed,
        choruses=(ChorusPlan(role, times, (intensity,) * times),),
    )
    chart = expand(session)
    tempo = TempoMap(chart.tempo_segments)
    stems = StemRenderer(arrange(chart), tempo, RATE_HZ)
    out = np.empty((int(tempo.seconds_at(chart.end_beats - 4.0) * RATE_HZ), 2), dtype=np.float32)
    mix(stems.block(0, out.shape[0]), DEFAULT_GAINS, out)
    return float(pyloudnorm.Meter(RATE_HZ).integrated_loudness(out.astype(np.float64)))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--trims", action="store_true")
    options = parser.parse_args()
    for role in ("verse", "solo"):
        table = np.array([[loudness_lufs(groove, role, level) for level in TRIM_AT] for groove in GROOVES])
        target = table.mean(axis=0)
        if options.trims:
            for groove, row in zip(GROOVES, table, strict=True):
                trims = trim_db(groove, role, TRIM_AT) + target - row
                print(f'    ("{role}", "{groove}"): ({", ".join(f"{v:.1f}" for v in trims)}),')
            continue
        print(role, "LUFS at intensities", TRIM_AT)
        for groove, row in zip(GROOVES, table, strict=True):
            print(f"  {groove:18s}", " ".join(f"{v:6.1f}" for v in row))
        print("  farthest from mean", " ".join(f"{v:6.2f}" for v in np.abs(table - target).max(axis=0)))


if __name__ == "__main__":
    main()
