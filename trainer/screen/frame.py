"""A drawn screen: exactly so many rows of exactly so many columns, as a rich renderable and as plain text.

Because every frame covers every cell, a new frame painted over the old one needs no clearing, so nothing flickers;
`repaint` goes further and writes only the rows that changed.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterator
from dataclasses import dataclass

from rich.cells import cell_len
from rich.console import Console, ConsoleOptions, RenderResult
from rich.measure import Measurement
from rich.segment import Segment
from rich.style import Style

__all__ = ["Canvas", "Frame", "clean_text", "fit", "repaint"]

# What stands for the signs of ours that a terminal without Unicode cannot show; anything else becomes "?".
_PLAINER = {"…": ".", "·": "-", "–": "-", "♭": "b", "♯": "#", "°": "o", "ø": "0", "“": '"', "”": '"', "’": "'"}

Run = tuple[str, str]  # text, style: "" plain, "bold", "reverse", "bold reverse"

_STYLES = {name: Style.parse(name) for name in ("bold", "reverse", "bold reverse")}
_SGR = {"": "", "bold": "\x1b[1m", "reverse": "\x1b[7m", "bold reverse": "\x1b[1;7m"}


def clean_text(text: str) -> str:
    """`text` from a file made safe for a terminal: control characters and marks without width become spaces or go."""
    out = []
    for c in text:
        category = unicodedata.category(c)
        if category in ("Cc", "Zl", "Zp"):
            out.append(" ")
        elif category not in ("Cf", "Cs", "Co", "Cn", "Mn", "Me"):
            out.append(c)
    return "".join(out)


def fit(text: str, width: int, ellipsis: str = "…") -> str:
    """`text` cut to at most `width` cells, with an ellipsis where something was left out."""
    if cell_len(text) <= width:
        return text
    if width <= 0:
        return ""
    keep = ""
    for c in text:
        if cell_len(keep + c + ellipsis) > width:
            break
        keep += c
    return keep + ellipsis if cell_len(keep + ellipsis) <= width else ""


@dataclass(frozen=True, slots=True)
class Frame:
    """Rows of styled runs, each row exactly `width` cells wide."""

    width: int
    rows: tuple[tuple[Run, ...], ...]

    @property
    def plain(self) -> str:
        """The frame as text, one line a row, without trailing spaces."""
        return "\n".join("".join(text for text, _ in row).rstrip() for row in self.rows)

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        for i, row in enumerate(self.rows):
            if i:
                yield Segment.line()
            for text, style in row:
                yield Segment(text, _STYLES.get(style))

    def __rich_measure__(self, console: Console, options: ConsoleOptions) -> Measurement:
        return Measurement(self.width, self.width)


class Canvas:
    """A grid of cells to write on; what falls outside is dropped. Wide characters take two cells.

    `ascii_only` writes a plain stand-in for every character that is not ASCII.
    """

    def __init__(self, width: int, height: int, *, ascii_only: bool = False) -> None:
        self.width = width
        self.height = height
        self.ascii_only = ascii_only
        self._chars = [[" "] * width for _ in range(height)]
        self._styles = [[""] * width for _ in range(height)]

    def write(self, x: int, y: int, text: str, style: str = "") -> int:
        """Write `text` from cell (x, y) to the right; the x after its last cell."""
        if not 0 <= y < self.height:
            return x + len(text)
        chars, styles = self._chars[y], self._styles[y]
        if not text.isprintable():
            text = clean_text(text)
        if self.ascii_only and not text.isascii():
            text = "".join(c if c.isascii() else _PLAINER.get(c, "?" * cell_len(c)) for c in text)
        for c in text:
            cells = 1 if c < "\u0300" else cell_len(c)
            if cells and x >= 0 and x + cells <= self.width:  # what has no width of its own has no cell to stand in
                chars[x] = c
                styles[x] = style
                if cells == 2:
                    chars[x + 1] = ""
                    styles[x + 1] = style
            x += cells
        return x

    def write_right(self, x_end: int, y: int, text: str, style: str = "") -> None:
        """Write `text` so that it ends before cell `x_end`."""
        self.write(x_end - cell_len(text), y, text, style)

    def write_block(self, x: int, y: int, rows: tuple[str, ...], style: str = "") -> None:
        for i, row in enumerate(rows):
            self.write(x, y + i, row, style)

    def frame(self) -> Frame:
        return Frame(self.width, tuple(tuple(self._runs(y)) for y in range(self.height)))

    def _runs(self, y: int) -> Iterator[Run]:
        chars, styles = self._chars[y], self._styles[y]
        start = 0
        for x in range(1, self.width + 1):
            if x == self.width or styles[x] != styles[start]:
                yield "".join(chars[start:x]), styles[start]
                start = x


def repaint(frame: Frame, previous: Frame | None = None, *, plain: bool = False) -> str:
    """The characters that turn the terminal from showing `previous` into showing `frame`: changed rows only.

    Cursor addressing and attributes after ECMA-48 (CUP, SGR). None, or another size, repaints every row. `plain`
    leaves out the attributes.
    """
    same_size = previous is not None and previous.width == frame.width and len(previous.rows) == len(frame.rows)
    out = []
    for y, row in enumerate(frame.rows):
        if same_size and previous is not None and previous.rows[y] == row:
            continue
        out.append(f"\x1b[{y + 1};1H")
        for text, style in row:
            attributes = "" if plain else _SGR[style]
            out.append(f"{attributes}{text}\x1b[0m" if attributes else text)
    return "".join(out)
