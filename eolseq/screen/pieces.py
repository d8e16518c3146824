"""What is to be read about a bay, in pieces: orders before reasons; laid into rows, so that what was cut is known."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from eolseq.line.shift_events import Situation
from eolseq.screen.frame import Row, columns, fit
from eolseq.screen.shift_model import ShiftView
from eolseq.screen.words import clean

_LEAST = 12  # columns below which a line of text is not begun


class Piece(NamedTuple):
    """A text about a bay; ``label`` is the word of a note, or empty. ``order``: it says what to do."""

    label: str
    text: str
    order: bool = False


def pieces_of(view: ShiftView) -> list[Piece]:
    """Everything that is to be read about a bay: what to do first, then why.

    After a refusal its own order comes before what the bay waits for, which its large word says as well.
    """
    note, stands = view.note, view.stands
    if view.testing:
        do, why = view.run.instruction or "Wait.", ""
    else:
        do, why = (stands.do or "Wait.", stands.why) if stands is not None else ("Wait.", "")
    found = [Piece("", do, True)]
    if note is not None:
        said = Piece(note.word, note.do or note.sentence, bool(note.do) or not note.call)
        own = bool(note.do) and note.do not in do
        first = said.order and (own or not note.do)
        rest = Piece(note.word, note.why if own or not note.do else note.sentence)
        generic = own and view.over is None and not view.testing
        if first and view.situation is Situation.OUT_OF_USE:  # what is out stays so, whatever was said of a unit
            found.append(said)
        elif first:
            found = [said, Piece("", do, not generic)]
        found += [rest] if not first or (rest.text and rest.text != said.text) else []
    return found + ([Piece("", why)] if why else [])


def flow(pieces: Sequence[Piece], name: str, widths: Sequence[int]) -> tuple[list[Row], list[Piece]]:
    """The pieces in lines of these widths, each begun on a line of its own with the bay's name; those not whole."""
    lines: list[Row] = []
    left: list[Piece] = []
    for piece in pieces:
        room = widths[len(lines):]
        head: Row = [(f" {name} {piece.label} ", "inverse"), (" ", "")] if piece.label else [(f"{name}: ", "bold")]
        taken = sum(columns(text) for text, _ in head)
        if not room or room[0] - taken < _LEAST:
            left.append(piece)
            continue
        texts, whole = lay(piece.text, [room[0] - taken, *room[1:]])
        if not whole:
            left.append(piece)
        lines.append([*head, (fit(texts[0], room[0] - taken), "bold")])
        lines += [[(fit(text, wide), "bold")] for text, wide in zip(texts[1:], room[1:], strict=False)]
    return lines, left


def lay(text: str, widths: Sequence[int]) -> tuple[list[str], bool]:
    """A text in at most as many lines as there are widths, and whether that is all; a cut ends in an ellipsis."""
    lines, rest = [], _words(clean(text), max(1, min(widths)))
    for number, width in enumerate(widths):
        line, rest = _line(rest, width)
        if rest and number == len(widths) - 1:
            line, _ = _line(line.split(" "), width - 2)
            line += " …"
        lines.append(line)
        if not rest:
            break
    return lines, not rest


def paged(text: str, widths: Sequence[int]) -> list[list[str]]:
    """All of a text in as many pages of lines of these widths as it needs."""
    pages, rest = [], _words(clean(text), max(1, min(widths)))
    while rest:
        page = []
        for width in widths:
            line, rest = _line(rest, width)
            page.append(line)
        pages.append(page)
    return pages


def _words(text: str, most: int) -> list[str]:
    """The words of a text; one that is longer than a line is cut into parts, of which none is lost."""
    found: list[str] = []
    for word in text.split():
        while columns(word) > most:
            size = next(n for n in range(len(word), 0, -1) if n == 1 or columns(word[:n]) <= most)
            found.append(word[:size])
            word = word[size:]
        found += [word] if word else []
    return found


def _line(words: list[str], width: int) -> tuple[str, list[str]]:
    """As many words as go into a width, and those left."""
    taken = 0
    for number, word in enumerate(words):
        taken += columns(word) + (number > 0)
        if taken > width:
            return " ".join(words[:number]), words[number:]
    return " ".join(words), []
