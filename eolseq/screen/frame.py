"""Rows of styled text as something rich can show. Colour belongs to safety; everything else is light, dark, inverse."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from rich.cells import cell_len, set_cell_size
from rich.console import Console, ConsoleOptions
from rich.segment import Segment
from rich.style import Style

Span = tuple[str, str]
"""Text and the name of its style."""
Row = list[Span]

COLOURED = {
    "": Style(),
    "bold": Style(bold=True),
    "quiet": Style(dim=True),
    "inverse": Style(reverse=True, bold=True),
    "DANGER": Style(color="bright_white", bgcolor="red", bold=True),
    "WARNING": Style(color="black", bgcolor="color(208)", bold=True),
    "red lamp": Style(color="bright_white", bgcolor="red", bold=True),
    "green lamp": Style(color="black", bgcolor="green", bold=True),
}
UNCOLOURED = COLOURED | {name: Style(reverse=True, bold=True) for name in ("DANGER", "WARNING")} | {
    name: Style(bold=True) for name in ("red lamp", "green lamp")}
# The nearest of sixteen colours to the orange of WARNING would be a red, and red means voltage.
SIXTEEN = COLOURED | {"WARNING": Style(color="black", bgcolor="yellow", bold=True)}


@dataclass(frozen=True)
class Frame:
    """A picture: rows of spans, each row already fitted to the width in columns."""

    rows: Sequence[Row]
    width: int

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> Iterator[Segment]:
        """Give rich its segments; without colour the signal words are inverse instead."""
        styles = _styles(console)
        line = Segment.line()
        for row in self.rows:
            for text, style in row:
                yield Segment(text, styles[style])
            yield line

    def text(self) -> str:
        """The picture without any style."""
        return "\n".join("".join(text for text, _ in row).rstrip() for row in self.rows)


def _styles(console: Console) -> dict[str, Style]:
    if console.no_color or console.color_system is None:
        return UNCOLOURED
    return SIXTEEN if console.color_system in ("standard", "windows") else COLOURED


def columns(text: str) -> int:
    """How many terminal columns a text takes."""
    return len(text) if text.isascii() else cell_len(text)


def fit(text: str, width: int) -> str:
    """The text cut or padded to exactly so many columns; a cut ends in an ellipsis."""
    if width <= 0:
        return ""
    size = columns(text)
    if size <= width:
        return text + " " * (width - size)
    return set_cell_size(text, width - 1) + "…"


def fit_right(text: str, width: int) -> str:
    """As ``fit``, but set to the right."""
    size = columns(text)
    return " " * (width - size) + text if size < width else fit(text, width)


def ends(left: str, right: str, width: int) -> str:
    """Two texts at the two ends of so many columns; the left one gives way."""
    size = columns(right)
    return fit(left, width - size - 1) + " " + right if 0 < size < width else fit(left or right, width)
