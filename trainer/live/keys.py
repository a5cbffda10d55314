"""What the keys mean while playing: commands, and the home row as a pad. Sans-IO: fed with bytes and their moments.

A terminal gives characters, not presses: no release, and a held key comes again and again. A character that follows
itself faster than a finger can is the terminal's repeat and is rejected, and the one before it, which was the first
repeat after the terminal's waiting time, is taken back. Of the escape sequences, arrows and page keys are commands
(that is what page-turning pedals send); all others, and pasted text, are neither commands nor notes. Playing keys and
command keys never overlap; tests hold them apart.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, NamedTuple

from trainer.band import PARTS
from trainer.music import Key
from trainer.session import Chart

__all__ = [
    "ACTIONS",
    "COMMANDS",
    "PAD_KEYS",
    "ROOT_KEY",
    "Char",
    "CharReader",
    "Command",
    "Repeats",
    "bass_pitch",
    "degree_pitches",
    "root_pitch",
]

PAD_KEYS = "asdfghjkl;"
ROOT_KEY = " "


class Command(NamedTuple):
    """What a key asks for, and which way or which part. `once`: a held key asks once."""

    name: Literal[
        "pause", "restart", "quit", "tempo", "choose", "mute", "alone", "volume", "again", "next", "mark", "help"
    ]
    number: int = 0
    once: bool = True


COMMANDS = {
    "p": Command("pause"),
    "r": Command("restart"),
    "q": Command("quit"),
    "e": Command("again"),
    "n": Command("next"),
    "t": Command("mark"),
    "?": Command("help"),
    "[": Command("tempo", -1, once=False),
    "]": Command("tempo", 1, once=False),
    **{str(i + 1): Command("choose", i) for i in range(len(PARTS))},
    "m": Command("mute"),
    "o": Command("alone"),
    "-": Command("volume", -1, once=False),
    "=": Command("volume", 1, once=False),
    # Page-turning pedals are keyboards that send these: on is what comes next, back is the same again.
    "page down": Command("next"),
    "page up": Command("again"),
    "right": Command("next"),
    "left": Command("again"),
    "up": Command("tempo", 1, once=False),
    "down": Command("tempo", -1, once=False),
}
# What foot switches and the stand page ask for.
ACTIONS = {
    "again": Command("again"),
    "stop": Command("quit"),
    "next": Command("next"),
    "slower": Command("tempo", -1),
    "faster": Command("tempo", 1),
    "mark": Command("mark"),
    "pause": Command("pause"),
    "top": Command("restart"),
}
# Escape sequences that are keys of their own; xterm's and ECMA-48's forms alike.
_SEQUENCES = {"A": "up", "B": "down", "C": "right", "D": "left", "5~": "page up", "6~": "page down"}
# Semitones above the tonic of what the home row plays: 1 2 3 4 5 6 ♭7 8 9 10; minor 1 2 ♭3 4 5 ♭6 ♭7 8 9 ♭10.
_MAJOR = (0, 2, 4, 5, 7, 9, 10, 12, 14, 16)
_MINOR = (0, 2, 3, 5, 7, 8, 10, 12, 14, 15)
_LOWEST = 28  # E1, the open low string
# The root key looks this far ahead: a root struck just before the change is meant for the new chord (our choice).
ROOT_AHEAD_BEATS = 0.2
# Terminals repeat a held key every 20–60 ms after 150–1100 ms; a finger does not strike one key again within 70 ms.
REPEAT_NS = 70_000_000
FIRST_REPEAT_NS = (150_000_000, 1_100_000_000)
SEQUENCE_NS = 50_000_000
# More characters at once than fingers strike: pasted text.
MAX_AT_ONCE = 6


@dataclass(frozen=True, slots=True)
class Char:
    """One character of the keyboard, or the name of an arrow or page key, and the moment at which it was read."""

    host_ns: int
    char: str


class CharReader:
    """Bytes of a terminal cut into characters, arrows and page keys: all else is passed over, in any cut.

    The Escape key alone sends what a sequence begins with; what follows it within 50 ms is taken for its sequence.
    """

    __slots__ = ("_begun_ns", "_sequence", "_state")

    def __init__(self) -> None:
        self._state = ""  # "" · "esc" · "csi" · "ss3" · "text" (a string sequence)
        self._begun_ns = 0
        self._sequence = ""

    def feed(self, host_ns: int, data: bytes) -> list[Char]:
        out: list[Char] = []
        if host_ns - self._begun_ns > SEQUENCE_NS:
            self._state = ""
        for byte in data:
            if byte == 0x1B:
                self._state, self._begun_ns, self._sequence = "esc", host_ns, ""
            elif self._state == "esc":
                self._state = {0x5B: "csi", 0x4F: "ss3"}.get(byte, "text" if byte in b"P]X^_" else "")
            elif self._state in ("csi", "ss3"):
                self._sequence += chr(byte)
                if 0x40 <= byte <= 0x7E:
                    self._state = ""
                    if (name := _SEQUENCES.get(self._sequence)) is not None:
                        out.append(Char(host_ns, name))
            elif self._state == "text":
                if byte in (0x07, 0x9C):
                    self._state = ""
            elif byte < 0x80:
                out.append(Char(host_ns, chr(byte).lower()))
        return out if len(out) <= MAX_AT_ONCE else []


class Repeats:
    """Tells a struck key from a held one. `judge` gives "new", "repeat", or "repeat" with the note to take back."""

    __slots__ = ("_char", "_gap_ns", "_last_ns", "_number")

    def __init__(self) -> None:
        self._char = ""
        self._last_ns = 0
        self._gap_ns = 0
        self._number: int | None = None

    def judge(self, char: Char, number: int) -> tuple[bool, int | None]:
        """(whether it is a new stroke, the number of an earlier one that was the first repeat or None)."""
        gap_ns = char.host_ns - self._last_ns
        if char.char != self._char or gap_ns >= REPEAT_NS:
            self._gap_ns = gap_ns if char.char == self._char else 0
            self._char, self._last_ns, self._number = char.char, char.host_ns, number
            return True, None
        back = None
        if self._number is not None and FIRST_REPEAT_NS[0] <= self._gap_ns <= FIRST_REPEAT_NS[1]:
            back = self._number
        self._last_ns, self._number, self._gap_ns = char.host_ns, None, 0
        return False, back


def bass_pitch(pc: int) -> int:
    """A pitch class in the bass's lowest octave, E1 to D#2."""
    return _LOWEST + (pc - _LOWEST) % 12


def degree_pitches(key: Key) -> dict[str, int]:
    """The pitch of each home-row key in a key."""
    tonic = bass_pitch(key.tonic_pc)
    return {char: tonic + step for char, step in zip(PAD_KEYS, _MINOR if key.minor else _MAJOR, strict=True)}


def root_pitch(chart: Chart, beats: float) -> int:
    """The root of the chord that sounds at a beat, or will in a moment."""
    span = chart.spans[int(chart.span_idx_at(beats + ROOT_AHEAD_BEATS))]
    return bass_pitch(span.chord.root_pc)
