"""What is read from near, as texts: the lane of the last notes, running figures, the mixer, the keys."""

from __future__ import annotations

from rich.cells import cell_len

from trainer.screen.frame import fit
from trainer.screen.state import PartLevel, ScreenState

__all__ = ["LANE_RANGE_MS", "figures_text", "key_lines", "lane_text", "mix_text"]

LANE_RANGE_MS = 60.0  # either side of the beat; wide enough for a beginner's spread. Our choice


def lane_text(lane_ms: tuple[float, ...], width: int, ascii_only: bool = False) -> str:
    """The last notes against the beat, `width` characters: early to the left, late to the right, the newest largest."""
    width = max(5, width - (width + 1) % 2)
    middle = width // 2
    old, recent, newest, centre, line = (".", "o", "O", "+", "-") if ascii_only else ("·", "•", "●", "┼", "─")
    left, right = ("<", ">") if ascii_only else ("◀", "▶")
    cells = [line] * width
    cells[middle] = centre
    notes = lane_ms[-12:]
    for i, ms in enumerate(notes):
        age = len(notes) - 1 - i
        mark = newest if age == 0 else recent if age <= 3 else old
        place = middle + round(ms / LANE_RANGE_MS * middle)
        if place < 0:
            place, mark = 0, left
        elif place >= width:
            place, mark = width - 1, right
        cells[place] = mark
    return "".join(cells)


def figures_text(state: ScreenState) -> str:
    figures = state.figures
    if figures is None:
        return ""
    if figures.swing_ratio is None:
        swing = f"swing: too few pairs yet ({figures.n_pairs})"
    else:
        swing = f"swing {figures.swing_ratio:.2f}:1 (band {figures.band_ratio:g}:1, {figures.n_pairs} pairs)"
    landing = f"roots on {figures.roots} of {figures.changes} changes"
    mean = "" if figures.mean_ms is None else f"{abs(figures.mean_ms):.0f} ms {_side(figures.mean_ms)}"
    return "   ".join(piece for piece in (swing, landing, mean) if piece)


def _side(ms: float) -> str:
    return "late" if ms > 0 else "early" if ms < 0 else "on the beat"


def mix_text(mix: tuple[PartLevel, ...], width: int) -> str:
    def cells(short: bool) -> str:
        out = []
        for number, part in enumerate(mix, 1):
            level = round(part.gain_frac * 100)
            words = [f"{number} {part.name}"]
            if part.muted:
                words.append("mute")
            elif not short or part.chosen or level != 100:
                words.append(str(level))
            if part.solo:
                words.append("solo")
            out.append(f"[{' '.join(words)}]" if part.chosen else f" {' '.join(words)} ")
        return " ".join(out)

    whole = cells(short=False)
    return whole if len(whole) <= width else fit(cells(short=True), width)


def key_lines(state: ScreenState, width: int) -> list[str]:
    lines = ["q stop  p pause  r chorus top  [ ] tempo next run  1-6 part  m mute  o solo  - = vol"]
    if width < cell_len(lines[0]) + 2:
        lines = ["q stop  p pause  r top  [ ] next tempo  1-6 part  m mute  o solo  -= vol"]
    if state.typing:
        lines.append("notes: a s d f g h j k l ; degrees of the key   space: root of the chord")
    return [fit(line, width - 2) for line in lines]
