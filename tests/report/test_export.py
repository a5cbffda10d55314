"""Exports and the commands that write them: every file read by something that was not written here.

Outside judges: `csv`, `mido`, `pretty_midi`, the `wave` module, `pypdf`.
"""

from __future__ import annotations

import csv
import io
import json
import os
import threading
import wave
from pathlib import Path

import mido
import numpy as np
import pretty_midi
import pypdf
import pytest

from trainer.cli.run import run
from trainer.clock import TempoMap
from trainer.line import Feel, StandIn, planned_song
from trainer.report.export import MEASURE_COLUMNS, NOTE_COLUMNS, as_csv, measure_rows, note_rows
from trainer.scoring import score
from trainer.scoring.card import Scorecard
from trainer.session import expand, session_from_dict
from trainer.take import Take, read_take, write_take


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Scorecard]:
    """A take as a file, and its card."""
    session = session_from_dict({"title": "=Back room", "key": "A", "tempo_bpm": 120.0, "chorus": [{"role": "verse"}]})
    chart = expand(session)
    tempo = TempoMap(chart.tempo_segments)
    notes = StandIn(Feel(missed_frac=0.2), seed=4).play(planned_song(chart, 2), tempo).notes
    path = write_take(Take(notes=notes, tempo=tempo, session=session), tmp_path_factory.mktemp("takes"), "one")
    return path, score(read_take(path))


def test_tables_agree_with_the_card(made: tuple[Path, Scorecard]) -> None:
    _, card = made
    data = card.to_dict()
    notes = list(csv.DictReader(io.StringIO(as_csv(note_rows(card.reading, card.chart), NOTE_COLUMNS))))
    assert len(notes) == data["take"]["notes"] and tuple(notes[0]) == NOTE_COLUMNS
    on = [float(row["asynchrony_ms"]) for row in notes if row["place"] == "on the beat"]
    assert abs(float(np.median(on)) - data["timing"]["median_ms"]) < 2.0
    bars = measure_rows(card)
    assert len(bars) == 12 and tuple(bars[0]) == MEASURE_COLUMNS
    assert sum(bar["on_beats"] for bar in bars) == data["timing"]["n"]
    assert sum(bar["swing_pairs"] for bar in bars) == data["swing"]["n"]
    assert sum(bar["notes"] for bar in bars) == data["take"]["notes"]
    landed = " ".join(bar["landing"] or "" for bar in bars)
    assert landed.count(" root") == data["landing"]["outcomes"]["root"]


def test_what_a_spreadsheet_would_run_is_text() -> None:
    assert as_csv([{"a": "=1+1", "b": None, "c": True}], ("a", "b", "c")).splitlines()[1] == "'=1+1,,yes"


def test_export_writes_all_of_it(made: tuple[Path, Scorecard], tmp_path: Path, capsys: pytest.CaptureFixture) -> None:  # type: ignore[type-arg]
    path, card = made
    names = {"musicxml": "t.musicxml", "pdf": "t.pdf", "svg": "t.svg", "csv": "t.csv", "measures": "m.csv",
             "json": "t.json", "midi": "t.mid"}  # fmt: skip
    options = [word for option, name in names.items() for word in (f"--{option}", str(tmp_path / name))]
    assert run(["export", str(path), *options]) == 0
    said = capsys.readouterr().out
    assert all(name in said for name in names.values())
    data = json.loads((tmp_path / "t.json").read_text(encoding="utf-8"))
    assert len(data["notes"]) == card.reading.n and len(data["measures"]) == 12
    assert "nan" not in (tmp_path / "t.csv").read_text(encoding="utf-8").lower()
    assert "Back room" in pypdf.PdfReader(tmp_path / "t.pdf").pages[0].extract_text()
    midi = mido.MidiFile(tmp_path / "t.mid")
    assert "chorus 1 verse" in [m.text for m in midi.tracks[0] if m.type == "marker"]
    bass = next(i for i in pretty_midi.PrettyMIDI(str(tmp_path / "t.mid")).instruments if i.name == "bass")
    assert len(bass.notes) == len(read_take(path).notes)


def test_export_says_what_it_needs(
    made: tuple[Path, Scorecard], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path, _ = made
    assert run(["export", str(path)]) == 2
    assert "nothing to write" in capsys.readouterr().err
    foreign = mido.MidiFile()
    track = mido.MidiTrack()
    for _ in range(16):
        track.append(mido.Message("note_on", note=40, velocity=90, time=240))
        track.append(mido.Message("note_off", note=40, time=240))
    foreign.tracks.append(track)
    foreign.save(tmp_path / "elsewhere.mid")
    assert run(["export", str(tmp_path / "elsewhere.mid"), "--pdf", str(tmp_path / "x.pdf")]) == 2
    assert "add --session" in capsys.readouterr().err
    assert run(["export", str(tmp_path / "elsewhere.mid"), "--csv", str(tmp_path / "x.csv")]) == 0
    rows = list(csv.DictReader(io.StringIO((tmp_path / "x.csv").read_text(encoding="utf-8"))))
    assert len(rows) == 16 and rows[0]["chorus"] == "" and rows[0]["note"] == "E2"
    assert run(["export", str(path), "--csv", str(tmp_path / "no" / "x.csv")]) == 2
    assert "cannot write" in capsys.readouterr().err


def test_a_take_is_heard_with_its_band(
    made: tuple[Path, Scorecard], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The player's bass is in the sound where it was played, and nowhere else; without it the band alone is left."""
    path, card = made

    def sound(name: str, *options: str) -> np.ndarray:
        target = tmp_path / name
        assert (
            run(["render", str(path), "--wav", str(target), "--sample-rate", "16000", "--no-count-in", *options]) == 0
        )
        with wave.open(str(target)) as handle:
            assert handle.getnchannels() == 2
            frames = np.frombuffer(handle.readframes(handle.getnframes()), dtype="<i2").reshape(-1, 2)
        return frames.astype(np.float64).mean(axis=1)

    alone = sound("bass.wav", "--solo", "guide")
    whole, band = sound("all.wav"), sound("band.wav", "--mute", "guide")
    assert abs(len(whole) / 16000 - 24.0) < 4.0  # twelve bars at 120 bpm, and what rings on
    assert np.abs(whole - band).max() > 1000.0
    onsets = card.reading.notes["onset_s"]
    loud, first = np.abs(alone), int(16000 * max(float(onsets[0]), 0.0))
    assert loud[: max(0, first - 200)].max(initial=0.0) < 20.0
    rises = [loud[int(16000 * t) : int(16000 * t) + 1600].max() for t in onsets[onsets > 0]]
    assert min(rises) > 300.0
    assert run(["render", str(path), "--wav", str(tmp_path / "x.wav"), "--bpm", "90"]) == 2
    assert "as it was played" in capsys.readouterr().err


def test_lines_and_charts_on_paper(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    xml, pdf, chart, bare = (tmp_path / name for name in ("l.musicxml", "l.pdf", "c.pdf", "c.musicxml"))
    common = ["--key", "C", "--choruses", "1"]
    assert run(["line", *common, "--device", "walking_line", "--musicxml", str(xml), "--pdf", str(pdf)]) == 0
    assert run(["chart", *common, "--pdf", str(chart), "--musicxml", str(bare)]) == 0
    said = capsys.readouterr().out.splitlines()
    assert said == [f"wrote {path}" for path in (xml, pdf, chart, bare)]
    assert xml.read_bytes().count(b"<fret>") >= 36 and b"<harmony" in bare.read_bytes()
    assert len(pypdf.PdfReader(chart).pages) == 1 and "C7" in pypdf.PdfReader(pdf).pages[0].extract_text()


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no named pipes")
@pytest.mark.parametrize("option", ["--csv", "--midi", "--wav"])
def test_a_pipe_is_written_into_and_not_replaced(made: tuple[Path, Scorecard], tmp_path: Path, option: str) -> None:
    pipe, got = tmp_path / "pipe", bytearray()
    os.mkfifo(pipe)
    reader = threading.Thread(target=lambda: got.extend(pipe.read_bytes()), daemon=True)
    reader.start()
    verb = "render" if option == "--wav" else "export"
    assert run([verb, str(made[0]), option, str(pipe)]) == 0
    reader.join(timeout=10)
    assert pipe.is_fifo()
    assert (
        bytes(got[:7] if option == "--csv" else got[:4])
        == {"--csv": b"chorus,", "--midi": b"MThd", "--wav": b"RIFF"}[option]
    )
