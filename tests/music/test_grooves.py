"""A groove is one value in one file: whatever the band, the session and the stage ask of it stands there."""

from __future__ import annotations

from pathlib import Path
from typing import get_args

import pytest

from trainer.band import arrange
from trainer.music import DEFAULT_GROOVE, GROOVES, grooves
from trainer.music.grooves.model import TRIM_AT, FillShape, Groove, GrooveLine
from trainer.session import LINES, expand, parse_session

SONG = 'title = "Under the stairs"\ngroove = "{}"\n[[chorus]]\nrole = "solo"\nintensity = 0.9\n'


@pytest.mark.parametrize("groove", GROOVES.values(), ids=list(GROOVES))
def test_a_groove_holds_what_is_asked_of_it(groove: Groove) -> None:
    assert GROOVES[groove.name] is groove
    low, high = groove.stage_bpm
    assert groove.tempo_low_bpm <= low < high <= groove.tempo_high_bpm
    assert groove.tempo_low_bpm <= groove.usual_tempo_bpm <= groove.tempo_high_bpm
    assert len(groove.trim.verse) == len(groove.trim.solo) == len(TRIM_AT)
    assert groove.trim.at("solo", TRIM_AT[3]) == groove.trim.solo[3]
    assert groove.trim.at("head", 0.0) == groove.trim.verse[0]
    assert set(groove.fills) <= set(get_args(FillShape)) and groove.line in get_args(GrooveLine) == LINES


def test_a_file_in_the_folder_is_a_groove_of_the_band(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing else has to be touched: the session takes it, the band plays it."""
    (tmp_path / "stairs.py").write_text(
        "from dataclasses import replace\n"
        "from trainer.music.grooves.two_beat import GROOVE as two_beat\n"
        "GROOVE = replace(two_beat, name='stairs', title='Up the stairs', called='stairs', keys='organ')\n"
    )
    monkeypatch.setattr(grooves, "__path__", [*grooves.__path__, str(tmp_path)])
    found = grooves.found()
    assert next(iter(found)) == DEFAULT_GROOVE and set(found) == {*GROOVES, "stairs"}
    monkeypatch.setitem(GROOVES, "stairs", found["stairs"])
    old = arrange(expand(parse_session(SONG.format("two_beat"))))
    new = arrange(expand(parse_session(SONG.format("stairs"))))
    assert len(new.events) > 100 and new.programs != old.programs
    assert (new.events["onset_beats"] == old.events["onset_beats"]).all()
