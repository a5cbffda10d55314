"""The session that a MIDI file's own marks describe: how a take keeps its chart when its JSON is lost.

We write a Marker for each chorus, a Text for each chord, the key signature, and cue points for what neither can say
(groove, swing, choruses that are only heard, bars without the band). Read back, the marks must give a chart whose every
chord is the one that stands there; otherwise there is none.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from typing import Any, NamedTuple

import numpy as np

from trainer.errors import TrainerError
from trainer.limits import SONG_BARS
from trainer.music import FORMS, TURNAROUNDS, Chord
from trainer.music.chords import parse_chord
from trainer.session import BEATS_PER_BAR, CUES, N_INTRO_BARS, ROLES, Chart, Session, expand, session_from_dict
from trainer.take.midi_file import CHORUS_MARKER, FileClock, MidiFile

__all__ = ["session_of_marks"]

NEAR_BEATS = 0.02  # how far from its beat a mark may lie; our choice
_INTROS = {n_bars: start for start, n_bars in N_INTRO_BARS.items()}


def session_of_marks(
    midi: MidiFile, clock: FileClock, origin_beats: float, key: str, tempo_bpm: float
) -> tuple[Session, list[str]] | None:
    """The session that the file's marks describe, and remarks on what they leave open; None where they do not fit.

    `key` is the file's key signature, `tempo_bpm` the tempo at the first downbeat.
    """

    def on_beats(marks: tuple[tuple[int, str], ...]) -> list[tuple[float, str]]:
        return [(float(clock.beats_at(tick)) - origin_beats, text) for tick, text in marks]

    choruses, bars = _choruses(on_beats(midi.markers)), _bars(on_beats(midi.texts))
    if not bars or not choruses:
        return None
    cues = on_beats(midi.cues)
    starts = [chorus.bar for chorus in choruses]
    several = len(starts) > 1
    n_bars = starts[1] if several else max(bars) + 1
    swing = _said(cues, CUES["swing_ratio"])
    plain: dict[str, Any] = {
        "title": _title(midi),
        "key": key,
        "tempo_bpm": round(tempo_bpm, 2),
        "swing_ratio": 2.0 if swing is None else _number(swing),
        "groove": _said(cues, CUES["groove"]) or "shuffle",
        "count_in_bars": 0,
        "chorus": _plans(choruses, {round(at / BEATS_PER_BAR) for at, text in cues if text == CUES["heard"]}),
        "start": _INTROS.get(-min(bars), "top"),
        "ending": "tag" if several and max(bars) + 1 - starts[-1] > n_bars else "plain",
        **_spans(cues, starts, n_bars),
    }
    untold = ["the file does not say how the band swings; it is taken as 2 : 1"]
    session = next(_fitting(plain, _forms(n_bars, bars, exact=several), bars), None)
    return None if session is None else (session, untold if swing is None else [])


def _fitting(
    plain: dict[str, Any], forms: Iterator[dict[str, Any]], bars: dict[int, tuple[Chord, ...]]
) -> Iterator[Session]:
    """The sessions that the marks give, in each of these forms that has the chords of the bars."""
    for form in forms:
        with contextlib.suppress(TrainerError):
            session = session_from_dict({**plain, **form}, "marks")
            if _fits(expand(session), bars):
                yield session


class _Chorus(NamedTuple):
    """A chorus's marker: its number, the words after it, its beat from the first downbeat."""

    number: int
    words: str
    at_beats: float

    @property
    def bar(self) -> int:
        return round(self.at_beats / BEATS_PER_BAR)

    @property
    def off_beats(self) -> float:
        """How far from a bar line it lies."""
        return abs(self.at_beats - BEATS_PER_BAR * self.bar)


def _choruses(markers: list[tuple[float, str]]) -> list[_Chorus]:
    """The choruses that are marked; none where they do not count from 1 or lie off the bar lines."""
    matches = ((at, CHORUS_MARKER.fullmatch(text)) for at, text in markers)
    out = [_Chorus(int(match[1]), (match[2] or "").strip().casefold(), at) for at, match in matches if match]
    counted = all(chorus.number == n for n, chorus in enumerate(out, 1))
    return out if counted and all(chorus.off_beats <= NEAR_BEATS for chorus in out) else []


def _said(cues: list[tuple[float, str]], word: str) -> str | None:
    """What the last cue point that begins with a word says after it."""
    return next((text[len(word) :] for _, text in reversed(cues) if text.startswith(word)), None)


def _title(midi: MidiFile) -> str:
    names = [track.name for track in midi.tracks if track.name and not track.n_note_ons]
    return names[0][:200] if names and names[0].strip() else "A take"


def _bars(texts: list[tuple[float, str]]) -> dict[int, tuple[Chord, ...]]:
    """Bar (0: the first of chorus 1) → its chords in equal shares; empty where the texts are no chords in bars."""
    inside: dict[int, list[tuple[float, Chord]]] = {}
    for at, text in texts:
        try:
            chord = parse_chord(text)
        except TrainerError:
            return {}
        bar = int(np.floor((at + NEAR_BEATS) / BEATS_PER_BAR))
        inside.setdefault(bar, []).append((at - BEATS_PER_BAR * bar, chord))
    if not 1 <= len(inside) <= SONG_BARS or len(inside) != max(inside) - min(inside) + 1:  # a bar between has none
        return {}
    out = {}
    for bar, chords in inside.items():
        share = BEATS_PER_BAR / len(chords)
        chords.sort(key=lambda item: item[0])
        if any(abs(at - i * share) > NEAR_BEATS for i, (at, _) in enumerate(chords)):
            return {}
        out[bar] = tuple(chord for _, chord in chords)
    return out


def _plans(choruses: list[_Chorus], heard: set[int]) -> list[dict[str, Any]]:
    """A `[[chorus]]` table for each chorus; a role that is none of ours is a verse."""
    plans = []
    for chorus in choruses:
        role = chorus.words.split()[0] if chorus.words else "verse"
        plans.append({"role": role if role in ROLES else "verse", "heard": chorus.bar in heard})
    return plans


def _number(text: str) -> float | str:
    try:
        return float(text)
    except ValueError:
        return text  # refused by the session's own check


def _forms(n_bars: int, bars: dict[int, tuple[Chord, ...]], *, exact: bool) -> Iterator[dict[str, Any]]:
    """What the form may be: a built-in one of this length with each turnaround, else a chart of the bars themselves.

    Of a single chorus the length is not known: any built-in form that is no longer.
    """
    for form in FORMS.values():
        if form.n_bars != n_bars and (exact or form.n_bars > n_bars):
            continue
        yield {"form": form.name}
        if form.turnaround_bars == 2:
            yield from ({"form": form.name, "turnaround": name} for name in TURNAROUNDS)
    if all(bar in bars for bar in range(n_bars)):
        names = [" ".join(chord.name for chord in bars[bar]) for bar in range(n_bars)]
        yield {"form": "chart", "chart": {"bars": names}}


def _spans(cues: list[tuple[float, str]], starts: list[int], n_bars: int) -> dict[str, Any]:
    """The bars without the band and those over a pedal, as a session's tables."""
    out: dict[str, Any] = {}
    for name in ("drop_out", "pedal"):
        for bar in [round(at / BEATS_PER_BAR) for at, text in cues if text == CUES[name]]:
            chorus = int(np.searchsorted(starts, bar, side="right"))
            if chorus and bar - starts[chorus - 1] < n_bars:
                place = bar - starts[chorus - 1] + 1
                out.setdefault(name, []).append({"chorus": chorus, "bars": [place, place]})
    return out


def _fits(chart: Chart, bars: dict[int, tuple[Chord, ...]]) -> bool:
    """Whether every chord of the file is the chart's; the song's last bar may differ: an unfinished take has none."""
    by_bar = {round(bar.onset_beats / BEATS_PER_BAR): bar for bar in chart.bars}
    if not set(bars) <= set(by_bar):
        return False

    def sounds(chords: tuple[Chord, ...]) -> list[tuple[int, str]]:
        return [(chord.root_pc, chord.quality) for chord in chords]

    return all(sounds(bars[i]) == sounds(by_bar[i].chords) or by_bar[i].final for i in bars)
