"""``eolseq verify``: hold instruments against known loads, and say which units are suspect when one does not hold."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

from eolseq.commands import signing
from eolseq.commands.tracing import trace_argument
from eolseq.commands.unitless import KNOWN_LOADS, without_unit
from eolseq.errors import Refused, WrongUse

if TYPE_CHECKING:
    from decimal import Decimal

    from eolseq.commands.wiring import Order
    from eolseq.records.keys import SigningKey
    from eolseq.records.log import Log
    from eolseq.station.file import Station
    from eolseq.verification.bench import Verified
    from eolseq.verification.results import Result

NAME = "verify"
HELP = """hold instruments against known loads

DANGER: a withstand tester is dangerous while it is verified: full test voltage is at the known load. The hard-wired
interlock is the safety function, never this program. On a real station maintenance signs each result (--key)."""

CHART_ROWS = 10
"""How many earlier verifications the chart of drift shows, the newest ones."""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the instruments, the station, who acknowledges and who signs."""
    parser.add_argument("instrument", metavar="INSTRUMENT", nargs="?", help="its name in the station file")
    parser.add_argument("--all", action="store_true", help="every instrument of the station, or of the bay")
    parser.add_argument("--bay", metavar="NAME", help="where there are several bays: the one to verify at; the "
                        "first if left out")
    parser.add_argument("--station", metavar="S", type=Path, required=True, help="the station file")
    parser.add_argument("--acknowledge", metavar="OPERATOR",
                        help="acknowledge the cautions in this operator's name; simulated stations only")
    parser.add_argument("--json", action="store_true", help="one JSON document on standard output, words on error")
    signing.signing_arguments(parser)
    trace_argument(parser)


def run(options: argparse.Namespace) -> int:
    """Verify; 0 when all held, 1 when one did not."""
    from eolseq.shipped import find
    from eolseq.station.file import load_station

    path = find(options.station, shipped=True)
    station = load_station(path)
    chosen = _chosen(options, station)
    if not station.simulated and options.acknowledge is not None:
        raise Refused(f"--acknowledge is for simulated stations only; {station.name} is real.", "Leave it out.")
    if not station.simulated and options.key is None:
        raise WrongUse("Maintenance signs what is verified on a real station.", "Give --key.")
    key = signing.person_key(options)  # asked for before anything is energised
    found, entries = _verify(options, station, path, chosen, key)
    return _report(options, station, found, entries)


def _chosen(options: argparse.Namespace, station: Station) -> tuple[str, ...]:
    if options.bay is not None and options.bay not in station.bays:
        raise WrongUse(f"{station.name} has no bay '{options.bay}'.", f"Its bays are {', '.join(station.bays)}.")
    bay = options.bay or station.bays[0]
    elsewhere = {name for each in station.places if each.name != bay for name in (each.guard, *each.own)}
    names = tuple(each.name for each in station.instruments if each.name not in elsewhere)
    if options.all == (options.instrument is not None):
        raise WrongUse("Name one instrument, or give --all.", f"They are {', '.join(names)}.")
    if options.all:
        return names  # what cannot be verified is told with the results
    if options.instrument in elsewhere:
        there = station.bay_of(options.instrument)
        raise WrongUse(f"{options.instrument} stands at {there}, not at {bay}.", f"Give --bay {there}.")
    if options.instrument not in names:
        raise WrongUse(f"{station.name} has no instrument {options.instrument}.", f"They are {', '.join(names)}.")
    return (options.instrument,)


# -- at the bench -----------------------------------------------------------------------------------------------


def _verify(options: argparse.Namespace, station: Station, path: Path, chosen: tuple[str, ...],
            key: SigningKey | None) -> tuple[Verified, dict[str, int]]:
    from eolseq.commands import run as running
    from eolseq.commands.approving import FilesGate
    from eolseq.commands.bench import at_bench
    from eolseq.commands.references import references_of
    from eolseq.screen.numbers import typed_at_terminal
    from eolseq.verification.bench import Verifier

    pages = running.pages_of(station)
    with at_bench(options, station, path, pages, sys.stderr if options.json else sys.stdout, options.bay) as at:
        opened, log, clock, tell = at.opened, at.log, at.wires.clock, at.screen.tell
        refuse_key(log, key)
        bay = running.bay_of(opened, pages, options.bay)
        verifier = Verifier(clock, opened, pages, bay, log, without_unit(KNOWN_LOADS, tell), at.asking,
                            asker(at.order, tell), (FilesGate(station, pages, log, clock.now().date()),),
                            simulated=simulated_loads(station), references=references_of(station, at.order),
                            emit_unit=tell, listen=typed_at_terminal)
        found = verifier.verify(chosen)
        entries = record_results(log, station, found, opened.identities, pages, key, running.counters_after(opened))
    if found.crash is not None:
        import traceback

        traceback.print_exception(found.crash, file=sys.stderr)
    return found, entries


@contextmanager
def bench_of(station: Station, path: Path,
             bay: str | None = None) -> Iterator[tuple[Mapping[str, str], Order | None]]:
    """Every instrument's address, and the way to give a simulated station orders (None at a real one)."""
    if not station.simulated:
        yield {each.name: each.address for each in station.instruments}, None
        return
    from eolseq.commands.wiring import simulated_bench
    from eolseq.shipped import find
    from eolseq.simulation.file import load_simulator

    serial = load_simulator(find(station.simulated, shipped=True)).serial
    with simulated_bench(station, path, serial, bay=bay) as (addresses, order):
        yield addresses, order


def simulated_loads(station: Station) -> dict[str, Decimal]:
    """By known load, the ohms that the simulated bench has there; none at a real station."""
    if not station.simulated:
        return {}
    from decimal import Decimal

    from eolseq.shipped import find
    from eolseq.simulation.file import load_simulator

    loads = load_simulator(find(station.simulated, shipped=True)).fixture["loads"]
    return {name: Decimal(str(ohms)) for name, ohms in loads.items()}


def asker(order: Order | None, tell: Callable[[Any], None]) -> Callable[[str, str], None]:
    """Has a person, or a simulated station, do something to the guard."""
    def ask(words: str, what: str) -> None:
        from eolseq.engine.events import Instruction

        tell(Instruction(words))
        if order is not None:
            verb, _, which = what.partition(" ")
            order({verb: which})
    return ask


def refuse_key(log: Log, key: SigningKey | None) -> None:
    """Refused, before anything is energised, when the key that will sign is not one of maintenance that holds."""
    if key is None:
        return
    from eolseq.records.approvals import Standing

    registry = Standing(log.documents).registry
    known = registry.keys.get(key.keyid)
    if known is None or known.role != "maintenance" or not registry.good_at(key.keyid, log.size):
        raise Refused(f"Key {key.keyid} is not one of maintenance that holds on this station.",
                      "Have quality enrol it: eolseq keys enrol.")


def record_results(log: Log, station: Station, found: Verified, identities: Mapping[str, Any], pages: Mapping[str, Any],
            key: SigningKey | None, counts: Mapping[str, int]) -> dict[str, int]:
    """One entry for each instrument that was found good or not good, with its count of tests; by name, its index."""
    from eolseq.records.entries import InstrumentNamed
    from eolseq.verification.results import entry_of

    written = {}
    for each in found.results:
        if not each.concluded:
            continue
        run = found.own_runs.get(each.instrument, found.run)
        index_of_run = run.index if run is not None else None
        identity = identities[each.instrument]
        named = InstrumentNamed(each.instrument, identity.model, identity.serial, counts.get(each.instrument))
        page = pages[each.instrument].digest
        with suppress(Refused):
            log.refuse_wrong_clock()  # its mark comes first, since a document names the very entry that carries it
        document = _document(log, each, named, page, station.digest, index_of_run, key) if key is not None else None
        written[each.instrument] = log.append(entry_of(each, named, run=index_of_run, page=page,
                                                       station=station.digest, document=document))
    log.checkpoint()
    return written


def _document(log: Log, result: Result, named: Any, page: str, station: str, run: int | None, key: SigningKey) -> str:
    from eolseq.records.documents import VERIFICATION_TYPE, make_document
    from eolseq.records.station_checks import verification_payload

    payload = verification_payload(
        log.origin, log.size, {"name": named.name, "model": named.model, "serial": named.serial}, str(result.outcome),
        result.sentence, page=page, station=station, run=run, checks=[dict(each) for each in result.checks])
    return make_document(VERIFICATION_TYPE, payload, key).decode()


# -- what is shown ----------------------------------------------------------------------------------------------


def _report(options: argparse.Namespace, station: Station, found: Verified, entries: Mapping[str, int]) -> int:
    from eolseq.commands.checking import suspect_words

    bad = [each.instrument for each in found.results if each.concluded and str(each.outcome) != "pass"]
    suspects = suspect_words(Path(station.records), bad) if bad else []
    if options.json:
        _print_json(station, found, entries, suspects)
    for line in (*_words(station, found, entries), *suspects):
        print(signing.visible(line), file=sys.stderr if options.json else sys.stdout)
    return _code(found, bad)


def _code(found: Verified, bad: list[str]) -> int:
    if bad:
        return 1
    runs = [each for each in (found.run, *found.own_runs.values()) if each is not None]
    ended = next((str(each.outcome) for each in runs if str(each.outcome) != "pass"), "")
    if ended:
        from eolseq.commands.run import EXITS

        return EXITS[ended]
    return 0 if all(each.concluded for each in found.results) else 4  # as a run that was stopped


def _print_json(station: Station, found: Verified, entries: Mapping[str, int], suspects: list[str]) -> None:
    import json

    print(json.dumps({"station": station.name, "simulated": bool(station.simulated), "instruments": [
        {"name": each.instrument, "outcome": str(each.outcome), "sentence": each.sentence,
         "entry": entries.get(each.instrument), "checks": list(each.checks)} for each in found.results],
        "notes": list(found.notes), "suspects": suspects}, indent=2))


def _words(station: Station, found: Verified, entries: Mapping[str, int]) -> list[str]:
    from eolseq.verification.results import chart

    if not found.results or (found.run is not None and str(found.run.outcome) in ("refused", "stopped")):
        return ["NOT VERIFIED." + (f" {found.run.sentence}" if found.run is not None else "")]
    earlier = _earlier(station)
    said = [f"{each}: not verified; no known load and no reference meter here shows whether it is good"
            for each in found.left_out]
    said += [f"{name}: NOT VERIFIED. {run.sentence}" for name, run in found.own_runs.items()
             if str(run.outcome) in ("refused", "stopped")]
    for each in found.results:
        entry = f" (entry {entries[each.instrument]})" if each.instrument in entries else ""
        said.append(f"{each.instrument}{entry}: {str(each.outcome).upper()}. {each.sentence}")
        for check in each.checks:
            error = check["normalised_error"]
            said.append(f"  {check['reading']}: {check['shown']}, {check['outcome']}"
                        + (f", normalised error {error}" if error is not None else "")
                        + (f", against the simulated load {check['prediction_error']}"
                           if check["prediction_error"] is not None else ""))
            drift = earlier.get((each.instrument, check["step"], check["reading"]), [])
            if len(drift) > 1:
                said += [f"    {row}" for row in chart(drift[-CHART_ROWS:])]
    return [*said, *(f"note: {each}" for each in found.notes)]


def _earlier(station: Station) -> dict[tuple[str, str, str], list[float]]:
    """The normalised errors of each check in the log so far, oldest first."""
    from eolseq.records.documents import read_document
    from eolseq.records.reader import Records

    found: dict[tuple[str, str, str], list[float]] = {}
    for each in Records.open(Path(station.records)).documents:
        if each.kind != "verification":
            continue
        text = each.payload.get("document")
        checks = read_document(str(text).encode()).payload["checks"] if text else each.payload.get("checks") or ()
        for check in checks:
            if check["normalised_error"] is not None:
                at = (str(each.payload["instrument"]["name"]), check["step"], check["reading"])
                found.setdefault(at, []).append(float(check["normalised_error"]))
    return found
