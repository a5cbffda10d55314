"""The tuner: the note in block letters, the cents and their doubt beside it, and a scale, to be read at two metres."""

from __future__ import annotations

from trainer.screen.font import block_rows, block_text, block_width

__all__ = ["tuner_rows"]

SCALE_CENTS = 50
IN_TUNE_CENTS = 3.0  # our choice: about what a good ear hears between two low notes


def tuner_rows(
    name: str | None, cents: float | None, doubt_cents: float | None, width: int, height: int, ascii_only: bool = False
) -> tuple[str, ...]:
    """Rows of plain text, none wider than `width`. Nothing clear: a line that says to let one string ring."""
    if name is None or cents is None:
        return (
            "",
            "let one string ring",
        )
    text = f"{name} {cents:+.0f}"
    largest = max((height - 3) * 2 // 7, 1)
    scale = next((s for s in range(largest, 0, -1) if block_width(text, s) <= width and block_rows(s) <= height - 3), 1)
    rows = list(block_text(text, scale, ascii_only))
    half = min(width - 2, 61) // 2
    lane = ["-" if ascii_only else "─"] * (2 * half + 1)
    lane[half] = "|" if ascii_only else "┃"
    at = half + round(max(-SCALE_CENTS, min(SCALE_CENTS, cents)) / SCALE_CENTS * half)
    lane[at] = "#" if ascii_only else "█"
    doubt = "" if doubt_cents is None else f", sure to {max(doubt_cents, 1.0):.0f}"
    if abs(cents) <= max(IN_TUNE_CENTS, doubt_cents or 0.0):
        word = "in tune"
    else:
        word = "flat: tighten" if cents < 0 else "sharp: loosen"
    return (*rows, "".join(lane), f"{word}   ({cents:+.1f} cents{doubt})")
