"""No note is lost on paper: random takes with ornaments, read back by `music21`. `paper_long` reads five hundred.

The documents are valid against the MusicXML 4.0 schema.
"""

from __future__ import annotations

import pytest
import xmlschema

from tests.report.paper_takes import random_take, take_on_paper
from trainer.report.musicxml import musicxml
from trainer.report.written import written_take
from trainer.scoring.align import read_notes


@pytest.mark.parametrize("seed", range(8))
def test_every_note_of_a_take_stands_on_paper(seed: int) -> None:
    played, on_paper, had = take_on_paper(seed)
    assert played == on_paper and sum(played.values()) > 60
    assert had["slide"] + had["grace"] + had["stop"] + had["slip"] > 3


@pytest.mark.parametrize("seed", range(1000, 1006))
def test_every_such_document_is_valid(seed: int, schema: xmlschema.XMLSchema) -> None:
    """Bars before and after the song, twelve-eight, graces, chords and missed changes among them."""
    chart, take, _ = random_take(seed)
    document = musicxml(written_take(read_notes(take, chart), chart, missed=[4.0, 16.0]))
    assert [error.reason for error in schema.iter_errors(document.decode())] == []
