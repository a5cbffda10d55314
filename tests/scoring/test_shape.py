"""The shape of a song on takes written here: features counted by hand, verdicts, contrast, build, arc, gate, accent."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
import scipy.stats

from tests.scoring.makers import line_take, shuffle_rows
from trainer.clock.tempo import TempoMap
from trainer.scoring.align import read_notes
from trainer.scoring.landing import landing
from trainer.scoring.shape import Shape, rank_correlation, rhythm_repeat, shape
from trainer.scoring.stats import welch
from trainer.session import Chart, expand, session_from_dict
from trainer.take import FLAG_NO_RELEASE, Take, TakeHeader, notes_from_rows

ROLES = [
    {"role": "verse", "times": 3, "intensity": 0.4},
    {"role": "solo", "times": 2, "intensity": [0.7, 0.9]},
    {"role": "verse", "times": 1, "intensity": 0.4},
]
OFF = 2.0 / 3.0
PINNED = [(0.0, 0), (OFF, 0), (1.0, 0), (1 + OFF, 0), (2.0, 7), (2 + OFF, 7), (3.0, 0)]


def chart_of(**more: Any) -> Chart:
    return expand(session_from_dict({"key": "A", "chorus": ROLES, "tempo_bpm": 120.0, **more}))


def play(chart: Chart, bar_of: Any, **header: Any) -> Shape:
    """`bar_of(bar)` gives (place in the bar, semitones above the root[, velocity[, share held]]) for each bar."""
    rows = []
    flags = header.pop("flags", 0)
    for bar in chart.bars:
        figure = [(0.0, 0)] if bar.final else bar_of(bar)
        root = 28 + (bar.chords[0].root_pc - 28) % 12
        places = [row[0] for row in figure] + [4.0]
        for i, row in enumerate(figure):
            velocity = row[2] if len(row) > 2 else 80 + (i % 3)
            held = row[3] if len(row) > 3 else 0.75
            length = held * (places[i + 1] - row[0])
            rows.append(((bar.onset_beats + row[0]) * 0.5, length * 0.5, root + row[1], velocity, 0, flags))
    take = Take(notes_from_rows(rows), TempoMap.constant(120.0), chart.session, header=TakeHeader(**header))
    reading = read_notes(take, chart)
    return shape(reading, chart, landing(reading))


def solo_bar(bar: Any) -> list[tuple[float, int]]:
    """Busier and higher than the verse, roots where the chord changes."""
    up = 12 if bar.bar % 2 else 14
    return [
        (0.0, 0),
        (0.33, 4),
        (0.67, 7),
        (1.0, up),
        (1 + OFF, 10),
        (2.0, 9),
        (2.33, 7),
        (2.67, 4),
        (3.0, 14),
        (3 + OFF, 12),
    ]


def verse_solo(bar: Any) -> list[tuple[float, int]]:
    return solo_bar(bar) if bar.role == "solo" else PINNED


def test_a_song_to_plan_is_pinned_then_open_then_pinned() -> None:
    result = play(chart_of(), verse_solo)
    assert [c.verdict for c in result.choruses] == ["pinned"] * 3 + ["open"] * 2 + ["pinned"]
    assert result.planned == (6, 6)
    assert "opened up" in result.sentences[3]


def test_features_of_a_chorus_counted_by_hand() -> None:
    first = play(chart_of(), verse_solo).choruses[0].to_dict()
    assert first["notes_per_bar"] == 7.0 and first["n"] == 84
    assert first["root_share"] == pytest.approx(5 / 7, abs=1e-3) and first["chord_tone_share"] == 1.0
    assert first["span_semitones"] == 7.0 and first["rhythm_repeat"] == 1.0
    p = np.array([5 / 7, 2 / 7])
    assert first["entropy_bits"] == pytest.approx(scipy.stats.entropy(p, base=2), abs=1e-3)
    # Roots A 33 ×7 bars, D 38 ×3 (bars 2, 5, 6) and bar 10, E 28 ×2: the top is D's fifth.
    assert first["top_pitch"] == 45.0 and first["triplet_figures"] == 0
    assert first["missed"] == 0 and first["changes"] > 0


def test_a_solo_kept_like_a_verse_is_held() -> None:
    result = play(chart_of(), lambda bar: PINNED)
    assert [c.verdict for c in result.choruses[3:5]] == ["held", "held"]
    assert [c.as_planned for c in result.choruses[3:5]] == [False, False]  # the plan was to open
    quiet = [dict(ROLES[0]), {"role": "solo", "times": 2, "intensity": 0.3}]
    result = play(chart_of(chorus=quiet), lambda bar: PINNED)
    assert [(c.verdict, c.as_planned) for c in result.choruses[3:5]] == [("held", None)] * 2


def test_varied_without_the_changes_is_wandering() -> None:
    def lost(bar: Any) -> list[tuple[float, int]]:
        if bar.role != "solo":
            return PINNED
        return [(at, step + 6) for at, step in solo_bar(bar)]  # a tritone off every root

    assert [c.verdict for c in play(chart_of(), lost).choruses[3:5]] == ["wandering"] * 2


def test_a_verse_of_many_rhythms_on_the_changes_is_mixed() -> None:
    figures = [[(0.0, 0), (1.0, 0)], [(0.0, 0), (0.67, 0), (3.67, 7)], [(0.0, 0), (2.0, 7), (2.67, 0), (3.33, 7)]]

    def loose(bar: Any) -> list[tuple[float, int]]:
        return figures[bar.idx % 3] if bar.chorus == 2 else PINNED

    result = play(chart_of(), loose)
    assert result.choruses[1].verdict == "mixed" and result.choruses[1].as_planned is False
    assert result.choruses[1].rhythm_repeat.value < 0.6


def test_contrast_is_the_difference_with_its_interval() -> None:
    result = play(chart_of(), verse_solo)
    dense = result.to_dict()["contrast"]["notes_per_bar"]
    assert dense["difference"] == 3.0 and dense["ci95"] == [3.0, 3.0]
    assert result.contrast["median_pitch"].low > 0.0


def test_a_solo_that_was_not_played_is_no_contrast() -> None:
    for n_bars in (36, 37):  # up to the solo, and a bar into it
        stopped = play(chart_of(), lambda bar, n=n_bars: PINNED if bar.idx < n else [])
        assert stopped.contrast == {} and stopped.no_contrast is not None
        assert stopped.no_contrast.code == "no_notes"
    one_left_out = play(chart_of(), lambda bar: [] if bar.chorus == 2 else verse_solo(bar))
    assert one_left_out.to_dict()["contrast"]["notes_per_bar"]["difference"] == 3.0  # the chorus sat out drags nothing


def test_welch_and_spearman_equal_scipy() -> None:
    # scipy.stats.ttest_ind(equal_var=False) and spearmanr are the outside judges.
    rng = np.random.default_rng(3)
    a, b = rng.normal(0, 1, 20), rng.normal(0.5, 2, 35)
    ours = welch(a, b)
    theirs = scipy.stats.ttest_ind(b, a, equal_var=False).confidence_interval()
    assert (ours.low, ours.high) == pytest.approx((theirs.low, theirs.high), rel=1e-3)
    assert ours.value == pytest.approx(b.mean() - a.mean())
    x, y = rng.integers(0, 5, 30).astype(float), rng.normal(0, 1, 30)
    assert rank_correlation(x, y) == pytest.approx(scipy.stats.spearmanr(x, y).statistic)
    assert math.isnan(rank_correlation(np.ones(8), y[:8]))
    assert math.isnan(welch(a[:3], b).low) and welch(a[:0], b).n == 0


def test_rhythm_repeat_is_the_mean_likeness_of_two_bars() -> None:
    same = np.array([[1, 0, 1, 1], [1, 0, 1, 1], [0, 0, 0, 0]], dtype=bool)
    assert rhythm_repeat(same) == 1.0  # an empty bar has no rhythm
    assert rhythm_repeat(np.array([[1, 1, 0], [1, 0, 1]], dtype=bool)) == pytest.approx(1 / 3)
    assert math.isnan(rhythm_repeat(same[:1]))


def test_build_follows_the_planned_intensity() -> None:
    plan = [
        {"role": "verse", "times": 1, "intensity": 0.3},
        {"role": "solo", "times": 4, "intensity": [0.4, 0.6, 0.8, 1.0]},
    ]

    def louder(bar: Any) -> list[tuple[float, int, int]]:
        return [(at, step + bar.chorus, 60 + 8 * bar.chorus + (at == 0.0)) for at, step in PINNED]

    build = play(chart_of(chorus=plan), louder).build
    assert build["velocity"].value == pytest.approx(1.0) and build["median_pitch"].value == pytest.approx(1.0)
    flat = play(chart_of(chorus=[{"role": "verse", "times": 5}]), louder)
    assert flat.to_dict()["build"]["velocity"] is None
    assert flat.no_build is not None and flat.no_build.code == "not_asked"


def test_an_arc_goes_up_over_one_chorus_and_down_over_the_next() -> None:
    def arc(bar: Any) -> list[tuple[float, int]]:
        if bar.chorus == 4:
            return [(at, step + 2 * (bar.bar - 1)) for at, step in PINNED]
        if bar.chorus == 5:
            return [(at, step + 2 * (12 - bar.bar)) for at, step in PINNED]
        return PINNED

    assert play(chart_of(), arc).arc == (4, 5)
    assert play(chart_of(), lambda bar: PINNED).arc is None


def test_gate_and_accent() -> None:
    def held(bar: Any) -> list[tuple[float, int, int, float]]:
        return [
            (at, step, (90 if at in (1.0, 3.0) else 80) - (6 if at % 1 else 0), 0.5 if at % 1 else 0.8)
            for at, step in PINNED
        ]

    result = play(chart_of(), held)
    assert result.gate.long.value == pytest.approx(0.8, abs=0.01)
    assert result.gate.short.value == pytest.approx(0.5, abs=0.01)
    assert result.accent.value == 10.0 and result.accent_offbeat.value < 0.0


def test_what_an_input_cannot_tell_is_null_with_a_reason() -> None:
    one = [(at, step, 90) for at, step in PINNED]
    out = play(chart_of(), lambda bar: one, flags=FLAG_NO_RELEASE).to_dict()
    assert out["accent"] is None and out["why"]["accent"]["code"] == "flat_velocity"
    assert out["gate"]["long"] is None and out["why"]["gate_long"]["code"] == "no_releases"
    assert "velocity" not in out["contrast"]
    silent = play(chart_of(), lambda bar: [] if bar.chorus == 2 else PINNED)
    sat_out = silent.choruses[1].to_dict()
    assert sat_out["verdict"] is None and sat_out["why"]["verdict"]["code"] == "laid_out"
    assert sat_out["as_planned"] is None and sat_out["why"]["median_pitch"]["code"] == "too_few"
    assert silent.sentences[1].endswith(": you sat it out.")


def test_transposing_chart_and_take_together_changes_no_verdict() -> None:
    a, b = play(chart_of(), verse_solo), play(chart_of(key="B"), verse_solo)
    for x, y in zip(a.choruses, b.choruses, strict=True):
        assert (x.verdict, x.root_share, x.entropy_bits, x.rhythm_repeat) == (
            y.verdict, y.root_share, y.entropy_bits, y.rhythm_repeat,
        )  # fmt: skip


def test_the_line_is_understood_without_a_manual() -> None:
    """Counts in words, who went as planned of how many, and a verse that opened against the plan."""
    made = [replace(c, verdict="pinned", as_planned=True) for c in play(chart_of(), verse_solo).choruses]
    solo = [i for i, c in enumerate(made) if c.role == "solo"]
    for i in solo:
        made[i] = replace(made[i], verdict="held", as_planned=None)
    shaped = replace(play(chart_of(), verse_solo), choruses=tuple(made))
    n = len(made) - len(solo)
    held = "1 solo" if len(solo) == 1 else f"{len(solo)} solos"
    kept = f"{n} choruses held it down, {held} played like a verse"
    assert shaped.line == f"{kept}; {n} of {n} with a plan kept to it"
    made[0] = replace(made[0], verdict="open", as_planned=False)
    assert replace(shaped, choruses=tuple(made)).line.endswith(
        "; chorus 1 opened up where the plan was to hold it down"
    )


def test_a_chorus_of_which_half_was_lost_is_not_as_planned() -> None:
    chart = chart_of()
    take = line_take(chart, shuffle_rows(chart, 2.0))
    reading = read_notes(take, chart)
    first = [bar.idx for bar in chart.bars if bar.chorus == 1]
    for n_lost, planned in ((5, True), (6, False)):
        found = shape(reading, chart, landing(reading), lost_bars=first[:n_lost])
        assert found.choruses[0].as_planned is planned
