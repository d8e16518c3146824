"""The gate of a station's own checks, put together for a run, and the suspects that a failed check leaves behind."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from eolseq.commands.covering import history_of, present_of
from eolseq.errors import Refused, WrongUse
from eolseq.station.shown import verifiable
from eolseq.verification.standing import OnBench, Reason, challenge_reasons, reasons

if TYPE_CHECKING:
    from eolseq.clock import Clock
    from eolseq.records.log import Log
    from eolseq.sequence.model import Sequence
    from eolseq.station.open import OpenStation


class StandingGate:
    """Refuses a unit, with every reason at once, while the station's checks do not stand; lets all pass without."""

    def __init__(self, sequence: Sequence, opened: OpenStation, pages: Mapping[str, Any], log: Log, now: datetime,
                 *, trial: bool, bay: str = "") -> None:
        present = present_of(sequence, opened, pages, log, now, opened.of_several(bay))
        self._found = [] if present is None else reasons(
            present, history_of(log, simulated=bool(opened.station.simulated)), trial=trial)

    def __call__(self, serial: str) -> None:
        """Raise Refused when the station may not test units now."""
        refuse(self._found)


class ChangeoverGate:
    """Refuses a unit when the fixture that was just found at the bay is not as it was at the challenge.

    It is called after the gate of the fixture, which may have written a moment ago that another one is there.
    """

    def __init__(self, sequence: Sequence, opened: OpenStation, pages: Mapping[str, Any], log: Log,
                 clock: Clock, bay: str = "") -> None:
        self._at = (sequence, opened, pages, log)
        self._clock, self._bay = clock, opened.of_several(bay)

    def __call__(self, serial: str) -> None:
        """Raise Refused when the station must be challenged first."""
        sequence, opened, pages, log = self._at
        present = present_of(sequence, opened, pages, log, self._clock.now(), self._bay)
        if present is not None:
            refuse(challenge_reasons(present, history_of(log, simulated=bool(opened.station.simulated)))[1])


def refuse(found: list[Reason]) -> None:
    """Raise Refused with every reason, if there is one."""
    if found:
        raise Refused("\n".join(f"{each.what} {each.do}" for each in found))


def on_bench(opened: OpenStation, pages: Mapping[str, Any], bay: str = "") -> tuple[OnBench, ...]:
    """Every instrument as it says it is, with its driver page as it is; with a bay, those that it works with alone."""
    used = opened.bay(bay).players if bay else opened.players
    return tuple(OnBench(each.name, opened.identities[each.name].model, opened.identities[each.name].serial,
                         each.calibrated_until, pages[each.name].digest,
                         verifiable(opened.station, opened.players[each.name].role), opened.station.bay_of(each.name))
                 for each in opened.station.instruments if each.name in used)


def unshown_words(folder: Path, bay: str) -> list[str]:
    """Which units were tested at a bay with no passed challenge after them, for people."""
    from eolseq.commands.suspects import unshown_lines
    from eolseq.records.reader import Records
    from eolseq.records.unshown import unshown

    return unshown_lines([each for each in unshown(Records.open(folder)) if each.bay == bay])


def suspect_words(folder: Path, names: list[str]) -> list[str]:
    """Which units were tested on each of these instruments since it was last good, for people."""
    from eolseq.commands.suspects import suspect_lines
    from eolseq.records.instruments import suspects
    from eolseq.records.reader import Records

    records = Records.open(folder)
    found: list[str] = []
    for name in names:
        try:
            found += suspect_lines(suspects(records, name))
        except WrongUse:
            found += ["", f"{name}: no unit was tested on it"]
    return found
