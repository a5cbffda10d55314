"""Drills: short loops with a goal, a model that is heard first, and a pass figure read from the scorecard.

A drill is built from the session and line rooms for a key, tempo and seed; none is a recording. The model line sounds
in the `heard` choruses (call); the player answers in the `asked` ones (response). Only those count, as the session says
which are heard. Thresholds are our choice unless a source stands beside them.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Callable, Collection, Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Literal

import numpy as np

from trainer.errors import UsageError, did_you_mean
from trainer.line import BarPlan, LineScore, compose, model_line, planned_song
from trainer.line.write import register_low
from trainer.music import FORMS, FOUR_STRING, GROOVES, Key, Tuning, degree_name, form_bars, numeral_chord, parse_key
from trainer.scoring.card import Card
from trainer.scoring.landing import NOT_COUNTED, ROOTS, Item
from trainer.scoring.shape import ChorusShape
from trainer.scoring.why import Why
from trainer.session import BarSpan, Chart, ChorusPlan, Role, Session, check_tempo, expand
from trainer.take import Take

__all__ = [
    "DRILLS",
    "TRIES",
    "Drill",
    "Exercise",
    "PassFigure",
    "SongSeen",
    "answered_changes",
    "answers_of",
    "called",
    "change_bars",
    "drill_named",
    "task_of",
    "with_heard",
]

# The variants of a push that strike more beats than off-beats: a line that lies mostly on the off-beats cannot be told
# from one that is late by an off-beat all through (the project's definition, the global phase).
PUSHES = (0, 2, 4, 6, 7)

LANDED_SHARE = 0.9  # a trained walker lands roots on 68 % by choice (Riley & Dixon 2023); a drill asks for nearly all
DEVICE_SHARE = 0.75  # three of four places: a slip in four does not make one repeat what is known
SWING_SPREAD_LOG2 = 0.25  # twice what 10 ms of jitter alone gives at 96 bpm
SWING_OFF_LOG2 = 0.2  # about 15 % of the ratio
TEMPO_CHANGE_PCT = 3.2  # tempo just noticeably different over four intervals (Drake & Botte 1993)
REENTRY_MS = 50.0  # what two per cent of tempo adds up to over four beats at 96 bpm
SPREAD_PCT = 4.0  # twice the 2 % of trained musicians (Repp 2005, second-hand)
DENSER_NOTES_PER_BAR = 1.0
HIGHER_SEMITONES = 5.0  # a string higher
PINNED_SHARE = 0.75
CHANGES_TOLD = 3  # fewer of a pair in a song tell nothing of it; our choice
SONG_WEIGHT = 0.25  # one change in a song against one whole pass of a drill
DEVICE_IN_SONG = 3  # so many places in a song say that a device is there
ARC_SEMITONES_PER_BAR = 0.1  # a semitone up over a chorus: any rise that is no accident of two bars
HANDFUL = 3  # devices in a chorus of a first try, four bars each
STAMINA_NOTES_PER_BAR = 7.0  # of the eight that are asked for


@dataclass(frozen=True, slots=True)
class PassFigure:
    """What a drill's take came to. `value` None: not measured, `text` says why. `passed` is None then too."""

    name: str
    value: float | None
    target: str
    passed: bool | None
    n: int
    text: str


@dataclass(frozen=True)
class Exercise:
    """A drill made playable: its session, the model line over its chart, and which choruses are call and response."""

    drill: str
    session: Session
    chart: Chart
    model: LineScore
    heard: tuple[int, ...]
    asked: tuple[int, ...]
    pair: str | None = None
    facts: Mapping[str, Any] = field(default_factory=dict)

    @property
    def minutes(self) -> float:
        """How long a run lasts, from the count-in to its end."""
        return (self.chart.end_beats - self.chart.count_in_beats) / self.session.tempo_bpm

    def guide_rows(self) -> list[tuple[float, float, float, float]]:
        """What the guide plays: the model in the heard choruses, (onset_beats, duration_beats, pitch, velocity)."""
        chorus = np.array([bar.chorus for bar in self.chart.bars])
        at = chorus[self.chart.bar_idx_at(self.model.notes["onset_beats"] + 1e-9)]
        rows = self.model.notes[np.isin(at, self.heard)]
        return [
            (float(n["onset_beats"]), float(n["duration_beats"]), float(n["pitch"]), float(n["velocity"])) for n in rows
        ]


@dataclass(frozen=True, slots=True)
class _Asked:
    """What is asked of a builder."""

    key: Key
    tempo_bpm: float
    seed: int
    form: str
    groove: str
    bar: int | None
    octave: int
    position: int | None
    tuning: Tuning
    short: bool

    def turns(self, n: int) -> int:
        """So many choruses, or about half of them (a call and an answer at least)."""
        return max(2, n // 2) if self.short else n

    def part(self, bars: int) -> dict[str, Any]:
        """In short, only the form's last so many bars; else all of it."""
        n_bars = FORMS[self.form].n_bars
        return {"loop": (n_bars - bars + 1, n_bars)} if self.short and bars < n_bars else {}


@dataclass(frozen=True, slots=True)
class SongSeen:
    """What a song shows of the drills' matters: its followed figures by name, (roots, changes) by pair of degrees, how
    many places by device."""

    figures: Mapping[str, float]
    changes: Mapping[str, tuple[int, int]]
    devices: Mapping[str, int]


Scope = Literal["run", "chorus"]  # what is a pass: the run as one, or each answered chorus by itself
# What goes wrong for who cannot do it yet; tests play it.
Fault = Literal["misses changes", "uneven", "hurries alone", "another line", "no pattern", "stays as it was"]
Judge = Callable[[Card, "Exercise"], PassFigure]
# (share that went well, weight) in a song; None where it says nothing.
SongEvidence = Callable[[SongSeen], tuple[float, float] | None]


@dataclass(frozen=True)
class Drill:
    """One entry of the catalogue. `task`: what it asks for in five words, for a screen that is read over the strings;
    `family` groups drills of one kind; `takes_bar`: a bar may be asked for.

    `evidence`: what a song says of it; `both_ways`: whether it tells that it goes badly too. `shows`: the drills whose
    matters a run of it shows, itself where nothing else is said. `warm_up`: easy on the hands. `pairs`: the pairs
    of degrees that it is about.
    """

    name: str
    title: str
    goal: str
    task: str
    family: str
    make: Callable[[_Asked], Exercise] = field(repr=False)
    judge: Judge = field(repr=False)
    scope: Scope
    fault: Fault
    evidence: SongEvidence | None = field(repr=False)
    both_ways: bool = False
    takes_bar: bool = False
    warm_up: bool = False
    shows: tuple[str, ...] = ()
    pairs: tuple[str, ...] = ()

    def build(
        self,
        key: Key | str = "G",
        tempo_bpm: float = 96.0,
        seed: int = 1,
        *,
        form: str = "quick_change_12",
        groove: str = "shuffle",
        bar: int | None = None,
        octave: int = 0,
        position: int | None = None,
        tuning: Tuning = FOUR_STRING,
        short: bool = False,
    ) -> Exercise:
        """The drill in a key and tempo; `short`: a first try, a minute or so with one answer or two.

        `UsageError` for a form, groove, bar, octave or position that it cannot use.
        """
        tonic = parse_key(key) if isinstance(key, str) else key
        _known("form", form, FORMS)
        _known("groove", groove, GROOVES)
        check_tempo(tempo_bpm)
        if bar is not None and not self.takes_bar:
            raise UsageError(f'the drill "{self.name}" has no bar to choose; leave the bar out')
        ask = _Asked(tonic, float(tempo_bpm), seed, form, groove, bar, octave, position, tuning, short)
        return replace(self.make(ask), drill=self.name)

    def figure(self, card: Card, exercise: Exercise) -> PassFigure:
        """The pass figure from a scorecard."""
        return self.judge(card, exercise)

    def passes(self, card: Card, exercise: Exercise) -> list[bool]:
        """Whether each pass of a run was clean: each answered chorus where it can be judged by itself, else the run as
        a whole. Empty where the run could not be judged."""
        whole = self.judge(card, exercise).passed
        if whole is None:
            return []
        if self.scope == "run":
            return [whole]
        each = [self.judge(card, replace(exercise, asked=(chorus,))).passed for chorus in exercise.asked]
        return [passed for passed in each if passed is not None] or [whole]

    def shown(self, card: Card, exercise: Exercise) -> dict[str, tuple[bool, list[bool]]]:
        """Drill → (passed, each pass) in this run, of every drill that the run shows and that could be judged."""
        found = {}
        for name in self.shows or (self.name,):
            passed = DRILLS[name].figure(card, exercise).passed
            if passed is not None:
                found[name] = (passed, DRILLS[name].passes(card, exercise))
        return found


def drill_named(name: str) -> Drill:
    """The drill of that name, or the first try; `UsageError` names the nearest."""
    if name in TRIES:
        return TRIES[name]
    if name not in DRILLS:
        hint = did_you_mean(name, DRILLS)
        raise UsageError(f'"{name}" is not a drill; `trainer drills` lists the {len(DRILLS)} there are{hint}')
    return DRILLS[name]


def called(drill: str) -> str:
    """What a drill is called within a sentence."""
    made = TRIES.get(drill) or DRILLS.get(drill)
    return drill if made is None else made.title[0].lower() + made.title[1:]


def task_of(drill: str) -> str:
    """The task of a drill by name; of a studied phrase, which has none of its own, to play it as it was heard."""
    made = TRIES.get(drill) or DRILLS.get(drill)
    return "the phrase, as you heard" if made is None else made.task


def answers_of(take: Take, exercise: Exercise) -> Take:
    """The take with the notes of the asked choruses alone, read against the exercise."""
    from trainer.scoring.assembling import answers

    return answers(replace(take, session=exercise.session), exercise.chart)


def answered_changes(card: Card, exercise: Exercise) -> dict[str, tuple[int, int, int]]:
    """Pair of degrees → (roots, landed, changes) in the choruses that were to be answered."""
    out: dict[str, tuple[int, int, int]] = {}
    for item in _answered(card, exercise):
        roots, landed, n = out.get(item.pair, (0, 0, 0))
        root = item.outcome in ROOTS
        out[item.pair] = (roots + root, landed + (root or item.outcome == "chord_tone"), n + 1)
    return out


def _answered(card: Card, exercise: Exercise) -> list[Item]:
    """The changes that count, of the choruses that were to be answered."""
    return [i for i in card.landing.items if i.chorus in exercise.asked and i.outcome not in NOT_COUNTED]


def _known(what: str, found: str, allowed: Mapping[str, Any]) -> None:
    if found not in allowed:
        hint = did_you_mean(found, allowed)
        raise UsageError(f'{what} "{found}" is not known; allowed: {", ".join(allowed)}{hint}')


# --- building -----------------------------------------------------------------------------------------------------


def _session(ask: _Asked, title: str, choruses: tuple[ChorusPlan, ...], **more: Any) -> Session:
    fields: dict[str, Any] = {"form": ask.form, **more}
    return Session(
        title=f"{title}, {ask.key.name}",
        key=ask.key,
        tempo_bpm=ask.tempo_bpm,
        swing_ratio=GROOVES[ask.groove].usual_swing_ratio(ask.tempo_bpm),
        groove=ask.groove,
        count_in_bars=1 if ask.tempo_bpm < 75 else 2,
        seed=ask.seed,
        choruses=choruses,
        guide="on",
        **fields,
    )


def _turns(n: int, role: Role = "verse", intensity: float = 0.5) -> tuple[ChorusPlan, ...]:
    return (ChorusPlan(role, n, (intensity,) * n, line="eighths"),)


def _exercise(
    drill: str, session: Session, line: Callable[[Chart], LineScore], heard: tuple[int, ...], **more: Any
) -> Exercise:
    session = with_heard(session, heard)
    chart = expand(session)
    asked = tuple(c for c in range(1, chart.n_choruses + 1) if c not in heard)
    return Exercise(drill, session, chart, line(chart), heard, asked, **more)


def with_heard(session: Session, heard: Collection[int]) -> Session:
    """The session with these choruses (1-based) marked as only listened to."""
    plans: list[ChorusPlan] = []
    number = 0
    for plan in session.choruses:
        for level in plan.intensity:
            number += 1
            one = replace(plan, times=1, intensity=(level,), heard=number in heard)
            if plans and replace(plans[-1], times=1, intensity=(level,)) == one:
                n, levels = plans[-1].times + 1, (*plans[-1].intensity, level)
                plans[-1] = replace(one, times=n, intensity=levels)
            else:
                plans.append(one)
    return replace(session, choruses=tuple(plans))


def _odd(n: int) -> tuple[int, ...]:
    return tuple(range(1, n + 1, 2))


def _modelled(ask: _Asked, device: str | None, variant: int | None = None) -> Callable[[Chart], LineScore]:
    def line(chart: Chart) -> LineScore:
        return model_line(
            chart,
            device=device,
            seed=ask.seed,
            tuning=ask.tuning,
            position=ask.position,
            octave=ask.octave,
            variant=variant,
        )

    return line


def _patterned(ask: _Asked, pattern: str) -> Callable[[Chart], LineScore]:
    def line(chart: Chart) -> LineScore:
        low = register_low(ask.tuning, ask.octave, ask.position)
        plans = [BarPlan(None, low, loudness=bar.intensity, pattern=pattern) for bar in chart.bars]
        return compose(chart, plans, seed=ask.seed, tuning=ask.tuning, position=ask.position)

    return line


def change_bars(form: str, key: Key, leave: str, reach: str) -> tuple[int, ...]:
    """The bars (1-based) of a form whose chord of degree `leave` gives way to `reach` in the bar after; the last bar
    gives way to the first. Degrees as capitals: "I", "IV", "V"."""
    chords = form_bars(FORMS[form], key)
    n = len(chords)
    degrees = [(degree_name(bar[0], key).upper(), degree_name(bar[-1], key).upper()) for bar in chords]
    return tuple(b + 1 for b in range(n) if degrees[b][1] == leave and degrees[(b + 1) % n][0] == reach)


def _make_change(name: str, leave: str, reach: str) -> Callable[[_Asked], Exercise]:
    def make(ask: _Asked) -> Exercise:
        bars = change_bars(ask.form, ask.key, leave, reach)
        if not bars:
            raise UsageError(f"{ask.form} has no change {leave}–{reach}; expected a form that has one, quick_change_12")
        if ask.bar is not None and ask.bar not in bars:
            raise UsageError(
                f"bar {ask.bar} is not followed by {leave}–{reach} in {ask.form}; bars that are: {_list(bars)}"
            )
        bar = bars[ask.seed % len(bars)] if ask.bar is None else ask.bar
        n_bars = FORMS[ask.form].n_bars
        where = _around(ask, bar)
        session = _session(ask, f"One change, {leave}–{reach}", _turns(ask.turns(8)), **where)
        variant = (2, 5, 7)[ask.seed % 3]
        return _exercise(
            name,
            session,
            _modelled(ask, "root_shuffle", variant),
            _odd(ask.turns(8)),
            pair=f"{leave}→{reach}",
            facts={"bar": bar, "lands_in_bar": bar % n_bars + 1},
        )

    return make


def _around(ask: _Asked, bar: int) -> dict[str, Any]:
    """Four bars around the end of a bar: a loop inside the form, or a chart of its own where the form comes round."""
    n_bars = FORMS[ask.form].n_bars
    if bar < n_bars:
        first = max(1, min(bar - 1, n_bars - 3))
        loop = {"loop": (first, min(n_bars, first + 3))}
        if bar < n_bars - 2:
            return loop
        # A change into the last two bars is judged strictly only where the turnaround is pinned.
        form = FORMS[ask.form]
        if form_bars(form, ask.key, "five")[-2:] == form_bars(form, ask.key)[-2:]:
            return {**loop, "turnaround": "five"}
    chords = form_bars(FORMS[ask.form], ask.key)
    if bar < n_bars:
        bars = chords[bar - 2 : bar + 2] if bar + 2 <= n_bars else chords[-4:]
        return {"form": "chart", "chart": tuple(" ".join(chord.name for chord in row) for row in bars)}
    bars = (chords[-2], chords[-1], chords[0], chords[1 % n_bars])
    return {"form": "chart", "chart": tuple(" ".join(chord.name for chord in row) for row in bars)}


def _list(bars: tuple[int, ...]) -> str:
    return ", ".join(str(bar) for bar in bars)


def _make_roots(ask: _Asked) -> Exercise:
    n = ask.turns(4)
    session = _session(ask, "Roots through the form", _turns(n))
    return _exercise("roots", session, _modelled(ask, "root_shuffle", (1, 5, 7)[ask.seed % 3]), _odd(n))


def _one_chord(ask: _Asked) -> dict[str, Any]:
    tonic = numeral_chord("i7" if ask.key.minor else "I7", ask.key)
    return {"form": "chart", "chart": (tonic.name, "%", "%", "%")}


def _make_pattern(
    name: str, title: str, pattern: str, n_choruses: int, n_short: int, n_heard: int = 0
) -> Callable[[_Asked], Exercise]:
    def make(ask: _Asked) -> Exercise:
        n = n_short if ask.short else n_choruses
        session = _session(ask, title, _turns(n), **_one_chord(ask))
        heard = _odd(n) if n_heard == 0 else tuple(range(1, n_heard + 1))
        return _exercise(name, session, _patterned(ask, pattern), heard)

    return make


def _make_form_shuffle(ask: _Asked) -> Exercise:
    n = ask.turns(4)
    session = _session(ask, "Shuffle through the form", _turns(n))
    return _exercise("shuffle_through_the_form", session, _modelled(ask, "root_shuffle", 0), _odd(n))


def _make_drop_out(name: str, n_silent: int, of: int) -> Callable[[_Asked], Exercise]:
    def make(ask: _Asked) -> Exercise:
        n_choruses = ask.turns(5)
        n_bars = FORMS[ask.form].n_bars
        heard = (1,)
        drops = []
        for chorus in range(2, n_choruses + 1):
            for start in range(1, n_bars + 1, of):
                first, last = start + of - n_silent, start + of - 1
                # Never the song's last bars: the ending needs its band.
                if last <= n_bars and not (chorus == n_choruses and last == n_bars):
                    drops.append(BarSpan(chorus, first, last))
        session = _session(ask, f"The band drops out, {n_silent} of {of}", _turns(n_choruses), drop_outs=tuple(drops))
        return _exercise(name, session, _modelled(ask, "root_shuffle", 0), heard)

    return make


def _make_device(device: str) -> Callable[[_Asked], Exercise]:
    def make(ask: _Asked) -> Exercise:
        n_bars = FORMS[ask.form].n_bars
        more: dict[str, Any] = {}
        # The last chorus ends instead of turning round.
        turning = device == "turnaround_figure"
        n_choruses = ask.turns(4) + turning
        more |= ask.part(8)
        if ask.bar is not None:
            if not 1 <= ask.bar <= n_bars:
                raise UsageError(f"bar {ask.bar} is not in {ask.form}; expected 1 to {n_bars}")
            first = max(1, min(ask.bar, n_bars - 3))
            more["loop"] = (first, min(n_bars, first + 3))
            n_choruses = ask.turns(8)
        title = device.replace("_", " ").capitalize()
        if device == "pedal":
            session = _pedal_session(ask, title, n_choruses, more)
        else:
            session = _session(ask, title, _turns(n_choruses), **more)
        variant = PUSHES[ask.seed % len(PUSHES)] if device == "push" else None
        exercise = _exercise(device, session, _modelled(ask, device, variant), _odd(n_choruses))
        if not _claims(exercise):
            where = f"in bars {more['loop'][0]}–{more['loop'][1]} of" if more else "in"
            raise UsageError(f"{device} has no place {where} {ask.form}; expected another bar, or quick_change_12")
        return exercise

    return make


def _pedal_session(ask: _Asked, title: str, n_choruses: int, more: Mapping[str, Any]) -> Session:
    """A session whose pedals are planned wherever the model line holds one on the tonic or the five."""
    from trainer.line.write import pedal_spans

    plain = _session(ask, title, _turns(n_choruses), **more)
    chart = expand(plain)
    pedals = tuple(
        BarSpan(chart.bars[start].chorus, chart.bars[start].bar, chart.bars[stop - 1].bar)
        for start, stop, _ in pedal_spans(chart)
    )
    return _session(ask, title, _turns(n_choruses), pedals=pedals, **more)


def _make_triplets(ask: _Asked) -> Exercise:
    n = ask.turns(8)
    session = _session(ask, "Triplets against the shuffle", _turns(n), **_one_chord(ask))
    patterns = ("1 1 (1 1 1) 1 1 1 1", "1 1 1 1 1 1 (1 3 5)", "1 1 (5 3 1) 1 1 (1 3 5)", "1 . (1 1 1) 1 . (1 1 1)")
    return _exercise(
        "triplets_against_the_shuffle", session, _with_claims(ask, patterns[ask.seed % len(patterns)]), _odd(n)
    )


def _with_claims(ask: _Asked, pattern: str) -> Callable[[Chart], LineScore]:
    """A written bar whose triplets are claimed as devices."""
    from trainer.line import Claim
    from trainer.line.patterns import cells

    beats = sorted({cell.beat for cell in cells(pattern) if cell.part.startswith("t")})

    def line(chart: Chart) -> LineScore:
        plain = _patterned(ask, pattern)(chart)
        claims = [Claim("triplet_figure", bar.onset_beats + b, 1.0) for bar in chart.bars[:-1] for b in beats]
        return replace(plain, claims=tuple(claims))

    return line


def _make_pin(ask: _Asked) -> Exercise:
    n = ask.turns(4)
    session = _session(ask, "Hold the verse down", _turns(n))
    return _exercise("pin_the_verse", session, lambda chart: planned_song(chart, ask.seed, tuning=ask.tuning), _odd(n))


def _make_open(name: str, title: str, denser: bool, higher: bool) -> Callable[[_Asked], Exercise]:
    def make(ask: _Asked) -> Exercise:
        plans = (
            ChorusPlan("verse", 2, (0.4, 0.4), line="eighths"),
            ChorusPlan("solo", 2, (0.8, 0.8), line="eighths"),
        )
        session = _session(ask, title, plans, **ask.part(4))

        def line(chart: Chart) -> LineScore:
            low = register_low(ask.tuning, ask.octave, ask.position)
            rows = []
            for bar in chart.bars:
                solo = bar.role == "solo"
                device, variant = ("root_shuffle", 1)
                if solo and denser:
                    device, variant = ("boogie_figure", 0) if higher else ("root_shuffle", 0)
                rows.append(BarPlan(device, low + 12 if solo and higher else low, variant, bar.intensity))
            return compose(chart, rows, seed=ask.seed, tuning=ask.tuning, position=ask.position)

        return _exercise(name, session, line, (1, 3))

    return make


def _make_arc(ask: _Asked) -> Exercise:
    session = _session(ask, "An arc over two choruses", _turns(4, "solo", 0.8))

    def line(chart: Chart) -> LineScore:
        low = register_low(ask.tuning, ask.octave, ask.position)
        rows = []
        for bar in chart.bars:
            through = (bar.bar - 1) / max(1, len(chart.form_chords) - 1)
            up = through if bar.chorus % 2 == 1 else 1.0 - through
            device, variant = ("boogie_figure", 0) if up > 0.5 else ("boogie_figure", 7)
            rows.append(BarPlan(device, low + round(12 * up), variant, 0.4 + 0.5 * up))
        return compose(chart, rows, seed=ask.seed, tuning=ask.tuning, position=ask.position)

    return _exercise("arc_over_two_choruses", session, line, (1, 2))


# --- judging ------------------------------------------------------------------------------------------------------


def _missing(name: str, target: str, why: Why | None, n: int = 0) -> PassFigure:
    reason = "nothing was played where it was asked for" if why is None else why.text
    return PassFigure(name, None, target, None, n, reason)


def _share(name: str, good: int, n: int, least: float, what: str, why: Why | None) -> PassFigure:
    target = f"at least {100 * least:.0f} %"
    if n == 0:
        return _missing(name, target, why)
    return PassFigure(name, good / n, target, good / n >= least, n, f"{good} of {n} {what}")


def _judge_roots(card: Card, exercise: Exercise) -> PassFigure:
    items = _answered(card, exercise)
    if exercise.pair is not None:
        items = [item for item in items if _pair_of(item, exercise) == exercise.pair]
        what = f"changes {exercise.pair.replace('→', '–')} on the root"
    else:
        what = "changes on the root"
    good = sum(item.outcome in ROOTS for item in items)
    return _share("root_share", good, len(items), LANDED_SHARE, what, card.landing.root_rate.why)


def _pair_of(item: Item, exercise: Exercise) -> str | None:
    """ "I→IV" of an item, from the chart: the degree before it and its own, as capitals."""
    spans = exercise.chart.spans
    at = item.at_beats
    i = int(exercise.chart.span_idx_at(at))
    if i == 0 or abs(spans[i].onset_beats - at) > 1e-6:
        return None
    return f"{spans[i - 1].degree.upper()}→{spans[i].degree.upper()}"


def _judge_swing(card: Card, exercise: Exercise) -> PassFigure:
    spread, ratio = card.swing.log2_sd, card.swing.ratio
    widest = 100.0 * (2.0**SWING_SPREAD_LOG2 - 1.0)
    target = f"within 15 % of the band's ratio, varying by no more than {widest:.0f} %"
    if not spread.known or not ratio.known or ratio.value <= 0:
        return _missing("swing_spread", target, (spread if ratio.known and ratio.value else ratio).why, ratio.n)
    off = abs(float(np.log2(ratio.value / exercise.session.swing_ratio)))
    passed = spread.value <= SWING_SPREAD_LOG2 and off <= SWING_OFF_LOG2
    varies = 100.0 * (2.0**spread.value - 1.0)
    text = f"ratio {ratio.value:.2f} against the band's {exercise.session.swing_ratio:.2f}, varying by {varies:.0f} %"
    return PassFigure("swing_spread", spread.value, target, passed, ratio.n, text)


def _judge_drop_outs(card: Card, exercise: Exercise, n_silent: int) -> PassFigure:
    target = f"half of the drop-outs within {TEMPO_CHANGE_PCT:g} % of the tempo and back within {REENTRY_MS:g} ms"
    found = [d for d in card.timing.drop_outs if d.chorus in exercise.asked and d.bars[1] - d.bars[0] + 1 == n_silent]
    kept = [d for d in found if d.reentry_s.known]
    if not kept:
        return _missing("kept_share", target, found[0].reentry_s.why if found else None)
    good = sum(
        1000.0 * abs(d.reentry_s.value) <= REENTRY_MS and not abs(d.tempo_change_pct.value) > TEMPO_CHANGE_PCT
        for d in kept
    )
    n = len(found)
    return PassFigure("kept_share", good / n, target, good / n >= 0.5, n, f"{good} of {n} drop-outs kept")


def _claims(exercise: Exercise, device: str | None = None) -> list[tuple[int, int]]:
    """(chorus, bar) of each claim of the drill's device in the asked choruses."""
    name = device or exercise.facts.get("device", exercise.drill)
    out = []
    for claim in exercise.model.claims:
        bar = exercise.chart.bars[int(exercise.chart.bar_idx_at(claim.at_beats + 1e-9))]
        if claim.name == name and bar.chorus in exercise.asked:
            out.append((bar.chorus, bar.bar))
    return out


def _judge_device(device: str, least: float = DEVICE_SHARE) -> Callable[[Card, Exercise], PassFigure]:
    def judge(card: Card, exercise: Exercise) -> PassFigure:
        asked = _claims(exercise, device)
        found = card.devices.found
        if found is None:
            return _missing("device_share", f"at least {100 * least:.0f} %", card.devices.nothing, len(asked))
        left = [(f.chorus, f.bar) for f in found if f.name == device]
        good = 0
        for place in asked:
            if place in left:
                left.remove(place)
                good += 1
        what = f"places where the {device.replace('_', ' ')} came"
        return _share("device_share", good, len(asked), least, what, None)

    return judge


def _judge_pedal(card: Card, exercise: Exercise) -> PassFigure:
    """The pedal was held, and the change after it landed on its root."""
    held = _judge_device("pedal")(card, exercise)
    if held.value is None:
        return held
    chart = exercise.chart
    ends = {c.at_beats + c.beats for c in exercise.model.claims if c.name == "pedal"}
    releases = [
        item
        for item in card.landing.items
        if item.at_beats in ends and item.chorus in exercise.asked and item.at_beats < chart.end_beats
    ]
    released = sum(item.outcome in ROOTS for item in releases)
    passed = bool(held.passed) and released >= LANDED_SHARE * len(releases)
    text = f"{held.text}, {released} of {len(releases)} released onto the root"
    return PassFigure("pedal_share", held.value, held.target, passed, held.n, text)


def _choruses(card: Card, exercise: Exercise) -> list[ChorusShape]:
    return [row for row in card.shape.choruses if row.chorus in exercise.asked and row.notes_per_bar.value != 0]


def _judge_pinned(card: Card, exercise: Exercise) -> PassFigure:
    rows = _choruses(card, exercise)
    good = sum(row.verdict == "pinned" for row in rows)
    return _share("pinned_share", good, len(rows), PINNED_SHARE, "verses held down", card.shape.no_choruses)


def _judge_open(card: Card, exercise: Exercise, denser: bool, higher: bool) -> PassFigure:
    rows = _choruses(card, exercise)
    targets = [f"{DENSER_NOTES_PER_BAR:g} more notes a bar"] if denser else []
    targets += [f"{HIGHER_SEMITONES:g} semitones higher"] if higher else []
    target = "at least " + " and ".join(targets)
    verse = [r for r in rows if r.role == "verse"]
    solo = [r for r in rows if r.role == "solo"]
    if not verse or not solo:
        return _missing("opening", target, card.shape.no_choruses)
    more, up = (
        (solo[0].notes_per_bar.value - verse[0].notes_per_bar.value),
        (solo[0].median_pitch.value - verse[0].median_pitch.value),
    )
    gains = [(more, DENSER_NOTES_PER_BAR, "notes a bar")] if denser else []
    gains += [(up, HIGHER_SEMITONES, "semitones")] if higher else []
    if any(math.isnan(gain) for gain, _, _ in gains):
        return _missing("opening", target, card.shape.no_choruses)
    passed = all(gain >= least for gain, least, _ in gains)
    text = ", ".join(f"{gain:+.1f} {unit}" for gain, _, unit in gains)
    return PassFigure("opening", gains[0][0], target, passed, len(rows), text)


def _judge_arc(card: Card, exercise: Exercise) -> PassFigure:
    rows = sorted(_choruses(card, exercise), key=lambda row: row.chorus)
    target = f"up over one chorus and down over the next by {ARC_SEMITONES_PER_BAR:g} semitones a bar"
    slopes = [row.slope_semitones_per_bar for row in rows]
    if len(slopes) != 2 or not all(slope.known for slope in slopes):
        return _missing("arc", target, card.shape.no_choruses)
    up, down = (slope.value for slope in slopes)
    passed = up >= ARC_SEMITONES_PER_BAR and down <= -ARC_SEMITONES_PER_BAR
    text = f"{up:+.2f} then {down:+.2f} semitones a bar"
    return PassFigure("arc", (up - down) / 2, target, passed, 2, text)


def _judge_stamina(card: Card, exercise: Exercise) -> PassFigure:
    spread = card.timing.spread_s
    target = f"spread at most {SPREAD_PCT:g} % of the beat, eighths to the end"
    rows = _choruses(card, exercise)
    if not spread.known:
        return _missing("spread_pct", target, spread.why, card.timing.n)
    pct = 100.0 * spread.value * exercise.session.tempo_bpm / 60.0
    # The last chorus holds the final note; the one before it says whether the hand lasted.
    late = [row.notes_per_bar.value for row in rows if row.chorus == exercise.chart.n_choruses - 1]
    lasted = not late or late[0] >= STAMINA_NOTES_PER_BAR
    text = f"spread {pct:.1f} % of the beat" + ("" if lasted else f", but {late[0]:.1f} notes a bar near the end")
    return PassFigure("spread_pct", pct, target, pct <= SPREAD_PCT and lasted, card.timing.n, text)


# --- what a song says ---------------------------------------------------------------------------------------------


def _of_pairs(*names: str) -> SongEvidence:
    def seen(song: SongSeen) -> tuple[float, float] | None:
        found = [song.changes[name] for name in names if name in song.changes]
        n = sum(total for _, total in found)
        return (sum(roots for roots, _ in found) / n, SONG_WEIGHT * n) if n >= CHANGES_TOLD else None

    return seen


def _of_all_changes(song: SongSeen) -> tuple[float, float] | None:
    n = sum(total for _, total in song.changes.values())
    return (sum(roots for roots, _ in song.changes.values()) / n, SONG_WEIGHT * n / 4.0) if n else None


def _of_the_swing(song: SongSeen) -> tuple[float, float] | None:
    spread = song.figures.get("swing_spread")
    return None if spread is None else (float(spread <= SWING_SPREAD_LOG2), 1.0)


def _of_the_verses(song: SongSeen) -> tuple[float, float] | None:
    pinned = song.figures.get("pinned_rate")
    return None if pinned is None else (pinned, 1.0)


def _of_device(device: str) -> SongEvidence:
    """A device that a song is full of is there. That one is missing says nothing: nobody asked for it."""
    return lambda song: (1.0, 1.0) if song.devices.get(device, 0) >= DEVICE_IN_SONG else None


def _of_opening(denser: bool, higher: bool) -> SongEvidence:
    """That a solo opened says that it can; that it did not says nothing, as it may have been somebody else's."""

    def seen(song: SongSeen) -> tuple[float, float] | None:
        more = not denser or (song.figures.get("contrast") or 0.0) >= DENSER_NOTES_PER_BAR
        up = not higher or (song.figures.get("contrast_height") or 0.0) >= HIGHER_SEMITONES
        return (1.0, 0.5) if more and up else None

    return seen


# --- the catalogue ------------------------------------------------------------------------------------------------


def _catalogue() -> Iterator[Drill]:
    yield Drill(
        "roots", "Roots through the form", "Every change on its root, through the whole form.",
        "every change on its root", "changes",
        _make_roots, _judge_roots, "chorus", "misses changes", _of_all_changes, both_ways=True,
    )  # fmt: skip
    for name, leave, reach, what in (
        ("change_one_four", "I", "IV", "From the one to the four"),
        ("change_four_one", "IV", "I", "From the four back to the one"),
        ("change_five_four", "V", "IV", "From the five to the four"),
        ("change_turnaround", "V", "I", "Through the turnaround to the top"),
    ):
        goal = f"One change again and again: {leave} to {reach}, on the root, on the beat."
        minor = {"I": "i", "IV": "iv", "V": "V"}
        pairs = (f"{leave}→{reach}", f"{minor[leave]}→{minor[reach]}")
        yield Drill(
            name, what, goal, f"{leave} to {reach}, on one", "changes",
            _make_change(name, leave, reach), _judge_roots, "chorus", "misses changes",
            _of_pairs(*pairs), both_ways=True, takes_bar=True, pairs=pairs,
        )  # fmt: skip
    for name, what, pattern, task, goal in (
        (
            "shuffle_one_note", "Shuffle on one note", "1 1 1 1 1 1 1 1", "every short note as short",
            "Every short note as short as the one before, at the band's ratio.",
        ),
        (
            "shuffle_two_strings", "Shuffle on two strings", "1 1 5 5 1 1 5 5", "even across two strings",
            "Just as even while the hand crosses to the fifth and back.",
        ),
    ):  # fmt: skip
        yield Drill(
            name, what, goal, task, "shuffle", _make_pattern(name, what, pattern, 8, 4), _judge_swing, "run", "uneven",
            None, warm_up=True,
        )  # fmt: skip
    yield Drill(
        "shuffle_through_the_form", "Shuffle through the form", "Just as even while the chords move.",
        "even while the chords move", "shuffle",
        _make_form_shuffle, _judge_swing, "run", "uneven", _of_the_swing, both_ways=True,
    )  # fmt: skip
    yield Drill(
        "triplets_against_the_shuffle", "Triplets against the shuffle",
        "Three even notes, then back to long and short.", "three even, then long, short", "shuffle",
        _make_triplets, _judge_device("triplet_figure"), "chorus", "another line", None,
    )  # fmt: skip
    for n_silent, of, time, goal in (
        (1, 4, "one bar", "Every fourth bar is yours alone: carry the time over it."),
        (2, 4, "two bars", "Two bars with the band, two alone: be there when it comes back."),
        (4, 8, "four bars", "Four bars alone in every eight: the tempo is yours."),
    ):
        name = f"drop_out_{n_silent}_of_{of}"
        title = f"The band drops out, {n_silent} bar{'s' if n_silent > 1 else ''} of {of}"
        yield Drill(
            name, title, goal, f"carry the time {time}", "drop_outs", _make_drop_out(name, n_silent, of),
            functools.partial(_judge_drop_outs, n_silent=n_silent), "chorus", "hurries alone", None,
        )  # fmt: skip
    easy = True
    for device, task, goal, *warm_up in (
        (
            "root_shuffle", "roots in shuffle eighths",
            "Roots in shuffle eighths, every beat struck, through every change.", easy,
        ),
        (
            "pentatonic_riff", "the riff, moved each chord",
            "A short riff on the five-note scale, moved with each chord.",
        ),
        ("walking_line", "walk quarters, root to root", "Four quarters a bar that walk from root to root."),
        (
            "chromatic_approach", "semitones into the next root",
            "Up to four semitone steps into the next root, landing on the change.",
        ),
        (
            "scale_descent", "down the scale, land it",
            "Down the coming chord's scale to its root, landing on the change.",
        ),
        ("triplet_figure", "a triplet beat, in time", "A beat of triplets inside the shuffle, answered in time."),
        ("octave_shift", "root and octave, clean", "Root and octave, cleanly across the strings.", easy),
        ("pedal", "hold one note, then release", "One note held under changing chords.", easy),
        ("turnaround_figure", "walk the last two bars", "The last two bars walked from the tonic to the five."),
        ("doubled_notes", "walk, every note twice", "A walking line with every note struck twice.", easy),
        ("box_figure", "one, five, seven, octave", "One, five, flat seven, octave, under one hand.", easy),
        ("boogie_figure", "up to seven, and down", "One, three, five, six, flat seven, and down again."),
        ("push", "the root an off-beat early", "The new root an off-beat early, held across the line."),
        ("slide_in", "slide in from just below", "A slide from just below into the new root."),
    ):  # fmt: skip
        judge = _judge_pedal if device == "pedal" else _judge_device(device)
        title = "Pedal, then release" if device == "pedal" else device.replace("_", " ").capitalize()
        yield Drill(
            device, title, goal, task, "devices", _make_device(device), judge, "chorus", "another line",
            _of_device(device), takes_bar=True, warm_up=bool(warm_up),
        )  # fmt: skip
    yield Drill(
        "pin_the_verse", "Hold the verse down", "One rhythm, one register, every change: a verse to sing over.",
        "one rhythm, chord notes", "shape",
        _make_pin, _judge_pinned, "chorus", "no pattern", _of_the_verses, both_ways=True,
    )  # fmt: skip
    for name, title, denser, higher, task, how in (
        ("open_by_density", "A busier solo", True, False, "solo: more notes", "with more notes to the bar"),
        ("open_by_height", "A solo a string higher", False, True, "solo: a string higher", "a string higher"),
        ("open_by_both", "A busier, higher solo", True, True, "solo: busier and higher", "that is busier and higher"),
    ):
        goal = f"A verse held down, then a solo {how}."
        yield Drill(
            name, title, goal, task, "shape", _make_open(name, title, denser, higher),
            functools.partial(_judge_open, denser=denser, higher=higher), "run", "stays as it was",
            _of_opening(denser, higher),
        )  # fmt: skip
    yield Drill(
        "arc_over_two_choruses", "An arc over two choruses", "Up over one chorus, down over the next.",
        "up one chorus, down one", "shape",
        _make_arc, _judge_arc, "run", "stays as it was", None,
    )  # fmt: skip
    yield Drill(
        "repeated_notes", "Repeated notes", "Shuffle eighths on one note for as long as a long tune asks.",
        "keep going, keep it even", "stamina",
        _make_pattern("repeated_notes", "Repeated notes", "1 1 1 1 1 1 1 1", 24, 8, n_heard=1), _judge_stamina,
        "run", "uneven", None,
    )  # fmt: skip


DRILLS: Mapping[str, Drill] = {drill.name: drill for drill in _catalogue()}


# --- first tries --------------------------------------------------------------------------------------------------
# Several drills' matters in one short run, each judged by its own drill, so that few evenings hear everything once.


def _make_handful(name: str, title: str, devices: tuple[str, ...]) -> Callable[[_Asked], Exercise]:
    """Twelve bars that hold three devices, four bars each, heard and answered; then as many with the next three."""

    def make(ask: _Asked) -> Exercise:
        n_choruses = 2 * len(devices) // HANDFUL * (1 if ask.short else 2)
        session = _session(ask, title, _turns(n_choruses))

        def line(chart: Chart) -> LineScore:
            low = max(register_low(ask.tuning, ask.octave, ask.position), ask.tuning.lowest + 2)
            n_bars = FORMS[ask.form].n_bars
            plans = []
            for bar in chart.bars:
                first = max(0, bar.chorus - 1) // 2 * HANDFUL % len(devices)
                device = devices[first + min(HANDFUL - 1, max(0, bar.bar - 1) * HANDFUL // n_bars)]
                variant = PUSHES[ask.seed % len(PUSHES)] if device == "push" else None
                plans.append(BarPlan(device, low, variant, bar.intensity))
            return compose(chart, plans, seed=ask.seed, tuning=ask.tuning, position=ask.position)

        return _exercise(name, session, line, _odd(n_choruses))

    return make


def _make_drop_outs(ask: _Asked) -> Exercise:
    """One bar alone, two, and four, all in a run; never the last bars, whose ending needs the band."""
    drops = (BarSpan(2, 4, 4), BarSpan(2, 7, 8), BarSpan(2, 12, 12), BarSpan(3, 3, 6), BarSpan(3, 9, 10))
    ask = replace(ask, form="quick_change_12")
    session = _session(ask, "The band drops out, ever longer", _turns(3), drop_outs=drops)
    return _exercise("try_drop_outs", session, _modelled(ask, "root_shuffle", 0), (1,))


def _tries() -> Iterator[Drill]:
    for number, title, devices, also in (
        (
            1, "Six figures, root to walking",
            ("root_shuffle", "boogie_figure", "box_figure", "walking_line", "doubled_notes", "chromatic_approach"), (),
        ),
        (
            2, "Six figures, octave to slide",
            ("octave_shift", "pentatonic_riff", "push", "triplet_figure", "scale_descent", "slide_in"),
            ("triplets_against_the_shuffle",),
        ),
    ):  # fmt: skip
        name, goal = f"try_six_figures_{number}", "Four bars of each, three at a time: hear them, then play them."
        yield _try(
            name, title, goal, "four bars of each", "devices", _make_handful(name, title, devices), (*devices, *also)
        )
    yield _try(
        "try_drop_outs", "The band drops out, ever longer", "One bar alone, two, then four: carry the time.",
        "carry the time, ever longer",
        "drop_outs", _make_drop_outs, ("drop_out_1_of_4", "drop_out_2_of_4", "drop_out_4_of_8"),
    )  # fmt: skip
    both, long = DRILLS["open_by_both"], DRILLS["repeated_notes"]
    opening = ("open_by_density", "open_by_height", "open_by_both")
    yield _try("try_opening", both.title, both.goal, both.task, both.family, both.make, opening)
    yield _try(
        "try_one_note", long.title, long.goal, long.task, long.family, long.make,
        ("shuffle_one_note", "repeated_notes"), warm_up=True,
    )  # fmt: skip


def _try(
    name: str,
    title: str,
    goal: str,
    task: str,
    family: str,
    make: Callable[[_Asked], Exercise],
    shows: tuple[str, ...],
    warm_up: bool = False,
) -> Drill:
    return Drill(
        name, title, goal, task, family, make, functools.partial(_judge_all, shows=shows), "run",
        DRILLS[shows[0]].fault, None, warm_up=warm_up, shows=shows,
    )  # fmt: skip


def _judge_all(card: Card, exercise: Exercise, shows: tuple[str, ...]) -> PassFigure:
    """How many of the matters that a first try shows went well; passed where all that could be judged did."""
    found = {name: DRILLS[name].figure(card, exercise) for name in shows}
    judged = {name: figure.passed for name, figure in found.items() if figure.passed is not None}
    target = "all of them"
    if not judged:
        return replace(found[shows[0]], name="tried", target=target)
    n, missing = len(judged), [called(name) for name, good in judged.items() if not good]
    n_good = n - len(missing)
    words = f"{n_good} of {n} went well; to come back to: {'; '.join(missing)}" if missing else _all_well(n)
    return PassFigure("tried", n_good / n, target, n_good == n, n, words)


def _all_well(n: int) -> str:
    return {1: "it went well", 2: "both went well"}.get(n, f"all {n} went well")


TRIES: Mapping[str, Drill] = {drill.name: drill for drill in _tries()}
