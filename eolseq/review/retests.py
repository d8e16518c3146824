"""Units that first did not pass and then did, with nothing changed on them: by whom, at which bay. Pure.

Each is either a unit that was good all along, so that a contact, a lead or the station is bad, or a bad unit that was
tested until it passed. Both want somebody to look, and neither shows in the yield.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from eolseq.serials import reserved

KINDS = frozenset({"end", "rework"})
"""The kinds of entries that this is worked out from."""


@dataclass(frozen=True, slots=True)
class Retest:
    """A unit that passed after it had not, with nothing changed: both entries, who let it pass, where, and the cause.

    ``cause`` is what a rework entry between them says; None when there is none.
    """

    serial: str
    failed: int
    passed: int
    operator: str
    bay: str
    cause: str | None


@dataclass(slots=True)
class Retests:
    """All of them in the order of the log, and how many passes there were by operator and bay."""

    found: list[Retest] = field(default_factory=list)
    passes: Counter[tuple[str, str]] = field(default_factory=Counter)

    def counted(self) -> list[tuple[str, str, int, int]]:
        """Operator, bay, how many retests, of how many passes; most retests first."""
        counts = Counter((each.operator, each.bay) for each in self.found)
        rows = [(*key, counts[key], passes) for key, passes in self.passes.items()]
        return sorted(rows, key=lambda row: (-row[2], row[0], row[1]))


def retests(entries: Iterable[tuple[int, Mapping[str, Any]]]) -> Retests:
    """Look through the entries of KINDS, in the order of the log. Trials and reference units do not count."""
    count = RetestCount()
    for index, payload in entries:
        count.take(index, payload)
    return count.result


@dataclass(slots=True)
class _Bad:
    index: int
    changed: bool = False
    cause: str | None = None


@dataclass(slots=True)
class RetestCount:
    """The same for whoever goes through a log once for several ends: take one entry after the other."""

    result: Retests = field(default_factory=Retests)
    _bad: dict[str, _Bad] = field(default_factory=dict)

    def take(self, index: int, payload: Mapping[str, Any]) -> None:
        """An entry of KINDS."""
        serial = str(payload["serial"])
        if payload["kind"] == "rework":
            if serial in self._bad:
                self._bad[serial].cause = str(payload["cause"])
                self._bad[serial].changed |= payload["changed"] is not None
        elif payload["trial"] == "no" and not reserved(serial):
            self._take_run(index, serial, payload)

    def _take_run(self, index: int, serial: str, payload: Mapping[str, Any]) -> None:
        outcome = payload["outcome"]
        if outcome in ("fail", "undecided"):
            self._bad[serial] = _Bad(index)
        elif outcome == "pass":
            where = str(payload["operator"]), str(payload["bay"])
            self.result.passes[where] += 1
            before = self._bad.pop(serial, None)
            if before is not None and not before.changed:
                self.result.found.append(Retest(serial, before.index, index, *where, before.cause))
