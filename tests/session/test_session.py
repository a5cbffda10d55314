"""The session file: what is accepted, what each mistake says, and what the chart holds."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from trainer.errors import SessionError, UsageError
from trainer.session import default_session, expand, load_session, parse_session, session_from_dict

PAPER_EXAMPLE = """
title = "Back room, slow one"
key = "G"
tempo_bpm = 96.0
swing_ratio = 2.0
form = "quick_change_12"
groove = "shuffle"
count_in_bars = 2
seed = 7

[[chorus]]
role = "verse"
times = 2
intensity = 0.4

[[chorus]]
role = "solo"
times = 3
intensity = [0.5, 0.75, 1.0]

[[drop_out]]
chorus = 3
bars = [9, 10]
"""


def test_the_example_reads_and_expands() -> None:
    session = parse_session(PAPER_EXAMPLE)
    assert session.n_choruses == 5
    chart = expand(session)
    assert len(chart.bars) == 60 and chart.end_beats == 240.0 and chart.count_in_beats == -8.0
    assert chart.chorus_onsets_beats == (0.0, 48.0, 96.0, 144.0, 192.0)
    assert [bar.intensity for bar in chart.bars[::12]] == [0.4, 0.4, 0.5, 0.75, 1.0]
    assert [(b.chorus, b.bar) for b in chart.bars if b.drop_out] == [(3, 9), (3, 10)]
    assert chart.bars[11].degrees == ("V",) and chart.bars[59].degrees == ("I",) and chart.bars[59].final
    assert [b.bar for b in chart.bars if b.turnaround][:2] == [11, 12]


def test_plain_data_round_trip() -> None:
    for session in (parse_session(PAPER_EXAMPLE), default_session()):
        assert session_from_dict(session.to_dict()) == session


def test_chord_lookup_is_vectorised() -> None:
    chart = expand(parse_session(PAPER_EXAMPLE))
    at = np.array([-3.0, 0.0, 3.99, 4.0, 32.0, 239.9, 500.0])
    names = [chart.spans[i].chord.name for i in chart.span_idx_at(at)]
    assert names == ["G7", "G7", "G7", "C7", "D7", "G7", "G7"]


def test_a_chart_of_ones_own() -> None:
    session = parse_session('form = "chart"\nkey = "G"\n[chart]\nbars = ["G7", "C7 C#dim7", "%", "D7"]\n')
    chart = expand(session)
    assert [[c.name for c in bar.chords] for bar in chart.bars[:4]] == [
        ["G7"], ["C7", "C#dim7"], ["C7", "C#dim7"], ["D7"]
    ]  # fmt: skip
    assert [span.onset_beats for span in chart.spans[:4]] == [0.0, 4.0, 6.0, 8.0]
    assert chart.spans[2].degree == "#iv°"


def test_loop_keeps_the_bar_numbers() -> None:
    chart = expand(session_from_dict({"loop": [9, 12], "chorus": [{"role": "verse", "times": 2}]}))
    assert [b.bar for b in chart.bars] == [9, 10, 11, 12] * 2
    assert [b.chorus for b in chart.bars] == [1] * 4 + [2] * 4
    assert chart.bars[3].degrees == ("V",) and chart.bars[7].degrees == ("I",)


def test_start_from_the_five_lies_before_beat_zero() -> None:
    chart = expand(session_from_dict({"start": "from_the_five", "chorus": [{"role": "verse"}]}))
    intro = [b for b in chart.bars if b.chorus == 0]
    assert [b.degrees[0] for b in intro] == ["V", "IV", "I", "V"]
    assert intro[0].onset_beats == -16.0 and chart.count_in_beats == -24.0
    assert chart.chorus_onsets_beats == (0.0,)


def test_endings() -> None:
    one = {"chorus": [{"role": "verse"}]}
    stop = expand(session_from_dict(one | {"ending": "stop"}))
    assert [b.stopped for b in stop.bars[-3:]] == [False, True, False]
    tag = expand(session_from_dict(one | {"ending": "tag"}))
    assert [b.bar for b in tag.bars[8:]] == [9, 10, 11, 12] * 3
    ritard = expand(session_from_dict(one | {"ending": "ritard", "tempo_bpm": 100.0}))
    beats, bpm = zip(*ritard.tempo_segments, strict=True)
    assert beats[1:] == (44.0, 45.0, 46.0, 47.0) and list(bpm) == sorted(bpm, reverse=True)


def test_usual_ratio_follows_groove_and_tempo() -> None:
    # Common practice: triplets at medium tempi, closer to even when fast; straight grooves even.
    assert session_from_dict({"tempo_bpm": 96}).swing_ratio == 2.0
    assert 1.2 <= session_from_dict({"tempo_bpm": 200}).swing_ratio <= 1.7
    assert session_from_dict({"groove": "straight"}).swing_ratio == 1.0


MISTAKES = [
    ("tempo = 96", r'tempo: not a known key; allowed: title, key, .*did you mean "tempo_bpm"\?'),
    ("tempo_bpm = 20", r"tempo_bpm: found 20; allowed: a number from 40 to 240"),
    ("tempo_bpm = true", r"tempo_bpm: found true; allowed: a number from 40"),
    ("tempo_bpm = nan", r"tempo_bpm: found nan; allowed"),
    ('tempo_bpm = "fast"', r'tempo_bpm: found "fast"; allowed: a number'),
    ("swing_ratio = 3.6", r"swing_ratio: found 3.6; allowed: a number from 1 to 3.5"),
    ('key = "H"', r'key: "H" is not a key; allowed: a tonic such as G'),
    ("key = 3", r"key: found 3; allowed: a tonic"),
    ('form = "quick_chang_12"', r'form: found "quick_chang_12"; allowed: .*did you mean "quick_change_12"\?'),
    ('groove = "shufle"', r'groove: found "shufle".*did you mean "shuffle"\?'),
    ("count_in_bars = 9", r"count_in_bars: found 9; allowed: a whole number from 0 to 4"),
    ("count_in_bars = 1.5", r"count_in_bars: found 1.5"),
    ("seed = -1", r"seed: found -1; allowed: a whole number from 0"),
    (
        '[[chorus]]\nrole = "vrese"',
        r'chorus\[1\]\.role: found "vrese"; allowed: verse, solo, head; did you mean "verse"',
    ),
    ("[[chorus]]\ntimes = 2", r"chorus\[1\]\.role: missing; allowed: verse, solo, head"),
    ('[[chorus]]\nrole = "verse"\ntimes = 0', r"chorus\[1\]\.times: found 0; allowed: a whole number from 1"),
    ('[[chorus]]\nrole = "solo"\nintensity = 1.5', r"chorus\[1\]\.intensity: found 1.5; allowed: a number from 0 to 1"),
    (
        '[[chorus]]\nrole = "solo"\ntimes = 3\nintensity = [0.1, 0.2]',
        r"chorus\[1\]\.intensity: found \[0.1, 0.2\]; allowed: one value, or one per chorus \(3\)",
    ),
    ('[[chorus]]\nrole = "solo"\nintensty = 1', r'chorus\[1\]\.intensty: not a known key.*did you mean "intensity"'),
    ("[[drop_out]]\nchorus = 9\nbars = [1, 2]", r"drop_out\[1\]\.chorus: found 9; allowed: a whole number from 1 to 4"),
    (
        "[[drop_out]]\nchorus = 1\nbars = [9, 13]",
        r"drop_out\[1\]\.bars: found \[9, 13\]; allowed: the first and last bar",
    ),
    ("[[drop_out]]\nchorus = 1", r"drop_out\[1\]\.bars: missing"),
    ('form = "chart"', r"chart: missing"),
    ('[chart]\nbars = ["G7"]', r'chart: found a \[chart\] table with form = "quick_change_12"'),
    ('form = "chart"\n[chart]\nbars = ["%"]', r'chart\.bars\[1\]: found "%"'),
    ('form = "chart"\n[chart]\nbars = ["Q7"]', r'chart\.bars\[1\]: "Q7" is not a chord'),
    ('form = "chart"\n[chart]\nbars = ["C7 F7 G7"]', r"chart\.bars\[1\]: found .*allowed: 1, 2 or 4 chords"),
    ("loop = [12, 9]", r"loop: found \[12, 9\]; allowed: the first and last bar, \[first, last\], from 1 to 12"),
    ("chorus = 3", r"chorus: found 3; allowed: tables written as \[\[chorus\]\]"),
    ('[[chorus]]\nrole = "verse"\ntimes = 1001', r"times: found 1001; allowed: a whole number from 1 to 1000"),
    ('[[chorus]]\nrole = "verse"\ntimes = 501\n' * 2, r"chorus: found .1002 choruses in all.; allowed: at most 1000"),
    ('[[chorus]]\nrole = "verse"\ntimes = 401', r"chorus: found .4812 bars in all.; allowed: at most 4800"),
    ('form = "chart"\n[chart]\nbars = [' + '"C7",' * 65 + "]", r"chart\.bars: found .* a list of 1 to 64"),
    ("[[drop_out]]\nchorus = 1\nbars = [1, 1]\n" * 1001, r"drop_out: found .1001 of them.; allowed: at most 1000"),
    ("[[pedal]]\nchorus = 1\nbars = [1, 1]\n" * 1001, r"pedal: found .1001 of them.; allowed: at most 1000"),
    ("key = ,", r"not valid TOML: .*line 1"),
]


@pytest.mark.parametrize(("text", "message"), MISTAKES, ids=[m[0].replace("\n", " ")[:50] for m in MISTAKES])
def test_each_mistake_has_its_exact_line(text: str, message: str) -> None:
    with pytest.raises(SessionError, match=message) as caught:
        parse_session(text, "mine.toml")
    assert len(caught.value.problems) == 1, caught.value.problems
    assert "\n" not in str(caught.value) and str(caught.value).startswith("mine.toml: ")


def test_all_mistakes_are_found_at_once() -> None:
    with pytest.raises(SessionError) as caught:
        parse_session('tempo_bpm = 1\nkey = "X"\nseed = 1.5')
    assert len(caught.value.problems) == 3


def test_of_very_many_mistakes_the_first_are_listed() -> None:
    with pytest.raises(SessionError) as caught:
        parse_session("".join(f"k{n} = 1\n" for n in range(5_000)))
    assert len(caught.value.problems) == 21
    assert caught.value.problems[-1] == "and 4980 more"


def test_a_file_may_be_judged_by_a_longer_session_than_one_that_is_played(tmp_path: Path) -> None:
    file = tmp_path / "day.toml"
    file.write_text('[[chorus]]\nrole = "verse"\ntimes = 10_000')
    with pytest.raises(SessionError, match="times: found 10000"):
        load_session(file)
    assert len(expand(load_session(file, scored=True)).bars) == 120_000
    file.write_text('[[chorus]]\nrole = "verse"\ntimes = 10_000\n' * 20_000)  # beyond it: counted, not made
    with pytest.raises(SessionError, match=r"200000000 choruses in all.*at most 10000"):
        load_session(file, scored=True)
    file.write_text("".join(f'[[chorus]]\nrole = "verse"\ntimes = {times}\n' for times in (1000, 1000, -1900)))
    with pytest.raises(SessionError, match=r"2001 choruses in all.*at most 1000"):
        load_session(file)


def test_missing_and_unreadable_files(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="no session file"):
        load_session(tmp_path / "none.toml")
    bad = tmp_path / "bad.toml"
    bad.write_bytes(b"title = \xff\xfe")
    with pytest.raises(SessionError, match="not UTF-8"):
        load_session(bad)
    with pytest.raises(UsageError, match="a folder; expected a TOML file"):
        load_session(tmp_path)
    marked = tmp_path / "marked.toml"
    marked.write_bytes(b'\xef\xbb\xbfkey = "A"\r\n')  # as some editors save UTF-8
    assert load_session(marked).key.name == "A"


def test_a_pushed_tempo_rises_bar_by_bar() -> None:
    chart = expand(
        session_from_dict({"tempo_bpm": 100, "tempo_push_pct": 4, "ending": "ritard", "chorus": [{"role": "verse"}]})
    )
    beats, bpm = zip(*chart.tempo_segments, strict=True)
    assert beats[:3] == (-8.0, 4.0, 8.0) and list(beats) == sorted(set(beats))
    assert bpm[0] == 100.0 and bpm[beats.index(40.0)] == pytest.approx(100.0 * (1 + 0.04 * 10 / 11))
    assert bpm[beats.index(44.0)] < 100.0  # the ritard wins in the last bar


def test_limbs_may_swing_apart_from_the_ride() -> None:
    made = session_from_dict({"swing_ratio": 2.0, "limb_swing": {"kick": 1.8, "snare": 2.25}})
    assert dict(made.limb_swing) == {"snare": 2.25, "kick": 1.8}
    assert session_from_dict(made.to_dict()) == made
    assert expand(made).swing_ratio == 2.0  # what is scored against stays as it was
    with pytest.raises(SessionError) as caught:
        session_from_dict({"limb_swing": {"kik": 1.8, "snare": 9}})
    assert caught.value.problems == (
        'limb_swing.kik: not a known key; allowed: snare, kick; did you mean "kick"?',
        "limb_swing.snare: found 9; allowed: a number from 1 to 3.5 (long:short)",
    )
    with pytest.raises(SessionError, match=r"limb_swing: found 2; allowed: a table such as"):
        session_from_dict({"limb_swing": 2})


def test_choruses_that_are_only_listened_to() -> None:
    text = 'ending = "tag"\n[[chorus]]\nrole = "verse"\nheard = true\n[[chorus]]\nrole = "solo"\n'
    session = parse_session(text)
    assert session_from_dict(session.to_dict()) == session
    chart = expand(session)
    assert chart.heard_choruses == {1} and not any(bar.heard for bar in chart.bars if bar.chorus == 2)
    last = chart.chorus_onsets_beats[1] - 4.0
    assert [chart.turn_called(beats) for beats in (-2.0, last - 0.1, last, last + 3.9, last + 4.0, 1e6)] == [
        "", "", "your turn", "your turn", "", "",
    ]  # fmt: skip
    assert [chart.role_words(chart.bars[i]) for i in (0, 12)] == ["listen", "your solo"]
    assert expand(parse_session("")).role_words(chart.bars[12]) == "solo"
    with pytest.raises(SessionError, match=r"chorus\[1\]\.heard: found 3; allowed: true or false"):
        parse_session('[[chorus]]\nrole = "verse"\nheard = 3\n')


def test_something_is_left_to_play() -> None:
    only = '[[chorus]]\nrole = "verse"\nheard = true\n'
    with pytest.raises(SessionError, match="chorus: found heard = true in every chorus; allowed: at least one") as told:
        parse_session(only * 2)
    assert len(told.value.problems) == 1
    assert parse_session(only + '[[chorus]]\nrole = "verse"\n').n_choruses == 2
    kept = {"chorus": [{"role": "verse", "heard": True}]}
    assert session_from_dict(kept).to_dict()["chorus"][0]["heard"]  # what a take was played to can be read
