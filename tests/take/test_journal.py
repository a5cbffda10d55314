"""The journal: nothing written is lost, and nothing is finished twice."""

from __future__ import annotations

import errno
import os
import signal
import subprocess
import sys
import threading
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trainer.errors import FileFormatError, TrainerError, UsageError
from trainer.take.journal import Journal, JournalWriter, read_journal, recover
from trainer.take.notes import FLAG_CUT, FLAG_GLITCH, Notes, flag_near_gaps

S = 1_000_000_000
HEADER = {"session": {"key": "G", "tempo_bpm": 120.0}, "options": {"monitor": True}, "ports": {"midi_in": "pad"}}


def played(path: Path, n: int = 8, *, close: bool = True) -> JournalWriter:
    """A note every half second from song second 0, each 0.3 s long, arriving 2 ms late but for every fourth."""
    writer = JournalWriter(path, HEADER)
    writer.map(10 * S, -4.0, 1.0)
    for i in range(n):
        for at_s, data in ((4.0 + i * 0.5, bytes((0x90, 40 + i, 90))), (4.3 + i * 0.5, bytes((0x80, 40 + i, 0)))):
            sent_ns = 10 * S + round(at_s * S)
            arrival_ns = sent_ns + (0 if i % 4 == 0 else 2_000_000)
            writer.message(arrival_ns, data, arrival_ns=arrival_ns, driver_s=at_s)
    if close:
        writer.close()
    return writer


def notes_of(journal: Journal) -> Notes:
    """The notes in seconds of the song, pauses and all."""
    return journal.recorder().note_table(journal.song_map.seconds_at, journal.end_ns or None)


def test_what_was_written_is_read_back(tmp_path: Path) -> None:
    writer = played(tmp_path / "a.journal")
    journal = read_journal(writer.path)
    assert journal.take_id == writer.take_id and len(writer.take_id) == 32
    assert HEADER.items() <= journal.header.items()
    assert (journal.n_damaged, journal.ended, journal.saving) == (0, False, None)
    assert [m.seq for m in journal.messages] == list(range(16))
    notes = notes_of(journal)
    assert notes["onset_s"] == pytest.approx(np.arange(8) * 0.5, abs=0.0011)  # the driver's spacing, not the arrivals'
    assert notes["pitch"].tolist() == [40 + i for i in range(8)]
    assert notes["duration_s"] == pytest.approx(0.3, abs=0.0011)


def test_a_gap_over_which_the_song_was_put_back_covers_both_its_ends(tmp_path: Path) -> None:
    """A sound server that stood still takes its stream up again where it was: the host went on meanwhile."""
    writer = JournalWriter(tmp_path / "a.journal", HEADER)
    writer.map(0, 0.0, 1.0)
    writer.map(4 * S, 3.5, 1.0)
    writer.mark("xrun", round(3.8 * S), end_ns=round(4.2 * S))
    writer.end(8 * S, cause="stopped")
    writer.close()
    ((start_s, end_s, cause),) = read_journal(writer.path).gaps_s()
    assert (start_s, end_s, cause) == (pytest.approx(3.7), pytest.approx(3.8), "xrun")


def test_marks_gaps_and_the_end(tmp_path: Path) -> None:
    writer = JournalWriter(tmp_path / "a.journal", {**HEADER, "take_id": "given"})
    writer.map(0, 0.0, 1.0)
    writer.mark("xrun", 1 * S, n=1)
    writer.message(round(1.1 * S), b"\x90\x28\x64")
    writer.mark("port_lost", 2 * S, end_ns=5 * S, port="pad")
    writer.message(6 * S, b"\x90\x28\x64")
    writer.mark("lateness", 7 * S, p99_ms=float("nan"), worst=np.float64(1.5), where=Path("x"))
    writer.saving(tmp_path / "take.mid")
    writer.end(8 * S, cause="stopped")
    writer.close()
    writer.close()
    journal = read_journal(writer.path)
    assert journal.take_id == "given"
    assert journal.gaps_s() == [(1.0, 1.0, "xrun"), (2.0, 5.0, "port_lost")]
    assert (journal.ended, journal.end_ns, journal.saving) == (True, 8 * S, str(tmp_path / "take.mid"))
    assert dict(journal.marks[-1].details) == {"p99_ms": None, "worst": 1.5, "where": "x"}
    notes = notes_of(journal)
    flag_near_gaps(notes, (gap[:2] for gap in journal.gaps_s()))
    assert notes["flags"].tolist() == [FLAG_CUT | FLAG_GLITCH, FLAG_CUT]
    assert notes["duration_s"] == pytest.approx([0.9, 2.0])  # cut where the port was lost; at the end


def test_a_pause_stops_the_song(tmp_path: Path) -> None:
    writer = JournalWriter(tmp_path / "a.journal", HEADER)
    for ns, song_s, rate in ((0, 0.0, 1.0), (10 * S, 10.0, 0.0), (60 * S, 10.0, 1.0)):
        writer.map(ns, song_s, rate)
    for ns in (9 * S, 30 * S, 61 * S):
        writer.message(ns, b"\x90\x28\x64")
    writer.close()
    assert notes_of(read_journal(writer.path))["onset_s"].tolist() == [9.0, 10.0, 11.0]


def test_a_song_that_never_began_has_no_gaps(tmp_path: Path) -> None:
    writer = JournalWriter(tmp_path / "a.journal", HEADER)
    writer.message(5, b"\x90\x28\x64")
    writer.close()
    assert read_journal(writer.path).gaps_s() == []


def test_every_torn_end_keeps_all_whole_records(tmp_path: Path) -> None:
    writer = played(tmp_path / "a.journal")
    raw = writer.path.read_bytes()
    head_end = raw.index(b"\n") + 1
    torn = tmp_path / "torn.journal"
    for size in range(head_end, len(raw) + 1, 7):
        torn.write_bytes(raw[:size])
        journal = read_journal(torn)
        whole = raw[:size].count(b"\n")
        # a line whose newline alone is missing is whole as well
        assert 1 + len(journal.song_map) + len(journal.messages) in (whole, whole + 1)
        assert journal.n_damaged <= 1
    torn.write_bytes(raw[: head_end - 5])
    with pytest.raises(FileFormatError, match="no readable header"):
        read_journal(torn)


@settings(max_examples=150, deadline=None)
@given(st.integers(0, 10_000), st.binary(min_size=1, max_size=60))
def test_damage_in_the_middle_costs_only_the_lines_it_hits(
    tmp_path_factory: pytest.TempPathFactory, at: int, rubbish: bytes
) -> None:
    directory = tmp_path_factory.mktemp("journals")
    raw = played(directory / "a.journal").path.read_bytes()
    at %= len(raw)
    (directory / "b.journal").write_bytes(raw[:at] + rubbish + raw[at + len(rubbish) :])
    hit = raw[at : at + len(rubbish)].count(b"\n") + 1
    try:
        journal = read_journal(directory / "b.journal")
    except TrainerError:
        assert at < raw.index(b"\n") + 1
        return
    assert len(journal.messages) + len(journal.song_map) >= 17 - hit
    journal.recorder()


@settings(max_examples=300, deadline=None)
@given(st.one_of(st.binary(max_size=200), st.text(max_size=80).map(str.encode)))
def test_any_file_gives_a_journal_or_our_own_error(tmp_path_factory: pytest.TempPathFactory, content: bytes) -> None:
    file = tmp_path_factory.mktemp("any") / "x.journal"
    file.write_bytes(content)
    with pytest.raises(TrainerError):
        read_journal(file)
    assert recover(file.parent) == []


def test_a_well_formed_line_of_nonsense_is_passed_over(tmp_path: Path) -> None:
    from trainer.take.journal import _line

    writer = played(tmp_path / "a.journal", 2)
    nonsense = [
        ["msg", 1],
        ["msg", "x", 0, 0, 0, 0, "zz"],
        ["map", None, 1, 2],
        ["mark", "k", 1, 3],
        ["what"],
        ["saving"],
    ]
    with writer.path.open("ab") as file:
        for record in nonsense:
            file.write(_line(record))
    journal = read_journal(writer.path)
    assert len(journal.messages) == 4 and journal.n_damaged == 5
    other = tmp_path / "b.journal"
    other.write_bytes(_line(["head", {"format": 99}]))
    with pytest.raises(FileFormatError, match="journal format 99; this version reads format 1"):
        read_journal(other)


def test_missing_and_existing_files_are_named(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match=r"no journal .*none\.journal"):
        read_journal(tmp_path / "none.journal")
    played(tmp_path / "a.journal")
    with pytest.raises(UsageError, match="is there already; expected a new name"):
        JournalWriter(tmp_path / "a.journal", HEADER)
    (tmp_path / "file").write_text("")
    with pytest.raises(UsageError, match=r"cannot write the journal .*choose another folder with --takes"):
        JournalWriter(tmp_path / "file" / "a.journal", HEADER)


def test_recover_leaves_living_writers_alone_and_claims_the_rest(tmp_path: Path) -> None:
    living = played(tmp_path / "b.journal", close=False)
    played(tmp_path / "a.journal")
    (tmp_path / "c.journal").write_bytes(b"rubbish")
    (first,) = recover(tmp_path)
    assert first.path.name == "a.journal"
    assert recover(tmp_path) == []  # claimed: a second start finishes nothing twice
    first.close()
    (again,) = recover(tmp_path)
    again.close(remove=True)
    again.close()
    living.close()
    (second,) = recover(tmp_path)
    assert second.path.name == "b.journal" and len(notes_of(second)) == 8
    second.close(remove=True)
    assert sorted(file.name for file in tmp_path.iterdir()) == ["c.journal"]
    assert recover(tmp_path / "nowhere") == []


def test_a_finished_take_removes_its_journal_while_it_holds_the_lock(tmp_path: Path) -> None:
    writer = played(tmp_path / "a.journal", close=False)
    writer.close(remove=True)
    assert list(tmp_path.iterdir()) == []


_CHILD = """
import sys
from trainer.take.journal import JournalWriter
writer = JournalWriter(sys.argv[1], {"session": {"key": "E"}})
writer.map(0, 0.0, 1.0)
for i in range(10_000_000):
    writer.message(i * 1_000_000, bytes((0x90, i % 128, 1 + i % 127)))
    print(i, flush=True)
"""


def test_killed_at_random_moments_nothing_written_is_missing(tmp_path: Path) -> None:
    rng = np.random.default_rng(11)
    for k in range(8):
        path = tmp_path / f"{k}.journal"
        child = subprocess.Popen([sys.executable, "-c", _CHILD, str(path)], stdout=subprocess.PIPE)
        assert child.stdout is not None
        stop_after = int(rng.integers(1, 4_000))
        said = -1
        for line in child.stdout:
            said = int(line)
            if said >= stop_after:
                break
        child.send_signal(signal.SIGKILL if hasattr(signal, "SIGKILL") else signal.SIGTERM)
        rest = child.stdout.read().split(b"\n")
        child.stdout.close()
        child.wait()
        said = max([said, *(int(line) for line in rest[:-1] if line)])
        (journal,) = [j for j in recover(tmp_path) if j.path == path]
        assert [m.seq for m in journal.messages] == list(range(len(journal.messages)))
        assert len(journal.messages) >= said + 1
        assert len(notes_of(journal)) == len(journal.messages)
        journal.close(remove=True)


def test_a_full_disk_loses_nothing_once_there_is_room(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    writer = JournalWriter(tmp_path / "a.journal", HEADER)
    real_write, full = os.write, threading.Event()

    def write(fd: int, data: bytes) -> int:
        if fd == writer._fd and full.is_set():
            if len(data) > 30:  # the last bytes of the disk take a piece of it
                full_now = real_write(fd, data[:20])
                assert full_now == 20
                return full_now
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        return real_write(fd, data)

    monkeypatch.setattr(os, "write", write)
    writer.map(0, 0.0, 1.0)
    full.set()
    for i in range(5):
        writer.message(i * S, bytes((0x90, 40 + i, 90)))
        assert writer.fault is not None and "make room now" in writer.fault and "No space left" in writer.fault
    full.clear()
    writer.message(5 * S, b"\x90\x32\x5a")
    assert writer.fault is None
    writer.close()
    journal = read_journal(writer.path)
    assert [m.seq for m in journal.messages] == [0, 1, 2, 3, 4, 5]
    assert journal.n_damaged >= 1  # the torn pieces


def test_everything_is_synced_within_the_stated_time(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    synced = threading.Event()
    real_sync = os.fsync
    writer = JournalWriter(tmp_path / "a.journal", HEADER, sync_s=0.01)

    def sync(fd: int) -> None:
        real_sync(fd)
        if threading.current_thread().name == "journal sync":
            synced.set()

    monkeypatch.setattr(os, "fsync", sync)
    writer.message(1, b"\x90\x28\x64")
    assert synced.wait(10.0)
    writer.close()


def test_the_map_and_messages_survive_as_plain_journal_objects(tmp_path: Path) -> None:
    journal = read_journal(played(tmp_path / "a.journal").path)
    assert isinstance(journal, Journal)
    assert journal.song_map.to_rows() == [[10 * S, -4.0, 1.0]]
    assert journal.recorder().n_notes == len(journal.messages[::2])
