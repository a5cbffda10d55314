"""A band that listens: it follows the player a bar later, and the take says exactly what was played."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from trainer.band import PARTS, arrange
from trainer.band.events import BandScore
from trainer.band.listening import REACH, Listener
from trainer.band.sound import StemRenderer
from trainer.clock.sources import FakeClock
from trainer.clock.tempo import TempoMap
from trainer.clock.transport import HostRuler, Transport
from trainer.engine.core import chart_marks, song_events
from trainer.engine.record import band_notes
from trainer.engine.render import Level, Work, _Renderer
from trainer.engine.ring import BLOCK_FRAMES, Geometry
from trainer.live import play_offline
from trainer.ports.memory import MemoryMidiOut
from trainer.scoring import score
from trainer.session import ChorusPlan, Session, expand
from trainer.system import here
from trainer.take import read_take, write_take

SESSION = Session(
    tempo_bpm=120.0,
    choruses=(ChorusPlan("verse", 1, (0.5,)), ChorusPlan("solo", 1, (0.5,)), ChorusPlan("verse", 1, (0.5,))),
    count_in_bars=1,
    listen=True,
)
CHART = expand(SESSION)
TEMPO = TempoMap(CHART.tempo_segments)


def bars_of(how: dict[int, tuple[int, int, int]]) -> list[tuple[float, bytes]]:
    """Messages: four roots a bar, or (notes, pitch, velocity) for the bars named; (0, …) is a silent bar."""
    rows = []
    for bar in CHART.bars:
        n, pitch, velocity = how.get(bar.idx, (4, 40, 80))
        for k in range(n):
            onset_s = float(TEMPO.seconds_at(bar.onset_beats + 4.0 * k / n))
            rows += [(onset_s, bytes((0x90, pitch, velocity))), (onset_s + 0.05, bytes((0x80, pitch, 0)))]
    return rows


OPEN = dict.fromkeys(range(12, 24), (8, 52, 110))


def intensities(how: dict[int, tuple[int, int, int]], session: Session = SESSION) -> np.ndarray[Any, Any]:
    take = play_offline(session, bars_of(how))
    return np.array(take.header.extra["intensities"])


def test_it_opens_up_when_the_player_does_with_a_bars_delay_and_within_its_bounds() -> None:
    levels = intensities(OPEN)
    assert len(levels) == len(CHART.bars)
    assert (levels[:14] == 0.5).all()  # bar 12 (from 0) is heard, bar 14 answers it
    assert levels[14] > 0.55
    assert levels[14] < levels[16] <= 0.5 + REACH
    back = intensities({**OPEN, **dict.fromkeys(range(24, 36), (2, 28, 50))})
    assert back[30] < 0.45
    assert np.abs(back - 0.5).max() <= REACH + 1e-9


@pytest.mark.parametrize(("how", "sign"), [((8, 40, 80), 1), ((4, 52, 80), 1), ((4, 40, 110), 1), ((2, 40, 80), -1),
                                           ((4, 28, 80), -1), ((4, 40, 50), -1)])  # fmt: skip
def test_density_height_and_loudness_each_count(how: tuple[int, int, int], sign: int) -> None:
    levels = intensities(dict.fromkeys(range(12, 16), how))
    assert sign * (levels[17] - 0.5) > 0.03


def test_a_player_who_does_not_change_or_does_not_play_is_given_the_plan() -> None:
    for how in ({}, dict.fromkeys(range(36), (0, 0, 0))):
        assert (intensities(how) == 0.5).all()


def test_without_listening_nothing_changes_and_nothing_is_kept() -> None:
    take = play_offline(replace(SESSION, listen=False), bars_of(OPEN))
    assert "intensities" not in take.header.extra
    np.testing.assert_array_equal(take.band["velocity"], band_notes(arrange(CHART), TEMPO)["velocity"])


def test_the_take_holds_the_bands_intended_times_as_they_were_sent(tmp_path: Path) -> None:
    sent: list[MemoryMidiOut] = []

    def output(clock: FakeClock) -> MemoryMidiOut:
        sent.append(MemoryMidiOut(clock))
        return sent[0]

    take = play_offline(SESSION, bars_of(OPEN), midi_out=output)
    plan = band_notes(arrange(CHART), TEMPO)
    assert len(take.band) > 1.02 * len(plan)  # it did play more than was planned
    strokes = [(ns, data) for ns, data in sent[0].sent if data[0] & 0xF0 == 0x90 and data[2] > 0]
    assert len(strokes) == len(take.band)
    zero_s = strokes[0][0] * 1e-9 - take.band["onset_s"].min()
    heard = sorted((round(ns * 1e-9 - zero_s, 5), data[0] & 15, data[1], data[2]) for ns, data in strokes)
    meant = sorted((round(float(n["onset_s"]), 5), int(n["channel"]), round(float(n["pitch"])), int(n["velocity"]))
                   for n in take.band)  # fmt: skip
    for one, other in zip(heard, meant, strict=True):
        assert one[0] == pytest.approx(other[0], abs=3e-5)
    assert sorted(row[1:] for row in heard) == sorted(row[1:] for row in meant)
    again = read_take(write_take(take, tmp_path))
    assert again.header.extra["intensities"] == take.header.extra["intensities"]
    np.testing.assert_allclose(again.band["onset_s"], take.band["onset_s"], atol=1e-6)


def test_build_is_judged_by_what_the_band_played() -> None:
    """Four choruses of one planned intensity: by plan nothing could be said of the build; the band did rise."""
    session = replace(SESSION, choruses=tuple(ChorusPlan("solo", 1, (0.5,)) for _ in range(4)))
    chart = expand(session)
    rows = []
    for bar in chart.bars:
        n, velocity = 2 + 2 * (bar.chorus - 1), 60 + 12 * bar.chorus
        for k in range(n):
            at_s = float(TEMPO.seconds_at(bar.onset_beats + 4.0 * k / n))
            pitch = bar.chords[0].root_pc + 24 + 3 * bar.chorus
            rows += [(at_s, bytes((0x90, pitch, velocity))), (at_s + 0.05, bytes((0x80, pitch, 0)))]
    listened = score(play_offline(session, rows)).to_dict()["shape"]
    planned = score(play_offline(replace(session, listen=False), rows)).to_dict()["shape"]
    assert planned["build"]["notes_per_bar"] is None
    assert listened["build"]["notes_per_bar"] > 0.7
    assert [c["verdict"] for c in listened["choruses"]] == [c["verdict"] for c in planned["choruses"]]  # by plan


def test_levels_are_settled_in_order_once() -> None:
    listener = Listener(CHART)
    assert listener.next_idx == 2
    assert not listener.wanted(4.0)
    assert listener.wanted(4.25)
    assert listener.settle() == (2, 0.5)
    assert not listener.wanted(4.25)
    listener.hear(-1.0, 40.0, 90.0)  # noodling before the first bar is nothing
    assert listener.wanted(1e9)
    while listener.wanted(1e9):
        listener.settle()
    assert len(listener.levels) == len(CHART.bars)


def test_events_are_exchanged_without_a_loss() -> None:
    bars = CHART.bar_idx_at(arrange(CHART).events["onset_beats"])
    plan, other = arrange(CHART), arrange(CHART, intensity=[1.0] * len(CHART.bars))
    others = CHART.bar_idx_at(other.events["onset_beats"])

    def some(made: BandScore, keep: np.ndarray[Any, Any]) -> list[Any]:
        return song_events(replace(made, events=made.events[keep]), TEMPO)

    transport = Transport(chart_marks(CHART), TEMPO, song_events(plan, TEMPO), HostRuler(0))
    from_s = float(TEMPO.seconds_at(20.0)) - 0.013
    transport.exchange(from_s, some(plan, bars == 5), some(other, others == 5))
    mixed = np.concatenate([plan.events[bars != 5], other.events[others == 5]])
    expected = sorted(song_events(replace(plan, events=mixed), TEMPO), key=lambda e: (e.song_s, e.kind))
    assert sorted(transport._events) == sorted(expected)
    assert transport._onsets == sorted(transport._onsets)
    transport.exchange(0.0, [], [])
    assert len(transport._events) == len(expected)


def test_the_renderer_takes_up_the_new_bars_at_their_line() -> None:
    """The ring holds, to the sample, what the whole song rendered at these intensities would be."""
    rate_hz = 16000
    geometry = Geometry.for_rate(len(PARTS), rate_hz)
    address, _memory = here().make_shared(geometry.n_bytes)
    try:
        work = Work(address, geometry.n_parts, geometry.n_blocks, geometry.monitor_frames, rate_hz,
                    SESSION.to_dict(), None, None, False)  # fmt: skip
        renderer = _Renderer(work)
        start_s = float(TEMPO.seconds_at(CHART.count_in_beats))
        renderer._sound.set_route([(0.0, start_s, True)])
        renderer._route, ring = 1, renderer._ring
        levels = np.full(len(CHART.bars), np.nan)
        heard = []
        for step in range(5):  # half a second each; the count-in takes 2 s
            ring.playhead_frame = int(0.5 * step * rate_hz) // BLOCK_FRAMES * BLOCK_FRAMES
            if step == 2:  # bar 1 lies in the ring already, rendered by plan
                levels[1] = 1.0
                renderer.set_level(Level(1, 1.0))
            while renderer.step():
                pass
        first = ring.playhead_frame
        n = geometry.n_frames - 3 * BLOCK_FRAMES
        at = (first + np.arange(n)) % geometry.n_frames
        heard = ring.stems[:, at]
        stems = StemRenderer(arrange(CHART, intensity=levels), TEMPO, rate_hz)
        np.testing.assert_allclose(heard, stems.block(first, n), atol=1e-6)
        by_plan = StemRenderer(arrange(CHART), TEMPO, rate_hz).block(first, n)
        assert np.abs(heard - by_plan).max() > 0.01
    finally:
        here().forget_shared(address)
