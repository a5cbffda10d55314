"""The long run of `tests/fuzzing.py`: `python -m tests.fuzz_long [--cases 200000] [--seed 1] [--target midi …]`.

Coverage-guided: while a case runs, the lines of the trainer that it reaches are noted; an input that reaches a new
one joins the corpus that later cases are mutated from. Every case must end in a result or our own error within
`--seconds`, and the process must not grow by more than 256 MB. A failing input is written to `--keep DIR`; the exit
status is 1.
"""

from __future__ import annotations

import argparse
import contextlib
import random
import signal
import sys
import time
import traceback
from collections.abc import Iterator
from pathlib import Path
from types import CodeType, FrameType
from typing import Any

import trainer
from tests.fuzzing import TARGETS, mutated, mutated_json, run, seeds

ROOT = str(Path(trainer.__file__).parent)
MOST_GROWTH_MB = 256.0
TRACED_EVERY = 4  # tracing costs ten times the case itself; the rest run free


class TooLong(BaseException):
    """A case ran longer than it may."""


@contextlib.contextmanager
def noted_lines(seen: set[tuple[str, int]]) -> Iterator[None]:
    """Adds the lines of the trainer that run inside to `seen`."""
    ours: dict[CodeType, bool] = {}

    def local(frame: FrameType, event: str, _: Any) -> Any:
        if event == "line":
            seen.add((frame.f_code.co_filename, frame.f_lineno))
        return local

    def on_call(frame: FrameType, event: str, _: Any) -> Any:
        code = frame.f_code
        if code not in ours:
            ours[code] = code.co_filename.startswith(ROOT)
        return local if ours[code] else None

    before = sys.gettrace()
    sys.settrace(on_call)
    try:
        yield
    finally:
        sys.settrace(before)


def main() -> int:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--cases", type=int, default=200_000)
    options.add_argument("--seed", type=int, default=1)
    options.add_argument("--target", nargs="*", choices=sorted(TARGETS), default=sorted(TARGETS))
    options.add_argument("--seconds", type=float, default=10.0, help="the longest that one case may take")
    options.add_argument("--keep", type=Path, default=Path("fuzz_failures"))
    chosen = options.parse_args()
    rng = random.Random(chosen.seed)
    corpus = {target: list(seeds(target)) for target in chosen.target}
    reached: dict[str, set[tuple[str, int]]] = {target: set() for target in chosen.target}
    ends: dict[tuple[str, str], int] = {}
    for target in chosen.target:
        for data in corpus[target]:
            with noted_lines(reached[target]):
                run(target, data)

    def too_long(*_: Any) -> None:
        raise TooLong

    signal.signal(signal.SIGALRM, too_long)
    import resource  # Linux and macOS

    start_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0
    began, slowest, n_failed = time.perf_counter(), 0.0, 0
    targets = rng.choices(chosen.target, [TARGETS[target].share for target in chosen.target], k=chosen.cases)
    for i, target in enumerate(targets):
        known = corpus[target]
        base = rng.choice(known)
        as_tree = target == "json" and rng.random() < 0.5 and _is_json(base)
        data = mutated_json(base, rng) if as_tree else mutated(base, rng, known)
        lines: set[tuple[str, int]] = set()
        case_began = time.perf_counter()
        signal.setitimer(signal.ITIMER_REAL, chosen.seconds)
        try:
            with noted_lines(lines) if i % TRACED_EVERY == 0 else contextlib.nullcontext():
                end = run(target, data)
        except (Exception, TooLong):
            end = "FAILED"
            n_failed += 1
            chosen.keep.mkdir(parents=True, exist_ok=True)
            (chosen.keep / f"{target}-{chosen.seed}-{i}.bin").write_bytes(data)
            print(f"case {i} ({target}, {len(data)} bytes):", traceback.format_exc(limit=-4), flush=True)
        finally:
            signal.setitimer(signal.ITIMER_REAL, 0.0)
        slowest = max(slowest, time.perf_counter() - case_began)
        ends[target, end] = ends.get((target, end), 0) + 1
        if lines - reached[target] and len(data) < 50_000:
            reached[target] |= lines
            known.append(data)
        if i % 5_000 == 4_999:
            print(f"{i + 1} cases, {time.perf_counter() - began:.0f} s, {n_failed} failed", flush=True)
    grown_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0 - start_mb
    for target in chosen.target:
        counts = ", ".join(f"{n} {end}" for (name, end), n in sorted(ends.items()) if name == target)
        print(f"{target}: {counts}; {len(reached[target])} lines reached, corpus of {len(corpus[target])}")
    print(f"slowest case {slowest:.2f} s; grown by {grown_mb:.0f} MB; {time.perf_counter() - began:.0f} s in all")
    return int(n_failed > 0 or grown_mb > MOST_GROWTH_MB)


def _is_json(data: bytes) -> bool:
    import json

    try:
        return isinstance(json.loads(data), dict)
    except (ValueError, RecursionError):
        return False


if __name__ == "__main__":
    sys.exit(main())
