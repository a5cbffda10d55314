"""The worst that each reader takes: `python -m tests.worst_long [--only WORD …]`, a table of seconds and megabytes.

Each case lies at a limit of `trainer/limits.py` or of its reader, or lies about its size, and is given to the command
itself in a process of its own. What is read must take at most 10 s of processor time and 300 MB; what is beyond a limit
is one line and costs less. Sound takes its own time: seconds are those of the recording's length too.
"""

from __future__ import annotations

import argparse
import io
import json
import os
import re
import struct
import subprocess
import sys
import tempfile
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from tests.practice.forgeries import a_result, repacked
from tests.structures import journal_records
from trainer import limits
from trainer.take import midi_file

MOST_S, MOST_MB = 10.0, 300.0
SESSION = "chorus = [{{ role = 'verse', times = {n} }}]\nform = 'chart'\n[chart]\nbars = [{bars}]\n"
Argv = list[Any]


def _varlen(n: int) -> bytes:
    return bytes((n >> 7 & 0x7F | 0x80, n & 0x7F)) if n > 127 else bytes((n,))


def _chunk(body: bytes) -> bytes:
    return b"MTrk" + len(body).to_bytes(4, "big") + body


def _midi(path: Path, n_notes: int, ahead: bytes = b"", step: int = 120) -> Path:
    """A line of that many notes, a sixteenth each, up and down a scale."""
    head = b"MThd\0\0\0\6\0\1\0\2\x01\xe0" + _chunk(ahead + b"\0\xff\x2f\0")
    scale = (31, 33, 35, 36, 38, 40, 42, 43)
    pair = b"".join(
        b"\x00\x90" + bytes((p, 90)) + _varlen(step) + b"\x80" + bytes((p, 0)) for p in (*scale, *reversed(scale))
    )
    path.write_bytes(head + _chunk(pair * (n_notes // 16) + b"\0\xff\x2f\0"))
    return path


def _events(folder: Path) -> Argv:
    return ["score", _midi(folder / "a.mid", midi_file.MAX_EVENTS // 2)]


def _bends(folder: Path) -> Argv:
    bend = b"".join(b"\x01\xe0" + bytes((i % 128, 64)) for i in range(1000))
    body = b"\0\x90\x28\x50" + bend * (midi_file.MAX_EVENTS // 1000 - 1) + b"\0\x80\x28\0\0\xff\x2f\0"
    path = folder / "a.mid"
    path.write_bytes(b"MThd\0\0\0\6\0\0\0\1\x01\xe0" + _chunk(body))
    return ["score", path]


def _tempos(folder: Path) -> Argv:
    """A tempo on each tick, and texts."""
    ahead = b"\x01\xff\x51\x03\x07\xa1\x20\x00\xff\x51\x03\x07\xa1\x21" * (midi_file.MAX_META_EVENTS // 2 - 4)
    return ["score", _midi(folder / "a.mid", 1600, ahead)]


def _texts(folder: Path) -> Argv:
    ahead = b"\x83\x60\xff\x01\x02G7" * limits.CUES
    return ["score", _midi(folder / "a.mid", 1600, b"\0\xff\x59\2\0\0\0\xff\x06\x08chorus 1" + ahead)]


def _long_session(folder: Path) -> Path:
    bars = ", ".join(["'C7 F7 G7 D7'"] * limits.FORM_BARS)
    path = folder / "s.toml"
    path.write_text(SESSION.format(n=limits.SONG_BARS // limits.FORM_BARS, bars=bars))
    return path


def _written(folder: Path) -> Argv:
    """A song of 4,800 bars with four chords in each, and an even line over all of it."""
    return ["score", _midi(folder / "a.mid", 16 * limits.SONG_BARS), "--session", _long_session(folder)]


def _found(folder: Path) -> Argv:
    return [*_written(folder), "--downbeat", "auto"]


def _choruses(folder: Path) -> Argv:
    path = folder / "s.toml"
    path.write_text(f"chorus = [{{ role = 'verse', times = {limits.PLAYED_CHORUSES} }}]\n")
    return ["score", _midi(folder / "a.mid", 16 * limits.SONG_BARS), "--session", path]


def _shorter(folder: Path) -> Argv:
    """As many choruses as go on paper."""
    n = limits.PAPER_BARS // 12
    (folder / "s.toml").write_text(f"chorus = [{{ role = 'verse', times = {n} }}]\n")
    return [_midi(folder / "a.mid", 16 * 12 * n), "--session", folder / "s.toml"]


def _page(folder: Path) -> Argv:
    return ["report", *_shorter(folder), "--out", folder / "x.html"]


def _paper(folder: Path) -> Argv:
    return ["export", *_shorter(folder), "--musicxml", folder / "x.musicxml"]


def _page_beyond(folder: Path) -> Argv:
    return ["report", *_choruses(folder)[1:], "--out", folder / "x.html"]


def _drop_outs(folder: Path) -> Argv:
    spans = "".join(f"[[drop_out]]\nchorus = {1 + i % 75}\nbars = [1, 64]\n" for i in range(limits.SPANS))
    path = _long_session(folder)
    path.write_text(path.read_text() + spans)
    return ["chart", path, "--json"]


def _xml_notes(folder: Path, n: int = limits.NOTES) -> Argv:
    note = "<note><pitch><step>G</step><octave>2</octave></pitch><duration>1</duration></note>"
    harmony = "<harmony><root><root-step>G</root-step></root><kind>dominant</kind></harmony>"
    head = "<attributes><divisions>6</divisions><time><beats>4</beats><beat-type>4</beat-type></time></attributes>"
    bars = "".join(f"<measure>{head if i == 0 else ''}{harmony}{note * 24}</measure>" for i in range(n // 24))
    path = folder / "x.musicxml"
    path.write_text(
        f'<score-partwise><part-list><score-part id="P"/></part-list><part id="P">{bars}</part></score-partwise>'
    )
    return ["study", path]


def _xml_parts(folder: Path) -> Argv:
    path = folder / "x.musicxml"
    body = "<a/>" * (limits.XML_PARTS - 20)
    path.write_text(f'<score-partwise><part id="P"><measure>{body}</measure></part></score-partwise>')
    return ["study", path]


def _xml_beyond(folder: Path) -> Argv:
    return _xml_notes(folder, limits.NOTES + 24)


def _xml_bomb(folder: Path) -> Argv:
    """Packed small, unpacked as large as it may be."""
    import zipfile

    path = folder / "x.mxl"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as out:
        out.writestr("META-INF/container.xml", '<rootfile full-path="a.xml"/>')
        out.writestr("a.xml", b"<a>" + b"<b/>" * 15_999_990 + b"</a>")
    return ["study", path]


def _wav(folder: Path, minutes: float) -> Argv:
    """A bass line again and again, written in pieces."""
    import soundfile

    from tests.bass_sound import bass_line

    bar = bass_line([(0.1 + 0.25 * i, 0.2, 36.0 + i % 8, 90) for i in range(16)]).astype(np.float32)
    path = folder / "a.wav"
    with soundfile.SoundFile(path, "w", 48_000, 1, "PCM_16") as out:
        for _ in range(round(minutes * 60 * 48_000 / len(bar))):
            out.write(bar)
    return ["hear", path, "--csv"]


def _song_of_sound(folder: Path) -> Argv:
    from trainer.take.sound_file import MAX_MINUTES

    return _wav(folder, MAX_MINUTES)


def _sound_beyond(folder: Path) -> Argv:
    from trainer.take.sound_file import MAX_MINUTES

    return _wav(folder, MAX_MINUTES + 1)


def _lying_wav(folder: Path) -> Argv:
    """Its header says four gigabytes and there is a tenth of a second."""
    path = folder / "a.wav"
    fmt = struct.pack("<HHIIHH", 1, 1, 48_000, 96_000, 2, 16)
    head = b"RIFF" + b"\xff" * 4 + b"WAVEfmt " + struct.pack("<I", 16) + fmt + b"data" + b"\xff" * 4
    path.write_bytes(head + bytes(9600))
    return ["hear", path]


def _flac(folder: Path) -> Argv:
    """Silence: an hour in some hundred kilobytes, on as many channels as FLAC has."""
    import soundfile

    from trainer.take.sound_file import MAX_MINUTES

    path = folder / "a.flac"
    with soundfile.SoundFile(path, "w", 96_000, 8, "PCM_24") as out:
        for _ in range(round(MAX_MINUTES * 60)):
            out.write(np.zeros((96_000, 8), dtype=np.int32))
    return ["hear", path]


def _channels(folder: Path) -> Argv:
    """A header of 128 channels at a million hertz."""
    path = folder / "a.wav"
    fmt = struct.pack("<HHIIHH", 1, 128, 1_000_000, 256_000_000, 256, 16)
    data = bytes(64_000_000)
    head = b"RIFF" + struct.pack("<I", 36 + len(data)) + b"WAVEfmt " + struct.pack("<I", 16) + fmt
    path.write_bytes(head + b"data" + struct.pack("<I", len(data)) + data)
    return ["hear", path]


def _result(folder: Path, n_takes: int) -> Argv:
    place = folder / "class"
    place.mkdir()
    data = a_result(folder / "made").read_bytes() if (folder / "made").mkdir() is None else b""
    import zipfile

    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        record = json.loads(archive.read("result.json"))
        one = {name[2:]: archive.read(name) for name in archive.namelist() if name.startswith("01.")}
    first = record["takes"][0]
    record["takes"] = [first | {"take": f"{n:03d}"} for n in range(1, n_takes + 1)]
    parts = {f"{n:03d}{name}": body for n in range(1, n_takes + 1) for name, body in one.items()}
    (place / "a.result").write_bytes(repacked(data, {"result.json": json.dumps(record).encode(), **parts}))
    return ["review", place]


def _full_result(folder: Path) -> Argv:
    from trainer.practice.parcel import MAX_TAKES

    return _result(folder, MAX_TAKES - 1)


def _result_beyond(folder: Path) -> Argv:
    return _result(folder, 999)


def _take_json(folder: Path) -> Argv:
    """A take of our own at the most notes that its reader takes."""
    from tests.take.test_store import made_take
    from trainer.take.record import MAX_RECORD_BYTES, record_bytes, record_of

    record = json.loads(record_bytes(record_of(made_take(), "0" * 64)))
    n = min(MAX_RECORD_BYTES // 90, 10**6)
    at = (np.arange(n) * 0.05).round(4)
    record["notes"] = {
        "onset_s": (at[-1] and at * min(1.0, 80_000 / at[-1])).tolist(), "duration_s": [0.04] * n, "pitch": [40.0] * n,
        "velocity": [90] * n, "channel": [0] * n, "flags": [0] * n,
    }  # fmt: skip
    path = folder / "a.json"
    path.write_text(json.dumps(record))
    return ["score", path]


def _journal(folder: Path) -> Argv:
    """As many lines as a journal may have."""
    from trainer.take.journal import _MAX_BYTES

    place = folder / "takes" / "unfinished"
    place.mkdir(parents=True)
    head, first, second, *_ = journal_records()
    with (place / "a.journal").open("wb") as out:
        for i in range(-3, 10**9):
            at = 5_000_000_000 + 4_000_000 * i
            row = {-3: head, -2: first, -1: second}.get(i) or ["msg", i, at, at, 0.004 * i, 0, f"e0{i % 128:02x}40"]
            raw = json.dumps(row).encode()
            out.write(b"%s\t%08x\n" % (raw, zlib.crc32(raw)))
            if out.tell() > _MAX_BYTES - 200:
                break
    finish = (
        "import sys; from pathlib import Path; from trainer.cli.desk import recovered; recovered(Path(sys.argv[1]))"
    )
    return ["-c", finish, folder / "takes"]


def _long_line(folder: Path) -> Argv:
    return ["line", _choruses(folder)[3]]


def _long_chart(folder: Path) -> Argv:
    return ["chart", _long_session(folder), "--json"]


CASES: dict[str, Callable[[Path], Argv]] = {
    "MIDI file, as many messages as it may have, all notes": _events,
    "MIDI file, as many messages, one bend after another": _bends,
    "MIDI file, as many tempi": _tempos,
    "MIDI file, as many chord names": _texts,
    "song of 4,800 bars of four chords, 76,800 notes": _written,
    "the same, its downbeat looked for": _found,
    "song of 400 choruses of twelve, 76,800 notes": _choruses,
    "report of 125 choruses, 24,000 notes": _page,
    "their notation": _paper,
    "report of 400 choruses": _page_beyond,
    "a line over it": _long_line,
    "chart of 4,800 bars": _long_chart,
    "chart of 4,800 bars, 1,000 drop-outs": _drop_outs,
    "MusicXML of 100,000 notes": _xml_notes,
    "MusicXML of more notes": _xml_beyond,
    "MusicXML of a million elements": _xml_parts,
    "MusicXML packed, 64 MB inside": _xml_bomb,
    "sound, the longest": _song_of_sound,
    "sound, a minute longer": _sound_beyond,
    "WAV whose header says 4 GB": _lying_wav,
    "WAV of 128 channels at 1 MHz": _channels,
    "FLAC of silence, eight channels, the longest": _flac,
    "result of 199 takes": _full_result,
    "result of 999 takes": _result_beyond,
    "take's JSON of the most notes": _take_json,
    "journal, the longest": _journal,
}


def measured(make: Callable[[Path], Argv], folder: Path) -> tuple[int, float, float, str]:
    """(exit status, seconds of processor time, megabytes at most, the last line said)."""
    pid = os.fork()  # the file is made elsewhere: a process counts what the one that started it held as its own
    if pid == 0:
        try:
            (folder / "argv").write_text(json.dumps([str(item) for item in make(folder)]))
        finally:
            os._exit(0)
    os.waitpid(pid, 0)
    argv = json.loads((folder / "argv").read_text())
    ahead = [] if argv[0] == "-c" else ["-m", "trainer"]
    env = os.environ | {"XDG_DATA_HOME": str(folder / "data"), "TRAINER_LOG_DIR": str(folder / "log")}
    with (folder / "said").open("wb") as said:
        process = subprocess.Popen([sys.executable, *ahead, *argv], stdout=said, stderr=said, env=env)
        _, status, used = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
    with (folder / "said").open("rb") as told:
        told.seek(max(0, told.seek(0, 2) - 400))
        lines = told.read().decode("utf-8", "replace").strip().splitlines()
    last = re.sub(re.escape(str(folder)) + r"/?", "", lines[-1])[:110] if lines else ""
    return process.returncode, used.ru_utime + used.ru_stime, used.ru_maxrss / 1024, last


def main() -> int:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--only", nargs="*", default=[], help="cases whose name holds one of these words")
    asked = options.parse_args()
    n_beyond = 0
    print(f"{'case':<58} {'exit':>4} {'s':>6} {'MB':>6}")
    for name, make in CASES.items():
        if asked.only and not any(word in name for word in asked.only):
            continue
        with tempfile.TemporaryDirectory(prefix="worst-") as folder:
            status, took_s, peak_mb, last = measured(make, Path(folder))
        beyond = took_s > MOST_S or peak_mb > MOST_MB or status not in (0, 2)
        n_beyond += beyond
        said = f"  {last}" if status else ""
        print(f"{name:<58} {status:>4} {took_s:>6.1f} {peak_mb:>6.0f}{'  BEYOND' * beyond}{said}", flush=True)
    print(f"{n_beyond} beyond {MOST_S:g} s or {MOST_MB:g} MB")
    return int(n_beyond > 0)


if __name__ == "__main__":
    sys.exit(main())
