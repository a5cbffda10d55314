"""Swing: exact ratios, stand-ins, triplets kept apart, groups, and outside judges (LilyPond's files, amads)."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from amads.time.swing import beat_upbeat_ratio

from tests.lily import lily_score
from tests.scoring.makers import chart_of, line_take, root_pitch, shuffle_rows, shuffle_take
from tests.sim.swing_recovery import recover
from trainer.clock.tempo import TempoMap
from trainer.scoring import score
from trainer.scoring.align import read_notes
from trainer.scoring.clean import pitch_hz
from trainer.scoring.swing import pairs, swing
from trainer.scoring.text import feel_line
from trainer.session import BarSpan, ChorusPlan
from trainer.take import Calibration, Take, TakeHeader, empty_notes, notes_from_rows, read_take

# Ratio → place of the off-beat in % of the beat, 100 r/(1 + r): by definition.
PLACES = {1.0: 50.0, 1.5: 60.0, 2.0: 66.67, 2.5: 71.43, 3.0: 75.0, 3.5: 77.78}


@pytest.mark.parametrize("ratio", sorted(PLACES))
@pytest.mark.parametrize("bpm", [40.0, 96.0, 240.0])
def test_a_perfect_take_gives_its_ratio(ratio: float, bpm: float) -> None:
    chart = chart_of(2, tempo_bpm=bpm, swing_ratio=ratio)
    got = swing(read_notes(shuffle_take(chart, ratio), chart))
    assert got.ratio.value == pytest.approx(ratio, rel=1e-9)
    assert (got.ratio.low, got.ratio.high) == pytest.approx((ratio, ratio), rel=1e-9)
    assert got.offbeat_pct.value == pytest.approx(PLACES[ratio], abs=0.005)
    assert got.ratio.n == 92 and got.n_stand_in == 0 and got.log2_sd.value == pytest.approx(0.0, abs=1e-9)
    assert got.band.value == ratio and got.to_dict()["why"] == {}


@pytest.mark.parametrize(("bpm", "short_ms"), [(90, 222.2), (120, 166.7), (160, 125.0), (200, 100.0)])
def test_the_triplet_short_note_is_20000_over_bpm(bpm: float, short_ms: float) -> None:
    chart = chart_of(2, tempo_bpm=float(bpm))
    assert swing(read_notes(shuffle_take(chart), chart)).short_ms.value == pytest.approx(short_ms, abs=0.05)


@pytest.mark.parametrize(("bpm", "ratio"), [(120, 4.0), (150, 3.0), (200, 2.0), (300, 1.0)])
def test_a_constant_short_note_of_100_ms(bpm: float, ratio: float) -> None:
    """r = (60000/bpm − 100)/100: arithmetic on the constant short note of Friberg & Sundström 2002."""
    tempo = TempoMap.constant(float(bpm))
    rows = [(60.0 * k / bpm + off, 0.05, 40, 90) for k in range(64) for off in (0.0, 60.0 / bpm - 0.1)]
    got = swing(read_notes(Take(notes_from_rows(rows), tempo)))
    assert got.ratio.value == pytest.approx(ratio, rel=1e-6)


@pytest.mark.parametrize(
    ("command", "ratio"),
    [("", 1.0), (r"\tripletFeel 8", 2.0), (r"\applySwing 8 #'(3 1)", 3.0)],
    ids=["even", "2:1", "3:1"],
)
def test_lilypond_files_of_known_swing(command: str, ratio: float, tmp_path: Path) -> None:
    """LilyPond 2.25's own swing scripts write the file; nothing of ours has touched its times."""
    bar = "g,8 g, b, b, d d e d "
    path = lily_score(bar * 16, tmp_path, bpm=104, swing=command)
    got = score(read_take(path))
    assert got.swing.ratio.value == pytest.approx(ratio, abs=0.01)
    assert got.swing.ratio.n >= 60
    assert got.timing.mean_s.value == pytest.approx(0.0, abs=0.0015)


@pytest.mark.parametrize("ratio", [1.0, 1.6, 2.2, 3.2])
def test_amads_agrees_on_every_pair(ratio: float) -> None:
    """amads.time.swing.beat_upbeat_ratio on the same beats and off-beats, pair by pair."""
    chart = chart_of(3, swing_ratio=ratio)
    reading = read_notes(shuffle_take(chart, ratio, jitter_ms=12.0, seed=8, late_ms=15.0), chart)
    found = pairs(reading)
    onset_s = reading.notes["onset_s"]
    on = onset_s[reading.on_note_idx[reading.on_note_idx >= 0]]
    off = onset_s[reading.between_note_idx[found.beat - reading.first_beat_idx]]
    theirs = np.array([r if r is not None else np.nan for r in beat_upbeat_ratio(on.tolist(), off.tolist())])
    np.testing.assert_allclose(found.ratio, theirs[~np.isnan(theirs)], rtol=1e-9)
    assert len(found) == 140


def test_triplet_figures_are_kept_apart_by_count() -> None:
    chart = chart_of(2)
    rows = [row for row in shuffle_rows(chart, 1.6) if int(row[0] + 0.01) % 8 != 7]
    for k in range(7, 92, 8):
        rows += [(k + third / 3.0, 0.2, 31) for third in range(3)]
    got = swing(read_notes(line_take(chart, rows, jitter_ms=6.0), chart))
    assert got.n_triplet_figures == 11
    assert got.ratio.n == 92 - 11
    assert got.ratio.value == pytest.approx(1.6, rel=0.02)


def test_stand_ins_are_used_counted_and_honest() -> None:
    """A silent next beat: the grid's beat plus the player's own lateness stands in, so being late costs nothing."""
    chart = chart_of(3)
    rows = [row for row in shuffle_rows(chart, 2.0) if not (row[0] % 4 == 2 and row[0] < 140)]
    for late_ms in (0.0, 45.0):
        got = swing(read_notes(line_take(chart, rows, late_ms=late_ms), chart))
        assert got.n_stand_in == 35
        assert got.ratio.n == 140 - 35
        assert got.ratio.value == pytest.approx(2.0, rel=1e-6)
        stood = got.found.ratio[got.found.stand_in]
        np.testing.assert_allclose(stood, 2.0, rtol=1e-6)


def test_no_stand_ins_in_drop_outs() -> None:
    chart = chart_of(2, drop_outs=(BarSpan(1, 5, 8),))
    rows = [row for row in shuffle_rows(chart, 2.0) if not (row[0] % 4 == 2 and row[0] < 92)]
    got = swing(read_notes(line_take(chart, rows), chart))
    assert not np.any(got.found.stand_in & (got.found.beat >= 16) & (got.found.beat < 32))
    assert got.n_stand_in == 23 - 4
    assert np.count_nonzero((got.found.beat >= 16) & (got.found.beat < 32)) == 8  # real pairs count there too


def test_groups_by_chorus_beat_and_role() -> None:
    chart = chart_of(choruses=(ChorusPlan("verse", 2, (0.4, 0.5)), ChorusPlan("solo", 2, (0.6, 0.8))))
    rows = []
    for beat, length, pitch in shuffle_rows(chart, 2.0):
        whole = math.floor(beat + 1e-9)
        ratio = 1.6 if whole < 96 else 2.4  # verses straighter than solos
        rows.append((whole + ratio / (1 + ratio) if beat > whole + 0.1 else beat, length, pitch))
    got = swing(read_notes(line_take(chart, rows), chart)).to_dict()
    assert [(g["chorus"], g["role"], g["n"]) for g in got["per_chorus"]] == [
        (1, "verse", 48), (2, "verse", 48), (3, "solo", 48), (4, "solo", 44),
    ]  # fmt: skip
    assert [g["ratio"] for g in got["per_chorus"]] == pytest.approx([1.6, 1.6, 2.4, 2.4])
    assert {g["role"]: g["ratio"] for g in got["per_role"]} == pytest.approx({"verse": 1.6, "solo": 2.4})
    assert [g["n"] for g in got["per_beat"]] == [47, 47, 47, 47]
    low, high = got["change_ci95_log2_per_chorus"]
    assert 0.0 <= low <= got["change_log2_per_chorus"] <= high and high > 0.2


def test_where_no_eighths_are_asked_there_is_no_figure() -> None:
    walking = (ChorusPlan("verse", 2, (0.5, 0.5), "quarters"),)
    for kwargs in ({"groove": "two_beat", "tempo_bpm": 140.0}, {"choruses": walking}):
        chart = chart_of(2, **kwargs)
        quarters = [row for row in shuffle_rows(chart, 2.0) if row[0] % 1 == 0]
        for rows in (quarters, shuffle_rows(chart, 2.0)):
            got = swing(read_notes(line_take(chart, rows), chart)).to_dict()
            assert got["ratio"] is None and got["ratio_ci95"] is None and got["n"] == 0
            assert got["why"]["ratio"]["code"] == "not_asked"


def test_only_the_choruses_that_ask_for_eighths_count() -> None:
    plans = (ChorusPlan("verse", 1, (0.5,)), ChorusPlan("solo", 1, (0.5,), "quarters"), ChorusPlan("verse", 1))
    chart = chart_of(choruses=plans)
    got = swing(read_notes(shuffle_take(chart), chart))
    assert got.ratio.n == 48 + 44
    assert [g.ratio.n for g in got.per_chorus] == [48, 0, 44]


def test_empty_thin_and_quarters() -> None:
    chart = chart_of(2)
    take = shuffle_take(chart)
    empty = swing(read_notes(Take(empty_notes(), take.tempo, take.session), chart)).to_dict()
    assert empty["n"] == 0 and empty["ratio"] is None and empty["why"]["ratio"]["code"] == "none_found"
    few = swing(read_notes(line_take(chart, shuffle_rows(chart, 2.0)[:9]), chart)).to_dict()
    assert few["n"] == 4 and few["ratio"] is None and few["why"]["ratio"]["code"] == "too_few"
    assert few["why"]["ratio"]["text"].startswith("4 of at least 8 pairs") and few["ratio_ci95"] is None
    assert few["log2_sd"] is None and "log2_sd" in few["why"]
    json.dumps(empty, allow_nan=False)
    json.dumps(few, allow_nan=False)


def test_a_short_note_that_vanishes_ranks_as_infinite() -> None:
    chart = chart_of(2)
    rows = [row for row in shuffle_rows(chart, 2.0) if not (row[0] % 1 == 0 and row[0] % 4 == 1)]
    # Off-beats of beat 1 on the (silent) next beat: the short note is nothing.
    rows = [(b + 0.16 if 0.5 < b % 4 < 1 else b, n, p) for b, n, p in rows]
    got = swing(read_notes(line_take(chart, rows), chart))
    assert math.isfinite(got.ratio.value)
    json.dumps(got.to_dict(), allow_nan=False)


def test_properties_delay_transpose_tempo() -> None:
    chart = chart_of(3)
    base = swing(read_notes(shuffle_take(chart, 1.8, jitter_ms=10.0, seed=4), chart)).to_dict()
    late = swing(read_notes(shuffle_take(chart, 1.8, jitter_ms=10.0, seed=4, late_ms=70.0), chart)).to_dict()
    assert late == base
    up = chart_of(3, key=chart.key.transposed(5))
    rows = [(b, n, p + 5) for b, n, p in shuffle_rows(chart, 1.8)]
    assert swing(read_notes(line_take(up, rows, jitter_ms=10.0, seed=4), up)).to_dict() == base
    fast = chart_of(3, tempo_bpm=192.0)
    doubled = swing(read_notes(shuffle_take(fast, 1.8, jitter_ms=5.0, seed=4), fast)).to_dict()
    assert doubled["ratio"] == base["ratio"] and doubled["ratio_ci95"] == base["ratio_ci95"]
    assert doubled["short_ms"] == pytest.approx(base["short_ms"] / 2, abs=0.06)


def test_pitch_dependent_delay_is_seen_through_pairs_of_one_pitch() -> None:
    """Two periods of delay between E1 and E2 at 96 bpm turn 2.0 into about 1.7; pairs of one pitch do not care."""
    chart = chart_of(4)
    rows = []
    for i, (beat, length, _) in enumerate(shuffle_rows(chart, 2.0)):
        # Mostly the low string on the beat and its octave after it; now and then the same pitch twice.
        pitch = 28 if beat % 1 == 0 or (i // 2) % 3 == 0 else 40
        rows.append((beat, length, pitch))
    exact = line_take(chart, rows)
    notes = exact.notes.copy()
    notes["onset_s"] += 2.0 / pitch_hz(notes["pitch"].astype(float))
    order = np.argsort(notes["onset_s"], kind="stable")
    late = replace(exact, notes=notes[order], header=TakeHeader(profile="strings"))
    got = swing(read_notes(late, chart))
    octaves = got.found.ratio[~got.found.same_pitch]
    assert float(np.median(octaves)) == pytest.approx(1.7, abs=0.05)
    assert got.same_pitch is not None and got.same_pitch.ratio.value == pytest.approx(2.0, rel=1e-3)
    assert got.to_dict()["same_pitch"]["ratio"] == pytest.approx(2.0, rel=1e-3)
    assert "low notes may be reported late" in feel_line(got)
    agreeing = swing(read_notes(replace(exact, header=TakeHeader(profile="strings")), chart))
    assert agreeing.same_pitch is not None and "reported late" not in feel_line(agreeing)
    # Calibrated, the delay is gone, and the second figure with it.
    known = replace(late, header=TakeHeader(profile="strings", calibration=Calibration(0.0, 2.0)))
    got = swing(read_notes(known, chart))
    assert got.ratio.value == pytest.approx(2.0, rel=1e-4) and got.same_pitch is None
    pad = replace(late, header=TakeHeader(profile="pad"))
    assert swing(read_notes(pad, chart)).same_pitch is None


def test_a_walk_of_quarters_on_an_eighths_chart_has_no_ratio() -> None:
    chart = chart_of(2)
    rows = [(float(k), 0.9, root_pitch(chart.bars[k // 4].chords[0].root_pc)) for k in range(92)]
    got = swing(read_notes(line_take(chart, rows, jitter_ms=8.0), chart)).to_dict()
    assert got["ratio"] is None and got["why"]["ratio"]["code"] == "none_found"


@pytest.mark.parametrize("foreign", [False, True])
@pytest.mark.parametrize(
    ("ratio", "bpm", "jitter_ms"),
    [(1.0, 200.0, 15.0), (1.5, 140.0, 15.0), (2.0, 100.0, 8.0), (2.5, 200.0, 15.0), (3.5, 140.0, 15.0)],
)
def test_recovery_is_unbiased(ratio: float, bpm: float, jitter_ms: float, foreign: bool) -> None:
    """A few cells of `tests/sim/swing_recovery.py`, 60 takes each: within 1 % or the Monte Carlo error."""
    bias, error = recover(ratio, bpm, jitter_ms, 60, seed=31, foreign=foreign)
    assert abs(bias) <= max(0.01, 3.5 * error)


def test_a_difference_that_nobody_hears_is_none() -> None:
    """However narrow the interval: 2.05 to one is not "harder" than the band's 2 to one, 2.3 and 1.7 are told."""
    chart = chart_of(4)
    said = {ratio: feel_line(swing(read_notes(shuffle_take(chart, ratio), chart))) for ratio in (1.7, 2.0, 2.05, 2.3)}
    assert "you are straighter" in said[1.7] and "you swing harder, nearer dotted" in said[2.3]
    assert "you are with it" in said[2.0] and "as good as with it" in said[2.05]
