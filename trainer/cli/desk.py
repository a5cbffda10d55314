"""Where runs are played from: one desk for drills, evenings, nights and worksheets, and the breath between runs."""

from __future__ import annotations

import contextlib
import functools
import sys
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from trainer.cli.breath import Asked, Coming, breath, breath_desk
from trainer.cli.running import (
    Strung,
    Surroundings,
    exit_status,
    not_heard,
    play_options,
    say_if_silent,
    stand_page,
    with_input,
)
from trainer.cli.speaking import say
from trainer.cli.waiting import OPENING_S
from trainer.errors import TrainerError, UsageError

if TYPE_CHECKING:
    from trainer.line import LineScore
    from trainer.live import PlayOptions, PlayResult
    from trainer.page import PageLink
    from trainer.practice import Exercise, PassFigure
    from trainer.scoring import Scorecard
    from trainer.session import Session
    from trainer.take import Take

__all__ = [
    "Bpm",
    "Desk",
    "Key",
    "Run",
    "figure_words",
    "listening",
    "recovered",
]

Key = Annotated[str, typer.Option("--key", metavar="KEY", help="The key: G, Bb, Am.")]
Bpm = Annotated[float, typer.Option("--bpm", metavar="N", help="Quarter notes a minute.")]


def figure_words(figure: PassFigure) -> str:
    word = {True: "Good", False: "Not yet", None: "Not judged"}[figure.passed]
    return f"{word}: {figure.text} (target {figure.target})."


def listening(exercise: Exercise) -> str:
    """Which choruses are to listen to, in words."""
    from trainer.screen import round_word

    heard, n = exercise.heard, exercise.chart.n_choruses
    word = round_word(exercise.chart)
    several = {"chorus": "choruses", "round": "rounds"}[word]
    if heard == tuple(range(1, n, 2)) and n > 2:
        return f"Odd {several}: listen. Even ones: your turn."
    if len(heard) == 1:
        return f"Listen to the first {word}, then it is your turn."
    return f"Listen to the first {len(heard)} {several}, then it is your turn."


def recovered(takes: Path) -> None:
    """Finish the takes of sessions that were cut off, and say so."""
    from trainer.live import recover_takes

    recover_takes(takes, lambda text: say(f"Note: {text}"))


def _passing_folder() -> Path:
    """A folder that goes when the program ends."""
    import atexit
    import shutil
    import tempfile

    folder = tempfile.mkdtemp(prefix="trainer-")
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    return Path(folder)


@dataclass(frozen=True, slots=True)
class Run:
    """What is played: a session, what its take's header keeps, and what the player is shown and called. `line` is what
    a stand-in plays, and what the screen shows as tablature where it is heard. `keeps_tempo`: whoever set it set its
    tempo too."""

    session: Session
    extra: Mapping[str, Any] = field(default_factory=dict)
    line: LineScore | None = None
    guide_line: Sequence[tuple[float, float, float, float]] | None = None
    cues: tuple[tuple[float, float, str], ...] = ()
    task: str = ""
    keeps_tempo: bool = False

    @classmethod
    def of(cls, exercise: Exercise, extra: Mapping[str, Any]) -> Run:
        from trainer.practice.drills import task_of

        return cls(exercise.session, extra, exercise.model, exercise.guide_rows(), task=task_of(exercise.drill))


class Desk:
    """Where runs are played from: the options of a command, made once, the stand page, and how the last run went.

    `with` closes it. `last_bpm`: the tempo that was asked for while the newest run played, None: none was.
    """

    def __init__(self, around: Surroundings, strung: Strung | None = None) -> None:
        from trainer.take import takes_dir

        if around.stand_in and around.stand.asked:
            raise UsageError("--stand-in plays at once, with nothing to see on a page; expected it without --page")
        # A stand-in's takes are nobody's practice: they are kept only where the person says.
        kept_nowhere = around.stand_in and around.band.takes is None
        self.takes = _passing_folder() if kept_nowhere else takes_dir(around.band.takes)
        self.stand_in = around.stand_in
        self.bass = (strung or Strung()).bass()
        self.n_runs = 0
        self.any_notes = False  # in any run so far
        self.asked = ""  # what the newest run ended with
        self.last_bpm: float | None = None
        self._stopped = False
        self._opened = False  # the page: there was time for it
        self.stand: PageLink | None = None
        self._told: list[str] = []  # how the last one went, for the stand
        self._last: tuple[Take, Scorecard] | None = None
        self._report: Path | None = None
        self._warned: set[str] = set()
        self._around = around
        self._options: PlayOptions | None = None

    def _ready(self) -> PlayOptions:
        if self._options is None:
            at = self._around
            options = play_options(replace(at.band, takes=self.takes), at.mix)
            options = with_input(options, at.midi_in, cable=at.cable)
            say_if_silent(options)
            self._options = replace(options, stand=self.stand)
        return self._options

    # --- a run ------------------------------------------------------------------------------------------------------

    def play(self, made: Callable[[float], Run], tempo_bpm: float) -> tuple[Run, PlayResult | None, Take | None]:
        """Play what is made for a tempo, once more at the tempo now set for as often as that is asked for; the last
        of these runs, its result (None for a stand-in's) and its take."""
        self.n_runs += 1
        self.asked, self.last_bpm, self._stopped = "", None, False
        self._told, self._last, self._report = [], None, None
        run = made(tempo_bpm)
        tab = self._tab(run)
        if self.stand_in:
            self.any_notes = True
            return run, None, self._stand_in_plays(run)
        from trainer.live import play

        if self.n_runs == 1:
            recovered(self.takes)
        while True:
            options = replace(
                self._ready(),
                extra=run.extra,
                guide_line=run.guide_line,
                cues=run.cues,
                task=run.task,
                tab=tab,
                keeps_tempo=run.keeps_tempo,
            )
            result = play(run.session, options)
            # What was changed while it ran holds for the next one.
            self._options = replace(self._ready(), mix=result.mix or self._ready().mix, typing_told=True)
            self.last_bpm = result.next_tempo_bpm or self.last_bpm
            if result.asked != "again":
                break
            run = made(self.last_bpm or tempo_bpm)
            tab = self._tab(run)
        self.any_notes |= result.take is not None and len(result.take.notes) > 0
        self.asked = result.asked
        self._stopped = result.status == "stopped" and not result.asked
        for warning in result.warnings:
            if warning not in self._warned and not warning.startswith("nothing was played"):  # said once an evening
                say(f"Note: {warning}")
                self._warned.add(warning)
        return run, result, result.take

    def _tab(self, run: Run) -> dict[int, tuple[str, ...]]:
        """What the model line looks like on the bass that was asked for."""
        from trainer.line.tab import on_bass, tab_windows

        return {} if run.line is None else tab_windows(on_bass(run.line, self.bass))

    def _stand_in_plays(self, run: Run) -> Take:
        from trainer.line import Feel, StandIn, planned_song
        from trainer.live import PlayOptions, play_offline
        from trainer.session import expand
        from trainer.take import write_take

        line = run.line or planned_song(expand(run.session), self.n_runs)
        performance = StandIn(Feel(), seed=self.n_runs).play(line)
        take = play_offline(run.session, performance, PlayOptions(extra=run.extra, guide_line=run.guide_line))
        write_take(take, self.takes)
        return take

    def exercise(
        self,
        made: Callable[[float], tuple[Exercise, Mapping[str, Any]]],
        tempo_bpm: float,
        judge: Callable[[Exercise, Scorecard], PassFigure],
    ) -> tuple[int | None, PassFigure | None, float]:
        """(exit status if it is to end here, pass figure or None, the tempo it was played at). What was kept is kept
        whatever happens."""
        from trainer.scoring import score
        from trainer.screen import round_word

        exercises: list[Exercise] = []

        def run_at(bpm: float) -> Run:
            exercise, extra = made(bpm)
            exercises.append(exercise)
            return Run.of(exercise, extra)

        run, result, take = self.play(run_at, tempo_bpm)
        played_bpm = run.session.tempo_bpm
        status = self.leaves(result)
        if result is not None and result.asked == "next":
            self.tell("Left out this time; on to what comes next.")
        elif take is None or not len(take.notes):
            self.tell(f"No notes were heard, so this run does not count. {self.not_heard()}")
        elif not take.header.completed:
            self.tell("Stopped before its end: the notes are kept, but it is no run to pass.")
        else:
            card = score(take, chart=exercises[-1].chart)
            figure = judge(exercises[-1], card)
            self.tell(figure_words(figure))
            self.shows(take, card)
            if result is not None and result.marked:
                word = round_word(exercises[-1].chart)
                self.tell(f"You marked {', '.join(f'{word} {n} bar {bar}' for n, bar in result.marked)}.")
            return status, figure, played_bpm
        return status, None, played_bpm

    def not_heard(self) -> str:
        """What helps whose notes did not arrive."""
        return not_heard(self._ready())

    def leaves(self, result: PlayResult | None) -> int | None:
        """The exit status if the person is done after this run; None: it goes on. With a stand whoever stops a run is
        asked there what comes next."""
        if result is None or not result.leaves or (self.stand is not None and result.status == "stopped"):
            return None
        return exit_status(result)

    # --- what is said of it, and what comes next --------------------------------------------------------------------

    def tell(self, *lines: str) -> None:
        """Say how it went, here and on the stand."""
        for line in lines:
            say(line)
        self.note(*lines)

    def note(self, *lines: str) -> None:
        """The same for the stand alone."""
        self._told += lines

    def shows(self, take: Take, card: Scorecard) -> None:
        """The take that a page with pictures can be had of."""
        self._last = (take, card)

    def before(self, coming: Coming) -> tuple[Asked, float | None]:
        """The breath before what comes next: what was asked for ("start", "leave", or one of what it may), and the
        tempo. Nobody waits for a stand-in, nor where nobody could press anything."""
        if self.stand_in or (self.stand is None and not (sys.stdin.isatty() and sys.stdout.isatty())):
            return "start", coming.tempo_bpm
        if self.stand is not None and not self._opened:
            coming, self._opened = replace(coming, seconds=OPENING_S), True
        if self._stopped and self.stand is not None:
            coming = replace(coming, held=True)
        return breath(self._ready(), coming, self._show, self._say_report)

    def _show(self, coming: Coming, left_s: Callable[[], float | None]) -> None:
        """Put it on the stand at once, and once more with the last one's page where that has to be made."""
        if self.stand is None:
            return
        stand, played = self.stand, self._last is not None

        def put() -> None:
            desk = breath_desk(coming, self._told, left_s(), played=played, report=self._report is not None)
            stand.between(desk, self._report)

        put()
        if played and self._report is None and self._made_report() is not None:
            put()

    @functools.cached_property
    def _pages(self) -> Path:
        return _passing_folder()

    def _made_report(self) -> Path | None:
        """The last one's page, made when it is first wanted; in a passing folder, since the take makes it again."""
        from trainer.report import write_report

        if self._report is None and self._last is not None:
            with contextlib.suppress(TrainerError):
                self._report = write_report(*self._last, self._pages / "report.html")
        return self._report

    def _say_report(self) -> bool:
        found = self._made_report()
        if found is not None:
            say(f"Report: {found}")
        return found is not None

    # --- opening and leaving ----------------------------------------------------------------------------------------

    def close(self) -> None:
        """Note in the history what was played, so that `trainer` alone knows at once what wants another visit."""
        from trainer.practice.history import History

        if self.stand is not None:
            self.stand.close()
        if self.n_runs and self.takes.is_dir():
            with contextlib.suppress(TrainerError), History(self.takes) as book:
                book.refresh()

    def __enter__(self) -> Desk:
        self.stand = stand_page(self._around.stand)
        return self

    def __exit__(self, *_: object) -> None:
        self.close()
