"""Where runs are played from: one desk for drills, evenings, nights and worksheets, and the breath between runs."""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from trainer.cli.speaking import say
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
    "MidiIn",
    "MidiOut",
    "NoAudio",
    "Plain",
    "StandInOption",
    "Takes",
    "breathe",
    "check_tempo",
    "listening",
    "recovered",
    "say_figure",
]

Takes = Annotated[Path | None, typer.Option("--takes", metavar="DIR", help="The folder of takes.")]
MidiIn = Annotated[str | None, typer.Option("--midi-in", metavar="NAME", help="The bass's MIDI input, or part of it.")]
MidiOut = Annotated[str | None, typer.Option("--midi-out", metavar="NAME", help="Send the band there too.")]
NoAudio = Annotated[bool, typer.Option("--no-audio", help="No sound of our own.")]
Plain = Annotated[bool, typer.Option("--plain", help="One line a bar instead of the screen.")]
Key = Annotated[str, typer.Option("--key", metavar="KEY", help="The key: G, Bb, Am.")]
Bpm = Annotated[float, typer.Option("--bpm", metavar="N", help="Quarter notes a minute.")]
StandInOption = Annotated[
    bool, typer.Option("--stand-in", help="A stand-in player plays it, on a fake clock: to see what a run looks like.")
]

BREATH_S = 8.0  # between two runs: read the figure, see what comes, hands off the strings; our choice


def check_tempo(bpm: float) -> None:
    if not 40.0 <= bpm <= 240.0:
        raise UsageError(f"tempo {bpm:g} cannot be played; expected 40 to 240 quarter notes a minute")


def say_figure(figure: PassFigure) -> None:
    word = {True: "Clean", False: "Not yet", None: "Not judged"}[figure.passed]
    say(f"{word}: {figure.text} (target {figure.target}).")


def listening(exercise: Exercise) -> str:
    """Which choruses are to listen to, in words."""
    heard, n = exercise.heard, exercise.chart.n_choruses
    if heard == tuple(range(1, n, 2)) and n > 2:
        return "Odd choruses: listen. Even ones: your turn."
    if len(heard) == 1:
        return "Listen to the first chorus, then it is your turn."
    return f"Listen to the first {len(heard)} choruses, then it is your turn."


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


def breathe(seconds: float = BREATH_S, words: str = "Starts") -> bool:
    """Wait, counting down, so that what stands there can be read before the playing screen covers it.

    Enter goes on at once; False when the person leaves with q. Nobody waits where there is no terminal.
    """
    if not (sys.stdin.isatty() and sys.stdout.isatty()):
        return True
    from trainer.cli.checking import key_reader
    from trainer.clock.sources import RealClock
    from trainer.live.terminal import obey_escapes

    obey_escapes()
    clock = RealClock()
    end_ns = clock.now_ns() + int(seconds * 1e9)
    shown = ""
    with key_reader() as read_key:
        while (left_s := (end_ns - clock.now_ns()) * 1e-9) > 0.0:
            text = f"{words} in {_minutes_and_seconds(left_s)}.  Enter: now   q: leave"
            if text != shown:
                sys.stdout.write(f"\r\x1b[K{text}")
                sys.stdout.flush()
                shown = text
            key = read_key()
            if key in ("\r", "\n", "q", "Q"):
                sys.stdout.write("\r\x1b[K")
                sys.stdout.flush()
                return key not in ("q", "Q")
            clock.sleep_until(clock.now_ns() + 50_000_000)
    sys.stdout.write("\r\x1b[K")
    sys.stdout.flush()
    return True


def _minutes_and_seconds(seconds: float) -> str:
    whole = max(1, round(seconds))
    return f"{whole} s" if whole < 60 else f"{whole // 60}:{whole % 60:02d}"


class Desk:
    """Where runs are played from: the options of a command, made once."""

    def __init__(
        self, midi_in: str | None, midi_out: str | None, no_audio: bool, takes: Path | None, plain: bool, stand_in: bool
    ) -> None:
        from trainer.take import takes_dir

        # A stand-in's takes are nobody's practice: they are kept only where the person says.
        self.takes = _passing_folder() if stand_in and takes is None else takes_dir(takes)
        self.stand_in = stand_in
        self.n_runs = 0
        self._told: set[str] = set()
        self._midi_in, self._midi_out = midi_in, midi_out
        self._audio, self._plain = ("none" if no_audio else "auto"), plain
        self._options: PlayOptions | None = None

    def _ready(self) -> PlayOptions:
        from trainer.cli.playing import _options, _with_input

        if self._options is None:
            options = _options(
                None,  # type: ignore[arg-type]
                midi_out=self._midi_out,
                audio=self._audio,
                monitor=True,
                takes=self.takes,
                figures=False,
                calm=False,
                mix={},
                clock_out=None,
                follow=None,
                plain=self._plain,
                ascii_only=False,
            )
            self._options = _with_input(options, self._midi_in, None)
        return self._options

    def play(
        self, session: Session, extra: dict[str, Any], *, line: Any = None, guide_line: Any = None, cues: Any = ()
    ) -> tuple[PlayResult | None, Take | None]:
        """Play a session; the result (None for a stand-in's run) and the take. `line` is what a stand-in plays."""
        self.n_runs += 1
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
        options = replace(self._ready(), extra=extra, guide_line=guide_line, cues=tuple(cues))
        result = play(session, options)
        for warning in result.warnings:
            if warning not in self._told and not warning.startswith("nothing was played"):  # said once an evening
                say(f"Note: {warning}")
                self._told.add(warning)
        return result, result.take

    def breathe(self, seconds: float = BREATH_S, words: str = "Starts") -> bool:
        """A moment to read and to get ready; False when the person leaves with q. Nobody waits for a stand-in."""
        return self.stand_in or breathe(seconds, words)

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
        from trainer.cli.playing import _status, not_heard
        from trainer.scoring import score

        result, take = self.play(exercise.session, extra, line=exercise.model, guide_line=exercise.guide_rows())
        status = None
        if result is not None and result.status != "completed":
            status = _status(result)
        if take is None or not len(take.notes):
            say(f"No notes were heard, so this run does not count. {not_heard(self._ready())}")
            return status, None
        if not take.header.completed:
            typer.echo("Stopped before its end: the notes are kept, but it is no run to pass.")
            return status, None
        return status, judge(score(take, chart=exercise.chart))
