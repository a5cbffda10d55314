"""Inputs that are well formed but wrong (`tests/structures_long.py` runs 100,000), and what they showed."""

from __future__ import annotations

import copy
import random
import tracemalloc
import warnings
from pathlib import Path
from typing import Any

import pytest

from tests.structures import FAMILIES, journal_bytes, journal_records, midi_file, outcome, spread
from tests.take.test_midi_file import chunk, smf
from trainer.engine.record import finish_lost
from trainer.errors import FileFormatError, UsageError
from trainer.limits import whole_number
from trainer.report.musicxml import musicxml
from trainer.report.musicxml_in import read_musicxml
from trainer.report.written import written_chart
from trainer.session import ChorusPlan, Session, expand
from trainer.take import read_take
from trainer.take.journal import read_journal

N_CASES = 270


@pytest.fixture(autouse=True)
def own_places(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing of the person's is read or written."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))


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


@pytest.mark.parametrize(
    ("at", "record"),
    [
        (0, {"guide": ["on"]}),  # of another type where a name is looked for
        (0, {"transpose_semitones": float("nan")}),  # no number that could be written
        (2, ["map", 5_000_000_000, 1e12, 1.0]),  # a song that began before there were any
        (2, ["map", 5_000_000_000, 0.0, 1e300]),
        (0, {"profile": 2**70}),  # no whole number of 64 bits: its line counts as damaged, and it is the head
    ],
    ids=["type", "not a number", "far", "fast", "large"],
)
def test_a_journal_that_says_what_no_journal_says_stays_where_it_is(at: int, record: Any, tmp_path: Path) -> None:
    """Its lines are whole, so what reads them has to stand it: it keeps nobody from playing, and nothing is lost."""
    rows = list(copy.deepcopy(journal_records()))
    if isinstance(record, dict):
        rows[at][1].update(record)
    else:
        rows[at] = record
    path = tmp_path / "unfinished" / "a.journal"
    path.parent.mkdir()
    path.write_bytes(journal_bytes(rows))
    assert finish_lost(tmp_path) == [] and path.exists()


def test_the_journal_itself_is_finished(tmp_path: Path) -> None:
    path = tmp_path / "unfinished" / "a.journal"
    path.parent.mkdir()
    path.write_bytes(journal_bytes(journal_records()))
    (saved,) = finish_lost(tmp_path)
    assert len(read_take(saved.path).notes) > 10 and not path.exists()


def test_a_journal_moves_and_removes_nothing_but_its_own(tmp_path: Path) -> None:
    """Whoever could put a journal among the unfinished takes must not get a file of the person's removed by it."""
    others = tmp_path / "others.wav"
    others.write_bytes(b"x")
    for n, (kept, messages) in enumerate(
        [("others.wav", False), ("others.wav", True), ("unfinished/../others.wav", False)]
    ):
        rows = list(copy.deepcopy(journal_records()))
        rows[0][1] |= {"recording": str(tmp_path / kept), "takes": "relative"}
        path = tmp_path / "unfinished" / f"{n}.journal"
        path.parent.mkdir(exist_ok=True)
        path.write_bytes(journal_bytes([row for row in rows if messages or row[0] != "msg"]))
    saved = finish_lost(tmp_path)
    assert [item.path.parent for item in saved] == [tmp_path] and others.exists()
    assert not Path("relative").exists() and not list(path.parent.glob("*.journal"))


def test_a_tempo_of_millions_just_before_the_notes_is_refused(tmp_path: Path) -> None:
    """What is a moment early there is a million beats early."""
    path = tmp_path / "x.mid"
    line = chunk(
        (0, b"\xff\x51\x03\x00\x00\x01"),
        (480, b"\xff\x51\x03\x07\xa1\x20"),
        (0, b"\x90\x28\x50"),
        (480, b"\x80\x28\x00"),
    )
    path.write_bytes(smf(line))
    with pytest.raises(FileFormatError, match=r"\d{6,} beats from the first downbeat"):
        read_take(path)


def test_more_bars_than_anybody_turns_pages_for_are_refused_on_paper() -> None:
    chart = expand(Session(choruses=(ChorusPlan("verse", 130),)))
    with pytest.raises(UsageError, match=r"1,560 bars; expected at most 1,500 on paper"):
        musicxml(written_chart(chart))
    assert musicxml(written_chart(expand(Session(choruses=(ChorusPlan("verse", 12),)))))


def test_a_moment_that_no_clock_shows_is_a_damaged_line(tmp_path: Path) -> None:
    """A float is a whole number too once it is made one; the rest of the take is there all the same."""
    rows = list(copy.deepcopy(journal_records()))
    rows[3:3] = [["map", 1e308, 0.0, 1.0], ["msg", 2**63, 0, 0, 0.0, 0, "902840"], ["mark", "xrun", -(2**63), {}]]
    path = tmp_path / "a.journal"
    path.write_bytes(journal_bytes(rows))
    read = read_journal(path)
    assert read.n_damaged == 3 and len(read.messages) == len(read_journal_of(tmp_path, journal_records()).messages)


def read_journal_of(folder: Path, rows: Any) -> Any:
    path = folder / "b.journal"
    path.write_bytes(journal_bytes(rows))
    return read_journal(path)
