"""Whose beat: the file's tempo map, or the beat that was played.

A file that was recorded without a click, or whose tempo map is not what was played, has no beat to judge by. Where the
onsets' own beat wanders from the file's by more than any player does from a click, that is said before anything else,
and a beat is fitted: to the file's drums where it has some, else to the notes themselves (against which nobody is late
or early, but swing and steadiness can be told).

How: in windows of four beats, how well each place of the beat suits the onsets (the template of `phase`); the path of
the beat's place through the windows by dynamic programming, around the one tempo that fits best of those within a tenth
of the file's. Numbers are our choice.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal, TypeAlias

import numpy as np

from trainer.clock.tempo import TempoMap
from trainer.music.general_midi import DRUM_CHANNEL
from trainer.scoring.phase import TEMPLATE_FFT
from trainer.scoring.reading import Floats, Ints
from trainer.scoring.why import Why, no_figure
from trainer.session import Chart
from trainer.take.model import MAX_BEATS, Take, furthest

__all__ = ["BEATS_BY", "BeatBy", "BeatFound", "beat_of"]

BeatBy: TypeAlias = Literal["file", "notes", "drums"]
BEATS_BY: tuple[BeatBy, ...] = ("file", "notes", "drums")

BINS = 96
WINDOW_BEATS = 4
LEAST_ONSETS, LEAST_WINDOWS = 32, 8
TEMPO_REACH, TEMPO_STEP = 0.10, 0.0005
STEP_BINS = 9  # that the beat's place may move from one window to the next, beside the one tempo
STEP_COST = 0.003
WANDERS_BEATS = 0.35  # from the file's beat: further than anybody strays from a click
HOLDS = 0.7  # of what every window would have by itself: the file's beat is the one that was played
# Of the template's best, an onset: a beat that is followed has as much (onsets at random up to 0.65, mostly 0.5), and
# below the other the file's own is none (at random at most 0.46; whoever keeps it has 0.59 and more).
A_BEAT, NO_BEAT = 0.6, 0.5
MOST_WINDOWS = 512  # that the tempo is searched in
BETTER = 1.25  # that the played beat has to suit the onsets, beside the file's
SMOOTH_WINDOWS = 2  # on either side
# So many windows in a row whose onsets suit another place of the beat clearly better: there it may have slipped by one.
SLIP_WINDOWS, SLIP_SHARE, SLIP_REACH = 2, 0.8, 8
LEAST_DRUMS = 32
# Tempi that a steady line may be taken for, beside its own; roots at the changes tell them apart: so many land, and so
# many more than by the beat found. A beat fitted to notes alone needs some of them itself.
OTHER_TEMPI = (1 / 2, 2 / 3, 3 / 4, 4 / 3, 3 / 2, 2.0)
ROOTS_LAND, ROOTS_MORE, ROOTS_FITTED = 0.6, 0.3, 0.45
LEAST_CHANGES, NEAR_BEATS = 12, 0.3
ROOTS_SURE, LEAST_CHANGES_ASKED = 0.8, 6  # of a beat at the tempo that the session asks for


@dataclass(frozen=True, slots=True)
class BeatFound:
    """The take on the beat it is judged by, whose beat that is, and what is to be said of it first (or "").

    `none`: why there is no beat to judge by: nothing is said of time, nor of the place in the form. `may_slip`: a
    fitted beat may have gained or lost a beat on the way: time can be told, the place in the form cannot.
    """

    take: Take
    by: BeatBy
    remark: str = ""
    none: Why | None = None
    may_slip: bool = False


def beat_of(take: Take, asked: BeatBy | None = None, chart: Chart | None = None) -> BeatFound:
    """The take on the file's beat or on one fitted to what was played, as asked or as the onsets say.

    Takes of ours keep their beat: the band played it. So does a file with too few onsets to tell. Where the chords of
    the `chart` come round at quite another tempo than the beat's, there is no beat that may be judged by.
    """
    if not take.header.foreign or asked == "file":
        return BeatFound(take, "file")
    found = _by_onsets(take, asked)
    if asked is not None or chart is None:
        return found
    if found.none is None:
        found = _by_chords(found, chart)
    holds = found.none is None and found.by == "file"
    return _by_session(take, chart, file_holds=holds) or found


def _by_session(take: Take, chart: Chart, *, file_holds: bool) -> BeatFound | None:
    """The take on the session's tempo, where the file names quite another: a program that was never told the tempo
    writes its own, or half or twice it, into every file. Only if the roots then land, in the session's key, and where
    the notes fit the file's own beat (`file_holds`) far more than by that: no other reading explains it.
    """
    own = TempoMap(chart.tempo_segments)
    if not len(take.notes):
        return None
    asked_bpm, file_bpm = (
        float(np.median(each.bpm_at(take.tempo.beats_at(take.notes["onset_s"])))) for each in (own, take.tempo)
    )
    if abs(file_bpm / asked_bpm - 1.0) < TEMPO_REACH:
        return None
    found = _by_onsets(replace(take, tempo=own), "notes")
    landed = _of_take(found.take, chart, LEAST_CHANGES_ASKED, moved=False)
    if found.by != "notes" or landed < ROOTS_SURE:
        return None
    if file_holds and landed < _of_take(take, chart, LEAST_CHANGES_ASKED) + ROOTS_MORE:
        return None
    text = (
        f"the tempo in this file ({file_bpm:.0f} bpm) is not the one that was played: read at the session's "
        f"{asked_bpm:.0f}, by a beat fitted to what was played, so nobody can say whether you were late or early"
    )
    return replace(found, remark=text)


def _by_onsets(take: Take, asked: BeatBy | None) -> BeatFound:
    drums = take.band[take.band["channel"] == DRUM_CHANNEL]["onset_s"]
    by: BeatBy = "drums" if len(drums) >= LEAST_DRUMS and asked != "notes" else "notes"
    onset_s = drums if by == "drums" else take.notes["onset_s"]
    beats = np.asarray(take.tempo.beats_at(np.sort(onset_s.astype(np.float64))), dtype=np.float64)
    if len(beats) < LEAST_ONSETS:
        return BeatFound(take, "file")
    followed, holds = _played(beats, forced=asked is not None)
    tempo = take.tempo if followed is None else _map(take.tempo, followed.at, followed.moved)
    # Where the file's own tempo runs into millions, so does a beat that is carried on from there: that is none.
    if followed is None or furthest(take.notes, tempo)[1] > MAX_BEATS:
        text = "what was played keeps neither the file's beat nor any other that could be found"
        return BeatFound(take, "file") if holds else BeatFound(take, "file", text, no_figure("no_beat", text))
    at, moved = followed.at, followed.moved
    ratio = (at[-1] - at[0] - (moved[-1] - moved[0])) / (at[-1] - at[0])
    bpm = float(np.median(take.tempo.bpm_at(at)))
    whose = "the drums" if by == "drums" else "what was played"
    remark = (
        f"the beat in this file is not the one that was played ({bpm:.1f} bpm in the file, about {bpm * ratio:.1f} "
        f"played): everything below is judged by a beat fitted to {whose}"
    )
    if by == "notes":
        remark += ", so nobody can say whether you were late or early"
    slips = _may_slip(np.asarray(tempo.beats_at(np.sort(onset_s.astype(np.float64))), dtype=np.float64))
    return BeatFound(replace(take, tempo=tempo), by, remark, may_slip=slips)


def _may_slip(beats: Floats) -> bool:
    """Whether onsets on the beat fitted to them keep away from it for some windows."""
    suits = _windows(beats)[1]
    home = int(np.argmax(suits.sum(axis=0)))
    near = suits[:, (home + np.arange(-SLIP_REACH, SLIP_REACH + 1)) % BINS].max(axis=1)
    away = near < SLIP_SHARE * suits.max(axis=1)
    return bool(np.any(np.convolve(away, np.ones(SLIP_WINDOWS), "valid") >= SLIP_WINDOWS))


def _by_chords(found: BeatFound, chart: Chart) -> BeatFound:
    """The beat found, unless the roots at the changes say that it is not one: a steady line may fit several."""
    beats, pc = _beats_and_pc(found.take)
    here = _roots_landed(beats, pc, chart)
    other, scale = max((_roots_landed(beats * scale, pc, chart), scale) for scale in OTHER_TEMPI)
    if other >= ROOTS_LAND and other >= here + ROOTS_MORE:
        bpm = float(np.median(found.take.tempo.bpm_at(beats)))
        text = (
            f"the chords come round as if about {bpm * scale:.0f} bpm were played, and the beat is taken for "
            f"{bpm:.0f}: nothing is judged until the file's tempo is the one played"
        )
    elif found.by == "notes" and here < ROOTS_FITTED:
        text = "what was played keeps neither the file's beat nor any other that the chords come round in"
    else:
        return found
    return BeatFound(found.take, "file", text, no_figure("no_beat", text))


def _beats_and_pc(take: Take) -> tuple[Floats, Ints]:
    beats = np.asarray(take.tempo.beats_at(take.notes["onset_s"].astype(np.float64)), dtype=np.float64)
    return beats, np.rint(take.notes["pitch"].astype(np.float64)).astype(np.int64) % 12


def _of_take(take: Take, chart: Chart, least: int, *, moved: bool = True) -> float:
    return _roots_landed(*_beats_and_pc(take), chart, least, moved=moved)


def _roots_landed(beats: Floats, pc: Ints, chart: Chart, least: int = LEAST_CHANGES, *, moved: bool = True) -> float:
    """Share of the changes of root whose nearest note is that root, in whatever key fits best (or, not `moved`, in the
    chart's own); 0 for fewer changes than `least`."""
    spans = chart.spans
    at = np.array([span.onset_beats for span in spans])
    root = np.array([span.chord.root_pc for span in spans], dtype=np.int64)
    changes = (np.diff(root, prepend=-1) != 0) & (at <= beats.max(initial=0.0))
    at, root = at[changes], root[changes]
    if len(at) < least or len(beats) < 2:
        return 0.0
    after = np.clip(np.searchsorted(beats, at), 1, len(beats) - 1)
    nearest = np.where(at - beats[after - 1] <= beats[after] - at, after - 1, after)
    near = np.abs(beats[nearest] - at) <= NEAR_BEATS
    keys = np.bincount((pc[nearest[near]] - root[near]) % 12, minlength=12)
    return float((keys.max() if moved else keys[0]) / len(at))


@dataclass(frozen=True, slots=True)
class _Followed:
    """A beat followed through the take: knots on the file's beats, what is taken off there, and how well it suits."""

    at: Floats
    moved: Floats
    suits: float


def _played(beats: Floats, *, forced: bool) -> tuple[_Followed | None, bool]:
    """The beat that was played, if it is not the file's own; and whether the file's own may hold."""
    at, suits = _windows(beats)
    if len(at) < LEAST_WINDOWS:
        return None, True
    file, most = float(suits.sum(axis=0).max()), float(suits.max(axis=1).sum())
    if not forced and file > max(HOLDS * most, NO_BEAT * len(beats)):
        return None, True
    slope = _one_tempo(suits[:MOST_WINDOWS], (at - at[0])[:MOST_WINDOWS])
    found = max((_followed(beats, each) for each in {0.0, slope}), key=lambda each: each.suits)
    wanders = float(np.ptp(found.moved)) > WANDERS_BEATS
    if forced or (wanders and found.suits > max(BETTER * file, A_BEAT * len(beats))):
        return found, False
    return None, file > NO_BEAT * len(beats)


def _windows(beats: Floats) -> tuple[Floats, Floats]:
    """Centres of the windows and how well each place of the beat suits the onsets of each: (n,), (n, BINS)."""
    first = int(np.floor(beats[0]))
    window = ((beats - first) // WINDOW_BEATS).astype(np.intp)
    n = int(window[-1]) + 1
    played, row = np.unique(window, return_inverse=True)  # a file may ask for half a million beats between two notes
    bins = np.floor((beats - np.floor(beats)) * BINS).astype(np.intp) % BINS
    counts = np.bincount(row * BINS + bins, minlength=len(played) * BINS).reshape(-1, BINS).astype(np.float64)
    suits: Floats = np.zeros((n, BINS))
    suits[played] = np.fft.irfft(np.fft.rfft(counts, axis=1) * TEMPLATE_FFT[None, :], BINS, axis=1)
    at: Floats = first + WINDOW_BEATS * (np.arange(n, dtype=np.float64) + 0.5)
    return at, suits


def _followed(beats: Floats, slope: float) -> _Followed:
    """The beat followed from one tempo's: on beats stretched by it, no window is smeared."""
    origin = float(beats[0])
    at, suits = _windows(beats - slope * (beats - origin))
    path = _path(suits)
    total = float(suits[np.arange(len(at)), path % BINS].sum())
    width = 2 * SMOOTH_WINDOWS + 1
    place = np.pad(path / BINS, SMOOTH_WINDOWS, mode="edge")
    smooth = np.convolve(place, np.ones(width) / width, mode="valid")
    on_file = origin + (at - origin) / (1.0 - slope)
    moved = on_file - at + smooth
    return _Followed(on_file, moved - np.rint(moved[0]), total)


def _one_tempo(suits: Floats, at: Floats) -> float:
    """The steady tempo that suits all windows best: beats gained in a beat of the file."""
    slopes = np.arange(-TEMPO_REACH, TEMPO_REACH + TEMPO_STEP / 2, TEMPO_STEP)
    spectrum = np.fft.rfft(suits, axis=1)
    k = np.arange(spectrum.shape[1])
    best, total = 0.0, -np.inf
    for slope in slopes[np.argsort(np.abs(slopes))]:
        turned = (spectrum * np.exp(2j * np.pi * k[None, :] * (slope * at)[:, None])).sum(axis=0)
        here = float(np.fft.irfft(turned, BINS).max())
        if here > total * 1.0001:
            best, total = float(slope), here
    return best


def _path(suits: Floats) -> Ints:
    """The place (in bins, not wrapped) that moves little from window to window and suits best: (n,)."""
    steps = np.arange(-STEP_BINS, STEP_BINS + 1)
    cost = (STEP_COST * steps**2 * suits.max(axis=1).mean())[:, None]
    source = (np.arange(BINS)[None, :] - steps[:, None]) % BINS  # where each place comes from by each step
    score, back = suits[0].copy(), np.zeros(suits.shape, dtype=np.intp)
    for i in range(1, len(suits)):
        came = score[source] - cost
        back[i] = np.argmax(came, axis=0)
        score = came[back[i], np.arange(BINS)] + suits[i]
    place = int(np.argmax(score))
    moves = np.zeros(len(suits), dtype=np.intp)
    for i in range(len(suits) - 1, 0, -1):
        moves[i] = steps[back[i, place]]
        place = (place - int(moves[i])) % BINS
    out: Ints = (place if place <= BINS // 2 else place - BINS) + np.cumsum(moves)
    return out


def _map(tempo: TempoMap, at: Floats, moved: Floats) -> TempoMap:
    """The tempo map of the played beat: what the file calls beat `at` is beat `at` − `moved`."""
    seconds, beats = np.asarray(tempo.seconds_at(at), dtype=np.float64), at - moved
    bpm = 60.0 * np.diff(beats) / np.diff(seconds)
    return TempoMap(np.column_stack([beats[:-1], bpm]), second_of_first=float(seconds[0]))
