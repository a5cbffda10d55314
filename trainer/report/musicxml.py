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

from trainer._version import __version__
from trainer.music import Chord, Key, spell_pc
from trainer.report.files import printable
from trainer.report.written import BAR, DIVISIONS, Written, WrittenNote
from trainer.session import BEATS_PER_BAR, Chart

__all__ = ["musicxml"]

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
BARS_A_LINE = 4  # a twelve-bar chorus is three lines, as players see it
CROWDED = 44  # notes in a line; more are halved. Our choice
_STAFF, _TAB = "1", "2"
_VOICE, _TAB_VOICE = "1", "5"


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


def musicxml(written: Written, *, tab: bool = True) -> bytes:
    """The piece as a MusicXML 4.0 partwise document, UTF-8."""
    chart = written.chart
    root = ET.Element("score-partwise", version="4.0")
    _text(ET.SubElement(root, "work"), "work-title", printable(written.title))
    encoding = ET.SubElement(ET.SubElement(root, "identification"), "encoding")
    _text(encoding, "software", f"shuffle-partner {__version__}")
    part_list = ET.SubElement(root, "part-list")
    score_part = ET.SubElement(part_list, "score-part", id="P1")
    _text(score_part, "part-name", "Bass")
    instrument = ET.SubElement(score_part, "score-instrument", id="P1-I1")
    _text(instrument, "instrument-name", "Bass")
    midi = ET.SubElement(score_part, "midi-instrument", id="P1-I1")
    _text(midi, "midi-channel", "1")
    _text(midi, "midi-program", "34")  # General MIDI 34: finger bass
    part = ET.SubElement(root, "part", id="P1")
    pickup, *pieces = _pieces(written)
    first_missed = next((note.start // BAR for note in written.notes if note.head == "x"), -1)
    if written.pickup:
        measure = ET.SubElement(part, "measure", number="0", implicit="yes")
        _attributes(measure, written, tab)
        _tempo(measure, written)
        _measure(measure, (), written, pickup, tab, written.pickup)
    new_lines = _lines(written)
    for number, bar in enumerate(chart.bars, 1):
        measure = ET.SubElement(part, "measure", number=str(number), text=str(bar.bar))
        if number - 1 in new_lines:
            ET.SubElement(measure, "print", {"new-system": "yes"})
        if number == 1 and not written.pickup:
            _attributes(measure, written, tab)
            _tempo(measure, written)
        _role(measure, chart, number - 1)
        if number - 1 == first_missed:
            _words(measure, "x: a change that was missed", "below")
        _measure(measure, bar.chords, written, pieces[number - 1], tab, BAR)
        last = number == len(chart.bars)
        if last or chart.bars[number].chorus != bar.chorus:
            style = "light-heavy" if last else "light-light"
            _text(ET.SubElement(measure, "barline", location="right"), "bar-style", style)
    body = ET.tostring(root, encoding="unicode")
    return (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        '<!DOCTYPE score-partwise PUBLIC "-//Recordare//DTD MusicXML 4.0 Partwise//EN" '
        '"http://www.musicxml.org/dtds/partwise.dtd">\n' + body
    ).encode()


def _lines(written: Written) -> set[int]:
    """Indices of the bars that begin a line of paper: each chorus, every fourth bar of it; crowded lines are halved."""
    bars = written.chart.bars
    per_bar = Counter(note.start // BAR for note in written.notes)
    first = {bar.chorus: i for i, bar in reversed(list(enumerate(bars)))}
    out = set()
    for i, bar in enumerate(bars):
        place = i - first[bar.chorus]
        crowded = (
            sum(per_bar[k] for k in range(i - place % BARS_A_LINE, i - place % BARS_A_LINE + BARS_A_LINE)) > CROWDED
        )
        if i and (place % BARS_A_LINE == 0 or (crowded and place % 2 == 0)):
            out.add(i)
    return out


def _text(parent: ET.Element, tag: str, text: str, **attributes: str) -> ET.Element:
    child = ET.SubElement(parent, tag, attributes)
    child.text = text
    return child


def _attributes(measure: ET.Element, written: Written, tab: bool) -> None:
    chart = written.chart
    attributes = ET.SubElement(measure, "attributes")
    _text(attributes, "divisions", str(DIVISIONS))
    key = ET.SubElement(attributes, "key")
    _text(key, "fifths", str(chart.key.fifths))
    _text(key, "mode", "minor" if chart.key.minor else "major")
    time = ET.SubElement(attributes, "time")
    _text(time, "beats", str(BEATS_PER_BAR))
    _text(time, "beat-type", "4")
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
    direction = ET.SubElement(measure, "direction", placement="above")
    if session.swing_ratio > 1.0:
        _text(ET.SubElement(direction, "direction-type"), "words", f"Swing {session.swing_ratio:g} : 1  ")
    metronome = ET.SubElement(ET.SubElement(direction, "direction-type"), "metronome")
    _text(metronome, "beat-unit", "quarter")
    _text(metronome, "per-minute", f"{session.tempo_bpm:g}")
    _text(direction, "staff", _STAFF)
    sound = ET.SubElement(direction, "sound", tempo=f"{session.tempo_bpm:g}")
    if session.swing_ratio > 1.0:
        swing = ET.SubElement(sound, "swing")
        ratio = Fraction(session.swing_ratio).limit_denominator(12)
        _text(swing, "first", str(ratio.numerator))
        _text(swing, "second", str(ratio.denominator))
        _text(swing, "swing-type", "eighth")


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


def _pieces(written: Written) -> list[list[_Piece]]:
    """Every bar filled with notes and rests that single symbols can show, ties where a note is cut; first the pick-up.

    Places inside the pick-up count as in a whole bar that ends where bar 1 begins.
    """
    n_bars = len(written.chart.bars)
    bars: list[list[_Piece]] = [[] for _ in range(n_bars + 1)]
    triplet_beats = {
        note.start // DIVISIONS for note in written.notes if note.start % DIVISIONS in (4, 8)
    }  # beats that hold a triplet member
    at = -written.pickup
    for note in (*written.notes, None):
        start = note.start if note is not None else n_bars * BAR
        if start > at:
            _lay(bars, at, start - at, None, triplet_beats)
        if note is not None:
            _lay(bars, start, note.length, note, triplet_beats)
            at = start + note.length
    if written.chart.bars[-1].final and bars[-1] and bars[-1][-1].note is not None:
        bars[-1][-1] = replace(bars[-1][-1], fermata=True)
    return bars


def _lay(bars: list[list[_Piece]], start: int, length: int, note: WrittenNote | None, triplets: set[int]) -> None:
    cuts = list(_cuts(start, length, triplets, sounding=note is not None))
    for i, (at, part) in enumerate(cuts):
        bars[at // BAR + 1].append(
            _Piece(
                at % BAR,
                part,
                note,
                tie_in=note is not None and i > 0,
                tie_out=note is not None and i < len(cuts) - 1,
                triplet=at // DIVISIONS in triplets and part < DIVISIONS,
            )
        )


def _cuts(start: int, length: int, triplets: set[int], sounding: bool) -> Iterator[tuple[int, int]]:
    """(start, length) of symbols, such that the middle of the bar can be seen.

    Whole beats stand together where they begin on a beat; a note (not a rest) from the off-beat of 1 or 3 stands as one
    up to the middle or the end of the bar; all else is cut at the beat. Two beats from 2 on are the usual exception.
    """
    at, left = start, length
    while left > 0:
        in_bar = at % BAR
        room = min(left, BAR - in_bar)
        phase = in_bar % DIVISIONS
        part = 0
        if phase == 0:
            whole = room // DIVISIONS
            free = next((k for k in range(whole) if at // DIVISIONS + k in triplets), whole)
            if free >= 1:
                beats = 4 if free >= 4 and in_bar == 0 else min(free, 3 if in_bar == 0 else 2)
                if in_bar == DIVISIONS and (free != 2 or room > 2 * DIVISIONS or not sounding):
                    beats = 1
                part = beats * DIVISIONS
                plain_next = at // DIVISIONS + 1 not in triplets and at // DIVISIONS not in triplets
                if part == DIVISIONS and 18 <= room < 24 and plain_next and in_bar % (2 * DIVISIONS) == 0:
                    part = 18
        elif phase == 6 and in_bar % (2 * DIVISIONS) == 6 and sounding and room >= DIVISIONS:
            beat = at // DIVISIONS
            if beat not in triplets and beat + 1 not in triplets:
                part = 18 if room >= 18 else DIVISIONS
        if part == 0:
            part = min(room, DIVISIONS - phase)
            if at // DIVISIONS in triplets:
                part = min(part, 8 if phase in (0, 4) else 4)
                part = 8 if part >= 8 else 4
                part = min(part, DIVISIONS - phase)
            else:
                part = next(size for size in (9, 6, 3, part) if size <= part)
        yield at, part
        at += part
        left -= part


def _measure(
    measure: ET.Element, chords: tuple[Chord, ...], written: Written, pieces: list[_Piece], tab: bool, length: int
) -> None:
    share = BAR // max(1, len(chords))
    due = [(i * share, chord) for i, chord in enumerate(chords)]
    signs = _accidentals(pieces, written.chart.key)
    for i, piece in enumerate(pieces):
        while due and due[0][0] <= piece.start:
            _harmony(measure, due.pop(0)[1])
        inside = [(at, chord) for at, chord in due if at < piece.start + piece.length]
        _note(measure, piece, written, _STAFF, _VOICE, _tuplet_mark(pieces, i), _beam_marks(pieces, i), signs[i])
        if inside:  # a chord that arrives under a held note: stand there by an offset
            for at, chord in inside:
                _harmony(measure, chord)
                offset = ET.Element("offset")
                offset.text = str(at - piece.start - piece.length)
                harmony = measure[-1]
                harmony.insert(len(harmony) - 1, offset)
            due = due[len(inside) :]
    if not tab:
        return
    _text(ET.SubElement(measure, "backup"), "duration", str(length))
    for i, piece in enumerate(pieces):
        _note(measure, piece, written, _TAB, _TAB_VOICE, _tuplet_mark(pieces, i))


_SIGNS = {-2: "flat-flat", -1: "flat", 0: "natural", 1: "sharp", 2: "double-sharp"}


def _accidentals(pieces: list[_Piece], key: Key) -> list[str]:
    """The sign before each note of a bar, "" where the key or the same note earlier in the bar says it already.

    A note tied over from the bar before needs none, and says nothing for those after it.
    """
    sharps, flats = "FCGDAEB"[: max(0, key.fifths)], "BEADGCF"[: max(0, -key.fifths)]
    said: dict[tuple[str, int], int] = {}
    out = []
    for piece in pieces:
        sign = ""
        if piece.note is not None:
            step, alter, octave = _spelled(piece.note.pitch + 12, key)
            stands = said.get((step, octave), 1 if step in sharps else -1 if step in flats else 0)
            if not (piece.tie_in and piece.start == 0) and alter != stands:
                sign, said[step, octave] = _SIGNS[alter], alter
        out.append(sign)
    return out


def _beam_marks(pieces: list[_Piece], i: int) -> tuple[str, ...]:
    """What each beam of a note does, the eighths' first: notes shorter than a beat share beams within their beat."""

    def beamed(k: int, most: int) -> bool:
        if not 0 <= k < len(pieces) or pieces[k].start // DIVISIONS != pieces[i].start // DIVISIONS:
            return False
        flagged = pieces[k].length < (8 if pieces[k].triplet else DIVISIONS)  # two thirds of a beat are a quarter
        return pieces[k].note is not None and flagged and pieces[k].length <= most

    def mark(most: int) -> str:
        before, after = beamed(i - 1, most), beamed(i + 1, most)
        return "continue" if before and after else "begin" if after else "end" if before else ""

    if not beamed(i, DIVISIONS) or not mark(DIVISIONS):
        return ()
    if pieces[i].triplet or pieces[i].length > 3:
        return (mark(DIVISIONS),)
    return mark(DIVISIONS), mark(3) or ("backward hook" if beamed(i - 1, DIVISIONS) else "forward hook")


def _tuplet_mark(pieces: list[_Piece], i: int) -> str:
    """ "start", "stop", "both" or "" for a triplet member: first and last of its beat."""
    piece = pieces[i]
    if not piece.triplet:
        return ""
    beat = piece.start // DIVISIONS
    first = i == 0 or pieces[i - 1].start // DIVISIONS != beat or not pieces[i - 1].triplet
    last = i == len(pieces) - 1 or pieces[i + 1].start // DIVISIONS != beat
    return "both" if first and last else "start" if first else "stop" if last else ""


def _note(
    measure: ET.Element,
    piece: _Piece,
    written: Written,
    staff: str,
    voice: str,
    tuplet: str,
    beams: tuple[str, ...] = (),
    accidental: str = "",
) -> None:
    note = ET.SubElement(measure, "note")
    source = piece.note
    if staff == _TAB and piece.tie_in:
        source = None  # in tablature a held note is not struck again: its number stands once
    if staff == _TAB and source is None:
        note.set("print-object", "no")
    if source is None:
        rest = ET.SubElement(note, "rest")
        if piece.length == BAR:
            rest.set("measure", "yes")
    else:
        step, alter, octave = _spelled(source.pitch + 12, written.chart.key)
        pitch = ET.SubElement(note, "pitch")
        _text(pitch, "step", step)
        if alter:
            _text(pitch, "alter", str(alter))
        _text(pitch, "octave", str(octave))
    _text(note, "duration", str(piece.length))
    if piece.tie_in and staff == _STAFF:
        ET.SubElement(note, "tie", type="stop")
    if piece.tie_out and staff == _STAFF:
        ET.SubElement(note, "tie", type="start")
    _text(note, "voice", voice)
    kind, dots = (_TRIPLET[piece.length], 0) if piece.triplet else _PLAIN[piece.length]
    if not (source is None and piece.length == BAR):
        _text(note, "type", kind)
        for _ in range(dots):
            ET.SubElement(note, "dot")
    if accidental:
        _text(note, "accidental", accidental)
    if piece.triplet:
        change = ET.SubElement(note, "time-modification")
        _text(change, "actual-notes", "3")
        _text(change, "normal-notes", "2")
    if source is not None and staff == _STAFF:
        if source.head != "normal":
            _text(note, "notehead", "x", parentheses="yes" if source.head == "ghost" else "no")
    elif source is not None:
        _text(note, "stem", "none")
    _text(note, "staff", staff)
    for level, beam in enumerate(beams, 1):
        _text(note, "beam", beam, number=str(level))
    held = source is not None and piece.fermata
    _notations(note, piece, source, staff, tuplet, held)


def _notations(
    note: ET.Element, piece: _Piece, source: WrittenNote | None, staff: str, tuplet: str, held: bool
) -> None:
    notations = ET.Element("notations")
    if piece.tie_in and staff == _STAFF:
        ET.SubElement(notations, "tied", type="stop")
    if piece.tie_out and staff == _STAFF:
        ET.SubElement(notations, "tied", type="start")
    if tuplet in ("start", "both") and staff == _STAFF:
        ET.SubElement(notations, "tuplet", type="start", bracket="yes")
    if tuplet in ("stop", "both") and staff == _STAFF:
        ET.SubElement(notations, "tuplet", type="stop")
    if source is not None and staff == _TAB and source.fret >= 0:
        technical = ET.SubElement(notations, "technical")
        _text(technical, "string", str(source.string))
        _text(technical, "fret", str(source.fret))
    if held and staff == _STAFF:
        ET.SubElement(notations, "fermata", type="upright")
    if len(notations):
        note.append(notations)


def _spelled(pitch: int, key: Key) -> tuple[str, int, int]:
    """(step, alter, octave) of a written MIDI pitch in a key."""
    name = spell_pc(pitch % 12, key)
    alter = name.count("#") - name.count("b")
    return name[0], alter, (pitch - alter) // 12 - 1
