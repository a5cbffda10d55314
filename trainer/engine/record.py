"""The record of a running session, and the take that is made from it.

Everything that a take needs is kept as a `Journal`, in memory and on disk at once: the disk's copy survives whatever
happens to the program, the memory's whatever happens to the disk. The take is made from a journal by `take_from`, in
the same way when a session ends as it should and when a lost one is finished later.
"""

from __future__ import annotations

import contextlib
import dataclasses
import datetime
import os
import queue
import shutil
import stat
import tempfile
import threading
import uuid
from array import array
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from trainer._version import __version__
from trainer.band import BandScore, arrange
from trainer.clock.fit import SongMap
from trainer.clock.tempo import TempoMap
from trainer.errors import ODD_DATA, TrainerError
from trainer.profiles import PROFILES
from trainer.session import Chart, Session, expand, session_from_dict
from trainer.take.bent import moving_bends
from trainer.take.journal import JOURNAL_SUFFIX, Journal, JournalMark, JournalMessage, JournalWriter, recover
from trainer.take.model import Gap, Take, TakeHeader, calibration_from, within_a_song
from trainer.take.notes import FLAG_DEAD, Notes, empty_notes, flag_near_gaps, sorted_notes
from trainer.take.placing import DEAD_CHANNEL, end_with_the_song, placed_in_song
from trainer.take.recorder import Recorder
from trainer.take.store import SavedTake, save_take, takes_dir

__all__ = [
    "Record",
    "band_notes",
    "bring_recording",
    "finish_journal",
    "finish_lost",
    "has_sound",
    "journal_dirs",
    "recording_path",
    "take_from",
]


def journal_dirs(takes: str | Path | None) -> list[Path]:
    """Where journals may lie: beside the takes, beside the user's own takes, in the folder for temporary files."""
    folders = [takes_dir(takes) / "unfinished"]
    with contextlib.suppress(OSError, RuntimeError):
        folders.append(takes_dir() / "unfinished")
    folders.append(_shared_folder())
    return list(dict.fromkeys(folders))


def _shared_folder() -> Path:
    """In the folder for temporary files, where others of the machine may put things too."""
    return Path(tempfile.gettempdir()) / "shuffle-partner-unfinished"


def _is_trusted(folder: Path) -> bool:
    """Whether nobody else can have put a journal there: in the shared folder, a folder of our own, no link, that only
    we may write to. Elsewhere it is the person's own business.
    """
    user = getattr(os, "geteuid", None)  # on Windows that folder is each person's own
    if folder != _shared_folder() or user is None:
        return True
    try:
        status = os.lstat(folder)
    except OSError:
        return False
    return stat.S_ISDIR(status.st_mode) and status.st_uid == user() and not status.st_mode & 0o022


class _Messages:
    """The player's messages, 32 bytes each, so that a night of them is a megabyte or two."""

    __slots__ = ("_arrival_ns", "_driver_s", "_host_ns", "_packed", "_port_idx")

    def __init__(self) -> None:
        self._host_ns = array("q")
        self._arrival_ns = array("q")
        self._driver_s = array("d")
        self._port_idx = array("H")
        self._packed = array("L")  # the bytes (three at most), and above them how many

    def __len__(self) -> int:
        return len(self._host_ns)

    def append(self, host_ns: int, arrival_ns: int, driver_s: float, port_idx: int, data: bytes) -> None:
        self._host_ns.append(host_ns)
        self._arrival_ns.append(arrival_ns)
        self._driver_s.append(driver_s)
        self._port_idx.append(min(port_idx, 65_535))
        self._packed.append(len(data) << 24 | int.from_bytes(data))

    def host_ns(self, seq: int) -> int:
        return self._host_ns[seq]

    def __getitem__(self, seq: int) -> JournalMessage:
        packed = self._packed[seq]
        data = (packed & 0xFFFFFF).to_bytes(packed >> 24)
        return JournalMessage(
            seq, self._host_ns[seq], self._arrival_ns[seq], self._driver_s[seq], self._port_idx[seq], data
        )

    def all(self) -> tuple[JournalMessage, ...]:
        return tuple(self[seq] for seq in range(len(self)))


class Record:
    """Keeps what happens. Every method costs a few microseconds and never waits; a thread of its own writes the disk.

    `takes` None keeps nothing on disk (offline runs and rehearsals).
    """

    def __init__(self, header: Mapping[str, Any], takes: str | Path | None, *, on_disk: bool = True) -> None:
        self.take_id = uuid.uuid4().hex
        self.header: dict[str, Any] = {
            "take_id": self.take_id,
            "takes": str(Path(takes).expanduser().absolute()) if takes else "",
            **header,
        }
        self.messages = _Messages()
        self.points: list[tuple[int, float, float]] = []
        self.marks: list[JournalMark] = []
        self.ended = False
        self.end_ns = 0
        self.path: Path | None = None
        self.trouble: str | None = None
        self.n_unwritten = 0  # records that the disk would not take, known after `close`
        self._writer: JournalWriter | None = None
        self._queue: queue.SimpleQueue[tuple[str, tuple[Any, ...], dict[str, Any]] | None] = queue.SimpleQueue()
        if on_disk:
            self._open(takes)

    def _open(self, takes: str | Path | None) -> None:
        stamp = datetime.datetime.now().strftime("%Y-%m-%d-%H-%M-%S")
        for folder in journal_dirs(takes):
            path = folder / f"{stamp}-{self.take_id[:8]}{JOURNAL_SUFFIX}"
            if folder == _shared_folder():
                with contextlib.suppress(OSError):
                    folder.mkdir(mode=0o700)
                if not _is_trusted(folder):
                    continue
            try:
                self._writer = JournalWriter(path, self.header)
            except (TrainerError, OSError) as error:
                self.trouble = self.trouble or f"{error}"
                continue
            self.path = path
            break
        else:
            return
        self._thread = threading.Thread(target=self._write, name="journal", daemon=True)
        self._thread.start()

    def _write(self) -> None:
        writer = self._writer
        while writer is not None and (item := self._queue.get()) is not None:
            verb, args, kwargs = item
            getattr(writer, verb)(*args, **kwargs)

    def _put(self, verb: str, /, *args: Any, **kwargs: Any) -> None:
        if self._writer is not None:
            self._queue.put((verb, args, kwargs))

    @property
    def disk_fault(self) -> str | None:
        """Why the disk takes nothing at present, or None."""
        return self._writer.fault if self._writer is not None else None

    def message(self, host_ns: int, data: bytes, arrival_ns: int, driver_s: float, port_idx: int) -> int:
        seq = len(self.messages)
        self.messages.append(host_ns, arrival_ns, driver_s, port_idx, data)
        self._put("message", host_ns, data, arrival_ns=arrival_ns, driver_s=driver_s, port_idx=port_idx)
        return seq

    def map(self, host_ns: int, song_s: float, rate: float) -> None:
        self.points.append((host_ns, song_s, rate))
        self._put("map", host_ns, song_s, rate)

    def mark(self, kind: str, host_ns: int, **details: Any) -> None:
        self.marks.append(JournalMark(kind, host_ns, details))
        self._put("mark", kind, host_ns, **details)

    def end(self, host_ns: int, **details: Any) -> None:
        self.ended = True
        self.end_ns = host_ns
        self.marks.append(JournalMark("end", host_ns, details))
        self._put("mark", "end", host_ns, **details)
        self._put("end", host_ns, **details)

    def journal(self) -> Journal:
        """All of it, as it would be read back from the disk."""
        newest_ns = self.messages.host_ns(len(self.messages) - 1) if len(self.messages) else 0
        last_ns = max([self.end_ns, newest_ns, *(m.host_ns for m in self.marks[-1:])])
        return Journal(
            path=self.path or Path(),
            header=self.header,
            messages=self.messages.all(),
            song_map=SongMap(self.points),
            marks=tuple(self.marks),
            ended=self.ended,
            end_ns=last_ns,
        )

    def close(self, *, remove: bool) -> None:
        """Write what waits; `remove` the journal when the take is safe."""
        if self._writer is None:
            return
        self._queue.put(None)
        self._thread.join(timeout=10.0)
        self._writer.close(remove=remove)
        self.n_unwritten = self._writer.n_waiting
        self._writer = None


# --- from a journal to a take ---------------------------------------------------------------------------------------


def band_notes(score: BandScore, tempo: TempoMap) -> Notes:
    """The band's events as a note table: intended times."""
    out = empty_notes(len(score.events))
    out["onset_s"] = score.onsets_s(tempo)
    out["duration_s"] = score.durations_s(tempo)
    for name in ("pitch", "velocity", "channel"):
        out[name] = score.events[name]
    return sorted_notes(out)


def take_from(journal: Journal, *, band: BandScore | None = None, session: Session | None = None) -> Take:
    """The take that a journal holds. `band`, `session`: what is known already (else read and arranged again).

    Notes played into a pause, a lead-in count or before the start are left out; those that a later pass took the place
    of are kept in the header as plain rows.
    """
    journal = _with_hindsight(journal)
    head = journal.header
    session = session or session_from_dict(dict(head.get("session") or {}), "journal")
    chart = expand(session)
    tempo = TempoMap(chart.tempo_segments)
    levels = _levels(journal, chart)
    if band is None or levels is not None:
        line = head.get("guide_line")
        band = arrange(chart, guide=head.get("guide"), guide_line=line, intensity=levels)
    notes, aside, bends = _played(journal)
    semitones = float(head.get("transpose_semitones") or 0.0)
    notes["pitch"] += semitones
    aside["pitch"] += semitones
    within_a_song(notes, tempo, "journal")
    end = next((mark for mark in reversed(journal.marks) if mark.kind == "end"), None)
    facts: dict[str, Any] = {} if end is None else dict(end.details)
    table = band_notes(band, tempo)
    if not facts.get("completed", False):
        reached_s = max([_reached_s(journal, end), *notes["onset_s"][-1:].tolist()])
        table = table[table["onset_s"] <= reached_s]
    gaps = tuple(sorted((Gap(*gap) for gap in journal.gaps_s()), key=lambda gap: gap.start_s))
    flag_near_gaps(notes, ((gap.start_s, gap.end_s) for gap in gaps))
    header = _header(journal, facts, gaps, {**_extra(journal, facts, levels, aside), **bends})
    return Take(notes=notes, tempo=tempo, session=session, band=table, header=header)


def _header(journal: Journal, facts: Mapping[str, Any], gaps: tuple[Gap, ...], extra: dict[str, Any]) -> TakeHeader:
    """Of the journal's own header, which may hold anything, and of its end (`facts`)."""
    head = journal.header
    recording, calibration = _recording(journal), head.get("calibration")
    clock_map = {"song_map": journal.song_map.to_rows(), **(facts.get("clock_map") or {})}
    return TakeHeader(
        profile=next((name for name in PROFILES if name == head.get("profile")), "pad"),
        created=str(head.get("created", "")),
        scorer=__version__,
        calibration=None if calibration is None else calibration_from(calibration, "journal: calibration"),
        gaps=gaps,
        hardware=dict(head.get("devices") or {}),
        clock_map=clock_map if recording is None else {**clock_map, "recording": recording},
        lateness=dict(facts.get("lateness") or {}),
        velocity_floor=int(head.get("velocity_floor") or 0),
        completed=bool(facts.get("completed", False)),
        extra=extra,
    )


def _extra(
    journal: Journal, facts: Mapping[str, Any], levels: NDArray[np.float64] | None, aside: Notes
) -> dict[str, Any]:
    """What else a take's header says: of the journal's header, of its end (`facts`), and of what was set aside."""
    head = journal.header
    columns = ("onset_s", "duration_s", "pitch", "velocity")
    rows = {
        "transpose_semitones": float(head.get("transpose_semitones") or 0.0),
        "guide": head.get("guide"),
        "intensities": None if levels is None else [round(float(level), 4) for level in levels],
        "set_aside": [[round(float(row[name]), 6) for name in columns] for row in aside],
        "journal_damaged_records": journal.n_damaged,
    }
    known = ("input", "typing_stamp_ms", "unrendered_blocks", "scheduling", "marked", "display")
    return {
        **(head.get("extra") or {}),
        "take_id": journal.take_id,
        "monitor": bool(head.get("monitor")),
        **{name: value for name, value in rows.items() if value},
        **{name: facts[name] for name in known if name in facts},
    }


def _levels(journal: Journal, chart: Chart) -> NDArray[np.float64] | None:
    """The intensity that the band played each bar at, where it listened: by plan until it had heard something."""
    if not chart.session.listen:
        return None
    levels = np.array([bar.intensity for bar in chart.bars], dtype=np.float64)
    for mark in journal.marks:
        idx = mark.details.get("bar_idx") if mark.kind == "level" else None
        if isinstance(idx, int) and 0 <= idx < levels.size:
            levels[idx] = float(mark.details.get("intensity", levels[idx]))
    return levels


def _with_hindsight(journal: Journal) -> Journal:
    """The journal with the song's way as it was known at the end, where it was."""
    mark = next((mark for mark in reversed(journal.marks) if mark.kind == "song_map"), None)
    if mark is None:  # cut off: what was seen while playing must do
        seen = tuple(dataclasses.replace(m, kind="xrun") if m.kind == "stood_still" else m for m in journal.marks)
        return dataclasses.replace(journal, marks=seen)
    points = [(int(row[0]), float(row[1]), float(row[2])) for row in mark.details.get("rows", [])]
    return dataclasses.replace(journal, song_map=SongMap(points)) if points else journal


def _reached_s(journal: Journal, end: JournalMark | None) -> float:
    if end is not None and "song_s" in end.details:
        return float(end.details["song_s"])
    return float(journal.song_map.seconds_at(journal.end_ns)) if len(journal.song_map) else -np.inf


def _played(journal: Journal) -> tuple[Notes, Notes, dict[str, list[list[float]]]]:
    """The player's notes that count, and those that a later pass replaced, in seconds of the take; and, by the
    name that a header has for them, the bends that move the former."""
    song = journal.song_map
    if not len(song):
        return empty_notes(), empty_notes(), {}
    undone = {int(mark.details["seq"]) for mark in journal.marks if mark.kind == "undo" and "seq" in mark.details}
    if undone:
        kept = tuple(message for message in journal.messages if message.seq not in undone)
        journal = dataclasses.replace(journal, messages=kept)
    zero_ns = int(song.host_ns[0])

    def since_start(host_ns: NDArray[np.int64]) -> NDArray[np.float64]:
        seconds: NDArray[np.float64] = np.asarray((host_ns - zero_ns) * 1e-9, dtype=np.float64)
        return seconds

    recorder = journal.recorder()
    notes = recorder.note_table(since_start, journal.end_ns or None)
    if not len(notes):
        return notes, empty_notes(), {}
    host_ns = zero_ns + np.round(notes["onset_s"] * 1e9).astype(np.int64)
    onset_s, stays, aside = placed_in_song(host_ns, song, _passes(journal))
    end_with_the_song(notes, host_ns, song)
    moved: dict[str, list[list[float]]] = {}
    if journal.header.get("profile") == "sound":  # whose ear bends a note where it knows its pitch better
        notes["flags"][notes["channel"] == DEAD_CHANNEL] |= FLAG_DEAD
        notes["channel"] = 0
    else:
        moved = _moved_by(recorder, notes[stays], song)
    notes["onset_s"] = onset_s
    return sorted_notes(notes[stays]), sorted_notes(notes[aside]), moved


def _moved_by(recorder: Recorder, notes: Notes, song: SongMap) -> dict[str, list[list[float]]]:
    """The bends that move these notes, in seconds of the take; the notes are in seconds since its map begins."""
    zero_ns = int(song.host_ns[0])
    sent = [((ns - zero_ns) * 1e-9, channel, semitones) for ns, channel, semitones in recorder.bends()]
    bends = moving_bends(notes, np.array(sent, dtype=np.float64).reshape(-1, 3))
    bends[:, 0] = song.seconds_at(zero_ns + np.round(bends[:, 0] * 1e9).astype(np.int64))
    return {"bends": bends.round(6).tolist()} if len(bends) else {}


def _passes(journal: Journal) -> list[tuple[int, float]]:
    return [(mark.host_ns, float(mark.details["from_s"])) for mark in journal.marks if mark.kind == "pass"]


# --- the recording of a bass ------------------------------------------------------------------------------------------


def recording_path(takes: str | Path | None) -> Path:
    """Where a bass's sound is kept while it is played: a new name beside the journals."""
    stamp = datetime.datetime.now().strftime("%Y-%m-%d-%H-%M-%S")
    return journal_dirs(takes)[0] / f"{stamp}-{uuid.uuid4().hex[:8]}.wav"


def _recording(journal: Journal) -> dict[str, Any] | None:
    """What places the recording's frames: the map's rows [frame, raw host ns, ns a frame], and the song's passes."""
    if not journal.header.get("recording"):
        return None
    known = next((mark for mark in reversed(journal.marks) if mark.kind == "bass_map"), None)
    rows = known.details.get("rows") if known is not None else None
    if not rows:  # cut off: what was seen while playing must do
        seen = [mark for mark in journal.marks if mark.kind == "bass_at"]
        rows = [[float(m.details["frame"]), m.host_ns, float(m.details["ns_per_frame"])] for m in seen]
    if not rows:
        return None
    facts = {name: known.details.get(name) for name in ("channel", "ears", "sounded")} if known is not None else {}
    return {"map": rows, "passes": [list(row) for row in _passes(journal)], **facts}


def has_sound(take: Take) -> bool:
    """Whether anything may be heard in the take's recording."""
    recording = take.header.clock_map.get("recording")
    return isinstance(recording, Mapping) and recording.get("sounded") is not False


def bring_recording(journal: Journal, take: Path | None) -> None:
    """Put the recording beside its take, or away where there is none. It stays where it is if it cannot be moved."""
    name = Path(str(journal.header.get("recording") or ""))
    if name.suffix != ".wav" or name.parent.name != journal.path.parent.name:
        return  # none, or no recording of ours: it is another's to move or take away
    with contextlib.suppress(OSError):
        if take is None:
            name.unlink()
        else:
            shutil.move(name, take.with_suffix(".wav"))


# --- saving, once -----------------------------------------------------------------------------------------------------


def _already_saved(take_id: str, folders: list[Path]) -> Path | None:
    """The take of that id, if it is in one of the folders."""
    wanted = f'"take_id":"{take_id}"'.encode()
    for folder in folders:
        with contextlib.suppress(OSError):
            for file in folder.glob("*.json"):
                with contextlib.suppress(OSError):
                    if wanted in file.read_bytes().replace(b'": "', b'":"') and file.with_suffix(".mid").exists():
                        return file.with_suffix(".mid")
    return None


def finish_lost(takes: str | Path | None) -> list[SavedTake]:
    """Finish every take whose session was cut off, oldest first; a journal goes once its take is safe.

    A journal in which nothing was played is removed. One whose take cannot be written stays where it is.
    """
    out: list[SavedTake] = []
    for folder in journal_dirs(takes):
        if not folder.is_dir() or not _is_trusted(folder):
            continue
        for journal in recover(folder):
            saved = finish_journal(journal, takes)
            if saved is not None:
                out.append(saved)
    return out


def finish_journal(journal: Journal, takes: str | Path | None) -> SavedTake | None:
    """The take of one lost journal; None if nothing was played, or it was saved before."""
    said = journal.header.get("takes")
    folder = said if isinstance(said, str) and Path(said).is_absolute() else takes
    try:
        take = take_from(journal)
    except ODD_DATA:
        journal.close()  # it stays: a later version may read it, and it must not keep anyone from playing
        return None
    saved: SavedTake | None = None
    if len(take.notes) or has_sound(take):
        found = _already_saved(journal.take_id, [takes_dir(folder), takes_dir(takes)])
        if found is None:
            try:
                saved = save_take(take, folder)
            except ODD_DATA:
                journal.close()
                return None
            bring_recording(journal, saved.path)
    else:
        bring_recording(journal, None)
    journal.close(remove=True)
    return saved
