"""Which physical instrument an entry speaks of, and the units that one of them tested since it was last shown good."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from eolseq.errors import WrongUse
from eolseq.records.reader import Records
from eolseq.records.runs import Run
from eolseq.serials import reserved

_KINDS = frozenset({"begin", "energise", "reading", "end", "abandon", "verification"})


class Physical(NamedTuple):
    """One instrument as it stands on the bench: model and serial number, whatever it is called there."""

    model: str
    serial: str


@dataclass(slots=True)
class Bay:
    """What the instruments of open runs are, by run and by the name the station gives them."""

    _named: dict[int, dict[str, Physical]] = field(default_factory=dict)

    def used(self, index: int, payload: Mapping[str, Any]) -> list[tuple[int, str, Physical]]:
        """Run, name and instrument of every use that an entry tells of; a run's names are kept until it is closed."""
        kind = payload["kind"]
        if kind == "begin":
            self._named[index] = {each["name"]: Physical(each["model"], each["serial"])
                                  for each in payload.get("instruments") or ()}
            return []
        run = payload["run"]
        if kind == "energise":
            name = str(payload["source"])
            return [(run, name, self._named.get(run, {}).get(name, Physical("", "")))]
        if kind == "reading":
            by = payload["instrument"]
            return [] if by is None else [(run, str(by["name"]), Physical(by["model"], by["serial"]))]
        self._named.pop(run, None)
        return []


@dataclass(frozen=True, slots=True)
class Suspect:
    """A run on a unit that used the instrument; ``entry`` is the index of its first use there."""

    serial: str
    run: int
    attempt: int
    outcome: str
    began: str
    entry: int


@dataclass(slots=True)
class Suspects:
    """All runs that used one physical instrument since its last good verification, whose index is ``since``."""

    name: str
    instrument: Physical
    since: int | None = None
    runs: dict[int, Suspect] = field(default_factory=dict)

    @property
    def units(self) -> list[str]:
        """The serials of the suspect units, each once, in the order in which they were first tested on it."""
        return list(dict.fromkeys(each.serial for each in self.runs.values()))


def suspects(records: Records, instrument: str, until: int | None = None) -> list[Suspects]:
    """Exactly what was tested on an instrument since it was last verified as good, one list per physical instrument.

    ``instrument`` is its serial number or the station's name for it: a name may have been borne by several, each with a
    verification of its own. ``until`` is the index of the last entry that counts. WrongUse when no entry names it.
    """
    found: dict[Physical, Suspects] = {}
    seen: set[str] = set()
    for index, name, physical, run, good in _events(records, until):
        if instrument not in (name, physical.serial):
            seen.add(f"{name} {physical.serial}".strip())
            continue
        listed = found.setdefault(physical, Suspects(name, physical))
        if good:
            listed.since, listed.runs = index, {}
        elif run is not None and run not in listed.runs:
            listed.runs[run] = suspect(records.run(run), index)
    if not found:
        known = f" The log names: {', '.join(sorted(seen)[:12])}." if seen else ""
        raise WrongUse(f"No entry of the log names an instrument {instrument}.{known}",
                       "Give its serial number, or its name in the station file.")
    return list(found.values())


def _events(records: Records, until: int | None) -> Iterator[tuple[int, str, Physical, int | None, bool]]:
    """Every use of an instrument in a run, and every verification of one: index, name, instrument, run, found good."""
    bay, references = Bay(), set[int]()
    for index, payload in records.payloads(_KINDS):
        if until is not None and index > until:
            return
        if payload["kind"] == "verification":
            named = payload["instrument"]
            yield (index, str(named["name"]), Physical(named["model"], named["serial"]), None,
                   payload["outcome"] == "pass")
            continue
        if payload["kind"] == "begin" and reserved(str(payload["serial"])):
            references.add(index)  # a reference unit or known load is no suspect
        for run, name, physical in bay.used(index, payload):
            if run not in references:
                yield index, name, physical, run, False


def suspect(run: Run, entry: int) -> Suspect:
    """A run that used an instrument first in an entry."""
    return Suspect(run.serial, run.index, run.attempt, run.outcome, run.began, entry)
