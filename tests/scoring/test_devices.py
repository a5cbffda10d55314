"""The devices of the line: hand-written lines from the definitions, LilyPond's lines, and the program's own generators.

The hand-written bars share no code with `trainer/line`: pitches and places are written out here.
"""

from __future__ import annotations

from collections import Counter
from pathlib import Path
from typing import Any

import mido
import numpy as np
import pytest

from tests.lily import lily_score
from trainer.line import DEVICES, model_line
from trainer.scoring.devices import DEVICE_NAMES, Device, find_notes
from trainer.session import Chart, expand, session_from_dict

# Bars in eighth slots, semitones above the chord's root (None: silence), by the definitions of metrics §8.
_ = None
BARS: dict[str, list[list[int | None]]] = {
    "root_shuffle": [[0, 0, 0, 0, 0, 0, 0, 0], [0, _, 0, 0, 0, 0, 0, _], [0, 0, 0, _, 0, 0, 0, 3]],
    "pentatonic_riff": [[0, 0, 3, 5, _, 3, 0, _], [0, _, 7, 10, 7, 5, 3, 0], [0, 2, 4, 7, _, 9, 7, _]],
    "walking_line": [[0, _, 4, _, 7, _, 9, _], [0, _, 2, _, 4, _, 5, _], [0, _, 10, _, 9, _, 7, _]],
    "octave_shift": [[0, 12, 0, 12, 0, 12, 0, 12], [0, _, 12, _, 0, _, 12, _]],
    "doubled_notes": [[0, 0, 4, 4, 7, 7, 9, 9], [0, 0, 2, 2, 4, 4, 2, 2]],
    "box_figure": [[0, _, 7, _, 10, _, 12, _], [0, 0, 7, 7, 10, 12, 10, 7], [0, 7, 10, 12, _, 10, 7, 0]],
    "boogie_figure": [[0, 4, 7, 9, 10, 9, 7, 4], [0, _, 4, _, 7, 9, 10, 9]],
}


def chart_of(key: str = "G", **more: Any) -> Chart:
    form = {"form": "chart", "chart": {"bars": _four(key)}}
    base = {"key": key, "chorus": [{"role": "verse", "times": 3}], **form}
    return expand(session_from_dict({**base, **more}))


def _four(key: str) -> list[str]:
    names = ["C", "Db", "D", "Eb", "E", "F", "Gb", "G", "Ab", "A", "Bb", "B"]
    i = names.index(key)
    return [names[i] + "7", names[(i + 5) % 12] + "7", names[(i + 7) % 12] + "7", names[i] + "7"]


Row = tuple[float, float, float]


def rows_of(chart: Chart, bars: dict[int, list[int | None]], octave: int = 0) -> list[Row]:
    """Bars by index in the chart, as (onset, pitch, length); the off-beat lies at the chart's swing."""
    off = chart.swing_ratio / (1.0 + chart.swing_ratio)
    out: list[Row] = []
    for idx, slots in bars.items():
        bar = chart.bars[idx]
        root = 28 + (bar.chords[0].root_pc - 28) % 12 + 12 * octave
        for slot, step in enumerate(slots):
            if step is not None:
                out.append((bar.onset_beats + slot // 2 + (off if slot % 2 else 0.0), float(root + step), 0.3))
    return out


def found_in(chart: Chart, rows: list[Row], *, jitter_beats: float = 0.0, seed: int = 0) -> tuple[Device, ...]:
    table = np.array(sorted(rows), dtype=float)
    onset = table[:, 0] + jitter_beats * np.random.default_rng(seed).standard_normal(len(table))
    order = np.argsort(onset)
    return find_notes(chart, onset[order], table[order, 1], table[order, 2])


def names_at(devices: tuple[Device, ...]) -> list[tuple[str, float]]:
    return [(d.name, round(d.at_beats, 2)) for d in devices]


NEXT = [0, _, _, _, _, _, _, _]


@pytest.mark.parametrize("name", list(BARS))
@pytest.mark.parametrize(
    ("key", "octave", "swing", "bpm"), [("G", 0, 2.0, 96.0), ("Db", 1, 1.0, 60.0), ("B", 0, 3.0, 180.0)]
)
def test_figures_of_a_bar_in_any_key_octave_swing_and_tempo(
    name: str, key: str, octave: int, swing: float, bpm: float
) -> None:
    chart = chart_of(key, swing_ratio=swing, tempo_bpm=bpm)
    for seed, slots in enumerate(BARS[name]):
        for idx in (0, 1, 2):
            rows = rows_of(chart, {idx: slots, idx + 1: NEXT}, octave)
            if name == "walking_line":  # its last note leads on: a whole step under the coming root
                rows[-2] = (rows[-2][0], rows[-1][1] - 2.0, 0.3)
            got = found_in(chart, rows, jitter_beats=0.008 * bpm / 60.0, seed=seed)
            whole = [d for d in got if d.name in BARS]
            assert names_at(tuple(whole)) == [(name, chart.bars[idx].onset_beats)], (slots, idx, got)
            assert (whole[0].chorus, whole[0].bar, whole[0].beat, whole[0].beats) == (1, idx + 1, 1, 4.0)


def into(chart: Chart, change: float, steps: list[tuple[float, int]]) -> list[Row]:
    """A root on beat 1 before, notes at (beats before the change, semitones above the coming root), and the landing."""
    root = 40 + (chart.spans[int(chart.span_idx_at(change))].chord.root_pc - 40) % 12
    rows = [(change - before, float(root + step), 0.3) for before, step in steps]
    return [*rows, (change, float(root), 0.6)]


@pytest.mark.parametrize(
    ("name", "steps", "start"),
    [
        ("chromatic_approach", [(3.0, -3), (2.0, -2), (1.0, -1)], 3.0),
        ("chromatic_approach", [(2.0, 2), (1.0, 1)], 2.0),
        ("chromatic_approach", [(1.0, -1)], 1.0),
        ("scale_descent", [(3.0, 5), (2.0, 4), (1.0, 2)], 3.0),
        ("scale_descent", [(3.0, 10), (2.667, 9), (2.0, 7), (1.667, 5), (1.0, 4), (0.333, 2)], 3.0),
        ("push", [(2.0, 7), (0.333, 0)], 0.333),
        ("slide_in", [(2.0, 7), (0.12, -1)], 0.12),
    ],
)
@pytest.mark.parametrize("key", ["E", "Ab"])
def test_devices_that_lead_into_a_change(name: str, steps: list[tuple[float, int]], start: float, key: str) -> None:
    chart = chart_of(key)
    rows = into(chart, 8.0, steps)
    if name == "push":
        rows = rows[:-1]
    if name == "slide_in":
        rows[-2] = (rows[-2][0], rows[-2][1], 0.12)
    got = found_in(chart, rows)
    assert [d.name for d in got] == [name]
    assert got[0].at_beats == pytest.approx(8.0 - start, abs=0.01) and got[0].beats == pytest.approx(start, abs=0.01)
    assert (got[0].chorus, got[0].bar) == (1, 2)


def test_steps_that_do_not_land_are_no_approach() -> None:
    chart = chart_of()
    rows = into(chart, 8.0, [(2.0, -2), (1.0, -1)])
    rows[-1] = (8.0, rows[-1][1] + 3.0, 0.6)
    assert found_in(chart, rows) == ()


def test_a_triplet_is_a_beat_of_three_and_a_swung_pair_is_not() -> None:
    chart = chart_of()
    rows = [(4.0, 36.0, 0.3), (4.333, 40.0, 0.3), (4.667, 43.0, 0.3), (5.0, 36.0, 0.3), (5.667, 36.0, 0.3)]
    assert names_at(found_in(chart, rows)) == [("triplet_figure", 4.0)]


def test_a_pedal_is_one_thing_over_its_bars_and_staying_on_the_one_is_none() -> None:
    chart = expand(session_from_dict({"key": "G", "chorus": [{"role": "verse", "times": 3}]}))
    five = [(32.0 + k, 38.0, 0.8) for k in range(8)]  # D under D7 and C7, bars 9 and 10, then G
    got = found_in(chart, [*five, (40.0, 31.0, 0.8)])
    pedals = [d for d in got if d.name == "pedal"]
    assert [(d.bar, d.at_beats, d.beats) for d in pedals] == [(9, 32.0, 8.0)]
    stayed = [(float(k), 31.0, 0.8) for k in range(12)]  # G through the quick change and on
    assert not [d for d in found_in(chart, stayed) if d.name == "pedal"]
    planned = expand(
        session_from_dict(
            {"key": "G", "chorus": [{"role": "verse", "times": 3}], "pedal": [{"chorus": 1, "bars": [1, 2]}]}
        )
    )
    got = found_in(planned, stayed)
    assert [(d.at_beats, d.beats) for d in got if d.name == "pedal"] == [(0.0, 8.0)]


def test_a_note_held_from_bar_one_has_no_bar_before_it_to_have_begun_in() -> None:
    # D7 | C7 | D7 | G7 in G: G held under the D7 of bar 1 began on no chord of its own, though the last bar is G.
    chart = chart_of(chart={"bars": ["D7", "C7", "D7", "G7"]})
    held = {0: [5, 5, 5, 5, 5, 5, 5, 5], 1: NEXT}
    assert "pedal" not in {device.name for device in found_in(chart, rows_of(chart, held))}
    landed = {**held, 4: [0, 0, 0, 0, 0, 0, 0, 0], 5: NEXT}  # … unless the D7 is landed in another chorus
    assert ("pedal", 0.0) in names_at(found_in(chart, rows_of(chart, landed)))


@pytest.mark.parametrize("walk", [[0, 4, 5, 6, 7], [12, 10, 9, 8, 7]])
def test_a_turnaround_figure_is_one_thing_over_two_bars(walk: list[int]) -> None:
    chart = expand(session_from_dict({"key": "A", "chorus": [{"role": "verse", "times": 3}]}))
    rows = [(40.0 + k, float(33 + step), 0.8) for k, step in enumerate(walk)] + [
        (45.0 + k, 40.0, 0.8) for k in range(3)
    ]
    got = [d for d in found_in(chart, rows) if d.name == "turnaround_figure"]
    assert [(d.chorus, d.bar, d.at_beats, d.beats) for d in got] == [(1, 11, 40.0, 8.0)]


def test_nothing_played_is_nothing_found() -> None:
    empty = np.zeros(0)
    assert find_notes(chart_of(), empty, empty, empty) == ()


def _lily_notes(path: Path, bpm: float) -> list[Row]:
    file = mido.MidiFile(path)
    at_s, open_notes, rows = 0.0, {}, []
    for message in file:
        at_s += message.time
        if message.type == "note_on" and message.velocity > 0:
            open_notes[message.note] = at_s
        elif message.type in ("note_off", "note_on") and message.note in open_notes:
            start = open_notes.pop(message.note)
            rows.append((start * bpm / 60.0, float(message.note), (at_s - start) * bpm / 60.0))
    return rows


def test_lines_engraved_by_lilypond(tmp_path: Path) -> None:
    # Notes and swing by LilyPond 2.25 (\tripletFeel 8: 2:1); nothing of ours made them. G: | G7 | C7 | D7 | G7 |.
    music = (
        "g,8 g, g, g, g, g, g, g, | c8 e g a bf a g e | d4 fs, a, fs, | g,8 g, b, b, d d e e | "
        "g,4 d f g | c4 c \\tuplet 3/2 { c8 e g } c4 | d4 bf, a, af, | g,4 r2."
    )
    file = lily_score(music, tmp_path, bpm=120, swing="\\tripletFeel 8")
    chart = chart_of("G", tempo_bpm=120.0)
    got = names_at(find_notes(chart, *np.array(sorted(_lily_notes(file, 120.0))).T))
    assert ("root_shuffle", 0.0) in got
    assert ("boogie_figure", 4.0) in got
    assert ("walking_line", 8.0) in got
    assert ("doubled_notes", 12.0) in got
    assert ("box_figure", 16.0) in got
    assert ("triplet_figure", 22.0) in got
    assert ("chromatic_approach", 25.0) in got  # B flat, A, A flat to G
    assert len([name for name, _ in got if name in BARS and name != "walking_line"]) == 4


# The line room claims approaches, descents, turnarounds and bars of root shuffle from the finished notes by the same
# rules as the finder, so agreement there shows that the rooms agree, not that either is right. The measure that is
# independent for what leads into a change is `test_planted_devices_…` below, whose truth is complete by construction.


@pytest.fixture(scope="module")
def tally() -> tuple[Counter[str], Counter[str], Counter[str]]:
    """(claimed, hit, false) of every device over the generators' lines with 8 ms of timing noise, one to one."""
    keys = ["C", "Db", "D", "Eb", "E", "F", "F#", "G", "Ab", "A", "Bb", "B", "Am", "Em", "Dm", "Cm", "Gm"]
    forms = ["quick_change_12", "slow_change_12", "minor_12", "eight_bar", "sixteen_bar"]
    rng = np.random.default_rng(11)
    claimed: Counter[str] = Counter()
    hit: Counter[str] = Counter()
    false: Counter[str] = Counter()
    for n, device in enumerate(DEVICES):
        for k in range(10):
            data = {
                "key": keys[(5 * k + n) % 17],
                "form": forms[k % 5],
                "tempo_bpm": float(rng.choice([60, 90, 120, 150, 180])),
                "swing_ratio": float(rng.choice([1.5, 2.0, 2.5])),
                "chorus": [{"role": "verse", "times": 3}],
            }
            chart = expand(session_from_dict(data))
            line = model_line(chart, device=device, seed=100 + k, octave=k % 2)
            onset = line.notes["onset_beats"] + rng.normal(0.0, 0.008 * data["tempo_bpm"] / 60.0, len(line.notes))
            order = np.argsort(onset)
            pitch, length = line.notes["pitch"][order].astype(float), line.notes["duration_beats"][order]
            left = list(find_notes(chart, onset[order], pitch, length))
            for claim in line.claims:
                claimed[claim.name] += 1
                match = next((d for d in left if d.name == claim.name and abs(d.at_beats - claim.at_beats) < 0.3), None)
                if match is not None:
                    hit[claim.name] += 1
                    left.remove(match)
            false.update(d.name for d in left)
    return claimed, hit, false


@pytest.mark.parametrize("name", DEVICE_NAMES)
def test_the_finder_and_the_line_room_agree(name: str, tally: tuple[Counter[str], Counter[str], Counter[str]]) -> None:
    claimed, hit, false = tally
    assert claimed[name] >= 10
    assert hit[name] / claimed[name] >= 0.95
    assert hit[name] / (hit[name] + false[name]) >= 0.95


def test_the_names_are_the_line_rooms_own() -> None:
    assert set(DEVICE_NAMES) == set(DEVICES)


_PLANTS: dict[str, list[list[tuple[float, int]]]] = {  # (beats before the change, semitones above the coming root)
    "chromatic_approach": [[(2.0, -2), (1.0, -1)], [(2.0, 2), (1.0, 1)], [(1.0, -1)], [(1.0, 1)]],
    "scale_descent": [[(2.0, 5), (1.5, 4), (1.0, 2)], [(2.0, 7), (1.5, 5), (1.0, 4), (0.5, 2)]],
    "push": [[(0.5, 0)]],
    "slide_in": [[(0.12, -1)], [(0.12, -2)]],
    "none": [[(1.0, 7)], [(1.0, -2)], [(1.0, 5)], [(1.0, -5)], [(2.0, -2), (1.0, 3)], [(1.0, 2)]],
}


def test_planted_devices_into_changes_are_found_and_nothing_else_is() -> None:
    # Truth by construction: every change of root gets one plant or a lead that is none; the rest is roots on the beat.
    keys = ["C", "Db", "D", "Eb", "E", "F", "F#", "G", "Ab", "A", "Bb", "B"]
    rng = np.random.default_rng(5)
    want: Counter[str] = Counter()
    hit: Counter[str] = Counter()
    false: Counter[str] = Counter()
    for k in range(36):
        bpm = float(rng.choice([60, 100, 140, 180]))
        form = ["quick_change_12", "slow_change_12", "minor_12"][k % 3]
        data = {"key": keys[k % 12], "form": form, "tempo_bpm": bpm, "swing_ratio": 1.0}
        chart = expand(session_from_dict({**data, "chorus": [{"role": "verse", "times": 3}]}))
        rows: list[Row] = []
        truth: list[tuple[str, float]] = []
        pushed = False
        for bar, after in zip(chart.bars[:-1], chart.bars[1:], strict=True):
            here, there = bar.chords[0].root_pc, after.chords[0].root_pc
            root, coming = 40.0 + (here - 40) % 12, 40.0 + (there - 40) % 12
            name, plant = "none", []
            if here != there:
                name = str(rng.choice(list(_PLANTS)))
                if name == "scale_descent" and after.chords[0].third != 4:
                    name = "none"  # defined on the target's major or mixolydian scale (metrics §8)
                plant = [(at, coming + step) for at, step in _PLANTS[name][int(rng.integers(len(_PLANTS[name])))]]
                if name != "none":
                    truth.append((name, bar.end_beats - plant[0][0]))
            first = 4.0 - plant[0][0] if plant else 4.0
            beats = [b for b in (0.0, 1.0, 2.0, 3.0) if b < first and not (b == 0.0 and pushed)]
            # Beat 1 is where the plant before lands; the roots after it keep clear, an octave below.
            rows += [(bar.onset_beats + b, root - (12.0 if b > 0.0 and plant else 0.0), 0.5) for b in beats]
            rows += [(bar.end_beats - at, pitch, 0.11 if name == "slide_in" else 0.4) for at, pitch in plant]
            pushed = name == "push"
        watched = set(_PLANTS) - {"none"}
        left = [d for d in found_in(chart, rows, jitter_beats=0.005 * bpm / 60.0, seed=k) if d.name in watched]
        for name, at in truth:
            want[name] += 1
            match = next((d for d in left if d.name == name and abs(d.at_beats - at) < 0.2), None)
            if match is not None:
                hit[name] += 1
                left.remove(match)
        false.update(d.name for d in left)
    for name in sorted(set(_PLANTS) - {"none"}):
        assert want[name] >= 80
        assert hit[name] >= 0.95 * want[name], (name, want, hit)
        assert hit[name] >= 0.95 * (hit[name] + false[name]), (name, hit, false)
