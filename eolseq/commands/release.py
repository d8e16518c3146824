"""``eolseq release``: quality lets a unit go whose heater or motor reading was undecided."""

from __future__ import annotations

import argparse
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from eolseq.commands import carrying, signing
from eolseq.errors import Refused

if TYPE_CHECKING:
    from eolseq.records.documents import Document
    from eolseq.records.line_entries import Release
    from eolseq.records.log import Log
    from eolseq.station.file import Station

NAME = "release"
HELP = """let a unit go whose heater or motor reading was undecided

Only quality signs it, with a reason, and only for a cold resistance or a motor current that lay inside its band but
too near to a limit. There is no concession on an earth path, insulation or leakage, and none on anything that failed:
the way out there is rework and a full passing run."""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the unit, why, and who signs."""
    parser.add_argument("serial", metavar="SERIAL", help="the unit")
    parser.add_argument("--reason", metavar="TEXT", help="why it may go; stands in the record for ever")
    parser.add_argument("--by", metavar="ID", help="a simulated station takes a pseudonym for a signature")
    carrying.carrying_arguments(parser)


def run(options: argparse.Namespace) -> int:
    """Release the unit; 0, or 3 when it cannot be released."""
    if options.document is None:
        options.reason = carrying.one_line(options.reason, "--reason", "The reason")
    station = carrying.place_of(options)
    if station is None:
        from eolseq.records.approvals import Standing

        records = carrying.records_of(None, options.records)
        with signing.refusing():
            standing = Standing(records.documents)
            said = _said(options, records)
            _refuse_if_passed_by(options, records)
            document = _document(options, standing.origin, said)
            _judge(standing, document, carrying.ELSEWHERE, said)
        signing.write_out(options.out, document.text)
        return 0
    if options.by is not None and not station.simulated:
        raise Refused(f"--by is for simulated stations only; {station.name} is real.", "Give --key of quality.")
    with signing.open_log(station) as log:
        return _at_station(options, station, log)


def _said(options: argparse.Namespace, records: Any) -> dict[str, Any]:
    """Which run is released; Refused when that cannot be."""
    from eolseq.records.undecided import WAY_OUT, release_refusal

    run = carrying.last_run(records, options.serial)
    why = release_refusal(records.entry(carrying.end_of(run)).payload)
    if why:
        raise Refused(f"Unit {options.serial} cannot be released (entry {run.closed_by}). {why}", WAY_OUT)
    return {"serial": options.serial, "run": run.closed_by, "leaf": run.leaf.hex()}


def _refuse_if_passed_by(options: argparse.Namespace, log: Any) -> None:
    """A rework or a release after the undecided run leaves nothing to release."""
    from eolseq.line.unit_state import Standing, state_of

    state = state_of(log, options.serial)
    if state.standing is not Standing.UNDECIDED:
        raise Refused(f"There is nothing to release. {state.sentence}", "Test it again from the start.")


def _document(options: argparse.Namespace, origin: str, said: Mapping[str, Any]) -> Document:
    from eolseq.records.documents import RELEASE_TYPE, read_document_file
    from eolseq.records.unit_documents import release_payload

    if options.document is not None:
        return read_document_file(options.document)
    words = [f"release unit {said['serial']}, undecided in entry {said['run']}, because: {options.reason}"]
    return carrying.signed_document(options, RELEASE_TYPE, release_payload(origin, **said, reason=options.reason),
                                    words, "quality")


def _judge(standing: Any, document: Document, index: int, said: Mapping[str, Any]) -> str:
    """Who signed the release, by holder; NotGenuine or Refused when it is not of this unit's undecided run."""
    from eolseq.records.unit_documents import judge_release

    entry = {"reason": document.payload.get("reason"), "serial": said["serial"], "run": said["run"]}
    by = ", ".join(each.holder for each in judge_release(document, standing.registry, index, entry))
    if document.payload["leaf"] != said["leaf"]:
        raise Refused(f"The release was made for another line than entry {said['run']}.", "Have it made again.")
    return by


def _at_station(options: argparse.Namespace, station: Station, log: Log) -> int:
    said = _said(options, carrying.records_of(station, None))
    _refuse_if_passed_by(options, log)
    entry = _entry(options, station, log, said)
    if entry is None:
        return 0
    index = log.append(entry)
    log.checkpoint()
    mark = " (SIMULATED)" if station.simulated else ""
    print(signing.visible(f"entry {index}: unit {entry.serial} is released by {entry.by}{mark}: {entry.reason}"))
    return 0


def _entry(options: argparse.Namespace, station: Station, log: Log, said: Mapping[str, Any]) -> Release | None:
    from eolseq.records.approvals import Standing
    from eolseq.records.line_entries import Release

    if station.simulated and options.key is None and options.document is None:
        return Release(serial=said["serial"], run=said["run"], reason=options.reason, by=carrying.named(options.by))
    standing = Standing(log.documents)
    with signing.refusing():
        document = _document(options, standing.origin, said)
        by = _judge(standing, document, log.size, said)
    if options.out is not None:
        signing.write_out(options.out, document.text)
        return None
    return Release(serial=said["serial"], run=said["run"], reason=document.payload["reason"], by=by,
                   document=document.text.decode())
