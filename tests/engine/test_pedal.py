"""Foot switches: what a message asks for, what an expression pedal does not, and that none of it enters the take."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from trainer.clock.sources import FakeClock
from trainer.clock.transport import HostRuler
from trainer.engine import Pressed
from trainer.engine.core import Core
from trainer.engine.record import take_from
from trainer.live import PlayOptions
from trainer.live.keys import ACTIONS as COMMANDS_OF
from trainer.live.options import setup_of
from trainer.ports.pedal import ACTIONS, Pedals, Switch, switch_of
from trainer.session import session_from_dict

SUSTAIN = Switch("again", "board", "controller", 0, 64)
MS = 1_000_000


def pressed(pedals: Pedals, *rows: tuple[int, bytes]) -> list[str]:
    return [action for at_ms, data in rows if (action := pedals.feed(data, at_ms * MS)[1]) is not None]


@pytest.mark.parametrize("number", [64, 66, 67, 11, 4])  # MIDI 1.0: sustain, sostenuto, soft; expression, foot
def test_a_switch_asks_once_for_each_time_it_is_trodden_down(number: int) -> None:
    pedals = Pedals([Switch("again", "board", "controller", 2, number)])
    down, up = bytes((0xB2, number, 127)), bytes((0xB2, number, 0))
    assert pressed(pedals, (0, down), (200, up), (1000, down), (1200, up)) == ["again", "again"]
    assert pressed(pedals, (2000, down), (2010, up), (2020, down)) == ["again"]  # it bounces
    assert pedals.feed(bytes((0xB3, number, 127)), 0) == (False, None)  # another channel is the player's


def test_an_expression_pedal_that_sends_a_stream_asks_once_a_tread() -> None:
    """0 to 127 and back, a message each millisecond, three times; and a foot that rests near the middle asks
    nothing."""
    pedals = Pedals([Switch("next", "board", "controller", 0, 11)])
    way = [*range(128), *range(127, -1, -1)]
    rows = [(300 * k + i, bytes((0xB0, 11, value))) for k in range(3) for i, value in enumerate(way)]
    assert pressed(pedals, *rows) == ["next"] * 3
    resting = [(2000 + 10 * i, bytes((0xB0, 11, 50 + i % 20))) for i in range(200)]
    assert len(pressed(pedals, *resting)) == 1


def test_a_switch_that_rests_at_the_top_and_a_program_change() -> None:
    low = Pedals([Switch("stop", "board", "controller", 0, 64, pressed_low=True)])
    assert pressed(low, (0, b"\xb0\x40\x7f"), (500, b"\xb0\x40\x00"), (700, b"\xb0\x40\x7f")) == ["stop"]
    program = Pedals([Switch("faster", "b", "program", 0, 3), Switch("slower", "b", "program", 0, 2)])
    assert pressed(program, (0, b"\xc0\x03"), (300, b"\xc0\x02"), (600, b"\xc0\x03")) == ["faster", "slower", "faster"]


def test_two_switches_on_one_controller_are_told_apart_by_channel() -> None:
    two = Pedals([SUSTAIN, Switch("stop", "board", "controller", 1, 64)])
    assert pressed(two, (0, b"\xb0\x40\x7f"), (1, b"\xb1\x40\x7f")) == ["again", "stop"]


def test_nothing_from_a_port_that_is_a_pedals_alone_is_the_players() -> None:
    alone = Pedals([Switch("again", "board", "controller", 0, 64, port_alone=True)])
    assert alone.feed(b"\x90\x28\x64", 0) == (True, None)
    assert Pedals([SUSTAIN]).feed(b"\x90\x28\x64", 0) == (False, None)


@given(st.lists(st.binary(max_size=4), max_size=60))
def test_no_message_can_hurt(messages: list[bytes]) -> None:
    pedals = Pedals([SUSTAIN, Switch("next", "board", "program", 0, 64)])
    for i, data in enumerate(messages):
        _, action = pedals.feed(data, i * 1000 * MS)
        assert action in (None, "again", "next")


def test_a_switch_is_kept_as_plain_data_and_nonsense_is_refused() -> None:
    assert switch_of(SUSTAIN.to_dict()) == SUSTAIN
    for wrong in ({"action": "explode"}, {"kind": "note"}, {"channel": 16}, {"number": 128}, {"number": "64"}):
        with pytest.raises(ValueError, match="not a switch"):
            switch_of({**SUSTAIN.to_dict(), **wrong})
    with pytest.raises(ValueError, match="not a switch"):
        switch_of({"action": "again"})


def test_every_action_is_obeyed() -> None:
    assert set(ACTIONS) <= set(COMMANDS_OF)


def test_a_pedal_on_the_basss_own_port_never_enters_the_take() -> None:
    """Notes with the sustain pedal trodden between them: the notes are kept, the pedal's messages are not."""
    session = session_from_dict({"chorus": [{"role": "verse"}]})
    clock, said = FakeClock(1_000_000_000), list[Any]()
    core = Core(setup_of(session, PlayOptions()), clock, said.append)
    core.pedals = Pedals([SUSTAIN])
    record = core.begin_record({}, on_disk=False)
    core.follow(HostRuler(clock.now_ns()))
    core.start(0.0)
    for step in range(1200):
        now_ns = clock.sleep_until(clock.now_ns() + 20 * MS)
        if step % 100 == 50:
            for data in (b"\x90\x28\x64", b"\xb0\x40\x7f", b"\x80\x28\x00", b"\xb0\x40\x00", b"\xb0\x07\x50"):
                core.sink.append((clock.to_raw_ns(now_ns), 0.0, data))
        core.step(now_ns)
    core.end_record(clock.now_ns(), completed=False)
    journal = record.journal()
    kept = [bytes(message.data) for message in journal.messages]
    assert not any(data[:2] == b"\xb0\x40" for data in kept)
    assert sum(data[:2] == b"\xb0\x07" for data in kept) == sum(data[0] == 0x90 for data in kept) == 12
    assert [message.action for message in said if isinstance(message, Pressed)] == ["again"] * 12
    take = take_from(journal, band=core.score, session=core.session)
    assert 0 < len(take.notes) <= 12
