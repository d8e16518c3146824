"""Withstand testers that have not rejected anything for long: a tester that cannot reject looks like a good line. Pure.

Of r rejects in n units, the last one at the n-th, and N units since: were all n + N alike, every order would be as
likely as every other, and the chance that all r lie in the first n is C(n, r) / C(n + N, r). Where r is many that is
(1 - r/n)^N, and it needs no share that would be guessed from few. Of a tester that never rejected anything only the
reference units tell.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from eolseq.records.runs import WITHSTAND
from eolseq.review.chance import ALARM, log_ways


class Silence(NamedTuple):
    """A tester (model and serial), how many withstand steps since its last reject, and what it had rejected before.

    ``chance`` is that of such a silence if nothing changed; None where it never rejected anything.
    """

    tester: str
    units: int
    rejects: int
    before: int
    chance: float | None

    @property
    def told(self) -> bool:
        """Whether the silence is too long for chance."""
        return self.chance is not None and self.chance < ALARM


@dataclass(slots=True)
class _Tester:
    units: int = 0  # since the last reject
    rejects: int = 0
    before: int = 0  # up to the last reject and with it


@dataclass(slots=True)
class Silences:
    """Counts judged withstand steps by tester."""

    _testers: dict[str, _Tester] = field(default_factory=dict)

    def take(self, end: Mapping[str, Any]) -> None:
        """A judged run."""
        for step in end["steps"]:
            if step["kind"] == WITHSTAND and step["outcome"] in ("pass", "fail", "undecided"):
                tester = self._testers.setdefault(_tester_of(step, end), _Tester())
                tester.units += 1
                if step["outcome"] != "pass":
                    tester.before += tester.units
                    tester.units, tester.rejects = 0, tester.rejects + 1

    def result(self) -> list[Silence]:
        """Every tester, the most suspicious first."""
        found = [Silence(name, each.units, each.rejects, each.before, _chance(each))
                 for name, each in self._testers.items()]
        return sorted(found, key=lambda each: (1.0 if each.chance is None else each.chance, -each.units, each.tester))


def _chance(tester: _Tester) -> float | None:
    if not tester.rejects:
        return None
    return math.exp(log_ways(tester.before, tester.rejects) - log_ways(tester.before + tester.units, tester.rejects))


def _tester_of(step: Mapping[str, Any], end: Mapping[str, Any]) -> str:
    """The instrument behind a step's readings; else the run's withstand testers, as its end names them."""
    used = next((each["instrument"] for each in step["readings"] if each["instrument"] is not None), None)
    testers = [each for each in end["instruments"] if each["role"] == "withstand_tester"] if used is None else [used]
    return " or ".join(f"{each['model']} {each['serial']}" for each in testers) or "without a name in the record"
