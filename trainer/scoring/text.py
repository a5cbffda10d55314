"""The scorecard in a bandmate's words: four lines and the bars that cost most. Plain text, no markup.

A steady offset is a feel ("placed"), a wide spread is something else ("unsteady"). Without a calibration nobody is
called late: the latency of the set-up is the other explanation. Thresholds: common practice (−10…+25 ms is
deliberate, beyond +35 it sounds late) and the just-noticeable displacement (6 ms; 2.5 % of slow intervals: Friberg &
Sundberg 1995).
"""

from __future__ import annotations

import math
from collections import Counter

from trainer.music import Key
from trainer.scoring.beat import BeatBy
from trainer.scoring.card import MEASURES, Scorecard
from trainer.scoring.figure import Figure
from trainer.scoring.landing import Item, Landing
from trainer.scoring.stats import MIN_N
from trainer.scoring.swing import Swing
from trainer.scoring.timing import Timing
from trainer.scoring.why import counted
from trainer.session import BEATS_PER_BAR

__all__ = [
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
    r = swing.ratio
    if swing.refused and r.why is not None:
        return f"Feel: no swing figure: {r.why.text}."
    parts = [f"Feel: swing {r.value:.2f} : 1"]
    if math.isfinite(r.low) and math.isfinite(r.high) and r.n >= 8:
        parts.append(f" ({r.low:.2f}–{r.high:.2f}, {r.n} pairs)")
    else:
        parts.append(f" ({counted(r.n, 'pair')}, too few for an interval)")
    if not math.isnan(swing.band.value):
        parts.append(f"; the band plays {swing.band.value:.2f}")
        if too_scattered(r):
            parts.append(", but your pairs scatter too widely to compare")
        elif r.interval is not None:
            parts.append(f", {_beside(r, swing.band.value)}")
    same = None if swing.same_pitch is None else swing.same_pitch.ratio
    differs = (
        same is not None
        and math.isfinite(r.low)
        and not r.low <= same.value <= r.high
        and min(same.value, r.value) > 0.0
        and abs(math.log2(same.value / r.value)) > SAME_PITCH_LOG2
    )
    if same is not None and same.n >= 8 and math.isfinite(same.value) and differs:
        parts.append(f". On pairs of one pitch {same.value:.2f} ({same.n} pairs): low notes may be reported late")
    return "".join(parts) + "."


def time_line(
    timing: Timing, *, calibrated: bool, beat_s: float, profile: str = "pad", beat_by: BeatBy = "file"
) -> str:
    """Where the player sits and how steadily, in one line. `beat_by` is whose beat the take is judged by."""
    if timing.n == 0:
        return f"Time: no figure: {'' if timing.mean_s.why is None else timing.mean_s.why.text}."
    mean = 1000.0 * timing.mean_s.value
    against = "the drums" if timing.reference == "band" else "the beat"
    interval = ""
    if math.isfinite(timing.mean_s.low):
        interval = f" (between {round(1000.0 * timing.mean_s.low):+d} and {round(1000.0 * timing.mean_s.high):+d})"
    side = "after" if mean > 0 else "ahead of"
    if beat_by == "notes":
        place = "late or early cannot be said by a beat fitted to your own notes"
    elif not calibrated and profile != "foreign":
        place = f"{abs(mean):.0f} ms {side} {against}{interval}; not calibrated, so that may be the set-up's latency"
    elif abs(mean) < FELT_MS:
        place = f"right on {against}, {round(mean):+d} ms{interval}"
    elif mean > SOUNDS_LATE_MS and profile == "foreign":
        place = f"{mean:.0f} ms behind {against}{interval}"
    elif mean > SOUNDS_LATE_MS:
        place = f"{mean:.0f} ms behind {against}{interval}: that sounds late"
    elif mean < DELIBERATE_MS[0]:
        place = f"{-mean:.0f} ms ahead of {against}{interval}"
    elif mean > 0:
        place = f"placed {mean:.0f} ms behind {against}{interval}"
    else:
        place = f"placed {-mean:.0f} ms ahead of {against}{interval}"
    if not timing.spread_s.known:
        if timing.n >= MIN_N and timing.spread_s.why is not None:
            return f"Time: {place}; how steady cannot be said: {timing.spread_s.why.text}."
        return f"Time: {place}; {counted(timing.n, 'note')}, too few to say how steady."
    spread = 1000.0 * timing.spread_s.value
    pct = 100.0 * timing.spread_s.value / beat_s
    word = "steady" if pct <= STEADY_PCT else "unsteady" if pct > UNSTEADY_PCT else "fairly steady"
    drift = timing.drift_s
    wander = ""
    if math.isfinite(drift.low) and (drift.low > 0.0 or drift.high < 0.0) and abs(drift.value) >= 0.001:
        wander = f"; {'dragging' if drift.value > 0 else 'pushing'} {abs(1000.0 * drift.value):.0f} ms a chorus"
    return f"Time: {place}; {word}, spread {spread:.0f} ms{wander}{_one_beat_off(timing)}."


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
    missed = Counter(item.pair for item in landing.missed)
    if missed and landing.beat_late_of is None and not landing.half_missing:
        worst, count = missed.most_common(1)[0]
        of = landing.by_pair[worst].changes
        line += f"; most often missed: {worst} ({count} of {of})"
    shift = landing.transposed_semitones
    if shift:
        line += (
            f" (read {counted(abs(shift), 'semitone')} {'lower' if shift > 0 else 'higher'}: is the input transposed"
        )
        line += "?)" if key is None else f", or did you play in {key.transposed(shift).name}?)"
    stayed = [item for item in landing.missed if item.stayed_on]
    if stayed:
        line += f". Did you mean to stay on {stayed[0].stayed_on} in {_bars(stayed)}?"
        return line
    return line + "."


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
    """ "; you sat out chorus 3", or nothing."""
    spans = [span.words() for span in landing.sat_out]
    more = f" and {len(spans) - 3} more" if len(spans) > 3 else ""
    return f"; you sat out {', '.join(spans[:3])}{more}" if spans else ""


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
    t, s = card.timing, card.swing
    out = []
    for beat in t.per_beat:
        if beat.n and beat.median_s.known:
            spread = "" if math.isnan(beat.spread_s.value) else f", spread {1000.0 * beat.spread_s.value:.1f} ms"
            place = f"{1000.0 * beat.median_s.value:+.1f} ms ({beat.pct_of_beat.value:+.1f} % of the beat)"
            out.append(f"Beat {beat.beat}: {place}{spread}, n {beat.n}")
    if t.lag1.known:
        out.append(f"Neighbouring beats alike: {t.lag1.value:+.2f} ({t.lag1.low:+.2f}…{t.lag1.high:+.2f})")
    if t.gain is not None:
        a = t.gain.alpha
        unsure = " (uncertain)" if t.gain.uncertain else ""
        out.append(f"Share of a slip made good by the next beat: {a.value:.2f} ({a.low:.2f}…{a.high:.2f}){unsure}")
    for drop in t.drop_outs:
        change = drop.tempo_change_pct
        bars = f"chorus {drop.chorus}, bars {drop.bars[0]}–{drop.bars[1]}"
        if not change.known and change.why is not None:
            out.append(f"Without the band ({bars}): {change.why.text}")
            continue
        interval = "" if math.isnan(change.low) else f" ({change.low:+.1f}…{change.high:+.1f})"
        back = f"; back in {1000.0 * drop.reentry_s.value:+.0f} ms" if drop.reentry_s.known else ""
        out.append(f"Without the band ({bars}): tempo {change.value:+.1f} %{interval}{back}")
    if s.short_ms.known:
        out.append(f"Short note: {s.short_ms.value:.0f} ms; triplet figures: {s.n_triplet_figures}")
    for measure in MEASURES:
        if measure.shown.of is not None:  # those that stand in a module of their own
            out.append(f"{measure.shown.title[:1].upper()}{measure.shown.title[1:]}: {measure.words(card)}")
    for group in s.per_chorus:
        if group.ratio.n:
            out.append(f"Chorus {group.chorus} ({group.role}): swing {group.ratio.value:.2f}, n {group.ratio.n}")
    return out
