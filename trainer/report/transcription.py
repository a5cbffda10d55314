"""Reading a transcription: a MIDI file, or MusicXML with its pick-up, repeats, chords and rehearsal marks in place."""

from __future__ import annotations

import re
from fractions import Fraction
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np

from trainer.clock.tempo import TempoMap, swing_offbeat_frac, swung_beats
from trainer.errors import FileFormatError, TrainerError, UsageError
from trainer.limits import FORM_BARS, playable_bpm
from trainer.report.musicxml_in import XmlBar, XmlNote, XmlScore, read_musicxml
from trainer.session import BEATS_PER_BAR, ROLES, Session, expand, session_from_dict
from trainer.take import Take, TakeHeader, notes_from_rows, read_take
from trainer.take.downbeat import asked_downbeat, find_downbeat

__all__ = ["read_transcription"]

MUSICXML = (".musicxml", ".xml", ".mxl")
_FIRST_CHORUS = re.compile(r"(?:chorus\s*)?1\b.*", re.IGNORECASE)  # as our own rehearsal marks and many others' say
_CHORUS = re.compile(r"(\d{1,3}) (?:your )?([a-z]+)\b.*")  # "3 solo" as our own marks are
_MAJORS = ("Cb", "Gb", "Db", "Ab", "Eb", "Bb", "F", "C", "G", "D", "A", "E", "B", "F#", "C#")
_MINORS = ("Ab", "Eb", "Bb", "F", "C", "G", "D", "A", "E", "B", "F#", "C#", "G#", "D#", "A#")
VELOCITY = 90


def read_transcription(
    path: Path,
    session: Session | None = None,
    *,
    track: str | int | None = None,
    downbeat: float | str | None = None,
) -> Take:
    """The transcription as a take: written eighths are swung as the session says.

    MusicXML begins with its bar 1 (what lies before, a pick-up or an intro with a mark of its own, stays before), or
    where `downbeat` says: seconds from the start at its tempo, or "auto" by its notes. Without a session its own chord
    symbols are the chart. `track` and `downbeat` of a MIDI file as in `read_take`. `UsageError` when it is not there or
    has neither session nor chords; `FileFormatError` when it is not what its name says.
    """
    if path.suffix.lower() not in MUSICXML:
        return read_take(path, session=session, track=track, downbeat=downbeat)
    score = read_musicxml(path, track)
    if not score.notes:
        raise FileFormatError(f"{path}: no notes in it; expected a bass part")
    remarks = list(score.remarks)
    if session is None:
        session = _session_of(score, path)
    chart = expand(session)
    origin, where = _origin(score, session, downbeat, path)
    rows = []
    tempo = TempoMap(chart.tempo_segments)
    for onset, end, pitch in _swung(score, session.swing_ratio, origin):
        a, b = (float(x) for x in tempo.seconds_at([onset, end]))
        rows.append((a, max(b - a, 0.01), float(pitch), VELOCITY))
    header = TakeHeader(foreign=True, profile="foreign", downbeat_from=where, extra={"remarks": remarks})
    return Take(notes=notes_from_rows(sorted(rows)), tempo=tempo, session=session, header=header, source=str(path))


def _first_bar(score: XmlScore) -> int:
    """Index of the bar that is bar 1 of chorus 1: the one so marked, else the first that is no pick-up."""
    marked = [i for i, bar in enumerate(score.bars) if _FIRST_CHORUS.fullmatch(bar.mark)]
    if marked:
        return marked[0]
    return next((i for i, bar in enumerate(score.bars) if not bar.pickup), 0)


def _origin(score: XmlScore, session: Session, downbeat: float | str | None, path: Path) -> tuple[Fraction, str]:
    """The beat of the document where chorus 1 begins, and how that is known."""
    first = score.bars[_first_bar(score)].onset
    if downbeat is None:
        return first, "start of file"
    if downbeat == "auto":
        beats = np.array([float(note.onset) for note in score.notes])
        found = find_downbeat(beats, np.array([float(note.pitch) for note in score.notes]), expand(session))
        if found is None:
            raise UsageError(f'{path}: downbeat "auto" found {len(beats)} notes; give the downbeat in seconds')
        return Fraction(round(found.origin_beats * 12), 12), "auto"
    asked_s = asked_downbeat(downbeat) or 0.0
    tempo_bpm = score.tempo_bpm or session.tempo_bpm
    return Fraction(round(asked_s * tempo_bpm / 60.0 * 12), 12), "option"


def _swung(score: XmlScore, ratio: float, origin: Fraction) -> list[tuple[float, float, int]]:
    """(onset, end, pitch) in beats from chorus 1, written off-beats where this swing plays them.

    A triplet stands where it is written; in 12/8 the last third of a beat without a middle one is the off-beat.
    """
    third = Fraction(1, 3)
    notes = [XmlNote(note.onset - origin, note.length, note.pitch) for note in score.notes]
    middles = {note.onset // 1 for note in notes if note.onset % 1 == third}
    off = float(swing_offbeat_frac(ratio))

    def place(at: Fraction) -> float:
        inside = at % 1
        if inside.denominator % 3 == 0:
            whole = at // 1
            return whole + off if score.compound and inside == 2 * third and whole not in middles else float(at)
        return float(at) if score.compound else float(swung_beats([float(at)], ratio)[0])

    return [(place(note.onset), place(note.onset + note.length), note.pitch) for note in notes]


def _session_of(score: XmlScore, path: Path) -> Session:
    """The session that the document's own chord symbols describe: its bars, and the choruses in which they return."""
    first = _first_bar(score)
    bars = score.bars[first:]
    if not any(bar.chords for bar in bars):
        raise UsageError(f"{path}: no chord symbols in it; add --session, a file or a ready-made name")
    if any(bar.beats != BEATS_PER_BAR for bar in bars[:-1]):
        raise UsageError(f"{path}: bars of other than four beats; expected 4/4 or 12/8, or add --session")
    names = _bar_names(bars)
    n_form, choruses = _marked(bars)
    if not n_form:
        n_form = _period(names)
        choruses = [{"role": "verse"}] * max(1, len(names) // n_form)
    if n_form > FORM_BARS:
        raise UsageError(f"{path}: {n_form} bars that do not come round; expected a form, or add --session")
    plain: dict[str, Any] = {
        "title": score.title or path.stem[:200] or "A transcription",
        "form": "chart",
        "chart": {"bars": names[:n_form]},
        "count_in_bars": 0,
        "chorus": choruses,
        **_feel(score),
    }
    try:
        return session_from_dict(plain, "its chords")
    except TrainerError as error:
        words = " ".join(str(error).split())[:200]
        raise UsageError(f"{path}: its chord symbols make no chart ({words}); add --session") from None


def _feel(score: XmlScore) -> dict[str, Any]:
    """Key, groove, and where the document says them tempo and swing, as a session has them."""
    swing = score.swing_ratio
    groove = "slow_twelve_eight" if score.compound else "shuffle" if swing is None or swing > 1.0 else "straight"
    out: dict[str, Any] = {
        "key": (_MINORS if score.minor else _MAJORS)[score.key_fifths + 7] + ("m" if score.minor else ""),
        "groove": groove,
    }
    if score.tempo_bpm is not None:
        out["tempo_bpm"] = playable_bpm(score.tempo_bpm)
    if swing is not None:
        out["swing_ratio"] = min(max(swing, 1.0), 3.5)
    return out


def _bar_names(bars: tuple[XmlBar, ...]) -> list[str]:
    """Each bar's chords in equal shares, as a session writes them; a bar without a symbol keeps the chord before."""
    out = []
    before = next(chord.name for bar in bars for _, chord in bar.chords)
    for bar in bars:
        at = {0: before}
        for place, chord in bar.chords:
            at[min(3, int(place))] = chord.name
        before = at[max(at)]
        beats = [at[max(k for k in at if k <= beat)] for beat in range(4)]
        if len(set(beats)) == 1:
            out.append(beats[0])
        elif beats[0] == beats[1] and beats[2] == beats[3]:
            out.append(f"{beats[0]} {beats[2]}")
        else:
            out.append(" ".join(beats))
    return out


def _marked(bars: tuple[XmlBar, ...]) -> tuple[int, list[dict[str, Any]]]:
    """(bars of the form, each chorus as a session has it) where rehearsal marks number the choruses: "2 solo".

    (0, []) without such marks, or where choruses are not alike. What follows the last chorus is a tag.
    """
    found = [(i, match) for i, bar in enumerate(bars) if (match := _CHORUS.fullmatch(bar.mark))]
    starts = [i for i, _ in found]
    lengths = {b - a for a, b in pairwise(starts)}
    numbered = [int(match[1]) for _, match in found] == list(range(1, len(found) + 1))
    if not numbered or len(lengths) != 1 or starts[0] != 0 or len(bars) - starts[-1] < min(lengths):
        return 0, []
    words = [match[2] for _, match in found]
    return lengths.pop(), [{"role": w if w in ROLES else "verse", "heard": w == "listen"} for w in words]


def _period(names: list[str]) -> int:
    """How many bars the form has: the fewest, at least four, after which the chords return; the last bar may differ.

    All of them where they never do.
    """
    n = len(names)
    for period in range(4, n // 2 + 1):
        if n % period == 0 and all(names[i] == names[i % period] for i in range(n - 1)) and len(set(names)) > 1:
            return period
    return n
