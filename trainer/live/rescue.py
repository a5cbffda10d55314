"""What is done for an engine that died: what it left sounding is silenced, its take is finished from its journal."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterable
from pathlib import Path

from trainer.engine.record import finish_lost
from trainer.errors import PortError
from trainer.ports.silence import all_notes_off
from trainer.take.keep_heard import keep_heard

__all__ = ["recover_takes", "silence_port", "stop_machine"]


def _send_all(name: str, messages: Iterable[bytes]) -> None:
    from trainer.ports.midi import open_at_once

    with contextlib.suppress(PortError):
        port = open_at_once(name)
        try:
            for data in messages:
                port.send(data)
        finally:
            port.close()


def silence_port(name: str) -> None:
    """Open a MIDI output that somebody else left sounding, silence it, close it."""
    # Many instruments ignore all-notes-off.
    offs = [bytes((0x80 | channel, number, 64)) for channel in range(16) for number in range(128)]
    _send_all(name, [*offs, *all_notes_off()])


def stop_machine(name: str) -> None:
    """Tell a machine that followed our clock to stop."""
    from trainer.clock.midi_clock import STOP

    _send_all(name, [STOP])


def recover_takes(takes_dir: str | Path | None = None, say: Callable[[str], None] | None = None) -> list[Path]:
    """Finish the takes of sessions that were cut off (power, kill); the files made. Call it before a new session."""
    out = []
    for saved in finish_lost(takes_dir):
        out.append(saved.path)
        keep_heard(saved.path)
        if say is not None:
            say(saved.remark or f"the take of a session that was cut off is finished: {saved.path}")
    return out
