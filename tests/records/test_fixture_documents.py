"""What maintenance signs of a fixture: it stands in the very entry it was made for, and says what that entry says."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from eolseq.commands.covering import told_in
from eolseq.errors import NotGenuine
from eolseq.records.approvals import Standing
from eolseq.records.audit import audit
from eolseq.records.documents import FIXTURE_TYPE, UNLOCK_TYPE
from eolseq.records.fixture_entries import Fixture
from eolseq.records.station_checks import fixture_payload
from tests.records.people import PEOPLE, Plant, registry_document, signed
from tests.records.samples import open_log

ZERO = Fixture(fixture="nest-6", what="zero", outcome="pass", sentence="Every reading lies in its band.", by="m-1",
               run=1, good_until="2026-02-04", station_digest="0" * 64,
               readings=({"name": "resistance", "point": "front-panel", "unit": "ohm", "value": "0.030"},))


@pytest.fixture
def plant(tmp_path: Path) -> Any:
    made = Plant(tmp_path)
    yield made
    made.log.close()


def with_document(plant: Plant, entry: Fixture = ZERO, *, who: str = "m-1", of: str = FIXTURE_TYPE, ahead: int = 0,
                  **changed: Any) -> Fixture:
    payload = {**fixture_payload(plant.log.origin, plant.log.size + ahead, entry), **changed}
    return replace(entry, document=signed(of, payload, PEOPLE[who]).text.decode())


def test_what_maintenance_signed_counts_and_what_it_did_not_does_not(plant: Plant) -> None:
    bare = plant.log.append(ZERO)
    index = plant.log.append(with_document(plant))
    standing = plant.standing
    assert list(standing.fixtures) == [index] and standing.holds(index) and not standing.holds(bare)
    assert [each.index for each in told_in(plant.log, simulated=False)] == [index]
    assert [each.index for each in told_in(plant.log, simulated=True)] == [bare, index]
    bad = plant.log.append(replace(ZERO, outcome="fail"))
    there = plant.log.append(replace(ZERO, what="mounted"))
    assert [each.index for each in told_in(plant.log, simulated=False)] == [index, bad, there], "bad news needs no signature"
    plant.log.checkpoint()
    assert not audit(plant.log.path.parent).findings


def test_a_revoked_key_no_longer_speaks_for_a_fixture(plant: Plant) -> None:
    from tests.records.people import carry

    index = plant.log.append(with_document(plant))
    carry(plant.log, registry_document(plant.standing, "q-1", "q-2", revoke={"m-1": index}))
    assert told_in(plant.log, simulated=False) == () and not plant.standing.holds(index)


WRONG: dict[str, tuple[dict[str, Any], dict[str, Any], str]] = {
    "of an engineer": ({"who": "e-1"}, {}, "needs maintenance"),
    "of nobody enrolled": ({"who": "stranger"}, {}, "not"),
    "for another entry": ({"ahead": 1}, {}, "was signed for entry"),
    "of another log": ({"origin": "elsewhere.example/1"}, {}, "another log"),
    "another type": ({"of": UNLOCK_TYPE}, {}, "not"),
    "a field more": ({"more": 1}, {}, "fields"),
    "another fixture": ({}, {"fixture": "nest-3"}, "says something else"),
    "another outcome": ({}, {"outcome": "fail"}, "says something else"),
    "a longer time": ({}, {"good_until": "2027-02-04"}, "says something else"),
    "another reading": ({}, {"readings": ({"name": "resistance", "value": "0.020"},)}, "says something else"),
    "another station file": ({}, {"station_digest": "1" * 64}, "says something else"),
    "another bay": ({}, {"bay": "bay-2"}, "says something else"),
}


@pytest.mark.parametrize("name", WRONG)
def test_a_document_that_may_not_stand_there_is_refused_and_found_by_the_audit(plant: Plant, name: str) -> None:
    document, entry, words = WRONG[name]
    plant.log.append(replace(with_document(plant, **document), **entry))
    plant.log.checkpoint()
    with pytest.raises(NotGenuine, match=words):
        Standing(plant.log.documents)
    assert audit(plant.log.path.parent).findings


def test_what_was_mounted_is_nobodys_to_sign(plant: Plant) -> None:
    plant.log.append(with_document(plant, replace(ZERO, what="mounted")))
    with pytest.raises(NotGenuine, match="says something else"):
        Standing(plant.log.documents)


def test_an_entry_as_it_was_written_before_there_were_documents_is_read(tmp_path: Path) -> None:
    from dataclasses import asdict

    from eolseq.records.runs import Carried
    from eolseq.verification.fixtures import told_of

    with open_log(tmp_path) as log:
        index = log.append(ZERO)
        old = {name: value for name, value in asdict(ZERO).items() if name not in ("document", "bay")}
        carried = Carried(index, b"", "fixture", {**old, "time": "2026-01-05T06:00:00+00:00"})
        standing = Standing(log.documents)
        standing.take(carried)
    assert not standing.holds(index) and told_of([carried])[0].fixture == "nest-6"
