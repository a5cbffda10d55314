"""Model lines: every claim held against the definitions, every note on the fingerboard, values of the trade."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.line.definitions import CHECKS, Notes, chord_at, holds
from trainer.errors import UsageError
from trainer.line import DEVICES, BarPlan, compose, model_line
from trainer.line.patterns import FILLERS, PATTERNS, cells
from trainer.line.score import LineScore
from trainer.line.standing import _turnarounds
from trainer.music import FIVE_STRING, FORMS, FOUR_STRING, GROOVES
from trainer.session import Chart, expand, session_from_dict

KEYS = (
    "C", "G", "D", "A", "E", "B", "F#", "F", "Bb", "Eb", "Ab", "Db", "Am", "Em", "Bm", "F#m", "C#m", "G#m", "Dm",
    "Gm", "Cm", "Fm", "Bbm", "Ebm",
)  # fmt: skip


def a_chart(key: str = "G", form: str = "quick_change_12", **more: object) -> Chart:
    choruses = more.pop("chorus", [{"role": "verse", "times": 2}])
    return expand(session_from_dict({"key": key, "form": form, "chorus": choruses, **more}))


def read(line: LineScore) -> Notes:
    rows = line.notes
    return Notes(rows["onset_beats"], rows["onset_beats"] + rows["duration_beats"], rows["pitch"].astype(int))


def leads(last: int, root: int) -> bool:
    """A bar leads on when its last note is within a fifth of what follows, or a step, fourth, fifth or octave off in
    another register."""
    return abs(last - root) <= 7 or abs(last - root) % 12 in (0, 1, 2, 5, 7, 10, 11)


def assert_playable(line: LineScore) -> None:
    rows = line.notes
    opened = np.array(line.tuning.open_pitches[::-1])
    assert np.all(rows["string"] >= 1) and np.all(rows["string"] <= opened.size)
    assert np.array_equal(opened[rows["string"] - 1] + rows["fret"], rows["pitch"])
    assert np.all(rows["fret"] <= line.tuning.n_frets)
    assert np.all(np.diff(rows["onset_beats"]) > 0)
    assert np.all(rows["duration_beats"] > 0)
    # One string, one voice: no note sounds into the next.
    assert np.all(rows["onset_beats"][1:] >= (rows["onset_beats"] + rows["duration_beats"])[:-1] - 1e-9)


@pytest.mark.parametrize("device", DEVICES)
def test_every_claim_keeps_its_definition_in_all_keys_and_forms(device: str) -> None:
    n, n_bars, n_led = 0, 0, 0
    for key in KEYS[ord(device[1]) % 2 :: 2]:
        for form in FORMS:
            chart = a_chart(key, form)
            line = model_line(chart, device=device, seed=len(key) + ord(key[0]))
            notes = read(line)
            assert_playable(line)
            for claim in line.claims:
                assert holds(claim.name, notes, chart, claim.at_beats, claim.beats), (key, form, claim)
                n += claim.name == device
            for bar, after in pairwise(chart.bars):
                inside = notes.between(bar.onset_beats, bar.end_beats)
                following = notes.between(after.onset_beats, after.end_beats)
                if inside and following:
                    n_bars += 1
                    n_led += leads(inside[-1][1], following[0][1])
    assert n >= 48
    assert n_led / n_bars >= 0.99


@pytest.mark.parametrize("device", DEVICES)
def test_each_device_has_eight_written_forms_that_differ_when_played(device: str) -> None:
    # V–IV–I with no repeats: every kind of device finds its place.
    chart = a_chart("A", chorus=[{"role": "verse", "times": 3}])
    shapes = set()
    for variant in range(len(PATTERNS[device])):
        line = model_line(chart, device=device, variant=variant, seed=1)
        claim = next(c for c in line.claims if c.name == device and c.at_beats >= 16)
        start = 4 * np.floor(claim.at_beats / 4)
        notes = read(line)
        target = chord_at(chart, claim.at_beats + claim.beats).root_pc
        span = notes.between(start, claim.at_beats + claim.beats + 1e-3)
        shapes.add(tuple((round(o - start, 3), (p - target) % 12) for o, p, _ in span))
    assert len(shapes) >= 8


def test_patterns_are_well_formed() -> None:
    assert set(PATTERNS) == set(DEVICES) == set(CHECKS)
    for bank in (*PATTERNS.values(), *FILLERS.values()):
        assert len(set(bank)) == len(bank)
        for pattern in bank:
            for bar in pattern.split("|"):
                assert cells(bar)[0].beat == 0 and cells(bar)[0].part == "on"


@pytest.mark.parametrize("ratio", [1.0, 1.5, 2.0, 2.7, 3.5])
def test_the_charts_swing_is_exact(ratio: float) -> None:
    chart = a_chart(swing_ratio=ratio)
    for device in DEVICES:
        line = model_line(chart, device=device, seed=2)
        phase = line.notes["onset_beats"] % 1.0
        # place of the off-beat: r / (1 + r), by definition
        allowed = np.array([0.0, 1.0, ratio / (1 + ratio), 1 / 3, 2 / 3, 0.88])
        assert np.all(np.min(np.abs(phase[:, None] - allowed), axis=1) < 1e-9), device


@pytest.mark.parametrize("device", DEVICES)
def test_every_change_is_landed_on_its_root(device: str) -> None:
    for form in FORMS:
        chart = a_chart("Bb", form)
        line = model_line(chart, device=device, seed=9)
        notes = read(line)
        inside_pedal = [
            (c.at_beats, c.at_beats + c.beats) for c in line.claims if c.name in ("pedal", "turnaround_figure")
        ]
        before = None
        for span in chart.spans:
            at = span.onset_beats
            if span.chord.root_pc != before and not any(a < at < b for a, b in inside_pedal):
                struck = notes.at(at)
                pitch = struck[1] if struck else notes.held_at(at)
                assert pitch is not None and pitch % 12 == span.chord.root_pc, (form, at)
            before = span.chord.root_pc


def test_seeds_repeat_and_differ() -> None:
    chart = a_chart()
    first, again = (model_line(chart, device="walking_line", seed=5) for _ in range(2))
    other = model_line(chart, device="walking_line", seed=6)
    assert np.array_equal(first.notes, again.notes) and first.claims == again.claims
    assert not np.array_equal(first.notes["pitch"], other.notes["pitch"])


@pytest.mark.parametrize("groove", list(GROOVES))
def test_the_line_the_chart_asks_for_in_every_groove(groove: str) -> None:
    # Notes a bar: verse 4–8, two-beat 2–4 (common practice, metrics §10).
    low, high = (2, 4) if GROOVES[groove].line == "two_beat" else (3, 8)
    for key in ("E", "Bb", "Cm"):
        chart = a_chart(key, groove=groove)
        line = model_line(chart, seed=3)
        assert_playable(line)
        for bar in chart.bars[:-1]:
            assert low <= len(read(line).between(bar.onset_beats, bar.end_beats)) <= high
        if GROOVES[groove].line == "two_beat":
            for bar in chart.bars[:-1]:
                on_three = read(line).at(bar.onset_beats + 2)
                if len(bar.chords) == 1:
                    assert on_three is not None and (on_three[1] - bar.chords[0].root_pc) % 12 == bar.chords[0].fifth


def test_gate_and_accent_are_the_trades() -> None:
    # Common practice, metrics §7: long 60–90 %, short 40–80 %, walking 80–95 %; 2 and 4 are 3–12 louder than 1 and 3.
    shuffle = model_line(a_chart(), device="root_shuffle", variant=0).notes[:-1]
    interval = np.diff(shuffle["onset_beats"])
    gate = shuffle["duration_beats"][:-1] / interval
    phase = shuffle["onset_beats"][:-1] % 1.0
    assert np.all((gate[phase < 0.01] >= 0.6) & (gate[phase < 0.01] <= 0.9))
    assert np.all((gate[phase > 0.01] >= 0.4) & (gate[phase > 0.01] <= 0.8))
    walk = model_line(a_chart(), device="walking_line", variant=0).notes[:-1]
    gate = walk["duration_beats"][:-1] / np.diff(walk["onset_beats"])
    assert np.all((gate >= 0.8) & (gate <= 0.95))
    beat = np.round(walk["onset_beats"]) % 4
    accent = np.median(walk["velocity"][beat % 2 == 1]) - np.median(walk["velocity"][beat % 2 == 0])
    assert 3 <= accent <= 12


def test_walking_lines_approach_changes_as_players_do() -> None:
    # Riley & Dixon 2023 (FiloBass, 48 transcriptions; second-hand): semitone above 26.8 %, semitone below 21.0 %, whole
    # step below 11.9 % of approach notes; 63 % of bars are four plain quarters.
    steps, plain = [], []
    for key in KEYS[:12]:
        for form in ("quick_change_12", "two_five_12"):
            chart = a_chart(key, form, chorus=[{"role": "verse", "times": 3}])
            notes = read(model_line(chart, device="walking_line", seed=len(steps)))
            for bar, after in pairwise(chart.bars):
                inside = notes.between(bar.onset_beats, bar.end_beats)
                if len(bar.chords) == 1:
                    plain.append(len(inside) == 4)
                    if bar.chords[-1].root_pc != after.chords[0].root_pc:
                        steps.append(inside[-1][1] - notes.at(after.onset_beats)[1])
    share = {step: np.mean(np.array(steps) == step) for step in (1, -1, -2)}
    assert share[1] == pytest.approx(0.268, abs=0.06)
    assert share[-1] == pytest.approx(0.210, abs=0.06)
    assert share[-2] == pytest.approx(0.119, abs=0.04)
    assert np.mean(plain) >= 0.63


def test_a_turnaround_is_looked_for_among_its_own_notes() -> None:
    """A song of four hundred choruses took seconds for its turnarounds alone, each looked for among all notes."""
    asked = 0

    class Counted:
        def __init__(self, onset_beats: float, pitch: int) -> None:
            self._onset_beats, self.pitch, self.duration_beats = onset_beats, pitch, 1.0

        @property
        def onset_beats(self) -> float:
            nonlocal asked
            asked += 1
            return self._onset_beats

    chart = expand(session_from_dict({"key": "G", "chorus": [{"role": "verse", "times": 40}]}, "test"))
    walk = {0: 43, 1: 41, 2: 40, 3: 39, 4: 38}  # from the tonic to the five
    beats = [bar.onset_beats + k for bar in chart.bars for k in range(4)]
    notes = [Counted(at, walk.get(int(at - chart.bars[0].onset_beats) % 48 - 40, 43)) for at in beats]
    found = _turnarounds(chart, notes, ())
    assert len(found) >= 39 and asked < 4 * len(notes)


def test_nobody_walks_a_seventh_into_a_step() -> None:
    """Common practice: the approach note lies near the note before it, in the octave that the hand is in."""
    for key in KEYS[:12]:
        for form in ("quick_change_12", "two_five_12"):
            made = model_line(a_chart(key, form, chorus=[{"role": "verse", "times": 2}]), device="walking_line", seed=3)
            pitch = made.notes["pitch"].astype(int)
            ones = np.flatnonzero(np.round(made.notes["onset_beats"], 6) % 4 == 0)
            for one in ones[ones > 1]:
                before, approach, root = pitch[one - 2 : one + 1]
                assert abs(approach - before) <= 8 or abs(root - approach) > 2, (key, form, one)


@pytest.mark.parametrize("octave", [0, 1])
@pytest.mark.parametrize("device", DEVICES)
def test_octaves_stay_in_the_basss_register(device: str, octave: int) -> None:
    for key in KEYS[:12]:
        pitches = model_line(a_chart(key), device=device, octave=octave).notes["pitch"]
        assert pitches.min() >= 28 and pitches.max() <= 67
        if octave == 0:
            assert np.median(pitches) <= 50  # verse 28–50 (common practice, metrics §10)


def test_a_five_string_goes_below_e() -> None:
    line = model_line(a_chart("C"), device="root_shuffle", octave=-1, tuning=FIVE_STRING)
    assert_playable(line)
    assert line.notes["pitch"].min() < 28
    with pytest.raises(UsageError, match="five-string"):
        model_line(a_chart("C"), octave=-1)


@pytest.mark.parametrize("position", [0, 3, 5, 7, 9, 12])
def test_positions_hold_the_hand(position: int) -> None:
    frets = []
    for key in KEYS[:12]:
        for device in ("root_shuffle", "box_figure", "boogie_figure", "walking_line"):
            line = model_line(a_chart(key), device=device, position=position)
            assert_playable(line)
            frets.append(line.notes["fret"][line.notes["fret"] > 0].astype(int))
    stopped = np.concatenate(frets)
    inside = np.mean((stopped >= position - 2) & (stopped <= position + 6))
    assert inside >= 0.97


@settings(max_examples=25, deadline=None)
@given(
    st.sampled_from(KEYS),
    st.sampled_from(DEVICES),
    st.integers(0, 2**31),
    st.floats(1.0, 3.5),
    st.sampled_from(["top", "from_the_five", "from_the_turnaround"]),
    st.sampled_from(["plain", "stop", "tag", "ritard"]),
    st.booleans(),
)
def test_any_session_gets_a_line(
    key: str, device: str, seed: int, ratio: float, start: str, ending: str, stop_time: bool
) -> None:
    chorus = [{"role": "verse", "stop_time": stop_time}, {"role": "solo", "times": 2, "intensity": [0.5, 1.0]}]
    chart = a_chart(key, swing_ratio=ratio, start=start, ending=ending, chorus=chorus)
    line = model_line(chart, device=device, seed=seed)
    assert_playable(line)
    notes = read(line)
    for claim in line.claims:
        assert holds(claim.name, notes, chart, claim.at_beats, claim.beats)
    last = line.notes[-1]
    assert last["pitch"] % 12 == chart.key.tonic_pc and last["onset_beats"] == chart.bars[-1].onset_beats
    for bar in chart.bars:
        if bar.stopped:
            inside = [o for o, _, _ in notes.between(bar.onset_beats, bar.end_beats)]
            assert all(o - bar.onset_beats < 1e-9 or bar.end_beats - o < 0.9 for o in inside)


def test_mistakes_are_named() -> None:
    with pytest.raises(UsageError, match='did you mean "box_figure"'):
        model_line(a_chart(), device="box_figur")
    with pytest.raises(UsageError, match="octave 4 is not on a bass"):
        model_line(a_chart(), octave=4)
    with pytest.raises(UsageError, match="position 40 is not on this neck"):
        model_line(a_chart(), position=40)
    with pytest.raises(ValueError, match="1 bar plans for 24 bars"):
        compose(a_chart(), [BarPlan(None, 28)], seed=1)


def test_plain_data_round() -> None:
    line = model_line(a_chart(), device="push", tuning=FOUR_STRING)
    data = line.to_dict()
    assert len(data["notes"]) == len(line.notes) and data["tuning"] == [28, 33, 38, 43]
    assert data["claims"][0]["name"] in DEVICES
