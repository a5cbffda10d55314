"""The scorecard: every section of a take's score in one frozen tree, and its JSON.

`score` is the one door: clean, place, measure, assemble. Sections are always there; an absent figure is null and named
in its section's `why` ({"code", "text"}). Times in ms (late positive), bars and choruses 1-based, spans inclusive.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Protocol

import numpy as np

from trainer._version import __version__
from trainer.scoring.align import read_notes
from trainer.scoring.devices import find
from trainer.scoring.form import FormResult, place
from trainer.scoring.landing import Landing, landing
from trainer.scoring.reading import Reading
from trainer.scoring.shape import shape
from trainer.scoring.swing import Swing, swing
from trainer.scoring.timing import Timing, timing
from trainer.scoring.verdict import verdict
from trainer.scoring.why import Why, no_figure, number
from trainer.session import Chart, Session, expand
from trainer.take.model import Take

__all__ = ["REVISION", "SCHEMA", "EmptySection", "Scorecard", "Section", "answers", "misplaced", "score"]

SCHEMA = {"name": "scorecard", "major": 1, "minor": 0}
REVISION = 10  # of the figures: raised whenever the same take comes out otherwise, so that kept cards are made anew
DEFAULT_LEVEL = "jam"
ELSEWHERE_SHARE = 0.8  # of the bars; our choice


class Section(Protocol):
    """A section of the card: gives its JSON."""

    def to_dict(self) -> dict[str, Any]: ...


@dataclass(frozen=True)
class EmptySection:
    """A section that holds nothing, and says why for each of its figures."""

    holds: Mapping[str, Any]
    why: Mapping[str, Why]

    def to_dict(self) -> dict[str, Any]:
        return {**self.holds, "why": {name: why.to_dict() for name, why in self.why.items()}}


@dataclass(frozen=True)
class Scorecard:
    """One take's score. The sections' own objects hold more than the JSON; `reading` is what all of them saw."""

    reading: Reading
    timing: Timing
    swing: Swing
    landing: Landing
    form: Section
    shape: Section
    devices: Section
    verdict: Section
    session: Session | None
    n_notes: int
    tempo_bpm: float
    profile: str
    calibration: Mapping[str, Any] | None
    take_sha256: str
    session_sha256: str | None
    full: bool = False
    scorer: str = __version__
    why: Mapping[str, Why] = field(default_factory=dict)
    remarks: tuple[str, ...] = ()  # what was odd about the file, a line each
    downbeat: Mapping[str, Any] = field(default_factory=lambda: {"from": "take"})

    @property
    def chart(self) -> Chart | None:
        return self.reading.chart

    def to_dict(self) -> dict[str, Any]:
        """The JSON of the scorecard, schema 1.0; plain data, no NaN."""
        timing_dict, swing_dict = self.timing.to_dict(), self.swing.to_dict()
        if self.full:
            timing_dict["beats"] = [
                {"at_beats": int(beat), "asynchrony_ms": number(1000.0 * late, 2)}
                for beat, late in zip(self.timing.beat.tolist(), self.timing.asynchrony_s.tolist(), strict=True)
            ]
            p = self.swing.pairs
            swing_dict["pairs"] = [
                {"at_beats": int(beat), "ratio": number(ratio, 4), "stand_in": bool(stand_in)}
                for beat, ratio, stand_in in zip(p.beat.tolist(), p.ratio.tolist(), p.stand_in.tolist(), strict=True)
            ]
        return {
            "schema": dict(SCHEMA),
            "scorer": self.scorer,
            "take_sha256": self.take_sha256,
            "session_sha256": self.session_sha256,
            "calibration": None if self.calibration is None else dict(self.calibration),
            "take": self._take_dict(),
            "timing": timing_dict,
            "swing": swing_dict,
            "landing": self.landing.to_dict(),
            "form": self.form.to_dict(),
            "shape": self.shape.to_dict(),
            "devices": self.devices.to_dict(),
            "verdict": self.verdict.to_dict(),
            "why": {name: why.to_dict() for name, why in self.why.items()},
        }

    def _take_dict(self) -> dict[str, Any]:
        why: dict[str, Any] = {}
        if self.session is None:
            reason = no_figure("no_session", "choruses and key come from a session").to_dict()
            why = {"choruses": reason, "key": reason}
        r = self.reading
        if r.detuned_semitones or r.octaves_off:
            detuned = f"{r.detuned_semitones:+.2f} semitones off pitch"
            what = detuned if r.detuned_semitones else "octaves off a bass's range"
            why["tuning"] = no_figure("asked", f"the input seems {what}; taken off, not scored").to_dict()
        return {
            "notes": self.n_notes,
            "choruses": None if self.chart is None else self.chart.n_choruses,
            "key": None if self.session is None else self.session.key.name,
            "tempo_bpm": number(self.tempo_bpm, 3),
            "profile": self.profile,
            "cleaned": r.cleaned.to_dict(),
            "transposed_semitones": r.transposed_semitones,
            "detuned_semitones": number(r.detuned_semitones, 3),
            "octaves_off": r.octaves_off,
            "phase_ms": number(1000.0 * r.phase_s, 2),
            "downbeat": dict(self.downbeat),
            "remarks": list(self.remarks),
            "why": why,
        }

    def form_and_shape_line(self) -> str:
        """Form and shape in one line, from their sections' own words where they have them."""
        parts = [getattr(section, "line", "") for section in (self.form, self.shape)]
        text = "; ".join(part.rstrip(".") for part in parts if isinstance(part, str) and part)
        if text:
            return f"Form and shape: {text}."
        reasons = {w.text for section in (self.form, self.shape) for w in _whys(section)}
        return f"Form and shape: {'; '.join(sorted(reasons)) or 'nothing to say'}."


def _whys(section: Section) -> list[Why]:
    why = getattr(section, "why", {})
    return [w for w in why.values() if isinstance(w, Why)]


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
) -> Scorecard:
    """The scorecard of a take. Pure: the same take gives the same card.

    The chart is `chart`, else that of `session`, else that of the take's own session, else none (a foreign file: timing
    and swing against its own beat axis, the rest says why it is empty). Choruses that are only listened to count
    nowhere. `full` adds every beat and pair to the JSON.
    """
    if chart is None:
        own = session if session is not None else take.session
        chart = None if own is None else expand(own)
    known = None if chart is None else chart.session
    answered = take if chart is None else answers(take, chart)
    reading = read_notes(answered, chart)
    band = take.band if len(take.band) else None
    card = Scorecard(
        reading=reading,
        timing=timing(reading, band),
        swing=swing(reading),
        landing=landing(reading),
        form=_NO_FORM,
        shape=_NO_SHAPE,
        devices=_NO_DEVICES,
        verdict=_NO_VERDICT,
        session=known,
        n_notes=len(take.notes),
        tempo_bpm=_tempo_bpm(take, reading),
        profile=take.header.profile,
        calibration=_calibration(take),
        take_sha256=take.sha256 or _notes_sha256(take),
        session_sha256=None if known is None else _session_sha256(known),
        full=full,
        why={} if known is not None else {"session_sha256": no_figure("no_session", "scored without a session")},
        remarks=_remarks(take) + _only_along(take, answered),
        downbeat=_downbeat(take),
    )
    if take.header.calibration is None:
        card = replace(card, why={**card.why, "calibration": no_figure("not_calibrated", "no calibration was made")})
    if chart is not None:
        form = place(reading, chart)
        elsewhere = _elsewhere(take, reading, form)
        lost_bars = [idx for span in form.lost or () for idx in range(span.first_idx, span.last_idx + 1)]
        card = replace(
            card,
            form=form,
            remarks=card.remarks + elsewhere,
            shape=shape(reading, chart, card.landing, band_intensity=_band_intensity(take), lost_bars=lost_bars),
            devices=find(reading, chart),
        )
        return replace(card, verdict=verdict(card, level, placed=not elsewhere))
    return replace(card, verdict=verdict(card, level))


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


def _elsewhere(take: Take, reading: Reading, form: FormResult) -> tuple[str, ...]:
    """A file taken to begin with a chorus, of which nearly all fits another place, more likely begins inside one."""
    if take.header.downbeat_from != "start of file" or not form.lost or not form.place:
        return ()
    longest = max(span.last_idx - span.first_idx + 1 for span in form.lost)
    n_played = sum(row.at_beats <= reading.until_beats for row in form.place)
    if longest < ELSEWHERE_SHARE * n_played:
        return ()
    return (
        "nearly all of it fits another place in the form: it may begin inside a chorus, or with the intro. "
        "Say --downbeat auto; until then changes and form are judged in the wrong place",
    )


def _downbeat(take: Take) -> dict[str, Any]:
    """Where the first downbeat came from; if from the notes, how sure that is and what else it may be."""
    found = take.header.extra.get("downbeat") if take.header.downbeat_from == "auto" else None
    return {"from": take.header.downbeat_from, **(found if isinstance(found, Mapping) else {})}


def _empty(holds: Mapping[str, Any], code: str, text: str) -> EmptySection:
    return EmptySection(holds, dict.fromkeys(holds, no_figure(code, text)))


_NO_SESSION = ("no_session", "without a session the form is not known")
_NO_FORM = _empty({"lost": None, "place": None}, *_NO_SESSION)
_NO_SHAPE = _empty({"choruses": [], "contrast": {}}, *_NO_SESSION)
_NO_DEVICES = _empty({"found": None}, "no_session", "without a session the chords are not known")
_NO_VERDICT = EmptySection(
    {"level": DEFAULT_LEVEL, "lines": [], "advice": []},
    {name: no_figure("not_judged", "no level was looked at") for name in ("lines", "advice")},
)


def _tempo_bpm(take: Take, reading: Reading) -> float:
    """The tempo in force over most of the take, quarter notes a minute."""
    if reading.chart is not None and not take.header.foreign:
        return reading.chart.session.tempo_bpm
    bpm = np.asarray(take.tempo.bpm_at(reading.beat_numbers.astype(np.float64)), dtype=np.float64)
    return float(np.median(bpm)) if len(bpm) else float(take.tempo.bpm[0])


def _calibration(take: Take) -> dict[str, Any] | None:
    c = take.header.calibration
    if c is None:
        return None
    return {
        "base_ms": number(c.base_ms, 3),
        "periods": number(c.periods, 3),
        "base_ci95_ms": None if c.base_ci95_ms is None else [number(v, 3) for v in c.base_ci95_ms],
        "periods_ci95": None if c.periods_ci95 is None else [number(v, 3) for v in c.periods_ci95],
        "monitor": c.monitor,
        "n": c.n,
        "made": c.made,
    }


def _notes_sha256(take: Take) -> str:
    """Of the notes and the tempo map, for a take that is not a file."""
    digest = hashlib.sha256(np.ascontiguousarray(take.notes).tobytes())
    digest.update(np.ascontiguousarray(take.tempo.beats).tobytes())
    digest.update(np.ascontiguousarray(take.tempo.bpm).tobytes())
    return digest.hexdigest()


def _session_sha256(session: Session) -> str:
    text = json.dumps(session.to_dict(), sort_keys=True, separators=(",", ":"), ensure_ascii=True)
    return hashlib.sha256(text.encode()).hexdigest()
