"""Where runs are played from: one desk for drills, evenings, nights and worksheets, and the breath between runs."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from trainer.cli.running import BandOptions, Cable, Places, Strung, exit_status, not_heard, play_options, with_input
from trainer.cli.speaking import echo, say
from trainer.cli.waiting import BREATH_S, asked_meanwhile, breathe
from trainer.errors import TrainerError, UsageError

if TYPE_CHECKING:
    from trainer.live import PlayOptions, PlayResult
    from trainer.practice import Exercise, PassFigure
    from trainer.scoring import Scorecard
    from trainer.session import Session
    from trainer.take import Take

__all__ = [
    "Bpm",
    "Desk",
    "Key",
    "check_tempo",
    "listening",
    "recovered",
    "say_figure",
]

Key = Annotated[str, typer.Option("--key", metavar="KEY", help="The key: G, Bb, Am.")]
Bpm = Annotated[float, typer.Option("--bpm", metavar="N", help="Quarter notes a minute.")]


def check_tempo(bpm: float) -> None:
    if not 40.0 <= bpm <= 240.0:
        raise UsageError(f"tempo {bpm:g} cannot be played; expected 40 to 240 quarter notes a minute")


def say_figure(figure: PassFigure) -> None:
    word = {True: "Clean", False: "Not yet", None: "Not judged"}[figure.passed]
    say(f"{word}: {figure.text} (target {figure.target}).")


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

    folder = tempfile.mkdtemp(prefix="trainer-stand-in-")
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    return Path(folder)


class Desk:
    """Where runs are played from: the options of a command, made once."""

    def __init__(self, places: Places, strung: Strung | None = None) -> None:
        from trainer.take import takes_dir

        # A stand-in's takes are nobody's practice: they are kept only where the person says.
        kept_nowhere = places.stand_in and places.takes is None
        self.takes = _passing_folder() if kept_nowhere else takes_dir(places.takes)
        self.stand_in = places.stand_in
        self.bass = (strung or Strung()).bass()
        self.n_runs = 0
        self.asked = ""  # what the newest run ended with
        self._told: set[str] = set()
        self._places = places
        self._options: PlayOptions | None = None

    def _ready(self) -> PlayOptions:
        if self._options is None:
            at = self._places
            band = BandOptions(midi_out=at.midi_out, no_audio=at.no_audio, takes=self.takes, plain=at.plain)
            self._options = with_input(play_options(band), at.midi_in, cable=Cable(at.bass_in))
        return self._options

    def play(
        self,
        session: Session,
        extra: dict[str, Any],
        *,
        line: Any = None,
        guide_line: Any = None,
        cues: Any = (),
        task: str = "",
    ) -> tuple[PlayResult | None, Take | None]:
        """Play a session, once more for as often as that is asked for; the result (None for a stand-in's run) and the
        take. `line` is what a stand-in plays, and what the screen shows as tablature where it is heard, for the bass
        that was asked for.
        """
        from trainer.line.tab import on_bass, tab_windows

        tab = {} if line is None else tab_windows(on_bass(line, self.bass))
        self.n_runs += 1
        self.asked = ""
        if self.stand_in:
            from trainer.line import Feel, StandIn, planned_song
            from trainer.live import PlayOptions, play_offline
            from trainer.session import expand
            from trainer.take import write_take

            performance = StandIn(Feel(), seed=self.n_runs).play(line or planned_song(expand(session), self.n_runs))
            take = play_offline(session, performance, PlayOptions(extra=extra, guide_line=guide_line))
            write_take(take, self.takes)
            return None, take
        from trainer.live import play

        if self.n_runs == 1:
            recovered(self.takes)
        options = replace(self._ready(), extra=extra, guide_line=guide_line, cues=tuple(cues), task=task, tab=tab)
        while (result := play(session, options)).asked == "again":
            pass
        self.asked = result.asked
        for warning in result.warnings:
            if warning not in self._told and not warning.startswith("nothing was played"):  # said once an evening
                say(f"Note: {warning}")
                self._told.add(warning)
        return result, result.take

    def breathe(self, seconds: float = BREATH_S, words: str = "Starts") -> bool:
        """A moment to read and to get ready; False when the person leaves with q. Nobody waits for a stand-in."""
        return self.stand_in or breathe(seconds, words)

    def asked_before(self) -> str:
        """The same before a piece of an evening, which can be left out or put off: "", "leave", "next", "later"."""
        more = {"n": ("leave it out", "next"), "l": ("later", "later")}
        return "" if self.stand_in else asked_meanwhile(BREATH_S, "Starts", more)

    def close(self) -> None:
        """Note in the history what was played, so that `trainer` alone knows at once what is due when."""
        import contextlib

        from trainer.practice.history import History

        if self.n_runs and self.takes.is_dir():
            with contextlib.suppress(TrainerError), History(self.takes) as book:
                book.refresh()

    def __enter__(self) -> Desk:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def exercise(
        self, exercise: Exercise, extra: dict[str, Any], judge: Callable[[Scorecard], PassFigure]
    ) -> tuple[int | None, PassFigure | None]:
        """(exit status if it is to end here, pass figure or None). What was kept is kept whatever happens."""
        from trainer.practice.drills import task_of
        from trainer.scoring import score

        result, take = self.play(
            exercise.session,
            extra,
            line=exercise.model,
            guide_line=exercise.guide_rows(),
            task=task_of(exercise.drill),
        )
        status = None
        if result is not None and result.leaves:
            status = exit_status(result)
        if result is not None and result.asked == "next":
            say("Left out this time; on to what comes next.")
            return status, None
        if take is None or not len(take.notes):
            say(f"No notes were heard, so this run does not count. {not_heard(self._ready())}")
            return status, None
        if not take.header.completed:
            echo("Stopped before its end: the notes are kept, but it is no run to pass.")
            return status, None
        return status, judge(score(take, chart=exercise.chart))
