"""``eolseq label``: print a unit's or a carton's label, account for one, or hold a scanned label against a log."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from eolseq.commands import carrying, signing
from eolseq.errors import Refused, WrongUse

if TYPE_CHECKING:
    from eolseq.commands.labelling import LabelOutcome, Why
    from eolseq.records.log import Log
    from eolseq.sequence.model import Sequence
    from eolseq.station.file import Station

NAME = "label"
HELP = """print a unit's or a carton's label, or check a scanned one

A unit gets a label only when its last run passed, is on record and was no trial. A label whose printing is not sure
must be accounted for before another one is printed. The carton's label is printed only when the log audits clean too
and nothing later speaks against the pass. With --read, a scanned label is held against a log: right, superseded,
wrong, altered, or a proof that the log was rewritten."""

_OLD = {"destroyed": "destroyed", "found": "found", "not-found": "not found"}


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the unit, the station, and what is wanted."""
    parser.add_argument("serial", metavar="SERIAL", nargs="?", help="the unit")
    parser.add_argument("--station", metavar="S", type=Path, help="the station file")
    parser.add_argument("--box", action="store_true", help="the carton's label instead of the unit's")
    parser.add_argument("--copy", action="store_true", help="print another copy; needs --reason and --by")
    parser.add_argument("--reason", metavar="TEXT", help="why another copy is needed; stands in the record for ever")
    parser.add_argument("--by", metavar="ID", help="who says so, such as op-07")
    parser.add_argument("--old", choices=_OLD, help="what became of the copy before; without --copy nothing is printed")
    parser.add_argument("--sequence", metavar="FILE", help="the sequence that the unit passed, if it is not where its "
                        "record says")
    parser.add_argument("--read", metavar="TEXT", help="check this scanned text; '-' reads one line of standard input")
    parser.add_argument("--log", metavar="FOLDER", type=Path, help="for --read: a records folder, such as a copy")


def run(options: argparse.Namespace) -> int:
    """Print, account or read; 0 when it is done or right, 1 for a label that is not right, 3 when refused."""
    if options.read is not None:
        return _read(options)
    if options.serial is None or options.station is None or options.log is not None:
        raise WrongUse("Which unit at which station?", "Name the serial number and --station; --log is for --read.")
    from eolseq.shipped import find
    from eolseq.station.file import load_station

    station = load_station(find(options.station, shipped=True))
    with signing.open_log(station) as log:
        if options.old is not None and not options.copy:
            return _account(options, log)
        outcome = _print(options, station, log)
    mark = "SIMULATED. " if station.simulated else ""
    print(signing.visible(f"entry {outcome.printed.entry}: {mark}{outcome.sentence}"))
    return 0 if outcome.sure else 5


def _why(options: argparse.Namespace) -> Why:
    """Another copy is asked for by name, so that a label is never printed twice by a slip."""
    from eolseq.commands.labelling import Why

    if not options.copy:
        return Why()
    return Why(carrying.one_line(options.reason, "--reason", "The reason"), carrying.named(options.by),
               _OLD[options.old] if options.old else None)


def _account(options: argparse.Namespace, log: Log) -> int:
    """Write what became of the last copy, and print nothing."""
    from eolseq.commands.labelling import Why, account
    from eolseq.line.label import label_state
    from eolseq.records.label_entries import CARTON, UNIT

    of: Any = CARTON if options.box else UNIT
    state = label_state(log.labels(options.serial), of)
    if not state.out:
        raise Refused(f"No label of unit {options.serial} is out.", "Check the serial: eolseq records SERIAL.")
    reason = carrying.one_line(options.reason, "--reason", "The reason") if options.reason else None
    account(log, options.serial, state, of, Why(reason, carrying.named(options.by), _OLD[options.old]))
    print(signing.visible(f"entry {log.size - 1}: copy {state.copies} of unit {options.serial} is {_OLD[options.old]}, "
                          f"says {options.by}"))
    return 0


def _print(options: argparse.Namespace, station: Station, log: Log) -> LabelOutcome:
    from eolseq.commands.labelling import Paper, labelled_run
    from eolseq.records.label_entries import CARTON, UNIT

    why = _why(options)
    paper = Paper.of(station)
    if paper is None:
        raise Refused("This station prints no labels.", "Say where they go under 'labels' in its station file.")
    run = labelled_run(log, options.serial)
    sequence = _sequence(options, station, log, run.closed_by or 0)
    if options.box:
        from eolseq.commands.boxing import refuse_box

        refuse_box(log, options.serial, run)
    of: Any = CARTON if options.box else UNIT
    return paper.label(log, sequence, options.serial, of, why)


def _sequence(options: argparse.Namespace, station: Station, log: Log, end: int) -> Sequence:
    """The very sequence that the unit passed, by its digest: from its file, or as it was approved; Refused without."""
    from eolseq.records.approvals import Standing
    from eolseq.records.reader import Records
    from eolseq.sequence.load import load_sequence, read_sequence
    from eolseq.shipped import find

    used = Records.open(log.path.parent).entry(end).payload["sequence"]
    path = Path(options.sequence or used["path"])
    try:
        found = load_sequence(find(path, shipped=bool(station.simulated)))
        if found.digest == used["digest"]:
            return found
    except WrongUse:
        pass  # the text that was approved will do
    for each in Standing(log.documents).approvals:
        if each.digest == used["digest"] and each.text is not None:
            return read_sequence(each.text.encode(), path)
    raise Refused(f"The sequence that unit {options.serial} passed ({used['name']}, SHA-256 {used['digest'][:16]}) is "
                  f"not {path} as it is now.", "Give the file as it was then: --sequence FILE.")


def _read(options: argparse.Namespace) -> int:
    """Hold a scanned label against a log; 0 when it is right, else 1."""
    from eolseq.commands.lookup import records_folder
    from eolseq.line.label_check import check_label
    from eolseq.line.label_code import LONGEST_CODE, read_code
    from eolseq.records.reader import Records

    if (options.station is None) == (options.log is None):
        raise WrongUse("Which log?", "Name --station S, or --log FOLDER for a copy of its records.")
    text = sys.stdin.readline(LONGEST_CODE + 2) if options.read == "-" else options.read
    code = read_code(text)
    verdict = check_label(code, Records.open(options.log or records_folder(options.station)))
    print(signing.visible(f"{verdict.word.upper()}: {verdict.sentence}"))
    return 0 if verdict.good else 1
