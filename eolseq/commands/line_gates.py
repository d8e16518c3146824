"""The gates of the people who test and of a unit's own past, put together for a run."""

from __future__ import annotations

from typing import TYPE_CHECKING

from eolseq.errors import NotGenuine, Refused
from eolseq.serials import reserved

if TYPE_CHECKING:
    from collections.abc import Sequence as Row
    from datetime import date

    from eolseq.records.log import Log
    from eolseq.sequence.model import Sequence
    from eolseq.station.file import Station


class PersonGate:
    """Refuses an operator who may not run this sequence today; a trainee's supervisor is written into the log."""

    def __init__(self, sequence: Sequence, station: Station, log: Log, today: date, beside: Row[str]) -> None:
        self._name, self._station, self._log = sequence.name, station, log
        self._today, self._beside = today, tuple(beside)

    def __call__(self, operator: str) -> None:
        """Raise Refused unless the operator is on the list for this sequence and need not wait for anybody."""
        from eolseq.line.people import listed_people, refusal_of, supervisors
        from eolseq.records.entries import Remark
        from eolseq.records.judged import standing_of

        try:
            documents = standing_of(self._log)
        except NotGenuine as error:
            raise Refused(f"The list of people cannot be trusted: {error.what}", error.do) from error
        people = listed_people(self._station.people, documents, simulated=bool(self._station.simulated))
        refusal = refusal_of(operator, self._beside, self._name, self._today, people)
        if refusal is not None:
            raise refusal
        with_them = supervisors(operator, self._beside, self._name, self._today, people)
        if with_them:
            self._log.append(Remark(serial=None, reason=f"{operator}, a trainee, tests '{self._name}' with "
                                                        f"{' and '.join(with_them)} beside them."))


class PastGate:
    """Refuses a unit whose own past asks for something first: a rework, a release, the lead's word."""

    def __init__(self, sequence: Sequence, station: Station, log: Log) -> None:
        self._name, self._rules, self._log = sequence.name, station.rework, log

    def __call__(self, serial: str) -> None:
        """Raise Refused unless the unit may be tested by this sequence now."""
        from eolseq.line.unit_state import state_of

        if reserved(serial):
            return
        state = state_of(self._log, serial, self._rules)
        if state.refusal is not None:
            raise state.refusal
        if self._rules.needed and state.repeat not in (None, self._name):
            raise Refused(f"Unit {serial} was reworked after it did not pass '{state.repeat}'.",
                          "All of that sequence is repeated first, every step at its full value.")
