"""What to work on next: weaknesses read from what was played, and an evening built from them.

Each drill has evidence from its own runs and, where a song shows the same thing (a change missed, a loose shuffle, a
verse not pinned, a device played well, a solo that opened), from songs. Evidence fades with a half-life of two weeks.
A weakness that no song shows can only be found by trying: while there are drills that nothing is known of, an evening
works on the weakest thing known and spends the rest on first tries in short form (a call, an answer, on to the next),
so that three evenings of twenty minutes hear everything once. From then on it gives most of its time to the weakest of
what is due, and one drill to whatever has waited longest, so nothing starves. All weights are our choice; the ideas'
sources stand in `memory` and `tempo`.
"""

from __future__ import annotations

import datetime
import functools
import math
import random
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from trainer.practice.drills import DENSER_NOTES_PER_BAR, DRILLS, HIGHER_SEMITONES, LANDED_SHARE, drill_named
from trainer.practice.history import History, TakeRow
from trainer.practice.memory import Item, Standing, standings
from trainer.practice.rows import DrillRun

__all__ = [
    "WEAK",
    "DuePhrase",
    "Evening",
    "Evidence",
    "Piece",
    "evidence_of",
    "evidence_of_run",
    "keys_of",
    "plan_evening",
    "run_minutes",
    "turns_of",
    "weakness",
]

HALF_LIFE_DAYS = 14.0
PRIOR_CLEAN, PRIOR_N = 0.6, 1.5  # before any evidence: middling, held lightly
SONG_WEIGHT = 0.25  # one change in a song against one whole pass of a drill
DRILL_MINUTES = 5.0
PAUSE_MINUTES = 0.3  # between two runs: reading the figure, hands off the strings
SHORT_PAUSE_MINUTES = 0.2  # between first tries
WEAK = 0.45  # weakness from which a drill gets its full time
FIRST_DAYS = 3  # so many evenings put first tries before what is due again
SECOND_TRIES = 2  # what went wrong once gets another short try first: it may have been chance
SOLID = 1.0  # weight of evidence from which a weakness is believed
DEVICE_IN_SONG = 3  # so many places in a song say that a device is there
# Easy on the hands.
WARM_UPS = ("shuffle_one_note", "shuffle_two_strings", "root_shuffle", "octave_shift", "doubled_notes", "box_figure")
USUAL_MINUTES = 20.0
USUAL_BPM = 96.0
KEY_CHANGES = 4  # so many changes in a key say how well they are landed there
KEY_DAYS = 60
WARM_UP_MINUTES = 3.0
SONG_MINUTES = 5.0
SHORTEST_SONG_MINUTES = 3.0
LOOK_MINUTES = 2.0
BREAK_AFTER_MINUTES = 25.0
LONGEST_WAIT_DAYS = 45.0
SHUFFLE_LOOSE_LOG2 = 0.25  # spread of the swing ratio above which a song speaks for a shuffle drill; our choice

# Drills that a song's own figures speak for: pairs of degrees as the landing counts them.
_PAIRS = {
    "change_one_four": ("I→IV", "i→iv"),
    "change_four_one": ("IV→I", "iv→i"),
    "change_five_four": ("V→IV", "V→iv"),
    "change_turnaround": ("V→I", "V→i"),
}
SHOWN_BY_SONGS = (*_PAIRS, "roots", "shuffle_through_the_form", "pin_the_verse")  # whether it goes well or badly


@dataclass(frozen=True, slots=True)
class Evidence:
    """That a drill's matter went well (`clean_frac`) on a day, with a weight."""

    drill: str
    day: datetime.date
    clean_frac: float
    weight: float = 1.0


@dataclass(frozen=True, slots=True)
class Piece:
    """One part of an evening. `kind`: "warm_up", "drill", "phrase" (of a studied transcription), "song", "look" or
    "break"; `why` is said to the player.

    `short`: a first try, the drill in short form.
    """

    kind: str
    minutes: float
    drill: str | None = None
    key: str | None = None
    tempo_bpm: float | None = None
    why: str = ""
    short: bool = False


@dataclass(frozen=True, slots=True)
class DuePhrase:
    """A studied phrase that is due: its name in the history, key, tempo, and how long a run lasts."""

    drill: str
    key: str
    tempo_bpm: float
    minutes: float


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
    found = [evidence_of_run(run) for run in history.drill_runs()]
    songs = [row for row in history.takes(kind="song", newest=newest_songs) if row.error is None]
    for row, changes in history.changes_of(songs):
        found += _song_evidence(row, changes)
    # A device that a song is full of is there. That one is missing says nothing: nobody asked for it.
    for row, devices in history.devices_of(songs):
        found += [Evidence(name, row.day, 1.0, 1.0) for name, n in devices.items() if n >= DEVICE_IN_SONG]
    return found


def evidence_of_run(run: DrillRun) -> Evidence:
    """A run speaks by its share of clean passes; one with a single pass (a first try) half as loud."""
    return Evidence(run.drill, run.created.date(), run.share, min(1.0, run.n_passes / 2.0))


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
    # That a solo opened says that it can; that it did not says nothing, as it may have been somebody else's.
    denser = (row.figures.get("contrast") or 0.0) >= DENSER_NOTES_PER_BAR
    higher = (row.figures.get("contrast_height") or 0.0) >= HIGHER_SEMITONES
    for drill, opened in (("open_by_density", denser), ("open_by_height", higher), ("open_by_both", denser and higher)):
        if opened:
            yield Evidence(drill, row.day, 1.0, 0.5)
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
def run_minutes(drill: str, tempo_bpm: float, short: bool = False) -> float:
    """How long one run of a drill lasts at a tempo, from the count-in to its end; the key does not change it."""
    return drill_named(drill).build("A", tempo_bpm, short=short).minutes


def plan_evening(
    minutes: float,
    evidence: Sequence[Evidence],
    runs: Sequence[DrillRun],
    today: datetime.date,
    *,
    seed: int = 1,
    key: str = "G",
    keys: Mapping[str, str] | None = None,
    tempo_bpm: float | None = None,
    song_bpm: float | None = None,
    names: Sequence[str] = tuple(DRILLS),
    phrases: Sequence[DuePhrase] = (),
) -> Evening:
    """Warm-up, drills, one song, one look at the figures, within `minutes`.

    Each drill comes in the key and tempo that is due, else in its key of `keys` (drill → key), else in `key`; without a
    `tempo_bpm` where it was last, and the song at `song_bpm`. Same arguments, same evening.
    """
    asked_bpm, tempo_bpm = tempo_bpm, USUAL_BPM if tempo_bpm is None else tempo_bpm
    rng = random.Random((seed << 20) ^ today.toordinal())
    weak = weakness(evidence, today, names)
    held = standings(runs, today)
    heard = {item.drill for item in evidence}
    first_days = len({run.created.date() for run in runs} - {today}) < FIRST_DAYS
    warm_ups = _warm_up(heard, runs, today, 2 if first_days and minutes >= 15.0 else 1)
    scale = min(1.0, minutes / USUAL_MINUTES)  # a short evening has less of everything
    warm_minutes, look_minutes = scale * WARM_UP_MINUTES, scale * LOOK_MINUTES
    song_minutes = max(SHORTEST_SONG_MINUTES, scale * SONG_MINUTES)
    for_drills = minutes - warm_minutes - song_minutes - look_minutes
    # Of the phrases that are due the one that waits longest, where it leaves the drills half of their time.
    phrase = next((item for item in phrases[:1] if item.minutes + PAUSE_MINUTES <= for_drills / 2.0), None)
    if phrase is not None:
        for_drills -= phrase.minutes + PAUSE_MINUTES
    n_drills = max(1, min(3 if minutes < 40.0 else 5, int(for_drills // DRILL_MINUTES)))
    new = [name for name in names if name not in heard and name not in warm_ups]
    if new and first_days:
        chosen = _first_evening(for_drills, weak, new, evidence, today, rng, tempo_bpm)
    elif new:
        chosen = _with_first_tries(for_drills, n_drills, weak, new, held, runs, evidence, today, rng, tempo_bpm)
    else:
        each = max(2.0, min(DRILL_MINUTES * 2.0, for_drills / n_drills))
        chosen = [_Chosen(name, why, each) for name, why in _chosen(n_drills, weak, held, runs, evidence, today, rng)]
    easy_bpm, each = max(40.0, round(0.8 * tempo_bpm)), warm_minutes / len(warm_ups)
    short = len(warm_ups) > 1 or scale < 1.0
    pieces = [Piece("warm_up", each, name, key, easy_bpm, "easy tempo, ears open", short) for name in warm_ups]
    since_break = warm_minutes
    for choice in chosen:
        if since_break + choice.minutes > BREAK_AFTER_MINUTES:
            pieces.append(Piece("break", 2.0, why="put the bass down, shake out the hands"))
            since_break = 0.0
        due = _due_item(choice.drill, held, today)
        at_key = due.item.key if due else (keys or {}).get(choice.drill, key)
        at_bpm = due.newest_tempo_bpm if due else asked_bpm or _last_bpm(choice.drill, at_key, runs) or USUAL_BPM
        pieces.append(Piece("drill", round(choice.minutes, 1), choice.drill, at_key, at_bpm, choice.why, choice.short))
        since_break += choice.minutes
    if phrase is not None:
        each = round(phrase.minutes + PAUSE_MINUTES, 1)
        pieces.append(Piece("phrase", each, phrase.drill, phrase.key, phrase.tempo_bpm, "studied, worth another visit"))
    pieces.append(Piece("song", song_minutes, None, key, asked_bpm or song_bpm or USUAL_BPM, "put it into a song"))
    pieces.append(Piece("look", look_minutes, why="what the figures say"))
    return Evening(tuple(pieces), seed, today)


@dataclass(frozen=True, slots=True)
class _Chosen:
    """A drill for this evening, what speaks for it, and how long."""

    drill: str
    why: str
    minutes: float
    short: bool = False


def _warm_up(heard: Collection[str], runs: Sequence[DrillRun], today: datetime.date, n: int) -> list[str]:
    """What to warm up on: what was never heard, else one after the other by the day."""
    days = {run.created.date() for run in runs if run.created.date() < today}
    turn = len(days) % len(WARM_UPS)
    in_turn = [*WARM_UPS[turn:], *WARM_UPS[:turn]]
    return sorted(in_turn, key=lambda name: name in heard)[:n]


def _first_evening(
    for_drills: float,
    weak: Mapping[str, float],
    new: Sequence[str],
    evidence: Sequence[Evidence],
    today: datetime.date,
    rng: random.Random,
    tempo_bpm: float,
) -> list[_Chosen]:
    """A third of the time for what is surely weak, a second short try of what only seems so, first tries."""
    said = dict.fromkeys(weak, 0.0)
    for item in evidence:
        if item.drill in said:
            said[item.drill] += item.weight
    played_today = {item.drill for item in evidence if item.day == today}
    known = sorted(
        (name for name in weak if weak[name] >= WEAK and said[name] > 0.0 and name not in played_today),
        key=lambda name: -weak[name],
    )
    out: list[_Chosen] = []
    left = for_drills

    def short(name: str, why: str) -> None:
        nonlocal left
        each = run_minutes(name, tempo_bpm, short=True) + SHORT_PAUSE_MINUTES
        if each <= left or not out:
            out.append(_Chosen(name, why, each, short=True))
            left -= each

    sure = next((name for name in known if said[name] >= SOLID), None)
    if sure is not None:
        whole = max(run_minutes(sure, tempo_bpm) + PAUSE_MINUTES, for_drills / 3.0)
        out.append(_Chosen(sure, _reason(sure, evidence, today), whole))
        left -= whole
    for name in [name for name in known if name != sure][:SECOND_TRIES]:
        short(name, "once more, short")
    for name in _in_order(new, rng):
        short(name, "first try, short")
    for i, choice in enumerate(out):  # on a long evening there is time for more than a short try
        more = run_minutes(choice.drill, tempo_bpm) + PAUSE_MINUTES - choice.minutes
        if choice.short and more <= left:
            out[i] = replace(choice, minutes=choice.minutes + more, why=choice.why.removesuffix(", short"), short=False)
            left -= more
    if sure is not None and left > 0.5:
        out[0] = replace(out[0], minutes=out[0].minutes + left)
    return out


def _in_order(new: Sequence[str], rng: random.Random) -> list[str]:
    """First tries in chance order; what this evening's song shows by itself can wait."""
    tries = list(new)
    rng.shuffle(tries)
    return sorted(tries, key=lambda name: name in SHOWN_BY_SONGS)


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
) -> list[_Chosen]:
    """What is weak with its full time, one look at what is due, first tries with the rest."""
    today_played = {run.drill for run in runs if run.created.date() == today}
    known = [name for name in weak if weak[name] >= WEAK and name not in today_played and name not in new]
    known.sort(key=lambda name: -weak[name])
    out = [_Chosen(name, _reason(name, evidence, today), DRILL_MINUTES) for name in known[: max(1, n_drills - 1)]]
    left = for_drills - DRILL_MINUTES * len(out)
    taken = {choice.drill for choice in out}
    fading = sorted((s for s in held.values() if s.due <= today), key=lambda s: s.kept_frac)
    for standing in [s for s in fading if s.item.drill in weak and s.item.drill not in taken][:1]:
        each = run_minutes(standing.item.drill, standing.newest_tempo_bpm) + PAUSE_MINUTES
        if each <= left:
            out.append(_Chosen(standing.item.drill, "worth another visit", each))
            left -= each
    for name in _in_order(new, rng):
        each = run_minutes(name, tempo_bpm, short=True) + SHORT_PAUSE_MINUTES
        if each <= left or not out:
            out.append(_Chosen(name, "first try, short", each, short=True))
            left -= each
    if left > 0.5 and taken:
        more = left / len(taken)
        out = [replace(c, minutes=c.minutes + more) if c.drill in taken else c for c in out]
    return out


def _n_runs(piece: Piece) -> int:
    """So many runs of a piece's drill go into its minutes; at least one."""
    if piece.short or piece.kind == "phrase":
        return 1
    return max(1, int(piece.minutes // (run_minutes(piece.drill or "", piece.tempo_bpm or 96.0) + PAUSE_MINUTES)))


def turns_of(evening: Evening) -> list[Piece]:
    """The evening run by run: each drill as often as its minutes hold runs of its real length (at least once), those
    between two breaks in rounds of changing order, so that no drill follows itself where another is left."""
    out: list[Piece] = []
    block: list[Piece] = []

    def mixed() -> list[Piece]:
        left = {piece: _n_runs(piece) for piece in block}
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
        if piece.kind in ("drill", "phrase"):
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
            out.append((waiting, _waited(last[waiting], today)))
    return out


def _waited(day: datetime.date | None, today: datetime.date) -> str:
    if day is None:
        return "never drilled yet"
    days = (today - day).days
    return "its turn" if days == 0 else "last played yesterday" if days == 1 else f"last played {days} days ago"


def _reason(name: str, evidence: Sequence[Evidence], today: datetime.date) -> str:
    """What speaks for a drill, from what was really heard."""
    heard = [e for e in evidence if e.drill == name and (today - e.day).days <= 2 * HALF_LIFE_DAYS]
    if not heard:
        return "not heard lately"
    mean = sum(e.weight * e.clean_frac for e in heard) / sum(e.weight for e in heard)
    return f"clean in {mean:.0%} of what was heard lately"


def keys_of(history: History, today: datetime.date) -> tuple[str, dict[str, str]]:
    """(the newest song's key, drill → key): for each change the key where its root is missed most.

    Counted over the last weeks; a key with few changes, or where nearly all land, says nothing.
    """
    newest = [row.key for row in history.takes(kind="song", newest=1) if row.key]
    home = newest[0] if newest else "G"
    cells = history.landing_by_key(since=today - datetime.timedelta(days=KEY_DAYS))
    keys = sorted({key for key, _ in cells})

    def missed(pairs: Collection[str]) -> str | None:
        counts = {key: [cells[key, pair] for pair in pairs if (key, pair) in cells] for key in keys}
        share = {
            key: sum(roots for roots, _ in found) / sum(n for _, n in found)
            for key, found in counts.items()
            if sum(n for _, n in found) >= KEY_CHANGES
        }
        worst = min(share, key=lambda key: share[key], default=None)
        return worst if worst is not None and share[worst] < LANDED_SHARE else None

    wanted = {drill: missed(pairs) for drill, pairs in _PAIRS.items()}
    wanted["roots"] = missed({pair for _, pair in cells if "→" in pair})
    return home, {drill: key for drill, key in wanted.items() if key is not None}


def _last_bpm(drill: str, key: str, runs: Sequence[DrillRun]) -> float | None:
    """The tempo at which a drill was last played in a key."""
    mine = [run for run in runs if run.drill == drill and run.key == key]
    return max(mine, key=lambda run: run.created).tempo_bpm if mine else None


def _due_item(name: str, held: Mapping[Item, Standing], today: datetime.date) -> Standing | None:
    """The item of this drill that is due longest, if any is."""
    due = [s for s in held.values() if s.item.drill == name and s.due <= today]
    return min(due, key=lambda s: (s.due, s.item), default=None)
