"""The form as a grid, any length: rows of four bars (eight from seventeen bars on), this bar marked by shape."""

from __future__ import annotations

from rich.cells import cell_len

from trainer.music import Chord
from trainer.screen.font import block_text, block_width
from trainer.screen.frame import Canvas, fit
from trainer.screen.state import ScreenState
from trainer.session import ChartBar

__all__ = ["chord_text", "degree_text", "draw_grid", "fits_blocks", "per_row"]


def chord_text(chord: Chord, ascii_only: bool = False) -> str:
    """A chord as it is shown: "Bb7" as "B♭7" where the terminal can."""
    root = chord.root if ascii_only else chord.root[0] + chord.root[1:].replace("b", "♭")
    return root + chord.quality


def degree_text(degree: str, ascii_only: bool = False) -> str:
    """A numeral as it is shown: "bVII" as "♭VII", "#iv°" as "#iv°" (ASCII: "#iv dim")."""
    if ascii_only:
        return degree.replace("°", " dim").replace("ø", " half-dim")
    return "♭" + degree[1:] if degree.startswith("b") else degree


def per_row(n_bars: int) -> int:
    return 4 if n_bars <= 16 else 8


def fits_blocks(state: ScreenState, width: int) -> bool:
    bars = state.chorus_bars
    room = (width - 3) // per_row(len(bars)) - 8
    return all(block_width(" ".join(chord_text(chord) for chord in bar.chords), 1) <= room for bar in bars)


def draw_grid(canvas: Canvas, state: ScreenState, y: int, n_shown: int, *, boxed: bool, cell_rows: int) -> None:
    """The chorus as a grid from row `y`: `n_shown` of its rows of bars round this bar, `cell_rows` cells high each."""
    bars = state.chorus_bars
    n_across = per_row(len(bars))
    n_rows = -(-len(bars) // n_across)
    now = state.place_idx
    first_row = 0
    if n_shown < n_rows:
        first_row = min(max(0, max(now, 0) // n_across - n_shown // 2), n_rows - n_shown)
    cell = (canvas.width - 3) // n_across
    row_height = cell_rows + 1 if boxed else 1
    for i in range(n_shown):
        top = y + i * row_height
        if boxed:
            corners = ("┌", "┬", "┐") if i == 0 else ("├", "┼", "┤")
            canvas.write(1, top, _rule(cell, n_across, corners, state.ascii_only))
        first = (first_row + i) * n_across
        for column, idx in enumerate(range(first, min(first + n_across, len(bars)))):
            rows = _bar_rows(bars[idx], cell - 1, cell_rows, state)
            _draw_bar(canvas, 1 + column * cell, top + boxed, cell, rows, now=idx == now)
    foot = y + n_shown * row_height
    if boxed:
        canvas.write(1, foot, _rule(cell, n_across, ("└", "┴", "┘"), state.ascii_only))
    if n_shown < n_rows:
        canvas.write_right(canvas.width - 1, foot - (not boxed), f"{len(bars)} bars in all")


def _bar_rows(bar: ChartBar, width: int, n_rows: int, state: ScreenState) -> tuple[str, ...]:
    if n_rows > 2:
        return _block_cell(bar, width, state)
    return (_cell(bar, width, state), _degrees_cell(bar, width, state))[:n_rows]


def _draw_bar(canvas: Canvas, x: int, y: int, cell: int, rows: tuple[str, ...], *, now: bool) -> None:
    """The rows of a bar between two sides `cell` apart; those of the bar that sounds now between arrows."""
    side = "|" if canvas.ascii_only else "│"
    left, right = (">", "<") if canvas.ascii_only else ("▶", "◀")
    for k, text in enumerate(rows):
        canvas.write(x, y + k, side)
        canvas.write(x + 1, y + k, left + text[1:-1] + right if now else text, "bold reverse" if now else "")
        canvas.write(x + cell, y + k, side)


def _rule(cell: int, per_row: int, corners: tuple[str, str, str], ascii_only: bool) -> str:
    line = "-" if ascii_only else "─"
    left, middle, right = ("+", "+", "+") if ascii_only else corners
    return left + middle.join([line * (cell - 1)] * per_row) + right


def _cell(bar: ChartBar, width: int, state: ScreenState) -> str:
    """One bar of the grid in exactly `width` cells: its number, its chords, and a word for what is special."""
    ascii_only = state.ascii_only
    chords = " ".join(chord_text(chord, ascii_only) for chord in bar.chords)
    word = _mark(bar)
    text = f" {bar.bar:>2} {chords}"
    if word and cell_len(text) + len(word) + 3 <= width:
        text = text + " " * (width - cell_len(text) - len(word) - 2) + word
    elif word == "out" and cell_len(text) + 2 <= width:
        text += " o"
    if cell_len(text) > width - 1:
        text = f" {chords}"
    text = fit(text, width - 1)
    return text + " " * (width - cell_len(text))


def _degrees_cell(bar: ChartBar, width: int, state: ScreenState) -> str:
    """The second row of a bar that is two rows high: its chords' degrees under them."""
    text = fit("    " + " ".join(degree_text(degree, state.ascii_only) for degree in bar.degrees), width - 1)
    return text + " " * (width - cell_len(text))


def _mark(bar: ChartBar) -> str:
    return "end" if bar.final else "out" if bar.drop_out else "stop" if bar.stopped else "pedal" if bar.pedal else ""


def _block_cell(bar: ChartBar, width: int, state: ScreenState) -> tuple[str, ...]:
    """One bar of the grid in block letters: its number and mark to the left, its chords to the right."""
    letters = block_text(" ".join(chord_text(chord, state.ascii_only) for chord in bar.chords), 1, state.ascii_only)
    words = [f"{bar.bar:>2}", _mark(bar)] + [""] * (len(letters) - 2)
    rows = (f" {word:<5.5}{letter}" for word, letter in zip(words, letters, strict=True))
    return tuple(row + " " * (width - cell_len(row)) for row in rows)
