"""A ticket on paper: REJECT in large letters, black on white, with the serial as a bar code for whoever repairs."""

from __future__ import annotations

from io import BytesIO

from reportlab.lib.units import mm
from reportlab.lib.utils import simpleSplit
from reportlab.pdfgen.canvas import Canvas

from eolseq.errors import Refused
from eolseq.line.paper import band, bar_code, fitting
from eolseq.line.ticket import FOOT, Ticket
from eolseq.records.ink import BOLD, PLAIN, drawable, register_fonts

WIDTH, HEIGHT = 100.0, 150.0  # mm
_EDGE = 4.0


def ticket_pdf(ticket: Ticket) -> bytes:
    """The ticket as a PDF file of 100 by 150 mm; what does not fit is said to be in the record."""
    register_fonts()
    out = BytesIO()
    canvas = Canvas(out, pagesize=(WIDTH * mm, HEIGHT * mm), invariant=1)
    canvas.setTitle(f"{ticket.head} {drawable(ticket.serial)}")
    down = 0.0
    for mark in ticket.marks:
        words = "SIMULATED: NO REAL UNIT" if mark == "SIMULATED" else mark
        canvas.setLineWidth(1)
        canvas.rect(1 * mm, (HEIGHT - down - 9) * mm, (WIDTH - 2) * mm, 8 * mm)
        _line(canvas, words, _EDGE, HEIGHT - down - 9, 8.0, bold=True)
        down += 9
    band(canvas, ticket.head, 0, HEIGHT - down - 20, WIDTH, 19)
    _line(canvas, ticket.serial, _EDGE, HEIGHT - down - 31, 9, bold=True)
    _serial(canvas, ticket.serial, HEIGHT - down - 42)
    _Column(canvas, HEIGHT - down - 46).ticket(ticket)
    canvas.save()
    return out.getvalue()


def _serial(canvas: Canvas, serial: str, bottom: float) -> None:
    try:
        bar_code(canvas, serial, _EDGE, bottom, WIDTH - 2 * _EDGE, 9)
    except Refused:  # a serial too long for bars stands above in letters, and a ticket is better than none
        return


def _line(canvas: Canvas, text: str, left: float, bottom: float, height: float, *, bold: bool = False) -> None:
    size = fitting(text, WIDTH - left - _EDGE, height, bold=bold)
    canvas.setFont(BOLD if bold else PLAIN, size)
    canvas.drawString(left * mm, bottom * mm + (height * mm - size) / 2 + 0.14 * size, drawable(text))


class _Column:
    """Lines of text from top to bottom, until the foot."""

    def __init__(self, canvas: Canvas, top: float) -> None:
        self._canvas = canvas
        self._at = top
        self._full = False

    def ticket(self, ticket: Ticket) -> None:
        """Facts, steps, and the foot, for which room is kept."""
        for fact in ticket.facts:
            self.text(fact, 3.2)
        for step in ticket.steps:
            self.space(2)
            self.text(f"Step {step.number}: {step.name} ({step.kind})", 3.6, bold=True)
            for each in step.readings:
                self.text(f"{each.name}: {each.value}", 4.2, bold=True)
                if each.limits:
                    self.text(f"band: {each.limits}", 3.6)
            if not all(each.limits for each in step.readings) or not step.readings:
                self.text(step.sentence, 3.2)
            for hint in step.look:
                self.text(f"Look: {hint}", 3.2)
        if ticket.more or self._full:
            self._at = max(self._at, 14)
            self.text("There is more: the record has it.", 3.2, always=True)
        self._at = 9
        self.text(FOOT, 2.8, always=True)

    def space(self, height: float) -> None:
        """Room between two parts, in mm."""
        self._at -= height

    def text(self, text: str, height: float, *, bold: bool = False, always: bool = False) -> None:
        """A text in lines of a height in mm; nothing once the column is full."""
        size, font = height * mm / 1.25, BOLD if bold else PLAIN
        for line in simpleSplit(drawable(text), font, size, (WIDTH - 2 * _EDGE) * mm):
            if self._at - height < 14 and not always:
                self._full = True
            if self._full and not always:
                return
            self._canvas.setFont(font, size)
            self._canvas.drawString(_EDGE * mm, (self._at - height) * mm + 0.2 * size, line)
            self._at -= height
