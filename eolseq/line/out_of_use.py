"""A bay out of use during a shift: it says why and whom to call, takes no unit, and ends with its neighbours."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from eolseq.clock import Clock
from eolseq.engine.events import SafetyState
from eolseq.line.around import ShiftLog, Tell
from eolseq.line.resume import Before
from eolseq.line.scans import Inbox
from eolseq.line.shift_events import CodeTaken, Note, Situation, Stands, Tick
from eolseq.line.whom import whom
from eolseq.station.out_of_use import OutOfUse

TICK = 0.2  # s between two looks at the lock and whether the shift is to end
LOCKED = "Test nothing here. Leave the unit where it is, call maintenance."
_CALL = "Call maintenance."


def whom_to_call(do: str, call: Mapping[str, str]) -> str:
    """What to do, with how maintenance is reached as the station file says."""
    return do.replace(_CALL, f"{whom('maintenance', call).removesuffix('.')}.", 1)


def turned_away_at(bay: str) -> Note:
    """The word for any code at a bay out of use. What is inside it already may not be safe to touch."""
    do = "Take a unit that is not in it yet to another bay."
    return Note("OUT OF USE", f"Nothing is tested at {bay}. {do}", do=do)


class OutOfUseBay:
    """The loop of a bay that was out of use as the shift began.

    ``look`` looks at what of it holds up its neighbours, as long as one of them is ``working``.
    """

    def __init__(self, clock: Clock, log: ShiftLog, out: OutOfUse, call: Mapping[str, str], inbox: Inbox, tell: Tell,
                 look: Callable[[], None], working: Callable[[], bool], past: Before) -> None:
        self._clock, self._log, self._out, self._call = clock, log, out, call
        self._inbox, self._tell, self._look, self._working, self._past = inbox, tell, look, working, past
        self._told: Stands | None = None

    def run(self) -> None:
        """Until the shift of every neighbour has ended; RecordFault when the log can no longer be written."""
        self._tell(SafetyState("waiting", False, None, None, None))
        for each in self._past.cut:
            do = "Do not touch it until maintenance has shown it to be dead; then it needs a new run from the start."
            self._tell(Note("POWER CUT", f"Unit {each.serial} was under test in {self._out.bay}. {do}", do=do))
        try:
            while self._working():
                self._round()
        except BaseException as error:
            self._inbox.end_by(error)
            raise
        finally:
            self._stand(Stands(Situation.ENDED, self._inbox.ended or "The shift of the other bays has ended."))

    def _round(self) -> None:
        self._log.refuse_if_broken()
        self._look()
        lock, do = self._log.locked(), whom_to_call(self._out.do, self._call)
        self._stand(Stands(Situation.OUT_OF_USE, do, why=self._out.what) if lock is None else
                    Stands(Situation.LOCKED, LOCKED, why=lock.reason))
        scan = self._inbox.take(TICK)
        if self._inbox.over:
            self._clock.sleep(TICK)
        if scan is None:
            self._tell(Tick())
        elif scan.command == "end":
            self._inbox.ended = "Ended with the shift of the other bays."
        else:
            self._tell(CodeTaken())
            self._tell(turned_away_at(self._out.bay))

    def _stand(self, now: Stands) -> None:
        if now != self._told:
            self._told = now
            self._tell(now)
