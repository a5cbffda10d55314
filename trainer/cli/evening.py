"""An evening of `trainer practice` played: its pieces in the order that was said, and what is asked between them."""

from __future__ import annotations

import datetime
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from trainer.cli.between import say_end, told_lines
from trainer.cli.breath import Coming
from trainer.cli.desk import Desk, Run, listening
from trainer.cli.speaking import echo, say
from trainer.system import here

if TYPE_CHECKING:
    from trainer.practice import Exercise, PassFigure
    from trainer.practice.evening import Evening, Piece
    from trainer.scoring import Scorecard
    from trainer.session import Session

__all__ = ["EveningPlayed", "judge_of", "song_of"]

Phrases = Mapping[str, "tuple[Exercise, dict[str, Any]]"]
ROWS_AFTER = 7  # of the terminal, under a song's figures: what the evening came to, and the keys


class EveningPlayed:
    """The pieces in the order that was said, drills between two breaks in rounds.

    What is left out does not come again this evening; what is put off comes once more after the others, before the
    song; the last one can be played again. `run` gives the exit status.
    """

    def __init__(self, evening: Evening, desk: Desk, phrases: Phrases, own: Session | None) -> None:
        from trainer.practice.evening import turns_of

        self._evening, self._desk, self._phrases, self._own = evening, desk, phrases, own
        self._turns = turns_of(evening)
        self._n_runs = sum(piece.drill is not None for piece in self._turns)
        self._number = 0
        self._seed = evening.seed + 31 * evening.day.toordinal()  # other variants every evening
        self._last: Piece | None = None
        self._put_off: set[Piece] = set()
        self._passes: dict[str, list[tuple[float, bool]]] = {}
        self._went = [0, 0]  # runs that went well, runs
        self._status: int | None = None  # given: the person has left

    def run(self, plan: Sequence[str]) -> int:
        """Play it; `plan` is what the evening would be, for the stand."""
        desk = self._desk
        if desk.stand is not None:
            desk.note(*plan)
            asked, _ = desk.before(Coming("This evening"))
            if asked == "leave":
                return self._left(0)
        while self._turns and self._status is None:
            self._next()
        if self._status is not None:
            return self._left(self._status)
        self._end()
        return 0

    def _next(self) -> None:
        """The next of the turns: begun, left out, put off, or the last one once more."""
        piece = self._turns.pop(0)
        if piece.kind == "break":
            echo(f"\nA break, {piece.minutes:g} minutes: {piece.why}.")
            coming = Coming("A break", f"{piece.why}.", seconds=60.0 * piece.minutes, starts="On we go")
            if self._desk.before(coming)[0] == "leave":
                self._status = 0
            return
        self._number += 1
        coming = self._coming(piece)
        say(f"\n{coming.title}: {coming.words}")
        asked, tempo_bpm = self._desk.before(coming)
        match asked:
            case "leave":
                self._status = 0
            case "skip":
                self._leave_out(piece)
            case "later":
                self._later(piece)
            case "again" if self._last is not None:
                self._turns[:0] = [self._last, piece]
                self._number -= 1
                self._n_runs += self._last.drill is not None
                self._last = None  # once; then what it came to is read first
            case _:
                self._play(piece, tempo_bpm or 96.0)
                self._last = self._settled(piece)
                if self._desk.asked == "next":
                    self._leave_out(self._last)

    def _later(self, piece: Piece) -> None:
        """All of a piece's turns behind the other drills; whatever was put off once is left out the second time."""
        if piece in self._put_off:
            self._leave_out(piece)
            return
        self._number -= 1
        self._put_off.add(piece)
        mine = [piece, *(turn for turn in self._turns if turn == piece)]
        others = [turn for turn in self._turns if turn != piece]
        at = max((i + 1 for i, turn in enumerate(others) if turn.drill is not None), default=0)
        self._turns = [*others[:at], *mine, *others[at:]]
        say("Put off: it comes before the song.")

    def _leave_out(self, piece: Piece) -> None:
        if piece.drill is not None:
            self._n_runs -= sum(turn == piece for turn in self._turns)
        self._turns = [turn for turn in self._turns if turn != piece]

    # --- one piece --------------------------------------------------------------------------------------------------

    def _coming(self, piece: Piece) -> Coming:
        others = any(turn.drill is not None and turn != piece for turn in self._turns)  # to put it off behind
        may = ("skip", *(("later",) if others else ()), *(("again",) if self._last is not None else ()))
        if piece.drill is None:
            words = "verses to hold down, a solo to open up." if self._own is None else "all of it."
            name = "Now a song"
            if piece.bars is not None:
                name, words = f"Bars {piece.bars[0]} to {piece.bars[1]} of your song", "round and round."
            return Coming(f"{name}, {piece.key or 'G'}", words, piece.tempo_bpm or 96.0, may)
        tempo_bpm = self._tempo_of(piece)
        exercise, title, goal = self._exercise(piece, tempo_bpm)
        head = f"{min(self._number, self._n_runs)} of {self._n_runs}. {title}"
        fixed = piece.drill in self._phrases
        return Coming(
            head if fixed else f"{head}, {exercise.session.key.name}",
            f"{goal} {listening(exercise)}".strip(),
            None if fixed else tempo_bpm,
            may,
        )

    def _tempo_of(self, piece: Piece) -> float:
        from trainer.practice.tempo import next_tempo_bpm

        return next_tempo_bpm("climb", piece.tempo_bpm or 96.0, self._passes.get(piece.drill or "", ()))

    def _exercise(self, piece: Piece, tempo_bpm: float) -> tuple[Exercise, str, str]:
        """A piece's drill or studied phrase at a tempo, what it is called, what it is for."""
        from trainer.practice import drill_named

        if piece.drill is not None and piece.drill in self._phrases:
            exercise = self._phrases[piece.drill][0]
            return exercise, exercise.session.title, "A phrase you studied."
        made = drill_named(piece.drill or "")
        seed = self._seed + self._number
        exercise = made.build(
            piece.key or "G", tempo_bpm, seed, short=piece.short, groove=piece.groove, tuning=self._desk.bass
        )
        return exercise, made.title, made.goal

    def _play(self, piece: Piece, tempo_bpm: float) -> None:
        if piece.drill is None:
            self._play_song(piece, tempo_bpm)
            return

        def made(bpm: float) -> tuple[Exercise, Mapping[str, Any]]:
            return self._exercise(piece, bpm)[0], self._kept(piece, bpm)

        self._status, figure, played_bpm = self._desk.exercise(made, tempo_bpm, judge_of(piece.drill))
        before = self._passes.setdefault(piece.drill, [])
        if figure is not None and figure.passed is not None:
            before.append((played_bpm, figure.passed))
            self._went = [self._went[0] + figure.passed, self._went[1] + 1]

    def _settled(self, piece: Piece) -> Piece:
        """The piece, wherever it comes again, at the tempo that was asked for while it played: the player's own word
        counts for more than the ladder."""
        if self._desk.last_bpm is None:
            return piece
        settled = replace(piece, tempo_bpm=self._desk.last_bpm)
        self._turns = [settled if turn == piece else turn for turn in self._turns]
        self._put_off |= {settled} if piece in self._put_off else set()
        self._passes.pop(piece.drill or "", None)
        return settled

    def _kept(self, piece: Piece, tempo_bpm: float) -> dict[str, Any]:
        """What a take's header keeps to build its drill again."""
        if piece.drill is not None and piece.drill in self._phrases:
            return {"study": self._phrases[piece.drill][1]}
        kept = {
            "name": piece.drill, "key": piece.key or "G", "tempo_bpm": tempo_bpm, "seed": self._seed + self._number,
            "groove": piece.groove,
        }  # fmt: skip
        return {"drill": kept | ({"short": True} if piece.short else {})}

    def _play_song(self, piece: Piece, tempo_bpm: float) -> None:
        """The evening's song or a part of the player's own."""
        from trainer.scoring import score

        _, result, take = self._desk.play(lambda bpm: Run(self._song(piece, bpm), {"practice": True}), tempo_bpm)
        self._status = self._desk.leaves(result)
        if self._desk.asked == "next":
            return
        if take is None or not len(take.notes):
            self._desk.tell(f"No notes were heard, so there is nothing to say of the song. {self._desk.not_heard()}")
            return
        card = score(take)
        say_end(card, rows_kept=ROWS_AFTER)
        self._desk.note(*told_lines(card))
        self._desk.shows(take, card)
        if result is not None and result.take_path is not None and self._desk.stand is None:
            echo(f"Its page, with pictures: trainer report {here().pasted(result.take_path)}")

    def _song(self, piece: Piece, tempo_bpm: float) -> Session:
        from trainer.practice.worst import loop_session

        if self._own is None:
            return song_of(piece, tempo_bpm, self._seed + self._number)
        session = replace(self._own, tempo_bpm=tempo_bpm)
        if piece.bars is None:
            return session
        n_bars = piece.bars[1] - piece.bars[0] + 1
        return loop_session(session, piece.bars, times=max(2, int(piece.minutes * tempo_bpm / (4.0 * n_bars))))

    # --- the end ----------------------------------------------------------------------------------------------------

    def _end(self) -> None:
        from trainer.scoring.why import counted

        well, runs = self._went
        came_to = f"{well} of {counted(runs, 'run')} went well this evening." if runs else ""
        look = "No notes came this evening, so there is nothing to say of it."
        if self._desk.any_notes:
            look = _look(self._desk.takes, self._evening.day)
        say("\n" + " ".join(filter(None, (came_to, look))))
        if self._desk.stand is not None:
            self._desk.note(*filter(None, (came_to, look)))
            self._desk.before(Coming("That was the evening", held=True, starts=""))

    def _left(self, status: int) -> int:
        say("Stopped here; all that was played is kept. `trainer practice` goes on with what is still open.")
        return status


def judge_of(drill: str) -> Callable[[Exercise, Scorecard], PassFigure]:
    """How a run of a drill, or of a studied phrase, is judged."""
    from trainer.practice import drill_named
    from trainer.practice.study import judge_phrase
    from trainer.scoring.card import as_kept

    if drill.startswith("study "):
        return lambda exercise, card: judge_phrase(exercise, card.reading)
    made = drill_named(drill)
    return lambda exercise, card: made.figure(as_kept(card), exercise)


def song_of(piece: Piece, tempo_bpm: float, seed: int) -> Session:
    """A song of about so many minutes: verses, solos that open, a last verse."""
    from trainer.music import FORMS, GROOVES
    from trainer.session import session_from_dict

    form = piece.form or "quick_change_12"
    # Two bars of count-in, four of intro.
    n = max(3, min(12, int((piece.minutes * tempo_bpm - 16.0) // (4.0 * FORMS[form].n_bars))))
    n_solo = max(1, n // 3)
    return session_from_dict(
        {
            "key": piece.key or "G",
            "tempo_bpm": tempo_bpm,
            "form": form,
            "groove": piece.groove,
            "swing_ratio": GROOVES[piece.groove].usual_swing_ratio(tempo_bpm),
            "seed": seed,
            "chorus": [
                {"role": "verse", "times": max(1, n - n_solo - 1), "intensity": 0.45},
                {"role": "solo", "times": n_solo, "intensity": [0.5 + 0.4 * i / n_solo for i in range(n_solo)]},
                {"role": "verse", "times": 1, "intensity": 0.5},
            ],
        }
    )


def _look(takes: Path, today: datetime.date) -> str:
    """The last piece of an evening: what wants work now, in a line."""
    from trainer.practice.drills import called
    from trainer.practice.evening import WEAK, evidence_of, weakness
    from trainer.practice.history import History

    with History(takes) as book:
        book.refresh()
        weak = weakness(evidence_of(book), today)
    worst = [called(name) for name in sorted(weak, key=lambda name: -weak[name]) if weak[name] >= WEAK][:3]
    found = f"What wants work most now: {'; '.join(worst)}." if worst else "Nothing stands out as weak just now."
    return f"{found} The weeks: trainer history"
