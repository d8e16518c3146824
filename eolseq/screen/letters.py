"""Block letters and digits that can be read from across a hall: five rows high, or three in half blocks."""

from __future__ import annotations

from functools import lru_cache

_GLYPHS = {
    "A": ".###. #...# ##### #...# #...#", "B": "####. #...# ####. #...# ####.",
    "C": ".#### #.... #.... #.... .####", "D": "####. #...# #...# #...# ####.",
    "E": "##### #.... ####. #.... #####", "F": "##### #.... ####. #.... #....", "G": ".#### #.... #..## #...# .####",
    "H": "#...# #...# ##### #...# #...#", "I": "### .#. .#. .#. ###", "J": "..### ...#. ...#. #..#. .##..",
    "L": "#.... #.... #.... #.... #####", "N": "#...# ##..# #.#.# #..## #...#", "O": ".###. #...# #...# #...# .###.",
    "P": "####. #...# ####. #.... #....", "R": "####. #...# ####. #..#. #...#", "S": ".#### #.... .###. ....# ####.",
    "T": "##### ..#.. ..#.. ..#.. ..#..", "U": "#...# #...# #...# #...# .###.", "W": "#...# #...# #.#.# #.#.# .#.#.",
    "M": "#...# ##.## #.#.# #...# #...#", "V": "#...# #...# #...# .#.#. ..#..", "Y": "#...# .#.#. ..#.. ..#.. ..#..",
    "K": "#...# #..#. ###.. #..#. #...#", " ": ".. .. .. .. ..",
    "0": "#### #..# #..# #..# ####", "1": ".#. ##. .#. .#. ###", "2": "#### ...# #### #... ####",
    "3": "#### ...# .### ...# ####", "4": "#..# #..# #### ...# ...#", "5": "#### #... #### ...# ####",
    "6": "#### #... #### #..# ####", "7": "#### ...# ..#. ..#. ..#.", "8": "#### #..# #### #..# ####",
    "9": "#### #..# #### ...# ####", ".": ". . . . #", "-": "... ... ### ... ...",
}
_HALVES = {"..": " ", "#.": "▀", ".#": "▄", "##": "█"}


def drawable(text: str) -> bool:
    """Whether there is a block letter for every character."""
    return all(c in _GLYPHS for c in text)


@lru_cache(maxsize=64)
def tall(text: str, width: int) -> tuple[str, ...]:
    """Five rows of block letters, as wide as fits into ``width`` columns; nothing if even the narrow ones do not."""
    for scale, gap in ((2, 2), (2, 1), (1, 1)):
        rows = _pixels(text, scale, gap)
        if len(rows[0]) <= width:
            return tuple(row.replace(".", " ").replace("#", "█") for row in rows)
    return ()


@lru_cache(maxsize=256)
def small(text: str) -> tuple[str, ...]:
    """Three rows of block letters in half blocks."""
    rows = [*_pixels(text, 1, 1), ""]
    rows[5] = "." * len(rows[0])
    return tuple("".join(_HALVES[a + b] for a, b in zip(rows[i], rows[i + 1], strict=True)) for i in (0, 2, 4))


def _pixels(text: str, scale: int, gap: int) -> list[str]:
    glyphs = [_GLYPHS[c].split() for c in text]
    return [("." * gap).join("".join(c * scale for c in glyph[row]) for glyph in glyphs) for row in range(5)]
