"""Who may test: the decision as a table, on every day and for anybody as a law, and which list counts."""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from eolseq.errors import Refused
from eolseq.line.people import listed_people, refusal_of, supervisors
from eolseq.records.documents import PEOPLE_TYPE
from eolseq.records.line_entries import People
from eolseq.records.people import MayTest, is_pseudonym, people_payload
from eolseq.station.line_fields import PeopleRules
from tests.records.people import Plant, carry, keys_of, registry_document, signed

DAY = date(2026, 11, 25)
HEATER = "Duct heater 6 kW"
PEOPLE = {
    "op-1": MayTest(("all",), DAY),
    "op-2": MayTest((HEATER,), date(2027, 1, 1)),
    "op-3": MayTest(("Duct heater 3 kW",), date(2027, 1, 1)),
    "old-4": MayTest(("all",), DAY - timedelta(days=1)),
    "tr-5": MayTest(("all",), DAY, trainee=True),
    "tr-6": MayTest(("all",), DAY, trainee=True),
    "tr-7": MayTest(("Duct heater 3 kW",), DAY, trainee=True),
}

# name -> (who tests, who is signed in beside them), what the refusal says; empty: may test
WHO: dict[str, tuple[str, tuple[str, ...], str]] = {
    "on the list for all": ("op-1", (), ""),
    "on the list by name": ("op-2", (), ""),
    "on the list for another": ("op-3", (), "op-3 is not qualified for 'Duct heater 6 kW'."),
    "expired yesterday": ("old-4", (), "old-4 was qualified until 2026-11-24."),
    "unknown": ("op-9", (), "op-9 is not on this station's list"),
    "nobody": ("", (), "is not on this station's list"),
    "an unknown one beside somebody": ("op-9", ("op-1",), "op-9 is not on this station's list"),
    "a trainee alone": ("tr-5", (), "tr-5 is a trainee and tests only with a qualified person"),
    "a trainee with a qualified person": ("tr-5", ("op-2",), ""),
    "a trainee with themselves": ("tr-5", ("tr-5",), "tr-5 is a trainee"),
    "a trainee with a trainee": ("tr-5", ("tr-6",), "tr-6 is a trainee too."),
    "a trainee with one not qualified for it": ("tr-5", ("op-3",), "op-3 is not qualified for 'Duct heater 6 kW'."),
    "a trainee with one expired": ("tr-5", ("old-4",), "old-4 was qualified until 2026-11-24."),
    "a trainee with a stranger": ("tr-5", ("op-9",), "op-9 is not on this station's list"),
    "a trainee with a trainee and a qualified person": ("tr-5", ("tr-6", "op-1"), ""),
    "a trainee of another sequence": ("tr-7", ("op-1",), "tr-7 is not qualified for 'Duct heater 6 kW'."),
    "qualified, with a trainee beside": ("op-1", ("tr-5",), ""),
}


@pytest.mark.parametrize("name", WHO)
def test_who_may_test(name: str) -> None:
    person, beside, said = WHO[name]
    refusal = refusal_of(person, beside, HEATER, DAY, PEOPLE)
    assert (refusal is None) == (said == "")
    if refusal is not None:
        assert said in refusal.what and refusal.do and refusal.exit_code == 3
    with_them = supervisors(person, beside, HEATER, DAY, PEOPLE)
    assert bool(with_them) == (person in ("tr-5", "tr-6", "tr-7") and any(each in ("op-1", "op-2") for each in beside))


@given(st.dictionaries(st.sampled_from(("op-1", "op-2", "tr-3")), st.builds(
    MayTest, st.lists(st.sampled_from(("all", HEATER, "other")), min_size=1).map(tuple), st.dates(date(2026, 1, 1), date(2027, 1, 1)),
    st.booleans()), max_size=3), st.dates(date(2026, 1, 1), date(2027, 1, 1)), st.sampled_from(("op-1", "op-2", "tr-3", "x-4")),
    st.lists(st.sampled_from(("op-1", "op-2", "tr-3", "x-4"))))
def test_nobody_tests_who_is_not_listed_and_no_trainee_alone(people: dict[str, MayTest], today: date, person: str,
                                                             beside: list[str]) -> None:
    def fit(name: str) -> bool:
        return name in people and today <= people[name].until and bool({"all", HEATER} & set(people[name].sequences))

    may = fit(person) and (not people[person].trainee or any(
        fit(each) and not people[each].trainee for each in beside))
    assert (refusal_of(person, beside, HEATER, today, people) is None) == may


@pytest.mark.parametrize(("text", "good"), [
    ("op-07", True), ("1234", True), ("tr.3", True), ("x1", True), ("anna", False), ("Anna1", False), ("anna meier 1", False),
    ("", False), ("-1", False), ("op-07\n", False), ("op" * 20 + "1", False), ("é1", False), ("op_7", False)])
def test_pseudonyms(text: str, good: bool) -> None:
    assert is_pseudonym(text) is good


# -- which list counts ------------------------------------------------------------------------------------------


def put(plant: Plant, people: dict[str, MayTest], number: int, by: str = "q-1") -> int:
    document = signed(PEOPLE_TYPE, people_payload(plant.standing.origin, number, people, "test"), *keys_of((by,)))
    return plant.log.append(People(number=number, document=document.text.decode()))


def test_the_newest_list_counts_as_long_as_its_key_holds(quick_path: Path) -> None:
    plant = Plant(quick_path)
    rules = PeopleRules(True, {"op-1": PEOPLE["op-1"]})
    with plant.log:
        with pytest.raises(Refused, match="Nobody is on this station's list"):
            listed_people(rules, plant.standing, simulated=False)
        assert set(listed_people(rules, plant.standing, simulated=True)) == {"op-1"}
        put(plant, {"op-2": PEOPLE["op-2"], "op-3": PEOPLE["op-3"]}, 1)
        index = put(plant, {"op-3": PEOPLE["op-3"]}, 2)
        for simulated in (True, False):
            assert dict(listed_people(rules, plant.standing, simulated=simulated)) == {"op-3": PEOPLE["op-3"]}
        carry(plant.log, registry_document(plant.standing, "q-1", "q-2", "q-3", enrol=("q-3",), revoke={"q-1": index}))
        with pytest.raises(Refused, match="signed by q-1, whose key was revoked"):
            listed_people(rules, plant.standing, simulated=True)
        put(plant, {"op-1": PEOPLE["op-1"]}, 3, by="q-2")
        assert set(listed_people(rules, plant.standing, simulated=False)) == {"op-1"}
