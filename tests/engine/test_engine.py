"""The engine's own object without its process: what it opens, and what it lets be heard."""

from __future__ import annotations

from collections import deque
from pathlib import Path
from typing import Any

from trainer.engine import Setup
from trainer.engine.process import Engine
from trainer.session import ChorusPlan, Session

SHORT = Session(tempo_bpm=240.0, choruses=(ChorusPlan("verse", 1),), loop=(1, 1), count_in_bars=0)


class Pipe:
    """A front that keeps what it is told."""

    def __init__(self) -> None:
        self.inbox: deque[Any] = deque()
        self.said: list[Any] = []
        self.on_pad: Any = None

    def say(self, message: Any) -> None:
        self.said.append(message)


def test_a_scripted_player_is_heard_through_the_monitor(tmp_path: Path) -> None:
    script = [(0.0, bytes((0x90, 43, 90))), (0.2, bytes((0x80, 43, 0))), (0.5, bytes((0x90, 48, 80)))]
    pipe = Pipe()
    engine = Engine(pipe)  # type: ignore[arg-type]
    engine.open(Setup(session=SHORT.to_dict(), takes_dir=str(tmp_path), audio="none", script=script))
    core = engine.core
    assert core is not None
    core.start(0.0)
    origin_ns = engine.clock.now_ns()
    for second in (0.0, 0.3, 0.6, 0.9):
        core.step(origin_ns + round(second * 1e9))
    heard = [data for _, _, data in engine._raw_strikes]  # what the audio callback plays the bass's sound from
    assert heard == [data for _, data in script]
    last = engine.finish()
    assert last.n_notes == 2 and last.take is not None and Path(last.take).parent == tmp_path
