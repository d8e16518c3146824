"""The gate of a station's own checks, put together for a run, and the suspects that a failed check leaves behind."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from eolseq.errors import Refused, WrongUse
from eolseq.verification.plan import VERIFIABLE
from eolseq.verification.standing import OnBench, Present, history, reasons

if TYPE_CHECKING:
    from eolseq.records.log import Log
    from eolseq.records.reader import Records
    from eolseq.sequence.model import Sequence
    from eolseq.station.open import OpenStation


class StandingGate:
    """Refuses a unit, with every reason at once, while the station's checks do not stand; lets all pass without."""

    def __init__(self, sequence: Sequence, opened: OpenStation, pages: Mapping[str, Any], log: Log, now: datetime,
                 *, trial: bool) -> None:
        self._refusal: Refused | None = None
        checks = opened.station.checks
        if checks is None:
            return
        present = Present(now, checks, on_bench(opened, pages), opened.station.known_loads, opened.station.digest,
                          sequence.name, sequence.digest, log.runs_since)
        found = reasons(present, history_of(log, simulated=bool(opened.station.simulated)), trial=trial)
        if found:
            self._refusal = Refused("\n".join(f"{each.what} {each.do}" for each in found))

    def __call__(self, serial: str) -> None:
        """Raise Refused when the station may not test units now."""
        if self._refusal is not None:
            raise self._refusal


def on_bench(opened: OpenStation, pages: Mapping[str, Any]) -> tuple[OnBench, ...]:
    """Every instrument as it says it is, with its driver page as it is."""
    return tuple(OnBench(each.name, opened.identities[each.name].model, opened.identities[each.name].serial,
                         each.calibrated_until, pages[each.name].digest, opened.players[each.name].role in VERIFIABLE)
                 for each in opened.station.instruments)


def history_of(log: Log | Records, *, simulated: bool) -> Any:
    """The checks that the log tells of; on a real station a verification counts by its signature of maintenance."""
    if simulated:
        return history(log.documents, lambda index: True)
    from eolseq.records.approvals import Standing

    standing = Standing(log.documents)
    good_at = standing.registry.good_at
    return history(log.documents, lambda index: index in standing.verified and all(
        good_at(each.key.keyid, index) for each in standing.verified[index]))


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
