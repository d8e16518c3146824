"""The page that a lead gets of a shift: made, printed or written, and its digest put into the log.

However a shift ends, its page comes after everything is safe, as long as the log can say which page it was. A shift
that was cut off, or whose log took no more, owes its page: the next one at this station prints it as it starts.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING, Any

from eolseq.errors import EolseqError, Refused

if TYPE_CHECKING:
    from eolseq.clock import Clock
    from eolseq.records.log import Log
    from eolseq.records.reader import Records
    from eolseq.review.review import Review
    from eolseq.review.window import Window
    from eolseq.station.file import Station
    from eolseq.station.open import OpenStation
    from eolseq.station.review_fields import ReviewRules

WITHIN = 30.0
"""Seconds in which the page of a shift that was told to end at once is made, or is owed; printing takes 20 at most."""
TRIES = 2
"""So often a page is sent to its printer by itself: at the end of its shift, and as the next one starts."""
_PRINTED, _MISSING = "Page of ", "The page of "
_OWED = "The next shift at this station prints it."
_KINDS = frozenset({"shift", "remark"})

Entries = Iterable[tuple[int, Mapping[str, Any]]]


class ShiftPaper:
    """The pages of a station's shifts; ``said`` is what came of them, empty where the station asks for none."""

    def __init__(self, station: Station) -> None:
        self._station = station
        self._rules = station.shift.review if station.shift is not None else None
        self._owes = False
        self.said = ""

    @contextmanager
    def after(self, log: Log, opened: OpenStation, clock: Clock, by_signal: Callable[[], bool]) -> Iterator[None]:
        """Print the page of the shift in the block when it is over, by whatever; not while voltage is possible."""
        hurried = True  # until the block is seen to end in good order
        try:
            yield
            hurried = by_signal()
        finally:
            if any(bay.door.voltage_possible for bay in opened.bays):
                self._say(f"NO PAGE of this shift: voltage may be present. {_OWED}")
            else:
                self.print(log, (clock, clock.monotonic() + WITHIN) if hurried else None)

    def print(self, log: Log, until: tuple[Clock, float] | None = None) -> None:
        """Make and print the page of the shift that has just ended. What goes wrong is told, and nothing else.

        The page names the log's size and root; the log then says which page that was, by its SHA-256. ``until``: a
        clock and the monotonic time by which it must be made.
        """
        self._attempt(log, "this shift", until)

    def notice(self, records: Records) -> None:
        """See whether the last shift in the log owes its page; before anything is written after it."""
        if self._rules is not None:
            last = records.last_on_a_unit()
            self._owes = last is not None and owes(records.payloads(_KINDS), [last.index])

    def owed(self, log: Log, tell: Callable[[str], None]) -> None:
        """Print the page that the shift before owes, if it does, and tell what came of it in a sentence."""
        if not self._owes:
            return
        self._attempt(log, "the shift before", None)
        self._owes = False
        tell(self.said)

    def _attempt(self, log: Log, which: str, until: tuple[Clock, float] | None) -> None:
        if self._rules is None:
            return
        try:
            self._say(self._printed(log, self._rules, which, until))
        except EolseqError as error:
            self._say(f"NO PAGE of {which}: {str(error).strip()} {_OWED} By hand: eolseq review --shift --pdf FILE.")

    def _say(self, sentence: str) -> None:
        self.said = f"{self.said} {sentence}".strip() if self._rules is not None else ""

    def _printed(self, log: Log, rules: ReviewRules, which: str, until: tuple[Clock, float] | None) -> str:
        from eolseq.commands.printing import Folder, PrintFailed, Queue
        from eolseq.records.entries import Remark
        from eolseq.records.reader import Records
        from eolseq.review.sheet import pdf_of

        log.checkpoint()
        found = Records.open(Path(self._station.records))
        window, review = self._review(found, until)
        if review.began is None:
            return f"No unit was tested in {which}, so it has no page."
        pdf = pdf_of(review)
        printer = Queue(rules.printer) if rules.printer else Folder(Path(rules.folder), pictures=False)
        page = (f"It names {found.size} entries and the root {found.root.hex()}; its SHA-256 is "
                f"{sha256(pdf).hexdigest()}.")
        try:
            said = printer.print(f"shift review of {found.size} entries", pdf)
        except PrintFailed as error:
            missing = f"{_MISSING}{which} may be missing, {printer.name}: {error}."
            log.append(Remark(serial=None, reason=f"{missing} {page}"))
            again = "The next shift tries once more; or" if which == "this shift" else "Look for it there, or"
            return f"{missing} {again} make it by hand: eolseq review --shift {window.first} --pdf FILE."
        log.append(Remark(serial=None, reason=f"{_PRINTED}{which}, {printer.name}: {said}. {page}"))
        return f"{_MISSING}{which}: {said}. Sign it, and keep it outside the plant's computers."

    def _review(self, found: Records, until: tuple[Clock, float] | None) -> tuple[Window, Review]:
        from eolseq.commands.review import pace_of, review_of, shift_window

        window = shift_window(found)
        return window, review_of(found, window, *pace_of(self._station), in_time(until))


def in_time(until: tuple[Clock, float] | None) -> Callable[[Entries], Entries]:
    """Hands entries on until a moment, after which Refused is raised; None: for ever."""
    def hand_on(entries: Entries) -> Entries:
        for each in entries:
            if until is not None and until[0].monotonic() > until[1]:
                raise Refused(f"It was not made within {WITHIN:.0f} s, and the shift was to end at once.", "")
            yield each
    return hand_on


def owes(entries: Entries, units: Sequence[int]) -> bool:
    """Whether the last shift had a unit and no page: from a log's shift marks and remarks, and its units' begins."""
    first, printed, tries, working = -1, False, 0, set[str]()
    for index, payload in entries:
        if payload["kind"] == "remark":
            reason = "" if payload["serial"] is not None else str(payload["reason"])
            printed = printed or reason.startswith(_PRINTED)
            tries += reason.startswith(_MISSING)
        elif payload["event"] == "end":
            working.discard(str(payload["bay"]))
        else:
            if not working or payload["bay"] in working:  # as a window of the last shift begins
                first, printed, tries, working = index, False, 0, set()
            working.add(str(payload["bay"]))
    return first >= 0 and not printed and tries < TRIES and any(first < each for each in reversed(units))
