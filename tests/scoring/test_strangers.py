"""Players unlike our own lines (`tests/sim/strangers.py`) are told nothing for certain that is not so.

Short runs; `tests/sim/false_alarms.py` and `tests/sim/half_a_beat.py` are the long ones.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "sim"))

import strangers
from false_alarms import spans_of
from half_a_beat import HEADERS, misread
from half_a_beat import KINDS as PUSHERS

from trainer.line.song import planned_song
from trainer.scoring import read_notes, score
from trainer.scoring.devices import find
from trainer.scoring.form import FormResult, place_notes
from trainer.session import Chart

KINDS = [*strangers.TUNING, *strangers.JUDGING]


@pytest.mark.parametrize("kind", KINDS)
def test_nobody_who_was_not_lost_is_told_so(kind: str) -> None:
    spans = [span for seed in range(5) for span in spans_of(kind, 40_000 + seed)]
    assert [span.words() for span in spans if not span.unsure] == []


# A soloist on one scale proves nothing about the form, and is told so; whoever plays the chords is not. The licks
# served no tuning.
@pytest.mark.parametrize("kind", ["blues_scale", "blues_licks"])
@pytest.mark.parametrize("choruses", [2, 5])
def test_one_scale_over_all_chords_tells_no_place(kind: str, choruses: int) -> None:
    found = [form_of(kind, 80_000 + seed, choruses) for seed in range(12)]
    assert sum(each.lost is None for each in found) >= 11
    line = "the place cannot be told: your notes fit every bar alike, whatever its chord"
    assert {each.line for each in found if each.lost is None} == {line}


@pytest.mark.parametrize("kind", ["roots", "riffs", "walker", "two_beat", "loose_walker", "fifths", "five_pedal"])
def test_whoever_plays_the_chords_keeps_the_form(kind: str) -> None:
    assert all(form_of(kind, 81_000 + seed, choruses).lost == () for choruses in (1, 2, 5) for seed in range(6))


def test_a_soloist_on_one_scale_is_neither_praised_nor_charged() -> None:
    chart, rows = strangers.played("blues_licks", 80_003, 4)
    card = score(strangers.take_of(chart, strangers.timed(rows, np.random.default_rng(3), chart.swing_ratio)))
    line = card.verdict.lines[3]
    assert line.met is None and "fit every bar alike" in line.text and "kept" not in line.text
    assert not any(advice.about == "form" for advice in card.verdict.advice)


def form_of(kind: str, seed: int, choruses: int) -> FormResult:
    chart, rows = strangers.played(kind, seed, choruses)
    table = np.array(strangers.timed(rows, np.random.default_rng(seed + 10**6), chart.swing_ratio))
    return place_notes(chart, table[:, 0], table[:, 2])


def test_what_is_only_asked_costs_no_bar_and_becomes_no_advice() -> None:
    asked = 0
    for seed in range(12):
        chart, rows = strangers.played("scale_down", 40_000 + seed, 4)
        rows = strangers.timed(rows, np.random.default_rng(seed), chart.swing_ratio)
        card = score(strangers.take_of(chart, rows))
        form = card.to_dict()["form"]
        asked += len(form["asked"])
        assert form["lost"] == [] and form["bars_lost"] == 0
        assert all("elsewhere" not in advice["text"] for advice in card.to_dict()["verdict"]["advice"])
    assert asked


@pytest.mark.parametrize("mode", HEADERS)
@pytest.mark.parametrize("kind", PUSHERS)
def test_nobody_is_read_half_a_beat_off(kind: str, mode: str) -> None:
    assert [told for seed in range(10) if (told := misread(kind, mode, 50_000 + seed))] == []


@pytest.mark.parametrize("kind", ["guide_tones", "fifths", "rests_on_one", "one_riff", "blues_scale", "chord_solo"])
def test_a_line_that_is_not_of_roots_is_not_taken_for_another_key(kind: str) -> None:
    for seed in range(12):
        chart, rows = strangers.played(kind, 60_000 + seed, 3)
        assert read_notes(strangers.take_of(chart, rows), chart).transposed_semitones == 0, seed


# A third or a fifth higher, roots are other notes of their triads: nobody can tell those from guide tones.
@pytest.mark.parametrize("semitones", [-4, -3, -2, -1, 1, 2, 5])
@pytest.mark.parametrize("kind", ["roots", "walker", "two_beat"])
def test_a_line_of_roots_in_another_key_is_asked_about(kind: str, semitones: int) -> None:
    for seed in range(4):
        chart, rows = strangers.played(kind, 70_000 + seed, 3)
        moved = [(at, length, pitch + semitones, velocity) for at, length, pitch, velocity in rows]
        assert read_notes(strangers.take_of(chart, moved), chart).transposed_semitones == semitones, seed


@pytest.mark.parametrize("add", [strangers.flams, strangers.dead_notes, strangers.double_stops, strangers.rakes])
def test_what_the_hand_adds_hides_no_device(add: Callable[..., list[strangers.Row]]) -> None:
    # Songs of the program's composer, played on the grid and then with the hand's additions; the same devices, by name
    # and half-beat.
    kept = written = new = 0
    for seed in range(4):
        rng = np.random.default_rng(seed)
        chart = strangers.chart_for(rng, ("quick_change_12",), 4)
        song = planned_song(chart, seed).notes
        rows = [tuple(float(note[k]) for k in ("onset_beats", "duration_beats", "pitch", "velocity")) for note in song]
        plain, played = (devices_of(chart, each) for each in (rows, add(rows, rng)))
        kept, written, new = kept + len(plain & played), written + len(plain), new + len(played - plain)
    assert kept >= 0.95 * written and new <= 0.05 * written and written > 100, (kept, written, new)


def devices_of(chart: Chart, rows: list[strangers.Row]) -> set[tuple[str, int]]:
    late = np.random.default_rng(1)
    moved = sorted((row[0] + 0.01 * late.standard_normal(), *row[1:]) for row in rows)
    found = find(read_notes(strangers.take_of(chart, moved), chart), chart).found
    return {(device.name, round(2 * device.at_beats)) for device in found or ()}
