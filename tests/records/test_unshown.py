"""Which units a missed reference unit makes suspect: all without a passed challenge after them. Invented plant."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest

from eolseq.records.unshown import unshown

Entry = tuple[str, str] | tuple[str, str, str]
LARGE, SMALL, LONE = "Large", "Small", "Lone"


def records(*entries: Entry) -> Any:
    """A log of units (serial, sequence) and challenges (outcome, sequence), each at a bay, bay-1 if it names none."""
    said: list[tuple[int, dict[str, Any]]] = []
    for index, each in enumerate(entries):
        what, sequence, bay = each if len(each) == 3 else (*each, "bay-1")
        kind = {"kind": "challenge", "outcome": what} if what in ("pass", "fail") else {"kind": "begin", "serial": what}
        said.append((index, {**kind, "sequence": {"name": sequence}, "bay": bay or None}))
    runs = {index: SimpleNamespace(index=index, serial=each["serial"], attempt=1, outcome="pass", began="")
            for index, each in said if each["kind"] == "begin"}
    documents = [SimpleNamespace(kind=each["kind"], payload=each) for _, each in said if each["kind"] == "challenge"]
    return SimpleNamespace(run=runs.__getitem__, documents=documents, payloads=lambda kinds: iter(said))


LOGS: dict[str, tuple[tuple[Entry, ...], dict[str, tuple[int | None, list[str]]]]] = {
    "never challenged": ((("A", LARGE), ("A", LARGE)), {"bay-1": (None, ["A"])}),
    "shown since": ((("A", LARGE), ("pass", LARGE)), {"bay-1": (1, [])}),
    "a miss shows nothing": ((("A", LARGE), ("pass", LARGE), ("B", LARGE), ("fail", LARGE), ("fail", LARGE)),
                             {"bay-1": (1, ["B"])}),
    "reference units are none": ((("pass", LARGE), ("REFERENCE-GOOD", LARGE), ("fail", LARGE)), {"bay-1": (0, [])}),
    "another sequence's shows nothing of it": ((("A", LARGE), ("B", SMALL), ("pass", LARGE), ("fail", SMALL)),
                                               {"bay-1": (2, ["B"])}),
    "one without a challenge relies on any": ((("A", LONE), ("B", SMALL), ("pass", LARGE), ("pass", SMALL), ("C", LONE)),
                                              {"bay-1": (3, ["C"])}),
    "another bay's shows nothing of it": ((("A", LARGE), ("B", LARGE, "bay-2"), ("pass", LARGE, "bay-2")),
                                          {"bay-1": (None, ["A"]), "bay-2": (2, [])}),
    "one that names no bay was made where there is one": ((("A", LARGE), ("pass", LARGE, "")), {"bay-1": (1, [])}),
}


@pytest.mark.parametrize("name", LOGS)
def test_what_no_passed_challenge_followed(name: str) -> None:
    entries, wanted = LOGS[name]
    found = {each.bay: (each.since, each.units) for each in unshown(records(*entries))}
    assert {bay: found[bay] for bay in wanted} == wanted


def test_the_suspects_of_an_earlier_miss_are_listed_by_its_entry() -> None:
    log = records(("A", LARGE), ("fail", LARGE), ("pass", LARGE), ("B", LARGE))
    assert [each.units for each in unshown(log, 1)] == [["A"]]
    assert [each.units for each in unshown(log)] == [["B"]]
