"""The session file: read, checked, and expanded to a chart.

A session says what is to be played: key, tempo, swing, form, groove, the choruses with their roles and how hard the
band plays. `expand` turns it, purely, into a `Chart`: every bar's chords, role and swing on the beat axis, where
0.0 is the first downbeat of the first chorus (an intro and the count-in lie before it, at negative beats).

The reader accepts nothing that it does not know: each mistake is one line naming the key, what was found, what is
allowed, and the nearest name.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path
from typing import Any, Literal, NamedTuple, TypeAlias, get_args

import numpy as np
from numpy.typing import ArrayLike, NDArray

from trainer import limits
from trainer.errors import SessionError, UsageError
from trainer.music import (
    FORMS,
    GROOVES,
    TURNAROUNDS,
    Chord,
    Key,
    chart_bars,
    degree_name,
    form_bars,
    parse_key,
)
from trainer.music.chords import numeral_chord
from trainer.tables import Checker, is_number, read_text_file, read_toml

__all__ = [
    "BEATS_PER_BAR",
    "CUES",
    "ENDINGS",
    "GUIDES",
    "LIMBS",
    "LINES",
    "N_INTRO_BARS",
    "ROLES",
    "STARTS",
    "BarRole",
    "BarSpan",
    "Chart",
    "ChartBar",
    "ChordSpan",
    "ChorusPlan",
    "Role",
    "Session",
    "check_tempo",
    "default_session",
    "expand",
    "load_session",
    "parse_session",
    "read_key",
    "session_from_dict",
    "with_something_to_play",
]

BEATS_PER_BAR = 4
Role: TypeAlias = Literal["verse", "solo", "head"]
BarRole: TypeAlias = Literal["intro", "verse", "solo", "head"]
ROLES: tuple[Role, ...] = get_args(Role)  # verse: pin it · solo: open up · head: as written
LINES = ("eighths", "quarters", "two_beat", "free")  # what the chart asks of the bass
# How many of the form's last bars are played first.
N_INTRO_BARS = {"top": 0, "from_the_five": 4, "from_the_turnaround": 2}
ENDINGS = ("plain", "stop", "tag", "ritard")
STARTS = tuple(N_INTRO_BARS)
GUIDES = ("off", "on", "every_other")
LIMBS = ("snare", "kick")  # may swing apart from the ride, which has the session's own ratio
SWING_RANGE = (1.0, 3.5)
SLOW_BPM = 75.0  # up to here one bar of count-in is enough (common practice: slow twelve-eight, 50–75)
# The words of the cue points by which a MIDI file keeps what neither its chords nor its markers say.
CUES = {"groove": "groove ", "swing_ratio": "swing ", "heard": "listen", "drop_out": "band out", "pedal": "pedal"}
RITARD_FACTOR = 0.6  # tempo at the end of a ritard, of the song's; our choice


@dataclass(frozen=True, slots=True)
class ChorusPlan:
    """One `[[chorus]]` table: `times` choruses of one role, an intensity for each (a single one serves them all).

    `heard`: somebody else plays the line there and the player only listens; nothing played along is scored.
    """

    role: Role
    times: int = 1
    intensity: tuple[float, ...] = (0.5,)
    line: str | None = None
    stop_time: bool = False
    heard: bool = False

    def __post_init__(self) -> None:
        if len(self.intensity) == 1:
            object.__setattr__(self, "intensity", self.intensity * self.times)
        if len(self.intensity) != self.times:
            raise ValueError(f"{self.times} choruses need one intensity, or one each; found {len(self.intensity)}")


@dataclass(frozen=True, slots=True)
class BarSpan:
    """Bars `first`–`last` (1-based, inclusive) of a chorus (1-based), for a drop-out or a pedal."""

    chorus: int
    first: int
    last: int


@dataclass(frozen=True, slots=True)
class Session:
    """A checked session. `to_dict` gives back what `session_from_dict` reads."""

    title: str = "A shuffle in G"
    key: Key = field(default_factory=lambda: Key("G", 7))
    tempo_bpm: float = 96.0
    swing_ratio: float = 2.0
    form: str = "quick_change_12"
    groove: str = "shuffle"
    count_in_bars: int = 2
    seed: int = 1
    choruses: tuple[ChorusPlan, ...] = (ChorusPlan("verse", 4),)
    drop_outs: tuple[BarSpan, ...] = ()
    pedals: tuple[BarSpan, ...] = ()
    chart: tuple[str, ...] = ()
    loop: tuple[int, int] | None = None
    start: str = "top"
    ending: str = "plain"
    turnaround: str | None = None
    pickup_beats: float = 0.0
    guide: str = "off"
    listen: bool = False
    tempo_push_pct: float = 0.0
    limb_swing: tuple[tuple[str, float], ...] = ()  # (limb, long:short) where a limb swings apart from the ride

    @property
    def n_choruses(self) -> int:
        return sum(plan.times for plan in self.choruses)

    def to_dict(self) -> dict[str, Any]:
        """As plain data in the shape of the TOML file (defaults of the extras left out)."""
        out: dict[str, Any] = {
            "title": self.title,
            "key": self.key.name,
            "tempo_bpm": self.tempo_bpm,
            "swing_ratio": self.swing_ratio,
            "form": self.form,
            "groove": self.groove,
            "count_in_bars": self.count_in_bars,
            "seed": self.seed,
        }
        if self.loop is not None:
            out["loop"] = list(self.loop)
        for name, value, default in (
            ("start", self.start, "top"),
            ("ending", self.ending, "plain"),
            ("turnaround", self.turnaround, None),
            ("pickup_beats", self.pickup_beats, 0.0),
            ("guide", self.guide, "off"),
            ("listen", self.listen, False),
            ("tempo_push_pct", self.tempo_push_pct, 0.0),
        ):
            if value != default:
                out[name] = value
        if self.limb_swing:
            out["limb_swing"] = dict(self.limb_swing)
        out["chorus"] = []
        for plan in self.choruses:
            table: dict[str, Any] = {
                "role": plan.role,
                "times": plan.times,
                "intensity": list(plan.intensity),
            }
            if len(set(plan.intensity)) == 1:
                table["intensity"] = plan.intensity[0]
            if plan.line is not None:
                table["line"] = plan.line
            for name, present in (("stop_time", plan.stop_time), ("heard", plan.heard)):
                if present:
                    table[name] = True
            out["chorus"].append(table)
        for name, spans in (("drop_out", self.drop_outs), ("pedal", self.pedals)):
            if spans:
                out[name] = [{"chorus": s.chorus, "bars": [s.first, s.last]} for s in spans]
        if self.chart:
            out["chart"] = {"bars": list(self.chart)}
        return out


@dataclass(frozen=True, slots=True)
class ChartBar:
    """One bar of the chart.

    `chorus` is 1-based (0: the intro); `bar` is the bar's 1-based number in the form (so a loop of bars 9–12 keeps
    9–12); `chords` are in equal shares of the bar. `final` marks the last bar, where a held tonic ends the song;
    `stopped`: the band only hits beat 1; `turnaround`: one of the form's last two bars; `heard`: the player only
    listens.
    """

    idx: int
    chorus: int
    bar: int
    onset_beats: float
    chords: tuple[Chord, ...]
    degrees: tuple[str, ...]
    role: BarRole
    intensity: float
    line: str
    drop_out: bool = False
    pedal: bool = False
    stopped: bool = False
    turnaround: bool = False
    final: bool = False
    ritard: bool = False
    heard: bool = False

    @property
    def end_beats(self) -> float:
        return self.onset_beats + BEATS_PER_BAR


@dataclass(frozen=True, slots=True)
class ChordSpan:
    """A chord as written: from `onset_beats` to `end_beats`, inside one bar (`bar_idx` counts `Chart.bars`)."""

    onset_beats: float
    end_beats: float
    chord: Chord
    degree: str
    bar_idx: int


@dataclass(frozen=True)
class Chart:
    """Every bar of a session on the beat axis. Pure data; the band is arranged from it and the scorer compares with it.

    `form_chords` is one chorus as written (without the last chorus's ending), `turnaround_pinned` says whether the
    session asked for a particular turnaround.
    """

    session: Session
    bars: tuple[ChartBar, ...]
    form_chords: tuple[tuple[Chord, ...], ...]
    tempo_segments: tuple[tuple[float, float], ...]
    turnaround_pinned: bool = False

    @property
    def key(self) -> Key:
        return self.session.key

    @property
    def swing_ratio(self) -> float:
        return self.session.swing_ratio

    @property
    def first_beats(self) -> float:
        """Beat of the first bar's downbeat: 0.0, or negative with an intro."""
        return self.bars[0].onset_beats

    @property
    def end_beats(self) -> float:
        """Beat where the last bar ends."""
        return self.bars[-1].end_beats

    @property
    def count_in_beats(self) -> float:
        """Beat where the count-in begins (negative)."""
        return self.first_beats - BEATS_PER_BAR * self.session.count_in_bars

    @property
    def n_choruses(self) -> int:
        return self.bars[-1].chorus

    @cached_property
    def spans(self) -> tuple[ChordSpan, ...]:
        """The chords in order, each as written in its bar (a chord repeated in the next bar stands twice)."""
        out = []
        for bar in self.bars:
            share = BEATS_PER_BAR / len(bar.chords)
            for i, (chord, degree) in enumerate(zip(bar.chords, bar.degrees, strict=True)):
                onset = bar.onset_beats + i * share
                out.append(ChordSpan(onset, onset + share, chord, degree, bar.idx))
        return tuple(out)

    @cached_property
    def span_onsets_beats(self) -> NDArray[np.float64]:
        return np.array([span.onset_beats for span in self.spans])

    @cached_property
    def bar_onsets_beats(self) -> NDArray[np.float64]:
        return np.array([bar.onset_beats for bar in self.bars])

    def span_idx_at(self, beats: ArrayLike) -> NDArray[np.intp]:
        """Index into `spans` of the chord at each beat (clipped to the first and last): (n,) in, (n,) out."""
        i = np.searchsorted(self.span_onsets_beats, np.asarray(beats, dtype=np.float64), side="right") - 1
        return np.clip(i, 0, len(self.spans) - 1)

    def bar_idx_at(self, beats: ArrayLike) -> NDArray[np.intp]:
        """Index into `bars` at each beat (clipped): (n,) in, (n,) out."""
        i = np.searchsorted(self.bar_onsets_beats, np.asarray(beats, dtype=np.float64), side="right") - 1
        return np.clip(i, 0, len(self.bars) - 1)

    @cached_property
    def heard_choruses(self) -> frozenset[int]:
        """Choruses (1-based) that the player only listens to."""
        return frozenset(bar.chorus for bar in self.bars if bar.heard)

    def role_words(self, bar: ChartBar) -> str:
        """A bar's role in words for the player: "verse"; where some choruses are only heard "listen", "your verse"."""
        if bar.heard:
            return "listen"
        return f"your {bar.role}" if self.heard_choruses and bar.chorus > 0 else bar.role

    def turn_called(self, at_beats: float) -> str:
        """What is called in a chorus's last bar where listening and playing change over: "your turn", "listen"."""
        if at_beats < self.first_beats or at_beats >= self.end_beats:
            return ""
        here = int(self.bar_idx_at(np.array([at_beats]))[0])
        change = self.bars[here : here + 2]
        if len(change) < 2 or change[0].heard == change[1].heard:
            return ""
        return "your turn" if change[0].heard else "listen"

    @property
    def cues(self) -> tuple[tuple[float, str], ...]:
        """(beat, words) of the cue points that a MIDI file of this chart carries, in the words of `CUES`."""
        start, session = self.first_beats, self.session
        out = [(start, CUES["groove"] + session.groove), (start, f"{CUES['swing_ratio']}{session.swing_ratio:g}")]
        for bar in self.bars:
            if bar.heard and bar.onset_beats in self.chorus_onsets_beats:
                out.append((bar.onset_beats, CUES["heard"]))
            out += [(bar.onset_beats, CUES[name]) for name in ("drop_out", "pedal") if getattr(bar, name)]
        return tuple(out)

    @cached_property
    def chorus_onsets_beats(self) -> tuple[float, ...]:
        """Beat of each chorus's first bar, chorus 1 first (0.0)."""
        out: list[float] = []
        for bar in self.bars:
            if bar.chorus > len(out):
                out.append(bar.onset_beats)
        return tuple(out)


# --- reading and checking ---------------------------------------------------------------------------------------


_TOP_KEYS = (
    "title", "key", "tempo_bpm", "swing_ratio", "form", "groove", "count_in_bars", "seed", "loop", "start", "ending",
    "turnaround", "pickup_beats", "guide", "listen", "tempo_push_pct", "limb_swing", "chorus", "drop_out", "pedal",
    "chart",
)  # fmt: skip
_CHORUS_KEYS = ("role", "times", "intensity", "line", "stop_time", "heard")


def session_from_dict(data: Mapping[str, Any], source: str = "session", *, scored: bool = False) -> Session:
    """A checked session from plain data; `SessionError` lists every mistake, a line each.

    `scored`: a file is only to be judged by it, so that it may be longer than one that is played.
    """
    if limits.has_far_number(data):
        raise SessionError(source, ["a whole number of more than 64 bits; expected those of a session"])
    check = Checker()
    check.unknown_keys(data, _TOP_KEYS, "")
    key = read_key(check, data)
    groove = check.choice(data, "groove", tuple(GROOVES), "shuffle")
    usual_bpm = GROOVES[groove].usual_tempo_bpm
    tempo_bpm = check.number(data, "tempo_bpm", *limits.TEMPO_BPM, usual_bpm, " quarter notes a minute")
    usual = GROOVES[groove].usual_swing_ratio(tempo_bpm)
    swing_ratio = check.number(data, "swing_ratio", *SWING_RANGE, usual, " (long:short)")
    form = check.choice(data, "form", (*FORMS, "chart"), "quick_change_12")
    chart = _read_chart(check, data, form)
    n_bars = len(chart) if form == "chart" else FORMS[form].n_bars
    loop = check.bar_pair(data["loop"], "loop", n_bars) if "loop" in data and n_bars else None
    first, last = loop or (1, max(n_bars, 1))
    plans, n_choruses = _read_choruses(check, data, last + 1 - first, scored)
    drops = _read_spans(check, data, "drop_out", n_choruses, first, last)
    pedals = _read_spans(check, data, "pedal", n_choruses, first, last)
    session = Session(
        title=check.text(data, "title", f"{'Minor' if key.minor else 'A'} shuffle in {key.name.removesuffix('m')}"),
        key=key,
        tempo_bpm=tempo_bpm,
        swing_ratio=swing_ratio,
        form=form,
        groove=groove,
        count_in_bars=check.whole(data, "count_in_bars", 0, 4, 1 if tempo_bpm <= SLOW_BPM else 2, " bars"),
        seed=check.whole(data, "seed", 0, 2**32 - 1, 1),
        choruses=plans,
        drop_outs=drops,
        pedals=pedals,
        chart=chart,
        loop=loop,
        start=check.choice(data, "start", STARTS, "top"),
        ending=check.choice(data, "ending", ENDINGS, "plain"),
        turnaround=check.choice(data, "turnaround", tuple(TURNAROUNDS), None),
        pickup_beats=check.number(data, "pickup_beats", 0.0, 3.0, 0.0, " beats"),
        guide=check.choice(data, "guide", GUIDES, "off"),
        listen=check.flag(data, "listen", False),
        tempo_push_pct=check.number(data, "tempo_push_pct", -10.0, 10.0, 0.0, " per cent over the song"),
        limb_swing=_read_limbs(check, data),
    )
    if session.start != "top" and 0 < n_bars < 4:
        check.wrong("start", session.start, "top, for a form of fewer than four bars")
    if session.turnaround is not None and (form == "chart" or FORMS[form].turnaround_bars != 2):
        check.wrong("turnaround", session.turnaround, "no turnaround with a form of your own chart (write it there)")
    if check.problems:
        raise SessionError(source, check.problems)
    return session


def check_tempo(tempo_bpm: float) -> None:
    """`UsageError` for a tempo that the band does not play."""
    if limits.playable_bpm(tempo_bpm) != tempo_bpm:
        low, high = limits.TEMPO_BPM
        raise UsageError(f"tempo {tempo_bpm:g} cannot be played; expected {low:g} to {high:g} quarter notes a minute")


def read_key(check: Checker, data: Mapping[str, Any], where: str = "") -> Key:
    """The key of a table, G without one."""
    text = data.get("key", "G")
    if not isinstance(text, str):
        check.wrong(f"{where}key", text, "a tonic such as G, Bb or F#, with m for minor: Am")
    else:
        try:
            return parse_key(text)
        except UsageError as error:
            check.problems.append(f"{where}key: {error}")
    return Key("G", 7)


def _read_chart(check: Checker, data: Mapping[str, Any], form: str) -> tuple[str, ...]:
    table = data.get("chart")
    if table is None:
        if form == "chart":
            check.problems.append('chart: missing; form = "chart" needs a [chart] table with bars = ["G7", …]')
        return ()
    if not isinstance(table, dict):
        check.wrong("chart", table, "a table written as [chart]")
        return ()
    if form != "chart":
        check.problems.append(f'chart: found a [chart] table with form = "{form}"; allowed: only with form = "chart"')
    check.unknown_keys(table, ("bars",), "chart.")
    bars = table.get("bars")
    if not isinstance(bars, list) or not 1 <= len(bars) <= limits.FORM_BARS:
        check.wrong("chart.bars", bars, f"a list of 1 to {limits.FORM_BARS} texts, one a bar")
        return ()
    return tuple(_read_bar(check, bar, i) for i, bar in enumerate(bars, 1))


def _read_bar(check: Checker, bar: object, number: int) -> str:
    """The chords of one bar of a chart written in the session, or the mark that repeats the bar before."""
    path = f"chart.bars[{number}]"
    if not isinstance(bar, str) or not bar.strip():
        check.wrong(path, bar, 'chords such as "G7" or "C7 C#dim7", or "%"')
    elif bar.strip() == "%":
        if number > 1:
            return "%"
        check.wrong(path, bar, 'a chord: "%" repeats the bar before, and there is none')
    elif len(bar.split()) not in (1, 2, limits.CHORDS_A_BAR):
        check.wrong(path, bar, "1, 2 or 4 chords a bar, in equal shares")
    else:
        try:
            chart_bars([bar])
            return bar.strip()
        except UsageError as error:
            check.problems.append(f"{path}: {error}")
    return "C7"


def _read_limbs(check: Checker, data: Mapping[str, Any]) -> tuple[tuple[str, float], ...]:
    table = data.get("limb_swing", {})
    if not isinstance(table, dict):
        check.wrong("limb_swing", table, "a table such as { snare = 2.2, kick = 1.8 }")
        return ()
    check.unknown_keys(table, LIMBS, "limb_swing.")
    names = [limb for limb in LIMBS if limb in table]
    return tuple((limb, check.number(table, limb, *SWING_RANGE, 2.0, " (long:short)", "limb_swing.")) for limb in names)


def _read_choruses(
    check: Checker, data: Mapping[str, Any], n_bars: int, scored: bool
) -> tuple[tuple[ChorusPlan, ...], int]:
    """The choruses planned, of `n_bars` each, and how many in all; of too many the rest are only counted."""
    most, most_bars = (limits.SCORED_CHORUSES, limits.SCORED_BARS) if scored else (limits.CHORUSES, limits.SONG_BARS)
    plans: list[ChorusPlan] = []
    n_choruses = 0
    for i, table in enumerate(check.tables(data, "chorus"), 1):
        if n_choruses <= most:
            plans.append(_read_chorus(check, table, f"chorus[{i}].", most))
            n_choruses += plans[-1].times
        else:
            n_choruses += max(1, table["times"]) if isinstance(table.get("times"), int) else 1
    if not plans:
        return (ChorusPlan("verse", 4),), 4
    if n_choruses > most:
        check.wrong("chorus", f"{n_choruses} choruses in all", f"at most {most}")
    elif n_choruses * n_bars > most_bars:
        check.wrong("chorus", f"{n_choruses * n_bars} bars in all", f"at most {most_bars}")
    return tuple(plans), n_choruses


def _read_chorus(check: Checker, table: Mapping[str, Any], where: str, most: int) -> ChorusPlan:
    check.unknown_keys(table, _CHORUS_KEYS, where)
    if "role" not in table:
        check.problems.append(f"{where}role: missing; allowed: {', '.join(ROLES)}")
    role = check.choice(table, "role", ROLES, "verse", where)
    times = check.whole(table, "times", 1, most, 1, where=where)
    value = table.get("intensity", 0.5)
    values = value if isinstance(value, list) else [value]
    intensity = (0.5,) * times
    if not values or not all(is_number(v) and 0.0 <= v <= 1.0 for v in values):
        check.wrong(where + "intensity", value, "a number from 0 to 1, or a list of them")
    elif isinstance(value, list) and len(values) not in (1, times):
        check.wrong(where + "intensity", value, f"one value, or one per chorus ({times})")
    else:
        intensity = tuple(float(v) for v in values)
    return ChorusPlan(
        role,
        times,
        intensity,
        check.choice(table, "line", LINES, None, where),
        check.flag(table, "stop_time", False, where),
        check.flag(table, "heard", False, where),
    )


def _read_spans(
    check: Checker, data: Mapping[str, Any], name: str, n_choruses: int, first: int, last: int
) -> tuple[BarSpan, ...]:
    out = []
    tables = check.tables(data, name)
    if len(tables) > limits.SPANS:
        check.wrong(name, f"{len(tables)} of them", f"at most {limits.SPANS}")
        return ()
    for i, table in enumerate(tables, 1):
        where = f"{name}[{i}]."
        check.unknown_keys(table, ("chorus", "bars"), where)
        missing = [key for key in ("chorus", "bars") if key not in table]
        for key in missing:
            check.problems.append(f"{where}{key}: missing")
        if missing:
            continue
        n_before = len(check.problems)
        chorus = check.whole(table, "chorus", 1, n_choruses, 1, " (the choruses there are)", where)
        pair = check.bar_pair(table["bars"], where + "bars", last)
        if pair is not None and pair[0] < first:
            check.wrong(where + "bars", table["bars"], f"bars inside the loop {first}–{last}")
        if pair is not None and len(check.problems) == n_before:
            out.append(BarSpan(chorus, *pair))
    return tuple(out)


def parse_session(text: str, source: str = "session", *, scored: bool = False) -> Session:
    """A session from TOML text; `SessionError` names the line for broken TOML, else every mistaken key."""
    data = read_toml(text, source)
    if "task" in data and "chorus" not in data:
        raise SessionError(source, [f"a worksheet, not a session; play it through: trainer worksheet run {source}"])
    return with_something_to_play(session_from_dict(data, source, scored=scored), source)


def with_something_to_play(session: Session, source: str) -> Session:
    """The session; `SessionError` if all of it is only listened to. (Takes of such a one can still be read.)"""
    if all(plan.heard for plan in session.choruses):
        found = "chorus: found heard = true in every chorus; allowed: at least one without it, for you to play"
        raise SessionError(source, [found])
    return session


def load_session(path: str | Path, *, scored: bool = False) -> Session:
    """A session from a file; `UsageError` if it is not there, `SessionError` for mistakes in it.

    `scored`: a file is only to be judged by it (`session_from_dict`).
    """
    file = Path(path)
    text = read_text_file(file, "session", "a TOML file or a ready-made session's name")
    return parse_session(text, str(file), scored=scored)


def default_session() -> Session:
    """What `trainer play` opens without a session: two verses, two solos that open up, a last verse."""
    plans = (
        ChorusPlan("verse", 2, (0.4, 0.5)),
        ChorusPlan("solo", 2, (0.6, 0.8)),
        ChorusPlan("verse", 1, (0.5,)),
    )
    return Session(choruses=plans)


# --- expanding ----------------------------------------------------------------------------------------------------


def expand(session: Session) -> Chart:
    """The chart of a session: intro (if any), every chorus, the ending. Pure."""
    key = session.key
    if session.form == "chart":
        form = chart_bars(list(session.chart))
    else:
        form = form_bars(FORMS[session.form], key, session.turnaround)
    degrees = [tuple(degree_name(chord, key) for chord in chords) for chords in form]
    n_form = len(form)
    stopped_to = n_form - 4 if n_form >= 8 else n_form
    out, pedalled = _covered(session.drop_outs), _covered(session.pedals)
    bars = [
        ChartBar(
            idx=idx,
            chorus=at.chorus,
            bar=at.bar,
            onset_beats=float(BEATS_PER_BAR * (idx - N_INTRO_BARS[session.start])),
            chords=form[at.bar - 1],
            degrees=degrees[at.bar - 1],
            role=at.plan.role if at.chorus else "intro",
            intensity=at.intensity,
            line=at.plan.line or GROOVES[session.groove].line,
            drop_out=at.as_planned and (at.chorus, at.bar) in out,
            pedal=at.as_planned and (at.chorus, at.bar) in pedalled,
            stopped=at.as_planned and at.plan.stop_time and at.bar <= stopped_to,
            turnaround=n_form >= 4 and at.bar > n_form - 2,
            heard=at.chorus > 0 and at.plan.heard,
        )
        for idx, at in enumerate(_in_order(session, n_form))
    ]
    _end(session, bars)
    return Chart(
        session=session,
        bars=tuple(bars),
        form_chords=form,
        tempo_segments=_tempo_segments(session, bars),
        turnaround_pinned=session.turnaround is not None or session.form == "chart",
    )


class _Place(NamedTuple):
    """Where a bar is taken from; `as_planned`: drop-outs, pedals and stops hold there (not in an intro or a tag)."""

    chorus: int
    bar: int
    plan: ChorusPlan
    intensity: float
    as_planned: bool


def _in_order(session: Session, n_form: int) -> Iterator[_Place]:
    """The bars as they are played: intro, every chorus, and the last bars twice more for a tag."""
    first, last = session.loop or (1, n_form)
    opening = session.choruses[0]
    for bar in range(n_form - N_INTRO_BARS[session.start] + 1, n_form + 1):
        yield _Place(0, bar, opening, opening.intensity[0], False)
    each = [(plan, intensity) for plan in session.choruses for intensity in plan.intensity]
    for chorus, (plan, intensity) in enumerate(each, 1):
        for bar in range(first, last + 1):
            yield _Place(chorus, bar, plan, intensity, True)
    if session.ending == "tag":
        for bar in 2 * [*range(max(first, last - 3), last + 1)]:
            yield _Place(len(each), bar, *each[-1], False)


def _covered(spans: Sequence[BarSpan]) -> set[tuple[int, int]]:
    return {(span.chorus, bar) for span in spans for bar in range(span.first, span.last + 1)}


def _end(session: Session, bars: list[ChartBar]) -> None:
    """The last bar becomes the tonic, hit and held; a "stop" ending also stops the band in the bar before."""
    tonic = numeral_chord("i7" if session.key.minor else "I7", session.key)
    degree = degree_name(tonic, session.key)
    bars[-1] = replace(bars[-1], chords=(tonic,), degrees=(degree,), final=True, ritard=session.ending == "ritard")
    if session.ending == "stop" and len(bars) >= 2:
        bars[-2] = replace(bars[-2], stopped=True)


def _tempo_segments(session: Session, bars: Sequence[ChartBar]) -> tuple[tuple[float, float], ...]:
    start = bars[0].onset_beats - BEATS_PER_BAR * session.count_in_bars
    segments = [(min(start, 0.0), session.tempo_bpm)]
    tempo_bpm = session.tempo_bpm
    if session.tempo_push_pct:
        played = [bar for bar in bars if bar.onset_beats >= 0.0]
        for i, bar in enumerate(played[1:], 1):
            tempo_bpm = session.tempo_bpm * (1.0 + 0.01 * session.tempo_push_pct * i / (len(played) - 1))
            segments.append((bar.onset_beats, tempo_bpm))
    if bars[-1].ritard:
        for beat in range(BEATS_PER_BAR):
            factor = 1.0 - (1.0 - RITARD_FACTOR) * (beat + 1) / BEATS_PER_BAR
            at = bars[-1].onset_beats + beat
            segments = [segment for segment in segments if segment[0] < at]
            segments.append((at, tempo_bpm * factor))
    return tuple(segments)
