"""What the sound check of an ordinary bass says of levels, hum, noise and tuning: sounds whose figures are known."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.bass_sound import bass_line
from trainer.live.cable_check import CableCheck
from trainer.screen.tuner import tuner_rows

RATE_HZ = 48_000
Floats = NDArray[np.float32]


def strings(seconds: float = 8.0, gap_s: float = 0.0, cents: float = 0.0) -> Floats:
    """Open strings, two seconds each, let ring to the next or stopped `gap_s` before it."""
    rows = [
        (0.05 + 2.0 * i, 1.94 - gap_s, (28, 33, 38, 43)[i % 4] + cents / 100.0, 100) for i in range(round(seconds / 2))
    ]
    out = np.zeros(round(seconds * RATE_HZ), np.float32)
    line = bass_line(rows, RATE_HZ)[: len(out)]
    out[: len(line)] = line
    return out


def mains(hz: float, size: float, seconds: float = 8.0) -> Floats:
    at = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    return (size * (np.sin(2 * np.pi * hz * at) + 0.5 * np.sin(6 * np.pi * hz * at))).astype(np.float32)


def checked(sound: Floats, n_channels: int = 1, channel: int = 1) -> CableCheck:
    check = CableCheck(RATE_HZ, n_channels)
    block = np.zeros((len(sound), n_channels), np.float32)
    block[:, channel - 1] = sound
    for first in range(0, len(block), RATE_HZ // 8):
        check.feed(block[first : first + RATE_HZ // 8])
        check.reading()
    return check


@pytest.mark.parametrize(
    ("gain", "said"), [(1.0, "good level"), (40.0, "too loud: it clips"), (0.02, "too low"), (0.0, "nothing comes in")]
)
def test_a_string_that_rings_on_is_no_noise(gain: float, said: str) -> None:
    """Played without a pause: of noise nothing can be said, however loud or soft it is."""
    found = checked(np.clip(gain * strings(), -1.0, 1.0)).result()
    assert found.words[0].startswith(said) and len(found.words) == 1
    assert found.to_dict()["noise_db"] is None or not found.is_good
    assert found.is_good == (said == "good level")


@pytest.mark.parametrize("hz", [50.0, 60.0])
def test_hum_is_told_and_is_no_string(hz: float) -> None:
    """50 Hz lie 35 cents above a G, 60 Hz half way from A sharp to B: nobody is to tune to them."""
    sound = strings(gap_s=1.0, cents=-12.0) + mains(hz, 0.01)
    found = checked(sound).result()
    assert found.levels.hum_hz == hz and any(word.startswith(f"hum of {hz:g} Hz") for word in found.words)
    assert set(found.strings) == {"E1", "A1", "D2", "G2"}
    assert all(cents == pytest.approx(-12.0, abs=6.0) for cents in found.strings.values())
    alone = checked(mains(hz, 0.01))
    assert alone.reading().pitch is None and not alone.strings


def test_noise_between_the_notes_is_told() -> None:
    noise = 0.02 * np.random.default_rng(1).standard_normal(8 * RATE_HZ).astype(np.float32)
    assert any(word.startswith("noise at ") for word in checked(strings(gap_s=1.0) + noise).result().words)


@pytest.mark.parametrize("rubbish", [np.nan, np.inf])
def test_a_sample_that_is_no_number_hides_no_channel(rubbish: float) -> None:
    """One on the bass's channel, and one on another: the bass is found and its level told all the same."""
    check = CableCheck(RATE_HZ, 3)
    block = np.zeros((8 * RATE_HZ, 3), np.float32)
    block[:, 1] = strings()
    block[1000, 1:] = rubbish
    check.feed(block)
    assert check.channel == 2 and check.result().is_good


def test_the_channel_is_found_and_what_is_said_needs_no_end() -> None:
    check = checked(strings(), 18, 5)
    assert check.channel == 5 and check.words() == check.result().words


@pytest.mark.parametrize(("width", "height", "least_rows"), [(80, 20, 7), (120, 36, 14)])
def test_the_tuner_fills_its_screen_in_block_letters(width: int, height: int, least_rows: int) -> None:
    rows = tuner_rows("E1", -39.4, 0.3, width, height)
    assert len(rows) <= height and max(map(len, rows)) <= width
    assert sum("█" in row for row in rows) >= least_rows
    assert "sure to 1)" in rows[-1]
