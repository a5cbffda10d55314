"""The long run of `tests/structures.py`: `python -m tests.structures_long [--cases 100000] [--family midi …]`.

Cases run in children that were forked from one that has everything loaded. None may end in a traceback, take more than
`--seconds` of processor time (or stand still), or bring its process over `--megabytes`. `--only FAMILY:N` runs one case
by itself and says all.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import signal
import sys
import tempfile
import time
import traceback
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

from tests.structures import FAMILIES, outcome

STANDS_STILL_S = 90.0  # by the clock on the wall, which other programs stretch
MOST_BYTES = 3_000_000_000  # of address space: the machine itself is not put in danger
FRESH_AFTER = 400  # cases of one child
# How often a family comes: by what it costs and how much there is to get wrong.
SHARE = {
    "midi": 22, "toml": 14, "sheet": 8, "take": 14, "result": 10, "journal": 10, "xml": 14, "sound": 4, "settings": 4,
}  # fmt: skip


class TooLong(BaseException):
    """A case took more processor time than it may."""


def _peak_mb() -> float:
    """The most memory that this process has held since it was last asked (Linux), or ever."""
    try:
        status = Path("/proc/self/status").read_text()
        peak = int(status.split("VmHWM:")[1].split()[0]) / 1024
        Path("/proc/self/clear_refs").write_text("5")
    except (OSError, IndexError):
        import resource

        return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    return peak


def _child(cases: list[tuple[str, int]], folder: Path, out: int, seconds: float) -> None:
    """Run cases, a line of JSON each: begun, then what came of it."""

    def too_long(*_: object) -> None:
        raise TooLong

    def say(*row: object) -> None:
        os.write(out, json.dumps(row).encode() + b"\n")

    import resource  # Linux and macOS

    signal.signal(signal.SIGPROF, too_long)
    resource.setrlimit(resource.RLIMIT_AS, (MOST_BYTES, MOST_BYTES))
    for family, number in cases:
        say("begin", family, number)
        _peak_mb()
        began = time.process_time()
        signal.setitimer(signal.ITIMER_PROF, seconds)
        try:
            end, why = outcome(family, number, folder)
        except TooLong:
            end, why = "failed", f"over {seconds:g} s"
        except Exception:
            end, why = "failed", traceback.format_exc()
        finally:
            signal.setitimer(signal.ITIMER_PROF, 0.0)
        say("end", family, number, end, why[-3000:], time.process_time() - began, _peak_mb())


@dataclass
class Worker:
    pid: int
    pipe: int
    folder: Path
    waiting: list[tuple[str, int]]
    text: bytes = b""
    at: tuple[str, int] | None = None
    since: float = 0.0


def _started(cases: list[tuple[str, int]], folder: Path, seconds: float) -> Worker:
    read, write = os.pipe()
    pid = os.fork()
    if pid == 0:
        os.close(read)
        try:
            _child(cases, folder, write, seconds)
        finally:
            os._exit(0)
    os.close(write)
    return Worker(pid, read, folder, cases, since=time.monotonic())


def main() -> int:
    import select  # of pipes: Linux and macOS

    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--cases", type=int, default=100_000)
    options.add_argument("--from", dest="first", type=int, default=0, help="the number of each family's first case")
    options.add_argument("--family", nargs="*", choices=sorted(FAMILIES), default=sorted(FAMILIES))
    options.add_argument("--workers", type=int, default=os.cpu_count() or 1)
    options.add_argument("--seconds", type=float, default=10.0)
    options.add_argument("--megabytes", type=float, default=300.0)
    options.add_argument("--only", metavar="FAMILY:N")
    asked = options.parse_args()
    if asked.only:
        family, number = asked.only.split(":")
        folder = Path(tempfile.mkdtemp(prefix="structure-"))
        began = time.process_time()
        print(*outcome(family, int(number), folder), sep="\n")
        print(f"{time.process_time() - began:.2f} s, {_peak_mb():.0f} MB, files in {folder}")
        return 0
    total = sum(SHARE[name] for name in asked.family)
    cases = [(name, asked.first + i) for name in asked.family for i in range(round(asked.cases * SHARE[name] / total))]
    cases = [case for _, case in sorted((i / SHARE[case[0]], case) for i, case in ((c[1], c) for c in cases))]
    _load()
    place = Path(tempfile.mkdtemp(prefix="structures-", dir="/dev/shm" if os.path.isdir("/dev/shm") else None))
    ends: Counter[tuple[str, str]] = Counter()
    slowest, largest = (0.0, ""), (0.0, "")
    n_failed = n_done = 0
    began = time.monotonic()
    workers: list[Worker] = []
    n_folders = 0

    def failed(case: tuple[str, int], why: str) -> None:
        nonlocal n_failed
        n_failed += 1
        ends[case[0], "failed"] += 1
        print(f"{case[0]}:{case[1]}: {why.strip()[-1500:].encode('ascii', 'backslashreplace').decode()}\n", flush=True)

    try:
        while cases or workers:
            while cases and len(workers) < asked.workers:
                batch, cases = cases[:FRESH_AFTER], cases[FRESH_AFTER:]
                n_folders += 1
                workers.append(_started(batch, place / str(n_folders), asked.seconds))
            asked_s = time.monotonic()
            ready, _, _ = select.select([worker.pipe for worker in workers], [], [], 1.0)
            held_s = max(0.0, time.monotonic() - asked_s - 1.0)  # we ourselves were stopped for that long
            for worker in list(workers):
                worker.since += held_s
                gone = False
                if worker.pipe in ready:
                    data = os.read(worker.pipe, 65_536)
                    gone = not data
                    *lines, worker.text = (worker.text + data).split(b"\n")
                    for line in lines:
                        row = json.loads(line)
                        case = (row[1], row[2])
                        if row[0] == "begin":
                            worker.at, worker.since = case, time.monotonic()
                            continue
                        worker.at = None
                        worker.waiting.remove(case)
                        n_done += 1
                        _, _, _, end, why, took_s, peak_mb = row
                        slowest = max(slowest, (took_s, f"{case[0]}:{case[1]}"))
                        largest = max(largest, (peak_mb, f"{case[0]}:{case[1]}"))
                        if peak_mb > asked.megabytes:
                            end, why = "failed", f"{why} {peak_mb:.0f} MB"
                        if end == "failed":
                            failed(case, why)
                        else:
                            ends[case[0], end] += 1
                        if n_done % 5000 == 0:
                            print(f"{n_done} cases, {time.monotonic() - began:.0f} s, {n_failed} failed", flush=True)
                elif time.monotonic() - worker.since > STANDS_STILL_S:
                    os.kill(worker.pid, signal.SIGKILL)
                    gone = True
                if gone:
                    os.close(worker.pipe)
                    os.waitpid(worker.pid, 0)
                    workers.remove(worker)
                    shutil.rmtree(worker.folder, ignore_errors=True)
                    if worker.at is not None:
                        failed(worker.at, "the process ended or stood still")
                        worker.waiting.remove(worker.at)
                        n_done += 1
                    if worker.waiting:
                        cases = worker.waiting + cases
    finally:
        for worker in workers:
            os.kill(worker.pid, signal.SIGKILL)
        shutil.rmtree(place, ignore_errors=True)
    for family in asked.family:
        print(f"{family}: {', '.join(f'{n} {end}' for (name, end), n in sorted(ends.items()) if name == family)}")
    print(
        f"{n_done} cases, {n_failed} failed; slowest {slowest[0]:.2f} s ({slowest[1]}), most memory "
        f"{largest[0]:.0f} MB ({largest[1]}); {time.monotonic() - began:.0f} s in all"
    )
    return int(n_failed > 0)


def _load() -> None:
    """Everything that a case imports, once for all children: one case of each family."""
    with tempfile.TemporaryDirectory() as place:
        for family in FAMILIES:
            for number in range(-12, 0):
                outcome(family, number, Path(place) / "x")


if __name__ == "__main__":
    sys.exit(main())
