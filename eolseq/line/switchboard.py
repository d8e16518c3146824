"""Several bays and one scanner: which bay a code is meant for.

A bay's own code, which is its name, aims what is scanned next at it. Else a code goes to the one bay whose guard is
open, where the person is at work. A badge signs in at every bay that waits for one. What could be meant for two bays is
meant for none, and the person is asked.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from eolseq.clock import Clock
from eolseq.line.bay_events import reading_together
from eolseq.line.scans import Inbox, Scan
from eolseq.line.shift_events import CautionPage, Note, Situation, Stands

AIMED = 30.0  # s for which a bay's code holds, counted from the last code that it aimed
FOR_ALL = ("end", "sound", "out")
THIS_BAY, WHICH_BAY = "THIS BAY", "WHICH BAY"
"""The words of the notes that say, or ask, which bay codes are for."""
_WHICH = "Scan the bay's code first, or open that bay's guard alone; then scan again."
_PEOPLE = (Situation.SIGN_IN, Situation.CAUTIONS)


class Switchboard:
    """Takes every code and puts it into the inbox of its bay; satisfies what readers of a scanner need of an inbox.

    ``guard_open`` says whether a bay's guard is seen open now, ``is_unit`` whether a code is that of a unit.
    """

    def __init__(self, clock: Clock, inboxes: Mapping[str, Inbox], guard_open: Callable[[str], bool],
                 is_unit: Callable[[str], bool], tell: Callable[[str, Note], None]) -> None:
        self._clock = clock
        self._inboxes = inboxes
        self._guard_open = guard_open
        self._is_unit = is_unit
        self._tell = tell
        self.by_signal = False
        self._stands: dict[str, Stands] = {}
        self._pages: dict[str, CautionPage] = {}
        self._aim: tuple[str, float] | None = None

    @property
    def ended(self) -> str:
        """Why every bay's shift has ended, or is to; empty while one goes on. Setting it ends all."""
        reasons = [inbox.ended for inbox in self._inboxes.values()]
        return reasons[0] if reasons and all(reasons) else ""

    @ended.setter
    def ended(self, reason: str) -> None:
        for inbox in self._inboxes.values():
            inbox.ended = inbox.ended or reason

    def heard(self, bay: str, event: object) -> None:
        """Take in where a bay's shift stands; any task."""
        if isinstance(event, Stands):
            self._stands = {name: event if name == bay else self._stands[name] for name in self._inboxes
                            if name == bay or name in self._stands}  # in the order of the bays
        elif isinstance(event, CautionPage):
            self._pages[bay] = event

    def put(self, scan: Scan) -> None:
        """One more code."""
        named = self._named(scan)
        if named is not None:
            self._aim = (named, self._clock.monotonic())
            self._tell(named, Note(THIS_BAY, f"What is scanned now is for {named}.", running=True))
            return
        bays = self._meant(scan)
        if not bays:
            self._ask(scan)
        for bay in bays:
            self._inboxes[bay].put(scan)

    def close(self) -> None:
        """No more codes come, at any bay."""
        for inbox in self._inboxes.values():
            inbox.close()

    def _named(self, scan: Scan) -> str | None:
        """The bay whose own code this is."""
        return next((bay for bay in self._inboxes if bay.casefold() == scan.text.casefold() and not scan.problem), None)

    def _meant(self, scan: Scan) -> list[str]:
        """The bays that a code is meant for."""
        going = [bay for bay, inbox in self._inboxes.items() if not inbox.ended]
        if scan.command in FOR_ALL:
            return going
        aimed = self._aimed()
        if aimed is not None:
            return [] if self._reads_later(aimed) else [aimed]
        asked = [bay for bay in going if self._situation(bay) in _PEOPLE and not self._reads_later(bay)]
        if asked and not scan.problem and not self._is_unit(scan.text):
            return asked
        open_now = [bay for bay in going if self._guard_open(bay)]
        return open_now if len(open_now) == 1 else []

    def _situation(self, bay: str) -> Situation | None:
        stands = self._stands.get(bay)
        return None if stands is None else stands.situation

    def _reads_later(self, bay: str) -> bool:
        """Whether the cautions of a bay are not those that are on the screen now: nobody can acknowledge them yet."""
        reads = self._situation(bay) is Situation.CAUTIONS and bay in self._pages
        return reads and bay not in reading_together(self._stands, self._pages)

    def _aimed(self) -> str | None:
        now = self._clock.monotonic()
        if self._aim is None or now - self._aim[1] > AIMED:
            self._aim = None
            return None
        self._aim = (self._aim[0], now)
        return self._aim[0]

    def _ask(self, scan: Scan) -> None:
        """Nobody knows which bay is meant: every bay that is not testing says so."""
        text = scan.problem or f"Whose is '{scan.text[:24]}'?"
        for bay, stands in self._stands.items():
            if stands.situation not in (Situation.RUNNING, Situation.CHECKING, Situation.OUT_OF_USE, Situation.ENDED):
                self._tell(bay, Note(WHICH_BAY, f"{text} {_WHICH}", do=_WHICH))
