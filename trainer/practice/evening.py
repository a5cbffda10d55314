"""What to work on next: weaknesses read from what was played, and an evening built from them.

Each drill has evidence from its own runs and, where a song shows the same thing (a change missed, a loose shuffle),
from songs. Evidence fades with a half-life of two weeks; without any, a drill counts as middling, so it gets its turn.
An evening gives most of its drill time to the weakest of what is due, and one drill to whatever has waited longest, so
nothing starves. All weights are our choice; the ideas' sources stand in `memory` and `tempo`.
"""

from __future__ import annotations

import datetime
import math
import random
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from trainer.practice.drills import DRILLS
from trainer.practice.history import DrillRun, History, TakeRow
from trainer.practice.memory import Item, Standing, standings

__all__ = ["Evening", "Evidence", "Piece", "evidence_of", "plan_evening", "weakness"]

HALF_LIFE_DAYS = 14.0
PRIOR_CLEAN, PRIOR_N = 0.6, 1.5  # before any evidence: middling, held lightly
SONG_WEIGHT = 0.25  # one change in a song against one whole pass of a drill
DRILL_MINUTES = 5.0
WARM_UP_MINUTES = 3.0
SONG_MINUTES = 5.0
LOOK_MINUTES = 2.0
BREAK_AFTER_MINUTES = 25.0
LONGEST_WAIT_DAYS = 45.0
SHUFFLE_LOOSE_LOG2 = 0.25  # spread of the swing ratio above which a song speaks for a shuffle drill; our choice
STEADY_MS = 25.0  # spread of the time above which a song speaks for a drop-out drill; our choice

# Drills that a song's own figures speak for: pairs of degrees as the landing counts them.
_PAIRS = {
    "change_one_four": ("I→IV", "i→iv"),
    "change_four_one": ("IV→I", "iv→i"),
    "change_five_four": ("V→IV", "V→iv"),
    "change_turnaround": ("V→I", "V→i"),
}


@dataclass(frozen=True, slots=True)
class Evidence:
    """That a drill's matter went well (`clean_frac`) on a day, with a weight."""

    drill: str
    day: datetime.date
    clean_frac: float
    weight: float = 1.0


@dataclass(frozen=True, slots=True)
class Piece:
    """One part of an evening. `kind`: "warm_up", "drill", "song", "look" or "break"; `why` is said to the player."""

    kind: str
    minutes: float
    drill: str | None = None
    key: str | None = None
    tempo_bpm: float | None = None
    why: str = ""


@dataclass(frozen=True, slots=True)
class Evening:
    """An evening in order; `minutes` is what it adds up to. `seed` and `day` are what it was planned with."""

    pieces: tuple[Piece, ...]
    seed: int
    day: datetime.date

    @property
    def minutes(self) -> float:
        return sum(piece.minutes for piece in self.pieces)

    @property
    def drills(self) -> tuple[str, ...]:
        return tuple(piece.drill for piece in self.pieces if piece.kind == "drill" and piece.drill is not None)


def evidence_of(history: History, newest_songs: int = 20) -> list[Evidence]:
    """What the history says for or against each drill: drill runs, and the newest songs."""
    found = [Evidence(run.drill, run.created.date(), run.share) for run in history.drill_runs()]
    songs = [row for row in history.takes(kind="song", newest=newest_songs) if row.error is None]
    for row, changes in history.changes_of(songs):
        found += _song_evidence(row, changes)
    return found


def _song_evidence(row: TakeRow, changes: Mapping[str, tuple[int, int]]) -> Iterable[Evidence]:
    for drill, names in _PAIRS.items():
        roots = sum(changes[name][0] for name in names if name in changes)
        n = sum(changes[name][1] for name in names if name in changes)
        if n:
            yield Evidence(drill, row.day, roots / n, SONG_WEIGHT * n)
    n = sum(total for _, total in changes.values())
    if n:
        yield Evidence("roots", row.day, sum(roots for roots, _ in changes.values()) / n, SONG_WEIGHT * n / 4.0)
    loose = row.figures.get("swing_spread")
    if loose is not None:
        yield Evidence("shuffle_through_the_form", row.day, float(loose <= SHUFFLE_LOOSE_LOG2), 1.0)
    spread = row.figures.get("spread_ms")
    if spread is not None:
        yield Evidence("drop_out_1_of_4", row.day, float(spread <= STEADY_MS), 0.5)


def weakness(evidence: Iterable[Evidence], today: datetime.date, names: Iterable[str] = DRILLS) -> dict[str, float]:
    """How much each drill wants work, 0–1: one less the faded mean of its evidence, drawn to middling when thin."""
    good = dict.fromkeys(names, PRIOR_CLEAN * PRIOR_N)
    total = dict.fromkeys(good, PRIOR_N)
    for item in evidence:
        if item.drill in good and item.day <= today:
            weight = item.weight * 0.5 ** ((today - item.day).days / HALF_LIFE_DAYS)
            good[item.drill] += weight * item.clean_frac
            total[item.drill] += weight
    return {name: 1.0 - good[name] / total[name] for name in good}


def plan_evening(
    minutes: float,
    evidence: Sequence[Evidence],
    runs: Sequence[DrillRun],
    today: datetime.date,
    *,
    seed: int = 1,
    key: str = "G",
    tempo_bpm: float = 96.0,
    names: Sequence[str] = tuple(DRILLS),
) -> Evening:
    """Warm-up, two or three drills, one song, one look at the figures, within `minutes`.

    Most drill time goes to the weakest; the last drill is the one that waited longest. Each drill comes in the key and
    tempo that is due, else in the ones asked for. Same arguments, same evening.
    """
    rng = random.Random((seed << 20) ^ today.toordinal())
    weak = weakness(evidence, today, names)
    held = standings(runs, today)
    for_drills = minutes - WARM_UP_MINUTES - SONG_MINUTES - LOOK_MINUTES
    n_drills = max(1, min(3 if minutes < 40.0 else 5, int(for_drills // DRILL_MINUTES)))
    chosen = _chosen(n_drills, weak, held, runs, evidence, today, rng)
    pieces = [
        Piece(
            "warm_up",
            WARM_UP_MINUTES,
            "shuffle_one_note",
            key,
            round(0.8 * tempo_bpm),
            "hands warm, ears open, easy tempo",
        )
    ]
    each = max(2.0, min(DRILL_MINUTES * 2.0, for_drills / len(chosen)))
    since_break = WARM_UP_MINUTES
    for name, why in chosen:
        if since_break + each > BREAK_AFTER_MINUTES:
            pieces.append(Piece("break", 2.0, why="put the bass down, shake out the hands"))
            since_break = 0.0
        due = _due_item(name, held, today)
        pieces.append(
            Piece(
                "drill",
                round(each, 1),
                name,
                due.item.key if due else key,
                due.newest_tempo_bpm if due else tempo_bpm,
                why,
            )
        )
        since_break += each
    pieces.append(Piece("song", SONG_MINUTES, None, key, tempo_bpm, "put it into a song"))
    pieces.append(Piece("look", LOOK_MINUTES, why="one look at the figures"))
    return Evening(tuple(pieces), seed, today)


def _chosen(
    n: int,
    weak: Mapping[str, float],
    held: Mapping[Item, Standing],
    runs: Sequence[DrillRun],
    evidence: Sequence[Evidence],
    today: datetime.date,
    rng: random.Random,
) -> list[tuple[str, str]]:
    last = {name: max((run.created.date() for run in runs if run.drill == name), default=None) for name in weak}
    by_drill: dict[str, list[Standing]] = {}
    for standing in held.values():
        by_drill.setdefault(standing.item.drill, []).append(standing)

    def urgency(name: str) -> float:
        mine = by_drill.get(name, [])
        fading = max((1.0 - s.kept_frac for s in mine), default=0.3)
        rested = 0.0 if last[name] == today else 1.0
        wanted = 2.0 * math.pow(weak[name], 1.5) + 0.5 * fading
        return rested * wanted + rng.uniform(0.0, 0.05)

    def wait_days(name: str) -> float:
        day = last[name]
        return LONGEST_WAIT_DAYS + rng.random() if day is None else min((today - day).days, LONGEST_WAIT_DAYS)

    ranked = sorted(weak, key=urgency, reverse=True)
    out = [(name, _reason(name, evidence, today)) for name in ranked[: max(1, n - 1)]]
    taken = {name for name, _ in out}
    if n >= 2:
        waiting = max((name for name in weak if name not in taken), key=wait_days, default=None)
        if waiting is not None:
            day = last[waiting]
            out.append(
                (waiting, "not tried yet" if day is None else f"last played {math.floor((today - day).days)} days ago")
            )
    return out


def _reason(name: str, evidence: Sequence[Evidence], today: datetime.date) -> str:
    """What speaks for a drill, from what was really heard."""
    heard = [e for e in evidence if e.drill == name and (today - e.day).days <= 2 * HALF_LIFE_DAYS]
    if not heard:
        return "not heard lately"
    mean = sum(e.weight * e.clean_frac for e in heard) / sum(e.weight for e in heard)
    return f"clean in {mean:.0%} of what was heard lately"


def _due_item(name: str, held: Mapping[Item, Standing], today: datetime.date) -> Standing | None:
    """The item of this drill that is due longest, if any is."""
    due = [s for s in held.values() if s.item.drill == name and s.due <= today]
    return min(due, key=lambda s: (s.due, s.item), default=None)
