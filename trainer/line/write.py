"""Writing a line over a chart, bar by bar, from patterns.

Each bar's plan names a device (or none) and the register of its roots. Among the device's variants the first is taken
whose notes lie on the instrument, whose leaps stay within an octave and whose last note leads into the next root; so a
line can be sung. Pure and seeded.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import Literal

import numpy as np

from trainer.clock.tempo import swing_offbeat_frac
from trainer.errors import UsageError, did_you_mean
from trainer.line.fingering import fingering
from trainer.line.patterns import FILLERS, PATTERNS, SLASH_FILLERS, Cell, cells, degree_semitones
from trainer.line.score import DEVICES, LINE_DTYPE, Claim, LineScore
from trainer.line.standing import BAR_FILLERS, standing_claims
from trainer.music import FOUR_STRING, Chord, Tuning
from trainer.session import BEATS_PER_BAR, Chart, ChartBar

__all__ = [
    "BarPlan",
    "clumsy_bars",
    "compose",
    "leads_in",
    "model_line",
    "pedal_plans",
    "pedal_spans",
    "register_low",
    "root_window",
    "turnaround_pairs",
    "turnaround_plans",
]

TOLERATED = 3  # faults that a written form is allowed when it was asked for: a wide leap; our choice
REACHES = (8, 9, 12)  # semitones to the note that leads on, the nearest that has one; common practice
IMPOSSIBLE = 1000  # as many faults as rule a variant out
GRACE_BEATS = 0.12  # a grace note's length: about a sixteenth of a slow beat, well under an off-beat; our choice
LEAD_WEIGHTS = ((1, 0.31), (-1, 0.34), (-2, 0.22), (-5, 0.10), (7, 0.03), (2, 0.08), (-7, 0.03), (5, 0.03))
# Weights of steps from the next root, so drawn that walking lines come out with the shares of approach notes counted in
# transcriptions: semitone above 26.8 %, below 21.0 %, whole step below 11.9 % (Riley & Dixon 2023, FiloBass).

# Sounding share of the time to the next note (common practice: long 60–90 %, short 40–80 %, walking 80–95 %).
GATE_QUARTER, GATE_LONG, GATE_SHORT, GATE_TRIPLET = 0.86, 0.78, 0.62, 0.72
LONGEST_BEATS = 3.6  # a held note stops before the bar's end
STOP_HIT_BEATS = 0.5  # a stop-time hit is cut short
TURNAROUND_BAR = "1 . 1 1 1 1 1 L"  # a bar of one chord in a turnaround of several chords
BACKBEAT_ACCENT = 6  # velocity of 2 and 4 above 1 and 3 (common practice +3…+12)

_PUSH = "n+0"  # the next root itself, before its bar
_INTO = ("chromatic_approach", "scale_descent", "push", "slide_in")
_NEEDS_FIFTH = ("pentatonic_riff", "box_figure", "boogie_figure", "doubled_notes", "triplet_figure")


@dataclass(frozen=True, slots=True)
class BarPlan:
    """What a bar holds. `low`: lowest pitch that a root may have (its register). `variant` picks a written form, else
    the seed does.

    `pedal_pc` replaces the chord's root (pedal); `part` is the place in a device of several bars, of `n_parts`.
    `pattern`: a bar written out (as in `figures`), in place of any device.
    `pinned`: the written form is kept wherever it can be played at all, even if another would lead on better.
    `loudness` is 0..1, as the band's intensity.
    """

    device: str | None
    low: int
    variant: int | None = None
    loudness: float = 0.5
    pedal_pc: int | None = None
    part: int = 0
    n_parts: int = 1
    line: str | None = None
    pinned: bool = False
    pattern: str | None = None


_Struck = Literal["on", "off", "triplet", "grace", "push", "hit", "final"]


@dataclass(slots=True)
class _Draft:
    onset_beats: float
    pitch: int
    kind: _Struck
    loudness: float


@dataclass(slots=True)
class _Setting:
    """What a pattern is resolved against."""

    onset_beats: float
    chord: Chord
    root: int
    next_root: int
    tonic: int
    prev: int | None


@dataclass(slots=True)
class _Page:
    chart: Chart
    tuning: Tuning
    off: float
    rng: np.random.Generator
    drafts: list[_Draft] = field(default_factory=list)
    claims: list[Claim] = field(default_factory=list)
    held: bool = False
    begun: int | None = None  # which pattern of two bars was begun in the first of them
    awaited: int | None = None  # the pitch that the bar before leads to note by note: the next bar must begin on it


def root_window(low: int, pitch_class: int) -> int:
    """The pitch of a pitch class in the octave that starts at `low`."""
    return low + (pitch_class - low) % 12


def leads_in(last: int, root: int) -> bool:
    """Whether a bar's last note leads into the next root: within a fifth, or a step, fourth, fifth or octave from it
    in any register."""
    return abs(last - root) <= 7 or (last - root) % 12 in (0, 1, 2, 5, 7, 10, 11)


def _drafted(chart: Chart, plans: Sequence[BarPlan], seed: int, tuning: Tuning) -> _Page:
    if len(plans) != len(chart.bars):
        raise ValueError(f"{len(plans)} bar plans for {len(chart.bars)} bars")
    page = _Page(chart, tuning, float(swing_offbeat_frac(chart.swing_ratio)), np.random.default_rng([seed, 0x11E]))
    _write_pickup(page, plans[0])
    for bar, plan in zip(chart.bars, plans, strict=True):
        _write_bar(page, bar, plan, plans)
    return page


def compose(
    chart: Chart,
    plans: Sequence[BarPlan],
    *,
    seed: int,
    tuning: Tuning = FOUR_STRING,
    position: int | None = None,
) -> LineScore:
    """The line of a plan, one `BarPlan` for each bar of the chart. Onsets carry the chart's swing exactly."""
    return _finish(_drafted(chart, plans, seed, tuning), position)


def clumsy_bars(chart: Chart, plans: Sequence[BarPlan], *, seed: int, tuning: Tuning = FOUR_STRING) -> int:
    """How many bars of a plan's line end without leading into the next, and how many leaps pass an octave."""
    drafts = _drafted(chart, plans, seed, tuning).drafts
    pitch = np.array([d.pitch for d in drafts])
    bar_idx = chart.bar_idx_at(np.array([d.onset_beats for d in drafts]) + 1e-9)
    last = np.flatnonzero(np.diff(bar_idx) > 0)
    stray = sum(not leads_in(int(pitch[i]), int(pitch[i + 1])) for i in last)
    return stray + int(np.sum(np.abs(np.diff(pitch)) > 12))


def _write_pickup(page: _Page, plan: BarPlan) -> None:
    """The session's pick-up: quarter notes that walk by semitones into the first root, in the count-in's last beats."""
    first = page.chart.bars[0]
    n = int(page.chart.session.pickup_beats)
    root = root_window(plan.low, first.chords[0].lowest_pc)
    step = -1 if root - n >= page.tuning.lowest else 1
    for k in range(n, 0, -1):
        page.drafts.append(_Draft(first.onset_beats - k, root + step * k, "on", plan.loudness))


def _write_bar(page: _Page, bar: ChartBar, plan: BarPlan, plans: Sequence[BarPlan]) -> None:
    if bar.final or bar.stopped:
        root = root_window(plan.low, bar.chords[0].lowest_pc)
        if not page.held:
            page.drafts.append(_Draft(bar.onset_beats, root, "final" if bar.final else "hit", plan.loudness))
        page.held, page.awaited = False, None
        return
    after = page.chart.bars[bar.idx + 1]
    next_root = _first_root(plans[after.idx], after)
    tonic = root_window(plan.low, page.chart.key.tonic_pc)
    line = plan.line or bar.line
    if plan.device == "turnaround_figure" and plan.pattern is not None and plan.part == 0:
        page.claims.append(Claim(plan.device, bar.onset_beats, float(BEATS_PER_BAR * plan.n_parts)))
    if len(bar.chords) > 1 and plan.pedal_pc is None:
        _write_shares(page, bar, plan, next_root, tonic, line)
        return
    setting = _Setting(bar.onset_beats, bar.chords[0], _first_root(plan, bar), next_root, tonic, _last(page))
    pattern, device = plan.pattern, None
    if pattern is None and plan.device is not None and _applies(plan.device, bar, after, plan):
        pattern, device = _pattern_of(page, plan, setting, plan.device), plan.device
    if pattern is None:
        pattern, device = _filler(page, plan, setting, line)
    _place(page, pattern, setting, device, bar, plan)


def _first_root(plan: BarPlan, bar: ChartBar) -> int:
    """The root that a bar begins on, in its register: its first chord's, or its pedal's."""
    return root_window(plan.low, bar.chords[0].lowest_pc if plan.pedal_pc is None else plan.pedal_pc)


def _pattern_of(page: _Page, plan: BarPlan, setting: _Setting, device: str) -> str | None:
    """The device's written form for this bar; None where none can be played."""
    parts = tuple(p.split("|")[min(plan.part, p.count("|"))] for p in PATTERNS[device])
    if plan.part and page.begun is not None:
        parts = (parts[page.begun],)  # what was begun is carried on
    pattern = _choose(page, parts, plan.variant, setting, device, IMPOSSIBLE - 1 if plan.pinned else TOLERATED)
    page.begun = parts.index(pattern) if pattern is not None and plan.n_parts > 1 and not plan.part else None
    return pattern


def _filler(page: _Page, plan: BarPlan, setting: _Setting, line: str) -> tuple[str, str | None]:
    """A bar that keeps time as the chart asks, and the device that it amounts to."""
    device, bank = {"eighths": "root_shuffle", "quarters": "walking_line"}.get(line), FILLERS[line]
    if setting.chord.bass_pc is not None:
        device, bank = None, SLASH_FILLERS[line]
    variant = None if plan.device else plan.variant
    pattern = None
    if plan.pinned and variant is not None and line == "free":  # another contour, if it must be, of the same rhythm
        wanted = bank[variant % len(bank)]
        alike = [other for other in bank if _rhythm(other) == _rhythm(wanted)]
        pattern = _choose(page, alike, alike.index(wanted), setting, device)
    return pattern or _choose(page, bank, variant, setting, device) or "1 . . . . . . .", device


def _rhythm(pattern: str) -> tuple[bool, ...]:
    """Which of a pattern's slots are struck."""
    return tuple(token != "." for token in pattern.split())


def _applies(device: str, bar: ChartBar, after: ChartBar, plan: BarPlan) -> bool:
    chord, target = bar.chords[-1], after.chords[0]
    if chord.bass_pc is not None and device != "pedal":
        return False
    if device in _INTO and target.lowest_pc == chord.lowest_pc:
        return False
    if device == "scale_descent" and (target.third != 4 or target.bass_pc is not None):
        return False
    if device in _NEEDS_FIFTH and (chord.fifth != 7 or chord.third is None or chord.seventh == 11):
        return False
    if device == "turnaround_figure":
        return plan.n_parts == 2
    if device == "pedal":
        return plan.pedal_pc is not None
    return True


def _write_shares(page: _Page, bar: ChartBar, plan: BarPlan, next_root: int, tonic: int, line: str) -> None:
    """A bar of two or four chords: each chord's root on its beat, a note that leads on at its end."""
    share = BEATS_PER_BAR // len(bar.chords)
    roots = [root_window(plan.low, chord.lowest_pc) for chord in bar.chords] + [next_root]
    for i, chord in enumerate(bar.chords):
        setting = _Setting(bar.onset_beats + i * share, chord, roots[i], roots[i + 1], tonic, _last(page))
        if share == 2:
            bank = {
                "eighths": ("1 . 1 L", "1 1 1 L", "1 . 1 1"),
                "quarters": ("1 . L .", "1 . 5 ."),
                "two_beat": ("1 . . .", "1 . . L"),
            }
            parts = bank.get(line, ("1 . . 1", "1 . . L"))
        else:
            parts = ("1 .",)
        _place(page, _choose(page, parts, None, setting, None) or parts[-1], setting, None, bar, plan)


def _last(page: _Page) -> int | None:
    return page.drafts[-1].pitch if page.drafts else None


def _choose(
    page: _Page,
    bank: Sequence[str],
    variant: int | None,
    setting: _Setting,
    device: str | None,
    tolerated: int = TOLERATED,
) -> str | None:
    """The variant asked for if it can stand, else the first without a fault in a seeded order.

    The least faulty if none is clean; None if none can be played as the device on this instrument.
    """
    order = [int(i) for i in page.rng.permutation(len(bank))]
    if variant is not None:
        order.insert(0, variant % len(bank))
    best: str | None = None
    best_faults = IMPOSSIBLE
    state = page.rng.bit_generator.state
    for i in order:
        page.rng.bit_generator.state = state
        faults = _faults(page, bank[i], setting, device)
        if faults < best_faults:
            best, best_faults = bank[i], faults
        if faults == 0 or (variant is not None and i == variant % len(bank) and faults <= tolerated):
            break
    page.rng.bit_generator.state = state
    return best


def _faults(page: _Page, pattern: str, setting: _Setting, device: str | None) -> int:
    tokens = [cell.token for cell in cells(pattern)]
    pitches = _pitches(page, cells(pattern), setting)
    out = [p for p in pitches if not page.tuning.lowest <= p <= page.tuning.highest]
    faults = IMPOSSIBLE * len(out)
    if page.awaited is not None and pitches[0] != page.awaited:
        faults += IMPOSSIBLE
    if device == "turnaround_figure" and page.chart.turnaround_pinned and (pitches[0] - setting.root) % 12:
        faults += IMPOSSIBLE  # a pinned turnaround wants each chord on its beat
    is_another = _IS_ANOTHER.get(device or "")
    if is_another is not None and is_another(tokens, pitches, setting):
        faults += IMPOSSIBLE
    prev = pitches[0] if setting.prev is None else setting.prev
    leaps = np.abs(np.diff(np.array([prev, *pitches, setting.next_root])))
    faults += int(np.sum(np.maximum(leaps - 12, 0)))
    if device == "walking_line":
        faults += int(np.sum((leaps == 10) | (leaps == 11)))  # a seventh: nobody walks so
    faults += 2 * (not leads_in(pitches[-1], setting.next_root))
    return faults


def _no_minor_riff(tokens: Sequence[str], _: Sequence[int], setting: _Setting) -> bool:
    """Whether a riff holds notes that the five-note scale of a minor chord has not."""
    return setting.chord.is_minor and any(token in ("2", "3", "6") for token in tokens)


def _no_walk(_: Sequence[str], pitches: Sequence[int], setting: _Setting) -> bool:
    """Whether quarters are an approach (three semitones), the box, or hardly a line."""
    steps = {(pitch - setting.root) % 12 for pitch in pitches}
    tail = [*pitches[-3:], setting.next_root]
    run = len(tail) == 4 and len({b - a for a, b in pairwise(tail)}) == 1 and abs(tail[1] - tail[0]) == 1
    return run or len(steps) < 3 or steps == {0, 7, 10}


def _three_octaves(_: Sequence[str], pitches: Sequence[int], setting: _Setting) -> bool:
    """Whether the note that leads on is the root in a third octave."""
    return len({pitch for pitch in pitches if (pitch - setting.root) % 12 == 0}) > 2


def _run_is_longer(tokens: Sequence[str], pitches: Sequence[int], setting: _Setting) -> bool:
    """Whether the note before a chromatic run already belongs to it, or repeats its first note."""
    first = next(i for i, token in enumerate(tokens) if token.startswith("n"))
    step = 1 if pitches[first] < setting.next_root else -1
    before = pitches[first - 1] if first else setting.prev
    return before is not None and before in (pitches[first], pitches[first] - step)


def _descent_is_longer(tokens: Sequence[str], pitches: Sequence[int], setting: _Setting) -> bool:
    """Whether the note before a descent is the scale's next note above, or repeats its first note."""
    first = next(i for i, token in enumerate(tokens) if token.startswith("n"))
    before = pitches[first - 1] if first else setting.prev
    return before is not None and 0 <= before - pitches[first] <= 2


# Device → whether a pattern would here be something else.
_IS_ANOTHER: dict[str, Callable[[Sequence[str], Sequence[int], _Setting], bool]] = {
    "pentatonic_riff": _no_minor_riff,
    "walking_line": _no_walk,
    "octave_shift": _three_octaves,
    "chromatic_approach": _run_is_longer,
    "scale_descent": _descent_is_longer,
}


def _pitches(page: _Page, row: Sequence[Cell], setting: _Setting) -> list[int]:
    out: list[int] = []
    prev = setting.prev if setting.prev is not None else setting.root
    for cell in row:
        token = cell.token
        if token[0] in "ng":
            pitch = setting.next_root + int(token[1:])
        elif token[0] == "t":
            pitch = setting.tonic + int(token[1:])
        elif token == "L":
            pitch = _lead_note(page, setting, prev)
        else:
            pitch = setting.root + degree_semitones(token, setting.chord)
            while pitch < page.tuning.lowest:
                pitch += 12
            while pitch > page.tuning.highest:
                pitch -= 12
        out.append(pitch)
        prev = pitch
    return out


def _lead_note(page: _Page, setting: _Setting, prev: int) -> int:
    """A note that leads into the next root, drawn by how often players use it; not the note just played, and within a
    minor sixth of it, a sixth or an octave where there is none nearer."""
    low, high = page.tuning.lowest, page.tuning.highest
    choices = [(setting.next_root + step, weight) for step, weight in LEAD_WEIGHTS]
    good = [(p, w) for p, w in choices if low <= p <= high and p not in (prev, setting.next_root)]
    reach = next((r for r in REACHES if any(abs(p - prev) <= r for p, _ in good)), max(REACHES))
    near = [(p, w) for p, w in good if abs(p - prev) <= reach] or good
    weights = np.array([w for _, w in near])
    return near[int(page.rng.choice(len(near), p=weights / weights.sum()))][0]


def _place(page: _Page, pattern: str, setting: _Setting, device: str | None, bar: ChartBar, plan: BarPlan) -> None:
    row = cells(pattern)
    for cell, pitch in zip(row, _pitches(page, row, setting), strict=True):
        onset, kind = _onset(page, cell, setting.onset_beats)
        tied_over = page.held and cell.beat == 0 and cell.part == "on" and onset == bar.onset_beats
        if not tied_over:
            page.drafts.append(_Draft(onset, pitch, kind, plan.loudness))
    page.held = any(cell.token == _PUSH for cell in row)
    page.awaited = setting.next_root if device in _INTO else None
    if device is not None:
        page.claims += _claimed(page, row, setting, device, bar, plan)


def _claimed(
    page: _Page, row: Sequence[Cell], setting: _Setting, device: str, bar: ChartBar, plan: BarPlan
) -> Iterator[Claim]:
    """What a bar written as a device claims: itself, each beat of triplets, the run into the next root, or a device of
    several bars at its first."""
    if device in BAR_FILLERS:
        yield Claim(device, bar.onset_beats, float(BEATS_PER_BAR))
    elif device == "triplet_figure":
        for beat in dict.fromkeys(cell.beat for cell in row if cell.part.startswith("t")):
            yield Claim(device, setting.onset_beats + beat, 1.0)
    elif device in _INTO:
        run = next((cell for cell in row if cell.token[0] in "ng"), None)
        if run is not None:
            start, _ = _onset(page, run, setting.onset_beats)
            yield Claim(device, start, bar.end_beats - start)
    elif plan.part == 0:  # a pedal, a turnaround
        yield Claim(device, bar.onset_beats, float(BEATS_PER_BAR * plan.n_parts))


def _onset(page: _Page, cell: Cell, start_beats: float) -> tuple[float, _Struck]:
    """Where a cell is struck, and what kind of note it is."""
    beat, kind = _struck(page, cell, start_beats)
    return beat, "push" if cell.token == _PUSH else kind


def _struck(page: _Page, cell: Cell, start_beats: float) -> tuple[float, _Struck]:
    beat = start_beats + cell.beat
    if cell.part == "off":
        return beat + page.off, "off"
    if cell.part == "grace":
        return beat - GRACE_BEATS, "grace"
    if cell.part.startswith("t"):
        return beat + int(cell.part[1]) / 3.0, "triplet"
    return beat, "on"


def _finish(page: _Page, position: int | None) -> LineScore:
    """Lengths, loudness, strings and frets."""
    drafts = sorted(page.drafts, key=lambda d: d.onset_beats)
    onsets = np.array([d.onset_beats for d in drafts])
    kinds = np.array([d.kind for d in drafts])
    notes = np.zeros(len(drafts), dtype=LINE_DTYPE)
    notes["onset_beats"] = onsets
    notes["pitch"] = [d.pitch for d in drafts]
    interval = np.diff(onsets, append=page.chart.end_beats)
    gate = np.where(interval >= 0.95, GATE_QUARTER, np.where(kinds == "off", GATE_SHORT, GATE_LONG))
    gate = np.where((kinds == "off") & (interval >= 0.95), GATE_LONG, gate)
    gate = np.where(kinds == "triplet", GATE_TRIPLET, gate)
    gate = np.where(kinds == "push", GATE_QUARTER, gate)
    gate = np.where(kinds == "grace", 1.0, gate)
    length = np.minimum(interval * gate, LONGEST_BEATS)
    length = np.where(kinds == "hit", np.minimum(length, STOP_HIT_BEATS), length)
    notes["duration_beats"] = length
    loudness = np.array([d.loudness for d in drafts])
    beat_in_bar = np.floor(onsets + 1e-9) % BEATS_PER_BAR
    velocity = 74.0 + 24.0 * loudness
    velocity += np.where((kinds == "on") & (beat_in_bar % 2 == 1), BACKBEAT_ACCENT, 0)
    velocity += np.select([kinds == "off", kinds == "triplet", kinds == "grace", kinds == "final"], [-5, -3, -16, 6], 0)
    notes["velocity"] = np.clip(np.round(velocity), 1, 127)
    hand = fingering(notes["pitch"], onsets, page.tuning, position, kinds == "grace")
    notes["string"], notes["fret"] = hand[:, 0], hand[:, 1]
    claims = standing_claims(page.chart, drafts, page.claims)
    return LineScore(notes, claims, page.chart, page.tuning)


def register_low(tuning: Tuning, octave: int, position: int | None) -> int:
    """The lowest root of a register: the octave from low E (`octave` 0), from the lowest string (−1), or an octave up
    (1)."""
    if octave not in (-1, 0, 1):
        raise UsageError(f"octave {octave} is not on a bass; expected -1 (five strings), 0 or 1")
    if position is not None and not 0 <= position <= tuning.n_frets - HAND:
        raise UsageError(f"position {position} is not on this neck; expected a fret from 0 to {tuning.n_frets - HAND}")
    low = 28 + 12 * octave
    if position is not None:
        low = max(28 + position - 2, 28) + 12 * min(octave, 0)
    if octave < 0 and tuning.lowest < 28:
        return max(low, tuning.lowest)
    if low < tuning.lowest:
        raise UsageError("octave -1 lies below this bass; expected 0 or 1, or a five-string tuning")
    return low


HAND = 4


def model_line(
    chart: Chart,
    *,
    device: str | None = None,
    seed: int = 1,
    tuning: Tuning = FOUR_STRING,
    position: int | None = None,
    octave: int = 0,
    variant: int | None = None,
) -> LineScore:
    """Whole choruses over the chart that use one device wherever it belongs (None: the line that the chart asks for).

    Devices that lead into a change stand before every change of root; a pedal stands under V–IV (or where the session
    plans one); a turnaround figure in the last two bars of a chorus; the others in every bar of one chord. Elsewhere
    the line keeps time on roots. `octave`: 0 roots from low E, 1 an octave up, −1 down to a five-string's low B.
    `position`: the fret the hand stays near. `variant` takes one written form throughout, else the seed varies them.
    `UsageError` for a device, octave or position that there is not.
    """
    if device is not None and device not in DEVICES:
        hint = did_you_mean(device, DEVICES)
        raise UsageError(f'"{device}" is not a device of the line; known: {", ".join(DEVICES)}{hint}')
    low = register_low(tuning, octave, position)
    if device == "slide_in":
        low = max(low, tuning.lowest + 2)  # there must be a fret to slide from
    plans = [BarPlan(device, low, variant, bar.intensity) for bar in chart.bars]
    if device == "turnaround_figure":
        plans = turnaround_plans(chart, plans)
    elif device == "pedal":
        plans = pedal_plans(chart, plans)
    return compose(chart, plans, seed=seed, tuning=tuning, position=position)


def turnaround_plans(chart: Chart, plans: list[BarPlan]) -> list[BarPlan]:
    """Marks the pairs of last bars that go from the tonic to the five."""
    out = list(plans)
    for pair in turnaround_pairs(chart):
        for part, idx in enumerate(pair):
            out[idx] = _part(plans[idx], "turnaround_figure", part, 2, plans[pair[0]].variant)
            if any(len(chart.bars[i].chords) > 1 for i in pair):
                out[idx] = replace(out[idx], pattern=TURNAROUND_BAR)  # the chords themselves walk; the line takes each
    return out


def turnaround_pairs(chart: Chart) -> list[tuple[int, int]]:
    """Bar indices of each turnaround: two last bars that begin on I and end on V, neither stopped nor the song's
    last."""
    tonic, five = chart.key.tonic_pc, (chart.key.tonic_pc + 7) % 12
    pairs = []
    for a, b in pairwise(chart.bars):
        plays = not (a.stopped or b.stopped or b.final) and a.turnaround and b.turnaround and b.bar == a.bar + 1
        if plays and a.chords[0].lowest_pc == tonic and b.chords[-1].lowest_pc == five:
            pairs.append((a.idx, b.idx))
    return pairs


def _part(
    plan: BarPlan, device: str, part: int, n_parts: int, variant: int | None = None, pedal_pc: int | None = None
) -> BarPlan:
    return BarPlan(device, plan.low, variant, plan.loudness, pedal_pc, part, n_parts, plan.line)


def pedal_plans(chart: Chart, plans: list[BarPlan]) -> list[BarPlan]:
    """Marks where a pedal stands: planned spans, else the five held under V–IV, else the one held under the first bar
    that leaves it."""
    out = list(plans)
    for start, stop, pc in pedal_spans(chart):
        for k, idx in enumerate(range(start, stop)):
            out[idx] = _part(plans[idx], "pedal", k, stop - start, plans[idx].variant, pc)
    return out


def pedal_spans(chart: Chart) -> list[tuple[int, int, int]]:
    """(first bar index, one past the last, pitch class) of each pedal: it spans a change of chord and is left on the
    next root, which is another. Where the session plans some, those; else the five under its own chord and a neighbour
    (V–IV, ii–V), else the one."""
    tonic, five = chart.key.tonic_pc, (chart.key.tonic_pc + 7) % 12
    bars = chart.bars
    out: list[tuple[int, int, int]] = []
    if any(bar.pedal for bar in bars):
        start = None
        for bar in bars:
            if bar.pedal and start is None:
                start = bar.idx
            elif not bar.pedal and start is not None:
                out.append((start, bar.idx, tonic))
                start = None
        return out
    for pc in (five, tonic):
        out = [
            (a.idx, b.idx + 1, pc)
            for a, b, c in zip(bars, bars[1:], bars[2:], strict=False)
            if _leaves(a, b, pc) and c.chords[0].lowest_pc != pc and not (c.stopped or b.final)
        ]
        if out:
            break
    return out


def _leaves(a: ChartBar, b: ChartBar, pc: int) -> bool:
    """Whether of two bars of a chorus, one chord each, the first is on `pc` and the second is not."""
    plain = a.chorus == b.chorus and not (a.stopped or b.stopped) and len(a.chords) == len(b.chords) == 1
    return plain and a.chords[0].lowest_pc == pc and b.chords[0].lowest_pc != pc
