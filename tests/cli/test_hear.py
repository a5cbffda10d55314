"""`trainer hear`, and the other commands given a recording."""

from __future__ import annotations

import csv
import io
import json
import shlex
from pathlib import Path

import mido
import numpy as np
import pytest
import soundfile

from tests.bass_sound import bass_line
from trainer.cli.run import run

ROWS = [(0.25 + 0.4 * i, 0.35, float(pitch), 70 + 5 * (i % 4)) for i, pitch in enumerate((28, 33, 38, 43, 40, 35) * 4)]


@pytest.fixture
def recording(tmp_path: Path) -> Path:
    path = tmp_path / "line.wav"
    soundfile.write(path, bass_line(ROWS), 48_000)
    return path


def test_the_table_has_its_five_columns_and_the_notes(recording: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["hear", str(recording), "--csv"]) == 0
    out = capsys.readouterr().out
    assert out.splitlines()[0] == "onset_s,duration_s,pitch,velocity,settled"
    table = [row for row in csv.DictReader(io.StringIO(out)) if row["pitch"]]
    assert len(table) == len(ROWS)
    for row, (onset_s, _, pitch, _) in zip(table, ROWS, strict=True):
        assert float(row["onset_s"]) == pytest.approx(onset_s, abs=0.002)
        assert float(row["pitch"]) == pytest.approx(pitch, abs=0.15)
        assert row["settled"] == "1" and 1 <= int(row["velocity"]) <= 127
    loud = [int(row["velocity"]) for row in table]
    assert np.corrcoef(loud, [row[3] for row in ROWS])[0, 1] > 0.7  # the strings differ too


def test_json_and_midi_tell_the_same_notes(recording: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    midi = tmp_path / "out.mid"
    assert run(["hear", str(recording), "--json", "--midi", str(midi)]) == 0
    data = json.loads(capsys.readouterr().out)
    assert data["version"] >= 1 and data["channel"] == 1
    assert sum(not note["dead"] for note in data["notes"]) == len(ROWS)
    at, ons = 0.0, []
    for message in mido.MidiFile(midi):  # an outside reader
        at += message.time
        if message.type == "note_on" and message.velocity:
            ons.append((at, message.note))
    ons = [(second - ons[0][0], note) for second, note in ons]
    first_s = data["notes"][0]["onset_s"]
    wanted = [(note["onset_s"] - first_s, note["pitch"] and round(note["pitch"])) for note in data["notes"]]
    assert all(w is None or w == note for (_, note), (_, w) in zip(ons, wanted, strict=True))
    assert np.allclose([second for second, _ in ons], [second for second, _ in wanted], atol=1e-3)


def test_a_person_reads_names_and_cents(recording: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["hear", str(recording)]) == 0
    out = capsys.readouterr().out
    named = [line.split()[2] for line in out.splitlines() if " cents " in line]
    assert named[:6] == ["E1", "A1", "D2", "G2", "E2", "B1"] and len(named) == len(ROWS)
    assert " notes" in out and "trainer score" in out


@pytest.mark.parametrize("count_in", ["--count-in", "--no-count-in"])
def test_where_bar_1_begins_in_the_band_that_is_recorded_along_with_is_said(
    count_in: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Judged by the band's own sound: the drums' stroke on bar 1 is the sharpest rise about there."""
    wav = tmp_path / "band.wav"
    assert run(["render", "closing-time-minor", "--choruses", "1", "--solo", "drums", "--wav", str(wav), count_in]) == 0
    words = capsys.readouterr().out.split("Bar 1 begins ")[1].split()
    assert words[:4] == [words[0], "s", "into", "it:"] and "--downbeat" in words
    sound, rate_hz = soundfile.read(wav)
    step = rate_hz // 200
    power = (sound[: len(sound) // step * step].reshape(-1, step, 2) ** 2).sum(axis=(1, 2))
    first = max(round(200 * float(words[0])) - 20, 0)
    rise = np.diff(power, prepend=0.0)[first : first + 40]
    assert (first + int(np.argmax(rise))) / 200 == pytest.approx(float(words[0]), abs=0.015)


def test_what_to_type_next_can_be_pasted(recording: Path, capsys: pytest.CaptureFixture[str]) -> None:
    spaced = recording.rename(recording.with_name("Übung für Bass – 2.wav"))
    assert run(["hear", str(spaced)]) == 0
    line = capsys.readouterr().out.splitlines()[-1]
    assert shlex.split(line.partition(": ")[2])[:3] == ["trainer", "score", str(spaced)]


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["hear", "no.wav"], "no file no.wav"),
        (["hear", "--csv", "--json", "no.wav"], "exclude each other"),
        (["score", "line.wav"], "says nothing of beats and bars"),
        (["export", "line.wav", "--csv", "x.csv"], "says nothing of beats and bars"),
        (["score", "line.wav", "--session", "stage-opener", "--track", "9"], "channel 9; it has 1"),
    ],
)
def test_what_cannot_be_done_is_one_line(
    recording: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    arguments: list[str],
    said: str,
) -> None:
    monkeypatch.chdir(recording.parent)
    assert run(arguments) == 2
    error = capsys.readouterr().err
    assert said in error and error.startswith("trainer: ") and error.count("\n") == 1


def test_the_other_commands_take_a_recording(
    recording: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    takes = tmp_path / "takes"
    with_session = ["--session", "stage-opener", "--downbeat", "0.25"]
    assert run(["score", "line.wav", *with_session, "--json"]) == 0
    card = json.loads(capsys.readouterr().out)
    n_notes = card["take"]["notes"]
    assert len(ROWS) <= n_notes <= len(ROWS) + 1 and card["take"]["profile"] == "foreign"
    assert run(["report", "line.wav", *with_session]) == 0
    assert (tmp_path / "line.html").is_file()
    assert run(["export", "line.wav", *with_session, "--csv", "n.csv", "--midi", "n.mid"]) == 0
    assert len((tmp_path / "n.csv").read_text().splitlines()) == n_notes + 1
    assert run(["compare", "line.wav", "line.wav", *with_session]) == 0
    assert run(["study", "line.wav", *with_session]) == 0
    assert run(["import", "line.wav", "--takes", str(takes), *with_session]) == 0
    assert len(list(takes.glob("*.mid"))) == 1
    capsys.readouterr()
    assert run(["import", "line.wav", "--takes", str(takes), *with_session]) == 0
    assert "in already" in capsys.readouterr().out
