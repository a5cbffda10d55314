"""The shared tables: every row has its source and grade, and what is exact agrees with the program's own arithmetic."""

from __future__ import annotations

import math
import tomllib
from typing import Any

import pytest

from trainer.clock import swing_offbeat_frac
from trainer.music import FORMS, FOUR_STRING, QUALITIES
from trainer.music.chords import SCALES
from trainer.resources import shared_dir
from trainer.take.midi_file import parse_midi

GRADES = {"read", "second-hand", "computed", "common practice"}


def table(name: str) -> dict[str, list[dict[str, Any]]]:
    found: dict[str, list[dict[str, Any]]] = tomllib.loads((shared_dir() / "reference" / name).read_text("utf-8"))
    return found


EXACT = {row["name"]: row for row in table("exact.toml")["value"]}
PUBLISHED = {kind: {row["name"]: row for row in rows} for kind, rows in table("published.toml").items()}


def test_every_row_has_its_source() -> None:
    assert len(EXACT) == len(table("exact.toml")["value"])
    for row in EXACT.values():
        assert row["what"] and row["unit"] and row["source"]
    for kind, rows in PUBLISHED.items():
        assert len(rows) == len(table("published.toml")[kind])
        for row in rows.values():
            assert row["finding"] and row["source"] and row["grade"] in GRADES


@pytest.mark.parametrize(("ratio", "place"), EXACT["offbeat_place"]["pairs"])
def test_offbeat_place(ratio: float, place: float) -> None:
    assert 100.0 * swing_offbeat_frac(ratio) == pytest.approx(place, abs=0.005)


@pytest.mark.parametrize(("bpm", "short_ms"), EXACT["triplet_short_note"]["pairs"])
def test_triplet_short_note(bpm: float, short_ms: float) -> None:
    assert (1.0 - swing_offbeat_frac(2.0)) * 60_000.0 / bpm == pytest.approx(short_ms, abs=0.05)


@pytest.mark.parametrize(("bpm", "ratio"), EXACT["constant_short_note_ratio"]["pairs"])
def test_constant_short_note(bpm: float, ratio: float) -> None:
    beat_ms = 60_000.0 / bpm
    assert (1.0 - swing_offbeat_frac(ratio)) * beat_ms == pytest.approx(100.0)


@pytest.mark.parametrize(("byte", "rate"), EXACT["smpte_rates"]["pairs"])
def test_smpte_rates(byte: int, rate: float) -> None:
    head = b"MThd\x00\x00\x00\x06\x00\x00\x00\x01" + bytes((256 - byte, 1))
    midi = parse_midi(head + b"MTrk\x00\x00\x00\x04\x00\xff\x2f\x00")
    assert midi.ticks_per_s == pytest.approx(rate, abs=0.005)


def test_strings_and_their_periods() -> None:
    for midi, hz, two_periods_ms in EXACT["open_strings"]["rows"]:
        assert 440.0 * 2.0 ** ((midi - 69) / 12) == pytest.approx(hz, abs=0.0006)
        assert 2000.0 / hz == pytest.approx(two_periods_ms, abs=0.05)
    assert sorted(FOUR_STRING.open_pitches) == [row[0] for row in EXACT["open_strings"]["rows"][1:]]


def test_scales_and_forms() -> None:
    scales = EXACT["scales"]
    for name in ("major_pentatonic", "minor_pentatonic", "mixolydian"):
        assert list(SCALES[name]) == scales[name]
    assert list(QUALITIES["7"]) == scales["dominant_seventh"]
    for form, name in (("quick_change_12", "quick_change"), ("slow_change_12", "slow_change")):
        written = [bar.removesuffix("7") for bar in FORMS[form].major]
        assert written == PUBLISHED["lines"]["twelve_bars"][name]


def test_arithmetic_of_the_rest() -> None:
    clock, motor = 100.0, 25.0
    variance, covariance, correlation = EXACT["two_level_split"]["values"]
    assert variance == clock + 2 * motor and covariance == -motor
    assert correlation == pytest.approx(covariance / variance, abs=1e-5)
    for gain, sd in EXACT["phase_correction_sd"]["pairs"]:
        assert math.sqrt((clock + 2 * gain * motor) / (gain * (2 - gain))) == pytest.approx(sd, abs=0.005)
    effective_n = 100 * (1 - 0.3) / (1 + 0.3)
    assert effective_n == pytest.approx(EXACT["effective_n"]["value"], abs=0.05)
    for n_bytes, us in EXACT["midi_wire"]["pairs"]:
        assert n_bytes * 10 / 31_250 * 1e6 == pytest.approx(us)
    for bpm, ms in EXACT["midi_clock"]["pairs"]:
        assert 60_000.0 / bpm / 24 == pytest.approx(ms, abs=0.0005)
