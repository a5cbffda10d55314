"""`trainer report`, `trainer compare`, `trainer history`, `trainer import`: looking at what was played."""

from __future__ import annotations

import contextlib
import datetime
import json
import os
import sys
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from trainer.cli.choosing import Downbeat, LastFrom, TakeFile, Track, between, downbeat_of, track_of
from trainer.cli.speaking import echo, say
from trainer.errors import TrainerError, UsageError

if TYPE_CHECKING:
    from trainer.practice.history import History, Remembered, Trend

__all__ = ["add_to"]

Takes = Annotated[Path | None, typer.Option("--takes", metavar="DIR", help="The folder of takes.")]
SessionOption = Annotated[
    str | None, typer.Option("--session", metavar="SESSION", help="What was to be played: a file or a ready-made name.")
]
Out = Annotated[Path | None, typer.Option("--out", metavar="FILE", help="Where to write; beside the take otherwise.")]
MAX_KEYS_SHOWN = 24
_DEGREES = ("i", "bii", "ii", "biii", "iii", "iv", "#iv", "v", "bvi", "vi", "bvii", "vii")


def report(
    take: TakeFile,
    session: SessionOption = None,
    track: Track = None,
    downbeat: Downbeat = None,
    takes: LastFrom = None,
    level: Annotated[
        str | None, typer.Option(metavar="LEVEL", help="Judge as: first_steps, rehearsal, jam, stage.")
    ] = None,
    out: Out = None,
) -> int:
    """Write the report of a take, for the screen and for paper. Pictures, figures, and what they mean."""
    from trainer.cli.choosing import named_session
    from trainer.report import write_report
    from trainer.scoring import score
    from trainer.take import read_take

    known = None if session is None else named_session(session)
    read = read_take(take, session=known, track=track_of(track), downbeat=downbeat_of(downbeat))
    card = score(read) if level is None else score(read, level=level)
    path = write_report(read, card, out or take.with_suffix(".html"))
    echo(f"wrote {path}")
    return 0


def compare(
    first: TakeFile,
    second: TakeFile,
    session: SessionOption = None,
    track: Track = None,
    downbeat: Downbeat = None,
    takes: LastFrom = None,
    out: Annotated[Path | None, typer.Option("--out", metavar="FILE", help="Write it as a page too.")] = None,
) -> int:
    """Put two takes side by side; with --out as a page too."""
    from trainer.cli.choosing import named_session
    from trainer.report.compare import APART, comparison_rows, write_comparison
    from trainer.scoring import score
    from trainer.take import read_take

    known = None if session is None else named_session(session)
    where: dict[str, Any] = {"track": track_of(track), "downbeat": downbeat_of(downbeat)}
    both = [read_take(path, session=known, **where) for path in (first, second)]
    cards = [score(take) for take in both]
    rows = comparison_rows(cards[0], cards[1])
    name, left, right = (max(len(getattr(row, column)) for row in rows) for column in ("name", "first", "second"))
    room = max((80 - len(f"{'':{name}}  {'':{left}}  {'':{right}}  stands out")) // 2, 0)  # for the takes' names
    left, right = max(left, min(len(first.stem), left + room)), max(right, min(len(second.stem), right + room))
    heads = _fitted(first.stem, left), _fitted(second.stem, right)
    if heads[0] == heads[1]:
        heads = "first", "second"
    echo(f"{'':<{name}}  {heads[0]:>{left}}  {heads[1]:>{right}}")
    for row in rows:
        mark = "stands out" if row.words == APART else ""
        echo(f"{row.name:<{name}}  {row.first:>{left}}  {row.second:>{right}}  {mark}".rstrip())
    if rows[0].first != rows[0].second:
        say(f"They are not of one {rows[0].name}: {rows[0].first} and {rows[0].second}.")
    apart = [row.name for row in rows if row.words == APART]
    say(f"They stand apart in: {', '.join(apart)}." if apart else "They stand apart in no figure.")
    say("In brackets: 95 % intervals. What does not stand out may be chance.")
    if out is not None:
        echo(f"wrote {write_comparison((str(first), str(second)), both, cards, out)}")
    return 0


def _fitted(name: str, width: int) -> str:
    """A take's name in so many columns: its day, and its end, by which two takes of one song are told apart."""
    end = width - width // 2 - 1
    return name if len(name) <= width else f"{name[: width // 2]}…{name[-end:]}"


def history(
    takes: Takes = None,
    weeks: Annotated[int | None, typer.Option(metavar="N", callback=between(1), help="Only the last N weeks.")] = None,
    rebuild: Annotated[bool, typer.Option("--rebuild", help="Make the index again from the take files.")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="As JSON.")] = False,
) -> int:
    """Takes and drills over the weeks. Trends with intervals, and which change you miss in which key."""
    from trainer.cli.home import takes_folder
    from trainer.practice.history import History

    today = datetime.date.today().toordinal()
    since = None if weeks is None else datetime.date.fromordinal(max(today - 7 * weeks, 1))
    with History(takes_folder(takes)) as book:
        done = book.rebuild(_progress()) if rebuild else book.refresh(_progress())
        if as_json:
            echo(json.dumps(_history_dict(book, since), indent=2, allow_nan=False))
            return 0
        _say_history(book, since)
        if done.unread:
            say(f"{done.unread} files could not be read; trainer score says why.")
    return 0


def import_takes(
    sources: Annotated[
        list[Path], typer.Argument(metavar="FILE|DIR", help="MIDI files, recordings, or folders of them.")
    ],
    session: SessionOption = None,
    takes: Takes = None,
    track: Track = None,
    downbeat: Downbeat = None,
) -> int:
    """Take recordings made in a sequencer into the history. They keep their dates.

    A file that is refused is named and does not stop the others; the exit status is then 2.
    """
    from trainer.aside import one_at_a_time
    from trainer.batch import midi_files
    from trainer.cli.choosing import named_session
    from trainer.take import takes_dir

    known = None if session is None else named_session(session)
    paths = midi_files(sources)
    if not paths:
        raise UsageError(
            f"{', '.join(map(str, sources))}: no MIDI or sound file in there; expected recordings (.mid, .wav, .flac)"
        )
    where: dict[str, Any] = {"session": known, "track": track_of(track), "downbeat": downbeat_of(downbeat)}
    with one_at_a_time(takes_dir(takes) / ".importing"):
        return _take_in(paths, takes_dir(takes), where)


def _take_in(paths: Sequence[Path], folder: Path, where: Mapping[str, Any]) -> int:
    """Files into the folder of takes, each once; the exit status. `where`: how `read_take` is to read them."""
    from dataclasses import replace

    from trainer.practice.history import History
    from trainer.scoring.assembling import misplaced
    from trainer.take import read_take, write_take

    with History(folder) as book:
        book.refresh(_progress())
        in_already = book.files()
    n_in = n_there = n_refused = 0
    for path in paths:
        try:
            read = read_take(path, **where)
        except TrainerError as error:
            echo(str(error), err=True)
            n_refused += 1
            continue
        if misplaced(read):
            n_refused += 1
            echo(
                f"{path}: left out: nearly all of it fits another place in the form than where it is taken to begin; "
                "add --downbeat auto (or --downbeat 0 if chorus 1 does begin with the file)",
                err=True,
            )
            continue
        there = in_already.get(read.sha256)
        if there is not None:
            echo(f"{path}: in already, as {there}")
            n_there += 1
            continue
        made = read.header.created
        if not made:
            made = datetime.datetime.fromtimestamp(path.stat().st_mtime).astimezone().isoformat(timespec="seconds")
        name = path.name.encode(errors="replace").decode()  # some systems allow names of any bytes
        extra = dict(read.header.extra) | {"imported_from": name, "imported_sha256": read.sha256}
        header = replace(read.header, created=made, extra=extra)
        kept = write_take(replace(read, header=header), folder, path.stem)
        with contextlib.suppress(OSError, ValueError, OverflowError):  # `last` is what was played last
            played_s = datetime.datetime.fromisoformat(made).timestamp()
            os.utime(kept, (played_s, played_s))
        echo(f"{path} → {kept}")
        in_already[read.sha256] = kept
        n_in += 1
    already = f"; {n_there} in already (remove a take to take its file in anew)" if n_there else ""
    echo(f"{n_in} of {len(paths)} taken in{already}.")
    return 2 if n_refused else 0


def _progress() -> Callable[[int, int], None] | None:
    if not sys.stderr.isatty():
        return None

    def show(n_done: int, n_all: int) -> None:
        if n_all >= 30:
            sys.stderr.write(f"\rreading takes: {n_done} of {n_all}" + ("\n" if n_done == n_all else ""))
            sys.stderr.flush()

    return show


def _figure_text(trend: Trend) -> str:
    if trend.newest is None:
        return "–"
    if trend.figure.name == "swing_ratio":
        return f"{trend.newest:.2f} : 1"
    value = 100.0 * trend.newest if trend.figure.name.endswith("_rate") else trend.newest
    unit = " %" if trend.figure.name.endswith("_rate") else f" {trend.figure.unit}".rstrip()
    return f"{value:.3g}{unit}"


# A trend's words, short enough for a line of eighty.
_SHORT = {"getting better": "better", "getting worse": "worse", "moving up": "up", "moving down": "down"}


def _trend_text(trend: Trend) -> str:
    if trend.per_week is None or trend.ci95 is None:
        return f"{trend.n} day{'s' * (trend.n != 1)} so far"
    scale = 100.0 if trend.figure.name.endswith("_rate") else 1.0
    low, high = (f"{scale * end:+.2g}" for end in trend.ci95)
    if trend.ci95 == (0.0, 0.0):
        return "the same throughout"
    if trend.words not in _SHORT:
        return f"only scatter ({low} to {high} a week)"
    return f"{_SHORT[trend.words]}, {scale * trend.per_week:+.2g} a week ({low} to {high})"


def _say_history(book: History, since: datetime.date | None) -> None:
    span = book.span(since)
    if not span.n_takes:
        echo("Nothing played yet. Start with: trainer play" if since is None else f"Nothing played since {since}.")
        return
    n, days = span.n_takes, span.n_days
    ends = f"{span.first} to {span.last}" if days > 1 else str(span.first)
    echo(f"{n} take{'s' * (n > 1)} on {days} day{'s' * (days > 1)}, {ends}.")
    _say_trends([trend for trend in book.trends(since=since) if trend.newest is not None])
    cells = book.landing_by_key(since)
    if cells:
        _say_heat(cells)
    _say_drills(book.clean_runs(since), book.remembered())


def _say_trends(followed: Sequence[Trend]) -> None:
    if followed:
        echo(f"\n{'':<32}{'newest day':>11}  over the weeks")
    for trend in followed:
        echo(f"{trend.figure.title:<32}{_figure_text(trend):>11}  {_trend_text(trend)}")
    wanting = next((trend.words for trend in followed if trend.per_week is None), None)
    if wanting is not None:  # said once
        echo(f"{wanting.partition('; ')[2].capitalize()} days of playing.")


def _say_drills(runs: Mapping[str, list[bool]], remembered: Sequence[Remembered]) -> None:
    where: dict[str, list[str]] = {}
    for item in remembered:
        where.setdefault(item.drill, []).append(f"{item.key} {item.tempo}")
    if runs:
        echo("\nDrills: runs that went well, of all; of the last ten, of the ten before; keys and tempos")
    for name, passed in runs.items():
        shares = [f"{sum(part)}/{len(part)}" for part in (passed[-10:], passed[-20:-10]) if part]
        lately = "".join(f"{share:>6}" for share in shares)
        echo(f"  {name:<29}{sum(passed):>3} of {len(passed):<5}{lately:<13}{', '.join(where.get(name, []))}")


def _say_heat(cells: dict[tuple[str, str], tuple[int, int]]) -> None:
    """Roots on the changes, key by change: counts, and a block that is fuller the more landed; as many keys as fit."""
    import shutil

    cell = max(len(f"{roots}/{n}") for roots, n in cells.values()) + 3
    room = shutil.get_terminal_size().columns if sys.stdout.isatty() else 10 + cell * MAX_KEYS_SHOWN
    played = Counter({key: 0 for key, _ in cells})
    for (key, _), (_, n) in cells.items():
        played[key] += n
    shown = min(max(1, (room - 10) // cell), MAX_KEYS_SHOWN)
    keys = sorted(key for key, _ in played.most_common(shown))
    pairs = sorted(
        {pair for _, pair in cells if "→" in pair},
        key=lambda p: (-sum(cells.get((k, p), (0, 0))[1] for k in keys), _steps(p), p),
    )
    echo("\nRoots on the changes (rows: change, columns: key)")
    echo(" " * 10 + "".join(f"{key:>{cell - 2}}  " for key in keys))
    for pair in pairs[:10]:
        row = []
        for key in keys:
            roots, n = cells.get((key, pair), (0, 0))
            block = " ▁▂▃▄▅▆▇█"[round(8 * roots / n)] if n else " "
            row.append(f"{f'{roots}/{n}' if n else '·':>{cell - 2}} {block}")
        echo(f"{pair:<10}" + "".join(row))
    if len(keys) < len(played):
        echo(f"The {len(keys)} keys played most; {len(played) - len(keys)} more with --json.")


def _steps(pair: str) -> tuple[int, ...]:
    """A change's two degrees as steps up from the key's root, so that rows stand in a musical order."""
    named = (degree.rstrip("°ø").lower() for degree in pair.split("→"))
    return tuple(_DEGREES.index(degree) if degree in _DEGREES else len(_DEGREES) for degree in named)


def _history_dict(book: History, since: datetime.date | None) -> dict[str, Any]:
    trends = book.trends(since=since)
    return {
        "takes": [
            {
                "file": row.path.name,
                "created": row.created,
                "kind": row.kind,
                "title": row.title,
                "key": row.key,
                "tempo_bpm": row.tempo_bpm,
                "drill": row.drill,
                "passed": row.passed,
                "figures": {trend.figure.name: row.figures.get(trend.figure.name) for trend in trends},
                "error": row.error,
            }
            for row in book.takes(since=since)
        ],
        "trends": [
            {
                "figure": trend.figure.name,
                "n": trend.n,
                "newest": trend.newest,
                "per_week": trend.per_week,
                "ci95": list(trend.ci95) if trend.ci95 else None,
                "words": trend.words,
            }
            for trend in trends
        ],
        "drills": [
            {
                "drill": item.drill,
                "key": item.key,
                "tempo": item.tempo,
                "tempo_bpm": item.tempo_bpm,
                "n_runs": item.n_runs,
                "went_well_frac": item.clean_frac,
                "last_day": item.last_day.isoformat(),
                "visit_from": item.due.isoformat(),
            }
            for item in book.remembered()
        ],
        "landing": [
            {"key": key, "change": pair, "roots": roots, "changes": n}
            for (key, pair), (roots, n) in sorted(book.landing_by_key(since).items())
        ],
    }


def add_to(app: typer.Typer) -> None:
    app.command()(report)
    app.command()(compare)
    app.command()(history)
    app.command("import")(import_takes)
