"""The breath between two runs of an evening, a night, a worksheet: what was, what comes, and what is pressed meanwhile,
at the keyboard, with a foot or on the stand.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

from trainer.cli.between import TEMPO_STEP_BPM, Hands
from trainer.cli.speaking import echo, say
from trainer.cli.waiting import BREATH_S, minutes_and_seconds, rewritten
from trainer.limits import playable_bpm
from trainer.system import here

if TYPE_CHECKING:
    from trainer.live import PlayOptions
    from trainer.page import Between

__all__ = ["Asked", "Coming", "breath", "breath_desk"]

Asked = Literal["start", "leave", "again", "skip", "later"]
LOOK_NS = 20_000_000
# What a key asks for; arrows and page keys as page-turning pedals send them: on is on, back is the same again.
KEYS = {
    "\r": "start", "\n": "start", "right": "start", "page down": "start", "q": "leave", "\x04": "leave",
    "e": "again", "left": "again", "page up": "again", "n": "skip", "l": "later",
    "up": "faster", "]": "faster", "down": "slower", "[": "slower", "p": "hold", "r": "report", "?": "help",
}  # fmt: skip
# What a foot switch or the stand may ask for by another name.
MEANT = {"next": "start", "stop": "leave", "pause": "hold"}
# (what is asked for, its key, in a line, in the list of keys, on the stand), in this order.
OFFERED = (
    ("start", "Enter", "now", "begin now; also Page Down, right, a foot switch's next", "Start"),
    ("again", "e", "again", "the last one again; also Page Up, left", "Last one again"),
    ("skip", "n", "skip", "leave this one out", "Leave it out"),
    ("later", "l", "later", "put this one off: it comes later", "Later"),
    ("slower", "down", "", "this one slower", "Slower"),
    ("faster", "up", "", "this one faster", "Faster"),
    ("hold", "p", "wait", "wait until Enter", "Wait"),
    ("report", "r", "", "the last one's page, with pictures", "Report"),
    ("leave", "q", "leave", "leave; what was played is kept", "Finish"),
)


@dataclass(frozen=True, slots=True)
class Coming:
    """What comes next: its `name`, in `words` what to do, its tempo where that can be changed.

    `may`: what can be asked for beside going on and leaving ("again", "skip", "later"). It begins by itself after
    `seconds`; with `held` it waits. `starts`: how its beginning is said; "": nothing comes, this is the end.
    """

    name: str
    words: str = ""
    tempo_bpm: float | None = None
    may: tuple[str, ...] = ()
    seconds: float = BREATH_S
    held: bool = False
    starts: str = "Starts"

    @property
    def title(self) -> str:
        return self.name if self.tempo_bpm is None else f"{self.name}, {self.tempo_bpm:g} bpm"

    def ends_with(self, what: str) -> bool:
        """Whether the waiting is over when this is asked for."""
        return what in ("leave", *self.may) or (what == "start" and self.starts != "")

    def offers(self, *, report: bool, counting: bool) -> list[str]:
        """What can be asked for now."""
        tempo = ("slower", "faster") if self.tempo_bpm is not None else ()
        wanted = {*self.may, *tempo, "leave"}
        wanted |= {"start"} if self.starts else set()
        wanted |= {"report"} if report else set()
        wanted |= {"hold"} if counting else set()
        return [what for what, *_ in OFFERED if what in wanted]


def breath_desk(coming: Coming, lines: Sequence[str], left_s: float | None, *, played: bool, report: bool) -> Between:
    """What the stand shows meanwhile; `lines`: how the last one went; `report`: its page is ready."""
    from trainer.page import Between

    names = {what: words for what, _, _, _, words in OFFERED}
    hands = [(what, names[what]) for what in coming.offers(report=played, counting=not coming.held)]
    return Between("breath", coming.title, coming.words, lines, report, hands=hands, starts_in_s=left_s)


def breath(
    options: PlayOptions,
    coming: Coming,
    show: Callable[[Coming, Callable[[], float | None]], None],
    say_report: Callable[[], bool],
) -> tuple[Asked, float | None]:
    """Wait, counting down, until it is time or somebody asks for something: what, and the tempo that was settled on.

    `show` puts on the stand what comes and the seconds left, for which it asks when it is ready (None: it waits).
    `say_report` says where the last one's page is; False where there is none.
    """
    from trainer.clock.sources import RealClock

    here().obey_escapes()
    clock, line = RealClock(), ""
    end_ns = None if coming.held else clock.now_ns() + int(coming.seconds * 1e9)

    def left_s() -> float | None:
        return None if end_ns is None else (end_ns - clock.now_ns()) * 1e-9

    with Hands(options, KEYS) as hands:
        show(coming, left_s)  # what can be pressed is heard, however long the last one's page takes
        while end_ns is None or clock.now_ns() < end_ns:
            line = rewritten(_line(coming, left_s()), line)
            asked = hands.asked()
            if asked is None:
                clock.sleep_until(clock.now_ns() + LOOK_NS)
                continue
            what = MEANT.get(asked.what, asked.what)
            line = rewritten("", line)
            if coming.ends_with(what):
                if asked.by:
                    say(f"{asked.by}: {_words(what)}")
                return what, coming.tempo_bpm  # type: ignore[return-value]
            if what in ("slower", "faster") and coming.tempo_bpm is not None:
                step = TEMPO_STEP_BPM if what == "faster" else -TEMPO_STEP_BPM
                coming = replace(coming, tempo_bpm=playable_bpm(round(coming.tempo_bpm) + step))
                say(f"{asked.by}: {coming.tempo_bpm:g} bpm".removeprefix(": "))
            elif what in ("hold", "help") or (what == "report" and say_report()):
                end_ns = None  # whoever reads is not hurried
                if what == "help":
                    _say_keys(coming)
            else:
                continue
            show(coming, left_s)
    rewritten("", line)
    return "start", coming.tempo_bpm


def _say_keys(coming: Coming) -> None:
    offers = coming.offers(report=True, counting=True)
    for what, key, _, words, _ in OFFERED:
        if what in offers:
            echo(f"  {key:<7}{words}")


def _words(what: str) -> str:
    return next(words for name, _, _, words, _ in OFFERED if name == what).partition(";")[0]


def _line(coming: Coming, left_s: float | None) -> str:
    """The line under it all, or nothing where nobody reads it."""
    if not (sys.stdin.isatty() and sys.stdout.isatty()):
        return ""
    offers = coming.offers(report=False, counting=left_s is not None)
    keys = "  ".join(f"{key} {words}" for what, key, words, _, _ in OFFERED if what in offers and words)
    head = "" if left_s is None or not coming.starts else f"{coming.starts} in {minutes_and_seconds(left_s)}.  "
    return f"{head}{keys}  ? keys"
