"""Inputs that are well formed but wrong (`tests/structures_long.py` runs 100,000), and what they showed."""

from __future__ import annotations

import random
import tracemalloc
import warnings
from pathlib import Path

import pytest

from tests.structures import FAMILIES, midi_file, outcome, spread
from tests.take.test_midi_file import chunk, smf
from trainer.errors import FileFormatError
from trainer.limits import whole_number
from trainer.report.musicxml_in import read_musicxml
from trainer.take import read_take

N_CASES = 270


def test_well_formed_but_wrong(tmp_path: Path) -> None:
    ends = {family: {"read": 0, "refused": 0} for family in FAMILIES}
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", UserWarning)  # the ZIP writer's own, of entries that are there twice
        for family, number in spread(N_CASES):
            end, why = outcome(family, number, tmp_path / "case")
            assert end != "failed", f"{family}:{number}: {why}"
            ends[family][end] += 1
    # neither all harmless nor all turned away at the door
    assert all(n["read"] and n["refused"] for n in ends.values()), ends


def test_the_same_number_is_the_same_case() -> None:
    assert midi_file(random.Random("a 1")) == midi_file(random.Random("a 1")) != midi_file(random.Random("a 2"))


@pytest.mark.parametrize("text", ["²", "①", "9" * 5000, "-1", "", "1.0", "x"])
def test_what_is_no_number_though_it_counts_as_digits(text: str, tmp_path: Path) -> None:
    """Python calls "²" a digit and does not read it, and reads no number of five thousand."""
    assert whole_number(text) is None
    path = tmp_path / "x.musicxml"
    pitch = "<pitch><step>C</step><octave>4</octave></pitch>"
    part = f'<measure number="1"><note>{pitch}<duration>1</duration></note></measure>'
    odd = part.replace("4", text)
    listed = f"<midi-instrument><midi-program>{text}</midi-program></midi-instrument>"
    path.write_text(
        f'<score-partwise><part-list><score-part id="a">{listed}</score-part><score-part id="b"/></part-list>'
        f'<part id="a">{odd}</part><part id="b">{part}</part></score-partwise>'
    )
    try:
        read_musicxml(path)
    except FileFormatError as error:
        assert "\n" not in str(error)


def test_a_note_that_ends_after_years_is_refused_as_one_that_begins_there(tmp_path: Path) -> None:
    path = tmp_path / "x.mid"
    path.write_bytes(smf(chunk((0, b"\x90\x28\x50"), (0x0FFFFFFF, b"\xb0\x01\x00"), (0, b"\x80\x28\x00")), division=2))
    with pytest.raises(FileFormatError, match=r"hours .* from the first downbeat"):
        read_take(path)


def test_chord_names_millions_of_bars_apart_cost_nothing(tmp_path: Path) -> None:
    marks = chunk((0, b"\xff\x59\x02\x00\x00"), (0, b"\xff\x06\x08chorus 1"), *[(0x0FFFFFFF, b"\xff\x01\x02G7")] * 20)
    path = tmp_path / "x.mid"
    path.write_bytes(smf(marks, chunk((0, b"\x90\x28\x50"), (480, b"\x80\x28\x00"))))
    read_take(path)  # what is loaded at the first use is no cost of the file
    tracemalloc.start()
    try:
        assert read_take(path).session is None
        assert tracemalloc.get_traced_memory()[1] < 20e6
    finally:
        tracemalloc.stop()
