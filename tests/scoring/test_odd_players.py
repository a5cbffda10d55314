"""Players of `tests/sim/odd_players.py` are told nothing that is not so: who is odd is not wrong."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "sim"))

import odd_players
import strangers

from trainer.clock.tempo import TempoMap
from trainer.scoring import Scorecard, score
from trainer.session import Chart
from trainer.take import Calibration, Take, TakeHeader, notes_from_rows

FOREIGN = TakeHeader(foreign=True, profile="foreign", downbeat_from="marker")
KNOWN = TakeHeader(profile="keys", calibration=Calibration(0.0))


def played(lines: tuple[str, ...], seed: int, ratio: float, choruses: int = 3) -> tuple[Chart, list[strangers.Row]]:
    rng = np.random.default_rng(seed)
    chart = strangers.chart_for(rng, ("quick_change_12", "slow_change_12"), choruses)
    return chart, odd_players.human(odd_players.rows_of(chart, lines), rng, ratio)


def told(card: Scorecard) -> str:
    """All that the verdict says, and its advice."""
    verdict = card.verdict
    return " ".join([line.text for line in verdict.lines] + [f"{a.text} {a.evidence}" for a in verdict.advice])


# Tuning: a ratio of 2.5 puts the off-beat before a change as near to it as a late root is. Judging: the others.
@pytest.mark.parametrize("times", [0.5, 2.0])
@pytest.mark.parametrize("ratio", [1.6, 2.1, 2.5, 3.0])
@pytest.mark.parametrize("choruses", [1, 3])
def test_a_file_in_half_or_double_time_is_read_at_the_sessions_tempo(times: float, ratio: float, choruses: int) -> None:
    for seed in range(3):
        chart, rows = played(("RRRRRR5R",), 90_000 + seed, ratio, choruses)
        take = strangers.take_of(chart, rows, FOREIGN)
        bpm = chart.session.tempo_bpm * times
        card = score(Take(take.notes, TempoMap([(0.0, bpm)]), chart.session, header=FOREIGN))
        assert (
            card.take.beat_this_file == "notes"
            and f"the session's {chart.session.tempo_bpm:.0f}" in card.take.remarks[0]
        )
        assert card.form.lost == () and card.landing.missed == ()


@pytest.mark.parametrize("header", [FOREIGN, KNOWN], ids=["foreign", "calibrated"])
@pytest.mark.parametrize("ratio", [1.5, 2.0, 2.6])
def test_whoever_is_turned_round_all_through_is_told_that_and_nothing_by_that_beat(
    header: TakeHeader, ratio: float
) -> None:
    for seed in range(3):
        chart, rows = played(("RRRRRR5R",), 91_000 + seed, ratio)
        half_s = 0.5 * 60.0 / chart.session.tempo_bpm
        card = score(strangers.take_of(chart, rows, header, half_s))
        assert "turned round" in told(card)
        assert card.form.lost is None and card.landing.changes is None and not card.swing.ratio.known
        assert not card.verdict.advice
        assert "turned round" not in told(score(strangers.take_of(chart, rows, header)))


def test_pairs_of_short_and_long_are_asked_about_and_judged_by_nobody() -> None:
    chart, rows = played(("RRRRRR5R",), 92_000, 0.5)
    card = score(strangers.take_of(chart, rows, FOREIGN))
    feel = card.verdict.lines[0]
    assert (
        feel.met is None and feel.text.endswith("are they off-beats read as beats?") and "straighter" not in told(card)
    )
    assert not any(advice.about == "feel" for advice in card.verdict.advice)


def test_one_note_far_into_a_file_has_no_beat_but_a_card() -> None:
    chart, _ = played(("R",), 93_000, 2.0)
    take = Take(notes_from_rows([(60.0, 0.3, 40, 80)]), TempoMap([(0.0, 120.0)]), chart.session, header=FOREIGN)
    assert score(take).take.notes == 1


# Tuning: sixteenths and the fill; judging: the others.
@pytest.mark.parametrize("kind", ["sixteenths", "double_time_fill", "funk", "train"])
def test_sixteenths_are_no_triplets_and_a_run_slides_into_nothing(kind: str) -> None:
    for seed in range(4):
        chart, rows = played(odd_players.KINDS[kind], 94_000 + seed, 2.0)
        card = score(strangers.take_of(chart, rows, FOREIGN))
        names = [device.name for device in card.devices.found or ()]
        assert card.swing.n_triplet_figures == 0 == names.count("triplet_figure") == names.count("slide_in"), seed


def test_in_bars_elsewhere_no_device_is_found_by_the_chords_of_the_chart() -> None:
    # A bar left out in the second chorus: what follows is a root shuffle over other chords, and no pedal.
    chart, rows = played(("RRRRRRRR",), 95_000, 2.0)
    cut = chart.chorus_onsets_beats[1] + 16.0
    rows = [(at - 4.0 * (at >= cut + 4.0), *rest) for at, *rest in rows if not cut <= at < cut + 4.0]
    card = score(strangers.take_of(chart, sorted(rows), FOREIGN))
    away = {(chart.bars[i].chorus, chart.bars[i].bar) for i in card.form.bars_elsewhere}
    found = card.devices.found or ()
    assert away and found and not away & {(device.chorus, device.bar) for device in found}
    assert not any(device.name == "pedal" for device in found)


# Tuning: minor_riff, dead_notes; judging: the others. One riff of other notes than the chord's, a rhythm of
# two bars, dead notes among the others: whoever repeats it and lands the changes has held the verse down.
@pytest.mark.parametrize("kind", ["minor_riff", "dead_notes", "sixths", "slap", "two_bar_riff", "train", "funk"])
def test_whoever_repeats_a_riff_is_not_told_to_keep_to_one_rhythm(kind: str) -> None:
    for seed in range(4):
        chart, rows = played(odd_players.KINDS[kind], 96_000 + seed, 1.9)
        card = score(strangers.take_of(chart, rows, FOREIGN))
        landed = [chorus for chorus in card.shape.choruses if chorus.missed <= 1]
        assert {chorus.verdict for chorus in landed} <= {"pinned"}, card.shape.sentences
        assert len(landed) == 3 and not any(advice.about == "shape" for advice in card.verdict.advice)
        riffs = [chorus.chord_tone_share.value < 0.7 for chorus in landed]
        assert sum("one riff, moved" in words for words in card.shape.sentences) == sum(riffs)


def test_a_rhythm_of_no_repeat_is_not_called_pinned() -> None:
    rng = np.random.default_rng(97_000)
    for seed in range(6):
        lines = tuple("".join(rng.choice(list("R5--")) for _ in range(8)) for _ in range(36))
        chart, rows = played(tuple("R" + line[1:] for line in lines), 97_000 + seed, 1.9)
        verdicts = {chorus.verdict for chorus in score(strangers.take_of(chart, rows, FOREIGN)).shape.choruses}
        assert "pinned" not in verdicts, seed


def test_gaps_that_come_round_are_a_rhythm_and_no_missing_notes() -> None:
    for seed in range(4):
        chart, rows = played(odd_players.KINDS["hemiola"], 97_500 + seed, 1.9)
        card = score(strangers.take_of(chart, rows, FOREIGN))
        assert not card.landing.half_missing and "missing" not in told(card)


# Tuning: phrases; judging: answers.
@pytest.mark.parametrize("kind", ["phrases", "answers"])
def test_rests_of_each_phrase_are_sat_out_and_nothing_is_missing(kind: str) -> None:
    for seed in range(4):
        chart, rows = played(odd_players.KINDS[kind], 98_000 + seed, 1.9)
        card = score(strangers.take_of(chart, rows, FOREIGN))
        assert card.landing.missed == () and card.landing.sat_out and not card.landing.half_missing
        assert "you sat out" in told(card) and "missing" not in told(card)
        assert not any(advice.about in ("landing", "shape") for advice in card.verdict.advice)


def test_whoever_freezes_now_and_then_has_missed_those_changes() -> None:
    rng = np.random.default_rng(99_000)
    missed = 0
    for seed in range(4):
        lines = ["RRRRRRRR"] * 36
        for bar in rng.choice(35, 9, replace=False):
            lines[bar] = "--------"
        chart, rows = played(tuple(lines), 99_000 + seed, 1.9)
        missed += len(score(strangers.take_of(chart, rows, FOREIGN)).landing.missed)
    assert missed >= 12


# Tuning: hemiola, ahead, stops_then_time, stops_in_turn; judging: the others. One rhythm across the bar lines, each
# root a beat before its bar, stops of one kind or of two and then time: what keeps to its rhythm and lands is held
# down, and told nothing else.
@pytest.mark.parametrize(
    "kind",
    [
        *("hemiola", "ahead", "ahead_of_two", "every_third", "three_beats"),
        *("stops_then_time", "stops_and_time", "stops_in_turn", "stops_of_two", "stops_round_time"),
    ],
)
def test_a_rhythm_kept_in_another_way_than_bar_by_bar_is_kept(kind: str) -> None:
    for seed in range(4):
        chart, rows = played(odd_players.KINDS[kind], 100_000 + seed, 1.9)
        card = score(strangers.take_of(chart, rows, FOREIGN))
        assert card.landing.missed == () and not card.verdict.advice, (seed, card.verdict.advice)
        assert {chorus.verdict for chorus in card.shape.choruses} <= {"pinned", "open"}, card.shape.sentences
        after = any("one rhythm after another" in words for words in card.shape.sentences)
        assert after == kind.startswith("stops")


# Tuning: the tenths; judging: the others.
@pytest.mark.parametrize("apart_s", [0.004, 0.025, 0.05])
@pytest.mark.parametrize("steps", [4, 7, 10, 12, 15, 16])
def test_double_stops_struck_or_rolled_are_one_attack(steps: int, apart_s: float) -> None:
    for seed in range(2):
        chart, rows = played(("RRRRRR5R",), 101_000 + seed, 1.9)
        plain = score(strangers.take_of(chart, rows, FOREIGN))
        apart = apart_s * chart.session.tempo_bpm / 60.0
        stops = sorted([*rows, *((at + apart, length, p + steps, v - 3.0) for at, length, p, v in rows)])
        card = score(strangers.take_of(chart, stops, FOREIGN))
        assert [c.verdict for c in card.shape.choruses] == [c.verdict for c in plain.shape.choruses] == ["pinned"] * 3
        assert not any(advice.about == "shape" for advice in card.verdict.advice)
        assert card.landing.roots == plain.landing.roots


def test_a_walk_through_the_changes_is_what_a_verse_asks_for() -> None:
    for seed in range(6):
        chart, rows = strangers.played("walker", 102_000 + seed, 3)
        rows = strangers.timed(rows, np.random.default_rng(seed), 1.9)
        card = score(strangers.take_of(chart, rows, FOREIGN))
        assert {(c.verdict, c.as_planned) for c in card.shape.choruses} == {("pinned", True)}
        assert any("a walk through the chords" in words for words in card.shape.sentences)


def test_who_keeps_the_rhythm_and_misses_changes_is_told_of_the_changes() -> None:
    # In quarters, the old root held at every change of the last two bars of four.
    for seed in range(4):
        chart, rows = played(("R-R-R-R-",), 103_000 + seed, 1.9)
        lost = [bar.onset_beats for bar in chart.bars if bar.bar in (3, 5, 7, 9, 10)]
        rows = [(at, n, p + 6.0 * any(t - 0.5 <= at < t + 3.5 for t in lost), v) for at, n, p, v in rows]
        advice = score(strangers.take_of(chart, rows, FOREIGN)).verdict.advice
        assert any(each.about in ("landing", "form") for each in advice)
        assert not any("one rhythm" in each.text for each in advice), advice


# Tuning: threes, dotted_runs; judging: the others. A dotted eighth and its sixteenth are no hard shuffle where
# sixteenths stand beside them, nor beside pairs that swing otherwise; a hard shuffle with fills is one.
@pytest.mark.parametrize("kind", ["threes", "dotted_runs", "dotted_and_even", "dotted_clave"])
def test_dotted_sixteenths_are_no_swing(kind: str) -> None:
    for seed in range(4):
        chart, rows = played(odd_players.KINDS[kind], 104_000 + seed, 1.9)
        card = score(strangers.take_of(chart, rows, KNOWN))
        ratio = card.swing.ratio
        assert not ratio.known or abs(ratio.value - 1.9) < 0.15, ratio
        assert not any(advice.about == "feel" for advice in card.verdict.advice)


@pytest.mark.parametrize("ratio", [2.3, 3.0, 3.3])
def test_a_hard_shuffle_with_sixteenths_in_its_fills_keeps_its_swing(ratio: float) -> None:
    for seed in range(4):
        chart, rows = played((("RRRR55RR",) * 3 + ("R-R-R-R-R457o754",)), 105_000 + seed, ratio)
        found = score(strangers.take_of(chart, rows, KNOWN)).swing.ratio
        assert found.n > 80 and abs(np.log2(found.value / ratio)) < 0.15


@pytest.mark.parametrize("step", [-2, -1])
def test_a_wrong_string_that_rings_on_is_no_slide_into_the_root(step: int) -> None:
    chart, rows = played(("R-R-R-R-",), 106_000, 1.9)
    late = 0.045 * chart.session.tempo_bpm / 60.0
    changes = {round(span.onset_beats) for span in chart.spans}

    def struck(length_s: float) -> list[strangers.Row]:
        """At each change the wrong string first, for so long, and 45 ms after it the right one."""
        length = length_s * chart.session.tempo_bpm / 60.0
        out = []
        for at, n, pitch, v in rows:
            wrong = round(at) in changes and abs(at - round(at)) < 0.25
            out += [(at, length, pitch + step, v), (at + late, n, pitch, v)] if wrong else [(at, n, pitch, v)]
        return sorted(out)

    ringing, slid = (score(strangers.take_of(chart, struck(s), KNOWN)).landing for s in (0.3, 0.045))
    assert slid.roots == slid.changes >= 18 and not ringing.roots


@pytest.mark.parametrize(("line", "least"), [("RRRRRRRR", 2), ("R-R-R-R-", 3)])
def test_who_stops_two_bars_before_the_end_missed_nothing_and_is_told_where(line: str, least: int) -> None:
    for bars in (2, least, 5):
        chart, rows = played((line,), 107_000 + bars, 1.9)
        end = chart.end_beats - 4.0 * bars - 0.1
        card = score(strangers.take_of(chart, [row for row in rows if row[0] < end], FOREIGN))
        assert card.landing.missed == () and f"you stopped at chorus 3 bar {12 - bars}" in told(card)
    whole = score(strangers.take_of(chart, rows, FOREIGN))
    assert "you stopped" not in told(whole)
    held = [*(row for row in rows if row[0] < chart.end_beats - 8.1), (chart.end_beats - 8.0, 7.5, 40.0, 88.0)]
    assert "you stopped" not in told(score(strangers.take_of(chart, held, FOREIGN)))


def test_who_leaves_each_turnaround_to_others_did_not_stop_in_the_last() -> None:
    chart, rows = played(("RRRRRRRR",), 107_100, 1.9)
    rows = [row for row in rows if (row[0] + 0.6) % 48.0 < 40.0]
    card = score(strangers.take_of(chart, rows, FOREIGN))
    assert "you stopped" not in told(card) and {miss.bar for miss in card.landing.missed} <= {11, 12}
