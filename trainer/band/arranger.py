"""From a chart to the band's event table. Pure, seeded by the session.

Randomness is drawn per bar and per part from the session's seed, and bar k looks no further ahead than the intensity of
bar k + 1 (for the fill that leads into it): arranging again with other intensities from bar k + 2 on leaves everything
up to bar k as it was. So a band that listens arranges anew and takes only the bars to come.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from trainer.band.balance import trim_db
from trainer.band.comping import CHOP_RANGE, KEYS_RANGE, Stroke, chop_rhythm, keys_rhythm, lead_voicings
from trainer.band.events import BAND_DTYPE, PARTS, TOUCH, BandScore
from trainer.band.feel import MOST_SHIFT_S, OWN_SD_S, SHARED_SD_S, long_range_noise
from trainer.band.fills import fill_beats, fill_hits
from trainer.band.grooves import (
    CRASH,
    FOOT,
    HAND,
    KICK,
    OPEN_HAT,
    RIDE,
    SIDE_STICK,
    STICK,
    Hit,
    Places,
    drum_bar,
    final_hits,
    stop_hits,
)
from trainer.band.lead import LeadNote, Soloist, sung_bar
from trainer.errors import UsageError, nearest
from trainer.music import GROOVES, Chord
from trainer.session import BEATS_PER_BAR, GUIDES, Chart, ChartBar

__all__ = ["CHANNELS", "FILL_RISE", "PROGRAMS", "arrange"]

DRUM_CHANNEL = 9
# Channel of each voice, counted from 0.
CHANNELS = {"keys": 0, "chop": 1, "lead": 2, "voice": 3, "guide": 4, "drums": DRUM_CHANNEL, "count": DRUM_CHANNEL}
# General MIDI 1 programs as on the wire (number − 1): drawbar organ 17, electric piano 5, clean guitar 28 muted 29,
# jazz guitar 27, voice 54 ("oohs"), acoustic bass 33.
PROGRAMS = {"organ": 16, "electric_piano": 4, "chop": 28, "lead": 26, "voice": 53, "guide": 32}
_KEYS_OF_GROOVE = {
    "shuffle": "organ",
    "double_shuffle": "organ",
    "slow_twelve_eight": "electric_piano",
    "two_beat": "electric_piano",
    "straight": "organ",
    "rumba": "electric_piano",
}
FILL_RISE = 0.1  # a rise of intensity this large is led into by a fill; our choice

_PART = {name: idx for idx, name in enumerate(PARTS)}
_CYMBAL_BEATS = {CRASH: 4.0, RIDE: 1.0, OPEN_HAT: 0.5}

# Streams of randomness; a number each, so that one never disturbs another.
_DRUMS, _KEYS, _SOLO, _FILL, _FEEL = 11, 12, 13, 14, 15


class _Table:
    """Rows of the event table with the limb or part whose variation they carry ("" for none)."""

    def __init__(self) -> None:
        self.rows: list[tuple[float, float, float, int, int, int, int]] = []
        self.limbs: list[str] = []

    def add(
        self, onset_beats: float, duration_beats: float, pitch: int, velocity: float, voice: str, limb: str
    ) -> None:
        part = "lead" if voice == "voice" else voice
        loud = int(min(max(round(velocity), 1), 127))
        self.rows.append((onset_beats, duration_beats, 0.0, pitch, loud, CHANNELS[voice], _PART[part]))
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
    `limb_ratios`: a swing ratio of its own for "hand", "stick" or "foot"; the session's ratio otherwise, exactly.
    `UsageError` for an unknown guide, a wrong number of intensities or a negative variation.
    """
    wanted = chart.session.guide if guide is None else guide
    if wanted not in GUIDES:
        near = nearest(wanted, GUIDES)
        hint = f'; did you mean "{near}"?' if near else ""
        raise UsageError(f'guide: found "{wanted}"; allowed: {", ".join(GUIDES)}{hint}')
    if not variation >= 0.0:
        raise UsageError(f"variation: found {variation}; expected 0 (none) or more")
    levels = _levels(chart, intensity)
    places = Places(chart.swing_ratio, limb_ratios)
    table = _Table()
    if count_in:
        _count_in(table, chart)
    _drums(table, chart, levels, places)
    _comp(table, chart, levels, places)
    _lead(table, chart, levels, places)
    if wanted != "off":
        _guide(table, chart, levels, wanted, guide_line)
    events = np.array(table.rows, dtype=BAND_DTYPE) if table.rows else np.zeros(0, dtype=BAND_DTYPE)
    _balance(events, chart, levels)
    _vary(events, table.limbs, chart, variation, count_in)
    order = np.lexsort((events["pitch"], events["part"], events["onset_beats"]))
    groove = chart.session.groove
    programs = {
        CHANNELS["keys"]: PROGRAMS[_KEYS_OF_GROOVE[groove]],
        CHANNELS["chop"]: PROGRAMS["chop"],
        CHANNELS["lead"]: PROGRAMS["lead"],
        CHANNELS["voice"]: PROGRAMS["voice"],
        CHANNELS["guide"]: PROGRAMS["guide"],
        DRUM_CHANNEL: 0,
    }
    start = chart.count_in_beats if count_in else chart.first_beats
    return BandScore(events[order], programs, start_beats=start, end_beats=chart.end_beats)


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


def _count_in(table: _Table, chart: Chart) -> None:
    """Two bars "1 – 2 – / 1 2 3 4", one bar "1 2 3 4" (common practice); more bars: halves up to the last."""
    n_bars = chart.session.count_in_bars
    for bar in range(n_bars):
        for beat in (0, 1, 2, 3) if bar == n_bars - 1 else (0, 2):
            onset = chart.count_in_beats + BEATS_PER_BAR * bar + beat
            table.add(onset, 0.25, SIDE_STICK, 112 if beat == 0 else 98, "count", "")


def _leads_on(chart: Chart, levels: NDArray[np.float64], idx: int) -> bool:
    """Whether the next bar opens something: another role, or a clear rise of intensity."""
    if idx + 1 >= len(chart.bars):
        return False
    here, after = chart.bars[idx], chart.bars[idx + 1]
    if after.drop_out or after.stopped or after.final:
        return False
    return after.role != here.role or bool(levels[idx + 1] - levels[idx] >= FILL_RISE)


def _drums(table: _Table, chart: Chart, levels: NDArray[np.float64], places: Places) -> None:
    session = chart.session
    straight = GROOVES[session.groove].straight
    crash_next = False
    for bar in chart.bars:
        crash, crash_next = crash_next, False
        level = float(levels[bar.idx])
        leads_on = _leads_on(chart, levels, bar.idx)
        crash_next = leads_on
        if bar.drop_out:
            continue
        if bar.final:
            hits = final_hits(level, bar.ritard)
        elif bar.stopped:
            hits = stop_hits(level)
        else:
            hits = drum_bar(session.groove, bar.role, level, places, _rng(chart, _DRUMS, bar.idx))
            rng = _rng(chart, _FILL, bar.idx)
            # Fills belong to bars 4 and 8 too, in the gap that the voice leaves; short, and not every time.
            small = bar.bar % 4 == 0 and rng.random() < 0.15 + 0.3 * level
            if leads_on or small:
                n_beats = fill_beats(bar.role, session.tempo_bpm, level, rng) if leads_on else 1
                begins = 4.0 - n_beats
                hits = [hit for hit in hits if hit.at_beats < begins]
                hits += fill_hits(n_beats, session.tempo_bpm, level, straight, places, rng)
        if crash and not bar.final:
            hits = [hit for hit in hits if hit.at_beats > 0.0 or hit.limb != HAND]
            hits.append(Hit(0.0, CRASH, int(70 + 40 * level), HAND))
            if not any(hit.pitch == KICK and hit.at_beats == 0.0 for hit in hits):
                hits.append(Hit(0.0, KICK, int(76 + 36 * level), FOOT))
        for hit in hits:
            length = _CYMBAL_BEATS.get(hit.pitch, 0.25)
            table.add(bar.onset_beats + hit.at_beats, length, hit.pitch, hit.velocity, "drums", hit.limb)


def _beat_chords(bar: ChartBar) -> list[Chord]:
    share = BEATS_PER_BAR // len(bar.chords)
    return [bar.chords[beat // share] for beat in range(BEATS_PER_BAR)]


def _comp(table: _Table, chart: Chart, levels: NDArray[np.float64], places: Places) -> None:
    session = chart.session
    chords = [span.chord for span in chart.spans]
    thin = lead_voicings(chords, 3, 63.0, *KEYS_RANGE)
    full = lead_voicings(chords, 4, 63.5, *KEYS_RANGE)
    chop = lead_voicings(chords, 3, 70.0, *CHOP_RANGE)
    first_span = 0
    for bar in chart.bars:
        level = float(levels[bar.idx])
        n_chords = len(bar.chords)
        share = BEATS_PER_BAR / n_chords
        spans = list(range(first_span, first_span + n_chords))
        first_span += n_chords
        if bar.drop_out:
            continue
        if bar.final:
            keys, chops = [Stroke(0, "on", 4.0, 80.0)], [Stroke(0, "on", 2.0, 78.0)]
        elif bar.stopped:
            keys, chops = [Stroke(0, "on", 0.5, 86.0)], [Stroke(0, "on", 0.25, 82.0)]
        else:
            rng = _rng(chart, _KEYS, bar.chorus)
            keys = keys_rhythm(session.groove, bar.role, level, bar.bar, rng)
            chops = chop_rhythm(session.groove, bar.role, level)
            if n_chords > 1:  # each chord of a divided bar is heard
                keys = [*keys, *_missing(keys, n_chords)]
        voices = full if bar.role == "solo" and level > 0.5 and not bar.stopped else thin
        for strokes, voicing, voice in ((keys, voices, "keys"), (chops, chop, "chop")):
            for stroke in strokes:
                begins = places.at(stroke.beat, stroke.slot)
                ends = min(begins + stroke.length_beats, 4.0)
                loud = stroke.base * (0.75 + 0.42 * level)
                for k in range(int(begins // share), n_chords):
                    start, stop = max(begins, k * share), min(ends, (k + 1) * share)
                    if stop - start < 0.05:
                        break
                    for pitch in voicing[spans[k]]:
                        table.add(bar.onset_beats + start, stop - start, pitch, loud, voice, voice)


def _missing(strokes: list[Stroke], n_chords: int) -> list[Stroke]:
    """Short chords on the changes inside a bar that a rhythm leaves unplayed."""
    share = BEATS_PER_BAR // n_chords
    out = []
    for k in range(n_chords):
        inside = [s for s in strokes if s.beat // share == k or (s.beat // share < k and s.length_beats >= 4.0)]
        if not inside:
            out.append(Stroke(k * share, "on", 0.6, 70.0))
    return out


def _lead(table: _Table, chart: Chart, levels: NDArray[np.float64], places: Places) -> None:
    soloist = Soloist(chart.key)
    for bar in chart.bars:
        if bar.drop_out or bar.stopped:
            continue
        if bar.final:
            if bar.role == "solo":
                pitch, velocity = soloist.last_note(float(levels[bar.idx]))
                table.add(bar.onset_beats, 3.0, pitch, velocity, "lead", "lead")
            continue
        level = float(levels[bar.idx])
        chords = _beat_chords(bar)
        notes: list[LeadNote]
        voice = "lead"
        if bar.role == "solo":
            line = (bar.bar - 1) // 4
            rhythm = _rng(chart, _SOLO, 0, bar.chorus, 0 if line < 2 else line, (bar.bar - 1) % 4)
            notes = soloist.bar(chords, (bar.bar - 1) % 2, level, places, _rng(chart, _SOLO, 1, bar.idx), rhythm)
        elif bar.role in ("verse", "head"):
            voice = "voice" if bar.role == "verse" else "lead"
            seed = chart.session.seed
            notes = sung_bar(chart.key, chords, bar.bar, level, places, seed, bar.role == "head")
        else:
            continue
        for note in notes:
            onset = bar.onset_beats + note.at_beats
            length = min(note.length_beats, 4.0 - note.at_beats)
            table.add(onset, length, note.pitch, note.velocity, voice, "lead")


def _guide_on(bar: ChartBar, wanted: str) -> bool:
    return wanted == "on" or bar.chorus % 2 == 1 or bar.chorus == 0


def _guide(
    table: _Table,
    chart: Chart,
    levels: NDArray[np.float64],
    wanted: str,
    guide_line: Iterable[Sequence[float]] | None,
) -> None:
    if guide_line is not None:
        for row in guide_line:
            bar = chart.bars[int(chart.bar_idx_at([row[0]])[0])]
            if _guide_on(bar, wanted) and not bar.drop_out:
                table.add(float(row[0]), float(row[1]), round(row[2]), float(row[3]), "guide", "guide")
        return
    for bar in chart.bars:
        if bar.drop_out or not _guide_on(bar, wanted):
            continue
        loud = 72.0 + 26.0 * float(levels[bar.idx])
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


def _balance(events: NDArray[np.void], chart: Chart, levels: NDArray[np.float64]) -> None:
    """Bring the groove to the common loudness of its role and intensity (guide and count stand apart)."""
    bars = chart.bar_idx_at(events["onset_beats"])
    solo = np.array([bar.role == "solo" for bar in chart.bars])
    trims = np.where(
        solo, trim_db(chart.session.groove, "solo", levels), trim_db(chart.session.groove, "verse", levels)
    )
    factors = 10.0 ** (trims / (20.0 * TOUCH))
    mine = events["part"] < _PART["guide"]
    loud = np.rint(events["velocity"][mine] * factors[bars[mine]])
    events["velocity"][mine] = np.clip(loud, 1, 127).astype(np.uint8)


def _vary(events: NDArray[np.void], limbs: list[str], chart: Chart, variation: float, count_in: bool) -> None:
    """Fill `shift_s`: what the kit shares plus each player's own, by half-beat. The count-in has none."""
    if variation == 0.0 or events.size == 0:
        return
    first = chart.first_beats
    n_ticks = 2 * int(np.ceil(chart.end_beats - first)) + 2
    ticks = np.clip(np.floor(2.0 * (events["onset_beats"] - first) + 1e-9).astype(np.intp), 0, n_ticks - 1)
    shared = SHARED_SD_S * long_range_noise(n_ticks, _rng(chart, _FEEL, 0))
    names = np.array(limbs)
    for k, (limb, spread_s) in enumerate(OWN_SD_S.items(), 1):
        mine = names == limb
        if not mine.any():
            continue
        own = spread_s * long_range_noise(n_ticks, _rng(chart, _FEEL, k))
        if limb in (HAND, STICK, FOOT):
            own = own + shared
        events["shift_s"][mine] = variation * np.clip(own, -MOST_SHIFT_S, MOST_SHIFT_S)[ticks[mine]]
    if not count_in or chart.session.count_in_bars == 0:
        # Nothing sounds before the very start.
        opening = events["onset_beats"] <= first
        events["shift_s"][opening] = np.maximum(events["shift_s"][opening], 0.0)
