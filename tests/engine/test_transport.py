"""The transport: every event exactly once in any chunking, through pauses and restarts, and silence at rest."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trainer.clock.tempo import TempoMap
from trainer.clock.transport import (
    NOTE_OFF,
    NOTE_ON,
    HostRuler,
    Marks,
    SongEvent,
    Timeline,
    Transport,
    note_events,
)

BPM = 120.0
BAR_S = 2.0
# Two choruses of four bars after a two-bar count-in.
MARKS = Marks(
    count_in_beats=-8.0,
    first_beats=0.0,
    end_beats=32.0,
    bar_onsets_beats=tuple(4.0 * i for i in range(8)),
    bar_choruses=(1, 1, 1, 1, 2, 2, 2, 2),
)
TEMPO = TempoMap([(-8.0, BPM)])


def events() -> list[SongEvent]:
    rng = np.random.default_rng(3)
    onsets = np.concatenate([np.arange(-8.0, 32.0, 1.0) / 2.0, rng.uniform(-4.0, 16.0, 80)])
    n = len(onsets)
    return note_events(
        onsets.tolist(),
        rng.uniform(0.05, 1.5, n).tolist(),
        [0] * n,
        [9] * n,
        rng.integers(36, 60, n).tolist(),
        [90] * n,
    )


def transport(origin_ns: int = 10**12) -> Transport:
    return Transport(MARKS, TEMPO, events(), HostRuler(origin_ns), tail_s=1.0)


def run(steps_s: list[float], commands: dict[float, str] | None = None, origin_ns: int = 10**12) -> list[tuple]:
    """All that came due, as (second since the start, kind, pitch), stepping at the given ruler seconds."""
    tr = transport(origin_ns)
    tr.start(0.0)
    out = []
    todo = sorted((commands or {}).items())
    for now_s in sorted({*steps_s, *(at for at, _ in todo), 200.0}):
        due, _ = tr.advance(origin_ns + round(now_s * 1e9))
        out += [(round((d.due_ns - origin_ns) * 1e-9, 6), d.event.kind, d.event.pitch) for d in due]
        while todo and todo[0][0] <= now_s:
            getattr(tr, todo.pop(0)[1])(now_s + 0.01)
    return out


def held(rows: list[tuple]) -> int:
    return sum(1 if kind == NOTE_ON else -1 for _, kind, _ in rows)


def test_an_uninterrupted_run_gives_every_event_once_at_its_time() -> None:
    expected = [(round(e.song_s + 4.0, 6), e.kind, e.pitch) for e in events() if e.song_s <= 17.0]
    got = run([200.0])
    assert sorted(got)[: len(expected)] == sorted(got)
    assert [row for row in got if row[0] < 21.0] == [row for row in expected if row[0] < 21.0]
    assert held(got) == 0


@settings(max_examples=60, deadline=None)
@given(
    steps=st.lists(st.floats(0.0, 40.0), max_size=40),
    at=st.lists(st.floats(0.0, 30.0), max_size=5, unique=True),
    kinds=st.lists(st.sampled_from(["pause", "resume", "restart"]), min_size=5, max_size=5),
)
def test_chunking_changes_nothing(steps: list[float], at: list[float], kinds: list[str]) -> None:
    commands = dict(zip(at, kinds, strict=False))
    whole = run([], commands)
    assert run(steps, commands) == whole
    assert run([i * 0.013 for i in range(3000)], commands) == whole
    assert held(whole) == 0


def test_another_origin_of_the_host_clock_changes_nothing() -> None:
    assert run([1.0, 7.7], {5.3: "pause", 6.0: "resume"}) == run(
        [1.0, 7.7], {5.3: "pause", 6.0: "resume"}, origin_ns=8 * 10**14 + 137
    )


def test_every_deadline_that_it_names_is_met_when_woken_then() -> None:
    tr = transport()
    tr.start(0.0)
    n = len(tr.advance(10**12)[0])
    while (deadline := tr.next_due_ns()) is not None:
        due, snapshot = tr.advance(deadline)
        assert due or snapshot.state == "finished"
        assert all(abs(d.due_ns - deadline) <= 1 for d in due)
        n += len(due)
    assert n == len(run([200.0]))


def test_pause_releases_what_sounds_and_resume_counts_a_bar_from_the_bar_top() -> None:
    tr = transport()
    tr.start(0.0)
    at = lambda s: 10**12 + round(s * 1e9)  # noqa: E731
    _, snap = tr.advance(at(4.0 + 5.3))  # bar 3 began at song second 4
    assert (snap.state, snap.bar_idx, snap.chorus) == ("playing", 2, 1)
    tr.pause(9.4)
    _due, snap = tr.advance(at(12.0))
    assert snap.state == "paused" and snap.song_s == pytest.approx(5.4)
    assert tr.next_due_ns() is None
    assert tr.advance(at(90.0))[0] == ()
    tr.resume(100.0)
    _, snap = tr.advance(at(100.6))
    assert (snap.state, snap.count, snap.bar_idx) == ("count_in", 2, 2)
    _, snap = tr.advance(at(102.0 + 0.5))
    assert snap.state == "playing" and snap.song_s == pytest.approx(4.5)


def test_restart_goes_to_the_chorus_top_and_its_notes_replace_the_earlier_ones() -> None:
    tr = transport()
    tr.start(0.0)
    at = lambda s: 10**12 + round(s * 1e9)  # noqa: E731
    tr.advance(at(4.0 + 11.0))  # chorus 2 began at song second 8
    first = [tr.clock.placed(at(4.0 + s)) for s in (7.0, 7.9, 9.0)]
    assert [p.song_s for p in first] == pytest.approx([7.0, 7.9, 9.0])
    tr.restart(15.1)
    tr.advance(at(15.2))
    second = [tr.clock.placed(at(17.1 + s)) for s in (-1.0, -0.02, 1.0)]
    assert [p.song_s for p in second] == pytest.approx([7.0, 7.98, 9.0])
    assert [tr.keeps(p) for p in first] == [True, False, False]
    # A note into the count is left out; one just before its end is early for the top.
    assert [tr.keeps(p) for p in second] == [False, True, True]
    # Restarting within the count aims at the same top again.
    tr.restart(16.0)
    _, snap = tr.advance(at(18.5))
    assert snap.song_s == pytest.approx(8.5) and snap.chorus == 2


def test_stop_ends_everything_and_finished_songs_stay_finished() -> None:
    tr = transport()
    tr.start(0.0)
    tr.advance(10**12 + 6 * 10**9)
    tr.stop(6.5)
    _due, snap = tr.advance(10**12 + 7 * 10**9)
    assert snap.state == "finished"
    tr.resume(8.0)
    tr.restart(8.0)
    assert tr.advance(10**12 + 30 * 10**9)[1].state == "finished"


def test_commands_cannot_change_what_was_already_run() -> None:
    tr = transport()
    tr.start(0.0)
    tr.advance(10**12 + 10 * 10**9)
    tr.pause(3.0)
    _, snap = tr.advance(10**12 + 11 * 10**9)
    assert snap.song_s == pytest.approx(6.0, abs=1e-6)


def test_the_ruler_can_be_changed_without_a_jump_and_a_jump_is_refused() -> None:
    tr = transport()
    tr.start(0.0)
    now = 10**12 + 9 * 10**9
    tr.advance(now)
    tr.with_ruler(HostRuler(now, tr.clock.ruler.ruler_s(now)), now)
    assert tr.advance(now + 10**9)[1].song_s == pytest.approx(6.0)
    with pytest.raises(ValueError, match="jumps by more than 1 ms"):
        tr.with_ruler(HostRuler(now, 0.0), now)


def test_a_note_struck_again_while_it_sounds_is_released_first() -> None:
    rows = note_events([0.0, 1.0], [3.0, 0.5], [1, 1], [0, 0], [40, 40], [80, 80])
    assert [(e.song_s, e.kind) for e in rows] == [(0.0, NOTE_ON), (1.0, NOTE_OFF), (1.0, NOTE_ON), (1.5, NOTE_OFF)]


def test_an_empty_timeline_waits() -> None:
    timeline = Timeline()
    assert timeline.stretches[timeline.index_at(5.0)].kind == "waiting"
    assert timeline.end_s(0) == math.inf
    tr = transport()
    assert tr.advance(10**12)[1].state == "waiting"
    assert tr.clock.placed(10**12).song_s is None
