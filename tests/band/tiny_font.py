"""A whole SoundFont of a few kilobytes, written from the SoundFont 2.04 specification: one looped tone for every
program of banks 0 and 128, so that tests need no font from elsewhere."""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np

RATE_HZ = 22050
_LOOP = 100  # frames: the tone is 220.5 Hz, A3 a fifth of a Hz high


def _chunk(name: bytes, body: bytes) -> bytes:
    return name + struct.pack("<I", len(body)) + body + b"\0" * (len(body) % 2)


def _list(name: bytes, *chunks: bytes) -> bytes:
    return _chunk(b"LIST", name + b"".join(chunks))


def write_tiny_font(path: Path, *, level: float = 0.6, drums: bool = True) -> Path:
    """Write it; `level` 0 makes a font that is whole and silent, `drums` whether bank 128 is in it."""
    frames = np.rint(level * 32767 * np.sin(2 * np.pi * np.arange(8 * _LOOP) / _LOOP)).astype("<i2")
    samples = frames.tobytes() + bytes(2 * 46)
    info = _list(b"INFO", _chunk(b"ifil", struct.pack("<HH", 2, 4)), _chunk(b"isng", b"EMU8000\0"),
                 _chunk(b"INAM", b"one tone"))  # fmt: skip
    presets = b"".join(
        struct.pack("<20sHHHIII", b"tone", program, bank, i, 0, 0, 0)
        for i, (program, bank) in enumerate([(p, 0) for p in range(128)] + [(0, 128)] * drums)
    )
    n = 128 + drums
    ends = struct.pack("<20sHHHIII", b"EOP", 0, 0, n, 0, 0, 0)
    bags = b"".join(struct.pack("<HH", i, 0) for i in range(n + 1))
    generators = struct.pack("<HH", 41, 0) * n + struct.pack("<HH", 0, 0)  # 41: instrument
    instrument = struct.pack("<20sH", b"tone", 0) + struct.pack("<20sH", b"EOI", 1)
    zones = struct.pack("<HHHH", 0, 0, 2, 0)
    zone = struct.pack("<HH", 54, 1) + struct.pack("<HH", 53, 0) + struct.pack("<HH", 0, 0)  # looped; sample 0
    header = struct.pack("<20sIIIIIBbHH", b"tone", 0, 8 * _LOOP, _LOOP, 7 * _LOOP, RATE_HZ, 57, 0, 0, 1)
    header += struct.pack("<20sIIIIIBbHH", b"EOS", 0, 0, 0, 0, 0, 0, 0, 0, 0)
    data = _list(b"pdta", _chunk(b"phdr", presets + ends), _chunk(b"pbag", bags), _chunk(b"pmod", bytes(10)),
                 _chunk(b"pgen", generators), _chunk(b"inst", instrument), _chunk(b"ibag", zones),
                 _chunk(b"imod", bytes(10)), _chunk(b"igen", zone), _chunk(b"shdr", header))  # fmt: skip
    body = b"sfbk" + info + _list(b"sdta", _chunk(b"smpl", samples)) + data
    path.write_bytes(b"RIFF" + struct.pack("<I", len(body)) + body)
    return path
