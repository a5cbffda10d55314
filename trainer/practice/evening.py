"""What to work on next: weaknesses read from what was played, and an evening built from them.

Each drill has evidence from its own runs and, where it says so itself, from songs. Evidence fades with a half-life of
two weeks. A weakness that no song shows can only be found by trying: the first evenings work on the weakest thing known
and spend the rest on first tries, most of which show several drills' matters in one run, so that three evenings of
seven things hear nearly everything. From then on an evening gives most of its time to the weakest of what is due, and
one drill to whatever has waited longest, so nothing starves. What the last song's advice said comes first. Key, groove,
tempo and form change from evening to evening: keys by how often they are called and by where changes are missed. All
weights are our choice; the ideas' sources stand in `memory` and `tempo`.
"""

from __future__ import annotations

import datetime
import functools
import math
import random
from collections import Counter
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from trainer.music import DEFAULT_GROOVE, GROOVES
from trainer.practice.drills import DRILLS, LANDED_SHARE, TRIES, SongSeen, drill_named
from trainer.practice.history import History
from trainer.practice.memory import CLEAN_SHARE, standings
from trainer.practice.rows import DrillRun, moment_of
from trainer.practice.stage import KEYS_CALLED

__all__ = [
    "WEAK",
    "DuePhrase",
    "Evening",
    "Evidence",
    "OwnSong",
    "Piece",
    "advised_by",
    "evidence_of",
    "evidence_of_run",
    "home_key",
    "keys_of",
    "plan_evening",
    "run_minutes",
    "turns_of",
    "weakness",
    "went_words",
]

HALF_LIFE_DAYS = 14.0
PRIOR_CLEAN, PRIOR_N = 0.6, 1.5  # before any evidence: middling, held lightly
DRILL_MINUTES = 5.0
PAUSE_MINUTES = 0.3  # between two runs: reading the figure, hands off the strings
SHORT_PAUSE_MINUTES = 0.2  # between first tries
WEAK = 0.45  # weakness from which a drill gets its full time
FIRST_DAYS = 3  # so many evenings put first tries before what is due again
FIRST_WEEKS_DAYS = 28  # so long no song is faster than what was held cleanly,
SLOWER_BPM = 12.0  # and one that is called faster on a stage comes up to so much slower
OWN_MINUTES = 2.0  # of work on one thing, at least
FIRST_DRILLS = 4  # with warm-up, song and look seven things; a second short try among them is one at most
LATER_DRILLS = 6
MOST_FRAC = 1 / 3  # of an evening for one drill
STEADY_FRAC = 1 / 6  # the same where it was clean on so many evenings running
STEADY_DAYS = 3
MISSED_WEIGHT = 3.0  # a key where all changes are missed is called four times as often
USUAL_MINUTES = 20.0
USUAL_BPM = 96.0
KEY_CHANGES = 4  # so many changes in a key say how well they are landed there
KEY_DAYS = 60
KEY_EVENINGS = 11  # with this one twelve: so many evenings are shared out among the keys
WARM_UP_MINUTES = 3.0
PART_MINUTES = 2.5  # of the player's own song
SONG_MINUTES = 5.0
FIRST_SONG_MINUTES = 4.0
SHORTEST_SONG_MINUTES = 3.0
LOOK_MINUTES = 2.0
BREAK_AFTER_MINUTES = 25.0
BREAK_MINUTES = 2.0
LONGEST_WAIT_DAYS = 45.0
SONG_FORMS = {"quick_change_12": 3, "slow_change_12": 2, "eight_bar": 1}  # with how often each is called
IN_ANY_GROOVE = ("changes", "drop_outs")  # families that ask for no shuffle
SHOWN_BY_SONGS = tuple(drill.name for drill in DRILLS.values() if drill.both_ways)


@dataclass(frozen=True, slots=True)
class Evidence:
    """That a drill's matter went well (`clean_frac`) on a day, with a weight."""

    drill: str
    day: datetime.date
    clean_frac: float
    weight: float = 1.0


@dataclass(frozen=True, slots=True)
class Piece:
    """One part of an evening. `kind`: "warm_up", "drill", "phrase" (of a studied transcription), "part" (bars of the
    player's own song), "song", "look" or "break"; `why` is said to the player.

    `short`: a first try, the drill in short form.
    """

    kind: str
    minutes: float
    drill: str | None = None
    key: str | None = None
    tempo_bpm: float | None = None
    why: str = ""
    short: bool = False
    groove: str = DEFAULT_GROOVE
    form: str | None = None
    bars: tuple[int, int] | None = None


@dataclass(frozen=True, slots=True)
class DuePhrase:
    """A studied phrase that is due: its name in the history, key, tempo, and how long a run lasts."""

    drill: str
    key: str
    tempo_bpm: float
    minutes: float


@dataclass(frozen=True, slots=True)
class OwnSong:
    """A session of the player's own: how long it lasts, its parts (bars of the form, why), the most wanted first."""

    key: str
    tempo_bpm: float
    groove: str
    minutes: float
    parts: tuple[tuple[tuple[int, int], str], ...]


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
    changes, devices = history.changes_of(songs), history.devices_of(songs)
    for (row, pairs), (_, counts) in zip(changes, devices, strict=True):
        seen = SongSeen(row.figures, pairs, counts)
        for drill in DRILLS.values():
            said = None if drill.evidence is None else drill.evidence(seen)
            if said is not None:
                found.append(Evidence(drill.name, row.day, *said))
    return found


def evidence_of_run(run: DrillRun) -> Evidence:
    """A run speaks by its share of clean passes; one with a single pass (a first try) half as loud."""
    return Evidence(run.drill, run.created.date(), run.share, min(1.0, run.n_passes / 2.0))


def advised_by(history: History) -> tuple[str, ...]:
    """The drills that the newest song's advice named, the most pressing first, as far as none was played since."""
    from trainer.errors import TrainerError
    from trainer.practice.cards import card_of

    songs = [row for kind in ("song", "stage") for row in history.takes(kind=kind, newest=1) if row.error is None]
    if not songs:
        return ()
    newest = max(songs, key=lambda row: row.created)
    try:
        advice = card_of(newest.path).card.verdict.advice
    except (TrainerError, OSError):
        return ()
    since = {run.drill for run in history.drill_runs() if run.created >= moment_of(newest.created)}
    return tuple(item.drill for item in advice if item.drill in DRILLS and item.drill not in since)


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


def home_key(runs: Sequence[DrillRun], today: datetime.date, missed: Mapping[str, float] | None = None) -> str:
    """The evening's key: each in proportion to how often it is called, more where changes are missed (share by key),
    never the same twice running. Seats are given out by the divisor method with odd divisors (Webster 1832).
    """
    first_keys: dict[datetime.date, str] = {}
    for run in sorted(runs, key=lambda run: run.created):
        if run.created.date() < today:
            first_keys.setdefault(run.created.date(), run.key)
    lately = [first_keys[day] for day in sorted(first_keys)[-KEY_EVENINGS:]]
    played, newest = Counter(lately), lately[-1] if lately else None
    wanted = {key: called * (1.0 + MISSED_WEIGHT * (missed or {}).get(key, 0.0)) for key, called in KEYS_CALLED.items()}
    return max((key for key in wanted if key != newest), key=lambda key: wanted[key] / (2 * played[key] + 1))


def _groove_of(number: int, seed: int, most_bpm: float) -> str:
    """The groove of an evening: the usual one every other time, the rest in turn that can be had at `most_bpm`."""
    others = [name for name in GROOVES if name != DEFAULT_GROOVE]
    random.Random(seed).shuffle(others)
    others = [name for name in others if GROOVES[name].tempo_low_bpm <= most_bpm]
    return others[number // 2 % len(others)] if number % 2 else DEFAULT_GROOVE


def _most_bpm(runs: Sequence[DrillRun], today: datetime.date) -> float:
    """The fastest that a song is called at: in the first weeks what was held cleanly, or the usual tempo."""
    if runs and (today - min(run.created for run in runs).date()).days >= FIRST_WEEKS_DAYS:
        return math.inf
    return max([USUAL_BPM, *(run.tempo_bpm for run in runs if run.share >= CLEAN_SHARE)])


def _steady(runs: Sequence[DrillRun], today: datetime.date) -> set[str]:
    """Drills that were clean on the last evenings on which they were played."""
    days: dict[str, dict[datetime.date, bool]] = {}
    for run in runs:
        day = run.created.date()
        if day <= today:
            held = days.setdefault(run.drill, {})
            held[day] = held.get(day, True) and run.share >= CLEAN_SHARE
    return {
        name
        for name, held in days.items()
        if len(held) >= STEADY_DAYS and all(held[day] for day in sorted(held)[-STEADY_DAYS:])
    }


def plan_evening(
    minutes: float,
    evidence: Sequence[Evidence],
    runs: Sequence[DrillRun],
    today: datetime.date,
    *,
    seed: int = 1,
    key: str | None = None,
    keys: Mapping[str, str] | None = None,
    missed: Mapping[str, float] | None = None,
    tempo_bpm: float | None = None,
    names: Sequence[str] = tuple(DRILLS),
    phrases: Sequence[DuePhrase] = (),
    advised: Sequence[str] = (),
    own: OwnSong | None = None,
) -> Evening:
    """Warm-up, drills, one song, one look at the figures, within `minutes`.

    Each drill comes in the key and tempo that is due, else in its key of `keys` (drill → key), else in `key`; without
    a `key` in the evening's own, without a `tempo_bpm` where it was last. `missed`: the share of changes missed by key;
    `advised`: drills that the last song's advice named. Same arguments, same evening.
    """
    rng = random.Random((seed << 20) ^ today.toordinal())
    number = len({run.created.date() for run in runs if run.created.date() < today})
    song_key, most_bpm = key or home_key(runs, today, missed), _most_bpm(runs, today)
    song = _song_of(number, seed, rng, song_key, tempo_bpm, most_bpm, own)
    base_bpm = tempo_bpm or USUAL_BPM + (4.0 * rng.randint(-2, 2) if number else 0.0)
    first_days = number < FIRST_DAYS
    scale = min(1.0, minutes / USUAL_MINUTES)  # a short evening has less of everything
    warm_minutes, look_minutes = scale * WARM_UP_MINUTES, scale * LOOK_MINUTES
    song_minutes = _song_minutes(minutes, scale, first_days, own)
    for_drills = minutes - warm_minutes - song_minutes - look_minutes
    parts = [] if own is None else _parts_of(own, song, for_drills)
    for_drills -= sum(part.minutes for part in parts)
    phrase = _phrase_piece(phrases, for_drills / 2.0)
    for_drills -= sum(item.minutes + PAUSE_MINUTES for item in phrases[: len(phrase)])
    plan = _Plan(evidence, runs, today, names, rng, base_bpm, minutes)
    easy_bpm = max(40.0, round(0.8 * base_bpm))
    warm_up = plan.warm_up(warm_minutes, easy_bpm)
    n_most = (FIRST_DRILLS if first_days else LATER_DRILLS) - len(parts) - len(phrase)
    chosen, n_breaks = plan.with_breaks(for_drills, warm_minutes, max(1, n_most), first_days, advised, warm_up)
    for_drills -= n_breaks * BREAK_MINUTES
    left = for_drills - sum(choice.minutes for choice in chosen)
    if own is None and left > 0.1:  # what the drills leave is the song's
        song_minutes = min(song_minutes + left, max(song_minutes, MOST_FRAC * minutes))
    short = scale < 1.0 or run_minutes(warm_up, easy_bpm) > warm_minutes
    pieces = (
        Piece("warm_up", warm_minutes, warm_up, song.key, easy_bpm, "easy tempo, ears open", short),
        *_drill_pieces(plan, chosen, song, keys or {}, tempo_bpm, warm_minutes),
        *phrase,
        *parts,
        replace(song, minutes=round(song_minutes, 1)),
        Piece("look", look_minutes, why="what the figures say"),
    )
    return Evening(pieces, seed, today)


def _song_minutes(minutes: float, scale: float, first_days: bool, own: OwnSong | None) -> float:
    """The least that the song has of an evening's minutes."""
    least = max(SHORTEST_SONG_MINUTES, scale * (FIRST_SONG_MINUTES if first_days else SONG_MINUTES))
    return least if own is None else min(max(least, own.minutes), 0.4 * minutes)


def _parts_of(own: OwnSong, song: Piece, for_drills: float) -> list[Piece]:
    """Parts of the player's own song: two where there is time, else one."""
    each = round(min(PART_MINUTES, for_drills / 4.0), 1)
    parts = own.parts[: 2 if for_drills >= 8.0 else 1]
    return [replace(song, kind="part", minutes=each, bars=bars, why=why) for bars, why in parts]


def _phrase_piece(phrases: Sequence[DuePhrase], most: float) -> list[Piece]:
    """Of the phrases that are due the one that waits longest, where it lasts `most` minutes at most; else none."""
    return [
        Piece(
            "phrase", round(item.minutes + PAUSE_MINUTES, 1), item.drill, item.key, item.tempo_bpm,
            "studied, worth another visit",
        )
        for item in phrases[:1]
        if item.minutes + PAUSE_MINUTES <= most
    ]  # fmt: skip


def _drill_pieces(
    plan: _Plan,
    chosen: Sequence[_Chosen],
    song: Piece,
    keys: Mapping[str, str],
    tempo_bpm: float | None,
    since_break: float,
) -> list[Piece]:
    """The drills in their keys, tempi and grooves; a break before one that would make it too long without."""
    out = []
    before = _before_break(chosen, since_break)
    for choice in chosen:
        if choice in before:
            out.append(Piece("break", BREAK_MINUTES, why="put the bass down, shake out the hands"))
        at_key, at_bpm = plan.key_and_tempo(choice.drill, keys.get(choice.drill, song.key or "G"), tempo_bpm)
        groove = song.groove if drill_named(choice.drill).family in IN_ANY_GROOVE and not choice.short else ""
        if not groove or GROOVES[groove].slow:
            groove = DEFAULT_GROOVE
        each = math.floor(10.0 * choice.minutes) / 10.0
        out.append(Piece("drill", each, choice.drill, at_key, at_bpm, choice.why, choice.short, groove))
    return out


def _song_of(
    number: int,
    seed: int,
    rng: random.Random,
    key: str,
    tempo_bpm: float | None,
    most_bpm: float,
    own: OwnSong | None,
) -> Piece:
    """The evening's song, without its minutes: the player's own, or one in the evening's key, groove, tempo (at most
    `most_bpm` where none is asked for), form."""
    if own is not None:
        bpm = tempo_bpm or own.tempo_bpm
        return Piece("song", 0.0, None, own.key, bpm, "your song, all of it", groove=own.groove)
    groove = _groove_of(number, seed, most_bpm)
    form = rng.choices(tuple(SONG_FORMS), tuple(SONG_FORMS.values()))[0]
    low, high = GROOVES[groove].stage_bpm
    low = int(max(GROOVES[groove].tempo_low_bpm, min(low, most_bpm - SLOWER_BPM)))
    called = float(rng.randint(low, int(min(high, most_bpm)))) if number else GROOVES[groove].usual_tempo_bpm
    bpm = tempo_bpm or called
    return Piece("song", 0.0, None, key, bpm, "put it into a song", groove=groove, form=form)


@dataclass(frozen=True, slots=True)
class _Chosen:
    """A drill for this evening, what speaks for it, and how long."""

    drill: str
    why: str
    minutes: float
    short: bool = False


_SHORT_TRY = "first try"


def _before_break(chosen: Sequence[_Chosen], since_break: float) -> list[_Chosen]:
    """Those that a break comes before; `since_break`: the minutes played before the first."""
    out = []
    for choice in chosen:
        if since_break + choice.minutes > BREAK_AFTER_MINUTES:
            out.append(choice)
            since_break = 0.0
        since_break += choice.minutes
    return out


class _Time:
    """What is chosen so far, and the minutes that it leaves."""

    def __init__(self, chosen: list[_Chosen], left: float, n_most: int, tempo_bpm: float) -> None:
        self.chosen, self.left = chosen, left
        self._n_most, self._tempo_bpm = n_most, tempo_bpm

    def _run(self, name: str, short: bool) -> float:
        """A run and its pause."""
        return run_minutes(name, self._tempo_bpm, short=short) + (SHORT_PAUSE_MINUTES if short else PAUSE_MINUTES)

    def add(self, name: str, why: str, *, short: bool, least: float = 0.0) -> None:
        """One drill more, as many runs as last so long at least, where it fits; the first always does."""
        run = self._run(name, short)
        each = max(run, math.ceil(least / run) * run)
        if len(self.chosen) < self._n_most and (each <= self.left or not self.chosen):
            self.chosen.append(_Chosen(name, why, each, short))
            self.left -= each

    def not_chosen(self, names: Sequence[str]) -> list[str]:
        taken = {choice.drill for choice in self.chosen}
        return [name for name in names if name not in taken]

    def more_runs(self, most: Callable[[str], float]) -> None:
        """Whole runs more of everything, tries that show most first, as long as there is time."""
        order = sorted(
            range(len(self.chosen)),
            key=lambda i: (self.chosen[i].why != _SHORT_TRY, -len(_shows(self.chosen[i].drill))),
        )
        before = math.inf
        while self.left < before:
            before = self.left
            for i in order:
                choice = self.chosen[i]
                run = self._run(choice.drill, choice.short)
                if run <= self.left and choice.minutes + run <= most(choice.drill):
                    self.chosen[i] = replace(choice, minutes=choice.minutes + run)
                    self.left -= run

    def lengthen_tries(self) -> None:
        """Where there is time for more than a short try."""
        for i, choice in enumerate(self.chosen):
            more = run_minutes(choice.drill, self._tempo_bpm) + PAUSE_MINUTES - choice.minutes
            if choice.why == _SHORT_TRY and more <= self.left:
                why = _SHORT_TRY.removesuffix(", short")
                self.chosen[i] = replace(choice, minutes=choice.minutes + more, why=why, short=False)
                self.left -= more


class _Plan:
    """What is known on an evening, and what is chosen from it."""

    def __init__(
        self,
        evidence: Sequence[Evidence],
        runs: Sequence[DrillRun],
        today: datetime.date,
        names: Sequence[str],
        rng: random.Random,
        tempo_bpm: float,
        minutes: float,
    ) -> None:
        self.evidence, self.runs, self.today, self.rng, self.tempo_bpm = evidence, runs, today, rng, tempo_bpm
        self.names, self.minutes = names, minutes
        self.evenings = sorted({run.created.date() for run in runs if run.created.date() < today})
        self.weak = weakness(evidence, today, names)
        self.held = standings(runs, today)
        self.steady = _steady(runs, today)
        self.played = {run.drill for run in runs if run.created.date() == today}
        self.said = dict.fromkeys(self.weak, 0.0)
        for item in evidence:
            if item.drill in self.said:
                self.said[item.drill] += item.weight

    @property
    def n_evenings(self) -> int:
        return len(self.evenings)

    def most(self, name: str) -> float:
        """The most minutes of the evening that a drill may have, of what it comes to with every part rounded down."""
        return 0.93 * (STEADY_FRAC if name in self.steady else MOST_FRAC) * self.minutes

    def warm_up(self, minutes: float, tempo_bpm: float) -> str:
        """What to warm up on: what was never heard; on the first evenings what went wrong; else one after the other by
        the day."""
        easy = [drill.name for drill in (*TRIES.values(), *DRILLS.values()) if drill.warm_up]
        easy = [name for name in easy if run_minutes(name, tempo_bpm, short=True) <= minutes] or easy[-1:]
        new = next((n for n in easy if any(self.said.get(shown, 1.0) == 0.0 for shown in _shows(n))), None)
        if new is not None:
            return new
        drills = [name for name in easy if name in DRILLS] or easy
        worst = max(drills, key=lambda name: self.weak.get(name, 0.0))
        if self.n_evenings < FIRST_DAYS and self.weak.get(worst, 0.0) >= WEAK:
            return worst
        return drills[self.n_evenings % len(drills)]

    def key_and_tempo(self, name: str, key: str, asked_bpm: float | None) -> tuple[str, float]:
        """(key, tempo) of a drill: where it is due, else in the key given where it was last."""
        due = [s for s in self.held.values() if s.item.drill == name and s.due <= self.today]
        if due:
            longest = min(due, key=lambda s: (s.due, s.item))
            return longest.item.key, longest.newest_tempo_bpm
        mine = [run for run in self.runs if run.drill == name and run.key == key]
        last = max(mine, key=lambda run: run.created).tempo_bpm if mine else None
        return key, asked_bpm or last or self.tempo_bpm

    def with_breaks(
        self,
        for_drills: float,
        since_break: float,
        n_most: int,
        first_days: bool,
        advised: Sequence[str],
        warm_up: str,
    ) -> tuple[list[_Chosen], int]:
        """The evening's drills, and how many breaks between them: theirs are minutes of the evening too."""
        state, n_breaks = self.rng.getstate(), 0
        while True:
            self.rng.setstate(state)
            chosen = self.chosen(for_drills - n_breaks * BREAK_MINUTES, n_most, first_days, advised, warm_up)
            found = len(_before_break(chosen, since_break))
            if found <= n_breaks:
                return chosen, n_breaks
            n_breaks = found

    def chosen(
        self, for_drills: float, n_most: int, first_days: bool, advised: Sequence[str], warm_up: str
    ) -> list[_Chosen]:
        """The evening's drills within their minutes, the most wanted first."""
        warm = _shows(warm_up)
        n_drills = min(n_most, max(1, min(3 if self.minutes < 40.0 else 5, int(for_drills // DRILL_MINUTES))))
        new = [name for name in self.names if self.said[name] == 0.0 and name not in warm]
        open_ = [name for name in self.weak if name not in self.played and name not in warm]
        named = [name for name in advised if name in open_]
        if first_days and (new or self.n_evenings):
            return self._first_evening(for_drills, n_most, named, open_, new)
        if new:
            return self._trying(for_drills, n_most, n_drills, named, open_, new)
        return self._working(for_drills, n_drills, named, warm)

    def _first_evening(
        self, for_drills: float, n_most: int, named: Sequence[str], open_: Sequence[str], new: Sequence[str]
    ) -> list[_Chosen]:
        """What went wrong, even once, is worked on, `OWN_MINUTES` of its own each, what had no time of the last evening
        first; then first tries, then what was heard least sure. What time is left goes to whole runs of the same, tries
        first: one pass may be chance."""
        lately = (
            {run.drill for run in self.runs if run.created.date() == self.evenings[-1]} if self.n_evenings > 1 else ()
        )

        def in_turn(names: Sequence[str]) -> list[str]:
            return sorted(names, key=lambda name: (name in lately, -self.weak[name]))

        time = _Time([], for_drills, n_most, self.tempo_bpm)
        for name in dict.fromkeys([*named, *in_turn(self._known(open_))]):
            time.add(name, self._reason(name, name in named), short=True, least=OWN_MINUTES)
        for name in _in_order(time.not_chosen(new), self.rng):
            time.add(name, _SHORT_TRY, short=True)
        for name in in_turn([name for name in time.not_chosen(open_) if self.said[name] > 0.0]):
            time.add(name, self._reason(name, False), short=True, least=OWN_MINUTES)
        time.more_runs(self.most)
        return time.chosen

    def _trying(
        self, for_drills: float, n_most: int, n_drills: int, named: Sequence[str], open_: Sequence[str],
        new: Sequence[str],
    ) -> list[_Chosen]:  # fmt: skip
        """What is weak, a look at what is due; first tries with the rest."""
        full = [*named, *(n for n in self._known(open_) if n not in named)][: max(1, n_drills - 1)]
        out = [_Chosen(name, self._reason(name, name in named), min(DRILL_MINUTES, self.most(name))) for name in full]
        time = _Time(out, for_drills - sum(choice.minutes for choice in out), n_most, self.tempo_bpm)
        fading = sorted((s for s in self.held.values() if s.due <= self.today), key=lambda s: s.kept_frac)
        for standing in [s for s in fading if s.item.drill in open_ and s.item.drill not in full][:1]:
            time.add(standing.item.drill, "worth another visit", short=False)
        for name in _in_order([name for name in new if name not in full], self.rng):
            time.add(name, _SHORT_TRY, short=True)
        if not full:
            time.lengthen_tries()
        return self._filled(time.chosen, time.left)

    def _known(self, names: Sequence[str]) -> list[str]:
        """Those of the drills that were heard and are weak, the weakest first."""
        heard = [name for name in names if self.weak[name] >= WEAK and self.said[name] > 0.0]
        return sorted(heard, key=lambda name: -self.weak[name])

    def _filled(self, out: list[_Chosen], left: float) -> list[_Chosen]:
        """What is left goes to those with their full time, as far as each may have more."""
        wanting = [i for i, choice in enumerate(out) if not choice.short]
        for i in wanting:
            more = min(left / len(wanting), self.most(out[i].drill) - out[i].minutes)
            if more > 0.0 and left > 0.5:
                out[i] = replace(out[i], minutes=out[i].minutes + more)
        return out

    def _working(self, for_drills: float, n: int, named: Sequence[str], warm: Collection[str]) -> list[_Chosen]:
        """With everything known: what was advised, the weakest of what is due, and whatever has waited longest."""
        last = {name: max((r.created.date() for r in self.runs if r.drill == name), default=None) for name in self.weak}

        def urgency(name: str) -> float:
            fading = max((1.0 - s.kept_frac for s in self.held.values() if s.item.drill == name), default=0.3)
            rested = 0.0 if last[name] == self.today or name in warm else 1.0
            return rested * (2.0 * math.pow(self.weak[name], 1.5) + 0.5 * fading) + self.rng.uniform(0.0, 0.05)

        def wait_days(name: str) -> float:
            day = last[name]
            if day is None:
                return LONGEST_WAIT_DAYS + self.rng.random()
            return min((self.today - day).days, LONGEST_WAIT_DAYS)

        ranked = dict.fromkeys([*named, *sorted(self.weak, key=urgency, reverse=True)])
        names = {name: self._reason(name, name in named) for name in list(ranked)[: max(1, n - 1)]}
        waiting = max((name for name in self.weak if name not in {*names, *warm}), key=wait_days, default=None)
        if n >= 2 and waiting is not None:
            names[waiting] = _waited(last[waiting], self.today)
        each = max(2.0, min(DRILL_MINUTES * 2.0, for_drills / n))
        out = [self._of_minutes(name, why, min(each, self.most(name))) for name, why in names.items()]
        left = for_drills - sum(choice.minutes for choice in out)
        return self._filled(out, left) if each < DRILL_MINUTES * 2.0 else out

    def _of_minutes(self, name: str, why: str, minutes: float) -> _Chosen:
        """A drill of so many minutes; its short form where the whole one takes longer."""
        return _Chosen(name, why, minutes, run_minutes(name, self.tempo_bpm) + PAUSE_MINUTES > minutes)

    def _reason(self, name: str, named: bool) -> str:
        """What speaks for a drill: the last song's advice, or what was really heard."""
        if named:
            return "the last song asked for it"
        heard = [e for e in self.evidence if e.drill == name and (self.today - e.day).days <= 2 * HALF_LIFE_DAYS]
        if not heard:
            return "not heard lately"
        return went_words(sum(e.weight * e.clean_frac for e in heard) / sum(e.weight for e in heard))


def went_words(clean_frac: float) -> str:
    """How the last runs went, as a teacher would say it."""
    for least, words in ((0.9, "went well lately"), (0.6, "mostly went well"), (0.4, "half of it went well")):
        if clean_frac >= least:
            return words
    return "seldom went well yet" if clean_frac >= 0.15 else "did not go yet"


def _shows(name: str) -> tuple[str, ...]:
    return drill_named(name).shows or (name,)


def _in_order(new: Sequence[str], rng: random.Random) -> list[str]:
    """First tries: those that show most of what is new, then single drills in chance order; what this evening's song
    shows by itself can wait."""
    left, out = set(new), []
    tries = list(TRIES.values())
    rng.shuffle(tries)
    for drill in sorted(tries, key=lambda drill: -len(left.intersection(drill.shows))):
        if len(left.intersection(drill.shows)) >= 2:
            out.append(drill.name)
            left.difference_update(drill.shows)
    single = [name for name in new if name in left]
    rng.shuffle(single)
    return out + sorted(single, key=lambda name: name in SHOWN_BY_SONGS)


def _n_runs(piece: Piece) -> int:
    """So many runs of a piece's drill go into its minutes; at least one."""
    if piece.kind == "phrase":
        return 1
    pause = SHORT_PAUSE_MINUTES if piece.short else PAUSE_MINUTES
    each = run_minutes(piece.drill or "", piece.tempo_bpm or 96.0, short=piece.short) + pause
    return max(1, int((piece.minutes + 0.1) // each))  # its minutes are rounded down to tenths


def turns_of(evening: Evening) -> list[Piece]:
    """The evening run by run: each drill as often as its minutes hold runs of its real length (at least once), those
    between two breaks in rounds, in the order of the plan, so that no drill follows itself where another is left:
    interleaving helps or does no harm (Carter & Grahn 2016)."""
    out: list[Piece] = []
    block: list[Piece] = []

    def rounds() -> list[Piece]:
        times = {i: _n_runs(piece) for i, piece in enumerate(block)}
        return [block[i] for turn in range(max(times.values(), default=0)) for i in times if turn < times[i]]

    for piece in evening.pieces:
        if piece.kind in ("drill", "phrase"):
            block.append(piece)
            continue
        out += rounds()
        block.clear()
        if piece.kind != "look":
            out.append(piece)
    return out + rounds()


def _waited(day: datetime.date | None, today: datetime.date) -> str:
    if day is None:
        return "never drilled yet"
    days = (today - day).days
    return "its turn" if days == 0 else "last played yesterday" if days == 1 else f"last played {days} days ago"


def keys_of(history: History, today: datetime.date) -> tuple[dict[str, float], dict[str, str]]:
    """(key → share of its changes missed, drill → key): for each change the key where its root is missed most.

    Counted over the last weeks; a key with few changes, or where nearly all land, says nothing.
    """
    cells = history.landing_by_key(since=today - datetime.timedelta(days=KEY_DAYS))
    keys = sorted({key for key, _ in cells})

    def missed_by_key(pairs: Collection[str]) -> dict[str, float]:
        counts = {key: [cells[key, pair] for pair in pairs if (key, pair) in cells] for key in keys}
        missed = {
            key: 1.0 - sum(roots for roots, _ in found) / sum(n for _, n in found)
            for key, found in counts.items()
            if sum(n for _, n in found) >= KEY_CHANGES
        }
        return {key: share for key, share in missed.items() if share > 1.0 - LANDED_SHARE}

    all_changes = missed_by_key({pair for _, pair in cells if "→" in pair})
    by_drill = {drill.name: missed_by_key(drill.pairs) for drill in DRILLS.values() if drill.pairs}
    by_drill["roots"] = all_changes
    return all_changes, {drill: max(found, key=lambda key: found[key]) for drill, found in by_drill.items() if found}
