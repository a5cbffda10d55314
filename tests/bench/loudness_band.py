"""Measure the loudness (ITU-R BS.1770, `pyloudnorm`) of every groove, and print the trims that make them agree.

python tests/bench/loudness_band.py            what there is now, LUFS, and how far from the aim
python tests/bench/loudness_band.py --trims [GROOVE …]    what the `Trim` of each, or of these, should hold
"""

from __future__ import annotations

import argparse

import numpy as np
import pyloudnorm

from trainer.band import arrange
from trainer.band.sound import DEFAULT_GAINS, StemRenderer, mix
from trainer.clock import TempoMap
from trainer.music import GROOVES
from trainer.music.grooves.model import TRIM_AT
from trainer.session import ChorusPlan, Session, expand

RATE_HZ = 24000
# What every groove is brought to at each intensity of `TRIM_AT`, so that a new one moves no other; our choice.
TARGET_LUFS = {
    "verse": (-30.3, -29.5, -28.9, -27.9, -26.8, -26.4, -25.6, -24.9, -23.7, -23.3, -22.2),
    "solo": (-29.9, -29.0, -27.9, -27.3, -26.4, -25.6, -24.4, -23.0, -22.3, -21.2, -20.4),
}


def loudness_lufs(
    groove: str, role: str, intensity: float, *, tempo_bpm: float | None = None, seed: int = 1, times: int = 2
) -> float:
    """Integrated loudness of the full band over `times` choruses, the ending left out."""
    facts = GROOVES[groove]
    bpm = facts.trim.bpm if tempo_bpm is None else tempo_bpm
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
    parser.add_argument("--trims", nargs="*", choices=list(GROOVES), metavar="GROOVE")
    options = parser.parse_args()
    names = options.trims or list(GROOVES)
    for role in ("verse", "solo"):
        table = np.array([[loudness_lufs(groove, role, level) for level in TRIM_AT] for groove in names])
        short = np.array(TARGET_LUFS[role]) - table
        if options.trims is not None:
            for name, row in zip(names, short, strict=True):
                trim = GROOVES[name].trim
                trims = np.array(trim.solo if role == "solo" else trim.verse) + row
                print(f"{name}: {role}=({', '.join(f'{v:.1f}' for v in trims)})")
            continue
        print(role, "LUFS at intensities", TRIM_AT)
        for name, row in zip(names, table, strict=True):
            print(f"  {name:18s}", " ".join(f"{v:6.1f}" for v in row))
        print("  farthest from aim ", " ".join(f"{v:6.2f}" for v in np.abs(short).max(axis=0)))


if __name__ == "__main__":
    main()
