"""No note is lost on paper: random takes with ornaments, read back by `music21`. `paper_long` reads five hundred.

The documents are valid against the MusicXML 4.0 schema.
"""

from __future__ import annotations

import re
from itertools import pairwise
from pathlib import Path

import mido
import numpy as np
import pytest
import xmlschema

from tests.report.paper_takes import random_take, take_on_paper
from trainer.report.engrave import svg_pages
from trainer.report.musicxml import musicxml
from trainer.report.written import BAR, DIVISIONS, written_take
from trainer.scoring.align import read_notes
from trainer.session import expand, session_from_dict
from trainer.take import read_take
from trainer.take.midi_file import parse_midi
from trainer.take.midi_notes import track_bends
from trainer.take.store import take_midi, write_take


@pytest.mark.parametrize("seed", range(8))
def test_every_note_of_a_take_stands_on_paper(seed: int) -> None:
    played, on_paper, had = take_on_paper(seed)
    assert played == on_paper and sum(played.values()) > 60
    assert had["slide"] + had["grace"] + had["stop"] + had["slip"] > 3
    assert had["bent_hammer"] + had["bent_pull"] + had["bent_slide"] > 0


@pytest.mark.parametrize("seed", range(1000, 1006))
def test_every_such_document_is_valid(seed: int, schema: xmlschema.XMLSchema) -> None:
    """Bars before and after the song, twelve-eight, graces, chords and missed changes among them."""
    chart, take, _, _ = random_take(seed)
    document = musicxml(written_take(read_notes(take, chart), chart, missed=[4.0, 16.0]))
    assert [error.reason for error in schema.iter_errors(document.decode())] == []


def test_a_bend_shows_hammer_on_pull_off_and_slide(tmp_path: Path) -> None:
    """A file as a pickup writes it, made by `mido`: one note-on, its pitch moved on by the wheel alone."""
    chart = expand(session_from_dict({"key": "G", "tempo_bpm": 100.0, "chorus": [{"role": "verse"}]}))
    track = mido.MidiTrack([mido.MetaMessage("track_name", name="bass")])
    now = 0

    def at(beat: float, kind: str, **values: int) -> None:
        nonlocal now
        tick = round(480 * beat)
        track.append(mido.Message(kind, time=tick - now, **values))
        now = tick

    wheel = {
        "hammer": [(2 / 3, 8191)],
        "pull": [(2 / 3, -8192)],
        "slide": [(0.5 + 0.05 * k, 1638 * k) for k in range(6)],
        "vibrato": [(0.2 + 0.02 * k, 1500 * (-1) ** k) for k in range(30)],
        "bend": [(0.4, 2000), (0.5, 0)],
        "octave": [(0.5, 8191)],
    }
    kinds = [kind for kind in wheel for _ in range(8)]
    for beat, kind in enumerate(kinds):
        if kind == "octave" and kinds[beat - 1] != "octave":  # a tracker's slip, over a wheel of twelve semitones
            for number, level in ((101, 0), (100, 0), (6, 12)):
                at(beat, "control_change", control=number, value=level)
        at(beat, "note_on", note=33, velocity=90)
        for inside, value in wheel[kind]:
            at(beat + inside, "pitchwheel", pitch=min(value, 8191))
        at(beat + 0.95, "note_off", note=33)
        at(beat + 0.96, "pitchwheel", pitch=0)
    path = tmp_path / "pickup.mid"
    mido.MidiFile(ticks_per_beat=480, tracks=[track]).save(path)
    take = read_take(path, session=chart.session)
    written = written_take(read_notes(take, chart), chart)
    of_kind = {
        kind: [n for n in written.notes if kinds[n.start // BAR * 4 + n.start % BAR // DIVISIONS] == kind]
        for kind in wheel
    }
    assert [(n.tones[0].pitch, n.joined) for n in of_kind["hammer"]] == [(33, ""), (35, "hammer")] * 8
    assert [(n.tones[0].pitch, n.joined) for n in of_kind["pull"]] == [(33, ""), (31, "pull")] * 8
    assert [(n.tones[0].pitch, n.joined) for n in of_kind["slide"]] == [(33, ""), (35, "slide")] * 8
    for kind in ("vibrato", "bend", "octave"):
        assert [n.joined for n in of_kind[kind]] == [""] * 8
    assert all(a.tones[0].string == b.tones[0].string for a, b in pairwise(written.notes) if b.joined)
    places = {kind: {n.start % DIVISIONS for n in of_kind[kind]} for kind in wheel}
    assert places["hammer"] == places["pull"] == {0, 6}  # the swung off-beat, a plain eighth
    pages = svg_pages(musicxml(written))
    letters = re.findall(r'px">([HP])</text>', "".join(pages))
    assert letters == ["H"] * 8 + ["P"] * 8
    again = parse_midi(take_midi(take))  # what is written anew is bent as it was
    assert len(track_bends(again.tracks[1], lambda ticks: np.asarray(ticks) / 960)) >= len(take.bends)
    # Taken in among the takes, it keeps its bends beside it, and the paper is the same.
    kept = read_take(write_take(take, tmp_path / "takes"))
    assert not kept.header.extra["remarks"] and np.allclose(kept.bends, take.bends)
    assert written_take(read_notes(kept, chart), chart).notes == written.notes
