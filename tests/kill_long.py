"""Killed at random moments, over real JACK ports: `python -m tests.kill_long [--rounds 50] [--seed 1]`.

Each round plays uneven notes, twenty a second, into a running `trainer play`, and kills (`SIGKILL`) the engine, the
front, or both, a random time later; of both, the second at once or while it is finishing the first's take. Then what is
there must be so: one take, its notes the first ones that were sent, in order, none of them missing that stood in a
journal or had been sent a tenth of a second before the kill; no second take however often the next start recovers; and
no journal left. The exit status is 1 if a round ends otherwise.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import random
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path
from time import perf_counter_ns

from tests.engine.on_a_terminal import children_of, on_terminal, runs, wait_until
from tests.jack_sender import JackSender
from tests.jack_server import JackServer, started_server
from trainer.live import recover_takes
from trainer.take import read_take
from trainer.take.journal import read_journal

__all__ = ["VICTIMS", "Killed", "one_round"]

VICTIMS = ("engine", "front", "both")
STEP_S = 0.05
N_NOTES = 200
LAST_MOMENT_NS = 100_000_000  # on its way from the port through the engine: not written yet


@dataclass(frozen=True)
class Killed:
    """What a round left: notes in the take, notes that had to be there, takes found, what is wrong (or None)."""

    victim: str
    n_taken: int
    n_owed: int
    wrong: str | None


def _pitch(i: int) -> int:
    return 28 + i % 60


def one_round(server: JackServer, rng: random.Random, victim: str, folder: Path) -> Killed:
    """Play, kill, recover, compare."""
    takes = folder / "takes"
    env = {
        **server.env(),
        "TRAINER_LOG_DIR": str(folder / "log"),
        "TRAINER_CONFIG_DIR": str(folder / "config"),
        "XDG_DATA_HOME": str(folder / "data"),
        "TMPDIR": str(folder),
    }
    rows = []
    for i in range(N_NOTES):
        at_s = i * STEP_S + rng.uniform(0.0, 0.015)
        rows += [(at_s, f"90{_pitch(i):02x}50"), (at_s + 0.03, f"80{_pitch(i):02x}00")]
    rows.sort()
    arguments = ["play", "--bpm", "240", "--choruses", "1", "--no-audio", "--takes", str(takes)]
    with JackSender(server, "far") as far:
        with on_terminal([*arguments, "--midi-in", far.out_name, "--midi-out", "far"], env) as run:
            far.wait_connected()
            run.wait_screen()
            front, engine = run.process.pid, run.engine_pid
            far.play(rows)
            sent: list[tuple[int, int, str]] = []

            def one_is_owed() -> bool:  # on a busy machine the server sends later than it was asked to
                sent.extend(far.sent())
                return any(ns < perf_counter_ns() - 2 * LAST_MOMENT_NS for ns, _, _ in sent)

            wait_until(one_is_owed, "the first note on its way")
            time.sleep(rng.uniform(0.0, 4.0))
            order = {"engine": [engine], "front": [front], "both": rng.sample([engine, front], 2)}[victim]
            killed_ns = perf_counter_ns()
            for i, pid in enumerate(order):
                if i and rng.random() < 0.7:
                    time.sleep(rng.uniform(0.0, 0.5))
                with contextlib.suppress(ProcessLookupError):
                    os.kill(pid, 9)
            if victim == "engine":
                run.wait()
            run.process.wait(timeout=90)
            wait_until(lambda: not runs(engine), "the engine to be gone")
            for pid in children_of(engine):
                wait_until(lambda pid=pid: not runs(pid), "the engine's own children to be gone")
        sent += far.sent()
    owed = sum(message.startswith("90") and host_ns < killed_ns - LAST_MOMENT_NS for host_ns, _, message in sent)
    written = 0
    for journal in (takes / "unfinished").glob("*.journal"):
        written = max(written, sum(m.data[0] & 0xF0 == 0x90 for m in read_journal(journal).messages))
    recover_takes(takes)
    again = recover_takes(takes)
    found = sorted(takes.glob("*.mid"))
    n_owed = max(owed, written)
    taken = read_take(found[0]).notes["pitch"].tolist() if found else []
    wrong = None
    if len(found) != (1 if n_owed or found else 0) or again:
        wrong = f"{len(found)} takes, {len(again)} more at the second recovery"
    elif taken != [_pitch(i) for i in range(len(taken))]:
        wrong = "notes missing, doubled or out of order"
    elif len(taken) < n_owed:
        wrong = f"{n_owed - len(taken)} notes missing"
    elif list((takes / "unfinished").glob("*")):
        wrong = "a journal was left behind"
    return Killed(victim, len(taken), n_owed, wrong)


def main() -> int:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--rounds", type=int, default=50)
    options.add_argument("--seed", type=int, default=1)
    chosen = options.parse_args()
    rng = random.Random(chosen.seed)
    n_wrong = n_notes = 0
    began = time.perf_counter()
    for i in range(chosen.rounds):
        if i % 25 == 0:
            stack = contextlib.ExitStack()
            server = stack.enter_context(started_server())
        with tempfile.TemporaryDirectory() as name:
            ended = one_round(server, rng, VICTIMS[i % 3], Path(name))
        n_notes += ended.n_taken
        n_wrong += ended.wrong is not None
        print(
            f"{i + 1:3d} {ended.victim:6s} {ended.n_taken:3d} notes in the take, {ended.n_owed:3d} owed",
            ended.wrong or "",
            flush=True,
        )
        if i % 25 == 24 or i + 1 == chosen.rounds:
            stack.close()
    took_s = time.perf_counter() - began
    print(f"{chosen.rounds} kills, {n_notes} notes, {n_wrong} rounds wrong; {took_s:.0f} s")
    return int(n_wrong > 0)


if __name__ == "__main__":
    sys.exit(main())
