"""The scorecard in a bandmate's words: four lines and the bars that cost most. Plain text, no markup.

A steady offset is a feel ("placed"), a wide spread is something else ("unsteady"). Without a calibration nobody is
called late: the latency of the set-up is the other explanation. Thresholds: common practice (−10…+25 ms is
deliberate, beyond +35 it sounds late) and the just-noticeable displacement (6 ms; 2.5 % of slow intervals: Friberg &
Sundberg 1995).
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator

from trainer.music import Key
from trainer.profiles import Profile
from trainer.scoring.beat import BeatBy
from trainer.scoring.card import MEASURES, Scorecard
from trainer.scoring.figure import Figure
from trainer.scoring.landing import Item, Landing
from trainer.scoring.stats import MIN_N
from trainer.scoring.swing import Swing
from trainer.scoring.timing import DropOutTiming, Timing
from trainer.scoring.why import counted
from trainer.session import BEATS_PER_BAR

__all__ = [
    "against",
    "beat_late_words",
    "costly_bars",
    "feel_line",
    "form_and_shape_line",
    "landing_line",
    "missing_words",
    "summary",
    "time_line",
    "time_of",
    "too_scattered",
]

FELT_MS = 6.0  # smallest displacement that is noticed (Friberg & Sundberg 1995)
DELIBERATE_MS = (-10.0, 25.0)  # common practice
SOUNDS_LATE_MS = 35.0  # common practice
STRAY_S = 0.030  # our choice
ONE_BEAT_S = 0.020  # one beat of the bar so far from the other three is a habit; our choice
MEDIAN_ERROR, SURE_ERRORS = 1.25, 3.0  # standard error of a median, in the mean's; and so many of them: our choice
STEADY_PCT = 2.5  # spread in % of the beat: at the edge of hearing; our choice for "steady"
UNSTEADY_PCT = 5.0  # our choice

MOST_APART = 2.0  # from even eighths to the triplet; our choice
HEARD_LOG2 = 0.07  # a ratio 5 % from another is hardly told from it; our choice
SAME_PITCH_LOG2 = 0.07  # ratios nearer than 5 % are one ratio, however narrow the interval; our choice


def too_scattered(ratio: Figure) -> bool:
    """Whether a swing ratio's interval reaches from one feel to another: its ends are more than twice apart."""
    return math.isfinite(ratio.low) and math.isfinite(ratio.high) and ratio.high > MOST_APART * ratio.low


def _beside(ratio: Figure, band: float) -> str:
    """A ratio beside the band's. It differs where its interval leaves the band's by more than anybody hears."""
    if ratio.high < band * 2.0**-HEARD_LOG2:
        return "you are straighter"
    if ratio.low > band * 2.0**HEARD_LOG2:
        return "you swing harder, nearer dotted"
    if ratio.low <= band <= ratio.high:
        return "and you are with it"
    if abs(math.log2(ratio.value / band)) < HEARD_LOG2:
        return "and you are as good as with it"
    return f"and you may be a little {'straighter' if ratio.value < band else 'nearer dotted'}"


def feel_line(swing: Swing) -> str:
    """The swing in one line."""
    ratio = swing.ratio
    if swing.refused and ratio.why is not None:
        return f"Feel: no swing figure: {ratio.why.text}{'' if ratio.why.text.endswith('?') else '.'}"
    if ratio.interval is not None and ratio.n >= 8:
        sure = f"{ratio.low:.2f}–{ratio.high:.2f}, {ratio.n} pairs"
    else:
        sure = f"{counted(ratio.n, 'pair')}, too few for an interval"
    return f"Feel: swing {ratio.value:.2f} : 1 ({sure}){_beside_the_band(swing)}{_on_one_pitch(swing)}."


def _beside_the_band(swing: Swing) -> str:
    """ "; the band plays 2.00, and you are with it", or nothing where no band swings."""
    ratio, band = swing.ratio, swing.band.value
    if math.isnan(band):
        return ""
    if too_scattered(ratio):
        compared = ", but your pairs scatter too widely to compare"
    else:
        compared = "" if ratio.interval is None else f", {_beside(ratio, band)}"
    return f"; the band plays {band:.2f}{compared}"


def _on_one_pitch(swing: Swing) -> str:
    """ ". On pairs of one pitch 1.80 …", where these are enough and surely other than all pairs; else nothing."""
    all_pairs, same = swing.ratio, None if swing.same_pitch is None else swing.same_pitch.ratio
    if same is None or same.n < 8 or not math.isfinite(same.value) or not math.isfinite(all_pairs.low):
        return ""
    if all_pairs.low <= same.value <= all_pairs.high or min(same.value, all_pairs.value) <= 0.0:
        return ""
    if not abs(math.log2(same.value / all_pairs.value)) > SAME_PITCH_LOG2:
        return ""
    return f". On pairs of one pitch {same.value:.2f} ({same.n} pairs): low notes may be reported late"


def time_line(
    timing: Timing, *, calibrated: bool, beat_s: float, profile: Profile = "pad", beat_by: BeatBy = "file"
) -> str:
    """Where the player sits and how steadily, in one line. `beat_by` is whose beat the take is judged by."""
    if timing.n == 0:
        return f"Time: no figure: {'' if timing.mean_s.why is None else timing.mean_s.why.text}."
    if beat_by == "notes":
        place = "late or early cannot be said by a beat fitted to your own notes"
    else:
        place = _sits(timing, calibrated, foreign=profile == "foreign")
    if not timing.spread_s.known:
        if timing.n >= MIN_N and timing.spread_s.why is not None:
            return f"Time: {place}; how steady cannot be said: {timing.spread_s.why.text}."
        return f"Time: {place}; {counted(timing.n, 'note')}, too few to say how steady."
    pct = 100.0 * timing.spread_s.value / beat_s
    word = "steady" if pct <= STEADY_PCT else "unsteady" if pct > UNSTEADY_PCT else "fairly steady"
    spread = f"{word}, spread {1000.0 * timing.spread_s.value:.0f} ms"
    return f"Time: {place}; {spread}{_wander(timing.drift_s)}{_one_beat_off(timing)}."


def against(timing: Timing) -> str:
    """What a player's time is held against."""
    return "the drums" if timing.reference == "band" else "the beat"


def _sits(timing: Timing, calibrated: bool, *, foreign: bool) -> str:
    """Where the player sits on average, and between which places that may be."""
    mean = 1000.0 * timing.mean_s.value
    there, between = against(timing), ""
    if math.isfinite(timing.mean_s.low):
        between = f" (between {round(1000.0 * timing.mean_s.low):+d} and {round(1000.0 * timing.mean_s.high):+d})"
    if (calibrated or foreign) and abs(mean) < FELT_MS:
        return f"right on {there}, {round(mean):+d} ms{between}"
    there += between
    if not calibrated and not foreign:
        side = "after" if mean > 0 else "ahead of"
        return f"{abs(mean):.0f} ms {side} {there}; not calibrated, so that may be the set-up's latency"
    if mean > SOUNDS_LATE_MS:
        return f"{mean:.0f} ms behind {there}{'' if foreign else ': that sounds late'}"
    if mean < DELIBERATE_MS[0]:
        return f"{-mean:.0f} ms ahead of {there}"
    return f"placed {abs(mean):.0f} ms {'behind' if mean > 0 else 'ahead of'} {there}"


def _wander(drift: Figure) -> str:
    """ "; dragging 3 ms a chorus", where that is sure; else nothing."""
    if not math.isfinite(drift.low) or drift.low <= 0.0 <= drift.high or abs(drift.value) < 0.001:
        return ""
    return f"; {'dragging' if drift.value > 0 else 'pushing'} {abs(1000.0 * drift.value):.0f} ms a chorus"


def time_of(card: Scorecard) -> str:
    """The same of a card. Where the downbeat was found off the file's own beats, these come from the notes, too."""
    own = bool(card.take.downbeat.get("phase_beats"))
    return time_line(
        card.timing,
        calibrated=card.reading.calibrated,
        beat_s=60.0 / card.take.tempo_bpm,
        profile=card.take.profile,
        beat_by="notes" if own else card.take.beat_this_file,
    )


def _one_beat_off(timing: Timing) -> str:
    """ "; beat 4 always late, 45 ms after your other beats": one beat of the bar surely apart from all others."""
    known = [b for b in timing.per_beat if b.median_s.known and b.spread_s.known]
    if len(known) < BEATS_PER_BAR:
        return ""
    for beat in known:
        others = [b.median_s.value for b in known if b is not beat]
        at, unsure = beat.median_s.value, SURE_ERRORS * MEDIAN_ERROR * beat.spread_s.value / math.sqrt(beat.n)
        for away, word, side in ((at - max(others), "late", "after"), (min(others) - at, "early", "before")):
            if away >= max(ONE_BEAT_S, unsure):
                return f"; beat {beat.beat} always {word}, {1000.0 * away:.0f} ms or more {side} your other beats"
    return ""


def landing_line(landing: Landing, key: Key | None = None) -> str:
    """The changes in one line, and how they were missed; `key` is the session's, to name the one that was played in."""
    t = landing.total
    if landing.nothing is not None:
        return f"Landing: {landing.nothing.text}."
    sat_out = _sat_out(landing)
    if landing.picked:
        sat_out = f"; the space bar picked the root of {counted(landing.picked, 'change')} for you: no landing{sat_out}"
    if t.changes == 0:
        return f"Landing: no change of chord {'counts' if sat_out else 'was asked for'}{sat_out}."
    rested = landing.roots_after_rest
    lates = ((landing.roots_late - rested, "late"), (rested, "after a rest on beat 1"))
    late = "".join(f", {n} of them {how}" for n, how in lates if n)
    line = f"Landing: {t.roots} of {counted(t.changes, 'change')} on the root{late}"
    line += f"{';' if late else ','} {t.landed} of {t.changes} on a chord note"
    line += f"{beat_late_words(landing, '; ')}{missing_words(landing, '; ')}{sat_out}"
    return line + _most_missed(landing) + _read_elsewhere(landing.transposed_semitones, key) + _stayed(landing)


def _most_missed(landing: Landing) -> str:
    """ "; most often missed: I→IV (3 of 6)", where no more is known of what was missed; else nothing."""
    if not landing.missed or landing.beat_late_of is not None or landing.half_missing:
        return ""
    ((worst, count),) = Counter(item.pair for item in landing.missed).most_common(1)
    if count == 1 < len(landing.missed):
        return ""  # of several missed once each, none stands out
    return f"; {'most often ' if count > 1 else ''}missed: {worst} ({count} of {landing.by_pair[worst].changes})"


def _read_elsewhere(semitones: int, key: Key | None) -> str:
    """That the take was read so many semitones lower, and what may be behind it; nothing for none."""
    if not semitones:
        return ""
    played_in = "" if key is None else f", or did you play in {key.transposed(semitones).name}"
    lower = f"{counted(abs(semitones), 'semitone')} {'lower' if semitones > 0 else 'higher'}"
    return f" (read {lower}: is the input transposed{played_in}?)"


def _stayed(landing: Landing) -> str:
    """ ". Did you mean to stay on G7 in chorus 1 bar 5?", or the full stop."""
    stayed = [item for item in landing.missed if item.stayed_on]
    return f". Did you mean to stay on {stayed[0].stayed_on} in {_bars(stayed)}?" if stayed else "."


def beat_late_words(landing: Landing, before: str = "") -> str:
    """ "a beat late to every change", where the new root answers most of them one beat late; else nothing."""
    of = landing.beat_late_of
    if of is None:
        return ""
    which = "every change" if landing.beat_late == of else f"{landing.beat_late} of {of} changes"
    return f"{before}a beat late to {which}"


def missing_words(landing: Landing, before: str = "") -> str:
    """ "about half the notes are missing: …", where they are, here and there; else nothing."""
    if not landing.half_missing:
        return ""
    share = landing.beats_empty / landing.beats_asked
    much = "about half" if 0.4 <= share <= 0.6 else "many" if share < 0.4 else "most"
    return f"{before}{much} of the notes are missing: nothing on {landing.beats_empty} of {landing.beats_asked} beats"


def _sat_out(landing: Landing) -> str:
    """ "; you sat out chorus 3; you stopped at chorus 4 bar 10", or nothing."""
    spans = [span.words() for span in landing.sat_out]
    more = f" and {len(spans) - 3} more" if len(spans) > 3 else ""
    sat = f"; you sat out {', '.join(spans[:3])}{more}" if spans else ""
    return sat + ("; you stopped at chorus {} bar {}".format(*landing.stopped) if landing.stopped else "")


def _bars(items: list[Item]) -> str:
    shown = ", ".join(f"chorus {i.chorus} bar {i.bar}" for i in items[:3])
    return shown + (f" and {len(items) - 3} more" if len(items) > 3 else "")


def form_and_shape_line(card: Scorecard) -> str:
    """Form and shape in one line, from their sections' own words where they have them."""
    if card.chart is None:
        why = card.form.nothing
        return f"Form and shape: {'nothing to say' if why is None else why.text}."
    parts = [part.rstrip(".") for part in (card.form.line, card.shape.line) if part]
    return f"Form and shape: {'; '.join(parts)}."


def costly_bars(card: Scorecard, n: int = 4) -> tuple[tuple[int, int, str], ...]:
    """The bars that cost most, worst first: (chorus, bar, why). A missed change costs more than a stray beat."""
    reading = card.reading
    chart = reading.chart
    if chart is None:
        return ()
    cost: dict[int, float] = {}
    reasons: dict[int, list[str]] = {}
    for item in card.landing.missed:
        cost[item.bar_idx] = cost.get(item.bar_idx, 0.0) + 3.0
        heard = "nothing" if item.outcome == "silent" else f"stayed on {item.stayed_on}" if item.stayed_on else "other"
        words = {"nothing": f"nothing on the {item.chord}", "other": f"another note on the {item.chord}"}
        reasons.setdefault(item.bar_idx, []).append(words.get(heard, heard))
    t = card.timing
    if t.n >= 8 and t.spread_s.value > 0.0:
        strays = t.strays_s
        away = abs(strays) / max(t.spread_s.value, 0.008)
        # Three spreads from the player's own place, and enough to be heard in a song. Our choice.
        far = (away > 3.0) & (abs(strays) > STRAY_S)
        astray: dict[tuple[int, str], list[tuple[int, float]]] = {}
        for beat, ms in zip(t.beat[far].tolist(), (1000.0 * strays)[far].tolist(), strict=True):
            bar = int(chart.bar_idx_at(float(beat)))
            cost[bar] = cost.get(bar, 0.0) + 1.0
            place = int(beat - chart.bars[bar].onset_beats) + 1
            astray.setdefault((bar, "after" if ms > 0 else "before"), []).append((place, abs(ms)))
        for (bar, side), beats in astray.items():
            reasons.setdefault(bar, []).append(_astray(beats, side))
    worst = sorted(cost, key=lambda b: (-cost[b], b))[:n]
    return tuple((chart.bars[b].chorus, chart.bars[b].bar, "; ".join(reasons[b])) for b in worst)


def _astray(beats: list[tuple[int, float]], side: str) -> str:
    """ "beat 3 came 118 ms after your usual place", "beats 1, 2 and 4 came 40 to 60 ms before your usual place"."""
    places, late = [str(place) for place, _ in beats], [ms for _, ms in beats]
    if len(beats) == 1:
        return f"beat {places[0]} came {late[0]:.0f} ms {side} your usual place"
    low, high = f"{min(late):.0f}", f"{max(late):.0f}"
    how_far = low if low == high else f"{low} to {high}"
    return f"beats {', '.join(places[:-1])} and {places[-1]} came {how_far} ms {side} your usual place"


def summary(card: Scorecard, *, full: bool = False) -> str:
    """What `trainer score` prints: four lines, then the bars that cost most; with `full` the curious figures too."""
    lines = [
        feel_line(card.swing),
        time_of(card),
        landing_line(card.landing, None if card.session is None else card.session.key),
        form_and_shape_line(card),
    ]
    bars = costly_bars(card)
    if bars:
        lines += ["", "Bars that cost most:"]
        lines += [f"  chorus {chorus}, bar {bar}: {reason}" for chorus, bar, reason in bars]
    if full:
        lines += ["", *_full(card)]
    return "\n".join(lines)


def _full(card: Scorecard) -> list[str]:
    """The curious figures, a line each."""
    swing = card.swing
    out = list(_time_in_full(card.timing))
    if swing.short_ms.known:
        out.append(f"Short note: {swing.short_ms.value:.0f} ms; triplet figures: {swing.n_triplet_figures}")
    for measure in MEASURES:
        if measure.shown.of is not None:  # those that stand in a module of their own
            out.append(f"{measure.shown.title[:1].upper()}{measure.shown.title[1:]}: {measure.words(card)}")
    for group in swing.per_chorus:
        if group.ratio.n:
            out.append(f"Chorus {group.chorus} ({group.role}): swing {group.ratio.value:.2f}, n {group.ratio.n}")
    return out


def _time_in_full(timing: Timing) -> Iterator[str]:
    for beat in timing.per_beat:
        if beat.n and beat.median_s.known:
            spread = "" if math.isnan(beat.spread_s.value) else f", spread {1000.0 * beat.spread_s.value:.1f} ms"
            place = f"{1000.0 * beat.median_s.value:+.1f} ms ({beat.pct_of_beat.value:+.1f} % of the beat)"
            yield f"Beat {beat.beat}: {place}{spread}, n {beat.n}"
    alike = timing.lag1
    if alike.known:
        yield f"Neighbouring beats alike: {alike.value:+.2f} ({alike.low:+.2f}…{alike.high:+.2f})"
    if timing.gain is not None:
        a = timing.gain.alpha
        unsure = " (uncertain)" if timing.gain.uncertain else ""
        yield f"Share of a slip made good by the next beat: {a.value:.2f} ({a.low:.2f}…{a.high:.2f}){unsure}"
    for drop in timing.drop_outs:
        yield f"Without the band (chorus {drop.chorus}, bars {drop.bars[0]}–{drop.bars[1]}): {_alone(drop)}"


def _alone(drop: DropOutTiming) -> str:
    change = drop.tempo_change_pct
    if not change.known and change.why is not None:
        return change.why.text
    interval = "" if math.isnan(change.low) else f" ({change.low:+.1f}…{change.high:+.1f})"
    back = f"; back in {1000.0 * drop.reentry_s.value:+.0f} ms" if drop.reentry_s.known else ""
    return f"tempo {change.value:+.1f} %{interval}{back}"
