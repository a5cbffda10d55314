"""The sound check at the terminal: a port in memory and a fake clock; a real port and a pseudo-terminal."""

from __future__ import annotations

import json
from collections import deque
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.cli.conftest import Outcome
from tests.engine.on_a_terminal import on_terminal, wait_until
from tests.fakes.busy_clock import BusyClock
from tests.jack_sender import JackSender
from tests.jack_server import JackServer
from trainer.cli.checking import converse
from trainer.cli.input_port import ask_which
from trainer.errors import FileFormatError, PortError
from trainer.music import FOUR_STRING
from trainer.ports.memory import MemoryMidiIn
from trainer.ports.protocols import MidiSink
from trainer.scoring.soundcheck import CheckResult
from trainer.settings import PortSettings, load_port, save_port

OPEN_LOUD_SOFT = ((1.0, 28, 90), (2.0, 33, 84), (3.0, 38, 88), (4.0, 43, 86), (5.5, 28, 121), (7.0, 28, 24))


def held(
    notes: tuple[tuple[float, int, int], ...],
    keys: dict[float, str] | None = None,
    *,
    shift: int = 0,
    twice_ms: float | None = None,
    unplug_s: float | None = None,
) -> tuple[CheckResult | None, str]:
    """A whole conversation on a fake clock: the result, and all that was written."""
    clock = BusyClock(5_000_000_000)
    start_ns = clock.now_ns()
    sink: MidiSink = deque()
    port = MemoryMidiIn(sink)

    def message(at_s: float, data: bytes) -> None:
        clock.call_at(start_ns + round(at_s * 1e9), lambda: port.push(clock.now_ns(), data))

    for second, number, velocity in notes:
        message(second, bytes((0x90, number + shift, velocity)))
        message(second + 0.31 + 0.1 * (number % 3), bytes((0x80, number + shift, 0)))
        if twice_ms is not None:
            message(second + twice_ms / 1000.0, bytes((0x91, number + shift, velocity)))
            message(second + 0.3, bytes((0x81, number + shift, 0)))
    pressed: deque[str] = deque()
    for second, key in (keys or {}).items():
        clock.call_at(start_ns + round(second * 1e9), lambda key=key: pressed.append(key))  # type: ignore[misc]
    if unplug_s is not None:
        clock.call_at(start_ns + round(unplug_s * 1e9), port.unplug)
    clock.call_at(start_ns + 60_000_000_000, lambda: pressed.append("q"))
    said: list[str] = []
    result = converse(
        sink,
        clock,
        lambda: pressed.popleft() if pressed else "",
        said.append,
        FOUR_STRING,
        is_connected=port.is_connected,
    )
    assert clock.now_ns() - start_ns < 60e9 or not notes
    return result, "".join(said)


def test_a_whole_check_in_memory() -> None:
    result, said = held(OPEN_LOUD_SOFT)
    assert result is not None
    assert (result.transpose_semitones, result.velocity_flat, result.n_doubled) == (0, False, 0)
    assert result.n_notes == 6
    lines = said.splitlines()
    assert lines[0] == "Play the lowest open string (E1) and let it ring.   (Enter: leave it out, q: stop here)"
    assert " ".join(lines[1].split()) == "E1 string 4 fret 0 velocity 90 channel 1 delay not calibrated"
    assert sum(line.startswith("Play ") for line in lines) == 6


def test_an_octave_up_and_sent_twice() -> None:
    result, said = held(OPEN_LOUD_SOFT, shift=12, twice_ms=9.0)
    assert result is not None
    assert result.transpose_semitones == -12
    assert result.n_doubled == 6
    assert result.doubled_ms == pytest.approx(9.0, abs=1.0)  # the notes are looked at every 10 ms, stamped exactly
    assert said.count("(not counted)") == 6


def test_steps_left_out_and_stopped() -> None:
    result, said = held(((1.0, 28, 100), (3.0, 30, 100)), {2.0: "\n", 4.0: "q"})
    assert result is not None
    assert result.velocity_loud == 100
    assert result.velocity_flat is None and "no soft note" in result.why["velocity_flat"]
    assert "softly" in said


def test_leaving_at_once_finds_nothing() -> None:
    result, _ = held((), {1.0: "q"})
    assert result is None


def test_a_port_that_goes_is_said() -> None:
    with pytest.raises(PortError, match="the MIDI input has gone; connect it again"):
        held(((1.0, 28, 90),), unplug_s=2.0)


def test_which_input() -> None:
    said: list[str] = []
    assert ask_which(["pads", "bass"], lambda: "2\n", said.append) == "bass"
    assert "  2  bass\n" in said
    for answer in ("", "3", "bass", "0"):
        with pytest.raises(PortError, match="expected a number from 1 to 2"):
            ask_which(["pads", "bass"], lambda answer=answer: answer, said.append)  # type: ignore[misc]


# --- what is remembered ----------------------------------------------------------------------------------------------


def test_settings_come_back_whatever_the_systems_numbers() -> None:
    kept = PortSettings(
        "Bass 4: pickup 24:0", "strings", -12, 3.5, True, 9, 12.0, {"4": 3}, "2026-01-02",
        {"none|direct": {"base_ms": 4.0}},
    )  # fmt: skip
    path = save_port(kept)
    assert load_port("Bass 4: pickup 24:0") == kept
    assert load_port("Bass 4: pickup 28:0") == kept
    assert load_port("Bass 5") is None
    assert [p.name for p in path.parent.iterdir()] == [path.name]  # nothing half-written is left


@pytest.mark.parametrize(
    "text",
    ["", "{", "[]", '{"schema": {"name": "take", "major": 1}}', '{"schema": {"name": "port", "major": 1}, "port": 3}',
     '{"schema": {"name": "port", "major": 1}, "port": "x", "profile": "drums"}', "[" * 100_000],
)  # fmt: skip
def test_a_damaged_settings_file_is_said(text: str) -> None:
    path = save_port(PortSettings("x"))
    path.write_text(text, encoding="utf-8")
    with pytest.raises(FileFormatError, match="delete it and run: trainer check"):
        load_port("x")


# --- on a real port --------------------------------------------------------------------------------------------------


@pytest.mark.jack
def test_check_on_a_real_port(jack_server: JackServer, own_folders: Path, command: Callable[..., Outcome]) -> None:
    """A far end in another process plays an octave high through JACK; the check runs on a pseudo-terminal."""
    arguments = ["check", "--midi-in", "bass"]
    with JackSender(jack_server, "bass") as far, on_terminal(arguments, jack_server.env()) as program:
        far.wait_connected()
        wait_until(lambda: "lowest open string" in program.text, "the first prompt")
        events = []
        for i, (number, velocity) in enumerate(((40, 90), (45, 80), (50, 85), (55, 88), (40, 120), (40, 25))):
            events += [(0.4 * i, f"90{number:02x}{velocity:02x}"), (0.4 * i + 0.2 + 0.03 * i, f"80{number:02x}00")]
        far.play(events)
        assert far.wait_played()["n_late"] == 0
        wait_until(lambda: program.process.poll() is not None, "the check to end")
        assert program.process.returncode == 0, program.text
        assert "1 octave too high" in program.text
        assert "Remembered for this input" in program.text
        listed = command("ports", "--json")
        assert "bass:out" in listed.out
    saved = [json.loads(path.read_text(encoding="utf-8")) for path in (own_folders / "config" / "ports").iterdir()]
    assert len(saved) == 1
    assert saved[0]["transpose_semitones"] == -12
    assert saved[0]["profile"] == "keys"
    assert saved[0]["velocity_flat"] is False
