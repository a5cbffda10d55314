"""No note is lost on paper: random takes with ornaments, read back by `music21`. `paper_long` reads five hundred."""

from __future__ import annotations

import pytest

from tests.report.paper_takes import take_on_paper


@pytest.mark.parametrize("seed", range(8))
def test_every_note_of_a_take_stands_on_paper(seed: int) -> None:
    played, on_paper, had = take_on_paper(seed)
    assert played == on_paper and sum(played.values()) > 60
    assert had["slide"] + had["grace"] + had["stop"] + had["slip"] > 3
