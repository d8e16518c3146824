"""The page that a lead gets at the end of a shift: made, printed or written, and its digest put into the log."""

from __future__ import annotations

from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING

from eolseq.errors import EolseqError

if TYPE_CHECKING:
    from eolseq.records.log import Log
    from eolseq.station.file import Station
    from eolseq.station.review_fields import ReviewRules


class ShiftPaper:
    """The page of a station's shift; ``said`` is what came of it, empty where the station asks for none."""

    def __init__(self, station: Station) -> None:
        self._station = station
        self.said = ""

    def print(self, log: Log) -> None:
        """Make and print the page of the shift that has just ended. What goes wrong is told, and nothing else.

        The page names the log's size and root; the log then says which page that was, by its SHA-256.
        """
        rules = self._station.shift.review if self._station.shift is not None else None
        if rules is None:
            return
        try:
            self.said = self._printed(log, rules)
        except EolseqError as error:
            self.said = f"NO PAGE of this shift: {error} Print it by hand: eolseq review --shift --pdf FILE."

    def _printed(self, log: Log, rules: ReviewRules) -> str:
        from eolseq.commands.printing import Folder, PrintFailed, Queue
        from eolseq.commands.review import review_of, shift_window
        from eolseq.records.entries import Remark
        from eolseq.records.reader import Records
        from eolseq.review.sheet import pdf_of

        log.checkpoint()
        found = Records.open(Path(self._station.records))
        takt = None if self._station.shift is None else self._station.shift.takt
        review = review_of(found, shift_window(found), takt)
        if review.began is None:
            return "No unit was tested in this shift, so it has no page."
        pdf = pdf_of(review)
        printer = Queue(rules.printer) if rules.printer else Folder(Path(rules.folder), pictures=False)
        page = (f"It names {found.size} entries and the root {found.root.hex()}; its SHA-256 is "
                f"{sha256(pdf).hexdigest()}.")
        try:
            said = printer.print(f"shift review of {found.size} entries", pdf)
        except PrintFailed as error:
            missing = f"The page of this shift may be missing, {printer.name}: {error}."
            log.append(Remark(serial=None, reason=f"{missing} {page}"))
            return f"{missing} Look for it there, or make it by hand: eolseq review --shift --pdf FILE."
        log.append(Remark(serial=None, reason=f"Page of this shift, {printer.name}: {said}. {page}"))
        return f"The page of this shift: {said}. Sign it, and keep it outside the plant's computers."
