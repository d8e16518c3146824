"""The fonts of everything that is put on paper, and which signs they can draw."""

from __future__ import annotations

from functools import lru_cache
from typing import Any

from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont

PLAIN, BOLD = "Vera", "VeraBd"


@lru_cache(maxsize=1)
def register_fonts() -> None:
    """Make both fonts known; they travel with the drawing library, so that paper looks the same everywhere."""
    for name in (PLAIN, BOLD):
        if name not in pdfmetrics.getRegisteredFontNames():
            pdfmetrics.registerFont(TTFont(name, f"{name}.ttf"))


def drawable(text: str) -> str:
    """The text with whatever the font cannot draw written as an escape, so that nothing vanishes from the page."""
    font: Any = pdfmetrics.getFont(PLAIN)
    known = font.face.charToGlyph
    return "".join(sign if sign.isprintable() and ord(sign) in known else ascii(sign)[1:-1] for sign in text)


def width_of(text: str, size: float, *, bold: bool = False) -> float:
    """How wide a text is, in points, at a size in points."""
    width: float = pdfmetrics.stringWidth(text, BOLD if bold else PLAIN, size)
    return width
