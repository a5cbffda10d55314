"""What stands in a written line beyond what was asked for: approaches, descents, turnarounds, bars of root shuffle.

A lead-in note a semitone from the next root is a chromatic approach whether it was planned or not, and a line that
claims its devices claims those too. Definitions: the project's own; each change of root is looked at once.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from itertools import groupby, pairwise
from typing import Protocol

from trainer.line.score import Claim
from trainer.session import BEATS_PER_BAR, Chart, ChartBar

__all__ = ["BAR_FILLERS", "standing_claims"]

NEAR = 1e-6
MAX_STEPS = 4  # semitone steps of an approach
MIN_DESCENT = 3  # notes of a descent above its root; our choice
ROOT_NOTES = 6  # of a bar of root shuffle; our choice
_SCALES = ((0, 2, 4, 5, 7, 9, 11, 12), (0, 2, 4, 5, 7, 9, 10, 12))
BAR_FILLERS = (
    "root_shuffle",
    "pentatonic_riff",
    "walking_line",
    "octave_shift",
    "doubled_notes",
    "box_figure",
    "boogie_figure",
)


class _Note(Protocol):
    @property
    def onset_beats(self) -> float: ...
    @property
    def pitch(self) -> int: ...
    @property
    def kind(self) -> str: ...


def standing_claims(chart: Chart, notes: Sequence[_Note], claims: Sequence[Claim]) -> tuple[Claim, ...]:
    """The claims with those added that the finished notes bear out, each once, in order of beat."""
    plain = [note for note in notes if note.kind != "grace"]
    out = [claim for claim in claims if claim.name not in ("chromatic_approach", "scale_descent")]
    out += _into_changes(chart, plain)
    turned = _turnarounds(chart, plain, out)
    out += turned
    taken = [(c.at_beats, c.at_beats + c.beats) for c in out if c.name in ("turnaround_figure", "pedal")]
    out += _root_shuffles(chart, plain, out)
    out = [c for c in out if c.name not in BAR_FILLERS or not any(a - NEAR <= c.at_beats < b - NEAR for a, b in taken)]
    return tuple(sorted(out, key=lambda claim: (claim.at_beats, claim.name)))


def _into_changes(chart: Chart, notes: Sequence[_Note]) -> list[Claim]:
    at = {round(note.onset_beats, 6): i for i, note in enumerate(notes)}
    out = []
    for before, after in pairwise(chart.spans):
        change = after.onset_beats
        i = at.get(round(change, 6))
        if before.chord.lowest_pc == after.chord.lowest_pc or i is None or notes[i].pitch % 12 != after.chord.lowest_pc:
            continue
        steps = _semitones(notes, i)
        if steps:
            start = notes[i - steps].onset_beats
            out.append(Claim("chromatic_approach", start, change - start))
        down = _scale_steps(notes, i) if after.chord.third == 4 else 0
        if down >= MIN_DESCENT:
            start = notes[i - down].onset_beats
            out.append(Claim("scale_descent", start, change - start))
    return out


def _near_before(notes: Sequence[_Note], i: int) -> bool:
    """Whether note i − 1 is there and no more than a beat before note i."""
    return i > 0 and notes[i].onset_beats - notes[i - 1].onset_beats <= 1.0 + NEAR


def _semitones(notes: Sequence[_Note], i: int) -> int:
    """How many semitone steps, one way, lead into note i: 0 to 4."""
    count, way = 0, 0
    while count < MAX_STEPS and _near_before(notes, i - count):
        step = notes[i - count].pitch - notes[i - count - 1].pitch
        if abs(step) != 1 or (way and step != way):
            break
        way = step
        count += 1
    return count


def _scale_steps(notes: Sequence[_Note], i: int) -> int:
    """How many notes come down the major or mixolydian scale, degree by degree, into its root, note i."""
    longest = 0
    for scale in _SCALES:
        count = 0
        while count + 1 < len(scale) and _near_before(notes, i - count):
            if notes[i - count - 1].pitch - notes[i].pitch != scale[count + 1]:
                break
            count += 1
        longest = max(longest, count)
    return longest


def _turnarounds(chart: Chart, notes: Sequence[_Note], claims: Sequence[Claim]) -> list[Claim]:
    """Last two bars that walk from the tonic to the five, or that take each of a written turnaround's roots."""
    known = {round(c.at_beats, 6) for c in claims if c.name == "turnaround_figure"}
    onsets = [note.onset_beats for note in notes]
    out = []
    for a, b in pairwise(chart.bars):
        pair = a.turnaround and b.turnaround and b.bar == a.bar + 1 and not (b.final or a.stopped or b.stopped)
        if not pair or round(a.onset_beats, 6) in known:
            continue
        several = len(a.chords) + len(b.chords) >= 3
        here = notes[bisect_left(onsets, a.onset_beats - NEAR) : bisect_left(onsets, b.end_beats)]
        if _roots_struck(here, a) and _roots_struck(here, b) if several else _walks(chart, here, a, b):
            out.append(Claim("turnaround_figure", a.onset_beats, 2.0 * BEATS_PER_BAR))
    return out


def _roots_struck(notes: Sequence[_Note], bar: ChartBar) -> bool:
    share = BEATS_PER_BAR / len(bar.chords)
    struck = {round(note.onset_beats, 6): note.pitch % 12 for note in notes}
    return all(struck.get(round(bar.onset_beats + i * share, 6)) == c.lowest_pc for i, c in enumerate(bar.chords))


def _walks(chart: Chart, notes: Sequence[_Note], a: ChartBar, b: ChartBar) -> bool:
    """From the tonic to the five by the two semitones below it (or round the one above), or down by ♭7 and 6."""
    tonic, five = chart.key.tonic_pc, (chart.key.tonic_pc + 7) % 12
    first = [n for n in notes if a.onset_beats - NEAR <= n.onset_beats < a.end_beats - NEAR]
    second = [n.pitch for n in notes if b.onset_beats - NEAR <= n.onset_beats < b.onset_beats + 1.0 + NEAR]
    if not first or abs(first[0].onset_beats - a.onset_beats) >= NEAR or first[0].pitch % 12 != tonic:
        return False
    arrive = next((k for k, pitch in enumerate(second) if pitch % 12 == five), None)
    if arrive is None or b.chords[0].lowest_pc != five:
        return False
    return _walks_to_its_end([*(n.pitch for n in first), *second[: arrive + 1]])


def _walks_to_its_end(pitches: list[int]) -> bool:
    """Whether a line, repeats aside, comes to its last note by the two semitones below it (or round the one above), or
    down by ♭7 and 6."""
    steps = [pitch for pitch, _ in groupby(pitches)]
    body = [pitch - steps[-1] for pitch in steps[:-1]]
    if len(body) < 3:
        return False
    if body[-1] == 1:
        body = body[:-1]
    return body[-2:] == [-2, -1] or body[-3:] in ([5, 3, 2], [-7, 3, 2])


def _root_shuffles(chart: Chart, notes: Sequence[_Note], claims: Sequence[Claim]) -> list[Claim]:
    """Bars all on one root, every beat struck, but for a free note on the last off-beat."""
    known = {round(c.at_beats, 6) for c in claims if c.name in BAR_FILLERS}
    by_bar: dict[int, list[_Note]] = {}
    for note in notes:
        by_bar.setdefault(int(chart.bar_idx_at(note.onset_beats + NEAR)), []).append(note)
    return [
        Claim("root_shuffle", bar.onset_beats, float(BEATS_PER_BAR))
        for bar in chart.bars
        if round(bar.onset_beats, 6) not in known and _is_root_shuffle(bar, by_bar.get(bar.idx, []))
    ]


def _is_root_shuffle(bar: ChartBar, row: list[_Note]) -> bool:
    if len(bar.chords) != 1 or bar.final or bar.stopped or not row or any(note.kind == "triplet" for note in row):
        return False
    root = bar.chords[0].lowest_pc
    free = row[-1].onset_beats > bar.end_beats - 1.0 + NEAR and row[-1].pitch % 12 != root
    body = row[:-1] if free else row
    beats = sum(note.kind == "on" for note in body)
    pitches = {note.pitch for note in body}
    return len(pitches) == 1 and pitches.pop() % 12 == root and beats == BEATS_PER_BAR and len(body) >= ROOT_NOTES
