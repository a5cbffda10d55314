"""Block letters: a small bitmap alphabet of our own, scaled by whole factors and drawn in half blocks.

A glyph is seven pixels high and one to five wide. A pixel is square on a usual terminal: one column by half a row,
times the scale. With `ascii_only` a cell is "#" where either half is set (scales of 2 and more stay exact).
"""

from __future__ import annotations

from functools import lru_cache

__all__ = ["GLYPH_PIXELS_HIGH", "block_rows", "block_text", "block_width"]

GLYPH_PIXELS_HIGH = 7

_SHEET = """
A .###. #...# #...# ##### #...# #...# #...#
B ####. #...# #...# ####. #...# #...# ####.
C .#### #.... #.... #.... #.... #.... .####
D ####. #...# #...# #...# #...# #...# ####.
E ##### #.... #.... ####. #.... #.... #####
F ##### #.... #.... ####. #.... #.... #....
G .#### #.... #.... #..## #...# #...# .###.
H #...# #...# #...# ##### #...# #...# #...#
I ### .#. .#. .#. .#. .#. ###
J ...## ....# ....# ....# #...# #...# .###.
K #...# #..#. #.#.. ##... #.#.. #..#. #...#
L #.... #.... #.... #.... #.... #.... #####
M #...# ##.## #.#.# #.#.# #...# #...# #...#
N #...# ##..# ##..# #.#.# #..## #..## #...#
O .###. #...# #...# #...# #...# #...# .###.
P ####. #...# #...# ####. #.... #.... #....
Q .###. #...# #...# #...# #.#.# #..#. .##.#
R ####. #...# #...# ####. #.#.. #..#. #...#
S .#### #.... #.... .###. ....# ....# ####.
T ##### ..#.. ..#.. ..#.. ..#.. ..#.. ..#..
U #...# #...# #...# #...# #...# #...# .###.
V #...# #...# #...# #...# .#.#. .#.#. ..#..
W #...# #...# #...# #.#.# #.#.# ##.## #...#
X #...# #...# .#.#. ..#.. .#.#. #...# #...#
Y #...# #...# .#.#. ..#.. ..#.. ..#.. ..#..
Z ##### ....# ...#. ..#.. .#... #.... #####
a ..... ..... .###. ....# .#### #...# .####
b #.... #.... ####. #...# #...# #...# ####.
d ....# ....# .#### #...# #...# #...# .####
g ..... ..... .#### #...# .#### ....# ####.
i # . # # # # #
j ..# ... ..# ..# ..# #.# .#.
m ..... ..... ##.#. #.#.# #.#.# #.#.# #.#.#
s .... .... .### #... .##. ...# ###.
u .... .... #..# #..# #..# #..# .###
v ..... ..... #...# #...# .#.#. .#.#. ..#..
x ..... ..... #...# .#.#. ..#.. .#.#. #...#
o ..... ..... .###. #...# #...# #...# .###.
0 .###. #...# #..## #.#.# ##..# #...# .###.
1 .#. ##. .#. .#. .#. .#. ###
2 .###. #...# ....# ...#. ..#.. .#... #####
3 ####. ....# ....# .###. ....# ....# ####.
4 #..#. #..#. #..#. ##### ...#. ...#. ...#.
5 ##### #.... ####. ....# ....# #...# .###.
6 ..##. .#... #.... ####. #...# #...# .###.
7 ##### ....# ...#. ...#. ..#.. ..#.. ..#..
8 .###. #...# #...# .###. #...# #...# .###.
9 .###. #...# #...# .#### ....# ...#. .##..
# .#.#. .#.#. ##### .#.#. ##### .#.#. .#.#.
♭ #... #... #.#. ##.# #..# #.#. ##..
° .#. #.# .#. ... ... ... ...
ø ...#. .##.. #.##. ##.#. .##.. #.... .....
+ ..... ..#.. ..#.. ##### ..#.. ..#.. .....
- .... .... .... #### .... .... ....
/ ....# ....# ...#. ..#.. .#... #.... #....
? .###. #...# ....# ...#. ..#.. ..... ..#..
"""


def _read_sheet() -> dict[str, tuple[str, ...]]:
    out: dict[str, tuple[str, ...]] = {" ": ("...",) * GLYPH_PIXELS_HIGH}
    for line in _SHEET.strip().splitlines():
        character, *rows = line.split()
        out[character] = tuple(rows)
    return out


_GLYPHS = _read_sheet()


def block_width(text: str, scale: int) -> int:
    """Columns that `text` takes at a scale (one pixel of space between glyphs); 0 for no text."""
    if not text:
        return 0
    pixels = sum(len(_GLYPHS.get(c, _GLYPHS["?"])[0]) for c in text) + len(text) - 1
    return pixels * scale


def block_rows(scale: int) -> int:
    """Terminal rows that a line of block letters takes at a scale: 4, 7, 11, 14 for 1, 2, 3, 4."""
    return -(-GLYPH_PIXELS_HIGH * scale // 2)


@lru_cache(maxsize=256)
def block_text(text: str, scale: int, ascii_only: bool = False) -> tuple[str, ...]:
    """`text` in block letters: `block_rows(scale)` strings of `block_width(text, scale)` characters.

    A character that the alphabet does not have is drawn as "?". An odd number of half rows leaves the last half empty.
    """
    pixel_rows = []
    for y in range(GLYPH_PIXELS_HIGH):
        row = ".".join(_GLYPHS.get(c, _GLYPHS["?"])[y] for c in text)
        wide = "".join(pixel * scale for pixel in row)
        pixel_rows += [wide] * scale
    if len(pixel_rows) % 2:
        pixel_rows.append("." * len(pixel_rows[0]))
    cells = {"..": " ", "#.": "▀", ".#": "▄", "##": "█"}
    if ascii_only:
        cells = {"..": " ", "#.": "#", ".#": "#", "##": "#"}
    return tuple(
        "".join(cells[upper + lower] for upper, lower in zip(top, bottom, strict=True))
        for top, bottom in zip(pixel_rows[::2], pixel_rows[1::2], strict=True)
    )
