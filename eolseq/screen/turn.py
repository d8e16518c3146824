"""What does not fit into the frames of the bays: shown whole in turn, in two rows at the foot, with its bay's name."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from eolseq.line.bay_events import Busy
from eolseq.screen.frame import Row, columns, fit
from eolseq.screen.pieces import Piece, paged
from eolseq.screen.words import clean

SECONDS = 6.0  # for which a page stands: some twenty words
ROWS = 2


class Page(NamedTuple):
    """One page of a text at the foot: whose it is, which page of how many, and its lines."""

    label: str
    number: int
    pages: int
    lines: tuple[str, ...]


class Turn:
    """Which page stands, and since when; the next one takes its place after SECONDS."""

    def __init__(self) -> None:
        self._stands: Page | None = None
        self._at = 0
        self._since = 0.0

    def page(self, pages: list[Page], now: float) -> Page:
        """The page of these, of which there is at least one, that stands at the monotonic time ``now``, in seconds."""
        gone = self._stands not in pages
        if gone or now - self._since >= SECONDS:
            if not gone and self._stands is not None:
                self._at = pages.index(self._stands) + 1
            self._at %= len(pages)
            self._stands, self._since = pages[self._at], now
        return self._stands or pages[0]


def pages_of(cut: Mapping[str, list[Piece]], width: int) -> list[Page]:
    """Every piece that was cut somewhere, on pages; bays about which the same is said share them."""
    told: dict[Piece, list[str]] = {}
    for bay, pieces in cut.items():
        for piece in pieces:
            told.setdefault(piece, []).append(clean(bay))
    return [page for piece, bays in told.items()
            for page in _pages(f"{', '.join(bays)} {clean(piece.label)}".strip(), piece.text, width)]


def instrument_pages(busy: Busy | None, width: int) -> list[Page]:
    """Which instruments are in use by which bay, and who waits for them; none where nobody has or wants any."""
    if busy is None or not (busy.held or busy.waiting):
        return []
    by: dict[str, list[str]] = {}
    for name, bay in busy.held:
        by.setdefault(bay, []).append(clean(name))
    held = [f"{clean(bay)} has {', '.join(names)}" for bay, names in by.items()]
    waits = [f"{clean(bay)} waits for {', '.join(map(clean, names))}" for bay, names in busy.waiting]
    return _pages("instruments", "; ".join([*held, *waits]), width)


def page_rows(page: Page, width: int) -> list[Row]:
    """A page in its rows, under its label."""
    head = _label(page.label, page.number, page.pages)
    first: Row = [(head, "inverse"), (fit(f" {page.lines[0]}", width - columns(head)), "bold")]
    return [first, *([(fit(f" {line}", width), "bold")] for line in page.lines[1:])]


def _pages(label: str, text: str, width: int) -> list[Page]:
    label = fit(label, min(columns(label), width // 2))
    lines = paged(text, [width - columns(_label(label, 9, 9)) - 2] + [width - 2] * (ROWS - 1))
    if len(lines) > 9:
        lines = paged(text, [width - columns(_label(label, 99, 99)) - 2] + [width - 2] * (ROWS - 1))
    return [Page(label, number, len(lines), tuple(each)) for number, each in enumerate(lines, 1)]


def _label(label: str, number: int, count: int) -> str:
    return f" {label} {f'{number}/{count} ' if count > 1 else ''}"
