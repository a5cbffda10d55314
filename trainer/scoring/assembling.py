"""`score`, the one door: clean, place, measure, judge, assemble."""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import NamedTuple, cast

import numpy as np

from trainer.scoring.align import read_notes
from trainer.scoring.beat import BeatBy, BeatFound, beat_of
from trainer.scoring.card import CalibrationFacts, Downbeat, Scorecard, TakeFacts
from trainer.scoring.devices import Devices, find
from trainer.scoring.figure import Figure
from trainer.scoring.form import FormResult, place
from trainer.scoring.judging import verdict
from trainer.scoring.landing import Landing, landing, not_stayed
from trainer.scoring.reading import Reading
from trainer.scoring.shape import Shape, shape
from trainer.scoring.swing import swing
from trainer.scoring.timing import timing
from trainer.scoring.verdict import Verdict
from trainer.scoring.why import Why, no_figure
from trainer.session import Chart, Session, expand
from trainer.take.bent import unfolded
from trainer.take.model import Take

__all__ = ["answers", "misplaced", "score"]

DEFAULT_LEVEL = "jam"
ELSEWHERE_SHARE = 0.8  # of the bars; our choice
SLIPPED = "the beat fitted to what was played may have slipped by a beat: changes and form are not judged by it"
_NOT_THESE = no_figure("not_placed", "the beat fitted to what was played may have slipped by a beat")
_NO_ENDS = (math.nan, math.nan)
_NO_FORM = no_figure("no_session", "without a session the form is not known")
_NO_CHORDS = no_figure("no_session", "without a session the chords are not known")


def _band_intensity(take: Take) -> Sequence[float] | None:
    """What a band that listened played, bar by bar, as its take says."""
    rows = take.header.extra.get("intensities")
    return rows if isinstance(rows, list | tuple) and all(isinstance(x, int | float) for x in rows) else None


def score(
    take: Take,
    *,
    session: Session | None = None,
    chart: Chart | None = None,
    full: bool = False,
    level: str = DEFAULT_LEVEL,
    beat: BeatBy | None = None,
) -> Scorecard:
    """The scorecard of a take. Pure: the same take gives the same card.

    The chart is `chart`, else that of `session`, else that of the take's own session, else none (a foreign file: timing
    and swing against its own beat axis, the rest says why it is empty). Choruses that are only listened to count
    nowhere. `full` adds every beat and pair to the JSON. `beat` says whose beat a file from elsewhere is judged by;
    None: the file's, unless what was played departs from it.
    """
    if chart is None:
        own = session if session is not None else take.session
        chart = None if own is None else expand(own)
    found_beat = beat_of(unfolded(take), beat, chart)
    take = found_beat.take
    known = None if chart is None else chart.session
    answered = take if chart is None else answers(take, chart)
    reading = read_notes(answered, chart)
    if found_beat.none is not None:
        reading = replace(reading, unplaced=found_beat.none)
    timed, swung = timing(reading, take.band if len(take.band) else None), swing(reading)
    about = _about_the_chart(take, reading, chart, found_beat)
    if found_beat.may_slip or about.elsewhere == SLIPPED:  # by then, beat 2 is another
        timed = replace(timed, per_beat=(), no_beats=_NOT_THESE)
        swung = replace(swung, per_chorus=(), per_beat=(), per_role=(), no_groups=_NOT_THESE)
    told = (found_beat.remark, *_remarks(take), *_only_along(take, answered), about.elsewhere)
    uncalibrated = no_figure("not_calibrated", "no calibration was made") if take.header.calibration is None else None
    card = Scorecard(
        take_sha256=take.sha256 or _notes_sha256(take),
        session_sha256=None if known is None else _session_sha256(known),
        calibration=_calibration(take),
        take=_facts(take, reading, known, tuple(filter(None, told)), found_beat.by),
        timing=timed.with_every_beat() if full else timed,
        swing=swung.with_every_pair() if full else swung,
        landing=about.landing,
        form=about.form,
        shape=about.shape,
        devices=about.devices,
        verdict=Verdict(level, (), ()),
        unscored=no_figure("no_session", "scored without a session") if known is None else None,
        uncalibrated=uncalibrated,
        reading=reading,
        session=known,
    )
    return replace(card, verdict=verdict(card, level))


class _AboutTheChart(NamedTuple):
    """The sections that a chart is needed for; `elsewhere` says so where the take more likely begins at another place
    of it."""

    landing: Landing
    form: FormResult
    devices: Devices
    shape: Shape
    elsewhere: str = ""


def _about_the_chart(take: Take, reading: Reading, chart: Chart | None, beat: BeatFound) -> _AboutTheChart:
    """Where there is no beat to judge by, or one that may have slipped, the notes cannot be placed on the chart."""
    landed, none = landing(reading), reading.unplaced
    if chart is None:
        return _AboutTheChart(landed, FormResult.empty(_NO_FORM), Devices(None, _NO_CHORDS), Shape.empty(_NO_FORM))
    if none is not None and none.code == "no_beat":
        return _AboutTheChart(landed, FormResult.empty(none), Devices(None, none), Shape.empty(none))
    form = place(reading, chart)
    slipped = beat.by != "file" and (beat.may_slip or bool(form.lost))
    elsewhere = SLIPPED if slipped else _elsewhere(take, reading, form)
    if elsewhere:
        first = "where the take begins in the form has to be known first"
        nowhere = no_figure("not_placed", SLIPPED if slipped else first)
        landed = landing(replace(reading, unplaced=nowhere))
        return _AboutTheChart(
            landed, FormResult.empty(nowhere), Devices(None, nowhere), Shape.empty(nowhere), elsewhere
        )
    landed = not_stayed(landed, form.bars_elsewhere)
    lost_bars = sorted(form.bars_elsewhere)
    shaped = shape(reading, chart, landed, band_intensity=_band_intensity(take), lost_bars=lost_bars)
    return _AboutTheChart(landed, form, find(reading, chart, form.bars_elsewhere), shaped)


def _facts(take: Take, r: Reading, session: Session | None, remarks: tuple[str, ...], beat: BeatBy) -> TakeFacts:
    tuning: Why | None = None
    if r.detuned_semitones or r.octaves_off:
        detuned = f"{r.detuned_semitones:+.2f} semitones off pitch"
        what = detuned if r.detuned_semitones else "octaves off a bass's range"
        tuning = no_figure("asked", f"the input seems {what}; taken off, not scored")
    return TakeFacts(
        notes=len(take.notes),
        choruses=None if r.chart is None else r.chart.n_choruses,
        key=None if session is None else session.key.name,
        tempo_bpm=_tempo_bpm(take, r),
        profile=take.header.profile,
        cleaned=r.cleaned,
        transposed_semitones=r.transposed_semitones,
        detuned_semitones=r.detuned_semitones,
        octaves_off=r.octaves_off,
        phase_s=r.phase_s,
        downbeat=_downbeat(take),
        beat_this_file=beat,
        remarks=remarks,
        no_session=no_figure("no_session", "choruses and key come from a session") if session is None else None,
        tuning=tuning,
    )


def misplaced(take: Take) -> bool:
    """Whether a file that is taken to begin with a chorus more likely begins elsewhere in its session's form."""
    if take.session is None or take.header.downbeat_from != "start of file":
        return False
    chart = expand(take.session)
    reading = read_notes(take, chart)
    return bool(_elsewhere(take, reading, place(reading, chart)))


def answers(take: Take, chart: Chart) -> Take:
    """The take without what was played along in choruses that are only listened to; a note half a beat before a chorus
    leads into it."""
    heard = np.array([bar.heard for bar in chart.bars])
    if not heard.any() or not len(take.notes):
        return take
    beats = np.clip(take.tempo.beats_at(take.notes["onset_s"]) + 0.5, chart.first_beats, chart.end_beats - 1e-6)
    return replace(take, notes=take.notes[~heard[chart.bar_idx_at(beats)]])


def _remarks(take: Take) -> tuple[str, ...]:
    found = take.header.extra.get("remarks")
    return tuple(text for text in found if isinstance(text, str)) if isinstance(found, list) else ()


def _only_along(take: Take, answered: Take) -> tuple[str, ...]:
    """Whoever played where there was only listening to do is told why no figure comes of it."""
    n = len(take.notes)
    if not n or len(answered.notes):
        return ()
    found = "the one note lies" if n == 1 else f"all {n} notes lie"
    return (f"{found} in choruses that are only listened to, where nothing is scored; play in the others",)


def _elsewhere(take: Take, reading: Reading, form: FormResult) -> str:
    """A file taken to begin with a chorus, of which nearly all fits another place, more likely begins inside one."""
    if take.header.downbeat_from != "start of file" or not form.lost or not form.place:
        return ""
    longest = max(span.last_idx - span.first_idx + 1 for span in form.lost)
    n_played = sum(row.at_beats <= reading.until_beats for row in form.place)
    if longest < ELSEWHERE_SHARE * n_played:
        return ""
    return (
        "nearly all of it fits another place in the form: it may begin inside a chorus, or with the intro. "
        "Say --downbeat auto (or --downbeat 0 if chorus 1 does begin with the file); until then changes and form are "
        "not judged"
    )


def _downbeat(take: Take) -> Downbeat:
    """Where the first downbeat came from; if from the notes, how sure that is and what else it may be."""
    found = take.header.extra.get("downbeat") if take.header.downbeat_from == "auto" else None
    return cast(Downbeat, {"from": take.header.downbeat_from, **(found if isinstance(found, Mapping) else {})})


def _tempo_bpm(take: Take, reading: Reading) -> float:
    """The tempo in force over most of the take, quarter notes a minute."""
    if reading.chart is not None and not take.header.foreign:
        return reading.chart.session.tempo_bpm
    bpm = np.asarray(take.tempo.bpm_at(reading.beat_numbers.astype(np.float64)), dtype=np.float64)
    return float(np.median(bpm)) if len(bpm) else float(take.tempo.bpm[0])


def _calibration(take: Take) -> CalibrationFacts | None:
    c = take.header.calibration
    if c is None:
        return None
    return CalibrationFacts(
        base_ms=Figure(c.base_ms, *(c.base_ci95_ms or _NO_ENDS), c.n),
        periods=Figure(c.periods, *(c.periods_ci95 or _NO_ENDS), c.n),
        monitor=c.monitor,
        n=c.n,
        made=c.made,
    )


def _notes_sha256(take: Take) -> str:
    """Of the notes and the tempo map, for a take that is not a file."""
    digest = hashlib.sha256(np.ascontiguousarray(take.notes).tobytes())
    digest.update(np.ascontiguousarray(take.tempo.beats).tobytes())
    digest.update(np.ascontiguousarray(take.tempo.bpm).tobytes())
    return digest.hexdigest()


def _session_sha256(session: Session) -> str:
    text = json.dumps(session.to_dict(), sort_keys=True, separators=(",", ":"), ensure_ascii=True)
    return hashlib.sha256(text.encode()).hexdigest()
