"""Landing on the changes: every outcome counted exactly on lines whose outcomes are known by how they were written."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import numpy as np
import pytest

from tests.scoring.makers import chart_of, line_take, root_pitch, shuffle_rows, shuffle_take
from trainer.report.sections import landing_section
from trainer.scoring import score
from trainer.scoring.align import read_notes
from trainer.scoring.landing import OUTCOMES, Item, Landing, landing
from trainer.scoring.text import landing_line
from trainer.session import BarSpan, Chart, ChorusPlan, Session, expand
from trainer.take import FLAG_CUT, FLAG_NO_RELEASE, Take, TakeHeader, empty_notes
from trainer.take.model import Gap
from trainer.take.notes import PICKED_VELOCITY

ITEM_KEYS = {"chorus", "bar", "beat", "at_beats", "chord", "root_pc", "degree", "outcome", "pitch", "asynchrony_ms"}
OFF = 2.0 / 3.0
CHANGE_BARS = (1, 2, 3, 5, 7, 9, 10, 11)  # of a quick change, the turnaround left out


def judged(chart: Chart, rows: list[tuple[float, float, int]], **kwargs: object) -> Landing:
    return landing(read_notes(line_take(chart, rows, **kwargs), chart))  # type: ignore[arg-type]


def at(result: Landing, chorus: int, bar: int, beat: int = 1) -> Item:
    (item,) = [i for i in result.items if (i.chorus, i.bar, i.beat) == (chorus, bar, beat)]
    return item


def without(rows: list[tuple[float, float, int]], start: float, end: float) -> list[tuple[float, float, int]]:
    return [row for row in rows if not start - 0.01 <= row[0] < end - 0.01]


def bar_at(chart: Chart, chorus: int, bar: int) -> float:
    return next(b.onset_beats for b in chart.bars if (b.chorus, b.bar) == (chorus, bar))


def test_a_perfect_take_lands_every_change() -> None:
    chart = chart_of(5)
    result = landing(read_notes(shuffle_take(chart, jitter_ms=10.0, late_ms=12.0), chart))
    # Eight changes a chorus: five choruses, forty changes.
    assert (result.total.changes, result.total.roots, result.total.landed) == (40, 40, 40)
    assert [i.bar for i in result.items if i.chorus == 2 and i.outcome == "root"] == list(CHANGE_BARS)
    assert result.outcomes["turnaround"] == 4  # the last chorus ends on I: no turnaround there
    assert sum(result.outcomes.values()) == len(result.items) == 44


def test_items_have_every_key() -> None:
    chart = chart_of(2)
    result = landing(read_notes(shuffle_take(chart), chart)).to_dict()
    for item in result["items"]:
        assert ITEM_KEYS.issubset(item)
    first = result["items"][1]
    expected = {"chorus": 1, "bar": 2, "beat": 1, "at_beats": 4.0, "chord": "C7", "root_pc": 0, "degree": "IV"}
    assert expected.items() <= first.items()
    assert first["outcome"] == "root" and first["pitch"] == 36.0 and first["asynchrony_ms"] == 0.0
    assert set(result["outcomes"]) == set(OUTCOMES)


def test_empty_take_and_no_chart_say_why() -> None:
    chart = chart_of(2)
    take = shuffle_take(chart)
    empty = landing(read_notes(Take(empty_notes(), take.tempo, take.session), chart)).to_dict()
    assert empty["changes"] == 0 and empty["root_rate"] is None and empty["why"]["root_rate"]["code"] == "no_notes"
    foreign = landing(read_notes(take)).to_dict()
    assert foreign["items"] == [] and foreign["why"]["root_rate"]["code"] == "no_session"


def labelled_line(chart: Chart) -> tuple[list[tuple[float, float, int]], dict[tuple[int, int], str]]:
    """A line with one of every outcome, and what each change was written to be: {(chorus, bar): outcome}."""
    rows = shuffle_rows(chart, 2.0)
    want: dict[tuple[int, int], str] = {}

    def put(
        chorus: int, bar: int, notes: list[tuple[float, float, int]], clear_to: float = 1.0, outcome: str = ""
    ) -> None:
        nonlocal rows
        start = bar_at(chart, chorus, bar)
        first = min([0.0, *(n[0] for n in notes)])
        rows = without(rows, start + first, start + clear_to)
        rows += [(start + n[0], n[1], n[2]) for n in notes]
        want[chorus, bar] = outcome

    c, g, d = root_pitch(0), root_pitch(7), root_pitch(2)
    put(1, 2, [(0.0, 0.5, c)], outcome="root")
    put(1, 3, [(OFF - 1.0, 1.2, g)], clear_to=0.9, outcome="root_early")  # tied over the line
    put(1, 5, [(OFF, 0.2, c)], outcome="root_late")
    put(1, 7, [(0.0, 0.5, g + 4)], outcome="chord_tone")  # B, the third
    put(1, 9, [(0.0, 0.5, d + 7)], outcome="chord_tone")  # A, the fifth
    put(1, 10, [(0.0, 0.5, c + 1)], outcome="other")
    put(1, 11, [], clear_to=1.0, outcome="silent")
    put(2, 2, [(0.0, 0.2, c + 3), (0.25, 0.2, c + 4)], clear_to=1.0, outcome="chord_tone")  # ♭3 into the 3rd
    put(2, 3, [(0.0, 0.5, g + 10)], outcome="not_asked")  # the seventh is neutral
    put(2, 5, [(-1.6, 2.4, c)], clear_to=0.9, outcome="root")  # held over from further back
    put(2, 7, [(OFF - 1.0, 0.15, g)], clear_to=1.0, outcome="silent")  # early, but it does not sound across
    return rows, want


@pytest.mark.parametrize("late_ms", [0.0, 60.0])
@pytest.mark.parametrize("jitter_ms", [0.0, 8.0])
@pytest.mark.parametrize("key", ["G", "Am", "Eb"])
def test_every_outcome_is_counted_exactly(late_ms: float, jitter_ms: float, key: str) -> None:
    from trainer.music import parse_key

    home = chart_of(3)
    rows, want = labelled_line(home)
    if key == "G":
        chart, shift = home, 0
    else:
        # The same line moved with the chart; for the minor key the thirds of its chords are minor.
        chart = chart_of(3, key=parse_key(key))
        shift = (chart.key.tonic_pc - 7 + 6) % 12 - 6
        if chart.key.minor:
            g, c = root_pitch(7), root_pitch(0)
            rows = [(b, n, p - 1 if p in (g + 4, c + 4) and (b % 1 < 0.1 or p == c + 4) else p) for b, n, p in rows]
            want[2, 2] = "chord_tone"
            rows = [row for row in rows if not (row[2] == c + 3 and abs(row[0] - bar_at(home, 2, 2) - 0.25) < 0.01)]
    rows = [(b, n, p + shift) for b, n, p in rows]
    result = judged(chart, rows, late_ms=late_ms, jitter_ms=jitter_ms, seed=3)
    got = {place: at(result, *place).outcome for place in want}
    assert got == want
    counts = Counter(i.outcome for i in result.items)
    expected = Counter(want.values())
    for outcome in ("root_early", "root_late", "chord_tone", "other", "silent", "not_asked"):
        assert counts[outcome] == expected[outcome], outcome
    # All the rest of the line lands on its roots.
    assert counts["root"] == len(result.items) - counts["turnaround"] - sum(
        n for outcome, n in expected.items() if outcome != "root"
    )
    t = result.total
    assert t.roots == counts["root"] + counts["root_early"] + counts["root_late"]
    assert t.landed == t.roots + counts["chord_tone"]
    assert t.changes == len(result.items) - counts["turnaround"] - counts["not_asked"] - counts["pedal"]


def test_asynchronies_are_against_what_each_item_was_played_to() -> None:
    chart = chart_of(3)
    rows, _ = labelled_line(chart)
    result = judged(chart, rows, late_ms=10.0)
    beat_ms = 60000.0 / 96.0
    want = {(1, 2): 10.0, (1, 3): 10.0, (1, 5): 10.0 + OFF * beat_ms, (1, 7): 10.0}
    for place, late_ms in want.items():  # on the change; on the off-beat before; on the off-beat after; on it again
        assert at(result, *place).to_dict()["asynchrony_ms"] == pytest.approx(late_ms, abs=0.01), place
    held, silent = at(result, 2, 5).to_dict(), at(result, 1, 11).to_dict()
    assert held["asynchrony_ms"] is None and held["pitch"] == 36.0
    assert silent["asynchrony_ms"] is None and silent["pitch"] is None


def test_the_off_beat_before_a_change_is_not_judged() -> None:
    """Approaches and old chord notes right before a change cost nothing."""
    chart = chart_of(2)
    rows = []
    for beat, length, pitch in shuffle_rows(chart, 2.0):
        off_beat_four = beat % 4 > 3.5
        rows.append((beat, length, pitch + 1 if off_beat_four else pitch))
    assert judged(chart, rows).total.roots == judged(chart, rows).total.changes == 16


def test_staying_on_one_at_the_quick_change_is_missed_and_asked_about() -> None:
    chart = chart_of(3)
    g = root_pitch(7)
    rows = []
    for beat, length, pitch in shuffle_rows(chart, 2.0):
        bar = int(beat // 4) % 12 + 1
        # Bar 2 played as another bar of I, in every chorus, with fifths and sixths of I.
        figure = (0, 0, 7, 7, 9, 9, 7, 7)[round((beat % 4) * 2 - 0.17) % 8]
        rows.append((beat, length, g + figure if bar in (1, 2) else pitch))
    result = judged(chart, rows)
    for chorus in (1, 2, 3):
        item = at(result, chorus, 2)
        assert item.outcome == "other" and item.stayed_on == "I"
    assert result.total.changes == 24 and result.total.roots == 21
    assert result.by_pair["I→IV"].changes == 6 and result.by_pair["I→IV"].roots == 3


def test_the_fifth_of_four_is_a_chord_tone_when_the_bar_is_four() -> None:
    """Landing on G over C7 with C coming later in the bar is the fifth, not "stayed on I"."""
    chart = chart_of(2)
    rows = shuffle_rows(chart, 2.0)
    start = bar_at(chart, 1, 2)
    rows = without(rows, start, start + 1.0)
    rows += [(start, 0.3, root_pitch(7)), (start + OFF, 0.2, root_pitch(7))]
    item = at(judged(chart, rows), 1, 2)
    assert item.outcome == "chord_tone" and item.stayed_on is None


def test_a_pedal_that_resolves_and_is_landed_elsewhere_is_a_pedal() -> None:
    chart = chart_of(3)
    g = root_pitch(7)
    rows = [(b, n, g if int(b // 4) in (12, 13, 14, 15) else p) for b, n, p in shuffle_rows(chart, 2.0)]
    result = judged(chart, rows)
    assert at(result, 2, 2).outcome == "pedal"
    # The same in every chorus: nobody can know that it was meant.
    rows = [(b, n, g if int(b // 4) % 12 in (0, 1, 2, 3) else p) for b, n, p in shuffle_rows(chart, 2.0)]
    result = judged(chart, rows)
    assert [at(result, c, 2).outcome for c in (1, 2, 3)] == ["other"] * 3
    assert at(result, 1, 2).stayed_on == "I"


def test_a_planned_pedal_is_a_pedal() -> None:
    session = Session(choruses=(ChorusPlan("verse", 2, (0.5, 0.5)),), pedals=(BarSpan(2, 9, 10),))
    chart = expand(session)
    d = root_pitch(2)
    rows = [(b, n, d if int(b // 4) in (20, 21) else p) for b, n, p in shuffle_rows(chart, 2.0)]
    result = judged(chart, rows)
    assert at(result, 2, 9).outcome == "root"
    assert at(result, 2, 10).outcome == "pedal"
    assert result.total.changes == 15


@pytest.mark.parametrize(
    ("last_bar", "outcome"),
    [
        ([(0.0, 7), (1.0, 7), (2.0, 7), (3.0, 7)], "turnaround"),  # I held
        ([(0.0, 2), (1.0, 2), (2.0, 2), (3.0, 2)], "turnaround"),  # V from beat 1
        ([(0.0, 9), (1.0, 2), (2.0, 2), (3.0, 2)], "turnaround"),  # V from beat 2
        ([(0.0, 7), (1.0, 11), (2.0, 2), (3.0, 2)], "turnaround"),  # V from beat 3
        ([(0.0, 11), (1.0, 0), (2.0, 1), (3.0, 2)], "turnaround"),  # a walk up to V
        ([(0.0, 5), (1.0, 5), (2.0, 8), (3.0, 8)], "other"),
    ],
)
def test_turnarounds_are_neutral_unless_pinned(last_bar: list[tuple[float, int]], outcome: str) -> None:
    chart = chart_of(2)
    start = bar_at(chart, 1, 12)
    rows = without(shuffle_rows(chart, 2.0), start, start + 4.0)
    rows += [(start + beat, 0.7, root_pitch(pc)) for beat, pc in last_bar]
    assert at(judged(chart, rows), 1, 12).outcome == outcome


def test_a_pinned_turnaround_is_judged() -> None:
    chart = chart_of(2, turnaround="five")
    result = judged(chart, shuffle_rows(chart, 2.0))
    assert at(result, 1, 12).outcome == "root"
    assert result.total.changes == 17


def test_riffs_that_rest_on_one_are_judged_by_their_first_note() -> None:
    chart = chart_of(2)
    rows = []
    for beat, length, pitch in shuffle_rows(chart, 2.0):
        in_bar = beat % 4
        if in_bar < 0.5 and not chart.bars[int(beat // 4)].final:
            continue  # rests on beat 1, begins on its off-beat
        rows.append((beat, length, pitch))
    result = judged(chart, rows)
    item = at(result, 1, 2)
    assert item.outcome == "root" and item.note == "rests_on_one"
    last = at(result, 2, 11)  # beside it lies the final bar, whose one note is held from beat 1
    assert last.outcome == "root" and last.note == "rests_on_one" and chart.bars[23].final
    # Where the bars around do play on 1, the same note is a late root.
    rows = shuffle_rows(chart, 2.0)
    start = bar_at(chart, 1, 5)
    assert at(judged(chart, without(rows, start, start + 0.5)), 1, 5).outcome == "root_late"


def test_a_root_later_than_a_third_of_a_beat_is_late_in_the_headline() -> None:
    """Silent on every beat 1 and sounding on the off-beat after is not "all on the root", in words, report and JSON."""
    chart = chart_of(2)
    rows = shuffle_rows(chart, 2.0)
    in_time = judged(chart, rows)
    assert in_time.roots_late == 0 and "late" not in landing_line(in_time)
    tops = [item.at_beats for item in in_time.items if item.outcome == "root"][2:7]
    late = judged(chart, [row for row in rows if not any(abs(row[0] - at) < 0.5 for at in tops)])
    assert late.total == in_time.total and late.roots_late == 5 == late.to_dict()["roots_late"]
    assert f"{late.roots} of {late.changes} changes on the root, 5 of them late" in landing_line(late)
    assert ", 5 of them later than a third of a beat" in landing_section(late, chart)


def test_two_beat_lines_are_asked_on_one_and_three() -> None:
    chart = chart_of(2, groove="two_beat", tempo_bpm=140.0, turnaround="chromatic_to_five")
    rows = []
    for bar in chart.bars:
        for beat in (0, 2):
            chord = bar.chords[beat * len(bar.chords) // 4]
            # Root on 1; the fifth on 3, which is not a V.
            up = 7 if beat == 2 and len(bar.chords) == 1 else 0
            rows.append((bar.onset_beats + beat, 0.8, root_pitch(chord.root_pc) + up))
    result = judged(chart, rows)
    assert [i.outcome for i in result.items if i.beat in (2, 4)] == ["not_asked"] * 2
    assert result.total.roots == result.total.changes
    assert result.total.changes == len(result.items) - 2


def test_octaves_and_open_strings_are_the_same_root() -> None:
    chart = chart_of(2)
    rows = [(b, n, p + 12 * (i % 3)) for i, (b, n, p) in enumerate(shuffle_rows(chart, 2.0))]
    assert judged(chart, rows).total.roots == 16


def test_a_transposed_input_is_asked_about_not_marked_down() -> None:
    chart = chart_of(2)
    for shift in (1, -2, 5):
        rows = [(b, n, p + shift) for b, n, p in shuffle_rows(chart, 2.0)]
        result = judged(chart, rows)
        assert result.transposed_semitones == shift
        assert result.total.roots == 16
    rows = [(b, n, p + 0.4) for b, n, p in shuffle_rows(chart, 2.0)]
    assert judged(chart, rows).total.roots == 16  # type: ignore[arg-type]


def test_a_take_that_stops_half_way_is_judged_as_far_as_it_goes() -> None:
    chart = chart_of(4)
    rows = [row for row in shuffle_rows(chart, 2.0) if row[0] < 96.0]
    result = judged(chart, rows)
    assert result.total.changes == result.total.roots == 16
    assert all(i.note == "stopped" for i in result.items if i.chorus > 2)
    # Two silent bars are missed changes, not the end.
    rows = without(shuffle_rows(chart, 2.0), 32.0, 40.0)
    assert [at(judged(chart, rows), 1, bar).outcome for bar in (9, 10)] == ["silent", "silent"]


def test_an_input_without_releases_sounds_until_its_next_note() -> None:
    chart = chart_of(2)
    start = bar_at(chart, 1, 5)
    rows = without(shuffle_rows(chart, 2.0), start - 0.4, start + 0.9)
    rows.append((start - 1.0 / 3.0, 0.01, root_pitch(0)))
    take = line_take(chart, rows, header=TakeHeader(profile="typing"))
    assert at(landing(read_notes(take, chart)), 1, 5).outcome == "silent"
    take.notes["flags"] |= FLAG_NO_RELEASE
    assert at(landing(read_notes(take, chart)), 1, 5).outcome == "root_early"


@pytest.mark.parametrize("flag", [FLAG_CUT, FLAG_NO_RELEASE])
def test_one_note_that_never_ends_lands_one_change_not_all(flag: int) -> None:
    chart = chart_of(4)
    take = line_take(chart, [(0.0, 192.0, root_pitch(7))])
    take.notes["flags"] |= flag
    result = landing(read_notes(take, chart))
    assert (result.total.changes, result.total.roots) == (1, 1)


def test_changes_inside_a_bar_are_judged_on_their_beat() -> None:
    bars = ("G7", "C7 C#dim7", "G7 E7", "A7 D7")
    chart = expand(Session(form="chart", chart=bars, choruses=(ChorusPlan("solo", 3, (0.5,) * 3),)))
    result = judged(chart, shuffle_rows(chart, 2.0))
    assert [(i.bar, i.beat, i.degree) for i in result.items if i.chorus == 1] == [
        (1, 1, "I"), (2, 1, "IV"), (2, 3, "#iv°"), (3, 1, "I"), (3, 3, "VI"), (4, 1, "II"), (4, 3, "V"),
    ]  # fmt: skip
    assert result.total.roots == result.total.changes
    assert set(result.by_role) == {"solo"}


def test_slash_chords_ask_for_their_bass() -> None:
    plans = (ChorusPlan("verse", 2, (0.5, 0.5)),)
    chart = expand(Session(form="chart", chart=("G7", "C7/E", "G7", "D7"), choruses=plans))
    rows = []
    for beat, length, pitch in shuffle_rows(chart, 2.0):
        rows.append((beat, length, root_pitch(4) if int(beat // 4) % 4 == 1 else pitch))
    assert judged(chart, rows).total.roots == judged(chart, rows).total.changes


def test_a_delay_moves_asynchronies_and_nothing_else() -> None:
    chart = chart_of(3)
    rows, _ = labelled_line(chart)
    plain, late = judged(chart, rows), judged(chart, rows, late_ms=40.0)
    assert [i.outcome for i in plain.items] == [i.outcome for i in late.items]
    for a, b in zip(plain.items, late.items, strict=True):
        if a.asynchrony_s == a.asynchrony_s:
            assert b.asynchrony_s - a.asynchrony_s == pytest.approx(0.040, abs=1e-9)


def test_a_chorus_or_a_trade_sat_out_is_named_and_not_missed() -> None:
    chart = chart_of(4)
    result = judged(chart, without(shuffle_rows(chart, 2.0), 96.0, 144.0))
    assert (result.total.changes, result.total.landed) == (24, 24) and not result.missed
    silent = [i for i in result.items if i.chorus == 3]
    assert {(i.outcome, i.note) for i in silent} == {("not_asked", "laid_out")}
    assert result.to_dict()["sat_out"] == [{"chorus": 3, "bars": [1, 12], "whole": True}]
    assert landing_line(result).endswith("24 of 24 on a chord note; you sat out chorus 3.")
    trade = judged(chart, without(shuffle_rows(chart, 2.0), 64.0, 80.0))
    assert (trade.total.changes, trade.total.landed) == (30, 30)  # the changes into bars 5 and 7 are not asked
    assert "you sat out chorus 2 bars 5 to 8" in landing_line(trade)
    # Three bars are no lay-out, and what is held through four is no silence.
    three = judged(chart, without(shuffle_rows(chart, 2.0), 64.0, 76.0))
    assert three.sat_out == () and [i.bar for i in three.missed] == [5, 7]
    held = judged(chart, [*without(shuffle_rows(chart, 2.0), 64.0, 80.0), (64.0, 16.0, root_pitch(0))])
    assert held.sat_out == () and at(held, 2, 5).outcome == "root"


def test_no_silence_of_ours_is_called_sat_out() -> None:
    chart = chart_of(4)
    take = line_take(chart, without(shuffle_rows(chart, 2.0), 64.0, 80.0))
    gap = Gap(float(take.tempo.seconds_at(66.0)), float(take.tempo.seconds_at(70.0)), "xrun")
    result = landing(read_notes(replace(take, header=TakeHeader(gaps=(gap,))), chart))
    assert result.sat_out == ()


def test_roots_after_a_rest_on_1_stand_apart() -> None:
    """Silent on every beat 1 and sounding after it: on the root, and told how."""
    chart = chart_of(3)
    result = judged(chart, [row for row in shuffle_rows(chart, 2.0) if row[0] % 4.0 > 0.5])
    assert result.total.roots == result.roots_late == 24
    assert "24 of 24 changes on the root, " in landing_line(result)
    assert "of them after a rest on beat 1" in landing_line(result)


def test_a_rest_in_the_turnaround_is_as_free_as_a_note_of_it() -> None:
    chart = chart_of(3)
    rows = [row for row in shuffle_rows(chart, 2.0) if row[0] % 48.0 < 44.0 - 0.01 or row[0] > 96.0]
    silent = [i.outcome for i in judged(chart, rows).items if i.bar == 12 and i.chorus < 3]
    assert silent == ["turnaround"] * 2


def test_the_report_names_what_was_sat_out() -> None:
    chart = chart_of(4)
    result = judged(chart, without(shuffle_rows(chart, 2.0), 96.0, 144.0))
    assert "You sat out chorus 3: nothing is asked there." in landing_section(result, chart)


def a_beat_late(chart: Chart) -> list[tuple[float, float, int]]:
    rows = shuffle_rows(chart, 2.0)
    spans = chart.span_idx_at([max(row[0] - 1.0, 0.0) + 1e-6 for row in rows])
    return [(row[0], row[1], root_pitch(chart.spans[i].chord.lowest_pc)) for row, i in zip(rows, spans, strict=True)]


def test_a_beat_late_to_every_change_is_said_so() -> None:
    chart = chart_of(4)
    result = judged(chart, a_beat_late(chart))
    assert result.beat_late == result.beat_late_of == 31  # all but the take's first downbeat, which changes nothing
    assert "; a beat late to every change" in landing_line(result)
    card = score(line_take(chart, a_beat_late(chart)))
    assert any(advice.text.startswith("You come a beat late to every change") for advice in card.verdict.advice)
    # One chorus late of four is no habit.
    some = [row for row in a_beat_late(chart) if row[0] < 48.0] + [r for r in shuffle_rows(chart, 2.0) if r[0] >= 48.0]
    assert judged(chart, some).beat_late_of is None


def test_half_the_notes_missing_is_said_and_a_line_of_half_notes_is_none() -> None:
    chart = chart_of(4)
    rng = np.random.default_rng(5)
    rows = shuffle_rows(chart, 2.0)
    gone = judged(chart, [row for row in rows if rng.random() < 0.5])
    assert gone.half_missing and "; about half of the notes are missing: nothing on " in landing_line(gone)
    assert gone.beats_asked == 160 and abs(gone.beats_empty - 80) < 20
    for kept in (rows, [row for row in rows if row[0] % 1.0 < 0.1], [row for row in rows if row[0] % 2.0 < 0.1]):
        assert not judged(chart, kept).half_missing
    assert judged(chart, [row for row in rows if row[0] % 2.0 < 0.1]).beats_empty == 80


def test_a_root_that_the_space_bar_picked_is_no_landing() -> None:
    chart = chart_of(2)
    picked = [(*row, PICKED_VELOCITY) for row in shuffle_rows(chart, 2.0)]
    take = line_take(chart, picked, header=TakeHeader(profile="typing"))
    result = landing(read_notes(take, chart))
    assert result.total.changes == 0 and not result.root_rate.known
    assert {(i.outcome, i.note) for i in result.items} == {("not_asked", "picked")}
    said = "Landing: no change of chord counts; the space bar picked the root of 17 changes for you: no landing."
    assert landing_line(result) == said
    half = [row if row[0] < 48.0 else (*row[:3], 90) for row in picked]
    some = landing(read_notes(line_take(chart, half, header=TakeHeader(profile="typing")), chart))
    assert some.total.changes == some.total.roots == 8 and some.picked == 9
    # Another input may well play so softly: it found its roots.
    assert landing(read_notes(line_take(chart, picked), chart)).total.roots == 16
