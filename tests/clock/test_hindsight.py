"""The audio clock with hindsight: stalls found where they are, the card's rate, and one-sided lateness passed over."""

from __future__ import annotations

import numpy as np
import pytest

from trainer.clock.hindsight import StampKeeper, frame_knots, stall_indices

RATE_HZ = 48_000.0


def run(stalls_ms: dict[int, float], *, n: int = 24_000, ppm: float = 80.0, late_ms: float = 0.3, seed: int = 1):
    """(frames, stamps, truth): stamps of a card `ppm` fast that stood still before some of its callbacks."""
    rng = np.random.default_rng(seed)
    frames = np.arange(n, dtype=np.int64) * 256
    truth = 5e12 + frames * (1e9 / RATE_HZ / (1.0 + ppm * 1e-6))
    for at, ms in stalls_ms.items():
        truth[at:] += ms * 1e6
    late = rng.exponential(late_ms * 1e6, n) * (rng.random(n) < 0.7)
    return frames, np.round(truth + late).astype(np.int64), truth


def keep(frames, stamps):
    keeper = StampKeeper(RATE_HZ)
    for frame, ns in zip(frames.tolist(), stamps.tolist(), strict=True):
        keeper.feed(frame, ns)
    return keeper.frames, keeper.sounding_ns


def host_at(knots, frame: float) -> float:
    piece = [k for k in knots if k[0] <= frame][-1] if knots[0][0] <= frame else knots[0]
    return piece[1] + (frame - piece[0]) * piece[2]


@pytest.mark.parametrize("stalls_ms", [{}, {160: 18.0}, {400: 8.0, 760: 25.0}, {240: 2.5, 12_000: 40.0}])
def test_stalls_are_found_and_the_map_is_right_between_them(stalls_ms: dict[int, float]) -> None:
    frames, stamps, truth = run(stalls_ms)
    kept = keep(frames, stamps)
    found = [kept[0][i] // 256 for i in stall_indices(*kept, RATE_HZ)]
    assert len(found) == len(stalls_ms)
    assert all(abs(at - true) <= 8 for at, true in zip(found, sorted(stalls_ms), strict=True))
    knots = frame_knots(*kept, RATE_HZ)
    error_ms = np.array([(host_at(knots, f) - t) * 1e-6 for f, t in zip(frames, truth, strict=True)])
    near = np.zeros(len(frames), dtype=bool)
    for at in stalls_ms:
        near[max(0, at - 8) : at + 8] = True
    error_ms = error_ms[~near] - np.median(error_ms)
    assert np.abs(error_ms).max() < 0.15


def test_half_an_hour_of_a_card_that_warms_up_stays_within_a_fifth_of_a_millisecond() -> None:
    frames, stamps, truth = run({}, n=336_000, late_ms=2.0)
    bend = 4e-9 * (frames / RATE_HZ) ** 2 * 1e9  # the rate moves by 14 ppm over the run
    knots = frame_knots(*keep(frames, np.round(stamps + bend).astype(np.int64)), RATE_HZ)
    at = frames[::1600]
    error_ms = np.array([host_at(knots, f) for f in at]) - (truth + bend)[::1600]
    error_ms *= 1e-6
    assert np.abs(error_ms - np.median(error_ms)).max() < 0.2


def test_the_frame_count_may_begin_afresh_and_nothing_gives_nothing() -> None:
    frames, stamps, _ = run({}, n=400)
    again = np.concatenate((frames, frames))
    later = np.concatenate((stamps, stamps + 20 * 10**9))
    assert stall_indices(again, later, RATE_HZ).tolist() == [400]
    assert frame_knots([], [], RATE_HZ) == []
