"""Sound files in: channels, rates, what is refused; and a take made from one."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

from tests.bass_sound import bass_line
from trainer.batch import midi_files
from trainer.errors import FileFormatError, UsageError
from trainer.scoring import score
from trainer.session import Session, expand, session_from_dict
from trainer.take import FLAG_DEAD, read_take
from trainer.take.heard import CODED, DEAD_PITCH, heard_in, note_table
from trainer.take.sound_file import read_sound

RATE_HZ = 48_000
SESSION = {
    "title": "t",
    "key": "G",
    "tempo_bpm": 120.0,
    "swing_ratio": 2.0,
    "form": "quick_change_12",
    "groove": "shuffle",
    "chorus": [{"role": "verse", "times": 2}],
}


def _session() -> Session:
    return session_from_dict(dict(SESSION), "test")


def _rows(from_s: float = 0.0, late_s: float = 0.0) -> list[tuple[float, float, float, int]]:
    """Root and fifth in swung eighths over the form: (onset_s, duration_s, pitch, velocity)."""
    chart = expand(_session())
    rows = []
    for beat in range(round(chart.end_beats)):
        root = 28 + (int(chart.spans[int(chart.span_idx_at(np.array([beat + 0.01]))[0])].chord.root_pc) - 4) % 12
        for at, pitch in ((beat, root), (beat + 2 / 3, root + 7)):
            rows.append((from_s + late_s + at * 0.5, 0.14, float(pitch), 90))
    return rows


@pytest.fixture(scope="module")
def line() -> NDArray[np.float32]:
    return bass_line(_rows(2.0, 0.010), RATE_HZ)


def _short(seconds: float = 0.5) -> NDArray[np.float32]:
    return bass_line([(0.05, 0.3, 40.0, 90)], RATE_HZ)[: round(seconds * RATE_HZ)]


@pytest.mark.parametrize("suffix", ["wav", "flac", "aiff"])
@pytest.mark.parametrize("rate_hz", [8_000, 44_100, 48_000, 96_000, 192_000])
def test_every_kind_and_rate_gives_the_same_sound(tmp_path: Path, suffix: str, rate_hz: int) -> None:
    seconds = np.arange(rate_hz) / rate_hz
    path = tmp_path / f"a.{suffix}"
    soundfile.write(path, 0.5 * np.sin(2 * np.pi * 110.0 * seconds), rate_hz)
    sound = read_sound(path)
    assert (sound.file_rate_hz, sound.n_channels, sound.channel) == (rate_hz, 1, 1)
    assert 44_100 <= sound.rate_hz <= 96_000
    assert sound.duration_s == pytest.approx(1.0, abs=1e-3)
    at = np.arange(len(sound.samples)) / sound.rate_hz
    middle = slice(len(at) // 4, 3 * len(at) // 4)  # a resampler rings at the ends
    assert np.allclose(sound.samples[middle], 0.5 * np.sin(2 * np.pi * 110.0 * at[middle]), atol=2e-3)


def test_the_channel_that_carries_the_bass_is_found(tmp_path: Path) -> None:
    bass = _short()
    hiss = 1e-3 * np.random.default_rng(1).standard_normal(len(bass)).astype(np.float32)
    path = tmp_path / "a.wav"
    soundfile.write(path, np.stack([hiss, bass, hiss], axis=1), RATE_HZ, subtype="FLOAT")
    sound = read_sound(path)
    assert (sound.channel, sound.n_channels) == (2, 3)
    assert np.array_equal(sound.samples, bass)
    assert np.array_equal(read_sound(path, 1).samples, hiss)
    with pytest.raises(UsageError, match="channel 4; it has 3"):
        read_sound(path, 4)


def test_two_channels_of_the_same_are_one(tmp_path: Path) -> None:
    bass = _short()
    path = tmp_path / "a.wav"
    soundfile.write(path, np.stack([bass, bass], axis=1), RATE_HZ, subtype="FLOAT")
    sound = read_sound(path)
    assert sound.channel is None and np.allclose(sound.samples, bass, atol=1e-7)


def test_the_same_upside_down_is_one_of_the_two(tmp_path: Path) -> None:
    bass = _short()
    path = tmp_path / "a.wav"
    soundfile.write(path, np.stack([-0.9 * bass, bass], axis=1), RATE_HZ, subtype="FLOAT")
    sound = read_sound(path)
    assert sound.channel == 2 and np.array_equal(sound.samples, bass)


def test_two_that_differ_are_not_guessed_between(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    other = bass_line([(0.1, 0.3, 47.0, 90)], RATE_HZ)[: len(_short())]
    soundfile.write(path, np.stack([_short(), other], axis=1), RATE_HZ)
    with pytest.raises(UsageError, match="channels 1, 2 carry different sound"):
        read_sound(path)


def test_what_is_no_sound_file_is_one_line(tmp_path: Path) -> None:
    for name, body in (
        ("a.wav", b"RIFF\x00"),
        ("b.flac", b"fLaC" + b"\xff" * 50),
        ("c.aiff", b""),
        ("d.wav", b"\0" * 99),
    ):
        (tmp_path / name).write_bytes(body)
        with pytest.raises(FileFormatError, match="cannot be read as sound") as caught:
            read_sound(tmp_path / name)
        assert "\n" not in str(caught.value)
    with pytest.raises(UsageError, match="no file"):
        read_sound(tmp_path / "nothing.wav")
    with pytest.raises(UsageError, match="a folder; expected a sound file"):
        read_sound(tmp_path)
    with pytest.raises(FileFormatError, match=r"not read; .* export it as WAV"):
        read_sound(tmp_path / "song.m4a")
    renamed = tmp_path / "song.wav"
    renamed.write_bytes(b"\0\0\0\x20ftypM4A " + bytes(500))
    with pytest.raises(FileFormatError, match=r"not read; .* export it as WAV"):
        read_sound(renamed)


@pytest.mark.parametrize("suffix", ["mp3", "ogg"])
def test_compressed_sound_keeps_its_onsets_and_says_so(tmp_path: Path, suffix: str) -> None:
    """libsndfile's coders, from outside."""
    rows = [(0.3 + 0.4 * k, 0.3, 40.0 + k, 90) for k in range(6)]
    path = tmp_path / f"a.{suffix}"
    with soundfile.SoundFile(path, "w", RATE_HZ, 1) as file:
        for piece in np.array_split(bass_line(rows, RATE_HZ), 40):  # its Vorbis coder takes no long piece
            file.write(piece)
    found = heard_in(read_sound(path), "a")
    assert np.allclose(found.notes["pitch"], [row[2] for row in rows], atol=0.3)
    assert np.ptp(found.notes["onset_s"] - [row[0] for row in rows]) < 0.002
    assert CODED in found.remarks


def test_samples_that_are_no_numbers_are_silence(tmp_path: Path) -> None:
    bass = _short()
    bass[100:110] = np.nan
    bass[200] = np.inf
    path = tmp_path / "a.wav"
    soundfile.write(path, bass, RATE_HZ, subtype="FLOAT")
    sound = read_sound(path)
    assert sound.n_not_finite == 11 and np.all(np.isfinite(sound.samples))


def test_a_file_cut_off_while_it_was_written_is_read_as_far_as_it_goes(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    soundfile.write(path, _short(), RATE_HZ, subtype="PCM_16")
    body = path.read_bytes()
    path.write_bytes(body[: len(body) // 2])
    found = read_sound(path)
    assert 0.2 < found.duration_s < 0.3 and found.broken_off


@pytest.mark.parametrize("said_frames", [0, 2_400, 2**31 - 1])
def test_a_wav_whose_header_was_never_finished_is_read_to_its_end(tmp_path: Path, said_frames: int) -> None:
    """A recorder that dies leaves the lengths of its first moment, or of an earlier one, in RIFF and `data`."""
    path = tmp_path / "a.wav"
    bass = _short()
    soundfile.write(path, bass, RATE_HZ, subtype="PCM_16")
    assert not read_sound(path).broken_off
    body = bytearray(path.read_bytes())
    at = body.index(b"data")
    body[at + 4 : at + 8] = (2 * said_frames).to_bytes(4, "little")
    body[4:8] = (0).to_bytes(4, "little")
    path.write_bytes(body)
    found = read_sound(path)
    assert found.broken_off and len(found.samples) == len(bass)
    assert np.allclose(found.samples[:], bass, atol=1e-4) and np.allclose(
        found.samples[2_000:3_000], bass[2_000:3_000], atol=1e-4
    )
    assert any("breaks off or was never finished" in text for text in heard_in(found, "a").remarks)


def test_what_stands_behind_the_samples_of_a_wav_is_no_sound(tmp_path: Path) -> None:
    """Other chunks: a text, a list; the one byte that fills an odd length; an old tag; what fills a sector."""
    path = tmp_path / "a.wav"
    bass = _short()
    soundfile.write(path, bass, RATE_HZ, subtype="PCM_U8")
    body = path.read_bytes()
    chunk = b"LIST" + (40).to_bytes(4, "little") + b"INFO" + bytes(36)
    for behind in (b"", chunk, b"TAG" + b"A song" + bytes(119), bytes(512)):
        path.write_bytes(body + behind)
        found = read_sound(path)
        assert not found.broken_off and len(found.samples) == len(bass)


@pytest.mark.parametrize("says_how_long", [True, False])
def test_a_flac_that_breaks_off_is_read_as_far_as_it_goes(tmp_path: Path, says_how_long: bool) -> None:
    path = tmp_path / "a.flac"
    rows = [(0.3 + 0.4 * k, 0.3, 40.0 + k % 5, 90) for k in range(20)]
    bass = bass_line(rows, RATE_HZ)
    soundfile.write(path, np.stack([0 * bass, bass], axis=1), RATE_HZ, subtype="PCM_16")
    body = bytearray(path.read_bytes())
    if not says_how_long:  # the number of samples: 36 bits of STREAMINFO (RFC 9639, 8.2)
        body[21] &= 0xF0
        body[22:26] = bytes(4)
    path.write_bytes(body)
    whole = read_sound(path)
    assert whole.broken_off == (not says_how_long)
    assert len(bass) - (0 if says_how_long else 4_096) <= len(whole.samples) <= len(bass)  # but for a frame begun
    half = len(body) // 2
    for broken in (body[:half], body[:half] + bytes(3_000) + body[half + 3_000 :]):
        path.write_bytes(broken)
        found = read_sound(path)
        assert found.broken_off and found.channel == 2
        assert 0.4 * len(bass) < len(found.samples) < 0.6 * len(bass)
        assert np.allclose(found.samples[:], bass[: len(found.samples)], atol=1e-4)


# --- a take -------------------------------------------------------------------------------------------------------


def test_the_take_of_a_recording_is_that_of_its_notes(tmp_path: Path, line: NDArray[np.float32]) -> None:
    path = tmp_path / "song.wav"
    soundfile.write(path, line, RATE_HZ, subtype="PCM_24")
    take = read_take(path, session=_session(), downbeat=2.0)
    assert (take.header.profile, take.header.foreign, take.header.downbeat_from) == ("foreign", True, "option")
    card = score(take).to_dict()
    assert card["timing"]["mean_ms"] == pytest.approx(10.0, abs=0.5)
    assert card["timing"]["robust_sd_ms"] < 1.0
    assert card["swing"]["ratio"] == pytest.approx(2.0, abs=0.02)
    assert card["landing"]["roots"] == card["landing"]["changes"] > 10
    moved = read_take(path, session=_session(), downbeat=1.990)
    assert score(moved).to_dict()["timing"]["mean_ms"] == pytest.approx(20.0, abs=0.5)


def test_the_downbeat_is_found_and_what_that_costs_is_said(tmp_path: Path, line: NDArray[np.float32]) -> None:
    path = tmp_path / "song.wav"
    soundfile.write(path, line, RATE_HZ)
    take = read_take(path, session=_session(), downbeat="auto")
    assert take.header.downbeat_from == "auto"
    pitched = take.notes[take.notes["flags"] & FLAG_DEAD == 0]
    assert float(pitched["onset_s"][0]) == pytest.approx(0.0, abs=0.02)
    assert any("nobody can tell whether all of them are early or late" in text for text in take.header.extra["remarks"])


def test_the_session_beside_a_recording_is_taken(tmp_path: Path, line: NDArray[np.float32]) -> None:
    path = tmp_path / "song.wav"
    soundfile.write(path, line[: 8 * RATE_HZ], RATE_HZ)
    with pytest.raises(UsageError, match=r"says nothing of beats and bars.*--session.*trainer hear"):
        read_take(path)
    text = "\n".join(f"{k} = {v!r}" for k, v in SESSION.items() if k != "chorus").replace("'", '"')
    (tmp_path / "song.toml").write_text(f'{text}\n[[chorus]]\nrole = "verse"\n')
    assert read_take(path, downbeat=2.0).session is not None


def test_a_channel_is_asked_for_as_a_track_is(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    bass = bass_line([(0.2 + 0.5 * i, 0.4, 40.0 + i, 90) for i in range(6)], RATE_HZ)
    soundfile.write(path, np.stack([np.zeros_like(bass), bass], axis=1), RATE_HZ)
    notes = read_take(path, session=_session(), track="2").notes
    assert np.rint(notes["pitch"][notes["flags"] & FLAG_DEAD == 0]).tolist() == [40, 41, 42, 43, 44, 45]
    with pytest.raises(UsageError, match="a sound file has channels"):
        read_take(path, session=_session(), track="bass")


def _speechlike(seconds: float) -> NDArray[np.float32]:
    """Noise through a mouth that moves, with pauses: no pitch that a bass has."""
    from scipy.signal import lfilter

    rng = np.random.default_rng(3)
    out = []
    for _ in range(round(seconds / 0.2)):
        pole = 0.97 * np.exp(2j * np.pi * rng.uniform(300, 3000) / RATE_HZ)
        syllable = lfilter([1.0], [1.0, -2 * pole.real, abs(pole) ** 2], rng.standard_normal(round(0.15 * RATE_HZ)))
        out += [syllable * np.hanning(len(syllable)), np.zeros(round(0.05 * RATE_HZ))]
    sound = np.concatenate(out)
    return (0.3 * sound / np.abs(sound).max()).astype(np.float32)


def _chords() -> NDArray[np.float32]:
    """Three notes at once, throughout."""
    voices = [bass_line([(0.2 + 0.5 * i, 0.48, p + i % 3, 90) for i in range(24)], RATE_HZ) for p in (40.0, 44.0, 47.0)]
    return sum(voices[1:], voices[0]) / 3.0  # type: ignore[no-any-return]


@pytest.mark.parametrize("sound", [_speechlike(12.0), _chords()], ids=["speech", "chords"])
def test_what_is_not_one_bass_is_refused_with_what_was_heard(tmp_path: Path, sound: NDArray[np.float32]) -> None:
    path = tmp_path / "a.wav"
    soundfile.write(path, sound, RATE_HZ)
    with pytest.raises(FileFormatError, match="expected a recording of one bass") as caught:
        read_take(path, session=_session())
    assert "\n" not in str(caught.value)


def test_silence_is_refused_with_what_was_heard(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    soundfile.write(path, np.zeros(5 * RATE_HZ, dtype=np.float32), RATE_HZ)
    with pytest.raises(FileFormatError, match=r"silence.*expected a recording of one bass") as caught:
        read_take(path, session=_session())
    assert "\n" not in str(caught.value)


def test_a_stroke_without_pitch_is_rhythm_only() -> None:
    from trainer.hearing import HEARD_DTYPE

    rows = np.zeros(4, dtype=HEARD_DTYPE)
    rows["onset_s"] = np.arange(4) * 0.5
    rows["pitch"] = (np.nan, 40.0, np.nan, 43.0)
    rows["dead"] = (True, False, True, False)
    rows["velocity"], rows["duration_s"] = 80, 0.2
    table = note_table(rows)
    assert table["pitch"].tolist() == [DEAD_PITCH, 40.0, 40.0, 43.0]
    assert (table["flags"] & FLAG_DEAD > 0).tolist() == [True, False, True, False]
    assert not len(note_table(rows[:0]))


def test_a_dead_stroke_lands_nowhere_but_keeps_time(tmp_path: Path, line: NDArray[np.float32]) -> None:
    path = tmp_path / "song.wav"
    soundfile.write(path, line, RATE_HZ)
    take = read_take(path, session=_session(), downbeat=2.0)
    notes = take.notes.copy()
    on_first = np.abs(notes["onset_s"] - 0.010) < 0.02
    assert np.count_nonzero(on_first) == 1
    notes["flags"][on_first] |= FLAG_DEAD
    with_one, without = score(take).to_dict(), score(replace(take, notes=notes)).to_dict()
    assert without["landing"]["roots"] == with_one["landing"]["roots"] - 1
    assert without["timing"]["n"] == with_one["timing"]["n"]


def test_a_folder_gives_recordings_but_not_those_beside_their_take(tmp_path: Path) -> None:
    for name in ("take.mid", "take.flac", "other.wav", ".hidden.wav", "notes.txt"):
        (tmp_path / name).write_bytes(b"")
    assert [path.name for path in midi_files([tmp_path])] == ["other.wav", "take.mid"]
