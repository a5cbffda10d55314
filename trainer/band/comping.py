"""Chord parts: voicings that move as little as they can, and the rhythms they are played in.

Voicings keep above the bass (from A flat 3, MIDI 56, up) and leave the root out where the chord has a seventh: the
bass has it. Rhythms are common practice; their choice by intensity is ours.
"""

from __future__ import annotations

from functools import lru_cache
from itertools import product
from typing import NamedTuple

import numpy as np

from trainer.music import Chord
from trainer.music.grooves.model import Groove, Stroke

__all__ = [
    "CHOP_RANGE",
    "KEYS_RANGE",
    "Pair",
    "chop_rhythm",
    "keys_rhythm",
    "lead_voicings",
    "strum_s",
    "turnaround_pairs",
    "voicing_tones",
]

KEYS_RANGE = (56, 76)  # A♭3–E5: the bass goes to G3
CHOP_RANGE = (60, 81)  # C4–A5
STRUM_S = 0.003  # from string to string; our choice


class Pair(NamedTuple):
    """One or two strings of a guitar in a bar: beat, slot, length in beats, velocity at intensity 0.6, MIDI notes."""

    beat: int
    slot: str
    length_beats: float
    base: float
    pitches: tuple[int, ...]


def voicing_tones(chord: Chord, n_voices: int) -> tuple[int, ...]:
    """Pitch classes of a voicing of 3 or 4 notes: third and seventh first, then fifth, ninth or sixth, root last."""
    steps = chord.intervals
    colour = [s for s in steps if s in (1, 2, 3, 9) and s not in (chord.third, chord.seventh)]
    middle = [s for s in (chord.third if chord.third is not None else 5,) if s in steps]
    order = middle + ([chord.seventh] if chord.seventh is not None else [])
    order += colour if chord.seventh is not None else []
    order += [chord.fifth] if chord.fifth is not None else []
    order += colour if chord.seventh is None else []
    order += [0]
    chosen: list[int] = []
    for step in order:
        if step not in chosen:
            chosen.append(step)
    return tuple((chord.root_pc + step) % 12 for step in chosen[:n_voices])


@lru_cache(maxsize=4096)
def _nearest(pcs: tuple[int, ...], previous: tuple[int, ...], centre: float, low: int, high: int) -> tuple[int, ...]:
    """The spread of `pcs` in [low, high] that moves least from `previous`, drawn a little to `centre`."""
    choices = [[p for p in range(low, high + 1) if p % 12 == pc] for pc in pcs]
    best: tuple[float, tuple[int, ...]] | None = None
    for combo in product(*choices):
        notes = tuple(sorted(combo))
        if notes[-1] - notes[0] > 14 or len(set(notes)) < len(notes):
            continue
        cost = 0.6 * abs(sum(notes) / len(notes) - centre)
        if notes[1] - notes[0] == 1:
            cost += 1.0
        if len(previous) == len(notes):
            cost += sum(abs(a - b) for a, b in zip(notes, previous, strict=True))
        if best is None or (cost, notes) < best:
            best = (cost, notes)
    if best is None:
        raise ValueError(f"no voicing of {pcs} between {low} and {high}")
    return best[1]


def lead_voicings(chords: list[Chord], n_voices: int, centre: float, low: int, high: int) -> list[tuple[int, ...]]:
    """A voicing for each chord in order, each by nearest motion from the one before: sorted MIDI notes."""
    out: list[tuple[int, ...]] = []
    previous: tuple[int, ...] = ()
    for chord in chords:
        previous = _nearest(voicing_tones(chord, n_voices), previous, centre, low, high)
        out.append(previous)
    return out


def keys_rhythm(groove: Groove, role: str, intensity: float, bar: int, rng: np.random.Generator) -> list[Stroke]:
    """What the keys play in a bar; `rng` is the chorus's own, so that one rhythm is kept through it.

    A stroke of 4 beats is cut where the chord changes and struck again there. Thinner under a voice (verse, head).
    """
    drive = intensity - (0.12 if role != "solo" else 0.0)
    comping = groove.comping
    pick = int(rng.integers(len(comping.middle)))
    if drive < 0.3:
        # An organ's held chord does not die away.
        held = Stroke(0, "on", 4.0, 58.0 if groove.keys == "organ" else 74.0)
        return [held] if comping.sparse is None else list(comping.sparse)
    if drive < 0.62:
        strokes = [Stroke(beat, slot, comping.stab_beats, 74.0) for beat, slot in comping.middle[pick]]
        return strokes if bar % 4 else [*strokes[:-1], Stroke(2, "on", 2.0, 66.0)]
    if comping.full is not None:
        return list(comping.full)
    stabs = [Stroke(b, "off", comping.stab_beats, 76.0) for b in range(4)]
    return stabs if drive < 0.85 else [Stroke(0, "on", 4.0, 46.0), *stabs]


def chop_rhythm(groove: Groove, role: str, intensity: float) -> list[Stroke]:
    """What the chopped guitar plays in a bar: short chords on 2 and 4, more when full; silent when sparse."""
    drive = intensity - (0.1 if role != "solo" else 0.0)
    if drive < 0.2:
        return []
    strokes = [Stroke(1, "on", 0.18, 78.0), Stroke(3, "on", 0.18, 78.0)]
    if drive > 0.65:
        strokes += [Stroke(b, "off", 0.14, 56.0) for b in groove.comping.chop_beats]
    return strokes


def strum_s(n_strings: int, slot: str) -> list[float]:
    """How late each string of a strum is, lowest first, seconds round 0: down on the beat, up off it."""
    spread = [STRUM_S * (i - (n_strings - 1) / 2.0) for i in range(n_strings)]
    return spread if slot == "on" else spread[::-1]


def turnaround_pairs(tonic_pc: int, minor: bool) -> tuple[list[Pair], list[Pair]]:
    """A turnaround on two strings: over I the flat seventh goes down by semitones to the root of V under a held tonic.

    Strokes of the bar on I and of the bar on V, where they take beat 1. Common practice; it moves against a bass that
    walks up.
    """
    low, _ = CHOP_RANGE
    top = low + 7 + (tonic_pc - low - 7) % 12  # high enough for the third under it
    on_one = [Pair(0, "on", 0.45, 76.0, (top - (9 if minor else 8), top))]
    on_one += [Pair(beat, "on", 0.45, 74.0, (top - 1 - beat, top)) for beat in (1, 2, 3)]
    on_one += [Pair(beat, "off", 0.25, 56.0, (top,)) for beat in (1, 2, 3)]
    return on_one, [Pair(0, "on", 0.6, 80.0, (top - 5, top - 1))]
