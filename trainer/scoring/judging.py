"""Working out the verdict: four lines and at most three pieces of advice. No single number.

Feel, time, landing, form and shape: each with its figure, interval, target at the chosen level, and the bars that cost
most. Advice: what is furthest from its target first, each with its evidence and the drill that addresses it (the names
that `trainer drills` lists). Targets are in `levels.toml`. A figure that is absent is not judged and earns no advice.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from trainer.scoring.card import Scorecard
from trainer.scoring.figure import NO_FIGURE, Figure
from trainer.scoring.form import BarPlace, FormResult
from trainer.scoring.landing import NOT_COUNTED, Item, Landing
from trainer.scoring.levels import Level, level_named, levels, shape_rules
from trainer.scoring.shape import ChorusShape, Shape
from trainer.scoring.stats import MIN_N, median, theil_sen, welch
from trainer.scoring.text import (
    against,
    beat_late_words,
    feel_line,
    form_and_shape_line,
    landing_line,
    missing_words,
    time_of,
    too_scattered,
)
from trainer.scoring.timing import Timing
from trainer.scoring.verdict import MAX_ADVICE, Advice, Line, Verdict
from trainer.scoring.why import Why, counted, no_figure
from trainer.session import Chart, ChartBar

__all__ = ["verdict"]

MAX_BARS = 4
MIN_CHORUSES, SAME_WAY = 3, 0.7  # so many choruses, six of seven the same way, tell a habit; our choice
EVEN_RATIO = 1.15  # below it a groove is called even, not shuffled; our choice
DRILL_FORM, DRILL_GROOVE = "quick_change_12", "shuffle"  # of a drill that is asked for none
HABIT_MISSES = 3  # one change of the form missed so often in a take is a habit; our choice
HABIT_SHARE = 0.75  # … where it went by in so many of its choruses; our choice


def verdict(card: Scorecard, level: str = "jam") -> Verdict:
    """The verdict on a card at a level (`UsageError` for a level that there is not). Pure."""
    asked = level_named(level)
    found: list[Advice] = []
    judges = (_feel, _time, _landing, _form_and_shape)
    lines = tuple(judge(card, asked, found) for judge in judges)
    if any(advice.about == "form" for advice in found) and _missed_elsewhere(card):
        found = [advice for advice in found if advice.about != "landing"]
    # A song that opens is worth little while the changes or the place in the form slip away: those come first.
    slips = any(advice.about in ("landing", "form") for advice in found)
    found.sort(key=lambda advice: (slips and advice.about == "shape", -advice.weight))
    kept: list[Advice] = []
    for advice in found:
        if advice.drill not in (other.drill for other in kept):
            kept.append(replace(advice, options=_options(card, advice)))
    none = None if kept else _nothing_to_advise(lines, asked)
    return Verdict(asked.name, lines, tuple(kept[:MAX_ADVICE]), no_advice=none)


def _missed_elsewhere(card: Scorecard) -> bool:
    """Whether most changes went by while the player was elsewhere in the form: then the place is what to work on."""
    inside = sum(item.bar_idx in card.form.bars_elsewhere for item in card.landing.missed)
    return 2 * inside > len(card.landing.missed)


def _nothing_to_advise(lines: tuple[Line, ...], level: Level) -> Why:
    """Why there is no advice; what to try next is said only where all four lines were judged, and met."""
    if all(line.met is None for line in lines):
        return no_figure("nothing_measured", "nothing could be measured")
    if any(line.met is False for line in lines):
        return no_figure("none_found", "what falls short shows no one cause")
    open_ = [line.name for line in lines if line.met is None]
    if open_:
        return no_figure("met", f"what could be judged meets its target; not judged: {', '.join(open_)}")
    names = list(levels())
    harder = names[names.index(level.name) + 1 :]
    stricter = f" (trainer score with --level {harder[0]} asks for more)" if harder else ""
    return no_figure("met", f"all four meet their targets; next: another key, or a little faster{stricter}")


def _line(
    name: Literal["feel", "time", "landing", "form and shape"], text: str, figure: Figure, unit: str, target: str,
    met: bool | None, bars: tuple[BarPlace, ...] = (), why: Why | None = None, also: str = "",
) -> Line:  # fmt: skip
    """A line; `why` is why something in it is absent."""
    unjudged = why if met is None else None
    return Line(
        name=name, text=text, figure=figure.because(why), unit=unit, target=target, met=met, bars=bars, also=also,
        unjudged=unjudged,
    )  # fmt: skip


def _after(text: str) -> str:
    """A summary line without the name before its colon."""
    said = text.split(": ", 1)[-1]
    return said[:1].upper() + said[1:]


def _feel(card: Scorecard, level: Level, found: list[Advice]) -> Line:
    swing, ratio = card.swing, card.swing.ratio
    text = _after(feel_line(swing))
    spread = 2.0**level.swing_log2
    band = swing.band.value
    if math.isnan(band):
        target = "no band to compare with"
    else:
        target = f"{band / spread:.2f} to {band * spread:.2f} to one, round the band's {band:.2f}"
    if swing.refused or not ratio.known or ratio.value <= 0.0:
        reason = (ratio.why if swing.refused else None) or no_figure("no_ratio", "no swing figure")
        return _line("feel", text, NO_FIGURE, "ratio", target, None, (), reason)
    unsure = no_figure("no_band", target) if math.isnan(band) else _not_compared(ratio, band, level)
    if unsure is not None:
        return _line("feel", text, ratio, "ratio", target, None, (), unsure)
    weight = abs(math.log2(ratio.value / band)) / level.swing_log2
    if weight > 1.0:
        side = "straighter" if ratio.value < band else "harder, nearer dotted,"
        pairs = f"({ratio.low:.2f} to {ratio.high:.2f}, {ratio.n} pairs)"
        evidence = f"swing {ratio.value:.2f} {pairs}; the band plays {band:.2f}"
        say = f"Your shuffle is {side} than the band's: put the short note where the band has it."
        drill = "shuffle_one_note" if weight > 2.0 else "shuffle_through_the_form"
        if band < EVEN_RATIO:
            say = "The band plays even eighths here, and yours are long and short: make them alike."
            drill = "repeated_notes"
        found.append(Advice("feel", say, evidence, drill, weight))
    return _line("feel", text, ratio, "ratio", target, weight <= 1.0, _far_ratios(card))


def _not_compared(ratio: Figure, band: float, level: Level) -> Why | None:
    """Why a ratio can be called neither the band's nor another."""
    if ratio.interval is None:
        return no_figure("too_few", f"{counted(ratio.n, 'pair')}; {MIN_N} are needed")
    if abs(math.log2(ratio.value / band)) / level.swing_log2 <= 1.0:
        return None
    if ratio.low <= band <= ratio.high:
        return no_figure("too_few", f"{ratio.n} pairs: their interval holds the band's ratio")
    return no_figure("too_scattered", "the pairs scatter too widely to compare") if too_scattered(ratio) else None


def _far_ratios(card: Scorecard) -> tuple[BarPlace, ...]:
    """The bars whose swing lies furthest from the band's."""
    chart = card.chart
    if chart is None:
        return ()
    cost: Counter[int] = Counter()
    pairs = card.swing.found
    band = card.swing.band.value
    for beat, ratio in zip(pairs.beat.tolist(), pairs.ratio.tolist(), strict=True):
        away = abs(math.log2(ratio / band)) if 0.0 < ratio < math.inf else 3.0
        if away > 0.5:  # our choice: half as long again, or a third less
            cost[int(chart.bar_idx_at(float(beat)))] += round(100 * away)
    return _worst(card, cost)


def _worst(card: Scorecard, cost: Mapping[int, float]) -> tuple[BarPlace, ...]:
    chart = card.chart
    if chart is None or card.landing.changes is None:  # or the bars are not the chart's
        return ()
    order = sorted(cost, key=lambda idx: (-cost[idx], idx))
    return tuple(BarPlace(chart.bars[i].chorus, chart.bars[i].bar) for i in order if chart.bars[i].chorus > 0)[
        :MAX_BARS
    ]


def _time(card: Scorecard, level: Level, found: list[Advice]) -> Line:
    timing = card.timing
    beat_s = 60.0 / card.take.tempo_bpm
    calibrated = card.reading.calibrated
    text = _after(time_of(card))
    target = f"spread at most {level.spread_pct:g} % of the beat"
    if calibrated:
        target += f", placed {level.early_ms:+.0f} to {level.late_ms:+.0f} ms"
    if not timing.spread_s.known:
        why = timing.spread_s.why or no_figure("too_few", f"{counted(timing.n, 'note')} on the beat")
        return _line("time", text, NO_FIGURE, "% of the beat", target, None, (), why)
    spread = timing.spread_s.scaled(100.0 / beat_s)
    met: bool | None = spread.value <= level.spread_pct
    unsure: Why | None = None
    if spread.low <= level.spread_pct < spread.value:
        met, unsure = None, no_figure("too_few", f"the spread's interval over {timing.n} notes holds the target")
    elif not met:
        found.append(_scattered(spread, timing.n, level))
    placed = _off_place(timing.mean_s.scaled(1000.0), timing.n, level) if calibrated else None
    if calibrated and placed is None and met and not level.early_ms <= 1000.0 * timing.mean_s.value <= level.late_ms:
        met, unsure = None, no_figure("too_few", f"the average's interval over {timing.n} notes holds the target")
    surely_off = [each for each in (placed, _drifting(timing, level), _uneven(card, level)) if each is not None]
    found += surely_off
    if surely_off:
        met = False
    also = ", ".join(each.evidence.partition("; asked for")[0] for each in surely_off)
    return _line("time", text, spread, "% of the beat", target, met, _far_strays(card), unsure, also)


def _scattered(spread_pct: Figure, n: int, level: Level) -> Advice:
    weight = spread_pct.value / level.spread_pct
    evidence = f"spread {spread_pct.value:.1f} % of the beat over {n} notes; asked for {level.spread_pct:g} %"
    drill = "repeated_notes" if spread_pct.value > 2.0 * level.spread_pct else "shuffle_two_strings"
    return Advice("time", "Your notes scatter round the beat.", evidence, drill, weight)


def _off_place(mean_ms: Figure, n: int, level: Level) -> Advice | None:
    """Advice to one who is surely later or earlier on average than what is asked for."""
    if not (mean_ms.low > level.late_ms or mean_ms.high < level.early_ms):
        return None
    side, edge = ("behind", level.late_ms) if mean_ms.value > 0 else ("ahead of", level.early_ms)
    average = f"{mean_ms.value:+.0f} ms on average ({mean_ms.low:+.0f} to {mean_ms.high:+.0f}, {n} notes)"
    evidence = f"{average}; asked for {edge:+.0f} ms at most"
    return Advice("time", f"You sit well {side} the beat.", evidence, "shuffle_one_note", abs(mean_ms.value / edge))


def _drifting(timing: Timing, level: Level) -> Advice | None:
    """Advice to one who surely drags or pushes through the whole song."""
    drift_ms = timing.drift_s.scaled(1000.0)
    weight = abs(drift_ms.value) / level.drift_ms_per_chorus
    if drift_ms.interval is None or drift_ms.low <= 0.0 <= drift_ms.high or not weight > 1.0:
        return None
    evidence = f"{drift_ms.value:+.1f} ms a chorus ({drift_ms.low:+.1f} to {drift_ms.high:+.1f})"
    say = f"Against {against(timing)} you {'drag' if drift_ms.value > 0 else 'push'} as the song goes on."
    return Advice("time", say, evidence, "drop_out_2_of_4", weight)


def _far_strays(card: Scorecard) -> tuple[BarPlace, ...]:
    """The bars whose beats lie furthest from the player's own place."""
    cost: Counter[int] = Counter()
    if card.chart is not None:
        floor = max(card.timing.spread_s.value, 0.008)
        for beat, late in zip(card.timing.beat.tolist(), card.timing.strays_s.tolist(), strict=True):
            if abs(late) > 2.5 * floor:
                cost[int(card.chart.bar_idx_at(float(beat)))] += round(1000 * abs(late))
    return _worst(card, cost)


def _uneven(card: Scorecard, level: Level) -> Advice | None:
    """Advice to one who rushes or drags by the part of the song: through every chorus, or in the solos.

    Both hide in an average, and in a drift over the whole song as the next chorus starts over. From bar medians of how
    far the player is off his own place; nearly every chorus has to go the same way.
    """
    chart, timing, limit_ms = card.chart, card.timing, 2.0 * level.drift_ms_per_chorus
    nowhere = card.landing.changes is None  # the bars are not the chart's
    if chart is None or nowhere or timing.n < MIN_N or not timing.spread_s.known:
        return None
    in_bar = chart.bar_idx_at(timing.beat + 1e-6)
    late_ms = {chart.bars[i]: median(1000.0 * timing.strays_s[in_bar == i]) for i in np.unique(in_bar)}
    through, n_choruses = _through_choruses(chart, late_ms)
    words = f"{{:.0f}} ms {{}} at its end than at its top ({{}}, {n_choruses} choruses)"
    found = _told(through, limit_ms, "through every chorus, and start over at the next", words)
    verses, solos = (
        np.array([ms for bar, ms in late_ms.items() if bar.role == role and not bar.final])
        for role in ("verse", "solo")
    )
    gap = welch(verses, solos)
    found += _told(gap, limit_ms, "in the solos", f"{{:.0f}} ms {{}} than in the verses ({{}}, {gap.n} bars)")
    if not found:
        return None
    size, say, evidence = max(found)
    return Advice("time", say, evidence, "drop_out_2_of_4", size / limit_ms)


def _through_choruses(chart: Chart, late_ms: Mapping[ChartBar, float]) -> tuple[Figure, int]:
    """How much later a chorus ends than it began, of all that can be asked, and how many these are; no figure where
    they do not go one way."""
    per_bar: list[tuple[float, float]] = []
    slopes = []
    for chorus in {bar.chorus for bar in late_ms if bar.chorus > 0}:
        at, late = np.array([(bar.bar, ms) for bar, ms in late_ms.items() if bar.chorus == chorus], dtype=np.float64).T
        if len(at) >= MIN_N:
            slopes.append(theil_sen(late, at, at).value)
            per_bar += zip(at.tolist(), (late - late.mean()).tolist(), strict=True)
    if len(slopes) < MIN_CHORUSES or abs(np.sign(slopes).sum()) < SAME_WAY * len(slopes):
        return NO_FIGURE, len(slopes)
    at, late = np.array(sorted(per_bar)).T
    slope = theil_sen(late, at, np.arange(0.0, 2.0 * len(at), 2.0))  # of many choruses: no two are neighbours
    return slope.scaled(len(chart.form_chords)), len(slopes)


def _told(late_ms: Figure, limit_ms: float, where: str, evidence: str) -> list[tuple[float, str, str]]:
    """(size, words, evidence) of a difference of at least `limit_ms`, and surely of half of it; else nothing."""
    sure_ms = max(late_ms.low, -late_ms.high)
    if not sure_ms > limit_ms / 2.0 or abs(late_ms.value) < limit_ms:
        return []
    size, word = abs(late_ms.value), "earlier" if late_ms.value < 0.0 else "later"
    low, high = sorted((abs(late_ms.low), abs(late_ms.high)))
    say = f"You {'rush' if late_ms.value < 0.0 else 'drag'} {where}."
    return [(size, say, evidence.format(size, word, f"{low:.0f} to {high:.0f}"))]


_PAIR_DRILLS = {
    "I→IV": "change_one_four", "i→iv": "change_one_four", "IV→I": "change_four_one", "iv→i": "change_four_one",
    "V→IV": "change_five_four", "V→iv": "change_five_four", "V→I": "change_turnaround", "V→i": "change_turnaround",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Habit:
    """A change that goes by in nearly every chorus: `missed` of the `asked` times that its bar came round."""

    items: tuple[Item, ...]
    asked: int

    @property
    def say(self) -> str:
        item = self.items[0]
        if item.bar == 2 and item.pair in ("I→IV", "i→iv"):
            return "The quick change in bar 2 goes by without you."
        where = f"bar {item.bar}" if item.beat == 1 else f"bar {item.bar} beat {item.beat}"
        return f"The change into {where} goes by without you."

    @property
    def evidence(self) -> str:
        item, n = self.items[0], len(self.items)
        text = f"{item.pair} into bar {item.bar} missed {n} of {counted(self.asked, 'time')}"
        stayed = {other.stayed_on for other in self.items}
        return f"{text}; you stayed on {item.stayed_on}" if stayed == {item.stayed_on} and item.stayed_on else text


def _habit(landing: Landing) -> _Habit | None:
    """The change of the form that is missed most, where that is a habit: a rate over all changes hides it."""
    asked: Counter[tuple[int, int, str]] = Counter()
    missed: dict[tuple[int, int, str], list[Item]] = {}
    for item in landing.items:
        place = (item.bar, item.beat, item.pair)
        asked[place] += item.outcome not in NOT_COUNTED
        if item.outcome in ("other", "silent"):
            missed.setdefault(place, []).append(item)
    habits = [
        _Habit(tuple(items), asked[place])
        for place, items in missed.items()
        if len(items) >= HABIT_MISSES and len(items) >= HABIT_SHARE * asked[place]
    ]
    return max(habits, key=lambda habit: (len(habit.items), -habit.items[0].bar), default=None)


def _bar_of_drill(card: Scorecard, item: Item) -> int | None:
    """The bar before a missed change, as the drills of a change count them; None where no such drill has that place."""
    chart = card.chart
    if chart is None or chart.session.form == "chart" or chart.session.loop or item.beat != 1:
        return None
    inside = 1 < item.bar <= len(chart.form_chords) - 2  # the last bars are the turnaround's, which changes
    return item.bar - 1 if inside and item.pair in _PAIR_DRILLS else None


def _options(card: Scorecard, advice: Advice) -> str:
    """What `trainer drill` has to be told so that an advice is worked on in its place, form and groove."""
    if card.chart is None:
        return ""
    session = card.chart.session
    parts = [] if advice.bar is None else [f"--bar {advice.bar}"]
    any_form = advice.bar is None and advice.drill in _PAIR_DRILLS.values()  # not every form has each change
    if not any_form and session.form not in (DRILL_FORM, "chart"):
        parts.append(f"--form {session.form}")
    if session.groove != DRILL_GROOVE:
        parts.append(f"--groove {session.groove}")
    return " ".join(parts)


def _landing(card: Scorecard, level: Level, found: list[Advice]) -> Line:
    landing = card.landing
    text = _after(landing_line(landing, None if card.session is None else card.session.key))
    n = landing.total.changes
    target = f"at least {100.0 * level.landed_rate:.0f} % of the changes on a chord note"
    if n == 0:
        return _line("landing", text, NO_FIGURE, "share", target, None, (), landing.landed_rate.why)
    rate = landing.landed_rate.value
    thin = no_figure("too_few", f"{counted(n, 'change')}; {MIN_N} are needed to judge") if n < MIN_N else None
    met = rate >= level.landed_rate if thin is None else None
    weight = (1.0 - rate) / max(1.0 - level.landed_rate, 0.02)
    advice = _landing_advice(card, weight, short_of_it=met is False)
    found += [] if advice is None else [advice]
    cost = Counter(item.bar_idx for item in landing.missed)
    return _line("landing", text, landing.landed_rate, "share", target, met, _worst(card, cost), thin)


def _landing_advice(card: Scorecard, weight: float, *, short_of_it: bool) -> Advice | None:
    """What is behind the changes that were missed: coming late, leaving out, one change of the form, one pair of
    chords. `short_of_it`: too few were landed; the first and the third are said even so."""
    landing = card.landing
    late, gone = beat_late_words(landing), missing_words(landing)
    if late:
        say = f"You come {late}: have the next root under your finger before the bar ends."
        evidence = f"the new root a beat after {landing.beat_late} of {landing.beat_late_of} changes"
        return Advice("landing", say, evidence, "roots", max(weight, 1.0))
    if gone and short_of_it:
        return Advice("landing", "Play fewer notes, and all of them: roots on the beat first.", gone, "roots", weight)
    landed = f"{landing.total.landed} of {landing.total.changes} changes landed; "
    habit = _habit(landing)
    if habit is not None and (not short_of_it or 2 * len(habit.items) >= len(landing.missed)):
        first, often = habit.items[0], 1.0 + len(habit.items) / habit.asked
        evidence = f"{landed if short_of_it else ''}{habit.evidence}"
        drill = _PAIR_DRILLS.get(first.pair, "roots")
        weight = max(weight, often) if short_of_it else often
        return Advice("landing", habit.say, evidence, drill, weight, _bar_of_drill(card, first))
    if not short_of_it or not landing.missed:
        return None
    ((pair, count),) = Counter(item.pair for item in landing.missed).most_common(1)
    evidence = f"{landed}{pair} missed {count} of {landing.by_pair[pair].changes}"
    say = f"Be there when the chord changes: {pair} is the one that gets away."
    return Advice("landing", say, evidence, _PAIR_DRILLS.get(pair, "roots"), weight)


def _form_and_shape(card: Scorecard, level: Level, found: list[Advice]) -> Line:
    form, shape = card.form, card.shape
    text = _after(form_and_shape_line(card))
    target = (
        f"at most {100.0 * level.lost_share:.0f} % of the bars out of place, "
        f"{100.0 * level.planned_share:.0f} % of the choruses as planned"
    )
    lost_share, reason = _lost_share(card, form, level)
    met: bool | None = None if math.isnan(lost_share) else lost_share <= level.lost_share
    cost: Counter[int] = Counter()
    for span in form.lost or ():
        cost[span.first_idx] += span.last_idx - span.first_idx + 1
    if form.lost and met is False:
        longest = max(form.lost, key=lambda span: span.last_idx - span.first_idx)
        weight = min(6.0, lost_share / max(level.lost_share, 0.02))
        where = f"{form.bars_lost} of {form.bars_in_for(card.reading)} bars; {longest.words()}"
        say = "You were elsewhere in the form for a while: count it through on roots."
        found.append(Advice("form", say, where, "roots", weight))
    also = ""
    if shape.choruses:
        good, asked = shape.planned
        also = f"{good} of {asked} {'chorus' if asked == 1 else 'choruses'} as planned" if asked else ""
        if asked and good / asked < level.planned_share:
            met = False if met is not None else None
            if not card.landing.half_missing:  # whoever leaves half of it out is told that, and not to do less
                _shape_advice(shape, good, asked, level, found)
    sure = reason or no_figure("counted", "bars are counted, not sampled: no interval")
    bars = _worst(card, cost)
    return _line("form and shape", text, Figure(lost_share), "share of bars elsewhere", target, met, bars, sure, also)


def _lost_share(card: Scorecard, form: FormResult, level: Level) -> tuple[float, Why | None]:
    """The share of the bars in which the player was elsewhere in the form; NaN with the reason where nobody can say."""
    if form.lost is None or form.place is None:
        return math.nan, form.nothing
    bars_lost = form.bars_lost or 0
    n_bars = max(form.bars_in_for(card.reading), 1)
    n_told = max(n_bars, sum(row.chorus == 1 for row in form.place))  # a chorus at the least
    if not bars_lost and form.n_bars_played < 0.5 * n_told:
        return math.nan, no_figure("too_few", f"notes in {form.n_bars_played} of {n_told} bars: too few to say")
    if form.untold and bars_lost / n_bars <= level.lost_share:
        return math.nan, no_figure("not_placed", "in how many bars you were elsewhere cannot be told")
    return bars_lost / n_bars, form.nothing


def _choruses(found: list[ChorusShape]) -> str:
    """ "chorus 3", "choruses 1, 2, 5, 6 and 2 more"."""
    names = ", ".join(str(c.chorus) for c in found[:4])
    more = f" and {len(found) - 4} more" if len(found) > 4 else ""
    return f"chorus{'' if len(found) == 1 else 'es'} {names}{more}"


def _shape_advice(shape: Shape, good: int, asked: int, level: Level, found: list[Advice]) -> None:
    off = [c for c in shape.choruses if c.as_planned is False and not c.lost]
    if not off:  # where the place was lost, that is the advice
        return
    weight = level.planned_share / max(good / asked, 0.2)
    verses = [c for c in off if c.role == "verse"]
    solos = [c for c in off if c.role == "solo"]
    counts = f"{good} of {asked} {'chorus' if asked == 1 else 'choruses'} as planned"
    if len(verses) >= len(solos):
        rules = shape_rules()
        # Whoever walks, or keeps the rhythm and misses changes, is told of those alone.
        loose = [c for c in verses if not c.walks and c.loose(rules)]
        say, told = "Hold the verse down: one rhythm, chord notes.", loose
        if not loose:
            say = "Hold the verse down: stay within an octave of the root."
            told = [c for c in verses if not c.walks and c.span_semitones.value > rules.pinned_span_semitones]
        if told:
            evidence = f"{counts}; not held down: {_choruses(told)}"
            found.append(Advice("shape", say, evidence, "pin_the_verse", weight))
        return
    evidence = f"{counts}; not opened: {_choruses(solos)}"
    if any(c.verdict == "wandering" for c in solos):
        say = "The solos move, but the changes slip away: open up and still land."
        drill = "open_by_height"
    else:
        say = "Let the solos open from the verses: busier, or higher."
        dense = shape.contrast.get("notes_per_bar")
        drill = "open_by_density" if dense is None or not dense.value > 0.5 else "open_by_height"
    found.append(Advice("shape", say, evidence, drill, weight))
