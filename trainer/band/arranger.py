"""From a chart to the band's event table. Pure, seeded by the session.

Randomness is drawn per bar and per part from the session's seed, and no bar looks ahead at more than the plan (for the
fill that leads into a new role or a rise): other intensities from bar k on leave everything before bar k as it was.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from trainer.band.comping import (
    CHOP_RANGE,
    KEYS_RANGE,
    chop_rhythm,
    keys_rhythm,
    lead_voicings,
    strum_s,
    turnaround_pairs,
)
from trainer.band.drums import drum_bar, final_hits, stop_hits
from trainer.band.events import BAND_DTYPE, PARTS, TOUCH, BandScore
from trainer.band.feel import MOST_SHIFT_S, OWN_SD_S, SHARED_SD_S, long_range_noise
from trainer.band.fills import fill_beats, fill_hits
from trainer.band.lead import LeadNote, Soloist, sung_bar
from trainer.errors import UsageError, did_you_mean
from trainer.music import GROOVES, Chord
from trainer.music.general_midi import CHANNELS, PROGRAMS, band_programs
from trainer.music.grooves import Groove
from trainer.music.grooves.model import Stroke
from trainer.music.grooves.pattern import (
    CRASH,
    FOOT,
    HAND,
    KICK,
    OPEN_HAT,
    RIDE,
    SIDE_STICK,
    SNARE,
    STICK,
    Hit,
    Places,
)
from trainer.session import BEATS_PER_BAR, GUIDES, Chart, ChartBar

__all__ = ["FILL_RISE", "PUSH_FROM", "BandWriter", "arrange", "fast_spans"]

PUSH_FROM = 0.45  # intensity from which the keys anticipate a change now and then; our choice
TURN_FROM = 0.25  # intensity from which the guitar plays a turnaround; our choice
FAST_FROM = 0.5  # planned intensity of a solo from which the organ's speaker turns fast; our choice
FAST_AHEAD_BEATS = 1.0
LEAN = 1.06  # velocity of the kick on the one of each line of four bars; our choice
FILL_RISE = 0.1  # a rise of intensity this large is led into by a fill; our choice
# A chorus that is planned lower is come down to over the two bars before its first and the two from it, so that little
# of the fall is left for the bar line itself: our choice, by what a BS.1770 meter shows of each bar.
_FALL_DB = 12.0  # a whole step of intensity, about
_FALL_BEFORE, _FALL_AFTER = 0.33, 0.2  # of the fall: made by the bar line, still to be made from there

_PART = {name: idx for idx, name in enumerate(PARTS)}
_LIMB_OF = {"snare": STICK, "kick": FOOT}
_CYMBAL_BEATS = {CRASH: 4.0, RIDE: 1.0, OPEN_HAT: 0.5}

# Streams of randomness; a number each, so that one never disturbs another.
_DRUMS, _KEYS, _SOLO, _FILL, _FEEL, _PUSH, _HABIT, _TURN, _TOUCH, _BEND = 11, 12, 13, 14, 15, 16, 17, 18, 19, 20


class _Table:
    """Rows of the event table with the limb or part whose variation they carry ("" for none)."""

    def __init__(self) -> None:
        self.rows: list[tuple[float, float, float, int, int, int, int, float, float]] = []
        self.limbs: list[str] = []

    def add(
        self,
        onset_beats: float,
        duration_beats: float,
        pitch: int,
        velocity: float,
        voice: str,
        limb: str,
        late_s: float = 0.0,
        bend: tuple[float, float] = (0.0, 0.0),
    ) -> None:
        part = "lead" if voice == "voice" else voice
        loud = int(min(max(round(velocity), 1), 127))
        self.rows.append((onset_beats, duration_beats, late_s, pitch, loud, CHANNELS[voice], _PART[part], *bend))
        self.limbs.append(limb)


def arrange(
    chart: Chart,
    *,
    guide: str | None = None,
    count_in: bool = True,
    intensity: ArrayLike | None = None,
    guide_line: Iterable[Sequence[float]] | None = None,
    variation: float = 1.0,
    limb_ratios: Mapping[str, float] | None = None,
) -> BandScore:
    """The band's events for a chart, count-in included.

    `guide` ("off", "on", "every_other": odd choruses) overrides the session's; `guide_line` gives the guide bass
    (onset_beats, duration_beats, pitch, velocity) rows to play instead of roots. `intensity`: one value a bar of
    `chart.bars`, 0–1, NaN where the chart's own holds. `variation` scales the human variation of time (0: none).
    `limb_ratios`: a swing ratio of its own for "hand", "stick" or "foot" (else what the session says for snare and
    kick, else the session's ratio, exactly).
    `UsageError` for an unknown guide, a wrong number of intensities or a negative variation.
    """
    wanted = chart.session.guide if guide is None else guide
    if wanted not in GUIDES:
        hint = did_you_mean(wanted, GUIDES)
        raise UsageError(f'guide: found "{wanted}"; allowed: {", ".join(GUIDES)}{hint}')
    if not variation >= 0.0:
        raise UsageError(f"variation: found {variation}; expected 0 (none) or more")
    levels = _levels(chart, intensity)
    writer = BandWriter(
        chart, guide=wanted, guide_line=guide_line, variation=variation, limb_ratios=limb_ratios, count_in=count_in
    )
    rows = [writer.count_in()] if count_in else []
    rows += [writer.bar(float(level)) for level in levels]
    events = np.concatenate(rows) if rows else np.zeros(0, dtype=BAND_DTYPE)
    order = np.lexsort((events["pitch"], events["part"], events["onset_beats"]))
    programs = band_programs(GROOVES[chart.session.groove].keys)
    start = chart.count_in_beats if count_in else chart.first_beats
    fast = fast_spans(chart) if programs[CHANNELS["keys"]] == PROGRAMS["organ"] else ()
    return BandScore(events[order], programs, start_beats=start, end_beats=chart.end_beats, fast_spans=fast)


def fast_spans(chart: Chart) -> tuple[tuple[float, float], ...]:
    """Where the organ's speaker turns fast, in beats: under solos that are planned to open up, by common practice.

    The switch is thrown a little before the solo, so that it is up to speed on the one, and back at its end; the last
    chord slows down.
    """
    spans: list[tuple[float, float]] = []
    for bar in chart.bars:
        if bar.role != "solo" or bar.intensity < FAST_FROM or bar.final:
            continue
        if spans and spans[-1][1] == bar.onset_beats:
            spans[-1] = (spans[-1][0], bar.end_beats)
        else:
            spans.append((max(bar.onset_beats - FAST_AHEAD_BEATS, chart.first_beats), bar.end_beats))
    return tuple(spans)


class BandWriter:
    """Writes the band bar after bar: what a bar holds follows from the chart, the seed, and the intensities so far.

    So a band that listens may settle a bar's intensity late, and the bars before it stay as they were.
    """

    def __init__(
        self,
        chart: Chart,
        *,
        guide: str = "off",
        guide_line: Iterable[Sequence[float]] | None = None,
        variation: float = 1.0,
        limb_ratios: Mapping[str, float] | None = None,
        count_in: bool = True,
    ) -> None:
        self.chart = chart
        self.groove = GROOVES[chart.session.groove]
        self.next_idx = 0  # of the bar to be written next
        self._guide_wanted = guide
        self._variation = variation
        own = {_LIMB_OF[name]: ratio for name, ratio in chart.session.limb_swing}
        self._places = Places(chart.swing_ratio, own | dict(limb_ratios or {}))
        self._soloist = Soloist(chart.key)
        self._opens = not count_in or chart.session.count_in_bars == 0
        chords = [span.chord for span in chart.spans]
        self._thin = lead_voicings(chords, 3, 63.0, *KEYS_RANGE)
        self._full = lead_voicings(chords, 4, 63.5, *KEYS_RANGE)
        self._chop = lead_voicings(chords, 3, 70.0, *CHOP_RANGE)
        self._first_span = np.cumsum([0, *(len(bar.chords) for bar in chart.bars)]).tolist()
        self._line: dict[int, list[Sequence[float]]] | None = None
        if guide_line is not None:
            self._line = {}
            for row in guide_line:
                self._line.setdefault(int(chart.bar_idx_at([row[0]])[0]), []).append(row)
        self._noise = _limb_noise(chart) if variation else {}

    def count_in(self) -> NDArray[np.void]:
        """The count-in's events, with the drummer's stroke or two under the player's pick-up."""
        table = _Table()
        _count_in(table, self.chart)
        first = self.chart.bars[0]
        if self.chart.session.pickup_beats > 0.0 and self.chart.session.count_in_bars and not first.drop_out:
            loud = 64.0 * (0.7 + 0.5 * first.intensity)
            if self.chart.session.pickup_beats >= 1.0:
                table.add(first.onset_beats - 1.0, 0.25, SNARE, 0.8 * loud, "drums", "")
            at_beats = first.onset_beats - 1.0 + self._places.at(0, "off", STICK)
            table.add(at_beats, 0.25, SNARE, loud, "drums", "")
        return np.array(table.rows, dtype=BAND_DTYPE) if table.rows else np.zeros(0, dtype=BAND_DTYPE)

    def bar(self, level: float) -> NDArray[np.void]:
        """The events of the next bar at an intensity 0–1, in no order."""
        bar = self.chart.bars[self.next_idx]
        self.next_idx += 1
        table = _Table()
        _drums(table, self.chart, bar, level, self._places)
        self._comp(table, bar, level)
        _lead(table, self.chart, bar, level, self._places, self._soloist)
        if self._guide_wanted != "off":
            lines = None if self._line is None else self._line.get(bar.idx, [])
            _guide(table, bar, level, self._guide_wanted, lines)
        events = np.array(table.rows, dtype=BAND_DTYPE) if table.rows else np.zeros(0, dtype=BAND_DTYPE)
        _balance(events, self.groove, bar, level)
        self._shape(events, bar, level)
        self._vary(events, table.limbs)
        return events

    def _comp(self, table: _Table, bar: ChartBar, level: float) -> None:
        if bar.drop_out:
            return
        push, turn = self._pushes(bar, level), self._turns(bar)
        keys, chops = self._rhythms(bar, level, push, turn)
        touch = _rng(self.chart, _TOUCH, bar.idx)
        if turn:
            self._turn(table, bar, level, turn, touch)
        voices = self._full if bar.role == "solo" and level > 0.5 and not bar.stopped else self._thin
        last_off = self._places.at(3, "off")
        self._strike(table, bar, level, (keys, voices, "keys"), touch, last_off if push else 4.0)
        self._strike(table, bar, level, (chops, self._chop, "chop"), touch, 4.0)
        if push:
            for pitch in voices[self._first_span[bar.idx + 1]]:
                loud = 78.0 * _louder(level)
                table.add(bar.onset_beats + last_off, 4.0 - last_off, pitch, loud, "keys", "keys")

    def _rhythms(self, bar: ChartBar, level: float, push: bool, turn: int) -> tuple[list[Stroke], list[Stroke]]:
        """What the keys and the guitar's chops strike in a bar."""
        if bar.final:
            return [Stroke(0, "on", 4.0, 80.0)], [Stroke(0, "on", 2.0, 78.0)]
        if bar.stopped:
            return [Stroke(0, "on", 0.5, 86.0)], [Stroke(0, "on", 0.25, 82.0)]
        keys = keys_rhythm(self.groove, bar.role, level, bar.bar, _rng(self.chart, _KEYS, bar.chorus))
        if len(bar.chords) > 1:  # each chord of a divided bar is heard
            keys = [*keys, *_missing(keys, len(bar.chords))]
        if push:
            keys = [stroke for stroke in keys if (stroke.beat, stroke.slot) != (3, "off")]
        chops = chop_rhythm(self.groove, bar.role, level)
        if turn:
            chops = [] if turn == 1 else [stroke for stroke in chops if stroke.beat > 0]
        return keys, chops

    def _turn(self, table: _Table, bar: ChartBar, level: float, turn: int, touch: np.random.Generator) -> None:
        """The guitar's turnaround, its bar on I (1) or on V (2)."""
        for pair in turnaround_pairs(self.chart.key.tonic_pc, self.chart.key.minor)[turn - 1]:
            begins, loud = self._places.at(pair.beat, pair.slot), pair.base * _louder(level)
            loud *= _touched(touch)
            for pitch, late_s in zip(pair.pitches, strum_s(len(pair.pitches), pair.slot), strict=True):
                table.add(bar.onset_beats + begins, pair.length_beats, pitch, loud, "chop", "chop", late_s)

    def _strike(
        self,
        table: _Table,
        bar: ChartBar,
        level: float,
        played: tuple[list[Stroke], Sequence[Sequence[int]], str],
        touch: np.random.Generator,
        until_beats: float,
    ) -> None:
        """Strokes of one player, each with the chords that it sounds over; none rings past `until_beats`."""
        strokes, voicing, voice = played
        n_chords, first_span = len(bar.chords), self._first_span[bar.idx]
        share = BEATS_PER_BAR / n_chords
        for stroke in strokes:
            begins = self._places.at(stroke.beat, stroke.slot)
            ends = min(begins + stroke.length_beats, 4.0, until_beats)
            loud = stroke.base * _louder(level) * _touched(touch)
            for k in range(int(begins // share), n_chords):
                start, stop = max(begins, k * share), min(ends, (k + 1) * share)
                if stop - start < 0.05:
                    break
                notes = voicing[first_span + k]
                spread = strum_s(len(notes), stroke.slot) if voice == "chop" else [0.0] * len(notes)
                for pitch, late_s in zip(notes, spread, strict=True):
                    table.add(bar.onset_beats + start, stop - start, pitch, loud, voice, voice, late_s)

    def _turns(self, bar: ChartBar) -> int:
        """Which bar of the guitar's turnaround this is, 1 on I, 2 on V, or 0: it comes in most verses and every intro.

        By the plan alone, so that what is begun is ended.
        """
        return next((turn for turn, idx in ((1, bar.idx), (2, bar.idx - 1)) if self._turns_from(idx)), 0)

    def _turns_from(self, idx: int) -> bool:
        bars, key = self.chart.bars, self.chart.key
        if not 0 <= idx < len(bars) - 1:
            return False
        one, five = bars[idx], bars[idx + 1]
        roots = (one.chords[0].root_pc, five.chords[0].root_pc)
        return (
            (one.turnaround and five.turnaround and one.chorus == five.chorus)
            and not any(b.drop_out or b.stopped or b.final or len(b.chords) > 1 for b in (one, five))
            and one.role != "solo"
            and one.intensity >= TURN_FROM
            and roots == (key.tonic_pc, (key.tonic_pc + 7) % 12)
            and (one.role == "intro" or bool(_rng(self.chart, _TURN, one.chorus).random() < 0.65))
        )

    def _pushes(self, bar: ChartBar, level: float) -> bool:
        """Whether the next bar's chord is anticipated on this bar's last off-beat: more often as the band opens up."""
        bars = self.chart.bars
        if bar.stopped or level < PUSH_FROM or not self.groove.pushes or bar.idx + 1 >= len(bars):
            return False
        after = bars[bar.idx + 1]
        if after.drop_out or after.stopped or after.final or after.chords[0] == bar.chords[-1]:
            return False
        return bool(_rng(self.chart, _PUSH, bar.idx).random() < 0.6 * (level - 0.3))

    def _shape(self, events: NDArray[np.void], bar: ChartBar, level: float) -> None:
        """Loudness inside the form: a line's first kick leans in; the last two bars lead to the next chorus's plan.

        What comes down has made a part of its way before the bar line, and is down two bars after it.
        """
        if events.size == 0 or bar.stopped or bar.final:
            return
        within = events["onset_beats"] - bar.onset_beats
        factor = np.ones(events.size)
        if bar.bar % 4 == 1:
            factor[(within < 1e-6) & (events["pitch"] == KICK) & (events["part"] == _PART["drums"])] *= LEAN
        rest = [after for after in self.chart.bars[bar.idx + 1 : bar.idx + 3] if after.chorus != bar.chorus]
        if rest and not rest[0].final:
            bars_left = rest[0].idx - bar.idx
            along = (within + BEATS_PER_BAR * (2 - bars_left)) / 8.0
            apart = rest[0].intensity - bar.intensity
            if apart < 0.0:
                factor *= _softer(-_FALL_BEFORE * apart * along)
            else:
                factor *= 1.0 + 0.3 * apart * along / (0.7 + 0.5 * level)
        before = _come_from(self.chart, bar)
        if before is not None and before.intensity > bar.intensity:
            left = 1.0 - (within + BEATS_PER_BAR * (bar.idx - before.idx - 1)) / 8.0
            factor *= _softer(-_FALL_AFTER * (before.intensity - bar.intensity) * left)
        mine = events["part"] < _PART["guide"]
        loud = np.rint(events["velocity"][mine] * factor[mine])
        events["velocity"][mine] = np.clip(loud, 1, 127).astype(np.uint8)

    def _vary(self, events: NDArray[np.void], limbs: list[str]) -> None:
        """Add to `shift_s` (a strum's spread so far) what the kit shares plus each player's own, by half-beat."""
        if not self._noise or events.size == 0:
            events["shift_s"] = 0.0
            return
        first = self.chart.first_beats
        n_ticks = next(iter(self._noise.values())).size
        ticks = np.clip(np.floor(2.0 * (events["onset_beats"] - first) + 1e-9).astype(np.intp), 0, n_ticks - 1)
        shifts = [self._noise[limb][tick] for limb, tick in zip(limbs, ticks.tolist(), strict=True)]
        shifts = np.clip(events["shift_s"] + np.array(shifts), -MOST_SHIFT_S, MOST_SHIFT_S)
        events["shift_s"] = self._variation * shifts
        if self._opens:  # nothing sounds before the very start
            opening = events["onset_beats"] <= first
            events["shift_s"][opening] = np.maximum(events["shift_s"][opening], 0.0)


def _levels(chart: Chart, intensity: ArrayLike | None) -> NDArray[np.float64]:
    own = np.array([bar.intensity for bar in chart.bars], dtype=np.float64)
    if intensity is None:
        return own
    given = np.asarray(intensity, dtype=np.float64)
    if given.shape != own.shape:
        raise UsageError(f"intensity: found {given.shape} values; expected one for each of the chart's {own.size} bars")
    return np.clip(np.where(np.isnan(given), own, given), 0.0, 1.0)


def _rng(chart: Chart, *stream: int) -> np.random.Generator:
    return np.random.default_rng([chart.session.seed, *stream])


def _louder(level: float) -> float:
    """How loud chords are at an intensity, 1 a little over the middle; our choice."""
    return 0.75 + 0.42 * level


def _touched(rng: np.random.Generator) -> float:
    """How much harder or softer a chord is struck than it was meant, about 1; our choice."""
    return min(max(1.0 + 0.05 * rng.standard_normal(), 0.88), 1.12)


def _count_in(table: _Table, chart: Chart) -> None:
    """Two bars "1 – 2 – / 1 2 3 4", one bar "1 2 3 4" (common practice); more bars: halves up to the last."""
    n_bars = chart.session.count_in_bars
    for bar in range(n_bars):
        for beat in (0, 1, 2, 3) if bar == n_bars - 1 else (0, 2):
            onset = chart.count_in_beats + BEATS_PER_BAR * bar + beat
            table.add(onset, 0.25, SIDE_STICK, 112 if beat == 0 else 98, "count", "")


def _softer(apart: NDArray[np.float64]) -> NDArray[np.float64]:
    """Factor of velocity that sounds so much of a step of intensity softer (negative: louder)."""
    factor: NDArray[np.float64] = 10.0 ** (-_FALL_DB * apart / (20.0 * TOUCH))
    return factor


def _come_from(chart: Chart, bar: ChartBar) -> ChartBar | None:
    """The last bar of the chorus before, where the band played on from it into the first two bars of this one."""
    for before in chart.bars[max(bar.idx - 2, 0) : bar.idx]:
        if before.chorus != bar.chorus and chart.bars[before.idx + 1].chorus == bar.chorus:
            return None if before.drop_out or before.stopped else before
    return None


def _leads_on(chart: Chart, idx: int) -> bool:
    """Whether the next bar opens something by plan: another role, or a clear rise of intensity."""
    if idx < 0 or idx + 1 >= len(chart.bars):
        return False
    here, after = chart.bars[idx], chart.bars[idx + 1]
    if after.drop_out or after.stopped or after.final:
        return False
    return after.role != here.role or after.intensity - here.intensity >= FILL_RISE


def _drums(table: _Table, chart: Chart, bar: ChartBar, level: float, places: Places) -> None:
    if bar.drop_out:
        return
    if bar.final:
        hits = final_hits(level, bar.ritard)
    elif bar.stopped:
        hits = stop_hits(level)
    else:
        own, habit = _rng(chart, _DRUMS, bar.idx), _rng(chart, _HABIT, bar.chorus)
        hits = drum_bar(GROOVES[chart.session.groove], bar.role, level, places, own, habit, bar.bar)
        hits = _filled(hits, chart, bar, level, places)
    if _crashes(chart, bar):
        hits = [hit for hit in hits if hit.at_beats > 0.0 or hit.limb != HAND]
        hits.append(Hit(0.0, CRASH, int(70 + 40 * level), HAND))
        if not any(hit.pitch == KICK and hit.at_beats == 0.0 for hit in hits):
            hits.append(Hit(0.0, KICK, int(76 + 36 * level), FOOT))
    for hit in hits:
        length = _CYMBAL_BEATS.get(hit.pitch, 0.25)
        table.add(bar.onset_beats + hit.at_beats, length, hit.pitch, hit.velocity, "drums", hit.limb)


def _crashes(chart: Chart, bar: ChartBar) -> bool:
    """Whether a bar opens with a crash: something new begins by plan, or everybody is back."""
    if bar.final or bar.idx == 0:
        return False
    before = chart.bars[bar.idx - 1]
    return _leads_on(chart, before.idx) or (not bar.stopped and (before.drop_out or before.stopped))


def _filled(hits: list[Hit], chart: Chart, bar: ChartBar, level: float, places: Places) -> list[Hit]:
    """The bar with the fill that leads on, or now and then a small one: bars 4 and 8 have the gap that the voice
    leaves."""
    groove, tempo_bpm = GROOVES[chart.session.groove], chart.session.tempo_bpm
    rng = _rng(chart, _FILL, bar.idx)
    small = bar.bar % 4 == 0 and rng.random() < 0.15 + 0.3 * level
    leads_on = _leads_on(chart, bar.idx)
    if leads_on:  # one that leads down is on its way already
        level = min(level, max(0.0, level + 0.5 * (chart.bars[bar.idx + 1].intensity - bar.intensity)))
        n_beats = fill_beats(bar.role, tempo_bpm, level, rng)
    elif small:
        n_beats = 2 if level > 0.45 and tempo_bpm <= 130.0 and rng.random() < 0.4 else 1
    else:
        return hits
    on_hats = not leads_on and bar.role != "solo"
    fill = fill_hits(n_beats, tempo_bpm, level, groove, places, rng, on_hats=on_hats)
    return [hit for hit in hits if hit.at_beats < 4.0 - n_beats] + fill


def _beat_chords(bar: ChartBar) -> list[Chord]:
    share = BEATS_PER_BAR // len(bar.chords)
    return [bar.chords[beat // share] for beat in range(BEATS_PER_BAR)]


def _missing(strokes: list[Stroke], n_chords: int) -> list[Stroke]:
    """Short chords on the changes inside a bar that a rhythm leaves unplayed."""
    share = BEATS_PER_BAR // n_chords
    out = []
    for k in range(n_chords):
        inside = [s for s in strokes if s.beat // share == k or (s.beat // share < k and s.length_beats >= 4.0)]
        if not inside:
            out.append(Stroke(k * share, "on", 0.6, 70.0))
    return out


def _lead(table: _Table, chart: Chart, bar: ChartBar, level: float, places: Places, soloist: Soloist) -> None:
    if bar.drop_out or (bar.stopped and bar.turnaround):
        return  # in a stop-time chorus singer and soloist go on: it is theirs; at the end they stop with the band
    if bar.final:
        if bar.role == "solo":
            pitch, velocity = soloist.last_note(level)
            table.add(bar.onset_beats, 3.0, pitch, velocity, "lead", "lead")
        return
    chords = _beat_chords(bar)
    notes: list[LeadNote]
    voice = "lead"
    if bar.role == "solo":
        line, within = divmod(bar.bar - 1, 4)
        rhythm = _rng(chart, _SOLO, 0, bar.chorus, 0 if line < 2 else line, within)
        where = (bar.chorus, line, within)
        notes = soloist.bar(chords, where, level, places, _rng(chart, _SOLO, 1, bar.idx), rhythm)
        notes = soloist.bent(notes, chords, level, _rng(chart, _BEND, bar.idx))
    elif bar.role in ("verse", "head"):
        voice = "voice" if bar.role == "verse" else "lead"
        seed = chart.session.seed
        notes = sung_bar(chart.key, chords, bar.bar, level, places, seed, bar.role == "head")
    else:
        return
    for note in notes:
        onset = bar.onset_beats + note.at_beats
        length = min(note.length_beats, 4.0 - note.at_beats)
        bend = (note.bend_from, note.bend_to)
        table.add(onset, length, note.pitch, note.velocity, voice, "lead", bend=bend)


def _guide_on(bar: ChartBar, wanted: str) -> bool:
    return wanted == "on" or bar.chorus % 2 == 1 or bar.chorus == 0


def _guide(table: _Table, bar: ChartBar, level: float, wanted: str, line: Iterable[Sequence[float]] | None) -> None:
    if bar.drop_out or not _guide_on(bar, wanted):
        return
    if line is not None:
        for row in line:
            table.add(float(row[0]), float(row[1]), round(row[2]), float(row[3]), "guide", "guide")
        return
    loud = 72.0 + 26.0 * level
    chords = _beat_chords(bar)
    if bar.final:
        plan = [(0, 4.0)]
    elif bar.stopped:
        plan = [(0, 0.5)]
    elif bar.line == "two_beat":
        plan = [(beat, 0.8) for beat in range(4) if beat in (0, 2) or chords[beat] != chords[beat - 1]]
    else:
        plan = [(beat, 0.85) for beat in range(4)]
    for beat, length in plan:
        pitch = 28 + (chords[beat].root_pc - 28) % 12  # the root from the low E up
        accent = 1.0 if beat in (0, 2) else 0.94
        table.add(bar.onset_beats + beat, length, pitch, loud * accent, "guide", "guide")


def _balance(events: NDArray[np.void], groove: Groove, bar: ChartBar, level: float) -> None:
    """Bring the groove to the common loudness of its role and intensity (guide and count stand apart)."""
    trim = float(groove.trim.at(bar.role, level))
    mine = events["part"] < _PART["guide"]
    loud = np.rint(events["velocity"][mine] * 10.0 ** (trim / (20.0 * TOUCH)))
    events["velocity"][mine] = np.clip(loud, 1, 127).astype(np.uint8)


def _limb_noise(chart: Chart) -> dict[str, NDArray[np.float64]]:
    """Seconds by limb or part and half-beat: what the kit shares plus each player's own. The count-in has none."""
    n_ticks = 2 * int(np.ceil(chart.end_beats - chart.first_beats)) + 2
    shared = SHARED_SD_S * long_range_noise(n_ticks, _rng(chart, _FEEL, 0))
    out = {}
    for k, (limb, spread_s) in enumerate(OWN_SD_S.items(), 1):
        own = spread_s * long_range_noise(n_ticks, _rng(chart, _FEEL, k))
        if limb in (HAND, STICK, FOOT):
            own = own + shared
        out[limb] = np.clip(own, -MOST_SHIFT_S, MOST_SHIFT_S)
    return out
