"""MusicXML read: the notes of the bass on the beat axis, and what the document says of form, chords, key and tempo.

Source: the MusicXML 4.0 specification (measures, `backup` and `forward`, ties, repeats and endings, `harmony`,
`transpose`). A beat is what a player counts: the quarter, and in 12/8 the dotted quarter. Repeats are played out. What
nobody writes is refused before it costs anything: entities, thousands of bars, numbers beyond all music.
"""

from __future__ import annotations

import html
import io
import math
import re
import zipfile
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from fractions import Fraction
from pathlib import Path
from typing import get_args
from xml.etree import ElementTree as ET

from trainer.errors import FileFormatError, UsageError
from trainer.limits import COMMON_DIVISIONS, DIVISIONS, NOTES, SONG_BARS, XML_PARTS, XML_RUN_BYTES, whole_number
from trainer.music import Chord, parse_chord
from trainer.opened import bytes_of
from trainer.report.playing_order import Jump, JumpKind, Order, jump_said, playing_order
from trainer.take.finding import BASS_PROGRAMS, says_bass

__all__ = ["XmlBar", "XmlNote", "XmlScore", "read_musicxml"]

_CONTAINER = "META-INF/container.xml"
MAX_BYTES = 16_000_000
MAX_UNPACKED_BYTES = 64_000_000
GRACE_BEATS = Fraction(1, 8)  # how long before its note a grace note is read; our choice
_STEPS = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}
_KINDS = {
    "major": "", "minor": "m", "dominant": "7", "dominant-seventh": "7", "minor-seventh": "m7", "major-seventh": "maj7",
    "major-sixth": "6", "minor-sixth": "m6", "dominant-ninth": "9", "minor-ninth": "m9", "dominant-13th": "13",
    "dominant-11th": "9", "minor-11th": "m9", "major-ninth": "maj7", "augmented-seventh": "7#5",
    "suspended-fourth": "sus4", "suspended-second": "", "diminished": "dim", "diminished-seventh": "dim7",
    "half-diminished": "m7b5", "augmented": "aug", "power": "", "pedal": "", "major-minor": "m",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class XmlNote:
    """A note: beat from the first bar written, beats, sounding MIDI pitch."""

    onset: Fraction
    length: Fraction
    pitch: int


@dataclass(frozen=True, slots=True)
class XmlBar:
    """A bar as it is played: where it begins, its chords with their places in it, the rehearsal mark at its head."""

    onset: Fraction
    beats: Fraction
    pickup: bool
    chords: tuple[tuple[Fraction, Chord], ...]
    mark: str = ""


@dataclass(frozen=True)
class XmlScore:
    """A part of a document, its repeats played out. None and "" for what the document does not say."""

    notes: tuple[XmlNote, ...]
    bars: tuple[XmlBar, ...]
    title: str
    key_fifths: int
    minor: bool
    tempo_bpm: float | None
    swing_ratio: float | None
    compound: bool
    remarks: tuple[str, ...] = ()


def _tied(notes: list[XmlNote], held: int | None, note: XmlNote) -> int:
    """The row of a note: that of the note `held` by a tie where it goes on at once, else a new one."""
    before = None if held is None else notes[held]
    if held is None or before is None or before.onset + before.length != note.onset:
        notes.append(note)
        return len(notes) - 1
    notes[held] = XmlNote(before.onset, before.length + note.length, note.pitch)
    return held


@dataclass
class _Place:
    """Where a bar is read: quarters from its start, of the note before, and the graces that wait for a note."""

    at: Fraction = Fraction(0)
    last_onset: Fraction = Fraction(0)
    graces: list[int] = field(default_factory=list)


@dataclass
class _Measure:
    """One written measure, in quarters from its own start."""

    length: Fraction
    nominal: Fraction
    pickup: bool
    notes: list[tuple[Fraction, Fraction, int, bool, bool]] = field(default_factory=list)  # … tie in, tie out
    chords: list[tuple[Fraction, Chord]] = field(default_factory=list)
    mark: str = ""
    order: Order = field(default_factory=Order)


def read_musicxml(path: Path, part: str | int | None = None) -> XmlScore:
    """The bass part of a MusicXML file, plain or packed (.mxl). `FileFormatError` in one line for all else.

    `part` is a part's name or number, as `--track` for MIDI; else it is found by its name, its General MIDI program, or
    as the lowest.
    """
    root = _document(path)
    if root.tag != "score-partwise":
        timewise = root.tag == "score-timewise"
        what = "MusicXML written bar by bar (score-timewise)" if timewise else f"found <{root.tag[:40]}>"
        raise FileFormatError(f"{path}: {what}; expected MusicXML as programs export it (score-partwise)")
    parts = root.findall("part")
    if not parts:
        raise FileFormatError(f"{path}: no part in it; expected a bass part")
    chosen, why = _chosen(root, parts, part, path)
    reader = _Reader(path)
    try:
        return reader.score(root, chosen, why)
    except (ValueError, ZeroDivisionError, OverflowError, KeyError, AttributeError, TypeError) as error:
        words = f": {' '.join(str(error).split())[:100]}" if isinstance(error, _Odd) else ""
        raise FileFormatError(f"{path}: damaged MusicXML in bar {reader.n_bars}{words}; export it again") from None


class _Odd(ValueError):
    """A value that no music has, in words for the person."""


def _document(path: Path) -> ET.Element:
    data = bytes_of(path, MAX_BYTES, "a transcription in MusicXML")
    if data[:2] == b"PK":  # whatever its name says
        data = _unpacked(path, data)
    if b"<!ENTITY" in data or b"<\x00!\x00E" in data:
        raise FileFormatError(f"{path}: it defines entities of its own, which no music needs; export it again")
    if re.search(rb"<[^<]{%d}" % XML_RUN_BYTES, data):
        raise FileFormatError(f"{path}: one tag or text of over {XML_RUN_BYTES:,} bytes; expected music")
    try:
        return ET.fromstring(data, ET.XMLParser(target=_Counted(path)))  # a bounded tree
    except (ET.ParseError, ValueError, LookupError, RecursionError):
        raise FileFormatError(f"{path}: not MusicXML, or damaged; expected an export of a notation program") from None


class _Counted(ET.TreeBuilder):
    """A tree that stops growing where no music is so large."""

    def __init__(self, path: Path) -> None:
        super().__init__()
        self.path, self.n_left = path, XML_PARTS

    def start(self, tag: str, attrs: dict[str, str], /) -> ET.Element:
        self.n_left -= 1 + len(attrs)
        if self.n_left < 0:
            raise FileFormatError(f"{self.path}: over {XML_PARTS:,} elements and attributes; expected one song")
        return super().start(tag, attrs)


def _unpacked(path: Path, data: bytes) -> bytes:
    """The document inside a packed file: the first root file that its container names, else the only one in it."""

    def entry(archive: zipfile.ZipFile, name: str) -> bytes:
        with archive.open(name) as handle:
            body = handle.read(MAX_UNPACKED_BYTES + 1)
        if len(body) > MAX_UNPACKED_BYTES:
            raise FileFormatError(f"{path}: over {MAX_UNPACKED_BYTES // 1_000_000} MB unpacked; expected one song")
        return body

    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            names = archive.namelist()
            container = entry(archive, _CONTAINER) if _CONTAINER in names else b""
            found = re.search(rb"""<rootfile\b[^>]*?\bfull-path\s*=\s*["']([^"'>]+)["']""", container)
            named = html.unescape(found[1].decode("utf-8")) if found is not None else ""
            documents = [name for name in names if name.endswith((".musicxml", ".xml")) and name != _CONTAINER]
            if named not in names and len(documents) != 1:
                raise FileFormatError(f"{path}: packed MusicXML without its document; export it again")
            return entry(archive, named if named in names else documents[0])
    except FileFormatError:
        raise
    except Exception:
        raise FileFormatError(f"{path}: packed MusicXML that is damaged or cut short; export it again") from None


def _chosen(root: ET.Element, parts: list[ET.Element], asked: str | int | None, path: Path) -> tuple[ET.Element, str]:
    """The bass's part, and how it was found ("" where there is no other)."""
    names, programs = {}, {}
    for item in root.iter("score-part"):
        names[item.get("id")] = (item.findtext("part-name") or item.findtext(".//instrument-name") or "").strip()
        programs[item.get("id")] = whole_number(item.findtext("midi-instrument/midi-program") or "") or 0
    called = [names.get(item.get("id"), "") for item in parts]
    if asked is not None:
        return parts[_asked_for(str(asked), called, path)], ""
    if len(parts) == 1:
        return parts[0], ""
    everyone = range(len(parts))
    pools = {
        "by its name": [i for i in everyone if says_bass(called[i])],
        "by its General MIDI program": [
            i for i in everyone if programs.get(parts[i].get("id"), 0) - 1 in BASS_PROGRAMS
        ],
        "as the lowest part": everyone,
    }
    how, pool = next((how, pool) for how, pool in pools.items() if pool)
    lowest = min(pool, key=lambda i: _middle(parts[i]))
    found = f'part {lowest + 1} "{called[lowest][:40]}"'
    return parts[lowest], f"{found} is read as the bass, {how}; choose another with --track NAME|NUMBER"


def _asked_for(asked: str, called: list[str], path: Path) -> int:
    """Index of the part of a name, else of a number from 1; `UsageError` unless there is one such part."""
    text = asked.strip().casefold()
    found = [i for i, name in enumerate(called) if name.casefold() == text]
    number = whole_number(text)
    if not found and number is not None and 1 <= number <= len(called):
        found = [number - 1]
    if len(found) != 1:
        listed = ", ".join(f'{i} "{name[:40]}"' for i, name in enumerate(called, 1))
        raise UsageError(f'{path}: {len(found)} parts are "{text[:40]}"; there are {listed}')
    return found[0]


def _middle(part: ET.Element) -> float:
    octaves = [n for o in part.iter("octave") if (n := whole_number(o.text or "")) is not None]
    return sum(octaves) / len(octaves) if octaves else 99.0


_NUMBER = re.compile(r"[+-]?\d{1,9}(?:\.\d{1,3})?", re.ASCII)


def _number(text: str) -> Fraction:
    """A decimal as the document's numbers are; no exponent, which would cost what it says."""
    if _NUMBER.fullmatch(text.strip()) is None:
        raise _Odd(f"{text.strip()[:12]!r} is no number of music")
    return Fraction(text.strip())


class _Reader:
    """Goes through a part's measures once, keeping what stands until it is changed."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.divisions = Fraction(1)
        self.common = 1  # in which all divisions so far are whole
        self.top, self.bottom = 4, 4
        self.transpose = 0
        self.tabs: set[str] = set()
        self.n_staves = 1
        self.fifths: int | None = None
        self.minor = False
        self.tempo_quarter: float | None = None
        self.swing: float | None = None
        self.words_swing = False
        self.n_notes = self.n_bars = 0

    @property
    def compound(self) -> bool:
        """Whether its time is counted in dotted beats."""
        return self.bottom >= 8 and self.top > 3 and self.top % 3 == 0

    def score(self, root: ET.Element, part: ET.Element, why: str) -> XmlScore:
        measures = part.findall("measure")
        if not 1 <= len(measures) <= SONG_BARS:
            raise FileFormatError(f"{self.path}: {len(measures)} bars; expected 1 to {SONG_BARS}")
        written = [self._measure(measure, first=i == 0) for i, measure in enumerate(measures)]
        compound = self.compound
        quarters_a_beat = Fraction(12, self.bottom) if compound else Fraction(1)
        try:
            order = playing_order([measure.order for measure in written], SONG_BARS)
        except ValueError as error:
            raise FileFormatError(f"{self.path}: {error}") from None
        notes, bars = self._played([written[i] for i in order], quarters_a_beat)
        title = root.findtext("work/work-title") or root.findtext("movement-title") or ""
        tempo = None if self.tempo_quarter is None else self.tempo_quarter / float(quarters_a_beat)
        swing = self.swing if self.swing is not None else 2.0 if self.words_swing or compound else None
        return XmlScore(
            notes, bars, " ".join(title.split())[:200], self.fifths or 0, self.minor, tempo, swing, compound,
            (why,) if why else (),
        )  # fmt: skip

    def _played(
        self, measures: list[_Measure], quarters_a_beat: Fraction
    ) -> tuple[tuple[XmlNote, ...], tuple[XmlBar, ...]]:
        """Notes and bars one after another as they are played, in beats; what is tied is one note."""
        notes: list[XmlNote] = []
        bars = []
        open_ties: dict[int, int] = {}
        at = Fraction(0)
        for measure in measures:
            for onset, length, pitch, tie_in, tie_out in measure.notes:
                sounds = XmlNote((at + onset) / quarters_a_beat, length / quarters_a_beat, pitch)
                row = _tied(notes, open_ties.pop(pitch, None) if tie_in else None, sounds)
                open_ties.pop(pitch, None)
                if tie_out:
                    open_ties[pitch] = row
            chords = tuple((place / quarters_a_beat, chord) for place, chord in measure.chords)
            beats = measure.length / quarters_a_beat
            bars.append(XmlBar(at / quarters_a_beat, beats, measure.pickup, chords, measure.mark))
            at += measure.length
            if len(notes) > NOTES:
                raise FileFormatError(f"{self.path}: more than {NOTES:,} notes; expected one song")
        return tuple(sorted(notes, key=lambda note: (note.onset, note.pitch))), tuple(bars)

    def _measure(self, measure: ET.Element, *, first: bool) -> _Measure:
        self.n_bars += 1
        longest = Fraction(0)
        out = _Measure(Fraction(0), Fraction(0), measure.get("implicit") == "yes")
        place = _Place()
        read: dict[str, Callable[[ET.Element, _Measure, _Place], None]] = {
            "attributes": self._attributes, "backup": self._step, "forward": self._step, "note": self._note,
            "harmony": self._harmony, "direction": self._direction, "barline": self._barline, "sound": self._sound,
        }  # fmt: skip
        for item in measure:
            if item.tag in read:
                read[item.tag](item, out, place)
            longest = max(longest, place.at)
        out.nominal = Fraction(4 * self.top, self.bottom)
        short = longest < out.nominal
        out.pickup = out.pickup or (first and short and bool(out.notes))
        out.length = longest if (out.pickup and longest) or longest > out.nominal else out.nominal
        if out.length > 64:
            raise FileFormatError(f"{self.path}: a bar of {float(out.length):.0f} quarters; expected music in bars")
        out.order.length = out.length
        out.chords.sort(key=lambda item: item[0])
        return out

    def _step(self, item: ET.Element, out: _Measure, place: _Place) -> None:
        step = self._duration(item)
        place.at = max(place.at - step, Fraction(0)) if item.tag == "backup" else place.at + step

    def _harmony(self, item: ET.Element, out: _Measure, place: _Place) -> None:
        chord = _chord(item)
        if chord is not None:
            out.chords.append((max(self._offset(item, place), Fraction(0)), chord))

    def _offset(self, item: ET.Element, place: _Place) -> Fraction:
        """Where in its bar something stands that may say so itself."""
        return place.at + _number(item.findtext("offset") or "0") / self.divisions

    def _note(self, item: ET.Element, out: _Measure, place: _Place) -> None:
        """A note, a rest, a note of the chord before, or a grace, which waits for its note."""
        grace, in_chord = item.find("grace") is not None, item.find("chord") is not None
        length = Fraction(0) if grace else self._duration(item)
        onset = place.last_onset if in_chord else place.at
        pitch = self._pitch(item)
        if grace:
            if pitch is not None:
                place.graces.append(pitch)
        else:
            if pitch is not None:
                for k, before in enumerate(reversed(place.graces), 1):
                    out.notes.append((onset - k * GRACE_BEATS, GRACE_BEATS, before, False, False))
                ties = {tie.get("type") for tie in item.findall("tie")}
                out.notes.append((onset, length, pitch, "stop" in ties, "start" in ties))
                place.graces = []
            place.last_onset = onset
            if not in_chord:
                place.at += length
        self.n_notes += 1
        if self.n_notes > NOTES:
            raise FileFormatError(f"{self.path}: more than {NOTES:,} notes; expected one song")

    def _duration(self, item: ET.Element) -> Fraction:
        length = _number(item.findtext("duration") or "0") / self.divisions
        if not 0 <= length <= 1000:
            raise _Odd("a duration beyond all music")
        return length

    def _attributes(self, item: ET.Element, out: _Measure, place: _Place) -> None:
        divisions = item.findtext("divisions")
        if divisions:
            self._divided(divisions)
        beats, kind = item.findtext("time/beats"), item.findtext("time/beat-type")
        if beats and kind:
            self._timed(beats, kind)
        self.n_staves = int((item.findtext("staves") or str(self.n_staves))[:3])
        self.tabs |= {clef.get("number") or "1" for clef in item.findall("clef") if clef.findtext("sign") == "TAB"}
        shift = item.find("transpose")
        if shift is not None:
            chromatic = Fraction((shift.findtext("chromatic") or "0")[:6])
            octaves = int((shift.findtext("octave-change") or "0")[:4])
            self.transpose = round(chromatic) + 12 * octaves
        fifths = item.findtext("key/fifths")
        if fifths and self.fifths is None:
            self.fifths = max(-7, min(7, int(fifths[:4])))
            self.minor = (item.findtext("key/mode") or "major").strip() == "minor"

    def _divided(self, divisions: str) -> None:
        """So many divisions to a quarter from here on."""
        self.divisions = _number(divisions)
        if not 0 < self.divisions <= DIVISIONS:
            raise _Odd(f"{divisions.strip()[:12]} divisions; expected at most {DIVISIONS:,}")
        self.common = math.lcm(self.common, self.divisions.numerator)
        if self.common > COMMON_DIVISIONS:
            raise _Odd("divisions that no common one measures")

    def _timed(self, beats: str, kind: str) -> None:
        """In this time from here on; its upper number may be a sum."""
        tops = [int(text) for text in beats.split("+")[:8] if len(text) < 4]
        self.top, self.bottom = sum(tops), int(kind[:4])
        if not (1 <= self.top <= 64 and self.bottom in (1, 2, 4, 8, 16, 32)):
            raise _Odd(f"a time of {beats[:10]}/{kind[:10]}")

    def _pitch(self, note: ET.Element) -> int | None:
        staff = note.findtext("staff") or "1"
        hidden_staff = staff in self.tabs and len(self.tabs) < self.n_staves
        if note.find("rest") is not None or note.find("cue") is not None or hidden_staff:
            return None
        pitch = note.find("pitch")
        if pitch is None:
            return None
        step, octave = (pitch.findtext("step") or "").strip(), int((pitch.findtext("octave") or "")[:4])
        alter = round(float((pitch.findtext("alter") or "0")[:8]))
        sounding = _STEPS[step] + alter + 12 * (octave + 1) + self.transpose
        if not 0 <= sounding <= 127:
            raise _Odd(f"the pitch {step}{octave} beyond all instruments")
        return sounding

    def _direction(self, item: ET.Element, out: _Measure, place: _Place) -> None:
        mark = item.findtext("direction-type/rehearsal")
        if mark:
            out.mark = " ".join(mark.split())[:60]
        words = " ".join(w.text or "" for w in item.iter("words")).casefold()
        if "swing" in words or "shuffle" in words:
            self.words_swing = True
        self._metronome(item)
        stands = replace(place, at=self._offset(item, place))
        n_jumps = len(out.order.jumps)
        for sound in item.iter("sound"):
            self._sound(sound, out, stands)
        if len(out.order.jumps) == n_jumps:  # signs and words alone
            signs = {sign for sign in ("segno", "coda") if item.find(f"direction-type/{sign}") is not None}
            kind = jump_said(words, signs)
            if kind is not None:
                out.order.jumps.append(Jump(kind, "", stands.at))

    def _metronome(self, item: ET.Element) -> None:
        per_minute, unit = item.findtext(".//metronome/per-minute"), item.findtext(".//metronome/beat-unit")
        number = re.search(r"\d{1,3}(?:\.\d{1,4})?", per_minute or "")
        if number is not None and unit:
            length = {"quarter": 1.0, "half": 2.0, "eighth": 0.5}.get(unit.strip(), 1.0)
            dotted = 1.5 if item.find(".//metronome/beat-unit-dot") is not None else 1.0
            self._tempo(float(number[0]) * length * dotted)

    def _sound(self, sound: ET.Element, out: _Measure, place: _Place) -> None:
        times = tuple(int(n) for n in re.findall(r"\d{1,2}", (sound.get("time-only") or "")[:40]))
        for kind in get_args(JumpKind):
            label = sound.get(kind)
            if label is not None and label.strip().lower() != "no":
                out.order.jumps.append(Jump(kind, label.strip()[:40], place.at, times, sure=True))
        tempo = sound.get("tempo")
        if tempo and self.tempo_quarter is None:
            self._tempo(float(tempo[:12]))
        first, second = sound.findtext("swing/first"), sound.findtext("swing/second")
        if first and second and self.swing is None:
            self.swing = float(Fraction(int(first[:4]), int(second[:4])))
        elif sound.find("swing/straight") is not None:
            self.swing = 1.0

    def _tempo(self, quarter_bpm: float) -> None:
        """The first tempo that is said counts."""
        if self.tempo_quarter is None and 10.0 <= quarter_bpm <= 1000.0:
            self.tempo_quarter = quarter_bpm

    def _barline(self, item: ET.Element, out: _Measure, place: _Place) -> None:
        ending = item.find("ending")
        if ending is not None and ending.get("type") == "start":
            out.order.endings = tuple(int(n) for n in re.findall(r"\d{1,2}", (ending.get("number") or "")[:40]))
        elif ending is not None:
            out.order.ending_stops = True
        right = item.get("location", "right") == "right"
        for kind in ("segno", "coda"):
            if item.find(kind) is not None:
                label = (item.get(kind) or "").strip()[:40]
                out.order.jumps.append(Jump(kind, label, Fraction(64 if right else 0), sure=item.get(kind) is not None))
        repeat = item.find("repeat")
        if repeat is not None and repeat.get("direction") == "forward":
            out.order.forward = True
        elif repeat is not None:
            out.order.backward = max(2, min(int((repeat.get("times") or "2")[:3]), 64))
            out.order.after_jump = repeat.get("after-jump") == "yes"


def _chord(item: ET.Element) -> Chord | None:
    """A chord symbol; None for one that says nothing we know (no chord, a numeral)."""
    step = (item.findtext("root/root-step") or "").strip()
    kind = (item.findtext("kind") or "").strip()
    if step not in _STEPS or kind not in _KINDS:
        return None
    alter = round(float((item.findtext("root/root-alter") or "0")[:6]))
    quality = _KINDS[kind]
    for degree in item.findall("degree"):
        number, change = degree.findtext("degree-value"), degree.findtext("degree-alter")
        if quality == "7" and number == "9" and change in ("1", "-1"):
            quality = "7#9" if change == "1" else "7b9"
        if quality == "sus4" and number == "7":
            quality = "7sus4"
    return parse_chord(step + {-1: "b", 0: "", 1: "#"}[alter] + quality) if abs(alter) <= 1 else None
