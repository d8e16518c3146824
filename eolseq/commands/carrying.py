"""What ``people``, ``rework`` and ``release`` share: a document signed here, or one that was signed elsewhere."""

from __future__ import annotations

import argparse
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from eolseq.commands import signing
from eolseq.errors import Refused, WrongUse

if TYPE_CHECKING:
    from eolseq.records.documents import Document
    from eolseq.records.reader import Records
    from eolseq.records.runs import Run
    from eolseq.station.file import Station

ELSEWHERE = 1 << 62
"""The index at which a document is judged that will be carried later: behind every entry there is."""


def carrying_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare where the log is, who signs, and the document that is written or carried."""
    signing.place_arguments(parser)
    parser.add_argument("--document", metavar="FILE", type=Path, help="carry this document, signed on another computer")
    parser.add_argument("--out", metavar="FILE", type=Path, help="write the document here and carry nothing")
    signing.signing_arguments(parser)


def place_of(options: argparse.Namespace) -> Station | None:
    """The station that is written to; None for a copy of its records, which only documents are made from."""
    station = signing.station_of(options)
    if station is None and options.out is None:
        raise WrongUse("A copy of the records cannot carry anything.",
                       "Give --out, and take the document to the station, where --document carries it.")
    return station


def signed_document(options: argparse.Namespace, payload_type: str, payload: Mapping[str, Any], words: Iterable[str],
                    who: str) -> Document:
    """A new document, shown, asked about and signed; ``who`` says whose key that must be."""
    from eolseq.records.documents import make_document, read_document

    for line in words:
        print(signing.visible(line))
    if options.key is None:
        raise WrongUse("Who signs?", f"Give --key of {who}.")
    signing.confirm(options, "Sign this?")
    key = signing.person_key(options)
    if key is None:
        raise WrongUse("Who signs?", f"Give --key of {who}.")
    return read_document(make_document(payload_type, payload, key))


def last_run(records: Records, serial: str) -> Run:
    """The latest run on a unit, ended; Refused when there is none or it is still open."""
    runs = records.runs(serial)
    if not runs:
        raise Refused(f"Unit {serial} was never tested on this station.",
                      "Check the serial; 'eolseq records' lists all units.")
    end_of(runs[-1])
    return runs[-1]


def end_of(run: Run) -> int:
    """The entry that ended a run; Refused while it is open."""
    if run.closed_by is None:
        raise Refused(f"Unit {run.serial} is under test (entry {run.index}), or its run was cut off.",
                      "Wait for its end; the next start of the station closes a run that was cut off.")
    return run.closed_by


def records_of(station: Station | None, folder: Path | None) -> Records:
    """The station's records, or the copy of them in a folder."""
    from eolseq.records.reader import Records

    return Records.open(Path(station.records) if station is not None else folder or Path("records"))


def one_line(text: str | None, option: str, what: str) -> str:
    """A text that a person gave; WrongUse when there is none."""
    if text is None or not text.strip():
        raise WrongUse(f"{what} is missing.", f"Give {option}.")
    return " ".join(text.split())


def named(text: str | None, option: str = "--by") -> str:
    """The pseudonym of who did something; WrongUse when it is none."""
    from eolseq.records.people import PERSON_LIKE, is_pseudonym

    if text is None:
        raise WrongUse("Who did it?", f"Give {option}: {PERSON_LIKE}.")
    if not is_pseudonym(text):
        raise WrongUse(f"'{text}' is no pseudonym as they are used here; a log cannot forget a name.",
                       f"Give {PERSON_LIKE}.")
    return text
