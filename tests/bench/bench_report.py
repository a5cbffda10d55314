"""The report of an eight-minute take: seconds and bytes, beside the same pictures made as PNG at a printer's 200 dpi.

    python tests/bench/bench_report.py

The whole command is timed in a process of its own (start, reading, scoring, pictures, writing); the limits, 5 s and
2 MB, are ours.
"""

from __future__ import annotations

import base64
import io
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from unittest import mock

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from matplotlib.figure import Figure

from trainer.clock import TempoMap
from trainer.line import Feel, StandIn, planned_song
from trainer.report import report_page
from trainer.scoring import score
from trainer.session import expand, session_from_dict
from trainer.take import Take, read_take, write_take

LIMIT_S, LIMIT_BYTES = 5.0, 2_000_000


def main() -> None:
    session = session_from_dict(
        {"tempo_bpm": 96.0, "chorus": [{"role": "verse", "times": 8}, {"role": "solo", "times": 8}]}
    )
    chart = expand(session)
    tempo = TempoMap(chart.tempo_segments)
    notes = StandIn(Feel(), seed=1).play(planned_song(chart, 1), tempo).notes
    with tempfile.TemporaryDirectory() as folder:
        path = write_take(Take(notes=notes, tempo=tempo, session=session), folder, "long")
        page = Path(folder) / "long.html"
        times = []
        for _ in range(3):
            start = time.perf_counter()
            subprocess.run(
                [sys.executable, "-m", "trainer", "report", str(path)], check=True, stdout=subprocess.DEVNULL
            )
            times.append(time.perf_counter() - start)
        size = page.stat().st_size
        take = read_take(path)
    card = score(take)
    start = time.perf_counter()
    report_page(take, card)
    svg_s = time.perf_counter() - start
    pictures: list[bytes] = []
    plain = Figure.savefig

    def as_png(figure: Figure, *given: object, **named: object) -> None:
        out = io.BytesIO()
        plain(figure, out, format="png", dpi=200)
        pictures.append(base64.b64encode(out.getvalue()))
        plain(figure, *given, **named)  # type: ignore[arg-type]

    with mock.patch.object(Figure, "savefig", as_png):
        report_page(take, card)
    seconds = float(tempo.seconds_at(chart.end_beats))
    print(f"a take of {seconds / 60:.1f} minutes, {len(notes)} notes")
    print(f"  trainer report: {min(times):.2f} s (most {LIMIT_S:g}), {size / 1e6:.2f} MB (most {LIMIT_BYTES / 1e6:g})")
    print(f"  the page alone: {svg_s:.2f} s")
    png = sum(map(len, pictures))
    print(f"  its pictures as PNG at 200 dpi would be {png / 1e6:.2f} MB: the whole page is {size / png:.2f} of that")


if __name__ == "__main__":
    main()
