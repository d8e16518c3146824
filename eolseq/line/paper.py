"""A label on paper: a PDF of the template's size, black on white, and a picture of it. Colour belongs to safety.

The same label gives the same bytes. Imported only when something is printed, because it loads a drawing library.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from io import BytesIO
from threading import Lock
from typing import Any

from reportlab.graphics.barcode.code128 import Code128
from reportlab.graphics.barcode.qrencoder import QRCode, QRErrorCorrectLevel
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas

from eolseq.errors import Refused
from eolseq.line.label import Label
from eolseq.line.template import LOWEST_TEXT, RECORD_CODE, SERIAL_CODE, Part, Template
from eolseq.records.ink import BOLD, PLAIN, drawable, register_fonts, width_of

NARROWEST_BAR = 0.25   # mm; a bar code scanner at arm's length reads that. Common practice, no source
WIDEST_BAR = 0.5       # mm; wider only takes room
QUIET_BARS = 10        # bars' widths of white on either side of Code 128 (ISO/IEC 15417, from memory)
SMALLEST_SQUARE = 0.3  # mm; a square of the QR code, for a hand-held scanner. Common practice, no source
QUIET_SQUARES = 4      # squares of white all around a QR code (ISO/IEC 18004, from memory)
PICTURE_DOTS = 300     # per inch
_LINE = 1.25           # from line to line, in sizes of the font
_ONE_AT_A_TIME = Lock()  # the library that draws pictures takes no two threads, and bays print side by side
_MASK = 3              # which of the eight
_BETWEEN = 0.84        # how much of a simulated label is left between its two strips
_WIDER = "Make it larger in the template; see 'eolseq manual labels'."


def label_pdf(template: Template, label: Label, code: str) -> bytes:
    """The label as a PDF file; Refused when a text or a code does not fit its place so that it can be read."""
    register_fonts()
    out = BytesIO()
    canvas = Canvas(out, pagesize=(template.width * mm, template.height * mm), invariant=1)
    canvas.setTitle(f"Label {drawable(label.serial)}{' SIMULATED' if label.simulated else ''}")
    if label.simulated:
        _simulated(canvas, template)
    for part in template.parts:
        if part.shows not in (SERIAL_CODE, RECORD_CODE):
            _text(canvas, template, part, filled(part.says, label))
    for part in template.parts:
        if part.shows == SERIAL_CODE:
            _white(canvas, template, part)
            bar_code(canvas, label.serial, part.left, template.height - part.top - part.height, part.width, part.height)
        elif part.shows == RECORD_CODE:
            _white(canvas, template, part)
            _square_code(canvas, template, part, code)
    canvas.save()
    return out.getvalue()


def picture(pdf: bytes, page: int = 0) -> bytes:
    """One page of a PDF file as a PNG file, black to white."""
    from pypdfium2 import PdfDocument

    with _ONE_AT_A_TIME:
        document = PdfDocument(pdf)
        try:
            image = document[page].render(scale=PICTURE_DOTS / 72, grayscale=True).to_pil()
        finally:
            document.close()
    out = BytesIO()
    image.save(out, "PNG", dpi=(PICTURE_DOTS, PICTURE_DOTS))
    return out.getvalue()


def filled(says: str, label: Label) -> str:
    """A text of the template with the label's own words in it."""
    words = label.words()
    return re.sub(r"\{([a-z]+)\}", lambda found: words[found[1]], says)


# -- drawing ----------------------------------------------------------------------------------------------------


def _text(canvas: Canvas, template: Template, part: Part, text: str) -> None:
    size = fitting(text, part.width, part.height, bold=part.bold)
    if size * _LINE < LOWEST_TEXT * mm - 1e-6:
        raise Refused(f"The text {text!r} does not fit {part.width:g} mm of the label in letters that can be read.",
                      _WIDER)
    canvas.setFont(BOLD if part.bold else PLAIN, size)
    base = template.height - part.top - part.height / 2
    canvas.drawString(part.left * mm, base * mm - size * 0.36, drawable(text))


def fitting(text: str, width: float, height: float, *, bold: bool = False) -> float:
    """The size in points at which a text fills a line of a height, or less if it would be wider; both in mm."""
    size = height * mm / _LINE
    wide = width_of(drawable(text), size, bold=bold)
    return size if wide <= width * mm else size * width * mm / wide


def _simulated(canvas: Canvas, template: Template) -> None:
    """Words above, below and across; what follows is drawn a little smaller, between them."""
    width, height = template.width, template.height
    strip = (1 - _BETWEEN) / 2 * height
    for bottom in (0.0, height - strip):
        band(canvas, "SIMULATED: NO REAL UNIT", 0, bottom, width, strip)
    canvas.translate((1 - _BETWEEN) / 2 * width * mm, strip * mm)
    canvas.scale(_BETWEEN, _BETWEEN)
    across(canvas, width, height, "SIMULATED")


def band(canvas: Canvas, words: str, left: float, bottom: float, width: float, height: float) -> None:
    """Words in white on a black rectangle, sizes in mm."""
    canvas.setFillGray(0)
    canvas.rect(left * mm, bottom * mm, width * mm, height * mm, stroke=0, fill=1)
    size = fitting(words, width * 0.94, height, bold=True)
    canvas.setFillGray(1)
    canvas.setFont(BOLD, size)
    canvas.drawCentredString((left + width / 2) * mm, (bottom + height / 2) * mm - size * 0.36, drawable(words))
    canvas.setFillGray(0)


def across(canvas: Canvas, width: float, height: float, words: str) -> None:
    """Words in large open letters from corner to corner, which no pen makes unseen; sizes in mm."""
    from math import atan2, degrees, hypot

    size = 0.8 * hypot(width, height) * mm / width_of(words, 1.0, bold=True)
    canvas.saveState()
    canvas.translate(width / 2 * mm, height / 2 * mm)
    canvas.rotate(degrees(atan2(height, width)))
    drawn = canvas.beginText(-width_of(words, size, bold=True) / 2, -size * 0.36)
    drawn.setFont(BOLD, size)
    drawn.setTextRenderMode(1)
    canvas.setLineWidth(0.7)
    drawn.textOut(words)
    canvas.drawText(drawn)
    canvas.restoreState()


def _white(canvas: Canvas, template: Template, part: Part) -> None:
    """Nothing under a code, or no scanner reads it."""
    canvas.setFillGray(1)
    canvas.rect(part.left * mm, (template.height - part.top - part.height) * mm, part.width * mm, part.height * mm,
                stroke=0, fill=1)
    canvas.setFillGray(0)


def bar_code(canvas: Canvas, serial: str, left: float, bottom: float, width: float, height: float) -> None:
    """A serial as Code 128 in a rectangle, sizes in mm; Refused when its bars would be too narrow to scan."""
    bars = Code128(serial, barWidth=1, barHeight=1, quiet=0).width + 2 * QUIET_BARS
    bar = min(WIDEST_BAR, width / bars)
    if bar < NARROWEST_BAR:
        raise Refused(f"The serial {serial} as a bar code needs {bars * NARROWEST_BAR:.0f} mm, and has {width:g} mm.",
                      _WIDER)
    Code128(serial, barWidth=bar * mm, barHeight=height * mm, quiet=1, lquiet=QUIET_BARS * bar * mm,
            rquiet=QUIET_BARS * bar * mm).drawOn(canvas, left * mm, bottom * mm)


def _squares(code: str) -> list[list[bool]]:
    """The squares of a QR code, row by row.

    The search for the best of the eight masks takes two thirds of a label's time. Most of a code of ours is a digest
    and a signature, which look like noise whatever mask lies over them, and a reader takes any.
    """
    made: Any = QRCode(None, QRErrorCorrectLevel.M)
    made.addData(code)
    made.version = made.calculate_version()
    made.makeImpl(False, _MASK)
    return [[bool(cell) for cell in row] for row in made.modules]


def _square_code(canvas: Canvas, template: Template, part: Part, code: str) -> None:
    rows = _squares(code)
    side = min(part.width, part.height)
    square = side / (len(rows) + 2 * QUIET_SQUARES)
    if square < SMALLEST_SQUARE:
        needed = (len(rows) + 2 * QUIET_SQUARES) * SMALLEST_SQUARE
        raise Refused(f"The record's code needs {needed:.0f} mm on the label, and has {side:g} mm.", _WIDER)
    canvas.saveState()
    canvas.translate((part.left + QUIET_SQUARES * square) * mm,
                     (template.height - part.top - QUIET_SQUARES * square) * mm)
    canvas.scale(square * mm, square * mm)
    path = canvas.beginPath()
    for number, row in enumerate(rows):
        for start, length in _dark(row):
            path.rect(start, -number - 1, length, 1)
    canvas.drawPath(path, stroke=0, fill=1)
    canvas.restoreState()


def _dark(row: Iterable[bool]) -> Iterator[tuple[int, int]]:
    """Where each stretch of dark squares starts, and how long it is."""
    start: int | None = None
    cells: list[Any] = [*row, False]
    for at, dark in enumerate(cells):
        if dark and start is None:
            start = at
        elif not dark and start is not None:
            yield start, at - start
            start = None
