"""The MIDI file reader against files put together byte by byte from the standard (RP-001), and against `mido`."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

import mido
import numpy as np
import pytest

from trainer.errors import FileFormatError, UsageError
from trainer.session import Session, parse_session
from trainer.take import FLAG_CUT, midi_file, read_take
from trainer.take.midi_file import MAX_FILE_BYTES, parse_midi
from trainer.take.recorder import Recorder


def varlen(n: int) -> bytes:
    out = [n & 0x7F]
    while n := n >> 7:
        out.insert(0, n & 0x7F | 0x80)
    return bytes(out)


def chunk(*events: tuple[int, bytes], end: bool = True, name: str | None = None) -> bytes:
    """A track of (delta, bytes) events."""
    body = b"" if name is None else b"\x00\xff\x03" + varlen(len(name)) + name.encode()
    body += b"".join(varlen(delta) + data for delta, data in events) + (b"\x00\xff\x2f\x00" if end else b"")
    return b"MTrk" + len(body).to_bytes(4, "big") + body


def smf(*tracks: bytes, kind: int = 1, division: int = 480, n_tracks: int | None = None) -> bytes:
    head = b"MThd\x00\x00\x00\x06" + kind.to_bytes(2, "big")
    return head + (n_tracks or len(tracks)).to_bytes(2, "big") + division.to_bytes(2, "big") + b"".join(tracks)


def tempo(us: int) -> bytes:
    return b"\xff\x51\x03" + us.to_bytes(3, "big")


def meter(top: int, power: int) -> bytes:
    return bytes((0xFF, 0x58, 4, top, power, 24, 8))


def marker(text: str) -> bytes:
    return b"\xff\x06" + varlen(len(text)) + text.encode()


ON, OFF = b"\x90\x28\x50", b"\x80\x28\x40"


@pytest.fixture
def read(tmp_path: Path) -> Any:
    def run(data: bytes, **options: Any) -> Any:
        path = tmp_path / "song.mid"
        path.write_bytes(data)
        return read_take(path, **options)

    return run


def rows(take: Any) -> list[tuple[float, float, float, int]]:
    n = take.notes
    return [
        (round(float(r["onset_s"]), 9), round(float(r["duration_s"]), 9), float(r["pitch"]), int(r["velocity"]))
        for r in n
    ]


# --- divisions, running status, note-offs -------------------------------------------------------------------------


@pytest.mark.parametrize("kind", [0, 1])
def test_a_file_without_a_tempo_runs_at_120(read: Any, kind: int) -> None:
    take = read(smf(chunk((480, ON), (240, OFF)), kind=kind))
    assert rows(take) == [(0.5, 0.25, 40.0, 0x50)]
    assert take.header.foreign and take.header.downbeat_from == "start of file" and take.session is None
    assert float(take.tempo.beats_at(0.5)) == pytest.approx(1.0)


def test_running_status_with_velocity_0_offs(read: Any) -> None:
    take = read(smf(chunk((0, ON), (240, b"\x28\x00"), (240, b"\x2b\x40"), (120, b"\x2b\x00"))))
    assert rows(take) == [(0.0, 0.25, 40.0, 0x50), (0.5, 0.125, 43.0, 0x40)]


def test_running_status_goes_on_after_a_meta_event(read: Any) -> None:
    """RP-001 says that meta events cancel running status; files that rely on it all the same are read."""
    take = read(smf(chunk((0, ON), (240, b"\xff\x01\x02hi"), (0, b"\x28\x00"))))
    assert rows(take) == [(0.0, 0.25, 40.0, 0x50)]


@pytest.mark.parametrize(("frames", "per_s"), [(24, 24.0), (25, 25.0), (29, 30_000 / 1001), (30, 30.0)])
def test_smpte_divisions_are_seconds(read: Any, frames: int, per_s: float) -> None:
    division = (256 - frames) << 8 | 40
    take = read(smf(chunk((0, tempo(600_000)), (400, ON), (200, OFF)), division=division))
    assert take.notes["onset_s"][0] == pytest.approx(400 / (per_s * 40))
    assert take.notes["duration_s"][0] == pytest.approx(200 / (per_s * 40))
    # the tempo (100 a minute) is the beat axis, whatever the ticks mean
    assert float(take.tempo.beats_at(6.0)) == pytest.approx(10.0)


def test_smpte_without_a_tempo_takes_the_session_s(read: Any) -> None:
    division = (256 - 25) << 8 | 40
    take = read(smf(chunk((1000, ON), (200, OFF)), division=division), session=Session(tempo_bpm=90.0))
    assert take.notes["onset_s"][0] == pytest.approx(1.0)
    assert float(take.tempo.beats_at(1.0)) == pytest.approx(1.5)


def test_a_session_s_tempo_only_where_the_file_has_none(read: Any) -> None:
    session = Session(tempo_bpm=60.0)
    without = read(smf(chunk((480, ON), (240, OFF))), session=session)
    assert rows(without)[0][:2] == (1.0, 0.5)
    with_one = read(smf(chunk((0, tempo(500_000)), (480, ON), (240, OFF))), session=session)
    assert rows(with_one)[0][:2] == (0.5, 0.25)
    assert float(without.tempo.beats_at(1.0)) == float(with_one.tempo.beats_at(0.5)) == pytest.approx(1.0)


# --- maps ---------------------------------------------------------------------------------------------------------


def test_a_tempo_that_changes_every_beat_agrees_with_mido(read: Any, tmp_path: Path) -> None:
    """`mido.tick2second` summed event by event is the judge of every onset and length."""
    rng = np.random.default_rng(3)
    beat_us = rng.integers(300_000, 900_000, 200)
    conductor = chunk(*((480 if i else 0, tempo(int(us))) for i, us in enumerate(beat_us)))
    line = chunk(*((int(d), ON if i % 2 == 0 else OFF) for i, d in enumerate(rng.integers(1, 400, 400))), name="bass")
    take = read(smf(conductor, line))
    judge = mido.MidiFile(tmp_path / "song.mid")
    now, ons, offs = 0.0, [], []
    for message in judge:  # mido gives seconds since the message before
        now += message.time
        if message.type == "note_on":
            ons.append(now)
        elif message.type == "note_off":
            offs.append(now)
    assert np.allclose(take.notes["onset_s"], ons, atol=1e-9)
    assert np.allclose(take.notes["onset_s"] + take.notes["duration_s"], offs, atol=1e-9)
    # every tempo change is a beat: beat k begins where the first k beats' microseconds end
    assert np.allclose(take.tempo.seconds_at(np.arange(200)), np.concatenate(([0], np.cumsum(beat_us[:-1]))) * 1e-6)


def test_tempi_in_a_later_track_count_too(read: Any) -> None:
    take = read(smf(chunk((960, ON), (240, OFF), name="bass"), chunk((480, tempo(1_000_000)))))
    assert rows(take)[0][0] == pytest.approx(1.5)


def test_meters_of_quarters_leave_the_beats_alone_and_compound_ones_count_dotted(read: Any) -> None:
    """A bar of 12/8 has four beats (the beat that players count)."""
    plain = read(smf(chunk((0, meter(3, 2)), (1440, meter(5, 2)), (480, ON), (240, OFF), (0, meter(2, 1)), (960, ON))))
    assert np.allclose(plain.tempo.beats_at(plain.notes["onset_s"]), [4.0, 6.5])
    compound = read(smf(chunk((0, meter(4, 2)), (1920, meter(12, 3)), (720, ON), (240, OFF), (240, ON), (240, OFF))))
    assert np.allclose(compound.tempo.beats_at(compound.notes["onset_s"]), [5.0, 5.0 + 2 / 3])
    assert np.allclose(compound.notes["onset_s"], [2.75, 3.25])
    assert [row[1:] for row in compound.header.extra["midi"]["meters"]] == [[4, 4], [12, 8]]


def test_key_signatures_and_texts_are_kept() -> None:
    data = smf(
        chunk((0, b"\xff\x59\x02\xfe\x00"), (480, b"\xff\x59\x02\x03\x01"), (0, marker("chorus 2 solo")), (0, ON))
    )
    midi = parse_midi(data)
    assert midi.keys.tolist() == [[0, -2, 0], [480, 3, 1]]
    assert midi.markers == ((480, "chorus 2 solo"),)


# --- the first downbeat and the track -----------------------------------------------------------------------------


def test_marker_then_option_then_start(read: Any) -> None:
    song = chunk((0, ON), (480, OFF), (0, marker("Chorus 1 verse")), (480, ON), (480, OFF))
    take = read(smf(song), downbeat=0.25)
    assert take.header.downbeat_from == "marker"
    assert take.notes["onset_s"].tolist() == pytest.approx([-0.5, 0.5])
    assert take.header.extra["remarks"] == [
        "the file's Marker says where chorus 1 begins; the downbeat given was not used"
    ]
    bare = smf(chunk((0, ON), (480, OFF), (480, ON), (480, OFF)))
    take = read(bare, downbeat=0.25)
    assert take.header.downbeat_from == "option"
    assert take.notes["onset_s"].tolist() == pytest.approx([-0.25, 0.75])
    assert take.tempo.beats_at(take.notes["onset_s"]).tolist() == pytest.approx([-0.5, 1.5])
    assert read(bare, downbeat="0.25").notes["onset_s"].tolist() == pytest.approx([-0.25, 0.75])


@pytest.mark.parametrize("wrong", ["soon", float("nan"), float("inf"), "1e9"])
def test_impossible_downbeats(read: Any, wrong: Any) -> None:
    with pytest.raises(UsageError, match=r"downbeat: found .*; expected seconds"):
        read(smf(chunk((0, ON), (9, OFF))), downbeat=wrong)


def test_auto_needs_a_session(read: Any) -> None:
    with pytest.raises(UsageError, match=r'downbeat "auto" needs a session'):
        read(smf(chunk((0, ON), (9, OFF))), downbeat="auto")


def test_which_track(read: Any) -> None:
    one, two = chunk((0, ON), (9, OFF), name="lead"), chunk((0, b"\x90\x20\x50"), (9, b"\x80\x20\x40"), name="Bass")
    assert read(smf(one, two)).notes["pitch"].tolist() == [32.0]
    assert read(smf(one, two), track="lead").notes["pitch"].tolist() == [40.0]
    assert read(smf(chunk(), one)).notes["pitch"].tolist() == [40.0]
    other = chunk((0, b"\x90\x20\x50"), (9, b"\x80\x20\x40"), name="keys")
    with pytest.raises(
        UsageError, match=r'2 tracks could be the bass: 1 "lead" \(1 note\), 2 "keys" \(1 note\); choose'
    ):
        read(smf(one, other))
    assert read(smf(one, other), track=2).notes["pitch"].tolist() == [32.0]
    assert read(smf(one, other), track="2").notes["pitch"].tolist() == [32.0]
    with pytest.raises(UsageError, match=r'no track "leed".*did you mean "lead"'):
        read(smf(one, other), track="leed")
    with pytest.raises(UsageError, match=r'no track "7"'):
        read(smf(one, other), track=7)


def test_drums_are_not_the_bass(read: Any) -> None:
    drums = chunk((0, b"\x99\x24\x50"), (9, b"\x89\x24\x40"), name="drums")
    assert read(smf(drums, chunk((0, ON), (9, OFF)))).notes["pitch"].tolist() == [40.0]
    mixed = smf(chunk((0, ON), (0, b"\x99\x24\x50"), (9, b"\x89\x24\x40"), (9, OFF)), kind=0)
    assert read(mixed).notes["channel"].tolist() == [0]


def test_instruments_of_a_format_0_file_are_told_apart_by_their_programs(read: Any) -> None:
    """General MIDI 1: programs 33-40 are basses. Strings of one player have one program, or none."""

    def part(channel: int, note: int, program: int | None) -> list[tuple[int, bytes]]:
        set_to = [] if program is None else [(0, bytes((0xC0 | channel, program)))]
        return [*set_to, (0, bytes((0x90 | channel, note, 80))), (9, bytes((0x80 | channel, note, 0)))]

    organ, bass, drums, piano = part(0, 60, 16), part(1, 33, 33), part(9, 36, 0), part(2, 64, 0)
    take = read(smf(chunk(*organ, *bass, *drums), kind=0))
    assert take.notes["pitch"].tolist() == [33.0]
    strings = read(smf(chunk(*part(0, 28, None), *part(1, 33, None), *part(2, 38, None), *drums), kind=0))
    assert strings.notes["pitch"].tolist() == [28.0, 33.0, 38.0]
    line = r'channels 1 \(program 17\), 3 \(program 1\); choose one with --track "channel N"'
    with pytest.raises(UsageError, match=line):
        read(smf(chunk(*organ, *piano, *drums), kind=0))
    assert read(smf(chunk(*organ, *piano, *drums), kind=0), track="channel 3").notes["pitch"].tolist() == [64.0]
    with pytest.raises(UsageError, match="0 tracks have notes on channel 7"):
        read(smf(chunk(*organ), kind=0), track="channel 7")


# --- pairing ------------------------------------------------------------------------------------------------------


def test_overlapping_notes_of_one_pitch_first_in_first_out(read: Any) -> None:
    take = read(smf(chunk((0, ON), (480, b"\x90\x28\x40"), (480, OFF), (480, OFF))))
    assert rows(take) == [(0.0, 1.0, 40.0, 0x50), (0.5, 1.0, 40.0, 0x40)]


def test_note_offs_that_find_nothing_are_dropped(read: Any) -> None:
    take = read(smf(chunk((0, OFF), (0, OFF), (480, ON), (480, OFF), (0, OFF), (480, ON), (240, OFF))))
    assert rows(take) == [(0.5, 0.5, 40.0, 0x50), (1.5, 0.25, 40.0, 0x50)]


def test_a_missing_note_off_is_cut_at_the_end_or_at_all_notes_off(read: Any) -> None:
    take = read(smf(chunk((0, ON), (960, b"\xff\x01\x00"))))
    assert rows(take)[0][:2] == (0.0, 1.0)
    assert take.notes["flags"].tolist() == [FLAG_CUT]
    take = read(smf(chunk((0, ON), (480, b"\xb0\x7b\x00"), (480, b"\x90\x28\x50"), (240, OFF), (960, ON))))
    assert rows(take) == [(0.0, 0.5, 40.0, 0x50), (1.0, 0.25, 40.0, 0x50), (2.25, 0.0, 40.0, 0x50)]
    assert take.notes["flags"].tolist() == [FLAG_CUT, 0, FLAG_CUT]
    take = read(smf(chunk((0, ON), (480, b"\xb0\x7e\x01"), (480, ON), (240, OFF))))  # mono mode says it too
    assert rows(take) == [(0.0, 0.5, 40.0, 0x50), (1.0, 0.25, 40.0, 0x50)]


def slow_pairs(data: bytes) -> list[tuple[int, int, int, int]]:
    """First in, first out with plain queues over mido's messages: (on tick, off tick, channel, note)."""
    sounding: dict[tuple[int, int], list[int]] = {}
    out = []
    for track in mido.MidiFile(file=io.BytesIO(data)).tracks:
        tick = 0
        for message in track:
            tick += message.time
            if message.type not in ("note_on", "note_off"):
                continue
            key = (message.channel, message.note)
            if message.type == "note_on" and message.velocity:
                sounding.setdefault(key, []).append(tick)
            elif sounding.get(key):
                out.append((sounding[key].pop(0), tick, *key))
        out += [(on, tick, *key) for key, ons in sounding.items() for on in ons]
    return sorted(out)


@pytest.mark.parametrize("seed", range(20))
def test_dense_overlaps_pair_as_plain_queues_do(read: Any, seed: int) -> None:
    rng = np.random.default_rng(seed)
    events = []
    for _ in range(800):
        channel, note = rng.integers(0, 3), rng.integers(40, 44)
        status = int(rng.choice([0x80, 0x90])) | int(channel)
        events.append((int(rng.integers(0, 30)), bytes((status, int(note), int(rng.integers(0, 2)) * 64))))
    data = smf(chunk(*events))
    notes = read(data).notes
    ticks = np.round(np.column_stack((notes["onset_s"], notes["onset_s"] + notes["duration_s"])) * 960).astype(int)
    found = [
        (*pair, int(c), int(p)) for pair, c, p in zip(ticks.tolist(), notes["channel"], notes["pitch"], strict=True)
    ]
    assert sorted(found) == slow_pairs(data)


# --- bends --------------------------------------------------------------------------------------------------------


def bend(semitones: float, reach: float = 2.0, channel: int = 0) -> bytes:
    to = min(max(round(semitones / reach * 8192) + 8192, 0), 16383)
    return bytes((0xE0 | channel, to & 0x7F, to >> 7))


def reach(semitones: int, cents: int = 0, channel: int = 0) -> list[tuple[int, bytes]]:
    pairs = ((101, 0), (100, 0), (6, semitones), (38, cents), (101, 127), (100, 127))
    return [(0, bytes((0xB0 | channel, number, amount))) for number, amount in pairs]


def test_a_bend_counts_where_it_settles(read: Any) -> None:
    # at 120 bpm and 480 ticks: 96 ticks are 100 ms. A slide of two semitones within 20 ms is the goal's pitch.
    take = read(smf(chunk((0, bend(-2)), (0, ON), (10, bend(-1)), (9, bend(0)), (461, OFF), (0, ON), (480, OFF))))
    assert take.notes["pitch"].tolist() == [40.0, 40.0]
    take = read(smf(chunk((0, ON), (10, bend(1)), (470, OFF))))
    assert take.notes["pitch"][0] == pytest.approx(41.0, abs=1e-3)
    # vibrato of a third of a semitone, six cycles a second, around the note
    wobble = [(8, bend(0.33 * float(np.sin(i * 8 / 960 * 2 * np.pi * 6)))) for i in range(1, 60)]
    take = read(smf(chunk((0, ON), *wobble, (8, OFF))))
    assert take.notes["pitch"][0] == pytest.approx(40.0, abs=0.15)


def test_rpn_0_sets_the_range_and_controller_121_centres(read: Any) -> None:
    take = read(smf(chunk(*reach(12), (0, bend(7, 12)), (0, ON), (480, OFF))))
    assert take.notes["pitch"][0] == pytest.approx(47.0, abs=2e-3)
    take = read(smf(chunk(*reach(1, 50), (0, bend(1.5, 1.5)), (0, ON), (480, OFF))))
    assert take.notes["pitch"][0] == pytest.approx(41.5, abs=2e-3)
    # data entry for another parameter changes nothing
    other = [(0, bytes((0xB0, number, amount))) for number, amount in ((99, 0), (98, 0), (6, 24))]
    take = read(smf(chunk(*reach(12), *other, (0, bend(7, 12)), (0, ON), (480, OFF))))
    assert take.notes["pitch"][0] == pytest.approx(47.0, abs=2e-3)
    take = read(smf(chunk((0, bend(2)), (0, b"\xb0\x79\x00"), (0, ON), (480, OFF))))
    assert take.notes["pitch"][0] == 40.0


@pytest.mark.parametrize(
    ("controllers", "semitones"),
    [
        (((101, 0), (100, 0), (38, 50), (6, 2)), 2.0),  # the upper part coming in sets the lower one to 0 (MIDI 1.0)
        (((101, 0), (100, 0), (6, 2), (38, 50)), 2.5),
        (((38, 50), (101, 0), (100, 0), (6, 3)), 3.0),  # no parameter was addressed yet
        (((101, 0), (100, 0), (121, 0), (6, 12)), 2.0),
    ],
)
def test_a_file_and_the_live_input_read_a_bend_alike(
    read: Any, controllers: tuple[tuple[int, int], ...], semitones: float
) -> None:
    messages = [bytes((0xB0, *pair)) for pair in controllers] + [bytes((0xE0, 0x7F, 0x7F)), bytes(ON), bytes(OFF)]
    recorder = Recorder()
    for i, data in enumerate(messages):
        recorder.feed_message(i * 1_000_000, data)
    live = recorder.note_table(lambda host_ns: host_ns * 1e-9)["pitch"]
    filed = read(smf(chunk(*((0, data) for data in messages[:-1]), (480, messages[-1])))).notes["pitch"]
    assert live.tolist() == filed.tolist() == [pytest.approx(40.0 + semitones * 8191 / 8192, abs=1e-5)]


def test_each_string_has_its_own_channel_and_bend(read: Any) -> None:
    song = chunk(
        (0, bend(0.5, channel=0)), (0, ON), (0, b"\x91\x2d\x50"), (480, OFF), (0, b"\x81\x2d\x40"),
    )  # fmt: skip
    take = read(smf(song))
    assert take.notes["channel"].tolist() == [0, 1]
    assert take.notes["pitch"].tolist() == pytest.approx([40.5, 45.0], abs=1e-3)


# --- what is no song ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("data", "line"),
    [
        (b"", r"found an empty file; expected a Standard MIDI File"),
        (b"OggS" + bytes(40), r'begins with "OggS"; expected a Standard MIDI File'),
        (b"\x89\r\n\x1a" + bytes(40), "found a file of another kind; expected a Standard MIDI File"),
        (b"MThd\x00\x00\x00\x06\x00", r"expected a Standard MIDI File"),
        (smf(chunk((0, ON)), kind=2), r"format 2 \(independent patterns\); expected format 0 or 1"),
        (smf(chunk((0, ON)), kind=9), r"MIDI file format 9; expected 0 or 1"),
        (smf(chunk((0, ON)), division=0), r"0 ticks a quarter note in its header"),
        (smf(chunk((0, ON)), division=0xE700 | 0), r"0 ticks a frame\); expected"),
        (smf(chunk((0, ON)), division=0x8028), r"128 frames a second"),
        (smf(), r"no track in it"),
        (smf(chunk((0, b"\x28\x50"))), r"track 1, byte \d+: the data byte 0x28 with no status before it"),
        (smf(chunk((0, b"\x90\x28\x90"))), r"a status byte inside a message"),
        (smf(chunk((0, b"\xc0\x90"))), r"the byte 0x90 inside a message"),
        (smf(chunk((0, b"\xf4"))), r"the byte 0xf4; expected an event's status"),
        (smf(b"MTrk\x00\x00\x00\x05\xff\xff\xff\xff\xff"), r"a delta time of more than four bytes"),
        (smf(chunk((0, b"\xff\x01\xff\xff\xff\xff\x7f"))), r"a length of more than four bytes"),
        (smf(chunk((0, tempo(0)), (0, ON))), r"a tempo of 0 microseconds"),
        (smf(chunk()), r"no note in it; expected a track with the bass's notes"),
    ],
)  # fmt: skip
def test_one_clear_line(read: Any, data: bytes, line: str) -> None:
    with pytest.raises(FileFormatError, match=line) as caught:
        read(data)
    assert "\n" not in str(caught.value) and "song.mid" in str(caught.value)


def test_a_file_cut_short_is_read_up_to_the_cut(read: Any) -> None:
    whole = smf(chunk((0, ON), (480, OFF), (0, ON), (480, OFF)))
    take = read(whole[:-9])
    assert rows(take)[0][:2] == (0.0, 0.5)
    assert take.header.extra["remarks"] == ["track 1 is cut short; what came before the cut was read"]


def test_extra_chunks_longer_headers_and_wrappers(read: Any) -> None:
    track = chunk((0, ON), (480, OFF))
    head = b"MThd\x00\x00\x00\x08\x00\x01\x00\x02\x01\xe0\x00\x00"
    take = read(head + b"XFIH\x00\x00\x00\x03abc" + track)
    assert rows(take)[0][:2] == (0.0, 0.5)
    assert take.header.extra["remarks"] == ["its header promises 2 tracks, 1 were found"]
    inner = smf(track)
    riff = b"RIFF" + (len(inner) + 12).to_bytes(4, "little") + b"RMIDdata" + len(inner).to_bytes(4, "little") + inner
    assert rows(read(riff))[0][:2] == (0.0, 0.5)


def test_a_hundred_megabytes_are_refused_unread(tmp_path: Path) -> None:
    path = tmp_path / "huge.mid"
    with path.open("wb") as handle:
        handle.truncate(100_000_000)
    with pytest.raises(FileFormatError, match=r"huge\.mid: 100 MB; expected a MIDI file of at most 64 MB"):
        read_take(path)
    with pytest.raises(FileFormatError, match=r"at most 64 MB"):
        parse_midi(bytes(MAX_FILE_BYTES + 1))


def test_too_much_of_anything_is_refused(read: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(midi_file, "MAX_EVENTS", 99)
    monkeypatch.setattr(midi_file, "MAX_META_EVENTS", 50)
    assert len(read(smf(chunk(*[(1, ON), (1, OFF)] * 49))).notes) == 49
    with pytest.raises(FileFormatError, match=r"more than 99 MIDI messages; expected one song"):
        read(smf(chunk(*[(1, ON), (1, OFF)] * 50)))
    with pytest.raises(FileFormatError, match=r"more than 99 MIDI messages"):
        read(smf(*[chunk(*[(1, ON), (1, OFF)] * 25)] * 2))
    with pytest.raises(FileFormatError, match=r"more than 50 tempi, texts and other events"):
        read(smf(chunk((0, ON), *[(1, tempo(500_000))] * 60)))
    far = b"\xff\xff\xff\x7f\xb0\x01\x00" * 2100
    with pytest.raises(FileFormatError, match=r"tick .* expected a song's length|MIDI messages"):
        monkeypatch.setattr(midi_file, "MAX_EVENTS", 4_000)
        read(smf(b"MTrk" + len(far).to_bytes(4, "big") + far))


def test_a_song_of_days_is_refused(read: Any) -> None:
    far = chunk((0, ON), (480, OFF), (0x0FFFFFFF, ON), (480, OFF))
    with pytest.raises(FileFormatError, match=r"hours .* from the first downbeat"):
        read(smf(far, division=96))


def test_no_file_a_folder_and_no_right(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match=r"no file .*gone\.mid; expected a MIDI file"):
        read_take(tmp_path / "gone.mid")
    with pytest.raises(UsageError, match=r"a folder; expected a MIDI file"):
        read_take(tmp_path)
    with pytest.raises(UsageError, match=r"cannot read|not a regular file"):
        read_take("/dev/null" if Path("/dev/null").exists() else "nul\0")


def test_a_million_tempo_changes(read: Any) -> None:
    """A change on every tick of a million: read whole, and the times still agree with the plain sum."""
    n = 1_000_000
    body = b"".join((b"\x01\xff\x51\x03" + us.to_bytes(3, "big")) for us in (500_000, 400_000)) * (n // 2)
    body += b"\x00" + ON + b"\x60" + OFF + b"\x00\xff\x2f\x00"
    take = read(smf(b"MTrk" + len(body).to_bytes(4, "big") + body, division=480))
    # tick k lasts by the tempo set at tick k; before tick 1 the default
    assert take.notes["onset_s"][0] == pytest.approx((0.5 + (n // 2) * 0.5 + (n // 2 - 1) * 0.4) / 480, rel=1e-9)
    assert take.header.extra["midi"]["n_tempos"] == n


def test_the_session_beside_a_foreign_file(read: Any, tmp_path: Path) -> None:
    text = 'key = "A"\ntempo_bpm = 60\n'
    (tmp_path / "song.toml").write_text(text)
    data = smf(chunk((480, ON), (480, OFF)))
    take = read(data)
    assert take.session == parse_session(text) and take.notes["onset_s"][0] == pytest.approx(1.0)
    other = Session(tempo_bpm=120.0)
    assert read(data, session=other).session == other
    path = tmp_path / "other.toml"
    path.write_text('key = "C"\n')
    assert read(data, session=path).session.key.name == "C"


def test_musicxml_in_a_takes_place_is_sent_where_it_is_read() -> None:
    for name in ("solo.musicxml", "solo.XML", "solo.mxl"):
        with pytest.raises(FileFormatError, match=f"{name}: MusicXML, not a take; trainer study reads it"):
            parse_midi(b"<?xml version='1.0'?><score-partwise/>", name)
