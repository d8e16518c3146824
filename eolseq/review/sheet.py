"""The review on A4, to be signed and filed: the figures, and the log's size and root, so that the paper is a witness.

Black and white, since colour belongs to safety. The same review gives the same bytes. Imported only when a page is
asked for, because it loads a drawing library.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from io import BytesIO
from typing import Any
from xml.sax.saxutils import escape

from reportlab.lib import colors
from reportlab.lib.pagesizes import A4
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.platypus import BaseDocTemplate, Flowable, Frame, KeepTogether, PageTemplate, Paragraph, Spacer, Table
from reportlab.platypus.doctemplate import LayoutError

from eolseq.errors import WrongUse
from eolseq.records.ink import BOLD, PLAIN, drawable, register_fonts
from eolseq.review import times, words
from eolseq.review.chance import Share
from eolseq.review.review import Review
from eolseq.review.window import AN_EARLIER, SHIFT

_WIDTH = A4[0] - 30 * mm
_BAR = 32 * mm
_ALL = ((0, 0), (-1, -1))
_PAD: list[Any] = [("TOPPADDING", *_ALL, 1), ("BOTTOMPADDING", *_ALL, 1), ("LEFTPADDING", *_ALL, 0),
                   ("RIGHTPADDING", *_ALL, 4), ("VALIGN", *_ALL, "TOP")]
_LONGEST_TEXT = 1000  # characters; a longer one could outgrow a page
_MOST = 7  # rows of a list, so that a shift has room on one page; the document has all
_ROWS = {words.MEANS: 3, words.HOURS: words.DAY}  # long sentences; a list that is said whole
_LOOKS = 12


def _style(name: str, size: float, *, bold: bool = False, **more: Any) -> ParagraphStyle:
    return ParagraphStyle(name, fontName=BOLD if bold else PLAIN, fontSize=size, leading=size * 1.25, **more)


_TEXT, _STRONG, _SMALL = _style("text", 8), _style("strong", 8, bold=True), _style("small", 6.5)
_HEAD = _style("head", 9, bold=True, spaceBefore=6, spaceAfter=1, keepWithNext=1)
_TITLE, _LARGE = _style("title", 15, bold=True), _style("large", 22, bold=True)
_PACE = _style("pace", 18, bold=True)


class ShareDrawing(Flowable):
    """A share as a mark on a line from 0 to 100 %, with its interval as a bar."""

    def __init__(self, share: Share) -> None:
        super().__init__()
        self._share, self.width, self.height = share, _BAR, 9.0

    def draw(self) -> None:
        """Draw the line, the bar of the interval, and the mark."""
        canvas, middle = self.canv, self.height / 2
        canvas.setLineWidth(0.4)
        canvas.line(0, middle, _BAR, middle)
        for end in (0.0, _BAR):
            canvas.line(end, 1, end, self.height - 1)
        if not self._share.of:
            return
        low, high = self._share.low * _BAR, self._share.high * _BAR
        canvas.setFillGray(0.65)
        canvas.rect(low, middle - 2, max(high - low, 0.5), 4, stroke=0, fill=1)
        canvas.setLineWidth(1.6)
        at = self._share.value * _BAR
        canvas.line(at, 0.5, at, self.height - 0.5)


def pdf_of(review: Review) -> bytes:
    """The page, or pages, as a PDF file."""
    register_fonts()
    out = BytesIO()
    document = BaseDocTemplate(out, pagesize=A4, invariant=1, title=f"Line review, {_title(review)}",
                               author=review.log.origin)
    frame = Frame(15 * mm, 16 * mm, _WIDTH, A4[1] - 28 * mm, leftPadding=0, rightPadding=0, topPadding=0,
                  bottomPadding=0)
    document.addPageTemplates(PageTemplate("page", [frame], onPage=lambda canvas, _: _foot(canvas, review)))
    try:
        document.build(list(_story(review)))
    except LayoutError as error:
        raise WrongUse("This review cannot be laid out on pages.", "Use --json, and report this mistake.") from error
    return out.getvalue()


def _foot(canvas: Any, review: Review) -> None:
    """The log's size and root on every page, and the page's number."""
    canvas.setFont(PLAIN, 6.5)
    mark = "SIMULATED   " if review.log.simulated else ""
    canvas.drawString(15 * mm, 9 * mm, f"{mark}{review.log.size} entries, root {review.log.root}")
    canvas.drawRightString(A4[0] - 15 * mm, 9 * mm, f"page {canvas.getPageNumber()}")


def _story(review: Review) -> Iterator[Flowable]:
    yield from _top(review)
    found = words.looks(review)
    yield _text("Look at this" if found else words.nothing(review), _HEAD)
    yield from (_text(f"! {each}", _STRONG) for each in found[:_LOOKS])
    yield from _yields(review)
    for title, rows in words.sections(review):
        yield from _section(title, rows, _ROWS.get(title, _MOST))
    yield KeepTogether(list(_witness(review)))


def _top(review: Review) -> Iterator[Flowable]:
    if review.log.simulated:
        strip = _text("SIMULATED: says nothing about a real line", _style("strip", 12, bold=True, alignment=1))
        yield Table([[strip]], [_WIDTH], style=[("BOX", *_ALL, 2, colors.black), ("BOTTOMPADDING", *_ALL, 6)])
        yield Spacer(0, 4)
    share = review.first_pass
    few = f"{share.number} of {share.of}" if share.of else "no unit"
    large = few if share.of < words.FEW else words.percent(share.value)
    name = f"Line review, {review.log.origin.rpartition('/')[0]}"
    yield from (_text(name, _STRONG), _text(_title(review), _TITLE), Spacer(0, 4))
    left = [_text(each) for each in words.facts(review)]
    right: list[Flowable] = [_text("first-pass yield"), _text(large, _LARGE), Spacer(0, 8),
                             _text(words.share_words(share) + ", 95 %", _SMALL), ShareDrawing(share)]
    pace: list[Flowable] = [_text("against the takt"), _text(times.behind(review), _PACE), Spacer(0, 13),
                            _text(f"{times.tested(review)} tested, {review.asked} asked for", _SMALL)]
    row: list[Any] = [left, right, pace if review.asked is not None else []]
    yield Table([row], [_WIDTH - 108 * mm, 58 * mm, 50 * mm],
                style=[("VALIGN", *_ALL, "TOP"), ("LEFTPADDING", *_ALL, 0)])


def _title(review: Review) -> str:
    """What was looked at; on paper, which is read later, a shift has its date and not its place in a row."""
    if not review.window.startswith((SHIFT, AN_EARLIER)) or review.began is None:
        return review.window
    day, time, zone = times.stamp(review, review.began.first).split()
    return f"the shift of {day}, {time} {zone}"


def _yields(review: Review) -> Iterator[Flowable]:
    models = [(name, share, words.share_words(share)) for name, share in review.by_model]
    for title, rows in (("First pass by model", models), ("First pass by bay", words.bay_rows(review))):
        if rows:
            yield _text(title, _HEAD)
            cells = [[_text(name, _STRONG), ShareDrawing(share), _text(said)] for name, share, said in rows]
            yield Table(cells, [22 * mm, _BAR + 5 * mm, _WIDTH - _BAR - 27 * mm], style=_PAD, hAlign="LEFT")


def _section(title: str, rows: Sequence[words.Row], most: int) -> Iterator[Flowable]:
    if not rows:
        return
    yield _text(title[:1].upper() + title[1:], _HEAD)
    figures = any(each.figure for each in rows)
    for figure, told in rows[:most]:
        if figures:
            yield Table([[_text(figure, _STRONG), _text(told)]], [26 * mm, _WIDTH - 26 * mm], style=_PAD)
        else:
            yield _text(told)
    if len(rows) > most:
        yield _text(f"and {len(rows) - most} more; --json has all")


def _witness(review: Review) -> Iterator[Flowable]:
    log = review.log
    yield _text("This paper is a witness", _HEAD)
    yield _text(f"Log {log.origin}: {log.size} entries, Merkle root (SHA-256) {log.root}. Whoever keeps this page can "
                "show later whether these entries were changed: the root over the first "
                f"{log.size} entries must still be this one (eolseq review --paper {log.size} ROOT).")
    yield Spacer(0, 22)
    yield Table([[_text("read by", _SMALL), _text("date and signature", _SMALL)]], [60 * mm, 90 * mm],
                style=[*_PAD, ("LINEABOVE", *_ALL, 0.5, colors.black)], hAlign="LEFT")


def _text(text: str, style: ParagraphStyle = _TEXT) -> Paragraph:
    if len(text) > _LONGEST_TEXT:
        text = text[:_LONGEST_TEXT] + " ... (cut here; --json has it whole)"
    return Paragraph(escape(drawable(text)), style)
