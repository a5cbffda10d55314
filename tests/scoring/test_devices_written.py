"""Precision and recall of all fourteen devices on lines written here by their definitions.

Nothing of `trainer/line` is used. Whole songs are put together from bars and leads written out below, each known to be
one device or none, so the truth is complete by construction: what is found and not written is a false alarm. The
same songs are read as note tables with 8 ms of timing noise, and as MIDI files that LilyPond made.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

import mido
import numpy as np
import pytest

from tests.lily import lily_score
from trainer.scoring.devices import DEVICE_NAMES, find_notes
from trainer.session import Chart, expand, session_from_dict

_ = None
Slots = list[int | None]
KEYS = ("C", "Db", "D", "Eb", "E", "F", "Gb", "G", "Ab", "A", "Bb", "B")
# Bars in eighths, semitones above the chord's root.
FIGURES: dict[str, list[Slots]] = {
    "root_shuffle": [[0] * 8, [0, _, 0, 0, 0, 0, 0, _], [0, 0, 0, _, 0, 0, 0, 0], [0, 0, 0, 0, 0, _, 0, _]],
    "pentatonic_riff": [
        [0, 0, 3, 5, _, 3, 0, _], [0, _, 7, 10, 7, 5, 3, 0], [0, 2, 4, 7, _, 9, 7, _], [0, _, 0, 3, 5, _, 7, 5],
        [0, _, 4, _, 7, 9, 7, _], [0, _, 10, 7, 5, 7, _, _],
    ],
    "octave_shift": [[0, 12] * 4, [0, _, 12, _, 0, _, 12, _], [0, 0, 12, 12, 0, 0, 12, 12], [0, _, 0, 12, 0, _, 0, 12]],
    "doubled_notes": [[0, 0, 4, 4, 7, 7, 9, 9], [0, 0, 2, 2, 4, 4, 2, 2], [0, 0, 10, 10, 9, 9, 7, 7]],
    "box_figure": [[0, _, 7, _, 10, _, 12, _], [0, 0, 7, 7, 10, 12, 10, 7], [0, 7, 10, 12, _, 10, 7, 0]],
    "boogie_figure": [[0, 4, 7, 9, 10, 9, 7, 4], [0, _, 4, _, 7, 9, 10, 9], [0, 0, 4, 4, 7, 9, 10, 9]],
}  # fmt: skip
WALKS = [(0, 4, 7), (0, 2, 4), (0, 10, 9), (0, 7, 9), (0, 4, 2), (12, 9, 7)]
PLAIN: list[Slots] = [  # no device
    [0, _, _, _, 7, _, _, _], [0, _, _, _, 0, _, _, _], [0, _, 0, _, 7, _, 7, _], [0, _, _, 7, _, _, 0, _],
    [0, _, _, _, 4, _, 7, _], [0, _, _, _, _, _, _, _],
]  # fmt: skip
# (beats before the change, semitones above the coming root)
LEADS: dict[str, list[list[tuple[float, int]]]] = {
    "chromatic_approach": [
        [(3.0, -3), (2.0, -2), (1.0, -1)], [(2.0, 2), (1.0, 1)], [(1.0, -1)], [(1.0, 1)], [(1.0, -2), (0.5, -1)],
        [(2.0, 4), (1.5, 3), (1.0, 2), (0.5, 1)],
    ],
    "scale_descent": [
        [(3.0, 5), (2.0, 4), (1.0, 2)], [(2.0, 7), (1.5, 5), (1.0, 4), (0.5, 2)],
        [(1.5, 5), (1.0, 4), (0.5, 2)],
    ],
    "push": [[(0.5, 0)]],
    "slide_in": [[(0.12, -1)], [(0.12, -2)]],
    "none": [[(1.0, 7)], [(1.0, -2)], [(1.0, -5)], [(2.0, -2), (1.0, 3)], [(2.0, -1), (1.0, 4)], [(1.0, 4), (0.5, 2)]],
}  # fmt: skip
# Over bars 11 and 12, in quarters above the tonic; the five is reached in bar 12.
TURNS: list[tuple[int, ...]] = [
    (0, 4, 5, 6, 7, 7, 7, 7), (12, 10, 9, 8, 7, 7, 7, 7), (0, -2, -3, -4, -5, -5, -5, -5), (0, 4, 5, 6, 7, 7, 9, 7),
    (0, 0, 5, 6, 7, 7, 7, 7), (12, 12, 10, 9, 8, 7, 7, 7),
]  # fmt: skip


@dataclass
class Song:
    """Notes as (half-beat slots or beats from 0, pitch, beats) on the straight grid, and what is in them."""

    chart: Chart
    notes: list[tuple[float, int, float]] = field(default_factory=list)
    graces: list[tuple[float, int]] = field(default_factory=list)  # a grace note into (beat)
    truth: list[tuple[str, float]] = field(default_factory=list)


def low(pc: int, octave: int) -> int:
    return 31 + (pc - 31) % 12 + 12 * octave


def written_song(seed: int) -> Song:
    """Three choruses of twelve bars."""
    rng = np.random.default_rng(seed)
    bpm = float(rng.choice([60, 90, 120, 150, 180]))
    data = {
        "key": KEYS[seed % 12],
        "form": "quick_change_12" if seed % 2 else "slow_change_12",
        "tempo_bpm": bpm,
        "swing_ratio": float(rng.choice([1.0, 1.5, 2.0, 2.5])),
        "chorus": [{"role": "verse", "times": 3}],
        "pedal": [{"chorus": 3, "bars": [5, 6]}],
    }
    chart = expand(session_from_dict(data))
    song = Song(chart)
    octave = seed // 12 % 2
    tonic = low(chart.key.tonic_pc, octave)
    pushed = led = False
    skip = 0
    for bar, after in zip(chart.bars[:-1], chart.bars[1:], strict=True):
        if skip:
            skip -= 1
            continue
        at = bar.onset_beats
        root, coming = low(bar.chords[0].root_pc, octave), low(after.chords[0].root_pc, octave)
        change = root != coming and not after.pedal  # a pedal is no landing
        if bar.pedal or (bar.chorus == 2 and bar.bar == 9):  # planned; or the five held through the four, home on one
            pitch = tonic if bar.pedal else low((chart.key.tonic_pc + 7) % 12, octave)
            song.notes += [(at + k, pitch, 0.8) for k in range(8)]
            song.truth.append(("pedal", at))
            pushed, led, skip = False, False, 1
            continue
        if bar.bar == 11 and not pushed and bar.chorus < 3:
            if rng.random() < 0.6:
                turns = [turn for turn in TURNS if turn[0] == 0 or not led]  # a lead lands on the low root
                turn = turns[int(rng.integers(len(turns)))]
                song.notes += [(at + k, tonic + step, 0.8) for k, step in enumerate(turn)]
                song.truth.append(("turnaround_figure", at))
                steps = np.abs(np.diff(turn[:5]))[::-1]
                if turn[4] % 12 == 7 and steps[0] == 1:  # it comes to the five by semitones, on the change
                    song.truth.append(("chromatic_approach", at + 4.0 - int(np.argmax([*(steps != 1), True]))))
            else:
                five = low((chart.key.tonic_pc + 7) % 12, octave)
                song.notes += [(at + k, tonic, 0.8) for k in (0, 2)] + [(at + 4 + k, five, 0.8) for k in (0, 2)]
            led, skip = False, 1
            continue
        draw = rng.random()
        kinds = [*FIGURES, "walking_line", "triplet_figure"]
        if draw < 0.55 and not pushed and bar.bar < 11:
            name = kinds[int(rng.integers(len(kinds)))]
            if name == "walking_line" and after.pedal:
                name = "triplet_figure"
            if name == "triplet_figure":
                beat = int(rng.integers(1, 4))
                song.notes += [(at, root, 0.8)]
                song.notes += [(at + beat + k / 3, root + step, 0.25) for k, step in enumerate((0, 4, 7))]
                song.truth.append((name, at + beat))
            elif name == "walking_line":
                walks = [walk for walk in WALKS if walk[0] == 0 or not led]
                walk = walks[int(rng.integers(len(walks)))]
                last = coming + int(rng.choice([-2, -2, -1, -5]))
                if abs(last - (root + walk[2])) in (0, 1):
                    last = coming - 5
                song.notes += [(at + k, root + step, 0.8) for k, step in enumerate(walk)] + [(at + 3, last, 0.8)]
                song.truth.append((name, at))
                if last == coming - 1 and change:
                    song.truth.append(("chromatic_approach", at + 3.0))
            else:
                slots = FIGURES[name][int(rng.integers(len(FIGURES[name])))]
                while any(abs(root + step - coming) in (1, 2) for step in slots[-2:] if step is not None) and change:
                    name = list(FIGURES)[int(rng.integers(len(FIGURES)))]  # that one would lead on by a step
                    slots = FIGURES[name][int(rng.integers(len(FIGURES[name])))]
                song.notes += [(at + k / 2, root + step, 0.35) for k, step in enumerate(slots) if step is not None]
                song.truth.append((name, at))
            led = False
            continue
        slots = PLAIN[int(rng.integers(len(PLAIN)))]
        lead: list[tuple[float, int]] = []
        name = "none"
        if change:
            name = str(rng.choice(list(LEADS)))
            lead = LEADS[name][int(rng.integers(len(LEADS[name])))]
            if name == "push" and (after.chorus, after.bar) == (2, 9):  # the pedal there begins on the beat
                name, lead = "slide_in", LEADS["slide_in"][0]
            if root - coming == 7 and lead[0] == (3.0, 5):  # the root before would be a note of the descent
                lead = LEADS[name][1]
        first = 4.0 - lead[0][0] if lead else 4.0
        own = [(k / 2, step) for k, step in enumerate(slots) if step is not None and k / 2 < min(first, 3.0)]
        if pushed:
            own = [(beat, step) for beat, step in own if beat > 0.0]
        if lead:
            own = [(beat, step) for beat, step in own if beat == 0.0]
        song.notes += [(at + beat, root + step, 0.4) for beat, step in own]
        for before, step in lead:
            if name == "slide_in":
                song.graces.append((at + 4.0, coming + step))
            else:
                song.notes.append((at + 4.0 - before, coming + step, 0.9 if name == "push" else 0.4))
        pushed, led = name == "push", bool(lead)
        if name != "none":
            song.truth.append((name, at + first))
    song.notes.append((chart.bars[-1].onset_beats, tonic, 3.5))
    song.notes.sort()
    return song


def as_table(song: Song, seed: int) -> np.ndarray:
    """(onset, pitch, beats) rows, swung, with 8 ms of noise."""
    ratio, bpm = song.chart.swing_ratio, song.chart.session.tempo_bpm
    off = ratio / (1.0 + ratio)
    rows = []
    for at, pitch, beats in song.notes:
        phase = at % 1.0
        rows.append((at - phase + off if abs(phase - 0.5) < 1e-6 else at, pitch, beats))
    rows += [(at - 0.12, pitch, 0.11) for at, pitch in song.graces]
    table = np.array(rows)
    table[:, 0] += 0.008 * bpm / 60.0 * np.random.default_rng(seed).standard_normal(len(table))
    return table[np.argsort(table[:, 0])]


def as_lilypond(song: Song, place: Path, name: str) -> np.ndarray:
    """The same song engraved: (onset, pitch, beats) rows read with mido from the MIDI file that LilyPond made."""
    names = ("c", "df", "d", "ef", "e", "f", "gf", "g", "af", "a", "bf", "b")

    def pitch_name(pitch: int) -> str:
        octave = pitch // 12 - 4
        return names[pitch % 12] + ("'" * octave if octave > 0 else "," * -octave)

    graces = dict(song.graces)
    out: list[str] = []
    at = 0.0
    ends = [*(onset for onset, _pitch, _beats in song.notes[1:]), song.chart.end_beats]
    triplet: list[str] = []
    for (onset, pitch, _beats), end in zip(song.notes, ends, strict=True):
        third = round(3 * onset) % 3 and abs(3 * onset - round(3 * onset)) < 1e-6
        if third or abs(end - onset - 1 / 3) < 1e-6:
            triplet.append(pitch_name(pitch) + "8")
            at = onset + 1 / 3
            if len(triplet) == 3:
                out.append("\\tuplet 3/2 { " + " ".join(triplet) + " }")
                triplet = []
                out += [_rest(round(2 * (end - at)))] if end - at > 0.1 else []
            continue
        if onset in graces:
            out.append(f"\\grace {pitch_name(graces[onset])}32")
        length = min(round(2 * (end - onset)), 1 if round(2 * onset) % 2 else 2)
        held = round(2 * onset) % 2 == 1 and _beats > 0.8  # a push is held across the line
        if held:
            length = 2
        out.append(f"{pitch_name(pitch)}{'8~ ' + pitch_name(pitch) + '8' if held else {1: '8', 2: '4'}[length]}")
        rest = round(2 * (end - onset)) - length
        out += [_rest(rest)] if rest > 0 else []
    file = lily_score(" ".join(out), place, name, bpm=round(song.chart.session.tempo_bpm))
    rows: list[tuple[float, int, float]] = []
    midi = mido.MidiFile(file)
    for track in midi.tracks:
        ticks, sounding = 0, {}
        for message in track:
            ticks += message.time
            if message.type == "note_on" and message.velocity > 0:
                sounding[message.note] = ticks
            elif message.type in ("note_off", "note_on") and message.note in sounding:
                start = sounding.pop(message.note)
                rows.append((start / midi.ticks_per_beat, message.note, (ticks - start) / midi.ticks_per_beat))
    return np.array(sorted(rows), dtype=float)


def _rest(halves: int) -> str:
    return " ".join(["r8"] * halves)


def tally(songs: list[tuple[Song, np.ndarray]]) -> tuple[Counter[str], Counter[str], Counter[str]]:
    want: Counter[str] = Counter()
    hit: Counter[str] = Counter()
    false: Counter[str] = Counter()
    for song, table in songs:
        left = list(find_notes(song.chart, table[:, 0], table[:, 1], table[:, 2]))
        for name, at in song.truth:
            want[name] += 1
            match = next((d for d in left if d.name == name and abs(d.at_beats - at) < 0.3), None)
            if match is not None:
                hit[name] += 1
                left.remove(match)
        false.update(d.name for d in left)
    return want, hit, false


@pytest.fixture(scope="module")
def tables() -> tuple[Counter[str], Counter[str], Counter[str]]:
    songs = [written_song(seed) for seed in range(72)]
    return tally([(song, as_table(song, seed)) for seed, song in enumerate(songs)])


@pytest.fixture(scope="module")
def engraved(tmp_path_factory: pytest.TempPathFactory) -> tuple[Counter[str], Counter[str], Counter[str]]:
    place = tmp_path_factory.mktemp("engraved")
    straight = []
    seed = 0
    while len(straight) < 12:
        song = written_song(200 + seed)
        if song.chart.swing_ratio == 1.0:
            straight.append((song, as_lilypond(song, place, f"song{seed}")))
        seed += 1
    return tally(straight)


@pytest.mark.parametrize("name", DEVICE_NAMES)
def test_each_device_on_written_songs(name: str, tables: tuple[Counter[str], Counter[str], Counter[str]]) -> None:
    want, hit, false = tables
    assert want[name] >= 40
    assert hit[name] >= 0.95 * want[name], (hit[name], want[name])
    assert hit[name] >= 0.95 * (hit[name] + false[name]), (hit[name], false[name])


@pytest.mark.parametrize("name", DEVICE_NAMES)
def test_each_device_on_engraved_songs(name: str, engraved: tuple[Counter[str], Counter[str], Counter[str]]) -> None:
    want, hit, false = engraved
    assert want[name] >= 5
    assert hit[name] >= 0.95 * want[name], (hit[name], want[name])
    assert hit[name] >= 0.95 * (hit[name] + false[name]), (hit[name], false[name])
