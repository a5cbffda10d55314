"""A long evening: does anything grow, drop out, or get later?

    python tests/bench/soak.py --offline 60          # minutes of song on the fake clock, as fast as it computes
    python tests/bench/soak.py --live 10             # minutes over real JACK ports, with screen, sound and figures
    python tests/bench/soak.py --live 10 --bass      # the same with an ordinary bass by its cable, heard by the ear
    python tests/bench/soak.py --in-turn 6           # MIDI out with the ear and without, so many short runs of each

Offline: the whole of `trainer.live.play_offline`, four notes a second; this process's memory each song minute. Live:
`trainer play` on a pseudo-terminal over a JACK server of its own (dummy driver, period 64), four notes a second from
another process; processor time, memory, open files and threads of the front, the engine and what it started each
second; in the first and the last minute how late notes went out, and how far off they were placed (against the sender's
host time); under-runs.
`--refused`: as for an ordinary user whom the system lets no thread come first (Linux, `setpriv`).
Growth is counted from the end of the warm-up (a fifth of the run, two minutes at most) to the end: the largest memory
of the last tenth less the largest of the warm-up's last half.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import sys
import tempfile
import threading
import time
from collections import defaultdict, deque
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

if TYPE_CHECKING:
    from tests.jack_server import JackServer
    from trainer.take import Take

WITHOUT_RIGHTS = ("setpriv", "--bounding-set", "-sys_nice", "--inh-caps", "-sys_nice")
BPM = 120
NOTES_A_SECOND = 4
PAGE_MB = os.sysconf("SC_PAGE_SIZE") / 1e6
TICK_S = 1.0 / os.sysconf("SC_CLK_TCK")


def memory_mb(pid: int) -> float:
    """Resident memory without the pages shared with files (Linux)."""
    _, resident, shared, *_ = Path(f"/proc/{pid}/statm").read_text().split()
    return (int(resident) - int(shared)) * PAGE_MB


def cpu_s(pid: int) -> float:
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) * TICK_S


def runs(pid: int, module: str) -> bool:
    """Whether a process is that one of the engine's."""
    return f"trainer.engine.{module}".encode() in Path(f"/proc/{pid}/cmdline").read_bytes()


def growth_mb(samples: Sequence[float], warm: int) -> float:
    return max(samples[-max(1, len(samples) // 10) :]) - max(samples[warm // 2 : warm])


def notes(minutes: float) -> list[tuple[float, bytes]]:
    rng = np.random.default_rng(5)
    rows = []
    for i in range(round(minutes * 60 * NOTES_A_SECOND)):
        on_s = i / NOTES_A_SECOND + float(rng.uniform(0.0, 0.05))
        rows += [(on_s, bytes((0x90, 28 + i % 20, 80))), (on_s + 0.15, bytes((0x80, 28 + i % 20, 0)))]
    return sorted(rows)


def offline(minutes: float) -> None:
    from trainer.clock.sources import FakeClock
    from trainer.live import play_offline
    from trainer.ports.memory import MemoryMidiOut
    from trainer.session import ChorusPlan, Session

    def forgetful(clock: FakeClock) -> MemoryMidiOut:  # what a test port keeps of an hour is not the program's
        port = MemoryMidiOut(clock)
        port.sent = deque(maxlen=1)
        return port

    choruses = max(1, round(minutes * BPM / 48))
    session = Session(tempo_bpm=BPM, choruses=(ChorusPlan("verse", choruses),))
    samples: list[float] = []

    def heard(message: object) -> None:
        song_s = getattr(message, "song_s", None)
        if song_s is not None and song_s >= 60.0 * len(samples):
            samples.append(memory_mb(os.getpid()))

    began = time.perf_counter()
    take = play_offline(session, notes(minutes), on_message=heard, midi_out=forgetful)
    warm = max(2, min(len(samples) // 5, 10))
    took_s = time.perf_counter() - began
    print(f"offline: {minutes:g} min of song in {took_s:.0f} s; {len(take.notes)} notes, {choruses} choruses")
    print(f"  memory after {warm} min {samples[warm - 1]:.1f} MB, at the end {samples[-1]:.1f}", end="")
    print(f": growth {growth_mb(samples, warm):+.2f} MB")


def bass_sound(seconds: float) -> NDArray[np.float32]:
    """A bass line as long as that: ten seconds of eighths at 120, again and again."""
    from tests.bass_sound import bass_line

    line = bass_line([(0.1 + 0.25 * i, 0.2, float((28, 33, 35, 40, 38, 43)[i % 6]), 95) for i in range(39)])
    piece = np.zeros(480_000, dtype=np.float32)
    piece[: len(line)] = line[:480_000]
    return np.tile(piece, int(np.ceil(seconds / 10.0)))[: round(seconds * 48_000)]


@dataclass
class Watched:
    """Each second of a run, by process: megabytes, open files, threads, and processor seconds with their moment."""

    pids: dict[str, int]
    memory_mb: dict[str, list[float]] = field(default_factory=lambda: defaultdict(list))
    n_files: dict[str, list[int]] = field(default_factory=lambda: defaultdict(list))
    n_threads: dict[str, list[int]] = field(default_factory=lambda: defaultdict(list))
    cpu_s: list[tuple[float, ...]] = field(default_factory=list)

    def look(self) -> None:
        """`OSError` or `ValueError` once one of them has ended."""
        self.cpu_s.append((time.perf_counter(), *(cpu_s(pid) for pid in self.pids.values())))
        for name, pid in self.pids.items():
            self.memory_mb[name].append(memory_mb(pid))
            self.n_files[name].append(len(os.listdir(f"/proc/{pid}/fd")))
            self.n_threads[name].append(len(os.listdir(f"/proc/{pid}/task")))

    def until(self, ended: threading.Event) -> None:
        with contextlib.suppress(OSError, ValueError):
            while not ended.wait(1.0):
                self.look()

    @property
    def minutes(self) -> float:
        return (self.cpu_s[-1][0] - self.cpu_s[0][0]) / 60.0

    def say(self) -> None:
        shares = [
            (b - a) / (60.0 * self.minutes) * 100.0 for a, b in zip(self.cpu_s[0][1:], self.cpu_s[-1][1:], strict=True)
        ]
        each = " + ".join(f"{name} {share:.1f}" for name, share in zip(self.pids, shares, strict=True))
        print(f"  processor, % of one core: {each} = {sum(shares):.1f}")
        for name in self.pids:
            samples = self.memory_mb[name]
            warm = max(2, min(len(samples) // 5, 120))
            print(f"  {name}: after {warm} s {samples[warm - 1]:.1f} MB, at the end {samples[-1]:.1f}", end="")
            print(f": growth {growth_mb(samples, warm):+.2f} MB", end="")
            for what, counts in (("open files", self.n_files[name]), ("threads", self.n_threads[name])):
                print(f"; {what} {max(counts[warm // 2 : warm])}, at the end {max(counts[-warm:])}", end="")
            print()


@dataclass
class Played:
    """A run that has ended: its take, exit status, the server's under-runs, and what was watched meanwhile."""

    take: Take
    status: int
    n_xruns: int
    watched: Watched
    sent: list[tuple[int, int, str]]

    @property
    def late_ms(self) -> NDArray[np.float64]:
        return np.array(self.take.header.lateness["late_us"]) * 1e-3


def played(server: JackServer, choruses: int, *, bass: bool, prefix: Sequence[str] = ()) -> Played:
    """One song, by MIDI or (`bass`) by an ordinary bass's cable; the same band out by sound and MIDI."""
    from tests.engine.on_a_terminal import children_of, on_terminal
    from tests.jack_bass import JackBass
    from tests.jack_sender import JackSender
    from trainer.take import read_take

    song_s = choruses * 48.0 * 60.0 / BPM
    with (
        tempfile.TemporaryDirectory() as folder,
        JackSender(server, "far") as far,
        JackBass(server, "bass") if bass else contextlib.nullcontext() as plucked,
    ):
        env = {**server.env(), "TRAINER_CONFIG_DIR": folder, "TRAINER_LOG_DIR": folder, "XDG_DATA_HOME": folder}
        song = ["--bpm", str(BPM), "--choruses", str(choruses), "--figures"]
        heard = ["--bass-in", "bass"] if bass else ["--midi-in", far.out_name]
        ports = [*heard, "--midi-out", "far", "--takes", folder]
        ended = threading.Event()
        with on_terminal(["play", *song, *ports], env, prefix) as run:
            (far if plucked is None else plucked).wait_connected()
            run.wait_screen()
            time.sleep(2.0)
            if plucked is None:
                far.play([(s, data.hex()) for s, data in notes(song_s / 60.0)])
            else:
                plucked.play_sound(bass_sound(song_s))
            modules = ("render", "ear", "ahead")
            below = {module: pid for pid in children_of(run.engine_pid) for module in modules if runs(pid, module)}
            watched = Watched({"front": run.process.pid, "engine": run.engine_pid, **below})
            threading.Thread(target=watched.until, args=(ended,), daemon=True).start()
            report = (far if plucked is None else plucked).wait_played(song_s + 120.0)
            ended.set()
            sent = [] if bass else far.sent()
            status = run.wait(600.0 if bass else 120.0)  # a recording is heard once more
        return Played(read_take(next(Path(folder).glob("*.mid"))), status, report["n_xruns"], watched, sent)


def live(minutes: float, *, bass: bool, prefix: Sequence[str] = ()) -> None:
    from tests.jack_server import started_server
    from trainer.clock.fit import SongMap

    choruses = max(1, round(minutes * BPM / 48))
    with started_server() as server:
        found = played(server, choruses, bass=bass, prefix=prefix)
    take, late_ms = found.take, found.late_ms
    at_s = np.array(take.header.lateness["intended_s"])
    song = SongMap([(int(ns), float(s), float(rate)) for ns, s, rate in take.header.clock_map["song_map"]])
    n_sent = sum(message.startswith("90") for _, _, message in found.sent)
    if bass:  # how far each step from note to note is from what was plucked
        steps_ms = np.diff(take.notes["onset_s"]) * 1e3
        error_ms = np.abs(steps_ms - 250.0)[np.abs(steps_ms - 250.0) < 100.0]
    else:
        note_ons = [ns for ns, _, message in found.sent if message.startswith("90")]
        sent_ns = np.array(note_ons, dtype=np.int64)[: len(take.notes)]
        error_ms = (take.notes["onset_s"] - song.seconds_at(sent_ns)) * 1e3
        error_ms = np.abs(error_ms - np.median(error_ms))
    note_s = take.notes["onset_s"][: len(error_ms)]
    first, last = late_ms[at_s < 60.0], late_ms[at_s >= at_s[-1] - 60.0]
    n_played = round(3.9 * choruses * 48 * 60 / BPM) if bass else n_sent
    n_gaps = sum(gap.cause == "xrun" for gap in take.header.gaps)
    print(f"live: {found.watched.minutes:.1f} min, exit status {found.status}; ", end="")
    print(f"{len(take.notes)} of {n_played} notes in the take")
    print(f"  scheduling: {take.header.extra.get('scheduling')}")
    found.watched.say()
    parts = {"out, first minute": first, "out, last minute": last, "out, all": late_ms}
    parts |= {"in, first minute": error_ms[note_s < 60.0], "in, last minute": error_ms[note_s >= note_s[-1] - 60.0]}
    for name, part in (parts | {"in, all": error_ms}).items():
        p50, p99, p999 = np.percentile(part, [50.0, 99.0, 99.9])
        print(f"  MIDI {name}: n {len(part)}, p50 {p50:.3f}, p99 {p99:.3f}, p99.9 {p999:.3f} ms")
    print(f"  under-runs of the server (no card behind it): {found.n_xruns}; stretches the take excuses: {n_gaps}")


def in_turn(rounds: int, choruses: int, prefix: Sequence[str] = ()) -> None:
    """MIDI out with the ear and without, in turn (with, without, without, with, …), so that both meet the same load."""
    from tests.jack_server import started_server

    late: dict[bool, list[NDArray[np.float64]]] = {True: [], False: []}
    for i in range(2 * rounds):
        bass = i % 4 in (0, 3)
        with started_server() as server:
            found = played(server, choruses, bass=bass, prefix=prefix)
        late[bass].append(found.late_ms)
        p50, p99, p999 = np.percentile(found.late_ms, [50.0, 99.0, 99.9])
        print(
            f"  {'with the ear' if bass else 'without'}: n {len(found.late_ms)}, p50 {p50:.3f}, p99 {p99:.3f}, ", end=""
        )
        print(f"p99.9 {p999:.3f} ms; load {os.getloadavg()[0]:.1f}, under-runs {found.n_xruns}", end="")
        print(f", scheduling {found.take.header.extra.get('scheduling')}", flush=True)
    rng = np.random.default_rng(1)
    for q in (50.0, 99.0):
        runs_of = {bass: np.array([np.percentile(part, q) for part in parts]) for bass, parts in late.items()}
        whole = {bass: float(np.percentile(np.concatenate(parts), q)) for bass, parts in late.items()}
        again = [
            float(np.median(rng.choice(runs_of[True], rounds)) / np.median(rng.choice(runs_of[False], rounds)))
            for _ in range(2000)
        ]
        low, high = np.percentile(again, [2.5, 97.5])
        middle = float(np.median(runs_of[True]) / np.median(runs_of[False]))
        print(f"p{q:g}: all events with {whole[True]:.3f}, without {whole[False]:.3f} ms; medians of the runs ", end="")
        print(f"{np.median(runs_of[True]):.3f} and {np.median(runs_of[False]):.3f}: {middle:.2f} times ", end="")
        print(f"(95 % of {rounds} runs each drawn anew: {low:.2f} to {high:.2f})")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--offline", type=float, metavar="MINUTES")
    parser.add_argument("--live", type=float, metavar="MINUTES")
    parser.add_argument("--bass", action="store_true", help="live: an ordinary bass, heard by the ear")
    parser.add_argument("--in-turn", type=int, metavar="ROUNDS", help="MIDI out with the ear and without, in turn")
    parser.add_argument("--choruses", type=int, default=2, help="of each run in turn: 24 s each")
    parser.add_argument("--refused", action="store_true", help="live: without the right to real-time scheduling")
    chosen = parser.parse_args()
    if chosen.offline is not None:
        offline(chosen.offline)
    prefix = WITHOUT_RIGHTS if chosen.refused else ()
    if chosen.live is not None:
        live(chosen.live, bass=chosen.bass, prefix=prefix)
    if chosen.in_turn is not None:
        in_turn(chosen.in_turn, chosen.choruses, prefix)


if __name__ == "__main__":
    main()
