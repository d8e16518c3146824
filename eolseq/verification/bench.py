"""From an open station to a verification: the plan, the run through the one door, relays and guard, and the results."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from eolseq.bands.uncertainty import Span
from eolseq.clock import Clock
from eolseq.engine.bench import RunBench
from eolseq.engine.events import Event
from eolseq.engine.recording import Bay, RunLog
from eolseq.engine.run import Acknowledge, Gate, RunResult, UnitRun
from eolseq.errors import Refused, StationFault
from eolseq.instruments.roles import ROLES
from eolseq.quantity import UNITS, Quantity
from eolseq.station.open import OpenStation
from eolseq.verification.guard_check import Ask, verify_guard, verify_relays
from eolseq.verification.plan import SERIAL, VERIFIABLE, Planned, plan_for
from eolseq.verification.results import Result, results
from eolseq.verification.steps import SpanOf

GUARD_PATIENCE = 60.0  # seconds for a person to open or close a contact


@dataclass(frozen=True)
class Verified:
    """What was found, and the run it was found in; None where nothing had to be energised."""

    results: tuple[Result, ...]
    run: RunResult | None
    crash: Exception | None = None
    left_out: tuple[str, ...] = ()


@dataclass
class Verifier:
    """Verifies instruments of an open station. ``ask`` has something done to the guard.

    A simulated bench's own loads are passed in as numbers, since this room knows no simulator.
    """

    clock: Clock
    opened: OpenStation
    pages: Mapping[str, Any]
    bay: Bay
    log: RunLog
    emit: Callable[[Event], None]
    acknowledge: Acknowledge
    ask: Ask
    gates: tuple[Gate, ...] = ()
    patience: float = GUARD_PATIENCE
    simulated: Mapping[str, Decimal] | None = None  # ohms of each known load, as a simulated bench has it

    def plan(self, chosen: tuple[str, ...]) -> Planned:
        """The steps for these instruments; Refused when a known load is missing, past due or underrated."""
        roles = {name: player.role for name, player in self.opened.bay(self.bay.name).players.items()}
        return plan_for(self.opened.station, roles, chosen, self.span_of(), self.clock.now().date())

    def verify(self, chosen: tuple[str, ...]) -> Verified:
        """Run the plan, then look at relays and guard, as far as they were chosen."""
        here = self.opened.bay(self.bay.name)
        self._refuse_others(chosen)
        left_out = tuple(each for each in chosen if self.opened.players[each].role not in VERIFIABLE)
        if set(left_out) == set(chosen):
            raise Refused(f"No known load can show whether {', '.join(chosen)} is good.",
                          "The challenge of the station covers it: eolseq challenge.")
        planned, found = self.plan(chosen), list[Result]()
        run, crash = None, None
        if planned.plan.steps:
            unit = UnitRun(self.clock, planned.plan, self.bay, self.log, self.emit, self.acknowledge, self.gates,
                           reference=True)
            run, crash = unit.run(SERIAL), unit.crash
            if run.index is None or str(run.outcome) in ("refused", "stopped") or self.bay.door.voltage_possible:
                return Verified(tuple(results(run.steps, planned.instruments, self.simulated)), run, crash, left_out)
            found += results(run.steps, planned.instruments, self.simulated)
        for name in chosen:
            role = self.opened.players[name].role
            if role == "switching_unit":
                found.append(verify_relays(name, self._bare_bench(), self.opened.station.known_loads))
            elif role == "guard_unit":
                found.append(verify_guard(name, here.watcher, here.door, self._sources(), self.ask,
                                          self.patience))
        return Verified(tuple(found), run, crash, left_out)

    def span_of(self) -> SpanOf:
        """In which range the station's instrument of a role reads a value, with its accuracy there."""
        names = {player.role: name for name, player in self.opened.bay(self.bay.name).players.items()}

        def span(role: str, reading: str, value: Quantity) -> Span | None:
            name = names.get(role)
            given = self.pages[name].gives.get(reading) if name is not None else None
            if name is None or given is None:
                return None
            return self.bay.used[name].span_of([(role, reading, Quantity(value.base, UNITS[given.unit][0]))], reading,
                                               UNITS[given.unit][0], None)
        return span

    def _sources(self) -> list[Any]:
        players = self.opened.bay(self.bay.name).players
        return [player for player in players.values() if ROLES[player.role].danger]

    def _refuse_others(self, chosen: tuple[str, ...]) -> None:
        """What stands at another bay would be taken for this bay's own instrument of its role."""
        strangers = [name for name in chosen if name not in self.opened.bay(self.bay.name).players]
        if strangers:
            there = next(each.name for each in self.opened.bays if strangers[0] in each.players)
            raise Refused(f"{', '.join(strangers)} cannot be verified at {self.bay.name}.",
                          f"Verify at the bay where it stands: --bay {there}.")

    def _bare_bench(self) -> RunBench:
        """Relays only: what would energise is refused."""
        def refuse(source: str, _: Mapping[str, Any]) -> None:
            raise StationFault(f"{source} was to be energised outside a run.", "Report this to whoever maintains it.")

        return RunBench(self.clock, self.bay.instruments, self.bay.channels, self.bay.watcher, self.bay.door, self.emit,
                        refuse)
