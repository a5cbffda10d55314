"""Takes out and in again: our own reader, `symusic`, `pretty_midi` and `mido` read the same times.

Nothing is ever lost.
"""

from __future__ import annotations

import errno
import json
import multiprocessing
import os
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import jsonschema
import mido
import numpy as np
import pretty_midi
import pytest
import symusic

from trainer.clock import TempoMap
from trainer.errors import FileFormatError, SessionError, TrainerError, UsageError
from trainer.session import Session, expand, parse_session
from trainer.take import (
    FLAG_CUT,
    FLAG_NO_RELEASE,
    Calibration,
    Gap,
    Take,
    TakeHeader,
    empty_notes,
    list_takes,
    notes_from_rows,
    read_take,
    save_take,
    sorted_notes,
    store,
    takes_dir,
    write_take,
)
from trainer.take.record import take_schema

ROOT = Path(__file__).resolve().parents[2]
SESSION = parse_session(
    """
title = "Late set, öffnet um acht"
key = "Bb"
tempo_bpm = 112.7
swing_ratio = 1.9
ending = "ritard"
start = "from_the_turnaround"
[[chorus]]
role = "verse"
times = 2
[[chorus]]
role = "solo"
times = 2
intensity = [0.6, 0.9]
[[drop_out]]
chorus = 3
bars = [9, 10]
"""
)


def made_take(session: Session = SESSION, seed: int = 1, bent: bool = False, **header: Any) -> Take:
    """A take of shuffled eighths over the whole chart and its count-in, a little unsteady, on four channels."""
    rng = np.random.default_rng(seed)
    chart = expand(session)
    tempo = TempoMap(chart.tempo_segments)
    whole = np.arange(chart.count_in_beats, chart.end_beats)
    beats = np.sort(np.concatenate((whole, whole + 2 / 3)))
    notes = empty_notes(len(beats))
    notes["onset_s"] = tempo.seconds_at(beats) + rng.normal(0.0, 0.012, len(beats))
    notes["duration_s"] = rng.uniform(0.05, 0.3, len(beats))
    notes["pitch"] = rng.integers(28, 56, len(beats)) + (rng.choice([0.0, 0.25, -0.4], len(beats)) if bent else 0.0)
    notes["velocity"] = rng.integers(1, 128, len(beats))
    notes["channel"] = np.arange(len(beats)) % 4
    notes["flags"] = rng.choice([0, FLAG_CUT], len(beats))
    band = empty_notes(len(whole))
    band["onset_s"], band["duration_s"] = tempo.seconds_at(whole), 0.1
    band["pitch"], band["velocity"], band["channel"] = 51, 80, 9
    return Take(sorted_notes(notes), tempo, session, band, TakeHeader(**header))


def bass_seconds(path: Path) -> dict[str, np.ndarray[Any, Any]]:
    """Sorted onsets of the bass track by three readers that share no code with ours."""
    judged = {}
    score = symusic.Score(str(path), ttype="second")
    judged["symusic"] = np.sort([note.start for track in score.tracks if track.name == "bass" for note in track.notes])
    midi = pretty_midi.PrettyMIDI(str(path))
    judged["pretty_midi"] = np.sort([n.start for part in midi.instruments if part.name == "bass" for n in part.notes])
    now, ons = 0.0, []
    whole = mido.MidiFile(path)
    kept = mido.MidiFile(ticks_per_beat=whole.ticks_per_beat, type=1)
    kept.tracks = [whole.tracks[0], next(track for track in whole.tracks if track.name == "bass")]
    for message in kept:
        now += message.time
        if message.type == "note_on":
            ons.append(now)
    judged["mido"] = np.sort(ons)
    return judged


def test_what_is_written_is_read_exactly(tmp_path: Path) -> None:
    take = made_take(
        bent=True,
        profile="strings",
        calibration=Calibration(21.5, 2.1, (20.0, 23.0), None, 11.0, None, True, 60, "2026-01-02", ("in", "out")),
        gaps=(Gap(3.0, 3.5, "xrun"),),
        hardware={"midi_in": "A bass", "rate_hz": np.int64(48_000)},
        clock_map={"slope": [1.0, 1.00002]},
        velocity_floor=12,
        completed=True,
    )
    path = write_take(take, tmp_path, "first")
    assert path == tmp_path / "first.mid"
    again = read_take(path)
    assert np.array_equal(again.notes, take.notes) and np.array_equal(again.band, take.band)
    assert again.session == take.session
    assert all(
        np.array_equal(getattr(again.tempo, name), getattr(take.tempo, name)) for name in ("beats", "bpm", "seconds")
    )
    kept = replace(take.header, created=again.header.created, scorer=again.header.scorer)
    assert replace(again.header, hardware={}) == replace(kept, hardware={})
    assert again.header.hardware == {"midi_in": "A bass", "rate_hz": 48_000}
    assert len(again.sha256) == 64 and again.source == str(path) and not again.header.foreign


@pytest.mark.parametrize("seed", range(3))
def test_outside_readers_find_the_same_times(tmp_path: Path, seed: int) -> None:
    """symusic, pretty_midi and mido against the take's exact times: within 0.1 ms from the first note to the last."""
    take = made_take(seed=seed)
    path = write_take(take, tmp_path)
    for name, onsets in bass_seconds(path).items():
        assert len(onsets) == len(take.notes), name
        apart_s = onsets - take.notes["onset_s"]
        # symusic's seconds are 32-bit floats: 8 µs at a hundred seconds
        assert np.ptp(apart_s) < 1e-4, name
        lead_s = apart_s.mean()
        assert lead_s == pytest.approx(-float(take.tempo.seconds_at(-16.0)), abs=1e-4), name


def test_the_tempo_s_rounding_never_adds_up(tmp_path: Path) -> None:
    """An hour and a half at a tempo whose beat is no whole number of microseconds: mido's last onset is still right."""
    take = made_take(replace(SESSION, choruses=parse_session('[[chorus]]\nrole = "solo"\ntimes = 200').choruses))
    assert float(take.notes["onset_s"][-1]) > 5000.0
    tick_s = 60.0 / 112.7 / 960
    judged = bass_seconds(write_take(take, tmp_path))
    for name in ("mido", "pretty_midi"):  # symusic's 32-bit seconds are 0.5 ms coarse by then
        # half a tick either way, and 50 µs of rounded tempo
        assert np.ptp(judged[name] - take.notes["onset_s"]) < tick_s + 1e-4, name


def test_without_its_json_the_midi_file_says_the_same(tmp_path: Path) -> None:
    take = made_take(bent=True)
    path = write_take(take, tmp_path, "alone")
    path.with_suffix(".json").unlink()
    again = read_take(path, session=SESSION)
    assert again.header.foreign and again.header.downbeat_from == "marker"
    assert np.abs(again.notes["onset_s"] - take.notes["onset_s"]).max() < 1e-4
    assert np.abs(again.notes["duration_s"] - take.notes["duration_s"]).max() < 1e-4
    assert np.array_equal(again.notes["velocity"], take.notes["velocity"])
    assert np.abs(again.notes["pitch"] - take.notes["pitch"]).max() < 1e-3
    assert np.abs(again.band["onset_s"] - take.band["onset_s"]).max() < 1e-4
    beats, judged = take.tempo.beats_at(take.notes["onset_s"]), again.tempo.beats_at(again.notes["onset_s"])
    assert np.abs(beats - judged).max() < 1e-4


def test_conductor_track(tmp_path: Path) -> None:
    """Tempo, time and key signature, a Marker a chorus, a Text a chord, each where the chart has it (mido reads)."""
    take = made_take()
    midi = mido.MidiFile(write_take(take, tmp_path), charset="utf-8")
    assert midi.type == 1 and [track.name for track in midi.tracks] == [SESSION.title, "bass", "band"]
    chart = expand(SESSION)
    tick, seen = 0, []
    for message in midi.tracks[0]:
        tick += message.time
        seen.append((tick / midi.ticks_per_beat - 16.0, message))  # two bars of count-in and two of intro
    markers = [(beats, message.text) for beats, message in seen if message.type == "marker"]
    assert markers == [
        (0.0, "chorus 1 verse"), (48.0, "chorus 2 verse"), (96.0, "chorus 3 solo"), (144.0, "chorus 4 solo"),
    ]  # fmt: skip
    texts = [(beats, message.text) for beats, message in seen if message.type == "text"]
    assert texts == [(span.onset_beats, span.chord.name) for span in chart.spans]
    (meter,) = [message for _, message in seen if message.type == "time_signature"]
    assert (meter.numerator, meter.denominator) == (4, 4)
    (key,) = [message for _, message in seen if message.type == "key_signature"]
    assert key.key == "Bb"
    tempi = {round(beats, 6): message.tempo for beats, message in seen if message.type == "set_tempo"}
    assert tempi[-16.0] == pytest.approx(60e6 / 112.7, abs=1)
    assert tempi[191.0] == pytest.approx(60e6 / (112.7 * 0.6), abs=1)


def test_a_take_that_was_stopped_has_the_choruses_it_reached(tmp_path: Path) -> None:
    take = made_take(completed=False)
    short = replace(take, notes=take.notes[take.notes["onset_s"] < 30.0], band=empty_notes())
    midi = mido.MidiFile(write_take(short, tmp_path))
    assert [m.text for m in midi.tracks[0] if m.type == "marker"] == ["chorus 1 verse", "chorus 2 verse"]


def test_the_instrument_s_own_bends_are_kept(tmp_path: Path) -> None:
    """A slide recorded as sent: note 40 pulled up from two below; the file holds note and bends, mido reads them."""
    notes = notes_from_rows([(0.0, 0.5, 40.0, 90, 2), (1.0, 0.5, 43.5, 90, 2)])
    bends = [[-0.01, 2, -2.0], [0.01, 2, -1.0], [0.02, 2, 0.0], [0.99, 2, 1.5]]
    take = Take(notes, TempoMap.constant(60.0), header=TakeHeader(extra={"bends": bends}))
    path = write_take(take, tmp_path)
    played = [m for m in mido.MidiFile(path).tracks[1] if m.type in ("note_on", "pitchwheel")]
    assert [m.note for m in played if m.type == "note_on"] == [40, 42]
    assert [m.pitch for m in played if m.type == "pitchwheel"] == [-8192, -4096, 0, 6144]
    path.with_suffix(".json").unlink()
    assert read_take(path).notes["pitch"].tolist() == pytest.approx([40.0, 43.5], abs=1e-3)


@pytest.mark.parametrize("session", [None, Session(count_in_bars=0)])
def test_an_empty_take(tmp_path: Path, session: Session | None) -> None:
    path = write_take(Take(empty_notes(), TempoMap.constant(96.0), session), tmp_path)
    again = read_take(path)
    assert len(again.notes) == 0 and again.session == session
    path.with_suffix(".json").unlink()
    assert len(read_take(path).notes) == 0


def test_notes_before_the_count_in_fit(tmp_path: Path) -> None:
    take = Take(notes_from_rows([(-31.0, 0.5, 40, 90), (2.0, 0.5, 41, 90)]), TempoMap.constant(60.0), SESSION)
    path = write_take(take, tmp_path)
    path.with_suffix(".json").unlink()
    assert read_take(path).notes["onset_s"].tolist() == pytest.approx([-31.0, 2.0], abs=1e-4)


# --- names --------------------------------------------------------------------------------------------------------


def test_a_name_never_overwrites_another(tmp_path: Path) -> None:
    take = made_take()
    paths = [write_take(take, tmp_path, "Friday: set/2") for _ in range(3)]
    assert [path.name for path in paths] == ["Friday-set-2.mid", "Friday-set-2-2.mid", "Friday-set-2-3.mid"]
    (tmp_path / "mine.json").write_text("notes of my own")
    assert write_take(take, tmp_path, "mine").name == "mine-2.mid"
    assert (tmp_path / "mine.json").read_text() == "notes of my own"
    assert sorted(p.suffix for p in tmp_path.iterdir()) == [".json"] * 5 + [".mid"] * 4
    assert write_take(take, tmp_path, "../../up").parent == tmp_path
    assert write_take(take, tmp_path).name.endswith("-Late-set-offnet-um-acht.mid")


def _write_many(directory: str) -> list[str]:
    take = replace(made_take(), notes=made_take().notes[:5], band=empty_notes())
    return [write_take(take, directory, "same").name for _ in range(10)]


def test_two_trainers_at_once_never_share_a_name(tmp_path: Path) -> None:
    with multiprocessing.get_context("spawn").Pool(2) as pool:
        names = [name for part in pool.map(_write_many, [str(tmp_path)] * 2) for name in part]
    assert len(set(names)) == 20
    assert all(read_take(tmp_path / name).notes.size == 5 for name in names)
    assert len(list(tmp_path.iterdir())) == 40


# --- places that will not take it ---------------------------------------------------------------------------------


@pytest.fixture
def elsewhere(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    place = tmp_path / "user data"
    monkeypatch.setattr(store, "takes_dir", lambda option=None: place if option is None else Path(option))
    return place


def test_a_folder_that_cannot_be_made(tmp_path: Path, elsewhere: Path) -> None:
    (tmp_path / "file").write_text("not a folder")
    saved = save_take(made_take(), tmp_path / "file" / "takes", "kept")
    assert saved.path == elsewhere / "kept.mid"
    assert saved.remark is not None and "could not write to" in saved.remark and "kept.mid" in saved.remark
    assert len(read_take(saved.path).notes)


@pytest.mark.parametrize("when", ["write", "fsync", "link"])
@pytest.mark.parametrize("number", [errno.ENOSPC, errno.EROFS, errno.EDQUOT, errno.EIO])
def test_a_disk_that_fills_up(
    tmp_path: Path, elsewhere: Path, monkeypatch: pytest.MonkeyPatch, when: str, number: int
) -> None:
    """The failing call is refused in the first folder only: the take lands in the next, and the first is left clean."""
    wanted = tmp_path / "full"
    failing = OSError(number, os.strerror(number))
    if when == "link":

        def link(source: Any, target: Any) -> None:
            if Path(target).parent == wanted and Path(target).suffix == ".mid":
                raise failing
            Path(target).write_bytes(Path(source).read_bytes())

        monkeypatch.setattr(os, "link", link)
        monkeypatch.setattr(os, "replace", lambda source, target: (_ for _ in ()).throw(failing))
    else:
        original = store._write_synced

        def write_synced(path: Path, body: bytes) -> None:
            if path.parent == wanted:
                path.write_bytes(body[: len(body) // 2])
                raise failing
            original(path, body)

        monkeypatch.setattr(store, "_write_synced", write_synced)
    saved = save_take(made_take(), wanted, "kept")
    assert saved.path.parent == elsewhere and os.strerror(number) in (saved.remark or "")
    assert list(wanted.iterdir()) == []
    assert len(read_take(saved.path).notes)


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="this system has no /dev/full")
def test_a_really_full_device(tmp_path: Path, elsewhere: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The kernel's own "no space left": temporary files of the first folder are written to /dev/full."""
    wanted = tmp_path / "full"
    original = store._write_synced

    def write_synced(path: Path, body: bytes) -> None:
        if path.parent == wanted:
            path.symlink_to("/dev/full")
            with path.open("wb") as handle:
                handle.write(body)
        original(path, body)

    monkeypatch.setattr(store, "_write_synced", write_synced)
    saved = save_take(made_take(), wanted, "kept")
    assert saved.path.parent == elsewhere and "No space left on device" in (saved.remark or "")
    assert list(wanted.iterdir()) == []


def test_nowhere_to_write_is_one_line(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(path: Path, body: bytes) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(store, "_write_synced", refuse)
    monkeypatch.setattr(store, "_folders", lambda wanted: iter([tmp_path / "a", tmp_path / "b"]))
    with pytest.raises(
        UsageError, match=r"the take cannot be written anywhere: .*a: No space left.*b: No space"
    ) as caught:
        write_take(made_take(), tmp_path)
    assert "\n" not in str(caught.value)


def test_a_file_system_without_hard_links(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def link(source: Any, target: Any) -> None:
        raise OSError(errno.EPERM, "Operation not permitted")

    monkeypatch.setattr(os, "link", link)
    take = made_take()
    names = [write_take(take, tmp_path, "fat").name for _ in range(2)]
    assert names == ["fat.mid", "fat-2.mid"] and len(list(tmp_path.iterdir())) == 4
    assert np.array_equal(read_take(tmp_path / "fat.mid").notes, take.notes)


def test_where_takes_go(tmp_path: Path) -> None:
    assert takes_dir(tmp_path) == tmp_path
    assert takes_dir().name == "takes" and takes_dir().is_absolute()


_WRITER = """
import sys
from tests.take.test_store import made_take
from trainer.take import write_take
take = made_take()
write_take(take, sys.argv[1], "t")
print("ready", flush=True)
while True:
    write_take(take, sys.argv[1], "t")
"""


def test_killed_while_writing_every_take_that_is_there_is_whole(tmp_path: Path) -> None:
    """kill -9 at random moments: each MIDI file has its JSON, both complete.

    What was left aside is swept an hour later.
    """
    rng = np.random.default_rng(5)
    for _ in range(5):
        writer = subprocess.Popen(
            [sys.executable, "-c", _WRITER, str(tmp_path)],
            stdout=subprocess.PIPE,
            cwd=ROOT,
            env={**os.environ, "CI": ""},  # under CI a library prints where it was found
        )
        assert writer.stdout is not None
        try:
            assert writer.stdout.readline() == b"ready\n"
            time.sleep(float(rng.uniform(0.005, 0.08)))
        finally:
            writer.kill()
            writer.wait()
            writer.stdout.close()
    whole = made_take().notes
    written = sorted(tmp_path.glob("*.mid"))
    assert len(written) >= 5
    for path in written:
        assert np.array_equal(read_take(path).notes, whole) and not read_take(path).header.foreign
    for left in tmp_path.glob(".*.tmp"):
        os.utime(left, (0, 0))
    write_take(made_take(), tmp_path)
    assert list(tmp_path.glob(".*.tmp")) == []


# --- the JSON beside ----------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> tuple[bytes, dict[str, Any]]:
    take = made_take()
    path = write_take(replace(take, notes=take.notes[:40], band=take.band[:20]), tmp_path_factory.mktemp("take"), "t")
    return path.read_bytes(), json.loads(path.with_suffix(".json").read_text())


def put(directory: Path, midi: bytes, record: Any) -> Path:
    (directory / "t.mid").write_bytes(midi)
    text = record if isinstance(record, str) else json.dumps(record)
    (directory / "t.json").write_text(text, encoding="utf-8")
    return directory / "t.mid"


@pytest.mark.parametrize(
    ("where", "found", "line"),
    [
        (("notes", "velocity", 3), 300, r"`int` <= 127 - at `\$\.notes\.velocity\[3\]`"),
        (("notes", "onset_s", 0), "soon", r"got `str` - at `\$\.notes\.onset_s"),
        (("notes", "onset_s"), [], r"notes: columns of \[0, 40\] rows; expected one length"),
        (("notes", "pitch", 0), 1e30, r"`float` <= 175"),
        (("tempo", "bpm", 0), 0, r"`float` > 0"),
        (("tempo", "beats"), [3.0, 1.0], r"tempo: .*"),
        (("profile",), "guess", r'profile: found "guess"; expected one of pad, keys'),
        (("midi_sha256",), "abc", r"midi_sha256"),
        (("gaps",), [{"start_s": 0}], r"missing required field `end_s` - at `\$\.gaps"),
        (("schema", "major"), 9, r"a take of version 9; this program reads version 1"),
    ],
)
def test_a_tampered_json_is_one_line(
    tmp_path: Path, written: tuple[bytes, dict[str, Any]], where: tuple[Any, ...], found: Any, line: str
) -> None:
    midi, record = written
    record = json.loads(json.dumps(record))
    inner = record
    for key in where[:-1]:
        inner = inner[key]
    inner[where[-1]] = found
    with pytest.raises(FileFormatError, match=line) as caught:
        read_take(put(tmp_path, midi, record))
    assert "\n" not in str(caught.value) and "t.json" in str(caught.value)


@pytest.mark.parametrize(
    "text", ["", "{", '{"schema": NaN}', '{"schema": {"name": "take", "major": 1}, "extra": ' + '{"a":' * 100_000]
)
def test_no_json_is_one_line(tmp_path: Path, written: tuple[bytes, dict[str, Any]], text: str) -> None:
    with pytest.raises(FileFormatError, match=r"t\.json: not valid JSON") as caught:
        read_take(put(tmp_path, written[0], text))
    assert "\n" not in str(caught.value)


def test_a_missing_field_and_a_wrong_session(tmp_path: Path, written: tuple[bytes, dict[str, Any]]) -> None:
    midi, record = written
    with pytest.raises(FileFormatError, match=r"missing required field `notes`"):
        read_take(put(tmp_path, midi, {key: value for key, value in record.items() if key != "notes"}))
    session = {**record["session"], "tempo_bpm": 900}
    with pytest.raises(SessionError, match=r"t\.json: session: tempo_bpm: found 900; allowed: a number from 40 to 240"):
        read_take(put(tmp_path, midi, {**record, "session": session}))


@pytest.mark.parametrize("other", [{"schema": {"name": "scorecard", "major": 1}}, {"mine": 1}, [1, 2], "text", 5, None])
def test_other_json_beside_a_midi_file_is_left_alone(
    tmp_path: Path, written: tuple[bytes, dict[str, Any]], other: Any
) -> None:
    assert read_take(put(tmp_path, written[0], json.dumps(other))).header.foreign


def test_later_minor_versions_and_more_keys_are_read(tmp_path: Path, written: tuple[bytes, dict[str, Any]]) -> None:
    midi, record = written
    schema = {**record["schema"], "minor": 7}
    assert len(read_take(put(tmp_path, midi, {**record, "schema": schema, "more": [1]})).notes) == 40


def test_a_take_edited_in_a_sequencer_is_read_from_its_midi_file(tmp_path: Path) -> None:
    """mido takes the first bass note away and moves nothing else: notes from the MIDI, the rest from the JSON."""
    take = made_take(profile="typing", calibration=Calibration(12.0), gaps=(Gap(1.0, 2.0, "xrun"),))
    path = write_take(take, tmp_path, "edited")
    midi = mido.MidiFile(path)
    bass = midi.tracks[1]
    dropped = next(message for message in bass if message.type == "note_on")
    at = bass.index(dropped)
    bass[at + 1].time += dropped.time
    del bass[at]
    midi.save(path)
    again = read_take(path)
    assert len(again.notes) == len(take.notes) - 1
    assert not again.header.foreign and again.header.calibration == take.header.calibration
    assert again.header.gaps == take.header.gaps and again.session == take.session
    assert "changed after it was written" in again.header.extra["remarks"][0]
    assert np.all(again.notes["flags"] & FLAG_NO_RELEASE)
    assert np.abs(again.notes["onset_s"] - take.notes["onset_s"][1:]).max() < 1e-4


def test_a_damaged_midi_file_points_to_its_json(tmp_path: Path) -> None:
    take = made_take()
    path = write_take(take, tmp_path, "hurt")
    path.write_bytes(b"MThd" + bytes(40))
    with pytest.raises(FileFormatError, match=r"hurt\.mid: .* still in .*hurt\.json: score that file") as caught:
        read_take(path)
    assert "\n" not in str(caught.value)
    again = read_take(path.with_suffix(".json"))
    assert np.array_equal(again.notes, take.notes) and again.session == take.session
    (tmp_path / "card.json").write_text('{"schema": {"name": "scorecard", "major": 1}}')
    with pytest.raises(FileFormatError, match=r"card\.json: JSON, but not that of a take"):
        read_take(tmp_path / "card.json")


def test_another_track_of_our_own_take(tmp_path: Path) -> None:
    take = made_take()
    path = write_take(take, tmp_path)
    assert len(read_take(path, track="band").notes) == len(take.band)


def test_a_session_given_goes_before_the_take_s_own(tmp_path: Path) -> None:
    path = write_take(made_take(), tmp_path)
    other = Session(tempo_bpm=100.0)
    assert read_take(path, session=other).session == other


def test_times_that_are_no_numbers_are_never_written(tmp_path: Path) -> None:
    take = Take(notes_from_rows([(float("nan"), 0.1, 40, 90)]), TempoMap.constant(60.0))
    with pytest.raises((ValueError, TrainerError)):
        write_take(take, tmp_path)
    assert list(tmp_path.iterdir()) == []


def test_take_json_keeps_its_schema(written: tuple[bytes, dict[str, Any]]) -> None:
    schema = json.loads((ROOT / "shared/schema/take.schema.json").read_text())
    assert schema == json.loads(json.dumps(take_schema())), (
        "write it again: shared/schema/take.schema.json is json.dumps(take_schema())"
    )
    jsonschema.Draft202012Validator.check_schema(schema)
    validator = jsonschema.Draft202012Validator(schema)
    validator.validate(written[1])
    assert not validator.is_valid({**written[1], "profile": "guess"})
    assert not validator.is_valid({**written[1], "midi_sha256": "x"})
    assert not validator.is_valid({key: value for key, value in written[1].items() if key != "tempo"})


# --- the list -----------------------------------------------------------------------------------------------------


def test_list_takes(tmp_path: Path) -> None:
    assert list_takes(tmp_path / "none") == []
    take = made_take()
    for i, stem in enumerate(("a", "b", "c")):
        header = TakeHeader(created=f"2026-03-0{i + 1}T20:00:00+01:00", completed=i != 1)
        write_take(replace(take, notes=take.notes[: i + 1], header=header), tmp_path, stem)
    (tmp_path / "c.json").write_text("{")
    (tmp_path / "b2.txt").write_text("no take")
    entries = {entry.path.stem: entry for entry in list_takes(tmp_path)}
    assert [entry.path.stem for entry in list_takes(tmp_path)][-2:] == ["b", "a"]
    assert (entries["a"].title, entries["a"].key, entries["a"].n_notes) == (SESSION.title, "Bb", 1)
    assert entries["b"].completed is False and entries["a"].error is None
    assert "c.json" in (entries["c"].error or "")
    with pytest.raises(UsageError, match="cannot read the folder of takes"):
        list_takes(tmp_path / "a.mid")
