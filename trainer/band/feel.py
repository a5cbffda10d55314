"""Small human variation of time with long-range correlation.

People's deviations from a beat are correlated over hundreds of beats: their power spectrum falls about as 1/f
(Hennig et al. 2011, PLoS ONE 6(10): e26457; exponent between white and brown, from memory). The spread used here is a
tight drummer's: far below the 19 ms that listeners accept (Hofmann, Wesolowski & Goebl 2017).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["EXPONENT", "MOST_SHIFT_S", "OWN_SD_S", "SHARED_SD_S", "long_range_noise"]

EXPONENT = 1.0  # power falls as 1/f**EXPONENT
SHARED_SD_S = 0.0020  # what the whole drum kit moves together; our choice
MOST_SHIFT_S = 0.012  # no event is moved further than this; our choice, under the published 19 ms
# Each player's own part, by limb or part; our choice: the drummer's limbs tight, the soloist loosest.
OWN_SD_S = {
    "hand": 0.0009,
    "stick": 0.0015,
    "foot": 0.0012,
    "keys": 0.0025,
    "chop": 0.0025,
    "lead": 0.0040,
    "guide": 0.0020,
}


def long_range_noise(n: int, rng: np.random.Generator, exponent: float = EXPONENT) -> NDArray[np.float64]:
    """(n,) values with mean 0, standard deviation 1 and a spectrum falling as 1/f**exponent; n < 2 gives zeros."""
    if n < 2:
        return np.zeros(max(n, 0))
    n_made = 1 << (2 * n - 1).bit_length()  # cut from a longer circle, so that the ends do not meet
    freqs = np.arange(1, n_made // 2 + 1, dtype=np.float64)
    spectrum = np.zeros(n_made // 2 + 1, dtype=np.complex128)
    spectrum[1:] = (rng.standard_normal(freqs.size) + 1j * rng.standard_normal(freqs.size)) * freqs ** (-exponent / 2.0)
    values = np.fft.irfft(spectrum, n_made)[:n]
    values -= values.mean()
    spread = float(values.std())
    return values / spread if spread > 0.0 else values
