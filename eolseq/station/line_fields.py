"""What a station file says of the people who test at it, of rework, and of how often a unit may be tested."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from eolseq.records.may_test import PERSON, MayTest
from eolseq.shape import Count, Day, Field, Findings, Group, Item, ListOf, MapOf, Text, YesNo

MAY_TEST = Group({
    "sequences": Field(ListOf(Text(80), 1, 200), about="the sequences this person may run, by name; all: any of them"),
    "until": Field(Day(), about="the last day this holds"),
    "trainee": Field(YesNo(), required=False, default=False,
                     about="yes: only with a qualified person signed in beside them"),
}, "the person")

PEOPLE = Field(Group({
    "needed": Field(YesNo(), about="yes: only people on the signed list may test here"),
    "simulated": Field(MapOf(MAY_TEST, PERSON), required=False, default={},
                       about="by pseudonym: who may test on a simulated station, without any signature"),
}, "the people"), required=False, about="whether the people who test must be on the signed list; a real station "
    "without it needs them to be, a simulated one does not")

REWORK = Field(Group({
    "needed": Field(YesNo(), about="yes: a unit that failed or was undecided is tested again only after its rework was "
                    "entered"),
    "attempts": Field(Count(1, 99), required=False, about="how often a unit may be tested before only the lead can let "
                      "it be tested again; no limit if left out"),
    "stops": Field(Count(1, 99), required=False, about="how many runs on a unit may be stopped, faulty or cut off "
                   "before only the lead can let it be tested again; no limit if left out"),
}, "the rework"), required=False, about="what must come between two tests of a unit; a real station without it needs "
    "rework, and allows 3 attempts and 2 stops, a simulated one asks for nothing")

@dataclass(frozen=True)
class PeopleRules:
    """Whether people must be listed to test here, and whom the file of a simulated station lists."""

    needed: bool = False
    simulated: Mapping[str, MayTest] | None = None


@dataclass(frozen=True)
class ReworkRules:
    """What must come between tests of one unit; None: no limit."""

    needed: bool = False
    attempts: int | None = None
    stops: int | None = None


ANYBODY, NO_REWORK = PeopleRules(), ReworkRules()


def read_may_test(item: Mapping[str, Any]) -> MayTest:
    """What the table of fields read of one person."""
    return MayTest(tuple(item["sequences"]), item["until"], bool(item["trainee"]))


def read_people(item: Item | None, *, simulated: bool) -> PeopleRules:
    """What a checked station file says of people."""
    if item is None:
        return PeopleRules(needed=not simulated)
    return PeopleRules(item["needed"], {name: read_may_test(each) for name, each in item["simulated"].items()})


def read_rework(item: Item | None, *, simulated: bool) -> ReworkRules:
    """What a checked station file says of rework."""
    if item is None:
        return ReworkRules() if simulated else ReworkRules(True, 3, 2)
    return ReworkRules(item["needed"], item["attempts"], item["stops"])


def check_people(item: Item, findings: Findings) -> None:
    """Note what the tables of fields cannot say."""
    people = item["people"]
    if people is not None and people["simulated"] and not item["simulated"]:
        findings.add(people.place_of_key("simulated"), "a real station takes no people from its file",
                     "no 'simulated': they stand on the list that quality signs (eolseq people)")
