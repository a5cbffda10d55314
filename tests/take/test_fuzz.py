"""Two thousand broken inputs, each ending in a result or in our own error (`tests/fuzz_long.py` runs 200,000)."""

from __future__ import annotations

import random

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests import fuzz_long
from tests.fuzzing import TARGETS, mutated, mutated_json, run, seeds

N_CASES = {"midi": 700, "json": 400, "session": 500, "stream": 300, "score": 100, "sound": 120}


@pytest.mark.parametrize("target", N_CASES)
def test_broken_input(target: str) -> None:
    rng = random.Random(f"{target} 1")
    known = seeds(target)
    ends: dict[str, int] = {"read": 0, "refused": 0}
    for i in range(N_CASES[target]):
        base = rng.choice(known)
        data = mutated_json(base, rng) if target == "json" and i % 2 else mutated(base, rng, known)
        ends[run(target, data)] += 1
    assert sum(ends.values()) == N_CASES[target]
    # the mutations must neither all be harmless nor all be refused at the door
    assert ends["read"] > 0.02 * N_CASES[target]
    assert target in ("stream",) or ends["refused"] > 0.02 * N_CASES[target]


@pytest.mark.parametrize("target", TARGETS)
def test_the_seeds_themselves_are_read(target: str) -> None:
    for data in seeds(target):
        assert run(target, data) == "read"


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.sampled_from(sorted(TARGETS)), st.binary(max_size=400))
def test_random_bytes(target: str, data: bytes) -> None:
    assert run(target, data) in ("read", "refused")


_EVENTS = st.lists(
    st.tuples(
        st.integers(0, 2000),
        st.one_of(
            st.tuples(st.integers(0x80, 0x9F), st.integers(0, 127), st.integers(0, 127)).map(bytes),
            st.tuples(st.integers(0xE0, 0xE3), st.integers(0, 127), st.integers(0, 127)).map(bytes),
            st.tuples(st.just(0xB0), st.sampled_from((6, 38, 100, 101, 120, 121, 123)), st.integers(0, 127)).map(bytes),
            st.integers(1, 0xFFFFFF).map(lambda us: b"\xff\x51\x03" + us.to_bytes(3, "big")),
            st.tuples(st.integers(1, 32), st.integers(0, 6)).map(lambda m: bytes((0xFF, 0x58, 4, *m, 24, 8))),
            st.sampled_from((b"\xff\x06\x08chorus 1", b"\xff\x03\x04bass", b"\xf0\x03\x01\x02\xf7", b"\xc0\x21")),
        ),
    ),
    max_size=60,
)


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(_EVENTS, st.sampled_from((1, 24, 480, 32767, 0xE728, 0xE201)), st.sampled_from((0, 1)))
def test_any_well_formed_file(events: list[tuple[int, bytes]], division: int, kind: int) -> None:
    """Whatever the standard allows is read or refused in one line: no map, bend or pairing trips the reader."""

    def varlen(n: int) -> bytes:
        return bytes((n >> 7 & 0x7F | 0x80, n & 0x7F)) if n > 127 else bytes((n,))

    body = b"".join(varlen(delta) + event for delta, event in events) + b"\x00\xff\x2f\x00"
    head = b"MThd\x00\x00\x00\x06\x00" + bytes((kind,)) + b"\x00\x01" + division.to_bytes(2, "big")
    assert run("midi", head + b"MTrk" + len(body).to_bytes(4, "big") + body) in ("read", "refused")


def test_the_long_run_knows_every_target(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sys.argv", ["fuzz_long", "--cases", "0"])
    assert fuzz_long.main() == 0
