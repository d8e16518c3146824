"""The gates of the fixture at the bay and of the instruments' own counts of tests, put together for a run."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from typing import TYPE_CHECKING, Any

from eolseq.errors import Refused, StationFault, Stopped
from eolseq.verification.counters import jumped, verify_it
from eolseq.verification.standing import Reason

if TYPE_CHECKING:
    from eolseq.clock import Clock
    from eolseq.records.log import Log
    from eolseq.sequence.model import Sequence
    from eolseq.station.counts import SharedCounts
    from eolseq.station.fixture_fields import FixtureRules
    from eolseq.station.open import OpenStation
    from eolseq.verification.fixtures import Told


class FixtureGate:
    """Refuses a unit while the fixture at the bay is not the right one, or something about it is due or wrong."""

    def __init__(self, sequence: Sequence, opened: OpenStation, log: Log, clock: Clock, bay: str = "") -> None:
        self._sequence, self._opened, self._log, self._clock = sequence, opened, log, clock
        self._bay = bay or opened.station.bays[0]

    def __call__(self, serial: str) -> None:
        """Raise Refused, with every reason; a fixture that was not there before is written into the log."""
        from eolseq.verification.fixtures import Now, fixture_reasons, mounted, mounted_last
        from eolseq.verification.standing import Reason

        opened, steps, bay = self._opened, self._sequence.steps, self._opened.of_several(self._bay)
        fixtures = opened.station.fixtures
        plug = read_plug(opened, self._clock, self._bay) if _plugs_at(fixtures, bay) else None
        found = mounted(fixtures, self._sequence.unit.models, plug, bay)
        if isinstance(found, Reason):
            raise _refusal([found])
        if bay:
            self._refuse_twice(found.name)
        if (self._log.mounted.get(bay) if bay else mounted_last(self._told())) != found.name:
            self._log.append(mounted_entry(opened, found.name, plug, self._bay))
        zeros = frozenset(filter(None, (getattr(step, "zero", "") for step in steps)))
        reasons = fixture_reasons(found, Now(
            self._clock.now().date(), self._told(), self._log.runs_since,
            any(step.kind == "ground_continuity" for step in steps), zeros, bay),
            opened.station.bays if bay else ("",))
        if reasons:
            raise _refusal(reasons)

    def _told(self) -> tuple[Told, ...]:
        from eolseq.commands.covering import told_in

        return told_in(self._log, simulated=bool(self._opened.station.simulated))

    def _refuse_twice(self, name: str) -> None:
        """One fixture is at one bay: what is under test elsewhere on it cannot be here."""
        from eolseq.records.runs import same_fixture

        for run in self._log.open_runs():
            if run.bay != self._bay and self._log.mounted.get(run.bay) == name:
                raise same_fixture(self._bay, name, run.bay)


def _plugs_at(fixtures: tuple[FixtureRules, ...], bay: str) -> bool:
    return any(each.plug is not None and (not bay or each.bay in ("", bay)) for each in fixtures)


def mounted_entry(opened: OpenStation, name: str, plug: Decimal | None, bay: str) -> Any:
    """The entry that another fixture is at a bay."""
    from eolseq.records.fixture_entries import Fixture

    how = "taken to be there, since it fits and has no coded plug" if plug is None else \
        f"its coded plug reads {plug:.5g} ohm"
    return Fixture(fixture=name, what="mounted", outcome="pass", sentence=f"{name} is at {bay}: {how}.",
                   by="the program", station_digest=opened.station.digest, bay=bay)


def read_plug(opened: OpenStation, clock: Clock, name: str) -> Decimal | None:
    """What the resistance meter reads on the coded plug of the fixture at a bay, in ohm; None where it sees none.

    Nothing is energised for it: the meter's own current is all that flows, and only through the plug. Where bays share
    the meter, the bay waits for it in line as a step does, and gives it back once its relays were seen open.
    """
    from eolseq.bands.band import ABOVE_RANGE
    from eolseq.engine.bench import RunBench
    from eolseq.station.fixture_fields import PLUG
    from eolseq.steps.base import Connections

    bay = opened.bay(name)
    bench = RunBench(clock, bay.by_role, bay.connections, bay.watcher, bay.door, lambda _: None, _never)
    meter = bench.instrument("resistance_meter")
    highest = max((each.plug for each in opened.station.fixtures if each.plug is not None), key=lambda each: each.base)
    try:
        with bay.lease(["resistance_meter"], lambda _: None), \
                bench.connected(PLUG.removeprefix("route-"), Connections()):
            meter.perform("prepare", expected=highest)
            reading = meter.perform("measure").readings["resistance"]
    except Stopped as error:
        raise Refused(error.what, error.do) from error
    if reading.base is None and reading.special != ABOVE_RANGE:
        raise StationFault(f"The resistance meter gives no reading of the coded plug: {reading}.",
                           "Call maintenance to check the meter and its leads.")
    return reading.base


def _never(source: str, _: Mapping[str, Any]) -> None:
    raise StationFault(f"{source} was to be energised outside a run.", "Report this to whoever maintains the program.")


class CounterGate:
    """Refuses units while an instrument's own count of tests shows that it was used outside the program."""

    def __init__(self, opened: OpenStation, log: Log, bay: str = "") -> None:
        self._opened, self._log, self._bay = opened, log, bay or opened.station.bays[0]

    def __call__(self, serial: str) -> None:
        """Raise Refused, with every instrument whose count moved since the log last knew it."""
        from eolseq.commands.run import counters_of
        from eolseq.records.tail import newest_first
        from eolseq.verification.counters import KINDS, counter_reason, counts_back

        if self._opened.counts is not None:
            self._look_at_bay(self._opened.counts)
            return
        found = []
        for name, now in counters_of(self._opened).items():
            identity = self._opened.identities[name]
            newest = newest_first(self._log.path, self._log.origin, KINDS)
            reason = counter_reason(name, now, counts_back(name, identity.model, identity.serial, newest))
            found += [reason] if reason is not None else []
        if found:
            raise _refusal(found)


    def _look_at_bay(self, counts: SharedCounts) -> None:
        """Where there are several bays: hold what is free now against what is known; who has the rest looks there."""
        looked = counts.look(self._bay, self._opened.bay(self._bay).players)
        for name, now in looked.items():
            if name in counts.unsure and _against_log(self._opened, self._log, name, now) is None:
                counts.settle(name)
        for name in counts.noted & counts.moved.keys():
            if verified_since(self._opened, self._log, name):
                counts.settle(name)
        found = [jumped(name, *counts.moved[name], self._bay) for name in counts.moved
                 if name in self._opened.bay(self._bay).players]
        found += [Reason(f"The test counter of {name} could not be read after it was used.",
                         verify_it(name, self._bay))
                  for name in looked if name in counts.unsure and name not in counts.moved]
        if found:
            raise _refusal(found)


def start_counts(opened: OpenStation, log: Log) -> None:
    """Where there are several bays: look at every count as the station is opened, and hold it against the log."""
    counts = opened.counts
    if counts is None:
        return
    counts.start(strict=opened.station.checks is not None)
    for name, now in counts.known().items() if counts.strict else ():
        known = _against_log(opened, log, name, now)
        if known is not None:
            counts.moved[name] = (known, now)


def _against_log(opened: OpenStation, log: Log, name: str, now: int) -> int | None:
    """The count that the log knows, where what an instrument shows is another; else None."""
    from eolseq.records.tail import newest_first
    from eolseq.verification.counters import KINDS, of_all_bays

    identity = opened.identities[name]
    newest = newest_first(log.path, log.origin, KINDS)
    return of_all_bays(name, now, (identity.model, identity.serial), newest)


def verified_since(opened: OpenStation, log: Log, name: str) -> bool:
    """Whether a verification that an instrument passed took note of its count after the last run that did."""
    from eolseq.records.tail import newest_first
    from eolseq.verification.counters import KINDS, noted

    identity = opened.identities[name]
    return noted((identity.model, identity.serial), newest_first(log.path, log.origin, KINDS))


def _refusal(reasons: list[Reason]) -> Refused:
    return Refused("\n".join(f"{each.what} {each.do}" for each in reasons))
