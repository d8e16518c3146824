"""Whether a person may run a sequence today. Pure: the list, the day and who is signed in come in as values."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import date

from eolseq.errors import Refused
from eolseq.records.approvals import Standing
from eolseq.records.people import MayTest
from eolseq.station.line_fields import PeopleRules

SEE = "See quality, who signs the list: eolseq people."


def listed_people(rules: PeopleRules, documents: Standing, *, simulated: bool) -> Mapping[str, MayTest]:
    """Who is listed: by the newest signed list, else, on a simulated station, by its own file.

    Refused when there is no list, or when the key that signed it was revoked from that entry or an earlier one.
    """
    signed = documents.people
    if signed is None:
        if simulated and rules.simulated:
            return rules.simulated
        raise Refused("Nobody is on this station's list of people who may test.", SEE)
    gone = next((key for key in signed.signers if not documents.registry.good_at(key.key.keyid, signed.index)), None)
    if gone is not None:
        raise Refused(f"The list of people (entry {signed.index}) was signed by {gone.holder}, whose key was revoked.",
                      "Have quality sign a new list: eolseq people.")
    return signed.people


def refusal_of(person: str, beside: Iterable[str], sequence: str, today: date,
               people: Mapping[str, MayTest]) -> Refused | None:
    """Why a person may not run a sequence today with these others signed in beside them; None when they may."""
    why = _unfit(person, sequence, today, people)
    if why:
        return Refused(f"{person} {why}", SEE)
    if not people[person].trainee:
        return None
    others = [each for each in dict.fromkeys(beside) if each != person]
    reasons = [f"{each} {_unfit(each, sequence, today, people) or 'is a trainee too.'}" for each in others
               if _unfit(each, sequence, today, people) or people[each].trainee]
    if len(reasons) < len(others):
        return None
    return Refused(" ".join([f"{person} is a trainee and tests only with a qualified person signed in beside them.",
                             *reasons]), "Have a qualified person sign in too (eolseq run: --beside ID).")


def supervisors(person: str, beside: Iterable[str], sequence: str, today: date,
                people: Mapping[str, MayTest]) -> tuple[str, ...]:
    """Who of those beside a trainee is qualified; empty for a person who needs nobody."""
    if person not in people or not people[person].trainee:
        return ()
    return tuple(each for each in dict.fromkeys(beside) if each != person and each in people
                 and not people[each].trainee and not _unfit(each, sequence, today, people))


def _unfit(person: str, sequence: str, today: date, people: Mapping[str, MayTest]) -> str:
    """Why a person may not run a sequence, trainee or not; empty when they may."""
    found = people.get(person)
    if found is None:
        return "is not on this station's list of people who may test."
    if today > found.until:
        return f"was qualified until {found.until}."
    return "" if found.may_run(sequence) else f"is not qualified for '{sequence}'."
