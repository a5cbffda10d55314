"""A laptop closed in mid song, a process stopped: noted in the take, and the notes around it excused."""

from __future__ import annotations

import os
import signal
import time
from pathlib import Path

import pytest

from tests.engine.on_a_terminal import on_terminal
from trainer.clock.sources import FakeClock
from trainer.clock.transport import HostRuler
from trainer.engine import Notice
from trainer.engine.core import Core
from trainer.engine.record import take_from
from trainer.live import PlayOptions
from trainer.live.options import setup_of
from trainer.scoring import score
from trainer.session import ChorusPlan, Session
from trainer.take import read_take, write_take
from trainer.take.notes import FLAG_GLITCH

SESSION = Session(tempo_bpm=120.0, choruses=(ChorusPlan("verse", 4),), count_in_bars=1)


@pytest.mark.parametrize(("cause", "host_jump_s", "boot_jump_s"), [("suspended", 0.0, 90.0), ("stalled", 1.6, 1.6)])
def test_a_sleep_is_noted_and_its_notes_are_excused(
    cause: str, host_jump_s: float, boot_jump_s: float, tmp_path: Path
) -> None:
    """`host_jump_s`: what the host clock shows of it (nothing, where it stands still while the machine sleeps)."""
    clock, said = FakeClock(1_000_000_000), []
    rows = [(i * 0.5 + 0.004 * (i % 3), i) for i in range(192)]
    script = [(s, bytes((0x90, 31 + i % 12, 90))) for s, i in rows]
    core = Core(setup_of(SESSION, PlayOptions(script=script)), clock, said.append)
    core.begin_record({}, on_disk=False)
    core.follow(HostRuler(clock.now_ns()))
    core.start(0.0)
    boot_extra_ns, slept = 0, False
    while core.step(clock.now_ns()).state != "finished":
        snapshot = core.snapshot
        assert snapshot is not None
        if not slept and snapshot.song_s >= 20.43:
            slept = True
            boot_extra_ns = round((boot_jump_s - host_jump_s) * 1e9)
            clock.advance(round(host_jump_s * 1e9))
        core.watch_sleep(clock.now_ns(), clock.now_ns() + boot_extra_ns)
        clock.advance(20_000_000)
    core.end_record(clock.now_ns(), completed=True)
    assert core.record is not None
    take = take_from(core.record.journal(), band=core.score, session=core.session)
    (gap,) = take.header.gaps
    assert gap.cause == cause
    assert gap.start_s == pytest.approx(20.43, abs=0.05)
    assert gap.end_s - gap.start_s == pytest.approx(max(host_jump_s, 0.02), abs=0.03)
    assert f"away for {boot_jump_s:.1f} s" in next(m.text for m in said if isinstance(m, Notice))
    excused = take.notes["onset_s"][take.notes["flags"] & FLAG_GLITCH != 0]
    assert len(excused) and excused.min() > gap.start_s - 0.1 and excused.max() < gap.end_s + 0.3
    again = read_take(write_take(take, tmp_path))
    assert again.header.gaps == take.header.gaps
    timing = score(again).to_dict()["timing"]
    assert timing["n"] + len(excused) <= len(take.notes)
    assert timing["mean_ms"] == pytest.approx(4.0, abs=0.5)


def test_an_engine_that_was_stopped_says_so_and_notes_it(tmp_path: Path) -> None:
    """The real process, stopped for a second and a half in mid song, as a debugger or a full machine does it."""
    env = {**os.environ, "TRAINER_LOG_DIR": str(tmp_path), "TRAINER_CONFIG_DIR": str(tmp_path), "NO_COLOR": "1"}
    song = ["demo", "--bpm", "240", "--loop", "1-4", "--choruses", "1", "--plain", "--takes", str(tmp_path / "takes")]
    with on_terminal(song, env) as run:
        run.wait_for("bar  2/4")
        os.kill(run.engine_pid, signal.SIGSTOP)
        time.sleep(1.5)
        os.kill(run.engine_pid, signal.SIGCONT)
        assert run.wait() == 0, run.words[-2000:]
        words = " ".join(run.words.split())
    assert "the machine was away for 1." in words
    (path,) = (tmp_path / "takes").glob("*.mid")
    take = read_take(path)
    gap = next(gap for gap in take.header.gaps if gap.cause == "stalled")
    assert 1.4 <= gap.end_s - gap.start_s <= 2.5
    assert 0.5 <= gap.start_s <= 4.0


def test_sound_that_was_not_rendered_in_time_is_noted_and_its_notes_are_excused() -> None:
    clock = FakeClock(1_000_000_000)
    script = [(i * 0.5, bytes((0x90, 31 + i % 12, 90))) for i in range(48)]
    core = Core(setup_of(SESSION, PlayOptions(script=script)), clock, lambda message: None)
    core.begin_record({}, on_disk=False)
    core.follow(HostRuler(clock.now_ns()))
    core.start(0.0)
    while core.step(clock.now_ns()).song_s < 24.0:
        assert core.snapshot is not None
        core.watch_holes(clock.now_ns(), 3 if core.snapshot.song_s >= 10.0 else 0)
        clock.advance(20_000_000)
    core.end_record(clock.now_ns(), completed=False)
    assert core.record is not None
    take = take_from(core.record.journal(), band=core.score, session=core.session)
    (gap,) = take.header.gaps
    assert gap.cause == "xrun" and gap.start_s < 10.0 < gap.end_s and gap.end_s - gap.start_s < 0.5
    assert take.header.extra["unrendered_blocks"] == 3
    excused = take.notes["onset_s"][take.notes["flags"] & FLAG_GLITCH != 0]
    assert excused.tolist() == [pytest.approx(10.0, abs=0.03)]
