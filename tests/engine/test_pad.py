"""The computer keyboard as a pad: the reading of keys alone, then `trainer play` on a pseudo-terminal."""

from __future__ import annotations

import os
import time
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.engine.on_a_terminal import on_terminal
from trainer.live.keys import (
    COMMANDS,
    PAD_KEYS,
    ROOT_KEY,
    Char,
    CharReader,
    Repeats,
    degree_pitches,
    root_pitch,
)
from trainer.music import parse_key
from trainer.session import default_session, expand
from trainer.take import FLAG_NO_RELEASE, read_take

MS = 1_000_000


def chars(*pieces: tuple[int, bytes]) -> str:
    reader = CharReader()
    return "".join(char.char for at_ms, data in pieces for char in reader.feed(at_ms * MS, data))


def test_playing_keys_and_command_keys_never_overlap() -> None:
    assert not set(PAD_KEYS + ROOT_KEY) & set(COMMANDS)
    assert len(set(PAD_KEYS)) == 10 and {key for key in COMMANDS if len(key) == 1} == set("prqent?[]123456mo-=")


@pytest.mark.parametrize(
    ("sequence", "name"),
    [
        (b"\x1b[A", "up"), (b"\x1bOB", "down"), (b"\x1b[C", "right"), (b"\x1b[D", "left"),
        (b"\x1b[5~", "page up"), (b"\x1b[6~", "page down"),
    ],
)  # fmt: skip
def test_what_page_turning_pedals_send_is_a_command_in_any_cut(sequence: bytes, name: str) -> None:
    """The sequences that ECMA-48 terminals send for arrows (CUU …) and xterm's for the page keys."""
    assert chars((0, sequence)) == name and name in COMMANDS
    assert chars(*[(i, bytes((byte,))) for i, byte in enumerate(sequence)], (60, b"s")) == f"{name}s"


@pytest.mark.parametrize(
    "sequence", [b"\x1b[1;5C", b"\x1b[2~", b"\x1bOP", b"\x1b[200~", b"\x1b]0;title\x07", b"\x1b[15~"]
)
def test_escape_sequences_are_no_keys_in_any_cut(sequence: bytes) -> None:
    assert chars((0, b"a" + sequence + b"s")) == "as"
    assert chars(*[(i, bytes((byte,))) for i, byte in enumerate(sequence)], (60, b"s")) == "s"


def test_the_escape_key_alone_takes_nothing_with_it_for_long() -> None:
    assert chars((0, b"\x1b"), (300, b"[")) == "["


def test_pasted_text_and_other_alphabets_are_no_keys() -> None:
    assert chars((0, b"asdfghjkl;asdf")) == ""
    assert chars((0, "é".encode()), (5, b"a")) == "a"


@given(st.lists(st.binary(max_size=12), max_size=20))
def test_no_bytes_can_hurt_the_reader(pieces: list[bytes]) -> None:
    reader = CharReader()
    for i, piece in enumerate(pieces):
        for char in reader.feed(i * 10 * MS, piece):
            assert char.char in COMMANDS or (len(char.char) == 1 and ord(char.char) < 128)


def judged(*at_ms: int) -> tuple[list[int], set[int]]:
    """Numbers of the strokes that stand, of one key read at these moments."""
    repeats = Repeats()
    kept, undone = [], set()
    for number, at in enumerate(at_ms):
        new, back = repeats.judge(Char(at * MS, "a"), number)
        if new:
            kept.append(number)
        if back is not None:
            undone.add(back)
    return [number for number in kept if number not in undone], undone


def test_a_held_key_is_one_note_and_struck_keys_are_all_there() -> None:
    # A terminal that repeats every 33 ms after half a second, and one that does so after a quarter.
    assert judged(0, 500, 533, 566, 600, 633)[0] == [0]
    assert judged(0, 250, 290, 330)[0] == [0]
    # Swung eighths on one key at 200 bpm: 200 and 100 ms.
    assert judged(0, 200, 300, 500, 600)[0] == [0, 1, 2, 3, 4]
    # A note, a pause, a note struck again: nothing is taken back.
    assert judged(0, 700)[0] == [0, 1]


def test_the_home_row_plays_the_degrees_of_the_key_and_space_the_root_of_the_chord() -> None:
    major = degree_pitches(parse_key("G"))
    assert [major[c] - major["a"] for c in PAD_KEYS] == [0, 2, 4, 5, 7, 9, 10, 12, 14, 16]
    assert major["a"] == 31  # G1, the third fret of the low string
    minor = degree_pitches(parse_key("Am"))
    assert [minor[c] - minor["a"] for c in PAD_KEYS] == [0, 2, 3, 5, 7, 8, 10, 12, 14, 15]
    chart = expand(default_session())  # G7 | C7 | …
    assert [root_pitch(chart, beats) for beats in (0.0, 3.5, 3.9, 4.0, 7.9)] == [31, 31, 36, 36, 31]


def test_the_pad_on_a_terminal_is_heard_and_recorded(tmp_path: Path) -> None:
    takes = tmp_path / "takes"
    env = {
        **os.environ,
        "JACK_DEFAULT_SERVER": "none-of-that-name",
        "JACK_NO_START_SERVER": "1",
        "TRAINER_LOG_DIR": str(tmp_path / "log"),
        "TRAINER_CONFIG_DIR": str(tmp_path / "config"),
        "XDG_DATA_HOME": str(tmp_path / "data"),
    }
    arguments = ["play", "--bpm", "240", "--loop", "1-4", "--choruses", "1", "--no-audio", "--takes", str(takes)]
    struck: list[float] = []
    with on_terminal(arguments, env) as run:
        run.wait_screen()
        time.sleep(0.8)
        for i in range(20):
            time.sleep(0.13 + 0.02 * (i % 3))
            struck.append(time.perf_counter())
            run.type("asdfghjkl;"[i % 10])
            if i % 5 == 4:
                run.type("\x1b[A")  # an arrow key is no note and no command
        assert run.wait() == 0, run.words[-2000:]
        assert "typed notes: lengths are not judged" in run.words
    (path,) = takes.glob("*.mid")
    take = read_take(path)
    assert take.header.profile == "typing"
    assert (take.notes["pitch"] - 31).tolist() == [0, 2, 4, 5, 7, 9, 10, 12, 14, 16] * 2
    assert np.all(take.notes["flags"] & FLAG_NO_RELEASE)
    error_s = take.notes["onset_s"] - np.array(struck)
    assert np.median(np.abs(error_s - np.median(error_s))) < 0.005
    stamp = take.header.extra["typing_stamp_ms"]
    assert stamp["n"] >= 5 and 0.0 <= stamp["p50"] <= stamp["p99"] <= stamp["max"]
