"""From one run to the next: the same again, the bars that cost most, another song; from keys, pedal or stand alike."""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from trainer.cli.between import (
    TEMPO_STEP_BPM,
    Ask,
    Hands,
    better_line,
    costly_place,
    desk_of,
    say_end,
    songs_to_choose,
)
from trainer.cli.speaking import card_text, echo, say
from trainer.errors import TrainerError, UsageError
from trainer.limits import TEMPO_BPM, playable_bpm
from trainer.system import here

if TYPE_CHECKING:
    from trainer.live import PlayOptions, PlayResult
    from trainer.scoring import Scorecard
    from trainer.session import Session
    from trainer.take import Take

__all__ = ["Sitting"]

LEAVE, CHOOSE, SONG, BARS, HEAR, ASK = "leave", "choose", "song", "bars", "hear", "ask"


class Sitting:
    """One sitting of `trainer play`: songs and what comes after each, until somebody leaves.

    `prepared` gives the options for a session (the guide's line depends on it); `name` is the session's as it was asked
    for. Without a terminal and without a stand page one song is played and told, and that is all.
    """

    def __init__(self, session: Session, name: str, options: PlayOptions, prepared: Callable[..., PlayOptions]) -> None:
        self.session, self.name, self.options = session, name, options
        self._prepared = prepared
        self._stand = options.stand
        self._songs = songs_to_choose(session, name) if self._stand is not None else []
        self._tempo_bpm = session.tempo_bpm
        self._take: Take | None = None
        self._card: Scorecard | None = None
        self._report: Path | None = None
        self._place: tuple[int, int, int] | None = None
        self._after_bars = False
        self._said = ""
        self._status = 0

    def run(self) -> int:
        """Play until it is left; the exit status."""
        steps: Mapping[str, Callable[[], str]] = {
            CHOOSE: self._choose, SONG: self._song, BARS: self._bars, HEAR: self._hear, ASK: self._ask,
        }  # fmt: skip
        step = SONG if self._stand is None else CHOOSE
        while step != LEAVE:
            step = steps[step]()
        return self._status

    # --- what is played ---------------------------------------------------------------------------------------------

    def _at_tempo(self) -> Session:
        """The session at the tempo that is set now."""
        from trainer.cli.choosing import Overrides, with_overrides

        if self._tempo_bpm == self.session.tempo_bpm:
            return self.session
        return with_overrides(self.session, Overrides(bpm=self._tempo_bpm), from_file=True)

    def _song(self) -> str:
        from trainer.cli.running import exit_status, warnings_of
        from trainer.live import play

        session = self._at_tempo()
        endless = self.options.open_end and session.loop is not None  # another song may have been chosen since
        result = play(session, self._prepared(session, replace(self.options, open_end=endless)))
        self._keep(result)
        self._status = exit_status(result)
        self._after_bars = False
        told = [] if result.take_path is None else [f"Take kept: {here().pasted(result.take_path)}"]
        told += [f"Note: {text}" for text in warnings_of(result)]
        take = _heard(result)
        goes_on = result.asked == "again" or (endless and result.status == "completed" and take is not None)
        if take is None or goes_on:
            for line in told:
                say(line)
        if goes_on:
            return SONG
        if take is None:
            return self._unheard(result)
        self._judge(take, result)
        if result.asked == "next" and self._place is not None:
            return BARS
        return self._ended(session, result, told)

    def _unheard(self, result: PlayResult) -> str:
        from trainer.cli.running import not_heard

        if result.status not in ("fault", "engine_died"):  # they have said what became of the notes
            say(f"No notes were heard, so there is nothing to score. {not_heard(self.options)}")
        return ASK if self._may_ask() and not self._status else LEAVE

    def _judge(self, take: Take, result: PlayResult) -> None:
        from trainer.scoring import score

        self._take, self._card = take, score(take)
        self._place = costly_place(self._card, result.marked)
        self._report = None

    def _ended(self, session: Session, result: PlayResult, told: list[str]) -> str:
        """Tell a song that was played to its end, here and on the stand."""
        if result.marked:
            told.append(f"You marked {', '.join(f'chorus {c} bar {b}' for c, b in result.marked)}.")
        if self._card is not None:
            say_end(self._card, told)
        if self._stand is not None and result.take_path is not None:
            self._report = self._write_report(result.take_path)
        if not self._may_ask():
            if self._tempo_bpm != session.tempo_bpm:
                say(f"\nFor the next run you asked for {self._tempo_bpm:g} bpm: add --bpm {self._tempo_bpm:g}")
            return LEAVE
        return LEAVE if self._status else ASK

    def _bars(self) -> str:
        """Round the bars that cost most, then whether they went better than in the song."""
        from trainer.live import play
        from trainer.practice.worst import loop_card, loop_session
        from trainer.scoring import score

        if self._place is None or self._take is None:
            return ASK
        _, first, last = self._place
        with tempfile.TemporaryDirectory() as folder:
            result = play(loop_session(self._at_tempo(), (first, last)), replace(self.options, takes_dir=Path(folder)))
        self._keep(result)
        self._after_bars = True
        take = _heard(result)
        if take is not None:
            line = better_line(loop_card(self._take, first, last), score(take), (first, last))
        else:
            line = f"Bars {first}–{last}: no notes were heard, so nothing can be said of them."
        self._say(f"{line} This was practice: the song's take is kept, these rounds are not.")
        return self._goes_on(result, again=BARS, on=SONG)

    def _hear(self) -> str:
        """The bars that cost most once more, as they were played, then what they were in figures."""
        from trainer.live import play
        from trainer.practice.worst import loop_card, worst_bars_session

        if self._place is None or self._take is None:
            return ASK
        chorus, first, last = self._place
        again, script = worst_bars_session(self._at_tempo(), self._take, chorus, first, last)
        options = replace(
            self.options, script=script, record=False, typing=False, midi_in=None, bass_in=None, source="your take"
        )
        result = play(again, options)
        self._keep(result)
        played = loop_card(self._take, first, last)
        self._say(_told(played))
        return self._goes_on(result, again=HEAR, on=BARS)

    def _goes_on(self, result: PlayResult, *, again: str, on: str) -> str:
        from trainer.cli.running import exit_status

        if result.status not in ("completed", "stopped"):
            self._status = exit_status(result)
            return LEAVE
        return {"again": again, "next": on}.get(result.asked, ASK)

    def _keep(self, result: PlayResult) -> None:
        """What was changed while it ran holds for the next run."""
        if result.next_tempo_bpm is not None:
            self._tempo_bpm = result.next_tempo_bpm
        self.options = replace(self.options, mix=result.mix or self.options.mix, typing_told=True)

    # --- what is asked ----------------------------------------------------------------------------------------------

    def _may_ask(self) -> bool:
        return self._stand is not None or (sys.stdin.isatty() and sys.stdout.isatty())

    def _say(self, line: str) -> None:
        say(f"\n{line}")
        self._said = line

    def _next_words(self) -> str:
        if self._place is None:
            return ""
        _, first, last = self._place
        return "The song again" if self._after_bars else f"Bars {first}–{last}"

    def _show(self, mode: Literal["after", "choose"]) -> None:
        if self._stand is not None:
            desk = desk_of(
                mode, self.session, self.name, self._tempo_bpm, self._songs,
                card=self._card, next_words=self._next_words(), said=self._said, report=self._report,
            )  # fmt: skip
            self._stand.between(desk, self._report)

    def _choose(self) -> str:
        """Wait for a song from the stand, or for Enter."""
        echo("Choose and start on the stand, or press Enter here; q leaves.")
        with Hands(self.options) as hands:
            self._show("choose")  # what can be pressed is heard
            while True:
                asked = hands.wait()
                if asked.what in ("leave", "stop"):
                    return LEAVE
                if asked.what == "start" and self._started(asked):
                    return SONG
                if asked.what in ("slower", "faster"):
                    self._change_tempo(asked)
                self._show("choose")

    def _started(self, asked: Ask) -> bool:
        """Take the song, key and tempo that were chosen; False, and said on the stand, if they cannot be had."""
        if asked.choice is None:
            return True
        from trainer.cli.choosing import Overrides, named_session, with_overrides

        name, key, bpm = (asked.choice.get(part) for part in ("song", "key", "bpm"))
        try:
            if not any(name == song.name for song in self._songs) or not isinstance(name, str):
                raise UsageError(f'no song "{name}" is offered')
            if not isinstance(bpm, int | float) or playable_bpm(bpm) != bpm or not isinstance(key, str):
                raise UsageError(f"a song wants a key and a tempo from {TEMPO_BPM[0]:g} to {TEMPO_BPM[1]:g}")
            session = self.session if name == self.name else named_session(name)
            wanted = Overrides(key=None if key == session.key.name else key, bpm=float(bpm))
            self.session = with_overrides(session, wanted, from_file=True)
        except TrainerError as error:
            self._said = f"{asked.by}: {error}"
            say(self._said)
            return False
        self.name, self._tempo_bpm = name, self.session.tempo_bpm
        self._card = self._take = self._place = self._report = None
        self._said = ""
        echo(f"{asked.by}: {self.session.title}, {self.session.key.name}, {self.session.tempo_bpm:g} bpm")
        return True

    def _change_tempo(self, asked: Ask) -> None:
        step = TEMPO_STEP_BPM if asked.what == "faster" else -TEMPO_STEP_BPM
        self._tempo_bpm = playable_bpm(self._tempo_bpm + step)
        self._said = f"{asked.by}: next run at {self._tempo_bpm:g} bpm".removeprefix(": ")
        say(self._said)

    def _ask(self) -> str:
        """What comes now: the same again, the bars, the rest of the figures, another song, or nothing more."""
        say(self._prompt())
        with Hands(self.options) as hands:
            self._show("after")  # what can be pressed is heard
            while True:
                asked = hands.wait()
                if asked.by and asked.what not in ("slower", "faster"):
                    say(f"{asked.by}: {asked.what}")
                step = self._step_of(asked)
                if step is not None:
                    return step
                if self._answered(asked):
                    self._show("after")

    def _step_of(self, asked: Ask) -> str | None:
        """Where it leads; None: nowhere else."""
        song, bars = (BARS, SONG) if self._after_bars else (SONG, BARS)
        steps = {"leave": LEAVE, "stop": LEAVE, "again": song}
        if self._place is not None:
            steps |= {"next": bars, "hear": HEAR}
        if self._stand is not None:
            steps["choose"] = CHOOSE
        if asked.what == "start" and asked.choice is not None and self._started(asked):
            return SONG
        return steps.get(asked.what)

    def _answered(self, asked: Ask) -> bool:
        """Do what is done here; False where there is nothing to do."""
        match asked.what:
            case "slower" | "faster":
                self._change_tempo(asked)
            case "more" if self._card is not None:
                say(card_text(self._card))
                say(self._prompt())
            case "report":
                self._say_report()
            case "keys":
                say(self._prompt())
            case _:  # a song that could not be had: said on the stand
                return asked.what == "start" and asked.choice is not None
        return True

    def _prompt(self) -> str:
        again = f"e  again, {self._tempo_bpm:g} bpm"
        on = ""
        if self._place is not None and self._after_bars:
            again, on = f"e  these bars again, {self._tempo_bpm:g} bpm", "   n  the song again   w  hear them"
        elif self._place is not None:
            chorus, first, last = self._place
            on = f"   n  go round bars {first}–{last}, as in chorus {chorus}   w  hear them"
        return f"\n{again}{on}\nup down  tempo   m  all figures   r  report   q  leave"

    # --- the report ---------------------------------------------------------------------------------------------------

    def _write_report(self, take_path: Path) -> Path | None:
        from trainer.report import write_report

        if self._take is None or self._card is None:
            return None
        try:
            return write_report(self._take, self._card, take_path.with_suffix(".html"))
        except TrainerError as error:
            say(f"Note: {error}")
            return None

    def _say_report(self) -> None:
        if self._report is None and self._take is not None and self._take.source:
            self._report = self._write_report(Path(self._take.source))
        if self._report is not None:
            say(f"Report: {self._report}")


def _heard(result: PlayResult) -> Take | None:
    """What was played, if anything was."""
    return result.take if result.take is not None and len(result.take.notes) else None


def _told(card: Scorecard) -> str:
    """Some bars as they were played, in a line."""
    from trainer.scoring.text import landing_line, time_of

    chart: Any = card.chart
    loop = chart.session.loop
    return f"Bars {loop[0]}–{loop[1]} in the song: {landing_line(card.landing)} {time_of(card)}"
