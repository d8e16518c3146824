"""Checks made elsewhere, held against what a sequence needs: pure.

Of each check the entry written last counts. In doubt, none counts: a fail that was made no earlier than that pass
speaks against it although it was written before it, and whatever was changed on the unit since, or a pass of it made
void, asks for the checks again.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Literal

from eolseq.bands.any_band import outside
from eolseq.bands.band import AcceptanceBand
from eolseq.quantity import Quantity, parse
from eolseq.records.check_entries import EarlierCheck
from eolseq.records.runs import AboutUnit
from eolseq.sequence.needs import Need

AHEAD = timedelta(minutes=5)
"""How far a check's time may lie ahead of this station's clock."""


@dataclass(frozen=True)
class Told:
    """A result as it came from a person or other equipment, before it is held against a band.

    ``made`` is in UTC; ``value`` keeps its digits.
    """

    serial: str
    check: str
    stated: Literal["pass", "fail"]
    made: datetime
    value: Quantity | None = None


def judged(told: Told, band: AcceptanceBand | None, **where: Any) -> EarlierCheck:
    """The entry of a result: a stated pass whose value lies outside the band, or is missing, is a fail.

    ``where``: by whom, the source, and where it was read, as the entry names them.
    """
    why = outside(band, told.value)
    sentence = f"stated {told.stated}" + (f"; {why}" if why else "")
    return EarlierCheck(
        serial=told.serial, check=told.check, result="fail" if why else told.stated, stated=told.stated,
        sentence=sentence, made=told.made.isoformat(timespec="seconds").replace("+00:00", "Z"),
        value=None if told.value is None else str(told.value), at_least=_text(band.at_least if band else None),
        at_most=_text(band.at_most if band else None), **where)


def unclear(serial: str, check: str, why: str, now: datetime, **where: Any) -> EarlierCheck:
    """The entry of a result that could not be read but for its unit and check: it speaks against the unit."""
    return EarlierCheck(serial=serial, check=check, result="fail", stated="unclear", sentence=f"not readable: {why}",
                        made=now.isoformat(timespec="seconds").replace("+00:00", "Z"), **where)


def _text(limit: Quantity | None) -> str | None:
    return None if limit is None else str(limit)


@dataclass(frozen=True)
class Rest:
    """What a run may rest on: the entries of its earlier checks, and for each that is wanting why, and where to go."""

    entries: tuple[int, ...]
    wanting: tuple[str, ...]


def rest_of(needs: Iterable[Need], about: Sequence[AboutUnit], now: datetime) -> Rest:
    """Whether a unit has passed every check that is needed, by the entries about it in the order of the log."""
    entries: list[int] = []
    wanting: list[str] = []
    for need in needs:
        index, why = _standing(need, about, now)
        if why or index is None:
            wanting.append(f"{need.check} {why}; go to: {need.where}.")
        else:
            entries.append(index)
    return Rest(tuple(entries), tuple(wanting))


def _standing(need: Need, about: Sequence[AboutUnit], now: datetime) -> tuple[int | None, str]:
    """The entry that counts for a need, and why it does not do; empty when it does."""
    of_it = [each for each in about if each.kind == "earlier_check" and each.payload["check"] == need.check]
    if not of_it:
        return None, "is not on record for this unit"
    last = of_it[-1]
    said = last.payload
    where = f"(entry {last.index})"
    if said["result"] != "pass":
        return last.index, f"failed {where}: {said['sentence']}"
    why = outside(need.band, parse(said["value"]) if said["value"] is not None else None)
    if why:
        return last.index, f"does not do {where}: {why}"
    against = next((each for each in of_it if each.payload["result"] != "pass"
                    and _time(each.payload["made"]) >= _time(said["made"])), None)
    if against is not None:
        return last.index, f"passed {where}, but a fail (entry {against.index}) was made no earlier"
    changed = next((each for each in about if each.index > last.index and _touches(each)), None)
    if changed is not None:
        return last.index, f"passed {where}, but before the {changed.kind} in entry {changed.index}"
    return last.index, _age(need, _time(said["made"]), now, where)


def _touches(entry: AboutUnit) -> bool:
    """Whether what was done to the unit may have spoilt what an earlier check had shown."""
    return entry.kind == "void" or (entry.kind == "rework" and entry.payload["changed"] is not None)


def _age(need: Need, made: datetime, now: datetime, where: str) -> str:
    if made > now + AHEAD:
        return f"passed {where}, at a time that has not come yet"
    if now - made > timedelta(seconds=float(need.within)):
        return f"passed {where} on {made:%Y-%m-%d %H:%M} UTC, more than {need.within} ago"
    return ""


def _time(text: str) -> datetime:
    return datetime.fromisoformat(text)
