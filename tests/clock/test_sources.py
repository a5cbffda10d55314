"""Clocks: one that rises, one that is told to, and the watch over a machine that sleeps."""

from __future__ import annotations

import time

import pytest

from trainer.clock.sources import Clock, FakeClock, RealClock, SleepWatch

S = 1_000_000_000


def test_both_are_clocks() -> None:
    assert isinstance(RealClock(), Clock) and isinstance(FakeClock(), Clock)


def test_real_clock_is_the_raw_one_until_an_origin_is_asked_for() -> None:
    before = time.perf_counter_ns()
    now = RealClock().now_ns()
    assert before <= now <= time.perf_counter_ns()
    shifted = RealClock(random_origin=True, seed=4)
    assert shifted.now_ns() - time.perf_counter_ns() >= 10**14 - S
    assert shifted.from_raw_ns(shifted.to_raw_ns(123)) == 123
    assert shifted.from_raw_ns(0) == RealClock(random_origin=True, seed=4).from_raw_ns(0)


def test_real_clock_never_wakes_early() -> None:
    clock = RealClock(random_origin=True)
    for span_ns in (-5, 0, 50_000, 3_000_000):
        deadline_ns = clock.now_ns() + span_ns
        assert clock.sleep_until(deadline_ns) >= deadline_ns


def test_a_fake_clock_moves_only_on() -> None:
    clock = FakeClock(100)
    assert clock.advance(150) == 250
    assert clock.sleep_until(400) == 400
    assert clock.sleep_until(10) == 400  # a deadline that has passed
    with pytest.raises(ValueError, match="cannot go back"):
        clock.advance(-1)


def test_sleep_watch_tells_a_suspended_machine_from_a_stalled_process() -> None:
    watch = SleepWatch()
    assert watch.feed(0, 7_000 * S) is None
    assert watch.feed(S // 2, 7_000 * S + S // 2) is None
    slept = watch.feed(S, 7_600 * S)  # the host clock stood still meanwhile
    assert slept is not None and (slept.cause, slept.start_ns, slept.end_ns) == ("suspended", S // 2, S)
    stalled = watch.feed(4 * S, 7_603 * S)
    assert stalled is not None and (stalled.cause, stalled.end_ns - stalled.start_ns) == ("stalled", 3 * S)
    assert watch.feed(4 * S + 1, 7_603 * S + 1) is None


def test_a_calendar_set_back_is_no_sleep() -> None:
    watch = SleepWatch()
    watch.feed(0, 5_000 * S)
    assert watch.feed(S // 10, 1_400 * S) is None
