"""Input that is well formed but wrong: structures altered part by part and written out whole again.

Where `tests/fuzzing.py` changes bytes, here an event, a value, an entry, a record, an element or a header field is
replaced, moved, doubled or taken away, and whatever holds it (lengths, checksums, brackets) is made to fit, so that the
mistake reaches what comes after the parser. Each case is a folder and the commands that are run over it.
"""

from __future__ import annotations

import contextlib
import copy
import io
import itertools
import json
import math
import os
import random
import shutil
import struct
import traceback
import zipfile
import zlib
from collections.abc import Callable, Iterator, Sequence
from functools import cache
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

from tests.practice.forgeries import SHEET, a_result
from tests.take.test_store import made_take
from trainer.errors import TrainerError
from trainer.take import write_take

__all__ = ["FAMILIES", "journal_bytes", "journal_records", "make", "midi_file", "outcome", "spread"]

Argv = tuple[str, ...]
Rng = random.Random

# --- values of another type or size -----------------------------------------------------------------------------------

ODD: tuple[Any, ...] = (
    None, True, False, 0, 1, -1, 2, 127, 128, 255, 2**31, -(2**31), 2**63 - 1, -(2**63), 2**64, 10**400,
    0.0, -0.0, 0.5, 1e-300, 1e308, -1e308, 5e-324, math.nan, math.inf, -math.inf,
    "", "x", "G", "Bbm7", "%", "0", "1e9", "x" * 3000, "\x00", "\x1b[31m", "\u202e", "\ud800", "../..", "nul",
    [], {}, [[]], [{}], {"": {}}, [None], [1, "1", [1]], {"a": 1}, list(range(300)), ["x"] * 50,
)  # fmt: skip


def _places(tree: Any) -> list[tuple[Any, Any]]:
    """(holder, key) of every value inside."""
    out, waiting = [], [tree]
    while waiting:
        holder = waiting.pop()
        keys = list(holder) if isinstance(holder, dict) else range(min(len(holder), 40))
        for key in keys:
            out.append((holder, key))
            if isinstance(holder[key], dict | list):
                waiting.append(holder[key])
    return out


# What a session allows, at its edges: what is read must be played out within bounds too.
FITTING: dict[str, tuple[Any, ...]] = {
    "tempo_bpm": (40, 240, 239.999), "swing_ratio": (1, 3.5, 1.0000001), "count_in_bars": (0, 1, 4), "seed": (0,
    2**31 - 1),
    "times": (1, 3, 60, 400), "intensity": (0, 1, 0.5), "key": ("Cb", "F#m", "Abm", "E"), "pickup_beats": (0, 0.5, 3.5),
    "start": ("top", "from_the_five", "from_the_turnaround"), "ending": ("plain", "stop", "tag", "ritard"),
    "loop": ([1, 1], [1, 4], [3, 4], [9, 12]), "turnaround": ("five", "one_held"), "line": ("eighths", "free",
    "two_beat"),
    "role": ("verse", "solo", "head"), "tempo_push_pct": (-10, 0, 10, 3.3), "guide": ("off", "every_other"),
    "bars": ([1, 1], [1, 2], ["G7"], ["G7"] * 64, ["C7 C7 C7 C7"] * 48, ["%", "G7"]), "chorus": (1, 2, 3),
    "form": ("eight_bar", "quick_change_12", "chart"), "groove": ("shuffle", "slow_twelve_eight", "rumba", "two_beat"),
    "at_least": (0, 1, 0.5, -5), "at_most": (0, 1, 50), "figure": ("swing.ratio", "form.n_lost", "timing.mean_ms"),
    "drill": ("roots", "change_one_four", "pushes"), "snare": (1, 3.5), "kick": (1, 3.5),
}  # fmt: skip


def fitted(tree: Any, rng: Rng) -> Any:
    """A copy with some of its values replaced by others that their keys may have."""
    tree = copy.deepcopy(tree)
    for holder, key in _places(tree):
        if key in FITTING and rng.random() < 0.15 and (key != "chorus" or not isinstance(holder[key], list)):
            holder[key] = copy.deepcopy(rng.choice(FITTING[key]))
    return tree


def bent(tree: Any, rng: Rng, odd: Sequence[Any] = ODD) -> Any:
    """A copy with one to four values of its tree changed in type, size, number, name or place."""
    tree = copy.deepcopy(tree)
    for _ in range(rng.choice((1, 1, 1, 2, 2, 4))):
        places = _places(tree)
        if not places:
            return tree
        holder, key = rng.choice(places)
        value = holder[key]
        match rng.randrange(13):
            case 0:
                del holder[key]
            case 1 if isinstance(value, list) and value:
                holder[key] = (value * rng.choice((2, 7, 500)))[:5000]
            case 2 if isinstance(value, list):
                rng.shuffle(value)
            case 3 | 8 if isinstance(value, int | float) and not isinstance(value, bool) and abs(value) < 2**53:
                near = (
                    -value,
                    value + 1,
                    value - 1,
                    value + 0.5,
                    value * 3,
                    value * 1000,
                    value / 3,
                    str(value),
                    [value],
                )
                holder[key] = rng.choice((*near, float(value)))
            case 4 if isinstance(holder, dict):
                holder[rng.choice(("", "x", "Title", f"{key} ", f"{key}s", "schema"))] = holder.pop(key)
            case 5:
                holder[key] = rng.choice(([value], {str(key): value}, {"x": value, "y": value}))
            case 6:
                other, place = rng.choice(places)
                with contextlib.suppress(LookupError, TypeError):
                    holder[key] = copy.deepcopy(other[place])
            case 7:
                deep: Any = value
                for _ in range(rng.choice((3, 30, 90))):
                    deep = [deep]
                holder[key] = deep
            case _:
                holder[key] = copy.deepcopy(rng.choice(odd))
    return tree


def json_text(tree: Any) -> str:
    return json.dumps(tree)


def toml_text(tree: Any, rng: Rng) -> str:
    """A table as TOML in one of its styles: tables, arrays of tables, inline tables, dotted and quoted keys."""
    out: list[str] = []

    def key(name: Any) -> str:
        text = str(name)
        bare = text.isascii() and text.replace("_", "").replace("-", "").isalnum()
        return text if bare and rng.random() < 0.95 else json.dumps(text).replace("\\u0000", "\\u0001")

    def value(item: Any) -> str:
        if isinstance(item, bool):
            return "true" if item else "false"
        if item is None:
            return rng.choice(("1979-05-27T07:32:00Z", "07:32:00", "1979-05-27"))
        if isinstance(item, float):
            return "nan" if math.isnan(item) else ("inf" if item > 0 else "-inf") if math.isinf(item) else repr(item)
        if isinstance(item, int):
            return hex(item) if item >= 0 and rng.random() < 0.1 else str(item)
        if isinstance(item, str):
            return (
                f"'''{item}'''" if rng.random() < 0.1 and "'" not in item and item.isprintable() else json.dumps(item)
            )
        if isinstance(item, list):
            return f"[{', '.join(map(value, item))}]"
        return "{ " + ", ".join(f"{key(name)} = {value(inner)}" for name, inner in item.items()) + " }"

    def table(rows: dict[Any, Any], where: str) -> None:
        inner: list[tuple[str, Any]] = []
        for name, item in rows.items():
            tables = isinstance(item, list) and item and all(isinstance(x, dict) for x in item)
            if (tables or isinstance(item, dict)) and rng.random() < 0.8:
                inner.append((name, item))
            else:
                out.append(f"{key(name)} = {value(item)}")
        for name, item in inner:
            path = f"{where}{key(name)}"
            for one in item if isinstance(item, list) else (item,):
                out.append(f"[[{path}]]" if isinstance(item, list) else f"[{path}]")
                table(one, f"{path}.")

    table(tree if isinstance(tree, dict) else {"x": tree}, "")
    return "\n".join(out) + "\n"


def _write(path: Path, text: str) -> None:
    path.write_bytes(text.encode("utf-8", "surrogatepass"))


# --- MIDI files -------------------------------------------------------------------------------------------------------

_META = (
    (0x51, b"\x07\xa1\x20"), (0x51, b"\x00\x00\x01"), (0x51, b"\xff\xff\xff"), (0x51, b"\x01"), (0x51, b""),
    (0x58, b"\x04\x02\x18\x08"), (0x58, b"\x0c\x03\x24\x08"), (0x58, b"\x01\x06\x18\x08"), (0x58, b"\xff\x00"),
    (0x58, b"\x00\x02\x18\x08"), (0x58, b"\x04"), (0x59, b"\xf9\x01"), (0x59, b"\x07\x00"), (0x59, b"\x40\x05"),
    (0x06, b"chorus 1 verse"), (0x06, b"chorus 2 solo"), (0x06, b"chorus 0"), (0x06, b"chorus 999999 head"),
    (0x06, b"Chorus 1"), (0x01, b"G7"), (0x01, b"C#dim7"), (0x01, b"\xff\xfe"), (0x01, b"x" * 900), (0x07, b"listen"),
    (0x07, b"groove shuffle"), (0x07, b"swing 2.0"), (0x07, b"swing nan"), (0x07, b"swing 1e999"), (0x07, b"band out"),
    (0x07, b"pedal"), (0x07, b"groove "), (0x03, b"bass"), (0x03, b"band"), (0x03, b"drums"), (0x03, b"\x1b[31m"),
    (0x04, b"Fretless Bass"), (0x20, b"\x09"), (0x21, b"\x01"), (0x2F, b""), (0x54, b"\x60\x00\x00\x00\x00"),
    (0x7F, b"\x00" * 40), (0x00, b"\x00\x01"),
)  # fmt: skip
_DIVISIONS = (1, 2, 24, 96, 480, 960, 15_360, 32_767, 0, 0xE728, 0xE201, 0xE350, 0xE8FF, 0x8001, 0xFF00)
_DELTAS = (0, 0, 0, 1, 60, 120, 240, 480, 960, 20_000, 0x0FFFFFFF)


def _varlen(n: int, rng: Rng | None = None) -> bytes:
    out = [n & 0x7F]
    while n := n >> 7:
        out.append(n & 0x7F | 0x80)
    if rng is not None and rng.random() < 0.003:
        out += [0x80] * rng.choice((1, 2, 4))  # longer than it need be
    return bytes(reversed(out))


def _event(rng: Rng) -> bytes:
    kind = rng.random()
    if kind < 0.25:
        number, body = rng.choice(_META)
        length = len(body) if rng.random() < 0.96 else rng.choice((0, 1, 127, 16_383, len(body) + 1))
        return bytes((0xFF, number)) + _varlen(length, rng) + body
    if kind < 0.33:
        body = rng.randbytes(rng.choice((0, 1, 5, 40)))
        return rng.choice((b"\xf0", b"\xf7")) + _varlen(len(body), rng) + body
    if kind < 0.34:
        return bytes((rng.choice((0xF1, 0xF4, 0xF8, 0xFE, 0x00, 0x7F)),)) + rng.randbytes(rng.randrange(3))
    status = rng.choice((0x80, 0x90, 0x90, 0x90, 0xA0, 0xB0, 0xC0, 0xD0, 0xE0)) | rng.choice((0, 0, 1, 9, 15))
    data = (rng.choice((0, 28, 40, 43, 45, 100, 101, 123, 127)), rng.choice((0, 0, 1, 64, 100, 127)))
    if rng.random() < 0.02:
        data = (rng.choice((0x80, 0xFF, 40)), 0x90)
    return bytes((status, data[0])) if 0xC0 <= status < 0xE0 else bytes((status, *data))


def _line(rng: Rng) -> list[tuple[int, bytes]]:
    """Four to sixteen bars of a bass line as (delta, event)."""
    out: list[tuple[int, bytes]] = []
    for _ in range(rng.choice((0, 4, 16, 32, 64))):
        pitch, length = rng.choice((28, 31, 36, 38, 40, 43)), rng.choice((60, 240, 470, 480))
        out += [(480 - length, bytes((0x90, pitch, 90))), (length, rng.choice((b"\x80", b"\x90")) + bytes((pitch, 0)))]
    return out


def midi_file(rng: Rng) -> bytes:
    n_tracks = rng.choice((1, 1, 2, 2, 2, 3, 40)) if rng.random() < 0.98 else 0
    division, chunks = 480 if rng.random() < 0.6 else rng.choice(_DIVISIONS), []
    for n in range(n_tracks):
        events = _line(rng) if n else [(0, bytes((0xFF, k)) + _varlen(len(b)) + b) for k, b in rng.sample(_META, 6)]
        if n == 0 and n_tracks == 1:
            events += _line(rng)
        for _ in range(rng.choice((0, 0, 1, 2, 5))):
            at = rng.randrange(len(events) + 1)
            events[at:at] = [(rng.choice(_DELTAS), _event(rng))] * rng.choice((1, 1, 1, 2, 50))
        if events and rng.random() < 0.1:
            rng.shuffle(events)
        body, running = bytearray(), 0
        squeezed = rng.random() < 0.5
        for delta, event in events:
            body += _varlen(delta, rng)
            spared = squeezed and event and event[0] == running and 0x80 <= running < 0xF0
            body += event[1:] if spared else event
            running = event[0] if event else 0
        if rng.random() < 0.9:
            body += b"\x00\xff\x2f\x00"
        length = len(body) if rng.random() < 0.95 else rng.choice((0, 1, len(body) // 2, len(body) + 9, 2**32 - 1))
        kind = b"MTrk" if rng.random() < 0.98 else rng.choice((b"MTrx", b"XFIH", b"MThd", b"\0\0\0\0"))
        chunks.append(kind + length.to_bytes(4, "big") + bytes(body))
    told = n_tracks if rng.random() < 0.9 else rng.choice((0, 1, 65_535))
    size = 6 if rng.random() < 0.97 else rng.choice((0, 5, 8, 2**31))
    style = rng.choice((0, 1, 1, 1)) if rng.random() < 0.97 else rng.choice((2, 9))
    header = struct.pack(">4sIHHH", b"MThd", size, style, told, division)
    whole = header + b"".join(chunks)
    if rng.random() < 0.05:
        whole = b"RIFF" + len(whole).to_bytes(4, "little") + b"RMIDdata" + len(whole).to_bytes(4, "little") + whole
    return whole


def _midi(rng: Rng, folder: Path) -> list[Argv]:
    path = folder / "f.mid"
    path.write_bytes(midi_file(rng))
    calls = (
        ("score", path), ("score", path, "--json", "--full"), ("score", path, "--session", "closing-time-minor"),
        ("score", path, "--session", "first-round", "--downbeat", "auto"), ("score", path, "--track",
        rng.choice("0129")),
        ("score", path, "--beat", rng.choice(("drums", "notes", "file"))), ("study", path), ("score", folder),
        ("import", path, "--takes", folder / "new"), ("export", path, "--csv", folder / "o.csv"),
        ("export", path, "--musicxml", folder / "o.musicxml"), ("export", path, "--midi", folder / "o.mid"),
    )  # fmt: skip
    return [tuple(map(str, rng.choice(calls)))]


# --- TOML: sessions and worksheets ------------------------------------------------------------------------------------

_SESSION: dict[str, Any] = {
    "title": "t", "key": "Am", "tempo_bpm": 96, "swing_ratio": 2.0, "form": "chart", "groove": "shuffle",
    "count_in_bars": 2, "seed": 7, "start": "top", "ending": "tag", "guide": "on", "listen": True, "loop": [1, 2],
    "pickup_beats": 1.0, "tempo_push_pct": 2.0, "limb_swing": {"snare": 2.2, "kick": 1.8},
    "chorus": [
        {"role": "verse", "times": 2, "intensity": [0.4, 1.0], "line": "quarters", "stop_time": True},
        {"role": "solo", "times": 1, "intensity": 0.5, "heard": True},
    ],
    "drop_out": [{"chorus": 2, "bars": [1, 2]}], "pedal": [{"chorus": 1, "bars": [2, 2]}],
    "chart": {"bars": ["G7", "C7 C#dim7", "%", "D7b9/F#"]},
}  # fmt: skip
_PLAIN_SESSION: dict[str, Any] = {
    "key": "G", "form": "quick_change_12", "turnaround": "five", "start": "from_the_five", "ending": "ritard",
    "chorus": [{"role": "head", "times": 3}],
}  # fmt: skip
_SHEET: dict[str, Any] = {
    "title": "Week three",
    "task": [
        {"session": _PLAIN_SESSION, "target": {"figure": "landing.root_rate", "at_least": 0.9}, "times": 2},
        {"session": "first-round", "target": {"figure": "timing.robust_sd_ms", "at_most": 20}, "title": "x"},
        {"drill": "roots", "key": "A", "tempo_bpm": 84, "instruction": "Slowly."},
    ],
}


def _toml(rng: Rng, folder: Path) -> list[Argv]:
    path = folder / "s.toml"
    tree = fitted(rng.choice((_SESSION, _SESSION, _PLAIN_SESSION)), rng)
    _write(path, toml_text(tree if rng.random() < 0.3 else bent(tree, rng), rng))
    calls = (
        ("chart", path), ("chart", path, "--json"), ("chart", path, "--loop", "1-2"), ("line", path),
        ("chart", path, "--musicxml", folder / "o.musicxml"),
    )  # fmt: skip
    return [tuple(map(str, rng.choice(calls)))]


def _sheet(rng: Rng, folder: Path) -> list[Argv]:
    path = folder / "w.toml"
    tree = fitted(_SHEET, rng)
    _write(path, toml_text(tree if rng.random() < 0.3 else bent(tree, rng), rng))
    return [("worksheet", "check", str(path))]


# --- takes, and the folder they lie in --------------------------------------------------------------------------------


@cache
def _takes() -> tuple[tuple[bytes, bytes], ...]:
    """(MIDI, JSON) of short takes: plain, bent, of a drill, of a studied phrase, with all that a header can hold."""
    import tempfile
    from dataclasses import replace

    from tests.practice.test_history import drilled, played
    from trainer.take import Calibration, Gap

    plain = made_take()
    full = replace(
        plain.header,
        gaps=(Gap(1.0, 2.0, "xrun"),),
        calibration=Calibration(12.0, 2.0, (11.0, 13.0), (1.9, 2.1), 5.0, 7.0, True, 60, "2026", ("in", "out")),
        hardware={"midi_in": "a", "audio": "b"},
        clock_map={"song_map": [[0, 0.0, 1.0]], "recording": {"map": [[0.0, 0, 20833.3]], "passes": [], "channel": 1}},
        lateness={"midi_ms": [0.1, 0.2]},
        extra={
            "remarks": ["a"], "intensities": [0.5], "set_aside": [[0.0, 0.1, 40.0, 90]], "marked": [[1, 2]],
            "take_id": "x", "monitor": False, "guide": "on", "stage": {"tune": 1}, "worksheet": "w",
            "study": {
                "file": "a.mid", "phrase": 1, "key": "A", "tempo_bpm": 96, "swing_ratio": 2.0, "octave": 0,
                "form": "quick_change_12", "loop": None, "notes": [[0, 0, 0.0, 0, 0.8, 90], [1, 1, 0.0, 4, 0.3, 80]],
                "made_of": {
                    "number": 1, "name": "push", "chorus": 1, "bar": 1, "start_beat": 1, "beats": 2.0, "chord": "A7",
                    "lands": False, "root_pitch": 33, "spelled": "",
                },
            },
        },
    )  # fmt: skip
    out = []
    with tempfile.TemporaryDirectory() as place:
        short = [replace(plain, notes=plain.notes[:40], band=plain.band[:20])]
        short += [replace(short[0], header=full), played(1), drilled(2, 0.5)]
        for i, take in enumerate(short):
            path = write_take(take, place, f"t{i}")
            out.append((path.read_bytes(), path.with_suffix(".json").read_bytes()))
    return tuple(out)


def bent_record(rng: Rng) -> tuple[bytes, bytes]:
    midi, raw = rng.choice(_takes())
    record = json.loads(raw)
    if rng.random() < 0.5:  # in what is checked least: the header's plain data and the session
        inside = rng.choice(
            [name for name in ("extra", "session", "devices", "clock_map") if record[name]] or ["tempo"]
        )
        record[inside] = bent(record[inside], rng)
    else:
        record = bent(record, rng)
    return midi, json_text(record).encode("utf-8", "surrogatepass")


def _take(rng: Rng, folder: Path) -> list[Argv]:
    place = folder / "takes"
    place.mkdir()
    for n in range(rng.choice((1, 1, 2))):
        midi, record = bent_record(rng)
        (place / f"t{n}.mid").write_bytes(midi if rng.random() < 0.9 else midi_file(rng))
        (place / f"t{n}.json").write_bytes(record)
    one = place / "t0.mid"
    if rng.random() < 0.1:
        card = {"files_sha256": "0" * 64, "reading": "x", "kept": {"card": {}, "created": 1}}
        (place / "t0.card").write_bytes(zlib.compress(json_text(bent(card, rng)).encode("utf-8", "surrogatepass")))
    calls = (
        ("score", one), ("score", one.with_suffix(".json")), ("history", "--takes", place), ("practice", "--plan",
        "--takes", place),
        ("history", "--json", "--takes", place), ("recordings", "--takes", place), ("export", one, "--json",
        folder / "o.json"),
        ("study", one), ("export", one, "--midi", folder / "o.mid"), ("score", place, "--csv", "--workers", "1"),
    )  # fmt: skip
    return [tuple(map(str, rng.choice(calls)))]


# --- results ----------------------------------------------------------------------------------------------------------


@cache
def _parts() -> dict[str, bytes]:
    import tempfile

    with tempfile.TemporaryDirectory() as place, zipfile.ZipFile(a_result(Path(place))) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


def zipped(parts: Sequence[tuple[str, bytes]], rng: Rng) -> bytes:
    """The entries as a ZIP, sometimes with what its format allows and no result has, or fields that lie."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", rng.choice((8, 8, 8, 0, zipfile.ZIP_BZIP2, zipfile.ZIP_LZMA))) as archive:
        for name, body in parts:
            info = zipfile.ZipInfo(name, (1980, 1, 1, 0, 0, 0))
            if rng.random() < 0.05:
                info.extra = rng.choice((b"\x01\x00\x08\x00" + b"\xff" * 8, b"up", b"\x75\x70\xff\xff", b"\x00" * 300))
            if rng.random() < 0.03:
                info.external_attr = 0xA1ED0000  # a link
            info.compress_type = archive.compression
            archive.writestr(info, body)
        if rng.random() < 0.05:
            archive.comment = rng.choice((b"PK\x05\x06" * 20, b"x" * 65_535, b"PK\x06\x07"))
    data = bytearray(out.getvalue())
    for _ in range(rng.choice((0, 0, 0, 0, 0, 1, 2))):
        # a field of a central entry (its signature, then fixed places: PKWARE 4.3.12), or of the end (4.3.16)
        at = [i for i in range(len(data) - 4) if data[i : i + 4] == b"PK\x01\x02"] if len(data) < 100_000 else []
        end = data.rfind(b"PK\x05\x06")
        place, size = rng.choice([(rng.choice(at), 46), (end, 22)] if at else [(end, 22)])
        field = place + rng.choice(range(4, size, 2))
        data[field : field + 2] = rng.choice((b"\x00\x00", b"\xff\xff", b"\x01\x00", b"\x00\x80"))
    if rng.random() < 0.03:
        data[:0] = rng.choice((b"x" * 100, b"PK\x03\x04", b"#!/bin/sh\n"))
    return bytes(data)


def _result(rng: Rng, folder: Path) -> list[Argv]:
    parts = dict(_parts())
    for _ in range(rng.choice((0, 1, 1, 2))):
        name = rng.choice(list(parts))
        if name == "worksheet.toml":
            parts[name] = toml_text(bent(_SHEET, rng), rng).encode("utf-8", "surrogatepass")
        elif name.endswith(".json"):
            parts[name] = json_text(bent(json.loads(parts[name]), rng)).encode("utf-8", "surrogatepass")
        else:
            parts[name] = midi_file(rng)
    rows = list(parts.items())
    match rng.randrange(12):
        case 0:
            rows += [rng.choice(rows)]
        case 1:
            rows.pop(rng.randrange(len(rows)))
        case 2:
            rows.append((rng.choice(("02.mid", "../x.mid", "/x", "C:x", "02.json", "é.mid", "", "a/")), midi_file(rng)))
        case 3:
            rng.shuffle(rows)
        case _:
            pass
    place = folder / "class"
    place.mkdir()
    (place / "a.result").write_bytes(zipped(rows, rng))
    calls: list[tuple[Any, ...]] = [("review", place), ("review", place, "--csv")]
    if rng.random() < 0.03:
        calls = [("review", place, "--pages", folder / "pages")]
    if rng.random() < 0.1:
        _write(folder / "sheet.toml", rng.choice((SHEET, toml_text(bent(_SHEET, rng), rng))))
        calls = [("review", place, "--sheet", folder / "sheet.toml")]
    return [tuple(map(str, rng.choice(calls)))]


# --- journals ---------------------------------------------------------------------------------------------------------


@cache
def journal_records() -> tuple[list[Any], ...]:
    """The records of a take that was cut off, as they are written."""
    session = {"key": "G", "tempo_bpm": 120.0, "form": "eight_bar", "chorus": [{"role": "verse", "times": 1}]}
    head = {
        "take_id": "a" * 32, "format": 1, "pid": 1, "session": session, "profile": "pad",
        "created": "2026-03-01T19:30:00",
        "releases": True, "guide": None, "guide_line": None, "transpose_semitones": 0, "monitor": False,
        "extra": {"x": 1},
        "devices": {"midi_in": "a"}, "takes": None, "recording": None,
        "calibration": {"base_ms": 12.0, "periods": 0.0, "n": 60, "made": "2026", "ports": ["a", "b"]},
    }  # fmt: skip
    rows: list[Any] = [["head", head], ["map", 1_000_000_000, -4.0, 1.0], ["map", 5_000_000_000, 0.0, 1.0]]
    for i in range(24):
        at = 5_000_000_000 + 500_000_000 * i
        on, off = f"90{40 + i % 5:02x}5a", f"80{40 + i % 5:02x}40"
        rows += [
            ["msg", 2 * i, at, at, 0.5 * i, 0, on],
            ["msg", 2 * i + 1, at + 400_000_000, at, 0.5 * i + 0.4, 0, off],
        ]
    end = {"completed": True, "song_s": 12.0, "clock_map": {}, "lateness": {}, "input": {}, "marked": [[1, 2]]}
    rows += [
        ["mark", "xrun", 6_000_000_000, {"end_ns": 6_100_000_000}], ["mark", "port_lost", 7_000_000_000, {}],
        ["mark", "pass", 8_000_000_000, {"from_s": 2.0}], ["mark", "undo", 8_000_000_000, {"seq": 4}],
        ["mark", "level", 8_000_000_000, {"beats": 4.0, "intensity": 0.7}],
        ["mark", "bass_map", 8_000_000_000, {"rows": [[0.0, 1, 20833.3]], "channel": 1, "ears": 1, "sounded": True}],
        ["mark", "bass_at", 8_000_000_000, {"frame": 10.0, "ns_per_frame": 20833.3}],
        ["mark", "end", 17_000_000_000, end], ["saving", "x.mid"], ["end", 17_000_000_000, end],
    ]  # fmt: skip
    return tuple(rows)


def journal_bytes(rows: Sequence[Any]) -> bytes:
    """The records as lines, each with its own checksum."""
    raw = [json_text(row).encode() for row in rows]
    return b"".join(b"%s\t%08x\n" % (line, zlib.crc32(line)) for line in raw)


def _journal(rng: Rng, folder: Path) -> list[Argv]:
    rows = [copy.deepcopy(row) for row in journal_records()]
    for _ in range(rng.choice((1, 1, 2, 6))):
        at = rng.randrange(len(rows)) if rng.random() < 0.7 else rng.choice((0, 0, 1, len(rows) - 8, len(rows) - 1))
        match rng.randrange(6):
            case 0:
                rows.insert(rng.randrange(len(rows) + 1), rows.pop(at))
            case 1:
                rows[at:at] = [rows[at]] * rng.choice((1, 3, 400))
            case 2 if rows[at][0] == "msg":
                rows[at][-1] = rng.randbytes(rng.choice((0, 1, 2, 3, 4, 200))).hex()
            case 3 if at:
                del rows[at]
            case _:
                rows[at] = bent(rows[at], rng)
    place = folder / "takes" / "unfinished"
    place.mkdir(parents=True)
    (place / "a.journal").write_bytes(journal_bytes(rows))
    return [("(recover)", str(folder / "takes")), ("score", str(folder / "takes"))]


# --- notation ---------------------------------------------------------------------------------------------------------

_XML = """<score-partwise version="4.0"><work><work-title>t</work-title></work><part-list><score-part id="P1">
<part-name>Bass</part-name><midi-instrument id="I1"><midi-program>34</midi-program></midi-instrument>
</score-part><score-part id="P2"><part-name>Keys</part-name></score-part></part-list><part id="P1">
<measure number="0" implicit="yes"><attributes><divisions>12</divisions><key><fifths>1</fifths><mode>minor
</mode></key><time><beats>4</beats><beat-type>4</beat-type></time><staves>2</staves><clef number="1"><sign>F
</sign><line>4</line></clef><clef number="2"><sign>TAB</sign></clef><transpose><chromatic>0</chromatic>
<octave-change>-1</octave-change></transpose></attributes><note><pitch><step>D</step><octave>3</octave></pitch>
<duration>12</duration></note></measure><measure number="1"><barline location="left">
<repeat direction="forward"/></barline><direction><direction-type><rehearsal>1</rehearsal></direction-type>
<sound tempo="96"/></direction><direction><direction-type><metronome><beat-unit>quarter</beat-unit>
<per-minute>96</per-minute></metronome></direction-type></direction><direction><direction-type><words>Swing
</words></direction-type><sound><swing><first>2</first><second>1</second></swing></sound></direction><harmony>
<root><root-step>G</root-step><root-alter>0</root-alter></root><kind>dominant</kind><offset>0</offset></harmony>
<note><pitch><step>G</step><octave>2</octave></pitch><duration>12</duration><tie type="start"/><staff>1</staff>
</note><note><pitch><step>G</step><octave>2</octave></pitch><duration>12</duration><tie type="stop"/></note>
<note><grace/><pitch><step>B</step><alter>-1</alter><octave>2</octave></pitch></note><note><pitch><step>B</step>
<octave>2</octave></pitch><duration>8</duration></note><note><chord/><pitch><step>D</step><octave>3</octave>
</pitch><duration>8</duration></note><note><rest/><duration>16</duration></note><backup><duration>48</duration>
</backup><forward><duration>48</duration></forward></measure><measure number="2"><harmony><root><root-step>C
</root-step></root><kind>dominant</kind><degree><degree-value>9</degree-value><degree-alter>1</degree-alter>
</degree></harmony><note><pitch><step>C</step><octave>3</octave></pitch><duration>48</duration></note>
<barline location="right"><ending number="1" type="stop"/><repeat direction="backward" times="3"/></barline>
</measure><measure number="3"><barline location="left"><ending number="2, 3" type="start"/></barline><harmony>
<root><root-step>D</root-step></root><kind>minor-seventh</kind></harmony><note><pitch><step>D</step><octave>3
</octave></pitch><duration>48</duration></note></measure></part><part id="P2"><measure number="1"><note><pitch>
<step>C</step><octave>4</octave></pitch><duration>4</duration></note></measure></part></score-partwise>"""
_XML_TEXTS = (
    "", "0", "-1", "1", "3", "7", "12", "999", "1000000", "99999999999", "1e9", "nan", "inf", "0.5", "1/3", " 4 ",
    "x", "C", "H", "4+3", "²", "٣", "start", "minor", "percussion", "\u202e", "x" * 3000,
)  # fmt: skip
_XML_TAGS = (
    "note",
    "measure",
    "part",
    "attributes",
    "harmony",
    "x",
    "backup",
    "forward",
    "direction",
    "barline",
    "sound",
)


def xml_document(rng: Rng) -> bytes:
    root = ET.fromstring(_XML)
    for _ in range(rng.choice((1, 1, 2, 4, 10))):
        parents = [item for item in root.iter() if len(item)]
        if not parents:
            break
        holder = rng.choice(parents)
        i = rng.randrange(len(holder))
        item = holder[i]
        match rng.randrange(9):
            case 0:
                holder.remove(item)
            case 1:
                for _ in range(rng.choice((1, 5, 300)) if len(list(item.iter())) < 30 else 3):
                    holder.insert(i, copy.deepcopy(item))
            case 2:
                rng.choice(parents).append(copy.deepcopy(item))
            case 3:
                item.tag = rng.choice(_XML_TAGS)
            case 4 if item.attrib:
                item.set(rng.choice(list(item.attrib)), rng.choice(_XML_TEXTS))
            case 5:
                item.set(
                    rng.choice(("id", "number", "type", "times", "direction", "tempo", "implicit")),
                    rng.choice(_XML_TEXTS),
                )
            case 6:
                for _ in range(rng.choice((1, 20, 120))):
                    item = ET.SubElement(item, item.tag)
            case _:
                leaf = rng.choice([x for x in root.iter() if not len(x)])
                leaf.text = rng.choice(_XML_TEXTS)
    text = ET.tostring(root, encoding="unicode")
    if rng.random() < 0.1:
        ahead = (
            '<!DOCTYPE a PUBLIC "x" "http://localhost:1/x.dtd">',
            "<!DOCTYPE a [<!ENTITY b 'c'>]>",
            "<?x?><!-- -->",
        )
        text = rng.choice(ahead) + text
    code = rng.choice(("utf-8",) * 20 + ("utf-16", "utf-16-be", "latin-1"))
    declared = f'<?xml version="1.0" encoding="{code if rng.random() < 0.95 else "x"}"?>'
    return (declared + text).encode(code, "xmlcharrefreplace")


def _xml(rng: Rng, folder: Path) -> list[Argv]:
    path = folder / rng.choice(("f.musicxml", "f.xml", "f.mxl"))
    body = xml_document(rng)
    if path.suffix == ".mxl":
        box = '<container><rootfiles><rootfile full-path="s.xml"/></rootfiles></container>'
        box = box.replace("s.xml", rng.choice(("s.xml",) * 6 + ("", "../s.xml", "META-INF/container.xml", "é")))
        rows = [("META-INF/container.xml", box.encode()), ("s.xml", body), ("mimetype", b"x")]
        body = zipped(rows[:: rng.choice((1, 1, 1, -1))], rng)
    path.write_bytes(body)
    calls = (
        ("study", path), ("study", path, "--session", "first-round"), ("study", path, "--track", rng.choice("123")),
        ("study", path, "--session", "first-round", "--downbeat", rng.choice(("auto", "1.5", "nan"))),
        ("study", path, "--session", "first-round", "--phrase", "1", "--midi", folder / "o.mid"),
    )  # fmt: skip
    return [tuple(map(str, rng.choice(calls)))]


# --- sound files ------------------------------------------------------------------------------------------------------


@cache
def _sounds() -> tuple[tuple[str, bytes], ...]:
    import soundfile

    from tests.bass_sound import bass_line

    samples = bass_line([(0.1, 0.2, 40.0, 90), (0.4, 0.2, 43.0, 80)])
    out = []
    for kind, subtype in (
        ("WAV", "PCM_16"),
        ("WAV", "FLOAT"),
        ("WAVEX", "PCM_24"),
        ("FLAC", "PCM_16"),
        ("AIFF", "PCM_16"),
    ):
        body = io.BytesIO()
        soundfile.write(body, samples, 48_000, subtype, format=kind)
        out.append((kind, body.getvalue()))
    return tuple(out)


def sound_file(rng: Rng) -> tuple[str, bytes]:
    """A sound file whose chunks say something else than they hold."""
    kind, data = rng.choice(_sounds())
    if kind == "FLAC":  # the stream's own block: sizes, rate, channels, depth and length are bytes 8 to 26
        changed = bytearray(data)
        for _ in range(rng.choice((1, 2, 4))):
            changed[rng.choice((*range(4, 26), *range(26, min(200, len(changed)))))] = rng.choice((0, 1, 127, 128, 255))
        return "f.flac", bytes(changed)
    order = ">" if kind == "AIFF" else "<"
    chunks, at = [], 12
    while at + 8 <= len(data):
        size = struct.unpack_from(f"{order}I", data, at + 4)[0]
        chunks.append([data[at : at + 4], size, bytearray(data[at + 8 : at + 8 + size])])
        at += 8 + size + size % 2
    for _ in range(rng.choice((1, 1, 2, 3))):
        chunk = rng.choice(chunks)
        match rng.randrange(6):
            case 0:
                chunk[1] = rng.choice((0, 1, 2, 2**31 - 1, 2**31, 2**32 - 1, chunk[1] + 1, chunk[1] // 2))
            case 1:
                chunks.append(copy.deepcopy(chunk))
            case 2 if len(chunks) > 1:
                chunks.remove(chunk)
            case 3:
                chunks.insert(
                    0,
                    [rng.choice((b"LIST", b"cue ", b"smpl", b"bext", b"\0\0\0\0", b"data", b"fmt ")), 8, bytearray(8)],
                )
            case 4:
                rng.shuffle(chunks)
            case _ if len(chunk[2]) > 2:
                near = min(len(chunk[2]), 40)
                field = rng.randrange(0, near - 1, 2)
                chunk[2][field : field + 2] = rng.choice(
                    (b"\0\0", b"\xff\xff", b"\x01\x00", b"\x00\x01", b"\xfe\xff", b"\x7f\xc0")
                )
    body = b"".join(
        name + struct.pack(f"{order}I", size % 2**32) + bytes(inner) + b"\0" * (len(inner) % 2)
        for name, size, inner in chunks
    )
    told = len(body) + 4 if rng.random() < 0.8 else rng.choice((0, 4, 2**32 - 1, 2**31))
    return f"f.{'aif' if kind == 'AIFF' else 'wav'}", data[:4] + struct.pack(f"{order}I", told) + data[8:12] + body


def _sound(rng: Rng, folder: Path) -> list[Argv]:
    name, body = sound_file(rng)
    path = folder / name
    path.write_bytes(body)
    calls = (
        ("hear", path),
        ("hear", path, "--json"),
        ("hear", path, "--channel", "2"),
        ("score", path, "--session", "first-round"),
    )
    return [tuple(map(str, rng.choice(calls)))]


# --- settings ---------------------------------------------------------------------------------------------------------

_PORT: dict[str, Any] = {
    "schema": {"name": "port", "major": 1, "minor": 0}, "port": "computer keyboard", "profile": "pad",
    "transpose_semitones": 0, "tuning_cents": 0.0, "velocity_flat": False, "velocity_floor": 10, "doubled_ms": None,
    "string_channels": {"E": 1}, "checked": "2026-03-01", "channel": 1,
    "calibrations": {
        "none|direct": {
            "base_ms": 12.0, "periods": 2.0, "base_ci95_ms": [11.0, 13.0], "periods_ci95": [1.9, 2.1], "output_ms": 5.0,
            "input_ms": 7.0, "monitor": False, "n": 60, "made": "2026-03-01", "ports": ["in", "none"],
        }
    },
}  # fmt: skip
_PEDALS: dict[str, Any] = {
    "schema": {"name": "pedals", "major": 1, "minor": 0},
    "switches": [
        {"action": "again", "port": "p", "kind": "controller", "channel": 0, "number": 64, "port_alone": True}
    ],
}


def _settings(rng: Rng, folder: Path) -> list[Argv]:
    from trainer.settings import PortSettings, save_port

    path = save_port(PortSettings("computer keyboard"))
    _write(path, json_text(bent(_PORT, rng) if rng.random() < 0.9 else _PORT))
    _write(path.parents[1] / "pedals.json", json_text(bent(_PEDALS, rng) if rng.random() < 0.4 else _PEDALS))
    return [("(input)",), ("ports",)] if rng.random() < 0.02 else [("(input)",)]


# --- a case -----------------------------------------------------------------------------------------------------------

FAMILIES: dict[str, Callable[[Rng, Path], list[Argv]]] = {
    "midi": _midi,
    "toml": _toml,
    "sheet": _sheet,
    "take": _take,
    "result": _result,
    "journal": _journal,
    "xml": _xml,
    "sound": _sound,
    "settings": _settings,
}
PLACES = {"TRAINER_CONFIG_DIR": "config", "TRAINER_LOG_DIR": "log", "XDG_DATA_HOME": "data", "TMPDIR": "tmp"}


@contextlib.contextmanager
def _own_places(folder: Path) -> Iterator[None]:
    """Nothing of the person's is read or written."""
    import tempfile

    kept = {name: os.environ.get(name) for name in PLACES}
    (folder / "tmp").mkdir()
    os.environ |= {name: str(folder / place) for name, place in PLACES.items()}
    tempfile.tempdir = None
    before_cwd = Path.cwd()
    os.chdir(folder / "tmp")
    try:
        yield
    finally:
        os.chdir(before_cwd)
        for name, before in kept.items():
            if before is None:
                del os.environ[name]
            else:
                os.environ[name] = before
        tempfile.tempdir = None


@cache
def _parser() -> Any:
    """The option parser is built anew for each command else, which takes three times as long as the command."""
    import typer

    from trainer.cli import commands

    return typer.main.get_command(commands.app)


@contextlib.contextmanager
def _parser_made_once() -> Iterator[None]:
    from trainer.cli import commands

    made, own = _parser(), commands.app
    commands.app = made
    try:
        yield
    finally:
        commands.app = own


def make(family: str, number: int | str, folder: Path) -> list[Argv]:
    """The files of one case, and the commands to run over them: the same for the same number."""
    return FAMILIES[family](random.Random(f"{family} {number}"), folder)


def _called(argv: Argv) -> tuple[int, str]:
    """(exit status, what was said) of a command, or of what a command does first that has no name of its own."""
    from trainer.cli.run import run

    said, told = io.TextIOWrapper(io.BytesIO(), "utf-8"), io.TextIOWrapper(io.BytesIO(), "utf-8")
    status = 0
    with contextlib.redirect_stdout(said), contextlib.redirect_stderr(told):
        if argv[0] == "(recover)":
            from trainer.cli.desk import recovered

            recovered(Path(argv[1]))
        elif argv[0] == "(input)":
            from trainer.cli.running import with_input
            from trainer.live import PlayOptions

            try:
                with_input(PlayOptions(audio="none"), None)
            except TrainerError as error:
                status = 2
                print(error, file=told)
                assert str(error) and "\n" not in str(error)
        else:
            status = run(argv)
    said.flush()
    told.flush()
    return status, "".join(stream.buffer.getvalue().decode() for stream in (said, told))  # type: ignore[attr-defined]


def outcome(family: str, number: int | str, folder: Path) -> tuple[str, str]:
    """("read" | "refused" | "failed", what went wrong) of a case, in a folder that is emptied first."""
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    ends = []
    with _own_places(folder), _parser_made_once():
        for argv in make(family, number, folder):
            try:
                status, told = _called(argv)
            except Exception:
                return "failed", f"{' '.join(argv)}: {traceback.format_exc()}"
            faults = sorted((folder / "log").glob("fault-*.txt"))
            if faults or status not in (0, 2) or "Traceback" in told:
                details = "".join(path.read_text() for path in faults) or told
                return "failed", f"{' '.join(argv)}: exit {status}: {details}"
            if status == 2 and not told.strip():
                return "failed", f"{' '.join(argv)}: refused without a word"
            ends.append(status)
    return ("refused" if any(ends) else "read"), ""


def spread(n: int, families: Sequence[str] = tuple(FAMILIES)) -> Iterator[tuple[str, int]]:
    """`n` cases, the families in turn."""
    return itertools.islice(((family, i) for i in itertools.count() for family in families), n)
