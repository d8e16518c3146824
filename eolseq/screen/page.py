"""A page of the manual on a terminal, without colours: those belong to safety."""

from __future__ import annotations

from typing import TextIO

WIDEST = 110  # columns; longer lines are hard to read


def show_page(text: str, stream: TextIO) -> None:
    """Draw a text in Markdown, no wider than people like to read."""
    from rich.console import Console
    from rich.markdown import Markdown

    console = Console(file=stream, no_color=True, highlight=False)
    console.print(Markdown(text, hyperlinks=False), width=min(console.width, WIDEST))
