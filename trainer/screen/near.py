"""What is read from near, as texts: the lane of the last notes, running figures, the mixer, the keys.

The lane is drawn as a drummer would count strokes: how many of the last notes fell where, on a ruler in milliseconds
whose middle is named. The middle has a column (or a row) of its own that no stroke ever covers.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from rich.cells import cell_len

from trainer.screen.frame import Canvas, fit
from trainer.screen.state import PartLevel, ScreenState
from trainer.session import BEATS_PER_BAR

__all__ = [
    "LANE_RANGE_MS",
    "STRIP_ROWS",
    "Lane",
    "draw_lane",
    "draw_strip",
    "figures_text",
    "help_rows",
    "key_lines",
    "lane_of",
    "mix_text",
    "strip_cell",
]  # fmt: skip

LANE_RANGE_MS = 60.0  # either side of the middle; wide enough for a beginner's spread. Our choice
LANE_NOTES = 16  # strokes that the lane counts; our choice
_SCALE_MS = (20, 40)
STRIP_STEPS_MS = (8.0, 16.0, 30.0)  # the strip's half rows on either side; the last holds all that is further off
STRIP_ROWS = 5
_STRIP_LABEL = 20
_COUNTS = " ▁▂▃▄▅▆▇█"
KEYS_LONG = "q stop  p pause  e again  n next  r top  t that one  up/down next tempo  1-6 part  m mute  - = vol  ? keys"
KEYS_SHORT = "q stop  p pause  e again  n next  up/down next tempo  t that one  ? keys"
KEYS_FEW = "q stop  p pause  e again  n next  ? keys"
TYPED_LONG = "notes: a s d f g h j k l ; degrees of the key   space: root of the chord"
TYPED_SHORT = "notes: a s d f g h j k l ; the key's   space: the root"
TYPED_KEYS = (
    ("a s d f g h j k l ;", "notes: the degrees of the key"),
    ("space", "the root of the chord that is playing"),
)
KEYS = (
    ("q", "stop; what was played is kept"),
    ("p", "pause, and on again"),
    ("e  left  Page Up", "again, at the tempo now set"),
    ("n  right  Page Down", "on to what comes next"),
    ("r", "back to the top"),
    ("t", "that one: marks the bar just played"),
    ("up down  [ ]", "tempo of the next run"),
    ("1-6", "choose a part of the band: m mute, o alone, - = volume"),
    ("?", "these keys, and back"),
)


@dataclass(frozen=True, slots=True)
class Lane:
    """The two rows of a lane, of one width: strokes counted by place, and the ruler under them.

    `middle` is the column of the middle mark, `newest` that of the last note (None without one).
    """

    strokes: str
    ruler: str
    middle: int
    newest: int | None


def lane_of(lane_ms: tuple[float, ...], width: int, middle_word: str, ascii_only: bool = False) -> Lane:
    """The last notes against the middle, in `width` columns: ahead of it to the left, behind it to the right."""
    width = max(5, width - (width + 1) % 2)
    middle = width // 2
    counts = [0] * width
    newest = None
    for ms in lane_ms[-LANE_NOTES:]:
        away = max(1, math.ceil(min(abs(ms) / LANE_RANGE_MS, 1.0) * middle))
        newest = middle + (away if ms >= 0.0 else -away)
        counts[newest] += 1
    mark, line = ("|", "-") if ascii_only else ("│", "─")
    if ascii_only:
        strokes = [str(min(n, 9)) if n else " " for n in counts]
    else:
        strokes = [_COUNTS[min(n, 8)] for n in counts]
    strokes[middle] = mark
    ruler = [line] * width
    word = f" {middle_word} "
    start = middle - len(word) // 2
    taken = range(middle, middle + 1)
    if start >= 0 and start + len(word) <= width:
        ruler[start : start + len(word)] = word
        taken = range(start, start + len(word))
    else:
        ruler[middle] = "+" if ascii_only else "┼"
    for ms in _SCALE_MS:  # on both sides or on neither
        away = round(ms / LANE_RANGE_MS * middle)
        if away - 1 > len(taken) // 2 + 1 and away < middle:
            ruler[middle - away : middle - away + 2] = ruler[middle + away - 1 : middle + away + 1] = f"{ms}"
    return Lane("".join(strokes), "".join(ruler), middle, newest)


def draw_lane(canvas: Canvas, state: ScreenState, y: int) -> None:
    """The lane in the rows `y` and `y` + 1."""
    tail = f" behind, ms   {state.n_notes} note{'s' if state.n_notes != 1 else ''}"
    x = canvas.write(1, y + 1, "ahead ")
    lane = lane_of(state.lane_ms, min(canvas.width - x - cell_len(tail) - 1, 121), state.middle_word, state.ascii_only)
    canvas.write(x, y, lane.strokes)
    if lane.newest is not None:
        canvas.write(x + lane.newest, y, lane.strokes[lane.newest], "bold reverse")
    canvas.write(canvas.write(x, y + 1, lane.ruler), y + 1, tail)


def strip_cell(state: ScreenState, width: int) -> int:
    """Columns for each beat of the chorus in a strip `width` columns wide; 0: it does not fit."""
    return (width - _STRIP_LABEL - 1) // (BEATS_PER_BAR * len(state.chorus_bars))


def draw_strip(canvas: Canvas, state: ScreenState, y: int) -> None:
    """The last chorus beat by beat, in `STRIP_ROWS` rows from `y`: above the line ahead, below it behind.

    The columns are the beats of the chorus in order, a cross at the head of each bar; what was played in the chorus
    before stands until it is played over.
    """
    n_beats = BEATS_PER_BAR * len(state.chorus_bars)
    cell, middle = strip_cell(state, canvas.width), y + STRIP_ROWS // 2
    on_line, head = ("-", "+") if state.ascii_only else ("─", "┼")
    far, near = f"over {STRIP_STEPS_MS[1]:g} ms", f"under {STRIP_STEPS_MS[1]:g}"
    for row, word in ((-2, f"ahead  {far}"), (-1, near), (0, state.middle_word), (1, near), (2, f"behind  {far}")):
        canvas.write_right(_STRIP_LABEL - 1, middle + row, word)
    line = ((head if beat % BEATS_PER_BAR == 0 else on_line).ljust(cell, on_line) for beat in range(n_beats))
    canvas.write(_STRIP_LABEL, middle, "".join(line))
    first = state.chorus_bars[0].onset_beats
    for ms, beat in list(zip(state.lane_ms, state.lane_beats, strict=True))[-n_beats:]:
        step = sum(abs(ms) > end for end in STRIP_STEPS_MS)
        # The half of its row that is nearer to the line, or the one further off.
        half = ("▀▄" if ms >= 0.0 else "▄▀")[step % 2]
        row = middle + (1 if ms >= 0.0 else -1) * (1 + step // 2)
        stroke = "#" if state.ascii_only else half
        newest = beat == state.lane_beats[-1]
        canvas.write(_STRIP_LABEL + cell * int((beat - first) % n_beats), row, stroke, "bold" if newest else "")


def figures_text(state: ScreenState) -> str:
    figures = state.figures
    if figures is None:
        return ""
    if figures.swing_ratio is None:
        swing = "swing: too little to tell yet"
    else:
        swing = f"swing {figures.swing_ratio:.2f}:1 (band {figures.band_ratio:g}:1, {figures.n_pairs} pairs)"
    landing = f"roots on {figures.roots} of {figures.changes} changes" if figures.changes else ""
    mean = "" if figures.mean_ms is None else _late_or_early(figures.mean_ms)
    return "   ".join(piece for piece in (swing, landing, mean) if piece)


def _late_or_early(ms: float) -> str:
    if round(ms) == 0:
        return "right on the drums"
    return f"{abs(ms):.0f} ms {'behind' if ms > 0 else 'ahead of'} the drums"


def mix_text(mix: tuple[PartLevel, ...], width: int) -> str:
    def cells(short: bool, between: str = " ") -> str:
        out = []
        for number, part in enumerate(mix, 1):
            level = round(part.gain_frac * 100)
            words = [f"{part.number or number} {part.name}"]
            if part.muted:
                words.append("mute")
            elif not short or part.chosen or level != 100:
                words.append(str(level))
            if part.solo:
                words.append("solo")
            out.append(f"[{' '.join(words)}]" if part.chosen else f" {' '.join(words)} ")
        return between.join(out)

    whole = (cells(short=False), cells(short=False, between=""))
    return next((text for text in whole if len(text) <= width), fit(cells(short=True), width))


def help_rows(state: ScreenState) -> tuple[tuple[str, str], ...]:
    """What `?` lists: each key, and what it does."""
    return (*(TYPED_KEYS if state.typing else ()), *KEYS)


def key_lines(state: ScreenState, width: int) -> list[str]:
    if state.calm:
        return ["q stop   ? keys"]
    lines = [next((keys for keys in (KEYS_LONG, KEYS_SHORT) if cell_len(keys) + 2 <= width), KEYS_FEW)]
    if state.typing:
        lines.append(TYPED_LONG if cell_len(TYPED_LONG) + 2 <= width else TYPED_SHORT)
    return [fit(line, width - 2) for line in lines]
