"""``eolseq rework``: enter what was done to a unit that did not pass, so that it may be tested again."""

from __future__ import annotations

import argparse
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from eolseq.commands import carrying, signing
from eolseq.errors import InUse, Refused, WrongUse

if TYPE_CHECKING:
    from eolseq.records.documents import Document
    from eolseq.records.line_entries import Rework
    from eolseq.records.log import Log
    from eolseq.records.reader import Records
    from eolseq.station.file import Station

NAME = "rework"
HELP = """enter what was done to a unit that did not pass

It is needed between two tests of a unit that failed or was undecided. The unit then repeats every step of the same
sequence at its full value. With --lead it is the lead's word, signed by an engineer or quality: it frees a unit that is
locked to the lead, and one that is tested again with nothing changed although its earth path or insulation failed."""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the unit, what was found and done, by whom, and who signs the lead's word."""
    parser.add_argument("serial", metavar="SERIAL", help="the unit")
    parser.add_argument("--cause", metavar="TEXT", help="what was found to be the cause")
    what = parser.add_mutually_exclusive_group()
    what.add_argument("--changed", metavar="TEXT", help="what was changed on the unit itself")
    what.add_argument("--nothing-changed", action="store_true",
                      help="nothing was changed on the unit: a contact, a lead, a repeat; such passes are counted")
    parser.add_argument("--by", metavar="ID", help="who did it, such as op-07")
    parser.add_argument("--lead", action="store_true", help="this is the lead's word, signed with --key")
    carrying.carrying_arguments(parser)


def run(options: argparse.Namespace) -> int:
    """Enter the rework; 0, or 3 when it may not be entered."""
    if options.document is None:
        _check_words(options)
    station = carrying.place_of(options)
    if station is None:
        from eolseq.records.approvals import Standing

        records = carrying.records_of(None, options.records)
        with signing.refusing():
            standing = Standing(records.documents)
            said = _said(options, records)
            document = _lead_document(options, standing.origin, said)
            _judge(standing, document, carrying.ELSEWHERE, said)
        signing.write_out(options.out, document.text)
        return 0
    try:
        with signing.open_log(station) as log:
            return _at_station(options, station, log)
    except InUse:
        if options.lead or options.document is not None:
            raise  # the lead's word waits for the end of the shift, or of whatever has the log
        return _hand_in(options, station)


def _hand_in(options: argparse.Namespace, station: Station) -> int:
    """Leave a technician's rework for the process that has the log."""
    from eolseq.commands.waiting import hand_in

    entry = _technicians(station, options.serial, options.cause, options.changed, carrying.named(options.by))
    print(signing.visible(hand_in(station, "rework", {
        "serial": entry.serial, "run": entry.run, "sequence": entry.sequence, "cause": entry.cause,
        "changed": entry.changed, "by": entry.by})))
    return 0


def _check_words(options: argparse.Namespace) -> None:
    options.cause = carrying.one_line(options.cause, "--cause", "The cause")
    if options.changed is None and not options.nothing_changed:
        raise WrongUse("What was changed on the unit?", "Give --changed, or --nothing-changed.")
    if options.changed is not None:
        options.changed = carrying.one_line(options.changed, "--changed", "What was changed")
    if not options.lead and (options.key is not None or options.out is not None):
        raise WrongUse("Only the lead's word is signed.", "Add --lead, or leave --key and --out out.")


def _said(options: argparse.Namespace, records: Records) -> dict[str, Any]:
    """The fields of the rework that the lead signs, for the unit's latest run."""
    said, _ = _latest(records, options.serial)
    return said if options.document is not None else {**said, "cause": options.cause, "changed": options.changed}


def _latest(records: Records, serial: str) -> tuple[dict[str, Any], Mapping[str, Any]]:
    """Which run a rework of a unit follows, as the first fields of its entry, and the entry that ended that run."""
    run = carrying.last_run(records, serial)
    closing = records.entry(carrying.end_of(run)).payload
    sequence = closing["sequence"] if closing["kind"] == "end" else records.entry(run.index).payload["sequence"]
    return {"serial": serial, "run": run.closed_by, "sequence": sequence["name"]}, closing


def technicians_rework(log: Log, station: Station, serial: str, cause: str, changed: str | None, by: str) -> list[str]:
    """Enter in an open log what was done to a unit; what to say then. Refused where only the lead may say it.

    ``changed`` is None when nothing was changed on the unit itself; ``by`` is a pseudonym.
    """
    return entered(log, station, _technicians(station, serial, cause, changed, by))


def _technicians(station: Station, serial: str, cause: str, changed: str | None, by: str) -> Rework:
    from eolseq.records.line_entries import Rework
    from eolseq.records.undecided import needs_lead_unchanged

    said, closing = _latest(carrying.records_of(station, None), serial)
    step = needs_lead_unchanged(closing)
    if changed is None and step:
        raise Refused(f"Unit {serial} did not pass '{step}', and nothing was changed on it.",
                      "Find the cause and change it, or see the lead, who may sign: eolseq rework, with --lead.")
    return Rework(**said, cause=cause, changed=changed, by=by)


def _lead_document(options: argparse.Namespace, origin: str, said: Mapping[str, Any]) -> Document:
    from eolseq.records.documents import REWORK_TYPE, read_document_file
    from eolseq.records.unit_documents import rework_payload

    if options.document is not None:
        return read_document_file(options.document)
    changed = said["changed"] or "nothing on the unit"
    words = [f"the lead's word on unit {said['serial']}, last run ended in entry {said['run']}, {said['sequence']}",
             f"  cause: {said['cause']}", f"  changed: {changed}"]
    return carrying.signed_document(options, REWORK_TYPE, rework_payload(origin, **said), words,
                                    "an engineer or quality")


def _judge(standing: Any, document: Document, index: int, said: Mapping[str, Any]) -> str:
    """Who signed the lead's word, by holder; NotGenuine when it is not of this unit's latest run."""
    from eolseq.records.unit_documents import judge_rework

    entry = {**{name: document.payload.get(name) for name in ("cause", "changed")}, **said}
    return ", ".join(each.holder for each in judge_rework(document, standing.registry, index, entry))


def _at_station(options: argparse.Namespace, station: Station, log: Log) -> int:
    if not options.lead and options.document is None:
        lines = technicians_rework(log, station, options.serial, options.cause, options.changed,
                                   carrying.named(options.by))
    else:
        entry = _leads(options, station, log, _said(options, carrying.records_of(station, None)))
        if entry is None:
            return 0
        lines = entered(log, station, entry)
    for line in lines:
        print(signing.visible(line))
    return 0


def entered(log: Log, station: Station, entry: Rework) -> list[str]:
    """Write a rework into an open log; what to say then."""
    from eolseq.line.unit_state import state_of

    before = state_of(log, entry.serial, station.rework)
    index = log.append(entry)
    log.checkpoint()
    after = state_of(log, entry.serial, station.rework)
    said = [f"entry {index}: rework of unit {entry.serial} by {entry.by}{' (SIMULATED)' if log.simulated else ''}"]
    if before.passed is not None or before.released is not None:
        said.append("What it had passed counts no more: it is not passed until a new full run.")
    if after.refusal is not None:
        said.append(f"It may not be tested yet. {after.refusal}")
    else:
        said.append(f"It may be tested again: all of '{entry.sequence}', every step at its full value.")
    return said


def _leads(options: argparse.Namespace, station: Station, log: Log, said: dict[str, Any]) -> Rework | None:
    """The entry with the lead's word; None when its document was written to a file instead."""
    from eolseq.records.approvals import Standing
    from eolseq.records.line_entries import Rework

    if station.simulated and options.key is None and options.document is None:
        return Rework(**said, by=carrying.named(options.by), lead="yes")
    standing = Standing(log.documents)
    with signing.refusing():
        document = _lead_document(options, standing.origin, said)
        by = _judge(standing, document, log.size, said)
    if options.out is not None:
        signing.write_out(options.out, document.text)
        return None
    said |= {name: document.payload[name] for name in ("cause", "changed")}
    return Rework(**said, by=by, lead="yes", document=document.text.decode())
