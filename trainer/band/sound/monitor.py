"""The player's own bass, heard while playing: one whole note at once, for the engine to mix at the note's arrival."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from trainer.band.sound.bank import instrument, within_reach

__all__ = ["MONITOR_LEVEL", "monitor_note"]

MONITOR_LEVEL = 0.50  # of full scale at velocity 127; our choice
_STEPS = 8  # of loudness; a step is under 2 dB from mezzo-piano up


@lru_cache(maxsize=96)
def _made(pitch_64ths: int, step: int, sample_rate_hz: int) -> NDArray[np.float32]:
    pitch = pitch_64ths / 64.0
    sounds = instrument("guide", sample_rate_hz)
    whole = within_reach(round(pitch), sounds)
    force = step / _STEPS
    sound = sounds[(whole, 0 if force <= 0.66 else 1, 0)]
    mono = sound.frames[:, 0].astype(np.float32) * np.float32(sound.scale)
    speed = 2.0 ** ((pitch - whole) / 12.0)
    if speed != 1.0:
        n = int((mono.size - 1) / speed)
        mono = np.interp(np.arange(n) * speed, np.arange(mono.size), mono).astype(np.float32)
    out = np.repeat((mono * np.float32(MONITOR_LEVEL * force**1.4))[:, None], 2, axis=1)
    out.setflags(write=False)
    return out


def monitor_note(pitch: float, velocity: int, sample_rate_hz: int) -> NDArray[np.float32]:
    """(n, 2) float32: the bass sound of a (possibly bent) MIDI pitch at a velocity, from its attack on.

    Read-only and remembered: the second note of a pitch and loudness costs nothing. The caller fades it at the
    release.
    """
    step = int(min(max(round(velocity / 127.0 * _STEPS), 1), _STEPS))
    return _made(round(pitch * 64.0), step, int(sample_rate_hz))
