"""Standard MIDI Files, written: tracks from (tick, rank, message) rows, and a chart as a conductor track."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence

from trainer.session import BEATS_PER_BAR, Chart

__all__ = ["Row", "conductor_rows", "meta_bytes", "midi_bytes", "tempo_row", "time_signature", "track_bytes"]

Row = tuple[int, int, bytes]  # tick, rank among those of one tick, message


def _varlen(number: int) -> bytes:
    out = [number & 0x7F]
    while number := number >> 7:
        out.append(number & 0x7F | 0x80)
    return bytes(reversed(out))


def meta_bytes(kind: int, body: bytes) -> bytes:
    """A meta event without its delta time."""
    return bytes((0xFF, kind)) + _varlen(len(body)) + body


def track_bytes(events: Iterable[tuple[int, int, bytes]], name: str, end_tick: int = 0) -> bytes:
    """A track chunk from (tick, rank, message) rows: sorted by tick, then rank, then as given.

    Delta times are split where they are longer than four bytes allow.
    """
    out = [b"\x00", meta_bytes(0x03, name.encode("utf-8"))]
    now = 0
    for tick, _, message in sorted(events, key=lambda row: (row[0], row[1])):
        delta = tick - now
        now = tick
        while delta > 0x0FFFFFFF:
            out.append(_varlen(0x0FFFFFFF) + meta_bytes(0x01, b""))
            delta -= 0x0FFFFFFF
        out.append(_varlen(delta))
        out.append(message)
    out.append(_varlen(min(max(end_tick - now, 0), 0x0FFFFFFF)) + meta_bytes(0x2F, b""))
    body = b"".join(out)
    return b"MTrk" + len(body).to_bytes(4, "big") + body


def midi_bytes(tracks: Sequence[bytes], ppq: int) -> bytes:
    """A format 1 file of track chunks."""
    header = b"MThd" + (6).to_bytes(4, "big") + (1).to_bytes(2, "big")
    return header + len(tracks).to_bytes(2, "big") + ppq.to_bytes(2, "big") + b"".join(tracks)


def time_signature() -> Row:
    """Four quarters a bar, from the file's start."""
    return 0, 1, meta_bytes(0x58, bytes((BEATS_PER_BAR, 2, 24, 8)))


def tempo_row(tick: int, us_a_beat: int) -> Row:
    return tick, 0, meta_bytes(0x51, us_a_beat.to_bytes(3, "big"))


def conductor_rows(chart: Chart, tick: Callable[[float], int], end_beats: float = math.inf) -> list[Row]:
    """Time and key signature; before `end_beats` a Marker at each chorus, a Text for each chord, the cue points."""
    key = chart.key
    rows = [time_signature(), (0, 2, meta_bytes(0x59, bytes((key.fifths & 0xFF, int(key.minor)))))]
    roles = {bar.onset_beats: bar.role for bar in chart.bars}
    for i, beats in enumerate(chart.chorus_onsets_beats, 1):
        if beats == 0.0 or beats < end_beats:
            rows.append((tick(beats), 3, meta_bytes(0x06, f"chorus {i} {roles[beats]}".encode())))
    for span in chart.spans:
        if span.onset_beats < end_beats:
            rows.append((tick(span.onset_beats), 4, meta_bytes(0x01, span.chord.name.encode())))
    cues = ((beats, words) for beats, words in chart.cues if beats < end_beats or beats <= 0.0)
    return rows + [(tick(beats), 5, meta_bytes(0x07, words.encode())) for beats, words in cues]
