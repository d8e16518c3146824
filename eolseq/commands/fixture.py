"""``eolseq fixture``: measure a fixture without a unit, enter that it was inspected, or show how all of them stand."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Mapping
from contextlib import suppress
from datetime import date, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

from eolseq.commands import carrying, signing
from eolseq.commands.tracing import trace_argument
from eolseq.commands.unitless import without_unit
from eolseq.errors import Refused, WrongUse

if TYPE_CHECKING:
    from eolseq.engine.run import RunResult
    from eolseq.records.fixture_entries import Fixture
    from eolseq.records.keys import SigningKey
    from eolseq.records.log import Log
    from eolseq.station.file import Station
    from eolseq.station.fixture_fields import FixtureRules

NAME = "fixture"
HELP = """measure or inspect fixtures and lead sets

zero      what its leads read on the shorting piece (no unit in it)
baseline  whether it has an accidental earth, and what its open leads draw at test voltage (nothing in it)
inspect   enter that somebody inspected it; its count of units begins anew
show      how every fixture of the station stands

DANGER: the baseline puts full test voltage on open leads. The hard-wired interlock of the station is the safety
function, never this program. On a real station maintenance signs what it measured or inspected (--key)."""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what is done to which fixture, where, and by whom."""
    parser.add_argument("what", metavar="WHAT", choices=("zero", "baseline", "inspect", "show"),
                        help="zero, baseline, inspect or show")
    parser.add_argument("fixture", metavar="FIXTURE", nargs="?", help="its name in the station file")
    parser.add_argument("--station", metavar="S", type=Path, required=True, help="the station file")
    parser.add_argument("--bay", metavar="NAME", help="where there are several bays: the one to measure at; the "
                        "first if left out")
    parser.add_argument("--acknowledge", metavar="OPERATOR",
                        help="acknowledge the cautions in this operator's name; simulated stations only")
    parser.add_argument("--by", metavar="PERSON", help="who inspected it")
    parser.add_argument("--found", metavar="TEXT", help="what was found and done at the inspection")
    signing.signing_arguments(parser)
    trace_argument(parser)


def run(options: argparse.Namespace) -> int:
    """Measure, enter or show; 0 when it is in order, 1 when what was measured is not."""
    from eolseq.shipped import find
    from eolseq.station.file import load_station

    path = find(options.station, shipped=True)
    station = load_station(path)
    if options.what == "show":
        return _show(station)
    fixture = _named(options, station)
    bay = _bay(options, station, fixture)
    if not station.simulated and options.acknowledge is not None:
        raise Refused(f"--acknowledge is for simulated stations only; {station.name} is real.", "Leave it out.")
    if not station.simulated and options.key is None:
        raise WrongUse("Only maintenance does this on a real station.", "Give --key of maintenance.")
    if options.what == "inspect" and not (options.by and options.found):
        raise WrongUse("Who inspected it, and what was found?", "Give --by and --found.")
    if options.what == "inspect":
        carrying.named(options.by)
    key = signing.person_key(options)  # asked for before anything is energised
    if options.what == "inspect":
        return _inspect(options, station, fixture, key)
    return _measure(options, station, path, fixture, key, bay)


def _named(options: argparse.Namespace, station: Station) -> FixtureRules:
    names = ", ".join(each.name for each in station.fixtures) or "none"
    if not options.fixture:
        raise WrongUse("Which fixture?", f"Those of {station.name}: {names}.")
    for each in station.fixtures:
        if each.name == options.fixture:
            return each
    raise WrongUse(f"{station.name} has no fixture '{options.fixture}'.", f"There are: {names}.")


def _bay(options: argparse.Namespace, station: Station, fixture: FixtureRules) -> str:
    """The bay to measure at; WrongUse for one that there is not, or at which the fixture does not stand."""
    bay: str = options.bay or fixture.bay or station.bays[0]
    if bay not in station.bays:
        raise WrongUse(f"{station.name} has no bay '{bay}'.", f"Its bays are {', '.join(station.bays)}.")
    if fixture.bay not in ("", bay):
        raise WrongUse(f"{fixture.name} stands at {fixture.bay}, not at {bay}.", f"Give --bay {fixture.bay}.")
    return bay


# -- an inspection ----------------------------------------------------------------------------------------------


def _inspect(options: argparse.Namespace, station: Station, fixture: FixtureRules, key: SigningKey | None) -> int:
    from eolseq.clock import SystemClock
    from eolseq.records.fixture_entries import Fixture
    from eolseq.records.log import Log

    clock = SystemClock()
    role = "simulated station" if station.simulated else "station"
    with Log.open(Path(station.records), origin_name=station.origin, key_path=Path(station.key), role=role,
                  clock=clock) as log:
        _refuse_key(log, key)
        days = fixture.inspect_every
        until = None if days is None else (clock.now().date() + timedelta(days=days)).isoformat()
        index = _append(log, Fixture(
            fixture=fixture.name, what="inspected", outcome="pass", sentence=options.found.strip()[:400],
            by=_person(options.by, key), good_until=until, station_digest=station.digest), key)
        log.checkpoint()
    due = f" It is due again after {until}." if until is not None else ""
    print(signing.visible(f"{fixture.name} was inspected by {options.by} (entry {index}).{due}"))
    return 0


def _append(log: Log, entry: Fixture, key: SigningKey | None) -> int:
    """Write an entry about a fixture, with a document of it that maintenance signs where there is a key."""
    from dataclasses import replace

    from eolseq.records.documents import FIXTURE_TYPE, make_document
    from eolseq.records.station_checks import fixture_payload

    if key is None:
        return log.append(entry)
    with suppress(Refused):
        log.refuse_wrong_clock()  # its mark comes first, since the document names the very entry that carries it
    document = make_document(FIXTURE_TYPE, fixture_payload(log.origin, log.size, entry), key)
    return log.append(replace(entry, document=document.decode()))


def _refuse_key(log: Log, key: SigningKey | None) -> None:
    from eolseq.commands.verify import refuse_key

    refuse_key(log, key)


def _person(by: str, key: SigningKey | None) -> str:
    return by.strip()[:80] if key is None else f"{by.strip()[:80]}, key {key.keyid}"


# -- a measurement ----------------------------------------------------------------------------------------------


def _measure(options: argparse.Namespace, station: Station, path: Path, fixture: FixtureRules,
             key: SigningKey | None, bay: str) -> int:
    from eolseq.commands import run as running
    from eolseq.commands.approving import FilesGate
    from eolseq.commands.bench import at_bench
    from eolseq.commands.verify import asker

    pages = running.pages_of(station)
    with at_bench(options, station, path, pages, sys.stdout, bay) as at:
        opened, log, clock, tell = at.opened, at.log, at.wires.clock, at.screen.tell
        _refuse_key(log, key)
        piece = fixture.zero.shorting_piece if fixture.zero else ""
        asker(at.order, tell)(_INSTRUCTIONS[options.what].format(piece=piece), _ORDERS[options.what])
        gates = [FilesGate(station, pages, log, clock.now().date())]
        result, index = measure(fixture, options.what, opened, pages, clock, log, tell, at.asking, gates,
                                _person(options.acknowledge or "at the terminal", key), key, bay)
    at_bay = f" at {bay}" if len(station.bays) > 1 else ""
    print(signing.visible(f"{fixture.name}{at_bay}, {options.what}: {str(result.outcome).upper()}. {_said(result)}"
                          + (f" (entry {index})" if index is not None else " NOT MEASURED.")))
    return 0 if str(result.outcome) == "pass" else running.EXITS[str(result.outcome)]


_INSTRUCTIONS = {"zero": "Take the unit out. Connect the shorting piece {piece} in its place.",
                 "baseline": "Take the unit out. Leave the fixture empty, its leads free of everything."}
_ORDERS = {"zero": "fit shorted", "baseline": "fit empty"}


def measure(fixture: FixtureRules, what: str, opened: Any, pages: Mapping[str, Any], clock: Any, log: Any,
            tell: Any, asking: Any, gates: list[Any], by: str,
            key: SigningKey | None = None, at_bay: str | None = None) -> tuple[RunResult, int | None]:
    """Measure a fixture without a unit, through cautions, guard and the one door; the entry that says what was found.

    ``what``: zero or baseline. What was refused or stopped says nothing of the fixture and makes no entry. ``key``, of
    maintenance, signs it. ``at_bay``: the bay, the first where none is named.
    """
    from eolseq.commands.run import bay_of
    from eolseq.engine.run import UnitRun
    from eolseq.verification.bench import Verifier
    from eolseq.verification.fixture_steps import SERIAL, fixture_plan

    station, bay = opened.station, bay_of(opened, pages, at_bay)
    span_of = Verifier(clock, opened, pages, bay, log, tell, asking, lambda *_: None).span_of()
    roles = {name: player.role for name, player in opened.bay(bay.name).players.items()}
    plan = fixture_plan(station, fixture, what, roles, span_of)
    told = without_unit(_IN_BAY[what], tell)
    result = UnitRun(clock, plan, bay, log, told, asking, gates, reference=True).run(SERIAL)
    if result.index is None or str(result.outcome) in ("refused", "stopped"):
        return result, None
    index = _append(log, _entry(fixture, what, result, station, clock.now().date(), by, bay.name), key)
    log.checkpoint()
    return result, index


_IN_BAY = {"zero": "Open the guard, connect the shorting piece and no unit, close the guard.",
           "baseline": "Open the guard, see that the fixture is empty, close the guard."}


def _said(result: RunResult) -> str:
    """What was found, for people; a run that passed speaks of a unit, and there is none."""
    return "Every reading lies in its band." if str(result.outcome) == "pass" else result.sentence


def _entry(fixture: FixtureRules, what: Any, result: RunResult, station: Station, today: date, by: str,
           bay: str) -> Fixture:
    from eolseq.records.fixture_entries import Fixture

    rules: Any = fixture.zero if what == "zero" else fixture.baseline
    readings = tuple(
        {"name": judged.name, "point": getattr(step, "point", None), "unit": judged.reading.unit,
         "value": None if judged.reading.value is None else f"{judged.reading.value:f}",
         "at_least": str(judged.band.at_least) if judged.band.at_least else None,
         "at_most": str(judged.band.at_most) if judged.band.at_most else None, "outcome": str(judged.outcome)}
        for step, verdict in result.steps for judged in verdict.readings)
    return Fixture(fixture=fixture.name, what=what, outcome=str(result.outcome), sentence=_said(result), by=by,
                   run=result.index, good_until=(today + timedelta(days=rules.good_for)).isoformat(),
                   station_digest=station.digest, readings=readings, bay=bay)


# -- what is shown ----------------------------------------------------------------------------------------------


def _show(station: Station) -> int:
    from eolseq.clock import SystemClock
    from eolseq.commands.covering import told_in
    from eolseq.quantity import counted
    from eolseq.records.reader import Records
    from eolseq.verification.fixtures import Now, cycles, fixture_reasons, mounted_last

    if not station.fixtures:
        print(f"{station.name} names no fixtures.")
        return 0
    has_log = (Path(station.records) / "log.jsonl").is_file()
    records = Records.open(Path(station.records)) if has_log else None
    told = told_in(records, simulated=bool(station.simulated)) if records is not None else ()
    since = records.runs_since if records is not None else _none_since
    now = SystemClock().now().date()
    bays = station.bays if len(station.bays) > 1 else ("",)
    for each in station.fixtures:
        here = [bay for bay in bays if mounted_last(told, bay) == each.name]
        at = f", at {' and '.join(here) or 'the bay'}" if here else f", for {each.bay}" if each.bay else ""
        number = cycles(told, each.name, since, bays)
        used = counted(number, "unit") if each.cycles is None else f"{number} of {each.cycles} units"
        print(signing.visible(f"{each.name}{at}: takes {', '.join(each.fits)}; {used}"))
        zeros = frozenset({each.name}) if each.zero is not None else frozenset()
        where = [bay for bay in bays if each.bay in ("", bay)]
        reasons = dict.fromkeys(one for bay in where
                                for one in fixture_reasons(each, Now(now, told, since, True, zeros, bay), bays))
        for line in [f"  {one.what} {one.do}" for one in reasons] or ["  in order"]:
            print(signing.visible(line))
    return 0


def _none_since(*_: Any) -> int:
    return 0
