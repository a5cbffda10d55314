"""Human bass and cymbals: half of the 34 hand-annotated excerpts of the Jazz Trio Database (Cheston, Schlichting, Cross
& Harrison 2024, TISMIR, doi 10.5334/tismir.186), where the folder is present beside the project.

Computed from all 34: bass ratio median 1.91 (IQR 1.46–2.40); bass minus cymbals mean +6.6 ms, SD 23.4 ms, per excerpt
SD median 21.6 ms (12.1–41.9). Each excerpt is also compared with a few lines of numpy that share nothing with the
scorer: on the beats that both take for played, mean and SD agree.
"""

from __future__ import annotations

import csv
import os
from pathlib import Path

import numpy as np
import pytest

from trainer.clock.tempo import TempoMap
from trainer.scoring.align import read_notes
from trainer.scoring.stats import drift_interval, mean_interval
from trainer.scoring.swing import swing
from trainer.scoring.timing import timing
from trainer.take import Take, TakeHeader, notes_from_rows

BESIDE = Path(__file__).resolve().parents[3] / "shared" / "data" / "jazz-trio"
FOLDER = Path(os.environ.get("TRAINER_HUMAN_DATA") or BESIDE)
FILES = sorted(FOLDER.glob("excerpt-*.csv"))
pytestmark = pytest.mark.skipif(
    not FILES, reason="no human data: tests/README.md says where it comes from and how to put it in place"
)


def load(path: Path) -> dict[str, np.ndarray]:
    streams: dict[str, list[float]] = {"bass": [], "cymbal": [], "beat": []}
    with path.open(encoding="utf-8") as handle:
        for row in csv.DictReader(handle):
            streams[row["stream"]].append(float(row["onset_s"]))
    return {name: np.unique(values) for name, values in streams.items()}


def as_take(data: dict[str, np.ndarray]) -> Take:
    """Bass as the player, cymbals as the band's ride, the annotated beats as the axis (a new tempo every beat)."""
    beat = data["beat"]
    bpm = 60.0 / np.diff(beat)
    tempo = TempoMap(zip(np.arange(len(bpm), dtype=float), bpm, strict=True), second_of_first=float(beat[0]))
    notes = notes_from_rows([(t, 0.05, 40, 80) for t in data["bass"]])
    ride = notes_from_rows([(t, 0.05, 51, 80, 9) for t in data["cymbal"]])
    return Take(notes, tempo, band=ride, header=TakeHeader(foreign=True, profile="foreign"))


def nearest(onsets: np.ndarray, beats: np.ndarray) -> np.ndarray:
    return onsets[np.argmin(np.abs(onsets[None, :] - beats[:, None]), axis=1)]


def few_lines(data: dict[str, np.ndarray]) -> tuple[dict[int, float], np.ndarray]:
    """({beat: bass − cymbal, where both play}, ratios of beats with exactly one bass onset between two on-beats)."""
    beat, bass, cymbal = data["beat"], data["bass"], data["cymbal"]
    length = np.append(np.diff(beat), np.diff(beat)[-1])
    b, c = nearest(bass, beat), nearest(cymbal, beat)
    usual = np.median((b - beat)[np.abs(b - beat) < 0.25 * length])
    on = nearest(bass, beat + usual)
    away = (on - beat - usual) / length
    has = (away > -1 / 6) & (away < 0.25)
    both = has & (np.abs(c - beat) <= 0.12 * length)
    ratios = []
    for k in np.flatnonzero(has[:-1] & has[1:]):
        inside = bass[(bass > on[k]) & (bass < on[k + 1])]
        if len(inside) == 1:
            ratios.append((inside[0] - on[k]) / (on[k + 1] - inside[0]))
    return {int(k): float(on[k] - c[k]) for k in np.flatnonzero(both)}, np.array(ratios)


@pytest.mark.parametrize("path", FILES, ids=lambda p: getattr(p, "stem", "none"))
def test_each_excerpt_agrees_with_a_few_lines(path: Path) -> None:
    data = load(path)
    take = as_take(data)
    got = timing(read_notes(take), take.band)
    theirs, _ = few_lines(data)
    if got.reference == "grid":
        # A drummer who is seldom on the beat is no reference: the annotated beats are.
        assert len(theirs) < 0.5 * got.n
        late = nearest(data["bass"], data["beat"]) - data["beat"]
        theirs = {k: float(late[k]) for k in got.beat.tolist()}
    mine = dict(zip(got.beat.tolist(), got.asynchrony_s.tolist(), strict=True))
    common = sorted(mine.keys() & theirs.keys())
    assert len(common) >= 0.8 * max(len(mine), len(theirs))
    a, b = 1e3 * np.array([mine[k] for k in common]), 1e3 * np.array([theirs[k] for k in common])
    # Two drums on one beat are averaged there and the nearest is taken here: a handful of beats differ.
    assert np.mean(np.abs(a - b) < 0.01) >= 0.94
    slack = 1.0 if b.std() < 30.0 else 0.15 * b.std()  # the loosest beats are the most open to reading
    assert a.mean() == pytest.approx(b.mean(), abs=slack)
    assert a.std() == pytest.approx(b.std(), abs=slack)
    assert 10.0 < a.std() < 55.0


def test_pooled_bass_minus_cymbal_is_in_the_published_range() -> None:
    pooled, few = [], []
    for path in FILES:
        data = load(path)
        take = as_take(data)
        pooled.append(timing(read_notes(take), take.band).asynchrony_s)
        few += few_lines(data)[0].values()
    everything = 1e3 * np.concatenate(pooled)
    assert everything.mean() == pytest.approx(1e3 * np.mean(few), abs=2.5)
    # 17 of the 34 excerpts, whose means differ by some 12 ms: two standard errors are 6 ms.
    assert everything.mean() == pytest.approx(6.6, abs=6.0)
    # Excerpt 22 alone (a bass up to 90 ms behind, half of it in even eighths) adds 4 ms to the pooled spread.
    assert everything.std() == pytest.approx(23.4, abs=6.0)
    steady = [a for path, a in zip(FILES, pooled, strict=True) if path.stem != "excerpt-22"]
    assert 1e3 * np.concatenate(steady).std() == pytest.approx(23.4, abs=2.0)
    assert float(np.median([1e3 * a.std() for a in pooled])) == pytest.approx(21.6, abs=4.0)


def test_pooled_bass_ratio_is_near_the_published_median() -> None:
    mine, theirs = [], []
    for path in FILES:
        data = load(path)
        found = swing(read_notes(as_take(data))).found
        mine.append(found.ratio[~found.stand_in])
        theirs.append(few_lines(data)[1])
    ours, few = np.concatenate(mine), np.concatenate(theirs)
    assert float(np.median(ours)) == pytest.approx(1.9, abs=0.12)
    assert float(np.median(ours)) == pytest.approx(float(np.median(few)), abs=0.06)
    low, high = np.quantile(ours, [0.25, 0.75])
    assert low == pytest.approx(1.46, abs=0.2) and high == pytest.approx(2.40, abs=0.2)


def test_the_two_halves_of_a_player_agree() -> None:
    """Of a recorded player both halves say the same of place and drift, as far as their intervals tell (a check with
    no model of how people wander behind it)."""
    agree: dict[str, list[bool]] = {"mean": [], "drift": []}
    for path in FILES:
        take = as_take(load(path))
        got = timing(read_notes(take), take.band)
        half = got.n // 2
        for name, of in (("mean", mean_interval), ("drift", lambda v, p: drift_interval(v, p / 48.0, p))):
            parts = (slice(0, half), slice(half, None))
            a, b = (of(got.asynchrony_s[part], got.beat[part].astype(np.float64)) for part in parts)
            reach = [max(f.high - f.value, f.value - f.low) for f in (a, b)]
            agree[name].append(abs(a.value - b.value) <= np.hypot(*reach))
    for name, found in agree.items():
        assert np.mean(found) >= 0.92, name
