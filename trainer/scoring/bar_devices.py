"""Figures that fill a bar of one chord: an ordered table of rules, each to be read alone, on a small view of the bar.

A bar is read on eight slots of half a beat (the off-beat where the swing puts it); intervals count from the chord's
root (or its written bass note). The definitions are common practice. The first of `RULES` that holds names
the bar.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from trainer.music import Chord
from trainer.session import ChartBar

__all__ = ["BAR_SLOTS", "RULES", "BarNotes", "bar_device", "walking_shape"]

BAR_SLOTS = 8
_BEATS = (0, 2, 4, 6)  # slots of the beats
_LAST = BAR_SLOTS - 1
_MINOR_PENTATONIC = frozenset((0, 3, 5, 7, 10))
_MAJOR_PENTATONIC = frozenset((0, 2, 4, 7, 9))
_LEADS_IN = frozenset((0, 1, 2, 5, 7, 10, 11))  # a step, fourth, fifth or octave away, in any register


@dataclass(slots=True)
class BarNotes:
    """One bar as played: pitch per slot (None: no attack), triplet beats, and whether a grace leads out of it."""

    bar: ChartBar
    slots: list[int | None]
    triplets: list[int]
    n_other: int = 0
    grace_in: bool = False

    @property
    def row(self) -> list[tuple[int, int]]:
        return [(slot, pitch) for slot, pitch in enumerate(self.slots) if pitch is not None]

    @property
    def chord(self) -> Chord:
        return self.bar.chords[0]


@dataclass(frozen=True, slots=True)
class _View:
    """A bar as its figure is read: a root that the bar before pushed across the line stands on beat 1.

    `to` is the pitch on the next bar's beat 1; `pushes` says that the bar's last note is the next bar's root, early;
    `covered` that a long lead into the next change takes up the bar.
    """

    slots: dict[int, int]
    chord: Chord
    to: int | None
    pushes: bool
    covered: bool
    grace_in: bool

    @property
    def pitches(self) -> list[int]:
        return list(self.slots.values())

    @property
    def steps(self) -> list[int]:
        root = self.chord.lowest_pc
        return [(pitch - root) % 12 for pitch in self.slots.values()]

    @property
    def above_lowest(self) -> set[int]:
        low = min(self.pitches)
        return {pitch - low for pitch in self.pitches}

    @property
    def on_beats(self) -> bool:
        return all(slot in self.slots for slot in _BEATS)

    @property
    def n_off(self) -> int:
        return sum(slot % 2 for slot in self.slots)

    def without_last(self, *, unless: int) -> list[int]:
        """The pitches, less a note on the last off-beat that already leads on (any but the pitch `unless`)."""
        pitches = self.pitches
        leads_on = _LAST in self.slots and pitches[-1] != unless
        return pitches[:-1] if leads_on else pitches


def _root_shuffle(v: _View) -> bool:
    """One root on every beat, shuffled; the last off-beat is free."""
    body = v.without_last(unless=v.pitches[-2])
    only_root = {pitch % 12 for pitch in body} == {v.chord.lowest_pc} and len(set(body)) == 1
    return only_root and v.on_beats and len(v.slots) >= 6 and not v.pushes


def _octave_shift(v: _View) -> bool:
    """Nothing but roots, in two octaves; the last off-beat is free."""
    root = v.chord.lowest_pc
    body = v.pitches if v.pitches[-1] % 12 == root else v.without_last(unless=-1)
    return {pitch % 12 for pitch in body} == {root} and len(body) >= 4 and len(set(body)) >= 2


def _doubled_notes(v: _View) -> bool:
    """Eight notes, each twice, of at least three."""
    paired = len(v.slots) == BAR_SLOTS and all(v.slots[slot] == v.slots[slot + 1] for slot in _BEATS)
    return paired and len(set(v.steps)) >= 3


def _box_figure(v: _View) -> bool:
    """1, 5, ♭7 and 8, the root lowest."""
    return v.above_lowest == {0, 7, 10, 12} and min(v.pitches) % 12 == v.chord.lowest_pc


def _boogie_figure(v: _View) -> bool:
    """1, 3, 5, 6 and ♭7 within an octave, from the root."""
    third = v.chord.third
    notes = third is not None and set(v.steps) == {0, third, 7, 9, 10}
    return notes and v.steps[0] == 0 and max(v.above_lowest) < 12


def _walking_line(v: _View) -> bool:
    """A walk that leads on into the next bar."""
    return _walks(v) and _leads_on(v)


def _walks(v: _View) -> bool:
    """Quarters from the root, moving; one off-beat may repeat its beat."""
    if v.covered or v.pushes or v.grace_in or not v.on_beats or v.n_off > 1 or _LAST in v.slots or v.steps[0]:
        return False
    moves = len(set(v.pitches)) >= 3 and v.slots[2] != v.slots[0]
    repeats = all(slot % 2 == 0 or pitch == v.slots[slot - 1] for slot, pitch in v.slots.items())
    return moves and repeats


def _leads_on(v: _View) -> bool:
    last = v.slots[6]
    return v.to is not None and last != v.to and (abs(v.to - last) <= 7 or (last - v.to) % 12 in _LEADS_IN)


def _pentatonic_riff(v: _View) -> bool:
    """Five notes or more with an off-beat, root among them, of the minor or the major pentatonic beyond the triad."""
    present = set(v.steps)
    if v.covered or v.pushes or v.grace_in or len(v.slots) < 5 or not v.n_off or len(present) < 3 or 0 not in present:
        return False
    own = {5, 10} if v.chord.is_minor else {3, 5, 10}
    minor = present <= _MINOR_PENTATONIC and bool(present & own)
    major = present <= _MAJOR_PENTATONIC and not v.chord.is_minor and bool(present & {2, 9})
    return minor or major


# In this order: the narrower rule first.
RULES: tuple[tuple[str, Callable[[_View], bool]], ...] = (
    ("root_shuffle", _root_shuffle),
    ("octave_shift", _octave_shift),
    ("doubled_notes", _doubled_notes),
    ("box_figure", _box_figure),
    ("boogie_figure", _boogie_figure),
    ("walking_line", _walking_line),
    ("pentatonic_riff", _pentatonic_riff),
)


def bar_device(bars: list[BarNotes], idx: int, *, covered: bool) -> str | None:
    """The name of the figure that fills bar `idx`, or None."""
    view = _view(bars, idx, covered=covered)
    return None if view is None else next((name for name, holds in RULES if holds(view)), None)


def walking_shape(bars: list[BarNotes], idx: int, *, covered: bool) -> tuple[int, ...] | None:
    """The steps over the root of a bar that walks, by which a pattern is known again; None for any other bar."""
    view = _view(bars, idx, covered=covered)
    return None if view is None or not _walks(view) else tuple(pitch - view.slots[0] for pitch in view.pitches)


def _view(bars: list[BarNotes], idx: int, *, covered: bool) -> _View | None:
    """Bar `idx` between its neighbours; None where it is not a row of eighths or quarters, four of them at least."""
    here = bars[idx]
    if here.triplets or here.n_other or len(here.row) < 4:
        return None
    before = bars[idx - 1] if idx else None
    ahead = bars[idx + 1] if idx + 1 < len(bars) else None
    slots = dict(here.row)
    pushed = before.slots[_LAST] if before is not None else None
    if 0 not in slots and pushed is not None and pushed % 12 == here.chord.lowest_pc:
        slots = {0: pushed, **slots}
    last = here.slots[_LAST]
    waits = ahead is not None and ahead.slots[0] is None
    pushes = ahead is not None and waits and last is not None and last % 12 == ahead.chord.lowest_pc
    to = ahead.slots[0] if ahead is not None else None
    return _View(slots, here.chord, to, pushes, covered, here.grace_in)
