"""Notation: valid MusicXML, read back to the same notes by another program, tab that sounds the written pitch.

Outside judges: the MusicXML 4.0 schema (as packaged by PyPI `musicxml`, checked with `xmlschema`), and `music21`.
"""

from __future__ import annotations

import importlib.util
import re
import warnings
from pathlib import Path
from xml.etree import ElementTree as ET

import numpy as np
import pytest
import xmlschema

from trainer.clock import TempoMap
from trainer.line import DEVICES, Feel, StandIn, model_line, planned_song
from trainer.report.musicxml import musicxml
from trainer.report.written import BAR, DIVISIONS, written_chart, written_line, written_take
from trainer.scoring.align import read_notes
from trainer.session import Chart, expand, session_from_dict
from trainer.take import Take


@pytest.fixture(scope="module")
def schema() -> xmlschema.XMLSchema:
    spec = importlib.util.find_spec("musicxml")
    assert spec is not None and spec.origin is not None
    text = (Path(spec.origin).parent / "generate_classes" / "musicxml_4_0.xsd").read_text(encoding="utf-8")
    xlink = (Path(xmlschema.__file__).parent / "schemas" / "XLINK" / "xlink.xsd").as_uri()
    text = re.sub(r'(<xs:import namespace="http://www.w3.org/XML/1998/namespace")[^>]*/>', r"\1/>", text)
    text = re.sub(
        r'(<xs:import namespace="http://www.w3.org/1999/xlink")[^>]*/>', rf'\1 schemaLocation="{xlink}"/>', text
    )
    return xmlschema.XMLSchema(text)


def a_chart(**extra: object) -> Chart:
    return expand(session_from_dict({"key": "A", "chorus": [{"role": "verse"}, {"role": "solo"}]} | extra))


CHARTS = {
    "plain": {},
    "minor": {"key": "Cm", "form": "minor_12"},
    "flats": {"key": "Eb", "form": "two_five_12", "start": "from_the_five"},
    "own": {"form": "chart", "key": "G", "chart": {"bars": ["G7", "C7 C#dim7", "G7 E7#9 A7 D7", "%"]}},
    "straight": {"groove": "straight", "ending": "tag"},
}


@pytest.mark.parametrize("name", CHARTS)
def test_planned_songs_and_charts_are_valid(name: str, schema: xmlschema.XMLSchema) -> None:
    chart = a_chart(**CHARTS[name])
    for document in (musicxml(written_line(planned_song(chart, 3))), musicxml(written_chart(chart), tab=False)):
        assert [error.reason for error in schema.iter_errors(document.decode())] == []


@pytest.mark.parametrize("device", DEVICES)
def test_every_device_is_written_back_to_its_notes(device: str, schema: xmlschema.XMLSchema) -> None:
    """music21 reads the same pitches at the same written places; the tab sounds them; every bar is full."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from music21 import converter

        chart = a_chart()
        written = written_line(model_line(chart, device=device, seed=5))
        document = musicxml(written)
        assert list(schema.iter_errors(document.decode())) == []
        score = converter.parse(document.decode(), format="musicxml")
        staff = score.parts[0].toSoundingPitch().stripTies().flatten()
    heard = [(float(n.offset), n.pitch.midi) for n in staff.notes if "Note" in n.classes]
    expected = [(note.start / DIVISIONS, note.pitch) for note in written.notes]
    assert len(heard) == len(expected) > 20
    assert np.allclose([h[0] for h in heard], [e[0] for e in expected], atol=1e-6)
    assert [h[1] for h in heard] == [e[1] for e in expected]


def test_bars_are_full_and_tab_sounds_the_written_pitch() -> None:
    written = written_line(planned_song(a_chart(), 9))
    root = ET.fromstring(musicxml(written))
    open_pitches = written.tuning.open_pitches[::-1]
    n_tab = 0
    for measure in root.iter("measure"):
        for voice in ("1", "5"):
            lengths = [int(n.findtext("duration", "0")) for n in measure.iter("note") if n.findtext("voice") == voice]
            assert sum(lengths) == BAR
        for note in measure.iter("note"):
            technical = note.find("notations/technical")
            if technical is None:
                continue
            n_tab += 1
            step, octave = note.findtext("pitch/step", ""), int(note.findtext("pitch/octave", "0"))
            alter = int(note.findtext("pitch/alter", "0"))
            sounding = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}[step] + alter + 12 * (octave + 1) - 12
            string, fret = int(technical.findtext("string", "0")), int(technical.findtext("fret", "0"))
            assert open_pitches[string - 1] + fret == sounding
    assert n_tab >= len(written.notes)


def test_a_take_is_written_as_it_was_meant() -> None:
    """A late, loosely swung take of a line is written with the same rhythm and pitches as the line itself."""
    chart = a_chart()
    line = planned_song(chart, 4)
    tempo = TempoMap(chart.tempo_segments)
    notes = StandIn(Feel(missed_frac=0.0), seed=3).play(line, tempo).notes
    reading = read_notes(Take(notes=notes, tempo=tempo, session=chart.session), chart)
    model = {(n.start, n.pitch) for n in written_line(line).notes}
    take = {(n.start, n.pitch) for n in written_take(reading, chart).notes}
    assert len(model & take) >= 0.9 * len(model)


def test_missed_changes_get_an_x() -> None:
    chart = a_chart()
    line = planned_song(chart, 4)
    tempo = TempoMap(chart.tempo_segments)
    reading = read_notes(Take(notes=StandIn(seed=3).play(line, tempo).notes, tempo=tempo, session=chart.session), chart)
    written = written_take(reading, chart, missed=[4.0, 16.0])
    heads = {note.start: note.head for note in written.notes if note.head != "normal"}
    assert heads and set(heads) <= {4 * DIVISIONS, 16 * DIVISIONS} and set(heads.values()) == {"x"}
    assert b"<notehead" in musicxml(written)
