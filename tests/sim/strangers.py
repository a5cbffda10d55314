"""Players of another kind than those of `players.py`: nobody here is lost, and most do what no line of ours does.

Each kind is a function of a chart and a random generator that gives rows (onset in beats, length in beats, pitch,
velocity). `TUNING` served while the ears were made. `JUDGING` was there to count; but the price of a late chord and the
rule for half bars were set after `halting` and `sharp_four` of it had been seen. Time is `timed`: a swing of the
player's own, and noise of which most wanders on every scale (1/f; Gilden, Thornton & Mallon 1995), so that nobody sits
on a grid. The ways of playing are common practice; their shares are our choice.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterable

import numpy as np

from trainer.clock.tempo import TempoMap
from trainer.music import Chord
from trainer.session import Chart, expand, session_from_dict
from trainer.take import Take, TakeHeader, notes_from_rows

Row = tuple[float, float, float, float]
Kind = Callable[[Chart, np.random.Generator], list[Row]]

FORMS = ("quick_change_12", "slow_change_12", "eight_bar", "sixteen_bar", "two_five_12", "minor_12")
KEYS = ("E", "A", "G", "C", "D", "Bb", "F", "B", "Am", "Em", "Dm", "Cm")
BLUES = (0, 3, 5, 6, 7, 10)


def chart_for(rng: np.random.Generator, forms: Iterable[str] = FORMS, choruses: int = 5, **more: object) -> Chart:
    key = str(rng.choice(KEYS))
    data = {"key": key, "form": str(rng.choice(list(forms))), "tempo_bpm": int(rng.integers(60, 190)), **more}
    return expand(session_from_dict({**data, "chorus": [{"role": "verse", "times": choruses}]}))


# --- the chords under the hand -----


def slots(chart: Chart) -> list[tuple[float, Chord, Chord]]:
    """(beat, its chord, the chord of the beat after) of every beat before the last bar."""
    chords = [(bar.onset_beats + k, bar.chords[k * len(bar.chords) // 4]) for bar in chart.bars for k in range(4)]
    last = chart.bars[-1].onset_beats
    return [(t, here, after) for (t, here), (_, after) in itertools.pairwise(chords) if t < last]


def low(pc: int, floor: int = 28) -> int:
    return floor + (pc - floor) % 12


def near(pc: int, pitch: float, bottom: int = 28, top: int = 55) -> int:
    """The pitch of a class nearest to another, on the bass."""
    return min((p for p in range(bottom, top + 1) if p % 12 == pc % 12), key=lambda p: abs(p - pitch))


def end(chart: Chart) -> Row:
    bar = chart.bars[-1]
    return bar.onset_beats, 3.5, low(bar.chords[0].root_pc), 90.0


def chord_scale(chord: Chord) -> list[int]:
    steps = (0, 2, 3, 5, 7, 9, 10) if chord.is_minor else (0, 2, 4, 5, 7, 9, 10)
    return [(chord.root_pc + s) % 12 for s in steps]


# --- lines that keep to the chords -----

_RHYTHMS = ((0, 1, 2, 3), (0, 0.5, 1, 1.5, 2, 2.5, 3, 3.5), (0, 2), (0, 1.5, 2, 3.5), (0, 0.5, 1.5, 2, 3), (0,))


def roots(chart: Chart, rng: np.random.Generator, pick: Callable[[Chord, int], Chord] | None = None) -> list[Row]:
    """The root in one rhythm; `pick` may put another chord in place of a bar's."""
    rhythm = _RHYTHMS[int(rng.integers(len(_RHYTHMS)))]
    out = []
    for bar in chart.bars[:-1]:
        for at in rhythm:
            chord = bar.chords[int(at * len(bar.chords) // 4)]
            chord = pick(chord, bar.bar) if pick else chord
            out.append((bar.onset_beats + at, 0.45, float(low(chord.root_pc)), 88.0))
    return [*out, end(chart)]


def riffs(chart: Chart, rng: np.random.Generator) -> list[Row]:
    """A figure drawn at random from chord notes and sixths, the same over every chord."""
    places = sorted(rng.choice(8, int(rng.integers(4, 8)), replace=False) / 2.0)
    places[0] = 0.0
    steps = [0, *(int(s) for s in rng.choice((0, 3, 5, 7, 9, 10, 12), len(places) - 1))]
    out = []
    for bar in chart.bars[:-1]:
        for at, step in zip(places, steps, strict=True):
            chord = bar.chords[int(at * len(bar.chords) // 4)]
            out.append((bar.onset_beats + at, 0.4, float(low(chord.root_pc) + step), 88.0))
    return [*out, end(chart)]


def _walk(
    chart: Chart,
    rng: np.random.Generator,
    root_share: float = 0.85,
    swap: Callable[[int, Chord, Chord], Chord] | None = None,
) -> list[Row]:
    """Quarters that move by steps through each chord's scale and lead into the next by step or fifth.

    `swap(bar number, chord, next chord)` may put another chord in place of a bar's.
    """
    out: list[Row] = []
    pitch = 38.0
    bars = {bar.onset_beats: bar.bar for bar in chart.bars}
    number, new, held = 1, True, None
    line = slots(chart)
    if swap is not None:
        swapped = []
        for t, chord, after in line:
            number = bars.get(t, number)
            swapped.append((t, swap(number, chord, after)))
        line = [(t, a, b) for (t, a), (_, b) in itertools.pairwise([*swapped, (line[-1][0] + 1, line[-1][2])])]
    way = 1
    for t, chord, after in line:
        new, held = chord.root_pc != held or t % 4 == 0, chord.root_pc
        if new:
            pc = chord.root_pc if rng.random() < root_share else int(rng.choice(chord.pcs[1:3]))
            pitch = near(pc, pitch)
            way = 1 if pitch < 40 else -1 if pitch > 47 else int(rng.choice((-1, 1)))
        elif after.root_pc != chord.root_pc and rng.random() < 0.8:
            pitch = near(after.root_pc, pitch) + float(rng.choice((-1, 1, -2, 2, 7, -5)))
        else:
            scale = chord_scale(chord)
            steps = [p for p in range(26, 60) if p % 12 in scale and 0 < (p - pitch) * way <= 5]
            pitch = float(rng.choice(steps[:3] if way > 0 else steps[-3:])) if steps else float(near(scale[0], pitch))
        out.append((t, 0.9, float(pitch), 84.0 + 4.0 * (t % 2)))
        if rng.random() < 0.06:
            out.append((t + 0.5, 0.3, float(pitch), 70.0))
    return [*out, end(chart)]


def walker(chart: Chart, rng: np.random.Generator) -> list[Row]:
    return _walk(chart, rng)


def loose_walker(chart: Chart, rng: np.random.Generator) -> list[Row]:
    """Two roots in three, thirds and fifths else."""
    return _walk(chart, rng, 0.66)


def two_beat(chart: Chart, rng: np.random.Generator) -> list[Row]:
    """Root and fifth on 1 and 3, a walk up into some changes."""
    out = []
    for t, chord, after in slots(chart):
        if t % 2 == 0:
            pc = chord.root_pc if t % 4 == 0 else (chord.root_pc + 7) % 12
            out.append((t, 0.9, float(near(pc, 36)), 90.0))
        elif t % 4 == 3 and after.root_pc != chord.root_pc and rng.random() < 0.5:
            out.append((t, 0.8, float(near(after.root_pc, 36) + rng.choice((-2, -1, 2))), 80.0))
    return [*out, end(chart)]


# --- lines that do not, and are not lost -----


def _solo(
    chart: Chart, rng: np.random.Generator, scale_of: Callable[[Chord], list[int]], busy: float, floor: int = 40
) -> list[Row]:
    """Phrases of two to seven beats with rests between, moving mostly by scale step."""
    out: list[Row] = []
    t, last = float(rng.integers(0, 3)), chart.bars[-1].onset_beats
    line = slots(chart)
    at = 12
    while t < last - 1:
        stop = min(t + rng.uniform(2, 7), last - 1)
        while t < stop:
            scale = sorted(scale_of(line[int(t)][1]))
            ladder = [p for p in range(floor, floor + 22) if p % 12 in scale]
            at = int(np.clip(at + rng.choice((-2, -1, -1, 0, 1, 1, 2, 3, -3)), 0, len(ladder) - 1))
            step = float(rng.choice((0.5, 1.0, 1.5, 1 / 3), p=(busy, 0.85 - busy, 0.1, 0.05)))
            out.append((t, 0.8 * step, float(ladder[at]), float(rng.normal(88, 8))))
            t += step
        t = float(np.ceil(2 * (t + rng.uniform(0.5, 3))) / 2)
    return [*out, end(chart)]


def blues_scale(chart: Chart, rng: np.random.Generator) -> list[Row]:
    """One blues scale over all chords."""
    pcs = [(chart.key.tonic_pc + s) % 12 for s in BLUES]
    return _solo(chart, rng, lambda chord: pcs, 0.55)


def blues_licks(chart: Chart, rng: np.random.Generator) -> list[Row]:
    """Three licks of a bar from the tonic's blues scale, called and answered with a bar's rest now and then; each ends
    on the tonic or its fifth, wherever the chords are."""
    ladder = [low(chart.key.tonic_pc) + octave + s for octave in (12, 24) for s in BLUES]
    licks = []
    for _ in range(3):
        places = sorted(rng.choice(7, int(rng.integers(3, 6)), replace=False) / 2.0)
        at = np.clip(np.cumsum(rng.choice((-2, -1, 1, 1, 2), len(places))) + 5, 0, len(ladder) - 1)
        licks.append(
            [*zip(places, (ladder[k] for k in at[:-1]), strict=False), (places[-1], ladder[int(rng.choice((0, 4, 6)))])]
        )
    out = [
        (bar.onset_beats + place, 0.4, float(pitch), 92.0)
        for bar in chart.bars[:-1]
        if rng.random() < 0.8
        for place, pitch in licks[int(rng.integers(3))]
    ]
    return [*out, end(chart)]


def major_pentatonic(chart: Chart, rng: np.random.Generator) -> list[Row]:
    """The tonic's major (or minor) pentatonic over all chords."""
    steps = (0, 3, 5, 7, 10) if chart.form_chords[0][0].is_minor else (0, 2, 4, 7, 9)
    pcs = [(chart.key.tonic_pc + s) % 12 for s in steps]
    return _solo(chart, rng, lambda chord: pcs, 0.4)


def free_solo(chart: Chart, rng: np.random.Generator) -> list[Row]:
    """Each chord's scale with passing notes, landing on nothing in particular."""

    def of(chord: Chord) -> list[int]:
        return [*chord_scale(chord), *((chord.root_pc + int(s)) % 12 for s in rng.choice((1, 3, 6, 8, 11), 2))]

    return _solo(chart, rng, of, 0.6)


def chord_solo(chart: Chart, rng: np.random.Generator) -> list[Row]:
    """Mostly each chord's own notes."""
    return _solo(chart, rng, lambda chord: list(chord.pcs), 0.5, 36)


def one_riff(chart: Chart, rng: np.random.Generator) -> list[Row]:
    """A figure of the tonic's minor pentatonic that stays where it is over every chord."""
    places = sorted(rng.choice(8, int(rng.integers(3, 7)), replace=False) / 2.0)
    root = low(chart.key.tonic_pc)
    steps = [float(s) for s in rng.choice((0, 3, 5, 7, 10, 12), len(places))]
    rows = [
        (bar.onset_beats + at, 0.4, root + step, 88.0)
        for bar in chart.bars[:-1]
        for at, step in zip(places, steps, strict=True)
    ]
    return [*rows, end(chart)]


def guide_tones(chart: Chart, rng: np.random.Generator) -> list[Row]:
    """Thirds and sevenths on 1 and 3, led by the smallest step."""
    out, pitch = [], 47.0
    for t, chord, _ in slots(chart):
        if t % 2 == 0:
            steps = [s for s in (chord.third, chord.seventh or chord.third) if s is not None]
            options = [near(chord.root_pc + s, pitch, 36, 60) for s in steps]
            pitch = float(min(options, key=lambda p: abs(p - pitch))) if t % 4 == 0 else float(rng.choice(options))
            out.append((t, 1.8, pitch, 85.0))
    return [*out, end(chart)]


def fifths(chart: Chart, rng: np.random.Generator) -> list[Row]:
    """The fifth on 1, the root on 3."""
    out = []
    for t, chord, _ in slots(chart):
        if t % 2 == 0:
            out.append((t, 0.9, float(low(chord.root_pc + (7 if t % 4 == 0 else 0))), 88.0))
    return [*out, end(chart)]


def rests_on_one(chart: Chart, rng: np.random.Generator) -> list[Row]:
    """A riff that leaves beat 1 out: 3, 5 and 6 of the chord from beat 2 on."""
    steps = (
        ((1.0, 4), (1.5, 7), (2.0, 9), (3.0, 7)) if rng.random() < 0.5 else ((1.0, 7), (2.0, 10), (2.5, 7), (3.0, 4))
    )
    out = []
    for bar in chart.bars[:-1]:
        for at, step in steps:
            chord = bar.chords[int(at * len(bar.chords) // 4)]
            step = 3 if step == 4 and chord.is_minor else step
            out.append((bar.onset_beats + at, 0.4, float(low(chord.root_pc) + step), 86.0))
    return [*out, end(chart)]


# --- pedals, substitutions, the coming chord early -----


def _over(rows: list[Row], first: float, last: float, new: list[Row]) -> list[Row]:
    return [row for row in rows if not first - 0.2 <= row[0] < last - 0.2] + new


def sparse_pedal(chart: Chart, rng: np.random.Generator) -> list[Row]:
    """The tonic once or twice a bar under the first four bars of some choruses, a walk else."""
    rows = _walk(chart, rng)
    pitch = float(low(chart.key.tonic_pc))
    each = float(rng.choice((2.0, 4.0)))
    for bar in chart.bars[:-1]:
        if bar.bar == 1 and rng.random() < 0.6:
            at = bar.onset_beats
            rows = _over(rows, at, at + 16, [(at + k, 0.9, pitch, 88.0) for k in np.arange(0, 16, each)])
    return rows


def five_pedal(chart: Chart, rng: np.random.Generator) -> list[Row]:
    """The fifth of the key in eighths under the last four bars of some choruses, roots else."""
    rows = roots(chart, rng)
    pitch = float(low(chart.key.tonic_pc + 7))
    n = len(chart.form_chords)
    for bar in chart.bars[:-1]:
        if bar.bar == n - 3 and rng.random() < 0.6 and bar.onset_beats + 16 <= chart.bars[-1].onset_beats:
            at = bar.onset_beats
            rows = _over(rows, at, at + 16, [(at + k, 0.4, pitch, 88.0) for k in np.arange(0, 16, 0.5)])
    return rows


def scale_down(chart: Chart, rng: np.random.Generator) -> list[Row]:
    """Roots, and through the whole bar before most changes the coming chord's scale walked down into it."""
    rows = roots(chart, rng) if rng.random() < 0.5 else _walk(chart, rng)
    for bar, after in itertools.pairwise(chart.bars[:-1]):
        coming = after.chords[0]
        if bar.chords[-1].root_pc != coming.root_pc and len(bar.chords) == 1 and rng.random() < 0.7:
            top = low(coming.root_pc) + 12
            steps = (0, -2, -3, -5) if rng.random() < 0.5 else (0, -2, -3, -5, -7, -8, -9, -10)
            new = [(bar.onset_beats + k * 4 / len(steps), 0.4, float(top + s), 85.0) for k, s in enumerate(steps)]
            rows = _over(rows, bar.onset_beats, bar.onset_beats + 4, new)
    return rows


def tritone(chart: Chart, rng: np.random.Generator) -> list[Row]:
    """A walk with a tritone in place of fives, and of the I before the IV."""
    tonic = chart.key.tonic_pc
    share = float(rng.uniform(0.4, 1.0))

    def swap(number: int, chord: Chord, after: Chord) -> Chord:
        five = (chord.root_pc - tonic) % 12 == 7
        before_four = number == 4 and chord.root_pc == tonic
        if (five or before_four) and (number * 7919 + chord.root_pc) % 10 < 10 * share:
            return Chord("", (chord.root_pc + 6) % 12, "7")
        return chord

    return _walk(chart, rng, 0.9, swap)


def sharp_four(chart: Chart, rng: np.random.Generator) -> list[Row]:
    """♯iv° in the second bar of the IV (bar 6), a walk else."""
    dim = Chord("", (chart.key.tonic_pc + 6) % 12, "dim7")
    return _walk(chart, rng, 0.9, lambda number, chord, after: dim if number == 6 else chord)


def one_in_the_turnaround(chart: Chart, rng: np.random.Generator) -> list[Row]:
    """The tonic's root through the last two bars, whatever is written; roots else."""
    n, one = len(chart.form_chords), chart.form_chords[0][0]
    return roots(chart, rng, lambda chord, number: one if number >= n - 1 else chord)


def takes_the_quick_change(chart: Chart, rng: np.random.Generator) -> list[Row]:
    """The IV in bar 2, where the session stays on the I."""
    tonic, minor = chart.key.tonic_pc, chart.form_chords[0][0].is_minor
    four = Chord("", (tonic + 5) % 12, "m7" if minor else "7")
    if rng.random() < 0.5:
        return roots(chart, rng, lambda chord, number: four if number == 2 else chord)
    return _walk(chart, rng, 0.9, lambda number, chord, after: four if number == 2 else chord)


# --- who leaves out, who stumbles -----


def lays_out(chart: Chart, rng: np.random.Generator) -> list[Row]:
    """A walk with a chorus or trades of four bars left out."""
    rows = _walk(chart, rng) if rng.random() < 0.5 else riffs(chart, rng)
    n = 4.0 * len(chart.form_chords)
    if rng.random() < 0.5:
        return _over(rows, n * int(rng.integers(1, 4)), n * 4, [])
    return [row for row in rows if (row[0] + 0.2) % 32 < 16]


def halting(chart: Chart, rng: np.random.Generator) -> list[Row]:
    """A beginner: roots that come a beat or two after the change, notes that miss, stops to find the place."""
    out: list[Row] = []
    late, before = 0.0, -1
    for t, chord, _ in slots(chart):
        if chord.root_pc != before:
            late, before, old = float(rng.choice((0, 0, 1, 1, 2))), chord.root_pc, before
        if rng.random() < 0.12:
            continue
        pc = old if late > 0 and old >= 0 else chord.root_pc
        late -= 1.0
        wrong = rng.choice((-2, -1, 1, 2)) if rng.random() < 0.05 else 0
        out.append((t + rng.normal(0, 0.05), 0.6, float(low(pc) + wrong), 80.0))
    return [*out, end(chart)]


def pushes(chart: Chart, rng: np.random.Generator, tied: bool, share: float = 0.85) -> list[Row]:
    """Roots pushed into the changes on the off-beat before, held over or short; a shuffle else."""
    changes = {t + 1 for t, chord, after in slots(chart) if chord.root_pc != after.root_pc}
    early = {t for t in changes if rng.random() < share}
    out: list[Row] = []
    for t, chord, after in slots(chart):
        if t not in early:
            out.append((t, 0.4, float(low(chord.root_pc)), 88.0))
        if t + 1 in early:
            out.append((t + 0.5, 0.9 if tied else 0.25, float(low(after.root_pc)), 90.0))
        elif rng.random() < 0.8:
            out.append((t + 0.5, 0.25, float(low(chord.root_pc)), 82.0))
    return [*out, end(chart)]


def pushes_tied(chart: Chart, rng: np.random.Generator) -> list[Row]:
    return pushes(chart, rng, True)


def pushes_short(chart: Chart, rng: np.random.Generator) -> list[Row]:
    return pushes(chart, rng, False)


def eighth_early(chart: Chart, rng: np.random.Generator) -> list[Row]:
    """A line of roots and fifths in straight eighths, all of it an eighth before where it is written."""
    out: list[Row] = []
    for t, chord, _ in slots(chart):
        out.append((t - 0.5, 0.4, float(low(chord.root_pc)), 88.0))
        out.append((t, 0.4, float(low(chord.root_pc) + 7 * (rng.random() < 0.5)), 84.0))
    return [*(row for row in out if row[0] >= 0), end(chart)]


# --- the hand: flams, dead notes, double stops, rakes -----


def flams(rows: list[Row], rng: np.random.Generator, share: float = 0.15, beats: float = 0.06) -> list[Row]:
    """The same note struck twice, the first softly, on a share of the on-beats."""
    out = list(rows)
    for at, _, pitch, velocity in rows:
        if abs(at - round(at)) < 1e-6 and rng.random() < share:
            out.append((at - beats * rng.uniform(0.5, 1.0), 0.04, pitch, 0.6 * velocity))
    return sorted(out)


def dead_notes(rows: list[Row], rng: np.random.Generator, share: float = 0.15) -> list[Row]:
    """Muffled strokes on free off-beats: short, soft, of no pitch that means anything."""
    taken = {round(2 * row[0]) for row in rows}
    out = list(rows)
    for at, _, pitch, velocity in rows:
        half = round(2 * at) + 1
        if abs(at - round(at)) < 1e-6 and half not in taken and rng.random() < share:
            out.append((half / 2, 0.06, pitch + float(rng.choice((0, 0, -2, 5, 7))), 0.5 * velocity))
    return sorted(out)


def double_stops(rows: list[Row], rng: np.random.Generator, share: float = 0.2) -> list[Row]:
    """A fifth, third or octave struck with the note."""
    more = [(at + 0.002, d, p + float(rng.choice((4, 7, 12))), v - 4) for at, d, p, v in rows if rng.random() < share]
    return sorted([*rows, *more])


def rakes(rows: list[Row], rng: np.random.Generator, share: float = 0.1) -> list[Row]:
    """Two muffled strings raked into an on-beat."""
    out = list(rows)
    for at, _, pitch, _ in rows:
        if abs(at - round(at)) < 1e-6 and rng.random() < share:
            out += [(at - 0.12, 0.04, pitch - 10, 45.0), (at - 0.06, 0.04, pitch - 5, 52.0)]
    return sorted(out)


def busy_hand(chart: Chart, rng: np.random.Generator) -> list[Row]:
    """A riff or a walk with everything the hand adds."""
    rows = riffs(chart, rng) if rng.random() < 0.5 else _walk(chart, rng)
    return rakes(double_stops(dead_notes(flams(rows, rng, 0.1), rng, 0.1), rng, 0.1), rng, 0.05)


TUNING: dict[str, Kind] = {
    "roots": roots,
    "riffs": riffs,
    "walker": walker,
    "blues_scale": blues_scale,
    "free_solo": free_solo,
    "scale_down": scale_down,
    "sparse_pedal": sparse_pedal,
    "tritone": tritone,
    "takes_the_quick_change": takes_the_quick_change,
    "pushes_tied": pushes_tied,
    "lays_out": lays_out,
}
JUDGING: dict[str, Kind] = {
    "two_beat": two_beat,
    "loose_walker": loose_walker,
    "major_pentatonic": major_pentatonic,
    "chord_solo": chord_solo,
    "blues_licks": blues_licks,
    "one_riff": one_riff,
    "guide_tones": guide_tones,
    "fifths": fifths,
    "rests_on_one": rests_on_one,
    "five_pedal": five_pedal,
    "sharp_four": sharp_four,
    "one_in_the_turnaround": one_in_the_turnaround,
    "pushes_short": pushes_short,
    "halting": halting,
    "busy_hand": busy_hand,
}
# What some ask of the form.
_FORMS_OF: dict[str, tuple[str, ...]] = {
    "takes_the_quick_change": ("slow_change_12",),
    "sharp_four": ("quick_change_12", "slow_change_12"),
    "tritone": ("quick_change_12", "slow_change_12", "eight_bar"),
}


# --- time -----


def pink(rng: np.random.Generator, n: int) -> np.ndarray:
    """Noise with a 1/f spectrum, of unit spread: (n,)."""
    if n < 2:
        return np.zeros(n)
    freq = np.fft.rfftfreq(n)
    shape = np.zeros(len(freq))
    shape[1:] = 1.0 / np.sqrt(freq[1:])
    out = np.fft.irfft(shape * (rng.standard_normal(len(freq)) + 1j * rng.standard_normal(len(freq))), n)
    spread = float(out.std())
    return out / spread if spread > 0 else out


def played(
    kind: str, seed: int, choruses: int = 5, kinds: dict[str, Kind] | None = None, forms: Iterable[str] | None = None
) -> tuple[Chart, list[Row]]:
    """A chart and what a player of a kind plays over it, on the grid with even eighths."""
    rng = np.random.default_rng(seed)
    chart = chart_for(rng, forms or _FORMS_OF.get(kind, FORMS), choruses)
    return chart, sorted((kinds or {**TUNING, **JUDGING})[kind](chart, rng))


def timed(rows: list[Row], rng: np.random.Generator, ratio: float, spread_beats: float = 0.02) -> list[Row]:
    """Rows with eighths swung by a ratio and with human time, 60 % of its variance 1/f."""
    rows = sorted(rows)
    noise = spread_beats * (0.78 * pink(rng, len(rows)) + 0.63 * rng.standard_normal(len(rows)))
    off = ratio / (1.0 + ratio)
    out = []
    for (at, length, pitch, velocity), late in zip(rows, noise, strict=True):
        whole = np.floor(at + 1e-9)
        phase = at - whole
        warped = 2 * off * phase if phase < 0.5 else off + 2 * (1 - off) * (phase - 0.5)
        thirds = min(abs(phase - 1 / 3), abs(phase - 2 / 3)) < 0.01
        out.append((float(whole + (phase if thirds else warped) + late), length, pitch, velocity))
    return sorted(out)


def take_of(chart: Chart, rows: list[Row], header: TakeHeader | None = None, late_s: float = 0.0) -> Take:
    """A take of rows on the beat axis, all of it `late_s` late."""
    tempo = TempoMap(chart.tempo_segments)
    at = np.array([row[0] for row in rows])
    start, stop = tempo.seconds_at(at), tempo.seconds_at(at + [row[1] for row in rows])
    table = [
        (float(a) + late_s, float(b - a), row[2], int(np.clip(row[3], 1, 127)))
        for a, b, row in zip(start, stop, rows, strict=True)
    ]
    return Take(notes_from_rows(table), tempo, chart.session, header=header or TakeHeader())
