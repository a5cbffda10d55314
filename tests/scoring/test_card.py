"""The scorecard as a whole: keys, reasons beside nulls, foreign files, properties, the printed lines."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.scoring.makers import chart_of, line_take, shuffle_rows, shuffle_take
from trainer.clock.tempo import TempoMap
from trainer.scoring import costly_bars, score, summary
from trainer.scoring.form import BarPlace
from trainer.session import BarSpan, ChorusPlan
from trainer.take import Take, TakeHeader, empty_notes, notes_from_rows

# The keys of the project's design paper, section by section.
KEYS = {
    "": "schema scorer take_sha256 session_sha256 calibration take timing swing landing form shape devices verdict",
    "take": "notes choruses key tempo_bpm profile cleaned",
    "timing": "n mean_ms mean_ci95_ms median_ms sd_ms robust_sd_ms drift_ms_per_chorus drift_ci95_ms_per_chorus"
    " lag1 lag1_ci95 drop_outs why",
    "swing": "n n_stand_in ratio ratio_ci95 log2_sd offbeat_pct band_ratio per_chorus why",
    "landing": "changes roots landed root_rate landed_rate by_role items why",
    "form": "lost place why",
    "shape": "choruses contrast why",
    "devices": "found why",
    "verdict": "level lines advice why",
}


def nulls(section: dict[str, Any]) -> set[str]:
    return {name for name, value in section.items() if value is None}


def check(card: dict[str, Any]) -> None:
    """Every key there, every null of a section named in its why with a code and a text, no NaN."""
    json.dumps(card, allow_nan=False)
    for name, keys in KEYS.items():
        section = card if not name else card[name]
        assert set(keys.split()) <= set(section), name
        if name:
            assert nulls(section) <= set(section.get("why", {})), name
        for why in section.get("why", {}).values():
            assert why["code"] and why["text"] and why["code"] == why["code"].lower()
    assert nulls(card) <= set(card["why"])
    for drop in card["timing"]["drop_outs"]:
        assert nulls(drop) <= set(drop["why"])


def test_a_full_card() -> None:
    plans = (ChorusPlan("verse", 2, (0.4, 0.5)), ChorusPlan("solo", 3, (0.5, 0.7, 1.0)))
    chart = chart_of(choruses=plans, drop_outs=(BarSpan(3, 9, 10),))
    card = score(shuffle_take(chart, 1.9, jitter_ms=9.0, late_ms=6.0)).to_dict()
    check(card)
    assert card["schema"] == {"name": "scorecard", "major": 1, "minor": 0}
    assert card["take"]["choruses"] == 5 and card["take"]["key"] == "G" and card["take"]["tempo_bpm"] == 96.0
    assert card["take"]["cleaned"] == {"retrigger": 0, "false_start": 0, "ghost": 0}
    assert card["landing"]["by_role"] == {
        "verse": {"changes": 16, "roots": 16, "landed": 16}, "solo": {"changes": 24, "roots": 24, "landed": 24},
    }  # fmt: skip
    assert len(card["timing"]["drop_outs"]) == 1
    assert len(card["take_sha256"]) == len(card["session_sha256"]) == 64


@pytest.mark.parametrize("with_session", [True, False])
def test_an_empty_take_has_a_card(with_session: bool) -> None:
    chart = chart_of(2)
    take = Take(empty_notes(), TempoMap.constant(96.0), chart.session if with_session else None)
    card = score(take)
    check(card.to_dict())
    assert card.timing.n == 0 and card.swing.ratio.n == 0 and card.landing.total.changes == 0
    assert len(summary(card).splitlines()) == 4


def test_a_foreign_file_without_a_session_gets_timing_and_swing() -> None:
    chart = chart_of(3)
    take = replace(
        shuffle_take(chart, 1.7, jitter_ms=8.0), session=None, header=TakeHeader(foreign=True, profile="foreign")
    )
    card = score(take)
    as_dict = card.to_dict()
    check(as_dict)
    assert card.timing.n >= 140 and card.swing.ratio.value == pytest.approx(1.7, rel=0.03)
    for name in ("landing", "form", "shape", "devices"):
        assert any(why["code"] == "no_session" for why in as_dict[name]["why"].values()), name
    assert as_dict["session_sha256"] is None and as_dict["why"]["session_sha256"]["code"] == "no_session"
    counts = ("changes", "roots", "landed", "root_rate", "landed_rate")
    assert all(as_dict["landing"][name] is None and name in as_dict["landing"]["why"] for name in counts)
    with_session = score(take, session=chart.session)
    assert with_session.landing.total.roots == 24


@pytest.mark.parametrize("n_notes", [1, 2, 3, 7, 9])
def test_very_short_takes_do_not_crash(n_notes: int) -> None:
    chart = chart_of(2)
    rows = shuffle_rows(chart, 2.0)[:n_notes]
    check(score(line_take(chart, rows)).to_dict())
    check(score(replace(line_take(chart, rows), session=None)).to_dict())


@settings(max_examples=25, deadline=None)
@given(
    rows=st.lists(
        st.tuples(st.floats(-9.0, 70.0), st.floats(0.0, 3.0), st.integers(0, 127), st.integers(1, 127)), max_size=60
    )
)
def test_any_notes_at_all_give_a_card(rows: list[tuple[float, float, int, int]]) -> None:
    chart = chart_of(2, drop_outs=(BarSpan(1, 3, 4),), start="from_the_five", ending="ritard")
    take = Take(notes_from_rows(rows), TempoMap(chart.tempo_segments), chart.session)
    check(score(take).to_dict())
    check(score(replace(take, header=TakeHeader(profile="strings"))).to_dict())
    check(score(replace(take, session=None)).to_dict())


def test_the_same_take_gives_the_same_card() -> None:
    chart = chart_of(3)
    take = shuffle_take(chart, jitter_ms=9.0)
    assert score(take).to_dict() == score(take).to_dict()


def test_order_of_rows_does_not_matter() -> None:
    """Feeding the notes in any order gives the same card: the table is sorted."""
    chart = chart_of(2)
    take = shuffle_take(chart, jitter_ms=9.0)
    mixed = replace(take, notes=take.notes[np.random.default_rng(0).permutation(len(take.notes))])
    a, b = score(take).to_dict(), score(mixed).to_dict()
    assert a["take_sha256"] != b["take_sha256"]
    for name in ("timing", "swing", "landing"):
        assert a[name] == b[name]


def test_transposing_chart_and_take_together_changes_nothing() -> None:
    home = chart_of(3)
    base = score(shuffle_take(home, 1.9, jitter_ms=9.0)).to_dict()
    for step in (1, 5, 8):
        chart = chart_of(3, key=home.key.transposed(step))
        rows = [(b, n, p + step) for b, n, p in shuffle_rows(home, 1.9)]
        card = score(line_take(chart, rows, jitter_ms=9.0)).to_dict()
        assert card["timing"] == base["timing"] and card["swing"] == base["swing"]
        for name in ("changes", "roots", "landed", "by_role", "by_pair", "outcomes"):
            assert card["landing"][name] == base["landing"][name]


def test_full_adds_every_beat_and_pair() -> None:
    chart = chart_of(2)
    card = score(shuffle_take(chart, jitter_ms=5.0), full=True).to_dict()
    check(card)
    assert len(card["timing"]["beats"]) == card["timing"]["n"]
    assert len(card["swing"]["pairs"]) == card["swing"]["n"]
    assert "beats" not in score(shuffle_take(chart, jitter_ms=5.0)).to_dict()["timing"]


def test_notes_played_along_where_one_only_listens_are_named() -> None:
    take = shuffle_take(chart_of())
    asked = score(take)
    heard = score(take, session=replace(take.session, choruses=(replace(take.session.choruses[0], heard=True),)))
    assert not asked.take.remarks
    assert heard.timing.to_dict()["mean_ms"] is None and heard.landing.total.changes == 0
    (remark,) = heard.take.remarks
    assert remark.startswith(f"all {len(take.notes)} notes lie in choruses that are only listened to")


def test_a_file_hash_is_kept() -> None:
    chart = chart_of(2)
    assert score(replace(shuffle_take(chart), sha256="ab" * 32)).take_sha256 == "ab" * 32


def test_a_drift_does_not_make_the_first_bars_the_worst() -> None:
    """20 ms a chorus for six choruses: bar 1 is not far from where the player sits at bar 1."""
    chart = chart_of(6)
    take = line_take(chart, shuffle_rows(chart, 2.0), jitter_ms=4.0)
    take.notes["onset_s"] -= take.notes["onset_s"] * 0.020 / (48 * 0.625)
    for beat in (9.0, 10.0):  # chorus 1, bar 3, beats 2 and 3
        take.notes["onset_s"][np.abs(take.notes["onset_s"] - beat * 0.625) < 0.1] += 0.07
    card = score(take)
    assert card.timing.drift_s.high < 0.0
    bars = costly_bars(card)
    assert [bar[:2] for bar in bars] == [(1, 3)]
    assert bars[0][2].startswith("beats 2 and 3 came ") and bars[0][2].endswith(" ms after your usual place")
    assert card.verdict.lines[1].bars == (BarPlace(1, 3),)


def test_the_lines_and_the_bars_that_cost_most() -> None:
    chart = chart_of(3)
    rows = [row for row in shuffle_rows(chart, 2.0) if not 64.0 <= row[0] < 68.0]  # chorus 2, bar 5 is silent
    take = line_take(chart, rows, jitter_ms=6.0)
    late = np.abs(take.notes["onset_s"] - 33.0 * 0.625) < 0.1
    take.notes["onset_s"][late] += 0.09  # chorus 1, bar 9, beat 2
    card = score(take)
    bars = costly_bars(card)
    assert bars[0][:2] == (2, 5) and "nothing on the C7" in bars[0][2]
    assert (1, 9) in [bar[:2] for bar in bars]
    text = summary(card)
    lines = text.splitlines()
    assert lines[0].startswith("Feel: swing 2.0") and lines[1].startswith("Time: ")
    assert lines[2].startswith("Landing: 23 of 24 changes on the root") and lines[3].startswith("Form and shape: ")
    assert "chorus 2, bar 5" in text
    assert len(summary(card, full=True)) > len(text)
    for word in ("grade", "star", "streak"):
        assert word not in text
