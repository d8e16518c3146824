"""``eolseq people``: who may run which sequence, and until when, on a list that quality signs."""

from __future__ import annotations

import argparse
import json
from collections.abc import Mapping
from datetime import date
from typing import TYPE_CHECKING, Any

from eolseq.commands import carrying, signing
from eolseq.errors import Refused, WrongUse

if TYPE_CHECKING:
    from eolseq.records.approvals import Standing
    from eolseq.records.documents import Document
    from eolseq.records.people import MayTest
    from eolseq.station.file import Station

NAME = "people"
HELP = """say who may run which sequence, and until when

The list is signed by quality and carried by the station's log. People stand on it by a pseudonym with a number in it,
such as op-07, never by name. Each change makes a new list, numbered, that takes the place of the one before."""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what is to be done with the list."""
    what = parser.add_subparsers(dest="what", metavar="WHAT", required=True)
    show = what.add_parser("show", help="show who may test")
    signing.place_arguments(show)
    show.add_argument("--json", action="store_true", help="print one JSON document")
    allow = what.add_parser("allow", help="let people run sequences; their other sequences go if not named again")
    allow.add_argument("ids", metavar="ID", nargs="+", help="pseudonyms such as op-07")
    allow.add_argument("--sequence", metavar="NAME", action="append", required=True,
                       help="the name of a sequence, once for each; all: any sequence")
    allow.add_argument("--until", metavar="DAY", type=_day, required=True,
                       help="the last day it holds, such as 2027-06-30")
    allow.add_argument("--trainee", action="store_true", help="only with a qualified person signed in beside them")
    remove = what.add_parser("remove", help="take people off the list")
    remove.add_argument("ids", metavar="ID", nargs="+", help="pseudonyms that stand on it")
    carry = what.add_parser("carry", help="bring over a list that was signed on another computer: --document FILE")
    for each in (allow, remove, carry):
        each.add_argument("--reason", metavar="TEXT", help="why; stands in the record for ever")
        carrying.carrying_arguments(each)


def _day(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"'{text}' is no day; write it like 2027-06-30") from None


def run(options: argparse.Namespace) -> int:
    """Show the list, or make and carry a new one; 0."""
    if options.what == "show":
        return _show(options)
    if (options.what == "carry") != (options.document is not None):
        raise WrongUse("A list that was made elsewhere is brought over by 'carry' with --document.",
                       "Use: eolseq people carry --document FILE --station S.")
    station = carrying.place_of(options)
    if station is None:
        with signing.refusing():
            standing = signing.standing_in(options.records)
            document = _made(options, standing)
            _judged(standing, document, carrying.ELSEWHERE)
        signing.write_out(options.out, document.text)
        return 0
    return _at_station(options, station)


def _at_station(options: argparse.Namespace, station: Station) -> int:
    from eolseq.records.approvals import Standing
    from eolseq.records.documents import read_document_file
    from eolseq.records.line_entries import People

    with signing.open_log(station) as log:
        standing = Standing(log.documents)
        with signing.refusing():
            document = _made(options, standing) if options.document is None else read_document_file(options.document)
            found = _judged(standing, document, log.size)
        if options.document is not None:
            for line in _changes(_listed(standing), found.people):
                print(signing.visible(line))
            signing.confirm(options, "Write this list into the station's log?")
        if options.out is not None:
            signing.write_out(options.out, document.text)
            return 0
        index = log.append(People(number=found.number, document=document.text.decode()))
        log.checkpoint()
    print(signing.visible(f"entry {index}: list of people number {found.number}, "
                          f"{signing.signed_words(document, standing)}"))
    return 0


def _judged(standing: Standing, document: Document, index: int) -> Any:
    from eolseq.records.people import judge_people

    return judge_people(document, standing.registry, index, standing.people)


# -- making -----------------------------------------------------------------------------------------------------


def _made(options: argparse.Namespace, standing: Standing) -> Document:
    """The present list with the change that was asked for, signed."""
    from eolseq.records.documents import PEOPLE_TYPE
    from eolseq.records.people import people_payload

    reason = carrying.one_line(options.reason, "--reason", "The reason")
    before = _listed(standing)
    after = _changed(options, before)
    number = 1 if standing.people is None else standing.people.number + 1
    payload = people_payload(standing.origin, number, after, reason)
    words = [f"list of people number {number} for {standing.origin}, because: {reason}", *_changes(before, after)]
    return carrying.signed_document(options, PEOPLE_TYPE, payload, words, "quality")


def _listed(standing: Standing) -> dict[str, MayTest]:
    return {} if standing.people is None else dict(standing.people.people)


def _changed(options: argparse.Namespace, before: Mapping[str, MayTest]) -> dict[str, MayTest]:
    from eolseq.clock import SystemClock
    from eolseq.records.people import MayTest

    if options.what == "allow" and options.until < SystemClock().now().date():
        raise WrongUse(f"{options.until} is over.", "Give the last day to come on which it holds; 'eolseq people "
                       "remove' takes people off the list.")
    after = dict(before)
    for each in options.ids:
        if options.what == "allow":
            after[carrying.named(each, "ID")] = MayTest(tuple(dict.fromkeys(options.sequence)), options.until,
                                                        options.trainee)
        elif after.pop(each, None) is None:
            raise WrongUse(f"{each} is not on the list.", "'eolseq people show' has it.")
    if not after:
        raise Refused("Nobody would be left on the list.", "Let somebody else onto it first.")
    return after


def _changes(before: Mapping[str, MayTest], after: Mapping[str, MayTest]) -> list[str]:
    """Every person on the list, with a mark at those that come, go or change."""
    lines = []
    for name in sorted({*before, *after}):
        new, old = after.get(name), before.get(name)
        mark = "+" if old is None else "-" if new is None else " " if new == old else "*"
        lines.append(f"  {mark} {_person(name, new or old)}")
        if mark == "*":
            lines.append(f"      was: {_person(name, old)}")
    return lines


def _person(name: str, found: MayTest | None) -> str:
    if found is None:
        return name
    what = "any sequence" if "all" in found.sequences else ", ".join(f"'{each}'" for each in found.sequences)
    return f"{name:12} until {found.until}: {what}{', as a trainee' if found.trainee else ''}"


# -- showing ----------------------------------------------------------------------------------------------------


def _show(options: argparse.Namespace) -> int:
    station = signing.station_of(options)
    from pathlib import Path

    folder = options.records if station is None else Path(station.records)
    standing = signing.standing_in(folder) if (folder / "log.jsonl").is_file() else None
    signed = None if standing is None else standing.people
    people = signed.people if signed is not None else _of_file(station)
    if options.json:
        print(json.dumps({"number": None if signed is None else signed.number,
                          "index": None if signed is None else signed.index,
                          "people": {name: {"sequences": each.sequences, "until": each.until.isoformat(),
                                            "trainee": each.trainee} for name, each in people.items()}}, indent=2))
        return 0
    for line in _told(signed, people, station):
        print(signing.visible(line))
    return 0


def _of_file(station: Station | None) -> Mapping[str, MayTest]:
    return (station.people.simulated or {}) if station is not None and station.simulated else {}


def _told(signed: Any, people: Mapping[str, MayTest], station: Station | None) -> list[str]:
    said = []
    if signed is not None:
        said.append(f"list number {signed.number}, entry {signed.index}, signed by "
                    f"{', '.join(each.holder for each in signed.signers)}, because: {signed.reason}")
    elif people:
        said.append("SIMULATED: the people in the station file, signed by nobody")
    else:
        said.append("nobody is on the list of people yet")
    said += [f"  {_person(name, each)}" for name, each in sorted(people.items())]
    if station is not None and not station.people.needed:
        said.append(f"{station.name} does not ask for it: anybody may test there")
    return said
