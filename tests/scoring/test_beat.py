"""Whose beat a file from elsewhere is judged by: its own while that is what was played, else one fitted."""

from __future__ import annotations

import sys
import time
import tracemalloc
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "sim"))

import strangers

from trainer.cli.speaking import card_text
from trainer.clock.tempo import TempoMap
from trainer.scoring import score
from trainer.scoring.beat import BINS, _path, beat_of
from trainer.scoring.text import summary
from trainer.session import Chart
from trainer.take import Take, TakeHeader, notes_from_rows

KINDS = ("roots", "riffs", "walker", "pushes_tied", "two_beat", "guide_tones", "loose_walker", "scale_down")
WARPS: dict[str, Callable[[np.ndarray], np.ndarray]] = {
    "another tempo": lambda s: s / 1.03,
    "slower": lambda s: s * 1.06,
    "a slow drift": lambda s: s * 1.003,
    "a tempo that sways": lambda s: s + 0.18 * np.sin(2.0 * np.pi * s / 60.0),
}


def take_of(kind: str, seed: int) -> tuple[Chart, Take]:
    chart, rows = strangers.played(kind, seed, 3)
    rows = strangers.timed(rows, np.random.default_rng(seed), 1.9)
    header = TakeHeader(foreign=True, profile="foreign", downbeat_from="marker")
    return chart, strangers.take_of(chart, rows, header)


def warped(take: Take, warp: Callable[[np.ndarray], np.ndarray]) -> Take:
    """The same notes at other times; the file's tempo map stays."""
    notes = take.notes.copy()
    notes["onset_s"] = warp(notes["onset_s"])
    return replace(take, notes=notes)


@pytest.mark.parametrize("kind", [*strangers.TUNING, *strangers.JUDGING])
def test_whoever_keeps_to_the_file_s_beat_is_judged_by_it(kind: str) -> None:
    for seed in range(4):
        _, take = take_of(kind, seed)
        found = beat_of(take)
        assert found.by == "file" and found.take is take and not found.remark and found.none is None


@pytest.mark.parametrize("warp", WARPS)
@pytest.mark.parametrize("kind", KINDS)
def test_the_beat_that_was_played_is_found(kind: str, warp: str) -> None:
    _, take = take_of(kind, 3)
    true = np.asarray(take.tempo.beats_at(take.notes["onset_s"].astype(np.float64)))
    other = warped(take, WARPS[warp])
    found = beat_of(other)
    got = np.asarray(found.take.tempo.beats_at(other.notes["onset_s"].astype(np.float64)))
    assert found.by == "notes" and "is not the one that was played" in found.remark
    assert np.quantile(np.abs(got - true), 0.9) < 0.1, np.quantile(np.abs(got - true), [0.5, 0.9])


def test_it_is_said_first_and_the_figures_are_those_of_the_beat_played() -> None:
    _, take = take_of("walker", 5)
    plain, other = score(take), score(warped(take, WARPS["another tempo"]))
    card = other.to_dict()
    assert card["take"]["beat_this_file"] == "notes" and plain.to_dict()["take"]["beat_this_file"] == "file"
    assert card["take"]["remarks"][0].startswith("the beat in this file is not the one that was played")
    assert other.form.lost == () and other.landing.root_rate.value == pytest.approx(
        plain.landing.root_rate.value, abs=0.03
    )
    assert other.timing.spread_s.value < 0.03
    forced = score(warped(take, WARPS["another tempo"]), beat="file").to_dict()
    assert forced["take"]["beat_this_file"] == "file"


def test_drums_in_the_file_are_the_beat_and_the_reference() -> None:
    # The band plays 3 % faster than the file says, its drums 30 ms late, and the bass with them: with the drums.
    chart, take = take_of("roots", 7)
    beat_s = np.asarray(take.tempo.seconds_at(np.arange(0.0, chart.end_beats)))
    ride = notes_from_rows([((s + 0.03) / 1.03, 0.1, 51, 90, 9) for s in beat_s])
    other = replace(warped(take, lambda s: (s + 0.03) / 1.03), band=ride)
    card = score(other)
    assert card.take.beat_this_file == "drums" and abs(card.timing.mean_s.value) < 0.012


@pytest.mark.parametrize("bpm_of_120", [70.0, 180.0, 60.0, 140.0])
@pytest.mark.parametrize("kind", ["roots", "two_beat"])
def test_far_from_the_file_s_tempo_nothing_is_judged_and_that_is_said_first(kind: str, bpm_of_120: float) -> None:
    """No tempo event: 120 in the file, whatever was played; a steady line may look like another at 60, 90 or 180."""
    chart, take = take_of(kind, 3)
    beats = np.asarray(take.tempo.beats_at(take.notes["onset_s"].astype(np.float64)))
    notes = take.notes.copy()
    notes["onset_s"] = 60.0 / bpm_of_120 * beats
    card = score(replace(take, notes=notes, tempo=TempoMap.constant(120.0)))
    assert card.form.nothing is not None and card.form.nothing.code == "no_beat"
    assert not card.timing.mean_s.known and not card.swing.ratio.known and card.landing.changes is None
    assert card.shape.choruses == () and card.verdict.advice == ()
    first = card_text(card).splitlines()[0]
    assert first.startswith(("Note: what was played keeps neither", "Note: the chords come round as if about"))
    right = score(replace(take, notes=notes, tempo=TempoMap.constant(bpm_of_120)))
    assert right.form.lost == () and right.landing.landed_rate.value > 0.9 and chart.n_choruses == 3


def test_notes_that_keep_no_beat_are_not_timed() -> None:
    chart, take = take_of("walker", 9)
    rng = np.random.default_rng(1)
    notes = take.notes.copy()
    notes["onset_s"] = np.sort(rng.uniform(0.0, float(notes["onset_s"].max()), len(notes)))
    card = score(replace(take, notes=notes))
    assert card.form.lost is None and not card.timing.mean_s.known
    assert card.take.remarks[0].startswith("what was played keeps neither")
    assert chart.n_choruses == 3


def test_a_beat_is_followed_through_eighty_thousand_beats_within_seconds() -> None:
    """A tempo event with one digit turned over makes as many of an ordinary song."""
    rng = np.random.default_rng(1)
    suits = rng.uniform(0.0, 0.1, (20_000, BINS))
    walk = np.cumsum(rng.integers(-2, 3, len(suits)))
    suits[np.arange(len(suits)), walk % BINS] += 1.0
    begun = time.process_time()
    path = _path(suits)
    assert time.process_time() - begun < 5.0  # it took twelve
    assert np.array_equal((path - walk) % BINS, np.zeros(len(walk)))


@pytest.mark.parametrize("other_bpm", [120.0, 97.0 / 0.75, 48.0, 190.0])
@pytest.mark.parametrize("kind", ["roots", "riffs", "two_beat"])
def test_a_file_whose_program_was_never_told_the_tempo_is_read_at_the_session_s(kind: str, other_bpm: float) -> None:
    chart, take = take_of(kind, 5)
    swayed = warped(take, lambda s: s * 1.02)
    card = score(replace(swayed, tempo=TempoMap.constant(other_bpm)))
    asked = score(swayed)
    assert card.take.beat_this_file == "notes" and "read at the session's" in card.take.remarks[0], card.take.remarks
    assert card.form.lost == () and card.landing.roots == asked.landing.roots
    assert "late or early cannot be said" in summary(card) and "on the beat, " not in summary(card)
    assert card.timing.spread_s.value == pytest.approx(asked.timing.spread_s.value, abs=0.003)
    assert chart.n_choruses == 3


@pytest.mark.parametrize("kind", ["roots", "riffs", "walker", "two_beat", "pushes_tied"])
def test_a_fitted_beat_that_may_have_slipped_tells_no_place(kind: str) -> None:
    """The tempo sways for some bars by more than is followed: a beat is gained or lost, and that is said as a doubt."""
    slipped = 0
    for seed in range(6):
        _, take = take_of(kind, 110 + seed)
        length_s = float(take.notes["onset_s"].max())
        sway_s = 0.035 * length_s / 12.0
        swayed = warped(take, lambda s, n=length_s, by=sway_s: s * 1.02 + by * np.sin(12.0 * s / n))  # type: ignore[misc]
        true = np.asarray(take.tempo.beats_at(take.notes["onset_s"].astype(float)))
        found = beat_of(swayed, None, None)
        got = np.asarray(found.take.tempo.beats_at(swayed.notes["onset_s"].astype(float)))
        if found.by != "notes" or np.quantile(np.abs(got - true), 0.95) < 0.6:
            continue
        slipped += 1
        card = score(swayed)
        assert card.form.lost is None and card.landing.changes is None and card.shape.choruses == ()
        assert not any(advice.about in ("form", "landing", "shape") for advice in card.verdict.advice)
        alone = score(Take(swayed.notes, swayed.tempo, None, header=swayed.header))
        for told in (card, alone) if found.may_slip else (card,):
            groups = (*told.swing.per_beat, *told.swing.per_chorus)
            assert not any(beat.n for beat in told.timing.per_beat) and not any(group.ratio.n for group in groups)
            assert told.timing.n == 0 or "per_beat" in told.to_dict()["timing"]["why"]
            assert "always late" not in summary(told) and not any(line.bars for line in told.verdict.lines)
    assert slipped


def test_half_a_million_beats_between_two_notes_take_no_room() -> None:
    """A file may ask for sixty million beats a minute: what lies between its notes is not laid out."""
    tempo = TempoMap([(-392_157.0, 6e7), (0.0, 120.0)])
    onsets_s = [float(tempo.seconds_at(-392_000.0)), *(0.25 * k for k in range(40))]
    notes = notes_from_rows([(s, 0.2, 40.0, 90) for s in onsets_s])
    take = Take(notes, tempo, header=TakeHeader(foreign=True, profile="foreign", downbeat_from="file"))
    tracemalloc.start()
    try:
        beat_of(take)
        peak_bytes = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert peak_bytes < 100e6
