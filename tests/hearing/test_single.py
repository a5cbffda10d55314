"""What is not one bass is refused with what was heard; what is one bass never is."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import lfilter

from tests.hearing.plucked import Pluck, laid
from tests.hearing.test_ear import walking
from trainer.hearing import refine

RATE = 48000.0


def chords(*above: int) -> np.ndarray:
    roots = np.random.default_rng(2).integers(33, 45, 16)
    return laid([Pluck(0.5 + k * 0.6, 0.5, float(r) + s) for k, r in enumerate(roots) for s in (0, *above)])[0]


def voice(f0_hz: float) -> np.ndarray:
    """Something like speech: a glottal buzz that glides, through formants that change with each syllable (source and
    filter: Fant 1960)."""
    rng = np.random.default_rng(1)
    out = np.zeros(round(20 * RATE))
    at = 0.0
    while at < 19:
        n = round(rng.uniform(0.12, 0.3) * RATE)
        track = f0_hz * 2 ** ((rng.normal(0, 2) + np.linspace(0, rng.normal(0, 4), n)) / 12)
        part = ((np.cumsum(track) / RATE) % 1 < 0.06) - 0.06
        for formant in (rng.uniform(300, 800), rng.uniform(900, 2200), 2600.0):
            r = np.exp(-np.pi * 100 / RATE)
            part = lfilter([1 - r], [1, -2 * r * np.cos(2 * np.pi * formant / RATE), r * r], part)
        k = round(at * RATE)
        out[k : k + n] += part[: len(out) - k] * np.hanning(n)[: len(out) - k] ** 0.5 / np.abs(part).max()
        at += n / RATE * rng.uniform(0.9, 1.4)
    return (0.4 * out + 1e-3 * rng.standard_normal(len(out))).astype(np.float32)


def test_chords_are_not_one_bass() -> None:
    for above in ((7,), (7, 16), (4, 7)):
        refusal = refine(chords(*above), RATE).refusal
        assert refusal is not None, above


def test_a_voice_is_not_a_bass() -> None:
    for f0_hz in (110.0, 200.0):
        refusal = refine(voice(f0_hz), RATE).refusal
        assert refusal is not None, f0_hz


def test_noise_hum_and_clicks_are_not_a_bass() -> None:
    rng = np.random.default_rng(3)
    t = np.arange(round(12 * RATE)) / RATE
    clicks = np.where(np.arange(len(t)) % 24000 < 48, rng.standard_normal(len(t)), 0)
    for sound in (0.1 * rng.standard_normal(len(t)), 0.1 * np.sin(2 * np.pi * 50 * t), 0.3 * clicks, 0.3 + 0 * t):
        assert refine(sound.astype(np.float32), RATE).refusal is not None


def test_drums_are_not_a_bass() -> None:
    """A kick drum has a pitch of a kind."""
    out = np.zeros(round(20 * RATE))
    t = np.arange(round(0.25 * RATE)) / RATE
    for k in range(38):
        kick = np.sin(2 * np.pi * (50 * t + 8 * (1 - np.exp(-t / 0.02)))) * np.exp(-t / 0.08)
        hat = np.random.default_rng(k).standard_normal(len(t)) * np.exp(-t / 0.02)
        out[k * 24000 : k * 24000 + len(t)] += (0.5 * kick if k % 2 == 0 else 0.2 * hat)[: len(out) - k * 24000]
    assert refine(out.astype(np.float32), RATE).refusal is not None


def test_a_band_under_the_bass_is_told() -> None:
    """Soft enough that the bass can be heard, too loud for every note to be right."""
    bass, _ = laid(walking(n=24))
    t = np.arange(len(bass)) / RATE
    organ = sum(np.sin(2 * np.pi * hz * h * t) / h for hz in (261.6, 329.6, 392.0, 466.2) for h in (1, 2, 3))
    alone, among = refine(bass, RATE), refine((bass + 0.02 * organ).astype(np.float32), RATE)
    assert (alone.refusal, alone.doubt) == (None, None)
    assert among.refusal is None and among.doubt is not None and "does something sound with it" in among.doubt


@pytest.mark.parametrize("bright", [0.3, 1.0])
@pytest.mark.parametrize("bpm", [70.0, 120.0, 200.0])
def test_a_bass_is_a_bass(bpm: float, bright: float) -> None:
    sound, _ = laid(walking(bpm=bpm, n=24), bright=bright)
    assert refine(sound, RATE).refusal is None


def test_short_notes_are_not_asked_what_sounds_with_them() -> None:
    """Their own attack and end are too much of them: repeats on one string were told that others played too."""
    rows = [Pluck(0.5 + 0.18 * k, 0.16, 31.0 + 5 * (k // 16 % 2)) for k in range(48)]
    bass, _ = laid(rows)
    t = np.arange(len(bass)) / RATE
    organ = sum(np.sin(2 * np.pi * hz * h * t) / h for hz in (261.6, 329.6, 392.0, 466.2) for h in (1, 2, 3))
    heard = refine((bass + 0.02 * organ).astype(np.float32), RATE)
    assert len(heard.notes) >= 40 and heard.doubt is None


def test_octaves_are_heard_as_their_lower_note() -> None:
    """Of two notes an octave apart nothing tells that the upper was played too: it is not said, nor anything else."""
    roots = np.random.default_rng(2).integers(33, 45, 24)
    rows = [Pluck(0.5 + k * 0.5, 0.45, float(root) + s) for k, root in enumerate(roots) for s in (0, 12)]
    heard = refine(laid(rows)[0], RATE, 440.0)
    assert (heard.refusal, heard.doubt) == (None, None)
    assert np.abs(heard.notes["pitch"] - roots).max() < 0.3
    assert np.abs(heard.notes["onset_s"] - 0.5 - 0.5 * np.arange(24)).max() < 0.005


@pytest.mark.parametrize("kind", ["speech", "noise", "taps"])
def test_what_sounds_before_the_first_bar_changes_no_note(kind: str) -> None:
    lead_s = 7.0
    rng = np.random.default_rng(3)
    n = round(lead_s * RATE)
    before = {
        "speech": voice(110.0)[: n - 12000],
        "noise": 0.1 * rng.standard_normal(n),
        "taps": np.where(np.arange(n) % 24000 < 96, 0.3 * rng.standard_normal(n), 0.0),
    }[kind]
    bass = np.concatenate([np.zeros(n, np.float32), laid(walking(n=40))[0]])
    both = bass.copy()
    both[: len(before)] += before.astype(np.float32)
    alone, after = refine(bass, RATE), refine(both, RATE)
    notes = after.notes[after.notes["onset_s"] > lead_s]
    assert np.abs(notes["onset_s"] - alone.notes["onset_s"]).max() < 1e-4
    assert np.abs(notes["pitch"] - alone.notes["pitch"]).max() < 0.05
    assert len(after.notes) - len(notes) <= 2  # a spoken syllable that happens to stand on a fret
    assert (after.n_before > 20) == (kind == "speech") and alone.n_before == 0
    assert (after.refusal, after.doubt) == (None, None)


def test_a_bass_that_slides_into_every_note_is_a_bass_from_the_start() -> None:
    line = [Pluck(0.5 + 0.6 * k, 0.5, 30.0 + k % 7, steps=((0.02, 2.0, 0.07),)) for k in range(32)]
    heard = refine(laid(line)[0], RATE)
    assert heard.n_before == 0 and len(heard.notes) >= 31
