"""A take's recording: heard again, kept as FLAC, mixed with the band, and its room looked after."""

from __future__ import annotations

import os
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests.bass_sound import bass_line
from trainer.cli.run import run
from trainer.clock.tempo import TempoMap
from trainer.errors import FileFormatError
from trainer.session import expand, session_from_dict
from trainer.take import FLAG_DEAD, FLAG_GLITCH, Calibration, Gap, Take, TakeHeader, empty_notes, read_take, write_take
from trainer.take.keep_heard import keep_heard
from trainer.take.rehearing import frames_at, heard_again, is_heard, kept_recordings, recording_of

RATE_HZ = 48_000
S = 1_000_000_000
SESSION = session_from_dict(
    {
        "title": "t",
        "key": "G",
        "tempo_bpm": 120.0,
        "form": "quick_change_12",
        "groove": "shuffle",
        "chorus": [{"role": "verse"}],
    },
    "test",
)
ONSETS = [0.5 * i for i in range(20)]  # of the song
PITCHES = [(31, 35, 38, 40)[i % 4] for i in range(20)]
LEAD_S, HOST_NS = 5.0, 77 * S  # the recording begins five seconds before the song, at some moment of the host


def _take(gap: Gap | None = None) -> Take:
    clock_map = {
        "song_map": [[HOST_NS, -LEAD_S, 1.0]],
        # a card that is a hundred parts in a million slow
        "recording": {"map": [[0.0, HOST_NS, 1e9 / RATE_HZ * 1.0001]], "passes": [], "channel": 3},
    }
    header = TakeHeader(
        profile="sound", created="2026-11-28T12:00:00+00:00", clock_map=clock_map, gaps=() if gap is None else (gap,)
    )
    return Take(empty_notes(), TempoMap(expand(SESSION).tempo_segments), SESSION, empty_notes(), header)


@pytest.fixture
def kept(tmp_path: Path) -> Path:
    """A take as it is when the song has just ended: the ear that listened along heard nothing."""
    path = write_take(_take(), tmp_path, "take")
    rows = [(LEAD_S / 1.0001 + on / 1.0001, 0.4, float(p), 90) for on, p in zip(ONSETS, PITCHES, strict=True)]
    soundfile.write(path.with_suffix(".wav"), bass_line(rows), RATE_HZ, subtype="PCM_24")
    return path


def test_the_recording_is_heard_and_kept_in_the_takes_own_files(kept: Path) -> None:
    before, _ = soundfile.read(kept.with_suffix(".wav"), dtype="int32")
    assert keep_heard(kept) is None
    assert not kept.with_suffix(".wav").exists()
    after, rate_hz = soundfile.read(kept.with_suffix(".flac"), dtype="int32")
    assert rate_hz == RATE_HZ and np.array_equal(before, after)
    take = read_take(kept)
    assert is_heard(take) and take.header.extra["hearing"]["channel"] == 3
    assert not any("was changed" in text for text in take.header.extra.get("remarks", []))
    notes = take.notes[take.notes["flags"] & FLAG_DEAD == 0]
    assert np.rint(notes["pitch"]).tolist() == PITCHES
    assert np.max(np.abs(notes["onset_s"] - ONSETS)) < 0.002
    assert keep_heard(kept) is None  # once more changes nothing
    assert np.array_equal(read_take(kept).notes, take.notes)


def test_a_take_of_an_older_ear_is_heard_again_when_it_is_read(kept: Path) -> None:
    assert keep_heard(kept) is None
    newest = read_take(kept)
    old = replace(newest.header, extra={**newest.header.extra, "hearing": {"version": 0}})
    from trainer.take.store import replace_take

    replace_take(replace(newest, notes=newest.notes[:3], header=old), kept)
    assert len(read_take(kept, rehear=False).notes) == 3
    assert np.array_equal(read_take(kept).notes, newest.notes)
    kept.with_suffix(".flac").unlink()
    assert len(read_take(kept).notes) == 3  # the recording was removed: what was heard stands


def test_silence_leaves_the_take_as_it_was(kept: Path) -> None:
    soundfile.write(kept.with_suffix(".wav"), np.zeros(RATE_HZ), RATE_HZ, subtype="PCM_24")
    body = kept.read_bytes()
    said = keep_heard(kept)
    assert said is not None and "silence" in said and said.endswith("the notes heard while you played stand")
    assert kept.read_bytes() == body and kept.with_suffix(".flac").exists()


def test_notes_near_a_fault_of_ours_are_excused_and_a_broken_place_is_one_line(kept: Path) -> None:
    recording = kept.with_suffix(".wav")
    take = heard_again(_take(Gap(2.0, 2.1, "xrun")), recording)
    flagged = take.notes["onset_s"][take.notes["flags"] & FLAG_GLITCH != 0]
    assert len(flagged) == 1 and flagged[0] == pytest.approx(2.0, abs=0.01)
    broken = _take()
    broken.header.clock_map["recording"]["map"] = [["x"]]
    with pytest.raises(FileFormatError, match="does not say where it lies"):
        heard_again(broken, recording)


def test_seconds_of_the_song_and_frames_of_the_recording_are_each_others_way_back(kept: Path) -> None:
    seconds = np.array([0.0, 1.25, 9.0])
    assert np.allclose(frames_at(_take(), seconds), (LEAD_S + seconds) * RATE_HZ / 1.0001, atol=0.01)
    assert recording_of(_take(), kept) == kept.with_suffix(".wav")
    assert recording_of(_take(), kept.with_name("other.mid")) is None


def test_the_band_is_rendered_with_the_bass_as_it_was_recorded(kept: Path, tmp_path: Path) -> None:
    """Each stroke where it was played, latency taken off: by the difference to the band alone."""
    assert keep_heard(kept) is None
    take = read_take(kept)
    from trainer.take.store import replace_take

    replace_take(replace(take, header=replace(take.header, calibration=Calibration(base_ms=50.0))), kept)
    both, band = tmp_path / "both.wav", tmp_path / "band.wav"
    assert run(["render", str(kept), "--wav", str(both)]) == 0
    assert run(["render", str(kept), "--wav", str(band), "--mute", "guide"]) == 0
    a, rate_hz = soundfile.read(both)
    b, _ = soundfile.read(band)
    bass = np.abs(a - b).max(axis=1)
    loud = np.flatnonzero(bass > 0.05)
    count_in_s = 4 * 0.5 * SESSION.count_in_bars
    assert loud[0] / rate_hz == pytest.approx(count_in_s - 0.050, abs=0.03)
    assert loud[-1] / rate_hz == pytest.approx(count_in_s + ONSETS[-1] + 0.4 - 0.050, abs=0.25)


def test_old_recordings_are_counted_and_removed_by_age(
    kept: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert keep_heard(kept) is None
    (tmp_path / "not-ours.flac").write_bytes(kept.with_suffix(".flac").read_bytes())
    old = kept.with_suffix(".flac")
    os.utime(old, (time.time() - 40 * 86_400,) * 2)
    (found,) = kept_recordings(tmp_path)
    assert found.path == old and found.seconds > 10.0
    folder = ["--takes", str(tmp_path)]
    assert run(["recordings", *folder]) == 0 and "1 recording, 0 minutes" in capsys.readouterr().out
    assert run(["recordings", *folder, "--older-than", "50", "--remove"]) == 0 and old.exists()
    assert run(["recordings", *folder, "--remove"]) == 2 and old.exists()
    assert run(["recordings", *folder, "--older-than", "30", "--remove"]) == 0 and not old.exists()
    assert (tmp_path / "not-ours.flac").exists() and len(read_take(kept).notes) >= len(PITCHES)


@pytest.mark.parametrize(("leak_gain_db", "said"), [(-6.0, True), (-24.0, False), (None, False)])
def test_a_band_that_comes_back_through_the_input_is_told(kept: Path, leak_gain_db: float | None, said: bool) -> None:
    """The band's own sound, mixed 9 ms late into the recording: told from 30 dB under the bass on."""
    from trainer.band import arrange
    from trainer.band.sound import stem_renderer
    from trainer.live.loop_back import leak_db, leak_words

    wav = kept.with_suffix(".wav")
    bass, _ = soundfile.read(wav, dtype="float32")
    if leak_gain_db is not None:
        chart = expand(SESSION)
        stems = stem_renderer(arrange(chart), TempoMap(chart.tempo_segments), RATE_HZ)
        at = round((LEAD_S + stems.start_s + 0.009) * RATE_HZ)
        for first in range(0, min(stems.n_frames, len(bass) - at), 4_800):
            n = min(4_800, stems.n_frames - first, len(bass) - at - first)
            band = stems.block(first, n).mean(axis=2).sum(axis=0)
            bass[at + first : at + first + n] += np.float32(10.0 ** (leak_gain_db / 20.0)) * band
        soundfile.write(wav, bass, RATE_HZ, subtype="PCM_24")
    assert keep_heard(kept) is None
    take = read_take(kept)
    recording = recording_of(take, kept)
    assert recording is not None
    words = leak_words(take, recording)
    assert (words is not None) == said
    assert leak_words(take, recording, kept.with_suffix(".sf2")) is None  # gone since: nothing is said, the song stands
    if words is not None:
        under_db = leak_db(take, recording)
        assert under_db is not None and f"{-under_db:.0f} dB under the bass" in words and "headphones" in words
