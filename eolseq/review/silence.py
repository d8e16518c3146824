"""Withstand testers that have not rejected anything for long: a tester that cannot reject looks like a good line. Pure.

Of r rejects in n units, the last one at the n-th, and N units since: were all n + N alike, every order would be as
likely as every other, and the chance that all r lie in the first n is C(n, r) / C(n + N, r). Where r is many that is
(1 - r/n)^N, and it needs no share that would be guessed from few. A tester that never rejected anything is held against
the others in the same way; where no other rejected anything either, only the reference units tell.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from eolseq.records.runs import WITHSTAND
from eolseq.review.chance import ALARM, log_ways


class Silence(NamedTuple):
    """A tester (model and serial), how many units since its last reject, and what it had rejected before.

    ``chance`` is that of such a silence if nothing changed. Of one that never rejected anything it is that of the other
    testers having all the rejects by chance, and ``beside`` says how many, of how many units; None where none has any.
    """

    tester: str
    units: int
    rejects: int
    before: int
    chance: float | None
    beside: tuple[int, int] | None = None

    @property
    def told(self) -> bool:
        """Whether the silence is too long for chance."""
        return self.chance is not None and self.chance < ALARM


@dataclass(slots=True)
class _Tester:
    units: int = 0  # since the last reject
    rejects: int = 0
    before: int = 0  # up to the last reject and with it

    def count(self, *, rejected: bool, first: bool) -> None:
        counts = first or (rejected and not self.rejects)  # a reject that is the only one counts with its unit
        self.units += counts
        if rejected:
            self.before, self.units, self.rejects = self.before + self.units, 0, self.rejects + counts


@dataclass(slots=True)
class Silences:
    """Counts units with judged withstand steps by tester: each unit once, at its first judged run.

    A bad unit that is shown again and again is no further evidence of the share of bad units, but each of its rejects
    shows that the tester can reject, so the silence begins anew after it.
    """

    _testers: dict[str, _Tester] = field(default_factory=dict)

    def take(self, end: Mapping[str, Any], *, first: bool = True) -> None:
        """A judged run; whether it is the first on its unit."""
        rejected: dict[str, bool] = {}
        for step in end["steps"]:
            if step["kind"] == WITHSTAND and step["outcome"] in ("pass", "fail", "undecided"):
                for name in _testers_of(step, end):
                    rejected[name] = rejected.get(name, False) or step["outcome"] != "pass"
        for name, each in rejected.items():
            self._testers.setdefault(name, _Tester()).count(rejected=each, first=first)

    def result(self) -> list[Silence]:
        """Every tester, the most suspicious first."""
        found = [self._silence(name, each) for name, each in self._testers.items()]
        return sorted(found, key=lambda each: (1.0 if each.chance is None else each.chance, -each.units, each.tester))


    def _silence(self, name: str, tester: _Tester) -> Silence:
        if tester.rejects:
            chance = _all_before(tester.rejects, tester.before, tester.units)
            return Silence(name, tester.units, tester.rejects, tester.before, chance)
        rejects = sum(each.rejects for each in self._testers.values())
        units = sum(each.before + each.units for other, each in self._testers.items() if other != name)
        if not rejects:
            return Silence(name, tester.units, 0, 0, None)
        return Silence(name, tester.units, 0, 0, _all_before(rejects, units, tester.units), (rejects, units))


def _all_before(rejects: int, before: int, units: int) -> float:
    """How likely all rejects are among so many units and none among the others, were all units alike."""
    return math.exp(log_ways(before, rejects) - log_ways(before + units, rejects))


def _testers_of(step: Mapping[str, Any], end: Mapping[str, Any]) -> list[str]:
    """The withstand tester of a step. A trip has no reading of it, and a voltmeter may have one at its side.

    Where that leaves several, the reject counts for each: none is called silent for what it may have rejected.
    """
    testers = {each["name"]: f"{each['model']} {each['serial']}" for each in end["instruments"]
               if each["role"] == "withstand_tester"}
    used = [each["instrument"]["name"] for each in step["readings"] if each["instrument"] is not None]
    found = [testers[name] for name in dict.fromkeys(used) if name in testers]
    return found or list(testers.values()) or ["without a name in the record"]
