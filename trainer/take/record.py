"""The JSON beside a take: exact times, devices, calibration, clock map, gaps, and the session as it was. Pure.

`shared/schema/take.schema.json` describes it. Notes and band are columns of equal length, in seconds from the first
downbeat of the first chorus. Reading checks every value: a mistake is one line that names its place.
"""

from __future__ import annotations

from collections.abc import Iterator
from inspect import cleandoc
from typing import Annotated, Any

import msgspec
import numpy as np

from trainer._version import __version__
from trainer.clock.tempo import TempoMap
from trainer.errors import FileFormatError
from trainer.limits import has_far_number
from trainer.profiles import PROFILES
from trainer.session import session_from_dict
from trainer.take.model import (
    MAX_SECONDS,
    PITCHES,
    Calibration,
    Gap,
    Second,
    Take,
    TakeHeader,
    Text,
    within_a_song,
)
from trainer.take.notes import NOTE_DTYPE, Notes, sorted_notes

__all__ = [
    "MAX_RECORD_BYTES",
    "SCHEMA_MAJOR",
    "SCHEMA_MINOR",
    "TakeRecord",
    "read_record",
    "record_bytes",
    "record_of",
    "schema_of",
    "take_of",
    "take_schema",
]

SCHEMA_MAJOR, SCHEMA_MINOR = 1, 0
MAX_RECORD_BYTES = 64_000_000  # half a million notes are about 35 MB of text; our choice

Span = Annotated[float, msgspec.Meta(ge=0.0, le=MAX_SECONDS)]
Beat = Annotated[float, msgspec.Meta(ge=-1e6, le=1e6)]
Bpm = Annotated[float, msgspec.Meta(gt=0.0, le=1e8)]
Pitch = Annotated[float, msgspec.Meta(ge=PITCHES[0], le=PITCHES[1])]
Byte = Annotated[int, msgspec.Meta(ge=0, le=255)]
Velocity = Annotated[int, msgspec.Meta(ge=0, le=127)]
Channel = Annotated[int, msgspec.Meta(ge=0, le=15)]
Bend = Annotated[float, msgspec.Meta(ge=-96.0, le=96.0)]
Sha256 = Annotated[str, msgspec.Meta(pattern=r"^[0-9a-f]{64}$")]


class SchemaName(msgspec.Struct, frozen=True):
    """Which kind of file this is, and in which version."""

    name: str
    major: int
    minor: int = 0


class NoteColumns(msgspec.Struct, frozen=True):
    """A note table by columns, all of one length, in order of onset."""

    onset_s: list[Second]
    duration_s: list[Span]
    pitch: list[Pitch]
    velocity: list[Velocity]
    channel: list[Channel]
    flags: list[Byte]


class TempoColumns(msgspec.Struct, frozen=True):
    """The tempo map: segment i starts at `beats[i]` with `bpm[i]`; `first_s` is the second of `beats[0]`."""

    beats: Annotated[list[Beat], msgspec.Meta(min_length=1)]
    bpm: Annotated[list[Bpm], msgspec.Meta(min_length=1)]
    first_s: Second


class TakeRecord(msgspec.Struct, frozen=True, kw_only=True):
    """The JSON file beside a take."""

    schema: SchemaName
    trainer: Text
    midi_sha256: Sha256
    created: Text
    profile: Text
    completed: bool
    velocity_floor: Velocity
    downbeat_from: Text
    foreign: bool = False
    calibration: Calibration | None
    gaps: list[Gap]
    devices: dict[str, Any]
    clock_map: dict[str, Any]
    lateness: dict[str, Any]
    extra: dict[str, Any]
    session: dict[str, Any] | None
    tempo: TempoColumns
    notes: NoteColumns
    band: NoteColumns


class _Kind(msgspec.Struct):
    schema: SchemaName | None = None


def schema_of(kind: Any, title: str, about: str) -> dict[str, Any]:
    """The JSON Schema (draft 2020-12) of a type, the same by every msgspec: 0.23 takes the indent from docstrings and
    names the keys of a mapping."""
    made = msgspec.json.schema(kind)
    for part in made["$defs"].values():
        if "description" in part:
            part["description"] = cleandoc(part["description"])
        for field in part.get("properties", {}).values():
            field.pop("propertyNames", None)
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", "title": title, "description": about, **made}


def take_schema() -> dict[str, Any]:
    """The JSON Schema of the file, as `shared/schema/take.schema.json` holds it."""
    about = (
        "Times in seconds from the first downbeat of the first chorus; the columns of a note table "
        "are of one length and in order of onset. `session` has the shape of a session file. More keys may stand "
        "beside these."
    )
    schema = schema_of(TakeRecord, "The JSON beside a take", about)
    fields = schema["$defs"]["TakeRecord"]["properties"]
    fields["profile"] = {"enum": list(PROFILES)}
    schema["$defs"]["SchemaName"]["properties"]["name"] = {"const": "take"}
    schema["$defs"]["SchemaName"]["properties"]["major"] = {"const": SCHEMA_MAJOR}
    return schema


def _columns(notes: Notes) -> NoteColumns:
    return NoteColumns(**{name: notes[name].tolist() for name in NOTE_DTYPE.names or ()})


def record_of(take: Take, midi_sha256: str) -> TakeRecord:
    """The record of a take whose MIDI file has this SHA-256. `ValueError` if a time or pitch is not finite."""
    for table in (take.notes, take.band):
        for name in ("onset_s", "duration_s", "pitch"):
            if not np.all(np.isfinite(table[name])):
                raise ValueError(f"a note's {name} is not finite")
    header = take.header
    return TakeRecord(
        schema=SchemaName("take", SCHEMA_MAJOR, SCHEMA_MINOR),
        trainer=header.scorer or __version__,
        midi_sha256=midi_sha256,
        created=header.created,
        profile=header.profile,
        completed=header.completed,
        velocity_floor=header.velocity_floor,
        downbeat_from=header.downbeat_from,
        foreign=header.foreign,
        calibration=header.calibration,
        gaps=list(header.gaps),
        devices=dict(header.hardware),
        clock_map=dict(header.clock_map),
        lateness=dict(header.lateness),
        extra=dict(header.extra) | _plain_bends(take),
        session=None if take.session is None else take.session.to_dict(),
        tempo=TempoColumns(take.tempo.beats.tolist(), take.tempo.bpm.tolist(), float(take.tempo.seconds[0])),
        notes=_columns(take.notes),
        band=_columns(take.band),
    )


def _plain_bends(take: Take) -> dict[str, Any]:
    """The bends of a take as a record has them: rows of second, whole channel, semitones."""
    if "bends" not in take.header.extra:
        return {}
    return {"bends": [(at_s, int(channel), semitones) for at_s, channel, semitones in take.bends.tolist()]}


def _plain(item: Any) -> Any:
    """numpy scalars and arrays in a header's plain data, as JSON."""
    if isinstance(item, np.generic | np.ndarray):
        return item.tolist()
    raise NotImplementedError(f"{type(item).__name__} in a take's header")


def record_bytes(record: TakeRecord) -> bytes:
    """The record as indented JSON, one line for each column."""
    lines = []
    for name, value in msgspec.to_builtins(record, enc_hook=_plain).items():
        lines.append(f"{msgspec.json.encode(name).decode()}: {msgspec.json.encode(value).decode()}")
    return ("{\n" + ",\n".join(lines) + "\n}\n").encode()


_CHECKED_EXTRAS: dict[str, Any] = {
    "bends": list[tuple[Second, Channel, Bend]],
    "intensities": list[Annotated[float, msgspec.Meta(ge=0.0, le=1.0)]],
}


def read_record(raw: bytes, source: str) -> TakeRecord | None:
    """A checked record; None for JSON that is something else (its schema has another name, or none).

    `FileFormatError` for what is not JSON, for a later major version and for any value that is missing or impossible.
    """
    if len(raw) > MAX_RECORD_BYTES:
        raise FileFormatError(f"{source}: {len(raw) / 1e6:.0f} MB; expected the JSON of a take, of a few MB at most")
    try:
        kind = _kind(raw)
        if kind is None or kind.name != "take":
            return None
        if kind.major != SCHEMA_MAJOR:
            raise FileFormatError(
                f"{source}: a take of version {kind.major}; this program reads version {SCHEMA_MAJOR}; "
                "install a matching version"
            )
        record = msgspec.json.decode(raw, type=TakeRecord)
        wrong = next(_mistakes(record), None)
    except msgspec.ValidationError as error:
        wrong = _one_line(error)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as error:
        wrong = f"not valid JSON ({_one_line(error)})"
    if wrong is not None:
        raise FileFormatError(
            f"{source}: {wrong}; put the right file back, or move it away to read the MIDI file alone"
        )
    return record


def _kind(raw: bytes) -> SchemaName | None:
    try:
        return msgspec.json.decode(raw, type=_Kind).schema
    except msgspec.ValidationError:
        return None


def _mistakes(record: TakeRecord) -> Iterator[str]:
    """What is wrong in a record whose types are right."""
    if record.profile not in PROFILES:
        yield f'profile: found "{record.profile[:60]}"; expected one of {", ".join(PROFILES)}'
    for key, kind_of in _CHECKED_EXTRAS.items():
        try:
            msgspec.convert(record.extra.get(key, []), kind_of)
        except msgspec.ValidationError as error:
            yield f"extra.{key}: {_one_line(error)}"
    if has_far_number([record.extra, record.devices, record.clock_map, record.lateness, record.session]):
        yield "a whole number of more than 64 bits"
    for name, columns in (("notes", record.notes), ("band", record.band)):
        lengths = {len(getattr(columns, column)) for column in NOTE_DTYPE.names or ()}
        if len(lengths) != 1:
            yield f"{name}: columns of {sorted(lengths)} rows; expected one length"


def _one_line(error: Exception) -> str:
    return " ".join(str(error).split())[:300] or type(error).__name__


def _table(columns: NoteColumns) -> Notes:
    notes = np.zeros(len(columns.onset_s), dtype=NOTE_DTYPE)
    for name in NOTE_DTYPE.names or ():
        notes[name] = getattr(columns, name)
    return sorted_notes(notes)


def take_of(record: TakeRecord, source: str, sha256: str) -> Take:
    """The take that a record describes.

    `FileFormatError` for an impossible tempo map, `SessionError` for its session.
    """
    tempo = record.tempo
    try:
        pairs = list(zip(tempo.beats, tempo.bpm, strict=True))
        tempo_map = TempoMap(pairs, second_of_first=tempo.first_s)
    except ValueError as error:
        raise FileFormatError(f"{source}: tempo: {error}; put the right file back, or move it away") from None
    session = None if record.session is None else session_from_dict(record.session, f"{source}: session")
    header = TakeHeader(
        foreign=record.foreign,
        profile=next((name for name in PROFILES if name == record.profile), "pad"),
        created=record.created,
        scorer=record.trainer,
        calibration=record.calibration,
        gaps=tuple(record.gaps),
        hardware=record.devices,
        clock_map=record.clock_map,
        lateness=record.lateness,
        downbeat_from=record.downbeat_from,
        velocity_floor=record.velocity_floor,
        completed=record.completed,
        extra=record.extra,
    )
    notes, band = _table(record.notes), _table(record.band)
    for table in (notes, band):
        within_a_song(table, tempo_map, source)
    return Take(notes, tempo_map, session, band, header, source, sha256)
