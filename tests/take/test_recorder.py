"""Bytes to notes. Expected values: MIDI 1.0 (running status, real-time bytes, RPN 0), RP-015 (reset of controllers).

Outside check: PyPI `mido`'s parser on the same bytes.
"""

from __future__ import annotations

from typing import Any

import mido
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trainer.take.messages import is_channel_message, is_whole
from trainer.take.notes import FLAG_CUT, FLAG_NO_RELEASE, NOTE_DTYPE
from trainer.take.recorder import ByteParser, Recorder

MS = 1_000_000


def seconds(ns: Any) -> Any:
    return np.asarray(ns) * 1e-9


def fed(*rows: tuple[float, str], **options: Any) -> Recorder:
    recorder = Recorder(**options)
    for at_ms, data in rows:
        recorder.feed(round(at_ms * MS), bytes.fromhex(data))
    return recorder


def rows_of(recorder: Recorder, end_ms: float | None = None) -> list[tuple[float, float, float, int, int, int]]:
    table = recorder.note_table(seconds, None if end_ms is None else round(end_ms * MS))
    return [
        (
            round(r["onset_s"] * 1e3, 6),
            round(r["duration_s"] * 1e3, 6),
            *(float(r["pitch"]), *(int(x) for x in list(r)[3:])),
        )
        for r in table
    ]


def test_nothing_fed_gives_an_empty_table() -> None:
    table = Recorder().note_table(seconds)
    assert table.dtype == NOTE_DTYPE and len(table) == 0
    assert Recorder().poll() == []


def test_note_on_and_off_by_either_message() -> None:
    recorder = fed((10, "902864"), (200, "802840"), (300, "912d50"), (450, "912d00"))
    assert rows_of(recorder) == [(10, 190, 40, 100, 0, 0), (300, 150, 45, 80, 1, 0)]
    assert [(e.kind, e.note_idx, e.number, e.velocity) for e in recorder.poll()] == [
        ("on", 0, 40, 100),
        ("off", 0, 40, 0),
        ("on", 1, 45, 80),
        ("off", 1, 45, 0),
    ]
    assert recorder.poll() == []


def test_running_status_with_real_time_bytes_inside_messages() -> None:
    recorder = fed((0, "90 28 f8 64 2d fe 50 28 00 f8 2d 00"))
    assert [(r[2], r[3]) for r in rows_of(recorder)] == [(40, 100), (45, 80)]
    assert recorder.stats.n_realtime == 3
    assert [e.kind for e in recorder.poll()] == ["on", "on", "off", "off"]


def test_sysex_floods_clock_and_active_sensing_leave_no_mark() -> None:
    quiet = fed((0, "902864"), (100, "802800"))
    noisy = Recorder()
    noisy.feed(0, bytes.fromhex("f8fe902864"))
    for i in range(2_000):
        noisy.feed(i * 1_000, b"\xf8" * 24 + b"\xfe" + b"\xf0" + bytes(range(128)) * 4 + b"\xf7")
    noisy.feed(100 * MS, bytes.fromhex("802800"))
    assert np.array_equal(quiet.note_table(seconds), noisy.note_table(seconds))
    assert (noisy.stats.n_sysex, noisy.stats.n_dropped_bytes) == (2_000, 0)


def test_unfinished_sysex_ends_at_the_next_status() -> None:
    assert ByteParser().feed(bytes.fromhex("f0 01 02 90 28 64")) == [b"\x90\x28\x64"]


def test_system_common_cancels_running_status() -> None:
    parser = ByteParser()
    assert parser.feed(bytes.fromhex("90 28 64 f2 01 02 28 64")) == [b"\x90\x28\x64", b"\xf2\x01\x02"]
    assert parser.n_dropped == 2


def test_overlapping_notes_of_one_pitch_first_in_first_out_per_channel() -> None:
    recorder = fed((0, "902864"), (50, "902850"), (60, "912840"), (100, "802800"), (180, "802800"), (190, "812800"))
    assert rows_of(recorder) == [(0, 100, 40, 100, 0, 0), (50, 130, 40, 80, 0, 0), (60, 130, 40, 64, 1, 0)]
    assert recorder.stats.n_overlaps == 1


def test_stray_off_is_counted() -> None:
    recorder = fed((0, "802800"), (1, "902800"))
    assert recorder.n_notes == 0 and recorder.stats.n_stray_offs == 2


def test_notes_left_sounding_are_cut_at_the_next_or_at_the_end() -> None:
    recorder = fed((0, "902864"), (100, "902864"), (150, "902d64"))
    assert rows_of(recorder, 500) == [
        (0, 100, 40, 100, 0, FLAG_CUT),
        (100, 400, 40, 100, 0, FLAG_CUT),
        (150, 350, 45, 100, 0, FLAG_CUT),
    ]


def test_release_all_cuts_and_reports() -> None:
    recorder = fed((0, "902864"), (10, "922d64"))
    recorder.poll()
    recorder.release_all(40 * MS)
    assert [(e.kind, e.number, e.host_ns) for e in recorder.poll()] == [("off", 40, 40 * MS), ("off", 45, 40 * MS)]
    assert rows_of(recorder, 900) == [(0, 40, 40, 100, 0, FLAG_CUT), (10, 30, 45, 100, 2, FLAG_CUT)]


@pytest.mark.parametrize("message", ["b07800", "b07b00", "b07c00", "b07d00", "b07e01", "b07f00"])
def test_channel_mode_messages_end_their_channels_notes(message: str) -> None:
    recorder = fed((0, "902864"), (0, "912864"), (70, message))
    assert rows_of(recorder, 200) == [(0, 70, 40, 100, 0, 0), (0, 200, 40, 100, 1, FLAG_CUT)]


def test_input_without_releases_runs_to_the_next_note() -> None:
    recorder = fed((0, "902864"), (100, "902864"), (250, "902d64"), releases=False)
    flags = FLAG_NO_RELEASE
    assert rows_of(recorder, 400) == [
        (0, 100, 40, 100, 0, flags),
        (100, 150, 40, 100, 0, flags),
        (250, 150, 45, 100, 0, flags | FLAG_CUT),
    ]


# Bend: 14 bits, LSB first. Full down 0, centre 8192, even steps: 16383 is one short of full up.
FULL_UP = 8191 / 8192


@pytest.mark.parametrize(
    ("setup", "bend", "semitones"),
    [
        ("", "e00000", -2.0),
        ("", "e00040", 0.0),
        ("", "e07f7f", 2.0 * FULL_UP),
        ("", "e00060", 1.0),
        ("b06500 b06400 b0060c", "e00020", -6.0),  # RPN 0: 12 semitones
        ("b06500 b06400 b00600 b02632", "e07f7f", 0.5 * FULL_UP),  # 0 semitones 50 cents
        (
            "b06500 b06400 b0060c b0657f b0647f b00618",
            "e00000",
            -12.0,
        ),  # null RPN: the second entry is not for the range
        ("b06500 b06401 b00618", "e00000", -2.0),  # RPN 1 is fine tuning
        ("b06500 b06400 b06300 b06200 b00618", "e00000", -2.0),  # an NRPN was addressed since
        ("b16500 b16400 b1060c", "e00000", -2.0),  # another channel's range
    ],
)
def test_bend_with_its_range(setup: str, bend: str, semitones: float) -> None:
    recorder = fed((0, setup.replace(" ", "")), (1, bend), (5, "902864"), (400, "802800"))
    assert rows_of(recorder)[0][2] == pytest.approx(40 + semitones, abs=1e-5)
    assert recorder.poll()[-2].pitch == pytest.approx(40 + semitones)


def test_range_set_after_the_bend_counts_at_once() -> None:
    recorder = fed((0, "e07f7f"), (1, "b06500b06400b0060c"), (5, "902864"), (400, "802800"))
    assert rows_of(recorder)[0][2] == pytest.approx(40.0 + 12.0 * FULL_UP)


def test_reset_of_controllers_centres_the_bend() -> None:
    assert rows_of(fed((0, "e00000"), (1, "b07900"), (5, "902864"), (400, "802800")))[0][2] == 40.0


def test_settled_pitch_passes_over_the_slide_and_the_vibrato() -> None:
    # Starts a whole tone flat, is on pitch after 80 ms, then a vibrato of ±0.2 semitones.
    slide = [
        (5 + i * 8, bytes((0xE0, *divmod(min(round(8192 + (-2 + i * 0.2) / 2 * 8192), 16383), 128)[::-1])).hex())
        for i in range(11)
    ]
    vibrato = [
        (90 + i * 10, bytes((0xE0, *divmod(round(8192 + 0.1 * 8192 * np.sin(i * 1.3)), 128)[::-1])).hex())
        for i in range(30)
    ]
    rows = [(0.0, "e00000"), (0.0, "902864"), *slide, *vibrato, (500.0, "802800")]
    assert rows_of(fed(*rows))[0][2] == pytest.approx(40.0, abs=0.2)


def test_a_note_shorter_than_its_settling_takes_the_bend_at_its_end() -> None:
    assert rows_of(fed((0, "902864"), (5, "e00060"), (20, "802800")))[0][2] == 41.0


def test_bends_are_per_channel_and_kept_in_order() -> None:
    recorder = fed((0, "e00060"), (1, "e10000"), (2, "902864"), (2, "912d64"), (300, "802800812d00"))
    assert [(r[2], r[4]) for r in rows_of(recorder)] == [(41.0, 0), (43.0, 1)]
    assert recorder.bends() == [(0, 0, 1.0), (1 * MS, 1, -2.0)]


def test_clock_bytes_are_kept_for_a_follower_when_asked() -> None:
    recorder = fed((1, "f8"), (2, "fa"), (3, "f20102"), keep_realtime=True)
    assert recorder.realtime is not None
    assert list(recorder.realtime) == [(MS, b"\xf8"), (2 * MS, b"\xfa"), (3 * MS, b"\xf2\x01\x02")]


def test_a_message_is_whole_or_it_is_none() -> None:
    """Lengths: MIDI 1.0, by its own parser of streams; every string up to three bytes, statuses with few data."""
    few = [0, 64, 127, 128, 0xF8]
    for status in range(256):
        for tail in [(), *((a,) for a in few), *((a, b) for a in few for b in few), (1, 2, 3)]:
            data = bytes((status, *tail))
            assert is_whole(data) == (ByteParser().feed(data) == [data] or data in (b"\xf4", b"\xf5")), data.hex()


def test_a_message_that_is_not_whole_is_left_out_and_counted() -> None:
    recorder = Recorder()
    for data in ("90", "9028", "902864ff", "2864", "", "f0417df7", "902880"):
        recorder.feed_message(0, bytes.fromhex(data))
    assert recorder.n_notes == 0 and recorder.stats.n_dropped_bytes == 16
    recorder.feed_message(0, bytes.fromhex("902864"))
    assert recorder.n_notes == 1


def test_what_a_take_keeps() -> None:
    kept = [bytes.fromhex(m) for m in ("902864", "802800", "b00740", "c021", "e00040")]
    left = [bytes.fromhex(m) for m in ("", "a02864", "d040", "f8", "f001f7")]
    assert all(map(is_channel_message, kept)) and not any(map(is_channel_message, left))


byte_streams = st.one_of(
    st.binary(max_size=300),
    st.lists(
        st.sampled_from(
            [
                0x80,
                0x90,
                0x91,
                0xB0,
                0xE0,
                0xC0,
                0xD0,
                0xF0,
                0xF7,
                0xF8,
                0xFE,
                0xFF,
                0xF2,
                0xF4,
                0x28,
                0x28,
                0,
                6,
                100,
                101,
                123,
            ]
        ),
        max_size=300,
    ).map(bytes),
)


@settings(max_examples=600, deadline=None)
@given(byte_streams, st.data())
def test_any_bytes_cut_anywhere_give_the_same_notes_and_no_exception(stream: bytes, data: st.DataObject) -> None:
    whole, pieces = Recorder(keep_realtime=True), Recorder()
    whole.feed(MS, stream)
    at = 0
    while at < len(stream):
        n = data.draw(st.integers(1, 40))
        pieces.feed(MS, stream[at : at + n])
        at += n
    table = whole.note_table(seconds)
    assert np.array_equal(table, pieces.note_table(seconds))
    assert np.all(table["duration_s"] >= 0.0) and np.all(np.isfinite(table["pitch"]))
    before = [e.kind for e in whole.poll()]
    assert before.count("on") == whole.n_notes == len(table)
    whole.release_all(2 * MS)
    assert [*before, *(e.kind for e in whole.poll())].count("off") == whole.n_notes


valid_messages = st.lists(
    st.one_of(
        st.builds(
            lambda c, n, v: mido.Message("note_on", channel=c, note=n, velocity=v),
            *[st.integers(0, m) for m in (15, 127, 127)],
        ),
        st.builds(
            lambda c, n, v: mido.Message("note_off", channel=c, note=n, velocity=v),
            *[st.integers(0, m) for m in (15, 127, 127)],
        ),
        st.builds(
            lambda c, p: mido.Message("pitchwheel", channel=c, pitch=p), st.integers(0, 15), st.integers(-8192, 8191)
        ),
        st.builds(
            lambda c, n, v: mido.Message("control_change", channel=c, control=n, value=v),
            *[st.integers(0, m) for m in (15, 127, 127)],
        ),
        st.builds(
            lambda c, p: mido.Message("program_change", channel=c, program=p), st.integers(0, 15), st.integers(0, 127)
        ),
        st.builds(lambda p: mido.Message("songpos", pos=p), st.integers(0, 16383)),
        st.sampled_from(
            [mido.Message("clock"), mido.Message("start"), mido.Message("active_sensing"), mido.Message("tune_request")]
        ),
        st.builds(lambda d: mido.Message("sysex", data=d), st.lists(st.integers(0, 127), max_size=12)),
    ),
    max_size=60,
)


@settings(max_examples=200, deadline=None)
@given(valid_messages)
def test_parser_agrees_with_another_library(messages: list[mido.Message]) -> None:
    stream = b"".join(bytes(m.bytes()) for m in messages)
    other = mido.Parser()
    other.feed(stream)
    theirs = [bytes(m.bytes()) for m in other if m.type != "sysex"]
    assert ByteParser().feed(stream) == theirs


def test_a_recorder_that_only_tells_keeps_nothing() -> None:
    keeps, tells = Recorder(), Recorder(keep_notes=False)
    for i in range(50):
        for recorder in (keeps, tells):
            recorder.feed_message(i * 1000, bytes((0x90, 40 + i % 3, 90)))
            recorder.feed_message(i * 1000 + 300, bytes((0xE0, 0, 60 + i % 8)))
            recorder.feed_message(i * 1000 + 500, bytes((0x80, 40 + i % 3, 0)))
    assert tells.poll() == keeps.poll()
    assert tells.n_notes == keeps.n_notes == 50
    with pytest.raises(RuntimeError, match="keeps no notes"):
        tells.note_table(lambda ns: ns * 1e-9)
