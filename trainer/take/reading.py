"""Reading a take: one of our own with its JSON, any Standard MIDI File, or the sound of one bass.

Which notes: `finding.py`. Where it begins: the Marker `chorus 1 …`, else `downbeat`, else the file's start. The file's
own tempo and time-signature map is the beat axis; a session's tempo is used only for a file that has none. Without a
session the chart is read from the file's own marks (`marked.py`), if they hold one. A sound file has no beats at all:
its session gives them, and its notes are what the ear (`trainer.hearing`) hears in it.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from trainer.clock.tempo import TempoMap
from trainer.errors import FileFormatError, UsageError
from trainer.limits import whole_number
from trainer.music.general_midi import DRUM_CHANNEL, PART_OF_CHANNEL
from trainer.opened import bytes_of
from trainer.session import Session, expand, load_session
from trainer.take.downbeat import MIN_NOTES, Downbeat, asked_downbeat, find_downbeat
from trainer.take.finding import Choice, chosen, is_named
from trainer.take.marked import session_of_marks
from trainer.take.midi_file import CHORUS_MARKER, MAX_FILE_BYTES, FileClock, MidiFile, parse_midi
from trainer.take.midi_notes import MOST_BEND_SEMITONES, track_bends, track_notes
from trainer.take.model import MAX_HOURS, Take, TakeHeader, within_a_song
from trainer.take.notes import FLAG_DEAD, FLAG_NO_RELEASE, Notes, empty_notes, sorted_notes
from trainer.take.record import MAX_RECORD_BYTES, TakeRecord, read_record, take_of
from trainer.take.rehearing import heard_again, is_heard, recording_of
from trainer.take.sound_file import is_sound_file, read_sound

__all__ = ["read_take"]

COARSE_TICK_MS = 4.0  # a file whose ticks are longer carries a remark; our choice
UNSURE = 0.8  # below this sureness the second best place is named too; our choice
PHASE_FROM_NOTES = (
    "the beat itself was found from the notes, so nobody can tell whether all of them are early or late; "
    "give --downbeat in seconds for that"
)


def read_take(
    path: str | os.PathLike[str],
    *,
    session: Session | str | os.PathLike[str] | None = None,
    track: str | int | None = None,
    downbeat: float | str | None = None,
    rehear: bool = True,
) -> Take:
    """The take in a MIDI file, with the JSON of the same stem where there is one (or in that JSON alone).

    `session` (or its file) goes before the one in the JSON, and that before a TOML file of the same stem. `track` is a
    track's name or its number in the file, from 1 (of a sound file the channel). `downbeat` is the second of the first
    downbeat, or "auto": found from the notes and the session's chords. If the MIDI file was changed since it was
    written, its own notes are read. A take whose recording an older ear heard is heard again (`rehear`). `UsageError`
    for a file that is not there, a track that must be chosen or a downbeat that cannot be used; `FileFormatError` for
    a file that is not what it claims to be, or sound that is not one bass; `SessionError` for a session's mistakes.
    """
    file = Path(path)
    if file.suffix.lower() == ".json":
        return _from_json(file, session)
    if is_sound_file(file):
        return _from_sound(file, session, track, downbeat)
    data = bytes_of(file, MAX_FILE_BYTES, "a MIDI file")
    sha256 = hashlib.sha256(data).hexdigest()
    beside = file.with_suffix(".json")
    record: TakeRecord | None = None
    if beside.is_file():
        record = read_record(bytes_of(beside, MAX_RECORD_BYTES, "the JSON of a take"), str(beside))
    if record is None:
        given = _given(session, file.with_suffix(".toml"))
        return _from_midi(parse_midi(data, str(file)), given, track, downbeat, str(file), sha256)
    stored, given = take_of(record, str(beside), sha256), _given(session)
    if record.midi_sha256 == sha256 and track is None:
        if rehear and (recording := recording_of(stored, file)) is not None and not is_heard(stored):
            with contextlib.suppress(FileFormatError):  # then the notes that it has stand
                stored = heard_again(stored, recording)
        return replace(stored, source=str(file), session=given or stored.session)
    try:
        midi = parse_midi(data, str(file))
    except FileFormatError as error:
        raise FileFormatError(
            f"{error}; the notes as they were played are still in {beside}: score that file"
        ) from None
    read = _from_midi(midi, given or stored.session, track, downbeat, str(file), sha256)
    return _changed(read, stored.header, by_hand=record.midi_sha256 != sha256)


def _changed(read: Take, stored: TakeHeader, *, by_hand: bool) -> Take:
    """A take as its MIDI file has it now, with the rest of the header stored beside it; `by_hand`: somebody changed
    the file."""
    told = "the MIDI file was changed after it was written; its notes are read, not those of the JSON"
    remarks = [told] * by_hand + read.header.extra["remarks"]
    # the bends stored belong to the notes of before
    extra = {**stored.extra, "bends": [], **read.header.extra, "remarks": remarks}
    notes = read.notes
    if stored.profile == "typing":
        notes = notes.copy()
        notes["flags"] |= FLAG_NO_RELEASE
    return replace(read, notes=notes, header=replace(stored, downbeat_from=read.header.downbeat_from, extra=extra))


def _given(session: Session | str | os.PathLike[str] | None, beside: Path | None = None) -> Session | None:
    """The session that is given, or that of its file; without one, what the TOML file beside the take holds."""
    if session is None:
        return load_session(beside) if beside is not None and beside.is_file() else None
    return session if isinstance(session, Session) else load_session(Path(session), scored=True)


def _from_sound(
    file: Path, given: Session | str | os.PathLike[str] | None, track: str | int | None, downbeat: float | str | None
) -> Take:
    """A take from the sound of one bass. `FileFormatError` for what is not one, with what was heard instead."""
    from trainer.take.heard import heard_in  # the ear is only wanted here

    session = _given(given, file.with_suffix(".toml"))
    asked_s = asked_downbeat(downbeat)
    channel = None if track is None else whole_number(str(track))
    if track is not None and channel is None:
        raise UsageError(f'{file}: found track "{str(track)[:60]}"; a sound file has channels: give the number of one')
    sound = read_sound(file, channel)
    if session is None:
        raise UsageError(
            f"{file}: a sound file says nothing of beats and bars; expected what was to be played: add --session, "
            "a file or a ready-made name (its notes alone: trainer hear)"
        )
    heard = heard_in(sound, str(file))
    notes, remarks = heard.notes.copy(), list(heard.remarks)
    origin_s, where, found = asked_s or 0.0, "start of file" if asked_s is None else "option", {}
    beat_s = 60.0 / session.tempo_bpm
    if downbeat == "auto":
        pitched = notes[notes["flags"] & FLAG_DEAD == 0]
        place = find_downbeat(pitched["onset_s"] / beat_s, pitched["pitch"], expand(session))
        if place is None:
            raise UsageError(_too_few(str(file), len(pitched)))
        remarks += [_found_words(place), PHASE_FROM_NOTES]
        origin_s, where, found = place.origin_beats * beat_s, "auto", {"downbeat": place.to_dict()}
    notes["onset_s"] -= origin_s
    extra = {"remarks": remarks, "hearing": heard.facts, **found}
    header = TakeHeader(foreign=True, profile="foreign", downbeat_from=where, extra=extra)
    tempo = TempoMap(expand(session).tempo_segments)
    return Take(notes, tempo, session, empty_notes(), header, str(file), sound.sha256)


def _from_json(file: Path, session: Session | str | os.PathLike[str] | None) -> Take:
    """A take from its JSON alone, for when the MIDI file is lost or damaged."""
    record = read_record(bytes_of(file, MAX_RECORD_BYTES, "the JSON of a take"), str(file))
    if record is None:
        raise FileFormatError(f"{file}: JSON, but not that of a take; expected a MIDI file or a take's own JSON")
    stored = take_of(record, str(file), record.midi_sha256)
    return replace(stored, source=str(file), session=_given(session) or stored.session)


def _from_midi(
    midi: MidiFile,
    session: Session | None,
    track: str | int | None,
    downbeat: float | str | None,
    source: str,
    sha256: str,
) -> Take:
    remarks = list(midi.remarks)
    clock = FileClock(midi, session.tempo_bpm if session is not None else None)
    choice = chosen(midi, track, clock.seconds_at, source)
    if choice.why:
        remarks.append(choice.why)
    notes = track_notes(choice.track, clock.seconds_at, choice.channels)
    origin_beats, where, found = _origin(midi, clock, notes, session, downbeat, remarks, source)
    band = _band(midi, clock, choice, ours=where == "marker")
    tempo = clock.tempo_map(origin_beats)
    origin_s = clock.seconds_at_beats(origin_beats)
    for table in (notes, band):
        table["onset_s"] -= origin_s
        within_a_song(table, tempo, source)
    ticks_per_s = midi.ticks_per_s or float(np.median(tempo.bpm)) / 60.0 * (midi.ppq or 1)
    tick_ms = 1000.0 / ticks_per_s
    if tick_ms > COARSE_TICK_MS:
        remarks.append(f"the file's clock ticks every {tick_ms:.0f} ms: no time in it is finer than that")
    facts = {**_facts(midi, clock, choice, origin_beats), "tick_ms": tick_ms}
    if session is None and where == "marker" and facts["keys"]:
        marked = session_of_marks(midi, clock, origin_beats, facts["keys"][0][1], float(tempo.bpm_at(0.0)))
        if marked is not None:
            session = marked[0]
            remarks += marked[1]
    extra: dict[str, Any] = {"remarks": remarks, "midi": facts, **found}
    bends = track_bends(choice.track, clock.seconds_at, choice.channels)
    bends[:, 0] -= origin_s
    bends = bends[(np.abs(bends[:, 0]) < MAX_HOURS * 3600) & (np.abs(bends[:, 2]) <= MOST_BEND_SEMITONES)]
    if len(bends) and np.ptp(bends[:, 2]) >= 1.0:  # else they say no more than the notes' pitches do
        extra["bends"] = bends
    header = TakeHeader(foreign=True, profile="foreign", downbeat_from=where, extra=extra)
    return Take(notes, tempo, session, band, header, source, sha256)


def _band(midi: MidiFile, clock: FileClock, choice: Choice, *, ours: bool) -> Notes:
    """The band's notes: its tracks whole, and of the others the drums (General MIDI: channel 10).

    The band of a file of ours is in one track, or in a track a part; in one from elsewhere "drums" says nothing.
    """
    parts = ("band", *PART_OF_CHANNEL.values()) if ours else ("band",)
    tables = [empty_notes()]
    for track in midi.tracks:
        if track is choice.track:
            if choice.channels is not None and DRUM_CHANNEL not in choice.channels:
                tables.append(track_notes(track, clock.seconds_at, (DRUM_CHANNEL,)))
        else:
            whole = any(is_named(track.name, part) for part in parts)
            tables.append(track_notes(track, clock.seconds_at, None if whole else (DRUM_CHANNEL,)))
    return sorted_notes(np.concatenate(tables))


def _origin(
    midi: MidiFile,
    clock: FileClock,
    notes: Notes,
    session: Session | None,
    downbeat: float | str | None,
    remarks: list[str],
    source: str,
) -> tuple[float, str, dict[str, Any]]:
    """Beat (from tick 0) of the first downbeat, where it was learnt, and what else was found."""
    asked_s = asked_downbeat(downbeat)
    for tick, text in midi.markers:
        match = CHORUS_MARKER.fullmatch(text)
        if match and int(match[1]) == 1:
            if downbeat is not None:
                remarks.append("the file's Marker says where chorus 1 begins; the downbeat given was not used")
            return float(clock.beats_at(tick)), "marker", {}
    if downbeat is None:
        return 0.0, "start of file", {}
    if asked_s is not None:
        return float(clock.beats_at_seconds(asked_s)), "option", {}
    if session is None:
        raise UsageError(f'{source}: downbeat "auto" needs a session; give one with --session')
    beats = clock.beats_at_seconds(notes["onset_s"])
    found = find_downbeat(beats, notes["pitch"], expand(session))
    if found is None:
        raise UsageError(_too_few(source, len(notes)))
    remarks.append(_found_words(found))
    return found.origin_beats, "auto", {"downbeat": found.to_dict()}


def _too_few(source: str, n_notes: int) -> str:
    return (
        f'{source}: downbeat "auto" found {n_notes} note{"s" * (n_notes != 1)}; expected at least {MIN_NOTES}; '
        "give the downbeat in seconds"
    )


def _found_words(found: Downbeat) -> str:
    """Where the notes say the take begins, and how sure that is."""
    text = (
        f"by its notes the take begins in bar {found.bar}, on beat {found.beat:g} ({_percent(found.sureness)} % sure)"
    )
    if found.sureness >= UNSURE or found.next_best is None:
        return text
    bar, beat, share = found.next_best
    other = f"or in bar {bar}, on beat {beat:g} ({_percent(share)} %)"
    return f"{text}, {other}; if the bars do not fit, give the downbeat in seconds"


def _percent(share: float) -> str:
    """A share in whole per cent; what is not certain is not called 100."""
    return str(min(round(100.0 * share), 99))


def _facts(midi: MidiFile, clock: FileClock, choice: Choice, origin_beats: float) -> dict[str, Any]:
    """What the file says of itself, as plain data; the maps are bounded to their first hundred entries."""
    meter_beats = clock.beats_at(midi.meters[:100, 0]) - origin_beats
    key_beats = clock.beats_at(midi.keys[:100, 0]) - origin_beats
    return {
        "format": midi.format,
        "ppq": midi.ppq,
        "ticks_per_s": midi.ticks_per_s,
        "track": {"number": choice.track.number, "name": choice.track.name[:200]},
        "n_tempos": len(midi.tempos),
        "starts_at_beats": -origin_beats,
        "meters": [
            [float(beat), int(top), int(bottom)]
            for beat, (_, top, bottom) in zip(meter_beats.tolist(), midi.meters[:100].tolist(), strict=True)
        ],
        "keys": [
            [float(beat), _key_name(int(sharps), bool(minor))]
            for beat, (_, sharps, minor) in zip(key_beats.tolist(), midi.keys[:100].tolist(), strict=True)
        ],
    }


_MAJOR_BY_SHARPS = ("Cb", "Gb", "Db", "Ab", "Eb", "Bb", "F", "C", "G", "D", "A", "E", "B", "F#", "C#")
_MINOR_BY_SHARPS = ("Ab", "Eb", "Bb", "F", "C", "G", "D", "A", "E", "B", "F#", "C#", "G#", "D#", "A#")


def _key_name(sharps: int, minor: bool) -> str:
    return _MINOR_BY_SHARPS[sharps + 7] + "m" if minor else _MAJOR_BY_SHARPS[sharps + 7]
