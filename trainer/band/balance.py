"""Loudness of the grooves: trims that make them agree at equal role and intensity.

Measured with the ITU-R BS.1770 meter over two twelve-bar choruses of the full band (no guide) at each groove's usual
tempo, against the mean of all grooves; `tests/bench/loudness_band.py` measures them anew.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["TRIM_AT", "TRIM_DB", "trim_db"]

TRIM_AT = (0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0)  # intensities measured
# (role, groove) → dB at each.
TRIM_DB: dict[tuple[str, str], tuple[float, ...]] = {
    ("verse", "shuffle"): (0.2, 0.2, 0.2, 0.3, 0.4, 0.8, 0.3, 0.4, 0.5, 0.4, -0.4),
    ("verse", "double_shuffle"): (-0.8, -0.8, -0.9, -0.9, -1.1, -0.7, -0.5, -0.3, -0.1, -0.1, -0.8),
    ("verse", "slow_twelve_eight"): (1.4, 1.4, 1.3, 1.5, 1.5, 0.3, 0.3, 0.4, 0.5, 0.5, 1.2),
    ("verse", "two_beat"): (-0.7, -0.7, -0.8, -0.6, -0.4, 0.1, -0.1, 0.0, -0.3, -0.2, 0.6),
    ("verse", "straight"): (0.0, -0.1, -0.2, 0.0, -0.2, 0.4, 0.0, 0.2, 0.2, 0.1, -0.7),
    ("verse", "rumba"): (0.2, 0.2, 0.1, -0.4, -0.2, -0.5, -0.3, -0.7, -0.7, -0.8, 0.1),
    ("solo", "shuffle"): (0.0, -0.1, 0.0, 0.6, 0.6, 0.4, 0.3, 0.6, 0.6, -0.3, -0.4),
    ("solo", "double_shuffle"): (-0.7, -0.6, -0.7, -0.3, -0.5, -0.4, -0.3, 0.2, 0.2, -0.6, -0.6),
    ("solo", "slow_twelve_eight"): (1.2, 1.3, 1.3, 0.2, 0.2, 0.3, 0.0, 0.0, 0.2, 0.9, 1.0),
    ("solo", "two_beat"): (-0.7, -0.7, -0.7, -0.3, -0.2, -0.2, -0.1, -0.2, -0.2, 0.6, 0.3),
    ("solo", "straight"): (-0.4, -0.4, -0.4, 0.2, -0.1, -0.1, 0.1, 0.4, 0.3, -0.6, -0.6),
    ("solo", "rumba"): (0.5, 0.5, 0.5, -0.2, -0.2, -0.1, -0.1, -0.6, -0.8, 0.0, 0.3),
}


def trim_db(groove: str, role: str, intensity: ArrayLike) -> NDArray[np.float64]:
    """Decibels to add to a groove at intensities: (n,) in, (n,) out; 0 for a groove without a row."""
    levels = np.asarray(intensity, dtype=np.float64)
    row = TRIM_DB.get((role, groove))
    if row is None:
        return np.zeros(levels.shape)
    return np.interp(levels, TRIM_AT, row)
