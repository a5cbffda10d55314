"""Random takes with all that loses notes on paper: graces, slides, double stops, dead and ghost notes, octave slips,
pick-ups, five strings, and hammer-ons, pull-offs and slides that a bend alone shows."""

from __future__ import annotations

import warnings
from collections import Counter
from typing import Any

import numpy as np

from trainer.clock import TempoMap
from trainer.report.musicxml import musicxml
from trainer.report.written import written_take
from trainer.scoring.align import read_notes
from trainer.session import Chart, expand, session_from_dict
from trainer.take import Take, TakeHeader, notes_from_rows
from trainer.take.messages import settled_bends

__all__ = ["random_take", "read_back", "take_on_paper"]

KEYS = ("E", "A", "G", "Bb", "Db", "F#m", "Cm")


def random_take(seed: int) -> tuple[Chart, Take, Counter[str], Counter[int]]:
    """A take over a random session, how often each ornament is in it, and how often each pitch sounds."""
    rng = np.random.default_rng(seed)
    groove = str(rng.choice(["shuffle", "straight", "slow_twelve_eight", "two_beat"]))
    key = str(rng.choice(KEYS))
    chart = expand(
        session_from_dict(
            {
                "key": key,
                "groove": groove,
                "form": "minor_12" if key.endswith("m") else "quick_change_12",
                "swing_ratio": 1.0 if groove == "straight" else float(rng.choice([1.6, 2.0, 2.6])),
                "tempo_bpm": 60.0 if groove == "slow_twelve_eight" else float(rng.uniform(80, 170)),
                "start": str(rng.choice(["top", "from_the_turnaround"])),
                "ending": str(rng.choice(["plain", "tag", "ritard"])),
                "pickup_beats": float(rng.choice([0.0, 2.0])),
                "chorus": [{"role": "verse"}],
            }
        )
    )
    tempo = TempoMap(chart.tempo_segments)
    off = chart.swing_ratio / (1 + chart.swing_ratio)
    rows: list[tuple[float, float, float, int, int]] = []
    bends: list[tuple[float, int, float]] = []
    had: Counter[str] = Counter()
    sounds: Counter[int] = Counter()
    lowest = 23 if rng.random() < 0.3 else 28

    def put(beat: float, length: float, pitch: int, velocity: int = 90) -> None:
        on, end = (float(x) for x in tempo.seconds_at([beat, beat + length]))
        rows.append((on + float(rng.normal(0, 0.006)), max(end - on, 0.02), float(pitch), velocity, 0))
        sounds[pitch] += 1

    def put_bent(beat: float, pitch: int, kind: str) -> None:
        """A note of most of a beat that moves on half-way by a bend, on a channel of its own; a vibrato stays."""
        on, end = (float(x) for x in tempo.seconds_at([beat, beat + 0.9]))
        step = {"bent_hammer": 2, "bent_pull": -2, "bent_slide": 3, "vibrato": 0}[kind]
        half = (on + end) / 2
        if kind == "vibrato":
            bends.extend((on + 0.05 + k * 0.01, 1, 0.3 * float(np.sin(0.6 * k))) for k in range(12))
        elif kind == "bent_slide":
            bends.extend((half + 0.007 * (k - 5), 1, step * k / 10) for k in range(1, 11))
        else:
            bends.append((half, 1, float(step)))
        bends.append((end - 0.001, 1, 0.0))
        rows.append((on, end - on, float(pitch), 90, 1))
        sounds.update([pitch, pitch + step] if step else [pitch])

    bent_kinds = ("bent_hammer", "bent_pull", "bent_slide", "vibrato")
    first = chart.first_beats - (2.0 if rng.random() < 0.3 else 0.0)
    beat = first
    while beat < chart.end_beats + (4.0 if rng.random() < 0.2 else 0.0):
        if rng.random() < 0.12:
            kind = str(rng.choice(bent_kinds))
            had[kind] += 1
            put_bent(beat, int(rng.integers(31, 48)), kind)
            beat += 1.0
            continue
        places = (0.0,) if rng.random() < 0.4 else (0.0, 1 / 3, 2 / 3) if rng.random() < 0.2 else (0.0, off)
        for place in places:
            pitch = int(rng.integers(lowest, 50))
            kind = str(rng.choice(["plain"] * 10 + ["grace", "slide", "stop", "dead", "slip", "hammer", "flam"]))
            had[kind] += 1
            at = beat + place
            if kind == "grace":
                put(at - 0.09, 0.07, pitch - 1, 70)
            elif kind == "slide":
                put(at - 0.12, 0.12, pitch - 2, 74)
            elif kind == "stop":
                put(at + 0.004, 0.3, pitch + 7)
            elif kind == "dead":
                put(at, 0.04, pitch, 30)
                continue
            elif kind == "slip":
                pitch = int(rng.choice([22, 67, 68, 72]))
            elif kind == "hammer":
                put(at - 0.2, 0.24, pitch - 2)
            elif kind == "flam":
                put(at - 0.05, 0.03, pitch)
            put(at, 0.28, pitch)
        beat += 1.0
    notes = notes_from_rows(sorted(rows))
    line, mine = np.array(bends).reshape(-1, 3), notes["channel"] == 1
    onset_s = notes["onset_s"][mine]
    notes["pitch"][mine] += settled_bends(line[:, 0], line[:, 2], onset_s, onset_s + notes["duration_s"][mine])
    header = TakeHeader(extra={"bends": bends})
    return chart, Take(notes=notes, tempo=tempo, session=chart.session, header=header), had, sounds


def read_back(document: bytes) -> Counter[int]:
    """How often each pitch sounds, as `music21` reads the first staff: chords and graces included, ties once."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from music21 import converter

        score: Any = converter.parseData(document.decode(), format="musicxml")
        staff = score.parts[0].toSoundingPitch().stripTies().flatten()
        return Counter(
            int(pitch.midi) for note in staff.notes if "Harmony" not in note.classes for pitch in note.pitches
        )


def take_on_paper(seed: int) -> tuple[Counter[int], Counter[int], Counter[str]]:
    """Pitches that sounded, pitches on paper, and the ornaments that were in it."""
    chart, take, had, sounds = random_take(seed)
    written = written_take(read_notes(take, chart), chart)
    return sounds, read_back(musicxml(written)), had
