"""Every gate that a unit must pass before its test, put together for a station: the one list for all commands.

A gate is called with the serial and raises Refused with what to do; a gate that the station file does not ask for is
not in the list. One may give back the indices of entries that the run rests on.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from eolseq.clock import Clock
    from eolseq.engine.events import Cautions
    from eolseq.records.log import Log
    from eolseq.sequence.model import Sequence
    from eolseq.station.open import OpenStation

Gate = Callable[[str], "tuple[int, ...] | None"]
Acknowledge = Callable[["Cautions"], "str | None"]


@dataclass(frozen=True)
class Setting:
    """What gates look at: the sequence, the open station with its driver pages, its log, and the clock.

    ``operators``: the ids of all who are signed in, so that a trainee may test beside one who is qualified. ``bay``:
    where the unit is; the first one where it is left out.
    """

    sequence: Sequence
    opened: OpenStation
    pages: Mapping[str, Any]
    log: Log
    clock: Clock
    trial: bool = False
    operators: tuple[str, ...] = ()
    bay: str = ""


@dataclass(frozen=True)
class Gates:
    """``of_unit`` in order; ``approval`` is the index of the sequence's approval; ``of_person`` raises Refused."""

    of_unit: list[Gate]
    approval: int | None
    of_person: list[Gate]

    def acknowledged(self, asking: Acknowledge) -> Acknowledge:
        """The same question, but an operator who may not run this is refused after answering it."""
        def ask(cautions: Cautions) -> str | None:
            operator = asking(cautions)
            for gate in self.of_person if operator else ():
                gate(str(operator))
            return operator
        return ask


def gates_of(setting: Setting) -> Gates:
    """The gates of a run of this sequence at this station, now; what was handed in about units is entered first."""
    from eolseq.commands.approving import ApprovalGate
    from eolseq.commands.checking import ChangeoverGate, StandingGate
    from eolseq.commands.line_gates import PastGate, PersonGate
    from eolseq.commands.waiting import take_in

    take_in(setting.log, setting.opened.station)
    now, bay = setting.clock.now(), setting.bay or setting.opened.station.bays[0]
    approval = ApprovalGate(setting.sequence, setting.opened.station, setting.pages, setting.log, now.date(),
                            trial=setting.trial)
    standing = StandingGate(setting.sequence, setting.opened, setting.pages, setting.log, now, trial=setting.trial,
                            bay=bay)
    of_unit: list[Gate] = [approval, standing]
    if setting.opened.station.checks is not None and any(getattr(each, "count", None) for each in
                                                         setting.pages.values()):
        from eolseq.commands.fixture_gates import CounterGate

        of_unit.append(CounterGate(setting.opened, setting.log, bay))
    if setting.opened.station.fixtures:
        from eolseq.commands.fixture_gates import FixtureGate

        of_unit.append(FixtureGate(setting.sequence, setting.opened, setting.log, setting.clock, bay))
        if setting.opened.station.checks is not None and not setting.trial:
            of_unit.append(ChangeoverGate(setting.sequence, setting.opened, setting.pages, setting.log, setting.clock,
                                          bay))
    rules = setting.opened.station.rework
    if rules.needed or rules.attempts is not None or rules.stops is not None:
        of_unit.append(PastGate(setting.sequence, setting.opened.station, setting.log))
    if setting.sequence.needs:
        from eolseq.commands.earlier import EarlierGate

        of_unit.append(EarlierGate(setting.sequence, setting.opened.station.earlier, setting.log, setting.clock))
    if setting.opened.station.labels is not None:
        from eolseq.commands.labelling import label_gate

        of_unit += label_gate(setting.opened.station, setting.sequence, setting.log, trial=setting.trial)
    of_person: list[Gate] = []
    if setting.opened.station.people.needed:
        of_person.append(PersonGate(setting.sequence, setting.opened.station, setting.log, now.date(),
                                    setting.operators))
    return Gates(of_unit, approval.index, of_person)
