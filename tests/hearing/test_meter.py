"""The sound check's meter and tuner against sounds whose figures are known."""

from __future__ import annotations

import numpy as np
import pytest

from tests.hearing.plucked import string
from trainer.hearing import levels, tuner

RATE = 48000.0


def tone(hz: float, size: float, seconds: float = 2.0) -> np.ndarray:
    return (size * np.sin(2 * np.pi * hz * np.arange(round(seconds * RATE)) / RATE)).astype(np.float32)


def test_levels_of_a_sine() -> None:
    found = levels(tone(110, 0.5), RATE)
    assert found.peak_db == pytest.approx(-6.02, abs=0.05)
    assert found.loud_db == pytest.approx(-9.03, abs=0.1)
    assert found.clipped_frac == 0.0


def test_levels_of_nothing() -> None:
    for sound in (np.zeros(0, np.float32), np.zeros(48000, np.float32)):
        found = levels(sound, RATE)
        assert found.peak_db == -120
        assert found.hum_hz is None


def test_clipping_shows() -> None:
    assert levels(np.clip(tone(110, 1.0), -0.5, 0.5), RATE).clipped_frac > 0.3


@pytest.mark.parametrize("mains_hz", [50.0, 60.0])
def test_hum_is_told_with_its_mains(mains_hz: float) -> None:
    noise = 1e-4 * np.random.default_rng(1).standard_normal(96000)
    found = levels((tone(mains_hz, 0.01) + tone(3 * mains_hz, 0.005) + noise).astype(np.float32), RATE)
    assert found.hum_hz == mains_hz
    assert found.hum_db == pytest.approx(20 * np.log10(np.hypot(0.01, 0.005) / np.sqrt(2)), abs=1.5)


def test_noise_is_no_hum() -> None:
    noise = 0.01 * np.random.default_rng(1).standard_normal(96000)
    assert levels(noise.astype(np.float32), RATE).hum_hz is None


@pytest.mark.parametrize("pitch", [23.0, 28.0, 33.0, 38.0, 43.0, 26.0, 28.2, 33.33, 42.85])
def test_the_tuner_is_within_three_cents(pitch: float) -> None:
    """Strings with their stiffness: the first mode is what the pitch means, the ear's period runs a cent or two
    sharp of it."""
    errors = []
    for seed in range(6):
        note = string(pitch, 1.2, RATE, np.random.default_rng(seed), bright=0.6)
        note = note + 1e-3 * np.random.default_rng(seed).standard_normal(len(note))
        reading = tuner(note[round(0.1 * RATE) :].astype(np.float32), RATE)
        assert reading.pitch is not None and reading.cents is not None and reading.doubt_cents is not None
        errors.append(100 * (reading.pitch + reading.cents / 100 - pitch))
    assert np.std(errors) <= 3.0
    assert abs(np.mean(errors)) <= 5.0


def test_the_tuner_says_nothing_of_noise_silence_and_scraps() -> None:
    noise = 0.1 * np.random.default_rng(1).standard_normal(48000).astype(np.float32)
    for sound in (noise, np.zeros(48000, np.float32), tone(110, 0.5, 0.05)):
        reading = tuner(sound, RATE)
        assert reading.pitch is None and reading.cents is None and reading.doubt_cents is None


def test_the_tuner_counts_from_the_band() -> None:
    reading = tuner(tone(110, 0.5), RATE, a4_hz=442.0)
    assert reading.pitch == 45
    assert reading.cents == pytest.approx(1200 * np.log2(440 / 442), abs=0.5)
