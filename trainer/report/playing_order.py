"""In which order written bars are played: repeats and their endings, D.C. and D.S., to coda, coda and fine.

Source: the MusicXML 4.0 specification (`repeat`, `ending`, `sound`) and, where it leaves a choice, common practice: a
D.C. or D.S. is obeyed once, the last time it is come to; after it no repeat is played that was played before, and of
endings only the last; "to coda" and "fine" count only then. What can be read in two ways is refused.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Literal, TypeAlias

__all__ = ["Jump", "JumpKind", "Order", "jump_said", "playing_order"]

JumpKind: TypeAlias = Literal["dacapo", "dalsegno", "segno", "tocoda", "coda", "fine"]


@dataclass(frozen=True, slots=True)
class Jump:
    """A sign of a jump or of its goal: its label, quarters into its bar, the times it counts (none: all). `sure`: said
    as such, not by a sign or words alone."""

    kind: JumpKind
    label: str
    at: Fraction
    times: tuple[int, ...] = ()
    sure: bool = False


@dataclass(slots=True)
class Order:
    """What one written bar says of the order. `backward`: how often its section is played in all, 0 for no repeat."""

    length: Fraction = Fraction(4)
    forward: bool = False
    backward: int = 0
    after_jump: bool = False
    endings: tuple[int, ...] = ()
    ending_stops: bool = False
    jumps: list[Jump] = field(default_factory=list)


_DA_CAPO = re.compile(r"\bd\.\s?c\.?(?!\w)|\bda capo\b|^dc\b")
_DAL_SEGNO = re.compile(r"\bd\.\s?s\.?(?!\w)|\bd(?:al|el) segno\b|^ds\b")
_TO_CODA = re.compile(r"\bto coda\b|\balla coda\b")


def jump_said(words: str, signs: set[str]) -> JumpKind | None:
    """What a direction's words (in lower case) and signs say, where nothing else does; None for anything else."""
    text = " ".join(words.split())
    if _DA_CAPO.search(text):
        return "dacapo"
    if _DAL_SEGNO.search(text):
        return "dalsegno"
    if _TO_CODA.search(text):
        return "tocoda"
    if "segno" in signs:
        return "segno"
    if "coda" in signs or text == "coda":
        return "coda"
    return "fine" if text.rstrip(".") == "fine" else None


def playing_order(bars: Sequence[Order], most: int) -> list[int]:
    """Indices of the bars as they are played. `ValueError` in words for what leads nowhere, for a repeat inside a
    repeat, and for more than `most` bars."""
    _refuse_nested(bars)
    return _Player(bars, most).played()


def _refuse_nested(bars: Sequence[Order]) -> None:
    opened: list[int] = []
    closed = -1
    for i, (bar, endings) in enumerate(zip(bars, _endings(bars), strict=True)):
        if bar.forward:
            opened.append(i)
        if bar.backward and (not endings or 1 in endings) and opened:
            start = opened.pop()
            if start < closed:
                raise ValueError(f"a repeat inside a repeat (bars {start + 1} to {i + 1}); expected it written out")
            closed = i


class _Player:
    """Goes through the bars as a player does."""

    def __init__(self, bars: Sequence[Order], most: int) -> None:
        self.bars, self.most = bars, most
        self.ending_of = _endings(bars)
        self.goals = _goals(bars)
        self.out: list[int] = []
        self.start, self.turn = 0, 1
        self.obeyed: set[tuple[int, str]] = set()
        self.before: frozenset[int] = frozenset()  # what had been played when the last jump was made
        self.jumped = False

    def played(self) -> list[int]:
        i = 0
        while i < len(self.bars):
            bar, endings = self.bars[i], self.ending_of[i]
            if bar.forward and i != self.start:
                self.start, self.turn = i, 1
            if endings and not self._own_ending(i):
                i += 1  # another time's ending
                continue
            if self.jumped and (goal := self._to_coda(i, early=True)) is not None:
                i = goal
                continue
            self.out.append(i)
            if len(self.out) > self.most:
                raise ValueError(f"more than {self.most} bars with its repeats; expected one song")
            if self.jumped and any(jump.kind == "fine" for jump in bar.jumps):
                break
            i = self._next(i)
        return self.out

    def _again(self, i: int) -> bool:
        """Whether the section that ends with this bar is played once more."""
        bar, endings = self.bars[i], self.ending_of[i]
        if not bar.backward or (i in self.before and not bar.after_jump):
            return False
        another = self.ending_of[i + 1] if i + 1 < len(self.bars) and endings else ()
        return self.turn < max((bar.backward, *another))

    def _own_ending(self, i: int) -> bool:
        """Whether this bar's ending is played this time: its number, or the last after a jump."""
        if i in self.before and self._leaves_out_repeats(i):
            return max(self.ending_of[i]) == self._last_ending(i)
        return self.turn in self.ending_of[i]

    def _leaves_out_repeats(self, i: int) -> bool:
        """Whether the repeats round an ending are left out: none of them is to be played after a jump too."""
        first, last = self._group(i)
        return not any(self.bars[k].after_jump for k in range(first, last + 1))

    def _group(self, i: int) -> tuple[int, int]:
        """First and last bar of the endings that follow one another round this one."""
        first = last = i
        while first > 0 and self.ending_of[first - 1] and not self.bars[first].forward:
            first -= 1
        while last + 1 < len(self.bars) and self.ending_of[last + 1] and not self.bars[last + 1].forward:
            last += 1
        return first, last

    def _last_ending(self, i: int) -> int:
        first, last = self._group(i)
        return max(number for k in range(first, last + 1) for number in self.ending_of[k])

    def _next(self, i: int) -> int:
        bar, endings = self.bars[i], self.ending_of[i]
        if self._again(i):
            self.turn += 1
            return self.start
        if self.jumped and (goal := self._to_coda(i, early=False)) is not None:
            return goal
        for jump in bar.jumps:
            due = self.turn in jump.times if jump.times else self._last_turn(i)
            if jump.kind in ("dacapo", "dalsegno") and due and (i, jump.kind) not in self.obeyed:
                self.obeyed.add((i, jump.kind))
                self.jumped, self.before = True, frozenset(self.out)
                goal = 0 if jump.kind == "dacapo" else self._goal("segno", jump, i)
                self.start, self.turn = goal, 1
                return goal
        last_of_ending = endings and (i + 1 == len(self.bars) or self.ending_of[i + 1] != endings)
        if bar.backward or last_of_ending:
            self.start, self.turn = i + 1, 1
        return i + 1

    def _last_turn(self, i: int) -> bool:
        """Whether this bar does not come again by a repeat that is still open."""
        for k in range(i + 1, len(self.bars)):
            if self.bars[k].forward:
                return True
            if self.bars[k].backward:
                return bool(self.ending_of[i]) or not self._again(k)
        return True

    def _to_coda(self, i: int, *, early: bool) -> int | None:
        """Where "to coda" leads from this bar: from its beginning where it stands there, else from its end."""
        for jump in self.bars[i].jumps:
            if jump.kind == "tocoda" and (jump.at <= 0) == early and (i, "tocoda") not in self.obeyed:
                self.obeyed.add((i, "tocoda"))
                goal = self._goal("coda", jump, i)
                self.start, self.turn = goal, 1
                return goal
        return None

    def _goal(self, kind: JumpKind, jump: Jump, i: int) -> int:
        places = self.goals.get((kind, jump.label)) or [
            at for (of, _), found in self.goals.items() if of == kind for at in found
        ]
        if kind == "coda":
            places = [at for at in places if at > i] or places
        if not places:
            name = {"segno": "D.S.", "coda": "to coda"}[kind]
            raise ValueError(f"{name} in bar {i + 1} leads nowhere; expected a sign of {kind}")
        return max(places) if kind == "segno" else min(places)


def _endings(bars: Sequence[Order]) -> list[tuple[int, ...]]:
    """The numbers of the ending that each bar is in."""
    out: list[tuple[int, ...]] = []
    now: tuple[int, ...] = ()
    for i, bar in enumerate(bars):
        if bar.endings:
            now = bar.endings
        elif i and (bars[i - 1].backward or bars[i - 1].ending_stops):
            now = ()
        out.append(now)
    return out


def _goals(bars: Sequence[Order]) -> dict[tuple[str, str], list[int]]:
    """(segno or coda, label) → the bars that begin there. Of two bare coda signs the first is "to coda"."""
    bare = [(i, jump) for i, bar in enumerate(bars) for jump in bar.jumps if jump.kind == "coda" and not jump.sure]
    said = any(jump.kind == "tocoda" for bar in bars for jump in bar.jumps)
    if len(bare) > 1 and not said:
        i, jump = bare[0]
        bars[i].jumps[bars[i].jumps.index(jump)] = Jump("tocoda", jump.label, jump.at)
    out: dict[tuple[str, str], list[int]] = {}
    for i, bar in enumerate(bars):
        for jump in bar.jumps:
            if jump.kind in ("segno", "coda"):
                at = i + 1 if jump.at > 0 and jump.at >= bar.length else i
                out.setdefault((jump.kind, jump.label), []).append(min(at, len(bars) - 1))
    return out
