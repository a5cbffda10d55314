"""Single bits turned over in a real result, and every forgery: `python -m tests.forged_long [--flips N]`."""

from __future__ import annotations

import argparse
import tempfile
from pathlib import Path

from tests.practice.forgeries import FORGERIES, a_result, flipped, read_or_refused


def main() -> int:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--flips", type=int, default=2000)
    options.add_argument("--seed", type=int, default=1)
    asked = options.parse_args()
    n_refused = n_bad = 0
    slowest = 0.0
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        data = a_result(folder).read_bytes()
        path = folder / "bit.result"
        cases = [(f"bit {bit}", body) for bit, body in flipped(data, asked.flips, asked.seed)]
        cases += [(name, forge(data)) for name, forge in FORGERIES.items()]
        import resource  # Linux and macOS

        started_kb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        for name, body in cases:
            path.write_bytes(body)
            try:
                result, line, took_s = read_or_refused(path)
            except Exception as error:
                n_bad += 1
                print(f"{name}: {type(error).__name__}: {error}")
                continue
            slowest = max(slowest, took_s)
            n_refused += result is None
            if result is None and ("\n" in line or not line):
                n_bad += 1
                print(f"{name}: more than one line: {line!r}")
        grown_mb = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - started_kb) / 1024
    print(
        f"{len(cases)} cases: {n_refused} refused in one line, {len(cases) - n_refused - n_bad} read, {n_bad} neither; "
        f"slowest {slowest:.2f} s, memory +{grown_mb:.0f} MB"
    )
    return 1 if n_bad else 0


if __name__ == "__main__":
    raise SystemExit(main())
