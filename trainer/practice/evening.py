"""What to work on next: weaknesses read from what was played, and an evening built from them.

Each drill has evidence from its own runs and, where a song shows the same thing (a change missed, a loose shuffle, a
verse not pinned, a device played well), from songs. Evidence fades with a half-life of two weeks. While there are
drills that nothing is known of, an evening gives whatever is known to be weak its full time and spends the rest on
short first tries, since a weakness that no song shows can only be found by trying. When everything has been heard, it
gives most of its time to the weakest of what is due, and one drill to whatever has waited longest, so nothing starves.
All weights are our choice; the ideas' sources stand in `memory` and `tempo`.
"""

from __future__ import annotations

import datetime
import functools
import math
import random
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from trainer.practice.drills import DRILLS, drill_named
from trainer.practice.history import DrillRun, History, TakeRow
from trainer.practice.memory import Item, Standing, standings

__all__ = [
    "Evening",
    "Evidence",
    "Piece",
    "evidence_of",
    "plan_evening",
    "run_minutes",
    "turns_of",
    "weakness",
]

HALF_LIFE_DAYS = 14.0
PRIOR_CLEAN, PRIOR_N = 0.6, 1.5  # before any evidence: middling, held lightly
SONG_WEIGHT = 0.25  # one change in a song against one whole pass of a drill
DRILL_MINUTES = 5.0
TRY_MINUTES = 2.5  # a first try, or a look at what was clean: one run
PAUSE_MINUTES = 0.3  # between two runs: reading the figure, hands off the strings
WEAK = 0.45  # weakness from which a drill gets its full time
LOOK_AHEAD = 2
DEVICE_IN_SONG = 3  # so many places in a song say that a device is there
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
    # A device that a song is full of is there. That one is missing says nothing: nobody asked for it.
    for row, devices in history.devices_of(songs):
        found += [Evidence(name, row.day, 1.0, 1.0) for name, n in devices.items() if n >= DEVICE_IN_SONG]
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
    pinned = row.figures.get("pinned_rate")
    if pinned is not None:
        yield Evidence("pin_the_verse", row.day, float(pinned), 1.0)


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


@functools.lru_cache(maxsize=1024)
def run_minutes(drill: str, tempo_bpm: float) -> float:
    """How long one run of a drill lasts at a tempo, from the count-in to its end; the key does not change it."""
    chart = drill_named(drill).build("A", tempo_bpm).chart
    return (chart.end_beats - chart.count_in_beats) / tempo_bpm


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
    """Warm-up, drills, one song, one look at the figures, within `minutes`.

    What is known to be weak gets `DRILL_MINUTES` or more; while there are drills that nothing is known of, the rest
    goes to short first tries of them. Each drill comes in the key and tempo that is due, else in the ones asked for.
    Same arguments, same evening.
    """
    rng = random.Random((seed << 20) ^ today.toordinal())
    weak = weakness(evidence, today, names)
    held = standings(runs, today)
    for_drills = minutes - WARM_UP_MINUTES - SONG_MINUTES - LOOK_MINUTES
    n_drills = max(1, min(3 if minutes < 40.0 else 5, int(for_drills // DRILL_MINUTES)))
    heard = {item.drill for item in evidence}
    new = [name for name in names if name not in heard]
    if new:
        chosen = _with_first_tries(for_drills, n_drills, weak, new, held, runs, evidence, today, rng, tempo_bpm)
    else:
        each = max(2.0, min(DRILL_MINUTES * 2.0, for_drills / n_drills))
        chosen = [(name, why, each) for name, why in _chosen(n_drills, weak, held, runs, evidence, today, rng)]
    pieces = [
        Piece(
            "warm_up",
            WARM_UP_MINUTES,
            "shuffle_one_note",
            key,
            max(40.0, round(0.8 * tempo_bpm)),
            "hands warm, ears open, easy tempo",
        )
    ]
    since_break = WARM_UP_MINUTES
    for name, why, each in chosen:
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


def _with_first_tries(
    for_drills: float,
    n_drills: int,
    weak: Mapping[str, float],
    new: Sequence[str],
    held: Mapping[Item, Standing],
    runs: Sequence[DrillRun],
    evidence: Sequence[Evidence],
    today: datetime.date,
    rng: random.Random,
    tempo_bpm: float,
) -> list[tuple[str, str, float]]:
    """(drill, why, minutes): what is weak with its full time, one look at what is due, first tries with the rest."""
    today_played = {run.drill for run in runs if run.created.date() == today}
    known = [name for name in weak if weak[name] >= WEAK and name not in today_played and name not in new]
    known.sort(key=lambda name: -weak[name])
    out = [(name, _reason(name, evidence, today), DRILL_MINUTES) for name in known[: max(1, n_drills - 1)]]
    left = for_drills - DRILL_MINUTES * len(out)
    taken = {name for name, _, _ in out}
    fading = sorted((s for s in held.values() if s.due <= today), key=lambda s: s.kept_frac)
    due = [s.item.drill for s in fading if s.item.drill in weak and s.item.drill not in taken][:1]
    tries = list(new)
    rng.shuffle(tries)
    # The longer of two first: else long ones would seldom fit into what is left.
    tries[:LOOK_AHEAD] = sorted(tries[:LOOK_AHEAD], key=lambda name: -run_minutes(name, tempo_bpm))
    for name in (*due, *tries):
        each = max(TRY_MINUTES, run_minutes(name, tempo_bpm) + PAUSE_MINUTES)
        if each <= left + 0.25:
            out.append((name, "due again" if name in due else "first try, short", each))
            left -= each
        if left < TRY_MINUTES - 0.25:
            break
    if not out:
        shortest = min(tries, key=lambda name: run_minutes(name, tempo_bpm))
        out.append((shortest, "first try, short", max(left, TRY_MINUTES)))
    if left > 0.5 and taken:
        out = [(name, why, each + left / len(taken) if name in taken else each) for name, why, each in out]
    return out


def _one_run(piece: Piece) -> float:
    return run_minutes(piece.drill or "", piece.tempo_bpm or 96.0) + PAUSE_MINUTES


def turns_of(evening: Evening) -> list[Piece]:
    """The evening run by run: each drill as often as its minutes hold runs of its real length (at least once), those
    between two breaks in rounds of changing order, so that no drill follows itself where another is left."""
    out: list[Piece] = []
    block: list[Piece] = []

    def mixed() -> list[Piece]:
        left = {
            piece: max(
                1, int(piece.minutes // (run_minutes(piece.drill or "", piece.tempo_bpm or 96.0) + PAUSE_MINUTES))
            )
            for piece in block
        }
        done: list[Piece] = []
        while any(left.values()):
            turn = [piece for piece in block if left[piece]]
            rng.shuffle(turn)
            if done and len(turn) > 1 and turn[0] == done[-1]:
                turn[0], turn[-1] = turn[-1], turn[0]
            for piece in turn:
                left[piece] -= 1
            done += turn
        return done

    rng = random.Random(evening.seed)
    for piece in evening.pieces:
        if piece.kind == "drill":
            block.append(piece)
            continue
        out += mixed()
        block.clear()
        if piece.kind != "look":
            out.append(piece)
    return out + mixed()


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
