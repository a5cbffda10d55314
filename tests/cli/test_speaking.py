"""Lines for a person fit their terminal; what a program reads is never wrapped or mixed with words."""

from __future__ import annotations

import sys

import pytest
from hypothesis import given
from hypothesis import strategies as st

from trainer.cli.speaking import card_text, to_stderr, wrapped
from trainer.line import Feel, StandIn, planned_song
from trainer.live import play_offline
from trainer.practice import DRILLS
from trainer.scoring import score
from trainer.session import default_session, expand

WORDS = st.lists(st.text("abcdefgh", min_size=1, max_size=12), max_size=40)


@given(WORDS, st.integers(20, 120))
def test_no_line_is_longer_and_no_word_is_lost(words: list[str], width: int) -> None:
    lines = wrapped(" ".join(words), width)
    assert all(len(line) <= width for line in lines)
    assert " ".join(lines).split() == words


def test_what_runs_on_is_indented() -> None:
    assert wrapped("Bars:\n  chorus 1 bar 2 was the one that cost the most\n\nend", 24) == [
        "Bars:",
        "  chorus 1 bar 2 was the",
        "    one that cost the",
        "    most",
        "",
        "end",
    ]


def test_a_card_says_what_to_work_on_with_its_evidence_and_drill() -> None:
    chart = expand(default_session())
    careless = StandIn(Feel(missed_frac=0.4, jitter_sd_ms=40.0), 2).play(planned_song(chart, 2))
    card = score(play_offline(chart.session, careless))
    lines = card_text(card).split("\n")
    at = lines.index("What to work on (judged as jam):")
    advice = lines[at + 1 :]
    assert 1 <= len(advice) <= 3
    for line, item in zip(advice, card.verdict.to_dict()["advice"], strict=True):
        assert line.startswith(f"  {item['text']} ")
        assert line.endswith(f" trainer drill {item['drill']} --key G --bpm 96")
        assert item["drill"] in DRILLS


def test_words_leave_standard_output_to_the_program(capsys: pytest.CaptureFixture[str]) -> None:
    with to_stderr(True):
        print("chorus 1")
    with to_stderr(False):
        print("{}")
    captured = capsys.readouterr()
    assert (captured.out, captured.err) == ("{}\n", "chorus 1\n")
    assert sys.stdout is not sys.stderr
