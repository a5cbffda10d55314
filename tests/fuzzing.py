"""Broken input by the thousand: seeds, mutations and targets, for the short run in the tests and for `fuzz_long.py`.

A target takes bytes and must end in a result or in a `TrainerError` of one line; anything else that escapes is our
fault.
"""

from __future__ import annotations

import copy
import json
import random
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from tests.take.test_store import made_take
from trainer.errors import SessionError, TrainerError
from trainer.scoring import score
from trainer.session import expand
from trainer.take import Calibration, Gap, Take, TakeHeader, read_take
from trainer.take.record import read_record, record_bytes, record_of, take_of
from trainer.take.recorder import Recorder
from trainer.take.store import take_midi

__all__ = ["TARGETS", "mutated", "seeds"]


def _small_take(bent: bool = False) -> Take:
    take = made_take(bent=bent)
    return replace(take, notes=take.notes[:40], band=take.band[:20])


@cache
def seeds(target: str) -> tuple[bytes, ...]:
    """Valid inputs of a target, small, with every feature its reader knows."""
    if target == "session":
        texts = [path.read_bytes() for path in sorted((Path(__file__).parents[1] / "sessions").glob("*.toml"))]
        own = b"""title = "t"\nkey = "Am"\ntempo_bpm = 96\nswing_ratio = 2.0\nform = "chart"\ngroove = "shuffle"
count_in_bars = 2\nseed = 7\nstart = "top"\nending = "tag"\nguide = "on"\nlisten = true\nloop = [1, 2]
pickup_beats = 1.0\nlimb_swing = { snare = 2.2, kick = 1.8 }
[[chorus]]\nrole = "verse"\ntimes = 2\nintensity = [0.4, 1.0]\nline = "quarters"\nstop_time = true
[[drop_out]]\nchorus = 2\nbars = [1, 2]\n[[pedal]]\nchorus = 1\nbars = [2, 2]\n[chart]\nbars = ["G7", "C7 C#dim7",
"%"]\n"""
        return (*texts, own)
    if target == "json":
        plain, bent = _small_take(), _small_take(bent=True)
        bends = [[-0.5, 0, 0.25], [1.0, 3, -2.0]]
        extra = {"bends": bends, "remarks": ["a"], "n": 1}
        full = TakeHeader(
            profile="strings",
            calibration=Calibration(12.0, 2.0, (11.0, 13.0), (1.9, 2.1), 5.0, 7.0, True, 60, "2026", ("in", "out")),
            gaps=(Gap(1.0, 2.0, "xrun"),),
            hardware={"in": {"name": "x"}},
            extra=extra,
        )
        return (
            record_bytes(record_of(plain, "0" * 64)),
            record_bytes(record_of(bent, "1" * 64)),
            record_bytes(record_of(replace(plain, header=full, session=None), "2" * 64)),
        )
    if target == "sound":
        return tuple(_sound_file(kind, subtype) for kind in ("WAV", "FLAC", "AIFF") for subtype in ("PCM_16", "PCM_24"))
    if target == "stream":
        rng = random.Random(1)
        rows = []
        for _ in range(60):
            status = rng.choice((0x80, 0x90, 0x90, 0xB0, 0xC0, 0xD0, 0xE0)) | rng.randrange(3)
            n = 1 if status & 0xF0 in (0xC0, 0xD0) else 2
            rows.append(bytes((status, *(rng.randrange(128) for _ in range(n)))))
        floods = b"\xf0\x7e\x7f\x06\x01\xf7\xf8\xfe\x90\x28\x40\x28\x00\xb0\x65\x00\x64\x00\x06\x0c\xe0\x00\x7f"
        return (b"".join(rows), floods)
    head = b"MThd\x00\x00\x00\x06"
    body = b"\x00\xff\x58\x04\x0c\x03\x24\x08\x00\xff\x59\x02\xfd\x01\x00\x90\x28\x50\x60\x28\x00\x00\xff\x2f\x00"
    zero = head + b"\x00\x00\x00\x01\xe7\x28MTrk" + len(body).to_bytes(4, "big") + body
    foreign = take_midi(replace(_small_take(), session=None))
    return (take_midi(_small_take()), take_midi(_small_take(bent=True)), foreign, zero)


def _midi(data: bytes) -> None:
    """Any MIDI file, foreign, with and without a session."""
    with tempfile.TemporaryDirectory() as place:
        path = Path(place) / "f.mid"
        path.write_bytes(data)
        session = made_take().session if len(data) % 2 else None
        downbeat = "auto" if session is not None and len(data) % 3 == 0 else None
        take = read_take(path, session=session, downbeat=downbeat)
        assert np.all(np.isfinite(take.notes["onset_s"])) and np.all(take.notes["duration_s"] >= 0.0)
        assert np.all(np.diff(take.notes["onset_s"]) >= 0.0) and np.all(np.isfinite(take.notes["pitch"]))


def _sound_file(kind: str, subtype: str) -> bytes:
    """A second of a bass in a file of this kind."""
    import io

    import soundfile

    from tests.bass_sound import bass_line

    body = io.BytesIO()
    soundfile.write(body, bass_line([(0.1, 0.3, 40.0, 90), (0.5, 0.3, 43.0, 80)]), 48_000, subtype, format=kind)
    return body.getvalue()


def _sound(data: bytes) -> None:
    """Any file by the name of a sound file; what can be read can be heard, and its notes are sound."""
    with tempfile.TemporaryDirectory() as place:
        path = Path(place) / "f.wav"
        path.write_bytes(data)
        take = read_take(path, session=made_take().session, track=None if len(data) % 3 else 1)
        assert np.all(np.isfinite(take.notes["onset_s"])) and np.all(take.notes["duration_s"] >= 0.0)
        assert np.all(np.diff(take.notes["onset_s"]) >= 0.0) and np.all(np.isfinite(take.notes["pitch"]))


def _scored(data: bytes) -> None:
    """What can be read can be scored, and its card is plain JSON."""
    with tempfile.TemporaryDirectory() as place:
        path = Path(place) / "f.mid"
        path.write_bytes(data)
        card = score(read_take(path, session=made_take().session if len(data) % 2 else None))
        json.dumps(card.to_dict(), allow_nan=False)


def _json(data: bytes) -> None:
    record = read_record(data, "t.json")
    if record is not None:
        take = take_of(record, "t.json", "0" * 64)
        assert np.all(np.isfinite(take.notes["onset_s"]))
        take_midi(take)


def _session(data: bytes) -> None:
    with tempfile.TemporaryDirectory() as place:
        path = Path(place) / "s.toml"
        path.write_bytes(data)
        from trainer.session import load_session

        session = load_session(path)
        chart = expand(session)
        assert chart.bars and parse_session_again(session) == session


def parse_session_again(session: Any) -> Any:
    from trainer.session import session_from_dict

    return session_from_dict(session.to_dict())


def _stream(data: bytes) -> None:
    recorder = Recorder(keep_realtime=True)
    rng = random.Random(len(data))
    at = now = 0
    while at < len(data):
        n = rng.randrange(1, 8)
        recorder.feed(now, data[at : at + n])
        at += n
        now += rng.randrange(0, 20_000_000)
    recorder.release_all(now)
    notes = recorder.note_table(lambda ns: ns * 1e-9)
    kinds = [event.kind for event in recorder.poll()]
    assert kinds.count("on") == kinds.count("off") == len(notes) and np.all(notes["duration_s"] >= 0.0)


class Target(NamedTuple):
    """What reads a case, and its share of the long run's cases."""

    read: Callable[[bytes], None]
    share: float


TARGETS = {
    "midi": Target(_midi, 0.4),
    "json": Target(_json, 0.2),
    "session": Target(_session, 0.2),
    "stream": Target(_stream, 0.1),
    "score": Target(_scored, 0.05),
    "sound": Target(_sound, 0.05),
}


def run(target: str, data: bytes) -> str:
    """ "read", or "refused" for our own error of one line (a session's: one a mistake)."""
    try:
        TARGETS[target].read(data)
    except SessionError as error:
        assert all("\n" not in problem for problem in error.problems) and error.problems
        return "refused"
    except TrainerError as error:
        assert str(error) and "\n" not in str(error), f"not one line: {error!r}"
        return "refused"
    return "read"


# --- mutations ----------------------------------------------------------------------------------------------------

_ODD_BYTES = (0x00, 0x01, 0x7F, 0x80, 0x81, 0xC0, 0xE0, 0xF0, 0xF7, 0xFF, 0x51, 0x2F, 0x58)
_ODD_WORDS = (
    b"MTrk", b"MThd", b"\xff\x2f\x00", b"\xff\x51\x03\x00\x00\x01", b"\xff\x51\x03\xff\xff\xff", b"\x8f\xff\xff\x7f",
    b"\xff\x58\x04\x06\x03\x24\x08", b"\xb0\x7b\x00", b"\xb0\x65\x00\xb0\x64\x00\xb0\x06\x7f", b"\xe0\x7f\x7f",
    b"nan", b"inf", b"1e999", b"-1", b"0", b"99999999999999999999", b"true", b'""', b"[]", b"{}", b"null", b"[[", b"]]",
    b'"\\ud800"', b"\xc3\x28", b"1979-05-27T07:32:00Z", b'"""', b"0x7f", b"chorus = 3\n", b"tempo_bpm = nan\n",
    b'"C7/G"', b'"%"', b"[[chorus]]\n", b"[chart]\n", b"\x00", b'"onset_s":[', b'"pitch":[1e308]', b'"channel":[99]',
)  # fmt: skip


def mutated(data: bytes, rng: random.Random, others: Sequence[bytes] = ()) -> bytes:
    """One to eight changes: a bit, a byte, an odd word, a piece cut, doubled, or taken from another input."""
    out = bytearray(data)
    for _ in range(rng.choice((1, 1, 1, 1, 1, 1, 2, 3, 8))):
        n = len(out)
        at = rng.randrange(n + 1)
        piece = slice(at, min(n, at + rng.choice((1, 2, 4, 16, 64))))
        match rng.randrange(9):
            case 0 if n:
                out[at % n] ^= 1 << rng.randrange(8)
            case 1 if n:
                out[at % n] = rng.choice(_ODD_BYTES)
            case 2:
                del out[piece]
            case 3:
                out[at:at] = out[piece] * rng.choice((1, 1, 3, 20))
            case 4:
                out[at:at] = rng.choice(_ODD_WORDS)
            case 5:
                out[piece] = rng.choice(_ODD_WORDS)
            case 6:
                del out[at:]
            case 7 if others:
                other = rng.choice(others)
                start = rng.randrange(len(other) + 1)
                out[at:at] = other[start : start + rng.choice((8, 64, 512))]
            case _:
                out[at:at] = rng.randbytes(rng.randrange(1, 9))
    return bytes(out[:200_000])


def mutated_json(data: bytes, rng: random.Random) -> bytes:
    """A record with one to three of its values replaced, moved or taken away, still JSON."""
    tree = json.loads(data)
    odd = (
        None,
        True,
        -1,
        0,
        1e308,
        -1e308,
        2**70,
        0.5,
        "",
        "x" * 2000,
        "\ud800",
        [],
        {},
        [[]],
        float("nan"),
        "solo",
        300,
    )
    for _ in range(rng.randrange(1, 4)):
        inner: Any = tree
        for _ in range(rng.randrange(1, 5)):
            keys = list(inner) if isinstance(inner, dict) else range(len(inner)) if isinstance(inner, list) else []
            if not keys:
                break
            key = rng.choice(list(keys))
            if rng.random() < 0.4 or not isinstance(inner[key], dict | list):
                if rng.random() < 0.2:
                    del inner[key]
                else:
                    inner[key] = copy.deepcopy(rng.choice(odd))
                break
            inner = inner[key]
    return json.dumps(tree).encode("utf-8", "replace")
