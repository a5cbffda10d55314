"""Takes made from a chart and a feel, for the tests of the ears. Times come from the session's numbers alone."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from trainer.clock.tempo import TempoMap
from trainer.session import Chart, ChorusPlan, Session, expand
from trainer.take import Take, TakeHeader, notes_from_rows

__all__ = ["BASE_PITCH", "chart_of", "line_take", "root_pitch", "shuffle_rows", "shuffle_take"]

BASE_PITCH = 28  # open low string


def chart_of(n_choruses: int = 4, **kwargs: object) -> Chart:
    """A quick-change twelve bar in G at 96 unless told otherwise."""
    options: dict[str, object] = {
        "tempo_bpm": 96.0,
        "swing_ratio": 2.0,
        "choruses": (ChorusPlan("verse", n_choruses, (0.5,) * n_choruses),),
    }
    options.update(kwargs)
    return expand(Session(**options))  # type: ignore[arg-type]


def root_pitch(pc: int, low: int = BASE_PITCH) -> int:
    """The lowest pitch of a pitch class from `low` up."""
    return low + (pc - low) % 12


def shuffle_rows(chart: Chart, ratio: float, *, length_beats: float = 0.2) -> list[tuple[float, float, int]]:
    """(beat, length in beats, pitch): roots in swung eighths through the chart, a held root in the last bar."""
    rows: list[tuple[float, float, int]] = []
    for bar in chart.bars:
        if bar.final:
            rows.append((bar.onset_beats, 3.5, root_pitch(bar.chords[0].root_pc)))
            continue
        for beat in range(4):
            pitch = root_pitch(bar.chords[beat * len(bar.chords) // 4].root_pc)
            for frac in (0.0, ratio / (1.0 + ratio)):
                rows.append((bar.onset_beats + beat + frac, length_beats, pitch))
    return rows


def line_take(
    chart: Chart,
    rows: Iterable[Sequence[float]],
    *,
    late_ms: float = 0.0,
    jitter_ms: float = 0.0,
    seed: int = 0,
    velocity: int = 90,
    header: TakeHeader | None = None,
) -> Take:
    """A take of (beat, length in beats, pitch[, velocity]) rows, delayed and jittered."""
    tempo = TempoMap(chart.tempo_segments)
    rng = np.random.default_rng(seed)
    out = []
    for row in rows:
        onset_s = float(tempo.seconds_at(row[0]))
        length_s = float(tempo.seconds_at(row[0] + row[1])) - onset_s
        noise_s = rng.normal(0.0, jitter_ms / 1000.0) if jitter_ms else 0.0
        out.append((onset_s + late_ms / 1000.0 + noise_s, length_s, row[2], row[3] if len(row) > 3 else velocity))
    return Take(notes_from_rows(out), tempo, chart.session, header=header or TakeHeader())


def shuffle_take(chart: Chart, ratio: float = 2.0, **kwargs: object) -> Take:
    """A root shuffle through the chart."""
    return line_take(chart, shuffle_rows(chart, ratio), **kwargs)  # type: ignore[arg-type]
