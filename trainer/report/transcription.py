"""Reading a transcription: a MIDI file, or MusicXML through `music21` (an optional extra)."""

from __future__ import annotations

import warnings
import zipfile
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

from trainer.clock.tempo import TempoMap, swung_beats
from trainer.errors import FileFormatError, TrainerError, UsageError
from trainer.session import Session, expand
from trainer.take import Take, TakeHeader, notes_from_rows, read_take

__all__ = ["read_transcription"]

MUSICXML = (".musicxml", ".xml", ".mxl")
MAX_BYTES = 16_000_000
MAX_UNPACKED_BYTES = 64_000_000
# Steps of the scale in so many semitones, as a transposition is mostly written.
_STEPS = (0, 1, 1, 2, 2, 3, 3, 4, 5, 5, 6, 6)


def read_transcription(
    path: Path,
    session: Session | None = None,
    *,
    track: str | int | None = None,
    downbeat: float | str | None = None,
) -> Take:
    """The transcription as a take: written eighths are swung as the session says, the first bar is bar 1 of chorus 1.

    Of a MIDI file `track` and `downbeat` as in `read_take`; MusicXML knows neither (`UsageError`).
    `UsageError` when it is not there, when MusicXML's reader is not installed, or when MusicXML comes without a
    session; `FileFormatError` when it is not what its name says.
    """
    if path.suffix.lower() not in MUSICXML:
        return read_take(path, session=session, track=track, downbeat=downbeat)
    if track is not None or downbeat is not None:
        raise UsageError(f"{path}: --track and --downbeat are for MIDI files; MusicXML begins with bar 1 of chorus 1")
    if session is None:
        raise UsageError(f"{path}: MusicXML says nothing of the form; add --session, a file or a ready-made name")
    try:
        if path.stat().st_size > MAX_BYTES:
            raise FileFormatError(f"{path}: over {MAX_BYTES // 1_000_000} MB; expected one song's transcription")
    except OSError as error:
        raise UsageError(f"cannot read {path}: {error.strerror or error}") from None
    rows = _musicxml_rows(path)
    if not rows:
        raise FileFormatError(f"{path}: no notes in it; expected a bass part")
    chart = expand(session)
    tempo = TempoMap(chart.tempo_segments)
    table = []
    for onset, duration, pitch in rows:
        straight_third = abs(onset * 3.0 - round(onset * 3.0)) < 1e-6 and abs(onset * 2.0 - round(onset * 2.0)) > 1e-6
        on, off = (onset, onset + duration)
        if not straight_third:
            on, off = (float(x) for x in swung_beats([onset, onset + duration], session.swing_ratio))
        a, b = (float(x) for x in tempo.seconds_at([on, off]))
        table.append((a, b - a, float(pitch), 90))
    return Take(
        notes=notes_from_rows(table),
        tempo=tempo,
        session=session,
        header=TakeHeader(foreign=True, profile="foreign", downbeat_from="start of file"),
        source=str(path),
    )


def _musicxml_rows(path: Path) -> list[tuple[float, float, int]]:
    """(beat, beats, sounding MIDI pitch) of the first part's notes, ties joined, tablature staves left out."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            from music21 import converter
    except ImportError:
        raise UsageError(
            "reading MusicXML wants the package music21; add it with: pip install music21 (or the extra transcription)"
        ) from None
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            score: Any = converter.parseData(_musicxml_text(path), format="musicxml")
            part = score.parts[0].toSoundingPitch().stripTies().flatten()
            return [
                (float(note.offset), float(note.quarterLength), int(note.pitch.midi))
                for note in part.notes
                if "Note" in note.classes and note.quarterLength > 0
            ]
    except TrainerError:
        raise
    except Exception as error:  # whatever a reader of foreign files may raise
        words = " ".join(str(error).split())[:120]
        raise FileFormatError(f"{path}: cannot be read as MusicXML ({type(error).__name__}: {words})") from None


def _musicxml_text(path: Path) -> str:
    """The document of a MusicXML file, plain or packed (.mxl), with what its reader cannot do without.

    MusicXML 4.0 lets a `transpose` go without `diatonic`; the reader does not.
    """
    root = ElementTree.fromstring(_packed(path) if path.suffix.lower() == ".mxl" else path.read_bytes())
    for transpose in root.iter("transpose"):
        if transpose.find("diatonic") is None:
            semitones = int(float(transpose.findtext("chromatic") or 0))
            octaves, rest = divmod(abs(semitones), 12)
            steps = ElementTree.Element("diatonic")
            steps.text = str((7 * octaves + _STEPS[rest]) * (1 if semitones >= 0 else -1))
            transpose.insert(0, steps)
    return ElementTree.tostring(root, encoding="unicode")


def _packed(path: Path) -> bytes:
    """The document inside a packed file: the first root file that its container names."""
    with zipfile.ZipFile(path) as archive:

        def unpacked(name: str) -> bytes:
            if archive.getinfo(name).file_size > MAX_UNPACKED_BYTES:
                raise FileFormatError(f"{path}: over {MAX_UNPACKED_BYTES // 1_000_000} MB unpacked; expected one song")
            return archive.read(name)

        container = ElementTree.fromstring(unpacked("META-INF/container.xml"))
        return unpacked(next(item.attrib["full-path"] for item in container.iter() if item.tag.endswith("rootfile")))
