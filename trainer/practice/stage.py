"""A night on stage: a made-up open stage, tunes called one after the other, cues given a chorus ahead, scored whole.

A tune is a session like any other, with what the player may not know beforehand: the order of roles, the soloist who
takes another chorus, the ending. `Tune.cues` says when each becomes known (a chorus before it comes, or less on a full
night). Seeds make a night repeatable.

What counts as following a cue is our choice, in the words beside each judge below; places and roots are the scorer's.
"""

from __future__ import annotations

import itertools
import random
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from trainer.errors import UsageError, did_you_mean
from trainer.music import DEFAULT_GROOVE, FORMS, GROOVES
from trainer.scoring.card import Card
from trainer.scoring.reading import Reading
from trainer.scoring.why import counted
from trainer.session import BEATS_PER_BAR, Chart, Session, expand, session_from_dict

__all__ = [
    "KEYS_CALLED",
    "LEVELS",
    "Cue",
    "CueResult",
    "Night",
    "NightLevel",
    "Tune",
    "TuneResult",
    "judge_night",
    "judge_tune",
    "make_night",
]

# Common practice: the keys called most come first, with how often each is called beside the others.
KEYS_CALLED = {"E": 8, "A": 8, "G": 8, "C": 2, "D": 2, "Bb": 2, "F": 2}
_MINOR_KEYS = {"Am": 3, "Em": 2, "Dm": 2, "Cm": 1}
_NAMES = (
    ("Rain on the", "Back of the", "Down by the", "Late at the", "Round the", "Under the", "First bus from the"),
    ("loading dock", "corner table", "coat rack", "side door", "dish room", "tin roof", "parking lot", "long bar"),
)
_UP_BPM = (135, 165)  # a shuffle called up
_APART_BPM = 6  # neighbours are this far apart in tempo, our choice
_TRIES = 1000  # drawings of a night's tunes until neighbours differ
HEARD_IN_A_BAR = 2  # notes a bar that count as playing on; our choice
REACH_BEATS = 0.5


@dataclass(frozen=True, slots=True)
class NightLevel:
    """How hard a night is: tunes, what may be called, how far ahead cues come (beats), how far the band pushes (%).

    `minor_frac`: share of nights with a tune in minor, of which there is never more than one; nor of slow ones.
    `up_frac`: share of shuffles called up. The first groove is called most.
    """

    name: str
    title: str
    n_tunes: int
    forms: tuple[str, ...]
    grooves: tuple[str, ...]
    starts: tuple[str, ...]
    endings: tuple[str, ...]
    minor_frac: float
    up_frac: float
    another_frac: float
    stop_time_frac: float
    push_pct: float
    cue_ahead_beats: float


LEVELS: Mapping[str, NightLevel] = {
    level.name: level
    for level in (
        NightLevel(
            "quiet_night", "A quiet night, friends at the tables", 2, ("quick_change_12", "slow_change_12"),
            ("shuffle", "double_shuffle", "slow_twelve_eight"), ("top",), ("plain", "stop"),
            0.0, 0.0, 0.3, 0.0, 0.0, 48.0,
        ),
        NightLevel(
            "usual_night", "A usual night", 3, ("quick_change_12", "slow_change_12", "minor_12"),
            ("shuffle", "slow_twelve_eight", "straight", "double_shuffle"),
            ("top", "from_the_five"), ("plain", "stop", "tag"),
            0.5, 0.2, 0.6, 0.3, 2.0, 48.0,
        ),
        NightLevel(
            "full_house", "A full house, nobody counts you in twice", 4,
            ("quick_change_12", "slow_change_12", "minor_12", "eight_bar", "two_five_12"),
            ("shuffle", "slow_twelve_eight", "two_beat", "straight", "double_shuffle"),
            ("top", "from_the_five", "from_the_turnaround"), ("plain", "stop", "tag", "ritard"),
            0.7, 0.3, 0.9, 0.5, 4.0, 16.0,
        ),
    )
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Cue:
    """Something called to the player. It is shown from `shown_beats` and is about `at_beats` to `end_beats`.

    `kind`: "start", "solo", "verse", "another" (one more chorus), "stop_time", "ending".
    """

    kind: str
    shown_beats: float
    at_beats: float
    end_beats: float
    text: str


@dataclass(frozen=True, slots=True)
class Tune:
    """One tune of the night: the session as it will be, what is called before the count-in, and the cues."""

    number: int
    session: Session
    called: str
    cues: tuple[Cue, ...]


@dataclass(frozen=True, slots=True)
class Night:
    """The tunes of a night, in order."""

    seed: int
    level: NightLevel
    tunes: tuple[Tune, ...]


@dataclass(frozen=True, slots=True)
class CueResult:
    """Whether a cue was followed. `followed` None: what was played cannot say; `text` is why, or what was heard."""

    cue: Cue
    followed: bool | None
    text: str


@dataclass(frozen=True, slots=True)
class TuneResult:
    """A tune as a whole: form kept, cues followed, together at the end, with the landing counted."""

    tune: Tune
    form_kept: bool | None
    n_lost: int
    roots: int
    changes: int
    cues: tuple[CueResult, ...]
    ended_together: bool | None

    @property
    def n_followed(self) -> int:
        return sum(result.followed is True for result in self.cues)

    @property
    def n_judged(self) -> int:
        return sum(result.followed is not None for result in self.cues)


# --- making a night -----------------------------------------------------------------------------------------------


def make_night(seed: int, level: str = "usual_night") -> Night:
    """The night of a seed and a level; `UsageError` for an unknown level."""
    if level not in LEVELS:
        hint = did_you_mean(level, LEVELS)
        raise UsageError(f'night "{level}" is not known; allowed: {", ".join(LEVELS)}{hint}')
    rng = random.Random(f"{seed} {level}")
    chosen = LEVELS[level]
    calls = _calls(chosen, rng)
    return Night(seed, chosen, tuple(_tune(number, call, chosen, rng) for number, call in enumerate(calls, 1)))


@dataclass(frozen=True, slots=True)
class _Call:
    """What is called of a tune before anything else: its key, groove and tempo."""

    key: str
    minor: bool
    groove: str
    tempo_bpm: int

    def like(self, other: _Call) -> bool:
        """Whether two tunes after one another would be alike in key, groove or tempo."""
        near = abs(self.tempo_bpm - other.tempo_bpm) < _APART_BPM
        return self.key.rstrip("m") == other.key.rstrip("m") or self.groove == other.groove or near


def _calls(level: NightLevel, rng: random.Random) -> list[_Call]:
    """The tunes of a night as they are called: no two neighbours alike, at most one slow, at most one in minor."""
    in_minor = rng.randrange(level.n_tunes) if rng.random() < level.minor_frac else None
    for _ in range(_TRIES):
        calls = [_call(level, number == in_minor, rng) for number in range(level.n_tunes)]
        slow = sum(GROOVES[call.groove].slow for call in calls)
        if slow <= 1 and not any(one.like(two) for one, two in itertools.pairwise(calls)):
            return calls
    raise AssertionError(f"no night of {level.name} was found in {_TRIES} drawings")


def _call(level: NightLevel, minor: bool, rng: random.Random) -> _Call:
    keys = _MINOR_KEYS if minor else KEYS_CALLED
    key = rng.choices(tuple(keys), tuple(keys.values()))[0]
    groove = rng.choices(level.grooves, (len(level.grooves), *(1 for _ in level.grooves[1:])))[0]
    up = groove == DEFAULT_GROOVE and rng.random() < level.up_frac
    return _Call(key, minor, groove, rng.randint(*(_UP_BPM if up else GROOVES[groove].stage_bpm)))


def _tune(number: int, call: _Call, level: NightLevel, rng: random.Random) -> Tune:
    form = rng.choice([name for name in level.forms if call.minor or name != "minor_12"])
    slow = GROOVES[call.groove].slow
    n_solo = 1 if slow else rng.choice((1, 2))
    another = rng.random() < level.another_frac
    chorus = _choruses(level, slow, n_solo + another, rng)
    session = session_from_dict(
        {
            "title": " ".join(rng.choice(part) for part in _NAMES),
            "key": call.key,
            "tempo_bpm": float(call.tempo_bpm),
            "form": form,
            "groove": call.groove,
            "start": rng.choice(level.starts),
            "ending": rng.choice(level.endings),
            "seed": rng.randrange(2**32),
            "tempo_push_pct": round(rng.uniform(0.0, level.push_pct), 1),
            "count_in_bars": 1 if slow else 2,
            "chorus": chorus,
        }
    )
    return Tune(number, session, _called(session), _cues(session, level, n_solo if another else None))


def _choruses(level: NightLevel, slow: bool, n_solo: int, rng: random.Random) -> list[dict[str, Any]]:
    """A tune's choruses as a session has them: verses round solos that rise, perhaps one over stops."""
    roles = [("verse", 1 if slow else 2), ("solo", n_solo), ("verse", 1)]
    if not slow and level.n_tunes > 2 and rng.random() < 0.5:
        roles.insert(2, ("solo", 1))
    solo_stop = rng.random() < level.stop_time_frac
    chorus: list[dict[str, Any]] = []
    for role, times in roles:
        intensity: Any = 0.45
        if role == "solo":
            intensity = [round(0.55 + 0.35 * i / max(1, times - 1), 2) if times > 1 else 0.7 for i in range(times)]
        chorus.append({"role": role, "times": times, "intensity": intensity})
    if solo_stop:
        chorus.insert(2, {"role": "solo", "times": 1, "intensity": 0.6, "stop_time": True})
    return chorus


def _called(session: Session) -> str:
    form = FORMS[session.form].title.lower().replace("ii–v", "ii–V")  # "twelve bars, quick change"
    start = {"top": "from the top", "from_the_five": "from the five", "from_the_turnaround": "from the turnaround"}
    return f"{session.title}: {GROOVES[session.groove].called} in {session.key.name}, {form}, {start[session.start]}"


def _cues(session: Session, level: NightLevel, planned_solo: int | None) -> tuple[Cue, ...]:
    """Cues of a tune. `planned_solo`: choruses the first solo was meant to have, if the soloist takes another."""
    chart = expand(session)
    ahead = level.cue_ahead_beats
    out = []
    first = chart.bars[0]
    if session.start in _START_CALLS:
        out.append(Cue("start", chart.count_in_beats, first.onset_beats, 0.0, _START_CALLS[session.start]))
    tops = list(chart.chorus_onsets_beats)
    by_chorus = {bar.chorus: bar for bar in reversed(chart.bars)}
    ends = [*tops[1:], chart.end_beats]
    stops = {bar.chorus for bar in chart.bars if bar.stopped and bar.bar == 2}
    n_solo = 0
    for number, (top, end) in enumerate(zip(tops, ends, strict=True), 1):
        bar, before = by_chorus[number], by_chorus.get(number - 1)
        n_solo = n_solo + 1 if bar.role == "solo" else 0
        shown = max(chart.count_in_beats, top - ahead)
        if bar.stopped and number in stops:
            out.append(Cue("stop_time", shown, top, end, "stops coming: hit one, leave the rest"))
        elif before is not None and before.role != bar.role:
            kind = "solo" if bar.role == "solo" else "last verse" if number == len(tops) else "verse"
            out.append(Cue(kind.removeprefix("last "), shown, top, end, _ROLE_CALLS[kind]))
        elif n_solo - 1 == planned_solo:
            # The soloist nods late: two bars ahead, whatever the level.
            out.append(Cue("another", top - 2.0 * BEATS_PER_BAR, top, end, "one more chorus"))
            planned_solo = None
    shown, at = max(0.0, tops[-1] - max(ahead - 48.0, 0.0)), chart.end_beats - BEATS_PER_BAR
    out.append(Cue("ending", shown, at, chart.end_beats, _ENDING_CALLS[session.ending]))
    return tuple(sorted(out, key=lambda cue: (cue.shown_beats, cue.at_beats)))


_START_CALLS = {"from_the_five": "from the five, four bars", "from_the_turnaround": "from the turnaround, two bars"}
_ROLE_CALLS = {
    "solo": "solo coming: follow it up",
    "last verse": "last verse coming: hold it down",
    "verse": "verse coming: hold it down",
}
_ENDING_CALLS = {
    "plain": "ending: hit the one in the last bar and hold",
    "stop": "ending: stop in the bar before the last, then the one",
    "tag": "ending: last four bars three times",
    "ritard": "ending: slowing in the last bar",
}


# --- judging ------------------------------------------------------------------------------------------------------


def judge_tune(tune: Tune, card: Card, reading: Reading, chart: Chart) -> TuneResult:
    """A tune from its scorecard and reading. A take without notes follows no cue and keeps no form."""
    heard = ~reading.stacked
    beats = reading.placed_beats[heard]
    results = tuple(_judge_cue(cue, tune, card, beats, chart) for cue in tune.cues)
    lost = card.form.lost or ()
    known = card.form.lost is not None and len(beats) > 0
    return TuneResult(
        tune=tune,
        form_kept=(not lost) if known else None if len(beats) else False,
        n_lost=len(lost),
        roots=card.landing.total.roots,
        changes=card.landing.total.changes,
        cues=results,
        ended_together=next((r.followed for r in results if r.cue.kind == "ending"), None),
    )


def judge_night(results: Sequence[TuneResult]) -> list[str]:
    """The night in a few plain sentences."""
    n = len(results)
    kept = sum(result.form_kept is True for result in results)
    untold = sum(result.form_kept is None for result in results)
    untold_too = f"; in {untold} it cannot be told" if untold else ""
    ends = [result.ended_together for result in results if result.ended_together is not None]
    followed, judged = sum(r.n_followed for r in results), sum(r.n_judged for r in results)
    roots, changes = sum(r.roots for r in results), sum(r.changes for r in results)
    told = (
        (n, f"Form kept from start to end in {kept} of {counted(n, 'tune')}{untold_too}."),
        (judged, f"Cues followed: {followed} of {judged}."),
        (len(ends), f"Ended together in {sum(ends)} of {counted(len(ends), 'tune')}."),
        (changes, f"Roots on the changes: {roots} of {changes}."),
    )
    return [line for of, line in told if of]  # of what could not be judged nothing is said


def _judge_cue(cue: Cue, tune: Tune, card: Card, beats: Any, chart: Chart) -> CueResult:
    judge = {
        "start": _start,
        "solo": _role,
        "verse": _role,
        "another": _another,
        "stop_time": _stop_time,
        "ending": _ending,
    }[cue.kind]
    followed, text = judge(cue, tune, card, beats, chart)
    return CueResult(cue, followed, text)


_Judged = tuple[bool | None, str]


def _count(beats: Any, start: float, end: float) -> int:
    """Attacks from start (half a beat early allowed) to half a beat before end."""
    return int(np.count_nonzero((beats >= start - REACH_BEATS) & (beats < end - REACH_BEATS)))


def _start(cue: Cue, tune: Tune, card: Card, beats: Any, chart: Chart) -> _Judged:
    """Followed: there in the first bar of the intro."""
    n = _count(beats, cue.at_beats, cue.at_beats + BEATS_PER_BAR)
    return n > 0, "in from the first bar" if n else "not there when the band came in"


def _role(cue: Cue, tune: Tune, card: Card, beats: Any, chart: Chart) -> _Judged:
    """Followed: a verse held down; a solo played open or held under the soloist."""
    chorus = int(chart.bars[int(chart.bar_idx_at([cue.at_beats])[0])].chorus)
    row = next((row for row in card.shape.choruses if row.chorus == chorus), None)
    if row is None or row.verdict is None:
        return None, "too little heard in that chorus to say"
    wanted = ("pinned",) if cue.kind == "verse" else ("open", "held")
    return row.verdict in wanted, row.said if row.verdict != "mixed" else "neither held down nor opened up"


def _another(cue: Cue, tune: Tune, card: Card, beats: Any, chart: Chart) -> _Judged:
    """Followed: played on through the extra chorus's first two bars."""
    n = _count(beats, cue.at_beats, cue.at_beats + 2 * BEATS_PER_BAR)
    return n >= 2 * HEARD_IN_A_BAR, "played on" if n >= 2 * HEARD_IN_A_BAR else "left when the soloist stayed"


def _stop_time(cue: Cue, tune: Tune, card: Card, beats: Any, chart: Chart) -> _Judged:
    """Followed: in three of four stop bars, an attack on one and at most one more before the next bar."""
    bars = [bar for bar in chart.bars if bar.stopped and cue.at_beats <= bar.onset_beats < cue.end_beats]
    good = 0
    for bar in bars:
        on_one = _count(beats, bar.onset_beats, bar.onset_beats + 1.0) >= 1
        # The last half-beat may lead into the next bar.
        later = np.count_nonzero((beats >= bar.onset_beats + 0.5) & (beats < bar.end_beats - 1.0))
        good += int(on_one and later <= 1)
    return 4 * good >= 3 * len(bars), f"left room in {good} of {len(bars)} stop bars"


def _ending(cue: Cue, tune: Tune, card: Card, beats: Any, chart: Chart) -> _Judged:
    """Followed: an attack on the last bar's one, at most one more after it, nothing beyond the end; and before it:
    "stop": the stop bar left empty after its one; "tag": played on through the repeats."""
    last = chart.bars[-1]
    if not _count(beats, last.onset_beats, last.onset_beats + 1.0):
        return False, "not on the last one"
    after = int(np.count_nonzero(beats >= last.onset_beats + 0.5))
    if after > 1:
        return False, f"{after} notes after the last one"
    if tune.session.ending == "stop":
        stop = chart.bars[-2]
        later = int(np.count_nonzero((beats >= stop.onset_beats + 0.5) & (beats < stop.end_beats - 1.0)))
        if later > 1:
            return False, f"{later} notes through the stop"
    if tune.session.ending == "tag":
        bars = chart.bars[-9:-1]
        empty = [bar for bar in bars if _count(beats, bar.onset_beats, bar.end_beats) < HEARD_IN_A_BAR]
        if len(empty) > 1:
            return False, "left before the tag was over"
    return True, "together on the last one"
