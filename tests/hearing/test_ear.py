"""The ear on strings made here: what is played is heard, at its time and pitch, live and at leisure.

Judges: the truth of the making (onsets read with scipy, see `plucked`), mir_eval's note matching.
"""

from __future__ import annotations

from dataclasses import fields

import numpy as np
import pytest
from mir_eval.transcription import precision_recall_f1_overlap

from tests.hearing.plucked import Pluck, laid
from trainer.hearing import DeadStroke, Ear, Event, NoteEnded, NoteHeard, PitchAmended, StrokeSeen, refine
from trainer.hearing.signal import decimated
from trainer.hearing.strokes import motion

RATES = (44100.0, 48000.0, 96000.0)


def walking(bpm: float = 120.0, n: int = 32, seed: int = 3, low: int = 28, high: int = 55) -> list[Pluck]:
    rng = np.random.default_rng(seed)
    pitches = np.clip(np.cumsum(rng.integers(-5, 6, n)) + 38, low, high)
    beat = 60 / bpm
    return [
        Pluck(0.5 + k * beat + rng.normal(0, 0.01), 0.85 * beat, float(p), int(rng.integers(70, 110)))
        for k, p in enumerate(pitches)
    ]


def listened(sound: np.ndarray, rate_hz: float, block: int) -> list[Event]:
    ear = Ear(rate_hz)
    events = [event for k in range(0, len(sound), block) for event in ear.feed(sound[k : k + block])]
    return events + ear.finish()


def f_measure(truth: list[Pluck], onset_s: np.ndarray, pitch: np.ndarray) -> float:
    """mir_eval's note F: onset within 50 ms, pitch within half a semitone, offsets not asked."""

    def hz(p: np.ndarray) -> np.ndarray:
        return 440.0 * 2 ** ((p - 69) / 12)

    true = np.array([[p.at_s, p.at_s + p.duration_s] for p in truth])
    found = np.stack([onset_s, onset_s + 0.1], axis=1)
    true_hz = hz(np.array([p.pitch for p in truth]))
    return float(precision_recall_f1_overlap(true, true_hz, found, hz(pitch), offset_ratio=None)[2])


@pytest.mark.parametrize("rate_hz", RATES)
def test_a_walking_line_is_heard_whole(rate_hz: float) -> None:
    sound, truth = laid(walking(), rate_hz)
    heard = refine(sound, rate_hz, 440.0)
    notes = heard.notes[~heard.notes["dead"]]
    assert f_measure(truth, notes["onset_s"], notes["pitch"]) == 1.0
    error = notes["onset_s"] - np.array([p.at_s for p in truth])
    assert np.abs(error).max() < 0.002
    assert np.abs(notes["pitch"] - np.array([p.pitch for p in truth])).max() < 0.15


@pytest.mark.parametrize("rate_hz", RATES)
def test_the_same_line_live(rate_hz: float) -> None:
    sound, truth = laid(walking(), rate_hz)
    events = listened(sound, rate_hz, 256)
    first = {e.stroke: e for e in events if isinstance(e, NoteHeard)}
    pitch = {s: e.pitch for s, e in first.items()} | {e.stroke: e.pitch for e in events if isinstance(e, PitchAmended)}
    onset = np.array([e.onset_frames for e in first.values()]) / rate_hz
    assert f_measure(truth, onset, np.array([pitch[s] for s in first])) > 0.98
    error = [o - min((p.at_s for p in truth), key=lambda t: abs(t - o)) for o in onset]
    assert np.median(np.abs(error)) < 0.001


def test_how_sharp_first_readings_are_is_learnt_from_the_instrument() -> None:
    """Strings that start two semitones sharp: their first labels are right in time once some have settled."""
    sound, truth = laid(walking(bpm=160, n=48, seed=5), sharp=2.0)
    ear = Ear(48000.0)
    said = [
        (event.onset_frames / 48000, event.pitch, (k + 96) / 48000)
        for k in range(0, len(sound), 96)
        for event in ear.feed(sound[k : k + 96])
        if isinstance(event, NoteHeard)
    ]

    def in_time(p: Pluck) -> bool:
        last = p.at_s + 2 / (440 * 2 ** ((p.pitch - 69) / 12)) + 0.010
        return any(abs(at - p.at_s) < 0.02 and abs(pitch - p.pitch) < 0.5 and when <= last for at, pitch, when in said)

    assert np.mean([in_time(p) for p in truth]) >= 0.85
    assert ear._sharp.of(0.2) > 0.5  # semitones, of a reading as unclear as those are


def test_an_unclear_string_that_is_not_sharp_is_not_taken_for_one() -> None:
    """What one instrument tells says nothing of the next; what is clear keeps its own."""
    soft, hard = Ear(48000.0)._sharp, Ear(48000.0)._sharp
    for _ in range(20):
        for ear, sharp in ((soft, 0.0), (hard, 0.9)):
            ear.learn(0.25, sharp)
            ear.learn(0.05, 0.0)
    assert abs(soft.of(0.25)) < 0.05
    assert hard.of(0.25) > 0.7
    assert abs(hard.of(0.05)) < 0.15


def test_blocks_of_any_size_give_the_same_events() -> None:
    sound, _ = laid(walking(n=5))
    whole = listened(sound, 48000.0, len(sound))
    for block in (1, 77, 480, 4096):
        part = sound if block > 1 else sound[:30000]
        assert listened(part, 48000.0, block) == (whole if block > 1 else listened(part, 48000.0, len(part)))
    assert Ear(48000.0).feed(np.zeros(0, np.float32)) == []


def test_every_stroke_tells_its_story_in_order() -> None:
    sound, _ = laid(walking(n=12))
    story: dict[int, list[type]] = {}
    for event in listened(sound, 48000.0, 480):
        story.setdefault(event.stroke, []).append(type(event))
    assert list(story) == sorted(story)
    for kinds in story.values():
        assert kinds[0] is StrokeSeen
        assert kinds[1] in (NoteHeard, DeadStroke)
        assert set(kinds[2:]) <= {PitchAmended, NoteEnded}
        assert kinds.count(NoteEnded) == (kinds[1] is NoteHeard)


@pytest.mark.parametrize("rubbish", [np.nan, np.inf, -np.inf, 1e30, 0.5])
def test_rubbish_among_the_samples_is_survived(rubbish: float) -> None:
    sound, _ = laid(walking(n=8))
    sound[30000:30100] = rubbish
    for event in listened(sound, 48000.0, 512):
        for name in event.__slots__:
            assert np.isfinite(getattr(event, name))
    notes = refine(sound, 48000.0).notes
    assert np.isfinite(notes["onset_s"]).all()
    assert len(notes) >= 7


def test_nothing_is_heard_in_nothing() -> None:
    assert listened(np.zeros(48000, np.float32), 48000.0, 480) == []
    heard = refine(np.zeros(48000, np.float32), 48000.0)
    assert len(heard.notes) == 0
    assert heard.refusal is not None and "silence" in heard.refusal
    assert len(refine(np.zeros(0, np.float32), 48000.0).notes) == 0


@pytest.mark.parametrize("rate_hz", [8_000.0, 48_000.0])
def test_a_loud_scrap_is_called_short_and_not_silent(rate_hz: float) -> None:
    scrap = 0.5 * np.sin(2 * np.pi * 110.0 * np.arange(round(0.06 * rate_hz)) / rate_hz).astype(np.float32)
    assert refine(scrap, rate_hz).refusal == "60 ms of sound: too short to tell a note"


def test_what_is_kept_of_a_recording_grows_by_less_than_six_megabytes_a_minute() -> None:
    sound = 0.1 * np.random.default_rng(1).standard_normal(4 * 48_000).astype(np.float32)
    tone, upper, rate_hz = decimated(sound, 48_000.0)
    moves = motion(tone, upper, rate_hz)
    kept = [column for column in (getattr(moves, row.name) for row in fields(moves)) if isinstance(column, np.ndarray)]
    assert 15 * sum(column.nbytes for column in (tone, upper, *kept)) < 5.8e6


def test_a_recording_is_read_in_pieces() -> None:
    """A file too long to be held gives the notes of the same sound as an array, wherever its pieces meet."""

    class Slices:
        longest = 0

        def __len__(self) -> int:
            return len(sound)

        def __getitem__(self, span: slice) -> np.ndarray:
            part = sound[span]
            self.longest = max(self.longest, len(part))
            return part

    sound, truth = laid(walking(bpm=60, n=48))
    file = Slices()
    heard, whole = refine(file, 48000.0, 440.0), refine(sound, 48000.0, 440.0)
    assert heard.notes.tobytes() == whole.notes.tobytes() and heard.level_db == whole.level_db
    assert file.longest < 30 * 48000 < len(sound)
    assert f_measure(truth, whole.notes["onset_s"], whole.notes["pitch"]) == 1.0
    error = whole.notes["onset_s"] - np.array([p.at_s for p in truth])
    assert np.abs(error).max() < 0.002
