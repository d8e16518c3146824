"""From an open station to a verification: the plan, the run through the one door, relays and guard, and the results."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from contextlib import AbstractContextManager
from dataclasses import dataclass, field, replace
from decimal import Decimal
from typing import Any

from eolseq.bands.uncertainty import Span
from eolseq.clock import Clock
from eolseq.engine.arrows import KEEP_CLEAR, Listen
from eolseq.engine.bench import RunBench
from eolseq.engine.events import Event, Instruction
from eolseq.engine.recording import Bay, RunLog
from eolseq.engine.run import Acknowledge, Gate, RunResult, UnitRun
from eolseq.errors import Refused, StationFault
from eolseq.instruments.roles import ROLES
from eolseq.quantity import UNITS, Quantity
from eolseq.serials import AIRFLOW
from eolseq.station.open import OpenStation
from eolseq.station.shown import BY_REFERENCE, off_not_shown, reference_for, seen_off, verifiable
from eolseq.verification.guard_check import Ask, verify_guard, verify_relays
from eolseq.verification.plan import SERIAL, Planned, plan_for
from eolseq.verification.pressure_check import GaugeCheck
from eolseq.verification.reference_plan import FAN_WORDS, airflow_plan, cautions_of, frequency_steps
from eolseq.verification.references import References, Typed, refuse_past_due
from eolseq.verification.results import Result, results
from eolseq.verification.steps import SpanOf
from eolseq.verification.tap import not_rated

GUARD_PATIENCE = 60.0  # seconds for a person to open or close a contact


@dataclass(frozen=True)
class Verified:
    """What was found, and the run it was found in; None where nothing had to be energised."""

    results: tuple[Result, ...]
    run: RunResult | None
    crash: Exception | None = None
    left_out: tuple[str, ...] = ()
    own_runs: Mapping[str, RunResult] = field(default_factory=dict)
    """By instrument, the run in which it was held where that was one of its own."""
    notes: tuple[str, ...] = ()
    """What these checks do not show, each with what to do."""


@dataclass
class Verifier:
    """Verifies instruments of an open station. ``ask`` has something done to the guard.

    A simulated bench's own loads are passed in as numbers, since this room knows no simulator; ``references`` brings
    what reference meters show. ``emit_unit`` tells events of a run with a unit in the bay, ``emit`` of one without.
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
    references: References = field(default_factory=Typed)
    emit_unit: Callable[[Event], None] | None = None
    listen: Listen | None = None  # None: nobody is at a terminal

    def plan(self, chosen: tuple[str, ...]) -> Planned:
        """The steps for these instruments; Refused when a known load is missing, past due or underrated."""
        for why in not_rated(self.opened.station, self.pages):
            raise Refused(why, "Nothing was energised.")
        players = self.opened.bay(self.bay.name).players
        roles = {name: player.role for name, player in players.items()}
        today, station = self.clock.now().date(), self.opened.station
        more = frequency_steps(station, {name: roles[name] for name in chosen}, self.span_of(),
                               lambda name, setting, value: self.pages[name].fits(setting, value), self.references,
                               today)
        return plan_for(station, roles, chosen, self.span_of(), today, more, cautions_of(more))

    def verify(self, chosen: tuple[str, ...]) -> Verified:
        """Run the plan, then look at relays and guard, as far as they were chosen."""
        with self.opened.noting(self.bay.name):
            return self._verified(chosen)

    def _verified(self, chosen: tuple[str, ...]) -> Verified:
        here = self.opened.bay(self.bay.name)
        self._refuse_others(chosen)
        station = self.opened.station
        left_out = tuple(each for each in chosen if not verifiable(station, self.opened.players[each].role))
        if set(left_out) == set(chosen):
            raise Refused(f"No known load and no reference meter here shows whether {', '.join(chosen)} is good.",
                          "Name a reference meter in the station file, or rely on the challenge: eolseq challenge.")
        self._refuse_references(chosen)
        planned, found = self.plan(chosen), list[Result]()
        run, crash = None, None
        if planned.plan.steps:
            unit = UnitRun(self.clock, planned.plan, self.bay, self.log, self.emit, self.acknowledge, self.gates,
                           reference=True, listen=self.listen)
            run, crash = unit.run(SERIAL), unit.crash
            if run.index is None or str(run.outcome) in ("refused", "stopped") or self.bay.door.voltage_possible:
                return Verified(tuple(results(run.steps, planned.instruments, self.simulated)), run, crash, left_out)
            found += results(run.steps, planned.instruments, self.simulated)
        for name in chosen:
            role = self.opened.players[name].role
            if role == "switching_unit":
                with self._taken("resistance_meter", "continuity_tester"):  # their ways are closed, relay by relay
                    found.append(verify_relays(name, self._bare_bench(), self.opened.station.known_loads))
            elif role == "guard_unit":
                with self._taken(*(each.role for each in self._sources())):  # no other bay may have one on
                    found.append(verify_guard(name, here.watcher, here.door, self._sources(), self.ask,
                                              self.patience))
            elif role == "pressure_gauge" and name not in left_out:
                with self._taken(role):
                    found.append(self._gauge(name))
        return self._with_airflow(Verified(tuple(found), run, crash, left_out, notes=self._notes(chosen)), chosen)

    def _taken(self, *roles: str) -> AbstractContextManager[None]:
        """Where bays share instruments: this bay waits in line for these, as a step does."""
        return self.bay.lease(roles, lambda _: None)

    def _notes(self, chosen: tuple[str, ...]) -> tuple[str, ...]:
        testers = [each for each in chosen if self.opened.players[each].role == "continuity_tester"]
        return () if seen_off(self.opened.station) else tuple(off_not_shown(each) for each in testers)

    # -- by reference meters --------------------------------------------------------------------------------------

    def _refuse_references(self, chosen: tuple[str, ...]) -> None:
        """Refused before anything is energised when a reference meter that will be read is past due."""
        for name in chosen:
            measures = BY_REFERENCE.get(self.opened.players[name].role, "")
            meter = reference_for(self.opened.station, measures)
            if meter is not None:
                refuse_past_due(meter, self.clock.now().date())

    def _gauge(self, name: str) -> Result:
        meter = reference_for(self.opened.station, "pressure")
        if meter is None:
            raise Refused(f"{name} cannot be verified: the station file names no reference meter for pressure.",
                          "Add one under 'reference_meters'.")
        span_of = self.span_of()
        return GaugeCheck(name, meter, self.references, lambda value: span_of("pressure_gauge", "pressure", value),
                          self.ask).verify(self._bare_bench(self._but_keep_clear))

    def _with_airflow(self, found: Verified, chosen: tuple[str, ...]) -> Verified:
        """The airflow meter in a run of its own, since it needs a unit with a fan where known loads were."""
        station = self.opened.station
        meter = reference_for(station, "airflow")
        for name in (each for each in chosen if self.opened.players[each].role == "airflow_meter"):
            if meter is None or self.bay.door.voltage_possible or found.crash is not None:
                continue
            planned = airflow_plan(station, name, self.span_of(), self.references, self.clock.now().date())
            self.ask("Take the known loads off.", f"place {meter.name}")
            self.bay.watcher.seen_open = False  # the guard must be opened for this unit, whatever was opened before
            unit = UnitRun(self.clock, planned.plan, self.bay, self.log, self._with_fan(meter.name), self.acknowledge,
                           self.gates, reference=True, listen=self.listen)
            run = unit.run(AIRFLOW)
            found = replace(found, crash=unit.crash, own_runs={**found.own_runs, name: run},
                            results=(*found.results, *results(run.steps, planned.instruments)))
        return found

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
            there = self.opened.station.bay_of(strangers[0])
            raise Refused(f"{', '.join(strangers)} cannot be verified at {self.bay.name}.",
                          f"Verify at the bay where it stands: --bay {there}.")

    def _with_fan(self, meter: str) -> Callable[[Event], None]:
        """Tells events of a run with a fan in the bay: which unit is to be connected, and what else."""
        tell = self.emit_unit or self.emit

        def told(event: Event) -> None:
            unit = isinstance(event, Instruction) and "connect the unit" in event.text
            tell(Instruction(FAN_WORDS.format(meter=meter)) if unit else event)
        return told

    def _but_keep_clear(self, event: Event) -> None:
        """No test is running while a gauge is pumped up."""
        if event is not KEEP_CLEAR:
            self.emit(event)

    def _bare_bench(self, emit: Callable[[Event], None] | None = None) -> RunBench:
        """Relays only: what would energise is refused."""
        def refuse(source: str, _: Mapping[str, Any]) -> None:
            raise StationFault(f"{source} was to be energised outside a run.", "Report this to whoever maintains it.")

        return RunBench(self.clock, self.bay.instruments, self.bay.channels, self.bay.watcher, self.bay.door,
                        emit or self.emit, refuse, listen=self.listen)
