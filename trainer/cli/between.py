"""Between two runs: what is pressed (keys, foot switches, the stand page), and the page of figures that stands there.

The end screen fits 80 × 24: the four lines and what to work on; the rest is a key away.
"""

from __future__ import annotations

import contextlib
import shutil
import sys
import time
from collections import deque
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from trainer.cli.speaking import WIDEST, echo, say, wrapped
from trainer.errors import PortError, TrainerError

if TYPE_CHECKING:
    from trainer.live import PlayOptions
    from trainer.page import Between, PagePress, SongRow
    from trainer.scoring import Scorecard
    from trainer.session import Session

__all__ = [
    "TEMPO_STEP_BPM",
    "Ask",
    "Hands",
    "better_line",
    "costly_place",
    "desk_of",
    "end_lines",
    "say_end",
    "songs_to_choose",
    "told_lines",
]

LOOK_EVERY_S = 0.02
KEY_NAMES = ("C", "Db", "D", "Eb", "E", "F", "F#", "G", "Ab", "A", "Bb", "B",
             "Cm", "C#m", "Dm", "Ebm", "Em", "Fm", "F#m", "Gm", "G#m", "Am", "Bbm", "Bm")  # fmt: skip
# What keys ask for between two runs; arrows and page keys as page-turning pedals send them.
KEYS = {
    "e": "again", "left": "again", "page up": "again",
    "n": "next", "right": "next", "page down": "next", "l": "next",
    "[": "slower", "down": "slower", "]": "faster", "up": "faster",
    "w": "hear", "m": "more", "r": "report", "c": "choose", "\r": "start", "\n": "start", "q": "leave", "\x04": "leave",
    "?": "keys",
}  # fmt: skip
TEMPO_STEP_BPM = 2.0
ROWS_KEPT = 4  # of the terminal's rows, for what is asked under the figures


@dataclass(frozen=True, slots=True)
class Ask:
    """What somebody wants, and who: "" for the keyboard. `choice`: the song, key and tempo chosen on the stand."""

    what: str
    by: str = ""
    choice: Mapping[str, Any] | None = None


class Hands:
    """Everything that can be pressed while nothing runs; `with` opens and closes it."""

    def __init__(self, options: PlayOptions, keys: Mapping[str, str] = KEYS) -> None:
        self._options = options
        self._keys = keys
        self._pressed: deque[Ask] = deque()

    def __enter__(self) -> Hands:
        from trainer.cli.waiting import key_reader
        from trainer.live.keys import CharReader

        self._stack = contextlib.ExitStack()
        # Started from a script there is a stand and no keyboard, whose end would count as leaving.
        self._read_key = self._stack.enter_context(key_reader()) if sys.stdin.isatty() else lambda: ""
        self._chars = CharReader()
        self._pedals = list(self._open_pedals())
        stand = self._options.stand
        if stand is not None:
            stand.on_press = self._heard
            self._stack.callback(setattr, stand, "on_press", lambda press: None)
        return self

    def __exit__(self, *_: object) -> None:
        self._stack.close()

    def _open_pedals(self) -> Iterator[tuple[deque[Any], Any]]:
        """Each port that switches were learnt on; one that is not there is looked for by the next run."""
        from trainer.ports.midi import open_input, port_stem
        from trainer.ports.pedal import Pedals

        by_port: dict[str, list[Any]] = {}
        for switch in self._options.pedals:
            by_port.setdefault(port_stem(switch.port), []).append(switch)
        for switches in by_port.values():
            sink: deque[Any] = deque()
            with contextlib.suppress(PortError):
                self._stack.callback(open_input(switches[0].port, sink).close)
                yield sink, Pedals(switches)

    def _heard(self, press: PagePress) -> None:
        self._pressed.append(Ask(press.do, press.by, press.choice))

    def asked(self) -> Ask | None:
        """What was pressed first of what has not been asked yet; None: nothing."""
        while key := self._read_key():
            for char in self._chars.feed(time.perf_counter_ns(), key.encode("latin-1", "ignore")):
                if char.char in self._keys:
                    self._pressed.append(Ask(self._keys[char.char]))
        for sink, pedals in self._pedals:
            while sink:
                host_ns, _, data = sink.popleft()
                action = pedals.feed(data, host_ns)[1]
                if action is not None:
                    self._pressed.append(Ask(action, pedals.switches[0].port))
        return self._pressed.popleft() if self._pressed else None

    def wait(self) -> Ask:
        """The next thing that is asked for."""
        while (asked := self.asked()) is None:
            time.sleep(LOOK_EVERY_S)
        return asked


# --- the page of figures ---------------------------------------------------------------------------------------------


def end_lines(
    card: Scorecard, extra: Sequence[str] = (), *, width: int = 80, height: int = 24, rows_kept: int = ROWS_KEPT
) -> list[str]:
    """The four lines and what to work on, in so many columns, `rows_kept` rows short of the height.

    Where it is tight the evidence goes first, then the last piece of advice; a drill's command stands on a line by
    itself.
    """
    head = [row for line in (*extra, *told_lines(card)) for row in wrapped(line, width)]
    song = None if card.chart is None else card.chart.session
    here = "" if song is None else f" --key {song.key.name} --bpm {song.tempo_bpm:g}"
    for n_advice in range(len(card.verdict.advice), -1, -1):
        for evidence in (True, False):
            rows = ["", "What to work on:"] if n_advice else []
            for advice in card.verdict.advice[:n_advice]:
                text = f"{advice.text} {advice.evidence.rstrip('.')}." if evidence else advice.text
                command = f"trainer drill {advice.drill} {advice.options}".rstrip() + here
                rows += [*wrapped(f"  {text}", width), f"    {command}" if len(command) + 4 <= width else command]
            if len(head) + len(rows) <= height - rows_kept:
                return [*head, *rows]
    return head[: height - rows_kept]


def say_end(card: Scorecard, extra: Sequence[str] = (), *, rows_kept: int = ROWS_KEPT) -> None:
    """Write the end screen to a person's terminal at its size; to anything else the whole card."""
    from trainer.cli.speaking import card_text

    if not sys.stdout.isatty():
        for line in extra:
            say(line)
        say(card_text(card))
        return
    columns, rows = shutil.get_terminal_size()
    width = max(40, min(WIDEST, columns))
    echo("\n".join(end_lines(card, extra, width=width, height=max(16, rows), rows_kept=rows_kept)))


def told_lines(card: Scorecard) -> list[str]:
    """The four lines of a verdict, for the stand."""
    from trainer.scoring.text import summary

    return summary(card).split("\n\n")[0].split("\n")


def songs_to_choose(session: Session, name: str) -> list[SongRow]:
    """The songs that the stand offers: the one that was asked for, then the ready-made ones."""
    from trainer.page import SongRow
    from trainer.resources import session_names, session_path
    from trainer.session import load_session

    found = [(name, session)]
    for other in session_names():
        if other != name:
            with contextlib.suppress(TrainerError):
                found.append((other, load_session(session_path(other))))
    words = "{0.key.name}, {0.tempo_bpm:g} bpm, {1}".format
    return [
        SongRow(other, song.title, song.key.name, song.tempo_bpm, words(song, song.groove.replace("_", " ")))
        for other, song in found
    ]


def desk_of(
    mode: Literal["after", "choose"],
    session: Session,
    name: str,
    tempo_bpm: float,
    songs: Sequence[SongRow],
    *,
    card: Scorecard | None = None,
    next_words: str = "",
    said: str = "",
    report: Path | None = None,
) -> Between:
    """What the stand page shows between two songs."""
    from trainer.page import Between

    return Between(
        mode,
        session.title,
        said,
        [] if card is None else told_lines(card),
        report is not None,
        song=name,
        key=session.key.name,
        bpm=tempo_bpm,
        songs=songs,
        keys=KEY_NAMES,
        advice=[] if card is None else [f"{item.text} {item.evidence}" for item in card.verdict.advice],
        next=next_words,
    )


# --- whether it got better -------------------------------------------------------------------------------------------


def costly_place(card: Scorecard, marked: Sequence[tuple[int, int]]) -> tuple[int, int, int] | None:
    """(chorus, first bar, last bar) of the four bars to go round: those with a mark of the player's, else the
    costly."""
    from trainer.practice.worst import line_of_four, worst_bars

    if marked and card.chart is not None:
        return line_of_four(card.chart, *marked[0])
    return worst_bars(card)


def better_line(before: Scorecard, after: Scorecard, bars: tuple[int, int]) -> str:
    """Whether some bars went better round and round than in the song: figures, their doubt, and a word only where the
    intervals lie apart."""
    from trainer.report.compare import APART, comparison_rows

    rows = {row.name: row for row in comparison_rows(before, after)}
    parts, words = [], []
    for name, label, better in (("roots on changes", "roots", "higher"), ("spread", "spread", "lower")):
        row = rows.get(name)
        if row is None or "–" in (row.first, row.second):
            continue
        parts.append(f"{label} {row.second} (in the song {row.first})")
        if row.words == APART and row.intervals is not None:
            up = row.intervals[1][1] > row.intervals[0][1]
            words.append(f"{label} {'better' if up == (better == 'higher') else 'worse'}")
    if not parts:
        return f"Bars {bars[0]}–{bars[1]}: too few notes to say whether it got better."
    verdict = " and ".join(words) if words else "no clear difference yet"
    return f"Bars {bars[0]}–{bars[1]}: {'; '.join(parts)}: {verdict}."
