"""A song over real ports that is under way, for what ends it, and what has to be so when it has ended: the take, and
silence at the far end of the cable."""

from __future__ import annotations

import contextlib
import math
import time
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

import numpy as np

from tests.engine.on_a_terminal import OnTerminal, on_terminal, wait_until
from tests.jack_sender import JackSender
from trainer.take import Take, read_take
from trainer.take.journal import read_journal

__all__ = [
    "PLAYED",
    "SHORT",
    "STEP_S",
    "in_mid_song",
    "is_silent",
    "line",
    "only_take",
    "pitches",
    "silent_within_s",
]

SHORT = ["--bpm", "240", "--loop", "1-4", "--choruses", "1"]  # a two-bar count-in of 2 s, a song of 4 s
LONG = ["--bpm", "240", "--loop", "1-12", "--choruses", "1"]  # for what ends it in mid song, however slow the machine
STEP_S = 0.1
N_IN_MID_SONG = 15


def line(n: int = 36) -> list[tuple[float, str]]:
    """`n` notes with uneven spacing, each its own pitch for a while, as (second, message in hex)."""
    rng = np.random.default_rng(5)
    rows = []
    for i in range(n):
        at = i * STEP_S + float(rng.uniform(0.0, 0.04))
        rows.append((at, f"90{28 + i % 40:02x}{60 + i % 60:02x}"))
        rows.append((at + 0.05, f"80{28 + i % 40:02x}00"))
    return sorted(rows)


def pitches(rows: list[tuple[float, str]]) -> list[int]:
    return [int(message[2:4], 16) for _, message in rows if message.startswith("90")]


PLAYED = pitches(line(N_IN_MID_SONG))


@contextlib.contextmanager
def in_mid_song(
    far: JackSender, env: Mapping[str, str], takes: Path, *more: str, prefix: Sequence[str] = ()
) -> Iterator[OnTerminal]:
    """`trainer play` without sound between the two sides of a cable, once the journal holds all of `PLAYED`.

    `more`: further options; `prefix`: a command that runs the program.
    """
    ports = ["--midi-in", far.out_name, "--midi-out", far.name, "--no-audio"]
    with on_terminal(["play", *LONG, *ports, "--takes", str(takes), *more], env, prefix) as run:
        far.wait_connected()
        run.wait_screen()
        time.sleep(0.2)
        far.play(line(N_IN_MID_SONG))
        far.wait_played(90.0)
        wait_until(lambda: _n_kept(takes) >= N_IN_MID_SONG, f"{N_IN_MID_SONG} notes in the journal")
        yield run


def _n_kept(takes: Path) -> int:
    """The player's notes in the running engine's journal."""
    journals = (read_journal(path) for path in (takes / "unfinished").glob("*.journal"))
    return max((sum(m.data[0] & 0xF0 == 0x90 for m in journal.messages) for journal in journals), default=0)


def only_take(takes: Path) -> Take:
    files = sorted(takes.glob("*.mid"))
    assert len(files) == 1, f"{[f.name for f in takes.rglob('*')]}"
    return read_take(files[0])


def is_silent(heard: list[tuple[int, int, str]]) -> bool:
    """Every note that was begun was released, and every channel was told to be quiet."""
    sounding: set[tuple[int, int]] = set()
    quiet: set[int] = set()
    for _, _, message in heard:
        data = bytes.fromhex(message)
        kind, channel = data[0] & 0xF0, data[0] & 0x0F
        if kind == 0x90 and data[2]:
            sounding.add((channel, data[1]))
            quiet.discard(channel)
        elif kind in (0x80, 0x90):
            sounding.discard((channel, data[1]))
        elif kind == 0xB0 and data[1] == 123:
            quiet.add(channel)
    return not sounding and quiet == set(range(16))


def silent_within_s(heard: list[tuple[int, int, str]], left_ns: int) -> float:
    """Seconds from a moment (this process's clock) to the message after which everything is silent; inf if never."""
    for i in range(1, len(heard) + 1):
        if heard[i - 1][2].startswith("bf7b") and is_silent(heard[:i]):
            assert is_silent(heard)
            return (heard[i - 1][0] - left_ns) * 1e-9
    return math.inf
