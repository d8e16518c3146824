"""Who may test: the list that quality signs, as the log carries it.

Each list is whole and takes the place of the one before. It is numbered, so that an older one cannot be played back.
People stand in it by pseudonym, since a log cannot forget a name.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from eolseq.errors import NotGenuine
from eolseq.records.documents import PEOPLE_TYPE, Document, refuse_unless
from eolseq.records.keys import RegisteredKey
from eolseq.records.may_test import ANY_SEQUENCE, PERSON, PERSON_LIKE, MayTest, is_pseudonym
from eolseq.records.registry import QUALITY, Registry, judge_signatures

__all__ = ["ANY_SEQUENCE", "PERSON", "PERSON_LIKE", "MayTest", "PeopleList", "is_pseudonym", "judge_people",
           "people_payload"]

_FIELDS: dict[str, type | tuple[type, ...]] = {"v": int, "origin": str, "number": int, "people": list, "reason": str}
_MOST = 1_000_000  # lists of one log
_ONE = {"id", "sequences", "until", "trainee"}


@dataclass(frozen=True, slots=True)
class PeopleList:
    """One list as the log carries it: the entry's index, its number, and what each person may run by pseudonym."""

    index: int
    number: int
    people: Mapping[str, MayTest]
    reason: str
    signers: tuple[RegisteredKey, ...]


def people_payload(origin: str, number: int, people: Mapping[str, MayTest], reason: str) -> dict[str, Any]:
    """What a list says, not signed yet."""
    return {"v": 1, "origin": origin, "number": number, "reason": reason,
            "people": [{"id": name, "sequences": list(each.sequences), "until": each.until.isoformat(),
                        "trainee": "yes" if each.trainee else "no"} for name, each in people.items()]}


def judge_people(document: Document, registry: Registry, index: int, before: PeopleList | None) -> PeopleList:
    """The list that a document would be at an index; NotGenuine when it may not stand there."""
    refuse_unless(document, PEOPLE_TYPE, _FIELDS)
    said = document.payload
    if said["origin"] != registry.origin:
        raise NotGenuine(f"The list of people is for another log, {said['origin'][:120]}.",
                         "Have it signed for this station.")
    if not 0 < said["number"] <= _MOST:
        raise NotGenuine("The list of people has no number as they have here.", "Have it made again.")
    if before is not None and said["number"] <= before.number:
        raise NotGenuine(f"The list of people is number {said['number']}, and entry {before.index} carries number "
                         f"{before.number} already: an older one cannot come back.", "Have a new one made.")
    if not said["reason"].strip():
        raise NotGenuine("The list of people gives no reason.", "Have it made again.")
    signers = judge_signatures(document, registry, index, (QUALITY,))
    return PeopleList(index, said["number"], _read_people(said["people"]), said["reason"], tuple(signers))


def _read_people(entries: list[Any]) -> dict[str, MayTest]:
    found: dict[str, MayTest] = {}
    for each in entries:
        if not isinstance(each, dict) or set(each) != _ONE or not isinstance(each["id"], str) \
                or not is_pseudonym(each["id"]) or each["id"] in found:
            raise NotGenuine("The list of people names somebody twice, or not as people are named here.",
                             f"Each is {PERSON_LIKE}.")
        found[each["id"]] = _read_one(each)
    if not found:
        raise NotGenuine("The list of people is empty.", "Have it made again; people whose day has gone need not go.")
    return found


def _read_one(said: Mapping[str, Any]) -> MayTest:
    sequences = said["sequences"]
    if not isinstance(sequences, list) or not sequences or said["trainee"] not in ("yes", "no") \
            or not all(isinstance(each, str) and each.strip() for each in sequences):
        raise NotGenuine(f"The list of people does not say what {said['id']} may run.", "Have it made again.")
    try:
        until = date.fromisoformat(said["until"])
        if until.isoformat() != said["until"]:
            raise ValueError("a day has one spelling")
    except (TypeError, ValueError) as error:
        raise NotGenuine(f"The list of people gives no day for {said['id']}.", "Have it made again.") from error
    return MayTest(tuple(sequences), until, said["trainee"] == "yes")
