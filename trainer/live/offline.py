"""The same run without a moment passing: a fake clock, ports in memory, a scripted player, as fast as it computes.

The transport, the recorder, the record and the making of the take are the live ones; only the clock and the ports
differ.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any, Protocol, TypeAlias, runtime_checkable

from trainer.clock.sources import FakeClock
from trainer.clock.tempo import TempoMap
from trainer.clock.transport import HostRuler
from trainer.engine.core import Core
from trainer.engine.record import take_from
from trainer.live.options import PlayOptions, setup_of
from trainer.ports.memory import MemoryMidiOut
from trainer.session import Chart, Session, expand
from trainer.take.model import Take

__all__ = ["Messages", "Player", "play_offline"]

Messages: TypeAlias = Sequence[tuple[float, bytes]]

LOOK_EVERY_NS = 20_000_000


@runtime_checkable
class _Performance(Protocol):
    def messages(self) -> list[tuple[float, bytes]]: ...


# Whoever plays: (song second, MIDI message) rows, something that gives them, or a function of the chart and its tempo.
Player: TypeAlias = Messages | _Performance | Callable[[Chart, TempoMap], Any]


def script_of(player: Player, session: Session) -> list[tuple[float, bytes]]:
    """The player's messages in order of time."""
    chart = expand(session)
    played: Any = player
    if callable(played) and not isinstance(played, _Performance):
        played = played(chart, TempoMap(chart.tempo_segments))
    rows = played.messages() if isinstance(played, _Performance) else played
    return sorted(((float(second), bytes(data)) for second, data in rows), key=lambda row: row[0])


def play_offline(
    session: Session,
    player: Player = (),
    options: PlayOptions | None = None,
    *,
    commands: Sequence[tuple[float, str]] = (),
    on_message: Callable[[Any], None] | None = None,
    midi_out: Callable[[FakeClock], MemoryMidiOut] | None = None,
    start_ns: int = 1_000_000_000,
) -> Take:
    """Play a session on a fake clock; the take, not written anywhere.

    `commands`: (seconds since the start, "pause" · "resume" · "restart" · "stop"), as keys would give them.
    `on_message` gets what a front would get. `midi_out` makes the output in memory, for whoever wants to see what was
    sent.
    """
    options = replace(options or PlayOptions(), script=script_of(player, session))
    clock = FakeClock(start_ns)
    core = Core(setup_of(session, options), clock, on_message or (lambda message: None))
    core.midi_out = MemoryMidiOut(clock) if midi_out is None else midi_out(clock)
    core.begin_record({"midi_in": "scripted player", "midi_out": None, "audio": None}, on_disk=False)
    core.send_programs()
    core.follow(HostRuler(clock.now_ns()))
    core.start(0.0)
    stopped = False
    todo = sorted((start_ns + round(second * 1e9), name) for second, name in commands)
    while True:
        due_ns = core.next_due_ns()
        goal_ns = clock.now_ns() + LOOK_EVERY_NS if due_ns is None else min(due_ns, clock.now_ns() + LOOK_EVERY_NS)
        if todo:
            goal_ns = min(goal_ns, todo[0][0])
        elif due_ns is None:  # paused for ever: nothing will happen any more
            stopped = True
            break
        now_ns = clock.sleep_until(goal_ns)
        state = core.step(now_ns).state
        while todo and todo[0][0] <= now_ns:
            _, name = todo.pop(0)
            if name == "stop":
                stopped = True
            else:
                getattr(core.transport, name)(core.transport.clock.ruler.ruler_s(now_ns) + 0.01)
                core.mark("command", now_ns, name=name)
        if stopped or state == "finished":
            break
    core.end_record(clock.now_ns(), completed=not stopped)
    core.midi_out.close()
    if core.record is None:
        raise RuntimeError("the record was not begun")
    return take_from(core.record.journal(), band=core.score, session=core.session)
