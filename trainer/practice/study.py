"""Study: a transcription laid over a session, its devices taken out one by one, moved elsewhere, turned into drills.

A phrase is a device as it was played, freed from its key: where its notes lie in the beat (a swung off-beat stays one
at any ratio), and their intervals over the chord that it belongs to. A device that leads into a change belongs to the
chord that it lands on, every other to the chord that it starts under. So a learned line becomes material for lines of
one's own.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np

from trainer.clock.tempo import swing_offbeat_frac
from trainer.errors import UsageError
from trainer.line import LINE_DTYPE, Claim, LineScore, fingering
from trainer.music import FOUR_STRING, Key, Tuning, note_name, parse_key
from trainer.practice.drills import DEVICE_SHARE, Exercise, PassFigure, with_heard
from trainer.scoring.devices import Device
from trainer.scoring.reading import SLOT_OFF, SLOT_ON, SLOT_TRIPLET_2, SLOT_TRIPLET_3, Reading
from trainer.session import BEATS_PER_BAR, Chart, ChorusPlan, Session, expand, session_from_dict

__all__ = [
    "LANDING",
    "Phrase",
    "exercise_from_dict",
    "exercise_to_dict",
    "judge_phrase",
    "phrase_drill",
    "phrase_line",
    "phrases",
]

# Devices that lead into a change and end on its root.
LANDING = frozenset({"chromatic_approach", "scale_descent", "push", "slide_in", "turnaround_figure"})
_ON, _OFF, _T2, _T3, _OTHER = 0, 1, 2, 3, 4
CATCH_BEATS = 0.3  # an answer's note counts within this of its place; our choice


@dataclass(frozen=True, slots=True)
class PhraseNote:
    """A note of a phrase: whole beats from the phrase's bar line or landing, place in the beat, interval, length.

    `place` is `SLOT_ON`, `SLOT_OFF` and so on; `frac` its exact place when it is none of those.
    """

    beat: int
    place: int
    frac: float
    semitones: int
    duration_beats: float
    velocity: int


@dataclass(frozen=True, slots=True)
class Phrase:
    """One device as it stands in the transcription, freed from its key.

    `start_beat` is its first beat in the bar (1-based), `n_bars` how many bars it takes when it starts with a bar;
    `root_pitch` the pitch of the root it was played over, so that it can be put back in the same register.
    """

    number: int
    name: str
    chorus: int
    bar: int
    start_beat: int
    beats: float
    chord: str
    lands: bool
    root_pitch: int
    notes: tuple[PhraseNote, ...]
    spelled: str = field(compare=False, default="")


def phrases(reading: Reading, chart: Chart, found: Sequence[Device]) -> list[Phrase]:
    """The phrases of the devices that were found (the scorecard's `devices.found`), in order, numbered from 1."""
    keep = np.flatnonzero(~reading.ghost & ~reading.stacked)
    beats = reading.placed_beats[keep]
    out: list[Phrase] = []
    for item in found:
        start, length = item.at_beats, item.beats
        lands = item.name in LANDING
        end = start + length
        inside = keep[(beats >= start - 0.2) & (beats < end + (0.2 if lands else -0.2))]
        if not inside.size:
            continue
        anchor = round(end) if lands else int(np.floor(start / BEATS_PER_BAR + 1e-6)) * BEATS_PER_BAR
        at = min(end, chart.end_beats - 0.01) if lands else start
        span = chart.spans[int(chart.span_idx_at([at + 1e-6])[0])]
        pitches = np.rint(reading.pitch[inside]).astype(int)
        root = _root_below(int(pitches.min()), span.chord.root_pc)
        notes = tuple(_note(reading, int(i), int(p), anchor, root) for i, p in zip(inside, pitches, strict=True))
        out.append(
            Phrase(
                number=len(out) + 1,
                name=item.name,
                chorus=item.chorus,
                bar=item.bar,
                start_beat=item.beat,
                beats=length,
                chord=span.chord.name,
                lands=lands,
                root_pitch=root,
                notes=notes,
                spelled=" ".join(note_name(p, chart.key) for p in pitches),
            )
        )
    return out


def _root_below(lowest: int, root_pc: int) -> int:
    """The root at or just under the phrase's lowest note (a fifth of room below it: approaches come from under)."""
    root = lowest - (lowest - root_pc) % 12
    return root + 12 if lowest - root > 7 else root


def _note(reading: Reading, i: int, pitch: int, anchor: int, root: int) -> PhraseNote:
    slot = int(reading.slot[i])
    beat = int(reading.beat_idx[i])
    place = {SLOT_ON: _ON, SLOT_OFF: _OFF, SLOT_TRIPLET_2: _T2, SLOT_TRIPLET_3: _T3}.get(slot, _OTHER)
    frac = float(reading.placed_beats[i] - beat) if place == _OTHER else 0.0
    velocity = int(reading.notes["velocity"][i])
    return PhraseNote(beat - anchor, place, frac, pitch - root, float(reading.duration_beats[i]), velocity)


def phrase_line(
    phrase: Phrase,
    chart: Chart,
    *,
    octave: int = 0,
    tuning: Tuning = FOUR_STRING,
    choruses: Sequence[int] | None = None,
) -> LineScore:
    """The phrase at every place of a chart where it fits, over the chord there, roots on one between.

    A landing phrase goes before each change, any other into each bar (or run of bars) that it fits. `octave` moves it
    by octaves; it is kept on the fingerboard. `UsageError` when it fits nowhere.
    """
    off = float(swing_offbeat_frac(chart.swing_ratio))
    inside = {_ON: 0.0, _OFF: off, _T2: 1.0 / 3.0, _T3: 2.0 / 3.0}
    rows: list[tuple[float, float, int, int]] = []
    claims: list[Claim] = []
    free_from = chart.first_beats
    for anchor, root_pc in _places(phrase, chart, choruses):
        onsets = [anchor + n.beat + inside.get(n.place, n.frac) for n in phrase.notes]
        if onsets[0] < free_from - 1e-6 or onsets[-1] >= chart.end_beats:
            continue
        shift = _shift(phrase, root_pc, octave, tuning)
        if shift is None:
            continue
        for onset, n in zip(onsets, phrase.notes, strict=True):
            rows.append((onset, n.duration_beats, phrase.root_pitch + shift + n.semitones, n.velocity))
        start = anchor - phrase.beats if phrase.lands else onsets[0]
        claims.append(Claim(phrase.name, start, phrase.beats))
        free_from = onsets[-1] + 0.5
    if not claims:
        raise UsageError(
            f"phrase {phrase.number} ({phrase.name.replace('_', ' ')}) fits nowhere there; expected a chart with "
            f"{'changes of chord' if phrase.lands else 'whole bars for it'} and an octave that lies on the neck"
        )
    rows += _filling(phrase, chart, [(row[0], row[0] + row[1]) for row in rows], claims, octave, tuning)
    table = np.array([(a, d, p, v, 0, 0) for a, d, p, v in sorted(rows)], dtype=LINE_DTYPE)
    for i in range(len(table) - 1):  # one voice: a note ends where the next begins
        room = table["onset_beats"][i + 1] - table["onset_beats"][i]
        table["duration_beats"][i] = min(table["duration_beats"][i], room)
    table = table[table["duration_beats"] > 1e-6]
    hand = fingering(table["pitch"], table["onset_beats"], tuning)
    table["string"], table["fret"] = hand[:, 0], hand[:, 1]
    return LineScore(table, tuple(claims), chart, tuning)


def _places(phrase: Phrase, chart: Chart, choruses: Sequence[int] | None) -> list[tuple[float, int]]:
    """(anchor beat, root) of every place: the change landed on, or the bar line started from."""
    spans = chart.spans
    out = []
    if phrase.lands:
        for before, span in itertools.pairwise(spans):
            bar = chart.bars[span.bar_idx]
            if span.chord.root_pc != before.chord.root_pc and (choruses is None or bar.chorus in choruses):
                out.append((span.onset_beats, span.chord.root_pc))
        return out
    for bar in chart.bars:
        if bar.final or (choruses is not None and bar.chorus not in choruses):
            continue
        at = bar.onset_beats + phrase.start_beat - 1
        out.append((bar.onset_beats, spans[int(chart.span_idx_at([at + 1e-6])[0])].chord.root_pc))
    return out


def _shift(phrase: Phrase, root_pc: int, octave: int, tuning: Tuning) -> int | None:
    """Semitones from the phrase's own place to this root, nearest first, moved by octaves, on the neck; or None."""
    nearest = (root_pc - phrase.root_pitch + 6) % 12 - 6
    low = min(n.semitones for n in phrase.notes) + phrase.root_pitch
    high = max(n.semitones for n in phrase.notes) + phrase.root_pitch
    wanted = nearest + 12 * octave
    for shift in sorted((wanted, wanted + 12, wanted - 12), key=lambda s: abs(s - wanted)):
        if low + shift >= tuning.lowest and high + shift <= tuning.highest:
            return shift
    return None


def _filling(
    phrase: Phrase,
    chart: Chart,
    taken: Sequence[tuple[float, float]],
    claims: Sequence[Claim],
    octave: int,
    tuning: Tuning,
) -> list[tuple[float, float, int, int]]:
    """Plain roots on the beat wherever the phrase is not."""
    busy = {int(np.floor(at + 1e-6)) for at, _ in taken}
    first, end = round(chart.first_beats), round(chart.end_beats)
    for claim in claims:  # within the chart, however long a record says that its phrase is
        start = max(np.floor(claim.at_beats + 1e-6), first)
        busy |= set(range(int(start), int(min(np.ceil(claim.at_beats + claim.beats - 1e-6), end))))
    rows = []
    for beat in range(first, end):
        bar = chart.bars[int(chart.bar_idx_at([beat + 1e-6])[0])]
        if beat in busy or (bar.final and beat > bar.onset_beats):
            continue
        root_pc = chart.spans[int(chart.span_idx_at([beat + 1e-6])[0])].chord.root_pc
        pitch = phrase.root_pitch + (root_pc - phrase.root_pitch + 6) % 12 - 6 + 12 * octave
        while pitch < tuning.lowest:
            pitch += 12
        while pitch > tuning.highest:
            pitch -= 12
        rows.append((float(beat), 3.5 if bar.final else 0.85, pitch, 84))
    return rows


def phrase_drill(
    phrase: Phrase,
    key: Key | str,
    tempo_bpm: float,
    *,
    swing_ratio: float | None = None,
    octave: int = 0,
    tuning: Tuning = FOUR_STRING,
    form: str = "quick_change_12",
    loop: tuple[int, int] | None = None,
    rounds: int = 2,
    seed: int = 1,
) -> Exercise:
    """The phrase as a drill: heard in one chorus, answered in the next, through the changes of a key.

    `SessionError` for a tempo, form or loop that no session can have.
    """
    tonic = parse_key(key) if isinstance(key, str) else key
    heard = tuple(range(1, 2 * rounds, 2))
    plain = Session(
        title=f"{phrase.name.replace('_', ' ').capitalize()} from bar {phrase.bar}, in {tonic.name}",
        key=tonic,
        tempo_bpm=tempo_bpm,
        swing_ratio=swing_ratio if swing_ratio is not None else 2.0,
        form=form,
        seed=seed,
        loop=loop,
        choruses=(ChorusPlan("verse", 2 * rounds),),
    )
    session = with_heard(session_from_dict(plain.to_dict(), "the phrase's drill"), heard)
    chart = expand(session)
    model = phrase_line(phrase, chart, octave=octave, tuning=tuning)
    asked = tuple(range(2, 2 * rounds + 1, 2))
    return Exercise("study", session, chart, model, heard, asked, facts={"phrase": phrase.number})


def exercise_to_dict(file: str, phrase: Phrase, exercise: Exercise, octave: int) -> dict[str, Any]:
    """What a take's header keeps of a phrase's run: enough to build it again without the transcription."""
    session = exercise.session
    return {
        "file": file,
        "phrase": phrase.number,
        "made_of": {name: value for name, value in asdict(phrase).items() if name != "notes"},
        "notes": [[n.beat, n.place, n.frac, n.semitones, n.duration_beats, n.velocity] for n in phrase.notes],
        "key": session.key.name,
        "tempo_bpm": session.tempo_bpm,
        "swing_ratio": session.swing_ratio,
        "octave": octave,
        "form": session.form,
        "loop": None if session.loop is None else list(session.loop),
    }


def exercise_from_dict(record: Mapping[str, Any], tuning: Tuning = FOUR_STRING) -> Exercise:
    """The exercise of such a record, for a bass. `TypeError`, `ValueError` or `KeyError` for anything else."""
    if not isinstance(record, Mapping):
        raise TypeError("not a phrase's record")
    notes = tuple(
        PhraseNote(int(b), int(p), float(f), int(s), float(d), int(v)) for b, p, f, s, d, v in record["notes"]
    )
    loop = record.get("loop")
    return phrase_drill(
        Phrase(**record["made_of"], notes=notes),
        str(record["key"]),
        float(record["tempo_bpm"]),
        swing_ratio=float(record["swing_ratio"]),
        octave=int(record["octave"]),
        tuning=tuning,
        form=str(record["form"]),
        loop=None if loop is None else (int(loop[0]), int(loop[1])),
    )


def judge_phrase(exercise: Exercise, reading: Reading) -> PassFigure:
    """How many of the phrase's places were answered with its notes (pitch class and place in the beat)."""
    chart = exercise.chart
    model = exercise.model.notes
    kept = ~reading.ghost & ~reading.stacked
    beats, pcs = reading.placed_beats[kept], reading.pc[kept]
    good = n = 0
    for claim in exercise.model.claims:
        bar = chart.bars[int(chart.bar_idx_at([min(claim.at_beats + 1e-6, chart.end_beats - 1.0)])[0])]
        if bar.chorus not in exercise.asked:
            continue
        mine = model[
            (model["onset_beats"] >= claim.at_beats - 1e-6)
            & (model["onset_beats"] < claim.at_beats + claim.beats - 1e-6)
        ]
        hits = 0
        for note in mine:
            near = np.abs(beats - note["onset_beats"]) < CATCH_BEATS
            hits += bool(np.any(pcs[near] == note["pitch"] % 12))
        n += 1
        good += int(len(mine) > 0 and hits == len(mine))
    if n == 0:
        return PassFigure(
            "phrase_share", None, f"at least {100 * DEVICE_SHARE:.0f} %", None, 0, "no place of the phrase was asked"
        )
    return PassFigure(
        "phrase_share",
        good / n,
        f"at least {100 * DEVICE_SHARE:.0f} %",
        good / n >= DEVICE_SHARE,
        n,
        f"{good} of {n} places answered",
    )
