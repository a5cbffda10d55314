"""Rows of notes as the sound of a bass, for tests beyond the ear's own."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from tests.hearing.plucked import Pluck, laid

__all__ = ["bass_line"]


def bass_line(rows: Iterable[tuple[float, float, float, int]], rate_hz: int = 48_000) -> NDArray[np.float32]:
    """(onset_s, duration_s, pitch, velocity) rows as sound, each onset at its own time: (n,)."""
    return laid([Pluck(*row) for row in rows], float(rate_hz))[0]
