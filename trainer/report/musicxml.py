"""MusicXML 4.0: notation on one staff, bass tablature under it, chord symbols, roles, and the swing mark.

The music is written as bass players read it: sounding an octave below the written pitch, shuffle as plain eighths
with `<swing>` (first 2, second 1 is the triplet: MusicXML 4.0), triplet figures as triplets. Source: the MusicXML 4.0
schema, which the tests validate against.
"""

from __future__ import annotations

import xml.etree.ElementTree as ET
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import chain, repeat

from trainer._version import __version__
from trainer.music import Chord, Key, spell_pc
from trainer.plain import plain
from trainer.report.files import fits_on_paper
from trainer.report.written import BAR, DIVISIONS, Tone, Written, WrittenNote
from trainer.session import BEATS_PER_BAR, Chart, ChartBar

__all__ = ["MISSED_SIGN", "musicxml"]

_KINDS = {
    "": "major", "m": "minor", "7": "dominant", "m7": "minor-seventh", "maj7": "major-seventh", "6": "major-sixth",
    "m6": "minor-sixth", "9": "dominant-ninth", "m9": "minor-ninth", "13": "dominant-13th", "7#9": "dominant",
    "7b9": "dominant", "7#5": "augmented-seventh", "7sus4": "suspended-fourth", "sus4": "suspended-fourth",
    "dim": "diminished", "dim7": "diminished-seventh", "m7b5": "half-diminished", "aug": "augmented",
}  # fmt: skip
# Written lengths in divisions → (type, dots). Triplet members are told apart by their place in the beat.
_PLAIN = {48: ("whole", 0), 36: ("half", 1), 24: ("half", 0), 18: ("quarter", 1), 12: ("quarter", 0),
          9: ("eighth", 1), 6: ("eighth", 0), 3: ("16th", 0)}  # fmt: skip
_TRIPLET = {4: "eighth", 8: "quarter"}
# In 12/8 a beat is a dotted quarter, so there are eight divisions to a quarter.
_COMPOUND = {48: ("whole", 1), 24: ("half", 1), 12: ("quarter", 1), 8: ("quarter", 0), 6: ("eighth", 1),
             4: ("eighth", 0), 2: ("16th", 0)}  # fmt: skip
_COMPOUND_QUARTER = 8
BARS_A_LINE = 4  # a twelve-bar chorus is three lines, as players see it
CROWDED = 44  # notes in a line; more are halved. Our choice
MISSED_SIGN = "†"
_STAFF, _TAB = "1", "2"
_VOICE, _TAB_VOICE = "1", "5"
_LOWEST, _HIGHEST = 12, 131  # written pitches that have an octave in MusicXML, 0 to 9


@dataclass(frozen=True, slots=True)
class _Piece:
    """A note or rest cut to what one symbol can show; `length` in divisions."""

    start: int
    length: int
    note: WrittenNote | None
    tie_in: bool = False
    tie_out: bool = False
    triplet: bool = False
    fermata: bool = False
    joins_on: str = ""  # how the note after this one is reached


@dataclass(frozen=True, slots=True)
class _Sheet:
    """What every measure is written from."""

    written: Written
    tab: bool
    spelled: dict[tuple[int, int, int], str]  # (start of the note, grace number or -1, pitch) → name


def musicxml(written: Written, *, tab: bool = True) -> bytes:
    """The piece as a MusicXML 4.0 partwise document, UTF-8."""
    fits_on_paper(written.chart)
    root = ET.Element("score-partwise", version="4.0")
    _text(ET.SubElement(root, "work"), "work-title", plain(written.title))
    encoding = ET.SubElement(ET.SubElement(root, "identification"), "encoding")
    _text(encoding, "software", f"shuffle-partner {__version__}")
    _part_list(root)
    part = ET.SubElement(root, "part", id="P1")
    sheet = _Sheet(written, tab, _spellings(written))
    pieces = _pieces(written)
    folds = _folds(written)
    new_lines = _lines(written, folds)
    signs = chain((f"{MISSED_SIGN} a change that was missed",), repeat(MISSED_SIGN))  # what it means is said once
    first = -written.pickup // BAR
    for idx in range(first, written.n_bars):
        bar = written.bar(idx)
        measure = _empty_measure(part, idx, bar)
        if idx in new_lines:
            ET.SubElement(measure, "print", {"new-system": "yes"})
        if idx == first or idx in folds:
            attributes = ET.SubElement(measure, "attributes")
            if idx == first:
                _attributes(attributes, written, tab)
            if idx in folds:
                _text(ET.SubElement(attributes, "measure-style"), "multiple-rest", str(folds[idx]))
        if idx == first:
            _tempo(measure, written)
        if bar is not None:
            _role(measure, written.chart, idx)
        _missed(measure, [at % BAR for at in written.missed if at // BAR == idx], signs)
        length = min(written.pickup, BAR) if idx == -1 else BAR
        _measure(measure, bar.chords if bar is not None else (), sheet, pieces.get(idx, []), length)
        _barline(measure, written, idx)
    body = ET.tostring(root, encoding="unicode")
    return (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        '<!DOCTYPE score-partwise PUBLIC "-//Recordare//DTD MusicXML 4.0 Partwise//EN" '
        '"http://www.musicxml.org/dtds/partwise.dtd">\n' + body
    ).encode()


def _part_list(root: ET.Element) -> None:
    score_part = ET.SubElement(ET.SubElement(root, "part-list"), "score-part", id="P1")
    _text(score_part, "part-name", "Bass")
    instrument = ET.SubElement(score_part, "score-instrument", id="P1-I1")
    _text(instrument, "instrument-name", "Bass")
    midi = ET.SubElement(score_part, "midi-instrument", id="P1-I1")
    _text(midi, "midi-channel", "1")
    _text(midi, "midi-program", "34")  # General MIDI 34: finger bass


def _empty_measure(part: ET.Element, idx: int, bar: ChartBar | None) -> ET.Element:
    """The measure of the bar `idx`, numbered through; what stands before the song does not count."""
    if bar is not None:
        return ET.SubElement(part, "measure", number=str(idx + 1), text=str(bar.bar))
    if idx < 0:
        return ET.SubElement(part, "measure", number="0" if idx == -1 else f"X{-idx}", implicit="yes")
    return ET.SubElement(part, "measure", number=str(idx + 1))


def _barline(measure: ET.Element, written: Written, idx: int) -> None:
    """Where the piece or a chorus ends."""
    this, after = written.bar(idx), written.bar(idx + 1)
    last = idx == written.n_bars - 1
    if last or (this is not None and after is not None and after.chorus != this.chorus):
        style = "light-heavy" if last else "light-light"
        _text(ET.SubElement(measure, "barline", location="right"), "bar-style", style)


def _by_chorus(chart: Chart) -> dict[int, list[ChartBar]]:
    out: dict[int, list[ChartBar]] = {}
    for bar in chart.bars:
        out.setdefault(bar.chorus, []).append(bar)
    return out


def _folds(written: Written) -> dict[int, int]:
    """Index of a bar → how many bars of rest begin there: choruses in which nothing is played, if anything is."""
    if not written.notes:
        return {}
    sounding = {
        k for note in written.notes for k in range(note.start // BAR, (note.start + note.length - 1) // BAR + 1)
    }
    return {
        bars[0].idx: len(bars)
        for bars in _by_chorus(written.chart).values()
        if len(bars) > 1 and not sounding & {bar.idx for bar in bars}
    }


def _lines(written: Written, folds: dict[int, int]) -> set[int]:
    """Indices of the bars that begin a line of paper: each chorus, every fourth bar of it; crowded lines are halved."""
    bars = written.chart.bars
    per_bar = Counter(note.start // BAR for note in written.notes)
    first = {chorus: of_it[0].idx for chorus, of_it in _by_chorus(written.chart).items()}
    out = set()
    for i, bar in enumerate(bars):
        place = i - first[bar.chorus]
        line = range(i - place % BARS_A_LINE, i - place % BARS_A_LINE + BARS_A_LINE)
        crowded = sum(per_bar[k] for k in line) > CROWDED
        folded = first[bar.chorus] in folds and place > 0
        if (i or written.pickup > BAR) and not folded and (place % BARS_A_LINE == 0 or (crowded and place % 2 == 0)):
            out.add(i)
    out |= set(range(len(bars), written.n_bars, BARS_A_LINE))
    return out


def _missed(measure: ET.Element, places: list[int], signs: Iterator[str]) -> None:
    """The sign of each missed change under its place."""
    for at in places:
        direction = ET.SubElement(measure, "direction", placement="below")
        _text(ET.SubElement(direction, "direction-type"), "words", next(signs))
        if at:
            _text(direction, "offset", str(at))
        _text(direction, "staff", _STAFF)


def _text(parent: ET.Element, tag: str, text: str, **attributes: str) -> ET.Element:
    child = ET.SubElement(parent, tag, attributes)
    child.text = text
    return child


def _attributes(attributes: ET.Element, written: Written, tab: bool) -> None:
    chart = written.chart
    _text(attributes, "divisions", str(_COMPOUND_QUARTER if written.compound else DIVISIONS))
    key = ET.SubElement(attributes, "key")
    _text(key, "fifths", str(chart.key.fifths))
    _text(key, "mode", "minor" if chart.key.minor else "major")
    time = ET.SubElement(attributes, "time")
    _text(time, "beats", "12" if written.compound else str(BEATS_PER_BAR))
    _text(time, "beat-type", "8" if written.compound else "4")
    if tab:
        _text(attributes, "staves", "2")
    clef = ET.SubElement(attributes, "clef", {"number": _STAFF} if tab else {})
    _text(clef, "sign", "F")
    _text(clef, "line", "4")
    if tab:
        clef = ET.SubElement(attributes, "clef", number=_TAB)
        _text(clef, "sign", "TAB")
        _text(clef, "line", "5")
        details = ET.SubElement(attributes, "staff-details", number=_TAB)
        _text(details, "staff-lines", str(len(written.tuning.open_pitches)))
        for line, pitch in enumerate(written.tuning.open_pitches, 1):
            tuning = ET.SubElement(details, "staff-tuning", line=str(line))
            _text(tuning, "tuning-step", spell_pc(pitch % 12, Key("C", 0))[0])
            _text(tuning, "tuning-octave", str(pitch // 12 - 1))
    transpose = ET.SubElement(attributes, "transpose")
    _text(transpose, "diatonic", "0")
    _text(transpose, "chromatic", "0")
    _text(transpose, "octave-change", "-1")


def _tempo(measure: ET.Element, written: Written) -> None:
    session = written.chart.session
    swung = session.swing_ratio > 1.0 and not written.compound  # 12/8 says it by itself
    direction = ET.SubElement(measure, "direction", placement="above")
    if swung:
        _text(ET.SubElement(direction, "direction-type"), "words", f"Swing {session.swing_ratio:g} : 1  ")
    metronome = ET.SubElement(ET.SubElement(direction, "direction-type"), "metronome")
    _text(metronome, "beat-unit", "quarter")
    if written.compound:
        ET.SubElement(metronome, "beat-unit-dot")
    _text(metronome, "per-minute", f"{session.tempo_bpm:.4g}")
    _text(direction, "staff", _STAFF)
    sound = ET.SubElement(direction, "sound", tempo=f"{session.tempo_bpm * (1.5 if written.compound else 1.0):g}")
    if swung:
        swing = ET.SubElement(sound, "swing")
        ratio = Fraction(session.swing_ratio).limit_denominator(12)
        _text(swing, "first", str(ratio.numerator))
        _text(swing, "second", str(ratio.denominator))
        _text(swing, "swing-type", "eighth")
    elif not written.compound:
        ET.SubElement(ET.SubElement(sound, "swing"), "straight")


def _role(measure: ET.Element, chart: Chart, idx: int) -> None:
    bars, bar = chart.bars, chart.bars[idx]
    if idx and bars[idx - 1].chorus == bar.chorus:
        if bar.turnaround and not bars[idx - 1].turnaround:
            _words(measure, "turnaround", "below")
        return
    direction = ET.SubElement(measure, "direction", placement="above")
    kind = ET.SubElement(direction, "direction-type")
    _text(kind, "rehearsal", "intro" if bar.chorus == 0 else f"{bar.chorus} {chart.role_words(bar)}")
    _text(direction, "staff", _STAFF)


def _words(measure: ET.Element, text: str, placement: str = "above") -> None:
    direction = ET.SubElement(measure, "direction", placement=placement)
    _text(ET.SubElement(direction, "direction-type"), "words", text)
    _text(direction, "staff", _STAFF)


def _harmony(measure: ET.Element, chord: Chord) -> None:
    harmony = ET.SubElement(measure, "harmony")
    root = ET.SubElement(harmony, "root")
    _text(root, "root-step", chord.root[0])
    alter = chord.root.count("#") - chord.root.count("b")
    if alter:
        _text(root, "root-alter", str(alter))
    _text(harmony, "kind", _KINDS[chord.quality]).set("text", chord.quality)
    if chord.quality in ("7#9", "7b9"):
        degree = ET.SubElement(harmony, "degree")
        _text(degree, "degree-value", "9")
        _text(degree, "degree-alter", "1" if chord.quality == "7#9" else "-1")
        _text(degree, "degree-type", "add")
    _text(harmony, "staff", _STAFF)


def _pieces(written: Written) -> dict[int, list[_Piece]]:
    """By bar: notes and rests that single symbols can show and that fill it, ties where a note is cut.

    Bars before the first count from -1 down; places inside an incomplete one count as in a whole bar.
    """
    bars: dict[int, list[_Piece]] = {}
    triplet_beats: set[int] = set()  # beats that hold a triplet member
    if not written.compound:
        triplet_beats = {note.start // DIVISIONS for note in written.notes if note.start % DIVISIONS in (4, 8)}
    at = -written.pickup
    for i, note in enumerate((*written.notes, None)):
        start = note.start if note is not None else written.n_bars * BAR
        if start > at:
            _lay(bars, at, start - at, None, triplet_beats, written.compound)
        if note is not None:
            after = written.notes[i + 1] if i + 1 < len(written.notes) else None
            joins_on = after.joined if after is not None and not after.graces else ""
            _lay(bars, start, note.length, note, triplet_beats, written.compound, joins_on)
            at = start + note.length
    last = bars.get(len(written.chart.bars) - 1)
    if written.chart.bars[-1].final and last and last[-1].note is not None:
        last[-1] = replace(last[-1], fermata=True)
    return bars


def _lay(
    bars: dict[int, list[_Piece]],
    start: int,
    length: int,
    note: WrittenNote | None,
    triplets: set[int],
    compound: bool,
    joins_on: str = "",
) -> None:
    cuts = list(
        _compound_cuts(start, length) if compound else _cuts(start, length, triplets, sounding=note is not None)
    )
    for i, (at, part) in enumerate(cuts):
        last = i == len(cuts) - 1
        bars.setdefault(at // BAR, []).append(
            _Piece(
                at % BAR,
                part,
                note,
                tie_in=note is not None and i > 0,
                tie_out=note is not None and not last,
                triplet=at // DIVISIONS in triplets and part < DIVISIONS,
                joins_on=joins_on if last else "",
            )
        )


def _compound_cuts(start: int, length: int) -> Iterator[tuple[int, int]]:
    """(start, length) of symbols in 12/8: whole beats on the beat, else quarters, eighths and sixteenths inside it."""
    at, left = start, length
    while left > 0:
        in_bar = at % BAR
        room, phase = min(left, BAR - in_bar), in_bar % DIVISIONS
        if phase == 0 and room >= DIVISIONS:
            part = 48 if room == 48 else 24 if room >= 24 and in_bar % 24 == 0 else DIVISIONS
        else:
            room = min(room, DIVISIONS - phase)
            part = next(size for size in (8, 4, 2) if size <= room and (size == 2 or phase % 4 == 0))
        yield at, part
        at += part
        left -= part


def _cuts(start: int, length: int, triplets: set[int], sounding: bool) -> Iterator[tuple[int, int]]:
    """(start, length) of symbols, such that the middle of the bar can be seen.

    Whole beats stand together where they begin on a beat; a note (not a rest) from the off-beat of 1 or 3 stands as one
    up to the middle or the end of the bar; all else is cut at the beat. Two beats from 2 on are the usual exception.
    """
    at, left = start, length
    while left > 0:
        room = min(left, BAR - at % BAR)
        part = _beats_together(at, room, triplets, sounding) if at % DIVISIONS == 0 else 0
        if at % (2 * DIVISIONS) == _OFF and sounding and room >= DIVISIONS and _plain_pair(at, triplets):
            part = _DOTTED if room >= _DOTTED else DIVISIONS
        part = part or _within_beat(at % DIVISIONS, room, at // DIVISIONS in triplets)
        yield at, part
        at += part
        left -= part


_OFF, _DOTTED = DIVISIONS // 2, 3 * DIVISIONS // 2  # the off-beat's place; a dotted quarter


def _plain_pair(at: int, triplets: set[int]) -> bool:
    """Whether neither the beat of a place nor the next holds triplets."""
    return at // DIVISIONS not in triplets and at // DIVISIONS + 1 not in triplets


def _beats_together(at: int, room: int, triplets: set[int], sounding: bool) -> int:
    """How much from a beat on stands as one symbol: whole beats without triplets, or a dotted quarter; 0 for none."""
    beat, in_bar, whole = at // DIVISIONS, at % BAR, room // DIVISIONS
    free = next((k for k in range(whole) if beat + k in triplets), whole)
    if free == 0:
        return 0
    beats = 4 if free >= 4 and in_bar == 0 else min(free, 3 if in_bar == 0 else 2)
    if in_bar == DIVISIONS and (free != 2 or room > 2 * DIVISIONS or not sounding):
        beats = 1
    dotted = _DOTTED <= room < 2 * DIVISIONS and in_bar % (2 * DIVISIONS) == 0 and _plain_pair(at, triplets)
    return _DOTTED if beats == 1 and dotted else beats * DIVISIONS


def _within_beat(phase: int, room: int, triplet: bool) -> int:
    """How much from a place inside a beat stands as one symbol, to the beat's end at most."""
    part = min(room, DIVISIONS - phase)
    if not triplet:
        return next(size for size in (9, 6, 3, part) if size <= part)
    part = 8 if part >= 8 and phase in (0, 4) else 4
    return min(part, DIVISIONS - phase)


def _measure(measure: ET.Element, chords: tuple[Chord, ...], sheet: _Sheet, pieces: list[_Piece], length: int) -> None:
    share = BAR // max(1, len(chords))
    due = [(i * share, chord) for i, chord in enumerate(chords)]
    signs = _accidentals(pieces, sheet)
    for i, piece in enumerate(pieces):
        while due and due[0][0] <= piece.start:
            _harmony(measure, due.pop(0)[1])
        inside = [(at, chord) for at, chord in due if at < piece.start + piece.length]
        _notes(measure, pieces, i, sheet, _STAFF, signs)
        if inside:  # a chord that arrives under a held note: stand there by an offset
            for at, chord in inside:
                _harmony(measure, chord)
                offset = ET.Element("offset")
                offset.text = str(at - piece.start - piece.length)
                harmony = measure[-1]
                harmony.insert(len(harmony) - 1, offset)
            due = due[len(inside) :]
    if not sheet.tab:
        return
    _text(ET.SubElement(measure, "backup"), "duration", str(length))
    for i in range(len(pieces)):
        _notes(measure, pieces, i, sheet, _TAB, {})


_SIGNS = {-2: "flat-flat", -1: "flat", 0: "natural", 1: "sharp", 2: "double-sharp"}
_Key3 = tuple[int, int, int]  # index of the piece, number of the grace or -1, pitch


def _accidentals(pieces: list[_Piece], sheet: _Sheet) -> dict[_Key3, str]:
    """The sign before each note of a bar, where neither the key nor the same note earlier in the bar says it already.

    A note tied over from the bar before needs none, and says nothing for those after it.
    """
    fifths = sheet.written.chart.key.fifths
    sharps, flats = "FCGDAEB"[: max(0, fifths)], "BEADGCF"[: max(0, -fifths)]
    said: dict[tuple[str, int], int] = {}
    out: dict[_Key3, str] = {}
    for i, piece in enumerate(pieces):
        if piece.tie_in and piece.start == 0:
            continue
        for grace, tone in ((number, tone) for number, tones in _chords(piece) for tone in tones):
            step, alter, octave = _spelled(piece, grace, tone, sheet)
            stands = said.get((step, octave), 1 if step in sharps else -1 if step in flats else 0)
            if alter != stands:
                out[i, grace, tone.pitch], said[step, octave] = _SIGNS[alter], alter
    return out


def _chords(piece: _Piece) -> list[tuple[int, tuple[Tone, ...]]]:
    """(number of the grace or -1, tones) of what a piece shows, in order; what is tied over shows no graces."""
    if piece.note is None:
        return []
    return [(number, tones) for number, tones in piece.note.chords if number < 0 or not piece.tie_in]


def _beam_marks(pieces: list[_Piece], i: int, compound: bool) -> tuple[str, ...]:
    """What each beam of a note does, the eighths' first: notes shorter than a beat share beams within their beat."""
    quarter = _COMPOUND_QUARTER if compound else DIVISIONS
    sixteenth = quarter // 4

    def beamed(k: int, most: int) -> bool:
        if not 0 <= k < len(pieces) or pieces[k].start // DIVISIONS != pieces[i].start // DIVISIONS:
            return False
        flagged = pieces[k].length < (8 if pieces[k].triplet else quarter)  # two thirds of a beat are a quarter
        return pieces[k].note is not None and flagged and pieces[k].length <= most

    def mark(most: int) -> str:
        before, after = beamed(i - 1, most), beamed(i + 1, most)
        return "continue" if before and after else "begin" if after else "end" if before else ""

    if not beamed(i, DIVISIONS) or not mark(DIVISIONS):
        return ()
    if pieces[i].triplet or pieces[i].length > sixteenth:
        return (mark(DIVISIONS),)
    return mark(DIVISIONS), mark(sixteenth) or ("backward hook" if beamed(i - 1, DIVISIONS) else "forward hook")


def _tuplet_mark(pieces: list[_Piece], i: int) -> str:
    """ "start", "stop", "both" or "" for a triplet member: first and last of its beat."""
    piece = pieces[i]
    if not piece.triplet:
        return ""
    beat = piece.start // DIVISIONS
    first = i == 0 or pieces[i - 1].start // DIVISIONS != beat or not pieces[i - 1].triplet
    last = i == len(pieces) - 1 or pieces[i + 1].start // DIVISIONS != beat
    return "both" if first and last else "start" if first else "stop" if last else ""


def _notes(
    measure: ET.Element, pieces: list[_Piece], i: int, sheet: _Sheet, staff: str, signs: dict[_Key3, str]
) -> None:
    """One piece on one staff: its graces, then its chord, or a rest."""
    piece, tab = pieces[i], staff == _TAB
    if piece.note is None or (tab and piece.tie_in):  # in tablature a held note is not struck again: it stands once
        _rest(measure, pieces, i, sheet, staff)
        return
    for number, chord in _chords(piece):
        shown = [tone for tone in chord if not tab or tone.fret >= 0]
        if not shown and number < 0:
            _rest(measure, pieces, i, sheet, staff)
        for k, tone in enumerate(shown):
            note = ET.SubElement(measure, "note")
            _head(note, piece, number, tone, k, sheet, staff, signs.get((i, number, tone.pitch), ""))
            if tab:
                technical = ET.SubElement(ET.SubElement(note, "notations"), "technical")
                _text(technical, "string", str(tone.string))
                _text(technical, "fret", str(tone.fret))
            else:
                _grouping(note, pieces, i, number, k, sheet)


def _grouping(note: ET.Element, pieces: list[_Piece], i: int, number: int, k: int, sheet: _Sheet) -> None:
    """What binds a note of the staff to its neighbours: beams and triplets at the first of a chord, ties, slurs."""
    lead = k == 0 and number < 0
    for level, beam in enumerate(_beam_marks(pieces, i, sheet.written.compound) if lead else (), 1):
        _text(note, "beam", beam, number=str(level))
    tuplet = _tuplet_mark(pieces, i) if lead else ""
    _notations(note, pieces[i], number, tuplet, _joints(pieces[i], number, k))


def _joints(piece: _Piece, number: int, k: int) -> list[tuple[str, str]]:
    """How the first tone (`k` 0) of a grace (its `number`) or of the chord (-1) is reached ("stop") and leads on
    ("start")."""
    source = piece.note
    if source is None or k:
        return []
    joined = "" if piece.tie_in else source.joined
    if number >= 0:
        reached, leads = "", joined if number == len(source.graces) - 1 else ""
    else:
        reached, leads = joined, piece.joins_on
    return [(kind, join) for kind, join in (("stop", reached), ("start", leads)) if join]


def _ties(piece: _Piece) -> list[str]:
    return [kind for kind, there in (("stop", piece.tie_in), ("start", piece.tie_out)) if there]


def _head(
    note: ET.Element, piece: _Piece, number: int, tone: Tone, k: int, sheet: _Sheet, staff: str, sign: str
) -> None:
    """A note's pitch, length, stem and head; `number` of its grace (-1: none), `k` its place in the chord."""
    tab, grace = staff == _TAB, number >= 0
    if grace:
        ET.SubElement(note, "grace", slash="yes")
    if k:
        ET.SubElement(note, "chord")
    _pitch(note, piece, number, tone, sheet)
    if not grace:
        _text(note, "duration", str(piece.length))
        for kind in _ties(piece) if not tab else ():
            ET.SubElement(note, "tie", type=kind)
    _text(note, "voice", _TAB_VOICE if tab else _VOICE)
    _type(note, piece, sheet, grace=grace)
    if sign:
        _text(note, "accidental", sign)
    if piece.triplet and not grace:
        _triplet(note)
    if tab:
        _text(note, "stem", "none")
    if tone.ghost:
        _text(note, "notehead", "x")
    _text(note, "staff", staff)


def _rest(measure: ET.Element, pieces: list[_Piece], i: int, sheet: _Sheet, staff: str) -> None:
    piece, tab = pieces[i], staff == _TAB
    note = ET.SubElement(measure, "note")
    if tab:
        note.set("print-object", "no")
    rest = ET.SubElement(note, "rest")
    if piece.length == BAR:
        rest.set("measure", "yes")
    _text(note, "duration", str(piece.length))
    _text(note, "voice", _TAB_VOICE if tab else _VOICE)
    if piece.length != BAR:
        _type(note, piece, sheet, grace=False)
    if piece.triplet:
        _triplet(note)
    _text(note, "staff", staff)
    if not tab:
        _tuplet(note, _tuplet_mark(pieces, i))


def _type(note: ET.Element, piece: _Piece, sheet: _Sheet, *, grace: bool) -> None:
    if grace:
        _text(note, "type", "eighth")
        return
    table = _COMPOUND if sheet.written.compound else _PLAIN
    kind, dots = (_TRIPLET[piece.length], 0) if piece.triplet else table[piece.length]
    _text(note, "type", kind)
    for _ in range(dots):
        ET.SubElement(note, "dot")


def _triplet(note: ET.Element) -> None:
    change = ET.SubElement(note, "time-modification")
    _text(change, "actual-notes", "3")
    _text(change, "normal-notes", "2")


def _tuplet(parent: ET.Element, mark: str) -> None:
    """Begin or end a triplet in a note's notations, which are made if need be."""
    if not mark:
        return
    notations = parent if parent.tag == "notations" else ET.SubElement(parent, "notations")
    if mark in ("start", "both"):
        ET.SubElement(notations, "tuplet", type="start", bracket="yes")
    if mark in ("stop", "both"):
        ET.SubElement(notations, "tuplet", type="stop")


_LETTER = {"hammer": ("hammer-on", "H"), "pull": ("pull-off", "P")}


def _notations(note: ET.Element, piece: _Piece, number: int, tuplet: str, joints: list[tuple[str, str]]) -> None:
    """What stands at a note of the staff: ties, triplet, slurs and slides with their letters, fermata."""
    notations = ET.Element("notations")
    for kind in _ties(piece) if number < 0 else ():
        ET.SubElement(notations, "tied", type=kind)
    _tuplet(notations, tuplet)
    for kind, join in joints:
        if join == "slide":
            ET.SubElement(notations, "slide", {"type": kind, "number": "1", "line-type": "solid"})
        else:
            slur = ET.SubElement(notations, "slur", type=kind, number="1")
            if kind == "start":
                slur.set("id", f"{join}-{piece.note.start if piece.note else 0}-{number + 1}")
    letters = [(kind, *_LETTER[join]) for kind, join in joints if join in _LETTER]
    technical = ET.SubElement(notations, "technical") if letters else notations
    for kind, tag, letter in letters:
        _text(technical, tag, letter if kind == "start" else "", type=kind, number="1")
    if piece.fermata and number < 0:
        ET.SubElement(notations, "fermata", type="upright")
    if len(notations):
        note.append(notations)


# --- names of the notes -----------------------------------------------------------------------------------------------

_LETTERS = "CDEFGAB"
_NATURAL = dict(zip(_LETTERS, (0, 2, 4, 5, 7, 9, 11), strict=True))


def _spellings(written: Written) -> dict[tuple[int, int, int], str]:
    """The name of every note: as the key spells it, but a step of a semitone leads by letter to where it goes.

    What rises by a semitone is written a letter below its goal (D sharp to E), what falls a letter above (E flat to
    D): common practice of chromatic lines. A note of the key keeps its name.
    """
    key = written.chart.key
    of_key = {*"FCGDAEB"[max(0, key.fifths) :], *(f"{letter}#" for letter in "FCGDAEB"[: max(0, key.fifths)])}
    if key.fifths < 0:
        of_key = {*"BEADGCF"[-key.fifths :], *(f"{letter}b" for letter in "BEADGCF"[: -key.fifths])}
    order = []
    for note in written.notes:
        order += [(note.start, number, tone.pitch) for number, tones in note.chords for tone in tones]
    out: dict[tuple[int, int, int], str] = {}
    goal: tuple[int, str] | None = None
    for each in reversed(order):
        pitch = each[2]
        name = spell_pc(pitch % 12, key)
        if goal is not None and abs(goal[0] - pitch) == 1 and len(name) > 1 and name not in of_key:
            name = _leading(pitch, goal) or name
        out[each] = name
        goal = (pitch, name)
    return out


def _leading(pitch: int, goal: tuple[int, str]) -> str | None:
    """The name a letter below a goal that lies above, or above one that lies below; None where nobody writes it."""
    step = goal[0] - pitch
    letter = _LETTERS[(_LETTERS.index(goal[1][0]) - step) % 7]
    alter = (pitch - _NATURAL[letter] + 6) % 12 - 6
    if abs(alter) != 1:
        return None
    name = letter + ("#" if alter > 0 else "b")
    return None if name in ("Cb", "Fb", "B#", "E#") else name


def _pitch(note: ET.Element, piece: _Piece, grace: int, tone: Tone, sheet: _Sheet) -> None:
    step, alter, octave = _spelled(piece, grace, tone, sheet)
    pitch = ET.SubElement(note, "pitch")
    _text(pitch, "step", step)
    if alter:
        _text(pitch, "alter", str(alter))
    _text(pitch, "octave", str(octave))


def _spelled(piece: _Piece, grace: int, tone: Tone, sheet: _Sheet) -> tuple[str, int, int]:
    """(step, alter, octave) of a tone as it is written, an octave above its sound."""
    assert piece.note is not None
    name = sheet.spelled[piece.note.start, grace, tone.pitch]
    alter = name.count("#") - name.count("b")
    pitch = tone.pitch + 12
    while pitch < _LOWEST:
        pitch += 12
    while pitch > _HIGHEST:
        pitch -= 12
    return name[0], alter, (pitch - alter) // 12 - 1
