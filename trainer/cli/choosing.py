"""From a session's file or name and the options of the command line to one checked session."""

from __future__ import annotations

import inspect
import math
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields, is_dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, get_type_hints

import typer

from trainer.errors import SessionError, UsageError, did_you_mean
from trainer.limits import whole_number

if TYPE_CHECKING:
    from trainer.session import Session

__all__ = [
    "LAST",
    "Downbeat",
    "LastFrom",
    "Overrides",
    "Strings",
    "TakeFile",
    "Track",
    "TuningOption",
    "bar_range",
    "between",
    "chosen_session",
    "downbeat_of",
    "going_round",
    "newest_for",
    "part_changes",
    "ready_made_session",
    "take_meant",
    "takes_meant",
    "track_of",
    "with_options",
    "with_overrides",
]

# Of a file that another program made: alike in every command that reads one.
Track = Annotated[
    str | None,
    typer.Option("--track", metavar="NAME|N", help="The bass's track, by name or number; of a recording, its channel."),
]
Downbeat = Annotated[
    str | None,
    typer.Option("--downbeat", metavar="SECONDS|auto", help="Where chorus 1 begins, if the file does not say."),
]

Strings = Annotated[int | None, typer.Option("--strings", metavar="4|5|6", help="Strings on the bass.")]
TuningOption = Annotated[
    str | None, typer.Option("--tuning", metavar="NAMES", help="Open strings from the lowest: EADG, DADG, BEADG.")
]


LAST = "last"  # in a take's place: the newest one


# Read before the arguments, so that `last` can be looked for in it.
LastFrom = Annotated[
    Path | None,
    typer.Option("--takes", metavar="DIR", help="The folder of takes that last is looked for in.", is_eager=True),
]


def take_meant(context: typer.Context, value: Path | None) -> Path | None:
    """A callback for an argument that is a take: `last` is the newest one, unless a file of that name is there."""
    folder = context.params.get("takes")  # as it was typed, in some versions of typer
    return newest_for(value, None if folder is None else Path(folder))


def newest_for(value: Path | None, takes: Path | None = None) -> Path | None:
    """The take that is meant, where `last` is the newest one of a folder."""
    if value is None or str(value) != LAST or value.exists():
        return value
    from trainer.cli.home import newest_take, takes_folder

    folder = takes_folder(takes)
    newest = newest_take(folder)
    if newest is None:
        raise UsageError(f"{LAST}: no take is kept in {folder} yet; make one with: trainer play")
    return newest


def takes_meant(context: typer.Context, values: list[Path]) -> list[Path]:
    """The same for several."""
    return [take_meant(context, value) or value for value in values]


TakeFile = Annotated[
    Path,
    typer.Argument(
        metavar="TAKE",
        help="A take, a MIDI file with a bass, or a recording of one; last: your newest take.",
        callback=take_meant,
    ),
]


def track_of(text: str | None) -> str | int | None:
    """`--track`: digits are a number, all else a name."""
    number = whole_number(text or "")
    return text if number is None else number


def downbeat_of(text: str | None) -> float | str | None:
    """`--downbeat`: seconds, or "auto"; `UsageError` for anything else."""
    if text is None or text == "auto":
        return text
    try:
        return float(text)
    except ValueError:
        raise UsageError(f'--downbeat: found "{text}"; expected a second such as 4.25, or auto') from None


def between(low: float, high: float = math.inf) -> Callable[[typer.CallbackParam, Any], Any]:
    """A check for an option: `UsageError` unless its number lies from `low` to `high`."""

    def check(option: typer.CallbackParam, value: Any) -> Any:
        if value is not None and not low <= value <= high:
            allowed = f"from {low:g} to {high:g}" if high < math.inf else f"of at least {low:g}"
            found, kind = (str(value)[:20], "whole number") if isinstance(value, int) else (f"{value:g}", "number")
            raise UsageError(f"{option.opts[0]} {found}: expected a {kind} {allowed}")
        return value

    return check


@dataclass(frozen=True, slots=True)
class Overrides:
    """What the command line says instead of the session file; None leaves the file's."""

    session: Annotated[
        str | None, typer.Argument(metavar="SESSION", help="A session file, or a ready-made session's name.")
    ] = None
    key: Annotated[str | None, typer.Option(metavar="KEY", help="Tonic; m for minor: A, Bb, Em.")] = None
    bpm: Annotated[float | None, typer.Option(metavar="BPM", help="Quarter notes a minute, 40 to 240.")] = None
    choruses: Annotated[int | None, typer.Option(metavar="N", help="How many choruses.")] = None
    swing: Annotated[float | None, typer.Option(metavar="RATIO", help="Long to short, 1 (even) to 3.5.")] = None
    form: Annotated[str | None, typer.Option(metavar="FORM", help="A built-in form; see: trainer forms")] = None
    groove: Annotated[str | None, typer.Option(metavar="GROOVE", help="A groove; see: trainer grooves")] = None
    seed: Annotated[int | None, typer.Option(metavar="N", help="Another seed, another evening of the band.")] = None
    loop: Annotated[str | None, typer.Option(metavar="BARS", help="Go round these bars of the form: 9-12.")] = None
    intensity: Annotated[
        float | None, typer.Option(metavar="0..1", callback=between(0, 1), help="How hard the band plays.")
    ] = None
    guide: Annotated[
        str | None, typer.Option(metavar="off|on|every_other", help="A guide bass that plays the roots.")
    ] = None
    listen: Annotated[
        bool | None,
        typer.Option("--listen/--no-listen", help="The band follows how hard you play.", show_default=False),
    ] = None


def with_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Let a command ask for options that travel together: a parameter that is a dataclass of options becomes them, and
    so do the dataclasses in it."""
    hints = get_type_hints(command, include_extras=True)
    groups = {name: hints[name] for name in inspect.signature(command).parameters if is_dataclass(hints[name])}
    parameters = []
    for name, own in inspect.signature(command).parameters.items():
        if name in groups:
            parameters += _asked_for(groups[name])
        else:
            parameters.append(own.replace(kind=inspect.Parameter.KEYWORD_ONLY, annotation=hints[name]))

    def wrapper(**values: Any) -> Any:
        made = {name: _taken(kind, values) for name, kind in groups.items()}
        return command(**made, **values)

    wrapper.__name__ = command.__name__
    wrapper.__doc__ = command.__doc__
    wrapper.__signature__ = inspect.Signature(parameters)  # type: ignore[attr-defined]
    wrapper.__annotations__ = {p.name: p.annotation for p in parameters}
    return wrapper


def _asked_for(kind: Any) -> list[inspect.Parameter]:
    """The options of a dataclass of options, those of the dataclasses in it where they stand."""
    hints = get_type_hints(kind, include_extras=True)
    out: list[inspect.Parameter] = []
    for f in fields(kind):
        if is_dataclass(hints[f.name]):
            out += _asked_for(hints[f.name])
        else:
            only = inspect.Parameter.KEYWORD_ONLY
            out.append(inspect.Parameter(f.name, only, default=f.default, annotation=hints[f.name]))
    return out


def _taken(kind: Any, values: dict[str, Any]) -> Any:
    """A dataclass of options made of the command line's values, which are taken out."""
    hints = get_type_hints(kind)
    made = {f.name: hints[f.name] for f in fields(kind)}
    return kind(**{name: _taken(of, values) if is_dataclass(of) else values.pop(name) for name, of in made.items()})


def chosen_session(overrides: Overrides, *, required: bool = False) -> Session:
    """The session meant: a file, a ready-made name, or the default one; with the command line's changes."""
    from trainer.session import default_session

    if overrides.session is None:
        if required:
            raise UsageError("no session given; expected a TOML file or a ready-made name (see: trainer sessions)")
        return with_overrides(default_session(), overrides, from_file=False)
    return with_overrides(named_session(overrides.session), overrides, from_file=True)


def named_session(name: str, *, scored: bool = False) -> Session:
    """A session by path or by ready-made name; a thing that looks like a path is one.

    `scored`: a file is only to be judged by it, so that it may be longer than one that is played.
    """
    from trainer.resources import session_path
    from trainer.session import load_session

    path = Path(name)
    looks_like_path = path.suffix.lower() == ".toml" or len(path.parts) > 1
    if looks_like_path or path.is_file():
        return load_session(path, scored=scored)
    return load_session(session_path(name))


# Options that stand in the session file under a key of their own.
_AS_THEY_ARE = {"bpm": "tempo_bpm", "swing": "swing_ratio", "groove": "groove", "seed": "seed", "listen": "listen",
                "guide": "guide", "form": "form"}  # fmt: skip
_OPTION_KEYS = {**_AS_THEY_ARE, "loop": "loop"}


def ready_made_session(name: str) -> Session:
    """A ready-made session by name, never a file: what others hand on must not open what lies on this machine."""
    from trainer.resources import session_path
    from trainer.session import load_session

    return load_session(session_path(name))


def with_overrides(session: Session, overrides: Overrides, *, from_file: bool) -> Session:
    """The session with the command line's changes, checked again as a whole. `SessionError` names the option's key."""
    from trainer.session import session_from_dict, with_something_to_play

    if replace(overrides, session=None) == Overrides():
        return session
    data = session.to_dict()
    for name, key in _AS_THEY_ARE.items():
        if (value := getattr(overrides, name)) is not None:
            data[key] = value
    _drop_what_follows(data, overrides, from_file)
    if overrides.form is not None:
        # Another form has other bars: planned silences, pedals and loops of the old one mean nothing in it.
        for name in ("drop_out", "pedal", "loop", "turnaround", *(("chart",) if overrides.form != "chart" else ())):
            data.pop(name, None)
    if overrides.key is not None:
        _change_key(data, session, overrides.key)
    if overrides.choruses is not None:
        data["chorus"] = _choruses(data["chorus"], overrides.choruses, from_file=from_file)
        _keep_spans(data, lambda span: span["chorus"] <= overrides.choruses)
    for table in data["chorus"] if overrides.intensity is not None else ():
        table["intensity"] = overrides.intensity
    if overrides.loop is not None:
        _go_round(data, *bar_range(overrides.loop))
    source = str(overrides.session) if from_file else "the options"
    try:
        return with_something_to_play(session_from_dict(data, source), source)
    except SessionError as error:
        raise UsageError("\n".join(_of_option(problem, source, overrides) for problem in error.problems)) from None


def _go_round(data: dict[str, Any], first: int, last: int) -> None:
    data["loop"] = [first, last]
    _keep_spans(data, lambda span: span["bars"][0] >= first and span["bars"][1] <= last)


def _of_option(problem: str, source: str, overrides: Overrides) -> str:
    """A mistake in the options' own words where it is an option's: "--bpm: found 400.0; …"."""
    key = problem.partition(":")[0]
    named = next((name for name, other in _OPTION_KEYS.items() if other == key), None)
    if named is None or (value := getattr(overrides, named)) is None:
        return f"{source}: {problem}"
    _, allowed, rest = problem.partition("; allowed: ")
    found = f"found {value:g}" if isinstance(value, float) else f'found "{value}"'
    if named == "loop":
        rest = rest.replace("[first, last]", "such as 9-12")
    return f"--{named}: {found}{allowed}{rest}" if allowed else f"--{named}: {problem.partition(': ')[2]}"


def _drop_what_follows(data: dict[str, Any], overrides: Overrides, from_file: bool) -> None:
    """Take out what the session's reader works out from the groove and the tempo asked for."""
    if overrides.swing is None and (overrides.groove is not None or (overrides.bpm is not None and not from_file)):
        del data["swing_ratio"]  # the groove's usual ratio at this tempo
    if from_file:
        return
    data.pop("title")  # the default one follows the key
    if overrides.groove is not None and overrides.bpm is None:
        del data["tempo_bpm"]  # one that suits the groove
    if overrides.groove is not None or overrides.bpm is not None:
        del data["count_in_bars"]  # one bar where it is slow


def _keep_spans(data: dict[str, Any], keep: Callable[[dict[str, Any]], bool]) -> None:
    for kind in ("drop_out", "pedal"):
        data[kind] = [span for span in data.get(kind, []) if keep(span)]


def _change_key(data: dict[str, Any], session: Session, text: str) -> None:
    from trainer.music import parse_chord, parse_key, spell_pc

    key = parse_key(text)
    data["key"] = text
    if not session.chart or data["form"] != "chart":
        return
    if key.minor != session.key.minor:
        raise UsageError(
            f'"{text}" cannot be the key of a chart written in {session.key.name}; '
            "expected another tonic of the same kind: its chords are moved, not turned from major to minor"
        )
    shift = (key.tonic_pc - session.key.tonic_pc) % 12
    bars = []
    for bar in session.chart:
        moved = []
        for symbol in bar.split():
            if symbol == "%":
                moved.append(symbol)
                continue
            chord = parse_chord(symbol).transposed(shift, key)
            bass = "" if chord.bass_pc is None else f"/{spell_pc(chord.bass_pc, key)}"
            moved.append(chord.name + bass)
        bars.append(" ".join(moved))
    data["chart"] = {"bars": bars}


def _choruses(tables: Sequence[dict[str, Any]], n: int, *, from_file: bool) -> list[dict[str, Any]]:
    """`n` choruses: of a file its plan, cut short or gone through again; else verses round solos that climb."""
    from trainer.limits import PLAYED_CHORUSES

    if not 1 <= n <= PLAYED_CHORUSES:
        raise UsageError(f"--choruses {n}: expected a whole number from 1 to {PLAYED_CHORUSES}")
    if from_file:
        single = []
        for table in tables:
            levels = table["intensity"]
            for k in range(table["times"]):
                level = levels[k] if isinstance(levels, list) else levels
                single.append({**table, "times": 1, "intensity": level})
        return [single[i % len(single)] for i in range(n)]
    if n <= 2:
        return [{"role": "verse", "times": n, "intensity": 0.45}]
    n_before = max(1, n // 3)
    n_solo = n - n_before - 1
    climb = [round(0.55 + 0.35 * (k + 1) / n_solo, 2) for k in range(n_solo)]
    return [
        {"role": "verse", "times": n_before, "intensity": 0.45},
        {"role": "solo", "times": n_solo, "intensity": climb},
        {"role": "verse", "times": 1, "intensity": 0.5},
    ]


_RANGE = re.compile(r"\s*(\d{1,3})\s*(?:[-–:,]\s*(\d{1,3}))?\s*")


def bar_range(text: str) -> tuple[int, int]:
    match = _RANGE.fullmatch(text)
    if match is None:
        raise UsageError(f'--loop: found "{text}"; expected bars of the form, such as 9-12')
    first, last = int(match[1]), int(match[2] or match[1])
    if first > last:
        raise UsageError(f"--loop: found bars {first} to {last}; expected the earlier bar first, {last}-{first}")
    return first, last


# Of going round in one take, since the band is arranged ahead and a bass's recording is heard once more.
LOOP_MINUTES = 15.0


def going_round(session: Session) -> Session:
    """A session that goes round some bars, for one take of going round until told to stop."""
    from dataclasses import replace

    from trainer.limits import CHORUSES
    from trainer.session import ChorusPlan

    if session.loop is None:
        return session
    first, last = session.loop
    times = min(CHORUSES, int(LOOP_MINUTES * session.tempo_bpm / (4 * (last - first + 1))) + 1)
    plan = session.choruses[0]
    level = plan.intensity[0] if plan.intensity else 0.5
    return replace(session, choruses=(ChorusPlan(plan.role, times, (level,) * times),), ending="plain")


def part_changes(volume: Sequence[str], mute: Sequence[str], solo: Sequence[str]) -> dict[str, dict[str, Any]]:
    """From --volume PART=0..1, --mute PART, --solo PART: part → what changes ("volume_frac", "muted", "solo")."""
    from trainer.band.events import PARTS

    def part(text: str, option: str) -> str:
        if text in PARTS:
            return text
        tail = did_you_mean(text, PARTS)
        raise UsageError(f'{option}: found "{text}"; allowed: {", ".join(PARTS)}{tail}')

    changes: dict[str, dict[str, Any]] = {}
    for item in volume:
        name, equals, level = item.partition("=")
        try:
            gain = float(level)
        except ValueError:
            gain = -1.0
        if not equals or not 0.0 <= gain <= 1.0:
            raise UsageError(f'--volume: found "{item}"; expected PART=0..1, such as drums=0.7')
        changes.setdefault(part(name, "--volume"), {})["volume_frac"] = gain
    for name in solo:
        changes.setdefault(part(name, "--solo"), {})["solo"] = True
    for name in mute:
        changes.setdefault(part(name, "--mute"), {})["muted"] = True
    return changes
