"""The form model: exact against brute force, and right about slips on lines written here (`tests/sim/players.py`)."""

from __future__ import annotations

import importlib.util
import itertools
import math
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from trainer.clock.tempo import TempoMap
from trainer.report import sections
from trainer.scoring import form, form_chain, form_notes, score
from trainer.session import Chart, expand, session_from_dict
from trainer.take import Take, notes_from_rows

_SIM = Path(__file__).resolve().parent.parent / "sim"


def _load(name: str) -> Any:
    if name in sys.modules:
        return sys.modules[name]
    spec = importlib.util.spec_from_file_location(name, _SIM / f"{name}.py")
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    spec.loader.exec_module(module)
    return module


players = _load("players")
form_slips = _load("form_slips")


def chart_of(**more: Any) -> Chart:
    base: dict[str, Any] = {"key": "G", "chorus": [{"role": "verse", "times": 4}]}
    return expand(session_from_dict({**base, **more}))


def roots(chart: Chart, place: Any = None) -> tuple[np.ndarray, np.ndarray]:
    """A root on every beat, `place(beat)` beats ahead of the band."""
    cycle = players.cycle_of(chart)
    first = (chart.session.loop or (1, 0))[0]
    onsets, pitches = [], []
    for bar in chart.bars[:-1]:
        for k in range(4):
            t = bar.onset_beats + k
            ahead = 0.0 if place is None else place(t)
            onsets.append(t)
            pitches.append(28 + (cycle[int((bar.bar - first) * 4 + k + ahead) % len(cycle)].root_pc - 28) % 12)
    return np.array(onsets), np.array(pitches, dtype=float)


# --- exact -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(4))
def test_viterbi_and_posteriors_equal_brute_force_over_every_path(seed: int) -> None:
    # Every path of a small chain, written out; definitions of Rabiner (1989), Proc. IEEE 77(2), equations 17 and 30.
    rng = np.random.default_rng(seed)
    n, t = (5, 5) if seed % 2 else (9, 4)  # half-beats alone; a bar and half a beat, so that whole bars occur
    evidence = rng.normal(0.0, 3.0, (t, n))
    kinds = np.array([0, 2, 1, 2, 0])
    slips = form_chain.Slips(
        slip_rates=(0.3, 0.2, 0.1),
        part_slip_rates=(0.2, 0.3, 0.1),
        recover_rates=(0.3, 0.2, 0.1),
        part_recover_rates=(0.2, 0.1, 0.3),
        sizes=((0.5, 0.6), (-1.0, 0.3), (4.0, 0.2)),
    )
    matrices = [form_chain.transition_matrix(n, slips, kind) for kind in range(3)]
    for matrix in matrices:
        assert np.allclose(matrix.sum(axis=1), 1.0) and np.all(matrix >= 0.0)
    start = np.full(n, 0.05 / n)
    start[0] += 0.95
    total = np.zeros((t, n))
    best, best_path = -np.inf, ()
    for path in itertools.product(range(n), repeat=t):
        log = np.log(start[path[0]]) + evidence[0, path[0]]
        for i in range(1, t):
            log += np.log(matrices[kinds[i]][path[i - 1], path[i]]) + evidence[i, path[i]]
        if log > best:
            best, best_path = log, path
        for i, state in enumerate(path):
            total[i, state] += np.exp(log)
    assert tuple(form_chain.viterbi(evidence, kinds, slips)) == best_path
    chance, log_likelihood = form_chain.posteriors(evidence, kinds, slips)
    assert np.isclose(log_likelihood, np.log(total[0].sum()))
    assert np.allclose(chance, total / total.sum(axis=1, keepdims=True))


def test_posteriors_of_a_long_take_stay_finite() -> None:
    rng = np.random.default_rng(0)
    chance, log_likelihood = form_chain.posteriors(rng.normal(0.0, 5.0, (5000, 16)), np.arange(5000) % 3)
    assert np.isfinite(log_likelihood) and np.allclose(chance.sum(axis=1), 1.0)


def test_in_pieces_the_chain_says_what_it_says_of_the_whole() -> None:
    rng = np.random.default_rng(1)
    evidence, kinds = rng.normal(0.0, 3.0, (51, 16)), form_chain.step_kinds(51)
    pieces = form_chain.Pieces(51, 16, lambda first, last: evidence[first:last], 8)
    assert len(pieces.spans) == 6 and pieces.spans[-1] == (40, 51)
    path = form_chain.viterbi(evidence, kinds)
    assert np.array_equal(form_chain.viterbi(pieces, kinds), path) and len(np.unique(path)) > 1
    chance, log_likelihood = form_chain.posteriors(evidence, kinds)
    in_pieces, log_of_pieces = form_chain.posteriors(pieces, kinds)
    assert np.allclose(in_pieces, chance, rtol=1e-12, atol=0.0) and np.isclose(log_of_pieces, log_likelihood)
    assert np.allclose(form_chain.chances_of(pieces, kinds, path), chance[np.arange(51), path])
    assert np.array_equal(pieces.at(np.array([3, 12, 50]), 5), evidence[[3, 12, 50], 5])


def test_a_take_heard_in_pieces_is_told_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    chart = chart_of(chorus=[{"role": "verse", "times": 6}])
    onsets, pitches = roots(chart, lambda t: 4.0 if 56.0 <= t < 88.0 else -8.0 if 150.0 <= t < 190.0 else 0.0)
    whole = form.place_notes(chart, onsets, pitches)
    assert whole.lost is not None and len(whole.lost) == 2
    monkeypatch.setattr(form_notes, "PIECE_BEATS", 32)
    assert form.place_notes(chart, onsets, pitches).to_dict() == whole.to_dict()


def test_what_nobody_plays_costs_nothing_and_changes_nothing() -> None:
    # A player lost at the last note of a song that goes on is home again in the silence, however long it is.
    def told(choruses: int) -> dict[str, object]:
        chart = chart_of(chorus=[{"role": "verse", "times": choruses}])
        onsets, pitches = roots(chart, lambda t: 4.0 if t >= 56.0 else 0.0)
        here = onsets < 88.0
        result = form.place_notes(chart, onsets[here], pitches[here])
        assert result.place is not None and len(result.place) == 12 * choruses
        return {"lost": result.lost, "place": result.place[:48], "bars": result.bars_lost}

    assert told(8) == told(40)


# --- what it says ------------------------------------------------------------------------------------------------


def test_a_perfect_take_is_never_lost() -> None:
    chart = chart_of()
    result = form.place_notes(chart, *roots(chart))
    assert result.spans == () and result.place is not None
    assert len(result.place) == 48 and all(row.place_beats == 0.0 for row in result.place)
    assert result.bars_lost == 0 and "kept" in result.line


def test_a_skipped_bar_is_found_from_the_first_bar_that_differs() -> None:
    # From bar 3 of chorus 2 the player is one bar ahead; bar 3 sounds the same (I for I), bar 4 has the IV of bar 5.
    chart = chart_of()
    result = form.place_notes(chart, *roots(chart, lambda t: 4.0 if 56.0 <= t < 88.0 else 0.0))
    assert result.lost is not None and len(result.lost) == 1
    span = result.lost[0].to_dict()
    assert span["from"] == {"chorus": 2, "bar": 4} and span["to"] == {"chorus": 2, "bar": 10}
    assert span["place_beats"] == 4 and span["cause"] == "skipped"
    assert span["back"] == {"chorus": 2, "bar": 11, "at_beats": 88.0}


@pytest.mark.parametrize("last", [None, 2, 4, 7, 9])
def test_elsewhere_in_several_places_at_once_is_said_once_without_a_bar_and_is_no_advice(last: int | None) -> None:
    # In bars 9 to 11 of chorus 3 the player has C C F: as four bars on, and as four bars back. A note in bar 12 that
    # suits both decides nothing either.
    bars = ["C7", "C7", "F7", "F7", "C7", "C7", "F7", "G7", "A7", "D7", "G7", "B7"]
    chart = chart_of(key="C", form="chart", chart={"bars": bars})
    onsets, pitches = roots(chart)
    for beat, pc in ((128.0, 0), (132.0, 0), (136.0, 5)):
        pitches[(onsets >= beat) & (onsets < beat + 4.0)] = 28 + (pc - 28) % 12
    kept = (onsets < 140.0) | (onsets >= 144.0)
    if last is not None:
        kept |= onsets == 143.0
        pitches[onsets == 143.0] = 28 + (last - 28) % 12
    result = form.place_notes(chart, onsets[kept], pitches[kept])
    assert result.untold and result.spans == () and result.bars_lost == 0
    assert result.line == "for a while you were elsewhere in the form; where cannot be told"
    tempo = TempoMap(chart.tempo_segments)
    rows = [(float(tempo.seconds_at(at)), 0.3, int(p), 90) for at, p in zip(onsets[kept], pitches[kept], strict=True)]
    card = score(Take(notes_from_rows(rows), tempo, chart.session))
    assert not any(advice.about == "form" for advice in card.verdict.advice)
    assert card.verdict.lines[3].text.count("elsewhere") == 1
    page = sections.form_section(result, chart, card.reading)
    assert page.count("where cannot be told") == 1 and "With the band" not in page
    assert card.verdict.lines[3].met is None and math.isnan(card.verdict.lines[3].figure.value)


def test_one_pitch_all_through_tells_no_place() -> None:
    chart = chart_of()
    onsets, pitches = roots(chart)
    result = form.place_notes(chart, onsets, np.full(len(pitches), 31.0))
    assert result.nothing is not None and result.nothing.code == "one_pitch" and result.lost is None
    assert result.line.startswith("the place cannot be told: one pitch all through")


def test_a_diminished_chord_s_own_notes_are_no_slip() -> None:
    # The chord's third, fifth and seventh are its own, whatever its quality; elsewhere a root and a fifth a bar.
    chart = chart_of(form="two_five_12")
    onsets, pitches = [], []
    for bar in chart.bars[:-1]:
        pcs = bar.chords[0].pcs
        for k in range(4):
            pc = pcs[k % 4] if bar.chords[0].quality == "dim7" else pcs[2 if k == 2 else 0]
            onsets.append(bar.onset_beats + k)
            pitches.append(28.0 + (pc - 28) % 12)
    assert form.place_notes(chart, np.array(onsets), np.array(pitches)).spans == ()


def test_a_missed_quick_change_is_named_and_put_as_a_question() -> None:
    chart = chart_of()
    onsets, pitches = roots(chart)
    pitches[(onsets >= 52.0) & (onsets < 56.0)] = 31.0
    result = form.place_notes(chart, onsets, pitches)
    assert result.lost == () and result.bars_lost == 0
    assert [(s.begin.chorus, s.begin.bar, s.end.bar, s.cause) for s in result.spans] == [
        (2, 2, 2, "missed quick change")
    ]
    assert result.line.endswith("?")


def walk(chart: Chart, place: Any = None) -> tuple[np.ndarray, np.ndarray]:
    """Root, third, fifth, sixth in every bar, `place(beat)` beats ahead of the band."""
    cycle = players.cycle_of(chart)
    onsets = np.arange(4.0 * len(chart.bars) - 4.0)
    ahead = [0.0 if place is None else place(t) for t in onsets]
    where = [int(t + d) % len(cycle) for t, d in zip(onsets, ahead, strict=True)]
    steps = np.array([(0, 4, 7, 9)[beat % 4] for beat in where])
    return onsets, np.array([31.0 + (cycle[beat].root_pc - 7) % 12 for beat in where]) + steps


def test_one_bar_is_named_where_a_path_would_ask_for_more_than_a_bar_can_say() -> None:
    chart = chart_of()
    onsets, pitches = walk(chart, lambda t: 4.0 if 64.0 <= t < 68.0 else 0.0)  # bar 5 of chorus 2, its chord bar 6's
    assert not form.place_notes(chart, onsets, pitches).spans  # the same chord: nothing to hear
    onsets, pitches = walk(chart, lambda t: 4.0 if 60.0 <= t < 64.0 else 0.0)  # bar 4 plays bar 5
    some = ~np.isin(onsets, (61.0, 63.0))  # of which two notes are left
    result = form.place_notes(chart, onsets[some], pitches[some])
    (span,) = result.spans
    assert (span.begin.chorus, span.begin.bar, span.end.bar, span.place_beats) == (2, 4, 4, 4.0)
    assert span.back is not None and span.back.bar == 5
    one_note = ~np.isin(onsets, (61.0, 62.0, 63.0))  # a single wrong note is no slip
    assert form.place_notes(chart, onsets[one_note], pitches[one_note]).spans == ()


def test_a_bar_that_is_not_sure_is_put_as_a_question() -> None:
    span = form.LostSpan(form.BarPlace(2, 4), form.BarPlace(2, 4), 4.0, "skipped", form.Back(2, 5, 64.0), 0.7, 15, 15)
    assert span.words() == "chorus 2 bar 4: it sounded a bar early; did you mean it?"
    assert replace(span, place_beats=-4.0, cause="repeated").words().endswith("a bar late; did you mean it?")
    assert span.unsure and replace(span, cause="missed quick change", probability=0.99).unsure
    assert "bar 4: it sounded a bar early. Did you mean it?" in sections._span_words(span)
    assert replace(span, probability=0.95).words() == "chorus 2 bar 4: 1 bar ahead of the band (skipped)"
    longer = replace(span, last_idx=16, end=form.BarPlace(2, 5))
    assert longer.words() == "chorus 2, bars 4 to 5: it sounded a bar early; did you mean it?"
    sure = replace(longer, probability=0.95)
    assert sure.words() == "chorus 2, bars 4 to 5: 1 bar ahead of the band (skipped)"
    assert not sure.unsure and form.FormResult((sure,), (replace(span, first_idx=20),), (), 2).spans[0] == sure


def test_a_note_struck_again_in_its_beat_votes_once_on_it_and_once_off_it() -> None:
    chart = chart_of()
    geo = form_notes.geometry(chart)
    onsets = np.array([4.0, 4.05, 4.66, 5.0])
    votes = form_notes.votes_of(geo, 2.0, onsets, np.array([31.0, 43.0, 31.0, 35.0]))
    assert list(zip(votes.beat.tolist(), votes.off.tolist(), votes.pc.tolist(), strict=True)) == [
        (4, False, 7),
        (4, True, 7),
        (5, False, 11),
    ]


def test_a_planned_pedal_is_no_missed_quick_change() -> None:
    chart = chart_of(pedal=[{"chorus": 2, "bars": [1, 4]}])
    onsets, pitches = roots(chart)
    pitches[(onsets >= 48.0) & (onsets < 64.0)] = 31.0
    assert form.place_notes(chart, onsets, pitches).spans == ()


def test_two_beats_turned_round_without_recovery() -> None:
    chart = chart_of()
    result = form.place_notes(chart, *roots(chart, lambda t: -2.0 if t >= 98.0 else 0.0))
    assert result.lost is not None and len(result.lost) == 1
    span = result.lost[0]
    assert (span.begin.chorus, span.cause, span.place_beats, span.back) == (3, "turned round", -2.0, None)


@pytest.mark.parametrize(
    "more",
    [
        {"loop": [5, 12]},
        {"start": "from_the_turnaround"},
        {"start": "from_the_five", "form": "eight_bar"},
        {"form": "chart", "chart": {"bars": ["E7", "A7", "E7 B7", "C7", "F#7"]}},
        {"ending": "tag", "form": "sixteen_bar"},
    ],
)
def test_loops_starts_and_forms_of_any_length(more: dict[str, Any]) -> None:
    chart = chart_of(**more)
    assert form.place_notes(chart, *roots(chart)).spans == ()
    n = len(players.cycle_of(chart))
    start, end = float(n + 4), float(n + 4 + max(16, n // 2))

    def ahead(t: float) -> float:
        return 4.0 if start <= t < end else 0.0

    result = form.place_notes(chart, *roots(chart, ahead))
    want = [players.heard(chart, span) for span in players.truth(chart, ahead)]
    assert want
    assert [players.heard(chart, (s.first_idx, s.last_idx, s.place_beats)) for s in result.spans] == want


def test_too_little_is_null_with_a_reason() -> None:
    chart = chart_of()
    onsets, pitches = roots(chart)
    out = form.place_notes(chart, onsets[:5], pitches[:5]).to_dict()
    assert out["lost"] is None and out["place"] is None and out["why"]["lost"]["code"] == "too_few"
    out = form.place_notes(chart, onsets[:0], pitches[:0]).to_dict()
    assert out["why"]["place"]["code"] == "too_few"
    vamp = chart_of(form="chart", chart={"bars": ["G7", "%", "%", "%"]})
    assert form.place_notes(vamp, *roots(vamp)).to_dict()["why"]["lost"]["code"] == "one_chord"


def test_transposing_chart_and_take_together_changes_nothing() -> None:
    chart, other = chart_of(), chart_of(key="Bb")

    def ahead(t: float) -> float:
        return -4.0 if 60.0 <= t < 90.0 else 0.0

    onsets, pitches = roots(chart, ahead)
    a = form.place_notes(chart, onsets, pitches).to_dict()
    b = form.place_notes(other, onsets, pitches + 3.0).to_dict()
    assert a["lost"] == b["lost"] and a["lost"]
    assert [row["place_beats"] for row in a["place"]] == [row["place_beats"] for row in b["place"]]


@pytest.mark.parametrize("late_beats", [0.5, -0.5])
def test_half_a_beat_early_shows_before_the_changes_and_half_a_beat_late_nowhere(late_beats: float) -> None:
    # Nine bars of a walk moved by half a beat. Early, its roots come before the change: asked, as a push may be meant.
    # Late, every note lies where the band has the same chord: pitches cannot tell, and nothing is said.
    chart = chart_of()
    spans = []
    for seed in range(8):
        player = players.Player("walk", np.random.default_rng(6000 + seed), "b")
        players.perform(chart, player, lambda t: 0.0)
        onsets, pitches, _, _ = players.arrays(player)
        onsets = onsets + np.where((onsets > 55.8) & (onsets < 91.8), late_beats, 0.0)
        order = np.argsort(onsets, kind="stable")
        spans.append(form.place_notes(chart, onsets[order], pitches[order]).spans)
    told = [span for found in spans for span in found]
    assert all(s.unsure and s.first_idx >= 13 and s.last_idx <= 22 and s.place_beats == -late_beats for s in told), told
    assert sum(len(found) == 1 for found in spans) >= 5 if late_beats < 0 else not told, spans


@pytest.mark.parametrize("line", ["roots", "riff", "walk"])
@pytest.mark.parametrize("kind", form_slips.SLIPS)
def test_simulated_slips_are_found_to_the_bar(kind: str, line: str) -> None:
    # A short run of tests/sim/form_slips.py with lines that served no tuning (variant "b").
    results = [form_slips.found(kind, line, 5000 + i, "b") for i in range(12)]
    # Half a bar late is near to a hand that is late to every change, and a slip of three bars may fit two places: more
    # of those are left unsaid.
    least = 10 if line != "walk" else 7 if kind == "turned round" else 9
    assert sum(r[0] for r in results) >= least, [r[3] for r in results if not r[0]]


@pytest.mark.parametrize("line", form_slips.LINES)
def test_clean_choruses_raise_no_alarm(line: str) -> None:
    alarms = [form_slips.clean(line, 7000 + i, "b") for i in range(8)]
    assert sum(a[0] for a in alarms) == 0, [a[1] for a in alarms if a[0]]


def test_a_line_that_changes_with_the_chorus_is_no_slip() -> None:
    for seed in range(6):
        rng = np.random.default_rng(8000 + seed)
        chart = form_slips.chart_for(rng)
        lines = rng.choice(players.KINDS, 6)
        n = len(players.cycle_of(chart))
        player = players.Player("walk", rng, "b")
        beat = player.beat

        def as_this_chorus(t: float, *what: Any, player: Any = player, beat: Any = beat, of: Any = (lines, n)) -> None:
            player.kind = of[0][int(t // of[1])]
            beat(t, *what)

        player.beat = as_this_chorus
        players.perform(chart, player, lambda t: 0.0)
        onsets, pitches, _, _ = players.arrays(player)
        assert form.place_notes(chart, onsets, pitches).spans == (), (seed, list(lines))
