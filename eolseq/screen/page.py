"""A page of the manual on a terminal, without colours: those belong to safety."""

from __future__ import annotations

from typing import TextIO

from rich.console import Console, ConsoleOptions, RenderResult
from rich.markdown import Markdown, TableElement
from rich.table import Table

WIDEST = 110  # columns; longer lines are hard to read


class _WholeWords(TableElement):
    """A table whose first column, the keys, is never cut, and whose long words go on in the next line."""

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        for table in super().__rich_console__(console, options):
            if isinstance(table, Table) and table.columns:
                for column in table.columns:
                    column.overflow = "fold"
                table.columns[0].no_wrap = True
            yield table


class _Page(Markdown):
    elements = {**Markdown.elements, "table_open": _WholeWords}  # noqa: RUF012, it is so in the class above


def show_page(text: str, stream: TextIO) -> None:
    """Draw a text in Markdown, no wider than people like to read."""
    console = Console(file=stream, no_color=True, highlight=False)
    console.print(_Page(text, hyperlinks=False), width=min(console.width, WIDEST))
