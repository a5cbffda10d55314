"""MusicXML read in place. Outside judge: `music21` writes documents and plays their repeats out."""

from __future__ import annotations

import warnings
import zipfile
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from trainer.clock import TempoMap
from trainer.errors import FileFormatError, TrainerError, UsageError
from trainer.line import model_line, planned_song
from trainer.report.musicxml import musicxml
from trainer.report.musicxml_in import read_musicxml
from trainer.report.transcription import read_transcription
from trainer.report.written import written_line
from trainer.scoring import score
from trainer.session import expand, session_from_dict
from trainer.take import Take, notes_from_rows

SONGS: dict[str, dict[str, Any]] = {
    "plain": {"key": "A", "chorus": [{"role": "verse", "times": 2}]},
    "intro": {"key": "Eb", "start": "from_the_five", "chorus": [{"role": "verse"}, {"role": "solo"}]},
    "pick-up": {"key": "G", "pickup_beats": 2.0, "chorus": [{"role": "verse", "times": 2}]},
    "twelve-eight": {"key": "C", "groove": "slow_twelve_eight", "tempo_bpm": 58.0, "chorus": [{"role": "verse"}] * 2},
    "straight": {"key": "D", "groove": "straight", "swing_ratio": 1.0, "chorus": [{"role": "verse"}] * 2},
}


@pytest.mark.parametrize("name", SONGS)
def test_our_own_export_is_read_in_place_and_brings_its_chart(name: str, tmp_path: Path) -> None:
    """Every note at its beat, with the session and without: then key, chords and tempo are the document's own."""
    session = session_from_dict(SONGS[name])
    chart = expand(session)
    line = planned_song(chart, 4)
    path = tmp_path / "ours.musicxml"
    path.write_bytes(musicxml(written_line(line)))
    given = read_transcription(path, session)
    played = np.sort(given.tempo.beats_at(given.notes["onset_s"]))
    wanted = np.sort(line.notes["onset_beats"])
    assert len(played) == len(wanted) and np.abs(played - wanted).max() < 0.14  # a grace note's own length at most
    assert np.mean(np.abs(played - wanted) < 1e-3) > 0.95
    own = read_transcription(path)
    assert own.session is not None
    theirs = expand(own.session)
    assert own.session.key == session.key and abs(own.session.tempo_bpm - session.tempo_bpm) < 0.1
    assert own.session.swing_ratio == session.swing_ratio and own.session.n_choruses == 2
    for ours, found in zip([b for b in chart.bars if b.chorus][:-1], theirs.bars[:-1], strict=True):
        assert [(c.root_pc, c.quality) for c in ours.chords] == [(c.root_pc, c.quality) for c in found.chords]
        assert ours.onset_beats == found.onset_beats
    card = score(own)
    assert card.to_dict()["landing"]["root_rate"] > 0.9


def test_repeats_and_endings_are_played_out_as_music21_does(tmp_path: Path) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from music21 import bar, clef, harmony, meter, note, repeat, spanner, stream

        part = stream.Part()
        measures = []
        for i in range(8):
            measure = stream.Measure(number=i + 1)
            if i == 0:
                measure.append([clef.Bass8vbClef(), meter.TimeSignature("4/4")])
                measure.insert(0, harmony.ChordSymbol("G7"))
            for beat in range(4):
                measure.append(note.Note(28 + 2 * i + beat % 2, quarterLength=1.0))
            measures.append(measure)
        part.append(measures)
        measures[0].leftBarline = bar.Repeat(direction="start")
        measures[2].rightBarline = bar.Repeat(direction="end")
        part.insert(0, spanner.RepeatBracket(measures[2], number=1))
        part.insert(0, spanner.RepeatBracket(measures[3], number=2))
        measures[4].leftBarline = bar.Repeat(direction="start")
        measures[5].rightBarline = bar.Repeat(direction="end", times=3)
        path = Path(part.write("musicxml", tmp_path / "repeats.musicxml"))
        expanded = repeat.Expander(part).process()
        wanted = [(float(n.offset), int(n.pitch.midi)) for n in expanded.flatten().notes if "Note" in n.classes]
    found = read_musicxml(path)
    assert [(float(n.onset), n.pitch) for n in found.notes] == wanted
    assert len(found.bars) == len(wanted) // 4 == 2 * 2 + 2 + 3 * 2 + 2


def document(body: str, *, head: str = "", part: str = "Bass") -> str:
    return (
        f'<?xml version="1.0"?>{head}<score-partwise version="4.0"><part-list><score-part id="P1"><part-name>{part}'
        f'</part-name></score-part></part-list><part id="P1">{body}</part></score-partwise>'
    )


REPEAT = '<barline><repeat direction="backward" times="64"/></barline>'
BAR = (
    '<measure number="{n}"><attributes><divisions>1</divisions><time><beats>4</beats><beat-type>4</beat-type></time>'
    "</attributes><note><pitch><step>E</step><octave>2</octave></pitch><duration>4</duration></note></measure>"
)
A_CHORD = "<root><root-step>C</root-step></root><kind>dominant</kind>"


@pytest.mark.parametrize(
    ("text", "line"),
    [
        (document(BAR, head='<!DOCTYPE x [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;">]>'), "entities"),
        ("<score-timewise/>", "score-timewise"),
        ("<html/>", "<html>"),
        ("no XML", "not MusicXML"),
        (document(""), "0 bars"),
        (document(BAR.replace("<duration>4", "<duration>9999999999")), "damaged MusicXML"),
        (document(BAR.replace("<duration>4", "<duration>" + "9" * 5000)), "damaged MusicXML"),
        (document(BAR.replace("<divisions>1", "<divisions>0")), "damaged MusicXML"),
        (document(BAR.replace("<octave>2", "<octave>99")), "damaged MusicXML"),
        (document(BAR.replace("<beats>4", "<beats>9000")), "damaged MusicXML"),
        (document(BAR * 5000), "5000 bars"),
        (document(BAR.replace("</measure>", REPEAT + "</measure>") * 100), "more than 4800 bars"),
        (document(BAR.replace("<divisions>1", "<divisions>1000001")), "at most 1,000,000"),
        (document(BAR.replace("<divisions>1", "<divisions>1e99999999")), "no number of music"),
        (document(BAR.replace("<duration>4", "<duration>1e99999999")), "no number of music"),
        (document(BAR.replace("<note>", f"<harmony><offset>1e99999999</offset>{A_CHORD}</harmony><note>")), "no numb"),
        (document("".join(BAR.replace("<divisions>1", f"<divisions>{999_900 + n}") for n in range(99))), "no common"),
        (document(BAR.replace("<note>", "<x/>" * 1_000_001 + "<note>")), "over 1,000,000 elements"),
        (document(BAR, head=f"<!-- {'-x' * 60_000} -->"), "over 100,000 bytes"),
        (document("<x " + " ".join(f'a{n}=""' for n in range(20_000)) + "/>"), "over 100,000 bytes"),
    ],
)  # fmt: skip
def test_what_is_no_music_is_one_line(text: str, line: str, tmp_path: Path) -> None:
    path = tmp_path / "odd.musicxml"
    path.write_text(text)
    with pytest.raises(FileFormatError, match=line) as caught:
        read_musicxml(path)
    assert "\n" not in str(caught.value)


def test_without_chords_a_session_is_asked_for_and_downbeat_moves_the_first_bar(tmp_path: Path) -> None:
    path = tmp_path / "bare.musicxml"
    path.write_text(document("".join(BAR.format(n=n) for n in range(1, 16))))
    with pytest.raises(UsageError, match="no chord symbols in it; add --session"):
        read_transcription(path)
    session = session_from_dict({"key": "E", "tempo_bpm": 120.0, "chorus": [{"role": "verse"}]})
    assert read_transcription(path, session).notes["onset_s"][0] == 0.0
    assert abs(read_transcription(path, session, downbeat=4.0).notes["onset_s"][0] + 4.0) < 1e-6
    with pytest.raises(TrainerError):
        read_transcription(path, session, downbeat="soon")


def test_a_walk_that_repeats_is_found_in_every_bar_that_has_it() -> None:
    """Root, third, fifth, sixth of each bar's chord, through the whole form, in one chorus and in three."""
    for n_choruses in (1, 3):
        session = session_from_dict(
            {"key": "G", "swing_ratio": 2.0, "chorus": [{"role": "verse", "times": n_choruses, "line": "quarters"}]}
        )
        chart = expand(session)
        tempo = TempoMap(chart.tempo_segments)

        rows = []
        for bar in chart.bars[:-1]:
            root = 28 + (bar.chords[0].root_pc - 4) % 12
            for beat, step in enumerate((0, 4, 7, 9)):
                at = float(tempo.seconds_at(bar.onset_beats + beat))
                rows.append((at, 0.5, float(root + step), 90))
        card = score(Take(notes=notes_from_rows(rows), tempo=tempo, session=session)).to_dict()
        found = {(d["chorus"], d["bar"] + k) for d in card["devices"]["found"] if d["name"] == "walking_line"
                 for k in range(max(1, round(d["beats"] / 4)))}  # fmt: skip
        assert found == {(bar.chorus, bar.bar) for bar in chart.bars[:-1]}


def test_devices_of_our_export_are_found_where_they_were_written(tmp_path: Path) -> None:
    chart = expand(session_from_dict(SONGS["plain"]))
    line = model_line(chart, device="boogie_figure", seed=2)
    path = tmp_path / "boogie.musicxml"
    path.write_bytes(musicxml(written_line(line)))
    devices = score(read_transcription(path)).to_dict()["devices"]["found"]
    found = {device["at_beats"] for device in devices if device["name"] == "boogie_figure"}
    claimed = {claim.at_beats for claim in line.claims if claim.name == "boogie_figure"}
    assert len(found & claimed) >= 0.9 * len(claimed) > 5


@pytest.mark.parametrize("quote", ['"', "'"])
def test_packed_files_are_read_whatever_they_are_called(quote: str, tmp_path: Path) -> None:
    """A container in either quotes, a name with a sign that XML escapes, no container at all, a wrong suffix."""
    wanted = len(read_musicxml(_packed(tmp_path / "plain.mxl", "score.xml", quote)).notes)
    assert wanted > 0
    assert len(read_musicxml(_packed(tmp_path / "sign.mxl", "a&b.xml", quote)).notes) == wanted
    assert len(read_musicxml(_packed(tmp_path / "bare.mxl", "score.xml", "")).notes) == wanted
    assert len(read_musicxml(_packed(tmp_path / "packed.musicxml", "score.xml", quote)).notes) == wanted
    plain = tmp_path / "unpacked.mxl"
    plain.write_text(document(BAR), encoding="utf-8")
    assert len(read_musicxml(plain).notes) == wanted
    cut = tmp_path / "cut.mxl"
    cut.write_bytes((tmp_path / "plain.mxl").read_bytes()[:200])
    with pytest.raises(FileFormatError, match="packed MusicXML that is damaged or cut short; export it again"):
        read_musicxml(cut)


def _packed(path: Path, name: str, quote: str) -> Path:
    """`quote`: of the container's attributes; "" for a file without a container."""
    with zipfile.ZipFile(path, "w") as archive:
        if quote:
            named = f"full-path={quote}{name.replace('&', '&amp;')}{quote}"
            archive.writestr(
                "META-INF/container.xml", f"<container><rootfiles><rootfile {named}/></rootfiles></container>"
            )
        archive.writestr(name, document(BAR))
    return path


def test_what_is_odd_in_a_document_is_said_with_its_bar_and_in_our_words(tmp_path: Path) -> None:
    path = tmp_path / "odd.musicxml"
    for odd, says in (
        (BAR.replace("<step>", "<step>H"), "damaged MusicXML in bar 2; export it again"),
        (BAR.replace("<duration>4", "<duration>1e9"), "damaged MusicXML in bar 2: '1e9' is no number of music"),
        (BAR.replace("<octave>2", "<octave>two"), "damaged MusicXML in bar 2; export it again"),
    ):
        path.write_text(document(BAR + odd), encoding="utf-8")
        with pytest.raises(FileFormatError) as caught:
            read_musicxml(path)
        assert str(caught.value).startswith(f"{path}: {says}")


def test_marks_of_choruses_are_the_form_a_tag_after_them_is_none(tmp_path: Path) -> None:
    """Our own export with an intro, a chorus to listen to and a tag: chords that do not come round by themselves."""
    plan = [{"role": "head"}, {"role": "verse", "heard": True}, {"role": "verse"}, {"role": "solo"}]
    asked = {"key": "A", "start": "from_the_turnaround", "ending": "tag", "chorus": plan}
    chart = expand(session_from_dict(asked))
    path = tmp_path / "tag.musicxml"
    path.write_bytes(musicxml(written_line(planned_song(chart, 2))))
    own = read_transcription(path)
    assert own.session is not None and own.session.n_choruses == 4
    read = expand(own.session)
    assert [bar.role for bar in read.bars[::12]] == ["head", "verse", "verse", "solo"]
    assert read.heard_choruses == {2}
    sung = [bar for bar in chart.bars if bar.chorus > 0][:48]
    assert [bar.chords for bar in read.bars[:47]] == [bar.chords for bar in sung[:47]]
    given = read_transcription(path, chart.session)
    assert np.array_equal(own.notes["pitch"], given.notes["pitch"])
