"""Five thousand takes: the index made from nothing, made again from kept cards, and asked, beside reading every take.

python tests/bench/bench_history.py [n_takes]
"""

from __future__ import annotations

import datetime
import os
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

from trainer.clock import TempoMap
from trainer.line import Feel, StandIn, planned_song
from trainer.practice.cards import CARD_SUFFIX
from trainer.practice.history import History
from trainer.session import expand, session_from_dict
from trainer.settings import APP_NAME
from trainer.take import Take, TakeHeader, read_take, write_take

KEYS = ("G", "A", "E", "C", "D", "Bb", "F")


def small_take(n: int) -> Take:
    session = session_from_dict({"key": KEYS[n % len(KEYS)], "tempo_bpm": 90 + n % 40, "chorus": [{"role": "verse"}]})
    chart = expand(session)
    tempo = TempoMap(chart.tempo_segments)
    notes = StandIn(Feel(), seed=n).play(planned_song(chart, n), tempo).notes
    day = datetime.datetime(2024, 1, 1, 19, tzinfo=datetime.UTC) + datetime.timedelta(hours=4 * n)
    return Take(notes=notes, tempo=tempo, session=session, header=TakeHeader(created=day.isoformat()))


def make(folder: Path, n_takes: int) -> None:
    """Fifty played takes, written under many names and dates: the files are as many and as large as real ones."""
    played = [small_take(n) for n in range(50)]
    for n in range(n_takes):
        day = datetime.datetime(2024, 1, 1, 19, tzinfo=datetime.UTC) + datetime.timedelta(hours=4 * n)
        take = played[n % len(played)]
        write_take(replace(take, header=replace(take.header, created=day.isoformat())), folder, f"take-{n:05d}")


def timed(what: str, did: object) -> float:
    assert callable(did)
    start = time.perf_counter()
    did()
    seconds = time.perf_counter() - start
    print(f"{what:<58}{seconds:8.2f} s")
    return seconds


def main() -> None:
    n_takes = int(sys.argv[1]) if len(sys.argv) > 1 else 5000
    with tempfile.TemporaryDirectory(prefix="history-") as place:
        data = Path(place)
        folder = data / APP_NAME / "takes"
        folder.mkdir(parents=True)
        timed(f"{n_takes} takes written", lambda: make(folder, n_takes))
        reading = timed(
            "a tenth of them read and no more", lambda: [read_take(p) for p in sorted(folder.glob("*0.mid"))]
        )
        with History(folder) as book:
            first = timed("index from nothing, every take scored", book.refresh)
            again = timed("index made again from kept cards", book.rebuild)
            timed("refresh, nothing new", book.refresh)
            for card in folder.glob(f"*{CARD_SUFFIX}"):
                card.unlink()
            bare = timed("index made again, every card lost", book.rebuild)
        commands = {
            "history": ["history"],
            "history --json": ["history", "--json"],
            "practice --plan": ["practice", "--plan"],
        }
        for name, words in commands.items():
            arguments = [sys.executable, "-m", "trainer", *words, "--takes", str(folder)]
            timed(f"trainer {name}", lambda a=arguments: subprocess.run(a, stdout=subprocess.DEVNULL, check=True))
        timed(
            "trainer (alone)",
            lambda: subprocess.run(
                [sys.executable, "-m", "trainer"],
                stdout=subprocess.DEVNULL,
                check=True,
                env={**os.environ, "XDG_DATA_HOME": str(data)},
            ),
        )
        print(f"scoring beside reading: {first / (10.0 * reading):.1f}; cards kept beside lost: {again / bare:.2f}")


if __name__ == "__main__":
    main()
