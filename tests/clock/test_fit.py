"""Clock-to-clock fits, on simulated sound cards and MIDI drivers.

The dummy card of a sound server runs off the system's own clock, so a card that is off can only be simulated.
Everything is judged after its constant is removed: one-sided lateness cannot be told from latency.
"""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trainer.clock.fit import ClockFit, DriverClock, SongMap, place_messages

S = 1_000_000_000


def lateness(kind: str, n: int, rng: np.random.Generator) -> np.ndarray:
    """Seconds by which each callback is late; 2 ms of jitter each way of reading it."""
    if kind == "normal":
        return rng.normal(0.0, 0.002, n)
    if kind == "exponential":
        return rng.exponential(0.002, n)
    if kind == "even":
        return rng.uniform(0.0, 0.002, n)
    late = rng.exponential(
        0.0001, n
    )  # "stalls": steady, with the interpreter held now and then for up to a quarter second
    for start in np.flatnonzero(rng.random(n) < 0.0005):
        late[start : start + int(rng.integers(5, 40))] += rng.uniform(0.0, 0.012)
    return late


class Card:
    """A simulated sound card: frames leave at its own rate, callbacks come late, times are on a clock of its own."""

    def __init__(
        self, kind: str, *, ppm: float = 80.0, sample_rate_hz: int = 48_000, block: int = 256, seed: int = 5
    ) -> None:
        self.rng = np.random.default_rng(seed)
        self.kind, self.sample_rate_hz, self.block = kind, sample_rate_hz, block
        self.s_per_frame = 1.0 / (sample_rate_hz * (1.0 + ppm * 1e-6))
        self.lead_s = 0.0107

    def run(
        self, fit: ClockFit, span_s: float, *, dac: bool = True, start_s: float = 0.0, frame: int = 0
    ) -> np.ndarray:
        """Feed callbacks for `span_s`; rows of (true seconds since start, position error in ms), every eighth callback.

        The error is that of the fit's host time for a frame one block ahead.
        """
        n = int(span_s / (self.block * self.s_per_frame))
        late_s = lateness(self.kind, n, self.rng)
        rows = []
        for i in range(n):
            true_s = start_s + i * self.block * self.s_per_frame
            called_s = true_s - self.lead_s + late_s[i]
            now_s = called_s + 3_000.0 if dac else 0.0
            fit.feed(frame, 7_000 * S + round(called_s * 1e9), now_s + self.lead_s if dac else 0.0, now_s)
            if i % 8 == 0:
                ahead_ns = 7_000 * S + round((true_s + self.block * self.s_per_frame) * 1e9)
                rows.append((true_s, (fit.host_ns_at(frame + self.block) - ahead_ns) * 1e-6))
            frame += self.block
        return np.array(rows)


@pytest.mark.parametrize(
    ("kind", "sample_rate_hz", "block", "dac", "from_s"),
    [
        ("exponential", 48_000, 256, True, 2.0),
        ("normal", 48_000, 256, True, 2.0),
        ("even", 48_000, 256, False, 2.0),
        ("stalls", 48_000, 256, True, 2.0),
        ("exponential", 44_100, 512, False, 2.0),
        ("normal", 44_100, 1024, False, 20.0),
    ],
)
def test_a_card_80_ppm_off_with_2_ms_of_jitter_for_half_an_hour(
    kind: str, sample_rate_hz: int, block: int, dac: bool, from_s: float
) -> None:
    fit = ClockFit(sample_rate_hz, lead_s=0.0107)
    rows = Card(kind, sample_rate_hz=sample_rate_hz, block=block).run(fit, 1_800.0, dac=dac)
    at_s, error_ms = rows.T
    error_ms = error_ms - np.median(error_ms)
    # A count-in of two bars lasts at least 2 s: judged from there to the end. With 43 callbacks a second, each with
    # an SD of 2 ms, no estimate can be that good so early (0.22 ms is the standard error of their mean): judged from
    # 20 s on.
    assert np.abs(error_ms[at_s >= from_s]).max() <= 0.5
    assert len(fit.segments) == 1
    assert fit.segments[-1].rate_ppm == pytest.approx(80.0, abs=5.0)
    # The stated error is honest: within a factor of two of what it was.
    assert 0.5 <= np.std(error_ms[at_s >= 60.0]) / fit.error_ms() <= 2.0


def test_xruns_begin_segments_and_none_is_fitted_across() -> None:
    fit, card = ClockFit(48_000), Card("exponential")
    card.run(fit, 60.0)
    # The card plays nothing for 40 ms; the frames go on where they were.
    n = 60 * 48_000 // 256 * 256
    true_s = n * card.s_per_frame + 0.040
    assert fit.feed(n, 7_000 * S + round((true_s - card.lead_s) * 1e9), 10.0 + card.lead_s, 10.0, True) == "xrun"
    rows = card.run(fit, 60.0, start_s=true_s + 256 * card.s_per_frame, frame=n + 256)
    assert [segment.cause for segment in fit.segments] == ["start", "xrun"]
    error_ms = rows[:, 1] - np.median(rows[:, 1])
    assert np.abs(error_ms[rows[:, 0] > rows[0, 0] + 1.0]).max() <= 0.5  # the rate is known already
    first = fit.segments[0]
    # Frames before the glitch keep their own line.
    constant_ms = 0.5
    assert (
        abs(fit.host_ns_at(30 * 48_000) - 7_000 * S - 30 * 48_000 * card.s_per_frame * 1e9) * 1e-6 < constant_ms + 0.5
    )
    assert first.last_frame < fit.segments[1].first_frame == n


def test_a_step_that_the_driver_kept_quiet_is_found() -> None:
    fit, card = ClockFit(48_000), Card("stalls")
    card.run(fit, 40.0)
    n = 40 * 48_000 // 256 * 256
    rows = card.run(fit, 40.0, start_s=n * card.s_per_frame + 0.0053, frame=n)  # one block lost, no flag
    assert [segment.cause for segment in fit.segments] == ["start", "step"]
    after = rows[rows[:, 0] > rows[0, 0] + 5.0, 1]
    assert np.abs(after - np.median(after)).max() < 0.1
    assert abs(fit.segments[1].first_frame - n) <= 48_000


def test_frames_that_go_back_are_a_new_start() -> None:
    fit, card = ClockFit(48_000), Card("even")
    card.run(fit, 5.0)
    card.run(fit, 5.0, start_s=9.0)
    assert [segment.cause for segment in fit.segments] == ["start", "restart"]
    assert fit.frame_at(fit.host_ns_at(1_000)) == pytest.approx(1_000, abs=0.01)


def test_absurd_dac_times_fall_back_to_the_frame_count() -> None:
    fit, card = ClockFit(48_000), Card("even")
    rng = np.random.default_rng(8)
    errors = []
    for i in range(20_000):
        true_s = i * 256 * card.s_per_frame
        now_s = true_s - card.lead_s + 3_000.0
        dac_s = now_s + card.lead_s
        if i > 100 and rng.random() < 0.3:
            dac_s = float(rng.choice([0.0, -1.0, now_s - 50.0, now_s + 5_000.0, np.nan, np.inf]))
        fit.feed(i * 256, 7_000 * S + round((true_s - card.lead_s) * 1e9), dac_s, now_s)
        errors.append((fit.host_ns_at(i * 256) - 7_000 * S - true_s * 1e9) * 1e-6)
    assert np.abs(errors[1_000:]).max() < 0.05
    assert fit.n_without_dac > 5_000 and len(fit.segments) == 1


def test_lone_wild_callbacks_do_not_pull_the_fit() -> None:
    fit, card = ClockFit(48_000), Card("even")
    for i in range(10_000):
        true_s = i * 256 * card.s_per_frame
        late_s = 0.3 if i % 97 == 0 else 0.0
        fit.feed(i * 256, 7_000 * S + round((true_s + late_s) * 1e9))
    assert fit.segments[-1].rate_ppm == pytest.approx(80.0, abs=0.5)
    assert len(fit.segments) == 1


def test_before_the_first_stamp_there_is_nothing_to_read() -> None:
    fit = ClockFit(48_000)
    assert (fit.ready, fit.segments, fit.error_ms()) == (False, (), float("inf"))
    for read in (lambda: fit.host_ns_at(0), lambda: fit.frame_at(0)):
        with pytest.raises(ValueError, match="no audio callback"):
            read()
    fit.feed(0, 5 * S)
    assert fit.ready and fit.host_ns_at(48_000) == 6 * S
    assert fit.segments[0].to_dict()["cause"] == "start"


# --- MIDI driver --------------------------------------------------------------------------------------------------


def simulated_port(
    n: int = 1_500, *, ppm: float = 50.0, busy: float = 0.02, seed: int = 2, gap_s: float = 0.25
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """(true ns, arrival ns, deltas s) of n messages: a driver clock off by `ppm`, arrivals late by 0.2 ms, now and
    then by up to 20.
    """
    rng = np.random.default_rng(seed)
    true_s = np.cumsum(rng.exponential(gap_s, n))
    late_s = rng.exponential(0.0002, n) + np.where(rng.random(n) < busy, rng.uniform(0.0, 0.02, n), 0.0)
    arrival_s = np.maximum.accumulate(true_s + late_s)
    deltas_s = np.concatenate(([0.0], np.diff(true_s * (1.0 + ppm * 1e-6))))
    as_ns = lambda s: np.round(s * 1e9).astype(np.int64) + 900 * S  # noqa: E731
    return as_ns(true_s), as_ns(arrival_s), deltas_s


def placed_live(arrival_ns: np.ndarray, deltas_s: np.ndarray) -> np.ndarray:
    clock = DriverClock()
    return np.array([clock.place(int(a), float(d)) for a, d in zip(arrival_ns, deltas_s, strict=True)])


@pytest.mark.parametrize("ppm", [-80.0, 0.0, 80.0])
def test_placing_takes_the_interpreters_lateness_out(ppm: float) -> None:
    true_ns, arrival_ns, deltas_s = simulated_port(ppm=ppm, busy=0.3)
    live = placed_live(arrival_ns, deltas_s)
    hindsight = place_messages(arrival_ns, np.cumsum(deltas_s))
    before_ms = np.percentile((arrival_ns - true_ns) * 1e-6, 99)
    for placed in (live, hindsight):
        error_ms = (placed - true_ns) * 1e-6
        assert np.all(placed <= arrival_ns) and np.all(np.diff(placed) >= 0)
        assert np.percentile(np.abs(error_ms - np.median(error_ms)), 99) < 0.5 < before_ms / 10


def test_a_first_message_that_came_late_is_put_right_with_hindsight() -> None:
    true_ns, arrival_ns, deltas_s = simulated_port(50, busy=0.0)
    arrival_ns[0] += 30_000_000
    hindsight = place_messages(arrival_ns, np.cumsum(deltas_s))
    assert abs(hindsight[0] - true_ns[0]) < 1_500_000


def test_after_a_long_rest_a_note_is_placed_no_later_than_it_came() -> None:
    clock = DriverClock()
    clock.place(0, 0.0)
    rest_s = 3_600.0
    for ppm in (-150.0, 150.0):
        at_ns = clock.driver_ns + round(rest_s * (1 - ppm * 1e-6) * 1e9)
        placed = clock.place(at_ns, rest_s)
        assert placed <= at_ns and at_ns - placed < 1_300_000_000
        clock = DriverClock()
        clock.place(0, 0.0)


@pytest.mark.parametrize("lost_s", [0.015, 0.2, 3.0, 500.0])
def test_a_lost_delta_begins_a_new_origin(lost_s: float) -> None:
    true_ns, arrival_ns, deltas_s = simulated_port(400, busy=0.05)
    deltas_s[200] = max(deltas_s[200] - lost_s, 0.0) if lost_s < 1 else 0.0
    arrival_ns[200:] += round(lost_s * 1e9) if lost_s >= 1 else 0
    true_ns[200:] += round(lost_s * 1e9) if lost_s >= 1 else 0
    lost_ns = abs((true_ns[200] - true_ns[199]) - deltas_s[200] * 1e9)
    live = placed_live(arrival_ns, deltas_s)
    hindsight = place_messages(arrival_ns, np.cumsum(deltas_s))
    assert lost_ns > 5_000_000
    error_ms = (hindsight - true_ns) * 1e-6
    assert np.percentile(np.abs(error_ms), 99) < 1.5
    live_ms = (live - true_ns) * 1e-6
    assert np.percentile(np.abs(live_ms[260:]), 99) < 1.5  # live it takes a second or so to be sure


def test_nonsense_deltas_never_move_a_note_after_its_arrival() -> None:
    clock = DriverClock()
    at_ns, last = 0, 0
    for delta_s in (0.0, float("nan"), -1.0, float("inf"), 1e30, 0.1, 5_000.0, 0.1):
        at_ns += S // 10
        placed = clock.place(at_ns, delta_s)
        assert last <= placed <= at_ns
        last = placed


@settings(max_examples=200, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 3 * S), st.floats(0.0, 5.0)), max_size=80))
def test_placing_keeps_order_and_never_passes_the_arrival(rows: list[tuple[int, float]]) -> None:
    arrival = np.array(list(itertools.accumulate(gap for gap, _ in rows)), dtype=np.int64)
    deltas = np.array([delta for _, delta in rows], dtype=np.float64)
    live = placed_live(arrival, deltas)
    for placed in (live, place_messages(arrival, np.cumsum(deltas))):
        assert len(placed) == len(rows)
        assert np.all(placed <= arrival) and np.all(np.diff(placed) >= 0)


def test_lists_of_different_length_are_refused() -> None:
    with pytest.raises(ValueError, match="two lists of one length"):
        place_messages([1, 2], [0.0])


# --- song map -----------------------------------------------------------------------------------------------------


def test_song_map_by_pieces() -> None:
    song = SongMap([(20 * S, 12.0, 0.0), (10 * S, 2.0, 1.0), (30 * S, 12.0, 1.0001)])
    assert len(song) == 3
    assert song.seconds_at([9 * S, 10 * S, 15 * S, 20 * S, 25 * S, 40 * S]).tolist() == pytest.approx(
        [1.0, 2.0, 7.0, 12.0, 12.0, 22.001]
    )
    assert float(song.seconds_at(11 * S)) == 3.0
    with pytest.raises(ValueError, match="never began"):
        SongMap().seconds_at(0)
