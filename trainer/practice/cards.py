"""A take as the history takes it: its scorecard, kept beside it, and the row that the index holds.

A card once worked out lies beside its take as `STEM.card` (JSON, deflated). It is believed while the take's files are
the same, and the scorer (`trainer.scoring.card.REVISION`) and the way a take is read here (`READING`) are too; a new
version of the program that scores alike keeps it. Whether a drill was passed is worked out from the card each time.
"""

from __future__ import annotations

import contextlib
import datetime
import functools
import hashlib
import json
import os
import zlib
from collections import Counter
from collections.abc import Generator, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from trainer.aside import written_aside
from trainer.errors import ODD_DATA
from trainer.opened import bytes_of
from trainer.practice.drills import Exercise, answered_changes, answers_of, drill_named, with_heard
from trainer.practice.rows import ReadTake, day_of
from trainer.practice.study import exercise_from_dict, judge_phrase
from trainer.scoring import Card, Scorecard, score
from trainer.scoring.card import MEASURES, REVISION, as_kept, json_schema
from trainer.scoring.figure import Measure, read
from trainer.scoring.stats import MIN_N
from trainer.session import Session
from trainer.system import here
from trainer.take import read_take
from trainer.take.midi_file import MAX_FILE_BYTES
from trainer.take.record import MAX_RECORD_BYTES
from trainer.workers import spread

__all__ = ["CARD_SUFFIX", "NO_STAMP", "KeptCard", "card_of", "pack", "read_rows", "reading_digest", "unpack"]

READING = 6  # of the kept cards: how a take is read before it is scored
MANY = 200  # so many new takes are worth starting readers for
MAX_READERS = 8
NO_STAMP = ""  # no file has it
CARD_SUFFIX = ".card"
HANDFUL = 16  # notes: fewer of a run that was stopped tell nothing of an evening; our choice
FOLLOWED = tuple(measure for measure in MEASURES if measure.shown.followed)
MAX_CARD_BYTES = 64_000_000
DRILL_OPTIONS = ("seed", "form", "groove", "bar", "octave", "position", "short")


@dataclass(frozen=True, slots=True)
class KeptCard:
    """A take's scorecard, with what the index needs of its header and files.

    `study`: whether a phrase of a transcription was answered ({"passed", "value"}), None for anything else;
    `completed`: played to its end, so that a drill can be judged.
    """

    card: Card
    created: str
    title: str | None
    extra: dict[str, Any]
    midi_sha256: str
    study: dict[str, Any] | None = None
    completed: bool = True


def card_of(path: str | os.PathLike[str]) -> KeptCard:
    """The scorecard of a take: the one lying beside it if it belongs to these files and this scorer, else a new one.

    Raises what reading or scoring raises (`TrainerError`, `OSError`).
    """
    file = Path(path)
    digest = hashlib.sha256(bytes_of(file, MAX_FILE_BYTES, "a MIDI file"))
    midi_sha256 = digest.hexdigest()
    if file.with_suffix(".json").is_file():
        digest.update(bytes_of(file.with_suffix(".json"), MAX_RECORD_BYTES, "the JSON of a take"))
    belongs_to = {"files_sha256": digest.hexdigest(), "reading": reading_digest()}
    kept = file.with_suffix(CARD_SUFFIX)
    with contextlib.suppress(OSError, ValueError, KeyError, TypeError):
        record = unpack(kept.read_bytes() if kept.is_file() else b"")
        if all(record[name] == value for name, value in belongs_to.items()):
            shelf = record["kept"]
            return KeptCard(midi_sha256=midi_sha256, **{**shelf, "card": read(Card, shelf["card"])})
    take = read_take(file)
    exercise = _exercise_of(take.header.extra.get("drill"))
    if exercise is not None and take.session is not None and _same_music(take.session, exercise.session):
        take = answers_of(take, exercise)  # what was played along with the model does not count
    scored = score(take)
    made = KeptCard(
        card=as_kept(scored),
        created=take.header.created,
        title=take.session.title if take.session is not None else None,
        extra=json.loads(json.dumps(dict(take.header.extra), default=str)),
        midi_sha256=midi_sha256,
        study=_study_outcome(take.header.extra.get("study"), scored),
        completed=take.header.completed,
    )
    names = ("created", "title", "extra", "study", "completed")
    record = belongs_to | {"kept": {"card": scored.to_dict(), **{name: getattr(made, name) for name in names}}}
    with contextlib.suppress(OSError), written_aside(kept) as out:  # a read-only folder only costs the time again
        out.write(pack(record))
    return made


def reading_digest() -> str:
    """Of how takes become rows: the scorer's revision, how takes are read, the card's keys, what is followed."""
    followed = sorted(measure.shown.followed for measure in FOLLOWED)
    text = json.dumps([REVISION, READING, _card_keys(), followed, MIN_N])
    return hashlib.sha256(text.encode()).hexdigest()[:16]


@functools.cache
def _card_keys() -> str:
    return json.dumps(_keys_of(json_schema()), sort_keys=True)


def _keys_of(schema: Any) -> Any:
    """The schema's tree without the words for people."""
    if isinstance(schema, list):
        return [_keys_of(item) for item in schema]
    if not isinstance(schema, dict):
        return schema
    return {key: _keys_of(item) for key, item in schema.items() if key not in ("title", "description")}


def pack(record: Mapping[str, Any]) -> bytes:
    """A record as it lies in a card's file: an eighth of its JSON's size."""
    return zlib.compress(json.dumps(record).encode(), 3)


def unpack(body: bytes) -> Any:
    """The record of a card's file; `ValueError` for anything else."""
    unpacker = zlib.decompressobj()
    try:
        text = unpacker.decompress(body, MAX_CARD_BYTES)
    except zlib.error as error:
        raise ValueError(str(error)) from None
    return json.loads(text)


def _exercise_of(drill: Any) -> Exercise | None:
    """A drill built again from what its take's header says; None for an unknown one."""
    if not isinstance(drill, Mapping):
        return None
    options = {name: drill[name] for name in DRILL_OPTIONS if drill.get(name) is not None}
    try:
        made = drill_named(str(drill.get("name")))
        return made.build(str(drill.get("key", "G")), float(drill.get("tempo_bpm", 96.0)), **options)
    except ODD_DATA:
        return None


def _same_music(one: Session, other: Session) -> bool:
    """Whether two sessions differ at most in which choruses are listened to."""
    return with_heard(one, ()) == with_heard(other, ())


def _study_outcome(study: Any, scored: Scorecard) -> dict[str, Any] | None:
    """Whether a phrase of a transcription was answered, worked out from the notes; None for anything else."""
    try:
        figure = judge_phrase(exercise_from_dict(study), scored.reading)
    except ODD_DATA:
        return None
    return {"passed": figure.passed, "value": figure.value}


def _shown(exercise: Exercise, card: Card) -> dict[str, tuple[bool, list[bool]]]:
    """Drill → (passed, each pass) of what a drill's run shows; empty where it could not be judged."""
    try:
        return drill_named(exercise.drill).shown(card, exercise)
    except ODD_DATA:
        return {}


# --- rows of the index --------------------------------------------------------------------------------------------


def read_rows(
    takes_path: Path, files: Sequence[tuple[str, str]], *, apart: bool = False
) -> Generator[ReadTake, None, None]:
    """The rows of these (name, stamp), in order; many are read on all cores, and `apart` a few too: one of them may
    bring down whoever reads it."""
    work = functools.partial(_read, takes_path)
    n_workers = min(here().n_processors(), MAX_READERS)
    many = len(files) >= MANY and n_workers > 1
    in_others = many or apart
    yield from spread(work, files, n_workers, functools.partial(_died, takes_path)) if in_others else map(work, files)


def _died(takes_path: Path, file: tuple[str, str]) -> ReadTake:
    """Without a stamp: the reader's end may be no fault of the file's, so it is read again next time."""
    reason = "reading it ended without an answer and is tried again next time; score it alone to see why"
    return _unread(takes_path, file[0], NO_STAMP, reason)


def _unread(takes_path: Path, name: str, stamp: str, reason: str) -> ReadTake:
    made = _modified(takes_path / name)
    about = {"created": made, "day": day_of(made).isoformat(), "kind": "song", "error": reason}
    return ReadTake(name, stamp, about, {}, {}, {})


def _read(takes_path: Path, file: tuple[str, str]) -> ReadTake:
    """What the index holds of one take; a file that cannot be read has its reason in `error`."""
    name, stamp = file
    path = takes_path / name
    try:
        kept = card_of(path)
    except (OSError, *ODD_DATA) as error:
        return _unread(takes_path, name, stamp, " ".join(str(error).split())[:300])
    card = kept.card
    about = _about(kept, kept.created or _modified(path))
    figures = {name: value for measure in FOLLOWED for name, value in _followed(card, measure)}
    changes = {pair: (tally.roots, tally.landed, tally.changes) for pair, tally in card.landing.by_pair.items()}
    exercise = _exercise_of(kept.extra.get("drill"))
    runs, what = _passed(kept, exercise)
    if not kept.completed and card.take.notes < HANDFUL:
        # Two notes and stopped: it was there, but no tempo was kept, no figure followed and no change counted.
        return ReadTake(name, stamp, about | {"tempo_bpm": None} | what, {}, {}, {}, runs)
    if exercise is not None or card.landing.total.changes < MIN_N:
        figures = {name: value for name, value in figures.items() if name not in ("root_rate", "landed_rate")}
    if exercise is not None:
        changes = answered_changes(card, exercise)
        figures |= _rates(changes.values())
    about |= what
    if about["kind"] != "song":
        figures.pop("pinned_rate", None)
    found = Counter(device.name for device in card.devices.found or ())
    return ReadTake(name, stamp, about, figures, changes, dict(sorted(found.items())), runs)


def _rates(counts: Iterable[tuple[int, int, int]]) -> dict[str, float]:
    """The shares of changes (roots, landed, all) that count in a drill; none where there was no change."""
    roots, landed, n = map(sum, zip(*counts, (0, 0, 0), strict=True))
    return {"root_rate": roots / n, "landed_rate": landed / n} if n else {}


def _about(kept: KeptCard, created: str) -> dict[str, Any]:
    source = kept.extra.get("imported_sha256")
    take = kept.card.take
    return {
        "created": created,
        "day": day_of(created).isoformat(),
        "title": kept.title,
        "key": take.key,
        "tempo_bpm": take.tempo_bpm,
        "n_notes": take.notes,
        "n_choruses": take.choruses,
        "kind": "stage" if isinstance(kept.extra.get("stage"), Mapping) else "song",
        "midi_sha256": kept.midi_sha256 or None,
        "source_sha256": source if isinstance(source, str) else None,
    }


def _followed(card: Card, measure: Measure) -> Iterator[tuple[str, float]]:
    """(name, value) of a figure that is followed, where the card has it firm enough."""
    figure, value = measure.of(card), measure.value(card)
    if value is not None and not (measure.shown.firm and figure.interval is None):
        yield measure.shown.followed, value


def _passed(kept: KeptCard, exercise: Exercise | None) -> tuple[dict[str, tuple[bool, list[bool]]], dict[str, Any]]:
    """(each drill or studied phrase that the take shows, which one it was and whether all of it was passed)."""
    drill, study = (kept.extra.get(kind) for kind in ("drill", "study"))
    shown: dict[str, tuple[bool, list[bool]]] = {}
    if isinstance(drill, Mapping):
        name = str(drill.get("name", ""))
        if exercise is not None and kept.completed:
            shown = _shown(exercise, kept.card)
    elif isinstance(study, Mapping):
        name = f"study {study.get('file', '')} {study.get('phrase', '')}".strip()
        passed = kept.study.get("passed") if kept.study is not None and kept.completed else None
        if passed is not None:
            shown = {name: (bool(passed), [bool(passed)])}
    else:
        return {}, {}
    out: dict[str, Any] = {"kind": "drill", "drill": name}
    if shown:
        out["passed"] = int(all(passed for passed, _ in shown.values()))
    return shown, out


def _modified(path: Path) -> str:
    try:
        return datetime.datetime.fromtimestamp(path.stat().st_mtime).astimezone().isoformat(timespec="seconds")
    except OSError:
        return "1970-01-01T00:00:00+00:00"
