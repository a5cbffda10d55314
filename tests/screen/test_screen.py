"""What the screen must do whatever it shows: fill its cells, say the truth about the form, stay safe and colourless."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from typing import get_args

import pyte
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rich.cells import cell_len

from tests.screen.states import FIGURES, LONG, ROUND, STATES, TWO_FIVE, session, state
from trainer.music import FORMS, QUALITIES, parse_key
from trainer.resources import session_names, session_path
from trainer.screen import Phase, block_rows, block_text, block_width, opening_lines, plain_line, render, repaint
from trainer.screen.font import GLYPH_PIXELS_HIGH
from trainer.screen.near import LANE_RANGE_MS, STRIP_STEPS_MS, lane_of
from trainer.session import Session, expand, load_session

SESSIONS = [session(), TWO_FIVE, LONG, ROUND, session(form="eight_bar", drop_outs=()), session(start="from_the_five")]


@settings(max_examples=150, deadline=None)
@given(
    of=st.sampled_from(SESSIONS),
    place=st.floats(-0.05, 1.02),
    width=st.integers(1, 260),
    height=st.integers(1, 70),
    phase=st.sampled_from(get_args(Phase)),
    flags=st.tuples(st.booleans(), st.booleans(), st.booleans()),
    warnings=st.lists(st.text(max_size=300), max_size=5),
    lane_ms=st.lists(st.floats(-500, 500), max_size=20),
)
def test_every_row_has_exactly_its_cells(
    of: Session,
    place: float,
    width: int,
    height: int,
    phase: str,
    flags: tuple[bool, bool, bool],
    warnings: list[str],
    lane_ms: list[float],
) -> None:
    calm, typing, ascii_only = flags
    shown = state(
        place * expand(of).end_beats,
        of,
        phase=phase,
        calm=calm,
        typing=typing,
        ascii_only=ascii_only,
        warnings=tuple(warnings),
        lane_ms=tuple(lane_ms),
        lane_beats=tuple(range(len(lane_ms))),
    )
    frame = render(shown, width, height)
    assert len(frame.rows) == height
    assert all(sum(cell_len(text) for text, _ in row) == width for row in frame.rows)
    assert {style for row in frame.rows for _, style in row} <= {"", "bold", "reverse", "bold reverse"}


@pytest.mark.parametrize("width", [3, 4, 80])
def test_a_sign_without_width_takes_no_cell(width: int) -> None:
    """A skin tone alone took a bar's cell, and past the last column ended the screen."""
    for text in ("\N{EMOJI MODIFIER FITZPATRICK TYPE-1-2}", "abc\N{EMOJI MODIFIER FITZPATRICK TYPE-1-2}"):
        frame = render(state(0.0, warnings=(text,)), width, 24 if width > 4 else 5)
        assert all(sum(cell_len(piece) for piece, _ in row) == width for row in frame.rows)


@pytest.mark.parametrize("name", STATES)
def test_rendering_is_pure(name: str) -> None:
    assert render(STATES[name], 90, 30) == render(STATES[name], 90, 30)


@pytest.mark.parametrize(("width", "height"), [(80, 24), (120, 40), (200, 60)])
@pytest.mark.parametrize("beat", range(0, 240, 3))
def test_this_bar_alone_is_marked(beat: int, width: int, height: int) -> None:
    """In the grid, one cell is marked, and it stands where counting bars in rows of four puts it."""
    frame = render(state(beat + 0.5), width, height)
    marked = [i for i, line in enumerate(frame.plain.split("\n")) if "▶" in line]
    bar = beat // 4 % 12
    line = frame.plain.split("\n")[marked[0]]
    assert re.search(rf"▶ ?{bar + 1}\b", line)
    lines = [frame.plain.split("\n")[i] for i in marked]
    assert {line[: line.index("▶")].count("│") - 1 for line in lines} == {bar % 4}


def test_next_change_agrees_with_reading_the_chart_beat_by_beat() -> None:
    """The same answer as walking forward in sixteenths until the chord's name differs."""
    for of in (session(), TWO_FIVE, ROUND):
        chart = expand(of)

        def name_at(beats: float, chart=chart) -> str:  # type: ignore[no-untyped-def]
            bar = next(bar for bar in chart.bars if bar.onset_beats <= beats < bar.end_beats)
            return bar.chords[int((beats - bar.onset_beats) / 4 * len(bar.chords))].name

        beat = 0.0
        while beat < chart.end_beats:
            change = state(beat, of).next_change
            later = beat
            while later < chart.end_beats and name_at(later) == name_at(beat):
                later += 0.25
            later = math.floor(later * 4) / 4
            if later >= chart.end_beats:
                assert change.span is None
            else:
                assert change.span is not None
                assert change.span.onset_beats == later
                assert change.bars == later // 4 - beat // 4
                assert change.beats == math.ceil(later - math.floor(beat))
            beat += 0.75


def test_count_in_counts_down_to_the_first_chord() -> None:
    told = [state(b, phase="count_in").next_change.bars for b in (-8.0, -4.1, -4.0, -0.1)]
    assert told == [2, 2, 1, 1]
    assert [state(b, phase="count_in").beat for b in (-4.0, -3.0, -2.5, -1.0)] == [1, 2, 2, 4]


def test_a_count_back_into_the_song_tells_of_the_place_it_leads_to() -> None:
    """Chorus 3 bar 5, not chorus 1 bar 1."""
    back = state(-2.5, phase="count_in", counts_to_idx=28)
    for width, height in ((80, 24), (120, 40)):
        first, later = (render(s, width, height).plain for s in (STATES["count_in"], back))
        assert "COUNT-IN" in first and "CHORUS 1 of 5" in first and "VERSE" in first and "from bar" not in first
        assert "COUNT-IN" in later and "CHORUS 3 of 5" in later and "SOLO" in later and "from bar 5" in later
    assert "CHORUS 3 of 5 SOLO" in render(back, 40, 10).plain
    assert (back.beat, back.next_change.bars, back.next_change.beats) == (2, 1, 3)
    assert back.next_change.span == back.chart.spans[int(back.chart.span_idx_at(112.0))]
    assert plain_line(back) == "count-in   1 bar to C7 (IV), chorus 3 bar 5"


def test_repaint_on_a_terminal_shows_the_frame() -> None:
    """pyte, a terminal emulator not ours: painting frame after frame leaves exactly the last one on the screen."""
    terminal = pyte.Screen(80, 24)
    stream = pyte.Stream(terminal)
    previous = None
    for name in ("count_in", "verse", "solo_figures", "calm", "last_bar"):
        frame = render(STATES[name], 80, 24)
        stream.feed(repaint(frame, previous))
        assert "\n".join(line.rstrip() for line in terminal.display) == frame.plain
        previous = frame


def test_repaint_writes_only_what_changed() -> None:
    before, after = render(state(17.1), 80, 24), render(state(18.1), 80, 24)
    assert repaint(before, before) == ""
    assert len(repaint(after, before)) < len(repaint(after)) / 3
    assert "\x1b[2J" not in repaint(after)  # never cleared: nothing flickers


def test_no_colour_is_ever_written() -> None:
    codes = {
        code for shown in STATES.values() for code in re.findall(r"\x1b\[([0-9;]*)m", repaint(render(shown, 120, 40)))
    }
    assert codes == {"0", "1", "1;7"}


def test_text_from_files_cannot_reach_the_terminal_raw() -> None:
    bad = session(title="x\x1b[2J\x07\u202eevil\r\n\u0301")
    frame = render(state(5.0, bad, warnings=("\x1b]0;t\x07",), source="a\tb"), 80, 24)
    assert not re.search(r"[\x00-\x08\x0b-\x1f\x7f-\x9f\u202e]", frame.plain)
    assert not re.search(r"[\x00-\x1f\u202e]", plain_line(state(5.0, bad)) + "".join(opening_lines(state(5.0, bad))))


def test_ascii_screens_are_ascii() -> None:
    for name in STATES:
        for width, height in ((80, 24), (120, 40), (40, 10)):
            plain = render(replace(STATES[name], ascii_only=True), width, height).plain
            assert plain.isascii(), [c for c in plain if ord(c) > 127]


def test_calm_shows_no_figure_of_the_player() -> None:
    loud = render(STATES["solo_figures"], 80, 24).plain
    calm = render(replace(STATES["solo_figures"], calm=True), 80, 24).plain
    for word in ("ahead", "swing 1.93", "roots on", "120 notes"):
        assert word in loud
        assert word not in calm
    assert "band out" not in calm
    assert "q stop" in calm and "? keys" in calm  # how to leave is not a figure
    warned = render(replace(STATES["drop_out_warned"], calm=True), 80, 24).plain
    assert "uncalibrated" in warned  # a warning is not a figure


def test_a_long_warning_goes_on_in_the_next_row_where_there_is_room() -> None:
    lost = 'MIDI input "a name that is long" has gone; the band plays on, and it is taken up again when it is back'
    for warnings in ((lost,), ("first", lost)):
        large = [line.strip() for line in render(state(17.0, warnings=warnings), 100, 40).plain.split("\n")]
        at = next(i for i, line in enumerate(large) if line.startswith('! MIDI input "a name'))
        assert f"{large[at]} {large[at + 1]}" == f"! {lost}" and ("! first" in large) == (len(warnings) == 2)
        small = render(state(17.0, warnings=warnings, typing=True, figures=FIGURES), 80, 24).plain
        assert '! MIDI input "a name that is long" has gone; the band plays on' in small and "…" in small
    three = render(state(17.0, warnings=("first", lost, "third")), 80, 40).plain
    assert all(f"! {start}" in three for start in ("first", "MIDI", "third")) and "…" in three


def test_figures_only_when_asked() -> None:
    plain = render(STATES["verse"], 80, 24).plain
    assert "roots on" not in plain and "swing 1" not in plain


def test_intensity_is_shown_in_solos_only() -> None:
    assert "height ██████" in render(STATES["solo_figures"], 120, 40).plain
    assert "then up to 0.8" in render(STATES["solo_figures"], 120, 40).plain
    assert "height" not in render(STATES["verse"], 120, 40).plain


def test_every_chord_and_numeral_has_its_block_letters() -> None:
    """Nothing that a chart can hold is drawn as a question mark."""
    unknown = block_text("?", 2)
    names = {f"{root}{quality}" for root in ("A", "B♭", "F#") for quality in QUALITIES}
    for form in FORMS.values():
        for key in ("C", "Ebm", "F#"):
            chart = expand(Session(form=form.name, key=parse_key(key)))
            names |= {degree.replace("b", "♭") for span in chart.spans for degree in [span.degree]}
    for c in set("".join(names)):
        assert block_text(c, 2) != unknown, c


@pytest.mark.parametrize("scale", [1, 2, 3, 4, 5])
@pytest.mark.parametrize("ascii_only", [False, True])
def test_block_letters_have_the_stated_size(scale: int, ascii_only: bool) -> None:
    rows = block_text("C#dim7", scale, ascii_only)
    assert len(rows) == block_rows(scale) == math.ceil(GLYPH_PIXELS_HIGH * scale / 2)
    assert {len(row) for row in rows} == {block_width("C#dim7", scale)}
    assert block_width("", scale) == 0


@pytest.mark.parametrize("ascii_only", [False, True])
@pytest.mark.parametrize("word", ["the drums", "your average"])
def test_the_lane_names_its_middle_has_a_scale_and_keeps_the_middle_free(word: str, ascii_only: bool) -> None:
    """Whatever was played, at every width: nothing covers the mark, and equal lateness lies where the scale says."""
    notes = (*(LANE_RANGE_MS / 16 * k for k in range(-7, 8)), 0.0)
    for width in range(5, 122):
        lane = lane_of(notes, width, word, ascii_only)
        assert len(lane.strokes) == len(lane.ruler) == width - (width + 1) % 2
        assert lane.strokes[lane.middle] == ("|" if ascii_only else "│")
        assert lane.newest == lane.middle + 1  # right on it counts beside the mark, never on it
        if width >= len(word) + 3:
            assert f" {word} " in lane.ruler
        for ms in (20, 40):
            assert lane.ruler.count(f"{ms}") in (0, 2)
            column = lane_of((float(ms),), width, word).newest
            if f"{ms}" in lane.ruler and column is not None:
                assert abs(lane.ruler.rindex(f"{ms}") + 0.5 - column) <= 1.5
        assert width < 41 or "40" in lane.ruler


def test_lane_counts_strokes_where_they_fell() -> None:
    """Ahead to the left, behind to the right, what is off the scale at its ends; a count, not a trail."""
    middle, half = 20, LANE_RANGE_MS / 2
    assert lane_of((half,), 41, "the drums").strokes[middle + 10] == "▁"
    assert lane_of((-half,) * 3, 41, "the drums").strokes[middle - 10] == "▃"
    assert lane_of((500.0, -500.0), 41, "the drums", True).strokes == "1" + " " * 19 + "|" + " " * 19 + "1"
    assert lane_of((), 41, "the drums").newest is None
    assert sum(int(c) for c in lane_of((3.0,) * 30, 41, "the drums", True).strokes if c.isdigit()) == 9  # one figure
    assert lane_of((30.0, -30.0), 41, "the drums").newest == middle - 10


def test_the_wide_page_shows_the_last_chorus_beat_by_beat() -> None:
    """Each beat of the chorus has its column, ahead above the line of the drums and behind below it."""
    ms = [0.0, STRIP_STEPS_MS[0] + 1, STRIP_STEPS_MS[1] + 1, 99.0, -1.0, -STRIP_STEPS_MS[0] - 1, -99.0]
    shown = state(49.0, lane_ms=tuple(ms), lane_beats=tuple(range(48, 55)))
    lines = render(shown, 120, 40).plain.split("\n")
    at = next(i for i, line in enumerate(lines) if "the drums" in line)
    start, cell = lines[at].index("┼"), 2
    assert lines[at].count("┼") == 12 and "█" not in lines[at] and "▀" not in lines[at]
    found = {}
    for row in (-2, -1, 1, 2):
        for column, c in enumerate(lines[at + row][start:].rstrip()):
            if c != " ":
                found[column // cell] = (row, c)
    assert found == {0: (1, "▀"), 1: (1, "▄"), 2: (2, "▀"), 3: (2, "▄"), 4: (-1, "▄"), 5: (-1, "▀"), 6: (-2, "▀")}
    assert "your average" in render(replace(shown, lane_centred=True), 120, 40).plain


def test_the_chords_that_follow_are_named_with_their_bars() -> None:
    assert "then C7 in 2, G7 in 3, D7 in 4" in render(state(96 + 31.0), 80, 24).plain
    for width, height in ((80, 24), (120, 40)):
        assert (
            "then the end in" in render(state(236.0 - 8), width, height).plain
            or "END" in render(state(236.0), width, height).plain
        )
    changes = state(17.0).following(4)
    assert [change.bars for change in changes] == [2, 4, 5, 6]
    assert [change.span.chord.name for change in changes if change.span] == ["G7", "D7", "C7", "G7"]
    assert state(239.0).following(4)[0].span is None and len(state(239.0).following(4)) == 1


def test_plain_lines() -> None:
    assert plain_line(STATES["verse"]) == "chorus 1/5 verse   bar  5/12   C7 (IV)   next G7 (I) in 2 bars"
    assert plain_line(STATES["count_in"]) == "count-in   1 bar to G7 (I)"
    assert plain_line(STATES["drop_out_warned"]).endswith("open up, height 0.6   band out")
    assert plain_line(STATES["last_bar"]).endswith("the end in 1 bar   last bar")
    assert plain_line(STATES["ended"]) == "end   120 notes heard"
    assert (
        opening_lines(STATES["drop_out_warned"])[0] == "Back room, slow one: G, 96 bpm, shuffle, swing 2:1, 5 choruses"
    )
    assert opening_lines(STATES["drop_out_warned"])[-1].startswith("warning: uncalibrated")


@pytest.mark.parametrize("name", session_names())
def test_every_ready_made_session_fits_the_smallest_screen(name: str) -> None:
    of = load_session(session_path(name))
    chart = expand(of)
    for bar in chart.bars:
        lines = render(state(bar.onset_beats + 0.1, of), 80, 24).plain.split("\n")
        marked = [line for line in lines if "▶" in line]
        assert marked and not any("…" in line for line in marked)


def test_a_night_on_stage_does_not_give_its_end_away() -> None:
    """Neither the screen, nor plain lines, nor the page's data say how many choruses there will be."""
    from trainer.page.link import chart_data

    known, open_end = state(96 + 20.0), state(96 + 20.0, open_end=True)
    for width, height in ((40, 10), (80, 24), (120, 40), (200, 60)):
        assert "CHORUS 3 of 5" in render(known, width, height).plain
        assert "of 5" not in render(open_end, width, height).plain and "3/5" not in render(open_end, 200, 60).plain
        assert "then up" not in render(open_end, width, height).plain
    assert "chorus 3/5" in plain_line(known) and "chorus 3 solo" in plain_line(open_end)
    assert "5 choruses" in opening_lines(known)[0] and "chorus" not in opening_lines(open_end)[0]
    assert chart_data(known.chart)["choruses"] == 5 and chart_data(known.chart, open_end=True)["choruses"] is None


@pytest.mark.parametrize(
    "text", ["one more chorus", "ending: stop in the bar before the last, then the one", "…", "x" * 90]
)
def test_a_cue_is_large_where_it_fits_and_never_lost(text: str) -> None:
    for width, height in ((60, 16), (80, 24), (120, 40)):
        plain = render(state(96 + 20.0, cue=text, cue_large=True), width, height).plain
        assert text[:40] in plain
    large = render(state(96 + 20.0, cue="one more chorus", cue_large=True), 80, 24).plain
    for row in block_text("ONE MORE", 1):
        assert row.rstrip() in large
    calm = render(state(96 + 20.0, cue="one more chorus", calm=True), 80, 24).plain
    assert "one more chorus" in calm and "ahead" not in calm


@pytest.mark.parametrize("size", [(60, 16), (80, 24)])
def test_the_list_of_keys_is_whole_and_has_the_keys_that_play(size: tuple[int, int]) -> None:
    """At the smallest size and on a pad of letters too."""
    text = render(state(4.0, typing=True, help=True), *size).plain
    for words in (
        "a s d f g h j k l ;",
        "notes: the degrees of the key",
        "the root of the chord",
        "choose a part",
        "?  ",
    ):
        assert words in text
