"""The page to file: what ``filing.py`` gathered, on A4. Black and white, since colour belongs to safety.

The same record gives the same bytes. Imported only when a page is asked for, because it loads a drawing library.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from io import BytesIO
from typing import Any
from xml.sax.saxutils import escape

from reportlab.lib import colors
from reportlab.lib.pagesizes import A4
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.platypus import BaseDocTemplate, Flowable, Frame, KeepTogether, PageTemplate, Paragraph, Spacer, Table

from eolseq.records.band_drawing import BandDrawing
from eolseq.records.filing import Line, Sheet, StepPart
from eolseq.records.ink import BOLD, PLAIN, drawable, register_fonts

_WIDTH = A4[0] - 30 * mm
_BAND = 46 * mm
_COLUMNS = [38 * mm, 40 * mm, _BAND + 4 * mm, 34 * mm, _WIDTH - _BAND - 116 * mm]
_ALL = ((0, 0), (-1, -1))
_PAD: list[Any] = [("TOPPADDING", *_ALL, 1), ("BOTTOMPADDING", *_ALL, 1), ("LEFTPADDING", *_ALL, 0),
                   ("RIGHTPADDING", *_ALL, 3), ("VALIGN", *_ALL, "TOP"), ("FONTSIZE", *_ALL, 1), ("LEADING", *_ALL, 1)]
_LONGEST_TEXT = 1500  # characters; a longer one could outgrow a page


def _style(name: str, size: float, *, bold: bool = False, **more: Any) -> ParagraphStyle:
    return ParagraphStyle(name, fontName=BOLD if bold else PLAIN, fontSize=size, leading=size * 1.25, **more)


_PLAIN, _BOLD, _SMALL = _style("plain", 7.5), _style("bold", 7.5, bold=True), _style("small", 5.8)
_HEAD = _style("head", 9, bold=True, spaceBefore=7, spaceAfter=2)
_UNIT = _style("unit", 17, bold=True)
_LARGE = _style("large", 19, bold=True, textColor=colors.white, alignment=1)
_STRIP = _style("strip", 12, bold=True, alignment=1)


def pdf_of(sheet: Sheet) -> bytes:
    """The page, or pages, as a PDF file."""
    register_fonts()
    pages = _build(sheet, 0)[0]
    return _build(sheet, pages)[1]


def _build(sheet: Sheet, pages: int) -> tuple[int, bytes]:
    """The number of pages and the file; how many there are is only known once it was built."""
    out = BytesIO()
    document = BaseDocTemplate(out, pagesize=A4, invariant=1, title=f"Electrical safety test record {sheet.serial}",
                               author=sheet.proof[0][1])
    frame = Frame(15 * mm, 16 * mm, _WIDTH, A4[1] - 28 * mm, leftPadding=0, rightPadding=0, topPadding=0,
                  bottomPadding=0)
    document.addPageTemplates(PageTemplate("page", [frame], onPage=lambda canvas, _: _every_page(canvas, sheet, pages)))
    document.build(list(_story(sheet)))
    return document.page, out.getvalue()


def _every_page(canvas: Any, sheet: Sheet, pages: int) -> None:
    """Serial, log and page number at the foot; and across the page what must not be mistaken."""
    canvas.saveState()
    words = _strips(sheet)
    if words:
        canvas.setFillGray(0.9)
        canvas.setFont(BOLD, 64)
        canvas.translate(A4[0] / 2, A4[1] / 2)
        canvas.rotate(55)
        for line, word in enumerate(words):
            canvas.drawCentredString(0, -80 * line + 20, word.partition(":")[0])
    canvas.restoreState()
    canvas.setFont(PLAIN, 6.5)
    canvas.setFillGray(0)
    foot = f"{sheet.serial}   {sheet.outcome.upper()}   {'   '.join(word.partition(':')[0] for word in words)}"
    canvas.drawString(15 * mm, 9 * mm, drawable(foot))
    canvas.drawRightString(A4[0] - 15 * mm, 9 * mm, f"page {canvas.getPageNumber()} of {pages}")


def _strips(sheet: Sheet) -> list[str]:
    return [word for word, is_so in (("SIMULATED: says nothing about a real unit", sheet.simulated),
                                     ("TRIAL: releases nothing", sheet.trial)) if is_so]


def _story(sheet: Sheet) -> Iterable[Flowable]:
    yield from _top(sheet)
    yield from _section("Run", _pairs(sheet.facts))
    heads = ("attempt", "outcome", "began (UTC)", "", "entry", "leaf hash begins")
    yield from _section("Every attempt on this unit, this one last",
                        _grid(heads, sheet.attempts, [14, 26, 36, 54, 14, 36]))
    yield _text("Steps, each reading drawn against its acceptance band", _HEAD)
    for step in sheet.steps:
        yield from _step(step)
    if not sheet.steps:
        yield _text("The run was cut off before it could say what was measured; the log holds what there is.")
    heads = ("instrument", "role", "model", "serial", "calibrated until", "last verification")
    yield from _section("Instruments", _grid(heads, sheet.instruments, [26, 38, 24, 30, 30, 32]))
    yield from _section(f"Cautions, acknowledged by {sheet.acknowledged}",
                        *(_text(f"– {each}", _SMALL) for each in sheet.cautions))
    yield from _section("Approval", _pairs(sheet.approval))
    yield from _section("Proof", _pairs(sheet.proof))


def _top(sheet: Sheet) -> Iterable[Flowable]:
    for word in _strips(sheet):
        yield Table([[_text(word, _STRIP)]], [_WIDTH], style=[("BOX", (0, 0), (-1, -1), 2, colors.black),
                                                              ("BOTTOMPADDING", (0, 0), (-1, -1), 6)])
        yield Spacer(0, 3)
    outcome = {"undecided": "REJECT, TO QUALITY", "fault": "STATION FAULT"}.get(sheet.outcome, sheet.outcome.upper())
    left: list[Flowable] = [_text("Electrical safety test record", _BOLD), _text(sheet.serial, _UNIT), Spacer(0, 3),
                            _text(sheet.sentence)]
    row: list[Any] = [left, _text(outcome, _LARGE)]
    yield Table([row], [_WIDTH - 68 * mm, 68 * mm], style=[
        ("BACKGROUND", (1, 0), (1, 0), colors.black), ("VALIGN", (0, 0), (-1, -1), "MIDDLE"),
        ("TOPPADDING", (1, 0), (1, 0), 10), ("BOTTOMPADDING", (1, 0), (1, 0), 14), ("LEFTPADDING", (0, 0), (0, 0), 0)])


def _section(head: str, *parts: Flowable) -> Iterable[Flowable]:
    yield KeepTogether([_text(head, _HEAD), *parts])


def _pairs(rows: Sequence[tuple[str, str]]) -> Table:
    return Table([[_text(name), _text(value, _BOLD)] for name, value in rows], [40 * mm, _WIDTH - 40 * mm], style=_PAD)


def _grid(heads: Sequence[str], rows: Sequence[Sequence[str]], widths: Sequence[float]) -> Table:
    cells = [[_text(each, _SMALL) for each in heads], *([_text(each) for each in row] for row in rows)]
    rule = [("LINEBELOW", (0, 0), (-1, 0), 0.5, colors.black)]
    return Table(cells, [width * mm for width in widths], style=[*_PAD, *rule], repeatRows=1, hAlign="LEFT")


def _step(step: StepPart) -> Iterable[Flowable]:
    head: list[list[Any]] = [[_text(f"{step.number}. {step.name}", _BOLD), _text(step.outcome.upper(), _BOLD)],
                             [_text(f"{step.kind}. {step.sentence}"), ""]]
    head += [[_text(f"{name}: {text}", _SMALL), ""]
             for name, text in (("set", step.settings), ("connections", step.connections)) if text]
    rules: list[Any] = [("LINEABOVE", (0, 0), (-1, 0), 0.8, colors.black)]
    rules += [("SPAN", (0, row), (1, row)) for row in range(1, len(head))]
    top = Table(head, [sum(_COLUMNS[:-1]), _COLUMNS[-1]], style=[*_PAD, *rules])
    lines, why = [], ""
    for line in (*step.readings, *step.applied):
        lines.append(_line(line, line.why == why))
        why = line.why
    yield KeepTogether([top, *lines[:1]])
    yield from lines[1:]
    yield Spacer(0, 5)


def _line(line: Line, as_above: bool) -> Table:
    outcome = _text(line.outcome.upper(), _BOLD) if line.why else _text(line.outcome)
    cells: list[list[Any]] = [[_text(line.name), _text(line.value, _BOLD), BandDrawing(line.mark, _BAND),
                               _text(line.limits), outcome]]
    small = "; ".join(part for part in ("" if as_above else line.why, line.raw) if part)
    style = [*_PAD, ("VALIGN", (0, 0), (-1, 0), "MIDDLE"), ("NOSPLIT", (0, 0), (-1, -1))]
    if small:
        cells.append([_text(small, _SMALL), "", "", "", ""])
        style += [("SPAN", (0, 1), (-1, 1)), ("BOTTOMPADDING", (0, 1), (-1, 1), 3)]
    return Table(cells, _COLUMNS, style=style)


def _text(text: str, style: ParagraphStyle = _PLAIN) -> Paragraph:
    if len(text) > _LONGEST_TEXT:
        text = text[:_LONGEST_TEXT] + " ... (cut here; the record has it whole)"
    return Paragraph(escape(drawable(text)), style)
